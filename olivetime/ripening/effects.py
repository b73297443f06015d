"""Random effects by Laplace's method: one small set per block, a few shared by all, one per sample.

Maturity and moisture are both fitted here. A sample j of block i has the predictor

    eta_j = x_j' beta + z_j' b_i + d_j' s + e_j

with ``b_i`` the block's own effects, ``s`` effects that many blocks share (week, season, cultivar) and
``e_j`` the sample's own. The distribution of a sample given ``eta_j`` is a *family*. All effects are
written as scale times a standard normal, so that an effect nobody has seen yet is simply standard normal.
The precision of the effects is an arrow: a small matrix per block and one dense corner, solved for all
blocks at once. Laplace's method and its gradient by the adjoint of the mode follow Skaug & Fournier (2006),
Computational Statistics & Data Analysis 51:699-709 (the idea; the algebra here is our own).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.linalg import lapack

from olivetime.ripening.modes import descend, even_noise, invert, solve_root

Array = NDArray[np.floating[Any]]

_INNER_STEPS = 60
_OUTER_STEPS = 300
_MODE_TOLERANCE = 1e-9
_ROUGH_TOLERANCE = 1e-7  # where three to four digits of the standard errors are enough
_POINT_TOLERANCE = 1e-5  # for draws
_NEAR = 1e-3  # moves of the parameters over which the factors of the curvature serve again
_LIMIT_SD = 2.5  # how far draws of standard deviations may go, in sds of estimate and prior; our choice
_WORST = 1e12  # stands for a likelihood that cannot be had
_FAR = 30.0  # logarithms of standard deviations beyond plus and minus this count as this
_MOST = 3.0  # how far draws of logarithms of standard deviations may go where the samples tell nothing of them
_NONE = np.zeros((0, 0))
N_POINTS = 16  # sets of standard deviations behind the draws; our choice


class Family(Protocol):
    """Distribution of the samples given the predictor; arrays are (G, M): group by place in the group."""

    @property
    def n_parameters(self) -> int:
        """Number of the family's own parameters."""

    def value(self, eta: Array, phi: Array) -> tuple[Array, Array, Array, Array]:
        """Log-likelihood of each sample and its first three derivatives by the predictor."""

    def gradient(self, eta: Array, phi: Array, a: Array, b: Array) -> Array:
        """Sum over samples of (l + a l' + b l'') differentiated by the family's own parameters."""

    def arranged(self, rows: NDArray[np.intp]) -> Family:
        """Lay the samples out as ``rows`` (G, M); -1 is an empty place with no weight."""


@dataclass(frozen=True)
class GroupTerm:
    """Effects that every block has for itself.

    Parameters
    ----------
    names : tuple of str
        One name per column.
    columns : (n, c) array
        What multiplies each effect in each sample.
    full : bool
        True: the c effects have standard deviations of their own and are correlated. False: they are
        independent and share one standard deviation (a column per season, for example).
    label : str
        Name of the shared standard deviation when not full.
    """

    names: tuple[str, ...]
    columns: Array
    full: bool = True
    label: str = ""


@dataclass(frozen=True)
class SharedTerm:
    """Effects that many blocks share, with one standard deviation.

    Parameters
    ----------
    label : str
        Name of the standard deviation.
    columns : (n, c) array
        What multiplies each effect in each sample.
    sd : float or None
        A known standard deviation, or None to estimate it.
    """

    label: str
    columns: Array
    sd: float | None = None


@dataclass(frozen=True)
class Layout:
    """Samples of n rows laid out by group, with the design of every effect.

    ``rows`` (G, M) holds row numbers, -1 where a group has fewer samples; ``group`` the G group names.
    ``x`` (G, M, p), ``z`` (G, M, q). A group meets only some of the D shared effects: ``active`` (G, A) are
    their numbers, D where a group meets fewer. A sample meets fewer still: ``hit`` (G, M, H) are their places
    in the group's list, -1 where it meets fewer, ``met`` their numbers, and ``d`` (G, M, H) what multiplies them.
    """

    rows: NDArray[np.intp]
    group: tuple[object, ...]
    x: Array
    z: Array
    d: Array
    hit: NDArray[np.intp]
    met: NDArray[np.intp]
    active: NDArray[np.intp]
    group_terms: tuple[GroupTerm, ...]
    shared_terms: tuple[SharedTerm, ...]
    shared_index: NDArray[np.intp]
    sample_effect: bool
    sd_names: tuple[str, ...]


@dataclass(frozen=True)
class _Arrow:
    """The arrow matrix at given weights: group inverses, cross terms (G, q, A), root of the corner (D, D)."""

    weight: Array
    inverse: Array
    cross: Array
    corner_root: Array
    logdet: float


@dataclass(frozen=True)
class Mode:
    """Most probable effects for given parameters, and the arrow matrix there; no gradient where none was asked."""

    eta: Array
    z_group: Array
    z_shared: Array
    z_sample: Array
    arrow: _Arrow | None
    inverse_group: Array
    cross: Array
    corner_inverse: Array
    loglik: float
    gradient: Array
    converged: bool


@dataclass(frozen=True)
class Point:
    """Effects, scaled, at one likely set of standard deviations and the other parameters that go with it.

    ``group`` (G, q) and ``shared`` (D,) most probable effects, ``group_root`` (G, q, q) root of their
    covariance given the shared ones, ``reach`` (G, q, A) how they follow these, ``shared_root`` (D, D).
    """

    psi: Array
    group: Array
    shared: Array
    group_root: Array
    reach: Array
    shared_root: Array
    group_scale: Array
    shared_scale: Array


