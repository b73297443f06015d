"""Samples foretold from those before them, and how far blocks are drawn together."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import linregress
from test_outcomes import build

from olivetime.ripening.outcomes import fit_ripening
from olivetime.ripening.review import expected_sd, foretold, pooled


@pytest.fixture(scope="module")
def usual():
    season, measured = build(blocks_n=10)
    return season, measured, foretold(season, measured, weeks=2)


def test_ranges_of_the_last_weeks_hold_about_what_they_promise(usual):
    _, _, rows = usual
    assert len(rows) == 20  # two weeks of ten blocks
    inside = rows["observed"].between(rows["told_p10"], rows["told_p90"])
    assert 0.55 <= inside.mean() <= 1.0  # 80 % is meant; samples of a week err together
    assert (rows["observed"] - rows["told_p50"]).abs().mean() < 2.5  # sample error of the simulation: 4 % of 40 points


def test_nothing_of_a_week_is_known_beforehand(usual):
    season, measured, rows = usual
    newest = season.samples["sampled_on"] == season.samples["sampled_on"].max()
    changed = season.samples.copy()
    changed.loc[newest, "oil_dry_pct"] *= 1.4
    season = type(season)(**{**vars(season), "samples": changed})
    again = foretold(season, measured, weeks=2)
    told = [f"told_p{q}" for q in (10, 50, 90)]
    pd.testing.assert_frame_equal(again[[*told, "line"]], rows[[*told, "line"]])
    last = rows["day"] == rows["day"].max()
    np.testing.assert_allclose(again.loc[last, "observed"], 1.4 * rows.loc[last, "observed"])


def test_the_straight_line_is_that_of_the_blocks_earlier_samples(usual):
    season, measured, rows = usual
    last = rows[rows["day"] == rows["day"].max()].set_index("block_id").loc["N5"]
    own = season.samples[(season.samples["block_id"] == "N5") & (season.samples["sampled_on"] < last["day"])]
    x = measured.heat_at(["S1"] * len(own), own["sampled_on"])
    fit = linregress(x, own["oil_dry_pct"])
    at = measured.heat_at(["S1"], [last["day"]])[0]
    assert last["line"] == pytest.approx(fit.intercept + fit.slope * at)


def test_first_week_of_a_first_season_cannot_be_foretold():
    season, measured = build(blocks_n=4, past=False, visits=["2026-09-07"])
    rows = foretold(season, measured)
    assert rows.empty
    assert "told_p50" in rows


def test_own_level_and_rate_by_hand():
    day = pd.to_datetime(["2026-09-01", "2026-09-08", "2026-09-15", "2026-09-01"])
    rows = pd.DataFrame(
        {
            "block_id": ["a", "a", "a", "b"],
            "kind": "oil",
            "day": day,
            "observed": [20.0, 26.0, 26.0, 18.0],  # by hand: mean 24, 3 points a week, so 27 on the last day
            "fitted": [21.0, 24.0, 27.0, 18.5],
        }
    )
    out = pooled(rows)
    assert out["block_id"].tolist() == ["a"]  # one sample has no rate
    row = out.iloc[0]
    assert row[["own", "own_rate", "fitted", "fitted_rate"]].tolist() == pytest.approx([27.0, 3.0, 27.0, 3.0])
    assert (row["samples_n"], row["day"]) == (3, pd.Timestamp("2026-09-15"))


def test_curves_differ_less_in_their_rates_than_blocks_own_samples():
    season, measured = build(blocks_n=16, past=False, seed=5, visits=["2026-09-07", "2026-09-14", "2026-09-21"])
    rows = fit_ripening(season, measured).residuals
    out = pooled(rows[rows["season"] == 2026])
    assert len(out) == 16
    assert out["fitted_rate"].std() < 0.8 * out["own_rate"].std()


def test_expected_errors_are_quantiles_of_their_ranks():
    # 75 % point of Student's t with 6 degrees of freedom is 0.718 in printed tables (from memory)
    rows = pd.DataFrame({"kind": ["oil", "oil", "moisture"], "residual_sd": [2.0, -1.0, 9.0]})
    assert expected_sd(rows) == pytest.approx([0.718, -0.718, np.nan], abs=5e-4, nan_ok=True)
