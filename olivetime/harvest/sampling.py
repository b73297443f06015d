"""Where one more sample is worth most: what the plan would gain from knowing its result.

A sample taken now tells something about the fruit of its block and, through the cultivar and the week, of others. The
joint draws hold both: each draw is one possible truth, with what the laboratory would read of it. A sample tells of
fruit, not of weather, so the draws compared here differ in their curves alone.

The referee says what the plan is worth with a block at other places of the order, moves, mill and all other blocks
included. What the draws say of the block at each place is regressed on the reading; the gain is the worth of the place
that is best after the reading, less that of the best place without it, mean over the readings (the expected value of
sample information, estimated by regression as in health economics; from memory).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from olivetime.harvest.order import Lists, Proposal
from olivetime.harvest.referee import empty_record, physics, walk
from olivetime.harvest.value import value as make_value
from olivetime.records.samples import counts_needed
from olivetime.ripening.outcomes import Outcomes
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.words import count_text

SAMPLE_IN_D = 1  # days until the sample is taken; our choice
RESULT_AFTER_D = 2  # days from sample to result where the records do not tell; from memory
DRAWS = 256  # draws of the curves that are compared; our choice
PLACES = (3, 14)  # fewest and most other places tried for a block; our choice
SCENARIOS = 8  # scenarios in which they are tried; our choice
WALKS = 24_000  # walks of the referee for all of them together; our choice
INDEX_HALF_WIDTH = 0.25  # maturity index known to this, 95 times out of 100, sets the number of fruit; our choice
LEAST_FRUIT = 50  # common practice, no source
OLD_SAMPLE_D = 10  # an older newest sample is named as the reason
COLUMNS = ("block_id", "rank", "why", "gain", "own_gain", "fruits_n", "result_on")


def result_after_days(samples: pd.DataFrame) -> int:
    """Days from sampling to result: the middle of this season's, at least one."""
    wait = (samples["received_on"] - samples["sampled_on"]).dt.days.dropna()
    return RESULT_AFTER_D if wait.empty else max(1, int(np.ceil(wait.median())))


def curve_draws(proposal: Proposal, seed: int) -> tuple[Outcomes, np.ndarray]:
    """Draws that differ in their curves alone, and by how much their worth differs from its mean, (K, B, T).

    The fruit's course is drawn in the mean warmth and rain of all scenarios; frost takes its mean share.
    """
    season, ahead, value = proposal.season, proposal.scenarios, proposal.value
    mean = {
        name: getattr(ahead, name).mean(axis=0, keepdims=True) for name in ("heat_d", "rain_memory_mm", "rain_mm")
    }  # fmt: skip
    mild = {name: np.full_like(mean["heat_d"], 15.0) for name in ("temp_min_c", "temp_max_c")}
    calm = replace(
        ahead, **mean, **mild, workable_fraction=ahead.workable_fraction[:1], origin=("mean",),
        past_temp_min_c=np.maximum(ahead.past_temp_min_c, 15.0),
    )  # fmt: skip
    fruit = make_outcomes(season, proposal.fit, calm, n_draws=DRAWS, seed=seed)
    worth = make_value(season, fruit, calm, proposal.capacity).value_draws
    kept = 1.0 - value.frost_damage_fraction.mean(axis=0)
    return fruit, (worth - worth.mean(axis=0)) * kept


def readings(proposal: Proposal, fruit: Outcomes, seed: int) -> np.ndarray:
    """What the laboratory would read of each draw of each block if sampled now, (K, B, R), each of mean 0 and sd 1.

    Log of dry oil, moisture, and maturity where the cultivar turns black; errors of sample and week as fitted.
    """
    table = proposal.fit.parameters
    t = min(SAMPLE_IN_D, len(fruit.days) - 1)
    known = table.groupby(["kind", "name"])["value"].mean()
    rng = np.random.default_rng([seed, 11])

    def error(kind: str, names: tuple[str, str], default: float) -> float:
        parts = [float(known.get((kind, name), np.nan)) for name in names]
        parts = [np.exp(v) if name.startswith("log_") else v for v, name in zip(parts, names, strict=True)]
        return default if np.isnan(parts).any() else float(np.hypot(*parts))

    seen = [
        (np.log(np.maximum(fruit.oil_dry_pct[:, :, t], 0.1)), error("oil", ("sd of sample", "sd of week"), 0.06)),
        (fruit.moisture_pct[:, :, t], error("moisture", ("log_sd error", "log_sd week"), 1.5)),
        (np.nan_to_num(fruit.maturity_index[:, :, t]), 0.2),
    ]
    told = []
    for truth, sd in seen:
        read = truth + sd * rng.standard_normal(truth.shape)
        spread = read.std(axis=0)
        told.append((read - read.mean(axis=0)) / np.where(spread > 0, spread, 1.0))
    return np.stack(told, axis=2)


