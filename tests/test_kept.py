"""Kept results: the same inputs give the same from the file; anything else is made again."""

import shutil
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from finished_season import of_growers

from olivetime.harvest import order, reasons
from olivetime.harvest.order import propose, search
from olivetime.harvest.reasons import waiting_costs
from olivetime.records import kept as records_kept
from olivetime.records import sources
from olivetime.records.season import Season, read_season
from olivetime.ripening import kept
from olivetime.ripening.kept import kept_ripening
from olivetime.ripening.outcomes import FitError, fit_ripening
from olivetime.weather.stations import station_days

SAMPLE = Path(__file__).parents[1] / "sample_data"


@pytest.fixture(scope="module")
def season(southern_season):
    return of_growers(southern_season, "Finca Cardenela")


@pytest.fixture(scope="module")
def days(season):
    return station_days(season)


@pytest.fixture
def fits(monkeypatch):
    """Seasons that were really fitted."""
    done = []

    def fit(season, days, *, seed):
        done.append(season)
        return fit_ripening(season, days, seed=seed)

    monkeypatch.setattr(kept, "fit_ripening", fit)
    return done


def test_same_records_are_fitted_once_and_the_curves_are_the_same(season, days, fits, tmp_path):
    first = kept_ripening(season, days, seed=1, folder=tmp_path)
    elsewhere = replace(season, folder=tmp_path / "moved")
    again = kept_ripening(elsewhere, days, seed=1, folder=tmp_path)
    assert len(fits) == 1
    pd.testing.assert_frame_equal(again.blocks, first.blocks)
    pd.testing.assert_frame_equal(again.parameters, first.parameters)
    pd.testing.assert_frame_equal(again.residuals, first.residuals)
    assert list(tmp_path.glob("*.fit"))


def test_one_changed_result_is_fitted_again(season, days, fits, tmp_path):
    kept_ripening(season, days, seed=1, folder=tmp_path)
    samples = season.samples.copy()
    row = samples["oil_dry_pct"].first_valid_index()
    samples.loc[row, "oil_dry_pct"] += 0.1
    kept_ripening(replace(season, samples=samples), days, seed=1, folder=tmp_path)
    kept_ripening(season, days, seed=2, folder=tmp_path)
    warmer = replace(days, heat_d=np.where(np.arange(len(days.heat_d))[:, None] == 0, 0.5, days.heat_d))
    kept_ripening(season, warmer, seed=1, folder=tmp_path)
    assert len(fits) == 4
    assert len(list(tmp_path.glob("*.fit"))) == 4


def test_a_fit_reads_nothing_of_a_season_but_what_tells_it_apart(southern_season, northern_season):
    names, seen = {f.name for f in fields(Season)}, set()

    class Watched(Season):
        def __getattribute__(self, name):
            if name in names:
                seen.add(name)
            return super().__getattribute__(name)

    for season in (southern_season, northern_season):
        watched = object.__new__(Watched)
        for name in names:
            object.__setattr__(watched, name, getattr(season, name))
        fit_ripening(watched, station_days(season), seed=1)
    assert seen == set(kept.READ_OF_SEASON)


def test_news_of_machines_leaves_the_curves_alone(season, days, fits, tmp_path):
    kept_ripening(season, days, seed=1, folder=tmp_path)
    broken = season.harvesters.iloc[:1]
    kept_ripening(replace(season, harvesters=broken), days, seed=1, folder=tmp_path)
    assert len(fits) == 1


@pytest.mark.parametrize("content", [b"", b"not a fit", b"\x80\x05N."])
def test_a_damaged_file_is_fitted_again_and_mended(season, days, fits, tmp_path, content):
    kept_ripening(season, days, seed=1, folder=tmp_path)
    (file,) = tmp_path.glob("*.fit")
    file.write_bytes(content)
    kept_ripening(season, days, seed=1, folder=tmp_path)
    assert len(fits) == 2
    kept_ripening(season, days, seed=1, folder=tmp_path)
    assert len(fits) == 2


def test_a_folder_that_cannot_be_written_is_no_hindrance(season, days, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    assert len(kept_ripening(season, days, seed=1, folder=blocked / "fits").blocks)


def test_no_oil_in_any_sample_says_so_and_keeps_nothing(season, days, tmp_path):
    def without(table):
        return table.assign(**{c: np.nan for c in table.columns if c.startswith("oil_")})

    bare = replace(season, samples=without(season.samples), past_samples=without(season.past_samples))
    with pytest.raises(FitError, match="with an oil content"):
        kept_ripening(bare, days, seed=1, folder=tmp_path)
    assert not list(tmp_path.glob("*"))


def test_what_was_used_last_stays(season, days, fits, tmp_path, monkeypatch):
    kept_ripening(season, days, seed=1, folder=tmp_path)
    (file,) = tmp_path.glob("*.fit")
    monkeypatch.setattr(records_kept, "KEPT_BYTES", int(2.5 * file.stat().st_size))
    for seed in (2, 3):
        kept_ripening(season, days, seed=seed, folder=tmp_path)
    assert len(list(tmp_path.glob("*.fit"))) == 2
    kept_ripening(season, days, seed=3, folder=tmp_path)
    assert len(fits) == 3


def test_nothing_is_kept_without_a_folder(season, days, fits):
    kept_ripening(season, days, seed=1, folder=None)
    kept_ripening(season, days, seed=1, folder=None)
    assert len(fits) == 2


# --- orders, waiting costs and workbooks -----------------------------------------------------------------


def proposed(season, folder):
    return propose(season, seed=1, n_scenarios=4, n_draws=8, evaluations=40, kept=folder)


def test_the_same_records_are_planned_once_and_the_plan_is_the_same(season, tmp_path, monkeypatch):
    first = proposed(season, tmp_path)
    costs = waiting_costs(first)
    monkeypatch.setattr(order, "search", unwanted)
    monkeypatch.setattr(reasons, "tightened", unwanted)
    again = proposed(season, tmp_path)
    pd.testing.assert_frame_equal(again.plan.rows, first.plan.rows)
    assert again.plan.gap_fraction == first.plan.gap_fraction
    pd.testing.assert_frame_equal(waiting_costs(again), costs)
    monkeypatch.undo()
    pd.testing.assert_frame_equal(proposed(season, None).plan.rows, first.plan.rows)


def test_news_of_machines_or_rules_is_planned_anew(season, tmp_path, monkeypatch):
    done = []

    def searched(*args, **settings):
        done.append(settings)
        return search(*args, **settings)

    monkeypatch.setattr(order, "search", searched)
    proposed(season, tmp_path)
    proposed(replace(season, harvesters=season.harvesters.iloc[:1]), tmp_path)
    proposed(replace(season, rules=season.rules | {"caution_fraction": 0.5}), tmp_path)
    assert len(done) == 3
    assert len(list(tmp_path.glob("*.fit"))) == 1


def test_a_workbook_is_unpacked_once_until_it_changes(tmp_path, monkeypatch):
    folder = tmp_path / "season"
    shutil.copytree(SAMPLE / "southern", folder)
    first = read_season(folder, kept=tmp_path / "kept")
    monkeypatch.setattr(sources, "read_workbook_grids", unwanted)
    again = read_season(folder, kept=tmp_path / "kept")
    pd.testing.assert_frame_equal(again.samples, first.samples)
    pd.testing.assert_frame_equal(again.findings, first.findings)
    with (folder / "records.xlsx").open("ab") as book:
        book.write(b"x")
    with pytest.raises(AssertionError, match="made again"):
        read_season(folder, kept=tmp_path / "kept")


def unwanted(*_, **__):
    raise AssertionError("made again")
