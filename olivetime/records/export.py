"""What the records room writes: the template of a season folder, problems.csv, and the marked workbook."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from olivetime.records.cells import closest, name_key, read_number
from olivetime.records.columns import RULES, SETTINGS, TABLE_HELP, TABLES, UNITS, Column, SeasonError
from olivetime.records.convert import columns_in
from olivetime.records.files import (
    open_workbook,
    read_bytes,
    read_workbook_grids,
    safe_cell,
    workbook_bytes,
    write_atomic,
)
from olivetime.records.findings import ERROR, FINDING_COLUMNS, WARNING
from olivetime.records.settings import SETTINGS_FILE, WORKBOOK, read_settings
from olivetime.records.sources import ABOUT_SHEET, PROBLEMS_SHEET, table_of_sheet

MARKED_WORKBOOK = "records marked.xlsx"
PROBLEMS_FILE = "problems.csv"
ALIASES_FILE = "aliases_offered.csv"

_AUTHOR = "olivetime"
_FILLS = {ERROR: "F4B6A8", WARNING: "FBE3A6"}
_NOTE_FILL = "DCE6F1"
_HEAD_FILL, _NEEDED_FILL = "E8EEE0", "C9D8B0"


# Template ---------------------------------------------------------------------------------------------------


def heading_of(column: Column, units: str) -> str:
    """Heading of a column in a template: metric, or with the usual US unit."""
    unit = UNITS[column.unit]
    # Hours stay hours in the United States too.
    if units == "us" and unit.alternatives and column.unit != "h":
        return column.name.removesuffix(unit.suffix) + unit.alternatives[0].suffix
    return column.name


def write_template(folder: Path | str, *, units: str = "metric") -> None:
    """Write season.toml and an empty records.xlsx, every setting and column explained.

    Parameters
    ----------
    folder : path
        Made when it isn't there.
    units : str
        "metric" or "us": units of the headings, and of pages.

    Raises
    ------
    ValueError
        For other units.
    FileExistsError
        When the folder already holds one of the two files; nothing is overwritten.
    """
    if units not in ("metric", "us"):
        raise ValueError(f'units is {units!r}, expected "metric" or "us"')
    folder = Path(folder)
    for name in (SETTINGS_FILE, WORKBOOK):
        if (folder / name).exists():
            raise FileExistsError(f"{folder / name} is there already, expected an empty folder. Name another one.")
    write_atomic(folder / SETTINGS_FILE, settings_text(units).encode())
    write_atomic(folder / WORKBOOK, workbook_bytes(_template_workbook(units)))


def settings_text(units: str) -> str:
    """Text of a new season.toml; rules stand in it as comments, with their defaults and sources."""
    shown: dict[str, object] = {
        "name": "Our season",
        "start": "2026-08-01",
        "end": "2027-01-15",
        "units": units,
    }
    lines = ["# Settings of one season. Lines that start with # are comments.", ""]
    for section in dict.fromkeys(s.section for s in SETTINGS):
        lines.append(f"[{section}]")
        for s in SETTINGS:
            if s.section != section:
                continue
            choices = f" One of: {', '.join(s.choices)}." if s.choices else ""
            lines.append(f"# {s.help}{choices}")
            value = shown.get(s.name, s.default)
            if value is None:
                lines.append(f'# {s.name} = "{s.choices[0] if s.choices else "America/Los_Angeles"}"')
            elif s.kind == "text":
                lines.append(f'{s.name} = "{value}"')
            else:
                lines.append(f"{s.name} = {value}")
        lines.append("")
    lines += ["[rules]", "# Remove the # in front of a rule to change it.", ""]
    for rule in RULES:
        value = f'"{rule.default}"' if isinstance(rule.default, str) else f"{rule.default}"
        unit = f" [{rule.unit}]" if rule.unit else ""
        lines += [f"# {rule.help}{unit} Source: {rule.source}.", f"# {rule.name} = {value}", ""]
    return "\n".join(lines)


def _template_workbook(units: str) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    about = book.active
    assert about is not None  # a new workbook has a sheet
    about.title = ABOUT_SHEET
    rows: list[Sequence[Any]] = [
        ("One sheet for each table. Darker headings are needed; the others may stay empty.",),
        ("A heading carries its unit. Dates are best written as 2026-10-05.",),
        (),
        ("table", "column", "needed", "unit", "usual", "meaning"),
    ]
    for table, columns in TABLES.items():
        rows.append((table, "", "", "", "", TABLE_HELP[table]))
        for column in columns:
            rows.append(
                (
                    *(table, heading_of(column, units), "yes" if column.required else ""),
                    *(heading_unit(column, units), usual_words(column, units), column.help),
                )
            )
    for row in rows:
        about.append(list(row))
    for letter, width in zip("ABCDEF", (14, 24, 8, 22, 18, 90), strict=True):
        about.column_dimensions[letter].width = width
    for cell in about[4]:
        cell.font = Font(bold=True)
    for table, columns in TABLES.items():
        _template_sheet(book.create_sheet(table), columns, units)
    return book


def _template_sheet(sheet: Any, columns: Sequence[Column], units: str) -> None:
    for index, column in enumerate(columns, start=1):
        cell = sheet.cell(1, index, heading_of(column, units))
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor=_NEEDED_FILL if column.required else _HEAD_FILL)
        usual = usual_words(column, units)
        cell.comment = Comment(column.help + (f" Usually {usual}." if usual else ""), _AUTHOR, height=90, width=260)
        letter = get_column_letter(index)
        sheet.column_dimensions[letter].width = max(11, len(cell.value) + 2)
        body = f"{letter}2:{letter}5000"
        if column.kind == "choice" or column.kind == "bool":
            words = column.choices if column.kind == "choice" else ("yes", "no")
            validation = DataValidation("list", formula1=f'"{",".join(words)}"', allow_blank=True)
            sheet.add_data_validation(validation)
            validation.add(body)
        # Names such as 1-2 or 007 stay text, and dates look the same everywhere.
        sheet.column_dimensions[letter].number_format = {"date": "yyyy-mm-dd", "text": "@"}.get(column.kind, "General")
    sheet.freeze_panes = "B2"


def heading_unit(column: Column, units: str) -> str:
    """Name the unit of a column's template heading in words."""
    unit = UNITS[column.unit]
    if units == "us" and unit.alternatives and column.unit != "h":
        return unit.alternatives[0].unit
    return unit.says


