"""The page at the season's end: what was learned, to carry into the next season. Sentences, tables and pictures.

Everything shown stands in the `Lessons` of `olivetime.harvest.lessons`; nothing is computed here.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from olivetime.languages import mark, say
from olivetime.report.canvas import (
    KEY_LINE,
    PANEL_H,
    PHONE_IN,
    SMALL,
    SOFT,
    WIDE_IN,
    cultivar_style,
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
    key_rows,
    lay_sheet,
    listed,
    new_figure,
    nice_ticks,
    own_look,
    panel_grid,
    scale,
    write,
)
from olivetime.report.figures import drawn_html
from olivetime.report.page import answer
from olivetime.report.sheet import DisplayTable
from olivetime.words import day_text, display_unit, money_text, number_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from olivetime.harvest.lessons import Lessons
    from olivetime.report.tables import Week

MOST_BLOCKS = 20  # rows of the tables of blocks: those for which the difference is greatest
_SIDES = {"higher": mark("higher"), "lower": mark("lower")}
_OTHER_DAYS = (
    ("earlier_ha", mark("{money}/{unit} more a week earlier"), mark("{money}/{unit} less a week earlier")),
    ("later_ha", mark("{money}/{unit} more a week later"), mark("{money}/{unit} less a week later")),
)


# --- in sentences ----------------------------------------------------------------------------------------------


def per_area(values_ha: Any, info: Mapping[str, Any]) -> np.ndarray:
    """Money for each hectare as money for each unit of area that the page shows."""
    return np.asarray(values_ha, dtype=float) / float(display_unit(info, "area").of(1.0))


def says(learned: Lessons, info: Mapping[str, Any]) -> tuple[str, str]:
    """The season in a few sentences: the first, and what follows it.

    Parameters
    ----------
    learned : Lessons
    info : mapping
        locale, units, currency.
    """
    pct = number_text(100 * learned.picked_fraction, info)
    first = (
        say("The season is over: {pct} % of the area is picked.", info, pct=pct)
        if learned.over
        else say("The season goes on: {pct} % of the area is picked. This is what it has taught so far.", info, pct=pct)
    )
    parts = []
    if len(learned.curves):
        told = [f"{r.cultivar} {number_text(r.plateau_dry_pct, info, 1)} %" for r in learned.curves.itertuples()]
        message = mark("Plateaus of dry oil to carry into the next season: {list}.")
        parts.append(say(message, info, list=listed(told, info, 12)))
    if len(learned.extraction):
        weight = learned.extraction["crop_t"] / learned.extraction["crop_t"].sum()
        lost = float((learned.extraction["lost_points"] * weight).sum())
        message = mark("The mill got out {points} points more oil than the laboratory let expect.")
        if abs(lost) < 0.05:
            message = mark("The mill got out the oil that the laboratory let expect.")
        elif lost > 0:
            message = mark("The mill got out {points} points less oil than the laboratory let expect.")
        parts.append(say(message, info, points=number_text(abs(lost), info, 1)))
    waiting, unit = learned.waiting, display_unit(info, "area").label
    others = []
    for column, more, less in _OTHER_DAYS if len(waiting) else ():
        mean = float((waiting[column] * waiting["area_ha"]).sum() / waiting["area_ha"].sum())
        money = money_text(per_area(abs(mean), info), info)
        others.append(say(less if mean < 0 else more, info, money=money, unit=unit))
    if others:
        message = mark("On average the fruit would have been worth {earlier}, {later}.")
        parts.append(say(message, info, earlier=others[0], later=others[1]))
    return first, " ".join(parts)


def head(learned: Lessons, week: Week) -> str:
    """Top of the page as HTML: whose season, which day, and the season in a few sentences."""
    info = week.info
    sub = html.escape(f"{info['name']}, {info['place']} · {day_text(info['as_of'], info, 'yMMMd')}")
    return f'<p class="sub">{sub}</p>' + answer(*says(learned, info))


# --- tables ----------------------------------------------------------------------------------------------------

Column = tuple[str, str, Iterable[str], str]


def _table(caption: str, columns: list[Column], empty: str, info: Mapping[str, Any]) -> DisplayTable:
    """Table from (heading, unit, cells, place) columns; numbers are set right. Caption and `empty` come said."""
    headings, units, cells, places = zip(*columns, strict=True)
    return DisplayTable(
        caption=caption,
        headings=tuple(say(heading, info) for heading in headings),
        units=units,
        rows=tuple(zip(*map(tuple, cells), strict=True)),
        align=tuple("right" if "number" in p else "left" for p in places),
        places=tuple(p.replace("number", "").strip() for p in places),
        empty=empty,
    )


def _numbers(values: Iterable[Any], info: Mapping[str, Any], digits: int = 0) -> list[str]:
    return [number_text(v, info, digits) for v in values]


def _days(values: Iterable[Any], info: Mapping[str, Any]) -> list[str]:
    return [day_text(v, info, "MMMd") for v in values]


def _money(values_ha: pd.Series, info: Mapping[str, Any]) -> list[str]:
    return [money_text(v, info) for v in per_area(values_ha, info)]


def cultivars_table(learned: Lessons, info: Mapping[str, Any]) -> DisplayTable:
    """Cultivars' curves to carry forward."""
    rows, points = learned.curves, say("points", info)
    return _table(
        say("Cultivars, to carry into the next season", info),
        [
            (mark("Cultivar"), "", rows["cultivar"], "name"),
            (mark("Plateau, dry oil"), "%", _numbers(rows["plateau_dry_pct"], info, 1), "when number"),
            (mark("Known to about"), points, [f"±{v}" for v in _numbers(1.28 * rows["plateau_se_pct"], info, 1)],
             "number"),
            (mark("Half of it reached"), "", _days(rows["half_on"], info), "first"),
            (mark("Moisture at the last samples"), "%", _numbers(rows["fruit_moisture_pct"], info, 1), "number"),
            (mark("Blocks"), "", _numbers(rows["blocks_n"], info), "number"),
            (mark("Samples"), "", _numbers(rows["samples_n"], info), "number"),
        ],
        say("No block was sampled.", info),
        info,
    )  # fmt: skip


