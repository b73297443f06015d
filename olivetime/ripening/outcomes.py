"""What every block would give on every day ahead: joint draws of oil, moisture, maturity and tonnes.

The three fits share the block's clock: thermal days for oil and colour, days and remembered rain for
moisture. A draw takes one set of parameters and one weather scenario and keeps both over all days, so that a
draw is one possible season.

Mass balance: once the stone is hard, the dry matter that is not oil is taken as constant (an assumption):

    N = F0 (1 - w0) (1 - o0) [t/ha],   oil = N o / (1 - o),   fresh fruit = N / ((1 - o) (1 - w))

with F0 the crop estimate [t/ha], o oil per dry matter and w moisture as fractions. Rain therefore moves
tonnes and fresh per cent, never oil.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from olivetime.records.season import season_start
from olivetime.ripening.colour import PRIOR as COLOUR_PRIOR
from olivetime.ripening.colour import ColourDraws, ColourFit, fit_colour, maturity_index
from olivetime.ripening.effects import Array
from olivetime.ripening.mixed import PUBLISHED_PLATEAUS as CALIFORNIA_PLATEAUS
from olivetime.ripening.mixed import FitError, OilDraws, OilFit, fit_oil
from olivetime.ripening.moisture import PRIOR as MOISTURE_PRIOR
from olivetime.ripening.moisture import MoistureDraws, MoistureFit, fit_moisture
from olivetime.weather.stations import rain_memory

if TYPE_CHECKING:
    from olivetime.records.season import Season, Target
    from olivetime.weather.scenarios import Scenarios
    from olivetime.weather.stations import StationDays

# Highest dry-basis oil content [% of dry matter] by cultivar, where a published figure could be read.
PUBLISHED_PLATEAUS: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        name.casefold(): (
            value,
            "Polari, Crawford and Wang 2021, Agronomy 11(2):313, abstract, California hedges",
        )
        for name, value in CALIFORNIA_PLATEAUS.items()
    }
    | {"sikitita": (49.0, "trial in California hedges, 2017-18, abstract: about 49 % dry")}
)
PLATEAU_SD_PUBLISHED = 3.0  # points by which ranch and season move a published plateau; from memory
PLATEAU_SD_GIVEN = 2.5  # the same for the grower's own figure; from memory
PLATEAU_WIDE = (45.0, 4.0)  # any other cultivar [% dry]: mean and spread of the published ones, widened

MEMORIES_DAYS = (5.0, 12.0)  # short and long memory of rain, mixed by the fit of moisture [d]; from memory
LEVELLING_DAYS = 60.0  # days over which moisture's fall slows down at most; from memory
COLOUR_SCALE_D = 30.0  # thermal days per unit of the colour model's slope
CLASS_COLUMNS = tuple(f"class{k}_n" for k in range(8))
DROP_MATURITY = 4.0  # maturity from which fruit falls faster; the rules hold the rates
REACHED, NEVER, MAY_NEVER = 0.5, 0.9, 0.1  # chances at which a verdict changes; our choice
HISTORY_DAYS, HISTORY_DRAWS = 14, 96
BLOCK_DRAWS = 200  # draws behind the ranges of RipeningFit.blocks
HALF_PLATEAU = {"north": (9, 10), "south": (3, 10)}  # month and day of half the plateau; from memory
HEAT_PER_DAY = 1.1  # thermal days a day where no record tells; from memory
WIDE_MOISTURE = (58.0, 4.0, -3.0)  # level, its sd [%] and change in 30 days without any sample; from memory
VISIT_DAYS = 7  # when the next sample would be taken
SAMPLE_CV = 0.06  # error of one oil sample, as the oil model expects it; from memory
# What a method adds to the error of one sample: oil as a share of itself, moisture in points. Near infrared on whole
# fruit: errors of cross-validation 1.99 and 2.06 (Gracia and Leon, abstract); 1.99 taken as a tenth of fresh oil.
METHOD_ERROR: Mapping[str, tuple[float, float]] = MappingProxyType({"nir": (0.10, 2.06)})
SAMPLE_MOISTURE_SD = 1.2  # error of one moisture, as its model expects it; from memory
SAMPLE_MATURITY_SD = 0.15  # error of one maturity index of 100 fruits, counting and trees; from memory
DOUBTFUL_SD, HUBER_SD = 3.0, 2.0  # residual that is called doubtful, and from which weight falls; our choice

LOADS: Mapping[str, float] = MappingProxyType({"light": -1.0, "normal": 0.0, "heavy": 1.0})
LOAD_DELAY_D = (2.0, 2.0)  # thermal days by which a heavier crop is expected to be later, and their sd; from memory

TARGET_KINDS = ("plateau_fraction", "oil_dry_pct", "oil_fresh_pct", "maturity", "best_value")


@dataclass(frozen=True)
class CropLoad:
    """How much later oil comes in blocks that bear heavily, earlier where they bear lightly.

    Attributes
    ----------
    delay_d, sd_d : float
        Thermal days from one step of crop load to the next, and how surely they are known.
    steps : (B,) array
        -1 light, 0 normal or not judged, 1 heavy; in the order of the blocks.
    own : (B,) array
        Share of a block's date that its own samples tell (0-1): what they tell, the delay need not.
    """

    delay_d: float
    sd_d: float
    steps: Array
    own: Array


@dataclass(frozen=True)
class RipeningFit:
    """Oil, colour and moisture fitted to all samples up to the as-of date.

    Attributes
    ----------
    blocks : DataFrame
        block_id, cultivar, samples_n, past_samples_n, last_sampled_on, sample_age_d, borrowed_fraction (0-1),
        plateau_dry_p10/p50/p90_pct, oil_dry_now_p10/p50/p90_pct, moisture_now_p10/p50/p90_pct,
        maturity_now_p10/p50/p90, doubtful_n, maturity_informs, note.
    residuals : DataFrame
        sample_id, block_id, season, day, x, observed, fitted, residual_sd, weight, kind, doubtful.
    parameters, shapes, week_effects : DataFrame
        See the fits; parameters and week_effects have a column kind ("oil", "maturity", "moisture"); effects
        of weeks are on the log of oil, the logit of colour and in points of moisture.
    unranked : mapping of str to str
        Blocks that cannot be ranked, and why.
    assumptions : DataFrame
        name, value, unit, source, says.
    crop_load : CropLoad or None
        Delay by crop load; None where no block's load is judged light or heavy.
    """

    season_label: int
    oil: OilFit
    colour: ColourFit | None
    moisture: MoistureFit | None
    station_days: StationDays
    blocks: pd.DataFrame
    residuals: pd.DataFrame
    parameters: pd.DataFrame
    shapes: pd.DataFrame
    week_effects: pd.DataFrame
    unranked: Mapping[str, str]
    assumptions: pd.DataFrame
    seed: int
    crop_load: CropLoad | None = None

    def draw_oil(self, n: int, rng: np.random.Generator) -> OilDraws:
        """Joint draws of all blocks' oil curves, crop load counted in."""
        return draw_oil(self.oil, self.crop_load, n, rng)


