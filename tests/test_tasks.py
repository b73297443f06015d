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
    with pytest.raises(ValueError, match="found 3 setup times, expected 1"):
        sequence([Task(1.0, np.zeros(3), setup=np.zeros(3))], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found ready -2"):
        sequence([Task(1.0, np.zeros(3), ready=-2.0)], seed=0, evaluations=10)
    with pytest.raises(ValueError, match="task 0: found no value"):
        sequence([Task(1.0, np.zeros(0))], seed=0, evaluations=10)
