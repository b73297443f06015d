"""Simulated seasons: farms with a known truth, told to a policy as a grower would know them.

`SimulatedSeason.on(day)` gives an ordinary `Season` with the samples, measured weather, outlook and picks known on
that day and nothing later. Its truth is for the referee alone. Every number that is assumed is a row of
`olivetime.harvest.truth.assumptions_table`.

Whatever is shown with these seasons says how good the method is on a plausible farm, never what a grower earns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from olivetime.harvest.came import weather_that_came
from olivetime.harvest.capacity import Capacity, field_capacity_ha_h
from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.truth import (
    CONTRACTS,
    CULTIVARS,
    NORTH,
    SOUTH,
    Climate,
    ar1,
    assumed_values,
    assumptions_table,
    block_truth,
    cold_spell_c,
    fruit_course,
    heat_and_rain,
    keyed_rng,
    reading,
    weather_from,
)
from olivetime.harvest.value import Value
from olivetime.harvest.value import value as make_value
from olivetime.records.columns import RULES, TABLES, dtype_of, empty_table
from olivetime.records.season import Season, Target
from olivetime.ripening.outcomes import Outcomes
from olivetime.weather.scenarios import SOILS, Scenarios, workable_fraction
from olivetime.weather.stations import station_days

# --- a farm ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Farm:
    """An invented farm: what stays the same from season to season.

    Attributes
    ----------
    key : str
        Its name in random numbers.
    seed : int
    start, first_day, end : datetime.date
        First day of the season, of picking, and last day of the plan, in the year that is simulated.
    crop_on : datetime.date
        Day of the crop estimates.
    climate : Climate
    warmer_c : tuple of float
        How much warmer each station is [C].
    tables : mapping of str to pandas.DataFrame
        blocks (crop estimates missing), cultivars, stations, harvesters, trucks, mill, contracts.
    assumed : mapping of str to float
    rules : mapping of str to float or str
        Rules of its seasons.
    """

    key: str
    seed: int
    start: date
    first_day: date
    end: date
    crop_on: date
    climate: Climate
    warmer_c: tuple[float, ...]
    tables: Mapping[str, pd.DataFrame]
    assumed: Mapping[str, float]
    rules: Mapping[str, float | str]


_HALVES = {
    # climate, start, first day of picking, crop estimate, latitude, longitude: invented places
    "northern": (NORTH, date(2026, 8, 1), date(2026, 10, 12), date(2026, 9, 28), 39.2, -122.0),
    "southern": (SOUTH, date(2026, 2, 1), date(2026, 4, 8), date(2026, 3, 30), -31.7, -68.4),
}
_SHARES = (("Arbequina", 0.34), ("Arbosana", 0.22), ("Koroneiki", 0.18), ("Picual", 0.14), ("Sikitita", 0.12))
_RANCH_BLOCKS = 5
_PLAN_DAYS = (40, 80)  # fewest and most days of a plan
_REMOVAL_PCT, _SHIFT_H, _SPEED_KM_H, _EFFICIENCY = 93.0, 20.0, 1.6, 0.75


def make_farm(
    blocks_n: int = 40, *, half: str = "northern", seed: int = 0, change: Mapping[str, float] | None = None,
    rules: Mapping[str, float | str] | None = None,
) -> Farm:  # fmt: skip
    """Invent a farm.

    Parameters
    ----------
    blocks_n : int, optional
    half : str, optional
        "northern" or "southern".
    seed : int, optional
        Another seed, another farm.
    change : mapping, optional
        Assumptions to change, by name.
    rules : mapping, optional
        Rules of its seasons that are not the defaults, by name.

    Returns
    -------
    Farm
        Its last day is set so that the hours needed are `load_fraction` of those that 16 seasons of its weather
        leave workable on the mean; with `plan_days` the speed of its harvesters is.

    Raises
    ------
    ValueError
        For another half of the world, fewer than one block, or an unknown assumption or rule.
    """
    if half not in _HALVES:
        raise ValueError(f"make_farm: half is {half!r}, expected northern or southern. Choose one of them.")
    if blocks_n < 1:
        raise ValueError(f"make_farm: blocks_n is {blocks_n}, expected one or more. Ask for at least one block.")
    assumed = assumed_values(change)
    used_rules: dict[str, float | str] = {rule.name: rule.default for rule in RULES}
    if unknown := sorted(set(rules or {}) - set(used_rules)):
        raise ValueError(f"make_farm: found {unknown[0]!r} among the rules, expected a rule's name. Correct the name.")
    # calibrated by construction: an outlook is taken at its word, as one corrected by its past issues is
    used_rules |= {"outlook_trust_d": 1e6, **(rules or {})}
    climate, start, first_day, crop_on, lat, lon = _HALVES[half]
    key = f"{half}-{blocks_n}-{seed}"
    rng = keyed_rng(seed, key, "farm")
    ranches_n = int(np.ceil(blocks_n / _RANCH_BLOCKS))
    ranch = np.arange(blocks_n) // _RANCH_BLOCKS
    far_km = np.clip(18.0 * np.exp(rng.normal(0, 0.7, ranches_n)), 3.0, 70.0)
    bearing = rng.uniform(0, 2 * np.pi, ranches_n)
    organic = np.arange(ranches_n) % 8 == 3
    paid = np.array(["OWN", "OIL", "SCALE", "FLAT"])[rng.integers(0, 4, ranches_n)]
    soil = np.array(SOILS)[rng.choice(3, ranches_n, p=[0.3, 0.5, 0.2])]
    station = (rng.random(ranches_n) < 0.3).astype(int)
    east_km = far_km * np.sin(bearing)
    names = [name for name, _ in _SHARES]
    chance = np.array([share for _, share in _SHARES])
    area = np.clip(assumed["area_median_ha"] * np.exp(assumed["area_sd"] * rng.standard_normal(blocks_n)), 1.5, 30.0)
    blocks = _table("blocks", {
        "block_id": [f"B{i:03d}" for i in range(1, blocks_n + 1)],
        "block_name": [f"Block {i}" for i in range(1, blocks_n + 1)],
        "grower": [f"Grower {r + 1}" for r in ranch],
        "ranch": [f"Ranch {r + 1}" for r in ranch],
        "cultivar": [names[k] for k in rng.choice(len(names), blocks_n, p=chance)],
        "contract_id": np.where(organic, "OIL-ORG", paid)[ranch],
        "area_ha": np.round(area, 1),
        "crop_on": pd.Timestamp(crop_on),
        "crop_sd_pct": 10.0,
        "row_spacing_m": 3.66,
        "tree_spacing_m": 1.52,
        "slope_pct": rng.integers(0, 8, ranches_n)[ranch],
        "soil": soil[ranch],
        "lat_deg": lat + (far_km * np.cos(bearing))[ranch] / 111.2,
        "lon_deg": lon + east_km[ranch] / (111.2 * np.cos(np.deg2rad(lat))),
        "haul_km": np.round(1.25 * far_km[ranch], 1),
        "organic": organic[ranch],
        "colder_c": np.where(rng.random(blocks_n) < 0.15, np.round(rng.uniform(0.5, 2.5, blocks_n), 1), 0.0),
        "station_id": np.array(["LOW", "HIGH"])[station[ranch]],
        "style": np.where(rng.random(blocks_n) < 0.1, "early", "balanced"),
    })  # fmt: skip
    stations = _table("stations", {
        "station_id": ["LOW", "HIGH"], "lat_deg": [lat, lat - 0.06], "lon_deg": [lon, lon - 0.2],
        "elevation_m": [60.0, 180.0], "time_zone": "UTC",
    })  # fmt: skip
    machines_n = max(1, round(blocks_n / assumed["blocks_per_harvester"]))
    first = blocks["block_id"].iloc[np.linspace(0, blocks_n - 1, machines_n + 1).astype(int)[:-1]].tolist()
    harvesters = _table("harvesters", {
        "harvester_id": [f"H{h + 1}" for h in range(machines_n)],
        "speed_km_h": _SPEED_KM_H * (1 + 0.06 * rng.uniform(-1, 1, machines_n)),
        "efficiency_fraction": _EFFICIENCY,
        "hours_per_day": _SHIFT_H,
        "removal_pct": _REMOVAL_PCT,
        "move_fixed_h": 0.5,
        "move_km_h": 22.0,
        "cost_per_h": 210.0,
        "washdown_h": 1.5,
        "start_block": first,
    })  # fmt: skip
    given_days = assumed["plan_days"]
    farm = Farm(
        key=key, seed=seed, start=start, first_day=first_day, crop_on=crop_on, climate=climate, warmer_c=(0.0, -0.9),
        end=first_day + timedelta(days=(_PLAN_DAYS[1] if np.isnan(given_days) else int(given_days)) - 1),
        tables={"blocks": blocks, "stations": stations}, assumed=assumed, rules=MappingProxyType(used_rules),
    )  # fmt: skip
    moves_h = 0.5 * blocks_n + 2.0 * ranches_n
    hours = _workable_hours(farm)
    if not np.isnan(given_days):
        needed_rate = area.sum() / (assumed["load_fraction"] * hours[-1] * machines_n - moves_h)
        speed = harvesters["speed_km_h"]
        rate = field_capacity_ha_h(speed.to_numpy(), np.array(3.66), np.array(_EFFICIENCY))
        harvesters = harvesters.assign(speed_km_h=speed * needed_rate / rate.mean())
    rate = field_capacity_ha_h(harvesters["speed_km_h"].to_numpy(), np.array(3.66), np.array(_EFFICIENCY))
    crop = np.array([CULTIVARS[name].crop_t_ha for name in blocks["cultivar"]])
    mean_t_ha = float((crop * area).sum() / area.sum()) * _REMOVAL_PCT / 100
    trip_h = 1.8 + 2 * 1.25 * float((far_km[ranch] * area).sum() / area.sum()) / 60.0
    daily_t = float(rate.sum()) * _SHIFT_H * mean_t_ha
    tables = {
        "blocks": blocks,
        "cultivars": _table("cultivars", {
            "cultivar": list(CULTIVARS),
            "plateau_dry_pct": [c.published_plateau_pct for c in CULTIVARS.values()],
            "plateau_source": [c.plateau_source for c in CULTIVARS.values()],
            "maturity_aim": [c.maturity_aim for c in CULTIVARS.values()],
            "turns_black": True,
        }),
        "stations": stations,
        "harvesters": harvesters,
        "trucks": _table("trucks", {
            "truck_id": ["Trucks"], "trucks_n": [int(np.ceil(1.3 * daily_t * trip_h / (22.0 * 13.0)))],
            "payload_t": 22.0, "load_h": 1.2, "unload_h": 0.6, "speed_km_h": 60.0, "cost_per_km": 1.8,
            "hours_per_day": 13.0,
        }),
        "mill": _table("mill", {
            "mill_id": ["Mill"], "rate_t_h": assumed["mill_over_harvest"] * daily_t / 22.0, "hours_per_day": 22.0,
            "buffer_t": 0.7 * daily_t, "max_wait_h": 16.0, "cleaning_h": 0.75, "lat_deg": lat, "lon_deg": lon,
            "cost_per_t": 80.0, "corrector_fraction": 0.10,
        }),
        "contracts": _table("contracts", pd.DataFrame(CONTRACTS).assign(currency="USD").to_dict("list")),
    }  # fmt: skip
    farm = replace(farm, tables=MappingProxyType(tables))
    if not np.isnan(given_days):
        return farm
    need_h = float(area.sum() / rate.mean() + moves_h) / machines_n
    days = int(np.searchsorted(hours, need_h / assumed["load_fraction"])) + 1
    return replace(farm, end=first_day + timedelta(days=int(np.clip(days, *_PLAN_DAYS)) - 1))


def _workable_hours(farm: Farm) -> np.ndarray:
    """Hours from the first day of picking up to each day that weather leaves a harvester, mean of blocks and years."""
    soil = pd.Index(SOILS).get_indexer(farm.tables["blocks"]["soil"])
    share = []
    for label in range(farm.start.year - 16, farm.start.year):
        rain = true_weather(farm, 0, label)["rain_mm"].to_numpy().reshape(2, -1)[:1]
        first = (farm.first_day - farm.start).days
        share.append(workable_fraction(rain, farm.rules)[0, :, first:][soil].mean(axis=0))
    return np.cumsum(np.mean(share, axis=0)) * _SHIFT_H


@cache
def _kinds(name: str) -> Mapping[str, Any]:
    """Type of each column of a table."""
    return MappingProxyType(dict(empty_table(name).dtypes))


def _table(name: str, columns: Mapping[str, Any]) -> pd.DataFrame:
    """A table as the reader would hand it on: every column, of its type."""
    frame = pd.DataFrame(columns)
    kinds = _kinds(name)
    for column in TABLES[name]:
        if column.name not in frame:
            frame[column.name] = "" if kinds[column.name] == "str" else np.nan
        if dtype_of(column) == "datetime64[us]":
            frame[column.name] = pd.to_datetime(frame[column.name])
    return frame[list(kinds)].astype(dict(kinds))


# --- a season --------------------------------------------------------------------------------------------------


def _days_of(farm: Farm, label: int) -> pd.DatetimeIndex:
    shift = label - farm.start.year
    first = farm.start.replace(year=farm.start.year + shift)
    return pd.date_range(first, periods=(farm.end - farm.start).days + 1, unit="us")


def _law(farm: Farm, span: slice = slice(None)) -> dict[str, Any]:
    """What takes the climate's place in the weather of a season's days, see the assumptions."""
    a, first = farm.assumed, (farm.first_day - farm.start).days
    through = (np.arange((farm.end - farm.start).days + 1) - first)[span] / (farm.end - farm.first_day).days
    low_c = a["low_first_c"] + (a["low_last_c"] - a["low_first_c"]) * through
    chance = a["wet_first_chance"] + (a["wet_last_chance"] - a["wet_first_chance"]) * np.maximum(through, 0)
    return {
        "temp_sd_c": a["temp_sd_c"], "low_c": None if np.isnan(low_c).any() else low_c,
        "wet_chance": None if np.isnan(chance).any() else chance, "wet_mm": a["wet_mm"],
    }  # fmt: skip


def _hidden(farm: Farm, seed: int, label: int) -> dict[str, Any]:
    """A season's hidden weather: warm, wet (stations, days), cold_c (days), warm_season_c."""
    a, n = farm.assumed, len(_days_of(farm, label))
    rng = keyed_rng(seed, farm.key, "weather", label)
    warm_all, wet_all = ar1(rng, n, 0.75), ar1(rng, n, 0.55)
    warm_season_c = rng.normal(0, a["warm_season_sd_c"])
    cold_c = _cold(farm, rng, n)
    warm, wet = [], []
    for g in range(len(farm.warmer_c)):
        own = keyed_rng(seed, farm.key, "weather", label, g)
        warm.append(0.95 * warm_all + np.sqrt(1 - 0.95**2) * ar1(own, n, 0.6))
        wet.append(0.92 * wet_all + np.sqrt(1 - 0.92**2) * ar1(own, n, 0.3))
    # cold nights are clear ones
    return {
        "warm": np.array(warm), "wet": np.array(wet) - 0.8 * (cold_c > 1), "cold_c": cold_c,
        "warm_season_c": warm_season_c,
    }  # fmt: skip


