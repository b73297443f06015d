"""Most probable effects of many groups at once, and the Laplace-approximated likelihood with its exact gradient.

The unknowns of the inner system are the effects of every group (block) and a border shared by the groups of a
problem (the cultivar's own curve, the weeks). Their curvature is shaped like an arrow: groups are eliminated in
one batch, then each problem's small border is solved. Newton's method finds the modes; the likelihood is then
differentiated through them, so that an outer quasi-Newton search needs few steps. The curvature in the
approximation is Gauss-Newton, as in lme4's nlmer, and therefore never indefinite.

References
----------
.. [1] Kristensen et al. (2016), TMB: automatic differentiation and Laplace approximation, J. Stat. Software 70(5),
   for the derivative through the mode. From memory; checked against differences in the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.special import gammaln, log_ndtr, ndtri

Array = NDArray[np.floating]
Ints = NDArray[np.intp]
Evaluate = Callable[[Array], tuple[Array, Array, Array | None]]  # no second derivatives on tangents
LOG_2PI = float(np.log(2 * np.pi))


def even_points(n: int, size: int) -> Array:
    """Scrambled Sobol points between 0 and 1, (n, size): the same ones at every call.

    The first 16 points of 1 to 24 numbers stand in a file (30 bits each, one size after the other): making them takes
    scipy.stats, whose loading takes as long as a small fit. A test compares both.
    """
    if n <= 16 and 1 <= size <= 24:
        first = size * (size - 1) // 2
        kept: Array = np.load(Path(__file__).with_name("even_points.npy"))[:n, first : first + size] / 2.0**30
        return kept
    from scipy.stats import qmc

    points: Array = qmc.Sobol(size, rng=1).random(n)
    return points


def even_noise(n: int, size: int) -> Array:
    """Standard normal numbers spread evenly, (n, size): the same ones at every call.

    The points of `even_points`, moved and turned so that their mean is 0 and their covariance the identity, exactly:
    whatever is linear or quadratic in them averages out without error. With as many numbers as points, or more, means
    are 0 and variances 1; one point alone is the middle.
    """
    noise: Array = ndtri(even_points(n, size))
    noise -= noise.mean(axis=0)
    if n > size:
        left, _, right = np.linalg.svd(noise, full_matrices=False)
        noise = np.sqrt(n) * left @ right
    elif n > 1:
        noise /= noise.std(axis=0)
    return noise


# --- errors: rho(r) and its derivatives ------------------------------------------------------------------------


class Loss(NamedTuple):
    """Loss of standardised residuals: rho, rho', rho'', the curvature kappa used in the approximation, kappa'."""

    rho: Array
    slope: Array
    bend: Array
    kappa: Array
    kappa_slope: Array


def loss_of(r: Array, nu: float | None) -> Loss:
    """Give the loss of residuals: normal when `nu` is None, else Student with `nu` degrees of freedom."""
    if nu is None:
        one = np.ones_like(r)
        return Loss(0.5 * r * r, r, one, one, np.zeros_like(r))
    # Student: the weight (nu+1)/(nu+r2) averages 1; times (nu+1)/(nu+3) it averages the Fisher information, and an
    # outlier adds next to nothing to what is known of its group
    square, scale = r * r, (nu + 1) ** 2 / (nu + 3)
    part = 1.0 / (nu + square)
    slope = (nu + 1) * r * part
    kappa = scale * part
    return Loss(
        0.5 * (nu + 1) * np.log1p(square / nu),
        slope,
        (nu + 1) * (nu - square) * (part * part),
        kappa,
        -2 * r * part * kappa,
    )


def censored(loss: Loss, r: Array, below: NDArray[np.bool_]) -> Loss:
    """Loss with ``-log P(error < r)`` where only a limit is known that the observation lies below (normal error)."""
    z = r[below]
    ratio = np.exp(-0.5 * z * z - 0.5 * LOG_2PI - log_ndtr(z))
    bend = ratio * (z + ratio)
    ratio_slope = -bend
    parts = (-log_ndtr(z), -ratio, bend, bend, ratio_slope * (z + 2 * ratio) + ratio)
    out = Loss(*(np.array(part) for part in loss))
    for whole, part in zip(out, parts, strict=True):
        whole[below] = part
    return out


def log_constant(nu: float | None) -> float:
    """Negative log density at zero of the standardised error."""
    if nu is None:
        return 0.5 * LOG_2PI
    return float(0.5 * np.log(nu * np.pi) + gammaln(nu / 2) - gammaln((nu + 1) / 2))


# --- layout of the data ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Layout:
    """Where each observation belongs. Problems (cultivars) hold groups (blocks), groups hold slots (seasons).

    The curve parameters of observation j are ``phi0 + border[problem, slot] + group effect[group, slot]``; its
    expected value gets the level effect of its week added. Observations are sorted by cell = (group, slot).
    """

    size: int  # curve parameters P
    random: Ints  # those that vary between groups, q
    slots: int
    groups: int
    problems: int
    levels: int  # level effects per problem (0: none)
    border_curve: bool  # whether the problem's own curve parameters are unknowns of the inner system
    group_problem: Ints  # (groups,), ascending
    cell: Ints  # (N,)
    cell_group: Ints
    cell_slot: Ints
    week: Ints  # (N,), index within its problem
    obs_group: Ints = field(init=False)
    obs_slot: Ints = field(init=False)
    obs_problem: Ints = field(init=False)
    first_group: Ints = field(init=False)  # (problems + 1,)
    group_obs: Ints = field(init=False)  # (groups + 1,)
    met: Ints = field(init=False)  # border unknowns that each group meets, rising, one group after the other
    first_met: Ints = field(init=False)  # (groups + 1,)
    slot_met: Ints = field(init=False)  # (groups, slots), place of a slot's curve parameters in its group's list
    week_met: Ints = field(init=False)  # (N,), place of an observation's week there

    def __post_init__(self) -> None:
        put = lambda name, value: object.__setattr__(self, name, value)  # noqa: E731 (frozen dataclass)
        put("obs_group", self.cell_group[self.cell])
        put("obs_slot", self.cell_slot[self.cell])
        put("obs_problem", self.group_problem[self.obs_group])
        edges = np.arange(self.problems + 1)
        put("first_group", np.searchsorted(self.group_problem, edges))
        put("group_obs", np.searchsorted(self.obs_group, np.arange(self.groups + 1)))
        curve = (self.cell_slot[:, None] * self.size + np.arange(self.curve_border // self.slots)) + (
            self.cell_group * self.border
        )[:, None]
        weeks = self.obs_group * self.border + self.curve_border + self.week
        keys = np.unique(np.concatenate([curve.ravel(), weeks if self.levels else weeks[:0]]))
        first = np.searchsorted(keys, np.arange(self.groups + 1) * self.border)
        put("met", keys - np.repeat(np.arange(self.groups), np.diff(first)) * self.border)
        put("first_met", first)
        put("slot_met", np.zeros((self.groups, self.slots), np.intp))
        if self.border_curve:
            at = np.searchsorted(keys, curve[:, 0]) - first[self.cell_group]
            self.slot_met[self.cell_group, self.cell_slot] = at
        put("week_met", np.searchsorted(keys, weeks) - first[self.obs_group])

    @property
    def inner(self) -> int:
        """Unknowns per group."""
        return self.slots * len(self.random)

    @property
    def curve_border(self) -> int:
        """Border unknowns that are curve parameters."""
        return self.slots * self.size if self.border_curve else 0

    @property
    def border(self) -> int:
        """Border unknowns per problem: curve parameters per slot, then levels."""
        return self.curve_border + self.levels

    def by_problem(self, values: Array, first: Ints) -> Array:
        """Sum rows of values per problem."""
        if self.problems == 1:
            return values.sum(axis=0, keepdims=True)
        sums = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
        return sums[first[1:]] - sums[first[:-1]]

    def at_observations(self, phi0: Array, inner: Array, border: Array) -> tuple[Array, Array]:
        """Curve parameters (N, P) and level effect (N,) of every observation."""
        phi, level = _at_observations(
            phi0,
            np.ascontiguousarray(inner),
            np.ascontiguousarray(border),
            self.obs_slot,
            self.week,
            self.group_obs,
            self.group_problem,
            self.random,
            self.curve_border,
            self.levels,
        )
        return phi.T, level

    def spread(self, vectors: Array, values: Array) -> tuple[Array, Array]:
        """Sum curve-parameter vectors (N, P) and level values (N,) into (groups, inner) and (problems, border)."""
        return _spread(
            np.ascontiguousarray(vectors),
            values,
            self.obs_slot,
            self.week,
            self.group_obs,
            self.group_problem,
            self.random,
            self.slots,
            self.problems,
            self.curve_border,
            self.levels,
        )


@njit(cache=True, no_cfunc_wrapper=True)
def _at_observations(phi0, inner, border, obs_slot, week, group_obs, group_problem, random, curve, levels):
    size, q = len(phi0), len(random)
    phi, level = np.empty((size, len(obs_slot))), np.zeros(len(obs_slot))  # every parameter in one piece
    own, last = np.empty(size), -1
    for g in range(len(group_obs) - 1):
        p, last = group_problem[g], -1
        for n in range(group_obs[g], group_obs[g + 1]):
            slot = obs_slot[n]
            if slot != last:
                last = slot
                for i in range(size):
                    own[i] = phi0[i]
                    if curve:
                        own[i] += border[p, slot * size + i]
                for i in range(q):
                    own[random[i]] += inner[g, slot * q + i]
            for i in range(size):
                phi[i, n] = own[i]
            if levels:
                level[n] = border[p, curve + week[n]]
    return phi, level


@njit(cache=True, no_cfunc_wrapper=True)
def _spread(vectors, values, obs_slot, week, group_obs, group_problem, random, slots, problems, curve, levels):
    groups, size, q = len(group_obs) - 1, vectors.shape[1], len(random)
    inner = np.zeros((groups, slots * q))
    border = np.zeros((problems, curve + levels))
    for g in range(groups):
        p = group_problem[g]
        for n in range(group_obs[g], group_obs[g + 1]):
            slot = obs_slot[n]
            for i in range(q):
                inner[g, slot * q + i] += vectors[n, random[i]]
            if curve:
                for i in range(size):
                    border[p, slot * size + i] += vectors[n, i]
            if levels:
                border[p, curve + week[n]] += values[n]
    return inner, border


def layout_of(
    group: Ints,
    slot: Ints,
    week: Ints | None,
    *,
    size: int,
    random: Sequence[int],
    slots: int,
    group_problem: Ints,
    problems: int,
    levels: int,
    border_curve: bool,
) -> Layout:
    """Build the layout of observations sorted by (group, slot)."""
    key = group * slots + slot
    cells, cell = np.unique(key, return_inverse=True)
    return Layout(
        size=size,
        random=np.asarray(random, np.intp),
        slots=slots,
        groups=len(group_problem),
        problems=problems,
        levels=levels,
        border_curve=border_curve,
        group_problem=np.asarray(group_problem, np.intp),
        cell=cell.astype(np.intp),
        cell_group=cells // slots,
        cell_slot=cells % slots,
        week=np.zeros(len(group), np.intp) if week is None else np.asarray(week, np.intp),
    )


# --- the arrow-shaped system -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Arrow:
    """Factor of the inner system: groups eliminated one by one (batched), then each problem's border."""

    layout: Layout
    a_inv: Array  # (groups, D, D)
    reach: Array  # A^-1 C, (groups, D, border)
    corner_root: Array  # lower Cholesky factor of the Schur complement, (problems, border, border)
    logdet: Array  # (problems,)

    @cached_property
    def s_inv(self) -> Array:
        """Inverse of the Schur complement, (problems, border, border)."""
        out = np.empty_like(self.corner_root)
        # LAPACK reads columns first: the transposed view of a lower triangle is an upper one, and nothing is copied.
        for p, root in enumerate(self.corner_root if self.layout.border else ()):
            half = lapack.dpotri(root.T, lower=0)[0].T  # its upper triangle is the root's, which is zero
            np.add(half, half.T, out=out[p])
            np.einsum("ii->i", out[p])[:] *= 0.5
        return out

    def border_root(self) -> Array:
        """Return a root of the border's covariance, (problems, border, border)."""
        out = np.empty_like(self.corner_root)
        for p, root in enumerate(self.corner_root):
            out[p] = lapack.dtrtri(root.T, lower=0)[0]  # its lower triangle is the root's upper, which is zero
        return out

    def solve(self, inner: Array, border: Array) -> tuple[Array, Array]:
        """Solve for right-hand sides (groups, D) and (problems, border)."""
        layout = self.layout
        inner, border = np.ascontiguousarray(inner), np.ascontiguousarray(border)
        where = layout.group_problem, layout.met, layout.first_met
        return _solve(self.a_inv, self.reach, self.corner_root, *where, inner, border)

    def covariance(self) -> tuple[Array, Array]:
        """Covariance of group effects (groups, D, D), and of group with border (groups, D, border)."""
        layout = self.layout
        if not layout.border:
            return self.a_inv, self.reach
        cross = np.empty_like(self.reach)
        for p, inverse in enumerate(self.s_inv):
            part = slice(layout.first_group[p], layout.first_group[p + 1])
            cross[part] = (self.reach[part].reshape(-1, layout.border) @ -inverse).reshape(cross[part].shape)
        return self.a_inv - np.matmul(cross, np.swapaxes(self.reach, 1, 2)), cross


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc"})
def solve_root(root, z):
    """Solve ``root root' x = z`` in place, root (n, n) lower, z (n,): LAPACK's dpotrs where compiled code needs it."""
    for k in range(len(z)):
        value = z[k]
        for j in range(k):
            value -= root[k, j] * z[j]
        z[k] = value / root[k, k]
    for k in range(len(z) - 1, -1, -1):
        value = z[k] / root[k, k]
        z[k] = value
        for j in range(k):
            z[j] -= root[k, j] * value


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc", "nsz"})
def _solve(a_inv, reach, corner_root, group_problem, met, first_met, inner, border):
    """Solve the arrow: groups by themselves, what is left by the border, and back."""
    x, z = np.zeros_like(inner), border.copy()
    for g in range(inner.shape[0]):
        p = group_problem[g]
        for i in range(inner.shape[1]):
            value = inner[g, i]
            for j in range(inner.shape[1]):
                x[g, j] += a_inv[g, i, j] * value
            for k in range(first_met[g], first_met[g + 1]):
                z[p, met[k]] -= value * reach[g, i, met[k]]
    for p in range(z.shape[0]):
        solve_root(corner_root[p], z[p])
    for g in range(inner.shape[0]):
        p = group_problem[g]
        for i in range(inner.shape[1]):
            total = 0.0
            for k in range(first_met[g], first_met[g + 1]):
                total += reach[g, i, met[k]] * z[p, met[k]]
            x[g, i] -= total
    return x, z


