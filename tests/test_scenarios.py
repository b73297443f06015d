"""Scenarios at the blocks, ground and leaves, and the tables the report shows."""

import json
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from weather_seasons import TEST_RULES, blocks, outlook_rows, season, stations, weather_rows

from olivetime.weather.scenarios import (
    frost_table,
    ground_table,
    scenarios,
    weather_table,
    wet_leaf_hours,
    workable_fraction,
)
from olivetime.weather.stations import station_days

AS_OF = date(2026, 10, 12)
LAST = "2026-10-11"


def days_of(first, last, low=10.0, rain=0.0, station="S1"):
    n = (pd.Timestamp(last) - pd.Timestamp(first)).days + 1
    ripple = 0.3 * np.arange(n) % 1.0
    return weather_rows(station, first, [(low + r, low + 10 + r, rain) for r in ripple])


def record(past_low=(4.0, 6.0), last=LAST):
    past = [days_of(f"{y}-08-01", f"{y + 1}-01-15", low) for y, low in zip((2024, 2025), past_low, strict=True)]
    return pd.concat([*past, days_of("2026-08-01", last)])


def members(count=11, days=10):
    values = [[(20.0 + m, 30.0 + m, 0.0)] * days for m in range(count)]
    return outlook_rows("S1", "2026-10-12", "2026-10-12", values)


def drawn(n=22, seed=3, weather=None, **changes):
    now = season(record() if weather is None else weather, **({"as_of": AS_OF} | changes))
    measured = station_days(now)
    return now, measured, scenarios(now, measured, n=n, seed=seed)


def test_shapes_dates_and_types():
    _, _, got = drawn(n=7, blocks=blocks(("N1", "S1", 0.0, "light"), ("N2", "S1", 1.0, "heavy")))
    assert got.days[0] == pd.Timestamp(AS_OF)
    assert got.days[-1] == pd.Timestamp("2027-01-15")
    assert got.block_ids == ("N1", "N2")
    for name in ("temp_min_c", "temp_max_c", "rain_mm", "heat_d", "rain_memory_mm", "workable_fraction"):
        value = getattr(got, name)
        assert value.shape == (7, 2, len(got.days))
        assert value.dtype == np.float32
        assert np.isfinite(value).all()
    assert len(got.origin) == 7


def test_members_are_used_equally_and_leave_as_the_lead_grows():
    # Members are at 20 C and above, past seasons below 8: every value tells where it comes from.
    _, _, got = drawn(n=220, outlook=members())
    with_outlook = got.station_temp_min_c[:, 0] >= 20.0
    assert not with_outlook[:, 10:].any()
    for lead in range(10):
        assert with_outlook[:, lead].mean() == pytest.approx(2.0 ** -((lead / 7.0) ** 2), abs=0.5 / 220 + 1e-9)
    assert np.all(np.diff(with_outlook.astype(int), axis=1) <= 0)  # nobody comes back
    first = np.round(got.station_temp_min_c[:, 0, 0]).astype(int)
    assert np.unique(first, return_counts=True)[1].tolist() == [20] * 11
    stays = with_outlook.sum(axis=1)
    for text, k, m in zip(got.origin, stays, first - 20, strict=True):
        assert text.startswith(f"member {m} for {k} days, then pieces of 202")


def test_fully_trusted_outlook_lasts_for_its_lead():
    rules = TEST_RULES | {"outlook_trust_d": 1000.0}
    _, _, got = drawn(n=11, outlook=members(), rules=rules)
    assert (got.station_temp_min_c[:, 0, :10] >= 20.0).all()


def test_one_member_gets_a_spread_that_grows_with_the_lead():
    _, _, got = drawn(n=200, outlook=members(count=1))
    past = drawn(n=200)[2].station_temp_min_c[:, 0]
    low = got.station_temp_min_c[:, 0]
    with_outlook = low >= 15.0
    assert np.all(low[:, 0] == 20.0)  # lead 0: all its own
    spread = [low[with_outlook[:, k], k].std() for k in range(1, 8)]
    assert np.all(np.diff(spread) > -0.05)
    # Lead 4: r = 2^-(4/7)^2 = 0.7975, so 0.6034 of the past's spread.
    assert low[with_outlook[:, 4], 4].std() == pytest.approx(0.6034 * past[:, 4].std(), rel=0.15)
    assert np.all(got.station_temp_max_c >= got.station_temp_min_c)
    assert "outlook spread" in set(got.assumptions["name"])


