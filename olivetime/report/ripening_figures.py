"""Pictures of the fruit: oil curves, colour classes, residuals. Each draws finished tables on an `ax` and returns it.

A picture's `alt_...` function says the same finding in words, from the same numbers.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from olivetime.languages import mark, say, say_count
from olivetime.report.canvas import (
    CLASS_FILLS,
    CREAM,
    FOOT,
    INK,
    KEY_LINE,
    LEFT,
    OCHRE,
    PALE,
    PANEL_H,
    PHONE_IN,
    SMALL,
    SOFT,
    WARN,
    WIDE_IN,
    Panels,
    Style,
    as_of_number,
    block_label,
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
    key_rows,
    lay_sheet,
    listed,
    nice_ticks,
    order_of,
    own_look,
    panel_grid,
    rect,
    scale,
    stage_of,
    text_width,
    write,
)
from olivetime.report.tables import Week, doubtful, target_text, texts_of
from olivetime.words import chance_text, count_text, day_text, number_text

# ---------------------------------------------------------------------------------------------------------
# Ripening curves
_CURVE_KEY = (
    ("sample", mark("sample")),
    ("solid", mark("fitted")),
    ("dashed", mark("forecast")),
    ("band", mark("8-in-10 range")),
    ("diamond", mark("target date")),
    ("range", mark("its 8-in-10 range")),
)


def _last_season(week: Week, ids: Sequence[str]) -> pd.DataFrame:
    """Samples of the season before, on this season's calendar."""
    past = week.past_samples[week.past_samples["block_id"].isin(ids)]
    if past.empty or not past["season"].notna().any():
        return past.iloc[:0]
    newest = int(past["season"].max())
    past = past[past["season"] == newest].sort_values("sampled_on")
    years = pd.DateOffset(years=int(week.info["label"]) - newest)
    return past.assign(sampled_on=pd.to_datetime(past["sampled_on"]) + years)


def _curves_key(week: Week, basis: str, ids: Sequence[str]) -> tuple[tuple[str, str], ...]:
    columns = [f"target_{kind}_pct" for kind in (("dry", "fresh") if basis == "both" else (basis,))]
    drawn = len(week.stage) and week.stage[columns].notna().any(axis=None)
    items = (*_CURVE_KEY, ("level", mark("target"))) if drawn else _CURVE_KEY
    if len(_last_season(week, ids)):
        items = (*items, ("window", mark("last season")))
    return tuple((kind, say(words, week.info)) for kind, words in items)