def log_det(matrices: Array) -> Array:
    """Log determinants of a stack of positive definite matrices; raises LinAlgError on any other."""
    factor = np.linalg.cholesky(matrices)
    return 2 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)


@njit(cache=True, no_cfunc_wrapper=True, no_cpython_wrapper=True)  # only compiled functions call it
def invert(a, out):
    """Write the inverse of a small positive definite matrix into `out`; log determinant, NaN when not positive.

    Only the lower triangle of `a` is read; it is used up.
    """
    size, logdet = a.shape[0], 0.0
    for j in range(size):
        for k in range(j):
            a[j, j] -= a[j, k] * a[j, k]
        if not a[j, j] > 0.0:
            return np.nan
        a[j, j] = np.sqrt(a[j, j])
        logdet += 2.0 * np.log(a[j, j])
        for i in range(j + 1, size):
            for k in range(j):
                a[i, j] -= a[i, k] * a[j, k]
            a[i, j] /= a[j, j]
    for j in range(size):  # inverse of the root
        a[j, j] = 1.0 / a[j, j]
        for i in range(j + 1, size):
            total = 0.0
            for k in range(j, i):
                total -= a[i, k] * a[k, j]
            a[i, j] = total / a[i, i]
    for i in range(size):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, size):
                total += a[k, i] * a[k, j]
            out[i, j] = total
            out[j, i] = total
    return logdet


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc", "nsz"})
def _eliminate(
    gradient,
    weight,
    bend,
    obs_slot,
    group_obs,
    group_problem,
    met,
    first_met,
    slot_met,
    week_met,
    random,
    q_inner,
    q_border,
    curve,
    levels,
):
    """Inverse, log determinant and reach of every group, and the corner (lower triangle) once they are out of it.

    Compiled: a loop over observations costs less here than numpy's passes over stacks of very small matrices. A
    group meets few of the border's unknowns, so only these are walked.
    """
    groups, size, q, inner = len(group_obs) - 1, gradient.shape[1], len(random), q_inner.shape[0]
    border = q_border.shape[1]
    a_inv = np.empty((groups, inner, inner))
    reach = np.zeros((groups, inner, border))
    logdet = np.empty(groups)
    corner = q_border.copy()
    a = np.empty((inner, inner))
    outer = np.empty((size, size))
    most = 0
    for g in range(groups):
        most = max(most, first_met[g + 1] - first_met[g])
    c, solved, part = np.empty((inner, most)), np.empty((inner, most)), np.empty((most, most))
    bent = bend.shape[0] > 0
    slots = inner // q if q else 0
    low, high, met_own = np.empty(slots, np.intp), np.empty(slots, np.intp), np.empty(slots, np.bool_)
    for g in range(groups):
        p, n_met = group_problem[g], first_met[g + 1] - first_met[g]
        for i in range(inner):
            for j in range(inner):
                a[i, j] = q_inner[i, j]
            for k in range(n_met):
                c[i, k], solved[i, k] = 0.0, 0.0
        for k in range(n_met):
            for j in range(k + 1):
                part[k, j] = 0.0
        for s in range(slots):
            low[s], high[s], met_own[s] = n_met, 0, False
        n, end = group_obs[g], group_obs[g + 1]
        while n < end:  # one cell after the other: its sum of squares serves three places
            slot = obs_slot[n]
            own, first, least, beyond = slot_met[g, slot], slot * q, n_met, 0
            for i in range(size):
                for j in range(i + 1):
                    outer[i, j] = 0.0
            while n < end and obs_slot[n] == slot:
                w, at = weight[n], week_met[n]
                for i in range(size):
                    along = w * gradient[n, i]
                    for j in range(i + 1):
                        outer[i, j] += along * gradient[n, j]
                    if levels and curve:
                        part[at, own + i] += along
                if bent:
                    for i in range(size):
                        for j in range(i + 1):
                            outer[i, j] += bend[n, i, j]
                if levels:
                    for i in range(q):
                        c[first + i, at] += w * gradient[n, random[i]]
                    part[at, at] += w
                    least, beyond = min(least, at), max(beyond, at + 1)
                n += 1
            for i in range(size):
                for j in range(i):
                    outer[j, i] = outer[i, j]
            for i in range(q):
                for j in range(q):
                    a[first + i, first + j] += outer[random[i], random[j]]
                if curve:
                    for j in range(size):
                        c[first + i, own + j] += outer[random[i], j]
            if curve:
                for i in range(size):
                    for j in range(i + 1):
                        part[own + i, own + j] += outer[i, j]
            if slots:
                low[slot], high[slot], met_own[slot] = least, beyond, curve > 0
        logdet[g] = invert(a, a_inv[g])
        if not np.isfinite(logdet[g]):
            return False, a_inv, reach, logdet, corner
        for s in range(slots):  # a slot's effects meet its own curve and weeks only
            own = slot_met[g, s]
            for i in range(inner):
                for j in range(s * q, s * q + q):
                    share = a_inv[g, i, j]
                    if met_own[s]:
                        for k in range(own, own + size):
                            solved[i, k] += share * c[j, k]
                    for k in range(low[s], high[s]):
                        solved[i, k] += share * c[j, k]
        for i in range(inner):
            for k in range(n_met):
                reach[g, i, met[first_met[g] + k]] = solved[i, k]
        for k in range(n_met):
            for i in range(inner):
                share = c[i, k]
                if share != 0.0:
                    for j in range(k + 1):
                        part[k, j] -= share * solved[i, j]
            row = met[first_met[g] + k]
            for j in range(k + 1):
                corner[p, row, met[first_met[g] + j]] += part[k, j]
    return True, a_inv, reach, logdet, corner


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc", "nsz"})
def _lean(
    gradient,
    hessian,
    slope,
    weight,
    weight_slope,
    sigma_slope,
    obs_slot,
    group_obs,
    group_problem,
    met,
    first_met,
    slot_met,
    week_met,
    random,
    a_inv,
    reach,
    s_inv,
    curve,
    levels,
):
    """Slope of half the log determinant by effects and border, and what goes with it.

    Gives the sum of the groups' covariances, the slope by ``phi0`` (that of the loss with it), the share of log sigma,
    the slopes by the effects of every group and by the border. `weight_slope` is how an observation's weight moves with
    its expected value, `sigma_slope` how it and its residual move with log sigma.
    """
    groups, size, q, inner = len(group_obs) - 1, gradient.shape[1], len(random), a_inv.shape[1]
    total, by_phi, by_sigma = np.zeros((inner, inner)), np.zeros(size), 0.0
    by_inner, by_border = np.zeros((groups, inner)), np.zeros((s_inv.shape[0], s_inv.shape[1]))
    most = 0
    for g in range(groups):
        most = max(most, first_met[g + 1] - first_met[g])
    out, cross, cov = np.empty((inner, most)), np.empty((inner, most)), np.empty((inner, inner))
    corner = np.empty((most, most))
    own_cov, with_week, along, pull = np.empty((size, size)), np.empty(size), np.empty(size), np.empty(size)
    for g in range(groups):
        p, begin = group_problem[g], first_met[g]
        n_met = first_met[g + 1] - begin
        for i in range(inner):
            for k in range(n_met):
                out[i, k], cross[i, k] = reach[g, i, met[begin + k]], 0.0
        for k in range(n_met):
            row = met[begin + k]
            for j in range(n_met):
                corner[k, j] = s_inv[p, row, met[begin + j]]
            for i in range(inner):
                share = out[i, k]
                for j in range(n_met):
                    cross[i, j] -= share * corner[k, j]
        for i in range(inner):
            for j in range(i + 1):
                value = a_inv[g, i, j]
                for k in range(n_met):
                    value -= cross[i, k] * out[j, k]
                cov[i, j], cov[j, i] = value, value
        for i in range(inner):
            for j in range(inner):
                total[i, j] += cov[i, j]
        last, own, first = -1, 0, 0
        for n in range(group_obs[g], group_obs[g + 1]):
            slot, at = obs_slot[n], week_met[n]
            if slot != last:  # covariance of the curve parameters of a cell
                last, own, first = slot, slot_met[g, slot], slot * q
                for i in range(size):
                    for j in range(size):
                        own_cov[i, j] = corner[own + i, own + j] if curve else 0.0
                for i in range(q):
                    for j in range(q):
                        own_cov[random[i], random[j]] += cov[first + i, first + j]
                    if curve:
                        for j in range(size):
                            own_cov[random[i], j] += cross[first + i, own + j]
                            own_cov[j, random[i]] += cross[first + i, own + j]
            variance = 0.0
            for i in range(size):
                with_week[i] = corner[own + i, at] if curve and levels else 0.0
            if levels:
                variance = corner[at, at]
                for i in range(q):
                    with_week[random[i]] += cross[first + i, at]
            for i in range(size):
                value = with_week[i]
                for j in range(size):
                    value += own_cov[i, j] * gradient[n, j]
                along[i] = value
                variance += gradient[n, i] * (value + with_week[i])
            push = 0.5 * weight_slope[n] * variance
            by_sigma += 0.5 * sigma_slope[n] * variance
            for i in range(size):
                value = 0.0
                for j in range(size):
                    value += hessian[n, i, j] * along[j]
                pull[i] = push * gradient[n, i] + weight[n] * value
                by_phi[i] += pull[i] + slope[n] * gradient[n, i]
                if curve:
                    by_border[p, last * size + i] += pull[i]
            for i in range(q):
                by_inner[g, first + i] += pull[random[i]]
            if levels:
                by_border[p, met[begin + at]] += push
    return total, by_phi, by_sigma, by_inner, by_border


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc", "nsz"})
def _bent(
    gradient, hessian, slope, bend, sigma_pull, obs_slot, week, group_obs, group_problem, random, x, z, curve, levels
):
    """Exact curvature of the observations times effects (x, z); their pull on ``phi0`` and on log sigma."""
    groups, size, q = len(group_obs) - 1, gradient.shape[1], len(random)
    by_inner, by_border, by_phi, by_sigma = np.zeros(x.shape), np.zeros(z.shape), np.zeros(size), 0.0
    phi = np.empty(size)
    for g in range(groups):
        p = group_problem[g]
        for n in range(group_obs[g], group_obs[g + 1]):
            slot = obs_slot[n]
            for i in range(size):
                phi[i] = z[p, slot * size + i] if curve else 0.0
            for i in range(q):
                phi[random[i]] += x[g, slot * q + i]
            value = z[p, curve + week[n]] if levels else 0.0
            for i in range(size):
                value += gradient[n, i] * phi[i]
            pull = bend[n] * value
            by_sigma += sigma_pull[n] * value
            if levels:
                by_border[p, curve + week[n]] += pull
            for i in range(size):
                one = 0.0
                for j in range(size):
                    one += hessian[n, i, j] * phi[j]
                one = pull * gradient[n, i] + slope[n] * one
                by_phi[i] += one
                if curve:
                    by_border[p, slot * size + i] += one
                for k in range(q):
                    if random[k] == i:
                        by_inner[g, slot * q + k] += one
    return by_inner, by_border, by_phi, by_sigma


