"""How good past outlooks were, and what a new one becomes when it is corrected by them.

Every issue of an outlook that is kept can be held against what came. From enough of them the usual error and
the right spread at each lead are fitted; from fewer nothing is, and the scenarios blend the raw outlook with
past seasons instead. The scores stand beside those of climatology: what the same days of the year brought in
other seasons.

References
----------
.. [1] Gneiting, T. and Raftery, A. E. (2007), Strictly proper scoring rules, prediction, and estimation,
   Journal of the American Statistical Association 102, 359-378 (from memory): the CRPS of an ensemble.
.. [2] Schefzik, R., Thorarinsdottir, T. L. and Gneiting, T. (2013), Uncertainty quantification in complex
   simulation models using ensemble copula coupling, Statistical Science 28 (from memory): corrected values
   take the places of the raw members, so that each member keeps its course over days and stations.
.. [3] Clark, M. and others (2004), The Schaake shuffle, Journal of Hydrometeorology 5 (from memory): the same
   with the order of past observations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from olivetime.weather.outlook import OUTLOOK_VALUES, Outlook
from olivetime.weather.stations import StationDays

# Issues, on different days, that a station needs before its outlook is corrected by them; our choice.
ISSUES_NEEDED = 30
# Rain: how many outlooks most like the new one lend what fell after them; our choice.
LIKE_SHARE, LIKE_AT_LEAST, LIKE_AT_MOST = 0.1, 10, 100
# Errors laid on an outlook of one member come from at most so many latest issues; our choice.
ERRORS_AT_MOST = 60
CLIMATE_DAYS = 15  # days of the year on either side that make up the climatology [d]
CLIMATE_NEEDED = 10
# Air frost at the station is the event that is scored: the colder lows that hurt fruit come too seldom. Our choice.
FROST_SCORED_C = 0.0
SPANS = ((0, 2), (3, 6), (7, 60))  # leads that are shown together [d]; our choice


def ensemble_crps(members: np.ndarray, came: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of ensembles; the smaller the better.

    Parameters
    ----------
    members : ndarray, shape (C, M)
        Equally likely values; not a number where a member is missing.
    came : ndarray, shape (C,)
        What came.

    Returns
    -------
    ndarray, shape (C,)
        mean |x - y| - mean |x - x'| / 2, in the unit of the values [1]_.
    """
    x = np.sort(np.asarray(members, float), axis=1)
    n = np.isfinite(x).sum(axis=1)
    place = np.arange(1, x.shape[1] + 1)
    safe = np.maximum(n, 1)
    apart = np.nansum(x * (2 * place - n[:, None] - 1), axis=1) / safe**2
    away = np.nansum(np.abs(x - np.asarray(came, float)[:, None]), axis=1) / safe
    return np.where(n > 0, away - apart, np.nan)


def brier_score(chance: np.ndarray, happened: np.ndarray) -> float:
    """Mean squared difference of a chance [0-1] and what happened (0 or 1); the smaller the better."""
    return float(np.mean((np.asarray(chance, float) - np.asarray(happened, float)) ** 2))


@dataclass(frozen=True)
class Cases:
    """Past outlooks beside what came; C cases, M member columns.

    Attributes
    ----------
    keys : DataFrame
        station_id, issued_on, day, lead_d; one row a case.
    members : dict of ndarray, shape (C, M)
        Members' values by name of value, not a number where missing.
    came : dict of ndarray, shape (C,)
        Measured values, not a number where missing.
    """

    keys: pd.DataFrame
    members: dict[str, np.ndarray]
    came: dict[str, np.ndarray]


def outlook_cases(past_outlooks: pd.DataFrame, measured: pd.DataFrame) -> Cases:
    """Set all issues of the outlook beside the days that were measured since.

    Parameters
    ----------
    past_outlooks : DataFrame
        Every issue on file: station_id, issued_on, member, day, temp_min_c, temp_max_c, rain_mm.
    measured : DataFrame
        Measured and believed days: station_id, day, temp_min_c, temp_max_c, rain_mm; of `StationDays.days`
        the rows that were not filled.

    Returns
    -------
    Cases
    """
    names = list(OUTLOOK_VALUES)
    rows = past_outlooks.merge(measured[["station_id", "day"]].drop_duplicates(), on=["station_id", "day"])
    wide = rows.pivot_table(index=["station_id", "issued_on", "day"], columns="member", values=names, dropna=False)
    if rows.empty:
        wide = pd.DataFrame(index=pd.MultiIndex.from_frame(rows[["station_id", "issued_on", "day"]]))
    keys = wide.index.to_frame(index=False)
    seen = wide.notna().any(axis=1).to_numpy()
    keys, wide = keys[seen].reset_index(drop=True), wide[seen]
    came = keys.merge(measured.drop_duplicates(["station_id", "day"]), how="left", on=["station_id", "day"])
    keys["lead_d"] = (keys["day"] - keys["issued_on"]).dt.days.astype(int)
    width = rows["member"].nunique()
    return Cases(
        keys=keys,
        members={name: wide[name].to_numpy(float) if len(keys) else np.empty((0, width)) for name in names},
        came={name: came[name].to_numpy(float) for name in names},
    )


