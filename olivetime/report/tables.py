"""The finished week as tables: built once from a proposal, saved, loaded by notebooks, cut down per grower.

Pages, notebooks and figures read nothing but a `Week`; everything in it is metric and Celsius. Display units,
locale dates and sentences appear only in the functions that make a `DisplayTable` or a text.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow
import shapely
from pyarrow import compute, parquet

import olivetime
from olivetime.harvest.codes import CODES
from olivetime.harvest.past import Hindcast
from olivetime.languages import locale_for, mark, said, say, say_count
from olivetime.records.columns import SeasonError
from olivetime.records.files import write_atomic
from olivetime.weather.frost import STEPS_C, frost_risk, picked_before
from olivetime.words import chance_text, day_text, days_text, money_text, number_text, tell

if TYPE_CHECKING:
    from olivetime.harvest.order import Proposal
    from olivetime.records.season import Season

# Own working figures of the report; each is also a row of the assumptions table.
GOOD_SHARE = 0.02  # a day is "good" while it loses less than this share of the block's best day (own choice)
RAIN_DAY_MM = 1.0  # a day counts as rainy from this amount on (common practice, no source)
RAIN_LIKELY = 0.5  # chance from which pages say "rain is likely" (own choice)
FROST_WORTH_SAYING = 0.2  # chance from which pages speak of frost (own choice)
OLD_SAMPLE_D = 10  # a newest sample older than this is flagged; weekly sampling is the trade's habit
_WORD = re.compile(r"\w+")
# fmt: off
WEEK_COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "order": (
        "rank", "block_id", "block_name", "grower", "grower_id", "ranch", "cultivar", "organic", "harvester_id",
        "lot", "status", "why_not", "start_at", "end_at", "start_p10", "start_p90", "area_ha", "hours_h",
        "move_h", "move_from", "crop_t", "crop_p10_t", "crop_p90_t", "oil_fresh_pct", "oil_dry_pct",
        "moisture_pct", "maturity_index", "paid_oil_kg", "value", "value_p10", "value_p90", "value_per_h",
        "best_on", "best_on_loss", "good_from", "good_to", "frost_value_at_risk", "frost_chance",
        "days_lost_mean", "truck_loads", "to_mill_at", "wait_h", "cleaning_h", "promised_on", "moved_days", "moved_why",
        "moved_gain", "sample_age_d", "samples_n", "reason_code", "reason", "reason_parts",
        "runner_up", "margin_per_h", "waiting_1d", "waiting_3d",
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
    "frost": (
        "block_id", "day", "threshold_c", "chance", "chance_colder", "hours_when_frost", "hours_error_h",
        "picked_before_t", "at_risk_t", "value_at_risk",
    ),
    "ground": (
        "station_id", "soil", "day", "work_h", "work_p10_h", "lost_chance", "wet_leaf_h", "lost_days_p10",
        "lost_days_p50", "lost_days_p90",
    ),
    "heat": ("station_id", "season", "day_of_season", "heat_d", "filled_n"),
    "mill": ("day", "lot", "cultivar", "style_index", "organic", "crop_t", "limit_t", "crushed_t", "waiting_t"),
    "capacity": ("day", "resource", "limit", "used", "unit", "binding"),
    "prices": ("day", "harvester_per_h", "mill_per_t", "truck_per_h"),
    "oil_orders": ("order_id", "style", "cultivar", "organic", "due_on", "oil_l", "delivered_l", "expected_l", "p10_l",
                   "p90_l", "shortfall_l", "met_chance", "shortfall_cost", "price_l", "note"),
    "rules": ("rule", "value", "share_of_bound"),
    "value_by_day": ("block_id", "day", "value_p10", "value_mean", "value_p90"),
    "what_ifs": ("change", "value_change", "first_block", "moves"),
    "outlines": ("block_id", "ring", "lon_deg", "lat_deg"),
    "growers": ("grower_id", "grower", "blocks_n", "area_ha", "crop_t", "language"),
    "findings": ("code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do"),
    "assumptions": ("room", "name", "value", "unit", "source", "says", "says_parts"),
    "sources": ("file", "sha256", "rows"),
    "parameters": ("kind", "cultivar", "shape", "part", "name", "value", "se", "prior_mean", "prior_sd", "low", "high",
                   "at_bound", "source"),
    "residuals": ("sample_id", "block_id", "day", "x", "observed", "fitted", "residual_sd", "expected_sd", "weight",
                  "kind", "doubtful"),
    "foretold": ("sample_id", "block_id", "day", "observed", "told_p10", "told_p50", "told_p90", "line"),
    "pooled": ("block_id", "samples_n", "day", "own", "own_rate", "fitted", "fitted_rate"),
    "doubts": ("sample_id", "block_id", "sampled_on", "kinds", "residual_sd", "weight", "oil_dry_now_pct",
               "oil_dry_now_without_pct", "target_on", "target_on_without", "moved_n", "moved", "first_block", "gain",
               "says"),
    "shapes": ("cultivar", "shape", "weight"),
    "week_effects": ("kind", "week", "effect"),
    "next_samples": ("block_id", "rank", "why", "gain", "fruits_n"),
    "picked": ("block_id", "first_on", "last_on", "area_ha", "net_t", "tickets_n", "oil_out_kg"),
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
    ground: pd.DataFrame
    heat: pd.DataFrame
    mill: pd.DataFrame
    capacity: pd.DataFrame
    prices: pd.DataFrame
    oil_orders: pd.DataFrame
    rules: pd.DataFrame
    value_by_day: pd.DataFrame
    what_ifs: pd.DataFrame
    growers: pd.DataFrame
    findings: pd.DataFrame
    assumptions: pd.DataFrame
    sources: pd.DataFrame
    parameters: pd.DataFrame
    residuals: pd.DataFrame
    foretold: pd.DataFrame
    pooled: pd.DataFrame
    doubts: pd.DataFrame
    shapes: pd.DataFrame
    week_effects: pd.DataFrame
    next_samples: pd.DataFrame
    picked: pd.DataFrame
    outlines: pd.DataFrame


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


def slow_table(item: tuple[str, Proposal]) -> pd.DataFrame:
    """One of the tables that take most of the week's time; a piece of work for another process.

    Parameters
    ----------
    item : tuple
        Name in `SLOW_TABLES`, and the finished proposal.
    """
    # Here, not above: who only loads and shows a week (every worker of a run) needs no planner in its memory.
    name, proposal = item
    if name == "doubts":
        from olivetime.harvest.doubts import doubts

        return doubts(proposal)
    if name == "what_ifs":
        from olivetime.harvest.reasons import standard_what_ifs

        return standard_what_ifs(proposal)
    if name == "foretold":
        from olivetime.ripening.review import foretold

        return foretold(proposal.season, proposal.station_days, seed=proposal.seed)
    if name == "next_samples":
        from olivetime.harvest.sampling import where_to_sample

        return where_to_sample(proposal)
    if name == "waits":
        from olivetime.harvest.reasons import waiting_costs

        return waiting_costs(proposal)
    raise ValueError(f"slow_table: found {name!r}, expected one of {', '.join(SLOW_TABLES)}. Name one of these.")


SLOW_TABLES = ("doubts", "what_ifs", "waits", "next_samples", "foretold")  # the longest first


def week_tables(
    proposal: Proposal,
    *,
    review: bool = False,
    what_ifs: bool = True,
    brief: bool = False,
    ready: Mapping[str, pd.DataFrame] = MappingProxyType({}),
) -> Week:
    """All tables of the week from one finished proposal.

    Parameters
    ----------
    proposal : Proposal
        What `olivetime.harvest.order.propose` returned.
    review : bool
        Also fit the last weeks again without their samples, and plan again without each doubtful one; `foretold` and
        `doubts` are empty otherwise.
    what_ifs : bool
        Also plan again under each of the usual changes, and solve again the waits of the first blocks; otherwise
        `what_ifs` is empty and so is `waiting_exact`, and the tables take half the time.
    brief : bool
        Only what the order itself needs: no next sample is weighed.
    ready : mapping of str to DataFrame
        Slow tables that were made elsewhere, by name (`slow_table`).

    Returns
    -------
    Week
        Metric tables; blocks in the records' order, days from as_of to the season's end.
    """
    from olivetime.harvest.lessons import is_over
    from olivetime.harvest.reasons import reasons, waiting_costs
    from olivetime.harvest.sampling import with_doubtful
    from olivetime.ripening.review import expected_sd, pooled
    from olivetime.weather.scenarios import ground_table

    season, plan, outcomes = proposal.season, proposal.plan, proposal.outcomes
    blocks = season.blocks.copy()
    blocks["grower_id"] = blocks["grower"].map({g: grower_id(g) for g in blocks["grower"].unique()})
    cultivars = sorted(blocks["cultivar"].astype(str).unique())
    blocks["style_index"] = blocks["cultivar"].astype(str).map({c: i for i, c in enumerate(cultivars)})
    as_of = pd.Timestamp(season.as_of)

    curves = _curves(outcomes, as_of)
    value_by_day = _value_by_day(proposal)
    wanted = {"doubts": review, "foretold": review, "what_ifs": what_ifs, "waits": what_ifs, "next_samples": not brief}
    slow = dict(ready) | {name: slow_table((name, proposal)) for name in wanted if wanted[name] and name not in ready}
    waits = slow["waits"] if "waits" in slow else waiting_costs(proposal, solved=0)
    order = _order(proposal, blocks, [reasons(proposal), waits, good_window(value_by_day)])
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
    spoken = [season.languages.get(grower, "") for grower in growers["grower"]]
    growers["language"] = pd.Series(spoken, growers.index, dtype="str")
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
        columns=[column for column in WEEK_COLUMNS["assumptions"] if column != "says_parts"],
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
        "over": is_over(season),
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
    residuals = proposal.fit.residuals[proposal.fit.residuals["season"] == season.label]
    parts = {
        "order": order,
        "stage": stage,
        "outlines": _outlines(season),
        "curves": curves,
        "samples": season.samples,
        "past_samples": season.past_samples,
        "classes": _classes(outcomes),
        "weather": weather,
        "frost": _frost(proposal, order),
        "ground": ground_table(season, proposal.scenarios),
        "heat": proposal.station_days.heat,
        "mill": mill,
        "capacity": plan.capacity_days,
        "prices": plan.prices,
        "oil_orders": plan.oil_orders,
        "rules": plan.rules[plan.rules["rule"] != "this plan"],
        "value_by_day": value_by_day,
        "what_ifs": slow.get("what_ifs"),
        "growers": growers,
        "findings": pd.concat(
            [season.findings, proposal.station_days.findings, proposal.scenarios.findings], ignore_index=True
        ),
        "assumptions": pd.concat([proposal.assumptions.astype(object), own.astype(object)], ignore_index=True),
        "sources": season.sources,
        "parameters": proposal.fit.parameters,
        "residuals": residuals.assign(expected_sd=expected_sd(residuals)),
        "foretold": slow.get("foretold"),
        "pooled": pooled(residuals),
        "doubts": slow.get("doubts"),
        "shapes": proposal.fit.shapes,
        "week_effects": proposal.fit.week_effects,
        "next_samples": with_doubtful(slow.get("next_samples"), slow.get("doubts")),
        "picked": _picked(season.picks),
    }
    return make_week(info, parts)


def make_week(info: Mapping[str, Any], parts: Mapping[str, pd.DataFrame | None]) -> Week:
    """A `Week` from frames: columns put in the promised order, missing tables empty, headline written.

    Parameters
    ----------
    info : mapping
        As `Week.info`; `headline` is written here.
    parts : mapping of str to DataFrame
        Any of `TABLE_NAMES`, None as missing; columns beyond the promised ones are dropped, except in samples and
        past_samples.

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


