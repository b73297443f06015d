"""A grid of text to a typed table: headings, skipped rows, cells, ranges, references, duplicates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute

from olivetime.records.cells import (
    BROKEN,
    DEAD,
    TEXT,
    Cells,
    Distinct,
    clean_text,
    clean_texts,
    distinct,
    distinct_plain,
    is_error_cell,
    is_total_row,
    read_date,
    read_number,
)
from olivetime.records.columns import TABLES, UNITS, Column, dtype_of
from olivetime.records.files import ByColumn, Grid, column_letter
from olivetime.records.findings import ERROR, NOTE, WARNING, shown
from olivetime.records.headings import (
    Match,
    closest_column,
    closest_heading,
    heading_key,
    is_bare_ton,
    match_heading,
)
from olivetime.records.samples import dry_from_fresh
from olivetime.records.typed import NAMED_THINGS, ColumnReader, Layout, Place, Values, row_list, text_rows

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
    fewest = 0
    looked_at = range(min(_HEADING_ROWS, len(grid.texts)))
    width = max((len(grid.texts[top]) for top in looked_at), default=0)
    for top in looked_at:
        if best is not None and best.fits == width:
            break
        for levels in range(1, _HEADING_LEVELS + 1):
            if top + levels > len(grid.texts):
                break
            names = joined_headings(grid, top, levels)
            if levels > 1 and not any(_holds_numbers(grid, top + k) for k in range(1, levels)):
                names = _plainest(grid, top, levels, names, table, layout)
            known = {m.column.name for name in names if (m := _match(table, name, layout)) is not None}
            fits = len(known)
            if fits and (best is None or fits > best.fits or (fits == best.fits and levels < fewest)):
                best, fewest = Heading(top + levels, names, fits, grid.numbers[top + levels - 1]), levels
    return best


def _plainest(grid: Grid, top: int, levels: int, names: list[str], table: str, layout: Layout) -> list[str]:
    """Names of headings in several rows; where the rows together say nothing, the lowest or the top one may alone.

    "Fruit" above "moisture_pct" is a title of a group, and "(date)" below "sampled_on" a remark.
    """
    first, last = (_row_of(grid, row, len(names)) for row in (top, top + levels - 1))
    return [
        next(
            (
                text
                for text in (name, low, high if low.startswith(("(", "[")) else "")
                if text and _match(table, text, layout) is not None
            ),
            name,
        )
        for name, low, high in zip(names, last, first, strict=True)
    ]


def _holds_numbers(grid: Grid, row: int) -> bool:
    """Whether a row has a number or a date in it, so that it is a record and no heading."""
    if grid.marks is not None and any(mark != TEXT for mark in grid.marks[row]):
        return True
    return any(read_number(text) is not None or read_date(text, "dmy") for text in clean_texts(grid.texts[row]))


def _row_of(grid: Grid, row: int, width: int) -> list[str]:
    texts = clean_texts(grid.texts[row])
    return texts + [""] * (width - len(texts))


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
    codes : dict of str to ndarray of int
        For each column of text in the file, a number for each row: the same where the text is the same.
    """

    frame: pd.DataFrame
    place: Place
    columns: dict[str, tuple[int, str]]
    missing: tuple[str, ...]
    codes: dict[str, np.ndarray] = field(default_factory=dict)


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
    columns, matches = _columns_of(grid, heading, table, layout, place)
    keep = _kept_rows(grid, heading, table, columns, place)
    place.rows = place.rows[keep]
    if isinstance(grid.texts, ByColumn):
        different = {name: _distinct_by_column(grid.texts, index, keep) for name, (index, _) in columns.items()}
    else:
        cells = _cells_by_column(grid, keep, columns, place)
        different = {name: distinct(c) for name, c in cells.items()}
    return _typed(table, layout, known, aliases or {}, place, different, matches, columns, len(keep), grid.day_zero)


