"""Tables of the week: building blocks, saving, one grower's part, what people read."""

from __future__ import annotations

import dataclasses
import os
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from invented_week import HOSTILE, invented_week

from olivetime.records.columns import SeasonError
from olivetime.report import tables as T


@pytest.fixture(scope="module")
def week():
    return invented_week(18, units="us")


@pytest.fixture(scope="module")
def hostile():
    return invented_week(48, units="metric", hostile=True)


def _empty(week):
    parts = {name: getattr(week, name).iloc[:0] for name in T.TABLE_NAMES}
    return T.make_week(week.info, parts)


# --- names, units, dates, numbers


@pytest.mark.parametrize("name", [*HOSTILE, "Peña & Sons", "", "  ", "a" * 300, "CON", "../.."])
def test_grower_id_is_safe_in_file_names_and_notebook_parameters(name):
    assert re.fullmatch(r"[A-Za-z0-9_-]{1,40}", T.grower_id(name))


def test_grower_ids_of_names_that_look_alike_differ():
    names = ["Peña", "Pena", "PENA", "pe-na", "\u5317", "\u5357"]
    assert len({T.grower_id(n) for n in names}) == len(names)


@pytest.mark.parametrize(
    ("quantity", "metric", "shown"),
    [
        # NIST Special Publication 811 (2008), appendix B, from memory: international acre 4046.8564 m2, inch 25.4 mm, mile 1.609344 km,
        # short ton 0.9071847 t.
        ("area", 100.0, 247.1054),
        ("rain", 25.4, 1.0),
        ("distance", 16.09344, 10.0),
        ("crop", 90.71847, 100.0),
        ("temp", -2.0, 28.4),
        ("temp", 100.0, 212.0),
        # By hand: 18 % oil is 360 lb a short ton, and 360 / 7.6 lb a gallon = 47.368 gallons.
        ("yield", 180.0, 47.3684),
    ],
)
def test_us_display_units(week, quantity, metric, shown):
    assert T.display_unit(week.info, quantity).of(metric) == pytest.approx(shown, rel=1e-6)


def test_display_unit_names_what_it_does_not_know(week):
    with pytest.raises(ValueError, match="found 'us' and 'speed', expected units us or metric and one of area"):
        T.display_unit(week.info, "speed")


@pytest.mark.parametrize(
    ("locale", "first", "last", "said"),
    [
        ("en_US", "2026-10-19", "2026-10-23", "Oct 19–23"),
        ("en_US", "2026-10-28", "2026-11-03", "Oct 28–Nov 3"),
        ("en_GB", "2026-10-19", "2026-10-23", "19–23 Oct"),
        ("es_ES", "2026-12-30", "2027-01-02", "30 Dec–2 Jan"),
        ("en_US", "2026-10-19", "2026-10-19", "Oct 19"),
        ("en_US", None, "2026-10-19", "Oct 19"),
        ("not a locale", "2026-10-19", "2026-10-23", "19–23 Oct"),
    ],
)
def test_days_are_said_in_the_order_of_the_locale(locale, first, last, said):
    assert T.days_text(first, last, {"locale": locale}) == said


def test_numbers_and_money_follow_the_locale():
    spain, usa = {"locale": "es_ES", "currency": "EUR"}, {"locale": "en_US", "currency": "USD"}
    assert T.number_text(12345.678, spain, 1) == "12.345,7"
    assert T.number_text(12345.678, usa, 1) == "12,345.7"
    assert T.number_text(-0.04, usa, 1) == "0.0"
    assert T.number_text(-2.5, usa, 1) == "\N{MINUS SIGN}2.5"
    assert T.money_text(-12345, usa) == "\N{MINUS SIGN}$12,300"
    assert T.money_text(12345, spain).replace("\xa0", " ") == "12.300 €"


@pytest.mark.parametrize("missing", [None, np.nan, pd.NA, pd.NaT, np.inf])
def test_missing_values_are_shown_as_nothing(week, missing):
    assert T.number_text(missing, week.info) == ""
    if missing is not pd.NaT:
        assert T.money_text(missing, week.info) == ""


# --- sentences


def _with_first(week, weather=None, **changes):
    order = week.order.copy()
    for column, value in changes.items():
        order[column] = order[column].astype(object)
        order.loc[0, column] = value
    return T.make_week(
        week.info, {n: getattr(week, n) for n in T.TABLE_NAMES} | {"order": order} | ({} if weather is None else {"weather": weather})
    )


