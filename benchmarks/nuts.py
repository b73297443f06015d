"""The oil fit's draws against draws by the no-U-turn sampler, on one simulated season. Prints what it measured.

    pip install "olivetime[nuts]"
    python benchmarks/nuts.py                 40 blocks, five weeks, each shape by itself
    python benchmarks/nuts.py --quick         one shape, fewer draws

Both have the same samples, priors and model (`olivetime.ripening.mixed.fit_oil`, one cultivar, no past season).
Compared are the plateau and dry oil of every block on the last day of sampling and one, two and four weeks of
thermal time later, in points of dry oil: differences of means and ratios of standard deviations, over blocks.
"""

from __future__ import annotations

import argparse
import time

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
import pandas as pd
from numpyro.diagnostics import effective_sample_size, split_gelman_rubin
from numpyro.infer import MCMC, NUTS, init_to_median

from olivetime.ripening.curves import OIL_SHAPES
from olivetime.ripening.mixed import _HYPER, PLATEAU_BOUNDS_PCT, STUDENT_NU, default_priors, fit_oil

jax.config.update("jax_enable_x64", True)
BLOCKS, WEEKS, DRAWS = 40, 5, 4000
AHEAD_D = (0.0, 7.0, 14.0, 28.0)


def log_share(shape, t, corner=0.2, floor=0.05):
    """Log of the share of the plateau at t scales from the midpoint, written again from its formula."""
    if shape == "logistic":
        return -jax.nn.softplus(-t)
    if shape == "gompertz":
        return -jnp.log(2) * jnp.exp(-jnp.clip(t / (2 * jnp.log(2)), -60, 500))
    share = 1 - 0.25 * corner * jax.nn.softplus((2 - t) / corner)
    return jnp.log(floor) + jnp.log(jax.nn.softplus(share / floor))


def corner_of(x):
    """Half-width of the corner that the fitted shape has, so that both are the same curve."""
    top = float(OIL_SHAPES["plateau_line"](np.array([2.0]), 0.0, 0.0, 0.0)[0])  # share at the corner itself
    found = [c for c in np.arange(0.01, 0.6, 0.01) if abs(float(log_share(x, jnp.array(2.0), c)) - top) < 1e-9]
    return float(found[0])


def simulate(seed):
    """One season of one cultivar on the rising part: x, oil, block, week."""
    rng = np.random.default_rng(seed)
    phi = np.array([np.log(45), 43.0, np.log(17)]) + rng.normal(0, 1, (BLOCKS, 3)) * [0.05, 5.0, 0.085]
    x = 28 + 7.0 * np.arange(WEEKS) + rng.normal(0, 0.8, (BLOCKS, WEEKS))
    y = np.asarray(OIL_SHAPES["logistic"](x, *phi.T[:, :, None]))
    y = np.exp(y + rng.normal(0, 0.015, WEEKS) + rng.normal(0, 0.06, (BLOCKS, WEEKS)))
    block, week = np.indices((BLOCKS, WEEKS))
    return pd.DataFrame({"x": x.ravel(), "y": y.ravel(), "block": block.ravel(), "week": week.ravel()})


def model(table, prior, shape, corner):
    """The model of fit_oil for one cultivar and one season, effects as standard normals times their spread."""
    hyper = {name: (median, sd) for name, median, sd in _HYPER}
    sd_of = {}
    for name, (median, sd) in hyper.items():
        unit = float(prior["scale_d"]) if name.endswith("midpoint") else 1.0
        sd_of[name] = unit * jnp.exp(jnp.log(median) + sd * numpyro.sample(name, dist.Normal(0, 1)))
    parts = ("log_plateau", "midpoint", "log_scale")
    mean = jnp.array([np.log(prior["plateau_dry_pct"]), prior["midpoint_d"], np.log(prior["scale_d"])])
    sd = jnp.array([prior["plateau_sd_fraction"], prior["midpoint_sd_d"], prior["scale_sd_log"]])
    season = jnp.array([sd_of[f"season {p}"] for p in parts])
    own = jnp.array([jnp.hypot(sd_of[f"lasting {p}"], sd_of[f"this season {p}"]) for p in parts])
    with numpyro.plate("part", 3):
        curve = mean + jnp.hypot(sd, season) * numpyro.sample("curve", dist.Normal(0, 1))
    block = numpyro.sample("block", dist.Normal(0, 1).expand([BLOCKS, 3]).to_event(2))
    week = sd_of["week"] * numpyro.sample("week_z", dist.Normal(0, 1).expand([WEEKS]).to_event(1))
    phi = numpyro.deterministic("phi", curve + own * block)
    at = phi[table["block"].to_numpy()]
    expected = at[:, 0] + log_share(shape, (table["x"].to_numpy() - at[:, 1]) / jnp.exp(at[:, 2]), corner)
    expected = expected + week[table["week"].to_numpy()]
    numpyro.sample("oil", dist.StudentT(STUDENT_NU, expected, sd_of["sample"]), obs=jnp.log(table["y"].to_numpy()))