@dataclass(frozen=True)
class EffectsFit:
    """A fit: parameters in the order family, fixed, spread; mode of the effects; curvature.

    ``psi`` (P,) estimates, ``covariance`` (P, P), ``mode_slope`` (P, G q + D) change of the most probable
    effects with the parameters, ``points`` solutions at likely standard deviations, for draws;
    ``prior_mean`` and ``prior_sd`` (P,), infinite where there is no prior.
    """

    layout: Layout
    family: Family
    psi: Array
    covariance: Array
    loglik: float
    objective: float
    mode: Mode
    mode_slope: Array
    points: tuple[Point, ...]
    prior_mean: Array
    prior_sd: Array
    converged: bool
    max_gradient: float


@dataclass(frozen=True)
class EffectsDraws:
    """Joint draws: ``psi`` (K, P), group effects (K, G, q) and shared effects (K, D), already scaled."""

    psi: Array
    group: Array
    shared: Array
    group_scale: Array
    shared_scale: Array


def lay_out(
    x: Array,
    group: Sequence[object] | NDArray[np.generic] | None,
    group_terms: Sequence[GroupTerm] = (),
    shared_terms: Sequence[SharedTerm] = (),
    *,
    sample_effect: bool = False,
) -> Layout:
    """Arrange n samples as groups by places.

    Parameters
    ----------
    x : (n, p) array
        Fixed design, p may be 0.
    group : length n or None
        Group of each sample; None for no groups.
    group_terms, shared_terms
        Effects; their columns have n rows.
    sample_effect : bool
        Whether every sample has an effect of its own (over-dispersion).

    Returns
    -------
    Layout
    """
    n = x.shape[0]
    labels = np.zeros(n, dtype=np.intp) if group is None else np.asarray(group)
    names, code = np.unique(labels, return_inverse=True)
    count = np.bincount(code, minlength=len(names))
    order = np.argsort(code, kind="stable")
    place = np.arange(n) - np.repeat(np.cumsum(count) - count, count)
    rows = np.full((len(names), int(count.max(initial=1))), -1, dtype=np.intp)
    rows[code[order], place] = order

    def spread(columns: Array) -> Array:
        out = columns[rows]
        out[rows < 0] = 0.0
        return out

    z = [np.asarray(t.columns, dtype=float) for t in group_terms]
    d = [np.asarray(t.columns, dtype=float) for t in shared_terms]
    empty = np.zeros((n, 0))
    wide = np.hstack([empty, *d])
    met = np.zeros((len(names), wide.shape[1]), dtype=bool)
    np.logical_or.at(met, code, wide != 0)
    most = int(met.sum(1).max(initial=0))
    active = np.argsort(~met, axis=1, kind="stable")[:, :most]
    active = np.where(np.take_along_axis(met, active, axis=1), active, wide.shape[1])
    padded = np.hstack([wide, np.zeros((n, 1))])
    columns = padded[rows[:, :, None], active[:, None, :]]
    columns[rows < 0] = 0.0
    meets = columns != 0
    hit = np.argsort(~meets, axis=2, kind="stable")[:, :, : int(meets.sum(2).max(initial=0))]
    own = np.take_along_axis(columns, hit, axis=2)
    sd_names: list[str] = []
    for t in group_terms:
        if t.full:
            sd_names += [f"log_sd {name}" for name in t.names]
            sd_names += [f"tilt {t.names[r]}~{t.names[c]}" for r in range(len(t.names)) for c in range(r)]
        else:
            sd_names.append(f"log_sd {t.label}")
    sd_names += [f"log_sd {t.label}" for t in shared_terms if t.sd is None]
    if sample_effect:
        sd_names.append("log_sd sample")
    return Layout(
        rows=rows,
        group=tuple(names.tolist()),
        x=spread(np.asarray(x, dtype=float)),
        z=spread(np.hstack([empty, *z])),
        d=own,
        hit=np.where(own != 0, hit, -1),
        met=np.take_along_axis(active[:, None, :], hit, axis=2),
        active=active,
        group_terms=tuple(group_terms),
        shared_terms=tuple(shared_terms),
        shared_index=np.repeat(np.arange(len(d), dtype=np.intp), [c.shape[1] for c in d]),
        sample_effect=sample_effect,
        sd_names=tuple(sd_names),
    )


