"""Weather by the hour, with the clocks people really keep, and the spellings of blocks that were agreed on."""

import csv

import openpyxl
import pandas as pd
import pytest
from small_season import SETTINGS, TABLES, spoil, write

from olivetime.records.cells import read_instant
from olivetime.records.columns import SeasonError
from olivetime.records.export import write_aliases
from olivetime.records.season import check, read_season

HEAD = "station_id,hour_utc,air_temp_c,rain_mm\n"


def hours(*rows, head=HEAD):
    return head + "".join(f"S1,{row}\n" for row in rows)


def told(folder, level=None):
    found = check(folder)
    found = found[found["level"] == level] if level else found
    return (found["says"] + " " + found["do"]).tolist()


# Hours ------------------------------------------------------------------------------------------------------


def test_hours_become_utc_and_know_their_local_day(tmp_path):
    rows = ("2026-10-04 21:00,14.2,0", "2026-10-04T22:00,13.9,0.4", "2026-10-05T13:00+02:00,22.5,")
    season = read_season(write(tmp_path, weather_hours=hours(*rows)))
    table = season.weather_hours
    assert table["hour_utc"].tolist() == list(
        pd.to_datetime(["2026-10-04 21:00", "2026-10-04 22:00", "2026-10-05 11:00"])
    )
    # In Madrid, two hours ahead of UTC in early October, 22:00 UTC is midnight of the next day.
    assert [str(day.date()) for day in table["day"]] == ["2026-10-04", "2026-10-05", "2026-10-05"]
    assert table["rain_mm"].tolist()[:2] == [0, 0.4]


def test_hours_after_the_as_of_day_are_withheld(tmp_path):
    write(tmp_path, weather_hours=hours("2026-10-03 21:00,14,0", "2026-10-03 22:00,13,0"))
    assert read_season(tmp_path, "2026-10-03").weather_hours["air_temp_c"].tolist() == [14]


def test_hours_may_stand_instead_of_days(tmp_path):
    season = read_season(write(tmp_path, weather_days=None, weather_hours=hours("2026-10-04 12:00,24.1,0")))
    assert season.weather_days.empty
    (tmp_path / "weather_hours.csv").unlink()
    with pytest.raises(SeasonError, match="table weather_days is missing"):
        read_season(tmp_path)


def test_24_hour_24_is_the_next_day(tmp_path):
    write(tmp_path, weather_hours=hours("2026-10-04 23:00,12,0", "2026-10-04 24:00,11,0"))
    assert str(read_season(tmp_path).weather_hours["hour_utc"].iloc[1]) == "2026-10-05 00:00:00"
    assert told(tmp_path) == [
        "weather_hours.csv, row 3: hour_utc 2026-10-04 24:00 was read as 00:00 of the next day in 1 row. Nothing to do."
    ]


CHANGES = (  # clock changes of California in 2026: 8 March and 1 November
    *("2026-10-04 12:00,20,0", "2026-03-08 01:30,9,0", "2026-03-08 02:30,8,0", "2026-03-08 03:30,8,0"),
    *("2025-11-02 00:30,11,0", "2025-11-02 01:30,10,0", "2025-11-02 01:30,9,0", "2025-11-02 02:30,9,0"),
)


def test_24_hours_that_the_clock_skips_or_repeats(tmp_path):
    settings = SETTINGS + '[layout.weather_hours]\nclock = "America/Los_Angeles"\n'
    season = read_season(write(tmp_path, settings=settings, weather_hours=hours(*CHANGES)))
    assert told(tmp_path) == [
        "weather_hours.csv, row 4: hour_utc is 2026-03-08 02:30, an hour that the clock skipped. The hour isn't used.",
        "weather_hours.csv, row 7: hour_utc is 2025-11-02 01:30, an hour that the clock ran through twice "
        "(2 rows like it). The hour isn't used; write it with its offset, as 01:30-07:00.",
    ]
    assert [str(h) for h in season.weather_hours["hour_utc"]] == [
        *("2025-11-02 07:30:00", "2025-11-02 10:30:00", "2026-03-08 09:30:00", "2026-03-08 10:30:00"),
        "2026-10-04 19:00:00",
    ]


def test_24_an_offset_tells_the_two_apart(tmp_path):
    rows = ("2025-11-02 01:30-07:00,10,0", "2025-11-02 01:30-08:00,9,0")
    season = read_season(write(tmp_path, weather_hours=hours(*rows)))
    assert season.weather_hours["hour_utc"].dt.hour.tolist() == [8, 9]
    assert season.weather_hours["air_temp_c"].tolist() == [10, 9]


def test_a_clock_nobody_named_is_asked_for(tmp_path):
    settings = SETTINGS + '[layout.weather_hours]\nheadings = { Time = "hour_utc" }\n'
    text = hours("2026-10-04 12:00,20,0", "2026-10-04 13:00,21,0", head="station_id,Time,air_temp_c,rain_mm\n")
    write(tmp_path, settings=settings, weather_hours=text)
    assert told(tmp_path, "error") == [
        "weather_hours.csv, row 2: Time is 2026-10-04 12:00, and nothing says by which clock (2 rows like it). "
        'Write clock = "America/Los_Angeles", or clock = "UTC", under [layout.weather_hours] in season.toml.'
    ]
    settings = settings + 'clock = "Europe/Madrit"\n'
    write(tmp_path, settings=settings)
    with pytest.raises(SeasonError, match=r'clock is "Europe/Madrit", .* Did you mean "Europe/Madrid"'):
        read_season(tmp_path)


