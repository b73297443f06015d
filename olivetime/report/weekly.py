"""The weekly run: one computation, many pages, an index last.

The season is computed once and saved as files; notebooks only load and show them. Worker processes run the
notebooks through papermill and write page and PDF beside each; a report counts only when all of its cells ran and
its files passed. A report that fails is tried once more by itself and then named at the top of the index; the
others are published all the same. Everything is built beside the published folder, which is replaced whole at the
end (see `olivetime.report.publish`). A later run redoes what is missing, failed or changed.

In notebooks only two names of this module are used: `open_week` and `show`.
"""

from __future__ import annotations

import difflib
import errno
import hashlib
import importlib.metadata
import json
import os
import platform
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

import olivetime
from olivetime import languages
from olivetime.fanout import Outcome, attempt, begun, run_many
from olivetime.records.columns import SeasonError
from olivetime.records.files import write_atomic
from olivetime.report import front, page, publish, sheet, tables
from olivetime.report.render import check_parameters, loaded_week, notebooks_folder, ready, render_report
from olivetime.words import display_unit

if TYPE_CHECKING:
    from olivetime.harvest.order import Proposal
    from olivetime.harvest.past import Hindcast
    from olivetime.records.season import Season

# Longest time for one report [s]: a hundred times what one takes, so that only a hang meets it.
REPORT_LIMIT_S = 300.0
# Longest time for computing a season, or a piece of that, in another process [s]: many times what the sample takes.
COMPUTE_LIMIT_S = 1200.0
# A worker that holds more than this after a report gives way to a fresh one [MB]: grower after grower it stays below.
WORKER_LIMIT_MB = 300.0
PAST_WEEKS = 4  # how many past weeks a run replays, as the lookback's notebook asks for
_LIBRARIES = ("numpy", "pandas", "scipy", "matplotlib", "highspy", "numba", "papermill", "weasyprint")


@dataclass(frozen=True)
class Report:
    """One notebook for one reader.

    Attributes
    ----------
    key : str
        Name in the manifest, such as "pick_order" or "grower_report/north-farm-1a2b3c4d".
    notebook : str
        File stem of the notebook.
    folder : str
        Where it goes inside the week's folder, with "/" between parts.
    parameters : mapping
        Notebook parameters besides `run`.
    """

    key: str
    notebook: str
    folder: str
    parameters: Mapping[str, str | int | bool]


@dataclass(frozen=True)
class RunResult:
    """What a weekly run left behind.

    Attributes
    ----------
    folder : Path
        OUT/AS-OF.
    index : Path
        The page to open.
    reports : pandas.DataFrame
        One row per report: key, notebook, grower_id, status ("made", "unchanged", "older", "failed"), error,
        html, pdf, ipynb, eml, zip, xlsx (paths inside the folder, "" when absent), seconds.
    exit_code : int
        0 when all is done, 6 when a report failed.
    notes : tuple of str
        Sentences for the user: PDFs left out, a stale lock removed.
    """

    folder: Path
    index: Path
    reports: pd.DataFrame
    exit_code: int
    notes: tuple[str, ...] = ()


# The farm manager's, the agronomist's and the mill's reports; a grower report for each grower follows.
REPORTS = (
    Report("pick_order", "pick_order", "manager", {}),
    Report("what_if", "what_if", "manager", {}),
    Report("mill_week", "mill_week", "mill", {}),
    Report("curve_review", "curve_review", "agronomist", {}),
    Report("season_check", "season_check", "agronomist", {}),
    Report("lookback", "lookback", "agronomist", {}),
    Report("season_end", "season_end", "agronomist", {}),
)
# Notebooks that go back to the records themselves, and those that cannot do without them.
_WITH_SEASON = frozenset({"lookback", "season_end", "what_if"})
_ONLY_WITH_SEASON = frozenset({"lookback", "season_end"})
# Notebooks that take longest: the lookback plans past weeks again, the curve review draws every block.
_LONG = frozenset({"lookback", "curve_review"})


def open_week(
    run: str | Path = "", *, season: str | Path = "", as_of: str = "", seed: int = 0, grower: str | None = None
) -> tables.Week:
    """Load a computed week, or compute it.

    Parameters
    ----------
    run : path, optional
        A week's folder (OUT/AS-OF) or its `data` folder. Empty computes the week from `season`.
    season : path
        Season folder, used when `run` is empty.
    as_of : str, optional
        ISO date up to which records are used; empty takes the newest date in them.
    seed : int
        Seed of the draws.
    grower : str, optional
        A `grower_id`, "" for the first grower: only this grower's part.

    Returns
    -------
    Week
    """
    if run:
        return loaded_week(run, grower)
    # Only who computes loads the readers and the planner: they would double the memory of every worker of a run.
    from olivetime.harvest.order import propose
    from olivetime.records.kept import kept_folder

    proposal = propose(_read(season, as_of or None), seed=seed, kept=kept_folder())
    week = tables.week_tables(proposal, review=True)
    if grower is None:
        return week
    return tables.grower_week(week, grower or str(week.growers["grower_id"].iloc[0]))


