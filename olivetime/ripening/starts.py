"""Where the search of a curve's parameters may begin: least squares over all groups, and other starts where one is bad.

A start far from the samples often leads into a side valley, or to a place from which a parameter no longer moves the
curve at all: the slope vanishes there and nothing has been found. `pooled` tries other starts then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from olivetime.ripening.curves import Array, Curve

_TINY = np.finfo(float).tiny
CROWD = 400  # observations on which many starts are looked at; of more, every so-manieth by x
NEAR = 0.2  # share of the start's squares: a search that leaves more than that had begun near its end
TOLD = 1e-7  # least share of its own slope that a parameter keeps to itself

Held = list[tuple[int, float, float]]  # parameter, prior mean, prior sd


@dataclass(frozen=True)
class Pooled:
    """One curve through all observations: its parameters, sum of squares, whether every parameter is told there."""

    values: Array
    squares: float
    told: bool


def untold(curve: Curve, x: Array, root_w: Array, values: Array) -> list[str]:
    """Parameters that do not move the curve there, or not in a way of their own; all where it has no value."""
    with np.errstate(all="ignore"):
        value, slopes = curve.slopes(x, *values)
        slopes = slopes * root_w[:, None]
    if not (np.all(np.isfinite(slopes)) and np.all(np.isfinite(value))):
        return list(curve.parameters)
    size = np.sqrt(np.sum(slopes**2, axis=0))
    height = float(np.sqrt(np.sum((value * root_w) ** 2)))
    still = size * np.maximum(np.abs(values), 1.0) <= 1e-6 * height
    if still.any():
        return [name for name, out in zip(curve.parameters, still, strict=True) if out]
    _, own, ways = np.linalg.svd(slopes / size, full_matrices=False)
    if len(own) < len(values) or own[-1] <= TOLD:
        return [name for name, part in zip(curve.parameters, np.abs(ways[-1]), strict=True) if part > 0.1]
    return []


def level_squares(y: Array, root_w: Array) -> float:
    """Sum of squares around the best level line."""
    weight = root_w**2
    return float(np.sum(weight * (y - np.sum(weight * y) / np.sum(weight)) ** 2))


def squares_at(curve: Curve, x: Array, y: Array, root_w: Array, values: Array) -> float:
    """Sum of squares of a curve; infinite where it has no value."""
    with np.errstate(all="ignore"):
        squares = float(np.sum(((y - curve(x, *values)) * root_w) ** 2))
    return squares if np.isfinite(squares) else np.inf


def pooled(curve: Curve, x: Array, y: Array, root_w: Array, start: Array, held: Held) -> Pooled | None:
    """Least squares over all groups from a start, and from others where that one is bad; None without any value.

    Parameters
    ----------
    curve : Curve
        Of what is fitted.
    x, y, root_w : array
        Observations, and the roots of their weights.
    start : array (P,)
        Given or guessed values.
    held : list
        Parameters with a prior: index, mean, sd.

    Returns
    -------
    Pooled or None
    """
    at_start = squares_at(curve, x, y, root_w, start)
    first = _refined(curve, x, y, root_w, start, held) if np.isfinite(at_start) else None
    # a start worse than a level line says nothing of the samples
    if first is not None and first.told and at_start <= level_squares(y, root_w):
        return first
    best = first
    for other in other_starts(curve, x, y, root_w, start):
        one = _refined(curve, x, y, root_w, other, held)
        if one.told and (best is None or not best.told or one.squares < 0.98 * best.squares):
            best = one
    return best


def _refined(curve: Curve, x: Array, y: Array, root_w: Array, start: Array, held: Held) -> Pooled:
    """Least squares from one start; the start itself where the search ends without a value."""
    scale = np.maximum(np.abs(start), 1e-3)
    spread = float(np.std(y)) or 1.0

    def residuals(t: Array) -> Array:
        with np.errstate(all="ignore"):
            out = (curve(x, *(t * scale)) - y) * root_w
        extra = [0.1 * spread * (t[i] * scale[i] - mean) / sd for i, mean, sd in held]
        return np.nan_to_num(np.concatenate([out, extra]), nan=1e6, posinf=1e6, neginf=-1e6)

    def slopes_of(t: Array) -> Array:
        with np.errstate(all="ignore"):
            out = curve.gradient(x, *(t * scale)) * (root_w[:, None] * scale)
        extra = np.zeros((len(held), len(t)))
        for row, (i, _, sd) in zip(extra, held, strict=True):
            row[i] = 0.1 * spread * scale[i] / sd
        return np.nan_to_num(np.concatenate([out, extra]), nan=0.0, posinf=1e6, neginf=-1e6)

    from scipy.optimize import least_squares  # half the time that scipy takes to load; a season's fit never comes here

    # Two searches with different steps: where the start is far off, one of them often ends in a side valley.
    found: list[tuple[float, Array]] = []
    near = NEAR * squares_at(curve, x, y, root_w, start)
    near = near if near <= NEAR * level_squares(y, root_w) else np.inf
    for way in ("lm", "trf"):
        if way == "lm" and len(y) + len(held) < len(start):
            continue
        if found and found[0][0] > near and not untold(curve, x, root_w, found[0][1]):
            break
        more = {"x_scale": "jac"} if way == "trf" else {"xtol": 1e-12}
        try:
            with np.errstate(all="ignore"):
                one = least_squares(residuals, start / scale, slopes_of, method=way, max_nfev=200, **more)
        except (np.linalg.LinAlgError, ValueError):
            continue
        if np.all(np.isfinite(one.x)):
            found.append((2 * float(one.cost), one.x * scale))
    found.sort(key=lambda one: one[0])
    for squares, values in found:
        with np.errstate(all="ignore"):
            slopes = curve.gradient(x, *values)
        if np.all(np.isfinite(slopes)) and np.all(np.any(slopes != 0, axis=0)):
            return Pooled(values, squares, not untold(curve, x, root_w, values))
    return Pooled(start, squares_at(curve, x, y, root_w, start), not untold(curve, x, root_w, start))


def other_starts(
    curve: Curve, x: Array, y: Array, root_w: Array, start: Array, n_tried: int = 300, most: int = 4
) -> list[Array]:
    """Other places to begin: many tried by chance (always the same), the best few led downhill.

    Parameters that enter in a straight way (plateaus, say) are solved for each trial; only the others are drawn, near
    the start given, near zero, on the scale of x or of 1 / x.
    """
    rng = np.random.default_rng(0)
    ahead = x if x.ndim == 1 else x[:, 0]
    if len(y) > CROWD:
        rows = np.argsort(ahead, kind="stable")[:: -(-len(y) // CROWD)]
        x, y, root_w, ahead = x[rows], y[rows], root_w[rows], ahead[rows]
    trials = [*_own_guess(curve, x, y), *_trials(rng, start, ahead, n_tried)]
    straight = _straight_parameters(curve, x, trials[:40:5])
    ranked: list[tuple[float, int, Array]] = []
    for number, trial in enumerate(trials):
        values = _solved(curve, x, y, root_w, trial, straight) if straight else trial
        squares = squares_at(curve, x, y, root_w, values)
        if np.isfinite(squares):
            ranked.append((squares, number, values))
    ranked.sort(key=lambda one: one[:2])
    ends: list[tuple[float, Array]] = []
    for _, _, values in ranked[: 3 * most]:
        end, squares, _ = settled(curve, x, y, root_w, values, budget=60)
        new = all(abs(squares - other) > 1e-4 * other for other, _ in ends)
        if new and np.all(np.isfinite(end)) and not untold(curve, x, root_w, end):
            ends.append((squares, end))
    ends.sort(key=lambda one: one[0])
    return [values for _, values in ends[:most]]


def _own_guess(curve: Curve, x: Array, y: Array) -> list[Array]:
    if curve.guess is None:
        return []
    with np.errstate(all="ignore"):
        guess = np.array(curve.start(x, y))
    return [guess] if np.all(np.isfinite(guess)) else []


def _trials(rng: np.random.Generator, start: Array, x: Array, n: int) -> Iterator[Array]:
    """Values drawn by chance, each parameter in one of several ways."""
    low, width = float(np.min(x)), float(np.ptp(x)) or 1.0
    size = len(start)
    for _ in range(n):
        ways = np.array(
            [
                start * np.exp(rng.normal(0, 1, size)),
                start + rng.normal(0, 2, size),
                rng.normal(0, 3, size),
                low + width * rng.uniform(0, 1, size),
                width * np.exp(rng.uniform(-4, 0, size)),
                np.exp(rng.uniform(-1, 4, size)) / width,
                np.log(1 / width) + rng.normal(1, 2, size),
            ]
        )
        yield ways[rng.integers(0, len(ways), size), np.arange(size)]


def _straight_parameters(curve: Curve, x: Array, trials: list[Array]) -> list[int]:
    """Parameters in which, together, the curve is a straight function."""
    kept: list[int] = []
    with np.errstate(all="ignore"):
        bends = [(curve.derivatives(x, *trial), trial) for trial in trials]
    seen: list[tuple[Array, float]] = []
    for (value, slopes, bend), trial in bends:
        if np.all(np.isfinite(bend)) and np.all(np.any(slopes != 0, axis=0)):
            unit = np.maximum(np.abs(trial), 1e-3)
            seen.append((np.abs(bend) * np.outer(unit, unit), float(np.max(np.abs(slopes) * unit)) + abs(value).max()))
    for i in range(len(trials[0])):
        together = [*kept, i]
        if seen and all(np.max(bend[:, i, together]) < 1e-5 * height for bend, height in seen):
            kept = together
    return kept


def _solved(curve: Curve, x: Array, y: Array, root_w: Array, trial: Array, straight: list[int]) -> Array:
    """The trial with its straight parameters at their best."""
    with np.errstate(all="ignore"):
        value, slopes = curve.slopes(x, *trial)
    own = slopes[:, straight] * root_w[:, None]
    rest = (y - value) * root_w
    if not (np.all(np.isfinite(own)) and np.all(np.isfinite(rest))):
        return trial
    values = trial.copy()
    size = np.sqrt(np.sum(own**2, axis=0))
    if not np.all(size > 1e-100):
        return trial
    values[straight] += np.linalg.lstsq(own / size, rest, rcond=1e-8)[0] / size
    return values


def settled(
    curve: Curve, x: Array, y: Array, root_w: Array, start: Array, budget: int = 1000
) -> tuple[Array, float, bool]:
    """Levenberg-Marquardt with scaled steps bent along the curve (geodesic); values, squares, whether it ended.

    References
    ----------
    .. [1] Transtrum and Sethna (2012), Improvements to the Levenberg-Marquardt algorithm, arXiv:1201.5885. From memory.
    """
    try:
        return _descended(curve, x, y, root_w, start, budget)
    except np.linalg.LinAlgError:  # numbers too large to be solved for
        return start, squares_at(curve, x, y, root_w, start), False


def _descended(curve: Curve, x: Array, y: Array, root_w: Array, start: Array, budget: int) -> tuple[Array, float, bool]:

    def at(p: Array) -> Array:
        with np.errstate(all="ignore"):
            return (y - curve(x, *p)) * root_w

    point, damping, unit = start, 1e-3, np.zeros(len(start))
    r = at(point)
    squares = float(r @ r)
    for _ in range(budget):
        with np.errstate(all="ignore"):
            slopes = curve.gradient(x, *point) * root_w[:, None]
        if not np.all(np.isfinite(slopes)):
            return point, squares, False
        unit = np.maximum(unit, np.sqrt(np.sum(slopes**2, axis=0)))
        unit[unit == 0] = 1.0
        scaled = slopes / unit
        for _ in range(40):
            tall = np.vstack([scaled, np.sqrt(damping) * np.eye(len(point))])
            rest = np.zeros(len(point))
            step = np.linalg.lstsq(tall, np.concatenate([r, rest]), rcond=None)[0]
            bent = 20 * ((r - at(point + 0.1 * step / unit)) / 0.1 - scaled @ step)  # second derivative along the step
            if np.all(np.isfinite(bent)):
                turn = -0.5 * np.linalg.lstsq(tall, np.concatenate([bent, rest]), rcond=None)[0]
                if 2 * np.linalg.norm(turn) < 0.75 * np.linalg.norm(step):
                    step = step + turn
            to = point + step / unit
            ahead = at(to)
            fine = np.all(np.isfinite(ahead)) and float(ahead @ ahead) < squares
            if fine or np.linalg.norm(step) < 1e-14 * np.linalg.norm(unit * point):
                break
            damping = min(damping * 4, 1e12)
        else:
            break
        if not fine:
            break  # nothing lower within reach of a step that can be told from none
        fall = squares - float(ahead @ ahead)
        point, r, squares, damping = to, ahead, squares - fall, max(damping / 8, 1e-15)
        if fall < 1e-15 * squares and np.linalg.norm(step) < 1e-11 * np.linalg.norm(unit * point):
            break
    else:
        return point, squares, False
    # undamped steps settle the digits that the squares no longer show
    for _ in range(3):
        with np.errstate(all="ignore"):
            slopes = curve.gradient(x, *point) * root_w[:, None]
        unit = np.maximum(np.sqrt(np.sum(slopes**2, axis=0)), _TINY)
        to = point + np.linalg.lstsq(slopes / unit, r, rcond=1e-15)[0] / unit
        ahead = at(to)
        if not np.all(np.isfinite(ahead)) or float(ahead @ ahead) > squares * (1 + 1e-10):
            break
        point, r, squares = to, ahead, float(ahead @ ahead)
    near = np.linalg.norm(slopes.T @ r / unit) <= 1e-5 * np.sqrt(squares)
    return point, squares, bool(near or squares < 1e-20 * float(np.sum((root_w * y) ** 2)))