def courses(shape, phi, x, corner):
    """Plateau (n, B) and dry oil (n, B, T) of draws phi (n, B, 3)."""
    low, high = np.log(PLATEAU_BOUNDS_PCT)
    top = np.clip(phi[..., 0], low, high)
    t = (x - phi[..., 1:2]) / np.exp(phi[..., 2:3])
    return np.exp(top), np.exp(top[..., None] + np.asarray(log_share(shape, jnp.asarray(t), corner)))


def compare(shape, seed, warmup, kept, chains):
    """One line per quantity: ours against the sampler's."""
    table = simulate(seed)
    priors = default_priors(["one"])
    corner = corner_of(shape) if shape == "plateau_line" else 0.2
    begin = time.process_time()
    fit = fit_oil(
        table["x"],
        table["y"],
        table["block"],
        ["one"] * len(table),
        table["week"],
        np.zeros(len(table), int),
        current=0,
        priors=priors,
        shapes=(shape,),
        blocks=pd.DataFrame({"block_id": [str(b) for b in range(BLOCKS)], "cultivar": "one"}),
    )
    draws = fit.draw(DRAWS, np.random.default_rng(0))
    ours_s = time.process_time() - begin
    begin = time.process_time()
    sampler = MCMC(
        NUTS(model, target_accept_prob=0.9, init_strategy=init_to_median),
        num_warmup=warmup,
        num_samples=kept,
        num_chains=chains,
        chain_method="sequential",
        progress_bar=False,
    )
    sampler.run(jax.random.PRNGKey(seed), table, priors.iloc[0], shape, corner)
    theirs_s = time.process_time() - begin
    chain = np.asarray(sampler.get_samples(group_by_chain=True)["phi"])
    x = table["x"].max() + np.array(AHEAD_D)
    mine = courses(shape, np.stack([draws.log_plateau, draws.midpoint, draws.log_scale], axis=-1), x, corner)
    grown = courses(shape, chain.reshape(-1, BLOCKS, 3), x, corner)
    by_chain = np.asarray(grown[1]).reshape(chains, kept, BLOCKS, len(x))
    print(
        f"\n{shape}: ours {ours_s:.1f} s CPU for the fit and {DRAWS} draws, sampler {theirs_s:.0f} s "
        f"for {chains} chains of {kept}; smallest effective sample size {effective_sample_size(by_chain).min():.0f}, "
        f"largest R-hat {split_gelman_rubin(by_chain).max():.3f}"
    )
    names = ["plateau"] + [f"oil {d:.0f} d on" for d in AHEAD_D]
    pairs = [(mine[0], grown[0])] + [(mine[1][..., k], grown[1][..., k]) for k in range(len(x))]
    for name, (a, b) in zip(names, pairs, strict=True):
        away, ratio = a.mean(0) - b.mean(0), a.std(0) / b.std(0)
        print(
            f"  {name:12s} mean {b.mean():6.2f}; ours less sampler's: mean {away.mean():+.3f}, largest "
            f"{np.abs(away).max():.3f} points; sd {b.std(0).mean():5.2f}, ratio {ratio.mean():.3f} "
            f"({ratio.min():.3f} to {ratio.max():.3f})"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one shape, fewer draws")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for shape in ("logistic",) if args.quick else ("logistic", "gompertz", "plateau_line"):
        compare(shape, args.seed, *((300, 300, 2) if args.quick else (800, 1500, 4)))


if __name__ == "__main__":
    main()
