"""Ensemble outlooks on a grid: NetCDF and GRIB2 files, read at the point nearest to each station.

Both come from weather services as lowest, highest or momentary temperature two metres above ground and rain, for
several members and steps of some hours in UTC. Here they become rows of the outlook table: kelvin to C, rain that is
added up since the start to what fell in each step, steps to the place's own days.

The libraries that open such files are large and come with the extra `grids`. Names of variables, units and
coordinates follow the CF conventions and the short names of the European and US centres (from memory).
"""

from __future__ import annotations

import importlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from olivetime.records.columns import SeasonError
from olivetime.weather.hours import days_from_hours
from olivetime.weather.services import OUTLOOK_COLUMNS

EARTH_KM = 6371.0  # mean radius
# A grid whose nearest point is farther away does not cover the place: half the diagonal of a cell of one degree is
# 79 km at the equator. Our choice.
TOO_FAR_KM = 100.0
LONGEST_STEP_H = 6  # momentary temperatures farther apart say too little of a day's low and high [h]; our choice
# Fall of an added-up amount that rounding in the file explains [mm]; our choice.
ROUNDING_MM = 0.5
_GRIB_KIND = {
    **dict.fromkeys(("2t", "t2m"), "temp"),
    **dict.fromkeys(("mn2t", "mn2t3", "mn2t6", "tmin"), "low"),
    **dict.fromkeys(("mx2t", "mx2t3", "mx2t6", "tmax"), "high"),
    **dict.fromkeys(("tp", "apcp"), "rain"),
}
_NETCDF_KIND = _GRIB_KIND | {
    **dict.fromkeys(("temperature_2m", "tas", "air_temperature", "tmp_2maboveground"), "temp"),
    **dict.fromkeys(("tasmin", "tmin_2maboveground"), "low"),
    **dict.fromkeys(("tasmax", "tmax_2maboveground"), "high"),
    **dict.fromkeys(("precip", "precipitation", "pr", "apcp_surface", "rain"), "rain"),
}
_MEMBER_DIMS = ("number", "member", "realization", "ensemble", "ens")
_KIND_WORDS = {"temp": "temperature", "low": "lowest", "high": "highest", "rain": "rain"}


@dataclass(frozen=True)
class GridOutlook:
    """An outlook taken from a grid.

    Attributes
    ----------
    rows : DataFrame
        Columns of the outlook table, whole days only.
    places : DataFrame
        station_id, lat_deg, lon_deg (of the grid point used) [deg], distance_km [km].
    says : str
        Where the values come from, in one sentence.
    """

    rows: pd.DataFrame
    places: pd.DataFrame
    says: str


@dataclass(frozen=True)
class _Value:
    """One field at the stations: what it is, of which member, from when to when (UTC)."""

    kind: str
    member: int
    issued: pd.Timestamp
    start: pd.Timestamp
    end: pd.Timestamp
    values: np.ndarray


def read_grid(body: bytes, *, name: str, stations: pd.DataFrame, time_zones: Sequence[str]) -> GridOutlook:
    """Read an ensemble outlook from the bytes of a NetCDF or GRIB2 file.

    Parameters
    ----------
    body : bytes
        The file; its first bytes tell its kind.
    name : str
        Name of the file, for messages.
    stations : DataFrame
        station_id, lat_deg, lon_deg [deg].
    time_zones : sequence of str
        Zone of each station.

    Returns
    -------
    GridOutlook

    Raises
    ------
    SeasonError
        When the extra is not installed, the file is of another kind or damaged, lacks temperature or rain, does not
        cover a station, or holds no whole day.

    Notes
    -----
    *Nearest point*: by great-circle distance, the same for all fields of one grid; values between points and the
    height of the grid's ground are not looked at, so an offset against the station stays and is taken off only when
    earlier issues correct the outlook.

    *Temperature*: a lowest value belongs to the day on which its step ends, a highest to the day on which it starts,
    since lows come towards morning and highs after noon. Momentary values are joined by straight lines when they are
    at most `LONGEST_STEP_H` apart; a day's low and high are then those of its hours, a little too narrow.

    *Rain*: amounts of one member that start at the same time are added-up ones and differenced. A NetCDF variable
    whose values never fall in any member is taken as added up since the issue, unless its cell_methods say that it
    is the sum of each step. An amount is spread evenly over its hours.
    """
    if body[:4] == b"GRIB":
        found, points = _grib(body, name, stations)
    elif body[:4] == b"\x89HDF" or body[:3] == b"CDF":
        found, points = _netcdf(body, name, stations)
    else:
        raise SeasonError(name, "neither NetCDF nor GRIB by its first bytes", "one of the two", "Give another file.")
    far = points["distance_km"] > TOO_FAR_KM
    if far.any():
        row = points[far].iloc[0]
        found_words = f"its grid point nearest to station {row['station_id']} is {row['distance_km']:.0f} km away"
        raise SeasonError(name, found_words, f"at most {TOO_FAR_KM:.0f} km", "Give a file that covers the place.")
    kinds = {value.kind for value in found}
    if "rain" not in kinds or not ("temp" in kinds or {"low", "high"} <= kinds):
        here = ", ".join(_KIND_WORDS[kind] for kind in _KIND_WORDS if kind in kinds) or "none of them"
        expected = "rain, and temperature at two metres or its lowest and highest"
        raise SeasonError(name, f"it holds {here}", expected, "Give a file that holds them.")
    parts: list[pd.DataFrame] = []
    notes: set[str] = set()
    for issued in sorted({value.issued for value in found}):
        issue = [value for value in found if value.issued == issued]
        parts.append(_issue_rows(issue, issued, stations, time_zones, notes, name))
    rows = pd.concat(parts, ignore_index=True)
    if rows.empty:
        raise SeasonError(name, "it holds no whole day of the place", "at least one", "Give a file with more steps.")
    near = ", ".join(f"{p.station_id} {p.distance_km:.1f} km" for p in points.itertuples(index=False))
    n = rows.groupby("issued_on")["member"].nunique().iloc[-1]
    says = f"{name}, {n} member{'s' if n > 1 else ''}; nearest grid points: {near}"
    return GridOutlook(rows, points, "; ".join([says, *sorted(notes)]))


