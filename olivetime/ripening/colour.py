"""Maturity by colour class: a cumulative-link mixed model on the counts.

Fruit are sorted into classes 0 (deep green) to 7 (black to the stone); the maturity index is the mean class.
The whole distribution is modelled, so that the index stays between its ends and the share of black fruit is
forecast too:

    P(class <= k) = F(alpha_k - eta),   eta = slope x + cultivar + block + season + week + sample

The sample's own effect stands for trees that differ: without it ranges are far too narrow. See ``effects``
for the estimation. Model: McCullagh (1980), Journal of the Royal Statistical Society B 42:109-142; it agrees
with R's ``ordinal::clm`` and ``clmm`` on their own example (tests/published/test_ordinal.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy import special

from olivetime.ripening.effects import (
    Array,
    EffectsFit,
    GroupTerm,
    SharedTerm,
    draw_effects,
    fit_effects,
    group_scale,
    lay_out,
    shared_scale,
    spread_guess,
)

LINKS = ("logit", "probit", "cloglog")
_TINY = 1e-100
_FLATTENED = {"logit": 0.346, "probit": 1.0, "cloglog": 6 / np.pi**2}  # per variance of effects left out

PRIOR: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "first threshold": (-2.0, 3.0),
        "log threshold step": (0.3, 0.5),
        "slope": (3.0, 2.5),
        "log_sd block": (float(np.log(0.5)), 0.6),
        "log_sd block slope": (float(np.log(0.25)), 0.6),
        "tilt": (0.0, 0.4),
        "log_sd block in season": (float(np.log(0.3)), 0.6),
        "log_sd cultivar": (float(np.log(1.0)), 0.6),
        "log_sd cultivar slope": (float(np.log(0.6)), 0.6),
        "log_sd season": (float(np.log(0.5)), 0.6),
        "log_sd season slope": (float(np.log(0.25)), 0.6),
        "log_sd week": (float(np.log(0.15)), 0.6),
        "log_sd sample": (float(np.log(0.3)), 0.6),
    }
)
"""Weak priors (mean, sd) on the logit scale, slopes per ``scale`` of x. From memory: no source."""


@dataclass(frozen=True)
class OrdinalFamily:
    """Class counts, or a mean class with a known variance, given the predictor.

    Parameters
    ----------
    counts : (..., K) array
        Fruit per class; zero rows where only the mean is known.
    mean : (...) array
        Mean class, NaN where counts are given.
    variance : (...) array
        Variance of the mean class from counting.
    link : {"logit", "probit", "cloglog"}
    """

    counts: Array
    mean: Array
    variance: Array
    link: str
    n_parameters: int

    def value(self, eta: Array, phi: Array) -> tuple[Array, Array, Array, Array]:
        """See effects.Family.value."""
        alpha = thresholds(phi)
        if self.link == "logit":
            counts = np.ascontiguousarray(self.counts).reshape(-1, len(alpha) + 1)
            parts = _logit_terms(counts, self.mean.ravel(), self.variance.ravel(), eta.ravel(), alpha)
            l0, l1, l2, l3 = (part.reshape(eta.shape) for part in parts)
            return l0, l1, l2, l3
        out = self._general(eta, alpha)
        known = np.isfinite(self.mean)
        if known.any():
            for whole, part in zip(out, self._mean_terms(eta[known], alpha, known), strict=True):
                whole[known] = part
        return out

    def _general(self, eta: Array, alpha: Array) -> tuple[Array, Array, Array, Array]:
        p, f, f1, f2 = _classes(self.link, eta, alpha)
        p1, p2, p3 = -_steps(f), _steps(f1), -_steps(f2)
        a1, a2, a3 = p1 / p, p2 / p, p3 / p
        c = self.counts
        return (
            (c * np.log(p)).sum(-1),
            (c * a1).sum(-1),
            (c * (a2 - a1**2)).sum(-1),
            (c * (a3 - 3.0 * a1 * a2 + 2.0 * a1**3)).sum(-1),
        )

    def _mean_terms(self, eta: Array, alpha: Array, known: NDArray[np.bool_]) -> tuple[Array, Array, Array, Array]:
        m, m1, m2, m3, *_ = _mean_class(self.link, eta, alpha)
        v = self.variance[known]
        away = self.mean[known] - m
        # The second derivative is kept negative, so that a wild report cannot turn the curvature over.
        l2 = np.minimum(-(m1**2) + away * m2, -0.05 * m1**2) / v
        l0 = -0.5 * away**2 / v - 0.5 * np.log(2.0 * np.pi * v)
        return l0, away * m1 / v, l2, (-3.0 * m1 * m2 + away * m3) / v

    def gradient(self, eta: Array, phi: Array, a: Array, b: Array) -> Array:
        """See effects.Family.gradient."""
        alpha = thresholds(phi)
        n_alpha = len(alpha)
        if self.link == "logit":
            counts = np.ascontiguousarray(self.counts).reshape(-1, n_alpha + 1)
            by_alpha = _logit_gradient(
                counts, self.mean.ravel(), self.variance.ravel(), eta.ravel(), alpha, a.ravel(), b.ravel()
            )
        else:
            p, f, f1, f2 = _classes(self.link, eta, alpha)
            p1, p2 = -_steps(f), _steps(f1)
            by_alpha = np.zeros(n_alpha)
            a_, b_ = a[..., None], b[..., None]
            for side, sign in ((slice(None, -1), 1.0), (slice(1, None), -1.0)):
                q, q1, q2 = p[..., side], p1[..., side], p2[..., side]
                first, r1, r2 = f / q, q1 / q, q2 / q
                second = -f1 / q - r1 * first
                third = f2 / q - r2 * first + 2.0 * r1 * (f1 / q) + 2.0 * r1**2 * first
                part = sign * self.counts[..., side] * (first + a_ * second + b_ * third)
                by_alpha += part.reshape(-1, n_alpha).sum(0)
        known = np.isfinite(self.mean) if self.link != "logit" else np.zeros(0, dtype=bool)
        if known.any():
            m, m1, m2, _, f, f1, f2 = _mean_class(self.link, eta[known], alpha)
            v = self.variance[known][:, None]
            away = (self.mean[known] - m)[:, None]
            m1_, m2_ = m1[:, None], m2[:, None]
            part = -away * f + a[known][:, None] * (f * m1_ + away * f1)
            part += b[known][:, None] * (-2.0 * m1_ * f1 + f * m2_ - away * f2)
            by_alpha += (part / v).sum(0)
        out = np.empty(n_alpha)
        tail = np.cumsum(by_alpha[::-1])[::-1]
        out[0] = tail[0]
        out[1:] = tail[1:] * np.exp(phi[1:])
        return out

    def arranged(self, rows: NDArray[np.intp]) -> OrdinalFamily:
        """See effects.Family.arranged."""
        counts, mean = self.counts[rows], self.mean[rows]
        counts[rows < 0] = 0.0
        mean[rows < 0] = np.nan
        return replace(self, counts=counts, mean=mean, variance=self.variance[rows])


@njit(cache=True, no_cfunc_wrapper=True)
def _logit_terms(counts, mean, variance, eta, alpha):
    """Log-likelihood of counts (n, K), or of a mean class where one is known, and three derivatives by eta (n,).

    p_k = F(b) F(-a) (1 - exp(a - b)): a sum over thresholds, each a binomial of its two neighbours.
    """
    n, n_alpha = len(eta), len(alpha)
    l0, l1, l2, l3 = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    gap = np.zeros(n_alpha)
    for t in range(1, n_alpha):
        gap[t] = np.log(-np.expm1(alpha[t - 1] - alpha[t]))
    for i in range(n):
        if np.isfinite(mean[i]):
            m, m1, m2, m3 = 0.0, 0.0, 0.0, 0.0
            for t in range(n_alpha):
                below = 1.0 / (1.0 + np.exp(eta[i] - alpha[t]))
                f = below * (1.0 - below)
                m += 1.0 - below
                m1 += f
                m2 -= f * (1.0 - 2.0 * below)
                m3 += f * (1.0 - 6.0 * f)
            away, v = mean[i] - m, variance[i]
            l0[i] = -0.5 * away**2 / v - 0.5 * np.log(2.0 * np.pi * v)
            l1[i] = away * m1 / v
            # The second derivative is kept negative, so that a wild report cannot turn the curvature over.
            l2[i] = min(-(m1**2) + away * m2, -0.05 * m1**2) / v
            l3[i] = (-3.0 * m1 * m2 + away * m3) / v
            continue
        for t in range(n_alpha):
            lower = counts[i, t]
            both = lower + counts[i, t + 1]
            if both == 0.0:
                continue
            u = alpha[t] - eta[i]
            e = np.exp(-abs(u))
            one = 1.0 / (1.0 + e)
            below = one if u >= 0 else e * one
            density = both * e * one * one
            l0[i] += lower * u - both * (max(u, 0.0) - np.log(one))
            if t and lower > 0.0:
                l0[i] += lower * gap[t]
            l1[i] += both * below - lower
            l2[i] -= density
            l3[i] += density * (1.0 - 2.0 * below)
    return l0, l1, l2, l3


@njit(cache=True, no_cfunc_wrapper=True)
def _logit_gradient(counts, mean, variance, eta, alpha, a, b):
    """Sum over samples of (l + a l' + b l'') differentiated by the thresholds."""
    n_alpha = len(alpha)
    out, inside = np.zeros(n_alpha), np.zeros(n_alpha)
    below = np.empty(n_alpha)
    for i in range(len(eta)):
        if np.isfinite(mean[i]):
            m, m1, m2 = 0.0, 0.0, 0.0
            for t in range(n_alpha):
                below[t] = 1.0 / (1.0 + np.exp(eta[i] - alpha[t]))
                f = below[t] * (1.0 - below[t])
                m += 1.0 - below[t]
                m1 += f
                m2 -= f * (1.0 - 2.0 * below[t])
            away = mean[i] - m
            for t in range(n_alpha):
                f = below[t] * (1.0 - below[t])
                f1 = f * (1.0 - 2.0 * below[t])
                f2 = f * (1.0 - 6.0 * f)
                part = -away * f + a[i] * (f * m1 + away * f1) + b[i] * (-2.0 * m1 * f1 + f * m2 - away * f2)
                out[t] += part / variance[i]
            continue
        for t in range(n_alpha):
            lower = counts[i, t]
            both = lower + counts[i, t + 1]
            if both == 0.0:
                continue
            u = alpha[t] - eta[i]
            e = np.exp(-abs(u))
            one = 1.0 / (1.0 + e)
            share = one if u >= 0 else e * one
            out[t] += lower - both * share + both * e * one * one * (a[i] - b[i] * (1.0 - 2.0 * share))
            inside[t] += lower
    for t in range(1, n_alpha):
        if inside[t] == 0.0:  # nothing holds these two thresholds apart
            continue
        move = inside[t] / np.expm1(min(max(alpha[t] - alpha[t - 1], 1e-300), 500.0))
        out[t] += move
        out[t - 1] -= move
    return out


def thresholds(phi: Array) -> Array:
    """Thresholds (..., K-1) from the first one and the logs of the steps."""
    return np.concatenate([phi[..., :1], phi[..., :1] + np.cumsum(np.exp(phi[..., 1:]), axis=-1)], axis=-1)


def _steps(values: Array) -> Array:
    """Differences over thresholds with zero at both ends: (..., K-1) to (..., K)."""
    edge = np.zeros((*values.shape[:-1], 1))
    return np.diff(np.concatenate([edge, values, edge], axis=-1), axis=-1)


def _link(link: str, u: Array) -> tuple[Array, Array, Array, Array, Array]:
    """F, 1 - F, density, and its first two derivatives at u."""
    if link == "logit":
        low, high = special.expit(u), special.expit(-u)
        f = low * high
        f1 = f * (high - low)
        return low, high, f, f1, f * (1.0 - 6.0 * f)
    if link == "probit":
        f = np.exp(-0.5 * u**2) / np.sqrt(2.0 * np.pi)
        return special.ndtr(u), special.ndtr(-u), f, -u * f, (u**2 - 1.0) * f
    e = np.exp(np.minimum(u, 7.0))  # beyond, 1 - F is zero in floating point
    high = np.exp(-e)
    f = np.where(u < 7.0, e * high, 0.0)
    return -np.expm1(-e), high, f, f * (1.0 - e), f * (1.0 - 3.0 * e + e**2)


def _classes(link: str, eta: Array, alpha: Array) -> tuple[Array, Array, Array, Array]:
    """Class probabilities (..., K) and density with derivatives at the thresholds (..., K-1)."""
    u = alpha - eta[..., None]
    low, high, f, f1, f2 = _link(link, u)
    one, zero = np.ones((*u.shape[:-1], 1)), np.zeros((*u.shape[:-1], 1))
    from_low = np.diff(np.concatenate([zero, low, one], axis=-1), axis=-1)
    from_high = -np.diff(np.concatenate([one, high, zero], axis=-1), axis=-1)
    # In the upper tail the difference of two numbers near one would lose its digits.
    upper = np.concatenate([u, u[..., -1:]], axis=-1) > 0
    upper[..., 1:] &= u > 0
    p = np.where(upper, from_high, from_low)
    return np.maximum(p, _TINY), f, f1, f2


def _mean_class(link: str, eta: Array, alpha: Array) -> tuple[Array, ...]:
    """Mean class and its three derivatives by the predictor, then f, f', f'' at the thresholds."""
    _, high, f, f1, f2 = _link(link, alpha - eta[..., None])
    return high.sum(-1), f.sum(-1), -f1.sum(-1), f2.sum(-1), f, f1, f2


def maturity_index(counts: ArrayLike) -> Array:
    """Mean class of counted fruit.

    Parameters
    ----------
    counts : (..., K) array
        Fruit in classes 0 to K-1.

    Returns
    -------
    (...) array
        Sum of class times count over the count; NaN where nothing was counted. The usual formula divides by
        100 because 100 fruits are taken; the real total is used here.
    """
    c = np.asarray(counts, dtype=float)
    total = c.sum(-1)
    return np.divide(c @ np.arange(c.shape[-1]), total, out=np.full(total.shape, np.nan), where=total > 0)


def maturity_index_sd(counts: ArrayLike) -> Array:
    """Return the standard error of the mean class from counting alone.

    Parameters
    ----------
    counts : (..., K) array
        Fruit in classes 0 to K-1.

    Returns
    -------
    (...) array
        Standard deviation of the classes (divisor count - 1) over the root of the count; NaN below two fruits.
    """
    c = np.asarray(counts, dtype=float)
    total = c.sum(-1)
    mean = np.nan_to_num(maturity_index(c))
    square = np.maximum(c @ np.arange(c.shape[-1]) ** 2 - total * mean**2, 0.0)
    enough = total > 1
    return np.sqrt(np.divide(square, total * (total - 1), out=np.full(total.shape, np.nan), where=enough))


@dataclass(frozen=True)
class ColourDraws:
    """Joint draws of the colour model for B blocks.

    ``thresholds`` (K, C-1), ``intercept`` (K, B), ``slope`` (K, B) per unit of (x - centre) / scale.
    """

    link: str
    thresholds: Array
    intercept: Array
    slope: Array
    centre: float
    scale: float

    def _predictor(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=float)
        x = x if x.ndim == 3 else x[None]
        return self.intercept[:, :, None] + self.slope[:, :, None] * ((x - self.centre) / self.scale)

    def maturity_index(self, x: ArrayLike) -> Array:
        """Mean class (K, B, T) at x (B, T) or (K, B, T): the sum over classes k of P(class > k)."""
        return self.shares_and_index(x)[1]

    def class_share(self, x: ArrayLike) -> Array:
        """Share of fruit in each class (K, B, T, C) at x (B, T) or (K, B, T)."""
        eta = self._predictor(x)
        high = _link(self.link, self.thresholds[:, None, None, :] - eta[..., None])[1]
        edge = np.ones((*eta.shape, 1))
        return -np.diff(np.concatenate([edge, high, np.zeros_like(edge)], axis=-1), axis=-1)

    def shares_and_index(self, x: ArrayLike) -> tuple[Array, Array]:
        """Mean share over draws (B, T, C) and mean class (K, B, T), without the (K, B, T, C) array."""
        eta = self._predictor(x).astype(np.float32)
        alpha = self.thresholds.astype(np.float32)
        n_alpha = alpha.shape[1]
        index = np.zeros(eta.shape, dtype=np.float32)
        beyond = np.ones((*eta.shape[1:], n_alpha + 2))
        beyond[..., -1] = 0.0
        for k in range(n_alpha):
            u = alpha[:, k, None, None] - eta
            high = special.expit(-u) if self.link == "logit" else _link(self.link, u)[1]
            index += high
            beyond[..., k + 1] = high.mean(0, dtype=np.float64)
        return -np.diff(beyond, axis=-1), index.astype(float)


@dataclass(frozen=True)
class ColourFit:
    """A fitted colour model.

    ``coefficients``: name, value, se (thresholds and slopes in units of x as given); ``spread``: name, sd of
    each random effect; ``loglik`` (without constants of counting); ``parameters``: name, value, se,
    prior_mean, prior_sd, low, high, at_bound on the scale of the estimation.
    """

    effects: EffectsFit
    link: str
    n_classes: int
    centre: float
    scale: float
    has_slope: bool
    loglik: float
    coefficients: pd.DataFrame
    spread: pd.DataFrame
    parameters: pd.DataFrame
    cultivars: tuple[object, ...]
    seasons: tuple[object, ...]
    weeks: tuple[object, ...]
    converged: bool
    fitted_index: Array
    residual: Array

    @property
    def groups(self) -> tuple[object, ...]:
        """Blocks with samples, in the order of the effects."""
        return self.effects.layout.group

    @property
    def modes(self) -> pd.DataFrame:
        """Most probable effects of every group: group, effect, value, sd."""
        layout, mode = self.effects.layout, self.effects.mode
        scale = group_scale(layout, self._theta(self.effects.psi))
        value = mode.z_group @ scale.T
        spread = np.sqrt(np.einsum("ij,gjk,ik->gi", scale, mode.inverse_group, scale))
        names = [name for t in layout.group_terms for name in t.names]
        return pd.DataFrame(
            {
                "group": np.repeat(np.array(self.groups, dtype=object), len(names)),
                "effect": names * len(self.groups),
                "value": value.ravel(),
                "sd": spread.ravel(),
            }
        )

    def _theta(self, psi: Array) -> Array:
        return psi[..., self.effects.family.n_parameters + self.effects.layout.x.shape[2] :]

    def week_effects(self) -> pd.DataFrame:
        """Most probable shared effect of each week on the predictor: week, effect."""
        layout, mode = self.effects.layout, self.effects.mode
        labels = [t.label for t in layout.shared_terms]
        if "week" not in labels:
            return pd.DataFrame({"week": pd.Series(dtype=object), "effect": pd.Series(dtype=float)})
        mine = layout.shared_index == labels.index("week")
        value = (shared_scale(layout, self._theta(self.effects.psi)) * mode.z_shared)[mine]
        return pd.DataFrame({"week": np.array(self.weeks, dtype=object), "effect": value})

    def draw(
        self,
        n: int,
        rng: np.random.Generator,
        blocks: Sequence[object] | None = None,
        cultivars: Sequence[object] | None = None,
        season: object = None,
    ) -> ColourDraws:
        """Joint draws for the blocks, without the week's and the sample's own error.

        Parameters
        ----------
        n : int
            Draws K.
        rng : numpy.random.Generator
        blocks : sequence, optional
            Blocks wanted (default: all groups). A block without samples draws its effects from their spread.
        cultivars : sequence, optional
            Their cultivars, needed when the fit knows cultivars.
        season : optional
            The season wanted, when the fit knows several.

        Returns
        -------
        ColourDraws
        """
        layout = self.effects.layout
        drawn = draw_effects(self.effects, n, rng)
        wanted = list(self.groups if blocks is None else blocks)
        at = {g: i for i, g in enumerate(self.groups)}
        place = np.array([at.get(b, -1) for b in wanted], dtype=np.intp)
        q = layout.z.shape[2]
        own = drawn.group[:, place]
        unseen = place < 0
        if unseen.any():
            noise = rng.standard_normal((n, int(unseen.sum()), q))
            own[:, unseen] = np.einsum("kij,kgj->kgi", drawn.group_scale, noise)
        names = [name for t in layout.group_terms for name in t.names]
        n_phi = self.effects.family.n_parameters
        alpha = thresholds(drawn.psi[:, :n_phi])
        intercept = np.zeros((n, len(wanted)))
        slope = np.zeros((n, len(wanted)))
        if self.has_slope:
            slope += drawn.psi[:, n_phi, None]
        for i, name in enumerate(names):
            if name == "block":
                intercept += own[:, :, i]
            elif name == "block slope":
                slope += own[:, :, i]
            elif name == f"season {season}":
                intercept += own[:, :, i]
        keys = None if cultivars is None else list(cultivars)
        for i, term in enumerate(layout.shared_terms):
            mine = np.flatnonzero(layout.shared_index == i)
            target = slope if term.label.endswith("slope") else intercept
            kind = term.label.removesuffix(" slope")
            if kind == "cultivar" and keys is not None:
                level = {c: k for k, c in enumerate(self.cultivars)}
                want: list[object] = list(keys)
            elif kind == "season" and keys is not None:
                level = {(c, s): k for k, (c, s) in enumerate(_pairs(self.cultivars, self.seasons))}
                want = [(c, season) for c in keys]
            else:
                continue
            for key in dict.fromkeys(want):
                here = np.array([w == key for w in want])
                if key in level:
                    value = drawn.shared[:, mine[level[key]]]
                else:
                    value = drawn.shared_scale[:, mine[0]] * rng.standard_normal(n)
                target[:, here] += value[:, None]
        return ColourDraws(self.link, alpha, intercept, slope, self.centre, self.scale)


def _pairs(cultivars: Sequence[object], seasons: Sequence[object]) -> list[tuple[object, object]]:
    return [(c, s) for c in cultivars for s in seasons]


def _one_hot(values: NDArray[np.generic], levels: Sequence[object]) -> Array:
    at, none = {level: i for i, level in enumerate(levels)}, len(levels)  # a value that is no level meets none
    return np.eye(none + 1, none)[[at.get(value, none) for value in values.tolist()]]


def fit_colour(
    counts: ArrayLike,
    x: ArrayLike | None = None,
    group: Sequence[object] | NDArray[np.generic] | None = None,
    *,
    cultivar: Sequence[object] | None = None,
    week: Sequence[object] | None = None,
    season: Sequence[object] | None = None,
    covariates: ArrayLike | None = None,
    covariate_names: Sequence[str] | None = None,
    mean_index: ArrayLike | None = None,
    mean_variance: ArrayLike | float = 0.0144,
    link: str = "logit",
    random_slope: bool = True,
    n_quadrature: int = 1,
    overdispersion: bool = True,
    prior: Mapping[str, tuple[float, float]] | None = None,
    centre: float | None = None,
    scale: float | None = None,
    seasons: Sequence[object] | None = None,
) -> ColourFit:
    """Fit the cumulative-link mixed model to class counts.

    Parameters
    ----------
    counts : (n, K) array
        Fruit per class in each sample; a row of zeros where only ``mean_index`` is known.
    x : (n,) array, optional
        Thermal days, or any scale of time. None: no slope.
    group : length n, optional
        Block of each sample. None: no random effects (R's ``clm``).
    cultivar, week, season : length n, optional
        Shared effects; season also gives every block an effect in each season.
    covariates : (n, p) array, optional
        Further columns, with ``covariate_names``.
    mean_index : (n,) array, optional
        Reported mean class where fruit were not counted by class, else NaN.
    mean_variance : (n,) array or float
        Its variance from counting; default 1.2 classes of spread in 100 fruits, from memory.
    link : {"logit", "probit", "cloglog"}
    random_slope : bool
        Whether blocks differ in slope (correlated with their intercept).
    n_quadrature : int
        1 is Laplace; more is adaptive Gauss-Hermite quadrature, for one effect per group only.
    overdispersion : bool
        Whether each sample has an effect of its own.
    prior : mapping, optional
        Normal priors (mean, sd) by parameter as in PRIOR; None: plain maximum likelihood.
    centre, scale : float, optional
        Inner scale of x; default its mean and standard deviation. Priors of slopes are per ``scale``.
    seasons : sequence, optional
        All seasons wanted, when one has no sample yet.

    Returns
    -------
    ColourFit

    Raises
    ------
    ValueError
        If shapes, link or counts cannot be used.
    """
    c = np.asarray(counts, dtype=float)
    if c.ndim != 2 or c.shape[1] < 2:
        raise ValueError(
            f"counts has shape {c.shape}, expected (samples, classes) with two classes or more: "
            "give one row per sample."
        )
    if link not in LINKS:
        raise ValueError(f"link is {link!r}, expected one of {', '.join(LINKS)}: choose one of these.")
    if not np.isfinite(c).all() or (c < 0).any():
        raise ValueError(
            "counts holds a negative or missing number, expected counts of fruit: put 0 where no fruit fell."
        )
    n, n_classes = c.shape
    mean = np.full(n, np.nan) if mean_index is None else np.asarray(mean_index, dtype=float).copy()
    mean[c.sum(1) > 0] = np.nan
    if ((c.sum(1) == 0) & ~np.isfinite(mean)).any():
        raise ValueError(
            "counts has a sample without fruit and without a maturity index, expected one of the two: drop the sample."
        )
    variance = np.broadcast_to(np.asarray(mean_variance, dtype=float), (n,)).copy()

    has_slope = x is not None
    xv = np.zeros(n) if x is None else np.asarray(x, dtype=float)
    centre = float(xv.mean()) if centre is None else float(centre)
    spread_x = float(xv.std()) or 1.0
    scale = spread_x if scale is None else float(scale)
    if not has_slope:
        centre, scale = 0.0, 1.0
    xs = (xv - centre) / scale
    extra = np.zeros((n, 0)) if covariates is None else np.asarray(covariates, dtype=float).reshape(n, -1)
    extra_names = (
        tuple(f"covariate {i + 1}" for i in range(extra.shape[1]))
        if covariate_names is None
        else tuple(covariate_names)
    )
    design = np.column_stack([xs, extra]) if has_slope else extra
    fixed_names = (("slope",) if has_slope else ()) + extra_names

    slope_random = random_slope and has_slope
    group_terms: list[GroupTerm] = []
    shared: list[SharedTerm] = []
    if group is not None:
        names = ("block", "block slope") if slope_random else ("block",)
        columns = np.column_stack([np.ones(n), xs]) if slope_random else np.ones((n, 1))
        group_terms.append(GroupTerm(names, columns))
    cultivars: tuple[object, ...] = ()
    season_levels: tuple[object, ...] = ()
    weeks: tuple[object, ...] = ()
    if cultivar is not None:
        cv = np.asarray(cultivar)
        cultivars = tuple(np.unique(cv.tolist()).tolist())
        hot = _one_hot(cv, cultivars)
        shared.append(SharedTerm("cultivar", hot))
        if has_slope:
            shared.append(SharedTerm("cultivar slope", hot * xs[:, None]))
    if season is not None:
        sv = np.asarray(season)
        season_levels = tuple(np.unique(sv.tolist() + list(seasons or ())).tolist())
        if len(season_levels) > 1:
            hot = _one_hot(sv, season_levels)
            if group is not None:
                group_terms.append(
                    GroupTerm(tuple(f"season {s}" for s in season_levels), hot, full=False, label="block in season")
                )
            if cultivar is None:
                cultivars = ("all",)
                cv = np.full(n, "all")
            pair = (_one_hot(cv, cultivars)[:, :, None] * hot[:, None, :]).reshape(n, -1)
            shared.append(SharedTerm("season", pair))
            if has_slope:
                shared.append(SharedTerm("season slope", pair * xs[:, None]))
    if week is not None:
        wv = np.asarray(week)
        weeks = tuple(np.unique(wv.tolist()).tolist())
        if len(weeks) > 1:
            shared.append(SharedTerm("week", _one_hot(wv, weeks)))

    layout = lay_out(design, group, group_terms, shared, sample_effect=overdispersion and group is not None)
    family = OrdinalFamily(c, mean, variance, link, n_classes - 1)
    start, names_psi, mean_psi, sd_psi = _start(c, mean, link, fixed_names, layout.sd_names, prior)
    guess = None
    if group is not None:
        # Without random effects the fit is quick; it gives the search its start and its scale.
        n_plain = n_classes - 1 + len(fixed_names)
        plain = fit_effects(
            lay_out(design, None),
            family,
            start[:n_plain],
            prior_mean=mean_psi[:n_plain],
            prior_sd=sd_psi[:n_plain],
            exact=False,
            close=0.1,
        )
        # Effects that are not fitted flatten what is: sqrt(1 + c sd^2) for effects of sd (Zeger, Liang and Albert 1988
        # for the logit, from memory; for the others by the variance of the link's distribution).
        names_sd = zip(layout.sd_names, start[n_plain:], strict=True)
        left_out = sum(np.exp(2 * log_sd) for name, log_sd in names_sd if not name.startswith("tilt"))
        flat = np.sqrt(1.0 + _FLATTENED[link] * left_out)
        start[:n_plain] = plain.psi
        start[1 : n_classes - 1] += np.log(flat)  # steps between thresholds are logarithms
        start[0] *= flat
        start[n_classes - 1 : n_plain] *= flat
        guess = np.diag(np.append(np.zeros(n_plain), spread_guess(layout)))
        guess[:n_plain, :n_plain] = 0.5 * (plain.covariance + plain.covariance.T)
        guess[0, 0] += 1.0 / len(layout.group)
        # A threshold and the slope are known no better than the mean of the levels about them.
        sd_of = dict(zip(layout.sd_names, start[n_plain:], strict=True))
        for term in shared:
            at = n_classes - 1 if term.label.endswith("slope") else 0
            guess[at, at] += np.exp(2 * sd_of[f"log_sd {term.label}"]) / term.columns.shape[1]
    fit = fit_effects(
        layout,
        family,
        start,
        prior_mean=mean_psi,
        prior_sd=sd_psi,
        n_quadrature=n_quadrature,
        exact=prior is None,
        start_covariance=guess,
    )
    return _summary(
        fit,
        link,
        n_classes,
        centre,
        scale,
        has_slope,
        fixed_names,
        names_psi,
        cultivars,
        season_levels,
        weeks,
        c,
        mean,
        variance,
    )


def _start(
    counts: Array,
    mean: Array,
    link: str,
    fixed_names: Sequence[str],
    sd_names: Sequence[str],
    prior: Mapping[str, tuple[float, float]] | None,
) -> tuple[Array, tuple[str, ...], Array, Array]:
    """Start values from the pooled shares, and the priors laid out in the same order."""
    n_alpha = counts.shape[1] - 1
    total = counts.sum(0) + 0.5
    share = np.cumsum(total)[:-1] / total.sum()
    if np.isfinite(mean).any() and counts.sum() == 0:
        middle = np.nanmean(mean) / n_alpha
        share = special.expit(np.linspace(-0.6, 0.6, n_alpha) * n_alpha - special.logit(np.clip(middle, 0.05, 0.95)))
    if link == "logit":
        alpha = special.logit(share)
    elif link == "probit":
        alpha = special.ndtri(share)
    else:
        alpha = np.log(-np.log1p(-share))
    steps = np.log(np.maximum(np.diff(alpha), 0.05))
    names = (
        "first threshold",
        *(f"log threshold step {k + 1}" for k in range(n_alpha - 1)),
        *fixed_names,
        *sd_names,
    )
    start = np.concatenate([alpha[:1], steps, np.zeros(len(fixed_names)), np.full(len(sd_names), np.log(0.5))])
    m, s = np.zeros(len(names)), np.full(len(names), np.inf)
    for i, name in enumerate(names):
        if name.startswith("tilt"):
            start[i] = 0.0
        if prior is None:
            continue
        key = "tilt" if name.startswith("tilt") else name
        key = "log threshold step" if name.startswith("log threshold step") else key
        if key in prior:
            m[i], s[i] = prior[key]
            if i >= n_alpha:
                start[i] = m[i]
    return start, names, m, s


def _summary(
    fit: EffectsFit,
    link: str,
    n_classes: int,
    centre: float,
    scale: float,
    has_slope: bool,
    fixed_names: Sequence[str],
    names: Sequence[str],
    cultivars: tuple[object, ...],
    seasons: tuple[object, ...],
    weeks: tuple[object, ...],
    counts: Array,
    mean: Array,
    variance: Array,
) -> ColourFit:
    n_alpha, n_fixed = n_classes - 1, len(fixed_names)
    psi = fit.psi
    # Thresholds and slopes back in units of x: alpha - s (x - m) / d = (alpha + s m / d) - (s / d) x.
    jacobian = np.zeros((n_alpha + n_fixed, len(psi)))
    step = np.exp(psi[1:n_alpha])
    jacobian[:n_alpha, 0] = 1.0
    for t in range(1, n_alpha):
        jacobian[t, 1 : t + 1] = step[:t]
    jacobian[n_alpha:, n_alpha : n_alpha + n_fixed] = np.eye(n_fixed)
    if has_slope:
        jacobian[:n_alpha, n_alpha] = centre / scale
        jacobian[n_alpha, n_alpha] = 1.0 / scale
    value = np.concatenate([thresholds(psi[:n_alpha]), psi[n_alpha : n_alpha + n_fixed]])
    if has_slope:
        value[:n_alpha] += value[n_alpha] * centre / scale
        value[n_alpha] /= scale
    covariance = jacobian @ fit.covariance @ jacobian.T
    coefficients = pd.DataFrame(
        {
            "name": [f"{k}|{k + 1}" for k in range(n_alpha)] + list(fixed_names),
            "value": value,
            "se": np.sqrt(np.diag(covariance)),
        }
    )
    theta = psi[n_alpha + n_fixed :]
    scale_matrix = group_scale(fit.layout, theta)
    sd = np.sqrt((scale_matrix**2).sum(1))
    rows: list[tuple[str, float]] = []
    col = 0
    for term in fit.layout.group_terms:
        if term.full:
            rows += [(name, float(sd[col + i])) for i, name in enumerate(term.names)]
        else:
            rows.append((term.label, float(sd[col])))
        col += len(term.names)
    spread_shared = shared_scale(fit.layout, theta)
    for i, shared in enumerate(fit.layout.shared_terms):
        rows.append((shared.label, float(spread_shared[fit.layout.shared_index == i][0])))
    if fit.layout.sample_effect:
        rows.append(("sample", float(np.exp(theta[-1]))))
    se = np.sqrt(np.diag(fit.covariance))
    low, high = fit.prior_mean - 2.5 * fit.prior_sd, fit.prior_mean + 2.5 * fit.prior_sd
    parameters = pd.DataFrame(
        {
            "name": list(names),
            "value": psi,
            "se": se,
            "prior_mean": np.where(np.isfinite(fit.prior_sd), fit.prior_mean, np.nan),
            "prior_sd": np.where(np.isfinite(fit.prior_sd), fit.prior_sd, np.nan),
            "low": low,
            "high": high,
            "at_bound": (psi <= low) | (psi >= high),
        }
    )
    placed = fit.layout.rows >= 0
    eta = np.empty(len(counts))
    sigma = float(np.exp(theta[-1])) if fit.layout.sample_effect else 0.0
    eta[fit.layout.rows[placed]] = (fit.mode.eta - sigma * fit.mode.z_sample)[placed]
    fitted, slope, *_ = _mean_class(link, eta, thresholds(psi[:n_alpha]))
    observed = np.where(np.isfinite(mean), mean, maturity_index(counts))
    counting = np.where(np.isfinite(mean), variance, np.nan_to_num(maturity_index_sd(counts), nan=0.1) ** 2)
    residual = (observed - fitted) / np.sqrt(np.maximum(counting, 1e-4) + (sigma * slope) ** 2)
    return ColourFit(
        effects=fit,
        link=link,
        n_classes=n_classes,
        centre=centre,
        scale=scale,
        has_slope=has_slope,
        loglik=fit.loglik,
        coefficients=coefficients,
        spread=pd.DataFrame(rows, columns=["name", "sd"]),
        parameters=parameters,
        cultivars=cultivars,
        seasons=seasons,
        weeks=weeks,
        converged=fit.converged,
        fitted_index=fitted,
        residual=residual,
    )
