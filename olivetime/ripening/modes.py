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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

Array = NDArray[np.floating]
Ints = NDArray[np.intp]
Evaluate = Callable[[Array], tuple[Array, Array, Array]]
LOG_2PI = float(np.log(2 * np.pi))


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
    q = nu + r * r
    scale = (nu + 1) ** 2 / (nu + 3)
    return Loss(
        0.5 * (nu + 1) * np.log1p(r * r / nu),
        (nu + 1) * r / q,
        (nu + 1) * (nu - r * r) / q**2,
        scale / q,
        -2 * scale * r / q**2,
    )


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
    one_per_level: bool = field(init=False)  # no group has two observations of one slot at one level

    def __post_init__(self) -> None:
        put = lambda name, value: object.__setattr__(self, name, value)  # noqa: E731 (frozen dataclass)
        put("obs_group", self.cell_group[self.cell])
        put("obs_slot", self.cell_slot[self.cell])
        put("obs_problem", self.group_problem[self.obs_group])
        edges = np.arange(self.problems + 1)
        put("first_group", np.searchsorted(self.group_problem, edges))
        put("first_obs", np.searchsorted(self.obs_problem, edges))
        put("places", self._places())
        pairs = self.cell * max(self.levels, 1) + self.week
        put("one_per_level", len(np.unique(pairs)) == len(pairs))

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
            "curve_curve": (problem[:, None, None] * border + column[:, :, None]) * border + column[:, None, :],
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
    cells, start, cell = np.unique(key, return_index=True, return_inverse=True)
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
        cell_start=start.astype(np.intp),
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


def log_det(matrices: Array) -> Array:
    """Log determinants of a stack of positive definite matrices; raises LinAlgError on any other."""
    factor = np.linalg.cholesky(matrices)
    return 2 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)


def factor(
    layout: Layout,
    gradient: Array,
    weight: Array,
    bend: Array | None,
    q_inner: Array,
    q_border: Array,
) -> Arrow:
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
    logdet = layout.by_problem(log_det(a), layout.first_group)
    a_inv = np.linalg.inv(a)
    if not border:
        return Arrow(
            layout,
            a_inv,
            np.zeros((layout.groups, layout.inner, 0)),
            np.zeros((layout.problems, 0, 0)),
            logdet,
        )

    places = layout.places
    c: Array = np.zeros(layout.groups * layout.inner * border)
    square = layout.problems * border * border
    e = np.zeros(square)
    if layout.border_curve:
        c[places["group_curve"]] = rows.reshape(-1)
        e += np.bincount(places["curve_curve"], cells.reshape(-1), square)
    if layout.levels:
        if layout.one_per_level:
            c[places["group_level"]] = weighted[:, random].reshape(-1)
        else:
            c += np.bincount(places["group_level"], weighted[:, random].reshape(-1), len(c))
        e += np.bincount(places["level_level"], weight, square)
        if layout.border_curve:
            both = np.bincount(places["curve_level"], weighted.reshape(-1), square).reshape(-1, border, border)
            e += (both + np.swapaxes(both, 1, 2)).reshape(-1)
    corner = e.reshape(layout.problems, border, border) + q_border
    c = c.reshape(layout.groups, layout.inner, border)
    reach = np.matmul(a_inv, c)
    for p in range(layout.problems):  # a few cultivars, one matrix product each
        part = slice(layout.first_group[p], layout.first_group[p + 1])
        corner[p] -= c[part].reshape(-1, border).T @ reach[part].reshape(-1, border)
    corner = 0.5 * (corner + np.swapaxes(corner, 1, 2))
    return Arrow(layout, a_inv, reach, np.linalg.inv(corner), logdet + log_det(corner))


# --- modes and the approximated likelihood ---------------------------------------------------------------------


@dataclass(frozen=True)
class Problem:
    """Data of one engine call: layout, expected values and their derivatives, observations, loss."""

    layout: Layout
    evaluate: Evaluate  # (N, P) -> value (N,), gradient (N, P), hessian (N, P, P)
    y: Array
    weight: Array  # replicates: the error variance is sigma^2 / weight
    nu: float | None


@dataclass(frozen=True)
class Outer:
    """Outer quantities of one engine call."""

    phi0: Array
    q_inner: Array
    q_border: Array  # (problems, border, border); zero rows for flat directions
    mean_border: Array  # (problems, border)
    log_sigma: float


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


