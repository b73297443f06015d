"""Curves for many groups at once: nonlinear mixed models by penalised Laplace approximation.

Two fits share one engine. `fit_mixed` is general: any curve of `olivetime.ripening.curves`, any subset of its
parameters varying between groups, an optional crossed level (such as a week), priors where wanted. `fit_oil` is
the model of oil in the fruit: cultivar, season, block and week together, several shapes averaged.

The engine finds the most probable group effects and level effects together (Newton's method on an arrow-shaped
system, groups batched) and differentiates the Laplace-approximated likelihood exactly, including the movement of
the modes, so that scipy's quasi-Newton search needs few steps. The curvature in the approximation is
Gauss-Newton, as in lme4's nlmer, and therefore never indefinite.

References
----------
.. [1] Lindstrom and Bates (1990), Nonlinear mixed effects models for repeated measures data, Biometrics 46.
   From memory; the numbers are checked against R nlme in tests/published.
.. [2] Kristensen et al. (2016), TMB: automatic differentiation and Laplace approximation, J. Stat. Software 70(5),
   for the derivative through the mode. From memory; checked against differences in tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares, minimize, root
from scipy.special import gammaln, ndtri
from scipy.stats import qmc

from olivetime.ripening.curves import OIL_SHAPES, Curve

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
LOG_2PI = float(np.log(2 * np.pi))
STUDENT_NU = (
    6.0  # degrees of freedom of robust errors: near normal in the middle, a 4-sigma sample counts 0.3
)
_TINY = np.finfo(float).tiny


class FitError(ValueError):
    """A curve cannot be fitted; says where, what was found, what was expected and what to do."""

    def __init__(self, where: str, found: str, expected: str, do: str) -> None:
        self.where, self.found, self.expected, self.do = where, found, expected, do
        super().__init__(f"{where}: {found}, expected {expected}. {do}")


# --- errors: rho(r) and its derivatives ------------------------------------------------------------------------


class _Loss(NamedTuple):
    """Loss of standardised residuals: rho, rho', rho'', the curvature kappa used in the approximation, kappa'."""

    rho: Array
    slope: Array
    bend: Array
    kappa: Array
    kappa_slope: Array


def _loss(r: Array, nu: float | None) -> _Loss:
    if nu is None:
        one = np.ones_like(r)
        return _Loss(0.5 * r * r, r, one, one, np.zeros_like(r))
    # Student: the weight (nu+1)/(nu+r2) averages 1; times (nu+1)/(nu+3) it averages the Fisher information, and an
    # outlier adds next to nothing to what is known of its group
    q = nu + r * r
    scale = (nu + 1) ** 2 / (nu + 3)
    return _Loss(
        0.5 * (nu + 1) * np.log1p(r * r / nu),
        (nu + 1) * r / q,
        (nu + 1) * (nu - r * r) / q**2,
        scale / q,
        -2 * scale * r / q**2,
    )


def _log_constant(nu: float | None) -> float:
    """Negative log density at zero of the standardised error."""
    if nu is None:
        return 0.5 * LOG_2PI
    return float(0.5 * np.log(nu * np.pi) + gammaln(nu / 2) - gammaln((nu + 1) / 2))


# --- layout of the data ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Layout:
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
    cell_start: Ints
    cell_group: Ints
    cell_slot: Ints
    week: Ints  # (N,), index within its problem
    obs_group: Ints = field(init=False)
    obs_slot: Ints = field(init=False)
    obs_problem: Ints = field(init=False)
    first_group: Ints = field(init=False)  # (problems + 1,)
    first_obs: Ints = field(init=False)
    places: dict[str, Ints] = field(init=False)  # flat positions of the pieces of the inner system

    def __post_init__(self) -> None:
        put = lambda name, value: object.__setattr__(self, name, value)  # noqa: E731 (frozen dataclass)
        put("obs_group", self.cell_group[self.cell])
        put("obs_slot", self.cell_slot[self.cell])
        put("obs_problem", self.group_problem[self.obs_group])
        edges = np.arange(self.problems + 1)
        put("first_group", np.searchsorted(self.group_problem, edges))
        put("first_obs", np.searchsorted(self.obs_problem, edges))
        put("places", self._places())

    def _places(self) -> dict[str, Ints]:
        border, q = self.border, len(self.random)
        own, some = np.arange(self.size), np.arange(q)
        problem = self.group_problem[self.cell_group]
        column = self.cell_slot[:, None] * self.size + own
        group_row = (self.cell_group * self.slots + self.cell_slot)[:, None] * q + some
        obs_row = (self.obs_group * self.slots + self.obs_slot)[:, None] * q + some
        obs_column = self.obs_slot[:, None] * self.size + own
        week = self.curve_border + self.week
        flat = {
            "group_curve": group_row[:, :, None] * border + column[:, None, :],
            "curve_curve": (problem[:, None, None] * border + column[:, :, None]) * border
            + column[:, None, :],
            "group_level": obs_row * border + week[:, None],
            "level_level": (self.obs_problem * border + week) * border + week,
            "curve_level": (self.obs_problem[:, None] * border + obs_column) * border + week[:, None],
        }
        return {name: at.reshape(-1) for name, at in flat.items()}

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

    def parameters(self, phi0: Array, inner: Array, border: Array) -> Array:
        """Curve parameters of every cell, (cells, P)."""
        phi = np.broadcast_to(phi0, (len(self.cell_group), self.size)).copy()
        effects = inner.reshape(self.groups, self.slots, len(self.random))
        phi[:, self.random] += effects[self.cell_group, self.cell_slot]
        if self.border_curve:
            curve = border[:, : self.curve_border].reshape(self.problems, self.slots, self.size)
            phi += curve[self.group_problem[self.cell_group], self.cell_slot]
        return phi

    def level_effects(self, border: Array) -> Array | float:
        """Level effect of every observation."""
        if not self.levels:
            return 0.0
        return border[self.obs_problem, self.curve_border + self.week]

    def spread(self, slope: Array, gradient: Array) -> tuple[Array, Array]:
        """Transpose of the design: sums of slope times gradient into (groups, inner) and (problems, border)."""
        cells = _cell_sums(slope[:, None] * gradient, self.cell_start)
        inner = np.zeros((self.groups, self.slots, len(self.random)))
        inner[self.cell_group, self.cell_slot] = cells[:, self.random]
        border = np.zeros((self.problems, self.border))
        if self.border_curve and len(cells):
            flat = (self.group_problem[self.cell_group] * self.slots + self.cell_slot)[:, None] * self.size
            count = self.problems * self.curve_border
            sums = np.bincount((flat + np.arange(self.size)).ravel(), cells.ravel(), count)
            border[:, : self.curve_border] = sums.reshape(self.problems, -1)
        if self.levels:
            flat_week = self.obs_problem * self.levels + self.week
            sums = np.bincount(flat_week, slope, self.problems * self.levels)
            border[:, self.curve_border :] = sums.reshape(self.problems, -1)
        return inner.reshape(self.groups, -1), border

    def along(self, gradient: Array, inner: Array, border: Array) -> tuple[Array, Array]:
        """Design times a direction: (curve parameter part (N, P), change of expected value (N,))."""
        phi = self.parameters(np.zeros(self.size), inner, border)[self.cell]
        return phi, np.einsum("np,np->n", gradient, phi) + self.level_effects(border)


def _cell_sums(values: Array, start: Ints) -> Array:
    return np.add.reduceat(values, start, axis=0) if len(start) else values[:0]


def _layout(
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
) -> _Layout:
    """Build the layout of observations sorted by (group, slot)."""
    key = group * slots + slot
    cells, start, cell = np.unique(key, return_index=True, return_inverse=True)
    return _Layout(
        size=size,
        random=np.asarray(random, np.intp),
        slots=slots,
        groups=len(group_problem),
        problems=problems,
        levels=levels,
        border_curve=border_curve,
        group_problem=np.asarray(group_problem, np.intp),
        cell=cell.astype(np.intp),
        cell_start=start.astype(np.intp),
        cell_group=cells // slots,
        cell_slot=cells % slots,
        week=np.zeros(len(group), np.intp) if week is None else np.asarray(week, np.intp),
    )


# --- the arrow-shaped system -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Arrow:
    """Factor of the inner system: groups eliminated one by one (batched), then each problem's border."""

    layout: _Layout
    a_inv: Array  # (groups, D, D)
    reach: Array  # A^-1 C, (groups, D, border)
    s_inv: Array  # inverse of the Schur complement, (problems, border, border)
    logdet: Array  # (problems,)

    def solve(self, inner: Array, border: Array) -> tuple[Array, Array]:
        """Solve for right-hand sides (groups, D) and (problems, border)."""
        x = np.einsum("gij,gj->gi", self.a_inv, inner)
        if not self.layout.border:
            return x, border
        taken = self.layout.by_problem(np.einsum("gib,gi->gb", self.reach, inner), self.layout.first_group)
        z = np.einsum("pij,pj->pi", self.s_inv, border - taken)
        return x - np.einsum("gib,gb->gi", self.reach, z[self.layout.group_problem]), z

    def covariance(self) -> tuple[Array, Array]:
        """Covariance of group effects (groups, D, D), and of group with border (groups, D, border)."""
        if not self.layout.border:
            return self.a_inv, self.reach
        cross = -np.matmul(self.reach, self.s_inv[self.layout.group_problem])
        return self.a_inv - np.matmul(cross, np.swapaxes(self.reach, 1, 2)), cross


def _log_det(matrices: Array) -> Array:
    factor = np.linalg.cholesky(matrices)
    return 2 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)


