"""Pictures of the week. Each function draws finished tables on an `ax` and returns it.

Every picture is drawn on one Axes whose coordinates are points (1/72 inch) from its top left corner: texts keep their
size, their width can be measured before they are placed, and drawing is several times faster than with one Axes for
each panel. A picture's `alt_...` function says the same finding in words, from the same numbers.

>>> from olivetime.report import figures
>>> "calendar" in figures.PICTURES
True
"""

from __future__ import annotations

import base64
import functools
import html
import io
import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import matplotlib
import matplotlib.patheffects
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import get_font
from PIL import Image

from olivetime.report.tables import (
    FROST_WORTH_SAYING,
    RAIN_LIKELY,
    Week,
    chance_text,
    count_text,
    day_text,
    days_text,
    display_unit,
    doubtful,
    heat_lead,
    map_tiles,
    money_text,
    number_text,
    planned,
    target_text,
    verdict_text,
    when_text,
)

PHONE_IN, WIDE_IN = 3.75, 7.5  # 360 and 720 CSS pixels
DPI = 192  # two image pixels for each CSS pixel
SMALL, BODY, BOLD = 8.5, 9.0, 10.0  # text sizes [pt]; nothing smaller than SMALL, which is 11 CSS pixels
BLOCKS_A_PAGE = 12  # panels of a small-multiples picture

INK, SOFT, PALE, GRID = "#1b1f24", "#545d68", "#8a939b", "#dfe3e6"
WARN, RAIN, RAIN_INK, COLD_INK = "#a63c06", "#dceaf6", "#1d5c8f", "#2a5099"
LEAF, CREAM, OCHRE = "#1b6e4f", "#f5ecd6", "#8a6a12"


@dataclass(frozen=True)
class Style:
    """How a cultivar looks: fill colour (3:1 on white at least), text colour (4.5:1), hatch and marker."""

    fill: str
    text: str
    hatch: str
    marker: str


# Chosen by search: CIEDE2000 difference of any two fills is above 13 for normal vision and for simulated protan,
# deutan and tritan vision (Machado, Oliveira, Fernandes 2009, severity 1); grey is carried by hatch and marker.
STYLES: tuple[Style, ...] = (
    Style("#0072B2", "#0069a4", "", "o"),
    Style("#CF5A10", "#b04a08", "////", "s"),
    Style("#12503A", "#12503A", "....", "^"),
    Style("#7A1F6B", "#7A1F6B", "\\\\\\\\", "D"),
    Style("#878882", "#62635e", "xxxx", "v"),
    Style("#2497FD", "#0b6bc2", "----", "P"),
    Style("#0604D6", "#0604D6", "||||", "X"),
)
# Days to target, in five steps of falling urgency; lightness rises with every step.
DAY_STEPS: tuple[tuple[str, float, str, str], ...] = (
    ("ready", 0, "#5a1a00", "#ffffff"),
    ("0–3 d", 3, "#a83800", "#ffffff"),
    ("4–7 d", 7, "#e07b1a", INK),
    ("8–14 d", 14, "#f5c47c", INK),
    ("15+ d", math.inf, "#ecf0f2", INK),
)
# Colour classes 0 (deep green) to 7 (black, flesh violet to the stone): lightness falls with every class.
CLASS_FILLS = ("#dfe9b8", "#b9cc6e", "#c9a24b", "#a9642f", "#97465a", "#6f2f63", "#47204f", "#1d1430")

_RC = {
    "text.usetex": False,
    "text.parse_math": False,
    "font.family": ["DejaVu Sans"],
    "hatch.linewidth": 0.8,
    "path.simplify": True,
    "axes.unicode_minus": True,
    "svg.fonttype": "path",
    "lines.solid_capstyle": "butt",
    "lines.dash_capstyle": "butt",
    "text.hinting": "no_hinting",
    "text.antialiased": True,
}
_FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
_HALO = [matplotlib.patheffects.withStroke(linewidth=2.4, foreground="white")]


def cultivar_style(index: Any) -> Style:
    """Style of a cultivar by its `style_index`; past the last colour they come round again."""
    return STYLES[0 if pd.isna(index) else int(index) % len(STYLES)]


# ---------------------------------------------------------------------------------------------------------
# Sheet, text, scales


def _own_look(draw: Callable[..., Axes]) -> Callable[..., Axes]:
    """Draw with our own settings whatever the caller's matplotlib settings are, and leave those as they were."""

    @functools.wraps(draw)
    def drawn(*args: Any, **kwargs: Any) -> Axes:
        with matplotlib.rc_context(_RC):
            return draw(*args, **kwargs)

    return drawn