@dataclass(frozen=True)
class Outcomes:
    """Joint draws by draw K, block B and day T; draw k uses weather scenario k modulo S.

    Attributes
    ----------
    days : DatetimeIndex, length T
    block_ids : tuple of str, length B
    scenario : (K,) int array
        Scenario of each draw.
    oil_dry_pct, moisture_pct, oil_fresh_pct, maturity_index : (K, B, T) arrays
        Maturity is NaN for cultivars that do not turn black.
    class_share : (B, T, 8) array
        Mean share of fruit in each colour class [0-1].
    plateau_dry_pct : (K, B) array
    crop_t, oil_t : (K, B, T) arrays
        Fresh fruit and its oil on the trees of the block's unpicked area [t].
    area_left_ha : (B,) array
    fitted : DataFrame
        block_id, day, oil_dry_p10/p50/p90_pct, oil_fresh_..., moisture_..., maturity_p10/p50/p90.
    target : Target
        The season's own, used when none is named.
    """

    days: pd.DatetimeIndex
    block_ids: tuple[str, ...]
    scenario: NDArray[np.intp]
    oil_dry_pct: Array
    moisture_pct: Array
    oil_fresh_pct: Array
    maturity_index: Array
    class_share: Array
    plateau_dry_pct: Array
    crop_t: Array
    oil_t: Array
    area_left_ha: Array
    fitted: pd.DataFrame
    target: Target
    assumptions: pd.DataFrame

    def days_to(self, target: Target | None = None, *, values: Array | None = None) -> pd.DataFrame:
        """Days until each block reaches a target, as a range with chances.

        Parameters
        ----------
        target : Target, optional
            ``kind`` and ``value``; default the season's own. plateau_fraction is a fraction of the
            block's own plateau (0-1), the others are per cent or index.
        values : (K, B, T) array, optional
            Value by day for kind best_value.

        Returns
        -------
        DataFrame
            block_id, target_kind, target_value, reached_chance (already on the first day), never_chance (not
            before the last day), days_p10/p50/p90 [d from the first day] and on_p10/p50/p90 (missing when
            not before the last day), verdict ("reached", "not yet", "may never", "never" or "cannot be
            told"), says.

        Raises
        ------
        ValueError
            For an unknown kind, or best_value without values.
        """
        target = self.target if target is None else target
        wait = waiting_days(self, target, values)
        told = ~np.isnan(wait).any(0)
        n = wait.shape[0]
        ordered = np.sort(np.where(np.isnan(wait), np.inf, wait), axis=0)
        quantiles = {q: ordered[int(np.ceil(q / 100 * n)) - 1] for q in (10, 50, 90)}
        reached = (wait <= 0).mean(0)
        never = np.isinf(wait).mean(0)
        verdict = np.select(
            [~told, reached >= REACHED, never >= NEVER, never > MAY_NEVER],
            ["cannot be told", "reached", "never", "may never"],
            "not yet",
        )
        table = pd.DataFrame(
            {
                "block_id": list(self.block_ids),
                "target_kind": target.kind,
                "target_value": float(target.value),
                "reached_chance": np.where(told, reached, np.nan),
                "never_chance": np.where(told, never, np.nan),
            }
        )
        for q, days in quantiles.items():
            table[f"days_p{q}"] = np.where(np.isfinite(days), days, np.nan)
        for q, days in quantiles.items():
            offset = pd.to_timedelta(pd.Series(np.where(np.isfinite(days), days, np.nan)), unit="D")
            table[f"on_p{q}"] = self.days[0] + offset
        table["verdict"] = verdict
        table["says"] = [_says(row, self.days[-1]) for row in table.itertuples(index=False)]
        return table


def waiting_days(outcomes: Outcomes, target: Target, values: Array | None = None) -> Array:
    """Days (K, B) from the first day until each draw reaches the target.

    Infinite when it does not before the last day, NaN when the target cannot be told (maturity of a cultivar
    that does not turn black).

    Parameters
    ----------
    outcomes : Outcomes
    target : Target
    values : (K, B, T) array, optional
        Value by day, for kind best_value: the day of each draw's best value.

    Raises
    ------
    ValueError
        For an unknown kind, or best_value without values.
    """
    if target.kind == "best_value":
        if values is None:
            raise ValueError(
                "days_to: target best_value came without values, expected an array (draws, blocks, days): "
                "pass the value of every draw, block and day."
            )
        return np.asarray(values).argmax(2).astype(float)
    if target.kind not in TARGET_KINDS:
        raise ValueError(
            f"days_to: target kind is {target.kind!r}, expected one of {', '.join(TARGET_KINDS)}: correct the target."
        )
    course = {
        "plateau_fraction": outcomes.oil_dry_pct,
        "oil_dry_pct": outcomes.oil_dry_pct,
        "oil_fresh_pct": outcomes.oil_fresh_pct,
        "maturity": outcomes.maturity_index,
    }[target.kind]
    level = np.float64(target.value)
    aim = level * outcomes.plateau_dry_pct[:, :, None] if target.kind == "plateau_fraction" else level
    hit = course >= aim
    wait = np.where(hit.any(2), hit.argmax(2), np.inf)
    return np.where(np.isnan(course[:, :, 0]), np.nan, wait)


def _says(row: Any, last: pd.Timestamp) -> str:
    """One sentence for a row of days_to."""
    end = f"{last:%d %b}"
    if row.verdict == "cannot be told":
        return "this cultivar does not turn black, so maturity tells nothing"
    if row.verdict == "reached":
        return f"reached (chance {row.reached_chance:.0%})"
    if row.verdict == "never":
        return f"not before {end} (chance {row.never_chance:.0%})"
    span = f"in {row.days_p10:.0f} to {row.days_p90:.0f} days"
    if np.isnan(row.days_p90):
        span = f"in {row.days_p10:.0f} days or more"
    return span if row.verdict == "not yet" else f"{span}; not before {end} with a chance of {row.never_chance:.0%}"


