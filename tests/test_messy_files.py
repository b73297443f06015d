"""Messy files as offices and laboratories send them: what is read, and what is said about it.

Every file is small and invented. A case states each sentence about the samples, or that there is none, and the tests
check that the values are those of the sound season, or that the sample is left out: there is no third way.
"""

import datetime as dt
import re
import zipfile

import openpyxl
import pytest
from openpyxl.styles import Font
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from small_season import SETTINGS, TABLES, spoil, write

from olivetime.records import files
from olivetime.records.columns import SeasonError
from olivetime.records.season import check, read_season

S = TABLES["samples"]
VALUES = [["60.0", "13.2", "33.0"], ["61.0", "12.5", "32.1"], ["62.0", "12.2", "32.1"]]
VALUES += [["59.0", "14.6", "35.6"], ["60.0", "13.9", "34.8"], ["61.5", "13.4", "34.8"]]
ROWS = [line.split(",") for line in S.splitlines()]


def said(folder, table="samples"):
    return sentences_of(check(folder), table)


def sentences_of(found, table="samples"):
    found = found[found["table"].isin([table, ""]) & (found["code"] != "few-samples")]
    return [f"{row.level[0].upper()} {row.says} {row.do}" for row in found.itertuples()]


def samples_of(season):
    frame = season.samples
    days = frame["sampled_on"].dt.strftime("%m-%d")
    return dict(
        zip(frame["sample_id"], zip(frame["block_id"], days, frame["oil_dry_pct"].round(1), strict=True), strict=True)
    )


SOUND = {
    "1": ("North 2", "09-28", 33.0),
    "2": ("North 3", "09-28", 32.1),
    "3": ("South 1", "09-28", 32.1),
    "4": ("North 2", "10-05", 35.6),
    "5": ("North 3", "10-05", 34.8),
    "6": ("South 1", "10-05", 34.8),
}
NOTHING = "Nothing to do."
PLACE = "samples.csv"

