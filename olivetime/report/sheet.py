"""The week's tables as people read them: text cells in display units, as HTML, on a terminal, as lists on a phone.

Every table here is a `DisplayTable` made from a finished `Week`; nothing is computed that the week does not hold.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from olivetime.harvest.grades import STANDARDS
from olivetime.languages import mark, said, say, say_count
from olivetime.records.columns import TABLES
from olivetime.records.told import told
from olivetime.report.tables import (
    Week,
    all_picked,
    doubtful,
    flags_text,
    planned,
    reason_text,
    target_text,
    texts_of,
    told_text,
    truths,
    verdict_text,
    when_text,
    worth_sampling,
)
from olivetime.words import Unit, chance_text, day_text, days_text, display_unit, money_text, number_text

if TYPE_CHECKING:
    from olivetime.harvest.past import Hindcast


# ---------------------------------------------------------------------------------------------------------
# Tables to show
@dataclass(frozen=True)
class DisplayTable:
    """A table as people read it: all text, in display units.

    Attributes
    ----------
    caption : str
        Says what the table shows; never empty.
    headings, units : tuple of str
        One per column; the unit is "" where there is none.
    rows : tuple of tuple of str
        The first cell of a row names it.
    align : tuple of str
        "left" or "right" per column.
    places : tuple of str
        Where a cell goes on a phone's card: "name", "when", "first", "line", "named" (with its label) or "".
    kind : str
        "cards order" (the order list on phones), "cards" (label and value on phones) or "" (stays a table).
    empty : str
        The sentence shown instead of a table without rows; "" where nothing at all is to be shown.
    others, elsewhere : str
        Of a table of more than `MANY_ROWS` rows: the line that opens those beyond, and what paper says in their place.
    """

    caption: str
    headings: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: tuple[str, ...]
    places: tuple[str, ...]
    kind: str = "cards"
    empty: str = "Nothing to show."
    others: str = ""
    elsewhere: str = ""


# Rows of a table that stand open on a page and are printed: 1,776 blocks took a minute and a half and 1.2 GB to print.
MANY_ROWS = 200
Column = tuple[str, str, Iterable[str], str]


def _display(
    caption: str,
    columns: Sequence[Column],
    info: Mapping[str, Any] | str,
    *,
    kind: str = "cards",
    empty: str = "Nothing to show.",
) -> DisplayTable:
    """Table from (heading, unit, cells, style) columns; style is a place, "number", or both ("number line").

    Headings and units are said in the language of `info` here; caption, cells and `empty` come said.
    """
    headings, units, cells, styles = zip(*columns, strict=True)
    rows = tuple(zip(*map(tuple, cells), strict=True))
    others = elsewhere = ""
    if len(rows) > MANY_ROWS + MANY_ROWS // 10:  # a few more are no trouble
        page_info = {"locale": info} if isinstance(info, str) else info
        others = say("The other {n} rows", info, n=number_text(len(rows) - MANY_ROWS, page_info))
        elsewhere = say("{table}: on the web page of this report, and in the folder data.", info, table=others)
    return DisplayTable(
        caption=caption,
        headings=tuple(say(heading, info) for heading in headings),
        units=tuple(say(unit, info) for unit in units),
        rows=rows,
        align=tuple("right" if "number" in s else "left" for s in styles),
        places=tuple(s.replace("number", "").strip() for s in styles),
        kind=kind,
        empty=empty,
        others=others,
        elsewhere=elsewhere,
    )


def html_table(table: DisplayTable) -> str:
    """HTML of a table: caption, header cells with scope, every text escaped; lists on phones by the page's style.

    Parameters
    ----------
    table : DisplayTable
        Any of the tables below.

    Returns
    -------
    str
        <div class="table"><table>...</table></div>, or a paragraph with `empty` when there are no rows. Of a very long
        table the first `MANY_ROWS` rows; the others follow behind a line that opens them, and are not printed.
        Roles are written out because a table restyled as a list loses them in some readers (from memory).
    """
    esc = html.escape
    if not table.rows:
        return f'<p class="note">{esc(table.empty)}</p>' if table.empty else ""
    number = ["number" if side == "right" else "" for side in table.align]
    few = len(table.headings) <= ROOMY_COLUMNS
    head = "".join(
        f'<th scope="col" role="columnheader"{_css(n)}>{esc(h)}{f" <span>{esc(u)}</span>" if u else ""}</th>'
        for h, u, n in zip(table.headings, table.units, number, strict=True)
    )
    body = []
    for row in table.rows:
        cells = [f'<th scope="row" role="rowheader"{_css(_kept(row[0], SHORT_NAME))}>{esc(row[0])}</th>']
        for j in range(1, len(row)):
            label, unit = esc(table.headings[j]), esc(table.units[j])
            shown = f' data-label="{label}"' + (f' data-unit="{unit}"' if unit and row[j] else "")
            whole = (few or table.places[j] == "line") and not number[j] and table.places[j] != "when"
            kept = _kept(row[j]) if whole else ""
            css = _css(number[j], table.places[j], kept if row[j] else "empty")
            cells.append(f'<td role="cell"{css}{shown}>{esc(row[j])}</td>')
        body.append(f'<tr role="row">{"".join(cells)}</tr>')

    def part(caption: str, rows: Sequence[str]) -> str:
        return (
            f'<div class="table"><table role="table"{_css(table.kind)}><caption>{esc(caption)}</caption>'
            f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
            f'<tbody role="rowgroup">{"".join(rows)}</tbody></table></div>'
        )

    if not table.others:
        return part(table.caption, body)
    return (
        f"{part(table.caption, body[:MANY_ROWS])}"
        f'<details class="screen"><summary>{esc(table.others)}</summary>'
        f"{part(f'{table.caption}: {table.others}', body[MANY_ROWS:])}</details>"
        f'<p class="note paper">{esc(table.elsewhere)}</p>'
    )


def _nothing(table: DisplayTable) -> str:
    """What stands for a table without rows on a terminal, which has no heading above it."""
    if not table.empty:
        return ""
    return f"{re.split('[;:]', table.caption)[0]}: {table.empty[:1].lower()}{table.empty[1:]}"


def _while_picking(week: Week, sentence: str) -> str:
    """What a table of the days ahead says when it has no rows: nothing once all is picked, which the page says once."""
    return "" if all_picked(week) else sentence


# Names, dates and notes of so few letters stay on one line; dates not in tables of so many columns that they must wrap.
SHORT_NAME, SHORT_CELL, ROOMY_COLUMNS = 18, 15, 9


def _kept(text: str, most: int = SHORT_CELL) -> str:
    return "short" if " " in text and len(text) <= most else ""


def _css(*names: str) -> str:
    kept = " ".join(name for name in names if name)
    return f' class="{html.escape(kept)}"' if kept else ""


def text_table(table: DisplayTable) -> str:
    """The same table for a terminal: caption, headings, rows in columns, at most 44 characters a cell."""
    if not table.rows:
        return _nothing(table)
    heads = [f"{h}, {u}" if u else h for h, u in zip(table.headings, table.units, strict=True)]
    keep = [j for j in range(len(heads)) if any(row[j] for row in table.rows)]
    cells = [[heads[j] for j in keep]] + [[_clip(row[j], 44) for j in keep] for row in table.rows]
    widths = [max(len(row[i]) for row in cells) for i in range(len(keep))]
    lines = [
        "  ".join(
            c.rjust(w) if table.align[j] == "right" else c.ljust(w) for c, w, j in zip(row, widths, keep, strict=True)
        ).rstrip()
        for row in cells
    ]
    return "\n".join([table.caption, lines[0], "-" * len(lines[0]), *lines[1:]])


def _clip(text: str, most: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= most else text[: most - 1] + "…"


def _said(values: Iterable[Any], info: Mapping[str, Any] | str) -> list[str]:
    """Texts that other rooms wrote, in the language of the page."""
    return [said(text, info) for text in texts_of(values)]


def _numbers(values: Iterable[Any], info: Mapping[str, Any], digits: int = 0) -> list[str]:
    return [number_text(v, info, digits) for v in values]


def _quantity(week: Week, quantity: str, values: pd.Series) -> tuple[str, list[str]]:
    unit = display_unit(week.info, quantity)
    return unit.label, _numbers(unit.of(values.astype(float)), week.info, unit.digits)


def _area(week: Week, values: pd.Series) -> Column:
    return (mark("Area"), *_quantity(week, "area", values), "number")


def _crop(week: Week, values: pd.Series) -> Column:
    return (mark("Crop"), *_quantity(week, "crop", values), "number")


def _money(week: Week, values: Iterable[Any]) -> list[str]:
    return [money_text(v, week.info) for v in values]


def _names(week: Week, block_ids: Iterable[Any]) -> list[str]:
    known = dict(zip(week.stage["block_id"], week.stage["block_name"], strict=True))
    return ["" if b is None or b is pd.NA or b != b else str(known.get(b, b)) for b in block_ids]


def _numbered(rows: pd.DataFrame) -> list[str]:
    return [
        f"{r:.0f}. {n}" if pd.notna(r) else str(n)
        for r, n in zip(rows["rank"].astype("Float64"), rows["block_name"], strict=True)
    ]


def _with_certification(rows: pd.DataFrame, info: Mapping[str, Any]) -> list[str]:
    return [
        say("{cultivar}, organic", info, cultivar=c) if o else str(c)
        for c, o in zip(rows["cultivar"], truths(rows["organic"]), strict=True)
    ]


def order_table(week: Week, *, limit: int | None = None) -> DisplayTable:
    """The farm manager's order: number, block, when; below it cultivar, area, crop, oil, harvester, notes."""
    rows = planned(week).head(limit or len(week.order))
    unit, yields = _quantity(
        week, "yield", 1000 * rows["paid_oil_kg"].astype(float) / (1000 * rows["crop_t"].astype(float))
    )
    columns: list[Column] = [
        (mark("Block"), "", _numbered(rows), "name"),
        (mark("When"), "", [when_text(r, week) for r in rows.to_dict("records")], "when"),
        (mark("Cultivar"), "", _with_certification(rows, week.info), "first"),
        _area(week, rows["area_ha"]),
        _crop(week, rows["crop_t"]),
        (mark("Oil, fresh"), "%", _numbers(rows["oil_fresh_pct"], week.info, 1), "number named"),
        (mark("Paid oil"), unit, yields, "number"),
        (mark("Harvester"), "", texts_of(rows["harvester_id"]), ""),
        (mark("Worth"), "", _money(week, rows["value"]), "number"),
        (mark("Note"), "", [flags_text(f, week.info) for f in rows["flags"]], "line"),
    ]
    return _display(
        say("Harvest order; crop, oil and worth on the day of picking", week.info),
        columns,
        week.info,
        kind="cards order",
        empty=_while_picking(week, say("No block is to be picked in the days ahead.", week.info)),
    )


