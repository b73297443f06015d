"""A first layout for a file nobody has read before: its headings, units, decimal mark and order of dates.

What the file itself proves is written down. What it leaves open stands as a comment beside the choices, and
in the list of what is left to decide; nothing is guessed in silence.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from olivetime.records.cells import (
    NUMBER,
    PERCENT,
    TEXT,
    clean_text,
    date_proof,
    decimal_proof,
    needs_date_order,
    read_instant,
)
from olivetime.records.columns import NEEDED_TABLES, TABLES, UNITS, Column, SeasonError
from olivetime.records.convert import joined_headings
from olivetime.records.files import Grid, column_letter, kind_of, read_bytes, read_csv_grid, read_workbook_grids
from olivetime.records.findings import shown
from olivetime.records.headings import heading_key, is_bare_ton, match_heading

_HEADING_ROWS = 25
_HEADING_LEVELS = 3
_ROWS_LOOKED_AT = 5000

# Words that laboratories, stations and mills head their columns with, without the unit (common practice, from
# memory). A word that stands under two columns of one table is left to the reader of the draft.
_WORDS: dict[str, str] = {
    "block_id": "block, block name, block no, field, parcel, plot, orchard, site, bloque, parcela",
    "sample_id": "sample, sample no, sample number, sample code, lab no, lab number, report no, id, muestra",
    "sampled_on": "date, sampled, date sampled, sampling date, sample date, collected, collection date, fecha",
    "received_on": "received, date received, reported, report date, result date",
    "fruit_mass_g": "fruit mass, fruit weight, mean fruit weight, average fruit weight",
    "fruits_n": "fruits, fruit, no fruits, number of fruits",
    "trees_n": "trees, no trees, number of trees",
    "moisture_pct": "moisture, moist, water, water content, moisture content, humedad",
    "oil_fresh_pct": (
        "oil, oil content, fat, fat content, oil fresh, oil fresh weight, oil fw, oil fresh basis, oil wet, "
        "oil wet basis, oil wet weight, oil ww, fat fresh, aceite"
    ),
    "oil_dry_pct": (
        "oil, oil content, fat, fat content, oil dry, oil dry matter, oil dm, oil dry basis, oil dry weight, oil dw, "
        "fat dry, fat dm, aceite"
    ),
    "maturity_index": "maturity, mi, ripeness index, ripening index, indice de madurez",
    **{f"class{i}_n": f"class {i}, class{i}, colour {i}, color {i}, n{i}, c{i}" for i in range(8)},
    "method": "method, analysis",
    "lab": "laboratory",
    "station_id": "station, station name, station code, site, origin",
    "day": "date, datum, fecha, observation date",
    "hour_utc": "time, datetime, date time, timestamp, time hour, utc time",
    "temp_min_c": "tmin, t min, temp min, min temp, temperature min, minimum temperature, low, lowest, minimum",
    "temp_max_c": "tmax, t max, temp max, max temp, temperature max, maximum temperature, high, highest, maximum",
    "air_temp_c": "temp, temperature, air temperature, t",
    "rain_mm": "rain, rainfall, precip, precipitation, prcp, ppt, lluvia",
    "wind_m_s": "wind, wind speed, mean wind",
    "ticket_id": "ticket, ticket no, ticket number, weigh ticket, load, load no",
    "picked_on": "date, pick date, picked, harvest date, fecha",
    "net_t": "net, net weight, weight",
    "area_ha": "area, planted area, size",
    "harvester_id": "harvester, machine",
    "oil_out_kg": "oil, oil obtained, oil made",
}
_FORMS = {c: frozenset(heading_key(word) for word in words.split(", ")) for c, words in _WORDS.items()}


@dataclass(frozen=True)
class _Reading:
    """One heading: the names of ours that it may stand for; several when something is left open."""

    heading: str
    index: int
    names: tuple[str, ...]
    exact: bool = False


def draft_layout(file: Path | str) -> tuple[str, list[str]]:
    """Draft the layout of a laboratory's, station's or mill's file.

    Parameters
    ----------
    file : path
        CSV file or workbook; for each sheet that holds records a layout is drafted.

    Returns
    -------
    text : str
        Sections for season.toml. Lines that start with # are left to decide.
    undecided : list of str
        What is left to decide, in sentences; empty when the file says all.

    Raises
    ------
    SeasonError
        When the file can't be read, or nothing in it looks like records.

    Notes
    -----
    A heading is taken for a column of ours when it is one of the accepted spellings, or a usual word for it
    with a unit. A word without a unit, where the unit could be two, is left open, and so is oil without its basis.
    """
    path = Path(file)
    if kind_of(read_bytes(path)) == "xlsx":
        grids = read_workbook_grids(path)
    else:
        grids = [read_csv_grid(path, lambda grid: _best(grid, "")[3])]
    parts: list[str] = []
    undecided: list[str] = []
    taken: set[str] = set()
    for grid in grids:
        name = grid.sheet or path.stem
        table, first, readings, score, rivals = _best(grid, name)
        if score < 2:
            continue
        where = f"{path.name}, sheet {grid.sheet}" if grid.sheet else path.name
        if table in taken:
            undecided.append(f"{where}: also looks like {table}. A season keeps each table in one place; join them.")
            continue
        taken.add(table)
        if rivals:
            undecided.append(
                f"{where}: taken for {table}, but it could be {' or '.join(rivals)}. Check the section's name."
            )
        parts.append(_section(path.name, grid, table, first, readings, where, undecided))
    if not parts:
        says = "no heading in the first rows looks like one of ours"
        raise SeasonError(path.name, says, "", "Compare its headings with the page of tables and columns.")
    return "\n".join(parts), undecided


def _best(grid: Grid, name: str) -> tuple[str, int, list[_Reading], int, list[str]]:
    """Table, first row position below the headings, their readings, how many fit, and tables that fit as well."""
    named = {heading_key(table): table for table in TABLES}.get(heading_key(name), "")
    found: dict[str, tuple[tuple[int, int, int], int, list[_Reading]]] = {}
    for top in range(min(_HEADING_ROWS, len(grid.texts))):
        for levels in range(1, _HEADING_LEVELS + 1):
            if top + levels > len(grid.texts):
                break
            headings = joined_headings(grid, top, levels)
            for table in TABLES:
                readings = _readings(table, headings)
                columns = {_column(table, r.names[0]).name for r in readings}
                lacking = sum(column.required and column.name not in columns for column in TABLES[table])
                score = (len(columns), -lacking, -levels)
                if columns and (table not in found or score > found[table][0]):
                    found[table] = (score, top + levels, readings)
    if not found:
        return "", 0, [], 0, []
    table = named if named in found else max(found, key=lambda t: (found[t][0][:2], t in NEEDED_TABLES))
    (fits, lacking, _), first, readings = found[table]
    rivals = [t for t in found if t != table and t != named and found[t][0][:2] == (fits, lacking)]
    return table, first, readings, fits, [] if table == named else rivals


def _column(table: str, name: str) -> Column:
    match = match_heading(table, name)
    assert match is not None  # names come from the table's own forms
    return match.column


def _readings(table: str, headings: Sequence[str]) -> list[_Reading]:
    out = []
    for index, heading in enumerate(headings):
        match = match_heading(table, heading)
        if match is not None:
            out.append(_Reading(heading, index, (match.column.name,), exact=True))
            continue
        key = heading_key(heading)
        names = [name for column in TABLES[table] for name in _names_for(column, key)] if key else []
        if names:
            out.append(_Reading(heading, index, tuple(names)))
    return out


def _names_for(column: Column, key: str) -> list[str]:
    """Names of ours, with their unit, that a heading's key may stand for."""
    forms = _FORMS.get(column.name)
    if forms is None:
        return []
    unit = UNITS[column.unit]
    stem = column.name.removesuffix(unit.suffix) if unit.suffix else column.name
    suffixes = [unit.suffix, *(a.suffix for a in unit.alternatives)]
    for suffix in filter(None, suffixes):
        if key.endswith(suffix) and key.removesuffix(suffix) in forms:
            return [stem + suffix]
    return [stem + suffix for suffix in suffixes] if key in forms else []


