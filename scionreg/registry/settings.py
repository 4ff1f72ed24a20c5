"""A registry's own settings: time zone, units, first day of the season, nursery, who records."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from dataclasses import fields as fields_of
from typing import TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import Connection, delete, func, insert, literal, select

from scionreg.records import codes, starting_values
from scionreg.records.cells import OwnWords
from scionreg.records.errors import RegistryError
from scionreg.records.names import PersonCode
from scionreg.records.near import perhaps
from scionreg.records.own_words import (
    OwnWord,
    by_spelling,
    check_apart,
    is_own_word,
    own_words,
    read_own_word,
)
from scionreg.records.rules.base import MIDYEAR
from scionreg.records.tables import KINDS, fields, table
from scionreg.registry.ledger import Setting

Group = TypeVar("Group")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of one registry.

    `season_first_day` is MM-DD; a season is named by the year its spring grafts are made in.
    `units` is how lengths and temperatures are shown, SI or US; what is stored is SI. `nursery` is
    the name that is printed on labels and sheets. `by` is the person that records where nobody else
    is named.
    """

    time_zone: str = "UTC"
    units: str = "SI"
    season_first_day: str = "07-01"
    nursery: str = ""
    by: str = ""
    own_values: dict[str, str] = field(default_factory=dict)
    """The registry's own numbers in place of starting values, by full name."""

    @property
    def zone(self) -> ZoneInfo:
        """Return the time zone."""
        return ZoneInfo(self.time_zone)

    def today(self) -> dt.date:
        """Return the day it is in the registry's time zone."""
        return dt.datetime.now(self.zone).date()

    def season(self, day: dt.date) -> int:
        """Return the season a day belongs to."""
        begun = day.strftime("%m-%d") >= self.season_first_day
        return day.year + begun - (self.season_first_day < MIDYEAR)

    def season_of(self, day: dt.date | None, code: str) -> int | None:
        """Return the season of a record: by its day, else by its code if we issued it, or None."""
        if day is not None:
            return self.season(day)
        return 2000 + int(code[1:3]) if codes.is_issued(code) else None

    def values(self, group: type[Group]) -> Group:
        """Return a group of starting values, the registry's own in their place."""
        return starting_values.chosen(group, self.own_values)

    def plain(self) -> dict[str, str]:
        """Return the settings that are words, by name."""
        return {name: getattr(self, name) for name in PLAIN}

    def changed(self, values: Mapping[str, str]) -> "Settings":
        """Return the settings with some changed; raise `RegistryError` for one that cannot be.

        A starting value goes by ``group.name``; an empty one brings the start back. A word of the
        nursery's own goes by ``words.group.word``; an empty one takes it away.
        """
        own = dict(self.own_values)
        for name, value in values.items():
            if is_own_word(name):
                own.pop(name, None)
                if value:
                    own[name] = read_own_word(name, value).text
            elif "." in name:
                starting_values.known(name)
                own.pop(name, None)
                if value:
                    own[name] = starting_values.checked(name, value)
            elif name in PLAIN:
                _check(name, _plain(name, value))
            else:
                all_of_them = (
                    f"the settings are {', '.join(PLAIN)}, and GROUP.NAME of "
                    f"{', '.join(starting_values.GROUPS)}"
                )
                right = perhaps(name, (*PLAIN, *starting_values.known_values()), all_of_them)
                raise RegistryError(f"there is no setting '{name}'; {right}")
        check_apart(own_words(own))
        words = {name: _plain(name, value) for name, value in values.items() if name in PLAIN}
        return replace(self, **words, own_values=own)

    def own_words(self, group: str = "") -> list[OwnWord]:
        """Return the nursery's own words, of one vocabulary or of all."""
        return [each for each in own_words(self.own_values) if group in ("", each.group)]

    @property
    def spellings(self) -> OwnWords:
        """Return the nursery's own words as cells read them."""
        return by_spelling(self.own_words())


PLAIN = tuple(each.name for each in fields_of(Settings) if each.name != "own_values")


def _plain(name: str, value: str) -> str:
    """Return a setting as it is kept: units in capital letters."""
    capital = value.strip().upper()
    return capital if name == "units" and capital in ("SI", "US") else value


def _check(name: str, value: str) -> None:
    """Raise `RegistryError` for a value that a setting cannot have."""
    try:
        if name == "time_zone":
            ZoneInfo(value)
        elif name == "season_first_day":
            dt.date.fromisoformat(f"2024-{value}")
        elif name == "units" and value not in ("SI", "US"):
            raise ValueError
        elif name == "by" and value:
            PersonCode().read(value)
    except (ValueError, ZoneInfoNotFoundError, OSError):
        right = {
            "time_zone": "a name such as Europe/Paris or America/Chicago",
            "season_first_day": "a month and day such as 07-01",
            "units": "SI or US",
            "by": "the code of a person, as in P07",
        }[name]
        raise RegistryError(f"'{value}' is no {name.replace('_', ' ')}; write {right}") from None


def read_settings(connection: Connection) -> Settings:
    """Return the registry's settings."""
    rows = connection.execute(select(Setting.name, Setting.value)).all()
    words = {row.name: row.value for row in rows if row.name in PLAIN}
    own = {row.name: row.value for row in rows if "." in row.name}
    return Settings(**words, own_values=own)


def write_settings(connection: Connection, settings: Settings) -> None:
    """Store the settings, within a writer's transaction."""
    connection.execute(delete(Setting))
    connection.execute(
        insert(Setting),
        [
            {"name": name, "value": value}
            for name, value in (settings.plain() | settings.own_values).items()
        ],
    )


def check_words_in_use(connection: Connection, before: Settings, after: Settings) -> None:
    """Raise `RegistryError` where a word of the nursery's own is taken away that a record has."""
    kept = {(each.group, each.word) for each in after.own_words()}
    for own in before.own_words():
        if (own.group, own.word) in kept:
            continue
        for kind in KINDS:
            for column in fields(kind):
                if getattr(column.info["cell"], "own", "") != own.group:
                    continue
                among = func.coalesce(literal(";") + column + ";", "")
                using = select(func.count()).where(among.contains(f";{own.word};", autoescape=True))
                count = connection.execute(using.select_from(table(kind))).scalar_one()
                if count:
                    raise RegistryError(
                        f"'{own.word}' is the {column.name} of {count} {kind.replace('_', ' ')}; "
                        "correct those first"
                    )
