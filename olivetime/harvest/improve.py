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

from olivetime.harvest.referee import TINY, Physics, Record, empty_record, evening, fitting, road_h, walk
from olivetime.harvest.tasks import accepts, below, chance, compiled, cooled, inner, random_move, shift_segment

# Blocks counted as near one block when a move puts it beside another.
NEAR_BLOCKS = 10
# Lots beyond this number share their marks, which can only blur the count of cleanings within a search.
LOT_MARKS = 62
# Fruit that others bring and the mill cannot take any more: share of its worth lost, while a search lasts.
OVERFLOW_FRACTION = 0.3
# Shares of the moves: release days; to a good day; beside a near block with neighbours, alone; beside one of its lot;
# exchange with another harvester, of one block, of all that follows; the rest within the list.
MOVES = (0.15, 0.17, 0.10, 0.13, 0.07, 0.13, 0.10)
# Share of the moves of release days that change the day on which a harvester begins.
BEGIN_FRACTION = 0.25
# Days net of prices on which a block earns most, to which moves bring it.
GOOD_DAYS = 8
# A move is drawn up to so many times until prices let it pass: at so many temperatures and a share of a block's worth.
GLANCES, BLUR_TEMPERATURES, BLUR = 20, 3.0, 0.004
# Temperature at the begin and at the end, as shares of the worth of a mean block. It begins warmer the more evaluations
# there are for a block, from the least to the most at HOT_FROM and HOT_TO of them.
COLD, HOT_LEAST, HOT_MOST = 0.0001, 0.0025, 0.01
HOT_FROM, HOT_TO = 25, 100
# The referee scores the plan so many times over a search, but not before so many walks.
LOOKS, LOOK_AFTER = 60, 200
# Last moves that the referee judges itself, as a share of the evaluations.
LAST_FRACTION = 0.01


# Arrays of records, because every array that a compiled function is handed adds to the time of its compilation.
_EACH = np.dtype(
    [
        # at the begin of a day; worth before it, moves paid
        ("at", "i8"), ("target", "i8"), ("first", "i8"), ("road", "f8"), ("dirty", "i8"), ("earned", "f8"),
        # on the day; marks of the lots brought, the lot brought last
        ("tonnes", "f8"), ("truck", "f8"), ("age_cost", "f8"), ("road_h", "f8"), ("lots", "i8"), ("last_lot", "i8"),
    ]
)  # fmt: skip
# First fruit, T never [d]; days of the first and the last fruit; first day on which its harvester came to look at it.
_BLOCK = np.dtype([("start", "f8"), ("begun", "i8"), ("done", "i8"), ("seen", "i8")])
_ALL = np.dtype(
    [
        # mill and fleet on a day
        ("tonnes", "f8"), ("truck", "f8"), ("cost", "f8"), ("road", "f8"),
        # before it; cost of age and overflow so far
        ("queue", "f8"), ("queue_cost", "f8"), ("mill_lot", "i8"), ("aged", "f8"),
    ]
)  # fmt: skip
_BROUGHT = np.dtype([("tonnes", "f8"), ("truck", "f8"), ("age_cost", "f8"), ("road_h", "f8"), ("lots", "i8")])
_FRUIT = np.dtype([("value", "f8"), ("crop", "f8"), ("work", "f8")])
_MACHINE = np.dtype([("fixed_h", "f8"), ("h_km", "f8"), ("wash_h", "f8"), ("cost_h", "f8")])
_PLACE = np.dtype([("lot", "i8"), ("truck_h_t", "f8"), ("age_cost", "f8"), ("haul_age_h", "f8")])
_LIMIT = np.dtype([("mill_t", "f8"), ("truck_h", "f8")])


class _Farm(NamedTuple):
    """What a walk reads of `Physics`, packed."""

    fruit: np.ndarray  # (S, B, T) of _FRUIT
    machine: np.ndarray  # (H,) of _MACHINE
    block: np.ndarray  # (B,) of _PLACE
    limit: np.ndarray  # (T,) of _LIMIT
    shift_h: np.ndarray
    block_h: np.ndarray
    distance_km: np.ndarray
    organic: np.ndarray
    buffer_t: float
    cleaning_t: float
    max_wait_h: float


def _records(kind: np.dtype, *parts: np.ndarray) -> np.ndarray:
    packed = np.zeros(parts[0].shape, kind)
    for name, part in zip(kind.names or (), parts, strict=True):
        packed[name] = part
    return packed


def packed(ph: Physics) -> _Farm:
    """What a walk reads of the physics, packed."""
    return _Farm(
        fruit=_records(_FRUIT, ph.value, ph.crop, ph.work),
        machine=_records(_MACHINE, ph.move_fixed_h, ph.move_h_km, ph.washdown_h, ph.move_cost_h),
        block=_records(_PLACE, ph.lot, ph.truck_h_t, ph.age_cost, ph.haul_age_h),
        limit=_records(_LIMIT, ph.mill_t, ph.truck_h),
        shift_h=ph.shift_h, block_h=ph.block_h, distance_km=ph.distance_km, organic=ph.organic,
        buffer_t=ph.buffer_t, cleaning_t=ph.cleaning_t, max_wait_h=ph.max_wait_h,
    )  # fmt: skip


