"""Pictures of the order: calendar, mill load, block map, value by date, rules. Each draws finished tables on an `ax`.

A picture's `alt_...` function says the same finding in words, from the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from olivetime.languages import mark, said, say, say_count
from olivetime.report.canvas import (
    BLOCKS_A_PAGE,
    BODY,
    COLD_INK,
    DAY_STEPS,
    FOOT,
    GRID,
    INK,
    KEY_LINE,
    LEAF,
    LEFT,
    OCHRE,
    PALE,
    PANEL_H,
    PHONE_IN,
    RAIN,
    RAIN_INK,
    SMALL,
    SOFT,
    WARN,
    WIDE_IN,
    Panels,
    Style,
    as_of_number,
    block_pages,
    chosen_blocks,
    cultivar_style,
    day_number,
    draw_boxes,
    draw_day_axis,
    draw_frame,
    draw_head,
    draw_key,
    draw_lines,
    draw_marks,
    draw_nothing,
    draw_panel_head,
    draw_path,
    drawable,
    fit_text,
    head_height,
    is_picked,
    is_true,
    key_rows,
    lay_sheet,
    listed,
    nice_ticks,
    order_of,
    own_look,
    panel_grid,
    rank_text,
    rect,
    scale,
    stage_of,
    text_width,
    wrap_text,
    write,
)
from olivetime.report.tables import (
    FROST_WORTH_SAYING,
    RAIN_LIKELY,
    Week,
    map_shapes,
    map_tiles,
    planned,
    target_text,
    when_text,
    worth_sampling,
)
from olivetime.words import chance_text, count_text, day_text, days_text, display_unit, money_text, number_text

SAMPLES_SHOWN = 5  # blocks marked on the map as the next to sample; our choice


# ---------------------------------------------------------------------------------------------------------
# Harvest calendar
CALENDAR_ROWS = 6  # so many blocks are always in the calendar, however late they are picked; our choice


def _calendar_days(week: Week, days: int) -> int:
    """Days that the calendar shows: more, in whole weeks, until the first `CALENDAR_ROWS` blocks stand in it.

    A grower whose turn comes late would otherwise find an empty picture.
    """
    first = planned(week)["start_at"].dropna().sort_values().head(CALENDAR_ROWS)
    if first.empty:
        return days
    ahead = (first.iloc[-1] - pd.Timestamp(week.info["as_of"])) / pd.Timedelta(days=1)
    return max(days, 7 * (math.floor(ahead / 7) + 1))


def _calendar_rows(week: Week, days: int, most: int) -> tuple[list[tuple[str, list[dict[str, Any]]]], int]:
    """Rows by harvester, and the number of planned blocks that the calendar leaves out."""
    rows = planned(week)
    rows = rows[rows["start_at"].notna()].sort_values(["start_at", "rank"], kind="stable")
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    shown = rows[rows["start_at"] < end].head(most)
    groups = [(str(h), part.to_dict("records")) for h, part in shown.groupby("harvester_id", sort=True)]
    return groups, len(rows) - len(shown)


def _spans(week: Week, column: str, chance: float, days: int) -> list[tuple[float, float, float]]:
    """Runs of coming days whose chance is reached at the main station: first, end [day numbers], largest chance."""
    today = as_of_number(week)
    rows = week.weather[
        (week.weather["station_id"] == week.info["main_station"]) & ~week.weather["measured"].astype(bool)
    ]
    runs: list[tuple[float, float, float]] = []
    for day, value in zip(day_number(rows["day"]), rows[column].astype(float), strict=True):
        if not (today <= day < today + days) or not value >= chance:
            continue
        if runs and runs[-1][1] == day:
            runs[-1] = (runs[-1][0], day + 1, max(runs[-1][2], value))
        else:
            runs.append((float(day), float(day) + 1, float(value)))
    return runs


def _calendar_items(week: Week, groups: Sequence[tuple[str, list[dict[str, Any]]]], days: int) -> list[tuple[str, str]]:
    stage = stage_of(week)
    used = sorted({(int(stage[r["block_id"]]["style_index"]), r["cultivar"]) for _, rows in groups for r in rows})
    items = [(f"style {i}", str(c)) for i, c in used] + [
        ("window", say("good days", week.info)),
        ("diamond", say("best day", week.info)),
    ]
    if _spans(week, "rain_chance", RAIN_LIKELY, days):
        items.append(("rain", say("rain likely", week.info)))
    if _spans(week, "frost_chance", FROST_WORTH_SAYING, days):
        items.append(("frost", say("frost risk", week.info)))
    return items


def finding_calendar(week: Week) -> str:
    """What the calendar shows, in a sentence."""
    rows, info = planned(week), week.info
    if rows.empty:
        return say("No picking is planned", info)
    first = rows.iloc[0]
    late, early = (int(rows["flags"].astype(str).str.contains(word).sum()) for word in ("late", "early"))
    off = [say_count("{n} block late", "{n} blocks late", late, info)] if late else []
    off += [say_count("{n} block early", "{n} blocks early", early, info)] if early else []
    tail = listed(off, info) if off else say("every block in its good days", info)
    if first["status"] == "picking":
        opening = say("Finish {block} first", info, block=first["block_name"])
    else:
        when = when_text(first.to_dict(), week)
        opening = say("Pick {block} first, {when}", info, block=first["block_name"], when=when)
    return f"{opening}; {tail}"


def alt_calendar(week: Week, *, days: int = 21, most: int = 24) -> str:
    """Alternative text of `calendar`."""
    days = _calendar_days(week, days)
    groups, left = _calendar_rows(week, days, most)
    says = []
    for harvester, rows in groups:
        blocks = [f"{r['block_name']} {days_text(r['start_at'], r['end_at'], week.info)}" for r in rows]
        says.append(
            say("{harvester} picks {blocks}", week.info, harvester=harvester, blocks=listed(blocks, week.info, 8))
        )
    for column, chance, word in (
        ("rain_chance", RAIN_LIKELY, mark("Rain is likely {dates}")),
        ("frost_chance", FROST_WORTH_SAYING, mark("Frost may come {dates}")),
    ):
        runs = [
            days_text(pd.Timestamp(a, unit="D"), pd.Timestamp(b - 1, unit="D"), week.info)
            for a, b, _ in _spans(week, column, chance, days)
        ]
        if runs:
            says.append(say(word, week.info, dates=listed(runs, week.info)))
    if left:
        says.append(say_count("{n} more block later", "{n} more blocks later", left, week.info))
    return f"{finding_calendar(week)}. " + ". ".join(says) + ("." if says else "")


def _calendar_pitch(n: int) -> float:
    return 26.0 if n <= 10 else 22.0


def calendar_size(week: Week, wide: bool, *, days: int = 21, most: int = 24) -> tuple[float, float]:
    """Width and height that suit `calendar` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    days = _calendar_days(week, days)
    groups, left = _calendar_rows(week, days, most)
    n = sum(len(rows) for _, rows in groups)
    height = head_height(week, finding_calendar(week), [], width) + KEY_LINE * len(
        key_rows(_calendar_items(week, groups, days), width)
    )
    height += 22 + n * _calendar_pitch(n) + 15 * len(groups) * (len(groups) > 1) + 20 + (14 if left else 0)
    return width / 72, max(height, 90) / 72


