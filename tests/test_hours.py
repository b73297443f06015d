"""Local days from hours: clock changes, hour 24, gaps, and a block's own logger."""

import numpy as np
import pandas as pd
import pytest

from olivetime.weather.hours import days_from_hours, utc_from_local

CALIFORNIA = "America/Los_Angeles"


def hours(first_utc, temps, rain=0.0, station="S1"):
    return pd.DataFrame(
        {
            "station_id": station,
            "hour_utc": pd.date_range(first_utc, periods=len(temps), freq="h"),
            "air_temp_c": np.asarray(temps, float),
            "rain_mm": rain,
        }
    )


def days(rows, zone=CALIFORNIA, **options):
    return days_from_hours(rows, zone, **({"lower_c": 7.5} | options))


def test_days_of_a_clock_change_have_25_and_23_hours():
    # In 2026 the clocks of California go back on 1 November and forward on 8 March: midnight is 07:00 UTC on
    # 1 November and 08:00 on 2 November.
    autumn = days(hours("2026-10-31 07:00", np.arange(73.0), rain=1.0))
    assert autumn["day"].dt.strftime("%m-%d").tolist() == ["10-31", "11-01", "11-02"]
    assert autumn["hours_day"].tolist() == [24, 25, 24]
    assert autumn["temp_min_c"].tolist() == [0.0, 24.0, 49.0]
    assert autumn["temp_max_c"].tolist() == [23.0, 48.0, 72.0]
    assert autumn["rain_mm"].tolist() == [24.0, 25.0, 24.0]
    spring = days(hours("2026-03-07 08:00", np.arange(71.0)))
    assert spring["hours_day"].tolist() == [24, 23, 24]
    assert spring["temp_max_c"].tolist() == [23.0, 46.0, 70.0]


@pytest.mark.parametrize(
    ("zone", "first", "sizes"),
    [
        ("Europe/Rome", "2026-10-24 22:00", [25, 24]),  # back on 25 October
        ("America/Santiago", "2026-09-06 04:00", [23, 24]),  # forward at midnight of 6 September: 01:00 is first
        ("Australia/Adelaide", "2026-10-03 14:30", [23, 24]),  # forward on 4 October, half an hour off
        ("Asia/Kolkata", "2026-10-03 18:30", [24, 24]),
    ],
)
def test_other_zones_and_the_southern_half(zone, first, sizes):
    start = pd.Timestamp(first).ceil("h")
    got = days(hours(start, np.arange(sum(sizes), dtype=float)), zone)
    assert got["hours_day"].tolist()[: len(sizes)] == sizes
    assert got["temp_min_c"].iloc[1] == sizes[0]


def test_new_year_and_leap_day():
    got = days(hours("2028-02-28 08:00", np.arange(72.0)))
    assert got["day"].dt.strftime("%m-%d").tolist() == ["02-28", "02-29", "03-01"]
    got = days(hours("2026-12-31 08:00", np.arange(48.0)))
    assert got["day"].dt.strftime("%Y-%m-%d").tolist() == ["2026-12-31", "2027-01-01"]


def test_hourly_degree_days_by_hand():
    # Half the day 5 C over the base, half the day under it; and capped at 2 C over it.
    rows = hours("2026-10-10 07:00", [12.5] * 12 + [0.0] * 12)
    assert days(rows)["degree_days_c"].tolist() == [2.5]
    assert days(rows, upper_c=9.5)["degree_days_c"].tolist() == [1.0]


def test_short_gaps_are_bridged_and_long_ones_make_the_day_missing():
    rows = hours("2026-10-10 07:00", np.arange(48.0), rain=0.5)
    short = days(rows.drop(index=[5, 6, 7]))
    assert short["hours_filled"].tolist() == [3, 0]
    assert short["temp_max_c"].tolist() == [23.0, 47.0]
    assert short["degree_days_c"].tolist() == days(rows)["degree_days_c"].tolist()
    assert np.isnan(short["rain_mm"].iloc[0])  # 21 of 24 hours; rain is not bridged
    long = days(rows.drop(index=[5, 6, 7, 8]))
    assert long["hours_n"].tolist() == [20, 24]
    assert np.isnan(long["temp_min_c"].iloc[0])
    assert np.isnan(long["degree_days_c"].iloc[0])
    # The first day ends the record's beginning: a part of a day has no low.
    part = days(rows.iloc[10:])
    assert np.isnan(part["temp_min_c"].iloc[0])
    assert part["temp_min_c"].iloc[1] == 24.0


