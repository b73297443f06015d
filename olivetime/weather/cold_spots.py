"""Cold spots: how much colder a block's nights are than its station's, entered or told by the block's own logger.

The offset is taken off every low at the block; the ripening clock stays the station's. Cold air gathers on clear still
nights, so the offset of the coldest nights is the one that frost follows, and the one that is used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from olivetime.weather.stations import StationDays, findings_frame

if TYPE_CHECKING:
    from olivetime.records.season import Season

# Nights measured at a block and at its station before an offset is taken from them; our choice.
NIGHTS_NEEDED = 20
MOST_C = 5.0  # a larger offset, to either side, is a fault of a sensor; the hard limit of colder_c
COLD_SHARE = 1 / 3  # the coldest nights that make the figure that is used; our choice


def cold_spots(
    days: pd.DataFrame, *, logger_of_block: Mapping[str, str], station_of_block: Mapping[str, str]
) -> pd.DataFrame:
    """How much colder a block's nights are than its station's, from the block's own logger.

    Parameters
    ----------
    days : DataFrame
        Measured days of loggers and stations: station_id, day, temp_min_c [C].
    logger_of_block, station_of_block : mapping of str to str
        Station id of each block's logger, and of the station its blocks follow.

    Returns
    -------
    DataFrame
        block_id, nights_n (measured at both), colder_c (mean of the station's low less the block's), error_c
        (standard error of this mean, nights taken in weeks because they hang together),
        colder_on_cold_nights_c, error_on_cold_nights_c (the same over the coldest third of the station's nights) [C],
        says. The four figures are not a number with fewer than `NIGHTS_NEEDED` nights.
    """
    wide = days.drop_duplicates(["station_id", "day"]).pivot(index="day", columns="station_id", values="temp_min_c")
    rows = []
    for block_id, logger in logger_of_block.items():
        common = wide.reindex(columns=[station_of_block[block_id], logger]).dropna()
        pair, pair_days = common.to_numpy(float), common.index
        n = len(pair)
        if n < NIGHTS_NEEDED:
            says = f"{n} common nights, {NIGHTS_NEEDED} are needed: colder_c stays as entered"
            rows.append((block_id, n, np.nan, np.nan, np.nan, np.nan, says))
            continue
        colder = pair[:, 0] - pair[:, 1]
        week = np.asarray((pair_days - pair_days[0]).days // 7)
        cold = pair[:, 0] <= np.quantile(pair[:, 0], COLD_SHARE)
        on_all, error = _mean_by_week(colder, week)
        on_cold, cold_error = _mean_by_week(colder[cold], week[cold])
        says = (
            f"of {n} nights: {on_all:.1f} C colder with an error of {error:.1f} C, "
            f"{on_cold:.1f} C with an error of {cold_error:.1f} C on the coldest third"
        )
        rows.append((block_id, n, on_all, error, on_cold, cold_error, says))
    columns = ["block_id", "nights_n", "colder_c", "error_c", "colder_on_cold_nights_c", "error_on_cold_nights_c"]
    return pd.DataFrame(rows, columns=[*columns, "says"])


def _mean_by_week(values: np.ndarray, week: np.ndarray) -> tuple[float, float]:
    """Mean, and its standard error from the scatter of weekly sums about it (nights of a week hang together)."""
    mean = float(values.mean())
    off = pd.Series(values - mean).groupby(week).sum().to_numpy()
    weeks_n = len(off)
    if weeks_n < 2:
        return mean, float("nan")
    return mean, float(np.sqrt(weeks_n / (weeks_n - 1) * np.sum(off**2)) / len(values))


def with_cold_spots(season: Season, station_days: StationDays) -> tuple[Season, pd.DataFrame]:
    """Give blocks the offset that their own loggers show, and say which offset is used.

    Parameters
    ----------
    season : Season
        Uses `blocks`, `block_id` of `stations` (the block in which a logger stands) and the rule cold_spot_from:
        "logger" lets a logger with enough nights speak, "entered" keeps colder_c as it was entered.
    station_days : StationDays
        Measured days of loggers and stations.

    Returns
    -------
    season : Season
        With `blocks.colder_c` as used, and `blocks.colder_entered_c` as it was entered.
    table : DataFrame
        Columns of `cold_spots`, then logger_id, entered_c and used_c [C], used ("logger" or "entered"); one row for
        each block with a logger. Doing it twice changes nothing.

    Notes
    -----
    The offset on the coldest third of the nights is used, to a tenth of a degree, since the low at the block decides
    on frost and on nothing else.
    """
    empty = _NO_SPOTS.copy()
    if "block_id" not in season.stations:
        return season, empty
    loggers = season.stations[[isinstance(block, str) and block != "" for block in season.stations["block_id"]]]
    if loggers.empty:
        return season, empty
    blocks = season.blocks
    station_of = dict(zip(blocks["block_id"], blocks["station_id"], strict=True))
    logger_of = {
        str(block): str(station)
        for station, block in zip(loggers["station_id"], loggers["block_id"], strict=True)
        if block in station_of and station_of[block] != station
    }
    if not logger_of:
        return season, empty
    g = [station_days.stations.index(s) for s in sorted({*logger_of.values(), *(station_of[b] for b in logger_of)})]
    low = np.where(station_days.measured_low, station_days.temp_min_c, np.nan)[:, g]
    names = np.asarray(station_days.stations, object)[g]
    days = pd.DataFrame(low, station_days.calendar, names).rename_axis("day").reset_index()
    days = days.melt(id_vars="day", var_name="station_id", value_name="temp_min_c").dropna()
    table = cold_spots(days, logger_of_block=logger_of, station_of_block=station_of)
    if "colder_entered_c" not in blocks:
        blocks = blocks.assign(colder_entered_c=blocks["colder_c"])
    entered = table["block_id"].map(dict(zip(blocks["block_id"], blocks["colder_entered_c"], strict=True)))
    entered = entered.astype(float)
    told = (table["colder_on_cold_nights_c"].abs() <= MOST_C) & (season.rules["cold_spot_from"] == "logger")
    used = table["colder_on_cold_nights_c"].round(1).where(told, entered)
    table = table.assign(
        logger_id=table["block_id"].map(logger_of),
        entered_c=entered,
        used_c=used,
        used=np.where(told, "logger", "entered"),
    )
    new = blocks["block_id"].map(dict(zip(table["block_id"], used, strict=True))).fillna(blocks["colder_c"])
    return replace(season, blocks=blocks.assign(colder_c=new.astype(float))), table


def cold_spot_findings(table: pd.DataFrame, *, fahrenheit: bool = False) -> pd.DataFrame:
    """Say for each block with a logger which offset is used, columns as `Season.findings`.

    Parameters
    ----------
    table : DataFrame
        Of `with_cold_spots`.
    fahrenheit : bool, optional
        Say differences in degrees F.
    """

    def said(difference_c: float) -> str:
        return f"{1.8 * difference_c:.1f} °F" if fahrenheit else f"{difference_c:.1f} °C"

    rows = []
    for row in table.itertuples(index=False) if len(table) else ():
        if row.nights_n < NIGHTS_NEEDED:
            found = f"its logger {row.logger_id}: {row.says}"
        else:
            found = (
                f"of {row.nights_n} nights its logger {row.logger_id} shows the coldest third "
                f"{said(row.colder_on_cold_nights_c)} "
                f"colder than the station (error {said(row.error_on_cold_nights_c)}), all of them {said(row.colder_c)} "
                f"(error {said(row.error_c)})"
            )
        if row.used == "logger":
            found += f"; {said(row.used_c)} is used, not the {said(row.entered_c)} entered"
        elif row.nights_n >= NIGHTS_NEEDED and abs(row.colder_on_cold_nights_c) > MOST_C:
            found += f"; more than {said(MOST_C)} is not believed, and the {said(row.entered_c)} entered is used"
        elif row.nights_n >= NIGHTS_NEEDED:
            found += f"; the {said(row.entered_c)} entered is used, as the rule cold_spot_from says"
        faulty = row.nights_n >= NIGHTS_NEEDED and abs(row.colder_on_cold_nights_c) > MOST_C
        do = "Nothing; the rule cold_spot_from decides between logger and entry."
        do = "Check the logger, and whether it is in other degrees." if faulty else do
        where = f"blocks, block {row.block_id}"
        rows.append(("cold-spot", "warning" if faulty else "note", "colder_c", f"{row.used_c:.1f}", where, found, do))
    return findings_frame(rows, "blocks")


_SPOT_COLUMNS = (
    *("block_id", "nights_n", "colder_c", "error_c", "colder_on_cold_nights_c", "error_on_cold_nights_c"),
    *("says", "logger_id", "entered_c", "used_c", "used"),
)
_NO_SPOTS = pd.DataFrame(columns=[*_SPOT_COLUMNS])
