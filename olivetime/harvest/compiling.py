"""Bound and search are compiled in a process beside this one, while curves are fitted.

Numba keeps compiled code in a folder from one run to the next, but the first plan after an installation waits for all
of it. Two halves on two cores take little more than half as long: the bound, which is needed first, and the search
take about as long as all the rest.
"""

from __future__ import annotations

import contextlib
import gc
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from olivetime.harvest import improve as search
from olivetime.harvest.bound import bound
from olivetime.harvest.referee import Physics

_BESIDE = "from olivetime.harvest.compiling import smallest_search; smallest_search()"
_running: subprocess.Popen[bytes] | None = None


def smallest_search() -> None:
    """Bound and search an order of two blocks for one step, so that all that both run is compiled and kept."""
    gc.set_threshold(50_000, 5, 5)  # compilation makes millions of objects that stay
    scenarios_n, machines_n, blocks_n, days_n = 1, 2, 2, 2
    fruit, block, day = np.ones((scenarios_n, blocks_n, days_n)), np.ones(blocks_n), np.ones(days_n)
    machine, none = np.ones(machines_n), np.zeros(blocks_n, dtype=np.int64)
    ph = Physics(
        value=fruit, crop=fruit, work=fruit, shift_h=np.ones((machines_n, days_n)),
        block_h=np.ones((machines_n, blocks_n)), move_fixed_h=machine, move_h_km=machine, washdown_h=machine,
        move_cost_h=machine, start_block=np.full(machines_n, -1, dtype=np.int64),
        distance_km=np.ones((blocks_n, blocks_n)), organic=np.zeros(blocks_n, dtype=bool), lot=none, lots_n=1,
        mill_t=day, buffer_t=1.0, cleaning_t=0.0, max_wait_h=24.0, truck_h=day, truck_h_t=block, age_cost=block,
        haul_age_h=block,
    )  # fmt: skip
    bound(ph)
    order = np.array([[0, 1], [1, 0]])
    search.improve(
        ph, ph, order, np.array([2, 0]), none.copy(), locked=np.zeros(machines_n, dtype=np.int64),
        promised=np.full(blocks_n, -1.0), net=np.ones((blocks_n, days_n + 1)), km_cost=1.0, keep=block, caution=0.0,
        evaluations=1, seed=0, space=search.space(ph),
    )  # fmt: skip
    for index in _indices() or ():
        # Numba leaves what it keeps as it is where the module was only written again, as by a second installation
        with contextlib.suppress(OSError):
            os.utime(index)


def is_kept() -> bool:
    """Whether the search as it stands is compiled and kept, or cannot be kept at all."""
    kept = _indices()
    written = os.stat(search.__file__).st_mtime
    return kept is None or any(index.stat().st_mtime >= written for index in kept)


def _indices() -> list[Path] | None:
    """Files in which Numba says what it keeps of the search; None where it keeps nothing."""
    stats = getattr(search._stretch, "stats", None)  # none where compilation is switched off
    if stats is None or not stats.cache_path:
        return None
    line = search._stretch.py_func.__code__.co_firstlineno
    return list(Path(stats.cache_path).glob(f"*{search._stretch.__name__}-{line}.*.nbi"))


def begin() -> None:
    """Begin to compile the search beside this process, where that is needed and a second core is there."""
    global _running
    if _running is None and (os.cpu_count() or 1) > 1 and not is_kept():
        # -P: a file in the folder of work that is named as a library is not taken for it
        _running = subprocess.Popen(
            [sys.executable, "-P", "-c", _BESIDE],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip


def finish() -> None:
    """Wait until the search is compiled; what went wrong there is compiled here, on first use."""
    if _running is not None:
        _running.wait()