def test_headline_gives_the_block_the_days_past_the_cost_and_the_rain(week):
    stage = week.stage.copy()
    first = week.order.loc[0, "block_id"]
    at = stage.index[stage["block_id"] == first][0]
    stage.loc[at, "verdict"] = "reached"
    stage.loc[at, "on_p50"] = pd.Timestamp("2026-10-17")  # two days before the week's Monday, 19 October 2026
    changed = dataclasses.replace(_with_first(week, waiting_1d=451.0), stage=stage)
    name = week.order.loc[0, "block_name"]
    # The invented weather has rain at 75 % on the sixth day, a Saturday.
    assert T.headline(changed) == (
        f"Pick {name} first. It passed its target 2 days ago and each day of waiting costs about $451; "
        "rain is likely on Saturday (75 %)."
    )


def test_headline_of_a_block_under_the_machine_says_finish(week):
    assert T.headline(_with_first(week, status="picking")).startswith(f"Finish {week.order.loc[0, 'block_name']} first.")


def test_headline_of_a_later_start_says_when(week):
    text = T.headline(_with_first(week, start_at=pd.Timestamp("2026-10-22 07:00")))
    assert text.startswith(f"Pick {week.order.loc[0, 'block_name']} first, on Oct 22.")


def test_headline_without_any_order_gives_the_reason(week):
    order = week.order.assign(rank=pd.NA, status="left")
    info = {**week.info, "why": "The mill is closed every day."}
    bare = T.make_week(info, {"order": order, "stage": week.stage, "weather": week.weather})
    assert bare.info["headline"] == "No block is to be picked in the days ahead. The mill is closed every day."


def test_headline_when_all_is_picked(week):
    order = week.order.assign(status="picked")
    assert T.headline(T.make_week(week.info, {"order": order, "stage": week.stage})) == "All blocks are picked."


@pytest.mark.parametrize(
    ("verdict", "p10", "p50", "p90", "said"),
    [
        ("reached", None, None, None, "target reached"),
        ("reached", "2026-10-10", "2026-10-12", "2026-10-14", "reached Oct 12"),
        ("never", None, None, None, "never this season"),
        ("not yet", None, None, None, "not yet by Dec 28"),
        ("not yet", "2026-10-21", "2026-10-23", "2026-10-25", "Oct 23 (Oct 21–25)"),
        ("may never", "2026-10-21", "2026-10-23", None, "Oct 23 (Oct 21 or later)"),
    ],
)
def test_verdicts_in_words(week, verdict, p10, p50, p90, said):
    row = {"verdict": verdict, "on_p10": pd.to_datetime(p10), "on_p50": pd.to_datetime(p50), "on_p90": pd.to_datetime(p90)}
    assert T.verdict_text(row, week) == said


def test_cautions_stand_on_the_pages_that_guide_field_work():
    for page in ("pick_order", "mill_week", "what_if"):
        said = " ".join(T.cautions(page))
        assert "Local law, product labels" in said
        assert "hours and rest" in said
    assert "waiting time on a spray label is law" in " ".join(T.cautions("pick_order"))
    with pytest.raises(ValueError, match="found page 'index', expected one of pick_order"):
        T.cautions("index")


# --- numbers computed here


def test_good_window_is_the_run_of_days_round_the_best():
    days = pd.date_range("2026-10-19", periods=8)
    # By hand: best is 100 on day 3, so 98 and more is good; day 0 is good too but parted from the run by day 1.
    values = [99.0, 90.0, 98.0, 100.0, 99.0, 98.0, 97.9, 99.0]
    table = pd.DataFrame({"block_id": "a", "day": days, "value_p50": values})
    nothing = pd.DataFrame({"block_id": "b", "day": days, "value_p50": -1.0})
    got = T.good_window(pd.concat([table, nothing])).set_index("block_id")
    assert list(got.loc["a"]) == [days[2], days[5]]
    assert got.loc["b"].isna().all()


