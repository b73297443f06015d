"""Tasks in sequence: the core that the harvest order and published sequencing problems share.

A `Task` takes hours and is worth something that depends on when it is completed. `sequence` looks for the order of
greatest total value on one machine. `olivetime.harvest.order` moves blocks with the same operators
(`shift_segment`, `swap`, `reverse_segment`) and accepts or refuses with the same annealing schedule; its
evaluator is the referee, which adds weather, mill and trucks.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import numpy as np
from numba import njit

# Longest time grid, and most calls of functions, with which worths are tabulated at every multiple of a common unit.
GRID_STEPS, CELLS_MOST = 200_000, 2_000_000
# Otherwise functions are looked at in so many hours to begin with, and in so many at most.
BEGIN_POINTS, POINTS_MOST = 257, 20_000
# Hours are taken as multiples of a common unit when they are so to within this many units in the last place.
_UNIT_DENOMINATORS = (1, 2, 4, 5, 10, 20, 60, 100, 1000)


# Compiled functions, and those that only compiled functions call: these need no way in from Python, which takes longer
# to compile than a small function itself.
compiled = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True)
inner = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, no_cpython_wrapper=True)


@dataclass(frozen=True)
class Task:
    """One task.

    Attributes
    ----------
    hours : float
        Time it takes [h].
    value_at_completion : callable or array
        Worth as a function of the hour of completion, or an array whose entry i holds for completion at hour i
        (straight lines between, the last entry afterwards); minus infinity where it may not be completed [any].
    ready : float
        Hour before which it cannot start [h].
    setup : array, optional
        Hours of setup when it follows task i, for every i; none when left out [h].
    """

    hours: float
    value_at_completion: Callable[[float], float] | np.ndarray
    ready: float = 0.0
    setup: np.ndarray | None = None


@dataclass(frozen=True)
class Sequence:
    """An order of tasks (tuple of indices) and its total value."""

    order: tuple[int, ...]
    value: float


# --- moves, shared with the harvest order -------------------------------------------------------------------


@inner
def chance() -> float:
    """A random number from 0 to 1; a function, because every use compiles the generator anew."""
    return np.random.random()


@inner
def below(n: int) -> int:
    """A random whole number from 0 to n - 1."""
    return np.random.randint(n)


@compiled
def swap(row: np.ndarray, i: int, j: int) -> None:
    """Exchange the entries at positions i and j."""
    kept = row[i]
    row[i] = row[j]
    row[j] = kept


@compiled
def reverse_segment(row: np.ndarray, i: int, j: int) -> None:
    """Reverse the entries from position i to position j, both included."""
    while i < j:
        swap(row, i, j)
        i += 1
        j -= 1


@compiled
def shift_segment(row: np.ndarray, i: int, k: int, j: int) -> None:
    """Take the k entries from position i out of `row` and put them in again so that they begin at position j."""
    if k == 1:
        kept = row[i]
        for p in range(i, j):
            row[p] = row[p + 1]
        for p in range(i, j, -1):
            row[p] = row[p - 1]
        row[j] = kept
        return
    # two neighbouring stretches change places: turn each round, then both together
    low, high = min(i, j), max(i, j) + k - 1
    cut = i + k - 1 if j > i else i - 1
    reverse_segment(row, low, cut)
    reverse_segment(row, cut + 1, high)
    reverse_segment(row, low, high)


@inner
def copy_segment(source: np.ndarray, target: np.ndarray, low: int, high: int) -> None:
    """Copy the entries from position low to high - 1; a loop, because an assignment of slices takes long to compile."""
    for p in range(low, high):
        target[p] = source[p]


@inner
def random_move(row: np.ndarray, low: int, high: int) -> tuple[int, int]:
    """One random move among positions low to high - 1: an entry or short segment elsewhere, a swap, a reversal.

    Half of the moves stay within a few positions: the neighbourhood where most gains are. Returns the first and the
    last position that may have changed.
    """
    n = high - low
    if n < 2:
        return low, low
    reach = n if chance() < 0.5 else min(n, 8)
    i = low + below(n)
    j = i + below(2 * reach - 1) - reach + 1
    j = min(max(j, low), high - 1)
    kind = chance()
    k = 1
    if kind < 0.45 or 0.75 <= kind < 0.92:
        if kind >= 0.75:
            k = min(2 + below(3), n)
            i = min(i, high - k)
            j = min(j, high - k)
        shift_segment(row, i, k, j)
    elif kind < 0.75:
        swap(row, i, j)
    else:
        i, j = min(i, j), min(max(i, j), min(i, j) + 5)
        reverse_segment(row, i, j)
    return min(i, j), max(i, j) + k - 1


@inner
def accepts(change: float, temperature: float) -> bool:
    """Metropolis rule: take a gain always, a loss with chance exp(change / temperature)."""
    if change >= 0.0:
        return True
    if temperature <= 0.0:
        return False
    return chance() < np.exp(change / temperature)


@inner
def cooled(begin: float, end: float, share: float) -> float:
    """Temperature after a share of the budget, falling geometrically from `begin` to `end`."""
    return begin * (end / begin) ** share


# --- one machine -----------------------------------------------------------------------------------------------


class _Worths(NamedTuple):
    """Worth of each task over its hour of completion: straight lines between points, all tasks in one row."""

    first: np.ndarray  # (n + 1,) of int64: where the points of each task begin
    parts: np.ndarray  # (n,) points an hour when they are evenly spaced from hour 0, else 0
    hour: np.ndarray  # (P,) read only where `parts` is 0
    worth: np.ndarray  # (P,)


@inner
def _at(worths: _Worths, k: int, hour: float) -> float:
    """Worth of task k completed at an hour; the last entry afterwards."""
    low, last = worths.first[k], worths.first[k + 1] - 1
    if worths.parts[k] > 0.0:
        x = hour * worths.parts[k]
        i = low + int(x)
        if i >= last:
            return worths.worth[last]
        return worths.worth[i] + (x - (i - low)) * (worths.worth[i + 1] - worths.worth[i])
    if hour >= worths.hour[last]:
        return worths.worth[last]
    high = last
    while high - low > 1:
        middle = (low + high) // 2
        if worths.hour[middle] <= hour:
            low = middle
        else:
            high = middle
    share = (hour - worths.hour[low]) / (worths.hour[high] - worths.hour[low])
    return worths.worth[low] + share * (worths.worth[high] - worths.worth[low])


class _Shop(NamedTuple):
    """Tasks as arrays: hours (n,), ready (n,), setup (n, n) from row to column, worths."""

    hours: np.ndarray
    ready: np.ndarray
    setup: np.ndarray
    worths: _Worths


@inner
def _completed(shop: _Shop, before: int, k: int, now: float) -> float:
    """Hour at which task k is completed after task `before` (-1: it is the first) was at hour `now`."""
    if before >= 0:
        now += shop.setup[before, k]
    return max(now, shop.ready[k]) + shop.hours[k]


@inner
def _value_from(shop: _Shop, order, low, high, done, sums):
    """Total of an order that differs from the one of `done` and `sums` at positions low to high only.

    `done` (n,): hours of completion by position; `sums` (n,): worth up to and with each position. Both are of the order
    before the change; the walk ends where it completes at the same hour as before.
    """
    n = order.shape[0]
    now, total, before = 0.0, 0.0, -1
    if low > 0:
        now, total, before = done[low - 1], sums[low - 1], order[low - 1]
    for p in range(low, n):
        k = order[p]
        now = _completed(shop, before, k, now)
        if p > high and abs(now - done[p]) <= 1e-12 * now:
            return total + sums[n - 1] - sums[p - 1]
        total += _at(shop.worths, k, now)
        before = k
    return total


@inner
def _record(shop: _Shop, order, low, done, sums):
    """Fill `done` and `sums` from a position on; returns the total."""
    now, total, before = 0.0, 0.0, -1
    if low > 0:
        now, total, before = done[low - 1], sums[low - 1], order[low - 1]
    for p in range(low, order.shape[0]):
        k = order[p]
        now = _completed(shop, before, k, now)
        total += _at(shop.worths, k, now)
        done[p], sums[p] = now, total
        before = k
    return total


@inner
def _descend(shop: _Shop, order, done, sums, budget, look):
    """Take insertions (of one or of a few neighbours) and swaps that gain, until none does or the budget ends.

    Tasks marked in `look` (n,) are tried in random order, each takes its best place; then those between which it moved
    are marked again. Returns the total and the evaluations used; no mark is left.
    """
    n = order.shape[0]
    total = _record(shop, order, 0, done, sums)
    used = 1
    turn = np.random.permutation(n)
    since = 0
    at = 0
    while since < n and used < budget:
        i = turn[at]
        at = (at + 1) % n
        since += 1
        if not look[order[i]]:
            continue
        look[order[i]] = False
        best, best_kind, best_j = total + 1e-9 * (1.0 + abs(total)), -1, -1
        for kind in range(4):  # kind 0: swap; k: the k entries from position i elsewhere
            if i + max(kind, 1) > n:
                continue
            k = max(kind, 1)
            for j in range(n - k + 1):
                if j == i:
                    continue
                if kind == 0:
                    swap(order, i, j)
                else:
                    shift_segment(order, i, kind, j)
                worth = _value_from(shop, order, min(i, j), max(i, j) + k - 1, done, sums)
                used += 1
                if kind == 0:
                    swap(order, i, j)
                else:
                    shift_segment(order, j, kind, i)
                if worth > best:
                    best, best_kind, best_j = worth, kind, j
        if best_kind >= 0:
            if best_kind == 0:
                swap(order, i, best_j)
            else:
                shift_segment(order, i, best_kind, best_j)
            for p in range(max(min(i, best_j) - 1, 0), min(max(i, best_j) + max(best_kind, 1), n - 1) + 1):
                look[order[p]] = True
            total = _record(shop, order, min(i, best_j), done, sums)
            since = 0
    for k in range(n):
        look[k] = False
    return total, used


@inner
def _without_the_hopeless(shop: _Shop, until, by_until, order, done, sums):
    """Fill an order by the last hour at which each task is worth most, `until` (n,); what makes others late goes last.

    `by_until` (n,): the tasks in the order of these hours, because sorting takes long to compile.

    Whenever a task comes too late, the one among it and those before it is put last that leaves most to all. Where a
    task is worth one thing up to its due hour and another after it, this is near the rule of Moore (1968). Returns the
    evaluations used.
    """
    n = order.shape[0]
    copy_segment(by_until, order, 0, n)
    total = _record(shop, order, 0, done, sums)
    used, p, end = 1, 0, n
    while p < end:
        k = order[p]
        if done[p] > until[k] + 1e-9 * (1.0 + until[k]):
            near = 1e-9 * (1.0 + abs(total))
            best, best_q, longest = total - near, -1, -1.0
            for q in range(p + 1):
                hours = shop.hours[order[q]]
                shift_segment(order, q, 1, n - 1)
                worth = _value_from(shop, order, q, n - 1, done, sums)
                shift_segment(order, n - 1, 1, q)
                used += 1
                # among equals the longest, which leaves most hours
                if worth > best + near or (worth >= best - near and hours > longest):
                    best, best_q, longest = max(worth, best), q, hours
            if best_q >= 0:
                shift_segment(order, best_q, 1, n - 1)
                total = _record(shop, order, best_q, done, sums)
                end -= 1
                p = min(p, best_q)
                continue
        p += 1
    return used


@inner
def _anneal(shop: _Shop, order, done, sums, hot, cold, budget, best):
    """Annealing from an order, in place; the best order seen goes to `best`. Returns its total."""
    n = order.shape[0]
    total = _record(shop, order, 0, done, sums)
    copy_segment(order, best, 0, n)
    best_total = total
    trial = order.copy()
    for e in range(budget):
        low, high = random_move(trial, 0, n)
        worth = _value_from(shop, trial, low, high, done, sums)
        if accepts(worth - total, cooled(hot, cold, e / budget)):
            copy_segment(trial, order, low, high + 1)
            total = _record(shop, order, low, done, sums)
            if total > best_total + 1e-9 * (1.0 + abs(best_total)):
                best_total = total
                copy_segment(order, best, 0, n)
        else:
            copy_segment(order, trial, low, high + 1)
    return best_total


@inner
def _by_cost_of_delay(shop: _Shop, ahead, order):
    """Fill an order by taking what loses most, per hour spent, when it is completed `ahead` hours later."""
    n = order.shape[0]
    now, before = 0.0, -1
    left = np.ones(n, np.bool_)
    for p in range(n):
        best, chosen = -np.inf, -1
        for k in range(n):
            if not left[k]:
                continue
            end = _completed(shop, before, k, now)
            loss = _at(shop.worths, k, end) - _at(shop.worths, k, end + ahead)
            spent = end - now + 1e-9
            urgency = loss / spent if loss > 0.0 else loss * spent - spent
            if urgency > best:
                best, chosen = urgency, k
        now = _completed(shop, before, chosen, now)
        left[chosen] = False
        order[p] = chosen
        before = chosen


@compiled
def _search(shop: _Shop, until, by_until, most, order, evaluations, seed):
    """Greedy orders, then kicked descents and annealing in turn; the best order seen is returned in `order`.

    `until` (n,): last hour at which each task is worth most; `by_until` (n,): the tasks in that order; `most`: no order
    is worth more.
    """
    np.random.seed(seed)
    n = order.shape[0]
    done, sums = np.zeros(n), np.zeros(n)
    look = np.ones(n, np.bool_)
    best, trial = order.copy(), order.copy()
    best_total = _record(shop, best, 0, done, sums)
    used = 1
    if n < 2:
        return best_total
    # a greedy order takes as many looks as n evaluations
    ahead = 0.25 * shop.hours.mean()
    while used + n < evaluations and ahead < 4.0 * shop.hours.sum():
        _by_cost_of_delay(shop, ahead, trial)
        total = _record(shop, trial, 0, done, sums)
        if total > best_total:
            copy_segment(trial, best, 0, n)
            best_total = total
        used += n
        ahead *= 2.0
    if used + n * n // 2 < evaluations:
        used += _without_the_hopeless(shop, until, by_until, trial, done, sums)
        total = _record(shop, trial, 0, done, sums)
        if total > best_total:
            copy_segment(trial, best, 0, n)
            best_total = total
    # typical change by a random move sets the temperature: the middle one, which no forbidden hour spoils
    copy_segment(best, trial, 0, n)
    _record(shop, trial, 0, done, sums)
    sizes = np.zeros(50)
    tries = 0
    while tries < 50 and used < evaluations:
        low, high = random_move(trial, 0, n)
        size, p = abs(_value_from(shop, trial, low, high, done, sums) - best_total), tries
        while p > 0 and sizes[p - 1] > size:  # kept in order of size
            sizes[p] = sizes[p - 1]
            p -= 1
        sizes[p] = size
        copy_segment(best, trial, low, high + 1)
        tries += 1
        used += 1
    scale = 1e-9 * (1.0 + abs(best_total))
    for p in range(tries // 2, tries):
        if sizes[p] > scale:
            scale = sizes[p]
            break
    total, more = _descend(shop, best, done, sums, max((evaluations - used) // 4, 1), look)
    used += more
    best_total = max(total, best_total)
    current, kept = best.copy(), best.copy()
    turn = 1
    while used < evaluations and best_total < most - 1e-12 * abs(most):
        if turn % 2 == 1:
            # anneal: from the best order, and every other time from anywhere, so that one valley does not hold all
            afar = turn % 4 == 3
            budget = min(500 * n, max((evaluations - used) // 2, 1))
            copy_segment(best, trial, 0, n)
            if afar:
                for p in range(n - 1, 0, -1):
                    swap(trial, p, below(p + 1))
            _anneal(shop, trial, done, sums, scale if afar else 0.3 * scale, 0.0005 * scale, budget, current)
            used += budget
            for k in range(n):
                look[k] = True
            total, more = _descend(shop, current, done, sums, max(evaluations - used, 1), look)
            used += more
            if total > best_total + 1e-9 * (1.0 + abs(best_total)):
                copy_segment(current, best, 0, n)
                best_total = total
        else:
            # kicks and descents along the valley of the last annealing, then the best order's; now and then a small
            # loss is taken too
            if turn % 4 == 0:
                copy_segment(best, current, 0, n)
                total = best_total
            until_n = min(used + 1000 * n, evaluations)
            while used < until_n:
                copy_segment(current, kept, 0, n)
                for _ in range(2 + below(4)):
                    low, high = random_move(current, 0, n)
                    for p in range(max(low - 1, 0), min(high + 2, n)):
                        look[current[p]] = True
                worth, more = _descend(shop, current, done, sums, max(evaluations - used, 1), look)
                used += more
                slack = 1e-12 * (1.0 + abs(total))
                if chance() < 0.1:
                    slack += 0.05 * scale
                if worth >= total - slack:
                    total = worth
                    if total > best_total + 1e-9 * (1.0 + abs(best_total)):
                        copy_segment(current, best, 0, n)
                        best_total = total
                else:
                    copy_segment(kept, current, 0, n)
        turn += 1
    copy_segment(best, order, 0, n)
    return best_total


def _part(times: np.ndarray, horizon: float) -> int:
    """Parts of an hour of which all times are whole multiples, 0 when there are none or the grid would be too long."""
    for parts in _UNIT_DENOMINATORS:
        whole = times * parts
        if horizon * parts <= GRID_STEPS and np.abs(whole - np.round(whole)).max() < 1e-9 * max(1.0, whole.max()):
            return parts
    return 0


def _called(worth: Callable[[float], float], hours: np.ndarray) -> np.ndarray:
    """Worths at many hours: by one call when the function takes arrays and means the same by it, else one by one."""
    few = hours[:: max(len(hours) // 7, 1)]
    alone = [float(worth(float(hour))) for hour in few]
    try:
        with np.errstate(all="ignore"):
            together = np.asarray(cast(Any, worth)(hours), dtype=float)
        if together.shape == hours.shape and np.array_equal(together[:: max(len(hours) // 7, 1)], alone):
            return together
    except (TypeError, ValueError, AttributeError, IndexError, KeyError, ArithmeticError):
        pass  # a function of one number only
    return np.array([float(worth(float(hour))) for hour in hours])


def _points(worth: Callable[[float], float], begin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Hours and worths between which straight lines describe a function: halved until they do.

    Bends and jumps are closed in on to 1e-9 of the horizon, so that functions made of straight lines come out exact.
    """
    x, y = begin, _called(worth, begin)
    least = 1e-9 * max(begin[-1], 1.0)
    open_ = np.ones(len(x) - 1, dtype=bool)
    while open_.any() and len(x) < POINTS_MOST:
        gap = np.flatnonzero(open_)
        # not the middle, so that what is even about it is not missed
        at = x[gap] + 0.45 * (x[gap + 1] - x[gap])
        found = _called(worth, at)
        with np.errstate(invalid="ignore"):
            line = np.where(y[gap] == y[gap + 1], y[gap], y[gap] + 0.45 * (y[gap + 1] - y[gap]))
        with np.errstate(invalid="ignore"):  # minus infinity at forbidden hours
            off = np.where(found == line, False, ~(np.abs(found - line) <= 1e-9 * (1.0 + np.abs(found))))
        if not off.any():
            break
        gap, at, found = gap[off], at[off], found[off]
        open_[:] = False
        open_[gap] = True
        x, y = np.insert(x, gap + 1, at), np.insert(y, gap + 1, found)
        open_ = np.insert(open_, gap + 1, True) & (np.diff(x) > least)
    return x, y


