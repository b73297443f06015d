"""Walks of single harvesters inside the search, against the referee and against walks from the first day."""

import numpy as np
import pytest
from test_referee import packed, random_plan, tight

from olivetime.harvest.bound import bound
from olivetime.harvest.improve import _take_over, _walk_all, _walk_one, improve, space
from olivetime.harvest.improve import packed as pack
from olivetime.harvest.order import net_worth
from olivetime.harvest.referee import empty_record, walk


def walked_all(ph, plan):
    room = space(ph)
    _walk_all(ph, room.walked, plan, room.day, room.other_day, room.over_cost)
    return room


def worth(room, s):
    return room.walked.each["earned"][s, :, -1].sum() - room.walked.every["aged"][s, -1]


@pytest.mark.parametrize("seed", range(6))
def test_one_harvester_is_walked_as_by_the_referee(seed):
    rng = np.random.default_rng(seed)
    ph = packed(tight if seed % 2 else None, seed=seed, machines_n=1, frost=True)
    plan = random_plan(ph, rng)
    room = walked_all(ph, plan)
    for s in range(ph.value.shape[0]):
        assert worth(room, s) == pytest.approx(walk(ph, s, *plan, False, empty_record(ph)), rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_several_harvesters_are_walked_as_by_the_referee_where_mill_and_trucks_are_free(seed):
    rng = np.random.default_rng(seed)
    ph = packed(seed=seed, machines_n=3)._replace(cleaning_t=0.0)
    ph = ph._replace(mill_t=np.full_like(ph.mill_t, 1e9), truck_h=np.full_like(ph.truck_h, 1e9))
    plan = random_plan(ph, rng)
    room = walked_all(ph, plan)
    for s in range(ph.value.shape[0]):
        assert worth(room, s) == pytest.approx(walk(ph, s, *plan, False, empty_record(ph)), rel=1e-9)


# A change walked from the first day on which it can matter gives what a walk from the first day of the season gives.
@pytest.mark.parametrize("seed", range(4))
def test_walk_from_the_day_of_the_change_equals_the_whole_walk(seed):
    rng = np.random.default_rng(seed)
    ph = packed(tight if seed % 2 else None, seed=seed, machines_n=1)
    order, length, release = random_plan(ph, rng)
    room = walked_all(ph, (order, length, release))
    room.day.kept[0] = True
    days_n = ph.value.shape[2]
    for _ in range(40):
        i, j = sorted(rng.choice(length[0], 2, replace=False))
        changed = order.copy()
        changed[0, i], changed[0, j] = order[0, j], order[0, i]
        fresh = walked_all(ph, (changed, length, release))
        for s in range(ph.value.shape[0]):
            day = int(room.walked.block["seen"][s, order[0, i]])
            got, aged = _walk_one(
                pack(ph), room.walked, s, 0, changed, length, release, day, day, -1, days_n, room.other_day,
                room.day, room.over_cost,
            )  # fmt: skip
            _take_over(room.walked, s, 0, day, room.day)
            assert got - aged == pytest.approx(worth(fresh, s), rel=1e-9)
        order = changed


@pytest.mark.parametrize("machines_n", [1, 2])
def test_value_returned_is_the_referees_and_never_below_the_plan_given(machines_n):
    rng = np.random.default_rng(machines_n)
    ph = packed(tight, machines_n=machines_n)
    plan = random_plan(ph, rng)
    scenarios_n, blocks_n = ph.value.shape[:2]
    before = np.mean([walk(ph, s, *plan, False, empty_record(ph)) for s in range(scenarios_n)])
    net, km_cost = net_worth(ph, bound(ph))
    found = improve(
        ph, ph, *plan, locked=np.zeros(machines_n, np.int64), promised=np.full(blocks_n, -1.0),
        net=net, km_cost=km_cost, keep=np.zeros(blocks_n), caution=0.0, evaluations=400, seed=0,
        space=space(ph),
    )  # fmt: skip
    after = np.mean([walk(ph, s, *plan, False, empty_record(ph)) for s in range(scenarios_n)])
    assert found == pytest.approx(after, rel=1e-12)
    assert after > before
    assert sorted(np.concatenate([row[:n] for row, n in zip(plan[0], plan[1], strict=True)])) == list(range(blocks_n))


# Fruit that gains until the last day that leaves time for all of it: both harvesters have to wait, and every block is
# free from the first day on.
def test_harvesters_begin_later_where_waiting_pays():
    rng = np.random.default_rng(5)
    ph = packed(machines_n=2)
    scenarios_n, blocks_n, days_n = ph.value.shape
    ph = ph._replace(value=ph.value.max(axis=2, keepdims=True) * (1.0 + np.arange(days_n)))
    order, length, _ = random_plan(ph, rng)

    def worth_from(day):
        plan = order, length, np.full(blocks_n, day)
        return np.mean([walk(ph, s, *plan, False, empty_record(ph)) for s in range(scenarios_n)])

    waited = max(worth_from(day) for day in range(days_n))
    assert waited > 1.1 * worth_from(0)
    net, km_cost = net_worth(ph, bound(ph))
    found = improve(
        ph, ph, order.copy(), length.copy(), np.zeros(blocks_n, np.int64), locked=np.zeros(2, np.int64),
        promised=np.full(blocks_n, -1.0), net=net, km_cost=km_cost, keep=np.zeros(blocks_n), caution=0.0,
        evaluations=600, seed=0, space=space(ph),
    )  # fmt: skip
    assert found > waited
