"""Starting values of the reasoning, each with its unit and source: a nursery's own replace them.

A group is a frozen dataclass of numbers; the registry's settings may set any of them, by
``group.name`` (`scionreg settings --set store.gap_hours=4`).
"""

from collections.abc import Mapping
from dataclasses import Field, dataclass, field, fields, replace
from typing import Any, TypeVar

from scionreg.records.errors import RegistryError


def value(
    start: float, means: str, source: str = "estimate", *, least: float = 0, most: float = 1e6
) -> Any:
    """Return a field that starts at `start`, with what it means, its source and its range."""
    return field(
        default=start,
        metadata={"means": means, "source": source, "least": least, "most": most},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreValues:
    """What cold storage does to wood; temperatures in °C, heat in °C·h above `warm_above_c`."""

    warm_above_c: float = value(7.2, "°C above which heat is summed (45 °F)", least=-10, most=40)
    cold_below_c: float = value(-5.0, "°C below which wood is inspected", least=-40, most=5)
    gap_hours: float = value(6, "hours between readings that are still joined", least=0.1)
    note_heat: float = value(5, "°C·h from which a bundle's heat is noted")
    check_heat: float = value(55.6, "°C·h from which three sticks are checked (100 °F·h)")
    use_first_heat: float = value(166.7, "°C·h from which wood is used first (300 °F·h)")
    sample_first_heat: float = value(
        444.4, "°C·h from which wood is sample-grafted or discarded (800 °F·h)"
    )
    stone_fruit_factor: float = value(0.5, "thresholds of stone fruit, as a share", most=1)


GROUPS: dict[str, type[Any]] = {"store": StoreValues}
"""The groups of starting values by the name that settings call them by."""

Values = TypeVar("Values")


def known_values() -> dict[str, Field[Any]]:
    """Return every starting value by its full name."""
    return {f"{group}.{each.name}": each for group, kind in GROUPS.items() for each in fields(kind)}


def known(name: str) -> Field[Any]:
    """Return the value of that full name; raise `RegistryError` where there is none."""
    values = known_values()
    if name not in values:
        group = name.partition(".")[0]
        near = [each for each in values if each.partition(".")[0] == group]
        raise RegistryError(f"there is no setting '{name}'; there are {', '.join(near or values)}")
    return values[name]


def checked(name: str, text: str) -> str:
    """Return a number as it is kept, once it can be the value `name`.

    Raises
    ------
    RegistryError
        There is no such value, or the number is none, or outside its range.
    """
    limits = known(name).metadata
    least, most = limits["least"], limits["most"]
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not least <= number <= most:
        raise RegistryError(f"'{text}' is no {name}; write a number from {least:g} to {most:g}")
    return f"{number:.12g}"


def chosen(kind: type[Values], own_values: Mapping[str, str]) -> Values:
    """Return a group of values, with a registry's own (by full name) where it has them."""
    group = next(name for name, each in GROUPS.items() if each is kind)
    own = {
        name.partition(".")[2]: float(number)
        for name, number in own_values.items()
        if name.partition(".")[0] == group
    }
    return replace(kind(), **own)  # type: ignore[type-var]
