"""The weather ahead: members of the newest outlook, and past seasons for the days beyond it.

An outlook is a set of members, each one possible course of the next days at every station. Beyond the
outlook's last day the only honest source is what past seasons brought: whole seasons as they were, or pieces
of them when there are few. Values of different sources are never mixed within a day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri

from olivetime.records.season import season_start
from olivetime.weather.stations import StationDays, findings_frame, loggers_only, neighbours, station_offset

if TYPE_CHECKING:
    from olivetime.records.season import Season

# With fewer past seasons than this the days beyond the outlook are pieced together. On 91 years of daily lows
# and highs (Clemson) pieces of 15 days taken within 7 days of the date covered as well as whole seasons did;
# single days failed (their 80 % range of a 45-day sum of warmth covered 42 %).
WHOLE_SEASONS_NEEDED = 15
PIECE_DAYS = 15
PIECE_SHIFT_DAYS = 7
# Yearly course of the mean temperature used only when no past season is on file: half its swing [C] and the
# warmest day of the year in the northern half of the world. From memory, for a Mediterranean climate.
YEARLY_SWING_C = 9.5
WARMEST_DAY_OF_YEAR = 205
# A past season of whose days ahead more than this share was filled from the time of year is no trace: means have no
# scatter, and no frost. Our choice.
GUESSED_SHARE = 0.15
# From so many past seasons on their scatter is taken for an estimate of the next one's. On the Clemson record
# laying the missing scatter on them helped with 3, 6, 12, 16 and 30 seasons; two tell next to nothing of it.
SEASONS_FOR_SCATTER = 3
OUTLOOK_VALUES = ("temp_min_c", "temp_max_c", "rain_mm")


@dataclass(frozen=True)
class Outlook:
    """Members of one issued outlook on the days ahead.

    Attributes
    ----------
    issued_on : date or None
        Day of issue; None when no outlook is used.
    members : tuple of int
        Numbers of the members used (M of them; none when no outlook is used).
    days : DatetimeIndex
        Days ahead that every member covers (L of them).
    lead_days : ndarray of int, shape (L,)
        Days since the issue [d].
    lender : ndarray of int, shape (G,)
        Station whose outlook each station has: its own place, or that of the neighbour whose outlook stands in.
    temp_min_c, temp_max_c, rain_mm : ndarray, shape (M, G, L)
        Lows and highs [C] and rain [mm] at the stations, in the order of `StationDays.stations`.
    says : str
        What is used, or why nothing is, in one sentence.
    findings : DataFrame
        Columns as `Season.findings`.
    """

    issued_on: date | None
    members: tuple[int, ...]
    days: pd.DatetimeIndex
    lead_days: np.ndarray
    lender: np.ndarray
    temp_min_c: np.ndarray
    temp_max_c: np.ndarray
    rain_mm: np.ndarray
    says: str
    findings: pd.DataFrame


@dataclass(frozen=True)
class PastDays:
    """Which recorded day stands for each day ahead.

    Attributes
    ----------
    rows : ndarray of int, shape (S, T)
        Row of `StationDays.calendar` for each scenario and day ahead.
    shift_c : ndarray, shape (S, T)
        Added to both temperatures [C]: a season's warmth that the few on file do not show, the same on every
        day of a scenario; or the yearly course when no past season is on file.
    words : tuple of str
        Where each scenario's days come from.
    seasons : tuple of int
        Past seasons used.
    method : str
        "whole seasons", "pieces" or "this season's days".
    says : str
        The method in one sentence.
    findings : DataFrame
        Past seasons left out, or used for want of better ones; columns as `Season.findings`.
    """

    rows: np.ndarray
    shift_c: np.ndarray
    words: tuple[str, ...]
    seasons: tuple[int, ...]
    method: str
    says: str
    findings: pd.DataFrame


def outlook(season: Season, station_days: StationDays) -> Outlook:
    """Members of the newest outlook on the days that are not yet measured.

    Parameters
    ----------
    season : Season
        Uses `outlook`, `stations`, `as_of`, `end` and the rule outlook_max_age_d.
    station_days : StationDays
        Measured days; they end the day before the outlook begins to be used.

    Returns
    -------
    Outlook
        Without members when there is no outlook, when it is too old or when it covers no day ahead.

    Notes
    -----
    A member counts only when it has every value on every day used. A station without an outlook takes that of
    the nearest station that has one, plus the mean difference of the two stations' measured days.
    """
    rows = season.outlook
    rows = rows[(rows["issued_on"] <= pd.Timestamp(season.as_of)) & rows["station_id"].isin(station_days.stations)]
    if rows.empty:
        return _no_outlook("no outlook is on file", [], station_days)
    issued = rows["issued_on"].max()
    rows = rows[rows["issued_on"] == issued]
    where = f"outlook issued on {issued:%Y-%m-%d}"
    age_d = (pd.Timestamp(season.as_of) - issued).days
    oldest_d = float(season.rules["outlook_max_age_d"])
    if age_d > oldest_d:
        says = f"the last outlook is {age_d} days old, more than {oldest_d:g}, and not used"
        finding = ("outlook-too-old", "warning", "issued_on", "", where, says, "Add a newer outlook.")
        return _no_outlook(says, [finding], station_days)
    if rows["temp_max_c"].median() > 45:
        says = "the outlook looks like Fahrenheit (middle high above 45) and is not used"
        do = "Head the columns temp_min_f and temp_max_f."
        finding = ("fahrenheit", "error", "temp_max_c", "", where, says, do)
        return _no_outlook(says, [finding], station_days)
    first, end = station_days.calendar[-1] + pd.Timedelta(days=1), pd.Timestamp(season.end)
    rows = rows[rows["day"].between(first, end)]
    if rows.empty:
        says = "the outlook covers no day ahead and is not used"
        finding = ("outlook-over", "warning", "day", "", where, says, "Add a newer outlook.")
        return _no_outlook(says, [finding], station_days)
    return _members(rows, season, station_days, issued, where)


def _members(
    rows: pd.DataFrame,
    season: Season,
    station_days: StationDays,
    issued: pd.Timestamp,
    where: str,
) -> Outlook:
    """Lay the rows out as (M, G, L) and keep what is complete."""
    stations = station_days.stations
    members = np.sort(rows["member"].unique())
    days = pd.date_range(rows["day"].min(), rows["day"].max(), freq="D", unit="us")
    shape = (len(members), len(stations), len(days))
    m = np.searchsorted(members, rows["member"].to_numpy())
    g = pd.Index(list(stations)).get_indexer(pd.Index(rows["station_id"].to_numpy(object)))
    t = (rows["day"] - days[0]).dt.days.to_numpy(int)
    values = {}
    for name in OUTLOOK_VALUES:
        values[name] = np.full(shape, np.nan)
        values[name][m, g, t] = rows[name].to_numpy(float)
    whole = (values["temp_min_c"] <= values["temp_max_c"]) & np.isfinite(values["rain_mm"])
    has = whole.any(axis=(0, 2))

    # Members may end on different days: the days that half of them cover are used, and of the members those
    # that cover all these days.
    covered = whole[:, has].all(axis=1)
    common = covered.mean(axis=0) >= 0.5
    begin = int(np.argmax(common))
    used = np.zeros(len(days), bool)
    used[begin:] = np.cumprod(common[begin:])
    keep = covered[:, used].all(axis=1) & used.any() & has.any()
    if not keep.any():
        lacks = [name for name in OUTLOOK_VALUES if rows[name].isna().all()]
        says = "no member of the outlook is complete, so it is not used"
        says += f": it has no {', '.join(lacks)}" if lacks else ""
        finding = ("outlook-with-holes", "warning", "member", "", where, says, "Fill in the missing days.")
        return _no_outlook(says, [finding], station_days)
    findings = []
    first, last = station_days.calendar[-1] + pd.Timedelta(days=1), rows["day"].max()
    begins, ends = days[used][0], days[used][-1]
    if begins > first or ends < last:
        found = f"its days ahead are used from {begins:%Y-%m-%d} to {ends:%Y-%m-%d} only"
        found += f", not from {first:%Y-%m-%d} on" if begins > first else ""
        found += f", not to {last:%Y-%m-%d}: fewer than half of its members cover the days after" if ends < last else ""
        do = "Fill in the missing days; past seasons stand in for them."
        findings.append(("outlook-days-missing", "warning", "day", "", where, found, do))
    if not keep.all():
        left = ", ".join(str(name) for name in members[~keep][:5])
        found = f"{int((~keep).sum())} of {len(members)} members have holes and are not used ({left})"
        findings.append(("outlook-with-holes", "warning", "member", left, where, found, "Fill in the missing days."))
    if keep.sum() == 1:
        found = "there is one member only, so it tells nothing of its own error"
        do = "Add the other members if the service gives them."
        findings.append(("one-member", "note", "member", "", where, found, do))
    arrays = {name: value[keep][:, :, used] for name, value in values.items()}
    lender = _lend(arrays, has, season, station_days, where, findings)

    days = days[used]
    kept = tuple(int(name) for name in members[keep])
    span = f"from {days[0]:%Y-%m-%d} to {days[-1]:%Y-%m-%d}"
    says = f"{_counted(len(kept), 'member')} issued on {issued:%Y-%m-%d}, used {span}"
    return Outlook(
        issued_on=issued.date(),
        members=kept,
        days=days,
        lead_days=np.asarray((days - issued).days),
        lender=lender,
        says=says,
        findings=findings_frame(findings, "outlook"),
        **arrays,
    )


def _lend(
    arrays: dict[str, np.ndarray],
    has: np.ndarray,
    season: Season,
    station_days: StationDays,
    where: str,
    findings: list[tuple[str, str, str, str, str, str, str]],
) -> np.ndarray:
    """Give stations without an outlook the nearest one's, shifted by the measured difference; who lent to whom."""
    lender = np.arange(len(has))
    if has.all():
        return lender
    loggers = loggers_only(season)
    measured = {
        name: np.where(station_days.measured, getattr(station_days, name), np.nan)
        for name in ("temp_min_c", "temp_max_c")
    }
    nearest = neighbours(season.stations, station_days.stations, last=loggers)
    for g in np.flatnonzero(~has):
        lender[g] = h = next(int(i) for i in nearest[g] if has[i])
        for name, value in arrays.items():
            offset = 0.0
            if name in measured:
                offset, _ = station_offset(measured[name][:, g], measured[name][:, h])
            value[:, g] = value[:, h] + offset
        arrays["temp_max_c"][:, g] = np.maximum(arrays["temp_max_c"][:, g], arrays["temp_min_c"][:, g])
        own, other = station_days.stations[g], station_days.stations[h]
        if own in loggers:  # no block asks for it
            continue
        found = f"station {own} is not in it; that of {other} is used, with the measured difference"
        do = "Add the station's own outlook."
        findings.append(("outlook-of-a-neighbour", "note", "station_id", own, where, found, do))
    return lender


