import harvest_season as made
import numpy as np
import pytest

from olivetime.harvest.bound import bound, tightened, whole_lp
from olivetime.harvest.capacity import capacity
from olivetime.harvest.referee import empty_record, physics, walk, walk_plain
from olivetime.harvest.value import value


def packed(change=None, **items):
    season, scenarios, outcomes = made.make(**items)
    if change:
        season = made.changed(season, **change(season))
    limits = capacity(season, scenarios)
    return physics(limits, value(season, outcomes, scenarios, limits))


def random_plan(ph, rng, spread=10):
    machines_n, blocks_n = ph.block_h.shape
    order = np.full((machines_n, blocks_n), -1, np.int64)
    length = np.zeros(machines_n, np.int64)
    for b in rng.permutation(blocks_n):
        h = rng.integers(machines_n)
        if np.isfinite(ph.block_h[h, b]):
            order[h, length[h]] = b
            length[h] += 1
    return order, length, rng.integers(0, spread, blocks_n)


def walked(ph, s, plan):
    rec = empty_record(ph)
    return walk(ph, s, *plan, True, rec), rec


def tight(season):
    """A busy farm: slow mill with little room, few trucks, booked hours, washing."""
    return {
        "mill": season.mill.assign(rate_t_h=1.5, buffer_t=12.0, max_wait_h=4.0),
        "trucks": season.trucks.assign(trucks_n=1, hours_per_day=6.0),
    }


