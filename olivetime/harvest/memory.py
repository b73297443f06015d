"""What past errors say of the ranges: wider where they were missed too often, narrower where they were too safe.

Each later sample is set against the 80 % range that was told before it. Its miss is counted in half ranges: 0 at the
middle, 1 at the range's end on its own side. The 80 % point of these misses is the factor by which the range should
have been multiplied (a conformal range whose width follows the forecast's own; from memory). Few cases say little: the
factor's logarithm is drawn towards none by as much as `PRIOR_CASES` cases would weigh, where the samples of one week,
which share its errors, count for less than as many single ones.

The rule `range_memory_weeks` lets the week's own ranges be multiplied so; it is off unless set.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd

from olivetime.harvest.forecasts import as_known, season_forecasts
from olivetime.records.season import Season
from olivetime.ripening.outcomes import Outcomes

COVER = 0.8  # share of later samples that the ranges promise to hold
PRIOR_CASES = 10.0  # cases that the forecast's own range is worth; our choice
WEEK_SHARE = 0.1  # how alike the misses of one replayed week are (intra-class correlation); from memory
MEMORY_COLUMNS = ("kind", "lead_weeks", "cases_n", "weeks_n", "inside_before", "factor", "inside_after")


def half_ranges(forecasts: pd.DataFrame) -> np.ndarray:
    """Miss of each later sample in half ranges of its own side: 1 at the end of the 80 % range, (N,)."""
    observed, middle = forecasts["observed"].to_numpy(float), forecasts["p50"].to_numpy(float)
    above = observed >= middle
    half = np.where(above, forecasts["p90"].to_numpy(float) - middle, middle - forecasts["p10"].to_numpy(float))
    return np.abs(observed - middle) / np.maximum(half, 1e-9)


def _factor(misses: np.ndarray, weeks: np.ndarray) -> float:
    """Factor for the half ranges from past misses, drawn towards 1 when they are few."""
    n = len(misses)
    if n == 0:
        return 1.0
    # the conformal quantile: the ceil((n + 1) 0.8)-th smallest
    at = min(int(np.ceil((n + 1) * COVER)), n) - 1
    point = max(float(np.sort(misses)[at]), 1e-3)
    counts = pd.Series(weeks).value_counts().to_numpy(float)
    worth = float((counts / (1.0 + (counts - 1.0) * WEEK_SHARE)).sum())
    return float(np.exp(worth / (worth + PRIOR_CASES) * np.log(point)))


def lead_weeks(lead_days: pd.Series) -> pd.Series:
    """Lead in whole weeks, counted from 1: days 1 to 7 are the first."""
    return np.maximum(1, np.ceil(lead_days / 7)).astype(int).rename("lead_weeks")


def remember(forecasts: pd.DataFrame) -> pd.DataFrame:
    """How past ranges did, by kind and lead, and the factor to use from now on.

    Parameters
    ----------
    forecasts : pandas.DataFrame
        as_of, kind, lead_days, p10, p50, p90, observed; one row for each later sample.

    Returns
    -------
    pandas.DataFrame
        kind, lead_weeks, cases_n, weeks_n, inside_before (share in the ranges as told), factor, inside_after (share
        in the ranges times a factor learned from the other weeks only; missing with a single week).
    """
    if forecasts.empty:
        return pd.DataFrame(columns=list(MEMORY_COLUMNS))
    table = forecasts.assign(miss=half_ranges(forecasts), lead_weeks=lead_weeks(forecasts["lead_days"]))
    rows = []
    for (kind, lead), part in table.groupby(["kind", "lead_weeks"], sort=True):
        miss, week = part["miss"].to_numpy(), part["as_of"].to_numpy()
        names = pd.unique(week)
        after = np.nan
        if len(names) > 1:
            held = [miss[week == w] <= _factor(miss[week != w], week[week != w]) for w in names]
            after = float(np.concatenate(held).mean())
        rows.append((kind, int(lead), len(part), len(names), float((miss <= 1).mean()), _factor(miss, week), after))
    return pd.DataFrame(rows, columns=list(MEMORY_COLUMNS))


def past_misses(season: Season, weeks: int, *, seed: int = 0) -> pd.DataFrame:
    """Memory of the last weeks of a season, from its own records as they stood on those days.

    Parameters
    ----------
    season : Season
    weeks : int
        Past weeks that are told again and held against the samples since; each costs one fit of the curves.
    seed : int, optional

    Returns
    -------
    pandas.DataFrame
        As `remember`.
    """
    first = max(season.as_of - timedelta(days=7 * weeks), season.start + timedelta(days=1))
    return remember(season_forecasts(lambda day: as_known(season, day), season, first, seed=seed))


def factor_by_day(memory: pd.DataFrame, kind: str, days_n: int) -> np.ndarray:
    """Factor on each day ahead, (days_n,): straight between the middles of the weeks, level beyond them."""
    part = memory[memory["kind"] == kind].sort_values("lead_weeks")
    if part.empty:
        return np.ones(days_n)
    middle = 7.0 * part["lead_weeks"].to_numpy(float) - 3.5
    return np.exp(np.interp(np.arange(days_n), middle, np.log(part["factor"].to_numpy(float))))


def with_memory(outcomes: Outcomes, memory: pd.DataFrame) -> Outcomes:
    """Draws of this season moved from or towards their middle by the factors of memory.

    Parameters
    ----------
    outcomes : Outcomes
    memory : pandas.DataFrame
        From `remember`.

    Returns
    -------
    Outcomes
        Dry oil, moisture and maturity with ranges times the factor; fresh oil and tonnes follow from them.
    """
    days_n = outcomes.oil_dry_pct.shape[2]

    def moved(draws: np.ndarray, kind: str, low: float, high: float) -> np.ndarray:
        factor = factor_by_day(memory, kind, days_n)
        middle = np.median(draws, axis=0)
        return np.clip(middle + factor * (draws - middle), low, high)

    dry = moved(outcomes.oil_dry_pct, "oil_dry_pct", 0.0, 90.0)
    wet = moved(outcomes.moisture_pct, "moisture_pct", 1.0, 95.0)
    before = (100.0 - outcomes.oil_dry_pct) * (100.0 - outcomes.moisture_pct)
    crop = outcomes.crop_t * before / ((100.0 - dry) * (100.0 - wet))
    fresh = dry * (1.0 - wet / 100.0)
    return replace(
        outcomes, oil_dry_pct=dry, moisture_pct=wet, oil_fresh_pct=fresh,
        maturity_index=moved(outcomes.maturity_index, "maturity_index", 0.0, 7.0), crop_t=crop,
        oil_t=crop * fresh / 100.0,
        assumptions=pd.concat([outcomes.assumptions, _assumptions(memory)], ignore_index=True),
    )  # fmt: skip


def _assumptions(memory: pd.DataFrame) -> pd.DataFrame:
    """One row for each kind: the mean factor of its ranges."""
    rows = [
        (f"range_memory_{kind}", float(part["factor"].mean()), "", "past misses",
         "ranges are multiplied by so much, mean of the leads; rule range_memory_weeks")
        for kind, part in memory.groupby("kind", sort=True)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["name", "value", "unit", "source", "says"])


def ranges_ahead(outcomes: Outcomes, memory: pd.DataFrame, *, weeks: int = 4) -> pd.DataFrame:
    """Ranges of dry oil of this season one to four weeks ahead, before and after memory.

    Returns
    -------
    pandas.DataFrame
        block_id, day, lead_weeks, p50_pct, before_p10_pct, before_p90_pct, after_p10_pct, after_p90_pct.
    """
    after = with_memory(outcomes, memory)
    parts = []
    for lead in range(1, weeks + 1):
        t = 7 * lead - 3
        if t >= len(outcomes.days):
            break
        old = np.quantile(outcomes.oil_dry_pct[:, :, t], [0.1, 0.5, 0.9], axis=0)
        new = np.quantile(after.oil_dry_pct[:, :, t], [0.1, 0.9], axis=0)
        parts.append(pd.DataFrame({
            "block_id": list(outcomes.block_ids), "day": outcomes.days[t], "lead_weeks": lead, "p50_pct": old[1],
            "before_p10_pct": old[0], "before_p90_pct": old[2], "after_p10_pct": new[0], "after_p90_pct": new[1],
        }))  # fmt: skip
    columns = [
        "block_id", "day", "lead_weeks", "p50_pct", "before_p10_pct", "before_p90_pct", "after_p10_pct",
        "after_p90_pct",
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
