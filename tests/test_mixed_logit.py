"""Random-effects logistic regression of take, against published fits and plainer reckoning."""

import csv
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import optimize, special

from scionreg.records.errors import RegistryError
from scionreg.take.laplace import Laplace
from scionreg.take.mixed_logit import Factor, Fit, _memberships, fit

DATA = Path(__file__).parent / "data"

SEEDS = {  # taken and grafts, here: seeds that germinated of seeds, by plate
    (0, 0): ([10, 23, 23, 26, 17], [39, 62, 81, 51, 39]),
    (0, 1): ([5, 53, 55, 32, 46, 10], [6, 74, 72, 51, 79, 13]),
    (1, 0): ([8, 10, 8, 23, 0], [16, 30, 28, 45, 4]),
    (1, 1): ([3, 22, 15, 32, 3], [12, 41, 30, 51, 7]),
}
"""Crowder 1978, Appl. Stat. 27:34-37, Table 3: Orobanche seeds by seed type and root extract."""


def seeds() -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    rows = [
        (r, n, 1, seed, extract, seed * extract)
        for (seed, extract), (taken, grafts) in SEEDS.items()
        for r, n in zip(taken, grafts, strict=True)
    ]
    table = np.array(rows, dtype=float)
    return table[:, 0], table[:, 1], table[:, 2:]


def one_each(name: str, number: int) -> Factor:
    return Factor.of(name, [f"{name}{i:03}" for i in range(number)])


def naive_deviance(
    taken: NDArray[Any],
    grafts: NDArray[Any],
    x: NDArray[Any],
    z: NDArray[Any],
    beta: NDArray[Any],
    sd: NDArray[Any],
) -> float:
    """Return the Laplace deviance from its definition, with dense matrices."""
    wide = z * sd

    def minus_log(v: NDArray[Any]) -> tuple[float, NDArray[Any]]:
        eta = x @ beta + wide @ v
        worth = taken @ eta - grafts @ np.logaddexp(0, eta) - v @ v / 2
        return -worth, v - wide.T @ (taken - grafts * special.expit(eta))

    best = optimize.minimize(
        minus_log, np.zeros(z.shape[1]), jac=True, method="BFGS", options={"gtol": 1e-10}
    )
    chance = special.expit(x @ beta + wide @ best.x)
    bend = np.eye(z.shape[1]) + wide.T @ (wide * (grafts * chance * (1 - chance))[:, None])
    choose = special.gammaln(grafts + 1) - special.gammaln(taken + 1)
    choose -= special.gammaln(grafts - taken + 1)
    return 2 * float(best.fun) - 2 * float(choose.sum()) + float(np.linalg.slogdet(bend)[1])


def drawn(seed: int, lots: int = 30, shared: bool = True) -> tuple[Any, ...]:
    """Return counts with two crossed factors, of which one is shared out where asked."""
    rng = np.random.default_rng(seed)
    grafts = rng.integers(5, 40, lots).astype(float)
    x = np.column_stack([np.ones(lots), rng.normal(size=lots)])
    hand = Factor.of("hand", [f"P{i}" for i in rng.integers(5, size=lots)])
    first, second = rng.integers(4, size=lots), 4 + rng.integers(3, size=lots)
    mixed = rng.random(lots) < (0.3 if shared else 0.0)
    tree = Factor(
        "tree",
        tuple(f"T{i}" for i in range(7)),
        np.concatenate([np.arange(lots), np.flatnonzero(mixed)]),
        np.concatenate([first, second[mixed]]),
        np.concatenate([np.where(mixed, 0.7, 1.0), np.full(mixed.sum(), 0.3)]),
    )
    effects = rng.normal(0, 0.7, 7)
    eta = 0.8 + 0.3 * x[:, 1] + effects[first] * np.where(mixed, 0.7, 1)
    taken = rng.binomial(grafts.astype(int), special.expit(eta + rng.normal(0, 0.3, lots)))
    return taken.astype(float), grafts, x, [hand, tree]


# Published fits


def test_the_seeds_are_fitted_as_lme4_fits_them() -> None:
    # Crowder's data; lme4's glmer with nAGQ = 1: -0.5485, 0.0974, 1.3368, -0.8100, sd 0.2346.
    taken, grafts, x = seeds()
    names = ["intercept", "seed", "extract", "both"]
    found = fit(taken, grafts, x, [one_each("plate", 21)], fixed_names=names)
    assert found.converged, found.message
    assert list(found.beta.values()) == pytest.approx([-0.5485, 0.0974, 1.3368, -0.8100], abs=2e-4)
    assert found.sd["plate"] == pytest.approx(0.2346, abs=2e-4)


