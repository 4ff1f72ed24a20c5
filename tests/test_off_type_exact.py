"""Every probability of the off-type reasoning equals plain enumeration of the stated model."""

import datetime as dt
import itertools
import math
import random
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scionreg.identity import far_mixes, states
from scionreg.identity.answer import named, off_type
from scionreg.identity.chain import LOT, Chain, Name
from scionreg.identity.evidence import Evidence, was_off
from scionreg.identity.looks import Reports
from scionreg.identity.network import Eliminator, Factor, log_value, order_of
from scionreg.identity.off_type import OffType
from scionreg.identity.question import Question
from scionreg.identity.sights import Sights
from scionreg.identity.states import Space
from scionreg.lineage.identity_books import (
    Check,
    Cut,
    IdentityBooks,
    Neighbour,
    Sent,
    Stem,
    Tied,
    Worked,
)
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from tests.naive_off_type import NaiveQuestion

DAY = dt.date(2026, 3, 1)
CULTIVARS = dict.fromkeys(("Amber", "Birk", "Corl"), "Malus domestica")
VALUES = OffTypeValues(
    tree_is_other=0.1, other_tree_cut=0.05, lots_exchanged=0.02, bundles_exchanged=0.03,
    changeover=0.05, dispatches_exchanged=0.04, day_shifted=0.04, bundle_mixed=0.03,
    exchanged_at_most=0.05, rootstock_grew=0.05,
)  # fmt: skip
"""Failures common enough that each of them matters in the sums."""


