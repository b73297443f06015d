"""What published plateaus, rates and dates say a forecast must do. Simulated samples, shaped by published figures.

Marks: *read* (the sentence was read in title, abstract or table), *quoted* (read on a page that quotes it),
*derived* (arithmetic from these).
"""

import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.value import industrial_oil_pct
from olivetime.records.season import Target
from olivetime.ripening.mixed import PUBLISHED_PLATEAUS, default_priors, fit_oil
from olivetime.ripening.outcomes import Outcomes, waiting_days


def samples(rng, course, x, *, season=0, blocks=12, week_cv=0.01, cv=0.04):
    """Samples of blocks that all follow one course, on days x."""
    y = np.log(np.asarray(course(np.asarray(x, float)))) + rng.normal(0, week_cv, len(x))
    y = np.exp(y + rng.normal(0, cv, (blocks, len(x))))
    b, w = np.indices(y.shape)
    return pd.DataFrame({"x": np.asarray(x, float)[w.ravel()], "y": y.ravel(), "b": b.ravel(), "w": w.ravel()}).assign(
        season=season
    )


def forecast(table, x, *, cultivar="Olive", current=0, priors=None, n=400):
    """The fit, and draws (draws, days) of a typical block: the mean over blocks of each draw."""
    fit = fit_oil(
        table["x"],
        table["y"],
        table["b"],
        [cultivar] * len(table),
        table["w"],
        table["season"],
        current=current,
        priors=priors,
    )
    draws = fit.draw(n, np.random.default_rng(0))
    return draws, draws.dry_pct(np.tile(np.asarray(x, float), (len(fit.block_ids), 1)))


def outcomes_of(dry, maturity, plateau):
    """Outcomes of B blocks that stay as they are for 30 days."""
    full = np.broadcast_to(np.asarray(dry, float)[None, :, None], (4, len(dry), 30))
    return Outcomes(
        days=pd.date_range("2026-10-01", periods=30),
        block_ids=tuple(f"site {i}" for i in range(len(dry))),
        scenario=np.arange(4),
        oil_dry_pct=full,
        moisture_pct=np.full(full.shape, 55.0),
        oil_fresh_pct=0.45 * full,
        maturity_index=np.broadcast_to(np.asarray(maturity, float)[None, :, None], full.shape),
        class_share=np.full((*full.shape[1:], 8), 1 / 8),
        plateau_dry_pct=np.broadcast_to(np.asarray(plateau, float), full.shape[:2]),
        crop_t=np.ones(full.shape),
        oil_t=np.ones(full.shape),
        area_left_ha=np.ones(len(dry)),
        fitted=pd.DataFrame(),
        target=Target("plateau_fraction", 0.9),
        assumptions=pd.DataFrame(),
    )


def test_three_points_a_week_from_23_70_reach_40_in_five_to_six_weeks():
    # quoted (Oleorevista, September 2024, district mean): 23.70 % dry in the third week of September, about 3 points
    # a week, 40 % "in five or six weeks"; derived: 5.43 weeks
    table = samples(np.random.default_rng(1), lambda x: 23.70 + 3 / 7 * (x - 49), [28, 35, 42, 49])
    days = np.arange(49, 130)
    _, oil = forecast(table, days)
    weeks = (oil >= 40.0).argmax(2).astype(float) / 7
    weeks[~(oil >= 40.0).any(2)] = 99
    low, middle, high = np.quantile(weeks, [0.1, 0.5, 0.9])
    assert 4.5 < middle < 7.5
    assert low < 5.43 < high


def test_a_district_that_ends_at_38_has_no_day_for_40():
    # quoted (same page): final contents of 38 to 42 % dry
    def course(x):
        return 38.0 / (1 + np.exp(-(x - 40) / 11))

    past = samples(np.random.default_rng(2), course, np.arange(28, 112, 7))
    now = samples(np.random.default_rng(3), course, np.arange(28, 84, 7), season=1)
    _, oil = forecast(pd.concat([past, now]), np.arange(84, 140), current=1)
    never = 1 - (oil >= 40.0).any(2).mean(0)
    assert (never > 0.7).mean() > 0.8


