"""Are the curves right: what was foretold of samples before they were taken, and how far blocks are drawn together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import stdtrit
from threadpoolctl import threadpool_limits

from olivetime.ripening.mixed import STUDENT_NU, FitError, OilDraws, OilFit
from olivetime.ripening.outcomes import draw_oil, fit_oil_samples, oil_samples

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.weather.stations import StationDays

FORETOLD = ("sample_id", "block_id", "day", "observed", "told_p10", "told_p50", "told_p90", "line")
POOLED = ("block_id", "samples_n", "day", "own", "own_rate", "fitted", "fitted_rate")


def foretold(
    season: Season, station_days: StationDays, *, weeks: int = 3, n_draws: int = 200, seed: int = 0
) -> pd.DataFrame:
    """What the samples of the last weeks were expected to read, told from the samples before each week alone.

    Parameters
    ----------
    season : Season
    station_days : StationDays
        The weather that came is taken as known: the curves are asked, not the outlook.
    weeks : int
        How many weeks with samples, the newest first; each is one more fit.
    n_draws : int
        Draws behind each range.
    seed : int

    Returns
    -------
    DataFrame
        sample_id, block_id, day, observed [% dry], told_p10/p50/p90 [% dry] of the sample itself (the errors of its
        week and of one sample included), line: where a straight line through the block's own earlier samples would
        have it [% dry], missing with fewer than two of them.
    """
    samples = oil_samples(season, station_days)
    now = samples[(samples["season"] == season.label) & ~samples["below"]]
    monday = now["day"] - pd.to_timedelta(now["day"].dt.day_of_week, unit="D")
    parts = []
    for number, begin in enumerate(sorted(monday.unique())[-weeks:]):
        before = samples[samples["day"] < begin]
        week = now[monday == begin]
        if not len(before):
            continue
        with threadpool_limits(limits=1, user_api="blas"):
            try:
                fit, load = fit_oil_samples(before.reset_index(drop=True), season, station_days, seed=seed)
            except FitError:
                continue
        rng = np.random.default_rng([seed, 4, number])
        low, mid, high = _expected(fit, draw_oil(fit, load, n_draws, rng), week, rng)
        parts.append(
            pd.DataFrame(
                {
                    "sample_id": week["sample_id"].to_numpy(),
                    "block_id": week["block_id"].to_numpy(),
                    "day": week["day"].to_numpy(),
                    "observed": week["oil_dry_pct"].to_numpy(float),
                    "told_p10": low,
                    "told_p50": mid,
                    "told_p90": high,
                    "line": _straight_on(before[(before["season"] == season.label) & ~before["below"]], week),
                }
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(FORETOLD))


def _expected(fit: OilFit, draws: OilDraws, week: pd.DataFrame, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """10, 50 and 90 % points of what samples of one week would read [% dry]."""
    n = len(draws.shape)
    row = pd.Index(fit.block_ids).get_indexer(week["block_id"])
    # Samples stand in one row of x for each block: the k-th sample of a block is its k-th column.
    place = week.groupby("block_id").cumcount().to_numpy()
    x = np.zeros((len(fit.block_ids), int(place.max()) + 1))
    x[row, place] = week["x"].to_numpy(float)
    dry = draws.dry_pct(x)[:, row, place]
    spread = fit.parameters[fit.parameters["part"] == "spread"]
    weight = fit.shape_weights.mean(axis=0)
    sd = {
        name: float(weight @ spread[spread["name"] == f"sd of {name}"]["value"].to_numpy(float))
        for name in ("week", "sample")
    }
    shared = sd["week"] * rng.standard_normal((n, 1))
    log = np.log(dry) + shared + sd["sample"] * rng.standard_t(STUDENT_NU, dry.shape)
    return tuple(np.exp(np.quantile(log, [0.1, 0.5, 0.9], axis=0)))


def _straight_on(before: pd.DataFrame, week: pd.DataFrame) -> np.ndarray:
    """A straight line through each block's earlier samples of this season, carried on to the week's samples [% dry]."""
    x, y = before["x"].astype(float), before["oil_dry_pct"].astype(float)
    block = before["block_id"]
    mean_x, mean_y = x.groupby(block).mean(), y.groupby(block).mean()
    away = x - block.map(mean_x)
    spread = (away**2).groupby(block).sum()
    rate = (away * y).groupby(block).sum() / spread.where(spread > 1e-9)
    own = week["block_id"]
    return (own.map(mean_y) + own.map(rate) * (week["x"].astype(float) - own.map(mean_x))).to_numpy(float)


def expected_sd(residuals: pd.DataFrame) -> np.ndarray:
    """What each oil residual would be if errors were as assumed: Student's quantile of its rank, missing elsewhere.

    Drawn against the residuals themselves this is a QQ plot. Ranks count as (rank - 0.5) / n.
    """
    rank = residuals["residual_sd"].where(residuals["kind"] == "oil").astype(float).rank(method="first").to_numpy()
    return stdtrit(STUDENT_NU, (rank - 0.5) / np.isfinite(rank).sum())


def pooled(residuals: pd.DataFrame) -> pd.DataFrame:
    """How far each block's own samples and its curve lie apart: level and rate of oil by either.

    A straight line through the block's samples of the season, and the same line through its curve on the same days;
    what differs is what the block borrows from the others and from past seasons.

    Parameters
    ----------
    residuals : DataFrame
        Rows of `RipeningFit.residuals` of one season.

    Returns
    -------
    DataFrame
        block_id, samples_n, day (of the newest sample), own and fitted [% dry] on that day, own_rate and fitted_rate
        [points of dry oil a week]. Blocks with samples on fewer than two days are left out.
    """
    rows = residuals[(residuals["kind"] == "oil") & residuals["observed"].notna() & residuals["fitted"].notna()]
    day = pd.to_datetime(rows["day"])
    table = pd.DataFrame(
        {
            "block_id": rows["block_id"].to_numpy(),
            "day": day.to_numpy(),
            "weeks": ((day - day.min()).dt.days / 7.0).to_numpy(),
            "own": rows["observed"].to_numpy(float),
            "fitted": rows["fitted"].to_numpy(float),
        }
    )
    by = table.groupby("block_id")
    out = by.agg(samples_n=("own", "size"), day=("day", "max"))
    middle, last = by["weeks"].mean(), by["weeks"].max()
    away = table["weeks"] - table["block_id"].map(middle)
    spread = (away**2).groupby(table["block_id"]).sum()
    for name in ("own", "fitted"):
        rate = (away * table[name]).groupby(table["block_id"]).sum() / spread.where(spread > 1e-9)
        out[name] = by[name].mean() + rate * (last - middle)
        out[f"{name}_rate"] = rate
    return out[out["own_rate"].notna()].reset_index()[list(POOLED)]