_STRAIGHT = np.zeros((0, 1, 1))


def factor(
    layout: Layout,
    gradient: Array,
    weight: Array,
    bend: Array | None,
    q_inner: Array,
    q_border: Array,
) -> Arrow:
    """Assemble and factor ``sum_j weight_j a_j a_j' (+ bend) + priors``; raises LinAlgError when not positive."""
    fine, a_inv, reach, by_group, corner = _eliminate(
        np.ascontiguousarray(gradient),
        np.ascontiguousarray(weight),
        _STRAIGHT if bend is None else np.ascontiguousarray(bend),
        layout.obs_slot,
        layout.group_obs,
        layout.group_problem,
        layout.met,
        layout.first_met,
        layout.slot_met,
        layout.week_met,
        layout.random,
        np.ascontiguousarray(q_inner),
        np.ascontiguousarray(q_border),
        layout.curve_border,
        layout.levels,
    )
    if not fine:
        raise np.linalg.LinAlgError("the curvature of a group is not positive")
    logdet = layout.by_problem(by_group, layout.first_group)
    if not layout.border:
        return Arrow(layout, a_inv, reach, corner, logdet)
    for each in corner:  # in its own place, see s_inv
        _, info = lapack.dpotrf(each.T, lower=0, overwrite_a=1)
        if info:
            raise np.linalg.LinAlgError("the curvature of the border is not positive")
    logdet += 2 * np.log(np.diagonal(corner, axis1=1, axis2=2)).sum(axis=1)
    return Arrow(layout, a_inv, reach, corner, logdet)