def _arrow(
    layout: _Layout, gradient: Array, weight: Array, bend: Array | None, q_inner: Array, q_border: Array
) -> _Arrow:
    """Assemble and factor ``sum_j weight_j a_j a_j' (+ bend) + priors``; raises LinAlgError when not positive."""
    random, slots, border = layout.random, layout.slots, layout.border
    weighted = weight[:, None] * gradient
    outer = weighted[:, :, None] * gradient[:, None, :]
    if bend is not None:
        outer += bend
    cells = _cell_sums(outer, layout.cell_start)
    q = len(random)
    a = np.zeros((layout.groups, slots, q, slots, q))
    rows = cells[:, random]
    a[layout.cell_group, layout.cell_slot, :, layout.cell_slot, :] = rows[:, :, random]
    a = a.reshape(layout.groups, layout.inner, layout.inner) + q_inner
    logdet = layout.by_problem(_log_det(a), layout.first_group)
    a_inv = np.linalg.inv(a)
    if not border:
        return _Arrow(
            layout,
            a_inv,
            np.zeros((layout.groups, layout.inner, 0)),
            np.zeros((layout.problems, 0, 0)),
            logdet,
        )

    places = layout.places
    c = np.zeros(layout.groups * layout.inner * border)
    square = layout.problems * border * border
    e = np.zeros(square)
    if layout.border_curve:
        c[places["group_curve"]] = rows.reshape(-1)
        e += np.bincount(places["curve_curve"], cells.reshape(-1), square)
    if layout.levels:
        c += np.bincount(places["group_level"], weighted[:, random].reshape(-1), len(c))
        e += np.bincount(places["level_level"], weight, square)
        if layout.border_curve:
            both = np.bincount(places["curve_level"], weighted.reshape(-1), square).reshape(
                -1, border, border
            )
            e += (both + np.swapaxes(both, 1, 2)).reshape(-1)
    e = e.reshape(layout.problems, border, border) + q_border
    c = c.reshape(layout.groups, layout.inner, border)
    reach = np.matmul(a_inv, c)
    for p in range(layout.problems):  # a few cultivars, one matrix product each
        part = slice(layout.first_group[p], layout.first_group[p + 1])
        e[p] -= c[part].reshape(-1, border).T @ reach[part].reshape(-1, border)
    e = 0.5 * (e + np.swapaxes(e, 1, 2))
    return _Arrow(layout, a_inv, reach, np.linalg.inv(e), logdet + _log_det(e))


# --- modes and the approximated likelihood ---------------------------------------------------------------------

Evaluate = Callable[[Array], tuple[Array, Array, Array]]


@dataclass(frozen=True)
class _Problem:
    """Data of one engine call: layout, expected values and their derivatives, observations, loss."""

    layout: _Layout
    evaluate: Evaluate  # (N, P) -> value (N,), gradient (N, P), hessian (N, P, P)
    y: Array
    weight: Array  # replicates: the error variance is sigma^2 / weight
    nu: float | None


@dataclass(frozen=True)
class _Outer:
    """Outer quantities of one engine call."""

    phi0: Array
    q_inner: Array
    q_border: Array  # (problems, border, border); zero rows for flat directions
    mean_border: Array  # (problems, border)
    log_sigma: float


@dataclass(frozen=True)
class _Modes:
    """Most probable effects and what was computed there."""

    inner: Array
    border: Array
    penalised: Array  # h per problem
    gradient: Array
    hessian: Array
    residual: Array  # standardised
    loss: _Loss
    converged: bool


def _state(problem: _Problem, outer: _Outer, inner: Array, border: Array) -> tuple:
    layout = problem.layout
    phi = layout.parameters(outer.phi0, inner, border)[layout.cell]
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient, hessian = problem.evaluate(phi)
        root_w = np.sqrt(problem.weight) * np.exp(-outer.log_sigma)
        r = (problem.y - value - layout.level_effects(border)) * root_w
        loss = _loss(r, problem.nu)
        each = loss.rho + outer.log_sigma - 0.5 * np.log(problem.weight)
        fit = np.bincount(layout.obs_problem, each, layout.problems)
        away = border - outer.mean_border
        push_inner = inner @ outer.q_inner
        push_border = np.einsum("pij,pj->pi", outer.q_border, away)
        prior_inner = layout.by_problem(np.einsum("gi,gi->g", inner, push_inner), layout.first_group)
        h = fit + 0.5 * prior_inner + 0.5 * np.einsum("pi,pi->p", away, push_border)
    return h, gradient, hessian, r, loss, root_w, push_inner, push_border


def _find_modes(
    problem: _Problem,
    outer: _Outer,
    inner: Array,
    border: Array,
    *,
    warm: bool = False,
    close: float = 1e-9,
    budget: int = 60,
) -> _Modes:
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
    for _ in range(budget):
        h, gradient, hessian, r, loss, root_w, push_inner, push_border = now
        slope = -loss.slope * root_w
        g_inner, g_border = layout.spread(slope, gradient)
        g_inner, g_border = g_inner + push_inner, g_border + push_border
        arrow = None
        if newton:
            try:
                arrow = _arrow(
                    layout,
                    gradient,
                    loss.bend * root_w**2,
                    slope[:, None, None] * hessian,
                    outer.q_inner,
                    outer.q_border,
                )
            except np.linalg.LinAlgError:
                arrow = None
        if arrow is None:
            arrow = _arrow(layout, gradient, loss.kappa * root_w**2, None, outer.q_inner, outer.q_border)
        step_inner, step_border = arrow.solve(g_inner, g_border)
        fall = layout.by_problem(np.einsum("gi,gi->g", g_inner, step_inner), layout.first_group)
        fall = fall + np.einsum("pi,pi->p", g_border, step_border)
        share = np.ones(layout.problems)
        for _ in range(40):
            to_inner = inner - share[layout.group_problem][:, None] * step_inner
            to_border = border - share[:, None] * step_border
            then = _state(problem, outer, to_inner, to_border)
            worse = ~(then[0] <= h + 1e-10 + 1e-13 * np.abs(h))
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
        newton = bool(np.all(share == 1.0)) and biggest < 10.0 + 0.05 * len(problem.y)
    return _Modes(inner, border, now[0], now[1], now[2], now[3], now[4], converged)


@dataclass(frozen=True)
class _Laplace:
    """Approximated negative log likelihood and its derivatives by the outer quantities."""

    each: Array  # (problems,)
    modes: _Modes
    arrow: _Arrow
    d_phi0: Array
    d_q_inner: Array
    d_q_border: Array
    d_log_sigma: float

    @property
    def value(self) -> float:
        """Sum over problems."""
        return float(self.each.sum())


def _laplace(problem: _Problem, outer: _Outer, modes: _Modes, *, through_mode: bool = True) -> _Laplace:
    """Value and derivatives at given modes.

    With `through_mode` False the modes and the slopes of the curve are taken as fixed (the linearised method).
    """
    layout = problem.layout
    gradient, hessian, r, loss = modes.gradient, modes.hessian, modes.residual, modes.loss
    root_w = np.sqrt(problem.weight) * np.exp(-outer.log_sigma)
    weight = loss.kappa * root_w**2
    slope = -loss.slope * root_w
    arrow = _arrow(layout, gradient, weight, None, outer.q_inner, outer.q_border)
    groups_in = np.diff(layout.first_group)
    prior_inner = _log_det(outer.q_inner[None])[0] if layout.inner else 0.0
    prior_border = _log_det_part(outer.q_border)
    count = np.bincount(layout.obs_problem, minlength=layout.problems) * _log_constant(problem.nu)
    flat = np.sum(np.diagonal(outer.q_border, axis1=1, axis2=2) == 0, axis=1)
    each = (
        modes.penalised
        + 0.5 * (arrow.logdet - groups_in * prior_inner - prior_border - flat * LOG_2PI)
        + count
    )

    cov, cross = arrow.covariance()
    random, q = layout.random, len(layout.random)
    shape = (layout.groups, layout.slots, q)
    cov_cells = cov.reshape(*shape, layout.slots, q)[
        layout.cell_group, layout.cell_slot, :, layout.cell_slot, :
    ]
    size = layout.size
    cov_phi = np.zeros((len(layout.cell_group), size, size))
    cov_phi[:, random[:, None], random] = cov_cells
    problem_of = layout.group_problem[layout.cell_group]
    if layout.border_curve:
        column = layout.cell_slot[:, None] * size + np.arange(size)
        cell_cross = cross.reshape(*shape, layout.border)[layout.cell_group, layout.cell_slot]
        to_curve = np.take_along_axis(cell_cross, column[:, None, :], axis=2)
        cov_phi[:, random, :] += to_curve
        cov_phi[:, :, random] += np.swapaxes(to_curve, 1, 2)
        cov_phi += arrow.s_inv[problem_of[:, None, None], column[:, :, None], column[:, None, :]]
    c = np.einsum("nij,nj->ni", cov_phi[layout.cell], gradient)
    v = np.einsum("ni,ni->n", gradient, c)
    if layout.levels:
        week = layout.curve_border + layout.week
        with_week = np.zeros((len(r), size))
        with_week[:, random] = cross.reshape(*shape, layout.border)[
            layout.obs_group, layout.obs_slot, :, week
        ]
        if layout.border_curve:
            column = layout.obs_slot[:, None] * size + np.arange(size)
            with_week += arrow.s_inv[layout.obs_problem[:, None], column, week[:, None]]
        c = c + with_week
        v = v + 2 * np.einsum("ni,ni->n", gradient, with_week) + arrow.s_inv[layout.obs_problem, week, week]

    inner, border = modes.inner, modes.border
    away = border - outer.mean_border
    d_q_inner = 0.5 * (inner.T @ inner + cov.sum(axis=0))
    if layout.inner:
        d_q_inner = d_q_inner - 0.5 * layout.groups * np.linalg.inv(outer.q_inner)
    d_q_border = 0.5 * (away[:, :, None] * away[:, None, :] + arrow.s_inv) - 0.5 * _inverse_part(
        outer.q_border
    )
    d_log_sigma = np.sum(1 - loss.slope * r) + 0.5 * np.sum(
        (-2 * loss.kappa - loss.kappa_slope * r) * root_w**2 * v
    )
    if not through_mode:
        return _Laplace(each, modes, arrow, np.zeros(size), d_q_inner, d_q_border, float(d_log_sigma))

    weight_slope = -loss.kappa_slope * root_w**3
    t_phi = (0.5 * weight_slope * v)[:, None] * gradient + weight[:, None] * np.einsum(
        "nij,nj->ni", hessian, c
    )
    d_phi0 = (slope[:, None] * gradient + t_phi).sum(axis=0)
    # t_phi is not a multiple of the gradient, so it is spread as a vector; its level part goes by itself
    t_inner, t_border = _spread_vectors(layout, t_phi, 0.5 * weight_slope * v)
    try:
        true = _arrow(
            layout,
            gradient,
            loss.bend * root_w**2,
            slope[:, None, None] * hessian,
            outer.q_inner,
            outer.q_border,
        )
    except np.linalg.LinAlgError:
        true = arrow
    a_inner, a_border = true.solve(t_inner, t_border)
    a_phi, a_value = layout.along(gradient, a_inner, a_border)
    pull = loss.bend * root_w**2 * a_value
    d_phi0 = d_phi0 - (
        pull[:, None] * gradient + slope[:, None] * np.einsum("nij,nj->ni", hessian, a_phi)
    ).sum(axis=0)
    side = a_inner.T @ inner
    d_q_inner = d_q_inner - 0.5 * (side + side.T)
    side_border = a_border[:, :, None] * away[:, None, :]
    d_q_border = d_q_border - 0.5 * (side_border + np.swapaxes(side_border, 1, 2))
    d_log_sigma = d_log_sigma - np.sum((loss.bend * r + loss.slope) * root_w * a_value)
    return _Laplace(each, modes, arrow, d_phi0, d_q_inner, d_q_border, float(d_log_sigma))


