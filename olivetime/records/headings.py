"""A file's headings to our columns: spelling, unit and what "ton" means."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from olivetime import units
from olivetime.records.columns import TABLES, UNITS, Column

# Spellings of units and of small words in headings, after `_split`; longer ones first.
_SPELLINGS: dict[tuple[str, ...], str] = {
    ("us", "short", "tons"): "short_ton",
    ("us", "short", "ton"): "short_ton",
    ("short", "tons"): "short_ton",
    ("short", "ton"): "short_ton",
    ("us", "tons"): "short_ton",
    ("us", "ton"): "short_ton",
    ("metric", "tons"): "t",
    ("metric", "ton"): "t",
    ("deg", "c"): "c",
    ("deg", "f"): "f",
    ("per", "cent"): "pct",
    ("tonnes",): "t",
    ("tonne",): "t",
    ("tons",): "ton",
    ("acres",): "ac",
    ("acre",): "ac",
    ("hectares",): "ha",
    ("hectare",): "ha",
    ("miles",): "mi",
    ("mile",): "mi",
    ("mph",): "mi_h",
    ("kmh",): "km_h",
    ("kph",): "km_h",
    ("kilometers",): "km",
    ("kilometres",): "km",
    ("inches",): "in",
    ("inch",): "in",
    ("celsius",): "c",
    ("degc",): "c",
    ("fahrenheit",): "f",
    ("degf",): "f",
    ("lbs",): "lb",
    ("pounds",): "lb",
    ("gallons",): "gal",
    ("gallon",): "gal",
    ("feet",): "ft",
    ("foot",): "ft",
    ("metres",): "m",
    ("meters",): "m",
    ("percent",): "pct",
    ("hours",): "h",
    ("hour",): "h",
    ("minutes",): "min",
    ("per",): "",
    # The basis of a per cent, as laboratories write it.
    ("fresh", "weight"): "fresh",
    ("fresh", "matter"): "fresh",
    ("fresh", "basis"): "fresh",
    ("wet", "weight"): "fresh",
    ("wet", "basis"): "fresh",
    ("fw",): "fresh",
    ("ww",): "fresh",
    ("dry", "weight"): "dry",
    ("dry", "matter"): "dry",
    ("dry", "basis"): "dry",
    ("dm",): "dry",
    ("dw",): "dry",
}
_LONGEST = max(map(len, _SPELLINGS))
_WORD = re.compile(r"[^\W_]+")


class Match(NamedTuple):
    """A heading understood: value in the column's unit = factor * value + offset."""

    column: Column
    factor: float
    offset: float
    unit: str


@lru_cache(maxsize=20_000)
def heading_key(heading: str) -> str:
    """Make the matching key of a heading: case, blanks, brackets and spellings of units don't count.

    Examples
    --------
    >>> heading_key("Area (acres)"), heading_key("Oil fresh %"), heading_key("Speed mph")
    ('area_ac', 'oil_fresh_pct', 'speed_mi_h')
    """
    text = heading if heading.isascii() else unicodedata.normalize("NFKC", heading)
    words = _WORD.findall(text.replace("%", " pct ").casefold())
    out: list[str] = []
    i = 0
    while i < len(words):
        for n in range(min(_LONGEST, len(words) - i), 0, -1):
            spelt = _SPELLINGS.get(tuple(words[i : i + n]))
            if spelt is not None:
                out += [spelt] if spelt else []
                i += n
                break
        else:
            out.append(words[i])
            i += 1
    # "Oil % DM" has the unit in the middle, "Oil dry (% DM)" says the basis twice.
    if "pct" in out[:-1] and out[-1] in ("fresh", "dry"):
        basis = out.pop()
        out.remove("pct")
        out += ["pct"] if basis in out else [basis, "pct"]
    return "_".join(out)


@lru_cache(maxsize=256)
def accepted_headings(table: str, ton: str | None = None) -> dict[str, Match]:
    """Every heading key a table understands.

    Parameters
    ----------
    table : str
        Key of `TABLES`.
    ton : str or None
        What a bare "ton" means: "short", "metric", or None to refuse it.

    Returns
    -------
    dict of str to Match
    """
    accepted: dict[str, Match] = {}
    for column in TABLES[table]:
        unit = UNITS[column.unit]
        accepted[heading_key(column.name)] = Match(column, 1.0, 0.0, unit.says)
        stem = column.name.removesuffix(unit.suffix) if unit.suffix else column.name
        # Colour classes are headed by their number alone, too.
        if column.name.startswith("class") and column.name.endswith("_n"):
            number = column.name.removeprefix("class").removesuffix("_n")
            for spelt in (f"class{number}", f"class_{number}", f"class_{number}_n"):
                accepted[spelt] = Match(column, 1.0, 0.0, unit.says)
        if column.unit == "% fresh" and "fresh" not in stem:
            accepted[f"{stem}_fresh_pct"] = Match(column, 1.0, 0.0, unit.says)
        forms = [(alt.suffix, alt.factor, alt.offset, alt.unit) for alt in unit.alternatives]
        for suffix, factor, offset, says in forms:
            accepted[heading_key(stem + suffix)] = Match(column, factor, offset, says)
        if ton is None:
            continue
        for suffix, factor, offset, says in [(unit.suffix, 1.0, 0.0, unit.says), *forms]:
            bare = _with_bare_ton(suffix, ton)
            if bare:
                accepted[heading_key(stem + bare)] = Match(column, factor, offset, says)
        if ton == "metric" and column.unit == "t/ha":
            accepted[heading_key(stem + "_ton_ac")] = Match(column, 1 / units.HA_PER_ACRE, 0.0, "t/acre")
    return accepted


def _with_bare_ton(suffix: str, ton: str) -> str:
    if ton == "short":
        return suffix.replace("short_ton", "ton") if "short_ton" in suffix else ""
    words = suffix.split("_")
    return "_".join("ton" if word == "t" else word for word in words) if "t" in words else ""


def match_heading(table: str, heading: str, ton: str | None = None) -> Match | None:
    """Our column for a file's heading, or None."""
    return accepted_headings(table, ton).get(heading_key(heading))


def is_bare_ton(table: str, heading: str) -> bool:
    """Whether a heading would be understood if the layout said what "ton" means."""
    key = heading_key(heading)
    return "ton" in key.replace("short_ton", "").split("_") and (
        key in accepted_headings(table, "short") or key in accepted_headings(table, "metric")
    )


def closest_heading(column: str, headings: Iterable[str]) -> str | None:
    """Return the heading of a file most like a column that is missing, for the hint."""
    by_key = {heading_key(h): h for h in reversed(list(headings)) if h}
    found = _most_like(heading_key(column), by_key)
    return None if found is None else by_key[found]


def closest_column(heading: str, table: str, taken: Iterable[str]) -> str | None:
    """Return the column of a table, not yet `taken`, that is most like a heading."""
    taken = set(taken)
    by_key = {heading_key(c.name): c.name for c in reversed(TABLES[table]) if c.name not in taken}
    found = _most_like(heading_key(heading), by_key)
    return None if found is None else by_key[found]


def _most_like(wanted: str, keys: Iterable[str]) -> str | None:
    keys = list(keys)
    found = difflib.get_close_matches(wanted[:80], keys, n=1, cutoff=0.6)
    if found:
        return found[0]
    # "moist" for moisture_pct is too short for the comparison above.
    first = wanted.split("_")[0]
    return next((k for k in keys if len(first) >= 4 and (k.startswith(first[:5]) or first.startswith(k))), None)
