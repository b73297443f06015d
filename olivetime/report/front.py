"""The first screen: whose week it is, the answer of each page, and the index that leads to all of them."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from olivetime.languages import mark, said, say, say_count
from olivetime.report import figures, lookback_tables, page, sheet, tables
from olivetime.report.canvas import block_pages
from olivetime.report.weather_figures import frost_threatens
from olivetime.words import Unit, count_text, day_text, display_unit, money_text, number_text

if TYPE_CHECKING:
    from olivetime.harvest.past import Hindcast

LEAST_LOT = 0.5  # smaller lots [display unit] are rounded away; they are shares of rare scenarios

_WORDS = {
    "pick_order": mark("Pick order"),
    "what_if": mark("What if?"),
    "mill_week": mark("Mill week"),
    "curve_review": mark("Curve review"),
    "season_check": mark("Season check"),
    "lookback": mark("Lookback"),
    "season_end": mark("Season's end"),
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
    sub = f"{who} · {day_text(info['as_of'], info, 'yMMMd')} · {_extent(week)}"
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
    return _sub(week) + page.answer(*lookback_tables.answer(past, week.info))


def lookback_points(week: tables.Week, past: Hindcast, skill: pd.DataFrame) -> str:
    """What else the replay shows: a sentence for each thing, its table folded behind it.

    Parameters
    ----------
    week : Week
    past : Hindcast
    skill : DataFrame
        Of `olivetime.weather.fetched.season_skill`.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    return "".join(point(week, *told) for told in lookback_tables.points(past, skill, week.info))


def point(
    week: tables.Week, sentence: str, summary: str, table: sheet.DisplayTable, *, paper: bool = True
) -> str:
    """Give a sentence, its table folded behind it where the table has rows; see `fold`."""
    behind = fold(week, summary, table, paper=paper) if table.rows else ""
    return f"<p>{html.escape(sentence)}</p>{behind}"


def _extent(week: tables.Week) -> str:
    unit = display_unit(week.info, "area")
    area = number_text(unit.of(week.stage["area_ha"].sum()), week.info)
    return f"{count_text(len(week.stage), 'block', info=week.info)} · {area} {unit.label}".replace(
        " ", "\N{NO-BREAK SPACE}", 1
    ).replace(f" {unit.label}", f"\N{NO-BREAK SPACE}{unit.label}")


def heed(week: tables.Week, name: str) -> str:
    """Give the cautions of a page (`olivetime.report.tables.cautions`) as a list; none once all is picked."""
    if tables.all_picked(week):
        return ""
    return page.list_of(tables.cautions(name, week.info), css="caution")


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
    info = week.info
    if tables.all_picked(week):
        return _order_answer(week)
    picked = week.order.loc[week.order["status"] == "picked", "block_id"]
    stage = week.stage[~week.stage["block_id"].isin(picked)]
    reached = int((stage["verdict"] == "reached").sum())
    blocks = count_text(len(stage), "block", info=info)
    first = say_count(
        "{n} of {blocks} still to pick has reached the target.",
        "{n} of {blocks} still to pick have reached the target.",
        reached,
        info,
        blocks=blocks,
    )
    doubtful = len(tables.doubtful(week))
    rest = []
    if doubtful:
        rest.append(
            say_count("{n} sample should be looked at again.", "{n} samples should be looked at again.", doubtful, info)
        )
    never = int(stage["verdict"].isin(["never", "may never"]).sum())
    if never:
        rest.append(say_count("{n} block may never reach it.", "{n} blocks may never reach it.", never, info))
    wanted = tables.worth_sampling(week)
    if len(wanted):
        row = wanted.iloc[0]
        names = dict(zip(stage["block_id"], stage["block_name"], strict=True))
        block = names.get(row["block_id"], row["block_id"])
        why = "; ".join(said(part, info) for part in str(row["why"]).split("; "))
        rest.append(say("Sample {block} next: {why}.", info, block=block, why=why))
    return first, " ".join(rest)


