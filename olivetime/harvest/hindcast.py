"""Lookback: what past weeks would have been told, against what came.

Each past week is replayed from the records as they stood (`read_season` withholds everything later), so nothing can
look ahead. Forecasts are scored against the samples taken afterwards, beside a straight line per block, which is what
a spreadsheet does, and beside last season's samples on the same dates; industrial yield against mill tickets. Orders
are compared with what was picked, see `olivetime.harvest.decisions`; what past errors say of the ranges now, see
`olivetime.harvest.memory`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from olivetime.harvest.decisions import COLUMNS as DECISION_COLUMNS
from olivetime.harvest.decisions import decisions
from olivetime.harvest.memory import lead_weeks, ranges_ahead, remember
from olivetime.harvest.order import Proposal, propose
from olivetime.harvest.value import industrial_oil_pct
from olivetime.records.samples import laboratories_agree
from olivetime.records.season import Season, read_season, season_start
from olivetime.ripening.outcomes import Outcomes, RipeningFit, fit_ripening, outcomes
from olivetime.weather.scenarios import scenarios
from olivetime.weather.skill import ensemble_crps
from olivetime.weather.stations import station_days
from olivetime.words import count_text

# A straight line per block is fitted to at most so many of its newest samples.
LINE_SAMPLES = 4
KINDS = ("oil_dry_pct", "oil_fresh_pct", "moisture_pct", "maturity_index")


@dataclass(frozen=True)
class Hindcast:
    """Past weeks, scored.

    Attributes
    ----------
    forecasts : pandas.DataFrame
        as_of, block_id, sample_id, sampled_on, lead_days, kind, p10, p50, p90, observed, error (p50 - observed),
        inside (observed within the 80 % range), crps (score of the whole distribution), line (straight line of the
        block, NaN with fewer than two samples), last_season (the block on the same date a season ago, NaN without
        samples on both sides), date_error_d and line_date_error_d (days by which dry oil was told too late; NaN where
        it hardly rises), cultivar, lab.
    scores : pandas.DataFrame
        kind, lead_weeks, samples_n, mean_abs_error, bias, inside_fraction, crps, line_mean_abs_error (same samples
        only), against_line_mean_abs_error (ours on the samples that have a line), the same two for last_season, and
        date_mean_abs_error_d, line_date_mean_abs_error_d (same samples).
    orders : pandas.DataFrame
        as_of, status, value, gap_fraction, best_rule, best_rule_value, first_block and picked_next (names of the
        blocks proposed first, and picked in the week that followed, as recorded).
    bias : pandas.DataFrame
        by ("cultivar", "lab" or "block_id"), name, kind, samples_n, bias, se (of the mean, weeks apart), says.
    yields : pandas.DataFrame
        as_of, ticket_id, block_id, picked_on, lead_days, p10, p50, p90, observed (oil got out of the fruit) [%], error,
        inside, within_1_point.
    decisions : pandas.DataFrame
        See `olivetime.harvest.decisions.decisions`.
    memory, ranges : pandas.DataFrame
        See `olivetime.harvest.memory.remember` and `ranges_ahead`.
    says : str
        One sentence with what these weeks show, and no more.
    """

    forecasts: pd.DataFrame
    scores: pd.DataFrame
    orders: pd.DataFrame
    says: str
    bias: pd.DataFrame = field(default_factory=pd.DataFrame)
    yields: pd.DataFrame = field(default_factory=pd.DataFrame)
    decisions: pd.DataFrame = field(default_factory=pd.DataFrame)
    memory: pd.DataFrame = field(default_factory=pd.DataFrame)
    ranges: pd.DataFrame = field(default_factory=pd.DataFrame)


def hindcast(
    folder: Path | str, *, as_of: date | str | None = None, weeks: int = 4, seed: int = 0, evaluations: int = 1000
) -> Hindcast:
    """Replay the weeks before `as_of`, knowing only what was known, and score them.

    Parameters
    ----------
    folder : path
        Season folder.
    as_of : datetime.date or ISO text, optional
        The day up to which records may be used as truth; the newest record when left out.
    weeks : int, optional
        How many weeks to replay; weeks with fewer than two sampling dates before them are skipped.
    seed : int, optional
    evaluations : int, optional
        Candidate orders for each week's plan.

    Returns
    -------
    Hindcast

    Raises
    ------
    SeasonError
        When the season cannot be read.
    """
    now = read_season(folder, as_of)
    known = station_days(now)
    fit = fit_ripening(now, known, seed=seed)
    ahead = scenarios(now, known, n=int(now.rules["plan_scenarios"]), seed=seed, past_outlooks=now.past_outlooks)
    told, orders, chosen, yields = [], [], [], []
    for back in range(weeks, 0, -1):
        day = now.as_of - timedelta(days=7 * back)
        if day <= now.start:
            continue
        then = read_season(folder, day)
        if then.samples["sampled_on"].nunique() < 2:
            continue
        proposal = propose(then, seed=seed, evaluations=evaluations)
        told.append(_forecasts(proposal.season, proposal.fit, proposal.outcomes, now, seed))
        orders.append(_order_row(proposal, now))
        yields.append(_yields(proposal, now))
        chosen.append(decisions(proposal, now, fit, ahead, seed=seed))
    forecasts = _joined(told, _FORECAST_COLUMNS)
    scores = _scores(forecasts)
    memory = remember(forecasts)
    return Hindcast(
        forecasts=forecasts,
        scores=scores,
        orders=pd.DataFrame(orders, columns=_ORDER_COLUMNS),
        says=_says(scores, len(orders)),
        bias=bias(forecasts, now),
        yields=_joined(yields, _YIELD_COLUMNS),
        decisions=_joined(chosen, list(DECISION_COLUMNS)),
        memory=memory,
        ranges=ranges_ahead(outcomes(now, fit, ahead, seed=seed), memory),
    )


_FORECAST_COLUMNS = [
    "as_of", "block_id", "sample_id", "sampled_on", "lead_days", "kind", "p10", "p50", "p90", "observed", "error",
    "inside", "crps", "line", "last_season", "date_error_d", "line_date_error_d", "cultivar", "lab",
]  # fmt: skip
_ORDER_COLUMNS = [
    "as_of", "status", "value", "gap_fraction", "best_rule", "best_rule_value", "first_block", "picked_next",
]  # fmt: skip
_YIELD_COLUMNS = [
    "as_of", "ticket_id", "block_id", "picked_on", "lead_days", "p10", "p50", "p90", "observed", "error", "inside",
    "within_1_point",
]  # fmt: skip
# Dry oil must rise at least so much a day for a date to be told by it [points]; our choice.
LEAST_RISE_PCT = 0.15


def _joined(parts: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


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
    for day in pd.date_range(first, now.as_of, freq="7D"):
        then = season_on(day.date())
        if then.samples["sampled_on"].nunique() < 2:
            continue
        known = station_days(then)
        fit = fit_ripening(then, known, seed=seed)
        ahead = scenarios(then, known, n=int(then.rules["plan_scenarios"]), seed=seed, past_outlooks=then.past_outlooks)
        rows = _forecasts(then, fit, outcomes(then, fit, ahead, seed=seed), now, seed)
        parts.append(rows[rows["lead_days"] <= 7 * weeks])
    return _joined(parts, _FORECAST_COLUMNS)


def _forecasts(then: Season, fit: RipeningFit, fruit: Outcomes, now: Season, seed: int) -> pd.DataFrame:
    """Forecasts of one past week for the samples that came after it, with the laboratory's error added."""
    later = now.samples[now.samples["sampled_on"] > pd.Timestamp(then.as_of)]
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    later = later[later["block_id"].isin(place)]
    at = fruit.days.get_indexer(later["sampled_on"])
    b = later["block_id"].map(place).to_numpy(dtype=int)
    later, b, at = later[at >= 0], b[at >= 0], at[at >= 0]
    if later.empty:
        return pd.DataFrame(columns=_FORECAST_COLUMNS)
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
    return _joined(frames, _FORECAST_COLUMNS)


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


