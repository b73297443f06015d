"""The first screen: whose week it is, the answer of each page, and the index that leads to all of them."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from olivetime.harvest.hindcast import Hindcast
from olivetime.report import figures, page, tables

LEAST_LOT = 0.5  # smaller lots [display unit] are rounded away; they are shares of rare scenarios
LEAST_WEIGHT = 0.005  # shapes with less say are not shown
TALL_IN = 5.5  # a picture taller than this [inches] leaves pages half empty (tried on A4 and Letter)

_WORDS = {
    "pick_order": "Pick order",
    "what_if": "What if",
    "mill_week": "Mill week",
    "curve_review": "Curve review",
    "season_check": "Season check",
    "lookback": "Lookback",
}


def head(week: tables.Week, name: str = "pick_order") -> str:
    """Top of a page: whose blocks, how many, which day; then the page's answer.

    Parameters
    ----------
    week : Week
        The whole week or one grower's.
    name : str
        Notebook whose question is answered.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    return _sub(week) + page.answer(*answer(week, name))


def _sub(week: tables.Week) -> str:
    info = week.info
    who = info.get("grower") or f"{info['name']}, {info['place']}"
    sub = f"{who} · {tables.day_text(info['as_of'], info, 'yMMMd')} · {_extent(week)}"
    return f'<p class="sub">{html.escape(sub)}</p>'


