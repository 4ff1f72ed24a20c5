"""The invented nursery: its books hold together, and the six stories are in the numbers."""

import csv
import json
import math
from collections import Counter, defaultdict
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from scionreg.demo_nursery import stories
from scionreg.demo_nursery.simulation import invent
from scionreg.demo_nursery.things import LAST_DAY, Nursery
from scionreg.demo_nursery.writing import write_folder
from scionreg.records import tables
from scionreg.records.cells import Ref, expand_positions
from scionreg.records.names import fault

FOLDER = Path(__file__).parents[1] / "demo_registry"
FIELD_METHODS = ("four_flap", "three_flap", "inlay_bark")
Rows = list[dict[str, str]]


def read(kind: str) -> Rows:
    if not (FOLDER / f"{kind}.csv").exists():  # nothing of the kind is recorded
        return []
    with (FOLDER / f"{kind}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def books() -> dict[str, Rows]:
    return {kind: read(kind) for kind in tables.KINDS}


@pytest.fixture(scope="module")
def told() -> Nursery:
    """The nursery as simulated again, for the codes of its stories."""
    return invent()


def by(rows: Rows, key: str) -> dict[str, dict[str, str]]:
    return {row[key]: row for row in rows}


def positions_of(lot: dict[str, str]) -> set[int]:
    return set(range(int(lot["first"]), int(lot["last"]) + 1)) if lot["first"] else set()


# The folder as a whole.


def test_the_same_seed_writes_the_committed_files(told: Nursery, tmp_path: Path) -> None:
    write_folder(told, tmp_path)
    names = [*(f"{kind}.csv" for kind in tables.KINDS), "blocks.geojson", "README.md"]
    names = [name for name in names if (tmp_path / name).exists() or (FOLDER / name).exists()]
    different = [n for n in names if (tmp_path / n).read_bytes() != (FOLDER / n).read_bytes()]
    assert different == []


def test_it_has_the_size_of_a_real_nursery(books: dict[str, Rows]) -> None:
    assert len(books["cultivars"]) >= 6
    assert len({row["species"] for row in books["cultivars"]}) == 3
    assert 8 <= len(books["people"]) <= 12
    assert 55 <= len(books["mother_trees"]) <= 70
    assert 140 <= len(books["collections"]) <= 180
    assert 380 <= len(books["bundles"]) <= 450
    assert 1000 <= len(books["graft_lots"]) <= 1150
    assert 3 <= len(books["stores"]) <= 4
    assert len({row["bundle"] for row in books["bundle_parents"]}) >= 9
    assert len([row for row in books["bundles"] if row["received_from"]]) >= 9
    assert (FOLDER / "store_readings.csv").stat().st_size < 1_500_000


def test_every_cell_can_be_read_and_every_required_one_is_filled(books: dict[str, Rows]) -> None:
    for kind, rows in books.items():
        columns = tables.fields(kind)
        assert [*map(list, rows[:1])] in ([], [[column.name for column in columns]])
        for column in columns:
            cell = column.info["cell"]
            for text in {row[column.name] for row in rows}:
                assert text or column.nullable, (kind, column.name)
                if text:
                    cell.read(text)


def test_every_reference_exists(books: dict[str, Rows]) -> None:
    known = {kind: {row[tables.KINDS[kind].KEY[0]] for row in rows} for kind, rows in books.items()}
    for kind, rows in books.items():
        for column in tables.fields(kind):
            cell = column.info["cell"]
            if isinstance(cell, Ref):
                targets = set().union(*(known[target] for target in cell.kinds))
                used = {row[column.name].partition("/")[0] for row in rows} - {""}
                assert used <= targets, (kind, column.name)


def test_keys_are_unique(books: dict[str, Rows]) -> None:
    for kind, rows in books.items():
        keys = Counter(tuple(row[name] for name in tables.KINDS[kind].KEY) for row in rows)
        assert all(number == 1 for number in keys.values()), kind


def test_cultivar_names_follow_the_code_and_are_known_where_used(books: dict[str, Rows]) -> None:
    names: set[str] = set()
    for row in books["cultivars"]:
        assert fault(row["cultivar"]) is None
        other_names = set(row["aliases"].split(";")) - {""}
        assert not names & (other_names | {row["cultivar"]})
        names |= other_names | {row["cultivar"]}
    used = {row["cultivar"] for kind in ("mother_trees", "bundles") for row in books[kind]}
    used |= {row["label_cultivar"] for row in books["dispatches"]}
    assert used - {""} <= names


def test_nothing_is_later_than_the_last_day(books: dict[str, Rows]) -> None:
    for kind, column in (("dispatches", "date"), ("identity_checks", "date"),
                         ("take_counts", "date"), ("tree_events", "date")):  # fmt: skip
        assert max(row[column] for row in books[kind]) <= LAST_DAY.isoformat()


def test_a_few_things_are_unknown_as_in_any_book(books: dict[str, Rows]) -> None:
    assert len([row for row in books["collections"] if not row["date"]]) == 2
    assert len([row for row in books["graft_lots"] if not row["date"]]) == 2
    assert any(not row["cutter"] for row in books["collections"])
    assert any(not row["count"] for row in books["collections"])
    assert any(row["count"] == "estimated" for row in books["collections"])
    assert any(not row["row"] for row in books["graft_lots"])
    assert any(not row["sticks_used"] for row in books["graft_lots"])


# The chain from cutting to counting.


def test_wood_is_cut_then_tied_then_grafted_then_counted(books: dict[str, Rows]) -> None:
    collections, bundles = by(books["collections"], "collection"), by(books["bundles"], "bundle")
    lots = by(books["graft_lots"], "graft_lot")
    for bundle in bundles.values():
        if bundle["collection"]:
            assert collections[bundle["collection"]]["date"] <= bundle["packed"]
    for row in books["bundle_parents"]:
        assert bundles[row["parent"]]["packed"] <= bundles[row["bundle"]]["packed"]
    for lot in lots.values():
        assert not lot["date"] or bundles[lot["bundle"]]["packed"] <= lot["date"]
    for count in books["take_counts"]:
        grafted = lots[count["graft_lot"]]["date"]
        if grafted:
            age = (date.fromisoformat(count["date"]) - date.fromisoformat(grafted)).days
            assert 21 <= age <= 60 or age > 100


def test_wood_leaves_a_bundle_after_it_came_and_before_it_was_thrown_away(
    books: dict[str, Rows],
) -> None:
    bundles = by(books["bundles"], "bundle")
    thrown = {row["bundle"]: row["time"][:10] for row in books["bundle_log"]
              if row["event"] == "discarded"}  # fmt: skip
    for row in books["bundle_log"]:
        assert bundles[row["bundle"]]["packed"] <= row["time"][:10]
    for lot in books["graft_lots"]:
        assert lot["date"] <= thrown.get(lot["bundle"], "9999")
    for row in books["bundle_parents"]:
        assert bundles[row["bundle"]]["packed"] <= thrown.get(row["parent"], "9999")


def test_each_bundle_has_one_kind_of_source(books: dict[str, Rows]) -> None:
    children = {row["bundle"] for row in books["bundle_parents"]}
    for row in books["bundles"]:
        sources = (bool(row["collection"]), bool(row["received_from"]), row["bundle"] in children)
        assert sum(sources) == 1, row["bundle"]


def used_of(books: dict[str, Rows]) -> Counter[str]:
    """Sticks that left each bundle for grafts, other bundles, customers and the heap."""
    gone: Counter[str] = Counter()
    for lot in books["graft_lots"]:
        gone[lot["bundle"]] += int(lot["sticks_used"] or lot["grafts"])
    for row in books["bundle_parents"]:
        gone[row["parent"]] += int(row["sticks"])
    for row in books["bundle_log"]:
        if row["event"] in ("sold", "discarded"):
            gone[row["bundle"]] += int(row["sticks"] or 0)
    return gone


def test_sticks_add_up_but_for_the_leftovers(books: dict[str, Rows], told: Nursery) -> None:
    bundles = by(books["bundles"], "bundle")
    tied: Counter[str] = Counter()
    for row in books["bundles"]:
        tied[row["collection"]] += int(row["sticks"])
    for row in books["collections"]:
        assert 0.95 * int(row["sticks"]) <= tied[row["collection"]] <= int(row["sticks"])
    parts: Counter[str] = Counter()
    for row in books["bundle_parents"]:
        parts[row["bundle"]] += int(row["sticks"])
    assert all(int(bundles[code]["sticks"]) == sticks for code, sticks in parts.items())
    gone = used_of(books)
    over = {code for code, row in bundles.items() if gone[code] > int(row["sticks"])}
    assert over == {told.tales.codes["rebundle"]}


def test_sticks_counted_in_the_store_were_there(books: dict[str, Rows], told: Nursery) -> None:
    there = {row["bundle"]: int(row["sticks"]) for row in books["bundles"]}
    moves = [(row["time"], row["bundle"], row["event"], int(row["sticks"] or 0))
             for row in books["bundle_log"] if row["sticks"]]  # fmt: skip
    moves += [(lot["date"] or f"20{lot['graft_lot'][1:3]}-05", lot["bundle"], "used",
               int(lot["sticks_used"] or lot["grafts"]))
              for lot in books["graft_lots"]]  # fmt: skip
    packed = {row["bundle"]: row["packed"] for row in books["bundles"]}
    moves += [(packed[row["bundle"]], row["parent"], "used", int(row["sticks"]))
              for row in books["bundle_parents"]]  # fmt: skip
    differing = set()
    for _, bundle, event, sticks in sorted(moves):
        if event == "checked" and there[bundle] != sticks:
            differing.add(bundle)
        elif event in ("used", "sold", "discarded"):
            there[bundle] -= sticks
    assert differing == {told.tales.codes["stray"]}


def test_grafts_fit_their_run_and_runs_do_not_overlap(books: dict[str, Rows]) -> None:
    lots = by(books["graft_lots"], "graft_lot")
    rows: defaultdict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    for lot in lots.values():
        if not lot["first"]:
            continue
        first, last = int(lot["first"]), int(lot["last"])
        assert 0 < int(lot["grafts"]) <= last - first + 1
        if lot["regraft_of"]:
            old = lots[lot["regraft_of"]]
            assert old["row"] == lot["row"]
            assert int(old["first"]) <= first <= last <= int(old["last"])
        else:
            rows[lot["block"], lot["row"]].append((first, last))
    for runs in rows.values():
        assert all(before[1] < after[0] for before, after in pairwise(sorted(runs)))
    assert any(lot["regraft_of"] for lot in lots.values())


def test_turns_are_unique_and_days_are_possible(books: dict[str, Rows]) -> None:
    for kind, who in (("collections", "cutter"), ("graft_lots", "grafter")):
        turns = Counter((r[who], r["date"], r["order_in_day"]) for r in books[kind]
                        if r["order_in_day"] and r[who])  # fmt: skip
        assert max(turns.values()) == 1
    share: defaultdict[tuple[str, str], float] = defaultdict(float)
    for lot in books["graft_lots"]:
        if lot["date"]:
            a_day = 140 if lot["method"] in FIELD_METHODS else 500
            share[lot["grafter"], lot["date"]] += int(lot["grafts"]) / a_day
    assert max(share.values()) <= 1


def test_counts_are_possible_and_do_not_rise(books: dict[str, Rows]) -> None:
    lots = by(books["graft_lots"], "graft_lot")
    growing: dict[str, int] = {}
    for row in sorted(books["take_counts"], key=lambda row: row["date"]):
        classes = ("pushing", "green", "dead", "stock_only", "missing", "broken")
        assert sum(int(row[name] or 0) for name in classes) <= int(lots[row["graft_lot"]]["grafts"])
        assert int(row["pushing"]) <= growing.get(row["graft_lot"], 10**9)
        growing[row["graft_lot"]] = int(row["pushing"])


def test_no_more_trees_are_sent_than_live(books: dict[str, Rows], told: Nursery) -> None:
    lots = {lot.code: lot for lot in told.lots}
    runs = by(books["graft_lots"], "graft_lot")
    sent: Counter[str] = Counter()
    for row in books["dispatches"]:
        sent[row["graft_lot"]] += int(row["trees"])
        if row["first"]:
            assert set(range(int(row["first"]), int(row["last"]) + 1)) <= positions_of(
                runs[row["graft_lot"]]
            )
            assert int(row["last"]) - int(row["first"]) + 1 >= int(row["trees"])
    assert all(trees <= len(lots[code].alive) for code, trees in sent.items())
    assert max(Counter(row["dispatch"] for row in books["dispatches"]).values()) > 1


def test_identity_checks_count_what_they_list(books: dict[str, Rows]) -> None:
    lots = by(books["graft_lots"], "graft_lot")
    for row in books["identity_checks"]:
        looked, off = (set(expand_positions(row[c])) for c in ("positions_checked", "positions"))
        assert int(row["off"]) <= int(row["checked"])
        assert off <= looked
        if looked:
            assert (len(looked), len(off)) == (int(row["checked"]), int(row["off"]))
        lot = lots.get(row["item"].partition("/")[0])
        if lot:
            assert looked <= positions_of(lot)


def test_trees_stand_inside_their_blocks(books: dict[str, Rows]) -> None:
    outlines = json.loads((FOLDER / "blocks.geojson").read_text(encoding="utf-8"))
    rings = {
        f["properties"]["block"]: f["geometry"]["coordinates"][0] for f in outlines["features"]
    }
    assert set(rings) == {row["block"] for row in books["blocks"]}
    for ring in rings.values():
        area = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
        assert area > 0, "outer rings run counter-clockwise"
        assert ring[0] == ring[-1]
    for tree in books["mother_trees"]:
        ring = rings[tree["block"]]
        longitudes, latitudes = zip(*ring, strict=True)
        assert min(latitudes) < float(tree["latitude"]) < max(latitudes)
        assert min(longitudes) < float(tree["longitude"]) < max(longitudes)


def test_trees_grown_here_come_from_a_position_that_lived(books: dict[str, Rows]) -> None:
    lots = by(books["graft_lots"], "graft_lot")
    own = [row for row in books["mother_trees"] if row["graft_lot"]]
    assert own
    for tree in own:
        lot = lots[tree["graft_lot"]]
        assert int(tree["graft_position"]) in positions_of(lot)
        assert lot["date"] < tree["planted"]
    cut = {row["tree"] for row in books["collections"]}
    assert any(tree["tree"] in cut for tree in own)


# The six stories, from the files alone but for their codes.


def take(books: dict[str, Rows], lots: Rows) -> tuple[int, int]:
    """Grafts that grew at the early count, and grafts made, of the lots that were counted."""
    early: dict[str, int] = {}
    for row in sorted(books["take_counts"], key=lambda row: row["date"]):
        early.setdefault(row["graft_lot"], int(row["pushing"]))
    counted = [lot for lot in lots if lot["graft_lot"] in early]
    return (
        sum(early[lot["graft_lot"]] for lot in counted),
        sum(int(lot["grafts"]) for lot in counted),
    )


def log_odds(books: dict[str, Rows], lots: Rows) -> float:
    grown, made = take(books, lots)
    return math.log(grown / (made - grown))


def profile(books: dict[str, Rows], sample: str) -> dict[str, list[int]]:
    alleles = ("allele_1", "allele_2", "allele_3")
    return {row["locus"]: [int(row[a]) for a in alleles if row[a]]
            for row in books["genotypes"] if row["sample"] == sample}  # fmt: skip


def sample_of(books: dict[str, Rows], item: str) -> dict[str, list[int]]:
    return profile(books, next(r["sample"] for r in books["genotypes"] if r["item"] == item))


def mismatches(one: dict[str, list[int]], other: dict[str, list[int]]) -> int:
    return sum(one[locus] != other[locus] for locus in one.keys() & other.keys())


def test_story_1_the_neighbour_was_cut(books: dict[str, Rows], told: Nursery) -> None:
    code = told.tales.codes
    lot_code = code["wrong_tree"].partition("/")[0]
    trees, collections = by(books["mother_trees"], "tree"), by(books["collections"], "collection")
    bundle = by(books["graft_lots"], "graft_lot")[lot_code]["bundle"]
    collection = collections[by(books["bundles"], "bundle")[bundle]["collection"]]
    claimed, cut = trees[collection["tree"]], trees[code["wrong_cut"]]
    assert (claimed["block"], claimed["row"]) == (cut["block"], cut["row"])
    assert abs(int(claimed["position"]) - int(cut["position"])) == 1
    assert claimed["cultivar"] != cut["cultivar"]
    bundles = {b["bundle"] for b in books["bundles"] if b["collection"] == collection["collection"]}
    lots = {lot["graft_lot"]: lot["bundle"] for lot in books["graft_lots"]
            if lot["bundle"] in bundles}  # fmt: skip
    looks = [row for row in books["identity_checks"] if row["item"].partition("/")[0] in lots]
    assert all(row["off"] == row["checked"] for row in looks)
    assert len({lots[row["item"].partition("/")[0]] for row in looks}) > 1
    assert {row["found"] for row in looks} == {"unknown", cut["cultivar"]}
    sample = sample_of(books, code["wrong_tree"])
    assert mismatches(sample, profile(books, f"B ref {cut['cultivar']}")) == 0
    assert mismatches(sample, profile(books, f"B ref {claimed['cultivar']}")) >= 3

    def metres(tree: dict[str, str]) -> float:
        north = float(tree["latitude"]) - float(collection["latitude"])
        east = float(tree["longitude"]) - float(collection["longitude"])
        return math.hypot(north * 111_132, east * 89_600)

    assert metres(cut) < metres(claimed)


def test_story_2_more_was_grafted_than_was_tied(books: dict[str, Rows], told: Nursery) -> None:
    code = told.tales.codes["rebundle"]
    bundle = by(books["bundles"], "bundle")[code]
    lots = [lot for lot in books["graft_lots"] if lot["bundle"] == code]
    assert (
        sum(int(lot["sticks_used"] or lot["grafts"]) for lot in lots) >= int(bundle["sticks"]) + 20
    )
    assert len([row for row in books["bundle_parents"] if row["bundle"] == code]) == 3
    looks = [row for row in books["identity_checks"]
             if row["item"] in {lot["graft_lot"] for lot in lots}]  # fmt: skip
    assert looks
    assert all(0 < int(row["off"]) < int(row["checked"]) for row in looks)
    stray = told.tales.codes["stray"]
    left = int(by(books["bundles"], "bundle")[stray]["sticks"]) - used_of(books)[stray]
    assert left >= 20


def test_story_3_the_cooler_warmed_and_wood_grafted_after_took_poorly(
    books: dict[str, Rows], told: Nursery
) -> None:
    warm = told.stores[stories.WARM_STORE]
    hot = [row for row in books["store_readings"] if float(row["temperature_c"]) > 7.2]
    first, last = (datetime.fromisoformat(hot[n]["time"]) for n in (0, -1))
    assert {row["store"] for row in hot} == {warm}
    assert 66 <= (last - first).total_seconds() / 3600 <= 80
    bundles = by(books["bundles"], "bundle")
    field = [lot for lot in books["graft_lots"]
             if lot["method"] in FIELD_METHODS
             and lot["date"].startswith("2025") and lot["grafter"]]  # fmt: skip
    there = [lot for lot in field if bundles[lot["bundle"]]["store"] == warm]
    after = [lot for lot in there if lot["date"] > last.date().isoformat()]
    before = [lot for lot in there if lot["date"] < first.date().isoformat()]
    cold = [lot for lot in field if lot["date"] > last.date().isoformat() and lot not in after
            and bundles[lot["bundle"]]["collection"]]  # fmt: skip
    assert len(after) >= 20
    assert log_odds(books, cold) - log_odds(books, after) > 0.9
    assert log_odds(books, before) - log_odds(books, after) > 0.9


def test_story_4_the_tree_was_cut_too_hard(books: dict[str, Rows]) -> None:
    cuts = sorted((r for r in books["collections"] if r["tree"] == stories.OVER_CUT),
                  key=lambda row: row["collection"])  # fmt: skip
    assert len(cuts) == 3
    assert all(float(row["share_cut"]) > 0.5 for row in cuts)
    for name in ("shoot_length_cm", "sticks"):
        numbers = [int(row[name]) for row in cuts]
        assert numbers == sorted(numbers, reverse=True)
        assert numbers[0] > 1.25 * numbers[-1]
    trees = by(books["mother_trees"], "tree")
    names = {"Brellan", "BREL"}
    tree_of = {c["collection"]: c["tree"] for c in books["collections"]}
    source = {b["bundle"]: tree_of.get(b["collection"], "") for b in books["bundles"]}
    mates = [lot for lot in books["graft_lots"]
             if source[lot["bundle"]]
             and trees[source[lot["bundle"]]]["cultivar"] in names]  # fmt: skip
    own = [lot for lot in mates if source[lot["bundle"]] == stories.OVER_CUT]
    others = [lot for lot in mates if lot not in own]
    assert log_odds(books, others) - log_odds(books, own) > 0.8


def test_story_5_one_grafter_had_a_poor_week(books: dict[str, Rows]) -> None:
    first, last = (day.isoformat() for day in stories.POOR_WEEK)
    own = [lot for lot in books["graft_lots"] if lot["grafter"] == stories.POOR_GRAFTER
           and lot["date"].startswith("2026")
           and lot["method"] in FIELD_METHODS]  # fmt: skip
    week = [lot for lot in own if first <= lot["date"] <= last]
    others = [lot for lot in books["graft_lots"] if first <= lot["date"] <= last
              and lot["grafter"] != stories.POOR_GRAFTER
              and lot["method"] in FIELD_METHODS]  # fmt: skip
    assert len({lot["bundle"] for lot in week}) >= 5
    assert {lot["bundle"] for lot in week} & {lot["bundle"] for lot in others}
    elsewhen = [lot for lot in own if lot not in week]
    assert log_odds(books, others) - log_odds(books, week) > 0.9
    assert log_odds(books, elsewhen) - log_odds(books, week) > 0.9


def test_story_6_two_dispatches_were_exchanged(books: dict[str, Rows], told: Nursery) -> None:
    code = told.tales.codes
    sent = {row["dispatch"]: row for row in books["dispatches"]}
    one, other = sent[code["exchanged_a"]], sent[code["exchanged_b"]]
    assert one["date"] == other["date"]
    assert one["customer"] != other["customer"]
    for row, swapped in ((one, other), (other, one)):
        looks = [r for r in books["identity_checks"] if r["item"] == row["dispatch"]]
        assert {r["found"] for r in looks} == {swapped["label_cultivar"]}
        assert all(r["off"] == r["checked"] for r in looks)
        rest = [r for r in books["identity_checks"] if r["item"] == row["graft_lot"]]
        assert rest
        assert all(r["off"] == "0" for r in rest)


# Marker profiles.


def test_the_laboratories_differ_by_a_constant_and_the_sport_cannot_be_told(
    books: dict[str, Rows],
) -> None:
    shifts: defaultdict[str, set[int]] = defaultdict(set)
    shared = {row["cultivar"] for row in books["genotypes"] if row["laboratory"] == "LAB-B"} - {""}
    assert len(shared) >= 3
    for cultivar in shared:
        here, there = profile(books, f"ref {cultivar}"), profile(books, f"B ref {cultivar}")
        for locus in here:
            shifts[locus] |= {b - a for a, b in zip(here[locus], there[locus], strict=True)}
    assert all(len(shift) == 1 for shift in shifts.values())
    assert len(shifts) == 12
    assert profile(books, "ref Tillowby") == profile(books, "ref Tillowby Red")
    three = [alleles for alleles in profile(books, "ref Pendrake").values() if len(alleles) == 3]
    assert len(three) >= 2
    for cultivar in shared - {"Tillowby"}:
        assert mismatches(profile(books, "ref Tillowby"), profile(books, f"ref {cultivar}")) >= 3
