"""A registry's settings: kept, checked, and what the season and the day follow from."""

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import scionreg
from scionreg.api import Registry
from scionreg.records.errors import NoRecorderError, RegistryError
from scionreg.records.fixed_values import fixed_values
from scionreg.records.starting_values import StoreValues, in_us_units, known_values
from scionreg.registry.journal import lines
from scionreg.registry.recording import record
from scionreg.registry.settings import Settings, read_settings, write_settings
from scionreg.registry.store import Store

DAYS = st.dates(dt.date(1900, 1, 1), dt.date(2100, 1, 1))
FIRST_DAYS = st.dates(dt.date(2024, 1, 1), dt.date(2024, 12, 31)).map(lambda d: f"{d:%m-%d}")


def settings_of(store: Store) -> Settings:
    with store.reading() as connection:
        return read_settings(connection)


def test_a_new_registry_has_settings_that_work_anywhere(store: Store) -> None:
    assert settings_of(store) == Settings(
        time_zone="UTC", units="SI", season_first_day="07-01", by=""
    )


def test_settings_are_kept_and_the_others_stay(store: Store) -> None:
    chosen = Settings(time_zone="Europe/Paris", units="US", season_first_day="08-01", by="P01")
    with store.writing() as connection:
        write_settings(connection, chosen)
    assert settings_of(store) == chosen
    with store.writing() as connection:
        write_settings(connection, chosen.changed({"units": "SI"}))
    assert settings_of(store) == Settings(
        time_zone="Europe/Paris", units="SI", season_first_day="08-01", by="P01"
    )


def test_a_changed_setting_is_a_line_of_the_journal(store: Store) -> None:
    registry = Registry(store)
    registry.change_settings(recorder="P01", time_zone="America/Chicago")
    assert registry.settings.time_zone == "America/Chicago"
    with store.reading() as connection:
        (line,) = lines(connection)
    assert (line["action"], line["by"]) == ("settings", "P01")
    assert json.loads(line["content"])["settings"] == {"time_zone": "America/Chicago"}


def test_a_setting_that_is_refused_changes_nothing(store: Store) -> None:
    registry = Registry(store)
    with pytest.raises(RegistryError, match="'furlongs' is no units; write SI or US"):
        registry.change_settings(recorder="P01", time_zone="America/Chicago", units="furlongs")
    with pytest.raises(NoRecorderError, match="who records this"):
        registry.change_settings(units="US")
    assert settings_of(store) == Settings()
    with store.reading() as connection:
        assert list(lines(connection)) == []


@pytest.mark.parametrize(
    ("name", "wrong", "right"),
    [
        ("time_zone", "Nowhere/Land", "Europe/Paris"),
        ("time_zone", "../../etc/passwd", "Europe/Paris"),
        ("time_zone", "", "Europe/Paris"),
        ("time_zone", "Europe", "Europe/Paris"),
        ("season_first_day", "13-45", "07-01"),
        ("season_first_day", "02-30", "07-01"),
        ("season_first_day", "7-1", "07-01"),
        ("season_first_day", "", "07-01"),
        ("units", "feet", "SI or US"),
        ("store.warm_above_c", "hot", "-10 to 40 °C, or one in °F with its unit"),
        ("store.warm_above_c", "450 °F", "-10 to 40 °C"),
        ("take.sure", "2", "0 to 1"),
        ("take.sure", "5 in", "0 to 1"),
        ("by", "the whole name of somebody", "P07"),
    ],
)
def test_a_wrong_setting_is_refused_with_one_that_would_do(
    name: str, wrong: str, right: str
) -> None:
    with pytest.raises(RegistryError) as refusal:
        Settings().changed({name: wrong})
    assert right in str(refusal.value)


@pytest.mark.parametrize(
    ("name", "text", "kept"),
    [
        *(("units", "us", "US"), ("store.warm_above_c", "45 °F", "7.222222")),
        *(("store.use_first_heat", "300 °F·h", "166.666667"), ("take.sure", "85%", "0.85")),
        *(("cause.over_cut_shoot_cm", "18 in", "45.72"), ("place.private_blur_m", "200", "200")),
    ],
)
def test_a_setting_is_taken_with_its_unit(name: str, text: str, kept: str) -> None:
    made = Settings().changed({name: text})
    assert (made.plain() | made.own_values)[name] == kept


@given(st.sampled_from(sorted(known_values())))
def test_what_a_nursery_with_us_units_is_shown_may_be_typed_again(name: str) -> None:
    start = known_values()[name].default
    if shown := in_us_units(name, start):
        again = float(Settings().changed({name: shown}).own_values[name])
        assert again == pytest.approx(start, rel=0.02, abs=0.06)