class _Walked(NamedTuple):
    """What the harvesters do in a plan. S scenarios, H harvesters, B blocks, T days."""

    each: np.ndarray  # (S, H, T + 1) of _EACH
    ended: np.ndarray  # (S, H) first day on which the whole list held nothing to do, T never
    block: np.ndarray  # (S, B) of _BLOCK
    picked: np.ndarray  # (S, B, T)
    owner: np.ndarray  # (B,) harvester whose walk these are of, -1 none
    every: np.ndarray  # (S, T + 1) of _ALL
    others_lots: np.ndarray  # (S, T, H) marks of the lots of all other harvesters


class _Day(NamedTuple):
    """What one harvester brings on each day in a trial, and what it holds at the end."""

    day: np.ndarray  # (T,) of _BROUGHT
    start: np.ndarray  # (B,)
    left: np.ndarray  # (B,) working space
    kept: np.ndarray  # (1,) bool: the walk becomes part of the plan, it is not a trial


def _nothing_walked(scenarios_n: int, machines_n: int, blocks_n: int, days_n: int) -> _Walked:
    return _Walked(
        each=np.zeros((scenarios_n, machines_n, days_n + 1), _EACH),
        ended=np.full((scenarios_n, machines_n), days_n, np.int64),
        block=np.zeros((scenarios_n, blocks_n), _BLOCK),
        picked=np.zeros((scenarios_n, blocks_n, days_n)),
        owner=np.full(blocks_n, -1, np.int64),
        every=np.zeros((scenarios_n, days_n + 1), _ALL),
        others_lots=np.zeros((scenarios_n, days_n, machines_n), np.int64),
    )


def _no_day(blocks_n: int, days_n: int) -> _Day:
    return _Day(np.zeros(days_n, _BROUGHT), np.zeros(blocks_n), np.zeros(blocks_n), np.zeros(1, np.bool_))


@inner
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


