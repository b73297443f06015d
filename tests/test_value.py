import harvest_season as made
import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.capacity import capacity
from olivetime.harvest.value import frost_damage, industrial_oil_pct, value

FROST = {"threshold_c": -2.0, "damage_per_c": 0.17, "day0_fraction": 0.35, "day1_fraction": 0.70}


def built(change=None, outcomes_change=None, **items):
    season, scenarios, outcomes = made.make(**items)
    if change:
        season = made.changed(season, **change(season))
    if outcomes_change:
        outcomes = made.changed(outcomes, **outcomes_change(outcomes))
    limits = capacity(season, scenarios)
    return season, outcomes, limits, value(season, outcomes, scenarios, limits)


# Note of 15 December 2009 on industrial yield, section 2.1: fat 25, moisture 50, E 10 % -> 22.5 %; the same
# formula for fat 20, moisture 55 -> 17.5 and fat 18, moisture 58 -> 15.6.
@pytest.mark.parametrize(("fat", "water", "expected"), [(25, 50, 22.5), (20, 55, 17.5), (18, 58, 15.6)])
def test_industrial_oil_of_the_worked_example(fat, water, expected):
    assert industrial_oil_pct(fat, water, 0.10) == pytest.approx(expected)


def test_industrial_oil_is_never_negative():
    assert industrial_oil_pct(2.0, 30.0, 0.10) == 0


# By hand: one night of -4 C loses 0.34: 0.35 of it on the day, 0.70 on the next, all of it from the second day.
def test_frost_shows_over_three_days():
    damage = frost_damage(np.array([5.0, -4.0, 5.0, 5.0, 5.0]), **FROST)
    np.testing.assert_allclose(damage, [0.0, 0.35 * 0.34, 0.70 * 0.34, 0.34, 0.34], atol=1e-12)


def test_two_frosts_multiply_what_they_leave():
    damage = frost_damage(np.array([-3.0, 9.0, -4.0, 9.0, 9.0]), **FROST)
    assert damage[-1] == pytest.approx(1 - (1 - 0.17) * (1 - 0.34))


def test_frost_before_today_counts():
    damage = frost_damage(np.array([5.0, 5.0, 5.0]), past_min_c=np.array([np.nan, -4.0]), **FROST)
    np.testing.assert_allclose(damage, [0.7 * 0.34, 0.34, 0.34], atol=1e-12)


def test_no_frost_above_the_threshold():
    assert (frost_damage(np.full((2, 3, 10), -2.0), **FROST) == 0).all()


# By hand on one block under each contract, with constant fruit: 100 t on the trees, 92 % taken, fat 18, moisture 58,
# industrial oil 15.6 %, maturity 3 (no risk), no frost.
@pytest.mark.parametrize(
    ("contract", "gross", "milled"),
    [
        ("OIL", 92 * 156 * 5.0, True),  # 14,352 kg at 5
        ("OWN", 92 * 156 * 6.0, True),
        ("FRUIT", 92 * 700.0, False),
        ("SCALE", 92 * 750.0 * (1 + 0.06 * 2), False),  # two points above the base of 16
    ],
)
def test_four_contracts_by_hand(contract, gross, milled):
    def constant(outcomes):
        ones = np.ones_like(outcomes.crop_t)
        return {
            "crop_t": 100 * ones, "oil_fresh_pct": 18 * ones, "moisture_pct": 58 * ones, "maturity_index": 3 * ones
        }  # fmt: skip

    season, _, _, worth = built(
        lambda s: {"blocks": s.blocks.assign(contract_id=contract, style="balanced")}, constant, rain=False
    )
    hours = season.blocks["area_ha"][0] / (1.5 * 3.66 * 0.8 / 10)
    haul = 92 * 2.0 * 2 * 10 / 20
    expected = gross - hours * 200.0 - haul - (92 * 60.0 if milled else 0.0)
    assert worth.value[0, 0, 0] == pytest.approx(expected)
    assert worth.crop_t[0, 0, 0] == pytest.approx(92)
    assert worth.paid_oil_kg[0, 0, 0] == pytest.approx(92 * 156)


def test_value_is_the_mean_of_the_draws_of_each_scenario():
    _, _, _, worth = built()
    np.testing.assert_allclose(worth.value[1], worth.value_draws[1::4].mean(axis=0))


