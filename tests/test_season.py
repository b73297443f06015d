import csv
import io
import os
import pickle
import random
from datetime import date, datetime

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from small_season import SETTINGS, TABLES, spoil, write
from test_bad_input import workbook

from olivetime.records.columns import DERIVED, SeasonError, dtype_of
from olivetime.records.columns import TABLES as COLUMNS
from olivetime.records.export import mark_workbook, write_problems, write_template
from olivetime.records.files import safe_cell, safe_name, sweep_parts, write_atomic
from olivetime.records.headings import match_heading
from olivetime.records.season import check, read_season, season_label, season_labels, season_start

PICKS = "ticket_id,block_id,picked_on,area_ha,net_t\nT1,North 3,2026-10-03,1.5,10\nT0,North 3,2025-11-03,4,25\n"


def frames(season):
    return {name: getattr(season, name) for name in [*COLUMNS, "past_samples", "past_picks"]}


def assert_same(one, other, tolerance=1e-9):
    for name, frame in frames(one).items():
        assert_frame_equal(frame, frames(other)[name], check_exact=False, rtol=tolerance, atol=tolerance, obj=name)


# Seasons ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "start", "label"),
    [
        (date(2026, 10, 5), date(2026, 8, 1), 2026),
        (date(2027, 1, 10), date(2026, 8, 1), 2026),  # past New Year
        (date(2026, 7, 31), date(2026, 8, 1), 2025),
        (date(2026, 3, 20), date(2026, 2, 1), 2026),  # southern
        (date(2026, 1, 31), date(2026, 2, 1), 2025),
        (date(2025, 2, 28), date(2024, 2, 29), 2024),
        (date(2025, 3, 1), date(2024, 2, 29), 2025),
    ],
)
def test_season_label(day, start, label):
    assert season_label(day, start) == label
    assert season_labels(pd.Series([pd.Timestamp(day), pd.NaT]), start).tolist() == [label, -1]
    assert season_start(label, start) <= day < season_start(label + 1, start)


def test_all_tables_are_there_with_their_types(tmp_path):
    season = read_season(write(tmp_path, picks=PICKS))
    for name, columns in COLUMNS.items():
        frame = getattr(season, name)
        assert list(frame.columns) == [*(c.name for c in columns), *DERIVED.get(name, ())]
        assert isinstance(frame.index, pd.RangeIndex)
        for column in columns:
            assert frame[column.name].dtype == pd.Series([], dtype=dtype_of(column)).dtype, (name, column.name)
    assert (season.name, season.units, season.currency, season.label) == ("Invented season", "metric", "EUR", 2026)
    assert (season.target.kind, season.target.value) == ("plateau_fraction", 0.9)
    assert season.rules["rain_stop_mm"] == 2.0
    with pytest.raises(TypeError, match="does not support item assignment"):
        season.rules["rain_stop_mm"] = 3.0
    assert season.sources["file"].tolist()[0] == "season.toml"
    assert season.sources["sha256"].str.len().eq(64).all()
    assert season.blocks["block_name"].tolist() == ["North 2", "North 3", "South 1"]
    assert season.blocks["soil"].tolist() == ["medium"] * 3
    assert season.mill["corrector_fraction"].tolist() == [0.10]


def test_past_seasons_are_told_apart(tmp_path):
    text = TABLES["samples"] + "old,North 2,2025-10-05,60.0,13.2,33.0\n"
    season = read_season(write(tmp_path, samples=text, picks=PICKS))
    assert season.past_samples[["sample_id", "season"]].values.tolist() == [["old", 2025]]
    assert season.past_picks["ticket_id"].tolist() == ["T0"]
    assert season.picks["ticket_id"].tolist() == ["T1"]
    assert set(season.samples["season"]) == {2026}


def test_southern_season_and_a_season_past_new_year(tmp_path):
    southern = SETTINGS.replace("2026-08-01", "2026-02-01").replace("2027-01-15", "2026-07-31")
    moved = {t: TABLES[t].replace("2026-10", "2026-04").replace("2026-09", "2026-03") for t in TABLES}
    season = read_season(write(tmp_path / "south", settings=southern, **moved))
    assert (season.label, season.start, season.end, season.as_of) == (
        2026, date(2026, 2, 1), date(2026, 7, 31), date(2026, 4, 5),
    )  # fmt: skip
    moved = {t: TABLES[t].replace("2026-10", "2027-01").replace("2026-09", "2026-12") for t in TABLES}
    season = read_season(write(tmp_path / "newyear", **moved))
    assert (season.label, season.as_of) == (2026, date(2027, 1, 5))
    assert len(season.samples) == 6


