"""Results kept between commands: what the same program made from the same inputs is read, not made again."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import sys
from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import platformdirs

import olivetime
from olivetime.records.files import write_atomic

T = TypeVar("T")

KEPT_BYTES = 500_000_000  # fits of 50 blocks and two past seasons: 20 to 30 MB; a plan, a workbook: below 1 MB
LIBRARIES = ("numpy", "scipy", "pandas", "numba", "highspy", "openpyxl")


def kept(folder: Path | None, suffix: str, kind: type[T], inputs: object, make: Callable[[], T]) -> T:
    """What `make` gives, or what it gave before from the same inputs.

    A result is used again only where nothing that it depends on differs: the inputs, the program's code and the
    versions of Python and of the libraries. An unreadable file is made again; a folder that can't be written is no
    hindrance.

    Parameters
    ----------
    folder : Path or None
        The user's own: what lies there is trusted as the program's own code is. Holds what was used last,
        `KEPT_BYTES` at the most. Nothing is kept when it is None.
    suffix : str
        Ending of the file's name.
    kind : type
        Of the result; a file that holds anything else is made again.
    inputs : object
        All that the result depends on; can be pickled.
    make : callable
        Works the result out; what it raises is raised.

    Returns
    -------
    object
        Of `kind`.
    """
    if folder is None:
        return make()
    path = folder / f"{_digest(inputs)}.{suffix}"
    try:
        found = pickle.loads(path.read_bytes())
        path.touch()
    except Exception:  # whatever a damaged file makes the reader say: it is made again
        found = None
    if isinstance(found, kind):
        return found
    found = make()
    try:
        write_atomic(path, pickle.dumps(found))
        _leave_newest(folder)
    except OSError:
        pass
    return found


def kept_folder() -> Path:
    """Where commands keep results: the user's cache folder on this system, or the one that OLIVETIME_CACHE names."""
    own = os.environ.get("OLIVETIME_CACHE")
    return (Path(own) if own else platformdirs.user_cache_path("olivetime")) / "kept"


class _Plain(pickle.Pickler):
    """Pickles arrays by their numbers alone: whether two of them share one dtype object differs once they were read."""

    def reducer_override(self, obj: object) -> Any:
        if type(obj) is np.ndarray and obj.dtype != object:
            return np.ndarray, (obj.shape, obj.dtype.str, obj.tobytes())
        return NotImplemented


def _digest(inputs: object) -> str:
    raw = io.BytesIO()
    _Plain(raw).dump(inputs)
    digest = hashlib.sha256(raw.getbuffer())
    digest.update(_program())
    return digest.hexdigest()[:32]


@lru_cache(maxsize=1)
def _program() -> bytes:
    """Fingerprint of all that works results out: the package's code, Python and the libraries."""
    digest = hashlib.sha256(repr((sys.version, [version(name) for name in LIBRARIES])).encode())
    for source in sorted(Path(olivetime.__file__).parent.rglob("*.py")):
        digest.update(source.read_bytes())
    return digest.digest()


def _leave_newest(folder: Path) -> None:
    """Remove what was not used for longest, beyond the size that may stay."""
    files = [(path.stat(), path) for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
    size = 0
    for about, path in sorted(files, key=lambda file: file[0].st_mtime, reverse=True):
        size += about.st_size
        if size > KEPT_BYTES:
            path.unlink(missing_ok=True)