def test_scaled_prices_scale_what_is_paid():
    free = {
        "harvesters": lambda s: s.harvesters.assign(cost_per_h=0.0),
        "mill": lambda s: s.mill.assign(cost_per_t=0.0),
        "trucks": lambda s: s.trucks.assign(cost_per_km=0.0),
    }

    def change(factor):
        return lambda s: (
            {name: make(s) for name, make in free.items()}
            | {
                "contracts": s.contracts.assign(
                    price_oil_kg=s.contracts["price_oil_kg"] * factor,
                    price_fruit_t=s.contracts["price_fruit_t"] * factor,
                )
            }
        )

    once, twice = built(change(1.0), frost=True)[3], built(change(2.0), frost=True)[3]
    np.testing.assert_allclose(twice.value, 2 * once.value)


def test_over_ripe_fruit_loses_the_price_step_only():
    def ripe(outcomes):
        return {"maturity_index": np.full_like(outcomes.maturity_index, 7.0)}

    def change(season):
        return {"blocks": season.blocks.assign(style="balanced")}

    base = built(change, lambda o: {"maturity_index": np.full_like(o.maturity_index, 3.0)}, rain=False)[3]
    over = built(change, ripe, rain=False)[3]
    best = base.components.iloc[0]
    day = list(base.days).index(best["best_on"])
    lost = (base.value - over.value).mean(axis=0)[0, day]
    # maturity 7 is 2.5 units beyond 4.5: chance 0.625; the contract keeps 0.6 of the price
    assert lost == pytest.approx(0.625 * 0.4 * (best["gross"] + best["frost"]))


def test_maturity_does_not_matter_where_fruit_never_turns_black():
    def change(season):
        return {
            "cultivars": season.cultivars.assign(turns_black=False),
            "blocks": season.blocks.assign(style="balanced"),
        }

    told = built(change, lambda o: {"maturity_index": np.full_like(o.maturity_index, 6.5)})[3]
    unknown = built(change, lambda o: {"maturity_index": np.full_like(o.maturity_index, np.nan)})[3]
    np.testing.assert_allclose(told.value, unknown.value)


# Abstract of a Frantoio study (ASHS journal): free acids alike at 0 and 10 % of exit holes, sharp rise to 30 %.
def test_fly_holes_up_to_ten_per_cent_lose_nothing_and_thirty_do():
    def holes(pct):
        return lambda s: {"samples": s.samples.assign(fly_holes_pct=float(pct))}

    none, ten, thirty, sixty = (built(holes(pct))[3].value.sum() for pct in (0, 10, 30, 60))
    assert none == ten
    assert thirty < ten
    assert sixty == thirty


def test_early_style_is_paid_more_for_green_fruit_and_late_for_ripe():
    def styled(style, maturity):
        return built(
            lambda s: {"blocks": s.blocks.assign(style=style, contract_id="OIL")},
            lambda o: {"maturity_index": np.full_like(o.maturity_index, maturity)},
        )[3].components["style"]

    assert (styled("early", 1.5) > 0).all()
    assert (styled("early", 3.5) == 0).all()
    assert (styled("late", 4.0) > 0).all()
    assert (styled("late", 2.0) == 0).all()
    assert (styled("balanced", 1.5) == 0).all()


def test_unknown_oil_is_worth_nothing():
    def change(outcomes):
        crop = outcomes.crop_t.copy()
        crop[:, 2] = np.nan
        return {"crop_t": crop, "oil_fresh_pct": np.where(np.isnan(crop), np.nan, outcomes.oil_fresh_pct)}

    worth = built(None, change)[3]
    assert np.isfinite(worth.value).all()
    assert (worth.value[:, 2] <= 0).all()


def test_contract_without_price_is_told():
    worth = built(lambda s: {"contracts": s.contracts.assign(price_oil_kg=np.nan)})[3]
    assert worth.assumptions["says"].str.contains("contract OIL has no price").any()


def test_components_add_up_to_the_value():
    worth = built(frost=True)[3].components
    parts = worth[["gross", "style", "frost", "grade", "picking", "hauling", "milling"]].sum(axis=1)
    np.testing.assert_allclose(parts, worth["value"])


def test_fewer_draws_than_scenarios_are_refused():
    season, scenarios, outcomes = made.make(scenarios_n=8, draws_n=4)
    with pytest.raises(ValueError, match="found 4 draws for 8 scenarios"):
        value(season, outcomes, scenarios, capacity(season, scenarios))


def test_every_assumption_has_a_source_and_a_sentence():
    worth = built()[3]
    assert isinstance(worth.assumptions, pd.DataFrame)
    assert (worth.assumptions[["source", "says"]].map(len) > 3).all().all()
