"""No two answers about the same thing contradict each other, whatever the registry holds.

Registries are drawn at random, with trees that died, were held, grafted over or came under notice,
rights, permissions, wood that was thrown away and lots found off; then every answer that says
whether something may be used is asked on the same days, and compared with the judgement.
"""

import datetime as dt
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_registries import Rows, bundle, collection, holding, lot

from scionreg import storing
from scionreg.cutting import outlook
from scionreg.judgement import Judge
from scionreg.judgement.recorded import against_uses
from scionreg.lineage.judged_books import SpokenOf
from scionreg.lineage.trace import trace
from scionreg.mapping import told
from scionreg.records.vocabulary import Against, IdentityStatus
from scionreg.registry.store import Store
from scionreg.vouching import statuses

EVENTS = ("hold", "released", "notice", "died", "topworked", "regrew_below_union", "replanted")
DAYS = st.dates(dt.date(2024, 1, 1), dt.date(2026, 11, 1))
SIDES = {
    IdentityStatus.WRONG: Against.WRONG,
    IdentityStatus.DEAD: Against.DEAD,
    IdentityStatus.RETIRED: Against.RETIRED,
}


@st.composite
def registries(draw: st.DrawFn) -> Rows:
    """Draw a registry of four trees, a cutting, a bundle and a lot each, and what befell them."""
    trees = [f"T{number}" for number in range(1, 5)]
    maybe = st.none() | DAYS
    records: Rows = {
        "cultivars": [
            {
                "cultivar": name,
                "species": "Carya illinoinensis",
                "rights": draw(st.sampled_from([None, "none", "patent"])),
                "rights_until": draw(maybe),
                "licence_no": draw(st.sampled_from([None, "L-1"])),
            }
            for name in ("Aldern", "Birkwood")
        ],
        "people": [{"person": f"P{number}"} for number in range(1, 4)],
        "blocks": [{"block": "N1"}, {"block": "AB"}],
        "stores": [{"store": "S1"}],
        "rootstock_lots": [{"rootstock_lot": "R1"}],
        "mother_trees": [
            {
                "tree": tree,
                "cultivar": draw(st.sampled_from(["Aldern", "Birkwood"])),
                "kind": draw(st.sampled_from(["bank", "bearing", "increase"])),
                "planted": draw(st.none() | st.dates(dt.date(2022, 6, 1), dt.date(2024, 1, 1))),
                "status": draw(st.sampled_from([None, "usable", "resting", "retired", "dead"])),
                "block": "AB",
                "row": 1,
                "position": number,
                "latitude": 45.0 + number / 10_000,
                "longitude": 5.0,
            }
            for number, tree in enumerate(trees, start=1)
        ],
        "collections": [
            collection(
                f"C{n}",
                tree,
                date=draw(DAYS),
                sticks=20,
                share_cut=draw(st.sampled_from([None, 0.1, 0.9])),
            )
            for n, tree in enumerate(trees, start=1)
        ],
        "tree_events": draw(
            st.lists(
                st.fixed_dictionaries(
                    {
                        "tree": st.sampled_from(trees),
                        "date": maybe,
                        "event": st.sampled_from(EVENTS),
                        "limb": st.sampled_from([None, None, "N"]),
                    }
                ),
                max_size=5,
                unique_by=lambda each: (each["tree"], each["date"], each["event"], each["limb"]),
            )
        ),
        "permissions": draw(
            st.lists(
                st.fixed_dictionaries(
                    {
                        "tree": st.sampled_from(trees),
                        "valid_from": maybe,
                        "valid_until": maybe,
                        "most_sticks": st.sampled_from([None, 10]),
                    }
                ),
                max_size=2,
            )
        ),
    }
    for number, each in enumerate(records["permissions"]):
        each |= {"permission": f"M{number}", "host": "H-1"}
    records["bundles"] = [
        bundle(f"B{n}", collection=f"C{n}", packed=cut["date"], store="S1", sticks=20)
        for n, cut in enumerate(records["collections"], start=1)
    ]
    records["bundle_log"] = [
        {"bundle": f"B{n}", "time": dt.datetime.combine(day, dt.time(9), dt.UTC), "event": what}
        for n, (day, what) in enumerate(
            draw(
                st.lists(
                    st.tuples(DAYS, st.sampled_from(["hold", "released", "discarded"])), max_size=4
                )
            ),
            start=1,
        )
    ]
    records["graft_lots"] = [
        lot(f"G{n}", f"B{n}", row=n, date=cut["date"] + dt.timedelta(days=60))
        for n, cut in enumerate(records["collections"], start=1)
    ]
    records["identity_checks"] = [
        {
            "check": f"K{number}",
            "item": draw(st.sampled_from([*trees, "G1", "G2", "G3/2", "B1"])),
            "date": draw(maybe),
            "method": draw(st.sampled_from(["dna", "fruit", "leaf", "bud"])),
            "checked": 4,
            "off": draw(st.sampled_from([0, 0, 1, 4])),
            "found": None,
        }
        for number in range(draw(st.integers(0, 3)))
    ]
    return records


