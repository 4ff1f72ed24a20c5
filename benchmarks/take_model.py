"""The model of take at full size, beside lme4's glmer and glmmTMB in R.

    python -m benchmarks.take_model [--lots 5000 15000 50000] [--quick] [--exact]

Lots are drawn with effects of 2,000 mother trees, 20,000 collections (each of one tree), 30
grafters and 200 rootstock lots (fewer trees and collections for fewer lots), standard deviations
.6, .4, .5 and .3, and one yes-or-no covariate, beta 1.2 and -0.3. Every fit runs in a process of
its own; CPU seconds are of all its threads, without starting up. Ours runs once more with 3 % of
the lots shared by three collections of one cultivar of 40. glmer runs with nAGQ = 0, whose CPU is
the peer's, and with --exact with nAGQ = 1, whose estimates are. Without R (r-cran-lme4 and
r-cran-glmmtmb) ours runs alone, and that is said.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scionreg.take.mixed_logit import Factor, fit

SD = {"tree": 0.6, "collection": 0.4, "grafter": 0.5, "stock": 0.3}
BETA = (1.2, -0.3)
MIXED = 0.03
CULTIVARS = 40

R_SCRIPT = """
args <- commandArgs(trailingOnly = TRUE)
options(digits = 12)
d <- read.csv(args[1])
for (name in c("tree", "collection", "grafter", "stock")) d[[name]] <- factor(d[[name]])
form <- cbind(taken, grafts - taken) ~ x + (1|tree) + (1|collection) + (1|grafter) + (1|stock)
start <- proc.time()
if (args[2] == "glmmTMB") {
  suppressMessages(library(glmmTMB))
  start <- proc.time()
  m <- glmmTMB(form, data = d, family = binomial)
  sds <- sapply(VarCorr(m)$cond, function(v) sqrt(v[1, 1])); beta <- fixef(m)$cond
} else {
  suppressMessages(library(lme4))
  start <- proc.time()
  agq <- as.integer(args[3])
  m <- glmer(form, data = d, family = binomial, nAGQ = agq,
             control = glmerControl(calc.derivs = FALSE))
  sds <- sapply(VarCorr(m), function(v) sqrt(v[1, 1])); beta <- fixef(m)
}
spent <- proc.time() - start
peak <- grep("VmHWM", readLines("/proc/self/status"), value = TRUE)
mb <- as.numeric(gsub("[^0-9]", "", peak)) / 1024
cat(spent[["user.self"]] + spent[["sys.self"]], mb, sds[["tree"]], sds[["collection"]],
    sds[["grafter"]], sds[["stock"]], beta[[1]], beta[[2]], as.numeric(logLik(m)))