# Sound after all: name, the file, what is said.
SOUND_CSV = [
    ("no-break spaces", S.replace("North 2", "North\u00a02").replace("60.0,", "\u00a060.0\u00a0,"), None),
    ("tabs, utf-16", S.replace(",", "\t").encode("utf-16"), []),
    ("bars", S.replace(",", "|"), []),
    ("a first line that names the separator", "sep=;\n" + S.replace(",", ";"), []),
    ("old line ends", S.replace("\n", "\r"), []),
    ("blanks around everything", S.replace(",", " , ").replace("\n", " \r\n") + "\r\n \r\n", []),
    (
        "decimal commas, per cent signs",
        S.replace(",", ";").replace(".", ",").replace("60,0", "60,0 %"),
        [f"N {PLACE}, row 2: numbers were read with a decimal comma, because moisture_pct is `60,0 %`. {NOTHING}"],
    ),
    (
        "one column with decimal commas",
        re.sub(r"(-\d\d,)(\d\d)\.(\d),", r'\1"\2,\3",', S),
        [
            f"N {PLACE}, row 2: moisture_pct was read with a decimal comma, unlike the rest, because all of it is like "
            f"`60,0`. {NOTHING}"
        ],
    ),
    (
        "remarks below the table",
        S + "\n* oil on dry matter\n",
        [
            f"W {PLACE}, row 9: `* oil on dry matter` stands alone, so row 9 was not read. Nothing to do if it is a "
            "remark; else fill in the row."
        ],
    ),
    (
        "numbered rows without a sample",
        S + "7,,,,,\n8,,,,,\n",
        [
            f"W {PLACE}, row 8: `7` stands alone, so rows 8, 9 were not read. Nothing to do if it is a remark; else "
            "fill in the row."
        ],
    ),
    (
        "totals in several words and languages",
        S + "Total general,,,60,13,33\nStd. dev.,,,1,1,1\n,Promedio,,60,13,33\nMáximo,,,60,13,33\n".replace("á", "a"),
        [
            f"N {PLACE}, row 8: total or average skipped in rows 8, 9, 10. {NOTHING}",
            f"E {PLACE}, row 11: block_id and sampled_on are empty. Fill them in.",
        ],
    ),
    ("blank columns", "\n".join(line.replace(",", ",,") + "," for line in S.splitlines()), []),
    (
        "units in a second heading row",
        S.replace("moisture_pct,oil_fresh_pct,oil_dry_pct", "moisture,oil fresh,oil dry\n,,,%,%,%"),
        [],
    ),
    (
        "units and remarks in brackets below",
        S.replace(
            "sampled_on,moisture_pct,oil_fresh_pct,oil_dry_pct",
            "Sampled on,Moisture,Oil,Oil\n,,(date),(%),(% FW),(% DM)",
        ),
        [],
    ),
    (
        "basis as laboratories write it",
        S.replace("moisture_pct,oil_fresh_pct,oil_dry_pct", "Water %,Oil % FW,Oil % DM"),
        None,
    ),
    (
        "spellings of headings",
        S.replace(
            "sample_id,block_id,sampled_on,moisture_pct,oil_fresh_pct,oil_dry_pct",
            "SAMPLE ID.,Block-Id,Sampled On,Moisture (%),Oil fresh [%],Oil Dry %",
        ),
        [],
    ),
    (
        "dates in letters",
        S.replace("2026-09-28", "28 de septiembre de 2026").replace("2026-10-05", "5 ottobre 2026"),
        [],
    ),
    ("dates without separators", S.replace("2026-10-05", "20261005"), []),
    ("dates with a clock", S.replace("2026-10-05", "2026-10-05T07:30:00"), []),
    (
        "month first, proved",
        S.replace("2026-09-28", "9/28/2026").replace("2026-10-05", "10/5/2026"),
        [f"N {PLACE}: sampled_on was read as month/day, because row 2 is 9/28/2026. {NOTHING}"],
    ),
    (
        "quotes within a name",
        S.replace("1,North 2", '1,North "2"'),
        [f'N {PLACE}, row 2: block_id `North "2"` was taken for North 2. {NOTHING}'],
    ),
    (
        "a column twice, the same in both",
        "\n".join(f"{line},{line.split(',')[-1]}" for line in S.splitlines()),
        [
            f"W {PLACE}: column oil_dry_pct stands twice (F, G), expected one column. The first was read, as all hold "
            "the same; delete the others."
        ],
    ),
    (
        "two files joined, each with its mark and headings",
        "\ufeff" + "\n".join(S.splitlines()[:4]) + "\n\ufeff" + "\n".join([S.splitlines()[0], *S.splitlines()[4:]]),
        [f"N {PLACE}, row 5: repeated heading skipped in row 5. {NOTHING}"],
    ),
    (
        "names in other spellings",
        S.replace("4,North 2", "4,NORTH\u201102").replace("6,South 1", "6,south_01"),
        [
            f"N {PLACE}, row 5: block_id `NORTH\u201002` was taken for North 2. {NOTHING}",
            f"N {PLACE}, row 7: block_id `south_01` was taken for South 1. {NOTHING}",
        ],
    ),
]


@pytest.mark.parametrize(("data", "sentences"), [c[1:] for c in SOUND_CSV], ids=[c[0] for c in SOUND_CSV])
def test_files_that_are_sound_after_all(tmp_path, data, sentences):
    write(tmp_path, samples=data)
    season = read_season(tmp_path)
    if sentences is not None:
        assert sorted(sentences_of(season.findings)) == sorted(sentences)
    if "Water" in str(data):
        assert season.samples["oil_fresh_pct"].tolist() == [float(v[1]) for v in VALUES]
    assert samples_of(season) == SOUND