def _spread_vectors(layout: _Layout, phi: Array, value: Array) -> tuple[Array, Array]:
    """Sum curve-parameter vectors (N, P) and level scalars (N,) into the unknowns."""
    inner, border = layout.spread(np.ones(len(phi)), phi)
    if layout.levels:
        flat_week = layout.obs_problem * layout.levels + layout.week
        sums = np.bincount(flat_week, value, layout.problems * layout.levels)
        border[:, layout.curve_border :] = sums.reshape(layout.problems, -1)
    return inner, border


def _log_det_part(q: Array) -> Array:
    """Log determinant over the directions that have a prior; a flat direction has a zero diagonal."""
    if not q.shape[-1]:
        return np.zeros(len(q))
    flat = np.diagonal(q, axis1=1, axis2=2) == 0
    if not flat.any():
        return _log_det(q)
    return _log_det(q + flat[:, :, None] * np.eye(q.shape[-1]))


def _inverse_part(q: Array) -> Array:
    """Inverse over the directions that have a prior, zero elsewhere."""
    if not q.shape[-1]:
        return q
    flat = np.diagonal(q, axis1=1, axis2=2) == 0
    keep = ~flat
    return np.linalg.inv(q + flat[:, :, None] * np.eye(q.shape[-1])) * (keep[:, :, None] & keep[:, None, :])


# --- the general fit -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MixedDraws:
    """Joint draws from a `MixedFit`."""

    fixed: Array  # (n, P)
    parameters: Array  # (n, groups, P), groups in the order of MixedFit.modes
    level: Array  # (n, levels), in the order of MixedFit.level_effects


@dataclass(frozen=True)
class MixedFit:
    """Result of `fit_mixed`.

    Attributes
    ----------
    fixed, fixed_se : Series
        Values for a typical group and their standard errors given the spread parameters (as R prints them).
    random_sd : Series
        Standard deviation between groups of each varying parameter.
    random_corr : DataFrame
        Their correlations.
    sigma, level_sd : float
        Residual standard deviation (of log y when error="log"); that of the crossed level, 0 without one.
    loglik : float
        Approximated log likelihood of y, priors not counted; restricted when asked for.
    modes : DataFrame
        Most probable deviation of each group, index group, columns the varying parameters.
    level_effects : Series
        Most probable effect of each level.
    converged : bool
        Whether the gradient vanished and the inner search ended.
    parameters : DataFrame
        part, name, value, se, low, high (95 %), prior_mean, prior_sd, at_bound.
    weights : array
        Share of each observation that counts, in the order given; 1 unless error="student".
    fitted : array
        Expected value of each observation with its group and level effects.
    """

    curve: Curve
    error: str
    fixed: pd.Series
    fixed_se: pd.Series
    random_sd: pd.Series
    random_corr: pd.DataFrame
    sigma: float
    level_sd: float
    loglik: float
    modes: pd.DataFrame
    level_effects: pd.Series
    converged: bool
    parameters: pd.DataFrame
    weights: Array
    fitted: Array
    covariance: Array  # of the outer vector, its own scale
    sensitivity: Array  # (outer, effects): how modes move with it
    fixed_scale: Array  # (outer, P): how the fixed values move with it
    arrow: _Arrow

    def at(self, x: ArrayLike, group: ArrayLike | None = None) -> Array:
        """Expected y at x for a group (one label or one per x); None, or an unknown label, is a typical group.

        Parameters
        ----------
        x : array
            Where, in the unit of the fit.
        group : label or array of labels, optional
            Which group each x belongs to.

        Returns
        -------
        array
            Expected values, without level effects.
        """
        x = np.asarray(x, float)
        phi = self.fixed.to_numpy()
        if group is None:
            return self.curve(x, *phi)
        full = np.vstack([self.group_parameters().to_numpy(), phi])  # the last row is the typical group
        return self.curve(x, *np.moveaxis(full[self.modes.index.get_indexer(np.atleast_1d(group))], -1, 0))

    def group_parameters(self) -> pd.DataFrame:
        """Curve parameters of each group, index group."""
        out = pd.DataFrame([self.fixed] * len(self.modes), index=self.modes.index)
        out[list(self.modes)] += self.modes
        return out

    def draw(self, n: int, rng: np.random.Generator) -> MixedDraws:
        """Joint draws of fixed values, group parameters and level effects.

        Parameters
        ----------
        n : int
            Number of draws.
        rng : numpy Generator
            Source of chance.

        Returns
        -------
        MixedDraws
            From the normal approximation at the mode; the modes move with the outer parameters.
        """
        layout = self.arrow.layout
        moves = rng.standard_normal((n, len(self.covariance))) @ _root(self.covariance).T
        shift = moves @ self.sensitivity
        border_noise = np.zeros((n, 0))
        if layout.border:
            border_noise = rng.standard_normal((n, layout.border)) @ _root(self.arrow.s_inv[0]).T
        own = np.einsum(
            "gij,ngj->ngi", _root(self.arrow.a_inv), rng.standard_normal((n, layout.groups, layout.inner))
        )
        inner = shift[:, : layout.groups * layout.inner].reshape(n, layout.groups, layout.inner)
        inner = inner + own - np.einsum("gib,nb->ngi", self.arrow.reach, border_noise)
        border = shift[:, layout.groups * layout.inner :] + border_noise
        fixed = self.fixed.to_numpy() + moves @ self.fixed_scale
        if layout.border_curve:
            fixed = fixed + border[:, : layout.size]
        parameters = np.repeat(fixed[:, None, :], layout.groups, axis=1)
        parameters[:, :, layout.random] += self.modes.to_numpy() + inner
        return MixedDraws(fixed, parameters, self.level_effects.to_numpy() + border[:, layout.curve_border :])


def _root(matrix: Array) -> Array:
    """Root of a covariance (or a stack), tolerant of directions without spread."""
    values, vectors = np.linalg.eigh(matrix)
    return vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]


@dataclass(frozen=True)
class _Spread:
    """Outer vector of `fit_mixed`: fixed values, root of the group covariance, sigma, level sd; all near unit scale."""

    base: Array  # fixed values at zero
    scale: Array
    sd: Array  # starting standard deviations
    lower: tuple[Ints, Ints]  # free elements below the diagonal
    log_sigma: float
    log_level: float | None
    with_fixed: bool

    @property
    def names(self) -> int:
        """Length of the outer vector."""
        return (
            (len(self.base) if self.with_fixed else 0)
            + len(self.sd)
            + len(self.lower[0])
            + 1
            + (self.log_level is not None)
        )

    def split(self, t: Array) -> tuple[Array, Array, float, float]:
        """Fixed values, root of the group covariance, log sigma, log level sd."""
        p = len(self.base) if self.with_fixed else 0
        q = len(self.sd)
        fixed = self.base + self.scale * t[:p] if p else self.base
        rel = np.zeros((q, q))
        rel[self.lower] = t[p + q : p + q + len(self.lower[0])]
        rel[np.diag_indices(q)] = np.exp(np.clip(t[p : p + q], -12, 12))
        rest = t[p + q + len(self.lower[0]) :]
        level = self.log_level + rest[1] if self.log_level is not None else 0.0
        return fixed, self.sd[:, None] * rel, self.log_sigma + rest[0], level

    def outer(self, t: Array, layout: _Layout) -> _Outer:
        """Engine inputs."""
        fixed, root_cov, log_sigma, level = self.split(t)
        inverse = np.linalg.inv(root_cov) if len(self.sd) else root_cov
        q_border = np.zeros((1, layout.border, layout.border))
        at = np.arange(layout.curve_border, layout.border)
        q_border[:, at, at] = np.exp(-2 * level)
        return _Outer(fixed, inverse.T @ inverse, q_border, np.zeros((1, layout.border)), log_sigma)

    def chain(self, t: Array, fit: _Laplace, layout: _Layout, outer: _Outer) -> Array:
        """Gradient by t."""
        _, root_cov, _, _ = self.split(t)
        q = len(self.sd)
        parts = [fit.d_phi0 * self.scale] if self.with_fixed else []
        by_root = -2 * (outer.q_inner @ fit.d_q_inner @ outer.q_inner) @ root_cov
        by_rel = self.sd[:, None] * by_root
        parts += [
            np.diagonal(by_rel) * np.diagonal(root_cov) / self.sd if q else np.zeros(0),
            by_rel[self.lower],
        ]
        parts.append(np.array([fit.d_log_sigma]))
        if self.log_level is not None:
            at = np.arange(layout.curve_border, layout.border)
            parts.append(np.array([-2 * np.sum(fit.d_q_border[:, at, at] * outer.q_border[:, at, at])]))
        return np.concatenate(parts)


def _minimise(function: Callable[[Array], tuple[float, Array]], start: Array) -> tuple[Array, Array, Array]:
    """Quasi-Newton search, then Newton steps; gives point, gradient and Hessian."""

    def safe(t: Array) -> tuple[float, Array]:
        try:
            value, gradient = function(t)
        except np.linalg.LinAlgError:
            return np.inf, np.zeros_like(t)
        if not np.isfinite(value) or not np.all(np.isfinite(gradient)):
            return np.inf, np.zeros_like(t)
        return value, gradient

    with np.errstate(invalid="ignore", over="ignore"):
        found = minimize(safe, start, jac=True, method="BFGS", options={"gtol": 1e-6, "maxiter": 300})
    point, (value, gradient) = found.x, safe(found.x)
    hessian = _slope_of(lambda t: safe(t)[1], point)
    for _ in range(6):
        step = _positive_solve(hessian, gradient)
        ahead_value, ahead = safe(point - step)
        if not (
            np.isfinite(ahead_value)
            and ahead_value <= value + 1e-9
            and np.abs(ahead).max() < np.abs(gradient).max()
        ):
            break
        point, value, gradient = point - step, ahead_value, ahead
        if np.abs(gradient).max() < 1e-10:
            break
    return point, gradient, hessian