def _cold(farm: Farm, rng: np.random.Generator, n: int) -> np.ndarray:
    """Cold spell of one season or one outlook member [C], (n,): most often two thirds through the plan."""
    a = farm.assumed
    usual_d = (farm.first_day - farm.start).days + 0.65 * (farm.end - farm.first_day).days
    comes, late_d = rng.random(), rng.normal(0, a["cold_spell_shift_sd_d"])
    depth_c, length_d = rng.uniform(a["cold_spell_least_c"], a["cold_spell_most_c"]), rng.uniform(3, 5)
    return cold_spell_c(n, usual_d + late_d if comes < a["cold_spell_chance"] else -100.0, depth_c, length_d)


def true_weather(farm: Farm, seed: int, label: int) -> pd.DataFrame:
    """Weather of a whole season: station_id, day, temp_min_c, temp_max_c [C], rain_mm, wind_m_s (missing)."""
    days, hidden = _days_of(farm, label), _hidden(farm, seed, label)
    parts = []
    for g, station_id in enumerate(farm.tables["stations"]["station_id"]):
        made = weather_from(
            farm.climate, days, farm.warmer_c[g], hidden["warm"][g], hidden["wet"][g], hidden["cold_c"],
            hidden["warm_season_c"], **_law(farm),
        )  # fmt: skip
        parts.append(pd.DataFrame({"station_id": station_id, "day": days} | made))
    return _table("weather_days", pd.concat(parts, ignore_index=True).to_dict("series"))