def _picked(picks: pd.DataFrame) -> pd.DataFrame:
    """What the season's tickets say of each block so far; oil only where every ticket of the block tells it."""
    blocks = picks.groupby("block_id", sort=True)
    table = blocks.agg(
        first_on=("picked_on", "min"), last_on=("picked_on", "max"), area_ha=("area_ha", "sum"),
        net_t=("net_t", "sum"), tickets_n=("picked_on", "size"),
    )  # fmt: skip
    oil = blocks["oil_out_kg"].sum(min_count=1)
    return table.assign(oil_out_kg=oil.where(blocks["oil_out_kg"].count() == table["tickets_n"])).reset_index()


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
    draws, outcomes = proposal.value.value_draws, proposal.outcomes
    p10, p90 = np.percentile(draws, [10, 90], axis=0)
    # The mean is what the order goes by: frost that few scenarios bring is in it, and in no middle draw.
    columns = {"value_p10": p10, "value_mean": draws.mean(axis=0), "value_p90": p90}
    return _long(outcomes.days, outcomes.block_ids, columns)


def good_window(value_by_day: pd.DataFrame) -> pd.DataFrame:
    """First and last day of the run of days around each block's best day that lose less than `GOOD_SHARE`.

    Parameters
    ----------
    value_by_day : DataFrame
        block_id, day, value_mean [currency], days in order.

    Returns
    -------
    DataFrame
        block_id, good_from, good_to; NaT where no day has a positive value.
    """
    rows = []
    for block_id, part in value_by_day.groupby("block_id", sort=False):
        value = part["value_mean"].to_numpy(dtype=float)
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


