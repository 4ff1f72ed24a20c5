"""Run every benchmark: python -m benchmarks [--lots N] [--quick]."""

import argparse

from benchmarks import (
    chain,
    cold_store,
    cutting_plan,
    intake,
    labels,
    maps,
    offtype_causes,
    places,
    rotation_seasons,
    take_causes,
    take_model,
    walk,
)

QUICK = 10_000
FULL = 1_000_000


def main() -> None:
    """Run them one after the other, the chain on registries of up to the size asked for."""
    parser = argparse.ArgumentParser(prog="benchmarks", description="Print speed beside peers.")
    parser.add_argument("--lots", type=int, help=f"graft lots (default {FULL:,})")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK:,} graft lots only")
    asked = parser.parse_args()
    lots = asked.lots or (QUICK if asked.quick else FULL)
    sizes = sorted({size for size in (10_000, 100_000) if size < lots} | {lots})
    chain.main(["--lots", *map(str, sizes)])
    print()
    intake.main(["--lots", str(lots)])
    print()
    cold_store.main(["--readings", *map(str, sizes)])
    print()
    take_model.main(["--quick"] if asked.quick else [])
    print()
    take_causes.main(["--quick"] if asked.quick else [])
    print()
    offtype_causes.main(["--quick"] if asked.quick else [])
    print()
    cutting_plan.main(["--quick"] if asked.quick else [])
    print()
    walk.main(["--quick"] if asked.quick else [])
    print()
    rotation_seasons.main(["--quick"] if asked.quick else [])
    print()
    maps.main(["--quick"] if asked.quick else [])
    print()
    places.main(["--rounds", "2"] if asked.quick else [])
    print()
    labels.main(["--labels", "1000"] if asked.quick else [])


if __name__ == "__main__":
    main()