@own_look
def calendar(week: Week, ax: Axes, *, days: int = 21, most: int = 24) -> Axes:
    """Planned picking by harvester, with each block's good days under its bar, rain and frost behind.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many days ahead [d]; more where the first blocks are picked later than that.
    most : int
        At most this many blocks; the picture says how many it leaves out.
    """
    width, _ = lay_sheet(ax)
    days = _calendar_days(week, days)
    groups, left = _calendar_rows(week, days, most)
    if not groups:
        return draw_nothing(ax, week, width, finding_calendar(week))
    top = draw_head(ax, week, width, finding_calendar(week))
    top = draw_key(ax, top, width, _calendar_items(week, groups, days)) + 13
    n = sum(len(rows) for _, rows in groups)
    pitch = _calendar_pitch(n)
    bottom = top + 6 + n * pitch + 15 * len(groups) * (len(groups) > 1)
    today = as_of_number(week)
    x = scale(today, today + days, 2, width - 2)
    draw_lines(
        ax,
        [[(float(x(today + d)), top), (float(x(today + d)), bottom)] for d in range(days + 1) if d % 7],
        color="#eef1f3",
        width=0.6,
        z=0,
    )
    draw_lines(
        ax,
        [[(float(x(today + d)), top), (float(x(today + d)), bottom)] for d in range(0, days + 1, 7)],
        color=GRID,
        z=1,
    )
    taken = -math.inf
    for column, chance, word, ink in (
        ("rain_chance", RAIN_LIKELY, mark("rain"), RAIN_INK),
        ("frost_chance", FROST_WORTH_SAYING, mark("frost"), COLD_INK),
    ):
        for a, b, most_likely in _spans(week, column, chance, days):
            box = rect(float(x(a)), top, float(x(b)), bottom)
            if word == "rain":
                draw_boxes(ax, [box], RAIN, z=0.5)
            else:
                draw_boxes(ax, [box], "none", hatch="xx", hatch_color="#a9bfe0", z=0.6)
            words = f"{say(word, week.info)} {chance_text(most_likely, week.info)}"
            half = text_width(words, SMALL, bold=True) / 2
            middle = min(max(float(x((a + b) / 2)), half + 2), width - half - 4)  # drawn words may be a little wider
            at = max(middle, taken + half)  # a label may give way, but not so far that it stands over other days
            if at - middle < 24 and at + half <= width - 4:
                write(ax, at, top - 4, words, size=SMALL, color=ink, bold=True, ha="center")
                taken = at + half + 4
    stage, y = stage_of(week), top + 6
    for harvester, rows in groups:
        if len(groups) > 1:
            write(
                ax,
                2,
                y + 10,
                fit_text(say("Harvester {name}", week.info, name=drawable(harvester)), SMALL, width),
                size=SMALL,
                color=SOFT,
                halo=True,
            )
            y += 15
        for row in rows:
            _calendar_row(
                ax, week, row, cultivar_style(stage[row["block_id"]]["style_index"]), x, y, width, today, days
            )
            y += pitch
    draw_lines(ax, [[(2, bottom), (width - 2, bottom)]], color=SOFT, width=0.9, z=4)
    draw_day_axis(ax, week, x, today, today + days, bottom, every="week", room=width - 2)
    if left:
        later = say_count("{n} more block later", "{n} more blocks later", left, week.info)
        write(ax, 2, bottom + 28, later, size=SMALL, color=SOFT)
    return ax


