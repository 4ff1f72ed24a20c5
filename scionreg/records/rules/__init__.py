"""What must hold of the records: one function a rule.

A rule says what must hold, why, and when it is checked. Rules about one cell are checked as it is
read (`cells`); every other rule is a query for the records that break it, so that the same rule
serves recording one, importing a million, and the audit of a whole registry.
"""

from scionreg.records.rules import counts, loops, order, places, references, wood
from scionreg.records.rules.base import CELL_RULES, INTAKE_RULES, JUDGED_RULES, RULES, Rule, Scope

__all__ = [
    "CELL_RULES",
    "INTAKE_RULES",
    "JUDGED_RULES",
    "RULES",
    "Rule",
    "Scope",
    "counts",
    "loops",
    "order",
    "places",
    "references",
    "wood",
]