def _sheet(ax: Axes) -> tuple[float, float]:
    """Make `ax` a sheet measured in points from its top left corner; gives width and height."""
    figure, box = ax.get_figure(), ax.get_position()
    width, height = 72 * figure.get_figwidth() * box.width, 72 * figure.get_figheight() * box.height
    ax.set(xlim=(0, width), ylim=(height, 0))
    ax.axis("off")
    return width, height


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    return get_font(str(_FONTS / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")))


@lru_cache(maxsize=2)
def _glyphs(bold: bool) -> frozenset[int]:
    return frozenset(_font(bold).get_charmap())


@lru_cache(maxsize=4096)
def _advance(char: str, bold: bool) -> float:
    """Width of a character for a text size of 1."""
    font = _font(bold)
    font.set_size(100, 72)
    return font.load_char(ord(char)).linearHoriAdvance / 65536 / 100


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a text as it will be drawn [pt]."""
    return size * sum(_advance(char, bold) for char in text)


def drawable(text: Any, instead: Any = "") -> str:
    r"""Replace what the picture's font cannot draw.

    Parameters
    ----------
    text : str
        Any text; line breaks and control characters become spaces.
    instead : str
        Shown when the font lacks a letter of `text`, such as the block's id; without it the letters the font lacks are
        shown as empty boxes. Alternative texts and tables keep the name itself.

    Examples
    --------
    >>> drawable("North\n4"), drawable("\u5317\u56ed", "B7"), drawable("\u5317 4")
    ('North 4', 'B7', '\u25a1 4')
    """
    cleaned = " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in str(text)).split())
    known = _glyphs(False) & _glyphs(True)
    if all(ord(c) in known for c in cleaned):
        return cleaned
    other = " ".join(str(instead).split())
    if other and all(ord(c) in known for c in other):
        return other
    return "".join(c if ord(c) in known else "\N{WHITE SQUARE}" for c in cleaned)


def _fit(text: str, size: float, room: float, *, bold: bool = False) -> str:
    """Shorten a text with an ellipsis until it fits the room [pt]."""
    if text_width(text, size, bold=bold) <= room:
        return text
    room -= text_width("…", size, bold=bold)
    used, kept = 0.0, []
    for char in text:
        used += size * _advance(char, bold)
        if used > room:
            break
        kept.append(char)
    return "".join(kept).rstrip() + "…"


def _wrap(text: str, size: float, room: float, *, bold: bool = False, most: int = 3) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [_fit(line, size, room, bold=bold) for line in lines]


def _write(
    ax: Axes,
    x: float,
    y: float,
    text: str,
    *,
    size: float = BODY,
    color: str = INK,
    bold: bool = False,
    ha: str = "left",
    va: str = "baseline",
    halo: bool = False,
    turn: float = 0,
) -> None:
    ax.text(
        x,
        y,
        text,
        fontsize=size,
        color=color,
        fontweight="bold" if bold else "normal",
        ha=ha,
        va=va,
        rotation=turn,
        parse_math=False,
        path_effects=_HALO if halo else None,
        zorder=6,
    )


def _scale(low: float, high: float, start: float, end: float) -> Callable[[Any], Any]:
    """Map values [low, high] to points [start, end]."""
    step = (end - start) / ((high - low) or 1.0)
    return lambda value: start + (np.asarray(value, dtype=float) - low) * step


def _day_number(days: Any) -> Any:
    """Days since 1970 as floats, hours as fractions; NaN when missing."""
    stamps = np.asarray(pd.to_datetime(days), dtype="datetime64[m]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype("int64") / 1440.0)


def _today(week: Week) -> float:
    return float(_day_number(week.info["as_of"]))


def _nice(low: float, high: float, most: int = 5) -> np.ndarray:
    """Round tick values inside [low, high], at most `most` of them."""
    span = max(high - low, 1e-9)
    raw = span / max(most, 1)
    power = 10 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10, 20) if s * power >= raw * 0.999)
    return np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1) * step


def _digits(ticks: np.ndarray) -> int:
    """Decimals that tell neighbouring ticks apart."""
    step = float(ticks[1] - ticks[0]) if len(ticks) > 1 else 1.0
    return max(0, -math.floor(math.log10(step) + 1e-9))


def _path(ax: Axes, x: Any, y: Any, *, color: str = INK, width: float = 1.2, dash: Any = "-", z: float = 3) -> None:
    ax.plot(x, y, color=color, linewidth=width, linestyle=dash, zorder=z, scalex=False, scaley=False)


def _lines(
    ax: Axes, pieces: Sequence[Any], *, color: str = GRID, width: float = 0.8, dash: Any = "-", z: float = 1
) -> None:
    if len(pieces):
        ax.add_collection(
            LineCollection(list(pieces), colors=color, linewidths=width, linestyles=dash, zorder=z), autolim=False
        )


def _box(x0: float, y0: float, x1: float, y1: float) -> list[tuple[float, float]]:
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def _boxes(
    ax: Axes,
    boxes: Sequence[Any],
    fill: str,
    *,
    hatch: str = "",
    edge: str = "none",
    width: float = 0.0,
    hatch_color: str = "white",
    z: float = 2,
) -> None:
    """Filled polygons; a hatch is drawn in its own colour over the fill."""
    if not len(boxes):
        return
    ax.add_collection(
        PolyCollection(list(boxes), facecolors=fill, edgecolors=edge, linewidths=width, zorder=z), autolim=False
    )
    if hatch:
        ax.add_collection(
            PolyCollection(
                list(boxes), facecolors="none", edgecolors=hatch_color, linewidths=0.0, hatch=hatch, zorder=z
            ),
            autolim=False,
        )


def _mark(
    ax: Axes,
    x: Any,
    y: Any,
    marker: str,
    *,
    size: float = 5.0,
    fill: str = INK,
    edge: str = INK,
    width: float = 1.2,
    z: float = 5,
) -> None:
    ax.plot(
        x,
        y,
        linestyle="none",
        marker=marker,
        markersize=size,
        markerfacecolor=fill,
        markeredgecolor=edge,
        markeredgewidth=width,
        zorder=z,
        scalex=False,
        scaley=False,
    )


HEAD_LINE = 13.5


def _head_lines(week: Week, title: str, sub: Sequence[str], width: float) -> tuple[list[str], list[str]]:
    """Lines of the finding (blocks whose names the font cannot draw go by their ids) and of the words below it."""
    for row in week.stage.to_dict("records"):
        name = str(row["block_name"])
        if name in title and drawable(name) != drawable(name, row["block_id"]):
            title = title.replace(name, str(row["block_id"]))
    return (
        _wrap(drawable(title), BOLD, width, bold=True),
        [line for text in sub for line in _wrap(drawable(text), SMALL, width)],
    )


def _head_height(week: Week, title: str, sub: Sequence[str], width: float) -> float:
    lines, below = _head_lines(week, title, sub, width)
    return 8 + HEAD_LINE * len(lines) + 12.5 * len(below)


def _head(ax: Axes, week: Week, width: float, title: str, sub: Sequence[str] = ()) -> float:
    """Write the finding and the lines below it; gives the height they took."""
    y = 4.0
    lines, below = _head_lines(week, title, sub, width)
    for line in lines:
        y += HEAD_LINE
        _write(ax, 0, y - 3, line, size=BOLD, bold=True)
    for line in below:
        y += 12.5
        _write(ax, 0, y - 2.5, line, size=SMALL, color=SOFT)
    return y + 4


KEY_LINE = 14.0


def _key_rows(items: Sequence[tuple[str, str]], width: float) -> list[list[tuple[str, str, float]]]:
    """Items of a key placed in rows: (kind or style, words, x)."""
    rows: list[list[tuple[str, str, float]]] = [[]]
    x = 0.0
    for kind, words in items:
        words = _fit(drawable(words), SMALL, width - 18)
        need = 16 + text_width(words, SMALL)
        if rows[-1] and x + need > width:
            rows.append([])
            x = 0.0
        rows[-1].append((kind, words, x))
        x += need + 10
    return rows


def _key(ax: Axes, y: float, width: float, items: Sequence[tuple[str, str]]) -> float:
    """Draw a key; a kind is a word known here or "style N" for a cultivar. Gives the y below it."""
    for row in _key_rows(items, width):
        middle = y + KEY_LINE / 2
        for kind, words, x in row:
            _swatch(ax, kind, x, middle)
            _write(ax, x + 16, middle + 3, words, size=SMALL, color=SOFT)
        y += KEY_LINE
    return y + 3


def _swatch(ax: Axes, kind: str, x: float, y: float) -> None:
    box = _box(x, y - 4, x + 12, y + 4)
    if kind.startswith("style "):
        style = cultivar_style(int(kind[6:]))
        _boxes(ax, [box], style.fill, hatch=style.hatch)
    elif kind == "sample":
        _mark(ax, [x + 6], [y], "o", fill="white", edge=SOFT)
    elif kind in ("solid", "dashed"):
        _path(ax, [x, x + 12], [y, y], color=SOFT, width=2, dash="-" if kind == "solid" else (0, (2, 1.2)))
    elif kind == "level":
        _path(ax, [x, x + 12], [y, y], color=OCHRE, width=1.2, dash=(0, (1, 1.5)))
    elif kind == "diamond":
        _mark(ax, [x + 6], [y], "D", size=5.5)
    elif kind == "window":
        _path(ax, [x, x + 12], [y, y], color=PALE, width=2.6)
    elif kind == "limit":
        _path(ax, [x, x + 12], [y, y], color=INK, width=1.8)
    elif kind == "pick":
        _mark(ax, [x + 6], [y], "v", size=6)
    else:
        fill, hatch, ink, line = _AREAS[kind]
        _boxes(ax, [box], fill, hatch=hatch, hatch_color=ink, edge=ink, width=line)


_AREAS = {
    "band": ("#c9d4dc", "", "#c9d4dc", 0.4),
    "rain": (RAIN, "", RAIN_INK, 0.4),
    "range": (CREAM, "", OCHRE, 0.4),
    "frost": ("white", "xxxx", COLD_INK, 0.4),
    "organic": ("white", "", OCHRE, 1.6),
}


def _day_axis(
    ax: Axes, week: Week, x: Callable[[Any], Any], first: float, last: float, y: float, *, every: str, room: float
) -> None:
    """Write dates under an axis: month starts ("month"), or every 7 or 14 days from the first ("week", "fortnight")."""
    days = pd.date_range(pd.Timestamp(math.ceil(first), unit="D"), pd.Timestamp(last, unit="D"), freq="D")
    pace = {"week": 7, "fortnight": 14, "month": 30}[every]
    marks = days[days.day == 1] if every == "month" else days[np.arange(len(days)) % pace == 0]
    labels = [day_text(d, week.info, "MMMEd" if every == "week" else "MMMd") for d in marks]
    need = max((text_width(t, SMALL) for t in labels), default=0) + 8
    gap = float(x(first + pace) - x(first))
    step = max(1, math.ceil(need / max(gap, 1e-6)))
    right = float(x(first)) + room + 4
    for day, label in list(zip(marks, labels, strict=True))[::step]:
        at, wide = float(x(_day_number(day))), text_width(label, SMALL)
        start = at - wide / 2 if every == "month" else at
        if start < -1 or start + wide > right:
            continue
        _lines(ax, [[(at, y), (at, y + 3)]], color=SOFT)
        _write(ax, start, y + 12.5, label, size=SMALL, color=SOFT)


def _weekday(day: Any, week: Week, room: float) -> str:
    """Short name of a day, two letters where three do not fit."""
    name = day_text(day, week.info, "EEE")
    return name if text_width(name, SMALL) <= room - 3 else name[:2]


def _nothing(ax: Axes, week: Week, width: float, words: str) -> Axes:
    _head(ax, week, width, words)
    return ax


def _label(week: Week, block_id: Any) -> str:
    """Block's name as the font can draw it."""
    row = _stage_of(week).get(block_id)
    return drawable(row["block_name"] if row else block_id, block_id)


def _stage_of(week: Week) -> dict[Any, dict[str, Any]]:
    return {row["block_id"]: row for row in week.stage.to_dict("records")}


def _order_of(week: Week) -> dict[Any, dict[str, Any]]:
    return {row["block_id"]: row for row in week.order.to_dict("records")}


def _picked(order: Mapping[str, Any] | None) -> bool:
    return order is not None and order["status"] == "picked"


def _rank_text(row: Mapping[str, Any] | None) -> str:
    return f"{row['rank']:.0f}  " if row is not None and not pd.isna(row["rank"]) else ""


def _listed(texts: Sequence[str], most: int = 6) -> str:
    """A list in a sentence, cut after `most` with the number left out."""
    texts = list(texts)
    if len(texts) > most:
        return ", ".join(texts[:most]) + f" and {len(texts) - most} more"
    return " and ".join([", ".join(texts[:-1]), texts[-1]]) if len(texts) > 1 else "".join(texts)


def block_pages(week: Week, *, size: int = BLOCKS_A_PAGE) -> list[tuple[str, ...]]:
    """Block ids in pick order, the blocks without a place last, in pages of `size` for the small multiples."""
    order = week.order.sort_values(["rank", "block_id"], na_position="last")
    ids = list(order["block_id"]) + [b for b in week.stage["block_id"] if b not in set(order["block_id"])]
    return [tuple(ids[i : i + size]) for i in range(0, len(ids), size)]


def _chosen(week: Week, block_ids: Sequence[str] | None) -> list[str]:
    if block_ids is None:
        pages = block_pages(week)
        return list(pages[0]) if pages else []
    unknown = [b for b in block_ids if b not in set(week.stage["block_id"])]
    if unknown:
        known = ", ".join(week.stage["block_id"].astype(str).head(12))
        raise ValueError(
            f"block_ids: found {unknown[0]!r}, expected blocks of this week such as {known}. Name one of these."
        )
    return list(block_ids)


# ---------------------------------------------------------------------------------------------------------
# Ripening curves

_CURVE_KEY = (
    ("sample", "sample"),
    ("solid", "fitted"),
    ("dashed", "forecast"),
    ("band", "8-in-10 range"),
    ("diamond", "target date"),
    ("range", "its 8-in-10 range"),
)
_ROW = 106.0


def _curves_key(week: Week, basis: str) -> tuple[tuple[str, str], ...]:
    columns = [f"target_{kind}_pct" for kind in (("dry", "fresh") if basis == "both" else (basis,))]
    drawn = len(week.stage) and week.stage[columns].notna().any(axis=None)
    return (*_CURVE_KEY, ("level", "target")) if drawn else _CURVE_KEY


def _curves_grid(width: float, basis: str, n: int) -> tuple[int, int]:
    panels = 2 if width < 400 else 4 if basis == "both" else 3
    across = panels // 2 if basis == "both" else panels
    return across, math.ceil(n / across)


def curves_size(
    week: Week, wide: bool, *, basis: str = "fresh", block_ids: Sequence[str] | None = None
) -> tuple[float, float]:
    """Width and height that suit `curves` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = _chosen(week, block_ids)
    _, rows = _curves_grid(width, basis, len(ids))
    head = _head_height(week, finding_curves(week, block_ids=ids), [_curves_sub(week, basis)], width)
    key = KEY_LINE * len(_key_rows(_curves_key(week, basis), width)) + 3
    return width / 72, (head + key + rows * _ROW + 16) / 72


def _curves_sub(week: Week, basis: str) -> str:
    what = {
        "fresh": "Oil, % of fresh weight.",
        "dry": "Oil, % of dry weight.",
        "both": "Oil, %: left of dry, right of fresh weight.",
    }[basis]
    return f"{what} Grey line: {day_text(week.info['as_of'], week.info)}. Target: {target_text(week)}."


def finding_curves(week: Week, *, block_ids: Sequence[str] | None = None, basis: str = "fresh") -> str:
    """What the curves show, in a sentence."""
    del basis  # the finding is the same on every basis; the argument keeps the three functions' calls alike
    stage, order = _stage_of(week), _order_of(week)
    rows = [stage[b] for b in _chosen(week, block_ids) if not _picked(order.get(b))]
    reached = [r for r in rows if r["verdict"] == "reached"]
    dated = sorted(
        (r for r in rows if r["verdict"] in ("not yet", "may never") and not pd.isna(r["on_p50"])),
        key=lambda r: r["on_p50"],
    )
    never = sum(r["verdict"] == "never" for r in rows)
    parts = []
    if reached:
        parts.append(
            f"{len(reached)} of {count_text(len(rows), 'block')} at target"
            if len(reached) < len(rows)
            else f"All {len(rows)} blocks at target"
            if len(rows) > 1
            else "Target reached"
        )
    if dated:
        first = dated[0]
        opening = "next" if reached else "First at target:"
        parts.append(f"{opening} {first['block_name']}, about {day_text(first['on_p50'], week.info)}")
    if never:
        parts.append(f"{count_text(never, 'block')} never")
    return "; ".join(parts) or "No block reaches its target this season"


def alt_curves(week: Week, *, basis: str = "fresh", block_ids: Sequence[str] | None = None) -> str:
    """Alternative text of `curves`."""
    stage, order, ids = _stage_of(week), _order_of(week), _chosen(week, block_ids)
    if not ids:
        return "No blocks to draw."
    says = []
    for b in ids:
        row = stage[b]
        if _picked(order.get(b)):
            says.append(f"{row['block_name']} is picked")
            continue
        oil = row["oil_dry_now_p50_pct"] if basis == "dry" else row["oil_fresh_now_p50_pct"]
        now = f", now {number_text(oil, week.info, 1)} %" if not pd.isna(oil) else ""
        says.append(f"{row['block_name']} {_reach_words(row, week)}{now}")
    kind = {"fresh": "of fresh weight", "dry": "of dry weight", "both": "of dry and of fresh weight"}[basis]
    return (
        f"{finding_curves(week, block_ids=ids)}. Oil in per cent {kind}; target {target_text(week)}: {'; '.join(says)}."
    )


def _reach_words(row: Mapping[str, Any], week: Week) -> str:
    verdict = row["verdict"]
    if verdict == "reached":
        return "has reached its target"
    if verdict == "never":
        return "will not reach its target this season"
    if verdict not in ("not yet", "may never"):
        return "cannot be told"
    if pd.isna(row["on_p50"]):
        return f"does not reach its target by {day_text(week.info['end'], week.info)}"
    last = row["on_p90"]
    span = (
        f"between {day_text(row['on_p10'], week.info)} and {day_text(last, week.info)}"
        if not pd.isna(last)
        else f"from {day_text(row['on_p10'], week.info)} on"
    )
    may = f" (chance of never: {chance_text(row['never_chance'])})" if verdict == "may never" else ""
    return f"reaches its target {span}{may}"


@_own_look
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
    width, _ = _sheet(ax)
    ids = _chosen(week, block_ids)
    if not ids:
        return _nothing(ax, week, width, "No blocks to draw.")
    top = _head(ax, week, width, finding_curves(week, block_ids=ids), [_curves_sub(week, basis)])
    top = _key(ax, top, width, _curves_key(week, basis))
    across, _ = _curves_grid(width, basis, len(ids))
    bases = ("dry", "fresh") if basis == "both" else (basis,)
    stage, order, today = _stage_of(week), _order_of(week), _today(week)
    curve = dict(tuple(week.curves[week.curves["block_id"].isin(ids)].groupby("block_id")))
    sample = dict(tuple(week.samples[week.samples["block_id"].isin(ids)].groupby("block_id")))
    first, last = _curve_span(week, ids, today)
    limits = {k: _oil_limits(curve, sample, k, first, last) for k in bases}
    left, gap = 24.0, 12.0
    apart = len(bases) == 2  # two scales: every panel then carries its own values
    cell = (width - 3) / across if apart else (width - 3 - left + gap) / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, y0 = left + col * cell, top + row * _ROW
        x1 = x0 + cell - (left if apart else gap) - (6 if apart else 0)
        style = cultivar_style(stage[b]["style_index"])
        _panel_head(
            ax, week, stage[b], order.get(b), style, x0, x1, y0, verdict="picked" if _picked(order.get(b)) else None
        )
        inner = (x1 - x0 + left) / 2 if apart else x1 - x0
        lowest = i + across >= len(ids)
        for j, kind in enumerate(bases):
            px0 = x0 + j * inner
            px1 = px0 + inner - (left if apart else 0)
            _oil_panel(
                ax,
                week,
                stage[b],
                curve.get(b),
                sample.get(b),
                style,
                kind,
                (px0, px1, y0 + 31, y0 + _ROW - 14),
                (first, last),
                limits[kind],
                y_labels=col == 0 or apart,
                months=lowest,
            )
            if len(bases) == 2:
                _write(ax, px1 - 2, y0 + _ROW - 18, kind, size=SMALL, color=SOFT, ha="right", halo=True)
    return ax


def _curve_span(week: Week, ids: Sequence[str], today: float) -> tuple[float, float]:
    samples = week.samples[week.samples["block_id"].isin(ids)]
    first = float(np.nanmin(_day_number(samples["sampled_on"]))) - 4 if len(samples) else today - 30
    stage = week.stage[week.stage["block_id"].isin(ids)]
    ends = np.concatenate([_day_number(stage["on_p90"]), _day_number(stage["on_p50"]) + 7])
    ends = ends[np.isfinite(ends)]
    wanted = float(ends.max()) + 3 if len(ends) else today + 30
    season_end = float(_day_number(week.info["end"]))
    return min(first, today - 21), max(min(wanted, today + 70, season_end), today + 21)


def _oil_limits(
    curve: Mapping[str, pd.DataFrame], sample: Mapping[str, pd.DataFrame], kind: str, first: float, last: float
) -> tuple[float, float]:
    highs, lows = [], []
    for part in curve.values():
        day = _day_number(part["day"])
        inside = part[(day >= first) & (day <= last)]
        highs.append(inside[f"oil_{kind}_p90_pct"].max())
    for part in sample.values():
        lows.append(part[f"oil_{kind}_pct"].min())
        highs.append(part[f"oil_{kind}_pct"].max())
    high = np.nanmax(np.asarray([*highs, 1.0], dtype=float))
    low = np.nanmin(np.asarray([*lows, high], dtype=float))
    low = min(low, 0.6 * high)
    return max(0.0, low - 0.08 * (high - low)), high + 0.06 * (high - low)


def _panel_head(
    ax: Axes,
    week: Week,
    stage: Mapping[str, Any],
    order: Mapping[str, Any] | None,
    style: Style,
    x0: float,
    x1: float,
    y0: float,
    verdict: str | None = None,
) -> None:
    """Two lines over a panel: number and name with the cultivar, then the answer in words."""
    cultivar = _fit(drawable(stage["cultivar"]), SMALL, 0.48 * (x1 - x0))
    room = x1 - x0 - text_width(cultivar, SMALL) - 14
    name = _rank_text(order) + drawable(stage["block_name"], stage["block_id"])
    name_size = BODY if text_width(name, BODY, bold=True) <= room else SMALL
    _write(ax, x0, y0 + 11, _fit(name, name_size, room, bold=True), size=name_size, bold=True)
    _write(ax, x1, y0 + 11, cultivar, size=SMALL, color=style.text, ha="right")
    _mark(
        ax, [x1 - text_width(cultivar, SMALL) - 7], [y0 + 8], style.marker, size=4.5, fill=style.fill, edge=style.fill
    )
    # The answer is bold, its range after the bracket is not.
    answer, bracket, rest = (verdict_text(stage, week) if verdict is None else verdict).partition(" (")
    ready = stage["verdict"] == "reached" and verdict is None
    need = text_width(answer, BODY, bold=True) + text_width(bracket + rest, SMALL)
    size = BODY if need <= x1 - x0 else SMALL
    answer = _fit(answer, size, x1 - x0, bold=True)
    _write(ax, x0, y0 + 24, answer, size=size, color=WARN if ready else INK, bold=True)
    if rest:
        at = text_width(answer, size, bold=True)
        _write(ax, x0 + at, y0 + 24, _fit(bracket + rest, SMALL, x1 - x0 - at), size=SMALL)


def _frame(
    ax: Axes,
    week: Week,
    box: tuple[float, float, float, float],
    y: Callable[[Any], Any],
    ticks: np.ndarray,
    *,
    labels: bool,
) -> None:
    """Grid lines with their values, and the line at the bottom."""
    x0, x1, _, y1 = box
    _lines(ax, [[(x0, float(y(t))), (x1, float(y(t)))] for t in ticks])
    _lines(ax, [[(x0, y1), (x1, y1)]], color=SOFT, width=0.9, z=4)
    if labels:
        for t in ticks:
            _write(
                ax,
                x0 - 5,
                float(y(t)) + 3,
                number_text(t, week.info, _digits(ticks)),
                size=SMALL,
                color=SOFT,
                ha="right",
            )


def _oil_panel(
    ax: Axes,
    week: Week,
    stage: Mapping[str, Any],
    curve: pd.DataFrame | None,
    sample: pd.DataFrame | None,
    style: Style,
    kind: str,
    box: tuple[float, float, float, float],
    span: tuple[float, float],
    limits: tuple[float, float],
    *,
    y_labels: bool,
    months: bool,
) -> None:
    x0, x1, y0, y1 = box
    (first, last), (low, high) = span, limits
    x, y = _scale(first, last, x0, x1), _scale(low, high, y1, y0)
    reach = np.asarray([float(v) for v in _day_number([stage["on_p10"], stage["on_p50"], stage["on_p90"]])])
    today = _today(week)
    if stage["verdict"] != "reached" and np.isfinite(reach[0]):
        end = min(reach[2] if np.isfinite(reach[2]) else last, last)
        if reach[0] < end:
            _boxes(ax, [_box(float(x(max(reach[0], first))), y0, float(x(end)), y1)], CREAM, z=0.5)
    _frame(ax, week, box, y, _nice(low, high, 5), labels=y_labels)
    level = stage[f"target_{kind}_pct"]
    if not pd.isna(level) and low < float(level) < high:
        _lines(ax, [[(x0, float(y(level))), (x1, float(y(level)))]], color=OCHRE, width=1.0, dash=(0, (1, 1.5)), z=2)
    _lines(ax, [[(float(x(today)), y0 - 2), (float(x(today)), y1)]], color=PALE, width=1.1, z=2)
    if curve is not None:
        day = _day_number(curve["day"])
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
        _path(ax, x(day[~ahead]), y(seen[~ahead]), color=style.fill, width=2)
        join = ahead | np.roll(ahead, -1)  # the dashes begin where the solid line ends
        _path(ax, x(day[join]), y(seen[join]), color=style.fill, width=2, dash=(0, (2, 1.1)))
        if stage["verdict"] != "reached" and np.isfinite(reach[1]) and first <= reach[1] <= last:
            at = float(np.interp(reach[1], day, p50))
            _lines(
                ax,
                [[(float(x(reach[1])), float(y(at))), (float(x(reach[1])), y1)]],
                color=INK,
                width=1,
                dash=(0, (1, 1.5)),
                z=3,
            )
            _mark(ax, [float(x(reach[1]))], [float(y(at))], "D", size=5.5)
    if sample is not None:
        _mark(
            ax,
            x(_day_number(sample["sampled_on"])),
            y(sample[f"oil_{kind}_pct"].to_numpy(dtype=float)),
            style.marker,
            size=4.5,
            fill="white",
            edge=style.fill,
        )
    if months:
        _day_axis(ax, week, x, first, last, y1, every="month", room=x1 - x0)


# ---------------------------------------------------------------------------------------------------------
# Harvest calendar


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
    today = _today(week)
    rows = week.weather[
        (week.weather["station_id"] == week.info["main_station"]) & ~week.weather["measured"].astype(bool)
    ]
    runs: list[tuple[float, float, float]] = []
    for day, value in zip(_day_number(rows["day"]), rows[column].astype(float), strict=True):
        if not (today <= day < today + days) or not value >= chance:
            continue
        if runs and runs[-1][1] == day:
            runs[-1] = (runs[-1][0], day + 1, max(runs[-1][2], value))
        else:
            runs.append((float(day), float(day) + 1, float(value)))
    return runs


def _calendar_items(week: Week, groups: Sequence[tuple[str, list[dict[str, Any]]]], days: int) -> list[tuple[str, str]]:
    stage = _stage_of(week)
    used = sorted({(int(stage[r["block_id"]]["style_index"]), r["cultivar"]) for _, rows in groups for r in rows})
    items = [(f"style {i}", str(c)) for i, c in used] + [("window", "good days"), ("diamond", "best day")]
    if _spans(week, "rain_chance", RAIN_LIKELY, days):
        items.append(("rain", "rain likely"))
    if _spans(week, "frost_chance", FROST_WORTH_SAYING, days):
        items.append(("frost", "frost risk"))
    return items


def finding_calendar(week: Week) -> str:
    """What the calendar shows, in a sentence."""
    rows = planned(week)
    if rows.empty:
        return "No picking is planned"
    first = rows.iloc[0]
    late, early = (rows["flags"].astype(str).str.contains(word).sum() for word in ("late", "early"))
    off = [f"{count_text(n, 'block')} {word}" for n, word in ((late, "late"), (early, "early")) if n]
    tail = f"; {' and '.join(off)}" if off else "; every block in its good days"
    when = when_text(first.to_dict(), week)
    opening = (
        f"Finish {first['block_name']} first"
        if first["status"] == "picking"
        else f"Pick {first['block_name']} first, {when}"
    )
    return f"{opening}{tail}"


def alt_calendar(week: Week, *, days: int = 21, most: int = 24) -> str:
    """Alternative text of `calendar`."""
    groups, left = _calendar_rows(week, days, most)
    says = []
    for harvester, rows in groups:
        blocks = [f"{r['block_name']} {days_text(r['start_at'], r['end_at'], week.info)}" for r in rows]
        says.append(f"{harvester} picks {_listed(blocks, 8)}")
    for column, chance, word in (
        ("rain_chance", RAIN_LIKELY, "Rain is likely"),
        ("frost_chance", FROST_WORTH_SAYING, "Frost may come"),
    ):
        runs = [
            days_text(pd.Timestamp(a, unit="D"), pd.Timestamp(b - 1, unit="D"), week.info)
            for a, b, _ in _spans(week, column, chance, days)
        ]
        if runs:
            says.append(f"{word} {_listed(runs)}")
    if left:
        says.append(f"{count_text(left, 'more block')} later")
    return f"{finding_calendar(week)}. " + ". ".join(says) + ("." if says else "")


def _calendar_pitch(n: int) -> float:
    return 26.0 if n <= 12 else 22.0


def calendar_size(week: Week, wide: bool, *, days: int = 21, most: int = 24) -> tuple[float, float]:
    """Width and height that suit `calendar` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    groups, left = _calendar_rows(week, days, most)
    n = sum(len(rows) for _, rows in groups)
    height = _head_height(week, finding_calendar(week), [], width) + KEY_LINE * len(
        _key_rows(_calendar_items(week, groups, days), width)
    )
    height += 22 + n * _calendar_pitch(n) + 15 * len(groups) * (len(groups) > 1) + 20 + (14 if left else 0)
    return width / 72, max(height, 90) / 72


@_own_look
def calendar(week: Week, ax: Axes, *, days: int = 21, most: int = 24) -> Axes:
    """Planned picking by harvester, with each block's good days under its bar, rain and frost behind.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many days ahead [d].
    most : int
        At most this many blocks; the picture says how many it leaves out.
    """
    width, _ = _sheet(ax)
    groups, left = _calendar_rows(week, days, most)
    if not groups:
        return _nothing(ax, week, width, finding_calendar(week))
    top = _head(ax, week, width, finding_calendar(week))
    top = _key(ax, top, width, _calendar_items(week, groups, days)) + 13
    n = sum(len(rows) for _, rows in groups)
    pitch = _calendar_pitch(n)
    bottom = top + 6 + n * pitch + 15 * len(groups) * (len(groups) > 1)
    today = _today(week)
    x = _scale(today, today + days, 2, width - 2)
    _lines(
        ax,
        [[(float(x(today + d)), top), (float(x(today + d)), bottom)] for d in range(days + 1) if d % 7],
        color="#eef1f3",
        width=0.6,
        z=0,
    )
    _lines(
        ax,
        [[(float(x(today + d)), top), (float(x(today + d)), bottom)] for d in range(0, days + 1, 7)],
        color=GRID,
        z=1,
    )
    taken = -math.inf
    for column, chance, word, ink in (
        ("rain_chance", RAIN_LIKELY, "rain", RAIN_INK),
        ("frost_chance", FROST_WORTH_SAYING, "frost", COLD_INK),
    ):
        for a, b, most_likely in _spans(week, column, chance, days):
            box = _box(float(x(a)), top, float(x(b)), bottom)
            if word == "rain":
                _boxes(ax, [box], RAIN, z=0.5)
            else:
                _boxes(ax, [box], "none", hatch="xx", hatch_color="#a9bfe0", z=0.6)
            said = f"{word} {chance_text(most_likely)}"
            half = text_width(said, SMALL, bold=True) / 2
            middle = min(max(float(x((a + b) / 2)), half), width - half)
            at = max(middle, taken + half)  # a label may give way, but not so far that it stands over other days
            if at - middle < 24 and at + half <= width:
                _write(ax, at, top - 4, said, size=SMALL, color=ink, bold=True, ha="center")
                taken = at + half + 4
    stage, y = _stage_of(week), top + 6
    for harvester, rows in groups:
        if len(groups) > 1:
            _write(
                ax, 2, y + 10, _fit(f"Harvester {drawable(harvester)}", SMALL, width), size=SMALL, color=SOFT, halo=True
            )
            y += 15
        for row in rows:
            _calendar_row(
                ax, week, row, cultivar_style(stage[row["block_id"]]["style_index"]), x, y, width, today, days
            )
            y += pitch
    _lines(ax, [[(2, bottom), (width - 2, bottom)]], color=SOFT, width=0.9, z=4)
    _day_axis(ax, week, x, today, today + days, bottom, every="week", room=width - 2)
    if left:
        _write(ax, 2, bottom + 28, f"{count_text(left, 'more block')} later", size=SMALL, color=SOFT)
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
    start, end, good_from, good_to, best = _day_number(
        [row[k] for k in ("start_at", "end_at", "good_from", "good_to", "best_on")]
    )
    last = today + days
    a, b = float(x(max(start, today))), float(x(min(end, last)))
    b = max(b, a + 3)
    _boxes(ax, [_box(a, y, b, y + 9)], style.fill, hatch=style.hatch)
    if np.isfinite(good_from) and good_from < last:
        g0, g1 = float(x(max(good_from, today))), float(x(min(good_to + 1, last)))
        _lines(ax, [[(g0, y + 13.5), (g1, y + 13.5)]], color=PALE, width=2.4, z=2)
    if np.isfinite(best) and today <= best < last:
        _mark(ax, [float(x(best + 0.5))], [y + 13.5], "D", size=4.2)
    crop = display_unit(week.info, "crop")
    unit = "t" if crop.label == "t" else "tons"
    flags = str(row["flags"])
    sign = "  ▲ late" if "late" in flags else "  ▼ early" if "early" in flags else ""
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
    text = _fit(name, BODY, room, bold=bold) + tail
    _write(ax, b + 5 if on_right else a - 5, y + 8, text, bold=bold, ha="left" if on_right else "right", halo=True)


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
        return "No fruit goes to the mill in these days"
    over = totals[totals["crop_t"] > totals["limit_t"] * OVER]
    full = totals[(totals["crop_t"] >= totals["limit_t"] * 0.95) & (totals["limit_t"] > 0)]
    crop = display_unit(week.info, "crop")
    peak = totals.loc[totals["crop_t"].idxmax()]
    top = f"most on {day_text(peak['day'], week.info)}: {number_text(crop.of(peak['crop_t']), week.info)} {crop.label}"
    if len(over):
        return f"Mill over its limit on {count_text(len(over), 'day')}; {top}"
    if len(full):
        return f"Mill full on {count_text(len(full), 'day')}; {top}"
    return f"The mill has room every day; {top}"


def alt_mill_load(week: Week, *, days: int = 21) -> str:
    """Alternative text of `mill_load`."""
    totals, crop = _mill_totals(week, days), display_unit(week.info, "crop")
    busy = totals[totals["crop_t"] > 0]
    says = [
        f"{day_text(r.day, week.info)} {number_text(crop.of(r.crop_t), week.info)}"
        f" of {number_text(crop.of(r.limit_t), week.info) or 'no limit'}"
        for r in busy.itertuples()
    ]
    return (
        f"{finding_mill_load(week, days=days)}. Fruit and limit in {crop.label} by day: {_listed(says, 10) or 'none'}."
    )


def mill_load_size(week: Week, wide: bool, *, days: int = 21) -> tuple[float, float]:
    """Width and height that suit `mill_load` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    key = KEY_LINE * len(_key_rows(_mill_items(week, days), width))
    return width / 72, (
        _head_height(week, finding_mill_load(week, days=days), [_mill_sub(week)], width) + key + 130 + 24
    ) / 72


def _mill_sub(week: Week) -> str:
    return f"Fruit to the mill, {display_unit(week.info, 'crop').label} a day, mean of the scenarios."


def _mill_items(week: Week, days: int) -> list[tuple[str, str]]:
    rows = _mill_days(week, days)
    rows = rows[rows["crop_t"] > 0]
    lots = sorted(
        {
            (int(i) if not pd.isna(i) else 0, str(c), _truth(o))
            for i, c, o in zip(rows["style_index"], rows["cultivar"], rows["organic"], strict=True)
        }
    )
    items = [(f"style {i}", c) for i, c in dict.fromkeys((i, c) for i, c, _ in lots)] + [("limit", "mill limit")]
    return items + ([("organic", "organic, kept apart")] if any(o for *_, o in lots) else [])


def _truth(value: Any) -> bool:
    return not pd.isna(value) and bool(value)


@_own_look
def mill_load(week: Week, ax: Axes, *, days: int = 21) -> Axes:
    """Fruit to the mill by day and lot, against what the mill can take.

    Parameters
    ----------
    week : Week
    ax : Axes
    days : int
        How many days ahead [d].
    """
    width, height = _sheet(ax)
    rows = _mill_days(week, days)
    if not (rows["crop_t"] > 0).any():
        return _nothing(ax, week, width, finding_mill_load(week, days=days))
    crop = display_unit(week.info, "crop")
    top = _head(ax, week, width, finding_mill_load(week, days=days), [_mill_sub(week)])
    top = _key(ax, top, width, _mill_items(week, days)) + 12
    bottom, today = height - 18, _today(week)
    totals = _mill_totals(week, days)
    busy = _day_number(totals.loc[totals["crop_t"] > 0, "day"])
    days = int(min(days, max(busy.max() - today + 2, 10)))  # no empty half when the picking ends early
    totals = totals[_day_number(totals["day"]) < today + days]
    limits = totals["limit_t"][np.isfinite(totals["limit_t"].astype(float))]  # no limit is no line
    high = float(crop.of(max(totals["crop_t"].max(), limits.max() if len(limits) else 0.0))) * 1.05
    left = 8 + text_width(number_text(high, week.info), SMALL)
    x, y = _scale(today, today + days, left, width), _scale(0, high, bottom, top)
    _frame(ax, week, (left, width, top, bottom), y, _nice(0, high, 5), labels=True)
    piled: dict[float, float] = {}
    bars: dict[int, list[Any]] = {}
    organic: list[Any] = []
    pieces = (
        rows[rows["crop_t"] > 0]
        .groupby(["day", "style_index", "organic"], as_index=False, dropna=False)["crop_t"]
        .sum()
    )
    for row in pieces.itertuples():
        day, amount = float(_day_number(row.day)), float(crop.of(row.crop_t))
        base = piled.get(day, 0.0)
        box = _box(float(x(day + 0.08)), float(y(base)), float(x(day + 0.92)), float(y(base + amount)))
        bars.setdefault(0 if pd.isna(row.style_index) else int(row.style_index), []).append(box)
        if _truth(row.organic):
            (ax0, ay0), (ax1, ay1) = box[0], box[2]
            organic.append(_box(ax0 + 0.8, ay0 - 0.8, ax1 - 0.8, ay1 + 0.8))
        piled[day] = base + amount
    for index, boxes in bars.items():
        style = cultivar_style(index)
        _boxes(ax, boxes, style.fill, hatch=style.hatch, edge="white", width=0.6)
    _boxes(ax, organic, "none", edge=OCHRE, width=1.6, z=3)
    day, limit = _day_number(totals["day"]), crop.of(totals["limit_t"].to_numpy(dtype=float))
    steps: list[list[tuple[float, float]]] = []
    for d, v in zip(day[np.isfinite(limit)], limit[np.isfinite(limit)], strict=True):
        a, b, level = float(x(d)), float(x(d + 1)), float(y(v))
        if steps and steps[-1][1] == (a, level):
            steps[-1][1] = (b, level)
        else:
            steps.append([(a, level), (b, level)])
    _lines(ax, steps, color="white", width=3.6, z=4)
    _lines(ax, steps, color=INK, width=1.8, z=4)
    amounts = crop.of(totals["crop_t"].to_numpy(dtype=float))
    taken: list[float] = []
    for k in np.argsort(limit - amounts, kind="stable"):  # the worst day is named before its neighbours
        at, said = float(x(day[k] + 0.5)), number_text(amounts[k], week.info)
        half = text_width(said, SMALL, bold=True) / 2
        if limit[k] > 0 and amounts[k] > limit[k] * OVER and all(abs(at - t) > 2 * half + 2 for t in taken):
            _write(
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
            _write(ax, at, bottom - 3, "closed", size=SMALL, color=SOFT, ha="center", turn=90)
    _day_axis(ax, week, x, today, today + days, bottom, every="week", room=width - left)
    return ax


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
        return "No outlook for the days ahead"
    wet = rows[rows["rain_chance"] >= RAIN_LIKELY]
    cold = rows[rows["frost_chance"] >= FROST_WORTH_SAYING]
    parts = [
        f"Rain likely {day_text(wet.iloc[0]['day'], week.info, 'MMMEd')}" if len(wet) else "No day with rain likely"
    ]
    if len(cold):
        parts.append(f"frost may come {day_text(cold.iloc[0]['day'], week.info, 'MMMEd')}")
    hours = rows["work_h"].astype(float)
    if hours.notna().any():
        parts.append(f"about {number_text(hours.sum(), week.info)} hours to pick in {count_text(len(rows), 'day')}")
    return "; ".join(parts)


def alt_weather_strip(week: Week, *, days: int = 10, station_id: str | None = None) -> str:
    """Alternative text of `weather_strip`."""
    rows, info = _ahead(week, days, station_id), week.info
    temp, rain = display_unit(info, "temp"), display_unit(info, "rain")
    says = []
    for r in rows.to_dict("records"):
        text = (
            f"{day_text(r['day'], info, 'MMMEd')}: {number_text(temp.of(r['temp_min_p50_c']), info)} to "
            f"{number_text(temp.of(r['temp_max_p50_c']), info)} {temp.label}"
        )
        if r["rain_chance"] >= 0.1:
            amount = number_text(rain.of(r["rain_mean_mm"]), info, rain.digits)
            text += f", rain {chance_text(r['rain_chance'])}, {amount} {rain.label}"
        if r["frost_chance"] >= 0.05:
            text += f", frost {chance_text(r['frost_chance'])}"
        if not pd.isna(r["work_h"]):
            text += f", {number_text(r['work_h'], info)} pick hours"
        says.append(text)
    return f"{finding_weather_strip(week, days=days, station_id=station_id)}. {'; '.join(says)}."


def weather_strip_size(week: Week, wide: bool, *, days: int = 10, station_id: str | None = None) -> tuple[float, float]:
    """Width and height that suit `weather_strip` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        _head_height(week, finding_weather_strip(week, days=days, station_id=station_id), [], width) + 218
    ) / 72


@_own_look
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
    width, _ = _sheet(ax)
    rows, info = _ahead(week, days, station_id), week.info
    if rows.empty:
        return _nothing(ax, week, width, finding_weather_strip(week, days=days, station_id=station_id))
    temp, rain = display_unit(info, "temp"), display_unit(info, "rain")
    top = _head(ax, week, width, finding_weather_strip(week, days=days, station_id=station_id))
    left = 37.0
    step = (width - left) / len(rows)
    middle = left + step * (np.arange(len(rows)) + 0.5)
    for at, day in zip(middle, rows["day"], strict=True):
        _write(ax, at, top + 10, _weekday(day, week, step), size=SMALL, ha="center")
        _write(ax, at, top + 21, str(pd.Timestamp(day).day), size=SMALL, ha="center")
    y0, y1 = top + 44, top + 112
    low = {p: temp.of(rows[f"temp_min_{p}_c"].to_numpy(dtype=float)) for p in ("p10", "p50", "p90")}
    high = {p: temp.of(rows[f"temp_max_{p}_c"].to_numpy(dtype=float)) for p in ("p10", "p50", "p90")}
    floor = min(float(np.nanmin(low["p10"])), float(temp.of(0.0)) - 1)
    y = _scale(floor, float(np.nanmax(high["p90"])), y1, y0)
    zero = float(y(temp.of(0.0)))
    _lines(ax, [[(left, zero), (width, zero)]], color=COLD_INK, width=1.0, dash=(0, (3, 2)), z=1)
    _write(
        ax,
        left - 5,
        zero + 3,
        f"{number_text(temp.of(0.0), info)} {temp.label}",
        size=SMALL,
        color=COLD_INK,
        ha="right",
    )
    _write(ax, left - 5, y0 + 8, "high", size=SMALL, color=SOFT, ha="right")
    if zero - (y0 + 8) > 34:
        _write(ax, left - 5, (y0 + zero) / 2 + 8, "low", size=SMALL, color=SOFT, ha="right")
    cold = rows["frost_chance"].to_numpy(dtype=float) >= FROST_WORTH_SAYING
    for flag, color in ((False, PALE), (True, COLD_INK)):
        on = cold == flag
        _lines(
            ax,
            [
                [(m, float(y(a))), (m, float(y(b)))]
                for m, a, b in zip(middle[on], low["p10"][on], high["p90"][on], strict=True)
            ],
            color=color,
            width=1.2,
            z=2,
        )
        _lines(
            ax,
            [
                [(m, float(y(a))), (m, float(y(b)))]
                for m, a, b in zip(middle[on], low["p50"][on], high["p50"][on], strict=True)
            ],
            color=color,
            width=7,
            z=3,
        )
    for i, m in enumerate(middle):
        _write(
            ax, m, float(y(high["p90"][i])) - 3, number_text(high["p50"][i], info), size=SMALL, ha="center", halo=True
        )
        _write(
            ax,
            m,
            float(y(low["p10"][i])) + 10,
            number_text(low["p50"][i], info),
            size=SMALL,
            ha="center",
            halo=True,
            bold=bool(cold[i]),
            color=COLD_INK if cold[i] else INK,
        )
    _rain_row(ax, week, rows, middle, step, left, top + 133, rain)
    _frost_row(ax, rows, middle, left, top + 185)
    _hours_row(ax, week, rows, middle, step, left, top + 191)
    return ax


def _rain_row(
    ax: Axes, week: Week, rows: pd.DataFrame, middle: np.ndarray, step: float, left: float, top: float, unit: Any
) -> None:
    """Mean rain as bars, its chance in words below."""
    base = top + 25
    _write(ax, left - 5, base - 9, "rain", size=SMALL, color=SOFT, ha="right")
    _write(ax, left - 5, base + 2, unit.label, size=SMALL, color=SOFT, ha="right")
    mean = rows["rain_mean_mm"].to_numpy(dtype=float)
    most = max(float(np.nanmax(mean)), 10.0)
    boxes = [
        _box(m - 0.3 * step, base - 22 * min(v / most, 1.0), m + 0.3 * step, base)
        for m, v in zip(middle, mean, strict=True)
        if v >= 0.3
    ]
    _boxes(ax, boxes, "#4a90c4")
    _lines(ax, [[(left, base), (middle[-1] + step / 2, base)]], color=GRID, z=1)
    digits = unit.digits
    for m, v, chance in zip(middle, mean, rows["rain_chance"].to_numpy(dtype=float), strict=True):
        shown = float(unit.of(v))
        if v >= 0.5:
            text = number_text(shown, week.info, digits if digits and shown < 10 else 1 if shown < 1 else 0)
            text = text.removeprefix("0") if digits == 2 and text_width(text, SMALL) > step else text
            _write(ax, m, base - 22 * min(v / most, 1.0) - 2.5, text, size=SMALL, ha="center", halo=True)
        if chance >= 0.05:
            strong = chance >= RAIN_LIKELY
            _write(
                ax,
                m,
                base + 11,
                f"{5 * round(20 * chance):.0f}%",
                size=SMALL,
                ha="center",
                bold=strong,
                color=RAIN_INK if strong else SOFT,
            )


def _frost_row(ax: Axes, rows: pd.DataFrame, middle: np.ndarray, left: float, y: float) -> None:
    _write(ax, left - 5, y, "frost", size=SMALL, color=SOFT, ha="right")
    for m, chance in zip(middle, rows["frost_chance"].to_numpy(dtype=float), strict=True):
        strong = chance >= FROST_WORTH_SAYING
        text = f"{5 * round(20 * chance):.0f}%" if chance >= 0.05 else "·"
        _write(ax, m, y, text, size=SMALL, ha="center", bold=strong, color=COLD_INK if strong else SOFT)


def _hours_row(
    ax: Axes, week: Week, rows: pd.DataFrame, middle: np.ndarray, step: float, left: float, top: float
) -> None:
    _write(ax, left - 5, top + 10, "pick", size=SMALL, color=SOFT, ha="right")
    _write(ax, left - 5, top + 20, "hours", size=SMALL, color=SOFT, ha="right")
    hours = rows["work_h"].to_numpy(dtype=float)
    most = max(float(np.nanmax(hours)), 1.0) if np.isfinite(hours).any() else 1.0
    for m, h in zip(middle, hours, strict=True):
        box = _box(m - step / 2 + 1, top, m + step / 2 - 1, top + 23)
        if np.isnan(h):
            continue
        share = h / most
        if share < 0.25:
            _boxes(ax, [box], "white", hatch="////", hatch_color="#e2b49c", edge=WARN, width=1.2)
            _write(ax, m, top + 15, number_text(h, week.info), bold=True, ha="center", halo=True)
        else:
            strong = share >= 0.7
            _boxes(ax, [box], LEAF if strong else "#b7d6c5")
            _write(ax, m, top + 15, number_text(h, week.info), bold=True, ha="center", color="white" if strong else INK)


# ---------------------------------------------------------------------------------------------------------
# Block map


def day_step(days: Any, verdict: Any) -> int | None:
    """Index into `DAY_STEPS` of a block that is `days` away from its target; None when it has no date."""
    if verdict == "reached":
        return 0
    if verdict not in ("not yet", "may never") or pd.isna(days):
        return None
    return next(i for i, (_, most, *_) in enumerate(DAY_STEPS) if float(days) <= most and (i > 0 or float(days) < 0))


def _days_words(row: Mapping[str, Any], order: Mapping[str, Any] | None) -> str:
    if _picked(order):
        return "picked"
    if row["verdict"] == "reached":
        days = row["days_p50"]
        return f"{-days:.0f} d over" if not pd.isna(days) and days <= -1 else "ready"
    if row["verdict"] == "never":
        return "never"
    return "no date" if pd.isna(row["days_p50"]) else f"{max(float(row['days_p50']), 0):.0f} d"


def finding_block_map(week: Week) -> str:
    """What the block map shows, in a sentence."""
    order = _order_of(week)
    steps = [
        day_step(r["days_p50"], r["verdict"])
        for r in week.stage.to_dict("records")
        if not _picked(order.get(r["block_id"]))
    ]
    ready, soon = sum(s == 0 for s in steps), sum(s in (1, 2) for s in steps)
    if not ready and not soon:
        return "No block reaches its target within a week"
    return (
        f"{count_text(ready, 'block')} at target, {soon} more within a week"
        if ready
        else f"{count_text(soon, 'block')} within a week of target"
    )


def alt_block_map(week: Week) -> str:
    """Alternative text of `block_map`."""
    says, order = [], _order_of(week)
    for ranch, rows in week.stage.groupby("ranch", sort=True):
        blocks = [
            f"{r['block_name']} {_days_words(r, order.get(r['block_id']))}"
            for r in rows.sort_values("days_p50").to_dict("records")
        ]
        says.append(f"{ranch}: {_listed(blocks, 8)}")
    return f"{finding_block_map(week)}. Days to {target_text(week)} by ranch. {'. '.join(says)}."


def _map_area(week: Week, wide: bool) -> tuple[float, float]:
    n = len(week.stage)
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width, min(max(n * 3300 / width + 16 * week.stage["ranch"].nunique() ** 0.5, 150), 760)


def block_map_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `block_map` [inches]."""
    width, tiles = _map_area(week, wide)
    return width / 72, (_head_height(week, finding_block_map(week), [_map_sub(week)], width) + tiles + 30) / 72


def _map_sub(week: Week) -> str:
    return (
        f"Days to {target_text(week)}. A sketch: north is up, larger blocks are larger, roads and shapes are left out."
    )


@_own_look
def block_map(week: Week, ax: Axes) -> Axes:
    """Sketch map of the blocks by ranch, coloured by days to target, the number printed in each.

    Parameters
    ----------
    week : Week
        `olivetime.report.tables.map_tiles` makes the sketch from the blocks' places and areas.
    ax : Axes
    """
    width, height = _sheet(ax)
    if week.stage.empty:
        return _nothing(ax, week, width, "No blocks to draw.")
    top = _head(ax, week, width, finding_block_map(week), [_map_sub(week)])
    blocks, ranches = map_tiles(week.stage, width, height - top - 26)
    stage, order = _stage_of(week), _order_of(week)
    for row in ranches.itertuples():
        room = row.x1 - row.x0
        _write(ax, row.x0 + 1, top + row.y0 + 9.5, _fit(drawable(row.ranch), SMALL, room), size=SMALL, color=SOFT)
    tiles: dict[int | str, list[Any]] = {}
    for row in blocks.itertuples():
        kind, ink = _tile_kind(stage[row.block_id], order.get(row.block_id))
        box = (row.x0, row.x1, top + row.y0, top + row.y1)
        tiles.setdefault(kind, []).append(_box(row.x0, box[2], row.x1, box[3]))
        _tile_words(ax, stage[row.block_id], order.get(row.block_id), ink, box, halo=kind == "no date")
    for kind, boxes in tiles.items():
        if isinstance(kind, int):
            _boxes(ax, boxes, DAY_STEPS[kind][2], edge=SOFT if kind == 4 else "none", width=0.8 if kind == 4 else 0)
        else:
            _boxes(
                ax,
                boxes,
                "white",
                hatch="////" if kind == "no date" else "",
                hatch_color="#d5dadd",
                edge=SOFT,
                width=0.8,
            )
    _steps_key(ax, width, height - 20, "no date" in tiles)
    return ax


def _tile_kind(stage: Mapping[str, Any], order: Mapping[str, Any] | None) -> tuple[int | str, str]:
    """Step of `DAY_STEPS`, "picked" or "no date", and the ink that stands out on it."""
    if _picked(order):
        return "picked", SOFT
    step = day_step(stage["days_p50"], stage["verdict"])
    return ("no date", INK) if step is None else (step, DAY_STEPS[step][3])


def _tile_words(
    ax: Axes,
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
    number, name = _rank_text(order).strip(), drawable(stage["block_name"], stage["block_id"])
    days = _days_words(stage, order)
    if stage["verdict"] == "reached" and not _picked(order):
        days = next((t for t in (days, "ready") if text_width(t, SMALL, bold=True) <= room), "over")
    one_line = f"{number}  {name}".strip()
    heads = [
        [one_line],
        [t for t in (number, name) if t],
        [t for t in (number, *_wrap(name, SMALL, room, most=2)) if t],
        [_fit(one_line, SMALL, room)],
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
                _write(ax, middle, y - 2, line, size=SMALL, color=ink, ha="center", halo=halo)
            _write(ax, middle, y + fits[0] - 1, days, size=fits[0], bold=True, color=ink, ha="center", halo=halo)
            return
    for text in (f"{one_line}: {days}", f"{number or name}: {days}", days):
        if text_width(text, SMALL, bold=True) <= room:
            _write(ax, middle, (y0 + y1) / 2 + 3, text, size=SMALL, bold=True, color=ink, ha="center", halo=halo)
            return
    _write(
        ax,
        middle,
        (y0 + y1) / 2 + 3,
        _fit(number or days, SMALL, room + 4),
        size=SMALL,
        color=ink,
        ha="center",
        halo=halo,
    )


def _steps_key(ax: Axes, width: float, y: float, undated: bool) -> None:
    n = len(DAY_STEPS) + undated
    step = width / n
    for i, (words, _, fill, ink) in enumerate(DAY_STEPS):
        _boxes(
            ax,
            [_box(i * step + 0.5, y, (i + 1) * step - 0.5, y + 17)],
            fill,
            edge=SOFT if i == 4 else "none",
            width=0.8,
        )
        _write(ax, (i + 0.5) * step, y + 12, words, size=SMALL, color=ink, ha="center")
    if undated:
        _boxes(
            ax,
            [_box((n - 1) * step + 0.5, y, width - 0.5, y + 17)],
            "white",
            hatch="////",
            hatch_color="#d5dadd",
            edge=SOFT,
            width=0.8,
        )
        _write(ax, (n - 0.5) * step, y + 12, "no date", size=SMALL, ha="center", halo=True)


# ---------------------------------------------------------------------------------------------------------
# Value against date


_VALUE_KEY = (
    ("solid", "value if picked that day"),
    ("band", "8-in-10 range"),
    ("window", "good days"),
    ("pick", "planned day"),
)


def finding_value_by_date(week: Week, *, block_ids: Sequence[str] | None = None) -> str:
    """What waiting costs, in a sentence."""
    rows = week.order[week.order["block_id"].isin(_chosen(week, block_ids))]
    cost = rows["waiting_7d"].astype(float)
    if not cost.notna().any():
        return "What waiting costs"
    worst = rows.loc[cost.idxmax()]
    if float(worst["waiting_7d"]) <= 0:
        return "A week's wait costs nothing in these blocks"
    return f"{worst['block_name']} loses most by waiting: {money_text(worst['waiting_7d'], week.info)} in a week"


def _signed_money(value: float, week: Week) -> str:
    return ("+" if value > 0 else "") + money_text(value, week.info)


def alt_value_by_date(week: Week, *, block_ids: Sequence[str] | None = None, **_others: Any) -> str:
    """Alternative text of `value_by_date`."""
    ids = _chosen(week, block_ids)
    rows = week.order[week.order["block_id"].isin(ids)].sort_values("rank", na_position="last")
    says = []
    for r in rows.to_dict("records"):
        text = f"{r['block_name']}: best {day_text(r['best_on'], week.info) or 'unknown'}, picked {when_text(r, week)}"
        if not pd.isna(r["waiting_7d"]):
            text += f", a week later {_signed_money(-float(r['waiting_7d']), week)}"
        says.append(text)
    return f"{finding_value_by_date(week, block_ids=ids)}. Value of each block by picking day. {'; '.join(says)}."


def _value_grid(width: float, n: int) -> tuple[int, int]:
    across = 2 if width < 400 else 4
    return across, math.ceil(n / across)


def value_by_date_size(
    week: Week, wide: bool, *, block_ids: Sequence[str] | None = None, **_others: Any
) -> tuple[float, float]:
    """Width and height that suit `value_by_date` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = _chosen(week, block_ids)
    head = _head_height(week, finding_value_by_date(week, block_ids=ids), [_value_sub(week)], width)
    key = KEY_LINE * len(_key_rows(_VALUE_KEY, width)) + 3
    return width / 72, (head + key + _value_grid(width, len(ids))[1] * _ROW + 16) / 72


def _value_sub(week: Week) -> str:
    return f"Thousands of {week.info['currency']} for the whole block, by day of picking."


@_own_look
def value_by_date(week: Week, ax: Axes, *, block_ids: Sequence[str] | None = None, days: int = 42) -> Axes:
    """Small multiples of a block's value against the day of picking, good days and the planned day marked.

    Parameters
    ----------
    week : Week
    ax : Axes
    block_ids : sequence of str, optional
        The first `BLOCKS_A_PAGE` of the order by default.
    days : int
        How many days ahead [d].
    """
    width, _ = _sheet(ax)
    ids = _chosen(week, block_ids)
    if not ids or week.value_by_day.empty:
        return _nothing(ax, week, width, "No values to draw.")
    top = _head(ax, week, width, finding_value_by_date(week, block_ids=ids), [_value_sub(week)])
    top = _key(ax, top, width, _VALUE_KEY)
    across, _ = _value_grid(width, len(ids))
    stage, order, today = _stage_of(week), _order_of(week), _today(week)
    parts = dict(tuple(week.value_by_day[week.value_by_day["block_id"].isin(ids)].groupby("block_id")))
    last = min(today + days, float(_day_number(week.info["end"])))
    left, cell = 27.0, width / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, x1, y0 = col * cell + left, (col + 1) * cell - 6, top + row * _ROW
        style, one = cultivar_style(stage[b]["style_index"]), order.get(b)
        words = when_text(one, week) if one else "not planned"
        if one and not pd.isna(one["start_at"]) and not pd.isna(one["waiting_7d"]):
            words += f" (+7 d {_signed_money(-float(one['waiting_7d']), week)})"
        _panel_head(ax, week, stage[b], one, style, x0 - left + 2, x1, y0, verdict=words)
        if b in parts:
            _value_panel(
                ax,
                week,
                parts[b],
                one,
                style,
                (x0, x1, y0 + 31, y0 + _ROW - 14),
                today,
                last,
                dates=i + across >= len(ids),
            )
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
    *,
    dates: bool,
) -> None:
    x0, x1, y0, y1 = box
    day = _day_number(part["day"])
    inside = (day >= today) & (day <= last)
    day, part = day[inside], part[inside]
    p10, p50, p90 = (part[f"value_{p}"].to_numpy(dtype=float) / 1000 for p in ("p10", "p50", "p90"))
    if not np.isfinite(p50).any():
        return
    low, high = float(np.nanmin(p10)), float(np.nanmax(p90))
    low, high = (min(low, 0.0) if low < 0.35 * high else low), high + 0.05 * (high - low + 1e-9)
    x, y = _scale(today, last, x0, x1), _scale(low, high, y1, y0)
    if order:
        good_from, good_to = _day_number([order["good_from"], order["good_to"]])
        if np.isfinite(good_from) and good_from < last:
            _lines(
                ax,
                [[(float(x(max(good_from, today))), y1 - 2.5), (float(x(min(good_to + 1, last))), y1 - 2.5)]],
                color=PALE,
                width=3.2,
                z=4,
            )
    _frame(ax, week, box, y, _nice(low, high, 4), labels=True)
    edge = np.concatenate([np.column_stack([x(day), y(p10)]), np.column_stack([x(day), y(p90)])[::-1]])
    ax.add_collection(PolyCollection([edge], facecolors=style.fill, alpha=0.2, linewidths=0, zorder=2), autolim=False)
    _path(ax, x(day), y(p50), color=style.fill, width=2)
    if order and not pd.isna(order["start_at"]):
        start = float(_day_number(order["start_at"]))
        if today <= start <= last:
            at = float(np.interp(start, day, p50))
            _lines(ax, [[(float(x(start)), y0), (float(x(start)), y1)]], color=INK, width=1, dash=(0, (1, 1.5)), z=3)
            _mark(ax, [float(x(start))], [float(y(at)) - 4], "v", size=6)
    if dates:
        _day_axis(ax, week, x, today, last, y1, every="fortnight", room=x1 - x0)