@compiled
def _walk_one(
    farm: _Farm, w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray, release: np.ndarray, begin: int,
    day: int, other: int, other_from: int, other_day: _Day, out: _Day, over_cost: float,
) -> tuple[float, float]:  # fmt: skip
    """Walk one harvester from a day on beside what the others bring; see `walk` for the rules.

    Mill and trucks are worked out from day `begin`; before `day` the harvester does what it did. When `other` is not
    negative, that harvester brings what `other_day` holds from `other_from` on. `over_cost`: cost of a tonne for which
    the mill has no room. Fills `out` from `day` on, and `w` when `out.kept`. Returns what the harvester earns and the
    cost of age and overflow, both over all days.
    """
    # what is read often is taken out of the tuples once: every look into one takes long to compile
    each, every, blocks, picked, owner = w.each, w.every, w.block, w.picked, w.owner
    fruits, places, limits, brought = farm.fruit, farm.block, farm.limit, other_day.day
    distance_km, organic, buffer_t, cleaning_t = farm.distance_km, farm.organic, farm.buffer_t, farm.cleaning_t
    machine = farm.machine[h]
    left, begun = out.left, out.start
    days_n = farm.shift_h.shape[1]
    keep = out.kept[0]
    n = length[h]
    if day < days_n:
        mine = each[s, h, day]
        for p in range(mine.first, n):
            b = order[h, p]
            was = blocks[s, b]
            came = owner[b] != h
            share = 1.0
            begun[b] = days_n
            if not came and was.begun < day:
                begun[b] = was.start
                if was.done < day:
                    share = 0.0
                else:
                    for t in range(was.begun, day):
                        share -= picked[s, b, t]
            left[b] = share
            if keep:
                if share >= 1.0:
                    was.begun = days_n
                    was.start = days_n
                if share > 0.0:
                    was.done = days_n
                    for t in range(0 if share >= 1.0 else day, days_n):
                        picked[s, b, t] = 0.0
                if came or was.seen >= day:
                    was.seen = days_n
        if keep and w.ended[s, h] >= day:
            w.ended[s, h] = days_n
        at, target, first = mine.at, mine.target, mine.first
        road, dirty = mine.road, mine.dirty != 0
        earned = mine.earned
    else:
        at, target, first, road, dirty = -1, -1, 0, 0.0, True
        earned = each[s, h, days_n].earned
    whole = every[s, begin]
    queue, queue_cost, lot_before, aged = whole.queue, whole.queue_cost, whole.mill_lot, whole.aged
    for t in range(begin, days_n):
        whole, mine, limit = every[s, t], each[s, h, t], limits[t]
        truck_limit = limit.truck_h
        tonnes = whole.tonnes - mine.tonnes
        trucks = truck_limit - whole.truck + mine.truck
        cost = whole.cost - mine.age_cost
        on_road = whole.road - mine.road_h
        lots = w.others_lots[s, t, h]
        if other >= 0:
            theirs, now = each[s, other, t], brought[t]
            their_t, their_truck, their_cost, their_road = theirs.tonnes, theirs.truck, theirs.age_cost, theirs.road_h
            tonnes -= their_t
            trucks += their_truck
            cost -= their_cost
            on_road -= their_road
            if t >= other_from:
                their_t, their_truck, their_cost, their_road = now.tonnes, now.truck, now.age_cost, now.road_h
                lots |= now.lots
            tonnes += their_t
            trucks -= their_truck
            cost += their_cost
            on_road += their_road
        room = limit.mill_t + buffer_t - queue - tonnes - cleaning_t * _cleanings(lots, lot_before)
        if room < -1e-6 and tonnes > 0.0:
            aged += min(-room, tonnes) * over_cost
        if trucks < -1e-6 * truck_limit:
            aged += -trucks / (truck_limit - trucks) * tonnes * over_cost
        last_lot = -1
        if t < day:
            own, own_truck, own_lots = mine.tonnes, mine.truck, mine.lots
            own_cost, own_road = mine.age_cost, mine.road_h
            last_lot = mine.last_lot
        else:
            if keep:
                mine.at, mine.target, mine.first = at, target, first
                mine.road, mine.dirty = road, dirty
                mine.earned = earned
            own, own_truck, own_cost, own_road, own_lots = 0.0, 0.0, 0.0, 0.0, 0
            clock, shift = 0.0, farm.shift_h[h, t]
            while shift - clock > TINY:
                b = target
                if b < 0 or fruits[s, b, t].work <= 0.0:
                    while first < n and left[order[h, first]] <= TINY:
                        first += 1
                    found = -1
                    for p in range(first, n):
                        c = order[h, p]
                        if keep and blocks[s, c].seen > t:
                            blocks[s, c].seen = t
                        if left[c] > TINY and release[c] <= t and fruits[s, c, t].work > 0.0:
                            found = c
                            break
                    if found < 0:
                        if keep and w.ended[s, h] > t:
                            w.ended[s, h] = t
                        break
                    if b != found:
                        target = found
                        road = road_h(
                            machine.fixed_h, machine.h_km, machine.wash_h, distance_km, organic, at, found, dirty,
                        )  # fmt: skip
                    b = found
                if road > 0.0:
                    step = min(road, shift - clock)
                    road -= step
                    clock += step
                    earned -= step * machine.cost_h
                    if road <= TINY:
                        road = 0.0
                        at = b
                    continue
                place, fruit = places[b], fruits[s, b, t]
                truck_h_t = place.truck_h_t
                if trucks <= TINY and truck_h_t > 0.0:
                    break
                k = place.lot
                mark = 1 << (k % LOT_MARKS)
                if not ((lots | own_lots) & mark):
                    if k != lot_before and (lot_before >= 0 or (lots | own_lots) != 0):
                        if room - cleaning_t <= TINY:
                            break
                        room -= cleaning_t
                    if k != lot_before:
                        last_lot = k
                own_lots |= mark
                crop = fruit.crop
                pace = fruit.work / farm.block_h[h, b]
                share, limited = fitting(left[b], shift - clock, pace, crop, room, trucks, truck_h_t)
                if share <= TINY and limited:
                    break
                if begun[b] >= days_n:
                    begun[b] = t + clock / 24.0
                    if keep:
                        blocks[s, b].start = begun[b]
                        blocks[s, b].begun = t
                clock += share / pace
                left[b] -= share
                earned += share * fruit.value
                came_t = share * crop
                room -= came_t
                trucks -= came_t * truck_h_t
                own += came_t
                own_truck += came_t * truck_h_t
                own_cost += came_t * place.age_cost
                own_road += came_t * place.haul_age_h
                dirty = not organic[b]
                if keep:
                    picked[s, b, t] += share
                if left[b] <= TINY:
                    left[b] = 0.0
                    target = -1
                    if keep:
                        blocks[s, b].done = t
                if limited:
                    break
            now = out.day[t]
            now.tonnes, now.truck, now.age_cost, now.road_h, now.lots = own, own_truck, own_cost, own_road, own_lots
            if keep:
                mine.last_lot = last_lot
        cleanings = _cleanings(lots | own_lots, lot_before)
        queue, queue_cost, _, paid = evening(
            queue, tonnes + own, limit.mill_t - cleanings * cleaning_t, cost + own_cost + queue_cost,
            on_road + own_road, farm.max_wait_h,
        )  # fmt: skip
        aged += paid
        if last_lot >= 0:
            lot_before = last_lot
        elif cleanings > 0:
            # another harvester brought the lot that the mill ended with
            for g in range(farm.shift_h.shape[0]):
                if g != h and each[s, g, t].last_lot >= 0:
                    lot_before = each[s, g, t].last_lot
        elif lot_before < 0 and (lots | own_lots):
            k = 0
            while not ((lots | own_lots) >> k) & 1:
                k += 1
            lot_before = k
        if keep:
            whole = every[s, t + 1]
            whole.queue, whole.queue_cost, whole.mill_lot, whole.aged = queue, queue_cost, lot_before, aged
    if keep:
        each[s, h, days_n].earned = earned
    return earned, aged