# One sample is left out, and its block waits: name, the text in place of row 2, the sentence.
ONE = "1,North 2,2026-09-28,60.0,13.2,33.0"
WHERE = "E samples.csv, row 2, block North 2: "
LEFT_OUT = [
    (
        "minus",
        "1,North 2,2026-09-28,60.0,\u221213.2,33.0",
        WHERE + "oil_fresh_pct is -13.2, expected 1 to 35 % of fresh weight. If the lab reports dry basis, put it in "
        "oil_dry_pct.",
    ),
    (
        "more than",
        "1,North 2,2026-09-28,60.0,>30,33.0",
        WHERE + "oil_fresh_pct is `>30`, expected a number. Write the number only.",
    ),
    (
        "limit with a comma",
        '1,North 2,2026-09-28,60.0,"<0,5",',
        WHERE + "oil_fresh_pct `<0,5` has a decimal comma but this file uses a point. Retype it, or write decimal = "
        '"," under [layout] in season.toml.',
    ),
    (
        "plus and minus",
        "1,North 2,2026-09-28,60.0,13.2±0.3,33.0",
        WHERE + "oil_fresh_pct is `13.2±0.3`, expected a number. Write the number only.",
    ),
    (
        "a range",
        "1,North 2,2026-09-28,58-60,13.2,33.0",
        WHERE + "moisture_pct is `58-60`, expected a number. Write the number only.",
    ),
    (
        "a footnote mark",
        "1,North 2,2026-09-28,60.0*,13.2,33.0",
        WHERE + "moisture_pct is `60.0*`, expected a number. Write the number only.",
    ),
    (
        "thousands",
        '1,North 2,2026-09-28,"1,060.0",13.2,33.0',
        WHERE
        + "moisture_pct is 1,060.0, read as 1060, expected 20 to 85 % of fresh weight. Enter water as per cent of "
        "fresh weight.",
    ),
    (
        "other digits",
        "1,North 2,2026-09-28,٥٩,13.2,33.0",
        WHERE + "moisture_pct is `٥٩`, expected a number. Write the number only.",
    ),
    (
        "underscores",
        "1,North 2,2026-09-28,6_0,13.2,33.0",
        WHERE + "moisture_pct is `6_0`, expected a number. Write the number only.",
    ),
    (
        "zero for nothing",
        "1,North 2,2026-09-28,0,13.2,33.0",
        WHERE + "moisture_pct is 0, expected 20 to 85 % of fresh weight. Enter water as per cent of fresh weight.",
    ),
    (
        "part of a date",
        "1,North 2,Sept 2026,60.0,13.2,33.0",
        WHERE + "sampled_on is Sept 2026, expected a date. Write the date as 2026-10-05.",
    ),
    (
        "an impossible day",
        "1,North 2,2026-09-31,60.0,13.2,33.0",
        WHERE + "sampled_on is 2026-09-31, expected a date. Write the date as 2026-10-05.",
    ),
    (
        "bases swapped",
        "1,North 2,2026-09-28,60.0,33.0,13.2",
        WHERE
        + "oil_dry_pct should be 100*33/(100-60)=82.5 but 13.2 given. Swap oil_fresh_pct and oil_dry_pct: then all "
        "three agree.",
    ),
    (
        "an error cell",
        "1,North 2,#N/A,60.0,13.2,33.0",
        WHERE + "sampled_on is #N/A, expected a date. Open the workbook, recalculate, save.",
    ),
]


@pytest.mark.parametrize(("row", "sentence"), [c[1:] for c in LEFT_OUT], ids=[c[0] for c in LEFT_OUT])
def test_a_sample_that_can_not_be_read_is_left_out_and_told(tmp_path, row, sentence):
    write(tmp_path, **spoil("samples", ONE, row))
    season = read_season(tmp_path)
    assert [text for text in sentences_of(season.findings) if text.startswith("E ")] == [sentence]
    assert samples_of(season) == {k: v for k, v in SOUND.items() if k != "1"}
    assert list(season.blocked) == ["North 2"]


# Rows that touch no block, and files that say one thing in one line.
ONE_LINE = [
    (
        "a comma too many in each row",
        S.replace("33.0", "33.0,x").replace("32.1", "32.1,x").replace("34.8", "34.8,x"),
        "E samples.csv, row 2: 7 cells stand in rows 2, 3, 4, 6, 7, expected 6, as in the heading. Look for a missing "
        "or extra delimiter.",
    ),
    (
        "rows under another delimiter",
        S.splitlines()[0].replace(",", ";") + "\n" + "\n".join(S.splitlines()[1:]).replace(",", ";", 5),
        "E samples.csv, row 3: 1 cell stands in rows 3, 4, 5, 6, 7, expected 6, as in the heading. Look for a missing "
        "or extra delimiter.",
    ),
    (
        "a second table below, its columns in another order",
        S + "block_id,sample_id,sampled_on,moisture_pct,oil_dry_pct,oil_fresh_pct\nNorth 2,7,2026-10-05,60,35,14\n",
        "E samples.csv, row 8: headings of table samples stand in row 8; nothing was read from there on. Move those "
        "rows to a sheet or file of their own.",
    ),
    (
        "another table below",
        S + "mill_id,day,booked_h,,,\nM1,2026-10-20,4,,,\n",
        "E samples.csv, row 8: headings of table mill_days stand in row 8; nothing was read from there on. Move those "
        "rows to a sheet or file of their own.",
    ),
    (
        "a block of digits that a program took for a number",
        S + "7,2.0,2026-10-05,60.0,13.2,33.0\n",
        "E samples.csv, row 8: no such block as `2.0`. Did you mean 2?",
    ),
    (
        "rows with neither name nor day",
        S + ",,,60.0,13.2,33.0\n,,,60.0,13.2,33.0\n",
        "E samples.csv, row 8: no sample_id, block_id or sampled_on in rows 8, 9. Fill them in, or clear the row.",
    ),
    (
        "rows that lack the same",
        S + "7,,,60.0,13.2,33.0\n8,,,60.0,13.2,33.0\n",
        "E samples.csv, row 8: block_id and sampled_on are empty in rows 8, 9. Fill them in.",
    ),
    (
        "a name of five thousand letters",
        S + f"7,{'N' * 5000},2026-10-05,60.0,13.2,33.0\n",
        f"E samples.csv, row 8: no such block as `{'N' * 57}...`. Add it to blocks, or correct the name.",
    ),
    (
        "a formula for a name",
        S + "7,\"=cmd|' /C calc'!A0\",2026-10-05,60.0,13.2,33.0\n",
        "E samples.csv, row 8: no such block as `=cmd|' /C calc'!A0`. Add it to blocks, or correct the name.",
    ),
    (
        "no accents in this code page",
        (S + "7,Río 1,2026-10-05,60.0,13.2,33.0\n").encode("cp1252"),
        "E samples.csv, row 8: no such block as `Río 1`. Add it to blocks, or correct the name.",
    ),
]


