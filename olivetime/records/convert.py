"""A grid of text to a typed table: headings, skipped rows, cells, ranges, references, duplicates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from olivetime.records.cells import TEXT, TOTAL_WORDS, Cells, clean_texts, distinct, is_total_row
from olivetime.records.columns import TABLES, UNITS, Column, dtype_of
from olivetime.records.files import Grid, column_letter
from olivetime.records.findings import ERROR, NOTE, WARNING, shown
from olivetime.records.headings import (
    Match,
    closest_column,
    closest_heading,
    heading_key,
    is_bare_ton,
    match_heading,
)
from olivetime.records.typed import ColumnReader, Layout, Place, row_list

ROW, BAD = "_row", "_bad"

_HEADING_ROWS = 25
_HEADING_LEVELS = 3


@dataclass(frozen=True)
class Heading:
    """Where a grid's headings stand: first data position, and for each grid column its heading."""

    first: int
    names: list[str]
    fits: int
    row: int


def find_heading(grid: Grid, table: str, layout: Layout) -> Heading | None:
    """Find the heading row (or up to three rows read together) that most of our columns know.

    Title rows above it are passed over; merged heading cells count for each column they span.
    """
    best: Heading | None = None
    for top in range(min(_HEADING_ROWS, len(grid.texts))):
        for levels in range(1, _HEADING_LEVELS + 1):
            if top + levels > len(grid.texts):
                break
            names = joined_headings(grid, top, levels)
            known = {m.column.name for name in names if (m := _match(table, name, layout)) is not None}
            fits = len(known)
            if fits and (best is None or fits > best.fits):
                best = Heading(top + levels, names, fits, grid.numbers[top + levels - 1])
    return best


def joined_headings(grid: Grid, top: int, levels: int) -> list[str]:
    """Headings that stand in `levels` rows from position `top` on, read together from top to bottom."""
    width = max(len(grid.texts[top + k]) for k in range(levels))
    lines = []
    for k in range(levels):
        number = grid.numbers[top + k]
        line = clean_texts(grid.texts[top + k]) + [""] * (width - len(grid.texts[top + k]))
        for first_row, first_column, last_row, last_column in grid.merged:
            if first_row <= number <= last_row and last_column <= width:
                for column in range(first_column - 1, last_column):
                    source = line[first_column - 1] if number == first_row else ""
                    line[column] = line[column] or source
        lines.append(line)
    return [" ".join(filter(None, parts)) for parts in zip(*lines, strict=True)]


def _match(table: str, heading: str, layout: Layout) -> Match | None:
    if not heading:
        return None
    if layout.headings:
        theirs = {heading_key(own) or own: ours for own, ours in layout.headings.items()}
        ours = theirs.get(heading_key(heading) or heading)
        if ours is not None:
            return match_heading(table, ours, layout.ton)
    return match_heading(table, heading, layout.ton)


@dataclass(frozen=True)
class Converted:
    """A typed table before cross-checks.

    Parameters
    ----------
    frame : DataFrame
        All columns of the table, `_row` (row in the spreadsheet) and `_bad` (an error touches the row).
    place : Place
        Its findings so far, its file, sheet, rows and blocks.
    columns : dict of str to (index, heading)
        Where each column stands in the file, and under what heading.
    missing : tuple of str
        Required columns the file lacks.
    """

    frame: pd.DataFrame
    place: Place
    columns: dict[str, tuple[int, str]]
    missing: tuple[str, ...]


def convert(
    grid: Grid,
    table: str,
    layout: Layout,
    known: Mapping[str, Sequence[str]],
    aliases: Mapping[str, str] | None = None,
) -> Converted:
    """Turn a grid into the typed table, with a finding for everything that was not plain.

    Parameters
    ----------
    grid : Grid
    table : str
        Key of `TABLES`.
    layout : Layout
    known : mapping of str to sequence of str
        Names that may be referred to: "blocks.block_id" and so on.
    aliases : mapping of str to str, optional
        Agreed spellings of blocks: matching key to block_id.

    Returns
    -------
    Converted
    """
    place = Place(table, grid.file, grid.sheet, np.array(grid.numbers, dtype=int))
    for code, says, do in grid.notes:
        place.add(code, NOTE, says, "", do)
    heading = find_heading(grid, table, layout)
    if heading is None:
        if grid.texts:
            says = "no heading row was found in the first rows"
            names = ", ".join(c.name for c in TABLES[table] if c.required)
            place.add("no-heading", ERROR, says, f"headings such as {names}", "Write the headings above the rows.")
        missing = tuple(c.name for c in TABLES[table] if c.required) if grid.texts else ()
        return Converted(_empty(table), place, {}, missing)
    columns, matches = _columns_of(heading, table, layout, place)
    keep = _kept_rows(grid, heading, table, columns, place)
    place.rows = place.rows[keep]
    texts = [grid.texts[i] for i in keep]
    marks = None if grid.marks is None else [grid.marks[i] for i in keep]
    cells = _cells_by_column(texts, marks, columns, grid, place)
    return _typed(table, layout, known, aliases or {}, place, cells, matches, columns, len(keep))