@pytest.mark.parametrize("cultivar", sorted(PUBLISHED_PLATEAUS))
def test_a_fixed_half_never_fires_below_the_published_plateau(cultivar):
    # read (Polari, Crawford and Wang 2021, Agronomy 11(2):313, abstract): highest 41.8, 45.4 and 45.7 g/100 g
    top = PUBLISHED_PLATEAUS[cultivar]
    assert top == {"Arbequina": 41.8, "Arbosana": 45.4, "Koroneiki": 45.7}[cultivar]

    def course(x):  # linear from mid August to a plateau at the end of November, as the abstract says
        return np.minimum(top, 8.0 + (top - 8.0) * (x - 15) / 105)

    table = samples(np.random.default_rng(4), course, np.arange(29, 141, 7))
    draws, oil = forecast(table, np.arange(140, 170), cultivar=cultivar)
    assert (oil < 50.0).mean() > 0.97
    assert abs(np.median(draws.plateau) - top) < 1.5
    assert (oil[:, :, 0] > 0.9 * draws.plateau).mean() > 0.8  # a fraction of its own plateau does fire


def test_koroneiki_still_straight_in_early_december_shows_no_maximum():
    # read (California hedges 2016-18, abstract): Koroneiki kept a constant rate until early December
    table = samples(np.random.default_rng(5), lambda x: 10.0 + 0.27 * (x - 15), np.arange(29, 127, 7))
    days = np.arange(126, 141)
    draws, oil = forecast(table, days, cultivar="Koroneiki")
    now = np.median(oil[:, :, 0])
    assert np.median(draws.plateau) > now + 1.0
    assert np.quantile(draws.plateau, 0.9) > now + 4.0
    assert np.median(oil[:, :, -1]) > now + 1.0  # and goes on rising


def test_industrial_yield_lies_in_the_published_efficiencies():
    # read (Frontiers in Plant Science 2024, 15:1395701): efficiency 78 to 91.5 %; derived: 14.7 to 17.3 % of fruit
    # from 18.9 % fat; at 42 % dry and 55 % moisture, fresh oil is 18.9 %
    fat = 42.0 * (1 - 0.55)
    assert fat == pytest.approx(18.9)
    assert 0.78 * fat == pytest.approx(14.7, abs=0.05)
    assert 0.915 * fat == pytest.approx(17.3, abs=0.05)
    paid = float(industrial_oil_pct(np.array([fat]), np.array([55.0]), 0.10)[0])
    assert 14.7 < paid < 17.3


def test_a_plateau_lowered_by_heat_is_followed():
    # read (Garcia-Inza et al. 2012, Arauco): oil falls by 1.1 % per degree; derived, read as points: 5 degrees, 5.5
    # points. Nothing in the model knows temperature's effect on the plateau, so samples must overrule the past
    def course(top):
        return lambda x: top / (1 + np.exp(-(x - 42) / 12))

    rng = np.random.default_rng(6)
    past = [samples(rng, course(45.0), np.arange(28, 112, 7), season=s) for s in (0, 1)]
    hot = samples(rng, course(45.0 - 5.5), np.arange(28, 98, 7), season=2)
    draws, _ = forecast(pd.concat([*past, hot]), [100.0], current=2)
    low, middle, high = np.quantile(draws.plateau, [0.1, 0.5, 0.9])
    assert abs(middle - 39.5) < 1.0
    assert low < 39.5 < high


def test_a_maturity_of_3_5_fires_at_none_of_five_right_dates():
    # read (Aybar et al., Acta Horticulturae 949, abstract; Arbequina in Argentina, 2007): maturity at the right date
    # 2.87, 3.17, 1.90, 1.43, 2.06; highest fat of dry matter 41.69, 43.5, 47.8, 54.21, 44.56
    maturity, top = [2.87, 3.17, 1.90, 1.43, 2.06], np.array([41.69, 43.5, 47.8, 54.21, 44.56])
    outcome = outcomes_of(0.95 * top, maturity, top)
    assert np.isinf(waiting_days(outcome, Target("maturity", 3.5))).all()
    assert (outcome.days_to(Target("maturity", 3.5))["verdict"] == "never").all()
    assert (outcome.days_to(Target("plateau_fraction", 0.9))["verdict"] == "reached").all()


def test_an_unknown_cultivar_starts_from_the_published_ones():
    # read (as above, and 49 % of Sikitita, abstract of a trial in California): mean 45.5, spread 3.0; derived
    published = np.array([*PUBLISHED_PLATEAUS.values(), 49.0])
    row = default_priors(["unheard of"]).iloc[0]
    assert row["plateau_dry_pct"] == pytest.approx(published.mean(), abs=0.6)
    assert row["plateau_sd_fraction"] == pytest.approx(published.std(ddof=1) / published.mean(), abs=0.006)