def spread_guess(layout: Layout) -> Array:
    """Return a rough variance (n_sd,) of the estimated log standard deviations: one over what tells of them."""
    n_group = len(layout.group)
    out: list[float] = []
    for t in layout.group_terms:
        c = len(t.names)
        out += [1.0 / (n_group + 2)] * (c * (c + 1) // 2 if t.full else 1)
    out += [1.0 / (t.columns.shape[1] + 4) for t in layout.shared_terms if t.sd is None]
    if layout.sample_effect:
        out.append(1.0 / (int((layout.rows >= 0).sum()) + 2))
    return np.array(out)


def _exp(log_sd: Array) -> Array:
    """Return the standard deviation; one that runs away, towards nothing or without bound, stays finite."""
    return np.exp(np.clip(log_sd, -_FAR, _FAR))


def group_scale(layout: Layout, theta: Array) -> Array:
    """Return the matrix (..., q, q) that turns standard normals into effects; theta (..., n_sd)."""
    q = layout.z.shape[2]
    scale = np.zeros((*theta.shape[:-1], q, q))
    at, col = 0, 0
    for t in layout.group_terms:
        c = len(t.names)
        if t.full:
            sd = _exp(theta[..., at : at + c])
            at += c
            for r in range(c):
                scale[..., col + r, col + r] = sd[..., r]
                for k in range(r):
                    scale[..., col + r, col + k] = sd[..., r] * theta[..., at]
                    at += 1
        else:
            for r in range(c):
                scale[..., col + r, col + r] = _exp(theta[..., at])
            at += 1
        col += c
    return scale


def _n_group_sd(layout: Layout) -> int:
    return sum(len(t.names) * (len(t.names) + 1) // 2 if t.full else 1 for t in layout.group_terms)


def shared_scale(layout: Layout, theta: Array) -> Array:
    """Return the standard deviation (..., D) of each shared effect; theta (..., n_sd)."""
    at = _n_group_sd(layout)
    scale = np.empty((*theta.shape[:-1], len(layout.shared_index)))
    for i, t in enumerate(layout.shared_terms):
        mine = layout.shared_index == i
        if t.sd is None:
            scale[..., mine] = _exp(theta[..., at, None])
            at += 1
        else:
            scale[..., mine] = t.sd
    return scale


def _sd_gradient(layout: Layout, theta: Array, by_group: Array, by_shared: Array, by_sample: float) -> Array:
    """Chain rule from the derivative by the scale matrix and scales to the derivative by theta."""
    out = np.zeros(len(theta))
    at, col = 0, 0
    for t in layout.group_terms:
        c = len(t.names)
        if t.full:
            first, at_tilt = at, at + c
            for r in range(c):
                sd = _exp(theta[first + r])
                out[first + r] += by_group[col + r, col + r] * sd
                for k in range(r):
                    out[first + r] += by_group[col + r, col + k] * sd * theta[at_tilt]
                    out[at_tilt] = by_group[col + r, col + k] * sd
                    at_tilt += 1
            at = at_tilt
        else:
            out[at] = np.trace(by_group[col : col + c, col : col + c]) * _exp(theta[at])
            at += 1
        col += c
    for i, shared in enumerate(layout.shared_terms):
        if shared.sd is None:
            out[at] = by_shared[layout.shared_index == i].sum() * _exp(theta[at])
            at += 1
    if layout.sample_effect:
        out[at] = by_sample * _exp(theta[at])
    return out


@njit(cache=True, no_cfunc_wrapper=True)
def _eliminate(a, d, hit, active, w, n_shared):
    """Take the groups out of the arrow: log determinant, inverses, cross terms, what stays in the corner."""
    n_group, n_place, q = a.shape
    n_active, n_hit = active.shape[1], hit.shape[2]
    inverse = np.empty((n_group, q, q))
    cross = np.zeros((n_group, q, n_active))
    corner = np.zeros((n_shared, n_shared))
    for i in range(n_shared):
        corner[i, i] = 1.0
    logdet = 0.0
    own = np.empty((q, q))
    part = np.empty((n_active, n_active))
    half = np.empty((q, n_active))
    for g in range(n_group):
        # loops, because slices given a value take seconds to compile
        for i in range(q):
            for j in range(q):
                own[i, j] = 1.0 if i == j else 0.0
        for k in range(n_active):
            for j in range(n_active):
                part[k, j] = 0.0
        for m in range(n_place):
            weight = w[g, m]
            if weight == 0.0:
                continue
            for i in range(q):
                along = weight * a[g, m, i]
                if along == 0.0:
                    continue
                for j in range(i + 1):
                    own[i, j] += along * a[g, m, j]
                for k in range(n_hit):
                    if hit[g, m, k] >= 0:
                        cross[g, i, hit[g, m, k]] += along * d[g, m, k]
            for k in range(n_hit):
                row = hit[g, m, k]
                if row < 0:
                    break
                along = weight * d[g, m, k]
                for j in range(k + 1):  # the places of a sample are in rising order
                    part[row, hit[g, m, j]] += along * d[g, m, j]
        logdet += invert(own, inverse[g])
        if not np.isfinite(logdet):
            return False, logdet, inverse, cross, corner
        for i in range(q):
            for c in range(n_active):
                half[i, c] = 0.0
            for j in range(q):
                by = inverse[g, i, j]
                for c in range(n_active):
                    half[i, c] += by * cross[g, j, c]
        for k in range(n_active):
            row = active[g, k]
            if row == n_shared:
                break
            for i in range(q):
                by = cross[g, i, k]
                for j in range(k + 1):
                    part[k, j] -= by * half[i, j]
            for j in range(k + 1):  # rising order too: the lower triangle is all that is read
                corner[row, active[g, j]] += part[k, j]
    return True, logdet, inverse, cross, corner


@njit(cache=True, no_cfunc_wrapper=True, no_cpython_wrapper=True)
def _meeting(a, d, hit, active, xg, xd, g, m):
    """Sum of effects times their columns in one sample."""
    total = 0.0
    for i in range(a.shape[2]):
        total += a[g, m, i] * xg[g, i]
    for k in range(hit.shape[2]):
        if hit[g, m, k] < 0:
            break
        total += d[g, m, k] * xd[active[g, hit[g, m, k]]]
    return total


@njit(cache=True, no_cfunc_wrapper=True)
def _linear(a, d, hit, active, xg, xd):
    """Sum of effects times their columns in every sample, (G, M)."""
    n_group, n_place = hit.shape[:2]
    out = np.zeros((n_group, n_place))
    for g in range(n_group):
        for m in range(n_place):
            out[g, m] = _meeting(a, d, hit, active, xg, xd, g, m)
    return out


@njit(cache=True, no_cfunc_wrapper=True)
def _pulled(a, d, hit, active, l1, l2, zg, zd, ze, sigma, before):
    """Slope of the penalty and right-hand side of a step, each sample's own effect taken out.

    Gives weight and slope by the own effect of every sample (G, M); slope by the group and the shared effects; right
    sides for both; the largest slope by an own effect and of a sample; how far weights are from `before`.
    """
    n_group, n_place, q = a.shape
    weight, own = np.zeros((n_group, n_place)), np.zeros((n_group, n_place))
    by_g, by_d, right_g, right_d = zg.copy(), zd.copy(), -zg, -zd
    steepest, top, moved = 0.0, 0.0, 0.0
    for g in range(n_group):
        for m in range(n_place):
            first, w = l1[g, m], -l2[g, m]
            weight[g, m] = w / (1.0 + sigma * sigma * w)
            own[g, m] = ze[g, m] - sigma * first
            steepest, top = max(steepest, abs(own[g, m])), max(top, abs(first))
            if before.shape[0] > 0:
                moved = max(moved, abs(weight[g, m] - before[g, m]))
            if first == 0.0 and w == 0.0:
                continue
            value = first + sigma * weight[g, m] * own[g, m]
            for i in range(q):
                by_g[g, i] -= first * a[g, m, i]
                right_g[g, i] += value * a[g, m, i]
            for k in range(hit.shape[2]):
                if hit[g, m, k] < 0:
                    break
                row = active[g, hit[g, m, k]]
                by_d[row] -= first * d[g, m, k]
                right_d[row] += value * d[g, m, k]
    return weight, own, by_g, by_d, right_g, right_d, steepest, top, moved


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"reassoc", "contract"})
def _solved(inverse, cross, active, corner_root, rg, rd):
    """Solve the arrow for right-hand sides of groups (G, q) and corner (D,)."""
    n_group, q = rg.shape
    n_shared = len(rd)
    xg, xd = np.zeros((n_group, q)), rd.copy()
    met = np.empty(q)
    for g in range(n_group):
        for i in range(q):
            for j in range(q):
                xg[g, i] += inverse[g, i, j] * rg[g, j]
        for k in range(active.shape[1]):
            row = active[g, k]
            if row == n_shared:
                break
            for i in range(q):
                xd[row] -= cross[g, i, k] * xg[g, i]
    solve_root(corner_root, xd)
    for g in range(n_group):
        for i in range(q):
            met[i] = 0.0
        for k in range(active.shape[1]):
            row = active[g, k]
            if row == n_shared:
                break
            for i in range(q):
                met[i] += cross[g, i, k] * xd[row]
        for i in range(q):
            for j in range(q):
                xg[g, i] -= inverse[g, i, j] * met[j]
    return xg, xd


