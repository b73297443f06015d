"""The referee: walks a plan through a weather scenario and says what it earns.

A plan is, for each harvester, a list of blocks in order, and for each block a release day before which it is not
started. The referee knows nothing of how the plan was made; every plan, rule of thumb and what-if is scored by it.
`walk` is compiled; `walk_plain` is written a second time in plain Python and audits it in the tests.

What happens on a day, in continuous time from event to event (end of a move, of a block, of the shift):

- A harvester keeps working in its block while the ground there is workable. Otherwise, and when the block is
  finished, it takes the first block of its list that is released, workable today and worth more than nothing.
- A move takes its hours, may end the next day, and washing is added when an organic block follows fruit that is not.
- In a block with workable share f, a clock hour does f hours of picking.
- Fruit picked on a day is limited by the truck hours of the day and by what the mill can still take: its tonnes of
  the day, less cleaning, plus what may wait in its bins, less what waits already. So a heavy block runs at its own
  pace and the mill smooths it; the mill is not a limit on tonnes an hour.
- The mill runs each lot once a day, first the lot it ended with the day before; every other lot costs a cleaning.
- Oil that buyers have ordered and do not get by its day costs money for each litre, when the season ends.
- Fruit ages: mean age of the day's fruit = tonne-hours waiting (24 h times the mean of the tonnes waiting at both
  ends of the day, Little's law) and on the road, per tonne. Hours beyond the mill's limit cost money: a priced
  limit, not a hard one, because a hard one has no solution on a busy day.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from olivetime.harvest.capacity import Capacity
from olivetime.harvest.tasks import compiled, inner
from olivetime.harvest.value import OilOrders, Value

# Shares and hours smaller than this are rounding, not work.
TINY = 1e-9
EVEN_DIGITS = 17  # binary: a step is at most a 65,000th of the largest worth, far below what is known of it


class Physics(NamedTuple):
    """Arrays the referee reads. S scenarios, H harvesters, B blocks, T days, L lots.

    Money in currency, work in hours, fruit in tonnes. `work` is 0 where a block may not or need not be picked.
    """

    value: np.ndarray  # (S, B, T) worth of the whole block
    crop: np.ndarray  # (S, B, T) tonnes of the whole block
    work: np.ndarray  # (S, B, T) workable share, 0 when closed, wet or worthless
    shift_h: np.ndarray  # (H, T)
    block_h: np.ndarray  # (H, B), inf where it may not go
    move_fixed_h: np.ndarray  # (H,)
    move_h_km: np.ndarray  # (H,)
    washdown_h: np.ndarray  # (H,)
    move_cost_h: np.ndarray  # (H,)
    start_block: np.ndarray  # (H,) int64
    distance_km: np.ndarray  # (B, B)
    organic: np.ndarray  # (B,) bool
    lot: np.ndarray  # (B,) int64
    lots_n: int
    mill_t: np.ndarray  # (T,)
    buffer_t: float
    cleaning_t: float  # tonnes the mill does not take because of one cleaning
    max_wait_h: float
    truck_h: np.ndarray  # (T,)
    truck_h_t: np.ndarray  # (B,)
    age_cost: np.ndarray  # (B,) currency per tonne and hour beyond max_wait_h
    haul_age_h: np.ndarray  # (B,)
    # orders for oil, O of them, the dearest shortfall first; see `with_oil_orders`
    oil_l: np.ndarray = np.zeros((0, 0, 0))  # (S, B, T) litres of the whole block
    oil_fits: np.ndarray = np.zeros((0, 0, 0), dtype=bool)  # (O, B, T) fruit of that day counts for the order
    oil_wanted_l: np.ndarray = np.zeros(0)  # (O,)
    oil_cost_l: np.ndarray = np.zeros(0)  # (O,) currency per litre short


class Record(NamedTuple):
    """What a walk leaves behind, for one scenario."""

    picked: np.ndarray  # (B, T) share of the block picked
    start: np.ndarray  # (B,) days from the first shift's begin to the first fruit, -1 never
    end: np.ndarray  # (B,) days to the last fruit, -1 when not finished
    move: np.ndarray  # (B,) hours of moving and washing spent to get there
    came_from: np.ndarray  # (B,) block left for this one, -1 unknown or none
    cleaned: np.ndarray  # (B,) cleanings of the mill that its fruit made necessary
    harvester_h: np.ndarray  # (H, T) hours used, moves included
    truck_h: np.ndarray  # (T,)
    mill: np.ndarray  # (T, 4): received t, waiting at the end t, cleanings, mean age h


def even(amounts: np.ndarray) -> np.ndarray:
    """Round to a grid of 2 to the power of `EVEN_DIGITS` steps up to the largest amount.

    The last digits of a fit differ between processors and libraries, and a search that compares thousands of orders
    would turn such a digit into another order. What is rounded alike is ordered alike.
    """
    amounts = np.ascontiguousarray(amounts, dtype=np.float64)
    most = float(np.abs(amounts).max(initial=0.0))
    if not 0.0 < most < np.inf:
        return amounts
    step = 2.0 ** (np.frexp(most)[1] - EVEN_DIGITS)
    return np.round(amounts / step) * step


def physics(capacity: Capacity, value: Value) -> Physics:
    """Pack capacity and value for the referee; days on which a block is worth nothing are not worked.

    What comes out of fits and weather is rounded by `even`.

    Parameters
    ----------
    capacity : Capacity
    value : Value

    Returns
    -------
    Physics
    """
    worth, crop = even(value.value), even(value.crop_t)
    work = np.where((worth > 0) & (crop > 0), even(capacity.workable_fraction), 0.0)
    return Physics(
        value=worth,
        crop=crop,
        work=np.ascontiguousarray(work),
        shift_h=np.ascontiguousarray(capacity.shift_h, dtype=np.float64),
        block_h=np.ascontiguousarray(capacity.block_h, dtype=np.float64),
        move_fixed_h=capacity.move_fixed_h.astype(np.float64),
        move_h_km=1.0 / capacity.move_km_h.astype(np.float64),
        washdown_h=capacity.washdown_h.astype(np.float64),
        move_cost_h=capacity.harvester_cost_h.astype(np.float64),
        start_block=capacity.start_block.astype(np.int64),
        distance_km=np.ascontiguousarray(capacity.distance_km, dtype=np.float64),
        organic=capacity.organic.astype(np.bool_),
        lot=capacity.lot.astype(np.int64),
        lots_n=len(capacity.lots),
        mill_t=capacity.mill_t.astype(np.float64),
        buffer_t=float(capacity.mill_buffer_t),
        cleaning_t=float(capacity.mill_cleaning_h * capacity.mill_rate_t_h),
        max_wait_h=float(capacity.mill_max_wait_h),
        truck_h=capacity.truck_h.astype(np.float64),
        truck_h_t=capacity.truck_h_per_t.astype(np.float64),
        age_cost=even(value.age_cost_t_h),
        haul_age_h=capacity.haul_age_h.astype(np.float64),
    )


def with_oil_orders(ph: Physics, orders: OilOrders) -> Physics:
    """Physics under which a plan also pays for oil that orders are short of.

    Each order is filled as fruit that counts for it is picked; a litre counts once, for the order whose shortfall is
    dearest among those still open.
    """
    return ph._replace(
        oil_l=even(orders.oil_l),
        oil_fits=np.ascontiguousarray(orders.fits),
        oil_wanted_l=orders.wanted_l.astype(np.float64),
        oil_cost_l=orders.cost_l.astype(np.float64),
    )


@inner
def fill(litres: float, fits: np.ndarray, wanted: np.ndarray, got: np.ndarray) -> None:
    """Give litres to the orders that they count for, `fits` (O,), in turn until each has what it wants."""
    for o in range(wanted.shape[0]):
        if fits[o] and got[o] < wanted[o]:
            part = min(litres, wanted[o] - got[o])
            got[o] += part
            litres -= part
            if litres <= 0.0:
                return


@compiled
def filled(picked: np.ndarray, oil_l: np.ndarray, fits: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Litres that each order gets from shares picked (B, T) of blocks that hold `oil_l` (B, T), day by day, (O,)."""
    got = np.zeros(wanted.shape[0])
    for t in range(picked.shape[1]):
        for b in range(picked.shape[0]):
            if picked[b, t] > 0.0:
                fill(picked[b, t] * oil_l[b, t], fits[:, b, t], wanted, got)
    return got


