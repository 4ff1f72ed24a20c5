"""Looks at other trees of the same wood, and when they speak against something's name.

A look that found a lot off is told wherever the same bundle, or another bundle of the same cutting,
was used: whichever step failed, those trees may share it. What failed is for off-type to weigh.
"""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.phrases import found_to_be
from scionreg.lineage.reasons import Reason, barred, doubted
from scionreg.records.vocabulary import STRENGTH, Against, CheckMethod, Found
from scionreg.records.words import Sentence, joined

LEAST_OFF = 3
"""Off trees from which a look at leaf or buds, which often errs, speaks for itself."""
LEAST_SHARE = 0.2
MANY_OFF, MOST_SHARE = 3, 0.5
"""From so many off trees, and such a share of those looked at, wood is not used under its name."""

KIN = " UNION ALL ".join(
    f"SELECT 'kin', c.item, CAST(c.date AS TEXT), c.\"check\", b.bundle, c.method, c.found, "
    "b.collection, CAST(c.checked AS DOUBLE PRECISION), CAST(c.off AS DOUBLE PRECISION) "
    "FROM bundles b JOIN graft_lots g ON g.bundle = b.bundle "
    f"JOIN identity_checks c ON {on} WHERE b.{of} IN {{codes}}"
    # A single tree, lot/position, sorts after lot/ and before lot0.
    for on in (
        "c.item = g.graft_lot",
        "c.item > g.graft_lot || '/' AND c.item < g.graft_lot || '0'",
    )
    for of in ("bundle", "collection")
)
"""SQL: looks at lots made of some bundles, and of all bundles of some cuttings."""
READ_KIN = Query(KIN)


def read_kin(connection: Connection, codes: Iterable[str]) -> list["KinLook"]:
    """Return the looks at lots made of some bundles, or of all bundles of some cuttings."""
    return each_once(make_kin(*row[1:]) for row in rows(connection, READ_KIN, codes))


def make_kin(item: str, date: Any, *rest: Any) -> "KinLook":
    """Return a look from its columns."""
    check, bundle, method, found, collection, checked, off = rest
    return KinLook(
        check, item, as_day(date), method, int(checked), int(off), found, bundle, collection
    )


def each_once(looks: Iterable["KinLook"]) -> list["KinLook"]:
    """Return looks by day, each once, whether they were met by their bundle or their cutting."""
    return sorted(set(looks), key=lambda each: (each.date or dt.date.max, each.check))


class KinLook(NamedTuple):
    """A look at trees of a graft lot, with the bundle and the cutting of the lot's wood."""

    check: str
    item: str
    date: dt.date | None
    method: str
    checked: int
    off: int
    found: str | None
    bundle: str
    collection: str | None

    @property
    def lot(self) -> str:
        """Return the graft lot that was looked at, or a tree of it."""
        return self.item.partition("/")[0]

    @property
    def speaks(self) -> bool:
        """Tell whether it speaks against the wood: more than a slip, and no rootstock that grew."""
        if not self.off or self.found == Found.ROOTSTOCK:
            return False
        if STRENGTH[self.method] >= STRENGTH[CheckMethod.FRUIT]:
            return True
        return self.off >= LEAST_OFF and self.off >= LEAST_SHARE * self.checked

    def reason(self, lot: str) -> Reason:
        """Return what it speaks against: a lot that was off in all its trees is not its label."""
        all_off = self.off == self.checked and self.item == lot
        says = Sentence(
            "stop.looked_off",
            check=self.check,
            item=self.item,
            method=CheckMethod.spelled(self.method),
            off=self.off,
            checked=self.checked,
            found=found_to_be(self.found),
        )
        make, code = (barred, Against.WRONG) if all_off else (doubted, Against.DOUBTFUL)
        return make(code, says, self.item, since=self.date)

    @property
    def clears(self) -> bool:
        """Tell whether it found nothing off, by more than papers."""
        return not self.off and self.checked > 0 and self.method != CheckMethod.PAPER


def unanswered(looks: Iterable[KinLook], lot: str) -> list[KinLook]:
    """Return the looks that found trees of a lot off, but for those that are answered.

    A later look at the same, as strong, that found nothing answers one.
    """
    own = [each for each in looks if each.lot == lot]
    return [each for each in own if each.off and not any(_answers(a, each) for a in own)]


def _answers(later: KinLook, off: KinLook) -> bool:
    if later.off or later.date is None or off.date is None or later.item != off.item:
        return False
    return later.date > off.date and STRENGTH[later.method] >= STRENGTH[off.method]


def against(
    looks: Iterable[KinLook],
    *,
    bundle: str,
    collection: str | None,
    lot: str | None = None,
    names: Mapping[str, str] | None = None,
    label: str | None = None,
) -> tuple[KinLook, ...]:
    """Return the looks at relatives that speak against wood of a bundle, or a lot made from it.

    An own look that found nothing off answers them. So do, against looks at wood of other bundles
    of the cutting, a sound lot of the same bundle, or a third bundle that was sound: then it went
    wrong after the cutting, in the bundle that was off. What was found to be the label itself, as
    after a correction, does not speak against it.

    Parameters
    ----------
    looks : at lots of the bundle and of all bundles of its cutting.
    names : what cultivars written in looks stand for; `label` is the name it goes by.
    """
    known = [each for each in looks if each.bundle == bundle or each.collection == collection]
    others = [each for each in known if each.lot != lot]
    own = [each for each in known if each.lot == lot]
    if any(each.clears for each in own):
        return ()
    said = {each.found: (names or {}).get(each.found, each.found) for each in known if each.found}
    off = [
        each
        for each in others
        if each.speaks and (label is None or said.get(each.found or "") != label)
    ]
    same = [each for each in off if each.bundle == bundle]
    if any(each.clears for each in others if each.bundle == bundle):
        return ()
    if same:
        return tuple(off)
    wrong = {each.bundle for each in off}
    sound = any(each.clears for each in others if each.bundle not in wrong)
    return () if sound else tuple(off)


def many(looks: Sequence[KinLook]) -> bool:
    """Tell whether so many were off that the wood is not used under its name."""
    off, checked = sum(each.off for each in looks), sum(each.checked for each in looks)
    return off >= MANY_OFF and off >= MOST_SHARE * checked


def told(looks: Sequence[KinLook], item: str, source: str) -> Sentence:
    """Return in words what looks at relatives say, and where to ask on."""
    unsaid = (None, "", Found.UNKNOWN, Found.OTHER)
    found = list(dict.fromkeys(each.found for each in looks if each.found not in unsaid))
    return Sentence(
        "stop.relatives",
        source=source,
        off=sum(each.off for each in looks),
        checked=sum(each.checked for each in looks),
        found=found_to_be(joined([str(each) for each in found], "joined.or")) if found else "",
        items=joined(list(dict.fromkeys(each.item for each in looks)), "joined.comma"),
        item=item,
    )
