"""How strongly counts speak for a shift of some lots: Laplace's approximation, lot by lot.

The logit of each lot's take is normal beforehand: a mean, and a covariance summed over what lots
have in common. A cause shifts its lots by a normal amount, which only adds to both. Algebra as in
Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, algorithms 3.1 and 3.2.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from scipy import linalg, optimize, sparse
from scipy.special import expit

from scionreg.records.fixed_values import WHY

Array = np.ndarray[Any, np.dtype[Any]]

ROUNDS = 60
"""Newton steps at most; a handful is usual."""


class Part(NamedTuple):
    """One thing lots have in common: `shares` (lots by levels), and how much it varies.

    `sd` is its natural standard deviation in logit, `freedom` how far it may stray, on the log.
    Shares are dense where levels are few: their products are, too.
    """

    name: str
    shares: Array | sparse.csr_array
    sd: float
    freedom: float


class Mode(NamedTuple):
    """The likeliest logits; `log_evidence` but for the binomial coefficients.

    `residual` is taken less expected; `weight` the binomial variance; `factor` the Cholesky factor
    of I + √weight · covariance · √weight.
    """

    logits: Array
    residual: Array
    weight: Array
    factor: Array
    log_evidence: float


@dataclass(frozen=True, eq=False)
class Ground:
    """Counts of n lots, and what is expected of them: mean (n,) and covariance (n, n), logit."""

    taken: Array
    grafts: Array
    mean: Array
    covariance: Array
    start: Array | float = 0.0
    """Where Newton's method begins, as `Mode.residual`: a neighbouring ground's mode is near."""

    @cached_property
    def mode(self) -> Mode:
        """Return the likeliest logits, by Newton's method with halved steps."""
        alpha = np.zeros_like(self.mean) + self.start
        logits = self.mean + self.covariance @ alpha
        best = self._log_joint(logits, alpha)
        for _ in range(ROUNDS):
            chance = expit(logits)
            weight = np.maximum(self.grafts * chance * (1 - chance), 1e-10)
            root = np.sqrt(weight)
            factor = _factor(root, self.covariance)
            force = weight * (logits - self.mean) + self.taken - self.grafts * chance
            inner = linalg.cho_solve((factor, True), root * (self.covariance @ force))
            step = force - root * inner - alpha
            size, before = 1.0, best
            while True:
                tried = alpha + size * step
                at = self.mean + self.covariance @ tried
                best = self._log_joint(at, tried)
                if best >= before or size < 1e-4:
                    break
                size /= 2
            alpha, logits = tried, at
            if best - before < 1e-7:
                break
        return self._at(logits, alpha)

    def _log_joint(self, logits: Array, alpha: Array) -> float:
        likelihood = self.taken @ logits - self.grafts @ np.logaddexp(0, logits)
        return float(likelihood - alpha @ (logits - self.mean) / 2)

    def _at(self, logits: Array, alpha: Array) -> Mode:
        chance = expit(logits)
        weight = np.maximum(self.grafts * chance * (1 - chance), 1e-10)
        factor = _factor(np.sqrt(weight), self.covariance)
        evidence = self._log_joint(logits, alpha) - float(np.log(np.diag(factor)).sum())
        return Mode(logits, self.taken - self.grafts * chance, weight, factor, evidence)

    @cached_property
    def precision(self) -> Array:
        """Return the inverse of (covariance + 1/weight), (n, n), at the mode."""
        root = np.sqrt(self.mode.weight)
        half = linalg.solve_triangular(self.mode.factor, np.diag(root), lower=True)
        found: Array = half.T @ half
        return found

    def shifted(self, lots: Array, shift: float, sd: float) -> "Ground":
        """Return the ground on which lots, by share, are shifted by about `shift`."""
        return replace(
            self,
            mean=self.mean + shift * lots,
            covariance=self.covariance + sd**2 * np.outer(lots, lots),
            start=self.mode.residual,
        )

    def shift_of(self, lots: Array, shift: float, sd: float) -> float:
        """Return the likeliest shift of `lots`, where this is the ground shifted by them."""
        return float(shift + sd**2 * (lots @ self.mode.residual))

    def screen(self, lots: sparse.csc_array, shift: float, sd: float) -> Array:
        """Return the log Bayes factor of a shift of each column of `lots`, (n, c), by one step.

        Exact were the counts normal about the mode; good enough to choose what to reckon fully.
        """
        spread = np.asarray((lots.multiply(self.precision @ lots)).sum(axis=0)).ravel()
        pull = lots.T @ self.mode.residual
        more = 1 / sd**2
        gain = (pull + shift * more) ** 2 / (spread + more) - shift**2 * more
        found: Array = (gain - np.log1p(sd**2 * spread)) / 2
        return found