def hickory() -> list[dict[str, str]]:
    with (DATA / "hickory_grafts_1923.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def fit_hickory() -> Fit:
    rows = hickory()
    taken = [float(row["catches"]) for row in rows]
    grafts = [float(row["grafts_set"]) for row in rows]
    source = Factor.of("source", [row["scion_variety"] for row in rows])
    stock = Factor.of("stock", [row["stock"] for row in rows])
    ones = np.ones((len(rows), 1))
    return fit(taken, grafts, ones, [source, stock], fixed_names=["intercept"])


def test_the_hickories_of_1923_blame_the_source_and_not_the_stock() -> None:
    # W. G. Bixby 1924, Northern Nut Growers Association; the fit as lme4's (Laplace).
    found = fit_hickory()
    assert found.converged, found.message
    assert found.beta["intercept"] == pytest.approx(0.374, abs=2e-3)
    assert found.sd["source"] == pytest.approx(1.183, abs=2e-3)
    assert found.sd["stock"] == pytest.approx(0.0, abs=1e-6)
    effects = found.to_frame().set_index("level")["effect"]
    for level, effect in {"Barnes": 2.05, "Siers": 1.20, "Manahan": -1.38, "Vest": -1.51}.items():
        assert effects[level] == pytest.approx(effect, abs=0.01)
    assert found.to_dict()["effects"]["stock"][0]["effect"] == pytest.approx(0.0, abs=1e-6)


# The deviance and its gradient


@pytest.mark.parametrize("seed", range(4))
def test_the_deviance_is_laplaces_by_its_definition(seed: int) -> None:
    taken, grafts, x, factors = drawn(seed)
    memberships, factor = _memberships(factors, len(taken))
    model = Laplace(taken, grafts, x, np.zeros(len(taken)), memberships, factor)
    for beta, sd in (([0.8, 0.2], [0.3, 0.7]), ([0.1, -0.4], [1.2, 0.05]), ([0.5, 0.0], [0, 0.4])):
        point = model.at(np.array(beta), np.array(sd, dtype=float))
        wide = np.array(sd, dtype=float)[factor]
        plain = naive_deviance(taken, grafts, x, memberships.toarray(), np.array(beta), wide)
        assert point.deviance == pytest.approx(plain, abs=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_the_gradient_is_exact(seed: int) -> None:
    taken, grafts, x, factors = drawn(seed)
    memberships, factor = _memberships(factors, len(taken))
    model = Laplace(taken, grafts, x, np.zeros(len(taken)), memberships, factor)
    at = np.array([0.6, 0.1, 0.4, 0.8])

    def deviance(values: NDArray[Any]) -> float:
        return model.at(values[:2], values[2:]).deviance

    point = model.at(at[:2], at[2:])
    exact = np.concatenate([point.by_beta, point.by_sd])
    # Central differences of two steps, such that the third derivative drops out.
    near, far = (
        np.array([deviance(at + each) - deviance(at - each) for each in step * np.eye(4)])
        for step in (1e-3, 2e-3)
    )
    assert exact == pytest.approx((8 * near - far) / 12e-3, rel=1e-7, abs=1e-7)


def test_the_likelihood_of_one_factor_is_near_its_integral() -> None:
    taken, grafts = np.array([12.0, 20, 7]), np.array([30.0, 26, 22])
    found = fit(taken, grafts, np.ones((3, 1)), [one_each("lot", 3)], sd={"lot": 0.6})
    at, weights = np.polynomial.hermite_e.hermegauss(60)
    beta = found.beta["fixed_1"]
    chance = special.expit(beta + 0.6 * at)
    whole = 0.0
    for y, n in zip(taken, grafts, strict=True):
        choose = special.comb(n, y)
        each = choose * chance**y * (1 - chance) ** (n - y)
        whole += np.log(each @ weights / weights.sum())
    assert found.log_likelihood == pytest.approx(whole, abs=0.02)


def test_the_likelihood_of_crossed_factors_is_near_its_integral() -> None:
    taken, grafts = np.array([12.0, 20, 7, 15]), np.array([20.0, 26, 22, 19])
    one = Factor.of("one", ["a", "a", "b", "b"])
    other = Factor.of("other", ["x", "y", "x", "y"])
    sd = {"one": 0.5, "other": 0.4}
    found = fit(taken, grafts, np.ones((4, 1)), [one, other], sd=sd)
    at, weights = np.polynomial.hermite_e.hermegauss(24)
    weights = weights / weights.sum()
    whole = 0.0
    for i, j, k, m in product(range(24), repeat=4):
        eta = found.beta["fixed_1"] + np.array(
            [
                0.5 * at[i] + 0.4 * at[k],
                0.5 * at[i] + 0.4 * at[m],
                0.5 * at[j] + 0.4 * at[k],
                0.5 * at[j] + 0.4 * at[m],
            ]
        )
        weight = weights[i] * weights[j] * weights[k] * weights[m]
        if weight > 1e-12:
            whole += weight * np.exp(taken @ eta - grafts @ np.logaddexp(0, eta))
    chosen = np.log(whole) + np.log(special.comb(grafts, taken)).sum()
    assert found.log_likelihood == pytest.approx(chosen, abs=0.03)


# What must not matter


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_lots_and_levels_changes_nothing(seed: int, shuffle: Any) -> None:
    taken, grafts, x, factors = drawn(seed)
    order = list(range(len(taken)))
    shuffle.shuffle(order)
    place = np.argsort(order)
    moved = [
        Factor(
            each.name,
            each.levels[::-1],
            place[each.lots],
            len(each.levels) - 1 - each.members,
            each.shares,
        )
        for each in factors
    ]
    one = fit(taken, grafts, x, factors)
    other = fit(taken[order], grafts[order], x[order], moved)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-4)
    assert other.sd == pytest.approx(one.sd, abs=5e-3)
    assert other.effects["tree"].values[::-1] == pytest.approx(one.effects["tree"].values, abs=1e-2)


def test_a_share_of_one_is_a_plain_membership_and_held_deviations_are_held() -> None:
    taken, grafts, x, _ = drawn(5, shared=False)
    labels = [f"T{i % 6}" for i in range(len(taken))]
    plain = Factor.of("tree", labels)
    halves = Factor(
        "tree",
        plain.levels,
        np.repeat(plain.lots, 2),
        np.repeat(plain.members, 2),
        np.repeat(plain.shares / 2, 2),
    )
    one = fit(taken, grafts, x, [plain], sd={"tree": 0.4})
    assert one.sd == {"tree": 0.4}
    whole = fit(taken, grafts, x, [halves], sd={"tree": 0.4})
    assert whole.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-9)
    assert whole.effects["tree"].values == pytest.approx(one.effects["tree"].values, abs=1e-9)
    with_halves = Factor(
        "tree", plain.levels, plain.lots, plain.members, np.full(len(plain.lots), 0.5)
    )
    doubled = fit(taken, grafts, x, [with_halves], sd={"tree": 0.8})
    assert doubled.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-6)


