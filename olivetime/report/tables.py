"""The finished week as tables: built once from a proposal, saved, loaded by notebooks, cut down per grower.

Pages, notebooks and figures read nothing but a `Week`; everything in it is metric and Celsius. Display units,
locale dates and sentences appear only in the functions that make a `DisplayTable` or a text.
"""

from __future__ import annotations

import hashlib
import html
import io
import json
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

import olivetime
from olivetime.harvest.grades import STANDARDS
from olivetime.harvest.hindcast import Hindcast
from olivetime.harvest.order import Proposal
from olivetime.harvest.reasons import CODES, reasons, standard_what_ifs, waiting_costs
from olivetime.records.columns import SeasonError
from olivetime.records.files import write_atomic
from olivetime.words import (
    Unit,
    chance_text,
    count_text,
    day_text,
    days_text,
    display_unit,
    money_text,
    number_text,
)

# Own working figures of the report; each is also a row of the assumptions table.
GOOD_SHARE = 0.02  # a day is "good" while it loses less than this share of the block's best day (own choice)
RAIN_DAY_MM = 1.0  # a day counts as rainy from this amount on (common practice, no source)
RAIN_LIKELY = 0.5  # chance from which pages say "rain is likely" (own choice)
FROST_WORTH_SAYING = 0.2  # chance from which pages speak of frost (own choice)
OLD_SAMPLE_D = 10  # a newest sample older than this is flagged; weekly sampling is the trade's habit

# fmt: off
WEEK_COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "order": (
        "rank", "block_id", "block_name", "grower", "grower_id", "ranch", "cultivar", "organic", "harvester_id",
        "lot", "status", "why_not", "start_at", "end_at", "start_p10", "start_p90", "area_ha", "hours_h",
        "move_h", "move_from", "crop_t", "crop_p10_t", "crop_p90_t", "oil_fresh_pct", "oil_dry_pct",
        "moisture_pct", "maturity_index", "paid_oil_kg", "value", "value_p10", "value_p90", "value_per_h",
        "best_on", "best_on_loss", "good_from", "good_to", "frost_value_at_risk", "frost_chance",
        "days_lost_mean", "truck_loads", "to_mill_at", "wait_h", "cleaning_h", "moved_days", "sample_age_d",
        "moved_gain", "samples_n", "reason_code", "reason", "runner_up", "margin_per_h", "waiting_1d", "waiting_3d",
        "waiting_7d", "waiting_exact", "flags",
    ),
    "stage": (
        "block_id", "block_name", "grower", "grower_id", "ranch", "cultivar", "style_index", "organic", "area_ha",
        "crop_t", "lat_deg", "lon_deg", "station_id", "samples_n", "sample_age_d", "borrowed_fraction", "doubtful_n",
        "plateau_dry_p10_pct", "plateau_dry_p50_pct", "plateau_dry_p90_pct", "oil_dry_now_p10_pct",
        "oil_dry_now_p50_pct", "oil_dry_now_p90_pct", "oil_fresh_now_p50_pct", "moisture_now_p50_pct",
        "maturity_now_p50", "target_kind", "target_value", "target_dry_pct", "target_fresh_pct", "reached_chance",
        "never_chance", "days_p10", "days_p50", "days_p90", "on_p10", "on_p50", "on_p90", "verdict",
    ),
    "curves": (
        "block_id", "day", "forecast", "oil_dry_p10_pct", "oil_dry_p50_pct", "oil_dry_p90_pct",
        "oil_fresh_p10_pct", "oil_fresh_p50_pct", "oil_fresh_p90_pct", "moisture_p10_pct", "moisture_p50_pct",
        "moisture_p90_pct", "maturity_p10", "maturity_p50", "maturity_p90",
    ),
    "samples": (
        "sample_id", "block_id", "season", "sampled_on", "oil_dry_pct", "oil_fresh_pct", "moisture_pct",
        "maturity_index", "method", "lab", "note",
    ),
    "past_samples": (
        "sample_id", "block_id", "season", "sampled_on", "oil_dry_pct", "oil_fresh_pct", "moisture_pct",
        "maturity_index", "method", "lab", "note",
    ),
    "classes": ("block_id", "day", *(f"class{i}" for i in range(8))),
    "weather": (
        "station_id", "day", "measured", "temp_min_p10_c", "temp_min_p50_c", "temp_min_p90_c", "temp_max_p10_c",
        "temp_max_p50_c", "temp_max_p90_c", "rain_p50_mm", "rain_mean_mm", "rain_chance", "frost_chance", "work_h",
    ),
    "frost": ("block_id", "day", "chance", "at_risk_t"),
    "heat": ("station_id", "season", "day_of_season", "heat_d"),
    "mill": ("day", "lot", "cultivar", "style_index", "organic", "crop_t", "limit_t"),
    "capacity": ("day", "resource", "limit", "used", "unit", "binding"),
    "prices": ("day", "harvester_per_h", "mill_per_t", "truck_per_h"),
    "rules": ("rule", "value", "share_of_bound"),
    "value_by_day": ("block_id", "day", "value_p10", "value_p50", "value_p90"),
    "what_ifs": ("change", "value_change", "first_block", "moves"),
    "growers": ("grower_id", "grower", "blocks_n", "area_ha", "crop_t"),
    "findings": ("code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do"),
    "assumptions": ("room", "name", "value", "unit", "source", "says"),
    "sources": ("file", "sha256", "rows"),
    "parameters": ("kind", "cultivar", "part", "name", "value", "se", "prior_mean", "prior_sd", "low", "high",
                   "at_bound", "source"),
    "residuals": ("sample_id", "block_id", "day", "x", "observed", "fitted", "residual_sd", "weight", "kind",
                  "doubtful"),
    "shapes": ("cultivar", "shape", "weight"),
    "week_effects": ("kind", "week", "effect"),
    "next_samples": ("block_id", "rank", "why", "gain"),
})
# fmt: on


@dataclass(frozen=True)
class Week:
    """Everything the week's pages need, in metric units.

    Attributes
    ----------
    info : dict
        name, place, as_of, start, end (ISO text), label, units ("us" or "metric", for display), currency, locale,
        seed, version, n_scenarios, n_draws, status, why, value, value_p10, value_p90, bound [currency],
        gap_fraction, target_kind, target_value, main_station, headline; on a grower's week also grower, grower_id.
    order, stage, curves, ... : DataFrame
        One frame each; `WEEK_COLUMNS` names their columns. Columns ending `_pct` are 0-100, `_chance` 0-1;
        money is in info["currency"]; `heat_d` is thermal days.
    """

    info: dict[str, Any]
    order: pd.DataFrame
    stage: pd.DataFrame
    curves: pd.DataFrame
    samples: pd.DataFrame
    past_samples: pd.DataFrame
    classes: pd.DataFrame
    weather: pd.DataFrame
    frost: pd.DataFrame
    heat: pd.DataFrame
    mill: pd.DataFrame
    capacity: pd.DataFrame
    prices: pd.DataFrame
    rules: pd.DataFrame
    value_by_day: pd.DataFrame
    what_ifs: pd.DataFrame
    growers: pd.DataFrame
    findings: pd.DataFrame
    assumptions: pd.DataFrame
    sources: pd.DataFrame
    parameters: pd.DataFrame
    residuals: pd.DataFrame
    shapes: pd.DataFrame
    week_effects: pd.DataFrame
    next_samples: pd.DataFrame


TABLE_NAMES: tuple[str, ...] = tuple(f.name for f in fields(Week) if f.name != "info")


# ---------------------------------------------------------------------------------------------------------
# Building the week


def grower_id(grower: str) -> str:
    """Name of a grower that is safe in file names and notebook parameters.

    Parameters
    ----------
    grower : str
        Grower's name as in the records; any text.

    Returns
    -------
    str
        Up to 24 letters, digits and hyphens, then a hyphen and six hexadecimal digits of the name's SHA-256, so
        that two names never meet.

    Examples
    --------
    >>> grower_id("Peña & Sons")
    'pena-sons-be7c8d'
    """
    plain = unicodedata.normalize("NFKD", grower).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:24].strip("-") or "grower"
    return f"{slug}-{hashlib.sha256(grower.encode()).hexdigest()[:6]}"