def blocks_table(learned: Lessons, info: Mapping[str, Any], names: Mapping[str, str]) -> DisplayTable:
    """Blocks whose plateau differs from their cultivar's, the surest first."""
    rows = learned.blocks[learned.blocks["says"].isin(list(_SIDES))]
    sure = (rows["plateau_offset_pct"].abs() / (rows["high_offset_pct"] - rows["low_offset_pct"])).to_numpy(float)
    rows = rows.iloc[np.argsort(-sure, kind="stable")[:MOST_BLOCKS]]
    between = [
        say("{low} to {high}", info, low=low, high=high)
        for low, high in zip(
            _numbers(rows["low_offset_pct"], info, 1), _numbers(rows["high_offset_pct"], info, 1), strict=True
        )
    ]
    return _table(
        say("Blocks that differ from their cultivar", info),
        [
            (mark("Block"), "", [names.get(b, b) for b in rows["block_id"]], "name"),
            (mark("Cultivar"), "", rows["cultivar"], ""),
            (mark("Plateau"), "", [say(_SIDES[word], info) for word in rows["says"]], "first"),
            (mark("Difference"), say("points", info), _numbers(rows["plateau_offset_pct"], info, 1), "when number"),
            (mark("8 in 10 between"), say("points", info), between, "number"),
            (mark("Samples"), "", _numbers(rows["samples_n"], info), "number"),
        ],
        say("No block can be told apart from its cultivar.", info),
        info,
    )


def extraction_table(learned: Lessons, info: Mapping[str, Any]) -> DisplayTable:
    """Oil that the mill got out, and the share to write into the mill's records."""
    rows = learned.extraction
    return _table(
        say("Oil that the mill got out, beside what the laboratory let expect", info),
        [
            (mark("Cultivar"), "", rows["cultivar"], "name"),
            (mark("Oil yield"), "%", _numbers(rows["oil_out_pct"], info, 1), "when number"),
            (mark("Expected"), "%", _numbers(rows["expected_pct"], info, 1), "number"),
            (mark("Tickets within 1 point"), "%", _numbers(100 * rows["within_1_point_fraction"], info), "number"),
            (mark("Tickets"), "", _numbers(rows["tickets_n"], info), "number"),
            (mark("corrector_fraction for the mill's records"), "", _numbers(rows["corrector_fraction"], info, 3),
             "number"),
        ],
        say("No ticket tells both the fat and the oil got out.", info),
        info,
    )  # fmt: skip