@njit(cache=True, no_cfunc_wrapper=True)
def _along(a, d, hit, active, xg, xd, own, l2, sigma):
    """Move of every predictor and of every sample's own effect that go with moves of the other effects (G, M)."""
    n_group, n_place = l2.shape
    eta, ze = np.zeros((n_group, n_place)), np.zeros((n_group, n_place))
    for g in range(n_group):
        for m in range(n_place):
            total = _meeting(a, d, hit, active, xg, xd, g, m)
            w = -l2[g, m]
            ze[g, m] = -(own[g, m] + sigma * w * total) / (1.0 + sigma * sigma * w)
            eta[g, m] = total + sigma * ze[g, m]
    return eta, ze


@njit(cache=True, no_cfunc_wrapper=True)
def _leaned(a, d, hit, active, l2, l3, v0, sigma, n_shared):
    """Variance of every predictor, its pull on the mode (G, M), and that pull on group and shared effects."""
    n_group, n_place, q = a.shape
    variance, pull = np.zeros((n_group, n_place)), np.zeros((n_group, n_place))
    by_g, by_d = np.zeros((n_group, q)), np.zeros(n_shared)
    for g in range(n_group):
        for m in range(n_place):
            de = 1.0 - sigma * sigma * l2[g, m]
            variance[g, m] = v0[g, m] / (de * de) + sigma * sigma / de
            pull[g, m] = 0.5 * l3[g, m] * variance[g, m]  # -1/2 dW/deta v, with W = -l''
            value = pull[g, m] / de
            if value == 0.0:
                continue
            for i in range(q):
                by_g[g, i] += value * a[g, m, i]
            for k in range(hit.shape[2]):
                if hit[g, m, k] < 0:
                    break
                by_d[active[g, hit[g, m, k]]] += value * d[g, m, k]
    return variance, pull, by_g, by_d


@njit(cache=True, no_cfunc_wrapper=True)
def _adjoint(a, d, z, d0, x, hit, active, sg, sd, pull, v0, l1, l2, ze, sigma):
    """What the mode's moves add: their predictor (G, M); sums for the groups' and shared scales, for x and sigma."""
    n_group, n_place, q = a.shape
    p = x.shape[2]
    s_eta = np.zeros((n_group, n_place))
    r_g, l_g = np.zeros((n_group, q)), np.zeros((n_group, q))
    r_d, l_d, by_x, by_sample = np.zeros(len(sd)), np.zeros(len(sd)), np.zeros(p), 0.0
    for g in range(n_group):
        for m in range(n_place):
            first, w = l1[g, m], -l2[g, m]
            if first == 0.0 and w == 0.0:
                continue
            total = _meeting(a, d, hit, active, sg, sd, g, m)
            de = 1.0 + sigma * sigma * w
            se = sigma * (pull[g, m] - w * total) / de
            s_eta[g, m] = total + sigma * se
            r = first + pull[g, m] - s_eta[g, m] * w
            by_sample += r * ze[g, m] + se * first - w * (sigma / de - sigma * w / de * v0[g, m] / de)
            for i in range(q):
                r_g[g, i] += r * z[g, m, i]
                l_g[g, i] += first * z[g, m, i]
            for k in range(hit.shape[2]):
                if hit[g, m, k] < 0:
                    break
                row = active[g, hit[g, m, k]]
                r_d[row] += r * d0[g, m, k]
                l_d[row] += first * d0[g, m, k]
            for i in range(p):
                by_x[i] += r * x[g, m, i]
    return s_eta, r_g, r_d, l_g, l_d, by_x, by_sample


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"reassoc", "contract"})
def _spreads(a, z, d, d0, hit, active, inverse, cross, corner, w):
    """Variance of every sample's predictor (G, M), and sums of weight times column times covariance.

    The covariance of the samples' predictors with the group effects is summed into (q, q) by the unscaled
    columns z, that with the shared effects into (D,) by d0.
    """
    n_group, n_place, q = a.shape
    n_active, n_hit, n_shared = active.shape[1], hit.shape[2], corner.shape[0]
    variance = np.zeros((n_group, n_place))
    by_group, by_shared = np.zeros((q, q)), np.zeros(n_shared)
    reach, with_corner = np.empty((q, n_active)), np.empty((q, n_active))
    middle, along, own = np.empty((q, q)), np.empty(q), np.empty((n_active, n_active))
    for g in range(n_group):
        n_met = 0
        while n_met < n_active and active[g, n_met] < n_shared:
            n_met += 1
        for i in range(q):
            for k in range(n_active):
                reach[i, k], with_corner[i, k] = 0.0, 0.0
            for j in range(q):
                by = inverse[g, i, j]
                for k in range(n_met):
                    reach[i, k] += by * cross[g, j, k]
        for k in range(n_met):
            row = active[g, k]
            for j in range(n_met):
                own[k, j] = corner[row, active[g, j]]
            for i in range(q):
                by = reach[i, k]
                for j in range(n_met):
                    with_corner[i, j] += by * own[k, j]
        for i in range(q):
            for j in range(q):
                total = inverse[g, i, j]
                for k in range(n_met):
                    total += with_corner[i, k] * reach[j, k]
                middle[i, j] = total  # covariance of the group's effects
        for m in range(n_place):
            if w[g, m] == 0.0:
                continue
            for i in range(q):
                total = 0.0
                for j in range(q):
                    total += middle[i, j] * a[g, m, j]
                for k in range(n_hit):
                    if hit[g, m, k] < 0:
                        break
                    total -= with_corner[i, hit[g, m, k]] * d[g, m, k]
                along[i] = total
                variance[g, m] += a[g, m, i] * total
            for i in range(q):
                by = w[g, m] * z[g, m, i]
                for j in range(q):
                    by_group[i, j] += by * along[j]
            for k in range(n_hit):
                at = hit[g, m, k]
                if at < 0:
                    break
                total = 0.0
                for j in range(n_hit):
                    if hit[g, m, j] < 0:
                        break
                    total += own[at, hit[g, m, j]] * d[g, m, j]
                for i in range(q):
                    total -= with_corner[i, at] * a[g, m, i]
                variance[g, m] += d[g, m, k] * total
                by_shared[active[g, at]] += w[g, m] * d0[g, m, k] * total
    return variance, by_group, by_shared


