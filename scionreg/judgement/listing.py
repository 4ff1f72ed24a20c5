"""Records that something known speaks against, with what it says."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection

from scionreg.judgement.judge import Judge
from scionreg.lineage.reasons import Judgement
from scionreg.records.errors import RegistryError

JUDGED = {
    "mother_trees": "tree",
    "bundles": "bundle",
    "graft_lots": "graft_lot",
    "dispatches": "dispatch",
}
"""Kinds that are judged, and the column that names what is."""


def against_records(
    connection: Connection, kind: str, records: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return the records that something bars or speaks against today, its sentences ``against``.

    Raises
    ------
    RegistryError
        Records of the kind are not judged.
    """
    if kind not in JUDGED:
        kinds = ", ".join(each.replace("_", " ") for each in JUDGED)
        raise RegistryError(f"{kind.replace('_', ' ')} are not judged; {kinds} are")
    judge = Judge(connection)
    listed = list(records)
    codes = {str(each[JUDGED[kind]]) for each in listed}
    known: Mapping[str, Judgement]
    match kind:
        case "mother_trees":
            known = judge.trees(codes)
        case "bundles":
            known = judge.bundles(codes)
        case "graft_lots":
            known = judge.lots(codes)
        case _:
            known = judge.lines(codes)
    found = []
    for each in listed:
        code = str(each[JUDGED[kind]])
        if kind == "dispatches":
            code = f"{code}/{each['graft_lot']}"
        said = [str(reason.says) for reason in known[code].against] if code in known else []
        if said:
            found.append({**each, "against": said})
    return found