@pytest.fixture(autouse=True)
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tell few shares apart, so that all joint states can be written out."""
    monkeypatch.setattr(states, "SHARES", (0.4, 1.0))


@st.composite
def looks(draw: st.DrawFn, items: list[str], lots: dict[str, Worked]) -> tuple[Check, ...]:
    """A few small looks."""
    found = []
    for i in range(draw(st.integers(1, 4))):
        item = draw(st.sampled_from(items))
        checked = draw(st.integers(1, 2))
        off = draw(st.integers(0, checked))
        what = draw(st.sampled_from(["Birk", "other", "rootstock", "sport", "unknown"]))
        positions: tuple[int, ...] = ()
        looked: tuple[int, ...] = ()
        if item in lots and draw(st.booleans()):
            looked = tuple(draw(st.permutations(list(lots[item].positions())))[:checked])
            positions = looked[:off]
        method = draw(st.sampled_from(["leaf", "dna", "fruit"]))
        same = draw(st.sampled_from([None, *(each.check for each in found if each.item == item)]))
        found.append(
            Check(f"K{i}", item, dt.date(2026, 8, 1 + i), method, checked, off,
                  what if off else None, None, looked, positions, same)
        )  # fmt: skip
    return tuple(found)


@st.composite
def mixes(draw: st.DrawFn) -> IdentityBooks:
    """Two cuttings or one of one tree, or of two cultivars, tied into one bundle, and lots."""
    two = draw(st.booleans())
    other = "Birk" if two and draw(st.booleans()) else "Amber"
    second = "T1" if other == "Amber" else "T2"
    neighbours = (Neighbour("T2", "Birk", 0.6), Neighbour("T3", "Amber", 0.4))
    limb = draw(st.sampled_from([None, "east"])) if not two else None
    cuts = {
        "C1": Cut("C1", "T1", "Amber", limb, DAY, "P1", draw(st.sampled_from([(), neighbours])))
    }
    if two:
        cuts["C2"] = Cut("C2", second, other, None, DAY, "P2")
    share = draw(st.sampled_from([0.3, 0.5]))
    excess = draw(st.sampled_from([None, 0.3]))
    bundles = {
        "B1": Tied("B1", "Amber", "C1"),
        "B2": Tied("B2", other, "C2" if two else "C1"),
        "B3": Tied("B3", "Amber", None, (("B1", share), ("B2", 1 - share)), excess=excess),
    }
    lots = {"G1": Worked("G1", "B3", "Amber", "P1", DAY, 6, lives_too_much=draw(st.booleans()))}
    if not two and limb is None:
        lots["G2"] = Worked("G2", "B2", "Amber", "P2", DAY, 5, 1, 5)
    checks = draw(looks([*lots, "T1", "B2", "C1"], lots))
    return IdentityBooks(
        {"T1": Stem("T1", "T1", "Amber", draw(st.booleans())), "T2": Stem("T2", "T2", "Birk")},
        cuts, bundles, lots, (), checks, (), CULTIVARS,
    )  # fmt: skip


@st.composite
def benches(draw: st.DrawFn) -> IdentityBooks:
    """Lots of two cultivars worked one after the other, from bundles packed together."""
    day = DAY if draw(st.booleans()) else None
    bundles = {
        "B1": Tied("B1", "Amber", None, (), DAY, "P3", "S1"),
        "B2": Tied("B2", "Birk", None, (), DAY, "P3", "S1"),
    }
    lots = {
        "G1": Worked("G1", "B1", "Amber", "P1", DAY, 5, 1, 5, None, "G2"),
        "G2": Worked("G2", "B2", "Birk", "P1", DAY, 4, 6, 9, "G1", None),
    }
    if draw(st.booleans()):
        lots["G3"] = Worked("G3", "B1", "Amber", "P2", DAY, 4)
    if draw(st.booleans()):
        # Never in the network itself, but its wood may have run on.
        bundles["B4"] = Tied("B4", "Corl", None)
        lots["G4"] = Worked("G4", "B4", "Corl", "P9", DAY, 5)
        lots["G2"] = lots["G2"]._replace(after="G4")
    sent = (
        Sent("D1", "G1", day, 2, "CU1", 1, 2),
        Sent("D2", "G2", day, 2, "CU2", *draw(st.sampled_from([(None, None), (6, 7)]))),
    )
    checks = draw(looks(["G1", "G2", "D1", "D2", "B1"], lots))
    return IdentityBooks({}, {}, bundles, lots, sent, checks, (), CULTIVARS)


@st.composite
def rows(draw: st.DrawFn) -> IdentityBooks:
    """Two trees side by side, cut the same day by the same hand."""
    stems = {"T1": Stem("T1", "T1", "Amber"), "T2": Stem("T2", "T2", "Birk")}
    cuts = {
        "C1": Cut("C1", "T1", "Amber", None, DAY, "P1", (Neighbour("T2", "Birk", 1),), None, "T2"),
        "C2": Cut("C2", "T2", "Birk", None, DAY, "P1", (Neighbour("T1", "Amber", 1),), "T1", None),
    }
    bundles = {"B1": Tied("B1", "Amber", "C1")}
    lots = {"G1": Worked("G1", "B1", "Amber", "P1", DAY, 5)}
    checks = draw(looks(["G1", "T1", "T2", "C2"], lots))
    return IdentityBooks(stems, cuts, bundles, lots, (), checks, (), CULTIVARS)


@st.composite
def generations(draw: st.DrawFn) -> IdentityBooks:
    """A tree grown here, under the same label or another, and wood of it."""
    label = draw(st.sampled_from(["Amber", "Birk"]))
    books = IdentityBooks(
        {"T1": Stem("T1", "T1", label, False, "G1", 3)},
        {"C1": Cut("C1", "T1", label, None, DAY, "P1")},
        {"B1": Tied("B1", "Amber", None), "B2": Tied("B2", label, "C1")},
        {
            "G1": Worked("G1", "B1", "Amber", "P1", dt.date(2020, 3, 1), 5),
            "G2": Worked("G2", "B2", label, "P2", DAY, 5),
        },
        cultivars=CULTIVARS,
    )
    checks = draw(looks(["G1", "G2", "T1"], books.lots))
    return IdentityBooks(
        books.stems, books.cuts, books.bundles, books.lots, (), checks, (), CULTIVARS
    )


@settings(max_examples=200, suppress_health_check=list(HealthCheck))
@given(st.one_of(mixes(), benches(), rows(), generations()), st.data())
def test_probabilities_equal_enumeration(books: IdentityBooks, data: st.DataObject) -> None:
    rates = IdentityValues()
    space = Space(named(books))
    chain = Chain(books, space, VALUES)
    sights = Sights(chain, VALUES)
    asked = Name(LOT, data.draw(st.sampled_from(sorted(books.lots.keys() - {"G4"}))))
    about = was_off
    if data.draw(st.booleans()):
        position = data.draw(st.sampled_from(list(books.lots[asked.code].positions())))
        sights.notice(asked, position)

        def about(seen: object) -> bool:
            return seen.position == position

    reports = Reports(space, rates, VALUES)
    question = Question(chain, sights, Evidence(reports, VALUES.stick_run), VALUES, asked, about)
    naive = NaiveQuestion(chain, sights, reports, VALUES, asked, about, question.links)
    found = question.probabilities()
    assert math.isclose(sum(found.values()), 1.0, rel_tol=1e-12)
    for origin in {*found, *naive.origins}:
        assert found.get(origin, 0.0) == pytest.approx(naive.origins.get(origin, 0.0), abs=1e-9)
    states_of = question.states([list(found)])
    for name in question.links:
        assert states_of[name][0] == pytest.approx(naive.states[name], abs=1e-9), name


@given(st.integers(2, 6), st.randoms(use_true_random=False))
def test_elimination_equals_the_joint_table(size: int, source: random.Random) -> None:
    """Sums and marginals of random factors, and of two outcomes that share most of them."""
    draw = np.random.default_rng(source.getrandbits(32))
    names = [f"v{i}" for i in range(size)]
    scopes = [sorted(draw.choice(size, draw.integers(1, min(4, size + 1)), replace=False))
              for _ in range(size + 2)]  # fmt: skip
    tables = [draw.random((3,) * len(scope)) for scope in scopes]
    tables += [draw.random(3) for _ in names]
    scopes += [[i] for i in range(size)]
    other = draw.random(3)
    eliminator: Eliminator = Eliminator()
    factors = [
        Factor(tuple(names[i] for i in scope), table)
        for scope, table in zip(scopes, tables, strict=True)
    ]
    changed = [*factors[:-1], Factor((names[-1],), other)]
    ways = [eliminator.eliminate(each, draw.permutation(names)) for each in (factors, changed)]
    found = eliminator.marginals([dict.fromkeys(way, 1.0) for way in ways])
    for way, last, row in zip(ways, (tables[-1], other), (0, 1), strict=True):
        joint = np.zeros((3,) * size)
        for state in itertools.product(range(3), repeat=size):
            joint[state] = last[state[-1]]
            for scope, table in zip(scopes[:-1], tables[:-1], strict=True):
                joint[state] *= table[tuple(state[i] for i in scope)]
        assert log_value(way) == pytest.approx(math.log(joint.sum()), abs=1e-10)
        for i, name in enumerate(names):
            others = tuple(k for k in range(size) if k != i)
            assert found[name][row] == pytest.approx(
                joint.sum(axis=others) / joint.sum(), abs=1e-12
            )


@pytest.mark.parametrize("seed", range(4))
def test_wood_equals_a_library_of_bayesian_networks(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Larger networks of trees, cuttings, bundles tied again and again, and lots; by pyAgrum."""
    monkeypatch.setattr(states, "SHARES", (0.25, 0.6, 1.0))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its bindings, on import
        import pyagrum

    books = _nursery(random.Random(seed))
    space = Space(named(books))
    chain = Chain(books, space, VALUES)
    sights = Sights(chain, VALUES)
    evidence = Evidence(Reports(space, IdentityValues(), VALUES), VALUES.stick_run)
    links = chain.upward(Name(LOT, code) for code in books.lots)
    network, soft = pyagrum.BayesNet(), {}
    number = {
        name: network.add(pyagrum.LabelizedVariable(f"v{i}", "", space.size))
        for i, name in enumerate(links)
    }
    eliminator: Eliminator = Eliminator()
    factors = []
    for name, link in links.items():
        for source in link.sources:
            network.addArc(number[source], number[name])
    for name, link in links.items():
        table = np.asarray(link.step.table)
        for states_of in itertools.product(range(space.size), repeat=len(link.sources)):
            given_states = {
                f"v{number[source]}": state
                for source, state in zip(link.sources, states_of, strict=True)
            }
            row = table[states_of] / table[states_of].sum()
            network.cpt(number[name])[given_states or slice(None)] = row.tolist()
        factors.append(Factor((*link.sources, name), table))
        if sights.looked(name):
            vector, _ = evidence.likelihood(sights.of(name))
            factors.append(Factor((name,), vector))
            soft[number[name]] = vector.tolist()
    engine = pyagrum.LazyPropagation(network)
    engine.setEvidence(soft)
    engine.makeInference()
    order, _ = order_of(each.variables for each in factors)
    ours = eliminator.marginals([dict.fromkeys(eliminator.eliminate(factors, order), 1.0)])
    for name, each in number.items():
        assert ours[name][0] == pytest.approx(engine.posterior(each).toarray(), abs=1e-9), name


