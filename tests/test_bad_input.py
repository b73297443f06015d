"""One small spoilt file for each thing that offices and laboratories get wrong, and the sentence it must give."""

import io
import re
import zipfile

import openpyxl
import pytest
from small_season import SETTINGS, TABLES, spoil, write

from olivetime.records.columns import SeasonError
from olivetime.records.export import write_problems
from olivetime.records.files import check_archive, inside, safe_name
from olivetime.records.season import check, read_season


def sentences(folder, level=None, as_of=None):
    found = check(folder, as_of)
    if level:
        found = found[found["level"] == level]
    return (found["says"] + " " + found["do"]).tolist()


def workbook(folder, sheets, *, name="records.xlsx", settings=SETTINGS, change=None):
    """The sound season as a workbook; numbers and dates are typed, `change(book)` spoils it."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, text in (TABLES | sheets).items():
        sheet = book.create_sheet(table)
        for line in text.splitlines():
            cells = []
            for word in line.split(","):
                cells.append(float(word) if re.fullmatch(r"-?\d+(\.\d+)?", word) else word or None)
            sheet.append(cells)
    if change:
        change(book)
    folder.mkdir(exist_ok=True)
    (folder / "season.toml").write_text(settings, encoding="utf-8")
    book.save(folder / name)
    return folder


# Numbers ----------------------------------------------------------------------------------------------------


def test_01_decimal_comma_in_a_file_with_points(tmp_path):
    write(tmp_path, **spoil("samples", "1,North 2,2026-09-28,60.0,", '1,North 2,2026-09-28,"57,9",'))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 2, block North 2: moisture_pct `57,9` has a decimal comma but this file uses a point. "
        'Retype it, or write decimal = "," under [layout] in season.toml.'
    ]


def test_02_whole_file_with_decimal_commas(tmp_path):
    text = TABLES["samples"].replace(",", ";").replace(".", ",")
    season = read_season(write(tmp_path, samples=text))
    assert sentences(tmp_path) == [
        "samples.csv, row 2: numbers were read with a decimal comma, because moisture_pct is `60,0`. Nothing to do."
    ]
    assert season.samples["oil_fresh_pct"].tolist() == [13.2, 12.5, 12.2, 14.6, 13.9, 13.4]


def test_03_fraction_among_per_cents(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "60.0,0.139,34.8"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 6, block North 3: oil_fresh_pct is 0.139, which looks like a fraction. Write 13.9 or 13.9 %."
    ]


def test_04_per_cent_format(tmp_path):
    def change(book):
        book["samples"]["E2"] = 0.132
        book["samples"]["E2"].number_format = "0.0%"

    workbook(tmp_path, {}, change=change)
    season = read_season(tmp_path)
    assert season.samples["oil_fresh_pct"].iloc[0] == pytest.approx(13.2)
    assert (
        "records.xlsx, sheet samples, row 2, block North 2: oil_fresh_pct has per cent format; 0.132 read as 13.2. "
        "Nothing to do."
    ) in sentences(tmp_path, "note")


def test_13_impossible_moisture(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "157,13.9,"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 6, block North 3: moisture_pct is 157, expected 20 to 85 % of fresh weight. "
        "Enter water as per cent of fresh weight."
    ]


def test_13_impossible_fresh_oil_hints_at_the_other_basis(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "60.0,41.2,"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 6, block North 3: oil_fresh_pct is 41.2, expected 1 to 35 % of fresh weight. "
        "If the lab reports dry basis, put it in oil_dry_pct."
    ]


def test_14_no_result_is_missing(tmp_path):
    season = read_season(write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "60.0,<LOD,34.8")))
    assert sentences(tmp_path) == [
        "samples.csv, row 6, block North 3: oil_fresh_pct is `<LOD`: no result. Nothing to do."
    ]
    assert season.samples["oil_fresh_pct"].iloc[4] == pytest.approx(34.8 * 0.40)  # from the other two


def test_15_error_cell_and_formula_without_result(tmp_path):
    write(tmp_path / "csv", **spoil("samples", "60.0,13.9,34.8", "60.0,#DIV/0!,34.8"))
    assert sentences(tmp_path / "csv", "error") == [
        "samples.csv, row 6, block North 3: oil_fresh_pct is #DIV/0!, expected a number. "
        "Open the workbook, recalculate, save."
    ]

    def change(book):
        book["samples"]["F6"] = "=100*E6/(100-D6)"

    workbook(tmp_path / "book", {}, change=change)
    assert sentences(tmp_path / "book", "error") == [
        "records.xlsx, sheet samples, row 6, block North 3: oil_dry_pct is a formula without a saved result. "
        "Open the workbook, recalculate, save."
    ]


def test_text_in_a_number_column(tmp_path):
    write(tmp_path, **spoil("blocks", "Arbequina,C1,6.5", "Arbequina,C1,about 6"))
    assert (
        "blocks.csv, row 2, block North 2: area_ha is `about 6`, expected a number. Write the number only."
        in sentences(tmp_path, "error")
    )


def test_a_text_that_could_be_two_numbers(tmp_path):
    text = "ticket_id,block_id,picked_on,area_ha,net_t,oil_out_kg\nT1;North 2;2026-10-04;2;14;1.250\n"
    write(tmp_path, picks=text.replace(",", ";"))
    assert sentences(tmp_path, "error") == [
        "picks.csv, row 2, block North 2: oil_out_kg `1.250` could be 1.25 or 1250, expected a clear decimal mark. "
        'Retype it, or write decimal = "," or decimal = "." under [layout] in season.toml.'
    ]
    settings = SETTINGS + '[layout.picks]\ndecimal = ","\n'
    season = read_season(write(tmp_path, settings=settings))
    assert season.picks["oil_out_kg"].tolist() == [1250.0]


# Dates ------------------------------------------------------------------------------------------------------


def test_05_date_that_nothing_decides(tmp_path):
    text = "ticket_id,block_id,picked_on,area_ha,net_t\nT1,North 2,05/10/2026,2,14\nT2,North 2,04/10/2026,2,13\n"
    write(tmp_path, picks=text)
    assert sentences(tmp_path, "error") == [
        "picks.csv, row 2, block North 2: picked_on 05/10/2026 could be 5 October 2026 or 10 May 2026, and 1 more "
        'row is like it. Write date_order = "dmy" or date_order = "mdy" under [layout] in season.toml.'
    ]
    season = read_season(write(tmp_path, settings=SETTINGS + '[layout]\ndate_order = "dmy"\n'))
    assert [str(day.date()) for day in season.picks["picked_on"]] == ["2026-10-05", "2026-10-04"]


def test_05_date_that_another_row_decides(tmp_path):
    text = TABLES["samples"].replace("2026-09-28", "28/09/2026").replace("2026-10-05", "05/10/2026")
    season = read_season(write(tmp_path, samples=text))
    assert sentences(tmp_path) == [
        "samples.csv: sampled_on was read as day/month, because row 2 is 28/09/2026. Nothing to do."
    ]
    assert str(season.samples["sampled_on"].iloc[3].date()) == "2026-10-05"


def test_06_both_orders_in_one_column(tmp_path):
    text = TABLES["samples"].replace("1,North 2,2026-09-28", "1,North 2,13/10/2026")
    text = text.replace("2,North 3,2026-09-28", "2,North 3,10/13/2026")
    write(tmp_path, samples=text)
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 2, block North 2: sampled_on is 13/10/2026, and the column holds both day/month and "
        "month/day, expected one order. Retype the dates as 2026-10-05.",
        "samples.csv, row 3, block North 3: sampled_on is 10/13/2026, and the column holds both day/month and "
        "month/day, expected one order. Retype the dates as 2026-10-05.",
    ]


def test_07_sample_after_the_as_of_day(tmp_path):
    write(tmp_path, **spoil("samples", "5,North 3,2026-10-05", "5,North 3,2026-12-05"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 6, block North 3: sampled_on is 2026-12-05, expected a day up to the as-of date "
        "2026-10-05. Correct the date, or name the day with --as-of."
    ]
    season = read_season(tmp_path)
    assert str(season.as_of) == "2026-10-05"
    assert list(season.blocked) == ["North 3"]


def test_short_years_and_impossible_days(tmp_path):
    write(tmp_path, **spoil("samples", "1,North 2,2026-09-28", "1,North 2,28/09/26"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 2, block North 2: sampled_on 28/09/26 has a year of two digits and could be 28 September "
        '2026 or 26 September 2028. Write four digits, or date_order = "dmy", "mdy" or "ymd" under [layout] in '
        "season.toml."
    ]
    settings = SETTINGS + '[layout]\ndate_order = "dmy"\n'
    write(tmp_path, settings=settings, **spoil("samples", "1,North 2,2026-09-28", "1,North 2,28/09/26"))
    assert sentences(tmp_path) == [
        "samples.csv, row 2, block North 2: sampled_on is 28/09/26, its year of two digits, read as 2026-09-28. "
        "Nothing to do."
    ]
    (tmp_path / "season.toml").write_text(SETTINGS)
    write(tmp_path, **spoil("samples", "1,North 2,2026-09-28", "1,North 2,2026-09-31"))
    assert "sampled_on is 2026-09-31, expected a date. Write the date as 2026-10-05." in sentences(tmp_path, "error")[0]


# Rows and names ---------------------------------------------------------------------------------------------


def test_08_duplicate_sample(tmp_path):
    same = TABLES["samples"] + "1,North 2,2026-09-28,60.0,13.2,33.0\n"
    season = read_season(write(tmp_path, samples=same))
    assert sentences(tmp_path) == [
        "samples.csv, row 2, block North 2: sample_id 1 stands in rows 2, 8 with the same values, expected one row. "
        "The first was used; delete the others."
    ]
    assert len(season.samples) == 6
    write(tmp_path, samples=TABLES["samples"] + "1,North 2,2026-09-28,60.0,14.2,35.5\n")
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 2, block North 2: sample_id 1 stands in rows 2, 8 with different values, expected one row. "
        "None of them was used; keep one."
    ]


def test_09_block_names_as_people_write_them(tmp_path):
    text = TABLES["samples"].replace("4,North 2", "4,NORTH-02").replace("5,North 3", "5,Noth 3")
    season = read_season(write(tmp_path, samples=text))
    assert "4" in season.samples["sample_id"].tolist()
    assert "samples.csv, row 5: block_id `NORTH-02` was taken for North 2. Nothing to do." in sentences(
        tmp_path, "note"
    )
    assert sentences(tmp_path, "error") == ["samples.csv, row 6: no such block as `Noth 3`. Did you mean North 3?"]


def test_10_two_blocks_with_one_name(tmp_path):
    write(tmp_path, **spoil("blocks", "South 1,", "NORTH_02,"))
    assert any(
        s.startswith("blocks.csv, row 2: block_id NORTH_02 and North 2 can't be told apart (rows 2, 4).")
        for s in sentences(tmp_path, "error")
    )


@pytest.mark.parametrize("name", ["NA", "1E5", "007", "TRUE", "None"])
def test_11_block_names_that_look_like_something_else(tmp_path, name):
    text = {t: TABLES[t].replace("South 1", name) for t in ("blocks", "samples")}
    season = read_season(write(tmp_path, **text))
    assert name in season.blocks["block_id"].tolist()
    assert len(season.findings) == 0


def test_12_bases_that_disagree(tmp_path):
    write(tmp_path, **spoil("samples", "60.0,13.9,34.8", "58.2,18.9,40.1"))
    assert sentences(tmp_path, "error") == [
        "samples.csv, row 6, block North 3: oil_dry_pct should be 100*18.9/(100-58.2)=45.2 but 40.1 given. "
        "Check which number the laboratory reports on which basis."
    ]


def test_16_total_rows_and_blank_rows(tmp_path):
    text = TABLES["samples"] + ",,,,,\n\nAverage,,,60.6,13.3,33.7\n"
    season = read_season(write(tmp_path, samples=text))
    assert len(season.samples) == 6
    assert sentences(tmp_path) == ["samples.csv, row 10: total or average skipped in row 10. Nothing to do."]


def test_16_hidden_rows_are_read_and_told(tmp_path):
    def change(book):
        book["samples"].row_dimensions[3].hidden = True

    season = read_season(workbook(tmp_path, {}, change=change))
    assert len(season.samples) == 6
    assert (
        "records.xlsx, sheet samples, row 3: hidden and read all the same: row 3. "
        "Delete them if they should not count." in sentences(tmp_path, "warning")
    )


def test_17_heading_twice(tmp_path):
    write(tmp_path, **spoil("samples", "oil_fresh_pct,oil_dry_pct", "oil_dry_pct,oil_dry_pct"))
    assert sentences(tmp_path, "error")[0] == (
        "samples.csv: column oil_dry_pct stands twice (E, F), expected one column. None of them was read; delete or "
        "rename all but one."
    )
    assert read_season(tmp_path).samples["oil_dry_pct"].isna().all()
    write(tmp_path, **spoil("samples", "sample_id,", "sampled_on,"))
    with pytest.raises(SeasonError, match=r"column sampled_on stands twice \(A, C\), expected one column\. None of"):
        read_season(tmp_path)


def test_17_missing_column_with_the_nearest_heading(tmp_path):
    write(tmp_path, **spoil("samples", "sampled_on", "Sampled"))
    with pytest.raises(SeasonError, match=r"samples\.csv: no column sampled_on; nearest heading is `Sampled`\."):
        read_season(tmp_path)
    write(tmp_path, **spoil("samples", "moisture_pct", "Moist."))
    assert sentences(tmp_path, "warning") == [
        "samples.csv: heading `Moist.` was not read. Rename it if moisture_pct is meant."
    ]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "is an old .xls workbook or has a password"),
        (b"<html><table><tr><td>1</td></tr></table></html>", "is a web page or XML, not a table"),
        (b"", "is empty"),
        (b"%PDF-1.7", "is a PDF"),
        (b"sample_id,block_id\n", "is plain text, not a workbook"),
        (b"PK\x03\x04" + b"\0" * 100, "is a zip archive"),
        (b"PK\x03\x04[Content_Types].xml xl/", "the workbook is damaged"),
    ],
)
def test_18_files_that_are_no_workbook(tmp_path, data, says):
    (tmp_path / "season.toml").write_text(SETTINGS)
    (tmp_path / "records.xlsx").write_bytes(data)
    with pytest.raises(SeasonError, match=r"records\.xlsx: .*" + re.escape(says)):
        read_season(tmp_path)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"a,b\n\0\0\0\1", "isn't text"),
        (b"PK\x03\x04[Content_Types].xml xl/", "is a workbook"),
        (b'sample_id,block_id\n1,"North 2\n', "can't be split into cells"),
        (b"sample_id\n\x81\xff", "byte 10 is neither UTF-8 nor Windows-1252 text"),
    ],
)
def test_18_files_that_are_no_csv(tmp_path, data, says):
    write(tmp_path, samples=data)
    with pytest.raises(SeasonError, match=r"samples\.csv: .*" + re.escape(says)):
        read_season(tmp_path)


def test_19_zip_bomb_is_not_unpacked():
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        with archive.open("xl/worksheets/sheet1.xml", "w") as sheet:
            for _ in range(300):
                sheet.write(b"0" * 1_000_000)
    with pytest.raises(SeasonError, match=r"would unpack to 300 MB, expected at most 200 MB\. Nothing was read"):
        check_archive(raw.getvalue(), "records.xlsx")


def test_19_xml_entities_are_refused(tmp_path):
    workbook(tmp_path, {})
    bomb = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa">]><sst>&a;</sst>'
    source = (tmp_path / "records.xlsx").read_bytes()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(source)) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            new.writestr(info.filename, bomb if info.filename == "xl/styles.xml" else old.read(info))
    (tmp_path / "records.xlsx").write_bytes(out.getvalue())
    with pytest.raises(SeasonError, match=r"xl/styles\.xml declares entities, expected plain XML"):
        read_season(tmp_path)


def test_20_other_text_encodings(tmp_path):
    text = TABLES["blocks"].replace("Grower B", "Río")
    season = read_season(write(tmp_path, blocks=text.encode("cp1252")))
    assert season.blocks["grower"].tolist()[2] == "Río"
    assert sentences(tmp_path) == [
        "blocks.csv: read as Windows-1252 text. Check accented names, or save it as CSV (UTF-8)."
    ]
    for encoding in ("utf-16", "utf-8-sig"):
        season = read_season(write(tmp_path, blocks=text.encode(encoding)))
        assert season.blocks["grower"].tolist()[2] == "Río"
        assert len(season.findings) == 0


# Weather, treatments, mill ----------------------------------------------------------------------------------


def test_21_fahrenheit_under_a_celsius_heading(tmp_path):
    rows = [f"S1,2026-10-0{d},{54 + d},{78 + d},0" for d in range(2, 6)]
    write(tmp_path, weather_days="\n".join(["station_id,day,temp_min_c,temp_max_c,rain_mm", *rows]))
    errors = sentences(tmp_path, "error")
    assert (
        "weather_days.csv: half of temp_max_c is above 82, which looks like Fahrenheit, expected degrees C. "
        "Head the column temp_max_f." in errors
    )
    with pytest.raises(SeasonError, match="looks like Fahrenheit"):
        read_season(tmp_path)


def test_22_sentinels_and_crossed_temperatures(tmp_path):
    text = TABLES["weather_days"].replace("12.1,26.3", "-9999,26.3").replace("11.4,25.0", "25.0,11.4")
    season = read_season(write(tmp_path, weather_days=text))
    assert sentences(tmp_path) == [
        "weather_days.csv, row 2: temp_min_c is -9999, expected -30 to 45 degrees C. The value isn't used.",
        "weather_days.csv, row 3: temp_min_c 25 is above temp_max_c 11.4. Neither was used.",
    ]
    assert season.weather_days["temp_min_c"].isna().tolist() == [True, True, False, False]
    assert season.weather_days["temp_max_c"].isna().tolist() == [False, True, False, False]


def test_26_treatment_without_interval(tmp_path):
    text = (
        "treatment_id,block_id,applied_on,product,wait_days\nA,North 2,2026-10-01,Bait,\nB,South 1,2026-10-01,Bait,0\n"
    )
    season = read_season(write(tmp_path, treatments=text))
    assert season.blocked == {
        "North 2": "treatments.csv, row 2, block North 2: wait_days is empty. The block can't be offered for "
        "picking before this is filled; 0 is a number."
    }
    assert season.treatments["wait_days"].tolist() == [0]
    assert season.treatments["wait_days"].dtype == "int64"


def test_26_treatment_of_a_misspelt_block_stops_the_block_it_may_mean(tmp_path):
    text = "treatment_id,block_id,applied_on,product,wait_days\nA,Nort 2,2026-10-01,Bait,14\n"
    season = read_season(write(tmp_path, treatments=text))
    assert list(season.blocked) == ["North 2"]
    assert "a treatment of `Nort 2` may be meant for this block" in season.blocked["North 2"]


def test_27_mill_that_never_runs(tmp_path):
    write(tmp_path, **spoil("mill", "M1,4,", "M1,0,"))
    with pytest.raises(SeasonError, match=r"mill\.csv: no fruit can be milled from 2026-10-05 to 2027-01-15"):
        read_season(tmp_path)
    days = [f"M1,2026-{m}-{d:02d},yes" for m, n in ((10, 31), (11, 30), (12, 31)) for d in range(1, n + 1)]
    days += [f"M1,2027-01-{d:02d},yes" for d in range(1, 16)]
    write(tmp_path, mill=TABLES["mill"], mill_days="\n".join(["mill_id,day,closed", *days]))
    with pytest.raises(SeasonError, match="no fruit can be milled"):
        read_season(tmp_path)
    write(tmp_path, mill_days="\n".join(["mill_id,day,closed", *days[:-1]]))
    assert read_season(tmp_path).mill_days["closed"].all()


def test_27_payload_in_kilograms(tmp_path):
    write(tmp_path, **spoil("trucks", "T1,2,12,", "T1,2,24000,"))
    assert sentences(tmp_path, "error")[0] == (
        "trucks.csv, row 2: payload_t is 24000, expected 0.5 to 60 t. "
        "If these are kilograms, head the column payload_kg."
    )
    season = read_season(
        write(tmp_path, trucks=TABLES["trucks"].replace("payload_t", "payload_kg").replace(",12,", ",24000,"))
    )
    assert season.trucks["payload_t"].tolist() == [24.0]


def test_28_one_sample_or_none(tmp_path):
    text = "\n".join(TABLES["samples"].splitlines()[:3]) + "\n"
    season = read_season(write(tmp_path, samples=text))
    assert season.blocked == {}
    assert sentences(tmp_path, "note") == [
        f"blocks.csv, row {row}, block {block}: {n} sample with oil this season. "
        "Its curve is borrowed from other blocks of the cultivar; sample it again."
        for row, block, n in ((2, "North 2", "one"), (3, "North 3", "one"), (4, "South 1", "no"))
    ]
    text_c = TABLES["cultivars"].replace("Koroneiki,45.7,published", "Koroneiki,,")
    season = read_season(write(tmp_path, cultivars=text_c, samples=text))
    assert season.blocked == {
        "South 1": "blocks.csv, row 4, block South 1: no sample of cultivar Koroneiki and no plateau_dry_pct for it. "
        "Sample the block, or give the cultivar a plateau_dry_pct."
    }


def test_29_outlook_that_can_not_be_read(tmp_path):
    season = read_season(write(tmp_path, outlook=b"<html>503</html>"))
    assert len(season.outlook) == 0
    assert sentences(tmp_path) == [
        "outlook.csv: the file is a web page or XML, not a table, expected a CSV file. "
        "Open it in a spreadsheet program and save it anew. The table was left out."
    ]


HOSTILE = [
    '=HYPERLINK("http://x","y")',
    "../../x",
    "<script>alert(1)</script>",
    "x" * 300,
    "\U0001fad2 grove",
    "@SUM(A1)",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_30_hostile_names_are_kept_and_stay_harmless(tmp_path, name):
    quoted = '"' + name.replace('"', '""') + '"'
    folder = write(tmp_path / "in", **spoil("blocks", "Grower B", quoted))
    season = read_season(folder)
    assert season.blocks["grower"].tolist()[2] == name
    assert inside(tmp_path, safe_name(name)).parent == tmp_path.resolve()
    assert len(safe_name(name)) <= 80
    folder = write(tmp_path / "in", blocks=TABLES["blocks"], **spoil("samples", "5,North 3", f"5,{quoted}"))
    path = write_problems(read_season(folder), tmp_path / "out")
    for line in path.read_text(encoding="utf-8-sig").splitlines()[1:]:
        assert not re.search(r'(^|,)"?[=@+]', line)


def test_30_names_that_lead_out_of_the_folder():
    with pytest.raises(ValueError, match="leads out of the folder, expected a plain name"):
        inside("/tmp", "../etc/passwd")
    with pytest.raises(ValueError, match="leads out of the folder"):
        inside("/tmp", "/etc/passwd")


# season.toml ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "end = 2027-01-15\n",
            "end = 2027-01-15\nplce = 'x'\n",
            r"unknown key in \[season\]: plce\. Did you mean place\?",
        ),
        ("[target]", "[targt]", r"unknown section: targt\. Did you mean target\?"),
        (
            "value = 0.9",
            "value = 0.9\n[rules]\nrain_stopp_mm = 3",
            "unknown rule: rain_stopp_mm. Did you mean rain_stop_mm",
        ),
        ("value = 0.9", "value = 0.9\n[rules]\nrain_stop_mm = 300", r"rain_stop_mm is 300, expected 0 to 50 mm"),
        ("value = 0.9", "value = 0,9", r"\(at line 12, column 10\)\. TOML numbers have a decimal point"),
        ("value = 0.9", "value = 42", r"value is 42, expected 0\.3 to 1 for plateau_fraction"),
        ("start = 2026-08-01", 'start = "2026-08-01"', r"start is 2026-08-01, expected a date\. Write it as"),
        ("end = 2027-01-15", "end = 2026-01-15", "end is 2026-01-15, expected a day within a year of start"),
        ('units = "metric"', 'units = "imperial"', r'units is "imperial", expected "metric" or "us"'),
        ("Europe/Madrid", "Europe/Madrod", r'time_zone is "Europe/Madrod".*Did you mean "Europe/Madrid"\?'),
        ('currency = "EUR"', 'currency = "euro"', r'currency is "euro", expected three capital letters'),
        ('name = "Invented season"\n', "", r"\[season\]: name is missing"),
        ("[target]", "[layout]\nton = 'long'\n[target]", r'ton is "long", expected "short" or "metric"'),
        (
            "[target]",
            "[layout.samples]\nfile = '../x.csv'\n[target]",
            r"file is \.\./x\.csv, expected a file in the season",
        ),
        ("[target]", "[layout.samples]\nfile = 'x.csv'\n[target]", r"there is no file x\.csv"),
    ],
)
def test_settings_that_are_wrong(tmp_path, old, new, says):
    assert old in SETTINGS
    write(tmp_path, settings=SETTINGS.replace(old, new))
    with pytest.raises(SeasonError, match=r"season\.toml.*" + says):
        read_season(tmp_path)


def test_no_settings_and_no_folder(tmp_path):
    with pytest.raises(SeasonError, match=r"there is no season\.toml\. Start a season folder with `olivetime start"):
        read_season(tmp_path)
    with pytest.raises(SeasonError, match="there is no such folder"):
        read_season(tmp_path / "none")


def test_a_needed_table_under_another_name(tmp_path):
    write(tmp_path, samples=None)
    (tmp_path / "sample.csv").write_text(TABLES["samples"])
    with pytest.raises(
        SeasonError, match=r"season folder: table samples is missing\. Rename sample, or add samples\.csv"
    ):
        read_season(tmp_path)


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    def refuse(_):
        raise PermissionError(13, "Permission denied")

    write(tmp_path)
    monkeypatch.setattr("pathlib.Path.read_bytes", refuse)
    with pytest.raises(SeasonError, match=r"season\.toml: the file can't be opened \(Permission denied\)\. Close it"):
        read_season(tmp_path)