def _many_ar1(rng: np.random.Generator, members: int, n: int, phi: float) -> np.ndarray:
    noise = rng.standard_normal((members, n))
    series = noise.copy()
    for i in range(1, n):
        series[:, i] = phi * series[:, i - 1] + np.sqrt(1 - phi**2) * noise[:, i]
    return series


def _issue(farm: Farm, seed: int, label: int, hidden: Mapping[str, Any], first: int) -> pd.DataFrame:
    """Outlook issued on a day of the season: members that know the true weather less and less with the lead.

    Spread and error grow alike, so the outlook is calibrated; the cold spell is known to the share of members that
    the skill says, the others have one of the climate's.
    """
    a = farm.assumed
    all_days = _days_of(farm, label)
    days = all_days[first : first + int(a["outlook_days"])]
    ahead, members, n = slice(first, first + len(days)), int(a["outlook_members"]), len(days)
    lead = np.arange(n) + a["outlook_lead_d"]
    rng = keyed_rng(seed, farm.key, "outlook", label, first)
    drawn = {}
    for name, skill_d in (("warm", a["temp_skill_d"]), ("wet", a["rain_skill_d"])):
        rho = np.exp(-lead / skill_d)
        signal = rho**2 * hidden[name][:, ahead] + rho * np.sqrt(1 - rho**2) * _many_ar1(rng, 1, n, 0.75)
        own = np.sqrt(1 - rho**2) * _many_ar1(rng, members, n, 0.7)
        drawn[name] = signal[None] + own[:, None]  # (members, stations, days)
    rho = np.exp(-lead / a["temp_skill_d"])
    knows = rho[None] >= rng.random((members, 1))
    other = np.stack([_cold(farm, rng, len(all_days))[ahead] for _ in range(members)])
    cold = np.where(knows, hidden["cold_c"][ahead][None], other)
    warmth = rho * hidden["warm_season_c"] + np.sqrt(1 - rho**2) * rng.normal(0, a["warm_season_sd_c"], (members, 1))
    stations = farm.tables["stations"]["station_id"].tolist()
    made = [
        weather_from(
            farm.climate, days, farm.warmer_c[g], drawn["warm"][:, g], drawn["wet"][:, g], cold, warmth,
            **_law(farm, ahead),
        )
        for g in range(len(stations))
    ]  # fmt: skip
    return _table("outlook", {
        "station_id": np.repeat(stations, members * n), "issued_on": days[0],
        "member": np.tile(np.repeat(np.arange(1, members + 1), n), len(stations)),
        "day": np.tile(days, members * len(stations)),
    } | {name: np.concatenate([part[name].ravel() for part in made]) for name in made[0]})  # fmt: skip


