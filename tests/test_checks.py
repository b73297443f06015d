import numpy as np
import pandas as pd
import pytest
from small_season import TABLES, spoil, write

from olivetime.records.findings import FINDING_COLUMNS, Finding, findings_table, shown
from olivetime.records.season import check, read_season


def sentences(folder, level=None):
    found = check(folder)
    if level:
        found = found[found["level"] == level]
    return (found["says"] + " " + found["do"]).tolist()


COUNTS = "sample_id,block_id,sampled_on,class0_n,class1_n,class2_n,class3_n,class4_n,maturity_index\n"


def test_the_sound_season_has_nothing_to_mend(tmp_path):
    season = read_season(write(tmp_path))
    assert len(season.findings) == 0
    assert list(season.findings.columns) == list(FINDING_COLUMNS)
    assert season.blocked == {}


@pytest.mark.parametrize(
    ("row", "column", "value"),
    [
        ("60.0,13.9,", "oil_dry_pct", 34.75),  # 100 * 13.9 / 40 by hand
        ("60.0,,34.8", "oil_fresh_pct", 13.92),  # 34.8 * 0.40 by hand
        (",13.92,34.8", "moisture_pct", 60.0),  # 100 * (1 - 13.92 / 34.8) by hand
    ],
)
def test_the_third_percentage_is_worked_out(tmp_path, row, column, value):
    season = read_season(write(tmp_path, **spoil("samples", "60.0,13.9,34.8", row)))
    assert season.samples[column].iloc[4] == pytest.approx(value)
    assert len(season.findings) == 0


def test_one_percentage_alone_is_told(tmp_path):
    season = read_season(write(tmp_path, **spoil("samples", "60.0,13.9,34.8", ",13.9,")))
    assert (
        "samples.csv, row 6, block North 3: only one of oil_fresh_pct, oil_dry_pct and moisture_pct is given in row 6, "
        "expected two of the three. Such a sample doesn't count for the oil curve." in sentences(tmp_path, "warning")
    )
    assert season.blocked == {}


def test_small_disagreement_of_bases_is_a_warning(tmp_path):
    # 100*13.9/40 = 34.75; 35.6 is 0.85 points off: above 0.7, below 1.5.
    season = read_season(write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "60.0,13.9,35.6")))
    assert season.findings["level"].tolist() == ["warning"]
    assert len(season.samples) == 6


def test_swapped_bases_without_moisture(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", ",34.8,13.9"))
    assert (
        "samples.csv, row 6, block North 3: oil_fresh_pct 34.8 is not below oil_dry_pct 13.9. The two may be swapped."
        in sentences(tmp_path, "error")
    )


def test_more_oil_than_dry_matter_can_hold(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "70.0,28.0,"))
    assert (
        "samples.csv, row 6, block North 3: oil on dry matter would be 93.3, expected at most 70 % of dry matter. "
        "Check moisture_pct and oil_fresh_pct." in sentences(tmp_path, "error")
    )


def test_maturity_from_counts(tmp_path):
    text = COUNTS + "1,North 2,2026-10-05,10,40,30,20,,1.60\n2,North 3,2026-10-05,10,40,30,20,0,2.5\n"
    text += "3,South 1,2026-10-05,,,,,,1.2\n4,South 1,2026-10-04,5,5,,,,\n5,South 1,2026-10-03,30,40,,,,\n"
    season = read_season(write(tmp_path, samples=text))
    # By hand: (40 + 60 + 60) / 100, (5) / 10, 40 / 70.
    assert season.samples["maturity_index"].tolist() == pytest.approx([1.6, 1.6, 1.2, 0.5, 40 / 70])
    assert season.samples["class4_n"].iloc[0] == 0
    assert np.isnan(season.samples["class4_n"].iloc[2])
    told = sentences(tmp_path)
    assert (
        "samples.csv, row 3, block North 3: maturity_index is 2.5, but the counts give 1.60. The counts were used."
        in told
    )
    assert (
        "samples.csv, row 5, block South 1: only 10 fruit were sorted by colour, expected 50 or 100. "
        "The index is uncertain." in told
    )
    assert (
        "samples.csv, row 6, block South 1: 70 fruit sorted by colour, expected usually 50 or 100. "
        "Divided by the fruit really counted." in told
    )