# ---------------------------------------------------------------------------------------------------------
# Colour classes


def finding_colour_classes(week: Week, *, block_ids: Sequence[str] | None = None) -> str:
    """What the colour classes show, in a sentence."""
    rows = week.stage[week.stage["block_id"].isin(_chosen(week, block_ids))]
    ripe = rows["maturity_now_p50"].astype(float)
    if not ripe.notna().any():
        return "Colour of the fruit"
    top = rows.loc[ripe.idxmax()]
    return f"{top['block_name']} is ripest by colour: maturity {number_text(top['maturity_now_p50'], week.info, 1)}"


def alt_colour_classes(week: Week, *, block_ids: Sequence[str] | None = None, **_others: Any) -> str:
    """Alternative text of `colour_classes`."""
    ids = _chosen(week, block_ids)
    says = []
    for b in ids:
        part = week.classes[week.classes["block_id"] == b].sort_values("day")
        if part.empty or part.iloc[0][[f"class{i}" for i in range(8)]].isna().any():
            continue
        shares = [float(part.iloc[0][f"class{i}"]) for i in range(8)]
        top = int(np.argmax(shares))
        says.append(
            f"{_stage_of(week)[b]['block_name']} mostly class {top} ({number_text(100 * shares[top], week.info)} %)"
        )
    now = "; ".join(says) or "no counts"
    return f"{finding_colour_classes(week, block_ids=ids)}. Share of fruit by colour class 0 to 7. Now {now}."


