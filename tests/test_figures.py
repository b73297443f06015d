"""Pictures: they draw whatever comes, stay on the sheet, can be read by everyone, and say in words what they show."""

from __future__ import annotations

import dataclasses
import subprocess
import sys

import matplotlib
import numpy as np
import pandas as pd
import pytest
from invented_week import invented_week
from matplotlib.collections import LineCollection, PolyCollection

from olivetime.harvest.past import Hindcast
from olivetime.report import canvas, figures, lookback_figures, order_figures, ripening_figures, tables, weather_figures
from olivetime.words import day_text

KINDS = list(figures.PICTURES)


@pytest.fixture(scope="module")
def weeks():
    return {
        "nine": invented_week(9, units="us"),
        "many": invented_week(48, units="metric"),
        "one": invented_week(1, units="metric"),
        "hostile": invented_week(14, units="us", hostile=True, seed=3),
        "southern": invented_week(10, units="metric", southern=True),
    }


# --- drawing


def _words(figure):
    """Texts of a figure with their boxes in points from the left and the bottom."""
    scale = 72 / figure.dpi
    renderer = figure.canvas.get_renderer()
    for text in figure.axes[0].texts:
        with matplotlib.rc_context({"text.hinting": "no_hinting"}):  # as figure_png renders
            box = text.get_window_extent(renderer)
        yield text, (box.x0 * scale, box.y0 * scale, box.x1 * scale, box.y1 * scale)


@pytest.mark.parametrize(
    ("which", "wide"),
    [
        ("nine", False),
        ("nine", True),
        ("many", False),
        ("one", False),
        ("hostile", False),
        ("hostile", True),
        ("southern", True),
    ],
)
@pytest.mark.parametrize("kind", KINDS)
def test_every_picture_draws_large_enough_words_that_stay_on_the_sheet_and_apart(kind, which, wide, weeks):
    week = weeks[which]
    options = {"basis": "both"} if kind == "curves" and wide else {}
    figure = figures.draw(week, kind, wide=wide, **options)
    width, height = 72 * figure.get_size_inches()
    assert width == pytest.approx(72 * (7.5 if wide else 3.75))
    words = list(_words(figure))
    assert words
    for text, (x0, y0, x1, y1) in words:
        assert text.get_fontsize() >= 8.5, text.get_text()
        assert x0 > -1.5, text.get_text()
        assert x1 < width + 1.5, text.get_text()
        assert y0 > -1.5, text.get_text()
        assert y1 < height + 1.5, text.get_text()
    boxes = np.array([box for _, box in words])
    # A text's box is taller than its letters: two lines may touch, but letters must not cover letters.
    boxes[:, 1] += 2.0
    boxes[:, 3] -= 2.0
    for i in range(len(boxes)):
        over_x = np.minimum(boxes[i, 2], boxes[:, 2]) - np.maximum(boxes[i, 0], boxes[:, 0])
        over_y = np.minimum(boxes[i, 3], boxes[:, 3]) - np.maximum(boxes[i, 1], boxes[:, 1])
        hidden = (over_x > 1.0) & (over_y > 1.0)
        hidden[i] = False
        assert not hidden.any(), (words[i][0].get_text(), words[int(np.argmax(hidden))][0].get_text())


@pytest.mark.parametrize("kind", KINDS)
def test_pictures_of_an_empty_week_say_so(kind, weeks):
    week = weeks["nine"]
    empty = tables.make_week(week.info, {name: getattr(week, name).iloc[:0] for name in tables.TABLE_NAMES})
    figure = figures.draw(empty, kind)
    assert len(figure.axes[0].texts) >= 1
    assert figures.PICTURES[kind].alt(empty).strip()


@pytest.mark.parametrize("kind", KINDS)
def test_a_picture_is_drawn_on_the_given_axes_and_returns_it(kind, weeks):
    _, ax = canvas.new_figure(3.75, 8)
    assert figures.PICTURES[kind].draw(weeks["nine"], ax) is ax


def test_pictures_draw_a_growers_week(weeks):
    mine = tables.grower_week(weeks["many"], weeks["many"].growers["grower_id"].iloc[0])
    for kind in KINDS:
        figures.draw(mine, kind)
        assert figures.PICTURES[kind].alt(mine).strip()


