"""Equally likely weather from today to the season's end, at every block.

A scenario is one possible future of all stations together: the day already measured, then an outlook member
for part of its lead, then past seasons. Blocks follow their station; a block in a cold spot has colder
nights. Rain becomes ground and leaves that let the machines work or not.

How long a scenario stays with its member is drawn so that the share still with the outlook falls with the
lead: without a record of earlier outlooks to correct a raw ensemble by, its odds are blended with those of
past seasons, day by day of lead, and no two values are ever averaged. An outlook that earlier issues have
corrected is kept to its last day.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from olivetime.languages import mark
from olivetime.weather.cold_spots import cold_spot_findings, with_cold_spots
from olivetime.weather.degree_days import DEGREE_DAYS_PER_THERMAL_DAY, degree_days
from olivetime.weather.outlook import Outlook, PastDays, evenly, outlook, past_days
from olivetime.weather.skill import correct_outlook
from olivetime.weather.stations import (
    RAIN_MEMORY_D,
    StationDays,
    loggers_only,
    rain_memory,
)
from olivetime.words import tell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from olivetime.records.season import Season

DRYING: Mapping[str, str] = MappingProxyType(
    {
        "light": mark("Days light soil dries for each {rain} of rain."),
        "medium": mark("Days medium soil dries for each {rain} of rain."),
        "heavy": mark("Days heavy soil dries for each {rain} of rain."),
    }
)
SOILS = tuple(DRYING)
_ENGLISH = MappingProxyType({"units": "metric", "locale": "en_GB", "currency": "EUR"})
GROUND_MEMORY_D = 60  # measured days before today that may still wet the ground [d]; far more than any cap


@dataclass(frozen=True)
class Scenarios:
    """Equally likely weather at the blocks; S scenarios, B blocks, T days, G stations.

    Attributes
    ----------
    days : DatetimeIndex
        From as_of to the season's end (T).
    block_ids : tuple of str
        Blocks in the season's order (B).
    stations : tuple of str
        Stations (G).
    temp_min_c, temp_max_c : ndarray of float32, shape (S, B, T)
        Lowest and highest temperature at the block [C]; the minimum is colder_c below the station's.
    rain_mm : ndarray of float32, shape (S, B, T)
        Rain of the day [mm].
    heat_d : ndarray of float32, shape (S, B, T)
        Heat since the season's start at the end of the day [thermal days], counted at the station.
    rain_memory_mm : ndarray of float32, shape (S, B, T)
        Sum of past rain, each day's fading as exp(-age / 8 d) [mm], at the end of the day.
    workable_fraction : ndarray of float32, shape (S, B, T)
        Share of the shift in which ground and leaves allow work, 0-1.
    past_days : DatetimeIndex
        Days of this season before as_of (P).
    past_temp_min_c : ndarray of float32, shape (B, P)
        Believed or filled lows at the block on those days [C].
    station_of_block : ndarray of int, shape (B,)
        Index into `stations`.
    station_temp_min_c, station_temp_max_c, station_rain_mm : ndarray, shape (S, G, T)
        The same at the stations.
    station_workable_fraction : ndarray, shape (S, G, 3, T)
        Share by soil: light, medium, heavy.
    origin : tuple of str
        Where each scenario comes from.
    outlook : Outlook
        The outlook that was used, with its findings.
    assumptions : DataFrame
        name, value, unit, source, says; says_parts: the same as JSON for `olivetime.words.tell` where it holds
        quantities, else "".
    findings : DataFrame
        What is to be said of the outlook and of the blocks' own loggers, columns as `Season.findings`.
    """

    days: pd.DatetimeIndex
    block_ids: tuple[str, ...]
    stations: tuple[str, ...]
    temp_min_c: np.ndarray
    temp_max_c: np.ndarray
    rain_mm: np.ndarray
    heat_d: np.ndarray
    rain_memory_mm: np.ndarray
    workable_fraction: np.ndarray
    past_days: pd.DatetimeIndex
    past_temp_min_c: np.ndarray
    station_of_block: np.ndarray
    station_temp_min_c: np.ndarray
    station_temp_max_c: np.ndarray
    station_rain_mm: np.ndarray
    station_workable_fraction: np.ndarray
    origin: tuple[str, ...]
    outlook: Outlook
    assumptions: pd.DataFrame
    findings: pd.DataFrame


def scenarios(
    season: Season, station_days: StationDays, *, n: int, seed: int, past_outlooks: pd.DataFrame | None = None
) -> Scenarios:
    """Draw equally likely weather from today to the season's end.

    Parameters
    ----------
    season : Season
        Uses `blocks`, `stations`, `outlook`, `as_of`, `start`, `end`, `label` and the rules named in
        `assumptions`.
    station_days : StationDays
        Measured and filled days.
    n : int
        Scenarios (S), at least 1.
    seed : int
        Same seed and inputs, same scenarios.
    past_outlooks : DataFrame, optional
        Every issue of the outlook on file, columns as `Season.outlook`; from enough of them the outlook is
        corrected (`olivetime.weather.skill.correct_outlook`).

    Returns
    -------
    Scenarios

    Raises
    ------
    ValueError
        For fewer than one scenario, a plan that ends before today, or a block at an unknown station.

    Notes
    -----
    Members are used equally often to within one, and so are past seasons. A scenario is with its member on
    days of lead l with chance r(l) = 2^-(l / outlook_trust_d)^2, never beyond the outlook's last day: one
    half have left it at a lead of outlook_trust_d. All stay to its last day when earlier issues have corrected
    it. An uncorrected outlook of one member tells nothing of its error: its
    temperatures get the past seasons' departures from their mean, times sqrt(1 - r^2), as if r were its
    correlation with what comes (our choice).

    Why blend: of 4,971 raw 11-member forecasts of rain at Innsbruck (data set RainIbk), the second half scored a
    Brier score of 0.264 for more than 10 mm, the first half's own frequency 0.189, and half of each 0.183.
    """
    if n < 1:
        raise ValueError(f"scenarios: n is {n}, expected at least 1. Ask for one scenario or more.")
    days = pd.date_range(pd.Timestamp(season.as_of), pd.Timestamp(season.end), freq="D", unit="us")
    if len(days) == 0:
        raise ValueError(
            f"scenarios: the plan ends on {season.end} and today is {season.as_of}, expected a day to come. "
            "Set a later end in season.toml."
        )
    season, spots = with_cold_spots(season, station_days)
    us = getattr(season, "units", "metric") == "us"
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(4,)))
    ahead, corrected = outlook(season, station_days), False
    if past_outlooks is not None:
        measured = station_days.days[station_days.days["fill"] == ""]
        ahead, corrected = correct_outlook(ahead, station_days.stations, past_outlooks, measured)
    past = past_days(season, station_days, days, n=n, rng=rng)
    trust_d = np.inf if corrected else max(float(season.rules["outlook_trust_d"]), 0.1)
    low, high, rain, member_days, member = _station_weather(trust_d, station_days, days, ahead, past, n, rng)

    rules = season.rules
    before = np.nan_to_num(station_days.rain_mm[station_days.calendar < days[0]][-GROUND_MEMORY_D:]).T
    ground = workable_fraction(np.concatenate([np.broadcast_to(before, (n, *before.shape)), rain], axis=2), rules)
    ground = ground[..., before.shape[1] :]
    heat = _heat_ahead(season, station_days, days, low, high)
    memory = _rain_memory_ahead(station_days, days, rain)

    blocks = season.blocks
    at = pd.Index(list(station_days.stations)).get_indexer(pd.Index(blocks["station_id"].to_numpy(object)))
    if np.any(at < 0):
        lost = blocks["block_id"].iloc[int(np.argmax(at < 0))]
        raise ValueError(f"scenarios: block {lost} has no station on record. Correct its station_id.")
    soil = pd.Index(SOILS).get_indexer(pd.Index(blocks["soil"].to_numpy(object)))
    colder = blocks["colder_c"].to_numpy(np.float32)
    temp_max = _at_blocks(high, at)
    temp_min = _at_blocks(low, at)
    if np.any(colder):
        temp_min -= colder[:, None]
    if np.any(colder < 0):  # a warm spot's nights stay below its afternoons
        np.minimum(temp_min, temp_max, out=temp_min)
    past_rows = (station_days.label == season.label) & (station_days.calendar < days[0])
    past_low, past_high = (v[past_rows].T[at] for v in (station_days.temp_min_c, station_days.temp_max_c))
    return Scenarios(
        days=days,
        block_ids=tuple(blocks["block_id"].astype(str)),
        stations=station_days.stations,
        temp_min_c=temp_min,
        temp_max_c=temp_max,
        rain_mm=_at_blocks(rain, at),
        heat_d=_at_blocks(heat, at),
        rain_memory_mm=_at_blocks(memory, at),
        workable_fraction=_at_blocks(ground.reshape(n, -1, len(days)), at * len(SOILS) + soil),
        past_days=station_days.calendar[past_rows],
        past_temp_min_c=np.minimum(past_low - colder[:, None], past_high).astype(np.float32),
        station_of_block=at,
        station_temp_min_c=low,
        station_temp_max_c=high,
        station_rain_mm=rain,
        station_workable_fraction=ground,
        origin=tuple(
            f"member {m} for {k} days, then {words}" if k else words
            for m, k, words in zip(member, member_days, past.words, strict=True)
        ),
        outlook=ahead,
        assumptions=_assumptions(season, ahead, past, spots, n, corrected=corrected),
        findings=pd.concat(
            [ahead.findings, past.findings, cold_spot_findings(spots, fahrenheit=us)], ignore_index=True
        ),
    )


def workable_fraction(rain_mm: np.ndarray, rules: Mapping[str, float | str]) -> np.ndarray:
    """Share of the shift in which ground and leaves let a machine work, by soil.

    A day with rain_stop_mm or more is lost and wets the ground: dry_days_* days of drying for each 10 mm, at
    most dry_days_cap. Each following day dries one such day and is lost until the ground carries. Leaves stay
    wet for leaf_wet_h hours of the morning after such a day, and for a share of leaf_wet_h after less rain.

    Parameters
    ----------
    rain_mm : ndarray, shape (..., T)
        Rain of consecutive days [mm]; dry ground before the first.
    rules : mapping
        rain_stop_mm, dry_days_light, dry_days_medium, dry_days_heavy, dry_days_cap, leaf_wet_h.

    Returns
    -------
    ndarray, shape (..., 3, T)
        Share for light, medium and heavy soil, 0-1.

    Notes
    -----
    No published table of days to dry by depth of rain was found; every number is a rule the grower can set.
    """
    stop_mm = float(rules["rain_stop_mm"])
    per_mm = np.array([float(rules[f"dry_days_{soil}"]) for soil in SOILS]) / 10.0
    cap = float(rules["dry_days_cap"])
    rain = np.moveaxis(np.asarray(rain_mm, float), -1, 0)
    stopped = rain >= stop_mm
    leaf_lost = wet_leaf_hours(rain_mm, rules) / 24.0
    leaf_lost = np.moveaxis(leaf_lost, -1, 0)
    wet = np.zeros((*rain.shape[1:], len(SOILS)))
    share = np.empty((len(rain), *wet.shape), np.float32)
    for t in range(len(rain)):
        now = stopped[t][..., None]
        share[t] = np.where(now, 0.0, 1.0 - np.maximum(np.minimum(wet, 1.0), leaf_lost[t][..., None]))
        soaked = np.minimum(cap, wet + rain[t][..., None] * per_mm)
        wet = np.where(now, soaked, np.maximum(wet - 1.0, 0.0))
    return np.moveaxis(share, 0, -1)


def wet_leaf_hours(rain_mm: np.ndarray, rules: Mapping[str, float | str]) -> np.ndarray:
    """Hours of the day with leaves wet from rain [h]; dew is not known and not counted.

    Parameters
    ----------
    rain_mm : ndarray, shape (..., T)
        Rain of consecutive days [mm].
    rules : mapping
        rain_stop_mm [mm], leaf_wet_h [h].

    Returns
    -------
    ndarray, shape (..., T)
        24 on a day with rain_stop_mm or more; else leaf_wet_h times rain / rain_stop_mm, and leaf_wet_h more
        on the morning after such a day [h].
    """
    rain = np.asarray(rain_mm, float)
    stop_mm, leaf_h = float(rules["rain_stop_mm"]), float(rules["leaf_wet_h"])
    stopped = rain >= stop_mm
    after = np.zeros_like(stopped)
    after[..., 1:] = stopped[..., :-1]
    light = leaf_h * rain / stop_mm if stop_mm > 0 else np.zeros_like(rain)
    return np.where(stopped, 24.0, np.minimum(24.0, light + leaf_h * after))


def weather_table(
    season: Season, station_days: StationDays, scenarios: Scenarios, *, measured_days: int = 10
) -> pd.DataFrame:
    """Weather of the last measured days and of the days ahead at each station.

    Parameters
    ----------
    season : Season
        Uses the rules frost_threshold_c, rain_stop_mm and shift_max_h.
    station_days : StationDays
        Measured days, shown with every range shrunk to the value.
    scenarios : Scenarios
        Days ahead.
    measured_days : int, optional
        How many of the last measured days are shown.

    Returns
    -------
    DataFrame
        station_id, day, measured, temp_min_p10_c, temp_min_p50_c, temp_min_p90_c, temp_max_p10_c,
        temp_max_p50_c, temp_max_p90_c [C], rain_p50_mm, rain_mean_mm [mm], rain_chance (of rain_stop_mm or
        more, 0-1), frost_chance (of a low below frost_threshold_c at the station, 0-1), work_h (mean hours of
        a shift of shift_max_h in which medium soil and leaves allow work) [h].
    """
    rules = season.rules
    medium = SOILS.index("medium")
    rows = len(station_days.calendar)
    first = max(rows - measured_days, 0)
    back = max(rows - measured_days - GROUND_MEMORY_D, 0)
    past_ground = workable_fraction(np.nan_to_num(station_days.rain_mm[back:]).T, rules)[:, medium, first - back :]
    new = scenarios.days > station_days.calendar[-1]
    parts = []
    for days, measured, low, high, rain, ground in (
        (
            station_days.calendar[first:],
            True,
            station_days.temp_min_c[first:].T[None],
            station_days.temp_max_c[first:].T[None],
            np.nan_to_num(station_days.rain_mm[first:].T[None]),
            past_ground[None],
        ),
        (
            scenarios.days[new],
            False,
            scenarios.station_temp_min_c[..., new],
            scenarios.station_temp_max_c[..., new],
            scenarios.station_rain_mm[..., new],
            scenarios.station_workable_fraction[:, :, medium][..., new],
        ),
    ):
        low_q, high_q = (_ranges(v) for v in (low, high))
        parts.append(
            pd.DataFrame(
                {
                    "station_id": np.repeat(np.asarray(scenarios.stations, object), len(days)),
                    "day": np.tile(days.to_numpy(), len(scenarios.stations)),
                    "measured": measured,
                    **{f"temp_min_p{q}_c": v for q, v in zip((10, 50, 90), low_q, strict=True)},
                    **{f"temp_max_p{q}_c": v for q, v in zip((10, 50, 90), high_q, strict=True)},
                    "rain_p50_mm": np.median(rain, axis=0).ravel(),
                    "rain_mean_mm": rain.mean(axis=0, dtype=float).ravel(),
                    "rain_chance": (rain >= float(rules["rain_stop_mm"])).mean(axis=0).ravel(),
                    "frost_chance": (low < float(rules["frost_threshold_c"])).mean(axis=0).ravel(),
                    "work_h": float(rules["shift_max_h"]) * ground.mean(axis=0, dtype=float).ravel(),
                }
            )
        )
    table = pd.concat([part for part in parts if len(part)], ignore_index=True).dropna(subset="temp_min_p50_c")
    table = table[~table["station_id"].isin(loggers_only(season))]
    return table.sort_values(["station_id", "day"], kind="stable", ignore_index=True)


def ground_table(season: Season, scenarios: Scenarios) -> pd.DataFrame:
    """Hours that ground and leaves leave for picking, by soil, and the chance that a day is lost.

    Parameters
    ----------
    season : Season
        Uses the rules shift_max_h, rain_stop_mm and leaf_wet_h.
    scenarios : Scenarios
        Days ahead.

    Returns
    -------
    DataFrame
        station_id, soil ("light", "medium" or "heavy"), day, work_h (mean hours of a shift of shift_max_h), work_p10_h
        (in the worst tenth of the scenarios less) [h], lost_chance (chance that nothing can be done that day, 0-1),
        wet_leaf_h (mean hours with leaves wet from rain) [h], lost_days_p10, lost_days_p50, lost_days_p90 (days lost
        from today up to that day) [d].
    """
    shift_h = float(season.rules["shift_max_h"])
    share = scenarios.station_workable_fraction  # (S, G, soils, T)
    lost = share <= 0
    hours = shift_h * share.mean(axis=0, dtype=float)
    wet = wet_leaf_hours(scenarios.station_rain_mm, season.rules).mean(axis=0)
    worst = shift_h * np.quantile(share, 0.1, axis=0, method="weibull")
    days_lost = np.quantile(np.cumsum(lost, axis=3), [0.1, 0.5, 0.9], axis=0, method="weibull")
    stations_n, soils_n, days_n = share.shape[1:]
    table = pd.DataFrame(
        {
            "station_id": np.repeat(np.asarray(scenarios.stations, object), soils_n * days_n),
            "soil": np.tile(np.repeat(np.asarray(SOILS, object), days_n), stations_n),
            "day": np.tile(scenarios.days.to_numpy(), stations_n * soils_n),
            "work_h": hours.ravel(),
            "work_p10_h": worst.ravel(),
            "lost_chance": lost.mean(axis=0).ravel(),
            "wet_leaf_h": np.repeat(wet[:, None], soils_n, axis=1).ravel(),
            **{f"lost_days_p{q}": v.ravel() for q, v in zip((10, 50, 90), days_lost, strict=True)},
        }
    )
    return table[~table["station_id"].isin(loggers_only(season))].reset_index(drop=True)


def frost_table(season: Season, scenarios: Scenarios, *, threshold_c: float | None = None) -> pd.DataFrame:
    """Chance of frost at each block and night.

    Parameters
    ----------
    season : Season
        Uses the rule frost_threshold_c.
    scenarios : Scenarios
        Days ahead.
    threshold_c : float, optional
        Another threshold [C].

    Returns
    -------
    DataFrame
        block_id, day, chance (share of scenarios with a low below the threshold, 0-1), one row for each block
        and day, blocks in the season's order.
    """
    limit = np.float32(season.rules["frost_threshold_c"] if threshold_c is None else threshold_c)
    chance = (scenarios.temp_min_c < limit).mean(axis=0)
    return pd.DataFrame(
        {
            "block_id": np.repeat(np.asarray(scenarios.block_ids, object), len(scenarios.days)),
            "day": np.tile(scenarios.days.to_numpy(), len(scenarios.block_ids)),
            "chance": chance.ravel(),
        }
    )


def _ranges(values: np.ndarray) -> np.ndarray:
    """10, 50 and 90 per cent points over the scenarios, (3, G T).

    The i-th of n equally likely values is the i / (n + 1) point: a new value falls below it with that chance.
    """
    return np.quantile(values, [0.1, 0.5, 0.9], axis=0, method="weibull").reshape(3, -1)


def _station_weather(
    trust_d: float,
    station_days: StationDays,
    days: pd.DatetimeIndex,
    ahead: Outlook,
    past: PastDays,
    n: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Lows, highs and rain at the stations (S, G, T), and each scenario's days with its member."""
    shift = past.shift_c[:, None, :]
    low = station_days.temp_min_c[past.rows].transpose(0, 2, 1) + shift
    high = station_days.temp_max_c[past.rows].transpose(0, 2, 1) + shift
    rain = station_days.rain_mm[past.rows].transpose(0, 2, 1)
    low, high, rain = (np.ascontiguousarray(v, np.float32) for v in (low, high, rain))

    member_days, member = np.zeros(n, int), np.full(n, -1)
    if ahead.members:
        chosen = evenly(len(ahead.members), n, rng)
        # Evenly spread chances, shuffled: the share with the outlook at each lead is right to within one
        # scenario.
        leave_d = trust_d * np.sqrt(-np.log2((rng.permutation(n) + 0.5) / n))
        stays = ahead.lead_days <= leave_d[:, None]
        place = np.asarray((ahead.days - days[0]).days)
        still = 2.0 ** -((ahead.lead_days / trust_d) ** 2)
        spread = np.sqrt(1 - still**2) if len(ahead.members) == 1 else 0.0
        for ours, theirs, own_spread in (
            (low, ahead.temp_min_c, spread),
            (high, ahead.temp_max_c, spread),
            (rain, ahead.rain_mm, 0.0),
        ):
            past_part = ours[:, :, place]
            outlook_part = theirs[chosen] + own_spread * (past_part - past_part.mean(axis=0))
            ours[:, :, place] = np.where(stays[:, None, :], outlook_part, past_part)
        np.maximum(high, low, out=high)
        member_days, member = stays.sum(axis=1), np.asarray(ahead.members)[chosen]
    known = len(station_days.calendar) - (days[0] - station_days.calendar[0]).days
    if known > 0:  # today is on record already
        for ours, measured in (
            (low, station_days.temp_min_c),
            (high, station_days.temp_max_c),
            (rain, station_days.rain_mm),
        ):
            ours[:, :, :known] = measured[-known:].T
    return low, high, rain, member_days, member


