"""What can be picked, hauled and milled on each day left: hours, rates, tonnes and no-go days.

Every limit of the plan is a number in one frozen `Capacity`; `Capacity.table()` says, day by day, which
resource is the tightest. People drive the machines: shifts are capped by the rule `shift_max_h`, and
`FATIGUE_CAUTION` stands on every page that shows hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.weather.scenarios import Scenarios

FATIGUE_CAUTION = (
    "Hours are machine hours: they need relief crews. Tired drivers, night work and wet slopes hurt people; "
    "local rules on working time and the driver's own judgement come before this plan."
)
EARTH_RADIUS_KM = 6371.0
# Larger than any season's crop: stands for "no limit" in arrays that must stay finite.
UNLIMITED = 1e9
# 12 ft between hedgerows; common practice, no source.
ROW_SPACING_DEFAULT_M = 3.66

ASSUMPTION_COLUMNS = ("name", "value", "unit", "source", "says")


@dataclass(frozen=True)
class Capacity:
    """Limits of every day of the plan. S scenarios, H harvesters, B blocks, T days.

    Attributes
    ----------
    days : pandas.DatetimeIndex
        Days of the plan, length T.
    block_ids, harvester_ids : tuple of str
        Lengths B and H.
    shift_h : ndarray (H, T)
        Length of the shift, capped by `shift_max_h`, 0 when the harvester is not there [h].
    workable_fraction : ndarray (S, B, T)
        Share of the shift in which ground and leaves allow work at the block; 0 on no-go days and below
        `work_min_fraction` [fraction].
    rate_ha_h : ndarray (H, B)
        Field capacity; 0 where the block is too steep for the harvester [ha/h].
    area_left_ha : ndarray (B,)
        Area not yet picked [ha].
    block_h : ndarray (H, B)
        Hours to pick what is left of the block in dry conditions; inf where it may not [h].
    removal_fraction : ndarray (H,)
        Share of the fruit the machine takes [fraction].
    harvester_cost_h : ndarray (H,)
        [currency/h].
    move_fixed_h, move_km_h, washdown_h : ndarray (H,)
        Fixed time of a move [h], road speed [km/h], wash before organic fruit [h].
    start_block : ndarray (H,) of int
        Index of the block each harvester stands in, -1 when unknown.
    distance_km : ndarray (B, B)
        Road distance between blocks, 0 within a ranch [km].
    organic : ndarray (B,) of bool
    lot : ndarray (B,) of int
        Index into `lots`.
    lots : tuple of str
        Lots that the mill keeps apart: cultivar, certification, contract.
    allowed : ndarray (B, T) of bool
        The block may be picked on that day.
    no_go : pandas.DataFrame
        block_id, first_day, last_day, reason: why days are not allowed.
    mill_t : ndarray (T,)
        Fruit the mill can take after hours already booked [t].
    mill_h : ndarray (T,)
        Hours the mill runs for us [h].
    mill_rate_t_h, mill_buffer_t, mill_max_wait_h, mill_cleaning_h, mill_cost_t, mill_corrector_fraction : float
        Rate [t/h], fruit that may wait [t], longest wait before ageing costs [h], cleaning between lots [h],
        charge [currency/t], fat left in pomace per fat-free dry matter [fraction].
    truck_h : ndarray (T,)
        Truck hours a day, all trucks [h].
    round_trip_h : ndarray (B,)
        Loading, road both ways and unloading, mean of the fleet weighted by what each carries [h].
    truck_h_per_t : ndarray (B,)
        Truck hours that a tonne of the block takes [h/t].
    payload_t : float
        Mean payload [t].
    haul_cost_t : ndarray (B,)
        [currency/t].
    haul_age_h : ndarray (B,)
        Age of fruit when it reaches the mill: loading, one way and unloading [h].
    assumptions : pandas.DataFrame
        name, value, unit, source, says.
    """

    days: pd.DatetimeIndex
    block_ids: tuple[str, ...]
    harvester_ids: tuple[str, ...]
    shift_h: np.ndarray
    workable_fraction: np.ndarray
    rate_ha_h: np.ndarray
    area_left_ha: np.ndarray
    block_h: np.ndarray
    removal_fraction: np.ndarray
    harvester_cost_h: np.ndarray
    move_fixed_h: np.ndarray
    move_km_h: np.ndarray
    washdown_h: np.ndarray
    start_block: np.ndarray
    distance_km: np.ndarray
    organic: np.ndarray
    lot: np.ndarray
    lots: tuple[str, ...]
    allowed: np.ndarray
    no_go: pd.DataFrame
    mill_t: np.ndarray
    mill_h: np.ndarray
    mill_rate_t_h: float
    mill_buffer_t: float
    mill_max_wait_h: float
    mill_cleaning_h: float
    mill_cost_t: float
    mill_corrector_fraction: float
    truck_h: np.ndarray
    round_trip_h: np.ndarray
    truck_h_per_t: np.ndarray
    payload_t: float
    haul_cost_t: np.ndarray
    haul_age_h: np.ndarray
    crop_t_ha: np.ndarray
    assumptions: pd.DataFrame

    @property
    def harvest_h(self) -> np.ndarray:
        """Harvester hours in each scenario, (S, H, T): shift times the mean workable share of open blocks [h]."""
        open_n = np.maximum(self.allowed.sum(axis=0), 1)
        share = self.workable_fraction.sum(axis=1) / open_n
        return share[:, None, :] * self.shift_h[None, :, :]

    @property
    def move_h(self) -> np.ndarray:
        """Hours to move from block (row) to block (column), mean of the harvesters, (B, B) [h]."""
        if not self.harvester_ids:
            return np.zeros_like(self.distance_km)
        hours = self.move_fixed_h.mean() + self.distance_km * (1.0 / self.move_km_h).mean()
        np.fill_diagonal(hours, 0.0)
        return hours

    def why_not(self, block_id: str, day: pd.Timestamp) -> str:
        """Reason why the block may not be picked on the day; empty when it may."""
        table = self.no_go
        rows = table[
            (table["block_id"] == block_id) & (table["first_day"] <= day) & (table["last_day"] >= day)
        ]
        return "; ".join(rows["reason"])

    def table(self) -> pd.DataFrame:
        """What limits each day, before any plan.

        Returns
        -------
        pandas.DataFrame
            day, resource ("harvesters", "mill", "trucks"), limit, unit, limit_t (the same limit as tonnes of the
            average open block [t]), limits (bool: the tightest of the day), says.
        """
        names = ("harvesters", "mill", "trucks")
        hours = self.harvest_h.mean(axis=0).sum(axis=0)
        open_n = np.maximum(self.allowed.sum(axis=0), 1)
        tonnes_h = (
            self.rate_ha_h.mean(axis=0) * self.crop_t_ha if self.harvester_ids else self.crop_t_ha * 0.0
        )
        per_hour = (self.allowed * tonnes_h[:, None]).sum(axis=0) / open_n
        truck_t = (self.allowed * self.truck_h_per_t[:, None]).sum(axis=0) / open_n
        with np.errstate(divide="ignore", invalid="ignore"):
            trucks = np.where(truck_t > 0, self.truck_h / truck_t, UNLIMITED)
        limit_t = np.vstack([hours * per_hour, self.mill_t, trucks])
        limit_t[:, ~self.allowed.any(axis=0)] = 0.0
        tightest = limit_t.argmin(axis=0)
        limit = np.vstack([hours, self.mill_t, self.truck_h])
        rows = pd.DataFrame(
            {
                "day": np.repeat(self.days.to_numpy(), 3),
                "resource": np.tile(names, len(self.days)),
                "limit": limit.T.ravel(),
                "unit": np.tile(("h", "t", "h"), len(self.days)),
                "limit_t": limit_t.T.ravel(),
                "limits": (np.arange(3)[None, :] == tightest[:, None]).ravel(),
            }
        )
        closed = np.repeat(~self.allowed.any(axis=0), 3)
        rows["says"] = np.where(rows["limits"], rows["resource"] + " are the tightest limit", "")
        rows.loc[rows["limits"] & (rows["resource"] == "mill"), "says"] = "the mill is the tightest limit"
        rows.loc[rows["limits"] & (rows["limit_t"] <= 0), "says"] = "no " + rows["resource"] + " this day"
        rows.loc[closed & rows["limits"].to_numpy(), "says"] = "no block may be picked"
        rows.loc[rows["limit"] >= UNLIMITED, ["limit", "limit_t"]] = np.inf
        return rows


def field_capacity_ha_h(
    speed_km_h: np.ndarray, row_spacing_m: np.ndarray, efficiency_fraction: np.ndarray
) -> np.ndarray:
    """Area a harvester picks in an hour.

    Parameters
    ----------
    speed_km_h : array
        Speed while picking [km/h].
    row_spacing_m : array
        Distance between rows: one row is taken at a pass [m].
    efficiency_fraction : array
        Share of the time spent moving along a row [fraction].

    Returns
    -------
    ndarray
        speed * row spacing * efficiency / 10 [ha/h].

    Notes
    -----
    The effective field capacity of the ASABE machinery standards (from memory).

    Examples
    --------
    >>> round(float(field_capacity_ha_h(1.5, 3.66, 0.8)), 3)
    0.439
    """
    return np.asarray(speed_km_h) * np.asarray(row_spacing_m) * np.asarray(efficiency_fraction) / 10.0


def _distance_km(blocks: pd.DataFrame, road_factor: float, unknown_km: float) -> tuple[np.ndarray, bool]:
    """Road distance between blocks by the haversine formula, 0 within a ranch; flag when coordinates lack."""
    lat = np.radians(blocks["lat_deg"].to_numpy(dtype=float))
    lon = np.radians(blocks["lon_deg"].to_numpy(dtype=float))
    half = (
        np.sin((lat[:, None] - lat[None, :]) / 2) ** 2
        + np.cos(lat[:, None]) * np.cos(lat[None, :]) * np.sin((lon[:, None] - lon[None, :]) / 2) ** 2
    )
    km = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))) * road_factor
    lacking = np.isnan(km)
    km[lacking] = unknown_km
    ranch = blocks["ranch"].astype(str).to_numpy()
    other = ranch[:, None] != ranch[None, :]
    km[~other] = 0.0
    return km, bool((lacking & other).any())


def _spans(season: Season, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Spans of days on which a block may not be picked, with the reason; inclusive, clipped to the plan."""
    first, last = days[0], days[-1]
    rows: list[tuple[str, pd.Timestamp, pd.Timestamp, str]] = []
    blocked = dict(season.blocked)
    one_day = pd.Timedelta(days=1)
    treatments = season.treatments
    if len(treatments):
        treatments = treatments[treatments["block_id"].isin(season.blocks["block_id"])]
        until = treatments["applied_on"] + pd.to_timedelta(treatments["wait_days"].astype(float), unit="D")
        for row, end in zip(treatments.itertuples(index=False), until, strict=True):
            text = (
                f"{row.product} of {row.applied_on:%d %b %Y}: the label asks for {int(row.wait_days)} days, "
                f"first day {end:%d %b %Y}"
            )
            rows.append((row.block_id, row.applied_on, end - one_day, text))
    limits = season.blocks[["block_id", "closed_from", "closed_to", "pick_after", "pick_before"]]
    limited = limits.iloc[:, 1:].notna().any(axis=1) | limits["block_id"].isin(list(blocked))
    for row in limits[limited].itertuples(index=False) if limited.any() else ():
        if row.block_id in blocked:
            rows.append((row.block_id, first, last, blocked[row.block_id]))
        if pd.notna(row.closed_from) or pd.notna(row.closed_to):
            begin = row.closed_from if pd.notna(row.closed_from) else first
            end = row.closed_to if pd.notna(row.closed_to) else last
            rows.append((row.block_id, begin, end, f"closed {begin:%d %b} to {end:%d %b %Y}"))
        if pd.notna(row.pick_after):
            text = f"contract or grower allows picking from {row.pick_after:%d %b %Y}"
            rows.append((row.block_id, first, row.pick_after - one_day, text))
        if pd.notna(row.pick_before):
            text = f"contract or grower allows picking until {row.pick_before:%d %b %Y}"
            rows.append((row.block_id, row.pick_before + one_day, last, text))
    table = pd.DataFrame(rows, columns=["block_id", "first_day", "last_day", "reason"])
    if not rows:
        return table.astype({"first_day": "datetime64[s]", "last_day": "datetime64[s]"})
    table["first_day"] = pd.to_datetime(table["first_day"]).clip(lower=first)
    table["last_day"] = pd.to_datetime(table["last_day"]).clip(upper=last)
    return table[table["first_day"] <= table["last_day"]].reset_index(drop=True)