# As of ------------------------------------------------------------------------------------------------------


def test_everything_dated_later_is_withheld(tmp_path):
    outlook = "station_id,issued_on,member,day,temp_min_c,temp_max_c,rain_mm\n"
    for issued in ("2026-09-27", "2026-10-04"):
        outlook += f"S1,{issued},0,2026-10-06,9,22,0\n"
    treatments = (
        "treatment_id,block_id,applied_on,recorded_on,product,wait_days\n"
        "A,North 2,2026-09-20,,Bait,7\nB,North 2,2026-09-20,2026-10-02,Bait,7\nC,North 2,2026-10-20,2026-09-21,Bait,7\n"
    )
    samples = TABLES["samples"].replace("sampled_on,", "sampled_on,received_on,")
    samples = samples.replace("09-28,", "09-28,2026-09-30,").replace("10-05,", "10-05,,")
    committed = "block_id,harvester_id,rank,pick_on,committed_on\nNorth 2,H1,1,2026-10-08,2026-10-05\n"
    folder = write(tmp_path, picks=PICKS, outlook=outlook, treatments=treatments, samples=samples, committed=committed)
    now = read_season(folder)
    assert now.as_of == date(2026, 10, 5)
    assert [len(now.samples), len(now.weather_days), len(now.outlook), len(now.treatments)] == [6, 4, 1, 3]
    assert now.outlook["issued_on"].tolist() == [pd.Timestamp("2026-10-04")]
    assert now.committed["rank"].tolist() == [1]
    then = read_season(folder, "2026-09-29")
    assert [len(then.samples), len(then.weather_days), len(then.picks)] == [0, 0, 0]
    assert then.outlook["issued_on"].tolist() == [pd.Timestamp("2026-09-27")]
    assert then.treatments["treatment_id"].tolist() == ["A", "C"]
    assert len(then.committed) == 0
    assert len(read_season(folder, date(2026, 9, 30)).samples) == 3
    assert now.past_picks["ticket_id"].tolist() == then.past_picks["ticket_id"].tolist() == ["T0"]


def test_later_faults_do_not_reach_back(tmp_path):
    folder = write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "60.0,41.2,"))
    assert list(read_season(folder).blocked) == ["North 3"]
    assert read_season(folder, "2026-10-04").blocked == {}


def test_an_as_of_day_in_a_past_season(tmp_path):
    text = TABLES["samples"] + "old,North 2,2025-10-05,60.0,13.2,33.0\n"
    season = read_season(write(tmp_path, samples=text), "2025-10-06")
    assert (season.label, season.start, season.end) == (2025, date(2025, 8, 1), date(2026, 1, 15))
    assert season.samples["sample_id"].tolist() == ["old"]
    assert len(season.past_samples) == 0


def test_wrong_as_of_days(tmp_path):
    write(tmp_path)
    with pytest.raises(ValueError, match="as_of is 5/10/2026, expected a date such as 2026-10-05"):
        read_season(tmp_path, "5/10/2026")
    with pytest.raises(ValueError, match="as_of is 2020-01-01, expected a day from the oldest sample, weather or pick"):
        read_season(tmp_path, "2020-01-01")
    with pytest.raises(ValueError, match="as_of is 2027-03-01, expected a day up to the season's last, 2027-01-15"):
        read_season(tmp_path, "2027-03-01")


def test_a_season_without_records_of_its_own(tmp_path):
    old = {t: TABLES[t].replace("2026-", "2025-") for t in TABLES}
    write(tmp_path, **old)
    with pytest.raises(SeasonError, match="no sample, weather, pick or outlook is dated from 2026-08-01 to 2027-01-15"):
        read_season(tmp_path)


# The same season in other clothes ---------------------------------------------------------------------------