def week_tables(proposal: Proposal) -> Week:
    """All tables of the week from one finished proposal.

    Parameters
    ----------
    proposal : Proposal
        What `olivetime.harvest.order.propose` returned.

    Returns
    -------
    Week
        Metric tables; blocks in the records' order, days from as_of to the season's end.
    """
    season, plan, outcomes = proposal.season, proposal.plan, proposal.outcomes
    blocks = season.blocks.copy()
    blocks["grower_id"] = blocks["grower"].map({g: grower_id(g) for g in blocks["grower"].unique()})
    cultivars = sorted(blocks["cultivar"].astype(str).unique())
    blocks["style_index"] = blocks["cultivar"].astype(str).map({c: i for i, c in enumerate(cultivars)})
    as_of = pd.Timestamp(season.as_of)

    curves = _curves(outcomes, as_of)
    value_by_day = _value_by_day(proposal)
    order = _order(proposal, blocks, value_by_day)
    stage = _stage(proposal, blocks, curves, order)
    weather = _weather(proposal, blocks)
    main_station = blocks.groupby("station_id")["area_ha"].sum().idxmax() if len(blocks) else ""
    mill = plan.mill_days.merge(
        order.drop_duplicates("lot")[["lot", "cultivar", "organic"]], on="lot", how="left"
    ).merge(blocks.drop_duplicates("cultivar")[["cultivar", "style_index"]], on="cultivar", how="left")
    growers = (
        stage.groupby(["grower_id", "grower"], sort=True)
        .agg(blocks_n=("block_id", "size"), area_ha=("area_ha", "sum"), crop_t=("crop_t", "sum"))
        .reset_index()
    )
    own = pd.DataFrame(
        [
            (
                "report",
                "good_window_share",
                GOOD_SHARE,
                "fraction",
                "own choice",
                "A day counts as good while it loses less than this share of the block's best day.",
            ),
            (
                "report",
                "rain_day_mm",
                RAIN_DAY_MM,
                "mm",
                "common practice, no source",
                "A day counts as rainy from this amount on.",
            ),
            (
                "report",
                "rain_likely_chance",
                RAIN_LIKELY,
                "fraction",
                "own choice",
                "From this chance on, pages say that rain is likely.",
            ),
            (
                "report",
                "frost_mention_chance",
                FROST_WORTH_SAYING,
                "fraction",
                "own choice",
                "From this chance on, pages speak of frost.",
            ),
        ],
        columns=list(WEEK_COLUMNS["assumptions"]),
    )
    info = {
        "name": season.name,
        "place": season.place,
        "as_of": season.as_of.isoformat(),
        "start": season.start.isoformat(),
        "end": season.end.isoformat(),
        "label": int(season.label),
        "units": season.units,
        "currency": season.currency,
        "locale": season.locale,
        "seed": int(proposal.seed),
        "version": olivetime.__version__,
        "n_scenarios": int(proposal.scenarios.temp_min_c.shape[0]),
        "n_draws": int(outcomes.oil_dry_pct.shape[0]),
        "status": plan.status,
        "why": plan.why,
        "value": float(plan.value),
        "value_p10": float(plan.value_p10),
        "value_p90": float(plan.value_p90),
        "bound": float(plan.bound),
        "gap_fraction": float(plan.gap_fraction),
        "target_kind": season.target.kind,
        "target_value": _plain(season.target.value),
        "main_station": str(main_station),
        "headline": "",
    }
    residuals = proposal.fit.residuals
    parts = {
        "order": order,
        "stage": stage,
        "curves": curves,
        "samples": season.samples,
        "past_samples": season.past_samples,
        "classes": _classes(outcomes),
        "weather": weather,
        "frost": _frost(proposal, order),
        "heat": proposal.station_days.heat,
        "mill": mill,
        "capacity": plan.capacity_days,
        "prices": plan.prices,
        "rules": plan.rules[plan.rules["rule"] != "this plan"],
        "value_by_day": value_by_day,
        "what_ifs": standard_what_ifs(proposal),
        "growers": growers,
        "findings": pd.concat([season.findings, proposal.station_days.findings], ignore_index=True),
        "assumptions": pd.concat([proposal.assumptions.astype(object), own.astype(object)], ignore_index=True),
        "sources": season.sources,
        "parameters": proposal.fit.parameters,
        "residuals": residuals[residuals["season"] == season.label],
        "shapes": proposal.fit.shapes,
        "week_effects": proposal.fit.week_effects,
        "next_samples": _next_samples(stage, order),
    }
    return make_week(info, parts)


def make_week(info: Mapping[str, Any], parts: Mapping[str, pd.DataFrame]) -> Week:
    """A `Week` from frames: columns put in the promised order, missing tables empty, headline written.

    Parameters
    ----------
    info : mapping
        As `Week.info`; `headline` is written here.
    parts : mapping of str to DataFrame
        Any of `TABLE_NAMES`; columns beyond the promised ones are dropped, except in samples and past_samples.

    Raises
    ------
    ValueError
        A table that a week does not have.
    """
    unknown = sorted(set(parts) - set(TABLE_NAMES))
    if unknown:
        raise ValueError(
            f"week tables: found {unknown[0]!r}, expected one of {', '.join(TABLE_NAMES)}. Name one of these."
        )
    tidy = {name: _tidy(parts.get(name), name) for name in TABLE_NAMES}
    week = Week(info=dict(info), **tidy)
    return replace(week, info={**week.info, "headline": headline(week)})


def _tidy(frame: pd.DataFrame | None, name: str) -> pd.DataFrame:
    wanted = WEEK_COLUMNS[name]
    if frame is None:
        return pd.DataFrame({column: pd.Series(dtype=object) for column in wanted})
    extra = [c for c in frame.columns if c not in wanted] if name in ("samples", "past_samples") else []
    frame = frame.reindex(columns=[*wanted, *extra]).reset_index(drop=True)
    for column in frame.columns:
        values = frame[column]
        # One column, one type: what Parquet and readers need. Mixed cells (a finding's value) become text.
        if values.dtype == object and not values.isna().all():
            kept = values.dropna()
            if kept.map(lambda v: isinstance(v, bool | np.bool_)).all():
                frame[column] = values.astype("boolean")
            elif kept.map(lambda v: isinstance(v, date)).all():
                frame[column] = pd.to_datetime(values)
            elif kept.map(lambda v: isinstance(v, int | float | np.number) and not isinstance(v, bool)).all():
                frame[column] = pd.to_numeric(values)
            else:
                frame[column] = values.map(lambda v: None if v is None or v is pd.NA or v != v else str(v)).astype(
                    "str"
                )
    return frame


def _plain(value: Any) -> float | str | None:
    if value is None or isinstance(value, str):
        return value
    return float(value)