def _read(season: str | Path, as_of: date | str | None) -> Season:
    from olivetime.records.kept import kept_folder
    from olivetime.records.season import read_season
    from olivetime.weather.fetched import with_outlook_file

    return with_outlook_file(read_season(season, as_of, kept=kept_folder()))


def week_before(run: str | Path = "", grower: str = "") -> tables.Week | None:
    """Load the newest earlier week beside this one, to say what changed.

    Parameters
    ----------
    run : path
        This week's folder, OUT/AS-OF.
    grower : str, optional
        Only this grower's part.

    Returns
    -------
    Week or None
        None when `run` is empty, no earlier week lies there, or the grower was not in it.
    """
    folder = _folder_before(Path(run)) if run else None
    if folder is None:
        return None
    try:
        return loaded_week(folder, grower or None)
    except (SeasonError, ValueError):  # written by another version, or without this grower
        return None


def open_past(
    run: str | Path = "", *, season: str | Path, as_of: str, weeks: int = PAST_WEEKS, seed: int = 0
) -> tuple[Hindcast, pd.DataFrame]:
    """Load how past weeks turned out, or replay them.

    Parameters
    ----------
    run : path, optional
        A week's folder that a run saved them in; where it did not, or for other weeks, they are replayed.
    season : path
        Season folder.
    as_of : str
        ISO date up to which records are used.
    weeks : int
        How many past weeks.
    seed : int

    Returns
    -------
    Hindcast, DataFrame
        The past weeks, and how past outlooks turned out.
    """
    saved = tables.load_past(Path(run) / "data", seed=seed, weeks=weeks) if run else None
    if saved is not None:
        return saved
    from olivetime.harvest.hindcast import hindcast
    from olivetime.records.kept import kept_folder
    from olivetime.records.season import read_season
    from olivetime.weather.fetched import season_skill

    past = hindcast(season, as_of=as_of, weeks=weeks, seed=seed, kept=kept_folder())
    return past, season_skill(read_season(season, as_of, kept=kept_folder()))


def _folder_before(folder: Path) -> Path | None:
    folder = folder.resolve()
    own = publish.week_name(folder)
    weeks = [path.parent.parent for path in folder.parent.glob("[!.]*/data/info.json")]
    earlier = [week for week in weeks if "" < publish.week_name(week) < own]
    return max(earlier, key=lambda path: path.name, default=None)


def show(*parts: str | sheet.DisplayTable) -> None:
    """Show tables and figures in a notebook; figures that follow each other may stand two abreast.

    Parameters
    ----------
    *parts : DisplayTable or str
        Tables, and HTML from `olivetime.report.figures` and `olivetime.report.page`; empty pieces show nothing.
    """
    from IPython.display import display

    pieces = [sheet.html_table(part) if isinstance(part, sheet.DisplayTable) else part for part in parts]
    markup = page.group_figures([piece for piece in pieces if piece])
    if markup:
        display({"text/html": markup, "text/plain": page.plain_text(markup)}, raw=True)


def what_if_controls(week: tables.Week, *, season: str | Path, as_of: str = "") -> None:
    """Show controls for one's own what-ifs where somebody can turn them; show nothing on pages.

    Parameters
    ----------
    week : Week
        Only its day is used, when `as_of` is empty.
    season : path
        Season folder that the changes are tried on.
    as_of : str, optional
        ISO date.
    """
    if not _somebody_there():
        return
    try:
        import ipywidgets
    except ImportError:
        print("Controls need ipywidgets: pip install 'olivetime[lab]'. The table above needs nothing.")
        return
    from IPython.display import display

    def begin() -> Proposal:
        from olivetime.harvest.order import propose
        from olivetime.records.kept import kept_folder

        then = _read(season, as_of or str(week.info["as_of"]))
        return propose(then, seed=int(week.info["seed"]), kept=kept_folder())

    display(_controls(ipywidgets, week, begin))


