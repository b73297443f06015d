"""One cell's text to a number, a date, a yes or no, or a block's name; never a silent guess.

Cells arrive as text, with a mark that says what the workbook knew about them (`MARKS`); a CSV file knows
nothing. Which decimal mark and which order of day and month a file uses is decided from the texts that
prove it (`decimal_proof`, `date_proof`), from the layout, or not at all.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa

# What a workbook said about a cell: plain text, number, number shown as per cent, date, yes or no,
# formula whose result was not saved, error such as #DIV/0!.
TEXT, NUMBER, PERCENT, DATE, TRUTH, DEAD, BROKEN = "", "n", "%", "d", "b", "f", "e"
MARKS = (TEXT, NUMBER, PERCENT, DATE, TRUTH, DEAD, BROKEN)

# "No result" in the ways laboratories and stations write it (common practice, no source).
_NO_RESULT_WORDS = "- -- n.d. nd n.d na n/a n.a. nan null none <lod <loq lod loq ? ."
NO_RESULT = frozenset(("", *_NO_RESULT_WORDS.split()))
_TOTALS = (
    "total totals average averages mean sum avg media promedio suma totale somma moyenne somme summe mittelwert "
    "subtotal sub-total grand std sd stdev min max minimum maximum median count cv"
)
TOTAL_WORDS = frozenset(_TOTALS.split())
# Yes and no in the languages of the catalogues, as people and as their spreadsheets write them; no accents.
YES = frozenset(("true", "yes", "y", "1", "x", "si", "sim", "s", "verdadero", "verdadeiro", "vero"))
NO = frozenset(("false", "no", "n", "0", "nao", "falso"))

_ERROR_CELL = re.compile(r"#(DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|SPILL!|CALC!)", re.IGNORECASE)
_BELOW = re.compile(r"(?:<=?|\u2264)\s*([0-9][0-9.,]*)\s*%?\Z")
_PLAIN = re.compile(r"[+-]?[0-9]+\Z")
_POINT = re.compile(r"[+-]?([0-9]+\.[0-9]*|\.[0-9]+)\Z")
_COMMA = re.compile(r"[+-]?([0-9]+,[0-9]*|,[0-9]+)\Z")
_POWER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?[eE][+-]?[0-9]{1,2}\Z")
# Groups of three with a thousands mark; an apostrophe or a space groups in both conventions.
_GROUPED_COMMA = re.compile(r"[+-]?[0-9]{1,3}([,' ][0-9]{3})+(\.[0-9]*)?\Z")
_GROUPED_POINT = re.compile(r"[+-]?[0-9]{1,3}([.' ][0-9]{3})+(,[0-9]*)?\Z")
_THREE = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}\Z")

_ISO = re.compile(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})(?:[T ].*)?\Z")
_NUMERIC = re.compile(r"([0-9]{1,2})[-/. ]([0-9]{1,2})[-/. ]([0-9]{4})(?:[T ,].*)?\Z")
_ISO_BASIC = re.compile(r"((?:19|20)[0-9]{2})([0-9]{2})([0-9]{2})\Z")
_SHORT_YEAR = re.compile(r"([0-9]{1,2})[-/.]([0-9]{1,2})[-/.]([0-9]{2})\Z")
_DAY_NAME = re.compile(r"([0-9]{1,2})[-/. ]*(?:de )?([^\W\d_]{3,10})\.?[-/., ]*(?:del? )?([0-9]{4})\Z")
_NAME_DAY = re.compile(r"([^\W\d_]{3,10})\.?[-/. ]*([0-9]{1,2})(?:st|nd|rd|th)?[-/., ]+([0-9]{4})\Z")
# Names of the months in English, Spanish, Portuguese and Italian, without accents; the first three letters of any
# of them stand for one month only.
_MONTHS = tuple(
    names.split()
    for names in (
        *("january enero janeiro gennaio", "february febrero fevereiro febbraio", "march marzo marco"),
        *("april abril aprile", "may mayo maio maggio", "june junio junho giugno", "july julio julho luglio"),
        *("august agosto", "september sept septiembre setiembre setembro settembre"),
        *("october octubre outubro ottobre", "november noviembre novembro novembre"),
        "december diciembre dezembro dicembre",
    )
)
_MONTH_OF = {name: i for i, names in enumerate(_MONTHS, 1) for full in names for name in (full, full[:3])}
_SERIAL = re.compile(r"[0-9]{5}(\.[0-9]+)?\Z")
_CLOCK = re.compile(
    r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:\.[0-9]+)?)?\s*([ap]\.?m\.?)?\s*(z|utc|gmt|[+-][0-9]{2}(?::?[0-9]{2})?)?\Z",
    re.IGNORECASE,
)
# Day 0 of spreadsheets, and of those workbooks that count from 1904.
SERIAL_START, SERIAL_START_1904 = date(1899, 12, 30), date(1904, 1, 1)
_YEARS = (1900, 2199)
_COMPARED = 40
# Share of letters in common from which a name is offered for another.
_ALIKE = 0.6
_TOKEN = re.compile(r"[0-9]+|[^\W0-9_]+")


@dataclass(frozen=True)
class Cells:
    """One column as read: texts and their marks (None when all are plain text), one per row.

    Texts without marks are cleaned by `distinct`, each different one once.
    """

    texts: list[str]
    marks: list[str] | None = None


@dataclass(frozen=True)
class Distinct:
    """The different (text, mark) pairs of a column and where they stand.

    Columns repeat themselves, so each different text is judged once: `code[i]` says which one row i holds.
    """

    texts: list[str]
    marks: list[str]
    code: np.ndarray
    count: np.ndarray
    arrow: pa.Array | None = None  # the texts once more, where they came so

    @property
    def marked(self) -> bool:
        """Whether a workbook said anything about any of the texts."""
        return any(self.marks)

    @cached_property
    def _sorted(self) -> tuple[np.ndarray, np.ndarray]:
        # Short integers sort much faster.
        short = self.code.astype(np.int16) if len(self.texts) < 2**15 else self.code
        return np.argsort(short, kind="stable"), np.concatenate([[0], np.cumsum(self.count)])

    def rows(self, which: int) -> np.ndarray:
        """Return the row indices that hold one distinct text, in order."""
        order, ends = self._sorted
        return order[ends[which] : ends[which + 1]]

    def rows_of(self, which: Iterable[int]) -> np.ndarray:
        """Return the row indices that hold one of the given distinct texts, in order."""
        wanted = np.zeros(len(self.texts), dtype=bool)
        wanted[list(which)] = True
        return np.flatnonzero(wanted[self.code])


def distinct(cells: Cells) -> Distinct:
    """Gather the different texts of a column, cleaned."""
    if cells.marks is None:
        keys: Sequence[str] = cells.texts
    else:
        keys = [mark + "\x00" + text for mark, text in zip(cells.marks, cells.texts, strict=True)]
    values = np.empty(len(keys), dtype=object)
    values[:] = keys
    code, unique = pd.factorize(values)
    if cells.marks is None:
        return distinct_plain(unique.tolist(), code)
    count = np.bincount(code, minlength=len(unique))
    marks, texts = [], []
    for key in unique:
        mark, _, text = key.partition("\x00")
        marks.append(mark)
        texts.append(text)
    return Distinct(texts, marks, code, count)


def distinct_plain(unique: list[str], code: np.ndarray, *, clean: pa.Array | None = None) -> Distinct:
    """Clean the different texts of a column without marks; `clean` holds them when they are clean already."""
    if clean is not None:
        return Distinct(unique, [TEXT] * len(unique), code, np.bincount(code, minlength=len(unique)), clean)
    texts = clean_texts(unique)
    if texts != unique:
        # Texts that differ in blanks alone are one after cleaning.
        cleaned = np.empty(len(texts), dtype=object)
        cleaned[:] = texts
        again, merged = pd.factorize(cleaned)
        code, texts = again[code], merged.tolist()
    return Distinct(texts, [TEXT] * len(texts), code, np.bincount(code, minlength=len(texts)))


def clean_text(text: str) -> str:
    r"""One cell's text in compatible form, without invisible characters and outer blanks.

    Examples
    --------
    >>> clean_text("\u00a057,9\u200b ")
    '57,9'
    """
    if text.isascii():
        return text.strip()
    text = unicodedata.normalize("NFKC", text)
    text = "".join(c for c in text if unicodedata.category(c) != "Cf")
    return text.replace("\u2212", "-").strip()


def clean_texts(texts: Sequence[str]) -> list[str]:
    """`clean_text` for a column; text that is all ASCII takes the short way."""
    if all(map(str.isascii, texts)):
        return [text.strip() for text in texts]
    return [clean_text(text) for text in texts]


def is_no_result(text: str) -> bool:
    """Whether the text is one of the usual ways of writing that there is no result.

    Examples
    --------
    >>> is_no_result("<LOD"), is_no_result("0")
    (True, False)
    """
    return text.casefold() in NO_RESULT


def below_limit(text: str) -> str:
    """Limit of a result that is only said to be below it, as text; "" when the text says no such thing.

    Examples
    --------
    >>> below_limit("<5.0"), below_limit("< 4,5 %"), below_limit("<LOD")
    ('5.0', '4,5', '')
    """
    found = _BELOW.match(text)
    return found[1] if found else ""


def is_error_cell(text: str) -> bool:
    """Whether the text is a spreadsheet's error, such as #DIV/0!."""
    return bool(_ERROR_CELL.match(text))