def _nursery(draw: random.Random) -> IdentityBooks:
    """Three trees, seven cuttings, bundles tied together at random over two rounds, 24 lots."""
    stems = {f"T{i}": Stem(f"T{i}", f"T{i}", "Amber") for i in range(3)}
    cuts = {}
    for i in range(7):
        limb = draw.choice([None, "east"])
        cuts[f"C{i}"] = Cut(f"C{i}", f"T{draw.randrange(3)}", "Amber", limb, DAY, "P1")
    bundles = {f"B{i}": Tied(f"B{i}", "Amber", f"C{i % 7}") for i in range(10)}
    for i in range(10, 14):
        parents = draw.sample(sorted(bundles), draw.randint(2, 3))
        shares = [draw.random() + 0.1 for _ in parents]
        parts = tuple((p, s / sum(shares)) for p, s in zip(parents, shares, strict=True))
        bundles[f"B{i}"] = Tied(f"B{i}", "Amber", None, parts)
    lots = {
        f"G{i}": Worked(f"G{i}", draw.choice(sorted(bundles)), "Amber", f"P{i}", DAY, 20)
        for i in range(24)
    }
    checks = []
    for i, code in enumerate(draw.sample(sorted(lots), 12)):
        checked = draw.randint(1, 12)
        off = draw.choice([0, 0, draw.randint(0, checked)])
        what = draw.choice(["Birk", "other", "unknown"]) if off else None
        checks.append(Check(f"K{i}", code, DAY, "leaf", checked, off, what))
    return IdentityBooks(stems, cuts, bundles, lots, (), tuple(checks), (), CULTIVARS)