def test_without_outlook_the_past_alone():
    _, _, got = drawn()
    assert got.station_temp_min_c.max() < 8.0
    assert all(text.startswith("pieces of ") for text in got.origin)
    says = got.assumptions.set_index("name")["value"]
    assert says["outlook"] == "no outlook is on file"
    assert says["past seasons"] == "pieces of 15 days of 2 past seasons, up to 7 days off"


def test_quantities_in_what_is_assumed_travel_as_numbers():
    _, _, got = drawn()
    told = got.assumptions.set_index("name")
    assert told["says"]["degree days"] == "Heat counts between 7.5 °C and 35 °C; 15 degree days are one thermal day."
    ((_, heat),) = json.loads(told["says_parts"]["degree days"])
    assert heat == {"low": {"temp": 7.5}, "high": {"temp": 35.0}, "sum": {"degree_days": 15.0}}
    assert told["says"]["dry_days_heavy"] == "Days heavy soil dries for each 10 mm of rain."
    assert json.loads(told["says_parts"]["dry_days_heavy"])[0][1] == {"rain": {"rain": 10.0}}
    assert told["says_parts"]["scenarios"] == ""


def test_today_is_the_measured_day_when_it_is_on_record():
    _, measured, got = drawn(weather=record(last="2026-10-12"), outlook=members())
    assert np.all(got.station_temp_min_c[:, 0, 0] == np.float32(measured.temp_min_c[-1, 0]))
    assert (got.station_temp_min_c[:, 0, 1] >= 20.0).any()


def test_cold_spot_takes_its_offset_off_the_nights_only():
    spots = blocks(("N1", "S1", 0.0, "medium"), ("N2", "S1", 2.5, "medium"), ("N3", "S1", -30.0, "medium"))
    _, _, got = drawn(blocks=spots)
    np.testing.assert_allclose(got.temp_min_c[:, 1], got.temp_min_c[:, 0] - 2.5, atol=1e-5)
    np.testing.assert_array_equal(got.temp_max_c[:, 1], got.temp_max_c[:, 0])
    np.testing.assert_array_equal(got.heat_d[:, 1], got.heat_d[:, 0])
    np.testing.assert_array_equal(got.temp_min_c[:, 2], got.temp_max_c[:, 2])  # a warm night stops at the high


def test_past_lows_at_the_block_are_believed_ones_only():
    weather = record()
    weather.loc[weather["day"] == "2026-09-10", "temp_min_c"] = -25.0  # a spike of the sensor, not a frost
    spots = blocks(("N1", "S1", 0.0, "medium"), ("N2", "S1", 2.5, "medium"))
    _, _, got = drawn(weather=weather, blocks=spots)
    assert got.past_days[0] == pd.Timestamp("2026-08-01")
    assert got.past_days[-1] == pd.Timestamp(LAST)
    assert got.past_temp_min_c.shape == (2, 72)
    assert got.past_temp_min_c[0].min() >= 10.0
    np.testing.assert_allclose(got.past_temp_min_c[1], got.past_temp_min_c[0] - 2.5, atol=1e-5)


def test_blocks_follow_their_own_station_and_soil():
    weather = pd.concat([record(), record(past_low=(14.0, 16.0)).assign(station_id="S2")])
    places = stations(("S1", 38.5, -121.9), ("S2", 38.6, -121.9))
    spots = blocks(("N1", "S2", 0.0, "light"), ("N2", "S1", 0.0, "heavy"), ("N3", "S2", 0.0, "heavy"))
    weather.loc[weather["day"] == "2025-10-20", "rain_mm"] = 30.0
    _, _, got = drawn(weather=weather, stations=places, blocks=spots)
    assert got.temp_min_c[:, 0].min() > 13.0
    assert got.temp_min_c[:, 1].max() < 8.0
    np.testing.assert_array_equal(got.temp_min_c[:, 0], got.temp_min_c[:, 2])
    assert got.workable_fraction[:, 2].sum() < got.workable_fraction[:, 0].sum()


def test_heat_goes_on_from_the_measured_sum():
    _, measured, got = drawn()
    so_far = measured.heat_at(["S1"], [date(2026, 10, 11)])[0]
    low, high = got.station_temp_min_c[:, 0, 0].astype(float), got.station_temp_max_c[:, 0, 0].astype(float)
    # A sine day from 4-8 to 14-18 C above a base of 7.5 C: more than its mean excess, less than its highest.
    step = got.heat_d[:, 0, 0] - so_far
    assert np.all(step > (low + high) / 2 / 15 - 7.5 / 15 - 1e-4)
    assert np.all(step < (high - 7.5) / 15)
    assert np.all(np.diff(got.heat_d, axis=2) > 0)


