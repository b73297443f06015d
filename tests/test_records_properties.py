"""What must hold for any season folder, tried on many that chance made up.

The ordinary run is short. `OLIVETIME_EXAMPLES=20 pytest tests/test_records_properties.py` tries twenty times as many.
"""

import csv
import datetime as dt
import io
import os
import random
import re

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from small_season import SETTINGS, TABLES, write

from olivetime.records.cells import name_key
from olivetime.records.columns import TABLES as COLUMNS
from olivetime.records.columns import UNITS, SeasonError
from olivetime.records.export import heading_of, mark_workbook, write_aliases, write_problems, write_template
from olivetime.records.headings import match_heading
from olivetime.records.season import check, read_season

DEEPER = int(os.environ.get("OLIVETIME_EXAMPLES", "1"))
PICKS = "ticket_id,block_id,picked_on,area_ha,net_t\nT1,North 3,2026-10-03,1.5,10.25\nT0,North 3,2025-11-03,4,25\n"
SEASON = TABLES | {"picks": PICKS}


def examples(n):
    quiet = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large]
    # The short run is the same every time, and does not spend minutes on making a failing case smaller.
    phases = tuple(Phase) if DEEPER > 1 else (Phase.explicit, Phase.generate)
    return settings(
        max_examples=n * DEEPER,
        deadline=None,
        suppress_health_check=quiet,
        derandomize=DEEPER == 1,
        phases=phases,
        database=None,
    )


def frames(season):
    return {name: getattr(season, name) for name in [*COLUMNS, "past_samples", "past_picks"]}


def assert_same(one, other):
    for name, frame in frames(one).items():
        assert_frame_equal(frame, frames(other)[name], check_exact=False, rtol=1e-9, atol=1e-9, obj=name)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return read_season(write(tmp_path_factory.mktemp("plain"), picks=PICKS))


# The same season in other clothes ---------------------------------------------------------------------------


def spelt(name, rng):
    """A block's name as somebody else writes it; the key stays."""
    words = re.findall(r"[^\W\d_]+|\d+", name)
    words = [w.zfill(rng.choice([1, 2, 3])) if w.isdigit() else rng.choice([w, w.upper(), w.lower()]) for w in words]
    return rng.choice(["", " "]) + rng.choice([" ", "-", "_", " \u2013 ", "."]).join(words) + rng.choice(["", " "])


def heading(table, name, rng, ton):
    """Another accepted heading of a column, with its factor and offset from our unit."""
    column = next(c for c in COLUMNS[table] if c.name == name)
    unit = UNITS[column.unit]
    stem = name.removesuffix(unit.suffix) if unit.suffix else name
    choices = [(unit.suffix, 1.0, 0.0)] + [(a.suffix, a.factor, a.offset) for a in unit.alternatives]
    suffix, factor, offset = rng.choice(choices)
    if ton:
        suffix = suffix.replace("short_ton", rng.choice(["short_ton", "ton", "tons"]))
    text = stem + suffix
    text = rng.choice([text, text.upper(), text.replace("_", " "), text.replace("_", "-").title()])
    return text.replace("pct", rng.choice(["pct", "(%)"])), factor, offset


def dressed(table, text, rng, *, spelling, units, comma, order):
    """A table's text with the same meaning: rows and columns turned, other units, marks and spellings."""
    rows = list(csv.reader(io.StringIO(text)))
    names, body = rows[0], rows[1:]
    kinds = {c.name: c.kind for c in COLUMNS[table]}
    heads = {n: heading(table, n, rng, True) if units else (n, 1.0, 0.0) for n in names}
    places = list(range(len(names)))
    rng.shuffle(places)
    rng.shuffle(body)

    def cell(name, word):
        if word == "":
            return ""
        if kinds[name] in ("number", "integer"):
            _, factor, offset = heads[name]
            value = (float(word) - offset) / factor
            word = word if (factor, offset) == (1.0, 0.0) else f"{value:.12f}"
            return word.replace(".", ",") if comma else word
        if kinds[name] == "date":
            day = dt.date.fromisoformat(word)
            return {"ymd": word, "dmy": f"{day.day}/{day.month}/{day.year}", "mdy": day.strftime("%m-%d-%Y")}[order]
        return spelt(word, rng) if spelling and name == "block_id" and table != "blocks" else word

    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if comma else ",")
    writer.writerow([heads[names[i]][0] for i in places])
    writer.writerows([[cell(names[i], row[i]) for i in places] for row in body])
    return out.getvalue()


@examples(12)
@given(
    seed=st.integers(0, 10**6),
    spelling=st.booleans(),
    units=st.booleans(),
    comma=st.booleans(),
    order=st.sampled_from(["ymd", "dmy", "mdy"]),
)
def test_order_spelling_units_and_country_make_no_difference(tmp_path, plain, seed, spelling, units, comma, order):
    rng = random.Random(seed)
    changes = {
        table: dressed(table, text, rng, spelling=spelling, units=units, comma=comma, order=order)
        for table, text in SEASON.items()
    }
    layout = f'[layout]\nton = "short"\ndate_order = "{order}"\ndecimal = "{"," if comma else "."}"\n'
    season = read_season(write(tmp_path, settings=SETTINGS + layout, **changes))
    assert_same(plain, season)
    assert set(season.findings["level"]) <= {"note"}


