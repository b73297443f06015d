"""Mixed models against R's nlme and ordinal: same data, same model, CPU time and likelihood.

    python benchmarks/mixed.py            300 and 1,000 blocks
    python benchmarks/mixed.py --quick    300 blocks, within 50 seconds

R is started where ``Rscript`` is on the path, with packages nlme and ordinal (Debian: r-base-core, r-cran-nlme,
r-cran-ordinal); without it the missing comparison is named. Times are CPU seconds of the fit alone, one thread, the
first (compiling) call left out on this side. R's programs run at their default tolerances and are stopped after six
seconds each with --quick. The likelihood of each is printed beside its time. The linearised method maximises no one
function: nlme's default ends some way before its own fixed point, where the likelihood that it prints may be a few
hundredths higher or lower. "nlme to the end" has tolerances at which it reaches the point that this side reaches.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import resource
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from olivetime.ripening import curves
from olivetime.ripening.colour import fit_colour
from olivetime.ripening.mixed import fit_mixed

RANDOM = ("plateau", "midpoint", "scale")
PRIOR = {
    "plateau": (45.0, 6.0),
    "midpoint": (43.0, 20.0),
    "scale": (17.0, 8.0),
    "sd(plateau)": (2.0, 0.6),
    "sd(midpoint)": (5.0, 0.6),
    "sd(scale)": (1.5, 0.6),
    "sigma": (1.5, 0.6),
}

NLME = """
suppressMessages(library(nlme))
d <- groupedData(y ~ x | block, read.csv("FOLDER/growth.csv"))
fit <- function(random) {
  t <- proc.time()
  f <- tryCatch(nlme(y ~ SSlogis(x, Asym, xmid, scal), data = d, fixed = Asym + xmid + scal ~ 1, random = random,
    groups = ~ block, start = c(Asym = 45, xmid = 43, scal = 17)CONTROL), error = function(e) conditionMessage(e))
  s <- sum((proc.time() - t)[1:2])
  if (is.character(f)) sprintf('{"s": %f, "failed": "%s"}', s, f)
  else sprintf('{"s": %f, "loglik": %.6f, "plateau": %.6f}', s, as.numeric(logLik(f)), fixef(f)[1])
}
cat(sprintf('{"version": "R %s, nlme %s", "fit": %s}', getRversion(), packageVersion("nlme"), fit(RANDOM)))
"""

TO_THE_END = """, control = nlmeControl(tolerance = 1e-7, pnlsTol = 1e-7, msTol = 1e-11, minScale = 1e-9,
    maxIter = 300, pnlsMaxIter = 60, msMaxIter = 300)"""

CLMM = """
suppressMessages(library(ordinal))
d <- read.csv("FOLDER/colour.csv")
d$class <- factor(d$class, ordered = TRUE)
d$block <- factor(d$block)
t <- proc.time()
f <- clmm(class ~ x + (1 + x | block), data = d, weights = n)
s <- sum((proc.time() - t)[1:2])
cat(sprintf('{"version": "R %s, ordinal %s", "s": %f, "loglik": %.6f}', getRversion(), packageVersion("ordinal"), s,
  as.numeric(logLik(f))))
"""


def growth(blocks: int, seed: int) -> pd.DataFrame:
    """Eight weekly samples of every block on a logistic; the plateau is hardly seen."""
    rng = np.random.default_rng([seed, blocks])
    own = np.array([45.0, 43.0, 17.0]) + rng.normal(0, 1, (blocks, 3)) * [2.3, 5.0, 1.4]
    x = 24 + 7 * np.arange(8) + rng.normal(0, 0.8, (blocks, 8))
    y = curves.logistic(x, *own.T[:, :, None]) + rng.normal(0, 1.5, (blocks, 8))
    return pd.DataFrame({"x": x.ravel(), "y": y.ravel(), "block": np.repeat(np.arange(blocks), 8)})


def colour(blocks: int, dates: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Counts of 50 fruit in eight classes, blocks differing in level and slope."""
    rng = np.random.default_rng([seed, blocks, dates])
    block, x = np.repeat(np.arange(blocks), dates), np.tile(np.arange(dates) - (dates - 1) / 2, blocks)
    own = np.array([0.0, 1.2]) + rng.normal(0, 1, (blocks, 2)) * [0.8, 0.3]
    eta = own[block, 0] + own[block, 1] * x
    below = 1 / (1 + np.exp(eta[:, None] - np.array([-3.0, -1.6, -0.4, 0.8, 1.9, 3.1, 4.2])))
    share = np.diff(np.column_stack([np.zeros(len(x)), below, np.ones(len(x))]), axis=1)
    return rng.multinomial(50, share).astype(float), x, block


