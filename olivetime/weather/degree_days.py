"""Degree days: how much warmth above a threshold a day brought.

Every method rests on one quantity, the mean excess of the day's temperature over a threshold T,

    E(T) = mean over the day of max(temperature - T, 0),

for an assumed course of the temperature between the day's minimum and maximum. The cut-off methods combine
E at the lower and at the upper threshold:

    horizontal    E(lower) - E(upper): warmth above the upper threshold counts as the threshold
    intermediate  E(lower) - 2 E(upper): each degree above it is taken away once more
    vertical      E(lower) - E(upper) - (upper - lower) * share of the day above: such hours count nothing

Two ways to average instead of a daily course (McMaster and Wilhelm call them method 1 and method 2) differ
only in whether the mean or the two temperatures are limited to the thresholds.

References
----------
.. [1] Zalom, F. G., Goodell, P. B., Wilson, L. T., Barnett, W. W. and Bentley, W. J. (1983), Degree-days: the
   calculation and use of heat units in pest management, University of California leaflet 21373 (title from
   memory). Its six-case tables were read as carried in the tests of the R package degday; the two functions
   below were derived from the assumed daily courses, not copied.
.. [2] McMaster, G. S. and Wilhelm, W. W. (1997), Growing degree-days: one equation, two interpretations,
   Agricultural and Forest Meteorology 87 (title and journal from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

METHODS = ("average", "clipped_average", "single_triangle", "double_triangle", "single_sine", "double_sine")
CUTOFFS = ("horizontal", "intermediate", "vertical")
# Degree days of one thermal day: a day 15 C above the base. The unit of the ripening clock; a scale, no more.
DEGREE_DAYS_PER_THERMAL_DAY = 15.0


def triangle_excess(temp_min_c: ArrayLike, temp_max_c: ArrayLike, threshold_c: float) -> np.ndarray:
    """Mean excess over a threshold of a day that rises and falls in straight lines.

    Parameters
    ----------
    temp_min_c, temp_max_c : array_like
        Lowest and highest temperature of the day, minimum not above maximum [C].
    threshold_c : float
        Threshold T [C].

    Returns
    -------
    ndarray
        m - T where T <= minimum; (maximum - T)^2 / (2 (maximum - minimum)) between; 0 where T >= maximum
        [C day], m the mean of the two.
    """
    low, high = np.asarray(temp_min_c, float), np.asarray(temp_max_c, float)
    span = high - low
    safe_span = np.where(span > 0, span, 1.0)
    mean = (low + high) / 2
    above = np.clip(high - threshold_c, 0.0, None)
    between = above**2 / (2 * safe_span)
    return np.where(np.isnan(mean), np.nan, np.where(threshold_c <= low, mean - threshold_c, between))


def sine_excess(temp_min_c: ArrayLike, temp_max_c: ArrayLike, threshold_c: float) -> np.ndarray:
    """Mean excess over a threshold of a day that follows one sine wave.

    Parameters
    ----------
    temp_min_c, temp_max_c : array_like
        Lowest and highest temperature of the day, minimum not above maximum [C].
    threshold_c : float
        Threshold T [C].

    Returns
    -------
    ndarray
        m - T where T <= minimum; [(m - T)(pi/2 - theta) + a cos(theta)] / pi with theta = asin((T - m)/a)
        between; 0 where T >= maximum [C day]; m the mean and a half the range.
    """
    low, high = np.asarray(temp_min_c, float), np.asarray(temp_max_c, float)
    mean, half = (low + high) / 2, (high - low) / 2
    theta = _crossing_angle(mean, half, threshold_c)
    between = ((mean - threshold_c) * (np.pi / 2 - theta) + half * np.cos(theta)) / np.pi
    partly = np.where(threshold_c >= high, 0.0 * mean, between)  # 0 * mean keeps a missing day missing
    return np.where(threshold_c <= low, mean - threshold_c, partly)


def degree_days(
    temp_min_c: ArrayLike,
    temp_max_c: ArrayLike,
    *,
    lower_c: float,
    upper_c: float | None = None,
    method: str = "single_sine",
    cutoff: str = "horizontal",
    temp_min_next_c: ArrayLike | None = None,
) -> np.ndarray:
    """Degree days of each day from its lowest and highest temperature.

    The single sine is the default: against measured hours at six station-years its season total was 0 to 6 %
    high and its daily error among the smallest, and the double methods were no better (own comparison, kept
    with the design of this package). Whatever the method, one season's samples and the weather ahead of them
    must use the same.

    Parameters
    ----------
    temp_min_c, temp_max_c : array_like
        Lowest and highest temperature of the day, any shape [C, or F when the thresholds are F too].
    lower_c : float
        Lower threshold, the base [C].
    upper_c : float, optional
        Upper threshold [C]; none by default.
    method : str
        One of `METHODS`.
    cutoff : str
        One of `CUTOFFS`; used only with `upper_c`. The two averages know only "horizontal".
    temp_min_next_c : array_like, optional
        Lowest temperature of the following day [C]; needed by the double methods, whose second half day runs
        from today's maximum down to it.

    Returns
    -------
    ndarray
        Degree days [C day], of the broadcast shape; not a number where a temperature is missing. With the
        intermediate cut-off a very hot day can come out negative, as the formula says.

    Raises
    ------
    ValueError
        For an unknown method or cut-off, thresholds in the wrong order, or a minimum above its maximum.

    Notes
    -----
    Formulas of [1]_ and [2]_ of this module in closed form; see the module's text.

    Examples
    --------
    >>> round(float(degree_days(50, 82, lower_c=55, upper_c=90)), 2)  # Zalom 1983, table 7, case 4
    11.85
    """
    if method not in METHODS:
        raise ValueError(f"degree_days: method is {method!r}, expected one of {', '.join(METHODS)}.")
    if cutoff not in CUTOFFS:
        raise ValueError(f"degree_days: cutoff is {cutoff!r}, expected one of {', '.join(CUTOFFS)}.")
    if upper_c is not None and not upper_c > lower_c:
        raise ValueError(
            f"degree_days: upper_c is {upper_c} and lower_c is {lower_c}, expected the upper threshold above "
            "the lower one. Change one of them, or leave upper_c out."
        )
    low, high = np.broadcast_arrays(np.asarray(temp_min_c, float), np.asarray(temp_max_c, float))
    if np.any(low > high):
        raise ValueError(
            f"degree_days: {int(np.sum(low > high))} days have their lowest temperature above their highest, "
            "expected temp_min_c <= temp_max_c. Mark such days as missing first."
        )
    if method in ("average", "clipped_average"):
        if upper_c is not None and cutoff != "horizontal":
            raise ValueError(
                f"degree_days: cutoff is {cutoff!r} with method {method!r}, expected 'horizontal': the "
                "averages have no course of the day to cut. Use a triangle or a sine."
            )
        return _average(low, high, lower_c, upper_c, limit_each=method == "clipped_average")

    sine = method.endswith("sine")
    today = _combine(low, high, lower_c, upper_c, cutoff, sine)
    if method.startswith("single"):
        return today
    if temp_min_next_c is None:
        raise ValueError(
            f"degree_days: method {method!r} got no temp_min_next_c, expected the lowest temperature of each "
            "following day. Pass it, or use the single method."
        )
    low_next = np.asarray(temp_min_next_c, float)
    # A night that stays warmer than the afternoon before it: the half wave then climbs, with the same mean.
    low_end, high_end = np.minimum(low_next, high), np.maximum(low_next, high)
    return (today + _combine(low_end, high_end, lower_c, upper_c, cutoff, sine)) / 2


def hourly_degree_days(
    temp_c: ArrayLike, *, lower_c: float, upper_c: float | None = None, cutoff: str = "horizontal"
) -> np.ndarray:
    """Degree days of each day from its hours: the mean of the hourly excess over the base.

    Parameters
    ----------
    temp_c : array_like, shape (..., hours)
        Hourly temperatures of each day on the last axis [C]; 23 or 25 of them on days of a clock change.
        Missing hours (not a number) are left out of the mean.
    lower_c, upper_c, cutoff
        As in `degree_days`.

    Returns
    -------
    ndarray, shape (...)
        Degree days [C day]; not a number for a day without any hour.

    Raises
    ------
    ValueError
        For an unknown cut-off or thresholds in the wrong order.

    Examples
    --------
    >>> float(hourly_degree_days([5.0, 10.0, 15.0, 10.0], lower_c=7.5))
    3.125
    """
    if cutoff not in CUTOFFS:
        raise ValueError(f"hourly_degree_days: cutoff is {cutoff!r}, expected one of {', '.join(CUTOFFS)}.")
    if upper_c is not None and not upper_c > lower_c:
        raise ValueError(
            f"hourly_degree_days: upper_c is {upper_c} and lower_c is {lower_c}, expected the upper "
            "threshold above the lower one. Change one of them, or leave upper_c out."
        )
    temp = np.asarray(temp_c, float)
    excess = np.clip(temp - lower_c, 0.0, None)
    if upper_c is not None:
        over = np.clip(temp - upper_c, 0.0, None)
        if cutoff == "vertical":
            excess = np.where(over > 0, 0.0, excess)
        else:
            excess = excess - over * (2.0 if cutoff == "intermediate" else 1.0)
    seen = np.isfinite(temp)
    hours_n = seen.sum(axis=-1)
    total = np.where(seen, excess, 0.0).sum(axis=-1)
    return np.where(hours_n > 0, total / np.maximum(hours_n, 1), np.nan)


def _crossing_angle(mean: np.ndarray, half: np.ndarray, threshold_c: float) -> np.ndarray:
    """Angle at which the day's sine crosses the threshold [rad]; +-pi/2 where it never does."""
    safe_half = np.where(half > 0, half, 1.0)
    return np.arcsin(np.clip((threshold_c - mean) / safe_half, -1.0, 1.0))