def _long(days: pd.DatetimeIndex, block_ids: Sequence[str], columns: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """Frame with one row per block and day from arrays of shape (blocks, days)."""
    frame = {
        "block_id": np.repeat(np.asarray(block_ids, dtype=object), len(days)),
        "day": np.tile(days, len(block_ids)),
    }
    return pd.DataFrame({**frame, **{name: np.asarray(a).ravel() for name, a in columns.items()}})


def _p10_50_90(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    p10, p50, p90 = np.percentile(draws, [10, 50, 90], axis=0)
    return p10, p50, p90


def _curves(outcomes: Any, as_of: pd.Timestamp) -> pd.DataFrame:
    columns: dict[str, np.ndarray] = {}
    for stem, tail, draws in (
        ("oil_dry", "_pct", outcomes.oil_dry_pct),
        ("oil_fresh", "_pct", outcomes.oil_fresh_pct),
        ("moisture", "_pct", outcomes.moisture_pct),
        ("maturity", "", outcomes.maturity_index),
    ):
        for p, array in zip(("p10", "p50", "p90"), _p10_50_90(draws), strict=True):
            columns[f"{stem}_{p}{tail}"] = array
    ahead = _long(outcomes.days, outcomes.block_ids, columns)
    behind = outcomes.fitted.copy()
    # The fitted line runs to today; the forecast starts there, so the two meet without a gap in the drawing.
    behind, ahead = behind[behind["day"] <= as_of].assign(forecast=False), ahead.assign(forecast=True)
    ahead = ahead[ahead["day"] > as_of] if len(behind) else ahead
    return pd.concat([behind, ahead], ignore_index=True).sort_values(["block_id", "day"], ignore_index=True)


def _classes(outcomes: Any) -> pd.DataFrame:
    return _long(
        outcomes.days,
        outcomes.block_ids,
        {f"class{i}": outcomes.class_share[:, :, i] for i in range(outcomes.class_share.shape[2])},
    )


def _value_by_day(proposal: Proposal) -> pd.DataFrame:
    p10, p50, p90 = _p10_50_90(proposal.value.value_draws)
    outcomes = proposal.outcomes
    return _long(outcomes.days, outcomes.block_ids, {"value_p10": p10, "value_p50": p50, "value_p90": p90})


def good_window(value_by_day: pd.DataFrame) -> pd.DataFrame:
    """First and last day of the run of days around each block's best day that lose less than `GOOD_SHARE`.

    Parameters
    ----------
    value_by_day : DataFrame
        block_id, day, value_p50 [currency], days in order.

    Returns
    -------
    DataFrame
        block_id, good_from, good_to; NaT where no day has a positive value.
    """
    rows = []
    for block_id, part in value_by_day.groupby("block_id", sort=False):
        value = part["value_p50"].to_numpy(dtype=float)
        best = int(np.nanargmax(value)) if np.isfinite(value).any() else -1
        if best < 0 or value[best] <= 0:
            rows.append((block_id, pd.NaT, pd.NaT))
            continue
        good = np.nan_to_num(value, nan=-np.inf) >= value[best] * (1 - GOOD_SHARE)
        before, after = np.flatnonzero(~good[: best + 1]), np.flatnonzero(~good[best:])
        first = before[-1] + 1 if len(before) else 0
        last = best + after[0] - 1 if len(after) else len(value) - 1
        rows.append((block_id, part["day"].iloc[first], part["day"].iloc[last]))
    return pd.DataFrame(rows, columns=["block_id", "good_from", "good_to"]).astype(
        {"good_from": "datetime64[ns]", "good_to": "datetime64[ns]"}
    )


def _order(proposal: Proposal, blocks: pd.DataFrame, value_by_day: pd.DataFrame) -> pd.DataFrame:
    order = proposal.plan.rows.drop(columns=["area_ha"], errors="ignore")
    named = ["block_id", "block_name", "grower", "grower_id", "ranch", "cultivar", "organic", "area_ha"]
    order = order.merge(blocks[named], on="block_id", how="left")
    order["block_name"] = order["block_name"].fillna(order["block_id"])
    order["grower_id"] = order["grower_id"].fillna("")
    if "area_ha" in proposal.plan.rows:  # what is left to pick of the block, where the plan says so
        left = order["block_id"].map(proposal.plan.rows.set_index("block_id")["area_ha"])
        order["area_ha"] = left.fillna(order["area_ha"])
    moved = proposal.plan.moved.rename(columns={"gain": "moved_gain"})[["block_id", "moved_gain"]]
    for extra in (reasons(proposal), waiting_costs(proposal), good_window(value_by_day), moved):
        new = [c for c in extra.columns if c not in order.columns]
        order = order.merge(extra[["block_id", *new]], on="block_id", how="left")
    order["flags"] = _flags(order)
    return order.sort_values(["rank", "start_at", "block_id"], ignore_index=True, na_position="last")


def _flags(order: pd.DataFrame) -> pd.Series:
    planned = order["start_at"].notna()
    day = order["start_at"].dt.normalize()
    checks = {
        "early": planned & (day < order["good_from"]),
        "late": planned & (day > order["good_to"]),
        "frost": order["frost_chance"].astype(float).fillna(0) >= FROST_WORTH_SAYING,
        "old sample": order["sample_age_d"].astype(float) > OLD_SAMPLE_D,
        "few samples": order["samples_n"].astype(float).fillna(0) < 3,
        "moved": order["moved_days"].astype(float).abs() >= 1,
    }
    table = np.column_stack([np.asarray(mask.fillna(False), dtype=bool) for mask in checks.values()])
    names = list(checks)
    return pd.Series(
        [", ".join(n for n, on in zip(names, row, strict=True) if on) for row in table],
        index=order.index,
        dtype="str",
    )


def _stage(proposal: Proposal, blocks: pd.DataFrame, curves: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    as_of = pd.Timestamp(proposal.season.as_of)
    now = curves[curves["day"] <= as_of].groupby("block_id").tail(1)
    if now.empty:
        now = curves.groupby("block_id").head(1)
    now = now.set_index("block_id")
    stage = blocks.merge(
        proposal.fit.blocks.drop(columns=[c for c in blocks.columns if c != "block_id"], errors="ignore"),
        on="block_id",
        how="left",
    )
    stage = stage.merge(proposal.targets, on="block_id", how="left")
    for name in ("samples_n", "sample_age_d"):
        if name not in stage:
            stage[name] = stage["block_id"].map(order.set_index("block_id")[name])
    crop_now = pd.Series(proposal.outcomes.crop_t[:, :, 0].mean(axis=0), index=list(proposal.outcomes.block_ids))
    stage["crop_t"] = stage["block_id"].map(crop_now)
    stage["oil_fresh_now_p50_pct"] = stage["block_id"].map(now["oil_fresh_p50_pct"])
    stage["moisture_now_p50_pct"] = stage["block_id"].map(now["moisture_p50_pct"])
    stage["maturity_now_p50"] = stage["block_id"].map(now["maturity_p50"])
    kind, value = stage["target_kind"].astype(str), pd.to_numeric(stage["target_value"], errors="coerce")
    # The level to draw: a fraction of the block's own plateau becomes a dry-basis level of that block.
    stage["target_dry_pct"] = np.where(
        kind == "plateau_fraction",
        value * stage["plateau_dry_p50_pct"],
        np.where(kind == "oil_dry_pct", value, np.nan),
    )
    stage["target_fresh_pct"] = np.where(kind == "oil_fresh_pct", value, np.nan)
    return stage


def _weather(proposal: Proposal, blocks: pd.DataFrame) -> pd.DataFrame:
    season, scen = proposal.season, proposal.scenarios
    past = proposal.station_days.days
    past = past[(past["day"] >= pd.Timestamp(season.start)) & (past["day"] < scen.days[0])]
    measured = pd.DataFrame(
        {
            "station_id": past["station_id"],
            "day": past["day"],
            "measured": True,
            **{f"temp_min_{p}_c": past["temp_min_c"] for p in ("p10", "p50", "p90")},
            **{f"temp_max_{p}_c": past["temp_max_c"] for p in ("p10", "p50", "p90")},
            "rain_p50_mm": past["rain_mm"],
            "rain_mean_mm": past["rain_mm"],
            "rain_chance": (past["rain_mm"] >= RAIN_DAY_MM).astype(float),
            "frost_chance": (past["temp_min_c"] < 0).astype(float),
            "work_h": np.nan,
        }
    )
    # Hours to pick of one harvester: mean over the scenarios and over the harvesters that are there on the day.
    there = (proposal.capacity.shift_h > 0).sum(axis=0)
    work_h = proposal.capacity.harvest_h.mean(axis=0).sum(axis=0) / np.maximum(there, 1)
    frames = [measured]
    column = {b: i for i, b in enumerate(scen.block_ids)}
    for station_id, group in blocks.groupby("station_id", sort=True):
        # Scenarios live at the blocks; the block nearest to the station's own cold gives the station's weather.
        colder = group["colder_c"].astype(float).fillna(0)
        b, offset = column[group.loc[colder.idxmin(), "block_id"]], float(colder.min())
        low, high, rain = scen.temp_min_c[:, b] + offset, scen.temp_max_c[:, b], scen.rain_mm[:, b]
        low_p, high_p = _p10_50_90(low), _p10_50_90(high)
        frames.append(
            pd.DataFrame(
                {
                    "station_id": station_id,
                    "day": scen.days,
                    "measured": False,
                    **{f"temp_min_{p}_c": a for p, a in zip(("p10", "p50", "p90"), low_p, strict=True)},
                    **{f"temp_max_{p}_c": a for p, a in zip(("p10", "p50", "p90"), high_p, strict=True)},
                    "rain_p50_mm": np.median(rain, axis=0),
                    "rain_mean_mm": rain.mean(axis=0),
                    "rain_chance": (rain >= RAIN_DAY_MM).mean(axis=0),
                    "frost_chance": (low < 0).mean(axis=0),
                    "work_h": work_h,
                }
            )
        )
    return pd.concat(frames, ignore_index=True).sort_values(["station_id", "day"], ignore_index=True)


def _frost(proposal: Proposal, order: pd.DataFrame) -> pd.DataFrame:
    scen, outcomes = proposal.scenarios, proposal.outcomes
    chance = (scen.temp_min_c < float(proposal.season.rules["frost_threshold_c"])).mean(axis=0)
    crop_t = outcomes.crop_t.mean(axis=0)
    picked_at = order.set_index("block_id")["end_at"].reindex(list(scen.block_ids))
    standing = picked_at.isna().to_numpy()[:, None] | (
        picked_at.fillna(pd.Timestamp.max.normalize()).to_numpy()[:, None] > scen.days.to_numpy()[None, :]
    )
    return _long(scen.days, scen.block_ids, {"chance": chance, "at_risk_t": np.where(standing, crop_t, 0.0)})


def _next_samples(stage: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    """Blocks in the order in which a fresh sample is worth most.

    The gain is the currency that the doubt about the block's date can cost: half the 8-in-10 range of days to
    target times the cost of one day of waiting (own working rule, a ranking, not a forecast of money).
    """
    table = stage.merge(order[["block_id", "status", "waiting_1d"]], on="block_id", how="left")
    table = table[~table["status"].isin(["picked", "picking"])]
    half_range = (pd.to_numeric(table["days_p90"]) - pd.to_numeric(table["days_p10"])).abs() / 2
    half_range = half_range.fillna(half_range.max() if half_range.notna().any() else 7.0)
    gain = half_range * table["waiting_1d"].astype(float).abs().fillna(0)
    age = table["sample_age_d"].astype(float)
    why = [
        "no sample this season"
        if not n > 0
        else f"only {n:.0f} sample{'s' if n > 1 else ''}"
        if n < 3
        else f"newest sample {a:.0f} days old"
        if a > OLD_SAMPLE_D
        else f"date known to about ±{count_text(max(round(h), 1), 'day')}"
        for n, a, h in zip(table["samples_n"].astype(float).fillna(0), age, half_range, strict=True)
    ]
    table = table.assign(why=why, gain=gain).sort_values(["gain", "block_id"], ascending=[False, True])
    table["rank"] = np.arange(1, len(table) + 1)
    return table[["block_id", "rank", "why", "gain"]].reset_index(drop=True)


# ---------------------------------------------------------------------------------------------------------
# One grower's week


def grower_week(week: Week, wanted: str) -> Week:
    """The part of the week that one grower may see.

    Parameters
    ----------
    week : Week
        The whole week.
    wanted : str
        `grower_id` as in week.growers.

    Returns
    -------
    Week
        Only that grower's blocks, ranked 1, 2, 3 among themselves; the mill, capacity, prices, rules, what-ifs,
        pooled fit tables and every total of the whole plan are left out, and so is every text that names another
        grower's block.

    Raises
    ------
    ValueError
        No such grower.
    """
    if wanted not in set(week.growers["grower_id"]):
        known = ", ".join(week.growers["grower_id"].astype(str).head(12))
        raise ValueError(f"grower_id: found {wanted!r}, expected one of {known}. Copy it from the growers table.")
    stage = week.stage[week.stage["grower_id"] == wanted].reset_index(drop=True)
    mine = set(stage["block_id"])
    foreign, own = _foreign_words(week, wanted), _pattern(_own_words(week, wanted))
    names = _pattern(foreign)
    # In the assumptions a bare number is a value, not a block's name.
    worded = _pattern(w for w in foreign if not w.isdigit())

    def of_mine(name: str) -> pd.DataFrame:
        table = getattr(week, name)
        return table[table["block_id"].isin(mine)].reset_index(drop=True)

    def clean(texts: pd.Series) -> pd.Series:
        return texts.map(lambda t: "" if isinstance(t, str) and names.search(t) else t)

    order = of_mine("order")
    order["rank"] = order["rank"].astype("Float64").rank(method="first").astype("Int64")
    for column in ("reason", "why_not", "move_from", "runner_up", "flags"):
        order[column] = clean(order[column])
    # A reason that named another grower's block gives way to its kind in words.
    gone = (order["reason"] == "") & order["reason_code"].isin(list(CODES))
    order.loc[gone, "reason"] = order.loc[gone, "reason_code"].map(
        {k: f"{v[0].upper()}{v[1:]}." for k, v in CODES.items()}
    )
    order.loc[~order["runner_up"].isin(mine), "runner_up"] = None
    order.loc[~order["move_from"].isin(mine), "move_from"] = None
    order["margin_per_h"] = np.nan  # distance to a runner-up that may be someone else's
    next_samples = of_mine("next_samples")
    next_samples["rank"] = np.arange(1, len(next_samples) + 1)
    next_samples["why"] = clean(next_samples["why"])
    stations = set(stage["station_id"].dropna())
    told = _row_texts(week.findings[["value", "says", "do"]])
    findings = week.findings[[bool(own.search(t)) and not names.search(t) for t in told]].reset_index(drop=True)
    shared = [not worded.search(t) for t in _row_texts(week.assumptions)]
    assumptions = week.assumptions[shared].reset_index(drop=True)
    whole_plan = ("value", "value_p10", "value_p90", "bound", "gap_fraction")
    info = {k: (None if k in whole_plan else v) for k, v in week.info.items()}
    grower = str(week.growers.loc[week.growers["grower_id"] == wanted, "grower"].iloc[0])
    area = stage.groupby("station_id")["area_ha"].sum() if len(stage) else pd.Series(dtype=float)
    info |= {
        "grower": grower,
        "grower_id": wanted,
        "why": "",
        "main_station": str(area.idxmax()) if len(area) else "",
    }
    parts = {
        name: of_mine(name)
        for name in ("curves", "samples", "past_samples", "classes", "frost", "value_by_day", "residuals")
    }
    parts |= {
        "order": order,
        "stage": stage,
        "next_samples": next_samples,
        "findings": findings,
        "assumptions": assumptions,
        "sources": week.sources.assign(rows=pd.NA),
        "weather": week.weather[week.weather["station_id"].isin(stations)],
        "heat": week.heat[week.heat["station_id"].isin(stations)],
        "growers": week.growers[week.growers["grower_id"] == wanted],
    }
    return make_week(info, parts)


def _pattern(words: Iterable[str]) -> re.Pattern[str]:
    """Match any of the words as a whole word; no words match nothing."""
    longest_first = sorted(words, key=lambda w: (-len(w), w))
    return re.compile("|".join(rf"(?<!\w){re.escape(w)}(?!\w)" for w in longest_first) or r"(?!)")


def _row_texts(table: pd.DataFrame) -> list[str]:
    """All texts of each row in one."""
    return [" ".join(row) for row in zip(*(_texts(table[c]) for c in table.columns), strict=True)]


def _own_words(week: Week, wanted: str) -> set[str]:
    stage = week.stage[week.stage["grower_id"] == wanted]
    samples = week.samples[week.samples["block_id"].isin(set(stage["block_id"]))]
    words = {*stage["block_id"], *stage["block_name"], *samples["sample_id"]}
    return {str(w) for w in words if isinstance(w, str) and w.strip()}


def _foreign_words(week: Week, wanted: str) -> set[str]:
    other = week.stage[week.stage["grower_id"] != wanted]
    mine = week.stage[week.stage["grower_id"] == wanted]
    samples = week.samples[week.samples["block_id"].isin(set(other["block_id"]))]
    words = {
        *other["block_id"],
        *other["block_name"],
        *other["grower"],
        *other["grower_id"],
        *samples["sample_id"],
        *other["ranch"],
    }
    kept = {*mine["block_id"], *mine["block_name"], *mine["grower"], *mine["ranch"]}
    return {str(w) for w in words - kept if isinstance(w, str) and w.strip()}


# ---------------------------------------------------------------------------------------------------------
# Saving and loading


def formula_safe(value: Any) -> Any:
    """A text cell that spreadsheet programs will not run as a formula: a leading = + - @ gets an apostrophe.

    Examples
    --------
    >>> formula_safe("=1+1"), formula_safe("North 4"), formula_safe(-2.5)
    ("'=1+1", 'North 4', -2.5)
    """
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") else value


def save_week(week: Week, folder: Path | str) -> Path:
    """Write the week: NAME.csv (for people, formula-safe), NAME.parquet (for loading) and info.json, last.

    committed.csv beside them is this order in the form of the season's own table: copied into the season folder, it is
    the promise that next week's order starts from.

    Each file replaces its forerunner whole; info.json carries the SHA-256 of every Parquet file, so a folder that an
    interrupted run left mixed is refused by `load_week` instead of being read as one week.

    Parameters
    ----------
    week : Week
        What to save.
    folder : path
        Made when missing.

    Returns
    -------
    Path
        The folder.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    hashes = {}
    for name in TABLE_NAMES:
        frame = getattr(week, name)
        safe = frame.copy()
        for column in safe.columns:
            if safe[column].dtype == object or isinstance(safe[column].dtype, pd.StringDtype):
                safe[column] = safe[column].map(formula_safe)
        csv = safe.to_csv(
            index=False,
            lineterminator="\n",
            date_format="%Y-%m-%dT%H:%M:%S" if any(_has_hours(safe[c]) for c in safe) else "%Y-%m-%d",
        )
        buffer = io.BytesIO()
        frame.to_parquet(buffer, index=False)
        write_atomic(folder / f"{name}.csv", csv.encode())
        write_atomic(folder / f"{name}.parquet", buffer.getvalue())
        hashes[name] = hashlib.sha256(buffer.getvalue()).hexdigest()
    write_atomic(folder / "committed.csv", committed_table(week).to_csv(index=False, lineterminator="\n").encode())
    text = json.dumps({"info": week.info, "tables": hashes}, indent=1, ensure_ascii=False, sort_keys=True)
    write_atomic(folder / "info.json", text.encode())
    return folder


def committed_table(week: Week) -> pd.DataFrame:
    """The order as next week's promise: the columns of the season's `committed` table."""
    rows = planned(week)
    return pd.DataFrame(
        {
            "block_id": rows["block_id"].map(formula_safe),
            "harvester_id": rows["harvester_id"].map(formula_safe),
            "rank": rows["rank"].astype(int),
            "pick_on": rows["start_at"].dt.strftime("%Y-%m-%d"),
            "committed_on": week.info["as_of"],
        }
    )


def _has_hours(column: pd.Series) -> bool:
    if not pd.api.types.is_datetime64_any_dtype(column):
        return False
    known = column.dropna()
    return bool((known != known.dt.normalize()).any())


def load_week(folder: Path | str) -> Week:
    """Read a week that `save_week` wrote.

    Parameters
    ----------
    folder : path
        Where info.json and the Parquet files lie.

    Returns
    -------
    Week
        The same tables and types as were saved.

    Raises
    ------
    SeasonError
        No finished week there, a table is missing, or a table belongs to another run.
    """
    folder = Path(folder)
    try:
        saved = json.loads((folder / "info.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise SeasonError(
            where=str(folder),
            found="no info.json",
            expected="a finished week's data folder",
            do="Run `olivetime weekly` for this season, or give the folder that holds info.json.",
        ) from None
    tables = {}
    for name in TABLE_NAMES:
        path = folder / f"{name}.parquet"
        data = path.read_bytes() if path.exists() else b""
        if hashlib.sha256(data).hexdigest() != saved["tables"].get(name):
            raise SeasonError(
                where=str(path),
                found="a table of another run" if data else "no such table",
                expected="the tables that info.json was written for",
                do="Run `olivetime weekly` for this season again.",
            )
        tables[name] = pd.read_parquet(io.BytesIO(data))
    return Week(info=saved["info"], **tables)


# ---------------------------------------------------------------------------------------------------------
# Sentences


def planned(week: Week) -> pd.DataFrame:
    """Rows of the order that have a place in it, first to pick first."""
    rows = week.order[week.order["rank"].notna() & (week.order["status"] != "picked")]
    return rows.sort_values(["rank", "block_id"], ignore_index=True)


def when_text(row: Mapping[str, Any], week: Week) -> str:
    """When a row of the order is picked, in the words of the order list: "now", "today", "Oct 22", "not planned"."""
    if row["status"] == "picking":
        return "now"
    if row["status"] == "picked":
        return "picked"
    if row["start_at"] is None or pd.isna(row["start_at"]):
        return {"cannot be decided": "can't say"}.get(str(row["status"]), "not planned")
    day = pd.Timestamp(row["start_at"]).normalize()
    days = (day - pd.Timestamp(week.info["as_of"])).days
    return "today" if days <= 0 else "tomorrow" if days == 1 else day_text(day, week.info)


def headline(week: Week) -> str:
    """The page's first sentences: what to pick first, and why now, from the numbers.

    Returns
    -------
    str
        Such as "Pick North 4 first. It passed its target 2 days ago and each day of waiting costs about $450; rain is
        likely on Saturday (60 %)."
    """
    rows, info = planned(week), week.info
    if rows.empty:
        why = str(info.get("why") or "").strip()
        left = week.order["status"].value_counts() if len(week.order) else {}
        if len(week.order) and (week.order["status"] == "picked").all():
            return "All blocks are picked."
        undecided = int(left.get("cannot be decided", 0))
        tail = why or (f"{count_text(undecided, 'block')} cannot be decided on; see the findings." if undecided else "")
        return f"No block is to be picked in the days ahead. {tail}".strip()
    first = rows.iloc[0]
    name = str(first["block_name"])
    if first["status"] == "picking":
        opening = f"Finish {name} first."
    else:
        when = when_text(first, week)
        opening = f"Pick {name} first" + (
            f", {when}." if when == "tomorrow" else "." if when == "today" else f", on {when}."
        )
    because = _why_now(week, first)
    weather = _weather_clause(week)
    if because and weather:
        return f"{opening} {because}; {weather}."
    if because or weather:
        text = because or weather
        return f"{opening} {text[0].upper()}{text[1:]}."
    return opening


def _why_now(week: Week, first: Mapping[str, Any]) -> str:
    stage = week.stage[week.stage["block_id"] == first["block_id"]]
    today = pd.Timestamp(week.info["as_of"])
    parts = []
    if len(stage) and stage["verdict"].iloc[0] == "reached":
        on = stage["on_p50"].iloc[0]
        days = (today - pd.Timestamp(on)).days if not pd.isna(on) else 0
        parts.append(f"It passed its target {count_text(days, 'day')} ago" if days > 0 else "It has reached its target")
    elif len(stage) and not pd.isna(stage["on_p50"].iloc[0]):
        days = (pd.Timestamp(stage["on_p50"].iloc[0]) - today).days
        parts.append(f"It is {count_text(days, 'day')} short of its target" if days > 0 else "It is at its target")
    cost = first["waiting_1d"]
    if cost is not None and not pd.isna(cost) and float(cost) >= 1:
        text = f"each day of waiting costs about {money_text(cost, week.info)}"
        parts.append(text if parts else text.capitalize())
    return " and ".join(parts)


def _weather_clause(week: Week) -> str:
    info = week.info
    today = pd.Timestamp(info["as_of"])
    ahead = week.weather[
        (week.weather["station_id"] == info["main_station"])
        & ~week.weather["measured"].astype(bool)
        & (week.weather["day"] <= today + pd.Timedelta(days=6))
    ]
    clauses = []
    wet, cold = ahead[ahead["rain_chance"] >= RAIN_LIKELY], ahead[ahead["frost_chance"] >= FROST_WORTH_SAYING]
    if len(wet):
        row = wet.iloc[0]
        clauses.append(f"rain is likely {_on_day(row['day'], week)} ({chance_text(row['rain_chance'])})")
    if len(cold):
        row = cold.iloc[0]
        clauses.append(f"frost may come {_on_day(row['day'], week)} ({chance_text(row['frost_chance'])})")
    return " and ".join(clauses)


def _on_day(day: Any, week: Week) -> str:
    days = (pd.Timestamp(day) - pd.Timestamp(week.info["as_of"])).days
    return "today" if days == 0 else "tomorrow" if days == 1 else f"on {day_text(day, week.info, 'EEEE')}"


def target_text(week: Week) -> str:
    """The season's target in words, such as "95 % of each block's own plateau" or "18.5 % oil, fresh basis"."""
    kind, value, info = str(week.info["target_kind"]), week.info.get("target_value"), week.info
    if kind == "best_value" or value is None:
        return "the day of best value"
    return {
        "plateau_fraction": f"{number_text(100 * float(value), info)} % of each block's own oil plateau",
        "oil_dry_pct": f"{number_text(value, info, 1)} % oil, dry basis",
        "oil_fresh_pct": f"{number_text(value, info, 1)} % oil, fresh basis",
        "maturity": f"maturity index {number_text(value, info, 1)}",
    }.get(kind, kind)


def verdict_text(row: Mapping[str, Any], week: Week) -> str:
    """Where a block stands against its target, short: "reached", "23 Oct (21–25 Oct)", "not by 15 Jan", "never"."""
    verdict, info = str(row["verdict"]), week.info
    if verdict == "reached":
        on = row["on_p50"]
        past = not pd.isna(on) and pd.Timestamp(on) < pd.Timestamp(info["as_of"])
        return f"reached {day_text(on, info)}" if past else "target reached"
    if verdict == "never":
        return "never this season"
    if verdict not in ("not yet", "may never"):
        return "can't be told"
    if pd.isna(row["on_p50"]):
        tail = f" by {day_text(info['end'], info)}"
        return ("may never" if verdict == "may never" else "not yet") + tail
    middle = day_text(row["on_p50"], info)
    last = row["on_p90"]
    spread = days_text(row["on_p10"], last, info) if not pd.isna(last) else f"{day_text(row['on_p10'], info)} or later"
    # A range of one day says nothing more than the day itself.
    return middle if spread == middle else f"{middle} ({spread})"


CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "advice": "This is advice from numbers; people decide. Local law, product labels and the word of licensed "
        "advisers come first, whatever stands on this page.",
        "shift": "Long shifts tire people before they notice it. Keep to the legal limits on hours and rest, "
        "change drivers, and stop a machine whose driver is tired, even when the order says pick on.",
        "night": "Night work needs lights, a second person within call and a walked headland. Do not send anyone "
        "alone.",
        "slope": "Slopes, ditches and terraces tip harvesters. Follow the machine's limit for slope, and leave the "
        "block when the driver does not trust the ground.",
        "wet": "After rain the ground may be softer than the numbers say: walk the block before driving it. Wet "
        "ground slides machines and packs the soil for years.",
        "label": "The waiting time on a spray label is law. Check the label and the spray record yourself before "
        "the first tree; a missing record is a reason to wait.",
        "fruit": "Frosted fruit must be milled at once and kept apart; fruit ages from the moment it is picked. Do "
        "not pick more than the mill can take in time.",
        "driving": "Loaded trucks on farm tracks and wet roads need time. Do not make up a late start on the road.",
    }
)

PAGE_CAUTIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "pick_order": ("advice", "shift", "night", "slope", "wet", "label", "fruit", "driving"),
        "what_if": ("advice", "shift", "night", "slope", "wet", "label"),
        "mill_week": ("advice", "fruit", "shift", "driving"),
        "grower_report": ("advice", "label", "wet", "fruit"),
    }
)


