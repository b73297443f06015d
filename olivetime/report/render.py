"""One notebook becomes one report: parameters checked, cells run, page and PDF written, all put in place at once.

A grower's report also becomes a message and a folder that are ready to send.

Runs inside the worker processes of `olivetime.report.weekly`; importing this module is cheap, papermill and its
companions are loaded by the first report.
"""

from __future__ import annotations

import ast
import contextlib
import ctypes
import difflib
import gc
import hashlib
import json
import os
import re
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

import olivetime
from olivetime.report import numbers, page, send, tables

# Pages beside which their reader's numbers are laid, as a workbook and CSV.
NUMBERS_BESIDE = {"pick_order": "manager", "mill_week": "mill", "curve_review": "agronomist"}
GROWER_ID = re.compile(r"[A-Za-z0-9_-]{1,40}")


def notebooks_folder() -> Path:
    """Folder of the seven notebooks: inside the installed package, or beside it in a checkout."""
    inside = Path(olivetime.__file__).parent / "notebooks"
    return inside if inside.is_dir() else Path(olivetime.__file__).parent.parent / "notebooks"


def loaded_week(folder: str | Path, grower: str | None = None) -> tables.Week:
    """Load a saved week, or a grower's part of it; what was loaded last is at hand.

    Parameters
    ----------
    folder : path
        A week's folder (OUT/AS-OF) or its `data` folder.
    grower : str, optional
        A `grower_id`, "" for the first.
    """
    data = Path(folder)
    data = (data / "data" if (data / "data").is_dir() else data).resolve()
    info = data / "info.json"  # holds the fingerprints of all tables
    week = _loaded(data, hashlib.sha256(info.read_bytes()).hexdigest() if info.is_file() else "", grower)
    # A notebook that changes a table must not change it for the next report: pandas 3 copies on writing.
    deep = int(pd.__version__.split(".")[0]) < 3
    return replace(
        week, info=dict(week.info), **{name: getattr(week, name).copy(deep=deep) for name in tables.TABLE_NAMES}
    )


@lru_cache(maxsize=2)  # this week and the one before it
def _loaded(data: Path, digest: str, grower: str | None) -> tables.Week:  # noqa: ARG001 - a week computed again differs
    return tables.load_week(data, grower)


def ready() -> None:
    """Load what every report needs: for a worker that waits for its first."""
    _keep_imports_light()
    import papermill  # noqa: F401

    from olivetime.report import engine, front  # noqa: F401

    page.no_pdf_reason()  # loads the printer


def check_parameters(notebook: Path, parameters: Mapping[str, Any]) -> None:
    """Refuse parameters that a notebook does not have, or that it needs and did not get.

    papermill itself only warns about a misspelt name and then runs with the default, which gives a wrong
    report without an error.

    Parameters
    ----------
    notebook : Path
        A notebook with a cell tagged `parameters`.
    parameters : mapping
        Names and values to be passed; `run`, and `grower` where the notebook has it, must be among them.

    Raises
    ------
    ValueError
        Unknown or missing name, or a value that is not exactly of the declared type (str, int or bool).
    """
    _keep_imports_light()
    import papermill

    known = papermill.inspect_notebook(str(notebook))
    for name in parameters:
        if name not in known:
            near = difflib.get_close_matches(str(name), known, n=1, cutoff=0.5)
            hint = f" Did you mean {near[0]}?" if near else ""
            raise ValueError(
                f"{notebook.name}: found parameter {name!r}, expected one of {', '.join(known)}.{hint} Correct the"
                " name; nothing was run."
            )
    for name in ("run", "grower"):
        if name in known and not parameters.get(name):
            raise ValueError(
                f"{notebook.name}: found no value for parameter {name!r}, expected one. Pass {name}; nothing was run."
            )
    for name, value in parameters.items():
        declared = {"str": str, "int": int, "bool": bool}.get(known[name]["inferred_type_name"])
        if declared is None or type(value) is not declared:
            raise ValueError(
                f"{notebook.name}: parameter {name} is {value!r} of type {type(value).__name__}, expected exactly"
                f" {known[name]['inferred_type_name']}. Convert it; nothing was run."
            )
    if "grower" in parameters and not GROWER_ID.fullmatch(parameters["grower"]):
        raise ValueError(
            f"{notebook.name}: grower is {parameters['grower']!r}, expected 1 to 40 letters, digits, _ or -. Pass the"
            " grower_id of the week's growers table, not the name."
        )