def read_number(text: str, decimal: str = ".") -> float | None:
    """Read a number whose decimal mark is known; None when it is no number.

    Parameters
    ----------
    text : str
        Cleaned text, without per cent sign.
    decimal : str
        "." or ","; the other one may group thousands.

    Returns
    -------
    float or None

    Notes
    -----
    Only ASCII digits count, and the text is never handed to `float` unchecked: `float` would also take
    "1_000", "nan" and "infinity".

    Examples
    --------
    >>> read_number("1.250,5", ","), read_number("1_000"), read_number("-3.5")
    (1250.5, None, -3.5)
    """
    if _PLAIN.match(text):
        return float(text)
    if decimal == ".":
        if _POINT.match(text):
            return float(text)
        if _GROUPED_COMMA.match(text):
            return float(re.sub("[,' ]", "", text))
    else:
        if _COMMA.match(text):
            return float(text.replace(",", "."))
        if _GROUPED_POINT.match(text):
            return float(re.sub("[.' ]", "", text).replace(",", "."))
    if _POWER.match(text):
        value = float(text)
        return value if abs(value) < 1e30 else None
    return None


def decimal_proof(text: str) -> str:
    """Which decimal mark a text proves: ".", ",", or "" when it proves nothing.

    Three digits after a single mark may be thousands, so "1.250" proves nothing.

    Examples
    --------
    >>> decimal_proof("57,9"), decimal_proof("1.250,5"), decimal_proof("1.250"), decimal_proof("57.9")
    (',', ',', '', '.')
    """
    text = text.removesuffix("%").rstrip()
    if _PLAIN.match(text) or _THREE.match(text):
        return ""
    if _POINT.match(text):
        return "."
    if _COMMA.match(text):
        return ","
    comma, point = text.find(","), text.find(".")
    if _GROUPED_COMMA.match(text) and comma >= 0:
        return "."
    if _GROUPED_POINT.match(text) and point >= 0:
        return ","
    return ""


