"""Dispatches traced line by line: each line has a label, and wood, of its own."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import Line, read_lines
from scionreg.lineage.trace import Trace, trace


class TracedLine(NamedTuple):
    """One line of a dispatch, and where its trees came from."""

    line: Line
    trace: Trace

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        day = self.line.date
        traced = self.trace.to_dict()
        return {
            **self.line._asdict(),
            "date": day.isoformat() if day else None,
            **{name: traced[name] for name in ("grade", "sources", "missing", "contradictions")},
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary a source, for CSV."""
        sent = {
            name: getattr(self.line, name)
            for name in ("dispatch", "graft_lot", "customer", "trees", "label_cultivar")
        }
        return [{**row, **sent} for row in self.trace.to_rows()]


def trace_lines(connection: Connection, dispatches: Iterable[str]) -> tuple[TracedLine, ...]:
    """Return each line of some dispatches with its trace, oldest dispatch first.

    Each line costs the statements of a trace.
    """
    lines = read_lines(connection, dispatches)
    lines.sort(key=lambda line: (line.date is None, line.date, line.dispatch, line.graft_lot))
    return tuple(TracedLine(line, trace(connection, line.code)) for line in lines)
