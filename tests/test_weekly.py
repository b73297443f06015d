"""The weekly run: publish, resume, fail in part, stay private, give the same bytes again."""

import hashlib
import json
import os
import socket
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import psutil
import pytest
import small_season
from finished_season import of_growers, write_folder
from invented_week import invented_week

from olivetime import fanout
from olivetime.fanout import Outcome
from olivetime.records.files import write_atomic
from olivetime.report import front, page, publish, tables, weekly
from olivetime.words import number_text

pytestmark = pytest.mark.notebooks


def small(week):
    """The same week with less to draw, for tests that only look at how a run goes."""
    keep = set(week.stage["block_id"].head(2)) | set(week.stage["block_id"].tail(2))
    cut = {
        name: getattr(week, name)[getattr(week, name)["block_id"].isin(keep)].reset_index(drop=True)
        for name in tables.TABLE_NAMES
        if "block_id" in getattr(week, name)
    }
    growers = week.growers[week.growers["grower_id"].isin(set(cut["stage"]["grower_id"]))].reset_index(drop=True)
    return replace(week, growers=growers, **cut)


@pytest.fixture(scope="module")
def week():
    return small(invented_week(12))


@pytest.fixture
def light(monkeypatch, tmp_path):
    """Notebooks that show one line each and no PDFs, so that many runs take little time; returns their folder."""
    monkeypatch.setattr(page, "no_pdf_reason", lambda: "PDFs were left out: these tests look at how a run goes.")
    folder = tmp_path / "notebooks"
    folder.mkdir()
    for path in weekly.notebooks_folder().glob("*.ipynb"):
        book = json.loads(path.read_text(encoding="utf-8"))
        shown = {"cell_type": "code", "id": "show", "metadata": {}, "execution_count": None, "outputs": [],
                 "source": ["from olivetime.report import weekly\n", "weekly.show('<p>here</p>')"]}  # fmt: skip
        book["cells"] = [*book["cells"][:2], shown]
        (folder / path.name).write_text(json.dumps(book), encoding="utf-8")
    monkeypatch.setattr(weekly, "notebooks_folder", lambda: folder)
    return folder