@inner
def road_h(
    fixed_h: float, h_km: float, wash_h: float, distance_km: np.ndarray, organic: np.ndarray, at: int, to: int,
    dirty: bool,
) -> float:  # fmt: skip
    """Hours from block `at` (-1: a place unknown) to block `to`, washing included when fruit before was not organic."""
    if to == at:
        return 0.0
    hours = fixed_h
    if at >= 0:
        hours += distance_km[at, to] * h_km
    if dirty and organic[to]:
        hours += wash_h
    return hours


@inner
def fitting(
    left: float, hours: float, pace: float, crop_t: float, room_t: float, trucks_h: float, truck_h_t: float
) -> tuple[float, bool]:
    """Share of a block that is picked on a day, and whether the mill or the trucks are what ends it.

    Picked are at most the share left, what the pace (share an hour) allows in the hours, what the mill has room for
    and what the truck hours carry.
    """
    share = min(left, hours * pace)
    limited = False
    if share * crop_t > room_t:
        share = room_t / crop_t
        limited = True
    if share * crop_t * truck_h_t > trucks_h:
        share = trucks_h / (crop_t * truck_h_t)
        limited = True
    return share, limited


@inner
def evening(
    before_t: float, came_t: float, mill_t: float, cost: float, road: float, max_wait_h: float
) -> tuple[float, float, float, float]:  # fmt: skip
    """The mill's day: tonnes that wait in the evening, what an hour of theirs costs, mean age [h], cost of age.

    `mill_t` is what it can crush, cleaning taken off; `cost` that of an hour of all fruit there and `road` its hours
    on the road, both in sum over tonnes.
    """
    fruit = before_t + came_t
    waiting = max(0.0, fruit - max(0.0, mill_t))
    if fruit <= TINY:
        return waiting, 0.0, 0.0, 0.0
    age = (12.0 * (before_t + waiting) + road) / fruit
    return waiting, cost * waiting / fruit, age, max(0.0, age - max_wait_h) * cost