def not_planned(week: Week) -> DisplayTable:
    """Blocks without a place in the order, and why."""
    rows = week.order[week.order["rank"].isna() & (week.order["status"] != "picked")]
    return _display(
        say("Blocks without a place in the order", week.info),
        [
            (mark("Block"), "", texts_of(rows["block_name"]), "name"),
            (mark("State"), "", _said(rows["status"], week.info), "when"),
            (mark("Cultivar"), "", _with_certification(rows, week.info), "first"),
            (mark("Why"), "", _said(rows["why_not"], week.info), "line"),
        ],
        week.info,
        kind="cards order",
        empty="",
    )


def next_days(week: Week, *, days: int = 3) -> DisplayTable:
    """The clock of the next days: who picks where from when to when, trucks, and when fruit reaches the mill."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    rows = planned(week)
    rows = rows[rows["start_at"] < end].sort_values(["start_at", "rank"], ignore_index=True)
    clock = [f"{day_text(a, week.info)} {a:%H:%M}" for a in rows["start_at"]]
    until = [
        f"{b:%H:%M}" if a.normalize() == b.normalize() else f"{day_text(b, week.info)} {b:%H:%M}"
        for a, b in zip(rows["start_at"], rows["end_at"], strict=True)
    ]
    at_mill = ["" if pd.isna(t) else f"{day_text(t, week.info)} {t:%H:%M}" for t in rows["to_mill_at"]]
    return _display(
        say_count(
            "The clock of the next {n} day (middle scenario)",
            "The clock of the next {n} days (middle scenario)",
            days,
            week.info,
        ),
        [
            (mark("Block"), "", _numbered(rows), "name"),
            (mark("From"), "", clock, "when"),
            (mark("To"), "", until, "first named"),
            (mark("Harvester"), "", texts_of(rows["harvester_id"]), ""),
            (mark("Picking"), "h", _numbers(rows["hours_h"], week.info, 1), "number named"),
            (mark("Moving"), "h", _numbers(rows["move_h"], week.info, 1), "number named"),
            _crop(week, rows["crop_t"]),
            (mark("Truck loads"), "", _numbers(rows["truck_loads"], week.info), "number named"),
            (mark("First fruit at the mill"), "", at_mill, "named"),
            (mark("Wait at the mill"), "h", _numbers(rows["wait_h"], week.info, 1), "number named"),
        ],
        week.info,
        kind="cards order",
        empty=_while_picking(week, say("No picking is planned in these days.", week.info)),
    )


def clock_table(hours: pd.DataFrame, week: Week) -> DisplayTable:
    """The next two days by the clock: what machines, trucks and mill do (of `olivetime.harvest.clock.clock`)."""
    return _display(
        say("The next 48 hours, in the middle scenario", week.info),
        [
            (mark("From"), "", [f"{day_text(a, week.info, 'MMMEd')} {a:%H:%M}" for a in hours["from_at"]], "name"),
            (mark("To"), "", [f"{b:%H:%M}" for b in hours["to_at"]], ""),
            (mark("Who"), "", _said(hours["who"], week.info), ""),
            (mark("Does"), "", _said(hours["what"], week.info), ""),
            (mark("Block"), "", _names(week, hours["block_id"]), ""),
            _crop(week, hours["crop_t"]),
            (mark("Load"), "", ["" if pd.isna(n) else str(n) for n in hours["load_n"]], "number"),
            (mark("Note"), "", _said(hours["note"], week.info), "line"),
        ],
        week.info,
        empty=_while_picking(week, say("No picking is planned in these days.", week.info)),
    )


def why_table(week: Week, *, limit: int | None = None) -> DisplayTable:
    """Why each block stands where it does, and what waiting one, three or seven days costs."""
    rows = planned(week).head(limit or len(week.order))
    return _display(
        say("Why this order, and what the whole order loses at least when a block waits", week.info),
        [
            (mark("Block"), "", _numbered(rows), "name"),
            (mark("Why this day"), "", [reason_text(r, week.info) for r in rows.to_dict("records")], "line"),
            (mark("Waiting 1 day"), "", _money(week, rows["waiting_1d"]), "first named number"),
            (mark("3 days"), "", _money(week, rows["waiting_3d"]), "number named"),
            (mark("7 days"), "", _money(week, rows["waiting_7d"]), "number named"),
            (mark("7 days, planned again"), "", _money(week, rows["waiting_exact"]), "number named"),
        ],
        week.info,
        kind="cards order",
        empty=_while_picking(week, say("No block has a place in the order.", week.info)),
    )


def stage_table(week: Week) -> DisplayTable:
    """The agronomist's table: where every block stands on both bases, and when it reaches the target."""
    rows, info = week.stage, week.info
    return _display(
        say("Where the blocks stand; target: {target}", week.info, target=target_text(week)),
        [
            (mark("Block"), "", texts_of(rows["block_name"]), "name"),
            (mark("Target reached"), "", [_at_target(r, week) for r in rows.to_dict("records")], "when"),
            (mark("Cultivar"), "", _with_certification(rows, week.info), "first"),
            (mark("Oil, dry"), "%", _ranges(rows, "oil_dry_now", info), "number"),
            (mark("Oil, fresh"), "%", _numbers(rows["oil_fresh_now_p50_pct"], info, 1), "number"),
            (mark("Moisture"), "%", _numbers(rows["moisture_now_p50_pct"], info, 1), "number"),
            (mark("Maturity"), "0-7", _numbers(rows["maturity_now_p50"], info, 1), "number"),
            (mark("Plateau, dry"), "%", _ranges(rows, "plateau_dry", info), "number"),
            (mark("Samples"), "", _numbers(rows["samples_n"], info), "number"),
            (mark("Newest sample"), mark("d old"), _numbers(rows["sample_age_d"], info), "number"),
            (mark("From other blocks"), "%", _numbers(100 * rows["borrowed_fraction"].astype(float), info), "number"),
            (mark("Never reaches it"), "", [chance_text(v, week.info) for v in rows["never_chance"]], "number"),
        ],
        week.info,
        empty=say("No blocks.", week.info),
    )


def _ranges(rows: pd.DataFrame, stem: str, info: Mapping[str, Any]) -> list[str]:
    low, mid, high = (_numbers(rows[f"{stem}_{p}_pct"], info, 1) for p in ("p10", "p50", "p90"))
    return [f"{m} ({a}–{b})" if a and b else m for a, m, b in zip(low, mid, high, strict=True)]