def waiting_table(learned: Lessons, info: Mapping[str, Any], names: Mapping[str, str]) -> DisplayTable:
    """What another day of picking would have done, the blocks with the greatest difference first."""
    unit = display_unit(info, "area").label
    rows = learned.waiting.sort_values("lost_ha", ascending=False, kind="stable").head(MOST_BLOCKS)
    return _table(
        say("What another day would have brought, in the weather that came", info),
        [
            (mark("Block"), "", [names.get(b, b) for b in rows["block_id"]], "name"),
            (mark("Picked"), "", _days(rows["picked_on"], info), "first"),
            (mark("Worth"), f"/{unit}", _money(rows["value_ha"], info), "number"),
            (mark("A week earlier"), f"/{unit}", _money(rows["earlier_ha"], info), "number"),
            (mark("A week later"), f"/{unit}", _money(rows["later_ha"], info), "number"),
            (mark("Its best day"), "", _days(rows["best_on"], info), ""),
            (mark("Short of its best day"), f"/{unit}", _money(rows["lost_ha"], info), "when number"),
        ],
        say("No ticket tells when a block was picked.", info),
        info,
    )


def tables(learned: Lessons, info: Mapping[str, Any], names: Mapping[str, str]) -> tuple[DisplayTable, ...]:
    """All tables of the page, for a terminal."""
    return (
        cultivars_table(learned, info), blocks_table(learned, info, names), extraction_table(learned, info),
        waiting_table(learned, info, names),
    )  # fmt: skip


# --- pictures --------------------------------------------------------------------------------------------------


def _styles(week: Week) -> dict[str, int]:
    return dict(zip(week.stage["cultivar"].astype(str), week.stage["style_index"], strict=True))


def finding_courses(learned: Lessons, info: Mapping[str, Any]) -> str:
    """What the cultivars' curves show, in a sentence."""
    rows = learned.curves.dropna(subset=["half_on"]).sort_values("half_on", kind="stable")
    if rows.empty:
        return say("No cultivar was sampled", info)
    first = {"cultivar": rows["cultivar"].iloc[0], "day": day_text(rows["half_on"].iloc[0], info)}
    if len(rows) == 1:
        return say("{cultivar} held half of its plateau on {day}", info, **first)
    last = {"last": rows["cultivar"].iloc[-1], "last_day": day_text(rows["half_on"].iloc[-1], info)}
    return say("Half of the plateau: {cultivar} first, {day}; {last} last, {last_day}", info, **first, **last)


_COURSES_SUB = mark("Dry oil, %: samples, middle and 8-in-10 range of the cultivar's blocks; dotted: plateau.")