def _order(proposal: Proposal, blocks: pd.DataFrame, more: Sequence[pd.DataFrame]) -> pd.DataFrame:
    order = proposal.plan.rows.drop(columns=["area_ha"], errors="ignore")
    named = ["block_id", "block_name", "grower", "grower_id", "ranch", "cultivar", "organic", "area_ha"]
    order = order.merge(blocks[named], on="block_id", how="left")
    order["block_name"] = order["block_name"].fillna(order["block_id"])
    order["grower_id"] = order["grower_id"].fillna("")
    if "area_ha" in proposal.plan.rows:  # what is left to pick of the block, where the plan says so
        left = order["block_id"].map(proposal.plan.rows.set_index("block_id")["area_ha"])
        order["area_ha"] = left.fillna(order["area_ha"])
    moved = proposal.plan.moved[["block_id", "gain"]].rename(columns={"gain": "moved_gain"})
    for extra in (*more, moved):
        new = [c for c in extra.columns if c not in order.columns]
        order = order.merge(extra[["block_id", *new]], on="block_id", how="left")
    order["flags"] = _flags(order)
    return order.sort_values(["rank", "start_at", "block_id"], ignore_index=True, na_position="last")


def _flags(order: pd.DataFrame) -> pd.Series:
    planned = order["start_at"].notna()
    day = order["start_at"].dt.normalize()
    checks = {
        mark("early"): planned & (day < order["good_from"]),
        mark("late"): planned & (day > order["good_to"]),
        mark("frost"): order["frost_chance"].astype(float).fillna(0) >= FROST_WORTH_SAYING,
        mark("old sample"): order["sample_age_d"].astype(float) > OLD_SAMPLE_D,
        mark("few samples"): order["samples_n"].astype(float).fillna(0) < 3,
        mark("moved"): order["moved_days"].astype(float).abs() >= 1,
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


def _outlines(season: Season) -> pd.DataFrame:
    """Outer edges of the blocks' outlines, one row a corner; a block of several parts has several rings."""
    rows = []
    for row in season.boundaries.itertuples(index=False):
        for ring, part in enumerate(shapely.get_parts(row.geometry)):
            corners = shapely.get_coordinates(part.exterior)
            rows.append(pd.DataFrame({"block_id": row.block_id, "ring": ring, "lon_deg": corners[:, 0],
                                      "lat_deg": corners[:, 1]}))  # fmt: skip
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=list(WEEK_COLUMNS["outlines"]))