def test_curves_show_every_sample_of_their_blocks_and_a_dashed_forecast(weeks):
    week = weeks["nine"]
    block = week.stage["block_id"].iloc[0]
    _, ax = canvas.new_figure(3.75, 3)
    ripening_figures.curves(week, ax, block_ids=[block], basis="dry")
    marker = canvas.cultivar_style(week.stage["style_index"].iloc[0]).marker
    drawn = [line for line in ax.lines if line.get_marker() == marker and line.get_markerfacecolor() == "white"]
    assert max(len(line.get_xdata()) for line in drawn) == (week.samples["block_id"] == block).sum()
    assert sum(line.get_linestyle() == "--" and len(line.get_xdata()) > 10 for line in ax.lines) == 1


def test_a_grower_whose_turn_comes_late_finds_no_empty_calendar(weeks):
    """All blocks of a grower are picked 30 days and more from now: past the usual three weeks."""
    week = weeks["nine"]
    late = week.order.assign(
        start_at=week.order["start_at"] + pd.Timedelta(days=30), end_at=week.order["end_at"] + pd.Timedelta(days=30)
    )
    late = dataclasses.replace(week, order=late)
    planned = late.order[late.order["start_at"].notna()].sort_values("start_at")
    shown = planned.head(order_figures.CALENDAR_ROWS)
    figure = figures.draw(late, "calendar")
    words = " ".join(text.get_text() for text in figure.axes[0].texts)
    assert all(str(name) in words for name in shown["block_name"])
    assert all(str(name) in order_figures.alt_calendar(late) for name in shown["block_name"])


def test_calendar_draws_one_bar_for_each_planned_block(weeks):
    week = weeks["nine"]
    _, ax = canvas.new_figure(3.75, 6)
    order_figures.calendar(week, ax)
    bars = [
        path
        for c in ax.collections
        if isinstance(c, PolyCollection)
        for path in c.get_paths()
        if np.ptp(path.vertices[:, 1]) == pytest.approx(9.0)
    ]
    styled = sum(
        bool(canvas.cultivar_style(i).hatch)
        for i in tables.planned(week)["block_id"].map(week.stage.set_index("block_id")["style_index"])
    )
    assert len(bars) == len(tables.planned(week)) + styled  # a hatch is a second polygon over its bar


def test_48_blocks_split_into_pages_that_hold_each_block_once(weeks):
    pages = canvas.block_pages(weeks["many"])
    assert [len(page) for page in pages] == [20, 20, 8]
    assert sorted(b for page in pages for b in page) == sorted(weeks["many"].stage["block_id"])
    ranks = weeks["many"].order.set_index("block_id")["rank"]
    assert list(ranks[list(pages[0])]) == list(range(1, 21))


# --- wrong arguments


def test_wrong_arguments_are_named(weeks):
    week, (_, ax) = weeks["nine"], canvas.new_figure(3.75, 3)
    with pytest.raises(ValueError, match="found 'wet', expected fresh, dry or both"):
        ripening_figures.curves(week, ax, basis="wet")
    with pytest.raises(ValueError, match="found 'Z9', expected blocks of this week such as B01"):
        ripening_figures.curves(week, ax, block_ids=["Z9"])
    with pytest.raises(ValueError, match="found 'pie', expected one of curves"):
        figures.draw(week, "pie")


def test_figure_html_refuses_a_picture_without_words(weeks):
    png = figures.figure_png(figures.draw(weeks["nine"], "rules"))
    with pytest.raises(ValueError, match="empty alt text"):
        figures.figure_html(png, "  ", "caption")
    with pytest.raises(ValueError, match="no PNG"):
        figures.figure_html(b"GIF89a", "words")


def test_figure_html_escapes_and_gives_the_size_in_css_pixels(weeks):
    png = figures.figure_png(figures.draw(weeks["nine"], "rules"))
    markup = figures.figure_html(png, 'a "quoted" <b>', "<script>", broad=True)
    assert markup.startswith('<figure class="broad"><img alt="a &quot;quoted&quot; &lt;b&gt;" width="360" height="')
    assert "&lt;script&gt;" in markup
    assert "<script>" not in markup


# --- bytes and settings