def _finite(values: list[np.ndarray]) -> list[np.ndarray]:
    """Worths of minus infinity (hours at which a task may not be completed) as a loss that outweighs all else."""
    for i, value in enumerate(values):
        if np.isnan(value).any() or np.isposinf(value).any():
            raise ValueError(
                f"sequence, task {i}: found a value that is not a number or without end, expected numbers, or minus "
                "infinity at hours at which it may not be completed. Mend its values."
            )
    ranges = [value[np.isfinite(value)] for value in values]
    if all(len(part) == len(value) for part, value in zip(ranges, values, strict=True)):
        return values
    loss = 2.0 * sum(float(np.ptp(part)) for part in ranges if len(part)) + 1.0
    low = min((float(part.min()) for part in ranges if len(part)), default=0.0)
    return [np.where(np.isfinite(value), value, low - loss) for value in values]


def _worths(tasks: SequenceOf[Task], times: np.ndarray, horizon: float) -> _Worths:
    parts = _part(times, horizon)
    called = sum(callable(task.value_at_completion) for task in tasks)
    if called and parts and called * horizon * parts > CELLS_MOST:
        parts = 0
    # not an hour beyond the last, for which a function may have no answer
    every = np.arange(int(np.ceil(horizon * max(parts, 1) - 1e-6)) + 1) / max(parts, 1)
    begin = np.linspace(0.0, horizon, BEGIN_POINTS)
    hours, values, per_hour = [], [], []
    for task in tasks:
        worth = task.value_at_completion
        if not callable(worth):
            hour, value, part = np.empty(len(worth)), np.asarray(worth, dtype=float), 1
        elif parts:
            hour, value, part = every, _called(worth, every), parts
        else:
            (hour, value), part = _points(worth, begin), 0
        hours.append(hour)
        values.append(value)
        per_hour.append(float(part))
    values = _finite(values)
    first = np.concatenate([[0], np.cumsum([len(value) for value in values])]).astype(np.int64)
    return _Worths(first, np.array(per_hour), np.concatenate(hours), np.concatenate(values))


