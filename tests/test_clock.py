"""The next hours by the clock, against the referee's own walk."""

from types import SimpleNamespace

import harvest_season as made
import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.capacity import capacity
from olivetime.harvest.clock import CLOCK_COLUMNS, clock
from olivetime.harvest.order import plan
from olivetime.harvest.referee import physics
from olivetime.harvest.value import value

HOUR = pd.Timedelta(hours=1)


def proposal(change=None, **items):
    season, scenarios, outcomes = made.make(**items)
    if change:
        season = made.changed(season, **change(season))
    limits = capacity(season, scenarios)
    worth = value(season, outcomes, scenarios, limits)
    return SimpleNamespace(
        season=season, capacity=limits, value=worth, plan=plan(season, limits, worth, seed=1, evaluations=200)
    )


@pytest.fixture(scope="module", params=[0, 1, 2])
def built(request):
    return proposal(seed=request.param, rain=False)


def middle(proposal):
    values = proposal.plan.scenario_values
    return int(np.argsort(values, kind="stable")[(len(values) - 1) // 2])


def test_columns_and_window(built):
    table = clock(built, hours=48)
    assert tuple(table.columns) == CLOCK_COLUMNS
    first = built.capacity.days[0] + built.season.rules["shift_start_h"] * HOUR
    assert (table["from_at"] >= first).all()
    assert (table["from_at"] < first + 48 * HOUR).all()
    assert table["from_at"].is_monotonic_increasing
    assert set(table["what"]) <= {"move", "wash", "pick", "haul", "mill", "clean"}


def test_tonnes_picked_are_the_compiled_referees(built):
    table = clock(built, hours=24 * 40)
    s = middle(built)
    picked = table[table["what"] == "pick"].groupby("block_id")["crop_t"].sum()
    crop_t = physics(built.capacity, built.value).crop[s]
    expected = (built.plan.picked[s] * crop_t).sum(axis=1)
    for block_id, tonnes in zip(built.capacity.block_ids, expected, strict=True):
        assert picked.get(block_id, 0.0) == pytest.approx(tonnes, abs=1e-6)


def test_everything_picked_is_hauled_and_milled_once(built):
    table = clock(built, hours=24 * 60)
    tonnes = table.groupby("what")["crop_t"].sum()
    assert tonnes["haul"] == pytest.approx(tonnes["pick"], rel=1e-9)
    # what comes on the last evening of the plan may wait beyond it, in the bins; no load is on the road at midnight
    assert tonnes["pick"] - built.capacity.mill_buffer_t <= tonnes["mill"] <= tonnes["pick"] * (1 + 1e-9)
    loads = table[table["what"] == "haul"]
    first = built.capacity.days[0] + built.season.rules["shift_start_h"] * HOUR
    assert (loads["to_at"] <= first + 40 * 24 * HOUR).all()
    assert (loads["crop_t"] <= built.capacity.payload_t * 1.06).all()


@pytest.mark.parametrize("who", ["H1", "H2", "mill"])
def test_nobody_does_two_things_at_once(built, who):
    table = clock(built, hours=24 * 40)
    own = table[table["who"] == who].sort_values(["from_at", "to_at"])
    assert (own["from_at"].to_numpy()[1:] >= own["to_at"].to_numpy()[:-1] - np.timedelta64(60, "s")).all()


def test_no_load_is_milled_before_it_is_there(built):
    table = clock(built, hours=24 * 60)
    there = table[table["what"] == "haul"].set_index(["block_id", "load_n"])["to_at"]
    milled = table[table["what"] == "mill"].groupby(["block_id", "load_n"])["from_at"].min()
    # loads of the last evening may wait beyond the plan
    unmilled = there.index.difference(milled.index)
    last = pd.Timestamp(built.capacity.days[-1])
    assert (there[unmilled] >= last).all()
    there = there.drop(unmilled)
    assert (milled.reindex(there.index) >= there - pd.Timedelta(minutes=1)).all()


def test_organic_after_conventional_shows_the_washing():
    def change(season):
        return {"blocks": season.blocks.assign(organic=[i % 2 == 1 for i in range(12)])}

    table = clock(proposal(change, machines_n=1, rain=False), hours=24 * 40)
    washing = table[table["what"] == "wash"]
    assert len(washing)
    # by hand: wash of 1.5 h, in one piece unless the shift ends in it
    spent = (washing["to_at"] - washing["from_at"]).dt.total_seconds() / 3600
    assert spent.max() == pytest.approx(1.5, abs=0.02)


def test_one_block_by_hand():
    # 10 ha at 0.4392 ha/h after a move of 0.5 h (test_referee has the same block): 15.5 h on the first day
    def change(season):
        return {"blocks": season.blocks.assign(area_ha=10.0, crop_t_ha=6.0, organic=False)}

    table = clock(proposal(change, blocks_n=1, machines_n=1, rain=False, days_n=3), hours=72)
    field = table[table["who"] == "H1"]
    assert field["what"].tolist() == ["move", "pick", "pick"]
    spent = (field["to_at"] - field["from_at"]).dt.total_seconds() / 3600
    assert spent.tolist() == pytest.approx([0.5, 15.5, 10.0 / 0.4392 - 15.5], abs=0.02)


def test_nothing_workable_is_an_empty_table():
    table = clock(proposal(lambda s: {"harvesters": s.harvesters.iloc[:0]}))
    assert table.empty
    assert tuple(table.columns) == CLOCK_COLUMNS