def capacity_by_day(week: Week, *, days: int = 14) -> DisplayTable:
    """What limits each day: every resource's limit and use; the one that binds is named."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    rows = week.capacity[week.capacity["day"] < end]
    used = 100 * rows["used"].astype(float) / rows["limit"].astype(float).where(rows["limit"].astype(float) > 0)
    return _display(
        say("What limits each day", week.info),
        [
            (mark("Day"), "", [day_text(d, week.info, "MMMEd") for d in rows["day"]], "name"),
            (mark("Resource"), "", _said(rows["resource"], week.info), "first"),
            (mark("Limit"), "", _with_units(week, rows, "limit"), "number"),
            (mark("Used"), "", _with_units(week, rows, "used"), "number"),
            (mark("Share used"), "%", _numbers(used, week.info), "number"),
            (
                "",
                "",
                [say("limits the day", week.info) if b else "" for b in truths(rows["binding"])],
                "",
            ),
        ],
        week.info,
        empty=say("No capacity is known.", week.info),
    )


def _with_units(week: Week, rows: pd.DataFrame, column: str) -> list[str]:
    crop, area = display_unit(week.info, "crop"), display_unit(week.info, "area")
    shown = []
    for value, unit in zip(rows[column].astype(float), rows["unit"].astype(str), strict=True):
        scale = crop if unit == "t" else area if unit == "ha" else Unit(unit, digits=1)
        text = number_text(scale.of(value), week.info, scale.digits)
        shown.append(f"{text} {scale.label}" if text else "")
    return shown


def rules_table(week: Week) -> DisplayTable:
    """The plan's value beside simple rules of thumb, each as a share of the best that could be reached at most."""
    info, rows = week.info, week.rules
    bound = info.get("bound")
    share = float(info["value"]) / float(bound) if info.get("value") is not None and bound else np.nan
    names, values = [say("this order", info), *_said(rows["rule"], info)], [info.get("value"), *rows["value"]]
    shares = [share, *rows["share_of_bound"].astype(float)]
    behind = [None if info.get("value") is None else float(v) - float(info["value"]) for v in values]
    return _display(
        say("This order against rules of thumb", week.info),
        [
            (mark("Rule"), "", names, "name"),
            (mark("Worth"), "", _money(week, values), "number"),
            (mark("Against this order"), "", ["", *_money(week, behind[1:])], "number"),
            (
                mark("Of the most possible"),
                "%",
                _numbers(100 * np.asarray(shares, dtype=float), info, 1),
                "number",
            ),
        ]
        if len(rows)
        else [(mark("Rule"), "", [], "name")],
        week.info,
        empty=say("No rules were compared.", week.info),
    )


def findings_table(
    findings: pd.DataFrame, *, most: int | None = None, names: Mapping[str, str] | None = None,
    info: Mapping[str, Any] | str = "en",
) -> DisplayTable:  # fmt: skip
    """What is wrong or missing in the records, gravest first, and what to do.

    Parameters
    ----------
    findings : DataFrame
        week.findings or season.findings.
    most : int, optional
        Show no more rows than this; the caption says how many there are.
    names : mapping, optional
        Block names by block_id, for readers who do not keep the records: the block is told in place of file and row,
        and columns in words.
    info : mapping or str
        Language of the page: week.info or a locale.
    """
    grave = {"error": 0, "warning": 1, "note": 2}
    rows = findings.assign(n=findings["level"].map(grave)).sort_values("n", kind="stable")
    total, rows = len(rows), rows.head(len(rows) if most is None else most)
    words = told(rows, info)
    # The sentence says where it is, but for the column of a file; what is found in no file may name it, and that it is
    # about days is plain. Only what has no sentence of its own has nothing but its table.
    where = []
    for w, t, c, file in zip(
        texts_of(words["where"]), *(texts_of(rows[name]) for name in ("table", "column", "file")), strict=True
    ):
        named = not c or w.endswith(f", {c}") or (c == "day" and not file and w)
        where.append(", ".join(dict.fromkeys(p for p in (w or t, "" if named else c) if p)))
    # That nothing need be done says itself where nothing stands.
    todo = ["" if raw == "Nothing." else do for raw, do in zip(rows["do"], texts_of(words["do"]), strict=True)]
    found = texts_of(words["found"])
    if names is not None:
        where = [_blocks_named(says, names) or w for says, w in zip(texts_of(rows["says"]), where, strict=True)]
        where, found, todo = ([_columns_in_words(text, info) for text in texts] for texts in (where, found, todo))
    caption = say("Findings in the records", info)
    if len(rows) < total:
        caption = say("Findings in the records, {n} of {total}", info, n=len(rows), total=total)
    return _display(
        caption,
        [
            (mark("Where"), "", where, "name"),
            (mark("Level"), "", _said(rows["level"], info), "when"),
            (mark("Found"), "", [_sentence(text) for text in found], "line"),
            (mark("Do"), "", todo, "line"),
        ],
        info,
        kind="cards order",
        empty=say("Nothing was found wrong in the records.", info),
    )


def own_findings_table(week: Week) -> DisplayTable:
    """What is wrong or missing in one grower's records, by block and in words: the files are somebody else's.

    Parameters
    ----------
    week : Week
        One grower's part of the week.
    """
    names = dict(zip(week.stage["block_id"], week.stage["block_name"], strict=True))
    return findings_table(week.findings, names=names, info=week.info)


def _blocks_named(text: str, names: Mapping[str, str]) -> str:
    """Names of the blocks of which a text holds the id, "" without one."""
    held = [name for block_id, name in names.items() if re.search(rf"(?<![\w-]){re.escape(block_id)}(?![\w-])", text)]
    return ", ".join(held)


def _columns_in_words(text: str, info: Mapping[str, Any] | str) -> str:
    return re.sub(
        r"\b[a-z]+(?:_[a-z0-9]+)+\b",
        lambda found: say(words, info) if (words := COLUMN_WORDS.get(found[0], RULE_WORDS.get(found[0]))) else found[0],
        text,
    )


def _sentence(text: str) -> str:
    """A finding with a capital, unless it begins with a name of a column or file, which is quoted as it is written."""
    first = text.split(" ", 1)[0].rstrip(":,")
    return text[:1].upper() + text[1:] if first.isalpha() and first not in _COLUMN_NAMES else text


_COLUMN_NAMES = frozenset(column.name for table in TABLES.values() for column in table)


# Rules and columns as pages call them; season.toml and the workbooks keep the names of the first column.
RULE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "age_risk_per_h": mark("grade: risk for each hour of waiting"),
        "caution_fraction": mark("weight of the worst weather"),
        "cold_spot_from": mark("cold spots: whose word counts"),
        "colder_c": mark("cold entered in the records"),
        "corrector_fraction": mark("oil that stays in the pomace"),
        "drop_pct_per_day_after": mark("fruit drop past maturity 4"),
        "drop_pct_per_day_before": mark("fruit drop up to maturity 4"),
        "dry_days_cap": mark("longest drying of the ground"),
        "dry_days_heavy": mark("drying of heavy soil"),
        "dry_days_light": mark("drying of light soil"),
        "dry_days_medium": mark("drying of medium soil"),
        "early_full_maturity": mark("early oil: maturity of the whole premium"),
        "early_none_maturity": mark("early oil: maturity without premium"),
        "early_premium_fraction": mark("early oil: premium"),
        "fly_risk_at_30pct": mark("fly: risk at 30 % of holes"),
        "fly_risk_from_holes_pct": mark("fly: holes that do no harm"),
        "frost_damage_per_c": mark("frost: loss for each degree"),
        "frost_loss_day0_fraction": mark("frost: part of it lost the same day"),
        "frost_loss_day1_fraction": mark("frost: part of it lost a day later"),
        "frost_mention_chance": mark("frost: chance from which pages speak of it"),
        "frost_threshold_c": mark("frost: night low that harms fruit"),
        "good_window_share": mark("good days: most that they may lose"),
        "heat_lower_c": mark("warmth: coldest that ripens fruit"),
        "heat_upper_c": mark("warmth: hottest that adds any"),
        "hours_held_back_fraction": mark("workable hours held back"),
        "keep_days": mark("promises: days in which they are kept"),
        "keep_gain_per_block": mark("promises: gain that moves a block"),
        "late_full_maturity": mark("late oil: maturity of the whole premium"),
        "late_none_maturity": mark("late oil: maturity without premium"),
        "late_premium_fraction": mark("late oil: premium"),
        "leaf_wet_h": mark("leaves wet after rain"),
        "move_km_unknown": mark("moves between unknown places"),
        "outlook_max_age_d": mark("oldest outlook that is used"),
        "outlook_trust_d": mark("trust in the outlook"),
        "over_ripe_maturity": mark("over-ripe: maturity from which grade is at risk"),
        "over_ripe_risk_per_unit": mark("over-ripe: risk for each unit more"),
        "plan_scenarios": mark("scenarios of the plan"),
        "rain_day_mm": mark("rain that makes a rainy day"),
        "rain_likely_chance": mark("rain: chance from which it is called likely"),
        "rain_stop_mm": mark("rain that stops picking"),
        "range_memory_weeks": mark("past weeks that widen the ranges"),
        "removal_fraction": mark("fruit that the harvester takes"),
        "road_factor": mark("road for each straight distance"),
        "shift_max_h": mark("longest shift"),
        "shift_start_h": mark("start of shifts"),
        "wait_gain_fraction": mark("waiting: gain that lets a harvester stand"),
        "work_min_fraction": mark("least part of a shift worth starting"),
    }
)