US = {
    "mill": "mill_id,rate_short_ton_h,hours_per_day,buffer_short_ton,max_wait_h,cleaning_h,cost_per_short_ton\n"
    f"M1,{4 / 0.90718474},20,{40 / 0.90718474},12,1,{60 * 0.90718474}\n",
    "trucks": "truck_id,trucks_n,payload_ton,load_min,unload_h,speed_mph,cost_per_mi,hours_per_day\n"
    f"T1,2,{12 / 0.90718474},48,0.5,{50 / 1.609344},{1.6 * 1.609344},14\n",
    "weather_days": "station_id,day,temp_min_f,Temp max (F),rain_in\n"
    + "".join(
        f"S1,{day},{low * 1.8 + 32},{high * 1.8 + 32},{rain / 25.4}\n"
        for day, low, high, rain in (
            ("2026-10-02", 12.1, 26.3, 0), ("2026-10-03", 11.4, 25.0, 0),
            ("2026-10-04", 10.8, 24.2, 3.5), ("2026-10-05", 9.9, 23.8, 0),
        )
    ),
    "blocks": "block_id,grower,ranch,cultivar,contract_id,Area acres,crop_ton_ac,crop_on,haul_mi,organic,station_id\n"
    + "".join(
        f"{name},{who},{cultivar},{contract},{ha / 0.40468564224},{t_ha * 0.40468564224 / 0.90718474},{on},"
        f"{km / 1.609344},{organic},S1\n"
        for name, who, cultivar, contract, ha, t_ha, on, km, organic in (
            ("North 2", "Grower A,Hill", "Arbequina", "C1", 6.5, 8, "2026-09-10", 14, "no"),
            ("North 3", "Grower A,Hill", "Arbequina", "C1", 4.0, 7, "2026-09-10", 14, "no"),
            ("South 1", "Grower B,River", "Koroneiki", "C2", 9.2, 9.5, "2026-09-12", 22, "yes"),
        )
    ),
    "contracts": "contract_id,kind,price_oil_lb,price_fruit_short_ton,base_oil_pct,step_per_point,virgin_factor\n"
    f"C1,oil_kg,{5.2 * 0.45359237},,,,0.7\nC2,fruit_oil_scale,,{600 * 0.90718474},18,5 %,0.8\n",
}  # fmt: skip


def test_us_units_read_to_the_metric_twin(tmp_path):
    metric = read_season(write(tmp_path / "metric"))
    us = read_season(write(tmp_path / "us", settings=SETTINGS + '[layout]\nton = "short"\n', **US))
    assert_same(metric, us)
    with pytest.raises(SeasonError, match="heading payload_ton says ton, expected short_ton, or t for the metric ton"):
        read_season(write(tmp_path / "us", **US))


def test_a_workbook_reads_as_the_csv_files(tmp_path):
    def dates(book):
        for sheet in book.worksheets:
            for row in sheet.iter_rows():
                for cell in row:
                    if isinstance(cell.value, str) and cell.value[:5] in ("2026-", "2025-"):
                        cell.value = datetime.fromisoformat(cell.value)

    one = read_season(write(tmp_path / "csv", picks=PICKS))
    other = read_season(workbook(tmp_path / "book", {"picks": PICKS}, change=dates))
    assert_same(one, other)
    assert len(other.findings) == 0


def test_headings_of_a_laboratory_by_layout(tmp_path):
    text = TABLES["samples"].replace("moisture_pct,oil_fresh_pct,oil_dry_pct", "Humedad,RGH,RGS")
    layout = SETTINGS + (
        '[layout.samples]\nfile = "Lab export.csv"\ndecimal = ","\n'
        'headings = { "Humedad" = "moisture_pct", "RGH" = "oil_fresh_pct", "RGS" = "oil_dry_pct" }\n'
    )
    folder = write(tmp_path / "lab", settings=layout, samples=None)
    (folder / "Lab export.csv").write_text(text.replace(",", ";").replace(".", ","))
    assert_same(read_season(write(tmp_path / "plain")), read_season(folder))


def test_titles_and_headings_in_several_rows(tmp_path):
    def change(book):
        sheet = book["samples"]
        sheet.insert_rows(1, 4)
        sheet["A1"] = "Laboratory results, invented"
        sheet.merge_cells("A1:F1")
        sheet["D3"] = "Moisture"
        sheet["E3"] = "Oil"
        sheet.merge_cells("E3:F3")
        sheet["E4"], sheet["F4"], sheet["D4"] = "fresh", "dry", None
        for column, name in zip("ABC", ("sample_id", "block_id", "sampled_on"), strict=True):
            sheet[f"{column}3"] = name
            sheet[f"{column}5"] = None
        for column in "DEF":
            sheet[f"{column}5"] = "%"

    one = read_season(write(tmp_path / "csv"))
    other = read_season(workbook(tmp_path / "book", {}, change=change))
    assert_frame_equal(one.samples, other.samples)