def read_date(text: str, order: str | None) -> date | None:
    """Read a calendar date; None when it is none, or when its order is needed and unknown.

    Parameters
    ----------
    text : str
        Cleaned text: year first (2026-10-05, 20261005), a month by name (5 Oct 2026, 5 de octubre de 2026), or
        numbers with the year last.
    order : str or None
        "dmy", "mdy" or "ymd"; only numbers with the year last, and years of two digits, need it.

    Returns
    -------
    datetime.date or None

    Examples
    --------
    >>> read_date("05/10/2026", "dmy"), read_date("05/10/2026", None), read_date("5 Oct 2026", None)
    (datetime.date(2026, 10, 5), None, datetime.date(2026, 10, 5))
    """
    found = _ISO.match(text) or _ISO_BASIC.match(text)
    if found:
        return _calendar(*map(int, found.groups()))
    found = _NUMERIC.match(text)
    if found:
        first, second, year = map(int, found.groups())
        if first == second:
            return _calendar(year, first, second)
        if order == "dmy":
            return _calendar(year, second, first)
        if order == "mdy":
            return _calendar(year, first, second)
        return None
    found = _SHORT_YEAR.match(text)
    if found:
        parts = dict(zip(order or "", map(int, found.groups()), strict=False))
        return _calendar(2000 + parts["y"], parts["m"], parts["d"]) if parts else None
    found = _DAY_NAME.match(text)
    if found:
        return _calendar(int(found[3]), _month(found[2]), int(found[1]))
    found = _NAME_DAY.match(text)
    if found:
        return _calendar(int(found[3]), _month(found[1]), int(found[2]))
    return None


