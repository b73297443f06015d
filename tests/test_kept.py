"""Kept fits: the same records give the same curves from the file; anything else is fitted again."""

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from finished_season import of_growers

from olivetime.records.season import Season
from olivetime.ripening import kept
from olivetime.ripening.kept import kept_ripening
from olivetime.ripening.outcomes import FitError, fit_ripening
from olivetime.weather.stations import station_days


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


def test_only_the_fits_used_last_stay(season, days, fits, tmp_path, monkeypatch):
    monkeypatch.setattr(kept, "KEPT_N", 2)
    for seed in (1, 2, 3):
        kept_ripening(season, days, seed=seed, folder=tmp_path)
    assert len(list(tmp_path.glob("*.fit"))) == 2
    kept_ripening(season, days, seed=3, folder=tmp_path)
    assert len(fits) == 3
