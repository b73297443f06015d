"""Curves for many groups at once: nonlinear mixed models by penalised Laplace approximation.

Two fits share the engine of `olivetime.ripening.modes`. `fit_mixed` is general: any curve of
`olivetime.ripening.curves`, any subset of its parameters varying between groups, an optional crossed level (such
as a week), priors where wanted. `fit_oil` is the model of oil in the fruit: cultivar, season, block and week
together, several shapes averaged.

References
----------
.. [1] Lindstrom and Bates (1990), Nonlinear mixed effects models for repeated measures data, Biometrics 46.
   From memory; the numbers are checked against R nlme in tests/published.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from olivetime.ripening.curves import OIL_SHAPES, Curve
from olivetime.ripening.linearised import (
    Linear,
    State,
    Sums,
    Tangents,
    gathered,
    likelihood,
    observed,
    positive_solve,
    slope_of,
    solve,
)
from olivetime.ripening.modes import (
    LOG_2PI,
    Array,
    Arrow,
    Ints,
    Known,
    Laplace,
    Layout,
    Modes,
    Outer,
    Problem,
    descend,
    even_noise,
    factor,
    find_modes,
    followed,
    laplace,
    layout_of,
    lean_of,
    modes_at_rest,
)
from olivetime.ripening.starts import other_starts, pooled, settled, untold

CLOSE = 0.05  # moves of the outer vector over which the effects are led by the last factors
STUDENT_NU = 6.0  # degrees of freedom of robust errors: near normal in the middle, a 4-sigma sample counts 0.3
_TINY = np.finfo(float).tiny


class FitError(ValueError):
    """A curve cannot be fitted; says where, what was found, what was expected and what to do."""

    def __init__(self, where: str, found: str, expected: str, do: str) -> None:
        self.where, self.found, self.expected, self.do = where, found, expected, do
        super().__init__(f"{where}: {found}, expected {expected}. {do}")


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
        Whether a highest point was found: no slope left, the likelihood curved downwards in every direction (apart
        from spreads that are zero), every parameter told by the observations.
    trouble : str
        What is wrong where `converged` is False; empty otherwise.
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
    trouble: str
    parameters: pd.DataFrame
    weights: Array
    fitted: Array
    covariance: Array  # of the outer vector, its own scale
    sensitivity: Array  # (outer, effects): how modes move with it
    fixed_scale: Array  # (outer, P): how the fixed values move with it
    arrow: Arrow

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
        return self.curve(x, *np.moveaxis(full[self.modes.index.get_indexer(pd.Index(np.atleast_1d(group)))], -1, 0))

    def group_parameters(self) -> pd.DataFrame:
        """Curve parameters of each group, index group."""
        out = pd.DataFrame([self.fixed] * len(self.modes), index=self.modes.index)
        out[self.modes.columns] += self.modes
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
        own = np.einsum("gij,ngj->ngi", _root(self.arrow.a_inv), rng.standard_normal((n, layout.groups, layout.inner)))
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
        if len(self.lower[0]):
            rel[self.lower] = t[p + q : p + q + len(self.lower[0])]
        rel.flat[:: q + 1] = np.exp(np.minimum(np.maximum(t[p : p + q], -12), 12))
        rest = t[p + q + len(self.lower[0]) :]
        level = self.log_level + rest[1] if self.log_level is not None else 0.0
        return fixed, self.sd[:, None] * rel, self.log_sigma + rest[0], level

    def outer(self, t: Array, layout: Layout) -> Outer:
        """Engine inputs."""
        fixed, root_cov, log_sigma, level = self.split(t)
        inverse = np.linalg.inv(root_cov) if len(self.sd) else root_cov
        q_border = np.zeros((1, layout.border, layout.border))
        at = np.arange(layout.curve_border, layout.border)
        q_border[:, at, at] = np.exp(-2 * level)
        return Outer(fixed, inverse.T @ inverse, q_border, np.zeros((1, layout.border)), log_sigma)

    def by_t(self, root_cov: Array, d_root: Array, d_log_sigma: float, d_log_level: float) -> Array:
        """Gradient by t, fixed values apart, from that by the root of the group covariance."""
        rest = np.array([d_log_sigma] if self.log_level is None else [d_log_sigma, d_log_level])
        own = np.diagonal(d_root) * np.diagonal(root_cov)
        below = (self.sd[:, None] * d_root)[self.lower] if len(self.lower[0]) else own[:0]
        return np.concatenate([own, below, rest])

    def root_moves(self, root_cov: Array) -> Array:
        """How the root of the group covariance moves with each element of t that it hangs on, (elements, q, q)."""
        q, low = len(self.sd), len(self.lower[0])
        moves, at = np.zeros((q + low, q, q)), np.arange(q)
        moves[at, at, at] = np.diagonal(root_cov)
        moves[q + np.arange(low), self.lower[0], self.lower[1]] = self.sd[self.lower[0]]
        return moves

    def told(self, root_cov: Array, told: Array, mixed: Array, told_sigma: float, told_level: float) -> Array:
        """Expected information about t, fixed values apart, from the parts of `olivetime.ripening.linearised`."""
        q, low = len(self.sd), len(self.lower[0])
        out = np.zeros((q + low + 1 + (self.log_level is not None),) * 2)
        out[q + low, q + low] = told_sigma
        if self.log_level is not None:
            out[-1, -1] = told_level
        if not q:
            return out
        at = np.arange(q)
        place = np.maximum(at[:, None], at) * (np.maximum(at[:, None], at) + 1) // 2 + np.minimum(at[:, None], at)
        if not low:  # each spread by itself
            out[:q, :q] = 2.0 * told[place, place]
            out[:q, q] = out[q, :q] = 2.0 * np.diagonal(mixed)
            return out
        turns = np.linalg.inv(root_cov) @ self.root_moves(root_cov)
        turns = turns + np.swapaxes(turns, 1, 2)
        four = told[place[:, :, None, None], place]  # (1 - held)_ij (1 - held)_kl
        half = np.einsum("bkl,jkli->bij", turns, four)
        out[: q + low, : q + low] = 0.5 * np.einsum("aij,bij->ab", turns, half)
        cross = np.einsum("aij,ji->a", turns, mixed)
        out[: q + low, q + low] = cross
        out[q + low, : q + low] = cross
        return out

    def chain(self, t: Array, fit: Laplace, layout: Layout, outer: Outer) -> Array:
        """Gradient by t."""
        _, root_cov, _, _ = self.split(t)
        by_root = -2 * (outer.q_inner @ fit.d_q_inner @ outer.q_inner) @ root_cov
        at = np.arange(layout.curve_border, layout.border)
        by_level = -2 * float(np.sum(fit.d_q_level * outer.q_border[:, at, at]))
        rest = self.by_t(root_cov, by_root, fit.d_log_sigma, by_level)
        return np.concatenate([fit.d_phi0 * self.scale, rest]) if self.with_fixed else rest


def _minimise(
    function: Callable[[Array], tuple[float, Array]], start: Array, guess: Array | None = None, budget: int = 25
) -> tuple[Array, Array, Array]:
    """Quasi-Newton search, then Newton steps by differences of the gradient; gives point, gradient and Hessian.

    `guess` is a guess of the Hessian at the start, where there is one.
    """

    def safe(t: Array) -> tuple[float, Array]:
        try:
            value, gradient = function(t)
        except np.linalg.LinAlgError:
            return np.inf, np.zeros_like(t)
        if not np.isfinite(value) or not np.all(np.isfinite(gradient)):
            return np.inf, np.zeros_like(t)
        return value, gradient

    if guess is None:
        from scipy.optimize import minimize  # half the time that scipy takes to load; a season's fit never comes here

        with np.errstate(invalid="ignore", over="ignore"):
            point = minimize(safe, start, jac=True, method="BFGS", options={"gtol": 1e-3, "maxiter": 80}).x
    else:
        point, _ = descend(safe, start, _positive_inverse(guess), limit=np.inf)
    value, gradient = safe(point)
    hessian, drift = slope_of(lambda t: safe(t)[1], point), 0.0
    for _ in range(budget):
        if np.abs(gradient).max(initial=0.0) < 1e-9:
            break
        step = positive_solve(hessian, gradient)
        step = step / max(1.0, float(np.abs(step).max()) / 2)
        for share in (1.0, 0.5, 0.2, 0.05, 0.01):
            ahead_value, ahead = safe(point - share * step)
            if ahead_value <= value + 1e-10 * (1 + abs(value)) and (
                ahead_value < value or np.abs(ahead).max() < np.abs(gradient).max()
            ):
                break
        else:
            break
        slow = share < 1 or np.abs(ahead).max() > 0.1 * np.abs(gradient).max()
        point, value, gradient = point - share * step, ahead_value, ahead
        drift += float(np.abs(share * step).max())
        if slow and drift > 1e-4:
            hessian, drift = slope_of(lambda t: safe(t)[1], point), 0.0
    if drift > 1e-3:
        hessian = slope_of(lambda t: safe(t)[1], point)
    return point, gradient, hessian


def _positive_inverse(hessian: Array) -> Array:
    values, vectors = np.linalg.eigh(hessian)
    floor = 1e-9 * max(float(values.max()), 1e-9)
    return (vectors / np.maximum(values, floor)) @ vectors.T


def _log_curve(curve: Curve) -> Curve:
    """Logarithm of a positive curve."""

    def terms(x: Array, *parameters: Array, order: int) -> tuple:
        p = range(len(parameters))
        if order < 2:
            value, first = curve.slopes(x, *parameters) if order else (curve(x, *parameters), None)
            return (np.log(value),) if first is None else (np.log(value), tuple(first[..., i] / value for i in p))
        value, gradient, hessian = curve.derivatives(x, *parameters)
        rel = gradient / value[..., None]
        bend = hessian / value[..., None, None] - rel[..., :, None] * rel[..., None, :]
        return np.log(value), tuple(rel[..., i] for i in p), tuple(tuple(bend[..., i, j] for j in p) for i in p)

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
    below: ArrayLike | None = None,
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
        Parameters that vary between groups; none of them gives one curve for all (with `restricted`, least squares
        as every textbook has it: sigma from n - P, standard errors from there).
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
    below : array (N,) of bool, optional
        True where y is a laboratory's limit and the result lay below it. Such a result counts with its chance of
        lying there; dropping it, or taking the limit for a value, would raise the curve where oil is low.

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
    for name, given, allowed in (
        ("covariance", covariance, ("full", "diagonal")),
        ("error", error, ("normal", "log", "student")),
        ("method", method, ("laplace", "linearised")),
    ):
        if given not in allowed:
            raise ValueError(f"fit_mixed: {name} is {given!r}, expected one of {', '.join(allowed)}.")
    unknown = [name for name in random if name not in curve.parameters]
    if unknown:
        raise ValueError(f"fit_mixed: random is {tuple(random)}, expected names among {', '.join(curve.parameters)}.")
    where = f"curve {curve.name}"
    x, y = np.asarray(x, float), np.asarray(y, float)
    under = np.zeros(len(y), bool) if below is None else np.asarray(below, bool)
    if len(under) != len(y):
        raise ValueError(f"fit_mixed: below has {len(under)} values, expected {len(y)}, one for each y.")
    if under.any() and (error == "student" or method == "linearised"):
        raise ValueError(
            f"fit_mixed: below with error={error!r} and method={method!r}, expected a normal or log error and "
            "method='laplace': results below a limit are not built for the others."
        )
    if error == "student" and method == "linearised":
        raise ValueError(
            "fit_mixed: error='student' with method='linearised', expected a normal or log error there. "
            "Use method='laplace'."
        )
    if len(y) and under.all():
        raise FitError(where, "only results below the limit", "at least one value", "Wait for a measured value.")
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

    priors = _Prior(curve.parameters, tuple(random), dict(prior or {}))
    begin = np.array(_starting_values(curve, xs, ys, start))
    held = [(i, *priors.given[name]) for i, name in enumerate(curve.parameters) if name in priors.given]
    through_all = pooled(model, xs, target, np.sqrt(ws), begin, held)
    if through_all is None:
        raise FitError(
            where,
            "no value of the curve at its starting values",
            "a finite curve",
            "Give other starting values.",
        )
    index = [curve.parameters.index(name) for name in random]
    levels = 0 if level_labels is None else len(level_labels)
    alone = not (index or levels or nu or under.any() or priors.given)
    # with nothing nonlinear to integrate over, the tangents are exact where they end
    linearised = method == "linearised" or not (index or nu or under.any())
    full = layout_of(
        gs,
        np.zeros_like(gs),
        week,
        size=len(begin),
        random=index,
        slots=1,
        group_problem=np.zeros(len(labels), np.intp),
        problems=1,
        levels=levels,
        border_curve=restricted or linearised,
    )

    def evaluate(phi: Array) -> tuple[Array, Array, Array | None]:
        columns = np.moveaxis(phi, -1, 0)
        return (*model.slopes(xs, *columns), None) if linearised else model.derivatives(xs, *columns)

    problem = Problem(full, evaluate, target, ws, nu, under[order] if under.any() else None)

    tried: list[_Found] = []

    def starts() -> Iterator[Array]:
        yield through_all.values
        yield from other_starts(model, xs, target, np.sqrt(ws), begin)  # looked for only where the first one fails

    for base in starts():
        try:
            if alone:
                one = _fit_alone(model, xs, problem, (base, begin), restricted)
            else:
                how = {"linearised": linearised, "restricted": restricted, "diagonal": covariance == "diagonal"}
                one = _fit_from(model, xs, problem, priors, base, **how)
        except np.linalg.LinAlgError:
            continue
        if np.isfinite(one.value) and np.all(np.isfinite(one.modes.inner)) and np.all(np.isfinite(one.modes.border)):
            tried.append(one)
            if not one.trouble:
                break
    if not tried:
        names = untold(model, xs, np.sqrt(ws), through_all.values)
        raise FitError(
            where,
            "no finite estimate" + (f", as {_not_told(names)}" if names else ""),
            "a curve that the samples can carry",
            "Give priors, let fewer parameters vary between groups, or wait for more samples.",
        )
    found = min(tried, key=lambda one: (bool(one.trouble), one.value))
    spread, point, hessian = found.spread, found.point, found.hessian
    value, outer, modes, arrow = found.value, found.outer, found.modes, found.arrow
    _, root_cov, log_sigma, log_level = spread.split(point)
    outer_covariance = _positive_inverse(hessian)
    p, names = len(begin), list(curve.parameters)
    fixed_scale = np.zeros((len(point), p))
    if spread.with_fixed:
        fixed = outer.phi0
        fixed_scale[:p] = np.diag(spread.scale)
        fixed_se = spread.scale * np.sqrt(np.diagonal(_positive_inverse(hessian[:p, :p])))
    else:
        fixed = modes.border[0, :p]
        fixed_se = np.sqrt(np.diagonal(arrow.s_inv[0])[:p]) if found.fixed_se is None else found.fixed_se
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
        random_corr=pd.DataFrame(root_cov @ root_cov.T / np.outer(sds, sds), index=list(random), columns=list(random)),
        sigma=float(np.exp(log_sigma)),
        level_sd=0.0 if level_labels is None else float(np.exp(log_level)),
        loglik=-value - (float(np.log(ys[~under[order]]).sum()) if error == "log" else 0.0),
        modes=pd.DataFrame(modes.inner, index=pd.Index(labels, name="group"), columns=list(random)),
        level_effects=pd.Series(modes.border[0, full.curve_border :], index=level_labels, dtype=float),
        converged=not found.trouble,
        trouble=found.trouble,
        parameters=_mixed_table(spread, priors, point, outer_covariance, fixed, fixed_se),
        weights=counted,
        fitted=fitted,
        covariance=outer_covariance,
        sensitivity=_mode_sensitivity(problem, spread, outer, modes, point),
        fixed_scale=fixed_scale,
        arrow=arrow,
    )


@dataclass(frozen=True)
class _Found:
    """Where one start led."""

    spread: _Spread
    point: Array
    hessian: Array
    value: float
    outer: Outer
    modes: Modes
    arrow: Arrow
    fixed_se: Array | None  # where it is known better than from the curvature
    trouble: str


def _sizes(model: Curve, x: Array, problem: Problem, base: Array) -> tuple[float, Array]:
    """Size of a residual, and of a step of each parameter that moves the curve as much."""
    target, weight = problem.y, problem.weight
    rms = float(np.sqrt(np.mean(weight * (target - model(x, *base)) ** 2)))
    rms = max(rms, 1e-6 * (float(np.ptp(target)) or abs(float(target[0])) or 1.0))
    return rms, rms / np.maximum(np.sqrt(np.mean(model.gradient(x, *base) ** 2, axis=0)), _TINY)


def _fit_alone(model: Curve, x: Array, problem: Problem, starts: Sequence[Array], restricted: bool) -> _Found:
    """One curve for all: least squares."""
    y, root_w, layout = problem.y, np.sqrt(problem.weight), problem.layout
    tried = [settled(model, x, y, root_w, one) for one in starts]
    fixed, squares, reached = min(tried, key=lambda one: (not np.isfinite(one[1]), one[1]))
    rms, size_of = _sizes(model, x, problem, starts[0])
    spread = _Spread(np.zeros(len(fixed)), size_of, np.zeros(0), _no_lower(), float(np.log(0.6 * rms)), None, False)
    free = len(y) - (len(fixed) if restricted else 0)
    told = np.log(max(np.sqrt(squares / free), _TINY))
    point = np.array([told - spread.log_sigma])
    own = np.linalg.qr(model.gradient(x, *fixed) * root_w[:, None] * size_of, mode="r")
    value = free * (0.5 * LOG_2PI + told + 0.5) - float(np.log(root_w).sum())
    if restricted:
        value += float(np.sum(np.log(np.maximum(np.abs(np.diagonal(own)) / size_of, _TINY))))
    outer = spread.outer(point, layout)
    modes = modes_at_rest(problem, outer, np.zeros((layout.groups, 0)), fixed[None], converged=reached)
    # from the slopes themselves, whose squares would lose half of the digits
    fixed_se = np.exp(told) * np.linalg.norm(np.linalg.pinv(own, rcond=1e-15), axis=1) * size_of
    flat = untold(model, x, root_w, fixed)
    trouble = _not_told(flat) if flat else "" if reached else "the search for the least squares did not end"
    arrow = _arrow(problem, outer, modes)
    return _Found(spread, point, np.array([[2.0 * free]]), value, outer, modes, arrow, fixed_se, trouble)


def _no_lower() -> tuple[Ints, Ints]:
    return np.zeros(0, np.intp), np.zeros(0, np.intp)


def _fit_from(
    model: Curve,
    x: Array,
    problem: Problem,
    priors: _Prior,
    base: Array,
    *,
    linearised: bool,
    restricted: bool,
    diagonal: bool,
) -> _Found:
    """Where the fit of fixed values and spreads leads from one start."""
    layout, root_w = problem.layout, np.sqrt(problem.weight)
    rms, size_of = _sizes(model, x, problem, base)
    spread = _Spread(
        base=np.zeros(len(base)) if layout.border_curve else base,
        scale=size_of,
        sd=0.7 * size_of[layout.random],
        lower=_no_lower() if diagonal else np.tril_indices(len(layout.random), -1),
        log_sigma=float(np.log(0.6 * rms)),
        log_level=float(np.log(0.4 * rms)) if layout.levels else None,
        with_fixed=not layout.border_curve,
    )
    prior_mean, prior_precision = priors.of_fixed()
    tangents = Tangents(
        evaluate=lambda phi: model.slopes(x, *np.moveaxis(phi, -1, 0)),
        y=problem.y,
        root_w=root_w,
        random=layout.random,
        group_obs=layout.group_obs,
        week=layout.week,
        levels=layout.levels,
        scale=size_of,
        spread=rms,
        prior_mean=prior_mean,
        prior_precision=prior_precision,
    )
    where_to_start = (tangents, spread, priors, base, layout.groups, restricted)
    point: Array
    gradient: Array
    hessian: Array
    if linearised:
        point, state, value, gradient, hessian, reached = _fit_linearised(*where_to_start)
        outer = spread.outer(point, layout)
        border = np.concatenate([state.fixed, state.level])[None]
        modes = modes_at_rest(problem, outer, state.inner, border, converged=reached)
    else:
        quick = None if problem.below is not None else _quick_start(*where_to_start)
        point, gradient, hessian, value, outer, modes = _fit_laplace(problem, spread, priors, base, quick)
    try:
        arrow = _arrow(problem, outer, modes)
    except np.linalg.LinAlgError:  # a parameter that is not told: held so little that it is seen as such
        at = np.arange(0 if spread.with_fixed else len(size_of))
        held = outer.q_border.copy()
        held[:, at, at] += 1e-13 * len(problem.y) / size_of[at] ** 2
        arrow = _arrow(problem, replace(outer, q_border=held), modes)
    trouble = _trouble(spread, priors, point, gradient, hessian, outer, modes, arrow)
    return _Found(spread, point, hessian, value, outer, modes, arrow, None, trouble)


def _arrow(problem: Problem, outer: Outer, modes: Modes) -> Arrow:
    """Factors at the end, by the Gauss-Newton curvature."""
    curvature = modes.loss.kappa * problem.weight * np.exp(-2 * outer.log_sigma)
    return factor(problem.layout, modes.gradient, curvature, None, outer.q_inner, outer.q_border)


SMALL = -4.0  # logarithm of a spread, against its start, below which it may be zero
STILL = 1e-4  # curvature of minus the log likelihood over a parameter's own size below which it is not told


def _not_told(names: Sequence[str]) -> str:
    return f"the observations do not tell {', '.join(names)}"


def _trouble(
    spread: _Spread,
    priors: _Prior,
    point: Array,
    gradient: Array,
    hessian: Array,
    outer: Outer,
    modes: Modes,
    arrow: Arrow,
) -> str:
    """What keeps the point from being a highest one, in words; empty when nothing does."""
    if not modes.converged:
        return "the search for the effects of the groups did not end"
    size, q = len(spread.base), len(spread.sd)
    p = size if spread.with_fixed else 0
    widest = point[p : p + q]
    if np.any(widest > 11.0):  # where `split` stops it
        names = [name for name, t in zip(priors.random, widest, strict=True) if t > 11.0]
        return f"the spread of {', '.join(names)} between groups grows without end"
    if not float(gradient @ positive_solve(hessian, gradient)) < 1e-6:
        return "the search ended on a slope"
    # a spread of zero is a highest point at the edge; what belongs to it has no curvature
    zero = widest < SMALL
    looked = np.ones(len(point), bool)
    looked[p : p + q] = ~zero
    if zero.any():
        looked[p + q : p + q + len(spread.lower[0])] = False
    curved = hessian[np.ix_(looked, looked)]
    unit = np.sqrt(np.maximum(np.abs(np.diagonal(curved)), _TINY))
    values, vectors = np.linalg.eigh(curved / np.outer(unit, unit))
    kept = np.flatnonzero(looked)
    labels = [f"value {name}" for name in priors.fixed[:p]] + [f"spread of {name}" for name in priors.random]
    if len(values) and values[0] < -1e-4:
        return "the likelihood rises in one direction from where the search ended"
    if len(values) and values[0] < 1e-7:
        among = [labels[i] if i < len(labels) else "" for i in kept[np.abs(vectors[:, 0]) > 0.1]]
        return _not_told([name for name in among if name] or ["the spreads"])
    if p:
        fixed, precise = outer.phi0, hessian[:p, :p] / np.outer(spread.scale, spread.scale)
    else:
        fixed, covariance = modes.border[0, :size], arrow.s_inv[0, :size, :size]
        unit = np.sqrt(np.diagonal(covariance))
        values, vectors = np.linalg.eigh(covariance / np.outer(unit, unit))
        if values[0] < 1e-12 * values[-1]:
            return _not_told([n for n, part in zip(priors.fixed, np.abs(vectors[:, -1]), strict=True) if part > 0.1])
        precise = np.linalg.inv(covariance)
    own = np.diagonal(precise) * np.maximum(np.abs(fixed), 1.0) ** 2
    if np.any(own < STILL):
        return _not_told([name for name, known in zip(priors.fixed, own, strict=True) if known < STILL])
    return ""


def _fit_laplace(
    problem: Problem,
    spread: _Spread,
    priors: _Prior,
    base: Array,
    quick: tuple[Array, State, Array] | None,
) -> tuple[Array, Array, Array, float, Outer, Modes]:
    """Best outer vector; gradient, Hessian, value, engine inputs and modes there.

    `quick` is the fixed point of the linearisation, a good start where the curves are well seen: outer vector,
    state, and a guess of the Hessian.
    """
    full = problem.layout
    begin_border = np.zeros((1, full.border))
    if full.border_curve:
        begin_border[0, : len(base)] = base
    keep: dict[str, Array] = {"inner": np.zeros((full.groups, full.inner)), "border": begin_border}

    last: list[tuple[Array, Outer, Laplace]] = []

    def fit_at(t: Array) -> tuple[Laplace, Outer]:
        outer, begin, warm = spread.outer(t, full), (keep["inner"], keep["border"]), False
        if last and np.abs(t - last[0][0]).max() < CLOSE:
            begin, warm = followed(problem, outer, last[0][2], last[0][1]), True
        modes = find_modes(problem, outer, *begin, warm=warm, close=1e-12 if warm else 1e-9)
        if np.all(np.isfinite(modes.inner)):
            keep["inner"], keep["border"] = modes.inner, modes.border
        fit = laplace(problem, outer, modes)
        last[:] = [(t, outer, fit)]
        return fit, outer

    def objective(t: Array) -> tuple[float, Array]:
        fit, outer = fit_at(t)
        extra, slope = priors.penalty(t, spread)
        return fit.value + extra, spread.chain(t, fit, full, outer) + slope

    start: Array = np.zeros(spread.names)
    guess: Array | None = None
    if quick is not None:
        moved, state, curved = quick
        border = np.concatenate([[] if spread.with_fixed else state.fixed, state.level])[None]
        usual, at_start = objective(start)[0], dict(keep)
        keep.update(inner=state.inner, border=border)
        if objective(moved)[0] < usual:
            start, guess = moved, curved
        else:
            keep.update(at_start)
    point, gradient, hessian = _minimise(objective, start, guess)
    fit, outer = fit_at(point)
    return point, gradient, hessian, fit.value, outer, fit.modes


def _mode_sensitivity(problem: Problem, spread: _Spread, outer: Outer, modes: Modes, point: Array) -> Array:
    """How group effects and border move with the outer vector: (outer, effects)."""
    layout, loss, r, gradient = problem.layout, modes.loss, modes.residual, modes.gradient
    root_w = np.sqrt(problem.weight) * np.exp(-outer.log_sigma)
    slope, weight = -loss.slope * root_w, loss.bend * root_w**2
    bend = None if modes.hessian is None else slope[:, None, None] * modes.hessian
    arrow = None
    if bend is not None:
        try:
            arrow = factor(layout, gradient, weight, bend, outer.q_inner, outer.q_border)
        except np.linalg.LinAlgError:
            bend = None
    if arrow is None:
        arrow = factor(layout, gradient, loss.kappa * root_w**2, None, outer.q_inner, outer.q_border)
    still = np.zeros_like(modes.inner), np.zeros_like(modes.border)
    pulls: list[tuple[Array, Array]] = []  # how the slope of the penalty moves with each element
    if spread.with_fixed:
        for k in range(layout.size):
            value = weight * gradient[:, k]
            vectors = value[:, None] * gradient + (0.0 if bend is None else bend[:, :, k])
            pulls.append(tuple(spread.scale[k] * part for part in layout.spread(vectors, value)))
    _, root_cov, _, _ = spread.split(point)
    for move in spread.root_moves(root_cov):
        turn = move @ root_cov.T
        pulls.append((modes.inner @ -(outer.q_inner @ (turn + turn.T) @ outer.q_inner), still[1]))
    value = root_w * (loss.bend * r + loss.slope)
    pulls.append(layout.spread(value[:, None] * gradient, value))
    if spread.log_level is not None:
        by_level = still[1].copy()
        at = np.arange(layout.curve_border, layout.border)
        by_level[:, at] = -2 * outer.q_border[:, at, at] * modes.border[:, at]
        pulls.append((still[0], by_level))
    rows = [arrow.solve(*pull) for pull in pulls]
    return -np.array([np.concatenate([inner.ravel(), border.ravel()]) for inner, border in rows])


def _mixed_table(
    spread: _Spread, priors: _Prior, point: Array, covariance: Array, fixed: Array, fixed_se: Array
) -> pd.DataFrame:
    """Rows of MixedFit.parameters; standard deviations get errors and limits on their logarithm."""
    _, root_cov, log_sigma, log_level = spread.split(point)
    own = [log_sigma] if spread.log_level is None else [log_sigma, log_level]
    q, variance = len(spread.sd), np.maximum(np.sum(root_cov**2, axis=1), _TINY)
    log_value = np.concatenate([0.5 * np.log(variance), own])
    slopes = np.zeros((len(point), len(log_value)))  # of these logarithms by the outer vector
    moves = spread.root_moves(root_cov)
    first = len(point) - len(own) - len(moves)
    slopes[first : first + len(moves), :q] = np.einsum("aij,ij->ai", moves, root_cov) / variance
    slopes[len(point) - len(own) + np.arange(len(own)), q + np.arange(len(own))] = 1.0
    log_se = np.sqrt(np.maximum(np.einsum("io,ij,jo->o", slopes, covariance, slopes), 0.0))
    names = [f"sd({name})" for name in priors.random] + ["sigma"] + ([] if spread.log_level is None else ["level"])
    parts = ["random"] * len(priors.random) + ["error"] + ([] if spread.log_level is None else ["level"])
    started = np.concatenate([np.log(spread.sd), [spread.log_sigma], [0.0] * (len(names) - len(spread.sd) - 1)])
    value, wide = np.exp(log_value), np.minimum(1.96 * log_se, 50.0)
    names = [*priors.fixed, *names]
    prior = np.array([priors.given.get(name, (np.nan, np.nan)) for name in names])
    near_zero = log_value < started - 5  # a spread a hundred times below its start has gone to zero
    return pd.DataFrame(
        {
            "part": ["fixed"] * len(fixed) + parts,
            "name": names,
            "value": np.concatenate([fixed, value]),
            "se": np.concatenate([fixed_se, value * log_se]),
            "low": np.concatenate([fixed - 1.96 * fixed_se, np.exp(log_value - wide)]),
            "high": np.concatenate([fixed + 1.96 * fixed_se, np.exp(log_value + wide)]),
            "prior_mean": prior[:, 0],
            "prior_sd": prior[:, 1],
            "at_bound": np.concatenate([np.zeros(len(fixed), bool), near_zero & (np.array(parts) == "random")]),
        }
    )


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


def _check_observations(where: str, curve: Curve, x: Array, y: Array, weight: Array, group: Ints, *, log: bool) -> None:
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
        raise FitError(where, "y of zero or below", "y above 0 for error='log'", "Drop these rows or use 'normal'.")
    need = len(curve.parameters) + 1
    if len(y) < need:
        raise FitError(
            where, f"{len(y)} observations", f"at least {need}", "Wait for more samples, or pool more groups."
        )
    if np.all(x == x[0]):
        raise FitError(where, "all observations at one x", "at least two", "Wait for a second sampling date.")


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
            raise ValueError(f"fit_mixed: prior for {', '.join(unknown)}, expected names among {sorted(allowed)}.")

    def of_fixed(self) -> tuple[Array, Array]:
        """Mean and precision for every fixed value; precision 0 without a prior."""
        pairs = [self.given.get(name, (0.0, np.inf)) for name in self.fixed]
        return np.array([mean for mean, _ in pairs]), np.array([1 / sd**2 for _, sd in pairs])

    def told(self, spread: _Spread) -> Array:
        """Rough information of the priors about t, fixed values apart."""
        q, low = len(spread.sd), len(spread.lower[0])
        out = np.zeros((q + low + 1 + (spread.log_level is not None),) * 2)
        for name, (_, sd) in self.given.items():
            if name == "sigma":
                out[q + low, q + low] += 1 / sd**2
            elif name == "level" and spread.log_level is not None:
                out[-1, -1] += 1 / sd**2
            elif name.startswith("sd("):
                i = self.random.index(name[3:-1])
                out[i, i] += 1 / sd**2
        return out

    def penalty(self, t: Array, spread: _Spread) -> tuple[float, Array]:
        """Negative log prior and its gradient by t."""
        gradient = np.zeros_like(t)
        if not self.given:
            return 0.0, gradient
        fixed, root_cov, log_sigma, log_level = spread.split(t)
        p = len(fixed) if spread.with_fixed else 0
        q = len(spread.sd)
        sds = np.sqrt(np.sum(root_cov**2, axis=1))
        # density of the correlations proportional to their determinant (Lewandowski, Kurowicka and Joe 2009 with
        # eta = 2; from memory): it keeps them off plus and minus one and says little else
        own, rows = np.diagonal(root_cov), spread.lower[0]
        below = root_cov[spread.lower]
        total = float(-2 * np.sum(np.log(own / sds)))
        gradient[p : p + q] = -2 * (1 - (own / sds) ** 2)
        gradient[p + q : p + q + len(below)] = 2 * below / sds[rows] ** 2 * spread.sd[rows]
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
                gradient[p + i] += z / sd * (own[i] / sds[i]) ** 2
                mine = np.flatnonzero(rows == i)
                gradient[p + q + mine] += z / sd * below[mine] / sds[i] ** 2 * spread.sd[i]
            total += 0.5 * z * z
        return total, gradient


def _linear_model(tangents: Tangents, spread: _Spread, priors: _Prior, restricted: bool) -> Callable:
    """Value, gradient and (when asked) expected information by t, fixed values apart, of the model on its tangents."""
    unit, count = tangents.scale[tangents.random], len(tangents.y)
    constant = -float(np.log(tangents.root_w).sum())
    if restricted:
        constant -= float(np.log(tangents.scale).sum())  # the sums are in units of these
    prior_told = priors.told(spread)
    known = np.zeros((len(tangents.scale), 2))
    known[:, 0] = tangents.prior_precision * tangents.scale**2

    def linearly(t: Array, total: Sums, state: State) -> tuple[float, Array, Callable[[], Array], Linear]:
        _, root_cov, log_sigma, log_level = spread.split(t)
        known[:, 1] = (state.fixed - tangents.prior_mean) / tangents.scale
        one = likelihood(
            total,
            state.inner / unit,
            state.level,
            root_cov / unit[:, None],
            log_sigma,
            log_level,
            known=known,
            count=count,
            restricted=restricted,
        )
        gradient = spread.by_t(root_cov, one.d_root / unit[:, None], one.d_log_sigma, one.d_log_level)

        def told() -> Array:
            return prior_told + spread.told(root_cov, one.told, one.mixed, one.told_sigma, one.told_level)

        extra, slope = priors.penalty(t, spread)
        return one.value + constant + extra, gradient + slope, told, one

    return linearly


def _fit_linearised(
    tangents: Tangents, spread: _Spread, priors: _Prior, base: Array, groups: int, restricted: bool
) -> tuple[Array, State, float, Array, Array, bool]:
    """Fixed point of the alternating linearisation: outer vector, state, value, gradient, Hessian, whether reached."""
    linearly = _linear_model(tangents, spread, priors, restricted)
    q = len(spread.sd)
    start = State(np.zeros(spread.names), base, np.zeros((groups, q)), np.zeros(tangents.levels))
    state, reached = solve(tangents, start, linearly, lambda t: spread.split(t)[1:], slice(0, q))
    total = gathered(tangents, *observed(tangents, state))
    value, gradient, _, _ = linearly(state.t, total, state)
    # written out to the last digits, this gradient needs one side only
    moves = 1e-5 * np.eye(len(state.t))
    rows = np.array([(linearly(state.t + move, total, state)[1] - gradient) / 1e-5 for move in moves])
    return state.t, state, value, gradient, 0.5 * (rows + rows.T), reached


def _quick_start(
    tangents: Tangents, spread: _Spread, priors: _Prior, base: Array, groups: int, restricted: bool
) -> tuple[Array, State, Array] | None:
    """Rough fixed point of the linearisation: outer vector, state, guess of the Hessian; None where there is none."""
    bare, q = replace(spread, with_fixed=False), len(spread.sd)
    linearly = _linear_model(tangents, bare, priors, restricted)
    start = State(np.zeros(bare.names), base, np.zeros((groups, q)), np.zeros(tangents.levels))
    try:
        state, _ = solve(tangents, start, linearly, lambda t: bare.split(t)[1:], slice(0, q), within=1e-3, budget=20)
        total = gathered(tangents, *observed(tangents, state))
        _, _, tell, linear = linearly(state.t, total, state)
        told = tell()
    except np.linalg.LinAlgError:
        return None
    if not (np.all(np.isfinite(told)) and np.all(np.isfinite(state.inner)) and np.all(np.isfinite(state.fixed))):
        return None
    state.t[:q] = np.maximum(state.t[:q], -6.0)  # the other likelihood may want a spread that is zero here
    if not spread.with_fixed:
        return state.t, state, told
    p = len(base)
    corner = linear.told_border
    own = corner[:p, :p]
    if tangents.levels:  # the levels are integrated over
        own = own - corner[:p, p:] @ np.linalg.solve(corner[p:, p:], corner[p:, :p])
    guess = np.zeros((spread.names, spread.names))
    guess[:p, :p], guess[p:, p:] = own, told
    return np.concatenate([(state.fixed - spread.base) / spread.scale, state.t]), state, guess


# --- oil in the fruit ------------------------------------------------------------------------------------------

DOUBTFUL_WEIGHT = 0.5  # a sample that counts less than half is shown as doubtful
PAST_SEASONS = 4  # earlier seasons that still speak; older ones say nothing new about a block
PLATEAU_BOUNDS_PCT = (15.0, 60.0)
"""Draws of the plateau stay inside: oil per dry matter seldom passes 50 % (Zipori et al., Grasas y Aceites)."""

_HYPER = (
    # name, median, sd of the logarithm; midpoints are in units of the cultivars' median scale
    ("lasting log_plateau", 0.035, 0.35),
    ("lasting midpoint", 0.24, 0.6),
    ("lasting log_scale", 0.06, 0.6),
    ("this season log_plateau", 0.035, 0.35),
    ("this season midpoint", 0.24, 0.6),
    ("this season log_scale", 0.06, 0.6),
    ("season log_plateau", 0.04, 0.5),
    ("season midpoint", 0.30, 0.5),
    ("season log_scale", 0.08, 0.5),
    ("week", 0.02, 0.6),
    ("sample", 0.06, 0.4),
)
"""Priors of the standard deviations, log-normal. Medians are assumptions of ours (no published figures found). Blocks'
plateaus are held more closely than the rest: published plateaus of whole cultivars differ by 6.5 % only, and while no
plateau is seen, a wide spread of them explains slow blocks as well as late midpoints do, and forecasts suffer."""

NEAR = 0.5  # moves of the spreads' logarithms, in sds of their prior, over which the last factors still lead well
# Mean and mode of a distribution of one peak lie no further apart, in standard deviations (Johnson and Rogers 1951,
# from memory). Where a block's few samples lie about a corner, the first-order difference knows no such limit.
MEAN_TO_MODE = 3.0**0.5
T_LIMIT = 3.0  # standard deviations of the prior within which a spread's logarithm is sought

SHAPE_PRIOR = {"logistic": 0.15, "plateau_line": 0.7, "gompertz": 0.15}
"""How likely each shape is before any sample. Oil rose in a straight line from mid-August to a plateau at the end of
November in all three cultivars and seasons of Polari, Crawford and Wang (2021), Agronomy 11(2):313, abstract; the
numbers that we make of this are ours."""

PUBLISHED_PLATEAUS = {"Arbequina": 41.8, "Arbosana": 45.4, "Koroneiki": 45.7}
"""Highest dry oil [%] in super-high-density orchards, California, three seasons: Polari, Crawford and Wang (2021),
Agronomy 11(2):313, abstract."""


def default_priors(cultivars: Sequence[str], *, midpoint_d: float = 45.0, scale_d: float = 19.0) -> pd.DataFrame:
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
            # unknown: spread of the four published ones (41.8, 45.4, 45.7 and Sikitita's 49), 6.5 %
            "plateau_sd_fraction": [0.06 if k else 0.065 for k in known],
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

    layout: Layout
    x: Array
    log_y: Array
    weight: Array
    below: NDArray[np.bool_] | None  # samples of which only a limit above them is known
    mean: Array  # (cultivars, 3)
    sd: Array
    hyper_log: Array
    hyper_sd: Array
    rows: Ints  # index of each sample in the table given
    groups: pd.DataFrame  # block_id, cultivar, problem of every group fitted
    wanted: Ints  # groups asked for, in the order asked
    cultivars: tuple[str, ...]
    weeks: pd.DataFrame  # problem, season, week, level
    prior_source: tuple[str, ...]

    def outer(self, t: Array) -> Outer:
        """Engine inputs at standardised log standard deviations t."""
        layout, n = self.layout, self.layout.curve_border
        variance = np.exp(2 * (self.hyper_log + self.hyper_sd * t))
        lasting, own, season, week = variance[0:3], variance[3:6], variance[6:9], variance[9]
        cov_inner, q_inner, log_inner = _alike(lasting[None], own, layout.slots)
        cov_border, q_curve, log_border = _alike(self.sd**2, season, layout.slots)
        q_border = np.zeros((layout.problems, layout.border, layout.border))
        q_border[:, :n, :n] = q_curve
        at = np.arange(n, layout.border)
        q_border[:, at, at] = 1 / week
        mean = np.zeros((layout.problems, layout.border))
        mean[:, :n] = np.tile(self.mean, layout.slots)
        known = Known(cov_inner[0], float(log_inner[0]), cov_border, log_border)
        return Outer(np.zeros(3), q_inner[0], q_border, mean, 0.5 * float(np.log(variance[10])), known)

    def rough_covariance(self) -> Array:
        """Rough covariance of t, to scale the search by: as if half of every effect were known."""
        layout, weeks = self.layout, len(self.weeks)
        counts = [layout.groups] * 3 + [len(layout.cell_group)] * 3 + [layout.problems * layout.slots] * 3
        told = 0.5 * np.array([*counts, weeks, 4 * len(self.x)])
        return np.diag(1.0 / (1.0 + self.hyper_sd**2 * told))

    def chain(self, t: Array, outer: Outer, fit: Laplace) -> Array:
        """Gradient by t, the prior of t apart."""
        layout, slots, n = self.layout, self.layout.slots, self.layout.curve_border
        variance = np.exp(2 * (self.hyper_log + self.hyper_sd * t))
        by_cov = -(outer.q_inner @ fit.d_q_inner @ outer.q_inner).reshape(slots, 3, slots, 3)
        curve_q = outer.q_border[:, :n, :n]
        by_border = -np.matmul(np.matmul(curve_q, fit.d_q_border), curve_q)
        by_border = by_border.reshape(layout.problems, slots, 3, slots, 3)
        by_variance = np.concatenate(
            [
                np.einsum("apbp->p", by_cov),
                np.einsum("apap->p", by_cov),
                np.einsum("capap->p", by_border),
                [-np.sum(fit.d_q_level) / variance[9] ** 2],
            ]
        )
        by_log = np.append(2 * variance[:10] * by_variance, fit.d_log_sigma)
        return by_log * self.hyper_sd


def _alike(shared: Array, apart: Array, slots: int) -> tuple[Array, Array, Array]:
    """Covariance of parameters that slots share (n, 3) with a part of each slot's own (3,), its inverse, log det.

    The log determinant is that of the inverse; matrices are (n, slots * 3, slots * 3).
    """
    whole = apart + slots * shared
    both: list[Array] = []
    for common, own in ((shared, apart), (-shared / (apart * whole), 1 / apart)):
        out = np.zeros((len(shared), slots, 3, slots, 3))
        for p in range(3):
            out[:, :, p, :, p] = common[:, p, None, None] + own[p] * np.eye(slots)
        both.append(out.reshape(len(shared), slots * 3, slots * 3))
    return both[0], both[1], -np.sum((slots - 1) * np.log(apart) + np.log(whole), axis=1)


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
    modes: Modes
    outer: Outer
    log_evidence: Array  # (cultivars,)
    points: tuple[_Point, ...]  # none for a shape that no cultivar follows
    block_sd: Array  # (blocks, 3) posterior sd of this season's block effect
    curve_sd: Array  # (cultivars, 3) posterior sd of this season's cultivar curve
    converged: bool


def _fit_shape(
    name: str, curve: Curve, data: _OilData, before: _ShapeFit | None
) -> tuple[_ShapeFit, Callable[[int], tuple[_Point, ...]]]:
    """Fit one shape, starting where another ended; also gives the function that makes its points."""
    layout = data.layout

    def evaluate(phi: Array) -> tuple[Array, Array, Array]:
        return curve.derivatives(data.x, phi[:, 0], phi[:, 1], phi[:, 2])

    problem = Problem(layout, evaluate, data.log_y, data.weight, STUDENT_NU, data.below)
    size = len(data.hyper_log)
    start: Array = np.zeros(size)
    keep: tuple[Array, Array] = (np.zeros((layout.groups, layout.inner)), data.outer(start).mean_border)
    if before is not None:
        start, keep = before.t, (before.modes.inner, before.modes.border)
    last: list[tuple[Array, Outer, Laplace]] = []

    def objective(t: Array) -> tuple[float, Array]:
        outer = data.outer(t)
        begin = keep
        if last:
            there, before_it, fit = last[0]
            near = float(np.abs(t - there).max()) < NEAR
            begin = followed(problem, outer, fit, before_it) if near else (fit.modes.inner, fit.modes.border)
        fit = laplace(problem, outer, find_modes(problem, outer, *begin, warm=bool(last), close=1e-6))
        last[:] = [(t, outer, fit)]
        return fit.value + 0.5 * float(t @ t), data.chain(t, outer, fit) + t

    rough = data.rough_covariance() if before is None else before.t_covariance
    t, gradient = descend(objective, start, rough, T_LIMIT, 2e-3)
    if not np.array_equal(last[0][0], t):
        objective(t)
    at_end = last[0]
    rows, slopes = [], []
    for i in range(size):
        move = np.zeros(size)
        move[i] = 1e-3
        outer = data.outer(t + move)
        inner, border = followed(problem, outer, at_end[2], at_end[1])
        at_rest = modes_at_rest(problem, outer, inner, border, converged=True, near=at_end[2].exact)
        there = laplace(problem, outer, at_rest)
        rows.append((data.chain(t + move, outer, there) + t + move - gradient) / 1e-3)
        slopes.append([(inner - at_end[2].modes.inner) / 1e-3, (border - at_end[2].modes.border) / 1e-3])
    hessian = 0.5 * (np.array(rows) + np.array(rows).T)
    values, vectors = np.linalg.eigh(hessian)
    values = np.maximum(values, 0.5)  # the prior alone gives 1; below it the curvature is noise
    t_covariance = (vectors / values) @ vectors.T
    # the search ends where one such step is left
    free = np.abs(t) < T_LIMIT
    step = np.zeros(size)
    step[free] = np.linalg.solve(np.linalg.inv(t_covariance)[np.ix_(free, free)], gradient[free])
    t = np.clip(t - step, -T_LIMIT, T_LIMIT)
    objective(t)
    _, outer, fit = last[0]
    modes = fit.modes
    centre = (modes.inner, modes.border)
    with_t = [np.array(part) for part in zip(*slopes, strict=True)]
    shared = -0.5 * float(t @ t) - 0.5 * float(np.log(values).sum())

    def points(n: int) -> tuple[_Point, ...]:
        noise = even_noise(n, size)
        moved = np.clip(t + noise @ (vectors / np.sqrt(values)).T, -2.5, 2.5)
        out = []
        for each in moved:  # the modes follow the standard deviations nearly straight: one or two steps are left
            inner, border = (now + np.tensordot(each - t, slope, 1) for now, slope in zip(centre, with_t, strict=True))
            there = data.outer(each)
            out.append(_point(problem, there, find_modes(problem, there, inner, border, warm=True, close=1e-3)))
        return tuple(out)

    cov, _ = fit.arrow.covariance()
    curve_inner = slice(layout.inner - 3, layout.inner)
    curve_last = np.arange(layout.curve_border - 3, layout.curve_border)
    shape_fit = _ShapeFit(
        name=name,
        t=t,
        t_covariance=t_covariance,
        modes=modes,
        outer=outer,
        log_evidence=-fit.each + shared / layout.problems,
        points=(),
        block_sd=np.sqrt(np.diagonal(cov[:, curve_inner, curve_inner], axis1=1, axis2=2)),
        curve_sd=np.sqrt(fit.arrow.s_inv[:, curve_last, curve_last]),
        converged=modes.converged,
    )
    return shape_fit, points


def _point(problem: Problem, outer: Outer, modes: Modes) -> _Point:
    """Centre and spread of the effects at one draw of the standard deviations.

    The centre is the mode moved towards the mean by the skewness of the posterior: minus H^-1 times the slope of
    log det H / 2, the first-order difference (Tierney and Kadane 1986, from memory), with H the Gauss-Newton
    curvature, which carries more than half of it. Without it a plateau that is not yet seen is told too low.
    """
    lean, layout = lean_of(problem, outer, modes), problem.layout
    arrow, last = lean.arrow, slice(layout.inner - 3, layout.inner)
    cov, _ = arrow.covariance()
    inner_sd = np.sqrt(np.diagonal(cov[:, last, last], axis1=1, axis2=2))
    border_sd = np.sqrt(np.diagonal(arrow.s_inv, axis1=1, axis2=2))
    return _Point(
        modes.border - np.clip(lean.border, -MEAN_TO_MODE * border_sd, MEAN_TO_MODE * border_sd),
        arrow.border_root(),
        modes.inner[:, last] - np.clip(lean.inner[:, last], -MEAN_TO_MODE * inner_sd, MEAN_TO_MODE * inner_sd),
        np.linalg.cholesky(arrow.a_inv[:, last, last]),
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
    layout: Layout

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

    def _shape_draws(self, fit: _ShapeFit, n: int, noise: Array, own: Array, rng: np.random.Generator) -> Array:
        """Draws (n, B, 3) of one shape; draw k uses one draw of the standard deviations."""
        phi = np.empty((n, len(self.block_ids), 3))
        curve = slice(self.layout.curve_border - 3, self.layout.curve_border)
        rows_of = [np.flatnonzero(self.block_cultivar == c) for c in range(noise.shape[1])]
        for h, members in enumerate(np.array_split(rng.permutation(n), len(fit.points))):
            if not len(members):
                continue
            point = fit.points[h]
            away = np.matmul(noise[members].swapaxes(0, 1), point.border_root.swapaxes(1, 2))  # (cultivars, k, border)
            spread = np.matmul(own[members].swapaxes(0, 1), point.block_root[self.block_rows].swapaxes(1, 2))
            drawn = point.block[self.block_rows] + spread.swapaxes(0, 1)
            for c, rows in enumerate(rows_of):
                reach = point.reach[self.block_rows[rows]].reshape(3 * len(rows), -1)
                given = (away[c] @ reach.T).reshape(len(members), len(rows), 3)
                typical = point.border[c, curve] + away[c][:, curve]
                drawn[:, rows] += typical[:, None] - given
            phi[members] = drawn
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
    below: ArrayLike | None = None,
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
    below : array (N,) of bool, optional
        True where y is the laboratory's limit and the result lay below it (a value in the samples' column
        oil_dry_below_pct). Such a sample counts with its chance of lying there, of a normal error.
    error_cv_prior : float
        Expected coefficient of variation of one sample (fraction).
    shapes : sequence of str
        Names in `olivetime.ripening.curves.OIL_SHAPES`.
    n_points : int
        Draws of the standard deviations kept for `OilFit.draw`; a power of 2. A quarter for a shape that hardly
        any block follows.
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
    samples = _oil_samples(x, y, block, cultivar, week, season, weights, below, current)
    unknown = [name for name in shapes if name not in OIL_SHAPES]
    if unknown or not shapes:
        raise ValueError(f"fit_oil: shapes are {tuple(shapes)}, expected names among {', '.join(OIL_SHAPES)}.")
    data = _oil_data(samples, current, blocks, priors, error_cv_prior)

    fits: list[_ShapeFit] = []
    makers: list[Callable[[int], tuple[_Point, ...]]] = []
    for name in shapes:
        one, make_points = _fit_shape(name, OIL_SHAPES[name], data, fits[-1] if fits else None)
        fits.append(one)
        makers.append(make_points)
    evidence = np.column_stack([one.log_evidence for one in fits])
    weight = _shape_weights(evidence, shapes)
    followed = weight.max(axis=0) > 1e-3
    weight = np.where(followed, weight, 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    for i in np.flatnonzero(followed):
        enough = n_points if weight[:, i].max() > 0.1 else max(n_points // 4, 1)
        fits[i] = replace(fits[i], points=makers[i](enough))

    fit = OilFit(
        block_ids=tuple(data.groups["block_id"].iloc[data.wanted]),
        blocks=pd.DataFrame(),
        residuals=_oil_residuals(data, fits, weight, samples),
        parameters=_oil_parameters(data, fits),
        shapes=pd.DataFrame(
            {
                "cultivar": np.repeat(data.cultivars, len(shapes)),
                "shape": list(shapes) * len(data.cultivars),
                "weight": weight.ravel(),
                "log_evidence": evidence.ravel(),
            }
        ),
        week_effects=_oil_weeks(data, fits, weight),
        converged=all(one.converged for one in fits),
        curves=tuple(OIL_SHAPES[name] for name in shapes),
        shape_weights=weight,
        block_rows=data.wanted,
        block_cultivar=data.layout.group_problem[data.wanted],
        shape_fits=tuple(fits),
        layout=data.layout,
    )
    return replace(fit, blocks=_oil_blocks(data, fit, current, seed))


def _oil_samples(
    x: ArrayLike,
    y: ArrayLike,
    block: ArrayLike,
    cultivar: ArrayLike,
    week: ArrayLike,
    season: ArrayLike,
    weights: ArrayLike | None,
    below: ArrayLike | None,
    current: int,
) -> pd.DataFrame:
    """One checked table of the samples, in the order given."""
    columns = {
        "x": np.asarray(x, float),
        "y": np.asarray(y, float),
        "block_id": np.asarray(block, object).astype(str),
        "cultivar": np.asarray(cultivar, object).astype(str),
        "week": np.asarray(week, object).astype(str),
        "season": np.asarray(season, np.int64),
        "weight": np.ones(len(np.asarray(y))) if weights is None else np.asarray(weights, float),
        "below": np.zeros(len(np.asarray(y)), bool) if below is None else np.asarray(below, bool),
    }
    if len({len(values) for values in columns.values()}) != 1:
        raise ValueError(
            "fit_oil: x, y, block, cultivar, week, season, weights and below differ in length, expected all alike."
        )
    samples = pd.DataFrame(columns)
    numbers = samples[["x", "y", "weight"]].to_numpy()
    fine = np.isfinite(numbers).all(axis=1) & (numbers[:, 1] > 0) & (numbers[:, 2] > 0)
    if not fine.all():
        at = int(np.flatnonzero(~fine)[0])
        raise FitError(
            f"sample {at + 1} of block {samples['block_id'][at]}",
            f"x = {samples['x'][at]:g}, oil_dry_pct = {samples['y'][at]:g}, weight = {samples['weight'][at]:g}",
            "finite x, oil above 0 % and a weight above 0",
            "Correct the sample or leave it out.",
        )
    if (samples["season"] > current).any():
        raise FitError(
            "oil samples",
            f"season {samples['season'].max()}",
            f"no season after {current}",
            "Check the dates of the samples.",
        )
    return samples


def _oil_data(
    samples: pd.DataFrame,
    current: int,
    blocks: pd.DataFrame | None,
    priors: pd.DataFrame | None,
    error_cv_prior: float,
) -> _OilData:
    """Sort the samples into cultivars, blocks, seasons and weeks, and lay the priors beside them."""
    groups = _block_table(samples, blocks)
    if not len(groups):
        raise FitError("oil samples", "no block and no sample", "at least one block", "Give the table of blocks.")
    seasons = np.unique(np.append(samples["season"], current))[-(PAST_SEASONS + 1) :]
    cultivars = sorted(set(groups["cultivar"]))
    groups["problem"] = pd.Categorical(groups["cultivar"], categories=cultivars).codes.astype(np.intp)
    groups["asked"] = np.arange(len(groups))
    groups = groups.sort_values(["problem", "block_id"], kind="stable").reset_index(drop=True)
    wanted = groups[groups["wanted"]].sort_values("asked").index.to_numpy()

    used = samples[samples["season"] >= seasons[0]]
    used = used.assign(
        group=pd.Series(groups.index, index=groups["block_id"]).loc[used["block_id"]].to_numpy(),
        slot=np.searchsorted(seasons, used["season"]),
    ).sort_values(["group", "slot"], kind="stable")
    problem = groups["problem"].to_numpy()[used["group"]]
    label, names = pd.factorize(used["week"], sort=True)
    kind = (problem * len(seasons) + used["slot"].to_numpy()) * max(len(names), 1) + label
    kinds, own = np.unique(kind, return_inverse=True)  # weeks of a cultivar in a season, one after the other
    of_problem, of_season = np.divmod(kinds // max(len(names), 1), len(seasons))
    weeks = pd.DataFrame(
        {
            "problem": of_problem,
            "season": seasons[of_season],
            "week": np.asarray(names, object)[kinds % max(len(names), 1)],
            "level": np.arange(len(kinds)) - np.searchsorted(of_problem, of_problem),
        }
    )
    level = weeks["level"].to_numpy(np.intp)[own]
    layout = layout_of(
        used["group"].to_numpy(np.intp),
        used["slot"].to_numpy(np.intp),
        level,
        size=3,
        random=range(3),
        slots=len(seasons),
        group_problem=groups["problem"].to_numpy(),
        problems=len(cultivars),
        levels=int(weeks["level"].max()) + 1 if len(weeks) else 1,
        border_curve=True,
    )
    prior = _filled_priors(priors, cultivars)
    hyper = np.array([median for _, median, _ in _HYPER])
    hyper[[1, 4, 7]] *= float(np.median(prior["scale_d"]))
    hyper[10] = error_cv_prior
    return _OilData(
        layout=layout,
        x=used["x"].to_numpy(),
        log_y=np.log(used["y"].to_numpy()),
        weight=used["weight"].to_numpy(),
        below=used["below"].to_numpy() if used["below"].any() else None,
        mean=np.column_stack([np.log(prior["plateau_dry_pct"]), prior["midpoint_d"], np.log(prior["scale_d"])]),
        sd=prior[["plateau_sd_fraction", "midpoint_sd_d", "scale_sd_log"]].to_numpy(float),
        hyper_log=np.log(hyper),
        hyper_sd=np.array([sd for _, _, sd in _HYPER]),
        rows=used.index.to_numpy(),
        groups=groups,
        wanted=wanted,
        cultivars=tuple(cultivars),
        weeks=weeks,
        prior_source=tuple(prior["source"]),
    )


def _oil_blocks(data: _OilData, fit: OilFit, current: int, seed: int) -> pd.DataFrame:
    """Rows of OilFit.blocks."""
    share = np.zeros(data.layout.groups)
    for i, one in enumerate(fit.shape_fits):
        variance = np.exp(2 * (data.hyper_log + data.hyper_sd * one.t))
        prior_sd = np.sqrt(variance[0:3] + variance[3:6])
        own_weight = fit.shape_weights[data.layout.group_problem, i]
        share += own_weight * np.mean(one.block_sd / prior_sd, axis=1)
    now = fit.residuals["season"] == current
    counts = {
        "samples_n": fit.residuals[now],
        "past_samples_n": fit.residuals[~now],
        "doubtful_n": fit.residuals[now & (fit.residuals["weight"] < DOUBTFUL_WEIGHT)],
    }
    out = data.groups.iloc[data.wanted][["block_id", "cultivar"]].reset_index(drop=True)
    for name, rows in counts.items():
        out[name] = rows.groupby("block_id").size().reindex(out["block_id"]).fillna(0).to_numpy().astype(int)
    out["borrowed_fraction"] = np.clip(share, 0, 1)[data.wanted]
    plateau = np.quantile(fit.draw(400, np.random.default_rng(seed)).plateau, [0.1, 0.5, 0.9], axis=0)
    for name, values in zip(("p10", "p50", "p90"), plateau, strict=True):
        out[f"plateau_dry_{name}_pct"] = values
    return out


def _block_table(samples: pd.DataFrame, blocks: pd.DataFrame | None) -> pd.DataFrame:
    """Blocks wanted, then blocks known from samples only (they still speak for their cultivar)."""
    sampled = samples.sort_values("season", kind="stable").drop_duplicates("block_id", keep="last")
    sampled = sampled[["block_id", "cultivar"]].sort_values("block_id")
    if blocks is None:
        return sampled.assign(wanted=True).reset_index(drop=True)
    given = pd.DataFrame(
        {"block_id": blocks["block_id"].astype(str), "cultivar": blocks["cultivar"].astype(str), "wanted": True}
    )
    if given["block_id"].duplicated().any():
        twice = given["block_id"][given["block_id"].duplicated()].iloc[0]
        raise FitError("table of blocks", f"block {twice} twice", "each block once", "Remove one of the rows.")
    others = sampled[~sampled["block_id"].isin(given["block_id"])].assign(wanted=False)
    return pd.concat([given, others], ignore_index=True).astype({"wanted": bool})


def _filled_priors(priors: pd.DataFrame | None, cultivars: list[str]) -> pd.DataFrame:
    """Priors of all cultivars, the defaults standing in where the caller gave none."""
    base = default_priors(cultivars)
    if priors is not None:
        known = priors.reindex(cultivars)
        for column in base.columns.intersection(known.columns):
            base[column] = known[column].where(known[column].notna(), base[column])
    numbers = base.drop(columns="source").astype(float)
    above_zero = numbers.drop(columns="midpoint_d")
    if not (np.isfinite(numbers).all(axis=None) and (above_zero > 0).all(axis=None)):
        raise ValueError("fit_oil: priors hold a number that is not finite or not above 0, expected finite values.")
    return numbers.assign(source=base["source"])


def _shape_weights(evidence: Array, shapes: Sequence[str]) -> Array:
    """Weights per cultivar; what is common among the other cultivars speaks beside the published shape."""
    published = np.array([SHAPE_PRIOR.get(name, min(SHAPE_PRIOR.values())) for name in shapes])
    published /= published.sum()
    common = np.broadcast_to(published, evidence.shape)
    for _ in range(20):
        score = evidence + np.log(common)
        weights = np.exp(score - score.max(axis=1, keepdims=True))
        weights /= weights.sum(axis=1, keepdims=True)
        others = 2 * published + weights.sum(axis=0) - weights  # the published shape counts as two cultivars
        common = others / others.sum(axis=1, keepdims=True)
    return weights


def _oil_residuals(
    data: _OilData, fits: Sequence[_ShapeFit], shape_weight: Array, samples: pd.DataFrame
) -> pd.DataFrame:
    """Rows of OilFit.residuals, averaged over shapes; seasons too old to be used have no numbers."""
    standard, counted, fitted = np.zeros((3, len(data.x)))
    for i, one in enumerate(fits):
        own, r = shape_weight[data.layout.obs_problem, i], one.modes.residual
        standard += own * r
        counted += own * (STUDENT_NU + 1) / (STUDENT_NU + r**2)
        fitted += own * (data.log_y - r * np.exp(one.outer.log_sigma) / np.sqrt(data.weight))
    out = samples[["block_id", "season", "week", "x", "y"]].rename(columns={"y": "observed"})
    if data.below is not None:
        counted[data.below], standard[data.below] = 1.0, np.nan  # a limit is no value to be away from
    for name, values in (("fitted", np.exp(fitted)), ("residual_sd", standard), ("weight", np.minimum(counted, 1.0))):
        out[name] = pd.Series(values, index=data.rows)
    return out


def _oil_weeks(data: _OilData, fits: Sequence[_ShapeFit], shape_weight: Array) -> pd.DataFrame:
    """Effect of each week over the cultivars sampled in it, weighted by their samples."""
    layout, at = data.layout, data.weeks["problem"].to_numpy()
    level = data.weeks["level"].to_numpy()
    effect = np.zeros(len(level))
    for i, one in enumerate(fits):
        effect += shape_weight[at, i] * one.modes.border[at, layout.curve_border + level]
    key = layout.obs_problem * layout.levels + layout.week
    count = np.bincount(key, minlength=layout.problems * layout.levels)[at * layout.levels + level]
    out = data.weeks.assign(effect=effect * count, samples_n=count)
    out = out.groupby(["season", "week"], as_index=False)[["effect", "samples_n"]].sum()
    out["effect"] = out["effect"] / out["samples_n"]
    return out[["week", "season", "effect", "samples_n"]]


def _oil_parameters(data: _OilData, fits: Sequence[_ShapeFit]) -> pd.DataFrame:
    """Cultivar curves of this season and standard deviations; low and high are the prior's 3-sd limits."""
    rows: dict[str, list[Array]] = {}
    limits = np.exp(data.hyper_log[:, None] + data.hyper_sd[:, None] * np.array([-3.0, 0.0, 3.0]))
    last = slice(data.layout.curve_border - 3, data.layout.curve_border)

    def add(n: int, **columns: object) -> None:
        for name, values in columns.items():
            rows.setdefault(name, []).append(np.broadcast_to(np.asarray(values), n))

    for one in fits:
        log_hyper = data.hyper_log + data.hyper_sd * one.t
        sd = np.sqrt(data.sd**2 + np.exp(2 * log_hyper[6:9]))  # the cultivar's own and the season's change
        for p, name in enumerate(("plateau_dry_pct", "midpoint_d", "scale_d")):
            value, mean, away = one.modes.border[:, last][:, p], data.mean[:, p], 3 * sd[:, p]
            shown = np.asarray if name == "midpoint_d" else np.exp  # the others are fitted as logarithms
            unit = (1.0, 1.0) if name == "midpoint_d" else (np.exp(value), np.exp(mean))
            add(
                len(data.cultivars),
                cultivar=data.cultivars,
                shape=one.name,
                part="curve",
                name=name,
                value=shown(value),
                se=one.curve_sd[:, p] * unit[0],
                prior_mean=shown(mean),
                prior_sd=sd[:, p] * unit[1],
                low=shown(mean - away),
                high=shown(mean + away),
                at_bound=np.abs(value - mean) > 2.5 * sd[:, p],
                source=data.prior_source,
            )
        add(
            len(_HYPER),
            cultivar="all",
            shape=one.name,
            part="spread",
            name=[f"sd of {name}" for name, _, _ in _HYPER],
            value=np.exp(log_hyper),
            se=np.sqrt(np.diagonal(one.t_covariance)) * data.hyper_sd,
            prior_mean=limits[:, 1],
            prior_sd=data.hyper_sd,
            low=limits[:, 0],
            high=limits[:, 2],
            at_bound=np.abs(one.t) > 2.9,
            source="assumed",
        )
    return pd.DataFrame({name: np.concatenate(parts) for name, parts in rows.items()})