def _calendar_row(
    ax: Axes,
    week: Week,
    row: Mapping[str, Any],
    style: Style,
    x: Callable[[Any], Any],
    y: float,
    width: float,
    today: float,
    days: int,
) -> None:
    start, end, good_from, good_to, best = day_number(
        [row[k] for k in ("start_at", "end_at", "good_from", "good_to", "best_on")]
    )
    last = today + days
    a, b = float(x(max(start, today))), float(x(min(end, last)))
    b = max(b, a + 3)
    draw_boxes(ax, [rect(a, y, b, y + 9)], style.fill, hatch=style.hatch)
    if np.isfinite(good_from) and good_from < last:
        g0, g1 = float(x(max(good_from, today))), float(x(min(good_to + 1, last)))
        draw_lines(ax, [[(g0, y + 13.5), (g1, y + 13.5)]], color=PALE, width=2.4, z=2)
    if np.isfinite(best) and today <= best < last:
        draw_marks(ax, [float(x(best + 0.5))], [y + 13.5], "D", size=4.2)
    crop = display_unit(week.info, "crop")
    unit = "t" if week.info["units"] == "metric" else say("tons", week.info)
    flags = str(row["flags"])
    sign = "  ▲ " + say("late", week.info) if "late" in flags else ""
    sign = sign or ("  ▼ " + say("early", week.info) if "early" in flags else "")
    name = f"{row['rank']:.0f} {drawable(row['block_name'], row['block_id'])}"
    bold = row["rank"] == 1
    amount = f" · {number_text(crop.of(row['crop_t']), week.info, 0)} {unit}"
    right, before = width - 2 - (b + 5), a - 5
    # Say less before the name is cut: first the word beside the sign goes, then the amount.
    for tail in (amount + sign, amount + sign[:3], sign[:3]):
        if text_width(name + tail, BODY, bold=bold) <= max(right, before):
            break
    need = text_width(name + tail, BODY, bold=bold)
    on_right = need <= right or right >= before
    room = max(right if on_right else before, 40) - text_width(tail, BODY, bold=bold)
    text = fit_text(name, BODY, room, bold=bold) + tail
    write(ax, b + 5 if on_right else a - 5, y + 8, text, bold=bold, ha="left" if on_right else "right", halo=True)


# ---------------------------------------------------------------------------------------------------------
# Mill load
OVER = 1.005  # a day is over the mill's limit from half a per cent on: below, it is rounding


def _mill_days(week: Week, days: int) -> pd.DataFrame:
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    return week.mill[(week.mill["day"] >= pd.Timestamp(week.info["as_of"])) & (week.mill["day"] < end)]


def _mill_totals(week: Week, days: int) -> pd.DataFrame:
    """day, crop_t, limit_t: what the mill gets on each day and can take."""
    rows = _mill_days(week, days)
    return rows.groupby("day", as_index=False).agg(crop_t=("crop_t", "sum"), limit_t=("limit_t", "max"))


def finding_mill_load(week: Week, *, days: int = 21) -> str:
    """What the mill load shows, in a sentence."""
    totals = _mill_totals(week, days)
    if totals.empty or not (totals["crop_t"] > 0).any():
        return say("No fruit goes to the mill in these days", week.info)
    over = totals[totals["crop_t"] > totals["limit_t"] * OVER]
    full = totals[(totals["crop_t"] >= totals["limit_t"] * 0.95) & (totals["limit_t"] > 0)]
    crop, info = display_unit(week.info, "crop"), week.info
    peak = totals.loc[totals["crop_t"].idxmax()]
    if len(over):
        peak = over.loc[(over["crop_t"] - over["limit_t"]).idxmax()]
    amount, limit = (number_text(crop.of(peak[name]), info) for name in ("crop_t", "limit_t"))
    parts = {"day": day_text(peak["day"], info), "amount": f"{amount} {crop.label}", "limit": f"{limit} {crop.label}"}
    top = say("most on {day}: {amount}", info, **parts)
    if len(over):
        message = mark("by most on {day}: {amount}, and it takes {limit}")
        if not peak["limit_t"] > 0:
            message = mark("by most on {day}, when it is closed: {amount}")
        top = say(message, info, **parts)
        first = say("Mill over its limit on {days}", info, days=count_text(len(over), "day", info=info))
    elif len(full):
        first = say("Mill full on {days}", info, days=count_text(len(full), "day", info=info))
    else:
        first = say("The mill has room every day", info)
    return f"{first}; {top}"


def alt_mill_load(week: Week, *, days: int = 21) -> str:
    """Alternative text of `mill_load`."""
    totals, crop = _mill_totals(week, days), display_unit(week.info, "crop")
    busy = totals[totals["crop_t"] > 0]
    info = week.info
    says = [
        say(
            "{day} {amount} of {limit}",
            info,
            day=day_text(r.day, info),
            amount=number_text(crop.of(r.crop_t), info),
            limit=number_text(crop.of(r.limit_t), info) or say("no limit", info),
        )
        for r in busy.itertuples()
    ]
    days_said = listed(says, info, 10) or say("none", info)
    told = say("Fruit and limit in {unit} by day: {days}.", info, unit=crop.label, days=days_said)
    return f"{finding_mill_load(week, days=days)}. {told}"