def usual_words(column: Column, units: str) -> str:
    """Usual (or else possible) range of a column in the unit of its template heading; choices of a word."""
    if column.choices:
        return ", ".join(column.choices)
    limits = column.usual or column.hard
    if limits is None:
        return {"date": "2026-10-05", "bool": "yes or no"}.get(column.kind, "")
    unit = UNITS[column.unit]
    factor, offset = 1.0, 0.0
    if units == "us" and unit.alternatives and column.unit != "h":
        factor, offset = unit.alternatives[0].factor, unit.alternatives[0].offset
    low, high = ((limit - offset) / factor for limit in limits)
    return f"{low:.4g} to {high:.4g}"


# Problems ---------------------------------------------------------------------------------------------------


def write_problems(found: Any, folder: Path | str) -> Path:
    """Write problems.csv: every finding, text that no spreadsheet takes for a formula.

    Parameters
    ----------
    found : Season or DataFrame
        A season, or its findings table.
    folder : path

    Returns
    -------
    Path
        The file written.
    """
    findings: pd.DataFrame = found if isinstance(found, pd.DataFrame) else found.findings
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(FINDING_COLUMNS)
    for row in findings[list(FINDING_COLUMNS)].itertuples(index=False):
        writer.writerow([_csv_cell(value) for value in row])
    # The mark in front tells spreadsheets that the file is UTF-8.
    return write_atomic(Path(folder) / PROBLEMS_FILE, text.getvalue().encode("utf-8-sig"))


def _csv_cell(value: Any) -> str:
    if value is pd.NA or value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value)
    # A negative number is a number, not a formula.
    return text if read_number(text) is not None else safe_cell(text)


# Aliases ----------------------------------------------------------------------------------------------------


def write_aliases(season: Any, folder: Path | str) -> Path | None:
    """Write the spellings of blocks that were met, ready to be kept as aliases.csv.

    A spelling that was taken for a block has its `block_id`. One that only looks like a block has it in `perhaps`,
    and the row does nothing before somebody moves it to `block_id`.

    Parameters
    ----------
    season : Season
    folder : path
        The season's folder, or another.

    Returns
    -------
    Path or None
        "aliases_offered.csv"; rows of an aliases.csv already there are kept at its head, so that the file can
        take its place. None when there is no spelling to agree on.
    """
    names = [*season.blocks["block_id"], *season.unsound_blocks["block_id"]]
    by_key = {name_key(name): name for name in names}
    columns = [column.name for column in TABLES["aliases"]]
    rows: dict[str, list[str]] = {}
    met = season.findings[season.findings["column"].isin(["block_id", "start_block"])]
    met = met[met["code"].isin(["name-matched", "unknown-name"])]
    for file, sheet, value in zip(met["file"], met["sheet"], met["value"], strict=True):
        own = by_key.get(name_key(value), "")
        perhaps = "" if own else closest(value, names) or ""
        if own or perhaps:
            seen = f"{file}, sheet {sheet}" if sheet else file
            rows.setdefault(value, [value, own, seen, "", "", perhaps])
    if not rows:
        return None
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([*columns, "perhaps"])
    for old in season.aliases.to_dict("records"):
        agreed = "" if pd.isna(old["agreed_on"]) else old["agreed_on"].date().isoformat()
        kept = [old["as_written"], old["block_id"], old["seen_in"], agreed, old["note"], ""]
        writer.writerow([_csv_cell(value) for value in kept])
    for row in rows.values():
        writer.writerow([_csv_cell(value) for value in row])
    return write_atomic(Path(folder) / ALIASES_FILE, text.getvalue().encode("utf-8-sig"))