# Template, filled and read ----------------------------------------------------------------------------------

NAME = st.text(st.sampled_from("abcXYZ 0123-äñ.=+@#"), min_size=1, max_size=8).map(str.strip).filter(bool)


def value_for(column, draw):
    """A sound value of a column in our unit, or None where it may be empty."""
    if not column.required and draw(st.booleans()):
        return None
    if column.kind in ("number", "integer"):
        low, high = column.usual or column.hard
        value = draw(st.floats(low, high).map(lambda v: round(v, 3)))
        return float(min(max(round(value), low), high)) if column.kind == "integer" else min(max(value, low), high)
    if column.kind == "bool":
        return draw(st.booleans())
    if column.kind == "choice":
        return draw(st.sampled_from(column.choices))
    if column.kind == "date":
        return draw(st.dates(dt.date(2026, 9, 1), dt.date(2026, 10, 5)))
    return draw(NAME)


FILLED = ("cultivars", "stations", "contracts", "mill", "trucks", "blocks", "harvesters", "weather_days", "mill_days")
OWN_RULES = {"closed_from", "closed_to", "pick_after", "pick_before", "ready_from", "ready_to", "kind", "currency",
             "time_zone", "start_block", "block_name", "step_per_point"}  # fmt: skip


@st.composite
def seasons(draw):
    """Rows of many tables, by column, each sound by itself and with what it refers to."""
    made = {}
    for table in FILLED:
        rows, seen = [], set()
        for _ in range(draw(st.integers(1, 2))):
            row = {}
            for column in COLUMNS[table]:
                refers = column.refers_to.partition(".")
                if column.name in OWN_RULES and not column.required:
                    row[column.name] = None
                elif refers[0] in made:
                    row[column.name] = draw(st.sampled_from([r[refers[2]] for r in made[refers[0]]]))
                elif column.refers_to:
                    row[column.name] = None
                else:
                    row[column.name] = value_for(column, draw)
            if table == "contracts":
                row |= {"kind": "own", "price_oil_kg": 5.0}
            if table == "weather_days":
                row |= {"temp_min_c": row["temp_min_c"] / 2 - 3, "temp_max_c": 30.0}
            key = tuple(name_key(str(row[c.name])) for c in COLUMNS[table] if c.unique)
            if key not in seen and all(key):
                seen.add(key)
                rows.append(row)
        assume(rows)
        made[table] = rows
    return made


@examples(4)
@given(made=seasons(), units=st.sampled_from(["metric", "us"]))
def test_a_template_filled_and_read_gives_what_was_filled_in(tmp_path_factory, made, units):
    folder = tmp_path_factory.mktemp("template")
    write_template(folder, units=units)
    book = openpyxl.load_workbook(folder / "records.xlsx")
    for table, rows in made.items():
        for i, row in enumerate(rows, start=2):
            for j, column in enumerate(COLUMNS[table], start=1):
                value = row[column.name]
                if isinstance(value, float):
                    match = match_heading(table, heading_of(column, units))
                    value = (value - match.offset) / match.factor
                cell = book[table].cell(i, j, value)
                if isinstance(value, str):
                    cell.data_type = "s"
    book.save(folder / "records.xlsx")
    (folder / "season.toml").write_text(SETTINGS)
    found = check(folder, "2026-10-05")
    told = found[(found["level"] == "error") & ~found["code"].isin(["no-pool"])]
    # Words such as "-" say that there is nothing; the generator may draw one for a name.
    assume(not told["code"].isin(["empty"]).any())
    assert told["says"].tolist() == []
    if found["code"].isin(["no-pool", "no-season"]).any():
        return
    season = read_season(folder, "2026-10-05")
    for table, rows in made.items():
        frame = getattr(season, table)
        assert len(frame) == len(rows)
        keys = [c.name for c in COLUMNS[table] if c.unique]
        by_key = {tuple(_plain(r[k]) for k in keys): r for r in rows}
        for got in frame.to_dict("records"):
            row = by_key[tuple(_plain(got[k]) for k in keys)]
            for column in COLUMNS[table]:
                wanted = row[column.name]
                if wanted is not None and column.name not in ("currency",):
                    assert _plain(got[column.name]) == (pytest.approx(wanted) if isinstance(wanted, float) else wanted)


def _plain(value):
    return value.date() if isinstance(value, pd.Timestamp) else value


# One block more ---------------------------------------------------------------------------------------------


