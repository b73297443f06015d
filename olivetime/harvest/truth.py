"""The truth of invented seasons: weather, fruit and what a laboratory reads of it; every assumption a row.

The sample seasons of `olivetime.demo` and the simulated seasons of `olivetime.harvest.simulator` share it. It is
deliberately not the model that olivetime fits: its heat is the mean temperature above a base, two cultivars rise
straight to a plateau, colour and moisture have laws of their own.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr, ndtri

HEAT_BASE_C = 7.5  # base of the truth's heat: mean temperature of the day above it
HEAT_UNIT_C = 15.0  # of which so many degrees are one thermal day
RAIN_MEMORY_D = 8.0  # days over which rain leaves the fruit
CUTPOINTS = np.array([-2.5, -0.5, 1.2, 2.8, 4.6, 6.3, 7.8])  # between colour classes, in logits


class Assumption(NamedTuple):
    """One number that the simulator assumes."""

    name: str
    value: float
    unit: str
    source: str
    says: str


_NONE = "assumed, no source"
_PROTOTYPE = "assumed; as in our first comparison of policies"
_LAW = "empty: the climate's own; a value takes its place"
ASSUMPTIONS: tuple[Assumption, ...] = (
    Assumption("season_plateau_sd", 0.015, "log", _NONE, "plateau of all blocks, from season to season"),
    Assumption("season_midpoint_sd_d", 2.5, "thermal days", _NONE, "half of the plateau, from season to season"),
    Assumption("season_scale_sd", 0.05, "log", _NONE, "pace of ripening, from season to season"),
    Assumption("block_plateau_sd", 0.03, "log", _NONE, "plateau of a block, lasting"),
    Assumption("block_midpoint_sd_d", 3.5, "thermal days", _NONE, "half of the plateau of a block, lasting"),
    Assumption("block_scale_sd", 0.05, "log", _NONE, "pace of ripening of a block, lasting"),
    Assumption("passing_fraction", 0.8, "-", _NONE, "the same of a block in one season, times the lasting one"),
    Assumption("load_plateau", 0.006, "per t/ha", _NONE, "plateau lost by each t/ha above 8.5"),
    Assumption("load_midpoint_d", 0.5, "thermal days", _NONE, "delay by each t/ha above 8.5"),
    Assumption("later_d", 0.0, "thermal days", _NONE, "all fruit later than its cultivar's usual course, on all farms"),
    Assumption("crop_sd", 0.17, "log", _NONE, "crop of a block about its cultivar's, each season"),
    Assumption("crop_estimate_sd", 0.10, "log", _PROTOTYPE, "error of the grower's crop estimate"),
    Assumption("oil_cv", 0.042, "log", _NONE, "error of one oil reading, fruit and laboratory, cut at 2 sd"),
    Assumption("oil_week_cv", 0.015, "log", _NONE, "error of oil that a week's readings share"),
    Assumption("moisture_sd_pct", 0.7, "points", _NONE, "error of one moisture reading, cut at 2 sd"),
    Assumption("moisture_week_sd_pct", 0.4, "points", _NONE, "error of moisture that a week's readings share"),
    Assumption("colour_sd", 0.3, "logit", _NONE, "colour of a sample about its block's, beyond counting"),
    Assumption("colour_week_sd", 0.1, "logit", _NONE, "the same, shared by a week"),
    Assumption("fruits_n", 100.0, "fruit", "common practice, no source", "fruit counted in each sample"),
    Assumption("sample_every_d", 7.0, "days", "common practice, no source", "days between samples of a block"),
    Assumption("sample_missed", 0.08, "chance", _NONE, "samples that are missed"),
    Assumption("low_first_c", np.nan, "C", _LAW, "mean night low on the plan's first day; highs are the climate's"),
    Assumption("low_last_c", np.nan, "C", _LAW, "the same on the last day, on a straight line between"),
    Assumption("wet_first_chance", np.nan, "chance", _LAW, "days with rain, up to the first day of the plan"),
    Assumption("wet_last_chance", np.nan, "chance", _LAW, "the same on the last day, on a straight line between"),
    Assumption("wet_mm", np.nan, "mm", _LAW, "rain of every day with rain"),
    Assumption("temp_sd_c", 2.6, "C", _NONE, "day's mean temperature about the yearly wave"),
    Assumption("warm_season_sd_c", 0.7, "C", _NONE, "warmth of a whole season"),
    Assumption("cold_spell_chance", 0.75, "chance", _NONE, "seasons with a cold spell late in the harvest"),
    Assumption("cold_spell_least_c", 4.0, "C", _NONE, "least depth of the spell below the wave"),
    Assumption("cold_spell_most_c", 8.0, "C", _NONE, "greatest depth of the spell"),
    Assumption("cold_spell_shift_sd_d", 14.0, "days", _NONE, "scatter of its date"),
    Assumption("outlook_members", 11.0, "members", _NONE, "members of each outlook; a new one every morning"),
    Assumption("outlook_days", 10.0, "days", _NONE, "days that an outlook covers"),
    Assumption("outlook_lead_d", 0.5, "days", _NONE, "lead of an outlook's first day; at 0 the day itself is known"),
    Assumption("temp_skill_d", 7.0, "days", _PROTOTYPE, "skill for temperature and frost fades as exp(-lead / this)"),
    Assumption("rain_skill_d", 4.5, "days", _PROTOTYPE, "the same for rain"),
    Assumption("load_fraction", 0.85, "fraction", _PROTOTYPE, "hours needed over workable hours of the whole plan"),
    Assumption("plan_days", np.nan, "days", "empty: so many that the load is right", "days of the plan, speed to suit"),
    Assumption("mill_over_harvest", 1.10, "-", _PROTOTYPE, "mill's daily tonnes over the harvesters' mean"),
    Assumption("area_median_ha", 7.0, "ha", _PROTOTYPE, "block area, log-normal, 1.5 to 30 ha"),
    Assumption("area_sd", 0.6, "log", _NONE, "scatter of block areas"),
    Assumption("blocks_per_harvester", 40.0, "blocks", _PROTOTYPE, "one harvester for so many blocks"),
    Assumption("normal_shift_h", 16.0, "h", "from memory: two crews of eight hours", "hours beyond are overtime"),
    Assumption("past_weather_n", 16.0, "seasons", _NONE, "past seasons of weather on record"),
    Assumption("past_samples_n", 1.0, "seasons", _NONE, "past seasons of samples on record"),
    Assumption("ticket_oil_cv", 0.025, "log", _NONE, "error of the fat that a mill ticket tells"),
    Assumption("ticket_moisture_sd_pct", 0.6, "points", _NONE, "error of the moisture that a mill ticket tells"),
    Assumption("oil_out_cv", 0.01, "log", _NONE, "error of the oil that a mill ticket tells"),
    Assumption("mill_keeps_fraction", 0.12, "fraction", _NONE, "oil left in the fat-free dry matter; records say 0.10"),
)
ASSUMED: Mapping[str, float] = MappingProxyType({row.name: row.value for row in ASSUMPTIONS})
# What makes the records and the outlook tell the truth: errors of 0, skill that does not fade, one member.
NO_NOISE: Mapping[str, float] = MappingProxyType(
    dict.fromkeys(
        (
            "crop_estimate_sd", "oil_cv", "oil_week_cv", "moisture_sd_pct", "moisture_week_sd_pct", "colour_sd",
            "colour_week_sd", "sample_missed", "ticket_oil_cv", "ticket_moisture_sd_pct", "oil_out_cv",
        ),
        0.0,
    )
    | {"outlook_members": 1.0, "outlook_days": 400.0, "temp_skill_d": np.inf, "rain_skill_d": np.inf}
)  # fmt: skip


def assumptions_table(change: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Every number that the simulator assumes: name, value, unit, source, says.

    Parameters
    ----------
    change : mapping, optional
        Values to use instead.

    Raises
    ------
    ValueError
        For a name that is not assumed.
    """
    values = assumed_values(change)
    return pd.DataFrame([row._replace(value=values[row.name]) for row in ASSUMPTIONS])


