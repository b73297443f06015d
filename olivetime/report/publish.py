"""A week's folder is replaced whole: built beside the published one, then put in its place by renaming.

Whatever stops a run (a full disk, Ctrl-C, the power), the published folder stays as it was; what was finished is
noted in a journal, and the next run goes on from there. For the week OUT/2026-10-19 these stand beside it, and all
three are gone after a run that ended well:

    OUT/.2026-10-19.new       the folder being built; files that stay as they are are links to the published ones
    OUT/.2026-10-19.journal   one line for each thing that was finished in it
    OUT/.2026-10-19.lock      who works on it
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

MANIFEST_VERSION = 2
# Written last, so their presence in a folder under construction means that it is complete.
LAST = ("index.html", "manifest.json")
_NAME = re.compile(r"\.?(\d{4}-\d{2}-\d{2})(\.new)?")


def week_name(folder: Path) -> str:
    """ISO day that a week's folder is named after, published or being built; empty for any other folder.

    Examples
    --------
    >>> week_name(Path("out/2026-10-19")), week_name(Path("out/.2026-10-19.new")), week_name(Path("out/notes"))
    ('2026-10-19', '2026-10-19', '')
    """
    found = _NAME.fullmatch(folder.name)
    return found[1] if found and folder.name.startswith(".") == bool(found[2]) else ""


def sha256(path: Path) -> str:
    """Fingerprint of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def all_match(folder: Path, outputs: Mapping[str, str]) -> bool:
    """Whether every file is there and has the fingerprint that was noted for it."""
    return all((folder / name).is_file() and sha256(folder / name) == digest for name, digest in outputs.items())


def _beside(folder: Path, ending: str) -> Path:
    return folder.with_name(f".{folder.name}.{ending}")


# --- building -------------------------------------------------------------------------------------------


def stage(folder: Path, *, afresh: bool) -> Path:
    """Folder in which the next state of a week is built.

    Holds everything that the published folder holds (also files that people put there) except index and manifest,
    and what a run that was stopped had finished.

    Parameters
    ----------
    folder : Path
        The published week, OUT/AS-OF; need not exist.
    afresh : bool
        Forget what a stopped run had finished.

    Returns
    -------
    Path
    """
    staged, journal, old = (_beside(folder, ending) for ending in ("new", "journal", "old"))
    if old.is_dir():  # a run was ended between the two renames of `put_in_place`, or while it tidied up
        if folder.is_dir():
            shutil.rmtree(old)
        else:
            old.rename(folder)
    if afresh or not journal.is_file():
        shutil.rmtree(staged, ignore_errors=True)
        journal.unlink(missing_ok=True)
    staged.mkdir(parents=True, exist_ok=True)
    for name in LAST:
        (staged / name).unlink(missing_ok=True)
    for leftover in list(staged.rglob("*.part")):
        leftover.unlink(missing_ok=True)  # of a run that was ended while it wrote
    for path in sorted(folder.rglob("*")):
        place = staged / path.relative_to(folder)
        if path.is_dir():
            place.mkdir(exist_ok=True)
        elif path.is_file() and path.relative_to(folder).as_posix() not in LAST and not place.exists():
            _link(path, place)
    return staged


def _link(path: Path, place: Path) -> None:
    """Files are never changed in place here, so one file may stand in both folders; where links fail it is copied."""
    try:
        os.link(path, place)
    except OSError:
        shutil.copy2(path, place)


def note_done(folder: Path, kind: str, row: Mapping[str, Any]) -> None:
    """Write one line into the journal: this is finished in the folder being built."""
    with _beside(folder, "journal").open("a", encoding="utf-8") as file:
        file.write(json.dumps({kind: row}, allow_nan=False) + "\n")


def known(folder: Path, *, rows: bool = True) -> dict[str, Any]:
    """What is known of a week from its manifest, overlaid by the journal of a run that was stopped.

    Parameters
    ----------
    folder : Path
        The published week, OUT/AS-OF.
    rows : bool
        False forgets what was made and keeps only the names of the files.

    Returns
    -------
    dict
        `outputs` (path -> sha256), `reports` (rows of the manifest), and whatever else the manifest says.
    """
    try:
        found = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = {}
    if not isinstance(found, dict) or found.get("manifest_version") != MANIFEST_VERSION:
        found = {"reports": [], "outputs": {}}
    reports = {row["key"]: row for row in found["reports"]}
    for line in _journal_lines(folder):
        if "report" in line:
            reports[line["report"]["key"]] = line["report"]
        else:
            found |= {"compute_key": line["computed"]["compute_key"]}
        found["outputs"] |= next(iter(line.values()))["outputs"]
    return {"outputs": found["outputs"], "reports": []} if not rows else found | {"reports": list(reports.values())}


def _journal_lines(folder: Path) -> Iterator[dict[str, Any]]:
    try:
        text = _beside(folder, "journal").read_text(encoding="utf-8")
    except OSError:
        return
    for line in text.splitlines():
        with contextlib.suppress(ValueError):  # the last line of a run that was ended while it wrote
            yield json.loads(line)


def put_in_place(staged: Path, folder: Path) -> None:
    """Let the finished folder take the place of the published one.

    Parameters
    ----------
    staged : Path
        From `stage`; complete, manifest included.
    folder : Path
        The published week.

    Raises
    ------
    OSError
        When a program holds one of its files (Windows); the published folder then stays as it was.
    """
    old = _beside(folder, "old")
    try:
        if folder.exists():
            folder.rename(old)
        staged.rename(folder)
    except BaseException:
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
    _beside(folder, "journal").unlink(missing_ok=True)
    shutil.rmtree(old, ignore_errors=True)


# --- one run at a time ----------------------------------------------------------------------------------


@contextlib.contextmanager
def lock(folder: Path) -> Iterator[str]:
    """Keep two runs from working on one week; yields a sentence when a stale lock was removed.

    Parameters
    ----------
    folder : Path
        The published week, OUT/AS-OF.

    Yields
    ------
    str
        Empty, or what became of a run before.

    Raises
    ------
    BlockingIOError
        When another run works on it.
    """
    import psutil  # comes with ipykernel; tells a running process from one that reused its number

    folder.parent.mkdir(parents=True, exist_ok=True)
    path = _beside(folder, "lock")
    me = {"pid": os.getpid(), "host": socket.gethostname(), "begun": psutil.Process().create_time()}
    note = ""
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        held = None
    except (OSError, ValueError):
        held = {}
    if held is not None:
        if not isinstance(held, dict) or held.get("host") != me["host"] or _lives(held):
            held = held if isinstance(held, dict) else {}
            raise BlockingIOError(
                f"{path}: another run (process {held.get('pid', 'unknown')} on {held.get('host', 'unknown host')})"
                " works on this week, expected none. Wait for it to end; if no run is alive there, delete this file."
            )
        path.unlink(missing_ok=True)
        note = f"An earlier run (process {held['pid']}) ended without finishing; this run took over from it."
    try:
        with path.open("x", encoding="utf-8") as file:
            json.dump(me, file)
    except FileExistsError as problem:
        raise BlockingIOError(
            f"{path}: another run began at the same moment, expected none. Wait for it to end and run again."
        ) from problem
    except OSError:
        path.unlink(missing_ok=True)  # on a full disk an empty lock would keep every later run away
        raise
    try:
        yield note
    finally:
        path.unlink(missing_ok=True)


def _lives(held: Mapping[str, Any]) -> bool:
    import psutil

    try:
        return abs(psutil.Process(int(held["pid"])).create_time() - float(held["begun"])) < 2.0
    except (psutil.NoSuchProcess, KeyError, TypeError, ValueError):
        return False
