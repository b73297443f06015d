"""A column of cells to numbers, dates, truths or names, with a finding for everything that was not plain."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa

from olivetime.records.cells import (
    BROKEN,
    DATE,
    DEAD,
    NUMBER,
    PERCENT,
    SERIAL_START,
    TEXT,
    TRUTH,
    Distinct,
    below_limit,
    closest,
    date_proof,
    date_separator,
    decimal_proof,
    has_short_year,
    is_error_cell,
    is_no_result,
    name_key,
    needs_date_order,
    read_date,
    read_instant,
    read_number,
    read_truth,
    serial_date,
)
from olivetime.records.columns import TABLES, Column
from olivetime.records.findings import ERROR, MONTH_NAMES, NOTE, WARNING, Finding, shown
from olivetime.records.headings import Match, heading_key
from olivetime.units import fahrenheit_from_celsius

# Faults of measured and forecast weather cost a day's value, which is filled and flagged later.
LENIENT_TABLES = frozenset(("weather_days", "weather_hours", "outlook"))
# Other tables name these things, so two of them may not differ only in dashes, case or leading zeros.
NAMED_THINGS = frozenset(("blocks", "cultivars", "stations", "harvesters", "trucks", "mill", "contracts"))
# Results that a laboratory may report as below a limit.
LIMITED_COLUMNS = frozenset(("oil_fresh_pct", "oil_dry_pct"))
# Values stations write for "no reading" (common practice, no source).
SENTINELS = frozenset((-9999.0, -999.0, -99.9, -99.0, 999.0, 999.9, 9999.0, 99999.0))

_DO: dict[tuple[str, str], str] = {
    ("samples", "oil_fresh_pct"): "If the lab reports dry basis, put it in oil_dry_pct.",
    ("samples", "oil_dry_pct"): "If the lab reports fresh basis, put it in oil_fresh_pct.",
    ("samples", "moisture_pct"): "Enter water as per cent of fresh weight.",
    (
        "treatments",
        "wait_days",
    ): "The block can't be offered for picking before this is filled; 0 is a number.",
    ("trucks", "payload_t"): "If these are kilograms, head the column payload_kg.",
    ("blocks", "lat_deg"): "Latitude and longitude may be swapped.",
    ("blocks", "crop_t_ha"): "If these are kilograms, head the column crop_kg_ha.",
    ("picks", "net_t"): "If these are kilograms, head the column net_kg.",
    ("harvesters", "efficiency_fraction"): "If it is per cent, write it with its sign, as 80 %.",
    ("mill", "corrector_fraction"): "If it is per cent, write it with its sign, as 10 %.",
}
_DEGREES = "Write degrees with decimals, south and west with a minus, as -5.1."
_DO_EMPTY = {
    ("treatments", "wait_days"): "The block can't be offered for picking before this is filled; 0 is a number.",
}
# A file full of unknown names belongs to another season; comparing each of them with ours would take long.
_MOST_HINTS = 25
_MOST_TEXT = 300
# More different texts than this with one fault are one mistake of a whole long record, and stand in one line.
_ALIKE_AT_MOST = 20
# Rain too little to measure, as stations write it (common practice, no source).
_TRACES = frozenset(("t", "tr", "tr.", "trace"))
_RECALCULATE = "Open the workbook, recalculate, save."
_SET_DECIMAL = 'Retype it, or write decimal = "," or decimal = "." under [layout] in season.toml.'
_SET_ORDER = 'Write date_order = "dmy" or date_order = "mdy" under [layout] in season.toml.'
_ORDER_WORDS = {"dmy": "day/month", "mdy": "month/day", "ymd": "year first"}


@dataclass(frozen=True)
class Layout:
    """What a file's writer meant by marks that can be read in two ways, and their own headings.

    Parameters
    ----------
    decimal : "." or "," or None
    date_order : "dmy", "mdy", "ymd" or None
    ton : "short", "metric" or None
        None: decided from the file, or asked for.
    headings : mapping of str to str
        The file's own heading to ours (with unit suffix).
    clock : str or None
        Time zone of hours written without an offset; None: UTC when the file's own heading says so.
    """

    decimal: str | None = None
    date_order: str | None = None
    ton: str | None = None
    headings: Mapping[str, str] = field(default_factory=dict)
    clock: str | None = None


_GROUPS = re.compile(r"[0-9][., '][0-9]{3}(?![0-9])")

# A read column: text is kept as pandas keeps it.
Values: TypeAlias = "np.ndarray | pd.api.extensions.ExtensionArray"


@dataclass
class Place:
    """Collects the findings of one grid; knows its names, its rows and the block of each row."""

    table: str
    file: str
    sheet: str
    rows: np.ndarray
    blocks: Sequence[str] | np.ndarray = ()
    found: list[Finding] = field(default_factory=list)

    def add(
        self,
        code: str,
        level: str,
        says: str,
        expected: str,
        do: str,
        *,
        index: int | None = None,
        column: str = "",
        value: str = "",
        touches: Iterable[int] = (),
    ) -> None:
        """Add a finding at row index `index`; `touches` are further row indices it concerns."""
        indices = [*([] if index is None else [index]), *touches]
        blocks: tuple[str, ...] = ()
        if len(self.blocks):
            blocks = tuple(dict.fromkeys(self.blocks[i] for i in indices if self.blocks[i]))
        row = None if index is None else int(self.rows[index])
        # A cell may hold a page of text.
        value = value[:_MOST_TEXT]
        self.found.append(
            Finding(code, level, self.table, self.file, self.sheet, row, column, value, says, expected, do, blocks)
        )


def row_list(numbers: Sequence[int]) -> str:
    """Rows in words: "rows 4, 5, 9 and 12 more"."""
    listed = ", ".join(str(n) for n in numbers[:5])
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"row{'s' if len(numbers) > 1 else ''} {listed}{more}"


@dataclass
class ColumnReader:
    """Reads the columns of one grid; `bad` marks the rows that an error touches.

    Parameters
    ----------
    place : Place
    layout : Layout
    different : mapping of str to Distinct
        Different texts of each column.
    matches : mapping of str to Match
        Unit of each column's heading.
    headings : mapping of str to str
        Each column's heading in the file.
    bad : ndarray of bool, shape (rows,)
        Written to.
    aliases : mapping of str to str
        Agreed spellings of blocks: matching key to block_id.
    limits : dict of str to ndarray
        Filled while reading: for each column with results such as <5.0 that limit, one per row, else NaN.
    names : dict of str to (texts, ndarray of int)
        Filled while reading: the different texts of each column of text, and which of them each row holds.
    """

    place: Place
    layout: Layout
    different: Mapping[str, Distinct]
    matches: Mapping[str, Match]
    headings: Mapping[str, str]
    bad: np.ndarray
    aliases: Mapping[str, str] = field(default_factory=dict)
    limits: dict[str, np.ndarray] = field(default_factory=dict)
    names: dict[str, tuple[Sequence[str] | np.ndarray, np.ndarray]] = field(default_factory=dict)
    decimal: str | None = "."
    decimal_known: bool = False
    column_decimals: dict[str, str] = field(default_factory=dict)
    # Order of day and month for each mark between them: dates with points and with slashes have different writers.
    date_orders: dict[str, str] = field(default_factory=dict)
    day_zero: date = SERIAL_START
    empty: dict[int, list[Column]] = field(default_factory=dict)
    # Faults of one column of a lenient table: (code, level, expected, do) to (distinct text, what is said of it).
    alike: dict[tuple[str, str, str, str], list[tuple[int, str]]] = field(default_factory=dict)

    def decide_marks(self) -> None:
        """Decide the file's decimal mark and order of day and month from the texts that prove them."""
        table = self.place.table
        kinds = {c.name: c.kind for c in TABLES[table]}
        self._decide_decimal([n for n in self.different if kinds[n] in ("number", "integer")])
        if self.layout.date_order is None:
            orders: dict[str, set[str]] = {}
            for name in self.different:
                if kinds[name] not in ("date", "instant"):
                    continue
                for text, mark in zip(self.different[name].texts, self.different[name].marks, strict=True):
                    if mark == TEXT and (proof := date_proof(text)):
                        orders.setdefault(date_separator(text), set()).add(proof)
            self.date_orders = {mark: proofs.pop() for mark, proofs in orders.items() if len(proofs) == 1}

    def _decide_decimal(self, names: Sequence[str]) -> None:
        if self.layout.decimal is not None:
            self.decimal, self.decimal_known = self.layout.decimal, True
            return
        rows = {".": 0, ",": 0}
        example: tuple[str, int, str] | None = None
        within: dict[str, dict[str, list[int]]] = {}
        for name in names:
            d = self.different[name]
            proofs = within.setdefault(name, {".": [], ",": []})
            for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
                if mark in (NUMBER, PERCENT):
                    # A workbook's own numbers show that it is no place for text numbers with a comma.
                    proof = "." if "." in text else ""
                elif "," in text or "." in text:
                    proof = decimal_proof(text)
                else:
                    continue
                if proof:
                    rows[proof] += int(d.count[i])
                    if mark == TEXT:
                        proofs[proof].append(i)
                    if proof == "," and example is None:
                        example = (name, int(np.argmax(d.code == i)), text)
        if rows["."] == rows[","]:
            self.decimal, self.decimal_known = ("." if rows["."] == 0 else None), False
        else:
            self.decimal, self.decimal_known = ("." if rows["."] > rows[","] else ","), True
        for name, proofs in within.items():
            self._decide_column(name, proofs)
        if self.decimal == "," and example is not None:
            name, index, text = example
            says = f"numbers were read with a decimal comma, because {name} is `{shown(text)}`"
            self.place.add("decimal-comma", NOTE, says, "", "Nothing to do.", index=index, column=name, value=text)

    def _decide_column(self, name: str, proofs: Mapping[str, Sequence[int]]) -> None:
        """Let a column of texts with one decimal mark, in two rows at least, stand against the rest of the file."""
        mark = next((m for m, other in ((".", ","), (",", ".")) if proofs[m] and not proofs[other]), None)
        d = self.different[name]
        if mark is None or mark == self.decimal or len(d.rows_of(proofs[mark])) < 2:
            return
        if NUMBER in d.marks or PERCENT in d.marks:
            return
        self.column_decimals[name] = mark
        index = int(np.argmax(d.code == proofs[mark][0]))
        text = d.texts[proofs[mark][0]]
        word = "comma" if mark == "," else "point"
        says = f"{name} was read with a decimal {word}, unlike the rest, because all of it is like `{shown(text)}`"
        self.place.add("decimal-mark", NOTE, says, "", "Nothing to do.", index=index, column=name, value=text)

    def read(self, column: Column, known: Mapping[str, Sequence[str]]) -> Values:
        """Read one column to its cleaned type: float, datetime64[us], bool or text."""
        d = self.different[column.name]
        if column.kind in ("number", "integer"):
            values = self._numbers(column, d)
        elif column.kind == "date":
            values = self._dates(column, d)
        elif column.kind == "instant":
            values = self._instants(column, d)
        elif column.kind == "bool":
            values = self._truths(column, d)
        elif column.kind == "choice":
            values = self._choices(column, d)
        else:
            values = self._names(column, d, known)
        self._empty_cells(column, d)
        self._tell_alike(column)
        return values

    def _fault(
        self,
        column: Column,
        which: int,
        code: str,
        says: str,
        expected: str,
        do: str,
        *,
        together: bool = False,
    ) -> None:
        """Report a distinct text that can't be used: each of its rows, or all in one line."""
        d = self.different[column.name]
        indices = d.rows(which)
        text = d.texts[which]
        lenient = self.place.table in LENIENT_TABLES
        # A lenient table loses the value only, except in its key, without which the row is worth nothing.
        if not lenient or column.unique:
            self.bad[indices] = True
        level = WARNING if lenient else ERROR
        do = _DO.get((self.place.table, column.name), do) if code == "out-of-range" else do
        if lenient:
            self.alike.setdefault((code, level, expected, do), []).append((which, says))
            return
        if together:
            self._tell(column, which, code, level, says, expected, do)
            return
        for i in indices:
            self.place.add(code, level, says, expected, do, index=int(i), column=column.name, value=text)

    def _tell(
        self, column: Column, which: int, code: str, level: str, says: str, expected: str, do: str
    ) -> None:
        """Report a distinct text in one line for all of its rows."""
        d = self.different[column.name]
        indices = d.rows(which)
        if len(indices) > 1:
            says = f"{says} in {len(indices)} rows"
        self.place.add(
            *(code, level, says, expected, do),
            index=int(indices[0]),
            column=column.name,
            value=d.texts[which],
            touches=map(int, indices[1:]),
        )

    def _tell_alike(self, column: Column) -> None:
        """Report what a column of a long record lost: a few texts each, many of one fault in one line."""
        d = self.different[column.name]
        for (code, level, expected, do), faults in self.alike.items():
            if len(faults) <= _ALIKE_AT_MOST:
                for which, says in faults:
                    self._tell(column, which, code, level, says, expected, do)
                continue
            indices = np.sort(d.rows_of([which for which, _ in faults]))
            first = next((which, says) for which, says in faults if d.code[indices[0]] == which)
            says = f"{first[1]}, and {len(indices) - 1} more rows are like it"
            self.place.add(
                *(code, level, says, expected, do),
                index=int(indices[0]),
                column=column.name,
                value=d.texts[first[0]],
                touches=map(int, indices[1:]),
            )
        self.alike = {}

    def _note_together(self, column: Column, which: Sequence[int], code: str, says: str) -> None:
        """Tell of all cells of a column that were read in the same way; `says` speaks of the first."""
        if not which:
            return
        d = self.different[column.name]
        rows = d.rows_of(which)
        if len(rows) > 1:
            says = f"{says}, and {_many(len(rows) - 1)} more in the same way"
        where = int(np.argmax(d.code == which[0]))
        self.place.add(code, NOTE, says, "", "Nothing to do.", index=where, column=column.name, value=d.texts[which[0]])

    def _note(self, column: Column, which: int, code: str, says: str, do: str = "Nothing to do.") -> None:
        d = self.different[column.name]
        index = int(np.argmax(d.code == which))
        count = int(d.count[which])
        if count > 1:
            says = f"{says} ({count} rows)"
        self.place.add(code, NOTE, says, "", do, index=index, column=column.name, value=d.texts[which])

    def _heading(self, column: Column) -> str:
        return shown(self.headings[column.name])

    def _empty_cells(self, column: Column, d: Distinct) -> None:
        if not column.required or column.gaps:
            return
        if column.kind in ("text", "choice", "bool") and "" not in d.texts:
            return
        for which, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            empty = text == "" if column.kind in ("text", "choice", "bool") else mark == TEXT and is_no_result(text)
            if empty:
                for i in d.rows(which).tolist():
                    self.empty.setdefault(i, []).append(column)

    def tell_empty(self) -> None:
        """Report the rows that lack needed cells: one finding for each row, whatever it lacks; like rows together."""
        table = self.place.table
        alike: dict[tuple[str, ...], list[int]] = {}
        for i in sorted(self.empty):
            lacking = tuple(c.name for c in self.empty[i])
            key = lacking if len(lacking) > 1 and table not in NAMED_THINGS else (*lacking, str(i))
            alike.setdefault(key, []).append(i)
        for rows in alike.values():
            i, columns = rows[0], self.empty[rows[0]]
            do = next((_DO_EMPTY[table, c.name] for c in columns if (table, c.name) in _DO_EMPTY), "Fill it in.")
            if len(columns) > 1 and do == "Fill it in.":
                do = "Fill them in."
            names = [self._heading(c) for c in columns]
            what = f"{', '.join(names[:-1])} and {names[-1]} are" if len(names) > 1 else f"{names[0]} is"
            lenient = table in LENIENT_TABLES
            if not lenient or any(c.unique for c in columns):
                self.bad[rows] = True
            level = WARNING if lenient else ERROR
            where = f" in {row_list(self.place.rows[rows].tolist())}" if len(rows) > 1 else ""
            self.place.add(
                *("empty", level, f"{what} empty{where}", "", do),
                index=i,
                column=columns[0].name,
                touches=rows[1:],
            )

    # Numbers ------------------------------------------------------------------------------------------------

    def _numbers(self, column: Column, d: Distinct) -> np.ndarray:
        match = self.matches[column.name]
        values = np.full(len(d.texts), np.nan)
        is_pct, is_share = column.unit.startswith("%"), column.unit in ("fraction", "1/point")
        signed = np.zeros(len(d.texts), dtype=bool)  # written with a per cent sign, so no fraction
        limits = np.full(len(d.texts), np.nan)
        formatted: list[int] = []
        traces: list[int] = []
        limited = self.place.table == "samples" and column.name in LIMITED_COLUMNS
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            if mark == TEXT:
                if limited and (limit := below_limit(text)):
                    limits[i] = self._limit(column, i, limit, match)
                elif text.endswith("%") and (is_pct or is_share):
                    bare = text[:-1].rstrip()
                    signed[i] = True
                    values[i] = self._text_number(column, i, bare, match) * (1.0 if is_pct else 0.01)
                elif is_no_result(text):
                    if text:
                        self._note(column, i, "no-result", f"{self._heading(column)} is `{shown(text)}`: no result")
                elif column.name == "rain_mm" and text.casefold() in _TRACES:
                    values[i] = 0.0
                    traces.append(i)
                else:
                    values[i] = self._text_number(column, i, text, match)
            elif mark == NUMBER:
                values[i] = float(text)
            elif mark == PERCENT:
                signed[i] = True
                values[i] = float(text) * (100.0 if is_pct else 1.0)
                if is_pct:
                    formatted.append(i)
            else:
                self._not_a_number(column, i, text, mark)
        if formatted:
            one = formatted[0]
            says = f"{self._heading(column)} has per cent format; {shown(d.texts[one])} read as {values[one]:.10g}"
            self._note_together(column, formatted, "percent-format", says)
        if traces:
            says = f"{self._heading(column)} is `{shown(d.texts[traces[0]])}`, a trace: read as 0"
            self._note_together(column, traces, "trace", says)
        if np.isfinite(limits).any():
            self.limits[column.name] = limits[d.code]
            for which in np.flatnonzero(np.isfinite(limits)):
                says = f"{self._heading(column)} is `{shown(d.texts[which])}`: below the laboratory's limit"
                self._note(column, int(which), "below-limit", f"{says}, kept as oil_dry_below_pct")
        values = values * match.factor + match.offset
        if is_pct and column.hard is not None and column.hard[0] >= 1:
            values = self._fractions(column, d, values, signed)
        values = self._ranges(column, d, values, match)
        if column.kind == "integer":
            for broken in np.flatnonzero(np.isfinite(values) & (values != np.rint(values))):
                says = f"{self._heading(column)} is {shown(d.texts[broken])}"
                self._fault(column, int(broken), "not-whole", says, "a whole number", "Correct the number.")
                values[broken] = np.nan
        out: np.ndarray = values[d.code]
        if column.default is not None:
            default = float(column.default)
            out = np.where(np.isnan(out) & ~self.bad, default, out)
        return out

    def _limit(self, column: Column, which: int, text: str, match: Match) -> float:
        """Limit of a result such as <5.0."""
        number = self._text_number(column, which, text, match, whole=self.different[column.name].texts[which])
        if np.isfinite(number) and column.hard is not None and not 0 < number <= column.hard[1]:
            says = f"{self._heading(column)} is `{shown(self.different[column.name].texts[which])}`"
            self._fault(column, which, "out-of-range", says, _range_words(column.hard, match), "Correct the number.")
            return np.nan
        return number

    def _text_number(self, column: Column, which: int, text: str, match: Match, *, whole: str = "") -> float:
        # Without a decimal mark a text reads the same by either.
        decimal = self.column_decimals.get(column.name, self.decimal)
        number = read_number(text, decimal or ".")
        name = self._heading(column)
        proof = decimal_proof(text) if "," in text or "." in text else ""
        if decimal is None and proof:
            says = f"{name} is `{shown(whole or text)}`, and the file has as many decimal commas as points"
            self._fault(column, which, "decimal-mark", says, "one decimal mark", _SET_DECIMAL)
            return np.nan
        if proof and proof != decimal:
            mark, other = ("comma", "point") if proof == "," else ("point", "comma")
            says = f"{name} `{shown(whole or text)}` has a decimal {mark} but this file uses a {other}"
            do = f'Retype it, or write decimal = "{proof}" under [layout] in season.toml.'
            self._fault(column, which, "decimal-mark", says, "", do)
            return np.nan
        open_mark = not self.decimal_known and column.name not in self.column_decimals
        if open_mark and ("," in text or "." in text) and not proof:
            number = self._either_mark(column, which, text, match)
            return np.nan if number is None else number
        if number is None:
            self._not_a_number(column, which, text, TEXT)
            return np.nan
        return number

    def _either_mark(self, column: Column, which: int, text: str, match: Match) -> float | None:
        """Read a text such as 1.250 in a file that proves no decimal mark: by the column's range or not."""
        readings = [read_number(text, mark) for mark in ".,"]
        if readings[0] is None or readings[1] is None or column.hard is None:
            possible = [r for r in readings if r is not None]
        else:
            low, high = column.hard
            possible = [r for r in readings if r is not None and low <= r * match.factor + match.offset <= high]
            possible = possible or [min(r for r in readings if r is not None)]
        if len(possible) == 1:
            return possible[0]
        if not possible:
            self._not_a_number(column, which, text, TEXT)
            return None
        says = f"{self._heading(column)} `{shown(text)}` could be {possible[0]:.10g} or {possible[1]:.10g}"
        self._fault(column, which, "decimal-mark", says, "a clear decimal mark", _SET_DECIMAL)
        return None

    def _not_a_number(self, column: Column, which: int, text: str, mark: str) -> None:
        name = self._heading(column)
        wanted = {"number": "a number", "integer": "a number", "date": "a date", "bool": "yes or no"}
        wanted_here = wanted.get(column.kind, "a name")
        if mark == DEAD:
            self._fault(column, which, "dead-formula", f"{name} is a formula without a saved result", "", _RECALCULATE)
        elif mark == BROKEN or is_error_cell(text):
            self._fault(column, which, "error-cell", f"{name} is {shown(text)}", wanted_here, _RECALCULATE)
        elif mark == DATE:
            do = "The spreadsheet took the number for a date; retype it in a cell formatted as number."
            self._fault(column, which, "date-for-number", f"{name} is the date {shown(text)}", "a number", do)
        else:
            says, do = f"{name} is `{shown(text)}`", "Write the number only."
            if column.name in ("lat_deg", "lon_deg"):
                do = _DEGREES
            self._fault(column, which, "no-number", says, "a number", do)

    def _fractions(self, column: Column, d: Distinct, values: np.ndarray, signed: np.ndarray) -> np.ndarray:
        """Per cents written as fractions: the whole column, or errors on the rows that look like it."""
        small = np.isfinite(values) & (values > 0) & (values < 1) & ~signed
        if not small.any():
            return values
        large = np.isfinite(values) & ~small & (values != 0)
        if not large.any():
            first = int(np.flatnonzero(small)[0])
            says = f"all of {self._heading(column)} is below 1 and was read as fractions: {d.texts[first]} as"
            self._note(column, first, "fractions", f"{says} {100 * values[first]:.10g} %")
            return values * 100.0
        for i in np.flatnonzero(small):
            says = f"{self._heading(column)} is {shown(d.texts[i])}, which looks like a fraction"
            do = f"Write {100 * values[i]:.10g} or {100 * values[i]:.10g} %."
            self._fault(column, int(i), "fraction-among-per-cents", says, "", do)
        return np.where(small, np.nan, values)

    def _ranges(self, column: Column, d: Distinct, values: np.ndarray, match: Match) -> np.ndarray:
        if column.hard is None:
            return values
        low, high = column.hard
        # Converting an edge of the range to another unit and back may lose its last digit.
        slack = 1e-9 * max(abs(low), abs(high))
        with np.errstate(invalid="ignore"):
            outside = (values < low - slack) | (values > high + slack)
        if outside.any():
            if self._looks_fahrenheit(column, d, values):
                return np.full_like(values, np.nan)
            for i in np.flatnonzero(outside):
                sentinel = self.place.table in LENIENT_TABLES and _native(values[i], match) in SENTINELS
                code = "no-reading" if sentinel else "out-of-range"
                says = f"{self._heading(column)} is {_as_read(d.texts[i], d.marks[i], _native(values[i], match))}"
                do = "The value isn't used." if self.place.table in LENIENT_TABLES else "Correct the number."
                self._fault(column, int(i), code, says, _range_words(column.hard, match), do)
            values = np.where(outside, np.nan, values)
        if column.usual is not None:
            with np.errstate(invalid="ignore"):
                odd = (values < column.usual[0] - slack) | (values > column.usual[1] + slack)
            if column.kind == "integer":
                odd &= values == np.rint(values)  # others are errors
            for i in np.flatnonzero(odd):
                self._unusual(column, d, int(i), match, float(values[i]))
        return values

    def _unusual(self, column: Column, d: Distinct, which: int, match: Match, value: float) -> None:
        says = f"{self._heading(column)} is {_as_read(d.texts[which], d.marks[which], _native(value, match))}"
        words = (f"usually {_range_words(column.usual, match)}", "Check it; it was used.")
        if self.place.table in LENIENT_TABLES:
            self.alike.setdefault(("unusual", WARNING, *words), []).append((which, says))
        else:
            self._tell(column, which, "unusual", WARNING, says, *words)

    def _looks_fahrenheit(self, column: Column, d: Distinct, values: np.ndarray) -> bool:
        """One error for a temperature column that is plainly in degrees F, not one for each row."""
        if (
            column.name not in ("temp_max_c", "temp_min_c", "air_temp_c")
            or self.matches[column.name].unit != "degrees C"
        ):
            return False
        daily = values[d.code]
        daily = daily[np.isfinite(daily) & ~np.isin(daily, list(SENTINELS))]
        limit = 45.0 if column.name == "temp_max_c" else 35.0
        if daily.size == 0 or np.median(daily) <= limit:
            return False
        # Warmer than any usual day even in degrees F: tenths of a degree, or no temperature at all.
        if column.usual is not None and np.median(daily) > fahrenheit_from_celsius(column.usual[1]):
            return False
        says = f"half of {self._heading(column)} is above {np.median(daily):.0f}, which looks like Fahrenheit"
        do = f"Head the column {column.name.removesuffix('_c')}_f."
        self.place.add("fahrenheit", ERROR, says, "degrees C", do, column=column.name)
        self.bad[:] = True
        return True

    # Dates --------------------------------------------------------------------------------------------------

    def _dates(self, column: Column, d: Distinct) -> np.ndarray:
        values = np.full(len(d.texts), np.datetime64("NaT", "us"))
        name = self._heading(column)
        orders, both = self._orders_for(column, d)
        waiting: list[int] = []
        serials: list[int] = []
        short: list[int] = []
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            order = orders.get(date_separator(text)) if mark == TEXT else None
            if mark == DATE:
                day = read_date(text, None)
            elif mark in (NUMBER, PERCENT) or (mark == TEXT and serial_date(text)):
                day = serial_date(text, self.day_zero) or read_date(text, None)
                if day is not None and len(text.partition(".")[0]) == 5:
                    serials.append(i)
            elif mark in (DEAD, BROKEN) or is_error_cell(text):
                self._not_a_number(column, i, text, mark)
                continue
            elif mark == TRUTH:
                day = None
            elif is_no_result(text):
                if text:
                    self._note(column, i, "no-result", f"{name} is `{shown(text)}`: no date")
                continue
            elif needs_date_order(text) and date_separator(text) in both:
                says = f"{name} is {shown(text)}, and the column holds both day/month and month/day"
                self._fault(column, i, "date-order", says, "one order", "Retype the dates as 2026-10-05.")
                continue
            elif needs_date_order(text) and order is None:
                waiting.append(i)
                continue
            else:
                day = read_date(text, order)
                if day is not None and has_short_year(text):
                    short.append(i)
            if day is None:
                self._no_date(column, i, text, order)
            else:
                values[i] = np.datetime64(day, "us")
        for code, which, words in (("serial-date", serials, ""), ("short-year", short, ", its year of two digits,")):
            if which:
                says = f"{name} is {shown(d.texts[which[0]])}{words} read as {_iso(values[which[0]])}"
                self._note_together(column, which, code, says.replace(" read", ", read", 1) if not words else says)
        if waiting:
            self._ask_for_order(column, d, waiting)
        self._half_turned(column, d, values)
        return values[d.code]

    def _half_turned(self, column: Column, d: Distinct, values: np.ndarray) -> None:
        """Warn of the mark that a spreadsheet of another country leaves: it turns 05/10 into 10 May, and keeps 13/10.

        Then every true date of the column has a day up to 12, and every text a day beyond.
        """
        marks = np.array(d.marks, dtype=object)
        true = np.flatnonzero((marks == DATE) & ~np.isnat(values))
        texts = [i for i in np.flatnonzero(marks == TEXT) if needs_date_order(d.texts[i])]
        if not len(true) or not texts or not all(date_proof(d.texts[i]) for i in texts):
            return
        days = values[true].astype("datetime64[D]").tolist()
        swappable = [i for i, day in zip(true.tolist(), days, strict=True) if day.day != day.month]
        if not swappable or any(day.day > 12 for day in days):
            return
        name, rows = self._heading(column), d.rows_of(swappable)
        says = (
            f"{name} holds the text {shown(d.texts[texts[0]])} beside true dates whose day is never above 12, such as "
            f"{_iso(values[swappable[0]])}; a spreadsheet set to another country may have swapped their day and month"
        )
        do = "Compare the true dates with the laboratory's own list; they were used as they stand."
        self.place.add("dates-half-turned", WARNING, says, "", do, index=int(rows[0]), column=column.name)

    def _orders_for(self, column: Column, d: Distinct) -> tuple[Mapping[str, str], set[str]]:
        """Order of day and month for each mark between them in a column, and the marks with both orders."""
        if self.layout.date_order is not None:
            return dict.fromkeys("-/. ", self.layout.date_order), set()
        proofs: dict[str, dict[str, int]] = {}
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            proof = date_proof(text) if mark == TEXT else ""
            if proof:
                proofs.setdefault(date_separator(text), {}).setdefault(proof, i)
        both = {mark for mark, orders in proofs.items() if len(orders) == 2}
        orders = {mark: order for mark, order in self.date_orders.items() if mark not in both}
        for mark, found in proofs.items():
            if mark in both:
                continue
            order, which = next(iter(found.items()))
            orders[mark] = order
            words = "day/month" if order == "dmy" else "month/day"
            index = int(np.argmax(d.code == which))
            says = f"{self._heading(column)} was read as {words}, because row {int(self.place.rows[index])} is"
            self.place.add(
                *("date-order", NOTE, f"{says} {shown(d.texts[which])}", "", "Nothing to do."),
                column=column.name,
                value=d.texts[which],
            )
        return orders, both

    def _ask_for_order(self, column: Column, d: Distinct, waiting: Sequence[int]) -> None:
        """One finding for all dates of a column that could be read in two ways."""
        indices = d.rows_of(waiting)
        self.bad[indices] = True
        text = d.texts[d.code[indices[0]]]
        days = [day for order in ("dmy", "mdy", "ymd") if (day := read_date(text, order))]
        days = list(dict.fromkeys(days))
        if not days or (len(days) == 1 and not has_short_year(text)):
            for i in waiting:
                self._no_date(column, i, d.texts[i], None)
            return
        more = {1: "", 2: ", and 1 more row is like it"}.get(
            len(indices), f", and {len(indices) - 1} more rows are like it"
        )
        says = f"{self._heading(column)} {shown(text)} could be {' or '.join(map(_day_words, days))}{more}"
        do = _SET_ORDER
        if has_short_year(text):
            do = 'Write four digits, or date_order = "dmy", "mdy" or "ymd" under [layout] in season.toml.'
            says = says.replace("could be", "has a year of two digits and could be")
        self.place.add(
            *("date-order", ERROR, says, "", do),
            index=int(indices[0]),
            column=column.name,
            value=text,
            touches=map(int, indices[1:]),
        )

    def _no_date(self, column: Column, which: int, text: str, order: str | None) -> None:
        name = self._heading(column)
        says = f"{name} is {shown(text)}"
        if has_short_year(text):
            do = "Write the date as 2026-10-05."
        elif order is not None and date_proof(text) not in ("", order):
            do = f"The file's dates are {_ORDER_WORDS[order]}; correct this one."
        else:
            do = "Write the date as 2026-10-05."
        self._fault(column, which, "no-date", says, "a date", do)

    # Hours --------------------------------------------------------------------------------------------------

    def _instants(self, column: Column, d: Distinct) -> np.ndarray:
        """Hours in UTC, each from its own offset, the layout's clock, or a heading that says UTC."""
        values = np.full(len(d.texts), np.datetime64("NaT", "us"))
        name = self._heading(column)
        orders, _ = self._orders_for(column, d)
        zone = ZoneInfo(self.layout.clock) if self.layout.clock else None
        if zone is None and "utc" in heading_key(self.headings[column.name]).split("_"):
            zone = ZoneInfo("UTC")
        wait: dict[str, list[int]] = {}
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            if mark == TEXT and is_no_result(text):
                continue
            order = orders.get(date_separator(text))
            if needs_date_order(text) and order is None:
                wait.setdefault("order", []).append(i)
                continue
            read = read_instant(text, order) if mark in (TEXT, DATE) else None
            if read is None and mark == DATE:
                # A workbook's midnight has no time of its own.
                read = read_instant(f"{text} 00:00", order)
            if read is None:
                wait.setdefault("form", []).append(i)
                continue
            clock, offset = read
            if offset is not None:
                values[i] = np.datetime64(clock, "us") - np.timedelta64(offset, "m")
            elif zone is None:
                wait.setdefault("zone", []).append(i)
            else:
                kind, instant = _in_zone(clock, zone)
                if kind:
                    wait.setdefault(kind, []).append(i)
                else:
                    values[i] = instant
        endless = [i for i, text in enumerate(d.texts) if " 24:00" in text or "T24:00" in text]
        if endless:
            rows = d.rows_of(endless)
            says = f"{name} {shown(d.texts[endless[0]])} was read as 00:00 of the next day in {_many(len(rows))}"
            self.place.add("hour-24", NOTE, says, "", "Nothing to do.", index=int(rows[0]), column=column.name)
        for kind, which in wait.items():
            self._no_instant(column, d, kind, which)
        return values[d.code]

    def _no_instant(self, column: Column, d: Distinct, kind: str, which: Sequence[int]) -> None:
        """One finding for all hours that can't be placed for the same reason."""
        rows = d.rows_of(which)
        self.bad[rows] = True
        text = shown(d.texts[d.code[rows[0]]])
        says, many = f"{self._heading(column)} is {text}", _many(len(rows))
        code, level, found, expected, do = {
            "order": ("date-order", ERROR, f"{says}, and nothing shows the order of day and month", "", _SET_ORDER),
            "form": ("no-hour", WARNING, says, "a day and an hour", "Write it as 2026-10-05 13:00."),
            "zone": (
                *("no-clock", ERROR, f"{says}, and nothing says by which clock", ""),
                'Write clock = "America/Los_Angeles", or clock = "UTC", under [layout.weather_hours] in season.toml.',
            ),
            "never": ("hour-never", WARNING, f"{says}, an hour that the clock skipped", "", "The hour isn't used."),
            "twice": (
                *("hour-twice", WARNING, f"{says}, an hour that the clock ran through twice", ""),
                "The hour isn't used; write it with its offset, as 01:30-07:00.",
            ),
        }[kind]
        if len(rows) > 1:
            found = f"{found} ({many} like it)"
        self.place.add(code, level, found, expected, do, index=int(rows[0]), column=column.name, value=text)

    # Words --------------------------------------------------------------------------------------------------

    def _truths(self, column: Column, d: Distinct) -> np.ndarray:
        values = np.full(len(d.texts), bool(column.default))
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True)):
            if text == "" or (mark == TEXT and is_no_result(text)):
                continue
            truth = read_truth(text)
            if mark in (DEAD, BROKEN, DATE) or truth is None:
                says = f"{self._heading(column)} is `{shown(text)}`"
                self._fault(column, i, "no-truth", says, "yes or no", "Write yes or no.")
            else:
                values[i] = truth
        return values[d.code]

    def _choices(self, column: Column, d: Distinct) -> Values:
        keys = {name_key(choice): choice for choice in column.choices}
        values = np.full(len(d.texts), column.default or "", dtype=object)
        for i, text in enumerate(d.texts):
            if text == "":
                continue
            choice = keys.get(name_key(text))
            if choice is None:
                near = closest(text, column.choices)
                do = f"Did you mean {near}?" if near else "Use one of these words."
                says = f"{self._heading(column)} is `{shown(text)}`"
                self._fault(column, i, "no-choice", says, " or ".join(column.choices), do)
            else:
                values[i] = choice
        return text_rows(values, d.code)

    def _names(self, column: Column, d: Distinct, known: Mapping[str, Sequence[str]]) -> Values:
        if not d.marked and column.refers_to not in known:
            self.names[column.name] = d.texts, d.code
            return text_rows(d.texts if d.arrow is None else d.arrow, d.code)
        values = np.array([*d.texts, ""], dtype=object)[:-1]
        is_name = bool(column.refers_to) or column.unique
        for i, (text, mark) in enumerate(zip(d.texts, d.marks, strict=True) if d.marked else ()):
            if mark in (DEAD, BROKEN) and text:
                if is_name or column.required:
                    self._not_a_number(column, i, text, mark)
                else:
                    # A remark that can't be read costs nothing but the remark.
                    what = "a formula without a saved result" if mark == DEAD else shown(text)
                    says = f"{self._heading(column)} is {what}, and was left empty"
                    index, many = int(d.rows(i)[0]), int(d.count[i])
                    says += f" in {many} rows" if many > 1 else ""
                    self.place.add("no-text", WARNING, says, "", _RECALCULATE, index=index, column=column.name)
                values[i] = ""
            elif mark == DATE and is_name:
                do = "The spreadsheet took the name for a date; retype it in a cell formatted as text."
                self._fault(column, i, "date-for-name", f"{self._heading(column)} is the date {text}", "a name", do)
                values[i] = ""
        if column.refers_to and column.refers_to in known:
            self._refer(column, values, known[column.refers_to])
        # Two spellings may mean one name now.
        again, values = pd.factorize(values)
        code = again[d.code]
        self.names[column.name] = values, code
        return text_rows(values, code)

    def _refer(self, column: Column, values: np.ndarray, names: Sequence[str]) -> None:
        exact = set(names)
        by_key: dict[str, list[str]] = {}
        for name in names:
            by_key.setdefault(name_key(name), []).append(name)
        thing = column.refers_to.partition(".")[2].removesuffix("_id")
        unknown = 0
        agreed: list[int] = []
        aliases = self.aliases if column.refers_to == "blocks.block_id" else {}
        for i, text in enumerate(values):
            if text == "" or text in exact:
                continue
            if aliases and name_key(text) in aliases:
                values[i] = aliases[name_key(text)]
                agreed.append(i)
                continue
            same = by_key.get(name_key(text), [])
            if len(same) == 1:
                values[i] = same[0]
                says = f"{self._heading(column)} `{shown(text)}` was taken for {shown(same[0])}"
                self._note(column, i, "name-matched", says)
                continue
            if same:
                says, do = (
                    f"{self._heading(column)} is `{shown(text)}`",
                    f"It could be {' or '.join(same[:3])}.",
                )
                self._fault(column, i, "name-unclear", says, f"one {thing}", do, together=True)
            else:
                unknown += 1
                near = closest(text, names) if unknown <= _MOST_HINTS else None
                table = column.refers_to.partition(".")[0]
                do = f"Did you mean {shown(near)}?" if near else f"Add it to {table}, or correct the name."
                says = f"no such {thing} as `{shown(text)}`"
                self._fault(column, i, "unknown-name", says, "", do, together=True)
        if agreed:
            d = self.different[column.name]
            pairs = ", ".join(f"{shown(d.texts[i])} is {shown(values[i])}" for i in agreed[:5])
            more = f" and {len(agreed) - 5} more" if len(agreed) > 5 else ""
            says = f"{self._heading(column)} was read by the aliases table: {pairs}{more}"
            index = int(np.argmax(d.code == agreed[0]))
            self.place.add("alias", NOTE, says, "", "Nothing to do.", index=index, column=column.name)