# Columns of the records as growers call them: their pages speak of blocks, and not of files that somebody else keeps.
COLUMN_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "applied_on": mark("day of the spraying"),
        "area_ha": mark("area"),
        "base_oil_pct": mark("oil that the price is for"),
        "block_name": mark("name of the block"),
        "closed_from": mark("first closed day"),
        "closed_to": mark("last closed day"),
        "contract_id": mark("contract"),
        "crop_load": mark("crop load"),
        "crop_on": mark("day of the crop estimate"),
        "crop_sd_pct": mark("error of the crop estimate"),
        "crop_t_ha": mark("crop estimate"),
        "fallen_pct": mark("fallen fruit"),
        "fly_holes_pct": mark("fruit with fly holes"),
        "free_acid_pct": mark("free acidity"),
        "fruit_mass_g": mark("mass of a fruit"),
        "fruits_n": mark("fruit sampled"),
        "haul_km": mark("way to the mill"),
        "lat_deg": mark("latitude"),
        "lon_deg": mark("longitude"),
        "maturity_index": mark("maturity index"),
        "moisture_pct": mark("water in fresh fruit"),
        "net_t": mark("net weight"),
        "oil_dry_below_pct": mark("limit of the laboratory"),
        "oil_dry_pct": mark("oil in dry matter"),
        "oil_fresh_pct": mark("oil in fresh fruit"),
        "oil_out_kg": mark("oil made"),
        "organic_ok": mark("permission in organic growing"),
        "peroxide_meq_kg": mark("peroxide value"),
        "pick_after": mark("first day of picking"),
        "pick_before": mark("last day of picking"),
        "picked_on": mark("day of picking"),
        "plateau_dry_pct": mark("highest oil of the cultivar"),
        "price_fruit_t": mark("price of fruit"),
        "price_oil_kg": mark("price of oil"),
        "received_on": mark("day of the result"),
        "recorded_on": mark("day of the record"),
        "row_spacing_m": mark("row spacing"),
        "sampled_on": mark("day of the sample"),
        "slope_pct": mark("slope"),
        "station_id": mark("weather station"),
        "step_per_point": mark("step for each point of oil"),
        "tree_spacing_m": mark("tree spacing"),
        "trees_n": mark("trees sampled"),
        "wait_days": mark("waiting time of the label"),
    }
)


def assumptions_table(week: Week) -> DisplayTable:
    """Everything that was taken for granted, its value in display units, and where it comes from."""
    rows, info = week.assumptions, week.info
    amounts = [
        _amount(name, value, unit, info)
        for name, value, unit in zip(*(texts_of(rows[c]) for c in ("name", "value", "unit")), strict=True)
    ]
    says = [_decides(*both, info) for both in zip(texts_of(rows["says"]), rows["says_parts"], strict=True)]
    return _display(
        say("What was assumed", info),
        [
            (mark("Assumption"), "", [_rule_words(t, info) for t in texts_of(rows["name"])], "name"),
            (mark("Value"), "", [value for value, _ in amounts], "number"),
            (mark("Unit"), "", [unit for _, unit in amounts], ""),
            (mark("Says"), "", says, "line"),
            (mark("Source"), "", _said(rows["source"], info), ""),
        ],
        info,
        empty=say("Nothing beyond the records.", info),
    )


def _rule_words(name: str, info: Mapping[str, Any]) -> str:
    return say(RULE_WORDS[name], info) if name in RULE_WORDS else said(name.replace("_", " "), info)


def _amount(name: str, value: str, unit: str, info: Mapping[str, Any]) -> tuple[str, str]:
    """Value and unit of an assumption as the page's readers write them: their units, shares in %, money, the clock."""
    unit = "" if unit == "-" else unit
    try:
        number = float(value)
    except ValueError:
        text = re.sub(r"\d{4}-\d\d-\d\d", lambda day: day_text(day[0], info, "yMMMd"), said(value, info))
        text = re.sub(r"\b[a-z]+(?:_[a-z0-9]+)+\b", lambda found: _rule_words(found[0], info), text)
        return text, "" if unit == "C" else said(unit, info)
    temp, rain = display_unit(info, "temp"), display_unit(info, "rain")
    if unit == "currency":
        return money_text(number, info), ""
    if name == "shift_start_h":
        return f"{int(number):02d}:{round(number % 1 * 60):02d}", ""
    if unit == "C":  # only a threshold lies on the thermometer, the others are differences
        shown = temp.of(number) if name.endswith("_c") else number * temp.factor
        return number_text(shown, info, 1), temp.label
    if unit == "mm":
        return number_text(rain.of(number), info, rain.digits or int(number % 1 > 0)), rain.label
    if unit.startswith("fraction"):
        per, number = unit.removeprefix("fraction"), 100 * number
        if per == "/C":
            number, per = number / temp.factor, f"/{temp.label}"
        return _short(f"{number:.3g}", info), f"%{per}"
    return _short(value, info), said(unit, info)


def _decides(text: str, parts: Any, info: Mapping[str, Any]) -> str:
    """What an assumption decides, in the language and units of the page, rules by their words."""
    told = re.sub(r"\b[a-z]+(?:_[a-z0-9]+)+\b", lambda found: _quoted(found[0], info), told_text(text, parts, info))
    return told[:1].upper() + told[1:]


def _quoted(name: str, info: Mapping[str, Any]) -> str:
    """A rule's words between quotation marks, for the middle of a sentence; other names as they are."""
    return f"“{say(RULE_WORDS[name], info)}”" if name in RULE_WORDS else name


def _short(text: str, info: Mapping[str, Any]) -> str:
    """Drop digits from a number in text that nobody needs, "0.10000000000000001" -> "0.1", with the locale's marks."""
    try:
        short = f"{float(text):.4g}"
    except ValueError:
        return text
    if "e" in short or "n" in short:  # 1e-06, nan, inf
        return short.replace("-", "\N{MINUS SIGN}")
    return number_text(float(short), info, len(short.partition(".")[2]))


def sources_table(week: Week) -> DisplayTable:
    """Which files the week was made from."""
    rows = week.sources
    return _display(
        say("Records this week was made from", week.info),
        [
            (mark("File"), "", texts_of(rows["file"]), "name"),
            (mark("Lines"), "", ["" if n == "0" else n for n in _numbers(rows["rows"], week.info)], "number"),
            (mark("SHA-256, first 12"), "", [t[:12] for t in texts_of(rows["sha256"])], ""),
        ],
        week.info,
        empty=say("No files.", week.info),
    )


def provenance(week: Week) -> str:
    """What lets every number be traced: version, as-of date, seed, scenarios, draws; the inputs in a second line."""
    info = week.info
    files = "; ".join(
        f"{f} {h[:8]}" for f, h in zip(texts_of(week.sources["file"]), texts_of(week.sources["sha256"]), strict=True)
    )
    made = say(
        "olivetime {version} · records as of {as_of} · seed {seed} · {scenarios} scenarios, {draws} draws",
        info,
        version=info["version"],
        as_of=info["as_of"],
        seed=info["seed"],
        scenarios=info["n_scenarios"],
        draws=info["n_draws"],
    )
    return f"{made}\n{say('Inputs (SHA-256): {files}', info, files=files or say('none', info))}"