def texts_in(column: pd.Series | pd.api.extensions.ExtensionArray) -> list[str]:
    """List the texts of a column; walking over the column itself is much slower."""
    texts: list[str] = column.to_numpy(dtype=object).tolist()
    return texts


def count_by_text(table: Converted, column: str, rows: np.ndarray) -> dict[str, int]:
    """Count how many of some rows, given as a mask, hold each text of a column."""
    code = table.codes.get(column)
    if code is None or not len(code):
        return {}
    texts = texts_in(_texts_of(table, column))
    return dict(zip(texts, np.bincount(code[rows], minlength=len(texts)).tolist(), strict=True))


def ranks(table: Converted, column: str) -> np.ndarray:
    """Give a number for each row that sorts as the column's values do."""
    if column not in table.codes:
        values = table.frame[column]
        return values.rank(method="dense").to_numpy() if values.dtype == "str" else values.to_numpy()
    code, texts = table.codes[column], _texts_of(table, column)
    rank = np.empty(len(texts), dtype=np.int64)
    rank[texts.argsort()] = np.arange(len(texts))
    return rank[code]


def _texts_of(table: Converted, column: str) -> pd.api.extensions.ExtensionArray:
    """Return the different texts of a column, in the order of their codes."""
    code = table.codes[column]
    some = np.empty(int(code.max()) + 1, dtype=np.int64)
    some[code] = np.arange(len(code))
    return table.frame[column].array.take(some)