def _section(
    file: str, grid: Grid, table: str, first: int, readings: list[_Reading], where: str, undecided: list[str]
) -> str:
    lines = [f"[layout.{table}]", f"file = {_quoted(file)}"]
    if grid.sheet:
        lines.append(f"sheet = {_quoted(grid.sheet)}")
    rows = list(range(first, min(len(grid.texts), first + _ROWS_LOOKED_AT)))
    kinds = {r.index: _column(table, r.names[0]).kind for r in readings}
    lines += _decimal_lines(
        grid, rows, [i for i, kind in kinds.items() if kind in ("number", "integer")], where, undecided
    )
    dates = [i for i, kind in kinds.items() if kind in ("date", "instant")]
    lines += _date_lines(grid, rows, dates, where, undecided)
    lines += _clock_lines(grid, rows, table, readings, where, undecided)
    known = {r.index for r in readings}
    lines += ["", f"[layout.{table}.headings]"]
    by_column: dict[str, list[_Reading]] = {}
    for reading in readings:
        for name in dict.fromkeys(_column(table, n).name for n in reading.names):
            by_column.setdefault(name, []).append(reading)
    for r in readings:
        rivals = [o for o in by_column[_column(table, r.names[0]).name] if o is not r and len(r.names) == 1]
        heading = f"column {column_letter(r.index)}, `{shown(r.heading)}`"
        if r.exact:
            lines.append(f"# {_quoted(r.heading)} is understood as it is: {r.names[0]}")
        elif len(r.names) > 1:
            lines += [f"# {_quoted(r.heading)} = {_quoted(name)}" for name in r.names]
            undecided.append(f"{where}, {heading}: could be {' or '.join(r.names)}. Keep one of the lines.")
        elif any(o.exact or o.index < r.index for o in rivals):
            lines.append(f"# {_quoted(r.heading)} = {_quoted(r.names[0])}")
            undecided.append(
                f"{where}, {heading}: {r.names[0]} is already `{shown(rivals[0].heading)}`. Keep one of them."
            )
        else:
            lines.append(f"{_quoted(r.heading)} = {_quoted(r.names[0])}")
    _unread(grid, table, first, known, where, lines, undecided)
    missing = [c.name for c in TABLES[table] if c.required and c.name not in by_column]
    if missing:
        lines.append(f"# No heading was found for: {', '.join(missing)}")
        undecided.append(
            f"{where}: no heading was found for {', '.join(missing)}. Add the column, or name its heading."
        )
    return "\n".join([*lines, ""])