def test_taking_far_mixes_apart_hardly_moves_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten trees in a ring, each tied with the next by two re-bundles, all lots looked at."""
    trees = range(10)
    stems = {f"T{i}": Stem(f"T{i}", f"T{i}", "Amber") for i in trees}
    cuts = {f"C{i}": Cut(f"C{i}", f"T{i}", "Amber", None, DAY, "P1") for i in trees}
    bundles = {f"B{i}{n}": Tied(f"B{i}{n}", "Amber", f"C{i}") for i in trees for n in range(3)}
    for i, n in itertools.product(trees, range(2)):
        parts = ((f"B{i}{n}", 0.5), (f"B{(i + 1) % 10}{n}", 0.5))
        bundles[f"M{i}{n}"] = Tied(f"M{i}{n}", "Amber", None, parts)
    lots = {f"G{code}": Worked(f"G{code}", code, "Amber", "P1", DAY, 20) for code in bundles}
    checks = [
        Check(f"K{code}", code, DAY, "leaf", 10, 8 if code in ("GB00", "GB02") else 0, "Birk")
        for code in lots
    ]
    books = IdentityBooks(stems, cuts, bundles, lots, (), tuple(checks), (), CULTIVARS)
    exact = off_type(books, "GB02", values=VALUES)
    monkeypatch.setattr(far_mixes, "LARGEST", 400)
    near = off_type(books, "GB02", values=VALUES)
    assert not exact.taken_apart
    assert near.taken_apart

    def chances(answer: OffType) -> dict[str, float]:
        return {str(each.named()): each.probability for each in answer.causes}

    assert chances(near) == pytest.approx(chances(exact), abs=1e-6)
