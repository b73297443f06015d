"""Arithmetic of fruit samples: maturity index, dry and fresh basis, industrial yield, sampling error.

References
----------
.. [1] Andalusian plant-health network (RAIF), maturity index of olives from eight colour classes, as quoted
   in a grower's note; the method comes from the IFAPA station Venta del Llano, Mengibar (IOC, COI/OH/Doc.
   No 1, 2011).
.. [2] "Estimacion del rendimiento industrial de las aceitunas a partir de los resultados analiticos",
   15 December 2009, revision 3, sections 1 and 2.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isfinite
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

Number = TypeVar("Number", float, np.ndarray)

# A result within this many points is the same result; mill and grower's laboratories "should agree within
# one point" (trade notes, as quoted).
LAB_AGREEMENT_POINTS = 1.0

# Fat left in the pomace per fat-free dry matter, typical value of [2].
CORRECTOR_FRACTION = 0.10

N_CLASSES = 8

# 97.5 % point of the normal distribution, for two-sided 95 % intervals.
_Z95 = 1.959963984540054


@dataclass(frozen=True)
class MaturityIndex:
    """Maturity index of one or many counted samples.

    Parameters
    ----------
    index : ndarray, shape (...,)
        Mean colour class [0 to 7]; NaN where nothing was counted.
    sd : ndarray
        Standard deviation of the class from fruit to fruit.
    se : ndarray
        Standard error of the index from counting alone; trees that differ from each other add to it.
    fruits_n : ndarray
        Fruit counted.
    """

    index: np.ndarray
    sd: np.ndarray
    se: np.ndarray
    fruits_n: np.ndarray


def maturity_index(counts: npt.ArrayLike) -> MaturityIndex:
    """Maturity index from the number of fruit in each colour class.

    Parameters
    ----------
    counts : array_like, shape (..., 8)
        Fruit in classes 0 to 7. The index divides by the fruit really counted, whatever their number.

    Returns
    -------
    MaturityIndex

    Raises
    ------
    ValueError
        When there are not eight classes or a count is negative.

    Notes
    -----
    index = sum(i n_i) / sum(n_i) [1]_. The standard deviation has divisor n - 1, NaN for a single fruit; the
    standard error is sd / sqrt(n): counting error only.

    References
    ----------
    .. [1] RAIF, see the module's references.

    Examples
    --------
    >>> result = maturity_index([5, 20, 35, 25, 10, 5, 0, 0])
    >>> float(result.index), round(float(result.sd), 3), round(float(result.se), 3)
    (2.3, 1.193, 0.119)
    """
    n = np.asarray(counts, dtype=float)
    if n.ndim == 0 or n.shape[-1] != N_CLASSES:
        raise ValueError(f"counts has shape {n.shape}, expected eight colour classes (0 to 7) in its last axis")
    if np.any(n < 0):
        raise ValueError(f"counts holds {float(np.nanmin(n)):g}, expected numbers of fruit, 0 or more")
    classes = np.arange(N_CLASSES)
    total = n.sum(axis=-1)
    safe = np.where(total > 0, total, np.nan)
    index = (n * classes).sum(axis=-1) / safe
    spread = (n * (classes - index[..., None]) ** 2).sum(axis=-1) / np.where(total > 1, total - 1, np.nan)
    sd = np.sqrt(spread)
    return MaturityIndex(index, sd, sd / np.sqrt(safe), total)


def fresh_from_dry(oil_dry_pct: Number, moisture_pct: Number) -> Number:
    """Oil on fresh weight from oil on dry matter: dry * (100 - moisture) / 100.

    Parameters
    ----------
    oil_dry_pct : float or ndarray
        Oil, share of dry matter [%].
    moisture_pct : float or ndarray
        Water, share of fresh weight [%].

    Returns
    -------
    float or ndarray
        Oil, share of fresh weight [%].

    Examples
    --------
    >>> round(fresh_from_dry(42.0, 55.0), 2)
    18.9
    """
    return oil_dry_pct * (100.0 - moisture_pct) / 100.0


def dry_from_fresh(oil_fresh_pct: Number, moisture_pct: Number) -> Number:
    """Oil on dry matter [%] from oil on fresh weight [%]: 100 * fresh / (100 - moisture).

    Examples
    --------
    >>> round(dry_from_fresh(18.9, 55.0), 2)
    42.0
    """
    return 100.0 * oil_fresh_pct / (100.0 - moisture_pct)


def moisture_from(oil_fresh_pct: Number, oil_dry_pct: Number) -> Number:
    """Water, share of fresh weight [%], from the two oil percentages: 100 * (1 - fresh / dry).

    Also the moisture at or below which fruit with `oil_dry_pct` shows `oil_fresh_pct`.

    Examples
    --------
    >>> round(moisture_from(18.9, 42.0), 2)
    55.0
    """
    return 100.0 * (1.0 - oil_fresh_pct / oil_dry_pct)


@dataclass(frozen=True)
class IndustrialYield:
    """What a mill gets out of 100 kg of fruit.

    Parameters
    ----------
    oil_pct : float or ndarray
        Oil obtained, share of fresh fruit weight; what is paid [%].
    corrector_pct : float or ndarray
        Fat lost in the pomace, share of fresh fruit weight [%].
    efficiency_pct : float or ndarray
        Share of the fruit's fat that is obtained [%].
    pomace_kg : float or ndarray
        Pomace from 100 kg of fruit [kg].
    pomace_fat_pct, pomace_moisture_pct, pomace_dry_pct : float or ndarray
        Fat, water and fat-free dry matter of the pomace, shares of its wet weight [%].
    """

    oil_pct: float | np.ndarray
    corrector_pct: float | np.ndarray
    efficiency_pct: float | np.ndarray
    pomace_kg: float | np.ndarray
    pomace_fat_pct: float | np.ndarray
    pomace_moisture_pct: float | np.ndarray
    pomace_dry_pct: float | np.ndarray


def industrial_yield(
    fat_fresh_pct: Number, moisture_pct: Number, corrector: float = CORRECTOR_FRACTION
) -> IndustrialYield:
    """Oil a two-phase mill gets from fruit with a laboratory's fat and moisture.

    Parameters
    ----------
    fat_fresh_pct : float or ndarray
        Fat by the laboratory, share of fresh weight [%].
    moisture_pct : float or ndarray
        Water, share of fresh weight [%].
    corrector : float, optional
        Fat left in the pomace per fat-free dry matter [fraction]; 0.10 by default.

    Returns
    -------
    IndustrialYield

    Raises
    ------
    ValueError
        When the corrector is not a fraction from 0 to 1.

    Notes
    -----
    corrector_pct = (100 - fat - moisture) * corrector; oil = fat - corrector_pct, at least 0 [1]_.
    `corrector` is fat over *fat-free* dry matter of the pomace, not over its whole dry matter. No water is added.

    References
    ----------
    .. [1] "Estimacion del rendimiento industrial ...", 2009, sections 1 and 2.1; see the module's references.

    Examples
    --------
    >>> y = industrial_yield(25.0, 50.0)
    >>> y.oil_pct, y.pomace_kg, round(y.pomace_fat_pct, 2)
    (22.5, 77.5, 3.23)
    """
    if not 0 <= corrector <= 1:
        raise ValueError(f"corrector is {corrector:g}, expected a fraction from 0 to 1, such as 0.10")
    scalar = np.ndim(fat_fresh_pct) == 0 and np.ndim(moisture_pct) == 0
    fat, moisture = np.broadcast_arrays(np.asarray(fat_fresh_pct, float), np.asarray(moisture_pct, float))
    dry = 100.0 - fat - moisture
    lost = np.minimum(dry * corrector, fat)
    oil = fat - lost
    pomace = 100.0 - oil
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = (
            oil,
            lost,
            100.0 * oil / fat,
            pomace,
            100.0 * lost / pomace,
            100.0 * moisture / pomace,
            100.0 * dry / pomace,
        )
    return IndustrialYield(*(float(part) for part in parts)) if scalar else IndustrialYield(*parts)


def laboratories_agree(
    first_pct: Number, second_pct: Number, *, points: float = LAB_AGREEMENT_POINTS
) -> bool | np.ndarray:
    """Whether two laboratories' per cents of the same fruit agree, within one point by default.

    Parameters
    ----------
    first_pct, second_pct : float or ndarray
        The two results, on the same basis [%].
    points : float, optional
        Largest difference that still agrees [percentage points].

    Returns
    -------
    bool or ndarray of bool

    Examples
    --------
    >>> laboratories_agree(20.4, 21.3), laboratories_agree(20.0, 21.3)
    (True, False)
    """
    # A hair's breadth keeps 20.0 against 21.0 in agreement whatever the last binary digit.
    agree = np.abs(np.asarray(first_pct) - np.asarray(second_pct)) <= points + 1e-9
    return bool(agree) if agree.ndim == 0 else agree


@dataclass(frozen=True)
class SampleMean:
    """Mean of several fruits, trees or replicates, with the spread between them.

    Parameters
    ----------
    mean, sd, se : float
        Mean, standard deviation (divisor n - 1) and standard error, in the unit of the values.
    low, high : float
        95 % range of the mean by Student's t; NaN for a single value.
    n : int
        Values used.
    """

    mean: float
    sd: float
    se: float
    low: float
    high: float
    n: int


def sample_mean(values: npt.ArrayLike) -> SampleMean:
    """Mean and spread over trees (or replicates) of one sample; missing values are left out.

    Raises
    ------
    ValueError
        When no value is left.

    Examples
    --------
    >>> m = sample_mean([18.0, 20.0, 22.0])
    >>> m.mean, m.sd, round(m.se, 3), round(m.low, 2)
    (20.0, 2.0, 1.155, 15.03)
    """
    x = np.asarray(values, dtype=float).ravel()
    x = x[np.isfinite(x)]
    if x.size == 0:
        raise ValueError("values holds no number, expected at least one")
    mean = float(x.mean())
    if x.size == 1:
        return SampleMean(mean, np.nan, np.nan, np.nan, np.nan, 1)
    sd = float(x.std(ddof=1))
    se = sd / np.sqrt(x.size)
    half = float(stdtrit(x.size - 1, 0.975) * se)
    return SampleMean(mean, sd, float(se), mean - half, mean + half, int(x.size))


def counts_needed(sd: float, half_width: float, *, tree_sd: float = 0.0, fruits_per_tree: int | None = None) -> int:
    """How many fruit (or trees) to take so that a mean is known within `half_width`, 95 times out of 100.

    Parameters
    ----------
    sd : float
        Standard deviation from fruit to fruit, in the unit of the mean.
    half_width : float
        Wanted precision: half of the 95 % range, same unit.
    tree_sd : float, optional
        Standard deviation between trees, same unit; only used with `fruits_per_tree`.
    fruits_per_tree : int, optional
        Fruit taken from each tree. With it the answer is a number of trees, without it a number of fruit.

    Returns
    -------
    int
        Fruit, or trees.

    Raises
    ------
    ValueError
        For a spread below 0 or a precision that is not above 0.

    Notes
    -----
    n = (1.96 s / half_width)^2 with s^2 = sd^2, or tree_sd^2 + sd^2 / fruits_per_tree for trees: the usual
    normal approximation for a mean.

    Examples
    --------
    >>> counts_needed(1.193, 0.25)
    88
    """
    if not (isfinite(sd) and sd >= 0 and isfinite(tree_sd) and tree_sd >= 0):
        raise ValueError(f"sd is {sd:g} and tree_sd {tree_sd:g}, expected standard deviations of 0 or more")
    if not (isfinite(half_width) and half_width > 0):
        raise ValueError(f"half_width is {half_width:g}, expected a precision above 0")
    variance = sd**2
    if fruits_per_tree is not None:
        if fruits_per_tree < 1:
            raise ValueError(f"fruits_per_tree is {fruits_per_tree}, expected 1 or more")
        variance = tree_sd**2 + sd**2 / fruits_per_tree
    return max(1, ceil(variance * (_Z95 / half_width) ** 2 - 1e-9))


def readings_for_gain(gain: float, reading_sd: float) -> int:
    """Single readings needed on each of two dates to tell a gain from noise, 95 times out of 100.

    Parameters
    ----------
    gain : float
        Change from one date to the next [percentage points].
    reading_sd : float
        Standard deviation of one reading [percentage points].

    Returns
    -------
    int
        Readings per date: the gain is then 1.96 standard errors of the difference of two means.

    Examples
    --------
    Instrument error of near-infrared readings on whole fruit 1.99 points (Gracia and Leon, read):

    >>> readings_for_gain(1.0, 1.99), readings_for_gain(3.0, 1.99)
    (31, 4)
    """
    if not (isfinite(gain) and gain > 0 and isfinite(reading_sd) and reading_sd >= 0):
        raise ValueError(
            f"gain is {gain:g} and reading_sd {reading_sd:g}, expected a gain above 0, a spread of 0 or more"
        )
    return max(1, ceil(2.0 * (_Z95 * reading_sd / gain) ** 2 - 1e-9))