def absent(table: str) -> Converted:
    """Stand in for an optional table that the season does not have."""
    return Converted(_empty(table), Place(table, "", "", np.array([], dtype=int)), {}, ())


def _empty(table: str) -> pd.DataFrame:
    series = {c.name: pd.Series([], dtype=dtype_of(c)) for c in TABLES[table]}
    return pd.DataFrame({**series, ROW: pd.Series([], dtype="int64"), BAD: pd.Series([], dtype="bool")})


def _columns_of(
    heading: Heading, table: str, layout: Layout, place: Place
) -> tuple[dict[str, tuple[int, str]], dict[str, Match]]:
    columns: dict[str, tuple[int, str]] = {}
    matches: dict[str, Match] = {}
    extra: list[str] = []
    for index, name in enumerate(heading.names):
        if not name:
            continue
        match = _match(table, name, layout)
        if match is None:
            if is_bare_ton(table, name):
                place.add(
                    "bare-ton",
                    ERROR,
                    f"heading {shown(name)} says ton",
                    "short_ton, or t for the metric ton",
                    'Rename it, or write ton = "short" or ton = "metric" under [layout] in season.toml.',
                    value=name,
                )
            else:
                extra.append(name)
            continue
        column = match.column.name
        if column in columns:
            letters = f"{column_letter(columns[column][0])}, {column_letter(index)}"
            place.add(
                "heading-twice",
                ERROR,
                f"column {column} stands twice ({letters})",
                "one column",
                "Delete or rename one of them.",
                column=column,
                value=name,
            )
            continue
        columns[column] = (index, name)
        matches[column] = match
    for column_ in TABLES[table]:
        # An optional column under a misspelt heading would be lost without a word.
        hint = None if column_.required or column_.name in columns else closest_heading(column_.name, extra)
        if hint is not None and column_.name == closest_column(hint, table, columns):
            extra.remove(hint)
            says = f"heading `{shown(hint)}` was not read"
            do = f"Rename it if {column_.name} is meant."
            place.add("heading-unclear", WARNING, says, "", do, column=column_.name, value=hint)
    if extra:
        names = ", ".join(map(shown, extra[:12])) + (" and more" if len(extra) > 12 else "")
        place.add("extra-columns", NOTE, f"columns not used: {names}", "", "Nothing to do unless one is misspelt.")
    for column_ in TABLES[table]:
        if column_.required and column_.name not in columns:
            unit = UNITS[column_.unit]
            others = [column_.name.removesuffix(unit.suffix) + alt.suffix for alt in unit.alternatives[:2]]
            hint = closest_heading(column_.name, extra)
            nearest = f"; nearest heading is `{shown(hint)}`" if hint else ""
            place.add(
                "no-column",
                ERROR,
                f"no column {column_.name}{nearest}",
                "",
                f"Add it, or rename the heading to {' or '.join([column_.name, *others])}.",
                column=column_.name,
            )
    return columns, matches


def columns_in(grid: Grid, table: str, layout: Layout) -> dict[str, int]:
    """Where each of a table's columns stands in a grid, as 0-based positions."""
    heading = find_heading(grid, table, layout)
    if heading is None:
        return {}
    unused = Place(table, grid.file, grid.sheet, np.array([], dtype=int))
    columns, _ = _columns_of(heading, table, layout, unused)
    return {name: index for name, (index, _) in columns.items()}


def _kept_rows(
    grid: Grid, heading: Heading, table: str, columns: Mapping[str, tuple[int, str]], place: Place
) -> list[int]:
    """Positions of the rows that hold records."""
    width = len(heading.names)
    heads = [name.casefold() for name in heading.names]
    words = {name for name in heads if name}
    suspicious = {"", *TOTAL_WORDS, *(name.strip(" :.") for name in words)}
    keep, totals, again = [], [], []
    for i in range(heading.first, len(grid.texts)):
        row = grid.texts[i]
        first = row[0] if row else ""
        # Most rows are as long as the heading and start with a name of their own.
        if len(row) == width and first.strip(" :.").casefold() not in suspicious:
            keep.append(i)
            continue
        first = next((t for t in row if t and not t.isspace()), "").strip()
        if not first:
            continue
        if is_total_row(first) and _lacks_needed(row, table, columns):
            totals.append(i)
        elif first.casefold() in words and [t.strip().casefold() for t in row[:width]] == heads[: len(row)]:
            again.append(i)
        elif grid.marks is None and len(row) != width and (len(row) < width or any(row[width:])):
            says, expected = f"the row has {len(row)} cells", f"{width}, as in the heading"
            do = "Look for a missing or extra delimiter."
            place.add("ragged-row", ERROR, says, expected, do, index=i)
        else:
            keep.append(i)
    hidden = [i for i in keep if grid.numbers[i] in grid.hidden] if grid.hidden else []
    if keep and grid.numbers[keep[-1]] - heading.row > len(keep) + len(totals) + len(again):
        place.add("blank-rows", NOTE, "blank rows were skipped", "", "Nothing to do.")
    for code, which, says in (
        ("total-row", totals, "total or average"),
        ("heading-again", again, "repeated heading"),
    ):
        if which:
            place.add(code, NOTE, f"{says} skipped in {_rows(grid, which)}", "", "Nothing to do.", index=which[0])
    if hidden:
        says, do = f"hidden and read all the same: {_rows(grid, hidden)}", "Delete them if they should not count."
        place.add("hidden-rows", WARNING, says, "", do, index=hidden[0])
    return keep


