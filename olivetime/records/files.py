"""Files as offices keep them: CSV and workbooks to grids of text, and safe ways of writing.

Everything is read as text. A workbook's cells also carry what the workbook knew about them (a number shown as
per cent, a date, a formula without a saved result), because that can't be told from the text.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import tempfile
import warnings
import zipfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv
from xlsxwriter.utility import xl_col_to_name

from olivetime.records.cells import (
    BROKEN,
    DATE,
    DEAD,
    NUMBER,
    PERCENT,
    SERIAL_START,
    SERIAL_START_1904,
    TEXT,
    TRUTH,
    clean_text,
    name_key,
)
from olivetime.records.columns import SeasonError

if TYPE_CHECKING:
    import openpyxl
    from openpyxl.worksheet.worksheet import Worksheet

UNPACKED_LIMIT_MB = 200
UNPACKED_RATIO = 100
FILE_LIMIT_MB = 200
WIDTH_LIMIT = 400
ROW_LIMIT = 2_000_000

_MB = 1_000_000
PART_SUFFIX = ".part"

# (code, what was found, what to do)
Notes = tuple[tuple[str, str, str], ...]

# Shorter files are split by the csv module whatever they hold.
_LONG_TEXT = 50_000
# Whitespace that Python strips and Arrow does not.
_ODD_BLANKS = "\x1c\x1d\x1e\x1f"

_RISKY_START = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, eq=False)
class ByColumn(Sequence[list[str]]):
    """Rows of a long, plain CSV file, kept by column: rows repeat themselves, so each text is kept once.

    Parameters
    ----------
    values : tuple of pyarrow string arrays
        The different texts of each column.
    codes : tuple of ndarray of int, each of shape (rows,)
        Which of them each row holds.
    clean : bool
        No text has outer blanks or characters beyond ASCII.
    """

    values: tuple[pa.StringArray, ...]
    codes: tuple[np.ndarray, ...]
    clean: bool

    def __len__(self) -> int:
        return len(self.codes[0])

    def __getitem__(self, row: int) -> list[str]:  # type: ignore[override]
        return [values[int(codes[row])].as_py() for values, codes in zip(self.values, self.codes, strict=True)]


@dataclass(frozen=True)
class Grid:
    """A CSV file or one sheet as text.

    Parameters
    ----------
    file, sheet : str
        Names to show; `sheet` is empty for CSV.
    numbers : sequence of int
        Row number a spreadsheet shows, for each row kept; rows without any text are left out.
    texts : sequence of list of str
        Cells, each row as long as it was in the file.
    marks : list of list of str or None
        Marks of `olivetime.records.cells`; None for CSV.
    hidden : frozenset of int
        Row numbers that are hidden in the workbook.
    merged : tuple of (first row, first column, last row, last column)
        Merged ranges, 1-based.
    notes : tuple of (code, found, do)
        What the reader had to decide about the file as a whole.
    hidden_columns : frozenset of int
        Columns that are hidden in the workbook, 1-based.
    concealed : bool
        Whether the whole sheet is hidden.
    day_zero : date
        Day from which the workbook counts days.
    struck : frozenset of int
        Row numbers in which a cell is struck out.
    """

    file: str
    sheet: str
    numbers: Sequence[int] | np.ndarray
    texts: Sequence[list[str]]
    marks: list[list[str]] | None = None
    hidden: frozenset[int] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    notes: Notes = ()
    hidden_columns: frozenset[int] = frozenset()
    concealed: bool = False
    day_zero: date = SERIAL_START
    struck: frozenset[int] = frozenset()


def column_letter(index: int) -> str:
    """Letter of the column with this 0-based index, as spreadsheets show it.

    Examples
    --------
    >>> column_letter(0), column_letter(27)
    ('A', 'AB')
    """
    return str(xl_col_to_name(index))


def read_bytes(path: Path) -> bytes:
    """Read a file whole; `SeasonError` names what stands in the way."""
    try:
        size = path.stat().st_size
        if size > FILE_LIMIT_MB * _MB:
            raise SeasonError(
                path.name,
                f"the file has {size / _MB:.0f} MB",
                f"at most {FILE_LIMIT_MB} MB",
                "Split it by season.",
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise SeasonError(path.name, "there is no such file", "", "Put it into the season folder.") from None
    except OSError as error:
        raise SeasonError(
            path.name,
            f"the file can't be opened ({error.strerror})",
            "",
            "Close it elsewhere and check who may read it.",
        ) from None


def kind_of(data: bytes) -> str:
    """Tell a file's kind by its first bytes: xlsx, ods, zip, old, html, pdf, json, empty, binary or text."""
    nothing = b"\x00 \t\r\n\xef\xbb\xbf"
    # The whole of a long file is looked through only when its beginning is empty.
    if not data[:4096].strip(nothing) and not data.strip(nothing):
        return "empty"
    head = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if data[:4] == b"PK\x03\x04" or data[:4] == b"PK\x05\x06":
        if data[30:100].startswith(b"mimetypeapplication/vnd.oasis.opendocument"):
            return "ods"
        return "xlsx" if b"xl/" in data or b"[Content_Types].xml" in data[:4096] else "zip"
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        return "old"
    if head.startswith((b"<!doctype html", b"<html", b"<table", b"<?xml", b"<meta", b"<head")):
        return "html"
    if head.startswith(b"%pdf"):
        return "pdf"
    if re.match(rb"(\{|\[\s*[{\[])\s*(\"|[{\[]|$)", head):
        return "json"
    if data[:2] not in (b"\xff\xfe", b"\xfe\xff") and b"\x00" in data[:4096]:
        return "binary"
    return "text"