def _month(name: str) -> int:
    return _MONTH_OF.get(name_key(name), 0)


def _calendar(year: int, month: int, day: int) -> date | None:
    if not _YEARS[0] <= year <= _YEARS[1]:
        return None
    try:
        return date(year, month, day)
    except ValueError:
        return None


def date_proof(text: str) -> str:
    """Which order of day and month a text proves: "dmy", "mdy", or "" when it proves nothing.

    Examples
    --------
    >>> date_proof("13/10/2026"), date_proof("10/13/2026"), date_proof("05/10/2026")
    ('dmy', 'mdy', '')
    """
    found = _NUMERIC.match(text)
    if not found:
        return ""
    first, second = int(found[1]), int(found[2])
    if 12 < first <= 31 and 1 <= second <= 12:
        return "dmy"
    if 12 < second <= 31 and 1 <= first <= 12:
        return "mdy"
    return ""


def needs_date_order(text: str) -> bool:
    """Whether the text is a date that only the order of day and month can decide."""
    found = _NUMERIC.match(text)
    if found is None:
        return has_short_year(text)
    return found[1].lstrip("0") != found[2].lstrip("0")


def date_separator(text: str) -> str:
    """What stands between the numbers of a date; dates with points and with slashes come from different hands.

    Examples
    --------
    >>> date_separator("05.10.2026"), date_separator("5/10/2026")
    ('.', '/')
    """
    return next((c for c in text if not c.isdigit()), "")


def read_instant(text: str, order: str | None) -> tuple[datetime, int | None] | None:
    """Read a day with a clock time; None when it is none.

    Parameters
    ----------
    text : str
        Cleaned text: a date as `read_date` knows it, a blank or T, and the time.
    order : str or None
        As for `read_date`.

    Returns
    -------
    (datetime without zone, minutes east of UTC or None when the text has no offset), or None
        24:00 is midnight of the next day.

    Examples
    --------
    >>> read_instant("2026-10-05T24:00", None)
    (datetime.datetime(2026, 10, 6, 0, 0), None)
    >>> read_instant("10/05/2026 1:30 PM -07:00", "mdy")
    (datetime.datetime(2026, 10, 5, 13, 30), -420)
    """
    if "T" in text[8:]:
        text = text[:8] + text[8:].replace("T", " ", 1)
    space = text.find(" ", 8)
    day = read_date(text[:space].rstrip(","), order) if space > 0 else None
    if day is None:
        return None
    found = _CLOCK.match(text[space:].strip())
    if found is None:
        return None
    hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
    if found[4]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if found[4][0] in "pP" else 0)
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and (minute or second)):
        return None
    clock = datetime(day.year, day.month, day.day) + timedelta(hours=hour, minutes=minute, seconds=second)
    return clock, _offset_minutes(found[5])


def _offset_minutes(text: str | None) -> int | None:
    if text is None:
        return None
    if text[0] not in "+-":
        return 0
    minutes = 60 * int(text[1:3]) + int(text[-2:] if len(text) > 3 else 0)
    return -minutes if text[0] == "-" else minutes


def has_short_year(text: str) -> bool:
    """Whether the text is a date whose year has two digits."""
    return bool(_SHORT_YEAR.match(text))


def serial_date(text: str, start: date = SERIAL_START) -> date | None:
    """Day number of a spreadsheet (46301 is 2026-10-06, counted from 1899-12-30); None when it is none.

    Examples
    --------
    >>> serial_date("46301"), serial_date("2026")
    (datetime.date(2026, 10, 6), None)
    """
    if not _SERIAL.match(text):
        return None
    day = start + timedelta(days=int(text.partition(".")[0]))
    return day if date(1980, 1, 1) <= day <= date(2100, 1, 1) else None


def read_truth(text: str) -> bool | None:
    """Yes or no; None when it is neither.

    Examples
    --------
    >>> read_truth("Yes"), read_truth("0"), read_truth("maybe")
    (True, False, None)
    """
    word = name_key(text)
    if word in YES:
        return True
    if word in NO:
        return False
    return None


