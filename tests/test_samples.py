import numpy as np
import pytest

from olivetime.records.samples import (
    counts_needed,
    dry_from_fresh,
    fresh_from_dry,
    industrial_yield,
    laboratories_agree,
    maturity_index,
    moisture_from,
    readings_for_gain,
    sample_mean,
)


def test_maturity_index_of_many_samples_at_once():
    result = maturity_index([[10, 0, 0, 0, 0, 0, 0, 10], [0] * 8, [0, 1, 0, 0, 0, 0, 0, 0]])
    assert result.index[0] == 3.5
    # By hand: deviations of 3.5 for 20 fruit, divisor 19.
    assert result.sd[0] == pytest.approx(np.sqrt(20 * 3.5**2 / 19))
    assert result.se[0] == pytest.approx(result.sd[0] / np.sqrt(20))
    assert np.isnan(result.index[1])
    assert result.index[2] == 1.0
    assert np.isnan(result.sd[2])


def test_maturity_index_refuses_wrong_counts():
    with pytest.raises(ValueError, match=r"shape \(7,\), expected eight colour classes"):
        maturity_index([1] * 7)
    with pytest.raises(ValueError, match="counts holds -1, expected numbers of fruit"):
        maturity_index([-1, 1, 0, 0, 0, 0, 0, 0])


def test_bases_go_round():
    dry, moisture = np.array([30.0, 45.0]), np.array([70.0, 52.0])
    fresh = fresh_from_dry(dry, moisture)
    np.testing.assert_allclose(fresh, [9.0, 21.6])  # by hand
    np.testing.assert_allclose(dry_from_fresh(fresh, moisture), dry)
    np.testing.assert_allclose(moisture_from(fresh, dry), moisture)


def test_industrial_yield_keeps_all_mass():
    fat, moisture = np.array([8.0, 15.0, 25.0]), np.array([70.0, 60.0, 50.0])
    result = industrial_yield(fat, moisture, corrector=0.12)
    kg = result.pomace_kg
    np.testing.assert_allclose(result.oil_pct + kg, 100.0)
    np.testing.assert_allclose(kg * result.pomace_fat_pct / 100 + result.oil_pct, fat)
    np.testing.assert_allclose(kg * result.pomace_moisture_pct / 100, moisture)
    parts = result.pomace_fat_pct + result.pomace_moisture_pct + result.pomace_dry_pct
    np.testing.assert_allclose(parts, 100.0)


def test_industrial_yield_is_never_below_zero():
    assert industrial_yield(1.0, 60.0).oil_pct == 0.0


def test_industrial_yield_refuses_a_per_cent():
    with pytest.raises(ValueError, match=r"corrector is 10, expected a fraction from 0 to 1"):
        industrial_yield(20.0, 55.0, corrector=10.0)


def test_laboratories_agree_on_the_edge_and_in_arrays():
    assert laboratories_agree(20.0, 21.0)
    assert laboratories_agree([20.0, 20.0], [20.4, 22.0]).tolist() == [True, False]
    assert not laboratories_agree(20.0, 20.6, points=0.5)


def test_sample_mean_by_hand():
    result = sample_mean([18.0, np.nan, 20.0, 22.0])
    assert (result.mean, result.sd, result.n) == (20.0, 2.0, 3)
    # Student's t with 2 degrees of freedom, 97.5 %: 4.303 (statistical tables, from memory).
    assert result.high - 20.0 == pytest.approx(4.303 * 2.0 / np.sqrt(3), rel=1e-4)
    assert np.isnan(sample_mean([5.0]).se)
    with pytest.raises(ValueError, match="values holds no number, expected at least one"):
        sample_mean([np.nan])


def test_fruit_and_trees_for_a_precision():
    # By hand: (1.96 * 1.2 / 0.25)^2 = 88.5
    assert counts_needed(1.2, 0.25) == 89
    # By hand: variance 0.3^2 + 1.2^2 / 10 = 0.234; (1.96 / 0.25)^2 * 0.234 = 14.4
    assert counts_needed(1.2, 0.25, tree_sd=0.3, fruits_per_tree=10) == 15
    assert counts_needed(0.0, 0.25) == 1


def test_precision_refuses_nonsense():
    with pytest.raises(ValueError, match="half_width is 0, expected a precision above 0"):
        counts_needed(1.0, 0.0)
    with pytest.raises(ValueError, match="sd is -1"):
        counts_needed(-1.0, 0.1)
    with pytest.raises(ValueError, match="fruits_per_tree is 0, expected 1 or more"):
        counts_needed(1.0, 0.1, fruits_per_tree=0)
    with pytest.raises(ValueError, match="gain is 0"):
        readings_for_gain(0.0, 1.0)


def test_simulated_means_fall_within_the_wanted_precision():
    n = counts_needed(1.2, 0.25)
    means = np.random.default_rng(3).normal(2.0, 1.2, size=(4000, n)).mean(axis=1)
    assert np.mean(np.abs(means - 2.0) <= 0.25) == pytest.approx(0.95, abs=0.015)
