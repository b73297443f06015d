"""A season folder to a checked `Season`; everything dated after the as-of day is withheld."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from zoneinfo import available_timezones

import numpy as np
import pandas as pd

from olivetime.records.cells import closest, name_key
from olivetime.records.checks import (
    Tables,
    check_aliases,
    check_blocks,
    check_contracts,
    check_duplicates,
    check_oil_orders,
    check_picks,
    check_samples,
    check_spans,
    check_station_blocks,
    check_treatments,
    check_weather,
    check_years,
    mill_can_run,
)
from olivetime.records.columns import KEYS, NEEDED_TABLES, TABLE_HELP, TABLES, SeasonError, dtype_of
from olivetime.records.convert import BAD, ROW, Converted, absent, convert, count_by_text, ranks, texts_in, without
from olivetime.records.files import read_bytes, sha256_of
from olivetime.records.findings import ERROR, NOTE, WARNING, Finding, findings_table, shown
from olivetime.records.settings import SETTINGS_FILE, WORKBOOK, Settings, in_year, read_settings
from olivetime.records.sources import CAN_BE_LOST, Gathered, gather

__all__ = [
    "Season",
    "Target",
    "check",
    "read_season",
    "season_label",
    "season_labels",
    "season_start",
]

# As in `boundaries`, which is loaded only when there is such a file; the first needs no extra.
_BOUNDARY_FILES = tuple(f"boundaries.{suffix}" for suffix in ("geojson", "gpkg", "kml", "zip", "shp"))

# Tables are read in this order, so that what a table refers to has been read before it.
_ORDER = (
    *(
        "cultivars",
        "stations",
        "contracts",
        "mill",
        "trucks",
        "blocks",
        "aliases",
        "harvesters",
        "samples",
        "weather_days",
    ),
    *("weather_hours", "outlook", "mill_days", "treatments", "picks", "oil_orders", "committed"),
)
# Tables whose rows blocks hang on, and the column of blocks that names them.
_LINKS = {"cultivars": "cultivar", "stations": "station_id", "contracts": "contract_id"}
_REFERRED_TO = frozenset(column.refers_to for columns in TABLES.values() for column in columns if column.refers_to)
# The day on which a row became known; the second column stands in for an empty first one.
_KNOWN_ON: dict[str, tuple[str, ...]] = {
    "samples": ("received_on", "sampled_on"),
    "weather_days": ("day",),
    "weather_hours": ("day",),
    "outlook": ("issued_on",),
    "treatments": ("recorded_on", "applied_on"),
    "picks": ("picked_on",),
    "oil_orders": ("ordered_on",),
    "committed": ("committed_on",),
}
# A sample dated later than this after the newest weather, pick and outlook is taken for a slip of the pen.
_AHEAD_DAYS = 7


@dataclass(frozen=True)
class Target:
    """What a block waits for: `kind` as in season.toml, and its number (0 for best_value)."""

    kind: str
    value: float


@dataclass(frozen=True)
class Season:
    """All that is known of a season on its as-of day.

    Parameters
    ----------
    folder : Path
    name, place : str
    as_of : date
        Day of the decision; nothing dated later is in the tables.
    start, end : date
        First day of the season and last day of the plan.
    label : int
        Year in which the season starts.
    units : str
        "metric" or "us", for pages and figures; the tables are metric.
    currency, time_zone, locale : str
    target : Target
    rules : mapping
        Every rule of `columns.RULES`, overlaid by the season's own.
    blocks : DataFrame
        Blocks whose own row is sound; `blocked` may name some of them, and others that are not here.
    aliases, cultivars, samples, stations, weather_days, weather_hours, outlook, harvesters, trucks, mill,
    mill_days, treatments, contracts, picks, oil_orders, committed : DataFrame
        Columns as in `columns.TABLES` with the derived ones, sorted by key; `samples`, `picks` and
        `oil_orders` of this season, `outlook` the latest issue. `day` of weather_hours is the station's
        calendar day in which the hour starts.
    boundaries : DataFrame
        block_id, geometry (shapely polygon, longitude and latitude), area_ha (geodesic), lat_deg, lon_deg, mill_km;
        no rows when the folder has no boundaries.geojson, .gpkg, .kml, .shp or .zip.
    past_samples, past_picks : DataFrame
        The same of earlier seasons, told apart by `season`.
    past_outlooks : DataFrame
        Every issue of the outlook known by `as_of`, the latest included; they tell how far it can be trusted.
    findings : DataFrame
        Columns as in `findings.FINDING_COLUMNS`.
    sources : DataFrame
        file, sha256, rows.
    blocked : mapping of str to str
        Blocks that can't be decided on, and why.
    unsound_blocks : DataFrame
        Rows of blocks that are not in `blocks`, as far as they could be read; columns as `blocks`.
    outlook_said : str
        Where the outlook comes from, how old it is and whose it is, to be said beside every use; "" for that of
        the outlook table.
    languages : mapping of str to str
        Language of a grower's pages, where it is not that of `locale`.
    """

    folder: Path
    name: str
    place: str
    as_of: date
    start: date
    end: date
    label: int
    units: str
    currency: str
    time_zone: str
    locale: str
    target: Target
    rules: Mapping[str, float | str]
    blocks: pd.DataFrame
    aliases: pd.DataFrame
    cultivars: pd.DataFrame
    samples: pd.DataFrame
    stations: pd.DataFrame
    weather_days: pd.DataFrame
    weather_hours: pd.DataFrame
    outlook: pd.DataFrame
    harvesters: pd.DataFrame
    trucks: pd.DataFrame
    mill: pd.DataFrame
    mill_days: pd.DataFrame
    treatments: pd.DataFrame
    contracts: pd.DataFrame
    picks: pd.DataFrame
    oil_orders: pd.DataFrame
    committed: pd.DataFrame
    boundaries: pd.DataFrame
    past_samples: pd.DataFrame
    past_picks: pd.DataFrame
    past_outlooks: pd.DataFrame
    findings: pd.DataFrame
    sources: pd.DataFrame
    blocked: Mapping[str, str]
    unsound_blocks: pd.DataFrame
    outlook_said: str = ""
    languages: Mapping[str, str] = field(default_factory=dict)

    # A mapping that can't be changed can't be sent to another process either; it travels as a plain one.
    def __getstate__(self) -> dict[str, object]:
        plain = {name: dict(getattr(self, name)) for name in ("rules", "blocked", "languages")}
        return {**self.__dict__, **plain}

    def __setstate__(self, state: dict[str, object]) -> None:
        for name, value in state.items():
            object.__setattr__(self, name, MappingProxyType(value) if isinstance(value, dict) else value)


def season_label(day: date, start: date) -> int:
    """Year in which the season of `day` starts, when seasons start on the month and day of `start`.

    Examples
    --------
    >>> season_label(date(2027, 1, 10), date(2026, 8, 1)), season_label(date(2026, 3, 2), date(2026, 2, 1))
    (2026, 2026)
    """
    return day.year if (day.month, day.day) >= (start.month, start.day) else day.year - 1


def season_start(label: int, start: date) -> date:
    """First day of season `label`; 29 February becomes 1 March in ordinary years.

    Examples
    --------
    >>> season_start(2024, date(2026, 8, 1))
    datetime.date(2024, 8, 1)
    """
    return in_year(start, label)


def season_labels(days: pd.Series, start: date) -> np.ndarray:
    """`season_label` of a column of dates; -1 where the date is missing."""
    values = days.to_numpy().astype("datetime64[D]")
    known = ~np.isnat(values)
    labels = np.full(len(values), -1, dtype=np.int64)
    if known.any():
        first, last = (int(f(values[known]).astype(date).year) for f in (np.min, np.max))
        starts = [season_start(year, start) for year in range(first - 1, last + 1)]
        later = np.searchsorted(np.array(starts, dtype="datetime64[D]"), values[known], side="right")
        labels[known] = later + first - 2
    return labels


def read_season(folder: Path | str, as_of: date | str | None = None, *, kept: Path | None = None) -> Season:
    """Read and check a season folder as it was known on a day.

    Parameters
    ----------
    folder : path
        Holds season.toml and either TABLE.csv files, records.xlsx with a sheet for each table, or both.
    as_of : date or ISO text, optional
        Day of the decision. Rows that became known later are withheld. By default the newest day among this
        season's samples, measured weather, picks and outlooks.

    Returns
    -------
    Season

    Raises
    ------
    SeasonError
        When nothing can be decided: no season.toml, a needed table missing or unreadable, no sound block, no
        mill that can run. Its `findings` hold what else was found. Faults of single blocks don't raise; they
        stand in `Season.findings` and `Season.blocked`.
    ValueError
        When `as_of` is no date, lies after the season's last day or before the oldest record.
    """
    found: list[Finding] = []
    try:
        return _read(Path(folder), _as_day(as_of), found, kept)
    except SeasonError as error:
        error.findings = findings_table(found)
        raise


def check(folder: Path | str, as_of: date | str | None = None) -> pd.DataFrame:
    """List what is wrong with a season folder; a folder on which nothing can be decided gets a row too.

    Returns
    -------
    DataFrame
        Columns `FINDING_COLUMNS`; no rows when there is nothing to say.
    """
    found: list[Finding] = []
    try:
        return _read(Path(folder), _as_day(as_of), found).findings
    except SeasonError as error:
        if not any(f.level == ERROR and f.found == error.found for f in found):
            found.append(
                Finding(
                    "no-season",
                    ERROR,
                    "",
                    error.where,
                    "",
                    None,
                    "",
                    "",
                    error.found,
                    error.expected,
                    error.do,
                )
            )
        return findings_table(found)


def _as_day(as_of: date | str | None) -> date | None:
    if as_of is None:
        return None
    if isinstance(as_of, str):
        try:
            return date.fromisoformat(as_of)
        except ValueError:
            raise ValueError(f"as_of is {shown(as_of)}, expected a date such as 2026-10-05") from None
    if isinstance(as_of, pd.Timestamp):
        return as_of.date()
    return as_of


def _read(folder: Path, as_of: date | None, found: list[Finding], kept: Path | None = None) -> Season:
    if not folder.is_dir():
        raise SeasonError(str(folder), "there is no such folder", "", "Start one with `olivetime start FOLDER`.")
    settings = read_settings(folder)
    gathered = gather(folder, settings, kept)
    found += gathered.findings
    tables = _convert_all(gathered, settings, found)
    for name in NEEDED_TABLES:
        if tables[name].frame.empty and name not in ("samples", _instead_of_days(name, tables)):
            where = tables[name].place.file
            raise SeasonError(where, f"table {name} has no rows", "", f"Fill it: {TABLE_HELP[name]}")
    check_contracts(tables, str(settings.values["season", "currency"]))
    check_blocks(tables)
    check_spans(tables)
    check_station_blocks(tables)
    check_samples(tables)
    for name in ("weather_days", "outlook"):
        check_weather(tables, name)
    found += check_treatments(tables)
    boundaries = _boundaries(folder, tables, gathered, found)
    _local_days(tables, str(settings.values["season", "time_zone"]))
    start, end = settings.values["season", "start"], settings.values["season", "end"]
    assert isinstance(start, date)  # read_settings sees to it
    assert isinstance(end, date)
    given = as_of is not None
    if as_of is None:
        as_of = _newest_day(tables, start, end)
    elif (oldest := _oldest_day(tables)) is not None and as_of < oldest:
        raise ValueError(
            f"as_of is {as_of.isoformat()}, expected a day from the oldest sample, weather or pick, {oldest}, on"
        )
    label = season_label(as_of, start)
    start, end = season_start(label, start), in_year(end, end.year + label - start.year)
    if as_of > end:
        raise ValueError(f"as_of is {as_of.isoformat()}, expected a day up to the season's last, {end.isoformat()}")
    seasons = {
        name: season_labels(tables[name].frame[day], start)
        for name, day in (("samples", "sampled_on"), ("picks", "picked_on"))
    }
    for name, day in (("samples", "sampled_on"), ("picks", "picked_on")):
        check_years(tables[name], day, seasons[name], label)
    check_picks(tables, seasons["picks"], label)
    check_oil_orders(tables, start, end)
    if not given:
        _ahead(tables["samples"], as_of)
    _check_pools(tables, seasons["samples"], label, as_of)
    found += _all_findings(tables, seasons, label, as_of)
    for name in (*NEEDED_TABLES, "trucks"):
        # A table without a usable row stops everything, unless it was allowed to be empty from the start.
        if len(tables[name].frame) and tables[name].frame[BAD].all() and name != "samples":
            raise _first_error(name, tables)
    if not mill_can_run(tables, as_of, end):
        place = tables["mill"].place
        raise SeasonError(
            f"{place.file}, sheet {place.sheet}" if place.sheet else place.file,
            f"no fruit can be milled from {as_of} to {end}",
            "a mill with a rate and hours, open on some day",
            "Correct mill, or the closed and booked_h of mill_days.",
        )
    frames = {name: _finish(name, table) for name, table in tables.items()}
    known = _known_by(frames, as_of, found, tables, given=given)
    return _season(folder, settings, as_of, (start, end, label), known, tables, boundaries, found, gathered)


def _boundaries(folder: Path, tables: Tables, gathered: Gathered, found: list[Finding]) -> pd.DataFrame:
    """Read the outlines of blocks when the folder has any; blocks without a place get the outline's."""
    paths = [p for p in (folder / name for name in _BOUNDARY_FILES) if p.is_file()]
    if not paths:
        return pd.DataFrame({"block_id": pd.Series([], dtype="str"), "geometry": pd.Series([], dtype=object)}).assign(
            **dict.fromkeys(("area_ha", "lat_deg", "lon_deg", "mill_km"), pd.Series([], dtype="float64"))
        )
    path = paths[0]
    if len(paths) > 1:
        says = f"outlines stand in {' and '.join(p.name for p in paths)}; {path.name} was read"
        place = ("boundaries", path.name, "", None, "", "")
        found.append(Finding("boundaries-twice", WARNING, *place, says, "", "Keep one."))
    # Map libraries take a while to load, and most seasons have no outlines.
    from olivetime.records.boundaries import fill_places, read_boundaries

    aliases = tables["aliases"].frame[~tables["aliases"].frame[BAD]]
    agreed = {name_key(a): b for a, b in zip(aliases["as_written"], aliases["block_id"], strict=True)}
    blocks = tables["blocks"].frame
    stations, mill = tables["stations"].frame, tables["mill"].frame
    boundaries, problems = read_boundaries(path, blocks, stations, mill, agreed)
    found += problems + fill_places(blocks, boundaries, path.name)
    gathered.sources.append((path.name, sha256_of(read_bytes(path)), len(boundaries)))
    return boundaries


