"""The walk at the command line, of the invented demo; and registries with little recorded."""

import csv
import io
import itertools
import json
from collections.abc import Callable
from pathlib import Path

import gpxpy
import pytest
from geographiclib.geodesic import Geodesic
from nursery import add

from scionreg.api import Registry
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.registry.store import Store
from scionreg.rotation.demand import Order
from scionreg.walking import planned_cuts, read_cutting_list

Run = Callable[..., tuple[int, str, str]]
DAY = ("T24-0047-1", "T24-0007-7", "Old-5", "T24-0037-2", "Old-11", "T24-0021-7")
START = ("--start", "36.4191,-95.7703")


@pytest.fixture(autouse=True)
def asked(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the demo be the registry that commands ask."""
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


def test_it_says_where_to_go_and_which_tree_beside_is_not_to_be_cut(run: Run) -> None:
    code, out, err = run("walk", *DAY, *START)
    assert code == 0
    lines = out.splitlines()
    at = next(n for n, line in enumerate(lines) if "T24-0047-1" in line and "row" in line)
    # The demo's wrong tree was cut here: the first Pendrake stands next to the last Tillowby.
    assert "do not cut the next one: it is Pendrake (T24-0048-3)" in lines[at + 1]
    assert "6 trees" in lines[-1]
    assert "on foot" in lines[-1]
    assert "was topworked on 2011-04-28" in out
    assert "only the east limb was worked over" in out
    assert "retagged 2025-08-19" in out
    assert "Pruners and knives cut" in err


def test_json_csv_and_python_hold_the_same_order(run: Run, demo: str) -> None:
    found = json.loads(run("walk", *DAY, *START, "--json")[1])
    rows = list(csv.DictReader(io.StringIO(run("walk", *DAY, *START, "--csv")[1])))
    with Registry.open(demo) as registry:
        walk = registry.walk(DAY, start=(36.4191, -95.7703))
    codes = [each["tree"] for each in found["stops"]]
    assert codes == [row["tree"] for row in rows] == list(walk.codes)
    assert sorted(codes) == sorted(DAY)
    assert found["bound"] == found["metres"] > 0
    assert rows[0]["metres"] == str(found["stops"][0]["metres"])
    beside = next(row for row in rows if row["tree"] == "T24-0047-1")
    assert "T24-0048-3" in beside["neighbours"].split(";")
    assert "Pendrake (T24-0048-3)" in beside["do_not_cut"]


def test_the_plan_is_walked_in_the_same_order(
    run: Run, demo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = Order(cultivar="Brellan", season=2027, trees=500)
    with Registry.open(demo) as registry:
        sheet = registry.plan([order], first=2027)
        cuts = planned_cuts(sheet.plan, 2027)
        assert sheet.plan.walk == registry.walk(cuts).codes
        assert sheet.to_dict()["walk"] == list(sheet.plan.walk)
    listed = io.StringIO()
    rows = sheet.to_rows()
    writer = csv.DictWriter(listed, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    monkeypatch.setattr("sys.stdin", io.StringIO(listed.getvalue()))
    code, out, _ = run("walk", "--list", "-", "--season", "2027", "--json")
    assert code == 0
    stops = json.loads(out)["stops"]
    assert [each["tree"] for each in stops] == list(sheet.plan.walk)
    assert {each["tree"]: each["sticks"] for each in stops} == cuts


def test_gpx_holds_waypoints_and_the_route_but_no_private_place(run: Run, tmp_path: Path) -> None:
    code, _, err = run("walk", *DAY, *START, "--finish", "36.4181,-95.7695", "--gpx", "day.gpx")
    assert code == 0
    assert "their places are private: Old-5" in err
    text = (tmp_path / "day.gpx").read_text(encoding="utf-8")
    assert "<time>" not in text
    assert 'xmlns="http://www.topografix.com/GPX/1/1"' in text
    assert 'creator="scionreg"' in text
    found = gpxpy.parse(text)
    points = {each.name: each for each in found.waypoints}
    assert points.keys() == {"start", "finish", *DAY} - {"Old-5"}
    assert points["T24-0047-1"].latitude == pytest.approx(36.418589, abs=1e-5)
    assert "Pendrake" in points["T24-0047-1"].comment
    (route,) = found.routes
    walked = [each.name for each in route.points if each.name]
    assert (walked[0], walked[-1]) == ("start", "finish")
    codes = [each["tree"] for each in json.loads(run("walk", *DAY, *START, "--json")[1])["stops"]]
    assert sorted(walked[1:-1]) == sorted(set(codes) - {"Old-5"})


def test_gpx_does_not_tell_which_trees_a_private_one_stands_beside(
    run: Run, demo: str, tmp_path: Path
) -> None:
    assert run("walk", "Old-3", "Old-7", "--gpx", "day.gpx")[0] == 0
    text = (tmp_path / "day.gpx").read_text(encoding="utf-8")
    assert "Oldenfarl (its place is private)" in text
    with Registry.open(demo) as registry:
        private = [each["tree"] for each in registry.records("mother_trees", location_private=True)]
    assert not [code for code in private if f"({code})" in text]


def test_the_route_goes_round_by_the_headlands(demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry:
        walk = registry.walk(["T24-0011-1", "T24-0020-1", "T24-0003-1", "T24-0037-2"])
        registry.write_walk(walk, tmp_path / "walk.gpx")
    (route,) = gpxpy.parse((tmp_path / "walk.gpx").read_text(encoding="utf-8")).routes
    at = [(each.latitude, each.longitude) for each in route.points]
    metres = sum(
        Geodesic.WGS84.Inverse(*one, *other)["s12"] for one, other in itertools.pairwise(at)
    )
    assert len(at) > len(walk.stops) + 2
    # Some trees stand a little off their rows by their fixes.
    assert metres == pytest.approx(walk.metres, rel=0.05)


def test_a_gate_makes_the_way_longer(run: Run) -> None:
    free = json.loads(run("walk", "T24-0001-5", "Old-9", "--json")[1])["metres"]
    gate = ("--gate", "PB=36.4195,-95.7709")
    gated = json.loads(run("walk", "T24-0001-5", "Old-9", *gate, "--json")[1])["metres"]
    assert gated > free + 20


def test_a_tree_with_nothing_but_a_fix_is_not_one_without_a_place(run: Run) -> None:
    new = ("--registry", "small.db", "--by", "P01")
    run("new", "small.db")
    run("add", "cultivar", "--cultivar", "Amber", "--species", "Malus domestica", *new)
    for tree, more in (("T1", ("--latitude", "45.0", "--longitude", "5.0")), ("T2", ())):
        assert run("add", "tree", "--tree", tree, "--cultivar", "Amber", *more, *new)[0] == 0
    first, last = run("walk", "T1", "T2", "--registry", "small.db")[1].splitlines()[:2]
    assert first.endswith("only a fix recorded")
    assert last.endswith("place not recorded")


def test_us_units_are_feet(run: Run, tmp_path: Path) -> None:
    with Registry.new(tmp_path / "us.db", by="P01", units="US") as registry:
        registry.record("people", person="P01")
        registry.record("cultivars", cultivar="Fernhill", species="Malus domestica")
        registry.record("blocks", block="A", tree_spacing_m=3.048, row_spacing_m=6)
        for position in (1, 2):
            where = {"block": "A", "row": 1, "position": position}
            registry.record("mother_trees", tree=f"T{position}", cultivar="Fernhill", **where)
    code, out, err = run("walk", "T1", "T2", "--registry", "us.db")
    assert code == 0
    assert "walk 10 ft" in out
    assert "row 1 position 2 (est.)" in out
    assert "block A has neither a fix nor an outline" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "no tree is named to walk to"),
        (("T24-0007-8",), "did you mean T24-0007-7"),
        (("C24-0047-1",), "C24-0047-1 is a collection; name mother trees"),
        (("Old-8", "--start", "95"), "'95' in --start is no place"),
        (("Old-8", "--finish", "95,3"), "95, 3 is off the globe"),
        (("Old-8", "--start", "nan,3"), "off the globe"),
        (("Old-8", "--gate", "PB"), "'PB' is no gate"),
        (("Old-8", "--gate", "XX=36,-95"), "nothing is recorded under 'XX'"),
        (("--list", "nowhere.csv"), "nowhere.csv cannot be read: No such file"),
        (("Old-8", "--list", "nowhere.csv"), "not both"),
        (("Old-8", "--season", "2027"), "give --list too"),
        ((__file__,), "is a file; to walk the trees it lists: --list"),
        (("Old-8", "--gpx", "no/such/folder.gpx"), "cannot be written"),
    ],
)
def test_what_it_cannot_walk_is_refused(run: Run, words: tuple[str, ...], message: str) -> None:
    code, _, err = run("walk", *words)
    assert code == 1
    assert message in err


@pytest.mark.parametrize(
    ("text", "season", "message"),
    [
        ("code,sticks\nOld-8,5\n", None, "has no column tree"),
        ("", None, "has no column tree"),
        ("tree,sticks\nOld-8,few\n", None, "list.csv:2: 'few' in sticks"),
        ("tree,sticks\n,5\n", None, "list.csv:2: no tree"),
        ("tree,sticks\nOld-8,0\n", None, "has no tree to cut"),
        ("tree,sticks,season\nOld-8,5,2027\n", 2028, "has no tree to cut in season 2028"),
        ("tree,season\nOld-8,2027\nOld-9,2028\n", None, "for seasons 2027, 2028; say which"),
        ("tree\n\xe4\n", None, "cannot be read"),
        ('tree\n"Old-8\n', None, "cannot be read"),
    ],
)
def test_a_bad_list_gives_one_clear_message(
    tmp_path: Path, text: str, season: int | None, message: str
) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(RegistryError, match=message):
        read_cutting_list(path, season)


def test_more_trees_than_a_day_are_refused(demo: str) -> None:
    with (
        Registry.open(demo) as registry,
        pytest.raises(RegistryError, match=r"5,001 trees are no day's walk; name at most 5,000"),
    ):
        registry.walk(f"T{number}" for number in range(5_001))


def test_of_a_long_walk_it_says_what_no_order_beats(run: Run, demo: str) -> None:
    with Registry.open(demo) as registry:
        codes = [str(each["tree"]) for each in registry.records("mother_trees")]
        walk = registry.walk(codes, start=(36.4191, -95.7703), finish=(36.4191, -95.7703))
    _, out, _ = run("walk", *codes, *START, "--finish", START[1])
    last = out.splitlines()[-1]
    assert f"{len(codes)} trees" in last
    assert f"{walk.metres:,.0f} m on foot" in last
    assert f"no order is shorter than {walk.bound:,.0f} m" in last
    # Cultivars stand beside others in the demo's banks; no tree is told to spare its own kind.
    cultivar = {each.tree: each.cultivar for each in walk.stops}
    assert all(n.cultivar != cultivar[s.tree] for s in walk.stops for n in s.neighbours)


def test_a_list_adds_up_what_is_cut_of_a_tree(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("\ufefftree,limb,sticks\nOld-8,east,5\nOld-9,,\nOld-8,west,7\n", "utf-8")
    assert read_cutting_list(path) == {"Old-8": 12, "Old-9": None}


def test_a_registry_that_knows_little_is_walked_all_the_same(store: Store) -> None:
    for kind, values in (
        ("people", {"person": "P01"}),
        ("cultivars", {"cultivar": "Fernhill", "species": "Malus domestica", "aliases": "FH"}),
        ("cultivars", {"cultivar": "Oldgate", "species": "Malus domestica", "rights": "none"}),
        ("blocks", {"block": "A", "row_spacing_m": 6, "tree_spacing_m": 4}),
        ("mother_trees", {"tree": "one", "cultivar": "FH", "block": "A", "row": 1, "position": 1}),
        (
            "mother_trees",
            {"tree": "two", "cultivar": "Oldgate", "block": "A", "row": 1, "position": 2},
        ),
        (
            "mother_trees",
            {
                "tree": "gone",
                "cultivar": "Oldgate",
                "block": "A",
                "row": 2,
                "position": 1,
                "status": "dead",
            },
        ),
        ("mother_trees", {"tree": "somewhere", "cultivar": "Fernhill", "notes": "white ring"}),
        ("tree_events", {"tree": "two", "event": "hold", "date": "2026-01-05"}),
        ("tree_events", {"tree": "one", "event": "topworked", "limb": "east", "detail": "to FH"}),
    ):
        add(store, kind, **values)
    registry = Registry(store)
    found = registry.walk({"somewhere": None, "two": 4, "one": 3})
    one, two, last = found.stops
    assert {one.tree, two.tree, last.tree} == {"one", "two", "somewhere"}
    by_tree = {each.tree: each for each in found.stops}
    assert last.tree == "somewhere"
    assert last.marks == ("white ring",)
    assert by_tree["one"].cultivar == "Fernhill"
    assert by_tree["one"].cautions == ("limb east was topworked on a day nobody recorded (to FH)",)
    # A dead tree cannot be cut by mistake.
    assert [each.tree for each in by_tree["one"].neighbours] == ["two"]
    assert any("two is on hold since 2026-01-05" in says for says in by_tree["two"].cautions)
    assert found.metres == 4.0
    assert sum("nobody has recorded whether a right to Fernhill" in s for s in found.cautions) == 1
    (dead,) = registry.walk(["gone"]).stops
    assert "it is dead" in dead.cautions
    with pytest.raises(NotFoundError):
        registry.walk(["on"])


def test_what_has_no_place_is_left_out_of_the_file(store: Store, tmp_path: Path) -> None:
    add(store, "people", person="P01")
    add(store, "cultivars", cultivar="Fernhill", species="Malus domestica")
    add(store, "mother_trees", tree="here", cultivar="Fernhill", latitude=47, longitude=11)
    add(store, "mother_trees", tree="nowhere", cultivar="Fernhill")
    registry = Registry(store)
    left_out = registry.write_walk(registry.walk(["here", "nowhere"]), tmp_path / "walk.gpx")
    assert left_out == ["left out, since their places are not known: nowhere"]
    found = gpxpy.parse((tmp_path / "walk.gpx").read_text(encoding="utf-8"))
    assert [each.name for each in found.waypoints] == ["here"]
    assert found.waypoints[0].comment is None