def _heat_ahead(
    season: Season, station_days: StationDays, days: pd.DatetimeIndex, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Heat at the end of each day ahead [thermal days], (S, G, T)."""
    daily = degree_days(
        low, high, lower_c=float(season.rules["heat_lower_c"]), upper_c=float(season.rules["heat_upper_c"])
    )
    row = (days[0] - station_days.calendar[0]).days - 1
    so_far = station_days.heat_d[row] if row >= 0 and station_days.label[row] == season.label else 0.0
    total = np.cumsum(daily, axis=2) / DEGREE_DAYS_PER_THERMAL_DAY
    return (total + np.reshape(so_far, (-1, 1))).astype(np.float32)


def _rain_memory_ahead(station_days: StationDays, days: pd.DatetimeIndex, rain: np.ndarray) -> np.ndarray:
    """Rain memory at the end of each day ahead [mm], (S, G, T)."""
    row = (days[0] - station_days.calendar[0]).days - 1
    memory = np.broadcast_to(station_days.rain_memory_mm[row] if row >= 0 else 0.0, rain.shape[:2])
    return rain_memory(rain, RAIN_MEMORY_D, memory).astype(np.float32)


def _own_thresholds(season: Season) -> list[tuple[str, float]]:
    """Frost thresholds that are not the rule's: whose, and how much [C]."""
    found = []
    for name, key in (("cultivars", "cultivar"), ("blocks", "block_id")):
        table = getattr(season, name, None)
        if table is not None and "frost_threshold_c" in table and table["frost_threshold_c"].notna().any():
            rows = table.dropna(subset="frost_threshold_c")
            found += [(f"{name}: {k}", float(v)) for k, v in zip(rows[key], rows["frost_threshold_c"], strict=True)]
    return found


def _at_blocks(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Copy (S, G, T) to the blocks, (S, B, T) float32."""
    return np.take(np.asarray(values, np.float32), at, axis=1)


def _assumptions(
    season: Season, ahead: Outlook, past: PastDays, spots: pd.DataFrame, n: int, *, corrected: bool
) -> pd.DataFrame:
    rules = season.rules
    memory = "assumed, from memory; no published figure found"
    rows = [
        ("scenarios", n, "", "our choice", "Equally likely futures drawn."),
        ("outlook", ahead.says, "", "outlook", "What the days ahead are taken from first."),
        *(
            [("outlook source", said, "", "[outlook] of season.toml", "Whose it is and how old; goes with every use.")]
            if (said := getattr(season, "outlook_said", ""))
            else []
        ),
        *(
            []
            if corrected
            else [
                (
                    "outlook_trust_d",
                    rules["outlook_trust_d"],
                    "d",
                    "our choice; too few earlier outlooks to correct this one by",
                    "Lead at which half the scenarios have left the outlook: its odds are blended, not corrected.",
                )
            ]
        ),
        *(
            [("outlook spread", "sqrt(1 - r^2)", "", "our choice", "Share of past departures laid on its one member.")]
            if len(ahead.members) == 1
            else []
        ),
        ("past seasons", past.says, "", "weather_days table", "What stands for the days after the outlook."),
        *(
            [
                (
                    "warmth not seen yet",
                    float(past.shift_c[:, -1].std()),
                    "C",
                    "derived: variance 2 s^2 / n of n past seasons with standard deviation s",
                    "Scatter laid on whole scenarios, since few seasons scatter less than the next one will.",
                )
            ]
            if past.shift_c.any() and past.seasons
            else []
        ),
        (
            "degree days",
            "single sine, horizontal cut-off",
            "",
            "formulas of Zalom et al. 1983; choice by own comparison with hourly records",
            (
                mark("Heat counts between {low} and {high}; {sum} degree days are one thermal day."),
                {
                    "low": {"temp": float(rules["heat_lower_c"])},
                    "high": {"temp": float(rules["heat_upper_c"])},
                    "sum": {"degree_days": DEGREE_DAYS_PER_THERMAL_DAY},
                },
            ),
        ),
        (
            "cold spots",
            "colder_c of each block",
            "C",
            "blocks table",
            "Taken off every night's low at the block; heat is the station's, for samples and forecast.",
        ),
        *(
            (
                f"cold spot {spot.block_id}",
                spot.used_c,
                "C",
                f"its logger {spot.logger_id}",
                f"Of {spot.nights_n} nights.",
            )
            for spot in (spots.itertuples(index=False) if len(spots) else ())
            if spot.used == "logger"
        ),
        *(
            ("frost_threshold_c", limit, "C", f"{whose}, from memory", "Night minimum below which its fruit is hurt.")
            for whose, limit in _own_thresholds(season)
        ),
        ("rain memory", RAIN_MEMORY_D, "d", "our choice", "Time constant with which rain leaves the fruit."),
        (
            "rain_stop_mm",
            rules["rain_stop_mm"],
            "mm",
            memory,
            "Rain of a day from which the whole day is lost.",
        ),
        *(
            (
                f"dry_days_{soil}",
                rules[f"dry_days_{soil}"],
                "d",
                memory,
                (drying, {"rain": {"rain": 10.0}}),
            )
            for soil, drying in DRYING.items()
        ),
        (
            "dry_days_cap",
            rules["dry_days_cap"],
            "d",
            memory,
            "Longest time the ground stays closed after rain.",
        ),
        (
            "leaf_wet_h",
            rules["leaf_wet_h"],
            "h",
            memory,
            "Hours leaves stay wet after rain; dew is not counted.",
        ),
    ]
    table = pd.DataFrame(rows, columns=["name", "value", "unit", "source", "says"])
    quantities = [isinstance(said, tuple) for said in table["says"]]
    return table.assign(
        value=[f"{v:g}" if isinstance(v, (int, float)) else str(v) for v in table["value"]],
        says=[tell([said], _ENGLISH) if q else said for said, q in zip(table["says"], quantities, strict=True)],
        says_parts=[json.dumps([said]) if q else "" for said, q in zip(table["says"], quantities, strict=True)],
    )