def find_mode(
    layout: Layout,
    family: Family,
    psi: Array,
    start: Mode | None = None,
    *,
    tolerance: float = _MODE_TOLERANCE,
    near: bool = False,
    gradient: bool = True,
) -> Mode:
    """Most probable effects, Laplace log-likelihood and its gradient.

    Parameters
    ----------
    layout, family
        The model; the family's samples are laid out as ``layout.rows``.
    psi : (P,) array
        Family parameters, fixed effects, log standard deviations and tilts.
    start : Mode, optional
        A mode nearby.
    tolerance : float
        Largest gradient left, relative to the largest slope of a sample.
    near : bool
        Whether ``start`` is so near that its factors still serve for steps.
    gradient : bool
        False leaves the gradient empty.

    Returns
    -------
    Mode
    """
    n_phi, p = family.n_parameters, layout.x.shape[2]
    phi, beta, theta = psi[:n_phi], psi[n_phi : n_phi + p], psi[n_phi + p :]
    scale_g, scale_d = group_scale(layout, theta), shared_scale(layout, theta)
    sigma = float(_exp(theta[-1])) if layout.sample_effect else 0.0
    base = layout.x @ beta
    n_shared, active, hit = len(scale_d), layout.active, layout.hit
    a = layout.z @ scale_g
    d = layout.d * np.append(scale_d, 0.0)[layout.met]
    n_group, n_place, q = a.shape
    if start is None:
        zg: Array = np.zeros((n_group, q))
        zd: Array = np.zeros(n_shared)
        ze: Array = np.zeros((n_group, n_place))
    else:
        zg, zd, ze = start.z_group, start.z_shared, start.z_sample

    def arrow(w: Array) -> _Arrow:
        fine, logdet, inverse, cross, corner = _eliminate(a, d, hit, active, w, n_shared)
        # LAPACK reads columns first: the transposed view of a lower triangle is an upper one, and nothing is copied.
        info = lapack.dpotrf(corner.T, lower=0, overwrite_a=1)[1] if n_shared else 0
        if info or not fine:
            raise np.linalg.LinAlgError("the curvature of the effects is not positive")
        return _Arrow(w, inverse, cross, corner, logdet + 2.0 * float(np.log(np.diag(corner)).sum()))

    def penalised(ll: Array, zg: Array, zd: Array, ze: Array) -> float:
        return float(0.5 * (np.vdot(zg, zg) + np.vdot(zd, zd) + np.vdot(ze, ze)) - ll.sum())

    eta = base + _linear(a, d, hit, active, zg, zd) + sigma * ze
    l0, l1, l2, l3 = family.value(eta, phi)
    height = penalised(l0, zg, zd, ze)
    converged = q + n_shared == 0 and sigma == 0.0
    factor = start.arrow if near and start is not None else None
    for _ in range(0 if converged else _INNER_STEPS):
        before = _NONE if factor is None else factor.weight
        weight, own, gg, gd, rg, rd, steep, top, moved = _pulled(a, d, hit, active, l1, l2, zg, zd, ze, sigma, before)
        steepest = max(np.abs(gg).max(initial=0), np.abs(gd).max(initial=0), steep)
        if steepest < tolerance * (1.0 + top):
            converged = True
            break
        # Weights that hardly moved since the last factors still give steps that shrink the error by as much.
        if factor is None or moved > 0.02 * factor.weight.max():
            factor = arrow(weight)
        step_g, step_d = _solved(factor.inverse, factor.cross, active, factor.corner_root, rg, rd)
        step_eta, step_e = _along(a, d, hit, active, step_g, step_d, own, l2, sigma)
        size = 1.0
        for _ in range(30):
            trial = (zg + size * step_g, zd + size * step_d, ze + size * step_e)
            eta_new = eta + size * step_eta
            values = family.value(eta_new, phi)
            height_new = penalised(values[0], *trial)
            if height_new <= height + 1e-12 * (1.0 + abs(height)):
                break
            size *= 0.5
        else:
            break
        if size < 1.0:
            factor = None
        (zg, zd, ze), eta, height = trial, eta_new, height_new
        l0, l1, l2, l3 = values

    w = -l2
    de = 1.0 + sigma**2 * w
    if factor is None or near or np.abs(w / de - factor.weight).max(initial=0) > 1e-14 * factor.weight.max(initial=0):
        factor = arrow(w / de)
    inverse, cross, corner = factor.inverse, factor.cross, factor.corner_root
    logdet = np.log(de).sum() + factor.logdet
    if n_shared:
        half = lapack.dpotri(corner.T, lower=0)[0].T  # its upper triangle is the root's, which is zero
        corner = half + half.T
        np.einsum("ii->i", corner)[:] *= 0.5
    loglik = float(-height - 0.5 * logdet)
    if not gradient:
        return Mode(eta, zg, zd, ze, factor, inverse, cross, corner, loglik, np.zeros(0), converged)

    # The adjoint: how the log-likelihood moves when the mode moves.
    v0, spread_g, spread_d = _spreads(a, layout.z, d, layout.d, hit, active, inverse, cross, corner, w / de)
    v, pull, rg, rd = _leaned(a, d, hit, active, l2, l3, v0, sigma, n_shared)
    sg, sd = _solved(factor.inverse, factor.cross, active, factor.corner_root, rg, rd)
    s_eta, r_g, r_d, l_g, l_d, by_x, by_sample = _adjoint(
        a, d, layout.z, layout.d, layout.x, hit, active, sg, sd, pull, v0, l1, l2, ze, sigma
    )
    by_group = r_g.T @ zg + l_g.T @ sg - spread_g
    by_shared = r_d * zd + l_d * sd - spread_d
    slope = np.concatenate(
        [
            family.gradient(eta, phi, s_eta, 0.5 * v),
            by_x,
            _sd_gradient(layout, theta, by_group, by_shared, by_sample),
        ]
    )
    return Mode(eta, zg, zd, ze, factor, inverse, cross, corner, loglik, slope, converged)


