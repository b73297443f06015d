"""Fruit moisture: a trend for every block, levelling off if the data say so, and a response to recent rain.

    moisture_pct = a + b clock + rain_response * rain_memory + cultivar + block + season + week + error

A linear mixed model, for which Laplace's method of ``effects`` is exact. ``clock`` is days, or days that slow
down, levelling (1 - exp(-days / levelling)). ``rain_memory`` is the rain of the days before, each day's weight
falling by 1/e over the memory [days]. Both constants are tried by the likelihood. Rain swells the fruit: it
moves fresh-basis oil and tonnes, never dry-basis oil.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from olivetime.ripening.effects import (
    Array,
    EffectsFit,
    GroupTerm,
    NormalFamily,
    SharedTerm,
    draw_effects,
    fit_effects,
    group_scale,
    lay_out,
    shared_scale,
    spread_guess,
)

SCALE_DAYS = 30.0
LOWEST_PCT, HIGHEST_PCT = 30.0, 80.0

PRIOR: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "log_sd error": (float(np.log(1.2)), 0.4),
        "level": (58.0, 8.0),
        "trend": (-3.0, 3.0),
        "rain response": (0.05, 0.05),
        "log_sd block": (float(np.log(1.5)), 0.6),
        "log_sd block trend": (float(np.log(0.8)), 0.6),
        "tilt": (0.0, 0.4),
        "log_sd block in season": (float(np.log(1.0)), 0.6),
        "log_sd cultivar": (float(np.log(3.0)), 0.6),
        "log_sd cultivar trend": (float(np.log(1.0)), 0.6),
        "log_sd season": (float(np.log(1.5)), 0.6),
        "log_sd season trend": (float(np.log(0.8)), 0.6),
        "log_sd week": (float(np.log(0.6)), 0.6),
    }
)
"""Weak priors (mean, sd) in points of moisture, trends per 30 days, rain per mm. From memory: no source."""


def _clock(days: ArrayLike, levelling_days: float | None) -> Array:
    d = np.asarray(days, dtype=float)
    return d if levelling_days is None else levelling_days * -np.expm1(-d / levelling_days)


@dataclass(frozen=True)
class MoistureDraws:
    """Joint draws for B blocks.

    ``level`` (K, B) [%] at ``centre`` days, ``trend`` (K, B) [points per 30 days], ``rain`` (K,) [per mm].
    """

    level: Array
    trend: Array
    rain: Array
    centre: float
    levelling_days: float | None = None

    def pct(self, days: ArrayLike, rain_memory_mm: ArrayLike) -> Array:
        """Moisture (K, B, T) [% of fresh weight], kept within 30 to 80.

        Parameters
        ----------
        days : (T,), (B, T) or (K, B, T) array
            Days on the same axis as the fit.
        rain_memory_mm : (B, T) or (K, B, T) array
            Remembered rain [mm].
        """
        x = (_clock(days, self.levelling_days) - self.centre) / SCALE_DAYS
        out = self.level[:, :, None] + self.trend[:, :, None] * x
        out = out + self.rain[:, None, None] * np.asarray(rain_memory_mm, dtype=float)
        return np.clip(out, LOWEST_PCT, HIGHEST_PCT)


@dataclass(frozen=True)
class MoistureFit:
    """A fitted moisture model.

    ``coefficients``: name, value, se (level at day 0, trend per day of the clock, rain response per mm);
    ``spread``: name, sd; ``sigma`` [points]; ``parameters`` as in ColourFit; ``fitted`` and ``residual``
    (standardised) per sample; ``ols``: coefficients by ordinary least squares, to compare.
    """

    effects: EffectsFit
    centre: float
    levelling_days: float | None
    sigma: float
    loglik: float
    coefficients: pd.DataFrame
    spread: pd.DataFrame
    parameters: pd.DataFrame
    ols: pd.DataFrame
    cultivars: tuple[object, ...]
    seasons: tuple[object, ...]
    weeks: tuple[object, ...]
    converged: bool
    fitted: Array
    residual: Array

    @property
    def groups(self) -> tuple[object, ...]:
        """Blocks with samples, in the order of the effects."""
        return self.effects.layout.group

    def draw(
        self,
        n: int,
        rng: np.random.Generator,
        blocks: Sequence[object] | None = None,
        cultivars: Sequence[object] | None = None,
        season: object = None,
    ) -> MoistureDraws:
        """Joint draws for the blocks, without the week's and the sample's own error.

        Parameters
        ----------
        n : int
            Draws K.
        rng : numpy.random.Generator
        blocks, cultivars, season
            As in ColourFit.draw.

        Returns
        -------
        MoistureDraws
        """
        layout = self.effects.layout
        drawn = draw_effects(self.effects, n, rng)
        wanted = list(self.groups if blocks is None else blocks)
        at = {g: i for i, g in enumerate(self.groups)}
        place = np.array([at.get(b, -1) for b in wanted], dtype=np.intp)
        own = drawn.group[:, place]
        unseen = place < 0
        if unseen.any():
            noise = rng.standard_normal((n, int(unseen.sum()), own.shape[2]))
            own[:, unseen] = np.einsum("kij,kgj->kgi", drawn.group_scale, noise)
        level = np.repeat(drawn.psi[:, 1, None], len(wanted), axis=1)
        trend = np.repeat(drawn.psi[:, 2, None], len(wanted), axis=1)
        names = [name for t in layout.group_terms for name in t.names]
        for i, name in enumerate(names):
            if name == "block" or name == f"season {season}":
                level += own[:, :, i]
            elif name == "block trend":
                trend += own[:, :, i]
        keys = None if cultivars is None else list(cultivars)
        for i, term in enumerate(layout.shared_terms):
            mine = np.flatnonzero(layout.shared_index == i)
            target = trend if term.label.endswith(" trend") else level
            kind = term.label.removesuffix(" trend")
            if kind == "cultivar" and keys is not None:
                levels, want = {c: k for k, c in enumerate(self.cultivars)}, keys
            elif kind == "season":
                levels, want = {s: k for k, s in enumerate(self.seasons)}, [season] * len(wanted)
            else:
                continue
            for key in dict.fromkeys(want):
                here = np.array([w == key for w in want])
                if key in levels:
                    value = drawn.shared[:, mine[levels[key]]]
                else:
                    value = drawn.shared_scale[:, mine[0]] * rng.standard_normal(n)
                target[:, here] += value[:, None]
        rain = drawn.psi[:, 3] if layout.x.shape[2] > 2 else np.zeros(n)
        return MoistureDraws(level, trend, rain, self.centre, self.levelling_days)

    def week_effects(self) -> pd.DataFrame:
        """Most probable shared error of each week [points]: week, effect."""
        layout = self.effects.layout
        labels = [t.label for t in layout.shared_terms]
        if "week" not in labels:
            return pd.DataFrame({"week": pd.Series(dtype=object), "effect": pd.Series(dtype=float)})
        mine = layout.shared_index == labels.index("week")
        theta = self.effects.psi[1 + layout.x.shape[2] :]
        value = (shared_scale(layout, theta) * self.effects.mode.z_shared)[mine]
        return pd.DataFrame({"week": np.array(self.weeks, dtype=object), "effect": value})


def fit_moisture(
    moisture_pct: ArrayLike,
    days: ArrayLike,
    group: Sequence[object] | NDArray[np.generic],
    *,
    rain_memory_mm: ArrayLike | None = None,
    cultivar: Sequence[object] | None = None,
    week: Sequence[object] | None = None,
    season: Sequence[object] | None = None,
    seasons: Sequence[object] | None = None,
    weight: ArrayLike | None = None,
    prior: Mapping[str, tuple[float, float]] | None = None,
    centre: float | None = None,
    levelling_days: float | None = None,
    start: EffectsFit | None = None,
    curvature: bool = True,
) -> MoistureFit:
    """Fit the linear mixed model of moisture by (penalised) maximum likelihood.

    Parameters
    ----------
    moisture_pct : (n,) array
        Moisture [% of fresh weight].
    days : (n,) array
        Days, for example since the season's start.
    group : length n
        Block of each sample; blocks differ in level and trend.
    rain_memory_mm : (n,) array, optional
        Remembered rain at sampling [mm].
    cultivar, week, season : length n, optional
        Shared effects; season also gives every block an effect in each season.
    seasons : sequence, optional
        All seasons wanted, when one has no sample yet.
    weight : (n,) array, optional
        Relative precision of the samples; default 1.
    prior : mapping, optional
        Normal priors as in PRIOR; None: plain maximum likelihood.
    centre : float, optional
        Place on the clock at which level and trend part; default the mean.
    levelling_days : float, optional
        Days over which the trend slows down to 1/e; None for a straight line.
    start : EffectsFit, optional
        ``effects`` of a similar fit, whose spreads and scale of search are started from.
    curvature : bool
        False skips standard errors (for comparing likelihoods only).

    Returns
    -------
    MoistureFit

    Raises
    ------
    ValueError
        If there are fewer than three samples or a value is missing.
    """
    y, x = np.asarray(moisture_pct, dtype=float), _clock(days, levelling_days)
    n = len(y)
    if n < 3 or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ValueError(
            f"moisture_pct has {n} values, {int(np.isfinite(y).sum())} of them known, expected three or more "
            "and none missing: drop samples without moisture first."
        )
    centre = float(x.mean()) if centre is None else float(centre)
    xs = (x - centre) / SCALE_DAYS
    design = [np.ones(n), xs]
    fixed = ["level", "trend"]
    if rain_memory_mm is not None:
        design.append(np.asarray(rain_memory_mm, dtype=float))
        fixed.append("rain response")
    design_x = np.column_stack(design)
    group_terms = [GroupTerm(("block", "block trend"), np.column_stack([np.ones(n), xs]))]
    shared: list[SharedTerm] = []

    def levels(values: Sequence[object], more: Sequence[object] | None = None) -> tuple[tuple[object, ...], Array]:
        known = np.asarray(values).tolist()
        names, at = np.unique(known + list(more or ()), return_inverse=True)
        return tuple(names.tolist()), np.eye(len(names))[at[: len(known)]]

    cultivars: tuple[object, ...] = ()
    season_names: tuple[object, ...] = ()
    weeks: tuple[object, ...] = ()
    if cultivar is not None:
        cultivars, hot = levels(cultivar)
        shared += [SharedTerm("cultivar", hot), SharedTerm("cultivar trend", hot * xs[:, None])]
    if season is not None:
        season_names, hot = levels(season, seasons)
        if len(season_names) > 1:
            names = tuple(f"season {s}" for s in season_names)
            group_terms.append(GroupTerm(names, hot, full=False, label="block in season"))
            shared += [SharedTerm("season", hot), SharedTerm("season trend", hot * xs[:, None])]
    if week is not None:
        weeks, hot = levels(week)
        if len(weeks) > 1:
            shared.append(SharedTerm("week", hot))
    layout = lay_out(design_x, group, group_terms, shared)
    w = np.ones(n) if weight is None else np.asarray(weight, dtype=float)

    # Ordinary least squares gives the start, and stays beside the fit as a check of its plausibility.
    beta, *_ = np.linalg.lstsq(design_x, y, rcond=None)
    left = y - design_x @ beta
    names_psi = ["log_sd error", *fixed, *layout.sd_names]
    sd0 = max(float(left.std()), 0.1)
    first = np.concatenate([[np.log(0.7 * sd0)], beta, np.full(len(layout.sd_names), np.log(0.5 * sd0))])
    mean, sd = np.zeros(len(first)), np.full(len(first), np.inf)
    for i, name in enumerate(names_psi):
        key = "tilt" if name.startswith("tilt") else name
        if key == "tilt":
            first[i] = 0.0
        if prior is not None and key in prior:
            mean[i], sd[i] = prior[key]
            if i > len(fixed):
                first[i] = mean[i]
    if start is not None:
        first[0], first[1 + len(fixed) :] = start.psi[0], start.psi[1 + len(fixed) :]
    guess = np.diag(np.concatenate([[1.0 / n], np.zeros(len(fixed)), spread_guess(layout)]))
    guess[1 : 1 + len(fixed), 1 : 1 + len(fixed)] = sd0**2 * np.linalg.pinv(design_x.T @ design_x, hermitian=True)
    guess[1, 1] += sd0**2 / len(layout.group)
    guess[2, 2] += 0.5 * sd0**2 / len(layout.group)
    fit = fit_effects(
        layout,
        NormalFamily(y, w),
        first,
        prior_mean=mean,
        prior_sd=sd,
        curvature=curvature,
        exact=prior is None,
        start_covariance=guess if start is None else start.covariance,
    )
    return _summary(fit, centre, levelling_days, names_psi, fixed, cultivars, season_names, weeks, y, w, beta)


def _summary(
    fit: EffectsFit,
    centre: float,
    levelling_days: float | None,
    names_psi: Sequence[str],
    fixed: Sequence[str],
    cultivars: tuple[object, ...],
    seasons: tuple[object, ...],
    weeks: tuple[object, ...],
    y: Array,
    weight: Array,
    ols: Array,
) -> MoistureFit:
    psi, p = fit.psi, len(fixed)
    jacobian = np.eye(p)
    jacobian[0, 1] = -centre / SCALE_DAYS
    jacobian[1, 1] = 1.0 / SCALE_DAYS
    covariance = jacobian @ fit.covariance[1 : 1 + p, 1 : 1 + p] @ jacobian.T
    theta = psi[1 + p :]
    scale = group_scale(fit.layout, theta)
    sd = np.sqrt((scale**2).sum(1))
    rows = [("block", sd[0]), ("block trend", sd[1] / SCALE_DAYS)]
    if len(fit.layout.group_terms) > 1:
        rows.append(("block in season", sd[2]))
    spread_shared = shared_scale(fit.layout, theta)
    for i, term in enumerate(fit.layout.shared_terms):
        value = spread_shared[fit.layout.shared_index == i][0]
        rows.append((term.label, value / SCALE_DAYS if term.label.endswith("trend") else value))
    se = np.sqrt(np.diag(fit.covariance))
    low, high = fit.prior_mean - 2.5 * fit.prior_sd, fit.prior_mean + 2.5 * fit.prior_sd
    known = np.isfinite(fit.prior_sd)
    sigma = float(np.exp(psi[0]))
    placed = fit.layout.rows >= 0
    fitted = np.empty(len(y))
    fitted[fit.layout.rows[placed]] = fit.mode.eta[placed]
    return MoistureFit(
        effects=fit,
        centre=centre,
        levelling_days=levelling_days,
        sigma=sigma,
        loglik=fit.loglik,
        coefficients=pd.DataFrame(
            {"name": list(fixed), "value": jacobian @ psi[1 : 1 + p], "se": np.sqrt(np.diag(covariance))}
        ),
        spread=pd.DataFrame([(n, float(v)) for n, v in rows], columns=["name", "sd"]),
        parameters=pd.DataFrame(
            {
                "name": list(names_psi),
                "value": psi,
                "se": se,
                "prior_mean": np.where(known, fit.prior_mean, np.nan),
                "prior_sd": np.where(known, fit.prior_sd, np.nan),
                "low": low,
                "high": high,
                "at_bound": (psi <= low) | (psi >= high),
            }
        ),
        ols=pd.DataFrame({"name": list(fixed), "value": jacobian @ ols}),
        cultivars=cultivars,
        seasons=seasons,
        weeks=weeks,
        converged=fit.converged,
        fitted=fitted,
        residual=(y - fitted) * np.sqrt(weight) / sigma,
    )


def rain_memory(rain_mm: ArrayLike, memory_days: float, start_mm: ArrayLike = 0.0) -> Array:
    """Remembered rain: sum over earlier days of rain times exp(-(age) / memory).

    Parameters
    ----------
    rain_mm : (..., T) array
        Daily rain [mm].
    memory_days : float
        Days over which a day's rain falls to 1/e of its weight.
    start_mm : (...) array
        Remembered rain on the day before the first.

    Returns
    -------
    (..., T) array
        Remembered rain at the end of each day [mm].
    """
    rain = np.asarray(rain_mm, dtype=float)
    keep = float(np.exp(-1.0 / memory_days))
    out = np.empty(rain.shape)
    level = np.broadcast_to(np.asarray(start_mm, dtype=float), rain.shape[:-1]).astype(float)
    for t in range(rain.shape[-1]):
        level = keep * level + rain[..., t]
        out[..., t] = level
    return out
