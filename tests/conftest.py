"""Seasons that several tests use: the invented sample seasons, read and proposed once."""

import contextlib
import gc
import os
import shutil
import sys
import tempfile
from pathlib import Path

# As the command line does: one thread in linear algebra, before numpy is loaded.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# What commands keep goes to a folder of this run, one for all its workers: tests neither see nor fill the user's own.
if "PYTEST_XDIST_WORKER" not in os.environ:
    os.environ["OLIVETIME_CACHE"] = tempfile.mkdtemp(prefix="olivetime-tests-")
# As the command line does: compilation makes millions of objects that stay.
gc.set_threshold(50_000, 5, 5)

# As the workers do: three seconds for grammars of web addresses that no notebook is checked by.
sys.modules["rfc3987_syntax"] = None
# scoringrules compiles all its scores while it is loaded, which takes each worker ten seconds; plain numpy does here.
sys.modules["numba"] = None
import scoringrules  # noqa: F401

del sys.modules["numba"]

import pytest

from olivetime.harvest import compiling
from olivetime.harvest.order import propose
from olivetime.records.season import read_season
from olivetime.report import page

SAMPLE = Path(__file__).parents[1] / "sample_data"
LONGEST = ("test_pages.py", "test_weekly.py", "test_order.py", "test_command_line.py", "test_notebooks.py")


def pytest_configure(config):
    """Compile once, before each of several workers would compile the same."""
    if getattr(config.option, "numprocesses", None) and not compiling.is_kept():
        with contextlib.suppress(Exception):  # a fault is for the tests to find
            propose(read_season(SAMPLE / "southern"), seed=1, n_scenarios=6, n_draws=24, evaluations=300)


def pytest_unconfigure():
    if "PYTEST_XDIST_WORKER" not in os.environ:
        shutil.rmtree(os.environ["OLIVETIME_CACHE"], ignore_errors=True)


def pytest_collection_modifyitems(items):
    """The files that take longest come first, the longest of all before them: no worker ends alone with one."""
    place = {name: n for n, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.name, len(LONGEST)))


def pytest_runtest_setup(item):
    if item.get_closest_marker("pdf") and (reason := page.no_pdf_reason()):
        pytest.skip(reason)


@pytest.fixture(scope="session")
def northern_season():
    return read_season(SAMPLE / "northern")


@pytest.fixture(scope="session")
def southern_season():
    return read_season(SAMPLE / "southern")


@pytest.fixture(scope="session")
def southern_proposal(southern_season):
    return propose(southern_season, seed=1, n_scenarios=6, n_draws=24, evaluations=300)