"""


def draw(lots: int, seed: int = 1) -> pd.DataFrame:
    """Return drawn lots: levels as numbers, x, grafts and taken."""
    rng = np.random.default_rng(seed)
    trees, collections = max(40, lots // 25), max(200, lots * 2 // 5)
    of_tree = rng.integers(trees, size=collections)
    collection = rng.integers(collections, size=lots)
    levels = {
        "tree": of_tree[collection],
        "collection": collection,
        "grafter": rng.integers(30, size=lots),
        "stock": rng.integers(200, size=lots),
    }
    x = rng.integers(2, size=lots)
    eta = BETA[0] + BETA[1] * x
    for name, at in levels.items():
        eta = eta + rng.normal(0, SD[name], collections)[at]
    grafts = rng.integers(5, 36, lots)
    taken = rng.binomial(grafts, 1 / (1 + np.exp(-eta)))
    return pd.DataFrame({**levels, "x": x, "grafts": grafts, "taken": taken})


def factors_of(drawn: pd.DataFrame, mixed: float) -> list[Factor]:
    """Return the factors; with `mixed`, so large a share of the lots comes of three collections."""
    found = [Factor.of(name, drawn[name].astype(str).tolist()) for name in SD]
    if not mixed:
        return found
    rng = np.random.default_rng(2)
    lots = np.flatnonzero(rng.random(len(drawn)) < mixed)
    cultivar = drawn["tree"].to_numpy() % CULTIVARS  # leftovers are tied with their like
    like = {each: np.flatnonzero(cultivar == each) for each in range(CULTIVARS)}
    others = np.array([rng.choice(like[cultivar[lot]], 2) for lot in lots]).T
    for at in (0, 1):  # trees and collections of the same sources
        each = found[at]
        more = np.concatenate([each.members[others[0]], each.members[others[1]]])
        shares = each.shares.copy()
        shares[lots] = 0.5
        found[at] = Factor(
            each.name,
            each.levels,
            np.concatenate([each.lots, lots, lots]),
            np.concatenate([each.members, more]),
            np.concatenate([shares, np.full(len(lots), 0.3), np.full(len(lots), 0.2)]),
        )
    return found


def fit_ours(lots: int, mixed: float) -> dict[str, Any]:
    """Return what our fit needs and finds; run in a process of its own."""
    drawn = draw(lots)
    fixed = np.column_stack([np.ones(lots), drawn["x"]])
    factors = factors_of(drawn, mixed)
    start = time.process_time()
    found = fit(drawn["taken"], drawn["grafts"], fixed, factors, fixed_names=["one", "x"])
    return {
        "cpu": time.process_time() - start,
        "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "estimates": [*(found.sd[name] for name in SD), *found.beta.values()],
        "log_likelihood": found.log_likelihood,
        "said": found.message,
    }


def ours(lots: int, mixed: float = 0.0) -> dict[str, Any]:
    """Return what our fit needs and finds."""
    command = [sys.executable, "-m", "benchmarks.take_model", "--child", str(lots), str(mixed)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    answer: dict[str, Any] = json.loads(said)
    return answer


def in_r(lots: int, package: str, agq: int = 0) -> dict[str, Any] | None:
    """Return what R's fit needs and finds, None where R or the package is not there."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        table, script = Path(folder) / "lots.csv", Path(folder) / "fit.R"
        draw(lots).to_csv(table, index=False)
        script.write_text(R_SCRIPT, encoding="utf-8")
        done = subprocess.run(
            ["Rscript", str(script), str(table), package, str(agq)],
            check=False,
            capture_output=True,
            text=True,
        )
    if done.returncode:
        print(f"  {package} did not run: {done.stderr.strip().splitlines()[-1:]}")
        return None
    cpu, peak, *estimates, likelihood = map(float, done.stdout.split())
    return {"cpu": cpu, "mb": peak, "estimates": estimates, "log_likelihood": likelihood}


def show(name: str, lots: int, found: Mapping[str, Any], peer: Mapping[str, Any] | None) -> None:
    """Print one fit, beside the one it is compared with."""
    estimates = " ".join(f"{value:8.4f}" for value in found["estimates"])
    beside = ""
    if peer is not None:
        far = max(
            abs(a - b) / abs(b) for a, b in zip(peer["estimates"], found["estimates"], strict=True)
        )
        beside = f"  ours/this {peer['cpu'] / found['cpu']:5.3f}  farthest {far:.1e}"
    print(
        f"{name:16} {lots:7,} {found['cpu']:8.2f} {found['mb']:5.0f} {estimates} "
        f"{found['log_likelihood']:12.2f}{beside}",
        flush=True,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure as the arguments say."""
    parser = argparse.ArgumentParser(description="Time the model of take.")
    parser.add_argument("--lots", type=int, nargs="+", default=[5_000, 15_000, 50_000])
    parser.add_argument("--quick", action="store_true", help="5,000 lots only")
    parser.add_argument("--exact", action="store_true", help="glmer with nAGQ = 1 as well")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.child:
        print(json.dumps(fit_ours(int(asked.child[0]), float(asked.child[1]))))
        return
    if shutil.which("Rscript") is None:
        print("R is not here: ours runs alone (apt-get install r-cran-lme4 r-cran-glmmtmb)")
    heads = " ".join(
        f"{name:>8}" for name in ("sd tree", "collect", "grafter", "stock", "b0", "b1")
    )
    print(f"{'fit':16} {'lots':>7} {'CPU s':>8} {'MB':>5} {heads} {'log lik':>12}")
    for lots in [5_000] if asked.quick else asked.lots:
        own = ours(lots)
        show("ours", lots, own, None)
        mixed = ours(lots, MIXED)
        show(f"ours, {MIXED:.0%} mixed", lots, mixed, None)
        print(f"{'':16} mixed: {mixed['cpu'] / own['cpu']:.2f} times the CPU without")
        peers = [("glmer, nAGQ 0", "lme4", 0), ("glmmTMB", "glmmTMB", 0)]
        if asked.exact:
            peers.append(("glmer, nAGQ 1", "lme4", 1))
        for name, package, agq in peers:
            found = in_r(lots, package, agq)
            if found is not None:
                show(name, lots, found, own)


if __name__ == "__main__":
    main()