def test_sudden_fall_of_dry_oil(tmp_path):
    season = read_season(write(tmp_path, **spoil("samples", "59.0,14.6,35.6", "59.0,10.7,26.1")))
    assert (
        "samples.csv, row 5, block North 2: oil_dry_pct fell by 6.9 points in 7 days, expected at most 6. "
        "Oil is not lost so fast; one of the two samples may be of other fruit." in sentences(tmp_path, "warning")
    )
    assert season.blocked == {}


def test_received_before_sampled(tmp_path):
    text = TABLES["samples"].replace("sampled_on,", "sampled_on,received_on,").replace("28,6", "28,2026-09-30,6")
    text = text.replace("05,6", "05,2026-10-01,6").replace("05,5", "05,2026-10-05,5")
    write(tmp_path, samples=text)
    assert (
        "samples.csv, row 6, block North 3: received_on is 2026-10-01, expected a day from sampled_on (2026-10-05) on. "
        "Correct one of the dates." in sentences(tmp_path, "error")
    )


def test_crossed_dates_of_a_block(tmp_path):
    lines = TABLES["blocks"].splitlines()
    text = "\n".join(
        [lines[0] + ",closed_from,closed_to", lines[1] + ",2026-10-09,2026-10-02", lines[2] + ",,", lines[3] + ",,"]
    )
    season = read_season(write(tmp_path, blocks=text))
    assert list(season.blocked) == ["North 2"]
    assert "closed_from is 2026-10-09, after closed_to 2026-10-02" in season.blocked["North 2"]
    assert season.unsound_blocks["block_id"].tolist() == ["North 2"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("C1,oil_kg,5.2,", "C1,oil_kg,,", "contract C1 of kind oil_kg has no price_oil_kg. Fill it in."),
        ("600,18,0.05", "600,18,", "contract C2 of kind fruit_oil_scale has no step_per_point. Fill it in."),
        (
            "C2,fruit_oil_scale",
            "C2,fruit_scale",
            "expected oil_kg or fruit_oil_scale or fruit_flat or own. Did you mean",
        ),
    ],
)
def test_contracts_without_what_they_need(tmp_path, old, new, says):
    season = read_season(write(tmp_path, **spoil("contracts", old, new)))
    assert any(says in s for s in sentences(tmp_path, "error"))
    blocks = ["North 2", "North 3"] if "C1" in old else ["South 1"]
    assert list(season.blocked) == blocks
    assert all("which has an error of its own (contracts.csv, row" in why for why in season.blocked.values())


def test_prices_in_another_currency(tmp_path):
    text = TABLES["contracts"].replace("virgin_factor", "virgin_factor,currency").replace("0.7\n", "0.7,USD\n")
    season = read_season(write(tmp_path, contracts=text.replace("0.8\n", "0.8,\n")))
    assert (
        "contracts.csv, row 2: currency is USD, expected EUR. Enter the prices in the season's currency."
        in sentences(tmp_path, "error")
    )
    assert list(season.blocked) == ["North 2", "North 3"]
    assert season.contracts["currency"].tolist() == ["EUR"]


def test_unknown_station_stops_all_its_blocks_in_one_line(tmp_path):
    text = TABLES["blocks"].replace(",S1", ",S9")
    write(tmp_path, blocks=text)
    assert [s for s in sentences(tmp_path, "error") if "station" in s] == [
        "blocks.csv, row 2: no such station as `S9` in 3 rows. Did you mean S1?"
    ]


