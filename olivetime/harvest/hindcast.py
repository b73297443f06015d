"""Lookback: what past weeks would have been told, against what came.

Each past week is replayed from the records as they stood (`read_season` withholds everything later), so nothing can
look ahead. Forecasts are scored against the samples taken afterwards, beside a straight line per block, which is what
a spreadsheet does, and beside last season's samples on the same dates; industrial yield against mill tickets. Orders
are compared with what was picked, see `olivetime.harvest.decisions`; what past errors say of the ranges now, see
`olivetime.harvest.memory`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from olivetime.harvest.decisions import COLUMNS as DECISION_COLUMNS
from olivetime.harvest.decisions import decisions
from olivetime.harvest.forecasts import FORECAST_COLUMNS, forecasts_of, joined
from olivetime.harvest.memory import lead_weeks, ranges_ahead, remember
from olivetime.harvest.order import Proposal, propose
from olivetime.harvest.past import Hindcast
from olivetime.harvest.value import industrial_oil_pct
from olivetime.records.samples import laboratories_agree
from olivetime.records.season import Season, read_season
from olivetime.ripening.kept import kept_ripening
from olivetime.ripening.outcomes import RipeningFit, outcomes
from olivetime.weather.cold_spots import with_cold_spots
from olivetime.weather.scenarios import Scenarios, scenarios
from olivetime.weather.stations import station_days
from olivetime.words import count_text


@dataclass(frozen=True)
class Now:
    """What is known today of the weeks that have passed: the truth that they are held against."""

    season: Season
    fit: RipeningFit
    scenarios: Scenarios
    seed: int


@dataclass(frozen=True)
class Replay:
    """One past week, as it would have been told: its part of each table of `Hindcast`."""

    forecasts: pd.DataFrame
    order: tuple[object, ...]
    yields: pd.DataFrame
    decisions: pd.DataFrame


def known_now(folder: Path | str, as_of: date | str | None = None, *, seed: int = 0, kept: Path | None = None) -> Now:
    """Read and fit a season as far as it has come.

    Parameters
    ----------
    folder, as_of, seed, kept
        As in `hindcast`.
    """
    season = read_season(folder, as_of, kept=kept)
    days = station_days(season)
    season, _ = with_cold_spots(season, days)
    fit = kept_ripening(season, days, seed=seed, folder=kept)
    n = int(season.rules["plan_scenarios"])
    return Now(season, fit, scenarios(season, days, n=n, seed=seed, past_outlooks=season.past_outlooks), seed)


def replay(back: int, now: Now, *, evaluations: int = 1000, kept: Path | None = None) -> Replay | None:
    """Replay one past week from the records as they stood.

    Parameters
    ----------
    back : int
        How many weeks ago.
    now : Now
    evaluations, kept
        As in `hindcast`.

    Returns
    -------
    Replay or None
        None when that day lies before the season or has fewer than two sampling dates before it.
    """
    day = now.season.as_of - timedelta(days=7 * back)
    if day <= now.season.start:
        return None
    then = read_season(now.season.folder, day, kept=kept)
    if then.samples["sampled_on"].nunique() < 2:
        return None
    proposal = propose(then, seed=now.seed, evaluations=evaluations, kept=kept)
    return Replay(
        forecasts_of(proposal.season, proposal.fit, proposal.outcomes, now.season, now.seed),
        _order_row(proposal, now.season),
        _yields(proposal, now.season),
        decisions(proposal, now.season, now.fit, now.scenarios, seed=now.seed),
    )


def hindcast(
    folder: Path | str,
    *,
    as_of: date | str | None = None,
    weeks: int = 4,
    seed: int = 0,
    evaluations: int = 1000,
    kept: Path | None = None,
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
    kept : Path, optional
        Folder of fits kept from the weeks themselves, as in `olivetime.harvest.order.propose`.

    Returns
    -------
    Hindcast

    Raises
    ------
    SeasonError
        When the season cannot be read.
    """
    now = known_now(folder, as_of, seed=seed, kept=kept)
    past = [replay(back, now, evaluations=evaluations, kept=kept) for back in range(weeks, 0, -1)]
    return scored(past, now)


def scored(replays: Iterable[Replay | None], now: Now) -> Hindcast:
    """All past weeks together, the oldest first, against what came."""
    weeks = [week for week in replays if week is not None]
    forecasts = joined([week.forecasts for week in weeks], FORECAST_COLUMNS)
    scores = _scores(forecasts)
    memory = remember(forecasts)
    return Hindcast(
        forecasts=forecasts,
        scores=scores,
        orders=pd.DataFrame([week.order for week in weeks], columns=_ORDER_COLUMNS),
        says=_says(scores, len(weeks)),
        bias=bias(forecasts, now.season),
        yields=joined([week.yields for week in weeks], _YIELD_COLUMNS),
        decisions=joined([week.decisions for week in weeks], list(DECISION_COLUMNS)),
        memory=memory,
        ranges=ranges_ahead(outcomes(now.season, now.fit, now.scenarios, seed=now.seed), memory),
    )


_ORDER_COLUMNS = [
    "as_of", "status", "value", "gap_fraction", "best_rule", "best_rule_value", "first_block", "picked_next",
]  # fmt: skip
_YIELD_COLUMNS = [
    "as_of", "ticket_id", "block_id", "picked_on", "lead_days", "p10", "p50", "p90", "observed", "error", "inside",
    "within_1_point",
]  # fmt: skip


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