def test_errors_are_those_of_fixed_and_random_effects_together() -> None:
    # Henderson 1975, Biometrics 31:423-447: the inverse of the joint equations, here at the mode.
    taken, grafts, x, factors = drawn(6)
    found = fit(taken, grafts, x, factors, sd={"hand": 0.5, "tree": 0.7})
    memberships, factor = _memberships(factors, len(taken))
    both = np.hstack([x, memberships.toarray()])
    chance = special.expit(found.fitted)
    joint = both.T @ (both * (grafts * chance * (1 - chance))[:, None])
    joint += np.diag(np.concatenate([[0.0, 0.0], 1 / np.array([0.5, 0.7])[factor] ** 2]))
    errors = np.sqrt(np.diag(np.linalg.inv(joint)))
    assert list(found.beta_se.values()) == pytest.approx(errors[:2], rel=1e-6)
    assert [*found.effects["hand"].se, *found.effects["tree"].se] == pytest.approx(errors[2:])


def test_errors_allow_for_a_deviation_that_is_estimated() -> None:
    # Kass & Steffey 1989, JASA 84:717-726, by hand: an effect b = s u has the variance s² v at the
    # deviation s, moves by 2 v b with log s, whose own variance is about 1 / (2 Σ (1 - v)²).
    taken, grafts, x, (_, tree) = drawn(6)
    known = fit(taken, grafts, x, [tree]).beta
    offset = x @ np.array([*known.values()])
    free = fit(taken, grafts, np.empty((len(taken), 0)), [tree], offset=offset)
    held = fit(taken, grafts, np.empty((len(taken), 0)), [tree], offset=offset, sd=free.sd)
    s, b = free.sd["tree"], held.effects["tree"].values
    v = (held.effects["tree"].se / s) ** 2
    of_log_s = 1 / (2 * max(((1 - v) ** 2).sum(), 0.5))
    expected = np.sqrt(s**2 * v + (2 * v * b) ** 2 * of_log_s)
    assert s > 0.1
    assert free.effects["tree"].se == pytest.approx(expected, rel=1e-3)
    assert (expected > 1.01 * held.effects["tree"].se).any()


def test_a_factor_of_one_level_is_left_to_the_intercept() -> None:
    taken, grafts, x, (hand, _) = drawn(3)
    alone = fit(taken, grafts, x, [hand])
    beside = fit(taken, grafts, x, [hand, Factor.of("nursery", ["N"] * len(taken))])
    assert beside.converged, beside.message
    assert beside.sd["nursery"] == 0
    assert beside.log_likelihood == pytest.approx(alone.log_likelihood, abs=1e-6)