def _curves_grid(width: float, basis: str, n: int) -> tuple[int, int]:
    across, rows = panel_grid(width, n)
    return (across // 2, math.ceil(2 * n / across)) if basis == "both" else (across, rows)


def curves_size(
    week: Week, wide: bool, *, basis: str = "fresh", block_ids: Sequence[str] | None = None
) -> tuple[float, float]:
    """Width and height that suit `curves` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = chosen_blocks(week, block_ids)
    _, rows = _curves_grid(width, basis, len(ids))
    head = head_height(week, finding_curves(week, block_ids=ids), [_curves_sub(week, basis)], width)
    key = KEY_LINE * len(key_rows(_curves_key(week, basis, ids), width)) + 3
    return width / 72, (head + key + rows * PANEL_H) / 72


def _curves_sub(week: Week, basis: str) -> str:
    what = {
        "fresh": say("Oil, % of fresh weight.", week.info),
        "dry": say("Oil, % of dry weight.", week.info),
        "both": say("Oil, %: left of dry, right of fresh weight.", week.info),
    }[basis]
    day, target = day_text(week.info["as_of"], week.info), target_text(week)
    return what + " " + say("Grey line: {day}. Target: {target}.", week.info, day=day, target=target)


def finding_curves(week: Week, *, block_ids: Sequence[str] | None = None, basis: str = "fresh") -> str:
    """What the curves show, in a sentence."""
    del basis  # the finding is the same on every basis; the argument keeps the three functions' calls alike
    stage, order = stage_of(week), order_of(week)
    rows = [stage[b] for b in chosen_blocks(week, block_ids) if not is_picked(order.get(b))]
    reached = [r for r in rows if r["verdict"] == "reached"]
    dated = sorted(
        (r for r in rows if r["verdict"] in ("not yet", "may never") and not pd.isna(r["on_p50"])),
        key=lambda r: r["on_p50"],
    )
    never = sum(r["verdict"] == "never" for r in rows)
    parts, info = [], week.info
    if reached:
        parts.append(
            say("{n} of {blocks} at target", info, n=len(reached), blocks=count_text(len(rows), "block", info=info))
            if len(reached) < len(rows)
            else say("All {n} blocks at target", info, n=len(rows))
            if len(rows) > 1
            else say("Target reached", info)
        )
    if dated:
        first = {"block": dated[0]["block_name"], "day": day_text(dated[0]["on_p50"], info)}
        message = mark("next {block}, about {day}") if reached else mark("First at target: {block}, about {day}")
        parts.append(say(message, info, **first))
    if never:
        parts.append(say_count("{n} block never", "{n} blocks never", never, info))
    if not rows:
        return say("All blocks are picked", info)
    return "; ".join(parts) or say("No block reaches its target this season", info)


def alt_curves(week: Week, *, basis: str = "fresh", block_ids: Sequence[str] | None = None) -> str:
    """Alternative text of `curves`."""
    ids = chosen_blocks(week, block_ids)
    if not ids:
        return say("No blocks to draw.", week.info)
    message = {
        "fresh": mark("Oil in per cent of fresh weight; target {target}: {blocks}."),
        "dry": mark("Oil in per cent of dry weight; target {target}: {blocks}."),
        "both": mark("Oil in per cent of dry and of fresh weight; target {target}: {blocks}."),
    }[basis]
    told = say(message, week.info, target=target_text(week), blocks="; ".join(_curves_say(week, basis, ids)))
    return f"{finding_curves(week, block_ids=ids)}. {told}"


def _curves_say(week: Week, basis: str, ids: Sequence[str]) -> list[str]:
    """What the panel of each block says."""
    stage, order, says = stage_of(week), order_of(week), []
    for b in ids:
        row = stage[b]
        if is_picked(order.get(b)):
            says.append(say("{block} is picked", week.info, block=row["block_name"]))
            continue
        oil = row["oil_dry_now_p50_pct"] if basis == "dry" else row["oil_fresh_now_p50_pct"]
        now = ", " + say("now {pct} %", week.info, pct=number_text(oil, week.info, 1)) if not pd.isna(oil) else ""
        says.append(f"{_reach_words(row, week)}{now}")
    return says


def curves_panels(week: Week, *, basis: str = "fresh", block_ids: Sequence[str] | None = None) -> Panels:
    """Panels of the narrow `curves`."""
    ids = chosen_blocks(week, block_ids)
    key = listed([words for _, words in _curves_key(week, basis, ids)], week.info, 9)
    across, _ = _curves_grid(72 * PHONE_IN, basis, len(ids))
    return Panels(tuple(_curves_say(week, basis, ids)), across, PANEL_H, key)


def _reach_words(row: Mapping[str, Any], week: Week) -> str:
    verdict, info, block = row["verdict"], week.info, row["block_name"]
    if verdict == "reached":
        return say("{block} has reached its target", info, block=block)
    if verdict == "never":
        return say("{block} will not reach its target this season", info, block=block)
    if verdict not in ("not yet", "may never"):
        return say("{block} cannot be told", info, block=block)
    if pd.isna(row["on_p50"]):
        by = day_text(info["end"], info)
        return say("{block} does not reach its target by {day}", info, block=block, day=by)
    first, last = day_text(row["on_p10"], info), row["on_p90"]
    if pd.isna(last):
        text = say("{block} reaches its target from {day} on", info, block=block, day=first)
    else:
        dates = {"first": first, "last": day_text(last, info)}
        text = say("{block} reaches its target between {first} and {last}", info, block=block, **dates)
    if verdict == "may never":
        text += f" ({say('chance of never: {chance}', info, chance=chance_text(row['never_chance'], info))})"
    return text


@own_look
def curves(week: Week, ax: Axes, *, basis: str = "fresh", block_ids: Sequence[str] | None = None) -> Axes:
    """Small multiples of oil over time: samples, fitted line, forecast with its 8-in-10 range, target and its date.

    Parameters
    ----------
    week : Week
    ax : Axes
        Drawn over whole; `curves_size` says how large it should be. Narrower than 400 points: two panels across.
    basis : str
        "fresh", "dry" or "both" (dry and fresh side by side for each block).
    block_ids : sequence of str, optional
        Blocks to show; the first `BLOCKS_A_PAGE` of the order by default.

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        Unknown basis or block.
    """
    if basis not in ("fresh", "dry", "both"):
        raise ValueError(f"basis: found {basis!r}, expected fresh, dry or both. Give one of these.")
    width, _ = lay_sheet(ax)
    ids = chosen_blocks(week, block_ids)
    if not ids:
        return draw_nothing(ax, week, width, say("No blocks to draw.", week.info))
    top = draw_head(ax, week, width, finding_curves(week, block_ids=ids), [_curves_sub(week, basis)])
    top = draw_key(ax, top, width, _curves_key(week, basis, ids))
    across, _ = _curves_grid(width, basis, len(ids))
    bases = ("dry", "fresh") if basis == "both" else (basis,)
    stage, order, today = stage_of(week), order_of(week), as_of_number(week)
    curve = dict(tuple(week.curves[week.curves["block_id"].isin(ids)].groupby("block_id")))
    sample = dict(tuple(week.samples[week.samples["block_id"].isin(ids)].groupby("block_id")))
    past = dict(tuple(_last_season(week, ids).groupby("block_id")))
    first, last = _curve_span(week, ids, today)
    limits = {k: _oil_limits(curve, sample, k, first, last) for k in bases}
    cell = width / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, x1, y0 = col * cell + LEFT, (col + 1) * cell - 6, top + row * PANEL_H
        style = cultivar_style(stage[b]["style_index"])
        draw_panel_head(
            ax,
            week,
            stage[b],
            order.get(b),
            style,
            x0 - LEFT + 2,
            x1,
            y0,
            verdict=say("picked", week.info) if is_picked(order.get(b)) else None,
        )
        inner = (x1 - x0 + LEFT) / len(bases)
        # A picked block waits for no target date any more.
        told = {**stage[b], "verdict": "reached"} if is_picked(order.get(b)) else stage[b]
        for j, kind in enumerate(bases):
            px0 = x0 + j * inner
            px1 = px0 + inner - LEFT
            _oil_panel(
                ax,
                week,
                told,
                curve.get(b),
                sample.get(b),
                past.get(b),
                style,
                kind,
                (px0, px1, y0 + 31, y0 + PANEL_H - FOOT),
                (first, last),
                limits[kind],
            )
            if len(bases) == 2:
                low = y0 + PANEL_H - FOOT - 4
                write(ax, px1 - 2, low, say(kind, week.info), size=SMALL, color=SOFT, ha="right", halo=True)
    return ax


def _curve_span(week: Week, ids: Sequence[str], today: float) -> tuple[float, float]:
    samples = week.samples[week.samples["block_id"].isin(ids)]
    first = float(np.nanmin(day_number(samples["sampled_on"]))) - 4 if len(samples) else today - 30
    stage = week.stage[week.stage["block_id"].isin(ids)]
    ends = np.concatenate([day_number(stage["on_p90"]), day_number(stage["on_p50"]) + 7])
    ends = ends[np.isfinite(ends)]
    wanted = float(ends.max()) + 3 if len(ends) else today + 30
    season_end = float(day_number(week.info["end"]))
    return min(first, today - 21), max(min(wanted, today + 70, season_end), today + 21)


def _oil_limits(
    curve: Mapping[str, pd.DataFrame], sample: Mapping[str, pd.DataFrame], kind: str, first: float, last: float
) -> tuple[float, float]:
    highs, lows = [], []
    for part in curve.values():
        day = day_number(part["day"])
        inside = part[(day >= first) & (day <= last)]
        highs.append(inside[f"oil_{kind}_p90_pct"].max())
    for part in sample.values():
        lows.append(part[f"oil_{kind}_pct"].min())
        highs.append(part[f"oil_{kind}_pct"].max())
    high = np.nanmax(np.asarray([*highs, 1.0], dtype=float))
    low = np.nanmin(np.asarray([*lows, high], dtype=float))
    low = min(low, 0.6 * high)
    return max(0.0, low - 0.08 * (high - low)), high + 0.06 * (high - low)


def _oil_panel(
    ax: Axes,
    week: Week,
    stage: Mapping[str, Any],
    curve: pd.DataFrame | None,
    sample: pd.DataFrame | None,
    past: pd.DataFrame | None,
    style: Style,
    kind: str,
    box: tuple[float, float, float, float],
    span: tuple[float, float],
    limits: tuple[float, float],
    dates: bool = True,
) -> None:
    x0, x1, y0, y1 = box
    (first, last), (low, high) = span, limits
    x, y = scale(first, last, x0, x1), scale(low, high, y1, y0)
    reach = np.asarray([float(v) for v in day_number([stage["on_p10"], stage["on_p50"], stage["on_p90"]])])
    today = as_of_number(week)
    if stage["verdict"] != "reached" and np.isfinite(reach[0]):
        end = min(reach[2] if np.isfinite(reach[2]) else last, last)
        if reach[0] < end:
            draw_boxes(ax, [rect(float(x(max(reach[0], first))), y0, float(x(end)), y1)], CREAM, z=0.5)
    draw_frame(ax, week, box, y, nice_ticks(low, high, 5), labels=True)
    level = stage[f"target_{kind}_pct"]
    if not pd.isna(level) and low < float(level) < high:
        draw_lines(
            ax, [[(x0, float(y(level))), (x1, float(y(level)))]], color=OCHRE, width=1.0, dash=(0, (1, 1.5)), z=2
        )
    draw_lines(ax, [[(float(x(today)), y0 - 2), (float(x(today)), y1)]], color=PALE, width=1.1, z=2)
    if past is not None:
        told = past[past[f"oil_{kind}_pct"].notna()]
        day, oil = day_number(told["sampled_on"]), told[f"oil_{kind}_pct"].to_numpy(dtype=float)
        shown = (day >= first) & (day <= last) & (oil >= low) & (oil <= high)
        draw_path(ax, x(day[shown]), y(oil[shown]), color=PALE, width=2.2, z=1.5)
    if curve is not None:
        day = day_number(curve["day"])
        inside = (day >= first) & (day <= last)
        day, part = day[inside], curve[inside]
        p10, p50, p90 = (part[f"oil_{kind}_{p}_pct"].to_numpy(dtype=float) for p in ("p10", "p50", "p90"))
        ahead = part["forecast"].to_numpy(dtype=bool)
        clip = functools.partial(np.clip, a_min=low, a_max=high)
        edge = np.concatenate([np.column_stack([x(day), y(clip(p10))]), np.column_stack([x(day), y(clip(p90))])[::-1]])
        ax.add_collection(
            PolyCollection([edge], facecolors=style.fill, alpha=0.2, linewidths=0, zorder=2), autolim=False
        )
        seen = np.where(p50 >= low, p50, np.nan)
        draw_path(ax, x(day[~ahead]), y(seen[~ahead]), color=style.fill, width=2)
        join = ahead | np.roll(ahead, -1)  # the dashes begin where the solid line ends
        draw_path(ax, x(day[join]), y(seen[join]), color=style.fill, width=2, dash=(0, (2, 1.1)))
        if stage["verdict"] != "reached" and np.isfinite(reach[1]) and first <= reach[1] <= last:
            at = float(np.interp(reach[1], day, p50))
            draw_lines(
                ax,
                [[(float(x(reach[1])), float(y(at))), (float(x(reach[1])), y1)]],
                color=INK,
                width=1,
                dash=(0, (1, 1.5)),
                z=3,
            )
            draw_marks(ax, [float(x(reach[1]))], [float(y(at))], "D", size=5.5)
    if sample is not None:
        draw_marks(
            ax,
            x(day_number(sample["sampled_on"])),
            y(sample[f"oil_{kind}_pct"].to_numpy(dtype=float)),
            style.marker,
            size=4.5,
            fill="white",
            edge=style.fill,
        )
    if dates:
        draw_day_axis(ax, week, x, first, last, y1, every="month", room=x1 - x0)


# ---------------------------------------------------------------------------------------------------------
# Everything a block's samples say, on one axis of days
_DRY_H, _FRESH_H, _COLOUR_H, _LANE_GAP = 46.0, 38.0, 22.0, 6.0
COURSE_H = 31 + _DRY_H + _FRESH_H + _COLOUR_H + 2 * _LANE_GAP + FOOT


def _ripening_sub(week: Week) -> str:
    words = mark("Top: oil, % of dry weight; middle: oil, % of fresh weight; below: share of each colour class.")
    what = say(words, week.info)
    day, target = day_text(week.info["as_of"], week.info), target_text(week)
    return what + " " + say("Grey line: {day}. Target: {target}.", week.info, day=day, target=target)


def ripening_size(week: Week, wide: bool, *, block_ids: Sequence[str] | None = None) -> tuple[float, float]:
    """Width and height that suit `ripening` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = chosen_blocks(week, block_ids)
    head = head_height(week, finding_curves(week, block_ids=ids), [_ripening_sub(week)], width)
    key = KEY_LINE * len(key_rows(_curves_key(week, "both", ids), width)) + 3 + _CLASS_KEY_H
    return width / 72, (head + key + panel_grid(width, max(len(ids), 1))[1] * COURSE_H) / 72


def alt_ripening(week: Week, *, block_ids: Sequence[str] | None = None) -> str:
    """Alternative text of `ripening`."""
    ids = chosen_blocks(week, block_ids)
    if not ids:
        return say("No blocks to draw.", week.info)
    return f"{finding_curves(week, block_ids=ids)}. {_ripening_sub(week)} {'; '.join(_ripening_say(week, ids))}."


def _ripening_say(week: Week, ids: Sequence[str]) -> list[str]:
    """What the panel of each block says: both oils and the colour most fruit has."""
    stage, order, says = stage_of(week), order_of(week), []
    for b, oil, colour in zip(ids, _curves_say(week, "fresh", ids), _classes_say(week, ids), strict=True):
        parts, dry = [oil], stage[b]["oil_dry_now_p50_pct"]
        if not is_picked(order.get(b)):
            if not pd.isna(dry):
                parts.append(say("{pct} % of dry weight", week.info, pct=number_text(dry, week.info, 1)))
            if colour:
                parts.append(colour)
        says.append(", ".join(parts))
    return says


def ripening_panels(week: Week, *, block_ids: Sequence[str] | None = None) -> Panels:
    """Panels of the narrow `ripening`."""
    ids = chosen_blocks(week, block_ids)
    words = [words for _, words in _curves_key(week, "both", ids)]
    words.append(f"0 {say('green', week.info)} – 7 {say('black', week.info)}")
    return Panels(tuple(_ripening_say(week, ids)), panel_grid(72 * PHONE_IN, len(ids))[0], COURSE_H, listed(
        words, week.info, 9))  # fmt: skip


@own_look
def ripening(week: Week, ax: Axes, *, block_ids: Sequence[str] | None = None) -> Axes:
    """Small multiples of all that samples say of a block: dry oil, fresh oil and colour over one axis of days.

    Parameters
    ----------
    week : Week
    ax : Axes
        Drawn over whole; `ripening_size` says how large it should be. Narrower than 400 points: two panels across.
    block_ids : sequence of str, optional
        Blocks to show; the first `BLOCKS_A_PAGE` of the order by default.
    """
    width, _ = lay_sheet(ax)
    ids = chosen_blocks(week, block_ids)
    if not ids:
        return draw_nothing(ax, week, width, say("No blocks to draw.", week.info))
    top = draw_head(ax, week, width, finding_curves(week, block_ids=ids), [_ripening_sub(week)])
    top = draw_key(ax, top, width, _curves_key(week, "both", ids))
    top = _class_key(ax, week, top, width)
    across, _ = panel_grid(width, len(ids))
    stage, order, today = stage_of(week), order_of(week), as_of_number(week)
    curve = dict(tuple(week.curves[week.curves["block_id"].isin(ids)].groupby("block_id")))
    sample = dict(tuple(week.samples[week.samples["block_id"].isin(ids)].groupby("block_id")))
    past = dict(tuple(_last_season(week, ids).groupby("block_id")))
    classes = dict(tuple(week.classes[week.classes["block_id"].isin(_hanging(week, ids))].groupby("block_id")))
    first, last = span = _curve_span(week, ids, today)
    limits = {k: _oil_limits(curve, sample, k, first, last) for k in ("dry", "fresh")}
    cell = width / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, x1, y0 = col * cell + LEFT, (col + 1) * cell - 6, top + row * COURSE_H
        style, picked = cultivar_style(stage[b]["style_index"]), is_picked(order.get(b))
        verdict = say("picked", week.info) if picked else None
        draw_panel_head(ax, week, stage[b], order.get(b), style, x0 - LEFT + 2, x1, y0, verdict=verdict)
        told = {**stage[b], "verdict": "reached"} if picked else stage[b]
        at = y0 + 31
        for kind, high in (("dry", _DRY_H), ("fresh", _FRESH_H)):
            box = (x0, x1, at, at + high)
            _oil_panel(
                ax, week, told, curve.get(b), sample.get(b), past.get(b), style, kind, box, span, limits[kind], False
            )
            at += high + _LANE_GAP
        lane = (x0, x1, at, at + _COLOUR_H)
        x = scale(first, last, x0, x1)
        if b in classes:
            _class_areas(ax, classes[b], lane, x, (today, last))
        index = stage[b]["maturity_now_p50"]
        if not picked and not pd.isna(index):
            index = number_text(index, week.info, 1)
            words = say("maturity {index}", week.info, index=index)
            room = float(x(today)) - x0 - 2
            words = next((t for t in (words, index) if text_width(t, SMALL) <= room), "")
            write(ax, x0, at + 9, words, size=SMALL, color=SOFT)
        draw_lines(ax, [[(x0, lane[3]), (x1, lane[3])]], color=SOFT, width=0.9, z=4)
        draw_day_axis(ax, week, x, first, last, lane[3], every="month", room=x1 - x0)
    return ax


def _hanging(week: Week, block_ids: Sequence[str] | None) -> list[str]:
    """Asked blocks without those that are picked: their fruit has no colour in the days ahead."""
    order = order_of(week)
    return [b for b in chosen_blocks(week, block_ids) if not is_picked(order.get(b))]


def _classes_say(week: Week, ids: Sequence[str]) -> list[str]:
    """What each block's fruit looks like today; "" where it has no counts."""
    says = []
    for b in ids:
        part = week.classes[week.classes["block_id"] == b].sort_values("day")
        if part.empty or part.iloc[0][[f"class{i}" for i in range(8)]].isna().any():
            says.append("")
            continue
        shares = [float(part.iloc[0][f"class{i}"]) for i in range(8)]
        top = int(np.argmax(shares))
        pct = number_text(100 * shares[top], week.info)
        says.append(say("most fruit in colour class {top} ({pct} %)", week.info, top=top, pct=pct))
    return says


_CLASS_KEY_H = 24.0


def _class_key(ax: Axes, week: Week, top: float, width: float) -> float:
    """Draw the eight colour classes with their numbers; gives the y below them."""
    green, black = say("green", week.info), say("black", week.info)
    left = text_width(green, SMALL) + 5
    step = (width - left - text_width(black, SMALL) - 4) / 8
    write(ax, 0, top + 12, green, size=SMALL, color=SOFT)
    write(ax, width, top + 12, black, size=SMALL, color=SOFT, ha="right")
    for i, fill in enumerate(CLASS_FILLS):
        at = left + i * step
        draw_boxes(ax, [rect(at, top + 2, at + step - 1, top + 16)], fill)
        write(ax, at + step / 2, top + 12.5, str(i), size=SMALL, ha="center", color="white" if i >= 3 else INK)
    return top + _CLASS_KEY_H


def _class_areas(
    ax: Axes,
    part: pd.DataFrame,
    box: tuple[float, float, float, float],
    x: Callable[[Any], Any],
    span: tuple[float, float],
) -> None:
    """Shares of the eight classes over the days of `span`, one above the other, numbers where there is room."""
    names = [f"class{k}" for k in range(8)]
    if not part[names].notna().all(axis=None):
        return
    part = part.sort_values("day")
    day = day_number(part["day"])
    inside = (day >= span[0]) & (day <= span[1])
    shares, at = 100 * part.loc[inside, names].to_numpy(dtype=float), x(day[inside])
    y = scale(0, 100, box[3], box[2])
    edges = np.column_stack([np.zeros(len(shares)), np.cumsum(shares, axis=1)])
    for k, fill in enumerate(CLASS_FILLS):
        area = np.concatenate([np.column_stack([at, y(edges[:, k])]), np.column_stack([at, y(edges[:, k + 1])])[::-1]])
        ax.add_collection(
            PolyCollection([area], facecolors=fill, edgecolors="white", linewidths=0.5, zorder=2), autolim=False
        )
        thick = np.abs(edges[:, k + 1] - edges[:, k]) * (box[3] - box[2]) / 100
        best = int(np.argmax(thick))
        if thick[best] >= 12:  # points that a number needs
            place = min(max(float(at[best]), box[0] + 6), box[1] - 6)
            low = float(y((edges[best, k] + edges[best, k + 1]) / 2)) + 3
            write(ax, place, low, str(k), size=SMALL, ha="center", color="white" if k >= 3 else INK)


# ---------------------------------------------------------------------------------------------------------
# Residuals
def _oil_residuals(week: Week) -> pd.DataFrame:
    rows = week.residuals
    kinds = rows["kind"].astype(str)
    return rows[(kinds == "oil") & rows["residual_sd"].notna()]


def finding_residuals(week: Week) -> str:
    """What the residuals show, in a sentence."""
    rows, odd = _oil_residuals(week), doubtful(week)
    if rows.empty:
        return say("No oil samples to compare with the curves", week.info)
    far = int((rows["residual_sd"].astype(float).abs() > 2).sum())
    share = number_text(100 * far / len(rows), week.info)
    info = week.info
    tail = count_text(len(odd), "doubtful sample", info=info) if len(odd) else say("no doubtful sample", info)
    samples = count_text(len(rows), "oil sample", info=info)
    return say("{pct} % of {samples} lie beyond 2 sd (5 % expected)", info, pct=share, samples=samples) + f"; {tail}"


def alt_residuals(week: Week) -> str:
    """Alternative text of `residuals`."""
    odd, sd = doubtful(week), say("sd", week.info)
    names = [
        f"{r['sample_id']} ({block_label(week, r['block_id'])}, {number_text(r['residual_sd'], week.info, 1)} {sd})"
        for r in odd.to_dict("records")
    ]
    told = say("Distance of each oil sample from its curve, in sd, against the curve and by date.", week.info)
    tail = " " + say("Doubtful: {samples}.", week.info, samples=listed(names, week.info)) if names else ""
    return f"{finding_residuals(week)}. {told}{tail}"


def residuals_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `residuals` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    rows = math.ceil(len(_residual_plots(week)) / (2 if wide else 1))
    head = head_height(week, finding_residuals(week), [say(_RESIDUAL_SUB, week.info)], width)
    key = _markers_height(_cultivars_used(week, _oil_residuals(week)["block_id"]), width)
    return width / 72, (head + key + RESIDUAL_H * rows) / 72


def residuals_panels(week: Week) -> Panels:
    """Panels of the narrow `residuals`."""
    info = week.info
    says = [
        say("Distance of each oil sample from its curve, in sd: {plot}", info, plot=say(_PLOT_WORDS[plot], info))
        for plot in _residual_plots(week)
    ]
    used = [name for _, name in _cultivars_used(week, _oil_residuals(week)["block_id"])]
    return Panels(tuple(says), 1, RESIDUAL_H, listed(used, info, 9))


RESIDUAL_H = 148.0
_PLOT_WORDS = {
    "fitted": mark("oil by the curve, % of dry weight"),
    "day": mark("date of the sample"),
    "expected": mark("expected of errors as assumed, sd"),
    "source": mark("laboratory and method"),
}
MOST_SOURCES = 4  # laboratories and methods told apart in a picture
_RESIDUAL_SUB = mark("Sample minus curve, in standard deviations; shaded: 19 in 20 expected inside.")


def _sources(week: Week) -> pd.Series:
    """Laboratory and method of each oil sample, in words; fewer than two of them: nothing to compare."""
    rows = _oil_residuals(week)
    known = week.samples.drop_duplicates("sample_id").set_index("sample_id").reindex(rows["sample_id"])
    names = [
        f"{lab} {method}".strip() for lab, method in zip(texts_of(known["lab"]), texts_of(known["method"]), strict=True)
    ]
    return pd.Series(names, index=rows.index, dtype=object)


def _residual_plots(week: Week) -> list[str]:
    """What residuals are drawn against."""
    plots = ["fitted", "day"]
    if _oil_residuals(week)["expected_sd"].notna().any():
        plots.append("expected")
    if 1 < _sources(week).nunique() <= MOST_SOURCES:
        plots.append("source")
    return plots


@own_look
def residuals(week: Week, ax: Axes) -> Axes:
    """Distance of every oil sample from its curve, four ways.

    Against the fitted value, by date, against what errors of the assumed kind would be (QQ plot), and by laboratory
    and method where there are several.

    Parameters
    ----------
    week : Week
    ax : Axes
        Plots two abreast when wider than 400 points, else one below the other.
    """
    width, _ = lay_sheet(ax)
    rows = _oil_residuals(week)
    if rows.empty:
        return draw_nothing(ax, week, width, finding_residuals(week))
    top = draw_head(ax, week, width, finding_residuals(week), [say(_RESIDUAL_SUB, week.info)])
    stage = stage_of(week)
    used = _cultivars_used(week, rows["block_id"])
    top = _cultivar_markers(ax, used, top, width)
    across = 2 if width >= 400 else 1
    cell = (width - 20 - 32 * (across - 1)) / across
    sd = rows["residual_sd"].to_numpy(dtype=float)
    least, most = min(-3.2, float(sd.min()) - 0.3), max(3.2, float(sd.max()) + 0.3)
    ticks = np.arange(-40, 41, 2.0 if most - least < 14 else 4.0)
    ticks = ticks[(ticks > least) & (ticks < most)]
    index = np.array([int(stage[b]["style_index"]) if b in stage else 0 for b in rows["block_id"]])
    odd = set(doubtful(week)["sample_id"])
    ringed = rows["sample_id"].isin(odd).to_numpy()
    for place, kind in enumerate(_residual_plots(week)):
        row, column = divmod(place, across)
        x0, y0 = 20 + column * (cell + 32), top + row * RESIDUAL_H
        box = x0, x0 + cell, y0, y0 + RESIDUAL_H - 36
        names = sorted(_sources(week).unique())
        sides: dict[str, Callable[[], np.ndarray]] = {
            "fitted": lambda: rows["fitted"].to_numpy(dtype=float),
            "day": lambda: day_number(rows["day"]),
            "expected": lambda: rows["expected_sd"].to_numpy(dtype=float),
            # Samples of one laboratory stand beside each other, in the order of their numbers.
            "source": functools.partial(_beside, _sources(week), names),
        }
        values = sides[kind]()
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if kind == "source":
            low, high = 0.0, float(len(names))
        pad = 0.03 * (high - low) or 1.0
        x, y = scale(low - pad, high + pad, x0, x0 + cell), scale(least, most, box[3], y0)
        draw_boxes(ax, [rect(x0, float(y(2)), x0 + cell, float(y(-2)))], "#eef2f4", z=0.5)
        draw_frame(ax, week, box, y, ticks, labels=True)
        draw_lines(ax, [[(x0, float(y(0))), (x0 + cell, float(y(0)))]], color=SOFT, width=0.9, z=2)
        if kind == "expected":
            ends = max(low, least), min(high, most)
            draw_lines(ax, [[(float(x(e)), float(y(e))) for e in ends]], color=OCHRE, width=1.2, z=2)
        for i, _ in used:
            style, on = cultivar_style(i), (index == i) & np.isfinite(values)
            draw_marks(
                ax, x(values[on]), y(sd[on]), style.marker, size=3.6, fill="white", edge=style.fill, width=0.9, z=3
            )
        draw_marks(ax, x(values[ringed]), y(sd[ringed]), "o", size=9, fill="none", edge=WARN, width=1.3, z=4)
        _residual_axis(ax, week, kind, x, (low, high, pad), box, names)
    return ax


def _beside(sources: pd.Series, names: Sequence[str]) -> np.ndarray:
    """Place of each sample on an axis where the k-th source runs from k to k + 1."""
    number = sources.map({name: k for k, name in enumerate(names)}).to_numpy(dtype=float)
    count = sources.map(sources.value_counts()).to_numpy(dtype=float)
    return number + 0.08 + 0.84 * (sources.groupby(sources).cumcount().to_numpy() + 0.5) / count


def _residual_axis(
    ax: Axes,
    week: Week,
    kind: str,
    x: Any,
    span: tuple[float, float, float],
    box: tuple[float, float, float, float],
    names: Sequence[str],
) -> None:
    """Values and words under one plot of residuals."""
    (low, high, pad), (x0, x1, _, y1) = span, box
    if kind == "day":
        draw_day_axis(ax, week, x, low - pad, high + pad, y1, every="month", room=x1 - x0)
    elif kind == "source":
        room = (x1 - x0) / len(names) - 4
        for k, name in enumerate(names):
            told = fit_text(drawable(name), SMALL, room) if name else say("not told", week.info)
            write(ax, float(x(k + 0.5)), y1 + 12, told, size=SMALL, color=SOFT, ha="center")
            if k:
                draw_lines(ax, [[(float(x(k)), box[2]), (float(x(k)), y1)]], color=SOFT, width=0.6)
    else:
        for t in nice_ticks(low, high, 6 if x1 - x0 > 150 else 5):
            write(ax, float(x(t)), y1 + 12, number_text(t, week.info), size=SMALL, color=SOFT, ha="center")
    write(ax, x1, y1 + 24, say(_PLOT_WORDS[kind], week.info), size=SMALL, color=SOFT, ha="right")


def _cultivars_used(week: Week, block_ids: pd.Series) -> list[tuple[int, str]]:
    stage = stage_of(week)
    return sorted({(int(stage[b]["style_index"]), stage[b]["cultivar"]) for b in block_ids.unique() if b in stage})


def _marker_places(used: Sequence[tuple[int, str]], width: float) -> list[tuple[int, str, float, int]]:
    """Style, words, x and row of each cultivar in the key of markers."""
    places, x, row = [], 0.0, 0
    for i, cultivar in used:
        words = fit_text(drawable(cultivar), SMALL, width - 20)
        if x and x + 14 + text_width(words, SMALL) > width:
            x, row = 0.0, row + 1
        places.append((i, words, x, row))
        x += 25 + text_width(words, SMALL)
    return places


def _markers_height(used: Sequence[tuple[int, str]], width: float) -> float:
    return KEY_LINE * (1 + max((row for *_, row in _marker_places(used, width)), default=0)) + 6


def _cultivar_markers(ax: Axes, used: Sequence[tuple[int, str]], y: float, width: float) -> float:
    """Draw the key of markers; gives the y below it."""
    for i, words, x, row in _marker_places(used, width):
        style, at = cultivar_style(i), y + KEY_LINE * row
        draw_marks(ax, [x + 5], [at + 7], style.marker, size=5, fill="white", edge=style.fill)
        write(ax, x + 13, at + 10, words, size=SMALL, color=style.text)
    return y + _markers_height(used, width)


# ---------------------------------------------------------------------------------------------------------
# What was foretold of the last weeks' samples
FORETOLD_H = 150.0


def _foretold_weeks(week: Week) -> list[tuple[pd.Timestamp, pd.DataFrame]]:
    """Monday and rows of each week that was foretold, oldest first."""
    rows = week.foretold.assign(day=pd.to_datetime(week.foretold["day"]))
    rows = rows.astype(dict.fromkeys(("observed", "told_p10", "told_p50", "told_p90", "line"), float))
    monday = rows["day"] - pd.to_timedelta(rows["day"].dt.day_of_week, unit="D")
    return [(pd.Timestamp(begin), part) for begin, part in rows.groupby(monday)]


def _inside(rows: pd.DataFrame) -> np.ndarray:
    return ((rows["observed"] >= rows["told_p10"]) & (rows["observed"] <= rows["told_p90"])).to_numpy()


def finding_foretold(week: Week) -> str:
    """How the foretold ranges kept their word, in a sentence."""
    info, weeks = week.info, _foretold_weeks(week)
    if not weeks:
        return say("No samples could be foretold: there is no earlier one", info)
    rows = pd.concat([part for _, part in weeks])
    off = (rows["observed"] - rows["told_p50"]).abs()
    first = say(
        "{pct} % of {samples} fell inside the range foretold (80 % expected)",
        info,
        pct=number_text(100 * _inside(rows).mean(), info),
        samples=count_text(len(rows), "sample", info=info),
    )
    on_lines = rows["line"].notna()
    if not on_lines.any():
        return first
    straight = (rows["observed"] - rows["line"]).abs()[on_lines].mean()
    return (
        first
        + "; "
        + say(
            "curves were {a} points off, straight lines {b}",
            info,
            a=number_text(off[on_lines].mean(), info, 1),
            b=number_text(straight, info, 1),
        )
    )


def alt_foretold(week: Week) -> str:
    """Alternative text of `foretold`."""
    told = say(_FORETOLD_SUB, week.info)
    return f"{finding_foretold(week)}. {told} {'; '.join(_weeks_say(week))}".strip()


def _weeks_say(week: Week) -> list[str]:
    """What the panel of each week says."""
    return [
        say(
            "week of {day}: {n} of {samples} inside",
            week.info,
            day=day_text(begin, week.info),
            n=int(_inside(rows).sum()),
            samples=count_text(len(rows), "sample", info=week.info),
        )
        for begin, rows in _foretold_weeks(week)
    ]


def foretold_panels(week: Week) -> Panels:
    """Panels of the narrow `foretold`."""
    return Panels(tuple(_weeks_say(week)), 1, FORETOLD_H)


_FORETOLD_SUB = mark(
    "Dry oil, %. Bars: 8-in-10 ranges told from the samples before each week alone; dots: what was then measured."
)


def foretold_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `foretold` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    head = head_height(week, finding_foretold(week), [say(_FORETOLD_SUB, week.info)], width)
    return width / 72, (head + 6 + FORETOLD_H * (1 if wide else max(len(_foretold_weeks(week)), 1))) / 72


@own_look
def foretold(week: Week, ax: Axes) -> Axes:
    """Samples of the last weeks against what the samples before each week foretold of them, lowest first.

    Parameters
    ----------
    week : Week
    ax : Axes
        Weeks side by side when wider than 400 points, else one below the other.
    """
    width, _ = lay_sheet(ax)
    weeks = _foretold_weeks(week)
    if not weeks:
        return draw_nothing(ax, week, width, finding_foretold(week))
    top = draw_head(ax, week, width, finding_foretold(week), [say(_FORETOLD_SUB, week.info)]) + 6
    across = len(weeks) if width >= 400 else 1
    left = 22.0
    cell = (width - left - 12 * (across - 1)) / across
    every = pd.concat([rows for _, rows in weeks])[["observed", "told_p10", "told_p90"]].to_numpy(dtype=float)
    low, high = float(every.min()), float(every.max())
    low, high = low - 0.04 * (high - low) - 0.1, high + 0.04 * (high - low) + 0.1
    stage = stage_of(week)
    for place, (begin, rows) in enumerate(weeks):
        row, column = divmod(place, across)
        x0, y0 = left + column * (cell + 12), top + row * FORETOLD_H
        box = x0, x0 + cell, y0 + 16, y0 + FORETOLD_H - 16
        y, x = scale(low, high, box[3], box[2]), scale(-0.8, len(rows) - 0.2, x0, x0 + cell)
        words = say("week of {day}", week.info, day=day_text(begin, week.info))
        write(ax, x0, y0 + 9, words, size=SMALL, color=INK)
        draw_frame(ax, week, box, y, nice_ticks(low, high, 6), labels=column == 0)
        rows = rows.sort_values(["told_p50", "sample_id"], kind="stable").reset_index(drop=True)
        at, inside = x(np.arange(len(rows))), _inside(rows)
        bar = min(3.0, 0.7 * cell / len(rows))
        for i in sorted({int(stage[b]["style_index"]) for b in rows["block_id"] if b in stage}):
            mine = [b in stage and int(stage[b]["style_index"]) == i for b in rows["block_id"]]
            ends = rows.loc[mine, ["told_p10", "told_p90"]].to_numpy(dtype=float)
            bars = [
                [(float(a), float(y(e[0]))), (float(a), float(y(e[1])))] for a, e in zip(at[mine], ends, strict=True)
            ]
            draw_lines(ax, bars, color=cultivar_style(i).fill, width=bar, z=2)
        seen = y(rows["observed"].to_numpy(dtype=float))
        size = float(np.clip(0.8 * cell / len(rows), 1.6, 3.6))
        draw_marks(ax, at[inside], seen[inside], "o", size=size, fill="white", edge=INK, width=0.8)
        draw_marks(ax, at[~inside], seen[~inside], "o", size=size + 0.8, fill=WARN, edge=WARN, width=0.8)
        share = say("{n} of {of} inside", week.info, n=int(inside.sum()), of=len(rows))
        write(ax, x0 + cell, y0 + FORETOLD_H - 4, share, size=SMALL, color=SOFT, ha="right")
    return ax


# ---------------------------------------------------------------------------------------------------------
# How far blocks are drawn together
POOLED_H = 210.0
_STEEPEST = (-6.0, 12.0)  # points of dry oil a week beyond which two samples close together mean nothing
_POOLED_SUB = mark("Hollow: the block's own samples alone; full: its curve. Oil on the day of its newest sample.")


def _pooled_rows(week: Week) -> pd.DataFrame:
    rows = week.pooled
    numbers = dict.fromkeys(("own", "own_rate", "fitted", "fitted_rate"), float)
    return rows[rows["own_rate"].notna() & rows["fitted_rate"].notna()].astype(numbers)


def finding_pooled(week: Week) -> str:
    """How far blocks are drawn together, in a sentence."""
    rows, info = _pooled_rows(week), week.info
    if rows.empty:
        return say("No block has two samples yet: curves are those of the cultivar and of past seasons", info)
    own, fitted = (rows[f"{name}_rate"].clip(*_STEEPEST).quantile([0.1, 0.9]) for name in ("own", "fitted"))
    return say(
        "Oil rises {a} to {b} points a week by blocks' own samples, {c} to {d} by their curves (8 in 10 blocks)",
        info,
        a=number_text(own.iloc[0], info, 1),
        b=number_text(own.iloc[1], info, 1),
        c=number_text(fitted.iloc[0], info, 1),
        d=number_text(fitted.iloc[1], info, 1),
    )


def alt_pooled(week: Week) -> str:
    """Alternative text of `pooled`."""
    rows, info = _pooled_rows(week), week.info
    if rows.empty:
        return finding_pooled(week)
    far = rows.loc[(rows["own_rate"] - rows["fitted_rate"]).abs().sort_values(ascending=False, kind="stable").index]
    moved = [
        say(
            "{block} from {a} to {b}",
            info,
            block=block_label(week, r["block_id"]),
            a=number_text(r["own_rate"], info, 1),
            b=number_text(r["fitted_rate"], info, 1),
        )
        for r in far.head(3).to_dict("records")
    ]
    most = say("Drawn furthest, points a week: {blocks}.", info, blocks=listed(moved, info))
    return f"{finding_pooled(week)}. {say(_POOLED_SUB, info)} {most}"


def pooled_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `pooled` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    head = head_height(week, finding_pooled(week), [say(_POOLED_SUB, week.info)], width)
    key = _markers_height(_cultivars_used(week, _pooled_rows(week)["block_id"]), width)
    return width / 72, (head + key + POOLED_H) / 72


@own_look
def pooled(week: Week, ax: Axes) -> Axes:
    """Level and rate of oil of each block by its own samples alone and by its curve, a line from one to the other.

    Parameters
    ----------
    week : Week
    ax : Axes
    """
    width, height = lay_sheet(ax)
    rows = _pooled_rows(week)
    if rows.empty:
        return draw_nothing(ax, week, width, finding_pooled(week))
    top = draw_head(ax, week, width, finding_pooled(week), [say(_POOLED_SUB, week.info)])
    stage = stage_of(week)
    index = np.array([int(stage[b]["style_index"]) if b in stage else 0 for b in rows["block_id"]])
    used = _cultivars_used(week, rows["block_id"])
    top = _cultivar_markers(ax, used, top, width)
    box = 24.0, width - 2, top, height - 28
    level = rows[["own", "fitted"]].to_numpy(dtype=float)
    rate = np.clip(rows[["own_rate", "fitted_rate"]].to_numpy(dtype=float), *_STEEPEST)
    spans = [(float(v.min()), float(v.max())) for v in (level, rate)]
    spans = [(a - 0.06 * (b - a) - 0.2, b + 0.06 * (b - a) + 0.2) for a, b in spans]
    x, y = scale(*spans[0], box[0], box[1]), scale(*spans[1], box[3], box[2])
    draw_frame(ax, week, box, y, nice_ticks(*spans[1], 6), labels=True)
    for t in nice_ticks(*spans[0], 6):
        write(ax, float(x(t)), box[3] + 12, number_text(t, week.info), size=SMALL, color=SOFT, ha="center")
    write(ax, box[1], box[3] + 24, say("oil, % of dry weight", week.info), size=SMALL, color=SOFT, ha="right")
    write(ax, box[0] + 3, box[2] + 8, say("points a week", week.info), size=SMALL, color=SOFT, halo=True)
    for i, _ in used:
        style, mine = cultivar_style(i), index == i
        ends = np.stack([x(level[mine]), y(rate[mine])], axis=-1)
        draw_lines(ax, [[tuple(a), tuple(b)] for a, b in ends], color=style.fill, width=1.0, z=2)
        for end, fill in enumerate(("white", style.fill)):
            at, mark_ = ends[:, end], style.marker
            draw_marks(ax, at[:, 0], at[:, 1], mark_, size=4.2, fill=fill, edge=style.fill, width=0.9, z=3 + end)
    return ax
