"""The alternating linearisation of Lindstrom and Bates for many groups at once, as R's nlme does it.

A curve is replaced by its tangent at the current estimates of every group. What is left is a linear mixed model: it
needs only the sums of squares and products of each group (`sums`), so that its likelihood and gradient (`likelihood`)
cost a fraction of a microsecond a group whatever the number of observations. Tangent and linear model alternate
until neither moves. The method is biased while a plateau is not yet seen; it stands here to check against R, and
as a quick start of the Laplace approximation.

References
----------
.. [1] Lindstrom and Bates (1990), Nonlinear mixed effects models for repeated measures data, Biometrics 46.
   From memory; the numbers are checked against R nlme in tests/published.
.. [2] Walker and Ni (2011), Anderson acceleration for fixed-point iterations, SIAM J. Numer. Anal. 49. From memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.linalg import lapack

from olivetime.ripening.modes import LOG_2PI, Array, Ints, invert

LOWEST = -12.0  # logarithm of a spread in units of its start below which it counts as zero


class Sums(NamedTuple):
    """Sums of squares and products: z the varying columns, b the border (fixed columns, then levels), r residuals."""

    zz: Array  # (groups, q, q)
    zb: Array  # (groups, q, B)
    zr: Array  # (groups, q)
    bb: Array  # (B, B)
    br: Array  # (B,)
    rr: float


class Linear(NamedTuple):
    """Likelihood of the linear mixed model, its gradient, and the effects that go with it."""

    value: float  # negative log likelihood, sum of log weights apart
    d_root: Array  # (q, q), by the root of the group covariance
    d_log_sigma: float
    d_log_level: float
    move: Array  # (B,), change of the border
    inner: Array  # (groups, q), effects
    told: Array  # (pairs, pairs), products of the lower elements of 1 - held, held being the share of spread left
    mixed: Array  # (q, q), sum of held (1 - held)
    told_sigma: float  # twice the observations that tell sigma
    told_level: float
    told_border: Array  # (B, B), information about the border, priors with it


@njit(cache=True, no_cfunc_wrapper=True)
def sums(gradient, residual, root_w, random, group_obs, week, levels):
    """Sum squares and products group by group; observations sorted by group."""
    groups, size, q = len(group_obs) - 1, gradient.shape[1], len(random)
    wide = size + levels
    zz, zb, zr = np.zeros((groups, q, q)), np.zeros((groups, q, wide)), np.zeros((groups, q))
    bb, br, rr = np.zeros((wide, wide)), np.zeros(wide), 0.0
    row = np.empty(size)
    for g in range(groups):
        for n in range(group_obs[g], group_obs[g + 1]):
            r, w = residual[n] * root_w[n], root_w[n]
            rr += r * r
            for i in range(size):
                row[i] = gradient[n, i] * w
            for i in range(q):
                z = row[random[i]]
                zr[g, i] += z * r
                for j in range(i + 1):
                    zz[g, i, j] += z * row[random[j]]
                for j in range(size):
                    zb[g, i, j] += z * row[j]
                if levels:
                    zb[g, i, size + week[n]] += z * w
            for i in range(size):
                br[i] += row[i] * r
                for j in range(i + 1):
                    bb[i, j] += row[i] * row[j]
            if levels:
                at = size + week[n]
                br[at] += w * r
                bb[at, at] += w * w
                for j in range(size):
                    bb[at, j] += w * row[j]
        for i in range(q):
            for j in range(i):
                zz[g, j, i] = zz[g, i, j]
    for i in range(wide):
        for j in range(i):
            bb[j, i] = bb[i, j]
    return zz, zb, zr, bb, br, rr


@njit(cache=True, no_cfunc_wrapper=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _likelihood(zz, zb, zr, bb, br, rr, inner0, level0, known, root, log_sigma, log_level, count, levels, restricted):
    """See `likelihood`; NaN when a matrix is not positive."""
    groups, q, wide = zb.shape
    pairs = q * (q + 1) // 2
    told, mixed, told_sigma = np.zeros((pairs, pairs)), np.zeros((q, q)), 2.0 * (count - groups * q)
    told_own = np.empty(pairs)
    fixed = wide - levels
    d_root, move, inner = np.zeros((q, q)), np.zeros(wide), np.zeros((groups, q))
    per = np.exp(-2.0 * log_sigma)
    per_level = np.exp(-2.0 * log_level)
    held, gain, wz = np.empty((groups, q, q)), np.empty((groups, q, wide)), np.empty((groups, q))
    corner, spread = bb * per, np.zeros((wide, wide))
    right = br * per
    a, b, lz = np.empty((q, q)), np.empty((q, wide)), np.empty((q, q))
    logdet, trace = 0.0, 0.0
    for g in range(groups):
        for i in range(q):  # lz = root' zz / sigma2
            for j in range(q):
                total = 0.0
                for k in range(i, q):
                    total += root[k, i] * zz[g, k, j]
                lz[i, j] = total * per
        for i in range(q):
            for j in range(i + 1):
                total = 0.0
                for k in range(j, q):
                    total += lz[i, k] * root[k, j]
                a[i, j] = total
            a[i, i] += 1.0
            total = 0.0
            for k in range(q):
                total += lz[i, k] * inner0[g, k]
            for k in range(i, q):
                total += root[k, i] * zr[g, k] * per
            wz[g, i] = total
            for j in range(wide):
                total = 0.0
                for k in range(i, q):
                    total += root[k, i] * zb[g, k, j]
                b[i, j] = total * per
        one = invert(a, held[g])
        if not np.isfinite(one):
            return np.nan, d_root, 0.0, 0.0, move, inner, told, mixed, told_sigma, 0.0, corner
        logdet += one
        at = 0
        for i in range(q):
            for j in range(i + 1):
                one = held[g, i, j]
                told_own[at] = (1.0 if i == j else 0.0) - one
                total = one
                for k in range(q):
                    total -= held[g, i, k] * held[g, k, j]
                mixed[i, j] += total
                told_sigma += (2.0 if i == j else 4.0) * one * one
                for k in range(at + 1):
                    told[at, k] += told_own[at] * told_own[k]
                at += 1
        for i in range(q):
            trace += 1.0 - held[g, i, i]
            for j in range(wide):
                total = 0.0
                for k in range(q):
                    total += held[g, i, k] * b[k, j]
                gain[g, i, j] = total
        for i in range(wide):
            for k in range(q):
                share = b[k, i]
                right[i] -= gain[g, k, i] * wz[g, k]
                for j in range(i + 1):
                    corner[i, j] -= share * gain[g, k, j]
                    spread[i, j] += gain[g, k, i] * gain[g, k, j]
        # what the border's right side gains because effects start at inner0, not at zero
        for i in range(wide):
            total = 0.0
            for k in range(q):
                total += zb[g, k, i] * inner0[g, k]
            right[i] += total * per
    for i in range(wide):
        for j in range(i):
            corner[j, i], spread[j, i] = corner[i, j], spread[i, j]
    seen = corner.copy()  # the corner without priors
    for i in range(fixed):
        corner[i, i] += known[i, 0]
        right[i] -= known[i, 0] * known[i, 1]
    for i in range(levels):
        corner[fixed + i, fixed + i] += per_level
        right[fixed + i] -= per_level * level0[i]
    whole = np.empty((wide, wide))
    whole_logdet = 0.0
    if wide:
        whole_logdet = invert(corner.copy(), whole)
        if not np.isfinite(whole_logdet):
            return np.nan, d_root, 0.0, 0.0, move, inner, told, mixed, told_sigma, 0.0, corner
    for i in range(wide):
        for j in range(wide):
            move[i] += whole[i, j] * right[j]
    # the border that is integrated over: levels, and the fixed columns when restricted
    out = np.zeros((wide, wide))
    border_logdet = 0.0
    if restricted:
        out = whole
        border_logdet = whole_logdet
    elif levels:
        part = np.empty((levels, levels))
        border_logdet = invert(corner[fixed:, fixed:].copy(), part)
        if not np.isfinite(border_logdet):
            return np.nan, d_root, 0.0, 0.0, move, inner, told, mixed, told_sigma, 0.0, corner
        for i in range(levels):  # by loops: an assignment of slices takes long to compile
            for j in range(levels):
                out[fixed + i, fixed + j] = part[i, j]
    rest, prior = rr, 0.0
    for i in range(wide):
        rest -= 2.0 * move[i] * br[i]
        for j in range(wide):
            rest += move[i] * bb[i, j] * move[j]
    v, s, away = np.empty(q), np.empty(q), np.empty(q)
    c, d = np.empty((q, wide)), np.empty((q, wide))
    integrated = restricted or levels > 0
    for g in range(groups):
        for i in range(q):
            total = 0.0
            for k in range(q):
                total += held[g, i, k] * wz[g, k]
            for j in range(wide):
                total -= gain[g, i, j] * move[j]
            v[i] = total
            prior += total * total
        for i in range(q):
            total = 0.0
            for k in range(i + 1):
                total += root[i, k] * v[k]
            inner[g, i] = total
            away[i] = total - inner0[g, i]
        for i in range(q):
            total = zr[g, i]
            rest -= 2.0 * away[i] * total
            for j in range(wide):
                total -= zb[g, i, j] * move[j]
                rest += 2.0 * away[i] * zb[g, i, j] * move[j]
            for j in range(q):
                total -= zz[g, i, j] * away[j]
                rest += away[i] * zz[g, i, j] * away[j]
            s[i] = total * per
        for i in range(q):  # zz root / sigma2
            for k in range(q):
                total = 0.0
                for m in range(k, q):
                    total += zz[g, i, m] * root[m, k]
                lz[i, k] = total * per
        for i in range(q):
            for j in range(i + 1):  # zz root held / sigma2 - s v'
                total = -s[i] * v[j]
                for k in range(q):
                    total += lz[i, k] * held[g, k, j]
                d_root[i, j] += total
        if integrated:  # less c out gain'
            for i in range(q):
                for j in range(wide):
                    total = zb[g, i, j] * per
                    for k in range(q):
                        total -= lz[i, k] * gain[g, k, j]
                    c[i, j] = total
            for i in range(q):
                for j in range(wide):
                    total = 0.0
                    for k in range(wide):
                        total += c[i, k] * out[k, j]
                    d[i, j] = total
            for i in range(q):
                for j in range(i + 1):
                    for k in range(wide):
                        d_root[i, j] -= d[i, k] * gain[g, j, k]
    value = 0.5 * (count * (LOG_2PI + 2.0 * log_sigma) + logdet + rest * per + prior + border_logdet)
    d_log_sigma = count - rest * per - trace
    d_log_level = 0.0
    if restricted:
        value -= 0.5 * fixed * LOG_2PI
    for i in range(fixed):
        value += 0.5 * known[i, 0] * (known[i, 1] + move[i]) ** 2
    if integrated:
        for i in range(wide):
            for j in range(wide):
                d_log_sigma -= out[i, j] * (seen[i, j] - spread[i, j])
    for i in range(q):
        for j in range(i + 1):
            mixed[j, i] = mixed[i, j]
    for i in range(pairs):
        for j in range(i):
            told[j, i] = told[i, j]
    told_level = 0.0
    for i in range(levels):
        for j in range(levels):
            one = (1.0 if i == j else 0.0) - out[fixed + i, fixed + j] * per_level
            told_level += 2.0 * one * one
    for i in range(levels):
        now = level0[i] + move[fixed + i]
        value += 0.5 * now * now * per_level + log_level
        d_log_level += 1.0 - now * now * per_level - out[fixed + i, fixed + i] * per_level
    return value, d_root, d_log_sigma, d_log_level, move, inner, told, mixed, told_sigma, told_level, corner


def likelihood(
    total: Sums,
    inner: Array,
    level: Array,
    root: Array,
    log_sigma: float,
    log_level: float,
    *,
    known: Array,
    count: int,
    restricted: bool,
) -> Linear:
    """Negative log likelihood of the linear mixed model, fixed values at their best (or integrated out).

    Parameters
    ----------
    total : Sums
        Of residuals at the effects `inner` (groups, q) and `level` (levels,), and of the tangents there.
    root : array (q, q)
        Lower root of the covariance of effects.
    log_sigma, log_level : float
        Logarithms of the standard deviations of an observation and of a level effect.
    known : array (P, 2)
        Precision of the normal prior of each fixed value (0 without one) and how far the value lies above its mean.
    count : int
        Observations.
    restricted : bool
        Whether the fixed values are integrated out (REML).
    """
    return Linear(
        *_likelihood(*total, inner, level, known, root, log_sigma, log_level, float(count), len(level), restricted)
    )


@dataclass(frozen=True)
class Tangents:
    """A curve at its observations: ``evaluate(phi)`` gives value (N,) and gradient (N, P); sorted by group."""

    evaluate: Callable[[Array], tuple[Array, Array]]
    y: Array
    root_w: Array
    random: Ints
    group_obs: Ints
    week: Ints
    levels: int
    scale: Array  # (P,), size of a step of each parameter: sums are taken in these units
    spread: float  # size of a residual
    prior_mean: Array  # (P,), of the fixed values
    prior_precision: Array  # (P,), 0 without a prior


@dataclass(frozen=True)
class State:
    """Where the alternation stands."""

    t: Array
    fixed: Array
    inner: Array
    level: Array


def _packed(state: State, data: Tangents, spreads: slice) -> Array:
    """One vector in which every part is near unit scale; spreads as themselves, so that those near zero rest."""
    share = 1 / np.sqrt(max(len(state.inner), 1))
    t = state.t.copy()
    t[spreads] = np.exp(t[spreads])
    inner = (state.inner / data.scale[data.random]).ravel() * share
    return np.concatenate([t, state.fixed / data.scale, inner, state.level / data.spread])


def _unpacked(vector: Array, like: State, data: Tangents, spreads: slice) -> State:
    """The state of a packed vector."""
    share = 1 / np.sqrt(max(len(like.inner), 1))
    n, p = len(like.t), len(like.fixed)
    end = n + p + like.inner.size
    inner = vector[n + p : end].reshape(like.inner.shape) * data.scale[data.random] / share
    t = vector[:n].copy()
    t[spreads] = np.log(np.maximum(t[spreads], np.exp(LOWEST)))
    return State(t, vector[n : n + p] * data.scale, inner, vector[end:] * data.spread)


def observed(data: Tangents, state: State) -> tuple[Array, Array]:
    """Gradient and residual of every observation."""
    counts = np.diff(data.group_obs)
    phi = np.broadcast_to(state.fixed, (len(counts), len(state.fixed))).copy()
    phi[:, data.random] += state.inner
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient = data.evaluate(np.repeat(phi, counts, axis=0))
        residual = data.y - value
    return gradient, residual - state.level[data.week] if data.levels else residual


def gathered(data: Tangents, gradient: Array, residual: Array) -> Sums:
    """Sums in the units of `data.scale`."""
    return Sums(
        *sums(gradient * data.scale, residual, data.root_w, data.random, data.group_obs, data.week, data.levels)
    )


def slope_of(function: Callable[[Array], Array], point: Array, step: float = 1e-4) -> Array:
    """Matrix of derivatives of a gradient, by central differences."""
    columns = []
    for i in range(len(point)):
        move = np.zeros_like(point)
        move[i] = step
        columns.append((function(point + move) - function(point - move)) / (2 * step))
    matrix = np.array(columns)
    return 0.5 * (matrix + matrix.T)


def positive_solve(hessian: Array, gradient: Array) -> Array:
    """Newton step that goes downhill in every direction and not at all in flat ones."""
    root, bad = lapack.dpotrf(hessian, lower=1)
    if not bad and np.diagonal(root).min(initial=np.inf) > 1e-3 * np.abs(hessian).max(initial=0.0) ** 0.5:
        return lapack.dpotrs(root, gradient, lower=1)[0]  # well curved: no need to look at single directions
    values, vectors = np.linalg.eigh(hessian)
    size = np.abs(values)
    keep = size > 1e-9 * max(float(size.max(initial=0.0)), 1e-9)
    return vectors[:, keep] @ ((vectors[:, keep].T @ gradient) / size[keep])


Valued = tuple[float, Array, Callable[[], Array], Linear]
Linearly = Callable[[Array, Sums, State], Valued]


def _best_spread(
    function: Callable[[Array], Valued],
    t: Array,
    first: Valued,
    spreads: slice,
    close: float,
) -> tuple[Array, Linear]:
    """Fisher scoring for the spreads of one linear mixed model, each step shortened until the likelihood rises.

    Ends when the predicted fall is below `close`, or after moving far: the tangents are then worth taking anew.
    """
    value, gradient, told, linear = first
    start = t
    at = np.arange(len(t))[spreads]
    for _ in range(30):
        curved = told()
        # a spread near zero tells next to nothing of itself: it then moves by 2 at most
        curved[at, at] = np.maximum(curved[at, at], 0.5 * np.abs(gradient[at]))
        unit = np.sqrt(np.maximum(np.diagonal(curved), 1e-300))
        stuck = (t[spreads] <= LOWEST) & (gradient[spreads] > 0)
        if stuck.any():
            free = np.ones(len(t), bool)
            free[spreads] = ~stuck
            step, own = np.zeros_like(t), unit[free]
            step[free] = positive_solve(curved[np.ix_(free, free)] / (own[:, None] * own), gradient[free] / own) / own
        else:
            step = positive_solve(curved / (unit[:, None] * unit), gradient / unit) / unit
        if abs(float(gradient @ step)) < max(close, 1e-20 * (1 + abs(value))):
            break
        step /= max(1.0, float(np.abs(step).max()) / 2)
        for share in (1.0, 0.4, 0.15, 0.05, 0.01, 0.001):
            to = t - share * step
            to[spreads] = np.maximum(to[spreads], LOWEST)
            ahead = function(to)
            # near the end values are equal to the last digit and only the gradient tells
            if ahead[0] <= value + 1e-11 * (1 + abs(value)):
                break
        else:
            break
        t, (value, gradient, told, linear) = to, ahead
        if np.abs(t - start).max() > 2:
            break
    return t, linear


def solve(
    data: Tangents,
    start: State,
    linearly: Linearly,
    split: Callable,
    spreads: slice,
    *,
    within: float = 1e-8,
    budget: int = 200,
) -> tuple[State, bool]:
    """Alternate tangents and linear model until neither moves.

    Parameters
    ----------
    data : Tangents
        Curve and observations.
    start : State
        Where to begin.
    linearly : callable
        ``linearly(t, sums, state)`` gives the negative log likelihood of the linear model at the outer vector t,
        its gradient by t, a function for its expected information, and the `Linear` result in the units of
        `data.scale`.
    split : callable
        ``split(t)`` gives root of the group covariance, log sigma, log level sd.
    spreads : slice
        Where t holds logarithms of spreads, which may go to zero.
    within : float
        Move, in units of the spreads, below which it has ended.
    budget : int
        Most alternations.

    Returns
    -------
    State, bool
        The fixed point, and whether it was reached.

    Notes
    -----
    One alternation moves the effects by one Gauss-Newton step, halved until the penalised squares fall. Once the
    moves are small the iteration is mixed from its last ones (Anderson), which takes about a dozen alternations.
    """
    scale, random = data.scale, data.random

    def penalised(state: State, residual: Array, t: Array) -> float:
        root, log_sigma, log_level = split(t)
        away, seen = state.inner @ np.linalg.inv(root).T, residual * data.root_w
        from_prior = state.fixed - data.prior_mean
        value = np.vdot(seen, seen) * np.exp(-2 * log_sigma) + np.vdot(away, away)
        value += np.vdot(data.prior_precision, from_prior * from_prior)
        return float(value + np.vdot(state.level, state.level) * np.exp(-2 * log_level))

    size = len(scale)

    def moved(state: State, t: Array, linear: Linear) -> State:
        inner, level = linear.inner * scale[random], state.level + linear.move[size:]
        return State(t, state.fixed + linear.move[:size] * scale, inner, level)

    def best_of(here: State, residual: Array, tried: Iterable[State]) -> tuple[int, State, Array, Array] | None:
        """First of the states tried whose penalised squares are no higher than here."""
        for number, state in enumerate(tried):
            gradient, ahead = observed(data, state)
            if np.all(np.isfinite(gradient)) and np.all(np.isfinite(ahead)):
                before = penalised(here, residual, state.t)
                if penalised(state, ahead, state.t) <= before * (1 + 1e-9) + 1e-9:
                    return number, state, gradient, ahead
        return None

    state, (gradient, residual) = start, observed(data, start)
    past: list[tuple[Array, Array]] = []  # moves of the map and where they led
    length = 1.0
    for _ in range(budget):
        for _ in range(20):  # while far, the effects are brought to their best at these spreads
            total = gathered(data, gradient, residual)
            first = linearly(state.t, total, state)
            plain = moved(state, state.t, first[3])
            packed, led = _packed(state, data, spreads), _packed(plain, data, spreads)
            if length < 0.1 or np.sqrt(np.sum((led - packed) ** 2)) < 0.1 * length:
                break
            found = best_of(state, residual, _between(plain, packed, led, data, spreads))
            if found is None:
                return state, False
            _, state, gradient, residual = found

        def function(t: Array, total: Sums = total, here: State = state) -> Valued:
            return linearly(t, total, here)

        close = 1e-3 * min(length, 1.0) ** 2
        t, linear = _best_spread(function, state.t, first, spreads, close)
        plain = moved(state, t, linear)
        led = _packed(plain, data, spreads)
        move = led - packed
        length = float(np.sqrt(np.sum(move**2)))
        if length < within * np.sqrt(size + len(random)) and close <= 1e-3 * within:
            t, linear = _best_spread(function, t, function(t), spreads, 0.0)  # to the last digits
            return moved(state, t, linear), True
        past = [*past, (move, led)][-6:]
        tried = _between(plain, packed, led, data, spreads)
        if len(past) > 1:
            turns = np.diff(np.array([m for m, _ in past]), axis=0).T
            steps = np.diff(np.array([g for _, g in past]), axis=0).T
            mixed = led - steps @ np.linalg.lstsq(turns, move, rcond=1e-10)[0]
            one = _unpacked(mixed, plain, data, spreads)
            far = one.t - state.t
            far[spreads] = np.exp(one.t[spreads]) - np.exp(state.t[spreads])
            if np.abs(far).max() < 2:
                tried = chain([one], tried)
        found = best_of(state, residual, tried)
        if found is None:
            return state, False
        number, state, gradient, residual = found
        if number > 0:
            past = past[-1:]
    return state, False


def _between(plain: State, packed: Array, led: Array, data: Tangents, spreads: slice) -> Iterator[State]:
    """States on the way from `packed` to `led`, the whole way first."""
    yield plain
    for share in (0.5, 0.25, 0.1, 0.03, 0.01):
        yield replace(_unpacked(packed + share * (led - packed), plain, data, spreads), t=plain.t)
