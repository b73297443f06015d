"""Pictures of the weather: the days ahead, warmth of the season, frost. Each draws finished tables on an `ax`.

A picture's `alt_...` function says the same finding in words, from the same numbers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from olivetime.languages import mark, say, say_count
from olivetime.records.findings import NOT_FETCHED
from olivetime.report.canvas import (
    COLD_INK,
    GRID,
    INK,
    LEAF,
    PALE,
    PHONE_IN,
    RAIN_INK,
    SMALL,
    SOFT,
    WARN,
    WIDE_IN,
    block_label,
    day_number,
    draw_boxes,
    draw_day_axis,
    draw_frame,
    draw_head,
    draw_lines,
    draw_marks,
    draw_nothing,
    draw_path,
    drawable,
    fit_text,
    head_height,
    lay_sheet,
    listed,
    nice_ticks,
    own_look,
    rect,
    scale,
    stage_of,
    text_width,
    weekday,
    write,
)
from olivetime.report.tables import FROST_WORTH_SAYING, RAIN_LIKELY, Week, heat_lead
from olivetime.weather.degree_days import DEGREE_DAYS_PER_THERMAL_DAY
from olivetime.words import chance_text, count_text, day_text, display_unit, number_text


# ---------------------------------------------------------------------------------------------------------
# Weather strip
def _ahead(week: Week, days: int, station_id: str | None) -> pd.DataFrame:
    station = week.info["main_station"] if station_id is None else station_id
    rows = week.weather[(week.weather["station_id"] == station) & ~week.weather["measured"].astype(bool)]
    return rows.sort_values("day").head(days)


def finding_weather_strip(week: Week, *, days: int = 10, station_id: str | None = None) -> str:
    """What the weather strip shows, in a sentence."""
    rows = _ahead(week, days, station_id)
    if rows.empty:
        return say("No outlook for the days ahead", week.info)
    wet = rows[rows["rain_chance"] >= RAIN_LIKELY]
    cold = rows[rows["frost_chance"] >= FROST_WORTH_SAYING]
    info, parts = week.info, [say("No day with rain likely", week.info)]
    if len(wet):
        parts = [say("Rain likely {day}", info, day=day_text(wet.iloc[0]["day"], info, "MMMEd"))]
    if len(cold):
        parts.append(say("frost may come {day}", info, day=day_text(cold.iloc[0]["day"], info, "MMMEd")))
    hours = rows["work_h"].astype(float)
    if hours.notna().any():
        amount, ahead = number_text(hours.sum(), info), count_text(len(rows), "day", info=info)
        parts.append(say("about {hours} hours to pick in {days}", info, hours=amount, days=ahead))
    return "; ".join(parts)


def alt_weather_strip(week: Week, *, days: int = 10, station_id: str | None = None) -> str:
    """Alternative text of `weather_strip`."""
    rows, info = _ahead(week, days, station_id), week.info
    temp, rain = display_unit(info, "temp"), display_unit(info, "rain")
    says = []
    for r in rows.to_dict("records"):
        low, high = (number_text(temp.of(r[f"temp_{end}_p50_c"]), info) for end in ("min", "max"))
        text = f"{day_text(r['day'], info, 'MMMEd')}: {say('{a} to {b}', info, a=low, b=high)} {temp.label}"
        if r["rain_chance"] >= 0.1:
            amount = f"{number_text(rain.of(r['rain_mean_mm']), info, rain.digits)} {rain.label}"
            chance = chance_text(r["rain_chance"], info)
            text += ", " + say("rain {chance}, {amount}", info, chance=chance, amount=amount)
        if r["frost_chance"] >= 0.05:
            text += f", {say('frost', info)} {chance_text(r['frost_chance'], info)}"
        if not pd.isna(r["work_h"]):
            text += ", " + say("{hours} pick hours", info, hours=number_text(r["work_h"], info))
        says.append(text)
    told = [f"{finding_weather_strip(week, days=days, station_id=station_id)}.", f"{'; '.join(says)}."]
    return " ".join([*told, *outlook_words(week)])


def outlook_words(week: Week) -> list[str]:
    """Say whose outlook it is and how old, where a service or a file gave it; the attribution goes with every use."""
    said_of_it = week.assumptions.loc[week.assumptions["name"] == "outlook source", "value"]
    if said_of_it.empty:
        return []
    words = str(said_of_it.iloc[0])
    if words.startswith(NOT_FETCHED):
        words = say("Today's outlook could not be fetched; see what was assumed.", week.info)
    return [words]


def weather_strip_size(week: Week, wide: bool, *, days: int = 10, station_id: str | None = None) -> tuple[float, float]:
    """Width and height that suit `weather_strip` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    title = finding_weather_strip(week, days=days, station_id=station_id)
    return width / 72, (head_height(week, title, outlook_words(week), width) + 218) / 72


