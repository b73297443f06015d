"""Doubtful samples: what the order would be without each of them.

The curves are fitted again without the sample and the week is planned again with the same weather. The present order
is held like a promise: a block moves only where that gains what the rule `keep_gain_per_block` asks, so that orders of
equal worth do not count as moves. Nothing is deleted: the sample keeps its row and its weight, and whoever took it
decides.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from olivetime.harvest.order import Proposal, propose
from olivetime.harvest.referee import empty_record, physics, walk, with_oil_orders
from olivetime.ripening.mixed import FitError
from olivetime.ripening.outcomes import fit_ripening, outcomes
from olivetime.words import count_text, day_text, money_text, number_text

KEPT_DAYS = 14.0  # days of the present order that are held like a promise (own choice)
KINDS = {"oil": "oil", "moisture": "moisture", "maturity": "colour"}
COLUMNS = (
    "sample_id", "block_id", "sampled_on", "kinds", "residual_sd", "weight", "oil_dry_now_pct",
    "oil_dry_now_without_pct", "target_on", "target_on_without", "moved_n", "moved", "first_block", "gain", "says",
)  # fmt: skip


def doubtful_samples(proposal: Proposal) -> pd.DataFrame:
    """Samples of this season that lie far off their curves, furthest first.

    Returns
    -------
    pandas.DataFrame
        sample_id, block_id, sampled_on, kinds (what is doubtful, in words), residual_sd (the largest), weight (the
        least).
    """
    rows = proposal.fit.residuals
    rows = rows[rows["doubtful"] & (rows["season"] == proposal.season.label)]
    if not len(rows):
        return pd.DataFrame(columns=["sample_id", "block_id", "sampled_on", "kinds", "residual_sd", "weight"])
    rows = rows.assign(off=rows["residual_sd"].abs(), kinds=rows["kind"].map(KINDS)).sort_values(
        ["off", "sample_id"], ascending=[False, True], kind="stable"
    )
    out = rows.groupby("sample_id", sort=False).agg(
        block_id=("block_id", "first"),
        sampled_on=("day", "first"),
        kinds=("kinds", " and ".join),
        residual_sd=("residual_sd", "first"),
        weight=("weight", "min"),
    )
    return out.reset_index()


def _promised(proposal: Proposal) -> Proposal:
    """The proposal with its own order as last week's promise."""
    rows = proposal.plan.rows
    kept = rows[rows["rank"].notna() & rows["start_at"].notna()]
    committed = pd.DataFrame(
        {
            "block_id": kept["block_id"].to_numpy(),
            "harvester_id": kept["harvester_id"].to_numpy(),
            "rank": kept["rank"].to_numpy(),
            "pick_on": kept["start_at"].dt.normalize().to_numpy(),
            "committed_on": pd.Timestamp(proposal.season.as_of),
        }
    )
    season = replace(
        proposal.season, committed=committed, rules=MappingProxyType({**proposal.season.rules, "keep_days": KEPT_DAYS})
    )
    return replace(proposal, season=season)


def without_sample(proposal: Proposal, sample_id: str, *, n_draws: int = 192, evaluations: int = 1000) -> Proposal:
    """The proposal as it would be had this sample not been taken.

    Parameters
    ----------
    proposal : Proposal
    sample_id : str
        A sample of this season.
        Its own order is held like a promise where `season.committed` says so.
    n_draws : int, optional
        Draws of the fruit's future.
    evaluations : int, optional
        Candidate orders to try; the present one is among the starts.

    Returns
    -------
    Proposal

    Raises
    ------
    ValueError
        When this season has no such sample.
    FitError
        When nothing is left to fit without it.
    """
    season = proposal.season
    left = season.samples["sample_id"] != sample_id
    if left.all():
        raise ValueError(
            f"without_sample: no sample {sample_id!r} in this season, expected a sample_id of its samples: "
            "take it from doubtful_samples."
        )
    season = replace(season, samples=season.samples[left].reset_index(drop=True))
    fit = fit_ripening(season, proposal.station_days, seed=proposal.seed)
    fruit = outcomes(season, fit, proposal.scenarios, n_draws=n_draws, seed=proposal.seed)
    return propose(
        season, seed=proposal.seed, evaluations=evaluations, known=replace(proposal, fit=fit, outcomes=fruit)
    )


