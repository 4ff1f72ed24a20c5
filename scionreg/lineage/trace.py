"""Up the chain: every tree and cutting that something may have come from, and how sure that is."""

from dataclasses import dataclass, field

from sqlalchemy import Connection

from scionreg.lineage import doubts, remarks
from scionreg.lineage.chain import Chain, Line, read_lines
from scionreg.lineage.graph import (
    Query,
    Tree,
    find_kind,
    in_a_circle,
    not_found,
    rows,
    split_position,
    weakest,
)
from scionreg.lineage.routes import (
    Ending,
    Link,
    Route,
    Routes,
    add,
    bundle_routes,
    collection_route,
)
from scionreg.lineage.routes import lot_routes as routes_of_lots
from scionreg.lineage.standing import now_at, standing
from scionreg.lineage.traced import Source, Trace
from scionreg.records import codes
from scionreg.records.cells import noun
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.vocabulary import Grade
from scionreg.records.words import Sentence

__all__ = ["Source", "Trace", "trace"]


def trace(connection: Connection, code: str) -> Trace:
    """Return every source that `code` may have come from, over all generations.

    `code` names a mother tree, collection, bundle, graft lot, dispatch, or identity check (then
    what was checked is traced), or is ``graft lot/position``: the tree that stands there now, or
    ``dispatch/graft lot``: one line of a dispatch.

    Raises
    ------
    NotFoundError
        Nothing is recorded under `code`.
    RegistryError
        It names something that wood does not come into, a store or a person perhaps.
    """
    start = _open(connection, code)
    chain = start.chain
    chain.read_surroundings(connection, {*start.prefix, *start.lots})
    generations, links, lots = _climb(start)
    sources = [
        (_source(chain, number, ending, route, mixed=len(routes) > 1), ending.kind == FOUNDER)
        for number, routes in enumerate(generations, 1)
        for ending, route in sorted(routes.items(), key=lambda item: (-item[1].share, item[0]))
    ]
    # A chain that begins with a tree whose own origin nobody recorded is no weaker for it.
    graded = [source.grade for source, founder in sources if not founder]
    return Trace(
        code=code,
        kind=start.kind,
        grade=weakest(*(graded or [source.grade for source, _ in sources])),
        sources=tuple(source for source, _ in sources),
        links=tuple(links),
        hands=tuple(remarks.hands(chain, lots)),
        stays=tuple(remarks.stays(chain, lots)),
        checks=tuple(chain.looks),
        regrafts=tuple(
            lot
            for lot in chain.lots.values()
            if lot.regraft_of is not None and (lot.regraft_of in lots or lot.graft_lot in lots)
        ),
        missing=tuple(remarks.missing(chain, lots)),
        contradictions=tuple(remarks.contradictions(chain, lots, _cultivars_sent(chain))),
    )


def _cultivars_sent(chain: Chain) -> dict[str, set[str]]:
    """Return the cultivars that the trees of each dispatched lot may be, by their sources."""
    if not chain.lines:
        return {}
    wood, _ = bundle_routes(chain, chain.bundles)
    found: dict[str, set[str]] = {}
    for line in chain.lines:
        names = found.setdefault(line.graft_lot, set())
        for lot in standing_in(chain, line):
            for ending in wood[chain.lots[lot].bundle]:
                written = _written(chain, ending)
                if written is not None:
                    names.add(chain.names.get(written, written))
    return found


# ------------------------------------------------------------------------------ where it starts


@dataclass(slots=True)
class _Start:
    """What was asked about: the wood it stands for, and the codes before that on the path."""

    chain: Chain = field(default_factory=Chain)
    kind: str = ""
    prefix: tuple[str, ...] = ()
    because: list[Sentence] = field(default_factory=list)
    """Doubts about the step from the code asked about to its wood."""
    lots: dict[str, float] = field(default_factory=dict)
    bundle: str | None = None
    collection: str | None = None
    tree: str | None = None


DISPATCHES = "dispatches"
CHECKED_ITEM = Query('SELECT item FROM identity_checks WHERE "check" IN {codes}')


