"""What a past week would have told of the samples that came after it.

Every forecast carries the error that a new sample would have: its own, the shared one of a week not seen yet, and for
maturity that of counting. It stands beside a straight line per block, which is what a spreadsheet does, and beside last
season's samples on the same dates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from olivetime.records.season import Season, season_start
from olivetime.ripening.outcomes import Outcomes, RipeningFit, fit_ripening, outcomes
from olivetime.weather.scenarios import scenarios
from olivetime.weather.skill import ensemble_crps
from olivetime.weather.stations import station_days

# A straight line per block is fitted to at most so many of its newest samples.
LINE_SAMPLES = 4
KINDS = ("oil_dry_pct", "oil_fresh_pct", "moisture_pct", "maturity_index")
# Dry oil must rise at least so much a day for a date to be told by it [points]; our choice.
LEAST_RISE_PCT = 0.15
FORECAST_COLUMNS = [
    "as_of", "block_id", "sample_id", "sampled_on", "lead_days", "kind", "p10", "p50", "p90", "observed", "error",
    "inside", "crps", "line", "last_season", "date_error_d", "line_date_error_d", "cultivar", "lab",
]  # fmt: skip


def joined(parts: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """Tables below each other; an empty one with these columns when there is none."""
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def as_known(season: Season, day: date) -> Season:
    """A season as its fruit and weather were known on an earlier day; what forecasts do not use stays as it is.

    Samples count from the day on which they were received, weather and tickets from their own, outlooks from that of
    their issue; the newest issue is the day's outlook.
    """
    now = pd.Timestamp(day)
    received = season.samples["received_on"].fillna(season.samples["sampled_on"])
    issues = season.past_outlooks[season.past_outlooks["issued_on"] <= now]
    return replace(
        season, as_of=day,
        samples=season.samples[received <= now].reset_index(drop=True),
        weather_days=season.weather_days[season.weather_days["day"] <= now].reset_index(drop=True),
        weather_hours=season.weather_hours[season.weather_hours["day"] <= now].reset_index(drop=True),
        picks=season.picks[season.picks["picked_on"] <= now].reset_index(drop=True),
        past_outlooks=issues.reset_index(drop=True),
        outlook=issues[issues["issued_on"] == issues["issued_on"].max()].reset_index(drop=True),
    )  # fmt: skip


def season_forecasts(
    season_on: Callable[[date], Season], now: Season, first: date, *, weeks: int = 4, seed: int = 0
) -> pd.DataFrame:
    """Forecasts of every week of a season for the samples up to some weeks later, without planning anything.

    Parameters
    ----------
    season_on : callable
        The season as known on a day.
    now : Season
        Holds the samples that came.
    first : datetime.date
        First day replayed; then every seventh.
    weeks : int, optional
        Farthest lead [weeks].
    seed : int, optional

    Returns
    -------
    pandas.DataFrame
        As `Hindcast.forecasts`.
    """
    parts = []
    for day in pd.date_range(first, pd.Timestamp(now.as_of) - pd.Timedelta(days=1), freq="7D"):
        then = season_on(day.date())
        if then.samples["sampled_on"].nunique() < 2:
            continue
        known = station_days(then)
        fit = fit_ripening(then, known, seed=seed)
        ahead = scenarios(then, known, n=int(then.rules["plan_scenarios"]), seed=seed, past_outlooks=then.past_outlooks)
        rows = forecasts_of(then, fit, outcomes(then, fit, ahead, seed=seed), now, seed)
        parts.append(rows[rows["lead_days"] <= 7 * weeks])
    return joined(parts, FORECAST_COLUMNS)


def forecasts_of(then: Season, fit: RipeningFit, fruit: Outcomes, now: Season, seed: int) -> pd.DataFrame:
    """Forecasts of one past week for the samples that came after it, with the laboratory's error added."""
    later = now.samples[now.samples["sampled_on"] > pd.Timestamp(then.as_of)]
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    later = later[later["block_id"].isin(place)]
    at = fruit.days.get_indexer(later["sampled_on"])
    b = later["block_id"].map(place).to_numpy(dtype=int)
    later, b, at = later[at >= 0], b[at >= 0], at[at >= 0]
    if later.empty:
        return pd.DataFrame(columns=FORECAST_COLUMNS)
    cultivar = then.blocks.set_index("block_id")["cultivar"]
    noise = np.random.default_rng([seed, then.as_of.toordinal()])
    scatter = _sample_scatter(then, fit, fruit, b, at)
    frames = []
    for kind in KINDS:
        draws = getattr(fruit, kind)[:, b, at].astype(float)  # (K, samples)
        spread = scatter[kind]
        shock = noise.standard_normal(draws.shape)
        seen = draws * np.exp(spread * shock) if kind.startswith("oil") else draws + spread * shock
        observed = later[kind].to_numpy(dtype=float)
        known = np.isfinite(observed) & np.isfinite(seen).all(axis=0)
        if not known.any():
            continue
        p10, p50, p90 = np.quantile(seen[:, known], [0.1, 0.5, 0.9], axis=0)
        rows = later[known]
        lines, rises = _lines(then.samples, rows, kind)
        late = _date_errors(fruit, b[known], at[known], observed[known], kind)
        with np.errstate(divide="ignore", invalid="ignore"):
            line_late = np.where(rises >= LEAST_RISE_PCT, (observed[known] - lines) / rises, np.nan)
        frames.append(pd.DataFrame({
            "as_of": pd.Timestamp(then.as_of),
            "block_id": rows["block_id"].to_numpy(),
            "sample_id": rows["sample_id"].to_numpy(),
            "sampled_on": rows["sampled_on"].to_numpy(),
            "lead_days": (rows["sampled_on"] - pd.Timestamp(then.as_of)).dt.days.to_numpy(),
            "kind": kind,
            "p10": p10, "p50": p50, "p90": p90,
            "observed": observed[known],
            "error": p50 - observed[known],
            "inside": (observed[known] >= p10) & (observed[known] <= p90),
            "crps": ensemble_crps(seen[:, known].T, observed[known]),
            "line": lines,
            "last_season": _last_season(then, rows, kind),
            "date_error_d": late,
            "line_date_error_d": np.where(np.isnan(late), np.nan, line_late),
            "cultivar": rows["block_id"].map(cultivar).to_numpy(),
            "lab": rows["lab"].to_numpy(),
        }))  # fmt: skip
    return joined(frames, FORECAST_COLUMNS)


