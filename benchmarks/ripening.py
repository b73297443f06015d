"""Forecasts of oil against straight lines, on simulated seasons whose truth is known. Prints what it measured.

    python benchmarks/ripening.py            all measurements
    python benchmarks/ripening.py --quick    fewer seasons, within 50 seconds on one core

Each simulated farm has 40 blocks of one cultivar and two seasons. A block's plateau, midpoint and scale are the
season's mean (season spread 4 %, 5 d, 8 %) plus a lasting block effect (3.5 %, 4 d, 6 %) plus a block effect of the
season (the same spread). Weekly samples from 1 September, one visit in ten missing, 6 % error a sample and a 1.5 %
error shared by the week. Weather is autoregressive about a seasonal course, and the forecaster knows it up to the
day of the forecast; beyond, it gets other draws of the same climate. The forecast is the day on which dry oil
reaches 38 %; blocks whose day is still ahead are scored, and "never" counts as day 340 of the year.

Colour classes of 50 fruits and moisture come with every sample: the logit of colour rises with thermal time (blocks,
blocks in a season, seasons, weeks and single samples differ), moisture falls ever more slowly and rises with rain.
Under the last two truths, whose shapes no fit has, colour slows down from an index of about 2 on and errors of
moisture drift from week to week. Scored are all blocks, one to three weeks ahead.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from scipy.optimize import least_squares

from olivetime.ripening.colour import PRIOR as COLOUR_PRIOR
from olivetime.ripening.colour import fit_colour
from olivetime.ripening.curves import OIL_SHAPES, logistic
from olivetime.ripening.mixed import (
    _HYPER,
    PLATEAU_BOUNDS_PCT,
    SHAPE_PRIOR,
    STUDENT_NU,
    default_priors,
    fit_mixed,
    fit_oil,
)
from olivetime.ripening.moisture import PRIOR as MOISTURE_PRIOR
from olivetime.ripening.moisture import fit_moisture
from olivetime.ripening.outcomes import COLOUR_SCALE_D, LEVELLING_DAYS, MEMORIES_DAYS
from olivetime.weather.stations import rain_memory

BLOCKS, FIRST_DAY, LAST_DAY, FIRST_SAMPLE = 40, 213, 340, 244
TARGET_PCT, CV, WEEK_CV = 38.0, 0.06, 0.015
WEEKS = (3, 4, 5, 6)
DRAWS = 400
TRUTHS = ("logistic", "gompertz", "straight", "weibull", "late drop")  # the last two are none of the fitted shapes


def log_truth(kind, x, phi):
    """Log oil of a truth; phi (..., 3) broadcasts against x."""
    log_plateau, midpoint, log_scale = phi[..., 0], phi[..., 1], phi[..., 2]
    if kind in OIL_SHAPES:
        return OIL_SHAPES[kind](x, log_plateau, midpoint, log_scale)
    t = (x - midpoint) / np.exp(log_scale)
    if kind == "straight":  # sharp corner
        return log_plateau + np.log(np.clip(0.5 + t / 4, 0.02, 1.0))
    if kind == "weibull":  # half of the plateau at t = 0
        return log_plateau + np.log1p(-np.exp(-np.log(2) * np.clip(1 + t / 2.9, 0.05, None) ** 2.1))
    if kind == "late drop":  # quick, then slower from 70 % of the plateau on, and falling after it
        rise = np.where(t < 0.8, 0.5 + t / 4, 0.7 + (t - 0.8) / 8)
        return log_plateau + np.log(np.clip(np.minimum(rise, 1.0 - 0.02 * np.maximum(t - 3.2, 0)), 0.02, 1.0))
    raise ValueError(kind)


def weather(rng, n):
    """Thermal time (n, days) since 1 August at the end of each day, and nothing else."""
    day = np.arange(FIRST_DAY, LAST_DAY + 1)
    course = 17 + 9.5 * np.cos(2 * np.pi * (day - 205) / 365) + rng.normal(0, 1.0, (n, 1))
    noise = np.empty((n, len(day)))
    noise[:, 0] = rng.normal(0, 3.0, n)
    for i in range(1, len(day)):
        noise[:, i] = 0.75 * noise[:, i - 1] + rng.normal(0, 3.0 * np.sqrt(1 - 0.75**2), n)
    return np.cumsum(np.maximum(course + noise - 7.5, 0) / 15, axis=1)


def simulate(kind, rng):
    """Two seasons of one farm: samples, this season's thermal time and the true course of oil (blocks, days)."""
    normal = np.cumsum(np.maximum(17 + 9.5 * np.cos(2 * np.pi * (np.arange(213, 341) - 205) / 365) - 7.5, 0) / 15)
    mean = np.array([np.log(45.0), normal[251 - FIRST_DAY], np.log(17.0)])
    spread = np.array([0.035, 4.0, 0.06])
    lasting = rng.normal(0, 1, (BLOCKS, 3)) * spread
    rows = []
    for season in (0, 1):
        heat = weather(rng, 1)[0]
        phi = mean + rng.normal(0, 1, 3) * [0.04, 5.0, 0.08] + lasting + rng.normal(0, 1, (BLOCKS, 3)) * spread
        for week in range(13):
            day = FIRST_SAMPLE + 7 * week + rng.integers(-1, 2, BLOCKS)
            seen = rng.random(BLOCKS) > 0.1
            x = heat[day - FIRST_DAY]
            y = log_truth(kind, x, phi) + rng.normal(0, WEEK_CV) + rng.normal(0, CV, BLOCKS)
            rows += [(season, week, f"b{b:02d}", day[b], x[b], np.exp(y[b])) for b in range(BLOCKS) if seen[b]]
    samples = pd.DataFrame(rows, columns=["season", "week", "block", "day", "x", "y"])
    return samples, heat, np.exp(log_truth(kind, heat, phi[:, None, :]))