def past_days(
    season: Season,
    station_days: StationDays,
    days: pd.DatetimeIndex,
    *,
    n: int,
    rng: np.random.Generator,
    pieces: bool | None = None,
) -> PastDays:
    """Choose recorded days to stand for days ahead, the same ones at every station.

    Days are matched by their place in the season, counted from its first day, so that seasons of the southern
    half of the world, seasons across New Year and leap years need no rule of their own.

    Parameters
    ----------
    season : Season
        Uses `start`, `label` and the stations' latitude.
    station_days : StationDays
        Measured and filled days.
    days : DatetimeIndex
        Days ahead (T of them), consecutive.
    n : int
        Scenarios (S).
    rng : numpy Generator
        Source of all chance.
    pieces : bool, optional
        Piece seasons together whatever their number, or never; by default with fewer than
        `WHOLE_SEASONS_NEEDED`.

    Returns
    -------
    PastDays

    Notes
    -----
    Every season is used equally often, to within one. Pieces are `PIECE_DAYS` long and begin up to
    `PIECE_SHIFT_DAYS` earlier or later in their season than the days they stand for. Without any past season,
    pieces of this season's own days are used, moved by the difference of a yearly course from memory.

    A handful of seasons scatters less than the next one will about their mean: n equally likely seasons have
    (n - 1)/n of the variance s^2 that is estimated from them, the next one lies (n + 1)/n s^2 about their mean.
    The difference, 2 s^2 / n, is laid on each scenario as one warmth for all its days (derived; s is the
    standard deviation of the past seasons' mean temperature over the days ahead). Over 60 autumns at Clemson,
    16 past seasons each and six windows of days, 80 % ranges of 200 scenarios covered 79 % of the sums of warmth
    with it and 77 % without, and the CRPS was smaller in all six. Leaning on the season's warmth so far was
    tried on the same autumns and made the CRPS worse with 16 seasons and no better with 30: it is not done.
    """
    place = np.asarray((days - pd.Timestamp(season_start(season.label, season.start))).days)
    usable = np.isfinite(station_days.temp_min_c + station_days.temp_max_c + station_days.rain_mm).all(axis=1)
    first_row = {}
    for year in np.unique(station_days.label[station_days.label != season.label]):
        start = pd.Timestamp(season_start(int(year), season.start))
        row = (start - station_days.calendar[0]).days
        if row + place[0] >= 0 and row + place[-1] < len(usable) and usable[row + place].all():
            first_row[int(year)] = row
    if not first_row:
        return _own_days(season, station_days, days, usable, n=n, rng=rng)
    loggers = loggers_only(season)
    shown = np.array([g for g, name in enumerate(station_days.stations) if name not in loggers])
    seasons = np.array(sorted(first_row))
    start_row = np.array([first_row[int(year)] for year in seasons])
    seasons, start_row, findings = _measured_seasons(station_days, shown, seasons, start_row, place, days)
    if pieces is None:
        pieces = len(seasons) < WHOLE_SEASONS_NEEDED
    warmth_c = np.repeat(_unseen_warmth(station_days, shown, start_row, place, n, rng)[:, None], len(days), axis=1)
    if not pieces:
        chosen = evenly(len(seasons), n, rng)
        return PastDays(
            rows=start_row[chosen][:, None] + place,
            shift_c=warmth_c,
            words=tuple(f"as in {seasons[y]}" for y in chosen),
            seasons=tuple(int(y) for y in seasons),
            method="whole seasons",
            says=f"{len(seasons)} past seasons as they were",
            findings=findings,
        )

    rows = np.empty((n, len(days)), int)
    parts = []
    for begin in range(0, len(days), PIECE_DAYS):
        part = place[begin : begin + PIECE_DAYS]
        year = evenly(len(seasons), n, rng)
        shift = rng.integers(-PIECE_SHIFT_DAYS, PIECE_SHIFT_DAYS + 1, n)
        rows[:, begin : begin + len(part)] = _shifted(start_row[year], part, shift, usable)
        parts.append(seasons[year])
    return PastDays(
        rows=rows,
        shift_c=warmth_c,
        words=tuple(f"pieces of {_runs(years)}" for years in np.array(parts).T),
        seasons=tuple(int(y) for y in seasons),
        method="pieces",
        says=f"pieces of {PIECE_DAYS} days of {_counted(len(seasons), 'past season')}, "
        f"up to {PIECE_SHIFT_DAYS} days off",
        findings=findings,
    )


