"""What a trace tells beside its sources: hands, stays in store, gaps and contradictions."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from scionreg.lineage import doubts, relatives
from scionreg.lineage.chain import Chain, LogLine
from scionreg.lineage.graph import Bundle, Cutting, Lot, Moment
from scionreg.lineage.lasting import lasted_on
from scionreg.lineage.phrases import found_to_be, in_brackets, tree_or_limb
from scionreg.lineage.presence import places_of
from scionreg.records.vocabulary import BundleEventKind, TreeEventKind
from scionreg.records.words import Sentence, joined

OPEN_END = dt.date.max


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """Somebody who worked on the chain: who, what they did (cut, packed, grafted), and when."""

    person: str
    did: str
    code: str
    date: dt.date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """Time that a bundle spent in a store; `end` None means that no leaving is recorded.

    `start` and `end` are days, or points in time (UTC) where those were recorded. `left` tells that
    sticks are there still.
    """

    bundle: str
    store: str
    start: Moment | None
    end: Moment | None
    left: bool = False


def hands(chain: Chain, lots: Iterable[str]) -> list[Hand]:
    """Return who cut, packed and grafted, oldest first."""
    found = [
        Hand(person=cutting.cutter, did="cut", code=code, date=cutting.date)
        for code, cutting in chain.cuttings.items()
        if cutting.cutter is not None
    ]
    found += [
        Hand(person=bundle.packer, did="packed", code=code, date=bundle.packed)
        for code, bundle in chain.bundles.items()
        if bundle.packer is not None
    ]
    found += [
        Hand(person=lot.grafter, did="grafted", code=lot.graft_lot, date=lot.date)
        for lot in (chain.lots[code] for code in lots)
    ]
    return sorted(found, key=lambda hand: (hand.date or OPEN_END, hand.did, hand.code))


def stays(chain: Chain, lots: Iterable[str]) -> list[Stay]:
    """Return the stays in store of the chain's bundles, up to their use on this chain.

    Those of bundles that the chain does not use last until nothing was left of them.
    """
    used: dict[str, list[dt.date | None]] = {}
    for code in lots:
        used.setdefault(chain.lots[code].bundle, []).append(chain.lots[code].date)
    for child, parents in chain.parents.items():
        for parent in parents:
            used.setdefault(parent, []).append(chain.bundles[child].packed)
    found = []
    for code, bundle in chain.bundles.items():
        until: Moment | None
        if code in used:
            days = used[code]
            last = until = None if None in days else max(day for day in days if day is not None)
            left = False
        else:
            lasted = lasted_on(chain, code)
            until, last, left = lasted.ended, lasted.last_day, lasted.left > 0
        places = places_of(bundle, chain.log.get(code, ()), until, last)
        found += [
            Stay(bundle=code, store=at, start=start, end=end, left=left and number == len(places))
            for number, (at, start, end) in enumerate(places, 1)
            if at is not None
        ]
    return found


# ------------------------------------------------------------------------------------- the gaps


def missing(chain: Chain, lots: Iterable[str]) -> list[Sentence]:
    """Return plain sentences naming what was not recorded."""
    found: list[Sentence] = []
    for line in chain.lines:
        of = Sentence("missing.of.dispatch", dispatch=line.dispatch, lot=line.graft_lot)
        found += _gaps(of, sent=line.date, positions=line.first)
    for code in lots:
        found += _lot_gaps(chain.lots[code])
    for code, bundle in chain.bundles.items():
        found += _bundle_gaps(chain, code, bundle)
    for cutting in chain.cuttings.values():
        found += _cutting_gaps(cutting)
    for tree in chain.trees.values():
        of = Sentence("missing.of.tree", tree=tree.tree)
        if tree.graft_lot is None:
            found += _gaps(of, origin=tree.received_from)
        else:
            found += _gaps(of, graft_position=tree.graft_position, planted=tree.planted)
    return found


def _gaps(of: Sentence, **columns: object) -> list[Sentence]:
    """Return that columns are not recorded, those that are None; named as in the catalogue."""
    return [
        Sentence("missing.says", of=of, what=Sentence(f"missing.what.{name}"))
        for name, value in columns.items()
        if value is None
    ]


def _lot_gaps(lot: Lot) -> list[Sentence]:
    return _gaps(
        Sentence("missing.of.lot", lot=lot.graft_lot),
        grafted=lot.date,
        sticks_used=lot.sticks_used,
        row=lot.row,
        row_positions=lot.first if lot.last is not None else None,
        rootstock_lot=lot.rootstock_lot,
    )


def _bundle_gaps(chain: Chain, code: str, bundle: Bundle) -> list[Sentence]:
    given = chain.parents.get(code, {})
    of = Sentence("missing.of.bundle", bundle=code)
    found = _gaps(
        of,
        packed=bundle.packed,
        packer=bundle.packer,
        counting=bundle.counting,
        store=bundle.store,
    )
    if bundle.collection is None and bundle.received_from is None:
        rest, sticks = bundle.sticks - sum(given.values()), bundle.sticks
        if not given:
            found.append(Sentence("missing.source", of=of, sticks=sticks))
        elif rest > 0:
            found.append(Sentence("missing.source_in_part", of=of, rest=rest, sticks=sticks))
    return found


def _cutting_gaps(cutting: Cutting) -> list[Sentence]:
    return _gaps(
        Sentence("missing.of.collection", collection=cutting.collection),
        cut=cutting.date,
        cutter=cutting.cutter,
        counting=cutting.counting,
    )


# --------------------------------------------------------------------------- the contradictions


def contradictions(
    chain: Chain, lots: Iterable[str], cultivars: Mapping[str, Iterable[str]]
) -> list[Sentence]:
    """Return plain sentences naming records that cannot all be right, or that speak against use.

    `cultivars` are those of the nearest sources of each dispatched lot.
    """
    found: list[Sentence] = []
    for code in lots:
        found += doubts.of_lot(chain, chain.lots[code])
        found += _held(chain, chain.lots[code])
    for code, bundle in chain.bundles.items():
        found += doubts.of_bundle(chain, bundle)
        for parent in chain.parents.get(code, ()):
            found += doubts.of_parent(bundle, chain.bundles[parent])
        if bundle.collection is not None:
            found += doubts.of_packing(bundle, chain.cuttings[bundle.collection])
    for cutting in chain.cuttings.values():
        found += doubts.of_cutting(chain, cutting)
        found += _tree_at_cutting(chain, cutting)
    for tree in chain.trees.values():
        found += doubts.of_tree(chain, tree)
    found += [*_labels(chain, cultivars), *_found_off(chain), *_kin_off(chain, lots)]
    return list(dict.fromkeys(found))


def _found_off(chain: Chain) -> Iterator[Sentence]:
    """Yield the identity checks that speak against the labels on the chain."""
    for look in chain.looks:
        if look.off:
            yield Sentence(
                "contradiction.off",
                check=look.check,
                off=look.off,
                checked=look.checked,
                item=look.item,
                found=found_to_be(look.found),
            )


def _kin_off(chain: Chain, lots: Iterable[str]) -> Iterator[Sentence]:
    """Yield the looks at relatives that speak against the names of the chain's lots and bundles."""
    of_lots = [(code, chain.bundles[chain.lots[code].bundle]) for code in lots]
    grafted = {bundle.bundle for _, bundle in of_lots}
    for item, bundle in [
        *of_lots,
        *((code, each) for code, each in chain.bundles.items() if code not in grafted),
    ]:
        cutting = chain.cuttings.get(bundle.collection or "")
        written = chain.trees[cutting.tree].cultivar if cutting else bundle.claimed
        looks = relatives.against(
            chain.kin,
            bundle=bundle.bundle,
            collection=bundle.collection,
            lot=item if item != bundle.bundle else None,
            names=chain.names,
            label=chain.names.get(written, written) if written else None,
        )
        if looks:
            yield relatives.told(looks, item, bundle.collection or bundle.bundle)