THRESHOLDS = np.array([-2.5, -0.5, 1.2, 2.8, 4.6, 6.3, 7.8])  # of the colour classes, on the logit


def colour_logit(x, bends):
    """Logit of colour of a typical block at thermal time x."""
    t = x - 85.0
    return 0.14 * np.where(bends & (t > 0), 0.6 * t, t)


def rain(rng, n):
    """Rain (n, days) [mm]: rare in August, on three days in ten in December."""
    chance = np.linspace(0.05, 0.3, LAST_DAY - FIRST_DAY + 1)
    return np.where(rng.random((n, len(chance))) < chance, rng.gamma(1.0, 8.0, (n, len(chance))), 0.0)


def shares(eta):
    """Shares of the eight colour classes at a logit."""
    below = 1 / (1 + np.exp(np.asarray(eta)[..., None] - THRESHOLDS))
    edge = np.ones((*np.shape(eta), 1))
    return np.diff(np.concatenate([0 * edge, below, edge], axis=-1), axis=-1)


def fruit_beside(samples, heat, rng, *, odd):
    """Colour counts and moisture of each sample, this season's rain, and the true courses (blocks, days) of both.

    `odd`: courses that the fits do not have.
    """
    days, sample_sd = np.arange(FIRST_DAY, LAST_DAY + 1), 0.3
    lasting = rng.normal(0, 1, (BLOCKS, 3)) * [0.5, 0.06, 1.2]
    counts, wet, memories = np.zeros((len(samples), 8)), np.zeros(len(samples)), np.zeros((2, len(samples)))
    block = samples["block"].str[1:].astype(int).to_numpy()
    for season in (0, 1):
        mine = np.flatnonzero(samples["season"] == season)
        own = rng.normal(0, 1, BLOCKS) * 0.4, rng.normal(0, 1, BLOCKS) * 0.7
        shift, steeper, level = rng.normal(0, 0.5), rng.normal(0, 0.08), rng.normal(0, 1.0)
        week_colour, week_wet = rng.normal(0, 0.15, 13), rng.normal(0, 0.5, 13)
        drift = np.zeros(len(days))
        if odd:
            steps = rng.normal(0, 0.4 * np.sqrt(1 - 0.8**2), 20)
            for i in range(1, 20):
                steps[i] += 0.8 * steps[i - 1]
            drift = np.interp(days, FIRST_DAY + 7 * np.arange(20), steps)
        fallen = rain(rng, 1)[0]
        remembered = rain_memory(fallen, 8.0)
        slopes = 1 + steeper + lasting[:, 1]

        def eta(x, b, own=own, shift=shift, slopes=slopes):
            return slopes[b] * colour_logit(x, odd) + lasting[b, 0] + own[0][b] + shift

        def pct(at, b, own=own, level=level, remembered=remembered, drift=drift):
            dry = 46 + 20 * np.exp(-0.006 * (days[at] - FIRST_DAY))
            return dry + lasting[b, 2] + own[1][b] + level + 0.06 * remembered[at] + drift[at]

        x, at, week = (samples[c].to_numpy()[mine] for c in ("x", "day", "week"))
        at, b = at - FIRST_DAY, block[mine]
        seen = eta(x, b) + week_colour[week] + sample_sd * rng.standard_normal(len(mine))
        counts[mine] = rng.multinomial(50, shares(seen))
        wet[mine] = pct(at, b) + week_wet[week] + rng.normal(0, 0.8, len(mine))
        memories[:, mine] = np.stack([rain_memory(fallen, m)[at] for m in MEMORIES_DAYS])
    # The block's fruit at large: the mean over the differences between single samples.
    node, weight = np.polynomial.hermite_e.hermegauss(9)
    every = np.arange(BLOCKS)[:, None]
    true_eta = eta(np.broadcast_to(heat, (BLOCKS, len(days))), every)
    index = sum(
        w * (shares(true_eta + sample_sd * z) @ np.arange(8)) for z, w in zip(node, weight / weight.sum(), strict=True)
    )
    return counts, wet, memories, fallen, index, pct(np.arange(len(days))[None, :], every)


