"""The command line parses and calls; exit codes and sentences are promises."""

import io
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from small_season import SETTINGS, write

from olivetime.__main__ import _progress_bar, main

SAMPLE = Path(__file__).parents[1] / "sample_data"


@pytest.fixture
def run():
    runner = CliRunner()

    def call(*words):
        return runner.invoke(main, [str(word) for word in words])

    return call


@pytest.fixture
def southern(tmp_path):
    folder = tmp_path / "southern"
    shutil.copytree(SAMPLE / "southern", folder)
    return folder


@pytest.fixture
def season(tmp_path):
    """Three blocks, told in Spanish."""
    settings = SETTINGS.replace('currency = "EUR"', 'currency = "EUR"\nlocale = "es_ES"')
    return write(tmp_path / "small", settings=settings)


def test_help_lists_every_command_and_needs_no_pandas():
    code = "import sys, olivetime.__main__ as m; assert 'pandas' not in sys.modules; print(sorted(m.main.commands))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str(["check", "curves", "demo", "lookback", "order", "start", "weekly"])


def test_wrong_use_is_exit_2(run, tmp_path):
    assert run("order", tmp_path / "nowhere").exit_code == 2
    answer = run("check", tmp_path, "--as-of", "02/11/2026")
    assert answer.exit_code == 2
    assert "write it as 2026-11-02" in answer.output


def test_start_writes_a_folder_that_check_can_read(run, tmp_path):
    folder = tmp_path / "mine"
    assert run("start", folder, "--units", "us").exit_code == 0
    assert (folder / "season.toml").exists()
    assert (folder / "records.xlsx").exists()
    again = run("start", folder)
    assert again.exit_code == 2
    assert "is there already, expected an empty folder" in again.output
    # an empty template decides nothing: exit 3 and a sentence, not a traceback
    empty = run("check", folder)
    assert empty.exit_code == 3
    assert "Traceback" not in empty.output


def test_a_failure_asked_for_in_json_is_told_in_json(run, season, tmp_path):
    for words, code in (
        (("order", tmp_path / "nowhere", "--json"), 2),
        (("order", season, "--json", "--quiet", "--block", "no such block"), 2),
        (("order", season, "--json", "--quiet", "--as-of", "2020-01-01"), 2),
        (("curves", tmp_path, "--json", "--quiet"), 3),
    ):
        answer = run(*words)
        told = json.loads(answer.stdout)
        assert (answer.exit_code, told["exit_code"]) == (code, code)
        assert told["error"] in " ".join(answer.stderr.split()) or told["error"] in answer.stderr
    assert run("order", tmp_path / "nowhere").stdout == ""


def test_start_tells_in_json_what_it_wrote_and_what_is_left_to_decide(run, tmp_path):
    file = tmp_path / "lab.csv"
    file.write_text("Plot;Taken;Water\nN1;03/04/2026;57,9\n", encoding="utf-8")
    answer = run("start", tmp_path / "mine", "--from", file, "--json", "--quiet")
    told = json.loads(answer.stdout)
    assert [Path(path).name for path in told["written"]] == ["season.toml", "records.xlsx", "lab.csv"]
    assert all(Path(path).exists() for path in told["written"])
    assert told["to_decide"]


def test_start_from_a_laboratorys_file_drafts_its_layout(run, tmp_path):
    file = tmp_path / "lab.csv"
    file.write_text(
        "Block;Date sampled;Moisture %;Oil % DM\nN1;13/10/2026;57,9;41,2\nN2;13/10/2026;58,4;39,8\n", encoding="utf-8"
    )
    folder = tmp_path / "mine"
    answer = run("start", folder, "--from", file)
    assert answer.exit_code == 0, answer.output
    settings = (folder / "season.toml").read_text(encoding="utf-8")
    assert "[layout.samples]" in settings
    assert (folder / "lab.csv").exists()