def _factor(root: Array, covariance: Array) -> Array:
    """Return the lower Cholesky factor of I + root · covariance · root."""
    within = covariance * root[:, None] * root[None, :]
    within[np.diag_indices_from(within)] += 1.0
    found: Array = linalg.cholesky(within, lower=True, overwrite_a=True, check_finite=False)
    return found


def covariance_of(parts: Sequence[Part], sds: Sequence[float] | Array) -> Array:
    """Return the covariance of the lots' logits, (n, n)."""
    dense: list[Array] = []
    loose: list[sparse.csr_array] = []
    for part, sd in zip(parts, sds, strict=True):
        (loose if sparse.issparse(part.shares) else dense).append(part.shares * sd)
    found: Array = np.zeros((parts[0].shares.shape[0],) * 2)
    if dense:
        common = np.hstack(dense)
        found += common @ common.T
    for shares in loose:
        product = (shares @ shares.T).tocoo()
        found[product.row, product.col] += product.data
    return found


def ground_of(
    taken: Array, grafts: Array, mean: Array, parts: Sequence[Part], rounds: int = WHY.sd_rounds
) -> tuple[Ground, dict[str, float]]:
    """Return the ground on which causes are judged, and the standard deviations it stands on.

    These are held near natural values: the likeliest ones with a normal prior on their logarithms,
    reckoned on the normal counts about the mode, twice over. Set free, they would grow until one
    bad hand of five were nothing unusual.
    """
    start = np.log([part.sd for part in parts])
    freedom = np.array([part.freedom for part in parts])
    logs = start.copy()
    ground = Ground(taken, grafts, mean, covariance_of(parts, np.exp(logs)))
    for _ in range(rounds):
        weight = ground.mode.weight
        pulled = ground.mode.logits - mean + ground.mode.residual / weight

        def minus_log(
            at: Array, noise: Array = 1 / weight, pulled: Array = pulled
        ) -> tuple[float, Array]:
            return _minus_log_normal(at, parts, noise, pulled, start, freedom)

        logs = optimize.minimize(
            minus_log, logs, jac=True, method="L-BFGS-B", options={"maxiter": 8, "ftol": 1e-5}
        ).x
        ground = Ground(taken, grafts, mean, covariance_of(parts, np.exp(logs)))
    names = [part.name for part in parts]
    return ground, dict(zip(names, np.exp(logs).tolist(), strict=True))


def _minus_log_normal(
    logs: Array, parts: Sequence[Part], noise: Array, pulled: Array, start: Array, freedom: Array
) -> tuple[float, Array]:
    """Return minus the log posterior of log standard deviations for normal data, and its slope."""
    whole = covariance_of(parts, np.exp(logs))
    whole[np.diag_indices_from(whole)] += noise
    factor = linalg.cholesky(whole, lower=True, overwrite_a=True, check_finite=False)
    inverse, _ = linalg.lapack.dpotri(factor, lower=1)
    inverse += np.tril(inverse, -1).T
    alpha = inverse @ pulled
    far = (logs - start) / freedom
    worth = np.log(np.diag(factor)).sum() + (alpha @ pulled + far @ far) / 2
    slope = far / freedom
    for at, part in enumerate(parts):
        within = inverse @ part.shares
        trace = (
            part.shares.multiply(within).sum()
            if sparse.issparse(part.shares)
            else np.einsum("ij,ij", part.shares, within)
        )
        drawn = part.shares.T @ alpha
        slope[at] += np.exp(2 * logs[at]) * (trace - drawn @ drawn)
    return float(worth), slope