LEAST_WEIGHT = 0.005  # shapes of curves with less say are not shown
SHAPES: Mapping[str, str] = MappingProxyType(
    {
        "logistic": mark("S curve (logistic)"),
        "gompertz": mark("S curve that slows early (Gompertz)"),
        "plateau_line": mark("straight rise to a plateau"),
    }
)
_PARAMETERS = {
    "plateau_dry_pct": mark("plateau, % dry"),
    "midpoint_d": mark("half of the plateau, thermal days"),
    "scale_d": mark("length of the rise, thermal days"),
}


def _parameter_words(name: str, info: Mapping[str, Any]) -> str:
    return say(_PARAMETERS[name], info) if name in _PARAMETERS else said(name.replace("_", " "), info)


def _curve_words(rows: pd.DataFrame, info: Mapping[str, Any]) -> list[str]:
    """What each curve is of, and its shape where it has one."""
    kinds, shapes = _said(rows["kind"], info), texts_of(rows["shape"])
    return [
        ", ".join(part for part in (kind, say(SHAPES.get(shape, shape), info) if shape else "") if part)
        for kind, shape in zip(kinds, shapes, strict=True)
    ]


def parameters_table(week: Week) -> DisplayTable:
    """Fitted parameters with their errors, priors and bounds."""
    info, has_say = week.info, week.shapes[week.shapes["weight"].astype(float) >= LEAST_WEIGHT]
    rows, shape = week.parameters, pd.Series(texts_of(week.parameters["shape"]), week.parameters.index, dtype="str")
    own = pd.MultiIndex.from_arrays([rows["cultivar"].astype(str), shape]).isin(
        pd.MultiIndex.from_frame(has_say[["cultivar", "shape"]].astype(str))
    )
    rows = rows[own | (shape == "") | ((rows["cultivar"] == "all") & shape.isin(has_say["shape"].astype(str)))]
    names = ("value", "se", "prior_mean", "prior_sd", "low", "high")
    number = {name: [_short(t, info) for t in texts_of(rows[name])] for name in names}
    return _display(
        say("Parameters of the fitted curves", week.info),
        [
            (mark("Cultivar"), "", _said(rows["cultivar"], info), "name"),
            (mark("Curve"), "", _curve_words(rows, info), "first"),
            (mark("Part"), "", _said(rows["part"], info), ""),
            (mark("Parameter"), "", [_parameter_words(name, info) for name in texts_of(rows["name"])], ""),
            (mark("Value"), "", number["value"], "number"),
            (mark("Standard error"), "", number["se"], "number"),
            (mark("Prior mean"), "", number["prior_mean"], "number"),
            (mark("Prior sd"), "", number["prior_sd"], "number"),
            (
                mark("Bounds"),
                "",
                [
                    say("{a} to {b}", info, a=a, b=b) if a and b else ""
                    for a, b in zip(number["low"], number["high"], strict=True)
                ],
                "",
            ),
            (
                mark("At a bound"),
                "",
                [say("yes", info) if b else "" for b in truths(rows["at_bound"])],
                "",
            ),
            (mark("Source of the prior"), "", _said(rows["source"], info), "line"),
        ],
        week.info,
        empty=say("No curves were fitted for {name}.", info, name=info["name"]),
    )


_DOUBTED = {"oil": mark("oil, % dry"), "moisture": mark("moisture, %"), "maturity": mark("maturity, 0 to 7")}


def doubtful_table(week: Week) -> DisplayTable:
    """Samples that do not fit their block's curve: look at the bag, the label and the lab before believing either."""
    rows, info = doubtful(week), week.info
    return _display(
        say("Doubtful samples", week.info),
        [
            (mark("Sample"), "", texts_of(rows["sample_id"]), "name"),
            (mark("Date"), "", [day_text(d, info) for d in rows["day"]], ""),
            (mark("Block"), "", _names(week, rows["block_id"]), ""),
            (mark("Kind"), "", [say(_DOUBTED.get(kind, kind), info) for kind in texts_of(rows["kind"])], ""),
            (mark("Measured"), "", _numbers(rows["observed"], info, 1), "number"),
            (mark("Curve"), "", _numbers(rows["fitted"], info, 1), "number"),
            (mark("Away"), mark("sd"), _numbers(rows["residual_sd"], info, 1), "number"),
            (mark("Weight in the fit"), "%", _numbers(100 * rows["weight"].astype(float), info), "number"),
        ],
        week.info,
        empty=say("No sample is doubtful.", week.info),
    )


def doubts_table(week: Week) -> DisplayTable:
    """What each doubtful sample does to the order: curves fitted and the week planned again without it."""
    rows, info = week.doubts, week.info
    oil = zip(*(_numbers(rows[f"oil_dry_now_{w}pct"], info, 1) for w in ("", "without_")), strict=True)
    on = zip(rows["target_on"], rows["target_on_without"], strict=True)

    def dated(day: Any) -> str:
        return say("not this season", info) if pd.isna(day) else day_text(day, info)

    def moving(n: Any, ids: str) -> str:
        names = _names(week, ids.split(", "))
        return f"{number_text(n, info)}: {', '.join(names[:5])}{', …' if len(names) > 5 else ''}"

    moves = [
        moving(n, ids) if int(n) else say("no block", info)
        for n, ids in zip(rows["moved_n"], texts_of(rows["moved"]), strict=True)
    ]
    return _display(
        say("What a doubtful sample does to the order", info),
        [
            (mark("Block"), "", _names(week, rows["block_id"]), "name"),
            (
                mark("Lost if it is wrong"),
                "",
                [_money(week, [gain])[0] if n else "" for gain, n in zip(rows["gain"], rows["moved_n"], strict=True)],
                "when number",
            ),
            (mark("Sample"), "", texts_of(rows["sample_id"]), "first"),
            (mark("Oil today with it, without it"), mark("% dry"), [f"{a}, {b}" for a, b in oil], ""),
            (mark("Target reached with it, without it"), "", [f"{dated(a)}, {dated(b)}" for a, b in on], ""),
            (mark("Blocks that move in two weeks"), "", moves, "line"),
        ],
        info,
        empty=say("No sample is doubtful.", info),
    )


def foretold_table(week: Week) -> DisplayTable:
    """How well the last weeks' samples were foretold from those before them, beside straight lines."""
    rows, info = week.foretold, week.info
    rows = rows.assign(day=pd.to_datetime(rows["day"]))
    rows = rows.assign(monday=rows["day"] - pd.to_timedelta(rows["day"].dt.day_of_week, unit="D"))
    number = rows[["observed", "told_p10", "told_p50", "told_p90", "line"]].astype(float)
    rows["inside"] = number["observed"].between(number["told_p10"], number["told_p90"])
    rows["off"] = (number["observed"] - number["told_p50"]).abs()
    rows["line_off"] = (number["observed"] - number["line"]).abs()
    weeks = rows.groupby("monday").agg(
        n=("inside", "size"), inside=("inside", "mean"), off=("off", "mean"), line_off=("line_off", "mean")
    )
    return _display(
        say("The last weeks' samples, foretold from the samples before each week", info),
        [
            (mark("Week of"), "", [day_text(day, info) for day in weeks.index], "name"),
            (mark("Samples"), "", _numbers(weeks["n"], info), "number"),
            (mark("Inside their 8-in-10 range"), "%", _numbers(100 * weeks["inside"], info), "number"),
            (mark("Curves off by"), mark("points dry"), _numbers(weeks["off"], info, 1), "number"),
            (mark("Straight lines off by"), mark("points dry"), _numbers(weeks["line_off"], info, 1), "number"),
        ],
        info,
        empty=say("No samples could be foretold: there is no earlier one.", info),
    )


def next_samples_table(week: Week, *, limit: int = 12) -> DisplayTable:
    """Where the next sample is worth most; blocks where it is worth nothing are left out."""
    rows = worth_sampling(week).head(limit)
    return _display(
        say("Where to sample next", week.info),
        [
            (
                mark("Block"),
                "",
                [
                    f"{r}. {n}"
                    for r, n in zip(_numbers(rows["rank"], week.info), _names(week, rows["block_id"]), strict=True)
                ],
                "name",
            ),
            (mark("What the doubt can cost"), "", _money(week, rows["gain"]), "when number"),
            (mark("Fruit to take"), "", _numbers(rows["fruits_n"], week.info), "number"),
            (
                mark("Why"),
                "",
                ["; ".join(said(part, week.info) for part in why.split("; ")) for why in texts_of(rows["why"])],
                "first",
            ),
        ],
        week.info,
        empty=_while_picking(week, say("No sample would change the order now.", week.info)),
    )