def test_check_writes_problems_and_the_marked_workbook(run, southern, tmp_path):
    out = tmp_path / "out"
    answer = run("check", southern, "--out", out)
    assert answer.exit_code == 0, answer.output
    assert (out / "problems.csv").read_text(encoding="utf-8-sig").startswith(
        "code,level,table,file,sheet,row,column,value,says,do"
    )


def test_a_day_after_the_season_is_wrong_use(run, season, tmp_path):
    done = run("check", season, "--as-of", "2099-03-01", "--out", tmp_path)
    assert done.exit_code == 2
    assert "expected a day up to the season's last" in done.output


def test_check_json_is_json(run, southern, tmp_path):
    answer = run("check", southern, "--json", "--quiet", "--out", tmp_path)
    data = json.loads(answer.stdout)
    assert data["findings"]
    assert all(set(row) >= {"code", "level", "says", "do"} for row in data["findings"])


def test_a_folder_without_season_toml_is_exit_3(run, tmp_path):
    answer = run("order", tmp_path)
    assert answer.exit_code == 3
    assert "season.toml" in answer.output


def test_curves_prints_verdicts(run, season):
    answer = run("curves", season)
    assert answer.exit_code == 0, answer.output
    assert "Koroneiki" in answer.stdout
    data = json.loads(run("curves", season, "--json", "--quiet").stdout)
    assert {row["verdict"] for row in data["stage"]} <= {"reached", "not yet", "may never", "never"}


def test_order_says_which_block_first(run, season, southern):
    answer = run("order", season)
    assert answer.exit_code == 0, answer.output
    assert answer.stdout.startswith(("Coseche ", "Termine "))  # the season's language is Spanish
    data = json.loads(run("order", season, "--json", "--quiet").stdout)
    first = min((row for row in data["order"] if row["rank"] is not None), key=lambda row: row["rank"])
    told = run("order", season, "--block", first["block_id"])
    assert told.exit_code == 0
    assert "Número 1 del orden" in told.stdout
    hours = run("order", southern, "--clock", "--quiet")
    assert hours.exit_code == 0
    assert "cosecha" in hours.stdout
    waits = run("order", season, "--clock", "--quiet")  # its fruit gains for longer than two days
    assert "no hay cosecha prevista en estos días." in waits.stdout
    unknown = run("order", season, "--block", "ghost")
    assert unknown.exit_code == 2
    assert "no block 'ghost' in this season" in unknown.output


def test_order_without_a_working_mill_is_exit_3_or_5(run, season):
    days = [f"M1,{day:%Y-%m-%d},yes" for day in pd.date_range("2026-10-05", "2027-01-15")]
    (season / "mill_days.csv").write_text("\n".join(["mill_id,day,closed", *days]) + "\n", encoding="utf-8")
    answer = run("order", season)
    assert answer.exit_code in (3, 5)
    assert "mill" in answer.output


def test_unwritable_output_is_exit_4(run, season, tmp_path):
    occupied = tmp_path / "file"
    occupied.write_text("not a folder", encoding="utf-8")
    answer = run("check", season, "--out", occupied / "below")
    assert answer.exit_code == 4
    assert "could not be written" in answer.output


def test_a_bar_where_somebody_watches_and_lines_elsewhere(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with _progress_bar(quiet=False) as show:
        show(1, 2, "pick_order")
        show(2, 2, "mill_week")
    assert "2/2" in screen.getvalue()
    assert "mill_week" in screen.getvalue()
    with _progress_bar(quiet=True) as show:
        assert show is None
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with _progress_bar(quiet=False) as show:
        assert show is None


def test_an_outlook_for_several_seasons_needs_the_day(run, season, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(season, other)
    told = run("weekly", season, other, "--out", tmp_path / "out", "--fetch-outlook")
    assert told.exit_code == 2
    assert "--as-of" in told.stderr
    assert not (tmp_path / "out").exists()