@own_look
def weather_strip(week: Week, ax: Axes, *, days: int = 10, station_id: str | None = None) -> Axes:
    """The days ahead at one station: low and high with their ranges, rain, chance of frost, hours to pick.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many days [d].
    station_id : str, optional
        The week's main station by default.
    """
    width, _ = lay_sheet(ax)
    rows, info = _ahead(week, days, station_id), week.info
    if rows.empty:
        return draw_nothing(ax, week, width, finding_weather_strip(week, days=days, station_id=station_id))
    temp, rain = display_unit(info, "temp"), display_unit(info, "rain")
    top = draw_head(
        ax, week, width, finding_weather_strip(week, days=days, station_id=station_id), outlook_words(week)
    )
    labels = ("high", "low", "rain", "frost", "pick", "hours")
    left = max(37.0, 6 + max(text_width(say(word, info), SMALL) for word in labels))
    step = (width - left) / len(rows)
    middle = left + step * (np.arange(len(rows)) + 0.5)
    for at, day in zip(middle, rows["day"], strict=True):
        write(ax, at, top + 10, weekday(day, week, step), size=SMALL, ha="center")
        write(ax, at, top + 21, str(pd.Timestamp(day).day), size=SMALL, ha="center")
    y0, y1 = top + 44, top + 110
    low = {p: temp.of(rows[f"temp_min_{p}_c"].to_numpy(dtype=float)) for p in ("p10", "p50", "p90")}
    high = {p: temp.of(rows[f"temp_max_{p}_c"].to_numpy(dtype=float)) for p in ("p10", "p50", "p90")}
    freezing = float(temp.of(0.0))
    floor = min(float(np.nanmin(low["p10"])), freezing - temp.factor)
    y = scale(floor, max(float(np.nanmax(high["p90"])), freezing), y1, y0)
    zero = float(y(freezing))
    draw_lines(ax, [[(left, zero), (width, zero)]], color=COLD_INK, width=1.0, dash=(0, (3, 2)), z=1)
    label = f"{number_text(freezing, info)} {temp.label}"
    write(ax, left - 5, zero + 3, label, size=SMALL, color=COLD_INK, ha="right")
    cold = rows["frost_chance"].to_numpy(dtype=float) >= FROST_WORTH_SAYING
    for flag, color in ((False, PALE), (True, COLD_INK)):
        on = cold == flag
        draw_lines(
            ax,
            [
                [(m, float(y(a))), (m, float(y(b)))]
                for m, a, b in zip(middle[on], low["p10"][on], high["p90"][on], strict=True)
            ],
            color=color,
            width=1.2,
            z=2,
        )
        draw_lines(
            ax,
            [
                [(m, float(y(a))), (m, float(y(b)))]
                for m, a, b in zip(middle[on], low["p50"][on], high["p50"][on], strict=True)
            ],
            color=color,
            width=7,
            z=3,
        )
    # Highs and lows stand in rows of their own, above and below the bars, where the line of freezing crosses no number.
    lines = ((mark("high"), top + 38, high, np.zeros_like(cold)), (mark("low"), top + 123, low, cold))
    for word, at, values, strong in lines:
        write(ax, left - 5, at, say(word, info), size=SMALL, color=SOFT, ha="right")
        for m, value, is_cold in zip(middle, values["p50"], strong, strict=True):
            color = COLD_INK if is_cold else INK
            write(ax, m, at, number_text(value, info), size=SMALL, ha="center", bold=bool(is_cold), color=color)
    _rain_row(ax, week, rows, middle, step, left, top + 133, rain)
    _frost_row(ax, week, rows, middle, left, top + 185)
    _hours_row(ax, week, rows, middle, step, left, top + 191)
    return ax