def blocks_table(week: Week) -> DisplayTable:
    """A grower's blocks: area, crop, where they stand and when they are to be picked."""
    left = week.order[["block_id", "status", "start_at", "value", "flags", "rank", "area_ha", "crop_t"]]
    stage = week.stage.merge(
        left.rename(columns={"area_ha": "left_ha", "crop_t": "picked_t"}), on="block_id", how="left"
    ).sort_values(["rank", "block_id"], ignore_index=True)
    # What is planned to be picked, as in the order and its pictures, and not what hangs on the whole block today.
    for shown, planned_as in (("area_ha", "left_ha"), ("crop_t", "picked_t")):
        stage[shown] = stage[planned_as].astype(float).where(stage["rank"].notna(), stage[shown].astype(float))
    rows = stage.to_dict("records")
    left = np.asarray(stage["status"] != "picked", dtype=bool)
    # Of picked fruit the tickets tell, and no forecast.
    tickets = week.picked.set_index("block_id").reindex(stage["block_id"])
    crop = stage["crop_t"].astype(float).where(left, tickets["net_t"].to_numpy(float))
    when = [
        when_text(row, week) if on or pd.isna(day) else say("picked {days}", week.info, days=days)
        for row, on, day, days in zip(rows, left, tickets["last_on"], _picked_days(tickets, week.info), strict=True)
    ]
    oil = [
        say("oil yield {pct} %", week.info, pct=pct) if pct and not on else ""
        for pct, on in zip(_oil_yield(tickets, week.info), left, strict=True)
    ]
    notes = [flags_text(f, week.info) or o for f, o in zip(stage["flags"].where(left, ""), oil, strict=True)]

    def now(name: str) -> list[str]:
        return _numbers(stage[name].astype(float).where(left), week.info, 1)

    own = mark("Your blocks: oil and moisture as of today, crop and worth on the day of picking")
    all_ = mark("Blocks: oil and moisture as of today, crop and worth on the day of picking")
    caption = mark("What is picked, by the tickets") if all_picked(week) else own if "grower" in week.info else all_
    return _display(
        say(caption, week.info),
        [
            (mark("Block"), "", texts_of(stage["block_name"]), "name"),
            (mark("Picking"), "", when, "when"),
            (mark("Cultivar"), "", _with_certification(stage, week.info), "first"),
            _area(week, stage["area_ha"]),
            _crop(week, crop),
            (mark("Oil, fresh"), "%", now("oil_fresh_now_p50_pct"), "number named"),
            (mark("Oil, dry"), "%", now("oil_dry_now_p50_pct"), "number named"),
            (mark("Moisture"), "%", now("moisture_now_p50_pct"), "number named"),
            (
                mark("Target"),
                "",
                [_at_target(r, week) if on else "" for r, on in zip(rows, left, strict=True)],
                "named",
            ),
            (mark("Worth"), "", _money(week, stage["value"]), "number"),
            (mark("Note"), "", notes, "line"),
        ],
        week.info,
        kind="cards order",
        empty=say("No blocks.", week.info),
    )


def _picked_days(tickets: pd.DataFrame, info: Mapping[str, Any]) -> list[str]:
    return [days_text(a, b, info) for a, b in zip(tickets["first_on"], tickets["last_on"], strict=True)]


def _oil_yield(tickets: pd.DataFrame, info: Mapping[str, Any]) -> list[str]:
    """Oil that the mill got out of it, per cent of the fruit's weight."""
    return _numbers(0.1 * tickets["oil_out_kg"].astype(float) / tickets["net_t"].astype(float), info, 1)


def picked_table(week: Week) -> DisplayTable:
    """What is picked, by the mill's tickets, the newest first."""
    info, rows = week.info, week.picked.sort_values(["last_on", "block_id"], ascending=[False, True])
    cultivars = dict(zip(week.stage["block_id"], _with_certification(week.stage, info), strict=True))
    return _display(
        say("What is picked, by the tickets", info),
        [
            (mark("Block"), "", _names(week, rows["block_id"]), "name"),
            (mark("Picked"), "", _picked_days(rows, info), "when"),
            (mark("Cultivar"), "", [cultivars.get(b, "") for b in rows["block_id"]], "first"),
            _area(week, rows["area_ha"]),
            _crop(week, rows["net_t"]),
            (mark("Tickets"), "", _numbers(rows["tickets_n"].astype(float), info), "number named"),
            (mark("Oil yield"), "%", _oil_yield(rows, info), "number named"),
        ],
        info,
        kind="cards order",
        empty="",
    )


def _at_target(row: Mapping[str, Any], week: Week) -> str:
    """The verdict as it stands beside the word "Target"."""
    text = verdict_text(row, week)
    return say("reached", week.info) if text == say("target reached", week.info) else text


def growers_table(week: Week) -> DisplayTable:
    """Growers of the week."""
    rows = week.growers
    return _display(
        say("Growers", week.info),
        [
            (mark("Grower"), "", texts_of(rows["grower"]), "name"),
            (mark("Blocks"), "", _numbers(rows["blocks_n"], week.info), "number"),
            _area(week, rows["area_ha"]),
            _crop(week, rows["crop_t"]),
        ],
        week.info,
        empty=say("No growers.", week.info),
    )


def lot_text(lot: str, info: Mapping[str, Any]) -> str:
    """A lot (cultivar, certification, contract) in the language of the page."""
    return ", ".join(said(part, info) for part in lot.split(", "))


def mill_days_table(week: Week, *, days: int = 14) -> DisplayTable:
    """Fruit to the mill by day and lot, and on each day's first line what is crushed, the limit, and what waits."""
    end = pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=days)
    busy = (week.mill["crop_t"].astype(float) > 0) | (week.mill["crushed_t"].astype(float) >= 0.5)
    rows = week.mill[(week.mill["day"] < end) & busy]
    unit, crop = _quantity(week, "crop", rows["crop_t"])
    of_day = rows[["crushed_t", "limit_t", "waiting_t"]].astype(float).where(~rows["day"].duplicated(), np.nan)
    (_, crushed), (_, limit), (_, waiting) = (_quantity(week, "crop", of_day[name]) for name in of_day)
    return _display(
        say("Fruit to the mill by day and lot", week.info),
        [
            (mark("Day"), "", [day_text(d, week.info, "MMMEd") for d in rows["day"]], "name"),
            (mark("Lot"), "", [lot_text(lot, week.info) for lot in texts_of(rows["lot"])], "first"),
            (mark("Fruit"), unit, crop, "number"),
            (mark("Crushed that day"), unit, crushed, "number"),
            (mark("Mill limit of the day"), unit, limit, "number"),
            (mark("Waits overnight"), unit, waiting, "number"),
        ],
        week.info,
        empty=_while_picking(week, say("No fruit goes to the mill in these days.", week.info)),
    )


def frost_table(week: Week, *, nights: int = 14, most: int = 12) -> DisplayTable:
    """Each block's most dangerous night ahead: chance, hours, what is picked before it, fruit and value at risk."""
    info, today = week.info, pd.Timestamp(week.info["as_of"])
    near = (week.frost["day"] >= today) & (week.frost["day"] < today + pd.Timedelta(days=nights))
    rows = week.frost[near & (week.frost["chance"] > 0) & (week.frost["at_risk_t"] > 0)]
    rows = rows.assign(
        fruit=rows["at_risk_t"].astype(float) * rows["chance"].astype(float), money=rows["value_at_risk"].astype(float)
    ).sort_values(["fruit", "money"], ascending=False, kind="stable", na_position="last")
    rows = rows.drop_duplicates("block_id").head(most)
    temp, crop = display_unit(info, "temp"), display_unit(info, "crop")
    limit = [f"{number_text(temp.of(t), info, 1)} {temp.label}" for t in rows["threshold_c"].astype(float)]
    chance = [
        say("{chance} below {limit}", info, chance=chance_text(c, info), limit=t)
        for c, t in zip(rows["chance"], limit, strict=True)
    ]
    colder = _numbers(100 * rows["chance_colder"].astype(float), info)
    step = f"{number_text(temp.of(2.0) - temp.of(0.0), info)} {temp.label}"
    error = week.frost["hours_error_h"].astype(float).max()
    hours = "h" if np.isnan(error) else f"h, ±{number_text(error, info)}"
    return _display(
        say("Frost in the next {n} nights: each block's most dangerous one", info, n=nights),
        [
            (mark("Block"), "", _names(week, rows["block_id"]), "name"),
            (mark("Night to"), "", [day_text(d, info, "MMMEd") for d in rows["day"]], "when"),
            (mark("Chance of a low"), "", chance, "first"),
            (say("And {step} colder", info, step=step), "%", colder, "number"),
            (mark("Below it, if it comes"), hours, _numbers(rows["hours_when_frost"].astype(float), info), "number"),
            (
                mark("Picked before"),
                crop.label,
                _numbers(crop.of(rows["picked_before_t"].astype(float)), info),
                "number",
            ),
            (
                mark("Still on the trees"),
                crop.label,
                _numbers(crop.of(rows["at_risk_t"].astype(float)), info),
                "number",
            ),
            (mark("Value at risk"), "", _money(week, rows["value_at_risk"]), "number"),
        ],
        week.info,
        empty="",  # the frost's picture says so already
    )