def test_us_units_stand_beside_ours_where_the_registry_has_them(run: Callable[..., Any]) -> None:
    run("new", "registry.db", "--by", "P01")
    run("settings", "--set", "units=us", "--set", "store.use_first_heat=300 °F·h")
    shown = run("settings", "store").out
    assert "45 °F" in shown
    assert "300 °F·h" in shown


def test_the_journal_has_a_setting_as_it_is_kept(store: Store) -> None:
    registry = Registry(store)
    registry.change_settings(recorder="P01", **{"units": "us", "take.sure": "85%"})
    with store.reading() as connection:
        (line,) = lines(connection)
    assert json.loads(line["content"])["settings"] == {"units": "US", "take.sure": "0.85"}


def test_an_unknown_setting_is_answered_with_the_list() -> None:
    with pytest.raises(
        RegistryError, match="the settings are time_zone, units, season_first_day, nursery, by"
    ):
        Settings().changed({"colour": "red"})


@given(day=DAYS, first_day=FIRST_DAYS)
def test_a_season_is_twelve_months_and_holds_the_spring_it_is_named_by(
    day: dt.date, first_day: str
) -> None:
    chosen = Settings().changed({"season_first_day": first_day})
    month, number = map(int, first_day.split("-"))
    season = chosen.season(day)
    begins_here = (day.month, day.day) >= (month, number)
    assert season == day.year + begins_here - (first_day < "07-01")
    assert chosen.season(day + dt.timedelta(days=366)) in (season + 1, season + 2)


def test_today_is_the_day_in_the_registry_s_time_zone() -> None:
    east, west = Settings(time_zone="Pacific/Kiritimati"), Settings(time_zone="Pacific/Pago_Pago")
    before = dt.datetime.now(dt.UTC)
    days = (east.today() - west.today()).days
    after = dt.datetime.now(dt.UTC)
    expected = {
        ((moment + dt.timedelta(hours=14)).date() - (moment - dt.timedelta(hours=11)).date()).days
        for moment in (before, after)
    }
    assert days in expected


def test_a_time_without_an_offset_is_read_in_the_registry_s_zone(store: Store) -> None:
    with store.writing() as connection:
        write_settings(connection, Settings(time_zone="America/Chicago", by="P01"))
    record(store, "stores", {"store": "Cooler"})
    made = record(
        store, "store_readings", {"store": "Cooler", "time": "2026-01-20 06:30", "temperature_c": 1}
    )
    assert made.record["time"] == "2026-01-20 12:30:00"


def test_a_starting_value_is_replaced_by_the_registrys_own_and_comes_back(store: Store) -> None:
    registry = Registry(store)
    registry.change_settings(recorder="P01", **{"store.gap_hours": "4.50"})
    assert settings_of(store).values(StoreValues) == StoreValues(gap_hours=4.5)
    assert settings_of(store).own_values == {"store.gap_hours": "4.5"}
    registry.change_settings(recorder="P01", **{"store.gap_hours": ""})
    assert settings_of(store).values(StoreValues) == StoreValues()


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("store.gap_hours", "soon", "write a number from 0.1"),
        ("store.gap_hours", "nan", "write a number from 0.1"),
        ("store.stone_fruit_factor", "2", "from 0 to 1"),
        ("store.gap", "4", "there are store.warm_above_c"),
        ("stores.gap_hours", "4", "there is no setting 'stores.gap_hours'"),
    ],
)
def test_a_value_that_cannot_be_is_refused(store: Store, name: str, value: str, said: str) -> None:
    with pytest.raises(RegistryError, match=said):
        settings_of(store).changed({name: value})


def test_every_starting_value_says_what_it_means_and_starts_within_its_range() -> None:
    for name, each in known_values().items():
        assert each.metadata["means"], name
        assert each.metadata["source"], name
        assert each.metadata["least"] <= each.default <= each.metadata["most"], name


DOCS = Path(__file__).parents[1] / "docs"


def test_every_number_of_the_reasoning_is_told_in_the_docs() -> None:
    told = "".join(page.read_text(encoding="utf-8") for page in DOCS.glob("*.md"))
    assert [name for name in known_values() if f"`{name}`" not in told] == []
    assert [each.name for each in fixed_values() if f"| `{each.name}` |" not in told] == []


def test_every_fixed_number_is_used() -> None:
    package = Path(scionreg.__file__).parent
    source = "".join(file.read_text(encoding="utf-8") for file in package.rglob("*.py"))
    held = {"offtype": "OFF_TYPE", "cause": "WHY", "rotation": "PLAN"}
    unused = [each for each in fixed_values() if f"{held[each.group]}.{each.name}" not in source]
    assert unused == []
    assert all(each.means and each.source for each in fixed_values())
