"""Parts that several sentences about wood share."""

from scionreg.records.vocabulary import Found
from scionreg.records.words import Sentence


def tree_or_limb(tree: str, limb: str | None) -> str:
    """Return a tree, or a limb of it, as a sentence names it."""
    if not limb:
        return tree
    called = "phrase.limb_by_name" if "limb" in limb.casefold() else "phrase.limb"
    return Sentence(called, tree=tree, limb=limb)


def found_to_be(found: str | None) -> str:
    """Return what something was found to be, as it is added to a sentence; nothing for None."""
    return Sentence("phrase.found", found=Found.spelled(found) or found) if found else ""


def without_detail(said: Sentence) -> Sentence:
    """Return what is said without what somebody wrote freely."""
    return said.with_values(detail="") if "detail" in said.values else said


def in_brackets(detail: str | None) -> str:
    """Return what somebody wrote freely as it is added to a sentence; nothing for None."""
    return Sentence("phrase.detail", detail=detail) if detail else ""