def _held(chain: Chain, lot: Lot) -> Iterator[Sentence]:
    """Yield the holds in force on the bundle of a lot on the day of grafting."""
    hold: LogLine | None = None
    for line in chain.log.get(lot.bundle, ()):
        if line.day is None or lot.date is None or line.day > lot.date:
            continue
        if line.event == BundleEventKind.HOLD:
            hold = line
        elif line.event == BundleEventKind.RELEASED:
            hold = None
    if hold is not None:
        yield Sentence(
            "contradiction.grafted_on_hold",
            lot=lot.graft_lot,
            day=lot.date,
            bundle=lot.bundle,
            since=hold.day,
        )


SAID = (
    TreeEventKind.TOPWORKED,
    TreeEventKind.REGREW,
    TreeEventKind.LIMB_REMOVED,
    TreeEventKind.NOTICE,
)
"""Events that speak against wood that is cut later."""


def _tree_at_cutting(chain: Chain, cutting: Cutting) -> Iterator[Sentence]:
    """Yield events of the tree that speak against wood cut from it later."""
    hold: dt.date | None = None
    before = sorted(
        (h for h in chain.happenings.get(cutting.tree, ()) if h.date is not None),
        key=lambda h: h.date or OPEN_END,
    )
    for happening in before:
        if cutting.date is None or doubts.later(happening.date, cutting.date):
            continue
        if happening.limb not in (None, cutting.limb) and cutting.limb is not None:
            continue
        event = happening.event
        if event == TreeEventKind.HOLD:
            hold = happening.date
        elif event == TreeEventKind.RELEASED:
            hold = None
        elif event in SAID and (event != TreeEventKind.LIMB_REMOVED or cutting.limb):
            yield Sentence(
                f"contradiction.cut_after.{event}",
                of=tree_or_limb(cutting.tree, happening.limb),
                day=happening.date,
                detail=in_brackets(happening.detail),
                collection=cutting.collection,
                cut=cutting.date,
            )
    if hold is not None:
        yield Sentence(
            "contradiction.cut_on_hold",
            collection=cutting.collection,
            day=cutting.date,
            tree=cutting.tree,
            since=hold,
        )


def _labels(chain: Chain, cultivars: Mapping[str, Iterable[str]]) -> Iterator[Sentence]:
    """Yield dispatch labels that name another cultivar than the sources of their lot."""
    for line in chain.lines:
        label, sources = line.label_cultivar, sorted(cultivars.get(line.graft_lot, ()))
        if label and sources and chain.names.get(label, label) not in sources:
            yield Sentence(
                "contradiction.label",
                lot=line.graft_lot,
                dispatch=line.dispatch,
                label=label,
                sources=joined(sources, "joined.or"),
            )