def test_heat_lead_is_against_the_median_past_season_of_the_same_day(week):
    heat = pd.DataFrame({
        "station_id": "S1", "season": [2023, 2024, 2025, 2025, 2026, 2026], "day_of_season": [79, 79, 79, 80, 78, 79],
        "heat_d": [60.0, 64.0, 70.0, 71.0, 66.0, 67.0],
    })  # fmt: skip
    assert T.heat_lead(T.make_week(week.info, {"heat": heat, "stage": week.stage})) == pytest.approx(3.0)  # 67 - median(60, 64, 70)
    assert T.heat_lead(T.make_week(week.info, {"heat": heat[heat["season"] == 2026], "stage": week.stage})) is None


@pytest.mark.parametrize("n", [1, 2, 9, 48])
def test_map_tiles_fill_the_field_without_overlap(n):
    stage = invented_week(n).stage
    stage.loc[stage.index[::5], ["lat_deg", "lon_deg"]] = np.nan
    tiles, ranches = T.map_tiles(stage, 260.0, 400.0)
    assert sorted(tiles["block_id"]) == sorted(stage["block_id"])
    box = tiles[["x0", "y0", "x1", "y1"]].to_numpy()
    assert (box[:, 0] < box[:, 2]).all()
    assert (box[:, 1] < box[:, 3]).all()
    assert box.min() >= 0
    assert (box[:, 2] <= 260).all()
    assert (box[:, 3] <= 400).all()
    for i in range(n):
        apart = (box[:, 2] <= box[i, 0]) | (box[:, 0] >= box[i, 2]) | (box[:, 3] <= box[i, 1]) | (box[:, 1] >= box[i, 3])
        assert apart.sum() == n - 1
    whole = (ranches["x1"] - ranches["x0"]) * (ranches["y1"] - ranches["y0"])
    assert whole.sum() == pytest.approx(260 * 400)


def test_map_keeps_west_left_and_north_up():
    stage = pd.DataFrame({
        "block_id": ["nw", "ne", "sw", "se"], "ranch": "r", "area_ha": 10.0,
        "lat_deg": [39.0, 39.0, 38.0, 38.0], "lon_deg": [-122.0, -121.0, -122.0, -121.0],
    })  # fmt: skip
    for width, height in ((300.0, 200.0), (200.0, 300.0)):
        at = T.map_tiles(stage, width, height)[0].set_index("block_id")
        assert at.loc["nw", "x0"] < at.loc["ne", "x0"]
        assert at.loc["nw", "y0"] < at.loc["sw", "y0"]
        assert at.loc["se", "x0"] > at.loc["sw", "x0"]
        assert at.loc["se", "y0"] > at.loc["ne", "y0"]


def test_doubtful_samples_are_those_the_fit_marked_furthest_out_first(week):
    residuals = week.residuals.assign(doubtful=False)
    residuals.loc[[3, 7, 9], "doubtful"] = [True, True, pd.NA]
    residuals.loc[[3, 7], "residual_sd"] = [2.5, -4.2]
    odd = T.doubtful(dataclasses.replace(week, residuals=residuals))
    assert list(odd["residual_sd"]) == [-4.2, 2.5]


# --- saving


def test_save_and_load_give_the_same_week_and_the_same_bytes(hostile, tmp_path):
    T.save_week(hostile, tmp_path / "a")
    T.save_week(hostile, tmp_path / "b")
    again = T.load_week(tmp_path / "a")
    assert again.info == hostile.info
    for name in T.TABLE_NAMES:
        pd.testing.assert_frame_equal(getattr(again, name), getattr(hostile, name))
    files = sorted(p.name for p in (tmp_path / "a").iterdir())
    assert files == sorted([f"{n}.{e}" for n in T.TABLE_NAMES for e in ("csv", "parquet")] + ["info.json"])
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_csv_cells_cannot_run_as_formulas(hostile, tmp_path):
    T.save_week(hostile, tmp_path)
    names = pd.read_csv(tmp_path / "stage.csv")["block_name"]
    assert "'=1+1" in set(names)
    assert not names.str.startswith(("=", "+", "-", "@")).any()


def test_load_refuses_a_folder_without_a_week(tmp_path):
    with pytest.raises(SeasonError, match="no info.json.*olivetime weekly"):
        T.load_week(tmp_path)


