"""The lookback in sentences and tables: forecasts, orders, yields, leaning forecasts, ranges, outlooks.

Every sentence is the short form of the tables behind it; everything is counted from a finished `Hindcast`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from olivetime.languages import mark, said, say, say_count
from olivetime.report.sheet import LOOKBACK_WORDS, DisplayTable, lookback_tables, outlook_skill_table
from olivetime.words import count_text, day_text, money_text, number_text

if TYPE_CHECKING:
    from olivetime.harvest.past import Hindcast

MOST_LEANING = 10  # rows of the table of leaning forecasts: the surest ones; the rest stand in `Hindcast.bias`
_LEANING = ("told too high", "told too low")
Info = Mapping[str, Any]
Cells = tuple[str, str, Iterable[str], str]


def _shown(caption: str, columns: list[Cells], empty: str, info: Info) -> DisplayTable:
    """Table from (heading, unit, cells, place) columns, its own words said in the page's language."""
    headings, units, cells, places = zip(*columns, strict=True)
    return DisplayTable(
        caption=say(caption, info),
        headings=tuple(say(heading, info) for heading in headings),
        units=tuple(say(unit, info) for unit in units),
        rows=tuple(zip(*map(tuple, cells), strict=True)),
        align=tuple("right" if "number" in p else "left" for p in places),
        places=tuple(p.replace("number", "").strip() for p in places),
        empty=say(empty, info),
    )


def _money(values: Iterable[Any], info: Info) -> list[str]:
    return [money_text(v, info) for v in values]


def _numbers(values: Iterable[Any], info: Info, digits: int = 0) -> list[str]:
    return [number_text(v, info, digits) for v in values]


def _days(values: Iterable[Any], info: Info) -> list[str]:
    return [day_text(v, info) for v in values]


def _kinds(values: Iterable[str], info: Info) -> list[str]:
    return [say(LOOKBACK_WORDS.get(kind, kind), info) for kind in values]


def _between(low: Iterable[Any], high: Iterable[Any], info: Info) -> list[str]:
    pairs = zip(_money(low, info), _money(high, info), strict=True)
    return [say("{low} and {high}", info, low=a, high=b) for a, b in pairs]


def _col(frame: pd.DataFrame, name: str) -> Any:
    """Column as an array, empty when the table has no rows."""
    return frame[name].to_numpy() if len(frame) else frame.index.to_numpy(dtype=float)[:0]


def _newest_tellings(past: Hindcast) -> pd.DataFrame:
    """A ticket is told in every earlier week; the newest telling is what the mill would have gone by."""
    yields = past.yields
    if yields.empty:
        return yields
    return yields.sort_values("as_of", kind="stable").drop_duplicates("ticket_id", keep="last")


def _other_orders(past: Hindcast) -> pd.DataFrame:
    """Orders held against what was picked, without that one itself."""
    return past.decisions[past.decisions["order"] != "picked"] if len(past.decisions) else past.decisions


def _leaning(past: Hindcast) -> pd.DataFrame:
    """Forecasts that lean to one side, the surest first."""
    if past.bias.empty:
        return past.bias
    found = past.bias[past.bias["says"].isin(_LEANING)]
    return found.loc[(found["bias"] / found["se"]).abs().sort_values(ascending=False, kind="stable").index]


# --- in sentences ---------------------------------------------------------------------------------------


