"""The seven notebooks: thin and without stored outputs, their parameters and engines; what they show: test_pages."""

import ast
import json
import os
import shutil
import subprocess
import sys
import tomllib
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from invented_week import invented_week

from olivetime.fanout import run_many
from olivetime.report import tables, weekly
from olivetime.report.render import check_parameters, notebooks_folder, render_report

NAMES = [
    "season_check", "curve_review", "pick_order", "what_if", "grower_report", "mill_week", "lookback", "season_end",
]  # fmt: skip


def cells(name):
    return json.loads((notebooks_folder() / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]


def code_cells(name):
    return [cell for cell in cells(name) if cell["cell_type"] == "code"]


@pytest.fixture(scope="module")
def week_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("week") / "2026-10-19"
    week = invented_week(12, hostile=True)
    tables.save_week(week, folder / "data")
    return folder


def task(folder, name, **changes):
    week = tables.load_week(folder / "data")
    parameters = {"grower": str(week.growers["grower_id"].iloc[0])} if name == "grower_report" else {}
    return {
        "notebook": str(notebooks_folder() / f"{name}.ipynb"), "folder": str(folder), "place": f"here/{name}",
        "parameters": parameters, "engine": "olivetime", "pdf": False, "as_of": "2026-10-19", "name": "- Test",
        "locale": "en_US", "provenance": "made up",
    } | changes  # fmt: skip


# --- thin -----------------------------------------------------------------------------------------------


def test_there_are_seven():
    assert sorted(path.stem for path in notebooks_folder().glob("*.ipynb")) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_stored_and_ids_are_fixed(name):
    found = cells(name)
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code_cells(name))
    ids = [cell["id"] for cell in found]
    assert len(set(ids)) == len(ids)
    assert all(ident.replace("-", "").isalpha() for ident in ids)  # words, not random letters and digits
    assert all(set(cell["metadata"]) <= {"tags"} for cell in found)


@pytest.mark.parametrize("name", NAMES)
def test_first_code_cell_declares_parameters_with_help(name):
    first = code_cells(name)[0]
    assert first["metadata"]["tags"] == ["parameters"]
    for line in "".join(first["source"]).splitlines():
        declared, _, words = line.partition("  # ")
        node = ast.parse(declared).body[0]
        assert isinstance(node, ast.AnnAssign), line
        assert node.annotation.id in {"str", "int", "bool"}
        assert type(ast.literal_eval(node.value)).__name__ == node.annotation.id
        assert len(words) > 10, line
    assert {"run", "season", "as_of"} <= {
        node.target.id for node in ast.parse("".join(first["source"])).body if isinstance(node, ast.AnnAssign)
    }


@pytest.mark.parametrize("name", NAMES)
def test_notebooks_only_load_and_show(name):
    found = code_cells(name)
    assert len(found) <= 13
    allowed = (ast.Import, ast.ImportFrom, ast.Assign, ast.AnnAssign, ast.Expr)
    banned = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.If, ast.With, ast.Try, ast.Lambda)
    for cell in found:
        source = "".join(cell["source"])
        assert len(source.splitlines()) <= 15
        tree = ast.parse(source)
        assert all(isinstance(node, allowed) for node in tree.body), source
        assert not [node for node in ast.walk(tree) if isinstance(node, banned)], source
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                assert node.module.split(".")[0] == "olivetime"
            assert not isinstance(node, ast.Import), "a notebook imports from olivetime only"


@pytest.mark.parametrize("name", NAMES)
def test_first_cell_asks_the_question(name):
    first = cells(name)[0]
    assert first["cell_type"] == "markdown"
    assert "".join(first["source"]).startswith("# ")
    assert "".join(first["source"]).rstrip().endswith("?")
    titles = [c["source"][0] for c in cells(name) if c["cell_type"] == "markdown" and c["source"][0].startswith("#")]
    assert all(title.startswith("## ") for title in titles[1:])


@pytest.mark.parametrize("name", ["pick_order", "what_if", "mill_week", "grower_report"])
def test_pages_that_guide_field_work_carry_their_cautions(name):
    assert f', "{name}")' in "".join("".join(cell["source"]) for cell in code_cells(name))


# --- parameters -----------------------------------------------------------------------------------------


def test_misspelt_parameter_is_refused_with_the_near_match():
    with pytest.raises(ValueError, match=r"found parameter 'growr', expected one of .* Did you mean grower\?"):
        check_parameters(notebooks_folder() / "grower_report.ipynb", {"run": "x", "growr": "a"})


