"""The harvest order against exact answers from outside: scipy's assignment, enumeration of all orders, CP-SAT."""

import itertools

import numpy as np
import pytest
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


def orders_of(blocks_n, machines_n):
    """Every way to deal blocks to harvesters in order."""
    for order in itertools.permutations(range(blocks_n)):
        for cuts in itertools.combinations_with_replacement(range(blocks_n + 1), machines_n - 1):
            edges = (0, *cuts, blocks_n)
            yield [order[a:b] for a, b in itertools.pairwise(edges)]


def best_of_all(ph):
    machines_n, blocks_n = ph.block_h.shape
    rec, release = empty_record(ph), np.zeros(blocks_n, np.int64)
    best = -np.inf
    for lists in orders_of(blocks_n, machines_n):
        order = np.full((machines_n, blocks_n), -1, np.int64)
        for h, row in enumerate(lists):
            order[h, : len(row)] = row
        best = max(best, walk(ph, 0, order, np.array([len(row) for row in lists]), release, False, rec))
    return best


# Worth falls from the first day, so waiting never pays and the best of all orders is the best plan.
@pytest.mark.parametrize(
    ("seed", "blocks_n", "machines_n"), [(0, 6, 1), (1, 6, 1), (2, 6, 1), (3, 5, 2), (4, 5, 2)]
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
    # a release day may still gain a little (an hour saved on a lot), never lose
    assert worth >= best - 1e-9 * best
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


def test_cp_sat_day_assignment_is_not_above_the_bound_and_search_is_near_it():
    """Blocks of whole half shifts, at most a shift a day: an exact integer answer by OR-Tools."""
    cp_model = pytest.importorskip("ortools.sat.python.cp_model")
    rng = np.random.default_rng(11)
    blocks_n, days_n = 24, 20
    value = np.round(peaked(rng, blocks_n, days_n), 2)
    halves = rng.integers(1, 3, blocks_n)
    model = cp_model.CpModel()
    pick = {(b, t): model.new_bool_var(f"{b}-{t}") for b in range(blocks_n) for t in range(days_n)}
    for b in range(blocks_n):
        model.add_at_most_one(pick[b, t] for t in range(days_n))
    for t in range(days_n):
        model.add(sum(int(halves[b]) * pick[b, t] for b in range(blocks_n)) <= 2)
    model.maximize(sum(round(100 * value[b, t]) * pick[b, t] for b, t in pick))
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = 1
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    exact = solver.objective_value / 100
    ph = bare(value, 10.0 * halves)
    assert exact <= bound(ph).value * (1 + 1e-9)
    # blocks may be split over midnight here, so the search may pass the whole-day answer
    assert searched(ph, 20_000) >= 0.995 * exact