def _frost(proposal: Proposal, order: pd.DataFrame) -> pd.DataFrame:
    """Frost of each block and night at its own threshold, and what the plan picks before.

    `at_risk_t` is the fruit still on the trees that night, also of blocks without a place in the order;
    `value_at_risk` the plan's value of it times the mean loss, nothing for blocks without a place.
    """
    scen = proposal.scenarios
    risk = frost_risk(proposal.season, scen)
    steps_n = len(STEPS_C)
    table = picked_before(risk[::steps_n].reset_index(drop=True), order)
    crop_t = proposal.outcomes.crop_t.mean(axis=0).ravel()
    whole_t = table["picked_before_t"] + table["left_t"]
    share = np.where(whole_t > 0, table["left_t"] / whole_t.where(whole_t > 0, 1.0), 1.0)
    done = table["block_id"].isin(order.loc[order["status"] == "picked", "block_id"])
    return table.assign(
        chance_colder=risk["chance"].to_numpy()[steps_n - 1 :: steps_n],
        at_risk_t=np.where(done, 0.0, crop_t * share),
    )


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
    foreign, own = _foreign_words(week, wanted), _finder(_own_words(week, wanted))
    names = _finder(foreign)
    # In the assumptions a bare number is a value, not a block's name.
    worded = _finder(w for w in foreign if not w.isdigit())

    def of_mine(name: str) -> pd.DataFrame:
        table = getattr(week, name)
        return table[table["block_id"].isin(mine)].reset_index(drop=True)

    def clean(texts: pd.Series) -> pd.Series:
        return texts.map(lambda t: "" if isinstance(t, str) and names(t) else t)

    whole_plan = ("value", "value_p10", "value_p90", "bound", "gap_fraction")
    info = {k: (None if k in whole_plan else v) for k, v in week.info.items()}
    one = week.growers[week.growers["grower_id"] == wanted].iloc[0]
    area = stage.groupby("station_id")["area_ha"].sum() if len(stage) else pd.Series(dtype=float)
    info |= {
        "grower": str(one["grower"]),
        "grower_id": wanted,
        "locale": grower_locale(week, wanted),
        "why": "",
        "main_station": str(area.idxmax()) if len(area) else "",
    }
    order = of_mine("order")
    order["rank"] = order["rank"].astype("Float64").rank(method="first").astype("Int64")
    for column in ("reason", "why_not", "move_from", "runner_up", "flags"):
        order[column] = clean(order[column])
    # A reason that named another grower's block gives way to its kind in words.
    gone = (order["reason"] == "") & order["reason_code"].isin(list(CODES))
    order["reason_parts"] = order["reason_parts"].astype(object).where(order["reason"] != "")
    order.loc[gone, "reason"] = order.loc[gone, "reason_code"].map(
        {k: f"{text[:1].upper()}{text[1:]}." for k, text in ((k, say(v, info)) for k, v in CODES.items())}
    )
    order.loc[~order["runner_up"].isin(mine), "runner_up"] = None
    order.loc[~order["move_from"].isin(mine), "move_from"] = None
    order["margin_per_h"] = np.nan  # distance to a runner-up that may be someone else's
    next_samples = of_mine("next_samples")
    next_samples["rank"] = np.arange(1, len(next_samples) + 1)
    next_samples["why"] = clean(next_samples["why"])
    stations = set(stage["station_id"].dropna())
    told = _row_texts(week.findings[["value", "says", "do"]])
    findings = week.findings[[bool(own(t)) and not names(t) for t in told]].reset_index(drop=True)
    shared = [not worded(t) for t in _row_texts(week.assumptions.drop(columns="says_parts"))]
    named = week.assumptions["name"].astype(str)
    grown = {f"plateau of {cultivar}" for cultivar in stage["cultivar"].astype(str)}
    elsewhere = named.str.startswith("plateau of ") & ~named.isin(grown)
    assumptions = week.assumptions[np.array(shared, dtype=bool) & ~elsewhere].reset_index(drop=True)
    parts = {
        name: of_mine(name)
        for name in (
            "curves", "samples", "past_samples", "classes", "frost", "value_by_day", "residuals", "outlines", "picked",
        )
    }  # fmt: skip
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


def grower_locale(week: Week, wanted: str | None = None) -> str:
    """Locale of a grower's pages: the grower's own language in the season's country; without a grower the season's."""
    known = dict(zip(week.growers["grower_id"], week.growers["language"], strict=True))
    language = known.get(wanted)
    return locale_for(language if isinstance(language, str) else "", str(week.info["locale"]))