def answer(past: Hindcast, info: Info) -> tuple[str, str]:
    """How far dry oil was missed, and what share of samples the ranges held.

    Parameters
    ----------
    past : Hindcast
    info : mapping
        locale.

    Returns
    -------
    tuple of str
        The sentence in bold, and the rest.
    """
    if past.scores.empty:
        needed = say("At least two sampling dates before a week and one after it are needed.", info)
        return say("No past week can be scored.", info), needed
    weeks = count_text(len(past.orders), "past week", info=info)
    oil = past.scores[past.scores["kind"] == "oil_dry_pct"]
    if oil.empty:
        return say("{weeks} replayed; no dry oil was sampled after them.", info, weeks=weeks), ""
    row = _by_kind(oil).iloc[0]
    miss = number_text(row["mean_abs_error"], info, 1)
    first = say("Dry oil was missed by {miss} points on average.", info, miss=miss)
    rest = [say("{weeks}, {n} later samples.", info, weeks=weeks, n=number_text(row["samples_n"], info))]
    if np.isfinite(row["line_mean_abs_error"]):
        line, ours = (
            number_text(row[name], info, 1) for name in ("line_mean_abs_error", "against_line_mean_abs_error")
        )
        rest.append(
            say("A straight line through each block's samples missed by {line}, where we missed by {ours}.", info,
                line=line, ours=ours)
        )  # fmt: skip
    inside = number_text(100 * row["inside_fraction"], info)
    rest.append(say("{pct} % of the samples fell inside the range that should hold 80 %.", info, pct=inside))
    return first, " ".join(rest)


def _by_kind(scores: pd.DataFrame) -> pd.DataFrame:
    """Scores of all leads together, by kind: means weighted by the samples behind them."""
    rows = []
    for kind in (name for name in LOOKBACK_WORDS if name in set(scores["kind"])):  # dry oil first
        part = scores[scores["kind"] == kind]
        n = part["samples_n"].to_numpy(float)
        lined = part["line_mean_abs_error"].notna().to_numpy() * n
        row = {"kind": kind, "samples_n": n.sum()}
        row |= {name: np.average(part[name], weights=n) for name in ("mean_abs_error", "bias", "inside_fraction")}
        for name in ("line_mean_abs_error", "against_line_mean_abs_error"):
            row[name] = np.average(part[name].fillna(0.0), weights=lined) if lined.sum() else np.nan
        rows.append(row)
    return pd.DataFrame(rows)


def decisions_line(past: Hindcast, info: Info) -> str:
    """How many other orders would have been worth more than what was picked."""
    other = _other_orders(past)
    if other.empty:
        return say("No ticket was written in the replayed weeks.", info)
    counts = other["says"].value_counts()
    more, less = (int(counts.get(f"worth {word} than what was picked", 0)) for word in ("more", "less"))
    return say_count(
        "Of {n} other order tried in the weather that came, {more} was surely worth more than what was picked, {less}"
        " surely less.",
        "Of {n} other orders tried in the weather that came, {more} were surely worth more than what was picked, {less}"
        " surely less.",
        len(other),
        info,
        more=more,
        less=less,
    )


def yields_line(past: Hindcast, info: Info) -> str:
    """On how many tickets the mill got out what was expected."""
    told = _newest_tellings(past)
    if told.empty:
        return say("No ticket of the replayed weeks tells the oil got out.", info)
    near = int(told["within_1_point"].astype(bool).sum())
    return say_count(
        "On {near} of {n} ticket the mill got out the expected oil to within 1 point.",
        "On {near} of {n} tickets the mill got out the expected oil to within 1 point.",
        len(told),
        info,
        near=near,
    )


def lean_line(past: Hindcast, info: Info) -> str:
    """How many forecasts lean to one side."""
    lean = _leaning(past)
    if lean.empty:
        return say("No cultivar, laboratory or block leans to one side by more than twice its standard error.", info)
    high, low = (int((lean["says"] == side).sum()) for side in _LEANING)
    return say_count(
        "{n} forecast of a cultivar, laboratory or block leans to one side: {high} told too high, {low} too low.",
        "{n} forecasts of a cultivar, laboratory or block lean to one side: {high} told too high, {low} too low.",
        len(lean),
        info,
        high=high,
        low=low,
    )


def ranges_line(past: Hindcast, info: Info) -> str:
    """What past misses say of the ranges."""
    if past.memory.empty:
        return say("No later sample tells how good the ranges were.", info)
    low, high = (number_text(past.memory["factor"].agg(end), info, 2) for end in ("min", "max"))
    return say("By past misses the ranges should be {low} to {high} times as wide.", info, low=low, high=high)


