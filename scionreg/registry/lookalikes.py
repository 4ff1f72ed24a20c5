"""New codes and names that look like ones that are recorded: told once, since both may be meant."""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterator

from sqlalchemy import select

from scionreg.records.errors import Problem
from scionreg.records.rules.base import INTAKE_RULES
from scionreg.records.tables import code_column
from scionreg.registry.changes import Change
from scionreg.registry.recorded_codes import FEW, is_own

RULE = INTAKE_RULES["lookalike_code"]
OTHER_ALPHABETS = str.maketrans(
    "АВЕКМНОРСТУХІЈЅΑΒΕΖΗΙΚΜΝΟΡΤΥΧ",
    "ABEKMHOPCTYXIJSABEZHIKMNOPTYX",
)
"""Capital letters, Cyrillic and Greek, that look like Latin ones."""


def lookalikes(making: Change) -> Iterator[tuple[int, Problem]]:
    """Yield a warning for each new code or name that looks like another one of its kind."""
    for kind in FEW:  # names of cultivars are `similar_cultivar`
        if kind in making.made:
            yield from _among(making, kind)


def _among(making: Change, kind: str) -> Iterator[tuple[int, Problem]]:
    code, identity = code_column(kind), code_column(kind).table.columns["id"]
    made = making.made[kind]
    written = select(identity, code).where(identity.between(made.first_id, made.last_id))
    new = {row[1]: row[0] for row in making.connection.execute(written) if is_own(row[1])}
    if not new:
        return
    alike: dict[str, list[str]] = defaultdict(list)
    for each in making.connection.execute(select(code).order_by(identity)).scalars():
        alike[look(each)].append(each)
    for each, record in new.items():
        others = [other for other in alike[look(each)] if other != each]
        before = [other for other in others if other not in new or new[other] < record]
        if before:
            yield (
                record,
                Problem(
                    rule=RULE.name,
                    trouble=RULE.trouble,
                    kind=kind,
                    key=each,
                    column=code.name,
                    value=each,
                    wrong=RULE.wrong.format(value=each, others=", ".join(before)),
                    right=RULE.right,
                ),
            )


def look(code: str) -> str:
    """Return what a code looks like: without regard to case, alphabet, accents' form and spacing.

    >>> look("Row_3"), look("row 3"), look("ROW-3")
    ('ROW-3', 'ROW-3', 'ROW-3')
    """
    plain = unicodedata.normalize("NFKC", code).upper().translate(OTHER_ALPHABETS)
    return re.sub(r"[\s_\u2010-\u2015-]+", "-", plain)