def test_merged_cells_serial_dates_and_names_taken_for_dates(tmp_path):
    def change(book):
        sheet = book["samples"]
        sheet["B2"], sheet["B3"] = "North 2", None
        sheet.merge_cells("B2:B3")
        sheet["C4"] = 46293  # 2026-09-28 by hand: 46301 is 2026-10-06
        sheet["B7"] = datetime(2026, 1, 2)

    folder = workbook(tmp_path, {}, change=change)
    season = read_season(folder)
    assert season.samples["block_id"].tolist()[:2] == ["North 2", "North 2"]
    assert season.samples["sampled_on"].iloc[2] == pd.Timestamp("2026-09-28")
    told = (season.findings["says"] + " " + season.findings["do"]).tolist()
    assert (
        "records.xlsx, sheet samples, row 4, block South 1: sampled_on is 46293, read as 2026-09-28. Nothing to do."
        in told
    )
    assert (
        "records.xlsx, sheet samples, row 2, block North 2: block_id is one merged cell down to row 3; "
        "it counts for each row. Nothing to do." in [t.replace("records.xlsx, sheet samples, row 2:",
        "records.xlsx, sheet samples, row 2, block North 2:") for t in told]
    )  # fmt: skip
    assert any("block_id is the date 2026-01-02, expected a name. The spreadsheet took the name" in t for t in told)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000))
def test_order_of_rows_and_columns_does_not_matter(tmp_path, seed):
    rng = random.Random(seed)

    def shuffled(text):
        rows = list(csv.reader(io.StringIO(text)))
        order = list(range(len(rows[0])))
        rng.shuffle(order)
        body = rows[1:]
        rng.shuffle(body)
        out = io.StringIO()
        csv.writer(out).writerows([[row[i] for i in order] for row in [rows[0], *body]])
        return out.getvalue()

    one = read_season(write(tmp_path / "one", picks=PICKS))
    other = read_season(
        write(tmp_path / "other", **{t: shuffled(text) for t, text in (TABLES | {"picks": PICKS}).items()})
    )
    assert_same(one, other)


def test_a_further_block_changes_no_other(tmp_path):
    one = read_season(write(tmp_path / "one"))
    text = TABLES["blocks"] + "West 9,Grower C,Dale,Arbequina,C1,3,6,2026-09-10,30,no,S1\n"
    other = read_season(write(tmp_path / "other", blocks=text))
    assert other.blocks["block_id"].tolist() == ["North 2", "North 3", "South 1", "West 9"]
    assert_frame_equal(one.blocks, other.blocks.iloc[:3])
    assert_frame_equal(one.samples, other.samples)


def test_tables_in_two_places(tmp_path):
    workbook(tmp_path, {})
    (tmp_path / "samples.csv").write_text(TABLES["samples"])
    with pytest.raises(
        SeasonError, match=r"samples\.csv: table samples stands here and in records\.xlsx, sheet samples"
    ):
        read_season(tmp_path)


def test_files_and_sheets_that_are_not_read_are_named(tmp_path):
    def change(book):
        book.create_sheet("Notes")["A1"] = "call the mill"
        book.create_sheet("treatment")["A1"] = "x"

    folder = workbook(tmp_path, {}, change=change)
    (folder / "harvester.csv").write_text("x\n")
    (folder / "old.xls").write_bytes(b"x")
    told = (check(folder)["says"] + " " + check(folder)["do"]).tolist()
    assert "harvester.csv: no table has this name; not read. Did you mean harvesters.csv?" in told
    assert (
        "records.xlsx, sheet treatment: no table has the name of this sheet; not read. Did you mean treatments?" in told
    )
    assert (
        "records.xlsx, sheet Notes: no table has the name of this sheet; not read. Nothing to do if it's not needed."
        in told
    )


# Robustness -------------------------------------------------------------------------------------------------

NASTY = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        [
            "",
            "NaN",
            "1e400",
            "-9999",
            "0.19",
            "57,9",
            "#REF!",
            "=1+1",
            "\ufeff",
            "\x00",
            '"',
            "13/10/2026",
            "1/2/3",
            "9" * 400,
        ]
    ),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=st.sampled_from(sorted(TABLES)), data=st.data())