def lookback_head(week: tables.Week, past: Hindcast) -> str:
    """Top of the lookback: what the replayed weeks show.

    Parameters
    ----------
    week : Week
    past : Hindcast
        From `olivetime.harvest.hindcast.hindcast`.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    first, mark, rest = past.says.partition("; ")
    return _sub(week) + page.answer(first + mark.strip(), rest)


def _extent(week: tables.Week) -> str:
    unit = tables.display_unit(week.info, "area")
    area = tables.number_text(unit.of(week.stage["area_ha"].sum()), week.info)
    return f"{tables.count_text(len(week.stage), 'block')} · {area} {unit.label}".replace(
        " ", "\N{NO-BREAK SPACE}", 1
    ).replace(f" {unit.label}", f"\N{NO-BREAK SPACE}{unit.label}")


def heed(name: str) -> str:
    """Give the cautions of a page as a list; see `olivetime.report.tables.cautions`."""
    return page.list_of(tables.cautions(name), css="caution")


def answer(week: tables.Week, name: str) -> tuple[str, str]:
    """Answer of a page in two parts: the sentence in bold and what follows it.

    Parameters
    ----------
    week : Week
        The whole week or one grower's.
    name : str
        pick_order, grower_report, curve_review, season_check, mill_week or what_if.

    Returns
    -------
    tuple of str

    Raises
    ------
    ValueError
        When no page has this name.
    """
    answers = {
        "pick_order": _order_answer,
        "grower_report": _order_answer,
        "curve_review": _curves_answer,
        "season_check": _records_answer,
        "mill_week": _mill_answer,
        "what_if": _what_if_answer,
    }
    if name not in answers:
        raise ValueError(f"answer: found page {name!r}, expected one of {', '.join(answers)}. Name one of these pages.")
    return answers[name](week)


def _order_answer(week: tables.Week) -> tuple[str, str]:
    text = week.info["headline"]
    rows = tables.planned(week)
    name = "" if rows.empty else str(rows.iloc[0]["block_name"])
    # A block's name may hold a full stop; the sentence ends at the first one after it.
    cut = text.find(". ", max(text.find(name), 0) + len(name))
    return (text, "") if cut < 0 else (text[: cut + 1], text[cut + 2 :])


def _curves_answer(week: tables.Week) -> tuple[str, str]:
    stage = week.stage
    reached = int((stage["verdict"] == "reached").sum())
    blocks = tables.count_text(len(stage), "block")
    verb = "has" if reached == 1 else "have"
    first = f"{reached} of {blocks} {verb} reached the target."
    doubtful = len(tables.doubtful(week))
    rest = [f"{tables.count_text(doubtful, 'sample')} should be looked at again." if doubtful else ""]
    never = int(stage["verdict"].isin(["never", "may never"]).sum())
    rest.append(f"{tables.count_text(never, 'block')} may never reach it." if never else "")
    if len(week.next_samples):
        row = week.next_samples.iloc[0]
        names = dict(zip(stage["block_id"], stage["block_name"], strict=True))
        rest.append(f"Sample {names.get(row['block_id'], row['block_id'])} next: {row['why']}.")
    return first, " ".join(part for part in rest if part)


def _records_answer(week: tables.Week) -> tuple[str, str]:
    counts = week.findings["level"].value_counts()
    errors, warnings, notes = (int(counts.get(level, 0)) for level in ("error", "warning", "note"))
    undecided = int((week.order["status"] == "cannot be decided").sum())
    if errors:
        first = f"{tables.count_text(errors, 'error')} in the records: mend {'it' if errors == 1 else 'them'} first."
    else:
        first = "Yes: no error was found."
    rest = f"{tables.count_text(warnings, 'warning')}, {tables.count_text(notes, 'note')}."
    if undecided:
        rest += f" {tables.count_text(undecided, 'block')} cannot be decided on until then."
    return first, rest


def _mill_answer(week: tables.Week) -> tuple[str, str]:
    today = pd.Timestamp(week.info["as_of"])
    ahead = week.mill[(week.mill["day"] < today + pd.Timedelta(days=7)) & (week.mill["crop_t"].astype(float) > 0)]
    if ahead.empty:
        return "No fruit reaches the mill in the next 7 days.", ""
    by_day = ahead.groupby("day").agg(crop_t=("crop_t", "sum"), limit_t=("limit_t", "max"))
    unit = tables.display_unit(week.info, "crop")

    def amount(tonnes: float) -> str:
        return tables.number_text(unit.of(tonnes), week.info)

    first = (
        f"{amount(by_day['crop_t'].sum())} {unit.label} reach the mill on {tables.count_text(len(by_day), 'day')}"
        " of the next 7."
    )
    full = by_day["crop_t"].idxmax()
    on = tables.day_text(full, week.info, "MMMEd")
    top, limit = by_day.at[full, "crop_t"], by_day.at[full, "limit_t"]
    if amount(top) == amount(limit) or top <= limit:
        rest = f"The fullest day is {on}: {amount(top)} of the {amount(limit)} {unit.label} the mill can take."
    else:
        rest = f"{on} brings {amount(top)} {unit.label}, more than the {amount(limit)} the mill can take that day."
    return first, rest


def _what_if_answer(week: tables.Week) -> tuple[str, str]:
    table = week.what_ifs
    money = next((name for name in ("gain", "value_change", "value") if name in table), None)
    if table.empty or money is None:
        return "Nothing was asked.", ""
    worth = pd.to_numeric(table[money], errors="coerce")
    if not worth.abs().max() > 0:
        return "None of the changes asked about moves the worth of the order.", ""
    row = table.loc[worth.abs().idxmax()]
    amount = tables.money_text(abs(float(row[money])), week.info)
    gain = "gain" if float(row[money]) > 0 else "cost"
    return f"Most would change with: {row.iloc[0]}.", f"It would {gain} about {amount} over the season."


def picture(week: tables.Week, kind: str, **options: Any) -> str:
    """Draw a picture for a page: narrow for phones; where that is too tall for paper, wide for desk and paper too.

    Parameters
    ----------
    week : Week
        The whole week or one grower's.
    kind : str
        A name in `olivetime.report.figures.PICTURES`.
    **options
        The picture's own, such as basis, block_ids, days, most.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    kinds = figures.PICTURES
    if kind not in kinds or kinds[kind].size(week, False, **options)[1] <= TALL_IN:
        return figures.show_html(week, kind, **options)
    narrow = figures.figure_png(figures.draw(week, kind, **options))
    wide = figures.figure_png(figures.draw(week, kind, wide=True, **options))
    markup = figures.figure_html(narrow, kinds[kind].alt(week, **options), kinds[kind].caption, broad=True)
    source = (
        f'<source media="(min-width: 48rem), print" srcset="data:image/png;base64,{base64.b64encode(wide).decode()}">'
    )
    return re.sub(r"<img [^>]*>", lambda found: f"<picture>{source}{found[0]}</picture>", markup, count=1)


def fold(summary: str, *parts: tables.DisplayTable | str, paper: bool = True) -> str:
    """Give tables that few readers need behind one line that opens them.

    Parameters
    ----------
    summary : str
        The line.
    *parts : DisplayTable or str
        Tables, or HTML.
    paper : bool
        Print them, open; otherwise paper only says where they are.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    inside = "".join(tables.html_table(part) if isinstance(part, tables.DisplayTable) else part for part in parts)
    line = html.escape(summary)
    if paper:
        return f"<details><summary>{line}</summary>{inside}</details>"
    return (
        f'<details class="screen"><summary>{line}</summary>{inside}</details>'
        f'<p class="note paper">{line}: on the web page of this report, and in the folder data.</p>'
    )


def assumed(week: tables.Week) -> str:
    """Everything taken for granted: a folded table on screens, short lines in two columns on paper.

    Parameters
    ----------
    week : Week
        The whole week or one grower's.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    table = tables.assumptions_table(week)
    name, value, unit, says, source = (
        table.headings.index(h) for h in ("Assumption", "Value", "Unit", "Says", "Source")
    )
    lines = []
    for row in table.rows:
        amount = f"{row[value]} {row[unit]}".strip()
        lines.append(f"{row[name]}: {amount}{f' ({row[source]})' if row[source] else ''}. {row[says]}".strip())
    inside = tables.html_table(table)
    return (
        f'<details class="screen"><summary>Every assumption, its value and its source</summary>{inside}</details>'
        + page.list_of(lines, css="paper")
    )