def test_a_held_deviation_at_its_estimate_gives_the_same_fit() -> None:
    taken, grafts, x, factors = drawn(2)
    free = fit(taken, grafts, x, factors)
    held = fit(taken, grafts, x, factors, sd=free.sd)
    assert held.beta == pytest.approx(free.beta, abs=1e-3)
    assert held.log_likelihood == pytest.approx(free.log_likelihood, abs=1e-5)
    seen: list[tuple[int, int]] = []
    fit(taken, grafts, x, factors, progress=lambda done, total: seen.append((done, total)))
    assert seen
    assert all(done <= total for done, total in seen)


def test_an_offset_moves_the_intercept() -> None:
    taken, grafts, x, factors = drawn(3)
    plain = fit(taken, grafts, x, factors)
    moved = fit(taken, grafts, x, factors, offset=np.full(len(taken), 0.7))
    assert moved.beta["fixed_1"] == pytest.approx(plain.beta["fixed_1"] - 0.7, abs=1e-3)


def test_an_intercept_may_be_known() -> None:
    taken, grafts, x, factors = drawn(3)
    plain = fit(taken, grafts, x[:, :1], factors)
    known = np.full(len(taken), plain.beta["fixed_1"])
    found = fit(taken, grafts, x[:, :0], factors, offset=known)
    assert found.beta == {}
    assert found.sd == pytest.approx(plain.sd, abs=1e-3)
    assert found.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-5)


# Bad data


def test_what_all_took_has_no_finite_estimate_and_says_so() -> None:
    grafts = np.full(12, 20.0)
    group = np.repeat([0.0, 1.0], 6)
    taken = np.where(group == 1, 20.0, [10, 12, 9, 14, 11, 13] * 2)
    x = np.column_stack([np.ones(12), group])
    found = fit(taken, grafts, x, [one_each("lot", 12)], sd={"lot": 0.2})
    assert not found.converged
    assert "no finite estimate" in found.message


@pytest.mark.parametrize(
    ("taken", "grafts", "said"),
    [
        ([], [], "no lot has grafts"),
        ([0.0, 0], [0.0, 0], "no lot has grafts"),
        ([5.0, 1], [4.0, 3], "between 0 and its grafts"),
        ([0.0, 0], [4.0, 3], "nothing took"),
        ([4.0, 3], [4.0, 3], "everything took"),
        ([4.0], [4.0, 3], "one row a lot"),
    ],
)
def test_counts_that_cannot_be_fitted_are_refused(
    taken: list[float], grafts: list[float], said: str
) -> None:
    with pytest.raises(RegistryError, match=said):
        fit(taken, grafts, np.ones((len(taken), 1)), [one_each("lot", len(taken))])


def test_factors_that_cannot_be_fitted_are_refused() -> None:
    taken, grafts, x, (hand, tree) = drawn(1)
    with pytest.raises(RegistryError, match="at least one factor"):
        fit(taken, grafts, x, [])
    nobody = Factor.of("nobody", [None] * len(taken))
    with pytest.raises(RegistryError, match="no lot has a known nobody"):
        fit(taken, grafts, x, [nobody])
    with pytest.raises(RegistryError, match="name of its own"):
        fit(taken, grafts, x, [hand, hand])
    with pytest.raises(RegistryError, match="no standard deviation is given for tree"):
        fit(taken, grafts, x, [hand, tree], sd={"hand": 0.3})
    with pytest.raises(RegistryError, match="cannot be below zero"):
        fit(taken, grafts, x, [hand], sd={"hand": -0.3})
    twice = np.column_stack([x, x[:, 1] * 2])
    with pytest.raises(RegistryError, match="follow from the others"):
        fit(taken, grafts, twice, [hand])
    heavy = Factor("hand", hand.levels, hand.lots, hand.members, hand.shares * 2)
    with pytest.raises(RegistryError, match="between 0 and 1"):
        fit(taken, grafts, x, [heavy])
    astray = Factor("hand", hand.levels, hand.lots, hand.members + 9, hand.shares)
    with pytest.raises(RegistryError, match="not there"):
        fit(taken, grafts, x, [astray])


def test_a_lot_without_grafts_tells_nothing() -> None:
    taken, grafts, x, factors = drawn(4, shared=False)
    labels = [f"P{i % 4}" for i in range(len(taken))]
    one = fit(taken, grafts, x, [Factor.of("hand", labels)])
    more = fit(
        np.append(taken, 0.0),
        np.append(grafts, 0.0),
        np.vstack([x, [1.0, 3.0]]),
        [Factor.of("hand", [*labels, "P9"])],
    )
    assert more.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-5)
    assert more.effects["hand"].values[-1] == pytest.approx(0.0, abs=1e-9)
    assert len(factors) == 2