def test_whatever_stands_in_a_cell_is_told_or_read(tmp_path, table, data):
    rows = list(csv.reader(io.StringIO(TABLES[table])))
    for _ in range(data.draw(st.integers(1, 4))):
        row = data.draw(st.integers(0, len(rows) - 1))
        column = data.draw(st.integers(0, len(rows[0]) - 1))
        if column < len(rows[row]):
            rows[row][column] = data.draw(NASTY)
        if data.draw(st.booleans()):
            rows.insert(row, list(rows[row]))
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    write(tmp_path, **{table: out.getvalue().encode("utf-8", "surrogatepass")})
    try:
        season = read_season(tmp_path)
    except SeasonError as error:
        parts = (error.where, error.found, error.do)
        if not all(parts):
            pytest.fail(f"a part of the sentence is missing: {parts}")
    else:
        assert set(season.blocked) <= {"North 2", "North 3", "South 1"} | set(season.blocks["block_id"]) | set(
            season.unsound_blocks["block_id"]
        )
        assert season.blocks["area_ha"].notna().all()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=st.sampled_from([*sorted(TABLES), "outlook", "picks", "treatments"]), data=st.binary(max_size=300))
def test_whatever_bytes_a_file_has(tmp_path, table, data):
    write(tmp_path, **{table: data})
    check(tmp_path)
    (tmp_path / f"{table}.csv").unlink()


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=120), place=st.integers(0, len(SETTINGS)))
def test_whatever_stands_in_the_settings(tmp_path, text, place):
    write(tmp_path)
    spoilt = SETTINGS[:place] + text + SETTINGS[place:]
    (tmp_path / "season.toml").write_bytes(spoilt.encode("utf-8", "surrogatepass"))
    check(tmp_path)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, 20_000), flip=st.integers(0, 20_000), by=st.integers(1, 255))
def test_whatever_a_workbook_has_become(tmp_path_factory, cut, flip, by):
    folder = tmp_path_factory.mktemp("book")
    workbook(folder, {})
    data = bytearray((folder / "records.xlsx").read_bytes())
    data[flip % len(data)] ^= by
    (folder / "records.xlsx").write_bytes(bytes(data[: len(data) - cut % 200 if cut % 3 == 0 else len(data)]))
    check(folder)


def test_the_season_can_be_sent_to_another_process(tmp_path):
    season = read_season(write(tmp_path))
    assert_same(season, pickle.loads(pickle.dumps(season)))


# Writing ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "us"])
def test_template_filled_and_read(tmp_path, units):
    write_template(tmp_path, units=units)
    with pytest.raises(SeasonError, match="table blocks has no rows"):
        read_season(tmp_path)
    metric = read_season(write(tmp_path / "metric"))
    book = openpyxl.load_workbook(tmp_path / "records.xlsx")
    assert book.sheetnames == ["about", *COLUMNS]
    for table, columns in COLUMNS.items():
        sheet = book[table]
        headings = [cell.value for cell in sheet[1]]
        assert len(headings) == len(columns)
        assert all(cell.comment.text for cell in sheet[1])
        for row in getattr(metric, table).itertuples(index=False):
            pairs = zip(columns, headings, strict=True)
            sheet.append([_in_units(getattr(row, c.name), match_heading(table, h)) for c, h in pairs])
    book.save(tmp_path / "records.xlsx")
    (tmp_path / "season.toml").write_text(SETTINGS)
    read = read_season(tmp_path)
    assert [s for s in read.findings["level"] if s != "note"] == []
    assert_same(metric, read)


def _in_units(value, match):
    if isinstance(value, float):
        return None if pd.isna(value) else (value - match.offset) / match.factor
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return None if value is pd.NaT or value == "" else value


def test_template_is_never_written_over(tmp_path):
    write_template(tmp_path, units="us")
    before = (tmp_path / "records.xlsx").read_bytes()
    with pytest.raises(FileExistsError, match="is there already, expected an empty folder"):
        write_template(tmp_path, units="us")
    assert (tmp_path / "records.xlsx").read_bytes() == before
    write_template(tmp_path / "again", units="us")
    assert (tmp_path / "again" / "records.xlsx").read_bytes() == before
    with pytest.raises(ValueError, match='units is \'imperial\', expected "metric" or "us"'):
        write_template(tmp_path / "x", units="imperial")


def test_problems_file(tmp_path):
    folder = write(tmp_path / "in", **spoil("samples", "60.0,13.9,34.8", "60.0,-3,34.8"))
    path = write_problems(read_season(folder), tmp_path / "out")
    assert path == tmp_path / "out" / "problems.csv"
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    assert rows[0] == ["code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do"]
    assert rows[1][:8] == ["out-of-range", "error", "samples", "samples.csv", "", "6", "oil_fresh_pct", "-3"]
    assert write_problems(check(folder), tmp_path / "again").read_bytes() == path.read_bytes()


