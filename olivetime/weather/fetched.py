"""An outlook from a service or a grid file in place of the outlook table, for one run.

Nothing is fetched unless the caller asks for it here. What was fetched is written whole into the season's folder
`outlook-cache`, one file for each service and day of issue, beside the answers as they came: these files are the
archive by which later outlooks of the same service are corrected. A service that fails leaves the season as it was;
what pages then say of the outlook tells so.
"""

from __future__ import annotations

import io
import os
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, available_timezones

import pandas as pd

import olivetime
from olivetime.records.columns import SeasonError
from olivetime.records.files import inside, read_bytes, sha256_of, write_atomic
from olivetime.records.findings import NOT_FETCHED
from olivetime.records.settings import SETTINGS_FILE, read_settings
from olivetime.weather.grids import read_grid
from olivetime.weather.services import (
    NWS_BASE,
    OUTLOOK_COLUMNS,
    Fetched,
    fetch_nws,
    fetch_open_meteo,
)
from olivetime.weather.skill import past_skill
from olivetime.weather.stations import findings_frame, station_days

if TYPE_CHECKING:
    from olivetime.records.season import Season

CACHE_FOLDER = "outlook-cache"
OPEN_METEO_PATH = "/v1/ensemble"
SECTION = f"{SETTINGS_FILE}, [outlook]"


def with_fetched_outlook(season: Season, *, now: datetime, pause: Callable[[float], None] = time.sleep) -> Season:
    """Ask the season's service for an outlook now and use it in place of the one on file.

    Parameters
    ----------
    season : Season
        Its `as_of` must be today in its time zone: an outlook fetched today tells a past day too much.
    now : datetime
        The present instant, with a zone.
    pause : callable
        Waits for so many seconds between tries.

    Returns
    -------
    Season
        With `outlook` and `past_outlooks` of the service, a source and a finding. When the service fails, the season
        as it was, with a finding and `outlook_said` that tell so.

    Raises
    ------
    SeasonError
        When [outlook] in season.toml does not say enough to ask, or `as_of` is not today.

    Notes
    -----
    `past_outlooks` are then the earlier issues of the same service in `outlook-cache`, and no others: how far one
    service can be trusted does not tell of another.
    """
    settings = _settings(season)
    today = now.astimezone(ZoneInfo(season.time_zone)).date()
    if season.as_of != today:
        raise SeasonError(
            "--fetch-outlook",
            f"the as-of day is {season.as_of} and today is {today}",
            "today",
            "Leave out --as-of, or plan that day with the outlook on file.",
        )
    stations = _stations_of_blocks(season)
    kind = _checked(settings, stations)
    cache = Path(season.folder) / CACHE_FOLDER / kind
    try:
        rows, got, lost = _ask(settings, stations, now=now, cache=cache, pause=pause)
    except SeasonError as error:
        return _not_fetched(season, error)
    rows["issued_on"] = rows["issued_on"].min()  # one issue, also where a station's document is of the day before
    issued = rows["issued_on"].iloc[0]
    at = min(one.fetched for one in got).astimezone(UTC)
    file = cache / f"{issued:%Y-%m-%d}.csv"
    body = rows.to_csv(index=False, date_format="%Y-%m-%d").encode()
    write_atomic(file, body)
    said = f"{settings['service']}"
    if settings["service"] == "open-meteo":
        said += f" ({settings['models']})"
    kept = ", kept from an earlier run" if any(one.kept for one in got) else ""
    said += f", fetched {at:%Y-%m-%d %H:%M} UTC{kept}, {_age(max(one.age_h for one in got))}. {got[0].attribution}"
    if lost:
        said += f" Not answered for station {', '.join(lost)}."
    findings = [("outlook-fetched", "note", "issued_on", f"{issued:%Y-%m-%d}", "outlook", said.rstrip("."), "Nothing.")]
    findings += [
        ("outlook-not-fetched", "warning", "station_id", station, f"outlook, station {station}", why, "Run it again.")
        for station, why in lost.items()
    ]
    earlier = _earlier_issues(cache, issued)
    name = file.relative_to(season.folder).as_posix()
    return _replaced(season, rows, pd.concat([*earlier, rows], ignore_index=True), said, findings, name, body)


