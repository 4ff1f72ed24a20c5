"""What stands at a position is the same all along a stretch: checked position by position."""

from hypothesis import given
from hypothesis import strategies as st

from scionreg.lineage.graph import Lot
from scionreg.lineage.standing import regrafts_among, standing, standing_at, stretches

RANGE = st.tuples(st.integers(1, 12), st.integers(0, 6))


def lot(code: str, first: int | None, length: int, grafts: int, regraft_of: str | None) -> Lot:
    last = None if first is None else first + length - 1
    return Lot(code, "B", None, "P", grafts, None, "X", 1, first, last, None, regraft_of)


@st.composite
def regrafted(draw: st.DrawFn) -> list[Lot]:
    """Draw a lot and regrafts of it or of each other, some at positions nobody recorded."""
    lots = [lot("G0", 1, 12, 12, None)]
    for i in range(1, draw(st.integers(0, 4)) + 1):
        first, more = draw(RANGE)
        known = draw(st.booleans()) or draw(st.booleans())
        grafts = draw(st.integers(1, more + 1))
        of = f"G{draw(st.integers(0, i - 1))}"
        lots.append(lot(f"G{i}", first if known else None, more + 1, grafts, of))
    return lots


@given(regrafted(), RANGE)
def test_stretches_are_alike_throughout(lots: list[Lot], asked: tuple[int, int]) -> None:
    regrafts = regrafts_among(lots)
    first, last = asked[0], asked[0] + asked[1]
    covered = []
    for begin, number in stretches(lots[0], regrafts, first, last):
        stretch = range(begin, begin + number)
        covered += stretch
        expected = standing_at(lots[0], regrafts, begin, None)
        for position in stretch:
            assert standing_at(lots[0], regrafts, position, None) == expected
    assert covered == list(range(first, last + 1))


@given(regrafted(), RANGE)
def test_shares_are_the_mean_over_positions(lots: list[Lot], asked: tuple[int, int]) -> None:
    regrafts = regrafts_among(lots)
    positions = range(asked[0], asked[0] + asked[1] + 1)
    expected: dict[str, float] = {}
    for position in positions:
        for code, chance in standing_at(lots[0], regrafts, position, None).items():
            expected[code] = expected.get(code, 0.0) + chance / len(positions)
    found = standing(lots[0], regrafts, positions[0], positions[-1])
    assert found.keys() == expected.keys()
    assert all(abs(found[code] - expected[code]) < 1e-9 for code in found)