def _finder(words: Iterable[str]) -> Callable[[str], bool]:
    """Whether a text holds one of the words, not inside a longer word; as fast for a thousand growers as for ten."""
    by_first: dict[str, list[str]] = {}
    odd = []  # words that begin with a sign
    for word in words:
        first = _WORD.match(word)
        if first:
            by_first.setdefault(first[0], []).append(word)
        else:
            odd.append(word)

    def ends(text: str, place: int) -> bool:
        return not _WORD.match(text, place)

    def found(text: str) -> bool:
        for first in _WORD.finditer(text):
            for word in by_first.get(first[0], ()):
                if text.startswith(word, first.start()) and ends(text, first.start() + len(word)):
                    return True
        return any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text) for word in odd if word in text)

    return found


def _row_texts(table: pd.DataFrame) -> list[str]:
    """All texts of each row in one."""
    return [" ".join(row) for row in zip(*(texts_of(table[c]) for c in table.columns), strict=True)]


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
        hashes[name] = _save_table(getattr(week, name), folder / name)
    write_atomic(folder / "committed.csv", committed_table(week).to_csv(index=False, lineterminator="\n").encode())
    text = json.dumps({"info": week.info, "tables": hashes}, indent=1, ensure_ascii=False, sort_keys=True)
    write_atomic(folder / "info.json", text.encode())
    return folder


def _save_table(frame: pd.DataFrame, place: Path) -> str:
    """Write one table beside `place` as CSV and Parquet; SHA-256 of the latter."""
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
    frame.to_parquet(buffer, index=False, row_group_size=PIECE_ROWS)
    write_atomic(place.with_name(f"{place.name}.csv"), csv.encode())
    write_atomic(place.with_name(f"{place.name}.parquet"), buffer.getvalue())
    return hashlib.sha256(buffer.getvalue()).hexdigest()


def save_past(past: Hindcast, skill: pd.DataFrame, folder: Path | str, *, seed: int, weeks: int) -> None:
    """Write the lookback's tables beside those of the week, as lookback_NAME, and lookback.json, last.

    Parameters
    ----------
    past : Hindcast
    skill : DataFrame
        How past outlooks turned out (`olivetime.weather.fetched.season_skill`).
    folder : path
        Of the week's tables.
    seed, weeks : int
        Seed that the weeks were replayed with, and how many were asked for.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frames = {name: frame for name, frame in vars(past).items() if isinstance(frame, pd.DataFrame)} | {"skill": skill}
    hashes = {name: _save_table(frame, folder / f"lookback_{name}") for name, frame in frames.items()}
    said_of = {"says": past.says, "seed": seed, "weeks": weeks, "tables": hashes}
    write_atomic(folder / "lookback.json", json.dumps(said_of, indent=1, ensure_ascii=False).encode())


def load_past(folder: Path | str, *, seed: int, weeks: int) -> tuple[Hindcast, pd.DataFrame] | None:
    """Read what `save_past` wrote; None when nothing whole lies there, or of other weeks or another seed."""
    folder = Path(folder)
    try:
        saved = json.loads((folder / "lookback.json").read_text(encoding="utf-8"))
        data = {name: (folder / f"lookback_{name}.parquet").read_bytes() for name in saved["tables"]}
    except FileNotFoundError:
        return None
    whole = all(hashlib.sha256(data[name]).hexdigest() == sha for name, sha in saved["tables"].items())
    if not whole or (saved["seed"], saved["weeks"]) != (seed, weeks):
        return None
    frames = {name: pd.read_parquet(io.BytesIO(part)) for name, part in data.items()}
    skill = frames.pop("skill")
    return Hindcast(says=saved["says"], **frames), skill


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


def _digest(path: Path) -> str:
    """SHA-256 of a file, "" where there is none; read in pieces, for a table of a large mill has tens of megabytes."""
    if not path.exists():
        return ""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


PIECE_ROWS = 10_000  # rows of a table that are read at a time


def _rows_of(path: Path, blocks: Sequence[str]) -> pd.DataFrame:
    """A table's rows of some blocks, read piece by piece: pandas' own filter holds the whole table first."""
    wanted = pyarrow.array(blocks)
    with parquet.ParquetFile(path) as file:
        pieces = [file.schema_arrow.empty_table()]
        for i in range(file.num_row_groups):
            piece = file.read_row_group(i, use_threads=False)
            pieces.append(piece.filter(compute.is_in(piece["block_id"], wanted)))
    small = io.BytesIO()
    parquet.write_table(pyarrow.concat_tables(pieces), small)
    return _read(small)  # its types are then those of any other table that pandas reads


def _read(file: io.BytesIO) -> pd.DataFrame:
    return pd.read_parquet(file, use_threads=False)  # threads hold on to tens of megabytes for milliseconds won


# Tables by block and day, of which a grower's part needs the grower's blocks only.
LONG_TABLES = frozenset(("curves", "past_samples", "classes", "frost", "value_by_day", "residuals"))


def load_week(folder: Path | str, grower: str | None = None) -> Week:
    """Read a week that `save_week` wrote.

    Parameters
    ----------
    folder : path
        Where info.json and the Parquet files lie.
    grower : str, optional
        A `grower_id`, "" for the first: only this grower's part (`grower_week`). Of long tables only its rows are read,
        so that hundreds of growers take no more memory than one.

    Returns
    -------
    Week
        The same tables and types as were saved.

    Raises
    ------
    SeasonError
        No finished week there, a table is missing, or a table belongs to another run.
    ValueError
        No such grower.
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
    tables: dict[str, pd.DataFrame] = {}
    mine: list[str] | None = None
    for name in sorted(TABLE_NAMES, key=lambda name: name not in ("growers", "stage")):
        path = folder / f"{name}.parquet"
        if _digest(path) != saved["tables"].get(name):
            raise SeasonError(
                where=str(path),
                found="a table of another run" if path.exists() else "no such table",
                expected="the tables that info.json was written for",
                do="Run `olivetime weekly` for this season again.",
            )
        if grower is not None and mine is None and {"growers", "stage"} <= set(tables):
            grower = grower or str(tables["growers"]["grower_id"].iloc[0])
            mine = tables["stage"].loc[tables["stage"]["grower_id"] == grower, "block_id"].tolist()
        if mine and name in LONG_TABLES:
            tables[name] = _rows_of(path, mine)
        else:
            tables[name] = _read(io.BytesIO(path.read_bytes()))
    week = make_week(saved["info"], tables)  # it may be of an earlier version, with fewer columns
    return week if grower is None else grower_week(week, grower)


