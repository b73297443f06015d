"""Fitted curves kept between commands: the same records are fitted once, not by every command that looks at them."""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import platformdirs

from olivetime.records.files import write_atomic
from olivetime.ripening.outcomes import RipeningFit, fit_ripening

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.weather.stations import StationDays

KEPT_N = 40  # about 3 MB a season of 50 blocks and three years of weather
LIBRARIES = ("numpy", "scipy", "pandas", "numba")
# All that a fit reads of a season (tests/test_kept.py watches one): news of machines or mill leave the curves alone.
READ_OF_SEASON = ("as_of", "start", "label", "blocks", "cultivars", "stations", "samples", "past_samples")


def kept_ripening(season: Season, station_days: StationDays, *, seed: int, folder: Path) -> RipeningFit:
    """`fit_ripening`, or the fit kept in `folder` from the same records by the same program.

    A fit is used again only where nothing that it depends on differs: blocks, cultivars, stations and samples as
    read, the as-of day, the weather days, the seed, the code of this room and the libraries' versions. An
    unreadable file is fitted again; a folder that can't be written is no hindrance.

    Parameters
    ----------
    season : Season
    station_days : StationDays
    seed : int
    folder : Path
        The user's own: what lies there is trusted as the program's own code is. Holds the `KEPT_N` fits used last.

    Returns
    -------
    RipeningFit

    Raises
    ------
    FitError
        As `fit_ripening`.
    """
    path = folder / f"{_name(season, station_days, seed)}.fit"
    try:
        fit = pickle.loads(path.read_bytes())
        path.touch()
    except Exception:  # whatever a damaged file makes the reader say: it is fitted again
        fit = None
    if isinstance(fit, RipeningFit):
        return fit
    fit = fit_ripening(season, station_days, seed=seed)
    try:
        write_atomic(path, pickle.dumps(fit))
        for old in sorted(folder.glob("*.fit"), key=lambda p: p.stat().st_mtime, reverse=True)[KEPT_N:]:
            old.unlink(missing_ok=True)
    except OSError:
        pass
    return fit


def fits_folder() -> Path:
    """Where the commands keep fits: the user's cache folder on this system, or the one that OLIVETIME_CACHE names."""
    own = os.environ.get("OLIVETIME_CACHE")
    return (Path(own) if own else platformdirs.user_cache_path("olivetime")) / "fits"


def _name(season: Season, station_days: StationDays, seed: int) -> str:
    """Digest of all that a fit depends on."""
    read = [getattr(season, name) for name in READ_OF_SEASON]
    digest = hashlib.sha256(pickle.dumps((read, station_days, seed)))
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    digest.update(repr((sys.version, [version(name) for name in LIBRARIES])).encode())
    return digest.hexdigest()[:32]