@examples(10)
@given(
    name=NAME,
    area=st.sampled_from(["3", "", "x", "-1", "1,5"]),
    cultivar=st.sampled_from(["Arbequina", "Koroneiki", "Nobody's", ""]),
    oil=st.sampled_from(["30.1", "99", "n.d.", ""]),
)
def test_one_block_more_changes_no_other(tmp_path, plain, name, area, cultivar, oil):
    assume(name_key(name) not in {name_key(block) for block in plain.blocks["block_id"]})
    out = io.StringIO()
    csv.writer(out).writerow([name, "Grower C", "Dale", cultivar, "C1", area, 6, "2026-09-10", 30, "no", "S1"])
    sample = io.StringIO()
    csv.writer(sample).writerow([901, name, "2026-10-05", "60.0", "", oil])
    changes = {"blocks": TABLES["blocks"] + out.getvalue(), "samples": TABLES["samples"] + sample.getvalue()}
    season = read_season(write(tmp_path, picks=PICKS, **changes))
    ours = plain.blocks["block_id"].tolist()
    assert not set(season.blocked) & set(ours)
    for table in ("blocks", "samples", "picks"):
        frame = getattr(season, table)
        same = frame[frame["block_id"].isin(ours)].reset_index(drop=True)
        assert_frame_equal(same, getattr(plain, table))
    for table in ("weather_days", "harvesters", "contracts", "past_picks"):
        assert_frame_equal(getattr(season, table), getattr(plain, table))


# Nothing but SeasonError ------------------------------------------------------------------------------------


def read_or_told(folder):
    """The season, or None when a whole sentence says why there is none."""
    try:
        return read_season(folder)
    except SeasonError as error:
        parts = (error.where, error.found, error.do)
    if not all(parts):
        pytest.fail(f"a part of the sentence is missing: {parts}")
    return None


NASTY = st.one_of(
    st.text(max_size=8),
    st.floats(),
    st.integers(-(10**12), 10**12),
    st.booleans(),
    st.none(),
    st.dates(dt.date(1900, 3, 1), dt.date(2200, 1, 1)),
    st.times(),
    st.timedeltas(dt.timedelta(days=-5), dt.timedelta(days=999)),
    st.sampled_from(["#N/A", "=1+1", "=A1", "57,9", "13/10/26", "< 0,5 %", "Total", "1.2.3", "\u2212", "e" * 300]),
)
FORMATS = st.sampled_from(["General", "0.0%", "yyyy-mm-dd", "@", '0.0"%"', "[h]:mm", ";;;"])


@examples(8)
@given(table=st.sampled_from([*sorted(TABLES), "picks"]), data=st.data())
def test_whatever_stands_on_a_sheet(tmp_path_factory, table, data):
    folder = write(tmp_path_factory.mktemp("sheet"), **{table: None})
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = table
    for row in csv.reader(io.StringIO(SEASON[table])):
        sheet.append(row)
    for _ in range(data.draw(st.integers(1, 6))):
        cell = sheet.cell(data.draw(st.integers(1, 9)), data.draw(st.integers(1, 12)))
        try:
            cell.value = data.draw(NASTY)
        except (ValueError, openpyxl.utils.exceptions.IllegalCharacterError):
            continue
        cell.number_format = data.draw(FORMATS)
    for _ in range(data.draw(st.integers(0, 2))):
        top, left = data.draw(st.integers(1, 6)), data.draw(st.integers(1, 6))
        low, right = top + data.draw(st.integers(0, 3)), left + data.draw(st.integers(0, 2))
        sheet.merge_cells(start_row=top, start_column=left, end_row=low, end_column=right)
    if data.draw(st.booleans()):
        sheet.row_dimensions[data.draw(st.integers(1, 6))].hidden = True
        sheet.column_dimensions["B"].hidden = True
    book.save(folder / "records.xlsx")
    findings = check(folder)
    assert findings["says"].str.len().gt(0).all()
    write_problems(findings, folder)
    assert mark_workbook(folder, folder / "out", findings=findings) is not None
    season = read_or_told(folder)
    if season is not None:
        write_aliases(season, folder)


TOML = st.one_of(
    st.sampled_from(
        ["true", "1979-05-27", "1979-05-27T07:32:00Z", "[]", "{}", "nan", "-inf", "0", '""', "'x'", "[[1]]"]
    ),
    st.sampled_from(['"Mars/Olympus"', '"../../etc/passwd"', "{ file = 1 }", '{ headings = ["a"] }', "9" * 30]),
    st.integers().map(str),
    st.floats().map(str),
)
KEYS = re.findall(r"^(\w+) = .*$", SETTINGS, re.MULTILINE)


@examples(25)
@given(
    key=st.sampled_from(KEYS),
    value=TOML,
    more=st.sampled_from(["", "layout.", "rules.", "layout.samples."]),
    again=TOML,
)
def test_whatever_a_setting_is(tmp_path, key, value, more, again):
    text = re.sub(rf"^{key} = .*$", lambda _: f"{key} = {value}", SETTINGS, count=1, flags=re.MULTILINE)
    if more:
        text = f"{more}file = {again}\n{text}"
    write(tmp_path, settings=text)
    read_or_told(tmp_path)