def with_outlook_file(season: Season) -> Season:
    """Use the grid file that [outlook] in season.toml names, when its issue is not older than the table's.

    Returns
    -------
    Season
        Unchanged when no file is named. Issues after the season's `as_of` are not used.

    Raises
    ------
    SeasonError
        When the file is missing or cannot be read.
    """
    name = str(_settings(season)["file"])
    if not name:
        return season
    folder = Path(season.folder)
    try:
        path = inside(folder, name)
    except ValueError:
        raise SeasonError(SECTION, f"file is {name!r}", "a file in the season folder", "Write its name only.") from None
    if not path.is_file():
        raise SeasonError(SECTION, f"there is no file {name}", "", "Correct its name, or clear it.")
    body = read_bytes(path)
    stations = _stations_of_blocks(season)
    grid = read_grid(body, name=name, stations=stations, time_zones=list(stations["time_zone"]))
    known = grid.rows[grid.rows["issued_on"] <= pd.Timestamp(season.as_of)]
    newest = known["issued_on"].max()
    on_file = season.outlook["issued_on"].max()
    if known.empty or newest < on_file:
        why = (
            f"it holds no issue up to {season.as_of}"
            if known.empty
            else f"the outlook table's issue {on_file:%Y-%m-%d} is newer"
        )
        finding = ("grid-not-used", "note", "issued_on", "", name, f"{why}, so it is not used", "Nothing.")
        return replace(season, findings=_more_findings(season, [finding]))
    said = f"{grid.says}, issued {newest:%Y-%m-%d}."
    finding = ("grid-outlook", "note", "issued_on", f"{newest:%Y-%m-%d}", "outlook", said.rstrip("."), "Nothing.")
    past = pd.concat([season.past_outlooks, known], ignore_index=True)
    past = past.drop_duplicates(["station_id", "issued_on", "member", "day"], keep="last", ignore_index=True)
    latest = known[known["issued_on"] == newest]
    return _replaced(season, latest, past, said, [finding], name, body)


def _settings(season: Season) -> Mapping[str, Any]:
    values = read_settings(Path(season.folder)).values
    return {name: value for (section, name), value in values.items() if section == "outlook"}


def _stations_of_blocks(season: Season) -> pd.DataFrame:
    """Stations that blocks follow, each with a zone that exists."""
    rows = season.stations[season.stations["station_id"].isin(season.blocks["station_id"])].reset_index(drop=True)
    known = available_timezones()
    zones = [zone if zone in known else season.time_zone for zone in rows["time_zone"]]
    return rows.assign(time_zone=zones)


def _checked(settings: Mapping[str, Any], stations: pd.DataFrame) -> str:
    """Name of the service's part of the cache; an error when what must be asked is not settled."""
    service, base = settings["service"], str(settings["server"])
    if not service:
        raise SeasonError(SECTION, "service is missing", '"nws" or "open-meteo"', "Write which service to ask.")
    if base and not re.match(r"https?://", base):
        raise SeasonError(SECTION, f"server is {base!r}", "an address that begins with https://", "Correct it.")
    if stations[["lat_deg", "lon_deg"]].isna().any(axis=None):
        where = stations.loc[stations[["lat_deg", "lon_deg"]].isna().any(axis=1), "station_id"].iloc[0]
        raise SeasonError(f"stations, station {where}", "it has no place", "lat_deg and lon_deg", "Fill them in.")
    if service == "nws":
        if not settings["contact"]:
            do = "Write your mail address; the service refuses whoever does not say."
            raise SeasonError(SECTION, "contact is missing", "", do)
        return "nws"
    free = not (base or _key(settings))
    if free and settings["use"] != "non-commercial":
        raise SeasonError(
            SECTION,
            "there is neither a key nor an own server",
            "one of them: the free service of open-meteo is for non-commercial use only",
            f"Put a key into the environment variable {settings['key_variable']}, set server, or set "
            'use = "non-commercial" if it is.',
        )
    return "open-meteo-" + re.sub(r"[^A-Za-z0-9_]+", "-", str(settings["models"]))


def _key(settings: Mapping[str, Any]) -> str:
    return os.environ.get(str(settings["key_variable"]), "").strip()