@compiled
def _take_over(w: _Walked, s: int, h: int, day: int, out: _Day) -> None:
    """Make what a harvester brings in a trial from a day on part of the plan."""
    machines_n = w.each.shape[1]
    for t in range(day, w.picked.shape[2]):
        whole, mine, now = w.every[s, t], w.each[s, h, t], out.day[t]
        whole.tonnes += now.tonnes - mine.tonnes
        whole.truck += now.truck - mine.truck
        whole.cost += now.age_cost - mine.age_cost
        whole.road += now.road_h - mine.road_h
        mine.tonnes, mine.truck, mine.age_cost, mine.road_h = now.tonnes, now.truck, now.age_cost, now.road_h
        if mine.lots != now.lots:
            mine.lots = now.lots
            for g in range(machines_n):
                lots = 0
                for other in range(machines_n):
                    if other != g:
                        lots |= w.each[s, other, t].lots
                w.others_lots[s, t, g] = lots


def _walk_all(ph: Physics, w: _Walked, lists: tuple, out: _Day, none: _Day, over_cost: float) -> None:
    """Walk every harvester from the first day, one after the other, beside those walked before."""
    scenarios_n, _, days_n = ph.value.shape
    order, length, _ = lists
    for part in (w.each, w.every, w.others_lots):
        part[:] = 0
    w.each["target"] = w.each["last_lot"] = -1
    w.every["mill_lot"] = w.owner[:] = -1
    for name in ("start", "begun", "done", "seen"):
        w.block[name] = days_n
    w.ended[:] = days_n
    w.each["at"][:, :, 0] = ph.start_block
    w.each["dirty"][:, :, 0] = (ph.start_block < 0) | ~ph.organic[ph.start_block]
    farm = packed(ph)
    out.kept[0] = True
    for s in range(scenarios_n):
        for h in range(len(length)):
            _walk_one(farm, w, s, h, *lists, 0, 0, -1, days_n, none, out, over_cost)
            _take_over(w, s, h, 0, out)
    out.kept[0] = False
    for h in range(len(length)):
        w.owner[order[h, : length[h]]] = h


@inner
def _mean_start(w: _Walked, b: int) -> float:
    total = 0.0
    for s in range(w.block.shape[0]):
        total += w.block[s, b].start
    return total / w.block.shape[0]


@inner
def _forget_new(w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray) -> None:
    """Blocks that came to a list which is never looked at so far are not picked."""
    days_n = w.picked.shape[2]
    for p in range(length[h]):
        b = order[h, p]
        if w.owner[b] != h:
            w.block[s, b].start, w.block[s, b].begun = days_n, days_n
            w.block[s, b].done, w.block[s, b].seen = days_n, days_n
            for t in range(days_n):
                w.picked[s, b, t] = 0.0


@inner
def _shift_starts(
    w: _Walked, s: int, h: int, order: np.ndarray, length: np.ndarray, day: int, out: _Day, start: np.ndarray
) -> None:
    """Change mean starts by what a trial of one harvester from a day on has in one scenario."""
    scenarios_n, days_n = w.picked.shape[0], w.picked.shape[2]
    if day >= days_n:
        for p in range(length[h]):
            b = order[h, p]
            if w.owner[b] != h:
                start[b] += (days_n - w.block[s, b].start) / scenarios_n
        return
    for p in range(w.each[s, h, day].first, length[h]):
        b = order[h, p]
        start[b] += (out.start[b] - w.block[s, b].start) / scenarios_n


