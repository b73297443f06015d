"""Finding each table's file or sheet in a season folder and reading it to text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from olivetime.records.cells import closest
from olivetime.records.columns import TABLES, SeasonError
from olivetime.records.convert import find_heading
from olivetime.records.files import Grid, inside, read_bytes, read_csv_grid, read_workbook_grids, sha256_of
from olivetime.records.findings import NOTE, WARNING, Finding, shown
from olivetime.records.headings import heading_key
from olivetime.records.kept import kept as kept_before
from olivetime.records.settings import SETTINGS_FILE, WORKBOOK, Settings

# A sheet of this name explains the others and is not read.
ABOUT_SHEET = "about"
# The marked copy lists its findings on a sheet of this name; it comes back when the copy has been mended.
PROBLEMS_SHEET = "problems"
# Losing one of these costs knowledge, not the decision.
CAN_BE_LOST = frozenset(("aliases", "outlook", "oil_orders", "committed"))
_TITLES = {heading_key(table): table for table in TABLES}
# Files the package itself writes beside the records.
_OURS = frozenset(("problems", "problems_new", "aliases_offered", "aliases_offered_new"))


@dataclass
class Gathered:
    """What a season folder holds, as text.

    Parameters
    ----------
    grids : dict of table name to Grid
    sources : list of (file, sha256, rows)
    findings : list of Finding
        About whole files.
    """

    grids: dict[str, Grid] = field(default_factory=dict)
    sources: list[tuple[str, str, int]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def gather(folder: Path, settings: Settings, kept: Path | None = None) -> Gathered:
    """Find each table's file or sheet and read it to text.

    Parameters
    ----------
    folder : Path
    settings : Settings
    kept : Path, optional
        Folder in which workbooks stay as read (`olivetime.records.kept`).

    Raises
    ------
    SeasonError
        When a file that matters can't be read, or a table stands in two places.
    """
    out = Gathered()
    out.sources.append((SETTINGS_FILE, sha256_of(read_bytes(folder / SETTINGS_FILE)), 0))
    try:
        paths = sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith((".", "~$")))
    except OSError as error:
        raise SeasonError(str(folder), f"the folder can't be listed ({error.strerror})", "", "Check it.") from None
    named = _named_files(folder, settings)
    for path in paths:
        wanted = {table: sheet for table, (file, sheet) in named.items() if file == path}
        suffix = path.suffix.lower()
        if suffix == ".csv":
            _gather_csv(path, wanted, settings, out)
        elif suffix in (".xlsx", ".xlsm") and (path.name.lower() == WORKBOOK or wanted):
            _gather_workbook(path, settings, kept, out)
        elif suffix in (".xlsx", ".xlsm", ".xls", ".ods", ".numbers", ".tsv", ".txt"):
            says = f"the file isn't read; tables stand in {WORKBOOK} or in files such as samples.csv"
            table, do = _TITLES.get(heading_key(path.stem), ""), "Nothing to do if it's not needed."
            workbook = path.stem.casefold() == Path(WORKBOOK).stem
            if table and suffix in (".xlsx", ".xlsm"):
                line = f'file = "{path.name}" under [layout.{table}] in {SETTINGS_FILE}'
                do = f"Copy its sheet into {WORKBOOK}, or write {line}."
            elif table and suffix in (".tsv", ".txt"):
                do = f"Rename it to {table}.csv."
            elif table:
                do = f"Save it as {table}.csv."
            elif workbook:
                do = f"Save it as {WORKBOOK}."
            level = WARNING if table or workbook else NOTE
            out.findings.append(_file_finding("not-read", level, path.name, "", says, do))
    for table, (file, _) in named.items():
        if file not in paths:
            raise SeasonError(
                f"{SETTINGS_FILE}, [layout.{table}]",
                f"there is no file {shown(file.name)}",
                "",
                "Correct its name.",
            )
    return out


def _named_files(folder: Path, settings: Settings) -> dict[str, tuple[Path, str]]:
    named = {}
    for table, (file, sheet) in settings.files.items():
        try:
            path = inside(folder, file)
        except ValueError:
            raise SeasonError(
                f"{SETTINGS_FILE}, [layout.{table}]",
                f"file is {shown(file)}",
                "a file in the season folder",
                "Write its name only.",
            ) from None
        named[table] = (folder / path.relative_to(folder.resolve()), sheet)
    return named


def _file_finding(code: str, level: str, file: str, sheet: str, says: str, do: str) -> Finding:
    return Finding(code, level, "", file, sheet, None, "", "", says, "", do)


def _add(out: Gathered, table: str, grid: Grid) -> None:
    if table in out.grids:
        other = out.grids[table]
        where = f"{other.file}, sheet {other.sheet}" if other.sheet else other.file
        raise SeasonError(
            f"{grid.file}, sheet {grid.sheet}" if grid.sheet else grid.file,
            f"table {table} stands here and in {where}",
            "one of them",
            "Delete or rename the other.",
        )
    out.grids[table] = grid


def _lost(out: Gathered, table: str, error: SeasonError) -> None:
    """Go on without a table that is not vital, else pass the error on."""
    if table not in CAN_BE_LOST:
        raise error
    out.findings.append(
        Finding(
            "unreadable",
            WARNING,
            table,
            error.where,
            "",
            None,
            "",
            "",
            error.found,
            error.expected,
            f"{error.do} The table was left out.",
        )
    )


def _gather_csv(path: Path, wanted: Mapping[str, str], settings: Settings, out: Gathered) -> None:
    title = heading_key(path.stem)
    table = next(iter(wanted), _TITLES.get(title, ""))
    if not table:
        if title not in _OURS:
            near = closest(path.stem, TABLES)
            do = f"Did you mean {near}.csv?" if near else "Nothing to do if it's not needed."
            level = WARNING if near else NOTE
            out.findings.append(_file_finding("not-read", level, path.name, "", "no table has this name; not read", do))
        return
    if table in settings.files and not wanted:
        return
    layout = settings.layouts[table]

    def fit(grid: Grid) -> int:
        heading = find_heading(grid, table, layout)
        return heading.fits if heading else 0

    try:
        data = read_bytes(path)
        grid = read_csv_grid(path, fit, data)
    except SeasonError as error:
        _lost(out, table, error)
        return
    _add(out, table, grid)
    out.sources.append((path.name, sha256_of(data), len(grid.texts)))


def table_of_sheet(file: str, sheet: str, settings: Settings) -> str | None:
    """Table that a sheet of a workbook holds, by the layout or by its name; None when it holds none."""
    title = heading_key(sheet)
    for table, (named_file, named_sheet) in settings.files.items():
        if named_file == file and (not named_sheet or heading_key(named_sheet) == title):
            return table
    table = _TITLES.get(title, "")
    return table if table and table not in settings.files else None


def _gather_workbook(path: Path, settings: Settings, kept: Path | None, out: Gathered) -> None:
    rows, data = 0, read_bytes(path)
    for grid in kept_before(kept, "grids", list, (path.name, data), lambda: read_workbook_grids(path)):
        table = table_of_sheet(path.name, grid.sheet, settings)
        if table is not None:
            # A table without its own sheet name takes the first sheet that has anything on it.
            if grid.texts:
                _add(out, table, grid)
                rows += len(grid.texts)
            continue
        if heading_key(grid.sheet) in (ABOUT_SHEET, PROBLEMS_SHEET) or not grid.texts:
            continue
        elsewhere = _TITLES.get(heading_key(grid.sheet), "")
        if elsewhere in settings.files:
            # The template's sheet of a table that the layout finds in another file holds headings only.
            if len(grid.texts) > 1:
                says = f"table {elsewhere} is read from {settings.files[elsewhere][0]}, as the layout says; not read"
                do = "Move these rows there, or take file out of the layout."
                out.findings.append(_file_finding("not-read", WARNING, path.name, grid.sheet, says, do))
            continue
        near = closest(grid.sheet, TABLES)
        do = f"Did you mean {near}?" if near else "Nothing to do if it's not needed."
        says = "no table has the name of this sheet; not read"
        level = WARNING if near else NOTE
        out.findings.append(_file_finding("not-read", level, path.name, grid.sheet, says, do))
    out.sources.append((path.name, sha256_of(data), rows))
