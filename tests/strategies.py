"""Whole small registries, drawn at random and valid, as rows by record kind."""

import datetime as dt
from typing import Any

from hypothesis import strategies as st

from scionreg.records.tables import KINDS, fields

Rows = dict[str, list[dict[str, Any]]]

CULTIVARS = ("Aldern", "Birkwood", "Corvel")


class Maker:
    """Draws one registry, generation by generation."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.rows: Rows = {kind: [] for kind in KINDS}
        self.row_number = 0

    def add(self, kind: str, /, **values: Any) -> dict[str, Any]:
        """Add a record; columns that are not given are unknown."""
        row = {column.name: values.pop(column.name, None) for column in fields(kind)}
        assert not values, f"{kind} has no {', '.join(values)}"
        self.rows[kind].append(row)
        return row

    def code(self, letter: str, kind: str) -> str:
        """Return the next code of a kind."""
        return f"{letter}{len(self.rows[kind]) + 1}"

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number."""
        return self.draw(st.integers(low, high))

    def some(self, rows: list[dict[str, Any]]) -> dict[str, Any]:
        """Draw one of the rows."""
        return self.draw(st.sampled_from(rows))

    def maybe(self, value: Any) -> Any:
        """Return the value, or None one time in four or so."""
        return self.draw(st.sampled_from([value, value, value, None]))

    def surroundings(self) -> None:
        """Add what others refer to."""
        for name in CULTIVARS:
            self.add("cultivars", cultivar=name, species="Malus domestica", aliases=f"{name} Old")
        self.add("people", person="P1", roles="cutter;packer;grafter")
        self.add("people", person="P2", roles="cutter;packer;grafter")
        self.add("blocks", block="N1", kind="nursery")
        self.add("stores", store="S1", kind="cooler")
        self.add("rootstock_lots", rootstock_lot="R1")

    def founders(self) -> None:
        """Add mother trees whose own origin is not here."""
        for _ in range(self.whole(1, 3)):
            self.add(
                "mother_trees",
                tree=self.code("T", "mother_trees"),
                cultivar=self.draw(st.sampled_from(CULTIVARS)),
                received_from=self.maybe("SU1"),
            )

    def generation(self, year: int) -> None:
        """Add a year's cuttings, bundles, grafts and dispatches, and trees grown from them."""
        for _ in range(self.whole(1, 3)):
            self._cut(year)
        if self.whole(0, 2) == 0:
            self._receive(year)
        for _ in range(self.whole(0, 4)):
            self._rebundle(year)
        for _ in range(self.whole(1, 4)):
            self._graft(year)
        for _ in range(self.whole(0, 2)):
            self._regraft(year)
        for _ in range(self.whole(0, 2)):
            self._dispatch(year)
        for day in range(self.whole(0, 3)):
            self._log(year, 25 + day)

    def _log(self, year: int, day: int) -> None:
        event = self.draw(st.sampled_from(["checked", "discarded", "sold"]))
        sticks = self.maybe(self.whole(0, 5)) if event == "discarded" else self.whole(0, 8)
        self.add(
            "bundle_log",
            bundle=self.some(self.rows["bundles"])["bundle"],
            time=dt.datetime(year, 3, day, 12, tzinfo=dt.UTC),
            event=event,
            sticks=sticks,
        )

    def _cut(self, year: int) -> None:
        cut = self.add(
            "collections",
            collection=self.code("C", "collections"),
            tree=self.some(self.rows["mother_trees"])["tree"],
            limb=self.draw(st.sampled_from([None, "N", "S"])),
            date=dt.date(year, 1, self.whole(5, 20)),
            cutter=self.draw(st.sampled_from(["P1", "P2"])),
            sticks=60,
            count="counted",
        )
        for _ in range(self.whole(1, 2)):
            self._tie(year, sticks=self.whole(10, 30), collection=cut["collection"])

    def _receive(self, year: int) -> None:
        self._tie(year, sticks=20, received_from="SU2", cultivar="Birkwood Old")

    def _tie(self, year: int, **values: Any) -> dict[str, Any]:
        return self.add(
            "bundles",
            bundle=self.code("B", "bundles"),
            count="counted",
            packed=dt.date(year, 2, 1),
            packer="P1",
            store="S1",
            **values,
        )

    def _rebundle(self, year: int) -> None:
        parents = self.draw(
            st.lists(
                st.sampled_from([row["bundle"] for row in self.rows["bundles"]]),
                min_size=1,
                max_size=3,
                unique=True,
            )
        )
        given = {parent: self.whole(1, 4) for parent in parents}
        more = self.draw(st.sampled_from([0, 0, 0, 2]))
        child = self._tie(year, sticks=sum(given.values()) + more)
        for parent, sticks in given.items():
            self.add("bundle_parents", bundle=child["bundle"], parent=parent, sticks=sticks)

    def _graft(self, year: int) -> None:
        grafts, self.row_number = self.whole(2, 8), self.row_number + 1
        placed = self.draw(st.sampled_from([True, True, True, False]))
        self.add(
            "graft_lots",
            graft_lot=self.code("G", "graft_lots"),
            bundle=self.some(self.rows["bundles"])["bundle"],
            date=dt.date(year, 3, self.whole(1, 28)),
            grafter=self.draw(st.sampled_from(["P1", "P2"])),
            method="whip",
            rootstock_lot="R1",
            grafts=grafts,
            sticks_used=self.maybe(self.whole(0, 4)),
            block="N1" if placed else None,
            row=self.row_number if placed else None,
            first=1 if placed else None,
            last=grafts if placed else None,
        )

    def _regraft(self, year: int) -> None:
        # Failures are regrafted in the same spring.
        before = self.some([row for row in self.rows["graft_lots"] if row["date"].year == year])
        first, last = before["first"], before["last"]
        span = before["grafts"]
        if first is not None and self.whole(0, 3) > 0:
            first = self.whole(first, last)
            last = self.whole(first, last)
            span = last - first + 1
        else:
            first = last = None
        self.add(
            "graft_lots",
            graft_lot=self.code("G", "graft_lots"),
            bundle=self.some(self.rows["bundles"])["bundle"],
            date=dt.date(year, 4, len(self.rows["graft_lots"])),
            grafter="P2",
            method="whip",
            rootstock_lot="R1",
            grafts=self.draw(st.sampled_from([span, self.whole(1, span)])),
            sticks_used=0,
            block=before["block"],
            row=before["row"],
            first=first,
            last=last,
            regraft_of=before["graft_lot"],
        )

    def _place_in(self, lot: dict[str, Any]) -> tuple[int | None, int | None]:
        if lot["first"] is None or self.whole(0, 3) == 0:
            return None, None
        first = self.whole(lot["first"], lot["last"])
        return first, self.whole(first, lot["last"])

    def _dispatch(self, year: int) -> None:
        code = f"D{len({row['dispatch'] for row in self.rows['dispatches']}) + 1}"
        # Most trees leave after the regrafts of their year, some before.
        day = self.draw(st.sampled_from([dt.date(year, 11, 5), dt.date(year, 4, 2)]))
        lots = self.draw(
            st.lists(
                st.sampled_from([row["graft_lot"] for row in self.rows["graft_lots"]]),
                min_size=1,
                max_size=2,
                unique=True,
            )
        )
        for lot in lots:
            row = next(row for row in self.rows["graft_lots"] if row["graft_lot"] == lot)
            first, last = self._place_in(row)
            trees = 1 if first is None or last is None else last - first + 1
            self.add(
                "dispatches",
                dispatch=code,
                graft_lot=lot,
                date=day,
                customer="CU1",
                trees=trees,
                first=first,
                last=last,
                label_cultivar="Aldern",
            )

    def grow_trees(self, year: int) -> None:
        """Add mother trees grown from graft lots."""
        for _ in range(self.whole(0, 2)):
            lot = self.some(self.rows["graft_lots"])
            position, _ = self._place_in(lot)
            self.add(
                "mother_trees",
                tree=self.code("T", "mother_trees"),
                cultivar=self.draw(st.sampled_from(CULTIVARS)),
                graft_lot=lot["graft_lot"],
                graft_position=position,
                planted=self.maybe(dt.date(year, 12, 1)),
            )


@st.composite
def registries(draw: st.DrawFn, generations: int = 2) -> Rows:
    """Return a whole valid registry: several trees, mixes of mixes, regrafts, and generations."""
    maker = Maker(draw)
    maker.surroundings()
    maker.founders()
    for year in range(2020, 2020 + generations):
        maker.generation(year)
        maker.grow_trees(year)
    maker.generation(2020 + generations)
    return maker.rows