def score_beside(samples, beside, x, today, rain_ahead, *, past, rng):
    """Shares of maturity and moisture one to three weeks ahead inside their 80 % ranges, and mean errors."""
    counts, wet, memories, fallen, index, pct = beside
    now = ((samples["season"] == 1) & (samples["day"] <= today) | (samples["season"] == 0) & past).to_numpy()
    used = samples[now]
    names = [f"b{b:02d}" for b in range(BLOCKS)]
    shared = {
        "cultivar": np.full(len(used), "one"),
        "week": (used["season"].astype(str) + "-" + used["week"].astype(str)).to_numpy(),
        "season": used["season"].to_numpy(),
        "seasons": [1],
    }
    block, day = used["block"].to_numpy(), used["day"].to_numpy()
    colour = fit_colour(counts[now], used["x"].to_numpy(), block, prior=COLOUR_PRIOR, scale=COLOUR_SCALE_D, **shared)
    moisture = fit_moisture(
        wet[now], day - FIRST_DAY, block,
        rain_memory_mm=memories[:, now].T, prior=MOISTURE_PRIOR, levelling_days=LEVELLING_DAYS, course=True, **shared,
    )  # fmt: skip
    at = today - FIRST_DAY + np.array([7, 14, 21])
    n, ones = len(x), ["one"] * BLOCKS
    mi = colour.draw(n, rng, names, ones, 1).maturity_index(
        np.broadcast_to(x[:, None, at], (n, BLOCKS, len(at))).copy()
    )
    whole = np.concatenate([np.broadcast_to(fallen[: at[0] - 6], (n, at[0] - 6)), rain_ahead[:, at[0] - 6 :]], axis=1)
    held = np.stack([rain_memory(whole, m)[:, at] for m in MEMORIES_DAYS])
    held = np.broadcast_to(held[:, :, None, :], (len(MEMORIES_DAYS), n, BLOCKS, len(at)))
    water = moisture.draw(n, rng, names, ones, 1).pct(at.astype(float), held)
    out = {}
    for name, drawn, true in (("maturity", mi, index[:, at]), ("moisture", water, pct[:, at])):
        low, mid, high = np.quantile(drawn, [0.1, 0.5, 0.9], axis=0)
        out[f"{name}80"] = ((low <= true) & (true <= high)).mean()
        out[f"{name}_error"] = np.abs(mid - true).mean()
    return out


def first_day(oil, target=TARGET_PCT):
    """Day of year on which oil (..., days) first reaches the target, LAST_DAY when never."""
    reached = oil >= target
    return np.where(reached.any(axis=-1), reached.argmax(axis=-1) + FIRST_DAY, LAST_DAY).astype(float)


def crossing(oil, target=TARGET_PCT):
    """Moment (day of year) at which oil (..., days) first reaches the target, LAST_DAY when never."""
    reached = oil >= target
    at = np.maximum(reached.argmax(axis=-1), 1)
    before, after = (np.take_along_axis(oil, (at - k)[..., None], -1)[..., 0] for k in (1, 0))
    part = np.clip((target - before) / np.where(after > before, after - before, 1.0), 0, 1)
    return np.where(reached.any(axis=-1), FIRST_DAY + at - 1 + part, LAST_DAY).astype(float)


