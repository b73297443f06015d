"""Simulated seasons: ordinary seasons, no look-ahead, and no noise gives perfect foresight's plan."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.capacity import capacity as make_capacity
from olivetime.harvest.policies import (
    cost_of_delay,
    mornings,
    of_what_is_left,
    perfect_foresight,
    play,
    searching,
)
from olivetime.harvest.referee import empty_record, physics, walk
from olivetime.harvest.simulator import make_farm, simulate, true_weather
from olivetime.harvest.truth import NO_NOISE, assumptions_table
from olivetime.harvest.value import value as make_value
from olivetime.records.columns import TABLES, empty_table
from olivetime.ripening.outcomes import fit_ripening, outcomes
from olivetime.weather.scenarios import SOILS, scenarios, workable_fraction
from olivetime.weather.stations import station_days

FEW = {"past_weather_n": 3.0, "past_samples_n": 0.0, "blocks_per_harvester": 8.0}


@pytest.fixture(scope="module")
def small():
    return simulate(make_farm(8, half="southern", seed=3, change=FEW), 5)


def test_a_simulated_season_has_the_tables_of_a_season_that_was_read(small):
    season = small.on(small.days[10].date())
    for name in TABLES:
        if hasattr(season, name):
            frame, like = getattr(season, name), empty_table(name)
            assert list(frame.columns) == list(like.columns), name
            assert frame.dtypes.astype(str).to_dict() == like.dtypes.astype(str).to_dict(), name
    assert season.samples["sampled_on"].max() <= pd.Timestamp(season.as_of)
    assert season.weather_days["day"].max() < pd.Timestamp(season.as_of)
    assert (season.outlook["issued_on"] == pd.Timestamp(season.as_of)).all()
    dry, fresh, wet = (season.samples[c] for c in ("oil_dry_pct", "oil_fresh_pct", "moisture_pct"))
    assert np.allclose(fresh, dry * (1 - wet / 100))


def test_same_seed_same_season_other_seed_another(small):
    farm = small.farm
    again, other = simulate(farm, 5), simulate(farm, 6)
    pd.testing.assert_frame_equal(again.whole.samples, small.whole.samples)
    day = small.days[3].date()
    pd.testing.assert_frame_equal(again.on(day).outlook, small.on(day).outlook)
    assert not other.whole.weather_days["temp_min_c"].equals(small.whole.weather_days["temp_min_c"])


def test_every_assumption_is_a_row_with_a_source_and_others_are_refused():
    table = assumptions_table({"oil_cv": 0.0})
    assert table["source"].str.len().min() > 0
    assert table.set_index("name")["value"]["oil_cv"] == 0.0
    with pytest.raises(ValueError, match=r"found 'oil_sd' among the assumptions to change, expected one of .*oil_cv"):
        make_farm(4, change={"oil_sd": 0.0})
    with pytest.raises(ValueError, match="half is 'eastern', expected northern or southern"):
        make_farm(4, half="eastern")


LAW = {
    "plan_days": 45.0, "low_first_c": 9.0, "low_last_c": 1.5, "temp_sd_c": 2.8, "cold_spell_chance": 0.0,
    "wet_first_chance": 0.05, "wet_last_chance": 0.18, "wet_mm": 10.0, "outlook_lead_d": 0.0,
}  # fmt: skip


def test_lows_and_rain_given_by_law_take_the_climates_place_and_the_load_stays():
    farm = make_farm(8, seed=3, change=FEW | LAW, rules={"leaf_wet_h": 0.0})
    soil = pd.Index(SOILS).get_indexer(farm.tables["blocks"]["soil"])
    low, rain, hours = [], [], []
    for seed in range(1, 81):  # none of them is among those by which the speed was set
        days = true_weather(farm, seed, farm.start.year)
        days = days[(days["station_id"] == "LOW") & (days["day"] >= pd.Timestamp(farm.first_day))]
        low.append(days["temp_min_c"].to_numpy())
        rain.append(days["rain_mm"].to_numpy())
        hours.append(20.0 * workable_fraction(rain[-1], farm.rules)[soil].mean(axis=0).sum())
    low, rain = np.array(low), np.array(rain)
    assert low.shape[1] == 45
    assert np.abs(low.mean(axis=0) - np.linspace(9.0, 1.5, 45)).max() < 4 * 2.8 / np.sqrt(80)
    assert (low - low.mean(axis=0)).std() == pytest.approx(2.8, rel=0.05)
    assert set(np.unique(rain)) == {0.0, 10.0}
    early, late = (rain[:, :15] > 0).mean(), (rain[:, -15:] > 0).mean()
    assert early == pytest.approx(0.05 + 0.13 * 7 / 44, abs=0.03)
    assert late == pytest.approx(0.05 + 0.13 * 37 / 44, abs=0.03)
    speed, area = farm.tables["harvesters"]["speed_km_h"].iloc[0], farm.tables["blocks"]["area_ha"].sum()
    needed_h = area / (speed * 3.66 * 0.75 / 10) + 0.5 * 8 + 2.0 * 2  # a harvester, eight blocks on two ranches
    assert needed_h / np.mean(hours) == pytest.approx(0.85, abs=0.07)  # set by 16 seasons: within three errors


def test_an_outlook_of_lead_none_knows_its_first_day():
    season = simulate(make_farm(8, seed=3, change=FEW | LAW), 2)
    day = season.days[5]
    told, came = season.on(day.date()).outlook, season.whole.weather_days
    for station, part in told[told["day"] == day].groupby("station_id"):
        truth = came[(came["station_id"] == station) & (came["day"] == day)].iloc[0]
        for name in ("temp_min_c", "temp_max_c", "rain_mm"):
            assert (part[name] == truth[name]).all(), name
    assert told[told["day"] == season.days[9]]["temp_min_c"].nunique() > 2


def test_rules_of_a_simulated_season_can_be_changed_and_unknown_ones_are_refused():
    farm = make_farm(4, half="southern", seed=2, change=FEW, rules={"leaf_wet_h": 0.0})
    assert simulate(farm, 1).whole.rules["leaf_wet_h"] == 0.0
    with pytest.raises(ValueError, match="make_farm: found 'leaf_wet' among the rules, expected a rule's name"):
        make_farm(4, rules={"leaf_wet": 0.0})


def test_share_left_is_what_the_chain_makes_of_the_picks(small):
    # worth, tonnes and hours by share left against capacity and value worked out from tickets
    day = small.days[4].date()
    ids = small.whole.blocks["block_id"].tolist()
    area = small.whole.blocks["area_ha"].to_numpy()
    ticket = dict.fromkeys(small.whole.picks.columns) | {
        "ticket_id": "t", "block_id": ids[2], "picked_on": pd.Timestamp(day) - pd.Timedelta(days=1),
        "harvester_id": "H1", "area_ha": 0.4 * area[2], "season": small.label,
    }  # fmt: skip
    picks = pd.DataFrame([ticket]).astype(small.whole.picks.dtypes)
    whole, picked = small.on(day), small.on(day, picks=picks, standing={"H1": ids[2]})
    limits, worth = small.truth(whole)
    left = np.ones(len(ids))
    left[2] = 0.6
    ours = of_what_is_left(physics(limits, worth), left, np.array([2]))
    chain = physics(*small.truth(picked))
    for name in ("value", "crop", "block_h", "work"):
        made = getattr(chain, name)  # on a grid of 2 to the power of 17 steps, which a share left does not keep to
        assert np.allclose(getattr(ours, name), made, rtol=1e-6, atol=2.0**-16 * np.abs(made).max()), name
    assert ours.start_block[0] == chain.start_block[0] == 2


def test_without_noise_every_scenario_is_the_weather_that_comes():
    still = simulate(make_farm(4, half="northern", seed=2, change=FEW | NO_NOISE), 9)
    season = still.on(still.days[0].date())
    ahead = scenarios(season, station_days(season), n=3, seed=1)
    true = still.true_scenarios(season)
    for name in ("temp_min_c", "rain_mm", "heat_d", "workable_fraction"):
        assert np.allclose(getattr(ahead, name), getattr(true, name)[:1], atol=1e-3), name


def test_without_noise_and_with_the_true_fruit_ours_is_perfect_foresights_plan():
    still = simulate(make_farm(8, half="southern", seed=3, change=FEW | NO_NOISE), 5)
    limits, worth = still.truth()
    truth = physics(limits, worth)
    best, lists = perfect_foresight(still, evaluations=3000, seeds=1, truth=truth)
    told = mornings(still, every=400, fruit="true")
    ours = [searching("ours", first=3000, every=400)]
    assert play(still, ours, told, truth=truth)[0].value == pytest.approx(best, rel=2e-3)
    rec = empty_record(truth)
    walk(truth, 0, lists.order, lists.length, lists.release, True, rec)
    # sixteen scenarios that are all the truth, or the truth once: with the truth once the plan is the very same
    told = mornings(still, every=400, weather="true", fruit="true")
    assert np.allclose(play(still, ours, told, truth=truth)[0].picked, rec.picked)


def test_walking_day_by_day_is_walking_at_once(small):
    limits, worth = small.truth()
    truth = physics(limits, worth)
    _, lists = perfect_foresight(small, evaluations=200, seeds=1, truth=truth)
    at_once = walk(truth, 0, lists.order, lists.length, lists.release, False, empty_record(truth))

    class Kept:
        name, every = "kept", 1

        @staticmethod
        def decide(morning, _ph, left, _memory):
            # one walk finishes what it began; a list of the morning says so by putting the begun block first
            order = lists.order[0, : lists.length[0]]
            begun = (left[order] > 0) & (left[order] < 1)
            kept = lists.order.copy()
            kept[0, : lists.length[0]] = np.concatenate([order[begun], order[~begun]])
            return lists._replace(order=kept, release=np.maximum(lists.release - morning.day, 0))

    told = [replace(m, known=truth) for m in _days(len(small.days))]
    assert play(small, [Kept()], told, truth=truth)[0].value == pytest.approx(at_once, rel=1e-9)


def _days(n):
    from olivetime.harvest.policies import Morning

    return [Morning(d, d + 1, None, np.empty(0), np.empty(0), np.empty(0)) for d in range(n)]


def test_perfect_foresight_is_not_beaten_and_what_is_picked_is_counted(small):
    best, _ = perfect_foresight(small, evaluations=4000, seeds=1)
    told = list(mornings(small, every=20, n_draws=16))
    rows = play(small, [searching("ours", first=300, later=100, every=20), cost_of_delay(every=20)], told)
    for row in rows:
        assert 0.5 * best < row.value < 1.002 * best
        assert (row.picked.sum(axis=1) <= 1 + 1e-9).all()
        assert row.blocks_left == (row.picked.sum(axis=1) < 0.98).sum()
    with pytest.raises(ValueError, match="weather is 'guessed'"):
        next(mornings(small, weather="guessed"))


def test_rain_or_cold_alone_may_be_known(small):
    # by definition: what is known is alike in every scenario and that of the truth, the rest is as the outlook says
    told = {
        name: next(mornings(small, weather=name, fruit="true")).known
        for name in ("outlook", "true", "true rain", "true cold")
    }
    truth = told["true"]
    worth_something = (told["true rain"].value > 0) & (truth.value > 0)
    assert np.allclose(np.where(worth_something, told["true rain"].work - truth.work, 0.0), 0.0)
    assert np.allclose(told["true rain"].value, told["outlook"].value)
    assert np.allclose(told["true cold"].value, truth.value)
    assert np.allclose(told["true cold"].work, np.where(truth.value > 0, told["outlook"].work, 0.0), atol=1e-6)
    assert told["outlook"].work.std(axis=0).max() > 0.1


def test_hours_held_back_are_not_counted_on(small):
    season = small.on(small.days[4].date())
    ahead = small.true_scenarios(season)
    rules = MappingProxyType({**season.rules, "hours_held_back_fraction": 0.1})
    all_of_them, fewer = (make_capacity(s, ahead) for s in (season, replace(season, rules=rules)))
    assert np.allclose(fewer.workable_fraction, 0.9 * all_of_them.workable_fraction)
    assert "hours_held_back_fraction" in set(fewer.assumptions["name"])
    assert "hours_held_back_fraction" not in set(all_of_them.assumptions["name"])


def test_what_comes_later_changes_nothing_of_a_morning(small):
    day = small.days[7].date()
    later = small.whole.samples["received_on"] > pd.Timestamp(day)
    samples = small.whole.samples.assign(
        oil_dry_pct=np.where(later, 1.2 * small.whole.samples["oil_dry_pct"], small.whole.samples["oil_dry_pct"])
    )
    after = small.whole.weather_days["day"] >= pd.Timestamp(day)
    weather = small.whole.weather_days.assign(rain_mm=np.where(after, 30.0, small.whole.weather_days["rain_mm"]))
    changed = replace(small, whole=replace(small.whole, samples=samples, weather_days=weather))
    worth = []
    for simulated in (small, changed):
        season = simulated.on(day)
        known = station_days(season)
        ahead = scenarios(season, known, n=4, seed=0)
        fruit = outcomes(season, fit_ripening(season, known), ahead, n_draws=8)
        worth.append(make_value(season, fruit, ahead, make_capacity(season, ahead)).value)
    assert np.array_equal(*worth)