def _slope_of(function: Callable[[Array], Array], point: Array, step: float = 1e-4) -> Array:
    columns = []
    for i in range(len(point)):
        move = np.zeros_like(point)
        move[i] = step
        columns.append((function(point + move) - function(point - move)) / (2 * step))
    matrix = np.array(columns)
    return 0.5 * (matrix + matrix.T)


def _positive_solve(hessian: Array, gradient: Array) -> Array:
    values, vectors = np.linalg.eigh(hessian)
    keep = values > 1e-9 * max(float(values.max()), 1e-9)
    return vectors[:, keep] @ ((vectors[:, keep].T @ gradient) / values[keep])


def _positive_inverse(hessian: Array) -> Array:
    values, vectors = np.linalg.eigh(hessian)
    floor = 1e-9 * max(float(values.max()), 1e-9)
    return (vectors / np.maximum(values, floor)) @ vectors.T


def _log_curve(curve: Curve) -> Curve:
    """Logarithm of a positive curve."""

    def terms(x: Array, *parameters: Array, order: int) -> tuple:
        value, gradient, hessian = curve.derivatives(x, *parameters)
        rel = gradient / value[..., None]
        bend = hessian / value[..., None, None] - rel[..., :, None] * rel[..., None, :]
        p = range(len(parameters))
        first = tuple(rel[..., i] for i in p)
        return (np.log(value), first, tuple(tuple(bend[..., i, j] for j in p) for i in p))[: order + 1]

    return Curve(curve.name, curve.parameters, terms)


def fit_mixed(
    curve: Curve,
    x: ArrayLike,
    y: ArrayLike,
    group: ArrayLike,
    *,
    random: Sequence[str],
    start: Mapping[str, float] | Sequence[float] | None = None,
    covariance: str = "full",
    level: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    prior: Mapping[str, tuple[float, float]] | None = None,
    error: str = "normal",
    method: str = "laplace",
    restricted: bool = False,
) -> MixedFit:
    """Fit one curve to many groups whose parameters vary.

    Parameters
    ----------
    curve : Curve
        Any object of `olivetime.ripening.curves`.
    x : array (N,) or (N, k)
        Where each observation was made; several columns for a curve that reads them.
    y : array (N,)
        Observations.
    group : array (N,)
        Group label of each observation.
    random : sequence of str
        Parameters that vary between groups.
    start : mapping or sequence, optional
        Starting values of the fixed parameters; the curve's own guess without them.
    covariance : {"full", "diagonal"}
        Whether the group effects may be correlated.
    level : array (N,), optional
        Crossed factor (such as the week of sampling) whose effect is added to the expected value.
    weights : array (N,), optional
        Replicates behind each observation: its error variance is sigma^2 / weight.
    prior : mapping, optional
        Name -> (mean, sd) for a fixed parameter; "sd(name)", "sigma", "level" -> (median, sd of the logarithm).
        With any prior the estimate maximises likelihood times prior.
    error : {"normal", "log", "student"}
        Normal error of y; normal error of log y (constant coefficient of variation); Student error with 6 degrees
        of freedom, which makes doubtful observations count less.
    method : {"laplace", "linearised"}
        Laplace-approximated likelihood (recommended), or the alternating linearisation of R's nlme, which is
        biased while the plateau is not yet seen and stands here to check against.
    restricted : bool
        Integrate the fixed parameters out (REML).

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        When the data cannot carry the fit.
    ValueError
        When an argument is wrong.
    """
    for name, value, allowed in (
        ("covariance", covariance, ("full", "diagonal")),
        ("error", error, ("normal", "log", "student")),
        ("method", method, ("laplace", "linearised")),
    ):
        if value not in allowed:
            raise ValueError(f"fit_mixed: {name} is {value!r}, expected one of {', '.join(allowed)}.")
    unknown = [name for name in random if name not in curve.parameters]
    if unknown or not random:
        raise ValueError(
            f"fit_mixed: random is {tuple(random)}, expected at least one of {', '.join(curve.parameters)}."
        )
    where = f"curve {curve.name}"
    x, y = np.asarray(x, float), np.asarray(y, float)
    weight = np.ones(len(y)) if weights is None else np.asarray(weights, float)
    labels, codes = np.unique(np.asarray(group), return_inverse=True)
    _check_observations(where, curve, x, y, weight, codes, log=error == "log")
    order = np.argsort(codes, kind="stable")
    level_labels: Array | None = None
    week = None
    if level is not None:
        level_labels, week = np.unique(np.asarray(level), return_inverse=True)
        week = week[order]
    xs, ys, ws, gs = x[order], y[order], weight[order], codes[order]
    model = _log_curve(curve) if error == "log" else curve
    target = np.log(ys) if error == "log" else ys
    nu = STUDENT_NU if error == "student" else None

    base = np.array(_starting_values(curve, xs, ys, start))
    base = _pooled(where, model, xs, target, np.sqrt(ws), base, prior)
    slopes = model.gradient(xs, *base)
    rms = float(np.sqrt(np.mean(ws * (target - model(xs, *base)) ** 2)))
    rms = max(rms, 1e-6 * (float(np.ptp(target)) or abs(float(target[0])) or 1.0))
    size_of = rms / np.maximum(np.sqrt(np.mean(slopes**2, axis=0)), _TINY)
    index = [curve.parameters.index(name) for name in random]
    shared = {
        "size": len(base),
        "random": index,
        "slots": 1,
        "group_problem": np.zeros(len(labels), np.intp),
        "problems": 1,
        "levels": 0 if level_labels is None else len(level_labels),
    }
    linearised = method == "linearised"
    full = _layout(gs, np.zeros_like(gs), week, border_curve=restricted or linearised, **shared)
    q = len(index)
    below = np.tril_indices(q, -1)
    spread = _Spread(
        base=np.zeros(len(base)) if full.border_curve else base,
        scale=size_of,
        sd=0.7 * size_of[index],
        lower=below if covariance == "full" else (below[0][:0], below[1][:0]),
        log_sigma=float(np.log(0.6 * rms)),
        log_level=None if level_labels is None else float(np.log(0.4 * rms)),
        with_fixed=not full.border_curve,
    )
    columns = np.moveaxis

    def evaluate(phi: Array) -> tuple[Array, Array, Array]:
        return model.derivatives(xs, *columns(phi, -1, 0))

    problem = _Problem(full, evaluate, target, ws, nu)
    begin_border = np.zeros((1, full.border))
    if full.border_curve:
        begin_border[0, : len(base)] = base
    keep = {"inner": np.zeros((full.groups, q)), "border": begin_border}
    priors = _Prior(curve.parameters, tuple(random), dict(prior or {}))

    def modes_at(t: Array) -> tuple[_Outer, _Modes]:
        outer = spread.outer(t, full)
        modes = _find_modes(problem, outer, keep["inner"], keep["border"])
        if np.all(np.isfinite(modes.inner)):
            keep["inner"], keep["border"] = modes.inner, modes.border
        return outer, modes

    if linearised:
        outer_layout = (
            full if restricted else _layout(gs, np.zeros_like(gs), week, border_curve=False, **shared)
        )
        fit_at = _linearised_at(problem, outer_layout, modes_at)
    else:

        def fit_at(t: Array) -> tuple[_Laplace, _Outer, _Modes]:
            outer, modes = modes_at(t)
            return _laplace(problem, outer, modes), outer, modes

    def objective(t: Array) -> tuple[float, Array]:
        fit, outer, _ = fit_at(t)
        value, gradient = fit.value, spread.chain(t, fit, full if not linearised else fit.arrow.layout, outer)
        extra, slope = priors.penalty(t, spread)
        return value + extra, gradient + slope

    begin = np.zeros(spread.names)
    if linearised:
        point, gradient, hessian = _solve_linearised(objective, begin)
    else:
        point, gradient, hessian = _minimise(objective, begin)
    fit, outer, modes = fit_at(point)
    if not (
        np.isfinite(fit.value) and np.all(np.isfinite(modes.inner)) and np.all(np.isfinite(modes.border))
    ):
        raise FitError(
            where,
            "no finite estimate",
            "a curve that the samples can carry",
            "Give priors, let fewer parameters vary between groups, or wait for more samples.",
        )

    _, root_cov, log_sigma, log_level = spread.split(point)
    outer_covariance = _positive_inverse(hessian)
    p, names = len(base), list(curve.parameters)
    fixed_scale = np.zeros((len(point), p))
    if spread.with_fixed:
        fixed, arrow = outer.phi0, fit.arrow
        fixed_scale[:p] = np.diag(spread.scale)
        fixed_se = spread.scale * np.sqrt(np.diagonal(_positive_inverse(hessian[:p, :p])))
    else:
        fixed = modes.border[0, :p]
        whole = spread.outer(point, full)
        curvature = modes.loss.kappa * ws * np.exp(-2 * log_sigma)
        arrow = _arrow(full, modes.gradient, curvature, None, whole.q_inner, whole.q_border)
        fixed_se = np.sqrt(np.diagonal(arrow.s_inv[0])[:p])
    sds = np.sqrt(np.sum(root_cov**2, axis=1))
    expected = target - modes.residual * np.exp(log_sigma) / np.sqrt(ws)
    fitted, counted = np.empty(len(y)), np.ones(len(y))
    fitted[order] = np.exp(expected) if error == "log" else expected
    if nu is not None:
        counted[order] = (nu + 1) / (nu + modes.residual**2)
    return MixedFit(
        curve=curve,
        error=error,
        fixed=pd.Series(fixed, index=names),
        fixed_se=pd.Series(fixed_se, index=names),
        random_sd=pd.Series(sds, index=list(random)),
        random_corr=pd.DataFrame(
            root_cov @ root_cov.T / np.outer(sds, sds), index=list(random), columns=list(random)
        ),
        sigma=float(np.exp(log_sigma)),
        level_sd=0.0 if level_labels is None else float(np.exp(log_level)),
        loglik=-fit.value - (float(np.log(ys).sum()) if error == "log" else 0.0),
        modes=pd.DataFrame(modes.inner, index=pd.Index(labels, name="group"), columns=list(random)),
        level_effects=pd.Series(modes.border[0, full.curve_border :], index=level_labels, dtype=float),
        converged=bool(modes.converged and np.abs(gradient).max() < 1e-3),
        parameters=_mixed_table(spread, priors, point, outer_covariance, fixed, fixed_se),
        weights=counted,
        fitted=fitted,
        covariance=outer_covariance,
        sensitivity=_mode_sensitivity(modes_at, point),
        fixed_scale=fixed_scale,
        arrow=arrow,
    )


