"""Random-effects logistic regression of take: fixed effects, and random intercepts of many factors.

Nested, crossed and shared factors are all the same: a lot belongs to levels by share. Estimates are
of maximum likelihood in the Laplace approximation (`scionreg.take.laplace`), the fixed effects
among them; a standard deviation may come out as zero.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize, sparse
from threadpoolctl import threadpool_limits

from scionreg.records.errors import RegistryError
from scionreg.take.inverse import Floats
from scionreg.take.laplace import Laplace, Point

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int], None]

START = 0.5
"""Standard deviation of every factor to begin with."""
SCORING = 8
"""Most scoring steps before the quasi-Newton search."""
EXPECTED = 15
"""Evaluations that a fit usually takes, for progress."""
MOST = 300
"""Evaluations after which a fit gives up."""
ENOUGH = 1e-3
"""Gradient, in estimates' own standard errors, at which the search ends."""
CONVERGED = 0.01
"""Gradient up to which the estimates are called converged."""
UNBOUNDED = 25.0
"""Standard error, in logits, beyond which a fixed effect has no finite estimate."""
NEAR_ZERO = 0.02
"""Standard deviations below are compared with zero."""


@dataclass(frozen=True, eq=False)
class Factor:
    """Random intercepts of one factor; a lot may belong to several levels by share.

    `lots`, `members` and `shares`, (k,), hold one membership each: the lot's row number, the
    level's number, and the share, a fraction of 1. The shares of one lot sum to at most 1.
    """

    name: str
    levels: tuple[str, ...]
    lots: NDArray[Any]
    members: NDArray[Any]
    shares: NDArray[Any]

    @classmethod
    def of(cls, name: str, labels: Sequence[str | None]) -> Self:
        """Return the factor in which each lot belongs to one level, or with None to no level."""
        lots = [lot for lot, label in enumerate(labels) if label is not None]
        levels = tuple(sorted({str(labels[lot]) for lot in lots}))
        number = {level: i for i, level in enumerate(levels)}
        members = [number[str(labels[lot])] for lot in lots]
        return cls(
            name,
            levels,
            np.array(lots, dtype=np.int32),
            np.array(members, dtype=np.int32),
            np.ones(len(lots)),
        )


@dataclass(frozen=True, eq=False)
class Effects:
    """The random intercepts of one factor, in logits."""

    levels: tuple[str, ...]
    values: Floats
    """Conditional modes, (levels,)."""
    se: Floats
    """Posterior standard deviations, unsure fixed effects and deviations allowed for, (levels,)."""


@dataclass(frozen=True, eq=False)
class Fit:
    """Estimates in logits. `beta_se` and the effects' `se` hold at the estimated deviations.

    `log_likelihood` is the Laplace approximation of the log likelihood of the counts, binomial
    coefficients included. `fitted` is the linear predictor, (lots,). `converged` says whether the
    estimates can be used, and `message` in words why, or why not.
    """

    beta: dict[str, float]
    beta_se: dict[str, float]
    sd: dict[str, float]
    log_likelihood: float
    effects: dict[str, Effects]
    fitted: Floats
    converged: bool
    message: str
    iterations: int

    def to_frame(self) -> "pd.DataFrame":
        """Return a row for each random intercept: factor, level, effect, se."""
        import pandas as pd

        frames = [
            pd.DataFrame(
                {
                    "factor": np.repeat(np.array([name], dtype=object), len(each.levels)),
                    "level": np.array(each.levels, dtype=object),
                    "effect": each.values,
                    "se": each.se,
                }
            )
            for name, each in self.effects.items()
        ]
        columns = ["factor", "level", "effect", "se"]
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "beta": dict(self.beta),
            "beta_se": dict(self.beta_se),
            "sd": dict(self.sd),
            "log_likelihood": self.log_likelihood,
            "effects": {
                name: [
                    {"level": level, "effect": value, "se": se}
                    for level, value, se in zip(
                        each.levels, each.values.tolist(), each.se.tolist(), strict=True
                    )
                ]
                for name, each in self.effects.items()
            },
            "fitted": self.fitted.tolist(),
            "converged": self.converged,
            "message": self.message,
            "iterations": self.iterations,
        }


