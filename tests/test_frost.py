"""Frost by block and night: chances, hours, and what is picked before."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from olivetime.weather.frost import frost_risk, hours_below, picked_before

RULES = {"frost_threshold_c": -2.0, "frost_damage_per_c": 0.2}
DAYS = pd.date_range("2026-12-30", periods=3)


def drawn(low, high=10.0):
    """Four scenarios, one or two blocks, three days."""
    low = np.asarray(low, np.float32)
    ids = tuple(f"N{i + 1}" for i in range(low.shape[1]))
    return SimpleNamespace(temp_min_c=low, temp_max_c=np.full_like(low, high), days=DAYS[: low.shape[2]], block_ids=ids)


def risk(low, **options):
    weather = drawn(low)
    blocks = pd.DataFrame({"block_id": weather.block_ids})
    return frost_risk(SimpleNamespace(rules=RULES, blocks=blocks), weather, **options)


def test_hours_of_a_sine_by_hand():
    # Mean 5, half range 10: below 5 C half the day, below 0 C a third of it (asin(-1/2) = -30 degrees).
    assert float(hours_below(-5.0, 15.0, 5.0)) == pytest.approx(12.0)
    assert float(hours_below(-5.0, 15.0, 0.0)) == pytest.approx(8.0)
    assert float(hours_below(-5.0, 15.0, -5.0)) == 0.0
    assert float(hours_below(-5.0, 15.0, 15.1)) == 24.0
    assert float(hours_below(1.0, 1.0, 0.0)) == 0.0
    assert float(hours_below(-1.0, -1.0, 0.0)) == 24.0
    assert np.isnan(hours_below(np.nan, 5.0, 0.0))


@pytest.mark.parametrize("threshold", [-4.0, 0.0, 3.3, 9.9])
def test_hours_equal_a_count_of_the_wave(threshold):
    phase = (np.arange(200_000) + 0.5) / 200_000 * 2 * np.pi
    wave = 3.0 + 7.5 * np.sin(phase)
    assert float(hours_below(-4.5, 10.5, threshold)) == pytest.approx(24 * np.mean(wave < threshold), abs=1e-3)


def test_chance_hours_and_loss_by_block_and_night():
    low = np.full((4, 2, 2), 3.0)
    low[0, 1, 0], low[1, 1, 0] = -3.0, -5.0
    got = risk(low)
    assert got["threshold_c"].tolist() == [-2.0, -3.0, -4.0] * 4
    assert got["block_id"].tolist() == ["N1"] * 6 + ["N2"] * 6
    cold = got[(got["block_id"] == "N2") & (got["day"] == DAYS[0])].set_index("threshold_c")
    # -3 C is not below -3 C.
    assert cold["chance"].tolist() == [0.5, 0.25, 0.25]
    # One degree at -3 C and three at -5 C, of which each takes 0.2: (0.2 + 0.6) / 4 scenarios.
    assert cold.loc[-2.0, "loss_mean_fraction"] == pytest.approx(0.2)
    hours = hours_below(np.array([-3.0, -5.0]), 10.0, -2.0)
    assert cold.loc[-2.0, "hours_when_frost"] == pytest.approx(hours.mean())
    assert cold.loc[-2.0, "hours_mean"] == pytest.approx(hours.sum() / 4)
    rest = got.drop(cold.index, errors="ignore")[got["day"] == DAYS[1]]
    assert (rest["chance"] == 0).all()
    assert rest["hours_when_frost"].isna().all()
    assert (got["hours_error_h"] == 3.0).all()


def test_thresholds_can_be_chosen_and_warmer_ones_are_likelier():
    low = np.random.default_rng(0).normal(0, 3, (40, 2, 3))
    got = risk(low, thresholds_c=[-4.0, 1.0, -1.0, 1.0])
    assert got["threshold_c"].tolist()[:3] == [1.0, -1.0, -4.0]
    chance = got.pivot(index=["block_id", "day"], columns="threshold_c", values="chance")
    assert (chance[1.0] >= chance[-1.0]).all()
    assert (chance[-1.0] >= chance[-4.0]).all()
    assert chance[-1.0].to_numpy() == pytest.approx((low.astype(np.float32) < -1).mean(axis=0).ravel())


def test_no_threshold_is_refused():
    with pytest.raises(ValueError, match="frost_risk: thresholds_c is empty, expected at least one threshold in C"):
        risk(np.zeros((2, 1, 1)), thresholds_c=[])


def plan(*rows):
    table = pd.DataFrame(rows, columns=["block_id", "start_at", "end_at", "crop_t", "value"])
    return table.astype({"start_at": "datetime64[ns]", "end_at": "datetime64[ns]"})


def test_what_is_picked_before_a_night_is_safe():
    low = np.full((4, 3, 3), 3.0)
    low[0] = -3.0
    frost = risk(low, thresholds_c=[-2.0])
    # N1 is picked from noon to noon over the second night; N2 never; N3 is not in the plan.
    rows = plan(("N1", "2026-12-30 12:00", "2026-12-31 12:00", 40.0, 8000.0), ("N2", None, None, 10.0, 1000.0))
    got = picked_before(frost, rows).set_index(["block_id", "day"])
    assert got.loc["N1", "picked_before_t"].tolist() == [0.0, 20.0, 40.0]
    assert got.loc["N1", "left_t"].tolist() == [40.0, 20.0, 0.0]
    assert got.loc["N1", "at_risk_t"].tolist() == [10.0, 5.0, 0.0]
    # One scenario in four loses 0.2 of the value.
    assert got.loc["N1", "value_at_risk"].to_numpy() == pytest.approx([400.0, 200.0, 0.0])
    assert got.loc["N2", "left_t"].tolist() == [10.0] * 3
    assert got.loc["N3", "left_t"].tolist() == [0.0] * 3


def test_picked_blocks_are_safe_and_two_rows_of_a_block_add_up():
    low = np.full((4, 1, 2), -3.0)
    frost = risk(low, thresholds_c=[-2.0])
    first = ("N1", "2026-12-30 06:00", "2026-12-30 18:00", 10.0, 10.0)
    rows = plan(first, ("N1", "2026-12-31", "2027-01-02", 30.0, 30.0))
    got = picked_before(frost, rows)
    assert got["left_t"].tolist() == [40.0, 30.0]
    got = picked_before(frost, rows.assign(status=["picked", "proposed"]))
    assert got["left_t"].tolist() == [30.0, 30.0]


def test_a_plan_that_runs_backwards_is_refused():
    frost = risk(np.full((4, 1, 2), -3.0))
    rows = plan(("N1", "2026-12-31", "2026-12-30", 10.0, 10.0))
    with pytest.raises(ValueError, match="block N1 ends before it starts"):
        picked_before(frost, rows)