def _mode_sensitivity(modes_at: Callable[[Array], tuple[_Outer, _Modes]], point: Array) -> Array:
    """How group effects and border move with the outer vector, by differences: (outer, effects)."""
    rows = []
    for i in range(len(point)):
        move = np.zeros_like(point)
        move[i] = 1e-4
        sides = [modes_at(point + sign * move)[1] for sign in (1, -1)]
        ahead, behind = (np.concatenate([m.inner.ravel(), m.border.ravel()]) for m in sides)
        rows.append((ahead - behind) / 2e-4)
    return np.array(rows)


def _mixed_table(
    spread: _Spread, priors: _Prior, point: Array, covariance: Array, fixed: Array, fixed_se: Array
) -> pd.DataFrame:
    """Rows of MixedFit.parameters; standard deviations get errors and limits on their logarithm."""

    def logs(t: Array) -> Array:
        _, root_cov, log_sigma, log_level = spread.split(t)
        sds = 0.5 * np.log(np.maximum(np.sum(root_cov**2, axis=1), _TINY))
        return np.concatenate([sds, [log_sigma], [] if spread.log_level is None else [log_level]])

    moves = 1e-5 * np.eye(len(point))
    slopes = np.array([(logs(point + m) - logs(point - m)) / 2e-5 for m in moves])
    log_se = np.sqrt(np.maximum(np.einsum("io,ij,jo->o", slopes, covariance, slopes), 0.0))
    log_value = logs(point)
    names = (
        [f"sd({name})" for name in priors.random]
        + ["sigma"]
        + ([] if spread.log_level is None else ["level"])
    )
    parts = ["random"] * len(priors.random) + ["error"] + ([] if spread.log_level is None else ["level"])
    started = np.concatenate(
        [np.log(spread.sd), [spread.log_sigma], [0.0] * (len(names) - len(spread.sd) - 1)]
    )
    value, wide = np.exp(log_value), np.minimum(1.96 * log_se, 50.0)
    table = pd.DataFrame(
        {
            "part": ["fixed"] * len(fixed) + parts,
            "name": [*priors.fixed, *names],
            "value": np.concatenate([fixed, value]),
            "se": np.concatenate([fixed_se, value * log_se]),
            "low": np.concatenate([fixed - 1.96 * fixed_se, np.exp(log_value - wide)]),
            "high": np.concatenate([fixed + 1.96 * fixed_se, np.exp(log_value + wide)]),
        }
    )
    prior = [priors.given.get(name, (np.nan, np.nan)) for name in table["name"]]
    table["prior_mean"], table["prior_sd"] = [m for m, _ in prior], [s for _, s in prior]
    near_zero = log_value < started - 5  # a spread a hundred times below its start has gone to zero
    table["at_bound"] = np.concatenate(
        [np.zeros(len(fixed), bool), near_zero & (np.array(parts) == "random")]
    )
    return table


def _starting_values(
    curve: Curve, x: Array, y: Array, start: Mapping[str, float] | Sequence[float] | None
) -> Sequence[float]:
    if start is None:
        return curve.start(x, y)
    values = [start[name] for name in curve.parameters] if isinstance(start, Mapping) else list(start)
    if len(values) != len(curve.parameters):
        raise ValueError(
            f"fit_mixed: start has {len(values)} values, expected {len(curve.parameters)} "
            f"({', '.join(curve.parameters)})."
        )
    return values


def _check_observations(
    where: str, curve: Curve, x: Array, y: Array, weight: Array, group: Ints, *, log: bool
) -> None:
    if not len(x) == len(y) == len(weight) == len(group):
        raise ValueError(
            f"{where}: lengths of x, y, weights and group are {len(x)}, {len(y)}, {len(weight)}, {len(group)}, "
            "expected all alike."
        )
    bad = ~(np.isfinite(y) & np.isfinite(weight) & np.all(np.isfinite(x.reshape(len(x), -1)), axis=1))
    if bad.any():
        raise FitError(
            where,
            f"{int(bad.sum())} observations without a number",
            "finite x, y and weights",
            "Drop these rows.",
        )
    if np.any(weight <= 0):
        raise FitError(where, "a weight of zero or below", "weights above 0", "Drop these rows.")
    if log and np.any(y <= 0):
        raise FitError(
            where, "y of zero or below", "y above 0 for error='log'", "Drop these rows or use 'normal'."
        )
    need = len(curve.parameters) + 1
    if len(y) < need:
        raise FitError(
            where, f"{len(y)} observations", f"at least {need}", "Wait for more samples, or pool more groups."
        )
    if len(np.unique(x.reshape(len(x), -1), axis=0)) < 2:
        raise FitError(where, "all observations at one x", "at least two", "Wait for a second sampling date.")


def _pooled(
    where: str, curve: Curve, x: Array, y: Array, root_w: Array, start: Array, prior: Mapping | None
) -> Array:
    """Least squares over all groups as a start; the given start stands when that fails."""
    known = [(i, *prior[name]) for i, name in enumerate(curve.parameters) if prior and name in prior]
    scale = np.maximum(np.abs(start), 1e-3)
    spread = float(np.std(y)) or 1.0

    def residuals(t: Array) -> Array:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            out = (curve(x, *(t * scale)) - y) * root_w
        extra = [0.1 * spread * (t[i] * scale[i] - mean) / sd for i, mean, sd in known]
        return np.nan_to_num(np.concatenate([out, extra]), nan=1e6, posinf=1e6, neginf=-1e6)

    if not np.all(np.isfinite(curve(x, *start))):
        raise FitError(
            where,
            "no value of the curve at its starting values",
            "a finite curve",
            "Give other starting values.",
        )
    found = least_squares(residuals, start / scale, x_scale="jac", max_nfev=200)
    values = found.x * scale
    slopes = curve.gradient(x, *values)
    fine = np.all(np.isfinite(values)) and np.all(np.isfinite(slopes)) and np.all(np.any(slopes != 0, axis=0))
    return values if fine else start


@dataclass(frozen=True)
class _Prior:
    """Priors of `fit_mixed` on the fixed values, on log standard deviations, on log sigma and log level sd."""

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    given: dict[str, tuple[float, float]]

    def __post_init__(self) -> None:
        allowed = {*self.fixed, *(f"sd({name})" for name in self.random), "sigma", "level"}
        unknown = sorted(set(self.given) - allowed)
        if unknown:
            raise ValueError(
                f"fit_mixed: prior for {', '.join(unknown)}, expected names among {sorted(allowed)}."
            )

    def penalty(self, t: Array, spread: _Spread) -> tuple[float, Array]:
        """Negative log prior and its gradient by t."""
        gradient = np.zeros_like(t)
        if not self.given:
            return 0.0, gradient
        fixed, root_cov, log_sigma, log_level = spread.split(t)
        p = len(fixed) if spread.with_fixed else 0
        q = len(spread.sd)
        total = 0.0
        sds = np.sqrt(np.sum(root_cov**2, axis=1))
        for name, (mean, sd) in self.given.items():
            if name in self.fixed:
                if not p:
                    continue
                i = self.fixed.index(name)
                z = (fixed[i] - mean) / sd
                gradient[i] += z / sd * spread.scale[i]
            elif name == "sigma":
                z = (log_sigma - np.log(mean)) / sd
                gradient[p + q + len(spread.lower[0])] += z / sd
            elif name == "level":
                if spread.log_level is None:
                    continue
                z = (log_level - np.log(mean)) / sd
                gradient[-1] += z / sd
            else:
                i = self.random.index(name[3:-1])
                z = (np.log(sds[i]) - np.log(mean)) / sd
                share = root_cov[i] / sds[i] ** 2  # d log sd / d root element
                gradient[p + i] += z / sd * share[i] * root_cov[i, i]
                mine = spread.lower[0] == i
                gradient[p + q : p + q + len(mine)][mine] += (
                    z / sd * share[spread.lower[1][mine]] * spread.sd[i]
                )
            total += 0.5 * z * z
        return total, gradient


def _linearised_at(problem: _Problem, layout: _Layout, modes_at: Callable) -> Callable:
    """Likelihood of the model linearised at the modes of the penalised least squares (fixed values among them)."""

    def fit_at(t: Array) -> tuple[_Laplace, _Outer, _Modes]:
        outer, modes = modes_at(t)
        if layout is problem.layout:
            return _laplace(problem, outer, modes, through_mode=False), outer, modes
        curve_border = problem.layout.curve_border
        inner_outer = _Outer(
            outer.phi0,
            outer.q_inner,
            outer.q_border[:, curve_border:, curve_border:],
            outer.mean_border[:, curve_border:],
            outer.log_sigma,
        )
        inner_problem = _Problem(layout, problem.evaluate, problem.y, problem.weight, problem.nu)
        inner_modes = _Modes(
            modes.inner,
            modes.border[:, curve_border:],
            modes.penalised,
            modes.gradient,
            modes.hessian,
            modes.residual,
            modes.loss,
            modes.converged,
        )
        return _laplace(inner_problem, inner_outer, inner_modes, through_mode=False), inner_outer, modes

    return fit_at


def _solve_linearised(
    objective: Callable[[Array], tuple[float, Array]], begin: Array
) -> tuple[Array, Array, Array]:
    """Root of the gradient of the linearised likelihood, which is not the gradient of any one function."""
    point = begin
    for _ in range(30):  # damped steps bring the root search into its neighbourhood
        _, gradient = objective(point)
        hessian = _slope_of(lambda t: objective(t)[1], point, 1e-3)
        step = _positive_solve(hessian, gradient)
        step = step / max(1.0, float(np.abs(step).max()))
        point = point - step
        if np.abs(step).max() < 1e-3:
            break
    found = root(lambda t: objective(t)[1], point, method="hybr", options={"xtol": 1e-13})
    if np.abs(found.fun).max() < np.abs(objective(point)[1]).max():
        point = found.x
    return point, objective(point)[1], _slope_of(lambda t: objective(t)[1], point)


# --- oil in the fruit ------------------------------------------------------------------------------------------

PAST_SEASONS = 4  # earlier seasons that still speak; older ones say nothing new about a block
PLATEAU_BOUNDS_PCT = (15.0, 60.0)
"""Draws of the plateau stay inside: oil per dry matter seldom passes 50 % (Zipori et al., Grasas y Aceites)."""

_OIL_NAMES = ("log_plateau", "midpoint", "log_scale")