def colour_classes_size(
    week: Week, wide: bool, *, block_ids: Sequence[str] | None = None, **_others: Any
) -> tuple[float, float]:
    """Width and height that suit `colour_classes` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    ids = _chosen(week, block_ids)
    head = _head_height(week, finding_colour_classes(week, block_ids=ids), [_CLASS_SUB], width)
    return width / 72, (head + 24 + _value_grid(width, len(ids))[1] * _ROW + 16) / 72


_CLASS_SUB = "Expected share of fruit by colour class in the days ahead, %."


@_own_look
def colour_classes(week: Week, ax: Axes, *, block_ids: Sequence[str] | None = None, days: int = 42) -> Axes:
    """Small multiples of the shares of the eight colour classes over the days ahead.

    Parameters
    ----------
    week : Week
    ax : Axes
    block_ids : sequence of str, optional
        The first `BLOCKS_A_PAGE` of the order by default.
    days : int
        How many days ahead [d].
    """
    width, _ = _sheet(ax)
    ids = _chosen(week, block_ids)
    if not ids or week.classes.empty:
        return _nothing(ax, week, width, "No colour counts to draw.")
    top = _head(ax, week, width, finding_colour_classes(week, block_ids=ids), [_CLASS_SUB])
    step = (width - 52) / 8
    _write(ax, 0, top + 12, "green", size=SMALL, color=SOFT)
    _write(ax, width, top + 12, "black", size=SMALL, color=SOFT, ha="right")
    for i, fill in enumerate(CLASS_FILLS):
        _boxes(ax, [_box(28 + i * step, top + 2, 28 + (i + 1) * step - 1, top + 16)], fill)
        _write(ax, 28 + (i + 0.5) * step, top + 12.5, str(i), size=SMALL, ha="center", color="white" if i >= 3 else INK)
    top += 24
    across, _ = _value_grid(width, len(ids))
    stage, order, today = _stage_of(week), _order_of(week), _today(week)
    last = min(today + days, float(_day_number(week.info["end"])))
    parts = dict(tuple(week.classes[week.classes["block_id"].isin(ids)].groupby("block_id")))
    left, cell = 27.0, width / across
    for i, b in enumerate(ids):
        row, col = divmod(i, across)
        x0, x1, y0 = col * cell + left, (col + 1) * cell - 6, top + row * _ROW
        box = (x0, x1, y0 + 31, y0 + _ROW - 14)
        index = stage[b]["maturity_now_p50"]
        words = f"maturity {number_text(index, week.info, 1)} now" if not pd.isna(index) else "no colour counts"
        _panel_head(
            ax,
            week,
            stage[b],
            order.get(b),
            cultivar_style(stage[b]["style_index"]),
            x0 - left + 2,
            x1,
            y0,
            verdict=words,
        )
        if b not in parts or not parts[b][[f"class{k}" for k in range(8)]].notna().all(axis=None):
            continue
        part = parts[b].sort_values("day")
        day = _day_number(part["day"])
        inside = (day >= today) & (day <= last)
        shares = 100 * part.loc[inside, [f"class{k}" for k in range(8)]].to_numpy(dtype=float)
        x, y = _scale(today, last, x0, x1), _scale(0, 100, box[3], box[2])
        edges = np.column_stack([np.zeros(len(shares)), np.cumsum(shares, axis=1)])
        at = x(day[inside])
        for k, fill in enumerate(CLASS_FILLS):
            area = np.concatenate(
                [np.column_stack([at, y(edges[:, k])]), np.column_stack([at, y(edges[:, k + 1])])[::-1]]
            )
            ax.add_collection(
                PolyCollection([area], facecolors=fill, edgecolors="white", linewidths=0.5, zorder=2), autolim=False
            )
            thick = np.abs(edges[:, k + 1] - edges[:, k])
            best = int(np.argmax(thick))
            if thick[best] >= 24:
                place = min(max(float(at[best]), x0 + 6), x1 - 6)
                _write(
                    ax,
                    place,
                    float(y((edges[best, k] + edges[best, k + 1]) / 2)) + 3,
                    str(k),
                    size=SMALL,
                    ha="center",
                    color="white" if k >= 3 else INK,
                )
        _frame(ax, week, box, y, np.array([0, 50, 100]), labels=True)
        if i + across >= len(ids):
            _day_axis(ax, week, x, today, last, box[3], every="fortnight", room=x1 - x0)
    return ax


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
        return "No oil samples to compare with the curves"
    far = int((rows["residual_sd"].astype(float).abs() > 2).sum())
    share = number_text(100 * far / len(rows), week.info)
    tail = f"; {count_text(len(odd), 'doubtful sample')}" if len(odd) else "; no doubtful sample"
    return f"{share} % of {count_text(len(rows), 'oil sample')} lie beyond 2 sd (5 % expected){tail}"


def alt_residuals(week: Week) -> str:
    """Alternative text of `residuals`."""
    odd = doubtful(week)
    names = [
        f"{r['sample_id']} ({_label(week, r['block_id'])}, {number_text(r['residual_sd'], week.info, 1)} sd)"
        for r in odd.to_dict("records")
    ]
    return (
        f"{finding_residuals(week)}. Distance of each oil sample from its curve, in sd, against the curve and by date."
        + (f" Doubtful: {_listed(names)}." if names else "")
    )


def residuals_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `residuals` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        _head_height(week, finding_residuals(week), [_RESIDUAL_SUB], width) + 20 + (150 if wide else 290)
    ) / 72


_RESIDUAL_SUB = "Sample minus curve, in standard deviations; shaded: 19 in 20 expected inside."


@_own_look
def residuals(week: Week, ax: Axes) -> Axes:
    """Distance of every oil sample from its curve: against the fitted value and by date.

    Parameters
    ----------
    week : Week
    ax : Axes
        Two plots, side by side when wider than 400 points, else one above the other.
    """
    width, height = _sheet(ax)
    rows = _oil_residuals(week)
    if rows.empty:
        return _nothing(ax, week, width, finding_residuals(week))
    top = _head(ax, week, width, finding_residuals(week), [_RESIDUAL_SUB])
    stage = _stage_of(week)
    used = sorted(
        {(int(stage[b]["style_index"]), stage[b]["cultivar"]) for b in rows["block_id"].unique() if b in stage}
    )
    top = _cultivar_markers(ax, used, top, width) + 6
    wide = width >= 400
    boxes = (
        [(20, width / 2 - 12, top, height - 28), (width / 2 + 20, width, top, height - 28)]
        if wide
        else [(20, width, top, top + (height - top) / 2 - 32), (20, width, top + (height - top) / 2 + 4, height - 28)]
    )
    sd = rows["residual_sd"].to_numpy(dtype=float)
    least, most = min(-3.2, float(sd.min()) - 0.3), max(3.2, float(sd.max()) + 0.3)
    ticks = np.arange(-40, 41, 2.0 if most - least < 14 else 4.0)
    ticks = ticks[(ticks > least) & (ticks < most)]
    days = _day_number(rows["day"])
    fitted = rows["fitted"].to_numpy(dtype=float)
    index = np.array([int(stage[b]["style_index"]) if b in stage else 0 for b in rows["block_id"]])
    odd = set(doubtful(week)["sample_id"])
    ringed = rows["sample_id"].isin(odd).to_numpy()
    for box, values, kind in zip(boxes, (fitted, days), ("fitted", "day"), strict=True):
        x0, x1, y0, y1 = box
        low, high = float(values.min()), float(values.max())
        pad = 0.03 * (high - low) or 1.0
        x, y = _scale(low - pad, high + pad, x0, x1), _scale(least, most, y1, y0)
        _boxes(ax, [_box(x0, float(y(2)), x1, float(y(-2)))], "#eef2f4", z=0.5)
        _frame(ax, week, box, y, ticks, labels=True)
        _lines(ax, [[(x0, float(y(0))), (x1, float(y(0)))]], color=SOFT, width=0.9, z=2)
        for i, _ in used:
            style, on = cultivar_style(i), index == i
            _mark(ax, x(values[on]), y(sd[on]), style.marker, size=3.6, fill="white", edge=style.fill, width=0.9, z=3)
        _mark(ax, x(values[ringed]), y(sd[ringed]), "o", size=9, fill="none", edge=WARN, width=1.3, z=4)
        if kind == "fitted":
            for t in _nice(low, high, 6 if wide else 5):
                _write(ax, float(x(t)), y1 + 12, number_text(t, week.info), size=SMALL, color=SOFT, ha="center")
            _write(ax, x1, y1 + 24, "oil by the curve, % of dry weight", size=SMALL, color=SOFT, ha="right")
        else:
            _day_axis(ax, week, x, low - pad, high + pad, y1, every="month", room=x1 - x0)
            _write(ax, x1, y1 + 24, "date of the sample", size=SMALL, color=SOFT, ha="right")
    return ax


def _cultivar_markers(ax: Axes, used: Sequence[tuple[int, str]], y: float, width: float) -> float:
    x = 0.0
    for i, cultivar in used:
        style, words = cultivar_style(i), _fit(drawable(cultivar), SMALL, width - 20)
        if x and x + 14 + text_width(words, SMALL) > width:
            x, y = 0.0, y + KEY_LINE
        _mark(ax, [x + 5], [y + 7], style.marker, size=5, fill="white", edge=style.fill)
        _write(ax, x + 13, y + 10, words, size=SMALL, color=style.text)
        x += 25 + text_width(words, SMALL)
    return y + KEY_LINE


# ---------------------------------------------------------------------------------------------------------
# Plan against rules of thumb


def _rules_rows(week: Week) -> list[tuple[str, float]]:
    rows = [("this order", week.info["value"])] if week.info.get("value") is not None else []
    rows += [(str(r), float(v)) for r, v in zip(week.rules["rule"], week.rules["value"].astype(float), strict=True)]
    return sorted(rows, key=lambda r: -r[1])


def _best_possible(week: Week) -> float:
    bound, best = week.info.get("bound"), max((v for _, v in _rules_rows(week)), default=0.0)
    return best if bound is None or not math.isfinite(float(bound)) else max(float(bound), best)


def finding_rules(week: Week) -> str:
    """What the plan gains over the best rule of thumb, in a sentence."""
    others = week.rules["value"].astype(float)
    if week.rules.empty or week.info.get("value") is None:
        return "No rules were compared"
    best = week.rules.loc[others.idxmax()]
    gain = float(week.info["value"]) - float(best["value"])
    if gain < 0:
        return f"The rule “{best['rule']}” beats this order by {money_text(-gain, week.info)}"
    return f"This order is worth {money_text(gain, week.info)} more than the best rule of thumb ({best['rule']})"


def alt_rules(week: Week) -> str:
    """Alternative text of `rules`."""
    if week.rules.empty:
        return "No rules of thumb were compared."
    most = _best_possible(week)
    says = [f"{name} {money_text(most - value, week.info)}" for name, value in _rules_rows(week)]
    return f"{finding_rules(week)}. Money short of the most that could be reached: {'; '.join(says)}."


def rules_size(week: Week, wide: bool) -> tuple[float, float]:
    """Width and height that suit `rules` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        _head_height(week, finding_rules(week), [_RULES_SUB], width) + 30 * max(len(_rules_rows(week)), 1) + 6
    ) / 72