# Marked workbook --------------------------------------------------------------------------------------------


def mark_workbook(season: Any, folder: Path | str, *, findings: pd.DataFrame | None = None) -> Path | None:
    """Write a copy of records.xlsx with the cells of errors and warnings filled and commented.

    Parameters
    ----------
    season : Season or path
        A season, or its folder when nothing could be decided; then `findings` is needed.
    folder : path
        Where the copy goes.
    findings : DataFrame, optional
        Findings to mark instead of the season's own.

    Returns
    -------
    Path or None
        None when the season has no workbook, or one that can't be read.
    """
    source = Path(season) if isinstance(season, str | Path) else Path(season.folder)
    if findings is None:
        findings = season.findings
    path = source / WORKBOOK
    if not path.is_file():
        return None
    try:
        grids = {grid.sheet: grid for grid in read_workbook_grids(path)}
        settings = read_settings(source)
    except SeasonError:
        return None
    book = open_workbook(read_bytes(path))
    for sheet in book.worksheets:
        _unmark(sheet)
    ours = findings[findings["file"] == WORKBOOK]
    for sheet_name in dict.fromkeys(ours["sheet"].tolist()):
        if sheet_name not in grids:
            continue
        rows = ours[ours["sheet"] == sheet_name]
        table = table_of_sheet(WORKBOOK, sheet_name, settings)
        columns = {} if table is None else columns_in(grids[sheet_name], table, settings.layouts[table])
        _mark_sheet(book[sheet_name], rows, columns)
    _problem_sheet(book, findings)
    return write_atomic(Path(folder) / MARKED_WORKBOOK, workbook_bytes(book))


def _unmark(sheet: Any) -> None:
    """Take off the marks of an earlier copy that the office mended and sent back."""
    for cell in list(sheet._cells.values()):
        if cell.comment is not None and cell.comment.author == _AUTHOR and cell.row > 1:
            cell.comment = None
            cell.fill = PatternFill()


def _mark_sheet(sheet: Any, rows: pd.DataFrame, columns: dict[str, int]) -> None:
    sayings: dict[tuple[int, int], list[str]] = {}
    levels: dict[tuple[int, int], str] = {}
    for row in rows[rows["row"].notna()].to_dict("records"):
        place = (int(row["row"]), columns.get(row["column"], 0) + 1)
        # The comment stands on the cell, so it need not say where that is.
        says = row["says"].removeprefix(f"{row['file']}, sheet {row['sheet']}, row {row['row']}").lstrip(":, ")
        sayings.setdefault(place, []).append(f"{says} {row['do']}")
        levels.setdefault(place, row["level"])
    for (row_number, column_number), texts in sayings.items():
        cell = sheet.cell(row_number, column_number)
        # The inner cells of a merged range can't be written to.
        if type(cell).__name__ == "MergedCell":
            continue
        cell.fill = PatternFill("solid", fgColor=_FILLS.get(levels[row_number, column_number], _NOTE_FILL))
        cell.comment = Comment("\n".join(texts)[:2000], _AUTHOR, height=120, width=320)


def _sheet_cell(value: Any) -> Any:
    # A CSV file may hold control characters that a workbook can't.
    return ILLEGAL_CHARACTERS_RE.sub(" ", value) if isinstance(value, str) else value


def _problem_sheet(book: openpyxl.Workbook, findings: pd.DataFrame) -> None:
    if PROBLEMS_SHEET in book.sheetnames:
        del book[PROBLEMS_SHEET]
    sheet = book.create_sheet(PROBLEMS_SHEET, 0)
    book.active = 0
    names = ("level", "sheet", "row", "column", "value", "says", "do")
    sheet.append(list(names))
    for row in findings[list(names)].to_dict("records"):
        sheet.append([None if row[name] is pd.NA else _sheet_cell(row[name]) for name in names])
        for cell in sheet[sheet.max_row]:
            # Text that starts with = must stay text in a workbook too.
            if isinstance(cell.value, str):
                cell.data_type = "s"
                cell.alignment = Alignment(wrap_text=cell.column > 5, vertical="top")
        sheet.cell(sheet.max_row, 1).fill = PatternFill("solid", fgColor=_FILLS.get(row["level"], _NOTE_FILL))
    for letter, width in zip("ABCDEFG", (9, 14, 7, 18, 18, 70, 60), strict=True):
        sheet.column_dimensions[letter].width = width
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    sheet.freeze_panes = "A2"
