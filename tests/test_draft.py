"""A layout drafted for a file nobody has read before says what the file proves and asks for the rest."""

import tomllib

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_season import SETTINGS, TABLES, write

from olivetime.records.columns import SeasonError
from olivetime.records.draft import draft_layout
from olivetime.records.season import check, read_season

LABORATORY = (
    "Invented laboratory;;;;;\n"
    "Report no;Block;Sampling date;Moisture %;Oil % dry matter;Fruit weight (g);Remarks\n"
    "1;North 2;28/09/2026;60,0;33,0;3,1;ok\n"
    "2;North 3;28/09/2026;61,0;32,1;3,0;\n"
    "3;South 1;05/10/2026;61,5;34,8;3,4;\n"
)


def test_a_laboratory_that_says_everything(tmp_path):
    write(tmp_path, samples=None)
    (tmp_path / "lab.csv").write_text(LABORATORY)
    text, undecided = draft_layout(tmp_path / "lab.csv")
    assert undecided == []
    layout = tomllib.loads(text)["layout"]["samples"]
    assert (layout["file"], layout["decimal"], layout["date_order"]) == ("lab.csv", ",", "dmy")
    assert layout["headings"] == {
        "Report no": "sample_id",
        "Block": "block_id",
        "Sampling date": "sampled_on",
        "Fruit weight (g)": "fruit_mass_g",
    }
    (tmp_path / "season.toml").write_text(SETTINGS + text)
    samples = read_season(tmp_path).samples
    assert samples["oil_dry_pct"].tolist() == [33.0, 32.1, 34.8]
    assert [str(day.date()) for day in samples["sampled_on"]] == ["2026-09-28", "2026-09-28", "2026-10-05"]
    assert samples["fruit_mass_g"].tolist() == [3.1, 3.0, 3.4]


def test_oil_without_its_basis_is_asked_for(tmp_path):
    (tmp_path / "lab.csv").write_text(LABORATORY.replace("Oil % dry matter", "Oil content (%)"))
    text, undecided = draft_layout(tmp_path / "lab.csv")
    assert undecided == [
        "lab.csv, column E, `Oil content (%)`: could be oil_fresh_pct or oil_dry_pct. Keep one of the lines."
    ]
    assert "Oil content (%)" not in tomllib.loads(text)["layout"]["samples"]["headings"]
    assert '# "Oil content (%)" = "oil_dry_pct"' in text.splitlines()


def test_units_marks_and_dates_that_nothing_proves(tmp_path):
    path = tmp_path / "station.csv"
    path.write_text("station;date;tmax;tmin;rain\nS1;05/10/2026;24;11;1.250\nS1;06/10/2026;25;12;0\n")
    text, undecided = draft_layout(path)
    assert undecided == [
        'station.csv: numbers such as 1.250. Is the decimal mark "." or ","?',
        "station.csv: dates such as 05/10/2026. Is the day or the month written first?",
        "station.csv, column C, `tmax`: could be temp_max_c or temp_max_f. Keep one of the lines.",
        "station.csv, column D, `tmin`: could be temp_min_c or temp_min_f. Keep one of the lines.",
        "station.csv, column E, `rain`: could be rain_mm or rain_in. Keep one of the lines.",
    ]
    assert tomllib.loads(text)["layout"]["weather_days"]["headings"] == {"station": "station_id", "date": "day"}


def test_a_clock_a_ton_and_a_column_that_is_not_there(tmp_path):
    path = tmp_path / "hours.csv"
    path.write_text("Site,Timestamp,Temp (F),Rain in\nS1,2026-10-04 13:00,70.1,0\n")
    text, undecided = draft_layout(path)
    assert tomllib.loads(text)["layout"]["weather_hours"]["headings"]["Temp (F)"] == "air_temp_f"
    assert undecided == ['hours.csv: hours under `Timestamp` name no clock. Write clock = "UTC" or the time zone.']
    path = tmp_path / "tickets.csv"
    path.write_text("Ticket no,Block,Pick date,net ton,Machine\n1,North 2,2026-10-04,14,H1\n")
    text, undecided = draft_layout(path)
    assert undecided == [
        'tickets.csv, column D, `net ton`: which ton? Write ton = "short" or ton = "metric" under [layout.picks].',
        "tickets.csv: no heading was found for area_ha, net_t. Add the column, or name its heading.",
    ]


def test_the_sheets_of_a_workbook(tmp_path):
    write(tmp_path, samples=None, weather_days=None)
    book = openpyxl.Workbook()
    book.active.title = "Results"
    for line in TABLES["samples"].splitlines():
        book.active.append(line.replace("sampled_on", "Date").replace("block_id", "Field").split(","))
    sheet = book.create_sheet("Station")
    for line in TABLES["weather_days"].splitlines():
        sheet.append(line.replace("day", "Date").split(","))
    book.create_sheet("Notes").append(["Nothing of use"])
    book.save(tmp_path / "sent.xlsx")
    text, undecided = draft_layout(tmp_path / "sent.xlsx")
    assert undecided == []
    (tmp_path / "season.toml").write_text(SETTINGS + text)
    season = read_season(tmp_path)
    assert (len(season.samples), len(season.weather_days)) == (6, 4)


def test_the_empty_sheet_of_a_table_that_stands_elsewhere_is_no_fault(tmp_path):
    write(tmp_path, samples=None)
    (tmp_path / "lab.csv").write_text(LABORATORY)
    (tmp_path / "season.toml").write_text(SETTINGS + draft_layout(tmp_path / "lab.csv")[0])
    book = openpyxl.Workbook()
    book.active.title = "samples"
    book.active.append(["sample_id", "block_id", "sampled_on"])
    book.save(tmp_path / "records.xlsx")
    assert not check(tmp_path)["says"].str.contains("sheet samples").any()
    book.active.append(["9", "North 2", "2026-10-05"])
    book.save(tmp_path / "records.xlsx")
    found = check(tmp_path)
    assert (found["says"] + " " + found["do"]).tolist().count(
        "records.xlsx, sheet samples: table samples is read from lab.csv, as the layout says; not read. "
        "Move these rows there, or take file out of the layout."
    ) == 1


def test_a_file_that_holds_no_records(tmp_path):
    (tmp_path / "letter.csv").write_text("Dear all,\nplease find enclosed the bill.\n")
    with pytest.raises(SeasonError, match=r"letter\.csv: no heading in the first rows looks like one of ours"):
        draft_layout(tmp_path / "letter.csv")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    heads=st.lists(
        st.one_of(st.text(max_size=8), st.sampled_from(["Date", "Oil %", "Tmax", "block_id", "T"])), max_size=6
    ),
    cells=st.lists(st.one_of(st.text(max_size=8), st.sampled_from(["1,5", "1.5", "05/10/2026"])), max_size=6),
)
def test_whatever_a_file_holds_the_draft_is_a_layout(tmp_path, heads, cells):
    path = tmp_path / "any.csv"
    lines = [";".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in (heads, cells)]
    path.write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    try:
        text, undecided = draft_layout(path)
    except SeasonError:
        return
    assert all(sentence.startswith("any.csv") for sentence in undecided)
    write(tmp_path / "season", settings=SETTINGS + text.replace('file = "any.csv"\n', ""))
    check(tmp_path / "season")
    assert tomllib.loads(text)["layout"]