def plateau_priors(season: Season) -> pd.DataFrame:
    """Return the expected plateau of every cultivar on the blocks, before any sample.

    Returns
    -------
    DataFrame
        cultivar, plateau_dry_pct, sd_pct, source, known (False: only the wide default).
    """
    table = season.cultivars.set_index("cultivar")
    rows = []
    for cultivar in sorted(season.blocks["cultivar"].dropna().unique()):
        own = table["plateau_dry_pct"].get(cultivar, np.nan)
        if pd.notna(own):
            source = table["plateau_source"].get(cultivar)
            source = str(source) if pd.notna(source) and source else "cultivars table, no source given"
            rows.append((cultivar, float(own), PLATEAU_SD_GIVEN, source, True))
        elif str(cultivar).strip().casefold() in PUBLISHED_PLATEAUS:
            value, source = PUBLISHED_PLATEAUS[str(cultivar).strip().casefold()]
            rows.append((cultivar, value, PLATEAU_SD_PUBLISHED, source, True))
        else:
            rows.append((cultivar, *PLATEAU_WIDE, "wide default around the published plateaus", False))
    return pd.DataFrame(rows, columns=["cultivar", "plateau_dry_pct", "sd_pct", "source", "known"])


def fit_ripening(season: Season, station_days: StationDays, *, seed: int = 0) -> RipeningFit:
    """Fit oil, colour and moisture to the samples of this season and the ones before.

    Parameters
    ----------
    season : Season
        Uses blocks, cultivars, samples, past_samples, as_of, start, label.
    station_days : StationDays
        For thermal days and remembered rain at sampling.
    seed : int
        Seed of the draws behind the ranges in ``blocks``.

    Returns
    -------
    RipeningFit

    Raises
    ------
    FitError
        When not one sample carries oil.
    """
    # Thousands of small matrices: threads of the linear algebra only wait for each other.
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit(season, station_days, seed)


def _fit(season: Season, station_days: StationDays, seed: int) -> RipeningFit:
    samples = _samples(season, station_days)
    priors = plateau_priors(season)
    notes: list[tuple[str, object, str, str, str]] = [
        (f"plateau of {r.cultivar}", r.plateau_dry_pct, "% dry", r.source, "expected before any sample is in")
        for r in priors.itertuples(index=False)
    ]
    lost = int(samples["x"].isna().sum())
    if lost:
        notes.append(("samples without weather", lost, "", "records", "left out: their thermal days are unknown"))
        samples = samples[samples["x"].notna()].reset_index(drop=True)
    with_oil = samples["oil_or_limit_pct"].notna().to_numpy()
    if not with_oil.any():
        raise FitError(
            "samples",
            f"none known by {season.as_of} with an oil content and weather on its day",
            "one sample or more with oil and moisture",
            "Enter oil_dry_pct, or oil_fresh_pct with moisture_pct; or name a later day.",
        )
    midpoint, midpoint_source = _half_plateau_heat(season, station_days)
    notes.append(
        (
            "half of the plateau",
            round(midpoint, 1),
            "thermal days",
            midpoint_source,
            "expected before any sample",
        )
    )
    o = samples[with_oil]
    limits = int(o["below"].sum())
    if limits:
        says = "count with their chance of lying below the laboratory's limit"
        notes.append(("oil results below a limit", limits, "samples", "records", says))
    oil, load = fit_oil_samples(o, season, station_days, seed=seed)
    if load is not None:
        judged = int((load.steps != 0).sum())
        says = f"a heavy crop's oil is later, a light one's earlier: {judged} blocks; fitted from {LOAD_DELAY_D[0]:g}"
        notes.append(("delay by crop load", round(load.delay_d, 1), "thermal days", "from memory, and samples", says))
    turns_black = _turns_black(season)
    colour, colour_rows = _fit_colour(samples, season, turns_black)
    moisture, moisture_rows = _fit_moisture(samples, season, station_days)
    if colour is None:
        notes.append(("maturity", "unknown", "", "records", "no colour counts: maturity informs nothing"))
    if moisture is None:
        notes.append(("moisture", WIDE_MOISTURE[0], "%", "from memory", "no moisture in any sample: a wide default"))
    mixed = "mixed by the samples"
    notes.append(("rain memory of moisture", _listed(MEMORIES_DAYS), "days", "from memory", mixed))
    notes.append(("levelling of moisture", LEVELLING_DAYS, "days", "from memory", f"and a straight line, {mixed}"))

    if "method" in samples:
        for method in sorted(set(samples["method"].dropna()) & set(METHOD_ERROR)):
            cv, points = METHOD_ERROR[method]
            says = f"such samples count less; oil, and {points:g} points of moisture"
            notes.append((f"error of method {method}", 100 * cv, "%", "Gracia and Leon, abstract", says))

    residuals = pd.concat(
        [
            _residual_rows(o, oil.residuals["fitted"], oil.residuals["residual_sd"], oil.residuals["weight"], "oil"),
            moisture_rows,
            colour_rows,
        ],
        ignore_index=True,
    )
    fit = RipeningFit(
        season_label=season.label,
        oil=oil,
        colour=colour,
        moisture=moisture,
        station_days=station_days,
        blocks=pd.DataFrame(),
        residuals=residuals,
        parameters=_parameters(oil, load, colour, moisture),
        shapes=oil.shapes,
        week_effects=_week_effects(samples, oil, colour, moisture),
        unranked=_unranked(season, samples, priors),
        assumptions=pd.DataFrame(notes, columns=["name", "value", "unit", "source", "says"]),
        seed=seed,
        crop_load=load,
    )
    return replace(fit, blocks=_blocks(season, fit, samples, turns_black))


def fit_oil_samples(
    samples: pd.DataFrame, season: Season, station_days: StationDays, *, seed: int = 0
) -> tuple[OilFit, CropLoad | None]:
    """Fit the oil curves of all blocks to some of the season's samples.

    Where blocks bear lightly or heavily this season, the fit is made twice: the blocks' deviations from their cultivar
    tell the delay that comes with the load, and the curves are then fitted on thermal days less that delay.

    Parameters
    ----------
    samples : DataFrame
        Rows of `oil_samples`.
    season : Season
    station_days : StationDays
    seed : int
        Seed of the draws behind the ranges of plateaus.

    Returns
    -------
    OilFit, CropLoad or None
        None when no block's load is judged light or heavy. Draw from both together by `draw_oil`.
    """
    priors = plateau_priors(season)

    def fitted(x: Array) -> OilFit:
        return fit_oil(
            x,
            samples["oil_or_limit_pct"].to_numpy(float),
            samples["block_id"].to_numpy(),
            samples["cultivar"].to_numpy(),
            samples["week"].to_numpy(),
            samples["season"].to_numpy(),
            current=season.label,
            blocks=season.blocks[["block_id", "cultivar"]],
            priors=pd.DataFrame(
                {
                    "plateau_dry_pct": priors["plateau_dry_pct"].to_numpy(),
                    "plateau_sd_fraction": (priors["sd_pct"] / priors["plateau_dry_pct"]).to_numpy(),
                    "midpoint_d": _half_plateau_heat(season, station_days)[0],
                    "source": priors["source"].to_numpy(),
                },
                index=pd.Index(priors["cultivar"], name="cultivar"),
            ),
            weights=_method_weight(samples, 0, SAMPLE_CV),
            below=samples["below"].to_numpy(bool),
            seed=seed,
        )

    x = samples["x"].to_numpy(float)
    oil = fitted(x)
    steps = _load_steps(season)
    if not steps.any():
        return oil, None
    load = _load_delay(oil, steps)
    step = samples["block_id"].map(dict(zip(season.blocks["block_id"], steps, strict=True))).to_numpy(float)
    now = (samples["season"] == season.label).to_numpy()  # what blocks bore in past seasons is not known
    return fitted(x - load.delay_d * np.where(now, step, 0.0)), load


