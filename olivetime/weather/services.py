"""Outlooks of two documented public services: read from bytes, and fetched only when asked.

*US National Weather Service*: the grid document of a point; free, public domain, no ensemble, about 7.8 days. It
wants a User-Agent that names the application and a contact.

*Open-Meteo*: forecast and ensemble answers. Its free service is for non-commercial use only; a farm or a consultant
needs a key or an own server. Its data are under CC BY 4.0: the attribution goes with every use.

Reading is apart from fetching: `read_*` turns bytes into rows of the outlook table, so that a file laid down by
hand works as well. Both services' layouts are as in their documentation, read 2026. Nothing here reads the clock:
the caller says what time it is.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import re
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import numpy as np
import pandas as pd

from olivetime.records.columns import SeasonError
from olivetime.records.files import write_atomic
from olivetime.weather.hours import days_from_hours

NWS_BASE = "https://api.weather.gov"
NWS_ATTRIBUTION = "Outlook: US National Weather Service, public domain."
OPEN_METEO_FREE = "https://ensemble-api.open-meteo.com/v1/ensemble"
OPEN_METEO_KEYED = "https://customer-ensemble-api.open-meteo.com/v1/ensemble"  # the host for keys; from memory
OPEN_METEO_ATTRIBUTION = "Outlook: weather data by Open-Meteo.com, CC BY 4.0; made into days of the place."
# An NWS document older than the first is told of, older than the second is refused [h]; our choice.
OLD_H, TOO_OLD_H = 12.0, 36.0
FRESH_H = 1.0  # a kept answer so young is not asked for again [h]; our choice
TRIES = 3
TIMEOUT_S = 10.0
LONGEST_D = 60  # longest interval that is believed [d]
LARGEST_BYTES = 50_000_000  # an answer beyond this is none of these documents
OUTLOOK_COLUMNS = ["station_id", "issued_on", "member", "day", "temp_min_c", "temp_max_c", "rain_mm"]
_DURATION = re.compile(r"^P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?$")


@dataclass(frozen=True)
class Fetched:
    """An answer of a service.

    Attributes
    ----------
    rows : DataFrame
        Columns of the outlook table.
    age_h : float
        Age of the answer [h]: since the service made it where it says so, since it was fetched otherwise.
    kept : bool
        It comes from the answers kept earlier.
    fetched : datetime
        When it was fetched.
    says : str
        Where it comes from and how old it is, in one sentence.
    attribution : str
        Line that must stand beside every use.
    """

    rows: pd.DataFrame
    age_h: float
    kept: bool
    fetched: datetime
    says: str
    attribution: str


def read_nws_grid(body: bytes, *, station_id: str, time_zone: str) -> pd.DataFrame:
    """Read a grid document of the US National Weather Service.

    Parameters
    ----------
    body : bytes
        GeoJSON of /gridpoints/{office}/{x},{y}.
    station_id : str
        Station that the outlook is for.
    time_zone : str
        Zone of the place.

    Returns
    -------
    DataFrame
        station_id, issued_on (local day of the document's update), member (1), day, temp_min_c, temp_max_c [C],
        rain_mm [mm]; whole days only.

    Raises
    ------
    SeasonError
        For anything but such a document.

    Notes
    -----
    An interval's temperature holds for each of its hours; an amount of rain is spread evenly over its hours. A day's
    low is the lower of its hours and of the minimum whose interval ends on that day, its high the higher of its
    hours and of the maximum whose interval starts on it. Layers and keys that are not needed are passed over.
    """
    document = _json(body, "NWS grid document")
    properties = document.get("properties") if isinstance(document, dict) else None
    if not isinstance(properties, dict) or "updateTime" not in properties:
        raise _unread("NWS grid document", document, "properties with updateTime, temperature and rain")
    try:
        issued = pd.Timestamp(properties["updateTime"]).tz_convert(time_zone)
        temp = _expanded(properties["temperature"], amount=False)
        rain = _expanded(properties["quantitativePrecipitation"], amount=True)
        hours = pd.DataFrame({"air_temp_c": temp, "rain_mm": rain}).rename_axis("hour_utc").reset_index()
        days = days_from_hours(hours.assign(station_id=station_id), time_zone, lower_c=0.0).set_index("day")
        for layer, column, end, best in (
            ("minTemperature", "temp_min_c", True, np.fmin),
            ("maxTemperature", "temp_max_c", False, np.fmax),
        ):
            if layer in properties:
                extreme = _by_day(properties[layer], time_zone, end=end).reindex(days.index)
                days[column] = best(days[column], extreme.where(days[column].notna()))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unread("NWS grid document", f"{type(error).__name__} {error}", "the documented layers") from error
    return _outlook_rows(days.reset_index(), issued.tz_localize(None).normalize(), 1)


def read_open_meteo(
    body: bytes, *, station_ids: Sequence[str], time_zones: Sequence[str], issued_on: date
) -> pd.DataFrame:
    """Read an hourly answer of Open-Meteo, of one place or several, of a forecast or an ensemble.

    Parameters
    ----------
    body : bytes
        JSON with hourly temperature_2m and precipitation.
    station_ids, time_zones : sequence of str
        Station and zone of each place, in the order of the request.
    issued_on : date
        Day of the request; the answer does not say when the outlook was made.

    Returns
    -------
    DataFrame
        Columns of the outlook table; members numbered from 1 in the order of their names; whole days only.

    Raises
    ------
    SeasonError
        For an error answer of the service, another number of places, or anything else.

    Notes
    -----
    The control member has no suffix, the others _memberNN, several models append their name. Rain is that of the
    preceding hour and moved to its start. Times are moved by the answer's one constant offset to UTC.
    """
    where = "Open-Meteo answer"
    document = _json(body, where)
    if isinstance(document, dict) and document.get("error"):
        found = f"the service says: {document.get('reason')}"
        raise SeasonError(where, found, "hours of weather", "Correct the request.")
    places = document if isinstance(document, list) else [document]
    if len(places) != len(station_ids):
        raise SeasonError(
            where, f"{len(places)} places", f"{len(station_ids)}, one for each station", "Ask for each station once."
        )
    parts = []
    try:
        for place, station_id, zone in zip(places, station_ids, time_zones, strict=True):
            hourly, units = place["hourly"], place["hourly_units"]
            unix = units["time"] == "unixtime"
            when = pd.DatetimeIndex(pd.to_datetime(hourly["time"], unit="s" if unix else None))
            if not unix:  # seconds since 1970 are in UTC whatever the zone
                when = when - pd.Timedelta(seconds=int(place["utc_offset_seconds"]))
            names = [name for name in hourly if re.fullmatch(r"temperature_2m(_\w+)?", name)]
            suffixes = sorted(name.removeprefix("temperature_2m") for name in names)
            if not suffixes:
                raise KeyError("temperature_2m")
            for member, suffix in enumerate(suffixes, start=1):
                temp_key, rain_key = f"temperature_2m{suffix}", f"precipitation{suffix}"
                temp = pd.Series(_numbers(hourly[temp_key], units[temp_key]), when)
                rain = pd.Series(_numbers(hourly[rain_key], units[rain_key]), when - pd.Timedelta(hours=1))
                hours = pd.DataFrame({"air_temp_c": temp, "rain_mm": rain}).rename_axis("hour_utc").reset_index()
                days = days_from_hours(hours.assign(station_id=station_id), zone, lower_c=0.0)
                parts.append(_outlook_rows(days, pd.Timestamp(issued_on), member))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        found = f"{type(error).__name__} {error}"
        raise _unread(where, found, "hourly time, temperature_2m and precipitation with units") from error
    return pd.concat(parts, ignore_index=True)


def fetch_nws(
    station: pd.Series,
    *,
    now: datetime,
    folder: Path,
    agent: str,
    base: str = NWS_BASE,
    pause: Callable[[float], None] = time.sleep,
) -> Fetched:
    """Ask the US National Weather Service for a station's outlook.

    Parameters
    ----------
    station : Series
        station_id, lat_deg, lon_deg [deg], time_zone.
    now : datetime
        The present instant, with a zone.
    folder : Path
        Where good answers are kept.
    agent : str
        Name of the application and a contact, as the service demands.
    base : str
        Address of the service.
    pause : callable
        Waits for so many seconds between tries.

    Returns
    -------
    Fetched

    Raises
    ------
    SeasonError
        When the service cannot be asked, answers with an error and nothing usable is kept, or its document is
        older than `TOO_OLD_H`.
    """
    # More than four decimals are refused, and trailing zeros sent elsewhere.
    lat, lon = (f"{float(station[name]):.4f}".rstrip("0").rstrip(".") for name in ("lat_deg", "lon_deg"))
    options: dict[str, Any] = {"now": now, "folder": folder, "agent": agent, "pause": pause}
    point, _, _ = _get(f"{base}/points/{lat},{lon}", check=_grid_address, **options)
    address = _grid_address(point)
    if urlsplit(address)[:2] != urlsplit(base)[:2]:
        raise SeasonError("NWS point", f"a grid address elsewhere, {address}", f"one at {base}", "Check the address.")
    zone = str(station["time_zone"])

    def read(body: bytes) -> pd.DataFrame:
        return read_nws_grid(body, station_id=str(station["station_id"]), time_zone=zone)

    body, fetched, kept = _get(address, check=read, **options)
    updated = pd.Timestamp(json.loads(body)["properties"]["updateTime"])
    age_h = (pd.Timestamp(now) - updated).total_seconds() / 3600
    if age_h > TOO_OLD_H:
        raise SeasonError(
            "NWS grid document", f"an update {age_h:.0f} h old", f"at most {TOO_OLD_H:.0f} h", "Ask again later."
        )
    says = f"NWS grid document updated {age_h:.1f} h ago" + (", kept from earlier" if kept else "")
    if age_h > OLD_H:
        says += f"; that is more than {OLD_H:.0f} h, later weather may be missing in it"
    return Fetched(read(body), age_h, kept, fetched, says, NWS_ATTRIBUTION)


def fetch_open_meteo(
    stations: pd.DataFrame,
    *,
    models: str,
    now: datetime,
    folder: Path,
    agent: str,
    key: str = "",
    base: str = "",
    non_commercial: bool = False,
    forecast_days: int = 15,
    pause: Callable[[float], None] = time.sleep,
) -> Fetched:
    """Ask Open-Meteo, or an own server of it, for an ensemble outlook of several stations.

    Parameters
    ----------
    stations : DataFrame
        station_id, lat_deg, lon_deg [deg], time_zone.
    models : str
        Ensemble models as the service names them, as "gfs025".
    now, folder, agent, pause
        As in `fetch_nws`.
    key : str
        Key of a paid plan; sent, never kept on disk or shown.
    base : str
        Address of an own server; by default the service's, that for keys when there is one.
    non_commercial : bool
        Says that the use is non-commercial; without key and own server it must be.
    forecast_days : int
        Days ahead [d].

    Returns
    -------
    Fetched

    Raises
    ------
    ValueError
        Without key, own server or the word that the use is non-commercial.
    SeasonError
        As in `fetch_nws`.
    """
    if not (key or base or non_commercial):
        raise ValueError(
            "fetch_open_meteo: there is no key and no own server, expected one of them: the free service is for "
            "non-commercial use only. Give a key or a server, or say that the use is non-commercial."
        )
    stations = stations.reset_index(drop=True)
    query = {
        "latitude": ",".join(f"{x:.4f}" for x in stations["lat_deg"]),
        "longitude": ",".join(f"{x:.4f}" for x in stations["lon_deg"]),
        "hourly": "temperature_2m,precipitation",
        "models": models,
        "timezone": "GMT",
        "forecast_days": forecast_days,
    }
    address = f"{base or (OPEN_METEO_KEYED if key else OPEN_METEO_FREE)}?{urlencode(query)}"

    def read(body: bytes, when: datetime = now) -> pd.DataFrame:
        # The day of the issue is the place's, not Greenwich's.
        zone = str(stations["time_zone"].iloc[0])
        return read_open_meteo(
            body,
            station_ids=list(stations["station_id"].astype(str)),
            time_zones=list(stations["time_zone"].astype(str)),
            issued_on=pd.Timestamp(when).tz_convert(zone).date(),
        )

    secret = f"&{urlencode({'apikey': key})}" if key else ""
    body, fetched, kept = _get(
        address, secret=secret, check=read, now=now, folder=folder, agent=agent, pause=pause, too_old_h=TOO_OLD_H
    )
    age_h = (now - fetched).total_seconds() / 3600
    says = f"Open-Meteo, {models}, fetched {age_h:.1f} h ago" + (", kept from earlier" if kept else "")
    return Fetched(read(body, fetched), age_h, kept, fetched, says, OPEN_METEO_ATTRIBUTION)


def _get(
    address: str,
    *,
    check: Callable[[bytes], Any],
    now: datetime,
    folder: Path,
    agent: str,
    pause: Callable[[float], None],
    secret: str = "",
    too_old_h: float = TOO_OLD_H,
) -> tuple[bytes, datetime, bool]:
    """Answer, when it was fetched, and whether it was kept from earlier. Only what `check` accepts is kept."""
    where = f"outlook service {urlsplit(address).netloc}"
    if urlsplit(address).scheme not in ("http", "https"):
        raise SeasonError(where, f"the address {address}", "one that begins with https://", "Correct it.")
    file = Path(folder) / f"{hashlib.sha256(address.encode()).hexdigest()[:32]}.json"
    old = _kept(file, check)
    if old is not None and 0 <= (now - old[1]).total_seconds() < FRESH_H * 3600:
        return old[0], old[1], True
    headers = {"User-Agent": agent, "Accept": "application/geo+json, application/json"}
    if old is not None and old[2]:
        headers["If-Modified-Since"] = old[2]
    trouble = ""
    for attempt in range(TRIES):
        if attempt:
            pause(2.0 ** (attempt - 1))
        try:
            request = urllib.request.Request(address + secret, headers=headers)
            with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
                body, modified = answer.read(LARGEST_BYTES), answer.headers.get("Last-Modified") or ""
                if len(body) < int(answer.headers.get("Content-Length") or 0):
                    raise http.client.IncompleteRead(body)
            check(body)
        except urllib.error.HTTPError as error:
            with error:
                if error.code == 304 and old is not None:
                    _keep(file, old[0], now, old[2])
                    return old[0], now, True
                trouble = f"it answered {error.code}, {_reason(error)}"
            if error.code < 500 and error.code != 429:
                break  # our own fault: asking again does not help
        except (urllib.error.URLError, http.client.HTTPException, OSError) as error:
            trouble = f"it could not be reached or broke off ({type(error).__name__})"
        except SeasonError as error:
            trouble = error.found
        else:
            _keep(file, body, now, modified)
            return body, now, False
    if old is not None and 0 <= (now - old[1]).total_seconds() <= too_old_h * 3600:
        return old[0], old[1], True
    raise SeasonError(where, trouble, "an outlook", "Ask again later, or put an outlook file into the season's folder.")


def _reason(error: urllib.error.HTTPError) -> str:
    """What the service says of its error, short."""
    try:
        told = json.loads(error.read())
        return str(told.get("detail") or told.get("reason") or told.get("title"))[:200]
    except (ValueError, AttributeError, OSError, http.client.HTTPException):
        return str(error.reason)


def _kept(file: Path, check: Callable[[bytes], Any]) -> tuple[bytes, datetime, str] | None:
    """Read a kept answer: body, when fetched, Last-Modified; none when there is none or it is damaged."""
    try:
        stored = json.loads(file.read_text("utf-8"))
        body = stored["body"].encode()
        check(body)
        return body, datetime.fromisoformat(stored["fetched"]), stored["modified"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, SeasonError):
        return None


def _keep(file: Path, body: bytes, now: datetime, modified: str) -> None:
    stored = {"fetched": now.astimezone(UTC).isoformat(), "modified": modified, "body": body.decode()}
    write_atomic(file, json.dumps(stored).encode())


def _grid_address(body: bytes) -> str:
    document = _json(body, "NWS point")
    address = document.get("properties", {}).get("forecastGridData") if isinstance(document, dict) else None
    if not isinstance(address, str):
        raise _unread("NWS point", document, "properties with forecastGridData")
    return address


def _json(body: bytes, where: str) -> Any:
    try:
        return json.loads(body.decode())
    except ValueError as error:
        raise SeasonError(where, "no whole JSON text", "an answer of the service", "Fetch it again.") from error


def _unread(where: str, found: object, expected: str) -> SeasonError:
    text = str(found)
    if isinstance(found, dict):
        text = str(found.get("detail") or found.get("title") or f"the keys {', '.join(map(str, list(found)[:6]))}")
    return SeasonError(where, text[:200], expected, "Fetch it again; if it stays so, the service has changed.")


def _numbers(values: Sequence[float | None], unit: str) -> np.ndarray:
    """Values in C or mm."""
    numbers = np.array([np.nan if v is None else float(v) for v in values])
    unit = unit.removeprefix("wmoUnit:").removeprefix("unit:")
    if unit in ("°F", "degF"):
        return (numbers - 32) / 1.8
    if unit == "inch":
        return numbers * 25.4
    if unit not in ("°C", "degC", "mm"):
        raise ValueError(f"the unit is {unit}")
    return numbers


def _intervals(layer: dict[str, Any]) -> list[tuple[pd.Timestamp, float, float]]:
    """Start in UTC, hours and value of each interval of a layer."""
    values = _numbers([item["value"] for item in layer["values"]], layer["uom"])
    rows = []
    for item, value in zip(layer["values"], values, strict=True):
        start, _, length = item["validTime"].partition("/")
        match = _DURATION.match(length)
        if match is None:
            raise ValueError(f"the duration is {length!r}")
        days, hours, minutes = (int(part or 0) for part in match.groups())
        if days > LONGEST_D:
            raise ValueError(f"the duration is {length!r}")
        rows.append((pd.Timestamp(start).tz_convert("UTC"), 24 * days + hours + minutes / 60, float(value)))
    return rows


def _expanded(layer: dict[str, Any], *, amount: bool) -> pd.Series:
    """Value of each hour; an amount is spread over its interval."""
    found: dict[pd.Timestamp, float] = {}
    for start, hours, value in _intervals(layer):
        n = max(1, round(hours))
        for k in range(n):
            found[start + pd.Timedelta(hours=k)] = value / n if amount else value
    return pd.Series(found, dtype=float).sort_index()


def _by_day(layer: dict[str, Any], time_zone: str, *, end: bool) -> pd.Series:
    """Value of each interval at the local day on which it ends or starts."""
    found = {}
    for start, hours, value in _intervals(layer):
        moment = start + pd.Timedelta(hours=hours if end else 0)
        found[moment.tz_convert(time_zone).tz_localize(None).normalize()] = value
    return pd.Series(found, dtype=float)


def _outlook_rows(days: pd.DataFrame, issued_on: pd.Timestamp, member: int) -> pd.DataFrame:
    """Whole days as rows of the outlook table."""
    rows = days.dropna(subset=["temp_min_c", "temp_max_c", "rain_mm"])
    return rows.assign(issued_on=issued_on, member=member)[OUTLOOK_COLUMNS].reset_index(drop=True)
