"""Tables of the lookback beyond forecasts and orders: decisions, yields, bias, memory; and a season's lessons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from olivetime.report.sheet import LOOKBACK_WORDS, DisplayTable
from olivetime.words import day_text, money_text, number_text

if TYPE_CHECKING:
    import pandas as pd

    from olivetime.harvest.hindcast import Hindcast
    from olivetime.harvest.lessons import Lessons

MOST_LEANING = 10  # rows of the table of leaning forecasts: the surest ones; the rest stand in `Hindcast.bias`
Cells = tuple[str, str, Iterable[str], str]


def _shown(caption: str, columns: list[Cells], empty: str) -> DisplayTable:
    """Table from (heading, unit, cells, place) columns; numbers are set right."""
    headings, units, cells, places = zip(*columns, strict=True)
    return DisplayTable(
        caption=caption,
        headings=headings,
        units=units,
        rows=tuple(zip(*map(tuple, cells), strict=True)),
        align=tuple("right" if "number" in p else "left" for p in places),
        places=tuple(p.replace("number", "").strip() for p in places),
        empty=empty,
    )


def _money(values: Iterable[Any], info: Mapping[str, Any]) -> list[str]:
    return [money_text(v, info) for v in values]


def _numbers(values: Iterable[Any], info: Mapping[str, Any], digits: int = 0) -> list[str]:
    return [number_text(v, info, digits) for v in values]


def _days(values: Iterable[Any], info: Mapping[str, Any]) -> list[str]:
    return [day_text(v, info, "yMMMd") for v in values]


def replay_tables(past: Hindcast, info: Mapping[str, Any]) -> tuple[DisplayTable, ...]:
    """Decisions, industrial yields, bias and memory of the replayed weeks.

    Parameters
    ----------
    past : Hindcast
    info : mapping
        locale and currency.
    """
    chosen, bias, memory = past.decisions, past.bias, past.memory
    # A ticket is told in every earlier week; the newest telling is what the mill would have gone by.
    yields = past.yields
    if len(yields):
        yields = yields.sort_values("as_of", kind="stable").drop_duplicates("ticket_id", keep="last")
    doubtful = bias
    if len(bias):
        doubtful = bias[bias["says"].isin(["told too high", "told too low"])]
        surest = (doubtful["bias"] / doubtful["se"]).abs().sort_values(ascending=False, kind="stable").index
        doubtful = doubtful.loc[surest[:MOST_LEANING]]
    words = {"cultivar": "Cultivar", "lab": "Laboratory", "block_id": "Block"}
    decisions = _shown("What was picked against other orders, in the weather that came", [
        ("Order", "", [f"{d}: {o}" for d, o in zip(_days(_col(chosen, "as_of"), info), _col(chosen, "order"),
                                                   strict=True)], "name"),
        ("Worth more than what was picked", "", _money(_col(chosen, "difference"), info), "when number"),
        ("8 in 10 between", "", [f"{a} and {b}" for a, b in zip(_money(_col(chosen, "difference_p10"), info),
                                                               _money(_col(chosen, "difference_p90"), info),
                                                               strict=True)], ""),
        ("In short", "", list(_col(chosen, "says")), "first"),
    ], "No ticket was written in the replayed weeks.")  # fmt: skip
    tickets = _shown("Oil that the mill got out against what was expected", [
        ("Ticket", "", [f"{t}, told {d}" for t, d in zip(_col(yields, "ticket_id"), _days(_col(yields, "as_of"), info),
                                                         strict=True)], "name"),
        ("Expected", "%", _numbers(_col(yields, "p50"), info, 1), "number"),
        ("Got out", "%", _numbers(_col(yields, "observed"), info, 1), "number"),
        ("Miss", "points", _numbers(_col(yields, "error"), info, 1), "number"),
        ("Within 1 point", "", ["yes" if v else "no" for v in _col(yields, "within_1_point")], "first"),
    ], "No ticket of the replayed weeks tells the oil got out.")  # fmt: skip
    lean = _shown("Forecasts that lean to one side", [
        ("Who", "", [f"{words[b]} {n}" for b, n in zip(_col(doubtful, "by"), _col(doubtful, "name"), strict=True)],
         "name"),
        ("Forecast", "", [LOOKBACK_WORDS.get(k, k) for k in _col(doubtful, "kind")], "first"),
        ("Mean miss", "", _numbers(_col(doubtful, "bias"), info, 2), "number"),
        ("Standard error", "", _numbers(_col(doubtful, "se"), info, 2), "number"),
        ("In short", "", list(_col(doubtful, "says")), ""),
    ], "No cultivar, laboratory or block leans to one side by more than twice its standard error.")  # fmt: skip
    ranges = _shown("Memory: what past misses make of the ranges now", [
        ("Forecast", "", [LOOKBACK_WORDS.get(k, k) for k in _col(memory, "kind")], "name"),
        ("Ahead", "weeks", _numbers(_col(memory, "lead_weeks"), info), "number"),
        ("Samples", "", _numbers(_col(memory, "cases_n"), info), "number"),
        ("Inside before", "%", _numbers(100 * _col(memory, "inside_before"), info), "number"),
        ("Range times", "", _numbers(_col(memory, "factor"), info, 2), "number"),
        ("Inside after", "%", _numbers(100 * _col(memory, "inside_after"), info), "number"),
    ], "No later sample tells how good the ranges were.")  # fmt: skip
    return decisions, tickets, lean, ranges


def _col(frame: pd.DataFrame, name: str) -> Any:
    """Column as an array, empty when the table has no rows."""
    return frame[name].to_numpy() if len(frame) else frame.index.to_numpy(dtype=float)[:0]


def season_taught(learned: Lessons, info: Mapping[str, Any], blocks: pd.DataFrame) -> tuple[str | DisplayTable, ...]:
    """Part of the page for a season that is over; empty while it goes on.

    Parameters
    ----------
    learned : Lessons
    info : mapping
        locale and currency.
    blocks : DataFrame
        block_id, block_name.
    """
    if not learned.over:
        return ()
    names = dict(zip(blocks["block_id"], blocks["block_name"], strict=True))
    return f"<h2>What the season taught</h2><p>{escape(learned.says)}</p>", *lesson_tables(learned, info, names)


def lesson_tables(learned: Lessons, info: Mapping[str, Any], names: Mapping[str, str]) -> tuple[DisplayTable, ...]:
    """A season's lessons: cultivars, blocks that differ, extraction, waiting.

    Parameters
    ----------
    learned : Lessons
    info : mapping
        locale and currency.
    names : mapping of block_id to name
    """
    curves, extraction, waiting = learned.curves, learned.extraction, learned.waiting
    blocks = learned.blocks[learned.blocks["says"].isin(["higher", "lower"])]
    return (
        _shown("Cultivars, to carry into the next season", [
            ("Cultivar", "", list(_col(curves, "cultivar")), "name"),
            ("Plateau, dry oil", "%", _numbers(_col(curves, "plateau_dry_pct"), info, 1), "when number"),
            ("Half of it reached", "", _days(_col(curves, "half_on"), info), "first"),
            ("Moisture at the last samples", "%", _numbers(_col(curves, "fruit_moisture_pct"), info, 1), "number"),
            ("Samples", "", _numbers(_col(curves, "samples_n"), info), "number"),
        ], "Nothing was sampled."),
        _shown("Blocks that differ from their cultivar", [
            ("Block", "", [names.get(b, b) for b in _col(blocks, "block_id")], "name"),
            ("Plateau against the cultivar's", "points", _numbers(_col(blocks, "plateau_offset_pct"), info, 1),
             "when number"),
            ("In short", "", list(_col(blocks, "says")), "first"),
        ], "No block can be told apart from its cultivar."),
        _shown("Oil got out of the fruit", [
            ("Cultivar", "", list(_col(extraction, "cultivar")), "name"),
            ("Got out", "%", _numbers(_col(extraction, "oil_out_pct"), info, 1), "number"),
            ("Expected of its fat", "%", _numbers(_col(extraction, "expected_pct"), info, 1), "number"),
            ("Tickets", "", _numbers(_col(extraction, "tickets_n"), info), "number"),
        ], "No ticket tells both the fat and the oil got out."),
        _shown("What waiting would have done, in the weather that came", [
            ("Block", "", [names.get(b, b) for b in _col(waiting, "block_id")], "name"),
            ("Picked", "", _days(_col(waiting, "picked_on"), info), "first"),
            ("A week later, per ha", "", _money(_col(waiting, "gain_7_ha"), info), "number"),
            ("Two weeks later, per ha", "", _money(_col(waiting, "gain_14_ha"), info), "number"),
            ("Lost against its best day, per ha", "", _money(_col(waiting, "lost_ha"), info), "number"),
        ], "Nothing was picked."),
    )  # fmt: skip