def _records_answer(week: tables.Week) -> tuple[str, str]:
    counts = week.findings["level"].value_counts()
    errors, warnings, notes = (int(counts.get(level, 0)) for level in ("error", "warning", "note"))
    undecided = int((week.order["status"] == "cannot be decided").sum())
    info = week.info
    if errors:
        first = say_count(
            "{n} error in the records: mend it first.", "{n} errors in the records: mend them first.", errors, info
        )
    else:
        first = say("Yes: no error was found.", info)
    rest = f"{count_text(warnings, 'warning', info=info)}, {count_text(notes, 'note', info=info)}."
    if undecided:
        rest += " " + say_count(
            "{n} block cannot be decided on until then.",
            "{n} blocks cannot be decided on until then.",
            undecided,
            info,
        )
    return first, rest


def _mill_answer(week: tables.Week) -> tuple[str, str]:
    if tables.all_picked(week):
        return say("All blocks are picked; no more fruit reaches the mill.", week.info), ""
    today = pd.Timestamp(week.info["as_of"])
    ahead = week.mill[(week.mill["day"] < today + pd.Timedelta(days=7)) & (week.mill["crop_t"].astype(float) > 0)]
    if ahead.empty:
        return say("No fruit reaches the mill in the next 7 days.", week.info), ""
    by_day = ahead.groupby("day").agg(crop_t=("crop_t", "sum"), limit_t=("limit_t", "max"))
    unit = display_unit(week.info, "crop")

    def amount(tonnes: float) -> str:
        return number_text(unit.of(tonnes), week.info)

    info = week.info
    total = f"{amount(by_day['crop_t'].sum())} {unit.label}"
    first = say("{amount} reach the mill in the next 7 days, some on every day.", info, amount=total)
    if len(by_day) < 7:
        first = say_count(
            "{amount} reach the mill on {n} day of the next 7.",
            "{amount} reach the mill on {n} days of the next 7.",
            len(by_day),
            info,
            amount=total,
        )
    # The day on which most is too much; where none is, the fullest.
    above = by_day["crop_t"] - by_day["limit_t"]
    full = above.idxmax() if above.max() > 0 else by_day["crop_t"].idxmax()
    top, limit = by_day.at[full, "crop_t"], by_day.at[full, "limit_t"]
    parts = {"day": day_text(full, info, "MMMEd"), "limit": amount(limit), "amount": amount(top), "unit": unit.label}
    if limit <= 0:
        message = mark("{day} brings {amount} {unit} while the mill is closed; the fruit waits in its bins.")
        return first, say(message, info, **parts)
    if amount(top) == amount(limit) or top <= limit:
        return first, say("The fullest day is {day}: {amount} of the {limit} {unit} the mill can take.", info, **parts)
    message = mark("{day} brings {amount} {unit}, more than the {limit} the mill can take that day.")
    return first, say(message, info, **parts)


def _what_if_answer(week: tables.Week) -> tuple[str, str]:
    table = week.what_ifs
    money = next((name for name in ("gain", "value_change", "value") if name in table), None)
    if table.empty or money is None:
        return say("Nothing was asked.", week.info), ""
    worth = pd.to_numeric(table[money], errors="coerce")
    if not worth.abs().max() > 0:
        return say("None of the changes asked about moves the worth of the order.", week.info), ""
    row = table.loc[worth.abs().idxmax()]
    amount = money_text(abs(float(row[money])), week.info)
    message = mark("It would gain about {money} over the season.")
    if float(row[money]) < 0:
        message = mark("It would cost about {money} over the season.")
    change = said(str(row.iloc[0]), week.info)
    first = say("{change} would change most.", week.info, change=change)
    return first, say(message, week.info, money=amount)


MOST_PICTURED = 240  # blocks in the pictures of one page
# Pictures of what is still to pick.
_OF_DAYS_AHEAD = frozenset({"weather_strip", "mill_load", "calendar", "block_map", "value_by_date", "rules", "frost"})


def picture(week: tables.Week, kind: str, **options: Any) -> str:
    """Draw a picture for a page.

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
        HTML for `olivetime.report.weekly.show`; where there is no frost to draw, a sentence; nothing of the days ahead
        once all is picked.
    """
    if kind in _OF_DAYS_AHEAD and tables.all_picked(week):
        return ""
    if kind == "frost" and not frost_threatens(week, **options):
        return f"<p>{html.escape(figures.PICTURES[kind].alt(week, **options))}</p>"  # the picture would say no more
    return figures.show_html(week, kind, **options)