def assumed_values(change: Mapping[str, float] | None) -> Mapping[str, float]:
    """Value of every assumption by name, with those of `change` instead; an unknown name is an error."""
    unknown = sorted(set(change or {}) - set(ASSUMED))
    if unknown:
        raise ValueError(
            f"simulator: found {unknown[0]!r} among the assumptions to change, expected one of "
            f"{', '.join(ASSUMED)}. Correct the name."
        )
    return MappingProxyType({**ASSUMED, **(change or {})})


# --- the truth: weather and fruit ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ripening:
    """How a cultivar ripens: thermal days (d), per cent, t/ha, grams; `late_d` moves its usual pick [d]."""

    shape: str
    plateau_dry_pct: float
    midpoint_d: float
    scale_d: float
    colour_midpoint_d: float
    moisture_pct: float
    crop_t_ha: float
    fruit_g: float
    late_d: float
    published_plateau_pct: float | None
    plateau_source: str
    maturity_aim: float


_POLARI = "Polari, Crawford and Wang 2021, Agronomy 11(2):313, abstract; read as dry basis"

CULTIVARS: dict[str, Ripening] = {
    "Arbequina": Ripening("logistic", 42.0, 44, 14, 83, 0.0, 8.5, 1.5, 0, 41.8, _POLARI, 2.2),
    "Arbosana": Ripening("logistic", 45.5, 50.5, 17, 92, 0.8, 9.0, 1.6, 20, 45.4, _POLARI, 1.8),
    "Koroneiki": Ripening("plateau_line", 46.5, 55, 23, 89, -2.5, 7.5, 1.0, 33, 45.7, _POLARI, 3.0),
    "Picual": Ripening("logistic", 46.0, 47, 15, 79, -1.5, 8.0, 3.4, 12, None, "", 3.5),
    "Sikitita": Ripening(
        "plateau_line",
        48.5,
        45,
        19.5,
        83,
        -0.5,
        8.5,
        1.8,
        -3,
        49.0,
        "abstract of a hedgerow trial in California, 2017-18",
        2.2,
    ),
}