@pytest.fixture
def here(monkeypatch):
    """Reports made in this process: workers spend more time on their libraries than on light notebooks."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])  # the shell of notebooks takes its place

    def make(func, tasks, *, progress, **_):
        outcomes = []
        for key, task in tasks.items():
            outcomes.append(fanout.attempt(func, key, task))
            progress(outcomes[-1])
        return outcomes

    monkeypatch.setattr(weekly, "run_many", make)


def change(folder, name, source):
    path = folder / f"{name}.ipynb"
    book = json.loads(path.read_text(encoding="utf-8"))
    book["cells"][-1]["source"] = [source]
    path.write_text(json.dumps(book), encoding="utf-8")


# --- going on -------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("here")
def test_a_second_run_makes_only_what_changed(week, light, tmp_path):
    first = weekly.publish_week(week, tmp_path)
    assert set(first.reports["status"]) == {"made"}
    second = weekly.publish_week(week, tmp_path)
    assert set(second.reports["status"]) == {"unchanged"}
    (first.folder / "mill/mill_week.html").write_text("spoilt", encoding="utf-8")
    change(light, "what_if", "from olivetime.report import weekly\nweekly.show('<p>other</p>')")
    third = weekly.publish_week(week, tmp_path).reports.set_index("key")["status"]
    assert sorted(third[third == "made"].index) == ["mill_week", "what_if"]
    assert "spoilt" not in (first.folder / "mill/mill_week.html").read_text(encoding="utf-8")
    fresh = weekly.publish_week(week, tmp_path, resume=False)
    assert set(fresh.reports["status"]) == {"made"}


@pytest.mark.usefixtures("light", "here")
def test_one_growers_correction_leaves_the_others_as_they_are(week, tmp_path):
    weekly.publish_week(week, tmp_path)
    grower = week.growers["grower_id"].iloc[1]
    stage = week.stage.copy()
    stage.loc[stage["grower_id"] == grower, "samples_n"] += 1
    changed = replace(week, stage=stage)
    result = weekly.publish_week(changed, tmp_path, grower=str(week.growers["grower"].iloc[1]))
    status = result.reports.set_index("key")["status"]
    assert status[f"grower_report/{grower}"] == "made"
    assert set(status[[k for k in status.index if k != f"grower_report/{grower}"]]) == {"older", "unchanged"}
    assert status["pick_order"] == "older"
    assert "Made from earlier records" in result.index.read_text(encoding="utf-8")


@pytest.mark.usefixtures("quick_pages")
def test_a_grower_who_left_the_records_leaves_no_report(week, tmp_path):
    result = weekly.publish_week(week, tmp_path)
    gone = str(week.growers["grower_id"].iloc[-1])
    assert (result.folder / "growers" / gone).is_dir()
    weekly.publish_week(replace(week, growers=week.growers.iloc[:-1]), tmp_path)
    assert not (result.folder / "growers" / gone).exists()


@pytest.mark.usefixtures("light")
def test_unknown_grower_is_refused_with_the_near_match(week, tmp_path):
    with pytest.raises(ValueError, match=r"no grower 'Invented growr 1' .* Did you mean Invented grower 1\?"):
        weekly.publish_week(week, tmp_path, grower="Invented growr 1")


def test_unknown_engine_is_refused(week, tmp_path):
    with pytest.raises(ValueError, match="engine is 'spark', expected olivetime or kernel"):
        weekly.publish_week(week, tmp_path, engine="spark")


# --- going wrong ----------------------------------------------------------------------------------------


@pytest.mark.usefixtures("quick_pages")
def test_what_fails_is_named_first_and_loses_only_itself(week, light, tmp_path, monkeypatch, request):
    weekly.publish_week(week, tmp_path)
    monkeypatch.setattr(weekly, "run_many", fanout.run_many)  # what ends its process must not end the tests'
    change(light, "mill_week", "import os; os._exit(9)")
    change(light, "season_check", "raise ValueError('<i>odd</i> records')")
    said = []
    result = weekly.publish_week(week, tmp_path, say=said.append, jobs=1)
    assert result.exit_code == 6
    reports = result.reports.set_index("key")
    assert sorted(reports[reports["status"] == "failed"].index) == ["mill_week", "season_check"]
    assert "exit code 9" in reports.at["mill_week", "error"]
    assert reports.at["season_check", "error"] == "cell 3: ValueError: <i>odd</i> records"
    assert any(line.startswith("trying again: ") for line in said)
    text = result.index.read_text(encoding="utf-8")
    assert text.index("2 reports could not be made") < text.index("Which block next?")
    assert "&lt;i&gt;odd&lt;/i&gt; records" in text
    assert not (result.folder / "mill/mill_week.html").exists()  # no old numbers under its address
    assert not list(result.folder.rglob("*.part"))
    change(light, "mill_week", "from olivetime.report import weekly\nweekly.show('<p>mended</p>')")
    change(light, "season_check", "from olivetime.report import weekly\nweekly.show('<p>mended</p>')")
    request.getfixturevalue("here")
    after = weekly.publish_week(week, tmp_path, jobs=1)
    assert after.exit_code == 0
    status = after.reports.set_index("key")["status"]
    assert sorted(status[status == "made"].index) == ["mill_week", "season_check"]


@pytest.mark.usefixtures("quick_pages")
def test_a_notebook_that_hangs_is_ended_and_its_old_page_goes(week, light, tmp_path, monkeypatch):
    grower = week.growers.iloc[0]
    page_of = weekly.publish_week(week, tmp_path).folder / "growers" / grower["grower_id"] / "grower_report.html"
    assert page_of.exists()
    monkeypatch.setattr(weekly, "run_many", fanout.run_many)
    change(light, "grower_report", "import time; time.sleep(120)")
    result = weekly.publish_week(another(week), tmp_path, grower=str(grower["grower"]), time_limit_s=6)
    assert result.exit_code == 6
    failed = result.reports[result.reports["status"] == "failed"]
    assert list(failed["key"]) == [f"grower_report/{grower['grower_id']}"]
    assert "within 6 s" in failed["error"].iloc[0]
    assert not page_of.exists()


@pytest.mark.usefixtures("here")
def test_a_week_without_its_order_does_not_become_the_newest(week, light, tmp_path):
    change(light, "pick_order", "raise ValueError('x')")
    weekly.publish_week(week, tmp_path)
    assert not (tmp_path / "index.html").exists()


@pytest.mark.usefixtures("here")
def test_a_report_that_fails_by_chance_is_made_at_the_second_try(week, light, tmp_path):
    mark = tmp_path / "tried"
    change(light, "what_if", f"import pathlib\nassert pathlib.Path({str(mark)!r}).exists() or "
                             f"pathlib.Path({str(mark)!r}).touch(), 'first try'")  # fmt: skip
    result = weekly.publish_week(week, tmp_path / "out")
    assert result.exit_code == 0


@pytest.mark.usefixtures("light", "here")
def test_without_pango_the_run_goes_on_and_says_so(week, tmp_path, monkeypatch):
    monkeypatch.setattr(page, "no_pdf_reason", lambda: "PDFs were left out: no Pango.")
    said = []
    result = weekly.publish_week(week, tmp_path, say=said.append)
    assert result.exit_code == 0
    assert "PDFs were left out: no Pango." in said
    assert any("[1/" in line for line in said)
    assert "PDFs were left out: no Pango." in result.index.read_text(encoding="utf-8")
    assert set(result.reports["pdf"]) == {""}


def lock_of(folder, **changes):
    me = {"pid": os.getpid(), "host": socket.gethostname(), "begun": psutil.Process().create_time()}
    (folder / ".2026-10-19.lock").write_text(json.dumps(me | changes), encoding="utf-8")


@pytest.mark.usefixtures("light")
def test_two_runs_on_one_week_are_refused(week, tmp_path):
    lock_of(tmp_path)
    with pytest.raises(BlockingIOError, match=r"another run \(process \d+ on .*\) works on this week, expected none"):
        weekly.publish_week(week, tmp_path)


@pytest.mark.usefixtures("light")
def test_a_lock_of_another_machine_is_respected(week, tmp_path):
    lock_of(tmp_path, host="elsewhere")
    with pytest.raises(BlockingIOError, match="on elsewhere"):
        weekly.publish_week(week, tmp_path)


@pytest.mark.usefixtures("quick_pages")
def test_a_stale_lock_is_taken_over_and_explained(week, tmp_path):
    lock_of(tmp_path, begun=1.0)
    (tmp_path / ".2026-10-19.new").mkdir()
    (tmp_path / ".2026-10-19.new/half.html.part").write_text("torn", encoding="utf-8")
    (tmp_path / ".2026-10-19.journal").write_text('{"report": {"key": "pick_or', encoding="utf-8")
    result = weekly.publish_week(week, tmp_path)
    assert "ended without finishing" in result.notes[0]
    assert sorted(path.name for path in tmp_path.iterdir() if path.name != "notebooks") == ["2026-10-19", "index.html"]
    assert not (result.folder / "half.html.part").exists()


# --- drills: whatever stops a run, the published folder is the old one or the new one ----------------------


def everything(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def another(week):
    """The same week after a correction that changes every report."""
    return replace(week, stage=week.stage.assign(samples_n=week.stage["samples_n"] + 1))


@pytest.fixture
def quick_pages(monkeypatch):
    """Reports made at once and without a notebook: these tests look at what is published when a run is stopped.

    Returns the set of reports that find the disk full.
    """
    full: set[str] = set()

    def make(_, tasks, *, progress, **__):
        outcomes = []
        for key, task in tasks.items():
            place = f"{task['place']}.html"
            (Path(task["folder"]) / place).parent.mkdir(parents=True, exist_ok=True)
            data = f"{key} {len(made)}".encode()
            made.append(key)
            write_atomic(Path(task["folder"]) / place, data)
            value = {"outputs": {place: hashlib.sha256(data).hexdigest()}, "seconds": {"html": 0.0}}
            error = "ValueError: cell 3: OSError: [Errno 28] No space left on device" if key in full else ""
            outcomes.append(Outcome(key, None if error else value, error))
            progress(outcomes[-1])
        return outcomes

    made: list[str] = []
    monkeypatch.setattr(weekly, "run_many", make)
    return full


def test_a_full_disk_leaves_the_old_week_whole_and_the_next_run_goes_on(week, quick_pages, tmp_path, monkeypatch):
    first = weekly.publish_week(week, tmp_path / "out")
    before = everything(first.folder)
    quick_pages.add("season_check")
    with pytest.raises(OSError, match="No space left on device") as stopped:
        weekly.publish_week(another(week), tmp_path / "out")
    assert stopped.value.filename == str(tmp_path / "out")
    assert everything(first.folder) == before
    quick_pages.clear()

    def no_room(path, _):
        raise OSError(28, "No space left on device", str(path))

    with monkeypatch.context() as patch:  # now the reports find room, and the index does not
        patch.setattr(weekly, "write_atomic", no_room)
        with pytest.raises(OSError, match="No space left on device"):
            weekly.publish_week(another(week), tmp_path / "out")
    assert everything(first.folder) == before
    after = weekly.publish_week(another(week), tmp_path / "out")
    assert after.exit_code == 0
    assert set(after.reports["status"]) == {"unchanged"}  # all were finished before the disk was full
    assert everything(first.folder) != before
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["2026-10-19", "index.html"]


@pytest.mark.usefixtures("quick_pages")
def test_ctrl_c_leaves_the_old_week_whole_and_what_was_finished_is_kept(week, tmp_path):
    folder = weekly.publish_week(week, tmp_path / "out").folder
    before = everything(folder)

    def stop(text):
        if text.startswith("[3/"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        weekly.publish_week(another(week), tmp_path / "out", say=stop)
    assert everything(folder) == before
    assert not (tmp_path / "out/.2026-10-19.lock").exists()
    (folder / "my notes.txt").write_text("kept", encoding="utf-8")
    status = weekly.publish_week(another(week), tmp_path / "out").reports["status"]
    assert (status == "unchanged").sum() == 3
    assert (folder / "my notes.txt").read_text(encoding="utf-8") == "kept"


def test_a_run_that_was_killed_between_two_names_is_put_right(tmp_path):
    folder = tmp_path / "2026-10-19"
    (folder / "mill").mkdir(parents=True)
    (folder / "mill/mill_week.html").write_text("old", encoding="utf-8")
    folder.rename(tmp_path / ".2026-10-19.old")  # the folder being built had not taken its place yet
    publish.stage(folder, afresh=False)
    assert (folder / "mill/mill_week.html").read_text(encoding="utf-8") == "old"
    assert not (tmp_path / ".2026-10-19.old").exists()


def test_a_folder_that_cannot_be_replaced_stays(tmp_path, monkeypatch):
    folder = tmp_path / "2026-10-19"
    folder.mkdir()
    (folder / "index.html").write_text("old", encoding="utf-8")
    staged = publish.stage(folder, afresh=True)
    rename = Path.rename

    def held(self, target):
        if self == staged:
            raise PermissionError(13, "held by another program", str(self))
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", held)
    with pytest.raises(PermissionError, match="held by another program"):
        publish.put_in_place(staged, folder)
    assert (folder / "index.html").read_text(encoding="utf-8") == "old"


def test_workers_that_show_a_week_load_no_planner():
    """Readers and planner would double the memory and the start of every worker."""
    code = (
        "import sys; from olivetime.report import front, sheet, weekly, render;"
        "print(sorted({'numba', 'highspy', 'olivetime.harvest.order', 'matplotlib.pyplot'} & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


# --- the first screen -----------------------------------------------------------------------------------


def test_answers_come_from_the_numbers():
    week = invented_week(12)
    first, rest = front.answer(week, "curve_review")
    left = week.stage[~week.stage["block_id"].isin(week.order.loc[week.order["status"] == "picked", "block_id"])]
    reached = int((left["verdict"] == "reached").sum())
    has = "has" if reached == 1 else "have"
    assert first == f"{reached} of {len(left)} blocks still to pick {has} reached the target."
    assert str(week.next_samples["why"].iloc[0]) in rest
    errors = int((week.findings["level"] == "error").sum())
    assert front.answer(week, "season_check")[0].startswith(f"{errors} error" if errors else "Yes: no error")
    mill = week.mill[week.mill["day"] < pd.Timestamp(week.info["as_of"]) + pd.Timedelta(days=7)]
    tons = number_text(mill["crop_t"].sum() / 0.90718474, week.info)  # short ton, exact by definition
    assert front.answer(week, "mill_week")[0].startswith(f"{tons} short tons reach the mill")
    with pytest.raises(ValueError, match=r"found page 'poem', expected one of pick_order"):
        front.answer(week, "poem")


def test_a_full_stop_in_a_block_name_does_not_cut_the_answer():
    week = invented_week(6)
    order = week.order.copy()
    order.loc[order["rank"].astype(float).idxmin(), "block_name"] = "St. Anne No. 4"
    stage = week.stage.copy()
    week = replace(week, order=order, stage=stage)
    week = replace(week, info=week.info | {"headline": tables.headline(week)})
    first, rest = front.answer(week, "pick_order")
    assert "St. Anne No. 4 first" in first
    assert f"{first} {rest}".strip() == week.info["headline"]


def test_no_week_before_means_nothing_to_compare(tmp_path):
    assert weekly.week_before("") is None
    assert weekly.week_before(tmp_path) is None


def test_a_week_before_that_another_version_wrote_does_not_stop_this_one(week, tmp_path):
    for place in ("whole", "older"):
        for name in ("2026-10-12", "2026-10-19"):
            tables.save_week(week, tmp_path / place / name / "data")
    (tmp_path / "older" / "2026-10-12" / "data" / "picked.parquet").unlink()
    assert weekly.week_before(tmp_path / "whole" / "2026-10-19") is not None
    assert weekly.week_before(tmp_path / "older" / "2026-10-19") is None


# --- from the records -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def southern_week(tmp_path_factory, southern_season):
    """The whole run, lookback included, on two growers of the invented southern season: seven blocks."""
    place = tmp_path_factory.mktemp("southern")
    part = of_growers(southern_season, "Finca Cardenela", "Finca Esparvil")
    folder = write_folder(part, place / "season", locale="es_AR")
    told = []
    result = weekly.run_week(folder, place / "out", jobs=2, progress=lambda *step: told.append(step))
    return folder, result, told


def test_the_sample_season_from_records_to_pages(southern_week):
    """Computed, shown, and then again with nothing to do."""
    folder, result, told = southern_week
    assert result.exit_code == 0, result.reports[["key", "error"]].to_string()
    assert "lookback" in set(result.reports["key"])
    assert set(result.reports["grower_id"]) > {""}
    assert [step[:2] for step in told] == [(n + 1, len(result.reports)) for n in range(len(result.reports))]
    assert {step[2] for step in told} == set(result.reports["key"])
    again = weekly.run_week(folder, result.folder.parent, jobs=2)
    assert set(again.reports["status"]) == {"unchanged"}
    manifest = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert "load" in manifest["seconds"]
    lookback = (result.folder / "agronomist/lookback.ipynb").read_text(encoding="utf-8")
    assert str(folder.parent) not in lookback


def test_a_worker_that_shows_growers_stays_small(southern_week):
    """What a worker itself held, not what its parent held before it; own limit, a third over what was measured."""
    manifest = json.loads((southern_week[1].folder / "manifest.json").read_text(encoding="utf-8"))
    held = {row["key"]: row["memory_mb"] for row in manifest["reports"]}
    assert min(held.values()) > 100
    assert max(held[key] for key in held if key.startswith("grower_report/")) < 1.3 * weekly.WORKER_LIMIT_MB


@pytest.mark.filterwarnings("ignore")
@pytest.mark.usefixtures("light")
def test_several_seasons_are_computed_on_a_cluster(tmp_path):
    """Curves, order and pages on two workers: the same tables; a season that cannot be read stops no other."""
    distributed = pytest.importorskip("distributed")
    season, empty = small_season.write(tmp_path / "small"), tmp_path / "empty"
    empty.mkdir()
    here = weekly.run_week(season, tmp_path / "here", jobs=1)
    assert here.exit_code == 0, here.reports[["key", "error"]].to_string()
    said = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, worker_dashboard_address=None
    ) as cluster:
        told = weekly.run_weeks([season, empty], tmp_path / "out", scheduler=cluster.scheduler_address, say=said.append)
    assert list(told["season"]) == ["small", "empty"]
    assert list(told["exit_code"]) == [0, 3], told["error"].to_string()
    assert told["reports_n"].tolist() == [len(here.reports), 0]
    assert "season.toml" in told["error"][1]
    there, same = (
        {path.name: path.read_bytes() for path in (folder / "data").glob("*.csv")}
        for folder in (Path(told["index"][0]).parent, here.folder)
    )
    assert set(there) == set(same)
    assert [name for name in there if there[name] != same[name]] == []
    assert len(there) > 20
    assert any(text.startswith("empty: ") for text in said)


def test_two_seasons_of_one_name_are_refused(tmp_path):
    with pytest.raises(ValueError, match=r"two season folders are called a, expected different names"):
        weekly.run_weeks([tmp_path / "x" / "a", tmp_path / "y" / "a"], tmp_path / "out")
