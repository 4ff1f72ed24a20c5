"""The way through the cells of a row: which are asked, which are passed over, what is offered."""

from collections.abc import Mapping, Sequence
from typing import Any

from scionreg.entering.draft import Draft
from scionreg.entering.likely import Cells, likely


class Way:
    """The columns of a sheet in their order, of which some are not asked.

    `unused` are the columns that nobody here fills, `printed` what the paper has by row, `before`
    the record that comes before the first row.
    """

    def __init__(
        self,
        columns: Sequence[Any],
        *,
        unused: frozenset[str] = frozenset(),
        printed: Sequence[Cells] = (),
        before: Mapping[str, str] | None = None,
    ) -> None:
        self.columns, self.before = columns, before or {}
        self._unused, self._printed = unused, printed
        self._seen = 0

    def ask_all(self) -> None:
        """Ask every column from now on."""
        self._unused = frozenset()

    def begin(self, draft: Draft, *, column: int = 0) -> None:
        """Go to a row's first cell that has to be typed; those before `column` were asked."""
        self._seen = column
        draft.column = column or self.following(draft, -1) or 0

    def look_through(self) -> None:
        """Pass nothing over in this row any more: all of it has been asked."""
        self._seen = len(self.columns)

    def following(self, draft: Draft, column: int) -> int | None:
        """Return the next cell to ask, None at the end of the row."""
        self._seen = max(self._seen, column + 1)
        for number in range(column + 1, len(self.columns)):
            if self._asks(draft, number) and not (
                number >= self._seen and self.is_printed(draft, number)
            ):
                return number
        return None

    def preceding(self, draft: Draft, column: int) -> int | None:
        """Return the cell before, also one that the paper has; None at the row's beginning."""
        return next((n for n in reversed(range(column)) if self._asks(draft, n)), None)

    def is_printed(self, draft: Draft, column: int) -> bool:
        """Tell whether a cell still has what was on the paper."""
        if draft.row >= len(self._printed):
            return False
        name = self.columns[column].name
        text = self._printed[draft.row].get(name)
        return bool(text) and draft.rows[draft.row].cells.get(name) == text

    def is_blank(self, draft: Draft) -> bool:
        """Tell whether the paper has nothing in the row."""
        return draft.row >= len(self._printed) or not any(self._printed[draft.row].values())

    def offered(self, draft: Draft, above: Cells) -> str:
        """Return what the cell most likely holds, empty where it was asked before."""
        if draft.column < self._seen:
            return ""
        column = self.columns[draft.column]
        return likely(column.table.name, column.name, draft.rows[draft.row].cells, above)

    def _asks(self, draft: Draft, column: int) -> bool:
        name = self.columns[column].name
        return name not in self._unused or name in draft.rows[draft.row].cells