# --- modes and the approximated likelihood ---------------------------------------------------------------------


@dataclass(frozen=True)
class Problem:
    """Data of one engine call: layout, expected values and their derivatives, observations, loss."""

    layout: Layout
    evaluate: Evaluate  # (N, P) -> value (N,), gradient (N, P), hessian (N, P, P)
    y: Array
    weight: Array  # replicates: the error variance is sigma^2 / weight
    nu: float | None
    below: NDArray[np.bool_] | None = None  # observations known only to lie below y, with a normal error

    @cached_property
    def seen(self) -> Array:
        """1 for a value, 0 for a limit."""
        return np.ones(len(self.y)) if self.below is None else 1.0 - self.below

    @cached_property
    def root_weight(self) -> Array:
        """Root of the replicates."""
        return np.sqrt(self.weight)

    @cached_property
    def seen_by_problem(self) -> tuple[Array, Array]:
        """Number of values, and sum of the logarithms of their root weights, of each problem."""
        layout = self.layout
        logs = self.seen * np.log(self.root_weight)
        return (
            np.bincount(layout.obs_problem, self.seen, layout.problems).astype(float),
            np.bincount(layout.obs_problem, logs, layout.problems).astype(float),
        )


class Known(NamedTuple):
    """What goes with the precisions of an `Outer` where it is known in closed form."""

    inner: Array  # covariance of the effects of a group, (D, D)
    log_inner: float  # log determinant of its inverse
    border: Array  # covariance of the border's curve parameters, (problems, curve border, curve border)
    log_border: Array  # (problems,), log determinant of its inverse