@dataclass(frozen=True)
class SimulatedSeason:
    """One season of a farm, and what came of it.

    Attributes
    ----------
    farm : Farm
    seed : int
    label : int
    whole : Season
        Everything that was ever recorded, as of the last day: never given to a policy.
    courses : mapping of str to dict of ndarray
        Truth of each block by day of the season, see `fruit_course`.
    parameters : pandas.DataFrame
        Truth of each block, see `block_truth`.
    hidden : mapping
        Hidden weather, from which the outlooks are made.
    assumptions : pandas.DataFrame
        name, value, unit, source, says.
    """

    farm: Farm
    seed: int
    label: int
    whole: Season
    courses: Mapping[str, Mapping[str, np.ndarray]]
    parameters: pd.DataFrame
    hidden: Mapping[str, Any]
    assumptions: pd.DataFrame

    @property
    def days(self) -> pd.DatetimeIndex:
        """Days of the plan, from the first of picking to the last."""
        return pd.date_range(pd.Timestamp(self.farm.first_day), pd.Timestamp(self.farm.end), unit="us")

    def on(
        self, day: date, *, picks: pd.DataFrame | None = None, standing: Mapping[str, str] | None = None
    ) -> Season:
        """The season as a grower knows it on a morning.

        Parameters
        ----------
        day : datetime.date
        picks : pandas.DataFrame, optional
            Tickets so far, columns as `Season.picks`; blocks that are done are sampled no more.
        standing : mapping of harvester_id to block_id, optional
            Where each harvester stands; where it began when left out.

        Returns
        -------
        Season
            Samples received up to the day, weather measured before it, the outlook of the morning.
        """
        now, whole = pd.Timestamp(day), self.whole
        picks = whole.picks.iloc[:0] if picks is None else picks
        samples = whole.samples[whole.samples["received_on"] <= now]
        if len(picks):
            last = picks.groupby("block_id")["picked_on"].max()
            area = picks.groupby("block_id")["area_ha"].sum()
            full = whole.blocks.set_index("block_id")["area_ha"].reindex(area.index)
            done = last[area >= 0.98 * full]
            until = samples["block_id"].map(lambda block: done.get(block, pd.Timestamp.max))
            samples = samples[samples["sampled_on"] <= until]
        machines = whole.harvesters
        if standing:
            names = machines["harvester_id"].map(standing).fillna(machines["start_block"]).astype("str")
            machines = machines.assign(start_block=names)
        issued = _issue(self.farm, self.seed, self.label, self.hidden, (day - self.farm.start).days)
        return replace(
            whole, as_of=day, samples=samples.reset_index(drop=True), picks=picks, harvesters=machines,
            weather_days=whole.weather_days[whole.weather_days["day"] < now].reset_index(drop=True),
            outlook=issued, past_outlooks=issued,
        )  # fmt: skip

    def true_scenarios(self, season: Season) -> Scenarios:
        """The one weather that comes, from the season's as-of day to the end (S = 1); heat as olivetime counts it."""
        return weather_that_came(season, station_days(self.whole))

    def true_outcomes(self, season: Season, ahead: Scenarios) -> Outcomes:
        """The fruit that comes, in every scenario alike (one draw for each)."""
        first = (season.as_of - self.farm.start).days
        span, n = slice(first, first + len(ahead.days)), len(ahead.origin)
        course = {
            name: np.repeat(np.stack([self.courses[b][name][span] for b in ahead.block_ids])[None], n, axis=0)
            for name in ("oil_dry_pct", "moisture_pct", "oil_fresh_pct", "maturity_index", "crop_t_ha")
        }
        picked = season.picks.groupby("block_id")["area_ha"].sum().reindex(season.blocks["block_id"]).fillna(0.0)
        left = np.maximum(season.blocks["area_ha"].to_numpy() - picked.to_numpy(), 0.0)
        crop = course["crop_t_ha"] * left[:, None]
        plateau = self.parameters.set_index("block_id")["plateau_dry_pct"].reindex(list(ahead.block_ids)).to_numpy()
        return Outcomes(
            days=ahead.days, block_ids=ahead.block_ids, scenario=np.arange(n),
            oil_dry_pct=course["oil_dry_pct"], moisture_pct=course["moisture_pct"],
            oil_fresh_pct=course["oil_fresh_pct"], maturity_index=course["maturity_index"],
            class_share=np.zeros((*crop.shape[1:], 8)), plateau_dry_pct=np.repeat(plateau[None], n, axis=0),
            crop_t=crop, oil_t=crop * course["oil_fresh_pct"] / 100.0, area_left_ha=left, fitted=pd.DataFrame(),
            target=season.target, assumptions=self.assumptions,
        )  # fmt: skip

    def tickets(self, picked: np.ndarray, machine: np.ndarray) -> pd.DataFrame:
        """Mill tickets of what was picked, one for each block and day.

        Parameters
        ----------
        picked : ndarray (B, T)
            Share of each block picked on each day of the plan.
        machine : ndarray (B,) of int
            Harvester of each block.

        Returns
        -------
        pandas.DataFrame
            Columns of `Season.picks`; fat, moisture and oil got out with the errors that are assumed.
        """
        a, whole, days = self.farm.assumed, self.whole, self.days
        first = (self.farm.first_day - self.farm.start).days
        removal = whole.harvesters["removal_pct"].to_numpy(float) / 100
        names = whole.harvesters["harvester_id"].tolist()
        rows = []
        for b, block in enumerate(whole.blocks.itertuples(index=False)):
            course, h = self.courses[block.block_id], int(machine[b])
            rng = keyed_rng(self.seed, self.farm.key, "ticket", block.block_id)
            for t in np.flatnonzero(picked[b] > 1e-6):
                noise = rng.standard_normal(3)
                net_t = picked[b, t] * block.area_ha * course["crop_t_ha"][first + t] * removal[h]
                fat, wet = course["oil_fresh_pct"][first + t], course["moisture_pct"][first + t]
                out_pct = fat - (100 - fat - wet) * a["mill_keeps_fraction"]
                rows.append({
                    "ticket_id": f"{block.block_id}-{days[t]:%m%d}", "block_id": block.block_id, "picked_on": days[t],
                    "harvester_id": names[h], "area_ha": picked[b, t] * block.area_ha, "net_t": net_t,
                    "oil_fresh_pct": fat * np.exp(a["ticket_oil_cv"] * noise[0]),
                    "moisture_pct": wet + a["ticket_moisture_sd_pct"] * noise[1],
                    "oil_out_kg": 10 * net_t * out_pct * np.exp(a["oil_out_cv"] * noise[2]), "season": self.label,
                })  # fmt: skip
        if not rows:
            return whole.picks.iloc[:0]
        table = pd.DataFrame(rows).reindex(columns=whole.picks.columns)
        return table.sort_values("ticket_id", kind="stable", ignore_index=True).astype(whole.picks.dtypes)

    def truth(self, season: Season | None = None) -> tuple[Capacity, Value]:
        """Limits and worth on every day in the weather and the fruit that come: what the referee reads."""
        season = self.on(self.farm.first_day) if season is None else season
        ahead = self.true_scenarios(season)
        limits = make_capacity(season, ahead)
        return limits, make_value(season, self.true_outcomes(season, ahead), ahead, limits)


