import json
import pickle

import pandas as pd
import pytest

from olivetime.records.columns import (
    DERIVED,
    KEYS,
    NEEDED_TABLES,
    RULES,
    SETTINGS,
    TABLE_HELP,
    TABLES,
    UNITS,
    SeasonError,
    column_of,
    columns_page,
    dtype_of,
    empty_table,
    rules_page,
    sentence,
    table_schema,
)
from olivetime.records.headings import accepted_headings, heading_key, is_bare_ton, match_heading

ALL = [(table, column) for table, columns in TABLES.items() for column in columns]


@pytest.mark.parametrize(("table", "column"), ALL, ids=lambda x: getattr(x, "name", x))
def test_every_column_is_complete(table, column):
    assert column.help.endswith("."), (table, column.name)
    assert column.kind in ("text", "number", "integer", "date", "instant", "bool", "choice")
    assert (column.kind == "choice") == bool(column.choices)
    unit = UNITS[column.unit]
    assert column.name.endswith(unit.suffix)
    if column.kind not in ("number", "integer"):
        assert column.hard is None
        assert column.unit == ""
    else:
        assert column.hard is not None
    if column.usual is not None:
        assert column.hard[0] <= column.usual[0] < column.usual[1] <= column.hard[1]
    if isinstance(column.default, float):
        assert column.hard[0] <= column.default <= column.hard[1]
    if column.refers_to:
        other, _, key = column.refers_to.partition(".")
        assert column_of(other, key).unique
    if column.unique:
        assert column.required


def test_percent_and_fraction_columns_hold_what_their_names_say():
    for _, column in ALL:
        if column.name.endswith("_pct"):
            assert column.unit.startswith("%")
            assert column.hard[1] > 1
        if column.name.endswith("_fraction"):
            assert column.hard[0] >= 0
            assert column.hard[1] <= 1


def test_tables_are_complete():
    assert set(TABLE_HELP) == set(TABLES) == set(KEYS)
    assert set(NEEDED_TABLES) <= set(TABLES)
    assert all(KEYS.values())
    assert KEYS["outlook"] == ("station_id", "issued_on", "member", "day")


def test_names_are_told_apart_as_headings():
    for table, columns in TABLES.items():
        accepted = accepted_headings(table)
        assert len({heading_key(c.name) for c in columns}) == len(columns)
        for column in columns:
            # No alternative of another column may take a column's own name.
            assert accepted[heading_key(column.name)].column.name == column.name
            assert accepted[heading_key(column.name)].factor == 1.0


@pytest.mark.parametrize(
    ("table", "heading", "column"),
    [
        ("blocks", "Area (acres)", "area_ha"),
        ("blocks", "AREA HA", "area_ha"),
        ("blocks", "Crop US tons/acre", "crop_t_ha"),
        ("samples", "Oil fresh %", "oil_fresh_pct"),
        ("samples", "oil-dry per cent", "oil_dry_pct"),
        ("samples", "Sample ID", "sample_id"),
        ("weather_days", "Temp min (\u00b0F)", "temp_min_c"),
        ("weather_days", "Rain inches", "rain_mm"),
        ("trucks", "Speed mph", "speed_km_h"),
        ("mill", "hours per day", "hours_per_day"),
        ("mill", "Cost per tonne", "cost_per_t"),
    ],
)
def test_headings_as_people_write_them(table, heading, column):
    assert match_heading(table, heading).column.name == column


@pytest.mark.parametrize("heading", ["area", "Moist.", "", "temp_min", "block"])
def test_headings_without_unit_or_sense_are_not_guessed(heading):
    assert all(match_heading(table, heading) is None for table in TABLES)


def test_a_bare_ton_is_known_as_such():
    assert is_bare_ton("blocks", "Crop tons/acre")
    assert is_bare_ton("picks", "net_ton")
    assert not is_bare_ton("picks", "net_short_ton")
    assert not is_bare_ton("picks", "Tonya")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_every_rule_says_where_its_default_comes_from(rule):
    assert rule.source
    assert rule.help.endswith(".")
    if not isinstance(rule.default, str):
        assert rule.low <= rule.default <= rule.high


def test_rules_and_settings_have_one_name_each():
    assert len({rule.name for rule in RULES}) == len(RULES)
    assert len({(s.section, s.name) for s in SETTINGS}) == len(SETTINGS)


def test_empty_tables_have_their_types():
    for table, columns in TABLES.items():
        frame = empty_table(table)
        assert list(frame.columns) == [*(c.name for c in columns), *DERIVED.get(table, ())]
        assert len(frame) == 0
        for column in columns:
            assert frame[column.name].dtype == pd.Series([], dtype=dtype_of(column)).dtype


def test_table_schema_is_json_and_names_keys_and_links():
    schema = json.loads(json.dumps(table_schema("samples"), allow_nan=False))
    assert schema["primaryKey"] == "sample_id"
    fields = {f["name"]: f for f in schema["fields"]}
    assert fields["moisture_pct"]["constraints"] == {"minimum": 20, "maximum": 85}
    assert fields["sampled_on"]["type"] == "date"
    assert fields["method"]["constraints"]["enum"] == ["soxhlet", "nmr", "nir", "other"]
    assert schema["foreignKeys"] == [{"fields": "block_id", "reference": {"resource": "blocks", "fields": "block_id"}}]
    assert table_schema("weather_days")["primaryKey"] == ["station_id", "day"]


def test_pages_name_every_column_and_rule():
    page = columns_page()
    for table, column in ALL:
        assert f"## {table}\n" in page
        assert column.name in page
    assert "area_ac (acre)" in page
    assert "colder_f" in page
    rules = rules_page()
    assert all(f"| {rule.name} |" in rules for rule in RULES)


def test_season_error_keeps_its_four_parts():
    error = SeasonError("samples.csv, row 4", "moisture_pct is 157", "20 to 85 %", "Correct the number.")
    assert str(error) == "samples.csv, row 4: moisture_pct is 157, expected 20 to 85 %. Correct the number."
    again = pickle.loads(pickle.dumps(error))
    assert (again.where, again.found, again.expected, again.do) == error.args
    assert sentence("a.csv", "b", "", "Do c.") == "a.csv: b. Do c."