@dataclass(frozen=True)
class Climate:
    """Weather of a place: yearly wave of the mean [C], half a dry day's range [C], chance of a wet day by month."""

    mean_c: float
    swing_c: float
    warmest_doy: int
    half_range_c: float
    wet_chance: tuple[float, ...]  # of a day, January to December
    rain_scale_mm: float


NORTH = Climate(
    mean_c=16.8, swing_c=8.4, warmest_doy=205, half_range_c=6.8,
    wet_chance=(0.28, 0.27, 0.24, 0.17, 0.10, 0.03, 0.005, 0.01, 0.03, 0.11, 0.20, 0.27), rain_scale_mm=6.0,
)  # fmt: skip
SOUTH = Climate(
    mean_c=18.6, swing_c=8.0, warmest_doy=18, half_range_c=7.4,
    wet_chance=(0.13, 0.12, 0.09, 0.06, 0.05, 0.05, 0.06, 0.06, 0.05, 0.05, 0.07, 0.10), rain_scale_mm=4.5,
)  # fmt: skip
# Pay, invented: currency per kg of oil or tonne of fruit.
CONTRACTS: tuple[dict[str, Any], ...] = (
    {"contract_id": "OWN", "kind": "own", "price_oil_kg": 5.6, "virgin_factor": 0.6},
    {"contract_id": "OIL", "kind": "oil_kg", "price_oil_kg": 4.7, "virgin_factor": 0.65},
    {"contract_id": "OIL-ORG", "kind": "oil_kg", "price_oil_kg": 6.0, "virgin_factor": 0.6},
    {
        "contract_id": "SCALE", "kind": "fruit_oil_scale", "price_fruit_t": 610, "base_oil_pct": 16.0,
        "step_per_point": 0.06, "virgin_factor": 0.7,
    },
    {"contract_id": "FLAT", "kind": "fruit_flat", "price_fruit_t": 590, "virgin_factor": 0.75},
)  # fmt: skip


