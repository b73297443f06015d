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

import numpy as np
from numba import njit

# Steps of the time grid on which values are tabulated when hours have no common unit; between them, straight lines.
GRID_STEPS = 200_000
# Hours are taken as multiples of a common unit when they are so to within this many units in the last place.
_UNIT_DENOMINATORS = (1, 2, 4, 5, 10, 20, 60, 100, 1000)


@dataclass(frozen=True)
class Task:
    """One task.

    Attributes
    ----------
    hours : float
        Time it takes [h].
    value_at_completion : callable or array
        Worth as a function of the hour of completion, or an array whose entry i holds for completion at hour i
        (straight lines between, the last entry afterwards) [any].
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


@njit(cache=True)
def shift_segment(row: np.ndarray, i: int, k: int, j: int) -> None:
    """Take the k entries from position i out of `row` and put them in again so that they begin at position j."""
    segment = row[i : i + k].copy()
    if j > i:
        for p in range(i, j):
            row[p] = row[p + k]
    else:
        for p in range(i - 1, j - 1, -1):
            row[p + k] = row[p]
    row[j : j + k] = segment


@njit(cache=True)
def swap(row: np.ndarray, i: int, j: int) -> None:
    """Exchange the entries at positions i and j."""
    kept = row[i]
    row[i] = row[j]
    row[j] = kept


@njit(cache=True)
def reverse_segment(row: np.ndarray, i: int, j: int) -> None:
    """Reverse the entries from position i to position j, both included."""
    while i < j:
        swap(row, i, j)
        i += 1
        j -= 1


@njit(cache=True)
def random_move(row: np.ndarray, low: int, high: int) -> None:
    """One random move among positions low to high - 1: an entry or short segment elsewhere, a swap, a reversal.

    Half of the moves stay within a few positions: the neighbourhood where most gains are.
    """
    n = high - low
    if n < 2:
        return
    reach = n if np.random.random() < 0.5 else min(n, 8)
    i = low + np.random.randint(n)
    j = i + np.random.randint(-reach + 1, reach)
    j = min(max(j, low), high - 1)
    kind = np.random.random()
    if kind < 0.45:
        shift_segment(row, i, 1, j)
    elif kind < 0.75:
        swap(row, i, j)
    elif kind < 0.92:
        k = 2 + np.random.randint(3)
        k = min(k, n)
        i = min(i, high - k)
        j = min(j, high - k)
        shift_segment(row, i, k, j)
    else:
        reverse_segment(row, min(i, j), min(max(i, j), min(i, j) + 5))


@njit(cache=True)
def accepts(change: float, temperature: float) -> bool:
    """Metropolis rule: take a gain always, a loss with chance exp(change / temperature)."""
    if change >= 0.0:
        return True
    if temperature <= 0.0:
        return False
    return np.random.random() < np.exp(change / temperature)


@njit(cache=True)
def cooled(begin: float, end: float, share: float) -> float:
    """Temperature after a share of the budget, falling geometrically from `begin` to `end`."""
    return begin * (end / begin) ** share


# --- one machine -----------------------------------------------------------------------------------------------


@njit(cache=True)
def _worth(order, hours, ready, setup, table, step):
    now = 0.0
    total = 0.0
    before = -1
    last = table.shape[1] - 1
    for p in range(order.shape[0]):
        k = order[p]
        if before >= 0:
            now += setup[before, k]
        if now < ready[k]:
            now = ready[k]
        now += hours[k]
        x = now / step
        i = int(x)
        if i >= last:
            total += table[k, last]
        else:
            total += table[k, i] + (x - i) * (table[k, i + 1] - table[k, i])
        before = k
    return total


@njit(cache=True)
def _improve(order, hours, ready, setup, table, step, budget):
    """Descend by insertions and swaps until none gains or the budget ends; returns value and evaluations used."""
    n = order.shape[0]
    best = _worth(order, hours, ready, setup, table, step)
    used = 1
    gained = True
    trial = order.copy()
    while gained and used < budget:
        gained = False
        for i in range(n):
            for j in range(n):
                if i == j or used >= budget:
                    continue
                for kind in range(2):
                    if kind == 1 and j < i:
                        continue
                    trial[:] = order
                    if kind == 0:
                        shift_segment(trial, i, 1, j)
                    else:
                        swap(trial, i, j)
                    worth = _worth(trial, hours, ready, setup, table, step)
                    used += 1
                    if worth > best + 1e-9 * (1.0 + abs(best)):
                        best = worth
                        order[:] = trial
                        gained = True
    return best, used


@njit(cache=True)
def _search(order, hours, ready, setup, table, step, evaluations, seed):
    """Rounds of kicks with descent and of annealing; the best order seen is returned in `order`."""
    np.random.seed(seed)
    n = order.shape[0]
    best = order.copy()
    best_worth, used = _improve(best, hours, ready, setup, table, step, evaluations)
    current = best.copy()
    worth = best_worth
    trial = current.copy()
    # typical loss of a random move sets the temperature
    loss = 0.0
    tries = 0
    while tries < 50 and used < evaluations:
        trial[:] = current
        random_move(trial, 0, n)
        loss += abs(_worth(trial, hours, ready, setup, table, step) - worth)
        tries += 1
        used += 1
    scale = loss / max(tries, 1)
    while used < evaluations and scale > 0.0:
        per_round = max(2000, (500 if np.random.random() < 0.5 else 2000) * n)
        budget = min(per_round, evaluations - used)
        current[:] = best
        worth = best_worth
        kind = np.random.random()
        if kind < 0.6:
            # kicks and descents around the best order
            while budget > 0:
                trial[:] = best
                for _ in range(2 + np.random.randint(5)):
                    random_move(trial, 0, n)
                worth, more = _improve(trial, hours, ready, setup, table, step, budget)
                budget -= more
                used += more
                if worth > best_worth + 1e-9 * (1.0 + abs(best_worth)):
                    best[:] = trial
                    best_worth = worth
            continue
        if kind < 0.8:
            hot = 0.3 * scale
        else:
            # from anywhere, so that one deep valley does not hold every round
            hot = scale
            for p in range(n - 1, 0, -1):
                swap(current, p, np.random.randint(p + 1))
            worth = _worth(current, hours, ready, setup, table, step)
        for e in range(budget):
            trial[:] = current
            random_move(trial, 0, n)
            new = _worth(trial, hours, ready, setup, table, step)
            if accepts(new - worth, cooled(hot, 0.0005 * scale, e / budget)):
                current[:] = trial
                worth = new
                if worth > best_worth + 1e-9 * (1.0 + abs(best_worth)):
                    best[:] = current
                    best_worth = worth
        used += budget
        if used < evaluations:
            worth, more = _improve(current, hours, ready, setup, table, step, evaluations - used)
            used += more
            if worth > best_worth + 1e-9 * (1.0 + abs(best_worth)):
                best[:] = current
                best_worth = worth
    order[:] = best
    return best_worth


def _grid(times: np.ndarray, horizon: float) -> tuple[float, int]:
    """Step and number of steps of the time grid: exact when all times share a unit, else fine."""
    for parts in _UNIT_DENOMINATORS:
        whole = times * parts
        if horizon * parts <= GRID_STEPS and np.abs(whole - np.round(whole)).max() < 1e-9 * max(
            1.0, whole.max()
        ):
            return 1.0 / parts, int(np.ceil(horizon * parts)) + 1
    return horizon / GRID_STEPS, GRID_STEPS + 1


def _check(tasks: SequenceOf[Task]) -> None:
    if not tasks:
        raise ValueError("sequence: found no task, expected at least one. Give a list of Task.")
    for i, task in enumerate(tasks):
        if not (np.isfinite(task.hours) and task.hours >= 0):
            raise ValueError(
                f"sequence, task {i}: found hours {task.hours}, expected 0 or more. Give its time in hours."
            )
        if task.setup is not None and len(task.setup) != len(tasks):
            raise ValueError(
                f"sequence, task {i}: found {len(task.setup)} setup times, expected {len(tasks)}, one for each task "
                "it may follow. Give an array of that length."
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
        No task, negative hours, or setup times of the wrong number.

    Notes
    -----
    The machine starts at hour 0 and never waits except for `ready`. Values are tabulated on a time grid: exact when
    all hours are multiples of a common unit down to 1/1000 h, otherwise straight lines on 200,000 steps.

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
    horizon = float(ready.max() + hours.sum() + setup.max(axis=0).sum())
    step, steps = _grid(np.concatenate([hours, ready, setup.ravel()]), max(horizon, 1e-9))
    grid = np.arange(steps + 1) * step
    table = np.empty((n, steps + 1))
    for k, task in enumerate(tasks):
        worth = task.value_at_completion
        table[k] = (
            [worth(hour) for hour in grid]
            if callable(worth)
            else np.interp(grid, np.arange(len(worth)), worth)
        )
    order = np.arange(n)
    found = _search(order, hours, ready, setup, table, step, int(evaluations), int(seed))
    return Sequence(tuple(int(k) for k in order), float(found))


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
