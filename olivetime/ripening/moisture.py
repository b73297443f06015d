"""Fruit moisture: a trend for every block that may level off, a response to recent rain, errors shared by a round.

    moisture_pct = a + b days + c slowing days + rain response * remembered rain + cultivar + block + season
                   + course of the season + week + laboratory in that week + error

A linear mixed model, for which Laplace's method of ``effects`` is exact. How far the fall levels off and how
long rain is remembered are not chosen but mixed: straight days and days that slow down have a coefficient each,
and so have a short and a long memory, so that what is not known about them widens the ranges. The *course of
the season* wanders like a random walk about the trend: without it, errors that run one way for a few weeks are
read as a changed trend and carried on for months. Rain swells the fruit: it moves fresh-basis oil and tonnes,
never dry-basis oil.
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
STEP_DAYS = 7.0  # a step of the season's course
COURSE_DAYS = 182.0  # the course is written out over half a year from its first day, and rests afterwards
COURSE_WAVES = 6  # waves that write it; shorter ones than a month belong to the weeks' errors
LOWEST_PCT, HIGHEST_PCT = 30.0, 80.0

PRIOR: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "log_sd error": (float(np.log(1.2)), 0.4),
        "level": (58.0, 8.0),
        "trend": (-3.0, 3.0),
        "straight trend": (-1.5, 0.8),
        "levelling trend": (-1.5, 0.8),
        "rain response": (0.05, 0.05),
        "quick rain response": (0.025, 0.035),
        "slow rain response": (0.025, 0.035),
        "log_sd block": (float(np.log(1.5)), 0.6),
        "log_sd block trend": (float(np.log(0.3)), 0.7),
        "tilt": (0.0, 0.4),
        "log_sd block in season": (float(np.log(1.0)), 0.6),
        "log_sd cultivar": (float(np.log(3.0)), 0.6),
        "log_sd cultivar trend": (float(np.log(0.4)), 0.7),
        "log_sd season": (float(np.log(1.0)), 0.7),
        "log_sd season trend": (float(np.log(0.4)), 0.7),
        "log_sd season course": (float(np.log(0.08)), 0.7),
        "log_sd week": (float(np.log(0.5)), 0.6),
        "log_sd week at laboratory": (float(np.log(0.3)), 0.6),
    }
)
"""Weak priors (mean, sd) in points of moisture, trends per 30 days, the course per step, rain per mm. From memory."""


def _slowing(x: Array, levelling_days: float | None) -> Array:
    """Units of 30 days that slow down; alike with ``x`` in value and slope at the centre."""
    if levelling_days is None:
        return x
    return -levelling_days / SCALE_DAYS * np.expm1(-x * SCALE_DAYS / levelling_days)


def _waves(days: ArrayLike, first: float) -> Array:
    """Columns (..., waves) whose sum with standard normal weights wanders by 1 a step.

    The Karhunen-Loeve waves of Brownian motion on [0, T], sqrt(2) sin((k - 1/2) pi t / T) / ((k - 1/2) pi), cut
    after the longest (a standard result, from memory).
    """
    t = np.clip((np.asarray(days, dtype=float) - first) / COURSE_DAYS, 0.0, 1.0)
    turns = (np.arange(COURSE_WAVES) + 0.5) * np.pi
    return np.sqrt(2.0 * COURSE_DAYS / STEP_DAYS) * np.sin(t[..., None] * turns) / turns


@dataclass(frozen=True)
class MoistureDraws:
    """Joint draws for B blocks.

    ``level`` (K, B) [%] at ``centre`` days, ``trend`` and ``levelling`` (K, B) [points per 30 days], the second on
    days that slow down; ``rain`` (K, R) [per mm], one response per memory; ``course`` (K, waves), the season's
    wandering from ``first`` on.
    """

    level: Array
    trend: Array
    levelling: Array
    rain: Array
    course: Array
    centre: float
    first: float = 0.0
    levelling_days: float | None = None

    def pct(self, days: ArrayLike, rain_memory_mm: ArrayLike) -> Array:
        """Moisture (K, B, T) [% of fresh weight], kept within 30 to 80.

        Parameters
        ----------
        days : (T,), (B, T) or (K, B, T) array
            Days on the same axis as the fit.
        rain_memory_mm : (B, T) or (K, B, T) array, or (R, ...) for R memories
            Remembered rain [mm].
        """
        d = np.asarray(days, dtype=float)
        x = (d - self.centre) / SCALE_DAYS
        out = self.level[:, :, None] + self.trend[:, :, None] * x
        if self.levelling_days is not None:
            out = out + self.levelling[:, :, None] * _slowing(x, self.levelling_days)
        if self.course.shape[1]:
            wandered = np.einsum(
                "kw,...tw->k...t" if d.ndim < 3 else "kw,kbtw->kbt", self.course, _waves(d, self.first)
            )
            out = out + (wandered if d.ndim > 1 else wandered[:, None, :])
        remembered = np.asarray(rain_memory_mm, dtype=float)
        for response, mm in zip(self.rain.T, remembered if self.rain.shape[1] > 1 else [remembered], strict=True):
            out = out + response[:, None, None] * mm
        return np.clip(out, LOWEST_PCT, HIGHEST_PCT)


@dataclass(frozen=True)
class MoistureFit:
    """A fitted moisture model.

    ``coefficients``: name, value, se (level at day 0, trends per day, rain responses per mm);
    ``spread``: name, sd; ``sigma`` [points]; ``parameters`` as in ColourFit; ``fitted`` and ``residual``
    (standardised) per sample; ``ols``: coefficients by ordinary least squares, to compare.
    """

    effects: EffectsFit
    centre: float
    first: float
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
    visits: tuple[tuple[object, object], ...]  # week and laboratory of the errors that are not shared
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
        fixed = dict(zip(self.coefficients["name"], drawn.psi[:, 1:].T, strict=False))
        level = np.repeat(drawn.psi[:, 1, None], len(wanted), axis=1)
        trend = np.zeros_like(level)  # what blocks, cultivars and seasons add
        course: Array = np.zeros((n, 0))
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
            if kind == "season course":
                course = drawn.shared_scale[:, mine[:1]] * rng.standard_normal((n, COURSE_WAVES))
                if season in self.seasons:
                    at_season = self.seasons.index(season)
                    course = drawn.shared[:, mine[at_season * COURSE_WAVES : (at_season + 1) * COURSE_WAVES]]
                continue
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
        responses = [v for name, v in fixed.items() if name.endswith("rain response")]
        rain = np.column_stack(responses) if responses else np.zeros((n, 1))
        straight, levelling = fixed["trend"] if self.levelling_days is None else fixed["straight trend"], np.zeros(n)
        if self.levelling_days is not None:
            levelling, trend = fixed["levelling trend"], 0.5 * trend
        return MoistureDraws(
            level=level,
            trend=straight[:, None] + trend,
            levelling=levelling[:, None] + trend,
            rain=rain,
            course=course,
            centre=self.centre,
            first=self.first,
            levelling_days=self.levelling_days,
        )

    def week_effects(self) -> pd.DataFrame:
        """Most probable shared error of each week and laboratory [points]: week, effect."""
        layout = self.effects.layout
        labels = [t.label for t in layout.shared_terms]
        if "week" not in labels:
            return pd.DataFrame({"week": pd.Series(dtype=object), "effect": pd.Series(dtype=float)})
        theta = self.effects.psi[1 + layout.x.shape[2] :]
        value = shared_scale(layout, theta) * self.effects.mode.z_shared
        of_week = dict(zip(self.weeks, value[layout.shared_index == labels.index("week")], strict=True))
        if not self.visits:
            return pd.DataFrame({"week": np.array(self.weeks, dtype=object), "effect": list(of_week.values())})
        own = value[layout.shared_index == labels.index("week at laboratory")]
        return pd.DataFrame(
            {
                "week": np.array([f"{week} {lab}".strip() for week, lab in self.visits], dtype=object),
                "effect": [of_week[week] + more for (week, _), more in zip(self.visits, own, strict=True)],
            }
        )


def fit_moisture(
    moisture_pct: ArrayLike,
    days: ArrayLike,
    group: Sequence[object] | NDArray[np.generic],
    *,
    rain_memory_mm: ArrayLike | None = None,
    cultivar: Sequence[object] | None = None,
    week: Sequence[object] | None = None,
    laboratory: Sequence[object] | None = None,
    season: Sequence[object] | None = None,
    seasons: Sequence[object] | None = None,
    weight: ArrayLike | None = None,
    prior: Mapping[str, tuple[float, float]] | None = None,
    centre: float | None = None,
    levelling_days: float | None = None,
    course: bool = False,
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
    rain_memory_mm : (n,) or (n, 2) array, optional
        Remembered rain at sampling [mm]; two columns for a short and a long memory.
    cultivar, week, season : length n, optional
        Shared effects; season also gives every block an effect in each season.
    laboratory : length n, optional
        With two or more laboratories, each has an error of its own in a week beside the one that all share.
    seasons : sequence, optional
        All seasons wanted, when one has no sample yet.
    weight : (n,) array, optional
        Relative precision of the samples; default 1.
    prior : mapping, optional
        Normal priors as in PRIOR; None: plain maximum likelihood.
    centre : float, optional
        Place on the clock at which level and trend part; default the mean.
    levelling_days : float, optional
        Adds days that slow down to 1/e over this time beside the straight ones; None for a straight line only.
        What blocks, cultivars and seasons differ in is laid half on either.
    course : bool
        Lets every season wander about its trend.
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
    y, x = np.asarray(moisture_pct, dtype=float), np.asarray(days, dtype=float)
    n = len(y)
    if n < 3 or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ValueError(
            f"moisture_pct has {n} values, {int(np.isfinite(y).sum())} of them known, expected three or more "
            "and none missing: drop samples without moisture first."
        )
    centre = float(x.mean()) if centre is None else float(centre)
    begun = float(x.min())
    xs = (x - centre) / SCALE_DAYS
    design: list[Array] = [np.ones(n), xs]
    fixed = ["level", "trend"]
    if levelling_days is not None:
        design.append(_slowing(xs, levelling_days))
        fixed = ["level", "straight trend", "levelling trend"]
        xs = 0.5 * (xs + design[-1])
    if rain_memory_mm is not None:
        remembered = np.asarray(rain_memory_mm, dtype=float).reshape(n, -1)
        design += list(remembered.T)
        fixed += ["rain response"] if remembered.shape[1] == 1 else ["quick rain response", "slow rain response"]
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
    if course:
        if season is None:
            season_names, hot = (None,), np.ones((n, 1))
        shared.append(SharedTerm("season course", (hot[:, :, None] * _waves(x, begun)[:, None, :]).reshape(n, -1)))
    visits: tuple[tuple[object, object], ...] = ()
    if week is not None:
        weeks, hot = levels(week)
        if len(weeks) > 1:
            shared.append(SharedTerm("week", hot))
            if laboratory is not None and len(set(laboratory)) > 1:
                pairs = pd.MultiIndex.from_arrays([np.asarray(week), np.asarray(laboratory)])
                at, met = pairs.factorize(sort=True)
                visits = tuple(met)
                shared.append(SharedTerm("week at laboratory", np.eye(len(visits))[at]))
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
    if prior is not None:  # two clocks, or two memories, are nearly alike: the prior must hold them apart here too
        held = slice(1, 1 + len(fixed))
        guess[held, held] = np.linalg.inv(np.linalg.pinv(guess[held, held], hermitian=True) + np.diag(sd[held] ** -2.0))
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
    return _summary(
        fit, centre, begun, levelling_days, names_psi, fixed, cultivars, season_names, weeks, visits, y, w, beta
    )


def _summary(
    fit: EffectsFit,
    centre: float,
    first: float,
    levelling_days: float | None,
    names_psi: Sequence[str],
    fixed: Sequence[str],
    cultivars: tuple[object, ...],
    seasons: tuple[object, ...],
    weeks: tuple[object, ...],
    visits: tuple[tuple[object, object], ...],
    y: Array,
    weight: Array,
    ols: Array,
) -> MoistureFit:
    psi, p = fit.psi, len(fixed)
    jacobian = np.eye(p)
    jacobian[0, 1] = -centre / SCALE_DAYS
    jacobian[1, 1] = 1.0 / SCALE_DAYS
    if levelling_days is not None:
        jacobian[0, 2] = _slowing(np.array(-centre / SCALE_DAYS), levelling_days)
        jacobian[2, 2] = 1.0 / SCALE_DAYS
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
        first=first,
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
        visits=visits,
        converged=fit.converged,
        fitted=fitted,
        residual=(y - fitted) * np.sqrt(weight) / sigma,
    )