def _controls(widgets: Any, week: tables.Week, begin: Callable[[], Proposal]) -> Any:
    """Widgets for one change at a time or several together; the season is computed at the first question."""
    from IPython.display import display

    wide = {"style": {"description_width": "14em"}, "layout": {"width": "28em"}}
    info = week.info
    shift = widgets.IntSlider(value=0, min=-6, max=6, description=languages.say("Shift, hours more", info), **wide)
    harvesters = widgets.IntSlider(value=0, min=0, max=3, description=languages.say("Harvesters more", info), **wide)
    mill = widgets.IntSlider(
        value=100, min=20, max=100, step=10, description=languages.say("Mill rate, %", info), **wide
    )
    mill_down = widgets.DatePicker(description=languages.say("Mill stands on", info), **wide)
    frost_on = widgets.DatePicker(description=languages.say("Frost on the night of", info), **wide)
    temp = display_unit(info, "temp")
    low, coldest, warmest = (round(2 * temp.of(celsius)) / 2 for celsius in (-3.0, -8.0, 0.0))
    cold = languages.say("Its lowest temperature, {unit}", info, unit=temp.label)
    frost_low = widgets.FloatSlider(value=low, min=coldest, max=warmest, step=0.5, description=cold, **wide)
    names = zip(week.stage["block_name"].astype(str), week.stage["block_id"].astype(str), strict=True)
    none = (languages.say("none", info), "")
    leave = widgets.Dropdown(options=[none, *names], description=languages.say("Leave block", info), **wide)
    ask = widgets.Button(description=languages.say("Find the order", info), button_style="")
    said = widgets.Output()
    proposals: list[Proposal] = []

    def answer(_: Any) -> None:
        said.clear_output()
        change: dict[str, Any] = {"shift_hours": shift.value, "more_harvesters": harvesters.value}
        change |= {"mill_fraction": mill.value / 100, "leave": [leave.value] if leave.value else []}
        change |= {"mill_down": [mill_down.value] if mill_down.value else []}
        change |= {"frost": {frost_on.value: (frost_low.value - temp.offset) / temp.factor} if frost_on.value else None}
        turned = (shift.value, harvesters.value, mill.value < 100, mill_down.value, frost_on.value, leave.value)
        with said:
            if not any(turned):
                print(languages.say("Nothing is changed: turn a control first.", info))
                return
            print(languages.say("Looking for the best order; this takes some seconds.", info))
            try:
                from olivetime.harvest.reasons import what_if

                if not proposals:
                    proposals.append(begin())
                told = what_if(proposals[0], **change)
            except ValueError as problem:
                print(languages.said(str(problem), info))
                return
            said.clear_output()
            words = languages.said(told.says, info)
            display({"text/html": page.answer(words), "text/plain": words}, raw=True)
            if len(told.moved):
                display({"text/html": sheet.html_table(sheet.moves_table(told.moved, week))}, raw=True)

    ask.on_click(answer)
    return widgets.VBox([shift, harvesters, mill, mill_down, frost_on, frost_low, leave, ask, said])


def _somebody_there() -> bool:
    """Whether a notebook server or editor started this kernel; papermill and plain Python did not."""
    return "JPY_SESSION_NAME" in os.environ or "VSCODE_PID" in os.environ


