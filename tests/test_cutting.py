"""What the invented demo's trees can give, which must rest, and what orders need of them."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from scionreg.api import Registry
from scionreg.cutting import Outlook, coming_season, opens, over, planned_seasons
from scionreg.cutting import outlook as outlook_of
from scionreg.ordering import demand, read_orders
from scionreg.records.errors import RegistryError
from scionreg.registry.settings import Settings, write_settings
from scionreg.registry.store import Store
from scionreg.rotation.demand import Order
from tests.small_registries import bundle, collection, holding, small

SEASON = 2027


@pytest.fixture(scope="module")
def outlook(demo: str) -> Outlook:
    with Registry.open(demo) as registry:
        return registry.outlook(first=SEASON)


def test_the_tree_that_was_cut_too_hard_is_put_to_rest_with_its_reasons(outlook: Outlook) -> None:
    (worn,) = (each for each in outlook.trees if each.tree == "Old-7")
    assert (worn.status.state, worn.status.until) == ("rest", 2029)
    assert [each.sign for each in worn.status.signs] == [
        "shorter_shoots",
        "falling_yield",
        "low_take",
    ]
    assert worn.supply.eligible == (False, False, True)
    why = worn.supply.why_not[0]
    for figure in ("75%", "66%", "71, 52, 37 cm", "214, 159, 117 sticks", "points below"):
        assert figure in why
    assert "no published rule" in outlook.limits


def test_no_other_tree_with_its_own_wood_shows_low_take(outlook: Outlook) -> None:
    signs = {each.tree: {sign.sign for sign in each.status.signs} for each in outlook.trees}
    assert [tree for tree, seen in signs.items() if "low_take" in seen] == ["Old-7"]


def test_trees_that_are_gone_or_lack_a_licence_may_not_be_cut(outlook: Outlook) -> None:
    against = {each.tree: each.supply.why_not[0] for each in outlook.trees}
    assert "retired" in against["T24-0019-8"]
    assert "dead" in against["T24-0028-2"]
    assert {each.tree for each in outlook.trees if "licence" in each.supply.why_not[0]} == {
        each.tree for each in outlook.trees if each.cultivar == "Cossamer"
    }


def test_supplies_are_as_a_plan_takes_them(outlook: Outlook) -> None:
    for supply in outlook.supplies():
        assert len(supply.capacity) == len(supply.eligible) == len(supply.why_not) == 3
        assert len(supply.past) == 2
        assert all(
            bool(why) != may for why, may in zip(supply.why_not, supply.eligible, strict=True)
        )
    young = next(each for each in outlook.supplies() if each.tree == "T25-0001-9")
    assert young.capacity[0] < young.capacity[1] < young.capacity[2]
    assert young.limits.share == 0.5


def test_rows_and_frame_hold_the_same(outlook: Outlook) -> None:
    rows = outlook.to_rows()
    assert len(rows) == 3 * len(outlook.trees) == len(outlook.to_frame())
    assert all((row["most_to_cut"] > 0) <= row["eligible"] for row in rows)
    assert [s["season"] for s in outlook.to_dict()["trees"][0]["seasons"]] == [2027, 2028, 2029]


def test_one_cultivar_alone_is_as_among_all(demo: str, outlook: Outlook) -> None:
    with Registry.open(demo) as registry:
        alone = registry.outlook(first=SEASON, cultivar="BREL")
    assert alone.supplies() == [s for s in outlook.supplies() if s.cultivar == "Brellan"]


def test_wood_cut_in_the_season_already_counts_against_its_share(store: Store) -> None:
    def most(registry: Registry) -> list[int]:
        (tree,) = registry.outlook(first=2026, seasons=2).trees
        return [row["most_to_cut"] for row in tree.to_rows()]

    registry = Registry(store)
    by = {"recorder": "P01"}
    registry.record("people", person="P01", **by)
    registry.record("cultivars", cultivar="Brellan", species="Carya illinoinensis", **by)
    tree = {"tree": "Gate-1", "cultivar": "Brellan", "kind": "bank", "sticks_per_year": 100}
    registry.record("mother_trees", **tree, **by)
    before = most(registry)
    registry.record("collections", tree="Gate-1", date="2026-01-12", sticks=40, **by)
    after = most(registry)
    assert 90 < before[0] < 200
    assert before[0] - after[0] in (40, 41)
    assert after[1] == before[1]
    registry.record("tree_events", tree="Gate-1", event="hold", date="2025-08-01", **by)
    (held,) = registry.outlook(first=2026).trees
    assert held.cut_already == 40
    assert "on hold since 2025-08-01" in held.supply.why_not[0]


def test_a_growing_bank_tree_may_be_cut_harder_as_it_ages(outlook: Outlook) -> None:
    (young,) = (each for each in outlook.supplies() if each.tree == "T25-0001-9")
    assert young.shares == (0.5, 0.5, 0.8)


def test_what_was_grown_from_a_temporary_source_is_no_source(store: Store) -> None:
    registry = Registry(store)
    by = {"recorder": "P01"}
    registry.record("people", person="P01", **by)
    registry.record("cultivars", cultivar="Sallow", species="Citrus sinensis", **by)
    registry.record("mother_trees", tree="Inc-1", cultivar="Sallow", kind="increase", **by)
    registry.record(
        "collections", collection="C-1", tree="Inc-1", date="2024-05-02", sticks=9, **by
    )
    registry.record("bundles", bundle="B-1", collection="C-1", sticks=9, **by)
    registry.record_all(
        [
            ("bundles", {"bundle": "B-2", "sticks": 4}),
            ("bundle_parents", {"bundle": "B-2", "parent": "B-1", "sticks": 4}),
        ],
        **by,
    )
    registry.record(
        "graft_lots",
        graft_lot="G-1",
        bundle="B-2",
        date="2024-05-03",
        method="chip_bud",
        grafter="P01",
        grafts=4,
        **by,
    )
    registry.record("mother_trees", tree="Gate-2", cultivar="Sallow", graft_lot="G-1", **by)
    against = {each.tree: each.supply for each in registry.outlook(first=2026).trees}
    assert "grown from wood of Inc-1" in against["Gate-2"].why_not[0]
    assert against["Gate-2"].bars[0] == {"rank"}


def test_demand_goes_by_the_registrys_own_take(demo: str) -> None:
    orders = [
        Order(cultivar="BREL", season=SEASON, trees=500),
        Order(cultivar="Tarnwick", season=SEASON + 1, trees=500, must_fill=True),
    ]
    with Registry.open(demo) as registry:
        found = registry.demand(orders, first=SEASON)
        summed = registry.take_summary(cultivar="Brellan").rows
    first, second = found.needs
    own = [each for each in summed if each.stage == "early" and each.method == first.method]
    grafts, taken = sum(each.grafts for each in own), sum(each.pushing for each in own)
    assert first.take == pytest.approx((taken + 0.75 * 30) / (grafts + 30))
    assert [(each.cultivar, each.season) for each in found.wanted] == [
        ("Brellan", 0),
        ("Tarnwick", 1),
    ]
    assert found.wanted[0].sticks == first.sticks
    assert second.take < 0.75


def test_wood_in_store_counts_for_its_own_season(demo: str) -> None:
    with Registry.open(demo) as registry:
        stored = {row.code: row.in_store for row in registry.balance(season=2026).rows}
        cultivar = max((c for c in stored if c), key=lambda c: stored[c])
        order = Order(cultivar=cultivar, season=2026, trees=5000)
        (need,) = registry.demand([order], first=2026).needs
        assert need.in_store == stored[cultivar] > 0
        used = {row.code: row.used for row in registry.balance(season=2026).rows}
        assert 0 < need.grafted <= used[cultivar] * 2
        (later,) = registry.demand(
            [Order(cultivar=cultivar, season=2027, trees=5000)], first=2027
        ).needs
    assert later.in_store == 0
    assert need.to_cut < need.sticks == later.sticks == later.to_cut


def test_a_cutting_that_waits_to_be_tied_is_wood_at_hand(store: Store) -> None:
    records = small()
    order = [Order(cultivar="Aldern", season=2026, trees=5000)]
    records["collections"] += [collection("C3", "T1", sticks=30), collection("C4", "T2")]
    records["bundles"] += [bundle("B4", collection="C4", sticks=35)]
    with holding(store, records) as connection:
        assert demand(connection, order, first=2026).needs[0].in_store == 20 + 30
        other = [Order(cultivar="Birkwood", season=2026, trees=5000)]
        assert demand(connection, other, first=2026).needs[0].in_store == 20 + 35


def test_orders_of_other_seasons_are_left_out_and_said(demo: str) -> None:
    orders = [Order(cultivar="Brellan", season=year, trees=50) for year in (2027, 2031)]
    with Registry.open(demo) as registry:
        found = registry.demand(orders, first=SEASON)
    assert [each.season for each in found.needs] == [2027]
    assert found.cautions() == [
        "The order of 50 trees of Brellan for 2031 is left out: the plan is for 2027 to 2029."
    ]
    assert found.to_dict()["left_out"][0]["season"] == 2031


@pytest.mark.parametrize(
    ("order", "message"),
    [
        (Order(cultivar="Nobody", season=SEASON, trees=1), "no cultivar 'Nobody'"),
        (Order(cultivar="Brelan", season=SEASON, trees=1), "did you mean Brellan"),
        (Order(cultivar="Brellan", season=2035, trees=1), "season 2035"),
    ],
)
def test_orders_that_cannot_be_met_are_refused(demo: str, order: Order, message: str) -> None:
    with Registry.open(demo) as registry, pytest.raises(RegistryError, match=message):
        registry.demand([order], first=SEASON)


def test_a_plan_is_for_one_to_five_seasons(demo: str) -> None:
    with Registry.open(demo) as registry, pytest.raises(RegistryError, match="1 to 5"):
        registry.outlook(seasons=6)
    with Registry.open(demo) as registry, pytest.raises(RegistryError, match="no year to plan for"):
        registry.outlook(first=20270)


def test_orders_are_read_from_csv(tmp_path: Path) -> None:
    file = tmp_path / "orders.csv"
    file.write_text("cultivar,season,trees,must_fill\nBrellan,2027,500,yes\nVorlund,2028,20,\n")
    assert read_orders(file) == [
        Order(cultivar="Brellan", season=2027, trees=500, must_fill=True),
        Order(cultivar="Vorlund", season=2028, trees=20),
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("cultivar,trees\nBrellan,5\n", "no column season"),
        ("cultivar,season,trees\nBrellan,2027,many\n", "orders.csv:2: 'many' in trees"),
        ("cultivar,season,trees\nBrellan,2027\n", "orders.csv:2: '' in trees"),
        ("cultivar,season,trees\n,2027,5\n", "orders.csv:2: no cultivar"),
        ("cultivar,season,trees\nBrellan,2027,5,yes\n", "orders.csv:2: more cells than columns"),
        ("cultivar;season;trees\nBrellan;2027;5\n", "with commas between"),
        ("cultivar,season,trees\nBrellan,2027,99999999999\n", "more than 10,000,000"),
        (
            "cultivar,season,trees\n,2027,5\nBrellan,soon,x\n",
            r"csv:2: no cultivar[^\n]*\n.*csv:3: 'soon' in season; write[^\n]*\n.*csv:3: 'x' in",
        ),
        ("cultivar,season,trees,must_fill\nBrellan,2027,5,maybe\n", "'maybe' in must_fill"),
    ],
)
def test_a_faulty_order_is_named_by_its_line(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "orders.csv"
    file.write_text(text)
    with pytest.raises(RegistryError, match=message):
        read_orders(file)


def test_orders_that_are_no_text_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "orders.csv"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RegistryError, match="no UTF-8 text"):
        read_orders(file)
    file.write_text("Cultivar, Season ,TREES\nBrellan,2027,5\n")
    assert read_orders(file) == [Order(cultivar="Brellan", season=2027, trees=5)]


def test_all_cultivars_that_nobody_knows_are_named(demo: str) -> None:
    orders = [Order(cultivar=name, season=SEASON, trees=5) for name in ("Brelan", "Aa", "Brellan")]
    with (
        Registry.open(demo) as registry,
        pytest.raises(RegistryError, match=r"'Brelan' .* mean Brellan\?; no cultivar 'Aa'"),
    ):
        registry.demand(orders, first=SEASON)


@pytest.mark.parametrize(
    ("first_day", "today", "season"),
    [
        ("07-01", "2026-12-01", 2027),
        ("07-01", "2027-04-30", 2027),
        ("07-01", "2027-05-20", 2028),
        ("01-01", "2026-06-10", 2026),
        ("01-01", "2026-10-31", 2026),
        ("01-01", "2026-11-05", 2027),
    ],
)
def test_the_season_to_plan_is_the_next_one_once_this_ones_wood_is_grafted(
    monkeypatch: pytest.MonkeyPatch, first_day: str, today: str, season: int
) -> None:
    monkeypatch.setattr(Settings, "today", lambda _: dt.date.fromisoformat(today))
    settings = Settings(season_first_day=first_day)
    assert coming_season(settings) == planned_seasons(settings, None, 1)[0] == season
    assert over(2025, settings)
    assert not over(season, settings)


def test_south_of_the_equator_the_outlook_is_the_norths_half_a_year_later(store: Store) -> None:
    """Seasons begin on 1 January there, and are named by the spring they are grafted in."""

    def of(half_a_year: dt.timedelta, first_day: str) -> list[dict[str, Any]]:
        records = small()
        days = [dt.date(2024, 1, 20), dt.date(2025, 2, 3), dt.date(2026, 3, 1)]
        records["collections"] = [
            collection(f"C{at}", tree, sticks=40 + at, share_cut=0.4, date=day + half_a_year)
            for at, (day, tree) in enumerate((d, t) for d in days for t in ("T1", "T2"))
        ]
        for tree in records["mother_trees"]:
            tree |= {"kind": "bank", "planted": dt.date(2022, 3, 1) + half_a_year}
        for kind in ("bundles", "graft_lots", "dispatches", "take_counts", "identity_checks"):
            records[kind] = []
        with holding(store, records) as connection:
            write_settings(connection, Settings(season_first_day=first_day))
            return outlook_of(connection, first=2026, seasons=3).to_rows()

    north, south = of(dt.timedelta(0), "07-01"), of(dt.timedelta(days=182), "01-01")
    assert north == south
    assert any(row["cut_already"] for row in north)


def test_the_pressure_of_a_later_season_is_what_is_left_by_then(outlook: Outlook) -> None:
    rows = [row["pressure"] for row in outlook.to_rows() if row["tree"] == "Old-7"]
    assert rows == [0.65, 0.22, 0.0]


def wood(**more: Any) -> dict[str, Any]:
    records = small()
    records["collections"] = [
        collection("C1", "T1", sticks=40, date=dt.date(2026, 1, 20)),
        collection("C2", "T2", sticks=30, date=dt.date(2026, 1, 20)),
        collection("C3", "T1", sticks=7, date=dt.date(2026, 1, 21)),
    ]
    records["bundles"] = [
        bundle("B1", collection="C1", sticks=40, packed=dt.date(2026, 1, 20)),
        bundle("B2", collection="C2", sticks=30, packed=dt.date(2026, 1, 20)),
    ]
    for kind in ("graft_lots", "dispatches", "take_counts", "identity_checks"):
        records[kind] = []
    return records | more


def at_hand(store: Store, records: Any) -> tuple[float, list[str]]:
    """Return the sticks of Aldern that serve an order of 2026, and what is said of the others."""
    with holding(store, records) as connection:
        found = demand(connection, [Order(cultivar="Aldern", season=2026, trees=90)], first=2026)
    (need,) = found.needs
    return need.in_store, found.cautions()


def event(tree: str, kind: str, day: str) -> dict[str, Any]:
    return {"tree": tree, "event": kind, "date": dt.date.fromisoformat(day)}


def test_wood_at_hand_serves_an_order_only_if_it_may_be_used(store: Store) -> None:
    assert at_hand(store, wood()) == (47, [])
    held = {"bundle": "B1", "event": "hold", "time": dt.datetime(2026, 1, 25, tzinfo=dt.UTC)}
    sticks, (says,) = at_hand(store, wood(bundle_log=[held]))
    assert sticks == 7
    assert "40 sticks of Aldern at hand do not count" in says
    assert "B1 (40): " in says
    sticks, said = at_hand(store, wood(tree_events=[event("T1", "topworked", "2025-05-01")]))
    assert sticks == 0
    assert len(said) == 2
    assert all("topworked" in says for says in said)
    assert at_hand(store, wood(tree_events=[event("T2", "died", "2025-05-01")]))[0] == 47
    late = [event("T1", "died", "2026-03-01")]
    assert at_hand(store, wood(tree_events=late)) == (47, []), "it died after the cutting"


def test_a_tree_replanted_is_as_old_and_as_much_cut_as_what_stands_there(store: Store) -> None:
    def rows(*events: dict[str, Any]) -> list[dict[str, Any]]:
        records = wood(tree_events=list(events))
        records["mother_trees"][0] |= {"kind": "bank", "planted": dt.date(2010, 3, 1)}
        with holding(store, records) as connection:
            return outlook_of(connection, first=2027, seasons=3, tree="T1").to_rows()

    before, after = rows(), rows(event("T1", "replanted", "2026-03-01"))
    assert after[0]["capacity"] == 0
    assert 0 < after[1]["capacity"] < after[2]["capacity"]
    assert before[0]["capacity"] > 0
    assert before[0]["pressure"] > after[0]["pressure"] == 0


def test_an_increase_tree_that_comes_of_age_in_a_season_may_be_cut_to_a_day(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Settings, "today", lambda _: dt.date(2026, 12, 1))
    records = wood()
    records["mother_trees"][0] |= {"kind": "increase", "planted": dt.date(2024, 2, 10)}
    with holding(store, records) as connection:
        now, later, _ = outlook_of(connection, first=2027, seasons=3, tree="T1").to_rows()
    assert (now["eligible"], now["cut_by"]) == (True, dt.date(2027, 2, 10))
    assert (later["eligible"], later["cut_by"]) == (False, None)


def test_what_an_owner_allows_bounds_what_is_cut_of_all_trees_in_the_block(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Settings, "today", lambda _: dt.date(2025, 12, 1))
    permit = {"permission": "P1", "host": "H1", "block": "N1", "most_sticks": 60}
    permit |= {"valid_from": dt.date(2024, 1, 1), "valid_until": dt.date(2027, 3, 1)}
    records = wood(permissions=[permit])
    for tree in records["mother_trees"]:
        tree |= {"kind": "bank", "block": "N1"}
    with holding(store, records) as connection:
        found = outlook_of(connection, first=2026, seasons=3)
    # 77 were cut in 2026 already; in 2028 there is no permission any more.
    assert {each.supply.allowed[0].most[:2] for each in found.trees} == {(0, 60)}
    assert [row["most_to_cut"] for row in found.to_rows()][:3] == [0, 60, 0]
    assert [row["eligible"] for row in found.to_rows()][:3] == [True, True, False]


@pytest.mark.parametrize("season", [2027, 2028])
def test_a_season_opens_on_its_first_day(season: int) -> None:
    for number in range(366):
        first_day = f"{dt.date(2024, 1, 1) + dt.timedelta(number):%m-%d}"
        settings = Settings(season_first_day=first_day)
        day = opens(season, settings)
        assert settings.season(day) == season
        assert settings.season(day - dt.timedelta(days=1)) == season - 1