def text_rows(values: np.ndarray | Sequence[str] | pa.Array, code: np.ndarray) -> Values:
    """Rows of a text column from its different texts and which of them each row holds."""
    rows: Values = pd.Series(values, dtype="str").array.take(code)
    return rows


def _many(n: int) -> str:
    return "1 row" if n == 1 else f"{n} rows"


def _in_zone(clock: datetime, zone: ZoneInfo) -> tuple[str, np.datetime64]:
    """Clock time of a zone to UTC; "twice" or "never" when a change of the clock leaves it open."""
    first = clock.replace(tzinfo=zone)
    instant = first.astimezone(UTC).replace(tzinfo=None)
    if first.utcoffset() != first.replace(fold=1).utcoffset():
        back = instant.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)
        return ("twice" if back == clock else "never"), np.datetime64("NaT", "us")
    return "", np.datetime64(instant, "us")


def _native(value: float, match: Match) -> float:
    return round((value - match.offset) / match.factor, 6)


def _as_read(text: str, mark: str, value: float) -> str:
    """Show a cell's text, and what it was read as where the eye may read another number."""
    if mark == PERCENT and abs(value - float(text)) > 1e-9 * abs(value):
        return f"{shown(text)} in per cent format, so {value:.10g}"
    if _GROUPS.search(text) and abs(value) >= 1000:
        return f"{shown(text)}, read as {value:.10g}"
    return shown(text)


def _range_words(limits: tuple[float, float] | None, match: Match) -> str:
    assert limits is not None
    low, high = (_native(limit, match) for limit in limits)
    if (match.factor, match.offset) != (1.0, 0.0):
        # A range that is round in our unit is not so in another.
        low, high = (float(f"{limit:.4g}") for limit in (low, high))
    # "index, 0 to 7" says the range itself.
    unit = "" if not match.unit or ", " in match.unit else f" {match.unit}"
    return f"{low:.4g} to {high:.7g}{unit}"


def _iso(day: np.datetime64) -> str:
    return str(day.astype("datetime64[D]"))


def _day_words(day: date) -> str:
    return f"{day.day} {MONTH_NAMES[day.month - 1]} {day.year}"
