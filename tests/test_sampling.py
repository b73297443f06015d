"""Where to sample next: the gain is that of the textbook where it has one, and the list keeps its promises."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from olivetime.harvest.referee import physics
from olivetime.harvest.sampling import (
    _chosen,
    _gain,
    _look,
    _slopes,
    gains_that_came,
    where_to_sample,
    with_doubtful,
)


@pytest.mark.parametrize(("slope", "loss"), [(100.0, 0.0), (100.0, 80.0), (60.0, 90.0)])
def test_gain_of_two_places_is_the_normal_loss(slope, loss):
    # derived: max(0, a r - c) of a standard normal r has mean a phi(c/a) - c (1 - Phi(c/a))
    r = norm.ppf((np.arange(4000) + 0.5) / 4000)
    design = np.column_stack([np.ones(4000), r])
    expected = slope * norm.pdf(loss / slope) - loss * norm.sf(loss / slope)
    assert _gain(design, np.array([-loss]), slope * r[:, None]) == pytest.approx(expected, rel=0.01)


def test_draws_that_the_reading_does_not_explain_gain_nothing():
    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(256), rng.standard_normal(256)])
    gain = _gain(design, np.array([-5.0]), 100.0 * rng.standard_normal((256, 1)))
    assert gain < 2.0  # a full reading of this spread would gain about 37


def test_list_is_ranked_and_leaves_out_what_is_picked(southern_proposal):
    table = where_to_sample(southern_proposal)
    status = southern_proposal.plan.rows.set_index("block_id")["status"]
    assert not set(table["block_id"]) & set(status.index[status.isin(["picked", "picking"])])
    assert table["rank"].tolist() == list(range(1, len(table) + 1))
    assert (table["gain"].diff().dropna() <= 0).all()
    assert (table["gain"] >= table["own_gain"]).all()
    assert (table["own_gain"] >= 0).all()
    assert table["fruits_n"].between(50, 200).all()
    assert where_to_sample(southern_proposal).equals(table)


def test_best_of_many_places_does_not_look_good_by_chance():
    rng = np.random.default_rng(2)
    design = np.column_stack([np.ones(1024), rng.standard_normal(1024)])
    gains = [_gain(design, np.full(14, -5.0), 200.0 * rng.standard_normal((1024, 14))) for _ in range(20)]
    assert np.mean(gains) < 1.0  # the places apart of a full reading of this spread would gain about 340


def test_other_draws_gain_in_the_same_blocks_and_nothing_where_readings_tell_nothing(southern_proposal):
    made = southern_proposal
    read = _look(made, made.seed).read
    table = gains_that_came(made, physics(made.capacity, made.value), read.told * read.spread + read.mean)
    listed = where_to_sample(made).set_index("block_id")["gain"]
    assert table.set_index("block_id")["gain"].reindex(listed.index).equals(listed)
    # the fruit is as the mean of the draws, whatever is read: moving on a reading can only cost
    assert (table["came"] <= 1e-6).all()
    assert table["moved_fraction"].between(0, 1).all()
    assert np.corrcoef(table["gain"], table["drawn"])[0, 1] > 0.5


def test_expected_gain_comes_on_draws_that_were_not_seen():
    rng = np.random.default_rng(3)
    tells, worths = np.linspace(-60.0, 60.0, 14), np.linspace(-40.0, -20.0, 14)

    def drawn(n):
        design = np.column_stack([np.ones(n), rng.standard_normal(n)])
        return design, design[:, 1:] * tells + 200.0 * rng.standard_normal((n, 14))

    expected, came = [], []
    for _ in range(40):
        design, differ = drawn(1024)
        expected.append(_gain(design, worths, differ))
        fresh, truth = drawn(4096)
        chosen = _chosen(fresh, worths, _slopes(design, differ))
        came.append(np.column_stack([np.zeros(4096), worths + truth])[np.arange(4096), chosen].mean())
    assert np.mean(expected) == pytest.approx(np.mean(came), rel=0.15)


def test_a_doubtful_sample_that_moves_the_plan_is_among_those_to_take_again():
    wanted = pd.DataFrame(
        {"block_id": ["A", "B", "C"], "rank": [1, 2, 3], "why": ["dry oil known to about ±1.9 points", "", "x"],
         "gain": [25.0, 0.1, 0.0], "fruits_n": [60, 70, 80]}
    )  # fmt: skip
    doubts = pd.DataFrame(
        {"sample_id": ["S1", "S2", "S3", "S4"], "block_id": ["B", "B", "C", "picked"], "moved_n": [3, 1, 0, 2],
         "gain": [1865.0, 10.0, 0.0, 500.0]}
    )  # fmt: skip
    got = with_doubtful(wanted, doubts)
    assert got["block_id"].tolist() == ["B", "A", "C"]  # no sample can be taken of the picked block
    assert got["gain"].tolist() == [1865.0, 25.0, 0.0]
    assert got["rank"].tolist() == [1, 2, 3]
    assert got["why"].tolist() == ["its sample S1 is doubtful", "dry oil known to about ±1.9 points", "x"]
    assert got["fruits_n"].tolist() == [70, 60, 80]
    assert with_doubtful(wanted, doubts.iloc[:0]) is wanted
    assert with_doubtful(None, doubts) is None