_KIND_SAYS = {
    "xlsx": ("is a workbook", "Save it as .csv, or put the sheet into records.xlsx."),
    "zip": ("is a zip archive", "Unpack it and put the files into the season folder."),
    "ods": ("is an OpenDocument file", "Save it as .xlsx."),
    "xlsb": ("is a binary .xlsb workbook", "Save it as .xlsx."),
    "document": ("is a text document, not a table", "Ask for the numbers as a spreadsheet or CSV."),
    "json": ("is JSON, not a table", "Ask for the numbers as a spreadsheet or CSV."),
    "old": ("is an old .xls workbook or has a password", "Save it as .xlsx without a password."),
    "html": ("is a web page or XML, not a table", "Open it in a spreadsheet program and save it anew."),
    "pdf": ("is a PDF", "Ask for the numbers as a spreadsheet or CSV."),
    "empty": ("is empty", "Save it again, or delete it if it isn't needed."),
    "binary": ("isn't text", "Save it as CSV (UTF-8)."),
    "text": ("is plain text, not a workbook", "Rename it to .csv, or save it as .xlsx."),
}


def _refuse(name: str, kind: str, expected: str) -> SeasonError:
    found, do = _KIND_SAYS[kind]
    return SeasonError(name, f"the file {found}", expected, do)


