"""Fitted curves kept between commands: the same records are fitted once, not by every command that looks at them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from olivetime.records.kept import kept
from olivetime.ripening.outcomes import RipeningFit, fit_ripening

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.weather.stations import StationDays

# All that a fit reads of a season (tests/test_kept.py watches one): news of machines or mill leave the curves alone.
READ_OF_SEASON = ("as_of", "start", "label", "blocks", "cultivars", "stations", "samples", "past_samples")


def kept_ripening(season: Season, station_days: StationDays, *, seed: int, folder: Path | None) -> RipeningFit:
    """`fit_ripening`, or the fit kept in `folder` from the same records by the same program (`olivetime.records.kept`).

    Parameters
    ----------
    season : Season
    station_days : StationDays
    seed : int
    folder : Path or None

    Returns
    -------
    RipeningFit

    Raises
    ------
    FitError
        As `fit_ripening`.
    """
    read = [getattr(season, name) for name in READ_OF_SEASON]
    inputs = (read, station_days, seed)
    return kept(folder, "fit", RipeningFit, inputs, lambda: fit_ripening(season, station_days, seed=seed))