def test_duplicates_order_and_utc_stamps_do_not_matter():
    rows = hours("2026-10-10 07:00", np.arange(48.0))
    mixed = pd.concat([rows, rows.iloc[3:9].assign(air_temp_c=99.0)]).sample(frac=1, random_state=1, ignore_index=True)
    again = mixed.sort_values(["hour_utc", "air_temp_c"]).assign(hour_utc=lambda t: t["hour_utc"].dt.tz_localize("UTC"))
    pd.testing.assert_frame_equal(days(again), days(rows))


def test_each_station_has_its_zone():
    rows = hours("2026-10-10 07:00", np.arange(24.0))
    rows = pd.concat([rows, rows.assign(station_id="S2")])
    got = days(rows, {"S1": CALIFORNIA, "S2": "UTC"})
    assert got["station_id"].tolist() == ["S1", "S2", "S2"]
    with pytest.raises(ValueError, match="station S2 has no time zone"):
        days(rows, {"S1": CALIFORNIA})
    assert days(rows.iloc[:0]).empty


@pytest.mark.parametrize("minutes", [10, 15, 30])
def test_readings_within_the_hour_are_put_together(minutes):
    # Two days in steps of some minutes: every step has 0.1 mm, low and high are single readings.
    when = pd.date_range("2026-10-10 07:00", "2026-10-12 06:59", freq=f"{minutes}min")
    temp = np.full(len(when), 12.0)
    temp[1], temp[-1] = 4.0, 21.0  # a single reading within its hour
    rows = pd.DataFrame({"station_id": "S1", "hour_utc": when, "air_temp_c": temp, "rain_mm": 0.1})
    got = days(rows)
    assert got["rain_mm"].tolist() == pytest.approx([0.1 * 24 * 60 / minutes] * 2)
    assert got["temp_min_c"].tolist() == [4.0, 12.0]
    assert got["temp_max_c"].tolist() == [12.0, 21.0]
    assert got["hours_n"].tolist() == [24, 24]


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Australia/Adelaide", "Asia/Kathmandu"])
def test_zones_half_an_hour_off_have_their_own_midnight(zone):
    # Each local day has its own temperature: no reading may slip into the day before.
    local = pd.date_range("2026-06-01", "2026-06-03 23:00", freq="h", tz=zone)
    rows = pd.DataFrame(
        {
            "station_id": "S1",
            "hour_utc": local.tz_convert("UTC").tz_localize(None),
            "air_temp_c": local.day.astype(float),
            "rain_mm": 0.0,
        }
    )
    got = days(rows, zone)
    assert got["temp_min_c"].tolist() == got["temp_max_c"].tolist() == [1.0, 2.0, 3.0]


def test_steps_of_three_hours_keep_their_rain():
    rows = hours("2026-10-10 07:00", 12 + np.arange(48.0) % 24, rain=2.0).iloc[::3]
    got = days(rows)
    assert got["rain_mm"].tolist() == [16.0, 16.0]
    assert got["hours_filled"].tolist() == [16, 14]  # behind the last reading there is nothing to bridge to
    six = days(hours("2026-10-10 07:00", np.arange(48.0), rain=2.0).iloc[::6])
    assert six["temp_min_c"].isna().all()


def test_an_hour_that_stands_out_alone_is_not_believed():
    # 24 C above both hours beside it, as one hour of the three New York airports in 2013; a fall of 12 C stays.
    temps = np.full(48, 15.0)
    temps[5], temps[30:] = 39.0, 3.0
    got = days(hours("2026-10-10 07:00", temps))
    assert got["temp_max_c"].tolist() == [15.0, 15.0]
    assert got["temp_min_c"].tolist() == [15.0, 3.0]
    assert got["spikes_n"].tolist() == [1, 0]


def test_wall_clock_with_hour_24_and_a_doubled_hour():
    texts = ["2026-10-31 24:00", "2026-11-01 01:00", "2026-11-01 01:00", "2026-11-01 02:00", "2026-12-31 24:00"]
    got = utc_from_local(texts, CALIFORNIA)
    # Summer time is 7 h behind UTC, winter time 8 h.
    assert got.dt.strftime("%m-%d %H").tolist() == ["11-01 07", "11-01 08", "11-01 09", "11-01 10", "01-01 08"]
    skipped = utc_from_local(["2026-03-08 01:00", "2026-03-08 02:30", "2026-03-08 03:00"], CALIFORNIA)
    assert skipped.isna().tolist() == [False, True, False]
    assert (skipped.iloc[2] - skipped.iloc[0]).total_seconds() == 3600
    with pytest.raises(ValueError, match="'25:00' is not a time, expected the form 2026-11-01 01:00"):
        utc_from_local(["2026-11-01 01:00", "25:00"], CALIFORNIA)
