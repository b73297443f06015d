"""Measured days: faults, fills, seasons, and what they add up to."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from weather_seasons import blocks, outlook_rows, season, stations, weather_rows

from olivetime.records.columns import SeasonError
from olivetime.weather.degree_days import DEGREE_DAYS_PER_THERMAL_DAY
from olivetime.weather.stations import (
    climatology,
    neighbours,
    station_days,
    station_offset,
)

TWO_STATIONS = stations(("S1", 38.5, -121.9), ("S2", 38.6, -121.9))


def steady(first, last, low=10.0, high=20.0, rain=0.0, station="S1", wave=0.3):
    """Mild days that never repeat a reading, so that no rule but the tested one fires."""
    n = (pd.Timestamp(last) - pd.Timestamp(first)).days + 1
    ripple = wave * np.arange(n) % 1.0
    return weather_rows(station, first, [(low + r, high + r, rain) for r in ripple])


def without(frame, *days, station="S1"):
    return frame[~((frame["station_id"] == station) & frame["day"].isin(pd.to_datetime(list(days))))]


def fill_of(got, day, station="S1"):
    rows = got.days[(got.days["station_id"] == station) & (got.days["day"] == pd.Timestamp(day))]
    return rows["fill"].item(), rows["temp_min_c"].item(), rows["temp_max_c"].item()


def kinds(got):
    return set(got.faults["kind"])


def test_heat_is_added_up_from_the_seasons_first_day_by_hand():
    # Ten days of 12.5 to 22.5 C never touch 7.5 or 35 C: each brings 17.5 - 7.5 = 10 degree days.
    weather = steady("2026-08-01", "2026-08-10", 12.5, 22.5, wave=0.0)
    weather["temp_max_c"] += np.tile([0.2, -0.2], 5)  # keeps the sensor from looking stuck, mean unchanged
    weather["temp_min_c"] -= np.tile([0.2, -0.2], 5)
    got = station_days(season(weather, as_of=date(2026, 8, 11)))
    assert got.heat["day_of_season"].tolist() == list(range(10))
    np.testing.assert_allclose(got.heat["degree_days_c"], 10.0)
    np.testing.assert_allclose(got.heat["heat_d"], np.arange(1, 11) * 10.0 / DEGREE_DAYS_PER_THERMAL_DAY)
    np.testing.assert_allclose(got.heat_at(["S1", "S1"], [date(2026, 8, 3), date(2026, 8, 11)]), [2.0, 100 / 15])
    assert np.isnan(got.heat_at(["S1"], [date(2026, 8, 12)])[0])


def test_rain_memory_fades_by_hand():
    weather = steady("2026-08-01", "2026-08-20")
    weather.loc[weather["day"] == "2026-08-05", "rain_mm"] = 20.0
    got = station_days(season(weather, as_of=date(2026, 8, 21)))
    assert got.rain_memory_at(["S1"], [date(2026, 8, 4)])[0] == 0.0
    assert got.rain_memory_at(["S1"], [date(2026, 8, 13)])[0] == pytest.approx(20.0 * np.exp(-1.0))


def test_unknown_station_is_named():
    got = station_days(season(steady("2026-08-01", "2026-08-10"), as_of=date(2026, 8, 11)))
    with pytest.raises(ValueError, match="station 'S9' is not on record, expected one of S1"):
        got.heat_at(["S9"], [date(2026, 8, 3)])


def test_short_gap_is_a_straight_line_and_counted():
    weather = steady("2026-08-01", "2026-09-30", wave=0.0)
    weather["temp_min_c"] += np.arange(len(weather)) * 0.1
    weather["temp_max_c"] += np.arange(len(weather)) * 0.1
    got = station_days(season(without(weather, "2026-09-10", "2026-09-11", "2026-09-12"), as_of=date(2026, 10, 1)))
    # The line continues: 10 + 41 * 0.1 on the 42nd day.
    assert fill_of(got, "2026-09-11") == ("interpolated", pytest.approx(14.1), pytest.approx(24.1))
    row = got.seasons.iloc[0]
    assert (row["days_n"], row["filled_n"], row["interpolated_n"]) == (61, 3, 3)
    assert row["says"] == "of 61 days, 3 filled"
    assert got.findings["code"].tolist() == ["missing-day", "filled-days"]
    assert "3 days without any temperature (2026-09-10, 2026-09-11, 2026-09-12)" in got.findings["says"].iloc[0]


def test_long_gap_takes_the_time_of_year_from_past_seasons():
    past = pd.concat([steady(f"{y}-08-01", f"{y + 1}-01-15", 4.0, 14.0) for y in (2024, 2025)])
    now = steady("2026-08-01", "2026-10-31")
    gap = pd.date_range("2026-09-10", "2026-09-20").strftime("%Y-%m-%d")
    got = station_days(season(pd.concat([past, without(now, *gap)]), as_of=date(2026, 11, 1)))
    fill, low, high = fill_of(got, "2026-09-15")
    assert fill == "climatology"
    assert 4.0 <= low <= 11.0
    assert high - low == pytest.approx(10.0)


def test_neighbour_fills_with_the_fitted_offset():
    own = steady("2026-08-01", "2026-09-30")
    other = own.assign(station_id="S2", temp_min_c=own["temp_min_c"] - 3.0, temp_max_c=own["temp_max_c"] + 1.0)
    gap = pd.date_range("2026-09-01", "2026-09-12").strftime("%Y-%m-%d")
    truth = own.set_index("day").loc["2026-09-05"]
    got = station_days(season(pd.concat([without(own, *gap), other]), as_of=date(2026, 10, 1), stations=TWO_STATIONS))
    fill, low, high = fill_of(got, "2026-09-05")
    assert fill == "neighbour"
    assert low == pytest.approx(truth["temp_min_c"])
    assert high == pytest.approx(truth["temp_max_c"])


def test_station_without_own_days_borrows_unadjusted_and_says_so():
    got = station_days(season(steady("2026-08-01", "2026-09-30"), as_of=date(2026, 10, 1), stations=TWO_STATIONS))
    assert fill_of(got, "2026-09-05", "S2")[0] == "neighbour"
    says = got.findings.loc[got.findings["code"] == "no-common-days", "says"].item()
    assert "station S2: its gaps are filled from S1 unadjusted, for want of 20 common days" in says


def test_days_nobody_measured_come_from_the_outlook_when_it_covers_them():
    weather = steady("2026-08-01", "2026-09-28")
    members = [[(5.0, 25.0, 0.0)] * 6, [(7.0, 27.0, 4.0)] * 6]
    got = station_days(
        season(weather, as_of=date(2026, 10, 1), outlook=outlook_rows("S1", "2026-09-29", "2026-09-29", members))
    )
    assert fill_of(got, "2026-09-30") == ("outlook", 6.0, 26.0)
    assert got.rain_mm[-1, 0] == 2.0


def test_mostly_guessed_present_season_is_an_error():
    past = pd.concat([steady(f"{y}-08-01", f"{y + 1}-01-15", 4.0, 14.0) for y in (2024, 2025)])
    got = station_days(season(pd.concat([past, steady("2026-09-15", "2026-10-31")]), as_of=date(2026, 11, 1)))
    row = got.findings.iloc[0]
    assert (row["code"], row["level"]) == ("filled-days", "error")
    assert "season 2026: of 92 days, 45 filled in (45 with usual values)" in row["says"]


@pytest.mark.parametrize(
    ("day", "column", "value", "kind"),
    [
        ("2026-09-10", "temp_min_c", -9999.0, "missing-value code"),
        ("2026-09-10", "temp_max_c", 999.9, "missing-value code"),
        ("2026-09-10", "temp_min_c", -57.8, "impossible"),
        ("2026-09-10", "rain_mm", -1.0, "impossible"),
        ("2026-09-10", "wind_m_s", 468.0, "impossible"),
        ("2026-09-10", "temp_min_c", 29.0, "minimum above maximum"),
        ("2026-09-10", "temp_max_c", 48.0, "step"),
        ("2026-09-10", "temp_max_c", np.nan, "missing value"),
    ],
)
def test_a_bad_value_is_named_and_not_used(day, column, value, kind):
    weather = steady("2026-08-01", "2026-09-30")
    weather["wind_m_s"] = 2.0
    weather.loc[weather["day"] == day, column] = value
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    fault = got.faults[(got.faults["kind"] == kind) & (got.faults["day"] == day)]
    assert fault["column"].tolist() == [column]
    kept = got.days.loc[got.days["day"] == day, column].item()
    assert kept != value
    if column.startswith("temp"):
        assert 9.9 < got.days.loc[got.days["day"] == day, "temp_min_c"].item() < 11.1
        assert fill_of(got, day)[0] == "interpolated"


def test_one_step_is_flagged_but_both_days_stay():
    weather = steady("2026-08-01", "2026-09-30", 2.0, 12.0)
    weather.loc[weather["day"] >= "2026-09-10", ["temp_min_c", "temp_max_c"]] += 26.0
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert kinds(got) == {"step"}
    assert set(got.days["fill"]) == {""}


def test_equal_readings_are_flagged_and_unused_only_when_both_are_stuck():
    weather = steady("2026-08-01", "2026-09-30")
    weather.loc[weather["day"].between("2026-09-01", "2026-09-05"), "temp_max_c"] = 21.0
    weather.loc[weather["day"].between("2026-09-11", "2026-09-15"), ["temp_min_c", "temp_max_c"]] = (
        9.0,
        21.0,
    )
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    flat = got.faults[got.faults["kind"] == "flat line"]
    assert flat["column"].tolist() == ["temp_max_c"] * 5
    stuck = got.faults[got.faults["kind"] == "stuck"]
    assert sorted(stuck["column"]) == ["temp_max_c"] * 5 + ["temp_min_c"] * 5
    assert fill_of(got, "2026-09-03")[0] == ""
    assert fill_of(got, "2026-09-13")[0] == "interpolated"


def test_duplicate_day_keeps_the_first_row():
    weather = steady("2026-08-01", "2026-09-30")
    again = weather[weather["day"] == "2026-09-10"].assign(temp_max_c=29.0)
    got = station_days(season(pd.concat([weather, again]), as_of=date(2026, 10, 1)))
    assert kinds(got) == {"duplicate"}
    assert fill_of(got, "2026-09-10")[2] < 21.0


@pytest.mark.parametrize(
    ("factor", "offset", "code"), [(1.8, 32.0, "fahrenheit"), (1 / 1.8, -32 / 1.8, "converted-twice")]
)
def test_a_season_in_other_degrees_is_an_error_and_the_neighbour_stands_in(factor, offset, code):
    own = steady("2026-08-01", "2026-09-30")
    other = own.assign(station_id="S2")
    own = own.assign(temp_min_c=own["temp_min_c"] * factor + offset, temp_max_c=own["temp_max_c"] * factor + offset)
    got = station_days(season(pd.concat([own, other]), as_of=date(2026, 10, 1), stations=TWO_STATIONS))
    assert got.findings.loc[got.findings["level"] == "error", "code"].tolist() == [code]
    assert fill_of(got, "2026-09-10")[0] == "neighbour"


def test_one_sensor_alone_is_stuck_after_ten_equal_days():
    # Nine equal highs stay (91 measured years had runs of up to 7), ten do not.
    weather = steady("2026-08-01", "2026-09-30")
    nine, ten = weather["day"].between("2026-08-11", "2026-08-19"), weather["day"].between("2026-09-01", "2026-09-10")
    weather.loc[nine | ten, "temp_max_c"] = 21.5
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert got.faults[got.faults["kind"] == "stuck"]["day"].dt.day.tolist() == list(range(1, 11))
    assert fill_of(got, "2026-08-15")[0] == ""
    assert fill_of(got, "2026-09-05")[0] != ""
    assert (
        got.days.set_index("day").loc["2026-09-05", "temp_min_c"]
        == weather.set_index("day").loc["2026-09-05", "temp_min_c"]
    )


@pytest.mark.parametrize(("first", "limits_first"), [("2026-09-20", True), ("2026-09-20", False), ("2026-10-20", True)])
def test_part_of_a_season_in_fahrenheit_is_found_to_the_day(first, limits_first):
    # Six seasons of an invented autumn; from some day on this season's readings are in degrees F. What is left of
    # them when the reader has taken out the values no station can have (above 45 and 55) is found as well.
    past = [steady(f"{y}-08-01", f"{y}-12-31", 2.0, 12.2) for y in range(2020, 2026)]
    now = steady("2026-08-01", "2026-10-31", 2.0, 12.2)
    wrong = now["day"] >= first
    names = ["temp_min_c", "temp_max_c"]
    now.loc[wrong, names] = now.loc[wrong, names] * 1.8 + 32
    if limits_first:
        now[names] = now[names].where(now[names] <= [45.0, 55.0])
    got = station_days(season(pd.concat([*past, now]), as_of=date(2026, 11, 1)))
    days = got.days.set_index("day").loc["2026-08-01":]
    assert ((days["fill"] != "") == (days.index >= first)).all()
    assert days["temp_max_c"].max() < 40.0
    assert "fahrenheit" in kinds(got)
    assert "fahrenheit" in set(got.findings.loc[got.findings["level"] == "error", "code"])


def test_a_season_mostly_in_fahrenheit_is_not_believed_at_all():
    past, now = steady("2025-08-01", "2025-12-31"), steady("2026-08-01", "2026-10-31")
    names = ["temp_min_c", "temp_max_c"]
    now.loc[now["day"] >= "2026-09-01", names] = now.loc[now["day"] >= "2026-09-01", names] * 1.8 + 32
    got = station_days(season(pd.concat([past, now]), as_of=date(2026, 11, 1)))
    assert (got.days.set_index("day").loc["2026-08-01":, "fill"] == "climatology").all()


def test_a_single_day_in_fahrenheit_is_far_off_and_not_used():
    weather = steady("2026-08-01", "2026-09-30")
    weather.loc[weather["day"] == "2026-09-10", "temp_min_c"] = 8.0 * 1.8 + 32
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert kinds(got) <= {"far off", "step", "impossible", "minimum above maximum"}
    assert fill_of(got, "2026-09-10")[1] < 20.0


def test_rain_on_wet_days_only_and_never_a_zero_means_dry_days():
    weather = steady("2026-08-01", "2026-09-30").assign(rain_mm=np.nan)
    weather.loc[::5, "rain_mm"] = 4.0
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert got.rain_mm.sum() == 4.0 * 13
    says = got.findings.set_index("code").loc["dry-days-empty", "says"]
    assert "48 days without rain count as dry, since rain stands on wet days only and never a 0" in says
    assert got.seasons["rain_filled_n"].tolist() == [0]
    # One 0 among them: empty is then what nobody measured.
    weather.loc[1, "rain_mm"] = 0.0
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert got.seasons["rain_filled_n"].tolist() == [47]
    assert "the rain of 47 of 61 days was filled" in got.findings.set_index("code").loc["filled-rain", "says"]
    # Warmth does not hang on rain.
    assert got.seasons["says"].tolist() == ["of 61 days, 0 filled"]


def test_highs_missing_altogether_are_named():
    weather = steady("2026-08-01", "2026-09-30").assign(temp_max_c=np.nan)
    with pytest.raises(SeasonError, match="weather_days: there is not one believable highest temperature, expected"):
        station_days(season(weather, as_of=date(2026, 10, 1)))


def test_rows_of_rain_before_any_temperature_do_no_harm():
    weather = pd.concat(
        [
            steady("2024-08-01", "2024-09-30").assign(temp_min_c=np.nan, temp_max_c=np.nan),
            steady("2026-08-01", "2026-09-30"),
        ]
    )
    assert station_days(season(weather, as_of=date(2026, 10, 1))).calendar[0] == pd.Timestamp("2026-08-01")


def test_no_believable_temperature_stops_with_four_parts():
    weather = steady("2026-08-01", "2026-09-30").assign(temp_min_c=-9999.0, temp_max_c=-9999.0)
    with pytest.raises(SeasonError, match="weather_days: there is not one believable temperature, expected daily"):
        station_days(season(weather, as_of=date(2026, 10, 1)))


def test_a_record_without_rain_gauge_counts_as_dry_and_says_so():
    weather = steady("2026-08-01", "2026-09-30").assign(rain_mm=np.nan)
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert "no-rain" in set(got.findings["code"])
    assert np.all(got.rain_mm == 0.0)


def test_rows_after_as_of_are_not_looked_at():
    weather = steady("2026-08-01", "2026-10-31")
    got = station_days(season(weather, as_of=date(2026, 10, 1)))
    assert got.calendar[-1] == pd.Timestamp("2026-10-01")
    cut = station_days(season(weather[weather["day"] <= "2026-10-01"], as_of=date(2026, 10, 1)))
    pd.testing.assert_frame_equal(got.days, cut.days)


def test_new_year_stays_in_the_season_that_began_in_august():
    got = station_days(season(steady("2026-08-01", "2027-01-05"), as_of=date(2027, 1, 6)))
    assert got.heat["season"].unique().tolist() == [2026]
    assert got.heat["day_of_season"].iloc[-1] == 157  # 31 + 30 + 31 + 30 + 31 + 5 days, counted from 0
    assert np.all(np.diff(got.heat["heat_d"]) > 0)


def test_southern_season_over_a_leap_day():
    start, end = date(2028, 2, 1), date(2028, 7, 15)
    past = steady("2027-02-01", "2027-07-15")
    got = station_days(
        season(
            pd.concat([past, steady("2028-02-01", "2028-03-10")]),
            as_of=date(2028, 3, 11),
            start=start,
            end=end,
        )
    )
    now = got.heat[got.heat["season"] == 2028]
    before = got.heat[got.heat["season"] == 2027]
    assert now.loc[now["day"] == "2028-02-29", "day_of_season"].item() == 28
    assert now.loc[now["day"] == "2028-03-01", "day_of_season"].item() == 29
    assert before.loc[before["day"] == "2027-03-01", "day_of_season"].item() == 28
    assert before["day_of_season"].iloc[0] == 0


def test_a_past_season_with_few_days_is_left_as_it_is():
    past = steady("2025-10-01", "2025-10-20")
    got = station_days(season(pd.concat([past, steady("2026-08-01", "2026-09-30")]), as_of=date(2026, 10, 1)))
    assert got.seasons["season"].tolist() == [2026]
    assert (got.days["day"] < "2026-01-01").sum() == 20
    assert np.isnan(got.heat_at(["S1"], [date(2025, 10, 10)])[0])


def test_same_input_in_another_order_gives_the_same_tables():
    weather = pd.concat([steady("2026-08-01", "2026-09-30"), steady("2026-08-01", "2026-09-20", station="S2")])
    parts = {
        "as_of": date(2026, 10, 1),
        "stations": TWO_STATIONS,
        "blocks": blocks(("N1", "S2", 0.0, "light")),
    }
    first = station_days(season(weather, **parts))
    second = station_days(season(weather.sample(frac=1.0, random_state=3), **parts))
    pd.testing.assert_frame_equal(first.days, second.days)
    pd.testing.assert_frame_equal(first.heat, second.heat)
    pd.testing.assert_frame_equal(first.findings, second.findings)


def test_neighbours_nearest_first_and_unplaced_last():
    places = stations(("A", 38.0, -121.0), ("B", 39.0, -121.0), ("C", 38.2, -121.0), ("D", np.nan, np.nan))
    np.testing.assert_array_equal(neighbours(places, ["A", "B", "C", "D"])[0], [2, 1, 3])


def test_offset_needs_twenty_common_days():
    own, other = np.arange(25.0), np.arange(25.0) - 2.0
    assert station_offset(own, other) == (2.0, 25)
    other[:6] = np.nan
    assert station_offset(own, other) == (0.0, 19)


def test_climatology_pools_the_days_around_and_runs_round_the_year():
    values = np.full((366, 1), np.nan)
    values[[362, 363, 364, 365, 0, 1, 2], 0] = 7.0
    mean = climatology(values, np.arange(366))
    assert mean[0, 0] == 7.0
    assert mean[180, 0] == 7.0  # the widest window reaches it


@pytest.mark.parametrize("seed", range(25))
def test_any_mess_gives_whole_days_or_a_season_error(seed):
    rng = np.random.default_rng(seed)
    weather = pd.concat(
        [
            steady(f"{year}-08-01", f"{year}-12-20", *rng.uniform([0, 12], [11, 25]), station=station)
            for year in (2024, 2025, 2026)
            for station in ("S1", "S2")
        ]
    )
    weather = weather[rng.random(len(weather)) < rng.uniform(0.02, 1)]
    weather = pd.concat([weather, weather.sample(frac=0.05, random_state=seed)])
    for name in ("temp_min_c", "temp_max_c", "rain_mm"):
        bad = rng.random(len(weather)) < rng.uniform(0, 0.5)
        weather.loc[bad, name] = rng.choice([np.nan, -9999.0, 999.9, 60.0, -40.0, 0.0, 21.0], int(bad.sum()))
    now = season(weather, as_of=date(2026, 10, 12), stations=TWO_STATIONS)
    try:
        got = station_days(now)
    except SeasonError:
        assert not (weather["temp_min_c"].between(-30, 45) & (weather["day"] <= "2026-10-12")).all()
        return
    inside = (got.label == 2026) & (got.day_of_season >= 0)
    for value in (got.temp_min_c, got.temp_max_c, got.rain_mm, got.heat_d):
        assert np.isfinite(value[inside]).all()
    assert np.nanmin(got.temp_max_c - got.temp_min_c) >= 0
    assert np.nanmin(got.rain_mm) >= 0
    assert got.days["temp_max_c"].between(-25, 55).all()
    assert np.nanmin(np.diff(got.heat_d[inside], axis=0)) >= 0
    filled = (got.days["fill"] != "") & (got.days["day"] >= "2026-08-01")
    now = got.seasons[got.seasons["season"] == 2026]
    assert now["filled_n"].sum() <= filled.sum() <= now["filled_n"].sum() + now["rain_filled_n"].sum()


def test_hours_stand_in_for_days_that_the_daily_table_lacks():
    # Hours of 2 to 6 August in California (07:00 UTC on): 10 C and 20 C by turns of 12 hours.
    hours = pd.DataFrame(
        {
            "station_id": "S1",
            "hour_utc": pd.date_range("2026-08-02 07:00", periods=5 * 24, freq="h"),
            "air_temp_c": ([10.0] * 12 + [20.0] * 12) * 5,
            "rain_mm": 0.25,
        }
    )
    daily = weather_rows("S1", "2026-08-01", [(12.0, 22.0, 1.0), (12.0, 22.0, 1.0)])
    places = stations(("S1", 38.5, -121.9)).assign(time_zone="America/Los_Angeles")
    now = season(daily, as_of=date(2026, 8, 7), stations=places, weather_hours=hours, time_zone="UTC")
    got = station_days(now)
    assert got.temp_min_c[:, 0].tolist() == [12.0, 12.0, 10.0, 10.0, 10.0, 10.0]
    assert got.temp_max_c[:, 0].tolist() == [22.0, 22.0, 20.0, 20.0, 20.0, 20.0]
    assert got.rain_mm[:, 0].tolist() == [1.0, 1.0, 6.0, 6.0, 6.0, 6.0]
    assert got.seasons["filled_n"].tolist() == [0]
    said = got.findings.set_index("code").loc["hourly-warmth"]
    # 15 C less 7.5 C on each day by hours; by the sine 7.5 C too, 9.5 C on 2 August: 39.5 against 37.5.
    assert "over 5 days the daily formula brings +5.3 % of warmth" in said["says"]
    four = hours.iloc[: 4 * 24]  # five equal days would be a stuck sensor
    alone = station_days(
        season(daily.iloc[:0], as_of=date(2026, 8, 6), stations=places, weather_hours=four, time_zone="UTC")
    )
    assert alone.temp_min_c[1:, 0].tolist() == [10.0] * 4


def test_a_station_that_no_longer_agrees_with_its_neighbour_is_named():
    # From 1 September the first station reads 6 C too high: seen once 8 of 15 days show it. 4 C are not told apart
    # from the sea breeze (three airports differed by up to 3.9 C from their usual).
    one = steady("2026-06-01", "2026-09-30", wave=0.37)
    two = steady("2026-06-01", "2026-09-30", low=9.0, high=18.5, station="S2")
    for too_high, days in ((4.0, 0), (6.0, 23)):
        off = one.copy()
        off.loc[off["day"] >= "2026-09-01", "temp_max_c"] += too_high
        got = station_days(season(pd.concat([off, two]), as_of=date(2026, 10, 1), stations=TWO_STATIONS))
        apart = got.faults[got.faults["kind"] == "apart"]
        assert len(apart) == days
        assert (got.days["fill"] == "").all()
    assert apart["day"].min() == pd.Timestamp("2026-09-08")
    assert set(apart["column"]) == {"temp_max_c"}
    assert "23 days on which 15 days differ from the nearest station by 5 C more, or less, than usual" in got.findings[
        "says"
    ].item()
