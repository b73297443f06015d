"""The weather that came, in the form of a scenario: measured days first, then what may follow.

Orders of past weeks and of simulated seasons are walked through it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from olivetime.weather.cold_spots import with_cold_spots
from olivetime.weather.degree_days import DEGREE_DAYS_PER_THERMAL_DAY, degree_days
from olivetime.weather.scenarios import SOILS, Scenarios, workable_fraction
from olivetime.weather.scenarios import scenarios as make_scenarios
from olivetime.weather.stations import (
    RAIN_MEMORY_D,
    StationDays,
    rain_memory,
    station_days,
)

if TYPE_CHECKING:
    from olivetime.records.season import Season


def weather_that_came(season: Season, known: StationDays, later: Scenarios | None = None) -> Scenarios:
    """Weather from a past as-of day on as it was measured, and after the last measured day as `later` says.

    Parameters
    ----------
    season : Season
        As of the past day.
    known : StationDays
        Measured and filled days known later.
    later : Scenarios, optional
        What may follow, to the season's end; its first day is the first that is not taken from `known`. Without it
        the record must reach the season's end.

    Returns
    -------
    Scenarios
        One scenario without `later`, else as many as `later` has, alike up to its first day.

    Raises
    ------
    ValueError
        When the record ends before `later` begins, or before the season's end without it.
    """
    measured = station_days(season)
    season, _ = with_cold_spots(season, measured)
    frame = make_scenarios(season, measured, n=1, seed=0)
    days, calendar = frame.days, known.calendar
    n = len(days) if later is None else (later.days[0] - days[0]).days
    row = (days[0] - calendar[0]).days
    if row + n > len(calendar) or n < 0:
        raise ValueError(
            f"weather_that_came: the record ends on {calendar[-1]:%Y-%m-%d}, expected every day from "
            f"{days[0]:%Y-%m-%d} to {days[n - 1]:%Y-%m-%d}. Give scenarios for the days after it."
        )

    def whole(measured: np.ndarray, ahead: np.ndarray | None) -> np.ndarray:
        past = measured[row : row + n].T[None]
        return past if ahead is None else np.concatenate([np.repeat(past, len(ahead), axis=0), ahead], axis=2)

    low = whole(known.temp_min_c, None if later is None else later.station_temp_min_c)
    high = whole(known.temp_max_c, None if later is None else later.station_temp_max_c)
    rain = whole(known.rain_mm, None if later is None else later.station_rain_mm)
    begin = max(row - (days[0] - pd.Timestamp(season.start)).days, 0)
    before = np.repeat(np.nan_to_num(known.rain_mm[begin:row]).T[None], len(rain), axis=0)
    ground = workable_fraction(np.concatenate([before, np.nan_to_num(rain)], axis=2), season.rules)
    ground = ground[..., row - begin :]
    rules = season.rules
    daily = degree_days(low, high, lower_c=float(rules["heat_lower_c"]), upper_c=float(rules["heat_upper_c"]))
    so_far = known.heat_d[row - 1] if row > begin else np.zeros(low.shape[1])
    heat = np.cumsum(daily, axis=2) / DEGREE_DAYS_PER_THERMAL_DAY + so_far[None, :, None]
    memory = rain_memory(np.nan_to_num(rain), RAIN_MEMORY_D, known.rain_memory_mm[row - 1] if row > 0 else 0.0)
    at, soil = frame.station_of_block, pd.Index(SOILS).get_indexer(season.blocks["soil"])
    at_blocks: dict[str, Any] = {
        name: np.ascontiguousarray(np.take(values, at, axis=1), dtype=np.float32)
        for name, values in (
            ("temp_min_c", low), ("temp_max_c", high), ("rain_mm", rain), ("heat_d", heat), ("rain_memory_mm", memory),
        )
    }  # fmt: skip
    at_blocks["temp_min_c"] -= season.blocks["colder_c"].to_numpy(np.float32)[:, None]
    np.minimum(at_blocks["temp_min_c"], at_blocks["temp_max_c"], out=at_blocks["temp_min_c"])
    came = f"as measured for {n} days"
    return replace(
        frame, **at_blocks, workable_fraction=ground[:, at, soil].astype(np.float32), station_temp_min_c=low,
        station_temp_max_c=high, station_rain_mm=rain, station_workable_fraction=ground,
        origin=(came,) if later is None else tuple(f"{came}, then {words}" for words in later.origin),
    )  # fmt: skip