def simulate(farm: Farm, seed: int) -> SimulatedSeason:
    """One season of a farm; another seed, another season.

    Parameters
    ----------
    farm : Farm
    seed : int

    Returns
    -------
    SimulatedSeason
    """
    a, label = farm.assumed, farm.start.year
    past_n = int(a["past_samples_n"])
    weather = {year: true_weather(farm, seed, year) for year in range(label - int(a["past_weather_n"]), label + 1)}
    blocks, courses, parameters, samples = farm.tables["blocks"], {}, [], []
    for year in range(label - past_n, label + 1):
        climates = {name: heat_and_rain(part) for name, part in weather[year].groupby("station_id", sort=False)}
        week = keyed_rng(seed, farm.key, "week", year).normal(
            0, [a["oil_week_cv"], a["moisture_week_sd_pct"], a["colour_week_sd"]], (40, 3)
        )
        crop_on = farm.crop_on.replace(year=farm.crop_on.year + year - label)
        for block in blocks.to_dict("records"):
            climate = climates[block["station_id"]]
            # what lasts of a block is the farm's; what passes is the season's
            row = block_truth(seed, farm.key, year, block, climate, crop_on, assumed=a)
            course = fruit_course(row, climate)
            samples.append(_samples(farm, seed, block["block_id"], course, _days_of(farm, year), year, week))
            if year == label:
                courses[block["block_id"]] = course
                parameters.append(row)
    truth = pd.DataFrame(parameters)
    error = [keyed_rng(seed, farm.key, "crop", b).normal(0, a["crop_estimate_sd"]) for b in blocks["block_id"]]
    told = _table("samples", pd.concat(samples, ignore_index=True).to_dict("series"))
    told = told.sort_values("sample_id", kind="stable").reset_index(drop=True)
    past = (told["sampled_on"] < pd.Timestamp(farm.start)).to_numpy()
    parts = {name: empty_table(name) for name in TABLES} | dict(farm.tables)
    parts |= {
        "blocks": blocks.assign(crop_t_ha=np.round(truth["crop_t_ha"].to_numpy(float) * np.exp(error), 2)),
        "weather_days": pd.concat(weather.values(), ignore_index=True)
        .sort_values(["station_id", "day"], kind="stable")
        .reset_index(drop=True),
    }  # fmt: skip
    none = pd.DataFrame
    whole = Season(
        folder=Path(), name=f"Simulated season {seed} (invented)", place="nowhere (invented)", as_of=farm.end,
        start=farm.start, end=farm.end, label=label, units="metric", currency="USD", time_zone="UTC", locale="en_US",
        target=Target("best_value", 0.0), rules=farm.rules,
        boundaries=none({"block_id": pd.Series([], dtype="str"), "geometry": pd.Series([], dtype=object)}).assign(
            **dict.fromkeys(("area_ha", "lat_deg", "lon_deg", "mill_km"), pd.Series([], dtype="float64"))),
        past_samples=told[past].reset_index(drop=True), past_picks=parts["picks"], past_outlooks=parts["outlook"],
        findings=none(columns=["code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do"]),
        sources=none(columns=["file", "sha256", "rows"]), blocked=MappingProxyType({}),
        unsound_blocks=parts["blocks"].iloc[:0],
        **(parts | {"samples": told[~past].reset_index(drop=True)}),
    )  # fmt: skip
    return SimulatedSeason(
        farm=farm, seed=seed, label=label, whole=whole, courses=MappingProxyType(courses), parameters=truth,
        hidden=_hidden(farm, seed, label), assumptions=assumptions_table(dict(a)),
    )  # fmt: skip


