"""The one place that decides whether something may be used on a day, and why not.

`Judge` reads what the registry knows once, and answers for mother trees and limbs (may wood be cut
of it), cuttings and bundles (may it be grafted), graft lots and trees in a row (may they be
labelled and sold) and lines of dispatches. Every answer is a `Judgement`: reasons with codes
(`vocabulary.Against`), weights (bars, doubt, note), sentences and days. Whoever shows, plans,
prints or records something asks here, so that no two answers of a registry contradict each other.

Nothing is forbidden: a recording command says what is known, in one line, and records.
"""

from scionreg.judgement.judge import Judge
from scionreg.judgement.listing import JUDGED, against_records
from scionreg.lineage.reasons import Judgement, Reason

__all__ = ["JUDGED", "Judge", "Judgement", "Reason", "against_records"]
