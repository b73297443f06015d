"""Growth curves as plain objects: a formula, its parameter names, its first and second derivatives.

A curve knows nothing of fitting; the fitting in `olivetime.ripening.mixed` knows nothing of any one curve.
To add a curve, write one function ``terms(x, *parameters, order)`` that returns ``(f, (df/dp, ...),
((d2f/dp2, ...), ...))`` up to the order asked for, and wrap it: ``Curve("name", ("a", "b"), terms, guess)``.
A formula alone is enough for a first try: ``from_formula("name", ("a", "b"), lambda x, a, b: ...)`` takes its
derivatives by central differences.

The shapes of oil in the fruit (`OIL_SHAPES`) share three parameters with one meaning each, so that one prior
fits all of them: the logarithm of the plateau, the time at which half of it is reached, and the logarithm of a
time scale that sets the slope there (plateau / (4 scale), as in the logistic).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

Array = NDArray[np.floating]
LOG2 = float(np.log(2.0))


@dataclass(frozen=True)
class Curve:
    """A curve ``f(x; parameters)`` with derivatives by its parameters.

    Attributes
    ----------
    name : str
        Name in tables.
    parameters : tuple of str
        Parameter names, in the order of the call.
    terms : callable
        ``terms(x, *parameters, order)`` gives a tuple ``(f, first, second)`` cut after ``order``: ``first`` is a
        sequence of P arrays, ``second`` a P by P nest of arrays (only the upper triangle is read).
    guess : callable or None
        ``guess(x, y)`` gives P starting values; None when the caller must bring them.
    """

    name: str
    parameters: tuple[str, ...]
    terms: Callable[..., tuple]
    guess: Callable[[Array, Array], tuple[float, ...]] | None = None

    def __call__(self, x: ArrayLike, *parameters: ArrayLike) -> Array:
        """Value of the curve; `x` and the parameters broadcast."""
        return np.asarray(self.terms(np.asarray(x, float), *self._checked(parameters), order=0)[0])

    def gradient(self, x: ArrayLike, *parameters: ArrayLike) -> Array:
        """First derivatives by the parameters, shape (..., P)."""
        return self.slopes(x, *parameters)[1]

    def hessian(self, x: ArrayLike, *parameters: ArrayLike) -> Array:
        """Second derivatives by the parameters, shape (..., P, P)."""
        value, _, second = self.terms(np.asarray(x, float), *self._checked(parameters), order=2)
        return _squared(second, np.shape(value))

    def derivatives(self, x: ArrayLike, *parameters: ArrayLike) -> tuple[Array, Array, Array]:
        """Value (...), gradient (..., P) and hessian (..., P, P) in one pass."""
        value, first, second = self.terms(np.asarray(x, float), *self._checked(parameters), order=2)
        shape = np.shape(value)
        return np.asarray(value), _stacked(first, shape), _squared(second, shape)

    def slopes(self, x: ArrayLike, *parameters: ArrayLike) -> tuple[Array, Array]:
        """Value (...) and gradient (..., P) in one pass."""
        value, first = self.terms(np.asarray(x, float), *self._checked(parameters), order=1)[:2]
        return np.asarray(value), _stacked(first, np.shape(value))

    def start(self, x: ArrayLike, y: ArrayLike) -> tuple[float, ...]:
        """Starting values from data pooled over all groups.

        Raises
        ------
        ValueError
            When the curve has no guess of its own.
        """
        if self.guess is None:
            raise ValueError(
                f"curve {self.name}: found no starting guess, expected one value for each of "
                f"{', '.join(self.parameters)}. Give start=(...)."
            )
        return tuple(float(v) for v in self.guess(np.asarray(x, float), np.asarray(y, float)))

    def _checked(self, parameters: tuple) -> tuple:
        if len(parameters) != len(self.parameters):
            raise ValueError(
                f"curve {self.name}: found {len(parameters)} parameters, expected {len(self.parameters)} "
                f"({', '.join(self.parameters)}). Pass them in this order."
            )
        return tuple(np.asarray(p, float) for p in parameters)


def _stacked(first: tuple, shape: tuple[int, ...]) -> Array:
    out = np.empty((*shape, len(first)))
    for i, value in enumerate(first):
        out[..., i] = value
    return out


def _squared(second: tuple, shape: tuple[int, ...]) -> Array:
    size = len(second)
    out = np.empty((*shape, size, size))
    for i in range(size):
        for j in range(i, size):
            out[..., i, j] = second[i][j]
            if j > i:
                out[..., j, i] = second[i][j]
    return out


def from_formula(name: str, parameters: tuple[str, ...], formula: Callable[..., Array]) -> Curve:
    """Make a curve from its formula alone; derivatives by central differences.

    Parameters
    ----------
    name : str
        Name in tables.
    parameters : tuple of str
        Parameter names.
    formula : callable
        ``formula(x, *parameters)``, written with numpy so that parameters may be arrays.

    Returns
    -------
    Curve
        Without a starting guess. First derivatives carry about 10 digits, second derivatives about 6.
    """
    size = len(parameters)

    def terms(x: Array, *values: Array, order: int) -> tuple:
        centre = formula(x, *values)
        if order == 0:
            return (centre,)

        def moved(moves: dict[int, Array | float]) -> Array:
            return formula(x, *(v + moves[i] if i in moves else v for i, v in enumerate(values)))

        fine = [6e-6 * np.maximum(np.abs(v), 1e-5) for v in values]
        first = tuple((moved({i: s}) - moved({i: -s})) / (2 * s) for i, s in enumerate(fine))
        if order == 1:
            return centre, first
        coarse = [2e-4 * np.maximum(np.abs(v), 1e-3) for v in values]
        second: list[list] = [[0.0] * size for _ in range(size)]
        for i, a in enumerate(coarse):
            second[i][i] = (moved({i: a}) - 2 * centre + moved({i: -a})) / a**2
            for j in range(i + 1, size):
                b = coarse[j]
                corners = moved({i: a, j: b}) - moved({i: a, j: -b}) - moved({i: -a, j: b}) + moved({i: -a, j: -b})
                second[i][j] = corners / (4 * a * b)
        return centre, first, second

    return Curve(name, parameters, terms)


# --- curves of y itself -------------------------------------------------------------------------------------


def _logistic(x: Array, plateau: Array, midpoint: Array, scale: Array, *, order: int) -> tuple:
    t = (x - midpoint) / scale
    if order == 0:
        return (plateau * expit(t),)
    e = np.exp(-np.abs(t))
    p, slope = np.where(t >= 0, 1.0, e) / (1.0 + e), e / (1.0 + e) ** 2
    f_t = plateau * slope
    first = (p, -f_t / scale, -f_t * t / scale)
    if order == 1:
        return plateau * p, first
    f_tt = f_t * (1 - 2 * p)
    second = (
        (0.0, -slope / scale, -slope * t / scale),
        (0.0, f_tt / scale**2, (f_tt * t + f_t) / scale**2),
        (0.0, 0.0, (f_tt * t**2 + 2 * f_t * t) / scale**2),
    )
    return plateau * p, first, second


def _logistic_guess(x: Array, y: Array) -> tuple[float, float, float]:
    order = np.argsort(x, kind="stable")
    xs, ys = x[order], y[order]
    top = float(np.max(ys)) * 1.05 or 1.0
    share = np.clip(ys / top, 0.03, 0.97)
    slope, intercept = _straight(xs, np.log(share / (1 - share)))
    width = float(np.ptp(xs)) or 1.0
    scale = min(max(1 / slope, width / 50), width * 5) if slope > 0 else width / 4
    midpoint = -intercept / slope if slope > 0 else float(np.mean(xs))
    return top, float(np.clip(midpoint, xs[0] - width, xs[-1] + width)), scale


def _straight(x: Array, y: Array) -> tuple[float, float]:
    centred = x - x.mean()
    spread = float(centred @ centred)
    slope = float(centred @ (y - y.mean())) / spread if spread > 0 else 0.0
    return slope, float(y.mean() - slope * x.mean())


def _asymptotic(x: Array, plateau: Array, at_zero: Array, log_rate: Array, *, order: int) -> tuple:
    rate = np.exp(log_rate)
    decay = np.exp(-rate * x)
    value = plateau + (at_zero - plateau) * decay
    if order == 0:
        return (value,)
    z = rate * x
    gap = at_zero - plateau
    first = (1 - decay, decay, -gap * decay * z)
    if order == 1:
        return value, first
    second = (
        (0.0, 0.0, decay * z),
        (0.0, 0.0, -decay * z),
        (0.0, 0.0, gap * decay * z * (z - 1)),
    )
    return value, first, second


def _asymptotic_guess(x: Array, y: Array) -> tuple[float, float, float]:
    top = float(np.max(y)) + 0.1 * (float(np.ptp(y)) or 1.0)
    slope, intercept = _straight(x, np.log(top - y))
    width = float(np.ptp(x)) or 1.0
    rate = -slope if slope < 0 else 1 / width
    return top, top - float(np.exp(intercept)), float(np.log(rate))


def _gompertz(x: Array, plateau: Array, inflection: Array, scale: Array, *, order: int) -> tuple:
    t = (x - inflection) / scale
    e = np.exp(-np.clip(t, -500, 500))
    p = np.exp(-e)
    if order == 0:
        return (plateau * p,)
    slope = p * e
    f_t = plateau * slope
    first = (p, -f_t / scale, -f_t * t / scale)
    if order == 1:
        return plateau * p, first
    f_tt = f_t * (e - 1)
    second = (
        (0.0, -slope / scale, -slope * t / scale),
        (0.0, f_tt / scale**2, (f_tt * t + f_t) / scale**2),
        (0.0, 0.0, (f_tt * t**2 + 2 * f_t * t) / scale**2),
    )
    return plateau * p, first, second


def _gompertz_guess(x: Array, y: Array) -> tuple[float, float, float]:
    top = float(np.max(y)) * 1.1 or 1.0
    share = np.clip(y / top, 0.01, 0.97)
    slope, intercept = _straight(x, -np.log(-np.log(share)))
    width = float(np.ptp(x)) or 1.0
    if slope <= 0:
        return top, float(np.mean(x)), width / 4
    return top, -intercept / slope, 1 / slope


def _richards(x: Array, plateau: Array, inflection: Array, scale: Array, shape: Array, *, order: int) -> tuple:
    t = (x - inflection) / scale
    e = np.exp(-np.clip(t, -500, 500))
    u = 1 + shape * e
    log_u = np.log(u)
    p = np.exp(-log_u / shape)
    value = plateau * p
    if order == 0:
        return (value,)
    # with L = log p: derivatives by t and shape, then p' = p L' and p'' = p (L'' + L' L')
    l_t = e / u
    l_v = log_u / shape**2 - e / (shape * u)
    p_t, p_v = p * l_t, p * l_v
    first = (p, -plateau * p_t / scale, -plateau * p_t * t / scale, plateau * p_v)
    if order == 1:
        return value, first
    l_tt = -e / u**2
    l_tv = -(e**2) / u**2
    l_vv = -2 * log_u / shape**3 + 2 * e / (shape**2 * u) + e**2 / (shape * u**2)
    f_t = plateau * p_t
    f_tt = plateau * p * (l_tt + l_t**2)
    p_tv = p * (l_tv + l_t * l_v)
    f_vv = plateau * p * (l_vv + l_v**2)
    second = (
        (0.0, -p_t / scale, -p_t * t / scale, p_v),
        (0.0, f_tt / scale**2, (f_tt * t + f_t) / scale**2, -plateau * p_tv / scale),
        (0.0, 0.0, (f_tt * t**2 + 2 * f_t * t) / scale**2, -plateau * p_tv * t / scale),
        (0.0, 0.0, 0.0, f_vv),
    )
    return value, first, second


def _richards_guess(x: Array, y: Array) -> tuple[float, float, float, float]:
    return (*_logistic_guess(x, y), 1.0)


def _softplus(t: Array) -> Array:
    return np.logaddexp(0.0, t)


def smooth_corner(width: float) -> Curve:
    """Straight rise to a plateau, the corner rounded over about `width` on each side.

    ``f = plateau - slope * width * log(1 + exp((corner - x) / width))``

    Parameters
    ----------
    width : float
        Half-width of the rounding, in the unit of x; above zero.

    Returns
    -------
    Curve
        Parameters plateau, corner, slope.

    Raises
    ------
    ValueError
        When the width is not above zero.
    """
    if not width > 0:
        raise ValueError(f"smooth_corner: found width {width}, expected above 0. Use a small width for a sharp corner.")

    def terms(x: Array, plateau: Array, corner: Array, slope: Array, *, order: int) -> tuple:
        t = (corner - x) / width
        soft = width * _softplus(t)
        value = plateau - slope * soft
        if order == 0:
            return (value,)
        p = expit(t)
        first = (np.ones_like(value), -slope * p, -soft)
        if order == 1:
            return value, first
        second = ((0.0, 0.0, 0.0), (0.0, -slope * p * (1 - p) / width, -p), (0.0, 0.0, 0.0))
        return value, first, second

    def guess(x: Array, y: Array) -> tuple[float, float, float]:
        top = float(np.max(y))
        rising = y < 0.9 * top
        slope, intercept = _straight(x[rising], y[rising]) if rising.sum() > 1 else _straight(x, y)
        if slope <= 0:
            return top, float(np.max(x)), (float(np.ptp(y)) or 1.0) / (float(np.ptp(x)) or 1.0)
        return top, (top - intercept) / slope, slope

    return Curve("plateau_line", ("plateau", "corner", "slope"), terms, guess)


def _line(x: Array, intercept: Array, slope: Array, *, order: int) -> tuple:
    value = intercept + slope * x
    if order == 0:
        return (value,)
    first = (np.ones_like(value), x)
    return (value, first) if order == 1 else (value, first, ((0.0, 0.0), (0.0, 0.0)))


logistic = Curve("logistic", ("plateau", "midpoint", "scale"), _logistic, _logistic_guess)
"""plateau / (1 + exp(-(x - midpoint) / scale)), the form of R's SSlogis."""