def _worth(order_of: Proposal, under: Proposal) -> float:
    """Mean worth of one proposal's order under another's curves."""
    ph = with_oil_orders(physics(under.capacity, under.value), under.value.oil_orders)
    lists = order_of.plan.lists
    walked = [
        walk(ph, s, lists.order, lists.length, lists.release, True, empty_record(ph)) for s in range(ph.value.shape[0])
    ]
    return float(np.mean(walked))


def doubts(proposal: Proposal, *, limit: int = 3, evaluations: int = 1000) -> pd.DataFrame:
    """What each doubtful sample does to the order.

    Parameters
    ----------
    proposal : Proposal
    limit : int, optional
        At most so many samples, the furthest off first; each is fitted and planned again.
    evaluations : int, optional
        Candidate orders to try for each.

    Returns
    -------
    pandas.DataFrame
        sample_id, block_id, sampled_on, kinds, residual_sd, weight; oil_dry_now_pct and target_on of its block with
        the sample, ..._without without it; moved_n rows of the next two weeks that move by a day or more without it,
        moved (their block_id, dearest first); first_block (block_id) without it; gain: what the new order is worth
        more than the present one if the sample is wrong [currency], mean over scenarios; says.
    """
    season = proposal.season
    readers = {"units": season.units, "currency": season.currency, "locale": season.locale}
    names = season.blocks.set_index("block_id")["block_name"]
    asked = doubtful_samples(proposal).head(limit)
    if not len(asked) or proposal.plan.status == "nothing workable":
        return pd.DataFrame(columns=list(COLUMNS))
    # First the present order with the same further search, lest what the search finds be laid to a sample.
    held = _promised(proposal)
    held = _promised(propose(held.season, seed=proposal.seed, evaluations=evaluations, known=held))
    again = propose(held.season, seed=proposal.seed, evaluations=evaluations, known=held)
    rows = []
    for sample in asked.itertuples(index=False):
        try:
            after = without_sample(
                held, sample.sample_id, n_draws=len(proposal.outcomes.scenario), evaluations=evaluations
            )
        except FitError:
            continue
        change = after.plan.moved.sort_values("gain", ascending=False, kind="stable")
        usual = again.plan.moved.set_index("block_id")["to_on"].reindex(change["block_id"]).to_numpy()
        apart = np.abs((change["to_on"].to_numpy() - usual) / np.timedelta64(1, "D"))
        moved = change["block_id"][~(apart < 1.0)].tolist()  # a row that moves with the sample too is not its doing
        planned = after.plan.rows[after.plan.rows["rank"].notna()].sort_values("rank")
        gain = max(after.plan.value - _worth(again, after), 0.0) if moved else 0.0
        now = [p.fit.blocks.set_index("block_id").at[sample.block_id, "oil_dry_now_p50_pct"] for p in (proposal, after)]
        target = [p.targets.set_index("block_id").at[sample.block_id, "on_p50"] for p in (proposal, after)]
        oil = [number_text(v, readers, 1) for v in now]
        says = f"Without it {names[sample.block_id]} holds {oil[1]} % of oil in dry matter today, not {oil[0]} %; "
        if not moved:
            says += "the order of the next two weeks stays"
        else:
            says += (
                f"{count_text(len(moved), 'block moves', 'blocks move')} by a day or more, and if the sample is wrong "
                f"the present order gives up {money_text(gain, readers)} against the new one"
            )
        on = day_text(sample.sampled_on, readers, "MMMEd")
        rows.append(
            (
                sample.sample_id, sample.block_id, sample.sampled_on, sample.kinds, sample.residual_sd, sample.weight,
                *now, *target, len(moved), ", ".join(moved), planned["block_id"].iloc[0] if len(planned) else "", gain,
                f"The {sample.kinds} of {on} lies {abs(sample.residual_sd):.1f} times its usual error off. {says}.",
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))