def _yields(proposal: Proposal, now: Season) -> pd.DataFrame:
    """Industrial yield that was expected of the tickets after a past week, and what the mill got out."""
    then, fruit = proposal.season, proposal.outcomes
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    tickets = now.picks[now.picks["picked_on"] > pd.Timestamp(then.as_of)]
    tickets = tickets[tickets["oil_out_kg"].notna() & (tickets["net_t"] > 0) & tickets["block_id"].isin(place)]
    at = fruit.days.get_indexer(tickets["picked_on"])
    tickets, at = tickets[at >= 0], at[at >= 0]
    if tickets.empty:
        return pd.DataFrame(columns=_YIELD_COLUMNS)
    b = tickets["block_id"].map(place).to_numpy(dtype=int)
    corrector = proposal.capacity.mill_corrector_fraction
    draws = industrial_oil_pct(fruit.oil_fresh_pct[:, b, at], fruit.moisture_pct[:, b, at], corrector)
    p10, p50, p90 = np.quantile(draws, [0.1, 0.5, 0.9], axis=0)
    observed = (tickets["oil_out_kg"] / tickets["net_t"] / 10.0).to_numpy(float)
    return pd.DataFrame({
        "as_of": pd.Timestamp(then.as_of),
        "ticket_id": tickets["ticket_id"].to_numpy(),
        "block_id": tickets["block_id"].to_numpy(),
        "picked_on": tickets["picked_on"].to_numpy(),
        "lead_days": (tickets["picked_on"] - pd.Timestamp(then.as_of)).dt.days.to_numpy(),
        "p10": p10, "p50": p50, "p90": p90, "observed": observed, "error": p50 - observed,
        "inside": (observed >= p10) & (observed <= p90),
        "within_1_point": laboratories_agree(p50, observed),
    })  # fmt: skip