@pytest.mark.parametrize("seed", range(12))
def test_compiled_walk_equals_its_plain_twin(seed):
    rng = np.random.default_rng(seed)
    ph = packed(tight if seed % 2 else None, seed=seed, machines_n=1 + seed % 3, frost=seed % 3 == 0)
    for s in range(ph.value.shape[0]):
        plan = random_plan(ph, rng)
        worth, rec = walked(ph, s, plan)
        plain, picked = walk_plain(
            ph, s, [row[:n].tolist() for row, n in zip(*plan[:2], strict=True)], plan[2].tolist()
        )
        assert worth == pytest.approx(plain, rel=1e-9)
        shares = np.zeros_like(rec.picked)
        for (block, day), share in picked.items():
            shares[block, day] = share
        np.testing.assert_allclose(rec.picked, shares, atol=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_no_plan_is_worth_more_than_the_bound(seed):
    rng = np.random.default_rng(seed)
    ph = packed(tight if seed % 2 else None, seed=seed, machines_n=1 + seed % 2, frost=True)
    loose = bound(ph)
    close = tightened(ph, loose)
    most = close.by_scenario
    assert (most <= loose.by_scenario * (1 + 1e-12)).all()
    assert (close.slack <= 1e-6 * most).all()
    # the whole LP by another method of the solver
    assert most == pytest.approx([whole_lp(ph, s, "ipm") for s in range(len(most))], rel=1e-6)
    for s in range(ph.value.shape[0]):
        for spread in (1, 5, 30):
            assert walked(ph, s, random_plan(ph, rng, spread))[0] <= most[s] * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_walk_keeps_every_limit(seed):
    ph = packed(tight, seed=seed, machines_n=2)
    rng = np.random.default_rng(seed)
    for s in range(ph.value.shape[0]):
        _, rec = walked(ph, s, random_plan(ph, rng))
        assert (rec.picked.sum(axis=1) <= 1 + 1e-9).all()
        assert (rec.picked[ph.work[s] <= 0] == 0).all()
        assert (rec.harvester_h <= ph.shift_h + 1e-9).all()
        assert (rec.truck_h <= ph.truck_h + 1e-9).all()
        assert (rec.mill[:, 1] <= ph.buffer_t + 1e-9).all()
        received, waiting, cleanings = rec.mill[:, 0], rec.mill[:, 1], rec.mill[:, 2]
        before = np.concatenate([[0.0], waiting[:-1]])
        milled = before + received - waiting
        assert (milled <= np.maximum(ph.mill_t - cleanings * ph.cleaning_t, 0) + 1e-9).all()
        np.testing.assert_allclose(received, (rec.picked * ph.crop[s]).sum(axis=0), atol=1e-9)


# By hand: one block of 10 ha at 0.4392 ha/h is 22.77 h; a move of 0.5 h into it and 16 h shifts: 15.5 h of picking on
# the first day, the rest on the second.
def test_one_block_by_hand():
    ph = packed(lambda s: {"blocks": s.blocks.assign(area_ha=10.0)}, machines_n=1, rain=False)
    order = np.full((1, ph.value.shape[1]), -1, np.int64)
    order[0, 0] = 1
    worth, rec = walked(ph, 0, (order, np.array([1]), np.zeros(ph.value.shape[1], np.int64)))
    hours = 10.0 / 0.4392
    first = 15.5 / hours
    assert rec.picked[1, :3].tolist() == pytest.approx([first, 1 - first, 0.0])
    assert rec.start[1] == pytest.approx(0.5 / 24)
    assert rec.end[1] == pytest.approx(1 + (hours - 15.5) / 24)
    expected = first * ph.value[0, 1, 0] + (1 - first) * ph.value[0, 1, 1] - 0.5 * 200.0
    assert worth == pytest.approx(expected)


def test_organic_after_conventional_is_washed_and_the_mill_cleaned():
    def change(season):
        return {"blocks": season.blocks.assign(organic=[i == 3 for i in range(12)], ranch="R", area_ha=2.0)}

    ph = packed(change, machines_n=1, rain=False)
    order = np.full((1, 12), -1, np.int64)
    order[0, :3] = [0, 3, 6]  # conventional, organic, conventional
    _, rec = walked(ph, 0, (order, np.array([3]), np.zeros(12, np.int64)))
    assert rec.move[3] == pytest.approx(0.5 + 1.5)
    assert rec.move[6] == pytest.approx(0.5)
    assert rec.cleaned[3] == 1


def test_fruit_waits_for_a_closed_mill_and_pays_for_its_age():
    def change(closed):
        days = [{"mill_id": "M1", "day": made.pd.Timestamp(made.AS_OF), "booked_h": 0.0, "closed": closed}]
        return lambda s: {"mill_days": made.frame("mill_days", days), "mill": s.mill.assign(buffer_t=1000.0)}

    worth = {}
    for closed in (False, True):
        ph = packed(change(closed), machines_n=1, rain=False)
        order = np.full((1, 12), -1, np.int64)
        order[0, 0] = 1
        worth[closed], rec = walked(ph, 0, (order, np.array([1]), np.zeros(12, np.int64)))
        if closed:
            tonnes, waiting, age = rec.mill[0, 0], rec.mill[0, 1], rec.mill[0, 3]
            assert waiting == pytest.approx(tonnes)
            # half a day on the mean for fruit that came during the day (12 h), and the road
            assert age == pytest.approx(12.0 + ph.haul_age_h[1])
    assert worth[True] < worth[False]


def test_heavy_block_is_not_stopped_by_the_mill_within_a_day():
    # 60 t picked in 10 h against a mill of 5 t/h: it runs, because the mill has the rest of the day and its bins
    ph = packed(lambda s: {"blocks": s.blocks.assign(area_ha=4.0, crop_t_ha=15.0)}, machines_n=1, rain=False)
    order = np.full((1, 12), -1, np.int64)
    order[0, 0] = 0
    _, rec = walked(ph, 0, (order, np.array([1]), np.zeros(12, np.int64)))
    assert rec.picked[0, 0] == pytest.approx(1.0)


def test_release_day_is_kept_and_wet_block_is_passed_over():
    ph = packed(machines_n=1, rain=False)
    work = ph.work.copy()
    work[0, 4, :3] = 0.0
    ph = ph._replace(work=work)
    order = np.full((1, 12), -1, np.int64)
    order[0, :3] = [4, 5, 6]
    release = np.zeros(12, np.int64)
    release[6] = 20
    _, rec = walked(ph, 0, (order, np.array([3]), release))
    assert rec.start[5] < 1.0
    assert rec.start[4] >= 3.0
    assert rec.start[6] >= 20.0
