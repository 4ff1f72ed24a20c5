"""What a trace tells beside its sources: hands, stays in store, gaps and contradictions."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from scionreg.lineage import doubts
from scionreg.lineage.chain import Chain, LogLine
from scionreg.lineage.graph import Bundle, Cutting, Lot, Moment, day_of
from scionreg.records.vocabulary import BundleEventKind, TreeEventKind

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

    `start` and `end` are days, or points in time (UTC) where those were recorded.
    """

    bundle: str
    store: str
    start: Moment | None
    end: Moment | None


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
    """Return the stays in store of the chain's bundles, up to their use on this chain."""
    used: dict[str, list[dt.date | None]] = {}
    for code in lots:
        used.setdefault(chain.lots[code].bundle, []).append(chain.lots[code].date)
    for child, parents in chain.parents.items():
        for parent in parents:
            used.setdefault(parent, []).append(chain.bundles[child].packed)
    found = []
    for code, bundle in chain.bundles.items():
        days = used.get(code, [chain.drawn.last_graft.get(code)])
        until = None if None in days else max(day for day in days if day is not None)
        found += stays_of(bundle, chain.log.get(code, ()), until)
    return found


def stays_of(bundle: Bundle, log: Iterable[LogLine], until: Moment | None) -> list[Stay]:
    """Return the stays of one bundle: from packing or a move to the next move or the last use."""
    return [
        Stay(bundle=bundle.bundle, store=store, start=start, end=end)
        for store, start, end in places_of(bundle, log, until)
        if store is not None
    ]


def places_of(
    bundle: Bundle, log: Iterable[LogLine], until: Moment | None
) -> list[tuple[str | None, Moment | None, Moment | None]]:
    """Return where a bundle was, one place after the other: its store (None: not recorded), ends.

    An end that nobody recorded is None, as is the last one of a bundle that is still there.
    """
    places: list[tuple[Moment | None, str | None]] = [(bundle.packed, bundle.store)]
    end: Moment | None = until
    for line in log:
        if until is not None and doubts.later(day_of(line.time), day_of(until)):
            break
        if line.event == BundleEventKind.MOVED:
            places.append((line.time, line.store))
        elif line.event == BundleEventKind.DISCARDED and line.sticks is None:
            end = line.time
            break
    ends = [start for start, _ in places[1:]] + [end]
    return [(store, start, end) for (start, store), end in zip(places, ends, strict=True)]


# ------------------------------------------------------------------------------------- the gaps


def missing(chain: Chain, lots: Iterable[str]) -> list[str]:
    """Return plain sentences naming what was not recorded."""
    found: list[str] = []
    for line in chain.lines:
        found += _gaps(
            f"dispatch {line.dispatch}, lot {line.graft_lot}",
            ("day", line.date),
            ("positions", line.first),
        )
    for code in lots:
        found += _lot_gaps(chain.lots[code])
    for code, bundle in chain.bundles.items():
        found += _bundle_gaps(chain, code, bundle)
    for cutting in chain.cuttings.values():
        found += _cutting_gaps(cutting)
    for tree in chain.trees.values():
        if tree.graft_lot is None:
            found += _gaps(f"mother tree {tree.tree}", ("where it came from", tree.received_from))
        else:
            found += _gaps(
                f"mother tree {tree.tree}",
                ("position in its graft lot", tree.graft_position),
                ("day it was planted", tree.planted),
            )
    return found


def _gaps(what: str, *columns: tuple[str, object]) -> list[str]:
    return [f"{what}: {name} not recorded" for name, value in columns if value is None]


def _lot_gaps(lot: Lot) -> list[str]:
    return _gaps(
        f"graft lot {lot.graft_lot}",
        ("day of grafting", lot.date),
        ("sticks used", lot.sticks_used),
        ("row", lot.row),
        ("row positions", lot.first if lot.last is not None else None),
        ("rootstock lot", lot.rootstock_lot),
    )