def where_to_sample(proposal: Proposal, *, seed: int | None = None) -> pd.DataFrame:
    """Blocks in the order in which one more sample is worth most to the plan.

    Parameters
    ----------
    proposal : Proposal
    seed : int, optional
        Of the laboratory's errors and of the halves; the proposal's when left out.

    Returns
    -------
    pandas.DataFrame
        block_id, rank (1 first), why, gain (of the plan, through all blocks of the cultivar) and own_gain (through
        the block itself) [currency], fruits_n, result_on. Blocks that are picked or being picked, or cannot be decided
        on, are left out; one that is picked before the result is there gains nothing through itself.

    Notes
    -----
    One block is moved at a time, after the result is known. Slopes of the regression are drawn towards nothing by what
    chance alone would give them, so that draws that happen to agree do not look like knowledge.
    """
    seed = proposal.seed if seed is None else seed
    season, plan = proposal.season, proposal.plan
    fruit, differs = curve_draws(proposal, seed)
    ids, days = list(fruit.block_ids), fruit.days
    blocks_n = len(ids)
    after = min(SAMPLE_IN_D + result_after_days(season.samples), len(days) - 1)
    read = readings(proposal, fruit, seed)
    status = plan.rows.set_index("block_id")["status"].reindex(ids)
    asked = ~status.isin(["picked", "picking", "cannot be decided"]).to_numpy()
    places = _places(proposal, asked, after, differs) if plan.status != "nothing workable" else {}
    cultivar = season.blocks.set_index("block_id")["cultivar"].reindex(ids).to_numpy(object)
    own, others = np.zeros(blocks_n), np.zeros(blocks_n)
    for b in np.flatnonzero(asked):
        design = np.column_stack([np.ones(len(read)), read[:, b], read[:, b, 0] ** 2])
        inverse = np.linalg.pinv(design.T @ design)
        for c in np.flatnonzero(asked & (cultivar == cultivar[b])):
            if c in places:
                gain = _gain(design, inverse, *places[c])
                if c == b:
                    own[b] = gain
                else:
                    others[b] += gain
    table = pd.DataFrame({
        "block_id": ids, "gain": own + others, "own_gain": own, "fruits_n": _fruit_needed(proposal.outcomes),
        "result_on": days[after],
    })  # fmt: skip
    table["why"] = _why(proposal, fruit)
    table = table[asked].sort_values(["gain", "block_id"], ascending=[False, True], kind="stable")
    table["rank"] = np.arange(1, len(table) + 1)
    return table[list(COLUMNS)].reset_index(drop=True)