def without(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Leave columns out, quicker than `DataFrame.drop` where tables are small and many."""
    frame = frame.copy(deep=False)
    for column in columns:
        del frame[column]
    return frame


def absent(table: str) -> Converted:
    """Stand in for an optional table that the season does not have."""
    return Converted(_empty(table), Place(table, "", "", np.array([], dtype=int)), {}, ())


def _empty(table: str) -> pd.DataFrame:
    return _empty_once(table).copy()


@lru_cache(maxsize=64)
def _empty_once(table: str) -> pd.DataFrame:
    series = {c.name: pd.Series([], dtype=dtype_of(c)) for c in TABLES[table]}
    return pd.DataFrame({**series, ROW: pd.Series([], dtype="int64"), BAD: pd.Series([], dtype="bool")})


def _columns_of(
    grid: Grid, heading: Heading, table: str, layout: Layout, place: Place
) -> tuple[dict[str, tuple[int, str]], dict[str, Match]]:
    columns: dict[str, tuple[int, str]] = {}
    matches: dict[str, Match] = {}
    extra: list[str] = []
    unclear: set[str] = set()
    again: dict[str, list[tuple[int, str]]] = {}
    for index, name in enumerate(heading.names):
        if not name:
            continue
        match = _match(table, name, layout)
        if match is None:
            if is_bare_ton(table, name):
                unclear |= {m.column.name for ton in ("short", "metric") if (m := match_heading(table, name, ton))}
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
            again.setdefault(column, []).append((index, name))
            continue
        columns[column] = (index, name)
        matches[column] = match
    for column, others in again.items():
        places = [columns[column][0], *(index for index, _ in others)]
        says = f"column {column} stands twice ({', '.join(map(column_letter, places))})"
        same = all(_same_column(grid, heading.first, places[0], place_) for place_ in places[1:])
        level, do = WARNING, "The first was read, as all hold the same; delete the others."
        if not same:
            # Nobody can tell which one is meant, so none is.
            level, do = ERROR, "None of them was read; delete or rename all but one."
            del columns[column], matches[column]
            unclear.add(column)
        place.add("heading-twice", level, says, "one column", do, column=column, value=others[0][1])
    for column_ in TABLES[table]:
        # An optional column under a misspelt heading would be lost without a word.
        settled = column_.required or column_.name in columns or column_.name in unclear
        hint = None if settled else closest_heading(column_.name, extra)
        if hint is not None and column_.name == closest_column(hint, table, columns):
            extra.remove(hint)
            says = f"heading `{shown(hint)}` was not read"
            do = f"Rename it if {column_.name} is meant."
            place.add("heading-unclear", WARNING, says, "", do, column=column_.name, value=hint)
    if extra:
        unused = ", ".join(map(shown, extra[:12])) + (" and more" if len(extra) > 12 else "")
        place.add("extra-columns", NOTE, f"columns not used: {unused}", "", "Nothing to do unless one is misspelt.")
    for column_ in TABLES[table]:
        if column_.required and column_.name not in columns and column_.name not in unclear:
            unit = UNITS[column_.unit]
            stem = column_.name.removesuffix(unit.suffix)
            names = [column_.name, *(stem + other.suffix for other in unit.alternatives[:2])]
            hint = closest_heading(column_.name, extra)
            nearest = f"; nearest heading is `{shown(hint)}`" if hint else ""
            place.add(
                "no-column",
                ERROR,
                f"no column {column_.name}{nearest}",
                "",
                f"Add it, or rename the heading to {' or '.join(names)}.",
                column=column_.name,
            )
    return columns, matches


def _same_column(grid: Grid, first: int, one: int, other: int) -> bool:
    """Whether two columns hold the same texts in all rows from `first` on."""
    if isinstance(grid.texts, ByColumn):
        a, b = (grid.texts.values[i].take(pa.array(grid.texts.codes[i][first:])) for i in (one, other))
        return bool(a.equals(b))
    widest = max(one, other)
    return all(row[one].strip() == row[other].strip() for row in grid.texts[first:] if len(row) > widest)


def columns_in(grid: Grid, table: str, layout: Layout) -> dict[str, int]:
    """Where each of a table's columns stands in a grid, as 0-based positions."""
    heading = find_heading(grid, table, layout)
    if heading is None:
        return {}
    unused = Place(table, grid.file, grid.sheet, np.array([], dtype=int))
    columns, _ = _columns_of(grid, heading, table, layout, unused)
    return {name: index for name, (index, _) in columns.items()}


def _kept_rows(
    grid: Grid, heading: Heading, table: str, columns: Mapping[str, tuple[int, str]], place: Place
) -> np.ndarray:
    """Positions of the rows that hold records."""
    width = len(heading.names)
    heads = [name.casefold() for name in _row_of(grid, heading.first - 1, width)]
    first_words = _first_words()
    words = {name for name in heads if name}
    needed = {c.name: columns[c.name][0] for c in TABLES[table] if c.required and not c.gaps and c.name in columns}
    key = needed.get(TABLES[table][0].name) if table in NAMED_THINGS else None
    keep, totals, again, remarks, nameless, formulas = [], [], [], [], [], []
    left_out = 0
    ragged: dict[int, list[int]] = {}
    looked_at: Sequence[int] | np.ndarray = range(heading.first, len(grid.texts))
    if isinstance(grid.texts, ByColumn):
        looked_at = _suspicious_rows(grid.texts, heading.first, list(needed.values()), words)
    last = int(grid.numbers[-1]) if len(grid.numbers) else 0
    # Cells that a merged one above them stands for.
    merged = {(row, left - 1) for top, left, low, _ in grid.merged for row in range(top + 1, min(low, last) + 1)}
    for i in map(int, looked_at):
        row = grid.texts[i]
        first = row[0] if row else ""
        # Where files were joined, a byte-order mark stands before the heading that comes again.
        first = (first if first.isascii() else clean_text(first)).strip().casefold()
        lacking = [j for j in needed.values() if j >= len(row) or not row[j] or row[j].isspace()]
        lacking = [j for j in lacking if (grid.numbers[i], j) not in merged]
        # Most rows are as long as the heading and have what every record has.
        if not lacking and len(row) == width and first not in words and first not in first_words:
            keep.append(i)
            continue
        filled = [j for j, text in enumerate(row) if text and not text.isspace()]
        if not filled:
            continue
        first = row[filled[0]].strip()
        if lacking and is_total_row(first):
            totals.append(i)
        elif [t.casefold() for t in clean_texts(row[:width])] == heads[: len(row)]:
            again.append(i)
        elif second := _second_table(row, filled, table, first_words | words):
            left_out = len(grid.texts) - i
            says = f"headings of table {second} stand in row {grid.numbers[i]}; nothing was read from there on"
            do = "Move those rows to a sheet or file of their own."
            place.add("second-table", ERROR, says, "", do, index=i)
            break
        elif grid.marks is None and len(filled) == 1 and width > 1 and _other_delimiter(first, width):
            ragged.setdefault(len(row), []).append(i)
        elif len(lacking) == len(needed) and grid.marks and all(_is_broken(grid, i, j) for j in filled):
            formulas.append(i)
        elif len(filled) == 1 and len(needed) > 1 and len(lacking) >= len(needed) - 1 and filled[0] != key:
            remarks.append(i)
        elif grid.marks is None and len(row) != width and (len(row) < width or any(row[width:])):
            ragged.setdefault(len(row), []).append(i)
        elif len(lacking) == len(needed) > 1:
            nameless.append(i)
        else:
            keep.append(i)
    _tell_ragged(grid, ragged, width, place)
    _tell_no_records(grid, remarks, nameless, list(needed), place)
    passed = left_out + sum(map(len, (totals, again, remarks, nameless, formulas, *ragged.values())))
    if isinstance(grid.texts, ByColumn):
        plain = np.ones(len(grid.texts), dtype=bool)
        plain[: heading.first] = False
        plain[looked_at] = False
        plain[keep] = True
        plain[len(plain) - left_out :] = False
        kept = np.flatnonzero(plain)
    else:
        kept = np.array(keep, dtype=int)
    hidden = [i for i in keep if grid.numbers[i] in grid.hidden] if grid.hidden else []
    struck = [i for i in keep if grid.numbers[i] in grid.struck] if grid.struck else []
    if len(kept) and grid.numbers[kept[-1]] - heading.row > len(kept) + passed:
        place.add("blank-rows", NOTE, "blank rows were skipped", "", "Nothing to do.")
    for code, which, says in (
        ("total-row", totals, "total or average"),
        ("heading-again", again, "repeated heading"),
        ("formula-row", formulas, "nothing but unfinished formulas"),
    ):
        if which:
            place.add(code, NOTE, f"{says} skipped in {_rows(grid, which)}", "", "Nothing to do.", index=which[0])
    if hidden:
        says, do = f"hidden and read all the same: {_rows(grid, hidden)}", "Delete them if they should not count."
        place.add("hidden-rows", WARNING, says, "", do, index=hidden[0])
    if struck:
        says, do = f"struck out and read all the same: {_rows(grid, struck)}", "Delete what should not count."
        place.add("struck-rows", WARNING, says, "", do, index=struck[0])
    unseen = [name for name, (index, _) in columns.items() if index + 1 in grid.hidden_columns]
    if grid.concealed or unseen:
        what = f"{', '.join(unseen)} {'is' if len(unseen) == 1 else 'are'}"
        what = "the sheet is" if grid.concealed else what
        verb = "were" if len(unseen) > 1 and not grid.concealed else "was"
        do = "Show it, or delete it if it should not count."
        place.add("hidden-cells", WARNING, f"{what} hidden and {verb} read all the same", "", do)
    return kept


@lru_cache(maxsize=1)
def _first_words() -> frozenset[str]:
    """What the first column of a table may be headed."""
    return frozenset(columns[0].name for columns in TABLES.values())


def _second_table(row: Sequence[str], filled: Sequence[int], table: str, words: frozenset[str] | set[str]) -> str:
    """Name of the table whose headings a row holds, though they are not those above it; else nothing."""
    texts = clean_texts([row[j] for j in filled])
    if len(texts) < 2 or not any(text.casefold() in words for text in texts):
        return ""
    ours = (table, *(name for name in TABLES if name != table))
    return next((name for name in ours if all(match_heading(name, text) is not None for text in texts)), "")


def _other_delimiter(text: str, width: int) -> bool:
    """Whether a cell that stands alone is a whole row under another delimiter."""
    return any(text.count(mark) == width - 1 for mark in ",;\t|")


def _is_broken(grid: Grid, row: int, column: int) -> bool:
    return is_error_cell(grid.texts[row][column]) or (grid.marks or [])[row][column] in (DEAD, BROKEN)


def _tell_ragged(grid: Grid, ragged: Mapping[int, Sequence[int]], width: int, place: Place) -> None:
    """Report rows with too few or too many cells: each, or many of one length in one line."""
    for n, which in ragged.items():
        expected, do = f"{width}, as in the heading", "Look for a missing or extra delimiter."
        if len(which) > 3:
            says = f"{n} cell{' stands' if n == 1 else 's stand'} in {_rows(grid, which)}"
            place.add("ragged-row", ERROR, says, expected, do, index=which[0])
            continue
        for i in which:
            says = f"the row has {n} cell{'' if n == 1 else 's'}"
            place.add("ragged-row", ERROR, says, expected, do, index=i)


def _tell_no_records(
    grid: Grid, remarks: Sequence[int], nameless: Sequence[int], needed: Sequence[str], place: Place
) -> None:
    """Report rows that are passed over: remarks and leftovers of formulas, and numbers that belong to nothing."""
    if remarks:
        row = grid.texts[remarks[0]]
        text = next(t.strip() for t in row if t and not t.isspace())
        verb = "were" if len(remarks) > 1 else "was"
        says = f"`{shown(text)}` stands alone, so {_rows(grid, remarks)} {verb} not read"
        do = "Nothing to do if it is a remark; else fill in the row."
        place.add("remark", WARNING, says, "", do, index=remarks[0], value=text)
    if nameless:
        names = f"{', '.join(needed[:-1])} or {needed[-1]}"
        says = f"no {names} in {_rows(grid, nameless)}"
        place.add("no-record", ERROR, says, "", "Fill them in, or clear the row.", index=nameless[0])


def _suspicious_rows(rows: ByColumn, first: int, needed: Sequence[int], words: set[str]) -> np.ndarray:
    """Positions of rows, from `first` on, that may be totals, remarks or headings.

    They lack a cell that every record fills, or repeat a heading (looked for where texts are fewest).
    """
    odd = np.zeros(len(rows), dtype=bool)
    for index in needed:
        texts = rows.values[index]
        if not rows.clean:
            texts = pyarrow.compute.utf8_trim_whitespace(texts)
        empty = pyarrow.compute.equal(texts, "").to_numpy(zero_copy_only=False)
        if empty.any():
            odd |= empty[rows.codes[index]]
    fewest = min(range(len(rows.values)), key=lambda index: len(rows.values[index]))
    texts = pyarrow.compute.utf8_lower(pyarrow.compute.utf8_trim_whitespace(rows.values[fewest]))
    again = pyarrow.compute.is_in(texts, value_set=pa.array(sorted(words), pa.string())).to_numpy(zero_copy_only=False)
    if again.any():
        odd |= again[rows.codes[fewest]]
    where = np.flatnonzero(odd)
    return where[where >= first]


def _rows(grid: Grid, indices: Sequence[int]) -> str:
    return row_list([grid.numbers[i] for i in indices])


def _distinct_by_column(rows: ByColumn, index: int, keep: np.ndarray) -> Distinct:
    """Gather the different texts that the kept rows of a column hold, in the order in which they come."""
    values, code = rows.values[index], rows.codes[index]
    top = int(keep[0]) if len(keep) else 0
    code = code[top:] if len(keep) == len(code) - top else code[keep]
    first = np.full(len(values), -1)
    first[code[::-1]] = np.arange(len(code) - 1, -1, -1)
    used = np.flatnonzero(first >= 0)
    order = used[np.argsort(first[used], kind="stable")]
    again = np.empty(len(values), dtype=np.int64)
    again[order] = np.arange(len(order))
    texts = values.take(pa.array(order))
    return distinct_plain(texts.to_pylist(), again[code], clean=texts if rows.clean else None)


def _cells_by_column(
    grid: Grid, keep: np.ndarray, columns: Mapping[str, tuple[int, str]], place: Place
) -> dict[str, Cells]:
    texts = [grid.texts[i] for i in keep]
    marks = None if grid.marks is None else [grid.marks[i] for i in keep]
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
    different: Mapping[str, Distinct],
    matches: Mapping[str, Match],
    columns: dict[str, tuple[int, str]],
    n: int,
    day_zero: date,
) -> Converted:
    bad = np.zeros(n, dtype=bool)
    series: dict[str, Values] = {}
    missing = tuple(c.name for c in TABLES[table] if c.required and c.name not in columns)
    # The block of a row is read first, so that every later finding can name it.
    ordered = sorted(TABLES[table], key=lambda c: c.name != "block_id")
    headings = {name: heading for name, (_, heading) in columns.items()}
    reader = ColumnReader(place, layout, different, matches, headings, bad, aliases)
    reader.decide_marks()
    reader.day_zero = day_zero
    for column in ordered:
        if column.name not in different:
            series[column.name] = _fill(column, n)
            if column.name in missing:
                bad[:] = True
            continue
        series[column.name] = reader.read(column, known)
        # A station's fault is not one of the block in which it stands.
        if column.name == "block_id" and table != "stations":
            names, code = reader.names["block_id"]
            place.blocks = np.array([*names, ""], dtype=object)[code]
    reader.tell_empty()
    if missing and n:
        # One finding stands for all rows of a missing column; it touches every block they name.
        for i, finding in enumerate(place.found):
            if finding.code in ("no-column", "heading-twice") and finding.level == ERROR and len(place.blocks):
                blocks = tuple(dict.fromkeys(b for b in place.blocks if b))
                place.found[i] = replace(finding, blocks=blocks)
    if reader.limits:
        series["oil_dry_below_pct"] = _limits(series, reader.limits, place)
    frame = pd.DataFrame({c.name: series[c.name] for c in TABLES[table]} | {ROW: place.rows, BAD: bad}, copy=False)
    codes = {name: code for name, (_, code) in reader.names.items()}
    return Converted(frame, place, columns, missing, codes)