@dataclass(frozen=True)
class Outer:
    """Outer quantities of one engine call."""

    phi0: Array
    q_inner: Array
    q_border: Array  # (problems, border, border); zero rows for flat directions, levels apart from all else
    mean_border: Array  # (problems, border)
    log_sigma: float
    known: Known | None = None


@dataclass(frozen=True)
class Modes:
    """Most probable effects and what was computed there."""

    inner: Array
    border: Array
    penalised: Array  # h per problem
    gradient: Array
    hessian: Array
    residual: Array  # standardised
    loss: Loss
    converged: bool
    near: Arrow | None = None  # factors with the exact curvature of a place nearby


def _state(problem: Problem, outer: Outer, inner: Array, border: Array) -> tuple:
    layout = problem.layout
    phi, level = layout.at_observations(outer.phi0, inner, border)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient, hessian = problem.evaluate(phi)
        root_w = problem.root_weight * np.exp(-outer.log_sigma)
        r = (problem.y - value - level) * root_w
        loss = loss_of(r, problem.nu)
        if problem.below is not None:
            loss = censored(loss, r, problem.below)
        seen, logs = problem.seen_by_problem
        fit = np.bincount(layout.obs_problem, loss.rho, layout.problems) + seen * outer.log_sigma - logs
        away = border - outer.mean_border
        push_inner = inner @ outer.q_inner
        push_border = np.einsum("pij,pj->pi", outer.q_border, away)
        prior_inner = layout.by_problem(np.einsum("gi,gi->g", inner, push_inner), layout.first_group)
        h = fit + 0.5 * prior_inner + 0.5 * np.einsum("pi,pi->p", away, push_border)
    return h, gradient, hessian, r, loss, root_w, push_inner, push_border