# ---------------------------------------------------------------------------------------------------------
# Sentences
def planned(week: Week) -> pd.DataFrame:
    """Rows of the order that have a place in it, first to pick first."""
    rows = week.order[week.order["rank"].notna() & (week.order["status"] != "picked")]
    return rows.sort_values(["rank", "block_id"], ignore_index=True)


def all_picked(week: Week) -> bool:
    """Whether nothing is left to pick: pages then say so once, and nothing of days ahead."""
    return len(week.order) > 0 and bool((week.order["status"] == "picked").all())


def when_text(row: Mapping[str, Any], week: Week) -> str:
    """When a row of the order is picked, in the words of the order list: "now", "today", "Oct 22", "not planned"."""
    info = week.info
    if row["status"] == "picking":
        return say("now", info)
    if row["status"] == "picked":
        return say("picked", info)
    if row["start_at"] is None or pd.isna(row["start_at"]):
        return say("can't say", info) if row["status"] == "cannot be decided" else say("not planned", info)
    day = pd.Timestamp(row["start_at"]).normalize()
    days = (day - pd.Timestamp(info["as_of"])).days
    return say("today", info) if days <= 0 else say("tomorrow", info) if days == 1 else day_text(day, info)


def headline(week: Week) -> str:
    """The page's first sentences: what to pick first, and why now, from the numbers.

    Returns
    -------
    str
        Such as "Pick North 4 first. It passed its target 2 days ago and a day of waiting costs at least $450; rain is
        likely on Saturday (60 %)."
    """
    rows, info = planned(week), week.info
    if rows.empty:
        why = said(str(info.get("why") or "").strip(), info)
        left = week.order["status"].value_counts() if len(week.order) else {}
        if all_picked(week):
            return say("All blocks are picked.", info)
        undecided = int(left.get("cannot be decided", 0))
        tail = why
        if undecided and not why:
            tail = say_count(
                "{n} block cannot be decided on; see the findings.",
                "{n} blocks cannot be decided on; see the findings.",
                undecided,
                info,
            )
        return f"{say('No block is to be picked in the days ahead.', info)} {tail}".strip()
    first = rows.iloc[0]
    name = str(first["block_name"])
    days = (pd.Timestamp(first["start_at"]).normalize() - pd.Timestamp(info["as_of"])).days
    if first["status"] == "picking":
        opening = say("Finish {block} first.", info, block=name)
    elif days <= 0:
        opening = say("Pick {block} first.", info, block=name)
    elif days == 1:
        opening = say("Pick {block} first, tomorrow.", info, block=name)
    else:
        opening = say("Pick {block} first, on {day}.", info, block=name, day=day_text(first["start_at"], info))
    because = _why_now(week, first)
    weather = _weather_clause(week)
    text = "; ".join(part for part in (because, weather) if part)
    return f"{opening} {text[0].upper()}{text[1:]}." if text else opening


