"""Where to sample next: the gain is that of the textbook where it has one, and the list keeps its promises."""

import numpy as np
import pytest
from scipy.stats import norm

from olivetime.harvest.sampling import _gain, where_to_sample


@pytest.mark.parametrize(("slope", "loss"), [(100.0, 0.0), (100.0, 80.0), (60.0, 90.0)])
def test_gain_of_two_places_is_the_normal_loss(slope, loss):
    # derived: max(0, a r - c) of a standard normal r has mean a phi(c/a) - c (1 - Phi(c/a))
    r = norm.ppf((np.arange(4000) + 0.5) / 4000)
    design = np.column_stack([np.ones(4000), r])
    inverse = np.linalg.pinv(design.T @ design)
    expected = slope * norm.pdf(loss / slope) - loss * norm.sf(loss / slope)
    assert _gain(design, inverse, np.array([-loss]), slope * r[:, None]) == pytest.approx(expected, rel=0.01)


def test_draws_that_the_reading_does_not_explain_gain_nothing():
    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(256), rng.standard_normal(256)])
    inverse = np.linalg.pinv(design.T @ design)
    gain = _gain(design, inverse, np.array([-5.0]), 100.0 * rng.standard_normal((256, 1)))
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