def mill_load_size(week: Week, wide: bool, *, days: int = 21) -> tuple[float, float]:
    """Width and height that suit `mill_load` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    key = KEY_LINE * len(key_rows(_mill_items(week, days), width))
    return width / 72, (
        head_height(week, finding_mill_load(week, days=days), [_mill_sub(week)], width) + key + 130 + 24
    ) / 72


def _mill_sub(week: Week) -> str:
    unit = display_unit(week.info, "crop").label
    return say("Fruit to the mill, {unit} a day, mean of the scenarios.", week.info, unit=unit)


def _mill_items(week: Week, days: int) -> list[tuple[str, str]]:
    rows = _mill_days(week, days)
    rows = rows[rows["crop_t"] > 0]
    lots = sorted(
        {
            (int(i) if not pd.isna(i) else 0, str(c), is_true(o))
            for i, c, o in zip(rows["style_index"], rows["cultivar"], rows["organic"], strict=True)
        }
    )
    items = [(f"style {i}", c) for i, c in dict.fromkeys((i, c) for i, c, _ in lots)] + [
        ("limit", say("mill limit", week.info))
    ]
    return items + ([("organic", say("organic, kept apart", week.info))] if any(o for *_, o in lots) else [])


@own_look
def mill_load(week: Week, ax: Axes, *, days: int = 21) -> Axes:
    """Fruit to the mill by day and lot, against what the mill can take.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many days ahead [d].
    """
    width, height = lay_sheet(ax)
    rows = _mill_days(week, days)
    if not (rows["crop_t"] > 0).any():
        return draw_nothing(ax, week, width, finding_mill_load(week, days=days))
    crop = display_unit(week.info, "crop")
    top = draw_head(ax, week, width, finding_mill_load(week, days=days), [_mill_sub(week)])
    top = draw_key(ax, top, width, _mill_items(week, days)) + 12
    bottom, today = height - 18, as_of_number(week)
    totals = _mill_totals(week, days)
    busy = day_number(totals.loc[totals["crop_t"] > 0, "day"])
    days = int(min(days, max(busy.max() - today + 2, 10)))  # no empty half when the picking ends early
    totals = totals[day_number(totals["day"]) < today + days]
    limits = totals["limit_t"][np.isfinite(totals["limit_t"].astype(float))]  # no limit is no line
    high = float(crop.of(max(totals["crop_t"].max(), limits.max() if len(limits) else 0.0))) * 1.05
    left = 8 + text_width(number_text(high, week.info), SMALL)
    x, y = scale(today, today + days, left, width), scale(0, high, bottom, top)
    draw_frame(ax, week, (left, width, top, bottom), y, nice_ticks(0, high, 5), labels=True)
    piled: dict[float, float] = {}
    bars: dict[int, list[Any]] = {}
    organic: list[Any] = []
    pieces = (
        rows[rows["crop_t"] > 0]
        .groupby(["day", "style_index", "organic"], as_index=False, dropna=False)["crop_t"]
        .sum()
    )
    for row in pieces.itertuples():
        day, amount = float(day_number(row.day)), float(crop.of(row.crop_t))
        base = piled.get(day, 0.0)
        box = rect(float(x(day + 0.08)), float(y(base)), float(x(day + 0.92)), float(y(base + amount)))
        bars.setdefault(0 if pd.isna(row.style_index) else int(row.style_index), []).append(box)
        if is_true(row.organic):
            (ax0, ay0), (ax1, ay1) = box[0], box[2]
            organic.append(rect(ax0 + 0.8, ay0 - 0.8, ax1 - 0.8, ay1 + 0.8))
        piled[day] = base + amount
    for index, boxes in bars.items():
        style = cultivar_style(index)
        draw_boxes(ax, boxes, style.fill, hatch=style.hatch, edge="white", width=0.6)
    draw_boxes(ax, organic, "none", edge=OCHRE, width=1.6, z=3)
    day, limit = day_number(totals["day"]), crop.of(totals["limit_t"].to_numpy(dtype=float))
    steps: list[list[tuple[float, float]]] = []
    for d, v in zip(day[np.isfinite(limit)], limit[np.isfinite(limit)], strict=True):
        a, b, level = float(x(d)), float(x(d + 1)), float(y(v))
        if steps and steps[-1][1] == (a, level):
            steps[-1][1] = (b, level)
        else:
            steps.append([(a, level), (b, level)])
    draw_lines(ax, steps, color="white", width=3.6, z=4)
    draw_lines(ax, steps, color=INK, width=1.8, z=4)
    amounts = crop.of(totals["crop_t"].to_numpy(dtype=float))
    taken: list[float] = []
    for k in np.argsort(limit - amounts, kind="stable"):  # the worst day is named before its neighbours
        at, said = float(x(day[k] + 0.5)), number_text(amounts[k], week.info)
        half = text_width(said, SMALL, bold=True) / 2
        if limit[k] > 0 and amounts[k] > limit[k] * OVER and all(abs(at - t) > 2 * half + 2 for t in taken):
            write(
                ax,
                min(at, width - half),
                float(y(amounts[k])) - 3,
                said,
                size=SMALL,
                color=WARN,
                bold=True,
                ha="center",
                halo=True,
            )
            taken.append(at)
        elif limit[k] <= 0 and float(x(1) - x(0)) > 9:
            foot = float(y(amounts[k])) - 3  # above what comes on that day all the same
            ink = WARN if amounts[k] > 0 else SOFT
            write(ax, at, foot, say("closed", week.info), size=SMALL, color=ink, ha="center", turn=90, halo=True)
    draw_day_axis(ax, week, x, today, today + days, bottom, every="week", room=width - left)
    return ax


# ---------------------------------------------------------------------------------------------------------
# Block map
def day_step(days: Any, verdict: Any) -> int | None:
    """Index into `DAY_STEPS` of a block that is `days` away from its target; None when it has no date."""
    if verdict == "reached":
        return 0
    if verdict not in ("not yet", "may never") or pd.isna(days):
        return None
    return next(i for i, (_, most, *_) in enumerate(DAY_STEPS) if float(days) <= most and (i > 0 or float(days) < 0))


def _days_words(row: Mapping[str, Any], order: Mapping[str, Any] | None, info: Mapping[str, Any]) -> str:
    if is_picked(order):
        return say("picked", info)
    if row["verdict"] == "reached":
        days = row["days_p50"]
        return say("{n} d over", info, n=round(-days)) if not pd.isna(days) and days <= -1 else say("ready", info)
    if row["verdict"] == "never":
        return say("never", info)
    if pd.isna(row["days_p50"]):
        return say("no date", info)
    return say("{n} d", info, n=round(max(float(row["days_p50"]), 0)))


def finding_block_map(week: Week) -> str:
    """What the block map shows, in a sentence."""
    order = order_of(week)
    steps = [
        day_step(r["days_p50"], r["verdict"])
        for r in week.stage.to_dict("records")
        if not is_picked(order.get(r["block_id"]))
    ]
    ready, soon = sum(s == 0 for s in steps), sum(s in (1, 2) for s in steps)
    if not ready and not soon:
        return say("No block reaches its target within a week", week.info)
    if not ready:
        return say_count("{n} block within a week of target", "{n} blocks within a week of target", soon, week.info)
    return say_count(
        "{n} block at target, {soon} more within a week",
        "{n} blocks at target, {soon} more within a week",
        ready,
        week.info,
        soon=soon,
    )


def alt_block_map(week: Week) -> str:
    """Alternative text of `block_map`."""
    says, order = [], order_of(week)
    for ranch, rows in week.stage.groupby("ranch", sort=True):
        blocks = [
            f"{r['block_name']} {_days_words(r, order.get(r['block_id']), week.info)}"
            for r in rows.sort_values("days_p50").to_dict("records")
        ]
        says.append(f"{ranch}: {listed(blocks, week.info, 8)}")
    told = say("Days to target ({target}) by ranch.", week.info, target=target_text(week))
    names = {b: row["block_name"] for b, row in stage_of(week).items()}
    wanted = [str(names.get(b, b)) for b in _to_sample(week)]
    more = f" Sample next: {listed(wanted, week.info)}." if wanted else ""
    return f"{finding_block_map(week)}. {told} {'. '.join(says)}.{more}"


def _map_area(week: Week, wide: bool) -> tuple[float, float]:
    n = len(week.stage)
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width, min(max(n * 3300 / width + 16 * week.stage["ranch"].nunique() ** 0.5, 150), 760)


def block_map_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `block_map` [inches]."""
    width, tiles = _map_area(week, wide)
    return width / 72, (head_height(week, finding_block_map(week), [_map_sub(week)], width) + tiles + 30) / 72


