"""One item's misfortune stays its own: crash, hang, error, unsendable thing."""

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import psutil
import pytest

import olivetime
from olivetime import fanout
from olivetime.fanout import Outcome, begun, run_many

HERE = os.getpid()


def double(item):
    return 2 * item


def trouble(item):
    if item == "exit":
        os._exit(1)
    if item == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if item == "raise":
        raise ValueError("moisture is 157, expected 20 to 85")
    if item == "system exit":
        sys.exit(3)
    if item == "hang":
        time.sleep(60)
    if item == "lambda":
        return lambda: None
    print("noise on standard output must not disturb the answers")
    return item, os.getpid()


def grow(item):
    held.append(bytearray(1_000_000 * item))
    return os.getpid()


held = []


def wait_a_little(item):
    time.sleep(0.3)
    return 2 * item


def slow_first(item):
    time.sleep(0.4 if item == 0 else 0.0)
    return item


def test_results_come_in_the_order_of_the_items():
    outcomes = run_many(slow_first, range(5), jobs=2, time_limit_s=60)
    assert outcomes == [Outcome(i, i, "") for i in range(5)]


def test_a_mapping_gives_its_keys():
    assert [(o.key, o.value) for o in run_many(double, {"a": 1, "b": 2}, jobs=1)] == [("a", 2), ("b", 4)]


def test_no_items_no_outcomes():
    assert run_many(double, []) == []


def test_each_misfortune_is_named_and_loses_only_itself():
    items = ["fine 1", "exit", "raise", "fine 2", "kill", "hang", "system exit", "lambda", "fine 3"]
    outcomes = run_many(trouble, {item: item for item in items}, jobs=2, time_limit_s=8)
    errors = {o.key: o.error for o in outcomes}
    assert [o.key for o in outcomes] == items
    assert [key for key, error in errors.items() if not error] == ["fine 1", "fine 2", "fine 3"]
    assert "exit code 1" in errors["exit"]
    assert "exit code -9" in errors["kill"] or sys.platform == "win32"
    assert errors["raise"] == "ValueError: moisture is 157, expected 20 to 85"
    assert "within 8 s" in errors["hang"]
    assert errors["system exit"] == "SystemExit: 3"
    assert "cannot be sent back" in errors["lambda"]
    workers = {o.value[1] for o in outcomes if not o.error}
    assert HERE not in workers


def test_a_worker_lives_from_item_to_item():
    outcomes = run_many(trouble, ["a", "b", "c"], jobs=1)
    assert len({o.value[1] for o in outcomes}) == 1


def get_ready():
    held.append("ready")


def what_is_held(item):
    return item, list(held), os.getpid()


def fail_to_get_ready():
    raise OSError("the library is not there")


def test_workers_get_ready_beforehand_and_are_ended_with_the_block():
    with begun(2, get_ready) as workers:
        pids = {worker.pid for worker in workers}
        for _ in range(2):  # they wait again after each run
            outcomes = run_many(what_is_held, range(4), jobs=2, workers=workers)
            assert all(o.value[:2] == (o.key, ["ready"]) and o.value[2] in pids for o in outcomes)
        children = [psutil.Process(pid) for pid in pids]
    assert not any(child.is_running() for child in children)


def test_a_worker_that_could_not_get_ready_or_died_meanwhile_still_serves_or_is_replaced():
    with begun(2, fail_to_get_ready) as workers:
        workers[0].kill()
        workers[0].wait()
        assert [o.value for o in run_many(double, range(4), jobs=2, workers=workers)] == [0, 2, 4, 6]


def test_a_worker_that_holds_too_much_gives_way_to_a_fresh_one():
    same = run_many(grow, [1, 1, 1], jobs=1, memory_limit_mb=4_000)
    fresh = run_many(grow, [300, 1, 1], jobs=1, memory_limit_mb=290)
    assert len({o.value for o in same}) == 1
    assert len({o.value for o in fresh}) == 2


def test_an_item_that_cannot_be_sent_is_named():
    with open(os.devnull) as file:
        outcomes = run_many(double, [1, file, 3], jobs=1)
    assert [o.error == "" for o in outcomes] == [True, False, True]
    assert "cannot be sent to a worker" in outcomes[1].error


def test_a_function_that_workers_cannot_import_is_refused():
    with pytest.raises(ValueError, match=r"a worker cannot import it, expected a function at the top of a module"):
        run_many(lambda item: item, [1])