def test_spray_that_is_not_for_organic_fruit(tmp_path):
    text = "treatment_id,block_id,applied_on,product,wait_days\n1,South 1,2026-09-01,Bait,7\n"
    write(tmp_path, treatments=text)
    assert sentences(tmp_path) == [
        "treatments.csv, row 2, block South 1: Bait is not marked organic_ok but the block is organic. "
        "Check the product, or the block's certificate."
    ]


def test_more_picked_than_there_is(tmp_path):
    text = "ticket_id,block_id,picked_on,area_ha,net_t\n1,North 3,2026-10-04,2.5,14\n2,North 3,2026-10-05,2.5,15\n"
    write(tmp_path, picks=text)
    assert sentences(tmp_path) == [
        "picks.csv, row 3, block North 3: 5.00 ha were picked in all, expected at most the block's 4.00 ha. "
        "Check the tickets' area."
    ]


def test_faults_of_past_seasons_do_not_stop_a_block(tmp_path):
    text = TABLES["samples"] + "p1,North 2,2025-09-28,60.0,88,33.0\n"
    season = read_season(write(tmp_path, samples=text))
    assert season.blocked == {}
    assert sentences(tmp_path, "warning") == [
        "samples.csv, row 8, block North 2: oil_fresh_pct is 88, expected 1 to 35 % of fresh weight. "
        "If the lab reports dry basis, put it in oil_dry_pct. The row was left out."
    ]


def test_rows_with_too_few_cells(tmp_path):
    write(tmp_path, **spoil("samples", "5,North 3,2026-10-05,60.0,13.9,34.8", "5,North 3,2026-10-05"))
    assert (
        "samples.csv, row 6: the row has 3 cells, expected 6, as in the heading. "
        "Look for a missing or extra delimiter." in sentences(tmp_path, "error")
    )


def test_unusual_values_are_warnings_and_used(tmp_path):
    season = read_season(write(tmp_path, **spoil("blocks", "C1,6.5,8,", "C1,120,8,")))
    assert sentences(tmp_path) == [
        "blocks.csv, row 2, block North 2: area_ha is 120, expected usually 0.5 to 80 ha. Check it; it was used."
    ]
    assert season.blocks["area_ha"].iloc[0] == 120


def test_ranges_are_said_in_the_unit_of_the_heading(tmp_path):
    text = TABLES["blocks"].replace("area_ha", "Area (acres)").replace("C1,6.5,", "C1,9000,")
    write(tmp_path, blocks=text)
    assert (
        "blocks.csv, row 2, block North 2: Area (acres) is 9000, expected 0.1236 to 4942 acre. Correct the number."
        in sentences(tmp_path, "error")
    )


def finding(**changes):
    parts = {
        "code": "out-of-range", "level": "error", "table": "samples", "file": "samples.csv", "sheet": "", "row": 4,
        "column": "moisture_pct", "value": "157", "found": "moisture_pct is 157", "expected": "20 to 85 %",
        "do": "Correct the number.", "blocks": ("N3",),
    }  # fmt: skip
    return Finding(**(parts | changes))


def test_findings_are_sorted_and_told_once():
    table = findings_table(
        [finding(level="note"), finding(row=9), finding(), finding(), finding(table="blocks", file="blocks.csv")]
    )
    assert table["level"].tolist() == ["error", "error", "error", "note"]
    assert table["table"].tolist() == ["blocks", "samples", "samples", "samples"]
    assert table["row"].tolist() == [4, 4, 9, 4]
    assert table["says"].iloc[1] == "samples.csv, row 4, block N3: moisture_pct is 157, expected 20 to 85 %."
    assert findings_table([finding(row=None)])["row"].isna().all()
    assert isinstance(table["row"].dtype, pd.Int64Dtype)


def test_long_and_hidden_text_is_shortened():
    assert shown("x" * 100) == "x" * 57 + "..."
    assert shown("a\tb\x00c") == "a b c"
