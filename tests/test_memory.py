"""Memory of past errors: ranges that were too narrow are widened, and the 80 % promise is met."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest
import scoringrules

from olivetime.harvest import order
from olivetime.harvest.forecasts import season_forecasts
from olivetime.harvest.memory import factor_by_day, half_ranges, lead_weeks, past_misses, remember, with_memory
from olivetime.harvest.order import propose
from olivetime.harvest.simulator import make_farm, simulate
from olivetime.weather.skill import ensemble_crps


def _told(spread, n=2000, seed=0, weeks=40):
    """Forecasts with an honest middle whose ranges are right for a spread of 1."""
    rng = np.random.default_rng(seed)
    observed = 30 + spread * rng.standard_normal(n)
    return pd.DataFrame({
        "as_of": pd.to_datetime("2026-09-01") + pd.to_timedelta(7 * (np.arange(n) % weeks), unit="D"),
        "kind": "oil_dry_pct", "lead_days": 5, "p10": 30 - 1.2816, "p50": 30.0, "p90": 30 + 1.2816,
        "observed": observed,
    })  # fmt: skip


@pytest.mark.parametrize("spread", [0.6, 1.0, 1.7])
def test_factor_is_near_the_true_ratio_and_ranges_then_hold_four_in_five(spread):
    memory = remember(_told(spread)).iloc[0]
    # by hand: the range of a normal value with this spread is `spread` times that of a standard one
    assert memory["factor"] == pytest.approx(spread, rel=0.15)
    assert 0.77 <= memory["inside_after"] <= 0.85


def test_few_cases_move_the_ranges_little():
    few = _told(2.5, n=4, weeks=1)
    assert 1.0 < remember(few)["factor"].iloc[0] < 2.0
    assert np.isnan(remember(few)["inside_after"].iloc[0])
    assert remember(few.iloc[:0]).empty


def test_half_ranges_count_each_side_on_its_own():
    told = pd.DataFrame({"observed": [12.0, 7.0], "p10": [8.0, 8.0], "p50": [9.0, 9.0], "p90": [15.0, 15.0]})
    assert half_ranges(told).tolist() == [0.5, 2.0]


def test_factor_runs_straight_between_the_weeks_and_is_level_beyond():
    memory = pd.DataFrame({"kind": "oil_dry_pct", "lead_weeks": [1, 2], "factor": [1.0, 4.0]})
    factor = factor_by_day(memory, "oil_dry_pct", 30)
    assert factor[0] == 1.0
    assert factor[29] == 4.0
    assert factor[7] == pytest.approx(2.0, rel=0.01)  # half way on the log scale
    assert (factor_by_day(memory, "moisture_pct", 5) == 1).all()


def test_the_score_of_a_forecast_is_that_of_scoringrules():
    rng = np.random.default_rng(1)
    draws, observed = rng.normal(30, 2, (20, 50)), rng.normal(30, 2, 20)
    assert np.allclose(ensemble_crps(draws, observed), scoringrules.crps_ensemble(observed, draws, estimator="nrg"))


@pytest.fixture(scope="module")
def simulated():
    change = {"past_weather_n": 3.0, "blocks_per_harvester": 12.0}
    return simulate(make_farm(12, half="southern", seed=3, change=change), 101)


def _coverage(told):
    """Share of later samples in the ranges, before and after the memory of what was known by each week."""
    told = told.assign(lead_weeks=lead_weeks(told["lead_days"]), miss=half_ranges(told))
    before, after = [], []
    for week, part in told.groupby("as_of"):
        known = told[(told["as_of"] < week) & (told["sampled_on"] <= week)]
        if known["as_of"].nunique() < 2:
            continue
        factor = remember(known)[["kind", "lead_weeks", "factor"]]
        part = part.merge(factor, on=["kind", "lead_weeks"], how="left")
        before += list(part["miss"] <= 1)
        after += list(part["miss"] <= part["factor"].fillna(1.0))
    return np.mean(before), np.mean(after)


def test_memory_brings_the_coverage_of_a_simulated_season_nearer_to_what_is_promised(simulated):
    told = season_forecasts(simulated.on, simulated.whole, simulated.farm.first_day.replace(day=1))
    honest = _coverage(told)
    # somebody too sure of himself: ranges of half the width; and one who is never sure, of twice the width
    sides = {side: told["p50"] + 0.5 * (told[side] - told["p50"]) for side in ("p10", "p90")}
    sure = _coverage(told.assign(**sides))
    sides = {side: told["p50"] + 2.0 * (told[side] - told["p50"]) for side in ("p10", "p90")}
    unsure = _coverage(told.assign(**sides))
    # few weeks of one season: a part of the way is made, more with every week
    assert sure[0] < 0.6
    assert sure[0] + 0.08 < sure[1] < 0.85
    assert unsure[0] > 0.95
    assert 0.8 < unsure[1] < unsure[0] - 0.01
    assert abs(honest[1] - honest[0]) < 0.04  # ranges that hold are left alone


def test_the_rule_lets_past_misses_into_the_week(simulated, monkeypatch):
    season = simulated.on(simulated.days[8].date())
    few = {"seed": 1, "n_scenarios": 2, "n_draws": 16, "evaluations": 20}
    plain = propose(season, **few)
    asked = []

    def remembered(*given, **more):
        asked.append((given[1], more["seed"], past_misses(*given, **more)))
        return asked[-1][-1]

    monkeypatch.setattr(order, "past_misses", remembered)  # replaying weeks takes longest: it is done once
    on = propose(replace(season, rules=MappingProxyType({**season.rules, "range_memory_weeks": 3})), **few)
    ((weeks, seed, memory),) = asked
    assert (weeks, seed) == (3, 1)
    assert set(memory["kind"]) == {"oil_dry_pct", "oil_fresh_pct", "moisture_pct", "maturity_index"}
    assert not on.outcomes.assumptions["name"].isin(plain.outcomes.assumptions["name"]).all()
    factor = factor_by_day(memory, "oil_dry_pct", len(plain.outcomes.days))
    width = [np.ptp(p.outcomes.oil_dry_pct, axis=0) for p in (plain, on)]
    assert np.allclose(width[1], width[0] * factor, rtol=1e-6)
    mended = with_memory(plain.outcomes, memory)
    assert np.array_equal(mended.oil_fresh_pct, on.outcomes.oil_fresh_pct)
    # dry matter without oil stays: tonnes follow from dry oil and moisture
    rest = [p.crop_t * (100 - p.oil_dry_pct) * (100 - p.moisture_pct) for p in (plain.outcomes, mended)]
    assert np.allclose(*rest)