def fit(
    taken: ArrayLike,
    grafts: ArrayLike,
    fixed: ArrayLike,
    factors: Sequence[Factor],
    *,
    fixed_names: Sequence[str] | None = None,
    sd: Mapping[str, float] | None = None,
    offset: ArrayLike | None = None,
    progress: Progress | None = None,
) -> Fit:
    """Fit the logit of take to fixed effects and random intercepts.

    Parameters
    ----------
    taken, grafts
        Grafts that grew, and grafts made, (lots,). A lot of no grafts tells nothing and is allowed.
    fixed
        Design matrix, (lots, p), with its column of ones where an intercept is wanted.
    factors
        The random intercepts.
    fixed_names
        Names of the columns of `fixed`, else `fixed_1`, `fixed_2` and so on.
    sd
        Standard deviation of each factor, in logits, to be held; None to estimate them.
    offset
        Known part of the logit, (lots,).
    progress
        Called after each evaluation with how many were done, and how many are expected in all.

    Raises
    ------
    RegistryError
        The data cannot be fitted: no lots, impossible counts, nothing or everything took, columns
        that say the same, a factor without lots. A search that does not end well raises nothing:
        see `Fit.converged`.

    """
    model, names = _checked(taken, grafts, fixed, factors, fixed_names, offset)
    held = _held(factors, sd)
    search = _Search(model, len(factors), held, progress)
    # Vectors of this length are done before a second thread of BLAS has woken up.
    with threadpool_limits(limits=1, user_api="blas"):
        point = search.run()
        return _told(point, factors, names, search)


def _checked(
    taken: ArrayLike,
    grafts: ArrayLike,
    fixed: ArrayLike,
    factors: Sequence[Factor],
    fixed_names: Sequence[str] | None,
    offset: ArrayLike | None,
) -> tuple[Laplace, tuple[str, ...]]:
    """Return the model and the names of its fixed effects, or say what is wrong with the data."""
    y, n = np.asarray(taken, dtype=float), np.asarray(grafts, dtype=float)
    x = np.asarray(fixed, dtype=float)
    if y.ndim != 1 or y.shape != n.shape or x.ndim != 2 or len(x) != len(y):
        raise RegistryError(
            f"counts and fixed effects do not fit together: taken {y.shape}, grafts {n.shape}, "
            f"fixed {x.shape}; one row a lot is needed"
        )
    if not n.sum() > 0:
        raise RegistryError("no lot has grafts, so there is no take to compare")
    if not np.all((y >= 0) & (y <= n)):
        raise RegistryError("each lot's taken must lie between 0 and its grafts")
    if y.sum() in (0, n.sum()):
        what = "nothing" if y.sum() == 0 else "everything"
        raise RegistryError(f"{what} took in any of the lots, so no lot can be told from another")
    known = np.zeros(len(y)) if offset is None else np.asarray(offset, dtype=float)
    if known.shape != y.shape or not (np.isfinite(known).all() and np.isfinite(x).all()):
        raise RegistryError("fixed effects and offset must be known numbers, one row a lot")
    names = tuple(fixed_names or (f"fixed_{i + 1}" for i in range(x.shape[1])))
    if len(names) != x.shape[1] or len(set(names)) != len(names):
        raise RegistryError("each fixed effect needs a name of its own")
    _refuse_repeats(x[n > 0], names)
    memberships, factor = _memberships(factors, len(y))
    return Laplace(y, n, x, known, memberships, factor), names


def _refuse_repeats(x: Floats, names: tuple[str, ...]) -> None:
    """Refuse columns that follow from the others."""
    if not names:
        return
    sizes = np.linalg.norm(x, axis=0)
    triangle, order = linalg.qr(x / np.where(sizes > 0, sizes, 1), mode="r", pivoting=True)
    steps = np.abs(np.diag(triangle))
    rank = int((steps > 1e-9).sum())
    if rank < len(names):
        which = ", ".join(sorted(names[i] for i in order[rank:]))
        raise RegistryError(f"fixed effects that follow from the others: {which}; leave them out")


