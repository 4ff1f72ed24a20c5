"""A registry's own settings: time zone, units, first day of the season, and who records."""

import datetime as dt
from dataclasses import dataclass, fields, replace
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import Connection, delete, insert, select

from scionreg.records.errors import RegistryError
from scionreg.records.names import PersonCode
from scionreg.records.rules.base import MIDYEAR
from scionreg.registry.ledger import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of one registry.

    `season_first_day` is MM-DD; a season is named by the year its spring grafts are made in.
    `units` is how lengths and temperatures are shown, SI or US; what is stored is SI. `by` is the
    person that records where nobody else is named.
    """

    time_zone: str = "UTC"
    units: str = "SI"
    season_first_day: str = "07-01"
    by: str = ""

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

    def changed(self, values: dict[str, str]) -> "Settings":
        """Return the settings with some changed; raise `RegistryError` for one that cannot be."""
        known = [each.name for each in fields(self)]
        for name, value in values.items():
            if name not in known:
                raise RegistryError(
                    f"there is no setting '{name}'; the settings are {', '.join(known)}"
                )
            _check(name, value)
        return replace(self, **values)


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
    return Settings(**{row.name: row.value for row in rows})


def write_settings(connection: Connection, settings: Settings) -> None:
    """Store the settings, within a writer's transaction."""
    connection.execute(delete(Setting))
    connection.execute(
        insert(Setting),
        [{"name": each.name, "value": getattr(settings, each.name)} for each in fields(settings)],
    )