def limits_table(week: tables.Week, *, days: int = 7) -> tables.DisplayTable:
    """What limits each day: one row a day, use and limit of every resource, the binding one named.

    Parameters
    ----------
    week : Week
    days : int
        Days from today [d].

    Returns
    -------
    DisplayTable
    """
    info = week.info
    end = pd.Timestamp(info["as_of"]) + pd.Timedelta(days=days)
    rows = week.capacity[week.capacity["day"] < end]
    resources = list(dict.fromkeys(rows["resource"].astype(str)))
    crop = tables.display_unit(info, "crop")
    cells: dict[tuple[pd.Timestamp, str], str] = {}
    limiting: dict[pd.Timestamp, list[str]] = {}
    for row in rows.itertuples():
        unit = crop if row.unit == "t" else tables.Unit(str(row.unit), digits=1)
        used, limit = (tables.number_text(unit.of(float(v)), info, unit.digits) for v in (row.used, row.limit))
        cells[row.day, str(row.resource)] = f"{used} of {limit} {unit.label}" if used and limit else ""
        if pd.notna(row.binding) and bool(row.binding):
            limiting.setdefault(row.day, []).append(str(row.resource))
    found = sorted(set(rows["day"]))
    return tables.DisplayTable(
        caption="Used, of what each day allows",
        headings=("Day", "Limits the day", *(name[:1].upper() + name[1:] for name in resources)),
        units=("",) * (2 + len(resources)),
        rows=tuple(
            (
                tables.day_text(day, info, "MMMEd"),
                ", ".join(limiting.get(day, [])) or "nothing",
                *(cells.get((day, name), "") for name in resources),
            )
            for day in found
        ),
        align=("left",) * (2 + len(resources)),
        places=("name", "", *("",) * len(resources)),
        kind="cards",
        empty="No capacity is known.",
    )


def arrivals_table(week: tables.Week, *, days: int = 7) -> tables.DisplayTable:
    """Fruit of each day at the mill: how much, of what the mill can take, in which lots.

    Parameters
    ----------
    week : Week
    days : int
        Days from today [d].

    Returns
    -------
    DisplayTable
    """
    info = week.info
    crop = tables.display_unit(info, "crop")
    end = pd.Timestamp(info["as_of"]) + pd.Timedelta(days=days)
    rows = week.mill[(week.mill["day"] < end) & (week.mill["crop_t"].astype(float) > 0)]

    def amount(tonnes: float) -> str:
        return tables.number_text(crop.of(tonnes), info)

    found = []
    for day, part in rows.groupby("day", sort=True):
        lots = part[crop.of(part["crop_t"].astype(float)) >= LEAST_LOT].sort_values("crop_t", ascending=False)
        found.append(
            (
                tables.day_text(day, info, "MMMEd"),
                f"{amount(part['crop_t'].sum())} {crop.label}",
                f"of {amount(part['limit_t'].max())} {crop.label}",
                "; ".join(f"{lot} {amount(t)}" for lot, t in zip(lots["lot"], lots["crop_t"], strict=True)),
            )
        )
    return tables.DisplayTable(
        caption=f"Fruit to the mill by day, mean of the scenarios; lots in {crop.label}",
        headings=("Day", "Fruit", "Limit", "Lots"),
        units=("", "", "", ""),
        rows=tuple(found),
        align=("left",) * 4,
        places=("name", "when", "first", "line"),
        kind="cards order",
        empty="No fruit goes to the mill in these days.",
    )


def shapes_table(week: tables.Week) -> tables.DisplayTable:
    """Weight of each curve shape by cultivar: how much each had to say in the average."""
    rows = week.shapes
    return _table(
        "Shapes of the oil curve and their weights",
        ("Cultivar", "Shape", "Weight"),
        ("", "", "%"),
        [
            (str(row.cultivar), str(row.shape), tables.number_text(100 * float(row.weight), week.info))
            for row in rows[rows["weight"].astype(float) >= LEAST_WEIGHT].itertuples()
        ],
        "No curves were fitted.",
    )