@pytest.mark.parametrize(("data", "sentence"), [c[1:] for c in ONE_LINE], ids=[c[0] for c in ONE_LINE])
def test_one_line_for_one_fault(tmp_path, data, sentence):
    numbered = TABLES["blocks"] + "2,G,R,Arbequina,C1,5,8,2026-09-10,1,,S1\n20,G,R,Arbequina,C1,5,8,2026-09-10,1,,S1\n"
    write(tmp_path, samples=data, blocks=numbered)
    assert [text for text in said(tmp_path) if text.startswith("E ")] == [sentence]


def test_dates_with_points_and_with_slashes_come_from_different_hands(tmp_path):
    write(tmp_path, samples=S.replace("2026-09-28", "09/28/2026").replace("2026-10-05", "05.10.2026"))
    assert (
        "E samples.csv, row 5: sampled_on 05.10.2026 could be 5 October 2026 or 10 May 2026, and 2 more rows are like "
        'it. Write date_order = "dmy" or date_order = "mdy" under [layout] in season.toml.'
    ) in said(tmp_path)
    with pytest.raises(SeasonError, match=r"sampled_on 05\.10\.2026 could be 5 October 2026 or 10 May 2026"):
        read_season(tmp_path)


def test_a_number_without_a_mark_reads_where_marks_are_mixed(tmp_path):
    text = TABLES["blocks"].replace(",", ";").replace("6.5", "6,5").replace("9.5", "9")
    write(tmp_path, blocks=text)
    faults = [s for s in said(tmp_path, "blocks") if s.startswith("E ")]
    assert faults == [
        "E blocks.csv, row 2, block North 2: area_ha `6,5` has a decimal comma but this file uses a point. Retype it, "
        'or write decimal = "," under [layout] in season.toml.'
    ]
    assert read_season(tmp_path).blocks["crop_t_ha"].tolist() == [7.0, 9.0]


def test_a_faulty_station_is_one_line_however_many_blocks_hang_on_it(tmp_path):
    write(tmp_path, stations=TABLES["stations"].replace("37.5", "37.5 N"))
    assert [s for s in said(tmp_path, "blocks") if s.startswith("E ")] == [
        "E blocks.csv, row 2: station_id is S1, which has an error of its own (stations.csv, row 2); 3 blocks hang on "
        "it. Mend that row."
    ]
    with pytest.raises(
        SeasonError, match=r"stations\.csv, row 2: lat_deg is `37.5 N`, expected a number\. Write degrees with decimals"
    ):
        read_season(tmp_path)


@pytest.mark.parametrize(("word", "organic"), [("sí", True), ("Sim", True), ("não", False), ("VERDADERO", True)])
def test_yes_and_no_in_four_languages(tmp_path, word, organic):
    write(tmp_path, blocks=TABLES["blocks"].replace(",yes,", f",{word},"))
    assert read_season(tmp_path).blocks["organic"].tolist() == [False, False, organic]