def futures(heat, today, traces):
    """Thermal time (draws, days): measured up to today, then the traces."""
    at = today - FIRST_DAY
    return np.concatenate(
        [
            np.broadcast_to(heat[: at + 1], (len(traces), at + 1)),
            heat[at] + traces[:, at + 1 :] - traces[:, [at]],
        ],
        axis=1,
    )


def hierarchical(samples, x, today, *, past, rng, shapes=tuple(OIL_SHAPES)):
    """Oil draws (draws, blocks, days) of olivetime."""
    used = samples[(samples["season"] == 1) & (samples["day"] <= today) | (samples["season"] == 0) & past]
    names = [f"b{b:02d}" for b in range(BLOCKS)]
    fit = fit_oil(
        used["x"],
        used["y"],
        used["block"],
        ["one"] * len(used),
        used["week"],
        used["season"],
        current=1,
        blocks=pd.DataFrame({"block_id": names, "cultivar": "one"}),
        priors=default_priors(["one"]),
        shapes=shapes,
    )
    draws = fit.draw(len(x), rng)
    return draws.dry_pct(np.broadcast_to(x[:, None, :], (len(x), BLOCKS, x.shape[1]))), fit


def straight_lines(samples, today, rng, n):
    """Oil draws of a least-squares line per block on days, residual spread pooled over blocks."""
    used = samples[(samples["season"] == 1) & (samples["day"] <= today)]
    days = np.arange(FIRST_DAY, LAST_DAY + 1)
    out = np.empty((n, BLOCKS, len(days)))
    fits, rss, df = [], 0.0, 0
    for b in range(BLOCKS):
        own = used[used["block"] == f"b{b:02d}"]
        design = np.column_stack([np.ones(len(own)), own["day"] - today])
        if len(own) < 2:
            fits.append(None)
            continue
        coef = np.linalg.lstsq(design, own["y"], rcond=None)[0]
        rss += float(np.sum((own["y"] - design @ coef) ** 2))
        df += len(own) - 2
        fits.append((coef, np.linalg.inv(design.T @ design)))
    usable = [f for f in fits if f is not None]
    middle = (
        np.mean([f[0] for f in usable], axis=0),
        np.cov(np.array([f[0] for f in usable]).T) / (rss / df),
    )
    for b, fit in enumerate(fits):
        coef, cov = fit if fit is not None else middle
        drawn = rng.multivariate_normal(coef, cov * rss / df, n, check_valid="ignore")
        out[:, b] = drawn[:, :1] + drawn[:, 1:] * (days - today)
    return out


def pooled_curve(samples, x, today, rng):
    """Oil draws of one logistic for all blocks, least squares on log oil."""
    used = samples[(samples["season"] == 1) & (samples["day"] <= today)]
    curve, xs, ys = OIL_SHAPES["logistic"], used["x"].to_numpy(), np.log(used["y"].to_numpy())
    found = least_squares(
        lambda p: curve(xs, *p) - ys, [np.log(45), 45.0, np.log(19)], bounds=([2.5, 0, 1.5], [4.3, 200, 4.5])
    )
    sigma2 = 2 * found.cost / (len(xs) - 3)
    cov = np.linalg.pinv(found.jac.T @ found.jac) * sigma2
    drawn = np.clip(rng.multivariate_normal(found.x, cov, len(x), check_valid="ignore"), [2.5, 0, 1.5], [4.3, 200, 4.5])
    return np.repeat(np.exp(curve(x, *drawn.T[:, :, None]))[:, None, :], BLOCKS, axis=1)


def score(oil, truth, today):
    """Rows of scores of the blocks whose day is still ahead.

    Whether a day lies in its range is asked of the moment of crossing, among the draws that lie ahead too, and a
    truth of "never" stands at a random place among the draws that say so: whole days and knowing that the day is
    ahead would each let a perfect forecast seem too wide.
    """
    import scoringrules as sr  # slow to import, and the tests use this file without it

    true_day = first_day(truth)
    ahead = true_day > today
    dates = np.maximum(first_day(oil), today + 1)
    crps = sr.crps_ensemble(true_day, dates.T)
    mid = np.median(dates, axis=0)
    moment, drawn = crossing(truth), crossing(oil)
    open_draw = drawn > today
    u = np.random.default_rng(today).random(len(moment))
    below = ((drawn < moment) & open_draw).sum(0) + u * (drawn == moment).sum(0)
    place = below / np.maximum(open_draw.sum(0), 1)
    out = {
        "crps": crps[ahead].mean(),
        "error_d": np.abs(mid - true_day)[ahead].mean(),
        "date80": np.mean((place >= 0.1) & (place <= 0.9), where=ahead),
        "n": ahead.sum(),
    }
    at = today - FIRST_DAY + np.array([7, 14, 21])
    low, mid, high = np.quantile(oil[:, :, at], [0.1, 0.5, 0.9], axis=0)
    out["oil80"] = np.mean(((truth[:, at] >= low) & (truth[:, at] <= high))[ahead])
    out["oil_error"] = np.abs(mid - truth[:, at])[ahead].mean()
    return out


