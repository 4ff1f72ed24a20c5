"""The Laplace approximation of the likelihood of counts with crossed random intercepts.

Lot i has y of n growing, logit p = offset + X beta + Z S v, with v standard normal and S the
standard deviation of each level's factor. With v at its mode and H = I + S Z'WZ S there,

    deviance = -2 log binomial(y | n, p) + v'v + log |H|

(Breslow and Clayton 1993, JASA 88:9-25; in this form, where a standard deviation may be zero,
Bates, Mächler, Bolker and Walker 2015, J Stat Softw 67(1)). The gradient is exact: it holds that
the mode and with it W follow beta and S.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse, special

from scionreg.take.inverse import Floats
from scionreg.take.sparse import RandomBlock

STEPS = 60
"""Most steps towards the mode; a dozen are usual."""
AT_MODE = 1e-20
"""The mode is found when the next step's squared length, in posterior deviations, is below."""
NEAR_MODE = 1e-12
"""What will do where rounding allows no better."""
STALE = 0.1
"""A step that shortens the next one's square by less than this asks for a new factorisation."""


@dataclass(frozen=True, eq=False, slots=True)
class Point:
    """The deviance at one beta and sd, its gradient, and what was met on the way.

    `information` is the precision of beta, (p, p), at these standard deviations; `follows` how each
    effect S v at the mode follows beta, (levels, p); `curvature`, (f,), approximates the second
    derivative of the deviance by the logarithm of each squared deviation.
    """

    beta: Floats
    sd: Floats
    deviance: float
    by_beta: Floats
    by_sd: Floats
    information: Floats
    follows: Floats
    curvature: Floats
    modes: Floats
    """v, (levels,)."""
    variances: Floats
    """Diagonal of the inverse of H, (levels,)."""
    predictor: Floats
    """logit p, (lots,)."""
    settled: bool
    """Whether the mode was reached."""


class Laplace:
    """The deviance of given counts as a function of fixed effects and standard deviations."""

    def __init__(
        self,
        taken: Floats,
        grafts: Floats,
        fixed: Floats,
        offset: Floats,
        memberships: sparse.csr_array,
        factor: NDArray[np.int32],
    ) -> None:
        """Take counts, (lots,), X, (lots, p), Z, (lots, levels), and each level's factor number."""
        self.taken, self.grafts, self.fixed, self.offset = taken, grafts, fixed, offset
        self.memberships, self.factor = memberships, factor
        self.levels = np.bincount(factor, minlength=int(factor.max(initial=-1)) + 1)
        self._block = RandomBlock(memberships)
        self._constant = -2.0 * float(
            np.sum(
                special.gammaln(grafts + 1)
                - special.gammaln(taken + 1)
                - special.gammaln(grafts - taken + 1)
            )
        )
        self._effects = np.zeros(len(factor))  # S v of the last mode: where the next search begins

    def at(self, beta: Floats, sd: Floats) -> Point:
        """Return the deviance and its gradient; sd below zero count as their absolute value."""
        scale = sd[self.factor]
        modes, settled = self._mode(beta, scale)
        predictor = self._predictor(beta, scale * modes)
        chance = special.expit(predictor)
        weights = self.grafts * chance * (1 - chance)
        self._block.factorise(weights, scale)
        variances, leverages = self._block.inverse()
        deviance = (
            self._constant
            - 2.0 * self._log_likelihood(predictor)
            + float(modes @ modes)
            + self._block.log_determinant()
        )
        # How log |H| bends with the predictor, and the mode's answer to it.
        bends = leverages * weights * (1 - 2 * chance)
        answer = self._block.solve(scale * (self.memberships.T @ bends))
        answered = weights * (self.memberships @ (scale * answer))
        residual = self.taken - self.grafts * chance
        information, follows = self._information(weights, scale)
        by_factor = self._sum(1 - modes**2 - variances + answer * modes)
        by_sd = 2 * np.divide(by_factor, sd, out=np.zeros_like(sd), where=sd != 0)
        return Point(
            beta=beta,
            sd=sd,
            deviance=deviance,
            by_beta=self.fixed.T @ (bends - answered - 2 * residual),
            by_sd=by_sd,
            information=information,
            follows=follows,
            curvature=self._sum((1 - variances) ** 2),
            modes=modes,
            variances=variances,
            predictor=predictor,
            settled=settled,
        )

    def _sum(self, each: Floats) -> Floats:
        """Return the sums over the levels of each factor."""
        return np.bincount(self.factor, each, len(self.levels)).astype(np.float64)

    def _predictor(self, beta: Floats, effects: Floats) -> Floats:
        found: Floats = self.offset + self.fixed @ beta + self.memberships @ effects
        return found

    def _log_likelihood(self, predictor: Floats) -> float:
        """Return the log likelihood without its constant."""
        softplus = np.maximum(predictor, 0) + np.log1p(np.exp(-np.abs(predictor)))
        return float(self.taken @ predictor - self.grafts @ softplus)

    def _mode(self, beta: Floats, scale: Floats) -> tuple[Floats, bool]:
        """Return v where the penalised likelihood is highest, by Newton's method.

        A factorisation serves for as many steps as it brings on: near the mode W hardly changes.
        """
        modes = np.divide(self._effects, scale, out=np.zeros_like(scale), where=scale != 0)
        height, gradient, weights = self._climb(beta, scale, modes)
        before = np.inf if self._block.factorised else 0.0
        left = np.inf
        for _ in range(STEPS):
            if before == 0.0:
                self._block.factorise(weights, scale)
            step = self._block.solve(gradient)
            left = float(gradient @ step)
            if left <= AT_MODE * len(modes):
                break
            if before and left > STALE * before:
                before = 0.0
                continue
            length = 1.0
            while True:
                height_there, gradient, weights = self._climb(beta, scale, modes + length * step)
                if height_there > height - 1e-9 * (1 + abs(height)) or length < 1e-6:
                    break
                length /= 2
            modes, height, before = modes + length * step, height_there, left
        self._effects = scale * modes
        return modes, left <= NEAR_MODE * len(modes)

    def _climb(self, beta: Floats, scale: Floats, modes: Floats) -> tuple[float, Floats, Floats]:
        """Return the penalised log likelihood at v, its gradient by v, and W."""
        predictor = self._predictor(beta, scale * modes)
        chance = special.expit(predictor)
        upwards = scale * (self.memberships.T @ (self.taken - self.grafts * chance)) - modes
        height = self._log_likelihood(predictor) - 0.5 * float(modes @ modes)
        return height, upwards, self.grafts * chance * (1 - chance)

    def _information(self, weights: Floats, scale: Floats) -> tuple[Floats, Floats]:
        """Return X'WX less what the random effects take up of it, and how these follow beta."""
        weighted = weights[:, None] * self.fixed
        shared: Any = scale[:, None] * (self.memberships.T @ weighted)
        solved = [self._block.solve(column) for column in shared.T.copy()]
        taken_up = np.array(solved).reshape(len(solved), len(scale)).T
        information: Floats = self.fixed.T @ weighted - shared.T @ taken_up
        return information, -scale[:, None] * taken_up
