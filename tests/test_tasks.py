import itertools

import numpy as np
import pytest

from olivetime.harvest.tasks import Task, reverse_segment, sequence, sequence_value, shift_segment, swap


def falling(hours, weight):
    return Task(hours, lambda hour: -weight * hour)


# Smith's rule (W.E. Smith 1956, closed form): worth that falls by a weight an hour is greatest in the order of
# hours / weight.
@pytest.mark.parametrize("seed", range(20))
def test_smiths_rule_is_met_exactly(seed):
    rng = np.random.default_rng(seed)
    hours, weights = rng.integers(1, 60, 25).astype(float), rng.uniform(0.5, 9.0, 25)
    found = sequence(
        [falling(p, w) for p, w in zip(hours, weights, strict=True)], seed=seed, evaluations=40_000
    )
    best = np.argsort(hours / weights, kind="stable")
    assert found.value == pytest.approx(-(weights[best] * np.cumsum(hours[best])).sum(), rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_enumeration_of_all_orders_with_ready_times_and_setups(seed):
    rng = np.random.default_rng(seed)
    tasks = [
        Task(
            float(rng.integers(2, 9)),
            np.maximum(0.0, 100.0 - rng.uniform(1, 6) * np.abs(np.arange(120) - rng.integers(5, 60))),
            ready=float(rng.integers(0, 20)),
            setup=rng.integers(0, 4, 6).astype(float),
        )
        for _ in range(6)
    ]
    best = max(sequence_value(tasks, order) for order in itertools.permutations(range(6)))
    assert sequence(tasks, seed=seed, evaluations=20_000).value == pytest.approx(best, rel=1e-12)


def lateness(kind, weight, due):
    """Worth by published rules: weighted tardiness, earliness and tardiness, completion, number late."""
    return {
        "tardy": lambda hour: -weight * max(0.0, hour - due),
        "early and tardy": lambda hour: -weight * max(0.0, hour - due) - 0.5 * max(0.0, due - hour),
        "completion": lambda hour: -weight * hour,
        "number late": lambda hour: -1.0 if hour > due else 0.0,
    }[kind]


# The best of all orders, enumerated; hours with and without a common unit, worth as function and as array.
@pytest.mark.parametrize("kind", ["tardy", "early and tardy", "completion", "number late"])
@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("array", [True, False])
def test_enumeration_of_published_measures(kind, whole, array):
    if array and not whole and kind in ("tardy", "early and tardy", "number late"):
        pytest.skip("an array by the hour cannot say a due date within the hour")
    rng = np.random.default_rng([len(kind), whole, array])
    n = 6
    hours, due = rng.uniform(1, 9, n), rng.uniform(3, 35, n)
    ready, setup = rng.uniform(0, 15, n), rng.uniform(0, 3, (n, n))
    if whole:
        hours, due, ready, setup = (np.ceil(part) for part in (hours, due, ready, setup))
    worth = [lateness(kind, w, d) for w, d in zip(rng.integers(1, 9, n), due, strict=True)]
    if array:
        worth = [np.array([one(hour) for hour in range(120)]) for one in worth]
    tasks = [
        Task(p, v, ready=r, setup=column) for p, v, r, column in zip(hours, worth, ready, setup.T, strict=True)
    ]
    best = max(sequence_value(tasks, order) for order in itertools.permutations(range(n)))
    assert sequence(tasks, seed=1, evaluations=6000).value == pytest.approx(best, rel=1e-9)


# Smith's rule again, 200 tasks and a small budget: the greedy
# orders are exact there.
def test_many_tasks_and_a_small_budget():
    rng = np.random.default_rng(5)
    hours, weights = rng.integers(1, 60, 200).astype(float), rng.uniform(0.5, 9.0, 200)
    found = sequence([falling(p, w) for p, w in zip(hours, weights, strict=True)], seed=0, evaluations=5000)
    best = np.argsort(hours / weights, kind="stable")
    assert found.value == pytest.approx(-(weights[best] * np.cumsum(hours[best])).sum(), rel=1e-9)


def test_value_is_that_of_the_order_returned():
    rng = np.random.default_rng(3)
    tasks = [
        falling(float(p), w) for p, w in zip(rng.integers(1, 30, 12), rng.uniform(1, 5, 12), strict=True)
    ]
    found = sequence(tasks, seed=1, evaluations=3000)
    assert sorted(found.order) == list(range(12))
    assert found.value == pytest.approx(sequence_value(tasks, found.order), rel=1e-12)


def test_hours_without_common_unit_are_close_to_exact():
    tasks = [falling(np.pi, 2.0), falling(np.sqrt(2), 1.0), falling(1 / 3, 1.0)]
    found = sequence(tasks, seed=0, evaluations=500)
    assert found.value == pytest.approx(sequence_value(tasks, found.order), abs=1e-6)


def test_same_seed_same_order():
    rng = np.random.default_rng(0)
    tasks = [
        falling(float(p), w) for p, w in zip(rng.integers(1, 30, 30), rng.uniform(1, 5, 30), strict=True)
    ]
    assert sequence(tasks, seed=5, evaluations=2000) == sequence(tasks, seed=5, evaluations=2000)


def test_moves_by_hand():
    row = np.arange(6)
    shift_segment(row, 1, 2, 3)
    assert row.tolist() == [0, 3, 4, 1, 2, 5]
    shift_segment(row, 3, 2, 0)
    assert row.tolist() == [1, 2, 0, 3, 4, 5]
    swap(row, 0, 5)
    reverse_segment(row, 1, 4)
    assert row.tolist() == [5, 4, 3, 0, 2, 1]


def test_wrong_arguments_are_told():
    with pytest.raises(ValueError, match="no task"):
        sequence([], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found hours -1"):
        sequence([falling(-1.0, 1.0)], seed=0, evaluations=10)
    with pytest.raises(ValueError, match=r"setup times of shape \(3,\), expected 1"):
        sequence([Task(1.0, np.zeros(3), setup=np.zeros(3))], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found ready -2"):
        sequence([Task(1.0, np.zeros(3), ready=-2.0)], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found no value"):
        sequence([Task(1.0, np.zeros(0))], seed=0, evaluations=10)


def on_time_by_moore(hours, due):
    """Most tasks done by their due hours: J.M. Moore 1968 with Hodgson's form; from memory."""
    kept, now = [], 0.0
    for k in np.argsort(due, kind="stable"):
        kept.append(hours[k])
        now += hours[k]
        if now > due[k]:
            now -= kept.pop(int(np.argmax(kept)))
    return len(kept)


@pytest.mark.parametrize("n", [20, 60, 100])
def test_most_tasks_by_their_due_hours(n):
    rng = np.random.default_rng(n)
    hours = rng.integers(1, 50, n).astype(float)
    due = rng.integers(1, int(0.7 * hours.sum()), n).astype(float)
    tasks = [Task(p, lambda hour, d=d: 1.0 * (hour <= d)) for p, d in zip(hours, due, strict=True)]
    assert sequence(tasks, seed=0, evaluations=30_000).value == on_time_by_moore(hours, due)


# The travelling repairman: least sum of arrivals, no work but the way; by dynamic programming over sets of places
# (Held and Karp 1962).
def test_setups_alone_are_the_travelling_repairman():
    n = 10
    place = np.random.default_rng(3).uniform(0, 100, (n, 2))
    way = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    least = {(1 << k, k): 0.0 for k in range(n)}
    for size in range(1, n):
        longer = {}
        for (seen, at), cost in least.items():
            for to in range(n):
                if not seen >> to & 1:
                    key = (seen | 1 << to, to)
                    longer[key] = min(longer.get(key, np.inf), cost + way[at, to] * (n - size))
        least = longer
    tasks = [Task(0.0, lambda hour: -hour, setup=way[:, k]) for k in range(n)]
    assert sequence(tasks, seed=0, evaluations=20_000).value == pytest.approx(-min(least.values()), rel=1e-9)


# Completion after a deadline is forbidden: worth minus infinity. The best order by enumeration.
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("whole", [True, False])
def test_deadlines_are_kept_where_they_can_be(seed, whole):
    rng = np.random.default_rng(seed)
    n = 6
    hours, weights = rng.uniform(1, 9, n), rng.uniform(1, 5, n)
    hours = np.ceil(hours) if whole else hours
    some, end = rng.permutation(n), np.zeros(n)
    end[some] = np.cumsum(hours[some]) + rng.integers(0, 8, n)
    tasks = [
        Task(p, lambda hour, w=w, d=d: -w * hour if hour <= d + 1e-9 else -np.inf)
        for p, w, d in zip(hours, weights, end, strict=True)
    ]
    best = max(sequence_value(tasks, order) for order in itertools.permutations(range(n)))
    assert np.isfinite(best)
    found = sequence(tasks, seed=0, evaluations=20_000).value
    assert found == pytest.approx(best, rel=1e-9)


def test_odd_tasks_are_sequenced_all_the_same():
    assert sequence([falling(3.0, 2.0)], seed=0, evaluations=0) == sequence([falling(3.0, 2.0)], seed=0, evaluations=9)
    nothing = [falling(0.0, 1.0), falling(0.0, 2.0)]
    assert sequence(nothing, seed=0, evaluations=50).value == 0
    # an array that ends early holds its last entry; a function need not answer beyond the last hour
    table = [4.0, 3.0, 2.0, 1.0]
    short = [Task(1.0, np.array([5.0, 4.0])), Task(2.0, lambda hour: table[int(hour)])]
    assert sequence(short, seed=0, evaluations=50).value == sequence_value(short, (1, 0)) == 6.0
    never = [Task(2.0, np.full(9, -np.inf)), falling(1.0, 1.0)]
    assert sequence(never, seed=0, evaluations=50).value == -np.inf


def test_worths_and_setups_that_are_no_numbers_are_told():
    with pytest.raises(ValueError, match="task 1: found a value that is not a number"):
        sequence([falling(1.0, 1.0), Task(1.0, np.array([1.0, np.nan]))], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found a setup time below 0"):
        sequence([Task(1.0, np.zeros(3), setup=np.array([np.inf, -1.0])), falling(1.0, 1.0)], seed=0, evaluations=10)