def test_rain_memory_goes_on_from_the_measured_rain():
    weather = record()
    weather.loc[weather["day"] == LAST, "rain_mm"] = 16.0
    _, _, got = drawn(weather=weather)
    expected = 16.0 * np.exp(-np.arange(1, 4) / 8.0)  # no rain in any past season
    np.testing.assert_allclose(got.rain_memory_mm[:, 0, :3], np.tile(expected, (22, 1)), rtol=1e-5)


def test_yesterdays_rain_keeps_heavy_ground_closed_today():
    weather = record()
    weather.loc[weather["day"] == LAST, "rain_mm"] = 10.0
    spots = blocks(("L", "S1", 0.0, "light"), ("M", "S1", 0.0, "medium"), ("H", "S1", 0.0, "heavy"))
    _, _, got = drawn(weather=weather, blocks=spots)
    # 10 mm: half a day, one day and two days of drying.
    np.testing.assert_allclose(got.workable_fraction[0, :, :3], [[0.5, 1, 1], [0, 1, 1], [0, 0, 1]])


@pytest.mark.parametrize(
    ("rain", "light", "heavy"),
    [
        ([0, 0, 0], [1, 1, 1], [1, 1, 1]),
        ([1, 0, 0], [1 - 2 / 24, 1, 1], [1 - 2 / 24, 1, 1]),  # half the stopping rain: 2 of 4 wet hours
        ([5, 0, 0], [0, 0.75, 1], [0, 0, 1]),  # a quarter day and one day of drying
        ([2, 0, 0], [0, 1 - 4 / 24, 1], [0, 0.6, 1]),  # leaves dry after the light ground does
        ([40, 0, 0, 0, 0, 0, 0], [0, 0, 0, 1, 1, 1, 1], [0, 0, 0, 0, 0, 0, 1]),  # heavy: 8 days capped at 5
        ([10, 10, 0, 0, 0, 0], [0, 0, 0, 1, 1, 1], [0, 0, 0, 0, 0, 0]),
    ],
)
def test_workable_share_by_hand(rain, light, heavy):
    got = workable_fraction(np.array(rain, float), TEST_RULES)
    assert got.shape == (3, len(rain))
    np.testing.assert_allclose(got[0], light, atol=1e-6)
    np.testing.assert_allclose(got[2], heavy, atol=1e-6)


def test_wet_leaf_hours_by_hand():
    got = wet_leaf_hours(np.array([0.0, 1.0, 12.0, 0.0, 0.5]), TEST_RULES)
    np.testing.assert_allclose(got, [0.0, 2.0, 24.0, 4.0, 1.0])


def test_more_rain_never_gives_more_work():
    rng = np.random.default_rng(2)
    rain = rng.gamma(0.5, 6.0, (200, 30)) * (rng.random((200, 30)) < 0.3)
    less = workable_fraction(rain, TEST_RULES)
    more = workable_fraction(rain * 1.5, TEST_RULES)
    assert np.all(more <= less + 1e-6)
    assert np.all((less >= 0) & (less <= 1))


def test_weather_table_shows_ten_measured_days_and_the_rest():
    weather = record()
    weather.loc[weather["day"] == LAST, "rain_mm"] = 10.0
    now, measured, got = drawn(weather=weather, outlook=members())
    table = weather_table(now, measured, got)
    assert list(table.columns) == [
        "station_id", "day", "measured",
        "temp_min_p10_c", "temp_min_p50_c", "temp_min_p90_c",
        "temp_max_p10_c", "temp_max_p50_c", "temp_max_p90_c",
        "rain_p50_mm", "rain_mean_mm", "rain_chance", "frost_chance", "work_h",
    ]  # fmt: skip
    assert table["measured"].sum() == 10
    assert len(table) == 10 + len(got.days)
    assert table["day"].is_monotonic_increasing
    assert weather_table(now, measured, got, measured_days=72)["measured"].sum() == 72
    assert weather_table(now, measured, got, measured_days=9999)["measured"].sum() == len(measured.days)
    yesterday, today = table.iloc[9], table.iloc[10]
    assert (yesterday["rain_mean_mm"], yesterday["rain_chance"], yesterday["work_h"]) == (10.0, 1.0, 0.0)
    assert yesterday["temp_min_p10_c"] == yesterday["temp_min_p90_c"]
    assert today["work_h"] == 0.0  # medium ground needs the day to dry
    assert table["work_h"].iloc[-1] == pytest.approx(22.0)
    assert today["temp_min_p10_c"] < today["temp_min_p90_c"]