def _unread(
    grid: Grid, table: str, first: int, known: set[int], where: str, lines: list[str], undecided: list[str]
) -> None:
    """Name the headings that nothing is known for; one that says ton without saying which is asked about."""
    row = [clean_text(text) for text in grid.texts[first - 1]]
    others = []
    for index, heading in enumerate(row):
        if not heading or index in known:
            continue
        if is_bare_ton(table, heading):
            lines.append(f"# {_quoted(heading)}: which ton?")
            undecided.append(
                f"{where}, column {column_letter(index)}, `{shown(heading)}`: which ton? "
                f'Write ton = "short" or ton = "metric" under [layout.{table}].'
            )
        else:
            others.append(heading)
    if others:
        lines.append(f"# Not used: {', '.join(_quoted(shown(name)) for name in others)}")


def _texts(grid: Grid, rows: Sequence[int], columns: Sequence[int]) -> list[tuple[int, int, str, str]]:
    out = []
    for i in rows:
        line = grid.texts[i]
        for j in columns:
            if j < len(line) and line[j]:
                out.append((i, j, clean_text(line[j]), TEXT if grid.marks is None else grid.marks[i][j]))
    return out


def _decimal_lines(
    grid: Grid, rows: Sequence[int], columns: Sequence[int], where: str, undecided: list[str]
) -> list[str]:
    seen: dict[str, tuple[int, str]] = {}
    unclear = ""
    for i, _, text, mark in _texts(grid, rows, columns):
        if mark in (NUMBER, PERCENT) or not ("," in text or "." in text):
            continue
        proof = decimal_proof(text)
        if proof:
            seen.setdefault(proof, (grid.numbers[i], text))
        elif text[:1].isdigit():
            unclear = unclear or text
    if len(seen) == 1:
        mark, (row, text) = next(iter(seen.items()))
        return [f'decimal = "{mark}"  # row {row} has {shown(text)}']
    if len(seen) == 2 or unclear:
        texts = " and ".join(shown(text) for _, text in seen.values()) or shown(unclear)
        undecided.append(f'{where}: numbers such as {texts}. Is the decimal mark "." or ","?')
        return ['# decimal = "."', '# decimal = ","']
    return []


def _date_lines(grid: Grid, rows: Sequence[int], columns: Sequence[int], where: str, undecided: list[str]) -> list[str]:
    seen: dict[str, tuple[int, str]] = {}
    unclear = ""
    for i, _, text, mark in _texts(grid, rows, columns):
        if mark == TEXT and needs_date_order(text):
            proof = date_proof(text)
            if proof:
                seen.setdefault(proof, (grid.numbers[i], text))
            unclear = unclear or text
    if len(seen) == 1:
        order, (row, text) = next(iter(seen.items()))
        return [f'date_order = "{order}"  # row {row} has {shown(text)}']
    if len(seen) == 2:
        texts = " and ".join(shown(text) for _, text in seen.values())
        undecided.append(f"{where}: dates in both orders, {texts}. Retype them as 2026-10-05.")
        return ["# dates stand in both orders"]
    if unclear:
        undecided.append(f"{where}: dates such as {shown(unclear)}. Is the day or the month written first?")
        return ['# date_order = "dmy"', '# date_order = "mdy"']
    return []


def _clock_lines(
    grid: Grid, rows: Sequence[int], table: str, readings: list[_Reading], where: str, undecided: list[str]
) -> list[str]:
    for r in readings:
        if _column(table, r.names[0]).kind != "instant" or "utc" in heading_key(r.heading).split("_"):
            continue
        read = [
            read_instant(text, "dmy") or read_instant(text, "mdy") for _, _, text, _ in _texts(grid, rows, [r.index])
        ]
        if any(one is not None and one[1] is None for one in read):
            undecided.append(
                f'{where}: hours under `{shown(r.heading)}` name no clock. Write clock = "UTC" or the time zone.'
            )
            return ['# clock = "UTC"', '# clock = "America/Los_Angeles"']
    return []


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for the one control character that JSON leaves as it is.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
