"""Runs the invented nursery through its three seasons."""

from scionreg.demo_nursery.autumn import close_season
from scionreg.demo_nursery.findings import leftovers_found, wrong_tree_sold
from scionreg.demo_nursery.markers import send_samples
from scionreg.demo_nursery.places import settle
from scionreg.demo_nursery.spring import graft
from scionreg.demo_nursery.stores import clear_out, keep_wood, read_loggers
from scionreg.demo_nursery.things import SEASONS, Books, Nursery
from scionreg.demo_nursery.winter import cut_and_pack

SEED = 1918


def invent(seed: int = SEED) -> Nursery:
    """Return the nursery after three seasons; the same seed gives the same nursery."""
    nursery = settle(Books(seed))
    for season in SEASONS:
        cut_and_pack(nursery, season)
        keep_wood(nursery, season)
        graft(nursery, season)
        clear_out(nursery, season)
        close_season(nursery, season)
    leftovers_found(nursery)
    wrong_tree_sold(nursery)
    read_loggers(nursery)
    send_samples(nursery)
    _in_order_of_time(nursery.books)
    return nursery


def _in_order_of_time(books: Books) -> None:
    """Sort what was written at one go into the order in which a book would have it."""
    books.rows["bundle_log"].sort(key=lambda row: (str(row["time"]), str(row["bundle"])))
    books.rows["identity_checks"].sort(key=lambda row: (str(row["date"]), str(row["check"])))
    books.rows["take_counts"].sort(key=lambda row: (str(row["date"]), str(row["graft_lot"])))
    books.rows["graft_lots"].sort(key=lambda row: str(row["graft_lot"]))