def leads_line(past: Hindcast, info: Info) -> str:
    """How misses of dry oil grow with the weeks ahead."""
    oil = past.scores[past.scores["kind"] == "oil_dry_pct"].sort_values("lead_weeks")
    if len(oil) < 2:
        return say("Forecasts were scored at one distance only.", info)
    near, far = oil.iloc[0], oil.iloc[-1]
    return say_count(
        "Dry oil was missed by {near} points one week ahead, by {far} points {n} week ahead.",
        "Dry oil was missed by {near} points one week ahead, by {far} points {n} weeks ahead.",
        int(far["lead_weeks"]),
        info,
        near=number_text(near["mean_abs_error"], info, 1),
        far=number_text(far["mean_abs_error"], info, 1),
    )


def outlooks_line(skill: pd.DataFrame, info: Info) -> str:
    """How often the outlook came nearer than the same days of other years."""
    told = skill[skill["crps"].notna() & skill["crps_climatology"].notna()] if len(skill) else skill
    if told.empty:
        return say("No past outlook can be held against measured days; keep every issue in the outlook table.", info)
    better = int((told["crps"].astype(float) < told["crps_climatology"].astype(float)).sum())
    return say_count(
        "In {better} of {n} comparison the outlook came nearer than the same days of other years.",
        "In {better} of {n} comparisons the outlook came nearer than the same days of other years.",
        len(told),
        info,
        better=better,
    )


# --- in tables ------------------------------------------------------------------------------------------


def by_kind_table(past: Hindcast, info: Info) -> DisplayTable:
    """One row for each thing that is forecast, all weeks ahead together.

    Parameters
    ----------
    past : Hindcast
    info : mapping
        locale.
    """
    rows = _by_kind(past.scores)
    return _shown(mark("How near past forecasts came to later samples"), [
        (mark("Forecast"), "", _kinds(_col(rows, "kind"), info), "name"),
        (mark("Samples"), "", _numbers(_col(rows, "samples_n"), info), "number"),
        (mark("Mean miss"), "", _numbers(_col(rows, "mean_abs_error"), info, 2), "number"),
        (mark("Straight line's mean miss"), "", _numbers(_col(rows, "line_mean_abs_error"), info, 2), "number"),
        (mark("Ours on the same samples"), "", _numbers(_col(rows, "against_line_mean_abs_error"), info, 2), "number"),
        (mark("Inside the 8-in-10 range"), "%", _numbers(100 * _col(rows, "inside_fraction"), info), "number"),
    ], mark("No sample was taken after a past week to compare with."), info)  # fmt: skip