def forecasts(seasons, seed, truths, *, weeks=WEEKS, beside=True):
    """Simulate, forecast and score; one row per truth, season, week and method; `beside`: colour and moisture too."""
    rows = []
    for number, kind in enumerate(truths):
        for season in range(seasons):
            rng = np.random.default_rng([seed, number, season])
            samples, heat, truth = simulate(kind, rng)
            traces = weather(rng, DRAWS)
            more = np.random.default_rng([seed, number, season, 7])
            fruit = fruit_beside(samples, heat, more, odd=kind in TRUTHS[3:]) if beside else None
            rain_ahead = rain(more, DRAWS)
            for week in weeks:
                today = FIRST_SAMPLE + 7 * (week - 1) + 1
                if not (first_day(truth) > today).any():
                    continue
                x = futures(heat, today, traces)
                oil, fit = hierarchical(samples, x, today, past=True, rng=rng)
                first, _ = hierarchical(samples, x, today, past=False, rng=rng)
                for method, drawn in (
                    ("past season", oil),
                    ("first season", first),
                    ("straight lines", straight_lines(samples, today, rng, DRAWS)),
                    ("pooled curve", pooled_curve(samples, x, today, rng)),
                ):
                    rows.append(
                        {
                            "truth": kind,
                            "season": season,
                            "week": week,
                            "method": method,
                            **score(drawn, truth, today),
                        }
                    )
                weights = fit.shapes.set_index("shape")["weight"]
                for row, past in ((rows[-4], True), (rows[-3], False)):
                    if beside:
                        row |= score_beside(samples, fruit, x, today, rain_ahead, past=past, rng=more)
                rows[-4]["shapes"] = " ".join(f"{n[:3]} {w:.2f}" for n, w in weights.items())
    return pd.DataFrame(rows)


def mean_over_blocks(table, column):
    """Mean over all scored blocks, index (truth, method), columns weeks."""
    table = table[table[column].notna()]
    weighted = table.assign(w=table[column] * table["n"]).groupby(["truth", "method", "week"])[["w", "n"]].sum()
    return (weighted["w"] / weighted["n"]).unstack("week")


def ratio_errors(table, draws=200):
    """Standard error of the mean ratio of each truth and method: seasons are drawn again, whole."""
    rng, kept = np.random.default_rng(0), []
    seasons = table["season"].unique()
    by_season = dict(tuple(table.groupby("season")))
    for _ in range(draws):
        again = pd.concat([by_season[s] for s in rng.choice(seasons, len(seasons))])
        crps = mean_over_blocks(again, "crps")
        base = crps.xs("straight lines", level="method").reindex(crps.index.get_level_values("truth")).to_numpy()
        kept.append((crps / base).mean(axis=1))
    return pd.concat(kept, axis=1).std(axis=1)


def print_forecasts(table):
    """Print ratios to straight lines, shares of truths inside their ranges, and mean errors."""
    crps = mean_over_blocks(table, "crps")
    base = crps.xs("straight lines", level="method")
    print("\nCRPS of the day on which dry oil reaches 38 %, as a ratio to straight lines, weeks 3 4 5 6, mean")
    spread = ratio_errors(table)
    for (truth, method), row in crps.iterrows():
        ratio = row / base.loc[truth]
        print(
            f"  {truth:10s} {method:15s}",
            *(f"{v:6.2f}" for v in ratio),
            f"   mean {ratio.mean():.2f} +- {spread[truth, method]:.2f}   ({row.mean():.1f} d)",
        )
    for column, words in (
        ("date80", "share of days inside their 80 % range"),
        ("oil80", "share of dry oil 1 to 3 weeks ahead inside its 80 % range"),
        ("maturity80", "share of maturity index 1 to 3 weeks ahead inside its 80 % range"),
        ("moisture80", "share of moisture 1 to 3 weeks ahead inside its 80 % range"),
        ("error_d", "mean absolute error of the day [d]"),
        ("oil_error", "mean absolute error of dry oil 1 to 3 weeks ahead [points]"),
        ("maturity_error", "mean absolute error of maturity 1 to 3 weeks ahead"),
        ("moisture_error", "mean absolute error of moisture 1 to 3 weeks ahead [points]"),
    ):
        if column not in table:
            continue
        print(f"\n{words}, weeks 3 4 5 6")
        for (truth, method), row in mean_over_blocks(table, column).iterrows():
            print(f"  {truth:10s} {method:15s}", *(f"{v:6.2f}" for v in row))


