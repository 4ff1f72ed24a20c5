"""Published rules about records and labels, as they are cited; what they ask is never judged.

Each was read in a copy of the text; which of them bind a nursery is the authority's to say.
"""

CITED: dict[str, str] = {
    "florida_budwood": "Florida F.A.C. 5B-62.011",
    "florida_increase": "Florida F.A.C. 5B-62.016",
    "texas_records": "Texas 4 TAC 21.38",
    "texas_lots": "Texas 4 TAC 21.44",
    "washington": "Washington WAC 16-350-035",
    "scotland": "Scotland SSI 2017/177 reg. 17",
    "england": "England SI 2017/595 reg. 15",
    "eu_label": "Directive 2014/96/EU",
    "practice": "common practice, no source",
    "own": "the nursery's own setting records.keep_years",
}
"""Citations by a short name."""
