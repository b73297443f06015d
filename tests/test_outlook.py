"""The outlook's checks, and which recorded days stand for days ahead."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from weather_seasons import outlook_rows, season, stations, weather_rows

from olivetime.weather.outlook import PIECE_SHIFT_DAYS, outlook, past_days
from olivetime.weather.stations import station_days

TWO_STATIONS = stations(("S1", 38.5, -121.9), ("S2", 38.6, -121.9))
AS_OF = date(2026, 10, 12)


def days_of(first, last, shift=0.0, station="S1"):
    n = (pd.Timestamp(last) - pd.Timestamp(first)).days + 1
    ripple = 0.3 * np.arange(n) % 1.0
    return weather_rows(station, first, [(10 + r + shift, 20 + r + shift, 0.0) for r in ripple])


def members(count, days=10, first="2026-10-12", issued="2026-10-12", station="S1"):
    values = [[(5.0 + m, 15.0 + m, float(m))] * days for m in range(count)]
    return outlook_rows(station, issued, first, values)


def looked(rows, **changes):
    parts = {"as_of": AS_OF, "outlook": rows} | changes
    now = season(
        changes.pop("weather", days_of("2026-08-01", "2026-10-11")),
        **{k: v for k, v in parts.items() if k != "weather"},
    )
    return outlook(now, station_days(now))


def test_members_days_and_leads():
    got = looked(members(11))
    assert got.members == tuple(range(11))
    assert got.temp_min_c.shape == (11, 1, 10)
    assert got.lead_days.tolist() == list(range(10))
    assert got.rain_mm[4, 0, 9] == 4.0
    assert got.issued_on == AS_OF
    assert got.says == "11 members issued on 2026-10-12, used from 2026-10-12 to 2026-10-21"
    assert got.findings.empty


def test_measured_days_are_not_taken_from_the_outlook():
    got = looked(members(3, first="2026-10-11", issued="2026-10-11"), weather=days_of("2026-08-01", "2026-10-12"))
    assert got.days[0] == pd.Timestamp("2026-10-13")
    assert got.lead_days[0] == 2


@pytest.mark.parametrize(
    ("rows", "code", "says"),
    [
        (members(3, issued="2026-10-09"), "outlook-too-old", "3 days old, more than 2, and not used"),
        (members(3, first="2026-10-01", days=5, issued="2026-10-11"), "outlook-over", "covers no day ahead"),
        (members(3).assign(temp_max_c=70.0), "fahrenheit", "looks like Fahrenheit"),
        (members(3).assign(rain_mm=np.nan), "outlook-with-holes", "no member of the outlook is complete"),
        (members(3).assign(temp_min_c=30.0), "outlook-with-holes", "no member of the outlook is complete"),
    ],
)
def test_an_unusable_outlook_is_left_out_and_named(rows, code, says):
    got = looked(rows)
    assert got.members == ()
    assert says in got.says
    assert got.findings["code"].tolist() == [code]
    assert got.findings["says"].item().startswith("outlook issued on 2026-10-")


def test_no_outlook_is_no_fault():
    got = looked(None)
    assert got.says == "no outlook is on file"
    assert got.findings.empty


def test_only_the_newest_issue_not_after_as_of_counts():
    rows = pd.concat([members(2, issued="2026-10-11"), members(5), members(9, issued="2026-10-13")])
    assert looked(rows).members == (0, 1, 2, 3, 4)


def test_a_member_with_a_hole_is_dropped_and_a_short_one_too():
    rows = members(6)
    hole = (rows["member"] == 2) & (rows["day"] == "2026-10-15")
    short = (rows["member"] == 5) & (rows["day"] > "2026-10-18")
    got = looked(rows[~hole & ~short])
    assert got.members == (0, 1, 3, 4)
    assert len(got.days) == 10
    assert "2 of 6 members have holes and are not used (2, 5)" in got.findings["says"].item()


def test_one_member_only_is_noted():
    assert looked(members(1)).findings["code"].tolist() == ["one-member"]


def test_a_station_without_outlook_takes_its_neighbours_with_the_measured_difference():
    weather = pd.concat(
        [days_of("2026-08-01", "2026-10-11"), days_of("2026-08-01", "2026-10-11", shift=-2.5, station="S2")]
    )
    got = looked(members(3), weather=weather, stations=TWO_STATIONS)
    np.testing.assert_allclose(got.temp_min_c[:, 1], got.temp_min_c[:, 0] - 2.5)
    np.testing.assert_allclose(got.rain_mm[:, 1], got.rain_mm[:, 0])
    assert got.findings["code"].tolist() == ["outlook-of-a-neighbour"]


def past_seasons(years, first="08-01", last="01-15"):
    """One season a year, New Year crossed when the last day comes before the first in the calendar."""
    frames = []
    for year in years:
        end = f"{year + (last < first)}-{last}"
        frames.append(days_of(f"{year}-{first}", end))
    return frames


def chosen(now, n=40, days=None, **options):
    measured = station_days(now)
    days = pd.date_range(now.as_of, now.end) if days is None else days
    got = past_days(now, measured, days, n=n, rng=np.random.default_rng(1), **options)
    return got, measured.calendar.to_numpy()[got.rows]


def test_whole_seasons_keep_day_of_season_and_year_and_are_used_equally():
    weather = pd.concat([*past_seasons(range(2006, 2026)), days_of("2026-08-01", "2026-10-11")])
    got, when = chosen(season(weather, as_of=AS_OF), n=40)
    assert got.method == "whole seasons"
    assert got.seasons == tuple(range(2006, 2026))
    assert pd.Series(got.words).value_counts().tolist() == [2] * 20
    first, last = pd.DatetimeIndex(when[:, 0]), pd.DatetimeIndex(when[:, -1])
    assert set(first.strftime("%m-%d")) == {"10-12"}
    assert set(last.strftime("%m-%d")) == {"01-15"}
    assert np.all(last.year == first.year + 1)
    assert [f"as in {y}" for y in first.year] == list(got.words)


def test_whole_scenarios_get_the_warmth_that_few_seasons_do_not_show():
    # Seasons 0, 1 and 2 C above each other: s = 1 C and n = 3, so the scatter is sqrt(2 / 3) C (derived).
    weather = pd.concat(
        [
            *(days_of(f"{y}-08-01", f"{y + 1}-01-15", y - 2023.0) for y in (2023, 2024, 2025)),
            days_of("2026-08-01", "2026-10-11"),
        ]
    )
    for pieces in (False, True):
        got, _ = chosen(season(weather, as_of=AS_OF), n=3000, pieces=pieces)
        assert np.ptp(got.shift_c, axis=1).max() == 0.0
        assert got.shift_c[:, 0].mean() == pytest.approx(0.0, abs=1e-9)
        assert got.shift_c[:, 0].std() == pytest.approx(np.sqrt(2 / 3), rel=0.01)
    two, _ = chosen(season(weather[weather["day"] >= "2024-08-01"], as_of=AS_OF), n=40)
    assert not two.shift_c.any()


def test_few_seasons_are_pieced_within_seven_days_of_the_date():
    weather = pd.concat([*past_seasons((2024, 2025)), days_of("2026-08-01", "2026-10-11")])
    got, when = chosen(season(weather, as_of=AS_OF), n=60)
    assert got.method == "pieces"
    assert got.says == "pieces of 15 days of 2 past seasons, up to 7 days off"
    ahead = pd.date_range(AS_OF, "2027-01-15")
    offset = (when - ahead.to_numpy()).astype("timedelta64[D]").astype(int)
    # The same season one or two years back (both of 365 days), and up to a week off.
    off = np.minimum(np.abs(offset + 365), np.abs(offset + 730))
    assert off.max() <= PIECE_SHIFT_DAYS
    assert np.all(np.diff(when[:, :15], axis=1) == np.timedelta64(1, "D"))
    share = np.mean(offset[:, 20] > -500)
    assert share == 0.5  # both seasons equally often in every piece


def test_the_last_piece_stays_on_the_record():
    weather = pd.concat([*past_seasons((2025,)), days_of("2026-08-01", "2026-10-11")])
    got, when = chosen(season(weather, as_of=date(2027, 1, 10)), days=pd.date_range("2027-01-10", "2027-01-15"))
    assert when.max() <= np.datetime64("2026-01-15")
    assert len(np.unique(got.rows[:, 0])) > 3


def test_southern_season_and_leap_day_match_by_place_in_the_season():
    start, end = date(2028, 2, 1), date(2028, 6, 30)
    weather = pd.concat([*past_seasons((2026, 2027), first="02-01", last="06-30"), days_of("2028-02-01", "2028-02-25")])
    # The present season has a 29 February, the earlier ones do not: one day is missing at their end.
    got, when = chosen(season(weather, as_of=date(2028, 2, 26), start=start, end=end), n=6, pieces=False)
    assert got.seasons == (2026, 2027)
    place = (
        pd.DatetimeIndex(when[:, 3]) - pd.to_datetime(pd.DatetimeIndex(when[:, 3]).year.astype(str) + "-02-01")
    ).days
    assert set(place) == {28}  # 29 February 2028 is matched by 1 March of other years


def test_without_past_seasons_this_seasons_days_move_along_the_year():
    now = season(days_of("2026-08-01", "2026-10-11"), as_of=AS_OF)
    got, _ = chosen(now)
    assert got.seasons == ()
    assert got.method == "this season's days"
    assert got.shift_c[:, -1].max() < -5.0  # January is colder than any autumn day on record
    south = season(
        days_of("2026-02-01", "2026-04-10"),
        as_of=date(2026, 4, 11),
        start=date(2026, 2, 1),
        end=date(2026, 7, 10),
        stations=stations(("S1", -33.4, -70.6)),
    )
    assert chosen(south)[0].shift_c[:, -1].max() < -5.0  # and so is July in the south


def test_a_record_of_a_few_days_still_gives_a_future():
    now = season(days_of("2026-08-01", "2026-08-04"), as_of=date(2026, 8, 5), end=date(2026, 8, 30))
    got, when = chosen(now, n=5)
    assert when.min() >= np.datetime64("2026-08-01")
    assert got.rows.shape == (5, 26)


def test_same_seed_same_days():
    weather = pd.concat([*past_seasons((2024, 2025)), days_of("2026-08-01", "2026-10-11")])
    now = season(weather, as_of=AS_OF)
    np.testing.assert_array_equal(chosen(now)[0].rows, chosen(now)[0].rows)


def test_days_that_an_outlook_leaves_out_are_named():
    # Ten days of three members; the third day is in none of them.
    rows = members(3)
    days = sorted(rows["day"].unique())
    got = looked(rows[rows["day"] != days[2]])
    assert list(got.days) == days[:2]
    says = got.findings.set_index("code").loc["outlook-days-missing", "says"]
    assert f"to {days[-1]:%Y-%m-%d}: fewer than half of its members cover the days after" in says
    got = looked(rows[rows["day"] >= days[3]])
    assert list(got.days) == days[3:]
    says = got.findings.set_index("code").loc["outlook-days-missing", "says"]
    assert f"not from {days[0]:%Y-%m-%d} on" in says
    assert looked(rows).findings.empty


def test_an_outlook_without_rain_says_what_it_lacks():
    got = looked(members(3).assign(rain_mm=np.nan))
    assert got.members == ()
    assert "so it is not used: it has no rain_mm" in got.findings["says"].item()


def test_past_seasons_whose_days_were_not_measured_are_no_trace():
    # Three seasons were measured to the plan's end, three only to 30 November: their January would be a mean.
    whole, short = past_seasons(range(2020, 2023)), past_seasons(range(2023, 2026))
    short = [rows[rows["day"] <= f"{rows['day'].min().year}-11-30"] for rows in short]
    now = days_of("2026-08-01", "2026-10-11")
    got, _ = chosen(season(pd.concat([*whole, *short, now]), as_of=AS_OF))
    assert got.seasons == (2020, 2021, 2022)
    assert "3 of 6 hold too few measured days from 12 October to 15 January" in got.findings["says"].item()
    # With none better they are used, and it is an error that frost is understated.
    got, _ = chosen(season(pd.concat([*short, now]), as_of=AS_OF))
    assert got.seasons == (2023, 2024, 2025)
    row = got.findings.iloc[0]
    assert (row["code"], row["level"]) == ("past-season-weak", "error")
    assert "between 01 December and 15 January days are means of the time of year" in row["says"]