def _check(tasks: SequenceOf[Task]) -> None:
    if not tasks:
        raise ValueError("sequence: found no task, expected at least one. Give a list of Task.")
    for i, task in enumerate(tasks):
        if not (np.isfinite(task.hours) and task.hours >= 0):
            raise ValueError(
                f"sequence, task {i}: found hours {task.hours}, expected 0 or more. Give its time in hours."
            )
        if not (np.isfinite(task.ready) and task.ready >= 0):
            raise ValueError(
                f"sequence, task {i}: found ready {task.ready}, expected 0 or more. Give its first hour."
            )
        if not callable(task.value_at_completion) and not len(task.value_at_completion):
            raise ValueError(
                f"sequence, task {i}: found no value, expected one an hour. Give a function or an array."
            )
        if task.setup is None:
            continue
        if np.shape(task.setup) != (len(tasks),):
            raise ValueError(
                f"sequence, task {i}: found setup times of shape {np.shape(task.setup)}, expected {len(tasks)}, one "
                "for each task it may follow. Give an array of that length."
            )
        after = np.delete(np.asarray(task.setup, dtype=float), i)
        if not (np.isfinite(after) & (after >= 0)).all():
            raise ValueError(
                f"sequence, task {i}: found a setup time below 0 or without end, expected hours of 0 or more. Give its "
                "hours after each other task."
            )