def _open(connection: Connection, code: str) -> _Start:
    """Find out what `code` is, and read everything upward of it."""
    dispatch, slash, part = code.partition("/")
    of_line = bool(slash) and not part.isdecimal() and codes.kind_of(dispatch) in (None, DISPATCHES)
    if of_line and find_kind(connection, dispatch) == DISPATCHES:
        asked, position, kind = dispatch, None, DISPATCHES
    else:
        asked, position = split_position(code)
        kind = codes.kind_of(asked) or find_kind(connection, code)
    start = _Start(kind=kind)
    chain = start.chain
    match kind:
        case "graft_lots":
            _open_lot(connection, start, code, asked, position)
        case "dispatches":
            _open_dispatch(connection, start, code, asked)
        case "bundles":
            start.bundle = code
        case "collections":
            start.collection = code
        case "mother_trees":
            start.tree = code
        case "identity_checks":
            return _open_check(connection, code)
        case _:
            raise RegistryError(
                f"'{code}' is a {noun(kind)}, which no wood comes into; name a tree, "
                "collection, bundle, graft lot, graft lot/position, dispatch or identity check"
            )
    chain.follow(
        connection,
        lots=start.lots,
        bundles=[code] if start.bundle else (),
        collections=[code] if start.collection else (),
        trees=[code] if start.tree else (),
    )
    if not (start.lots or code in chain.bundles or code in chain.cuttings or code in chain.trees):
        raise not_found(connection, code)
    return start


def _open_lot(
    connection: Connection, start: _Start, code: str, asked: str, position: int | None
) -> None:
    chain = start.chain
    chain.read_lots(connection, [asked])
    lot = chain.lots.get(asked)
    if lot is None:
        raise not_found(connection, code)
    if position is not None:
        if position < (lot.first or 1) or (lot.last is not None and position > lot.last):
            raise NotFoundError(
                f"nothing is recorded under '{code}': {asked} stands at positions {lot.first} "
                f"to {lot.last}"
            )
        start.prefix = (code,)
        lot, start.because = now_at(lot, chain.regrafts, position)
    start.lots = {lot.graft_lot: 1.0}


def _open_dispatch(connection: Connection, start: _Start, code: str, dispatch: str) -> None:
    """Read the lines of a dispatch, of ``dispatch/graft lot`` the one."""
    chain = start.chain
    lines = [line for line in read_lines(connection, [dispatch]) if code in (dispatch, line.code)]
    if not lines:
        raise not_found(connection, code)
    chain.lines = lines
    chain.read_lots(connection, [line.graft_lot for line in lines])
    trees = sum(line.trees for line in lines)
    for line in lines:
        for standing_lot, share in standing_in(chain, line).items():
            start.lots.setdefault(standing_lot, 0.0)
            start.lots[standing_lot] += share * line.trees / trees
        start.because += doubts.undated(line.date, code, "sent")
    start.because = list(dict.fromkeys(start.because))
    start.prefix = (code,)


def standing_in(chain: Chain, line: Line) -> dict[str, float]:
    """Return the lots that the trees of a dispatch line come from, regrafts included."""
    lot = chain.lots[line.graft_lot]
    return standing(lot, chain.regrafts, line.first, line.last, line.date)


def _open_check(connection: Connection, code: str) -> _Start:
    item = rows(connection, CHECKED_ITEM, [code])
    if not item:
        raise not_found(connection, code)
    start = _open(connection, item[0][0])
    start.kind = "identity_checks"
    start.prefix = (code, *start.prefix)
    return start


# -------------------------------------------------------------------------------- the way upward

FOUNDER = "founder"


def _climb(start: _Start) -> tuple[list[Routes], list[Link], list[str]]:
    """Return the ways up by generation, all links, and the graft lots that they pass through."""
    chain = start.chain
    wood, links = bundle_routes(chain, chain.bundles)
    links = [*_links_of_cuttings(chain), *links]
    lots = dict.fromkeys(start.lots)
    if start.lots:
        routes, more = routes_of_lots(chain, start.lots, wood)
        links += more
    elif start.bundle is not None:
        routes = wood[start.bundle]
    elif start.collection is not None:
        routes = dict([collection_route(chain, start.collection)])
    else:
        tree = str(start.tree)
        routes, more = _earlier(chain, wood, tree, Route(1.0, Grade.CERTAIN, (), (tree,), 1), lots)
        links += more
    for i, code in enumerate(reversed(start.prefix)):
        because = start.because if i == 0 else ()
        routes = {ending: route.after(code, 1.0, because) for ending, route in routes.items()}
    links += _links_of_start(start, mixed=len(routes) > 1)
    generations = [routes]
    while any(_grown_here(chain, ending) for ending in routes):
        earlier: Routes = {}
        for ending, route in routes.items():
            if ending.kind != "collection":
                add(earlier, ending, route)
                continue
            found, more = _earlier(chain, wood, chain.cuttings[ending.code].tree, route, lots)
            links += more
            for further, longer in found.items():
                add(earlier, further, longer)
        generations.append(earlier)
        routes = earlier
    return generations, list(dict.fromkeys(links)), list(lots)