def _load_steps(season: Season) -> Array:
    """Steps of crop load (B,) of the season's blocks."""
    if "crop_load" not in season.blocks:
        return np.zeros(len(season.blocks))
    told = season.blocks["crop_load"].astype(object).map(LOADS)
    return told.astype(float).fillna(0.0).to_numpy()


def _load_delay(oil: OilFit, steps: Array) -> CropLoad:
    """Delay for one step of crop load, from how far blocks lie from their cultivar.

    A block's most probable deviation is its true one times B, plus noise of variance B tau^2, with tau^2 the spread
    between blocks and 1 - B the share of it that samples leave open. Least squares over blocks, steps counted from
    their cultivar's mean (which the cultivar's own curve has taken up), beside the prior.
    """
    where, cultivar = oil.block_rows, oil.block_cultivar
    last = oil.layout.inner - 2  # midpoint of this season
    mean, sd = LOAD_DELAY_D
    precision, told = 1.0 / sd**2, mean / sd**2
    own = np.zeros(len(steps))
    for i, one in enumerate(oil.shape_fits):
        weight = oil.shape_weights[cultivar, i]
        rows = oil.parameters[oil.parameters["shape"] == one.name].set_index("name")["value"]
        tau2 = float(rows["sd of lasting midpoint"]) ** 2 + float(rows["sd of this season midpoint"]) ** 2
        known = np.clip(1.0 - one.block_sd[where, 1] ** 2 / tau2, 0.0, 1.0)
        total = np.bincount(cultivar, known)
        centre = np.bincount(cultivar, known * steps) / np.maximum(total, 1e-12)
        away = steps - centre[cultivar]
        precision += float(np.sum(weight * known * away**2)) / tau2
        told += float(np.sum(weight * away * one.modes.inner[where, last])) / tau2
        own += weight * known
    return CropLoad(told / precision, precision**-0.5, steps, own)


def draw_oil(oil: OilFit, load: CropLoad | None, n: int, rng: np.random.Generator) -> OilDraws:
    """Joint draws of all blocks' oil curves; blocks that bear heavily are later by the fitted delay.

    The delay is drawn too, as far as a block's own samples leave its date open.
    """
    drawn = oil.draw(n, rng)
    if load is None:
        return drawn
    unsure = load.sd_d * rng.standard_normal((n, 1)) * (1.0 - load.own)
    return replace(drawn, midpoint=drawn.midpoint + (load.delay_d + unsure) * load.steps)


def oil_samples(season: Season, station_days: StationDays) -> pd.DataFrame:
    """Samples of this season and earlier ones that tell oil, with thermal days ``x`` and week, as the fit reads them.

    ``below`` marks results of which only the laboratory's limit is known; ``oil_or_limit_pct`` is then that limit.
    """
    samples = _samples(season, station_days)
    told = samples["oil_or_limit_pct"].notna() & samples["x"].notna()
    return samples[told].reset_index(drop=True)


def _listed(values: Iterable[object]) -> str:
    return ", ".join(f"{v:g}" for v in values)


def _samples(season: Season, station_days: StationDays) -> pd.DataFrame:
    """All samples with block, cultivar, thermal days, day of season, remembered rain and week."""
    parts = [t for t in (season.past_samples, season.samples) if len(t)]
    table = pd.concat(parts, ignore_index=True) if parts else season.samples.copy()
    keep = season.blocks[["block_id", "cultivar", "station_id"]]
    table = table.merge(keep, on="block_id", how="inner").reset_index(drop=True)
    oil = table["oil_dry_pct"].astype(float)
    limit = table["oil_dry_below_pct"].astype(float) if "oil_dry_below_pct" in table else oil * np.nan
    table["below"] = (oil.isna() & limit.notna()).to_numpy(bool)
    table["oil_or_limit_pct"] = oil.fillna(limit)
    if not len(table):
        return table.assign(x=[], day_of_season=[], week=[], round=[])
    day = pd.to_datetime(table["sampled_on"])
    starts = {s: pd.Timestamp(season_start(int(s), season.start)) for s in table["season"].unique()}
    table["day"] = day
    table["x"] = station_days.heat_at(table["station_id"], day)
    table["day_of_season"] = (day - table["season"].map(starts)).dt.days.astype(float)
    table["week"] = _iso_week(day)
    # Samples of one round reach the laboratories together, though some were taken some days before.
    table["round"] = (
        _iso_week(pd.to_datetime(table["received_on"]).fillna(day)) if "received_on" in table else table["week"]
    )
    if table["lab"].nunique() > 1:
        table["week"] += " " + table["lab"].fillna("").astype(str)
    return table


def _method_weight(samples: pd.DataFrame, which: int, usual: float) -> Array:
    """How much a sample counts by its method, 1 for the usual error; which: 0 oil, 1 moisture."""
    extra = np.zeros(len(samples))
    if "method" in samples:
        extra = samples["method"].map({m: e[which] for m, e in METHOD_ERROR.items()}).fillna(0.0).to_numpy(float)
    return usual**2 / (usual**2 + extra**2)


def _iso_week(day: pd.Series) -> pd.Series:
    iso = day.dt.isocalendar()
    return iso["year"].astype(str) + "-W" + iso["week"].astype(str).str.zfill(2)


def _turns_black(season: Season) -> dict[str, bool]:
    table = season.cultivars.set_index("cultivar")["turns_black"]
    known = {c: table.get(c, True) for c in season.blocks["cultivar"].dropna().unique()}
    return {c: True if pd.isna(v) else bool(v) for c, v in known.items()}