def test_a_trace_of_rain_is_none_to_speak_of(tmp_path):
    write(tmp_path, weather_days=TABLES["weather_days"].replace(",3.5", ",T"))
    assert said(tmp_path, "weather_days") == [
        f"N weather_days.csv, row 4: rain_mm is `T`, a trace: read as 0. {NOTHING}"
    ]
    assert read_season(tmp_path).weather_days["rain_mm"].tolist() == [0, 0, 0, 0]


def days_of(n, row):
    """Measured days in a row that ends with the small season's."""
    first = dt.date(2026, 10, 5) - dt.timedelta(days=n - 1)
    lines = [f"S1,{first + dt.timedelta(days=i)},{row(i)}" for i in range(n)]
    return "\n".join([TABLES["weather_days"].splitlines()[0], *lines]) + "\n"


def test_many_values_of_one_fault_in_a_long_record_are_one_line(tmp_path):
    write(tmp_path, weather_days=days_of(30, lambda i: f"{10 + i % 3}.4 °C,25,{200 + 7 * i % 30}"))
    assert said(tmp_path, "weather_days") == [
        "W weather_days.csv, row 2: rain_mm is 200, and 29 more rows are like it, expected usually 0 to 150 mm. Check "
        "it; it was used.",
        "W weather_days.csv, row 2: temp_min_c is `10.4 °C` in 10 rows, expected a number. Write the number only.",
        "W weather_days.csv, row 3: temp_min_c is `11.4 °C` in 10 rows, expected a number. Write the number only.",
        "W weather_days.csv, row 4: temp_min_c is `12.4 °C` in 10 rows, expected a number. Write the number only.",
    ]
    assert read_season(tmp_path).weather_days["rain_mm"].tolist() == [200 + 7 * i % 30 for i in range(30)]
    touched = check(tmp_path)
    assert touched.loc[touched["column"] == "rain_mm", "value"].tolist() == ["200"]


def test_single_faults_in_a_long_record_keep_a_line_each(tmp_path):
    write(tmp_path, weather_days=days_of(60, lambda i: f"10,{90 + i if i % 6 == 0 else 25},0"))
    lines = said(tmp_path, "weather_days")
    assert [line.split(":")[0] for line in lines] == [f"W weather_days.csv, row {2 + i}" for i in range(0, 60, 6)]
    assert all(f"temp_max_c is {90 + i}," in line for i, line in zip(range(0, 60, 6), lines, strict=True))