def test_png_is_a_small_palette_without_dates_and_the_same_each_time(weeks):
    one, two = (figures.figure_png(figures.draw(weeks["nine"], "curves")) for _ in range(2))
    assert one == two
    # PNG specification (ISO/IEC 15948): bytes 24 and 25 are bit depth and colour type; type 3 is a palette.
    assert one[24:26] == bytes([8, 3])
    assert int.from_bytes(one[16:20], "big") == 720
    chunks, at = [], 8
    while at < len(one):
        size = int.from_bytes(one[at : at + 4], "big")
        chunks.append((one[at + 4 : at + 8], one[at + 8 : at + 8 + size]))
        at += 12 + size
    names = [name for name, _ in chunks]
    assert not set(names) & {b"tEXt", b"iTXt", b"zTXt", b"tIME"}
    palette = dict(chunks)[b"PLTE"]
    assert len(palette) <= 3 * 128
    assert b"\xff\xff\xff" in [palette[i : i + 3] for i in range(0, len(palette), 3)]


def test_flat_colours_survive_the_palette_exactly(weeks):
    figure = figures.draw(weeks["many"], "calendar")
    picture = figures.Image.open(figures.io.BytesIO(figures.figure_png(figure))).convert("RGB")
    got = np.asarray(picture).astype(int)
    meant = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    away = np.abs(got - meant).max(axis=2)
    assert (away > 0).mean() < 0.05
    assert away.max() <= 60


def test_a_users_matplotlib_settings_change_nothing_and_are_left_alone(weeks):
    plain = figures.figure_png(figures.draw(weeks["nine"], "calendar"))
    with matplotlib.rc_context(
        {"font.size": 30, "font.family": ["serif"], "text.parse_math": True, "hatch.linewidth": 9}
    ):
        before = dict(matplotlib.rcParams)
        assert figures.figure_png(figures.draw(weeks["nine"], "calendar")) == plain
        assert dict(matplotlib.rcParams) == before


def test_drawing_needs_no_pyplot():
    code = "import sys, olivetime.report.figures; assert 'matplotlib.pyplot' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


# --- names that fonts and markup do not like


def test_letters_the_font_lacks_are_replaced_and_noted(weeks):
    week = weeks["hostile"]
    assert canvas.drawable("\u5317\u56ed", "B04") == "B04"
    assert canvas.drawable("\u5317 4") == "\N{WHITE SQUARE} 4"
    assert canvas.drawable("a\tb\nc\u202e") == "a b c"
    assert "B04 (\u5317\u56ed\u56db\u53f7)" in figures.letters_note(week)
    assert figures.letters_note(weeks["nine"]) == ""


def test_measured_widths_are_those_drawn(weeks):
    figure = figures.draw(weeks["nine"], "calendar")
    for text, (x0, _, x1, _) in _words(figure):
        bold = text.get_fontweight() == "bold"
        assert canvas.text_width(text.get_text(), text.get_fontsize(), bold=bold) == pytest.approx(x1 - x0, abs=2.0)


@pytest.mark.parametrize("colder", [0.0, 6.0, 9.5, 30.0])
def test_the_line_of_freezing_crosses_no_number_of_the_weather_strip(weeks, colder):
    weather = weeks["nine"].weather.copy()
    names = [name for name in weather if name.startswith("temp_")]
    weather[names] -= colder
    figure = figures.draw(dataclasses.replace(weeks["nine"], weather=weather), "weather_strip")
    tall = 72 * figure.get_size_inches()[1]
    rows = [(text.get_text(), box) for text, box in _words(figure)]
    label = next(box for words, box in rows if words == "32 °F")
    line = next(
        tall - segment[0][1]  # the sheet counts from its top
        for lines in figure.axes[0].collections
        if isinstance(lines, LineCollection) and lines.get_linestyle()[0][1] is not None
        for segment in lines.get_segments()
    )
    assert label[1] < line < label[3]
    crossed = [words for words, box in rows if words != "32 °F" and box[1] + 1 < line < box[3] - 1]
    assert crossed == []
    assert {"high", "low"} <= {words for words, _ in rows}


# --- words