def _state(problem: Problem, outer: Outer, inner: Array, border: Array) -> tuple:
    layout = problem.layout
    phi = layout.parameters(outer.phi0, inner, border)[layout.cell]
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient, hessian = problem.evaluate(phi)
        root_w = np.sqrt(problem.weight) * np.exp(-outer.log_sigma)
        r = (problem.y - value - layout.level_effects(border)) * root_w
        loss = loss_of(r, problem.nu)
        each = loss.rho + outer.log_sigma - 0.5 * np.log(problem.weight)
        fit = np.bincount(layout.obs_problem, each, layout.problems)
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
    for _ in range(budget):
        h, gradient, hessian, _, loss, root_w, push_inner, push_border = now
        slope = -loss.slope * root_w
        g_inner, g_border = layout.spread(slope, gradient)
        g_inner, g_border = g_inner + push_inner, g_border + push_border
        arrow = None
        if newton:
            try:
                arrow = factor(
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
            arrow = factor(layout, gradient, loss.kappa * root_w**2, None, outer.q_inner, outer.q_border)
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
    return Modes(inner, border, now[0], now[1], now[2], now[3], now[4], converged)


@dataclass(frozen=True)
class Laplace:
    """Approximated negative log likelihood and its derivatives by the outer quantities."""

    each: Array  # (problems,)
    modes: Modes
    arrow: Arrow
    d_phi0: Array
    d_q_inner: Array
    d_q_border: Array
    d_log_sigma: float

    @property
    def value(self) -> float:
        """Sum over problems."""
        return float(self.each.sum())


def laplace(problem: Problem, outer: Outer, modes: Modes, *, through_mode: bool = True) -> Laplace:
    """Value and derivatives at given modes.

    With `through_mode` False the modes and the slopes of the curve are taken as fixed (the linearised method).
    """
    layout = problem.layout
    gradient, hessian, r, loss = modes.gradient, modes.hessian, modes.residual, modes.loss
    root_w = np.sqrt(problem.weight) * np.exp(-outer.log_sigma)
    weight = loss.kappa * root_w**2
    slope = -loss.slope * root_w
    arrow = factor(layout, gradient, weight, None, outer.q_inner, outer.q_border)
    groups_in = np.diff(layout.first_group)
    prior_inner = log_det(outer.q_inner[None])[0] if layout.inner else 0.0
    prior_border = _log_det_part(outer.q_border)
    count = np.bincount(layout.obs_problem, minlength=layout.problems) * log_constant(problem.nu)
    flat = np.sum(np.diagonal(outer.q_border, axis1=1, axis2=2) == 0, axis=1)
    each = modes.penalised + 0.5 * (arrow.logdet - groups_in * prior_inner - prior_border - flat * LOG_2PI) + count

    cov, cross = arrow.covariance()
    random, q = layout.random, len(layout.random)
    shape = (layout.groups, layout.slots, q)
    cov_cells = cov.reshape(*shape, layout.slots, q)[layout.cell_group, layout.cell_slot, :, layout.cell_slot, :]
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
        with_week[:, random] = cross.reshape(*shape, layout.border)[layout.obs_group, layout.obs_slot, :, week]
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
    d_q_border = 0.5 * (away[:, :, None] * away[:, None, :] + arrow.s_inv) - 0.5 * _inverse_part(outer.q_border)
    d_log_sigma = np.sum(1 - loss.slope * r) + 0.5 * np.sum((-2 * loss.kappa - loss.kappa_slope * r) * root_w**2 * v)
    if not through_mode:
        return Laplace(each, modes, arrow, np.zeros(size), d_q_inner, d_q_border, float(d_log_sigma))

    weight_slope = -loss.kappa_slope * root_w**3
    t_phi = (0.5 * weight_slope * v)[:, None] * gradient + weight[:, None] * np.einsum("nij,nj->ni", hessian, c)
    d_phi0 = (slope[:, None] * gradient + t_phi).sum(axis=0)
    # t_phi is not a multiple of the gradient, so it is spread as a vector; its level part goes by itself
    t_inner, t_border = _spread_vectors(layout, t_phi, 0.5 * weight_slope * v)
    try:
        true = factor(
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
    d_phi0 = d_phi0 - (pull[:, None] * gradient + slope[:, None] * np.einsum("nij,nj->ni", hessian, a_phi)).sum(axis=0)
    side = a_inner.T @ inner
    d_q_inner = d_q_inner - 0.5 * (side + side.T)
    side_border = a_border[:, :, None] * away[:, None, :]
    d_q_border = d_q_border - 0.5 * (side_border + np.swapaxes(side_border, 1, 2))
    d_log_sigma = d_log_sigma - np.sum((loss.bend * r + loss.slope) * root_w * a_value)
    return Laplace(each, modes, arrow, d_phi0, d_q_inner, d_q_border, float(d_log_sigma))


def _spread_vectors(layout: Layout, phi: Array, value: Array) -> tuple[Array, Array]:
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
        return log_det(q)
    return log_det(q + flat[:, :, None] * np.eye(q.shape[-1]))


def _inverse_part(q: Array) -> Array:
    """Inverse over the directions that have a prior, zero elsewhere."""
    if not q.shape[-1]:
        return q
    flat = np.diagonal(q, axis1=1, axis2=2) == 0
    keep = ~flat
    return np.linalg.inv(q + flat[:, :, None] * np.eye(q.shape[-1])) * (keep[:, :, None] & keep[:, None, :])
