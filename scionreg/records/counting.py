"""Numbers with what they count, in English, for what is said in passing."""


def many(number: float, one: str, other: str = "") -> str:
    """Return a number with its noun: `one` for 1, else `other`, by default with an s.

    >>> many(1, "stick"), many(0, "stick"), many(1234, "body", "bodies")
    ('1 stick', '0 sticks', '1,234 bodies')
    """
    return f"{number:,} {one if number == 1 else other or one + 's'}"
