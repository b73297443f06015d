"""Local search on the lists of a plan: annealed moves, each scored by walking only the harvesters that it touches.

A move changes the list of one harvester or of two. Their days are walked anew from the first day on which the change
can matter; the other harvesters keep what they bring to trucks and mill. So a move costs about as much on a farm of
1,000 blocks as on one of 40. For one harvester this is the referee's walk; with several it differs from it where
trucks or mill are full, since fruit of others is neither pushed aside nor let in. Hence the referee has the last word:
it scores the plan every now and then, and the plan given back is the best by its scores.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from olivetime.harvest.referee import TINY, Physics, Record, empty_record, walk
from olivetime.harvest.tasks import accepts, cooled, random_move, shift_segment

# Blocks counted as near one block when a move puts it beside another.
NEAR_BLOCKS = 10
# Lots beyond this number share their marks, which can only blur the count of cleanings within a search.
LOT_MARKS = 62
# Fruit that others bring and the mill cannot take any more: share of its worth lost, while a search lasts.
OVERFLOW_FRACTION = 0.3
# Shares of the moves: release days; to a good day; beside a near block with neighbours, alone; beside one of its lot;
# exchange with another harvester, of one block, of all that follows; the rest within the list.
MOVES = (0.15, 0.17, 0.10, 0.13, 0.07, 0.13, 0.10)
# Temperature at the begin and at the end, as shares of the worth of a mean block.
HOT, COLD = 0.01, 0.0001
# The referee scores the plan so many times over a search.
LOOKS = 24


class _Walked(NamedTuple):
    """What the harvesters do in a plan. S scenarios, H harvesters, B blocks, T days."""

    # at the begin of each day, (S, H, T)
    at: np.ndarray
    target: np.ndarray
    first: np.ndarray
    road: np.ndarray
    dirty: np.ndarray
    earned: np.ndarray  # (S, H, T + 1) worth before the day, moves paid
    # on each day, (S, H, T)
    tonnes: np.ndarray
    truck: np.ndarray
    age_cost: np.ndarray
    road_h: np.ndarray
    lots: np.ndarray  # marks of the lots brought
    last_lot: np.ndarray  # lot brought last
    ended: np.ndarray  # (S, H) first day on which the whole list held nothing to do, T never
    # of each block, (S, B)
    start: np.ndarray  # first fruit, T never [d]
    begun: np.ndarray  # day of the first fruit, T never
    done: np.ndarray  # day of the last fruit, T never
    seen: np.ndarray  # first day on which its harvester came to look at it, T never
    picked: np.ndarray  # (S, B, T)
    owner: np.ndarray  # (B,) harvester whose walk these are of, -1 none
    # mill and fleet on each day, (S, T)
    all_tonnes: np.ndarray
    all_truck: np.ndarray
    all_cost: np.ndarray
    all_road: np.ndarray
    all_lots: np.ndarray  # (S, T, H) marks of the lots of all other harvesters
    # before each day, (S, T + 1)
    queue: np.ndarray
    queue_cost: np.ndarray
    mill_lot: np.ndarray
    aged: np.ndarray  # cost of age and overflow so far


class _Day(NamedTuple):
    """What one harvester brings on each day in a trial, (T,), and what it holds at the end."""

    tonnes: np.ndarray
    truck: np.ndarray
    age_cost: np.ndarray
    road_h: np.ndarray
    lots: np.ndarray
    start: np.ndarray  # (B,)
    left: np.ndarray  # (B,) working space


def _nothing_walked(scenarios_n: int, machines_n: int, blocks_n: int, days_n: int) -> _Walked:
    each = (scenarios_n, machines_n, days_n)
    block = (scenarios_n, blocks_n)
    day = (scenarios_n, days_n)
    before = (scenarios_n, days_n + 1)
    whole = np.int64
    return _Walked(
        at=np.zeros(each, whole), target=np.zeros(each, whole), first=np.zeros(each, whole), road=np.zeros(each),
        dirty=np.zeros(each, np.bool_), earned=np.zeros((scenarios_n, machines_n, days_n + 1)), tonnes=np.zeros(each),
        truck=np.zeros(each), age_cost=np.zeros(each), road_h=np.zeros(each), lots=np.zeros(each, whole),
        last_lot=np.full(each, -1, whole), ended=np.full((scenarios_n, machines_n), days_n, whole),
        start=np.full(block, float(days_n)), begun=np.full(block, days_n, whole), done=np.full(block, days_n, whole),
        seen=np.full(block, days_n, whole), picked=np.zeros((scenarios_n, blocks_n, days_n)),
        owner=np.full(blocks_n, -1, whole), all_tonnes=np.zeros(day), all_truck=np.zeros(day), all_cost=np.zeros(day),
        all_road=np.zeros(day), all_lots=np.zeros((scenarios_n, days_n, machines_n), whole), queue=np.zeros(before),
        queue_cost=np.zeros(before), mill_lot=np.full(before, -1, whole), aged=np.zeros(before),
    )  # fmt: skip


def _no_day(blocks_n: int, days_n: int) -> _Day:
    return _Day(
        np.zeros(days_n), np.zeros(days_n), np.zeros(days_n), np.zeros(days_n), np.zeros(days_n, np.int64),
        np.zeros(blocks_n), np.zeros(blocks_n),
    )  # fmt: skip


@njit(cache=True)
def _cleanings(lots: int, lot_before: int) -> int:
    """Cleanings of the mill on a day, from the marks of its lots and the lot it ended with the day before."""
    n = 0
    rest = lots
    while rest:
        rest &= rest - 1
        n += 1
    if n == 0:
        return 0
    if lot_before < 0:
        return n - 1
    return n - ((lots >> (lot_before % LOT_MARKS)) & 1)


@njit(cache=True)
def _walk_one(
    ph: Physics, w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray, release: np.ndarray, begin: int,
    day: int, other: int, other_from: int, other_day: _Day, out: _Day, over_cost: float, keep: bool,
) -> tuple[float, float]:  # fmt: skip
    """Walk one harvester from a day on beside what the others bring; see `walk` for the rules.

    Mill and trucks are worked out from day `begin`; before `day` the harvester does what it did. When `other` is not
    negative, that harvester brings what `other_day` holds from `other_from` on. `over_cost`: cost of a tonne for which
    the mill has no room. Fills `out` from `day` on, and `w` when `keep`. Returns what the harvester earns and the cost
    of age and overflow, both over all days.
    """
    days_n = ph.shift_h.shape[1]
    left = out.left
    n = length[h]
    if day < days_n:
        for p in range(w.first[s, h, day], n):
            b = order[h, p]
            if w.owner[b] != h or w.begun[s, b] >= day:
                left[b] = 1.0
                out.start[b] = days_n
            elif w.done[s, b] < day:
                left[b] = 0.0
                out.start[b] = w.start[s, b]
            else:
                share = 1.0
                for t in range(w.begun[s, b], day):
                    share -= w.picked[s, b, t]
                left[b] = share
                out.start[b] = w.start[s, b]
            if keep:
                if left[b] >= 1.0:
                    w.begun[s, b] = days_n
                    w.start[s, b] = days_n
                if left[b] > 0.0:
                    w.done[s, b] = days_n
                    for t in range(0 if left[b] >= 1.0 else day, days_n):
                        w.picked[s, b, t] = 0.0
                if w.owner[b] != h or w.seen[s, b] >= day:
                    w.seen[s, b] = days_n
        if keep and w.ended[s, h] >= day:
            w.ended[s, h] = days_n
        at, target, first = w.at[s, h, day], w.target[s, h, day], w.first[s, h, day]
        road, dirty = w.road[s, h, day], w.dirty[s, h, day]
        earned = w.earned[s, h, day]
    else:
        at, target, first, road, dirty = -1, -1, 0, 0.0, True
        earned = w.earned[s, h, days_n]
    queue, queue_cost, lot_before = w.queue[s, begin], w.queue_cost[s, begin], w.mill_lot[s, begin]
    aged = w.aged[s, begin]
    for t in range(begin, days_n):
        tonnes = w.all_tonnes[s, t] - w.tonnes[s, h, t]
        trucks = ph.truck_h[t] - w.all_truck[s, t] + w.truck[s, h, t]
        cost = w.all_cost[s, t] - w.age_cost[s, h, t]
        road_h = w.all_road[s, t] - w.road_h[s, h, t]
        lots = w.all_lots[s, t, h]
        if other >= 0:
            tonnes -= w.tonnes[s, other, t]
            trucks += w.truck[s, other, t]
            cost -= w.age_cost[s, other, t]
            road_h -= w.road_h[s, other, t]
            if t >= other_from:
                tonnes += other_day.tonnes[t]
                trucks -= other_day.truck[t]
                cost += other_day.age_cost[t]
                road_h += other_day.road_h[t]
                lots |= other_day.lots[t]
            else:
                tonnes += w.tonnes[s, other, t]
                trucks -= w.truck[s, other, t]
                cost += w.age_cost[s, other, t]
                road_h += w.road_h[s, other, t]
        room = ph.mill_t[t] + ph.buffer_t - queue - tonnes - ph.cleaning_t * _cleanings(lots, lot_before)
        if room < -1e-6 and tonnes > 0.0:
            aged += min(-room, tonnes) * over_cost
        if trucks < -1e-6 * ph.truck_h[t]:
            aged += -trucks * ph.move_cost_h[h]
        last_lot = -1
        if t < day:
            own, own_truck, own_lots = w.tonnes[s, h, t], w.truck[s, h, t], w.lots[s, h, t]
            own_cost, own_road = w.age_cost[s, h, t], w.road_h[s, h, t]
            last_lot = w.last_lot[s, h, t]
        else:
            if keep:
                w.at[s, h, t], w.target[s, h, t], w.first[s, h, t] = at, target, first
                w.road[s, h, t], w.dirty[s, h, t] = road, dirty
                w.earned[s, h, t] = earned
            own, own_truck, own_cost, own_road, own_lots = 0.0, 0.0, 0.0, 0.0, 0
            clock, shift = 0.0, ph.shift_h[h, t]
            while shift - clock > TINY:
                b = target
                if b < 0 or ph.work[s, b, t] <= 0.0:
                    while first < n and left[order[h, first]] <= TINY:
                        first += 1
                    found = -1
                    for p in range(first, n):
                        c = order[h, p]
                        if keep and w.seen[s, c] > t:
                            w.seen[s, c] = t
                        if left[c] > TINY and release[c] <= t and ph.work[s, c, t] > 0.0:
                            found = c
                            break
                    if found < 0:
                        if keep and w.ended[s, h] > t:
                            w.ended[s, h] = t
                        break
                    if b != found:
                        target = found
                        road = 0.0
                        if found != at:
                            road = ph.move_fixed_h[h]
                            if at >= 0:
                                road += ph.distance_km[at, found] * ph.move_h_km[h]
                            if ph.organic[found] and dirty:
                                road += ph.washdown_h[h]
                    b = found
                if road > 0.0:
                    step = min(road, shift - clock)
                    road -= step
                    clock += step
                    earned -= step * ph.move_cost_h[h]
                    if road <= TINY:
                        road = 0.0
                        at = b
                    continue
                if trucks <= TINY and ph.truck_h_t[b] > 0.0:
                    break
                k = ph.lot[b]
                mark = 1 << (k % LOT_MARKS)
                if not ((lots | own_lots) & mark):
                    if k != lot_before and (lot_before >= 0 or (lots | own_lots) != 0):
                        if room - ph.cleaning_t <= TINY:
                            break
                        room -= ph.cleaning_t
                    if k != lot_before:
                        last_lot = k
                own_lots |= mark
                crop = ph.crop[s, b, t]
                pace = ph.work[s, b, t] / ph.block_h[h, b]
                share = min(left[b], (shift - clock) * pace)
                limited = False
                if share * crop > room:
                    share = room / crop
                    limited = True
                if share * crop * ph.truck_h_t[b] > trucks:
                    share = trucks / (crop * ph.truck_h_t[b])
                    limited = True
                if share <= TINY and limited:
                    break
                if out.start[b] >= days_n:
                    out.start[b] = t + clock / 24.0
                    if keep:
                        w.start[s, b] = out.start[b]
                        w.begun[s, b] = t
                clock += share / pace
                left[b] -= share
                earned += share * ph.value[s, b, t]
                brought = share * crop
                room -= brought
                trucks -= brought * ph.truck_h_t[b]
                own += brought
                own_truck += brought * ph.truck_h_t[b]
                own_cost += brought * ph.age_cost[b]
                own_road += brought * ph.haul_age_h[b]
                dirty = not ph.organic[b]
                if keep:
                    w.picked[s, b, t] += share
                if left[b] <= TINY:
                    left[b] = 0.0
                    target = -1
                    if keep:
                        w.done[s, b] = t
                if limited:
                    break
            out.tonnes[t], out.truck[t], out.age_cost[t] = own, own_truck, own_cost
            out.road_h[t], out.lots[t] = own_road, own_lots
            if keep:
                w.last_lot[s, h, t] = last_lot
        cleanings = _cleanings(lots | own_lots, lot_before)
        cost += own_cost + queue_cost
        fruit = queue + tonnes + own
        waiting = max(0.0, fruit - max(0.0, ph.mill_t[t] - cleanings * ph.cleaning_t))
        if fruit > TINY:
            age = (12.0 * (queue + waiting) + road_h + own_road) / fruit
            aged += max(0.0, age - ph.max_wait_h) * cost
            queue_cost = cost * waiting / fruit
        else:
            queue_cost = 0.0
        queue = waiting
        if last_lot >= 0:
            lot_before = last_lot
        elif cleanings > 0:
            # another harvester brought the lot that the mill ended with
            for g in range(ph.shift_h.shape[0]):
                if g != h and w.last_lot[s, g, t] >= 0:
                    lot_before = w.last_lot[s, g, t]
        elif lot_before < 0 and (lots | own_lots):
            k = 0
            while not ((lots | own_lots) >> k) & 1:
                k += 1
            lot_before = k
        if keep:
            w.queue[s, t + 1], w.queue_cost[s, t + 1] = queue, queue_cost
            w.mill_lot[s, t + 1], w.aged[s, t + 1] = lot_before, aged
    if keep:
        w.earned[s, h, days_n] = earned
    return earned, aged


@njit(cache=True)
def _take_over(w: _Walked, s: int, h: int, day: int, out: _Day) -> None:
    """Make what a harvester brings in a trial from a day on part of the plan."""
    machines_n = w.tonnes.shape[1]
    for t in range(day, w.tonnes.shape[2]):
        w.all_tonnes[s, t] += out.tonnes[t] - w.tonnes[s, h, t]
        w.all_truck[s, t] += out.truck[t] - w.truck[s, h, t]
        w.all_cost[s, t] += out.age_cost[t] - w.age_cost[s, h, t]
        w.all_road[s, t] += out.road_h[t] - w.road_h[s, h, t]
        w.tonnes[s, h, t], w.truck[s, h, t] = out.tonnes[t], out.truck[t]
        w.age_cost[s, h, t], w.road_h[s, h, t] = out.age_cost[t], out.road_h[t]
        if w.lots[s, h, t] != out.lots[t]:
            w.lots[s, h, t] = out.lots[t]
            for g in range(machines_n):
                lots = 0
                for other in range(machines_n):
                    if other != g:
                        lots |= w.lots[s, other, t]
                w.all_lots[s, t, g] = lots


@njit(cache=True)
def _walk_all(ph: Physics, w: _Walked, order, length, release, out: _Day, none: _Day, over_cost: float) -> None:
    """Walk every harvester from the first day, one after the other, beside those walked before."""
    scenarios_n, _, days_n = ph.value.shape
    machines_n = order.shape[0]
    w.owner[:] = -1
    for s in range(scenarios_n):
        w.tonnes[s], w.truck[s], w.age_cost[s], w.road_h[s] = 0.0, 0.0, 0.0, 0.0
        w.all_tonnes[s], w.all_truck[s], w.all_cost[s], w.all_road[s] = 0.0, 0.0, 0.0, 0.0
        w.lots[s], w.all_lots[s], w.last_lot[s] = 0, 0, -1
        w.start[s], w.begun[s], w.done[s], w.seen[s] = days_n, days_n, days_n, days_n
        w.queue[s, 0], w.queue_cost[s, 0], w.mill_lot[s, 0], w.aged[s, 0] = 0.0, 0.0, -1, 0.0
        w.earned[s, :, 0] = 0.0
        for h in range(machines_n):
            w.at[s, h, 0], w.target[s, h, 0], w.first[s, h, 0], w.road[s, h, 0] = ph.start_block[h], -1, 0, 0.0
            w.dirty[s, h, 0] = ph.start_block[h] < 0 or not ph.organic[ph.start_block[h]]
            w.ended[s, h] = days_n
            _walk_one(ph, w, s, h, order, length, release, 0, 0, -1, days_n, none, out, over_cost, True)
            _take_over(w, s, h, 0, out)
    for h in range(machines_n):
        for p in range(length[h]):
            w.owner[order[h, p]] = h


@njit(cache=True)
def _mean_start(w: _Walked, b: int) -> float:
    total = 0.0
    for s in range(w.start.shape[0]):
        total += w.start[s, b]
    return total / w.start.shape[0]


@njit(cache=True)
def _forget_new(w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray) -> None:
    """Blocks that came to a list which is never looked at so far are not picked."""
    days_n = w.tonnes.shape[2]
    for p in range(length[h]):
        b = order[h, p]
        if w.owner[b] != h:
            w.start[s, b], w.begun[s, b], w.done[s, b], w.seen[s, b] = days_n, days_n, days_n, days_n
            w.picked[s, b] = 0.0


@njit(cache=True)
def _shift_starts(
    w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray, day: int, out: _Day, start: np.ndarray
) -> None:
    """Change mean starts by what a trial of one harvester from a day on has in one scenario."""
    scenarios_n, _, days_n = w.tonnes.shape
    if day >= days_n:
        for p in range(length[h]):
            b = order[h, p]
            if w.owner[b] != h:
                start[b] += (days_n - w.start[s, b]) / scenarios_n
        return
    for p in range(w.first[s, h, day], length[h]):
        b = order[h, p]
        start[b] += (out.start[b] - w.start[s, b]) / scenarios_n


@njit(cache=True)
def _walk_changed(
    ph: Physics, w: _Walked, s: int, g: int, other: int, day_g: int, day_o: int, order: np.ndarray,
    length: np.ndarray, release: np.ndarray, out_g: _Day, out_o: _Day, over_cost: float, keep: bool,
) -> float:  # fmt: skip
    """Walk the one or two harvesters whose lists changed; what the plan is worth in the scenario. Kept when `keep`."""
    days_n = ph.shift_h.shape[1]
    first, last = day_g, -1
    total = -w.aged[s, days_n]
    for h in range(w.earned.shape[1]):
        total += w.earned[s, h, days_n]
    begin = day_g if other < 0 else min(day_g, day_o)
    if begin < days_n:
        total += w.aged[s, days_n]
        aged = 0.0
        h, beside, day, out = g, -1, day_g, out_g
        for turn in range(1 if other < 0 else 2):
            if turn == 1:
                h, beside, day, out, first, last = other, g, day_o, out_o, begin, day_g
            total -= w.earned[s, h, days_n]
            earned, aged = _walk_one(
                ph, w, s, h, order, length, release, first, day, beside, last, out_g, out, over_cost, keep
            )
            total += earned
        total -= aged
        if keep:
            _take_over(w, s, g, day_g, out_g)
            if other >= 0:
                _take_over(w, s, other, day_o, out_o)
    if keep and other >= 0:
        if day_g >= days_n:
            _forget_new(w, s, g, order, length)
        if day_o >= days_n:
            _forget_new(w, s, other, order, length)
    return total


# --- what moves need --------------------------------------------------------------------------------------------


@njit(cache=True)
def objective(values: np.ndarray, caution: float) -> float:
    """Mean of the scenarios, or a mix with the mean of the worst quarter."""
    mean = values.mean()
    if caution <= 0.0:
        return mean
    n = (values.shape[0] + 3) // 4
    return (1.0 - caution) * mean + caution * np.sort(values)[:n].mean()


@njit(cache=True)
def broken(start: np.ndarray, promised: np.ndarray, keep: np.ndarray) -> float:
    """Sum of `keep` over promised blocks whose mean start differs by a day or more; `promised` is -1 for others."""
    total = 0.0
    for b in range(start.shape[0]):
        if promised[b] >= 0 and abs(start[b] - promised[b]) >= 1.0:
            total += keep[b]
    return total


@njit(cache=True)
def score(ph, order, length, release, rec, values, start):
    """Worth in each scenario into `values`, mean start day of each block into `start` (T when never)."""
    scenarios_n, blocks_n, days_n = ph.value.shape
    start[:] = 0.0
    for s in range(scenarios_n):
        values[s] = walk(ph, s, order, length, release, False, rec)
        for b in range(blocks_n):
            start[b] += (rec.start[b] if rec.start[b] >= 0 else days_n) / scenarios_n


@njit(cache=True)
def position(row: np.ndarray, low: int, high: int, start: np.ndarray, day: float) -> int:
    """First position from `low` whose block starts on the day or later, else `high`."""
    for p in range(low, high):
        if start[row[p]] >= day:
            return p
    return high


@njit(cache=True)
def _reinsert(order: np.ndarray, length: np.ndarray, g: int, i: int, k: int, other: int, j: int) -> None:
    """Take k blocks from position i of list g and put them in at position j of list `other` (may be the same)."""
    if other == g:
        if j > i:
            j = max(j - k, i)
        shift_segment(order[g], i, k, min(j, length[g] - k))
        return
    for p in range(length[other] - 1, j - 1, -1):
        order[other, p + k] = order[other, p]
    for p in range(k):
        order[other, j + p] = order[g, i + p]
    for p in range(i, length[g] - k):
        order[g, p] = order[g, p + k]
    length[g] -= k
    length[other] += k


@njit(cache=True)
def _swap_tails(order: np.ndarray, length: np.ndarray, g: int, i: int, other: int, j: int, room: np.ndarray) -> None:
    """Exchange what follows from position i of list g with what follows from position j of list `other`."""
    tail_g, tail_o = length[g] - i, length[other] - j
    for p in range(tail_g):
        room[p] = order[g, i + p]
    for p in range(tail_o):
        order[g, i + p] = order[other, j + p]
    for p in range(tail_g):
        order[other, j + p] = room[p]
    length[g], length[other] = i + tail_o, j + tail_g


@njit(cache=True)
def _copy_list(order, length, h, to_order, to_length):
    """Copy the list of one harvester."""
    for p in range(length[h]):
        to_order[h, p] = order[h, p]
    to_length[h] = length[h]


@njit(cache=True)
def _copy_plan(order, length, release, to_order, to_length, to_release):
    """Copy all lists and release days; written as loops because slices take long to compile."""
    for h in range(order.shape[0]):
        _copy_list(order, length, h, to_order, to_length)
    for b in range(release.shape[0]):
        to_release[b] = release[b]


def near_blocks(ph: Physics) -> np.ndarray:
    """The blocks nearest by road to each block, (B, up to NEAR_BLOCKS) of int64."""
    km = ph.distance_km.copy()
    np.fill_diagonal(km, np.inf)
    n = min(NEAR_BLOCKS, max(len(km) - 1, 0))
    return np.argpartition(km, n - 1, axis=1)[:, :n].astype(np.int64) if n else np.zeros((len(km), 0), np.int64)


@njit(cache=True)
def _improve(
    paid: Physics, ph: Physics, order: np.ndarray, length: np.ndarray, release: np.ndarray, locked: np.ndarray,
    promised: np.ndarray, good_days: np.ndarray, near: np.ndarray, keep: np.ndarray, caution: float, evaluations: int,
    seed: int, rec: Record, w: _Walked, out_g: _Day, out_o: _Day, over_cost: float, upto: np.ndarray, hot: float,
    cold: float,
) -> float:  # fmt: skip
    np.random.seed(seed)
    scenarios_n, blocks_n, days_n = ph.value.shape
    machines_n = order.shape[0]
    values, trial_values = np.zeros(scenarios_n), np.zeros(scenarios_n)
    start, trial_start, seen_start = np.zeros(blocks_n), np.zeros(blocks_n), np.zeros(blocks_n)
    any_promise = (promised >= 0).any()
    # the plan given, by the referee
    score(paid, order, length, release, rec, values, seen_start)
    best = objective(values, caution) - broken(seen_start, promised, keep)
    best_order, best_length, best_release = order.copy(), length.copy(), release.copy()
    free_n = 0
    for h in range(machines_n):
        free_n += length[h] - locked[h]
    if free_n < 1 or evaluations < 1:
        return best
    # a typical block's worth sets the temperature
    hot *= abs(best) / free_n
    cold *= abs(best) / free_n
    _walk_all(ph, w, order, length, release, out_g, out_o, over_cost)
    aged_end = w.aged[:, days_n]
    for b in range(blocks_n):
        start[b] = _mean_start(w, b)
    for s in range(scenarios_n):
        values[s] = w.earned[s, :, days_n].sum() - aged_end[s]
    now = objective(values, caution) - broken(start, promised, keep)
    record = now  # best by the walks here, since the referee last looked
    record_order, record_length, record_release = order.copy(), length.copy(), release.copy()
    backup, backup_length = order.copy(), length.copy()
    room = np.zeros(blocks_n, np.int64)
    changed = np.zeros(8, np.int64)
    changed_release = np.zeros(8, np.int64)
    from_g, from_o = np.zeros(scenarios_n, np.int64), np.zeros(scenarios_n, np.int64)
    budget = evaluations * scenarios_n
    look_every = max(budget // LOOKS, 1)
    next_look = look_every
    walks = 0
    near_n = near.shape[1]
    while True:
        if walks >= next_look or walks >= budget:
            # the referee looks at the best plan since it last did
            next_look += look_every
            if record > -np.inf:
                score(paid, record_order, record_length, record_release, rec, trial_values, seen_start)
                seen = objective(trial_values, caution) - broken(seen_start, promised, keep)
                if seen > best:
                    best = seen
                    _copy_plan(record_order, record_length, record_release, best_order, best_length, best_release)
                record = -np.inf
            if walks >= budget:
                break
        walks += 1
        temperature = cooled(hot, cold, walks / budget) if hot > 0 else 0.0
        g = np.random.randint(machines_n)
        while length[g] - locked[g] < 1:
            g = np.random.randint(machines_n)
        other = -1
        low_g, low_o = blocks_n, blocks_n
        changed_n = 0
        kind = np.random.random()
        i = locked[g] + np.random.randint(length[g] - locked[g])
        b = order[g, i]
        if kind < upto[0]:
            # release days: one block, or a run of blocks, earlier, later, or free
            run = 1 if np.random.random() < 0.6 else 1 + np.random.randint(6)
            what = np.random.random()
            by = np.random.randint(-4, 5)
            for p in range(i, min(i + run, length[g])):
                c = order[g, p]
                changed[changed_n], changed_release[changed_n] = c, release[c]
                changed_n += 1
                if what < 0.3:
                    release[c] = 0
                elif what < 0.65:
                    release[c] = min(max(int(min(start[c], days_n - 1)) + by, 0), days_n - 1)
                else:
                    release[c] = min(max(release[c] + by, 0), days_n - 1)
            low_g = i
        elif kind < upto[4]:
            k = 1
            to = -1
            day = -1.0
            if kind < upto[1]:
                # to one of the days on which the block earns most at the day's prices
                day = good_days[b, np.random.randint(good_days.shape[1])]
                to = np.random.randint(machines_n)
                j = position(order[to], locked[to], length[to], start, day)
            else:
                # beside a near block, alone or with neighbours of its ranch, or beside one of its lot: spares a move or
                # a cleaning
                c = -1
                if kind < upto[3] and near_n > 0:
                    c = near[b, np.random.randint(near_n)]
                    if w.owner[c] < 0:
                        c = -1
                else:
                    for _ in range(8):
                        h = np.random.randint(machines_n)
                        if length[h] - locked[h] < 1:
                            continue
                        x = order[h, locked[h] + np.random.randint(length[h] - locked[h])]
                        if x != b and ph.lot[b] == ph.lot[x] and abs(start[b] - start[x]) < 15.0:
                            c = x
                            break
                j = -1
                if c >= 0:
                    to = w.owner[c]
                    for p in range(locked[to], length[to]):
                        if order[to, p] == c:
                            j = p + np.random.randint(2)
                            break
                    if kind < upto[2]:
                        while (
                            k < 4
                            and i + k < length[g]
                            and ph.distance_km[order[g, i + k], b] <= 0.0
                            and np.random.random() < 0.7
                        ):
                            k += 1
                    if to == g and i <= j <= i + k:
                        j = -1
                    day = start[c]
            if j < 0:
                continue
            fits = True
            for p in range(i, i + k):
                c = order[g, p]
                if not np.isfinite(ph.block_h[to, c]):
                    fits = False
            if not fits:
                continue
            for p in range(i, i + k):
                c = order[g, p]
                if release[c] > day:
                    changed[changed_n], changed_release[changed_n] = c, release[c]
                    changed_n += 1
                    release[c] = max(int(day), 0)
            _reinsert(order, length, g, i, k, to, j)
            if to == g:
                low_g = min(i, max(j - k, 0) if j > i else j)
            else:
                other = to
                low_g, low_o = i, j
        elif kind < upto[6] and machines_n > 1:
            # with a block that another harvester picks at about that time: exchange the two, or all that follows
            other = np.random.randint(machines_n)
            j = position(order[other], locked[other], length[other], start, start[b]) + np.random.randint(-3, 4)
            if other == g or j < locked[other] or j >= length[other]:
                continue
            if kind < upto[5]:
                c = order[other, j]
                if not (np.isfinite(ph.block_h[other, b]) and np.isfinite(ph.block_h[g, c])):
                    continue
                order[g, i] = c
                order[other, j] = b
            else:
                fits = True
                for p in range(i, length[g]):
                    fits &= np.isfinite(ph.block_h[other, order[g, p]])
                for p in range(j, length[other]):
                    fits &= np.isfinite(ph.block_h[g, order[other, p]])
                if not fits:
                    continue
                _swap_tails(order, length, g, i, other, j, room)
            low_g, low_o = i, j
        else:
            low_g, _ = random_move(order[g], locked[g], length[g])
            if np.random.random() < 0.3 and release[b] > 0:
                changed[0], changed_release[0] = b, release[b]
                changed_n = 1
                release[b] = 0
                for p in range(low_g):
                    if backup[g, p] == b:
                        low_g = p
                        break
        # race: leave a candidate early that is clearly worse on the first scenarios
        total = 0.0
        lost = False
        same = True
        if any_promise:
            for x in range(blocks_n):
                trial_start[x] = start[x]
        for s in range(scenarios_n):
            if s > 0:
                walks += 1
            from_g[s] = w.seen[s, backup[g, low_g]] if low_g < backup_length[g] else w.ended[s, g]
            from_o[s] = days_n
            if other >= 0:
                from_o[s] = w.seen[s, backup[other, low_o]] if low_o < backup_length[other] else w.ended[s, other]
            worth = values[s]
            if min(from_g[s], from_o[s]) < days_n:
                same = False
                worth = _walk_changed(
                    ph, w, s, g, other, from_g[s], from_o[s], order, length, release, out_g, out_o, over_cost, False
                )
            trial_values[s] = worth
            if any_promise:
                _shift_starts(w, s, g, order, length, from_g[s], out_g, trial_start)
                if other >= 0:
                    _shift_starts(w, s, other, order, length, from_o[s], out_o, trial_start)
            total += worth - values[s]
            if s in (1, 3, 7) and caution <= 0.0 and total / (s + 1) < -8.0 * temperature:
                lost = True
                break
        accepted = False
        if not lost:
            new = now
            if not same:
                new = objective(trial_values, caution)
                if any_promise:
                    new -= broken(trial_start, promised, keep)
            if accepts(new - now, temperature):
                accepted = True
        if accepted:
            for s in range(scenarios_n):
                values[s] = _walk_changed(
                    ph, w, s, g, other, from_g[s], from_o[s], order, length, release, out_g, out_o, over_cost, True
                )
            for p in range(length[g]):
                w.owner[order[g, p]] = g
                start[order[g, p]] = _mean_start(w, order[g, p])
            _copy_list(order, length, g, backup, backup_length)
            if other >= 0:
                for p in range(length[other]):
                    w.owner[order[other, p]] = other
                    start[order[other, p]] = _mean_start(w, order[other, p])
                _copy_list(order, length, other, backup, backup_length)
            now = objective(values, caution) - (broken(start, promised, keep) if any_promise else 0.0)
            if now > record:
                record = now
                _copy_plan(order, length, release, record_order, record_length, record_release)
        else:
            _copy_list(backup, backup_length, g, order, length)
            if other >= 0:
                _copy_list(backup, backup_length, other, order, length)
            for p in range(changed_n):
                release[changed[p]] = changed_release[p]
    _copy_plan(best_order, best_length, best_release, order, length, release)
    return best


class Space(NamedTuple):
    """What searches on the same physics share: working arrays and which blocks are near each other."""

    near: np.ndarray
    rec: Record
    walked: _Walked
    day: _Day
    other_day: _Day
    over_cost: float


def space(ph: Physics) -> Space:
    """Working arrays for `improve` on these physics."""
    scenarios_n, blocks_n, days_n = ph.value.shape
    crop = ph.crop.max(axis=(0, 2))
    worth_t = ph.value.max(axis=(0, 2))[crop > 0].sum() / max(crop.sum(), TINY)
    return Space(
        near=near_blocks(ph),
        rec=empty_record(ph),
        walked=_nothing_walked(scenarios_n, ph.shift_h.shape[0], blocks_n, days_n),
        day=_no_day(blocks_n, days_n),
        other_day=_no_day(blocks_n, days_n),
        over_cost=OVERFLOW_FRACTION * max(float(worth_t), 0.0),
    )


def improve(
    ph: Physics, priced: Physics, order: np.ndarray, length: np.ndarray, release: np.ndarray, *, locked: np.ndarray,
    promised: np.ndarray, good_days: np.ndarray, keep: np.ndarray, caution: float, evaluations: int, seed: int,
    space: Space,
) -> float:  # fmt: skip
    """Improve a plan in place by annealed moves.

    Parameters
    ----------
    ph : Physics
    priced : Physics
        The same without orders for oil, their litres priced instead, which a single harvester's walk can feel.
    order, length, release : ndarray
        The plan, as `walk` reads it; changed in place.
    locked : ndarray (H,) of int64
        How many at the front of each list may not be touched.
    promised : ndarray (B,)
        Promised mean start day, -1 without a promise [d].
    good_days : ndarray (B, n) of int64
        Days to which moves bring a block.
    keep : ndarray (B,)
        Cost of a promised block that starts a day or more off its promise [currency].
    caution : float
        Weight of the worst quarter of the scenarios [fraction].
    evaluations : int
        Plans tried, each in all scenarios; one that is left early counts for the scenarios walked.
    seed : int
    space : Space
        From `space(ph)`.

    Returns
    -------
    float
        What the best plan is worth by the referee, less broken promises; never below the plan given [currency].
    """
    return float(
        _improve(
            ph, priced, order, length, release, locked, promised, good_days, space.near, keep, float(caution),
            int(evaluations), int(seed), space.rec, space.walked, space.day, space.other_day, space.over_cost,
            np.cumsum(MOVES), HOT, COLD,
        )
    )  # fmt: skip