def test_rain_added_up_since_some_day_is_told_and_not_used(tmp_path):
    sums = [3 * (i // 2) if i < 40 else 3 * ((i - 40) // 2) for i in range(70)]  # starts anew once
    write(tmp_path, weather_days=days_of(70, lambda i: f"10.{i % 10},2{i % 6},{sums[i]}"))
    assert said(tmp_path, "weather_days") == [
        "W weather_days.csv, row 2: rain_mm of S1 is above that of the day before 33 times and below it 1, expected "
        "the rain of each day. Such amounts are added up since some day, and none was used; write what fell each day."
    ]
    assert read_season(tmp_path).weather_days["rain_mm"].isna().all()
    # A wet month that grows wetter for a week is none of it.
    wet = [0, 2, 5, 9, 14, 20, 27, 3, 0, 1] * 7
    write(tmp_path, weather_days=days_of(70, lambda i: f"10.{i % 10},2{i % 6},{wet[i]}"))
    assert said(tmp_path, "weather_days") == []


def test_tenths_of_degrees_are_not_taken_for_fahrenheit(tmp_path):
    write(tmp_path, weather_days=days_of(30, lambda i: f"{100 + i},{250 + i},0"))
    assert said(tmp_path, "weather_days")[:2] == [
        "W weather_days.csv, row 2: temp_max_c is 250, and 29 more rows are like it, expected -25 to 55 degrees C. The "
        "value isn't used.",
        "W weather_days.csv, row 2: temp_min_c is 100, and 29 more rows are like it, expected -30 to 45 degrees C. The "
        "value isn't used.",
    ]


def test_lows_and_highs_under_each_others_heading(tmp_path):
    swapped = TABLES["weather_days"].replace("temp_min_c,temp_max_c", "temp_max_c,temp_min_c")
    write(tmp_path, weather_days=swapped)
    assert said(tmp_path, "weather_days") == [
        "W weather_days.csv, row 2: temp_min_c is above temp_max_c in 4 of 4 rows. Swap the headings of the two "
        "columns; none of these values was used."
    ]


def test_a_ton_that_could_be_two_is_asked_for_once(tmp_path):
    write(tmp_path, blocks=TABLES["blocks"].replace("crop_t_ha", "crop tons/ac"))
    with pytest.raises(SeasonError, match="heading crop tons/ac says ton, expected short_ton, or t for the metric ton"):
        read_season(tmp_path)
    assert len(said(tmp_path, "blocks")) == 1


def test_files_of_another_kind_name_the_way_out(tmp_path):
    write(tmp_path, samples=None)
    (tmp_path / "samples.tsv").write_text(S.replace(",", "\t"))
    with pytest.raises(
        SeasonError, match=r"table samples is missing\. There is samples\.tsv\. Rename it to samples\.csv\."
    ):
        read_season(tmp_path)
    (tmp_path / "samples.tsv").rename(tmp_path / "samples.xlsx")
    with pytest.raises(SeasonError, match=r'or write file = "samples\.xlsx" under \[layout\.samples\] in season\.toml'):
        read_season(tmp_path)


@pytest.mark.parametrize(("year", "season"), [("2025", 2025), ("1926", 1926)])
def test_a_wrong_year_is_not_put_away_into_an_earlier_season_without_a_word(tmp_path, year, season):
    write(tmp_path, samples=S.replace("4,North 2,2026", f"4,North 2,{year}"))
    assert said(tmp_path) == [
        f"W samples.csv, row 5, block North 2: sampled_on puts row 5 into the season of {season}; no other row is of "
        "that season. Correct the year, if it is a slip; the rows count as that season's until then."
    ]
    # An earlier season that was sampled as such is none of it, but one of a century ago is.
    rows = "".join(f"9{i},North 2,{year}-10-0{i},60.0,13.9,34.8\n" for i in range(1, 6))
    write(tmp_path, samples=S + rows)
    assert [text[:2] for text in said(tmp_path)] == ([] if season == 2025 else ["W "])


def test_an_odd_count_of_fruit_is_told_once(tmp_path):
    counts = ["fruits_n", "1.250", *["100"] * 5]
    write(tmp_path, samples="\n".join(map(",".join, zip(S.splitlines(), counts, strict=True))))
    assert said(tmp_path) == [
        "E samples.csv, row 2, block North 2: fruits_n is 1.250, expected a whole number. Correct the number."
    ]


def test_files_that_other_programs_write_name_the_way_out(tmp_path):
    write(tmp_path, samples='[{"sample_id": 1, "block_id": "North 2"}]')
    with pytest.raises(SeasonError, match=r"samples\.csv: the file is JSON, not a table, expected a CSV file\. Ask"):
        read_season(tmp_path)
    write(tmp_path, samples="[North 2],x\n")  # a bracket alone is no JSON
    with pytest.raises(SeasonError, match="no heading row was found"):
        read_season(tmp_path)
    (tmp_path / "samples.csv").unlink()
    for names, says in (
        (("mimetype",), r"records\.xlsx: the file is an OpenDocument file, expected an \.xlsx workbook\. Save it as"),
        (("[Content_Types].xml", "word/document.xml"), "the file is a text document, not a table, expected a workbook"),
        (("[Content_Types].xml", "xl/workbook.bin"), r"the file is a binary \.xlsb workbook, expected a workbook\."),
    ):
        with zipfile.ZipFile(tmp_path / "records.xlsx", "w") as archive:
            for name in names:
                archive.writestr(name, "application/vnd.oasis.opendocument.spreadsheet")
        with pytest.raises(SeasonError, match=says):
            read_season(tmp_path)
    (tmp_path / "records.xlsx").rename(tmp_path / "records.ods")
    with pytest.raises(SeasonError, match=r"table samples is missing\. There is records\.ods\. Save it as records"):
        read_season(tmp_path)


def test_a_sheet_with_nearly_the_name_of_a_table_is_named(tmp_path):
    book(tmp_path, fill)
    workbook = openpyxl.load_workbook(tmp_path / "records.xlsx")
    workbook["samples"].title = "Samples 2026"
    workbook.save(tmp_path / "records.xlsx")
    with pytest.raises(SeasonError, match=r"Rename sheet Samples 2026 in records\.xlsx to samples\."):
        read_season(tmp_path)


# Workbooks --------------------------------------------------------------------------------------------------


def typed(word):
    if re.fullmatch(r"\d{4}-\d\d-\d\d", word):
        return dt.datetime.fromisoformat(word)
    return float(word) if re.fullmatch(r"\d+\.\d", word) else word or None


def book(folder, build):
    """The sound season with its samples on a sheet that `build(book, sheet)` fills."""
    write(folder, samples=None)
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    sheet.title = "samples"
    build(sheet)
    workbook.save(folder / "records.xlsx")
    return folder


def fill(sheet, rows=ROWS):
    for row in rows:
        sheet.append([typed(word) for word in row])


HERE = "records.xlsx, sheet samples"


def merged_titles(sheet):
    sheet.append(["Invented laboratory"])
    sheet.merge_cells("A1:F1")
    sheet.append(["Sample", None, None, "Analysis"])
    sheet.merge_cells("A2:C2")
    sheet.merge_cells("D2:F2")
    fill(sheet)


def two_levels(sheet):
    sheet.append(["sample_id", "block_id", "sampled_on", "Moisture", "Oil", None])
    sheet.merge_cells("E1:F1")
    sheet.append([None, None, None, "%", "fresh %", "dry %"])
    fill(sheet, ROWS[1:])


def far_corner(sheet):
    fill(sheet)
    sheet["AA2"] = "note"
    sheet["XFD1048576"] = "x"


def not_at_the_edge(sheet):
    sheet["B2"] = "Lab X"
    for i, row in enumerate(ROWS):
        for j, word in enumerate(row):
            sheet.cell(i + 5, j + 4).value = typed(word)


def below_each_other(sheet):
    fill(sheet, ROWS[:4])
    sheet.append([])
    fill(sheet, ROWS[:1] + ROWS[4:])


def from_1904(sheet):
    sheet.parent.epoch = CALENDAR_MAC_1904
    fill(sheet)
    for row in range(2, 8):
        sheet.cell(row, 3).value = (sheet.cell(row, 3).value - dt.datetime(1904, 1, 1)).days
        sheet.cell(row, 3).number_format = "General"


def per_cent_format(sheet):
    fill(sheet)
    for row in range(2, 8):
        sheet.cell(row, 4).value /= 100
        sheet.cell(row, 4).number_format = "0.0%"


def hidden(sheet):
    fill(sheet)
    sheet.parent.create_sheet("Front")
    sheet.sheet_state = "hidden"


def hidden_column(sheet):
    fill(sheet)
    sheet.column_dimensions["F"].hidden = True


def formulas_dragged_down(sheet):
    fill(sheet)
    for row in range(8, 60):
        sheet.cell(row, 6).value = f"=100*E{row}/(100-D{row})"


def struck_out(sheet):
    fill(sheet)
    sheet["B4"].font = Font(strike=True)


def formula_in_a_remark(sheet):
    sheet.append([*ROWS[0], "note"])
    for row in ROWS[1:]:
        sheet.append([*map(typed, row), '=HYPERLINK("http://x.invalid","y")'])


def text_commas_in_one_column(sheet):
    fill(sheet)
    for row in range(2, 8):
        sheet.cell(row, 4).value = str(sheet.cell(row, 4).value).replace(".", ",")


def colour_classes_by_number(sheet):
    sheet.append([*ROWS[0], *[f"class {i}" for i in range(4)]])
    for row in ROWS[1:]:
        sheet.append([*map(typed, row), 10, 20, 15, 5])


def classes_under_one_heading(sheet):
    sheet.append([*ROWS[0], "class", None, None, None])
    sheet.merge_cells("G1:J1")
    sheet.append([None] * 6 + [0, 1, 2, 3])
    for row in ROWS[1:]:
        sheet.append([*map(typed, row), 10, 20, 15, 5])


SOUND_BOOKS = [
    (merged_titles, []),
    (two_levels, []),
    (far_corner, [f"N {HERE}: cells right of column 400 were not read. Move them to the left."]),
    (not_at_the_edge, []),
    (
        below_each_other,
        [
            f"N {HERE}: blank rows were skipped. {NOTHING}",
            f"N {HERE}, row 6: repeated heading skipped in row 6. {NOTHING}",
        ],
    ),
    (
        from_1904,
        [
            f"N {HERE}, row 2, block North 2: sampled_on is 44831, read as 2026-09-28, and 5 rows more in the same "
            f"way. {NOTHING}"
        ],
    ),
    (
        per_cent_format,
        [
            f"N {HERE}, row 2, block North 2: moisture_pct has per cent format; 0.6 read as 60, and 5 rows more in the "
            f"same way. {NOTHING}"
        ],
    ),
    (
        hidden,
        [
            f"W {HERE}: the sheet is hidden and was read all the same. Show it, or delete it if it should not count.",
        ],
    ),
    (
        struck_out,
        [f"W {HERE}, row 4: struck out and read all the same: row 4. Delete what should not count."],
    ),
    (
        hidden_column,
        [f"W {HERE}: oil_dry_pct is hidden and was read all the same. Show it, or delete it if it should not count."],
    ),
    (
        formulas_dragged_down,
        [f"N {HERE}, row 8: nothing but unfinished formulas skipped in rows 8, 9, 10, 11, 12 and 47 more. {NOTHING}"],
    ),
    (
        formula_in_a_remark,
        [
            f"W {HERE}, row 2, block North 2: note is a formula without a saved result, and was left empty in 6 rows. "
            "Open the workbook, recalculate, save."
        ],
    ),
    (
        text_commas_in_one_column,
        [
            f"N {HERE}, row 2: moisture_pct was read with a decimal comma, unlike the rest, because all of it is like "
            f"`60,0`. {NOTHING}"
        ],
    ),
    (colour_classes_by_number, []),
    (classes_under_one_heading, []),
]


@pytest.mark.parametrize(("build", "sentences"), SOUND_BOOKS, ids=[c[0].__name__ for c in SOUND_BOOKS])
def test_workbooks_that_are_sound_after_all(tmp_path, build, sentences):
    folder = book(tmp_path, build)
    season = read_season(folder)
    assert sentences_of(season.findings) == sentences
    assert samples_of(season) == SOUND
    if "class" in build.__name__:
        assert season.samples["maturity_index"].tolist() == pytest.approx([1.3] * 6)


def test_a_number_typed_into_a_per_cent_cell_is_shown_as_it_counts(tmp_path):
    def change(sheet):
        fill(sheet)
        sheet["E4"].number_format = "0.0%"

    assert (
        f"E {HERE}, row 4, block South 1: oil_fresh_pct is 12.2 in per cent format, so 1220, expected 1 to 35 % of "
        "fresh weight. If the lab reports dry basis, put it in oil_dry_pct."
    ) in said(book(tmp_path, change))


def test_a_spreadsheet_that_turned_half_of_the_dates(tmp_path):
    def change(sheet):
        fill(sheet)
        for row in (2, 3, 4):
            sheet.cell(row, 3).value = "28/09/2026"
        for row in (5, 6, 7):
            sheet.cell(row, 3).value = dt.datetime(2026, 5, 10)

    assert (
        f"W {HERE}, row 5, block North 2: sampled_on holds the text 28/09/2026 beside true dates whose day is never "
        "above 12, such as 2026-05-10; a spreadsheet set to another country may have swapped their day and month. "
        "Compare the true dates with the laboratory's own list; they were used as they stand."
    ) in [re.sub("block .*?: ", "block North 2: ", s, count=1) for s in said(book(tmp_path, change))]


def test_late_evening_is_still_the_same_day(tmp_path):
    def change(sheet):
        fill(sheet)
        sheet["C2"] = dt.datetime(2026, 9, 28, 23, 59, 40)

    assert samples_of(read_season(book(tmp_path, change))) == SOUND


def test_two_years_with_two_digits_need_an_order(tmp_path):
    write(tmp_path, samples=S.replace("2026-09-28", "28.09.26").replace("2026-10-05", "05.10.26"))
    assert [s for s in said(tmp_path) if s.startswith("E ")] == [
        "E samples.csv, row 2: sampled_on 28.09.26 has a year of two digits and could be 28 September 2026 or 26 "
        'September 2028, and 5 more rows are like it. Write four digits, or date_order = "dmy", "mdy" or "ymd" under '
        "[layout] in season.toml."
    ]
    (tmp_path / "season.toml").write_text(SETTINGS + '[layout]\ndate_order = "dmy"\n')
    assert samples_of(read_season(tmp_path)) == SOUND


def test_a_workbook_is_unpacked_once_and_anew_when_it_changed(tmp_path, monkeypatch):
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    opened = []
    real = files.open_workbook
    monkeypatch.setattr(files, "open_workbook", lambda *one, **more: opened.append(1) or real(*one, **more))
    for n, cell in enumerate(("first", "second"), start=1):
        book.active["A2"] = cell
        book.save(tmp_path / "records.xlsx")
        for _ in range(3):
            [grid] = files.read_workbook_grids(tmp_path / "records.xlsx")
            assert grid.texts[1][0] == cell
        assert len(opened) == n