def week_effects_table(week: tables.Week) -> tables.DisplayTable:
    """Error that all samples of a week share (one laboratory day, one rain), as the fit sees it."""
    return _table(
        "What all samples of a week and laboratory had in common",
        ("Week and laboratory", "Shift"),
        ("", "%"),
        [
            (str(row.week), tables.number_text(100 * float(row.effect), week.info, 1))
            for row in week.week_effects.itertuples()
        ],
        "No common shift was found.",
    )


def _table(caption, headings, units, rows, empty) -> tables.DisplayTable:
    numbers = len(headings) - 1
    return tables.DisplayTable(
        caption=caption,
        headings=tuple(headings),
        units=tuple(units),
        rows=tuple(rows),
        align=("left",) * numbers + ("right",),
        places=("name", *("first",) * (numbers - 1), ""),
        kind="cards",
        empty=empty,
    )


# --- index ----------------------------------------------------------------------------------------------


def index_page(week: tables.Week, reports: pd.DataFrame, notes: Iterable[str]) -> str:
    """Page that opens the week: what failed, the answer, then one way in for each reader.

    Parameters
    ----------
    week : Week
    reports : pandas.DataFrame
        `RunResult.reports`.
    notes : iterable of str
        Sentences about the run.

    Returns
    -------
    str
        A whole page.
    """
    info = week.info
    links = reports.set_index("key")
    older = reports[reports["status"] == "older"]
    body = [_failures(reports[reports["status"] == "failed"]), page.answer(*_order_answer(week)), '<ul class="ways">']
    body.append(_way("Farm manager", "Which block next?", _first_blocks(week), links, ["pick_order", "what_if"]))
    body.append(
        _way(
            "Agronomist",
            "Are the curves right?",
            _sentence(_curves_line(week)),
            links,
            ["curve_review", "season_check", "lookback"],
        )
    )
    body.append(
        _way(
            "Consultant, mill",
            "What goes out?",
            _sentence(_reports_line(reports), *_mill_answer(week)[:1]),
            links,
            ["mill_week"],
            more='<a href="#growers">Grower reports</a>',
        )
    )
    body += ["</ul>", '<h2 id="growers">Grower reports</h2>', _growers_table(week, reports)]
    if len(older):
        body.append(
            f'<p class="note">Made from earlier records of this week: {html.escape(", ".join(older["key"]))}.</p>'
        )
    body += [f'<p class="note">{html.escape(note)}</p>' for note in notes]
    body.append(
        '<p class="note">Every table of these pages lies in the folder <code>data</code>, as CSV and Parquet;'
        " <code>manifest.json</code> holds the digest of every file read and written.</p>"
    )
    day = tables.day_text(info["as_of"], info, "yMMMd")
    sub = f"{info['name']}, {info['place']} · {_extent(week)}"
    text = page.wrap(
        "\n".join(part for part in body if part),
        title=f"Harvest week of {day} - {info['name']}",
        banner=f"<header><h1>Harvest week of <span>{html.escape(day)}</span></h1>"
        f'<p class="sub">{html.escape(sub)}</p></header>',
        locale=str(info["locale"]),
        provenance=tables.provenance(week),
    )
    page.check_page(text)
    return text


def _sentence(*parts: str) -> str:
    return f"<p>{html.escape(' '.join(part for part in parts if part))}</p>"


def _failures(failed: pd.DataFrame) -> str:
    if failed.empty:
        return ""
    rows = "".join(
        f"<li><strong>{html.escape(row.key)}</strong>: {html.escape(row.error)}</li>" for row in failed.itertuples()
    )
    return (
        f'<div class="caution"><p><strong>{tables.count_text(len(failed), "report")} could not be made.</strong> The'
        f" others are complete. Mend the cause and run again: only what is missing is made.</p><ul>{rows}</ul></div>"
    )


def _way(reader: str, question: str, line: str, links: pd.DataFrame, keys: Sequence[str], *, more: str = "") -> str:
    found = []
    for key in keys:
        if key not in links.index or not links.at[key, "html"]:
            continue
        word = _WORDS[key]
        pdf = links.at[key, "pdf"]
        found.append(
            f'<li><a href="{html.escape(links.at[key, "html"])}">{word}</a>'
            + (f' <a href="{html.escape(pdf)}" aria-label="{word} as PDF">PDF</a>' if pdf else "")
            + "</li>"
        )
    if more:
        found.append(f"<li>{more}</li>")
    return (
        f'<li><p class="reader">{html.escape(reader)}</p><h2>{html.escape(question)}</h2>{line}'
        f'<ul class="links">{"".join(found)}</ul></li>'
    )