def given_registries(test: Any) -> Any:
    return settings(max_examples=15)(given(registries(), DAYS)(test))


@given_registries
def test_every_answer_about_a_tree_is_the_judgement(
    store: Store, records: Rows, day: dt.date
) -> None:
    with holding(store, records) as connection:
        judge = Judge(connection)
        today = judge.trees()
        planned = {each.tree: each for each in outlook(connection, seasons=1).trees}
        mapped = told(connection, ("eligible",))
        known = {each.tree: each for each in statuses(connection).trees}
        for tree, may in today.items():
            assert mapped["eligible"][tree] == may.may
            if not may.may:
                assert mapped["why"][tree] == may.why
            # What bars it on the day bars it for the season, but what ends before that is over.
            season = {each.code for each in may.bars} - {Against.PERMISSION}
            if not planned[tree].supply.eligible[0]:
                assert planned[tree].why_not[0]
            else:
                assert not season
            side = SIDES.get(known[tree].status)
            if side is not None:
                assert side in {each.code for each in may.bars}
        then = judge.trees(on=day)
        again = Judge(connection, day).trees()
        assert {code: each.to_dict() for code, each in then.items()} == {
            code: each.to_dict() for code, each in again.items()
        }


@given_registries
def test_every_answer_about_wood_and_its_lots_is_the_judgement(
    store: Store, records: Rows, day: dt.date
) -> None:
    with holding(store, records) as connection:
        judge = Judge(connection)
        bundles = judge.bundles()
        asked = storing.report(connection, list(bundles), at=judge.moment()).bundles
        for each in asked:
            assert [r.says for r in bundles[each.bundle].bars] == list(each.may_not_be_used)
        free = {each.bundle for each in storing.report(connection, now=True).bundles}
        for code in free & bundles.keys():
            assert Against.GONE not in {each.code for each in bundles[code].bars}
        lots = judge.lots([each["graft_lot"] for each in records["graft_lots"]])
        for code, may in lots.items():
            found = trace(connection, code)
            if may.has(Against.RELATIVES, Against.WRONG):
                assert found.contradictions, may.reasons


@given_registries
def test_what_was_recorded_against_it_is_told_by_the_same_words(
    store: Store, records: Rows, day: dt.date
) -> None:
    with holding(store, records) as connection:
        judge = Judge(connection)
        told_of = {(problem.kind, problem.key): problem for _, problem in against_uses(connection)}
        for cut in records["collections"]:
            on_the_day = judge.trees([cut["tree"]], on=cut["date"], limb="", dateless=False)
            may = on_the_day[cut["tree"]]
            problem = told_of.get(("collections", cut["collection"]))
            if may.bars:
                assert problem is not None
                assert all(reason.says in problem.wrong for reason in may.bars)


@pytest.mark.parametrize("code", ["G24-0104-8", "D25-0077-2/G24-0104-8", "G24-0030-9"])
def test_sisters_of_trees_found_off_are_told_of_everywhere(demo: str, run: Any, code: str) -> None:
    lot_code = code.rpartition("/")[2]
    traced = run("trace", code, "--registry", demo)
    assert "looks at other trees of C24-0047-1 speak against its name" in traced.out
    assert "certain by its records, but something recorded speaks against it" in traced.out
    assert "offtype" in traced.err
    from scionreg.api import Registry

    with Registry.open(demo) as registry, registry.store.reading() as connection:
        assert Judge(connection).lots([lot_code])[lot_code].has(Against.RELATIVES)


@given_registries
def test_a_quick_look_over_all_uses_misses_none_that_judging_each_would_tell(
    store: Store, records: Rows, day: dt.date
) -> None:
    """The naive twin judges every use; the product first asks which may be told at all."""
    with holding(store, records) as connection:
        quick = {problem for _, problem in against_uses(connection)}
        judge = Judge(connection)
        everything = [[each[key] for each in records[kind]] for kind, key in CODES]
        judge.__dict__["spoken_of"] = SpokenOf(*map(frozenset, everything))
        assert quick == {problem for _, problem in against_uses(connection, judge=judge)}


CODES = (
    ("collections", "collection"),
    ("bundles", "bundle"),
    ("graft_lots", "graft_lot"),
    ("graft_lots", "graft_lot"),
)