def _places(
    proposal: Proposal, asked: np.ndarray, after: int, differs: np.ndarray
) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """What each block that is picked after the result would do at other places of the order.

    Returns
    -------
    dict of int to (ndarray (J,), ndarray (K, J))
        By block: worth of the plan with it at J other places less that of the plan as it is, and by how much each draw
        differs from the mean there less here [currency].
    """
    ph = physics(proposal.capacity, proposal.value)
    scenarios_n, _, days_n = ph.value.shape
    tried = np.unique(np.linspace(0, scenarios_n - 1, min(SCENARIOS, scenarios_n)).astype(int))
    lists, rec = proposal.plan.lists, empty_record(ph)
    each = int(np.clip(WALKS / max(asked.sum() * len(tried), 1), *PLACES))
    half = ph.block_h / np.maximum(ph.shift_h.max(axis=1), 1.0)[:, None] / 2.0

    def walked(trial: Lists, h: int, b: int) -> tuple[float, np.ndarray]:
        worth, middle = 0.0, np.full(len(tried), days_n - 1)
        for i, s in enumerate(tried):
            worth += float(walk(ph, int(s), trial.order, trial.length, trial.release, False, rec)) / len(tried)
            if rec.start[b] >= 0:
                middle[i] = min(int(rec.start[b] + half[h, b]), days_n - 1)
            else:
                middle[i] = -1
        return worth, middle

    found: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    for h in range(len(lists.length)):
        n = int(lists.length[h])
        row = lists.order[h, :n]
        for i, b in enumerate(row):
            if not asked[b]:
                continue
            here, at = walked(lists, h, b)
            if (at >= 0).any() and np.median(at) < after:
                continue
            worths, differ = [], []
            other = [p for k in range(1, n) for p in (i - k, i + k) if 0 <= p < n][:each]
            rest = np.delete(row, i)
            for p in other:
                order, release = lists.order.copy(), lists.release.copy()
                order[h, :n] = np.insert(rest, p, b)
                if p < i:
                    release[b] = min(release[b], after)
                worth, middle = walked(Lists(order, lists.length, release), h, b)
                if (middle >= 0).any() and np.median(middle) < after:
                    continue
                worths.append(worth - here)
                differ.append(_at_days(differs[:, b], middle) - _at_days(differs[:, b], at))
            if worths:
                found[int(b)] = np.array(worths), np.column_stack(differ)
    return found


def _at_days(differs: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Mean over scenarios of (K, T) at one day each, (K,); -1 is not picked."""
    return np.where(days >= 0, differs[:, np.maximum(days, 0)], 0.0).mean(axis=1)


def _gain(design: np.ndarray, inverse: np.ndarray, worths: np.ndarray, differ: np.ndarray) -> float:
    """Expected worth of the best place after a reading less that of the best place without it [currency]."""
    slopes = inverse @ (design.T @ differ)  # (R, J)
    left = differ - design @ slopes
    variance = (left**2).sum(axis=0) / max(len(design) - len(inverse), 1)
    chance = np.diag(inverse)[:, None] * variance[None]
    kept = np.clip(1.0 - chance / np.maximum(slopes**2, 1e-12), 0.0, 1.0)
    kept[0] = 0.0
    told = design @ (slopes * kept)
    told -= told.mean(axis=0)
    best = np.maximum((worths[None] + told).max(axis=1), 0.0).mean()
    return max(float(best - max(worths.max(), 0.0)), 0.0)


def _fruit_needed(fruit: Any) -> np.ndarray:
    """Fruit to take from each block: enough for the maturity index, in tens."""
    share = fruit.class_share[:, min(SAMPLE_IN_D, len(fruit.days) - 1)]
    classes = np.arange(share.shape[1])
    spread = np.sqrt(np.maximum((share * classes**2).sum(axis=1) - (share * classes).sum(axis=1) ** 2, 0.0))
    needed = [LEAST_FRUIT if np.isnan(sd) else counts_needed(float(sd), INDEX_HALF_WIDTH) for sd in spread]
    return (np.ceil(np.maximum(needed, LEAST_FRUIT) / 10) * 10).astype(int)


def _why(proposal: Proposal, fruit: Outcomes) -> list[str]:
    """What makes the block worth a sample, in a few words."""
    told = proposal.fit.blocks.set_index("block_id").reindex(list(fruit.block_ids))
    t = min(SAMPLE_IN_D, len(fruit.days) - 1)
    low, high = np.quantile(fruit.oil_dry_pct[:, :, t], [0.1, 0.9], axis=0)
    words = []
    for b, (n, age) in enumerate(zip(told["samples_n"].fillna(0), told["sample_age_d"], strict=True)):
        doubt = f"dry oil known to about ±{(high[b] - low[b]) / 2:.1f} points"
        if not n > 0:
            words.append(f"no sample this season; {doubt}")
        elif n < 3:
            words.append(f"only {count_text(int(n), 'sample')}; {doubt}")
        elif age > OLD_SAMPLE_D:
            words.append(f"newest sample {age:.0f} days old; {doubt}")
        else:
            words.append(doubt)
    return words
