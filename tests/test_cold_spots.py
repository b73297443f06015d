"""How much colder a block's nights are, by its own logger, and which offset the scenarios use."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from small_season import SETTINGS, TABLES, write

from olivetime.records.season import read_season
from olivetime.weather.cold_spots import cold_spot_findings, cold_spots, with_cold_spots
from olivetime.weather.scenarios import scenarios
from olivetime.weather.stations import station_days


def test_cold_spot_from_a_blocks_own_logger():
    rng = np.random.default_rng(1)
    n = 60
    low = 6 + rng.normal(0, 3, n)
    own = low - np.where(low < np.quantile(low, 1 / 3), 3.0, 1.0)
    day = pd.date_range("2026-09-01", periods=n)
    rows = pd.concat(
        [
            pd.DataFrame({"station_id": "S1", "day": day, "temp_min_c": low}),
            pd.DataFrame({"station_id": "L1", "day": day, "temp_min_c": own}),
            pd.DataFrame({"station_id": "L2", "day": day[:10], "temp_min_c": own[:10]}),
        ]
    )
    loggers = {"N1": "L1", "N2": "L2", "N3": "none"}
    got = cold_spots(rows, logger_of_block=loggers, station_of_block=dict.fromkeys(loggers, "S1")).set_index("block_id")
    assert got["nights_n"].tolist() == [60, 10, 0]
    # 20 nights 3 C and 40 nights 1 C colder.
    assert got.loc["N1", "colder_c"] == pytest.approx((20 * 3 + 40 * 1) / 60)
    assert got.loc["N1", "colder_on_cold_nights_c"] == pytest.approx(3.0)
    assert 0.05 < got.loc["N1", "error_c"] < 0.3
    assert np.isnan(got.loc["N2", "colder_c"])
    assert got.loc["N2", "says"] == "10 common nights, 20 are needed: colder_c stays as entered"
    assert np.isnan(got.loc["N2", "error_on_cold_nights_c"])


def test_the_error_covers_the_true_offset():
    # 400 invented loggers of 80 nights, 2 C colder, whose errors hang together from night to night (0.6 a day).
    rng = np.random.default_rng(3)
    day = pd.date_range("2026-08-10", periods=80)
    off = np.empty((80, 400))
    off[0] = rng.normal(0, 1, 400)
    for t in range(1, 80):
        off[t] = 0.6 * off[t - 1] + 0.8 * rng.normal(0, 1, 400)
    low = 8 + rng.normal(0, 3, 80)
    names = [f"L{i}" for i in range(400)]
    own = pd.DataFrame(low[:, None] - 2 - off, day, names).rename_axis("day").reset_index()
    own = own.melt(id_vars="day", var_name="station_id", value_name="temp_min_c")
    rows = pd.concat([own, pd.DataFrame({"station_id": "S1", "day": day, "temp_min_c": low})])
    got = cold_spots(rows, logger_of_block={n: n for n in names}, station_of_block=dict.fromkeys(names, "S1"))
    within = (np.abs(got["colder_c"] - 2) < 2 * got["error_c"]).mean()
    # 95 % for normal errors; few weeks, and weeks that still hang together, take some of it. A plain standard error
    # of single nights would hold 68 %.
    assert 0.85 < within < 0.98
    plain = (np.abs(got["colder_c"] - 2) < 2 * off.std(axis=0) / np.sqrt(80)).mean()
    assert plain < 0.75


STATIONS = "station_id,lat_deg,lon_deg,elevation_m,block_id\nS1,37.5,-5.1,220,\nL1,37.51,-5.1,180,South 1\n"


def logged(folder, nights, *, rules=""):
    """A season whose logger L1 in South 1 is 3 C colder on cold nights and 1 C on others; 0.5 C is entered."""
    rng = np.random.default_rng(2)
    day = pd.date_range("2026-08-01", "2026-10-05")
    low = np.round(11 + rng.normal(0, 3, len(day)), 2)
    own = np.round(low - np.where(low <= np.quantile(low[-nights:], 1 / 3), 3.0, 1.0), 2)
    text = "station_id,day,temp_min_c,temp_max_c,rain_mm\n"
    text += "".join(f"S1,{d:%Y-%m-%d},{x},{x + 12:.2f},0\n" for d, x in zip(day, low, strict=True))
    text += "".join(f"L1,{d:%Y-%m-%d},{x},{x + 12:.2f},\n" for d, x in list(zip(day, own, strict=True))[-nights:])
    blocks = TABLES["blocks"].replace(",station_id\n", ",station_id,colder_c\n").replace(",S1\n", ",S1,0.5\n")
    settings = SETTINGS + (f"[rules]\n{rules}\n" if rules else "")
    return read_season(write(folder, settings=settings, stations=STATIONS, weather_days=text, blocks=blocks))


def test_a_logger_speaks_for_its_block_and_is_named(tmp_path):
    season = logged(tmp_path, 60)
    measured = station_days(season)
    spoken, _ = with_cold_spots(season, measured)
    assert spoken.blocks.set_index("block_id")["colder_c"].to_dict() == pytest.approx(
        {"North 2": 0.5, "North 3": 0.5, "South 1": 3.0}
    )
    assert with_cold_spots(spoken, measured)[0].blocks.equals(spoken.blocks)
    # The whole chain gives blocks their offset before the weather is drawn; what was entered is not forgotten.
    drawn = scenarios(spoken, measured, n=4, seed=0)
    np.testing.assert_allclose(drawn.temp_min_c[:, 0] - drawn.temp_min_c[:, 2], 2.5, atol=1e-4)
    named = drawn.assumptions.set_index("name")
    assert float(named.loc["cold spot South 1", "value"]) == pytest.approx(3.0)
    assert named.loc["cold spot South 1", "source"] == "its logger L1"
    says = drawn.findings.set_index("code").loc["cold-spot", "says"]
    assert "block South 1: of 60 nights its logger L1 shows the coldest third 3.0 °C colder than the station" in says
    assert "all of them 1.7 °C" in says
    assert "3.0 °C is used, not the 0.5 °C entered" in says
    # In a US season differences are in degrees F: 3.0 C are 5.4 F, 0.5 C are 0.9 F.
    us = scenarios(replace(spoken, units="us"), measured, n=4, seed=0).findings
    assert "5.4 °F is used, not the 0.9 °F entered" in us.set_index("code").loc["cold-spot", "says"]
    # A logger without a rain gauge, there only since August, is no faulty station.
    assert not measured.findings["says"].str.contains("L1").any()


@pytest.mark.parametrize(
    ("nights", "rules", "says"),
    [
        (12, "", "12 common nights, 20 are needed: colder_c stays as entered"),
        (60, 'cold_spot_from = "entered"', "the 0.5 °C entered is used, as the rule cold_spot_from says"),
    ],
)
def test_few_nights_or_the_rule_keep_what_was_entered(tmp_path, nights, rules, says):
    spoken, table = with_cold_spots(season := logged(tmp_path, nights, rules=rules), station_days(season))
    assert spoken.blocks["colder_c"].tolist() == [0.5] * 3
    assert says in cold_spot_findings(table)["says"].item()


def test_a_logger_of_lows_alone_counts_and_a_faulty_one_does_not(tmp_path):
    season = logged(tmp_path, 60)
    days = season.weather_days
    logger = days["station_id"] == "L1"
    lows_only = replace(season, weather_days=days.assign(temp_max_c=days["temp_max_c"].where(~logger)))
    _, table = with_cold_spots(lows_only, station_days(lows_only))
    assert table["nights_n"].tolist() == [60]
    assert table["used_c"].item() == pytest.approx(3.0)
    # 20 C colder than the station is no frost pocket.
    faulty = replace(season, weather_days=days.assign(temp_min_c=days["temp_min_c"] - 20 * logger))
    spoken, table = with_cold_spots(faulty, station_days(faulty))
    assert spoken.blocks["colder_c"].tolist() == [0.5] * 3
    row = cold_spot_findings(table).iloc[0]
    assert row["level"] == "warning"
    assert "more than 5.0 °C is not believed, and the 0.5 °C entered is used" in row["says"]


def test_a_logger_fills_no_stations_gaps_while_another_station_stands(tmp_path):
    # Two stations and a logger between them: the gap at S1 is filled from S2, however near the logger is.
    season = logged(tmp_path, 60)
    days, places = season.weather_days, season.stations
    far = places[places["station_id"] == "S1"].assign(station_id="S2", lat_deg=38.5)
    own = days[days["station_id"] == "S1"]
    gap = (days["station_id"] == "S1") & (days["day"] == "2026-09-20")
    season = replace(
        season,
        stations=pd.concat([places, far], ignore_index=True),
        weather_days=pd.concat([days[~gap], own.assign(station_id="S2")], ignore_index=True),
    )
    measured = station_days(season)
    filled = measured.days[(measured.days["station_id"] == "S1") & (measured.days["day"] == "2026-09-20")]
    assert filled["fill"].item() == "neighbour"
    assert filled["temp_min_c"].item() == pytest.approx(days.loc[gap, "temp_min_c"].item())
    # What a logger did not measure is of no use to anyone.
    assert set(measured.days["station_id"]) == set(measured.seasons["station_id"]) == {"S1", "S2"}
    assert set(measured.heat["station_id"]) == {"S1", "S2"}