def _half_plateau_heat(season: Season, station_days: StationDays) -> tuple[float, str]:
    """Thermal days at which half the plateau is expected, from the record's own years."""
    south = float(season.stations["lat_deg"].mean()) < 0
    month, day = HALF_PLATEAU["south" if south else "north"]
    start = pd.Timestamp(season_start(season.label, season.start))
    days_in = [(pd.Timestamp(start.year + k, month, day) - start).days for k in (-1, 0, 1)]
    wanted = min(days_in, key=abs)
    seen = station_days.heat_d[station_days.day_of_season == max(wanted, 0)]
    seen = seen[np.isfinite(seen)]
    when = f"{day} {'March' if south else 'September'}"
    if wanted > 0 and seen.size:
        return float(seen.mean()), f"heat on record by {when}, a date from memory"
    return HEAT_PER_DAY * wanted, f"{wanted} days to {when} at {HEAT_PER_DAY} a day, from memory"


def _fit_colour(
    samples: pd.DataFrame, season: Season, turns_black: Mapping[str, bool]
) -> tuple[ColourFit | None, pd.DataFrame]:
    counts = samples[list(CLASS_COLUMNS)].astype(float).fillna(0.0).to_numpy()
    index = samples["maturity_index"].astype(float).to_numpy()
    usable = ((counts.sum(1) > 0) | np.isfinite(index)) & samples["cultivar"].map(turns_black).to_numpy(bool)
    part, counts, index = samples[usable], counts[usable], index[usable]
    if len(part) < 2:
        return None, _residual_rows(part.iloc[:0], [], [], [], "maturity")
    fruits = part["fruits_n"].astype(float).fillna(100.0).clip(lower=10.0).to_numpy()
    fit = fit_colour(
        counts,
        part["x"].to_numpy(),
        part["block_id"].to_numpy(),
        cultivar=part["cultivar"],
        week=part["week"],
        season=part["season"],
        seasons=[season.label],
        mean_index=index,
        mean_variance=1.2**2 / fruits,
        prior=COLOUR_PRIOR,
        scale=COLOUR_SCALE_D,
    )
    observed = np.where(counts.sum(1) > 0, maturity_index(counts), index)
    rows = _residual_rows(part, fit.fitted_index, fit.residual, np.ones(len(part)), "maturity")
    return fit, rows.assign(observed=observed)


def _fit_moisture(
    samples: pd.DataFrame, season: Season, station_days: StationDays
) -> tuple[MoistureFit | None, pd.DataFrame]:
    part = samples[samples["moisture_pct"].notna()]
    if len(part) < 3:
        return None, _residual_rows(part.iloc[:0], [], [], [], "moisture")
    y = part["moisture_pct"].to_numpy(float)

    def fitted(weight: Array, start: MoistureFit | None) -> MoistureFit:
        return fit_moisture(
            y,
            part["day_of_season"],
            part["block_id"].to_numpy(),
            rain_memory_mm=_rain_at(station_days, part["station_id"], part["day"]).T,
            cultivar=part["cultivar"],
            week=part["round"],
            laboratory=part["lab"].fillna("").astype(str),
            season=part["season"],
            seasons=[season.label],
            weight=weight,
            prior=MOISTURE_PRIOR,
            levelling_days=LEVELLING_DAYS,
            course=True,
            start=None if start is None else start.effects,
        )

    by_method = _method_weight(part, 1, SAMPLE_MOISTURE_SD)
    fit = fitted(by_method, None)
    # Huber's weights: a doubtful sample counts for less, and shows how much; it is never deleted.
    away = np.abs(fit.residual)
    weight = np.ones(len(y))
    if (away > DOUBTFUL_SD).any():
        weight = np.minimum(1.0, HUBER_SD / np.maximum(away, 1e-12))
        fit = fitted(weight * by_method, fit)
    return fit, _residual_rows(part, fit.fitted, fit.residual / np.sqrt(weight), weight, "moisture")


def _rain_at(station_days: StationDays, stations: pd.Series, days: pd.Series) -> Array:
    """Remembered rain (memory, n) at stations and days; the day after the last on record counts as that last one."""
    column = pd.Index(station_days.stations).get_indexer(stations.astype(str))
    row = (pd.DatetimeIndex(days) - station_days.calendar[0]).days.to_numpy()
    row = np.clip(row, 0, len(station_days.calendar) - 1)
    return np.stack([station_days.rain_memory_over(m)[column, row] for m in MEMORIES_DAYS])


def _residual_rows(part: pd.DataFrame, fitted: object, residual: object, weight: object, kind: str) -> pd.DataFrame:
    observed = {"oil": "oil_dry_pct", "moisture": "moisture_pct", "maturity": "maturity_index"}[kind]
    residual = np.asarray(residual, dtype=float)
    return pd.DataFrame(
        {
            "sample_id": part["sample_id"].to_numpy(),
            "block_id": part["block_id"].to_numpy(),
            "season": part["season"].to_numpy(),
            "day": part["sampled_on"].to_numpy(),
            "x": part["x"].to_numpy(float),
            "observed": part[observed].to_numpy(float),
            "fitted": np.asarray(fitted, dtype=float),
            "residual_sd": residual,
            "weight": np.asarray(weight, dtype=float),
            "kind": kind,
            "doubtful": np.abs(residual) > DOUBTFUL_SD,
        }
    )


def _parameters(
    oil: OilFit, load: CropLoad | None, colour: ColourFit | None, moisture: MoistureFit | None
) -> pd.DataFrame:
    parts = [oil.parameters.assign(kind="oil")]
    if load is not None:
        mean, sd = LOAD_DELAY_D
        row = ("all", "", "covariate", "delay by crop load", load.delay_d, load.sd_d, mean, sd, mean - 3 * sd)
        named = ["cultivar", "shape", "part", "name", "value", "se", "prior_mean", "prior_sd", "low"]
        more = pd.DataFrame([row], columns=named)
        parts.append(more.assign(high=mean + 3 * sd, at_bound=False, source="from memory", kind="oil"))
    for kind, fit in (("maturity", colour), ("moisture", moisture)):
        if fit is not None:
            shown = fit.parameters.assign(
                cultivar="all", shape="", part="curve", source="weak prior, from memory", kind=kind
            )
            shown.loc[shown["name"].str.startswith(("log_sd", "tilt")), "part"] = "spread"
            parts.append(shown)
    return pd.concat(parts, ignore_index=True)


def _week_effects(
    samples: pd.DataFrame, oil: OilFit, colour: ColourFit | None, moisture: MoistureFit | None
) -> pd.DataFrame:
    received = samples.assign(week=samples["round"])
    by_lab = received.assign(week=received["week"] + " " + received["lab"].fillna("").astype(str))
    named = pd.concat([samples, received, by_lab])[["week", "season"]].drop_duplicates("week")
    season_of = named.set_index("week")["season"]
    parts = [oil.week_effects[["week", "season", "effect"]].assign(kind="oil")]
    for kind, fit in (("maturity", colour), ("moisture", moisture)):
        if fit is not None and len(effects := fit.week_effects()):
            parts.append(effects.assign(season=effects["week"].map(season_of), kind=kind))
    return pd.concat(parts, ignore_index=True)