@lru_cache(maxsize=50_000)
def name_key(name: str) -> str:
    """Make the matching key of a name: marks, case, separators and leading zeros don't count.

    Digits and letters are told apart and stay in their groups, so "A 1 2" is not "A 12".

    Examples
    --------
    >>> name_key("N-01") == name_key("n1"), name_key("A 1 2") == name_key("A 12")
    (True, False)
    """
    text = name
    if not text.isascii():
        text = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
        text = "".join(c for c in text if unicodedata.category(c) not in ("Mn", "Cf"))
        text = "".join(str(unicodedata.digit(c)) if c.isdigit() else c for c in text)
    tokens = [token.lstrip("0") or "0" if token[0].isdigit() else token for token in _TOKEN.findall(text.casefold())]
    return " ".join(tokens) or text.strip().casefold()


@lru_cache(maxsize=50_000)
def _pairs(key: str) -> frozenset[str]:
    """Each two letters that stand together in a name, its ends included."""
    return frozenset(map("".join, zip(" " + key, key + " ", strict=True)))


def closest(name: str, names: Iterable[str]) -> str | None:
    """Return the one name that is most like `name`, for "did you mean", or None.

    Examples
    --------
    >>> closest("Noth 2", ["South 2", "North 2"]), closest("1.0", ["10", "1"])
    ('North 2', '1')
    """
    crowd = _crowd(tuple(names))
    # A name of digits that a program took for a number.
    number = re.fullmatch(r"([0-9]{1,9})[.,]0+", name)
    if number and (whole := crowd.names.get(name_key(number[1]))):
        return whole
    # A cap on length keeps the comparison quick on a hostile cell.
    key = name_key(name[:200])
    near = np.arange(len(crowd.keys))
    both = len(key) + crowd.lengths
    if len(near) > _COMPARED:
        # Of many names only those that share most pairs of letters are compared in full.
        pairs = dict.fromkeys(_pairs(key), 1)
        near = np.argsort(-2 * _shared(crowd.pairs, pairs, len(near)) / (both + 1), kind="stable")[:_COMPARED]
    # No two names are more alike than their letters without regard to order, so the likeliest come first.
    letters = {letter: key.count(letter) for letter in set(key)}
    limit = (2 * _shared(crowd.letters, letters, len(both)) / np.maximum(both, 1))[near]
    best, found = _ALIKE, ""
    matcher = difflib.SequenceMatcher(b=key)
    for i in np.argsort(-limit, kind="stable"):
        if limit[i] < best:
            break
        other = crowd.keys[near[i]]
        matcher.set_seq1(other)
        ratio = matcher.ratio()
        if (ratio, other) > (best, found):
            best, found = ratio, other
    return crowd.names[found] if found else None


class _Crowd(NamedTuple):
    """Names to compare with: which of them hold each pair of letters and each letter, and how often."""

    names: dict[str, str]
    keys: list[str]
    lengths: np.ndarray
    pairs: dict[str, tuple[np.ndarray, np.ndarray]]
    letters: dict[str, tuple[np.ndarray, np.ndarray]]


@lru_cache(maxsize=64)
def _crowd(names: tuple[str, ...]) -> _Crowd:
    by_key: dict[str, str] = {}
    for name in names:
        by_key.setdefault(name_key(name), name)
    keys = list(by_key)
    pairs: dict[str, list[tuple[int, int]]] = {}
    letters: dict[str, list[tuple[int, int]]] = {}
    for i, key in enumerate(keys):
        for pair in _pairs(key):
            pairs.setdefault(pair, []).append((i, 1))
        for letter in set(key):
            letters.setdefault(letter, []).append((i, key.count(letter)))
    return _Crowd(by_key, keys, np.array([*map(len, keys)], dtype=int), _columns(pairs), _columns(letters))


def _columns(index: dict[str, list[tuple[int, int]]]) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    return {part: tuple(np.array(found).T) for part, found in index.items()}


def _shared(index: dict[str, tuple[np.ndarray, np.ndarray]], parts: dict[str, int], n: int) -> np.ndarray:
    """How many of the parts of one name, each as often as it comes, every name of a crowd has too."""
    shared = np.zeros(n)
    for part in parts.keys() & index.keys():
        where, times = index[part]
        shared[where] += np.minimum(times, parts[part])
    return shared


def is_total_row(first_text: str) -> bool:
    """Whether a row whose first filled cell reads like this is a total or an average, not a record.

    Examples
    --------
    >>> is_total_row("Total general"), is_total_row("Std. dev."), is_total_row("North 2")
    (True, True, False)
    """
    return first_text.casefold().partition(" ")[0].rstrip(":.,") in TOTAL_WORDS