def _map_sub(week: Week) -> str:
    if set(week.stage["block_id"]) <= set(week.outlines["block_id"]):
        message = mark(
            "Days to target: {target}. North is up; each ranch at its own scale, small blocks as rectangles."
        )
    else:
        message = mark(
            "Days to target: {target}. A sketch: north is up, larger blocks are larger, roads and shapes are left out."
        )
    told = say(message, week.info, target=target_text(week))
    return f"{told} {say('Thick edge: sample next.', week.info)}" if len(_to_sample(week)) else told


def _to_sample(week: Week) -> list[Any]:
    """Blocks at the head of the list of samples to take, those that gain nothing left out."""
    return worth_sampling(week)["block_id"].head(SAMPLES_SHOWN).tolist()


@own_look
def block_map(week: Week, ax: Axes) -> Axes:
    """Map of the blocks by ranch, coloured by days to target, the number printed in each.

    Ranches all of whose blocks have an outline show the outlines; the others are a sketch of rectangles.

    Parameters
    ----------
    week : Week
        `olivetime.report.tables.map_tiles` makes the sketch from the blocks' places and areas, `map_shapes` places
        the outlines.
    ax : Axes
    """
    width, height = lay_sheet(ax)
    if week.stage.empty:
        return draw_nothing(ax, week, width, say("No blocks to draw.", week.info))
    top = draw_head(ax, week, width, finding_block_map(week), [_map_sub(week)])
    blocks, ranches = map_tiles(week.stage, width, height - top - 26)
    shapes, rooms = map_shapes(week.outlines, week.stage, ranches)
    blocks = pd.concat([blocks[~blocks["block_id"].isin(set(shapes))], rooms], ignore_index=True)
    stage, order = stage_of(week), order_of(week)
    for row in ranches.itertuples():
        room = row.x1 - row.x0
        write(ax, row.x0 + 1, top + row.y0 + 9.5, fit_text(drawable(row.ranch), SMALL, room), size=SMALL, color=SOFT)
    tiles: dict[int | str, list[Any]] = {}
    for row in blocks.itertuples():
        kind, ink = _tile_kind(stage[row.block_id], order.get(row.block_id))
        box = (row.x0, row.x1, top + row.y0, top + row.y1)
        tiles.setdefault(kind, []).extend(_edges(row, shapes, top))
        _tile_words(ax, week, stage[row.block_id], order.get(row.block_id), ink, box, halo=kind == "no date")
    for kind, boxes in tiles.items():
        if isinstance(kind, int):
            edge = "white" if shapes else "none"
            draw_boxes(ax, boxes, DAY_STEPS[kind][2], edge=SOFT if kind == 4 else edge, width=0.8)
        else:
            draw_boxes(
                ax,
                boxes,
                "white",
                hatch="////" if kind == "no date" else "",
                hatch_color="#d5dadd",
                edge=SOFT,
                width=0.8,
            )
    wanted = blocks[blocks["block_id"].isin(_to_sample(week))]
    edges = [edge for row in wanted.itertuples() for edge in _edges(row, shapes, top, inset=1)]
    if edges:
        draw_boxes(ax, edges, "none", edge=INK, width=2.2)
    _steps_key(ax, week, width, height - 20, "no date" in tiles)
    return ax