def test_missing_parameter_is_refused():
    with pytest.raises(ValueError, match=r"found no value for parameter 'grower', expected one"):
        check_parameters(notebooks_folder() / "grower_report.ipynb", {"run": "x"})
    with pytest.raises(ValueError, match=r"found no value for parameter 'run', expected one"):
        check_parameters(notebooks_folder() / "pick_order.ipynb", {})


def test_a_name_that_is_code_is_refused():
    with pytest.raises(ValueError, match="expected one of run, season, as_of"):
        check_parameters(notebooks_folder() / "pick_order.ipynb", {"run": "x", "a=1; print(1); b": "y"})


@pytest.mark.parametrize("value", [Path("x"), 3, None, True])
def test_only_exact_types_pass(value):
    with pytest.raises(ValueError, match=r"expected exactly str|found no value"):
        check_parameters(notebooks_folder() / "pick_order.ipynb", {"run": value})


@pytest.mark.parametrize("value", ["../x", "a b", "a" * 41, "a;b", "é"])
def test_grower_must_be_an_id(value):
    with pytest.raises(ValueError, match="expected 1 to 40 letters, digits, _ or -"):
        check_parameters(notebooks_folder() / "grower_report.ipynb", {"run": "x", "grower": value})


# --- running --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rendered(week_folder):
    """One notebook, run in a worker process: an engine has one shell for each process."""
    (outcome,) = run_many(render_report, [task(week_folder, "what_if")], jobs=1)
    return outcome


@pytest.mark.notebooks
def test_both_engines_give_the_same_notebook(rendered, week_folder):
    assert rendered.error == ""
    kernel = task(week_folder, "what_if", engine="kernel", place="kernel/what_if")
    (outcome,) = run_many(render_report, [kernel], jobs=1, time_limit_s=180)
    assert outcome.error == ""
    for ending in (".html", ".ipynb"):
        one = (week_folder / f"here/what_if{ending}").read_bytes()
        assert one == (week_folder / f"kernel/what_if{ending}").read_bytes()


@pytest.mark.notebooks
def test_published_notebooks_name_no_path_of_this_machine(rendered, week_folder):
    assert rendered.error == ""
    text = (week_folder / "here/what_if.ipynb").read_text(encoding="utf-8")
    assert 'run = \\"..\\"' in text
    assert str(week_folder.parent) not in text
    assert "start_time" not in text


WRONG = {
    "raises": ("raise ValueError('no such block')", "ValueError: no such block"),
    "stderr": ("import sys; print('careful', file=sys.stderr)", "wrote a warning: careful"),
    "warns": ("import warnings; warnings.warn('old data')", "wrote a warning"),
    "leaves": ("raise SystemExit(0)", "SystemExit"),
    "no alt": ("weekly.show('<img src=\"data:image/png;base64,AA\">')", "a picture without alt text"),
    "script": ("weekly.show('<script>x</script>')", "a <script> element"),
    "event": ("weekly.show('<p onclick=\"x()\">y</p>')", "the event attribute onclick"),
    "fetches": ('weekly.show(\'<img alt="a" src="https://example.org/a.png">\')', "an address outside the page"),
}


@pytest.mark.notebooks
def test_a_notebook_that_went_wrong_is_never_published(week_folder, tmp_path):
    tasks = {}
    for name, (cell, _) in WRONG.items():
        book = json.loads((notebooks_folder() / "pick_order.ipynb").read_text(encoding="utf-8"))
        kept = [c for c in book["cells"] if c["id"] in ("question", "parameters", "open", "answer")]
        kept[-1]["source"] = [cell]
        (tmp_path / f"{name}.ipynb").write_text(json.dumps(book | {"cells": kept}), encoding="utf-8")
        tasks[name] = task(week_folder, "pick_order", notebook=str(tmp_path / f"{name}.ipynb"), place=f"bad/{name}")
    outcomes = run_many(render_report, tasks, jobs=1)
    assert {o.key: WRONG[o.key][1] in o.error for o in outcomes} == dict.fromkeys(WRONG, True)
    assert not list(week_folder.glob("bad/*"))


ENGINE_ALONE = """
import sys
import olivetime.report.engine  # before papermill, which loads its engines while it is being imported
import papermill
done = papermill.execute_notebook(sys.argv[1], None, engine_name="olivetime", progress_bar=False)
print([cell.outputs[0].text for cell in done.cells if cell.cell_type == "code"])
"""