def empty_record(ph: Physics) -> Record:
    """A record of the right shapes to hand to `walk`."""
    blocks_n, days_n = ph.value.shape[1:]
    machines_n = ph.shift_h.shape[0]
    return Record(
        picked=np.zeros((blocks_n, days_n)),
        start=np.zeros(blocks_n),
        end=np.zeros(blocks_n),
        move=np.zeros(blocks_n),
        came_from=np.zeros(blocks_n, dtype=np.int64),
        cleaned=np.zeros(blocks_n),
        harvester_h=np.zeros((machines_n, days_n)),
        truck_h=np.zeros(days_n),
        mill=np.zeros((days_n, 4)),
    )


@compiled
def walk(
    ph: Physics, s: int, order: np.ndarray, length: np.ndarray, release: np.ndarray, keep: bool, rec: Record
) -> float:
    """Worth of a plan in scenario `s`.

    Parameters
    ----------
    ph : Physics
    s : int
        Scenario.
    order : ndarray (H, B) of int64
        Blocks of each harvester in order; only the first `length[h]` are read.
    length : ndarray (H,) of int64
    release : ndarray (B,) of int64
        Day index before which a block is not started.
    keep : bool
        Fill all of `rec`; otherwise only `rec.start`.
    rec : Record
        Overwritten.

    Returns
    -------
    float
        Worth of the fruit picked less the cost of moves, of aged fruit and of oil that orders lack [currency].
    """
    machines_n, days_n = ph.shift_h.shape
    blocks_n = ph.value.shape[1]
    left = np.ones(blocks_n)
    first = np.zeros(machines_n, np.int64)
    at, target = np.zeros(machines_n, np.int64), np.zeros(machines_n, np.int64)
    move_left = np.zeros(machines_n)
    clock = np.zeros(machines_n)
    active = np.zeros(machines_n, np.bool_)
    dirty = np.ones(machines_n, np.bool_)
    for h in range(machines_n):
        at[h], target[h] = ph.start_block[h], -1
        if at[h] >= 0:
            dirty[h] = not ph.organic[at[h]]
    lot_day = np.zeros(ph.lots_n, np.int64)
    for k in range(ph.lots_n):
        lot_day[k] = -1
    last_lot = -1
    queue = 0.0
    queue_cost = 0.0
    total = 0.0
    orders_n = ph.oil_wanted_l.shape[0]
    got = np.zeros(orders_n)
    for b in range(blocks_n):
        rec.start[b] = -1.0
    if keep:
        for b in range(blocks_n):
            rec.end[b], rec.move[b], rec.came_from[b], rec.cleaned[b] = -1.0, 0.0, -1, 0.0
            for t in range(days_n):
                rec.picked[b, t] = 0.0
        for h in range(machines_n):
            for t in range(days_n):
                rec.harvester_h[h, t] = 0.0

    for t in range(days_n):
        room = ph.mill_t[t] + ph.buffer_t - queue
        trucks = ph.truck_h[t]
        received = 0.0
        cost = queue_cost
        road_h_t = 0.0
        cleanings = 0
        lot_before = last_lot
        for h in range(machines_n):
            clock[h] = 0.0
            active[h] = ph.shift_h[h, t] > TINY
        while True:
            g = -1
            earliest = np.inf
            for h in range(machines_n):
                if active[h] and clock[h] < earliest:
                    earliest = clock[h]
                    g = h
            if g < 0:
                break
            b = target[g]
            if b < 0 or ph.work[s, b, t] <= 0.0:
                while first[g] < length[g] and left[order[g, first[g]]] <= TINY:
                    first[g] += 1
                found = -1
                for p in range(first[g], length[g]):
                    c = order[g, p]
                    if left[c] > TINY and release[c] <= t and ph.work[s, c, t] > 0.0:
                        found = c
                        break
                if found < 0:
                    active[g] = False
                    continue
                if b != found:
                    target[g] = found
                    move_left[g] = road_h(
                        ph.move_fixed_h[g], ph.move_h_km[g], ph.washdown_h[g], ph.distance_km, ph.organic, at[g], found,
                        dirty[g],
                    )  # fmt: skip
                    if keep and found != at[g]:
                        rec.came_from[found] = at[g]
                b = found
            hours_left = ph.shift_h[g, t] - clock[g]
            if move_left[g] > 0.0:
                step = min(move_left[g], hours_left)
                move_left[g] -= step
                clock[g] += step
                total -= step * ph.move_cost_h[g]
                if keep:
                    rec.move[b] += step
                    rec.harvester_h[g, t] += step
                if move_left[g] <= TINY:
                    move_left[g] = 0.0
                    at[g] = b
                if ph.shift_h[g, t] - clock[g] <= TINY:
                    active[g] = False
                continue
            if trucks <= TINY and ph.truck_h_t[b] > 0.0:
                active[g] = False
                continue
            k = ph.lot[b]
            if lot_day[k] != t:
                if last_lot >= 0 and k != lot_before:
                    if room - ph.cleaning_t <= TINY:
                        active[g] = False
                        continue
                    room -= ph.cleaning_t
                    cleanings += 1
                    if keep:
                        rec.cleaned[b] += 1.0
                lot_day[k] = t
                if k != lot_before:
                    last_lot = k
            crop = ph.crop[s, b, t]
            pace = ph.work[s, b, t] / ph.block_h[g, b]
            share, limited = fitting(left[b], hours_left, pace, crop, room, trucks, ph.truck_h_t[b])
            if share <= TINY and limited:
                active[g] = False
                continue
            tonnes = share * crop
            if rec.start[b] < 0.0:
                rec.start[b] = t + clock[g] / 24.0
            clock[g] += share / pace
            left[b] -= share
            total += share * ph.value[s, b, t]
            if orders_n:
                fill(share * ph.oil_l[s, b, t], ph.oil_fits[:, b, t], ph.oil_wanted_l, got)
            room -= tonnes
            trucks -= tonnes * ph.truck_h_t[b]
            received += tonnes
            cost += tonnes * ph.age_cost[b]
            road_h_t += tonnes * ph.haul_age_h[b]
            dirty[g] = not ph.organic[b]
            if keep:
                rec.picked[b, t] += share
                rec.harvester_h[g, t] += share / pace
            if left[b] <= TINY:
                left[b] = 0.0
                target[g] = -1
                if keep:
                    rec.end[b] = t + clock[g] / 24.0
            if limited or ph.shift_h[g, t] - clock[g] <= TINY:
                active[g] = False
        queue, queue_cost, age, paid = evening(
            queue, received, ph.mill_t[t] - cleanings * ph.cleaning_t, cost, road_h_t, ph.max_wait_h
        )
        total -= paid
        if keep:
            rec.truck_h[t] = ph.truck_h[t] - trucks
            rec.mill[t, 0] = received
            rec.mill[t, 1] = queue
            rec.mill[t, 2] = cleanings
            rec.mill[t, 3] = age
    for o in range(orders_n):
        total -= ph.oil_cost_l[o] * max(0.0, ph.oil_wanted_l[o] - got[o])
    return total