def courses_size(learned: Lessons, info: Mapping[str, Any], week: Week, *, wide: bool) -> tuple[float, float]:
    """Width and height that suit `courses` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    _, down = panel_grid(width, max(len(learned.curves), 1))
    top = head_height(week, finding_courses(learned, info), [say(_COURSES_SUB, info)], width)
    return width / 72, (top + down * PANEL_H + 16) / 72


@own_look
def courses(learned: Lessons, week: Week, ax: Axes) -> Axes:
    """Dry oil of each cultivar through the season: samples, curve and plateau.

    Parameters
    ----------
    learned : Lessons
    week : Week
        Names, look and language.
    ax : Axes
    """
    info = week.info
    width, _ = lay_sheet(ax)
    top = draw_head(ax, week, width, finding_courses(learned, info), [say(_COURSES_SUB, info)])
    if learned.curves.empty:
        return ax
    across, _ = panel_grid(width, len(learned.curves))
    first = float(day_number(learned.samples["day"]).min()) - 4
    last = float(day_number(info["as_of"])) + 1
    high = max(learned.curves["plateau_dry_pct"].max(), learned.samples["oil_dry_pct"].max()) * 1.05
    left, gap, styles = 24.0, 12.0, _styles(week)
    cell = (width - 3 - left + gap) / across
    for i, row in enumerate(learned.curves.itertuples(index=False)):
        down, col = divmod(i, across)
        x0, y0 = left + col * cell, top + down * PANEL_H
        box = (x0, x0 + cell - gap, y0 + 20, y0 + PANEL_H - 14)
        x, y = scale(first, last, box[0], box[1]), scale(0, high, box[3], box[2])
        style = cultivar_style(styles.get(row.cultivar))
        room = box[1] - box[0] - 10
        write(ax, x0 + 10, y0 + 13, fit_text(drawable(row.cultivar), SMALL, room, bold=True), size=SMALL, bold=True)
        draw_marks(ax, [x0 + 4], [y0 + 10], style.marker, size=4.5, fill=style.fill, edge=style.fill)
        draw_frame(ax, week, box, y, nice_ticks(0, high, 5), labels=col == 0)
        course = learned.courses[(learned.courses["cultivar"] == row.cultivar)]
        at = day_number(course["day"])
        course, at = course[at >= first], at[at >= first]
        low, middle, most = (y(course[f"oil_dry_{q}_pct"]) for q in ("p10", "p50", "p90"))
        band = [*zip(x(at), low, strict=True), *zip(x(at)[::-1], most[::-1], strict=True)]
        draw_boxes(ax, [band] if len(band) > 2 else [], "#c9d4dc", z=1.5)
        draw_path(ax, x(at), middle, color=style.text, width=1.6)
        plateau = float(y(row.plateau_dry_pct))
        draw_lines(ax, [[(box[0], plateau), (box[1], plateau)]], color=SOFT, width=1.0, dash=(0, (1, 1.5)), z=2)
        seen = learned.samples[learned.samples["cultivar"] == row.cultivar]
        draw_marks(ax, x(day_number(seen["day"])), y(seen["oil_dry_pct"]), "o", size=2.6, fill="white", edge=SOFT,
                   width=0.7, z=3)  # fmt: skip
        if i + across >= len(learned.curves):
            draw_day_axis(ax, week, x, first, last, box[3], every="month", room=box[1] - box[0])
    return ax


def alt_courses(learned: Lessons, info: Mapping[str, Any]) -> str:
    """Alternative text of `courses`."""
    told = [
        say("{cultivar}: plateau {pct} %, half of it on {day}", info, cultivar=r.cultivar,
            pct=number_text(r.plateau_dry_pct, info, 1), day=day_text(r.half_on, info))
        for r in learned.curves.itertuples(index=False)
    ]  # fmt: skip
    return ". ".join([finding_courses(learned, info), *told]) + "."


_PANELS = (("earlier_ha", mark("a week earlier")), ("later_ha", mark("a week later")))
_WAITING_H = 120.0
SHORT_D = 28  # a season picked within so many days is dated week by week


def finding_waiting(learned: Lessons, info: Mapping[str, Any]) -> str:
    """For how many blocks another day would have been better, in a sentence."""
    rows = learned.waiting
    if rows.empty:
        return say("No ticket tells when a block was picked", info)
    better = {name: int((rows[f"{name}_ha"] > 0).sum()) for name in ("earlier", "later")}
    return say(
        "A week earlier would have been better for {earlier} of {n} blocks, a week later for {later}", info,
        n=len(rows), **better,
    )  # fmt: skip


def _waiting_sub(info: Mapping[str, Any]) -> str:
    return say(
        "What picking a block a week earlier or later would have earned more (above the line) or less, "
        "{currency} per {unit}, by the day it was picked.",
        info, currency=info["currency"], unit=display_unit(info, "area").label,
    )  # fmt: skip


def _waiting_key(learned: Lessons, week: Week) -> list[tuple[str, str]]:
    styles = _styles(week)
    return [(f"style {int(styles.get(c, 0))}", c) for c in dict.fromkeys(learned.waiting["cultivar"])]


def waiting_size(learned: Lessons, info: Mapping[str, Any], week: Week, *, wide: bool) -> tuple[float, float]:
    """Width and height that suit `waiting` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    top = head_height(week, finding_waiting(learned, info), [_waiting_sub(info)], width)
    if learned.waiting.empty:
        return width / 72, (top + 6) / 72
    top += KEY_LINE * len(key_rows(_waiting_key(learned, week), width)) + 3
    return width / 72, (top + (1 if wide else 2) * _WAITING_H + 16) / 72


