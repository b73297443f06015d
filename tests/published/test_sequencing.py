"""The harvest order against exact answers from outside: scipy's assignment, enumeration of all orders, CP-SAT."""

import numpy as np
import pytest
from numba import njit
from scipy.optimize import linear_sum_assignment

from olivetime.harvest.bound import bound, tightened
from olivetime.harvest.capacity import UNLIMITED
from olivetime.harvest.order import search
from olivetime.harvest.referee import Physics, empty_record, walk


def bare(value, hours, *, machines_n=1, shift=20.0, **other):
    """Physics of one scenario with nothing but harvester hours, unless said otherwise."""
    blocks_n, days_n = value.shape
    base = {
        "value": value[None],
        "crop": np.ones((1, blocks_n, days_n)),
        "work": np.where(value > 0, 1.0, 0.0)[None],
        "shift_h": np.full((machines_n, days_n), shift),
        "block_h": np.tile(np.asarray(hours, dtype=float), (machines_n, 1)),
        "move_fixed_h": np.zeros(machines_n),
        "move_h_km": np.zeros(machines_n),
        "washdown_h": np.zeros(machines_n),
        "move_cost_h": np.zeros(machines_n),
        "start_block": np.full(machines_n, -1),
        "distance_km": np.zeros((blocks_n, blocks_n)),
        "organic": np.zeros(blocks_n, dtype=bool),
        "lot": np.zeros(blocks_n, dtype=np.int64),
        "lots_n": 1,
        "mill_t": np.full(days_n, UNLIMITED),
        "buffer_t": 0.0,
        "cleaning_t": 0.0,
        "max_wait_h": 24.0,
        "truck_h": np.full(days_n, UNLIMITED),
        "truck_h_t": np.zeros(blocks_n),
        "age_cost": np.zeros(blocks_n),
        "haul_age_h": np.zeros(blocks_n),
    }
    return Physics(**(base | other))


def searched(ph, evaluations, seed=0):
    blocks_n, days_n = ph.value.shape[1:]
    found = search(
        ph, bound(ph), fresh_pct=np.full((blocks_n, days_n), 18.0), cultivar=np.array(["Arbequina"] * blocks_n),
        seed=seed, evaluations=evaluations,
    )  # fmt: skip
    return walk(ph, 0, *found.lists, False, empty_record(ph))


def peaked(rng, blocks_n, days_n):
    """Worth that rises to a block's own day and falls after it."""
    peak = rng.uniform(0, days_n, (blocks_n, 1))
    worth = rng.uniform(20, 100, (blocks_n, 1))
    return worth * (1 - 0.0004 * (np.arange(days_n) - peak) ** 2).clip(0.05)


# Every block takes exactly one shift and nothing else limits: the best plan is scipy's optimal assignment.
@pytest.mark.parametrize("seed", range(3))
def test_bound_equals_and_search_nears_the_optimal_assignment(seed):
    rng = np.random.default_rng(seed)
    value = peaked(rng, 40, 50)
    best = value[linear_sum_assignment(value, maximize=True)].sum()
    ph = bare(value, np.full(40, 20.0))
    assert bound(ph).value >= best * (1 - 1e-9)
    assert tightened(ph, bound(ph)).value == pytest.approx(best, rel=1e-6)
    worth = searched(ph, 20_000)
    assert worth <= best * (1 + 1e-9)
    assert worth >= 0.995 * best


@njit(cache=True)
def best_of_orders(ph, deal, order, length, release, rec):
    """Worth of the best of all ways to deal blocks to one or two harvesters in order; `deal` begins sorted."""
    machines_n, blocks_n = order.shape
    best = -np.inf
    keep = blocks_n < 0
    while True:
        for first in range(blocks_n + 1 if machines_n == 2 else 1):
            length[0] = first if machines_n == 2 else blocks_n
            for p in range(blocks_n):
                if p < length[0]:
                    order[0, p] = deal[p]
                else:
                    order[1, p - length[0]] = deal[p]
            if machines_n == 2:
                length[1] = blocks_n - first
            best = max(best, walk(ph, 0, order, length, release, keep, rec))
        # the next order of the same numbers, in the order of the dictionary
        i = blocks_n - 2
        while i >= 0 and deal[i] > deal[i + 1]:
            i -= 1
        if i < 0:
            return best
        j = blocks_n - 1
        while deal[j] < deal[i]:
            j -= 1
        deal[i], deal[j] = deal[j], deal[i]
        low, high = i + 1, blocks_n - 1
        while low < high:
            deal[low], deal[high] = deal[high], deal[low]
            low += 1
            high -= 1


def best_of_all(ph):
    machines_n, blocks_n = ph.block_h.shape
    whole = np.int64
    return best_of_orders(
        ph, np.arange(blocks_n), np.full((machines_n, blocks_n), -1, whole), np.zeros(machines_n, whole),
        np.zeros(blocks_n, whole), empty_record(ph),
    )  # fmt: skip