_RULES_SUB = "Money short of the most that could be reached; shorter bars are better."


@_own_look
def rules(week: Week, ax: Axes) -> Axes:
    """How far this order and each rule of thumb fall short of the most that could be reached.

    Parameters
    ----------
    week : Week
    ax : Axes
    """
    width, _ = _sheet(ax)
    rows = _rules_rows(week)
    if week.rules.empty or not rows:
        return _nothing(ax, week, width, finding_rules(week))
    top = _head(ax, week, width, finding_rules(week), [_RULES_SUB])
    most = _best_possible(week)
    short = [most - value for _, value in rows]
    room = max(text_width(money_text(s, week.info), BODY, bold=True) for s in short) + 8
    x = _scale(0, max(*short, 1e-9), 0, width - room)
    for i, ((name, _), gap) in enumerate(zip(rows, short, strict=True)):
        y, mine = top + 30 * i, name == "this order"
        _write(ax, 0, y + 10, _fit(drawable(name), BODY, width, bold=mine), bold=mine)
        end = max(float(x(gap)), 1.5)
        _boxes(ax, [_box(0, y + 13, end, y + 24)], LEAF if mine else "#a9b2b9")
        _write(ax, end + 5, y + 22, money_text(gap, week.info), bold=mine)
    return ax


# ---------------------------------------------------------------------------------------------------------
# Degree days