def _ask(
    settings: Mapping[str, Any], stations: pd.DataFrame, *, now: datetime, cache: Path, pause: Callable[[float], None]
) -> tuple[pd.DataFrame, list[Fetched], dict[str, str]]:
    """Rows of all stations, the answers, and the stations without one with the reason."""
    contact = str(settings["contact"])
    agent = f"olivetime/{olivetime.__version__}" + (f" ({contact})" if contact else "")
    options: dict[str, Any] = {"now": now, "folder": cache / "answers", "agent": agent, "pause": pause}
    base = str(settings["server"]).rstrip("/")
    if settings["service"] == "open-meteo":
        if base and not base.endswith(OPEN_METEO_PATH):
            base += OPEN_METEO_PATH
        got = fetch_open_meteo(
            stations,
            models=str(settings["models"]),
            key=_key(settings),
            base=base,
            non_commercial=settings["use"] == "non-commercial",
            forecast_days=int(settings["days"]),
            **options,
        )
        return got.rows.copy(), [got], {}
    answers: list[Fetched] = []
    lost: dict[str, str] = {}
    for _, station in stations.iterrows():
        try:
            answers.append(fetch_nws(station, base=base or NWS_BASE, **options))
        except SeasonError as error:
            lost[str(station["station_id"])] = str(error).rstrip(".")
            if len(lost) == len(stations):
                raise
    return pd.concat([one.rows for one in answers], ignore_index=True), answers, lost


def _not_fetched(season: Season, error: SeasonError) -> Season:
    """Season as it was, telling on every page that the outlook is not the one asked for."""
    on_file = season.outlook["issued_on"].max()
    instead = (
        "no outlook is on file, past seasons stand for all days ahead"
        if season.outlook.empty
        else f"the outlook on file is looked at instead, issued on {on_file:%Y-%m-%d}"
    )
    said = f"{NOT_FETCHED}: {str(error).rstrip('.')}. So {instead}."
    finding = ("outlook-not-fetched", "warning", "issued_on", "", "outlook", said.rstrip("."), "Run it again later.")
    return replace(season, outlook_said=said, findings=_more_findings(season, [finding]))


def _replaced(
    season: Season,
    rows: pd.DataFrame,
    past: pd.DataFrame,
    said: str,
    findings: list[tuple[str, str, str, str, str, str, str]],
    file: str,
    body: bytes,
) -> Season:
    source = pd.DataFrame({"file": [file], "sha256": [sha256_of(body)], "rows": [len(rows)]})
    order = ["station_id", "issued_on", "member", "day"]
    return replace(
        season,
        outlook=rows.sort_values(order, ignore_index=True),
        past_outlooks=past.sort_values(order, ignore_index=True),
        outlook_said=said,
        findings=_more_findings(season, findings),
        sources=pd.concat([season.sources, source], ignore_index=True),
    )


def _more_findings(season: Season, rows: list[tuple[str, str, str, str, str, str, str]]) -> pd.DataFrame:
    return pd.concat([season.findings, findings_frame(rows, "outlook")], ignore_index=True)


def kept_outlooks(season: Season) -> dict[str, pd.DataFrame]:
    """All issues on file by where they come from.

    Returns
    -------
    dict of str to DataFrame
        "outlook table", then each service whose fetched issues are kept in `outlook-cache`; rows issued by `as_of`.
    """
    found = {"outlook table": season.past_outlooks}
    after = pd.Timestamp(season.as_of) + pd.Timedelta(days=1)
    for cache in sorted((Path(season.folder) / CACHE_FOLDER).glob("*/")):
        issues = _earlier_issues(cache, after)
        if issues:
            found[cache.name] = pd.concat(issues, ignore_index=True)
    return found


def season_skill(season: Season) -> pd.DataFrame:
    """Score all past outlooks of a season against the days measured since.

    Returns
    -------
    DataFrame
        source (key of `kept_outlooks`), then the columns of `olivetime.weather.skill.past_skill`.
    """
    days = station_days(season)
    stop_mm = float(season.rules["rain_stop_mm"])
    parts = [
        past_skill(rows, days, rain_stop_mm=stop_mm).assign(source=source)
        for source, rows in kept_outlooks(season).items()
    ]
    table = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    return table[["source", *[name for name in table if name != "source"]]]


def _earlier_issues(cache: Path, issued: pd.Timestamp) -> list[pd.DataFrame]:
    """Issues of the same service fetched by earlier runs; files that are damaged are passed over."""
    found = []
    for path in sorted(cache.glob("????-??-??.csv")):
        try:
            rows = pd.read_csv(
                io.BytesIO(path.read_bytes()), parse_dates=["issued_on", "day"], dtype={"station_id": str}
            )
            rows = rows[OUTLOOK_COLUMNS]
        except (OSError, ValueError, KeyError):
            continue
        found.append(rows[rows["issued_on"] < issued])
    return [rows for rows in found if len(rows)]


def _age(age_h: float) -> str:
    """Whole hours, so that a run that goes on after a stop finds the same text."""
    return "less than 1 h old" if age_h < 1 else f"{age_h:.0f} h old"
