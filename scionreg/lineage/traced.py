"""What a trace answers: the sources, with the way to each, and what was met on the way."""

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scionreg.lineage.chain import Look
from scionreg.lineage.graph import Lot
from scionreg.lineage.remarks import Hand, Stay
from scionreg.lineage.routes import Link
from scionreg.records.vocabulary import Grade
from scionreg.records.words import Sentence

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One place that wood may have come from, in one generation (1 is the nearest).

    `tree` is None for wood from outside and for wood of unknown source. `cultivar` is the name
    that the `written` one stands for. `share` is the fraction (0 to 1) of the wood that came this
    way; the shares of a generation sum to 1. `path` leads there from the code asked about: the
    way that most of the wood came, of `ways` in all.
    """

    generation: int
    tree: str | None
    limb: str | None
    cultivar: str | None
    written: str | None
    collection: str | None
    date: dt.date | None
    share: float
    grade: Grade
    because: tuple[str, ...]
    path: tuple[str, ...]
    ways: int

    def to_dict(self) -> dict[str, Any]:
        """Return the source with plain values."""
        return {
            "generation": self.generation,
            "tree": self.tree,
            "limb": self.limb,
            "cultivar": self.cultivar,
            "collection": self.collection,
            "date": _iso(self.date),
            "share": self.share,
            "grade": self.grade.value,
            "path": list(self.path),
            "because": list(self.because),
            "written": self.written,
            "ways": self.ways,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Where something came from. `links` are the single steps, each with its own grade."""

    code: str
    kind: str
    grade: Grade
    sources: tuple[Source, ...]
    links: tuple[Link, ...]
    hands: tuple[Hand, ...]
    stays: tuple[Stay, ...]
    checks: tuple[Look, ...]
    regrafts: tuple[Lot, ...]
    missing: tuple[Sentence, ...]
    contradictions: tuple[Sentence, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "code": self.code,
            "grade": self.grade.value,
            "sources": [source.to_dict() for source in self.sources],
            "missing": list(self.missing),
            "contradictions": list(self.contradictions),
            "kind": self.kind,
            "links": [
                {
                    "child": link.child,
                    "parent": link.parent,
                    "share": link.share,
                    "grade": link.grade.value,
                    "because": list(link.because),
                }
                for link in self.links
            ],
            "hands": [
                {"person": h.person, "did": h.did, "code": h.code, "date": _iso(h.date)}
                for h in self.hands
            ],
            "stays": [
                {"bundle": s.bundle, "store": s.store, "from": _iso(s.start), "to": _iso(s.end)}
                for s in self.stays
            ],
            "checks": [{**look._asdict(), "date": _iso(look.date)} for look in self.checks],
            "regrafts": [
                {
                    "graft_lot": lot.graft_lot,
                    "regraft_of": lot.regraft_of,
                    "date": _iso(lot.date),
                    "grafts": lot.grafts,
                    "first": lot.first,
                    "last": lot.last,
                }
                for lot in self.regrafts
            ],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary a source, for CSV."""
        return [
            {
                "code": self.code,
                **source.to_dict(),
                "path": " > ".join(source.path),
                "because": "; ".join(source.because),
            }
            for source in self.sources
        ]

    def to_frame(self) -> "pd.DataFrame":
        """Return the sources as a table, one row a source, columns as in `to_rows`."""
        import pandas as pd

        columns = ["code", *Source.__dataclass_fields__]
        return pd.DataFrame(self.to_rows(), columns=columns)


def _iso(moment: dt.date | None) -> str | None:
    if isinstance(moment, dt.datetime):
        return moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return None if moment is None else moment.isoformat()