def run_week(
    season_folder: str | Path,
    out: str | Path,
    *,
    as_of: date | str | None = None,
    seed: int = 0,
    jobs: int = 2,
    engine: str = "olivetime",
    grower: str | None = None,
    resume: bool = True,
    units: str | None = None,
    scheduler: str | None = None,
    say: Callable[[str], None] | None = None,
    progress: Callable[[int, int, str], None] | None = None,
    time_limit_s: float = REPORT_LIMIT_S,
    prepare: Callable[[Season], Season] | None = None,
) -> RunResult:
    """Compute the week once and publish every report of it.

    Parameters
    ----------
    season_folder : path
        A season folder (see `read_season`).
    out : path
        The week goes to OUT/AS-OF/; OUT/index.html leads to the newest.
    as_of : date or ISO text, optional
        Records dated later are not used; by default the newest date in the records.
    seed : int
        Seed of the draws.
    jobs : int
        Worker processes [count].
    engine : str
        "olivetime" (inside the workers) or "kernel" (a kernel for each notebook; slower, same output).
    grower : str, optional
        Only this grower's report (name or grower_id); the week's other files stay as they are.
    resume : bool
        Reuse what an earlier run of the same week made from the same records, code and seed.
    units : {"metric", "us"}, optional
        Units that pages show; by default the season's.
    scheduler : str, optional
        Address of a Dask scheduler for curves, order and reports; see `olivetime.fanout.run_many`.
    say : callable, optional
        Called with one line of text for each thing done.
    progress : callable, optional
        Called instead of `say` for each report that is made: how many are, of how many, and its key.
    time_limit_s : float
        Longest time for one report [s].
    prepare : callable, optional
        Changes the season that was read before anything is computed, such as by a fetched outlook.

    Returns
    -------
    RunResult

    Raises
    ------
    SeasonError
        When the records cannot be decided on.
    ValueError
        Unknown engine or grower.
    BlockingIOError
        When another run works on the same week.
    OSError
        When the folder cannot be written.
    """
    say = say or (lambda _: None)
    since = time.perf_counter()
    season = _read(season_folder, as_of)
    if prepare is not None:
        season = prepare(season)
    if units is not None:
        season = replace(season, units=units)
    seconds = {"read": time.perf_counter() - since}
    folder = Path(out).resolve() / season.as_of.isoformat()
    with publish.lock(folder) as note:
        before = publish.known(folder, rows=resume)
        staged = publish.stage(folder, afresh=not resume)
        week, compute_key, spent = _compute(season, folder, staged, seed, before, scheduler, jobs)
        return _publish(
            week,
            folder,
            staged,
            before,
            season=Path(season_folder).resolve(),
            compute_key=compute_key,
            seconds=seconds | spent,
            notes=[note] if note else [],
            jobs=jobs,
            engine=engine,
            grower=grower,
            scheduler=scheduler,
            say=say,
            progress=progress,
            time_limit_s=time_limit_s,
        )


def run_weeks(
    season_folders: Sequence[str | Path],
    out: str | Path,
    *,
    jobs: int = 2,
    scheduler: str | None = None,
    say: Callable[[str], None] | None = None,
    **settings: Any,
) -> pd.DataFrame:
    """Run the week of several seasons, each for the machines and the mill that work together.

    Parameters
    ----------
    season_folders : sequence of path
        Season folders with different names; each goes to OUT/NAME/AS-OF/.
    out : path
        Where all of them go.
    jobs : int
        Worker processes; with a scheduler, seasons that are under way at the same time [count].
    scheduler : str, optional
        As in `run_week`. Without one, season follows season.
    say : callable, optional
        Called with one line of text for each thing done, the season's folder before it.
    **settings
        Other settings of `run_week`.

    Returns
    -------
    pandas.DataFrame
        One row per season, in their order: season, folder, index, as_of, reports_n, exit_code (0; 3 records;
        4 writing; 6 a report failed), error. A season that fails stops no other.

    Raises
    ------
    ValueError
        When two folders have the same name.
    """
    folders = [Path(folder).resolve() for folder in season_folders]
    twice = sorted({folder.name for folder in folders if [one.name for one in folders].count(folder.name) > 1})
    if twice:
        raise ValueError(
            f"run_weeks: two season folders are called {', '.join(twice)}, expected different names because each goes"
            " to OUT/NAME. Rename one, or run them one by one."
        )

    def one(folder: Path) -> dict[str, Any]:
        tell = None if say is None else lambda text: say(f"{folder.name}: {text}")
        row = {"season": folder.name, "folder": str(folder), "index": "", "as_of": "", "reports_n": 0}
        try:
            told = run_week(folder, Path(out) / folder.name, jobs=jobs, scheduler=scheduler, say=tell, **settings)
        except (SeasonError, ValueError, OSError) as problem:
            code = 4 if isinstance(problem, OSError) else 3
            if tell:
                tell(str(problem))
            return {**row, "exit_code": code, "error": str(problem)}
        row |= {"index": str(told.index), "as_of": told.folder.name, "reports_n": len(told.reports)}
        return {**row, "exit_code": told.exit_code, "error": ""}

    with ThreadPoolExecutor(max_workers=jobs if scheduler else 1) as pool:
        return pd.DataFrame(list(pool.map(one, folders)))