def test_weather_table_does_not_show_a_measured_today_twice():
    now, measured, got = drawn(weather=record(last="2026-10-12"))
    table = weather_table(now, measured, got)
    assert not table["day"].duplicated().any()
    assert table.loc[table["day"] == "2026-10-12", "measured"].item()


def test_frost_chance_by_block_counts_scenarios_below_the_threshold():
    # Past nights at -1 to 0 C and at 1 to 2 C, half the scenarios each on any day.
    spots = blocks(("N1", "S1", 0.0, "medium"), ("N2", "S1", 1.5, "medium"), ("N3", "S1", 4.5, "medium"))
    now, _, got = drawn(n=40, weather=record(past_low=(-1.0, 1.0)), blocks=spots)
    table = frost_table(now, got)
    assert table.columns.tolist() == ["block_id", "day", "chance"]
    chance = table.pivot(index="day", columns="block_id", values="chance")
    assert (chance["N1"] == 0.0).all()
    assert chance["N2"].between(0.0, 0.5).all()
    assert chance["N2"].max() > 0.2
    assert (chance["N3"] == 1.0).all()
    assert (frost_table(now, got, threshold_c=-9.0)["chance"] == 0.0).all()


def test_same_seed_same_bytes_and_another_seed_another_future():
    _, _, a = drawn(outlook=members())
    _, _, b = drawn(outlook=members())
    _, _, c = drawn(outlook=members(), seed=4)
    assert a.temp_min_c.tobytes() == b.temp_min_c.tobytes()
    assert a.origin == b.origin
    assert a.temp_min_c.tobytes() != c.temp_min_c.tobytes()


def test_another_block_does_not_move_the_others():
    _, _, one = drawn(outlook=members())
    _, _, two = drawn(outlook=members(), blocks=blocks(("N0", "S1", 1.0, "light"), ("N1", "S1", 0.0, "medium")))
    np.testing.assert_array_equal(one.temp_min_c[:, 0], two.temp_min_c[:, 1])
    np.testing.assert_array_equal(one.workable_fraction[:, 0], two.workable_fraction[:, 1])


@pytest.mark.parametrize(
    ("changes", "options", "says"),
    [
        ({}, {"n": 0}, "n is 0, expected at least 1"),
        ({"end": date(2026, 10, 1)}, {}, "the plan ends on 2026-10-01 and today is 2026-10-12"),
        ({"blocks": blocks(("N7", "S8", 0.0, "light"))}, {}, "block N7 has no station on record"),
    ],
)
def test_wrong_arguments_are_named(changes, options, says):
    with pytest.raises(ValueError, match=says):
        drawn(**options, **changes)


def test_ground_table_counts_lost_days_by_soil_and_wet_leaves():
    rain = np.zeros((4, 1, 5), np.float32)
    rain[0, 0, 1] = 20.0  # one scenario in four has 20 mm on the second day
    rules = TEST_RULES
    drawn = SimpleNamespace(
        days=pd.date_range("2026-11-02", periods=5),
        stations=("S1",),
        station_rain_mm=rain,
        station_workable_fraction=workable_fraction(rain, rules),
    )
    places = stations(("S1", 38.5, -121.9))
    got = ground_table(SimpleNamespace(rules=rules, stations=places), drawn).set_index(["soil", "day"])
    # 20 mm close light soil for 1 day after, medium for 2, heavy for 4 (rules of these tests).
    assert got.loc["light", "lost_chance"].tolist() == [0, 0.25, 0.25, 0, 0]
    assert got.loc["medium", "lost_chance"].tolist() == [0, 0.25, 0.25, 0.25, 0]
    assert got.loc["heavy", "lost_chance"].tolist() == [0, 0.25, 0.25, 0.25, 0.25]
    # Wet all of the rainy day and 4 h of the next morning, in one scenario of four.
    assert got.loc["light", "wet_leaf_h"].tolist() == [0, 6, 1, 0, 0]
    assert got.loc["heavy", "lost_days_p90"].tolist() == [0, 1, 2, 3, 4]
    assert got.loc["heavy", "lost_days_p50"].tolist() == [0] * 5
    assert got.loc["heavy", "work_h"].to_numpy() == pytest.approx([22, *[0.75 * 22] * 4])
    assert got.loc["heavy", "work_p10_h"].tolist() == [22, 0, 0, 0, 0]