def test_marked_workbook_points_at_the_cells(tmp_path):
    def change(book):
        book["samples"]["E6"] = 41.2
        book["blocks"]["B4"] = "=1+1"
        book["samples"]["B5"] = "=HYPERLINK(1)"
        book["samples"]["B5"].data_type = "s"

    folder = workbook(tmp_path / "in", {}, change=change)
    season = read_season(folder)
    path = mark_workbook(season, tmp_path / "out")
    book = openpyxl.load_workbook(path)
    cell = book["samples"]["E6"]
    assert "oil_fresh_pct is 41.2, expected 1 to 35 % of fresh weight." in cell.comment.text
    assert cell.fill.fgColor.rgb.endswith("F4B6A8")
    assert book["samples"]["D6"].comment is None
    assert book.sheetnames[0] == "problems"
    assert not any(c.data_type == "f" for row in book["problems"].iter_rows() for c in row)
    assert mark_workbook(season, tmp_path / "again").read_bytes() == path.read_bytes()
    # Mended and sent back: the marks go, and the list of problems is not taken for a table.
    book["samples"]["E6"], book["samples"]["B5"], book["blocks"]["B4"] = 13.9, "North 2", "Grower B"
    book.save(folder / "records.xlsx")
    mended = read_season(folder)
    assert len(mended.findings) == 0
    clean = openpyxl.load_workbook(mark_workbook(mended, tmp_path / "clean"))
    assert clean["samples"]["E6"].comment is None


def test_marked_workbook_of_a_season_that_can_not_be_decided(tmp_path):
    def change(book):
        book["mill"]["B2"] = "four"

    folder = workbook(tmp_path, {}, change=change)
    with pytest.raises(SeasonError, match="rate_t_h is `four`, expected a number") as caught:
        read_season(folder)
    assert len(caught.value.findings) > 0
    path = mark_workbook(folder, tmp_path / "out", findings=check(folder))
    assert "expected a number" in openpyxl.load_workbook(path)["mill"]["B2"].comment.text
    assert mark_workbook(write(tmp_path / "csv"), tmp_path, findings=check(tmp_path / "csv")) is None


def test_control_characters_and_pages_of_text_can_be_listed(tmp_path):
    sheets = {t: TABLES[t] for t in TABLES if t != "samples"}
    folder = workbook(tmp_path, sheets, change=lambda book: book.remove(book["samples"]))
    spoilt = TABLES["samples"].replace("13.9", "\x07" + "y" * 40_000)
    (folder / "samples.csv").write_text(spoilt)
    season = read_season(folder)
    assert season.findings["value"].str.len().max() == 300
    book = openpyxl.load_workbook(mark_workbook(season, tmp_path / "out"))
    assert book["problems"]["E2"].value.startswith(" yyy")
    assert write_problems(season, tmp_path / "out").stat().st_size < 5_000


def test_atomic_write_leaves_the_old_file_whole(tmp_path, monkeypatch):
    path = write_atomic(tmp_path / "new" / "a.csv", b"old")
    assert path.read_bytes() == b"old"

    def full_disk(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OSError, match="No space left on device"):
        write_atomic(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in path.parent.iterdir()] == ["a.csv"]


def test_a_file_held_open_elsewhere_gets_a_second_name(tmp_path, monkeypatch):
    replace = os.replace

    def held(source, target):
        if target == tmp_path / "a.csv":
            raise PermissionError(13, "in use")
        replace(source, target)

    monkeypatch.setattr(os, "replace", held)
    assert write_atomic(tmp_path / "a.csv", b"new") == tmp_path / "a (new).csv"
    assert (tmp_path / "a (new).csv").read_bytes() == b"new"


def test_leftovers_of_killed_runs_are_swept(tmp_path):
    (tmp_path / ".a.csv.xyz.part").write_bytes(b"half")
    (tmp_path / "a.part").write_bytes(b"yours")
    assert sweep_parts(tmp_path) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["a.part"]


@pytest.mark.parametrize(
    ("text", "safe"), [("=1+1", "'=1+1"), ("+1", "'+1"), ("-x", "'-x"), ("@x", "'@x"), ("\tx", "'\tx"), ("x=1", "x=1")]
)
def test_cells_that_spreadsheets_would_run(text, safe):
    assert safe_cell(text) == safe


def test_file_names_never_clash_or_lead_away():
    names = ["A b", "a-b", "CON", "nul", "../x", "", "日本", "é", "x" * 500]
    safe = [safe_name(n) for n in names]
    assert len(set(safe)) == len(names)
    assert all(len(n) <= 60 and n.isascii() and "/" not in n and "." not in n for n in safe)