def speed():
    """CPU seconds of the weekly fit: 48 blocks, 5 cultivars, 3 seasons, three shapes."""
    rng = np.random.default_rng(1)
    rows = []
    lasting = rng.normal(0, 1, (48, 3)) * [0.035, 4.0, 0.06]
    for season in range(3):
        for b in range(48):
            phi = (
                np.array([np.log(45), 43.0 + 3 * (b % 5), np.log(17)])
                + lasting[b]
                + rng.normal(0, 1, 3) * [0.03, 4, 0.06]
            )
            x = 25 + 7 * np.arange(10 if season < 2 else 5) + rng.normal(0, 1, 10 if season < 2 else 5)
            y = np.exp(OIL_SHAPES["logistic"](x, *phi) + rng.normal(0, CV, len(x)))
            rows += [(a, v, f"b{b}", f"c{b % 5}", j, season) for j, (a, v) in enumerate(zip(x, y, strict=True))]
    d = pd.DataFrame(rows, columns=["x", "y", "block", "cultivar", "week", "season"])
    fit_oil(*(d[c] for c in d), current=2)
    begin = time.process_time()
    fit = fit_oil(*(d[c] for c in d), current=2)
    middle = time.process_time()
    fit.draw(192, np.random.default_rng(0)).dry_pct(np.tile(np.arange(120.0), (48, 1)))
    print(
        f"\nfit of 48 blocks, 3 seasons, {len(d)} samples, 3 shapes: {middle - begin:.2f} s CPU; "
        f"192 draws over 120 days: {time.process_time() - middle:.2f} s CPU"
    )


def flat(sizes):
    """CPU seconds of all three fits by number of blocks: one cultivar per 200 blocks, a past season and 5 weeks."""
    print("\nfits of oil (shapes averaged), colour and moisture: blocks, CPU s, ms per block")
    for blocks in sizes:
        rng = np.random.default_rng(blocks)
        b = np.repeat(np.arange(blocks), 15)
        season = np.tile(np.repeat([0, 1], [10, 5]), blocks)
        week = np.tile(np.concatenate([np.arange(10), np.arange(5)]), blocks)
        own = rng.normal(0, 1, (blocks, 3)) * [0.05, 5.0, 0.08]
        x = 28 + 7.0 * week + rng.normal(0, 1, len(b))
        phi = np.array([np.log(45), 45.0, np.log(17)]) + own[b]
        oil = np.exp(OIL_SHAPES["logistic"](x, *phi.T) + rng.normal(0, CV, len(b)))
        ripe = 3 * (x - 60) / 30 + rng.normal(0, 0.4, len(b))
        below = 1 / (1 + np.exp(ripe[:, None] - 1.4 * np.arange(-2.0, 5.0)))
        share = np.diff(np.column_stack([np.zeros(len(b)), below, np.ones(len(b))]), axis=1)
        counts = rng.multinomial(50, share)
        wet = 66 - 0.2 * x + rng.normal(0, 1.0, blocks)[b] + rng.normal(0, 0.7, len(b))
        cultivar, visit = b // 200, season * 100 + week
        begin = time.process_time()
        fit_oil(x, oil, b, cultivar, visit, season, current=1)
        oil_s = time.process_time() - begin
        fit_colour(
            counts, x, b, cultivar=cultivar, week=visit, season=season, seasons=[1], prior=COLOUR_PRIOR, scale=30.0
        )
        colour_s = time.process_time() - begin - oil_s
        fit_moisture(wet, x, b, cultivar=cultivar, week=visit, season=season, seasons=[1], prior=MOISTURE_PRIOR)
        total = time.process_time() - begin
        parts = f"oil {oil_s:.2f}, colour {colour_s:.2f}, moisture {total - oil_s - colour_s:.2f}"
        print(f"  {blocks:6d} {total:7.2f} {1000 * total / blocks:7.2f}   ({parts})")