def _rain_row(
    ax: Axes, week: Week, rows: pd.DataFrame, middle: np.ndarray, step: float, left: float, top: float, unit: Any
) -> None:
    """Mean rain as bars, its chance in words below."""
    base = top + 25
    write(ax, left - 5, base - 9, say("rain", week.info), size=SMALL, color=SOFT, ha="right")
    write(ax, left - 5, base + 2, unit.label, size=SMALL, color=SOFT, ha="right")
    mean = rows["rain_mean_mm"].to_numpy(dtype=float)
    most = max(float(np.nanmax(mean)), 10.0)
    boxes = [
        rect(m - 0.3 * step, base - 22 * min(v / most, 1.0), m + 0.3 * step, base)
        for m, v in zip(middle, mean, strict=True)
        if v >= 0.3
    ]
    draw_boxes(ax, boxes, "#4a90c4")
    draw_lines(ax, [[(left, base), (middle[-1] + step / 2, base)]], color=GRID, z=1)
    digits = unit.digits
    for m, v, chance in zip(middle, mean, rows["rain_chance"].to_numpy(dtype=float), strict=True):
        shown = float(unit.of(v))
        if v >= 0.5:
            text = number_text(shown, week.info, digits if digits and shown < 10 else 1 if shown < 1 else 0)
            text = text.removeprefix("0") if digits == 2 and text_width(text, SMALL) > step else text
            write(ax, m, base - 22 * min(v / most, 1.0) - 2.5, text, size=SMALL, ha="center", halo=True)
        if chance >= 0.05:
            strong = chance >= RAIN_LIKELY
            write(
                ax,
                m,
                base + 11,
                f"{5 * round(20 * chance):.0f}%",
                size=SMALL,
                ha="center",
                bold=strong,
                color=RAIN_INK if strong else SOFT,
            )


def _frost_row(ax: Axes, week: Week, rows: pd.DataFrame, middle: np.ndarray, left: float, y: float) -> None:
    write(ax, left - 5, y, say("frost", week.info), size=SMALL, color=SOFT, ha="right")
    for m, chance in zip(middle, rows["frost_chance"].to_numpy(dtype=float), strict=True):
        strong = chance >= FROST_WORTH_SAYING
        text = f"{5 * round(20 * chance):.0f}%" if chance >= 0.05 else "·"
        write(ax, m, y, text, size=SMALL, ha="center", bold=strong, color=COLD_INK if strong else SOFT)


def _hours_row(
    ax: Axes, week: Week, rows: pd.DataFrame, middle: np.ndarray, step: float, left: float, top: float
) -> None:
    write(ax, left - 5, top + 10, say("pick", week.info), size=SMALL, color=SOFT, ha="right")
    write(ax, left - 5, top + 20, say("hours", week.info), size=SMALL, color=SOFT, ha="right")
    hours = rows["work_h"].to_numpy(dtype=float)
    most = max(float(np.nanmax(hours)), 1.0) if np.isfinite(hours).any() else 1.0
    for m, h in zip(middle, hours, strict=True):
        box = rect(m - step / 2 + 1, top, m + step / 2 - 1, top + 23)
        if np.isnan(h):
            continue
        share = h / most
        if share < 0.25:
            draw_boxes(ax, [box], "white", hatch="////", hatch_color="#e2b49c", edge=WARN, width=1.2)
            write(ax, m, top + 15, number_text(h, week.info), bold=True, ha="center", halo=True)
        else:
            strong = share >= 0.7
            draw_boxes(ax, [box], LEAF if strong else "#b7d6c5")
            write(ax, m, top + 15, number_text(h, week.info), bold=True, ha="center", color="white" if strong else INK)


