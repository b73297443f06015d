"""What all pictures share: look, colours, text that fits, scales, keys, the day axis.

Every picture is drawn on one Axes whose coordinates are points (1/72 inch) from its top left corner: texts keep their
size, their width can be measured before they are placed, and drawing is several times faster than with one Axes for
each panel.
"""

from __future__ import annotations

import functools
import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
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

from olivetime.languages import mark, say
from olivetime.report.tables import Week, verdict_text
from olivetime.words import day_text, number_text

PHONE_IN, WIDE_IN = 3.75, 7.5  # 360 and 720 CSS pixels
DPI = 192  # two image pixels for each CSS pixel
SMALL, BODY, BOLD = 8.5, 9.0, 10.0  # text sizes [pt]; nothing smaller than SMALL, which is 11 CSS pixels
BLOCKS_A_PAGE = 20  # panels of a small-multiples picture
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
    (mark("ready"), 0, "#5a1a00", "#ffffff"),
    (mark("0–3 d"), 3, "#a83800", "#ffffff"),
    (mark("4–7 d"), 7, "#e07b1a", INK),
    (mark("8–14 d"), 14, "#f5c47c", INK),
    (mark("15+ d"), math.inf, "#ecf0f2", INK),
)
# Colour classes 0 (deep green) to 7 (black, flesh violet to the stone): lightness falls with every class.
CLASS_FILLS = ("#dfe9b8", "#b9cc6e", "#c9a24b", "#a9642f", "#97465a", "#6f2f63", "#47204f", "#1d1430")
LOOK: Any = {
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
def own_look(draw: Callable[..., Axes]) -> Callable[..., Axes]:
    """Draw with our own settings whatever the caller's matplotlib settings are, and leave those as they were."""

    @functools.wraps(draw)
    def drawn(*args: Any, **kwargs: Any) -> Axes:
        with matplotlib.rc_context(LOOK):
            return draw(*args, **kwargs)

    return drawn


def lay_sheet(ax: Axes) -> tuple[float, float]:
    """Make `ax` a sheet measured in points from its top left corner; gives width and height."""
    figure, box = ax.get_figure(root=True), ax.get_position()
    assert figure is not None, "a sheet is laid on a figure"
    width, height = 72 * figure.get_figwidth() * box.width, 72 * figure.get_figheight() * box.height
    ax.set(xlim=(0, width), ylim=(height, 0))
    ax.axis("off")
    return width, height


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    return get_font(str(_FONTS / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")))


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    """Letters that the font has in both weights."""
    return frozenset(_font(False).get_charmap()) & frozenset(_font(True).get_charmap())


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
    known = _glyphs()
    if all(ord(c) in known for c in cleaned):
        return cleaned
    other = " ".join(str(instead).split())
    if other and all(ord(c) in known for c in other):
        return other
    return "".join(c if ord(c) in known else "\N{WHITE SQUARE}" for c in cleaned)


def fit_text(text: str, size: float, room: float, *, bold: bool = False) -> str:
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


def wrap_text(text: str, size: float, room: float, *, bold: bool = False, most: int = 3) -> list[str]:
    """Break a text into lines that fit the room, the last one cut."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [fit_text(line, size, room, bold=bold) for line in lines]


def write(
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
    """Write a text at a place, its size in points."""
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


def scale(low: float, high: float, start: float, end: float) -> Callable[[Any], Any]:
    """Map values [low, high] to points [start, end]."""
    step = (end - start) / ((high - low) or 1.0)
    return lambda value: start + (np.asarray(value, dtype=float) - low) * step


def day_number(days: Any) -> Any:
    """Days since 1970 as floats, hours as fractions; NaN when missing."""
    stamps = np.asarray(pd.to_datetime(days), dtype="datetime64[m]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype("int64") / 1440.0)


def as_of_number(week: Week) -> float:
    """As-of day as days since 1970."""
    return float(day_number(week.info["as_of"]))


def nice_ticks(low: float, high: float, most: int = 5) -> np.ndarray:
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


def draw_path(ax: Axes, x: Any, y: Any, *, color: str = INK, width: float = 1.2, dash: Any = "-", z: float = 3) -> None:
    """A line through points."""
    ax.plot(x, y, color=color, linewidth=width, linestyle=dash, zorder=z, scalex=False, scaley=False)


def draw_lines(
    ax: Axes, pieces: Sequence[Any], *, color: str = GRID, width: float = 0.8, dash: Any = "-", z: float = 1
) -> None:
    """Many lines of one look."""
    if len(pieces):
        ax.add_collection(
            LineCollection(list(pieces), colors=color, linewidths=width, linestyles=dash, zorder=z), autolim=False
        )


def rect(x0: float, y0: float, x1: float, y1: float) -> list[tuple[float, float]]:
    """Corners of a rectangle."""
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def draw_boxes(
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


def draw_marks(
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
    """Markers at points."""
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
    for block_id, name in _names(week).items():
        if name in title and drawable(name) != drawable(name, block_id):
            title = title.replace(name, str(block_id))
    return (
        wrap_text(drawable(title), BOLD, width, bold=True),
        [line for text in sub for line in wrap_text(drawable(text), SMALL, width)],
    )


def head_height(week: Week, title: str, sub: Sequence[str], width: float) -> float:
    """Height that `draw_head` will take [pt]."""
    lines, below = _head_lines(week, title, sub, width)
    return 8 + HEAD_LINE * len(lines) + 12.5 * len(below)


def draw_head(ax: Axes, week: Week, width: float, title: str, sub: Sequence[str] = ()) -> float:
    """Write the finding and the lines below it; gives the height they took.

    The finding is also the Axes' title and the rest its x label, both unseen: pages cut the written ones off and say
    them as text, which can be read aloud, searched and enlarged.
    """
    ax.set_title(title, y=1.0, visible=False)  # y: no drawing looks for a free place for what is unseen
    ax.set_xlabel("\n".join(sub), visible=False)
    y = 4.0
    lines, below = _head_lines(week, title, sub, width)
    for line in lines:
        y += HEAD_LINE
        write(ax, 0, y - 3, line, size=BOLD, bold=True)
    for line in below:
        y += 12.5
        write(ax, 0, y - 2.5, line, size=SMALL, color=SOFT)
    return y + 4


KEY_LINE = 14.0


def key_rows(items: Sequence[tuple[str, str]], width: float) -> list[list[tuple[str, str, float]]]:
    """Items of a key placed in rows: (kind or style, words, x)."""
    rows: list[list[tuple[str, str, float]]] = [[]]
    x = 0.0
    for kind, words in items:
        words = fit_text(drawable(words), SMALL, width - 18)
        need = 16 + text_width(words, SMALL)
        if rows[-1] and x + need > width:
            rows.append([])
            x = 0.0
        rows[-1].append((kind, words, x))
        x += need + 10
    return rows


def draw_key(ax: Axes, y: float, width: float, items: Sequence[tuple[str, str]]) -> float:
    """Draw a key; a kind is a word known here or "style N" for a cultivar. Gives the y below it."""
    for row in key_rows(items, width):
        middle = y + KEY_LINE / 2
        for kind, words, x in row:
            _swatch(ax, kind, x, middle)
            write(ax, x + 16, middle + 3, words, size=SMALL, color=SOFT)
        y += KEY_LINE
    return y + 3


def _swatch(ax: Axes, kind: str, x: float, y: float) -> None:
    box = rect(x, y - 4, x + 12, y + 4)
    if kind.startswith("style "):
        style = cultivar_style(int(kind[6:]))
        draw_boxes(ax, [box], style.fill, hatch=style.hatch)
    elif kind == "sample":
        draw_marks(ax, [x + 6], [y], "o", fill="white", edge=SOFT)
    elif kind in ("solid", "dashed"):
        draw_path(ax, [x, x + 12], [y, y], color=SOFT, width=2, dash="-" if kind == "solid" else (0, (2, 1.2)))
    elif kind == "level":
        draw_path(ax, [x, x + 12], [y, y], color=OCHRE, width=1.2, dash=(0, (1, 1.5)))
    elif kind == "diamond":
        draw_marks(ax, [x + 6], [y], "D", size=5.5)
    elif kind == "window":
        draw_path(ax, [x, x + 12], [y, y], color=PALE, width=2.6)
    elif kind == "limit":
        draw_path(ax, [x, x + 12], [y, y], color=INK, width=1.8)
    elif kind == "pick":
        draw_marks(ax, [x + 6], [y], "v", size=6)
    else:
        fill, hatch, ink, line = _AREAS[kind]
        draw_boxes(ax, [box], fill, hatch=hatch, hatch_color=ink, edge=ink, width=line)


_AREAS = {
    "band": ("#c9d4dc", "", "#c9d4dc", 0.4),
    "rain": (RAIN, "", RAIN_INK, 0.4),
    "range": (CREAM, "", OCHRE, 0.4),
    "frost": ("white", "xxxx", COLD_INK, 0.4),
    "organic": ("white", "", OCHRE, 1.6),
}


def draw_day_axis(
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
        at, wide = float(x(day_number(day))), text_width(label, SMALL)
        start = at - wide / 2 if every == "month" else at
        if start < max(-1.0, float(x(first)) - LEFT + 2) or start + wide > right:
            continue
        draw_lines(ax, [[(at, y), (at, y + 3)]], color=SOFT)
        write(ax, start, y + 12.5, label, size=SMALL, color=SOFT)


def weekday(day: Any, week: Week, room: float) -> str:
    """Short name of a day, two letters where three do not fit."""
    name = day_text(day, week.info, "EEE")
    return name if text_width(name, SMALL) <= room - 3 else name[:2]


def draw_nothing(ax: Axes, week: Week, width: float, words: str) -> Axes:
    """Say in words why there is no picture."""
    draw_head(ax, week, width, words)
    return ax


def block_label(week: Week, block_id: Any) -> str:
    """Block's name as the font can draw it."""
    return drawable(_names(week).get(block_id, block_id), block_id)


def _names(week: Week) -> dict[Any, str]:
    # Asked for at every label: rows of all columns would take a twentieth of the time of all pages
    return dict(zip(week.stage["block_id"], week.stage["block_name"].astype(str), strict=True))


def stage_of(week: Week) -> dict[Any, dict[str, Any]]:
    """Rows of the stage table by block_id."""
    return {row["block_id"]: row for row in week.stage.to_dict("records")}


def order_of(week: Week) -> dict[Any, dict[str, Any]]:
    """Rows of the order by block_id."""
    return {row["block_id"]: row for row in week.order.to_dict("records")}


def is_picked(order: Mapping[str, Any] | None) -> bool:
    """Whether a row of the order, if there is one, is picked."""
    return order is not None and order["status"] == "picked"


def rank_text(row: Mapping[str, Any] | None) -> str:
    """Number in the order with two spaces, or nothing."""
    return f"{row['rank']:.0f}  " if row is not None and not pd.isna(row["rank"]) else ""


def listed(texts: Sequence[str], info: Mapping[str, Any], most: int = 6) -> str:
    """A list in a sentence, cut after `most` with the number left out."""
    texts = list(texts)
    if len(texts) > most:
        return say("{list} and {n} more", info, list=", ".join(texts[:most]), n=len(texts) - most)
    return say("{one} and {two}", info, one=", ".join(texts[:-1]), two=texts[-1]) if len(texts) > 1 else "".join(texts)


def block_pages(week: Week, *, size: int = BLOCKS_A_PAGE) -> list[tuple[str, ...]]:
    """Block ids in pick order, the blocks without a place last, in pages of `size` for the small multiples."""
    order = week.order.sort_values(["rank", "block_id"], na_position="last")
    ids = list(order["block_id"]) + [b for b in week.stage["block_id"] if b not in set(order["block_id"])]
    return [tuple(ids[i : i + size]) for i in range(0, len(ids), size)]


def first_blocks(week: Week, most: int) -> tuple[str, ...]:
    """Block ids of the first blocks of the order."""
    return next(iter(block_pages(week, size=most)), ())


def chosen_blocks(week: Week, block_ids: Sequence[str] | None) -> list[str]:
    """Asked blocks, or the first page of blocks."""
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


# A panel of the small multiples: its height, the room for values beside its plot, and for dates below it [pt].
PANEL_H, LEFT, FOOT = 100.0, 26.0, 16.0


@dataclass(frozen=True)
class Panels:
    """Equal panels at the lower end of a narrow picture; pages show each as a picture of its own.

    Panels on a page stand as many abreast as there is room, and paper may be cut between them.

    Attributes
    ----------
    says : tuple of str
        What each panel says, row by row.
    across : int
        Panels in a row [count].
    height : float
        Of a row [pt].
    key : str
        What stands between the head and the panels, in words; "" for nothing.
    """

    says: tuple[str, ...]
    across: int
    height: float
    key: str = ""


def draw_panel_head(
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
    cultivar = fit_text(drawable(stage["cultivar"]), SMALL, 0.48 * (x1 - x0))
    room = x1 - x0 - text_width(cultivar, SMALL) - 14
    name = rank_text(order) + drawable(stage["block_name"], stage["block_id"])
    name_size = BODY if text_width(name, BODY, bold=True) <= room else SMALL
    write(ax, x0, y0 + 11, fit_text(name, name_size, room, bold=True), size=name_size, bold=True)
    write(ax, x1, y0 + 11, cultivar, size=SMALL, color=style.text, ha="right")
    draw_marks(
        ax, [x1 - text_width(cultivar, SMALL) - 7], [y0 + 8], style.marker, size=4.5, fill=style.fill, edge=style.fill
    )
    # The answer is bold, its range after the bracket is not.
    answer, bracket, rest = (verdict_text(stage, week) if verdict is None else verdict).partition(" (")
    ready = stage["verdict"] == "reached" and verdict is None
    need = text_width(answer, BODY, bold=True) + text_width(bracket + rest, SMALL)
    size = BODY if need <= x1 - x0 else SMALL
    answer = fit_text(answer, size, x1 - x0, bold=True)
    write(ax, x0, y0 + 24, answer, size=size, color=WARN if ready else INK, bold=True)
    if rest:
        at = text_width(answer, size, bold=True)
        write(ax, x0 + at, y0 + 24, fit_text(bracket + rest, SMALL, x1 - x0 - at), size=SMALL)


def draw_frame(
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
    draw_lines(ax, [[(x0, float(y(t))), (x1, float(y(t)))] for t in ticks])
    draw_lines(ax, [[(x0, y1), (x1, y1)]], color=SOFT, width=0.9, z=4)
    if labels:
        for t in ticks:
            write(
                ax,
                x0 - 5,
                float(y(t)) + 3,
                number_text(t, week.info, _digits(ticks)),
                size=SMALL,
                color=SOFT,
                ha="right",
            )


def is_true(value: Any) -> bool:
    """Truth of a cell in which missing means no."""
    return not pd.isna(value) and bool(value)


def panel_grid(width: float, n: int) -> tuple[int, int]:
    """Panels across and down."""
    across = 2 if width < 400 else 4
    return across, math.ceil(n / across)


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