def find_modes(
    problem: Problem,
    outer: Outer,
    inner: Array,
    border: Array,
    *,
    warm: bool = False,
    close: float = 1e-9,
    budget: int = 60,
) -> Modes:
    """Newton's method for all problems at once; each problem halves its own step until its penalty falls.

    `close` is the predicted fall below which the step being taken is the last one (the error then squares).
    """
    layout = problem.layout
    now = _state(problem, outer, inner, border)
    if not np.all(np.isfinite(now[0])):
        inner, border = np.zeros_like(inner), outer.mean_border.copy()
        now = _state(problem, outer, inner, border)
    converged = False
    newton = warm  # near a mode the exact curvature converges at once; far from it, it may not be positive
    kept: Arrow | None = None
    near: Arrow | None = None
    for _ in range(budget):
        h, gradient, hessian, _, loss, root_w, push_inner, push_border = now
        slope = -loss.slope * root_w
        g_inner, g_border = layout.spread(slope[:, None] * gradient, slope)
        g_inner, g_border = g_inner + push_inner, g_border + push_border
        arrow, kept = kept, None
        if newton and arrow is None:
            try:
                arrow = factor(
                    layout,
                    gradient,
                    loss.bend * root_w**2,
                    slope[:, None, None] * hessian,
                    outer.q_inner,
                    outer.q_border,
                )
                near = arrow
            except np.linalg.LinAlgError:
                arrow = None
        if arrow is None:
            arrow = factor(layout, gradient, loss.kappa * root_w**2, None, outer.q_inner, outer.q_border)
        step_inner, step_border = arrow.solve(g_inner, g_border)
        fall = layout.by_problem(np.einsum("gi,gi->g", g_inner, step_inner), layout.first_group)
        fall = fall + np.einsum("pi,pi->p", g_border, step_border)
        share = np.ones(layout.problems)
        for _ in range(40):
            to_inner = inner - share[layout.group_problem][:, None] * step_inner
            to_border = border - share[:, None] * step_border
            then = _state(problem, outer, to_inner, to_border)
            worse = ~(then[0] <= h + 1e-10 + 1e-13 * np.abs(h)) & ~(np.abs(fall) < 1e-10)  # too small to be seen in h
            if not worse.any():
                break
            share[worse] *= 0.5
        else:
            break
        inner, border, now = to_inner, to_border, then
        biggest = float(np.max(np.abs(fall)))
        if biggest < close and (newton or biggest < 1e-6 * close):
            converged = True
            break
        whole = bool(np.all(share == 1.0))
        # falls square from step to step: where the next is the last one, these factors serve for it too
        kept = arrow if newton and whole and biggest**2 < close else None
        newton = whole and biggest < 10.0 + 0.05 * len(problem.y)
    return Modes(inner, border, now[0], now[1], now[2], now[3], now[4], converged, near)