def timed(work) -> tuple[object, float]:
    """Result and CPU seconds of the second call; the first compiles."""
    work()
    begin = time.process_time()
    out = work()
    return out, time.process_time() - begin


def run_r(script: str, folder: str, seconds: int) -> dict | None:
    """Start R and read what it prints; what it had spent when it did not end; None, said aloud, without R."""
    if shutil.which("Rscript") is None:
        print("  NO COMPARISON WITH R: Rscript was not found on this machine")
        return None
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    try:
        done = subprocess.run(
            ["Rscript", "-e", script.replace("FOLDER", folder)],
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    except subprocess.TimeoutExpired:
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return {"unfinished": after.ru_utime - before.ru_utime}
    if done.returncode:
        print(f"  NO COMPARISON WITH R: it stopped with: {done.stderr.strip()[-200:]}")
        return None
    return json.loads(done.stdout)


def ratio(theirs: dict, mine: float) -> str:
    """One line about the other program."""
    if "unfinished" in theirs:
        spent = theirs["unfinished"]
        return f"had not ended when stopped after {spent:.1f} s of CPU: more than {spent / mine:.0f}x"
    if "failed" in theirs:
        return f"did not converge after {theirs['s']:.2f} s ({theirs['failed'][:50]}): {theirs['s'] / mine:.0f}x"
    return f"{theirs['s']:8.2f} s  loglik {theirs['loglik']:14.4f}   {theirs['s'] / mine:6.1f}x"


def curves_of_blocks(blocks: int, seed: int, seconds: int) -> None:
    """The logistic of every block, three parameters varying."""
    d = growth(blocks, seed)
    print(f"\nlogistic of {blocks} blocks x 8 weeks, three parameters varying")

    def fit(method: str, covariance: str, prior: dict | None = None):
        return timed(
            lambda: fit_mixed(
                curves.logistic,
                d["x"],
                d["y"],
                d["block"],
                random=RANDOM,
                start=(45.0, 43.0, 17.0),
                method=method,
                covariance=covariance,
                prior=prior,
            )
        )

    ours = {c: fit("linearised", c) for c in ("full", "diagonal")}
    ours["penalised Laplace"] = fit("laplace", "full", PRIOR)
    for name, (f, s) in ours.items():
        print(
            f"  olivetime {name:18s} {s:8.3f} s  loglik {f.loglik:14.4f}   plateau {f.fixed['plateau']:.2f} (truth 45)"
        )
    with tempfile.TemporaryDirectory() as folder:
        d.to_csv(Path(folder) / "growth.csv", index=False)
        for name, random, control in (
            ("full", "RANDOM ~ 1", ""),
            ("diagonal", "pdDiag(RANDOM ~ 1)", ""),
            ("diagonal", "pdDiag(RANDOM ~ 1)", TO_THE_END),
        ):
            script = NLME.replace("CONTROL", control)
            r = run_r(script.replace("RANDOM", random.replace("RANDOM", "Asym + xmid + scal")), folder, seconds)
            if r is None:
                return
            theirs = r.get("fit", r)
            ended = f"{name} to the end" if control else name
            print(f"  nlme      {ended:18s} {ratio(theirs, ours[name][1])}   {r.get('version', '')}")
            if name == "full":
                print(f"    against our penalised Laplace: {ratio(theirs, ours['penalised Laplace'][1])}")


def colour_classes(blocks: int, dates: int, seed: int, seconds: int, *, against: bool) -> None:
    """The cumulative-link model with a random slope."""
    counts, x, block = colour(blocks, dates, seed)
    print(f"\ncumulative-link model, random intercept and slope, {blocks} blocks x {dates} dates, 50 fruit each")
    f, s = timed(lambda: fit_colour(counts, x, block, overdispersion=False))
    print(f"  olivetime {s:8.2f} s  loglik {f.loglik:14.4f}   converged {f.converged}")
    if not against:
        return
    where, k = np.nonzero(counts)
    table = pd.DataFrame({"class": k, "x": x[where], "block": block[where], "n": counts[where, k]})
    with tempfile.TemporaryDirectory() as folder:
        table.to_csv(Path(folder) / "colour.csv", index=False)
        r = run_r(CLMM, folder, seconds)
    if r is not None:
        print(f"  clmm      {ratio(r, s)}   {r.get('version', '')}")


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="300 blocks only, within 50 seconds")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    versions = (f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "scipy", "numba"))
    print(", ".join(versions))
    begin = time.perf_counter()
    with threadpool_limits(limits=1, user_api="blas"):
        for blocks in (300,) if args.quick else (300, 1000):
            curves_of_blocks(blocks, args.seed, 6 if args.quick else 3600)
        colour_classes(50, 4, args.seed, 6 if args.quick else 3600, against=True)
        colour_classes(300, 6, args.seed, 0, against=False)
    print(f"\n{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
