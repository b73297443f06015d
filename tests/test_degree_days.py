"""Degree days: closed forms against numeric integration of the day's course, and the edges."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate

from olivetime.weather.degree_days import (
    CUTOFFS,
    METHODS,
    degree_days,
    hourly_degree_days,
    sine_excess,
    triangle_excess,
)


def random_days(count, seed):
    rng = np.random.default_rng(seed)
    low = rng.uniform(-8, 28, count)
    return low, low + rng.uniform(0.05, 25, count), low + rng.normal(0, 3, count)


def counted(temp, lower, upper, cutoff):
    """Degrees that count at an instant, written out as the words of each cut-off say it."""
    if upper is None or temp <= upper:
        return max(temp - lower, 0.0)
    return {
        "horizontal": upper - lower,
        "intermediate": upper - lower - (temp - upper),
        "vertical": 0.0,
    }[cutoff]


def half_wave_integral(low, high, lower, upper, cutoff, sine):
    """Mean over the half day from low to high by adaptive quadrature, split where thresholds are crossed."""

    def course(u):
        return (low + high) / 2 - (high - low) / 2 * np.cos(np.pi * u) if sine else low + (high - low) * u

    cuts = [0.0, 1.0]
    for threshold in (lower, upper):
        if threshold is not None and low < threshold < high:
            share = (threshold - low) / (high - low)
            cuts.append(np.arccos(1 - 2 * share) / np.pi if sine else share)
    cuts.sort()
    return sum(
        integrate.quad(lambda u: counted(course(u), lower, upper, cutoff), a, b, epsabs=1e-12, epsrel=1e-12, limit=200)[
            0
        ]
        for a, b in pairwise(cuts)
    )


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("shape", ["triangle", "sine"])
def test_1000_random_days_match_numeric_integration(shape, cutoff):
    low, high, low_next = random_days(1000, seed=11)
    upper = 24.0
    single = degree_days(low, high, lower_c=7.5, upper_c=upper, method=f"single_{shape}", cutoff=cutoff)
    options = {"lower_c": 7.5, "upper_c": upper, "cutoff": cutoff, "temp_min_next_c": low_next}
    double = degree_days(low, high, method=f"double_{shape}", **options)
    worst = 0.0
    for i in range(low.size):
        first = half_wave_integral(low[i], high[i], 7.5, upper, cutoff, shape == "sine")
        pair = sorted((low_next[i], high[i]))
        second = half_wave_integral(*pair, 7.5, upper, cutoff, shape == "sine")
        worst = max(worst, abs(single[i] - first), abs(double[i] - (first + second) / 2))
    assert worst < 1e-9


def test_hours_of_a_sine_day_sum_to_the_closed_form():
    hours = (np.arange(24 * 500) + 0.5) / (24 * 500)
    temp = 12.0 - 9.0 * np.cos(2 * np.pi * hours)  # 3 to 21 C
    got = hourly_degree_days(temp, lower_c=7.5, upper_c=18.0)
    assert got == pytest.approx(degree_days(3.0, 21.0, lower_c=7.5, upper_c=18.0), abs=1e-5)


@pytest.mark.parametrize(("cutoff", "by_hand"), [("horizontal", 6.25), ("intermediate", 3.75), ("vertical", 3.75)])
def test_hourly_cutoffs_by_hand(cutoff, by_hand):
    # 5, 10, 15 and 25 C, thresholds 5 and 15: 0 + 5 + 10, then 10 (horizontal), 10 - 10, or nothing; over 4.
    assert hourly_degree_days([5, 10, 15, 25], lower_c=5, upper_c=15, cutoff=cutoff) == by_hand


def test_missing_hours_are_left_out_and_an_empty_day_is_missing():
    got = hourly_degree_days([[10.0, np.nan, 20.0], [np.nan] * 3], lower_c=5.0)
    assert got[0] == 10.0
    assert np.isnan(got[1])


@pytest.mark.parametrize("method", METHODS)
def test_a_warmer_day_never_brings_less_and_missing_stays_missing(method):
    low = np.linspace(-5, 25, 61)
    got = degree_days(low, low + 10, lower_c=7.5, upper_c=35, method=method, temp_min_next_c=low)
    assert np.all(np.diff(got) >= -1e-12)
    assert np.isnan(degree_days(np.nan, 20.0, lower_c=7.5, method=method, temp_min_next_c=5.0))


def test_day_without_range_is_its_mean_above_the_base():
    for excess in (triangle_excess, sine_excess):
        np.testing.assert_allclose(excess([12.0, 5.0, 7.5], [12.0, 5.0, 7.5], 7.5), [4.5, 0.0, 0.0])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"method": "sinus"}, "method is 'sinus', expected one of average"),
        ({"cutoff": "square"}, "cutoff is 'square', expected one of horizontal"),
        ({"upper_c": 5.0}, "expected the upper threshold above the lower one"),
        ({"method": "double_sine"}, "got no temp_min_next_c"),
        ({"method": "average", "upper_c": 30.0, "cutoff": "vertical"}, "the averages have no course"),
    ],
)
def test_wrong_arguments_are_named(changes, says):
    with pytest.raises(ValueError, match=says):
        degree_days(5.0, 20.0, **({"lower_c": 7.5} | changes))


def test_minimum_above_maximum_is_refused():
    with pytest.raises(ValueError, match="1 days have their lowest temperature above their highest"):
        degree_days([5.0, 21.0], [20.0, 20.0], lower_c=7.5)


def test_hourly_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="hourly_degree_days: cutoff is 'square'"):
        hourly_degree_days([10.0], lower_c=5.0, cutoff="square")
    with pytest.raises(ValueError, match="upper threshold above the lower one"):
        hourly_degree_days([10.0], lower_c=5.0, upper_c=5.0)