def test_alternative_texts_name_blocks_dates_and_numbers(weeks):
    week = weeks["nine"]
    row = week.stage[(week.stage["verdict"] == "not yet")].iloc[0]
    p10, p90 = (day_text(row[c], week.info) for c in ("on_p10", "on_p90"))
    assert f"{row['block_name']} reaches its target between {p10} and {p90}" in ripening_figures.alt_curves(week)
    first = tables.planned(week).iloc[0]
    assert f"Pick {first['block_name']} first, today" in order_figures.alt_calendar(week)
    assert "Rain is likely Oct 24–25" in order_figures.alt_calendar(week)
    assert "rain 75 %" in weather_figures.alt_weather_strip(week)
    assert "Money short of the most that could be reached: this order $" in order_figures.alt_rules(week)
    assert f"{canvas.drawable(row['block_name'])} {row['days_p50']:.0f} d" in order_figures.alt_block_map(week)


def test_mill_finding_counts_days_over_the_limit(weeks):
    week = weeks["nine"]
    days = pd.date_range("2026-10-19", periods=3)
    mill = pd.DataFrame(
        {
            "day": days,
            "lot": "a",
            "cultivar": "Arbequina",
            "style_index": 0,
            "organic": False,
            "crop_t": [50.0, 120.0, 110.0],
            "limit_t": [100.0, 100.0, 110.0],
        }
    )
    info = {**week.info, "units": "metric", "locale": "en_GB"}
    small = dataclasses.replace(week, mill=mill, info=info)
    told = "Mill over its limit on 1 day; by most on 20 Oct: 120 t, and it takes 100 t"
    assert order_figures.finding_mill_load(small) == told
    # What is most is not what is most too much, and a closed mill is no mill of 0 t.
    higher = dataclasses.replace(small, mill=mill.assign(crop_t=[60.0, 120.0, 110.0], limit_t=[0.0, 130.0, 110.0]))
    told = "Mill over its limit on 1 day; by most on 19 Oct, when it is closed: 60 t"
    assert order_figures.finding_mill_load(higher) == told


@pytest.mark.parametrize(
    ("days", "verdict", "step"),
    [
        (-2, "reached", 0),
        (np.nan, "cannot be told", None),
        (0, "not yet", 1),
        (3, "not yet", 1),
        (3.5, "not yet", 2),
        (7, "not yet", 2),
        (14, "may never", 3),
        (15, "not yet", 4),
        (400, "not yet", 4),
        (np.nan, "not yet", None),
        (np.nan, "never", None),
        (np.nan, "reached", 0),
    ],
)
def test_days_fall_into_five_steps(days, verdict, step):
    assert order_figures.day_step(days, verdict) == step


# --- colours for every eye