def replay_tables(past: Hindcast, info: Info) -> tuple[DisplayTable, ...]:
    """Decisions, industrial yields, bias and memory of the replayed weeks.

    Parameters
    ----------
    past : Hindcast
    info : mapping
        locale and currency.
    """
    chosen, yields, memory = _other_orders(past), _newest_tellings(past), past.memory
    doubtful = _leaning(past).head(MOST_LEANING)
    who = {"cultivar": say("Cultivar", info), "lab": say("Laboratory", info), "block_id": say("Block", info)}
    decisions = _shown(mark("What was picked against other orders, in the weather that came"), [
        (mark("Order"), "", [f"{day}: {said(str(order), info)}" for day, order in zip(
            _days(_col(chosen, "as_of"), info), _col(chosen, "order"), strict=True)], "name"),
        (mark("Worth more than what was picked"), "", _money(_col(chosen, "difference"), info), "when number"),
        (mark("8 in 10 between"), "",
         _between(_col(chosen, "difference_p10"), _col(chosen, "difference_p90"), info), ""),
        (mark("In short"), "", [said(str(text), info) for text in _col(chosen, "says")], "first"),
    ], mark("No ticket was written in the replayed weeks."), info)  # fmt: skip
    tickets = _shown(mark("Oil that the mill got out against what was expected"), [
        (mark("Ticket"), "", [str(t) for t in _col(yields, "ticket_id")], "name"),
        (mark("Told on"), "", _days(_col(yields, "as_of"), info), ""),
        (mark("Expected"), "%", _numbers(_col(yields, "p50"), info, 1), "number"),
        (mark("Got out"), "%", _numbers(_col(yields, "observed"), info, 1), "number"),
        (mark("Miss"), mark("points"), _numbers(_col(yields, "error"), info, 1), "number"),
        (mark("Within 1 point"), "",
         [say("yes" if near else "no", info) for near in _col(yields, "within_1_point")], "first"),
    ], mark("No ticket of the replayed weeks tells the oil got out."), info)  # fmt: skip
    lean = _shown(mark("Forecasts that lean to one side"), [
        (mark("Who"), "", [f"{who[by]} {name}" for by, name in zip(
            _col(doubtful, "by"), _col(doubtful, "name"), strict=True)], "name"),
        (mark("Forecast"), "", _kinds(_col(doubtful, "kind"), info), "first"),
        (mark("Mean error"), "", _numbers(_col(doubtful, "bias"), info, 2), "number"),
        (mark("Standard error"), "", _numbers(_col(doubtful, "se"), info, 2), "number"),
        (mark("In short"), "", [said(str(text), info) for text in _col(doubtful, "says")], ""),
    ], mark("No cultivar, laboratory or block leans to one side by more than twice its standard error."),
        info)  # fmt: skip
    ranges = _shown(mark("Memory: what past misses make of the ranges now"), [
        (mark("Forecast"), "", _kinds(_col(memory, "kind"), info), "name"),
        (mark("Ahead"), mark("weeks"), _numbers(_col(memory, "lead_weeks"), info), "number"),
        (mark("Samples"), "", _numbers(_col(memory, "cases_n"), info), "number"),
        (mark("Inside before"), "%", _numbers(100 * _col(memory, "inside_before"), info), "number"),
        (mark("Range times"), "", _numbers(_col(memory, "factor"), info, 2), "number"),
        (mark("Inside after"), "%", _numbers(100 * _col(memory, "inside_after"), info), "number"),
        (mark("Range now, before"), mark("points"), _widths(past, "before", info), "number"),
        (mark("Range now, after"), mark("points"), _widths(past, "after", info), "number"),
    ], mark("No later sample tells how good the ranges were."), info)  # fmt: skip
    return decisions, tickets, lean, ranges


def _widths(past: Hindcast, side: str, info: Info) -> list[str]:
    """Half the range of dry oil in the days ahead, mean of the blocks, for each row of the memory; "" for others."""
    half = (past.ranges[f"{side}_p90_pct"] - past.ranges[f"{side}_p10_pct"]) / 2 if len(past.ranges) else None
    mean = {} if half is None else half.groupby(past.ranges["lead_weeks"]).mean().to_dict()
    rows = zip(_col(past.memory, "kind"), _col(past.memory, "lead_weeks"), strict=True)
    found = [mean.get(int(lead)) if kind == "oil_dry_pct" else None for kind, lead in rows]
    return ["" if value is None else f"±{number_text(value, info, 1)}" for value in found]


def points(past: Hindcast, skill: pd.DataFrame, info: Info) -> tuple[tuple[str, str, DisplayTable], ...]:
    """What the replay shows besides its answer: a sentence, the line that opens its table, the table.

    Parameters
    ----------
    past : Hindcast
    skill : DataFrame
        Of `olivetime.weather.fetched.season_skill`.
    info : mapping
        locale, currency and units.
    """
    decisions, tickets, lean, ranges = replay_tables(past, info)
    by_lead = lookback_tables(past, info)[0]
    outlooks = outlook_skill_table(skill, info)
    return (
        (decisions_line(past, info), mark("Each week's orders, and what they were worth"), decisions),
        (yields_line(past, info), mark("Each ticket"), tickets),
        (lean_line(past, info), mark("The forecasts that lean"), lean),
        (ranges_line(past, info), mark("Each range, before and after"), ranges),
        (outlooks_line(skill, info), mark("Each outlook, by days ahead"), outlooks),
        (leads_line(past, info), mark("Each forecast, by weeks ahead"), by_lead),
    )