_HYPER = (
    # name, median, sd of the logarithm; midpoints are in units of the cultivars' median scale
    ("lasting log_plateau", 0.035, 0.6),
    ("lasting midpoint", 0.24, 0.6),
    ("lasting log_scale", 0.06, 0.6),
    ("this season log_plateau", 0.035, 0.6),
    ("this season midpoint", 0.24, 0.6),
    ("this season log_scale", 0.06, 0.6),
    ("season log_plateau", 0.04, 0.5),
    ("season midpoint", 0.30, 0.5),
    ("season log_scale", 0.08, 0.5),
    ("week", 0.02, 0.6),
    ("sample", 0.06, 0.4),
)
"""Priors of the standard deviations, log-normal. Medians are assumptions of ours (no published figures found)."""

PRIOR_COLUMNS = (
    "plateau_dry_pct",
    "plateau_sd_fraction",
    "midpoint_d",
    "midpoint_sd_d",
    "scale_d",
    "scale_sd_log",
    "source",
)

PUBLISHED_PLATEAUS = {"Arbequina": 41.8, "Arbosana": 45.4, "Koroneiki": 45.7}
"""Highest dry oil [%] in super-high-density orchards, California, three seasons: Polari, Crawford and Wang (2021),
Agronomy 11(2):313, abstract."""


def default_priors(
    cultivars: Sequence[str], *, midpoint_d: float = 45.0, scale_d: float = 19.0
) -> pd.DataFrame:
    """Priors of a first season, one row per cultivar.

    Parameters
    ----------
    cultivars : sequence of str
        Cultivar names.
    midpoint_d, scale_d : float
        Where half the plateau is expected and the time scale, in the unit of x [d at normal autumn warmth since the
        season's start]. The defaults are assumptions: half the oil in early September after a start on 1 August,
        and about 3 points of oil a week (weekly means of a district in Jaen, 2024, quoted in the trade press).

    Returns
    -------
    DataFrame
        Index cultivar; plateau_dry_pct [% of dry matter], plateau_sd_fraction, midpoint_d, midpoint_sd_d [d],
        scale_d [d], scale_sd_log, source.
    """
    names = list(dict.fromkeys(cultivars))
    known = [name in PUBLISHED_PLATEAUS for name in names]
    published = "plateau: Polari, Crawford and Wang 2021, Agronomy 11(2):313; times: assumed"
    return pd.DataFrame(
        {
            "plateau_dry_pct": [PUBLISHED_PLATEAUS.get(name, 45.0) for name in names],
            "plateau_sd_fraction": [0.08 if k else 0.12 for k in known],
            "midpoint_d": midpoint_d,
            "midpoint_sd_d": 15.0,
            "scale_d": scale_d,
            "scale_sd_log": 0.35,
            "source": [published if k else "assumed" for k in known],
        },
        index=pd.Index(names, name="cultivar"),
    )


@dataclass(frozen=True)
class OilDraws:
    """Joint draws of the oil curves of all blocks; one curve per draw and block, so dates are coherent.

    Attributes
    ----------
    block_ids : tuple of str
        Blocks, B of them.
    shape_names : tuple of str
        Names of shapes.
    shape : array (K, B) of int
        Which shape each draw follows; alike for all blocks of a cultivar within a draw.
    log_plateau, midpoint, log_scale : array (K, B)
        Curve parameters.
    """

    block_ids: tuple[str, ...]
    shape_names: tuple[str, ...]
    shape: Ints
    log_plateau: Array
    midpoint: Array
    log_scale: Array
    curves: tuple[Curve, ...]

    @property
    def plateau(self) -> Array:
        """Plateau of dry oil (K, B) [% of dry matter]."""
        return np.exp(self.log_plateau)

    def dry_pct(self, x: ArrayLike) -> Array:
        """Dry oil [% of dry matter] at x.

        Parameters
        ----------
        x : array (B, T) or (K, B, T)
            Where, in the unit of the fit.

        Returns
        -------
        array (K, B, T)
        """
        x = np.asarray(x, float)
        full = np.broadcast_to(x, (*self.shape.shape, x.shape[-1]))
        out = np.empty(full.shape)
        for s, curve in enumerate(self.curves):
            mine = self.shape == s
            if mine.any():
                own = (v[mine][:, None] for v in (self.log_plateau, self.midpoint, self.log_scale))
                out[mine] = np.exp(curve(full[mine], *own))
        return out


@dataclass(frozen=True)
class _OilData:
    """Samples sorted by cultivar, block and season, with the priors that the model reads."""

    layout: _Layout
    x: Array
    log_y: Array
    weight: Array
    mean: Array  # (cultivars, 3)
    sd: Array
    hyper_log: Array
    hyper_sd: Array

    def outer(self, t: Array) -> _Outer:
        """Engine inputs at standardised log standard deviations t."""
        layout, slots = self.layout, self.layout.slots
        variance = np.exp(2 * (self.hyper_log + self.hyper_sd * t))
        lasting, own, season, week = variance[0:3], variance[3:6], variance[6:9], variance[9]
        inner = np.zeros((slots, 3, slots, 3))
        border = np.zeros((layout.problems, slots, 3, slots, 3))
        together = np.eye(slots)
        for p in range(3):
            inner[:, p, :, p] = lasting[p] + own[p] * together
            border[:, :, p, :, p] = self.sd[:, p, None, None] ** 2 + season[p] * together
        q_border = np.zeros((layout.problems, layout.border, layout.border))
        n = layout.curve_border
        q_border[:, :n, :n] = np.linalg.inv(border.reshape(layout.problems, n, n))
        at = np.arange(n, layout.border)
        q_border[:, at, at] = 1 / week
        mean = np.zeros((layout.problems, layout.border))
        mean[:, :n] = np.tile(self.mean, slots)
        q_inner = np.linalg.inv(inner.reshape(layout.inner, layout.inner))
        return _Outer(np.zeros(3), q_inner, q_border, mean, 0.5 * float(np.log(variance[10])))

    def chain(self, t: Array, outer: _Outer, fit: _Laplace) -> Array:
        """Gradient by t, the prior of t apart."""
        layout, slots, n = self.layout, self.layout.slots, self.layout.curve_border
        variance = np.exp(2 * (self.hyper_log + self.hyper_sd * t))
        by_cov = -(outer.q_inner @ fit.d_q_inner @ outer.q_inner).reshape(slots, 3, slots, 3)
        curve_q = outer.q_border[:, :n, :n]
        by_border = -np.matmul(np.matmul(curve_q, fit.d_q_border[:, :n, :n]), curve_q)
        by_border = by_border.reshape(layout.problems, slots, 3, slots, 3)
        at = np.arange(n, layout.border)
        by_variance = np.concatenate(
            [
                np.einsum("apbp->p", by_cov),
                np.einsum("apap->p", by_cov),
                np.einsum("capap->p", by_border),
                [-np.sum(fit.d_q_border[:, at, at]) / variance[9] ** 2],
            ]
        )
        by_log = np.append(2 * variance[:10] * by_variance, fit.d_log_sigma)
        return by_log * self.hyper_sd


@dataclass(frozen=True)
class _Point:
    """Inner solution at one draw of the standard deviations, cut to what draws need."""

    border: Array  # (cultivars, border)
    border_root: Array
    block: Array  # (blocks, 3), this season's block effect
    block_root: Array  # (blocks, 3, 3), given the border
    reach: Array  # (blocks, 3, border)


@dataclass(frozen=True)
class _ShapeFit:
    """One shape fitted to all cultivars."""

    name: str
    t: Array
    t_covariance: Array
    modes: _Modes
    outer: _Outer
    log_evidence: Array  # (cultivars,)
    points: tuple[_Point, ...]  # none for a shape that no cultivar follows
    block_sd: Array  # (blocks, 3) posterior sd of this season's block effect
    curve_sd: Array  # (cultivars, 3) posterior sd of this season's cultivar curve
    converged: bool


def _fit_shape(
    name: str, curve: Curve, data: _OilData, before: _ShapeFit | None
) -> tuple[_ShapeFit, Callable]:
    """Fit one shape, starting where another ended; also gives the function that makes its points."""
    layout = data.layout

    def evaluate(phi: Array) -> tuple[Array, Array, Array]:
        return curve.derivatives(data.x, phi[:, 0], phi[:, 1], phi[:, 2])

    problem = _Problem(layout, evaluate, data.log_y, data.weight, STUDENT_NU)
    size = len(data.hyper_log)
    start = np.zeros(size)
    keep = {"inner": np.zeros((layout.groups, layout.inner)), "border": data.outer(start).mean_border}
    if before is not None:
        start, keep = before.t, {"inner": before.modes.inner, "border": before.modes.border}

    def at(t: Array) -> tuple[_Outer, _Modes]:
        outer = data.outer(t)
        modes = _find_modes(problem, outer, keep["inner"], keep["border"], warm="warm" in keep, close=1e-6)
        keep.update(inner=modes.inner, border=modes.border, warm=modes.inner)
        return outer, modes

    def objective(t: Array) -> tuple[float, Array]:
        outer, modes = at(t)
        fit = _laplace(problem, outer, modes)
        return fit.value + 0.5 * t @ t, data.chain(t, outer, fit) + t

    found = minimize(
        objective,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-3.0, 3.0)] * size,
        options={"ftol": 1e-8, "gtol": 1e-3, "maxiter": 60},
    )
    t = found.x
    gradient = objective(t)[1]
    rows = []
    for i in range(size):
        move = np.zeros(size)
        move[i] = 1e-3
        rows.append((objective(t + move)[1] - gradient) / 1e-3)
    hessian = 0.5 * (np.array(rows) + np.array(rows).T)
    values, vectors = np.linalg.eigh(hessian)
    values = np.maximum(values, 0.5)  # the prior alone gives 1; below it the curvature is noise
    t_covariance = (vectors / values) @ vectors.T
    outer, modes = at(t)
    fit = _laplace(problem, outer, modes)
    shared = -0.5 * float(t @ t) - 0.5 * float(np.log(values).sum())

    def points(n: int) -> tuple[_Point, ...]:
        noise = ndtri(qmc.Sobol(size, rng=1).random(n))
        moved = np.clip(t + noise @ (vectors / np.sqrt(values)).T, -2.5, 2.5)
        return tuple(_point(problem, *at(each)) for each in moved)

    cov, _ = fit.arrow.covariance()
    last = slice(layout.inner - 3, layout.inner)
    curve_last = np.arange(layout.curve_border - 3, layout.curve_border)
    shape_fit = _ShapeFit(
        name=name,
        t=t,
        t_covariance=t_covariance,
        modes=modes,
        outer=outer,
        log_evidence=-fit.each + shared / layout.problems,
        points=(),
        block_sd=np.sqrt(np.diagonal(cov[:, last, last], axis1=1, axis2=2)),
        curve_sd=np.sqrt(fit.arrow.s_inv[:, curve_last, curve_last]),
        converged=modes.converged,
    )
    return shape_fit, points


