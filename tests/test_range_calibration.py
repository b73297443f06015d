"""Ranges keep their word where the truth comes from the model's own priors (simulation-based calibration, small)."""

import importlib.util
from pathlib import Path

import pytest


def test_ranks_of_the_truth_are_flat():
    # by the definition of a posterior: a truth drawn from the prior is equally likely at every rank among the draws
    path = Path(__file__).parent.parent / "benchmarks" / "ripening.py"
    spec = importlib.util.spec_from_file_location("ripening_benchmark", path)
    benchmark = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    table = benchmark.calibration(12, seed=5, blocks=10, visits=4, draws=100)
    assert table.sum(axis=1).to_numpy() == pytest.approx(1.0)
    inside = table.iloc[:, 1:9].sum(axis=1)
    assert inside.between(0.66, 0.93).all()  # 80 % is right; blocks of one season err together
    assert (table[[0, 9]] < 0.25).all(axis=None)  # neither end is crowded