@pytest.mark.notebooks
def test_papermill_finds_the_engine_by_its_entry_point(tmp_path):
    """As after installation: the entry point that pyproject.toml declares, in a dist-info folder on the path."""
    root = notebooks_folder().parent
    declared = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]["entry-points"]
    info = tmp_path / "site" / "olivetime-0.dist-info"
    info.mkdir(parents=True)
    (info / "entry_points.txt").write_text(
        f"[papermill.engine]\nolivetime = {declared['papermill.engine']['olivetime']}\n", encoding="utf-8"
    )
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: olivetime\nVersion: 0\n", encoding="utf-8")
    book = {"cells": [{"cell_type": "code", "id": "a", "metadata": {}, "execution_count": None, "outputs": [],
                       "source": ["print(6 * 7)"]}],
            "metadata": {"kernelspec": {"display_name": "P", "language": "python", "name": "python3"}},
            "nbformat": 4, "nbformat_minor": 5}  # fmt: skip
    (tmp_path / "small.ipynb").write_text(json.dumps(book), encoding="utf-8")
    path = os.pathsep.join([str(tmp_path / "site"), str(root)])
    done = subprocess.run(
        [sys.executable, "-c", ENGINE_ALONE, str(tmp_path / "small.ipynb")],
        env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("['42\\n']")


# --- in JupyterLab --------------------------------------------------------------------------------------


@pytest.fixture
def no_shell(monkeypatch):
    """Another test may have run a notebook in this process: its shell would take what is shown."""
    monkeypatch.setattr("IPython.core.interactiveshell.InteractiveShell._instance", None)


@pytest.mark.usefixtures("no_shell")
def test_controls_appear_only_where_somebody_can_turn_them(monkeypatch, capsys):
    pytest.importorskip("ipywidgets")
    for name in ("JPY_SESSION_NAME", "VSCODE_PID"):
        monkeypatch.delenv(name, raising=False)
    weekly.what_if_controls(invented_week(6), season="unused")
    assert capsys.readouterr().out == ""
    monkeypatch.setenv("JPY_SESSION_NAME", "what_if.ipynb")
    weekly.what_if_controls(invented_week(6), season="unused")
    assert "VBox" in capsys.readouterr().out


@pytest.mark.usefixtures("no_shell")
def test_what_is_turned_is_what_is_asked_and_the_season_is_computed_once(monkeypatch, capsys):
    widgets = pytest.importorskip("ipywidgets")
    asked, begun = [], []

    def answered(proposal, **change):
        assert proposal == "computed"
        asked.append(change)
        if change["shift_hours"] == -6:
            raise ValueError("shift_hours: found -6, expected a shift that is left. Choose fewer hours.")
        return SimpleNamespace(says="Worth $100 more.", moved=[])

    monkeypatch.setattr("olivetime.harvest.reasons.what_if", answered)
    week = invented_week(6, units="metric")
    box = weekly._controls(widgets, week, lambda: begun.append(1) or "computed")
    shift, harvesters, mill, mill_down, frost_on, frost_c, leave, ask, _ = box.children
    shift.value, harvesters.value, mill.value = 2, 1, 80
    mill_down.value, frost_on.value, frost_c.value = date(2026, 10, 21), date(2026, 10, 22), -4.5
    leave.value = str(week.stage["block_id"].iloc[0])
    ask.click()
    assert asked == [{
        "shift_hours": 2, "more_harvesters": 1, "mill_fraction": 0.8, "leave": [leave.value],
        "mill_down": [date(2026, 10, 21)], "frost": {date(2026, 10, 22): -4.5},
    }]  # fmt: skip
    assert "Worth $100 more." in capsys.readouterr().out
    shift.value = -6
    ask.click()
    assert "expected a shift that is left" in capsys.readouterr().out
    shift.value, harvesters.value, mill.value, leave.value = 0, 0, 100, ""
    mill_down.value = frost_on.value = None
    ask.click()
    assert "Nada ha cambiado" in capsys.readouterr().out  # the invented season in metric units is a Spanish one
    assert len(asked) == 2
    assert len(begun) == 1


def test_open_week_reads_both_the_week_and_its_data_folder(week_folder):
    one, two = weekly.open_week(week_folder), weekly.open_week(week_folder / "data")
    assert one.info == two.info
    assert weekly.week_before(week_folder) is None
    earlier = week_folder.parent / "2026-10-12"
    shutil.copytree(week_folder / "data", earlier / "data")
    try:
        assert weekly.week_before(week_folder).info == one.info
        assert weekly.week_before(week_folder, "nobody-000000") is None
    finally:
        shutil.rmtree(earlier)