class Step(NamedTuple):
    """One stretch of a harvester's day, as `walk_plain` saw it; hours from the begin of the day's shift."""

    harvester: int
    what: str  # "move" (washing included) or "pick"
    block: int
    day: int
    from_h: float
    to_h: float
    crop_t: float
    wash_h: float  # hours of washing that the whole move contains


@dataclass
class Standing:
    """Where `walk_plain` stopped in the evening of a day; a walk given one goes on from there.

    Attributes
    ----------
    day : int
        The next day to walk.
    remaining : dict
        block -> share still on the trees.
    machines : list of dict
        Where each harvester is and what it is about.
    bins, bins_cost : float
        Tonnes waiting at the mill, and what an hour of their waiting costs.
    mill_lot : int or None
        Lot that the mill ended with.
    oil_l : dict
        order -> litres that it has got.
    """

    day: int
    remaining: dict[int, float]
    machines: list[dict[str, Any]]
    bins: float = 0.0
    bins_cost: float = 0.0
    mill_lot: int | None = None
    oil_l: dict[int, float] = field(default_factory=dict)


def first_standing(ph: Physics) -> Standing:
    """Where everything stands before the first day."""
    machines: list[dict[str, Any]] = [
        {"at": int(block), "goal": None, "road": 0.0, "wash": 0.0, "dirty": block < 0 or not bool(ph.organic[block])}
        for block in ph.start_block
    ]
    return Standing(0, dict.fromkeys(range(ph.value.shape[1]), 1.0), machines)