@inner
def _walk_changed(
    farm: _Farm, w: _Walked, s: int, g: int, other: int, day_g: int, day_o: int, order: np.ndarray,
    length: np.ndarray, release: np.ndarray, out_g: _Day, out_o: _Day, over_cost: float,
) -> float:  # fmt: skip
    """Walk the one or two harvesters whose lists changed; what the plan is worth in the scenario."""
    days_n = farm.shift_h.shape[1]
    keep = out_g.kept[0]
    first, last = day_g, -1
    total = -w.every[s, days_n].aged
    for h in range(w.each.shape[1]):
        total += w.each[s, h, days_n].earned
    begin = day_g if other < 0 else min(day_g, day_o)
    if begin < days_n:
        total += w.every[s, days_n].aged
        aged = 0.0
        h, beside, day, out = g, -1, day_g, out_g
        for turn in range(1 if other < 0 else 2):
            if turn == 1:
                h, beside, day, out, first, last = other, g, day_o, out_o, begin, day_g
            total -= w.each[s, h, days_n].earned
            earned, aged = _walk_one(
                farm, w, s, h, order, length, release, first, day, beside, last, out_g, out, over_cost
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


@compiled
def objective(values: np.ndarray, caution: float) -> float:
    """Mean of the scenarios, or a mix with the mean of the worst quarter."""
    n = values.shape[0]
    mean = 0.0
    for s in range(n):
        mean += values[s] / n
    if caution <= 0.0:
        return mean
    # those with fewer than n of the worst below them, earlier ones first among equals
    worst_n, worst = (n + 3) // 4, 0.0
    for s in range(n):
        below = 0
        for other in range(n):
            below += values[other] < values[s] or (values[other] == values[s] and other < s)
        if below < worst_n:
            worst += values[s] / worst_n
    return (1.0 - caution) * mean + caution * worst


@compiled
def broken(start: np.ndarray, promised: np.ndarray, keep: np.ndarray) -> float:
    """Sum of `keep` over promised blocks whose mean start differs by a day or more; `promised` is -1 for others."""
    total = 0.0
    for b in range(start.shape[0]):
        if promised[b] >= 0 and abs(start[b] - promised[b]) >= 1.0:
            total += keep[b]
    return total


@compiled
def score(ph, which, order, length, release, rec, values, start):
    """Worth in each of some scenarios into `values`, mean start day of each block into `start` (T when never)."""
    _, blocks_n, days_n = ph.value.shape
    scenarios_n = which.shape[0]
    keep = scenarios_n < 0  # never; written as a constant it would make `walk` compile a second time
    for b in range(blocks_n):
        start[b] = 0.0
    for i in range(scenarios_n):
        values[i] = walk(ph, which[i], order, length, release, keep, rec)
        for b in range(blocks_n):
            start[b] += (rec.start[b] if rec.start[b] >= 0 else days_n) / scenarios_n


@compiled
def position(row: np.ndarray, low: int, high: int, start: np.ndarray, day: float) -> int:
    """First position from `low` whose block starts on the day or later, else `high`."""
    for p in range(low, high):
        if start[row[p]] >= day:
            return p
    return high


@inner
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


@inner
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


@inner
def _copy_list(order, length, h, to_order, to_length):
    """Copy the list of one harvester."""
    for p in range(length[h]):
        to_order[h, p] = order[h, p]
    to_length[h] = length[h]


@inner
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


@inner
def _net_at(net: np.ndarray, b: int, day: float) -> float:
    """What a block started at a time of the season earns net of prices; `net` (B, T + 1)."""
    last = net.shape[1] - 1
    t = int(day)
    if t >= last:
        return net[b, last]
    return net[b, t] + (day - t) * (net[b, t + 1] - net[b, t])


@inner
def _road_km(distance_km: np.ndarray, order: np.ndarray, h: int, low: int, high: int, n: int) -> float:
    """Kilometres from position low - 1 to position high + 1 of the list of a harvester, which has n blocks."""
    km = 0.0
    for p in range(max(low, 1), min(high + 2, n)):
        km += distance_km[order[h, p - 1], order[h, p]]
    return km


@compiled
def _move(
    block_h: np.ndarray, distance_km: np.ndarray, block: np.ndarray, days_n: int, order: np.ndarray, length: np.ndarray,
    release: np.ndarray, locked: np.ndarray, owner: np.ndarray, start: np.ndarray, good_days: np.ndarray,
    near: np.ndarray, backup: np.ndarray, room: np.ndarray, changed: np.ndarray, changed_release: np.ndarray,
    upto: np.ndarray, net: np.ndarray, km_cost: float,
) -> tuple[int, int, int, int, int, float]:  # fmt: skip
    """One random move, made in the lists.

    `backup` is the order as it was; `net` (B, T + 1) what a block started on a day earns net of prices. Returns the
    harvester, another one whose list changed (-1: none), the first place changed in either list, how many release days
    changed (blocks in `changed`, their days before in `changed_release`), and what the prices make one expect of the
    move [currency]. The harvester is -1 when nothing could be done.
    """
    guess = 0.0
    blocks_n, machines_n, near_n = start.shape[0], order.shape[0], near.shape[1]
    g = below(machines_n)
    while length[g] - locked[g] < 1:
        g = below(machines_n)
    other = -1
    low_g, low_o = blocks_n, blocks_n
    changed_n = 0
    kind = chance()
    i = locked[g] + below(length[g] - locked[g])
    b = order[g, i]
    if kind < upto[0]:
        # release days: one block, or a run of blocks, earlier, later, or free; or when the harvester begins
        run = 1 if chance() < 0.6 else 1 + below(6)
        what = chance()
        by = below(9) - 4
        begins = chance() < BEGIN_FRACTION
        begin_on, first = 0, days_n
        if begins:
            # the harvester begins on another day: all that waited for the day on which it begins, or for none
            i, run = locked[g], length[g]
            for p in range(i, length[g]):
                first = min(first, int(start[order[g, p]]))
            begin_on = min(max(first + by, 0), days_n - 1)
        for p in range(i, min(i + run, length[g])):
            c = order[g, p]
            if begins and release[c] > max(first, begin_on):
                continue
            changed[changed_n], changed_release[changed_n] = c, release[c]
            changed_n += 1
            if begins:
                release[c] = begin_on
            elif what < 0.3:
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
            day = good_days[b, below(good_days.shape[1])]
            to = below(machines_n)
            j = position(order[to], locked[to], length[to], start, day)
        else:
            # beside a near block, alone or with neighbours of its ranch, or beside one of its lot: spares a move or
            # a cleaning
            c = -1
            if kind < upto[3] and near_n > 0:
                c = near[b, below(near_n)]
                if owner[c] < 0:
                    c = -1
            else:
                for _ in range(8):
                    h = below(machines_n)
                    if length[h] - locked[h] < 1:
                        continue
                    x = order[h, locked[h] + below(length[h] - locked[h])]
                    if x != b and block[b].lot == block[x].lot and abs(start[b] - start[x]) < 15.0:
                        c = x
                        break
            j = -1
            if c >= 0:
                to = owner[c]
                for p in range(locked[to], length[to]):
                    if order[to, p] == c:
                        j = p + below(2)
                        break
                if kind < upto[2]:
                    while (
                        k < 4
                        and i + k < length[g]
                        and distance_km[order[g, i + k], b] <= 0.0
                        and chance() < 0.7
                    ):
                        k += 1
                if to == g and i <= j <= i + k:
                    j = -1
                day = start[c]
        if j < 0:
            return -1, -1, 0, 0, 0, 0.0
        fits = True
        for p in range(i, i + k):
            c = order[g, p]
            if not np.isfinite(block_h[to, c]):
                fits = False
        if not fits:
            return -1, -1, 0, 0, 0, 0.0
        km = _road_km(distance_km, order, g, i, i + k - 1, length[g])
        if to != g:
            km += _road_km(distance_km, order, to, j, j - 1, length[to])
        for p in range(i, i + k):
            c = order[g, p]
            guess += _net_at(net, c, day) - _net_at(net, c, start[c])
            if release[c] > day:
                changed[changed_n], changed_release[changed_n] = c, release[c]
                changed_n += 1
                release[c] = max(int(day), 0)
        _reinsert(order, length, g, i, k, to, j)
        if to == g:
            low_g = min(i, max(j - k, 0) if j > i else j)
            at = min(max(j - k, i), length[g] - k) if j > i else j
            km += _road_km(distance_km, backup, g, j, j - 1, length[g])
            km -= _road_km(distance_km, order, g, at, at + k - 1, length[g])
            km -= _road_km(distance_km, order, g, i + k if at < i else i, i + k - 1 if at < i else i - 1, length[g])
        else:
            other = to
            low_g, low_o = i, j
            km -= _road_km(distance_km, order, g, i, i - 1, length[g])
            km -= _road_km(distance_km, order, to, j, j + k - 1, length[to])
        guess += km * km_cost
    elif kind < upto[6] and machines_n > 1:
        # with a block that another harvester picks at about that time: exchange the two, or all that follows
        other = below(machines_n)
        j = position(order[other], locked[other], length[other], start, start[b]) + below(7) - 3
        if other == g or j < locked[other] or j >= length[other]:
            return -1, -1, 0, 0, 0, 0.0
        if kind < upto[5]:
            c = order[other, j]
            if not (np.isfinite(block_h[other, b]) and np.isfinite(block_h[g, c])):
                return -1, -1, 0, 0, 0, 0.0
            km = _road_km(distance_km, order, g, i, i, length[g])
            km += _road_km(distance_km, order, other, j, j, length[other])
            order[g, i] = c
            order[other, j] = b
            km -= _road_km(distance_km, order, g, i, i, length[g])
            km -= _road_km(distance_km, order, other, j, j, length[other])
            guess = (
                _net_at(net, b, start[c]) + _net_at(net, c, start[b]) - _net_at(net, b, start[b])
                - _net_at(net, c, start[c]) + km * km_cost
            )  # fmt: skip
        else:
            fits = True
            for p in range(i, length[g]):
                fits &= np.isfinite(block_h[other, order[g, p]])
            for p in range(j, length[other]):
                fits &= np.isfinite(block_h[g, order[other, p]])
            if not fits:
                return -1, -1, 0, 0, 0, 0.0
            km = _road_km(distance_km, order, g, i, i - 1, length[g])
            km += _road_km(distance_km, order, other, j, j - 1, length[other])
            _swap_tails(order, length, g, i, other, j, room)
            km -= _road_km(distance_km, order, g, i, i - 1, length[g])
            km -= _road_km(distance_km, order, other, j, j - 1, length[other])
            guess = km * km_cost
        low_g, low_o = i, j
    else:
        low_g, high = random_move(order[g], locked[g], length[g])
        # every block takes about the time of the one whose place it takes
        for p in range(low_g, high + 1):
            c = order[g, p]
            guess += _net_at(net, c, start[backup[g, p]]) - _net_at(net, c, start[c])
        guess += km_cost * (
            _road_km(distance_km, backup, g, low_g, high, length[g])
            - _road_km(distance_km, order, g, low_g, high, length[g])
        )
        if chance() < 0.3 and release[b] > 0:
            changed[0], changed_release[0] = b, release[b]
            changed_n = 1
            release[b] = 0
            for p in range(low_g):
                if backup[g, p] == b:
                    low_g = p
                    break
    return g, other, low_g, low_o, changed_n, guess


class _State(NamedTuple):
    """Where a search stands, and its working space. S scenarios, H harvesters, B blocks."""

    sums: np.ndarray  # (2,) worth of the plan, and of the best one since the referee last looked
    values: np.ndarray  # (S,)
    start: np.ndarray  # (B,) mean start days
    record_order: np.ndarray  # the best plan since the referee last looked
    record_length: np.ndarray
    record_release: np.ndarray
    # of a trial
    trial_values: np.ndarray
    trial_start: np.ndarray
    backup: np.ndarray  # lists as they were
    backup_length: np.ndarray
    room: np.ndarray
    changed: np.ndarray
    changed_release: np.ndarray
    from_g: np.ndarray
    from_o: np.ndarray


def _begun(ph: Physics, order: np.ndarray, length: np.ndarray, release: np.ndarray) -> _State:
    scenarios_n, blocks_n, _ = ph.value.shape
    whole = np.int64
    return _State(
        sums=np.zeros(2), values=np.zeros(scenarios_n), start=np.zeros(blocks_n), record_order=order.copy(),
        record_length=length.copy(), record_release=release.copy(), trial_values=np.zeros(scenarios_n),
        trial_start=np.zeros(blocks_n), backup=order.copy(), backup_length=length.copy(),
        room=np.zeros(blocks_n, whole), changed=np.zeros(blocks_n, whole), changed_release=np.zeros(blocks_n, whole),
        from_g=np.zeros(scenarios_n, whole), from_o=np.zeros(scenarios_n, whole),
    )  # fmt: skip


@inner
def _undo(
    order: np.ndarray, length: np.ndarray, release: np.ndarray, g: int, other: int, changed_n: int, st: _State
) -> None:
    """Take a move back."""
    _copy_list(st.backup, st.backup_length, g, order, length)
    if other >= 0:
        _copy_list(st.backup, st.backup_length, other, order, length)
    for p in range(changed_n):
        release[st.changed[p]] = st.changed_release[p]


@compiled
def _stretch(
    farm: _Farm, order: np.ndarray, length: np.ndarray, release: np.ndarray, locked: np.ndarray, promised: np.ndarray,
    promises: bool, good_days: np.ndarray, near: np.ndarray, net: np.ndarray, km_cost: float, keep: np.ndarray,
    caution: float, w: _Walked, out_g: _Day, out_o: _Day, over_cost: float, st: _State, upto: np.ndarray, hot: float,
    cold: float, blur: float, walks: int, until: int, budget: int, seed: int,
) -> int:  # fmt: skip
    """Annealed moves until so many walks are made; returns how many are. A seed of 0 or more is planted first."""
    if seed >= 0:
        np.random.seed(seed)
    scenarios_n, blocks_n, days_n = farm.fruit.shape
    while walks < until:
        walks += 1
        temperature = cooled(hot, cold, walks / budget) if hot > 0 else 0.0
        g, other, low_g, low_o, changed_n = -1, -1, 0, 0, 0
        for _ in range(GLANCES):
            g, other, low_g, low_o, changed_n, guess = _move(
                farm.block_h, farm.distance_km, farm.block, days_n, order, length, release, locked, w.owner, st.start,
                good_days, near, st.backup, st.room, st.changed, st.changed_release, upto, net, km_cost,
            )  # fmt: skip
            if g >= 0:
                # a move that prices call bad is not walked, but now and then: prices are not the whole truth
                if accepts(guess, BLUR_TEMPERATURES * temperature + blur):
                    break
                _undo(order, length, release, g, other, changed_n, st)
                g = -1
        if g < 0:
            continue
        # race: leave a candidate early that is clearly worse on the first scenarios
        total = 0.0
        lost = False
        same = True
        if promises:
            for x in range(blocks_n):
                st.trial_start[x] = st.start[x]
        for s in range(scenarios_n):
            if s > 0:
                walks += 1
            st.from_g[s] = w.block[s, st.backup[g, low_g]].seen if low_g < st.backup_length[g] else w.ended[s, g]
            st.from_o[s] = days_n
            if other >= 0:
                st.from_o[s] = w.ended[s, other]
                if low_o < st.backup_length[other]:
                    st.from_o[s] = w.block[s, st.backup[other, low_o]].seen
            worth = st.values[s]
            if min(st.from_g[s], st.from_o[s]) < days_n:
                same = False
                worth = _walk_changed(
                    farm, w, s, g, other, st.from_g[s], st.from_o[s], order, length, release, out_g, out_o, over_cost
                )
            st.trial_values[s] = worth
            if promises:
                _shift_starts(w, s, g, order, length, st.from_g[s], out_g, st.trial_start)
                if other >= 0:
                    _shift_starts(w, s, other, order, length, st.from_o[s], out_o, st.trial_start)
            total += worth - st.values[s]
            if s in (1, 3, 7) and caution <= 0.0 and total / (s + 1) < -8.0 * temperature:
                lost = True
                break
        accepted = False
        if not lost:
            new = st.sums[0]
            if not same:
                new = objective(st.trial_values, caution)
                if promises:
                    new -= broken(st.trial_start, promised, keep)
            if accepts(new - st.sums[0], temperature):
                accepted = True
        if accepted:
            out_g.kept[0] = out_o.kept[0] = True
            for s in range(scenarios_n):
                st.values[s] = _walk_changed(
                    farm, w, s, g, other, st.from_g[s], st.from_o[s], order, length, release, out_g, out_o, over_cost
                )
            out_g.kept[0] = out_o.kept[0] = False
            for p in range(length[g]):
                w.owner[order[g, p]] = g
                st.start[order[g, p]] = _mean_start(w, order[g, p])
            _copy_list(order, length, g, st.backup, st.backup_length)
            if other >= 0:
                for p in range(length[other]):
                    w.owner[order[other, p]] = other
                    st.start[order[other, p]] = _mean_start(w, order[other, p])
                _copy_list(order, length, other, st.backup, st.backup_length)
            st.sums[0] = objective(st.values, caution)
            if promises:
                st.sums[0] -= broken(st.start, promised, keep)
            if st.sums[0] > st.sums[1]:
                st.sums[1] = st.sums[0]
                _copy_plan(order, length, release, st.record_order, st.record_length, st.record_release)
        else:
            _undo(order, length, release, g, other, changed_n, st)
    return walks


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
    promised: np.ndarray, net: np.ndarray, km_cost: float, keep: np.ndarray, caution: float, evaluations: int,
    seed: int, space: Space,
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
    net : ndarray (B, T + 1)
        What each block earns net of the prices of hours, mill and trucks when it is started on a day; 0 never
        [currency].
    km_cost : float
        What a kilometre of moving costs at these prices [currency/km].
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
    scenarios_n, blocks_n, days_n = ph.value.shape
    lists, every = (order, length, release), np.arange(scenarios_n)
    begun, seen = np.zeros(blocks_n), np.zeros(scenarios_n)

    def seen_by_referee(plan: tuple[np.ndarray, np.ndarray, np.ndarray]) -> float:
        score(ph, every, *plan, space.rec, seen, begun)
        return float(objective(seen, caution) - broken(begun, promised, keep))

    best, best_lists = seen_by_referee(lists), tuple(part.copy() for part in lists)
    free_n = int((length - locked).sum())
    if free_n < 1 or evaluations < 1:
        return best
    good_days = np.argsort(-net[:, :days_n], axis=1, kind="stable")[:, :GOOD_DAYS].astype(np.int64)
    w, st = space.walked, _begun(ph, *lists)
    _walk_all(priced, w, lists, space.day, space.other_day, space.over_cost)
    farm = packed(priced)
    st.start[:] = w.block["start"].mean(axis=0)
    st.values[:] = w.each["earned"][:, :, days_n].sum(axis=1) - w.every["aged"][:, days_n]
    st.sums[:] = objective(st.values, caution) - broken(st.start, promised, keep)
    record = st.record_order, st.record_length, st.record_release
    promises = bool((promised >= 0).any())
    # a typical block's worth sets the temperature
    typical = abs(best) / free_n
    hot = float(np.interp(evaluations / free_n, (HOT_FROM, HOT_TO), (HOT_LEAST, HOT_MOST)))
    budget = evaluations * scenarios_n
    look_every, walks = max(budget // LOOKS, LOOK_AFTER), 0
    next_look = look_every
    while walks < budget:
        walks = _stretch(
            farm, *lists, locked, promised, promises, good_days, space.near, net, float(km_cost), keep,
            float(caution), w, space.day, space.other_day, space.over_cost, st, np.cumsum(MOVES), hot * typical,
            COLD * typical, BLUR * typical, walks, min(next_look, budget), budget, int(seed) if walks == 0 else -1,
        )  # fmt: skip
        next_look += look_every
        if st.sums[1] > -np.inf:
            worth = seen_by_referee(record)
            if worth > best:
                best, best_lists = worth, tuple(part.copy() for part in record)
            st.sums[1] = -np.inf
    for part, found in zip(lists, best_lists, strict=True):
        part[:] = found
    if len(length) < 2:
        return best
    # with several harvesters the referee, which sees how they share mill and trucks, takes the last steps itself
    seen_by_referee(lists)
    st.start[:], st.backup[:], st.backup_length[:] = begun, order, length
    w.owner[:] = -1
    for h in range(len(length)):
        w.owner[order[h, : length[h]]] = h
    for _ in range(int(evaluations * LAST_FRACTION)):
        g, other, _, _, changed_n, _ = _move(
            farm.block_h, farm.distance_km, farm.block, days_n, *lists, locked, w.owner, st.start, good_days,
            space.near, st.backup, st.room, st.changed, st.changed_release, np.cumsum(MOVES), net, float(km_cost),
        )  # fmt: skip
        if g < 0:
            continue
        worth = seen_by_referee(lists)
        touched = (g,) if other < 0 else (g, other)
        if worth >= best:
            best, st.start[:] = worth, begun
            for h in touched:
                st.backup[h], st.backup_length[h] = order[h], length[h]
                w.owner[order[h, : length[h]]] = h
        else:
            for h in touched:
                order[h], length[h] = st.backup[h], st.backup_length[h]
            release[st.changed[:changed_n]] = st.changed_release[:changed_n]
    return best