def _curves_line(week: tables.Week) -> str:
    """The agronomist's answer, short enough for three answers on one phone screen."""
    first, _ = _curves_answer(week)
    doubtful = len(tables.doubtful(week))
    return f"{first} {tables.count_text(doubtful, 'doubtful sample') if doubtful else 'No doubtful sample'}."


def _first_blocks(week: tables.Week) -> str:
    rows = tables.planned(week).head(3)
    if rows.empty:
        return _sentence("No block is to be picked in the days ahead.")
    return (
        '<ol class="soon">'
        + "".join(
            f"<li><span>{html.escape(str(row['block_name']))}</span>"
            f" <span>{html.escape(tables.when_text(row, week))}</span></li>"
            for row in rows.to_dict("records")
        )
        + "</ol>"
    )


def _reports_line(reports: pd.DataFrame) -> str:
    growers = reports[reports["notebook"] == "grower_report"]
    line = f"{tables.count_text(int((growers['status'] != 'failed').sum()), 'grower report')} ready"
    failed = int((reports["status"] == "failed").sum())
    return f"{line}; {tables.count_text(failed, 'report')} failed." if failed else f"{line}; nothing failed."


def _growers_table(week: tables.Week, reports: pd.DataFrame) -> str:
    crop = tables.display_unit(week.info, "crop")
    by_grower = reports[reports["notebook"] == "grower_report"].set_index("grower_id")
    planned = tables.planned(week).groupby("grower_id", sort=False).head(1).set_index("grower_id")
    words = {"made": "ready", "unchanged": "ready", "older": "earlier records", "failed": "failed"}
    rows = []
    for row in week.growers.sort_values("grower").itertuples():
        name, pdf, state = html.escape(str(row.grower)), "", "not made"
        if row.grower_id in by_grower.index:
            report = by_grower.loc[row.grower_id]
            state = words[report["status"]]
            if report["html"]:
                name = f'<a href="{html.escape(report["html"])}">{name}</a>'
            if report["pdf"]:
                pdf = (
                    f'<a href="{html.escape(report["pdf"])}" aria-label="{html.escape(str(row.grower))} as PDF">PDF</a>'
                )
        next_pick = "no pick planned"
        if row.grower_id in planned.index:
            block = planned.loc[row.grower_id]
            next_pick = f"{block['block_name']}, {tables.when_text(block, week)}"
        trouble = " trouble" if state == "failed" else ""
        rows.append(
            f'<tr role="row"><th scope="row" role="rowheader">{name}</th>'
            f'<td role="cell" data-label="Next pick">{html.escape(next_pick)}</td>'
            f'<td role="cell" class="number" data-label="Blocks">{int(row.blocks_n)}</td>'
            f'<td role="cell" class="number" data-label="Crop" data-unit="{html.escape(crop.label)}">'
            f"{html.escape(tables.number_text(crop.of(row.crop_t), week.info))}</td>"
            f'<td role="cell" data-label="Report"><span class="state{trouble}">{state}</span> {pdf}</td></tr>'
        )
    headings = (
        ("Grower", ""),
        ("Next pick", ""),
        ("Blocks", "number"),
        (f"Crop, {crop.label}", "number"),
        ("Report", ""),
    )
    cells = "".join(
        f'<th scope="col" role="columnheader" class="{css}">{html.escape(text)}</th>' for text, css in headings
    )
    return (
        '<div class="table"><table role="table" class="cards"><caption>A grower\'s report holds only that grower\'s'
        f' blocks.</caption><thead role="rowgroup"><tr role="row">{cells}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(rows)}</tbody></table></div>'
    )


def weeks_page(out: Path, week: tables.Week) -> str:
    """Page that leads to every week in a folder, the newest first.

    Parameters
    ----------
    out : Path
        Folder that holds one folder for each week.
    week : Week
        Gives name, locale and units.

    Returns
    -------
    str
        A whole page.
    """
    info = week.info
    weeks = sorted((path.parent.name for path in out.glob("*-*-*/manifest.json")), reverse=True)
    links = "".join(
        f'<li><a href="{html.escape(name)}/index.html">Week of'
        f" {html.escape(tables.day_text(name, info, 'yMMMd'))}</a></li>"
        for name in weeks
    )
    text = page.wrap(
        f"<ul>{links}</ul>",
        title=f"Harvest weeks - {info['name']}",
        banner=f'<header><h1>Harvest weeks</h1><p class="sub">{html.escape(info["name"])}</p></header>',
        locale=str(info["locale"]),
        provenance=f"olivetime {info['version']}",
    )
    page.check_page(text)
    return text