def _samples(
    farm: Farm, seed: int, block_id: str, course: Mapping[str, np.ndarray], days: pd.DatetimeIndex, label: int,
    week: np.ndarray,
) -> pd.DataFrame:  # fmt: skip
    """Samples of one block in one season, from the day it holds 12 % oil."""
    a = farm.assumed
    every = int(a["sample_every_d"])
    monday = (7 - days[0].day_of_week) % 7
    at = np.arange(monday + 28, len(days), every)
    number = (at - monday) // 7
    rng = keyed_rng(seed, farm.key, "sample", block_id, label)
    noise = np.clip(rng.standard_normal((len(at), 3)), -2, 2)  # a laboratory repeats what lies further off
    seen = (rng.random(len(at)) >= a["sample_missed"]) & (course["oil_dry_pct"][at] >= 12)
    at, noise, number = at[seen], noise[seen], number[seen]
    oil, moisture, chance = reading(course, at, noise, week[number], oil_cv=a["oil_cv"], assumed=a)
    counts = rng.multinomial(int(a["fruits_n"]), chance)
    columns: dict[str, Any] = {
        "sample_id": [f"{label % 100}-{block_id}-{k:02d}" for k in number],
        "block_id": block_id,
        "sampled_on": days[at],
        "received_on": days[at],
        "trees_n": 20.0,
        "fruits_n": a["fruits_n"],
        "moisture_pct": moisture,
        "oil_dry_pct": oil,
        "oil_fresh_pct": oil * (1 - moisture / 100),
        "maturity_index": counts @ np.arange(8) / a["fruits_n"],
        "method": "nmr",
        "lab": "Laboratory (invented)",
        "season": label,
    }
    return pd.DataFrame(columns | {f"class{k}_n": counts[:, k].astype(float) for k in range(8)})