asymptotic = Curve("asymptotic", ("plateau", "at_zero", "log_rate"), _asymptotic, _asymptotic_guess)
"""plateau + (at_zero - plateau) exp(-exp(log_rate) x), the form of R's SSasymp."""

gompertz = Curve("gompertz", ("plateau", "inflection", "scale"), _gompertz, _gompertz_guess)
"""plateau exp(-exp(-(x - inflection) / scale)); R's SSgompertz has b2 = exp(inflection/scale), b3 = exp(-1/scale)."""

richards = Curve("richards", ("plateau", "inflection", "scale", "shape"), _richards, _richards_guess)
"""plateau (1 + shape exp(-(x - inflection) / scale))^(-1/shape); shape 1 is the logistic, shape > 0."""

plateau_line = smooth_corner(6.0)
"""Straight rise to a plateau; corner rounded over 6 units of x."""

line = Curve("line", ("intercept", "slope"), _line, lambda x, y: _straight(x, y)[::-1])
"""intercept + slope x."""


# --- shapes of oil in the fruit: log f = log_plateau + G((x - midpoint) / scale) -------------------------------


def oil_shape(name: str, profile: Callable[..., tuple]) -> Curve:
    """Curve of the logarithm of oil from a profile ``G(t)`` with G(0) = log(1/2), G'(0) = 1/2 and G(inf) = 0.

    Parameters
    ----------
    name : str
        Name in tables.
    profile : callable
        ``profile(t, order)`` gives (G, G', G'') cut after `order`.

    Returns
    -------
    Curve
        Parameters log_plateau, midpoint, log_scale; the value is the natural logarithm of oil.
    """
    # no functions within the function: a fit is kept in a file with its curves
    return Curve(name, ("log_plateau", "midpoint", "log_scale"), partial(_oil_terms, profile), _oil_guess)