def _heat_rows(week: Week, station_id: str | None) -> pd.DataFrame:
    station = week.info["main_station"] if station_id is None else station_id
    return week.heat[week.heat["station_id"] == station]


def finding_heat(week: Week, *, station_id: str | None = None) -> str:
    """How far the season's warmth is ahead of past seasons, in a sentence."""
    lead = heat_lead(week, station_id)
    if lead is None:
        return "No past seasons to compare the warmth with"
    days = abs(lead)
    if round(days) == 0:
        return "The season is as warm as usual so far"
    return f"The season is {count_text(round(days), 'warm day')} {'ahead of' if lead > 0 else 'behind'} usual"


def alt_heat(week: Week, *, station_id: str | None = None) -> str:
    """Alternative text of `heat`."""
    rows = _heat_rows(week, station_id)
    says = [
        f"{season}: {number_text(part['heat_d'].iloc[-1], week.info)}"
        for season, part in rows[rows["day_of_season"] <= _heat_today(week, rows)]
        .sort_values("day_of_season")
        .groupby("season")
    ]
    reached = ", ".join(says) or "none"
    return f"{finding_heat(week, station_id=station_id)}. Thermal days from the season's start to this day: {reached}."


def _heat_today(week: Week, rows: pd.DataFrame) -> float:
    now = rows[rows["season"].astype(float) == float(week.info["label"])]
    return float(now["day_of_season"].max()) if len(now) else -1.0


