"""season.toml: the settings, rules and layouts of a season, checked; unknown keys get a near match."""

from __future__ import annotations

import difflib
import re
import tomllib
import zoneinfo
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import MappingProxyType

import numpy as np

from olivetime.languages import LANGUAGES
from olivetime.records.cells import clean_text
from olivetime.records.columns import RULES, SETTINGS, TABLES, SeasonError
from olivetime.records.files import read_bytes
from olivetime.records.findings import shown
from olivetime.records.typed import Layout

SETTINGS_FILE = "season.toml"
# TOML allows whole numbers of any length; no setting needs one that a float can't hold.
_MOST = 1e15
WORKBOOK = "records.xlsx"


def in_year(day: date, year: int) -> date:
    """Move a day to another year; 29 February becomes 1 March in ordinary years."""
    try:
        return day.replace(year=year)
    except ValueError:
        return date(year, 3, 1)


@dataclass(frozen=True)
class Settings:
    """season.toml, checked.

    Parameters
    ----------
    values : mapping of (section, name) to value
    rules : mapping
    layouts : mapping of table to Layout
    files : mapping of table to (file, sheet)
        Where a table's own layout says it stands; sheet is empty for CSV.
    languages : mapping of grower to language
        Of pages for growers who read another language than the season's locale has.
    """

    values: Mapping[tuple[str, str], object]
    rules: Mapping[str, float | str]
    layouts: Mapping[str, Layout]
    files: Mapping[str, tuple[str, str]]
    languages: Mapping[str, str]