# ---------------------------------------------------------------------------------------------------------
# Degree days
def _heat_rows(week: Week, station_id: str | None) -> pd.DataFrame:
    station = week.info["main_station"] if station_id is None else station_id
    return week.heat[week.heat["station_id"] == station]


def finding_heat(week: Week, *, station_id: str | None = None) -> str:
    """How far the season's warmth is ahead of past seasons, in a sentence."""
    lead = heat_lead(week, station_id)
    if lead is None:
        return say("No past seasons to compare the warmth with", week.info)
    days = abs(lead)
    if round(days) == 0:
        return say("The season is as warm as usual so far", week.info)
    n, info = round(days), week.info
    if lead > 0:
        return say_count(
            "The season is {n} warm day ahead of usual", "The season is {n} warm days ahead of usual", n, info
        )
    return say_count("The season is {n} warm day behind usual", "The season is {n} warm days behind usual", n, info)


def alt_heat(week: Week, *, station_id: str | None = None) -> str:
    """Alternative text of `heat`."""
    rows = _heat_rows(week, station_id)
    says = [
        f"{season}: {number_text(part['heat_d'].iloc[-1], week.info)}"
        for season, part in rows[rows["day_of_season"] <= _heat_today(week, rows)]
        .sort_values("day_of_season")
        .groupby("season")
    ]
    reached = ", ".join(says) or say("none", week.info)
    told = say("Thermal days from the season's start to this day: {seasons}.", week.info, seasons=reached)
    return f"{finding_heat(week, station_id=station_id)}. {told} {_filled_words(week, station_id)}"


def _heat_today(week: Week, rows: pd.DataFrame) -> float:
    now = rows[rows["season"].astype(float) == float(week.info["label"])]
    return float(now["day_of_season"].max()) if len(now) else -1.0


def _heat_sub(week: Week, station_id: str | None) -> str:
    seasons = _heat_rows(week, station_id)["season"].astype(float)
    past = int(seasons[seasons < float(week.info["label"])].nunique())
    grey = " " + say_count("Grey: {n} past season.", "Grey: {n} past seasons.", past, week.info) if past else ""
    day = number_text(DEGREE_DAYS_PER_THERMAL_DAY * display_unit(week.info, "temp").factor, week.info)
    return f"{say(_HEAT_SUB, week.info, sum=day)} {_filled_words(week, station_id)}{grey}"


def _filled_words(week: Week, station_id: str | None) -> str:
    """How many of the days in this season's sum were filled."""
    rows = _heat_rows(week, station_id)
    now = rows[rows["season"].astype(float) == float(week.info["label"])]
    days_n, filled_n = len(now), int(now["filled_n"].max()) if len(now) else 0
    told = mark("Station {station}: of {n} days this season, {filled} filled.")
    station = week.info["main_station"] if station_id is None else station_id
    return say(told, week.info, station=drawable(station), n=days_n, filled=filled_n)