def test_load_refuses_tables_of_another_run(week, hostile, tmp_path):
    T.save_week(week, tmp_path / "a")
    T.save_week(hostile, tmp_path / "b")
    (tmp_path / "a" / "order.parquet").write_bytes((tmp_path / "b" / "order.parquet").read_bytes())
    with pytest.raises(SeasonError, match=r"order\.parquet.*a table of another run"):
        T.load_week(tmp_path / "a")
    (tmp_path / "a" / "order.parquet").unlink()
    with pytest.raises(SeasonError, match="no such table"):
        T.load_week(tmp_path / "a")


def test_a_save_that_fails_midway_leaves_no_half_file_and_is_not_read_as_a_week(week, hostile, tmp_path, monkeypatch):
    T.save_week(week, tmp_path)
    real, calls = os.replace, []

    def breaks(source, target):
        calls.append(target)
        if len(calls) == 9:
            raise OSError("No space left on device")
        real(source, target)

    monkeypatch.setattr(os, "replace", breaks)
    with pytest.raises(OSError, match="No space left"):
        T.save_week(hostile, tmp_path)
    assert not list(tmp_path.glob("*.part")) + list(tmp_path.glob(".*.part"))
    with pytest.raises(SeasonError, match="a table of another run"):
        T.load_week(tmp_path)


def test_make_week_refuses_a_table_it_does_not_know(week):
    with pytest.raises(ValueError, match="found 'orders', expected one of order, stage"):
        T.make_week(week.info, {"orders": week.order})


# --- one grower's week


def _all_text(week):
    texts = [repr(week.info)]
    for name in T.TABLE_NAMES:
        texts.append(getattr(week, name).to_csv(index=False))
    texts += [T.html_table(show(week)) for show in T.DISPLAY.values()]
    texts += [T.html_table(T.findings_table(week.findings)), T.headline(week), T.provenance(week)]
    return "\n".join(texts)


def test_a_growers_week_holds_nothing_of_other_growers(hostile):
    assert len(hostile.growers) >= 8
    for grower in hostile.growers["grower_id"]:
        mine = T.grower_week(hostile, grower)
        text = _all_text(mine)
        other = hostile.stage[hostile.stage["grower_id"] != grower]
        own = set(hostile.stage.loc[hostile.stage["grower_id"] == grower, "block_name"])
        samples = hostile.samples.loc[hostile.samples["block_id"].isin(other["block_id"]), "sample_id"]
        for word in {*other["block_id"], *(set(other["block_name"]) - own), *other["grower"], *other["grower_id"], *samples}:
            assert not re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text), word
        assert list(mine.order["rank"].dropna()) == list(range(1, mine.order["rank"].notna().sum() + 1))
        assert set(mine.order["block_id"]) == set(hostile.stage.loc[hostile.stage["grower_id"] == grower, "block_id"])


def test_a_growers_week_leaves_out_the_whole_plans_numbers(hostile):
    mine = T.grower_week(hostile, hostile.growers["grower_id"].iloc[0])
    for name in ("mill", "capacity", "prices", "rules", "what_ifs", "parameters", "shapes", "week_effects"):
        assert getattr(mine, name).empty, name
    for key in ("value", "value_p10", "value_p90", "bound", "gap_fraction"):
        assert mine.info[key] is None
    assert mine.order["margin_per_h"].isna().all()
    assert mine.sources["rows"].isna().all()


def test_a_growers_own_findings_stay(hostile):
    block = hostile.findings["value"].iloc[0]
    grower = hostile.stage.loc[hostile.stage["block_id"] == block, "grower_id"].iloc[0]
    assert list(T.grower_week(hostile, grower).findings["value"]) == [block]


def test_an_unknown_grower_is_named(week):
    with pytest.raises(ValueError, match="found 'nobody', expected one of invented-grower-1"):
        T.grower_week(week, "nobody")


# --- tables to show


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.seen, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


@pytest.mark.parametrize("make", ["week", "hostile", "empty"])
@pytest.mark.parametrize("name", list(T.DISPLAY))
def test_every_table_is_text_without_gaps_and_its_html_is_sound(name, make, request, week):
    data = _empty(week) if make == "empty" else request.getfixturevalue(make)
    table = T.DISPLAY[name](data)
    assert table.caption
    assert {len(row) for row in table.rows} <= {len(table.headings)}
    assert len(table.headings) == len(table.units) == len(table.align) == len(table.places)
    for cell in (c for row in table.rows for c in row):
        assert isinstance(cell, str)
        assert not re.fullmatch(r"nan|NaT|None|<NA>|NaN", cell)
    markup = T.html_table(table)
    tags = _Tags()
    tags.feed(markup)
    assert not tags.open
    assert "script" not in {tag for tag, _ in tags.seen}
    heads = [a for tag, a in tags.seen if tag == "th"]
    assert all(a.get("scope") in ("col", "row") for a in heads)
    if table.rows:
        assert table.caption in "".join(tags.text)
        assert len(heads) == len(table.headings) + len(table.rows)
    assert T.text_table(table).startswith(table.caption)


