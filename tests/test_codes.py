"""Codes survive hand copying: every slip is found, and the right code is among those offered."""

from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import damm

from scionreg.records import codes

SERIALS = (1, 7, 42, 417, 9999, 10_000, 123_456)
SEASONS = (2000, 2026, 2099)
ISSUED = [
    codes.issue(letter, season, serial)
    for letter in codes.LETTERS
    for season in SEASONS
    for serial in SERIALS
]


def wrong_digits(code: str) -> Iterator[str]:
    """Yield `code` with each of its digits replaced by each other digit."""
    for place, sign in enumerate(code):
        for digit in "0123456789":
            if sign.isdigit() and digit != sign:
                yield code[:place] + digit + code[place + 1 :]


def swaps(code: str) -> Iterator[str]:
    """Yield `code` with each two neighbouring digits exchanged, the hyphens staying in place."""
    places = [place for place, sign in enumerate(code) if sign.isdigit()]
    for left, right in pairwise(places):
        if code[left] != code[right]:
            signs = list(code)
            signs[left], signs[right] = signs[right], signs[left]
            yield "".join(signs)


def test_check_digit_is_the_published_one() -> None:
    # H. M. Damm, Total anti-symmetrische Quasigruppen (2004), the example 572 with digit 4.
    assert damm.calc_check_digit("572") == "4"
    assert codes.issue("B", 2005, 72) == f"B05-0072-{damm.calc_check_digit('050072')}"


@pytest.mark.parametrize("code", ISSUED)
def test_issued_code_is_recognised_and_agrees_with_the_reference(code: str) -> None:
    assert damm.is_valid("".join(sign for sign in code if sign.isdigit()))
    assert codes.is_issued(code)
    assert codes.kind_of(code) == codes.LETTERS[code[0]]
    assert codes.looks_issued(code)


@given(st.from_regex(r"[A-Z]?\d{1,3}-?\d{3,8}-\d?.?", fullmatch=True) | st.sampled_from(ISSUED))
def test_a_code_is_recognised_as_by_reading_all_of_it(code: str) -> None:
    whole = codes.ISSUED.fullmatch(code)
    plainly = whole is not None and code.isascii() and damm.is_valid("".join(whole.group(2, 3, 4)))
    assert codes.is_issued(code) == plainly


@pytest.mark.parametrize("code", ISSUED)
def test_every_single_wrong_digit_is_found(code: str) -> None:
    slips = list(wrong_digits(code))
    assert len(slips) == 9 * sum(sign.isdigit() for sign in code)
    assert not [slip for slip in slips if codes.is_issued(slip)]


@pytest.mark.parametrize("code", ISSUED)
def test_every_swap_of_neighbours_is_found(code: str) -> None:
    slips = list(swaps(code))
    assert slips
    assert not [slip for slip in slips if codes.is_issued(slip)]


def test_every_serial_of_a_season_is_told_from_its_slips() -> None:
    for serial in range(10_000):
        digits = f"26{serial:04d}"
        right = damm.calc_check_digit(digits)
        valid = {str(check) for check in range(10) if codes.is_issued(f"B26-{serial:04d}-{check}")}
        assert valid == {right}


@pytest.mark.parametrize("code", [code for code in ISSUED if code[0] == "B"])
def test_right_code_is_among_those_offered_after_one_slip(code: str) -> None:
    for slip in (*wrong_digits(code), *swaps(code)):
        assert code in list(codes.neighbours(slip))


@pytest.mark.parametrize(
    "written",
    [
        *("b26-0417-7", "B26 0417 7", "B26_0417_7", "B26-0417", " B26-04177 ", "B 26-0417-7"),
        # With dashes of a word processor, a space that does not break, and wide digits.
        *(
            "B26\u20130417\u20137",
            "B26\u20110417\u22127",
            "B26\xa00417\xa07",
            "B\uff12\uff16-0417-7",
        ),
    ],
)
def test_right_code_is_offered_for_another_way_of_writing_it(written: str) -> None:
    assert not codes.is_issued(written)
    assert codes.looks_issued(written)
    assert "B26-0417-7" in list(codes.neighbours(written))


@pytest.mark.parametrize(
    "own", ["row 6 #14", "Bank-1-14", "Q26-0417-7", "26-0417-7", "B26", "B26-1"]
)
def test_a_nursery_s_own_code_is_left_alone(own: str) -> None:
    assert not codes.looks_issued(own)
    assert codes.kind_of(own) is None
    assert list(codes.neighbours(own)) == []


@given(
    letter=st.sampled_from(sorted(codes.LETTERS)),
    season=st.integers(2000, 2099),
    serial=st.integers(1, 9_999_999),
)
def test_issued_code_tells_its_kind_and_serial(letter: str, season: int, serial: int) -> None:
    code = codes.issue(letter, season, serial)
    assert codes.is_issued(code)
    assert codes.kind_of(code) == codes.LETTERS[letter]
    assert codes.serial_of(code) == serial
    assert code[1:3] == f"{season % 100:02d}"


@given(st.text(max_size=20))
def test_any_text_is_judged_without_a_crash(text: str) -> None:
    assert codes.is_issued(text) in (True, False)
    assert all(codes.is_issued(code) for code in codes.neighbours(text))