def _heat_sub(week: Week, station_id: str | None) -> str:
    seasons = _heat_rows(week, station_id)["season"].astype(float)
    past = int(seasons[seasons < float(week.info["label"])].nunique())
    grey = f" Grey: {count_text(past, 'past season')}." if past else ""
    return f"{_HEAT_SUB}{grey}"


def heat_size(week: Week, wide: bool, *, station_id: str | None = None) -> tuple[float, float]:
    """Width and height that suit `heat` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    return width / 72, (
        _head_height(week, finding_heat(week, station_id=station_id), [_heat_sub(week, station_id)], width) + 170
    ) / 72


_HEAT_SUB = "Degree days since the season's start, divided by 15."


@_own_look
def heat(week: Week, ax: Axes, *, station_id: str | None = None) -> Axes:
    """Cumulative thermal days of this season against the past ones at one station.

    Parameters
    ----------
    week : Week
    ax : Axes
    station_id : str, optional
        The week's main station by default.
    """
    width, height = _sheet(ax)
    rows = _heat_rows(week, station_id)
    if rows.empty:
        return _nothing(ax, week, width, "No measured weather to draw.")
    top = _head(ax, week, width, finding_heat(week, station_id=station_id), [_heat_sub(week, station_id)]) + 6
    left, right, bottom = 26.0, width - 40, height - 18
    span = float(rows["day_of_season"].max())
    high = float(rows["heat_d"].max()) * 1.04 or 1.0
    x, y = _scale(0, max(span, 1), left, right), _scale(0, high, bottom, top)
    _frame(ax, week, (left, right, top, bottom), y, _nice(0, high, 5), labels=True)
    ends = []
    for season, part in rows.sort_values("day_of_season").groupby("season"):
        mine = float(season) == float(week.info["label"])
        px, py = x(part["day_of_season"]), y(part["heat_d"])
        _path(ax, px, py, color=WARN if mine else PALE, width=2.4 if mine else 1.2, z=4 if mine else 3)
        ends.append([float(py[-1]), float(px[-1]), f"{season:.0f}", mine])
    start = pd.Timestamp(week.info["start"])
    first = float(_day_number(start))
    _day_axis(
        ax,
        week,
        _scale(first, first + max(span, 1), left, right),
        first,
        first + span,
        bottom,
        every="month",
        room=right - left,
    )
    past = sorted(e for e in ends if not e[3])
    # Only the warmest and the coolest past season carry their year: the rest is the range between them.
    for at_y, at_x, words, _ in past[:1] + (past[-1:] if len(past) > 1 and past[-1][0] - past[0][0] >= 11 else []):
        _write(ax, at_x + 4, at_y + 3, words, size=SMALL, color=SOFT)
    for at_y, at_x, words, mine in ends:
        if mine:
            _mark(ax, [at_x], [at_y], "o", size=5, fill=WARN, edge=WARN)
            _write(ax, at_x - 6, at_y - 4, words, size=SMALL, bold=True, color=WARN, ha="right", halo=True)
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


def finding_frost(week: Week, *, days: int = 14, most: int = 16) -> str:
    """Where frost threatens most, in a sentence."""
    grid = _frost_rows(week, days, most)
    if grid.empty:
        return f"No damaging frost worth naming in the next {count_text(days, 'night')}"
    block = grid.index[0]
    night = grid.loc[block].idxmax()
    rows = week.frost[(week.frost["block_id"] == block) & (week.frost["day"] == night)]
    crop = display_unit(week.info, "crop")
    name = _stage_of(week)[block]["block_name"] if block in _stage_of(week) else block
    return (
        f"{name}: {chance_text(grid.loc[block, night])} chance of damaging frost on {day_text(night, week.info)}, "
        f"{number_text(crop.of(rows['at_risk_t'].iloc[0]), week.info)} {crop.label} still on the trees"
    )


def alt_frost(week: Week, *, days: int = 14, most: int = 16) -> str:
    """Alternative text of `frost`."""
    grid, stage = _frost_rows(week, days, most), _stage_of(week)
    says = [
        f"{stage[b]['block_name'] if b in stage else b} up to {chance_text(grid.loc[b].max())}"
        f" ({day_text(grid.loc[b].idxmax(), week.info)})"
        for b in grid.index
    ]
    return f"{finding_frost(week, days=days, most=most)}." + (
        f" Largest chance by block: {_listed(says, 8)}." if says else ""
    )


def frost_size(week: Week, wide: bool, *, days: int = 14, most: int = 16) -> tuple[float, float]:
    """Width and height that suit `frost` [inches]."""
    width = 72 * (WIDE_IN if wide else PHONE_IN)
    n = len(_frost_rows(week, days, most))
    return width / 72, (
        _head_height(week, finding_frost(week, days=days, most=most), [_FROST_SUB] if n else [], width)
        + (26 + 19 * n if n else 6)
    ) / 72


# Least chance, fill and ink of a night; the darker the likelier.
FROST_SHADES = (
    (0.5, "#1f3f7a", "#ffffff"),
    (0.3, "#4a73b3", "#ffffff"),
    (0.15, "#b4cae8", INK),
    (0.05, "#e6eef8", INK),
)
_FROST_SUB = "Chance of damaging frost by night, %, blocks still to pick."


@_own_look
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
    width, _ = _sheet(ax)
    grid = _frost_rows(week, days, most)
    if grid.empty:
        return _nothing(ax, week, width, finding_frost(week, days=days, most=most))
    top = _head(ax, week, width, finding_frost(week, days=days, most=most), [_FROST_SUB])
    names = [_fit(_label(week, b), SMALL, 74) for b in grid.index]
    left = max(text_width(n, SMALL) for n in names) + 8
    today = pd.Timestamp(week.info["as_of"])
    nights = pd.date_range(today, periods=days, freq="D")
    step = (width - left) / days
    for j, night in enumerate(nights):
        if step >= 15 or j % 2 == 0:
            _write(
                ax, left + (j + 0.5) * step, top + 10, _weekday(night, week, step), size=SMALL, color=SOFT, ha="center"
            )
            _write(ax, left + (j + 0.5) * step, top + 21, str(night.day), size=SMALL, color=SOFT, ha="center")
    top += 26
    cells: dict[str, list[Any]] = {}
    chances = grid.reindex(columns=nights).to_numpy(dtype=float)
    for i, (row, words) in enumerate(zip(chances, names, strict=True)):
        y = top + 19 * i
        _write(ax, left - 6, y + 12, words, size=SMALL, ha="right")
        for j, chance in enumerate(row):
            fill, ink = next(((fill, ink) for least, fill, ink in FROST_SHADES if chance >= least), ("#f5f7f8", ""))
            cells.setdefault(fill, []).append(_box(left + j * step + 0.5, y, left + (j + 1) * step - 0.5, y + 18))
            if ink:
                _write(
                    ax,
                    left + (j + 0.5) * step,
                    y + 12.5,
                    f"{5 * round(20 * chance):.0f}",
                    size=SMALL,
                    color=ink,
                    ha="center",
                )
    for fill, boxes in cells.items():
        _boxes(ax, boxes, fill)
    return ax


# ---------------------------------------------------------------------------------------------------------
# From a picture to a page


def new_figure(width: float, height: float) -> tuple[Figure, Axes]:
    """An empty figure with one Axes over all of it, without touching matplotlib's own state.

    Parameters
    ----------
    width, height : float
        Size [inches].
    """
    figure = Figure(figsize=(width, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure, figure.add_axes((0, 0, 1, 1))


def figure_png(figure: Figure) -> bytes:
    """PNG of a figure: 128 colours from a palette, two pixels for each CSS pixel, no date or program inside.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    bytes
        The same figure gives the same bytes.
    """
    canvas = figure.canvas if isinstance(figure.canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    with matplotlib.rc_context(_RC):
        canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())
    codes = (pixels[..., 0].astype(np.uint32) << 16) | (pixels[..., 1].astype(np.uint32) << 8) | pixels[..., 2]
    colours, counts = np.unique(codes, return_counts=True)
    palette, nearest = _palette(colours, counts)
    table = np.zeros(1 << 24, dtype=np.uint8)
    table[colours] = nearest
    picture = Image.fromarray(table[codes])
    picture.putpalette(palette.astype(np.uint8).tobytes())
    buffer = io.BytesIO()
    picture.save(buffer, format="PNG", compress_level=6)
    return buffer.getvalue()


def _palette(colours: np.ndarray, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Palette of at most 128 colours, and each colour's place in it.

    The 96 commonest colours (flat fills, white, ink) stay exact; the rest are those farthest from all chosen so far, so
    that no edge pixel is far from its own colour.
    """
    rgb = np.stack([colours >> 16, (colours >> 8) & 255, colours & 255], axis=1).astype(np.float32)
    chosen = list(np.argsort(-counts, kind="stable")[:96])
    away = np.full(len(rgb), np.inf, dtype=np.float32)
    nearest = np.zeros(len(rgb), dtype=np.uint8)
    for place in range(128):
        if place >= len(chosen):
            if not away.max() > 0:
                break
            chosen.append(int(away.argmax()))
        distance = ((rgb - rgb[chosen[place]]) ** 2).sum(axis=1)
        closer = distance < away
        away[closer], nearest[closer] = distance[closer], place
    return rgb[chosen], nearest