def bias(forecasts: pd.DataFrame, now: Season) -> pd.DataFrame:
    """Mean error by cultivar, laboratory and block, with the standard error that the replayed weeks show.

    Parameters
    ----------
    forecasts : pandas.DataFrame
        As `Hindcast.forecasts`.
    now : Season
        Names blocks in the sentences.

    Returns
    -------
    pandas.DataFrame
        by, name, kind, samples_n, bias (told less observed), se, says. A sample that several weeks forecast counts
        once, with its mean error; the samples of one day share its errors and count as one for the standard error.
        Groups with fewer than three days have no standard error.
    """
    columns = ["by", "name", "kind", "samples_n", "bias", "se", "says"]
    if forecasts.empty:
        return pd.DataFrame(columns=columns)
    keys = ["sample_id", "kind", "cultivar", "lab", "block_id", "sampled_on"]
    once = forecasts.groupby(keys, dropna=False)["error"].mean().reset_index()
    rows = []
    for by in ("cultivar", "lab", "block_id"):
        for (name, kind), part in once.groupby([by, "kind"], sort=True):
            days = part.groupby("sampled_on")["error"].mean()
            se = float(days.std() / np.sqrt(len(days))) if len(days) > 2 else np.nan
            mean = float(part["error"].mean())
            if np.isnan(se):
                says = "too few days to tell"
            elif abs(mean) <= 2 * se:
                says = "not told apart from none"
            else:
                says = "told too high" if mean > 0 else "told too low"
            rows.append((by, str(name), kind, len(part), mean, se, says))
    table = pd.DataFrame(rows, columns=columns)
    names = dict(zip(now.blocks["block_id"], now.blocks["block_name"], strict=True))
    table["name"] = np.where(table["by"] == "block_id", table["name"].map(names).fillna(table["name"]), table["name"])
    return table[table["name"] != ""].reset_index(drop=True)


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


_SCORE_COLUMNS = [
    "kind", "lead_weeks", "samples_n", "mean_abs_error", "bias", "inside_fraction", "crps",
    "against_line_mean_abs_error", "line_mean_abs_error", "against_last_season_mean_abs_error",
    "last_season_mean_abs_error", "date_mean_abs_error_d", "line_date_mean_abs_error_d",
]  # fmt: skip


def _scores(forecasts: pd.DataFrame) -> pd.DataFrame:
    if forecasts.empty:
        return pd.DataFrame(columns=_SCORE_COLUMNS)
    rows = []
    for (kind, weeks), part in forecasts.groupby(
        [forecasts["kind"], lead_weeks(forecasts["lead_days"])], sort=True
    ):
        pairs = []
        for rival in ("line", "last_season"):
            both = part.dropna(subset=[rival])
            pairs += [both["error"].abs().mean(), (both[rival] - both["observed"]).abs().mean()]
        dated = part.dropna(subset=["date_error_d", "line_date_error_d"])
        rows.append((
            kind, int(weeks), len(part), part["error"].abs().mean(), part["error"].mean(), part["inside"].mean(),
            part["crps"].mean(), *pairs, dated["date_error_d"].abs().mean(), dated["line_date_error_d"].abs().mean(),
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=_SCORE_COLUMNS)


def _order_row(proposal: Proposal, now: Season) -> tuple[object, ...]:
    plan, then = proposal.plan, proposal.season
    rivals = plan.rules[plan.rules["rule"] != "this plan"]
    best = rivals.sort_values("value").iloc[-1] if len(rivals) else None
    first = plan.rows[plan.rows["rank"].notna()].sort_values("rank")
    names = now.blocks.set_index("block_id")["block_name"]
    day = pd.Timestamp(then.as_of)
    picks = now.picks
    done = picks[(picks["picked_on"] > day) & (picks["picked_on"] <= day + pd.Timedelta(days=7))]
    return (
        day, plan.status, plan.value, plan.gap_fraction,
        str(best["rule"]) if best is not None else "", float(best["value"]) if best is not None else np.nan,
        str(names.get(first["block_id"].iloc[0], "")) if len(first) else "",
        ", ".join(sorted({str(names.get(block_id, block_id)) for block_id in done["block_id"]})),
    )  # fmt: skip


def _says(scores: pd.DataFrame, weeks_n: int) -> str:
    if scores.empty:
        return "No past week can be scored yet: at least two sampling dates before a week and one after it are needed."
    oil = scores[scores["kind"] == "oil_dry_pct"]
    if oil.empty:
        return f"{count_text(weeks_n, 'past week')} replayed; no dry oil was sampled after them."
    n = int(oil["samples_n"].sum())
    weight = oil["samples_n"] / n
    ours, inside = float((oil["mean_abs_error"] * weight).sum()), float((oil["inside_fraction"] * weight).sum())
    lined = oil.dropna(subset=["line_mean_abs_error"])
    text = f"{count_text(weeks_n, 'past week')}, {n} later samples: dry oil was missed by {ours:.1f} points on average"
    if len(lined):
        share = lined["samples_n"] / lined["samples_n"].sum()
        line = float((lined["line_mean_abs_error"] * share).sum())
        text += f" (a straight line per block: {line:.1f})"
    return f"{text}; {100 * inside:.0f} % fell inside the 80 % range."