def modes_at_rest(
    problem: Problem, outer: Outer, inner: Array, border: Array, *, converged: bool, near: Arrow | None = None
) -> Modes:
    """Effects found by other means, with all that is computed there; `near` as in `Modes`."""
    h, gradient, hessian, residual, loss, *_ = _state(problem, outer, inner, border)
    return Modes(inner, border, h, gradient, hessian, residual, loss, converged, near)


def followed(problem: Problem, outer: Outer, fit: Laplace, before: Outer) -> tuple[Array, Array]:
    """Effects that follow a small move of the outer quantities, from a fit before it: one step with its factors."""
    layout, modes, gradient = problem.layout, fit.modes, fit.modes.gradient
    root_w = problem.root_weight * np.exp(-outer.log_sigma)
    r = modes.residual * np.exp(before.log_sigma - outer.log_sigma)
    if np.any(move := outer.phi0 - before.phi0):
        bent = modes.hessian @ move
        r = r - root_w * ((gradient + 0.5 * bent) @ move)
        gradient = gradient + bent
    loss = loss_of(r, problem.nu)
    if problem.below is not None:
        loss = censored(loss, r, problem.below)
    slope = -loss.slope * root_w
    g_inner, g_border = layout.spread(slope[:, None] * gradient, slope)
    g_inner = g_inner + modes.inner @ outer.q_inner
    g_border = g_border + np.einsum("pij,pj->pi", outer.q_border, modes.border - outer.mean_border)
    step_inner, step_border = fit.exact.solve(g_inner, g_border)
    return modes.inner - step_inner, modes.border - step_border


@dataclass(frozen=True)
class Laplace:
    """Approximated negative log likelihood and its derivatives by the outer quantities."""

    each: Array  # (problems,)
    modes: Modes
    arrow: Arrow
    exact: Arrow  # with the exact curvature, of this place or one nearby, where that is positive
    d_phi0: Array
    d_q_inner: Array
    d_q_border: Array  # (problems, curve border, curve border)
    d_q_level: Array  # (problems, levels)
    d_log_sigma: float
    lean_inner: Array  # from the mode towards the mean: -H^-1 grad(log det H) / 2, H Gauss-Newton
    lean_border: Array

    @property
    def value(self) -> float:
        """Sum over problems."""
        return float(self.each.sum())


class Lean(NamedTuple):
    """How the log determinant leans the posterior: factors, and the exact solution of its slope."""

    arrow: Arrow  # Gauss-Newton
    exact: Arrow
    cov: Array  # sum of the groups' covariances
    d_phi0: Array
    d_log_sigma: float
    inner: Array  # H^-1 grad(log det) / 2
    border: Array


def lean_of(problem: Problem, outer: Outer, modes: Modes) -> Lean:
    """Slope of half the log determinant at given modes, solved for with the exact curvature."""
    layout, loss, r = problem.layout, modes.loss, modes.residual
    gradient, hessian = np.ascontiguousarray(modes.gradient), np.ascontiguousarray(modes.hessian)
    root_w = problem.root_weight * np.exp(-outer.log_sigma)
    square, slope = root_w * root_w, -loss.slope * root_w
    weight, turn = loss.kappa * square, loss.kappa_slope * square
    arrow = factor(layout, gradient, weight, None, outer.q_inner, outer.q_border)
    cov, by_phi, by_sigma, t_inner, t_border = _lean(
        gradient,
        hessian,
        slope,
        weight,
        -turn * root_w,
        -2 * weight - turn * r,
        layout.obs_slot,
        layout.group_obs,
        layout.group_problem,
        layout.met,
        layout.first_met,
        layout.slot_met,
        layout.week_met,
        layout.random,
        arrow.a_inv,
        arrow.reach,
        arrow.s_inv,
        layout.curve_border,
        layout.levels,
    )
    true, inner, border, pull_phi, pull_sigma = _adjoint(problem, outer, modes, arrow, t_inner, t_border)
    by_sigma += float(problem.seen_by_problem[0].sum() - loss.slope @ r) - pull_sigma
    return Lean(arrow, true, cov, by_phi - pull_phi, by_sigma, inner, border)


def laplace(problem: Problem, outer: Outer, modes: Modes) -> Laplace:
    """Value and derivatives at given modes."""
    layout, n_curve = problem.layout, problem.layout.curve_border
    lean = lean_of(problem, outer, modes)
    arrow, a_inner, a_border = lean.arrow, lean.inner, lean.border
    prior = outer.known or _known(outer, layout)
    diagonal = np.diagonal(outer.q_border, axis1=1, axis2=2)
    flat = diagonal == 0
    level_flat, precision = flat[:, n_curve:], diagonal[:, n_curve:]  # levels stand by themselves
    log_border = prior.log_border + np.log(np.where(level_flat, 1.0, precision)).sum(axis=1)
    groups_in = np.diff(layout.first_group)
    each = arrow.logdet - groups_in * prior.log_inner - log_border - flat.sum(axis=1) * LOG_2PI
    each = modes.penalised + 0.5 * each + problem.seen_by_problem[0] * log_constant(problem.nu)

    inner = modes.inner
    away = modes.border - outer.mean_border
    curve, level = away[:, :n_curve], away[:, n_curve:]
    side = a_inner.T @ inner
    d_q_inner = 0.5 * (inner.T @ inner + lean.cov - layout.groups * prior.inner - side - side.T)
    side_border = (0.5 * curve - a_border[:, :n_curve])[:, :, None] * curve[:, None, :]
    d_q_border = side_border + np.swapaxes(side_border, 1, 2) + arrow.s_inv[:, :n_curve, :n_curve] - prior.border
    prior_level = np.divide(1.0, precision, out=np.zeros(precision.shape), where=~level_flat)
    own = np.diagonal(arrow.s_inv, axis1=1, axis2=2)[:, n_curve:]
    d_q_level = 0.5 * (level**2 + own - prior_level) - a_border[:, n_curve:] * level
    return Laplace(
        each,
        modes,
        arrow,
        lean.exact,
        lean.d_phi0,
        d_q_inner,
        0.5 * d_q_border,
        d_q_level,
        lean.d_log_sigma,
        -a_inner,
        -a_border,
    )


