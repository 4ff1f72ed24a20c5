"""Commands about records, their history, and the registry's own health."""

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    By,
    Csv,
    Json,
    Key,
    KindOption,
    Where,
    kind_of,
    opened,
    pairs,
    recorder,
)
from scionreg.records.counting import many
from scionreg.records.errors import RegistryError


def list_(
    kind: Annotated[str, typer.Argument(help="Record kind, such as bundles or graft_lots.")],
    where: Annotated[
        list[str] | None,
        typer.Option(
            "--where",
            help="Only those with COLUMN=VALUE, or COLUMN!=VALUE; no value means empty. Repeat it.",
        ),
    ] = None,
    cultivar: Annotated[
        str, typer.Option(help="Only those of this cultivar, by the wood they are of.")
    ] = "",
    since: Annotated[str, typer.Option("--from", help="Only those from this day on.")] = "",
    until: Annotated[str, typer.Option("--to", help="Only those up to this day.")] = "",
    customer: Annotated[str, typer.Option(help="Only what went to this customer.")] = "",
    block: Annotated[str, typer.Option(help="Only those in this block.")] = "",
    row: Annotated[int | None, typer.Option(min=1, help="Only those in this row.")] = None,
    outside: Annotated[
        bool, typer.Option("--outside", help="Only what is, or is made of, wood from outside.")
    ] = False,
    against: Annotated[
        bool,
        typer.Option("--against", help="Only those that something speaks against, and what."),
    ] = False,
    count: Annotated[bool, typer.Option("--count", help="Only say how many there are.")] = False,
    limit: Annotated[int, typer.Option(min=0, help="Show so many at most; 0 shows all.")] = 50,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """List the records of a kind.

    Examples: scionreg list bundles --cultivar Tillowby --from 2026-01-01; scionreg list graft_lots
    --where regraft_of!= --block N26
    """
    from scionreg.cli.answers import day_option
    from scionreg.exchange.headers import kind_named
    from scionreg.lineage.listing import SOURCES, WOODED, Wanted
    from scionreg.records.tables import KINDS, fields

    which = kind_named(kind)
    if which is None:
        raise RegistryError(f"'{kind}' is no record kind; one of: {', '.join(KINDS)}")
    wanted = Wanted(
        where=where or (),
        cultivar=cultivar,
        since=day_option(since),
        until=day_option(until),
        customer=customer,
        block=block,
        row=row,
        outside=outside,
    )
    most = 0 if count else None if limit == 0 or json or csv else limit
    with opened(registry) as opened_registry:
        found = opened_registry.listed(which, wanted, most, against=against)
    columns = [column.name for column in fields(which)]
    if which in WOODED:
        columns += SOURCES
    if which == "cultivars":
        columns.append("mother_trees")
    if against:
        columns.append("against")
    if count:
        console.as_json({"count": found.number}) if json else console.data(str(found.number))
    elif json:
        console.as_json(found.records)
    elif csv:
        rows = [{name: _in_one_cell(each.get(name)) for name in columns} for each in found.records]
        console.as_csv(rows, columns)
    elif not found.records:
        speaks = " that anything speaks against" if against else ""
        console.talk(f"no {which.replace('_', ' ')}{wanted.words()}{speaks}")
    else:
        rows = [{name: _in_one_cell(value) for name, value in r.items()} for r in found.records]
        shown = [name for name in columns if any(r.get(name) not in (None, "") for r in rows)]
        console.table(rows, {name: name for name in shown})
        if found.number > len(rows):
            console.talk(f"the first {len(rows)} of {found.number}; --limit 0 shows all")


def _in_one_cell(value: Any) -> Any:
    return ";".join(value) if isinstance(value, list) else value


def history(code: Key, kind: KindOption = "", registry: Where = "", json: Json = False) -> None:
    """Show every version of a record: who, when, why."""
    with opened(registry) as opened_registry:
        which = kind_of(opened_registry, code, kind, voided=True)
        zone = opened_registry.settings.zone
        steps = [
            (step, opened_registry.as_shown(which, step.record))
            for step in opened_registry.history(which, code)
        ]
    if json:
        console.as_json(
            [
                {
                    "entry": step.entry,
                    "time": step.time.isoformat(),
                    "by": step.by,
                    "action": step.action,
                    "why": step.why,
                    "record": record,
                }
                for step, record in steps
            ]
        )
        return
    before: Mapping[str, Any] = {}
    for step, record in steps:
        why = f": {console.one_line(step.why)}" if step.why else ""
        console.data(
            f"{step.time.astimezone(zone):%Y-%m-%d %H:%M}  {step.action} by {step.by}{why}"
        )
        if record and before:
            for text in console.changed(before, record):
                console.data(text)
        elif record:
            console.record(record)
        before = record  # what comes back is shown whole


def reserve(
    kind: Annotated[str, typer.Argument(help="Record kind, such as bundles.")] = "",
    person: Annotated[str, typer.Option("--for", help="Person who will use the codes.")] = "",
    count: Annotated[int, typer.Option(help="How many codes.")] = 50,
    season: Annotated[int | None, typer.Option(help="Season; else this one.")] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="List the codes that are reserved, and which are used.")
    ] = False,
    registry: Where = "",
    by: By = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Reserve codes for a person, for labels written far off; or list them again.

    Examples: scionreg reserve bundles --for P02; scionreg reserve --list --for P02
    """
    from scionreg.exchange.headers import kind_named

    which = kind_named(kind) or kind
    with opened(registry) as opened_registry:
        if list_:
            rows = [each._asdict() for each in opened_registry.reserved(person, which)]
        elif not which or not person:
            raise RegistryError(
                "say of which kind and for whom: scionreg reserve bundles --for CODE; or --list"
            )
        else:
            codes = opened_registry.reserve(
                which,
                person=person,
                count=count,
                season=season,
                recorder=recorder(opened_registry, by),
            )
            rows = [{"kind": which, "code": code, "person": person} for code in codes]
    if json:
        console.as_json(rows)
    elif csv:
        console.as_csv(rows, ["kind", "code", "person", "used"] if list_ else ())
    elif list_ and rows:
        console.table(rows, {name: name for name in ("code", "kind", "person", "used")})
    elif list_:
        console.talk("no codes are reserved")
    else:
        for row in rows:
            console.data(row["code"])
        console.talk(f"reserved {many(len(rows), 'code')} for {person}")


def settings(
    group: Annotated[
        str, typer.Argument(help="Show the starting values of a group, such as store.")
    ] = "",
    changes: Annotated[
        list[str] | None, typer.Option("--set", help="A change, as NAME=VALUE; repeat it.")
    ] = None,
    registry: Where = "",
    by: By = "",
    json: Json = False,
) -> None:
    """Show or change the registry's settings, and the numbers that its reasoning starts from.

    A word of your own: --set words.method.NAME="sticks=1;take=0.7;also=OTHER NAME" (also
    words.condition.NAME, words.role.NAME); without a value it is taken away again.
    """
    from scionreg.records.own_words import is_own_word
    from scionreg.records.starting_values import GROUPS, known_values

    with opened(registry) as opened_registry:
        now = opened_registry.settings
        words = [text.partition("=")[0].strip().replace("-", "_") for text in changes or ()]
        known = [*now.plain(), *known_values(), *filter(is_own_word, words)]
        values = dict(pairs(changes, known, "there is no setting"))
        if values:
            who = values.get("by") or recorder(opened_registry, by)
            now = opened_registry.change_settings(recorder=who, **values)
    if group and group not in GROUPS:
        raise RegistryError(f"there is no group '{group}'; the groups are {', '.join(GROUPS)}")
    if group:
        rows = [
            {
                "name": name,
                "value": now.own_values.get(name, f"{each.default:g}"),
                "start": each.default,
                "means": each.metadata["means"],
                "source": each.metadata["source"],
            }
            | _in_us_units(now.units, name, now.own_values.get(name, f"{each.default:g}"))
            for name, each in known_values().items()
            if name.startswith(f"{group}.")
        ]
        columns = dict(zip(rows[0], rows[0], strict=True))
        console.as_json(rows) if json else console.table(rows, columns)
    elif json:
        console.as_json({**now.plain(), **now.own_values})
    else:
        console.record(now.plain() | now.own_values)


def _in_us_units(units: str, name: str, value: str) -> dict[str, str]:
    """Return the column that a nursery with US units sees beside ours."""
    from scionreg.records.starting_values import in_us_units

    return {"in_us_units": in_us_units(name, float(value))} if units == "US" else {}


def audit(
    calculations: Annotated[
        bool,
        typer.Option(
            "--calculations",
            help="Recompute published figures instead, with no registry: expected, got, source.",
        ),
    ] = False,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Check the journal and every record; exit 3 on a finding.

    Examples: scionreg audit; scionreg audit --calculations
    """
    if calculations:
        _recompute(json=json, csv=csv)
        return
    from scionreg.exchange.importing import PROBLEM_COLUMNS, problem_row

    with opened(registry) as opened_registry, console.progress("auditing"):
        found = opened_registry.audit()
    faults = [each for each in found if each.trouble == "refused"]
    if json:
        console.as_json([{**problem_row(each), "kind": each.kind} for each in found])
    elif csv:
        console.as_csv(
            [{"kind": e.kind, **problem_row(e)} for e in found], ["kind", *PROBLEM_COLUMNS]
        )
    else:
        for each in found:
            label = "fault" if each in faults else "warning"
            console.data(f"{label}: {console.one_line(str(each))}")
    console.talk(f"{many(len(faults), 'fault')}, {many(len(found) - len(faults), 'warning')}")
    if found:
        raise typer.Exit(3)


def _recompute(*, json: bool, csv: bool) -> None:
    """Show published figures beside what the calculations give; exit 3 where one differs."""
    from scionreg.calculations import recomputed

    with console.progress("recomputing"):
        found = recomputed()
    told = [each.to_dict() for each in found]
    if json:
        console.as_json(told)
    else:
        rows = [
            {
                **each,
                "expected": "; ".join(f"{number:.10g}" for number in each["expected"]),
                "got": "; ".join(f"{number:.10g}" for number in each["got"]),
                "agrees": "yes" if each["agrees"] else "no",
            }
            for each in told
        ]
        if csv:
            console.as_csv(rows)
        else:
            _tell_recomputed(rows)
    off = sum(not each.agrees for each in found)
    console.talk(f"{many(len(found), 'figure')} recomputed, {off} off")
    if off:
        raise typer.Exit(3)


def _tell_recomputed(rows: list[dict[str, Any]]) -> None:
    for row in rows:
        console.data(f"{'agrees' if row['agrees'] == 'yes' else 'DIFFERS'}: {row['what']}")
        console.data(f"  expected {row['expected']}")
        console.data(f"  got      {row['got']}")
        console.data(f"  source   {row['source']}")
