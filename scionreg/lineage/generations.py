"""How many times the wood of each mother tree was grafted here since it came from outside."""

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, rows, sources_first
from scionreg.lineage.listing import WOOD_OF

TREES = Query(
    "SELECT t.tree, l.bundle FROM mother_trees t "
    "LEFT JOIN graft_lots l ON l.graft_lot = t.graft_lot"
)


def read_generations(connection: Connection) -> dict[str, int]:
    """Return the generation of every mother tree: 0 for one not grown here, else one more.

    One more than the deepest of the trees that the wood of its graft lot came from, where that was
    mixed; wood from outside counts as that of generation 0.

    Raises
    ------
    RegistryError
        The records run in a circle.
    """
    bundle_of = dict(rows(connection, TREES, ()))
    bundles = {bundle for bundle in bundle_of.values() if bundle is not None}
    of_bundle: dict[str, set[str]] = {}
    for bundle, _, tree, *_ in rows(connection, WOOD_OF, bundles) if bundles else ():
        if tree is not None:
            of_bundle.setdefault(bundle, set()).add(tree)

    def sources(tree: str) -> set[str]:
        bundle = bundle_of[tree]
        return of_bundle.get(bundle, set()) if bundle is not None else set()

    found: dict[str, int] = {}
    for tree in sources_first(bundle_of, sources):
        before = max((found[each] for each in sources(tree)), default=0)
        found[tree] = 0 if bundle_of[tree] is None else before + 1
    return found