def _lacks_needed(row: Sequence[str], table: str, columns: Mapping[str, tuple[int, str]]) -> bool:
    """Whether a cell that every record fills is empty: then a row that starts with "Total" is no record."""
    needed = (columns[c.name][0] for c in TABLES[table] if c.required and not c.gaps and c.name in columns)
    return any(j >= len(row) or not row[j].strip() for j in needed)


def _rows(grid: Grid, indices: Sequence[int]) -> str:
    return row_list([grid.numbers[i] for i in indices])


def _cells_by_column(
    texts: list[list[str]],
    marks: list[list[str]] | None,
    columns: Mapping[str, tuple[int, str]],
    grid: Grid,
    place: Place,
) -> dict[str, Cells]:
    by_column = {}
    for name, (index, _) in columns.items():
        if marks is None:
            # Rows of a CSV file are as long as the heading, or longer by empty cells.
            by_column[name] = Cells([row[index] for row in texts])
            continue
        column = clean_texts([row[index] if index < len(row) else "" for row in texts])
        kinds = [row[index] if index < len(row) else TEXT for row in marks]
        by_column[name] = Cells(column, kinds)
    for first_row, first_column, last_row, _ in grid.merged:
        name = next((n for n, (index, _) in columns.items() if index == first_column - 1), "")
        where = np.flatnonzero((place.rows >= first_row) & (place.rows <= last_row))
        if not name or len(where) < 2:
            continue
        cells = by_column[name]
        for i in where[1:]:
            cells.texts[i] = cells.texts[where[0]]
            if cells.marks is not None:
                cells.marks[i] = cells.marks[where[0]]
        place.add(
            "merged-cell",
            NOTE,
            f"{name} is one merged cell down to row {last_row}; it counts for each row",
            "",
            "Nothing to do.",
            index=int(where[0]),
            column=name,
        )
    return by_column


def _typed(
    table: str,
    layout: Layout,
    known: Mapping[str, Sequence[str]],
    aliases: Mapping[str, str],
    place: Place,
    cells: Mapping[str, Cells],
    matches: Mapping[str, Match],
    columns: dict[str, tuple[int, str]],
    n: int,
) -> Converted:
    bad = np.zeros(n, dtype=bool)
    series: dict[str, np.ndarray] = {}
    different = {name: distinct(c) for name, c in cells.items()}
    missing = tuple(c.name for c in TABLES[table] if c.required and c.name not in columns)
    # The block of a row is read first, so that every later finding can name it.
    ordered = sorted(TABLES[table], key=lambda c: c.name != "block_id")
    headings = {name: heading for name, (_, heading) in columns.items()}
    reader = ColumnReader(place, layout, different, matches, headings, bad, aliases)
    reader.decide_marks()
    for column in ordered:
        if column.name not in different:
            series[column.name] = _fill(column, n)
            if column.name in missing:
                bad[:] = True
            continue
        series[column.name] = reader.read(column, known)
        if column.name == "block_id":
            place.blocks = list(series["block_id"])
    if missing and n:
        # One finding stands for all rows of a missing column; it touches every block they name.
        for i, finding in enumerate(place.found):
            if finding.code == "no-column" and place.blocks:
                blocks = tuple(dict.fromkeys(b for b in place.blocks if b))
                place.found[i] = replace(finding, blocks=blocks)
    frame = pd.DataFrame({c.name: pd.Series(series[c.name], dtype=_store(c)) for c in TABLES[table]})
    frame[ROW] = place.rows
    frame[BAD] = bad
    return Converted(frame, place, columns, missing)


def _store(column: Column) -> str:
    # Integers that can't be missing become int64 only when the bad rows are gone.
    dtype = dtype_of(column)
    return "float64" if dtype == "int64" else dtype


def _fill(column: Column, n: int) -> np.ndarray:
    if column.kind in ("text", "choice"):
        return np.full(n, column.default or "", dtype=object)
    if column.kind in ("date", "instant"):
        return np.full(n, np.datetime64("NaT", "us"))
    if column.kind == "bool":
        return np.full(n, bool(column.default))
    return np.full(n, np.nan if column.default is None else float(column.default))