def _edges(row: Any, shapes: Mapping[str, list[np.ndarray]], top: float, inset: float = 0) -> list[Any]:
    """Polygons of a block: its outline, or its rectangle in the sketch."""
    if row.block_id in shapes:
        return [np.add(ring, (0.0, top)) for ring in shapes[row.block_id]]
    return [rect(row.x0 + inset, top + row.y0 + inset, row.x1 - inset, top + row.y1 - inset)]


def _tile_kind(stage: Mapping[str, Any], order: Mapping[str, Any] | None) -> tuple[int | str, str]:
    """Step of `DAY_STEPS`, "picked" or "no date", and the ink that stands out on it."""
    if is_picked(order):
        return "picked", SOFT
    step = day_step(stage["days_p50"], stage["verdict"])
    return ("no date", INK) if step is None else (step, DAY_STEPS[step][3])


def _tile_words(
    ax: Axes,
    week: Week,
    stage: Mapping[str, Any],
    order: Mapping[str, Any] | None,
    ink: str,
    box: tuple[float, float, float, float],
    *,
    halo: bool,
) -> None:
    """Number, name and days in a tile: the largest layout that fits it whole, or the number alone with the days."""
    x0, x1, y0, y1 = box
    room, height, middle = x1 - x0 - 6, y1 - y0 - 4, (x0 + x1) / 2
    number, name = rank_text(order).strip(), drawable(stage["block_name"], stage["block_id"])
    days = _days_words(stage, order, week.info)
    if is_picked(order) and text_width(days, SMALL, bold=True) > room:
        days = "\N{CHECK MARK}"  # a word cut short says nothing
    elif stage["verdict"] == "reached" and not is_picked(order):
        shorter = (days, say("ready", week.info))
        days = next((t for t in shorter if text_width(t, SMALL, bold=True) <= room), say("{n} d", week.info, n=0))
    one_line = f"{number}  {name}".strip()
    heads = [
        [one_line],
        [t for t in (number, name) if t],
        [t for t in (number, *wrap_text(name, SMALL, room, most=2)) if t],
        [fit_text(one_line, SMALL, room)],
        [number],
    ]
    for head in heads if height >= 21 else []:
        fits = [
            s
            for s in (13.0, 11.0, BODY, SMALL)
            if text_width(days, s, bold=True) <= room and 11 * len(head) + s + 1 <= height
        ]
        if fits and all(text_width(line, SMALL) <= room and (len(line) > 5 or not line.endswith("…")) for line in head):
            y = (y0 + y1) / 2 - (11 * len(head) + fits[0] + 1) / 2
            for line in head:
                y += 11
                write(ax, middle, y - 2, line, size=SMALL, color=ink, ha="center", halo=halo)
            write(ax, middle, y + fits[0] - 1, days, size=fits[0], bold=True, color=ink, ha="center", halo=halo)
            return
    for text in (f"{one_line}: {days}", f"{number or name}: {days}", days):
        if text_width(text, SMALL, bold=True) <= room:
            write(ax, middle, (y0 + y1) / 2 + 3, text, size=SMALL, bold=True, color=ink, ha="center", halo=halo)
            return
    write(
        ax,
        middle,
        (y0 + y1) / 2 + 3,
        fit_text(number or days, SMALL, room + 4),
        size=SMALL,
        color=ink,
        ha="center",
        halo=halo,
    )


def _steps_key(ax: Axes, week: Week, width: float, y: float, undated: bool) -> None:
    n = len(DAY_STEPS) + undated
    step = width / n
    for i, (words, _, fill, ink) in enumerate(DAY_STEPS):
        draw_boxes(
            ax,
            [rect(i * step + 0.5, y, (i + 1) * step - 0.5, y + 17)],
            fill,
            edge=SOFT if i == 4 else "none",
            width=0.8,
        )
        write(ax, (i + 0.5) * step, y + 12, say(words, week.info), size=SMALL, color=ink, ha="center")
    if undated:
        draw_boxes(
            ax,
            [rect((n - 1) * step + 0.5, y, width - 0.5, y + 17)],
            "white",
            hatch="////",
            hatch_color="#d5dadd",
            edge=SOFT,
            width=0.8,
        )
        write(ax, (n - 0.5) * step, y + 12, say("no date", week.info), size=SMALL, ha="center", halo=True)


# ---------------------------------------------------------------------------------------------------------
# Value against date
_VALUE_KEY = (
    ("solid", mark("value if picked that day")),
    ("band", mark("8-in-10 range")),
    ("window", mark("good days")),
    ("pick", mark("planned day")),
)


def _value_key(week: Week) -> list[tuple[str, str]]:
    return [(kind, say(words, week.info)) for kind, words in _VALUE_KEY]


