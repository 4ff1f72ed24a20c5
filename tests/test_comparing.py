"""Two cutting plans side by side."""

import pytest
from test_cutting_plan import tree, wanted

from scionreg.rotation.comparing import compare
from scionreg.rotation.cutting_plan import Plan, plan
from scionreg.rotation.supply import Wanted


def planned(codes: str, *sticks: int, more: tuple[Wanted, ...] = ()) -> Plan:
    wants = [*wanted(*sticks), *more]
    return plan([tree(code, 20, 20) for code in codes], wants, 2, first_season=2027)


def test_a_plan_beside_itself_changes_nothing() -> None:
    made = planned("ABC", 12, 8)
    found = compare(made, made, ())
    assert found.trees == ()
    assert all(row.shortfall == row.shortfall_before for row in found.seasons)
    assert found.to_frame().empty


def test_what_changes_adds_up() -> None:
    before, after = planned("ABC", 30, 8), planned("AB", 30, 8)
    found = compare(before, after, ("without C",))
    assert [(row.season, row.shortfall_before, row.shortfall) for row in found.seasons] == [
        (2027, 0, 10),
        (
            2028,
            *(next(r.shortfall for r in p.seasons if r.season == 2028) for p in (before, after)),
        ),
    ]
    for work in found.work:
        changed = [row for row in found.trees if row.season == work.season]
        assert work.sticks - work.sticks_before == sum(r.sticks - r.sticks_before for r in changed)
    assert {row.tree for row in found.trees if row.sticks == 0} >= {"C"}
    assert found.to_dict()["changed"] == ("without C",)
    assert len(found.to_frame()) == len(found.trees)


def test_a_cultivar_that_only_one_plan_wants_is_shown() -> None:
    more = (Wanted(cultivar="Velm", season=0, sticks=7),)
    found = compare(planned("AB", 8, 0), planned("AB", 8, 0, more=more), ("other orders",))
    (row,) = [row for row in found.seasons if row.cultivar == "Velm"]
    assert (row.demand_before, row.demand, row.shortfall_before, row.shortfall) == (0, 7, 0, 7)


def test_plans_of_other_seasons_do_not_stand_side_by_side() -> None:
    one = plan([tree("A", 20)], wanted(8), 1)
    with pytest.raises(ValueError, match="zip"):
        compare(planned("A", 8, 0), one, ())