def keyed_rng(seed: int, *keys: object) -> np.random.Generator:
    """Random numbers of their own for each purpose: what is added elsewhere does not move them."""
    return np.random.default_rng([seed, zlib.crc32("/".join(map(str, keys)).encode())])


def ar1(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    """Series of n values that keep `phi` of the day before, of variance one."""
    noise = rng.standard_normal(n)
    series = np.empty(n)
    series[0] = noise[0]
    for i in range(1, n):
        series[i] = phi * series[i - 1] + np.sqrt(1 - phi**2) * noise[i]
    return series


def weather_from(
    climate: Climate, days: pd.DatetimeIndex, warmer_c: float, warm: np.ndarray, wet: np.ndarray, cold_c: np.ndarray,
    warm_season_c: float | np.ndarray, *, temp_sd_c: float = ASSUMED["temp_sd_c"],
    low_c: np.ndarray | None = None, wet_chance: np.ndarray | None = None, wet_mm: float = np.nan,
) -> dict[str, np.ndarray]:  # fmt: skip
    """Turn the hidden variables of one station into temperature [C] and rain [mm].

    Parameters
    ----------
    climate : Climate
    days : DatetimeIndex (T,)
    warmer_c : float
        How much warmer the station is [C].
    warm, wet : ndarray (..., T)
        Hidden standard normal series of warmth and wetness.
    cold_c : ndarray (..., T)
        Depth of the cold spell [C].
    warm_season_c : float or array
        Warmth of the whole season [C].
    temp_sd_c : float, optional
    low_c, wet_chance : ndarray (T,), optional
        Mean night low [C] and chance of a day with rain instead of the climate's.
    wet_mm : float, optional
        Rain of every day with rain instead of the climate's [mm].

    Returns
    -------
    dict
        temp_min_c, temp_max_c [C] and rain_mm [mm], each (..., T).
    """
    doy = days.day_of_year.to_numpy()
    middle = np.array([-15, *np.cumsum([15, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30]), 380])
    by_month = climate.wet_chance
    chance = np.interp(doy, middle, [by_month[-1], *by_month, by_month[0]]) if wet_chance is None else wet_chance
    rainy = wet > -ndtri(chance)
    share = np.where(rainy, np.clip(ndtr(-wet) / chance, 1e-9, 1.0), 1.0)
    fell_mm = 0.3 + climate.rain_scale_mm * (-np.log(share)) ** 1.15 if np.isnan(wet_mm) else wet_mm
    rain_mm = np.where(rainy, fell_mm, 0.0)
    wave = climate.mean_c + climate.swing_c * np.cos(2 * np.pi * (doy - climate.warmest_doy) / 365)
    mean_c = wave + warmer_c + warm_season_c + temp_sd_c * warm - 0.6 * rainy - cold_c
    half_c = climate.half_range_c * np.where(rainy, 0.62, 1.04) + 0.6 * np.tanh(warm)
    lowest_c = mean_c - half_c if low_c is None else low_c + warmer_c + temp_sd_c * warm - cold_c
    return {
        "temp_min_c": np.round(lowest_c, 2),
        "temp_max_c": np.round(np.maximum(mean_c + half_c, lowest_c), 2),
        "rain_mm": np.round(rain_mm, 2),
    }


def cold_spell_c(days_n: int, middle_d: float, depth_c: float, length_d: float) -> np.ndarray:
    """Depth of a cold spell on each day of the season [C], (days_n,)."""
    return depth_c * np.clip(1.3 - np.abs(np.arange(days_n) - middle_d) / (length_d / 1.5), 0, 1)


def heat_and_rain(days: pd.DataFrame) -> dict[str, np.ndarray]:
    """Thermal days and remembered rain of one station and season, both at the end of each day.

    Parameters
    ----------
    days : pandas.DataFrame
        day, temp_min_c, temp_max_c [C], rain_mm [mm] of consecutive days.

    Returns
    -------
    dict
        day, heat_d [thermal days of the truth], rain_memory_mm [mm].
    """
    mean_c = (days["temp_min_c"].to_numpy() + days["temp_max_c"].to_numpy()) / 2
    rain_mm = days["rain_mm"].to_numpy()
    memory = np.empty(len(rain_mm))
    held = 0.0
    for i, fell in enumerate(rain_mm):
        held = held * np.exp(-1 / RAIN_MEMORY_D) + fell
        memory[i] = held
    return {
        "day": days["day"].to_numpy(),
        "heat_d": np.cumsum(np.maximum(mean_c - HEAT_BASE_C, 0)) / HEAT_UNIT_C,
        "rain_memory_mm": memory,
    }


def _oil(shape: str, plateau: float, midpoint: float, scale: float, x: np.ndarray) -> np.ndarray:
    if shape == "logistic":
        return plateau * expit((x - midpoint) / scale)
    # Straight rise through (midpoint, plateau / 2) reaching the plateau two scales later, corner rounded.
    corner = 1.5
    return plateau - corner * np.logaddexp(0, plateau * (midpoint + 2 * scale - x) / (4 * scale) / corner)


def fruit_course(row: Mapping[str, Any], climate: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Fruit of one block on each day of its season, from its parameters and the weather.

    Parameters
    ----------
    row : mapping
        What `block_truth` returns.
    climate : dict
        What `heat_and_rain` returns.

    Returns
    -------
    dict of ndarray
        oil_dry_pct [% dry], moisture_pct, oil_fresh_pct [% fresh], colour_eta [logit], maturity_index, fallen_pct
        [%], crop_t_ha [t/ha on the tree].
    """
    x = climate["heat_d"]
    oil = np.maximum(_oil(row["shape"], row["plateau_dry_pct"], row["midpoint_d"], row["scale_d"], x), 0.5)
    moisture = (
        row["moisture_floor_pct"]
        + (row["moisture_start_pct"] - row["moisture_floor_pct"])
        * np.exp(-row["moisture_rate_d"] * (np.arange(len(x)) - 31))
        + row["rain_pct_per_mm"] * climate["rain_memory_mm"]
    )
    moisture = np.clip(moisture, 42, 74)
    eta = row["colour_slope"] * (x - row["colour_midpoint_d"])
    maturity = (1 - expit(CUTPOINTS[:, None] - eta)).sum(axis=0)
    fallen = 100 - 100 * np.exp(-np.cumsum(0.0004 + 0.0056 * expit((maturity - 4) / 0.25)))
    on_tree = (1 - fallen / 100) / ((1 - oil / 100) * (1 - moisture / 100))
    return {
        "oil_dry_pct": oil,
        "moisture_pct": moisture,
        "oil_fresh_pct": oil * (1 - moisture / 100),
        "colour_eta": eta,
        "maturity_index": maturity,
        "fallen_pct": fallen,
        "crop_t_ha": row.get("non_oil_dry_t_ha", 1.0) * on_tree,
    }


def block_truth(
    seed: int, key: str, label: int, block: Mapping[str, Any], climate: dict[str, np.ndarray], crop_on: date, *,
    shift: Mapping[str, float] | None = None, assumed: Mapping[str, float] = ASSUMED,
) -> dict[str, float | str]:  # fmt: skip
    """Parameters of one block in one season, rounded so that a file of them holds exactly what was used.

    Parameters
    ----------
    seed : int
    key : str
        Name of the farm; other farms get other random numbers.
    label : int
        Year in which the season starts.
    block : mapping
        block_id, cultivar, station_id.
    climate : dict
        What `heat_and_rain` returns.
    crop_on : datetime.date
        Day whose crop [t/ha] is drawn.
    shift : mapping, optional
        Added to midpoint_d and colour_midpoint_d; factor `crop`.
    assumed : mapping, optional
    """
    cultivar = CULTIVARS[block["cultivar"]]
    block_id = block["block_id"]
    shift = {} if shift is None else shift
    names = ("plateau_sd", "midpoint_sd_d", "scale_sd")
    lasting_sd = np.array([assumed[f"block_{name}"] for name in names])
    season = keyed_rng(seed, key, "season", label).normal(0, [assumed[f"season_{name}"] for name in names])
    lasting = keyed_rng(seed, key, "block", block_id).normal(0, lasting_sd)
    rng = keyed_rng(seed, key, "block", block_id, label)
    passing = rng.normal(0, assumed["passing_fraction"] * lasting_sd)
    crop = np.clip(cultivar.crop_t_ha * np.exp(rng.normal(0, assumed["crop_sd"])), 5.2, 11.8) * shift.get("crop", 1.0)
    effect = season + lasting + passing
    load = crop - 8.5
    late_d = assumed["load_midpoint_d"] * load + assumed["later_d"]
    plateau = cultivar.plateau_dry_pct * np.exp(effect[0]) * (1 - assumed["load_plateau"] * load)
    row: dict[str, float | str] = {
        "block_id": block_id,
        "station_id": block["station_id"],
        "shape": cultivar.shape,
        "plateau_dry_pct": round(float(plateau), 3),
        "midpoint_d": round(float(cultivar.midpoint_d + effect[1] + late_d) + shift.get("midpoint_d", 0), 3),
        "scale_d": round(float(cultivar.scale_d * np.exp(effect[2])), 3),
        "colour_slope": 0.16,
        "colour_midpoint_d": round(
            float(cultivar.colour_midpoint_d + 0.6 * effect[1] + rng.normal(0, 1.5) + late_d)
            + shift.get("colour_midpoint_d", 0),
            3,
        ),
        "moisture_start_pct": round(float(66 + cultivar.moisture_pct + rng.normal(0, 0.8)), 3),
        "moisture_floor_pct": 46.0,
        "moisture_rate_d": round(float(0.009 * np.exp(rng.normal(0, 0.05))), 5),
        "rain_pct_per_mm": 0.06,
    }
    estimated_on = pd.Timestamp(crop_on)
    at = int(np.searchsorted(climate["day"], estimated_on.to_datetime64()))
    row["non_oil_dry_t_ha"] = round(float(crop / fruit_course(row, climate)["crop_t_ha"][at]), 4)
    row["crop_t_ha"] = round(float(crop), 3)
    return row


def reading(
    course: Mapping[str, np.ndarray], day: int | np.ndarray, noise: np.ndarray, week: np.ndarray, *, oil_cv: float,
    assumed: Mapping[str, float] = ASSUMED,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
    """What the laboratory finds: oil [% dry], moisture [% fresh] and the chance of each colour class, (..., 8).

    Parameters
    ----------
    course : mapping
        What `fruit_course` returns.
    day : int or array
        Day of the season of each sample.
    noise : ndarray (..., 3)
        Standard normal errors of oil, moisture and colour of each sample.
    week : ndarray (..., 3)
        Errors shared by a week: log of oil, points of moisture, logit of colour.
    oil_cv : float
        Error of one oil reading [log].
    assumed : mapping, optional
    """
    oil = course["oil_dry_pct"][day] * np.exp(week[..., 0] + oil_cv * noise[..., 0])
    moisture = course["moisture_pct"][day] + week[..., 1] + assumed["moisture_sd_pct"] * noise[..., 1]
    eta = np.asarray(course["colour_eta"][day] + week[..., 2] + assumed["colour_sd"] * noise[..., 2])
    below = expit(CUTPOINTS - eta[..., None])
    edges = np.concatenate([np.zeros((*eta.shape, 1)), below, np.ones((*eta.shape, 1))], axis=-1)
    return oil, moisture, np.diff(edges, axis=-1)