def block_pictures(week: tables.Week, kind: str, **options: Any) -> list[str]:
    """Small multiples of all blocks in the order: the first ones open, the others folded in groups until asked for.

    Parameters
    ----------
    week : Week
    kind : str
        A picture of panels in `olivetime.report.figures.PICTURES`.
    **options
        The picture's own, beside block_ids.

    Returns
    -------
    list of str
        HTML for `olivetime.report.weekly.show`; open on paper. Of a very large mill the first `MOST_PICTURED` blocks,
        and a sentence: a thousand pictures make a page that no phone opens, and every grower's report shows its own.
    """
    found, before = [], 0
    pages = block_pages(week)
    shown = pages[: math.ceil(MOST_PICTURED / len(pages[0]))] if pages else []
    for ids in shown:
        drawn, after = picture(week, kind, block_ids=ids, **options), before + len(ids)
        if before:
            line = html.escape(say("Blocks {first} to {last} of the order", week.info, first=before + 1, last=after))
            drawn = f"<details><summary>{line}</summary>{drawn}</details>"
        found.append(drawn)
        before = after
    if len(pages) > len(shown):
        line = say(
            "Pictures of the other {n} blocks are in the reports of their growers.",
            week.info,
            n=number_text(sum(map(len, pages)) - before, week.info),
        )
        found.append(f'<p class="note">{html.escape(line)}</p>')
    return found


