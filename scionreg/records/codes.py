"""Codes that survive hand copying: issue them, recognise them, and find the likely one.

An issued code is ``kind letter + season - serial - check digit``, for instance ``B26-0417-7``.
The check digit is Damm's over the digits (H. M. Damm, 2004, as in python-stdnum): it finds every
single wrong digit and every swap of two neighbours. A nursery's own codes are taken as they are.
"""

import re
from collections.abc import Iterator
from functools import cache, lru_cache

from stdnum import damm

LETTERS: dict[str, str] = {
    "T": "mother_trees",
    "C": "collections",
    "B": "bundles",
    "G": "graft_lots",
    "R": "rootstock_lots",
    "S": "stores",
    "K": "identity_checks",
    "D": "dispatches",
    "P": "permissions",
}
LETTER_OF = {kind: letter for letter, kind in LETTERS.items()}

ISSUED = re.compile(r"([TCBGRSKDP])(\d\d)-(\d{4,7})-(\d)", re.ASCII)
BEGINNING = re.compile(r"[TCBGRSKDP](\d\d)-(\d{2,5})", re.ASCII)
DASH = r"[-_\s\u2010-\u2015\u2212]"
"""What may stand for a hyphen: spreadsheets and word processors make dashes of it."""
TYPED = re.compile(rf"([A-Za-z]) ?(\d\d){DASH}?(\d{{4,7}}){DASH}?(\d)", re.ASCII)
LOOKS_ISSUED = re.compile(rf"\s*([A-Za-z])\s?(\d\d){DASH}(\d{{3,8}}){DASH}?(\d?)\s*")


def issue(letter: str, season: int, serial: int) -> str:
    """Return the code of a kind's `letter`, a season (the year) and a serial number.

    >>> issue("B", 2026, 417)
    'B26-0417-7'
    """
    digits = f"{season % 100:02d}{serial:04d}"
    return f"{letter}{digits[:2]}-{digits[2:]}-{check_digit(digits)}"


def check_digit(digits: str) -> str:
    """Return Damm's check digit.

    >>> check_digit("572")
    '4'
    """
    return str(damm.calc_check_digit(digits))


def is_issued(code: str) -> bool:
    """Tell whether `code` is a well-formed issued code with the right check digit."""
    return code[-4:] in _right_endings(code[:-4])


@lru_cache(maxsize=65_536)
def _right_endings(beginning: str) -> frozenset[str]:
    """Return what may follow all but a code's last four characters: the hundred codes of a run."""
    match = BEGINNING.fullmatch(beginning)
    return _endings_after(damm.checksum(match[1] + match[2])) if match else frozenset()


@cache
def _endings_after(interim: int) -> frozenset[str]:
    """Return the endings that bring Damm's interim digit to 0; there are ten such digits."""
    start = next(digit for digit in "0123456789" if damm.checksum(digit) == interim)
    endings = (f"{last:02d}" for last in range(100))
    return frozenset(f"{ending}-{damm.calc_check_digit(start + ending)}" for ending in endings)


def looks_issued(code: str) -> bool:
    """Tell whether `code` was meant as an issued code, rightly written or not."""
    match = LOOKS_ISSUED.fullmatch(code)
    return match is not None and match[1].upper() in LETTERS


def tidied(text: str) -> str:
    """Return an issued code typed in small letters or with blanks as it is written.

    The check digit must fit as it does in any code; anything else is returned as it is.

    >>> tidied("b26 0417 7"), tidied("b26 0417 8"), tidied("Row 3")
    ('B26-0417-7', 'b26 0417 8', 'Row 3')
    """
    match = TYPED.fullmatch(text)
    if match is None:
        return text
    code = f"{match[1].upper()}{match[2]}-{match[3]}-{match[4]}"
    return code if is_issued(code) else text


def kind_of(code: str) -> str | None:
    """Return the record kind that an issued code names, else None."""
    return LETTERS[code[0]] if is_issued(code) else None


def serial_of(code: str) -> int:
    """Return the serial number of an issued code."""
    return int(code[4:-2])


def neighbours(code: str) -> Iterator[str]:
    """Yield the right codes one slip away from `code`: one digit wrong, or two swapped.

    Damm's digit finds such a slip but cannot say which it was, so these are offered, never used.
    """
    match = LOOKS_ISSUED.fullmatch(code)
    if match is None or match[1].upper() not in LETTERS:
        return
    letter, season, serial, check = match[1].upper(), match[2], match[3], match[4]
    written = "".join(str(int(digit)) for digit in season + serial + check)
    seen = {code}
    for digits in _slips(written):
        candidate = f"{letter}{digits[:2]}-{digits[2:-1]}-{digits[-1]}"
        if candidate not in seen and is_issued(candidate):
            seen.add(candidate)
            yield candidate


def _slips(digits: str) -> Iterator[str]:
    yield digits
    if len(digits) > 2:
        yield digits[:-1] + str(damm.calc_check_digit(digits[:-1]))
        yield digits + str(damm.calc_check_digit(digits))
    for i in range(len(digits) - 1):
        yield digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :]
    for i in range(len(digits)):
        for digit in "0123456789":
            yield digits[:i] + digit + digits[i + 1 :]