def _limits(series: Mapping[str, Values], limits: Mapping[str, np.ndarray], place: Place) -> np.ndarray:
    """Limits of results such as <5.0, on dry matter; a number in oil_dry_below_pct itself goes first."""
    none = np.full(len(place.rows), np.nan)
    dry, fresh = limits.get("oil_dry_pct", none), limits.get("oil_fresh_pct", none)
    own = series["oil_dry_below_pct"]
    out = np.where(np.isfinite(dry), dry, dry_from_fresh(fresh, series["moisture_pct"]))
    out = np.where(np.isfinite(own), own, out)
    for i in np.flatnonzero(np.isfinite(fresh) & np.isnan(out)):
        says, do = "a limit on fresh weight means little without moisture_pct", "Fill in the moisture."
        place.add("one-basis", WARNING, says, "", do, index=int(i), column="oil_fresh_pct")
    return out


def _fill(column: Column, n: int) -> Values:
    if column.kind in ("text", "choice"):
        return text_rows([str(column.default or "")], np.zeros(n, dtype=np.int64))
    if column.kind in ("date", "instant"):
        return np.full(n, np.datetime64("NaT", "us"))
    if column.kind == "bool":
        return np.full(n, bool(column.default))
    return np.full(n, np.nan if column.default is None else float(column.default))