def _oil_terms(
    profile: Callable[..., tuple], x: Array, log_plateau: Array, midpoint: Array, log_scale: Array, *, order: int
) -> tuple:
    scale = np.exp(log_scale)
    t = (x - midpoint) / scale
    if order == 0:
        return (log_plateau + profile(t, 0)[0],)
    if order == 1:
        g, g1 = profile(t, 1)
        return log_plateau + g, (np.ones_like(g), -g1 / scale, -g1 * t)
    g, g1, g2 = profile(t, 2)
    second = (
        (0.0, 0.0, 0.0),
        (0.0, g2 / scale**2, (g1 + g2 * t) / scale),
        (0.0, 0.0, (g1 + g2 * t) * t),
    )
    return log_plateau + g, (np.ones_like(g), -g1 / scale, -g1 * t), second


def _oil_guess(x: Array, y: Array) -> tuple[float, float, float]:
    plateau, midpoint, scale = _logistic_guess(x, np.exp(y))
    return float(np.log(plateau)), midpoint, float(np.log(scale))


def _soft(t: Array) -> tuple[Array, Array]:
    """``log(1 + exp(t))`` and its slope, from one exponential."""
    e = np.exp(-np.abs(t))
    return np.maximum(t, 0.0) + np.log1p(e), np.where(t >= 0, 1.0, e) / (1.0 + e)


