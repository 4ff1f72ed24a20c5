"""What the registry knows against a use, said where the use is recorded, and no more than said."""

import datetime as dt
from collections.abc import Mapping

from sqlalchemy import Connection

from scionreg.judgement import Judge, Judgement
from scionreg.records.errors import NotFoundError
from scionreg.records.words import Words

USES: Mapping[tuple[str, str], str] = {
    ("collections", "tree"): "mother_trees",
    ("graft_lots", "bundle"): "bundles",
    ("bundle_parents", "parent"): "bundles",
    ("dispatches", "graft_lot"): "graft_lots",
}
"""The columns in which something is put to use, and what it is."""


def against(connection: Connection, used: str, code: str, day: dt.date | None, words: Words) -> str:
    """Return in one line what speaks against using something on a day (None: today), if anything.

    `used` is a kind among `USES`. Of what is not recorded yet nothing is known.
    """
    try:
        judgement = _judged(Judge(connection, day), used, code)
    except NotFoundError:
        return ""
    return "; ".join(words.tell(each.says) for each in judgement.against)


def _judged(judge: Judge, used: str, code: str) -> Judgement:
    match used:
        case "mother_trees":
            return judge.tree(code)
        case "bundles":
            return judge.bundles([code])[code]
        case _:
            return judge.lots([code])[code]
