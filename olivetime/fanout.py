"""The same piece of work for many items: local worker processes, or a Dask cluster.

Each item is worked on in a child process with a time limit, so that an item that crashes, hangs or eats
the memory loses only itself: its outcome says so and every other item is untouched. Process pools of the
standard library fail all waiting items when one worker dies, which is why the loop here is our own.

The children are plain `python -c` processes that answer over a pipe. They stay alive from item to item
(what a worker has imported or opened serves the next item too) and end when their parent does, even when that was
killed while they work.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

import olivetime

# What a child runs: it must find this package before it is told the rest of the search path.
_CHILD = "from olivetime.fanout import _serve; _serve()"
# Linear algebra threads in every worker would only fight over the same cores.
_ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL", "NUMEXPR", "NUMBA")}
# glibc keeps what a big page took and never gives it back unless told to, and Arrow's own allocator keeps what was read
# from tables; other systems ignore these names.
_GIVE_BACK = {
    "MALLOC_ARENA_MAX": "1", "MALLOC_TRIM_THRESHOLD_": "1000000", "ARROW_DEFAULT_MEMORY_POOL": "system"
}  # fmt: skip
# Items go to a cluster in so many pieces for each of its threads: few enough that a piece pays for its trip, many
# enough that the last ones end together (own choice).
CHUNKS_PER_THREAD = 4
LOOK_S = 5.0  # how often a run on a cluster looks whether any worker is left [s]
NO_WORKERS_S = 60.0  # how long workers may be away, such as while they restart [s]
# Children of a cluster's worker that wait for its next piece: what they have imported costs more than most items.
_WAITING: list[subprocess.Popen] = []


@dataclass(frozen=True)
class Outcome:
    """What became of one item.

    Attributes
    ----------
    key : object
        The item's key in a mapping, or its place (0, 1, ...) in a sequence.
    value : object
        What the function returned; None when it failed.
    error : str
        Empty, or one sentence: the error raised, "stopped without an answer", or the time limit.
    """

    key: Any
    value: Any = None
    error: str = ""


@contextlib.contextmanager
def begun(jobs: int, first: Callable[[], Any]) -> Iterator[list[subprocess.Popen]]:
    """Start worker processes that get ready while this process goes on; `run_many` takes them as `workers`.

    Parameters
    ----------
    jobs : int
        Worker processes [count].
    first : callable
        What each of them does at once, such as loading libraries: a function that a module defines at its top level.
        What goes wrong in it is left for the first item to meet.

    Yields
    ------
    list
        The workers that wait; they are ended with the block.
    """
    waiting: list[subprocess.Popen] = []
    try:
        waiting += [_start_child(first) for _ in range(jobs)]
        yield waiting
    finally:
        for child in waiting:
            _end(child)


def run_many(
    func: Callable[[Any], Any],
    items: Mapping[Any, Any] | Iterable[Any],
    *,
    jobs: int = 2,
    scheduler: str | None = None,
    time_limit_s: float = 300.0,
    memory_limit_mb: float | None = None,
    progress: Callable[[Outcome], None] | None = None,
    workers: list[subprocess.Popen] | None = None,
) -> list[Outcome]:
    """Call `func` once for each item, in worker processes.

    Parameters
    ----------
    func : callable of one argument
        A function that a module defines at its top level (workers import it by name).
    items : mapping or iterable
        The arguments; a mapping gives each its key, otherwise the place in the sequence is the key.
    jobs : int
        Worker processes on this machine [count].
    scheduler : str, optional
        Address of a Dask scheduler, such as "tcp://host:8786"; the work then runs on its workers (extra
        `cluster`). Dask runs whatever it is sent: use it on a trusted network only.
    time_limit_s : float
        Longest time for one item [s]; a worker that takes longer is ended.
    memory_limit_mb : float, optional
        A worker that holds more than this [MB] after an item gives way to a fresh one before the next.
    progress : callable, optional
        Called with each outcome as it arrives, in this process.
    workers : list, optional
        Workers that wait, from `begun`; they are used first and wait again afterwards. Not with a scheduler.

    Returns
    -------
    list of Outcome
        In the order of the items, whatever the order in which they ended.

    Raises
    ------
    ValueError
        When `jobs` or `time_limit_s` is not positive, `func` cannot be imported by a worker, the
        scheduler does not answer, or its workers hold another version of olivetime.
    ConnectionError
        When all workers of the scheduler stay away.
    """
    if jobs < 1:
        raise ValueError(f"run_many: jobs is {jobs}, expected 1 or more. Say how many workers to use.")
    if not time_limit_s > 0:
        raise ValueError(f"run_many: time_limit_s is {time_limit_s}, expected more than 0 s. Give a limit.")
    if func.__module__ == "__main__" or "<" in func.__qualname__ or "." in func.__qualname__:
        raise ValueError(
            f"run_many: {func.__qualname__} belongs to {func.__module__} and a worker cannot import it, expected a"
            " function at the top of a module. Move it into a file of its own and import it from there."
        )
    pairs = list(items.items()) if isinstance(items, Mapping) else list(enumerate(items))
    if scheduler:
        return _run_on_cluster(func, pairs, scheduler, time_limit_s, memory_limit_mb, progress)
    return _run_here(func, pairs, min(jobs, max(len(pairs), 1)), time_limit_s, memory_limit_mb, progress, workers)


def attempt(func: Callable[[Any], Any], key: Any, item: Any) -> Outcome:
    """Call `func` for one item in this process; what it raises is said in the outcome, as `run_many` does.

    Parameters
    ----------
    func, item
        As in `run_many`.
    key : object
        Key of the outcome.
    """
    return Outcome(key, *_answer(func, item))


def _run_here(func, pairs, jobs, time_limit_s, memory_limit_mb, progress, kept=None) -> list[Outcome]:
    waiting: queue.SimpleQueue = queue.SimpleQueue()
    for place, pair in enumerate(pairs):
        waiting.put((place, pair))
    done: queue.SimpleQueue = queue.SimpleQueue()
    children: list[subprocess.Popen] = []
    threads = [
        threading.Thread(
            target=_feed, args=(func, waiting, done, children, time_limit_s, memory_limit_mb, kept), daemon=True
        )
        for _ in range(jobs)
    ]
    outcomes: list[Outcome | None] = [None] * len(pairs)
    try:
        for thread in threads:
            thread.start()
        for _ in pairs:
            place, outcome = done.get()
            if isinstance(outcome, BaseException):
                raise outcome
            outcomes[place] = outcome
            if progress is not None:
                progress(outcome)
        if kept is not None:  # children that are to stay must be out of reach before the rest is ended
            for thread in threads:
                thread.join(timeout=5.0)
    finally:
        while not waiting.empty():  # after Ctrl-C or a failing progress function nothing more is begun
            try:
                waiting.get_nowait()
            except queue.Empty:
                break
        for child in list(children):
            _end(child)
        for thread in threads:
            thread.join(timeout=5.0)
    return [outcome for outcome in outcomes if outcome is not None]


def _feed(func, waiting, done, children, time_limit_s, memory_limit_mb, kept) -> None:
    """Hand items to one child after the other; a child that dies is replaced by a fresh one."""
    child = None
    while kept and child is None:
        with contextlib.suppress(IndexError):  # another thread may have taken the last
            child = kept.pop()
            if child.poll() is None:
                children.append(child)
            else:  # died while it waited
                _end(child)
                child = None
    while True:
        try:
            place, (key, item) = waiting.get_nowait()
        except queue.Empty:
            break
        try:
            if child is None:
                child = _start_child()
                children.append(child)
            value, error, alive = _ask(child, func, item, time_limit_s)
            if not alive or (memory_limit_mb is not None and _memory_mb(child) > memory_limit_mb):
                children.remove(child)
                _end(child)
                child = None
            done.put((place, Outcome(key, value, error)))
        except BaseException as problem:  # the thread must not vanish and leave the caller waiting
            done.put((place, problem))
            break
    if child is not None and kept is not None:
        children.remove(child)
        kept.append(child)
    elif child is not None and child.stdin is not None:
        child.stdin.close()  # the child reads the end of its input and leaves


def _start_child(first: Callable[[], Any] | None = None) -> subprocess.Popen:
    package_root = str(Path(olivetime.__file__).resolve().parent.parent)
    environment = {**_GIVE_BACK, **os.environ, **_ONE_THREAD, "MPLBACKEND": "agg"}
    environment["PYTHONPATH"] = os.pathsep.join(
        part for part in (package_root, os.environ.get("PYTHONPATH", "")) if part
    )
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
    )
    assert child.stdin is not None, "asked for above"
    pickle.dump(list(sys.path), child.stdin)
    pickle.dump(first, child.stdin)
    child.stdin.flush()
    return child


def _ask(child, func, item, time_limit_s) -> tuple[Any, str, bool]:
    """Answer of one child to one item: value, error, whether the child can be asked again."""
    try:
        message = pickle.dumps((func, item))
    except (pickle.PicklingError, AttributeError, TypeError) as problem:
        return None, f"this item cannot be sent to a worker: {problem}", True
    too_late = threading.Event()

    def stop() -> None:
        too_late.set()
        child.kill()

    timer = threading.Timer(time_limit_s, stop)
    timer.daemon = True
    timer.start()
    try:
        child.stdin.write(message)
        child.stdin.flush()
        value, error = pickle.load(child.stdout)
    except (EOFError, OSError, pickle.UnpicklingError, ValueError):
        if too_late.is_set():
            return None, f"gave no answer within {time_limit_s:g} s and was stopped", False
        code = child.wait()
        return None, f"the worker process stopped without an answer (exit code {code})", False
    finally:
        timer.cancel()
    return value, error, not too_late.is_set()


def _memory_mb(child: subprocess.Popen) -> float:
    try:
        return psutil.Process(child.pid).memory_info().rss / 1e6
    except psutil.Error:
        return 0.0


def _end(child: subprocess.Popen) -> None:
    child.kill()
    child.wait()
    for pipe in (child.stdin, child.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):  # the last message could not be delivered to a dead child
                pipe.close()


def _serve() -> None:
    """Life of a child: read (function, item), answer (value, error), until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle; it ends its children
    source = os.fdopen(os.dup(0), "rb")
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever the work prints must not mix with the answers
    sys.path[:] = pickle.load(source)
    threading.Thread(target=_leave_with, args=(os.getppid(),), daemon=True).start()
    with contextlib.suppress(Exception):  # an item that needs what is missing says so better
        first = pickle.load(source)
        if first is not None:
            first()
    while True:
        try:
            message = pickle.load(source)
        except EOFError:
            break
        except Exception as problem:
            answer = (None, f"a worker could not load this item: {type(problem).__name__}: {problem}")
        else:
            answer = _answer(*message)
        try:
            data = pickle.dumps(answer)
        except Exception as problem:
            data = pickle.dumps((None, f"the result cannot be sent back: {problem}"))
        try:
            answers.write(data)
            answers.flush()
        except BrokenPipeError:  # the parent is gone
            break
    os._exit(0)  # nothing is left to tidy, and a stray thread of the work must not keep the process alive


