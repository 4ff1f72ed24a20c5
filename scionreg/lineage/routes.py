"""Ways from wood up to where it was cut, with their shares: the algebra that trace rests on."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from scionreg.lineage import doubts
from scionreg.lineage.chain import Chain
from scionreg.lineage.graph import Bundle, sources_first, weakest, wood_shares
from scionreg.records.vocabulary import Grade
from scionreg.records.words import Sentence


class Ending(NamedTuple):
    """Where the wood of one generation begins: a collection, wood from outside, or nobody knows."""

    kind: str
    """``collection``, ``received`` or ``unknown``."""
    code: str
    """The collection, else the bundle or tree whose source lies outside the records."""


class Route(NamedTuple):
    """All ways to one ending together."""

    share: float
    doubt: Grade
    """Certain, likely or unknown; mixing is not a doubt, and is graded once all ways are known."""
    because: tuple[str, ...]
    path: tuple[str, ...]
    """Codes of the way that most of the wood came."""
    ways: int

    def after(self, code: str, share: float, because: Iterable[str]) -> "Route":
        """Return this route one link further down."""
        reasons = tuple(because)
        doubt = weakest(self.doubt, Grade.LIKELY) if reasons else self.doubt
        return Route(
            self.share * share, doubt, reasons + self.because, (code, *self.path), self.ways
        )


Routes = dict[Ending, Route]


def add(routes: Routes, ending: Ending, route: Route) -> None:
    """Add a way to an ending that may have been reached before."""
    known = routes.get(ending)
    if known is None:
        routes[ending] = route
        return
    nearer = known if known.share >= route.share else route
    routes[ending] = Route(
        known.share + route.share,
        weakest(known.doubt, route.doubt),
        tuple(dict.fromkeys(known.because + route.because)),
        nearer.path,
        known.ways + route.ways,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One recorded step of the chain: wood of `parent` became `child`.

    `parent` is None where nobody recorded where the wood came from, and the name of the giver
    for wood from outside.
    """

    child: str
    parent: str | None
    share: float
    grade: Grade
    because: tuple[str, ...] = ()


def bundle_routes(chain: Chain, start: Iterable[str]) -> tuple[dict[str, Routes], list[Link]]:
    """Return, for `start` and all bundles above them, the ways up, and the links they use."""
    found: dict[str, Routes] = {}
    links: list[Link] = []
    for code in sources_first(start, lambda code: chain.parents.get(code, ())):
        bundle = chain.bundles[code]
        own = doubts.undated(bundle.packed, code, "packed") + doubts.of_bundle(chain, bundle)
        routes: Routes = {}
        steps: list[Link] = []
        for parent, share in wood_shares(bundle, chain.parents.get(code, {})).items():
            if parent is None:
                ending, route, link = _own_source(chain, bundle, share, own)
                add(routes, ending, route)
            else:
                reasons = own + doubts.of_parent(bundle, chain.bundles[parent])
                for ending, route in found[parent].items():
                    add(routes, ending, route.after(code, share, reasons))
                link = _link(code, parent, share, reasons)
            steps.append(link)
        found[code] = routes
        mixed = Grade.ONE_OF if len(routes) > 1 else Grade.CERTAIN
        links += [replace(link, grade=weakest(link.grade, mixed)) for link in steps]
    return found, links


def _link(child: str, parent: str, share: float, reasons: Iterable[str]) -> Link:
    because = tuple(reasons)
    grade = Grade.LIKELY if because else Grade.CERTAIN
    return Link(child=child, parent=parent, share=share, grade=grade, because=because)


def _own_source(
    chain: Chain, bundle: Bundle, share: float, own: list[Sentence]
) -> tuple[Ending, Route, Link]:
    """Return ending, route and link of the source of a bundle that is no other bundle."""
    code = bundle.bundle
    if bundle.collection is not None:
        ending, route = collection_route(chain, bundle.collection)
        reasons = own + doubts.of_packing(bundle, chain.cuttings[bundle.collection])
        link = _link(code, bundle.collection, share, reasons)
        return ending, route.after(code, share, reasons), link
    if bundle.received_from is not None:
        claimed = Sentence("doubt.received_wood", giver=bundle.received_from)
        ending, doubt, because = Ending("received", code), Grade.LIKELY, (claimed, *own)
    else:
        unknown = Sentence("doubt.no_source", bundle=code)
        ending, doubt, because = Ending("unknown", code), Grade.UNKNOWN, (unknown, *own)
    link = Link(child=code, parent=bundle.received_from, share=share, grade=doubt, because=because)
    return ending, Route(share, doubt, because, (code,), 1), link


def collection_route(chain: Chain, code: str) -> tuple[Ending, Route]:
    """Return the ending that a collection is, and the way from it to its tree."""
    cutting = chain.cuttings[code]
    reasons = tuple(doubts.undated(cutting.date, code, "cut") + doubts.of_cutting(chain, cutting))
    doubt = Grade.LIKELY if reasons else Grade.CERTAIN
    return Ending("collection", code), Route(1.0, doubt, reasons, (code, cutting.tree), 1)


def lot_routes(
    chain: Chain, shares: Mapping[str, float], wood: Mapping[str, Routes]
) -> tuple[Routes, list[Link]]:
    """Return the ways up from graft lots of given `shares`, and the links to their bundles."""
    routes: Routes = {}
    links: list[Link] = []
    for code, share in shares.items():
        lot = chain.lots[code]
        own = doubts.undated(lot.date, code, "grafted") + doubts.of_lot(chain, lot)
        for ending, route in wood[lot.bundle].items():
            cutting = chain.cuttings[ending.code] if ending.kind == "collection" else None
            add(routes, ending, route.after(code, share, own + doubts.of_wood(lot, cutting)))
        links.append(_link(code, lot.bundle, 1.0, own))
    return routes, links
