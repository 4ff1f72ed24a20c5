"""The likely code or name behind a wrong one: offered in the message, never put in its place."""

import difflib
import re
from dataclasses import replace

from sqlalchemy import Connection, select

from scionreg.records import codes
from scionreg.records.cells import Ref
from scionreg.records.errors import Problem
from scionreg.records.shell import command_line
from scionreg.records.tables import code_column, table
from scionreg.registry.history import kind_of_voided

OFFERED = 3
"""Offers in one message."""


def improve(connection: Connection, problem: Problem) -> Problem:
    """Return the problem with what was probably meant, where something near is recorded."""
    if problem.column not in table(problem.kind).columns:
        return problem
    cell = table(problem.kind).columns[problem.column].info.get("cell")
    if problem.rule == "unknown_reference" and isinstance(cell, Ref):
        code = problem.value.partition("/")[0] if cell.single else problem.value
        if kind_of_voided(connection, code) in cell.kinds:
            back = f"{command_line('restore', code)} brings it back"
            return replace(problem, wrong=f"'{code}' was voided", right=back)
    offers: list[str] = []
    if problem.rule == "unknown_cultivar":
        offers = near_cultivars(connection, problem.value)
    elif isinstance(cell, Ref) and problem.rule in ("unknown_reference", "wrong_check_digit"):
        offers = near_codes(connection, problem.value.partition("/")[0], cell.kinds)
    elif problem.rule == "wrong_check_digit":
        offers = list(codes.neighbours(problem.value.strip()))[:1]
    if not offers:
        return problem
    return replace(problem, right=f"perhaps {' or '.join(offers)}; else {problem.right}")


def near_codes(connection: Connection, code: str, kinds: tuple[str, ...]) -> list[str]:
    """Return recorded codes of the kinds that are one slip away from `code`."""
    if codes.looks_issued(code):
        letters = {codes.LETTER_OF[kind] for kind in kinds if kind in codes.LETTER_OF}
        candidates = [each for each in codes.neighbours(code) if each[0] in letters]
        return [each for each in candidates if _recorded(connection, each)][:OFFERED]
    found: list[str] = []
    for kind in kinds:
        column = code_column(kind)
        like = select(column).where(column.startswith(code[:2], autoescape=True)).limit(2000)
        own = set(connection.execute(like).scalars())
        found += difflib.get_close_matches(code, sorted(own), OFFERED, 0.75)
    return found[:OFFERED]


def _recorded(connection: Connection, code: str) -> bool:
    column = code_column(codes.LETTERS[code[0]])
    return connection.execute(select(column).where(column == code).limit(1)).first() is not None


def near_cultivars(connection: Connection, name: str) -> list[str]:
    """Return the cultivars whose name or alias is near `name`: misspelt, or cut short."""
    cultivars = table("cultivars").columns
    meant: dict[str, str] = {}
    for cultivar, aliases in connection.execute(
        select(cultivars["cultivar"], cultivars["aliases"])
    ):
        for each in (cultivar, *(aliases or "").split(";")):
            if each:
                meant[_plain(each)] = cultivar
    wanted = _plain(name)
    near = [each for each in meant if len(wanted) > 1 and each.startswith(wanted)]
    near += difflib.get_close_matches(wanted, sorted(meant), OFFERED, 0.7)
    return list(dict.fromkeys(meant[each] for each in near))[:OFFERED]


def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", "", name).casefold()