def publish_week(
    week: tables.Week,
    out: str | Path,
    *,
    season_folder: str | Path | None = None,
    jobs: int = 2,
    engine: str = "olivetime",
    grower: str | None = None,
    resume: bool = True,
    scheduler: str | None = None,
    say: Callable[[str], None] | None = None,
    progress: Callable[[int, int, str], None] | None = None,
    time_limit_s: float = REPORT_LIMIT_S,
) -> RunResult:
    """Save a computed week and publish every report of it; `run_week` without the computing.

    Parameters
    ----------
    week : Week
        From `olivetime.report.tables.week_tables`.
    out : path
        The week goes to OUT/AS-OF/.
    season_folder : path, optional
        Where the records lie; without it the lookback, which replays them, is left out.
    jobs, engine, grower, resume, scheduler, say, progress, time_limit_s
        As in `run_week`.

    Returns
    -------
    RunResult
    """
    folder = Path(out).resolve() / str(week.info["as_of"])
    with publish.lock(folder) as note:
        before = publish.known(folder, rows=resume)
        staged = publish.stage(folder, afresh=not resume)
        since = time.perf_counter()
        tables.save_week(week, staged / "data")
        return _publish(
            week,
            folder,
            staged,
            before,
            season=None if season_folder is None else Path(season_folder).resolve(),
            compute_key="",
            seconds={"tables": time.perf_counter() - since},
            notes=[note] if note else [],
            jobs=jobs,
            engine=engine,
            grower=grower,
            scheduler=scheduler,
            say=say or (lambda _: None),
            progress=progress,
            time_limit_s=time_limit_s,
        )


def _publish(
    week, folder, staged, before, *, season, compute_key, seconds, notes, jobs, engine, grower, scheduler, say,
    progress, time_limit_s,
) -> RunResult:  # fmt: skip
    """Make what is missing or changed beside the published folder, then index and manifest, then take its place."""
    if engine not in ("olivetime", "kernel"):
        raise ValueError(f"run_week: engine is {engine!r}, expected olivetime or kernel. Choose one of the two.")
    since = time.perf_counter()
    # Workers load their libraries while this process finds out what is to be made.
    with begun(0 if scheduler else jobs, ready) as workers:
        say(f"{week.info['name']}, as of {week.info['as_of']}: {len(week.order)} blocks, {len(week.growers)} growers")
        no_pdf = page.no_pdf_reason()
        notes = tuple(note for note in [*notes, no_pdf] if note)
        for note in notes:
            say(note)
        reports = _all_reports(week, season)
        chosen = reports
        if grower is not None:
            wanted = _find_grower(week, grower)
            chosen = [report for report in reports if report.parameters.get("grower") == wanted]
        for notebook, parameters in {report.notebook: report.parameters for report in chosen}.items():
            check_parameters(notebooks_folder() / f"{notebook}.ipynb", {"run": str(staged), **parameters})

        keys = _report_keys(reports, week, staged, pdf=not no_pdf)
        old = {row["key"]: row for row in before["reports"]}
        rows = {
            report.key: _kept_row(old.get(report.key), keys[report.key], staged, must_match=report in chosen)
            for report in reports
        }
        to_do = {report.key: report for report in chosen if rows[report.key] is None}

        def note_done(outcome: Outcome) -> None:
            publish.note_done(folder, "report", _new_row(to_do[outcome.key], outcome, keys[outcome.key]))

        made = _render(
            to_do, week, staged, engine, jobs, scheduler, workers, time_limit_s, say, progress, note_done,
            pdf=not no_pdf,
        )  # fmt: skip
    for key, outcome in made.items():
        rows[key] = _new_row(to_do[key], outcome, keys[key])
    _remove_others(before["outputs"], rows, staged)

    kept = {key: row for key, row in rows.items() if row is not None}
    table = _reports_table(kept.values())
    write_atomic(staged / "index.html", front.index_page(week, table, notes).encode())
    seconds = {**seconds, "reports": time.perf_counter() - since}
    manifest = _manifest(week, staged, kept, compute_key, seconds, engine=engine, notes=notes)
    write_atomic(staged / "manifest.json", (json.dumps(manifest, indent=1, allow_nan=False) + "\n").encode())
    publish.put_in_place(staged, folder)
    first = table.set_index("key")["status"].get("pick_order")
    if first in ("made", "unchanged"):  # a week whose order is missing must not become the newest
        write_atomic(folder.parent / "index.html", front.weeks_page(folder.parent, week).encode())
    failed = bool((table["status"] == "failed").any())
    return RunResult(folder, folder / "index.html", table, 6 if failed else 0, notes)


# --- computing once -------------------------------------------------------------------------------------