def _counted(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _measured_seasons(
    station_days: StationDays,
    shown: np.ndarray,
    seasons: np.ndarray,
    start_row: np.ndarray,
    place: np.ndarray,
    days: pd.DatetimeIndex,
) -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Keep the seasons whose days ahead were measured for the most part; all, and say so, when there is none."""
    guessed = station_days.guessed[start_row[:, None] + place][..., shown].any(axis=2)
    weak = guessed.mean(axis=1) > GUESSED_SHARE
    if not weak.any():
        return seasons, start_row, findings_frame([], "weather_days")
    where, days_n = "weather_days, past seasons", len(place)
    if not weak.all():
        names = ", ".join(str(year) for year in seasons[weak][:5]) + (", ..." if weak.sum() > 5 else "")
        found = (
            f"{int(weak.sum())} of {len(seasons)} hold too few measured days from {days[0]:%d %B} to "
            f"{days[-1]:%d %B} and are not used for the days ahead ({names})"
        )
        rows = [("past-season-weak", "note", "day", str(int(weak.sum())), where, found, "Fill in their days.")]
        return seasons[~weak], start_row[~weak], findings_frame(rows, "weather_days")
    never = guessed.all(axis=0)
    found = f"none has enough measured days among the {days_n} ahead"
    if never.any():
        first, last = days[never][0], days[never][-1]
        found += f"; between {first:%d %B} and {last:%d %B} days are means of the time of year, without cold nights"
    rows = [("past-season-weak", "error", "day", "", where, found, "Add whole past seasons; frost is understated.")]
    return seasons, start_row, findings_frame(rows, "weather_days")


def _unseen_warmth(
    station_days: StationDays,
    shown: np.ndarray,
    start_row: np.ndarray,
    place: np.ndarray,
    n: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Warmth of each scenario beyond its season's own [C], (S,), over the `shown` stations; see `past_days`."""
    seasons_n = len(start_row)
    if seasons_n < SEASONS_FOR_SCATTER:
        return np.zeros(n)
    ours = start_row[:, None] + place
    mean_c = (station_days.temp_min_c[ours] + station_days.temp_max_c[ours])[..., shown].mean(axis=(1, 2)) / 2
    # Evenly spread chances, shuffled; a generator of its own leaves the draws of seasons and members as they are.
    chance = (rng.spawn(1)[0].permutation(n) + 0.5) / n
    return mean_c.std(ddof=1) * np.sqrt(2 / seasons_n) * ndtri(chance)


def _shifted(start_row: np.ndarray, place: np.ndarray, shift: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Rows of each piece, shift halved until every day of it is on record; zero always is."""
    holes = np.concatenate([[0], np.cumsum(~usable)])
    shift = shift.copy()
    while True:
        first = start_row + place[0] + shift
        last = start_row + place[-1] + shift
        off = (first < 0) | (last >= len(usable))
        inside = np.clip(last + 1, 0, len(usable)), np.clip(first, 0, len(usable))
        off |= holes[inside[0]] > holes[inside[1]]
        if not off.any():
            return (start_row + shift)[:, None] + place
        shift = np.where(off, np.trunc(shift / 2).astype(int), shift)


def _own_days(
    season: Season,
    station_days: StationDays,
    days: pd.DatetimeIndex,
    usable: np.ndarray,
    *,
    n: int,
    rng: np.random.Generator,
) -> PastDays:
    """Pieces of the days on record, moved along an assumed yearly course."""
    holes = np.concatenate([[0], np.cumsum(~usable)])
    length = min(PIECE_DAYS, len(usable))
    while True:
        starts = np.flatnonzero(holes[length:] == holes[: len(holes) - length])
        if len(starts):
            break
        length -= 1
    # The latest days are the likest; the course only has to bridge what is left.
    starts = starts[-60:]
    rows = np.empty((n, len(days)), int)
    for begin in range(0, len(days), length):
        size = min(length, len(days) - begin)
        rows[:, begin : begin + size] = starts[rng.integers(0, len(starts), n)][:, None] + np.arange(size)
    south = float(np.nanmean(season.stations["lat_deg"])) < 0
    warmest = WARMEST_DAY_OF_YEAR + (365 / 2 if south else 0)

    def course(when: pd.DatetimeIndex) -> np.ndarray:
        return YEARLY_SWING_C * np.cos(2 * np.pi * (when.day_of_year.to_numpy() - warmest) / 365)

    return PastDays(
        rows=rows,
        shift_c=course(days) - course(station_days.calendar)[rows],
        words=("this season's own days, moved along the year",) * n,
        seasons=(),
        method="this season's days",
        says="no past season covers these days: this season's own, moved along a yearly course from memory",
        findings=findings_frame([], "weather_days"),
    )


def evenly(kinds: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Draw n numbers below `kinds`, each as often as the others to within one, in random order."""
    rounds = -(-n // kinds)
    return np.concatenate([rng.permutation(kinds) for _ in range(rounds)])[:n]


def _runs(years: np.ndarray) -> str:
    """Name years in order, a repeated neighbour once."""
    kept = [years[0], *(b for a, b in pairwise(years) if a != b)]
    return ", ".join(str(int(y)) for y in kept)


def _no_outlook(
    says: str, findings: list[tuple[str, str, str, str, str, str, str]], station_days: StationDays
) -> Outlook:
    empty = np.empty((0, len(station_days.stations), 0))
    return Outlook(
        issued_on=None,
        members=(),
        days=pd.DatetimeIndex([]),
        lead_days=np.empty(0, int),
        lender=np.arange(len(station_days.stations)),
        temp_min_c=empty,
        temp_max_c=empty,
        rain_mm=empty,
        says=says,
        findings=findings_frame(findings, "outlook"),
    )