def _why_now(week: Week, first: Mapping[str, Any]) -> str:
    info, stage = week.info, week.stage[week.stage["block_id"] == first["block_id"]]
    today = pd.Timestamp(info["as_of"])
    reach, message = "", mark("{one} and {two}")
    if len(stage) and stage["verdict"].iloc[0] == "reached":
        on = stage["on_p50"].iloc[0]
        days = (today - pd.Timestamp(on)).days if not pd.isna(on) else 0
        reach = say("it has reached its target", info)
        if days > 0:
            reach = say_count("it passed its target {n} day ago", "it passed its target {n} days ago", days, info)
    elif first["status"] == "picking":
        return say("it is being picked, and finishing it saves a move", info)
    elif len(stage) and not pd.isna(stage["on_p50"].iloc[0]):
        days = (pd.Timestamp(stage["on_p50"].iloc[0]) - today).days
        reach = say("it is at its target", info)
        if days > 0:
            reach = say_count("it is {n} day short of its target", "it is {n} days short of its target", days, info)
            message = mark("{one}, but {two}")
    cost = first["waiting_1d"]
    if cost is None or pd.isna(cost) or not float(cost) >= 1:
        return reach
    text = say("a day of waiting costs at least {money}", info, money=money_text(cost, info))
    return say(message, info, one=reach, two=text) if reach else text


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
        on, chance = _on_day(wet.iloc[0]["day"], week), chance_text(wet.iloc[0]["rain_chance"], info)
        clauses.append(say("rain is likely {on_day} ({chance})", info, on_day=on, chance=chance))
    if len(cold):
        on, chance = _on_day(cold.iloc[0]["day"], week), chance_text(cold.iloc[0]["frost_chance"], info)
        clauses.append(say("frost may come {on_day} ({chance})", info, on_day=on, chance=chance))
    return say("{one} and {two}", info, one=clauses[0], two=clauses[1]) if len(clauses) == 2 else "".join(clauses)


def _on_day(day: Any, week: Week) -> str:
    info = week.info
    days = (pd.Timestamp(day) - pd.Timestamp(info["as_of"])).days
    if days in (0, 1):
        return say("tomorrow", info) if days else say("today", info)
    return say("on {weekday}", info, weekday=day_text(day, info, "EEEE"))


def target_text(week: Week) -> str:
    """The season's target in words, such as "95 % of each block's own plateau" or "18.5 % oil, fresh basis"."""
    kind, value, info = str(week.info["target_kind"]), week.info.get("target_value"), week.info
    if kind == "best_value" or value is None:
        return say("the day of best value", info)
    if kind == "plateau_fraction":
        return say("{pct} % of each block's own oil plateau", info, pct=number_text(100 * float(value), info))
    if kind == "oil_dry_pct":
        return say("{pct} % oil, dry basis", info, pct=number_text(value, info, 1))
    if kind == "oil_fresh_pct":
        return say("{pct} % oil, fresh basis", info, pct=number_text(value, info, 1))
    return say("maturity index {index}", info, index=number_text(value, info, 1)) if kind == "maturity" else kind


def verdict_text(row: Mapping[str, Any], week: Week) -> str:
    """Where a block stands against its target, short: "reached", "23 Oct (21–25 Oct)", "not by 15 Jan", "never"."""
    verdict, info = str(row["verdict"]), week.info
    if verdict == "reached":
        on = row["on_p50"]
        past = not pd.isna(on) and pd.Timestamp(on) < pd.Timestamp(info["as_of"])
        return say("reached {day}", info, day=day_text(on, info)) if past else say("target reached", info)
    if verdict == "never":
        return say("never this season", info)
    if verdict not in ("not yet", "may never"):
        return say("can't be told", info)
    if pd.isna(row["on_p50"]):
        by = day_text(info["end"], info)
        message = mark("may never by {day}") if verdict == "may never" else mark("not yet by {day}")
        return say(message, info, day=by)
    middle = day_text(row["on_p50"], info)
    last = row["on_p90"]
    if pd.isna(last):
        spread = say("{day} or later", info, day=day_text(row["on_p10"], info))
    else:
        spread = days_text(row["on_p10"], last, info)
    # A range of one day says nothing more than the day itself.
    return middle if spread == middle else f"{middle} ({spread})"


def flags_text(flags: Any, info: Mapping[str, Any]) -> str:
    """The flags of a row of the order in the language of the page."""
    names = [] if flags is None or pd.isna(flags) else [name for name in str(flags).split(", ") if name]
    return ", ".join(say(name, info) for name in names)


def reason_text(row: Mapping[str, Any], info: Mapping[str, Any]) -> str:
    """Why a block stands where it does, in the language of the page."""
    return told_text(row["reason"], row.get("reason_parts"), info)


def told_text(text: Any, parts: Any, info: Mapping[str, Any]) -> str:
    """A sentence of another room: from its parts (JSON for `tell`) where there are any, else the finished text."""
    if isinstance(parts, str) and parts:
        return tell(json.loads(parts), info)
    return "" if text is None or pd.isna(text) else said(str(text), info)


CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "advice": mark(
            "This is advice from numbers; people decide. Local law, product labels and the word of licensed "
        "advisers come first, whatever stands on this page."
        ),
        "shift": mark(
            "Long shifts tire people before they notice it. Keep to the legal limits on hours and rest, "
        "change drivers, and stop a machine whose driver is tired, even when the order says pick on."
        ),
        "night": mark(
            "Night work needs lights, a second person within call and a walked headland. Do not send anyone "
        "alone."
        ),
        "slope": mark(
            "Slopes, ditches and terraces tip harvesters. Follow the machine's limit for slope, and leave the "
        "block when the driver does not trust the ground."
        ),
        "wet": mark(
            "After rain the ground may be softer than the numbers say: walk the block before driving it. Wet "
        "ground slides machines and packs the soil for years."
        ),
        "label": mark(
            "The waiting time on a spray label is law. Check the label and the spray record yourself before "
        "the first tree; a missing record is a reason to wait."
        ),
        "fruit": mark(
            "Frosted fruit must be milled at once and kept apart; fruit ages from the moment it is picked. Do "
        "not pick more than the mill can take in time."
        ),
        "driving": mark(
            "Loaded trucks on farm tracks and wet roads need time. Do not make up a late start on the road."
        ),
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