def ground_days(week: Week, *, days: int = 10) -> DisplayTable:
    """Hours that ground and leaves leave for picking at the main station, by soil, and days lost."""
    info = week.info
    rows = week.ground[week.ground["station_id"] == info["main_station"]]
    rows = rows[rows["day"] < pd.Timestamp(info["as_of"]) + pd.Timedelta(days=days)]
    soil = {name: part.sort_values("day") for name, part in rows.groupby("soil")}
    first = soil.get("medium", rows)

    def of(name: str, column: str, factor: float = 1.0) -> list[str]:
        return _numbers(factor * soil.get(name, rows)[column].astype(float), info)

    ends = zip(*(_numbers(first[f"lost_days_{p}"], info) for p in ("p10", "p90")), strict=True)
    lost = [low if low == high else say("{low} to {high}", info, low=low, high=high) for low, high in ends]
    return _display(
        say("Ground and leaves: hours of a shift that can be worked", week.info),
        [
            (mark("Day"), "", [day_text(d, info, "MMMEd") for d in first["day"]], "name"),
            (mark("Light soil"), "h", of("light", "work_h"), "first named number"),
            (mark("Medium soil"), "h", of("medium", "work_h"), "number named"),
            (mark("Heavy soil"), "h", of("heavy", "work_h"), "number named"),
            (mark("Day lost on medium soil"), "%", of("medium", "lost_chance", 100.0), "number named"),
            (mark("Leaves wet from rain"), "h", of("medium", "wet_leaf_h"), "number named"),
            (mark("Days lost up to then, 8 in 10"), "", lost, "named"),
        ],
        week.info,
        kind="cards order",
        empty=say("No day ahead to show.", week.info),
    )


def outlook_skill_table(skill: pd.DataFrame, info: Mapping[str, Any]) -> DisplayTable:
    """How good past outlooks were, beside what the same days of other years brought.

    Parameters
    ----------
    skill : DataFrame
        Of `olivetime.weather.fetched.season_skill`.
    info : mapping
        locale and units of the readers; errors and events are said in these units.
    """
    ahead = [
        say("{a} to {b}", info, a=a, b=b) if b > a else str(a)
        for a, b in zip(skill["lead_from_d"], skill["lead_to_d"], strict=True)
    ]
    kinds = [_SKILL_WORDS[name] for name in texts_of(skill["value"])]
    units = [display_unit(info, quantity) for quantity, _, _ in kinds]
    names = [f"{say(word, info)}, {unit.label}" for (_, word, _), unit in zip(kinds, units, strict=True)]
    if skill["source"].nunique() > 1:
        names = [f"{name}, {source}" for name, source in zip(names, texts_of(skill["source"]), strict=True)]
    limits = [unit.of(at) for unit, at in zip(units, skill["event_at"].astype(float), strict=True)]
    events = [
        say(event, info, limit=f"{number_text(limit, info, unit.digits or int(limit % 1 > 0))} {unit.label}")
        if event
        else ""
        for (_, _, event), unit, limit in zip(kinds, units, limits, strict=True)
    ]
    # An error is a difference: its unit has a size and no zero. Inches are large beside rain, so they get a digit more.
    errors = [
        [
            number_text(error * unit.factor, info, 2 + (unit.digits > 0))
            for unit, error in zip(units, skill[f"crps{of}"].astype(float), strict=True)
        ]
        for of in ("", "_climatology")
    ]
    inside = [100 * skill[name].astype(float) for name in ("coverage_fraction", "coverage_climatology_fraction")]
    return _display(
        say("How good past outlooks were; smaller errors are better", info),
        [
            (mark("Outlook of"), "", names, "name"),
            (mark("Days ahead"), "", ahead, "first"),
            (mark("Issues"), "", _numbers(skill["issues_n"], info), "number"),
            (mark("Error (CRPS)"), "", errors[0], "number"),
            (mark("Past years' error"), "", errors[1], "number"),
            (mark("Inside its 8-in-10 range"), "%", _numbers(inside[0], info), "number"),
            (mark("Inside past years' range"), "%", _numbers(inside[1], info), "number"),
            (mark("Event"), "", events, ""),
            (mark("It came"), mark("times"), _numbers(skill["event_n"], info), "number"),
            (mark("Error of its chance (Brier)"), "", _numbers(skill["brier"], info, 3), "number"),
            (mark("Past years' chance"), "", _numbers(skill["brier_climatology"], info, 3), "number"),
        ],
        info,
        empty=say("No past outlook can be held against measured days; keep every issue in the outlook table.", info),
    )


# What is scored: its quantity, its name, its event.
_SKILL_WORDS = {
    "temp_min_c": ("temp", mark("Low"), mark("low below {limit}")),
    "temp_max_c": ("temp", mark("High"), ""),
    "rain_mm": ("rain", mark("Rain"), mark("{limit} of rain or more")),
}


def what_ifs_table(week: Week) -> DisplayTable:
    """Answer the standard questions: what each change would be worth, and what it would move."""
    rows = week.what_ifs
    change = [("+" if t and not t.startswith("\N{MINUS SIGN}") else "") + t for t in _money(week, rows["value_change"])]
    return _display(
        say("What if?", week.info),
        [
            (mark("If"), "", _said(rows["change"], week.info), "name"),
            (mark("Worth of the order"), "", change, "when number"),
            (mark("Picked first"), "", _said(rows["first_block"], week.info), "first named"),
            (mark("Moves"), "", _said(rows["moves"], week.info), "named"),
        ],
        week.info,
        kind="cards order",
        empty=_while_picking(week, say("No questions were asked.", week.info)),
    )


def moves_table(moved: pd.DataFrame, week: Week) -> DisplayTable:
    """Blocks that a change moves by a day or more, in the order in which they are picked now.

    Parameters
    ----------
    moved : DataFrame
        Of `olivetime.harvest.reasons.what_if`: block_id, from_at, to_at (NaT where the change leaves it), moved_days.
    week : Week
    """
    info, rows = week.info, moved.sort_values("from_at", kind="stable")

    def days(column: str) -> list[str]:
        return [day_text(at, info, "MMMEd") or say("not planned", info) for at in rows[column]]

    return _display(
        say("Blocks that would move by a day or more", info),
        [
            (mark("Block"), "", _names(week, rows["block_id"]), "name"),
            (mark("Now"), "", days("from_at"), ""),
            (mark("Then"), "", days("to_at"), "when"),
            (mark("Days later"), "", _numbers(rows["moved_days"].astype(float), info), "number"),
        ],
        info,
        empty=say("Nothing moved.", info),
    )


_OIL_STYLES = {"early": mark("early oil"), "balanced": mark("balanced oil"), "late": mark("late oil")}


def oil_orders_table(week: Week) -> DisplayTable:
    """What each order for oil gets under the plan, and what it is short of."""
    rows, info = week.oil_orders.sort_values(["due_on", "order_id"]), week.info
    fruit = [
        ", ".join(
            part
            for part in (
                say(_OIL_STYLES[r["style"]], info) if r["style"] in _OIL_STYLES else "",
                cultivar,
                say("organic", info) if bool(r["organic"]) else "",
            )
            if part
        )
        or say("any oil", info)
        for r, cultivar in zip(rows.to_dict("records"), texts_of(rows["cultivar"]), strict=True)
    ]
    unit, wanted = _quantity(week, "oil", rows["oil_l"])
    expected, low, high, short = (
        _quantity(week, "oil", rows[name])[1] for name in ("expected_l", "p10_l", "p90_l", "shortfall_l")
    )
    return _display(
        say("Orders for oil", info),
        [
            (mark("Order"), "", texts_of(rows["order_id"]), "name"),
            (mark("Oil of"), "", fruit, ""),
            (mark("Due"), "", [day_text(d, info) for d in rows["due_on"]], ""),
            (mark("Wanted"), unit, wanted, "number"),
            (mark("Expected"), unit, expected, "number"),
            (mark("8 in 10"), unit, [a if a == b else f"{a}–{b}" for a, b in zip(low, high, strict=True)], "number"),
            (mark("Shortfall"), unit, short, "number"),
            (mark("Chance of being met"), "", [chance_text(c, info) for c in rows["met_chance"]], "number"),
            (mark("Cost of shortfall"), "", _money(week, rows["shortfall_cost"]), "number"),
        ],
        info,
        empty=say("No oil is on order.", info),
    )