def _bundle_gaps(chain: Chain, code: str, bundle: Bundle) -> list[str]:
    given = chain.parents.get(code, {})
    found = _gaps(
        f"bundle {code}",
        ("day of packing", bundle.packed),
        ("packer", bundle.packer),
        ("whether its sticks were counted or estimated", bundle.counting),
        ("store", bundle.store),
    )
    if bundle.collection is None and bundle.received_from is None:
        rest = bundle.sticks - sum(given.values())
        if not given:
            found.append(f"bundle {code}: source of its {bundle.sticks} sticks not recorded")
        elif rest > 0:
            found.append(
                f"bundle {code}: source of {rest} of its {bundle.sticks} sticks not recorded"
            )
    return found


def _cutting_gaps(cutting: Cutting) -> list[str]:
    return _gaps(
        f"collection {cutting.collection}",
        ("day of cutting", cutting.date),
        ("cutter", cutting.cutter),
        ("whether its sticks were counted or estimated", cutting.counting),
    )


# --------------------------------------------------------------------------- the contradictions


def contradictions(
    chain: Chain, lots: Iterable[str], cultivars: Mapping[str, Iterable[str]]
) -> list[str]:
    """Return plain sentences naming records that cannot all be right, or that speak against use.

    `cultivars` are those of the nearest sources of each dispatched lot.
    """
    found: list[str] = []
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
    found += [*_labels(chain, cultivars), *_found_off(chain)]
    return list(dict.fromkeys(found))


def _found_off(chain: Chain) -> Iterator[str]:
    """Yield the identity checks that speak against the labels on the chain."""
    for look in chain.looks:
        if look.off:
            what = f", found to be {look.found}" if look.found else ""
            yield f"{look.check}: {look.off} of {look.checked} at {look.item} were off{what}"


def _held(chain: Chain, lot: Lot) -> Iterator[str]:
    """Yield the holds in force on the bundle of a lot on the day of grafting."""
    hold: LogLine | None = None
    for line in chain.log.get(lot.bundle, ()):
        if line.time is None or lot.date is None or line.time.date() > lot.date:
            continue
        if line.event == BundleEventKind.HOLD:
            hold = line
        elif line.event == BundleEventKind.RELEASED:
            hold = None
    if hold is not None and hold.time is not None:
        yield (
            f"{lot.graft_lot} was grafted on {lot.date} while {lot.bundle} was on hold since "
            f"{hold.time.date()}"
        )


SAID: dict[str, str] = {
    TreeEventKind.TOPWORKED: "was topworked",
    TreeEventKind.REGREW: "regrew from below its union",
    TreeEventKind.LIMB_REMOVED: "lost this limb",
    TreeEventKind.NOTICE: "was under a notice",
}


def _tree_at_cutting(chain: Chain, cutting: Cutting) -> Iterator[str]:
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
            detail = f" ({happening.detail})" if happening.detail else ""
            where = f" limb {happening.limb}" if happening.limb else ""
            yield (
                f"{cutting.tree}{where} {SAID[event]} on {happening.date}{detail}, before "
                f"{cutting.collection} was cut on {cutting.date}"
            )
    if hold is not None:
        yield (
            f"{cutting.collection} was cut on {cutting.date} while {cutting.tree} was on hold "
            f"since {hold}"
        )


def _labels(chain: Chain, cultivars: Mapping[str, Iterable[str]]) -> Iterator[str]:
    """Yield dispatch labels that name another cultivar than the sources of their lot."""
    for line in chain.lines:
        label, sources = line.label_cultivar, sorted(cultivars.get(line.graft_lot, ()))
        if label and sources and chain.names.get(label, label) not in sources:
            yield (
                f"trees of {line.graft_lot} in dispatch {line.dispatch} are labelled {label}, but "
                f"their wood is from {' or '.join(sources)}"
            )
