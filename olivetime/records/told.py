"""Findings in the language of a page.

A finding is an English sentence. `olivetime/locale/findings.txt` holds the parts such sentences are made of, with
{names} where values stand; a part that fits is said from the catalogue, its values as they are. What no part fits
stays English, so a new sentence is never lost.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import Any

import pandas as pd
from babel.dates import format_date, format_skeleton

from olivetime.languages import CATALOGUES, decimal_text, known_locale, language_of, pattern_of, say
from olivetime.records.findings import MONTH_NAMES

TEMPLATES = CATALOGUES / "findings.txt"

# Values that are words of ours and not of the records: they are said in the language too.
_WORDS = frozenset(
    ("expected", "form", "mark", "other", "names", "rows", "rowsmore", "text", "unit", "what", "thing", "line", "days")
)
# Values that may be a day in words.
_DAYS = frozenset(("a", "b", "c"))
_DAY = re.compile(rf"([0-9]{{1,2}}) ({'|'.join(MONTH_NAMES)})(?: ([0-9]{{4}}))?")
# Lists are said in the language where one stands for a value, and never a whole sentence.
_LISTS = ("{names} and {name}", "{names} or {name}")
_DEEPEST = 4


def told(findings: pd.DataFrame, info: Mapping[str, Any] | str) -> pd.DataFrame:
    """Where each finding is, what was found and what to do, in the language of a page.

    Parameters
    ----------
    findings : DataFrame
        Columns as in `findings.FINDING_COLUMNS`.
    info : mapping or str
        See `languages.language_of`.

    Returns
    -------
    DataFrame
        where, found, do: text, one row for each finding in the same order. `found` says what was expected too, and
        not again where it is.
    """
    locale = info if isinstance(info, str) else str(info.get("locale", ""))
    language = "en" if language_of(locale) == "en" else locale.replace("-", "_")  # of its country: numbers differ
    columns = ["file", "sheet", "row", "says", "do"]
    text = findings[columns].astype(object).where(findings[columns].notna(), "").astype(str)
    rows = [_one(file, sheet, row, says, do, language) for file, sheet, row, says, do in text.to_numpy().tolist()]
    return pd.DataFrame(rows, columns=["where", "found", "do"], index=findings.index, dtype="str")


def _one(file: str, sheet: str, row: str, says: str, do: str, language: str) -> tuple[str, str, str]:
    row = row.removesuffix(".0")
    parts = [file or "season folder", *([f"sheet {sheet}"] if sheet else []), *([f"row {row}"] if row else [])]
    start = ", ".join(parts)
    rest = says.removeprefix(start) if says.startswith(start) else ""
    if rest.startswith(": "):
        return _where(parts, language), _whole(rest[2:], language), _part(do, language)
    if rest.startswith(", block "):
        # A block's name may hold a colon, so the sentence may begin at any of them.
        places = [m.start() for m in re.finditer(": ", rest)]
        known = [
            at for at in places if _pairs(rest[at + 2 :].removesuffix(".")) or fits(rest[at + 2 :].removesuffix("."))
        ]
        for at in (known or places)[:1]:
            return _where([*parts, rest[2:at]], language), _whole(rest[at + 2 :], language), _part(do, language)
    where, colon, found = says.partition(": ")
    if file or not colon:
        return _where(parts, language) if file else "", _whole(says, language), _part(do, language)
    return _where(where.split(", "), language), _whole(found, language), _part(do, language)


def _where(parts: list[str], language: str) -> str:
    return ", ".join(_part(part, language) for part in parts)


def _whole(text: str, language: str) -> str:
    """Say what was found and expected; a value may hold the word between them, so each place is tried."""
    text, stop = text.removesuffix("."), "." if text.endswith(".") else ""
    pairs = _pairs(text)
    if not pairs:
        return _part(text, language) + stop
    if language == "en":
        return text + stop
    # A currency or a list of choices is expected as it stands, and no part of ours.
    found, expected = next((pair for pair in pairs if fits(pair[1])), pairs[0])
    both = {"found": _part(found, language), "expected": _part(expected, language, lists=True)}
    return say("{found}, expected {expected}", language, **both) + stop


def _pairs(text: str) -> list[tuple[str, str]]:
    """What was found and what was expected, for each place where the two may part."""
    pairs = [(text[: m.start()], text[m.end() :]) for m in re.finditer(", expected ", text)]
    return [pair for pair in pairs if fits(pair[0])]


def fits(text: str) -> bool:
    """Whether a part of a sentence is one of those that can be said in other languages."""
    return bool(text) and _match(text) is not None


@lru_cache(maxsize=20_000)
def _part(text: str, language: str, *, lists: bool = False, deep: int = 0) -> str:
    found = None if language == "en" or not text or deep > _DEEPEST else _match(text, lists=lists)
    if found is None:
        return text
    template, values = found
    if not values:
        return say(template, language)
    return say(template, language, **{name: _value(name, text, language, deep) for name, text in values.items()})


def _value(name: str, text: str, language: str, deep: int) -> str:
    if name == "how":  # "4 by a straight line, 6 with usual values"
        return ", ".join(_part(part, language, deep=deep + 1) for part in text.split(", "))
    if re.fullmatch(r"[0-9]+\.[0-9]+" if name in ("n", "points") else r"-?[0-9]+\.[0-9]+ °[CF]", text):
        number, *unit = text.split(" ")  # computed by us; what stands in the records is shown as it stands there
        return " ".join([decimal_text(number, language), *unit])
    if name in _WORDS:
        return _part(text, language, lists=name != "text", deep=deep + 1)
    day = _DAY.fullmatch(text) if name in _DAYS else None
    if day:
        when = date(int(day[3] or 2000), MONTH_NAMES.index(day[2]) + 1, int(day[1]))
        place = known_locale(language)
        return format_date(when, "long", locale=place) if day[3] else format_skeleton("MMMMd", when, locale=place)
    return text


@lru_cache(maxsize=20_000)
def _match(text: str, *, lists: bool = False) -> tuple[str, dict[str, str]] | None:
    """The part that fits a text with the most fixed letters, and its values."""
    for pattern, template in _patterns():
        found = pattern.fullmatch(text) if lists or template not in _LISTS else None
        if found:
            return template, found.groupdict()
    return None


@lru_cache(maxsize=1)
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    templates = TEMPLATES.read_text(encoding="utf-8").splitlines()
    templates.remove("{found}, expected {expected}")  # joins two parts, see `_whole`
    # What is added to a sentence (", and 5 rows more ...") is taken off first.
    templates.sort(key=lambda t: (not t.startswith("{text}"), -len(re.sub(r"\{\w+\}", "", t))))
    return tuple((pattern_of(template, _shape), template) for template in templates)


def _shape(name: str) -> str:
    """What a value may look like."""
    if name in ("n", "many"):
        return r"[0-9]+(?:[.,][0-9]+)?"
    if name in ("low", "high"):
        return r"-?[0-9.e+-]+"
    if name in ("file", "table"):
        return r"\S+"
    if name == "column":
        # A heading; a sentence that begins like one is another part.
        return r"(?!the |its |there |coordinates )[^:]+?"
    return ".+" if name == "names" else ".+?"