def _known(outer: Outer, layout: Layout) -> Known:
    """Covariances and log determinants over the directions that have a prior; a flat one has a zero diagonal."""
    curve = outer.q_border[:, : layout.curve_border, : layout.curve_border]
    flat = np.diagonal(curve, axis1=1, axis2=2) == 0
    dense = curve + flat[:, :, None] * np.eye(layout.curve_border)
    border = np.linalg.inv(dense) * (~flat[:, :, None] & ~flat[:, None, :])
    log_inner = float(log_det(outer.q_inner[None])[0]) if layout.inner else 0.0
    inner = np.linalg.inv(outer.q_inner) if layout.inner else outer.q_inner
    return Known(inner, log_inner, border, log_det(dense) if layout.curve_border else np.zeros(layout.problems))


REFINED = 1e-17  # square of the share of a solution that may be left when it is refined with factors of a place nearby


def _adjoint(
    problem: Problem, outer: Outer, modes: Modes, arrow: Arrow, t_inner: Array, t_border: Array
) -> tuple[Arrow, Array, Array, Array, float]:
    """Solve with the exact curvature: its factors, the solution, its pull on ``phi0`` and on log sigma.

    Factors of a place nearby serve where a few refinements with them end; they cost less than factors made anew.
    """
    layout, loss, gradient, hessian = problem.layout, modes.loss, modes.gradient, modes.hessian
    root_w = problem.root_weight * np.exp(-outer.log_sigma)
    slope, bend = -loss.slope * root_w, loss.bend * root_w * root_w
    sigma_pull = (loss.bend * modes.residual + loss.slope) * root_w

    def product(x: Array, z: Array) -> tuple[Array, Array, Array, float]:
        return _bent(
            np.ascontiguousarray(gradient),
            np.ascontiguousarray(hessian),
            slope,
            bend,
            sigma_pull,
            layout.obs_slot,
            layout.week,
            layout.group_obs,
            layout.group_problem,
            layout.random,
            x,
            z,
            layout.curve_border,
            layout.levels,
        )

    if modes.near is not None:
        x, z = modes.near.solve(t_inner, t_border)
        whole = abs(float(np.vdot(t_inner, x) + np.vdot(t_border, z)))
        for _ in range(5):
            by_inner, by_border, by_phi, by_sigma = product(x, z)
            rest_inner = t_inner - by_inner - x @ outer.q_inner
            rest_border = t_border - by_border - np.matmul(outer.q_border, z[:, :, None])[:, :, 0]
            dx, dz = modes.near.solve(rest_inner, rest_border)
            if abs(float(np.vdot(rest_inner, dx) + np.vdot(rest_border, dz))) <= REFINED * whole:
                return modes.near, x, z, by_phi, by_sigma
            x, z = x + dx, z + dz
    try:
        true = factor(layout, gradient, bend, slope[:, None, None] * hessian, outer.q_inner, outer.q_border)
    except np.linalg.LinAlgError:
        true = arrow
    x, z = true.solve(t_inner, t_border)
    return true, x, z, *product(x, z)[2:]


# --- the outer search ------------------------------------------------------------------------------------------


def descend(
    objective: Callable[[Array], tuple[float, Array]], point: Array, inverse: Array, limit: float, close: float = 0.0
) -> tuple[Array, Array]:
    """Quasi-Newton search between plus and minus `limit` from a guess of the inverse Hessian; point and gradient.

    Ends when twice the predicted fall is below `close`.
    """
    value, gradient = objective(point)
    for number in range(60):
        free = ~((np.abs(point) >= limit) & (gradient * point < 0))
        if np.abs(gradient[free]).max(initial=0.0) < 1e-3:
            break
        step = -inverse[np.ix_(free, free)] @ gradient[free]
        if -float(step @ gradient[free]) < close:
            break
        step *= min(1.0, 1.5 / np.abs(step).max())
        share = 1.0
        for _ in range(12):
            there = point.copy()
            there[free] = np.clip(point[free] + share * step, -limit, limit)
            ahead_value, ahead = objective(there)
            if ahead_value <= value + 1e-4 * float(gradient @ (there - point)):
                break
            share *= 0.4
        else:
            break
        moved, turned = there - point, ahead - gradient
        fall = value - ahead_value
        point, value, gradient = there, ahead_value, ahead
        along = float(moved @ turned)
        if along > 1e-10:
            if number == 0:
                inverse = np.eye(len(point)) * along / float(turned @ turned) if share < 1 else inverse
            side = np.eye(len(point)) - np.outer(moved, turned) / along
            inverse = side @ inverse @ side.T + np.outer(moved, moved) / along
        if fall < 1e-8 * max(abs(value), 1.0):
            break
    return point, gradient
