"""Logger files: what is recognised, what is left out and said, and what the clock did."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from scionreg.api import Registry
from scionreg.exchange.loggers import LoggerImport, Wanted, read_layout
from scionreg.records.errors import NotFoundError, ProblemsError, RegistryError
from tests.conftest import Said
from tests.nursery import actions, add

File = Callable[..., Path]


@pytest.fixture
def file(tmp_path: Path) -> File:
    """Write a logger's file."""

    def write(*lines: str, encoding: str = "utf-8", name: str = "logger.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))
        return path

    return write


@pytest.fixture
def registry(store_url: str) -> Any:
    """An empty registry with a person and two stores, on the clock of Chicago."""
    with Registry.open(store_url) as opened:
        opened.change_settings(time_zone="America/Chicago", recorder="P01")
        add(opened.store, "people", person="P01")
        for store in ("S1", "S2"):
            add(opened.store, "stores", store=store)
        yield opened


def taken(registry: Registry, path: Path, **options: str) -> tuple[list[tuple[Any, ...]], str]:
    """Import a file; return time (UTC), °C and per cent of all readings, and the notes."""
    done = took(registry, path, **options)
    rows = []
    for record in registry.records("store_readings", store="S1"):
        moment = dt.datetime.fromisoformat(record["time"]).astimezone(dt.UTC)
        rows.append((f"{moment:%m-%d %H:%M}", record["temperature_c"], record.get("humidity_pct")))
    return sorted(rows), "\n".join(done.notes)


def took(registry: Registry, path: Path, **options: Any) -> LoggerImport:
    return registry.import_logger(path, "S1", recorder="P01", **options)


# ---------------------------------------------------------------------------------------- layout

ROWS = [("01-15 14:00", 2.5, 91.0), ("01-15 15:00", 2.0, 92.5)]
SHAPES = {
    "iso, our own names": (
        "time,temperature_c,humidity_pct",
        "2026-01-15T08:00,2.5,91",
        "2026-01-15T09:00,2.0,92.5",
    ),
    "with offsets": (
        "Timestamp,Temp (C),RH",
        "2026-01-15T14:00:00Z,2.5,91",
        "2026-01-15T16:00:00+01:00,2.0,92.5",
    ),
    "a title, a number column, the offset in the header, °F, twelve hours": (
        '"Plot Title: cooler"',
        '"#","Date Time, GMT-06:00","Temp, °F (LGR S/N: 1, SEN S/N: 1)","RH, % (LGR S/N: 1)"',
        "1,01/15/26 08:00:00 AM,36.5,91",
        "2,01/15/26 09:00:00 AM,35.6,92.5",
    ),
    "semicolons, decimal commas, day first": (
        "Datum;Zeit;Temperatur °C;Feuchte %",
        "15.01.2026;08:00:00;2,5;91,0",
        "15.01.2026;09:00:00;2,0;92,5",
    ),
    "tabs, and alarms beside": (
        "Date\tTime\tHigh Alarm\tTemperature(C)\tHumidity(%RH)\tDew Point(C)",
        "2026-01-15\t08:00\t8\t2.5\t91\t1.1",
        "2026-01-15\t09:00\t8\t2.0\t92.5\t1.0",
    ),
    "units in the cells": (
        "Date/Time,Temperature,Humidity",
        "2026-01-15 08:00,2.5 °C,91 %RH",
        "2026-01-15 09:00,2.0 °C,92.5 %RH",
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_common_shapes_are_recognised(registry: Registry, file: File, shape: str) -> None:
    rows, _ = taken(registry, file(*SHAPES[shape]))
    assert rows == ROWS


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_any_usual_encoding_is_read(registry: Registry, file: File, encoding: str) -> None:
    shape = "semicolons, decimal commas, day first"
    rows, _ = taken(registry, file(*SHAPES[shape], encoding=encoding))
    assert rows == ROWS


def test_options_name_what_is_not_recognised(registry: Registry, file: File) -> None:
    path = file("when,probe 1,probe 2,wet", "2026-01-15 08:00,60,36.5,91")
    with pytest.raises(RegistryError, match="--time-column"):
        took(registry, path)
    rows, said = taken(
        registry,
        path,
        time_column="when",
        temperature_column="Probe 2",
        humidity_column="wet",
        unit="f",
    )
    assert rows == ROWS[:1]
    assert "'probe 2' in °F" in said


def test_a_unit_that_nothing_names_is_asked_for(registry: Registry, file: File) -> None:
    path = file("time,temperature", "2026-01-15 08:00,35")
    with pytest.raises(RegistryError, match="--unit C or --unit F"):
        took(registry, path)
    with pytest.raises(RegistryError, match="no unit"):
        took(registry, path, unit="K")


def test_day_and_month_are_told_apart_by_even_steps(registry: Registry, file: File) -> None:
    lines = [f"{day:02d}/01/2026 08:00,2" for day in range(1, 12)]
    rows, _ = taken(registry, file("time,temp_c", *lines))
    assert [row[0] for row in rows] == [f"01-{day:02d} 14:00" for day in range(1, 12)]


def test_a_date_that_may_be_two_is_asked_for(registry: Registry, file: File) -> None:
    path = file("time,temp_c", "05/01/2026 08:00,2", "05/01/2026 09:00,2")
    with pytest.raises(RegistryError, match="--dates"):
        took(registry, path)
    rows, _ = taken(registry, path, dates="dmy")
    assert [row[0] for row in rows] == ["01-05 14:00", "01-05 15:00"]


@pytest.mark.parametrize(
    "lines",
    [
        (),
        ("time,temp_c",),
        ("nothing here",),
        ("time,temp_c", "yesterday,2", "today,3"),
        ("time,humidity_pct", "2026-01-15 08:00,90"),
    ],
)
def test_a_file_that_holds_no_readings_is_refused(
    registry: Registry, file: File, lines: tuple[str, ...]
) -> None:
    with pytest.raises(RegistryError):
        took(registry, file(*lines))


def test_the_layout_says_what_was_recognised(file: File) -> None:
    path = file(*SHAPES["tabs, and alarms beside"])
    said = read_layout(path, Wanted()).describe()
    assert said == (
        "time 'Date and Time', temperature 'Temperature(C)' in °C, humidity 'Humidity(%RH)'; "
        "header on line 1"
    )


# ---------------------------------------------------------------------------------------- values


def test_what_a_failed_sensor_wrote_is_left_out_and_counted(registry: Registry, file: File) -> None:
    false = ["-127", "85", "999", "-999.9", "", "Error", "---"]
    lines = [f"2026-01-15 {10 + hour}:00,{text}" for hour, text in enumerate(["2", *false, "3"])]
    rows, said = taken(registry, file("time,temp_c", *lines))
    assert [row[1] for row in rows] == [2, 3]
    assert "4 readings of a failed sensor left out" in said
    assert "3 readings without a temperature left out" in said


def test_a_failed_sensor_is_known_in_fahrenheit_too(registry: Registry, file: File) -> None:
    lines = [
        f"2026-01-15 {10 + hour}:00,{text}"
        for hour, text in enumerate(["35.6", "-196.6", "185", "999", "85", "37.4"])
    ]
    rows, said = taken(registry, file("time,temp_f", *lines))
    # 85 °F is a warm day, but not for one reading between two cold ones.
    assert [row[1] for row in rows] == [2, 3]
    assert "3 readings of a failed sensor" in said
    assert "1 reading more than 15 °C off both neighbours" in said


def test_a_real_warm_spell_is_no_spike(registry: Registry, file: File) -> None:
    lines = [f"2026-01-15 {10 + hour}:00,{text}" for hour, text in enumerate([2, 20, 21, 20, 3, 2])]
    rows, said = taken(registry, file("time,temp_c", *lines))
    assert len(rows) == 6
    assert "left out" not in said


def test_humidity_that_cannot_be_is_left_out_alone(registry: Registry, file: File) -> None:
    rows, said = taken(
        registry,
        file(
            "time,temp_c,rh",
            "2026-01-15 10:00,2,100.4",
            "2026-01-15 11:00,2,999",
            "2026-01-15 12:00,2,",
            "2026-01-15 13:00,2,-5",
        ),
    )
    assert [row[1:] for row in rows] == [(2, 100), (2, None), (2, None), (2, None)]
    assert "1 reading of a humidity just above 100 %" in said
    assert "2 readings of an impossible humidity" in said


def test_doubles_are_taken_once_and_disorder_is_put_in_order(
    registry: Registry, file: File
) -> None:
    rows, said = taken(
        registry,
        file(
            "time,temp_c",
            "2026-01-15 10:00,2",
            "2026-01-15 12:00,4",
            "2026-01-15 11:00,3",
            "2026-01-15 12:00,4",
            "2026-01-15 12:00,9",
        ),
    )
    assert [row[1] for row in rows] == [2, 3, 4]
    assert "1 reading out of order" in said
    assert "1 reading written twice taken once" in said
    assert "1 reading unlike an earlier one of the same moment left out" in said


# ----------------------------------------------------------------------------------------- clock


def test_a_clock_that_was_put_forward_makes_no_gap(registry: Registry, file: File) -> None:
    rows, _ = taken(registry, file("time,temp_c", "2026-03-08 01:30,2", "2026-03-08 03:30,3"))
    assert [row[0] for row in rows] == ["03-08 07:30", "03-08 08:30"]


def test_a_clock_that_was_not_put_forward_stays_at_standard_time(
    registry: Registry, file: File
) -> None:
    lines = [f"2026-03-08 {hour:02d}:30,2" for hour in (1, 2, 3, 4)]
    rows, said = taken(registry, file("time,temp_c", *lines))
    assert [row[0] for row in rows] == [f"03-08 {hour:02d}:30" for hour in (7, 8, 9, 10)]
    assert "not put forward on 2026-03-08" in said
    assert "UTC-06:00" in said


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_hour_that_comes_twice_is_read_in_turn(
    registry: Registry, file: File, newest_first: bool
) -> None:
    times = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    lines = [f"2025-11-02 {time},{warm}" for warm, time in enumerate(times)]
    if newest_first:
        lines.reverse()
    rows, said = taken(registry, file("time,temp_c", *lines))
    assert [row[:2] for row in rows] == [
        ("11-02 05:30", 0),
        ("11-02 06:00", 1),
        ("11-02 06:30", 2),
        ("11-02 07:00", 3),
        ("11-02 07:30", 4),
        ("11-02 08:00", 5),
    ]
    assert "4 readings in an hour that came twice" in said


def test_a_zone_of_the_loggers_own_is_taken(registry: Registry, file: File) -> None:
    rows, _ = taken(registry, file("time,temp_c", "2026-07-05 08:00,2"), zone="Europe/Paris")
    assert rows[0][0] == "07-05 06:00"


# ------------------------------------------------------------------------------------ the registry


def test_the_same_file_again_changes_nothing_and_a_dry_run_neither(
    registry: Registry, file: File
) -> None:
    path = file(*SHAPES["iso, our own names"])
    assert took(registry, path, dry_run=True).imported.recorded == {"store_readings": 2}
    assert list(registry.records("store_readings")) == []
    assert took(registry, path).imported.recorded == {"store_readings": 2}
    before = actions(registry.store)
    again = took(registry, path).imported
    assert (again.recorded, again.repeated) == ({"store_readings": 0}, {"store_readings": 2})
    assert actions(registry.store) == before
    assert before[-1] == "import"
    assert registry.audit() == []


def test_a_longer_file_of_the_same_logger_adds_what_is_new(registry: Registry, file: File) -> None:
    lines = SHAPES["iso, our own names"]
    took(registry, file(*lines))
    more = took(registry, file(*lines, "2026-01-15T10:00,2.1,93")).imported
    assert (more.recorded, more.repeated) == ({"store_readings": 1}, {"store_readings": 2})


def test_readings_that_differ_from_those_recorded_are_refused_whole(
    registry: Registry, file: File
) -> None:
    took(registry, file("time,temp_c", "2026-01-15 08:00,2"))
    other = file("title", "time,temp_c", "2026-01-15 07:00,2", "2026-01-15 08:00,3")
    with pytest.raises(ProblemsError) as refused:
        took(registry, other)
    (problem,) = refused.value.problems
    assert (problem.rule, problem.line) == ("duplicate_key", 4)
    assert len(list(registry.records("store_readings"))) == 1


def test_a_store_that_is_none_is_refused(registry: Registry, file: File) -> None:
    path = file(*SHAPES["iso, our own names"])
    with pytest.raises(NotFoundError):
        registry.import_logger(path, "S9", recorder="P01")
    with pytest.raises(RegistryError, match="no store"):
        registry.import_logger(path, "P01", recorder="P01")


def test_the_command_says_what_it_did(run: Callable[..., Said], file: File) -> None:
    file(*SHAPES["iso, our own names"])
    run("new", "registry.db", "--by", "P01", "--time-zone", "America/Chicago")
    run("add", "person", "--person", "P01")
    run("add", "store", "--store", "S1")
    dry = run("readings", "logger.csv", "--store", "S1", "--dry-run")
    assert "would take in 2 readings of S1" in dry.err
    said = run("readings", "logger.csv", "--store", "S1")
    assert (said.code, said.out) == (0, "")
    assert "temperature 'temperature_c' in °C" in said.err
    assert "took in 2 readings of S1; 0 were there already" in said.err
    assert '"repeated"' in run("readings", "logger.csv", "--store", "S1", "--json").out
    assert run("readings", "no.csv", "--store", "S1").code == 1
    assert run("readings", "logger.csv", "--store", "S1", "--dates", "xyz").code == 1
