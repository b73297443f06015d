"""The search compiled beside a first plan: what it compiles is what a plan runs."""

import os
import subprocess
import sys

import pytest

from olivetime.harvest import bound, compiling, improve

KERNELS = ("_stretch", "_walk_one", "_take_over", "score", "objective", "broken", "_descend")
LIST = (
    "from olivetime.harvest import bound, compiling, improve\n"
    "compiling.smallest_search()\n"
    f"for kernel in {KERNELS}:\n"
    "    print(*getattr(improve, kernel, getattr(bound, kernel, None)).signatures, sep='\\n')\n"
)


@pytest.mark.usefixtures("southern_proposal")
def test_the_smallest_search_compiles_what_a_plan_of_a_season_runs():
    told = subprocess.run([sys.executable, "-P", "-c", LIST], capture_output=True, text=True, check=True).stdout
    kernels = [getattr(improve, kernel, getattr(bound, kernel, None)) for kernel in KERNELS]
    ran = {str(signature) for kernel in kernels for signature in kernel.signatures}
    assert len(told.splitlines()) == len(KERNELS)
    assert set(told.splitlines()) <= ran


@pytest.fixture
def calls(monkeypatch):
    begun = []
    monkeypatch.setattr(compiling, "_running", None)
    monkeypatch.setattr(compiling.subprocess, "Popen", lambda command, **_: begun.append(command) or Ended())
    monkeypatch.setattr(compiling.os, "cpu_count", lambda: 2)
    return begun


class Ended:
    def wait(self):
        return 1


@pytest.mark.usefixtures("southern_proposal")
def test_nothing_is_begun_where_the_search_is_kept(calls):
    assert compiling.is_kept()
    compiling.begin()
    compiling.finish()
    assert not calls


def test_a_search_older_than_its_module_or_of_no_compiler_is_told(calls, monkeypatch, tmp_path):
    written = tmp_path / "improve.py"
    written.write_text("")
    os.utime(written, (2e9, 2e9))
    monkeypatch.setattr(compiling.search, "__file__", str(written))
    assert not compiling.is_kept()
    compiling.begin()
    compiling.begin()
    compiling.finish()
    assert len(calls) == 1
    monkeypatch.setattr(compiling.search, "_stretch", improve._stretch.py_func)
    assert compiling.is_kept()


@pytest.mark.usefixtures("southern_proposal")
def test_a_module_that_was_only_written_again_is_compiled_once(monkeypatch, tmp_path):
    written = tmp_path / "improve.py"
    written.write_text("")
    monkeypatch.setattr(compiling.search, "__file__", str(written))
    compiling.smallest_search()
    assert compiling.is_kept()


def test_one_core_compiles_alone(calls, monkeypatch):
    monkeypatch.setattr(compiling, "is_kept", lambda: False)
    monkeypatch.setattr(compiling.os, "cpu_count", lambda: 1)
    compiling.begin()
    assert not calls
