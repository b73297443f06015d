"""What doubtful samples do to the order, on the northern sample season (one sample of it reads a quarter too low)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.doubts import COLUMNS, doubtful_samples, doubts, without_sample
from olivetime.harvest.order import propose
from olivetime.records.season import read_season

SEASON = Path(__file__).parent.parent / "sample_data" / "northern"


@pytest.fixture(scope="module")
def proposal():
    return propose(read_season(SEASON), n_scenarios=4, n_draws=48, evaluations=200)


def test_the_planted_sample_is_the_most_doubtful(proposal):
    hard = pd.read_csv(SEASON / "truth" / "hard_blocks.csv")
    planted = hard.loc[hard["kind"] == "doubtful sample", "block_id"].item()
    table = doubtful_samples(proposal)
    assert table["block_id"].iloc[0] == planted
    assert table["kinds"].iloc[0] == "oil"
    assert table["weight"].iloc[0] < 0.2


def test_its_block_holds_more_oil_without_it(proposal):
    table = doubts(proposal, limit=1, evaluations=60)
    assert tuple(table.columns) == COLUMNS
    row = table.iloc[0]
    assert row["oil_dry_now_without_pct"] > row["oil_dry_now_pct"]
    assert row["gain"] >= 0
    assert (row["gain"] > 0) <= (row["moved_n"] > 0)
    assert row["says"].startswith("The oil of Mon, Oct 26 lies ")
    assert len(proposal.season.samples) == len(read_season(SEASON).samples)  # nothing was deleted


def test_a_sample_that_decides_moves_the_order(proposal):
    # a block that one wrong sample makes seem rich: without it, it is worth less and the plan says so
    season = proposal.season
    rows = season.samples
    last = rows[rows["block_id"] == "GO-03"].sort_values("sampled_on").iloc[-1]
    odd = rows["sample_id"] == last["sample_id"]
    wrong = replace(
        season, samples=rows.assign(oil_dry_pct=rows["oil_dry_pct"].where(~odd, 1.25 * rows["oil_dry_pct"]))
    )
    told = propose(wrong, n_scenarios=4, n_draws=48, evaluations=200)
    after = without_sample(told, last["sample_id"], n_draws=48, evaluations=60)
    now = [p.fit.blocks.set_index("block_id").at["GO-03", "oil_dry_now_p50_pct"] for p in (told, after)]
    assert now[0] > now[1]
    b = told.outcomes.block_ids.index("GO-03")
    assert told.value.value[:, b].mean() > after.value.value[:, b].mean()
    np.testing.assert_array_equal(told.scenarios.rain_mm, after.scenarios.rain_mm)


def test_an_unknown_sample_is_refused(proposal):
    with pytest.raises(ValueError, match="no sample 'none' in this season, expected a sample_id"):
        without_sample(proposal, "none")


def test_without_doubt_the_table_is_empty(proposal):
    calm = replace(proposal, fit=replace(proposal.fit, residuals=proposal.fit.residuals.assign(doubtful=False)))
    assert doubts(calm).empty
    assert tuple(doubts(calm).columns) == COLUMNS