def decode(data: bytes, name: str) -> tuple[str, Notes]:
    """Decode a text file: UTF-8, UTF-16 by its mark, else the Western Windows code page with a note.

    Returns
    -------
    text : str
    notes : tuple
        As in `Grid.notes`.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return data.decode("utf-16"), ()
        except UnicodeDecodeError as error:
            raise SeasonError(
                name,
                f"byte {error.start} isn't UTF-16, as the file's first bytes say",
                "",
                "Save it as CSV (UTF-8).",
            ) from None
    try:
        return data.decode("utf-8-sig"), ()
    except UnicodeDecodeError:
        pass
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        raise SeasonError(
            name, f"byte {error.start} is neither UTF-8 nor Windows-1252 text", "", "Save it as CSV (UTF-8)."
        ) from None
    note = ("code-page", "read as Windows-1252 text", "Check accented names, or save it as CSV (UTF-8).")
    return text, (note,)


def read_csv_grid(path: Path, fit: Callable[[Grid], int], data: bytes | None = None) -> Grid:
    """Read a CSV file; of comma, semicolon, tab and bar the delimiter is used under which most headings fit.

    Parameters
    ----------
    path : Path
    fit : callable
        Says how many headings of a grid are understood.
    data : bytes, optional
        The file's content, when it has been read already.

    Returns
    -------
    Grid

    Raises
    ------
    SeasonError
        When the file is no text, can't be decoded, or its quotes don't close.
    """
    data = read_bytes(path) if data is None else data
    kind = kind_of(data)
    if kind != "text":
        raise _refuse(path.name, kind, "a CSV file")
    text, notes = decode(data, path.name)
    if "\x00" in text:
        raise _refuse(path.name, "binary", "a CSV file")
    head = "\n".join(text[:200_000].splitlines()[:20])
    marks = sorted((mark for mark in ",;\t|" if mark in head), key=lambda mark: -head.count(mark)) or [","]
    if len(marks) > 1:
        marks.sort(key=lambda mark: -fit(_csv_grid(head, path.name, mark, (), strict=False)))
    if len(text) >= _LONG_TEXT:
        same = data if len(data) == len(text) and text.isascii() else None
        grid = plain_csv_grid(text, path.name, marks[0], notes, encoded=same)
        if grid is not None:
            return grid
    return _csv_grid(text, path.name, marks[0], notes)


def plain_csv_grid(text: str, name: str, delimiter: str, notes: Notes, *, encoded: bytes | None = None) -> Grid | None:
    """Split a long CSV text quickly; None when it isn't plain enough to be split the same way as by `csv`.

    Plain means: no quotation marks, one kind of line end, no blank lines, and as many cells in every row.
    `encoded` is the same text in UTF-8, when that is at hand.
    """
    while text.endswith(("\r\n\r\n", "\n\n")):
        text, encoded = text.rstrip("\r\n"), None
    if '"' in text or text.startswith("\ufeff") or ("\r" in text and text.count("\r") != text.count("\r\n")):
        return None
    width = text[: text.find("\n") + 1].count(delimiter) + 1
    if width > WIDTH_LIMIT:
        return None
    data = text.encode() if encoded is None else encoded
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(data),
            read_options=pyarrow.csv.ReadOptions(
                use_threads=False, autogenerate_column_names=True, block_size=len(data) + 1
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=delimiter, quote_char=False, double_quote=False, ignore_empty_lines=False
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types={f"f{i}": pa.string() for i in range(width)}, strings_can_be_null=False, check_utf8=False
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowCapacityError):
        return None
    if table.num_columns != width or table.num_rows > ROW_LIMIT:
        return None
    columns: list[Any] = [table.column(i).combine_chunks().dictionary_encode() for i in range(width)]
    values = tuple(column.dictionary for column in columns)
    codes = tuple(column.indices.to_numpy() for column in columns)
    full = np.zeros(table.num_rows, dtype=bool)
    for texts, code in zip(values, codes, strict=True):
        full |= code != texts.index("").as_py()
        if full.all():
            break
    numbers = np.flatnonzero(full) + 1
    if len(numbers) < len(full):
        codes = tuple(code[full] for code in codes)
    clean = text.isascii() and not any(blank in text for blank in _ODD_BLANKS)
    clean = clean and all(texts.equals(pyarrow.compute.ascii_trim_whitespace(texts)) for texts in values)
    return Grid(name, "", numbers, ByColumn(values, codes, clean), notes=notes)


def _csv_grid(text: str, name: str, delimiter: str, notes: Notes, *, strict: bool = True) -> Grid:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    rows: list[list[str]] = []
    try:
        rows.extend(reader)
    except csv.Error as error:
        if not strict:
            return Grid(name, "", [], [])
        raise SeasonError(
            name,
            f"line {reader.line_num} can't be split into cells ({error})",
            "",
            "Look for a quotation mark that isn't closed.",
        ) from None
    if len(rows) > ROW_LIMIT:
        raise SeasonError(name, f"the file has {len(rows)} rows", f"at most {ROW_LIMIT}", "Split it by season.")
    numbers = [i for i, row in enumerate(rows, start=1) if any(row)]
    return Grid(name, "", numbers, [rows[i - 1] for i in numbers], notes=notes)


def check_archive(data: bytes, name: str) -> None:
    """Refuse a workbook that would unpack to more than a workbook does.

    Raises
    ------
    SeasonError
        When it isn't a readable archive, would unpack to more than `UNPACKED_LIMIT_MB`, or shrank more than
        `UNPACKED_RATIO` times (a 20,000-row workbook shrinks about 6 times).
    """
    damaged = SeasonError(name, "the workbook is damaged", "", "Open it in a spreadsheet program and save it anew.")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, NotImplementedError):
        raise damaged from None
    if any(info.flag_bits & 1 for info in infos):
        raise _refuse(name, "old", "a workbook without a password")
    unpacked = sum(info.file_size for info in infos)
    if unpacked > UNPACKED_LIMIT_MB * _MB:
        raise SeasonError(
            name,
            f"the workbook would unpack to {unpacked / _MB:.0f} MB",
            f"at most {UNPACKED_LIMIT_MB} MB",
            "Nothing was read. Copy the rows you need into a new workbook.",
        )
    if unpacked > 10 * _MB and unpacked > UNPACKED_RATIO * len(data):
        raise SeasonError(
            name,
            f"the workbook would unpack to {unpacked / max(len(data), 1):.0f} times its size",
            f"at most {UNPACKED_RATIO} times",
            "Nothing was read. Copy the rows you need into a new workbook.",
        )
    names = {info.filename for info in infos}
    if "xl/workbook.xml" not in names:
        inner = "xlsb" if "xl/workbook.bin" in names else "document" if "word/document.xml" in names else "zip"
        raise _refuse(name, inner, "a workbook")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unsafe = [info.filename for info in infos if _declares_entities(archive.read(info))]
    except (zipfile.BadZipFile, zlib.error, ValueError, OSError, EOFError, NotImplementedError):
        raise damaged from None
    if unsafe:
        found = f"its part {unsafe[0]} declares entities"
        raise SeasonError(name, found, "plain XML, as spreadsheet programs write it", "Nothing was read.")


def _declares_entities(part: bytes) -> bool:
    # Zero bytes go, so that UTF-16 text hides nothing.
    head = part[:100_000].replace(b"\x00", b"").upper()
    return b"<!DOCTYPE" in head or b"<!ENTITY" in head


def read_workbook_grids(path: Path) -> list[Grid]:
    """Read every sheet of a workbook.

    Returns
    -------
    list of Grid
        In the order of the sheets; empty sheets included.

    Raises
    ------
    SeasonError
        When the file isn't a workbook, has a password, is damaged or would unpack to too much.
    """
    return list(_grids_of(path.name, read_bytes(path)))


@lru_cache(maxsize=1)  # a lookback reads the same workbook for every past week
def _grids_of(name: str, data: bytes) -> tuple[Grid, ...]:
    kind = kind_of(data)
    if kind != "xlsx":
        raise _refuse(name, kind, "an .xlsx workbook")
    check_archive(data, name)
    try:
        saved = open_workbook(data, results=True)
        formulas = open_workbook(data) if _has_formulas(data) else None
        grids = []
        for sheet in saved.worksheets:
            dead = set() if formulas is None else _formula_cells(formulas[sheet.title])
            grids.append(_sheet_grid(sheet, name, dead))
        return tuple(grids)
    # openpyxl raises whatever its parsers meet in a damaged or hostile file; all of it means the same here.
    except Exception as error:
        raise SeasonError(
            name,
            f"the workbook can't be read ({type(error).__name__})",
            "",
            "Open it in a spreadsheet program and save it anew as .xlsx.",
        ) from error


def open_workbook(data: bytes, *, results: bool = False) -> openpyxl.Workbook:
    """Open a workbook, with its formulas or with their saved results.

    What openpyxl warns of (a date beyond the calendar, a drop-down list it does not know) is either read as an
    error cell and told of by us, or does not touch the cells.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import openpyxl  # a tenth of all that is loaded for a season kept as CSV files, which needs none of it

        return openpyxl.load_workbook(io.BytesIO(data), data_only=results, keep_links=False)


