"""What the wood of bundles is a mix of, through any number of re-bundlings."""

from collections.abc import Callable, Collection, Hashable, Mapping
from typing import TypeVar

from scionreg.lineage.graph import Bundle, Parents, sources_first, wood_shares

Source = TypeVar("Source", bound=Hashable)


def mixed_from(
    bundles: Mapping[str, Bundle],
    parents: Parents,
    wanted: Collection[str],
    own: Callable[[Bundle], Source | None],
) -> dict[str, dict[Source, float]]:
    """Return of each bundle `wanted` and its parents the share of its wood that each source gave.

    `own` is the source of what a bundle holds beside what its parents gave, None where it has none;
    shares then sum to less than 1.
    """
    found: dict[str, dict[Source, float]] = {}
    for code in sources_first(wanted, lambda each: parents.get(each, ())):
        bundle = bundles[code]
        mixed: dict[Source, float] = {}
        for parent, share in wood_shares(bundle, parents.get(code, {})).items():
            if parent is not None:
                gave = found[parent]
            else:
                source = own(bundle)
                gave = {} if source is None else {source: 1.0}
            for each, part in gave.items():
                mixed[each] = mixed.get(each, 0.0) + share * part
        found[code] = mixed
    return found