def _share_above(low: np.ndarray, high: np.ndarray, threshold_c: float, sine: bool) -> np.ndarray:
    """Share of the day above the threshold, 0-1."""
    if sine:
        share = 0.5 - _crossing_angle((low + high) / 2, (high - low) / 2, threshold_c) / np.pi
    else:
        span = np.where(high > low, high - low, 1.0)
        share = np.clip((high - threshold_c) / span, 0.0, 1.0)
    return np.where(threshold_c <= low, 1.0, np.where(threshold_c >= high, 0.0, share))


def _combine(
    low: np.ndarray, high: np.ndarray, lower_c: float, upper_c: float | None, cutoff: str, sine: bool
) -> np.ndarray:
    """Degree days of one wave from the excess over both thresholds [C day]."""
    excess = sine_excess if sine else triangle_excess
    total = excess(low, high, lower_c)
    if upper_c is None:
        return total
    over = excess(low, high, upper_c)
    if cutoff == "intermediate":
        return total - 2 * over
    if cutoff == "vertical":
        return total - over - (upper_c - lower_c) * _share_above(low, high, upper_c, sine)
    return total - over


def _average(
    low: np.ndarray, high: np.ndarray, lower_c: float, upper_c: float | None, *, limit_each: bool
) -> np.ndarray:
    """Methods 1 (limit the mean) and 2 (limit both temperatures) of McMaster and Wilhelm [C day]."""
    upper = np.inf if upper_c is None else upper_c
    if limit_each:
        return (np.clip(low, lower_c, upper) + np.clip(high, lower_c, upper)) / 2 - lower_c
    return np.clip((low + high) / 2, lower_c, upper) - lower_c