def test_hostile_names_are_escaped_in_html(hostile):
    markup = T.html_table(T.stage_table(hostile))
    assert "<script>alert(1)</script>" not in markup
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in markup


def test_order_table_is_in_us_units_and_in_order(week):
    table = T.order_table(week)
    row = dict(zip(table.headings, table.rows[0], strict=True))
    first = week.order.iloc[0]
    assert row["Block"] == f"1. {first['block_name']}"
    assert row["When"] == "today"
    # By hand from the metric tables: 1 ha = 2.4711 ac, 1 t = 1.10231 short tons.
    assert row["Area"] == f"{first['area_ha'] * 2.47105:.0f}"
    assert row["Crop"] == f"{first['crop_t'] * 1.10231:.0f}"
    assert table.units[table.headings.index("Crop")] == "short tons"
    assert [r[0].split(".")[0] for r in table.rows] == [str(i + 1) for i in range(len(table.rows))]


def test_phone_cards_carry_label_and_unit(week):
    markup = T.html_table(T.order_table(week, limit=1))
    assert 'class="cards order"' in markup
    assert re.search(r'<td role="cell" class="when"[^>]*>today</td>', markup)
    assert re.search(r'class="number" data-label="Area" data-unit="ac">\d+</td>', markup)


def test_an_empty_table_says_so_in_a_sentence(week):
    assert T.html_table(T.order_table(_empty(week))) == (
        '<p class="note">Harvest order: no block is to be picked in the days ahead.</p>'
    )


def test_changes_since_last_week_name_block_days_and_crop(week):
    order = week.order.copy()
    order["start_at"] = order["start_at"].where(order.index != 1, order["start_at"] + pd.Timedelta(days=3))
    order["crop_t"] = order["crop_t"].where(order.index != 1, 100.0)
    after = dataclasses.replace(week, order=order)
    table = T.changes_table(after, week)
    assert len(table.rows) == 1
    row = dict(zip(table.headings, table.rows[0], strict=True))
    assert row["Block"] == order.loc[1, "block_name"]
    assert row["Moved"] == "3 days later"
    assert row["Crop now"] == "110"  # 100 t are 110.2 short tons
    assert T.changes_table(week, week).rows == ()


def test_rules_are_compared_with_this_order(week):
    table = T.rules_table(week)
    assert table.rows[0][0] == "this order"
    share = dict(zip(table.headings, table.rows[0], strict=True))["Of the most possible"]
    assert share == "99.0"  # the invented bound is 1 % above the order's value


def test_findings_come_gravest_first_and_say_how_many_are_left_out():
    findings = pd.DataFrame({
        "code": "x", "level": ["note", "error", "warning"], "table": "samples", "file": "samples.csv", "sheet": "",
        "row": [3.0, 4.0, np.nan], "column": "oil_fresh_pct", "value": "1", "says": ["a", "b", "c"], "do": "Mend it.",
    })  # fmt: skip
    table = T.findings_table(findings, most=2)
    assert table.caption == "Findings in the records, 2 of 3"
    assert [row[2] for row in table.rows] == ["b", "c"]
    assert table.rows[0][0] == "samples.csv, row 4, oil_fresh_pct"


def test_grade_limits_name_standard_and_source():
    table = T.grade_limits_table()
    wanted = [r for r in table.rows if r[0] == "EU 2019" and r[1] == "extra virgin" and r[2] == "free acidity"]
    assert wanted[0][3] == "at most 0.8"
    assert "2568/91" in wanted[0][5]


def test_records_are_plain_json_values(week):
    rows = T.records_of(week.order)
    assert rows[0]["start_at"] == "2026-10-19T06:00"
    assert rows[-1]["rank"] is None
    assert all(isinstance(v, str | int | float | bool | None) for row in rows for v in row.values())