def _leave_with(parent: int) -> None:
    """End this process when its parent is gone; between items the closed pipe says so, in the middle of one this."""
    while os.getppid() == parent:  # an orphan gets another parent (not on Windows)
        time.sleep(1.0)
    os._exit(1)


def _answer(func, item) -> tuple[Any, str]:
    try:
        return func(item), ""
    except KeyboardInterrupt:
        raise
    except BaseException as problem:  # SystemExit inside the work is the work's error, not ours
        return None, f"{type(problem).__name__}: {problem}"


def _run_on_cluster(func, pairs, scheduler, time_limit_s, memory_limit_mb, progress) -> list[Outcome]:
    """Chunks of items on Dask workers; inside each worker the items run in a child of their own."""
    try:
        from distributed import Client, wait
    except ImportError as problem:
        raise ValueError(
            f"run_many: scheduler is {scheduler} but the package `distributed` is missing. Install the extra with"
            " pip install 'olivetime[cluster]', or leave the scheduler out to work on this machine."
        ) from problem
    try:
        client = Client(scheduler, timeout="10s")
    except (OSError, TimeoutError) as problem:
        raise ValueError(
            f"run_many: no Dask scheduler answers at {scheduler} within 10 s. Start one there, or leave the"
            " scheduler out to work on this machine."
        ) from problem
    with client:
        versions = set(client.run(_version).values())
        if versions != {_version()}:
            raise ValueError(
                f"run_many: the workers of {scheduler} hold olivetime {', '.join(sorted(versions)) or 'nowhere'},"
                f" expected {_version()}. Install the same version on every worker and start at least one."
            )
        threads = max(sum(client.nthreads().values()), 1)
        size = max(1, -(-len(pairs) // (CHUNKS_PER_THREAD * threads)))

        def submit(places: range) -> Any:
            work = [pairs[i] for i in places]
            return client.submit(_chunk, func, work, time_limit_s, memory_limit_mb, pure=False)

        outcomes: dict[int, Outcome] = {}
        tries = {
            submit(places): places
            for places in (range(first, min(first + size, len(pairs))) for first in range(0, len(pairs), size))
        }
        seen = time.monotonic()
        while tries:
            # A scheduler whose workers have all gone waits for ever: look from time to time whether any is left.
            with contextlib.suppress(TimeoutError):
                wait(list(tries), timeout=LOOK_S, return_when="FIRST_COMPLETED")
            for future in [future for future in tries if future.done()]:
                places = tries.pop(future)
                if future.status == "finished":
                    try:
                        found = dict(zip(places, future.result(timeout=NO_WORKERS_S), strict=True))
                    except TimeoutError:  # its machine went away with what it had found: that is made once more
                        tries[future] = places
                        continue
                elif len(places) > 1:  # its machine went away: each item again by itself, so that one is named
                    tries |= {submit(range(i, i + 1)): range(i, i + 1) for i in places}
                    continue
                else:
                    said = f"lost with its worker: {future.exception()}"
                    found = {places[0]: Outcome(pairs[places[0]][0], None, said)}
                outcomes.update(found)
                if progress is not None:
                    for outcome in found.values():
                        progress(outcome)
            if client.scheduler_info()["workers"]:
                seen = time.monotonic()
            elif time.monotonic() - seen > NO_WORKERS_S:
                raise ConnectionError(
                    f"run_many: no worker is left at {scheduler} for {NO_WORKERS_S:g} s, expected at least one."
                    " Start workers and run again; what was finished is kept."
                )
    return [outcomes[i] for i in range(len(pairs))]


def _chunk(func, pairs, time_limit_s, memory_limit_mb) -> list[Outcome]:
    return _run_here(func, pairs, 1, time_limit_s, memory_limit_mb, None, _WAITING)


def _version() -> str:
    return olivetime.__version__
