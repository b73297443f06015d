"""What must hold on any farm: random ones, drawn by hypothesis."""

from concurrent.futures import ThreadPoolExecutor

import harvest_season as made
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from olivetime.harvest.bound import bound, tightened
from olivetime.harvest.capacity import capacity
from olivetime.harvest.order import plan
from olivetime.harvest.referee import Physics, empty_record, walk, walk_plain
from olivetime.harvest.value import value

TODAY = pd.Timestamp(made.AS_OF)
DAY = pd.Timedelta(days=1)
FEW = settings(derandomize=True, deadline=None, max_examples=40, suppress_health_check=list(HealthCheck))


@st.composite
def farms(draw):
    """Physics of a small farm with everything that may limit it, and a plan."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    machines_n, blocks_n, days_n, lots_n = (draw(st.integers(1, n)) for n in (3, 9, 14, 3))
    scenarios_n = draw(st.integers(1, 2))
    shape = (scenarios_n, blocks_n, days_n)
    worth = rng.uniform(-5, 100, (scenarios_n, blocks_n, 1)) * rng.uniform(0.5, 1.2, shape)
    work = np.where(rng.random(shape) < draw(st.floats(0, 0.6)), 0.0, rng.uniform(0.2, 1.0, shape))
    place = rng.uniform(0, 40, (blocks_n, 2))
    starts = rng.integers(-1, blocks_n, machines_n)
    scarce = draw(st.floats(0.05, 2.0))
    ph = Physics(
        value=worth, crop=rng.uniform(1, 60, shape), work=np.where(worth > 0, work, 0.0),
        shift_h=np.where(rng.random((machines_n, days_n)) < 0.2, 0.0, rng.uniform(2, 20, (machines_n, days_n))),
        block_h=np.where(rng.random((machines_n, blocks_n)) < 0.1, np.inf, rng.uniform(1, 50, (machines_n, blocks_n))),
        move_fixed_h=rng.uniform(0, 1, machines_n), move_h_km=rng.uniform(0, 0.1, machines_n),
        washdown_h=rng.uniform(0, 3, machines_n), move_cost_h=rng.uniform(0, 2, machines_n), start_block=starts,
        distance_km=np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1)), organic=rng.random(blocks_n) < 0.4,
        lot=rng.integers(0, lots_n, blocks_n), lots_n=lots_n,
        mill_t=np.where(rng.random(days_n) < 0.2, 0.0, rng.uniform(20, 80, days_n)) * scarce,
        buffer_t=float(rng.uniform(0, 40)), cleaning_t=float(rng.uniform(0, 8)), max_wait_h=float(rng.uniform(0, 20)),
        truck_h=np.where(rng.random(days_n) < 0.1, 0.0, rng.uniform(2, 30, days_n)),
        truck_h_t=rng.uniform(0, 0.3, blocks_n), age_cost=rng.uniform(0, 0.02, blocks_n),
        haul_age_h=rng.uniform(0, 2, blocks_n),
    )  # fmt: skip
    order = np.full((machines_n, blocks_n), -1, np.int64)
    length = np.zeros(machines_n, np.int64)
    for b in rng.permutation(blocks_n):
        h = rng.integers(machines_n)
        if np.isfinite(ph.block_h[h, b]):
            order[h, length[h]] = b
            length[h] += 1
    return ph, (order, length, rng.integers(0, days_n, blocks_n))


@FEW
@given(farms())
def test_twin_equals_the_compiled_referee_and_no_plan_passes_the_bound(farm):
    ph, (order, length, release) = farm
    loose = bound(ph)
    close = tightened(ph, loose)
    assert (close.by_scenario <= loose.by_scenario + 1e-9 * (1 + np.abs(loose.by_scenario))).all()
    assert (close.slack <= 1e-6 * (1 + np.abs(close.by_scenario))).all()  # the LP's own optimum, not only a bound on it
    for s in range(len(ph.value)):
        rec = empty_record(ph)
        worth = walk(ph, s, order, length, release, True, rec)
        lists = [row[:n].tolist() for row, n in zip(order, length, strict=True)]
        plain, picked = walk_plain(ph, s, lists, release.tolist())
        assert worth == pytest.approx(plain, rel=1e-9, abs=1e-9)
        assert rec.picked.sum() == pytest.approx(sum(picked.values()), abs=1e-9)
        assert worth <= close.by_scenario[s] + 1e-7 * (1 + abs(close.by_scenario[s]))
        # nothing before its day, nothing where nothing may be done, no limit passed
        for b in range(len(release)):
            assert rec.picked[b, : release[b]].sum() == 0
        assert (rec.picked[ph.work[s] <= 0] == 0).all()
        assert (rec.harvester_h <= ph.shift_h + 1e-9).all()
        assert (rec.truck_h <= ph.truck_h + 1e-9).all()


@FEW
@given(farms(), st.floats(1.0, 3.0))
def test_more_of_anything_never_lowers_the_bound_and_scaled_money_scales_it(farm, factor):
    ph, _ = farm
    base = tightened(ph, bound(ph)).value
    slack = 1e-6 * (1 + abs(base))
    second = {
        name: np.concatenate([getattr(ph, name)] * 2)
        for name in ("shift_h", "block_h", "move_fixed_h", "move_h_km", "washdown_h", "move_cost_h", "start_block")
    }
    for more in ({"shift_h": factor * ph.shift_h}, {"mill_t": factor * ph.mill_t}, {"buffer_t": factor * ph.buffer_t},
                 {"truck_h": factor * ph.truck_h}, second):  # fmt: skip
        richer = ph._replace(**more)
        assert tightened(richer, bound(richer)).value >= base - slack
    dear = ph._replace(value=factor * ph.value, move_cost_h=factor * ph.move_cost_h, age_cost=factor * ph.age_cost)
    assert tightened(dear, bound(dear)).value == pytest.approx(factor * base, rel=1e-6, abs=1e-6)


def parts(change=None, **items):
    season, scenarios, outcomes = made.make(**items)
    if change:
        outcomes = change(outcomes)
    limits = capacity(season, scenarios)
    return season, limits, value(season, outcomes, scenarios, limits)


def test_plans_made_side_by_side_are_those_made_alone():
    season, limits, worth = parts()
    alone = [plan(season, limits, worth, seed=seed, evaluations=300) for seed in (1, 2)]
    with ThreadPoolExecutor(2) as pool:
        beside = list(pool.map(lambda seed: plan(season, limits, worth, seed=seed, evaluations=300), (1, 2)))
    for one, other in zip(alone, beside, strict=True):
        pd.testing.assert_frame_equal(one.rows, other.rows)
        assert one.value == other.value


# Small news: samples shift every block's curve by half a day, and each by a little of its own (sd 0.2 point of oil).
@pytest.mark.parametrize("seed", range(3))
def test_small_news_moves_no_promised_block_without_the_stated_gain(seed):
    def news(outcomes):
        rng = np.random.default_rng(seed)
        slope = np.gradient(outcomes.oil_dry_pct, axis=2)
        dry = outcomes.oil_dry_pct + 0.5 * slope + rng.normal(0, 0.2, (1, outcomes.oil_dry_pct.shape[1], 1))
        fresh = dry * (1 - outcomes.moisture_pct / 100)
        return made.changed(outcomes, oil_dry_pct=dry, oil_fresh_pct=fresh)

    season, limits, worth = parts(seed=seed)
    before = plan(season, limits, worth, seed=seed, evaluations=1500)
    week = before.rows[before.rows["rank"].notna() & (before.rows["start_at"] < TODAY + 7 * DAY)]
    promised = made.frame(
        "committed",
        [
            {"block_id": row.block_id, "harvester_id": row.harvester_id, "rank": int(row.rank),
             "pick_on": row.start_at.normalize(), "committed_on": TODAY - DAY}
            for row in week.itertuples()
        ],
    )  # fmt: skip
    season = made.changed(season, committed=promised)
    _, _, changed = parts(news, seed=seed)
    after = plan(season, limits, changed, seed=seed + 10, evaluations=1500)
    gain = float(season.rules["keep_gain_per_block"])
    assert (after.moved["gain"] >= gain - 1e-6).all()
    rows = after.rows.set_index("block_id").loc[promised["block_id"]]
    still = rows[~rows.index.isin(after.moved["block_id"])]
    assert (still["moved_days"].abs() < 1.0 + 1e-9).all()
    assert len(after.moved) <= 0.2 * len(promised)