def cautions(page: str) -> tuple[str, ...]:
    """The cautions that stand on a page (pick_order, what_if, mill_week, grower_report), in order.

    Raises
    ------
    ValueError
        A page without cautions.
    """
    if page not in PAGE_CAUTIONS:
        raise ValueError(
            f"cautions: found page {page!r}, expected one of {', '.join(PAGE_CAUTIONS)}. Name one of these."
        )
    return tuple(CAUTIONS[key] for key in PAGE_CAUTIONS[page])


# ---------------------------------------------------------------------------------------------------------
# What pictures need computed

TILE_LARGEST, TILE_SMALLEST = 2.0, 0.55  # a tile's weight at most and at least, in medians: words must fit
TILE_GAP, RANCH_HEAD = 3.0, 13.0  # [pt]


def map_tiles(stage: pd.DataFrame, width: float, height: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lay blocks out as rectangles that keep their neighbours and never overlap, one field for each ranch.

    A field is cut in two across its longer side again and again: blocks west of the cut (or north of it) go to one
    side, the rest to the other, and each side gets a share of the field by its blocks' areas. Areas far from the
    median are drawn nearer to it, so that words fit; blocks without a place are laid where their ranch is.

    Parameters
    ----------
    stage : DataFrame
        block_id, ranch, area_ha [ha], lat_deg, lon_deg [degrees, may be missing].
    width, height : float
        Room [pt], from the top left corner.

    Returns
    -------
    tiles : DataFrame
        block_id, ranch, x0, y0, x1, y1 [pt, y grows downwards], one row per block.
    ranches : DataFrame
        ranch, x0, y0, x1, y1 [pt]; the top `RANCH_HEAD` points of each are kept free for its name.
    """
    table = stage[["block_id", "ranch"]].copy()
    area = stage["area_ha"].astype(float)
    middle = float(area[area > 0].median()) if (area > 0).any() else 1.0
    table["weight"] = area.fillna(middle).clip(TILE_SMALLEST * middle, TILE_LARGEST * middle)
    table["x"], table["y"] = stage["lon_deg"].astype(float), -stage["lat_deg"].astype(float)
    table["ranch"] = table["ranch"].astype("str").fillna("")
    for axis in ("x", "y"):
        of_ranch = table.groupby("ranch")[axis].transform("mean")
        table[axis] = table[axis].fillna(of_ranch).fillna(table[axis].mean()).fillna(0.0)
    whole = table.groupby("ranch", as_index=False).agg(weight=("weight", "sum"), x=("x", "mean"), y=("y", "mean"))
    fields_of = _cut(whole["weight"].to_numpy(), whole[["x", "y"]].to_numpy(), (0.0, 0.0, width, height))
    tiles, ranches = [], []
    for ranch, field in zip(whole["ranch"], fields_of, strict=True):
        x0, y0, x1, y1 = field
        ranches.append((ranch, x0, y0, x1, y1))
        part = table[table["ranch"] == ranch]
        inner = (x0, y0 + RANCH_HEAD, x1, y1)
        cut = _cut(part["weight"].to_numpy(), part[["x", "y"]].to_numpy(), inner)
        half = TILE_GAP / 2
        tiles += [
            (b, ranch, a + half, c + half, d - half, e - half)
            for b, (a, c, d, e) in zip(part["block_id"], cut, strict=True)
        ]
    corners = ["x0", "y0", "x1", "y1"]
    return (
        pd.DataFrame(tiles, columns=["block_id", "ranch", *corners]),
        pd.DataFrame(ranches, columns=["ranch", *corners]),
    )


Rectangle = tuple[float, float, float, float]


def _cut(weight: np.ndarray, place: np.ndarray, field: Rectangle) -> list[Rectangle]:
    """Rectangles inside `field`, one per weight, that keep the places' order west to east and north to south."""
    if len(weight) == 1:
        return [field]
    x0, y0, x1, y1 = field
    # Cutting across the longer side keeps tiles near to squares; words are wide, so a width counts less than a height.
    across = (x1 - x0) >= 1.25 * (y1 - y0)
    order = np.lexsort((place[:, 1 if across else 0], place[:, 0 if across else 1]))
    share = np.cumsum(weight[order]) / weight.sum()
    at = int(np.argmin(np.abs(share[:-1] - 0.5)))
    parts = (order[: at + 1], order[at + 1 :])
    if across:
        middle = x0 + (x1 - x0) * share[at]
        fields_of = ((x0, y0, middle, y1), (middle, y0, x1, y1))
    else:
        middle = y0 + (y1 - y0) * share[at]
        fields_of = ((x0, y0, x1, middle), (x0, middle, x1, y1))
    laid: list[Rectangle] = [field] * len(weight)
    for part, room in zip(parts, fields_of, strict=True):
        for index, rectangle in zip(part, _cut(weight[part], place[part], room), strict=True):
            laid[index] = rectangle
    return laid


def heat_lead(week: Week, station_id: str | None = None) -> float | None:
    """Thermal days by which this season is ahead of the median past season on the same day of season.

    Parameters
    ----------
    week : Week
    station_id : str, optional
        The main station by default.

    Returns
    -------
    float or None
        Positive when warmer [thermal days]; None without this season's or past seasons' weather.
    """
    station = week.info["main_station"] if station_id is None else station_id
    rows = week.heat[week.heat["station_id"] == station]
    mine = rows["season"].astype(float) == float(week.info["label"])
    if not mine.any():
        return None
    now = rows[mine].sort_values("day_of_season").iloc[-1]
    past = rows[
        (rows["season"].astype(float) < float(week.info["label"])) & (rows["day_of_season"] == now["day_of_season"])
    ]
    return float(now["heat_d"] - past["heat_d"].median()) if len(past) else None


# ---------------------------------------------------------------------------------------------------------
# Tables to show


@dataclass(frozen=True)
class DisplayTable:
    """A table as people read it: all text, in display units.

    Attributes
    ----------
    caption : str
        Says what the table shows; never empty.
    headings, units : tuple of str
        One per column; the unit is "" where there is none.
    rows : tuple of tuple of str
        The first cell of a row names it.
    align : tuple of str
        "left" or "right" per column.
    places : tuple of str
        Where a cell goes on a phone's card: "name", "when", "first", "line" or "".
    kind : str
        "cards order" (the order list on phones), "cards" (label and value on phones) or "" (stays a table).
    empty : str
        The sentence shown instead of a table without rows.
    """

    caption: str
    headings: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: tuple[str, ...]
    places: tuple[str, ...]
    kind: str = "cards"
    empty: str = "Nothing to show."


Column = tuple[str, str, Iterable[str], str]


def _display(
    caption: str, columns: Sequence[Column], *, kind: str = "cards", empty: str = "Nothing to show."
) -> DisplayTable:
    """Table from (heading, unit, cells, style) columns; style is a place, "number", or both ("number line")."""
    headings, units, cells, styles = zip(*columns, strict=True)
    return DisplayTable(
        caption=caption,
        headings=headings,
        units=units,
        rows=tuple(zip(*map(tuple, cells), strict=True)),
        align=tuple("right" if "number" in s else "left" for s in styles),
        places=tuple(s.replace("number", "").strip() for s in styles),
        kind=kind,
        empty=empty,
    )


def html_table(table: DisplayTable) -> str:
    """HTML of a table: caption, header cells with scope, every text escaped; lists on phones by the page's style.

    Parameters
    ----------
    table : DisplayTable
        Any of the tables below.

    Returns
    -------
    str
        <div class="table"><table>...</table></div>, or a paragraph with the caption and `empty` when there are no rows.
        Roles are written out because a table restyled as a list loses them in some readers (from memory).
    """
    esc = html.escape
    if not table.rows:
        return f'<p class="note">{esc(table.caption)}: {esc(table.empty[:1].lower() + table.empty[1:])}</p>'
    number = ["number" if side == "right" else "" for side in table.align]
    head = "".join(
        f'<th scope="col" role="columnheader"{_css(n)}>{esc(h)}{f" <span>{esc(u)}</span>" if u else ""}</th>'
        for h, u, n in zip(table.headings, table.units, number, strict=True)
    )
    body = []
    for row in table.rows:
        cells = [f'<th scope="row" role="rowheader">{esc(row[0])}</th>']
        for j in range(1, len(row)):
            label, unit = esc(table.headings[j]), esc(table.units[j])
            shown = f' data-label="{label}"' + (f' data-unit="{unit}"' if unit and row[j] else "")
            css = _css(number[j], table.places[j], "" if row[j] else "empty")
            cells.append(f'<td role="cell"{css}{shown}>{esc(row[j])}</td>')
        body.append(f'<tr role="row">{"".join(cells)}</tr>')
    return (
        f'<div class="table"><table role="table"{_css(table.kind)}><caption>{esc(table.caption)}</caption>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(body)}</tbody></table></div>'
    )


def _css(*names: str) -> str:
    kept = " ".join(name for name in names if name)
    return f' class="{html.escape(kept)}"' if kept else ""


def text_table(table: DisplayTable) -> str:
    """The same table for a terminal: caption, headings, rows in columns, at most 44 characters a cell."""
    if not table.rows:
        return f"{table.caption}: {table.empty}"
    heads = [f"{h}, {u}" if u else h for h, u in zip(table.headings, table.units, strict=True)]
    keep = [j for j in range(len(heads)) if any(row[j] for row in table.rows)]
    cells = [[heads[j] for j in keep]] + [[_clip(row[j], 44) for j in keep] for row in table.rows]
    widths = [max(len(row[i]) for row in cells) for i in range(len(keep))]
    lines = [
        "  ".join(
            c.rjust(w) if table.align[j] == "right" else c.ljust(w) for c, w, j in zip(row, widths, keep, strict=True)
        ).rstrip()
        for row in cells
    ]
    return "\n".join([table.caption, lines[0], "-" * len(lines[0]), *lines[1:]])


def _clip(text: str, most: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= most else text[: most - 1] + "…"


def records_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table as plain values that JSON knows: dates as ISO text, missing as None."""
    return [{column: _json_value(value) for column, value in row.items()} for row in frame.to_dict("records")]


def _json_value(value: Any) -> Any:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return None
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat() if value == value.normalize() else value.isoformat(timespec="minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _yes(values: pd.Series) -> np.ndarray:
    """Truth of a column of booleans in which missing means no."""
    return values.astype("boolean").fillna(False).to_numpy(dtype=bool)


def _texts(values: Iterable[Any]) -> list[str]:
    return ["" if v is None or v is pd.NA or v != v else str(v) for v in values]


def _numbers(values: Iterable[Any], info: Mapping[str, Any], digits: int = 0) -> list[str]:
    return [number_text(v, info, digits) for v in values]


def _quantity(week: Week, quantity: str, values: pd.Series) -> tuple[str, list[str]]:
    unit = display_unit(week.info, quantity)
    return unit.label, _numbers(unit.of(values.astype(float)), week.info, unit.digits)


def _area(week: Week, values: pd.Series) -> Column:
    return ("Area", *_quantity(week, "area", values), "number")


def _crop(week: Week, values: pd.Series) -> Column:
    return ("Crop", *_quantity(week, "crop", values), "number")


def _money(week: Week, values: Iterable[Any]) -> list[str]:
    return [money_text(v, week.info) for v in values]


def _names(week: Week, block_ids: Iterable[Any]) -> list[str]:
    known = dict(zip(week.stage["block_id"], week.stage["block_name"], strict=True))
    return ["" if b is None or b is pd.NA or b != b else str(known.get(b, b)) for b in block_ids]


def _numbered(rows: pd.DataFrame) -> list[str]:
    return [
        f"{r:.0f}. {n}" if pd.notna(r) else str(n)
        for r, n in zip(rows["rank"].astype("Float64"), rows["block_name"], strict=True)
    ]


def _with_certification(rows: pd.DataFrame) -> list[str]:
    return [f"{c}, organic" if o else str(c) for c, o in zip(rows["cultivar"], _yes(rows["organic"]), strict=True)]


def order_table(week: Week, *, limit: int | None = None) -> DisplayTable:
    """The farm manager's order: number, block, when; below it cultivar, area, crop, oil, harvester, notes."""
    rows = planned(week).head(limit or len(week.order))
    unit, yields = _quantity(
        week, "yield", 1000 * rows["paid_oil_kg"].astype(float) / (1000 * rows["crop_t"].astype(float))
    )
    columns: list[Column] = [
        ("Block", "", _numbered(rows), "name"),
        ("When", "", [when_text(r, week) for r in rows.to_dict("records")], "when"),
        ("Cultivar", "", _with_certification(rows), "first"),
        _area(week, rows["area_ha"]),
        _crop(week, rows["crop_t"]),
        ("Oil, fresh", "%", _numbers(rows["oil_fresh_pct"], week.info, 1), "number"),
        ("Paid oil", unit, yields, "number"),
        ("Harvester", "", _texts(rows["harvester_id"]), ""),
        ("Worth", "", _money(week, rows["value"]), "number"),
        ("Mind", "", _texts(rows["flags"]), "line"),
    ]
    return _display("Harvest order", columns, kind="cards order", empty="No block is to be picked in the days ahead.")


def not_planned(week: Week) -> DisplayTable:
    """Blocks without a place in the order, and why."""
    rows = week.order[week.order["rank"].isna() & (week.order["status"] != "picked")]
    return _display(
        "Blocks without a place in the order",
        [
            ("Block", "", _texts(rows["block_name"]), "name"),
            ("State", "", _texts(rows["status"]), "when"),
            ("Cultivar", "", _with_certification(rows), "first"),
            ("Why", "", _texts(rows["why_not"]), "line"),
        ],
        kind="cards order",
        empty="Every block has a place.",
    )


def next_days(week: Week, *, days: int = 3) -> DisplayTable:
    """The clock of the next days: who picks where from when to when, trucks, and when fruit reaches the mill."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    rows = planned(week)
    rows = rows[rows["start_at"] < end].sort_values(["start_at", "rank"], ignore_index=True)
    clock = [f"{day_text(a, week.info, 'MMMEd')} {a:%H:%M}" for a in rows["start_at"]]
    until = [
        f"{b:%H:%M}" if a.normalize() == b.normalize() else f"{day_text(b, week.info)} {b:%H:%M}"
        for a, b in zip(rows["start_at"], rows["end_at"], strict=True)
    ]
    at_mill = ["" if pd.isna(t) else f"{day_text(t, week.info)} {t:%H:%M}" for t in rows["to_mill_at"]]
    return _display(
        f"The clock of the next {count_text(days, 'day')} (middle scenario)",
        [
            ("Block", "", _numbered(rows), "name"),
            ("From", "", clock, "when"),
            ("To", "", until, ""),
            ("Harvester", "", _texts(rows["harvester_id"]), ""),
            ("Picking", "h", _numbers(rows["hours_h"], week.info, 1), "number"),
            ("Moving", "h", _numbers(rows["move_h"], week.info, 1), "number"),
            _crop(week, rows["crop_t"]),
            ("Truck loads", "", _numbers(rows["truck_loads"], week.info), "number"),
            ("First fruit at the mill", "", at_mill, ""),
            ("Wait at the mill", "h", _numbers(rows["wait_h"], week.info, 1), "number"),
        ],
        empty="No picking is planned in these days.",
    )


def clock_table(hours: pd.DataFrame, week: Week) -> DisplayTable:
    """The next two days by the clock: what machines, trucks and mill do (of `olivetime.harvest.clock.clock`)."""
    return _display(
        "The next 48 hours, in the middle scenario",
        [
            ("From", "", [f"{day_text(a, week.info, 'MMMEd')} {a:%H:%M}" for a in hours["from_at"]], "name"),
            ("To", "", [f"{b:%H:%M}" for b in hours["to_at"]], ""),
            ("Who", "", _texts(hours["who"]), ""),
            ("Does", "", _texts(hours["what"]), ""),
            ("Block", "", _names(week, hours["block_id"]), ""),
            _crop(week, hours["crop_t"]),
            ("Load", "", ["" if pd.isna(n) else str(n) for n in hours["load_n"]], "number"),
            ("Note", "", _texts(hours["note"]), "line"),
        ],
        empty="Nothing is workable in these days.",
    )


def why_table(week: Week, *, limit: int | None = None) -> DisplayTable:
    """Why each block stands where it does, and what waiting one, three or seven days costs."""
    rows = planned(week).head(limit or len(week.order))
    return _display(
        "Why this order, and what waiting costs",
        [
            ("Block", "", _numbered(rows), "name"),
            ("Why now", "", _texts(rows["reason"]), "line"),
            ("Next best", "", _names(week, rows["runner_up"]), ""),
            (
                "Lead over it",
                f"{week.info['currency']}/h",
                _numbers(rows["margin_per_h"], week.info),
                "number",
            ),
            ("Waiting 1 day", "", _money(week, rows["waiting_1d"]), "number"),
            ("3 days", "", _money(week, rows["waiting_3d"]), "number"),
            ("7 days", "", _money(week, rows["waiting_7d"]), "number"),
            ("7 days, solved again", "", _money(week, rows["waiting_exact"]), "number"),
        ],
        empty="No block has a place in the order.",
    )


def stage_table(week: Week) -> DisplayTable:
    """The agronomist's table: where every block stands on both bases, and when it reaches the target."""
    rows, info = week.stage, week.info
    return _display(
        f"Where the blocks stand; target: {target_text(week)}",
        [
            ("Block", "", _texts(rows["block_name"]), "name"),
            ("Target reached", "", [verdict_text(r, week) for r in rows.to_dict("records")], "when"),
            ("Cultivar", "", _with_certification(rows), "first"),
            ("Oil, dry", "%", _ranges(rows, "oil_dry_now", info), "number"),
            ("Oil, fresh", "%", _numbers(rows["oil_fresh_now_p50_pct"], info, 1), "number"),
            ("Moisture", "%", _numbers(rows["moisture_now_p50_pct"], info, 1), "number"),
            ("Maturity", "0-7", _numbers(rows["maturity_now_p50"], info, 1), "number"),
            ("Plateau, dry", "%", _ranges(rows, "plateau_dry", info), "number"),
            ("Samples", "", _numbers(rows["samples_n"], info), "number"),
            ("Newest sample", "d old", _numbers(rows["sample_age_d"], info), "number"),
            ("Borrowed", "%", _numbers(100 * rows["borrowed_fraction"].astype(float), info), "number"),
            ("Never reaches it", "", [chance_text(v) for v in rows["never_chance"]], "number"),
        ],
        empty="No blocks.",
    )


def _ranges(rows: pd.DataFrame, stem: str, info: Mapping[str, Any]) -> list[str]:
    low, mid, high = (_numbers(rows[f"{stem}_{p}_pct"], info, 1) for p in ("p10", "p50", "p90"))
    return [f"{m} ({a}–{b})" if a and b else m for a, m, b in zip(low, mid, high, strict=True)]


def capacity_by_day(week: Week, *, days: int = 14) -> DisplayTable:
    """What limits each day: every resource's limit and use; the one that binds is named."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    rows = week.capacity[week.capacity["day"] < end]
    used = 100 * rows["used"].astype(float) / rows["limit"].astype(float).where(rows["limit"].astype(float) > 0)
    return _display(
        "What limits each day",
        [
            ("Day", "", [day_text(d, week.info, "MMMEd") for d in rows["day"]], "name"),
            ("Resource", "", _texts(rows["resource"]), "first"),
            ("Limit", "", _with_units(week, rows, "limit"), "number"),
            ("Used", "", _with_units(week, rows, "used"), "number"),
            ("Share used", "%", _numbers(used, week.info), "number"),
            (
                "",
                "",
                ["limits the day" if b else "" for b in _yes(rows["binding"])],
                "",
            ),
        ],
        empty="No capacity is known.",
    )


def _with_units(week: Week, rows: pd.DataFrame, column: str) -> list[str]:
    crop, area = display_unit(week.info, "crop"), display_unit(week.info, "area")
    shown = []
    for value, unit in zip(rows[column].astype(float), rows["unit"].astype(str), strict=True):
        scale = crop if unit == "t" else area if unit == "ha" else Unit(unit, digits=1)
        text = number_text(scale.of(value), week.info, scale.digits)
        shown.append(f"{text} {scale.label}" if text else "")
    return shown


def rules_table(week: Week) -> DisplayTable:
    """The plan's value beside simple rules of thumb, each as a share of the best that could be reached at most."""
    info, rows = week.info, week.rules
    bound = info.get("bound")
    share = float(info["value"]) / float(bound) if info.get("value") is not None and bound else np.nan
    names, values = ["this order", *_texts(rows["rule"])], [info.get("value"), *rows["value"]]
    shares = [share, *rows["share_of_bound"].astype(float)]
    behind = [None if info.get("value") is None else float(v) - float(info["value"]) for v in values]
    return _display(
        "This order against rules of thumb",
        [
            ("Rule", "", names, "name"),
            ("Worth", "", _money(week, values), "number"),
            ("Against this order", "", ["", *_money(week, behind[1:])], "number"),
            ("Of the most possible", "%", _numbers(100 * np.asarray(shares, dtype=float), info, 1), "number"),
        ]
        if len(rows)
        else [("Rule", "", [], "name")],
        empty="No rules were compared.",
    )


def findings_table(findings: pd.DataFrame, *, most: int | None = None) -> DisplayTable:
    """What is wrong or missing in the records, gravest first, and what to do.

    Parameters
    ----------
    findings : DataFrame
        week.findings or season.findings.
    most : int, optional
        Show no more rows than this; the caption says how many there are.
    """
    grave = {"error": 0, "warning": 1, "note": 2}
    rows = findings.assign(n=findings["level"].map(grave)).sort_values("n", kind="stable")
    total, rows = len(rows), rows.head(len(rows) if most is None else most)
    where = [
        ", ".join(p for p in (f or t, s, f"row {r}" if r else "", c) if p)
        for t, f, s, r, c in zip(*(_texts(rows[c]) for c in ("table", "file", "sheet", "row", "column")), strict=True)
    ]
    where = [re.sub(r"(row \d+)\.0\b", r"\1", w) for w in where]
    caption = "Findings in the records" if len(rows) == total else f"Findings in the records, {len(rows)} of {total}"
    return _display(
        caption,
        [
            ("Where", "", where, "name"),
            ("Level", "", _texts(rows["level"]), "when"),
            ("Found", "", _texts(rows["says"]), "line"),
            ("Do", "", _texts(rows["do"]), "line"),
        ],
        kind="cards order",
        empty="Nothing was found wrong in the records.",
    )


def assumptions_table(week: Week) -> DisplayTable:
    """Everything that was taken for granted, its value and where it comes from."""
    rows = week.assumptions
    return _display(
        "What was assumed",
        [
            ("Assumption", "", [t.replace("_", " ") for t in _texts(rows["name"])], "name"),
            ("Value", "", [_short(v) for v in _texts(rows["value"])], "number"),
            ("Unit", "", _texts(rows["unit"]), ""),
            ("Says", "", _texts(rows["says"]), "line"),
            ("Source", "", _texts(rows["source"]), ""),
        ],
        empty="Nothing beyond the records.",
    )


def _short(text: str) -> str:
    """Drop digits from a number in text that nobody needs: "0.10000000000000001" -> "0.1"."""
    try:
        return f"{float(text):.4g}".replace("-", "\N{MINUS SIGN}")
    except ValueError:
        return text


def sources_table(week: Week) -> DisplayTable:
    """Which files the week was made from."""
    rows = week.sources
    return _display(
        "Records this week was made from",
        [
            ("File", "", _texts(rows["file"]), "name"),
            ("Rows", "", _numbers(rows["rows"], week.info), "number"),
            ("SHA-256, first 12", "", [t[:12] for t in _texts(rows["sha256"])], ""),
        ],
        empty="No files.",
    )


def provenance(week: Week) -> str:
    """One line that lets every number be traced: as-of date, version, seed, scenarios, draws, input hashes."""
    info = week.info
    files = "; ".join(
        f"{f} {h[:8]}" for f, h in zip(_texts(week.sources["file"]), _texts(week.sources["sha256"]), strict=True)
    )
    return (
        f"olivetime {info['version']} · records as of {info['as_of']} · seed {info['seed']} · "
        f"{info['n_scenarios']} scenarios, {info['n_draws']} draws · inputs (SHA-256): {files or 'none'}"
    )


def parameters_table(week: Week) -> DisplayTable:
    """Fitted parameters with their errors, priors and bounds."""
    rows, info = week.parameters, week.info
    number = {c: [_short(t) for t in _texts(rows[c])] for c in ("value", "se", "prior_mean", "prior_sd", "low", "high")}
    return _display(
        "Parameters of the fitted curves",
        [
            ("Cultivar", "", _texts(rows["cultivar"]), "name"),
            ("Part", "", _texts(rows["part"]), "first"),
            ("Parameter", "", _texts(rows["name"]), ""),
            ("Value", "", number["value"], "number"),
            ("Standard error", "", number["se"], "number"),
            ("Prior mean", "", number["prior_mean"], "number"),
            ("Prior sd", "", number["prior_sd"], "number"),
            (
                "Bounds",
                "",
                [f"{a} to {b}" if a and b else "" for a, b in zip(number["low"], number["high"], strict=True)],
                "",
            ),
            (
                "At a bound",
                "",
                ["yes" if b else "" for b in _yes(rows["at_bound"])],
                "",
            ),
            ("Source of the prior", "", _texts(rows["source"]), "line"),
        ],
        empty=f"No curves were fitted for {info['name']}.",
    )


def doubtful(week: Week) -> pd.DataFrame:
    """Residuals of samples that the fit calls doubtful, furthest out first."""
    rows = week.residuals[_yes(week.residuals["doubtful"])]
    return rows.loc[rows["residual_sd"].astype(float).abs().sort_values(ascending=False, kind="stable").index]


def doubtful_table(week: Week) -> DisplayTable:
    """Samples that do not fit their block's curve: look at the bag, the label and the lab before believing either."""
    rows, info = doubtful(week), week.info
    return _display(
        "Doubtful samples",
        [
            ("Sample", "", _texts(rows["sample_id"]), "name"),
            ("Date", "", [day_text(d, info) for d in rows["day"]], "when"),
            ("Block", "", _names(week, rows["block_id"]), "first"),
            ("Kind", "", _texts(rows["kind"]), ""),
            ("Measured", "", _numbers(rows["observed"], info, 1), "number"),
            ("Curve", "", _numbers(rows["fitted"], info, 1), "number"),
            ("Away", "sd", _numbers(rows["residual_sd"], info, 1), "number"),
            ("Weight in the fit", "%", _numbers(100 * rows["weight"].astype(float), info), "number"),
        ],
        kind="cards order",
        empty="No sample is doubtful.",
    )


def next_samples_table(week: Week, *, limit: int = 12) -> DisplayTable:
    """Where the next sample is worth most."""
    rows = week.next_samples.head(limit)
    return _display(
        "Where to sample next",
        [
            (
                "Block",
                "",
                [
                    f"{r}. {n}"
                    for r, n in zip(_numbers(rows["rank"], week.info), _names(week, rows["block_id"]), strict=True)
                ],
                "name",
            ),
            ("What the doubt can cost", "", _money(week, rows["gain"]), "when number"),
            ("Why", "", _texts(rows["why"]), "first"),
        ],
        kind="cards order",
        empty="No block needs a sample.",
    )


def blocks_table(week: Week) -> DisplayTable:
    """A grower's blocks: area, crop, where they stand and when they are to be picked."""
    stage = week.stage.merge(
        week.order[["block_id", "status", "start_at", "value", "flags", "rank"]],
        on="block_id",
        how="left",
    ).sort_values(["rank", "block_id"], ignore_index=True)
    rows = stage.to_dict("records")
    return _display(
        "Your blocks" if "grower" in week.info else "Blocks",
        [
            ("Block", "", _texts(stage["block_name"]), "name"),
            ("Picking", "", [when_text(r, week) for r in rows], "when"),
            ("Cultivar", "", _with_certification(stage), "first"),
            _area(week, stage["area_ha"]),
            _crop(week, stage["crop_t"]),
            ("Oil, fresh", "%", _numbers(stage["oil_fresh_now_p50_pct"], week.info, 1), "number"),
            ("Oil, dry", "%", _numbers(stage["oil_dry_now_p50_pct"], week.info, 1), "number"),
            ("Moisture", "%", _numbers(stage["moisture_now_p50_pct"], week.info, 1), "number"),
            ("Target", "", [verdict_text(r, week) for r in rows], ""),
            ("Worth", "", _money(week, stage["value"]), "number"),
            ("Mind", "", _texts(stage["flags"]), "line"),
        ],
        kind="cards order",
        empty="No blocks.",
    )


def growers_table(week: Week) -> DisplayTable:
    """Growers of the week."""
    rows = week.growers
    return _display(
        "Growers",
        [
            ("Grower", "", _texts(rows["grower"]), "name"),
            ("Blocks", "", _numbers(rows["blocks_n"], week.info), "number"),
            _area(week, rows["area_ha"]),
            _crop(week, rows["crop_t"]),
        ],
        empty="No growers.",
    )


def mill_days_table(week: Week, *, days: int = 14) -> DisplayTable:
    """Fruit to the mill by day and lot against the day's limit."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    rows = week.mill[(week.mill["day"] < end) & (week.mill["crop_t"].astype(float) > 0)]
    unit, crop = _quantity(week, "crop", rows["crop_t"])
    _, limit = _quantity(week, "crop", rows["limit_t"])
    return _display(
        "Fruit to the mill by day and lot",
        [
            ("Day", "", [day_text(d, week.info, "MMMEd") for d in rows["day"]], "name"),
            ("Lot", "", _texts(rows["lot"]), "first"),
            ("Fruit", unit, crop, "number"),
            ("Mill limit of the day", unit, limit, "number"),
        ],
        empty="No fruit goes to the mill in these days.",
    )


def what_ifs_table(week: Week) -> DisplayTable:
    """Answer the standard questions: what each change would be worth, and what it would move."""
    rows = week.what_ifs
    change = [("+" if t and not t.startswith("\N{MINUS SIGN}") else "") + t for t in _money(week, rows["value_change"])]
    return _display(
        "What if",
        [
            ("If", "", _texts(rows["change"]), "name"),
            ("Worth of the order", "", change, "when number"),
            ("Picked first", "", _texts(rows["first_block"]), "first"),
            ("Moves", "", _texts(rows["moves"]), ""),
        ],
        kind="cards order",
        empty="No questions were asked.",
    )


def changes_table(week: Week, before: Week | None = None) -> DisplayTable:
    """What moved since last week: by last week's tables where given, else by the days each committed block moved.

    Parameters
    ----------
    week, before : Week
        This week and the one before; `before` may be missing.
    """
    info, now = week.info, week.order
    if before is None:
        rows = now[now["moved_days"].astype(float).abs() >= 1].sort_values("rank")
        moved = rows["moved_days"].astype(float).round().tolist()
        was = [
            pd.NaT if pd.isna(s) else pd.Timestamp(s).normalize() - pd.Timedelta(days=m)
            for s, m in zip(rows["start_at"], moved, strict=True)
        ]
        crop_was: list[float] = [np.nan] * len(rows)
    else:
        old = before.order.set_index("block_id")
        rows = now[now["block_id"].isin(old.index)].sort_values("rank")
        was = [pd.NaT if pd.isna(d) else pd.Timestamp(d).normalize() for d in old["start_at"].reindex(rows["block_id"])]
        moved = [
            np.nan if pd.isna(a) or pd.isna(b) else float((pd.Timestamp(a).normalize() - b).days)
            for a, b in zip(rows["start_at"], was, strict=True)
        ]
        crop_was = old["crop_t"].reindex(rows["block_id"]).astype(float).tolist()
        fresh = np.array(
            [
                (not np.isnan(m) and m != 0) or pd.isna(a) != pd.isna(b)
                for m, a, b in zip(moved, rows["start_at"], was, strict=True)
            ],
            dtype=bool,
        )
        rows = rows[fresh]
        was, moved, crop_was = (
            [v for v, f in zip(values, fresh, strict=True) if f] for values in (was, moved, crop_was)
        )
    said = ["" if np.isnan(m) else f"{count_text(abs(int(m)), 'day')} {'later' if m > 0 else 'earlier'}" for m in moved]
    unit, crop = _quantity(week, "crop", rows["crop_t"])
    _, crop_before = _quantity(week, "crop", pd.Series(crop_was, dtype=float))
    return _display(
        "What changed since last week",
        [
            ("Block", "", _texts(rows["block_name"]), "name"),
            ("Now", "", [when_text(r, week) for r in rows.to_dict("records")], "when"),
            ("Moved", "", said, "first"),
            ("Was", "", [day_text(d, info) or "not planned" for d in was], ""),
            ("Crop now", unit, crop, "number"),
            ("Crop last week", unit, crop_before, "number"),
        ],
        kind="cards order",
        empty="Nothing moved.",
    )


def grade_limits_table() -> DisplayTable:
    """Limits of the grades by named standard, with the source of each number."""
    words = {
        "free_acid_pct": "free acidity",
        "peroxide_meq_kg": "peroxide value",
        "defects_median": "median of defects",
        "fruity_median": "median of fruitiness",
        "delta_k": "delta K",
        "k232": "K232",
        "k270": "K270",
    }
    operators = {"<=": "at most", "<": "under", ">": "over", ">=": "at least"}
    return _display(
        "Limits of the oil grades by standard",
        [
            ("Standard", "", [limit.standard for limit in STANDARDS], "name"),
            ("Grade", "", [limit.grade for limit in STANDARDS], "first"),
            ("Quantity", "", [words.get(limit.quantity, limit.quantity) for limit in STANDARDS], ""),
            (
                "Limit",
                "",
                [f"{operators.get(limit.operator, limit.operator)} {limit.limit:g}" for limit in STANDARDS],
                "number",
            ),
            ("Unit", "", ["" if limit.unit.startswith("-") else limit.unit for limit in STANDARDS], ""),
            ("Source", "", [limit.source for limit in STANDARDS], "line"),
        ],
    )


DISPLAY: Mapping[str, Callable[..., DisplayTable]] = MappingProxyType(
    {
        "order": order_table,
        "not_planned": not_planned,
        "next_days": next_days,
        "why": why_table,
        "stage": stage_table,
        "capacity": capacity_by_day,
        "what_ifs": what_ifs_table,
        "rules": rules_table,
        "assumptions": assumptions_table,
        "sources": sources_table,
        "parameters": parameters_table,
        "doubtful": doubtful_table,
        "next_samples": next_samples_table,
        "blocks": blocks_table,
        "growers": growers_table,
        "mill": mill_days_table,
        "changes": changes_table,
    }
)


LOOKBACK_WORDS = {
    "oil_dry_pct": "Dry oil, points",
    "oil_fresh_pct": "Fresh oil, points",
    "moisture_pct": "Moisture, points",
    "maturity_index": "Maturity index",
}


def lookback_tables(past: Hindcast) -> tuple[DisplayTable, DisplayTable]:
    """Past weeks, scored: how near the forecasts came, and what was proposed against what was picked.

    Parameters
    ----------
    past : Hindcast
        What `olivetime.harvest.hindcast.hindcast` returned.

    Returns
    -------
    tuple of DisplayTable
        Forecasts by kind and lead; orders by week.
    """
    plain = {"locale": "en_US"}  # a hindcast carries no locale; its few numbers need no more
    scores, orders = past.scores, past.orders
    forecasts = _display(
        "How near past forecasts came to later samples",
        [
            ("Forecast", "", [LOOKBACK_WORDS.get(t, t) for t in _texts(scores["kind"])], "name"),
            ("Ahead", "weeks", _numbers(scores["lead_weeks"], plain), "number"),
            ("Samples", "", _numbers(scores["samples_n"], plain), "number"),
            ("Mean miss", "", _numbers(scores["mean_abs_error"], plain, 2), "number"),
            ("Bias", "", _numbers(scores["bias"], plain, 2), "number"),
            ("Inside the 8-in-10 range", "%", _numbers(100 * scores["inside_fraction"].astype(float), plain), "number"),
            ("Straight line's mean miss", "", _numbers(scores["line_mean_abs_error"], plain, 2), "number"),
            ("Ours on the same samples", "", _numbers(scores["against_line_mean_abs_error"], plain, 2), "number"),
        ],
        empty="No sample was taken after a past week to compare with.",
    )
    ahead = orders["value"].astype(float) - orders["best_rule_value"].astype(float)
    weeks = _display(
        "What past weeks proposed, and what was picked next",
        [
            ("Week of", "", [day_text(d, plain, "yMMMd") for d in orders["as_of"]], "name"),
            ("Proposed first", "", _texts(orders["first_block"]), "first"),
            ("Picked in the week after", "", _texts(orders["picked_next"]), "line"),
            (
                "Within of the best possible",
                "%",
                _numbers(100 * orders["gap_fraction"].astype(float), plain, 1),
                "number",
            ),
            ("Best rule of thumb", "", _texts(orders["best_rule"]), ""),
            ("Worth more than that rule", "", _numbers(ahead, plain), "number"),
        ],
        empty="No past week could be replayed.",
    )
    return forecasts, weeks
