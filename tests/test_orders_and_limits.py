"""Oil that was ordered, results below a laboratory's limit, and loggers that stand in a block."""

import numpy as np
import pandas as pd
import pytest
from small_season import TABLES, spoil, write

from olivetime.records.season import check, read_season

ORDERS = "order_id,ordered_on,style,cultivar,organic,oil_l,due_on,shortfall_cost_l\n"
LITRES_PER_US_GALLON = 3.785411784  # 231 cubic inches of 16.387064 ml; from memory


def says(findings, code):
    found = findings[findings["code"] == code]
    return [f"{a} {b}" for a, b in zip(found["says"], found["do"], strict=True)]


def test_oil_orders_of_this_season_are_read(tmp_path):
    text = ORDERS + "O2,,,Arbequina,no,4000,2026-11-20,2.5\nO1,2026-09-01,Early,,yes,1500,2026-11-05,\n"
    orders = read_season(write(tmp_path, oil_orders=text)).oil_orders
    assert orders["order_id"].tolist() == ["O1", "O2"]
    assert orders["style"].tolist() == ["early", ""]
    assert orders["organic"].tolist() == [True, False]
    assert orders["oil_l"].tolist() == [1500, 4000]
    assert np.isnan(orders["shortfall_cost_l"][0])
    assert orders["due_on"].tolist() == [pd.Timestamp(2026, 11, 5), pd.Timestamp(2026, 11, 20)]


def test_oil_orders_in_gallons_are_the_same_order(tmp_path):
    metric = ORDERS + "O1,,,,no,3785.411784,2026-11-20,2\n"
    gallons = ORDERS.replace("oil_l", "oil_gal").replace("cost_l", "cost_gal")
    gallons += f"O1,,,,no,1000,2026-11-20,{2 * LITRES_PER_US_GALLON}\n"
    one = read_season(write(tmp_path / "m", oil_orders=metric)).oil_orders
    two = read_season(write(tmp_path / "us", oil_orders=gallons)).oil_orders
    pd.testing.assert_frame_equal(one, two)


def test_an_order_counts_from_the_day_it_was_taken_and_only_in_its_season(tmp_path):
    text = ORDERS + "O1,2026-09-20,,,no,900,2026-11-20,\nO2,2026-10-04,,,no,900,2026-11-20,\nO3,,,,no,900,2025-11-20,\n"
    folder = write(tmp_path, oil_orders=text)
    assert read_season(folder).oil_orders["order_id"].tolist() == ["O1", "O2"]
    assert read_season(folder, as_of="2026-10-03").oil_orders["order_id"].tolist() == ["O1"]


def test_an_order_that_nothing_can_fill_is_named(tmp_path):
    text = ORDERS + "O1,,,Arbequina,yes,900,2026-11-20,\nO2,,,,no,900,2027-02-01,\nO3,,,Arbekina,no,900,2026-11-20,\n"
    season = read_season(write(tmp_path, oil_orders=text))
    assert says(season.findings, "no-block-for-oil") == [
        "oil_orders.csv, row 2: no block of organic Arbequina can fill this order for oil. "
        "Correct the order, or the blocks."
    ]
    assert says(season.findings, "due-late") == [
        "oil_orders.csv, row 3: due_on is 2027-02-01, expected a day up to the season's last, 2027-01-15. "
        "Only fruit milled by the season's end can count."
    ]
    assert says(season.findings, "unknown-name") == [
        "oil_orders.csv, row 4: no such cultivar as `Arbekina`. Did you mean Arbequina?"
    ]
    assert season.oil_orders["order_id"].tolist() == ["O1", "O2"]
    assert not season.blocked


def test_orders_without_a_needed_column_are_an_error_that_stops_no_block(tmp_path):
    season = read_season(write(tmp_path, oil_orders="order_id,due_on\nO1,2026-11-20\n"))
    assert "oil_orders.csv: no column oil_l. Add it" in says(season.findings, "no-column")[0]
    assert season.oil_orders.empty
    assert not season.blocked