def quadrature_loglik(layout: Layout, family: Family, psi: Array, mode: Mode, n_nodes: int) -> float:
    """Log-likelihood by adaptive Gauss-Hermite quadrature for one effect per group.

    Nodes are centred at each group's mode and scaled by its curvature (Liu & Pierce 1994, Biometrika
    81:624-629, from memory).
    """
    n_phi, p = family.n_parameters, layout.x.shape[2]
    phi, beta, theta = psi[:n_phi], psi[n_phi : n_phi + p], psi[n_phi + p :]
    a = (layout.z @ group_scale(layout, theta))[:, :, 0]
    base = layout.x @ beta
    nodes, weights = np.polynomial.hermite.hermgauss(n_nodes)
    sd = np.sqrt(mode.inverse_group[:, 0, 0])
    terms = np.empty((n_nodes, len(sd)))
    for k in range(n_nodes):
        z = mode.z_group[:, 0] + np.sqrt(2.0) * sd * nodes[k]
        value = family.value(base + a * z[:, None], phi)[0].sum(1)
        terms[k] = value - 0.5 * z**2 + nodes[k] ** 2 + np.log(weights[k])
    top = terms.max(0)
    return float((top + np.log(np.exp(terms - top).sum(0)) + np.log(sd) - 0.5 * np.log(np.pi)).sum())


