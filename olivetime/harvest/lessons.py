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
from olivetime.weather.scenarios import scenarios as make_scenarios
from olivetime.weather.skill import outlook_skill
from olivetime.weather.stations import StationDays, station_days

OVER_PICKED = 0.9  # from this share of the area picked a season counts as over; our choice
WAITED_D = (7, 14)  # days for which the cost of picking later is told


@dataclass(frozen=True)
class Lessons:
    """A season's lessons.

    Attributes
    ----------
    curves : pandas.DataFrame
        cultivar, samples_n, plateau_dry_pct, plateau_se_pct, half_on (day on which the cultivar's middle block held
        half of its plateau), fruit_moisture_pct (middle of the last samples): to carry forward.
    blocks : pandas.DataFrame
        block_id, cultivar, samples_n, plateau_offset_pct, low_offset_pct, high_offset_pct (80 % range), says: against
        the cultivar's mean.
    outlooks : pandas.DataFrame
        As `olivetime.weather.skill.outlook_skill` tells it.
    extraction : pandas.DataFrame
        cultivar, tickets_n, oil_out_pct, expected_pct (from the ticket's own fat and moisture), lost_points,
        within_1_point_fraction.
    waiting : pandas.DataFrame
        block_id, picked_on, value_ha, best_on, lost_ha (against the best day of the season) and gain_7_ha, gain_14_ha
        (what picking a week or two later would have earned more) [currency/ha], in the weather that came.
    says : str
        The season in a few sentences.
    over : bool
        The season is over: nine tenths of the area picked, or its last day reached.
    """

    curves: pd.DataFrame
    blocks: pd.DataFrame
    outlooks: pd.DataFrame
    extraction: pd.DataFrame
    waiting: pd.DataFrame
    says: str
    over: bool


def is_over(season: Season) -> bool:
    """Nine tenths of the area are picked, or the last day of the plan is reached."""
    area = float(season.blocks["area_ha"].sum())
    picked = float(season.picks["area_ha"].sum()) if len(season.picks) else 0.0
    return season.as_of >= season.end or picked >= OVER_PICKED * area


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
    measured = known.days[known.days["fill"] == ""]
    curves, blocks = _curves(season, fit, seed)
    extraction = _extraction(season)
    waiting = _waiting(season, fit, known, seed)
    outlooks = outlook_skill(
        season.past_outlooks, measured, frost_threshold_c=float(season.rules["frost_threshold_c"]),
        rain_stop_mm=float(season.rules["rain_stop_mm"]),
    )  # fmt: skip
    return Lessons(
        curves=curves, blocks=blocks, outlooks=outlooks, extraction=extraction, waiting=waiting,
        says=_says(season, curves, extraction, waiting), over=is_over(season),
    )  # fmt: skip


