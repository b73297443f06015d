"""A long CSV file is split column by column; it must be read exactly as by the csv module."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_season import TABLES, write

from olivetime.records import files
from olivetime.records.season import read_season

CELLS = st.text(alphabet='ab1,;\t "\u00e9\u00a0\x1f\r\x0b.-', max_size=4)


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.lists(CELLS, min_size=1, max_size=3), min_size=1, max_size=6),
    delimiter=st.sampled_from(",;\t"),
    end=st.sampled_from(["\n", "\r\n", "\n\n"]),
)
def test_both_ways_of_splitting_agree(rows, delimiter, end):
    text = end.join(delimiter.join(row) for row in rows)
    quick = files.plain_csv_grid(text, "f.csv", delimiter, ())
    if quick is None:
        return
    plain = files._csv_grid(text, "f.csv", delimiter, ())
    assert list(quick.numbers) == plain.numbers
    assert [quick.texts[i] for i in range(len(quick.texts))] == plain.texts


def test_ordinary_files_take_the_quick_way():
    text = TABLES["samples"]
    grid = files.plain_csv_grid(text, "f.csv", ",", ())
    assert isinstance(grid.texts, files.ByColumn)
    assert grid.texts.clean
    for spoilt in (text.replace("33.0", '"33.0"'), text.replace("33.0", "33.0,x"), "Our laboratory\n" + text):
        assert files.plain_csv_grid(spoilt, "f.csv", ",", ()) is None


@pytest.mark.parametrize(
    "extra",
    [
        "",
        "Total,,,,,\nMean:,,,60.0,13.0,33.0\n",
        ",,,,,\n",
        " 7 , North 2,2026-10-05,n.d.,14.0,<5\n",
        "sample_id,block_id,sampled_on,moisture_pct,oil_fresh_pct,oil_dry_pct\n",
        "7,n\u00f3rth 2,2026-10-05,157,14.0,\n8,Noth 3,2026-10-05,60.0,0.19,\n",
        "1,North 2,2026-09-28,60.0,13.2,33.0\n2,North 2,2026-09-28,60.0,13.2,33.0\n",
    ],
)
def test_a_season_is_the_same_both_ways(tmp_path, monkeypatch, extra):
    folder = write(tmp_path, samples=TABLES["samples"] + extra + "9,South 1,2026-10-05,60.0,13.9,34.8\n")
    one = read_season(folder)
    monkeypatch.setattr(files, "_LONG_TEXT", 0)
    two = read_season(folder)
    pd.testing.assert_frame_equal(one.findings, two.findings)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(one, table), getattr(two, table))
