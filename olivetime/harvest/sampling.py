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

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from olivetime.harvest.order import Lists, Proposal
from olivetime.harvest.referee import Physics, empty_record, physics, walk
from olivetime.harvest.value import value as make_value
from olivetime.records.samples import counts_needed
from olivetime.ripening.outcomes import Outcomes
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.words import count_text

SAMPLE_IN_D = 1  # days until the sample is taken; our choice
RESULT_AFTER_D = 2  # days from sample to result where the records do not tell; from memory
DRAWS = (256, 1024)  # fewest and most draws of the curves that are compared; our choice
DRAWN = 40_000  # draws times blocks, between those; our choice
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
    draws_n = int(np.clip(DRAWN / max(len(ahead.block_ids), 1), *DRAWS))
    fruit = make_outcomes(season, proposal.fit, calm, n_draws=draws_n, seed=seed)
    worth = make_value(season, fruit, calm, proposal.capacity).value_draws
    kept = 1.0 - value.frost_damage_fraction.mean(axis=0)
    return fruit, (worth - worth.mean(axis=0)) * kept


class Readings(NamedTuple):
    """What the laboratory would read of each draw: log of dry oil, moisture [%], maturity.

    Attributes
    ----------
    told : ndarray (K, B, R)
        Less its mean, over its spread.
    mean, spread : ndarray (B, R)
    """

    told: np.ndarray
    mean: np.ndarray
    spread: np.ndarray


def readings(proposal: Proposal, fruit: Outcomes, seed: int) -> Readings:
    """What the laboratory would read of each draw of each block if sampled now; errors of sample and week as fitted."""
    table = proposal.fit.parameters
    t = min(SAMPLE_IN_D, len(fruit.days) - 1)
    known = table.groupby(["kind", "name"])["value"].mean()
    rng = np.random.default_rng([seed, 11])

    def error(kind: str, names: tuple[str, str], default: float) -> float:
        parts = [float(known.get((kind, name), np.nan)) for name in names]
        parts = [np.exp(v) if name.startswith("log_") else v for v, name in zip(parts, names, strict=True)]
        return default if np.isnan(parts).any() else float(np.hypot(parts[0], parts[1]))

    seen = [
        (np.log(np.maximum(fruit.oil_dry_pct[:, :, t], 0.1)), error("oil", ("sd of sample", "sd of week"), 0.06)),
        (fruit.moisture_pct[:, :, t], error("moisture", ("log_sd error", "log_sd week"), 1.5)),
        (np.nan_to_num(fruit.maturity_index[:, :, t]), 0.2),
    ]
    read = np.stack([truth + sd * rng.standard_normal(truth.shape) for truth, sd in seen], axis=2)
    mean, spread = read.mean(axis=0), read.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    return Readings((read - mean) / spread, mean, spread)


class Places(NamedTuple):
    """What a block would do at other places of the order.

    Attributes
    ----------
    lists : list of Lists
        The plan as it is, then with the block at J other places.
    worths : ndarray (J,)
        Worth of the plan with the block there less that of the plan as it is [currency].
    differ : ndarray (K, J)
        By how much each draw differs from the mean there less here [currency].
    """

    lists: list[Lists]
    worths: np.ndarray
    differ: np.ndarray


class Look(NamedTuple):
    """Blocks asked for (bool), readings of the draws, places by block, day of the result, cultivars, draws."""

    asked: np.ndarray
    read: Readings
    places: dict[int, Places]
    after: int
    cultivar: np.ndarray
    fruit: Outcomes


def _look(proposal: Proposal, seed: int) -> Look:
    season, plan = proposal.season, proposal.plan
    fruit, differs = curve_draws(proposal, seed)
    ids = list(fruit.block_ids)
    after = min(SAMPLE_IN_D + result_after_days(season.samples), len(fruit.days) - 1)
    status = plan.rows.set_index("block_id")["status"].reindex(ids)
    asked = ~status.isin(["picked", "picking", "cannot be decided"]).to_numpy()
    places = _places(proposal, asked, after, differs) if plan.status != "nothing workable" else {}
    cultivar = season.blocks.set_index("block_id")["cultivar"].reindex(ids).to_numpy(object)
    return Look(asked, readings(proposal, fruit, seed), places, after, cultivar, fruit)