def _point(problem: _Problem, outer: _Outer, modes: _Modes) -> _Point:
    layout = problem.layout
    curvature = modes.loss.kappa * problem.weight * np.exp(-2 * outer.log_sigma)
    arrow = _arrow(layout, modes.gradient, curvature, None, outer.q_inner, outer.q_border)
    last = slice(layout.inner - 3, layout.inner)
    return _Point(
        modes.border,
        _root(arrow.s_inv),
        modes.inner[:, last],
        _root(arrow.a_inv[:, last, last]),
        arrow.reach[:, last],
    )


@dataclass(frozen=True)
class OilFit:
    """Oil curves of this season, all blocks, shapes averaged.

    Attributes
    ----------
    block_ids : tuple of str
        Blocks in the order of the table given, B of them.
    blocks : DataFrame
        block_id, cultivar, samples_n, past_samples_n, doubtful_n, borrowed_fraction (1 = all of the block's curve
        is its cultivar's), plateau_dry_p10_pct, plateau_dry_p50_pct, plateau_dry_p90_pct.
    residuals : DataFrame
        One row per sample in the order given: block_id, season, week, x, observed, fitted [% dry], residual_sd
        (standardised), weight (share that counts, at most 1).
    parameters : DataFrame
        cultivar, shape, part, name, value, se, prior_mean, prior_sd, low, high, at_bound, source. Standard
        deviations of logarithms carry se and prior_sd of their logarithm.
    shapes : DataFrame
        cultivar, shape, weight (sum 1 per cultivar), log_evidence.
    week_effects : DataFrame
        week, season, effect (of log oil), sd, samples_n.
    converged : bool
        Whether every shape's search ended at a mode.
    """

    block_ids: tuple[str, ...]
    blocks: pd.DataFrame
    residuals: pd.DataFrame
    parameters: pd.DataFrame
    shapes: pd.DataFrame
    week_effects: pd.DataFrame
    converged: bool
    curves: tuple[Curve, ...]
    shape_weights: Array  # (cultivars, shapes)
    block_rows: Ints  # position of each block among the fitted groups
    block_cultivar: Ints
    shape_fits: tuple[_ShapeFit, ...]
    layout: _Layout

    def draw(self, n: int, rng: np.random.Generator) -> OilDraws:
        """Joint draws of all blocks' curves.

        Parameters
        ----------
        n : int
            Number of draws K.
        rng : numpy Generator
            Source of chance.

        Returns
        -------
        OilDraws
            Shapes in proportion to their weights, cultivar by cultivar.
        """
        cultivars, shapes = self.shape_weights.shape
        chosen = np.empty((n, cultivars), np.intp)
        for c in range(cultivars):
            edges = np.cumsum(self.shape_weights[c])
            even = (np.arange(n) + rng.random()) / n
            chosen[:, c] = rng.permutation(np.minimum(np.searchsorted(edges, even * edges[-1]), shapes - 1))
        which = chosen[:, self.block_cultivar]
        phi = np.empty((n, len(self.block_ids), 3))
        for s, fit in enumerate(self.shape_fits):
            mine = which == s
            noise = rng.standard_normal((n, cultivars, self.layout.border))
            own = rng.standard_normal((n, len(self.block_ids), 3))
            if mine.any():
                phi[mine] = self._shape_draws(fit, n, noise, own, rng)[mine]
        low, high = np.log(PLATEAU_BOUNDS_PCT)
        return OilDraws(
            block_ids=self.block_ids,
            shape_names=tuple(c.name for c in self.curves),
            shape=which,
            log_plateau=np.clip(phi[..., 0], low, high),
            midpoint=phi[..., 1],
            log_scale=phi[..., 2],
            curves=self.curves,
        )

    def _shape_draws(
        self, fit: _ShapeFit, n: int, noise: Array, own: Array, rng: np.random.Generator
    ) -> Array:
        """Draws (n, B, 3) of one shape; draw k uses one draw of the standard deviations."""
        phi = np.empty((n, len(self.block_ids), 3))
        curve = slice(self.layout.curve_border - 3, self.layout.curve_border)
        for h, members in enumerate(np.array_split(rng.permutation(n), len(fit.points))):
            if not len(members):
                continue
            point = fit.points[h]
            away = np.einsum("cij,kcj->kci", point.border_root, noise[members])
            typical = point.border[:, curve] + away[:, :, curve]
            given = np.einsum("bij,kbj->kbi", point.reach[self.block_rows], away[:, self.block_cultivar])
            spread = np.einsum("bij,kbj->kbi", point.block_root[self.block_rows], own[members])
            phi[members] = typical[:, self.block_cultivar] + point.block[self.block_rows] - given + spread
        return phi