def _instead_of_days(name: str, tables: Mapping[str, object]) -> str:
    """`name` when it is weather_days and hours stand in its place, else nothing."""
    hours = tables.get("weather_hours")
    here = hours is not None and not (isinstance(hours, Converted) and hours.frame.empty)
    return name if name == "weather_days" and here else ""


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _local_days(tables: Tables, zone: str) -> None:
    """Add to each hour the calendar day of its station's clock."""
    stations, hours = tables["stations"].frame, tables["weather_hours"].frame
    known = _zones()
    zones = {}
    for i, (station, own) in enumerate(zip(stations["station_id"], stations["time_zone"], strict=True)):
        zones[station] = own if own in known else zone
        if own and own not in known:
            says, do = f"time_zone is {shown(own)}", f"The season's, {zone}, was used."
            tables["stations"].place.add(
                *("no-zone", WARNING, says, "a name of the IANA list", do), index=i, column="time_zone", value=own
            )
    day = pd.Series(pd.NaT, index=hours.index, dtype="datetime64[us]")
    for station, rows in hours.groupby("station_id", sort=False).groups.items():
        local = hours.loc[rows, "hour_utc"].dt.tz_localize("UTC").dt.tz_convert(zones.get(station, zone))
        day[rows] = local.dt.tz_localize(None).dt.normalize().astype("datetime64[us]")
    hours["day"] = day