def figure_html(png: bytes, alt: str, caption: str = "", *, broad: bool = False) -> str:
    """HTML <figure> that holds the picture itself.

    Parameters
    ----------
    png : bytes
    alt : str
        What the picture says, for those who cannot see it; must not be empty.
    caption : str
        How to read it.
    broad : bool
        Takes the whole width on desk and paper; others stand two abreast.

    Raises
    ------
    ValueError
        No PNG, or an empty alternative text.
    """
    if not alt.strip():
        raise ValueError(
            "figure: found an empty alt text, expected a sentence with the finding. Give what the picture says."
        )
    if png[:8] != b"\x89PNG\r\n\x1a\n":
        raise ValueError("figure: found bytes that are no PNG, expected a PNG picture. Make it with figure_png.")
    width, height = (int.from_bytes(png[i : i + 4], "big") * 96 // DPI for i in (16, 20))
    data = base64.b64encode(png).decode()
    below = f"<figcaption>{html.escape(caption)}</figcaption>" if caption else ""
    css = ' class="broad"' if broad else ""
    return (
        f'<figure{css}><img alt="{html.escape(alt)}" width="{width}" height="{height}" '
        f'src="data:image/png;base64,{data}">{below}</figure>'
    )


@dataclass(frozen=True)
class Picture:
    """One kind of picture: how to draw it, say it, size it, and the words under it."""

    draw: Callable[..., Axes]
    alt: Callable[..., str]
    size: Callable[..., tuple[float, float]]
    caption: str


PICTURES: Mapping[str, Picture] = MappingProxyType(
    {
        "curves": Picture(
            curves, alt_curves, curves_size, "Oil in the fruit of each block: what was measured, and where it is going."
        ),
        "calendar": Picture(
            calendar,
            alt_calendar,
            calendar_size,
            "When each block is to be picked (middle scenario). ▼ early, ▲ late: outside the block's good days.",
        ),
        "mill_load": Picture(
            mill_load,
            alt_mill_load,
            mill_load_size,
            "Fruit to the mill each day against what it mills in a day; what is above waits in its bins, ageing.",
        ),
        "weather_strip": Picture(
            weather_strip,
            alt_weather_strip,
            weather_strip_size,
            "The days ahead. Thick bar: middle low to middle high; thin line: 8-in-10 range; rain: mean.",
        ),
        "block_map": Picture(
            block_map,
            alt_block_map,
            block_map_size,
            "Blocks by days to their target. The number before a name is its place in the order.",
        ),
        "value_by_date": Picture(
            value_by_date,
            alt_value_by_date,
            value_by_date_size,
            "What each block is worth by the day it is picked; +7 d: a week later than planned.",
        ),
        "colour_classes": Picture(
            colour_classes,
            alt_colour_classes,
            colour_classes_size,
            "Fruit by colour class, 0 deep green to 7 black through the flesh.",
        ),
        "residuals": Picture(
            residuals, alt_residuals, residuals_size, "How far samples lie from their curves. Ringed: doubtful samples."
        ),
        "rules": Picture(
            rules,
            alt_rules,
            rules_size,
            "This order against rules of thumb, by the same referee in the same scenarios.",
        ),
        "heat": Picture(heat, alt_heat, heat_size, "Warmth of the season so far, against past seasons."),
        "frost": Picture(frost, alt_frost, frost_size, "Chance that the night's low damages fruit still on the trees."),
    }
)


def draw(week: Week, kind: str, *, wide: bool = False, **options: Any) -> Figure:
    """Draw one kind of picture at the size that suits it.

    Parameters
    ----------
    week : Week
    kind : str
        A name in `PICTURES`.
    wide : bool
        7.5 inches for desk and JupyterLab, else 3.75 inches for phones.
    **options
        The picture's own: basis, block_ids, days, most, station_id.

    Raises
    ------
    ValueError
        Unknown kind.
    """
    if kind not in PICTURES:
        raise ValueError(f"picture: found {kind!r}, expected one of {', '.join(PICTURES)}. Name one of these.")
    figure, ax = new_figure(*PICTURES[kind].size(week, wide, **options))
    PICTURES[kind].draw(week, ax, **options)
    return figure


def show_html(week: Week, kind: str, *, wide: bool = False, caption: str | None = None, **options: Any) -> str:
    """HTML of one kind of picture with its alternative text, for `weekly.show`.

    Parameters
    ----------
    week, kind, wide, **options
        As in `draw`.
    caption : str, optional
        Instead of the kind's own words.
    """
    figure = draw(week, kind, wide=wide, **options)
    picture = PICTURES[kind]
    return figure_html(
        figure_png(figure), picture.alt(week, **options), picture.caption if caption is None else caption, broad=wide
    )


def letters_note(week: Week) -> str:
    """A sentence on names that pictures show by the block's id, because the font lacks their letters; "" when none."""
    odd = [
        f"{r['block_id']} ({r['block_name']})"
        for r in week.stage.to_dict("records")
        if drawable(r["block_name"]) != drawable(r["block_name"], r["block_id"])
    ]
    return (
        f"In the pictures these blocks carry their id, as the font lacks letters of their names: {_listed(odd, 12)}."
        if odd
        else ""
    )