def _logistic_profile(t: Array, order: int) -> tuple:
    soft, q = _soft(-t)
    return (-soft, q, -q * (1 - q))[: order + 1]


def _gompertz_profile(t: Array, order: int) -> tuple:
    e = LOG2 * np.exp(-np.clip(t / (2 * LOG2), -60, 500))
    return (-e, e / (2 * LOG2), -e / (2 * LOG2) ** 2)[: order + 1]


def _plateau_line_profile(t: Array, order: int, *, corner_width: float, floor: float = 0.05) -> tuple:
    z = (2 - t) / corner_width
    above, p = _soft(z)
    share = 1 - 0.25 * corner_width * above  # straight line through (0, 1/2), slope 1/4, up to 1 at t = 2
    v = share / floor
    soft, s = _soft(v)  # the floor keeps the share above zero, so that its logarithm stays smooth
    g = np.log(floor) + np.log(soft)
    if order == 0:
        return (g,)
    share1 = 0.25 * p
    rel = s / (soft * floor)
    g1 = rel * share1
    if order == 1:
        return g, g1
    share2 = -0.25 * p * (1 - p) / corner_width
    curvature = s * (1 - s) / (soft * floor**2) - rel**2
    return g, g1, rel * share2 + curvature * share1**2


OIL_SHAPES: dict[str, Curve] = {
    "logistic": oil_shape("logistic", _logistic_profile),
    "gompertz": oil_shape("gompertz", _gompertz_profile),
    "plateau_line": oil_shape("plateau_line", partial(_plateau_line_profile, corner_width=0.1)),
}
"""Shapes averaged by the oil fit. plateau_line's corner is rounded over 0.1 scales (2 days when scale is 17)."""