def _has_formulas(data: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
        return any(re.search(rb"<(\w+:)?f[ >/]", archive.read(name)) for name in sheets)


def _formula_cells(sheet: Worksheet) -> set[tuple[int, int]]:
    return {place for place, cell in sheet._cells.items() if cell.data_type == "f"}


def _sheet_grid(sheet: Worksheet, file: str, formulas: set[tuple[int, int]]) -> Grid:
    # The cells that exist are walked, not the rectangle they span: one stray cell in the last row and column
    # of a sheet would make that rectangle 17 thousand million cells.
    by_row: dict[int, list[tuple[int, str, str]]] = {}
    struck_fonts = _struck_fonts(sheet)
    struck = set()
    beyond = False
    for (row, column), cell in sheet._cells.items():
        text, mark = _cell_text(cell.value, cell.data_type, cell.number_format)
        if not text and (row, column) in formulas:
            text, mark = "(formula)", DEAD
        if not text:
            continue
        if column > WIDTH_LIMIT:
            beyond = True
            continue
        if struck_fonts and cell.has_style and cell._style.fontId in struck_fonts:
            struck.add(row)
        by_row.setdefault(row, []).append((column, text, mark))
    width = max((column for cells in by_row.values() for column, _, _ in cells), default=0)
    numbers = sorted(by_row)
    texts, marks = [], []
    for row in numbers:
        line, kinds = [""] * width, [TEXT] * width
        for column, text, mark in by_row[row]:
            line[column - 1], kinds[column - 1] = text, mark
        texts.append(line)
        marks.append(kinds)
    hidden = frozenset(row for row, shape in sheet.row_dimensions.items() if shape.hidden)
    merged = tuple((m.min_row, m.min_col, m.max_row, m.max_col) for m in sheet.merged_cells.ranges)
    notes: Notes = ()
    if beyond:
        notes = (("too-wide", f"cells right of column {WIDTH_LIMIT} were not read", "Move them to the left."),)
    unseen = frozenset(
        column
        for shape in sheet.column_dimensions.values()
        if shape.hidden
        for column in range(shape.min or 0, min(shape.max or 0, WIDTH_LIMIT) + 1)
    )
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    epoch = sheet.parent.epoch if sheet.parent is not None else None
    start = SERIAL_START_1904 if epoch == CALENDAR_MAC_1904 else SERIAL_START
    concealed = sheet.sheet_state != "visible"
    shape = (hidden, merged, notes, unseen, concealed, start, frozenset(struck))
    return Grid(file, sheet.title, numbers, texts, marks, *shape)


def _struck_fonts(sheet: Worksheet) -> set[int]:
    """Numbers of the workbook's fonts that strike their text out."""
    fonts = () if sheet.parent is None else sheet.parent._fonts
    return {i for i, font in enumerate(fonts) if font.strike}


def _cell_text(value: object, data_type: str, number_format: str) -> tuple[str, str]:
    if value is None:
        return "", TEXT
    if data_type == "e":
        return str(value), BROKEN
    if isinstance(value, bool):
        return ("true" if value else "false"), TRUTH
    if isinstance(value, datetime):
        # Spreadsheets keep times as fractions of a day, a hair beside the full second.
        value = (value + timedelta(microseconds=500_000)).replace(microsecond=0)
        return value.isoformat(" ", "minutes").removesuffix(" 00:00"), DATE
    if isinstance(value, date):
        return value.isoformat(), DATE
    if isinstance(value, time | timedelta):
        return str(value), TEXT
    if isinstance(value, int | float):
        mark = PERCENT if "%" in re.sub(r'"[^"]*"|\\.', "", number_format or "") else NUMBER
        if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
            value = int(value)
        return repr(value), mark
    return clean_text(str(value)), TEXT


def workbook_bytes(book: openpyxl.Workbook) -> bytes:
    """Save a workbook to bytes that depend on its content only, not on the clock."""
    raw = io.BytesIO()
    book.save(raw)
    out = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for info in source.infolist():
            data = source.read(info)
            if info.filename == "docProps/core.xml":
                data = re.sub(rb"(<dcterms:(created|modified)[^>]*>)[^<]*", rb"\g<1>2000-01-01T00:00:00Z", data)
            target.writestr(zipfile.ZipInfo(info.filename, (1980, 1, 1, 0, 0, 0)), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def sha256_of(data: bytes) -> str:
    """Fingerprint of a file's bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def write_atomic(path: Path, data: bytes) -> Path:
    """Write a file so that it is never seen half-written.

    The bytes go to a temporary file in the same folder, are forced to the disk, and then take the name's
    place in one step. Whatever stops the writing, the old file stays whole.

    Parameters
    ----------
    path : Path
        The file; its folder is made when missing.
    data : bytes

    Returns
    -------
    Path
        `path`, or "NAME (new).EXT" beside it when another program keeps the old file open (Windows).

    Raises
    ------
    OSError
        When the folder can't be written or the disk is full.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=PART_SUFFIX, dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes files only their owner may read; reports are for others too.
        part.chmod(0o644)
        try:
            os.replace(part, path)
        except PermissionError:
            path = path.with_name(f"{path.stem} (new){path.suffix}")
            os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return path


def sweep_parts(folder: Path) -> int:
    """Delete temporary files that a killed run of `write_atomic` left in a folder; return how many."""
    left = [part for part in Path(folder).glob(f".*{PART_SUFFIX}") if part.is_file()]
    for part in left:
        part.unlink(missing_ok=True)
    return len(left)


def safe_cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: a risky start gets a leading apostrophe.

    Follows OWASP ASVS 1.2.10 and CWE-1236. Numbers should be written as numbers, not through this function.

    Examples
    --------
    >>> safe_cell("=HYPERLINK(1)"), safe_cell("North 2")
    ("'=HYPERLINK(1)", 'North 2')
    """
    return "'" + text if text.startswith(_RISKY_START) else text


def safe_name(name: str) -> str:
    """File name for a grower, block or other text: lower case, no path in it, unique by a short hash.

    Examples
    --------
    >>> safe_name("../../etc/passwd")
    'etc-passwd-3754d6cb'
    >>> safe_name("CON")[:4], len(safe_name("x" * 300)) <= 60
    ('con-', True)
    """
    slug = "-".join(re.findall(r"[a-z0-9]+", name_key(name)))[:50].strip("-")
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{slug}-{digest}" if slug else f"x-{digest}"


def inside(folder: Path, name: str) -> Path:
    """Path of `name` in `folder`; ValueError when it would lie outside."""
    base = Path(folder).resolve()
    path = (base / name).resolve()
    if not path.is_relative_to(base) or path == base:
        raise ValueError(f"file name {name!r} leads out of the folder, expected a plain name")
    return path
