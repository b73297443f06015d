"""All pictures of the week by name, and the way from a picture to a page.

>>> from olivetime.report import figures
>>> "calendar" in figures.PICTURES
True
"""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import matplotlib
import matplotlib.patheffects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from olivetime.languages import mark, say
from olivetime.report.canvas import DPI, LOOK, drawable, listed, new_figure
from olivetime.report.order_figures import (
    alt_block_map,
    alt_calendar,
    alt_mill_load,
    alt_rules,
    alt_value_by_date,
    block_map,
    block_map_size,
    calendar,
    calendar_size,
    mill_load,
    mill_load_size,
    rules,
    rules_size,
    value_by_date,
    value_by_date_size,
)
from olivetime.report.ripening_figures import (
    alt_colour_classes,
    alt_curves,
    alt_foretold,
    alt_pooled,
    alt_residuals,
    colour_classes,
    colour_classes_size,
    curves,
    curves_size,
    foretold,
    foretold_size,
    pooled,
    pooled_size,
    residuals,
    residuals_size,
)
from olivetime.report.tables import Week
from olivetime.report.weather_figures import (
    alt_frost,
    alt_heat,
    alt_weather_strip,
    frost,
    frost_size,
    heat,
    heat_size,
    weather_strip,
    weather_strip_size,
)


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
    with matplotlib.rc_context(LOOK):
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
            curves,
            alt_curves,
            curves_size,
            mark("Oil in the fruit of each block: what was measured, and where it is going."),
        ),
        "calendar": Picture(
            calendar,
            alt_calendar,
            calendar_size,
            mark("When each block is to be picked (middle scenario). ▼ early, ▲ late: outside the block's good days."),
        ),
        "mill_load": Picture(
            mill_load,
            alt_mill_load,
            mill_load_size,
            mark("Fruit to the mill each day against what it mills in a day; what is above waits in its bins, ageing."),
        ),
        "weather_strip": Picture(
            weather_strip,
            alt_weather_strip,
            weather_strip_size,
            mark("The days ahead. Thick bar: middle low to middle high; thin line: 8-in-10 range; rain: mean."),
        ),
        "block_map": Picture(
            block_map,
            alt_block_map,
            block_map_size,
            mark("Blocks by days to their target. The number before a name is its place in the order."),
        ),
        "value_by_date": Picture(
            value_by_date,
            alt_value_by_date,
            value_by_date_size,
            mark("What each block is worth by the day it is picked; +7 d: a week later than planned."),
        ),
        "colour_classes": Picture(
            colour_classes,
            alt_colour_classes,
            colour_classes_size,
            mark("Fruit by colour class, 0 deep green to 7 black through the flesh."),
        ),
        "residuals": Picture(
            residuals,
            alt_residuals,
            residuals_size,
            mark("How far samples lie from their curves. Ringed: doubtful samples."),
        ),
        "foretold": Picture(
            foretold,
            alt_foretold,
            foretold_size,
            mark("The last weeks' samples against what the samples before them foretold; full dots fell outside."),
        ),
        "pooled": Picture(
            pooled,
            alt_pooled,
            pooled_size,
            mark("What each block's samples say alone, and what they say together with the other blocks'."),
        ),
        "rules": Picture(
            rules,
            alt_rules,
            rules_size,
            mark("This order against rules of thumb, by the same referee in the same scenarios."),
        ),
        "heat": Picture(heat, alt_heat, heat_size, mark("Warmth of the season so far, against past seasons.")),
        "frost": Picture(
            frost, alt_frost, frost_size, mark("Chance that the night's low damages fruit still on the trees.")
        ),
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
        figure_png(figure),
        picture.alt(week, **options),
        say(picture.caption, week.info) if caption is None else caption,
        broad=wide,
    )


def letters_note(week: Week) -> str:
    """A sentence on names that pictures show by the block's id, because the font lacks their letters; "" when none."""
    odd = [
        f"{r['block_id']} ({r['block_name']})"
        for r in week.stage.to_dict("records")
        if drawable(r["block_name"]) != drawable(r["block_name"], r["block_id"])
    ]
    return (
        say(
            "In the pictures these blocks carry their id, as the font lacks letters of their names: {blocks}.",
            week.info,
            blocks=listed(odd, week.info, 12),
        )
        if odd
        else ""
    )