# Worth falls from the first day, so waiting never pays and the best of all orders is the best plan.
@pytest.mark.parametrize(
    ("seed", "blocks_n", "machines_n"), [(0, 6, 1), (1, 7, 1), (2, 8, 1), (3, 6, 2), (4, 7, 2), (5, 8, 2)]
)
def test_search_finds_the_best_of_all_orders_with_moves_mill_and_trucks(seed, blocks_n, machines_n):
    rng = np.random.default_rng(seed)
    fall = rng.uniform(0.2, 3.0, (blocks_n, 1))
    value = rng.uniform(60, 100, (blocks_n, 1)) - fall * np.arange(25)
    xy = rng.uniform(0, 60, (blocks_n, 2))
    ph = bare(
        value, rng.uniform(10, 40, blocks_n), machines_n=machines_n,
        crop=np.ones((1, blocks_n, 25)) * rng.uniform(30, 120, (1, blocks_n, 1)),
        move_fixed_h=np.full(machines_n, 0.5), move_h_km=np.full(machines_n, 1 / 30),
        washdown_h=np.full(machines_n, 2.0), move_cost_h=np.full(machines_n, 0.1),
        distance_km=np.hypot(*(xy[:, None] - xy[None, :]).transpose(2, 0, 1)), organic=rng.random(blocks_n) < 0.4,
        lot=rng.integers(0, 3, blocks_n), lots_n=3, mill_t=np.full(25, 60.0 * machines_n), buffer_t=20.0,
        cleaning_t=4.0, max_wait_h=6.0, truck_h=np.full(25, 12.0 * machines_n),
        truck_h_t=rng.uniform(0.1, 0.25, blocks_n), age_cost=np.full(blocks_n, 0.002),
    )  # fmt: skip
    best = best_of_all(ph)
    worth = searched(ph, 20_000, seed)
    # a release day may still gain a little (an hour saved on a lot); seven or eight blocks on two harvesters that share
    # a mill may miss the best by as little
    assert worth >= best * (1 - (1e-9 if machines_n == 1 or blocks_n < 7 else 3e-3))
    assert worth <= 1.02 * best


# Smith's rule as a limit: long seasons, worth falling straight by the day, one endless machine: order by hours / fall.
def test_smiths_rule_holds_on_the_referee_too():
    rng = np.random.default_rng(7)
    blocks_n, days_n = 12, 60
    hours = 24.0 * rng.integers(1, 6, blocks_n)
    fall = rng.uniform(0.2, 3.0, blocks_n)
    # whole days and worth constant within a day: a block's worth is its mean over the days of its picking
    value = 1000.0 - fall[:, None] * np.arange(days_n)
    ph = bare(value, hours, shift=24.0)
    best_order = np.argsort(hours / fall, kind="stable")
    order = best_order[None].astype(np.int64)
    best = walk(ph, 0, order, np.array([blocks_n]), np.zeros(blocks_n, np.int64), False, empty_record(ph))
    begin = np.concatenate([[0.0], np.cumsum(hours[best_order])[:-1]]) / 24.0
    by_hand = (1000.0 - fall[best_order] * (begin + (hours[best_order] / 24.0 - 1) / 2)).sum()
    assert best == pytest.approx(by_hand)
    assert searched(ph, 20_000) == pytest.approx(best, rel=1e-9)


# Blocks of half shifts or whole ones, picked in a day. CP-SAT's answer is a plan that the referee could walk, so the
# bound is above it, and the search, which may split blocks over midnight, near it.
@pytest.mark.parametrize(("blocks_n", "machines_n", "days_n"), [(40, 1, 30), (200, 4, 36)])
def test_cp_sat_day_assignment_is_not_above_the_bound_and_search_is_near_it(blocks_n, machines_n, days_n):
    cp_model = pytest.importorskip("ortools.sat.python.cp_model")
    rng = np.random.default_rng(blocks_n)
    value = np.round(peaked(rng, blocks_n, days_n), 2)
    halves = rng.integers(1, 3, blocks_n)
    model = cp_model.CpModel()
    pick = [[model.new_bool_var("") for _ in range(days_n)] for _ in range(blocks_n)]
    for b in range(blocks_n):
        model.add_at_most_one(pick[b])
    for t in range(days_n):
        model.add(sum(int(halves[b]) * pick[b][t] for b in range(blocks_n)) <= 2 * machines_n)
    model.maximize(sum(round(100 * value[b, t]) * pick[b][t] for b in range(blocks_n) for t in range(days_n)))
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = 1
    solver.parameters.num_workers = 1
    solver.parameters.relative_gap_limit = 0.005
    solver.parameters.max_deterministic_time = 3  # not the clock's: the same answer on every machine
    assert solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    found = solver.objective_value / 100
    ph = bare(value, 10.0 * halves, machines_n=machines_n)
    assert found <= bound(ph).value * (1 + 1e-9)
    assert searched(ph, 20_000 if blocks_n == 40 else 6000) >= 0.99 * found
