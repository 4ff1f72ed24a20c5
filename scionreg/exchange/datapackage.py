"""datapackage.json: every column typed and defined, as a Frictionless Data Package."""

from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.cells import Choice, Ref
from scionreg.records.tables import KINDS, code_column, fields
from scionreg.registry.issuing import SPENT
from scionreg.registry.ledger import ReservedCodes
from scionreg.registry.settings import Settings


def describe(
    kinds: list[str], settings: Settings, reserved: list[dict[str, Any]], voided: list[str]
) -> dict[str, Any]:
    """Return the data package of a season folder that has the CSV files of `kinds`."""
    return {
        "profile": "tabular-data-package",
        "name": "season-folder",
        "scionreg": {
            "time_zone": settings.time_zone,
            "units": settings.units,
            "season_first_day": settings.season_first_day,
            "nursery": settings.nursery,
            "reserved": reserved,
            "voided": voided,
            "values": settings.own_values,
        },
        "resources": [_resource(kind, settings) for kind in kinds],
    }


def reserved_runs(connection: Connection) -> list[dict[str, Any]]:
    """Return the reserved runs of codes."""
    run = ReservedCodes
    rows = connection.execute(
        select(run.kind, run.season, run.first, run.last, run.person)
        .where(run.person != SPENT)
        .order_by(run.id)
    )
    return [dict(row) for row in rows.mappings()]


def _resource(kind: str, settings: Settings) -> dict[str, Any]:
    record = KINDS[kind]
    return {
        "profile": "tabular-data-resource",
        "name": kind,
        "path": f"{kind}.csv",
        "description": (record.__doc__ or "").strip(),
        "encoding": "utf-8",
        "schema": {
            "fields": [_field(column, settings) for column in fields(kind)],
            "primaryKey": list(record.KEY),
            "missingValues": [""],
            "foreignKeys": [
                {
                    "fields": column.name,
                    "reference": {
                        "resource": column.info["cell"].kinds[0],
                        "fields": code_column(column.info["cell"].kinds[0]).name,
                    },
                }
                for column in fields(kind)
                if isinstance(column.info["cell"], Ref) and len(column.info["cell"].kinds) == 1
            ],
        },
    }


def _field(column: Any, settings: Settings) -> dict[str, Any]:
    cell = column.info["cell"]
    described: dict[str, Any] = {
        "name": column.name,
        "description": column.info["doc"],
        **cell.schema(),
    }
    if not column.nullable:
        described["constraints"] = {**described.get("constraints", {}), "required": True}
    if isinstance(cell, Choice):
        described["definitions"] = {word.value: word.definition for word in cell.words} | {
            own.word: own.means for own in settings.own_words(cell.own) if cell.own
        }
        described["constraints"] = {
            **described["constraints"],
            "enum": list(described["definitions"]),
        }
    return described