def fit_oil(
    x: ArrayLike,
    y: ArrayLike,
    block: ArrayLike,
    cultivar: ArrayLike,
    week: ArrayLike,
    season: ArrayLike,
    *,
    current: int,
    blocks: pd.DataFrame | None = None,
    priors: pd.DataFrame | None = None,
    weights: ArrayLike | None = None,
    error_cv_prior: float = 0.06,
    shapes: Sequence[str] = ("logistic", "plateau_line", "gompertz"),
    n_points: int = 16,
    seed: int = 0,
) -> OilFit:
    """Fit the oil curves of every block of this season, past seasons speaking as far as they prove to repeat.

    Parameters
    ----------
    x : array (N,)
        Thermal time of each sample since the start of its own season [d at normal autumn warmth], or days.
    y : array (N,)
        Oil in dry matter, above 0 [%].
    block, cultivar : array (N,) of str
        Block and cultivar of each sample.
    week : array (N,)
        Label of the shared sampling or laboratory error; the same label in another season is another week.
    season : array (N,) of int
        Season of each sample.
    current : int
        This season.
    blocks : DataFrame, optional
        Columns block_id and cultivar: the blocks wanted, in this order; those without samples get their
        cultivar's curve. Without it, the blocks that have samples.
    priors : DataFrame, optional
        Index cultivar, columns as `default_priors`, which fills what is missing.
    weights : array (N,), optional
        Replicates behind each sample.
    error_cv_prior : float
        Expected coefficient of variation of one sample (fraction).
    shapes : sequence of str
        Names in `olivetime.ripening.curves.OIL_SHAPES`.
    n_points : int
        Draws of the standard deviations kept for `OilFit.draw`; a power of 2.
    seed : int
        Seed of the draws behind the plateau range in `blocks`.

    Returns
    -------
    OilFit

    Raises
    ------
    FitError
        When a sample is no number or not above zero, or nothing is given to fit.
    ValueError
        When an argument is wrong.

    Notes
    -----
    For cultivar c, block i, season s, week w::

        log y = log_plateau + G((x - midpoint) / scale) + delta_cw + e
        (log_plateau, midpoint, log_scale) = psi_cs + m_i + u_is

    with psi_cs around the cultivar's prior (shared between seasons) plus a season's own change, m_i the block's
    lasting effect, u_is its effect of this season only, delta the shared error of a week, e Student with 6
    degrees of freedom. Effects are normal, their standard deviations have log-normal priors (table
    `parameters`). All effects are found together; standard deviations maximise the Laplace-approximated posterior
    and are then drawn from its normal approximation. Shapes are weighted by approximated evidence, cultivar by
    cultivar.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    block, cultivar = np.asarray(block, object).astype(str), np.asarray(cultivar, object).astype(str)
    week, season = np.asarray(week, object).astype(str), np.asarray(season, np.int64)
    weight = np.ones(len(y)) if weights is None else np.asarray(weights, float)
    if len({len(v) for v in (x, y, block, cultivar, week, season, weight)}) != 1:
        raise ValueError(
            "fit_oil: x, y, block, cultivar, week, season and weights differ in length, expected all alike."
        )
    unknown = [name for name in shapes if name not in OIL_SHAPES]
    if unknown or not shapes:
        raise ValueError(
            f"fit_oil: shapes are {tuple(shapes)}, expected names among {', '.join(OIL_SHAPES)}."
        )
    bad = np.flatnonzero(~(np.isfinite(x) & np.isfinite(y) & (y > 0) & (weight > 0)))
    if len(bad):
        raise FitError(
            f"sample {bad[0] + 1} of block {block[bad[0]]}",
            f"x = {x[bad[0]]:g}, oil_dry_pct = {y[bad[0]]:g}",
            "finite x and oil above 0 %",
            "Correct the sample or leave it out.",
        )
    if np.any(season > current):
        raise FitError(
            "oil samples",
            f"season {season.max()}",
            f"no season after {current}",
            "Check the dates of the samples.",
        )

    table = _block_table(block, cultivar, season, current, blocks)
    if not len(table):
        raise FitError(
            "oil samples", "no block and no sample", "at least one block", "Give the table of blocks."
        )
    kept = season >= np.unique(np.append(season, current))[-(PAST_SEASONS + 1) :][0]
    names = sorted(set(table["cultivar"]))
    table["problem"] = pd.Categorical(table["cultivar"], categories=names).codes
    groups = table.sort_values(["problem", "block_id"], kind="stable").reset_index(drop=True)
    row = pd.Series(np.arange(len(groups)), index=groups["block_id"])
    seasons = np.unique(np.append(season[kept], current))
    group, slot = row.loc[block[kept]].to_numpy(), np.searchsorted(seasons, season[kept])
    order = np.argsort(group * len(seasons) + slot, kind="stable")
    group, slot = group[order], slot[order]
    problem_of = groups["problem"].to_numpy().astype(np.intp)
    labels = pd.DataFrame(
        {"problem": problem_of[group], "season": season[kept][order], "week": week[kept][order]}
    )
    weeks = labels.drop_duplicates().sort_values(["problem", "season", "week"]).reset_index(drop=True)
    weeks["level"] = weeks.groupby("problem").cumcount()
    level = labels.merge(weeks, how="left")["level"].to_numpy().astype(np.intp)
    layout = _layout(
        group,
        slot,
        level,
        size=3,
        random=range(3),
        slots=len(seasons),
        group_problem=problem_of,
        problems=len(names),
        levels=int(weeks["level"].max()) + 1 if len(weeks) else 1,
        border_curve=True,
    )
    prior = _filled_priors(priors, names)
    hyper = np.array([median for _, median, _ in _HYPER])
    hyper[[1, 4, 7]] *= float(np.median(prior["scale_d"]))
    hyper[10] = error_cv_prior
    data = _OilData(
        layout=layout,
        x=x[kept][order],
        log_y=np.log(y[kept][order]),
        weight=weight[kept][order],
        mean=np.column_stack(
            [np.log(prior["plateau_dry_pct"]), prior["midpoint_d"], np.log(prior["scale_d"])]
        ),
        sd=prior[["plateau_sd_fraction", "midpoint_sd_d", "scale_sd_log"]].to_numpy(float),
        hyper_log=np.log(hyper),
        hyper_sd=np.array([sd for _, _, sd in _HYPER]),
    )
    fits, make_points, before = [], [], None
    for name in shapes:
        before, points = _fit_shape(name, OIL_SHAPES[name], data, before)
        fits.append(before)
        make_points.append(points)
    evidence = np.column_stack([fit.log_evidence for fit in fits])
    shape_weights = _shape_weights(evidence)
    followed = shape_weights.max(axis=0) > 1e-3
    shape_weights[:, ~followed] = 0.0
    shape_weights /= shape_weights.sum(axis=1, keepdims=True)
    fits = tuple(
        replace(fit, points=points(n_points)) if used else fit
        for fit, points, used in zip(fits, make_points, followed, strict=True)
    )

    wanted = list(table["block_id"][table["wanted"]])
    rows = row.loc[wanted].to_numpy()
    own_weights = shape_weights[problem_of]
    residuals = _oil_residuals(data, fits, shape_weights, kept, order, block, season, week, x, y)
    fit = OilFit(
        block_ids=tuple(wanted),
        blocks=pd.DataFrame(),
        residuals=residuals,
        parameters=_oil_parameters(data, fits, names, prior),
        shapes=pd.DataFrame(
            {
                "cultivar": np.repeat(names, len(shapes)),
                "shape": list(shapes) * len(names),
                "weight": shape_weights.ravel(),
                "log_evidence": evidence.ravel(),
            }
        ),
        week_effects=_oil_weeks(data, fits, shape_weights, weeks),
        converged=all(f.converged for f in fits),
        curves=tuple(OIL_SHAPES[name] for name in shapes),
        shape_weights=shape_weights,
        block_rows=rows,
        block_cultivar=problem_of[rows],
        shape_fits=fits,
        layout=layout,
    )
    prior_sd = np.array(
        [
            np.sqrt(
                np.exp(2 * (data.hyper_log + data.hyper_sd * f.t))[[0, 1, 2]]
                + np.exp(2 * (data.hyper_log + data.hyper_sd * f.t))[[3, 4, 5]]
            )
            for f in fits
        ]
    )
    share = np.stack([np.mean(f.block_sd / prior_sd[i], axis=1) for i, f in enumerate(fits)], axis=1)
    borrowed = np.clip(np.sum(own_weights * share, axis=1), 0, 1)[rows]
    plateau = np.quantile(fit.draw(400, np.random.default_rng(seed)).plateau, [0.1, 0.5, 0.9], axis=0)
    mine = residuals["season"] == current
    counts = residuals[mine].groupby("block_id").size()
    doubtful = residuals[mine & (residuals["weight"] < 0.5)].groupby("block_id").size()
    past = residuals[~mine].groupby("block_id").size()
    summary = pd.DataFrame({"block_id": wanted, "cultivar": np.array(names, object)[problem_of[rows]]})
    for name, values in (("samples_n", counts), ("past_samples_n", past), ("doubtful_n", doubtful)):
        summary[name] = values.reindex(wanted).fillna(0).to_numpy().astype(int)
    summary["borrowed_fraction"] = borrowed
    for name, values in zip(("p10", "p50", "p90"), plateau, strict=True):
        summary[f"plateau_dry_{name}_pct"] = values
    return replace(fit, blocks=summary)


def _block_table(
    block: Array, cultivar: Array, season: Array, current: int, blocks: pd.DataFrame | None
) -> pd.DataFrame:
    """Blocks wanted, then blocks known from samples only (they still speak for their cultivar)."""
    sampled = pd.DataFrame({"block_id": block, "cultivar": cultivar, "season": season}).sort_values(
        "season", kind="stable"
    )
    sampled = sampled.drop_duplicates("block_id", keep="last")[["block_id", "cultivar"]]
    if blocks is None:
        out = sampled.sort_values("block_id").assign(wanted=True)
    else:
        given = pd.DataFrame(
            {
                "block_id": blocks["block_id"].astype(str),
                "cultivar": blocks["cultivar"].astype(str),
                "wanted": True,
            }
        )
        others = sampled[~sampled["block_id"].isin(given["block_id"])].assign(wanted=False)
        out = pd.concat([given, others], ignore_index=True)
    if out["block_id"].duplicated().any():
        twice = out["block_id"][out["block_id"].duplicated()].iloc[0]
        raise FitError(
            "table of blocks", f"block {twice} twice", "each block once", "Remove one of the rows."
        )
    return out.reset_index(drop=True)


def _filled_priors(priors: pd.DataFrame | None, names: list[str]) -> pd.DataFrame:
    base = default_priors(names)
    if priors is None:
        return base
    known = priors.reindex(names)
    for column in (c for c in base if c in known):
        base[column] = known[column].where(known[column].notna(), base[column])
    numbers = base.drop(columns="source").astype(float)
    if (
        not (
            np.isfinite(numbers.to_numpy())
            & (numbers.drop(columns="midpoint_d") > 0).reindex(columns=numbers.columns, fill_value=True)
        )
        .to_numpy()
        .all()
    ):
        raise ValueError(
            "fit_oil: priors hold a value that is not finite or a spread not above 0, expected numbers."
        )
    base[numbers.columns] = numbers
    return base


def _shape_weights(evidence: Array) -> Array:
    """Weights per cultivar; how common each shape is is learnt from all cultivars (ten rounds suffice)."""
    common = np.full(evidence.shape[1], 1 / evidence.shape[1])
    for _ in range(10):
        score = evidence - evidence.max(axis=1, keepdims=True) + np.log(common)
        weights = np.exp(score - score.max(axis=1, keepdims=True))
        weights /= weights.sum(axis=1, keepdims=True)
        common = (1 + weights.sum(axis=0)) / (weights.sum() + len(common))
    return weights


def _oil_residuals(data, fits, shape_weights, kept, order, block, season, week, x, y) -> pd.DataFrame:
    own = shape_weights[data.layout.obs_problem]
    standard = sum(own[:, i] * f.modes.residual for i, f in enumerate(fits))
    counted = sum(
        own[:, i] * (STUDENT_NU + 1) / (STUDENT_NU + f.modes.residual**2) for i, f in enumerate(fits)
    )
    fitted = sum(
        own[:, i] * (data.log_y - f.modes.residual * np.exp(f.outer.log_sigma) / np.sqrt(data.weight))
        for i, f in enumerate(fits)
    )
    at = np.flatnonzero(kept)[order]
    out = pd.DataFrame({"block_id": block, "season": season, "week": week, "x": x, "observed": y})
    for name, values in (
        ("fitted", np.exp(fitted)),
        ("residual_sd", standard),
        ("weight", np.minimum(counted, 1.0)),
    ):
        column = np.full(len(y), np.nan)
        column[at] = values
        out[name] = column
    return out


def _oil_weeks(
    data: _OilData, fits: tuple[_ShapeFit, ...], shape_weights: Array, weeks: pd.DataFrame
) -> pd.DataFrame:
    """Effect of each week over the cultivars sampled in it, weighted by their samples."""
    layout = data.layout
    column = layout.curve_border + weeks["level"].to_numpy()
    at = weeks["problem"].to_numpy()
    effect = sum(shape_weights[at, i] * f.modes.border[at, column] for i, f in enumerate(fits))
    key = layout.obs_problem * layout.levels + layout.week
    count = np.bincount(key, minlength=layout.problems * layout.levels)[
        at * layout.levels + weeks["level"].to_numpy()
    ]
    out = weeks.assign(effect=effect * count, samples_n=count)
    out = out.groupby(["season", "week"], as_index=False)[["effect", "samples_n"]].sum()
    out["effect"] = out["effect"] / out["samples_n"]
    return out[["week", "season", "effect", "samples_n"]]


def _oil_parameters(
    data: _OilData, fits: tuple[_ShapeFit, ...], names: list[str], prior: pd.DataFrame
) -> pd.DataFrame:
    """Cultivar curves of this season and standard deviations; low and high are the prior's 3-sd limits."""
    layout, rows = data.layout, []
    season_sd = slice(6, 9)
    for fit in fits:
        log_hyper = data.hyper_log + data.hyper_sd * fit.t
        typical = fit.modes.border[:, layout.curve_border - 3 : layout.curve_border]
        for c, cultivar in enumerate(names):
            sd = np.sqrt(data.sd[c] ** 2 + np.exp(2 * log_hyper[season_sd]))
            for p, name in enumerate(("plateau_dry_pct", "midpoint_d", "scale_d")):
                low, high = data.mean[c, p] - 3 * sd[p], data.mean[c, p] + 3 * sd[p]
                value, mean, se = typical[c, p], data.mean[c, p], fit.curve_sd[c, p]
                near = abs(value - mean) > 2.5 * sd[p]
                spread = sd[p]
                if name != "midpoint_d":
                    value, mean, low, high = np.exp([value, mean, low, high])
                    se, spread = se * value, spread * mean
                rows.append(
                    (
                        cultivar,
                        fit.name,
                        "curve",
                        name,
                        value,
                        se,
                        mean,
                        spread,
                        low,
                        high,
                        near,
                        prior["source"].iloc[c],
                    )
                )
        hyper_se = np.sqrt(np.diagonal(fit.t_covariance)) * data.hyper_sd
        for i, (name, _, _) in enumerate(_HYPER):
            low, mean, high = np.exp(data.hyper_log[i] + data.hyper_sd[i] * np.array([-3.0, 0.0, 3.0]))
            rows.append(
                (
                    "all",
                    fit.name,
                    "spread",
                    f"sd of {name}",
                    np.exp(log_hyper[i]),
                    hyper_se[i],
                    mean,
                    data.hyper_sd[i],
                    low,
                    high,
                    abs(fit.t[i]) > 2.9,
                    "assumed",
                )
            )
    columns = [
        "cultivar",
        "shape",
        "part",
        "name",
        "value",
        "se",
        "prior_mean",
        "prior_sd",
        "low",
        "high",
        "at_bound",
        "source",
    ]
    return pd.DataFrame(rows, columns=columns)
