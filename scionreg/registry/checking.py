"""Running the rules: over what a change touched, or over the whole registry."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import ColumnElement, Connection, select, text

from scionreg.records.errors import Problem
from scionreg.records.rules import RULES, Rule, Scope
from scionreg.records.rules.base import Finder, kind_of
from scionreg.records.rules.references import OWNER
from scionreg.records.tables import KINDS, table
from scionreg.registry.rows import key_text, stored
from scionreg.registry.settings import Settings

MANY = 2000
"""From so many touched records on, judging everything is quicker than naming them."""


def whole(settings: Settings) -> Scope:
    """Return the scope of a whole registry."""
    return Scope(today=settings.today(), season_first_day=settings.season_first_day)


def refresh_estimates(connection: Connection, kinds: Iterable[str]) -> None:
    """Have PostgreSQL look at tables that grew much, else it plans for what they were before."""
    if connection.dialect.name == "postgresql":
        for kind in kinds:
            connection.execute(text(f"ANALYZE {kind}"))


def touched(
    connection: Connection, settings: Settings, changed: Mapping[str, Iterable[str]]
) -> Scope:
    """Return the scope of a change: what was changed, and what hangs on it.

    `changed` gives for each kind the first key column of the changed records.
    """
    codes: dict[str, set[str]] = defaultdict(set)
    for kind, keys in changed.items():
        codes[OWNER.get(kind, (kind, ""))[0]].update(keys)
    if sum(map(len, codes.values())) > MANY:
        return whole(settings)
    _spread(connection, codes)
    if sum(map(len, codes.values())) > 4 * MANY:
        return whole(settings)
    return Scope(
        today=settings.today(),
        season_first_day=settings.season_first_day,
        codes={kind: frozenset(found) for kind, found in codes.items()},
    )


def _spread(connection: Connection, codes: dict[str, set[str]]) -> None:
    """Add the records that a change can make wrong without changing them."""

    def find(wanted: ColumnElement[str], among: ColumnElement[str], kind: str) -> set[str]:
        known = sorted(codes[kind])
        if not known:
            return set()
        found = connection.execute(select(wanted).where(among.in_(known), wanted.is_not(None)))
        return set(found.scalars())

    bundles, parents = table("bundles").columns, table("bundle_parents").columns
    lots, trees = table("graft_lots").columns, table("mother_trees").columns
    codes["bundles"] |= find(bundles["bundle"], bundles["collection"], "collections")
    codes["bundles"] |= find(lots["bundle"], lots["graft_lot"], "graft_lots")
    codes["bundles"] |= find(parents["parent"], parents["bundle"], "bundles")
    while new := find(parents["bundle"], parents["parent"], "bundles") - codes["bundles"]:
        codes["bundles"] |= new
    codes["collections"] |= find(bundles["collection"], bundles["bundle"], "bundles")
    codes["mother_trees"] |= find(trees["tree"], trees["graft_lot"], "graft_lots")
    codes["graft_lots"] |= find(lots["graft_lot"], lots["regraft_of"], "graft_lots")


def problems(
    connection: Connection,
    scope: Scope,
    kinds: Iterable[str] = tuple(KINDS),
    without: frozenset[str] = frozenset(),
) -> Iterator[tuple[int, Problem]]:
    """Yield the id of each record that breaks a rule that `kinds` can break, and its problem."""
    changed = set(kinds)
    suspected: dict[Finder | None, bool] = {None: True}
    for each in RULES.values():
        if changed.isdisjoint(each.touches) or each.name in without:
            continue
        if each.screen not in suspected:
            suspected[each.screen] = _finds(connection, each.screen, scope)
        if suspected[each.screen]:
            yield from _broken(connection, each, scope)


def _finds(connection: Connection, screen: Finder | None, scope: Scope) -> bool:
    """Tell whether a screen finds anything. PostgreSQL groups without sorting and needs none."""
    if screen is None or connection.dialect.name != "sqlite":
        return True
    return any(connection.execute(query.limit(1)).first() for query in screen(scope))


def _broken(connection: Connection, rule: Rule, scope: Scope) -> Iterator[tuple[int, Problem]]:
    assert rule.find is not None
    for query in rule.find(scope):
        kind = rule.kind or kind_of(query)
        rows = connection.execute(query).mappings().all()
        for row in sorted(rows, key=lambda row: row["record"]):
            found = {name: stored(value) for name, value in row.items()}
            if rule.keep is None or rule.keep(found):
                yield found["record"], _problem(rule, kind, found)


def _problem(rule: Rule, kind: str, found: dict[str, Any]) -> Problem:
    named = {name: _shown(value) for name, value in found.items()}
    return Problem(
        rule=rule.name,
        trouble=rule.trouble,
        kind=kind,
        key=key_text(found[f"key_{i}"] for i in range(len(KINDS[kind].KEY))),
        column=found.get("at_column") or rule.column,
        value=named.get("value", ""),
        wrong=rule.wrong.format_map(named),
        right=rule.right.format_map(named),
    )


def _shown(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) and value == int(value) else str(value)