def _design(told: np.ndarray) -> np.ndarray:
    """What a reading enters the regression with, (..., 1 + R + 1): its parts, and the square of the oil's."""
    return np.concatenate([np.ones((*told.shape[:-1], 1)), told, told[..., :1] ** 2], axis=-1)


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
    look = _look(proposal, seed)
    ids = list(look.fruit.block_ids)
    own, others = np.zeros(len(ids)), np.zeros(len(ids))
    for b, c, design in _pairs(look):
        gain = _gain(design, look.places[c].worths, look.places[c].differ)
        if c == b:
            own[b] = gain
        else:
            others[b] += gain
    table = pd.DataFrame({
        "block_id": ids, "gain": own + others, "own_gain": own, "fruits_n": _fruit_needed(proposal.outcomes),
        "result_on": look.fruit.days[look.after],
    })  # fmt: skip
    table["why"] = _why(proposal, look.fruit)
    table = table[look.asked].sort_values(["gain", "block_id"], ascending=[False, True], kind="stable")
    table["rank"] = np.arange(1, len(table) + 1)
    return table[list(COLUMNS)].reset_index(drop=True)


def with_doubtful(wanted: pd.DataFrame | None, doubts: pd.DataFrame | None) -> pd.DataFrame | None:
    """Weigh a new sample by what a doubtful one of the same block can cost, for only a new one settles the doubt.

    A block's gain is then what the present order gives up if the sample is wrong, where that is more than what one
    more sample gains on the mean.

    Parameters
    ----------
    wanted : pandas.DataFrame, optional
        As `where_to_sample` gives it.
    doubts : pandas.DataFrame, optional
        As `olivetime.harvest.doubts.doubts` gives it.

    Returns
    -------
    pandas.DataFrame, optional
        `wanted` ranked again, the doubtful sample named in `why`; `wanted` itself where nothing is in doubt.
    """
    if wanted is None or doubts is None or doubts.empty:
        return wanted
    moving = doubts[(doubts["moved_n"].astype(int) > 0) & (doubts["gain"].astype(float) > 0)]
    moving = moving.sort_values("gain", ascending=False, kind="stable").drop_duplicates("block_id")
    table = wanted.merge(moving[["block_id", "sample_id", "gain"]], on="block_id", how="left", suffixes=("", "_wrong"))
    why = "its sample " + table["sample_id"].astype("str") + " is doubtful"
    both = [f"{one}; {two}" if two else one for one, two in zip(why, table["why"], strict=True)]
    table["why"] = table["why"].where(table["sample_id"].isna(), both)
    table["gain"] = table[["gain", "gain_wrong"]].astype(float).max(axis=1)
    table = table.sort_values(["gain", "rank", "block_id"], ascending=[False, True, True], ignore_index=True)
    return table.assign(rank=np.arange(1, len(table) + 1)).drop(columns=["sample_id", "gain_wrong"])


def gains_that_came(
    proposal: Proposal, truth: Physics, seen: np.ndarray, *, seed: int | None = None
) -> pd.DataFrame:
    """What samples would have gained on fruit that the proposal does not know, beside what was expected of them.

    The plan is not searched again, whose noise would hide the gain: after each reading the block takes the place that
    the regression calls best, and plan and place are both walked with the true fruit, in the same weather. What the
    places turn out to be worth whatever is read is luck and no news: it is taken off as the draws' readings, which know
    nothing of the true fruit, would meet it (a control variate, of mean nothing when the draws are right).

    Parameters
    ----------
    proposal : Proposal
    truth : Physics
        Of the proposal's limits and scenarios, with the true fruit.
    seen : ndarray (L, B, R)
        Readings of the true fruit: log of dry oil, moisture [%], maturity.
    seed : int, optional

    Returns
    -------
    pandas.DataFrame
        block_id, gain (expected, as in `where_to_sample`), drawn (when other draws of the curves are the fruit), came
        (when the true fruit is, mean over readings) [currency], moved_fraction (readings that move any block).
    """
    seed = proposal.seed if seed is None else seed
    look, other = _look(proposal, seed), _look(proposal, seed + 1)
    drawn_told = _design((other.read.told * other.read.spread + other.read.mean - look.read.mean) / look.read.spread)
    told = _design((seen - look.read.mean) / look.read.spread)
    tried, rec = _tried(len(truth.value)), empty_record(truth)
    came_at = {}
    for c, places in look.places.items():
        walked = np.array(
            [np.mean([walk(truth, int(s), *lists, False, rec) for s in tried]) for lists in places.lists]
        )  # fmt: skip
        came_at[c] = walked - walked[0]
    gain, drawn, came = (np.zeros(seen.shape[1]) for _ in range(3))
    still = np.ones(seen.shape[:2], dtype=bool)
    for b, c, design in _pairs(look):
        _, worths, differ = look.places[c]
        gain[b] += _gain(design, worths, differ)
        slopes, before = _slopes(design, differ), np.append(0.0, worths)
        chosen, by_others = _chosen(told[:, b], worths, slopes), _chosen(design, worths, slopes)
        came[b] += came_at[c][chosen].mean() - (came_at[c] - before)[by_others].mean() - before.max()
        still[:, b] &= chosen == before.argmax()
        at = np.column_stack([np.zeros(len(drawn_told)), worths[None] + other.places[c].differ])
        after = at[np.arange(len(at)), _chosen(drawn_told[:, b], worths, slopes)]
        drawn[b] += (after - at[:, before.argmax()]).mean()
    moved = 1.0 - still.mean(axis=0)
    table = pd.DataFrame({
        "block_id": list(look.fruit.block_ids), "gain": gain, "drawn": drawn, "came": came, "moved_fraction": moved,
    })  # fmt: skip
    return table[look.asked].reset_index(drop=True)


