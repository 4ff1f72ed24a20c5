"""What customers and checkers found in 2025 and 2026 about the trees of two stories."""

from collections.abc import Sequence
from datetime import date
from itertools import cycle

from scionreg.demo_nursery.autumn import check, send
from scionreg.demo_nursery.stories import CLAIMED, CUT_INSTEAD, WRONG_TREE_SEASON
from scionreg.demo_nursery.things import Lot, Nursery, as_positions

WRONG_CUSTOMERS = ("CU-12", "CU-27", "CU-19")


def wrong_tree_sold(nursery: Nursery) -> None:
    """Sell the trees of the wrongly cut wood, labelled as the book says, in autumn 2024.

    The way in is a tree at a customer's that fruited in 2026 and was another cultivar.
    """
    claimed, cut = nursery.at(*CLAIMED), nursery.at(*CUT_INSTEAD)
    lots = [lot for lot in nursery.lots if lot.bundle.truth != lot.cultivar and lot.alive]
    day = date(WRONG_TREE_SEASON, 11, 12)
    sent: list[tuple[Lot, list[int], str]] = []
    sold = [lot for lot in lots if len(lot.unsold) > 14][:-2]
    for lot, customer in zip(sold, cycle(WRONG_CUSTOMERS), strict=False):
        code = nursery.books.issue("D", 2025)
        trees = len(lot.unsold) - 6
        sent.append((lot, send(nursery, code, lot, day, customer, trees, said=True), code))
    row = next(
        r for r in nursery.books.rows["collections"]
        if r["tree"] == claimed.code and str(r["collection"]).startswith("C24")
    )  # fmt: skip
    lot, gone, code = sent[0]
    nursery.tales.tell(
        wrong_tree=f"{lot.code}/{gone[3]}",
        wrong_lot=lot.code,
        wrong_dispatch=code,
        wrong_customer=WRONG_CUSTOMERS[0],
        wrong_lots=", ".join(lot.code for lot in lots),
        wrong_bundles=", ".join(sorted({lot.bundle.code for lot in lots})),
        wrong_collection=str(row["collection"]),
        wrong_claimed=claimed.code,
        wrong_cut=cut.code,
        wrong_dispatches=", ".join(code for _, _, code in sent),
    )
    wrong_trees_looked_at(nursery, lot, lots, gone)
    claimed_tree_cleared(nursery)


def wrong_trees_looked_at(nursery: Nursery, lot: Lot, lots: Sequence[Lot], gone: list[int]) -> None:
    """Write the looks at trees that were sold, and at some of another bundle that still stand."""
    cut = nursery.at(*CUT_INSTEAD)
    check(
        nursery, f"{lot.code}/{gone[3]}", date(2026, 8, 20), "fruit", checked=1, off=1,
        positions_checked=str(gone[3]), positions=str(gone[3]), found="unknown", by="P11",
    )  # fmt: skip
    tested = gone[4:7]
    check(
        nursery, lot.code, date(2026, 9, 14), "dna", checked=3, off=3,
        positions_checked=as_positions(tested), positions=as_positions(tested),
        found=cut.cultivar, reference="report 2026-441",
    )  # fmt: skip
    other_bundle = max(
        (other for other in lots if other.bundle is not lot.bundle),
        key=lambda other: (len(other.unsold), other.code),
    )
    standing = other_bundle.unsold[:6]
    check(
        nursery, other_bundle.code, date(2026, 9, 3), "leaf", checked=len(standing),
        off=len(standing), positions_checked=as_positions(standing),
        positions=as_positions(standing), found=cut.cultivar, by="P10",
    )  # fmt: skip


def claimed_tree_cleared(nursery: Nursery) -> None:
    """Write the looks that clear the tree in the book and its wood of another winter."""
    claimed = nursery.at(*CLAIMED)
    check(
        nursery, claimed.code, date(2026, 9, 14), "dna", checked=1, off=0,
        reference="report 2026-442",
    )  # fmt: skip
    later = max(
        (o for o in nursery.lots if o.season == 2025 and o.bundle.tree is claimed),
        key=lambda other: (len(other.unsold), other.code),
    )
    standing = later.unsold[:8]
    check(
        nursery, later.code, date(2026, 9, 4), "leaf", checked=len(standing), off=0,
        positions_checked=as_positions(standing), by="P10",
    )  # fmt: skip
    nursery.books.add(
        "tree_events", tree=claimed.code, date=date(2026, 9, 3), event="hold",
        detail="until it is known which tree was cut in 2024",
    )  # fmt: skip
    nursery.books.add(
        "tree_events", tree=claimed.code, date=date(2026, 9, 28), event="released",
        detail="its profile is its cultivar's",
    )  # fmt: skip


def leftovers_found(nursery: Nursery) -> None:
    """Write the looks at the lots of the re-bundled leftovers, in autumn 2025."""
    lots = [lot for lot in nursery.lots if lot.bundle.foreign]
    for number, lot in enumerate(lots):
        looked = lot.unsold[:16]
        off = [position for position in looked if position in lot.wrong]
        check(
            nursery, lot.code, date(2025, 9, 23 + number), "leaf", checked=len(looked),
            off=len(off), positions_checked=as_positions(looked), positions=as_positions(off),
            found=lot.bundle.foreign_cultivar, by="P11",
        )  # fmt: skip
    nursery.tales.tell(rebundle_tree=f"{lots[0].code}/{min(lots[0].wrong)}")