def heat_size(week: Week, wide: bool, *, station_id: str | None = None) -> tuple[float, float]:
    """Width and height that suit `heat` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        head_height(week, finding_heat(week, station_id=station_id), [_heat_sub(week, station_id)], width) + 170
    ) / 72


PAST_INK = "#a9b2ba"  # past seasons lie behind: lighter than PALE, still plain in print
_HEAT_SUB = mark("Warm days since the season's start: degree days (single sine) divided by {sum}.")


@own_look
def heat(week: Week, ax: Axes, *, station_id: str | None = None) -> Axes:
    """Cumulative thermal days of this season against the past ones at one station.

    Parameters
    ----------
    week : Week
    ax : Axes
    station_id : str, optional
        The week's main station by default.
    """
    width, height = lay_sheet(ax)
    rows = _heat_rows(week, station_id)
    if rows.empty:
        return draw_nothing(ax, week, width, say("No measured weather to draw.", week.info))
    top = draw_head(ax, week, width, finding_heat(week, station_id=station_id), [_heat_sub(week, station_id)]) + 6
    left, right, bottom = 26.0, width - 40, height - 18
    span = float(rows["day_of_season"].max())
    high = float(rows["heat_d"].max()) * 1.04 or 1.0
    x, y = scale(0, max(span, 1), left, right), scale(0, high, bottom, top)
    draw_frame(ax, week, (left, right, top, bottom), y, nice_ticks(0, high, 5), labels=True)
    ends: list[list[Any]] = []
    for season, part in rows.sort_values("day_of_season").groupby("season"):
        mine = float(season) == float(week.info["label"])
        px, py = x(part["day_of_season"]), y(part["heat_d"])
        draw_path(ax, px, py, color=WARN if mine else PAST_INK, width=2.4 if mine else 1.0, z=4 if mine else 3)
        ends.append([float(py[-1]), float(px[-1]), f"{season:.0f}", mine])
    start = pd.Timestamp(week.info["start"])
    first = float(day_number(start))
    draw_day_axis(
        ax,
        week,
        scale(first, first + max(span, 1), left, right),
        first,
        first + span,
        bottom,
        every="month",
        room=right - left,
    )
    past = sorted(e for e in ends if not e[3])
    # Only the warmest and the coolest past season carry their year: the rest is the range between them.
    for at_y, at_x, words, _ in past[:1] + (past[-1:] if len(past) > 1 and past[-1][0] - past[0][0] >= 11 else []):
        write(ax, at_x + 4, at_y + 3, words, size=SMALL, color=SOFT)
    for at_y, at_x, words, mine in ends:
        if mine:
            draw_marks(ax, [at_x], [at_y], "o", size=5, fill=WARN, edge=WARN)
            write(ax, at_x - 6, at_y - 4, words, size=SMALL, bold=True, color=WARN, ha="right", halo=True)
    return ax


# ---------------------------------------------------------------------------------------------------------
# Frost
def _frost_rows(week: Week, days: int, most: int) -> pd.DataFrame:
    """Chance of frost of blocks still standing, most fruit at risk first: one row a block, one column a night."""
    today = pd.Timestamp(week.info["as_of"])
    rows = week.frost[
        (week.frost["day"] >= today)
        & (week.frost["day"] < today + pd.Timedelta(days=days))
        & (week.frost["at_risk_t"] > 0)
    ]
    grid = rows.pivot_table(index="block_id", columns="day", values="chance", aggfunc="max")
    grid = grid[grid.max(axis=1) >= 0.05]
    risk = (rows["chance"] * rows["at_risk_t"]).groupby(rows["block_id"]).max()
    return grid.loc[risk.reindex(grid.index).sort_values(ascending=False, kind="stable").index].head(most)


def frost_threatens(week: Week, *, days: int = 14, most: int = 16) -> bool:
    """Whether there is anything for `frost` to draw."""
    return not _frost_rows(week, days, most).empty


def finding_frost(week: Week, *, days: int = 14, most: int = 16) -> str:
    """Where frost threatens most, in a sentence."""
    grid = _frost_rows(week, days, most)
    if grid.empty:
        return say_count(
            "No damaging frost worth naming in the next {n} night",
            "No damaging frost worth naming in the next {n} nights",
            days,
            week.info,
        )
    block = grid.index[0]
    night = grid.loc[block].idxmax()
    rows = week.frost[(week.frost["block_id"] == block) & (week.frost["day"] == night)]
    crop = display_unit(week.info, "crop")
    name = stage_of(week)[block]["block_name"] if block in stage_of(week) else block
    return say(
        "{block}: {chance} chance of damaging frost on {day}, {amount} still on the trees",
        week.info,
        block=name,
        chance=chance_text(grid.loc[block, night], week.info),
        day=day_text(night, week.info),
        amount=f"{number_text(crop.of(rows['at_risk_t'].iloc[0]), week.info)} {crop.label}",
    )


def alt_frost(week: Week, *, days: int = 14, most: int = 16) -> str:
    """Alternative text of `frost`."""
    grid, stage = _frost_rows(week, days, most), stage_of(week)
    info = week.info
    says = [
        say(
            "{block} up to {chance} ({day})",
            info,
            block=stage[b]["block_name"] if b in stage else b,
            chance=chance_text(grid.loc[b].max(), info),
            day=day_text(grid.loc[b].idxmax(), info),
        )
        for b in grid.index
    ]
    told = " " + say("Largest chance by block: {blocks}.", info, blocks=listed(says, info, 8)) if says else ""
    return f"{finding_frost(week, days=days, most=most)}.{told}"


def frost_size(week: Week, wide: bool, *, days: int = 14, most: int = 16) -> tuple[float, float]:
    """Width and height that suit `frost` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    n = len(_frost_rows(week, days, most))
    return width / 72, (
        head_height(week, finding_frost(week, days=days, most=most), [say(_FROST_SUB, week.info)] if n else [], width)
        + (26 + 19 * n if n else 6)
    ) / 72