def read_settings(folder: Path) -> Settings:
    """Read season.toml.

    Raises
    ------
    SeasonError
        When it is missing, is no TOML, or holds an unknown key or an impossible value.
    """
    path = Path(folder) / SETTINGS_FILE
    if not path.is_file():
        raise SeasonError(
            str(folder),
            f"there is no {SETTINGS_FILE}",
            "",
            "Start a season folder with `olivetime start FOLDER`.",
        )
    try:
        text = read_bytes(path).decode("utf-8-sig")
        tree = tomllib.loads(text)
    except UnicodeDecodeError:
        raise SeasonError(SETTINGS_FILE, "the file isn't UTF-8 text", "", "Save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise SeasonError(SETTINGS_FILE, str(error), "", _toml_hint(text, str(error))) from None
    except RecursionError:
        raise SeasonError(SETTINGS_FILE, "brackets are nested too deep", "", "Remove them.") from None
    return _settings(tree)


def _toml_hint(text: str, error: str) -> str:
    found = re.search(r"line (\d+)", error)
    lines = text.splitlines()
    line = lines[int(found[1]) - 1] if found and int(found[1]) <= len(lines) else ""
    if re.search(r"\d,\d", line):
        return "TOML numbers have a decimal point."
    return 'Words stand in "quotation marks", dates are written 2026-08-01.'


def _settings(tree: Mapping[str, object]) -> Settings:
    sections = ("season", "layout", "rules", "target", "outlook", "languages")
    _no_unknown(tree, sections, "section")
    parts: dict[str, dict[str, object]] = {}
    for name in sections:
        part = tree.get(name, {})
        if isinstance(part, dict):
            parts[name] = part
        else:
            raise SeasonError(SETTINGS_FILE, f"{name} is a value", f"a section [{name}]", "Put it in brackets.")
    values: dict[tuple[str, str], object] = {}
    for setting in SETTINGS:
        where = f"{SETTINGS_FILE}, [{setting.section}]"
        value = parts[setting.section].get(setting.name)
        if value is None:
            if setting.required:
                raise SeasonError(where, f"{setting.name} is missing", "", f"Write it: {setting.help}")
            values[setting.section, setting.name] = setting.default
            continue
        values[setting.section, setting.name] = _setting(where, setting.name, setting.kind, value, setting.choices)
    for section in ("season", "target", "outlook"):
        _no_unknown(parts[section], [s.name for s in SETTINGS if s.section == section], f"key in [{section}]")
    own = {k: v for k, v in parts["layout"].items() if isinstance(v, dict)}
    plain = {k: v for k, v in parts["layout"].items() if k not in own}
    _no_unknown(plain, [s.name for s in SETTINGS if s.section == "layout"], "key in [layout]")
    _no_unknown(own, TABLES, "table under [layout]")
    layouts, files = _layouts(own, values)
    _check_values(values, parts["target"])
    return Settings(values, _rules(parts["rules"]), layouts, files, _languages(parts["languages"]))


def _no_unknown(given: Iterable[str], allowed: Iterable[str], what: str) -> None:
    allowed = list(allowed)
    for key in given:
        if key not in allowed:
            near = difflib.get_close_matches(key, allowed, n=1, cutoff=0.5)
            do = f"Did you mean {near[0]}?" if near else "Remove it."
            raise SeasonError(SETTINGS_FILE, f"unknown {what}: {shown(key)}", "", do)


def _setting(where: str, name: str, kind: str, value: object, choices: tuple[str, ...]) -> object:
    if kind == "date":
        # A TOML date-time is a date too, for isinstance; only plain dates are meant here.
        if type(value) is not date:
            raise SeasonError(
                where, f"{name} is {shown(str(value))}", "a date", "Write it as 2026-08-01, without quotes."
            )
        return value
    if kind == "number":
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _MOST:
            raise SeasonError(where, f"{name} is {shown(str(value))}", "a number", "Write the number without quotes.")
        return float(value)
    if not isinstance(value, str):
        raise SeasonError(where, f"{name} is {shown(str(value))}", "text", "Put it in quotation marks.")
    text = clean_text(value)
    if choices and text not in choices:
        near = difflib.get_close_matches(text, choices, n=1, cutoff=0.5)
        do = f'Did you mean "{near[0]}"?' if near else "Use one of these."
        expected = " or ".join(f'"{choice}"' for choice in choices)
        raise SeasonError(where, f'{name} is "{shown(text)}"', expected, do)
    return text


def _check_values(values: Mapping[tuple[str, str], object], target: Mapping[str, object]) -> None:
    where = f"{SETTINGS_FILE}, [season]"
    start, end = values["season", "start"], values["season", "end"]
    assert isinstance(start, date)  # by _setting
    assert isinstance(end, date)
    if not start <= end < in_year(start, start.year + 1):
        raise SeasonError(
            where,
            f"end is {end.isoformat()}",
            f"a day within a year of start ({start.isoformat()})",
            "Correct start or end.",
        )
    _check_zone(where, "time_zone", str(values["season", "time_zone"]))
    currency = str(values["season", "currency"])
    if not re.fullmatch("[A-Z]{3}", currency):
        raise SeasonError(where, f'currency is "{shown(currency)}"', "three capital letters", 'Write it like "USD".')
    days = values["outlook", "days"]
    assert isinstance(days, float)
    if not 1 <= days <= 35:
        raise SeasonError(f"{SETTINGS_FILE}, [outlook]", f"days is {days:g}", "1 to 35", "Correct it.")
    kind, value = str(values["target", "kind"]), values["target", "value"]
    limits = {
        "plateau_fraction": (0.3, 1),
        "oil_dry_pct": (5, 70),
        "oil_fresh_pct": (1, 35),
        "maturity": (0, 7),
    }
    if kind not in limits:
        return
    low, high = limits[kind]
    if kind != "plateau_fraction" and "value" not in target:
        raise SeasonError(f"{SETTINGS_FILE}, [target]", "value is missing", f"{low} to {high} for {kind}", "Write it.")
    assert isinstance(value, float)
    if not low <= value <= high:
        raise SeasonError(
            f"{SETTINGS_FILE}, [target]", f"value is {value:g}", f"{low} to {high} for {kind}", "Correct it."
        )


def _languages(given: Mapping[str, object]) -> Mapping[str, str]:
    where = f"{SETTINGS_FILE}, [languages]"
    return MappingProxyType(
        {clean_text(name): str(_setting(where, name, "text", value, LANGUAGES)) for name, value in given.items()}
    )


def _check_zone(where: str, name: str, zone: str) -> None:
    try:
        zoneinfo.ZoneInfo(zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(zone, zoneinfo.available_timezones(), n=1, cutoff=0.5)
        do = f'Did you mean "{near[0]}"?' if near else 'Write it like "America/Los_Angeles".'
        raise SeasonError(where, f'{name} is "{shown(zone)}"', "a name of the IANA list", do) from None


def _rules(given: Mapping[str, object]) -> Mapping[str, float | str]:
    rules: dict[str, float | str] = {rule.name: rule.default for rule in RULES}
    _no_unknown(given, rules, "rule")
    for rule in RULES:
        if rule.name not in given:
            continue
        where = f"{SETTINGS_FILE}, [rules]"
        value = given[rule.name]
        if isinstance(rule.default, str):
            rules[rule.name] = str(_setting(where, rule.name, "text", value, rule.choices))
            continue
        number = _setting(where, rule.name, "number", value, ())
        assert isinstance(number, float)
        low = -np.inf if rule.low is None else rule.low
        high = np.inf if rule.high is None else rule.high
        if not low <= number <= high:
            raise SeasonError(
                where,
                f"{rule.name} is {number:g}",
                f"{low:g} to {high:g} {rule.unit}".rstrip(),
                "Correct it.",
            )
        rules[rule.name] = int(number) if isinstance(rule.default, int) else number
    return MappingProxyType(rules)


def _layouts(
    own: Mapping[str, Mapping[str, object]], values: Mapping[tuple[str, str], object]
) -> tuple[dict[str, Layout], dict[str, tuple[str, str]]]:
    marks = [s for s in SETTINGS if s.section == "layout"]
    layouts, files = {}, {}
    for table in TABLES:
        given = own.get(table, {})
        where = f"{SETTINGS_FILE}, [layout.{table}]"
        _no_unknown(given, [*(s.name for s in marks), "headings", "file", "sheet"], f"key in [layout.{table}]")
        chosen: dict[str, str | None] = {}
        for s in marks:
            value = values["layout", s.name]
            if s.name in given:
                value = _setting(where, s.name, s.kind, given[s.name], s.choices)
            chosen[s.name] = None if value is None else str(value)
        headings = given.get("headings", {})
        if not isinstance(headings, dict) or not all(isinstance(v, str) for v in headings.values()):
            raise SeasonError(where, "headings is no list of pairs", '{ "theirs" = "ours" }', "Write it so.")
        if chosen["clock"] is not None:
            _check_zone(where, "clock", chosen["clock"])
        layouts[table] = Layout(chosen["decimal"], chosen["date_order"], chosen["ton"], dict(headings), chosen["clock"])
        if "file" in given or "sheet" in given:
            file = str(_setting(where, "file", "text", given.get("file", WORKBOOK), ()))
            files[table] = (file, str(_setting(where, "sheet", "text", given.get("sheet", ""), ())))
    return layouts, files