def area_picked_ha(season: Season) -> pd.Series:
    """Area picked this season by block [ha], index block_id in the order of `season.blocks`."""
    picked = (
        season.picks.groupby("block_id")["area_ha"].sum() if len(season.picks) else pd.Series(dtype=float)
    )
    return picked.reindex(season.blocks["block_id"]).fillna(0.0).astype(float)


def capacity(season: Season, scenarios: Scenarios) -> Capacity:
    """Limits of every day left, from harvesters, trucks, mill, treatments, contracts and scenarios.

    Parameters
    ----------
    season : Season
        Tables blocks, harvesters, trucks, mill, mill_days, treatments, picks and the rules.
    scenarios : Scenarios
        Days and workable_fraction (S, B, T) in the order of `season.blocks`.

    Returns
    -------
    Capacity

    Notes
    -----
    Several rows of the mill table are lines behind one reception: rates, hours' tonnes and buffers add up, the
    longest cleaning and the shortest wait hold for all. Trucks are a daily total of truck hours: queues within
    a day are not seen. A block smaller than 2 % of its area after picking counts as picked.
    """
    rules = season.rules
    blocks, machines, trucks, mill = season.blocks, season.harvesters, season.trucks, season.mill
    days = scenarios.days
    notes: list[tuple[str, object, str, str, str]] = []

    # harvesters
    spacing = blocks["row_spacing_m"].to_numpy(dtype=float)
    if np.isnan(spacing).any():
        notes.append(
            ("row_spacing_m", ROW_SPACING_DEFAULT_M, "m", "common practice, no source (12 ft)",
             f"used for {int(np.isnan(spacing).sum())} blocks without a row spacing")
        )  # fmt: skip
        spacing = np.where(np.isnan(spacing), ROW_SPACING_DEFAULT_M, spacing)
    rate = field_capacity_ha_h(
        machines["speed_km_h"].to_numpy(dtype=float)[:, None],
        spacing[None, :],
        machines["efficiency_fraction"].to_numpy(dtype=float)[:, None],
    )
    slope = np.nan_to_num(blocks["slope_pct"].to_numpy(dtype=float))
    steepest = machines["max_slope_pct"].to_numpy(dtype=float)
    steepest = np.where(np.isnan(steepest), np.inf, steepest)
    rate = np.where(slope[None, :] > steepest[:, None], 0.0, rate)
    shift = np.minimum(machines["hours_per_day"].to_numpy(dtype=float), float(rules["shift_max_h"]))
    here = np.ones((len(machines), len(days)), dtype=bool)
    for column, compare in (("ready_from", np.greater_equal), ("ready_to", np.less_equal)):
        limit = pd.to_datetime(machines[column]).to_numpy()
        here &= np.isnat(limit)[:, None] | compare(days.to_numpy()[None, :], limit[:, None])
    if (machines["hours_per_day"].to_numpy(dtype=float) > float(rules["shift_max_h"])).any():
        notes.append(
            ("shift_max_h", float(rules["shift_max_h"]), "h", "rule", "shifts entered longer are cut to this")
        )
    area_left = np.maximum(blocks["area_ha"].to_numpy(dtype=float) - area_picked_ha(season).to_numpy(), 0.0)
    area_left[area_left < 0.02 * blocks["area_ha"].to_numpy(dtype=float)] = 0.0
    with np.errstate(divide="ignore"):
        block_h = np.where(rate > 0, area_left[None, :] / rate, np.inf)
    index = {name: i for i, name in enumerate(blocks["block_id"])}
    start = np.array(
        [index.get(name, -1) if isinstance(name, str) else -1 for name in machines["start_block"]], int
    )
    km, lacking = _distance_km(blocks, float(rules["road_factor"]), float(rules["move_km_unknown"]))
    notes.append(
        (
            "road_factor",
            float(rules["road_factor"]),
            "-",
            "rule",
            "road km for each straight km between ranches",
        )
    )
    if lacking:
        notes.append(
            ("move_km_unknown", float(rules["move_km_unknown"]), "km", "rule",
             "distance between ranches where a block has no latitude and longitude")
        )  # fmt: skip

    # mill
    if len(mill):
        run_h = _mill_hours(season, days)
        lines = mill["rate_t_h"].to_numpy(dtype=float)
        mill_t = (run_h * lines[:, None]).sum(axis=0)
        mill_h = run_h.max(axis=0)
        rate_t_h = float(lines.sum())
        buffer_t = float(mill["buffer_t"].sum())
        wait_h = float(mill["max_wait_h"].min())
        cleaning_h = float(mill["cleaning_h"].max())
        weight = lines / lines.sum() if lines.sum() > 0 else np.full(len(lines), 1.0 / len(lines))
        cost_t = float((mill["cost_per_t"].to_numpy(dtype=float) * weight).sum())
        corrector = float((mill["corrector_fraction"].to_numpy(dtype=float) * weight).sum())
    else:
        mill_t, mill_h = np.full(len(days), UNLIMITED), np.full(len(days), 24.0)
        rate_t_h, buffer_t, wait_h, cleaning_h, cost_t, corrector = (
            UNLIMITED / 24.0,
            0.0,
            24.0,
            0.0,
            0.0,
            0.10,
        )
        notes.append(
            ("mill", "none", "", "records", "no mill in the records: milling does not limit the plan")
        )

    # trucks
    haul_km = blocks["haul_km"].to_numpy(dtype=float)
    if len(trucks):
        number = trucks["trucks_n"].to_numpy(dtype=float)[:, None]
        payload = trucks["payload_t"].to_numpy(dtype=float)[:, None]
        hours = trucks["hours_per_day"].to_numpy(dtype=float)[:, None]
        handling = (trucks["load_h"] + trucks["unload_h"]).to_numpy(dtype=float)[:, None]
        one_way = haul_km[None, :] / trucks["speed_km_h"].to_numpy(dtype=float)[:, None]
        trip = handling + 2 * one_way
        daily_t = number * hours * payload / trip
        total_t = np.maximum(daily_t.sum(axis=0), 1e-9)  # trucks without hours haul nothing
        share = daily_t / total_t
        truck_h = np.full(len(days), float((number * hours).sum()))
        truck_h_per_t = np.where(daily_t.sum(axis=0) > 0, truck_h[0] / total_t, 1.0)
        round_trip = (share * trip).sum(axis=0)
        age = (share * (handling + one_way)).sum(axis=0)
        per_km = trucks["cost_per_km"].to_numpy(dtype=float)[:, None]
        haul_cost = (share * per_km * 2 * haul_km[None, :] / payload).sum(axis=0)
        payload_t = float((number * payload).sum() / max(number.sum(), 1.0)) or float(payload.mean())
    else:
        truck_h = np.full(len(days), UNLIMITED)
        truck_h_per_t = round_trip = age = haul_cost = np.zeros(len(blocks))
        payload_t = np.nan
        notes.append(
            ("trucks", "none", "", "records", "no trucks in the records: hauling is free and unlimited")
        )

    # days
    spans = _spans(season, days)
    allowed = np.ones((len(blocks), len(days)), dtype=bool)
    position = pd.Series(np.arange(len(days)), index=days)
    for row in spans.itertuples(index=False):
        allowed[index[row.block_id], position[row.first_day] : position[row.last_day] + 1] = False
    allowed &= (area_left > 0)[:, None]
    workable = np.where(allowed[None, :, :], scenarios.workable_fraction.astype(float), 0.0)
    workable[workable < float(rules["work_min_fraction"])] = 0.0
    held_back = float(rules["hours_held_back_fraction"])
    if held_back > 0:
        workable *= 1.0 - held_back
        notes.append(
            ("hours_held_back_fraction", held_back, "fraction", "rule",
             "so much of every workable hour is not counted on")
        )  # fmt: skip
    notes.append(
        ("work_min_fraction", float(rules["work_min_fraction"]), "fraction", "rule",
         "a block is not worked on a day with a smaller workable share of the shift")
    )  # fmt: skip

    organic = blocks["organic"].to_numpy(dtype=bool)
    names = [
        f"{cultivar}, {'organic' if green else 'conventional'}, {contract}"
        for cultivar, green, contract in zip(blocks["cultivar"], organic, blocks["contract_id"], strict=True)
    ]
    lots = tuple(dict.fromkeys(names))
    lot = np.array([lots.index(name) for name in names], dtype=int)

    return Capacity(
        days=days,
        block_ids=tuple(blocks["block_id"]),
        harvester_ids=tuple(machines["harvester_id"]),
        shift_h=np.where(here, shift[:, None], 0.0),
        workable_fraction=workable,
        rate_ha_h=rate,
        area_left_ha=area_left,
        block_h=block_h,
        removal_fraction=machines["removal_pct"].to_numpy(dtype=float) / 100.0,
        harvester_cost_h=machines["cost_per_h"].to_numpy(dtype=float),
        move_fixed_h=machines["move_fixed_h"].to_numpy(dtype=float),
        move_km_h=machines["move_km_h"].to_numpy(dtype=float),
        washdown_h=np.nan_to_num(machines["washdown_h"].to_numpy(dtype=float)),
        start_block=start,
        distance_km=km,
        organic=organic,
        lot=lot,
        lots=lots,
        allowed=allowed,
        no_go=spans,
        mill_t=mill_t,
        mill_h=mill_h,
        mill_rate_t_h=rate_t_h,
        mill_buffer_t=buffer_t,
        mill_max_wait_h=wait_h,
        mill_cleaning_h=cleaning_h,
        mill_cost_t=cost_t,
        mill_corrector_fraction=corrector,
        truck_h=truck_h,
        round_trip_h=round_trip,
        truck_h_per_t=truck_h_per_t,
        payload_t=payload_t,
        haul_cost_t=haul_cost,
        haul_age_h=age,
        crop_t_ha=blocks["crop_t_ha"].to_numpy(dtype=float),
        assumptions=pd.DataFrame(notes, columns=list(ASSUMPTION_COLUMNS)),
    )


def _mill_hours(season: Season, days: pd.DatetimeIndex) -> np.ndarray:
    """Hours each line runs for us, (lines, T): its hours less those booked, 0 when closed [h]."""
    lines = season.mill["mill_id"]
    hours = np.repeat(season.mill["hours_per_day"].to_numpy(dtype=float)[:, None], len(days), axis=1)
    table = season.mill_days
    table = table[table["day"].isin(days)] if len(table) else table
    for row in table.itertuples(index=False):
        line = np.flatnonzero(lines == row.mill_id)
        day = days.get_loc(row.day)
        booked = 0.0 if pd.isna(row.booked_h) else float(row.booked_h)
        hours[line, day] = (
            0.0 if row.closed is True or row.closed == 1 else np.maximum(hours[line, day] - booked, 0)
        )
    return hours