def fold(week: tables.Week, summary: str, *parts: sheet.DisplayTable | str, paper: bool = True) -> str:
    """Give tables that few readers need behind one line that opens them.

    Parameters
    ----------
    week : Week
        Gives the language.
    summary : str
        The line, in English; said in the week's language.
    *parts : DisplayTable or str
        Tables, or HTML.
    paper : bool
        Print them, open; otherwise paper only says where they are.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    inside = "".join(sheet.html_table(part) if isinstance(part, sheet.DisplayTable) else part for part in parts)
    if not inside:
        return ""
    line = html.escape(say(summary, week.info))
    if paper:
        return f"<details><summary>{line}</summary>{inside}</details>"
    elsewhere = say(
        "{table}: on the web page of this report, and in the folder data.", week.info, table=say(summary, week.info)
    )
    return (
        f'<details class="screen"><summary>{line}</summary>{inside}</details>'
        f'<p class="note paper">{html.escape(elsewhere)}</p>'
    )


def picked(week: tables.Week) -> str:
    """What is picked so far, behind a line that sums it up; open once all is picked.

    Parameters
    ----------
    week : Week

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`; "" before the first ticket.
    """
    if week.picked.empty:
        return ""
    table, info, crop = sheet.html_table(sheet.picked_table(week)), week.info, display_unit(week.info, "crop")
    parts = {
        "blocks": count_text(len(week.picked), "block", info=info),
        "crop": f"{number_text(crop.of(week.picked['net_t'].astype(float).sum()), info)} {crop.label}",
    }
    if tables.all_picked(week):
        return f"<p>{html.escape(say('{blocks}, {crop} by the tickets.', info, **parts))}</p>{table}"
    line = html.escape(say("Picked so far: {blocks}, {crop}", info, **parts))
    return f"<details><summary>{line}</summary>{table}</details>"


# Rooms of the assumptions table as the printed list names them.
_ROOMS = {
    "weather": mark("Weather"),
    "ripening": mark("Ripening"),
    "capacity": mark("Machines and mill"),
    "value": mark("Worth"),
    "order": mark("Order"),
    "report": mark("These pages"),
}


def assumed(week: tables.Week) -> str:
    """Everything taken for granted: folded on screens (a table, or a leaner list for growers), small print on paper.

    Parameters
    ----------
    week : Week
        The whole week or one grower's.

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    table = sheet.assumptions_table(week)
    name, value, unit, says, source = range(5)  # the table's columns in order
    lines: dict[str, list[str]] = {}
    listed: list[str] = []
    rooms, names = (tables.texts_of(week.assumptions[column]) for column in ("room", "name"))
    for room, rule, row in zip(rooms, names, table.rows, strict=True):
        amount = f"{row[value]} {row[unit]}".strip()
        origin = f" ({row[source]})" if row[source] else ""
        listed.append(f"<li>{_run_in(row[name], f'{amount}{origin}. {row[says]}')}</li>")
        # A grower's paper is kept short: sources, and what the words of a rule say already, stand on the web page.
        text = f"{amount}{origin}. {row[says]}"
        if "grower" in week.info:
            text = amount if rule in sheet.RULE_WORDS else f"{amount}. {row[says]}"
        lines.setdefault(room, []).append(_run_in(row[name], text))
    inside = f"<ul>{''.join(listed)}</ul>" if "grower" in week.info else sheet.html_table(table)
    summary = html.escape(say("Every assumption, its value and its source", week.info))
    paper = []
    for room, parts in lines.items():
        title = f"<strong>{html.escape(say(_ROOMS[room], week.info))}:</strong> " if room in _ROOMS else ""
        paper.append(f'<p class="paper small">{title}{" ".join(parts)}</p>')
    return f'<details class="screen"><summary>{summary}</summary>{inside}</details>{"".join(paper)}'


def _run_in(name: str, text: str) -> str:
    """One entry of the small print: its name stands out, the text ends in a full stop."""
    text = text.strip()
    return f"<em>{html.escape(name)}</em> {html.escape(text)}{'' if text.endswith('.') else '.'}"


def files_read(week: tables.Week) -> str:
    """Every file the week was made from: a table on screens, running small print on paper.

    Parameters
    ----------
    week : Week

    Returns
    -------
    str
        HTML for `olivetime.report.weekly.show`.
    """
    table = sheet.sources_table(week)
    lines = [_run_in(row[0], ", ".join(cell for cell in row[1:] if cell)) for row in table.rows]
    return f'<div class="screen">{sheet.html_table(table)}</div><p class="paper small">{" ".join(lines)}</p>'


def limits_table(week: tables.Week, *, days: int = 7) -> sheet.DisplayTable:
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
    if not rows["used"].astype(float).sum() > 0:
        rows = rows.iloc[:0]
    resources = list(dict.fromkeys(rows["resource"].astype(str)))
    crop = display_unit(info, "crop")
    cells: dict[tuple[pd.Timestamp, str], str] = {}
    limiting: dict[pd.Timestamp, list[str]] = {}
    for row in rows.itertuples():
        unit = crop if row.unit == "t" else Unit(str(row.unit), digits=1)
        used, limit = (number_text(unit.of(float(v)), info, unit.digits) for v in (row.used, row.limit))
        shut = row.unit == "t" and row.limit <= 0  # a mill of 0 t is closed; what comes waits
        told = mark("{amount}, closed") if shut else mark("{amount} of {limit}")
        parts = {"amount": f"{used} {unit.label}" if shut else used, "limit": f"{limit} {unit.label}"}
        cells[row.day, str(row.resource)] = say(told, info, **parts) if used and limit else ""
        if pd.notna(row.binding) and bool(row.binding):
            limiting.setdefault(row.day, []).append(said(str(row.resource), info))
    found = sorted(set(rows["day"]))
    return sheet.DisplayTable(
        caption=say("Used, of what each day allows", info),
        headings=(
            say("Day", info),
            say("Limits the day", info),
            *(name[:1].upper() + name[1:] for name in (said(resource, info) for resource in resources)),
        ),
        units=("",) * (2 + len(resources)),
        rows=tuple(
            (
                day_text(day, info, "MMMEd"),
                ", ".join(limiting.get(day, [])) or say("nothing", info),
                *(cells.get((day, name), "") for name in resources),
            )
            for day in found
        ),
        align=("left",) * (2 + len(resources)),
        places=("name", "first named", *("named",) * len(resources)),
        kind="cards order",
        empty="" if tables.all_picked(week) else say("Nothing is picked or milled in these days.", info),
    )


def arrivals_table(week: tables.Week, *, days: int = 7) -> sheet.DisplayTable:
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
    crop = display_unit(info, "crop")
    end = pd.Timestamp(info["as_of"]) + pd.Timedelta(days=days)
    rows = week.mill[(week.mill["day"] < end) & (week.mill["crop_t"].astype(float) > 0)]

    def amount(tonnes: float) -> str:
        return number_text(crop.of(tonnes), info)

    found = []
    for day, part in rows.groupby("day", sort=True):
        lots = part[crop.of(part["crop_t"].astype(float)) >= LEAST_LOT].sort_values("crop_t", ascending=False)
        found.append(
            (
                day_text(day, info, "MMMEd"),
                amount(part["crop_t"].sum()),
                amount(part["limit_t"].max()) if part["limit_t"].max() > 0 else say("closed", info),
                "; ".join(
                    f"{sheet.lot_text(lot, info)}: {amount(t)}"
                    for lot, t in zip(lots["lot"].astype(str), lots["crop_t"], strict=True)
                ),
            )
        )
    return sheet.DisplayTable(
        caption=say("Fruit to the mill by day, mean of the scenarios; lots in {unit}", info, unit=crop.label),
        headings=tuple(say(h, info) for h in (mark("Day"), mark("Fruit"), mark("Limit"), mark("Lots"))),
        units=("", crop.label, crop.label, ""),
        rows=tuple(found),
        align=("left", "right", "right", "left"),
        places=("name", "", "", "line"),
        kind="cards",
        empty="" if tables.all_picked(week) else say("No fruit goes to the mill in these days.", info),
    )


def shapes_table(week: tables.Week) -> sheet.DisplayTable:
    """Weight of each curve shape by cultivar: how much each had to say in the average."""
    rows = week.shapes
    return _table(
        week,
        mark("Shapes of the oil curve and their weights"),
        (mark("Cultivar"), mark("Shape"), mark("Weight")),
        ("", "", "%"),
        [
            (
                str(row.cultivar),
                say(sheet.SHAPES.get(str(row.shape), str(row.shape)), week.info),
                number_text(100 * float(row.weight), week.info),
            )
            for row in rows[rows["weight"].astype(float) >= sheet.LEAST_WEIGHT].itertuples()
        ],
        mark("No curves were fitted."),
    )


def week_effects_table(week: tables.Week) -> sheet.DisplayTable:
    """Error that all samples of a week share (one laboratory day, one rain), as the fit sees it."""
    return _table(
        week,
        mark("What all samples of a week and laboratory had in common"),
        (mark("Week and laboratory"), mark("Shift")),
        ("", "%"),
        [(str(row.week), number_text(100 * float(row.effect), week.info, 1)) for row in week.week_effects.itertuples()],
        mark("No common shift was found."),
    )


def _table(week, caption, headings, units, rows, empty) -> sheet.DisplayTable:
    numbers = len(headings) - 1
    return sheet.DisplayTable(
        caption=say(caption, week.info),
        headings=tuple(say(heading, week.info) for heading in headings),
        units=tuple(units),
        rows=tuple(rows),
        align=("left",) * numbers + ("right",),
        places=("name", *("first",) * (numbers - 1), ""),
        kind="cards",
        empty=say(empty, week.info),
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
    body = [
        _failures(week, reports[reports["status"] == "failed"]),
        page.answer(*_order_answer(week)),
        '<ul class="ways">',
    ]
    question, first = mark("Which block next?"), ["pick_order", "what_if"]
    if tables.all_picked(week):
        question, first = mark("What did this season teach?"), ["season_end", "pick_order"]
    body.append(_way(week, mark("Farm manager"), question, _first_blocks(week), links, first))
    body.append(
        _way(
            week,
            mark("Agronomist"),
            mark("Are the curves right?"),
            _sentence(_curves_line(week)),
            links,
            [key for key in ("curve_review", "season_check", "lookback", "season_end") if key not in first],
        )
    )
    body.append(
        _way(
            week,
            mark("Consultant, mill"),
            mark("What goes out?"),
            _sentence(_reports_line(week, reports), *_mill_answer(week)[:1]),
            links,
            ["mill_week"],
            more=f'<a href="#growers">{html.escape(say("Grower reports", info))}</a>',
        )
    )
    title = html.escape(say("Grower reports", info))
    body += ["</ul>", f'<h2 id="growers">{title}</h2>', _growers_table(week, reports)]
    if len(older):
        earlier = say("Made from earlier records of this week: {reports}.", info, reports=", ".join(older["key"]))
        body.append(f'<p class="note">{html.escape(earlier)}</p>')
    body += [f'<p class="note">{html.escape(note)}</p>' for note in notes]
    body.append(
        '<p class="note">'
        + say(
            "Every table of these pages lies in the folder {data}, as CSV and Parquet; {manifest} holds the "
            "fingerprint of every file read and written.",
            info,
            data="<code>data</code>",
            manifest="<code>manifest.json</code>",
        )
        + "</p>"
    )
    if "zip" in reports and reports["zip"].astype(bool).any():
        ready = say(
            "One message and one archive for each grower lie ready in the folder {send}; nothing was sent.",
            info,
            send="<code>send</code>",
        )
        body.append(f'<p class="note">{ready}</p>')
    day = day_text(info["as_of"], info, "yMMMd")
    sub = f"{info['name']}, {info['place']} · {_extent(week)}"
    text = page.wrap(
        "\n".join(part for part in body if part),
        title=f"{say('Harvest week of {day}', info, day=day)} - {info['name']}",
        banner=f"<header><h1>{say('Harvest week of {day}', info, day=f'<span>{html.escape(day)}</span>')}</h1>"
        f'<p class="sub">{html.escape(sub)}</p></header>',
        locale=str(info["locale"]),
        provenance=sheet.provenance(week),
    )
    page.check_page(text)
    return text


def _sentence(*parts: str) -> str:
    return f"<p>{html.escape(' '.join(part for part in parts if part))}</p>"


def _failures(week: tables.Week, failed: pd.DataFrame) -> str:
    if failed.empty:
        return ""
    info, n = week.info, len(failed)
    first = say_count("{n} report could not be made.", "{n} reports could not be made.", n, info)
    rest = say("The others are complete. Mend the cause and run again: only what is missing is made.", info)
    rows = "".join(
        f"<li><strong>{html.escape(row.key)}</strong>: {html.escape(row.error)}</li>" for row in failed.itertuples()
    )
    return f'<div class="caution"><p><strong>{html.escape(first)}</strong> {html.escape(rest)}</p><ul>{rows}</ul></div>'


def _way(
    week: tables.Week,
    reader: str,
    question: str,
    line: str,
    links: pd.DataFrame,
    keys: Sequence[str],
    *,
    more: str = "",
) -> str:
    reader, question = (html.escape(say(text, week.info)) for text in (reader, question))
    found = []
    for key in keys:
        if key not in links.index or not links.at[key, "html"]:
            continue
        word = say(_WORDS[key], week.info)
        pdf, label = links.at[key, "pdf"], html.escape(say("{page} as PDF", week.info, page=word))
        found.append(
            f'<li><a href="{html.escape(links.at[key, "html"])}">{word}</a>'
            + (f' <a href="{html.escape(pdf)}" aria-label="{label}">PDF</a>' if pdf else "")
            + "</li>"
        )
        book = str(links.at[key, "xlsx"]) if "xlsx" in links else ""
        if book:
            label = html.escape(say("Numbers of {page} as a workbook", week.info, page=word))
            numbers = html.escape(say("Numbers", week.info))
            found.append(f'<li><a href="{html.escape(book)}" aria-label="{label}">{numbers} (XLSX)</a></li>')
    if more:
        found.append(f"<li>{more}</li>")
    return (
        f'<li><p class="reader">{reader}</p><h2>{question}</h2>{line}'
        f'<ul class="links">{"".join(found)}</ul></li>'
    )


def _curves_line(week: tables.Week) -> str:
    """The agronomist's answer, short enough for three answers on one phone screen."""
    first, _ = _curves_answer(week)
    doubtful = len(tables.doubtful(week))
    if doubtful:
        return f"{first} {count_text(doubtful, 'doubtful sample', info=week.info)}."
    return f"{first} {say('No doubtful sample.', week.info)}"


def _first_blocks(week: tables.Week) -> str:
    rows = tables.planned(week).head(3)
    if tables.all_picked(week):
        return _sentence(say("What the season taught, and what was picked.", week.info))
    if rows.empty:
        return _sentence(say("No block is to be picked in the days ahead.", week.info))
    return (
        '<ol class="soon">'
        + "".join(
            f"<li><span>{html.escape(str(row['block_name']))}</span>"
            f" <span>{html.escape(tables.when_text(row, week))}</span></li>"
            for row in rows.to_dict("records")
        )
        + "</ol>"
    )


def _reports_line(week: tables.Week, reports: pd.DataFrame) -> str:
    info, growers = week.info, reports[reports["notebook"] == "grower_report"]
    ready, failed = int((growers["status"] != "failed").sum()), int((reports["status"] == "failed").sum())
    line = say_count("{n} grower report ready", "{n} grower reports ready", ready, info)
    tail = say_count("{n} report failed", "{n} reports failed", failed, info) if failed else say("nothing failed", info)
    return f"{line}; {tail}."


def _growers_table(week: tables.Week, reports: pd.DataFrame) -> str:
    crop = display_unit(week.info, "crop")
    by_grower = reports[reports["notebook"] == "grower_report"].set_index("grower_id")
    planned = tables.planned(week).groupby("grower_id", sort=False).head(1).set_index("grower_id")
    info, ready = week.info, say("ready to read", week.info)
    words = {"made": ready, "unchanged": ready, "older": say("earlier records", info), "failed": say("failed", info)}
    labels = {name: html.escape(say(name, info)) for name in ("Next pick", "Blocks", "Crop left", "Report")}
    left = set(week.order.loc[week.order["status"] != "picked", "grower_id"])
    rows = []
    for row in week.growers.sort_values("grower").itertuples():
        name, pdf, state = html.escape(str(row.grower)), "", say("not made", info)
        if row.grower_id in by_grower.index:
            report = by_grower.loc[row.grower_id]
            state = words[report["status"]]
            if report["html"]:
                name = f'<a href="{html.escape(report["html"])}">{name}</a>'
            if report["pdf"]:
                label = html.escape(say("{page} as PDF", info, page=str(row.grower)))
                pdf = f'<a href="{html.escape(report["pdf"])}" aria-label="{label}">PDF</a>'
        next_pick = say("no pick planned", info) if row.grower_id in left else say("all picked", info)
        if row.grower_id in planned.index:
            block = planned.loc[row.grower_id]
            next_pick = f"{block['block_name']}, {tables.when_text(block, week)}"
        trouble = " trouble" if state == words["failed"] else ""
        rows.append(
            f'<tr role="row"><th scope="row" role="rowheader">{name}</th>'
            f'<td role="cell" data-label="{labels["Next pick"]}">{html.escape(next_pick)}</td>'
            f'<td role="cell" class="number" data-label="{labels["Blocks"]}">{int(row.blocks_n)}</td>'
            f'<td role="cell" class="number" data-label="{labels["Crop left"]}" data-unit="{html.escape(crop.label)}">'
            f"{html.escape(number_text(crop.of(row.crop_t), week.info))}</td>"
            f'<td role="cell" data-label="{labels["Report"]}">'
            f'<span class="state{trouble}">{state}</span> {pdf}</td></tr>'
        )
    headings = (
        (say("Grower", info), ""),
        (say("Next pick", info), ""),
        (say("Blocks", info), "number"),
        (f"{say('Crop left', info)}, {crop.label}", "number"),
        (say("Report", info), ""),
    )
    caption = say("A grower's report holds only that grower's blocks.", info)
    cells = "".join(
        f'<th scope="col" role="columnheader" class="{css}">{html.escape(text)}</th>' for text, css in headings
    )
    return (
        f'<div class="table"><table role="table" class="cards"><caption>{html.escape(caption)}</caption>'
        f'<thead role="rowgroup"><tr role="row">{cells}</tr></thead>'
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
        f'<li><a href="{html.escape(name)}/index.html">'
        f"{html.escape(say('Week of {day}', info, day=day_text(name, info, 'yMMMd')))}</a></li>"
        for name in weeks
    )
    text = page.wrap(
        f"<ul>{links}</ul>",
        title=f"{say('Harvest weeks', info)} - {info['name']}",
        banner=f'<header><h1>{html.escape(say("Harvest weeks", info))}</h1>'
        f'<p class="sub">{html.escape(info["name"])}</p></header>',
        locale=str(info["locale"]),
        provenance=f"olivetime {info['version']}",
    )
    page.check_page(text)
    return text
