"""The harvest order: which block next, with which harvester, on which day.

The decision is, for each harvester, a list of blocks and for each block a release day. The referee scores a
candidate in every scenario, so wet days, moves, cleaning and fruit left on the trees are felt; the same lists are
followed in all scenarios, because nobody knows which one comes.

`plan` bounds the worth of any plan by linear programming, takes the best of many starts (the committed plan, cost of
delay, prices, cultivar order, guarded 19 % rule), improves it by local search with a seed and a budget of
evaluations, and reports everything as tables. `propose` is the one place where the whole chain stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from olivetime.harvest import compiling
from olivetime.harvest.bound import Bound, bound, priced_oil
from olivetime.harvest.capacity import UNLIMITED, Capacity
from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.improve import broken, improve, objective, position, score, space
from olivetime.harvest.memory import past_misses, with_memory
from olivetime.harvest.referee import (
    TINY,
    Physics,
    Record,
    empty_record,
    even,
    filled,
    fitting,
    physics,
    road_h,
    walk,
    with_oil_orders,
)
from olivetime.harvest.tasks import compiled
from olivetime.harvest.value import Value
from olivetime.harvest.value import value as make_value
from olivetime.records.kept import kept as kept_before
from olivetime.records.season import Season
from olivetime.ripening.kept import kept_ripening
from olivetime.ripening.outcomes import Outcomes, RipeningFit
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.weather.cold_spots import with_cold_spots
from olivetime.weather.scenarios import Scenarios
from olivetime.weather.scenarios import scenarios as make_scenarios
from olivetime.weather.stations import StationDays
from olivetime.weather.stations import station_days as make_station_days

# Oil of the fresh fruit from which picking often starts: 18 to 20 %, common practice, no source.
GUARDED_FRESH_PCT = 19.0
# Up to this gap to the bound a plan is called proved.
PROVED_GAP_FRACTION = 0.01
# A resource used beyond this share of its limit is shown as binding.
BINDING_FRACTION = 0.97
# Starts are compared in so many scenarios first; so many of each set are then scored in all.
RACE_SCENARIOS, RACE_KEPT = 3, 40
# Evaluations of the search that may re-plan around one promised block put back, as a share of the plan's.
PUT_BACK_FRACTION = 0.05
NOT_IDLE_TRIES = 12  # blocks tried for a harvester that would let a workable first day pass
# Prices that guide starts and search are those of a farm where every block also takes this many mean moves, and the
# mill loses this share to cleaning: the bound knows the least moves only, and prices hours too low (own choice, by
# trial on invented farms).
GUIDE_MOVES, GUIDE_CLEANING_FRACTION = 2.0, 0.15
# The bound's plans fill orders for oil more easily than real ones, often at no price: a litre guides at least by this
# share of what it costs when it is short.
GUIDE_OIL_FRACTION = 1 / 32
RULE_NAMES = ("cost of delay", "cultivar order", "guarded 19 % rule")


# --- lists and starts --------------------------------------------------------------------------------------------


class Lists(NamedTuple):
    """A plan as the referee reads it: order (H, B), length (H,), release (B,)."""

    order: np.ndarray
    length: np.ndarray
    release: np.ndarray


@compiled
def _dispatch(
    ph: Physics,
    index: np.ndarray,  # (T, B) urgency; -inf: never on that day, and where there is no work
    work: np.ndarray,  # (B, T) mean workable share
    crop: np.ndarray,  # (B, T) mean tonnes
    least_h: np.ndarray,  # (B,) hours of the fastest harvester
    supply_h: np.ndarray,  # (T,) shift hours of all harvesters in mean weather
    floor: np.ndarray,  # (T,) urgency below which a harvester waits for the next day
    lot_cost: np.ndarray,  # (T,) taken off the urgency of a block whose lot makes the mill clean
    guard_day: int,  # start anyway from this day, and when the hours left are just enough; T: no guard
    per_hour: bool,  # divide urgency by hours including the move
    first_day: int,
    order: np.ndarray,  # (H, B) filled up to length: kept as given
    length: np.ndarray,
    begin: np.ndarray,  # (B,) out: day index the block is started, -1 never
) -> None:
    """Fill lists by taking, whenever a harvester is free, the most urgent block in mean weather."""
    machines_n, days_n = ph.shift_h.shape
    blocks_n = index.shape[1]
    taken = np.zeros(blocks_n, np.bool_)
    rest, rest_n = np.zeros(blocks_n, np.int64), 0  # blocks that may still be chosen, in order
    given, position = np.zeros(machines_n, np.int64), np.zeros(machines_n, np.int64)
    at = np.zeros(machines_n, np.int64)
    for h in range(machines_n):
        at[h], given[h] = ph.start_block[h], length[h]
        for p in range(length[h]):
            taken[order[h, p]] = True
    road_left = np.zeros(machines_n)
    left = np.zeros(machines_n)  # share of the present block still to pick
    dirty = np.ones(machines_n, np.bool_)
    need = 0.0
    for b in range(blocks_n):
        begin[b] = -1
        if not taken[b] and np.isfinite(least_h[b]):
            need += least_h[b]
            rest[rest_n] = b
            rest_n += 1
    ahead = np.zeros(days_n + 1)
    for t in range(days_n - 1, -1, -1):
        ahead[t] = ahead[t + 1] + supply_h[t]
    lot_day = np.zeros(ph.lots_n, np.int64)
    for k in range(ph.lots_n):
        lot_day[k] = -1
    last_lot = -1
    queue = 0.0
    for t in range(days_n):
        room = ph.mill_t[t] + ph.buffer_t - queue
        trucks = ph.truck_h[t]
        received = 0.0
        cleaned = 0.0
        lot_before = last_lot
        for h in range(machines_n):
            hours = ph.shift_h[h, t]
            while hours > 1e-9:
                if left[h] > 0.0:
                    b = at[h]
                    if road_left[h] > 0.0:
                        step = min(hours, road_left[h])
                        road_left[h] -= step
                        hours -= step
                        continue
                    k = ph.lot[b]
                    pace = work[b, t] / ph.block_h[h, b]
                    if pace <= 0.0:
                        break
                    if lot_day[k] != t:
                        if last_lot >= 0 and k != lot_before:
                            if room <= ph.cleaning_t:
                                break
                            room -= ph.cleaning_t
                            cleaned += ph.cleaning_t
                        lot_day[k] = t
                        if k != lot_before:
                            last_lot = k
                    share, stopped = fitting(left[h], hours, pace, crop[b, t], room, trucks, ph.truck_h_t[b])
                    share = max(share, 0.0)
                    left[h] -= share
                    hours -= share / pace
                    room -= share * crop[b, t]
                    received += share * crop[b, t]
                    trucks -= share * crop[b, t] * ph.truck_h_t[b]
                    dirty[h] = not ph.organic[b]
                    if left[h] <= 1e-9:
                        left[h] = 0.0
                    if stopped:
                        break
                    continue
                chosen = -1
                if position[h] < given[h]:
                    chosen = order[h, position[h]]
                    if work[chosen, t] <= 0.0:
                        break
                elif t < first_day:
                    break
                else:
                    late = guard_day < days_n and (
                        t >= guard_day or need >= ahead[t] - (ph.shift_h[h, t] - hours)
                    )
                    best, place = -np.inf if late else floor[t], 0
                    fixed_h = ph.move_fixed_h[h]
                    for p in range(rest_n):
                        b = rest[p]
                        urgency = index[t, b]
                        if urgency == -np.inf or not np.isfinite(ph.block_h[h, b]):
                            continue
                        if per_hour:
                            # too little even with the shortest move
                            shortest = ph.block_h[h, b] + (fixed_h if b != at[h] else 0.0)
                            if (urgency / shortest if urgency > 0.0 else urgency * shortest) < best:
                                continue
                            k = ph.lot[b]
                            if last_lot >= 0 and k != lot_before and lot_day[k] != t:
                                urgency -= lot_cost[t]
                            road = road_h(
                                ph.move_fixed_h[h], ph.move_h_km[h], ph.washdown_h[h], ph.distance_km, ph.organic,
                                at[h], b, dirty[h],
                            )  # fmt: skip
                            spent = ph.block_h[h, b] + road
                            urgency = urgency / spent if urgency > 0 else urgency * spent
                        if urgency > best or (chosen < 0 and urgency == best):
                            best = urgency
                            chosen, place = b, p
                    if chosen < 0:
                        break
                    rest_n -= 1
                    for p in range(place, rest_n):
                        rest[p] = rest[p + 1]
                    order[h, length[h]] = chosen
                    length[h] += 1
                    need -= least_h[chosen]
                position[h] += 1
                taken[chosen] = True
                begin[chosen] = t
                left[h] = 1.0
                road_left[h] = road_h(
                    ph.move_fixed_h[h], ph.move_h_km[h], ph.washdown_h[h], ph.distance_km, ph.organic, at[h], chosen,
                    dirty[h],
                )  # fmt: skip
                at[h] = chosen
        queue = max(0.0, queue + received - max(0.0, ph.mill_t[t] - cleaned))
    # what was never reached goes to the end of the shortest list that may take it
    for b in range(blocks_n):
        if taken[b]:
            continue
        where = -1
        for h in range(machines_n):
            if (
                np.isfinite(ph.block_h[h, b])
                and ph.block_h[h, b] > 0
                and (where < 0 or length[h] < length[where])
            ):
                where = h
        if where >= 0:
            order[where, length[where]] = b
            length[where] += 1


# --- the plan ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class HarvestPlan:
    """The harvest order with what proves and explains it.

    Attributes
    ----------
    status : str
        "best known", "proved within gap" (1 % of the bound) or "nothing workable".
    why : str
        One sentence; for "nothing workable" it says which limit binds.
    rows : pandas.DataFrame
        One row per block, planned or not; columns of `ROW_COLUMNS`. Money in currency, worth, tonnes and oil are
        means over scenarios of what is picked. moved_days counts calendar days from promised_on to start_at, and
        moved_why says why where it is not 0.
    value, value_p10, value_p50, value_p90 : float
        Worth of the plan: mean over scenarios, and range over all draws [currency].
    bound, gap_fraction : float
        Upper bound [currency] and 1 - value / bound.
    moved : pandas.DataFrame
        Blocks promised within `keep_days` whose mean start moved a day or more against what the committed order
        would do in today's scenarios, where no block starts before its promised day: block_id, from_on (promised),
        to_on (planned, NaT when left), moved_days, gain (what the plan would lose if this block went back within a
        day of its promise and a short search re-planned the rest; never below the rule `keep_gain_per_block`)
        [currency], why (words).
    mill_days : pandas.DataFrame
        day, lot, crop_t (comes in), limit_t, crushed_t, waiting_t (in the bins in the evening), means over scenarios;
        limit, crushed and waiting are of the day, the same on each of its rows [t].
    oil_orders : pandas.DataFrame
        order_id, style, cultivar, organic, due_on, oil_l (wanted), delivered_l (by picks already made), expected_l,
        p10_l, p90_l (delivered and planned), shortfall_l (mean), met_chance, shortfall_cost_l, shortfall_cost (mean)
        [currency], price_l (worth of one more litre) [currency/l], note.
    capacity_days : pandas.DataFrame
        day, resource, limit, used (mean over scenarios), unit, binding.
    prices : pandas.DataFrame
        day, harvester_per_h, mill_per_t, truck_per_h: what one more unit is worth, mean over scenarios.
    rules : pandas.DataFrame
        rule, value, share_of_bound: rules of thumb scored by the same referee, best start day in hindsight.
    scenario_values : ndarray (S,)
        Worth in each scenario [currency].
    picked : ndarray (S, B, T)
        Share of each block picked on each day.
    lists : Lists
        order (H, B), length (H,), release (B,) as the referee reads them.
    bounds : Bound
        Prices and bound of each scenario.
    assumptions : pandas.DataFrame
        name, value, unit, source, says.
    """

    status: str
    why: str
    rows: pd.DataFrame
    value: float
    value_p10: float
    value_p50: float
    value_p90: float
    bound: float
    gap_fraction: float
    moved: pd.DataFrame
    mill_days: pd.DataFrame
    oil_orders: pd.DataFrame
    capacity_days: pd.DataFrame
    prices: pd.DataFrame
    rules: pd.DataFrame
    scenario_values: np.ndarray
    picked: np.ndarray
    lists: Lists
    bounds: Bound
    assumptions: pd.DataFrame


ROW_COLUMNS = (
    "rank", "block_id", "harvester_id", "lot", "status", "why_not", "start_at", "end_at", "start_p10", "start_p90",
    "area_ha", "hours_h", "move_h", "move_from", "crop_t", "crop_p10_t", "crop_p90_t", "oil_fresh_pct",
    "oil_dry_pct", "moisture_pct", "maturity_index", "paid_oil_kg", "value", "value_p10", "value_p90", "value_per_h",
    "best_on", "best_on_loss", "frost_value_at_risk", "frost_chance", "days_lost_mean", "truck_loads", "to_mill_at",
    "wait_h", "cleaning_h", "promised_on", "moved_days", "moved_why", "sample_age_d", "samples_n",
)  # fmt: skip


def _lists(machines_n: int, blocks_n: int) -> Lists:
    return Lists(
        np.full((machines_n, blocks_n), -1, np.int64),
        np.zeros(machines_n, np.int64),
        np.zeros(blocks_n, np.int64),
    )


def _committed_lists(
    season: Season, capacity: Capacity, ph: Physics, committed: pd.DataFrame
) -> tuple[Lists, np.ndarray, np.ndarray]:
    """Committed lists, how many at the front of each are frozen, and which blocks are promised (bool).

    Frozen are the block a harvester is in, when it is partly picked, and what is promised for today or before. The
    others wait for their promised day: an order that runs ahead of it keeps no promise to a grower.
    """
    machines_n, blocks_n = ph.shift_h.shape[0], ph.value.shape[1]
    lists = _lists(machines_n, blocks_n)
    frozen = np.zeros(machines_n, np.int64)
    promised = np.zeros(blocks_n, dtype=bool)
    block_at = {name: i for i, name in enumerate(capacity.block_ids)}
    machine_at = {name: i for i, name in enumerate(capacity.harvester_ids)}
    today = capacity.days[0]
    until = today + pd.Timedelta(days=float(season.rules["keep_days"]))
    open_any = np.any(ph.work > 0, axis=(0, 2))
    taken: set[int] = set()
    area = season.blocks["area_ha"].to_numpy(dtype=float)

    def put(h: int, b: int, *, freeze: bool) -> None:
        if b in taken or not open_any[b] or not np.isfinite(ph.block_h[h, b]):
            return
        taken.add(b)
        lists.order[h, lists.length[h]] = b
        lists.length[h] += 1
        if freeze and frozen[h] == lists.length[h] - 1:
            frozen[h] += 1

    for h in range(machines_n):
        b = int(ph.start_block[h])
        if b >= 0 and 0 < capacity.area_left_ha[b] < area[b]:
            put(h, b, freeze=True)
    if len(committed):
        for row in committed.sort_values(["rank", "block_id"], kind="stable").itertuples(index=False):
            if row.block_id in block_at and row.harvester_id in machine_at:
                b = block_at[row.block_id]
                running = b in taken
                put(machine_at[row.harvester_id], b, freeze=row.pick_on <= today)
                promised[b] = b in taken and row.pick_on <= until
                if not running:
                    lists.release[b] = min(max((row.pick_on - today).days, 0), ph.value.shape[2] - 1)
    return lists, frozen, promised


def _starts(
    ph: Physics, fresh_pct: np.ndarray, bounds: Bound, begin_with: Lists, cultivar: np.ndarray, seed: int
) -> list[tuple[str, Lists]]:
    """Candidate plans from rules and prices, each beginning with the lists given."""
    blocks_n, days_n = ph.value.shape[1:]
    work = ph.work.mean(axis=0)
    open_days = work > 0
    worth = np.where(open_days, ph.value.mean(axis=0), 0.0)
    crop = ph.crop.mean(axis=0)
    with np.errstate(invalid="ignore"):
        finite = np.where(np.isfinite(ph.block_h), ph.block_h, np.nan)
    hours = np.nan_to_num(np.nanmin(np.vstack([finite, np.full(blocks_n, np.inf)]), axis=0), posinf=0.0)
    candidates: list[tuple[str, Lists]] = []
    least_h = ph.block_h.min(axis=0)
    supply_h = ph.shift_h.sum(axis=0) * (work.sum(axis=0) / np.maximum(open_days.sum(axis=0), 1))

    def add(
        name: str, index: np.ndarray, floor: np.ndarray | float, first_day: int, slacks: tuple[int, ...], *,
        guard_day: int = days_n, per_hour: bool = False, lot_cost: np.ndarray | float = 0.0,
        from_days: Sequence[int] = (),
    ) -> None:  # fmt: skip
        order, length = begin_with.order.copy(), begin_with.length.copy()
        begin = np.zeros(blocks_n, np.int64)
        _dispatch(
            ph, np.ascontiguousarray(np.where(open_days, index, -np.inf).T), work, np.maximum(crop, TINY), least_h,
            supply_h, np.broadcast_to(floor, days_n).astype(float),
            np.broadcast_to(lot_cost, days_n).astype(float), guard_day, per_hour, first_day, order, length, begin,
        )  # fmt: skip
        given = np.zeros(blocks_n, dtype=bool)
        for h in range(order.shape[0]):
            given[order[h, : begin_with.length[h]]] = True
        # a block that was never reached is released on its best day, so that it does not fill idle early days
        planned = np.where(begin >= 0, begin, worth.argmax(axis=1))
        for slack in slacks:
            release = np.maximum(planned - slack, first_day)
            candidates.append((name, Lists(order, length, np.where(given, begin_with.release, release))))
        for day in from_days:
            release = np.full(blocks_n, day)
            candidates.append((name, Lists(order, length, np.where(given, begin_with.release, release))))

    first_days = sorted({int(x) for x in np.linspace(0, 0.6 * days_n, 13)})
    for first_day in first_days:
        for window in (7, 14):
            later = np.concatenate(
                [worth[:, window:], np.repeat(worth[:, -1:], min(window, days_n), axis=1)], axis=1
            )
            add("cost of delay", worth - later[:, :days_n], -np.inf, first_day, (days_n,), per_hour=True)
    # early cultivars first: by the mean best day of their blocks, then best day of the block
    best_day = worth.argmax(axis=1).astype(float)
    names = list(dict.fromkeys(cultivar))
    mean_day = {name: best_day[cultivar == name].mean() for name in names}
    place = {name: i for i, name in enumerate(sorted(names, key=lambda name: (mean_day[name], name)))}
    rank = np.array([place[name] for name in cultivar]) * 10.0 * days_n + best_day
    for first_day in first_days:
        add("cultivar order", np.repeat(-rank[:, None], days_n, axis=1), -np.inf, first_day, (days_n,))
    for guard_day in first_days:
        add("guarded 19 % rule", fresh_pct, GUARDED_FRESH_PCT, 0, (0, 2), guard_day=guard_day)
    add(
        "guarded 19 % rule",
        fresh_pct,
        GUARDED_FRESH_PCT,
        0,
        (0, 2),
        guard_day=days_n - 1,
        from_days=first_days,
    )

    # what a block earns now over its best later day net of prices, per hour with the move, against the hour's price;
    # worth now is that of the middle of its picking
    price_h = bounds.price_h.mean(axis=0).mean(axis=0)
    price_mill, price_truck = bounds.price_mill_t.mean(axis=0), bounds.price_truck_h.mean(axis=0)
    spent = hours[:, None] / np.maximum(work, 0.05)
    other = crop * (price_mill + ph.truck_h_t[:, None] * price_truck)
    shift = max(float(ph.shift_h.max()), 1.0)
    middle = np.minimum(
        np.arange(days_n)[None, :] + np.round(hours / shift / 2).astype(int)[:, None], days_n - 1
    )
    during = np.take_along_axis(np.where(open_days, worth, np.nan), middle, axis=1)
    during = np.where(np.isnan(during), worth, during)
    mean_price = float(price_h[price_h > 0].mean()) if (price_h > 0).any() else 1.0
    rng = np.random.default_rng([seed, 1])
    for scale in (0.8, 1.0):
        net = np.where(open_days, worth - scale * (spent * price_h + other), -np.inf)
        ahead = np.maximum.accumulate(net[:, ::-1], axis=1)[:, ::-1]
        ahead = np.maximum(np.concatenate([ahead[:, 1:], np.zeros((blocks_n, 1))], axis=1), 0.0)
        for margin in (0.15, 0.3, 0.6):
            for noise in (0.0, 0.03):
                gain = (during - scale * other - ahead) + noise * mean_price * hours[:, None] * rng.normal(
                    size=(blocks_n, 1)
                )
                cleaning = scale * ph.cleaning_t * price_mill
                floor = price_h - margin * mean_price
                add("prices", gain, floor, 0, (2,), per_hour=True, lot_cost=cleaning, from_days=first_days)
    shares = bounds.picked.mean(axis=0)
    total = shares.sum(axis=1)
    mean_pick = np.where(total > 0.05, shares @ np.arange(days_n) / np.maximum(total, 0.05), days_n)
    for slack in (2, 5, 10, days_n):
        ready = np.arange(days_n)[None, :] >= mean_pick[:, None] - slack
        add(
            "relaxed plan",
            np.where(ready, -mean_pick[:, None], -np.inf),
            -np.inf,
            0,
            (1,),
            from_days=first_days,
        )
    return candidates


def guiding_prices(ph: Physics, bounds: Bound) -> Bound:
    """Prices of a season whose moves and cleanings are nearer to what plans need than the least; no bound itself."""
    move_h = ph.move_fixed_h + ph.distance_km.mean() * ph.move_h_km if ph.distance_km.size else ph.move_fixed_h
    spent = np.where(ph.block_h > 0, ph.block_h + GUIDE_MOVES * move_h[:, None], ph.block_h)
    return bound(ph._replace(block_h=spent, mill_t=(1 - GUIDE_CLEANING_FRACTION) * ph.mill_t), bounds)


class Moved(NamedTuple):
    """A promised block that moved: what putting it back would cost the plan, and the block itself [currency]."""

    block: int
    gain: float
    own: float


@dataclass(frozen=True)
class Found:
    """What the search found.

    Attributes
    ----------
    lists : Lists
    promise : ndarray (B,)
        Mean start day of promised blocks if the promise is kept, -1 for the others [d].
    moves : list of Moved
        Promised blocks that moved a day or more.
    rules : list of (str, float)
        Rules of thumb and their worth, best start day in hindsight [currency].
    """

    lists: Lists
    promise: np.ndarray
    moves: list[Moved]
    rules: list[tuple[str, float]]


def net_worth(ph: Physics, bounds: Bound) -> tuple[np.ndarray, float]:
    """Worth of each block started on a day net of the prices of hours, mill and trucks, and price of a kilometre.

    The worth is (B, T + 1): on a day without work that of the next day with work, 0 from the last one on [currency];
    a kilometre costs hours of moving [currency/km].
    """
    work = ph.work.mean(axis=0)
    finite = np.where(np.isfinite(ph.block_h), ph.block_h, np.inf).min(axis=0)
    hours = np.where(np.isfinite(finite), finite, 0.0)
    price_h = bounds.price_h.mean(axis=(0, 1))
    spent = hours[:, None] / np.maximum(work, 0.05) * price_h
    other = ph.crop.mean(axis=0) * (
        bounds.price_mill_t.mean(axis=0) + ph.truck_h_t[:, None] * bounds.price_truck_h.mean(axis=0)
    )
    net = np.zeros((ph.value.shape[1], ph.value.shape[2] + 1))
    net[:, :-1] = np.where(work > 0, ph.value.mean(axis=0) - spent - other, 0.0)
    for t in range(ph.value.shape[2] - 1, -1, -1):
        net[:, t] = np.where(work[:, t] > 0, net[:, t], net[:, t + 1])
    return net, float(((price_h.mean() + ph.move_cost_h) * ph.move_h_km).mean()) if len(ph.move_h_km) else 0.0


def _own_worth(ph: Physics, lists: Lists) -> np.ndarray:
    """Worth of the fruit of each block, mean over scenarios, (B,) [currency]."""
    picked = np.stack([_walked(ph, lists, s)[1].picked for s in range(ph.value.shape[0])])
    return (picked * ph.value).sum(axis=2).mean(axis=0)


def _put_back(
    ph: Physics, guide: Bound, price_oil_l: np.ndarray, lists: Lists, frozen: np.ndarray, promise: np.ndarray,
    begin_with: Lists, kept: Lists, keep: np.ndarray, caution: float, evaluations: int, seed: int,
) -> tuple[Lists, list[Moved]]:  # fmt: skip
    """Put back every promised block that does not earn its `keep` by moving; what putting back the others would cost.

    Each moved block is tried near its promised day, with its promised and its present harvester; the best place is
    improved by a short search that may change the rest but not this block's day. Other promised blocks that this
    pushes by a day or more count at their `keep`. It begins anew whenever a block went back. A block that has no such
    place alone is judged with all others: by `kept`, the plan that keeps every promise, improved in the same way.
    """
    machines_n, blocks_n = ph.block_h.shape
    if not (promise >= 0).any():
        return lists, []
    room, priced = space(ph), priced_oil(ph, price_oil_l)
    rec, values, start = room.rec, np.zeros(ph.value.shape[0]), np.zeros(blocks_n)
    net, km_cost = net_worth(priced, guide)
    machine_of = np.full(blocks_n, -1)
    for h in range(machines_n):
        machine_of[begin_with.order[h, : begin_with.length[h]]] = h

    def scored(trial: Lists) -> tuple[float, np.ndarray]:
        score(ph, np.arange(len(values)), *trial, rec, values, start)
        return objective(values, caution) - broken(start, promise, keep), start.copy()

    def improved(trial: Lists, held: np.ndarray) -> None:
        improve(
            ph, priced, *trial, locked=frozen, promised=promise, net=net, km_cost=km_cost, keep=held,
            caution=caution, evaluations=evaluations, seed=seed, space=room,
        )  # fmt: skip

    def taken_out(b: int) -> tuple[Lists, int]:
        order, length = lists.order.copy(), lists.length.copy()
        for h in range(machines_n):
            at = np.flatnonzero(order[h, : length[h]] == b)
            if len(at):
                if at[0] < frozen[h]:
                    return lists, -1
                order[h, at[0] : length[h] - 1] = order[h, at[0] + 1 : length[h]]
                length[h] -= 1
                return Lists(order, length, lists.release), h
        return lists, -1

    def back(b: int, begin: np.ndarray) -> tuple[float, Lists | None]:
        """Best plan with the block within a day of its promise."""
        rest, now_with = taken_out(b)
        best, found = -np.inf, None
        for h in dict.fromkeys((int(machine_of[b]), now_with)) if now_with >= 0 else ():
            if h < 0 or not np.isfinite(ph.block_h[h, b]):
                continue
            row, n = rest.order[h], rest.length[h]
            middle = position(row, frozen[h], n, begin, promise[b])
            for j in range(max(middle - 3, frozen[h]), min(middle + 3, n) + 1):
                for release in dict.fromkeys((0, int(promise[b]), int(promise[b] + 0.99))):
                    trial = Lists(rest.order.copy(), rest.length.copy(), rest.release.copy())
                    trial.order[h, j + 1 : n + 1] = row[j:n]
                    trial.order[h, j] = b
                    trial.length[h] += 1
                    trial.release[b] = release
                    worth, begun = scored(trial)
                    if abs(begun[b] - promise[b]) < 1.0 and worth > best:
                        best, found = worth, trial
        if found is not None and evaluations > 0:
            held = keep.copy()
            held[b] = 1e3 * (abs(best) + keep[b])  # any plan that moves it again is worse
            improved(found, held)
            best = scored(found)[0]
        return best, found

    def all_back() -> tuple[float, Lists]:
        trial = Lists(*(part.copy() for part in kept))
        if evaluations > 0:
            held = np.full(blocks_n, 1e3 * abs(scored(trial)[0]) + 1.0)
            improved(trial, held)
        return scored(trial)[0], trial

    changed = True
    while changed:
        changed = False
        now, begin = scored(lists)
        moved = [int(b) for b in np.flatnonzero((promise >= 0) & (np.abs(begin - promise) >= 1.0))]
        moves = []
        for b in moved:
            worth, alone = back(b, begin)
            together = alone is None
            if alone is None:
                worth, trial = all_back()
            else:
                trial = alone
            if worth >= now:
                lists, changed = trial, True
                break
            # `now` has paid the block's own keep already
            own = _own_worth(ph, lists)[b] - _own_worth(ph, trial)[b]
            gain = (now - worth) / len(moved) if together else now - worth
            moves.append(Moved(b, float(gain + keep[b]), float(own)))
    return lists, moves


def _not_idle(
    ph: Physics, net: np.ndarray, lists: Lists, promise: np.ndarray, keep: np.ndarray, caution: float, wait_gain: float
) -> Lists:  # fmt: skip
    """The lists, without a first day that a harvester lets pass for little.

    A day of work given up is gone, a day put off is decided again tomorrow: whoever plans anew each morning errs
    towards waiting, and the few scenarios do not show the rare season in which the hours come short. So a harvester
    that has nothing to pick on the first day, though blocks of its list are workable, starts with the block that costs
    the plan least, unless that costs more than `wait_gain` of its worth. Promised blocks stay where they are.
    """
    rec, every = empty_record(ph), np.arange(len(ph.value))
    values, start = np.zeros(len(every)), np.zeros(ph.value.shape[1])
    score(ph, every, *lists, rec, values, start)
    now, missed = objective(values, caution), broken(start, promise, keep)
    workable = (ph.work[:, :, 0] > 0).mean(axis=0) >= 0.5
    for h in range(len(lists.length)):
        row = lists.order[h, : lists.length[h]]
        ready = row[workable[row]]
        if not len(ready) or ph.shift_h[h, 0] <= 0 or (lists.release[ready] <= 0).any():
            continue
        day = np.minimum(start[ready].astype(int), net.shape[1] - 1)
        hours = np.maximum(ph.block_h[h, ready], TINY)
        cheap = ready[np.argsort((net[ready, day] - net[ready, 0]) / hours, kind="stable")[:NOT_IDLE_TRIES]]
        releases = [np.where(np.arange(len(start)) == b, 0, lists.release) for b in cheap.tolist()]
        whole = lists.release.copy()  # the whole list by as many days as its first block waits
        whole[row] = np.maximum(whole[row] - lists.release[ready].min(), 0)
        best, best_release, best_start = -np.inf, lists.release, start
        for release in [*releases, whole]:
            there = np.zeros_like(start)
            score(ph, every, lists.order, lists.length, release, rec, values, there)
            worth = objective(values, caution)
            begun = there[row].min() < 1.0  # a closed mill or trucks that are away may leave nothing to do all the same
            if begun and worth > best and broken(there, promise, keep) <= missed:
                best, best_release, best_start = worth, release, there
        if best > now - wait_gain * abs(now):
            lists, now, start = lists._replace(release=best_release), best, best_start
    return lists


def search(
    ph: Physics,
    bounds: Bound,
    *,
    fresh_pct: np.ndarray,
    cultivar: np.ndarray,
    seed: int,
    evaluations: int,
    begin_with: Lists | None = None,
    frozen: np.ndarray | None = None,
    promised: np.ndarray | None = None,
    keep_gain: float = 0.0,
    caution: float = 0.0,
    wait_gain: float = 0.0,
    also: Lists | None = None,
) -> Found:
    """Best lists: the best of many starts, improved by local search.

    Parameters
    ----------
    ph : Physics
    bounds : Bound
        Prices guide some of the starts.
    fresh_pct : ndarray (B, T)
        Oil of the fresh fruit, for the guarded 19 % rule [%].
    cultivar : ndarray (B,) of str
    seed, evaluations : int
    begin_with : Lists, optional
        Promised blocks in order.
    frozen : ndarray (H,), optional
        How many at the front of each list may not be touched.
    promised : ndarray (B,) of bool, optional
        Blocks that move only for `keep_gain` [currency].
    caution : float, optional
        Weight of the worst quarter of the scenarios [fraction].
    wait_gain : float, optional
        What a harvester's waiting through a workable first day must add to the plan's worth [fraction]; for less it
        works on.
    also : Lists, optional
        One more order to start from; harvesters that it lacks begin with an empty list.

    Returns
    -------
    Found
    """
    machines_n, (scenarios_n, blocks_n, _) = ph.shift_h.shape[0], ph.value.shape
    empty, fresh_pct = _lists(machines_n, blocks_n), even(fresh_pct)
    begin_with = empty if begin_with is None else begin_with
    frozen = empty.length if frozen is None else frozen
    promised = np.zeros(blocks_n, dtype=bool) if promised is None else promised
    price_oil_l = np.maximum(bounds.price_oil_l, GUIDE_OIL_FRACTION * ph.oil_cost_l * (ph.oil_wanted_l > 0))
    priced = priced_oil(ph, price_oil_l)
    guide = guiding_prices(priced, bounds)
    candidates = _starts(priced, fresh_pct, guide, begin_with, cultivar, seed)
    kept_n = len(candidates)
    if begin_with.length.any():
        # the same with only the frozen blocks in front
        candidates += _starts(priced, fresh_pct, guide, begin_with._replace(length=frozen), cultivar, seed)
    if also is not None:
        lists = _lists(machines_n, blocks_n)
        n = min(machines_n, len(also.length))
        lists.order[:n], lists.length[:n], lists.release[:] = also.order[:n], also.length[:n], also.release
        candidates.append(("given", lists))
    compiling.finish()
    rec, values, start = empty_record(ph), np.zeros(scenarios_n), np.zeros(blocks_n)
    # race: all candidates in a few scenarios, the best of each set and every rule of thumb in all
    few = np.unique(np.linspace(0, scenarios_n - 1, RACE_SCENARIOS).astype(np.int64))
    first_look, glance = np.zeros(len(candidates)), np.zeros(len(few))
    worth = np.full(len(candidates), -np.inf)
    starts = np.full((len(candidates), blocks_n), -1.0)
    for i, (_, lists) in enumerate(candidates):
        score(ph, few, *lists, rec, glance, start)
        first_look[i] = glance.sum()
        if len(few) == scenarios_n:
            worth[i], starts[i] = objective(glance, caution), start
    ruled = np.array([name in RULE_NAMES for name, _ in candidates])
    seen = ruled.copy()
    if also is not None:
        seen[-1] = True
    for low, high in ((0, kept_n), (kept_n, len(candidates))):
        seen[low + np.argsort(-first_look[low:high], kind="stable")[:RACE_KEPT]] = True
    for i in np.flatnonzero(seen & np.isinf(worth)).tolist():
        score(ph, np.arange(scenarios_n), *candidates[i][1], rec, values, start)
        worth[i], starts[i] = objective(values, caution), start
    # what the committed order does in today's scenarios, with its best continuation, is the promise
    first = int(worth[:kept_n].argmax())
    promise = np.where(promised, starts[first], -1.0)
    keep = np.full(blocks_n, float(keep_gain))
    missed = np.array([broken(begin, promise, keep) for begin in starts])
    best = int((worth - missed).argmax())
    lists = Lists(*(part.copy() for part in candidates[best][1]))
    if evaluations > 0:
        net, km_cost = net_worth(priced, guide)
        improve(
            ph, priced, *lists, locked=frozen, promised=promise, net=net, km_cost=km_cost, keep=keep, caution=caution,
            evaluations=evaluations, seed=seed, space=space(ph),
        )  # fmt: skip
    lists, moves = _put_back(
        ph, guide, price_oil_l, lists, frozen, promise, begin_with, candidates[first][1], keep, caution,
        int(evaluations * PUT_BACK_FRACTION), seed,
    )  # fmt: skip
    if wait_gain > 0 and evaluations > 0:
        lists = _not_idle(ph, net_worth(priced, guide)[0], lists, promise, keep, caution, wait_gain)
    labels = np.array([name for name, _ in candidates])
    return Found(
        lists=lists,
        promise=promise,
        moves=moves,
        rules=[(name, float(worth[labels == name].max())) for name in RULE_NAMES],
    )


def _quantile(values: np.ndarray, q: float) -> np.ndarray:
    return np.quantile(values, q, axis=0)


def _why_nothing(capacity: Capacity, ph: Physics) -> str:
    """Which limit leaves nothing to do."""
    if not len(capacity.harvester_ids):
        return "There is no harvester in the records."
    if not len(capacity.block_ids):
        return "There is no block in the records."
    if not (capacity.area_left_ha > 0).any():
        return "Every block is picked."
    if not (capacity.shift_h > 0).any():
        return "No harvester is there on any day of the plan, or its shift has no hours."
    if not np.isfinite(capacity.block_h).any():
        return "Every block left is steeper than every harvester may work."
    if not capacity.allowed.any():
        counts = capacity.no_go["reason"].str.split(":").str[0].value_counts()
        return f"No block may be picked on any day left; most often: {counts.index[0]}."
    if not (capacity.workable_fraction > 0).any():
        return "The ground is too wet at every block on every day and in every scenario."
    if not (capacity.mill_t > 0).any():
        return "The mill is closed or fully booked on every day of the plan."
    if not (capacity.truck_h > 0).any():
        return "The trucks have no hours."
    if not (ph.value > 0).any():
        return "No block is worth its picking, hauling and milling on any day left."
    return "No block is open, dry and worth picking on the same day."


def _why_left(b: int, block_id: str, capacity: Capacity, ph: Physics, share: float) -> str:
    """Why a block is not planned."""
    if not np.isfinite(capacity.block_h[:, b]).any():
        return "steeper than every harvester may work"
    if not capacity.allowed[b].any():
        reasons = capacity.no_go.loc[capacity.no_go["block_id"] == block_id, "reason"]
        return "no day is allowed: " + "; ".join(dict.fromkeys(reasons))
    if not (ph.value[:, b][:, capacity.allowed[b]] > 0).any():
        return "worth less than its picking, hauling and milling on every day left"
    if not (capacity.workable_fraction[:, b] > 0).any():
        return "ground too wet on every allowed day"
    if share > 0.005:
        return f"reached in part or in some scenarios only ({100 * share:.0f} % of it on the mean)"
    return "hours, mill or trucks run out first: every other block is worth more per hour"


def plan(
    season: Season,
    capacity: Capacity,
    value: Value,
    *,
    seed: int = 0,
    evaluations: int = 4000,
    committed: pd.DataFrame | None = None,
    known: HarvestPlan | None = None,
    kept: Path | None = None,
) -> HarvestPlan:
    """The harvest order of greatest mean worth that the search finds, bounded and explained.

    Parameters
    ----------
    season : Season
        Tables blocks, samples, harvesters, committed and the rules.
    capacity : Capacity
    value : Value
    seed : int, optional
        Seed of the search; the same seed gives the same plan.
    evaluations : int, optional
        Budget of the search in walks through all scenarios; a candidate left early counts for the scenarios walked.
    committed : pandas.DataFrame, optional
        Last week's order (block_id, harvester_id, rank, pick_on); `season.committed` when left out. What is promised
        for today is frozen; a block promised within `keep_days` moves only if the plan gains `keep_gain_per_block`
        for it.
    known : HarvestPlan, optional
        Plan of a like season, as in a what-if: its order is one more start, its prices begin those of the bound.
    kept : Path, optional
        Folder of your own in which bound and lists stay (`olivetime.records.kept`).

    Returns
    -------
    HarvestPlan
    """
    rules = season.rules
    committed = season.committed if committed is None else committed
    ph = with_oil_orders(physics(capacity, value), value.oil_orders)
    scenarios_n, blocks_n, _ = ph.value.shape
    if (
        ph.shift_h.shape[0] == 0
        or not (ph.work > 0).any()
        or not (ph.mill_t > 0).any()
        or not (ph.truck_h > 0).any()
    ):
        records = [_walked(ph, _lists(ph.shift_h.shape[0], blocks_n), s)[1] for s in range(scenarios_n)]
        return _report(
            season, committed, capacity, value, ph, bound(ph), _lists(ph.shift_h.shape[0], blocks_n), records,
            np.zeros(scenarios_n), np.full(blocks_n, -1.0), [], _why_nothing(capacity, ph),
        )  # fmt: skip

    begin_with, frozen, promised = _committed_lists(season, capacity, ph, committed)
    asked = {
        "fresh_pct": value.oil_fresh_pct,
        "cultivar": season.blocks["cultivar"].astype(str).to_numpy(),
        "seed": seed,
        "evaluations": evaluations,
        "begin_with": begin_with,
        "frozen": frozen,
        "promised": promised,
        "keep_gain": float(rules["keep_gain_per_block"]),
        "caution": float(rules["caution_fraction"]),
        "wait_gain": float(rules["wait_gain_fraction"]),
    }

    bounds_before, lists_before = (None, None) if known is None else (known.bounds, known.lists)

    def find() -> tuple[Bound, Found]:
        bounds = bound(ph, bounds_before)
        return bounds, search(ph, bounds, **asked, also=lists_before)

    bounds, found = kept_before(kept, "plan", tuple, (ph, asked, bounds_before, lists_before), find)
    lists = found.lists
    values_all, records = zip(*(_walked(ph, lists, s) for s in range(scenarios_n)), strict=True)
    nothing = "" if any(rec.picked.any() for rec in records) else _why_nothing(capacity, ph)
    return _report(
        season,
        committed,
        capacity,
        value,
        ph,
        bounds,
        lists,
        list(records),
        np.array(values_all),
        found.promise,
        found.rules,
        nothing,
        found.moves,
    )


def _walked(ph: Physics, lists: Lists, s: int) -> tuple[float, Record]:
    rec = empty_record(ph)
    return float(walk(ph, s, lists.order, lists.length, lists.release, True, rec)), rec


def _report(
    season: Season, committed: pd.DataFrame, capacity: Capacity, value: Value, ph: Physics, bounds: Bound,
    lists: Lists, records: list[Record], values: np.ndarray, promise: np.ndarray, rule_rows: list[tuple[str, float]],
    nothing: str, moves: Sequence[Moved] = (),
) -> HarvestPlan:  # fmt: skip
    """Tables of a plan from what its walks left behind."""
    rules, days, blocks = season.rules, capacity.days, season.blocks
    scenarios_n, blocks_n, days_n = ph.value.shape
    draws_n = value.value_draws.shape[0]
    of_draw = np.arange(draws_n) % scenarios_n
    stacked = Record(*(np.stack(part) for part in zip(*records, strict=True)))
    picked = stacked.picked
    share = picked.sum(axis=2).mean(axis=0)
    mean_pick = picked.mean(axis=0)
    weight = mean_pick / np.maximum(mean_pick.sum(axis=1), TINY)[:, None]
    paid_less = values - (picked * ph.value).sum(axis=(1, 2))  # moves and aged fruit, by scenario
    block_draws = np.einsum("kbt,kbt->kb", picked[of_draw], value.value_draws)
    crop_draws = np.einsum("kbt,kbt->kb", picked[of_draw], value.crop_draws_t)
    total_draws = block_draws.sum(axis=1) + paid_less[of_draw]
    total = float(values.mean())
    gap = 1.0 - total / bounds.value if bounds.value > 0 else 0.0

    # times
    morning = days[0] + pd.Timedelta(hours=float(rules["shift_start_h"]))
    began = stacked.start >= 0
    start = np.where(began, stacked.start, np.nan)
    end = np.where(stacked.end >= 0, stacked.end, np.where(began, days_n, np.nan))
    planned = (share >= 0.5) & (began.mean(axis=0) > 0.5)

    def when(x: np.ndarray) -> pd.Series:
        # whole minutes: a second more or less means nothing at the headland
        minutes = pd.Series(np.where(planned, np.round(x * 1440.0), np.nan))
        return morning + pd.to_timedelta(minutes, unit="min")

    with_start = np.where(planned[None, :], start, 0.0)
    with_end = np.where(planned[None, :], end, 0.0)
    start_mid = np.nanmedian(with_start, axis=0)
    end_mid = np.nanmedian(with_end, axis=0)
    harvester = np.full(blocks_n, -1)
    for h in range(len(capacity.harvester_ids)):
        harvester[lists.order[h, : lists.length[h]]] = h
    came_from = np.array([_most_common(stacked.came_from[:, b]) for b in range(blocks_n)], dtype=int)

    # condition of the fruit at picking, worth, risks
    def at_pick(table: np.ndarray) -> np.ndarray:
        return np.where(planned, (weight * table).sum(axis=1), np.nan)

    worth = (picked * ph.value).sum(axis=2).mean(axis=0)
    crop = (picked * ph.crop).sum(axis=2).mean(axis=0)
    paid = (picked * value.paid_oil_kg).sum(axis=2).mean(axis=0)
    hours = np.where(picked > 0, picked / np.where(ph.work > 0, ph.work, 1.0), 0.0).sum(axis=2).mean(axis=0)
    own_h = np.where(harvester >= 0, ph.block_h[np.maximum(harvester, 0), np.arange(blocks_n)], np.nan) if len(
        capacity.harvester_ids
    ) else np.full(blocks_n, np.nan)  # fmt: skip
    hours = hours * np.where(np.isfinite(own_h), own_h, 0.0)
    mean_worth = ph.value.mean(axis=0)
    open_worth = np.where(capacity.allowed, mean_worth, -np.inf)
    has_day = capacity.allowed.any(axis=1)
    best = np.where(has_day, open_worth.argmax(axis=1), 0)
    best_worth = np.where(has_day, open_worth[np.arange(blocks_n), best], 0.0)
    frosted = (picked * value.frost_damage_fraction).sum(axis=2) / np.maximum(picked.sum(axis=2), TINY)
    frosted = np.where(picked.sum(axis=2) > TINY, frosted, value.frost_damage_fraction[:, :, -1])
    frost_hit = frosted > 0.005
    frost_money = (picked * value.frost_loss).sum(axis=2)
    last_day = np.where(stacked.end >= 0, np.floor(stacked.end), days_n - 1)
    wet = capacity.allowed[None, :, :] & (capacity.workable_fraction <= 0)
    lost_days = (wet & (np.arange(days_n)[None, None, :] <= last_day[:, :, None])).sum(axis=2).mean(axis=0)
    age = np.stack([(picked[s] * stacked.mill[s, :, 3]).sum(axis=1) for s in range(scenarios_n)])
    age = age.mean(axis=0) / np.maximum(share, TINY)

    # samples behind the row
    own = season.samples
    counts = own.groupby("block_id")["sampled_on"].agg(["count", "max"]).reindex(blocks["block_id"])
    sample_age = (days[0] - counts["max"]).dt.days.to_numpy(dtype=float)

    blocked = dict(season.blocked)
    promises = committed.drop_duplicates("block_id").set_index("block_id")["pick_on"]
    promised_on = pd.to_datetime(promises.reindex(capacity.block_ids)).reset_index(drop=True)
    area = blocks["area_ha"].to_numpy(dtype=float)
    status, why_not = [], []
    for b, block_id in enumerate(capacity.block_ids):
        if block_id in blocked:
            status.append("cannot be decided")
            why_not.append(blocked[block_id])
        elif capacity.area_left_ha[b] <= 0:
            status.append("picked")
            why_not.append("picked this season")
        elif not planned[b]:
            status.append("left")
            why_not.append(nothing or _why_left(b, block_id, capacity, ph, float(share[b])))
        else:
            running = capacity.area_left_ha[b] < area[b] and start_mid[b] < 1.0
            status.append("picking" if running else "committed" if pd.notna(promised_on[b])
                          else "proposed")  # fmt: skip
            why_not.append("")
    mean_start = np.where(began, stacked.start, days_n).mean(axis=0)
    start_at = when(start_mid)
    moved_days = (start_at.dt.normalize() - promised_on).dt.days.astype(float)
    moved_days[np.array(status) == "picking"] = np.nan
    moved = _moved_table(promise, mean_start, capacity, ph, moves, promised_on, start_at)
    rank = pd.Series(pd.NA, index=range(blocks_n), dtype="Int64")
    sequence = [b for b in np.lexsort((np.arange(blocks_n), start_mid)) if planned[b]]
    rank.iloc[sequence] = np.arange(1, len(sequence) + 1)
    money = np.where(planned, worth, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        rows = pd.DataFrame(
            {
                "rank": rank,
                "block_id": capacity.block_ids,
                "harvester_id": [capacity.harvester_ids[harvester[b]] if planned[b] else "" for b in range(blocks_n)],
                "lot": [capacity.lots[k] for k in capacity.lot],
                "status": status,
                "why_not": why_not,
                "start_at": start_at,
                "end_at": when(end_mid),
                "start_p10": when(np.nanquantile(with_start, 0.1, axis=0)),
                "start_p90": when(np.nanquantile(with_start, 0.9, axis=0)),
                "area_ha": capacity.area_left_ha,
                "hours_h": np.where(planned, hours, np.nan),
                "move_h": np.where(planned, stacked.move.mean(axis=0), np.nan),
                "move_from": [
                    capacity.block_ids[came_from[b]] if planned[b] and came_from[b] >= 0 else ""
                    for b in range(blocks_n)
                ],
                "crop_t": np.where(planned, crop, np.nan),
                "crop_p10_t": np.where(planned, _quantile(crop_draws, 0.1), np.nan),
                "crop_p90_t": np.where(planned, _quantile(crop_draws, 0.9), np.nan),
                "oil_fresh_pct": at_pick(value.oil_fresh_pct),
                "oil_dry_pct": at_pick(value.oil_dry_pct),
                "moisture_pct": at_pick(value.moisture_pct),
                "maturity_index": at_pick(value.maturity_index),
                "paid_oil_kg": np.where(planned, paid, np.nan),
                "value": money,
                "value_p10": np.where(planned, _quantile(block_draws, 0.1), np.nan),
                "value_p90": np.where(planned, _quantile(block_draws, 0.9), np.nan),
                "value_per_h": money / (hours + stacked.move.mean(axis=0)),
                "best_on": pd.Series(days.to_numpy()[best]).where(has_day),
                "best_on_loss": np.where(planned, np.maximum(best_worth * share - worth, 0.0), np.nan),
                "frost_value_at_risk": np.where(
                    frost_hit.any(axis=0), (frost_money * frost_hit).sum(axis=0) / np.maximum(frost_hit.sum(axis=0), 1),
                    0.0,
                ),
                "frost_chance": frost_hit.mean(axis=0),
                "days_lost_mean": lost_days,
                "truck_loads": np.where(planned, np.ceil(crop / capacity.payload_t), np.nan),
                "to_mill_at": when(start_mid + capacity.haul_age_h / 24.0),
                "wait_h": np.where(planned, age, np.nan),
                "cleaning_h": np.where(planned, stacked.cleaned.mean(axis=0) * capacity.mill_cleaning_h, np.nan),
                "promised_on": promised_on,
                "moved_days": moved_days,
                "moved_why": _why_moved(rules, days, capacity.block_ids, promised_on, moved_days, moved),
                "sample_age_d": sample_age,
                "samples_n": counts["count"].fillna(0).astype(int).to_numpy(),
            }
        )  # fmt: skip
    unread = [name for name in sorted(blocked) if name not in set(capacity.block_ids)]
    if unread:
        rows = pd.concat([rows, _unread_rows(rows, unread, season)], ignore_index=True)
    rows = rows.sort_values(["rank", "block_id"], kind="stable", na_position="last").reset_index(drop=True)

    if nothing:
        state, why = "nothing workable", nothing
    elif gap <= PROVED_GAP_FRACTION:
        state, why = "proved within gap", f"No plan can be worth more than {100 * gap:.1f} % above this one."
    else:
        state = "best known"
        why = f"Best of the plans tried; no plan can earn more than {100 * gap:.1f} % of the bound more, and part of " \
              "that gap is weather nobody can know."  # fmt: skip
    return HarvestPlan(
        status=state,
        why=why,
        rows=rows[list(ROW_COLUMNS)],
        value=total,
        value_p10=float(np.quantile(total_draws, 0.1)),
        value_p50=float(np.quantile(total_draws, 0.5)),
        value_p90=float(np.quantile(total_draws, 0.9)),
        bound=bounds.value,
        gap_fraction=gap,
        moved=moved,
        mill_days=_mill_table(capacity, ph, stacked),
        oil_orders=_oil_table(value, bounds, picked, of_draw),
        capacity_days=_used_table(capacity, stacked),
        prices=pd.DataFrame(
            {
                "day": days,
                "harvester_per_h": bounds.price_h.mean(axis=(0, 1)) if bounds.price_h.shape[1] else 0.0,
                "mill_per_t": bounds.price_mill_t.mean(axis=0),
                "truck_per_h": bounds.price_truck_h.mean(axis=0),
            }
        ),
        rules=pd.DataFrame(
            [
                (name, worth, worth / bounds.value if bounds.value > 0 else np.nan)
                for name, worth in [*rule_rows, ("this plan", total)]
            ],
            columns=["rule", "value", "share_of_bound"],
        ),
        scenario_values=values,
        picked=picked,
        lists=lists,
        bounds=bounds,
        assumptions=pd.DataFrame(
            [(name, rules[name], unit, "rule", says) for name, unit, says in _RULES_USED],
            columns=["name", "value", "unit", "source", "says"],
        ),
    )


_RULES_USED = (
    ("keep_gain_per_block", "currency", "the plan must gain this for each promised block that it moves"),
    ("keep_days", "days", "days from today in which a promised block is kept so"),
    ("caution_fraction", "fraction", "weight of the worst quarter of the scenarios against the mean"),
    ("wait_gain_fraction", "fraction", "of the plan's worth: waiting through a workable day must add so much"),
    ("shift_start_h", "h", "clock hour at which shifts begin; only the clock times shown depend on it"),
)


def _unread_rows(rows: pd.DataFrame, unread: list[str], season: Season) -> pd.DataFrame:
    """Rows of blocks whose records are too poor to be in the blocks table at all."""
    more = pd.DataFrame({"block_id": unread}).reindex(columns=rows.columns)
    more["status"] = "cannot be decided"
    more["why_not"] = [season.blocked[name] for name in unread]
    for name in ("harvester_id", "lot", "move_from", "moved_why"):
        more[name] = ""
    more["samples_n"] = 0
    return more.astype(
        {name: kind for name, kind in rows.dtypes.items() if kind.kind != "i"} | {"samples_n": int}
    )


def _most_common(values: np.ndarray) -> int:
    """Most frequent value, the smallest among equals."""
    found, counts = np.unique(values, return_counts=True)
    return int(found[counts.argmax()])


def _moved_table(
    promise: np.ndarray, mean_start: np.ndarray, capacity: Capacity, ph: Physics, moves: Sequence[Moved],
    promised_on: pd.Series, start_at: pd.Series,
) -> pd.DataFrame:  # fmt: skip
    """Promised blocks that moved, with what putting each back would cost and why it moved."""
    last = len(capacity.days) - 1
    told = []
    for b, gain, own in moves:
        day = min(int(promise[b]), last)
        later = mean_start[b] > promise[b]
        if (ph.work[:, b, day] > 0).mean() < 0.5:
            why = "it cannot be worked on the promised day in most scenarios"
        elif own >= 0.5 * gain:
            why = f"its own fruit earns more {'later' if later else 'earlier'}"
        else:
            why = "other blocks earn more in its place" if later else "picking it sooner leaves better days to others"
        told.append((b, gain, why))
    at = [b for b, _, _ in told]
    to_on = start_at[at].dt.normalize()
    return pd.DataFrame(
        {
            "block_id": [capacity.block_ids[b] for b, _, _ in told],
            "from_on": promised_on[at].to_numpy(),
            "to_on": to_on.to_numpy(),
            "moved_days": (to_on - promised_on[at]).dt.days.astype(float).to_numpy(),
            "gain": np.array([gain for _, gain, _ in told], dtype=float),
            "why": np.array([why for _, _, why in told], dtype=object),
        }
    )


def _why_moved(
    rules: Mapping[str, Any], days: pd.DatetimeIndex, block_ids: Sequence[str], promised_on: pd.Series,
    moved_days: pd.Series, moved: pd.DataFrame,
) -> list[str]:  # fmt: skip
    """Why each block is planned for another day than it was promised for; "" where it is not."""
    paid = dict(zip(moved["block_id"], moved["why"], strict=True))
    until = days[0] + pd.Timedelta(days=float(rules["keep_days"]))
    told = []
    for block_id, day, by in zip(block_ids, promised_on, moved_days, strict=True):
        if not abs(by) >= 1:
            why = ""
        elif block_id in paid:
            why = paid[block_id]
        elif day < days[0]:
            why = "it was not picked on its day"
        elif day > until:
            why = "its day was too far ahead to be held"
        else:
            why = "weather and the work before it change its day; its place is kept"
        told.append(why)
    return told


def _mill_table(capacity: Capacity, ph: Physics, stacked: Record) -> pd.DataFrame:
    """Fruit to the mill by day and lot, mean over scenarios; days without fruit keep one row without a lot."""
    tonnes = (stacked.picked * ph.crop).mean(axis=0)
    by_lot = np.zeros((len(capacity.lots), len(capacity.days)))
    np.add.at(by_lot, capacity.lot, tonnes)
    lot, day = np.nonzero(by_lot > 0.005)
    idle = np.flatnonzero(by_lot.sum(axis=0) <= 0.005)
    limit = np.where(capacity.mill_t >= UNLIMITED, np.inf, capacity.mill_t)
    came, waiting = stacked.mill[:, :, 0], stacked.mill[:, :, 1]
    before = np.concatenate([np.zeros((len(waiting), 1)), waiting[:, :-1]], axis=1)
    at = np.concatenate([day, idle])
    table = pd.DataFrame(
        {
            "day": capacity.days.to_numpy()[at],
            "lot": [capacity.lots[k] for k in lot] + [""] * len(idle),
            "crop_t": np.concatenate([by_lot[lot, day], np.zeros(len(idle))]),
            "limit_t": limit[at],
            "crushed_t": (before + came - waiting).mean(axis=0)[at],
            "waiting_t": waiting.mean(axis=0)[at],
        }
    )
    return table.sort_values(["day", "lot"], kind="stable").reset_index(drop=True)


def _oil_table(value: Value, bounds: Bound, picked: np.ndarray, of_draw: np.ndarray) -> pd.DataFrame:
    """What orders for oil get, over the draws."""
    orders = value.oil_orders
    rows = orders.table
    got = np.zeros((len(of_draw), len(rows)))
    for k in range(len(of_draw) if len(rows) else 0):
        got[k] = filled(picked[of_draw[k]], orders.oil_draws_l[k], orders.fits, orders.wanted_l)
    short = np.maximum(orders.wanted_l - got, 0.0)
    total = got + rows["delivered_l"].to_numpy(dtype=float)
    return rows[["order_id", "style", "cultivar", "organic", "due_on", "oil_l", "delivered_l"]].assign(
        expected_l=total.mean(axis=0),
        p10_l=_quantile(total, 0.1),
        p90_l=_quantile(total, 0.9),
        shortfall_l=short.mean(axis=0),
        met_chance=(short <= 0.005 * np.maximum(orders.wanted_l, 1.0)).mean(axis=0),
        shortfall_cost_l=rows["shortfall_cost_l"],
        shortfall_cost=short.mean(axis=0) * orders.cost_l,
        price_l=bounds.price_oil_l,
        note=rows["note"],
    )


def _used_table(capacity: Capacity, stacked: Record) -> pd.DataFrame:
    """Use of every resource by day, mean over scenarios."""
    parts = []
    used_h = stacked.harvester_h.mean(axis=0)
    # clock hours of the shift in scenarios where at least one open block can be worked: what a harvester can use
    some_work = ((capacity.workable_fraction > 0) & capacity.allowed[None]).any(axis=1).mean(axis=0)
    for h, name in enumerate(capacity.harvester_ids):
        parts.append((name, capacity.shift_h[h] * some_work, used_h[h], "h"))
    parts.append(("mill", capacity.mill_t, stacked.mill[:, :, 0].mean(axis=0), "t"))
    parts.append(("trucks", capacity.truck_h, stacked.truck_h.mean(axis=0), "h"))
    table = pd.concat(
        [
            pd.DataFrame({"day": capacity.days, "resource": name, "limit": limit, "used": used, "unit": unit})
            for name, limit, used, unit in parts
        ],
        ignore_index=True,
    )
    table["limit"] = table["limit"].where(table["limit"] < UNLIMITED, np.inf)
    table["binding"] = (table["limit"] > 0) & (table["used"] >= BINDING_FRACTION * table["limit"])
    return table.sort_values(["day"], kind="stable").reset_index(drop=True)


# --- the whole chain -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Proposal:
    """Everything that a week's decision rests on, from records to plan.

    Attributes
    ----------
    season : Season
        As decided on: `blocked` also names blocks about whose oil nothing is known.
    station_days : StationDays
    fit : RipeningFit
    scenarios : Scenarios
    outcomes : Outcomes
    capacity : Capacity
    value : Value
    plan : HarvestPlan
    targets : pandas.DataFrame
        Days to the season's target, one row a block (see `Outcomes.days_to`).
    seed : int
    assumptions : pandas.DataFrame
        room, name, value, unit, source, says, says_parts: every default used by any room.
    kept : Path or None
        Folder in which results stay (see `propose`).
    """

    season: Season
    station_days: StationDays
    fit: RipeningFit
    scenarios: Scenarios
    outcomes: Outcomes
    capacity: Capacity
    value: Value
    plan: HarvestPlan
    targets: pd.DataFrame
    seed: int
    assumptions: pd.DataFrame
    kept: Path | None = None


def propose(
    season: Season,
    *,
    seed: int = 0,
    n_scenarios: int | None = None,
    n_draws: int = 192,
    evaluations: int = 4000,
    known: Proposal | None = None,
    kept: Path | None = None,
) -> Proposal:
    """From a season's records to the harvest order: the whole chain.

    Parameters
    ----------
    season : Season
        From `read_season`, or changed for a what-if.
    seed : int, optional
        Seed of weather scenarios, draws and search; the same season and seed give the same proposal.
    n_scenarios : int, optional
        Weather scenarios; the rule `plan_scenarios` when left out.
    n_draws : int, optional
        Draws of the fruit's future, at least one a scenario.
    evaluations : int, optional
        Budget of the search, see `plan`.
    known : Proposal, optional
        An earlier proposal of the same week, for a what-if that changes machines, mill, prices or days but not what
        the fruit does: its weather, curves and outcomes are taken as they are, and its order is one more start.
    kept : Path, optional
        Folder of your own in which fitted curves and orders are kept (`olivetime.records.kept`): the same records are
        then fitted and planned once. Nothing is kept when left out.

    Returns
    -------
    Proposal
    """
    if known is None:
        compiling.begin()
        n = int(season.rules["plan_scenarios"]) if n_scenarios is None else n_scenarios
        days = make_station_days(season)
        season, _ = with_cold_spots(season, days)
        fit = kept_ripening(season, days, seed=seed, folder=kept)
        ahead = make_scenarios(season, days, n=n, seed=seed, past_outlooks=season.past_outlooks)
        fruit = make_outcomes(season, fit, ahead, n_draws=n_draws, seed=seed)
        if (weeks := int(season.rules["range_memory_weeks"])) > 0:
            fruit = with_memory(fruit, past_misses(season, weeks, seed=seed))
    else:
        days, fit, ahead, fruit = known.station_days, known.fit, known.scenarios, known.outcomes
    season = replace(season, blocked={**fit.unranked, **season.blocked})
    limits = make_capacity(season, ahead)
    worth = make_value(season, fruit, ahead, limits)
    before = None if known is None else known.plan
    order = plan(season, limits, worth, seed=seed, evaluations=evaluations, known=before, kept=kept)
    values = worth.value_draws if season.target.kind == "best_value" else None
    rooms = (
        ("weather", ahead),
        ("ripening", fruit),
        ("capacity", limits),
        ("value", worth),
        ("order", order),
    )
    assumptions = pd.concat([part.assumptions.assign(room=room) for room, part in rooms], ignore_index=True)
    columns = ["room", "name", "value", "unit", "source", "says", "says_parts"]
    return Proposal(
        season=season, station_days=days, fit=fit, scenarios=ahead, outcomes=fruit, capacity=limits, value=worth,
        plan=order, targets=fruit.days_to(season.target, values=values), seed=seed,
        assumptions=assumptions[columns].fillna({"says_parts": ""}), kept=kept,
    )  # fmt: skip