def _grown_here(chain: Chain, ending: Ending) -> bool:
    if ending.kind != "collection":
        return False
    return bool(chain.grown_from(chain.trees[chain.cuttings[ending.code].tree]))


def _earlier(
    chain: Chain, wood: dict[str, Routes], code: str, route: Route, lots: dict[str, None]
) -> tuple[Routes, list[Link]]:
    """Return the ways up from a mother tree that `route` led to; note the lots in `lots`."""
    tree = chain.trees[code]
    shares = chain.grown_from(tree)
    if not shares:
        return {Ending(FOUNDER, code): _founder(route, tree)}, []
    lots.update(dict.fromkeys(shares))
    routes, links = routes_of_lots(chain, shares, wood)
    reasons = tuple(doubts.of_tree(chain, tree))
    doubt = Grade.LIKELY if reasons else Grade.CERTAIN
    longer: Routes = {}
    for ending, upper in routes.items():
        if ending.kind == "collection" and chain.cuttings[ending.code].tree in route.path:
            raise in_a_circle(code)
        longer[ending] = Route(
            route.share * upper.share,
            weakest(route.doubt, upper.doubt, doubt),
            tuple(dict.fromkeys(route.because + reasons + upper.because)),
            route.path + upper.path,
            route.ways * upper.ways,
        )
    mixed = Grade.ONE_OF if len(routes) > 1 else Grade.CERTAIN
    links += [
        Link(child=code, parent=lot, share=n, grade=weakest(doubt, mixed), because=reasons)
        for lot, n in shares.items()
    ]
    return longer, links


def _founder(route: Route, tree: Tree) -> Route:
    """Return the way to a tree that was not grown here, one generation before it."""
    if tree.received_from is not None:
        reason = Sentence("doubt.received_tree", tree=tree.tree, giver=tree.received_from)
        return route._replace(
            doubt=weakest(route.doubt, Grade.LIKELY), because=(*route.because, reason)
        )
    reason = Sentence("doubt.no_origin", tree=tree.tree)
    return route._replace(doubt=Grade.UNKNOWN, because=(*route.because, reason))


def _links_of_cuttings(chain: Chain) -> list[Link]:
    found = []
    for code, cutting in chain.cuttings.items():
        _, route = collection_route(chain, code)
        found.append(
            Link(
                child=code, parent=cutting.tree, share=1.0, grade=route.doubt, because=route.because
            )
        )
    return found


def _links_of_start(start: _Start, *, mixed: bool) -> list[Link]:
    """Return the links from a dispatch or a single tree to its graft lots."""
    if not start.prefix or not start.lots:
        return []
    doubt = Grade.LIKELY if start.because else Grade.CERTAIN
    grade = weakest(doubt, Grade.ONE_OF if mixed else Grade.CERTAIN)
    return [
        Link(
            child=start.prefix[-1],
            parent=lot,
            share=share,
            grade=grade,
            because=tuple(start.because),
        )
        for lot, share in start.lots.items()
    ]


def _source(chain: Chain, generation: int, ending: Ending, route: Route, *, mixed: bool) -> Source:
    cutting = chain.cuttings[ending.code] if ending.kind == "collection" else None
    written = _written(chain, ending)
    return Source(
        generation=generation,
        tree=cutting.tree if cutting else None,
        limb=cutting.limb if cutting else None,
        cultivar=chain.names.get(written, written) if written else None,
        written=written,
        collection=cutting.collection if cutting else None,
        date=cutting.date if cutting else None,
        share=route.share,
        grade=weakest(route.doubt, Grade.ONE_OF if mixed else Grade.CERTAIN),
        because=route.because,
        path=route.path,
        ways=route.ways,
    )


def _written(chain: Chain, ending: Ending) -> str | None:
    """Return the cultivar of an ending, as written."""
    if ending.kind == "collection":
        return chain.trees[chain.cuttings[ending.code].tree].cultivar
    if ending.kind == FOUNDER:
        return chain.trees[ending.code].cultivar
    return chain.bundles[ending.code].claimed