def _blocks_of_worth(week: Week, block_ids: Sequence[str] | None) -> list[str]:
    """Asked blocks, or the first page of blocks, without those that are picked or have no value to draw."""
    order, values = order_of(week), week.value_by_day
    drawn = set(values.loc[values["value_mean"].notna(), "block_id"])
    every = [b for page in block_pages(week) for b in page] if block_ids is None else chosen_blocks(week, block_ids)
    ids = [b for b in every if b in drawn and not is_picked(order.get(b))]
    return ids[:BLOCKS_A_PAGE] if block_ids is None else ids


def finding_value_by_date(week: Week, *, block_ids: Sequence[str] | None = None) -> str:
    """What waiting costs, in a sentence."""
    rows = week.order[week.order["block_id"].isin(_blocks_of_worth(week, block_ids))]
    cost = rows["waiting_7d"].astype(float)
    if not cost.notna().any():
        return say("What waiting costs", week.info)
    worst = rows.loc[cost.idxmax()]
    if float(worst["waiting_7d"]) <= 0:
        return say("A week's wait costs nothing in these blocks", week.info)
    money = money_text(worst["waiting_7d"], week.info)
    block = worst["block_name"]
    return say("A week of waiting costs most at {block}: {money} or more", week.info, block=block, money=money)


def _signed_money(value: float, week: Week) -> str:
    return ("+" if value > 0 else "") + money_text(value, week.info)


def alt_value_by_date(week: Week, *, block_ids: Sequence[str] | None = None, **_others: Any) -> str:
    """Alternative text of `value_by_date`."""
    ids = _blocks_of_worth(week, block_ids)
    told = say("Value of each block by picking day.", week.info)
    return f"{finding_value_by_date(week, block_ids=ids)}. {told} {'; '.join(_values_say(week, ids))}."


def _values_say(week: Week, ids: Sequence[str]) -> list[str]:
    """What the panel of each block says."""
    order, stage, says = order_of(week), stage_of(week), []
    for b in ids:
        r = order.get(b)
        if r is None:
            says.append(f"{stage[b]['block_name']}: {say('not planned', week.info)}")
            continue
        best = day_text(r["best_on"], week.info) or say("unknown", week.info)
        names = {"block": r["block_name"], "day": best, "when": when_text(r, week)}
        text = say("{block}: best {day}, picked {when}", week.info, **names)
        if not pd.isna(r["waiting_7d"]):
            money = _signed_money(-float(r["waiting_7d"]), week)
            text += ", " + say("a week later {money}", week.info, money=money)
        says.append(text)
    return says


def value_by_date_panels(week: Week, *, block_ids: Sequence[str] | None = None, **_others: Any) -> Panels:
    """Panels of the narrow `value_by_date`."""
    ids = _blocks_of_worth(week, block_ids)
    key = listed([words for _, words in _value_key(week)], week.info, 9)
    return Panels(tuple(_values_say(week, ids)), panel_grid(72 * PHONE_IN, len(ids))[0], PANEL_H, key)


