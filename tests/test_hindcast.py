"""Lookback: no week may look ahead, and scores are what the forecasts say."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from finished_season import of_growers, write_folder

from olivetime.harvest.forecasts import LINE_SAMPLES, _lines
from olivetime.harvest.hindcast import _scores, hindcast
from olivetime.report import tables, weekly
from olivetime.report.lookback_tables import replay_tables
from olivetime.report.render import notebooks_folder


@pytest.fixture(scope="module")
def folder(northern_season, tmp_path_factory):
    """Two growers of the northern sample season."""
    part = of_growers(northern_season, *northern_season.blocks["grower"].unique()[1:3])
    return write_folder(part, tmp_path_factory.mktemp("northern") / "season")


@pytest.fixture(scope="module")
def past(folder):
    return hindcast(folder, weeks=1, seed=3, evaluations=50)


def test_one_past_week_is_replayed_and_scored(past):
    assert len(past.orders) == 1
    assert past.orders["as_of"].iloc[0] == pd.Timestamp("2026-10-26")
    assert set(past.forecasts["kind"]) == {"oil_dry_pct", "oil_fresh_pct", "moisture_pct", "maturity_index"}
    assert (past.forecasts["lead_days"].between(1, 7)).all()
    assert "1 past week, " in past.says


def test_scores_are_worked_out_from_the_forecasts(past):
    dry = past.forecasts[past.forecasts["kind"] == "oil_dry_pct"]
    row = past.scores[past.scores["kind"] == "oil_dry_pct"].iloc[0]
    assert row["samples_n"] == len(dry)
    assert row["mean_abs_error"] == pytest.approx((dry["p50"] - dry["observed"]).abs().mean())
    assert row["bias"] == pytest.approx((dry["p50"] - dry["observed"]).mean())
    assert row["inside_fraction"] == pytest.approx(dry["observed"].between(dry["p10"], dry["p90"]).mean())


def test_records_that_came_later_change_no_forecast(past, folder, tmp_path):
    # every later result is doubled; what the week was told must stay as it was, to the last digit
    folder = shutil.copytree(folder, tmp_path / "season")
    samples = pd.read_csv(folder / "samples.csv", dtype=str, keep_default_na=False)
    later = samples["received_on"].where(samples["received_on"] != "", samples["sampled_on"]) > "2026-10-26"
    for column in ("oil_dry_pct", "oil_fresh_pct"):
        shown = later & (samples[column] != "")
        samples.loc[shown, column] = (samples.loc[shown, column].astype(float) * 1.02).round(2).astype(str)
    assert later.any()
    samples.to_csv(folder / "samples.csv", index=False)
    again = hindcast(folder, weeks=1, seed=3, evaluations=50)
    told = ["block_id", "sample_id", "kind", "p10", "p50", "p90", "line"]
    pd.testing.assert_frame_equal(again.forecasts[told], past.forecasts[told])
    assert again.orders["value"].iloc[0] == past.orders["value"].iloc[0]
    assert not np.allclose(again.forecasts["observed"], past.forecasts["observed"])


def test_the_straight_line_is_that_of_least_squares():
    days = pd.to_datetime(["2026-09-01", "2026-09-08", "2026-09-15", "2026-09-22", "2026-09-29"])
    known = pd.DataFrame({"block_id": "A", "sampled_on": days, "oil_dry_pct": [9.0, 18.0, 22.5, 27.0, 30.0]})
    wanted = pd.DataFrame({"block_id": ["A", "B"], "sampled_on": pd.to_datetime(["2026-10-06", "2026-10-06"])})
    x = np.array([0.0, 7.0, 14.0, 21.0])
    # an outside program: numpy's polynomial fit to the newest four
    expected = np.polynomial.Polynomial.fit(x, known["oil_dry_pct"].to_numpy()[-LINE_SAMPLES:], 1)(28.0)
    ours, rises = _lines(known, wanted, "oil_dry_pct")
    assert ours[0] == pytest.approx(expected)
    assert rises[0] == pytest.approx(np.polyfit(x, known["oil_dry_pct"].to_numpy()[-LINE_SAMPLES:], 1)[0])
    assert np.isnan(ours[1])


def test_without_later_samples_nothing_is_claimed():
    empty = _scores(pd.DataFrame())
    assert empty.empty
    assert "against_line_mean_abs_error" in empty.columns


def test_the_page_shows_the_ranges_now_before_and_after_memory(past):
    table = replay_tables(past, {"locale": "en_US", "currency": "USD"})[3]
    shown = [dict(zip(table.headings, row, strict=True)) for row in table.rows]
    dry = next(row for row in shown if row["Forecast"].startswith("Dry oil"))
    first = past.ranges[past.ranges["lead_weeks"] == 1]
    for side in ("before", "after"):
        # by hand: half of the mean distance of the range's ends
        half = (first[f"{side}_p90_pct"] - first[f"{side}_p10_pct"]).mean() / 2
        assert dry[f"Range now, {side}"] == f"±{half:.1f}"
    assert all(row["Range now, before"] == "" for row in shown if not row["Forecast"].startswith("Dry oil"))
    factor = past.memory.set_index(["kind", "lead_weeks"])["factor"]["oil_dry_pct", 1]
    wide = [(first[f"{side}_p90_pct"] - first[f"{side}_p10_pct"]).mean() for side in ("before", "after")]
    assert wide[1] / wide[0] == pytest.approx(factor, rel=0.02)


def test_what_a_run_saved_is_loaded_as_it_was_and_nothing_else_is(past, tmp_path):
    skill = pd.DataFrame({"source": ["outlook table"], "lead_d": [1], "score": [0.5]})
    tables.save_past(past, skill, tmp_path / "data", seed=3, weeks=1)
    loaded, scored = weekly.open_past(tmp_path, season=tmp_path / "none", as_of="", weeks=1, seed=3)
    assert loaded.says == past.says
    for name, frame in vars(past).items():
        if isinstance(frame, pd.DataFrame):
            pd.testing.assert_frame_equal(getattr(loaded, name), frame, check_dtype=False)
    pd.testing.assert_frame_equal(scored, skill, check_dtype=False)
    assert tables.load_past(tmp_path / "data", seed=4, weeks=1) is None
    assert tables.load_past(tmp_path / "data", seed=3, weeks=2) is None
    (tmp_path / "data" / "lookback_scores.parquet").write_bytes(b"of another run")
    assert tables.load_past(tmp_path / "data", seed=3, weeks=1) is None


def test_a_run_replays_the_weeks_that_the_notebook_asks_for():
    cells = json.loads((notebooks_folder() / "lookback.ipynb").read_text(encoding="utf-8"))["cells"]
    asked = "".join(cells[1]["source"])
    assert f"weeks: int = {weekly.PAST_WEEKS} " in asked