def render_report(task: Mapping[str, Any]) -> dict[str, Any]:
    """Run one notebook, write its page and PDF, and put all three in their place.

    Runs inside a worker.

    Parameters
    ----------
    task : mapping
        notebook (path), folder (the week's), place (inside it, without ending), parameters, engine, pdf,
        as_of, name, locale, provenance.

    Returns
    -------
    dict
        outputs: path inside the folder -> sha256; seconds: phase -> [s]; memory_mb: most that this worker has held
        meanwhile (on Linux; elsewhere since it began).

    Raises
    ------
    ValueError
        When a cell failed, wrote to stderr or did not run, or the page was refused.
    """
    _keep_imports_light()
    _forget_peak()
    os.environ["SOURCE_DATE_EPOCH"] = str(int(datetime.fromisoformat(task["as_of"]).replace(tzinfo=UTC).timestamp()))
    for name in ("JPY_SESSION_NAME", "VSCODE_PID"):  # nobody turns controls in a report
        os.environ.pop(name, None)
    begun = time.perf_counter()
    import nbformat
    import papermill
    from papermill.engines import papermill_engines

    from olivetime.report.engine import WeekEngine

    papermill_engines.register("olivetime", WeekEngine)
    source = Path(task["notebook"])
    folder = Path(task["folder"])
    target = folder / task["place"]
    parameters = {"run": str(folder), **task["parameters"]}
    check_parameters(source, parameters)
    clock = {"start": time.perf_counter() - begun}

    begun = time.perf_counter()
    try:
        notebook = papermill.execute_notebook(
            str(source),
            None,
            parameters=parameters,
            engine_name="olivetime" if task["engine"] == "olivetime" else None,
            kernel_name="python3",
            progress_bar=False,
            cwd=str(folder),
            **({} if task["engine"] == "olivetime" else {"shutdown_kernel": "immediate"}),
        )
    except papermill.PapermillExecutionError as problem:
        raise ValueError(f"cell {problem.exec_count}: {problem.ename}: {problem.evalue}") from None
    _require_clean(notebook)
    clock["notebook"] = time.perf_counter() - begun

    begun = time.perf_counter()
    _settle(notebook, target.parent)
    files = {".ipynb": (nbformat.writes(notebook) + "\n").encode()}
    text = page.page_html(notebook, name=task["name"], locale=task["locale"], provenance=task["provenance"])
    files[".html"] = text.encode()
    clock["html"] = time.perf_counter() - begun
    clock["pdf"] = clock["send"] = 0.0

    begun = time.perf_counter()
    if task["pdf"]:
        files[".pdf"] = page.pdf_bytes(text)
        clock["pdf"] = time.perf_counter() - begun

    places = {f"{task['place']}{ending}": data for ending, data in files.items()}
    if "grower" in parameters:
        begun = time.perf_counter()
        own = loaded_week(folder, parameters["grower"])
        stem = f"send/{own.info['as_of']}-{own.info['grower_id']}"
        ready = send.ready_to_send(own, files, numbers.number_files(own))
        places |= {f"{stem}{ending}": data for ending, data in ready.items()}
        clock["send"] = time.perf_counter() - begun
    elif source.stem in NUMBERS_BESIDE:
        begun = time.perf_counter()
        beside = Path(task["place"]).parent.as_posix()
        tables_of = numbers.number_files(loaded_week(folder), NUMBERS_BESIDE[source.stem])
        places |= {f"{beside}/{name}": data for name, data in tables_of.items()}
        clock["send"] = time.perf_counter() - begun

    for place in places:
        if not (folder / place).resolve().is_relative_to(folder.resolve()):
            raise ValueError(f"report {place}: leads out of {folder}, expected inside it. Rename the grower.")
    for place, data in places.items():
        (folder / place).parent.mkdir(parents=True, exist_ok=True)
        (folder / f"{place}.part").write_bytes(data)
    outputs = {}
    for place, data in places.items():
        os.replace(folder / f"{place}.part", folder / place)
        outputs[place] = hashlib.sha256(data).hexdigest()
    seconds = {name: round(value, 4) for name, value in clock.items()}
    _give_back()
    return {"outputs": outputs, "seconds": seconds, "memory_mb": _most_memory_mb()}