# Machado, Oliveira and Fernandes (2009), doi 10.1109/TVCG.2009.113: matrices for severity 1 in linear RGB (as
# quoted in several public sources, not read in the paper).
VISIONS = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# IEC 61966-2-1 (sRGB) to CIE XYZ, D65 (from memory).
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colours):
    c = np.array([[int(h[i : i + 2], 16) for i in (1, 3, 5)] for h in colours]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    xyz = np.clip(rgb, 0, 1) @ XYZ.T / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


def ciede2000(one, two):
    """CIEDE2000 colour difference (CIE 142-2001), written out as by Sharma, Wu and Dalal (2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, two
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean**7 / (mean**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    hm = (
        h1 + h2
        if c1 * c2 == 0
        else ((h1 + h2) / 2 if abs(h1 - h2) <= 180 else (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2)
    )
    t = (
        1
        - 0.17 * np.cos(np.radians(hm - 30))
        + 0.24 * np.cos(np.radians(2 * hm))
        + 0.32 * np.cos(np.radians(3 * hm + 6))
        - 0.20 * np.cos(np.radians(4 * hm - 63))
    )
    sl = 1 + 0.015 * (lm - 50) ** 2 / np.sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rt = -2 * np.sqrt(cm**7 / (cm**7 + 25.0**7)) * np.sin(np.radians(60 * np.exp(-(((hm - 275) / 25) ** 2))))
    dl, dc = (l2 - l1) / sl, (c2 - c1) / sc
    return np.sqrt(dl**2 + dc**2 + (dh / sh) ** 2 + rt * dc * (dh / sh))


def contrast(one, two="#ffffff"):
    """Contrast ratio of two colours (WCAG 2.2, definition of contrast ratio)."""
    light = linear([one, two]) @ XYZ[1]
    return (light.max() + 0.05) / (light.min() + 0.05)


def lightness(colours):
    return lab(np.repeat((linear(colours) @ XYZ[1])[:, None], 3, axis=1))[:, 0]


def test_the_colour_difference_is_the_published_one():
    # Sharma, Wu and Dalal (2005), table 1, pairs 1 and 25 (from memory).
    assert ciede2000((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485)) == pytest.approx(2.0425, abs=5e-5)
    assert ciede2000((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387)) == pytest.approx(1.2644, abs=5e-5)


@pytest.mark.parametrize("vision", VISIONS)
def test_cultivar_colours_differ_for_every_kind_of_colour_vision(vision):
    seen = lab(linear([s.fill for s in canvas.STYLES]) @ VISIONS[vision].T)
    pairs = [(i, j) for i in range(len(seen)) for j in range(i)]
    assert len(canvas.STYLES) >= 6
    assert min(ciede2000(seen[i], seen[j]) for i, j in pairs) >= 13


@pytest.mark.parametrize("vision", VISIONS)
def test_day_steps_differ_for_every_kind_of_colour_vision_and_get_lighter(vision):
    fills = [fill for _, _, fill, _ in canvas.DAY_STEPS]
    seen = lab(linear(fills) @ VISIONS[vision].T)
    assert min(ciede2000(seen[i], seen[j]) for i in range(5) for j in range(i)) >= 11
    assert (np.diff(lightness(fills)) >= 9).all()


def test_grey_is_carried_by_hatch_and_marker():
    assert len({s.hatch for s in canvas.STYLES}) == len(canvas.STYLES)
    assert len({s.marker for s in canvas.STYLES}) == len(canvas.STYLES)


def test_colour_classes_darken_step_by_step():
    assert (np.diff(lightness(canvas.CLASS_FILLS)) <= -5).all()


def test_lines_and_words_stand_out():
    # WCAG 2.2: 3:1 for graphics (1.4.11), 4.5:1 for text (1.4.3).
    for style in canvas.STYLES:
        assert contrast(style.fill) >= 3
        assert contrast(style.text) >= 4.5
    for ink in (canvas.INK, canvas.SOFT, canvas.WARN, canvas.COLD_INK, canvas.OCHRE, canvas.RAIN_INK):
        assert contrast(ink) >= 4.5
    assert contrast(canvas.PALE) >= 3
    for _, _, fill, ink in canvas.DAY_STEPS:
        assert contrast(fill, ink) >= 4.5
    for _, fill, ink in weather_figures.FROST_SHADES:
        assert contrast(fill, ink) >= 4.5
    for i, fill in enumerate(canvas.CLASS_FILLS):
        assert contrast(fill, "#ffffff" if i >= 3 else canvas.INK) >= 4.5
    assert contrast(canvas.LEAF) >= 4.5


def _outlined(week, side=0.9):
    """Each ranch's blocks as squares that share edges, in rows of three, north first."""
    rows = []
    for _, blocks in week.stage.groupby("ranch"):
        for i, b in enumerate(blocks["block_id"]):
            x, y = -5.0 + 0.002 * (i % 3), 37.0 - 0.0016 * (i // 3)
            corners = [(0, 0), (side, 0), (side, -side), (0, -side), (0, 0)]
            rows += [(b, 0, x + 0.002 * dx, y + 0.0016 * dy) for dx, dy in corners]
    return dataclasses.replace(week, outlines=pd.DataFrame(rows, columns=["block_id", "ring", "lon_deg", "lat_deg"]))


def test_map_draws_outlines_where_they_are_large_enough_and_a_sketch_elsewhere(weeks):
    week = _outlined(weeks["nine"])
    _, ranches = tables.map_tiles(week.stage, 540.0, 300.0)
    shapes, rooms = tables.map_shapes(week.outlines, week.stage, ranches)
    assert set(shapes) == set(week.stage["block_id"]) == set(rooms["block_id"])
    fields = ranches.set_index("ranch")
    for block, ranch in zip(week.stage["block_id"], week.stage["ranch"], strict=True):
        (ring,) = shapes[block]
        field = fields.loc[ranch]
        assert field["x0"] <= ring[:, 0].min()
        assert ring[:, 0].max() <= field["x1"]
        assert field["y0"] + tables.RANCH_HEAD <= ring[:, 1].min()  # the ranch's name stands above
        assert ring[:, 1].max() <= field["y1"]
    first = week.stage.groupby("ranch")["block_id"].agg(list).iloc[0]
    assert shapes[first[0]][0][:, 0].min() < shapes[first[1]][0][:, 0].min()  # the second block lies east of the first
    tiny, none = tables.map_shapes(_outlined(week, side=0.05).outlines, week.stage, ranches)
    assert tiny == {}
    assert none.empty
    assert "each ranch at its own scale" in " ".join(t.get_text() for t, _ in _words(figures.draw(week, "block_map")))
    assert "A sketch" in " ".join(t.get_text() for t, _ in _words(figures.draw(weeks["nine"], "block_map")))


def test_a_growers_week_holds_no_outline_of_others(weeks):
    week = _outlined(weeks["many"])
    own = tables.grower_week(week, week.growers["grower_id"].iloc[0])
    assert set(own.outlines["block_id"]) == set(own.stage["block_id"])


# --- the lookback's picture, whose tables are not the week's


def _past(rows):
    columns = ["kind", "lead_days", "p10", "p50", "p90", "observed"]
    told = pd.DataFrame(rows, columns=columns)
    told["error"], told["inside"] = told["p50"] - told["observed"], told["observed"].between(told["p10"], told["p90"])
    return Hindcast(forecasts=told, scores=pd.DataFrame(), orders=pd.DataFrame(), says="")


def test_the_lookback_draws_every_later_sample_by_weeks_ahead(weeks):
    week = weeks["nine"]
    past = _past(
        [
            ("oil_dry_pct", 3, 38.0, 40.0, 42.0, 41.0), ("oil_dry_pct", 7, 38.0, 40.0, 42.0, 44.0),
            ("oil_dry_pct", 8, 36.0, 40.0, 43.0, 39.0), ("moisture_pct", 7, 50.0, 52.0, 54.0, 53.0),
            ("unheard_of", 7, 1.0, 2.0, 3.0, 2.0),
        ]
    )  # fmt: skip
    told = lookback_figures.by_lead(past)
    assert told[["kind", "lead_weeks", "samples_n", "inside_n"]].to_numpy().tolist() == [
        ["oil_dry_pct", 1, 2, 1], ["oil_dry_pct", 2, 1, 1], ["moisture_pct", 1, 1, 1],
    ]  # fmt: skip
    assert told["miss"].tolist() == pytest.approx([2.5, 1.0, 1.0])  # by hand: (1 + 4) / 2
    assert told.loc[1, ["low", "high"]].tolist() == pytest.approx([-4.0, 3.0])
    assert lookback_figures.finding(past, week.info) == (
        "67 % of later samples of dry oil fell inside their 8-in-10 range; missed by 2.5 points in the first week, by "
        "1.0 in week 2"
    )
    assert "Dry oil, points: week 1: 1 of 2 samples inside" in lookback_figures.alt(past, week.info)
    for wide in (False, True):
        figure, ax = canvas.new_figure(*lookback_figures.size(week, past, wide=wide))
        lookback_figures.ranges_kept(week, ax, past)
        marks = [line for line in ax.lines if line.get_marker() in ("o", "D") and line.get_markersize() < 3]
        assert sum(len(line.get_xdata()) for line in marks) == 4  # each later sample once
        outside = [line for line in marks if line.get_marker() == "D"]
        assert sum(len(line.get_xdata()) for line in outside) == 1
        for text, (x0, _, x1, _) in _words(figure):
            assert x0 > -1.5, text.get_text()
            assert x1 < 72 * figure.get_figwidth() + 1.5, text.get_text()
    markup = lookback_figures.picture(week, past)
    assert markup.count("<img") == 1
    assert "(min-width: 48rem), print" in markup


def test_the_lookback_says_so_where_no_later_sample_came(weeks):
    markup = lookback_figures.picture(weeks["nine"], _past([]))
    assert "No sample was taken after a past week" in markup
    assert "<img" not in markup