def walk_plain(
    ph: Physics, s: int, order: list[list[int]], release: list[int], *, days: int | None = None,
    steps: list[Step] | None = None, standing: Standing | None = None,
) -> tuple[float, dict[tuple[int, int], float]]:  # fmt: skip
    """The same walk written a second time in plain Python: the audit of `walk`.

    Parameters
    ----------
    ph : Physics
    s : int
        Scenario.
    order : list of list of int
        Blocks of each harvester in order.
    release : list of int
        Day index before which a block is not started.
    days : int, optional
        Days walked; all when left out.
    steps : list of Step, optional
        Filled with what every harvester does.
    standing : Standing, optional
        Goes on from there instead of the first day, for `days` days, and is moved on to the evening reached.

    Returns
    -------
    worth : float
        [currency]
    picked : dict
        (block, day) -> share of the block picked.
    """
    days_n = ph.value.shape[2]
    begin = first_standing(ph) if standing is None else standing
    remaining, machines = begin.remaining, begin.machines
    bins, bins_cost, mill_lot, worth = begin.bins, begin.bins_cost, begin.mill_lot, 0.0
    last_day = days_n if days is None else min(begin.day + days, days_n)
    picked: dict[tuple[int, int], float] = {}

    def workable(block: int, day: int) -> bool:
        return remaining[block] > TINY and ph.work[s, block, day] > 0

    for day in range(begin.day, last_day):
        can_take = float(ph.mill_t[day]) + ph.buffer_t - bins
        truck_hours = float(ph.truck_h[day])
        arrived, fruit_cost, road_age, cleanings = 0.0, bins_cost, 0.0, 0
        morning_lot, lots_today = mill_lot, set()
        hour = {h: 0.0 for h in range(len(machines)) if ph.shift_h[h, day] > TINY}
        while hour:
            h = min(hour, key=lambda name: (hour[name], name))
            machine, end = machines[h], float(ph.shift_h[h, day])
            if machine["goal"] is None or not workable(machine["goal"], day):
                ready = [b for b in order[h] if release[b] <= day and workable(b, day)]
                if not ready:
                    del hour[h]
                    continue
                if ready[0] != machine["goal"]:
                    machine["goal"], machine["road"], machine["wash"] = ready[0], 0.0, 0.0
                    if ready[0] != machine["at"]:
                        machine["road"] = float(ph.move_fixed_h[h])
                        if machine["at"] >= 0:
                            machine["road"] += float(
                                ph.distance_km[machine["at"], ready[0]] * ph.move_h_km[h]
                            )
                        if machine["dirty"] and ph.organic[ready[0]]:
                            machine["wash"] = float(ph.washdown_h[h])
                            machine["road"] += machine["wash"]
            block = machine["goal"]
            if machine["road"] > 0:
                driven = min(machine["road"], end - hour[h])
                machine["road"] -= driven
                if steps is not None:
                    steps.append(Step(h, "move", block, day, hour[h], hour[h] + driven, 0.0, machine["wash"]))
                hour[h] += driven
                worth -= driven * float(ph.move_cost_h[h])
                if machine["road"] <= TINY:
                    machine["road"], machine["at"] = 0.0, block
                if end - hour[h] <= TINY:
                    del hour[h]
                continue
            if truck_hours <= TINY and ph.truck_h_t[block] > 0:
                del hour[h]
                continue
            lot = int(ph.lot[block])
            if lot not in lots_today:
                if mill_lot is not None and lot != morning_lot:
                    if can_take - ph.cleaning_t <= TINY:
                        del hour[h]
                        continue
                    can_take -= ph.cleaning_t
                    cleanings += 1
                lots_today.add(lot)
                if lot != morning_lot:
                    mill_lot = lot
            tonnes_all = float(ph.crop[s, block, day])
            share_per_hour = float(ph.work[s, block, day] / ph.block_h[h, block])
            by_field = min(remaining[block], (end - hour[h]) * share_per_hour)
            by_mill = can_take / tonnes_all
            per_share = tonnes_all * float(ph.truck_h_t[block])
            by_trucks = truck_hours / per_share if per_share > 0 else float("inf")
            share = min(by_field, by_mill, by_trucks)
            held_up = by_field > share
            if held_up and share <= TINY:
                del hour[h]
                continue
            if steps is not None:
                until = hour[h] + share / share_per_hour
                steps.append(Step(h, "pick", block, day, hour[h], until, share * tonnes_all, 0.0))
            hour[h] += share / share_per_hour
            remaining[block] -= share
            picked[block, day] = picked.get((block, day), 0.0) + share
            worth += share * float(ph.value[s, block, day])
            litres = share * float(ph.oil_l[s, block, day]) if len(ph.oil_wanted_l) else 0.0
            for number, wants in enumerate(ph.oil_wanted_l):
                if ph.oil_fits[number, block, day]:
                    given = min(litres, max(float(wants) - begin.oil_l.get(number, 0.0), 0.0))
                    begin.oil_l[number] = begin.oil_l.get(number, 0.0) + given
                    litres -= given
            can_take -= share * tonnes_all
            truck_hours -= share * per_share
            arrived += share * tonnes_all
            fruit_cost += share * tonnes_all * float(ph.age_cost[block])
            road_age += share * tonnes_all * float(ph.haul_age_h[block])
            machine["dirty"] = not bool(ph.organic[block])
            if remaining[block] <= TINY:
                remaining[block], machine["goal"] = 0.0, None
            if held_up or end - hour[h] <= TINY:
                del hour[h]
        fruit = bins + arrived
        evening = max(0.0, fruit - max(0.0, float(ph.mill_t[day]) - cleanings * ph.cleaning_t))
        if fruit > TINY:
            age = (12.0 * (bins + evening) + road_age) / fruit
            worth -= max(0.0, age - ph.max_wait_h) * fruit_cost
            bins_cost = fruit_cost * evening / fruit
        else:
            bins_cost = 0.0
        bins = evening
    begin.day, begin.bins, begin.bins_cost, begin.mill_lot = last_day, bins, bins_cost, mill_lot
    if last_day == days_n:  # what orders lack is known when the season ends
        for number, wants in enumerate(ph.oil_wanted_l):
            worth -= float(ph.oil_cost_l[number]) * max(float(wants) - begin.oil_l.get(number, 0.0), 0.0)
    return worth, picked