def _pairs(look: Look) -> Iterator[tuple[int, int, np.ndarray]]:
    """Each block sampled, each block of its cultivar with places, and what its readings enter the regression with."""
    for b in np.flatnonzero(look.asked):
        design = _design(look.read.told[:, b])
        for c in np.flatnonzero(look.asked & (look.cultivar == look.cultivar[b])):
            if c in look.places:
                yield int(b), int(c), design


def _tried(scenarios_n: int) -> np.ndarray:
    return np.unique(np.linspace(0, scenarios_n - 1, min(SCENARIOS, scenarios_n)).astype(int))


def _places(
    proposal: Proposal, asked: np.ndarray, after: int, differs: np.ndarray
) -> dict[int, Places]:
    """What each block that is picked after the result would do at other places of the order."""
    ph = physics(proposal.capacity, proposal.value)
    scenarios_n, _, days_n = ph.value.shape
    tried = _tried(scenarios_n)
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

    found: dict[int, Places] = {}
    for h in range(len(lists.length)):
        n = int(lists.length[h])
        row = lists.order[h, :n]
        for i, b in enumerate(row):
            if not asked[b]:
                continue
            here, at = walked(lists, h, b)
            if (at >= 0).any() and np.median(at) < after:
                continue
            tried_lists, worths, differ = [lists], [], []
            other = [p for k in range(1, n) for p in (i - k, i + k) if 0 <= p < n][:each]
            rest = np.delete(row, i)
            for p in other:
                order, release = lists.order.copy(), lists.release.copy()
                order[h, :n] = np.insert(rest, p, b)
                if p < i:
                    release[b] = min(release[b], after)
                trial = Lists(order, lists.length, release)
                worth, middle = walked(trial, h, b)
                if (middle >= 0).any() and np.median(middle) < after:
                    continue
                tried_lists.append(trial)
                worths.append(worth - here)
                differ.append(_at_days(differs[:, b], middle) - _at_days(differs[:, b], at))
            if worths:
                found[int(b)] = Places(tried_lists, np.array(worths), np.column_stack(differ))
    return found


def _at_days(differs: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Mean over scenarios of (K, T) at one day each, (K,); -1 is not picked."""
    return np.where(days >= 0, differs[:, np.maximum(days, 0)], 0.0).mean(axis=1)


def _slopes(design: np.ndarray, differ: np.ndarray, *, drawn: bool = True) -> np.ndarray:
    """What a reading tells of each place, nothing on the mean of the draws, (R, J); the first of `design` is 1.

    Each slope is drawn towards nothing by what chance alone would give it, unless told not to.
    """
    inverse = np.linalg.pinv(design.T @ design)
    slopes = inverse @ (design.T @ differ)  # (R, J)
    if drawn:
        left = differ - design @ slopes
        variance = (left**2).sum(axis=0) / max(len(design) - len(inverse), 1)
        chance = np.diag(inverse)[:, None] * variance[None]
        slopes *= np.clip(1.0 - chance / np.maximum(slopes**2, 1e-12), 0.0, 1.0)
    slopes[0] = 0.0
    slopes[0] = -design.mean(axis=0) @ slopes
    return slopes


def _gain(design: np.ndarray, worths: np.ndarray, differ: np.ndarray) -> float:
    """Expected worth of the best place after a reading less that of the best place without it [currency].

    Half of the draws says which place is best after a reading, the other half what it is worth there: the best of many
    places by the same draws would look good by chance.
    """
    total = 0.0
    for half in (0, 1):
        chosen = _chosen(design[1 - half :: 2], worths, _slopes(design[half::2], differ[half::2]))
        judge = design[1 - half :: 2]
        told = worths[None] + judge @ _slopes(judge, differ[1 - half :: 2], drawn=False)
        total += np.column_stack([np.zeros(len(told)), told])[np.arange(len(told)), chosen].mean() / 2.0
    return max(float(total - max(worths.max(), 0.0)), 0.0)


def _chosen(design: np.ndarray, worths: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """Best place after each reading: 0 where the block is, 1 to J the others."""
    return np.column_stack([np.zeros(len(design)), worths[None] + design @ slopes]).argmax(axis=1)


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
