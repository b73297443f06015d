"""What a season has taught, at its end: to carry into the next one.

Curves of cultivars, lasting differences of blocks, how good the outlooks were, what the mill got out of the fruit, and
what waiting really cost. Everything is read from the season's own records; what they do not tell is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from olivetime.harvest.came import weather_that_came
from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.value import industrial_oil_pct
from olivetime.harvest.value import value as make_value
from olivetime.records.samples import laboratories_agree
from olivetime.records.season import Season, season_start
from olivetime.ripening.outcomes import RipeningFit, fit_ripening
from olivetime.ripening.outcomes import outcomes as make_outcomes
from olivetime.weather.fetched import season_skill
from olivetime.weather.scenarios import scenarios as make_scenarios
from olivetime.weather.stations import StationDays, station_days

OVER_PICKED = 0.9  # from this share of the area picked a season counts as over; our choice
OTHER_D = 7  # days earlier and later for which the worth of the fruit is told


@dataclass(frozen=True)
class Lessons:
    """A season's lessons.

    Attributes
    ----------
    curves : pandas.DataFrame
        cultivar, blocks_n, samples_n, plateau_dry_pct, plateau_se_pct, half_on (day on which the cultivar's middle
        block held half of its plateau), fruit_moisture_pct (middle of the last samples): to carry forward.
    courses : pandas.DataFrame
        cultivar, day, oil_dry_p10_pct, oil_dry_p50_pct, oil_dry_p90_pct: middle and range of its blocks.
    samples : pandas.DataFrame
        cultivar, block_id, day, oil_dry_pct: what was measured.
    blocks : pandas.DataFrame
        block_id, cultivar, samples_n, plateau_offset_pct, low_offset_pct, high_offset_pct (80 % range), says: against
        the cultivar's mean.
    outlooks : pandas.DataFrame
        As `olivetime.weather.fetched.season_skill` tells it.
    extraction : pandas.DataFrame
        cultivar, tickets_n, crop_t, oil_out_pct, expected_pct (from the tickets' own fat and moisture), lost_points,
        within_1_point_fraction, corrector_fraction (share of the fat-free dry matter that the oil left in it is: what
        the records of the mill should say).
    waiting : pandas.DataFrame
        block_id, cultivar, area_ha (picked), picked_on, value_ha, best_on, lost_ha (against the best day of the
        season), earlier_ha and later_ha (what picking a week earlier or later would have earned more) [currency/ha],
        in the weather that came.
    picked_fraction : float
        Share of the area that is picked.
    over : bool
        The season is over: nine tenths of the area picked, or its last day reached.
    """

    curves: pd.DataFrame
    courses: pd.DataFrame
    samples: pd.DataFrame
    blocks: pd.DataFrame
    outlooks: pd.DataFrame
    extraction: pd.DataFrame
    waiting: pd.DataFrame
    picked_fraction: float
    over: bool


def picked_fraction(season: Season) -> float:
    """Share of the blocks' area that this season's tickets have picked."""
    area = season.blocks.set_index("block_id")["area_ha"]
    picked = season.picks.groupby("block_id")["area_ha"].sum().reindex(area.index).fillna(0.0)
    return float(np.minimum(picked, area).sum() / area.sum()) if area.sum() > 0 else 0.0


def is_over(season: Season) -> bool:
    """Nine tenths of the area are picked, or the last day of the plan is reached."""
    return season.as_of >= season.end or picked_fraction(season) >= OVER_PICKED


def lessons(season: Season, *, seed: int = 0) -> Lessons:
    """What the season has taught up to its as-of day.

    Parameters
    ----------
    season : Season
    seed : int, optional

    Returns
    -------
    Lessons
    """
    known = station_days(season)
    fit = fit_ripening(season, known, seed=seed)
    curves, courses, blocks = _curves(season, fit, seed)
    measured = season.samples.merge(season.blocks[["block_id", "cultivar"]], on="block_id")
    measured = measured.rename(columns={"sampled_on": "day"})[["cultivar", "block_id", "day", "oil_dry_pct"]]
    return Lessons(
        curves=curves, courses=courses, samples=measured.dropna(subset=["oil_dry_pct"]).reset_index(drop=True),
        blocks=blocks, outlooks=season_skill(season), extraction=_extraction(season),
        waiting=_waiting(season, fit, known, seed), picked_fraction=picked_fraction(season), over=is_over(season),
    )  # fmt: skip


def _curves(season: Season, fit: RipeningFit, seed: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Cultivars' curves to carry forward, their course by day, and blocks against their cultivar."""
    draws = fit.draw_oil(200, np.random.default_rng([seed, 21]))
    ids = season.blocks["block_id"].tolist()
    cultivar = season.blocks["cultivar"].to_numpy(object)
    station = season.blocks["station_id"].astype(str).to_numpy()
    start = pd.Timestamp(season_start(season.label, season.start))
    days = pd.date_range(start, pd.Timestamp(season.as_of), unit="us")
    heat = np.nan_to_num(fit.station_days.heat_at(np.repeat(station, len(days)), np.tile(days.to_numpy(), len(ids))))
    course = draws.dry_pct(heat.reshape(len(ids), len(days)))  # (K, B, T)
    plateau = draws.plateau
    samples = season.samples[season.samples["oil_dry_pct"].notna()]
    counts = samples.groupby("block_id").size().reindex(ids).fillna(0).astype(int).to_numpy()
    last = season.samples.dropna(subset=["moisture_pct"]).sort_values("sampled_on", kind="stable")
    moisture = last.groupby("block_id")["moisture_pct"].last().reindex(ids).to_numpy(float)
    rows, courses, offsets = [], [], []
    for name in dict.fromkeys(cultivar):
        # a block that was never sampled tells nothing of its cultivar: it follows the others
        mine = np.flatnonzero((cultivar == name) & (counts > 0))
        if not len(mine):
            continue
        mean = plateau[:, mine].mean(axis=1)
        low, middle, high = np.quantile(course[:, mine], [0.1, 0.5, 0.9], axis=(0, 1))
        half = np.flatnonzero(middle >= 0.5 * np.median(mean))
        wet = moisture[mine][np.isfinite(moisture[mine])]
        rows.append((
            name, len(mine), int(counts[mine].sum()), float(np.median(mean)), float(mean.std()),
            days[half[0]] if len(half) else pd.NaT, float(np.median(wet)) if len(wet) else np.nan,
        ))  # fmt: skip
        courses.append(pd.DataFrame({
            "cultivar": name, "day": days, "oil_dry_p10_pct": low, "oil_dry_p50_pct": middle, "oil_dry_p90_pct": high,
        }))  # fmt: skip
        for b in mine:
            away = plateau[:, b] - mean
            low_b, middle_b, high_b = np.quantile(away, [0.1, 0.5, 0.9])
            says = "not told apart from the cultivar" if low_b <= 0 <= high_b else "higher" if low_b > 0 else "lower"
            offsets.append((ids[b], name, int(counts[b]), middle_b, low_b, high_b, says))
    return (
        pd.DataFrame(rows, columns=_CURVE_COLUMNS),
        pd.concat(courses, ignore_index=True) if courses else pd.DataFrame(columns=_COURSE_COLUMNS),
        pd.DataFrame(offsets, columns=_OFFSET_COLUMNS),
    )


_CURVE_COLUMNS = [
    "cultivar", "blocks_n", "samples_n", "plateau_dry_pct", "plateau_se_pct", "half_on", "fruit_moisture_pct",
]  # fmt: skip
_COURSE_COLUMNS = ["cultivar", "day", "oil_dry_p10_pct", "oil_dry_p50_pct", "oil_dry_p90_pct"]
_OFFSET_COLUMNS = [
    "block_id", "cultivar", "samples_n", "plateau_offset_pct", "low_offset_pct", "high_offset_pct", "says",
]  # fmt: skip
_EXTRACTION_COLUMNS = [
    "cultivar", "tickets_n", "crop_t", "oil_out_pct", "expected_pct", "lost_points", "within_1_point_fraction",
    "corrector_fraction",
]  # fmt: skip
_WAITING_COLUMNS = [
    "block_id", "cultivar", "area_ha", "picked_on", "value_ha", "best_on", "lost_ha", "earlier_ha", "later_ha",
]  # fmt: skip


def _extraction(season: Season) -> pd.DataFrame:
    """Oil that the mill got out against what the tickets' own fat and moisture let expect."""
    picks = season.picks.dropna(subset=["oil_out_kg", "oil_fresh_pct", "moisture_pct", "net_t"])
    picks = picks[picks["net_t"] > 0].merge(season.blocks[["block_id", "cultivar"]], on="block_id")
    if picks.empty:
        return pd.DataFrame(columns=_EXTRACTION_COLUMNS)
    corrector = float(season.mill["corrector_fraction"].mean()) if len(season.mill) else 0.10
    fat, wet = picks["oil_fresh_pct"].to_numpy(float), picks["moisture_pct"].to_numpy(float)
    picks = picks.assign(
        expected=industrial_oil_pct(fat, wet, corrector), out=picks["oil_out_kg"] / picks["net_t"] / 10.0,
        fat=fat, rest=100.0 - fat - wet,
    )  # fmt: skip
    picks["agrees"] = laboratories_agree(picks["expected"].to_numpy(), picks["out"].to_numpy())
    rows = []
    for name, part in picks.groupby("cultivar", sort=True):
        weight = part["net_t"] / part["net_t"].sum()
        fat_pct, out, expected, rest = (float((part[c] * weight).sum()) for c in ("fat", "out", "expected", "rest"))
        rows.append((
            name, len(part), float(part["net_t"].sum()), out, expected, expected - out, float(part["agrees"].mean()),
            (fat_pct - out) / rest if rest > 0 else np.nan,
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=_EXTRACTION_COLUMNS)


def _waiting(season: Season, fit: RipeningFit, known: StationDays, seed: int) -> pd.DataFrame:
    """What picking each block on another day would have earned, in the weather that came."""
    picks = season.picks
    picks = picks[picks["block_id"].isin(season.blocks["block_id"])]
    if picks.empty:
        return pd.DataFrame(columns=_WAITING_COLUMNS)
    # the season as it stood a week before its first pick: whole blocks, weather as measured since
    first = picks["picked_on"].min() - pd.Timedelta(days=OTHER_D)
    first = max(first, pd.Timestamp(season_start(season.label, season.start)) + pd.Timedelta(days=1))
    unpicked = replace(season, as_of=first.date(), picks=season.picks.iloc[:0], outlook=season.outlook.iloc[:0])
    later = make_scenarios(season, known, n=int(season.rules["plan_scenarios"]), seed=seed)
    came = weather_that_came(unpicked, known, later)
    fruit = make_outcomes(unpicked, fit, came, n_draws=max(64, len(came.origin)), seed=seed)
    worth = make_value(unpicked, fruit, came, make_capacity(unpicked, came)).value.mean(axis=0)
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    cultivar = season.blocks.set_index("block_id")["cultivar"]
    area = season.blocks["area_ha"].to_numpy(float)
    last = worth.shape[1] - 1
    rows = []
    for block_id, part in picks.groupby("block_id", sort=True):
        b = place[block_id]
        share = (part["area_ha"] / part["area_ha"].sum()).to_numpy(float)
        at = (part["picked_on"] - first).dt.days.to_numpy(int)
        own = worth[b] / area[b]
        best = int(own.argmax())
        got, earlier, later_ha = (float((share * own[np.clip(at + d, 0, last)]).sum()) for d in (0, -OTHER_D, OTHER_D))
        rows.append((
            block_id, cultivar[block_id], float(part["area_ha"].sum()), part["picked_on"].min(), got, fruit.days[best],
            float(own[best]) - got, earlier - got, later_ha - got,
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=_WAITING_COLUMNS)