def sequence(tasks: SequenceOf[Task], *, seed: int, evaluations: int) -> Sequence:
    """Order of greatest total value of tasks on one machine.

    Parameters
    ----------
    tasks : sequence of Task
    seed : int
        Seed of the search; the same seed gives the same order.
    evaluations : int
        Number of orders that may be valued.

    Returns
    -------
    Sequence
        The best order found; never worse than the order given.

    Raises
    ------
    ValueError
        No task; negative hours or setups; worths that are no numbers; setup times of the wrong number.

    Notes
    -----
    The machine starts at hour 0 and never waits except for `ready`. Arrays are read at any hour. Functions are
    tabulated at every multiple of the hours' common unit (down to 1/1000 h) where there is one; otherwise as straight
    lines between points that are halved until they fit, which is exact for functions made of straight lines. The value
    returned is worked out by the functions themselves.

    Examples
    --------
    >>> tasks = [Task(3.0, lambda hour: -1.0 * hour), Task(1.0, lambda hour: -1.0 * hour)]
    >>> sequence(tasks, seed=0, evaluations=100)
    Sequence(order=(1, 0), value=-5.0)
    """
    _check(tasks)
    n = len(tasks)
    hours = np.array([task.hours for task in tasks], dtype=float)
    ready = np.array([task.ready for task in tasks], dtype=float)
    setup = np.zeros((n, n))
    for k, task in enumerate(tasks):
        if task.setup is not None:
            setup[:, k] = task.setup
    np.fill_diagonal(setup, 0.0)  # no task follows itself
    horizon = max(float(ready.max() + hours.sum() + setup.max(axis=0).sum()), 1e-9)
    worths = _worths(tasks, np.concatenate([hours, ready, setup.ravel()]), horizon)
    order = np.arange(n)
    tops, until = np.zeros(n), np.zeros(n)
    for k, (low, high) in enumerate(zip(worths.first[:-1], worths.first[1:], strict=True)):
        tops[k] = worths.worth[low:high].max()
        last = np.flatnonzero(worths.worth[low:high] >= tops[k] - 1e-9 * (1.0 + abs(tops[k])))[-1]
        until[k] = last / worths.parts[k] if worths.parts[k] > 0 else worths.hour[low + last]
    by_until = np.argsort(until, kind="stable")
    _search(_Shop(hours, ready, setup, worths), until, by_until, float(tops.sum()), order, int(evaluations), int(seed))
    found = tuple(int(k) for k in order)
    # straight lines between points may flatter an order of smooth functions by a hair: the order given is the least
    return max((Sequence(o, sequence_value(tasks, o)) for o in (found, tuple(range(n)))), key=lambda one: one.value)


def sequence_value(tasks: SequenceOf[Task], order: SequenceOf[int]) -> float:
    """Total value of tasks done in the given order, worked out plainly (the audit of `sequence`)."""
    _check(tasks)
    now, total = 0.0, 0.0
    before = -1
    for k in order:
        task = tasks[k]
        if before >= 0 and task.setup is not None:
            now += float(task.setup[before])
        before = k
        now = max(now, task.ready) + task.hours
        worth = task.value_at_completion
        total += float(worth(now) if callable(worth) else np.interp(now, np.arange(len(worth)), worth))
    return total