def fit_effects(
    layout: Layout,
    family: Family,
    start: Array,
    *,
    prior_mean: Array | None = None,
    prior_sd: Array | None = None,
    n_quadrature: int = 1,
    curvature: bool = True,
    exact: bool = True,
    close: float = 1e-3,
    start_covariance: Array | None = None,
) -> EffectsFit:
    """Maximise the (penalised) Laplace or quadrature likelihood.

    Parameters
    ----------
    layout : Layout
    family : Family
        With its samples in their original order; they are laid out here.
    start : (P,) array
        Start of family parameters, fixed effects, log standard deviations and tilts.
    prior_mean, prior_sd : (P,) arrays, optional
        Normal priors; an infinite sd is no prior.
    n_quadrature : int
        1 is Laplace; more needs one group effect, no shared and no sample effects.
    curvature : bool
        False leaves mode_slope empty and covariance as the search left it (for comparing likelihoods only).
    exact : bool
        False ends with Newton steps on a one-sided Hessian, made anew only where these do not settle: half the work,
        three to four digits of the standard errors.
    close : float
        Where not exact: rise of the log-likelihood that the search may leave to the Newton steps at its end.
    start_covariance : (P, P) array, optional
        A guess of the estimates' covariance, to scale the search by.

    Returns
    -------
    EffectsFit

    Raises
    ------
    ValueError
        If quadrature is asked of a model with more than one effect per group.
    """
    if n_quadrature > 1 and (layout.z.shape[2] != 1 or layout.d.shape[2] or layout.sample_effect):
        raise ValueError(
            f"n_quadrature is {n_quadrature}, expected 1 for a model with several random effects: "
            "keep one effect per group or use Laplace's method."
        )
    arranged = family.arranged(layout.rows)
    n_par = len(start)
    mean = np.zeros(n_par) if prior_mean is None else prior_mean
    weight = np.zeros(n_par) if prior_sd is None else 1.0 / prior_sd**2
    last: list[tuple[Array, Mode]] = []
    tolerance = _MODE_TOLERANCE if exact else _ROUGH_TOLERANCE

    def laplace(psi: Array) -> Mode:
        if not last:
            mode = find_mode(layout, arranged, psi, tolerance=tolerance)
        else:
            near = bool(np.abs(psi - last[0][0]).max(initial=0.0) < _NEAR)
            mode = find_mode(layout, arranged, psi, last[0][1], tolerance=tolerance, near=near)
        last[:] = [(psi, mode)]
        return mode

    def quadrature(psi: Array) -> float:
        return quadrature_loglik(layout, arranged, psi, laplace(psi), n_quadrature)

    def objective(psi: Array) -> tuple[float, Array]:
        away = psi - mean
        try:
            if n_quadrature == 1:
                mode = laplace(psi)
                value, slope = mode.loglik, mode.gradient
            else:
                value, slope = quadrature(psi), _slope(quadrature, psi)
        except np.linalg.LinAlgError:
            value, slope = -_WORST, np.zeros(n_par)
        if not (np.isfinite(value) and np.isfinite(slope).all()):  # a step too far: the search comes back
            value, slope = -_WORST, np.zeros(n_par)
        return -value + 0.5 * float(away @ (weight * away)), -slope + weight * away

    spread = np.eye(n_par) if start_covariance is None else 0.5 * (start_covariance + start_covariance.T)
    if n_par:
        # The first step is at most half a unit in any logarithm: spreads must not run away.
        first = np.delete(spread @ objective(start)[1], family.n_parameters + np.arange(layout.x.shape[2]))
        spread = spread * min(1.0, 0.5 / max(float(np.abs(first).max(initial=0.0)), 1e-12))
    covariance: Array = np.zeros((0, 0))
    mode_slope: Array = np.zeros((n_par, 0))
    if not n_par:
        psi = start
    elif exact or not curvature:
        from scipy import optimize  # half the time that scipy takes to load; a season's fit never comes here

        found = optimize.minimize(
            objective,
            start,
            jac=True,
            method="BFGS",
            options={"gtol": 1e-4 if exact else 1e-2, "maxiter": _OUTER_STEPS, "hess_inv0": spread},
        )
        psi, covariance = found.x, found.hess_inv
    else:  # the steps below take it to the end
        psi, _ = descend(objective, start, spread, np.inf, close)
    value, slope = objective(psi)
    for _ in range((6 if exact else 2) if curvature and n_par else 0):
        hessian, mode_slope = _hessian(layout, objective, psi, slope, last, central=exact)
        covariance = np.linalg.inv(_positive(hessian))
        if np.abs(slope).max() < 1e-8:
            break
        moved, left = 0.0, np.inf
        for _ in range(1 if exact else 3):
            step = covariance @ slope
            value_new, slope_new = objective(psi - step)
            if not value_new <= value + 1e-9 * (1.0 + abs(value)):
                break
            left, psi, value, slope = float(slope @ step), psi - step, value_new, slope_new
            moved = float(np.abs(step).max())
            if left < 1e-6:
                break
        if moved < 1e-3 or (not exact and left < 1e-5):
            break
    mode = laplace(psi)
    loglik = mode.loglik if n_quadrature == 1 else quadrature(psi)
    worst = float(np.abs(slope).max(initial=0.0))
    near = worst < 1e-2 or float(slope @ covariance @ slope) < 1e-4
    return EffectsFit(
        layout=layout,
        family=arranged,
        psi=psi,
        covariance=covariance,
        loglik=loglik,
        objective=-value,
        mode=mode,
        mode_slope=mode_slope,
        points=_points(layout, arranged, psi, covariance, prior_mean, prior_sd, mode, mode_slope) if curvature else (),
        prior_mean=mean,
        prior_sd=np.full(n_par, np.inf) if prior_sd is None else prior_sd,
        converged=bool(mode.converged and near),
        max_gradient=worst,
    )


def _slope(function: Callable[[Array], float], psi: Array, step: float = 1e-5) -> Array:
    out = np.empty(len(psi))
    for k in range(len(psi)):
        move = np.zeros(len(psi))
        move[k] = step
        out[k] = (function(psi + move) - function(psi - move)) / (2.0 * step)
    return out


def _scaled(layout: Layout, psi: Array, mode: Mode) -> Array:
    """Most probable effects in their own units, groups first, as one vector."""
    theta = psi[len(psi) - len(layout.sd_names) :]
    own = mode.z_group @ group_scale(layout, theta).T
    return np.concatenate([own.ravel(), shared_scale(layout, theta) * mode.z_shared])


def _hessian(
    layout: Layout,
    objective: Callable[[Array], tuple[float, Array]],
    psi: Array,
    slope: Array,
    last: list[tuple[Array, Mode]],
    *,
    central: bool,
) -> tuple[Array, Array]:
    """Hessian by differences of the gradient, and the slope of the mode on the way."""
    centre = last[0]
    step = 3e-5 if central else 1e-4
    base = (slope, _scaled(layout, psi, centre[1]))
    rows, moved = [], []
    for k in range(len(psi)):
        sides = [base]
        for sign in (1.0, -1.0) if central else (1.0,):
            move = np.zeros(len(psi))
            move[k] = sign * step
            last[:] = [centre]
            _, there = objective(psi + move)
            sides.append((there, _scaled(layout, psi + move, last[0][1])))
        up, down, width = (sides[1], sides[2], 2.0 * step) if central else (sides[1], base, step)
        rows.append((up[0] - down[0]) / width)
        moved.append((up[1] - down[1]) / width)
    last[:] = [centre]
    hessian = np.array(rows)
    return 0.5 * (hessian + hessian.T), np.array(moved)


def _positive(hessian: Array) -> Array:
    """Hessian with eigenvalues kept above a floor, so that a flat direction stays finite."""
    values, vectors = np.linalg.eigh(hessian)
    floor = 1e-6 * max(float(values.max(initial=1.0)), 1.0)
    return (vectors * np.maximum(values, floor)) @ vectors.T


