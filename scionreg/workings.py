"""What an answer was reckoned from, as one plain JSON: enough to recompute it elsewhere.

The settings and fixed numbers that it uses, the records that it reads, and the answer itself. How
the one follows from the others, the pages of docs/ tell.
"""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import COUNTED, ESTIMATE
from scionreg.records.errors import RegistryError
from scionreg.records.fixed_values import fixed_values
from scionreg.records.starting_values import GROUPS
from scionreg.records.tables import KINDS, fields
from scionreg.registry.rows import as_moment, as_record, read_rows
from scionreg.registry.settings import Settings, read_settings
from scionreg.take.stages import EARLY_UNTIL, TOO_YOUNG

CHAIN = (
    "cultivars",
    "mother_trees",
    "collections",
    "bundles",
    "bundle_parents",
    "graft_lots",
    "dispatches",
)
"""What says of what wood something is."""
FREE_TEXT = ("notes", "note", "detail")
"""Columns that enter no calculation."""
PLACE = ("latitude", "longitude", "accuracy_m")
"""Columns that a private tree, and a cutting of it, keep to themselves."""


@dataclass(frozen=True, slots=True)
class Reads:
    """What a command reads: groups of settings, and whole record kinds.

    Without kinds it is every record that names something of the answer.
    """

    groups: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()


READS = {
    "trace": Reads(),
    "recall": Reads(),
    "sample": Reads(("identity",)),
    "balance": Reads((), (*CHAIN, "bundle_log")),
    "store": Reads(("store",), (*CHAIN, "bundle_log", "stores", "store_readings")),
    "take": Reads(("take", "usual_take"), (*CHAIN, "take_counts", "rootstock_lots")),
    "take --why": Reads(
        ("cause", "usual_take", "store", "take"),
        (*CHAIN, "take_counts", "rootstock_lots", "bundle_log", "stores", "store_readings"),
    ),
    "match": Reads(("match",), (*CHAIN, "genotypes", "rootstock_lots")),
    "offtype": Reads(
        ("offtype", "identity", "match"),
        (*CHAIN, "identity_checks", "genotypes", "tree_events", "bundle_log", "take_counts"),
    ),
    "plan": Reads(
        ("rotation", "usual_take", "take", "status", "identity", "match", "store"),
        tuple(kind for kind in KINDS if kind != "store_readings"),
    ),
    "where": Reads(("place",), ("cultivars", "blocks", "mother_trees")),
}
"""By command what it reads."""


def workings(
    connection: Connection, command: str, question: Mapping[str, Any], answer: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what an answer was reckoned from.

    Places of private trees, and free text, are left out; `left_out` counts the trees.

    Parameters
    ----------
    command : a word of `READS`.
    question : what was asked, by option.
    answer : its JSON form.

    Raises
    ------
    RegistryError
        No such command tells its workings.
    """
    if command not in READS:
        raise RegistryError(f"'{command}' tells no workings; these do: {', '.join(READS)}")
    reads = READS[command]
    settings = read_settings(connection)
    private = _private_trees(connection)
    named = set() if reads.kinds else _words([question, answer])
    inputs = {
        kind: [
            _shown(each, private, settings.zone)
            for each in _records(connection, kind)
            if reads.kinds or not named.isdisjoint(each.get(name) for name in _codes(kind))
        ]
        for kind in reads.kinds or (kind for kind in KINDS if kind != "store_readings")
    }
    return {
        "question": {"command": command, **question},
        "settings": _settings(settings, reads.groups),
        "constants": _constants(reads.groups),
        "inputs": {kind: records for kind, records in inputs.items() if records},
        "left_out": {"private_places": len(private)},
        "answer": dict(answer),
    }


def _settings(settings: Settings, groups: Iterable[str]) -> dict[str, Any]:
    found: dict[str, Any] = {
        "time_zone": str(settings.zone),
        "season_first_day": settings.season_first_day,
    }
    return found | {name: asdict(settings.values(GROUPS[name])) for name in groups}


def _constants(groups: Iterable[str]) -> dict[str, Any]:
    """Return the fixed numbers of groups, and those of every chain."""
    found: dict[str, dict[str, Any]] = {"chain": {"estimated": ESTIMATE, "counted": COUNTED}}
    if "take" in groups or "cause" in groups:
        found["counts"] = {"too_young_days": TOO_YOUNG, "early_until_days": EARLY_UNTIL}
    for each in fixed_values():
        if each.group in groups:
            found.setdefault(each.group, {})[each.name] = each.number
    return found


def _records(connection: Connection, kind: str) -> Iterator[dict[str, Any]]:
    for _, _, row in read_rows(connection, kind):
        yield as_record(kind, row)


def _private_trees(connection: Connection) -> set[str]:
    trees = _records(connection, "mother_trees")
    return {each["tree"] for each in trees if each.get("location_private")}


def _codes(kind: str) -> list[str]:
    """Return the columns by which a record names wood: its own code, and what it refers to.

    Not whose hands, and not where: a grafter has to do with half of the registry.
    """
    refers = [
        each.name
        for each in fields(kind)
        if each.name == "item"
        or any(reference.column.table.name in CHAIN for reference in each.foreign_keys)
    ]
    return list(dict.fromkeys([KINDS[kind].KEY[0], *refers]))


def _shown(record: Mapping[str, Any], private: set[str], zone: dt.tzinfo) -> dict[str, Any]:
    """Return what is known of a record, times by the registry's clock."""
    hidden = {*FREE_TEXT, *(PLACE if record.get("tree") in private else ())}
    return {
        name: as_moment(value).astimezone(zone).isoformat() if name == "time" else value
        for name, value in record.items()
        if name not in hidden
    }


def _words(value: Any) -> set[Any]:
    """Return every text within an answer; of a single tree also its lot."""
    if isinstance(value, str):
        return {value, value.partition("/")[0]}
    if isinstance(value, Mapping):
        return set().union(*map(_words, value.values()))
    if isinstance(value, list | tuple | set):
        return set().union(*map(_words, value))
    return set()
