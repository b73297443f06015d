"""What was picked in a past week against what was proposed, and against rules of thumb.

Every order is walked by the referee through the week's weather as it was measured, with the machine hours that the
tickets of that week show, day by day: orders are compared, not speeds. The fruit is that of all samples known now. What
is left after the week is picked, for each of them, by the best order found with what is known now. So the difference
says what the choice of blocks in that one week was worth, in each draw of what is not known of the fruit and of the
weather still to come; where its range spans nothing, no claim is made. Orders for oil count as in the plan: a litre
short at the season's end costs what the order says, by the mean oil of each scenario.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from olivetime.harvest.bound import Bound, bound
from olivetime.harvest.came import weather_that_came
from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.order import Lists, Proposal, search
from olivetime.harvest.policies import (
    Memory,
    Morning,
    cost_of_delay,
    cultivar_calendar,
    guarded_threshold,
    of_what_is_left,
)
from olivetime.harvest.referee import (
    Physics,
    empty_record,
    first_standing,
    physics,
    walk,
    walk_plain,
    with_oil_orders,
)
from olivetime.harvest.value import value as make_value
from olivetime.records.season import Season
from olivetime.ripening.outcomes import RipeningFit
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.weather.scenarios import Scenarios

WEEK_D = 7
DRAWS = 96  # draws of the fruit behind the range of a difference; our choice
EVALUATIONS = 400  # of the search for what is left; our choice
PICKED, PROPOSED = "picked", "proposed"
COLUMNS = (
    "as_of", "order", "value", "difference", "difference_p10", "difference_p90", "better_chance", "first_block", "says",
)  # fmt: skip


def decisions(then: Proposal, now: Season, fit: RipeningFit, later: Scenarios, *, seed: int = 0) -> pd.DataFrame:
    """Orders for the week after a past proposal, compared in what came.

    Parameters
    ----------
    then : Proposal
        Of the past week.
    now : Season
        Holds the tickets and the weather that came.
    fit : RipeningFit
        Of all samples known now.
    later : Scenarios
        Weather after today's as-of day.
    seed : int, optional

    Returns
    -------
    pandas.DataFrame
        as_of, order ("picked", "proposed" and rules of thumb), value (mean worth of the whole season's rest) and its
        difference to the picked order with range and chance to be above nothing [currency], first_block, says. No rows
        when no ticket of the week is on record.
    """
    season = then.season
    begin = pd.Timestamp(season.as_of)
    days_n = min(WEEK_D, (later.days[0] - begin).days)
    end = begin + pd.Timedelta(days=days_n)
    tickets = now.picks[(now.picks["picked_on"] >= begin) & (now.picks["picked_on"] < end)]
    tickets = tickets[tickets["block_id"].isin(season.blocks["block_id"])]
    if tickets.empty or days_n < 1 or not len(season.harvesters):
        return pd.DataFrame(columns=list(COLUMNS))
    came = weather_that_came(season, fit.station_days, later)
    fruit = make_outcomes(season, fit, came, n_draws=max(DRAWS, len(came.origin)), seed=seed)
    # what came is walked with all of its hours, whatever the plan counted on
    whole_hours = MappingProxyType({**season.rules, "hours_held_back_fraction": 0.0})
    limits = make_capacity(replace(season, rules=whole_hours), came)
    worth = make_value(season, fruit, came, limits)
    ph = with_oil_orders(physics(limits, worth), worth.oil_orders)
    picked_order, hours, open_days = _as_picked(tickets, then, begin, days_n)
    week = ph._replace(
        value=ph.value.mean(axis=0, keepdims=True), crop=ph.crop.mean(axis=0, keepdims=True),
        work=np.maximum(ph.work[:1], open_days * (ph.value[:1] > 0)),
        shift_h=np.concatenate([hours, ph.shift_h[:, days_n:]], axis=1),
        oil_l=ph.oil_l.mean(axis=0, keepdims=True) if ph.oil_l.size else ph.oil_l,
    )  # fmt: skip
    orders = {PICKED: picked_order, PROPOSED: then.plan.lists} | _rules(then)
    rest = _from_day(ph, days_n)
    prices = bound(rest) if (rest.work > 0).any() else None  # of all blocks: near those of what each order leaves
    draws = {
        name: _worth_of(week, rest, lists, days_n, worth.value_draws, then, prices, seed)
        for name, lists in orders.items()
    }
    names = season.blocks.set_index("block_id")["block_name"]
    rows = []
    for name, lists in orders.items():
        apart = draws[name] - draws[PICKED]
        low, high = np.quantile(apart, [0.1, 0.9])
        first = next((int(lists.order[h, 0]) for h in range(len(lists.length)) if lists.length[h]), -1)
        rows.append((
            begin, name, draws[name].mean(), apart.mean(), low, high, np.nan if name == PICKED else (apart > 0).mean(),
            str(names.get(season.blocks["block_id"].iloc[first], "")) if first >= 0 else "",
            _says(name, float(apart.mean()), float(low), float(high)),
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _as_picked(
    tickets: pd.DataFrame, then: Proposal, begin: pd.Timestamp, days_n: int
) -> tuple[Lists, np.ndarray, np.ndarray]:
    """The order of the tickets, the hours that each harvester worked, (H, days), and days shown to be dry, (B, T)."""
    limits, season = then.capacity, then.season
    block_at = {name: i for i, name in enumerate(limits.block_ids)}
    machine_at = {name: i for i, name in enumerate(limits.harvester_ids)}
    machines_n, blocks_n = limits.block_h.shape
    hours = np.zeros((machines_n, days_n))
    lists = Lists(
        np.full((machines_n, blocks_n), -1, np.int64), np.zeros(machines_n, np.int64), np.zeros(blocks_n, np.int64)
    )
    soil = season.blocks["soil"].to_numpy(object)
    dry = np.zeros((blocks_n, len(limits.days)))
    at = limits.start_block.copy()
    seen: set[int] = set()
    for row in tickets.sort_values(["picked_on", "ticket_id"], kind="stable").itertuples(index=False):
        b, h, t = block_at[row.block_id], machine_at.get(row.harvester_id, 0), (row.picked_on - begin).days
        rate = limits.rate_ha_h[h, b]
        hours[h, t] += row.area_ha / rate if rate > 0 else 0.0
        dry[soil == soil[b], t] = 1.0
        if at[h] != b:
            km = limits.distance_km[at[h], b] if at[h] >= 0 else 0.0
            hours[h, t] += limits.move_fixed_h[h] + km / limits.move_km_h[h]
            at[h] = b
        if b not in seen:
            seen.add(b)
            lists.order[h, lists.length[h]] = b
            lists.length[h] += 1
            lists.release[b] = t
    return lists, np.minimum(hours, 24.0), dry


def _rules(then: Proposal) -> dict[str, Lists]:
    """Rules of thumb as they would have decided on the morning of the proposal."""
    samples = then.season.samples.sort_values("sampled_on", kind="stable")
    newest = samples.groupby("block_id")["oil_fresh_pct"].last()
    known = physics(then.capacity, then.value)
    blocks = then.season.blocks
    morning = Morning(
        day=0, until=WEEK_D, known=known, fresh_pct=then.value.oil_fresh_pct,
        sampled_fresh_pct=newest.reindex(blocks["block_id"]).to_numpy(float),
        cultivar=blocks["cultivar"].to_numpy(object).astype(str),
    )  # fmt: skip
    left = np.ones(len(blocks))
    policies = (cost_of_delay(), cultivar_calendar(), guarded_threshold())
    return {policy.name: policy.decide(morning, known, left, Memory()) for policy in policies}


def _worth_of(
    week: Physics, rest: Physics, lists: Lists, days_n: int, value_draws: np.ndarray, then: Proposal,
    prices: Bound | None, seed: int,
) -> np.ndarray:  # fmt: skip
    """Worth in each draw of an order followed for the week, and of the best order found for what is left, (K,)."""
    scenarios_n, blocks_n, _ = rest.value.shape
    draws_n = len(value_draws)
    standing = first_standing(week)
    order = [lists.order[h, : lists.length[h]].tolist() for h in range(len(lists.length))]
    paid, picked = walk_plain(week, 0, order, lists.release.tolist(), days=days_n, standing=standing)
    total = np.zeros(draws_n)
    for (b, t), share in picked.items():
        paid -= share * float(week.value[0, b, t])
        total += share * value_draws[:, b, t]
    total += paid  # moves and aged fruit
    left = np.array([standing.remaining[b] for b in range(blocks_n)])
    at = np.array([machine["at"] for machine in standing.machines])
    got = np.array([standing.oil_l.get(o, 0.0) for o in range(len(rest.oil_wanted_l))])
    rest = of_what_is_left(rest._replace(oil_wanted_l=np.maximum(rest.oil_wanted_l - got, 0.0)), left, at)
    if not (rest.work > 0).any():
        return total - float((rest.oil_cost_l * rest.oil_wanted_l).sum()) * (rest.value.shape[2] > 0)
    fresh = then.value.oil_fresh_pct[:, days_n:]
    cultivar = then.season.blocks["cultivar"].astype(str).to_numpy()
    bounds = bound(rest, prices)
    best = search(rest, bounds, fresh_pct=fresh, cultivar=cultivar, seed=seed, evaluations=EVALUATIONS).lists
    of_draw = np.arange(draws_n) % scenarios_n
    after = np.zeros((scenarios_n, *rest.value.shape[1:]))
    other = np.zeros(scenarios_n)
    rec = empty_record(rest)
    for s in range(scenarios_n):
        other[s] = walk(rest, s, best.order, best.length, best.release, True, rec)
        after[s] = rec.picked * left[:, None]
        other[s] -= float((rec.picked * rest.value[s]).sum())
    return total + other[of_draw] + np.einsum("kbt,kbt->k", after[of_draw], value_draws[:, :, days_n:])


def _from_day(ph: Physics, day: int) -> Physics:
    """The same from a day on; copies, so that compiled code meets arrays of the form it knows."""
    last: dict[str, Any] = {
        name: np.ascontiguousarray(getattr(ph, name)[..., day:])
        for name in ("value", "crop", "work", "shift_h", "mill_t", "truck_h", "oil_l", "oil_fits")
        if getattr(ph, name).size
    }
    return ph._replace(**last)


def _says(name: str, mean: float, low: float, high: float) -> str:
    if name == PICKED:
        return "as the tickets show"
    if low > 0:
        return "worth more than what was picked"
    if high < 0:
        return "worth less than what was picked"
    return "not told apart from what was picked" if mean else "the same as what was picked"