def _convert_all(gathered: Gathered, settings: Settings, found: list[Finding]) -> dict[str, Converted]:
    known: dict[str, Sequence[str]] = {}
    tables: dict[str, Converted] = {}
    aliases: dict[str, str] = {}
    for name in _ORDER:
        if name not in gathered.grids:
            if name in NEEDED_TABLES and not _instead_of_days(name, gathered.grids):
                unread = {f.sheet or f.file.rpartition(".")[0]: f for f in gathered.findings if f.code == "not-read"}
                near = closest(name, unread)
                do = f"Add {name}.csv, or the sheet in {WORKBOOK}."
                book = next((f for f in unread.values() if f.do == f"Save it as {WORKBOOK}."), None)
                if near is not None and unread[near].sheet:
                    do = f"Rename sheet {near} in {unread[near].file} to {name}."
                elif near is not None and near.casefold() == name:
                    do = f"There is {unread[near].file}. {unread[near].do}"
                elif near is None and book is not None:
                    do = f"There is {book.file}. {book.do}"
                elif near is not None:
                    do = f"Rename {near}, or add {name}.csv, or the sheet in {WORKBOOK}."
                raise SeasonError("season folder", f"table {name} is missing", "", do)
            tables[name] = absent(name)
            continue
        table = convert(gathered.grids[name], name, settings.layouts[name], known, aliases)
        tables[name] = table
        if not table.missing:
            check_duplicates(name, table)
        for column in TABLES[name]:
            if f"{name}.{column.name}" in _REFERRED_TO:
                known[f"{name}.{column.name}"] = [n for n in dict.fromkeys(texts_in(table.frame[column.name])) if n]
        if name == "aliases":
            check_aliases(tables)
            agreed = table.frame[~table.frame[BAD]]
            aliases = {name_key(a): b for a, b in zip(agreed["as_written"], agreed["block_id"], strict=True) if b}
        _stop_if_lost(name, table, found)
    return tables


