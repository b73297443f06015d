"""Lookback: what past weeks would have been told, against what came.

Each past week is replayed from the records as they stood (`read_season` withholds everything later), so nothing can
look ahead. Forecasts are scored against the samples taken afterwards, beside a straight line per block, which is what
a spreadsheet does; orders are scored by the referee beside rules of thumb, in the scenarios of their own week.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from olivetime.harvest.order import Proposal, propose
from olivetime.records.season import Season, read_season
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
        inside (observed within the 80 % range), line (straight line of the block, NaN with fewer than two samples).
    scores : pandas.DataFrame
        kind, lead_weeks, samples_n, mean_abs_error, bias, inside_fraction, line_mean_abs_error (same samples only),
        against_line_mean_abs_error (ours on the samples that have a line).
    orders : pandas.DataFrame
        as_of, status, value, gap_fraction, best_rule, best_rule_value, first_block and picked_next (names of the
        blocks proposed first, and picked in the week that followed, as recorded).
    says : str
        One sentence with what these weeks show, and no more.
    """

    forecasts: pd.DataFrame
    scores: pd.DataFrame
    orders: pd.DataFrame
    says: str


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
    told, orders = [], []
    for back in range(weeks, 0, -1):
        day = now.as_of - timedelta(days=7 * back)
        if day <= now.start:
            continue
        then = read_season(folder, day)
        if then.samples["sampled_on"].nunique() < 2:
            continue
        proposal = propose(then, seed=seed, evaluations=evaluations)
        told.append(_forecasts(proposal, now))
        orders.append(_order_row(proposal, now))
    forecasts = pd.concat(told, ignore_index=True) if told else pd.DataFrame(columns=_FORECAST_COLUMNS)
    scores = _scores(forecasts)
    return Hindcast(
        forecasts=forecasts,
        scores=scores,
        orders=pd.DataFrame(orders, columns=_ORDER_COLUMNS),
        says=_says(scores, len(orders)),
    )


_FORECAST_COLUMNS = [
    "as_of", "block_id", "sample_id", "sampled_on", "lead_days", "kind", "p10", "p50", "p90", "observed", "error",
    "inside", "line",
]  # fmt: skip
_ORDER_COLUMNS = [
    "as_of", "status", "value", "gap_fraction", "best_rule", "best_rule_value", "first_block", "picked_next",
]  # fmt: skip


def _forecasts(proposal: Proposal, now: Season) -> pd.DataFrame:
    """Forecasts of one past week for the samples that came after it, with the laboratory's error added."""
    then, fruit = proposal.season, proposal.outcomes
    later = now.samples[now.samples["sampled_on"] > pd.Timestamp(then.as_of)]
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    later = later[later["block_id"].isin(place)]
    at = fruit.days.get_indexer(later["sampled_on"])
    b = later["block_id"].map(place).to_numpy()
    later, b, at = later[at >= 0], b[at >= 0], at[at >= 0]
    noise = np.random.default_rng([proposal.seed, then.as_of.toordinal()])
    scatter = _sample_scatter(proposal, b, at)
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
            "line": _lines(then.samples, rows, kind),
        }))  # fmt: skip
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=_FORECAST_COLUMNS)


def _sample_scatter(proposal: Proposal, b: np.ndarray, at: np.ndarray) -> dict[str, np.ndarray]:
    """How much one new sample of block `b` on day `at` scatters about its curve, in a week not seen yet.

    Returns
    -------
    dict of ndarray (samples,)
        Relative for oil, points for moisture, index for maturity: the sample's own error, the shared error of its
        week, and for maturity the counting of so many fruit as this season's samples had.
    """
    fit, fruit = proposal.fit, proposal.outcomes
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
    counts = proposal.season.samples[[f"class{i}_n" for i in classes]].sum(axis=1)
    fruits_n = float(counts[counts > 0].median()) if (counts > 0).any() else 100.0
    logit = np.hypot(sd("maturity", "log_sd sample"), sd("maturity", "log_sd week"))
    return {
        "oil_dry_pct": dry * one,
        "oil_fresh_pct": np.hypot(dry, moisture / dry_matter),
        "moisture_pct": moisture * one,
        "maturity_index": np.sqrt((slope * logit) ** 2 + np.maximum(spread, 0.0) / fruits_n),
    }


def _lines(known: pd.DataFrame, wanted: pd.DataFrame, kind: str) -> np.ndarray:
    """Straight line through each block's newest samples, read at the wanted days; NaN with fewer than two."""
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
        told.append(level + slope * (row.sampled_on.toordinal() - middle))
    return np.array(told, dtype=float)


def _scores(forecasts: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "kind",
        "lead_weeks",
        "samples_n",
        "mean_abs_error",
        "bias",
        "inside_fraction",
        "against_line_mean_abs_error",
        "line_mean_abs_error",
    ]
    if forecasts.empty:
        return pd.DataFrame(columns=columns)
    rows = []
    lead = np.maximum(1, np.ceil(forecasts["lead_days"] / 7)).astype(int)
    for (kind, weeks), part in forecasts.groupby([forecasts["kind"], lead.rename("lead_weeks")], sort=True):
        lined = part.dropna(subset=["line"])
        rows.append((
            kind, int(weeks), len(part), part["error"].abs().mean(), part["error"].mean(), part["inside"].mean(),
            lined["error"].abs().mean() if len(lined) else np.nan,
            (lined["line"] - lined["observed"]).abs().mean() if len(lined) else np.nan,
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


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