def _issue_rows(
    issue: list[_Value],
    issued: pd.Timestamp,
    stations: pd.DataFrame,
    time_zones: Sequence[str],
    notes: set[str],
    name: str,
) -> pd.DataFrame:
    """Rows of the outlook table of one issue."""
    members: dict[int, list[_Value]] = {}
    for value in issue:
        members.setdefault(value.member, []).append(value)
    parts = []
    for g, (station, zone) in enumerate(zip(stations["station_id"], time_zones, strict=True)):
        hours = []
        for member, own in sorted(members.items()):
            temp = _hourly_temperature(own, g, notes)
            rain = _hourly_rain(own, g, name)
            both = pd.DataFrame({"air_temp_c": temp, "rain_mm": rain}).rename_axis("hour_utc").reset_index()
            hours.append(both.assign(station_id=f"{member:06d}"))  # the members are made into days in one go
        days = days_from_hours(pd.concat(hours, ignore_index=True), zone, lower_c=0.0)
        days = days.assign(member=days["station_id"].astype(int)).set_index(["member", "day"])
        for kind, column, end, best in (("low", "temp_min_c", True, np.fmin), ("high", "temp_max_c", False, np.fmax)):
            extreme = _by_day(issue, kind, g, zone, end=end, best=best)
            if len(extreme):
                days[column] = best(days[column], extreme.reindex(days.index))
        rows = days.reset_index().dropna(subset=["temp_min_c", "temp_max_c", "rain_mm"])
        on = issued.tz_localize("UTC").tz_convert(zone).tz_localize(None).normalize()
        parts.append(rows.assign(station_id=str(station), issued_on=on)[OUTLOOK_COLUMNS])
    rows = pd.concat(parts, ignore_index=True)
    rows["issued_on"] = rows["issued_on"].min()  # one day for the whole issue, also where zones differ
    return rows


def _hourly_temperature(own: list[_Value], g: int, notes: set[str]) -> pd.Series:
    """Momentary temperatures joined to hours; nothing where they are too far apart."""
    seen = {v.end: float(v.values[g]) for v in own if v.kind == "temp" and np.isfinite(v.values[g])}
    if not seen:
        return pd.Series(dtype=float, index=pd.DatetimeIndex([]))
    series = pd.Series(seen).sort_index()
    step_h = np.diff(series.index.to_numpy()).astype("timedelta64[m]").astype(float) / 60
    if len(step_h) and np.median(step_h) > 1 and not any(v.kind in ("low", "high") for v in own):
        notes.add(f"temperature every {np.median(step_h):g} h only, so lows and highs between are not seen")
    grid = pd.date_range(series.index[0].ceil("h"), series.index[-1].floor("h"), freq="h")
    at = grid.to_numpy().astype("datetime64[s]").astype(float)
    known = series.index.to_numpy().astype("datetime64[s]").astype(float)
    value = np.interp(at, known, series.to_numpy())
    after = np.clip(np.searchsorted(known, at, side="left"), 1, max(len(known) - 1, 1))
    if len(known) > 1:
        apart = (known[after] - known[after - 1]) / 3600
        value = np.where((apart <= LONGEST_STEP_H) | np.isin(at, known), value, np.nan)
    return pd.Series(value, grid)