def test_hours_that_are_none_and_fahrenheit(tmp_path):
    rows = ("2026-10-04 12:00,70,0", "2026-10-04,71,0", "2026-10-04 25:00,72,0", "2026-10-04 13:00,-9999,0")
    write(tmp_path, weather_hours=hours(*rows))
    assert told(tmp_path) == [
        "weather_hours.csv: half of air_temp_c is above 71, which looks like Fahrenheit, expected degrees C. "
        "Head the column air_temp_f.",
        "weather_hours.csv, row 3: hour_utc is 2026-10-04 (2 rows like it), expected a day and an hour. "
        "Write it as 2026-10-05 13:00.",
    ]


def test_hours_of_a_workbook(tmp_path):
    write(tmp_path)
    book = openpyxl.Workbook()
    book.active.title = "weather_hours"
    book.active.append(["station_id", "hour_utc", "air_temp_c"])
    # A spreadsheet's 13:00 is 13/24 of a day, and may come back a hair before the minute.
    for stamp in (pd.Timestamp("2026-10-04 12:59:59.999"), pd.Timestamp("2026-10-04")):
        book.active.append(["S1", stamp.to_pydatetime(), 20.5])
    book.save(tmp_path / "records.xlsx")
    season = read_season(tmp_path)
    assert [str(h) for h in season.weather_hours["hour_utc"]] == ["2026-10-04 00:00:00", "2026-10-04 13:00:00"]


@pytest.mark.parametrize(
    "text", ["2026-10-05 13", "2026-10-05 1:60", "2026-10-05 24:01", "2026-10-05 13:00 pm", "13:00"]
)
def test_texts_that_are_no_hour(text):
    assert read_instant(text, None) is None


def test_a_station_in_no_zone(tmp_path):
    text = "station_id,lat_deg,lon_deg,time_zone\nS1,37.5,-5.1,Spain\n"
    write(tmp_path, stations=text, weather_hours=hours("2026-10-04 12:00,20,0"))
    assert told(tmp_path) == [
        "stations.csv, row 2: time_zone is Spain, expected a name of the IANA list. "
        "The season's, Europe/Madrid, was used."
    ]


# Aliases ----------------------------------------------------------------------------------------------------

WRITTEN = (
    TABLES["samples"]
    .replace("4,North 2", "4,NORTH-02")
    .replace("5,North 3", "5,Lower hill")
    .replace("6,South 1", "6,Sout 1")
)


def test_agreed_spellings_are_used(tmp_path):
    aliases = "as_written,block_id,seen_in\nLower Hill,North 3,laboratory\n"
    season = read_season(write(tmp_path, samples=WRITTEN.replace("Sout 1", "South 1"), aliases=aliases))
    assert season.samples["block_id"].tolist()[3:] == ["North 2", "North 3", "South 1"]
    assert "samples.csv, row 6: block_id was read by the aliases table: Lower hill is North 3. Nothing to do." in told(
        tmp_path, "note"
    )
    assert season.blocked == {}


def test_spellings_are_offered_but_guesses_do_nothing(tmp_path):
    season = read_season(write(tmp_path, samples=WRITTEN))
    path = write_aliases(season, tmp_path)
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = {row["as_written"]: row for row in csv.DictReader(file)}
    assert set(rows) == {"NORTH-02", "Sout 1"}  # nothing is like Lower hill
    assert (rows["NORTH-02"]["block_id"], rows["NORTH-02"]["perhaps"]) == ("North 2", "")
    assert (rows["Sout 1"]["block_id"], rows["Sout 1"]["perhaps"]) == ("", "South 1")
    before = told(tmp_path)
    assert not any("aliases_offered" in sentence for sentence in before)  # it isn't read by itself
    path.rename(tmp_path / "aliases.csv")
    after = told(tmp_path)
    assert "samples.csv, row 5: block_id `NORTH-02` was taken for North 2. Nothing to do." not in after
    assert "samples.csv, row 7: no such block as `Sout 1`. Did you mean South 1?" in after
    text = (tmp_path / "aliases.csv").read_text(encoding="utf-8-sig").replace("Sout 1,,", "Sout 1,South 1,")
    (tmp_path / "aliases.csv").write_text(text)
    season = read_season(tmp_path)
    assert "6" in season.samples["sample_id"].tolist()
    assert write_aliases(season, tmp_path) is None


def test_an_alias_can_not_be_the_name_of_another_block(tmp_path):
    write(tmp_path, aliases="as_written,block_id\nnorth-3,North 2\n")
    assert told(tmp_path) == [
        "aliases.csv, row 2, block North 2: as_written north-3 is the name of block North 3, and block_id is North 2. "
        "Delete the row; the block keeps its own name."
    ]
    assert read_season(tmp_path).samples["block_id"].tolist().count("North 3") == 2


def test_faults_of_aliases_stop_no_block(tmp_path):
    write(tmp_path, aliases="as_written,block_id,agreed_on\nLow,North 2,31/31/2026\nLower,,\n")
    assert set(check(tmp_path)["level"]) == {"warning"}
    assert read_season(tmp_path).blocked == {}


def test_hostile_spellings_are_offered_as_text(tmp_path):
    season = read_season(write(tmp_path, **spoil("samples", "4,North 2", '4,"=North,2"')))
    assert "'=North,2" in write_aliases(season, tmp_path).read_text(encoding="utf-8-sig")
