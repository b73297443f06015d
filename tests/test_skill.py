"""Past outlooks beside what came: scores, corrections by lead, and what is said when there are too few."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
import scoringrules
from weather_seasons import outlook_rows, season, stations, weather_rows

from olivetime.weather.outlook import outlook
from olivetime.weather.scenarios import scenarios
from olivetime.weather.skill import (
    brier_score,
    correct_outlook,
    corrected_rain,
    corrected_temperature,
    ensemble_crps,
    outlook_cases,
    outlook_skill,
    past_skill,
)
from olivetime.weather.stations import station_days

FIRST = pd.Timestamp("2026-08-01")
NO_ISSUES = outlook_rows("S1", "2026-01-01", "2026-01-01", [[(0, 0, 0)]]).iloc[:0]


def record(days=92, seed=0):
    rng = np.random.default_rng(seed)
    low = 12 + rng.normal(0, 3, days)
    rain = rng.gamma(0.5, 6, days) * (rng.random(days) < 0.5)
    return weather_rows("S1", FIRST, np.column_stack([low, low + 12, rain]))


def issues(measured, members=5, leads=4, bias=2.0, spread=0.5, error=2.0, seed=1, count=None):
    """Issue on every day an outlook `bias` C too warm whose members differ by `spread` C, but err by `error` C."""
    rng = np.random.default_rng(seed)
    came = measured[["temp_min_c", "temp_max_c", "rain_mm"]].to_numpy()
    told = []
    for i in range((len(came) if count is None else count) - leads):
        truth = came[i : i + leads]
        centre = truth + np.array([bias, bias, 0.0]) + rng.normal(0, error, (leads, 1)) * [1, 1, 0]
        wet = np.abs(centre[:, 2:] + rng.normal(0, 1, (leads, 1)))
        told.append([
            np.column_stack([centre[:, :2] + rng.normal(0, spread, (leads, 1)), wet * rng.uniform(0.5, 1.5)])
            for _ in range(members)
        ])  # fmt: skip
    low, high, rain = np.reshape(told, (-1, 3)).T
    issued = measured["day"].iloc[: len(told)].repeat(members * leads).reset_index(drop=True)
    days = pd.to_timedelta(np.tile(np.arange(leads), len(told) * members), unit="D")
    member = np.tile(np.repeat(np.arange(members), leads), len(told))
    return pd.DataFrame({
        "station_id": "S1", "issued_on": issued, "member": member, "day": issued + days, "temp_min_c": low,
        "temp_max_c": high, "rain_mm": rain,
    })  # fmt: skip


def test_crps_equals_scoringrules_with_and_without_missing_members():
    rng = np.random.default_rng(2)
    members, came = rng.normal(0, 2, (50, 7)), rng.normal(0, 2, 50)
    np.testing.assert_allclose(ensemble_crps(members, came), scoringrules.crps_ensemble(came, members), rtol=1e-10)
    short = members.copy()
    short[:, 2] = np.nan
    left = np.delete(members, 2, axis=1)
    np.testing.assert_allclose(ensemble_crps(short, came), scoringrules.crps_ensemble(came, left), rtol=1e-10)


def test_crps_of_one_member_is_its_error():
    assert ensemble_crps(np.array([[3.0]]), np.array([5.0])).tolist() == [2.0]


def test_brier_equals_scoringrules():
    rng = np.random.default_rng(3)
    chance, happened = rng.random(40), rng.random(40) < 0.4
    expected = np.mean(scoringrules.brier_score(happened.astype(float), chance))
    assert brier_score(chance, happened) == pytest.approx(expected, rel=1e-12)


def test_temperature_gets_bias_and_spread_by_hand():
    # Members 0 and 2 (mean 1, variance 2, due error variance 2 x 1.5 = 3); errors 1, 5, 3: bias 3, variance 4.
    past, came = np.array([[0.0, 2.0]] * 3), np.array([2.0, 6.0, 4.0])
    got = corrected_temperature(np.array([[10.0, 12.0]]), past, came)
    half = np.sqrt(4 / 3)
    np.testing.assert_allclose(got, [[14 - half, 14 + half]])


def test_rain_is_what_fell_after_like_outlooks_in_the_members_order():
    past = np.repeat(np.arange(40.0)[:, None], 3, axis=1)
    came = np.arange(40.0) / 2
    got = corrected_rain(np.array([[30.0, 10.0, 20.0]]), past, came)
    # Ten outlooks like it, 15 to 24 mm, brought 7.5 to 12 mm; of ten values the points 1/4, 1/2, 3/4 are
    # places 2.75, 5.5 and 8.25 (by hand). The mean square root of the members is that of 19.1 mm.
    like = came[15:25]
    points = [np.interp(p, np.arange(1, 11), like) for p in (2.75, 5.5, 8.25)]
    np.testing.assert_allclose(got, [[points[2], points[0], points[1]]])


def looked(measured, past, members=5):
    now = season(measured, as_of=date(2026, 11, 1), outlook=now_rows(members))
    days = station_days(now)
    raw = outlook(now, days)
    return correct_outlook(raw, days.stations, past, days.days[days.days["fill"] == ""]), raw


def now_rows(members):
    return outlook_rows("S1", "2026-11-01", "2026-11-01", [[(10.0 + m, 22.0 + m, m)] * 4 for m in range(members)])


def test_enough_issues_correct_bias_and_spread_and_say_so():
    measured = record()
    (got, corrected), raw = looked(measured, issues(measured))
    assert corrected
    assert got.says.endswith("corrected by lead with 88 earlier issues")
    # Issued 2 C too warm; the mean of the raw members is 12 C and the error of 88 issues is 2 / sqrt(88) at best.
    np.testing.assert_allclose(got.temp_min_c.mean(axis=0), raw.temp_min_c.mean(axis=0) - 2.0, atol=0.8)
    factor = got.temp_min_c.std(axis=0) / raw.temp_min_c.std(axis=0)
    # The members differ by 0.5 C and err by sqrt(2^2 + 0.5^2/5): about 3.7 times too little.
    np.testing.assert_allclose(factor, np.sqrt((4 + 0.05) / (0.25 * 1.2)), rtol=0.25)
    assert np.all(np.diff(got.temp_min_c, axis=0) > 0)  # members keep their order
    assert np.all(got.temp_min_c <= got.temp_max_c)


def test_too_few_issues_leave_it_raw_and_say_so():
    measured = record()
    (got, corrected), raw = looked(measured, issues(measured, count=20))
    assert not corrected
    np.testing.assert_array_equal(got.temp_min_c, raw.temp_min_c)
    assert "not corrected: 16 earlier issues can be held against measured days, 30 are needed" in got.says


def test_no_issues_at_all_and_no_outlook():
    measured = record()
    (got, corrected), raw = looked(measured, NO_ISSUES)
    assert got is not None
    assert not corrected
    assert got.says == raw.says
    now = season(measured, as_of=date(2026, 11, 1))
    days = station_days(now)
    assert correct_outlook(outlook(now, days), days.stations, issues(measured), days.days)[1] is False


def test_one_member_gets_the_errors_of_past_issues():
    measured = record()
    (got, corrected), raw = looked(measured, issues(measured, members=1, spread=0.0), members=1)
    assert corrected
    assert len(got.members) == 60
    assert got.says.endswith("with the errors of 60 earlier issues")
    assert got.temp_min_c.mean() == pytest.approx(raw.temp_min_c.mean() - 2.0, abs=0.5)
    np.testing.assert_allclose(got.temp_min_c.std(axis=0), 2.0, rtol=0.3)
    assert np.ptp(got.rain_mm) > 0
    assert np.all(got.rain_mm >= 0)


def test_later_issues_and_later_days_are_not_used():
    measured = record()
    past = issues(measured)
    same, later = past.copy(), past.copy()
    later["issued_on"] += pd.Timedelta(days=200)
    a, _ = looked(measured, same)
    b, _ = looked(measured, pd.concat([same, later]))
    np.testing.assert_array_equal(a[0].temp_min_c, b[0].temp_min_c)


def test_corrections_cover_better_on_held_back_cases():
    measured = record(days=600)
    cases = outlook_cases(issues(measured, seed=5), measured)
    half = len(cases.keys) // 2
    members, came = cases.members["temp_min_c"], cases.came["temp_min_c"]
    new = corrected_temperature(members[half:], members[:half], came[:half])
    assert ensemble_crps(new, came[half:]).mean() < 0.75 * ensemble_crps(members[half:], came[half:]).mean()


def test_skill_table_beside_climatology():
    measured = pd.concat(
        [record(seed=s).assign(day=lambda t, s=s: t["day"] - pd.DateOffset(years=s)) for s in range(4)]
    )
    past = issues(record())
    got = outlook_skill(past, measured, frost_threshold_c=9.0, rain_stop_mm=2.0)
    assert got["value"].tolist() == ["temp_min_c"] * 4 + ["temp_max_c"] * 4 + ["rain_mm"] * 4
    assert got["lead_d"].tolist() == [0, 1, 2, 3] * 3
    assert (got["cases_n"] == 88).all()
    low = got[got["value"] == "temp_min_c"]
    assert low["bias"].between(1.2, 2.8).all()
    cases = outlook_cases(past, measured)
    first = (cases.keys["lead_d"] == 0).to_numpy()
    members, came = cases.members["temp_min_c"][first], cases.came["temp_min_c"][first]
    assert low["crps"].iloc[0] == pytest.approx(scoringrules.crps_ensemble(came, members).mean())
    chance = (members < 9.0).mean(axis=1)
    assert low["brier"].iloc[0] == pytest.approx(np.mean(scoringrules.brier_score((came < 9.0).astype(float), chance)))
    ends = np.quantile(members, [0.1, 0.9], axis=1, method="weibull")
    assert low["coverage_fraction"].iloc[0] == pytest.approx(np.mean((ends[0] <= came) & (came <= ends[1])))
    assert low["coverage_climatology_fraction"].between(0.65, 0.95).all()
    assert got.loc[got["value"] == "rain_mm", "crps"].lt(got.loc[got["value"] == "rain_mm", "crps_climatology"]).all()
    assert set(got["event"]) == {"low below 9 C", "", "2 mm of rain or more"}


def test_spans_of_lead_are_means_over_their_cases():
    rows = pd.concat([record(seed=s).assign(day=lambda t, s=s: t["day"] - pd.DateOffset(years=s)) for s in range(4)])
    days = station_days(season(rows, as_of=date(2026, 10, 31)))
    past = issues(record())
    past = past[~((past["issued_on"] < "2026-08-20") & (past["day"] == past["issued_on"] + pd.Timedelta(days=1)))]
    got = past_skill(past, days, rain_stop_mm=2.0, spans=((0, 1), (2, 3), (9, 20)))
    assert got["value"].tolist() == ["temp_min_c"] * 2 + ["temp_max_c"] * 2 + ["rain_mm"] * 2
    assert got["lead_from_d"].tolist() == [0, 2] * 3
    assert got["lead_to_d"].tolist() == [1, 3] * 3
    cases = outlook_cases(past, days.days[days.days["fill"] == ""])
    first = (cases.keys["lead_d"] <= 1).to_numpy()
    assert 150 < first.sum() < 170
    assert got["cases_n"].iloc[0] == first.sum()
    crps = scoringrules.crps_ensemble(cases.came["temp_min_c"][first], cases.members["temp_min_c"][first])
    assert got["crps"].iloc[0] == pytest.approx(crps.mean())
    assert got["event"].iloc[0] == "low below 0 C"
    assert got["event_n"].iloc[4] == (cases.came["rain_mm"][first] >= 2.0).sum()
    assert past_skill(NO_ISSUES, days, rain_stop_mm=2.0).empty


def test_a_station_with_a_neighbours_outlook_gets_its_correction():
    one = record()
    two = record().assign(station_id="S2")
    two[["temp_min_c", "temp_max_c"]] -= 1.5
    places = stations(("S1", 38.5, -121.9), ("S2", 38.6, -121.9))
    now = season(pd.concat([one, two]), as_of=date(2026, 11, 1), outlook=now_rows(5), stations=places)
    days = station_days(now)
    raw = outlook(now, days)
    assert raw.lender.tolist() == [0, 0]
    got, corrected = correct_outlook(raw, days.stations, issues(one, bias=3.0, error=0.3), days.days)
    assert corrected
    np.testing.assert_allclose(got.temp_min_c[:, 1], got.temp_min_c[:, 0] - 1.5, atol=1e-6)
    np.testing.assert_allclose(got.rain_mm[:, 1], got.rain_mm[:, 0])
    assert got.temp_min_c[:, 0].mean() == pytest.approx(raw.temp_min_c[:, 0].mean() - 3.0, abs=0.3)


def test_skill_without_climatology_or_cases():
    measured = record()
    got = outlook_skill(issues(measured), measured, frost_threshold_c=0.0, rain_stop_mm=2.0)
    assert got["crps"].notna().all()
    assert got["crps_climatology"].isna().all()
    empty = outlook_skill(NO_ISSUES, measured, frost_threshold_c=0.0, rain_stop_mm=2.0)
    assert empty.empty
    assert "coverage_fraction" in empty


def test_two_stations_have_their_own_fit():
    one, two = record(), record(seed=9).assign(station_id="S2")
    past = pd.concat([issues(one, bias=3.0, error=0.3), issues(two, bias=-3.0, error=0.3).assign(station_id="S2")])
    rows = pd.concat([now_rows(5), now_rows(5).assign(station_id="S2")])
    places = stations(("S1", 38.5, -121.9), ("S2", 38.6, -121.9))
    now = season(pd.concat([one, two]), as_of=date(2026, 11, 1), outlook=rows, stations=places)
    days = station_days(now)
    got, corrected = correct_outlook(outlook(now, days), days.stations, past, days.days)
    assert corrected
    change = (got.temp_min_c.mean(axis=(0, 2))) - 12.0
    np.testing.assert_allclose(change, [-3.0, 3.0], atol=0.3)


def test_scenarios_stay_with_a_corrected_outlook_to_its_last_day():
    measured = record()
    now = season(measured, as_of=date(2026, 11, 1), outlook=now_rows(5))
    days = station_days(now)
    raw = scenarios(now, days, n=50, seed=1)
    got = scenarios(now, days, n=50, seed=1, past_outlooks=issues(measured))
    (corrected, _), _ = looked(measured, issues(measured))
    np.testing.assert_allclose(np.sort(np.unique(got.station_temp_min_c[:, 0, 3])), corrected.temp_min_c[:, 0, 3])
    assert all("for 4 days" in text for text in got.origin)
    assert not all("for 4 days" in text for text in raw.origin)
    told = got.assumptions.set_index("name")
    assert "corrected by lead with 88 earlier issues" in told.loc["outlook", "value"]
    assert "outlook_trust_d" not in told.index
    few = scenarios(now, days, n=50, seed=1, past_outlooks=issues(measured, count=20))
    assert few.origin == raw.origin
    np.testing.assert_array_equal(few.temp_min_c, raw.temp_min_c)
    assert "not corrected" in few.assumptions.set_index("name").loc["outlook", "value"]