def _unranked(season: Season, samples: pd.DataFrame, priors: pd.DataFrame) -> dict[str, str]:
    """Blocks about whose oil nothing at all is known."""
    sampled = set(samples.loc[samples["oil_or_limit_pct"].notna(), "cultivar"])
    unknown = set(priors.loc[~priors["known"], "cultivar"]) - sampled
    return {
        row.block_id: (
            f"no sample of cultivar {row.cultivar} in any season and no plateau for it: "
            "sample the block, or give plateau_dry_pct in the cultivars table"
        )
        for row in season.blocks.itertuples(index=False)
        if row.cultivar in unknown
    }


@dataclass(frozen=True)
class _Courses:
    """Draws of the three fits for the season's blocks, ready to be asked at any x."""

    oil: OilDraws
    colour: ColourDraws | None
    moisture: MoistureDraws
    informs: NDArray[np.bool_]


def _draw(season: Season, fit: RipeningFit, n: int, rng: np.random.Generator) -> _Courses:
    ids = season.blocks["block_id"].tolist()
    cultivars = season.blocks["cultivar"].tolist()
    turns_black = _turns_black(season)
    oil = fit.draw_oil(n, rng)
    colour = None if fit.colour is None else fit.colour.draw(n, rng, ids, cultivars, fit.season_label)
    if fit.moisture is None:
        level, sd, trend = WIDE_MOISTURE
        moisture = MoistureDraws(
            level=level + sd * rng.standard_normal((n, len(ids))),
            trend=np.full((n, len(ids)), trend),
            levelling=np.zeros((n, len(ids))),
            rain=np.zeros((n, len(MEMORIES_DAYS))),
            course=np.zeros((n, 0)),
            centre=60.0,
        )
    else:
        moisture = fit.moisture.draw(n, rng, ids, cultivars, fit.season_label)
    informs = np.array([colour is not None and turns_black.get(c, True) for c in cultivars])
    return _Courses(oil, colour, moisture, informs)