def _give_back() -> None:
    """Drop the pictures of a report before the next one: figures hold each other in circles and would pile up.

    What the libraries made while they were imported stays for good; left out of the search, that takes hundredths of
    a second.
    """
    gc.collect()
    if not gc.get_freeze_count():
        gc.freeze()
    if sys.platform == "linux":  # glibc keeps what lies between pieces in use: 10 MB, given back in a millisecond
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def _forget_peak() -> None:
    """Let the most memory held count from here: a worker makes pages of a whole mill and of one grower (proc(5))."""
    with contextlib.suppress(OSError):  # not on Linux, or not allowed
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def _most_memory_mb() -> float:
    """Most memory that this process has held, on Linux since `_forget_peak` [MB]."""
    own = Path("/proc/self/status")
    if own.is_file():  # getrusage of a child on Linux starts from what its parent held
        kib = re.search(r"(?m)^VmHWM:\s*(\d+) kB", own.read_text(encoding="ascii", errors="replace"))
        if kib:
            return round(int(kib[1]) * 1024 / 1e6, 1)
    try:
        import resource  # not on Windows
    except ImportError:
        import psutil

        return round(psutil.Process().memory_info().peak_wset / 1e6, 1)
    unit = 1.0 if sys.platform == "darwin" else 1024.0  # bytes there, kibibytes elsewhere
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6, 1)


def _keep_imports_light() -> None:
    """Spare the batch path 2-3 s of processor time.

    Beside JupyterLab, importing nbformat makes jsonschema import rfc3987_syntax, which builds some 35 grammars
    that checking notebooks never uses.
    """
    if "rfc3987_syntax" not in sys.modules and "jsonschema" not in sys.modules:
        sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]


def _require_clean(notebook: Any) -> None:
    for number, cell in enumerate(notebook.cells, start=1):
        if cell.cell_type != "code" or not cell.source.strip():
            continue
        if cell.execution_count is None:
            raise ValueError(f"cell {number} did not run. Open the notebook and run it from the top.")
        for output in sorted(cell.outputs, key=lambda output: output.output_type != "error"):
            if output.output_type == "error":  # papermill lets SystemExit(0) pass
                raise ValueError(f"cell {number} ended the notebook: {output.ename}: {output.evalue}")
            if output.output_type == "stream" and output.name == "stderr":
                lines = output.text.strip().splitlines() or [""]
                raise ValueError(f"cell {number} wrote a warning: {lines[-1][:200]}")


def _settle(notebook: Any, place: Path) -> None:
    """Take times, machine paths and random ids out of an executed notebook, so that reruns give the same bytes.

    The published notebook finds its week and its season by paths relative to itself: it opens where it lies.
    """
    notebook.metadata.pop("papermill", None)
    notebook.metadata["language_info"] = {"name": "python"}
    notebook.metadata["kernelspec"] = {"display_name": "Python 3", "language": "python", "name": "python3"}
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
            cell.source = re.sub(
                r"(?m)^(run|season) = (.+)$",
                lambda found: f"{found[1]} = {json.dumps(_relative(ast.literal_eval(found[2]), place))}",
                cell.source,
            )


def _relative(path: str, place: Path) -> str:
    try:
        return Path(os.path.relpath(path, place)).as_posix()
    except ValueError:  # another drive of a Windows machine
        return Path(path).as_posix()
