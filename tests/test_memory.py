"""Memory of past errors: ranges that were too narrow are widened, and the 80 % promise is met."""

import numpy as np
import pandas as pd
import pytest
import scoringrules

from olivetime.harvest.memory import factor_by_day, half_ranges, remember
from olivetime.weather.skill import ensemble_crps


def _told(spread, n=2000, seed=0, weeks=40):
    """Forecasts with an honest middle whose ranges are right for a spread of 1."""
    rng = np.random.default_rng(seed)
    observed = 30 + spread * rng.standard_normal(n)
    return pd.DataFrame({
        "as_of": pd.to_datetime("2026-09-01") + pd.to_timedelta(7 * (np.arange(n) % weeks), unit="D"),
        "kind": "oil_dry_pct", "lead_days": 5, "p10": 30 - 1.2816, "p50": 30.0, "p90": 30 + 1.2816,
        "observed": observed,
    })  # fmt: skip


@pytest.mark.parametrize("spread", [0.6, 1.0, 1.7])
def test_factor_is_near_the_true_ratio_and_ranges_then_hold_four_in_five(spread):
    memory = remember(_told(spread)).iloc[0]
    # by hand: the range of a normal value with this spread is `spread` times that of a standard one
    assert memory["factor"] == pytest.approx(spread, rel=0.15)
    assert 0.77 <= memory["inside_after"] <= 0.85


def test_few_cases_move_the_ranges_little():
    few = _told(2.5, n=4, weeks=1)
    assert 1.0 < remember(few)["factor"].iloc[0] < 2.0
    assert np.isnan(remember(few)["inside_after"].iloc[0])
    assert remember(few.iloc[:0]).empty


def test_half_ranges_count_each_side_on_its_own():
    told = pd.DataFrame({"observed": [12.0, 7.0], "p10": [8.0, 8.0], "p50": [9.0, 9.0], "p90": [15.0, 15.0]})
    assert half_ranges(told).tolist() == [0.5, 2.0]


def test_factor_runs_straight_between_the_weeks_and_is_level_beyond():
    memory = pd.DataFrame({"kind": "oil_dry_pct", "lead_weeks": [1, 2], "factor": [1.0, 4.0]})
    factor = factor_by_day(memory, "oil_dry_pct", 30)
    assert factor[0] == 1.0
    assert factor[29] == 4.0
    assert factor[7] == pytest.approx(2.0, rel=0.01)  # half way on the log scale
    assert (factor_by_day(memory, "moisture_pct", 5) == 1).all()


def test_the_score_of_a_forecast_is_that_of_scoringrules():
    rng = np.random.default_rng(1)
    draws, observed = rng.normal(30, 2, (20, 50)), rng.normal(30, 2, 20)
    assert np.allclose(ensemble_crps(draws, observed), scoringrules.crps_ensemble(observed, draws, estimator="nrg"))