def _maturity(courses: _Courses, x: Array, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Maturity (K, B, T) and mean class shares (B, T, 8), NaN where it does not inform."""
    if courses.colour is None:
        return np.full(shape, np.nan), np.full((*shape[1:], 8), np.nan)
    share, index = courses.colour.shares_and_index(x)
    share[~courses.informs] = np.nan
    index[:, ~courses.informs] = np.nan
    return index, share


def _at_days(season: Season, fit: RipeningFit, days: pd.DatetimeIndex) -> tuple[Array, Array, Array]:
    """Thermal days, day of season (B, H) and remembered rain (memory, B, H) of every block on recorded days."""
    stations, at = np.unique(season.blocks["station_id"].to_numpy(object).astype(str), return_inverse=True)
    shape = (len(stations), len(days))
    start = pd.Timestamp(season_start(season.label, season.start))
    flat_station = np.repeat(stations, len(days))
    flat_day = np.tile(days.to_numpy(), len(stations))
    heat = np.nan_to_num(fit.station_days.heat_at(flat_station, flat_day)).reshape(shape)
    rain = _rain_at(fit.station_days, pd.Series(flat_station), pd.Series(flat_day)).reshape(-1, *shape)
    day_of_season = np.broadcast_to((days - start).days.to_numpy(float), (len(at), len(days)))
    return heat[at], day_of_season, rain[:, at]


def _quantiles(values: Array, name: str, unit: str) -> dict[str, Array]:
    with np.errstate(invalid="ignore"):
        p10, p50, p90 = np.quantile(values, [0.1, 0.5, 0.9], axis=0)
    return {
        f"{name}_p10{unit}": p10.ravel(),
        f"{name}_p50{unit}": p50.ravel(),
        f"{name}_p90{unit}": p90.ravel(),
    }


def _blocks(season: Season, fit: RipeningFit, samples: pd.DataFrame, turns_black: Mapping[str, bool]) -> pd.DataFrame:
    """One row per block: samples, borrowing, plateau and today's state."""
    table = season.blocks[["block_id", "cultivar"]].reset_index(drop=True)
    as_of = pd.Timestamp(season.as_of)
    mine = samples[(samples["season"] == season.label) & samples["oil_or_limit_pct"].notna()]
    last = mine.groupby("block_id")["day"].max()
    table = table.merge(fit.oil.blocks.drop(columns="cultivar"), on="block_id", how="left")
    table["last_sampled_on"] = last.reindex(table["block_id"]).to_numpy()
    table["sample_age_d"] = (as_of - table["last_sampled_on"]).dt.days
    doubtful = fit.residuals[(fit.residuals["season"] == season.label) & fit.residuals["doubtful"]]
    table["doubtful_n"] = table["block_id"].map(doubtful.groupby("block_id").size()).fillna(0).astype(int)
    courses = _draw(season, fit, BLOCK_DRAWS, np.random.default_rng([fit.seed, 1]))
    heat, day_of_season, rain = _at_days(season, fit, pd.DatetimeIndex([as_of]))
    dry = courses.oil.dry_pct(heat)
    wet = courses.moisture.pct(day_of_season, rain)
    index, _ = _maturity(courses, heat, dry.shape)
    for values, name, unit in (
        (dry, "oil_dry_now", "_pct"),
        (wet, "moisture_now", "_pct"),
        (index, "maturity_now", ""),
    ):
        table = table.assign(**_quantiles(values[:, :, 0], name, unit))
    table["maturity_informs"] = courses.informs
    table["note"] = [
        _block_note(row, fit.unranked.get(row.block_id), turns_black.get(row.cultivar, True))
        for row in table.itertuples(index=False)
    ]
    return table


def _block_note(row: Any, unranked: str | None, turns_black: bool) -> str:
    says = []
    if unranked:
        says.append(f"cannot be ranked: {unranked}")
    if row.samples_n <= 2:
        count = {0: "no sample", 1: "one sample", 2: "two samples"}[row.samples_n]
        says.append(f"{count} this season: its curve is mostly that of its cultivar and of past seasons")
    if not turns_black:
        says.append("does not turn black: maturity tells nothing")
    return "; ".join(says)


@dataclass(frozen=True)
class Fruit:
    """Draws of a fit's curves for the season's blocks and of their crops: the same on every day without a new sample.

    Attributes
    ----------
    courses
        The curves, ready to be asked at any heat.
    non_oil_t_ha : (K, B) array
        Dry matter that is not oil, by the crop estimates [t/ha].
    notes : tuple
        Rows of `Outcomes.assumptions`.
    """

    courses: _Courses
    non_oil_t_ha: Array
    notes: tuple[tuple[str, object, str, str, str], ...]


def draw_fruit(season: Season, fit: RipeningFit, *, n_draws: int = 192, seed: int = 0) -> Fruit:
    """Draw curves and crops, see `outcomes`."""
    rng = np.random.default_rng([seed, 2])
    courses = _draw(season, fit, n_draws, rng)
    non_oil, notes = _non_oil_dry_matter(season, fit, courses, rng)
    return Fruit(courses, non_oil, tuple(notes))


def outcomes(
    season: Season, fit: RipeningFit, scenarios: Scenarios, *, n_draws: int = 192, seed: int = 0,
    fruit: Fruit | None = None, past: bool = True,
) -> Outcomes:  # fmt: skip
    """Joint draws of every block on every day of the plan.

    Parameters
    ----------
    season : Season
        Uses blocks (area, crop estimate), samples (fallen fruit), picks (area already picked), rules.
    fit : RipeningFit
    scenarios : Scenarios
        Weather ahead; draw k uses scenario k modulo S.
    n_draws : int
        Draws K.
    seed : int
    fruit : Fruit, optional
        Of `draw_fruit` with the same draws and seed, from an earlier day on which the fit and the blocks were the same.
    past : bool, optional
        Also tell the courses up to today, `Outcomes.fitted`; who only plans does not need them.

    Returns
    -------
    Outcomes
    """
    if n_draws < 1:
        raise ValueError(f"outcomes: n_draws is {n_draws}, expected one or more: ask for at least one draw.")
    n_scenarios = scenarios.heat_d.shape[0]
    scenario = np.arange(n_draws) % n_scenarios
    fruit = draw_fruit(season, fit, n_draws=n_draws, seed=seed) if fruit is None else fruit
    courses = fruit.courses
    heat = scenarios.heat_d[scenario].astype(float)
    start = pd.Timestamp(season_start(season.label, season.start))
    day_of_season = np.asarray((scenarios.days - start).days, dtype=float)
    rain = _rain_ahead(season, fit, scenarios)[:, scenario]

    dry = courses.oil.dry_pct(heat)
    wet = courses.moisture.pct(day_of_season, rain)
    index, share = _maturity(courses, heat, dry.shape)
    fresh = dry * (1.0 - wet / 100.0)

    history = _history(season, courses, fit, min(n_draws, HISTORY_DRAWS), past)
    area = _area_left(season)
    left = _still_hanging(season, index, history)
    non_oil = (fruit.non_oil_t_ha * area)[:, :, None] * left
    oil_t = non_oil * dry / (100.0 - dry)
    crop_t = non_oil * (100.0 / (100.0 - dry)) * (100.0 / (100.0 - wet))
    notes = pd.DataFrame(
        [
            *fruit.notes,
            ("draws", n_draws, "", "setting", f"{n_scenarios} weather scenarios, each used in turn"),
            (
                "fruit drop",
                season.rules["drop_pct_per_day_before"],
                "% a day",
                "rule, from memory",
                f"up to maturity {DROP_MATURITY:g}, {season.rules['drop_pct_per_day_after']} % a day after; "
                "counted from the last measured share on the ground, else from the crop estimate",
            ),
            (
                "dry matter that is not oil",
                "constant",
                "",
                "assumption",
                "once the stone is hard; rain moves tonnes and fresh per cent, not oil",
            ),
        ],
        columns=["name", "value", "unit", "source", "says"],
    )
    return Outcomes(
        days=scenarios.days,
        block_ids=tuple(season.blocks["block_id"]),
        scenario=scenario,
        oil_dry_pct=dry,
        moisture_pct=wet,
        oil_fresh_pct=fresh,
        maturity_index=index,
        class_share=share,
        plateau_dry_pct=courses.oil.plateau,
        crop_t=crop_t,
        oil_t=oil_t,
        area_left_ha=area,
        fitted=history.table,
        target=season.target,
        assumptions=pd.concat([fit.assumptions, notes], ignore_index=True),
    )


def _rain_ahead(season: Season, fit: RipeningFit, scenarios: Scenarios) -> Array:
    """Remembered rain (memory, S, B, T) on the days of the plan."""
    day_before = pd.DatetimeIndex([scenarios.days[0] - pd.Timedelta(days=1)])
    start = _at_days(season, fit, day_before)[2][:, :, 0]
    shape = scenarios.rain_mm.shape[:2]
    return np.stack(
        [
            rain_memory(scenarios.rain_mm, m, np.broadcast_to(held, shape))
            for m, held in zip(MEMORIES_DAYS, start, strict=True)
        ]
    )


@dataclass(frozen=True)
class _History:
    table: pd.DataFrame
    days: pd.DatetimeIndex
    maturity: Array  # (B, H), mean of the draws


def _history(season: Season, courses: _Courses, fit: RipeningFit, n: int, shown_too: bool) -> _History:
    """Fitted courses from before the first sample, or the crop estimate, to today; their ranges when shown too."""
    as_of = pd.Timestamp(season.as_of)
    start = pd.Timestamp(season_start(season.label, season.start))
    first = pd.to_datetime(season.samples["sampled_on"]).min() if len(season.samples) else as_of
    begin = max(start, first - pd.Timedelta(days=HISTORY_DAYS))
    crop_on = pd.to_datetime(season.blocks["crop_on"]).min()
    earliest = max(start, min(begin, crop_on)) if pd.notna(crop_on) else begin
    days = pd.date_range(min(earliest, as_of), as_of, freq="D")
    heat, day_of_season, rain = _at_days(season, fit, days)
    index = _maturity(courses, heat, (len(courses.oil.plateau), *heat.shape))[0]
    if not shown_too:
        return _History(pd.DataFrame(), days, index.mean(0))
    dry = courses.oil.dry_pct(heat)[:n]
    wet = courses.moisture.pct(day_of_season, rain)[:n]
    shown = days >= begin
    ids = season.blocks["block_id"].to_numpy()
    table = pd.DataFrame(
        {"block_id": np.repeat(ids, shown.sum()), "day": np.tile(days[shown].to_numpy(), len(ids))}
        | _quantiles(dry[:, :, shown], "oil_dry", "_pct")
        | _quantiles((dry * (1.0 - wet / 100.0))[:, :, shown], "oil_fresh", "_pct")
        | _quantiles(wet[:, :, shown], "moisture", "_pct")
        | _quantiles(index[:n, :, shown], "maturity", "")
    )
    return _History(table, days, index.mean(0))


def _non_oil_dry_matter(
    season: Season, fit: RipeningFit, courses: _Courses, rng: np.random.Generator
) -> tuple[Array, list[tuple[str, object, str, str, str]]]:
    """Dry matter without oil per hectare (K, B) [t/ha] from the crop estimates and their uncertainty."""
    blocks = season.blocks
    as_of = pd.Timestamp(season.as_of)
    start = pd.Timestamp(season_start(season.label, season.start))
    on = pd.to_datetime(blocks["crop_on"]).fillna(as_of).clip(lower=start, upper=as_of)
    stations = blocks["station_id"].astype(str)
    heat = np.nan_to_num(fit.station_days.heat_at(stations, on))[:, None]
    rain = _rain_at(fit.station_days, stations, on)[:, :, None]
    dry = courses.oil.dry_pct(heat)[:, :, 0] / 100.0
    wet = courses.moisture.pct((on - start).dt.days.to_numpy(float)[:, None], rain)[:, :, 0] / 100.0
    sd = blocks["crop_sd_pct"].astype(float).fillna(10.0).to_numpy() / 100.0
    error = np.exp(sd * rng.standard_normal(dry.shape) - 0.5 * sd**2)
    crop = blocks["crop_t_ha"].astype(float).to_numpy()
    notes: list[tuple[str, object, str, str, str]] = []
    late = int((pd.to_datetime(blocks["crop_on"]) > as_of).sum())
    if late:
        notes.append(("crop estimates dated after today", late, "blocks", "records", "taken as made today"))
    return crop * error * (1.0 - wet) * (1.0 - dry), notes


def _area_left(season: Season) -> Array:
    """Unpicked hectares (B,) of every block."""
    picked = season.picks.groupby("block_id")["area_ha"].sum() if len(season.picks) else pd.Series(dtype=float)
    area = season.blocks["area_ha"].astype(float).to_numpy()
    return np.maximum(area - season.blocks["block_id"].map(picked).fillna(0.0).to_numpy(float), 0.0)


def _drop_rate(season: Season, maturity: Array) -> Array:
    """Share of the hanging crop that falls in a day (0-1); unknown maturity falls at the lower rate."""
    before = float(season.rules["drop_pct_per_day_before"]) / 100.0
    after = float(season.rules["drop_pct_per_day_after"]) / 100.0
    return np.where(maturity >= DROP_MATURITY, after, before)


def _still_hanging(season: Season, maturity: Array, history: _History) -> Array:
    """Share of the estimated crop still on the tree (K, B, T), 0-1.

    The share measured on the ground in the newest sample that tells it, then the rates of the rules from that
    day on; without a measurement the rates run from the day of the crop estimate.
    """
    blocks = season.blocks
    as_of = pd.Timestamp(season.as_of)
    from_day = pd.to_datetime(blocks["crop_on"]).fillna(as_of).clip(lower=history.days[0], upper=as_of)
    fallen = np.zeros(len(blocks))
    told = season.samples[season.samples["fallen_pct"].notna()] if len(season.samples) else season.samples
    if len(told):
        newest = told.sort_values("sampled_on").drop_duplicates("block_id", keep="last").set_index("block_id")
        measured = blocks["block_id"].map(newest["fallen_pct"]).astype(float)
        measured_on = pd.to_datetime(blocks["block_id"].map(newest["sampled_on"]))
        fallen = measured.fillna(0.0).to_numpy() / 100.0
        from_day = measured_on.fillna(from_day).clip(lower=history.days[0], upper=as_of)
    after_measured = history.days.to_numpy()[None, :] > from_day.to_numpy()[:, None]
    so_far = np.where(after_measured, -np.log1p(-_drop_rate(season, history.maturity)), 0.0).sum(1)
    ahead = -np.log1p(-_drop_rate(season, maturity))
    ahead[:, :, 0] = 0.0
    return (1.0 - fallen)[:, None] * np.exp(-so_far[:, None] - np.cumsum(ahead, axis=2))


def next_samples(fit: RipeningFit, outcomes: Outcomes, target: Target | None = None) -> pd.DataFrame:
    """Rank blocks by how much one sample next week would narrow the range of days to the target.

    Over the draws, the days to the target are regressed on what a sample taken in a week would read (its own
    error included); the 10-90 % range narrows by the share that this explains. A forecast from the fit itself:
    it does not know what a sample may teach about other blocks.

    Parameters
    ----------
    fit : RipeningFit
    outcomes : Outcomes
    target : Target, optional
        Default the season's own; for best_value, nine tenths of the block's own plateau.

    Returns
    -------
    DataFrame
        block_id, rank (1 first), why, gain [days].
    """
    target = outcomes.target if target is None else target
    if target.kind == "best_value":
        target = replace(target, kind="plateau_fraction", value=0.9)
    n_days = outcomes.oil_dry_pct.shape[2]
    visit = min(VISIT_DAYS, n_days - 1)
    wait = waiting_days(outcomes, target)
    unclear = np.isnan(wait).any(0)
    wait = np.where(unclear, 0.0, np.minimum(wait, n_days))
    noise = np.random.default_rng([fit.seed, 3]).standard_normal(wait.shape)
    if target.kind == "maturity":
        read = np.nan_to_num(outcomes.maturity_index[:, :, visit]) + SAMPLE_MATURITY_SD * noise
    else:
        read = np.log(outcomes.oil_dry_pct[:, :, visit]) + SAMPLE_CV * noise
    w, r = wait - wait.mean(0), read - read.mean(0)
    spread = (w**2).sum(0) * (r**2).sum(0)
    explained = np.divide((w * r).sum(0) ** 2, spread, out=np.zeros(len(spread)), where=spread > 0)
    low, high = np.quantile(wait, [0.1, 0.9], axis=0)
    gain = (high - low) * (1.0 - np.sqrt(1.0 - np.minimum(explained, 1.0)))
    table = fit.blocks.set_index("block_id").loc[list(outcomes.block_ids)].reset_index()
    why = [
        _sample_why(row, width, narrower)
        for row, width, narrower in zip(table.itertuples(index=False), high - low, gain, strict=True)
    ]
    out = pd.DataFrame({"block_id": table["block_id"], "why": why, "gain": gain})
    out = out.sort_values(["gain", "block_id"], ascending=[False, True], kind="stable").reset_index(drop=True)
    out.insert(1, "rank", np.arange(1, len(out) + 1))
    return out


def _sample_why(row: Any, width: float, narrower: float) -> str:
    n = row.samples_n
    taken = f"{n} samples, the last {row.sample_age_d:.0f} days ago"
    if n <= 1:
        taken = "no sample this season" if n == 0 else f"one sample, {row.sample_age_d:.0f} days ago"
    return f"{taken}; a range of {width:.0f} days, {narrower:.1f} narrower after a sample next week"
