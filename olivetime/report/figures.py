"""All pictures of the week by name, and the way from a picture to a page.

>>> from olivetime.report import figures
>>> "calendar" in figures.PICTURES
True
"""

from __future__ import annotations

import base64
import html
import io
import math
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
from olivetime.report.canvas import DPI, LOOK, Panels, drawable, head_height, listed, new_figure
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
    value_by_date_panels,
    value_by_date_size,
)
from olivetime.report.ripening_figures import (
    alt_curves,
    alt_foretold,
    alt_pooled,
    alt_residuals,
    alt_ripening,
    curves,
    curves_panels,
    curves_size,
    foretold,
    foretold_panels,
    foretold_size,
    pooled,
    pooled_size,
    residuals,
    residuals_panels,
    residuals_size,
    ripening,
    ripening_panels,
    ripening_size,
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

TALL_IN = 5.5  # a picture taller than this [inches] leaves pages half empty (tried on A4 and Letter)
# A picture's palette: colours of this share of its pixels stay exact, and no pixel strays farther than this from its
# own colour (distance in red-green-blue; black to white is 442). Chosen by looking at pages twice enlarged.
EXACT_SHARE, FARTHEST, MOST_COLOURS = 0.002, 28.0, 128


def figure_pixels(figure: Figure) -> np.ndarray:
    """Pixels of a figure, two for each CSS pixel: height, width, red-green-blue."""
    canvas = figure.canvas if isinstance(figure.canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    with matplotlib.rc_context(LOOK):
        canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3]


def figure_png(figure: Figure) -> bytes:
    """PNG of a whole figure; see `png_of`.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    bytes
        The same figure gives the same bytes.
    """
    return png_of(figure_pixels(figure))


def png_of(pixels: np.ndarray) -> bytes:
    """PNG of pixels: few colours from a palette of its own, no date or program inside.

    Parameters
    ----------
    pixels : ndarray
        Height, width, red-green-blue [0-255].

    Returns
    -------
    bytes
        The same pixels give the same bytes.
    """
    codes = pixels[..., 0].astype(np.uint32)  # in place from here on: a picture of a whole page has millions of pixels
    for colour in (1, 2):
        codes <<= 8
        codes |= pixels[..., colour]
    # Counted by hashing: several times faster than sorting a million pixels, and without a copy of them.
    image = Image.fromarray(np.ascontiguousarray(pixels))
    counted: Any = image.getcolors(1 << 14) or image.getcolors(codes.size)
    counts = np.array([n for n, _ in counted], dtype=np.int64)
    colours = np.array([rgb for _, rgb in counted], dtype=np.int64) @ (1 << 16, 1 << 8, 1)
    order = np.lexsort((colours, counts))
    palette, nearest = _palette(colours[order], counts[order])
    place = np.empty(len(order), dtype=np.uint8)
    place[order] = nearest
    by_colour = np.argsort(colours)
    # Looked up once for each run of one colour: a table of all 16 million colours was a twentieth of a worker's memory.
    flat = codes.ravel()
    begins = np.flatnonzero(np.concatenate([[True], flat[1:] != flat[:-1]]))
    of_run = place[by_colour[np.searchsorted(colours[by_colour], flat[begins])]]
    runs = np.diff(np.append(begins, flat.size))
    picture = Image.fromarray(np.repeat(of_run, runs).reshape(codes.shape))
    picture.putpalette(palette.astype(np.uint8).tobytes())
    buffer = io.BytesIO()
    picture.save(buffer, format="PNG", compress_level=8)  # 9 takes twice as long for a hundredth of the bytes
    return buffer.getvalue()


def _palette(colours: np.ndarray, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Palette of as few colours as do (at most `MOST_COLOURS`), and each colour's place in it.

    The commonest (flat fills, white, ink) stay exact; the rest are those farthest from all chosen so far, until no edge
    pixel is far from its own colour.
    """
    rgb = np.stack([colours >> 16, (colours >> 8) & 255, colours & 255], axis=1).astype(np.float32)
    common = int((counts >= EXACT_SHARE * counts.sum()).sum())
    chosen = list(np.argsort(-counts, kind="stable")[: min(max(common, 1), MOST_COLOURS)])
    away = np.full(len(rgb), np.inf, dtype=np.float32)
    nearest = np.zeros(len(rgb), dtype=np.uint8)
    for place in range(MOST_COLOURS):
        if place >= len(chosen):
            if away.max() <= FARTHEST**2:
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
    return _figure(_img(png, alt), caption, broad=broad)


def _figure(inside: str, caption: str, *, broad: bool) -> str:
    below = f"<figcaption>{html.escape(caption)}</figcaption>" if caption else ""
    css = ' class="broad"' if broad else ""
    return f"<figure{css}>{inside}{below}</figure>"


def _address(png: bytes) -> str:
    if png[:8] != b"\x89PNG\r\n\x1a\n":
        raise ValueError("figure: found bytes that are no PNG, expected a PNG picture. Make it with figure_png.")
    return f"data:image/png;base64,{base64.b64encode(png).decode()}"


def _img(png: bytes, alt: str, css: str = "") -> str:
    if not alt.strip():
        raise ValueError(
            "figure: found an empty alt text, expected a sentence with the finding. Give what the picture says."
        )
    address = _address(png)
    width, height = (int.from_bytes(png[i : i + 4], "big") * 96 // DPI for i in (16, 20))
    own = f' class="{css}"' if css else ""
    return f'<img{own} alt="{html.escape(alt)}" width="{width}" height="{height}" src="{address}">'


@dataclass(frozen=True)
class Picture:
    """One kind of picture: how to draw it, say it, size it, the words under it, and its panels where it has such."""

    draw: Callable[..., Axes]
    alt: Callable[..., str]
    size: Callable[..., tuple[float, float]]
    caption: str
    panels: Callable[..., Panels] | None = None


PICTURES: Mapping[str, Picture] = MappingProxyType(
    {
        "curves": Picture(
            curves,
            alt_curves,
            curves_size,
            mark("Oil in the fruit of each block: what was measured, and where it is going."),
            curves_panels,
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
            mark(
                "The days ahead. Thick bar: middle low to middle high; thin line: 8-in-10 range; rain and hours: mean."
            ),
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
            mark(
                "What each block is worth by the day it is picked; +7 d: what the whole order loses at least when "
                "it waits a week longer."
            ),
            value_by_date_panels,
        ),
        "ripening": Picture(
            ripening,
            alt_ripening,
            ripening_size,
            mark("What was measured of each block, where it is going, and how its fruit will colour."),
            ripening_panels,
        ),
        "residuals": Picture(
            residuals,
            alt_residuals,
            residuals_size,
            mark("How far samples lie from their curves. Ringed: doubtful samples."),
            residuals_panels,
        ),
        "foretold": Picture(
            foretold,
            alt_foretold,
            foretold_size,
            mark("The last weeks' samples against what the samples before them foretold; full dots fell outside."),
            foretold_panels,
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
            mark(
                "This order against rules of thumb in the same weather scenarios. Cost of delay: what loses most by "
                "waiting goes first; cultivar order: early cultivars first; guarded 19 % rule: highest oil first from "
                "19 % fresh oil on, any block when time gets short."
            ),
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

    The picture's head is said as text above it. A narrow picture of panels becomes one picture for each panel, so that
    phone, desk and paper show the same ones, as many abreast as there is room. Other tall pictures carry a wide drawing
    of the same for desk and paper.

    Parameters
    ----------
    week, kind, wide, **options
        As in `draw`.
    caption : str, optional
        Instead of the kind's own words.
    """
    figure = draw(week, kind, wide=wide, **options)
    picture, info = PICTURES[kind], week.info
    caption = say(picture.caption, info) if caption is None else caption
    words, pixels = _below_head(week, figure)
    if not (pixels < 255).any():
        return words  # nothing was drawn, and the head says why
    if wide or picture.panels is None:
        alt, high = picture.alt(week, **options), not wide and figure.get_figheight() > TALL_IN
        shown = _img(png_of(pixels), alt)
        if high:
            shown = _wider(shown, png_of(_below_head(week, draw(week, kind, wide=True, **options))[1]))
        return _figure(words + shown, caption, broad=wide or high)
    panels = picture.panels(week, **options)
    rows = math.ceil(len(panels.says) / panels.across)
    tall, across = panels.height * DPI / 72, pixels.shape[1] / panels.across
    top = len(pixels) - round(rows * tall)
    parts: list[str] = []
    if (pixels[:top] < 255).any():
        parts.append(_img(png_of(pixels[:top]), say("Key: {items}.", info, items=panels.key), "key"))
    parts.append(f'<div class="panels{" whole" if panels.across == 1 else ""} of{_abreast(panels)}">')
    for i, text in enumerate(panels.says):
        row, column = divmod(i, panels.across)
        part = pixels[top + round(row * tall) : top + round((row + 1) * tall)]
        part = part[:, round(column * across) : round((column + 1) * across)]
        parts.append(_img(png_of(part), text))
    return _figure(f"{words}{''.join(parts)}</div>", caption, broad=rows > 1 if panels.across == 1 else rows > 2)


def drawn_html(
    week: Week, figure: Figure, alt: str, caption: str, *, broad: bool = False, wide: Figure | None = None
) -> str:
    """HTML of a picture that is drawn from other tables than the week's: its head as text, the rest as a picture.

    Parameters
    ----------
    week : Week
        Whose blocks the head may name.
    figure : Figure
        With one Axes, its head drawn by `olivetime.report.canvas.draw_head`.
    alt, caption : str
        Said.
    broad : bool
        As in `figure_html`.
    wide : Figure, optional
        The same picture for desk and paper.
    """
    words, pixels = _below_head(week, figure)
    if not (pixels < 255).any():
        return words  # nothing was drawn, and the head says why
    shown = _img(png_of(pixels), alt)
    if wide is not None:
        shown = _wider(shown, png_of(_below_head(week, wide)[1]))
    return _figure(words + shown, caption, broad=broad or wide is not None)


def _wider(shown: str, broad: bytes) -> str:
    """Give a narrow picture a wide drawing of the same for desk and paper."""
    source = f'<source media="(min-width: 48rem), print" srcset="{_address(broad)}">'
    return f"<picture>{source}{shown}</picture>"


def _abreast(panels: Panels) -> int:
    """Panels that stand abreast on desk and paper."""
    if panels.across > 1:
        return 4 if len(panels.says) > 4 else 2  # up to four make a square beside another picture
    return min(len(panels.says), 2)  # three would shrink their words below the page's smallest


def _below_head(week: Week, figure: Figure) -> tuple[str, np.ndarray]:
    """HTML of what the head of a drawn picture says, and the pixels below it."""
    (ax,) = figure.axes
    title, sub = ax.get_title(), ax.get_xlabel()
    height = head_height(week, title, sub.splitlines(), 72 * figure.get_figwidth())
    below = f" <span>{html.escape(sub)}</span>" if sub else ""
    words = f'<p class="finding"><strong>{html.escape(title)}</strong>{below}</p>'
    return words, figure_pixels(figure)[math.floor(height * DPI / 72) :]


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