def _compute(
    season: Season, folder: Path, staged: Path, seed: int, before: Mapping, scheduler: str | None, jobs: int
) -> tuple[tables.Week, str, dict[str, float]]:
    key = _digest_of(
        [
            *(f"{row.file}:{row.sha256}" for row in season.sources.itertuples()),
            season.as_of.isoformat(),
            season.outlook_said,
            str(seed),
            season.units,
            _code_digest(),
        ]
    )
    data = staged / "data"
    saved = {name: value for name, value in before["outputs"].items() if name.startswith("data/")}
    if before.get("compute_key") == key and saved and publish.all_match(staged, saved):
        since = time.perf_counter()
        return tables.load_week(data), key, {"load": time.perf_counter() - since}
    if scheduler:
        [outcome] = run_many(
            compute_week, [(season, seed, str(data))], scheduler=scheduler, time_limit_s=COMPUTE_LIMIT_S
        )
        if outcome.error:
            raise ValueError(f"{season.name}: curves and order were not computed on the cluster: {outcome.error}")
        week, spent = tables.load_week(data), outcome.value
    else:
        week, spent = _planned(season, seed, data, jobs)
    publish.note_done(folder, "computed", {"compute_key": key, "outputs": _data_outputs(staged)})
    return week, key, spent


def compute_week(item: tuple[Season, int, str]) -> dict[str, float]:
    """Fit the curves, find the order and save the week's tables; a piece of work for another machine.

    Parameters
    ----------
    item : tuple
        Season, seed, and the folder for the tables, which both machines see.

    Returns
    -------
    dict
        compute, tables: time taken [s].
    """
    season, seed, data = item
    return _planned(season, seed, Path(data), jobs=1)[1]


def _planned(season: Season, seed: int, data: Path, jobs: int) -> tuple[tables.Week, dict[str, float]]:
    """Plan the week, then make its slow tables and replay past weeks: they do not wait for each other."""
    since = time.perf_counter()
    with begun(jobs if jobs > 1 else 0, ready_to_compute) as workers:
        from olivetime.harvest.hindcast import Now, scored
        from olivetime.harvest.order import propose
        from olivetime.records.kept import kept_folder

        for old in data.glob("lookback*"):
            old.unlink()
        proposal = propose(season, seed=seed, kept=kept_folder())
        planned = time.perf_counter()
        # A block that cannot be ranked today is not held back from what came.
        now = Now(replace(proposal.season, blocked=season.blocked), proposal.fit, proposal.scenarios, seed)
        pieces: dict[str, Any] = {"doubts": proposal} | {f"week {n}": (n, now) for n in range(PAST_WEEKS, 0, -1)}
        pieces |= dict.fromkeys(tables.SLOW_TABLES, proposal) | {"skill": (season.folder, season.as_of)}
        work = {name: (name, given) for name, given in pieces.items()}
        if jobs > 1:
            outcomes = run_many(work_out, work, jobs=jobs, time_limit_s=COMPUTE_LIMIT_S, workers=workers)
        else:  # a second process would hold the same plan once more
            outcomes = [attempt(work_out, name, item) for name, item in work.items()]
    made = {outcome.key: outcome for outcome in outcomes}
    for name in tables.SLOW_TABLES:
        if made[name].error:
            raise ValueError(f"{season.name}: the table {name} was not made: {made[name].error}")
    week = tables.week_tables(proposal, review=True, ready={name: made[name].value for name in tables.SLOW_TABLES})
    tables.save_week(week, data)
    weeks = [made[name] for name in pieces if name.startswith("week ")]
    if not any(outcome.error for outcome in (*weeks, made["skill"])):  # else the lookback fails and says why
        past = scored([outcome.value for outcome in weeks], now)
        tables.save_past(past, made["skill"].value, data, seed=seed, weeks=PAST_WEEKS)
    return week, {"compute": planned - since, "tables": time.perf_counter() - planned}


def ready_to_compute() -> None:
    """Load what pieces of a week's computing need: for a worker that waits for its first."""
    from olivetime.harvest import hindcast  # noqa: F401


def work_out(item: tuple[str, Any]) -> Any:
    """One piece of a week's computing; a piece of work for another process.

    Parameters
    ----------
    item : tuple
        Name ("week N" for the past week N weeks ago, "skill" for how past outlooks turned out, or a slow table of
        `olivetime.report.tables`), and what that is made from.
    """
    name, given = item
    if name == "skill":
        from olivetime.records.kept import kept_folder
        from olivetime.records.season import read_season
        from olivetime.weather.fetched import season_skill

        return season_skill(read_season(*given, kept=kept_folder()))
    if name.startswith("week "):
        from olivetime.harvest.hindcast import replay
        from olivetime.records.kept import kept_folder

        return replay(*given, kept=kept_folder())
    return tables.slow_table((name, given))


def _code_digest(*parts: str) -> str:
    """Digest of the package's own code, or of parts of it, pages and catalogues included."""
    root = Path(olivetime.__file__).parent
    found = (path for part in parts or ("*",) for path in root.glob(part))
    inside = {file for path in found for file in (path.rglob("*") if path.is_dir() else [path])}
    files = sorted(path for path in inside if path.suffix in {".py", ".html", ".css", ".po"})
    return _digest_of(f"{path.relative_to(root).as_posix()}:{publish.sha256(path)}" for path in files)