def _hourly_rain(own: list[_Value], g: int, name: str) -> pd.Series:
    """Rain of each hour: added-up amounts differenced, spread evenly over their hours."""
    by_start: dict[pd.Timestamp, dict[pd.Timestamp, float]] = {}
    for v in own:
        if v.kind == "rain" and v.end > v.start:
            by_start.setdefault(v.start, {})[v.end] = float(v.values[g])
    hours: dict[pd.Timestamp, float] = {}
    for start, amounts in by_start.items():
        ends = [start, *sorted(amounts)]
        total = [0.0, *(amounts[end] for end in ends[1:])]
        for (begin, end), (before, now) in zip(pairwise(ends), pairwise(total), strict=True):
            fell = now - before
            if fell < -ROUNDING_MM:
                found = f"rain added up since {start:%Y-%m-%d %H:%M} UTC falls by {-fell:.1f} mm up to {end:%H:%M}"
                raise SeasonError(name, found, "an amount that never falls", "Ask where the file comes from.")
            n = max(1, round((end - begin) / pd.Timedelta(hours=1)))
            for k in range(n):
                hour = begin + pd.Timedelta(hours=k)
                hours[hour] = max(hours.get(hour, 0.0), max(fell, 0.0) / n)
    return pd.Series(hours, dtype=float, index=pd.DatetimeIndex(list(hours))).sort_index()


def _by_day(issue: list[_Value], kind: str, g: int, zone: str, *, end: bool, best: Any) -> pd.Series:
    """Lowest or highest value of each member at the local day on which its step ends or starts."""
    found: dict[tuple[int, pd.Timestamp], float] = {}
    for v in issue:
        if v.kind == kind:
            moment = v.end if end else v.start
            day = moment.tz_localize("UTC").tz_convert(zone).tz_localize(None).normalize()
            found[v.member, day] = best(found.get((v.member, day), np.nan), float(v.values[g]))
    return pd.Series(found, dtype=float)