SPARSE_PRIOR = {
    "log_plateau": (np.log(44.0), 0.15),
    "midpoint": (45.0, 20.0),
    "log_scale": (np.log(19.0), 0.5),
    "sd(log_plateau)": (0.05, 0.6),
    "sd(midpoint)": (5.0, 0.6),
    "sd(log_scale)": (0.1, 0.6),
    "sigma": (0.06, 0.4),
}


def groups_of(rng, blocks, visits):
    """Log oil of blocks on the rising part of a logistic with a plateau of 45 %."""
    phi = np.array([np.log(45), 43.0, np.log(17)]) + rng.normal(0, 1, (blocks, 3)) * [0.05, 5.0, 0.085]
    x = 24 + 7 * np.arange(visits) + rng.normal(0, 0.8, (blocks, visits))
    y = OIL_SHAPES["logistic"](x, *phi.T[:, :, None]) + rng.normal(0, CV, (blocks, visits))
    return x.ravel(), y.ravel(), np.repeat(np.arange(blocks), visits)


def sparse(sets, seed):
    """Fits of 40 blocks with 3 or 4 samples each, the plateau not yet seen: by fit_mixed, and by fit_oil."""
    failed, wrong, outside, plateaus, oil_plateaus, begin = 0, 0, 0, [], [], time.process_time()
    for number in range(sets):
        x, y, group = groups_of(np.random.default_rng([seed, number]), 40, 3 + number % 2)
        fit = fit_mixed(
            OIL_SHAPES["logistic"], x, y, group, random=["log_plateau", "midpoint", "log_scale"], prior=SPARSE_PRIOR
        )
        failed += not fit.converged
        wrong += not np.isfinite(fit.parameters[["value", "se"]].to_numpy(float)).all()
        plateaus.append(np.exp(fit.fixed["log_plateau"]))
    mixed_s = (time.process_time() - begin) / sets
    oil_failed, begin = 0, time.process_time()
    low, high = PLATEAU_BOUNDS_PCT
    for number in range(sets):
        x, y, group = groups_of(np.random.default_rng([seed, number]), 40, 3 + number % 2)
        week = np.tile(np.arange(3 + number % 2), 40)
        fit = fit_oil(x, np.exp(y), group, ["one"] * len(x), week, np.zeros(len(x), int), current=0)
        draws = fit.draw(100, np.random.default_rng(number))
        oil_failed += not fit.converged
        wrong += not np.isfinite(draws.dry_pct(np.tile(np.arange(0.0, 120.0, 10), (40, 1)))).all()
        wrong += not np.isfinite(fit.residuals["residual_sd"]).all()
        outside += int((draws.plateau < low - 1e-9).sum() + (draws.plateau > high + 1e-9).sum())
        oil_plateaus.append(np.median(draws.plateau))
    oil_s = (time.process_time() - begin) / sets
    for name, fails, values, spent in (
        ("fit_mixed", failed, plateaus, mixed_s),
        ("fit_oil", oil_failed, oil_plateaus, oil_s),
    ):
        q = np.quantile(values, [0.1, 0.5, 0.9])
        print(
            f"\n{sets} sparse sets (40 blocks, 3 or 4 samples), {name}: {fails} not converged; plateau (truth 45) "
            f"median {q[1]:.1f}, 10 to 90 %: {q[0]:.1f} to {q[2]:.1f}; {spent:.2f} s CPU each"
        )
    print(f"sets with a number that is not finite: {wrong}; drawn plateaus outside {low:g} to {high:g} %: {outside}")


def from_the_prior(rng, blocks, visits):
    """One first season whose truth is drawn from the oil model's own priors: samples, true log oil as a function."""
    prior = default_priors(["one"]).iloc[0]
    names, chance = zip(*SHAPE_PRIOR.items(), strict=True)
    shape = OIL_SHAPES[rng.choice(names, p=np.array(chance) / sum(chance))]
    sd = {
        name: median * np.exp(spread * rng.standard_normal()) * (prior["scale_d"] if name.endswith("midpoint") else 1.0)
        for name, median, spread in _HYPER
    }
    parts = ("log_plateau", "midpoint", "log_scale")
    mean = np.array([np.log(prior["plateau_dry_pct"]), prior["midpoint_d"], np.log(prior["scale_d"])])
    wide = np.array([prior["plateau_sd_fraction"], prior["midpoint_sd_d"], prior["scale_sd_log"]])
    season, lasting, own = (
        np.array([sd[f"{kind} {p}"] for p in parts]) for kind in ("season", "lasting", "this season")
    )
    curve = mean + np.hypot(wide, season) * rng.standard_normal(3)
    phi = curve + np.hypot(lasting, own) * rng.standard_normal((blocks, 3))
    x = 28 + 7.0 * np.arange(visits) + rng.normal(0, 0.8, (blocks, visits))
    y = shape(x, *phi.T[:, :, None]) + sd["week"] * rng.standard_normal(visits)
    y = y + sd["sample"] * rng.standard_t(STUDENT_NU, (blocks, visits))
    block, week = np.indices(y.shape)
    table = pd.DataFrame({"x": x.ravel(), "y": np.exp(y).ravel(), "block": block.ravel(), "week": week.ravel()})
    return table, lambda at: np.exp(shape(np.asarray(at, float), *phi.T[:, :, None])), np.exp(phi[:, 0])


