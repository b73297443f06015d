"""Hours to days: local days of 23, 24 or 25 hours from instants in UTC.

Instants are kept in UTC, because the hours of a clock change have no name of their own on the wall. A day is the
place's: from its midnight to the next, whatever the clock did between them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from olivetime.weather.degree_days import hourly_degree_days

# Hours in a row that are filled by a straight line [h]; longer gaps stay open. Our choice.
SHORT_GAP_H = 3
# Share of a day's hours that must be there, filled ones included, for its low and high to count; our choice.
DAY_SHARE = 0.9


def utc_from_local(times: Sequence[str], time_zone: str) -> pd.Series:
    """Turn the wall clock of a logger into instants.

    Parameters
    ----------
    times : sequence of str, shape (n,)
        Times as "2026-11-01 01:00", in the order they were logged; "24:00" is the next day's "00:00".
    time_zone : str
        Zone of the wall clock, as "America/Los_Angeles".

    Returns
    -------
    Series of datetime64, shape (n,)
        Instants in UTC, without a zone; NaT for a time that the clock skipped in spring.

    Raises
    ------
    ValueError
        For a text that is not a time.

    Notes
    -----
    Where the clock went back a time comes twice: the first of the two is summer time, the second is not.
    """
    text = pd.Series(list(times), dtype="str").str.strip()
    late = text.str.contains(r"[ T]24:00(?::00)?$", regex=True)
    text = text.where(~late, text.str.replace(r"24:00(?::00)?$", "00:00", regex=True))
    local = pd.to_datetime(text, format="ISO8601", errors="coerce")
    if local.isna().any():
        bad = list(times)[int(np.argmax(local.isna()))]
        raise ValueError(
            f"utc_from_local: {bad!r} is not a time, expected the form 2026-11-01 01:00. Correct the logger's file."
        )
    local = local + pd.to_timedelta(late.astype(int), unit="D")
    first = (local.groupby(local).cumcount() == 0).to_numpy()
    zoned = local.dt.tz_localize(time_zone, ambiguous=first, nonexistent="NaT")
    return zoned.dt.tz_convert("UTC").dt.tz_localize(None)


def days_from_hours(
    hours: pd.DataFrame,
    time_zones: Mapping[str, str] | str,
    *,
    lower_c: float,
    upper_c: float | None = None,
) -> pd.DataFrame:
    """Make the place's days out of hours.

    Parameters
    ----------
    hours : DataFrame
        station_id, hour_utc (start of the hour), air_temp_c [C], rain_mm (of the hour that starts then) [mm];
        with other columns left alone and the first of two rows for one hour used.
    time_zones : mapping or str
        Zone of each station, or of all.
    lower_c, upper_c : float, optional
        Thresholds of the hourly degree days [C].

    Returns
    -------
    DataFrame
        station_id, day, temp_min_c, temp_max_c [C], rain_mm [mm], degree_days_c (hourly, horizontal cut-off) [C day],
        hours_n (hours of that day with a temperature), hours_filled (of them filled across gaps of at most
        `SHORT_GAP_H` hours), hours_day (23, 24 or 25). Temperatures and degree days are missing when less than
        `DAY_SHARE` of the hours is there, and so is rain for its own hours. One row a day that has any hour.

    Raises
    ------
    ValueError
        For a station without a zone.
    """
    columns = ["temp_min_c", "temp_max_c", "rain_mm", "degree_days_c", "hours_n", "hours_filled", "hours_day"]
    parts = []
    for station, rows in hours.groupby("station_id", sort=True):
        zone = time_zones if isinstance(time_zones, str) else time_zones.get(str(station))
        if not zone:
            raise ValueError(f"days_from_hours: station {station} has no time zone. Fill in time_zone in stations.")
        when = pd.DatetimeIndex(rows["hour_utc"])
        when = (when.tz_localize("UTC") if when.tz is None else when.tz_convert("UTC")).floor("h")
        series = rows[["air_temp_c", "rain_mm"]].astype(float).set_axis(when)
        series = series[~series.index.duplicated()].sort_index()
        local = pd.DatetimeIndex(series.index[[0, -1]]).tz_convert(zone).tz_localize(None).normalize()
        # Some clocks skip midnight itself: the day then begins at one.
        begin, end = (
            day.tz_localize(zone, nonexistent="shift_forward", ambiguous=True).tz_convert("UTC").ceil("h")
            for day in (local[0], local[1] + pd.Timedelta(days=1))
        )
        grid = pd.date_range(begin, end, freq="h", inclusive="left")
        series = series.reindex(grid)
        local_day = grid.tz_convert(zone).tz_localize(None).normalize()
        seen = series["air_temp_c"].notna().to_numpy()
        temp = _bridged(series["air_temp_c"].to_numpy())
        excess = hourly_degree_days(temp[:, None], lower_c=lower_c, upper_c=upper_c)
        day = pd.DataFrame(
            {
                "temp": temp,
                "rain": series["rain_mm"].to_numpy(),
                "excess": excess,
                "there": np.isfinite(temp),
                "filled": np.isfinite(temp) & ~seen,
            }
        ).groupby(local_day.rename("day"))
        there, size = day["there"].sum(), day["there"].size()
        whole = there >= DAY_SHARE * size
        rain_n = day["rain"].count()
        table = pd.DataFrame(
            {
                "temp_min_c": day["temp"].min().where(whole),
                "temp_max_c": day["temp"].max().where(whole),
                "rain_mm": day["rain"].sum().where(rain_n >= DAY_SHARE * size),
                "degree_days_c": day["excess"].mean().where(whole),
                "hours_n": there,
                "hours_filled": day["filled"].sum(),
                "hours_day": size,
            }
        )
        table = table[(there > 0) | (rain_n > 0)].reset_index()
        table.insert(0, "station_id", str(station))
        parts.append(table)
    if not parts:
        return pd.DataFrame(columns=["station_id", "day", *columns])
    return pd.concat(parts, ignore_index=True)


def _bridged(values: np.ndarray) -> np.ndarray:
    """Straight lines across gaps of at most `SHORT_GAP_H` hours that are closed on both sides."""
    seen = np.flatnonzero(np.isfinite(values))
    if len(seen) == 0:
        return values
    place = np.arange(len(values))
    before = np.searchsorted(seen, place, side="right") - 1
    inside = (before >= 0) & (before < len(seen) - 1)
    gap = np.zeros(len(values), int)
    gap[inside] = seen[before[inside] + 1] - seen[before[inside]] - 1
    line = np.interp(place, seen, values[seen])
    return np.where(np.isfinite(values), values, np.where(inside & (gap <= SHORT_GAP_H), line, np.nan))