def _nearest(lat: np.ndarray, lon: np.ndarray, stations: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """Place of the point nearest to each station in the flat grid, and the points used."""
    phi, lam = np.radians(lat.ravel()), np.radians(lon.ravel())
    at, rows = [], []
    for station in stations.itertuples(index=False):
        phi0, lam0 = np.radians(float(station.lat_deg)), np.radians(float(station.lon_deg))
        half = np.sin((phi - phi0) / 2) ** 2 + np.cos(phi) * np.cos(phi0) * np.sin((lam - lam0) / 2) ** 2
        i = int(np.argmin(half))
        km = 2 * EARTH_KM * float(np.arcsin(np.sqrt(min(1.0, half[i]))))
        east = (float(lon.ravel()[i]) + 180.0) % 360.0 - 180.0
        at.append(i)
        rows.append((str(station.station_id), float(lat.ravel()[i]), east, km))
    return np.array(at), pd.DataFrame(rows, columns=["station_id", "lat_deg", "lon_deg", "distance_km"])


def _library(name: str, module: str) -> Any:
    """Module of the extra, or a plain sentence when it is not there."""
    try:
        return importlib.import_module(module)
    except (ImportError, OSError, RuntimeError) as error:  # eccodes raises RuntimeError without its C library
        raise SeasonError(
            name,
            f"{module}, which opens it, is not installed or does not load ({type(error).__name__})",
            "",
            "Install it with: pip install 'olivetime[grids]', or give the outlook as a CSV table.",
        ) from error


def _in_metric(values: np.ndarray, kind: str, unit: str, name: str) -> np.ndarray:
    """Celsius or millimetres."""
    plain = unit.strip().lower().replace("**", "").replace("^", "").replace(" ", "")
    if kind == "rain":
        factor = {"m": 1000.0, "mm": 1.0, "kgm-2": 1.0, "kg/m2": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4}.get(plain)
        if factor is not None:
            return values * factor
    elif plain in ("k", "kelvin"):
        return values - 273.15
    elif plain in ("c", "degc", "celsius", "degreesc", "degreescelsius", "degree_celsius", "degrees_celsius", "°c"):
        return values
    elif plain in ("f", "degf", "fahrenheit", "degreesf", "°f"):
        return (values - 32) / 1.8
    expected = "mm, m or kg m-2" if kind == "rain" else "K or C"
    raise SeasonError(name, f"the unit of {_KIND_WORDS[kind]} is {unit!r}", expected, "Give another file.")


def _grib(body: bytes, name: str, stations: pd.DataFrame) -> tuple[list[_Value], pd.DataFrame]:
    """Fields of the messages of a GRIB file at the stations."""
    codes = _library(name, "eccodes")
    grids: dict[str, tuple[np.ndarray, pd.DataFrame]] = {}
    found: list[_Value] = []
    begin = 0
    while 0 <= (begin := body.find(b"GRIB", begin)) < len(body):
        edition = body[begin + 7] if begin + 8 <= len(body) else 0
        length = int.from_bytes(body[begin + 8 : begin + 16] if edition == 2 else body[begin + 4 : begin + 7])
        message = body[begin : begin + length]
        if edition not in (1, 2) or len(message) < length or message[-4:] != b"7777":
            what = f"message {len(found) + 1} breaks off"
            raise SeasonError(name, what, "whole GRIB messages", "Fetch the file again.")
        begin += length
        try:
            handle = codes.codes_new_from_message(message)
        except codes.CodesInternalError as error:
            raise SeasonError(name, f"a message that cannot be read ({error})", "GRIB2", "Fetch it again.") from error
        try:
            value = _grib_value(codes, handle, grids, name, stations)
        except codes.CodesInternalError as error:
            raise SeasonError(name, f"a message that cannot be read ({error})", "GRIB2", "Fetch it again.") from error
        finally:
            codes.codes_release(handle)
        if value is not None:
            found.append(value)
    if not grids:
        expected = "temperature at two metres and rain"
        raise SeasonError(name, "none of its messages is one of those", expected, "Give a file that holds them.")
    return found, max((points for _, points in grids.values()), key=lambda points: points["distance_km"].max())


def _grib_value(
    codes: Any, handle: Any, grids: dict[str, tuple[np.ndarray, pd.DataFrame]], name: str, stations: pd.DataFrame
) -> _Value | None:
    short = codes.codes_get(handle, "shortName")
    kind = _GRIB_KIND.get(short)
    if kind is None and short == "t" and codes.codes_get(handle, "typeOfLevel") == "heightAboveGround":
        kind = "temp" if codes.codes_get(handle, "level") == 2 else None
    if kind is None:
        return None
    key = codes.codes_get(handle, "md5GridSection")
    if key not in grids:
        lat, lon = codes.codes_get_array(handle, "latitudes"), codes.codes_get_array(handle, "longitudes")
        grids[key] = _nearest(lat, lon, stations)
    at, _ = grids[key]
    codes.codes_set(handle, "missingValue", 1e36)
    values = codes.codes_get_values(handle)[at]
    values = np.where(values > 1e35, np.nan, values)
    member = codes.codes_get(handle, "number") if codes.codes_is_defined(handle, "number") else 0
    clock = f"{codes.codes_get(handle, 'dataDate'):08d}{codes.codes_get(handle, 'dataTime'):04d}"
    issued = pd.to_datetime(clock, format="%Y%m%d%H%M")
    start, end = (codes.codes_get(handle, step, int) for step in ("startStep", "endStep"))
    return _Value(
        kind=kind,
        member=int(member),
        issued=issued,
        start=issued + pd.Timedelta(hours=start),
        end=issued + pd.Timedelta(hours=end),
        values=_in_metric(values, kind, codes.codes_get(handle, "units"), name),
    )


def _netcdf(body: bytes, name: str, stations: pd.DataFrame) -> tuple[list[_Value], pd.DataFrame]:
    """Fields of a NetCDF file at the stations; NetCDF 3 is opened by SciPy, 4 by h5netcdf."""
    xarray = _library(name, "xarray")
    hdf = body[:4] == b"\x89HDF"
    if hdf:
        _library(name, "h5netcdf")
        _library(name, "h5py")
    try:
        data = xarray.open_dataset(io.BytesIO(body), engine="h5netcdf" if hdf else "scipy", decode_timedelta=True)
        data = data.load()
    except (OSError, ValueError, TypeError, KeyError, IndexError, EOFError) as error:
        what = f"it cannot be opened ({type(error).__name__})"
        raise SeasonError(name, what, "a whole NetCDF file", "Fetch it again.") from error
    lat, lon = (_coordinate(data, kind, name) for kind in ("latitude", "longitude"))
    lats, lons = lat.values, lon.values
    if lat.ndim == 1:
        lats, lons = np.broadcast_arrays(lats[:, None], lons)
    at, points = _nearest(lats, lons, stations)
    space = list(dict.fromkeys([*lat.dims, *lon.dims]))
    found: list[_Value] = []
    for variable in data.data_vars.values():
        kind = _netcdf_kind(variable)
        if kind is None:
            continue
        member_dim = next(
            (d for d in variable.dims if str(d).lower() in _MEMBER_DIMS or _is(data, d, "realization")), ""
        )
        time_dim = next((d for d in variable.dims if d in data.coords and data[d].dtype.kind in "mM"), None)
        others = [d for d in variable.dims if d not in (member_dim, time_dim, *space)]
        if time_dim is None or any(variable.sizes[d] > 1 for d in others) or not set(space) <= set(variable.dims):
            what = f"{variable.name} has the dimensions {', '.join(map(str, variable.dims))}"
            raise SeasonError(name, what, "member, time, latitude and longitude", "Give one issue in each file.")
        flat = variable.squeeze(others, drop=True)
        flat = flat.transpose(*([member_dim] if member_dim else []), time_dim, *space)
        values = flat.values.reshape(*(flat.shape if member_dim else (1, *flat.shape))[:2], -1)[..., at].astype(float)
        issued, times = _times(data, time_dim)
        numbers = data[member_dim].values if member_dim in data.coords else np.arange(1, len(values) + 1)
        if np.asarray(numbers).dtype.kind not in "iu":
            numbers = np.arange(1, len(values) + 1)
        found += _steps(kind, values, numbers, issued, times, variable.attrs, name)
    return found, points


def _netcdf_kind(variable: Any) -> str | None:
    """What a variable is, by its name or its standard name and cell methods."""
    kind = _NETCDF_KIND.get(str(variable.name).lower())
    if kind is not None:
        return kind
    standard, cells = variable.attrs.get("standard_name", ""), variable.attrs.get("cell_methods", "")
    if standard == "air_temperature":
        return "low" if "minimum" in cells else "high" if "maximum" in cells else "temp"
    rain = ("precipitation_amount", "lwe_thickness_of_precipitation_amount", "precipitation_flux", "rainfall_amount")
    return "rain" if standard in rain else None


def _steps(
    kind: str,
    values: np.ndarray,
    numbers: np.ndarray,
    issued: pd.Timestamp,
    times: pd.DatetimeIndex,
    attrs: dict[str, Any],
    name: str,
) -> list[_Value]:
    """Values of one variable, (M, L, G), each with its interval."""
    unit = str(attrs.get("units", ""))
    step = times[1] - times[0] if len(times) > 1 else times[0] - issued
    begins = [max(issued, times[0] - step) if times[0] > issued else times[0], *times[:-1]]
    rate = unit.replace(" ", "").lower() in ("kgm-2s-1", "kgm**-2s**-1", "mm/s", "mms-1", "kg/m2/s")
    if kind == "rain" and rate:
        seconds = np.array([(end - begin).total_seconds() for begin, end in zip(begins, times, strict=True)])
        values, unit = values * seconds[:, None], "mm"
    values = _in_metric(values, kind, unit, name)
    summed = "time: sum" in str(attrs.get("cell_methods", "")) or rate
    if kind == "rain" and not summed and len(times) > 1 and np.nanmin(np.diff(values, axis=1)) >= -ROUNDING_MM / 100:
        begins = [issued] * len(times)
    return [
        _Value(kind, int(number), issued, begin, end, values[m, k])
        for m, number in enumerate(numbers)
        for k, (begin, end) in enumerate(zip(begins, times, strict=True))
    ]


def _coordinate(data: Any, kind: str, name: str) -> Any:
    """Latitude or longitude by standard name or name."""
    for key in (*data.coords, *data.data_vars):
        if _is(data, key, kind) or str(key).lower() in (kind, kind[:3]):
            return data[key]
    raise SeasonError(name, f"it has no {kind}", f"a coordinate {kind}", "Give another file.")


def _is(data: Any, key: Any, standard_name: str) -> bool:
    return key in data.variables and data[key].attrs.get("standard_name") == standard_name


def _times(data: Any, time_dim: Any) -> tuple[pd.Timestamp, pd.DatetimeIndex]:
    """When the outlook was issued, and the ends of its steps, in UTC."""
    reference = next((k for k in data.variables if _is(data, k, "forecast_reference_time")), None)
    if data[time_dim].dtype.kind == "m":  # steps since the issue, which then stands in `time`
        issued = pd.Timestamp(np.ravel(data[reference if reference is not None else "time"].values)[0])
        return issued, pd.DatetimeIndex(issued.to_datetime64() + data[time_dim].values)
    times = pd.DatetimeIndex(data[time_dim].values)
    issued = pd.Timestamp(np.ravel(data[reference].values)[0]) if reference is not None else times[0]
    return issued, times