def calibration(sets, seed, blocks=40, visits=5, draws=200):
    """Ranks of truths among draws when the truth comes from the priors: flat when the ranges keep their word.

    Returns a table: quantity, then the share of blocks in ten bins of the rank.
    """
    ahead = np.array([0.0, 14.0, 28.0])
    ranks = {name: [] for name in ("plateau", "oil now", "oil 14 d on", "oil 28 d on")}
    for number in range(sets):
        rng = np.random.default_rng([seed, 99, number])
        table, truth, plateau = from_the_prior(rng, blocks, visits)
        fit = fit_oil(
            *(table[c] for c in ("x", "y", "block")), ["one"] * len(table), table["week"], np.zeros(len(table), int),
            current=0,
            blocks=pd.DataFrame({"block_id": [str(b) for b in range(blocks)], "cultivar": "one"}),
        )  # fmt: skip
        drawn = fit.draw(draws, rng)
        at = np.tile(table["x"].max() + ahead, (blocks, 1))
        oil, true = drawn.dry_pct(at), truth(at)
        ranks["plateau"].append((drawn.plateau < np.clip(plateau, *PLATEAU_BOUNDS_PCT)).mean(0))
        for k, name in enumerate(list(ranks)[1:]):
            ranks[name].append((oil[..., k] < true[:, k]).mean(0))
    bins = np.linspace(0, 1, 11)
    return pd.DataFrame(
        {name: np.histogram(np.clip(values, 0, 1 - 1e-9), bins)[0] / np.size(values) for name, values in ranks.items()}
    ).T


def print_calibration(table, sets):
    print(f"\nranks of the truth among draws, {sets} first seasons drawn from the priors; 0.10 in every bin is right")
    for name, row in table.iterrows():
        print(f"  {name:12s}", *(f"{v:5.2f}" for v in row), f"   inside 80 %: {row.iloc[1:9].sum():.2f}")


def large(seed, sizes):
    """CPU seconds and the bias of the plateau while it is not yet seen, three varying parameters, full covariance."""
    print("\nfits of blocks x 8 weeks, full covariance: method, CPU s, plateau (truth 45)")
    for blocks in sizes:
        x, y, group = groups_of(np.random.default_rng(seed), blocks, 8)
        for method in ("laplace", "linearised"):
            begin = time.process_time()
            fit = fit_mixed(logistic, x, np.exp(y), group, random=["plateau", "midpoint", "scale"], method=method)
            spent = time.process_time() - begin
            print(f"  {blocks:5d} {method:10s} {spent:6.2f} {fit.fixed['plateau']:7.2f}  converged {fit.converged}")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="fewer seasons, within 50 seconds")
    parser.add_argument("--seasons", type=int, help="simulated seasons per truth")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--truths", default=",".join(TRUTHS))
    args = parser.parse_args()
    seasons = args.seasons or (1 if args.quick else 12)
    truths = args.truths.split(",")[: 3 if args.quick else None]
    begin = time.perf_counter()
    speed()
    flat((100,) if args.quick else (100, 1000, 10000))
    sparse(3 if args.quick else 1000, args.seed)
    sets = 3 if args.quick else 200
    print_calibration(calibration(sets, args.seed), sets)
    large(args.seed, (300,) if args.quick else (300, 1000))
    table = forecasts(seasons, args.seed, truths)
    print(f"\n{seasons} seasons of {BLOCKS} blocks per truth, seed {args.seed}")
    print_forecasts(table)
    print(f"\n{time.process_time():.0f} s CPU, {time.perf_counter() - begin:.0f} s by the clock")
    return table


if __name__ == "__main__":
    main()