def cautions(page: str, info: Mapping[str, Any] | str = "en") -> tuple[str, ...]:
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
    return tuple(say(CAUTIONS[key], info) for key in PAGE_CAUTIONS[page])


# ---------------------------------------------------------------------------------------------------------
# What pictures need computed
TILE_LARGEST, TILE_SMALLEST = 2.0, 0.55  # a tile's weight at most and at least, in medians: words must fit
TILE_GAP, RANCH_HEAD, SHAPE_LEAST = 3.0, 13.0, 10.0  # [pt]


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


def map_shapes(
    outlines: pd.DataFrame, stage: pd.DataFrame, ranches: pd.DataFrame
) -> tuple[dict[str, list[np.ndarray]], pd.DataFrame]:
    """Fit the blocks' outlines into the fields of their ranches, each ranch at its own scale, north up.

    Parameters
    ----------
    outlines : DataFrame
        block_id, ring, lon_deg, lat_deg [degrees].
    stage : DataFrame
        block_id, ranch.
    ranches : DataFrame
        Second table of `map_tiles`.

    Returns
    -------
    shapes : dict of str to list of ndarray
        Corners (n, 2) [pt] of each part, for the blocks of ranches all of whose blocks have an outline that holds a
        circle of `SHAPE_LEAST`, so that words fit.
    rooms : DataFrame
        block_id, ranch, x0, y0, x1, y1 [pt]: room for words inside each of them, about its roomiest place.

    Notes
    -----
    Degrees of longitude shrink by the cosine of the latitude; a ranch is small enough for that.
    """
    known = set(outlines["block_id"])
    of_ranch = stage.assign(ranch=stage["ranch"].astype("str").fillna("")).groupby("ranch")["block_id"].agg(list)
    shapes: dict[str, list[np.ndarray]] = {}
    rooms = []
    for field in ranches.itertuples(index=False):
        ids = of_ranch.get(field.ranch, [])
        if not ids or not set(ids) <= known:
            continue
        rows = outlines[outlines["block_id"].isin(set(ids))]
        lon, lat = rows["lon_deg"].to_numpy(dtype=float), rows["lat_deg"].to_numpy(dtype=float)
        x, y = lon * np.cos(np.radians(lat.mean())), -lat
        width, height = field.x1 - field.x0 - 2 * TILE_GAP, field.y1 - field.y0 - RANCH_HEAD - TILE_GAP
        factor = min(width / max(np.ptp(x), 1e-9), height / max(np.ptp(y), 1e-9))
        left = field.x0 + TILE_GAP + (width - factor * np.ptp(x)) / 2
        top = field.y0 + RANCH_HEAD + (height - factor * np.ptp(y)) / 2
        placed = rows.assign(x=left + factor * (x - x.min()), y=top + factor * (y - y.min()))
        found, words = {}, []
        for block_id, part in placed.groupby("block_id", sort=False):
            found[block_id] = [ring[["x", "y"]].to_numpy() for _, ring in part.groupby("ring", sort=True)]
            largest = max((shapely.Polygon(ring) for ring in found[block_id]), key=lambda p: p.area)
            spoke = shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, tolerance=0.5))
            (cx, cy), reach = spoke[0], float(np.hypot(*(spoke[1] - spoke[0])))
            wide, high = 1.15 * reach, 0.8 * reach
            words.append((block_id, field.ranch, cx - wide, cy - high, cx + wide, cy + high, reach))
        if min(reach for *_, reach in words) >= SHAPE_LEAST:
            shapes |= found
            rooms += [row[:-1] for row in words]
    return shapes, pd.DataFrame(rooms, columns=["block_id", "ranch", "x0", "y0", "x1", "y1"])


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


def truths(values: pd.Series) -> np.ndarray:
    """Truth of a column of booleans in which missing means no."""
    return values.astype("boolean").fillna(False).to_numpy(dtype=bool)


def texts_of(values: Iterable[Any]) -> list[str]:
    """Cells as text, missing as empty text."""
    return ["" if v is None or v is pd.NA or v != v else str(v) for v in values]


def worth_sampling(week: Week) -> pd.DataFrame:
    """Next samples that gain something in whole amounts of money; the others would change nothing now."""
    rows = week.next_samples
    return rows[rows["gain"].astype(float) >= 0.5]


def doubtful(week: Week) -> pd.DataFrame:
    """Residuals of samples that the fit calls doubtful, furthest out first."""
    rows = week.residuals[truths(week.residuals["doubtful"])]
    return rows.loc[rows["residual_sd"].astype(float).abs().sort_values(ascending=False, kind="stable").index]