def _points(
    layout: Layout,
    family: Family,
    psi: Array,
    covariance: Array,
    prior_mean: Array | None,
    prior_sd: Array | None,
    mode: Mode,
    mode_slope: Array,
) -> tuple[Point, ...]:
    """Solutions at standard deviations spread evenly over their normal approximation."""
    n_sd = len(layout.sd_names)
    first = len(psi) - n_sd
    own = covariance[first:, first:]
    moves = np.zeros((1, n_sd))
    if n_sd:
        noise = even_noise(N_POINTS, n_sd)
        moves = noise @ np.linalg.cholesky(own).T
        limit = np.minimum(_LIMIT_SD * np.sqrt(np.diag(own)), _MOST)
        moves = np.clip(moves, -limit, limit)
        if prior_sd is not None and prior_mean is not None:
            low = np.minimum(prior_mean - _LIMIT_SD * prior_sd - psi, 0.0)[first:]
            high = np.maximum(prior_mean + _LIMIT_SD * prior_sd - psi, 0.0)[first:]
            moves = np.clip(moves, low, high)
    follow = np.linalg.solve(own, covariance[first:, :first]) if n_sd else np.zeros((0, first))
    points = []
    centre, n_group = _scaled(layout, psi, mode), mode.z_group.size
    for move in moves:
        away = np.concatenate([move @ follow, move])
        moved = psi + away
        scale_g, scale_d = group_scale(layout, moved[first:]), shared_scale(layout, moved[first:])
        # The effects follow the parameters nearly straight: a step or two is left.
        ahead = centre + away @ mode_slope
        z_group = np.linalg.solve(scale_g, ahead[:n_group].reshape(mode.z_group.shape).T).T
        begin = replace(mode, z_group=np.ascontiguousarray(z_group), z_shared=ahead[n_group:] / scale_d)
        try:
            there = find_mode(layout, family, moved, begin, tolerance=_POINT_TOLERANCE, gradient=False)
        except np.linalg.LinAlgError:  # a set of standard deviations without a solution: the estimate itself
            there, moved = mode, psi
            scale_g, scale_d = group_scale(layout, psi[first:]), shared_scale(layout, psi[first:])
        points.append(
            Point(
                psi=moved,
                group=there.z_group @ scale_g.T,
                shared=scale_d * there.z_shared,
                group_root=scale_g @ np.linalg.cholesky(there.inverse_group),
                reach=scale_g @ there.inverse_group @ there.cross,
                shared_root=np.linalg.cholesky(there.corner_inverse),
                group_scale=scale_g,
                shared_scale=scale_d,
            )
        )
    return tuple(points)


def draw_effects(fit: EffectsFit, n: int, rng: np.random.Generator) -> EffectsDraws:
    """Draw standard deviations, then the other parameters given them, then the effects given both.

    Parameters
    ----------
    fit : EffectsFit
        Fitted with curvature.
    n : int
        Draws K.
    rng : numpy.random.Generator

    Returns
    -------
    EffectsDraws
        All draws of one point share its standard deviations.
    """
    layout = fit.layout
    n_group, q = fit.mode.z_group.shape
    n_shared, n_psi = len(fit.mode.z_shared), len(fit.psi)
    first = n_psi - len(layout.sd_names)
    given = fit.covariance[:first, :first]
    if len(layout.sd_names):
        across = fit.covariance[first:, :first]
        given = given - across.T @ np.linalg.solve(fit.covariance[first:, first:], across)
    root = np.linalg.cholesky(_positive(given)) if first else given
    away = np.clip(rng.standard_normal((n, first)), -4.0, 4.0) @ root.T
    n_phi = fit.family.n_parameters  # logarithms, but for a first threshold
    away[:, :n_phi] = np.clip(away[:, :n_phi], -10.0, 10.0)
    noise_d = rng.standard_normal((n, n_shared))
    noise_g = rng.standard_normal((n, n_group, q))
    out = EffectsDraws(
        psi=np.empty((n, n_psi)),
        group=np.empty((n, n_group, q)),
        shared=np.empty((n, n_shared)),
        group_scale=np.empty((n, q, q)),
        shared_scale=np.empty((n, n_shared)),
    )
    for point, k in zip(fit.points, np.array_split(rng.permutation(n), len(fit.points)), strict=True):
        moved = away[k] @ fit.mode_slope[:first] if first else np.zeros((len(k), n_group * q + n_shared))
        white_d = noise_d[k] @ point.shared_root.T
        met = np.hstack([white_d, np.zeros((len(k), 1))])[:, layout.active]
        out.psi[k] = point.psi
        out.psi[k, :first] += away[k]
        out.shared[k] = point.shared + white_d * point.shared_scale + moved[:, n_group * q :]
        own = (point.group_root @ noise_g[k].transpose(1, 2, 0) - point.reach @ met.transpose(1, 2, 0)).transpose(
            2, 0, 1
        )
        out.group[k] = point.group + own + moved[:, : n_group * q].reshape(-1, n_group, q)
        out.group_scale[k] = point.group_scale
        out.shared_scale[k] = point.shared_scale
    return out


@dataclass(frozen=True)
class NormalFamily:
    """Normal samples with one standard deviation, divided by the root of a weight.

    The parameter is the log of the standard deviation. ``y`` and ``weight`` have one entry per sample.
    """

    y: Array
    weight: Array
    n_parameters: int = 1

    def value(self, eta: Array, phi: Array) -> tuple[Array, Array, Array, Array]:
        """See Family.value."""
        w = self.weight * np.exp(-2.0 * phi[0])
        away = self.y - eta
        seen = self.weight > 0
        constant = np.where(seen, 0.5 * np.log(np.where(seen, w, 1.0) / (2.0 * np.pi)), 0.0)
        return constant - 0.5 * w * away**2, w * away, -w, np.zeros_like(w)

    def gradient(self, eta: Array, phi: Array, a: Array, b: Array) -> Array:
        """See Family.gradient."""
        w = self.weight * np.exp(-2.0 * phi[0])
        away = self.y - eta
        total = ((self.weight > 0) * -1.0 + w * away**2 - 2.0 * a * w * away + 2.0 * b * w).sum()
        return np.array([total])

    def arranged(self, rows: NDArray[np.intp]) -> NormalFamily:
        """See Family.arranged."""
        empty = rows < 0
        return replace(self, y=np.where(empty, 0.0, self.y[rows]), weight=np.where(empty, 0.0, self.weight[rows]))