_LOSES_A_COLUMN = ("no-column", "no-heading", "bare-ton", "heading-twice")


def _stop_if_lost(name: str, table: Converted, found: list[Finding]) -> None:
    """Raise when a table lacks a column without which nothing can be decided."""
    place = table.place
    if not table.missing or name in CAN_BE_LOST:
        return
    # A spray or a ticket without some column still names its block, and then only that block has to wait.
    if name in ("treatments", "picks") and "block_id" not in table.missing:
        return
    found += place.found
    first = next(f for f in place.found if f.level == ERROR and f.code in _LOSES_A_COLUMN)
    raise SeasonError(first.where, first.found, first.expected, first.do)


def _newest_day(tables: Tables, start: date, end: date) -> date:
    """Choose the as-of day: the newest in the records of this season.

    A sample counts only when it is at most a week newer than all weather, picks and outlooks: a slip of the
    pen in one date must not move the decision into the future.
    """
    newest = {}
    for name, columns in _KNOWN_ON.items():
        if name in ("treatments", "oil_orders", "committed"):
            continue
        days = _first_known(tables[name].frame, columns)
        days = days[~tables[name].frame[BAD] & (days >= pd.Timestamp(start)) & (days <= pd.Timestamp(end))]
        if len(days):
            newest[name] = days
    others = [days.max() for name, days in newest.items() if name != "samples"]
    samples = newest.get("samples")
    if samples is not None and others:
        samples = samples[samples <= max(others) + pd.Timedelta(days=_AHEAD_DAYS)]
    if samples is not None and len(samples):
        others.append(samples.max())
    if not others:
        raise SeasonError(
            "season folder",
            f"no sample, weather, pick or outlook is dated from {start} to {end}",
            "",
            "Correct start and end in season.toml, or add this season's records.",
        )
    day: date = max(others).date()
    return day