def _curves(season: Season, fit: RipeningFit, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cultivars' curves to carry forward, and blocks against their cultivar."""
    draws = fit.oil.draw(200, np.random.default_rng([seed, 21]))
    ids = season.blocks["block_id"].tolist()
    cultivar = season.blocks["cultivar"].to_numpy(object)
    station = season.blocks["station_id"].astype(str).to_numpy()
    start = pd.Timestamp(season_start(season.label, season.start))
    days = pd.date_range(start, pd.Timestamp(season.as_of))
    heat = np.nan_to_num(fit.station_days.heat_at(np.repeat(station, len(days)), np.tile(days.to_numpy(), len(ids))))
    course = np.median(draws.dry_pct(heat.reshape(len(ids), len(days))), axis=0)
    plateau = draws.plateau
    samples = season.samples[season.samples["oil_dry_pct"].notna()]
    counts = samples.groupby("block_id").size().reindex(ids).fillna(0).astype(int).to_numpy()
    last = season.samples.dropna(subset=["moisture_pct"]).sort_values("sampled_on", kind="stable")
    moisture = last.groupby("block_id")["moisture_pct"].last().reindex(ids).to_numpy(float)
    rows, offsets = [], []
    for name in dict.fromkeys(cultivar):
        mine = np.flatnonzero(cultivar == name)
        mean = plateau[:, mine].mean(axis=1)
        middle = np.median(course[mine], axis=0)
        half = np.flatnonzero(middle >= 0.5 * np.median(mean))
        wet = moisture[mine][np.isfinite(moisture[mine])]
        rows.append((
            name, int(counts[mine].sum()), float(np.median(mean)), float(mean.std()),
            days[half[0]] if len(half) else pd.NaT, float(np.median(wet)) if len(wet) else np.nan,
        ))  # fmt: skip
        for b in mine:
            away = plateau[:, b] - mean
            low, middle_b, high = np.quantile(away, [0.1, 0.5, 0.9])
            says = "not told apart from the cultivar" if low <= 0 <= high else "higher" if low > 0 else "lower"
            offsets.append((ids[b], name, int(counts[b]), middle_b, low, high, says))
    columns = ["cultivar", "samples_n", "plateau_dry_pct", "plateau_se_pct", "half_on", "fruit_moisture_pct"]
    wide = [
        "block_id", "cultivar", "samples_n", "plateau_offset_pct", "low_offset_pct", "high_offset_pct", "says",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns), pd.DataFrame(offsets, columns=wide)


def _extraction(season: Season) -> pd.DataFrame:
    """Oil that the mill got out against what the tickets' own fat and moisture let expect."""
    columns = ["cultivar", "tickets_n", "oil_out_pct", "expected_pct", "lost_points", "within_1_point_fraction"]
    picks = season.picks.dropna(subset=["oil_out_kg", "oil_fresh_pct", "moisture_pct", "net_t"])
    picks = picks[picks["net_t"] > 0].merge(season.blocks[["block_id", "cultivar"]], on="block_id")
    if picks.empty:
        return pd.DataFrame(columns=columns)
    corrector = float(season.mill["corrector_fraction"].mean()) if len(season.mill) else 0.10
    fat, wet = picks["oil_fresh_pct"].to_numpy(float), picks["moisture_pct"].to_numpy(float)
    picks = picks.assign(
        expected=industrial_oil_pct(fat, wet, corrector), out=picks["oil_out_kg"] / picks["net_t"] / 10.0
    )
    picks["agrees"] = laboratories_agree(picks["expected"].to_numpy(), picks["out"].to_numpy())
    rows = []
    for name, part in picks.groupby("cultivar", sort=True):
        weight = part["net_t"] / part["net_t"].sum()
        out, expected = float((part["out"] * weight).sum()), float((part["expected"] * weight).sum())
        rows.append((name, len(part), out, expected, expected - out, float(part["agrees"].mean())))
    return pd.DataFrame(rows, columns=columns)


def _waiting(season: Season, fit: RipeningFit, known: StationDays, seed: int) -> pd.DataFrame:
    """What another day of picking would have earned, in the weather that came, for each block that was picked."""
    columns = ["block_id", "picked_on", "value_ha", "best_on", "lost_ha", *(f"gain_{d}_ha" for d in WAITED_D)]
    picks = season.picks
    picks = picks[picks["block_id"].isin(season.blocks["block_id"])]
    if picks.empty:
        return pd.DataFrame(columns=columns)
    first = picks["picked_on"].min()
    # the season as it stood before its first pick: whole blocks, weather as measured since
    from_first = _unpicked(season, first)
    later = make_scenarios(season, known, n=int(season.rules["plan_scenarios"]), seed=seed)
    came = weather_that_came(from_first, known, later)
    fruit = make_outcomes(from_first, fit, came, n_draws=max(64, len(came.origin)), seed=seed)
    limits = make_capacity(from_first, came)
    worth = make_value(from_first, fruit, came, limits).value.mean(axis=0)
    place = {block_id: b for b, block_id in enumerate(fruit.block_ids)}
    area = season.blocks["area_ha"].to_numpy(float)
    rows = []
    for block_id, part in picks.groupby("block_id", sort=True):
        b = place[block_id]
        share = (part["area_ha"] / part["area_ha"].sum()).to_numpy(float)
        at = (part["picked_on"] - first).dt.days.to_numpy(int)
        last = worth.shape[1] - 1
        own = worth[b] / area[b]
        got = float((share * own[np.minimum(at, last)]).sum())
        best = int(own.argmax())
        gains = [float((share * own[np.minimum(at + d, last)]).sum()) - got for d in WAITED_D]
        rows.append((block_id, part["picked_on"].min(), got, fruit.days[best], float(own[best]) - got, *gains))
    return pd.DataFrame(rows, columns=columns)


def _unpicked(season: Season, day: pd.Timestamp) -> Season:
    return replace(season, as_of=day.date(), picks=season.picks.iloc[:0], outlook=season.outlook.iloc[:0])


def _says(season: Season, curves: pd.DataFrame, extraction: pd.DataFrame, waiting: pd.DataFrame) -> str:
    parts = []
    if len(curves):
        told = ", ".join(f"{r.cultivar} {r.plateau_dry_pct:.1f} %" for r in curves.itertuples(index=False))
        parts.append(f"Plateaus to carry forward, dry oil: {told}.")
    if len(extraction):
        n = int(extraction["tickets_n"].sum())
        lost = float((extraction["lost_points"] * extraction["tickets_n"]).sum() / n)
        side = "less" if lost > 0 else "more"
        parts.append(f"The mill got out {abs(lost):.1f} points {side} than the fruit's fat let expect ({n} tickets).")
    if len(waiting):
        gain = float(waiting["gain_7_ha"].mean())
        word = "have earned" if gain > 0 else "have cost"
        money = f"{abs(gain):,.0f} {season.currency}/ha"
        parts.append(f"A week's waiting after the picks made would {word} {money} on the mean of their blocks.")
    return " ".join(parts) if parts else "Nothing was sampled or picked yet."