def _date_errors(fruit: Outcomes, b: np.ndarray, at: np.ndarray, observed: np.ndarray, kind: str) -> np.ndarray:
    """Days by which the middle curve reaches what was observed too late; NaN where it hardly rises or never does."""
    late = np.full(len(b), np.nan)
    if kind != "oil_dry_pct":
        return late
    middle = np.median(fruit.oil_dry_pct, axis=0)
    for i, (block, day) in enumerate(zip(b, at, strict=True)):
        course = middle[block]
        before = max(day - 3, 0)
        after = min(day + 3, len(course) - 1)
        rises = (course[after] - course[before]) / max(after - before, 1)
        hit = np.flatnonzero(course >= observed[i])
        if rises >= LEAST_RISE_PCT and len(hit) and hit[0] > 0:
            step = course[hit[0]] - course[hit[0] - 1]
            part = (observed[i] - course[hit[0] - 1]) / step if step > 0 else 1.0
            late[i] = hit[0] - 1 + part - day
    return late


def _last_season(then: Season, wanted: pd.DataFrame, kind: str) -> np.ndarray:
    """What the block's samples of the season before say of the same day of the season; NaN outside them."""
    past = then.past_samples[then.past_samples["season"] == then.label - 1].dropna(subset=[kind])
    start = pd.Timestamp(season_start(then.label - 1, then.start))
    now_start = pd.Timestamp(season_start(then.label, then.start))
    known = {
        block_id: ((rows["sampled_on"] - start).dt.days.to_numpy(float), rows[kind].to_numpy(float))
        for block_id, rows in past.sort_values("sampled_on", kind="stable").groupby("block_id")
    }
    told = []
    for row in wanted.itertuples(index=False):
        x, y = known.get(row.block_id, (np.array([np.nan]), np.array([np.nan])))
        told.append(float(np.interp((row.sampled_on - now_start).days, x, y, left=np.nan, right=np.nan)))
    return np.array(told, dtype=float)


def _sample_scatter(
    season: Season, fit: RipeningFit, fruit: Outcomes, b: np.ndarray, at: np.ndarray
) -> dict[str, np.ndarray]:
    """How much one new sample of block `b` on day `at` scatters about its curve, in a week not seen yet.

    Returns
    -------
    dict of ndarray (samples,)
        Relative for oil, points for moisture, index for maturity: the sample's own error, the shared error of its
        week, and for maturity the counting of so many fruit as this season's samples had.
    """
    table = fit.parameters.groupby(["kind", "name"])["value"].mean()
    one = np.ones(len(b))

    def sd(kind: str, name: str) -> float:
        value = float(table.get((kind, name), np.nan))
        return 0.0 if np.isnan(value) else (float(np.exp(value)) if name.startswith("log_") else value)

    dry = np.hypot(sd("oil", "sd of sample"), sd("oil", "sd of week"))
    moisture = np.hypot(sd("moisture", "log_sd error"), sd("moisture", "log_sd week"))
    dry_matter = 100.0 - fruit.moisture_pct[:, b, at].mean(axis=0)
    share = fruit.class_share[b, at]  # (samples, 8)
    above = 1.0 - np.cumsum(share, axis=1)[:, :-1]  # chance that a fruit is beyond each class
    slope = (above * (1.0 - above)).sum(axis=1)  # of the index against the logit
    classes = np.arange(share.shape[1])
    spread = (share * classes**2).sum(axis=1) - (share * classes).sum(axis=1) ** 2
    counts = season.samples[[f"class{i}_n" for i in classes]].sum(axis=1)
    fruits_n = float(counts[counts > 0].median()) if (counts > 0).any() else 100.0
    logit = np.hypot(sd("maturity", "log_sd sample"), sd("maturity", "log_sd week"))
    return {
        "oil_dry_pct": dry * one,
        "oil_fresh_pct": np.hypot(dry, moisture / dry_matter),
        "moisture_pct": moisture * one,
        "maturity_index": np.sqrt((slope * logit) ** 2 + np.maximum(spread, 0.0) / fruits_n),
    }


def _lines(known: pd.DataFrame, wanted: pd.DataFrame, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Straight line through each block's newest samples at the wanted days, and its slope; NaN with fewer than two."""
    lines: dict[str, tuple[float, float, float]] = {}
    for block_id, rows in known.dropna(subset=[kind]).sort_values("sampled_on").groupby("block_id"):
        newest = rows.tail(LINE_SAMPLES)
        x = newest["sampled_on"].map(pd.Timestamp.toordinal).to_numpy(dtype=float)
        y = newest[kind].to_numpy(dtype=float)
        if len(x) >= 2 and np.ptp(x) > 0:
            slope = float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())
            lines[str(block_id)] = (float(x.mean()), float(y.mean()), slope)
    told = []
    for row in wanted.itertuples(index=False):
        middle, level, slope = lines.get(row.block_id, (np.nan, np.nan, np.nan))
        told.append((level + slope * (row.sampled_on.toordinal() - middle), slope))
    both = np.array(told, dtype=float).reshape(-1, 2)
    return both[:, 0], both[:, 1]