# Fresh 5 % at 60 % water is 5 / 40 = 12.5 % of dry matter; by hand.
@pytest.mark.parametrize(
    ("cells", "limit"),
    [
        ("60.0,<5.0,", 12.5),
        ("60.0,,<5.0", 5.0),
        ("60.0,,< 5 %", 5.0),
        ("60.0,,<=5.0", 5.0),
        ("60.0,,\u2264 5.0", 5.0),
        (",,<5.0", 5.0),
    ],
)
def test_a_result_below_a_limit_is_kept_as_that_limit(tmp_path, cells, limit):
    season = read_season(write(tmp_path, **spoil("samples", "60.0,13.2,33.0", cells)))
    first = season.samples.iloc[0]
    assert first["oil_dry_below_pct"] == pytest.approx(limit)
    assert np.isnan(first["oil_dry_pct"])
    assert np.isnan(first["oil_fresh_pct"])
    assert season.samples["oil_dry_below_pct"].notna().sum() == 1
    assert "below the laboratory's limit, kept as oil_dry_below_pct" in says(season.findings, "below-limit")[0]
    assert not season.blocked


def test_limits_follow_the_files_decimal_mark(tmp_path):
    text = TABLES["samples"].replace("60.0,13.2,33.0", "60.0,,<5.5").replace(",", ";").replace(".", ",")
    season = read_season(write(tmp_path, samples=text))
    assert season.samples["oil_dry_below_pct"][0] == 5.5


def test_a_limit_can_stand_in_its_own_column(tmp_path):
    text = TABLES["samples"].replace("oil_dry_pct", "oil_dry_pct,oil_dry_below_pct").replace("13.2,33.0", ",,6")
    season = read_season(write(tmp_path, samples=text.replace(".6\n", ".6,\n")))
    assert season.samples["oil_dry_below_pct"][0] == 6


def test_limits_that_say_nothing_are_named(tmp_path):
    text = TABLES["samples"].replace("60.0,13.2,33.0", ",<5,").replace("61.0,12.5,32.1", "61.0,<5,32.1")
    found = check(write(tmp_path, samples=text.replace("12.2,32.1", "12.2,<99")))
    lone = "row 2, block North 2: a limit on fresh weight means little without moisture_pct."
    assert lone in says(found, "one-basis")[0]
    assert "oil_dry_below_pct is 12.82, but the oil found is 32.1 % of dry matter" in says(found, "bases-disagree")[0]
    assert "oil_dry_pct is `<99`, expected 2 to 70 % of dry matter" in says(found, "out-of-range")[0]


def test_a_logger_names_the_block_it_stands_in(tmp_path):
    text = (
        "station_id,lat_deg,lon_deg,elevation_m,block_id\nS1,37.5,-5.1,220,\nS2,37.5,-5.1,200,NORTH-02\n"
        "S3,37.5,-5.1,200,Noth 3\nS4,37.5,-5.1,200,the creek\n"
    )
    aliases = "as_written,block_id\nthe creek,South 1\n"
    season = read_season(write(tmp_path, stations=text, aliases=aliases))
    assert season.stations["block_id"].tolist() == ["", "North 2", "", "South 1"]
    assert says(season.findings, "unknown-name") == [
        "stations.csv, row 4: no such block as `Noth 3`. Did you mean North 3? The station was used all the same."
    ]
    assert "stations.csv, row 3: block_id `NORTH-02` was taken for North 2" in says(season.findings, "name-matched")[0]


def test_a_loggers_fault_does_not_stop_the_block_it_stands_in(tmp_path):
    text = "station_id,lat_deg,lon_deg,elevation_m,block_id\nS1,37.5,-5.1,220,\nS2,97.5,-5.1,200,North 2\n"
    season = read_season(write(tmp_path, stations=text))
    assert season.stations["station_id"].tolist() == ["S1"]
    assert not season.blocked


def test_crop_load_is_one_of_three_words_or_not_judged(tmp_path):
    text = TABLES["blocks"].replace("station_id", "station_id,crop_load").replace(",S1\n", ",S1,Heavy\n", 1)
    season = read_season(write(tmp_path, blocks=text.replace(",S1\n", ",S1,\n")))
    assert season.blocks["crop_load"].tolist() == ["heavy", "", ""]
    found = check(write(tmp_path / "bad", blocks=text.replace("Heavy", "hevy").replace(",S1\n", ",S1,\n")))
    assert "crop_load is `hevy`, expected light or normal or heavy. Did you mean heavy?" in says(found, "no-choice")[0]