def _memberships(
    factors: Sequence[Factor], lots: int
) -> tuple[sparse.csr_array, NDArray[np.int32]]:
    """Return Z, (lots, levels of all factors), and the factor's number of each of its columns."""
    if not factors:
        raise RegistryError("take needs at least one factor to vary by")
    if len({each.name for each in factors}) != len(factors):
        raise RegistryError("each factor needs a name of its own")
    for each in factors:
        rows, members, shares = map(np.asarray, (each.lots, each.members, each.shares))
        if not len(rows) or not len(rows) == len(members) == len(shares):
            raise RegistryError(f"no lot has a known {each.name}, so it cannot be a factor")
        if not (0 <= rows.min() <= rows.max() < lots) or not (
            0 <= members.min() <= members.max() < len(each.levels)
        ):
            raise RegistryError(f"{each.name}: a membership of a lot or level that is not there")
        if not np.all(shares >= 0) or np.bincount(rows, weights=shares).max() > 1 + 1e-9:
            raise RegistryError(f"{each.name}: the shares of a lot must lie between 0 and 1 in all")
    sizes = [len(each.levels) for each in factors]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int32)
    rows = np.concatenate([each.lots for each in factors]).astype(np.int32)
    placed = [each.members + start for each, start in zip(factors, starts, strict=False)]
    columns = np.concatenate(placed).astype(np.int32)
    shares = np.concatenate([each.shares for each in factors]).astype(float)
    made = sparse.csr_array((shares, (rows, columns)), shape=(lots, int(starts[-1])))
    return made, np.repeat(np.arange(len(factors), dtype=np.int32), sizes)


def _held(factors: Sequence[Factor], sd: Mapping[str, float] | None) -> Floats | None:
    """Return the standard deviations to be held, in the order of the factors."""
    if sd is None:
        return None
    if missing := [each.name for each in factors if each.name not in sd]:
        raise RegistryError(f"no standard deviation is given for {', '.join(missing)}")
    held = np.array([sd[each.name] for each in factors], dtype=float)
    if not np.all((held >= 0) & np.isfinite(held)):
        raise RegistryError("standard deviations cannot be below zero")
    return held


class _Search:
    """The way to the highest likelihood.

    Scoring steps bring the estimates near; L-BFGS, in units of their standard errors, to the end.
    The deviance is an even function of each standard deviation, so that zero is no boundary: a step
    beyond it is a step back.
    """

    def __init__(
        self, model: Laplace, factors: int, held: Floats | None, progress: Progress | None
    ) -> None:
        self.model, self.factors, self.held = model, factors, held
        self.progress = progress
        self.done = 0
        self.best: Point | None = None

    def run(self) -> Point:
        """Return the best point."""
        point = self._score()
        if len(self._gradient(point)):
            point = self._finish(point)
        return self._with_zeros(point)

    def slope(self, point: Point) -> float:
        """Return the largest slope, in units of the estimates' standard errors."""
        scaled = linalg.solve_triangular(self._scale(point), self._gradient(point), trans="T")
        return float(np.abs(scaled).max(initial=0)) / 2

    def _at(self, beta: Floats, sd: Floats) -> Point:
        point = self.model.at(beta, sd)
        self.done += 1
        if self.progress:
            self.progress(self.done, max(EXPECTED, self.done))
        return point

    def _gradient(self, point: Point) -> Floats:
        """Return the gradient by what is estimated."""
        free = point.by_sd if self.held is None else np.empty(0)
        return np.concatenate([point.by_beta, free])

    def _scale(self, point: Point) -> Floats:
        """Return R, upper triangular, with R'R half the deviance's second derivative, nearly."""
        half = [np.atleast_2d(_definite(point.information))] if len(point.beta) else []
        if self.held is None:
            half.append(np.diag(2 * np.maximum(point.curvature, 0.5) / _not_zero(point.sd) ** 2))
        found: Floats = linalg.cholesky(linalg.block_diag(*half)) if half else np.empty((0, 0))
        return found

    def _score(self) -> Point:
        """Return a point near the best, by scoring, as if the second derivative were known."""
        sd = np.full(self.factors, START) if self.held is None else self.held
        point = self._at(self._first_beta(), sd)
        for _ in range(SCORING):
            if self.slope(point) < 1:
                break
            beta, sd = point.beta, point.sd
            if len(beta):
                ahead = linalg.solve(_definite(point.information), point.by_beta, assume_a="pos")
                beta = beta - np.clip(ahead / 2, -3, 3)
            if self.held is None:
                by_log = point.by_sd * sd / 2
                sd = sd * np.exp(-np.clip(by_log / np.maximum(point.curvature, 0.5) / 2, -1, 1))
            ahead_point = self._at(beta, sd)
            if ahead_point.deviance >= point.deviance:
                break
            point = ahead_point
        return point

    def _first_beta(self) -> Floats:
        """Return fixed effects to begin with: least squares of the lots' empirical logits."""
        model = self.model
        logits = np.log((model.taken + 0.5) / (model.grafts - model.taken + 0.5)) - model.offset
        root = np.sqrt(model.grafts)
        found = np.linalg.lstsq(root[:, None] * model.fixed, root * logits, rcond=None)[0]
        return found.astype(np.float64)

    def _finish(self, start: Point) -> Point:
        """Return the best point from a start near it."""
        scale = self._scale(start)
        many = len(start.beta)
        origin = np.concatenate([start.beta, start.sd if self.held is None else []])
        best = start

        def deviance(x: Floats) -> tuple[float, Floats]:
            nonlocal best
            moved = origin + linalg.solve_triangular(scale, x)
            point = self._at(moved[:many], moved[many:] if self.held is None else start.sd)
            best = min(best, point, key=lambda each: each.deviance)
            slope = linalg.solve_triangular(scale, self._gradient(point), trans="T")
            return (point.deviance - start.deviance) / 2, slope / 2

        optimize.minimize(
            deviance,
            np.zeros(len(origin)),
            jac=True,
            method="L-BFGS-B",
            options={"gtol": ENOUGH, "ftol": 1e-13, "maxfun": MOST, "maxcor": 20},
        )
        return best

    def _with_zeros(self, point: Point) -> Point:
        """Return the point with each standard deviation at zero that is as likely so."""
        if self.held is not None:
            return point
        for factor in np.flatnonzero((np.abs(point.sd) < NEAR_ZERO) & (point.sd != 0)):
            sd = point.sd.copy()
            sd[factor] = 0.0
            without = self._at(point.beta, sd)
            if without.deviance <= point.deviance + 1e-6:
                point = without
        return point