def changes_table(week: Week, before: Week | None = None) -> DisplayTable:
    """What moved since last week: by last week's tables where given, else against the promised days.

    Parameters
    ----------
    week, before : Week
        This week and the one before; `before` may be missing.
    """
    info, now = week.info, week.order
    if before is None:
        left = now["start_at"].isna() & (now["status"] != "picked")
        rows = now[now["promised_on"].notna() & (left | (now["moved_days"].astype(float).abs() >= 1))]
        rows = rows.sort_values("rank")
        moved, was = rows["moved_days"].astype(float).tolist(), rows["promised_on"].tolist()
        crop_was: list[float] = [np.nan] * len(rows)
    else:
        old = before.order.set_index("block_id")
        rows = now[now["block_id"].isin(old.index)].sort_values("rank")
        was = [pd.NaT if pd.isna(d) else pd.Timestamp(d).normalize() for d in old["start_at"].reindex(rows["block_id"])]
        moved = [
            np.nan if pd.isna(a) or pd.isna(b) else float((pd.Timestamp(a).normalize() - b).days)
            for a, b in zip(rows["start_at"], was, strict=True)
        ]
        crop_was = old["crop_t"].reindex(rows["block_id"]).astype(float).tolist()
        fresh = np.array(
            [
                (not np.isnan(m) and m != 0) or pd.isna(a) != pd.isna(b)
                for m, a, b in zip(moved, rows["start_at"], was, strict=True)
            ],
            dtype=bool,
        )
        rows = rows[fresh]
        was, moved, crop_was = (
            [v for v, f in zip(values, fresh, strict=True) if f] for values in (was, moved, crop_was)
        )
    shifts = [
        ""
        if np.isnan(m)
        else say_count("{n} day later", "{n} days later", int(m), info)
        if m > 0
        else say_count("{n} day earlier", "{n} days earlier", -int(m), info)
        for m in moved
    ]
    why = rows["why_not"].where(rows["start_at"].isna() & (rows["status"] != "picked"), rows["moved_why"])
    unit, crop = _quantity(week, "crop", rows["crop_t"])
    _, crop_before = _quantity(week, "crop", pd.Series(crop_was, dtype=float))
    crops: list[Column] = [(mark("Crop"), unit, crop, "number")]
    if any(crop_before):
        crops = [
            (mark("Crop now"), unit, crop, "number"),
            (mark("Crop last week"), unit, crop_before, "number named"),
        ]
    return _display(
        say("What changed since last week", week.info),
        [
            (mark("Block"), "", texts_of(rows["block_name"]), "name"),
            (mark("Now"), "", [when_text(r, week) for r in rows.to_dict("records")], "when"),
            (mark("Moved"), "", shifts, "first"),
            (mark("Was"), "", [day_text(d, info) or say("not planned", info) for d in was], "named"),
            *crops,
            (mark("Why"), "", _said(why, info), "line"),
        ],
        week.info,
        kind="cards order",
        empty=_while_picking(week, say("Nothing moved since last week.", week.info)),
    )


def grade_limits_table(info: Mapping[str, Any] | str = "en") -> DisplayTable:
    """Limits of the grades by named standard, with the source of each number."""
    info = {"locale": info} if isinstance(info, str) else info
    words = {
        "free_acid_pct": say("free acidity", info),
        "peroxide_meq_kg": say("peroxide value", info),
        "defects_median": say("median of defects", info),
        "fruity_median": say("median of fruitiness", info),
        "delta_k": "delta K",
        "k232": "K232",
        "k270": "K270",
    }
    operators = {
        "<=": say("at most", info),
        "<": say("under", info),
        ">": say("over", info),
        ">=": say("at least", info),
    }
    return _display(
        say("Limits of the oil grades by standard", info),
        [
            (mark("Standard"), "", [limit.standard for limit in STANDARDS], "name"),
            (mark("Grade"), "", [said(limit.grade, info) for limit in STANDARDS], "first"),
            (mark("Quantity"), "", [words.get(limit.quantity, limit.quantity) for limit in STANDARDS], ""),
            (
                mark("Limit"),
                "",
                [f"{operators.get(o, o)} {number_text(v, info, len(f'{v:g}'.partition('.')[2]))}"
                 for o, v in ((limit.operator, limit.limit) for limit in STANDARDS)],
                "number",
            ),
            (mark("Unit"), "", ["" if limit.unit.startswith("-") else limit.unit for limit in STANDARDS], ""),
            (mark("Source"), "", [said(limit.source, info) for limit in STANDARDS], "line"),
        ],
        info,
    )


DISPLAY: Mapping[str, Callable[..., DisplayTable]] = MappingProxyType(
    {
        "order": order_table,
        "not_planned": not_planned,
        "next_days": next_days,
        "why": why_table,
        "stage": stage_table,
        "capacity": capacity_by_day,
        "what_ifs": what_ifs_table,
        "rules": rules_table,
        "assumptions": assumptions_table,
        "sources": sources_table,
        "parameters": parameters_table,
        "doubtful": doubtful_table,
        "next_samples": next_samples_table,
        "blocks": blocks_table,
        "growers": growers_table,
        "mill": mill_days_table,
        "frost": frost_table,
        "ground": ground_days,
        "changes": changes_table,
        "oil_orders": oil_orders_table,
    }
)
LOOKBACK_WORDS = {
    "oil_dry_pct": mark("Dry oil, points"),
    "oil_fresh_pct": mark("Fresh oil, points"),
    "moisture_pct": mark("Moisture, points"),
    "maturity_index": mark("Maturity index"),
}


def lookback_tables(past: Hindcast, info: Mapping[str, Any] | None = None) -> tuple[DisplayTable, DisplayTable]:
    """Past weeks, scored: how near the forecasts came, and what was proposed against what was picked.

    Parameters
    ----------
    past : Hindcast
        What `olivetime.harvest.hindcast.hindcast` returned.
    info : mapping, optional
        locale and currency of the readers; English, and money without its sign, when left out.

    Returns
    -------
    tuple of DisplayTable
        Forecasts by kind and lead; orders by week.
    """
    info = plain = info or {"locale": "en_US"}
    money = money_text if "currency" in info else number_text
    scores, orders = past.scores, past.orders
    forecasts = _display(
        say("How near past forecasts came to later samples", info),
        [
            (mark("Forecast"), "", [say(LOOKBACK_WORDS.get(t, t), info) for t in texts_of(scores["kind"])], "name"),
            (mark("Ahead"), mark("weeks"), _numbers(scores["lead_weeks"], plain), "number"),
            (mark("Samples"), "", _numbers(scores["samples_n"], plain), "number"),
            (mark("Mean miss"), "", _numbers(scores["mean_abs_error"], plain, 2), "number"),
            (mark("Bias"), "", _numbers(scores["bias"], plain, 2), "number"),
            (
                mark("Inside the 8-in-10 range"),
                "%",
                _numbers(100 * scores["inside_fraction"].astype(float), plain),
                "number",
            ),
            (mark("Straight line's mean miss"), "", _numbers(scores["line_mean_abs_error"], plain, 2), "number"),
            (mark("Ours on the same samples"), "", _numbers(scores["against_line_mean_abs_error"], plain, 2), "number"),
        ],
        info,
        empty=say("No sample was taken after a past week to compare with.", info),
    )
    ahead = orders["value"].astype(float) - orders["best_rule_value"].astype(float)
    weeks = _display(
        say("What past weeks proposed, and what was picked next", info),
        [
            (mark("Week of"), "", [day_text(d, plain, "yMMMd") for d in orders["as_of"]], "name"),
            (mark("Proposed first"), "", texts_of(orders["first_block"]), "first"),
            (mark("Picked in the week after"), "", texts_of(orders["picked_next"]), "line"),
            (
                mark("Short of the best possible, at most"),
                "%",
                _numbers(100 * orders["gap_fraction"].astype(float), plain, 1),
                "number",
            ),
            (mark("Best rule of thumb"), "", _said(orders["best_rule"], info), ""),
            (mark("Worth more than that rule"), "", [money(v, info) for v in ahead], "number"),
        ],
        info,
        empty=say("No past week could be replayed.", info),
    )
    return forecasts, weeks