def _digest_of(texts: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def _data_outputs(folder: Path) -> dict[str, str]:
    return {f"data/{path.name}": publish.sha256(path) for path in sorted((folder / "data").iterdir())}


# --- which reports --------------------------------------------------------------------------------------


def _all_reports(week: tables.Week, season: Path | None) -> list[Report]:
    reports = []
    for report in REPORTS:
        if report.notebook == "season_end" and not week.info["over"]:
            continue
        if report.notebook == "what_if" and tables.all_picked(week):
            continue
        if report.notebook in _WITH_SEASON and season is not None:
            reports.append(replace(report, parameters={"season": str(season), "as_of": str(week.info["as_of"])}))
        elif report.notebook not in _ONLY_WITH_SEASON:
            reports.append(report)
    # A grower_id is a readable name and a hash (see `tables.grower_id`), so it can name the folder too.
    for grower in week.growers["grower_id"].astype(str):
        reports.append(Report(f"grower_report/{grower}", "grower_report", f"growers/{grower}", {"grower": grower}))
    return reports


def _find_grower(week: tables.Week, wanted: str) -> str:
    names = dict(zip(week.growers["grower"].astype(str), week.growers["grower_id"].astype(str), strict=True))
    if wanted in names.values():
        return wanted
    if wanted in names:
        return names[wanted]
    near = difflib.get_close_matches(wanted, [*names, *names.values()], n=1, cutoff=0.4)
    hint = f" Did you mean {near[0]}?" if near else ""
    raise ValueError(
        f"run_week: no grower {wanted!r} in these records, expected one of {len(names)} growers.{hint} Give the name or"
        " the grower_id of the growers table."
    )


def _report_keys(reports, week: tables.Week, folder: Path, *, pdf: bool) -> dict[str, str]:
    """What each report is made from; the same key means the same files."""
    code = _code_digest("report", "locale", "*.py", "harvest/codes.py", "weather/frost.py")
    whole = _digest_of(f"{path.name}:{publish.sha256(path)}" for path in sorted((folder / "data").glob("*.csv")))
    last = _folder_before(folder)  # pages say what changed since then
    past = publish.sha256(last / "data" / "info.json") if last is not None else ""
    whole = _digest_of([whole, past, json.dumps(week.info, sort_keys=True, default=str)])
    notebooks = {name: publish.sha256(notebooks_folder() / f"{name}.ipynb") for name in {r.notebook for r in reports}}
    keys = {}
    for report in reports:
        data = whole
        if "grower" in report.parameters:
            data = _digest_of([_week_digest(tables.grower_week(week, report.parameters["grower"])), past])
        keys[report.key] = _digest_of(
            [data, code, notebooks[report.notebook], json.dumps(dict(report.parameters), sort_keys=True), str(pdf)]
        )
    return keys


def _week_digest(week: tables.Week) -> str:
    texts = [json.dumps(week.info, sort_keys=True, default=str)]
    for name, value in sorted(vars(week).items()):
        if isinstance(value, pd.DataFrame):
            hashes = pd.util.hash_pandas_object(value, index=False).to_numpy()
            texts.append(f"{name}:{','.join(value.columns)}:{hashlib.sha256(hashes.tobytes()).hexdigest()}")
    return _digest_of(texts)


def _kept_row(row: dict | None, key: str, folder: Path, *, must_match: bool) -> dict | None:
    """Row of a report that need not be made now; None when it must be (or was never made)."""
    if row is None or row["status"] == "failed" or not row["outputs"] or not publish.all_match(folder, row["outputs"]):
        return None
    if row["input_key"] == key:
        return {**row, "status": "unchanged"}
    return None if must_match else {**row, "status": "older"}


def _new_row(report: Report, outcome: Outcome, key: str) -> dict:
    value = outcome.value or {}
    return {
        "key": report.key,
        "notebook": report.notebook,
        "grower_id": report.parameters.get("grower", ""),
        "status": "failed" if outcome.error else "made",
        "error": outcome.error.removeprefix("ValueError: "),
        "input_key": key,
        "outputs": value.get("outputs", {}),
        "seconds": value.get("seconds", {}),
        "memory_mb": value.get("memory_mb", 0.0),
    }


def _reports_table(rows: Iterable[dict]) -> pd.DataFrame:
    kinds = ["html", "pdf", "ipynb", "eml", "zip", "xlsx"]
    columns = ["key", "notebook", "grower_id", "status", "error", *kinds, "seconds"]
    found = []
    for row in rows:
        files = {Path(name).suffix[1:]: name for name in row["outputs"]}
        found.append(
            [
                *(row[name] for name in columns[:5]),
                *(files.get(kind, "") for kind in kinds),
                float(sum(row["seconds"].values())),
            ]
        )
    return pd.DataFrame(found, columns=columns)


# --- rendering ------------------------------------------------------------------------------------------


def _render(
    to_do, week, folder, engine, jobs, scheduler, workers, time_limit_s, say, progress, note_done, *, pdf
) -> dict[str, Outcome]:
    # A grower reads in the language of the records' [languages]; everyone else in that of the season.
    own = {key: tables.grower_locale(week, report.parameters.get("grower")) for key, report in to_do.items()}
    tasks = {
        key: {
            "notebook": str(notebooks_folder() / f"{report.notebook}.ipynb"),
            "folder": str(folder),
            "place": f"{report.folder}/{report.notebook}",
            "parameters": dict(report.parameters),
            "engine": engine,
            "pdf": pdf,
            "as_of": str(week.info["as_of"]),
            "name": f"- {week.info['name']}, {week.info['as_of']}",
            "locale": own[key],
            "provenance": sheet.provenance(replace(week, info={**week.info, "locale": own[key]})),
        }
        # The longest first, so that no worker is left alone with it at the end.
        for key, report in sorted(to_do.items(), key=lambda pair: pair[1].notebook not in _LONG)
    }
    done = 0

    def tell(outcome: Outcome) -> None:
        nonlocal done
        done += 1
        if os.strerror(errno.ENOSPC) in outcome.error:  # the other reports and the index would fail alike
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(folder.parent))
        note_done(outcome)
        if progress is not None:
            progress(done, len(tasks), outcome.key)
        if progress is None or outcome.error:
            say(f"[{done}/{len(tasks)}] {outcome.key}" + (f": {outcome.error}" if outcome.error else ""))

    made = {}
    for outcome in run_many(
        render_report,
        tasks,
        jobs=jobs,
        scheduler=scheduler,
        time_limit_s=time_limit_s,
        memory_limit_mb=WORKER_LIMIT_MB,
        progress=tell,
        workers=workers,
    ):
        made[outcome.key] = outcome
    again = {key: tasks[key] for key, outcome in made.items() if outcome.error}
    if again:  # once more, one at a time in a fresh worker: a crowded machine is no reason to lose a report
        say(f"trying again: {', '.join(again)}")
        for outcome in run_many(render_report, again, jobs=1, time_limit_s=time_limit_s, progress=note_done):
            made[outcome.key] = outcome
    return made