@own_look
def waiting(learned: Lessons, week: Week, ax: Axes) -> Axes:
    """What picking each block a week earlier, and a week later, would have earned more, by its day.

    Parameters
    ----------
    learned : Lessons
    week : Week
    ax : Axes
    """
    info, rows = week.info, learned.waiting
    width, _ = lay_sheet(ax)
    if rows.empty:
        return draw_nothing(ax, week, width, finding_waiting(learned, info))
    top = draw_head(ax, week, width, finding_waiting(learned, info), [_waiting_sub(info)])
    for items in key_rows(_waiting_key(learned, week), width):
        for kind, cultivar, x0 in items:  # marks as they stand in the picture, where areas would need a hatch
            style = cultivar_style(int(kind.removeprefix("style ")))
            draw_marks(ax, [x0 + 6], [top + KEY_LINE / 2], style.marker, size=5, fill=style.fill, edge=style.fill)
            write(ax, x0 + 16, top + KEY_LINE / 2 + 3, cultivar, size=SMALL, color=SOFT)
        top += KEY_LINE
    top += 3
    money = {column: per_area(rows[column], info) for column, _ in _PANELS}
    low, high = min(0.0, *(v.min() for v in money.values())), max(0.0, *(v.max() for v in money.values()))
    low, high = low - 0.06 * (high - low), high + 0.06 * (high - low)
    at, styles = day_number(rows["picked_on"]), _styles(week)
    first, last = float(at.min()) - 2, float(at.max()) + 2
    pace = "week" if last - first < SHORT_D else "fortnight"
    abreast = width > 400
    left, gap = 40.0, 46.0
    wide = (width - 3 - left - gap) / 2 if abreast else width - 3 - left
    for i, (column, words) in enumerate(_PANELS):
        x0 = left + i * (wide + gap) if abreast else left
        y0 = top if abreast else top + i * _WAITING_H
        box = (x0, x0 + wide, y0 + 18, y0 + _WAITING_H - 14)
        x, y = scale(first, last, box[0], box[1]), scale(low, high, box[3], box[2])
        write(ax, x0, y0 + 12, say(words, info), size=SMALL, bold=True)
        draw_frame(ax, week, box, y, nice_ticks(low, high, 4), labels=True)
        draw_lines(ax, [[(box[0], float(y(0))), (box[1], float(y(0)))]], color=SOFT, width=1.2, z=2)
        for cultivar in dict.fromkeys(rows["cultivar"]):
            mine, style = (rows["cultivar"] == cultivar).to_numpy(), cultivar_style(styles.get(cultivar))
            draw_marks(ax, x(at[mine]), y(money[column][mine]), style.marker, size=4.6, fill=style.fill, edge="white",
                       width=0.6)  # fmt: skip
        if abreast or i == len(_PANELS) - 1:
            draw_day_axis(ax, week, x, first, last, box[3], every=pace, room=wide)
    return ax


def alt_waiting(learned: Lessons, info: Mapping[str, Any]) -> str:
    """Alternative text of `waiting`."""
    return f"{finding_waiting(learned, info)}. {says(learned, info)[1]}".strip()


_DRAWN: Mapping[str, tuple[Callable[..., Any], Callable[..., str], Callable[..., tuple[float, float]], str]] = {
    "courses": (courses, alt_courses, courses_size, mark("The season's curves, which the next season begins with.")),
    "waiting": (
        waiting, alt_waiting, waiting_size,
        mark("Each mark is a block; machines and mill could not have picked all of them on their best days."),
    ),
}  # fmt: skip


def picture(learned: Lessons, week: Week, kind: str, *, wide: bool = False) -> str:
    """HTML of one picture with its alternative text, for `weekly.show`.

    Parameters
    ----------
    learned : Lessons
    week : Week
    kind : str
        "courses" or "waiting".
    wide : bool

    Raises
    ------
    ValueError
        Unknown kind.
    """
    if kind not in _DRAWN:
        raise ValueError(f"picture: found {kind!r}, expected {' or '.join(_DRAWN)}. Name one of these.")
    draw, alt, size, caption = _DRAWN[kind]
    figure, ax = new_figure(*size(learned, week.info, week, wide=wide))
    draw(learned, week, ax)
    return drawn_html(week, figure, alt(learned, week.info), say(caption, week.info), broad=wide)


def page_parts(learned: Lessons, week: Week, *, wide: bool = False) -> dict[str, tuple[str | DisplayTable, ...]]:
    """Pieces of the page by section: "curves", "mill" and "waiting".

    Parameters
    ----------
    learned : Lessons
    week : Week
    wide : bool
        For a desk.
    """
    info = week.info
    names = dict(zip(week.stage["block_id"].astype(str), week.stage["block_name"].astype(str), strict=True))
    return {
        "curves": (
            picture(learned, week, "courses", wide=wide), cultivars_table(learned, info),
            blocks_table(learned, info, names),
        ),
        "mill": (extraction_table(learned, info),),
        "waiting": (picture(learned, week, "waiting", wide=wide), waiting_table(learned, info, names)),
    }  # fmt: skip