# Least chance, fill and ink of a night; the darker the likelier.
FROST_SHADES = (
    (0.5, "#1f3f7a", "#ffffff"),
    (0.3, "#4a73b3", "#ffffff"),
    (0.15, "#b4cae8", INK),
    (0.05, "#e6eef8", INK),
)
_FROST_SUB = mark("Chance of damaging frost by night, %, blocks still to pick.")


@own_look
def frost(week: Week, ax: Axes, *, days: int = 14, most: int = 16) -> Axes:
    """Chance of damaging frost by block and night, for blocks that still stand then.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many nights [d].
    most : int
        At most this many blocks, those with most fruit at risk.
    """
    width, _ = lay_sheet(ax)
    grid = _frost_rows(week, days, most)
    if grid.empty:
        return draw_nothing(ax, week, width, finding_frost(week, days=days, most=most))
    top = draw_head(ax, week, width, finding_frost(week, days=days, most=most), [say(_FROST_SUB, week.info)])
    names = [fit_text(block_label(week, b), SMALL, 74) for b in grid.index]
    left = max(text_width(n, SMALL) for n in names) + 8
    today = pd.Timestamp(week.info["as_of"])
    nights = pd.date_range(today, periods=days, freq="D")
    step = (width - left) / days
    for j, night in enumerate(nights):
        if step >= 15 or j % 2 == 0:
            write(
                ax, left + (j + 0.5) * step, top + 10, weekday(night, week, step), size=SMALL, color=SOFT, ha="center"
            )
            write(ax, left + (j + 0.5) * step, top + 21, str(night.day), size=SMALL, color=SOFT, ha="center")
    top += 26
    cells: dict[str, list[Any]] = {}
    chances = grid.reindex(columns=nights).to_numpy(dtype=float)
    for i, (row, words) in enumerate(zip(chances, names, strict=True)):
        y = top + 19 * i
        write(ax, left - 6, y + 12, words, size=SMALL, ha="right")
        for j, chance in enumerate(row):
            fill, ink = next(((fill, ink) for least, fill, ink in FROST_SHADES if chance >= least), ("#f5f7f8", ""))
            cells.setdefault(fill, []).append(rect(left + j * step + 0.5, y, left + (j + 1) * step - 0.5, y + 18))
            if ink:
                write(
                    ax,
                    left + (j + 0.5) * step,
                    y + 12.5,
                    f"{5 * round(20 * chance):.0f}",
                    size=SMALL,
                    color=ink,
                    ha="center",
                )
    for fill, boxes in cells.items():
        draw_boxes(ax, boxes, fill)
    return ax