def corrected_temperature(members: np.ndarray, past: np.ndarray, came: np.ndarray) -> np.ndarray:
    """Members with the usual error taken off and their spread set right.

    Parameters
    ----------
    members : ndarray, shape (C, M)
        Members to correct [C].
    past : ndarray, shape (P, K)
        Members of past outlooks of the same lead [C]; not a number where missing.
    came : ndarray, shape (P,)
        What came [C].

    Returns
    -------
    ndarray, shape (C, M)
        Mean + bias + factor * (member - mean).

    Notes
    -----
    bias = mean of came - mean of the members; factor^2 = mean squared error without the bias over
    (1 + 1/K) times the mean variance of the members: were members and truth drawn alike, it would be 1
    (derived). Members that do not differ stay alike.
    """
    centre = members.mean(axis=1, keepdims=True)
    error = came - np.nanmean(past, axis=1)
    k = np.isfinite(past).sum(axis=1)
    around = np.nansum((past - np.nanmean(past, axis=1)[:, None]) ** 2, axis=1) / np.maximum(k - 1, 1)
    due = np.mean(around * (1 + 1 / k))
    factor = np.sqrt(error.var(ddof=1) / due) if due > 0 else 1.0
    return centre + error.mean() + factor * (members - centre)


def corrected_rain(
    members: np.ndarray, past: np.ndarray, came: np.ndarray, order: np.ndarray | None = None
) -> np.ndarray:
    """Rain that fell after past outlooks like this one, in the members' places.

    Parameters
    ----------
    members : ndarray, shape (C, M)
        Members to correct [mm].
    past : ndarray, shape (P, K)
        Members of past outlooks of the same lead [mm]; not a number where missing.
    came : ndarray, shape (P,)
        Rain that came [mm].
    order : ndarray, shape (C, N), optional
        Values whose order the N answers take; the members themselves by default.

    Returns
    -------
    ndarray, shape (C, M) or (C, N)
        The i-th smallest is the i / (M + 1) point of the rain after the outlooks most like this one.

    Notes
    -----
    Outlooks are alike when the mean square roots of their members' rain are close: `LIKE_SHARE` of the past
    ones are taken, at least `LIKE_AT_LEAST` and at most `LIKE_AT_MOST`.
    """
    order = members if order is None else order
    score = np.nanmean(np.sqrt(past), axis=1)
    by_score = np.argsort(score, kind="stable")
    like_n = min(len(came), max(LIKE_AT_LEAST, min(LIKE_AT_MOST, round(LIKE_SHARE * len(came)))))
    place = np.searchsorted(score[by_score], np.sqrt(members).mean(axis=1))
    first = np.clip(place - like_n // 2, 0, len(came) - like_n)
    like = came[by_score][first[:, None] + np.arange(like_n)]
    levels = np.arange(1, order.shape[1] + 1) / (order.shape[1] + 1)
    values = np.quantile(like, levels, axis=1, method="weibull").T
    rank = np.argsort(np.argsort(order, axis=1, kind="stable"), axis=1, kind="stable")
    return np.take_along_axis(values, rank, axis=1)


def correct_outlook(
    ahead: Outlook, stations: tuple[str, ...], past_outlooks: pd.DataFrame, measured: pd.DataFrame
) -> tuple[Outlook, bool]:
    """Correct an outlook by the issues before it, where there are enough.

    Parameters
    ----------
    ahead : Outlook
        The outlook to use.
    stations : tuple of str
        Stations of its arrays.
    past_outlooks, measured : DataFrame
        As in `outlook_cases`; issues of `ahead`'s own day and later are not used.

    Returns
    -------
    outlook : Outlook
        Corrected, or as it was; `says` tells which. An outlook of one member comes back with as many members
        as past issues lent their errors.
    corrected : bool
        Every station and lead was corrected.

    Notes
    -----
    A station that has a neighbour's outlook gets the neighbour's correction. Every other one has its own fit, at each
    lead from the cases of this lead and, when they are of fewer than `ISSUES_NEEDED` days of issue, of the leads next
    to it, and those next to them, and so on. All or nothing: an outlook that is corrected here and raw there would
    make members that jump.
    """
    if ahead.issued_on is None or past_outlooks.empty:
        return ahead, False
    earlier = past_outlooks[past_outlooks["issued_on"] < pd.Timestamp(ahead.issued_on)]
    cases = outlook_cases(earlier, measured)
    usable = np.ones(len(cases.keys), bool)
    for name in OUTLOOK_VALUES:
        usable &= np.isfinite(cases.came[name]) & np.isfinite(cases.members[name]).any(axis=1)
    own = [g for g in range(len(stations)) if ahead.lender[g] == g]
    at_station = [usable & (cases.keys["station_id"] == stations[g]).to_numpy() for g in own]
    issues_n = min((cases.keys.loc[rows, "issued_on"].nunique() for rows in at_station), default=0)
    if issues_n < ISSUES_NEEDED:
        says = (
            f"{ahead.says}; raw and blended with past seasons, not corrected: {issues_n} earlier issues can be "
            f"held against measured days, {ISSUES_NEEDED} are needed at every station"
        )
        return replace(ahead, says=says), False
    if len(ahead.members) == 1:
        return _dressed(ahead, stations, own, cases, usable)
    arrays = {name: getattr(ahead, name).copy() for name in OUTLOOK_VALUES}
    for g in own:
        for t, lead in enumerate(ahead.lead_days):
            near = _near_lead(cases, usable, stations[g], int(lead))
            for name, values in arrays.items():
                correct = corrected_rain if name == "rain_mm" else corrected_temperature
                new = correct(values[:, g, t][None], cases.members[name][near], cases.came[name][near])
                values[:, g, t] = new[0]
    _lend_on(arrays, ahead)
    says = f"{ahead.says}, corrected by lead with {issues_n} earlier issues"
    return replace(ahead, says=says, **arrays), True


def _lend_on(arrays: dict[str, np.ndarray], ahead: Outlook) -> None:
    """Pass the lenders' corrections on to the stations that have their outlook, in place."""
    for g, h in enumerate(ahead.lender):
        if g == h:
            continue
        for name in ("temp_min_c", "temp_max_c"):
            raw = getattr(ahead, name)
            arrays[name][:, g] = arrays[name][:, h] + (raw[:, g] - raw[:, h])
        arrays["rain_mm"][:, g] = arrays["rain_mm"][:, h]
    np.maximum(arrays["temp_max_c"], arrays["temp_min_c"], out=arrays["temp_max_c"])


def _near_lead(cases: Cases, usable: np.ndarray, station: str, lead: int) -> np.ndarray:
    """Rows of the cases of a station whose lead is nearest, from enough days of issue."""
    own = usable & (cases.keys["station_id"] == station).to_numpy()
    away = np.abs(cases.keys["lead_d"].to_numpy() - lead)
    for reach in np.unique(away[own]):
        rows = np.flatnonzero(own & (away <= reach))
        if cases.keys["issued_on"].iloc[rows].nunique() >= ISSUES_NEEDED:
            return rows
    return np.flatnonzero(own)


def _dressed(
    ahead: Outlook, stations: tuple[str, ...], own: list[int], cases: Cases, usable: np.ndarray
) -> tuple[Outlook, bool]:
    """Give one member the errors that past issues had at every station and lead, issue by issue."""
    keys = cases.keys[usable]
    whole = pd.MultiIndex.from_product([[stations[g] for g in own], [int(x) for x in ahead.lead_days]])
    wide = {}
    for name in OUTLOOK_VALUES:
        error = cases.came[name] - np.nanmean(cases.members[name], axis=1)
        for kind, column in (("error", error), ("came", cases.came[name])):
            table = keys.assign(value=column[usable]).pivot_table(
                index="issued_on", columns=["station_id", "lead_d"], values="value"
            )
            wide[name, kind] = table.reindex(columns=whole).dropna()
    issues = wide["temp_min_c", "error"].index[-ERRORS_AT_MOST:]
    if len(issues) < ISSUES_NEEDED:
        says = (
            f"{ahead.says}; one member, blended with past seasons: {len(issues)} earlier issues cover every lead, "
            f"{ISSUES_NEEDED} are needed"
        )
        return replace(ahead, says=says), False
    shape = (len(issues), len(own), len(ahead.lead_days))
    arrays: dict[str, Any] = {name: np.repeat(getattr(ahead, name), len(issues), axis=0) for name in OUTLOOK_VALUES}
    for name in ("temp_min_c", "temp_max_c"):
        arrays[name][:, own] += wide[name, "error"].loc[issues].to_numpy().reshape(shape)
    came = wide["rain_mm", "came"].loc[issues].to_numpy().reshape(shape)
    for i, g in enumerate(own):
        for t, lead in enumerate(ahead.lead_days):
            near = _near_lead(cases, usable, stations[g], int(lead))
            arrays["rain_mm"][:, g, t] = corrected_rain(
                ahead.rain_mm[:, g, t][None],
                cases.members["rain_mm"][near],
                cases.came["rain_mm"][near],
                order=came[:, i, t][None],
            )[0]
    _lend_on(arrays, ahead)
    says = f"{ahead.says}, with the errors of {len(issues)} earlier issues"
    return replace(ahead, members=tuple(range(len(issues))), says=says, **arrays), True


def outlook_skill(
    past_outlooks: pd.DataFrame,
    measured: pd.DataFrame,
    *,
    frost_threshold_c: float,
    rain_stop_mm: float,
) -> pd.DataFrame:
    """Scores of past outlooks at each lead, beside those of climatology.

    Parameters
    ----------
    past_outlooks, measured : DataFrame
        As in `outlook_cases`.
    frost_threshold_c : float
        A low below it is the event of temp_min_c [C].
    rain_stop_mm : float
        Rain of so much or more is the event of rain_mm [mm].

    Returns
    -------
    DataFrame
        value (temp_min_c, temp_max_c or rain_mm), lead_d [d], issues_n, cases_n, bias (mean of members' mean less
        what came), crps, crps_climatology [C or mm], event, event_at (its limit) [C or mm], event_n (how often it
        came), brier, brier_climatology [0-1], coverage_fraction and coverage_climatology_fraction (cases inside the
        80 % range, 0-1). Both columns of a pair are over the same cases, those that have a climatology; without any,
        its columns are not a number and the others are over all cases. Not a number where no case is.

    Notes
    -----
    Climatology of a case: the station's measured days within `CLIMATE_DAYS` days of the year that lie more
    than half a year away; `CLIMATE_NEEDED` of them are needed. The i-th of M members counts as the
    i / (M + 1) point of the range.
    """
    cases = outlook_cases(past_outlooks, measured)
    rows = []
    events = {
        "temp_min_c": (f"low below {frost_threshold_c:g} C", frost_threshold_c, lambda x: x < frost_threshold_c),
        "temp_max_c": ("", np.nan, None),
        "rain_mm": (f"{rain_stop_mm:g} mm of rain or more", rain_stop_mm, lambda x: x >= rain_stop_mm),
    }
    for name in OUTLOOK_VALUES:
        usual = _climate(cases.keys, measured, name)
        good = np.isfinite(cases.came[name]) & np.isfinite(cases.members[name]).any(axis=1)
        for lead in np.unique(cases.keys["lead_d"][good]):
            case = np.flatnonzero(good & (cases.keys["lead_d"] == lead).to_numpy())
            known = [i for i in case if len(usual[i])]
            case = np.array(known) if known else case
            came, members = cases.came[name][case], cases.members[name][case]
            climate = _padded([usual[i] for i in case])
            event, event_at, happens = events[name]
            pair = []
            for ensemble in (members, climate):
                if not np.isfinite(ensemble).any():
                    pair.append((np.nan, np.nan, np.nan))
                    continue
                low, high = _range_80(ensemble)
                inside = float(np.mean((low <= came) & (came <= high)))
                brier = np.nan
                if happens is not None:
                    n = np.isfinite(ensemble).sum(axis=1)
                    brier = brier_score(happens(ensemble).sum(axis=1) / n, happens(came))
                pair.append((float(ensemble_crps(ensemble, came).mean()), brier, inside))
            (crps, brier, inside), (crps_c, brier_c, inside_c) = pair
            bias = float(np.mean(np.nanmean(members, axis=1) - came))
            issues_n = cases.keys["issued_on"].iloc[case].nunique()
            event_n = np.nan if happens is None else int(happens(came).sum())
            about = (name, int(lead), issues_n, len(case), bias, crps, crps_c, event, event_at, event_n)
            rows.append((*about, brier, brier_c, inside, inside_c))
    columns = ["value", "lead_d", "issues_n", "cases_n", "bias", "crps", "crps_climatology", "event"]
    columns += ["event_at", "event_n", "brier", "brier_climatology"]
    columns += ["coverage_fraction", "coverage_climatology_fraction"]
    return pd.DataFrame(rows, columns=columns)


def past_skill(
    past_outlooks: pd.DataFrame,
    station_days: StationDays,
    *,
    rain_stop_mm: float,
    spans: Sequence[tuple[int, int]] = SPANS,
) -> pd.DataFrame:
    """Scores of a season's past outlooks over spans of lead, for people to read.

    Parameters
    ----------
    past_outlooks : DataFrame
        Every issue on file.
    station_days : StationDays
        Only days that were measured whole count as what came.
    rain_stop_mm : float
        Rain of a day from which picking stops [mm]: the event of rain. That of frost is a low below `FROST_SCORED_C`.
    spans : sequence of (int, int)
        First and last lead of each span [d].

    Returns
    -------
    DataFrame
        value, lead_from_d, lead_to_d, then the columns of `outlook_skill` from issues_n on: means over the cases of
        the span, issues_n the most of any of its leads. Spans without a case are left out.
    """
    days = station_days.days
    measured = days[days["fill"] == ""]
    each = outlook_skill(past_outlooks, measured, frost_threshold_c=FROST_SCORED_C, rain_stop_mm=rain_stop_mm)
    rows = []
    means = ["bias", "crps", "crps_climatology", "brier", "brier_climatology"]
    means += ["coverage_fraction", "coverage_climatology_fraction"]
    for name, part in each.groupby("value", sort=False):
        for first, last in spans:
            lead = part[part["lead_d"].between(first, last)]
            if lead.empty:
                continue
            weight = lead["cases_n"] / lead["cases_n"].sum()
            row = {"value": name, "lead_from_d": int(lead["lead_d"].min()), "lead_to_d": int(lead["lead_d"].max())}
            row |= {"issues_n": int(lead["issues_n"].max()), "cases_n": int(lead["cases_n"].sum())}
            row |= {name: lead[name].iloc[0] for name in ("event", "event_at")}
            row |= {"event_n": lead["event_n"].sum(min_count=1)}
            row |= {column: (weight * lead[column]).sum(skipna=False) for column in means}
            rows.append(row)
    columns = ["value", "lead_from_d", "lead_to_d", *[c for c in each.columns if c not in ("value", "lead_d")]]
    return pd.DataFrame(rows, columns=columns)


def _climate(keys: pd.DataFrame, measured: pd.DataFrame, name: str) -> list[np.ndarray]:
    """What the same time of other years brought, for each case; empty where too little is known."""
    found: dict[tuple[str, pd.Timestamp], np.ndarray] = {}
    by_station = {s: g.dropna(subset=name) for s, g in measured.groupby("station_id")}
    for station, day in keys[["station_id", "day"]].drop_duplicates().itertuples(index=False):
        rows = by_station[station]
        away = np.abs((rows["day"] - day).dt.days.to_numpy())
        season = np.abs((away + 182.625) % 365.25 - 182.625)
        values = rows[name].to_numpy(float)[(season <= CLIMATE_DAYS) & (away > 182)]
        found[station, day] = values if len(values) >= CLIMATE_NEEDED else values[:0]
    return [found[key] for key in keys[["station_id", "day"]].itertuples(index=False, name=None)]


def _padded(lists: list[np.ndarray]) -> np.ndarray:
    """Rows of unequal length, filled up with nothing."""
    wide = np.full((len(lists), max(1, *(len(x) for x in lists), 1)), np.nan)
    for i, values in enumerate(lists):
        wide[i, : len(values)] = values
    return wide


def _range_80(ensemble: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """10 and 90 per cent points of each row, the i-th of n values being the i / (n + 1) point."""
    x = np.sort(ensemble, axis=1)
    n = np.isfinite(x).sum(axis=1)
    ends = []
    for level in (0.1, 0.9):
        at = np.clip(level * (n + 1) - 1, 0, n - 1)
        below = np.floor(at).astype(int)
        above = np.minimum(below + 1, n - 1)
        row = np.arange(len(x))
        ends.append(x[row, below] + (at - below) * (x[row, above] - x[row, below]))
    return ends[0], ends[1]