def test_wrong_counts_are_refused():
    with pytest.raises(ValueError, match="jobs is 0, expected 1 or more"):
        run_many(double, [1], jobs=0)
    with pytest.raises(ValueError, match="time_limit_s is 0, expected more than 0 s"):
        run_many(double, [1], time_limit_s=0)


def test_progress_hears_of_each_item_and_its_error_stops_the_work():
    heard = []
    run_many(double, [1, 2, 3], jobs=2, progress=lambda outcome: heard.append(outcome.value))
    assert sorted(heard) == [2, 4, 6]

    def full(_):
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        run_many(double, [1, 2, 3], jobs=1, progress=full)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_stopped_parent_takes_its_workers_with_it(tmp_path, how):
    """Ctrl-C ends the run and no worker stays behind; neither does one when the parent is killed outright."""
    (tmp_path / "work.py").write_text(
        textwrap.dedent(
            """
            import os, pathlib, time
            def note_and_wait(folder):
                pathlib.Path(folder, str(os.getpid())).touch()
                time.sleep(60)
            """
        )
    )
    script = (
        # whoever runs the tests in the background ignores Ctrl-C, and so would what it starts
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
        "import sys; sys.path.insert(0, sys.argv[1]); from work import note_and_wait;"
        "from olivetime.fanout import run_many; run_many(note_and_wait, [sys.argv[1]] * 2, jobs=2)"
    )
    root = str(Path(olivetime.__file__).parent.parent)
    with open(tmp_path / "said.txt", "w") as said:  # a pipe would be held open by the orphans
        parent = subprocess.Popen(
            [sys.executable, "-c", script, str(tmp_path)], env={**os.environ, "PYTHONPATH": root}, stderr=said
        )
        pids = []
        end = time.monotonic() + 60
        while len(pids) < 2 and time.monotonic() < end:
            pids = [int(path.name) for path in tmp_path.iterdir() if path.name.isdigit()]
            time.sleep(0.05)
        assert len(pids) == 2
        parent.send_signal(how)
        parent.wait(timeout=120)
    assert "KeyboardInterrupt" in (tmp_path / "said.txt").read_text() or how == signal.SIGKILL
    end = time.monotonic() + 20
    alive = pids
    while alive and time.monotonic() < end:
        alive = [pid for pid in alive if psutil.pid_exists(pid) and psutil.Process(pid).status() != "zombie"]
        time.sleep(0.05)
    assert alive == []


def test_a_scheduler_that_does_not_answer_is_said():
    pytest.importorskip("distributed")
    with pytest.raises(ValueError, match=r"no Dask scheduler answers at tcp://127.0.0.1:9 within 10 s"):
        run_many(double, [1], scheduler="tcp://127.0.0.1:9")


def own_pid(_):
    return os.getpid()


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_gives_the_same_outcomes():
    distributed = pytest.importorskip("distributed")
    items = {item: item for item in ["a", "exit", "raise", "b"]}
    here = run_many(trouble, items, jobs=1, time_limit_s=30)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, worker_dashboard_address=None
    ) as cluster:
        there = run_many(trouble, items, scheduler=cluster.scheduler_address, time_limit_s=30)
        first = run_many(own_pid, range(8), scheduler=cluster.scheduler_address)
        again = run_many(own_pid, range(8), scheduler=cluster.scheduler_address)
    stayed = {o.value for o in first} & {o.value for o in again}  # what a child has imported serves the next piece
    assert stayed
    assert os.getpid() not in stayed
    assert [(o.key, o.error) for o in there] == [(o.key, o.error) for o in here]
    while fanout._WAITING:  # they wait in this process, whose end they would see only at its exit
        fanout._end(fanout._WAITING.pop())


@pytest.mark.filterwarnings("ignore")
def test_a_machine_killed_in_the_middle_loses_nothing_and_none_left_is_said(monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr(fanout, "LOOK_S", 0.2)
    monkeypatch.setattr(fanout, "NO_WORKERS_S", 1.0)
    heard = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, worker_dashboard_address=None
    ) as cluster:
        killed = cluster.workers[0].pid

        def kill(outcome):
            if not heard:
                os.kill(killed, signal.SIGKILL)
            heard.append(outcome.key)

        there = run_many(wait_a_little, range(16), scheduler=cluster.scheduler_address, time_limit_s=30, progress=kill)
        assert there == [Outcome(i, 2 * i, "") for i in range(16)]
        assert sorted(heard) == list(range(16))

        def retire(_):
            cluster.scale(0)

        with pytest.raises(ConnectionError, match=r"no worker is left at tcp://.* for 1 s, expected at least one"):
            run_many(wait_a_little, range(64), scheduler=cluster.scheduler_address, progress=retire)
