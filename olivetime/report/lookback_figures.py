"""The picture of the lookback: how far later samples fell from what past weeks foretold, and whether the ranges held.

Everything drawn stands in `Hindcast.forecasts`; what is counted here is said in the picture's words too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from olivetime.languages import mark, say
from olivetime.report.canvas import (
    INK,
    KEY_LINE,
    PHONE_IN,
    SMALL,
    SOFT,
    WIDE_IN,
    draw_boxes,
    draw_frame,
    draw_head,
    draw_key,
    draw_lines,
    draw_marks,
    head_height,
    key_rows,
    lay_sheet,
    new_figure,
    nice_ticks,
    own_look,
    rect,
    scale,
    write,
)
from olivetime.report.figures import drawn_html
from olivetime.report.sheet import LOOKBACK_WORDS
from olivetime.words import count_text, number_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from olivetime.harvest.past import Hindcast
    from olivetime.report.tables import Week

PLOT_H = 116.0  # of one kind of forecast [pt]
_SUB = mark(
    "Each mark is a later sample, above 0 when more was measured than foretold; those far out stand at the edge. "
    "Below: share inside the range."
)
_KEY = (("band", mark("range that should hold 8 in 10")), ("sample", mark("inside")), ("diamond", mark("outside")))


def by_lead(past: Hindcast) -> pd.DataFrame:
    """Later samples by kind and whole weeks ahead: how many, how many inside, mean miss and mean range.

    Parameters
    ----------
    past : Hindcast

    Returns
    -------
    DataFrame
        kind, lead_weeks, samples_n, inside_n, miss (mean of the absolute errors), low and high (mean ends of the 80 %
        range, less the middle); kinds in the order of the page, kinds without a sample left out.
    """
    rows = _rows(past)
    told = rows.groupby(["kind", "lead_weeks"], as_index=False, sort=True).agg(
        samples_n=("missed", "size"), inside_n=("inside", "sum"), miss=("missed", lambda m: m.abs().mean()),
        low=("low", "mean"), high=("high", "mean"),
    )  # fmt: skip
    place = {kind: k for k, kind in enumerate(LOOKBACK_WORDS)}
    return told.sort_values(["kind", "lead_weeks"], key=lambda c: c.map(place) if c.name == "kind" else c,
                            ignore_index=True)  # fmt: skip


def _rows(past: Hindcast) -> pd.DataFrame:
    """Forecasts that a later sample tells, in kinds that pages have words for."""
    rows = past.forecasts
    if rows.empty:
        return pd.DataFrame(columns=["kind", "lead_weeks", "missed", "inside", "low", "high"])
    rows = rows[rows["kind"].isin(list(LOOKBACK_WORDS)) & rows["observed"].notna()]
    return pd.DataFrame(
        {
            "kind": rows["kind"].astype(str),
            "lead_weeks": np.ceil(rows["lead_days"].astype(float) / 7).astype(int),
            "missed": -rows["error"].astype(float),
            "inside": rows["inside"].astype(bool),
            "low": (rows["p10"] - rows["p50"]).astype(float),
            "high": (rows["p90"] - rows["p50"]).astype(float),
        }
    )


def finding(past: Hindcast, info: Mapping[str, Any]) -> str:
    """What the picture shows, in a sentence: how the miss of dry oil grows, and whether its ranges held."""
    told = by_lead(past)
    oil = told[told["kind"] == "oil_dry_pct"]
    if oil.empty:
        return say("No sample was taken after a past week to compare with.", info).removesuffix(".")
    pct = number_text(100 * oil["inside_n"].sum() / oil["samples_n"].sum(), info)
    held = say("{pct} % of later samples of dry oil fell inside their 8-in-10 range", info, pct=pct)
    if len(oil) < 2:
        return held
    ends = {"near": oil["miss"].iloc[0], "far": oil["miss"].iloc[-1]}
    missed = {name: number_text(miss, info, 1) for name, miss in ends.items()}
    words = mark("missed by {near} points in the first week, by {far} in week {n}")
    return f"{held}; {say(words, info, n=int(oil['lead_weeks'].iloc[-1]), **missed)}"


def alt(past: Hindcast, info: Mapping[str, Any]) -> str:
    """Alternative text: each kind with the share inside its range in each week ahead."""
    kinds = []
    for kind, rows in by_lead(past).groupby("kind", sort=False):
        shares = ", ".join(
            say("week {n}: {inside} of {samples} inside", info, n=int(r.lead_weeks), inside=int(r.inside_n),
                samples=count_text(int(r.samples_n), "sample", info=info))
            for r in rows.itertuples()
        )  # fmt: skip
        kinds.append(f"{say(LOOKBACK_WORDS[kind], info)}: {shares}")
    return f"{finding(past, info)}. {'; '.join(kinds)}".strip()


def size(week: Week, past: Hindcast, *, wide: bool) -> tuple[float, float]:
    """Width and height that suit `ranges_kept` [inches]."""
    width, info = 72 * (WIDE_IN if wide else PHONE_IN), week.info
    kinds = by_lead(past)["kind"].nunique()
    if not kinds:
        return width / 72, (head_height(week, finding(past, info), [], width) + 6) / 72
    head = head_height(week, finding(past, info), [say(_SUB, info)], width)
    down = (kinds + 1) // 2 if wide else kinds
    return width / 72, (head + KEY_LINE * len(key_rows(_key(info), width)) + 3 + down * PLOT_H) / 72


def _key(info: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(kind, say(words, info)) for kind, words in _KEY]


@own_look
def ranges_kept(week: Week, ax: Axes, past: Hindcast) -> Axes:
    """Later samples less what was foretold, by weeks ahead, over the mean range that should hold 8 in 10 of them.

    Parameters
    ----------
    week : Week
        Names, look and language.
    ax : Axes
        Plots two abreast when wider than 400 points, else one below the other.
    past : Hindcast
    """
    info, (width, _) = week.info, lay_sheet(ax)
    told, rows = by_lead(past), _rows(past)
    if told.empty:
        draw_head(ax, week, width, finding(past, info))
        return ax
    top = draw_head(ax, week, width, finding(past, info), [say(_SUB, info)])
    top = draw_key(ax, top, width, _key(info))
    across, left, gap = (2 if width >= 400 else 1), 24.0, 16.0
    cell = (width - across * left - gap * (across - 1)) / across
    weeks = int(told["lead_weeks"].max())
    for place, (kind, spans) in enumerate(told.groupby("kind", sort=False)):
        down, column = divmod(place, across)
        x0, y0 = left + column * (cell + gap + left), top + down * PLOT_H
        box = x0, x0 + cell, y0 + 16, y0 + PLOT_H - 34
        mine = rows[rows["kind"] == kind]
        # One wild sample would flatten all others: what lies farther out than most stands at the edge.
        most = 1.15 * max(mine["missed"].abs().quantile(0.98), spans[["low", "high"]].abs().to_numpy().max())
        x, y = scale(0.5, weeks + 0.5, box[0], box[1]), scale(-most, most, box[3], box[2])
        write(ax, x0 - left + 2, y0 + 9, say(LOOKBACK_WORDS[str(kind)], info), size=SMALL, bold=True)
        draw_frame(ax, week, box, y, nice_ticks(-most, most, 5), labels=True)
        draw_lines(ax, [[(box[0], float(y(0))), (box[1], float(y(0)))]], color=SOFT, width=1.0, z=2)
        for span in spans.itertuples():
            lead = float(span.lead_weeks)
            band = rect(float(x(lead - 0.42)), float(y(span.low)), float(x(lead + 0.42)), float(y(span.high)))
            draw_boxes(ax, [band], "#c9d4dc", z=1.5)
            dots = mine[mine["lead_weeks"] == span.lead_weeks].sort_values("missed", kind="stable")
            # Beside each other in the order of their misses, so that none hides another.
            beside = lead - 0.36 + 0.72 * (np.arange(len(dots)) + 0.5) / len(dots)
            inside = dots["inside"].to_numpy()
            at, missed = x(beside), y(dots["missed"].clip(-most, most).to_numpy())
            draw_marks(ax, at[inside], missed[inside], "o", size=2.2, fill="white", edge=SOFT, width=0.5)
            draw_marks(ax, at[~inside], missed[~inside], "D", size=2.8, width=0.6)
            words = say("week {n}", info, n=int(span.lead_weeks))
            write(ax, float(x(lead)), box[3] + 12, words, size=SMALL, color=SOFT, ha="center")
            share = f"{number_text(100 * span.inside_n / span.samples_n, info)} %"
            write(ax, float(x(lead)), box[3] + 23, share, size=SMALL, color=INK, ha="center")
    return ax


def picture(week: Week, past: Hindcast, *, wide: bool = False) -> str:
    """HTML of the picture with its alternative text, for `weekly.show`."""
    drawn = []
    for broad in (wide, True):
        figure, ax = new_figure(*size(week, past, wide=broad))
        ranges_kept(week, ax, past)
        drawn.append(figure)
    caption = say("What past weeks foretold, held against what was sampled afterwards.", week.info)
    return drawn_html(week, drawn[0], alt(past, week.info), caption, broad=wide, wide=None if wide else drawn[1])