# --- publishing -----------------------------------------------------------------------------------------


def _remove_others(known: Iterable[str], rows: Mapping[str, dict | None], folder: Path) -> None:
    """Remove what earlier runs made and no report stands for any more.

    Such are files of growers who left the records, and of reports that failed: no older numbers may stay under
    their addresses.
    """
    kept = {*_data_outputs(folder), *publish.LAST}
    kept |= {name for row in rows.values() if row is not None for name in row["outputs"]}
    for name in set(known) - kept:
        path = folder / name
        if path.resolve().is_relative_to(folder.resolve()):
            path.unlink(missing_ok=True)
            if path.parent.is_dir() and not any(path.parent.iterdir()):
                path.parent.rmdir()


def _manifest(week, folder, rows, compute_key, seconds, *, engine, notes) -> dict[str, Any]:
    outputs = {"index.html": publish.sha256(folder / "index.html"), **_data_outputs(folder)}
    for row in rows.values():
        outputs |= row["outputs"]
    return {
        "manifest_version": publish.MANIFEST_VERSION,
        "as_of": str(week.info["as_of"]),
        "season": str(week.info["name"]),
        "seed": int(week.info["seed"]),
        "compute_key": compute_key,
        "versions": {
            "olivetime": olivetime.__version__,
            "python": platform.python_version(),
            "platform": platform.platform(),
            **{name: importlib.metadata.version(name) for name in _LIBRARIES},
        },
        "engine": engine,
        "notes": list(notes),
        "inputs": [
            {"file": str(row.file), "sha256": str(row.sha256), "rows": int(row.rows)}
            for row in week.sources.itertuples()
        ],
        "outputs": outputs,
        "reports": list(rows.values()),
        "seconds": {name: round(value, 3) for name, value in seconds.items()},
    }