def _not_zero(sd: Floats) -> Floats:
    return np.maximum(np.abs(sd), 1e-3)


def _definite(information: Floats) -> Floats:
    """Return the information of the fixed effects, a little added where they hardly have any."""
    found: Floats = information + 1e-9 * np.eye(len(information))
    return found


def _told(point: Point, factors: Sequence[Factor], names: tuple[str, ...], search: _Search) -> Fit:
    """Return the estimates with the words for how the search ended."""
    sd = np.abs(point.sd)
    scale = point.sd[search.model.factor]
    values = scale * point.modes
    ends = np.cumsum(search.model.levels)[:-1]
    spread = np.linalg.inv(_definite(point.information)) if names else np.empty((0, 0))
    beta_se = np.sqrt(np.diag(spread))
    drawn = scale**2 * point.variances + np.einsum(
        "lp,pq,lq->l", point.follows, spread, point.follows
    )
    if search.held is None:
        # Kass and Steffey 1989, JASA 84:717-726: an effect moves with its deviation, which is
        # estimated too; shrunken as one is, by its own share of what it is not told.
        unsure = 2.0 / np.maximum(point.curvature, 0.5)
        drawn += (values * point.variances) ** 2 * unsure[search.model.factor]
    se = np.sqrt(drawn)
    slope = search.slope(point)
    unbounded = [name for name, each in zip(names, beta_se, strict=True) if each > UNBOUNDED]
    if unbounded:
        message = f"no finite estimate for {', '.join(unbounded)}: all or none of its grafts took"
    elif not point.settled:
        message = "the random effects were not found: their search did not end"
    elif slope > CONVERGED:
        message = f"stopped before the highest likelihood: slope {slope:.2g} standard errors"
    else:
        message = f"converged: slope {slope:.1g} standard errors after {search.done} evaluations"
    parts = zip(factors, np.split(values, ends), np.split(se, ends), strict=True)
    return Fit(
        beta=dict(zip(names, point.beta.tolist(), strict=True)),
        beta_se={name: float(each) for name, each in zip(names, beta_se, strict=True)},
        sd={each.name: float(value) for each, value in zip(factors, sd, strict=True)},
        log_likelihood=-0.5 * point.deviance,
        effects={each.name: Effects(each.levels, own, own_se) for each, own, own_se in parts},
        fitted=point.predictor,
        converged=not unbounded and point.settled and slope <= CONVERGED,
        message=message,
        iterations=search.done,
    )
