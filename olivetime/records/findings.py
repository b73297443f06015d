"""Findings: one row for each fault of the records, with the place a person sees and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from olivetime.records.columns import TABLES, sentence

ERROR, WARNING, NOTE = "error", "warning", "note"
LEVELS = (ERROR, WARNING, NOTE)

FINDING_COLUMNS = ("code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do")

MONTH_NAMES = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)

# A hostile or pasted cell may hold a page of text; a sentence shows this much of it.
_SHOWN = 60

# Said of an outlook; pages that have no room for the reason look for these words.
NOT_FETCHED = "It could not be fetched"


@dataclass(frozen=True)
class Finding:
    """One fault (error, warning) or remark (note).

    Parameters
    ----------
    code : str
        Kind of fault in a few words joined by dashes, such as "out-of-range".
    level : str
        "error" (the value isn't used), "warning" or "note".
    table, file, sheet : str
        Where; `sheet` is empty for CSV files.
    row : int or None
        Row as the spreadsheet numbers it; None when it concerns the whole file.
    column, value : str
        Heading of the cleaned column, and the cell's text.
    found, expected, do : str
        Parts of the sentence.
    blocks : tuple of str
        Blocks the fault touches; named in the sentence when it is one.
    """

    code: str
    level: str
    table: str
    file: str
    sheet: str
    row: int | None
    column: str
    value: str
    found: str
    expected: str
    do: str
    blocks: tuple[str, ...] = ()

    @property
    def where(self) -> str:
        """File, sheet, row and block in words."""
        parts = [self.file or "season folder"]
        if self.sheet:
            parts.append(f"sheet {self.sheet}")
        if self.row is not None:
            parts.append(f"row {self.row}")
        if len(self.blocks) == 1:
            parts.append(f"block {shown(self.blocks[0])}")
        return ", ".join(parts)

    @property
    def says(self) -> str:
        """The sentence without its last part."""
        return sentence(self.where, self.found, self.expected, "")

    @property
    def full(self) -> str:
        """The whole sentence."""
        return sentence(self.where, self.found, self.expected, self.do)


def shown(value: str) -> str:
    r"""Shorten a cell's text for a sentence, control characters made visible.

    Examples
    --------
    >>> shown("18.9"), shown("a\nb")
    ('18.9', 'a b')
    """
    text = value if value.isprintable() else "".join(c if c.isprintable() else " " for c in value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """Sort findings into a table: errors first, then by table, row and column.

    Returns
    -------
    DataFrame
        Columns `FINDING_COLUMNS`; `row` is a nullable integer, all others text.
    """
    place = {table: i for i, table in enumerate(TABLES)}
    ordered = sorted(
        dict.fromkeys(findings),
        key=lambda f: (
            *(LEVELS.index(f.level), place.get(f.table, -1), f.file, f.sheet, f.row or 0),
            *(f.column, f.code, f.value),
        ),
    )
    columns: dict[str, pd.Series] = {}
    for name in FINDING_COLUMNS:
        values = [getattr(f, name) for f in ordered]
        columns[name] = pd.Series(values, dtype="Int64" if name == "row" else "str")
    return pd.DataFrame(columns)
