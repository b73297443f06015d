"""Policies compared on simulated seasons: ours, rules of thumb, and perfect foresight.

Every morning a policy sees what a grower would: the samples, the measured weather and the outlook of that day, as
they pass through the same rooms as a real season. It hands over its lists; the referee walks them through the weather
and the fruit that come, for one day or one week, and the next morning begins where that ended. Worth is told as a
share of perfect foresight: a long search that knows all weather and fruit from the first day.

The comparison of perfect, present and climatological information follows that of "Assessing the value of frost
forecasts to orchardists" (J. Appl. Meteor. 21(4):518, 1982; the abstract was read, not the paper).

All policies of a season share the same mornings: blocks keep a few marked trees for samples, so what has been picked
does not change what is known of the rest, and a block's worth, tonnes and hours go with the share left of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from olivetime.harvest.bound import Bound, bound
from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.order import Lists, search
from olivetime.harvest.referee import Physics, Standing, Step, empty_record, first_standing, physics, walk, walk_plain
from olivetime.harvest.simulator import SimulatedSeason
from olivetime.harvest.value import value as make_value
from olivetime.records.columns import RULES
from olivetime.ripening.outcomes import Fruit, RipeningFit, draw_fruit, fit_ripening
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.weather.scenarios import Scenarios
from olivetime.weather.scenarios import scenarios as make_scenarios
from olivetime.weather.stations import station_days

LEFT_SHARE = 0.02  # a block of which more than this hangs on the last day counts as left
FROSTED = 0.01  # fruit that lost more than this share of its value to frost counts as frosted
# what waiting through a workable day must add to a plan's worth, as in a season that does not say
WAIT_GAIN = float(next(rule.default for rule in RULES if rule.name == "wait_gain_fraction"))
NEVER = 10_000  # release day of a block that a rule does not start
KNOWLEDGE = ("outlook", "climate", "true", "true rain", "true cold")  # what a policy may know of the weather
_TRUE_PARTS = {
    "true rain": ("rain_mm", "rain_memory_mm", "workable_fraction", "station_rain_mm", "station_workable_fraction"),
    "true cold": ("temp_min_c", "station_temp_min_c"),
}


# --- what is known on a morning --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Morning:
    """What any policy may use on a morning; blocks are whole here, see `of_what_is_left`.

    Attributes
    ----------
    day : int
        Days since the first of picking.
    until : int
        Day of the next morning, or the end of the plan.
    known : Physics
        Limits and worth in each scenario, from this day on.
    fresh_pct : ndarray (B, T)
        Expected oil of the fresh fruit [%].
    sampled_fresh_pct : ndarray (B,)
        Newest sample of each block [% fresh]; NaN without one.
    cultivar : ndarray (B,) of str
    """

    day: int
    until: int
    known: Physics
    fresh_pct: np.ndarray
    sampled_fresh_pct: np.ndarray
    cultivar: np.ndarray


def mornings(
    simulated: SimulatedSeason, *, every: int = 1, n_draws: int = 32, seed: int = 0, weather: str = "outlook",
    fruit: str = "fitted", fits: dict[int, RipeningFit] | None = None,
) -> Iterator[Morning]:  # fmt: skip
    """Mornings of a season, one after the other; curves are fitted anew only when samples came in.

    Parameters
    ----------
    simulated : SimulatedSeason
    every : int, optional
        Days between mornings.
    n_draws : int, optional
        Draws of the fruit's future.
    seed : int, optional
    weather : str, optional
        "outlook", "climate" (past seasons alone), "true", "true rain" (cold as in the outlook) or "true cold" (rain as
        in the outlook).
    fruit : str, optional
        "fitted" or "true".
    fits : dict, optional
        Saved fits by number of samples, from another round of the same season; filled and used.

    Raises
    ------
    ValueError
        For any other weather or fruit.
    """
    if weather not in KNOWLEDGE or fruit not in ("fitted", "true"):
        raise ValueError(
            f"mornings: weather is {weather!r} and fruit {fruit!r}, expected {', '.join(KNOWLEDGE)}, and fitted or "
            "true. Correct them."
        )
    fits = {} if fits is None else fits
    drawn: dict[int, Fruit] = {}
    n = int(simulated.whole.rules["plan_scenarios"])
    for day in range(0, len(simulated.days), every):
        season = simulated.on(simulated.days[day].date())
        days = station_days(season)
        count = len(season.samples)
        if fruit == "fitted" and count not in fits:
            fits[count] = fit_ripening(season, days, seed=seed)
        if weather == "true":
            ahead: Scenarios = simulated.true_scenarios(season)
        else:
            told = season if weather != "climate" else replace(season, outlook=season.outlook.iloc[:0])
            ahead = make_scenarios(told, days, n=n, seed=seed)
            if weather in _TRUE_PARTS:
                came = simulated.true_scenarios(season)
                known: dict[str, Any] = {
                    name: np.repeat(getattr(came, name), n, axis=0) for name in _TRUE_PARTS[weather]
                }
                ahead = replace(ahead, **known)
        if fruit == "true":
            out = simulated.true_outcomes(season, ahead)
        else:
            fit = replace(fits[count], station_days=days)
            draws = max(n_draws, len(ahead.origin))
            if count not in drawn:
                drawn = {count: draw_fruit(season, fit, n_draws=draws, seed=seed)}
            out = make_outcomes(season, fit, ahead, n_draws=draws, seed=seed, fruit=drawn[count], past=False)
        limits = make_capacity(season, ahead)
        worth = make_value(season, out, ahead, limits)
        newest = season.samples.sort_values("sampled_on", kind="stable").groupby("block_id")["oil_fresh_pct"].last()
        yield Morning(
            day=day,
            until=min(day + every, len(simulated.days)),
            known=physics(limits, worth),
            fresh_pct=worth.oil_fresh_pct,
            sampled_fresh_pct=newest.reindex(season.blocks["block_id"]).to_numpy(float),
            cultivar=season.blocks["cultivar"].to_numpy(object).astype(str),
        )


def of_what_is_left(ph: Physics, left: np.ndarray, at: np.ndarray) -> Physics:
    """The same limits for the shares left of the blocks, with the harvesters where they stand.

    Parameters
    ----------
    ph : Physics
        Of whole blocks.
    left : ndarray (B,)
        Share left of each block.
    at : ndarray (H,) of int
        Block in which each harvester stands, -1 unknown.
    """
    share = np.maximum(left, 1e-6)
    if len(ph.oil_wanted_l):
        ph = ph._replace(oil_l=ph.oil_l * share[:, None])
    return ph._replace(
        value=ph.value * share[:, None],
        crop=ph.crop * share[:, None],
        block_h=ph.block_h * share,
        work=np.where((left > 1e-6)[:, None], ph.work, 0.0),
        start_block=at.astype(np.int64),
    )


# --- policies --------------------------------------------------------------------------------------------------


@dataclass
class Memory:
    """What a policy carries from morning to morning."""

    lists: Lists | None = None
    day: int = 0
    bounds: Bound | None = None
    order: Mapping[str, float] = field(default_factory=dict)


Decide = Callable[[Morning, Physics, np.ndarray, Memory], Lists]


@dataclass(frozen=True)
class Policy:
    """A way of deciding: name, days between its decisions, and what it decides with.

    Attributes
    ----------
    name : str
    decide : callable
        (morning, physics of what is left, shares left, memory) -> Lists; release days count from the morning.
    every : int
        Days between decisions.
    """

    name: str
    decide: Decide
    every: int = 1


def searching(
    name: str, *, caution: float = 0.0, wait_gain: float = WAIT_GAIN, mean_weather: bool = False, first: int = 2000,
    later: int = 300, every: int = 1,
) -> Policy:  # fmt: skip
    """Ours: search for the order of greatest mean worth over the scenarios, begun from the order of the day before.

    Parameters
    ----------
    name : str
    caution : float, optional
        Weight of the worst quarter of the scenarios [fraction].
    wait_gain : float, optional
        What waiting through a workable day must add to the plan's worth [fraction]; 0 where the weather is known.
    mean_weather : bool, optional
        One scenario, the mean of all: the plan of somebody who takes the outlook at its word.
    first, later : int, optional
        Budget of the search on the first morning and on later ones, in walks through all scenarios.
    every : int, optional
        Days between decisions.
    """

    def decide(morning: Morning, ph: Physics, left: np.ndarray, memory: Memory) -> Lists:
        if mean_weather:
            ph = ph._replace(
                value=ph.value.mean(axis=0, keepdims=True), crop=ph.crop.mean(axis=0, keepdims=True),
                work=ph.work.mean(axis=0, keepdims=True),
            )  # fmt: skip
        since = morning.day - memory.day
        known = memory.bounds
        if known is not None:
            known = replace(
                known, price_h=known.price_h[:, :, since:], price_mill_t=known.price_mill_t[:, since:],
                price_truck_h=known.price_truck_h[:, since:],
            )  # fmt: skip
        memory.bounds = bound(ph, known)
        found = search(
            ph, memory.bounds, fresh_pct=morning.fresh_pct, cultivar=morning.cultivar, seed=morning.day,
            evaluations=(first if memory.lists is None else later) * (16 if mean_weather else 1), caution=caution,
            wait_gain=wait_gain, also=None if memory.lists is None else _later(memory.lists, since, left),
        )  # fmt: skip
        return found.lists

    return Policy(name, decide, every)


def _later(lists: Lists, days: int, left: np.ndarray) -> Lists:
    """Lists of some days ago as they stand now: without what is done, release days moved."""
    order, length = np.full_like(lists.order, -1), np.zeros_like(lists.length)
    for h in range(len(length)):
        row = lists.order[h, : lists.length[h]]
        row = row[left[row] > 1e-6]
        order[h, : len(row)], length[h] = row, len(row)
    return Lists(order, length, np.maximum(lists.release - days, 0))


def _hours_needed(ph: Physics) -> float:
    """Hours that the blocks left take, moves included, for each harvester."""
    hours = np.where(np.isfinite(ph.block_h), ph.block_h, np.nan)
    open_blocks = (ph.work > 0).any(axis=(0, 2))
    need = np.nansum(np.nanmean(hours, axis=0)[open_blocks] + ph.move_fixed_h.mean())
    return float(need) / max(len(ph.shift_h), 1)


def _hours_ahead(ph: Physics) -> float:
    """Hours that a harvester can work to the end of the plan, mean of scenarios and blocks."""
    open_blocks = (ph.work > 0).any(axis=(0, 2))
    if not open_blocks.any():
        return 0.0
    return float((ph.work.mean(axis=0)[open_blocks].mean(axis=0) * ph.shift_h.mean(axis=0)).sum())


def just_enough(ph: Physics, share: float) -> bool:
    """The hours left are just enough: what is needed is `share` or more of what is ahead."""
    return _hours_needed(ph) >= share * _hours_ahead(ph)


def dealt(ph: Physics, index: np.ndarray, started: np.ndarray, *, per_hour: bool) -> Lists:
    """Lists by urgency: the harvester with the fewest hours so far takes the most urgent block.

    Parameters
    ----------
    ph : Physics
    index : ndarray (B,)
        Urgency of each block.
    started : ndarray (B,) of bool
        Blocks that may be started now; the others come after, and are not released.
    per_hour : bool
        Divide the urgency by the hours of the block and of the move to it.
    """
    machines_n, blocks_n = ph.block_h.shape
    lists = Lists(
        np.full((machines_n, blocks_n), -1, np.int64), np.zeros(machines_n, np.int64),
        np.where(started, 0, NEVER).astype(np.int64),
    )  # fmt: skip
    todo = np.any(ph.work > 0, axis=(0, 2))
    hours, at = np.zeros(machines_n), ph.start_block.copy()
    while todo.any():
        h = int(hours.argmin())
        road = np.where(
            at[h] == np.arange(blocks_n), 0.0,
            ph.move_fixed_h[h] + (ph.distance_km[at[h]] * ph.move_h_km[h] if at[h] >= 0 else 0.0),
        )  # fmt: skip
        spent = ph.block_h[h] + road
        may = todo & np.isfinite(ph.block_h[h]) & (ph.block_h[h] > 0)
        spent = np.where(may, spent, 1.0)
        key = np.where(index > 0, index / spent, index * spent) if per_hour else index - 1e-6 * road
        key = np.where(may, key + np.where(started, 1e12, 0.0), -np.inf)
        b = int(key.argmax())
        if key[b] == -np.inf:
            break
        lists.order[h, lists.length[h]] = b
        lists.length[h] += 1
        hours[h] += spent[b] + (0.0 if started[b] else 1e6)
        at[h] = b
        todo[b] = False
    return lists


def _worth(ph: Physics) -> np.ndarray:
    """Mean worth of each block by day, 0 where it may not be picked, (B, T)."""
    return np.where(ph.work.mean(axis=0) > 0, ph.value.mean(axis=0), 0.0)


def cost_of_delay(*, first_day: int = 0, days: int = 14, guard: float = 0.95, every: int = 1) -> Policy:
    """What waiting two weeks loses, per machine hour: the most urgent block next, from a first day on.

    Parameters
    ----------
    first_day : int
        No block is started before this day, unless the hours left are just enough.
    days : int
        Days of waiting that are compared.
    guard : float
        Share of the hours ahead at which they count as just enough.
    """

    def decide(morning: Morning, ph: Physics, _left: np.ndarray, _memory: Memory) -> Lists:
        now = ph.value.mean(axis=0)
        loss = now[:, 0] - now[:, min(days, now.shape[1] - 1)]
        start = morning.day >= first_day or just_enough(ph, guard)
        return dealt(ph, loss, np.full(len(loss), start), per_hour=True)

    return Policy("cost of delay", decide, every)


def cultivar_calendar(*, first_day: int = 0, guard: float = 0.95, every: int = 1) -> Policy:
    """Early cultivars first, as fixed on the first morning, from a first day on; within one the ripest block."""

    def decide(morning: Morning, ph: Physics, _left: np.ndarray, memory: Memory) -> Lists:
        if not memory.order:
            best = _worth(ph).argmax(axis=1).astype(float)
            names = np.unique(morning.cultivar)
            memory.order = {name: float(best[morning.cultivar == name].mean()) for name in names}
        place = np.array([memory.order[name] for name in morning.cultivar])
        fresh = np.nan_to_num(morning.sampled_fresh_pct)
        start = morning.day >= first_day or just_enough(ph, guard)
        return dealt(ph, -1000.0 * place + fresh, np.full(len(place), start), per_hour=False)

    return Policy("cultivar calendar", decide, every)


def guarded_threshold(*, threshold_pct: float = 19.0, guard: float = 0.95, every: int = 1) -> Policy:
    """Highest fresh oil first once a sample reached the threshold; any block when the hours are just enough."""

    def decide(morning: Morning, ph: Physics, left: np.ndarray, _memory: Memory) -> Lists:
        fresh = np.nan_to_num(morning.sampled_fresh_pct)
        begun = (left > 0) & (left < 1)
        start = (fresh >= threshold_pct) | begun | just_enough(ph, guard)
        return dealt(ph, fresh, start, per_hour=False)

    return Policy("guarded threshold", decide, every)


# --- the season goes by ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Played:
    """How a policy did in one season.

    Attributes
    ----------
    name : str
    value : float
        Worth of the fruit picked less moves and aged fruit [currency].
    blocks_left : int
        Blocks of which more than 2 % still hang.
    frosted_t : float
        Fruit picked that lost more than 1 % of its value to frost [t].
    overtime_h : float
        Harvester hours beyond the normal shift [h].
    picked : ndarray (B, T)
        Share of each block picked on each day.
    machine : ndarray (B,) of int
        Harvester that came to the block last, 0 for one that none came to.
    """

    name: str
    value: float
    blocks_left: int
    frosted_t: float
    overtime_h: float
    picked: np.ndarray
    machine: np.ndarray


@dataclass
class _Course:
    """A policy on its way through a season."""

    policy: Policy
    standing: Standing
    memory: Memory
    worth: float = 0.0
    picked: dict[tuple[int, int], float] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)


def play(
    simulated: SimulatedSeason, policies: Sequence[Policy], told: Iterable[Morning], *, truth: Physics | None = None
) -> list[Played]:
    """Walk policies through one season, each deciding from the same mornings.

    Parameters
    ----------
    simulated : SimulatedSeason
    policies : sequence of Policy
    told : iterable of Morning
        From `mornings`; no more are asked for when every policy is done.
    truth : Physics, optional
        Of the weather and the fruit that come; made when left out.
    """
    limits, worth = simulated.truth()
    truth = physics(limits, worth) if truth is None else truth
    blocks_n = truth.value.shape[1]
    courses = [_Course(policy, first_standing(truth), Memory()) for policy in policies]
    for morning in told:
        busy = False
        for course in courses:
            left = np.array([course.standing.remaining[b] for b in range(blocks_n)])
            if left.max() <= 1e-6:
                continue
            busy = True
            if course.memory.lists is None or morning.day - course.memory.day >= course.policy.every:
                at = np.array([machine["at"] for machine in course.standing.machines])
                lists = course.policy.decide(morning, of_what_is_left(morning.known, left, at), left, course.memory)
                course.memory.lists, course.memory.day = lists, morning.day
            _walk_on(truth, course, morning.until - morning.day)
        if not busy:
            break
    normal_h = simulated.farm.assumed["normal_shift_h"]
    return [_played(course, truth, worth.frost_damage_fraction[0], normal_h) for course in courses]


def _walk_on(truth: Physics, course: _Course, days: int) -> None:
    lists, standing = course.memory.lists, course.standing
    assert lists is not None
    order = [lists.order[h, : lists.length[h]].tolist() for h in range(len(lists.length))]
    release = (lists.release + course.memory.day).tolist()
    for h, machine in enumerate(standing.machines):
        # a harvester leaves its block only when its new list begins with another
        first = next((b for b in order[h] if standing.remaining[b] > 1e-6 and release[b] <= standing.day), None)
        if machine["goal"] is not None and machine["goal"] != first:
            machine["goal"] = None
    worth, picked = walk_plain(truth, 0, order, release, days=days, steps=course.steps, standing=standing)
    course.worth += worth
    for key, share in picked.items():
        course.picked[key] = course.picked.get(key, 0.0) + share


def _played(course: _Course, truth: Physics, frost: np.ndarray, normal_h: float) -> Played:
    picked = np.zeros(truth.value.shape[1:])
    for (b, t), share in course.picked.items():
        picked[b, t] = share
    hours, machine = np.zeros(truth.shift_h.shape), np.zeros(len(picked), np.int64)
    for step in course.steps:
        hours[step.harvester, step.day] += step.to_h - step.from_h
        machine[step.block] = step.harvester
    return Played(
        name=course.policy.name,
        value=course.worth,
        blocks_left=int((picked.sum(axis=1) < 1 - LEFT_SHARE).sum()),
        frosted_t=float((picked * truth.crop[0] * (frost > FROSTED)).sum()),
        overtime_h=float(np.maximum(hours - normal_h, 0.0).sum()),
        picked=picked,
        machine=machine,
    )


def perfect_foresight(
    simulated: SimulatedSeason, *, evaluations: int = 40_000, seeds: int = 2, truth: Physics | None = None
) -> tuple[float, Lists]:
    """Worth of the best order that a long search finds when all weather and fruit are known; a search, not a proof.

    Parameters
    ----------
    simulated : SimulatedSeason
    evaluations : int, optional
        Walks of each search.
    seeds : int, optional
        Searches; the best counts.
    truth : Physics, optional

    Returns
    -------
    value : float
        [currency]
    lists : Lists
    """
    limits, worth = simulated.truth()
    ph = physics(limits, worth) if truth is None else truth
    bounds = bound(ph)
    cultivar = simulated.whole.blocks["cultivar"].to_numpy(object).astype(str)
    best, lists = -np.inf, None
    for seed in range(seeds):
        found = search(
            ph, bounds, fresh_pct=worth.oil_fresh_pct, cultivar=cultivar, seed=seed, evaluations=evaluations, also=lists
        ).lists
        total = float(walk(ph, 0, found.order, found.length, found.release, False, empty_record(ph)))
        if total > best:
            best, lists = total, found
    assert lists is not None
    return best, lists


# Tuned on seasons 1 to 6 of farm 90 of each half of the world, fruit 12 thermal days riper than the simulator's so that
# best days lie in the middle of the plan; never on seasons that are scored.
TRAINED: Mapping[str, float] = MappingProxyType({"delay_first_day": 0, "calendar_first_day": 0, "threshold_pct": 17.0})


def standard_policies(trained: Mapping[str, float] = TRAINED) -> tuple[Policy, ...]:
    """Ours, ours with caution, the outlook's mean, and the rules of thumb."""
    return (
        searching("ours"),
        searching("ours with caution", caution=0.5),
        searching("mean outlook", mean_weather=True),
        cost_of_delay(first_day=int(trained["delay_first_day"])),
        cultivar_calendar(first_day=int(trained["calendar_first_day"])),
        guarded_threshold(threshold_pct=float(trained["threshold_pct"])),
    )


def compare(
    simulated: SimulatedSeason, policies: Sequence[Policy], *, seed: int = 0, foresight: float | None = None
) -> pd.DataFrame:
    """Every policy through one season, beside perfect foresight.

    Returns
    -------
    pandas.DataFrame
        season, policy, value, share (of perfect foresight), blocks_left, frosted_t, overtime_h.
    """
    limits, worth = simulated.truth()
    truth = physics(limits, worth)
    best = perfect_foresight(simulated, truth=truth)[0] if foresight is None else foresight
    rows = play(simulated, policies, mornings(simulated, seed=seed), truth=truth)
    return pd.DataFrame(
        [
            (simulated.seed, row.name, row.value, row.value / best, row.blocks_left, row.frosted_t, row.overtime_h)
            for row in rows
        ],
        columns=["season", "policy", "value", "share", "blocks_left", "frosted_t", "overtime_h"],
    )