def _oldest_day(tables: Tables) -> date | None:
    """Day of the oldest sample, weather or pick of any season; None when no row has a sound day."""
    oldest = []
    for name in ("samples", "weather_days", "weather_hours", "picks"):
        frame = tables[name].frame
        oldest.append(_first_known(frame, _KNOWN_ON[name])[~frame[BAD]].min())
    known = [day.date() for day in oldest if pd.notna(day)]
    return min(known, default=None)


def _first_known(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series:
    days = frame[columns[0]]
    for column in columns[1:]:
        days = days.fillna(frame[column])
    return days


def _ahead(table: Converted, as_of: date) -> None:
    """Report samples dated after a default as-of day."""
    frame = table.frame
    days = _first_known(frame, _KNOWN_ON["samples"])
    for i in np.flatnonzero((days > pd.Timestamp(as_of)).to_numpy() & ~frame[BAD].to_numpy()):
        column = "sampled_on" if frame["sampled_on"].iloc[i] > pd.Timestamp(as_of) else "received_on"
        value = frame[column].iloc[i].date().isoformat()
        do = "Correct the date, or name the day with --as-of."
        table.place.add(
            "after-as-of",
            ERROR,
            f"{column} is {value}",
            f"a day up to the as-of date {as_of}",
            do,
            index=int(i),
            column=column,
            value=value,
        )
        frame.loc[i, BAD] = True


def _check_pools(tables: Tables, seasons: np.ndarray, label: int, as_of: date) -> None:
    """Say which blocks borrow their curve, and stop those that have nobody to borrow from."""
    blocks, samples = tables["blocks"], tables["samples"].frame
    counts = ~samples[BAD] & samples["oil_dry_pct"].notna() & (seasons <= label)
    use = counts & (_first_known(samples, _KNOWN_ON["samples"]) <= pd.Timestamp(as_of))
    own = count_by_text(tables["samples"], "block_id", (use & (seasons == label)).to_numpy())
    ids, cultivars_of = texts_in(blocks.frame["block_id"]), texts_in(blocks.frame["cultivar"])
    cultivar_of = dict(zip(ids, cultivars_of, strict=True))
    sampled = count_by_text(tables["samples"], "block_id", use.to_numpy())
    pool = {cultivar_of.get(block) for block, n in sampled.items() if n}
    cultivars = tables["cultivars"].frame
    published = set(cultivars.loc[cultivars["plateau_dry_pct"].notna(), "cultivar"])
    for i in np.flatnonzero(~blocks.frame[BAD].to_numpy()):
        block, cultivar = ids[i], cultivars_of[i]
        n = int(own.get(block, 0))
        if n == 0 and cultivar not in pool and cultivar not in published:
            says = f"no sample of cultivar {shown(cultivar)} and no plateau_dry_pct for it"
            do = "Sample the block, or give the cultivar a plateau_dry_pct."
            blocks.place.add("no-pool", ERROR, says, "", do, index=int(i), column="cultivar", value=cultivar)
            blocks.frame.loc[i, BAD] = True
        elif n <= 1:
            says = f"{'one sample' if n else 'no sample'} with oil this season"
            do = "Its curve is borrowed from other blocks of the cultivar; sample it again."
            blocks.place.add("few-samples", NOTE, says, "", do, index=int(i), column="block_id", value=block)


def _all_findings(tables: Tables, seasons: Mapping[str, np.ndarray], label: int, as_of: date) -> list[Finding]:
    """Gather the findings of all tables.

    Faults of past seasons, of aliases and of the old order can't stop a block. What became known after the as-of day is
    not spoken of, except the samples whose very date is the fault.
    """
    found: list[Finding] = []
    for name, table in tables.items():
        past: set[int] = set()
        late: set[int] = set()
        if name in seasons:
            past = set(table.place.rows[(seasons[name] >= 0) & (seasons[name] < label)].tolist())
        if name in _KNOWN_ON:
            after = _first_known(table.frame, _KNOWN_ON[name]) > pd.Timestamp(as_of)
            late = set(table.place.rows[after.to_numpy()].tolist())
        for finding in table.place.found:
            if finding.row in late and finding.code != "after-as-of":
                continue
            if finding.level == ERROR and (finding.row in past or name in ("aliases", "committed")):
                found.append(replace(finding, level=WARNING, do=f"{finding.do} The row was left out."))
            else:
                found.append(finding)
    return found


def _finish(name: str, table: Converted) -> pd.DataFrame:
    """Drop rows that can't be used, give whole numbers their type, sort by key."""
    frame = without(table.frame, BAD)
    good = np.flatnonzero(~table.frame[BAD].to_numpy())
    order = good
    if len(good):
        # Rows stand in the file's order, which a stable sort keeps where keys are the same.
        order = good[np.lexsort([ranks(table, key)[good] for key in reversed(KEYS[name])])]
    if len(order) < len(frame) or (np.diff(order) < 0).any():
        frame = frame.take(order)
        frame.index = pd.RangeIndex(len(frame))
    for column in TABLES[name]:
        if dtype_of(column) == "int64":
            frame[column.name] = frame[column.name].astype("int64")
    return frame


def _language_of_nobody(name: str, growers: set[str]) -> Finding:
    near = closest(name, sorted(growers))
    do = f"Did you mean {near}?" if near else "Remove the line, or write the name as in the blocks table."
    found = f"[languages] names {shown(name)}, who has no block"
    return Finding("language", WARNING, "", SETTINGS_FILE, "", None, "", "", found, "", do)


def _only(frame: pd.DataFrame, wanted: np.ndarray) -> pd.DataFrame:
    """Rows of a frame; most often all of them or none, and then nothing is copied."""
    if wanted.all():
        return frame
    return frame[wanted].reset_index(drop=True) if wanted.any() else frame.iloc[:0]


def _known_by(
    frames: Mapping[str, pd.DataFrame], as_of: date, found: list[Finding], tables: Tables, *, given: bool
) -> dict[str, pd.DataFrame]:
    """Withhold rows that became known after the as-of day."""
    known = dict(frames)
    for name, columns in _KNOWN_ON.items():
        frame = frames[name]
        late = (_first_known(frame, columns) > pd.Timestamp(as_of)).to_numpy()
        if late.any() and not given:
            place = tables[name].place
            row = int(frame.loc[late, ROW].min())
            says = f"{int(late.sum())} rows dated after {as_of} were left out"
            found.append(
                Finding(
                    "withheld",
                    NOTE,
                    name,
                    place.file,
                    place.sheet,
                    row,
                    columns[0],
                    "",
                    says,
                    "",
                    "Name a later day with --as-of if they should count.",
                )
            )
        known[name] = _only(frame, ~late)
    return known


def _first_error(name: str, tables: Tables) -> SeasonError:
    """Turn the first error of a table, none of whose rows can be used, into one about the season.

    Of blocks that hang on a faulty row of another table, that row's own fault is the one to mend.
    """
    found = tables[name].place.found  # rows of weather are lost by warnings too
    first = next((f for f in found if f.level == ERROR), found[0])
    if first.code == "faulty-link":
        other = next(table for table, column in _LINKS.items() if column == first.column)
        first = next((f for f in tables[other].place.found if f.level == ERROR), first)
    return SeasonError(first.where, first.found, first.expected, first.do)


def _season(
    folder: Path,
    settings: Settings,
    as_of: date,
    span: tuple[date, date, int],
    known: dict[str, pd.DataFrame],
    tables: Tables,
    boundaries: pd.DataFrame,
    found: list[Finding],
    gathered: Gathered,
) -> Season:
    start, end, label = span
    parts: dict[str, pd.DataFrame] = {}
    for name, day in (("samples", "sampled_on"), ("picks", "picked_on")):
        labels = season_labels(known[name][day], start)
        frame = known[name].assign(season=labels)
        parts[f"past_{name}"] = without(_only(frame, labels < label), ROW)
        known[name] = _only(frame, labels == label)
    parts |= {name: without(frame, ROW) for name, frame in known.items()}
    issues = parts["outlook"]
    parts["past_outlooks"] = issues
    due = season_labels(parts["oil_orders"]["due_on"], start)
    parts["oil_orders"] = _only(parts["oil_orders"], due == label)
    parts["outlook"] = issues[issues["issued_on"] == issues["issued_on"].max()].reset_index(drop=True)
    blocks = tables["blocks"].frame
    unsound = blocks[blocks[BAD] & (blocks["block_id"] != "")].drop(columns=[ROW, BAD])
    names = set(texts_in(blocks["block_id"])) - {""}
    blocked: dict[str, str] = {}
    for finding in found:
        if finding.level == ERROR:
            for block in finding.blocks:
                if block in names and block not in blocked:
                    blocked[block] = finding.full
    growers = {str(grower) for grower in blocks["grower"]}
    found += [_language_of_nobody(name, growers) for name in settings.languages if name not in growers]
    findings = findings_table(found)
    sound = [block for block in texts_in(parts["blocks"]["block_id"]) if block not in blocked]
    if not sound:
        errors = [f for f in found if f.level == ERROR] or [
            Finding(
                "no-blocks",
                ERROR,
                "blocks",
                tables["blocks"].place.file,
                tables["blocks"].place.sheet,
                None,
                "",
                "",
                "there is no block",
                "",
                "Enter a row for each block.",
            )
        ]
        # Of blocks that hang on a faulty row, that row's own fault is the one to mend.
        links = {f.column for f in errors if f.code == "faulty-link"}
        roots = {table for table, column in _LINKS.items() if column in links}
        first = min(errors, key=lambda f: (f.table not in roots, not f.blocks, f.table != "blocks"))
        raise SeasonError(first.where, first.found, first.expected, first.do)
    values = settings.values
    value = values["target", "value"]
    kind = str(values["target", "kind"])
    return Season(
        folder=folder,
        name=str(values["season", "name"]),
        place=str(values["season", "place"]),
        as_of=as_of,
        start=start,
        end=end,
        label=label,
        units=str(values["season", "units"]),
        currency=str(values["season", "currency"]),
        time_zone=str(values["season", "time_zone"]),
        locale=str(values["season", "locale"]),
        target=Target(kind, 0.0 if kind == "best_value" else float(str(value))),
        rules=settings.rules,
        boundaries=boundaries,
        findings=findings,
        sources=pd.DataFrame(gathered.sources, columns=["file", "sha256", "rows"]),
        blocked=MappingProxyType(dict(sorted(blocked.items()))),
        unsound_blocks=unsound.sort_values("block_id", kind="stable").reset_index(drop=True),
        languages=settings.languages,
        **parts,
    )
