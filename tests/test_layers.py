"""Imports point down only: a module knows the layers below it and its own, never one above."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "scionreg"

REASONING = ("take", "identity", "rotation", "cold_store")
"""Plain data in, results out: usable without a registry or any database."""

LAYERS: tuple[tuple[str, ...], ...] = (
    ("geodesy",),
    ("records",),
    ("registry", "resources"),
    ("lineage",),
    REASONING,
    ("exchange", "demo_nursery"),
    (
        "documents",
        "cartography",
        "judgement",
        "locating",
        "mapping",
        "surveying",
        "map_pages",
        "storing",
        "daybook",
        "stock_ahead",
        "taking",
        "asking_why",
        "identifying",
        "vouching",
        "off_types",
        "holding",
        "cutting",
        "ordering",
        "planning",
        "walking",
        "reporting",
        "calculations",
        "workings",
        "seasons",
        "entering",
        "sheeting",
        "labelling",
        "api",
    ),
    ("scionreg",),
    ("cli", "__main__"),
    ("reference",),
)
"""From the ground up; `scionreg` is the package's own `__init__`."""

RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

PAGES_USE = {"reference", "records", "registry", "exchange", "cli"}
"""What the reference pages are written from."""


def part_of(file: Path) -> str:
    """Return the part of the package that a file belongs to."""
    first = file.relative_to(PACKAGE).parts[0].removesuffix(".py")
    return "scionreg" if first == "__init__" else first


def imported(file: Path) -> Iterator[tuple[int, str]]:
    """Yield the line and the full name of every import, within functions too."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, each.name) for each in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}:{node.lineno}: import by the full name"
            yield from ((node.lineno, f"{node.module}.{each.name}") for each in node.names)


def parts_used(file: Path) -> Iterator[tuple[int, str]]:
    """Yield the line and the part of every import of this package; its version is free to all."""
    for line, name in imported(file):
        package, *rest = name.split(".")
        if package == PACKAGE.name and rest != ["__version__"]:
            yield line, rest[0] if rest and rest[0] in RANK else "scionreg"


FILES = sorted(PACKAGE.rglob("*.py"))


def test_every_part_of_the_package_has_its_place() -> None:
    assert {part_of(file) for file in FILES} - set(RANK) == set(), "give it a place in LAYERS"


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_imports_point_down(file: Path) -> None:
    mine = part_of(file)
    above = [
        f"{file.relative_to(PACKAGE)}:{line} imports {part}"
        for line, part in parts_used(file)
        if part != mine and RANK[part] > RANK[mine]
    ]
    assert above == []


def test_reference_pages_are_written_from_the_source_and_nothing_uses_them() -> None:
    used = {(part_of(file), part) for file in FILES for _, part in parts_used(file)}
    assert {part for user, part in used if user == "reference"} <= PAGES_USE
    assert {user for user, part in used if part == "reference"} <= {"reference"}


def test_reasoning_knows_no_database() -> None:
    found = [
        f"{file.relative_to(PACKAGE)}:{line} imports {name}"
        for file in FILES
        if part_of(file) in (*REASONING, "geodesy")
        for line, name in imported(file)
        if name.startswith(("sqlalchemy", "scionreg.registry"))
    ]
    assert found == []


def test_an_import_that_points_up_is_found(tmp_path: Path) -> None:
    file = tmp_path / "records.py"
    file.write_text("def f():\n    from scionreg.exchange import importing\nimport scionreg.cli\n")
    assert sorted(parts_used(file)) == [(2, "exchange"), (3, "cli")]
    assert RANK["records"] < RANK["exchange"] < RANK["cli"]