def value_by_date_size(
    week: Week, wide: bool, *, block_ids: Sequence[str] | None = None, **_others: Any
) -> tuple[float, float]:
    """Width and height that suit `value_by_date` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = _blocks_of_worth(week, block_ids)
    head = head_height(week, finding_value_by_date(week, block_ids=ids), [_value_sub(week)], width)
    key = KEY_LINE * len(key_rows(_value_key(week), width)) + 3
    return width / 72, (head + key + panel_grid(width, max(len(ids), 1))[1] * PANEL_H) / 72


def _value_sub(week: Week) -> str:
    unit = week.info["currency"]
    return say("Thousands of {currency} for the whole block, by day of picking.", week.info, currency=unit)


@own_look
def value_by_date(week: Week, ax: Axes, *, block_ids: Sequence[str] | None = None, days: int = 42) -> Axes:
    """Small multiples of a block's value against the day of picking, good days and the planned day marked.

    Parameters
    ----------
    week : Week
    ax : Axes
    block_ids : sequence of str, optional
        The first `BLOCKS_A_PAGE` of the order by default; blocks that are picked are left out.
    days : int
        How many days ahead [d].
    """
    width, _ = lay_sheet(ax)
    ids = _blocks_of_worth(week, block_ids)
    if not ids:
        return draw_nothing(ax, week, width, say("No values to draw.", week.info))
    top = draw_head(ax, week, width, finding_value_by_date(week, block_ids=ids), [_value_sub(week)])
    top = draw_key(ax, top, width, _value_key(week))
    across, _ = panel_grid(width, len(ids))
    stage, order, today = stage_of(week), order_of(week), as_of_number(week)
    parts = dict(tuple(week.value_by_day[week.value_by_day["block_id"].isin(ids)].groupby("block_id")))
    last = min(today + days, float(day_number(week.info["end"])))
    cell = width / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, x1, y0 = col * cell + LEFT, (col + 1) * cell - 6, top + row * PANEL_H
        style, one = cultivar_style(stage[b]["style_index"]), order.get(b)
        words = when_text(one, week) if one else say("not planned", week.info)
        if one and not pd.isna(one["start_at"]) and not pd.isna(one["waiting_7d"]):
            money = _signed_money(-float(one["waiting_7d"]), week)
            words += f" ({say('+7 d {money}', week.info, money=money)})"
        draw_panel_head(ax, week, stage[b], one, style, x0 - LEFT + 2, x1, y0, verdict=words)
        box = (x0, x1, y0 + 31, y0 + PANEL_H - FOOT)
        _value_panel(ax, week, parts[b], one, style, box, today, last)
    return ax


def _value_panel(
    ax: Axes,
    week: Week,
    part: pd.DataFrame,
    order: Mapping[str, Any] | None,
    style: Style,
    box: tuple[float, float, float, float],
    today: float,
    last: float,
) -> None:
    x0, x1, y0, y1 = box
    day = day_number(part["day"])
    inside = (day >= today) & (day <= last)
    day, part = day[inside], part[inside]
    p10, mean, p90 = (part[f"value_{p}"].to_numpy(dtype=float) / 1000 for p in ("p10", "mean", "p90"))
    if not np.isfinite(mean).any():
        return
    low, high = float(np.nanmin(p10)), float(np.nanmax(p90))
    low, high = (min(low, 0.0) if low < 0.35 * high else low), high + 0.05 * (high - low + 1e-9)
    x, y = scale(today, last, x0, x1), scale(low, high, y1, y0)
    if order:
        good_from, good_to = day_number([order["good_from"], order["good_to"]])
        if np.isfinite(good_from) and good_from < last:
            draw_lines(
                ax,
                [[(float(x(max(good_from, today))), y1 - 2.5), (float(x(min(good_to + 1, last))), y1 - 2.5)]],
                color=PALE,
                width=3.2,
                z=4,
            )
    draw_frame(ax, week, box, y, nice_ticks(low, high, 4), labels=True)
    edge = np.concatenate([np.column_stack([x(day), y(p10)]), np.column_stack([x(day), y(p90)])[::-1]])
    ax.add_collection(PolyCollection([edge], facecolors=style.fill, alpha=0.2, linewidths=0, zorder=2), autolim=False)
    draw_path(ax, x(day), y(mean), color=style.fill, width=2)
    if order and not pd.isna(order["start_at"]):
        start = float(day_number(order["start_at"]))
        if today <= start <= last:
            at = float(np.interp(start, day, mean))
            draw_lines(
                ax, [[(float(x(start)), y0), (float(x(start)), y1)]], color=INK, width=1, dash=(0, (1, 1.5)), z=3
            )
            draw_marks(ax, [float(x(start))], [float(y(at)) - 4], "v", size=6)
    draw_day_axis(ax, week, x, today, last, y1, every="fortnight", room=x1 - x0)


# ---------------------------------------------------------------------------------------------------------
# Plan against rules of thumb
def _rules_rows(week: Week) -> list[tuple[str, float]]:
    rows = [(say("this order", week.info), week.info["value"])] if week.info.get("value") is not None else []
    rows += [
        (said(str(r), week.info), float(v))
        for r, v in zip(week.rules["rule"], week.rules["value"].astype(float), strict=True)
    ]
    return sorted(rows, key=lambda r: -r[1])


def _best_possible(week: Week) -> float:
    bound, best = week.info.get("bound"), max((v for _, v in _rules_rows(week)), default=0.0)
    return best if bound is None or not math.isfinite(float(bound)) else max(float(bound), best)


def finding_rules(week: Week) -> str:
    """What the plan gains over the best rule of thumb, in a sentence."""
    others = week.rules["value"].astype(float)
    if week.rules.empty or week.info.get("value") is None:
        return say("No rules were compared", week.info)
    best = week.rules.loc[others.idxmax()]
    gain = float(week.info["value"]) - float(best["value"])
    if gain < 0:
        message = mark("The rule “{rule}” beats this order by {money}")
    else:
        message = mark("This order is worth {money} more than the best rule of thumb ({rule})")
    rule = said(str(best["rule"]), week.info)
    return say(message, week.info, rule=rule, money=money_text(abs(gain), week.info))


def alt_rules(week: Week) -> str:
    """Alternative text of `rules`."""
    if week.rules.empty:
        return say("No rules of thumb were compared.", week.info)
    most = _best_possible(week)
    says = [f"{name} {money_text(most - value, week.info)}" for name, value in _rules_rows(week)]
    told = say("Money short of the most that could be reached: {rules}.", week.info, rules="; ".join(says))
    return f"{finding_rules(week)}. {told}"


def rules_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `rules` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        head_height(week, finding_rules(week), [say(_RULES_SUB, week.info)], width)
        + 30 * max(len(_rules_rows(week)), 1)
        + 6
    ) / 72


_RULES_SUB = mark("Money short of the most that could be reached; shorter bars are better.")


@own_look
def rules(week: Week, ax: Axes) -> Axes:
    """How far this order and each rule of thumb fall short of the most that could be reached.

    Parameters
    ----------
    week : Week
    ax : Axes
    """
    width, _ = lay_sheet(ax)
    rows = _rules_rows(week)
    if week.rules.empty or not rows:
        return draw_nothing(ax, week, width, finding_rules(week))
    top = draw_head(ax, week, width, finding_rules(week), [say(_RULES_SUB, week.info)])
    most = _best_possible(week)
    short = [most - value for _, value in rows]
    room = max(text_width(money_text(s, week.info), BODY, bold=True) for s in short) + 8
    x = scale(0, max(*short, 1e-9), 0, width - room)
    for i, ((name, _), gap) in enumerate(zip(rows, short, strict=True)):
        y, mine = top + 30 * i, name == say("this order", week.info)
        write(ax, 0, y + 10, fit_text(drawable(name), BODY, width, bold=mine), bold=mine)
        end = max(float(x(gap)), 1.5)
        draw_boxes(ax, [rect(0, y + 13, end, y + 24)], LEAF if mine else "#a9b2b9")
        write(ax, end + 5, y + 22, money_text(gap, week.info), bold=mine)
    return ax
