"""The command line: parses and calls; whatever it does, a function of the package does too.

Data go to standard output, words to standard error. Exit codes: 0 done, 1 our fault, 2 wrong use, 3 records need
mending, 4 could not write, 5 no workable order, 6 done in part, 130 stopped.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from olivetime import __version__

# Many small matrices: threads inside each of them only get in each other's way, and one order of adding up keeps
# results the same on every machine. Must stand before numpy is loaded.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Imports, compilation and tables make millions of objects that stay: looking through them for rings every 700 new ones
# took a tenth of the time.
gc.set_threshold(50_000, 5, 5)

if TYPE_CHECKING:
    from olivetime.harvest.order import Proposal
    from olivetime.records.season import Season
    from olivetime.report.sheet import DisplayTable

OUR_FAULT, RECORDS, WRITE, NO_ORDER, STOPPED = 1, 3, 4, 5, 130
ON_SCREEN = 20  # findings shown by `check`; all of them are in problems.csv


AS_JSON = "olivetime.as_json"  # whether the command was asked for JSON: a failure is then told in JSON as well


class Commands(click.Group):
    """A group of commands whose failures become exit codes and plain sentences."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; say what went wrong where the user can do something about it."""

        def leave(says: str, code: int) -> None:
            click.echo(says, err=True)
            if ctx.meta.get(AS_JSON):
                _echo_json({"error": says, "exit_code": code})
            ctx.exit(code)

        try:
            return super().invoke(ctx)
        except (click.exceptions.Exit, click.Abort):
            raise
        except click.ClickException as error:
            if ctx.meta.get(AS_JSON):
                _echo_json({"error": error.format_message(), "exit_code": error.exit_code})
            raise
        except KeyboardInterrupt:
            leave("Stopped. What was finished is kept; run the same command again to go on.", STOPPED)
        except Exception as error:
            # Names, not imports: the error classes live in modules that load pandas.
            kind = type(error).__name__
            if kind in {"SeasonError", "FitError"}:
                leave(str(error), RECORDS)
            if isinstance(error, BlockingIOError | ConnectionError):  # another run, no worker: they say so themselves
                leave(str(error), WRITE)
            if isinstance(error, OSError):
                where = error.filename or "the output folder"
                leave(
                    f"{where}: could not be written or read: {error.strerror or error}. "
                    "Close programs that hold the file, check the disk, and run again.",
                    WRITE,
                )
            log = Path(tempfile.gettempdir()) / "olivetime-error.txt"
            log.write_text(traceback.format_exc(), encoding="utf-8")
            leave(f"olivetime failed, and it is our fault: {kind}: {error}\nDetails: {log}", OUR_FAULT)


class Day(click.ParamType):
    """A calendar day in ISO form."""

    name = "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Read the day, or say what form is wanted."""
        try:
            return value if isinstance(value, date) else date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a day; write it as 2026-11-02", param, ctx)


SEASON = click.argument("season", type=click.Path(exists=True, file_okay=False, path_type=Path))


def _note_json(ctx: click.Context, _: click.Parameter, value: bool) -> bool:
    ctx.meta[AS_JSON] = value
    return value


def common(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command those of the common options that it uses."""
    options = {
        "as_of": click.option("--as-of", type=Day(), help="Use only what was known on this day [newest record]."),
        "out": click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for files."),
        "seed": click.option(
            "--seed",
            type=click.IntRange(min=0),
            default=0,
            show_default=True,
            help="Same inputs and seed, same answer.",
        ),
        "units": click.option("--units", type=click.Choice(["metric", "us"]), help="Units to show [the season's]."),
        "as_json": click.option(
            "--json",
            "as_json",
            is_flag=True,
            is_eager=True,
            callback=_note_json,
            help="Print JSON for another program; a failure too.",
        ),
        "quiet": click.option("--quiet", is_flag=True, help="Print only the answer."),
        "jobs": click.option(
            "--jobs", type=click.IntRange(min=1), default=2, show_default=True, help="Worker processes side by side."
        ),
        "fetch": click.option(
            "--fetch-outlook", is_flag=True, help="Ask the service named in season.toml for today's outlook."
        ),
    }

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        for name in reversed(names):
            command = options[name](command)
        return command

    return decorate


def _now() -> datetime:
    return datetime.now(UTC)


def _as_of_today(folder: Path, as_of: date | None, fetch: bool) -> date | None:
    """Today at the place, when an outlook is to be fetched and no day was named."""
    if not fetch or as_of is not None:
        return as_of
    from zoneinfo import ZoneInfo

    from olivetime.records.settings import read_settings

    return _now().astimezone(ZoneInfo(str(read_settings(folder).values["season", "time_zone"]))).date()


def _fetched(season: Season, quiet: bool) -> Season:
    """The season with an outlook asked for now; says whose it is, or why there is none."""
    from olivetime.weather.fetched import with_fetched_outlook

    season = with_fetched_outlook(season, now=_now())
    if not quiet or "outlook-not-fetched" in set(season.findings["code"]):
        click.echo(f"Outlook: {season.outlook_said}", err=True)
    return season


def _read(folder: Path, as_of: date | None, units: str | None, quiet: bool, fetch: bool = False) -> Season:
    import dataclasses

    from olivetime.records.kept import kept_folder
    from olivetime.records.season import read_season
    from olivetime.weather.fetched import with_outlook_file

    try:
        season = with_outlook_file(read_season(folder, _as_of_today(folder, as_of, fetch), kept=kept_folder()))
    except ValueError as error:
        if type(error) is not ValueError:
            raise
        raise click.UsageError(str(error)) from error
    if fetch:
        season = _fetched(season, quiet)
    if units:
        season = dataclasses.replace(season, units=units)
    if not quiet:
        counts = season.findings["level"].value_counts()
        said = ", ".join(f"{counts[level]} {level}s" for level in ("error", "warning", "note") if level in counts)
        click.echo(f"{season.name}, as of {season.as_of}. Records: {said or 'nothing to mend'}.", err=True)
        for block_id, why in season.blocked.items():
            click.echo(f"Left out: block {block_id}: {why}", err=True)
    return season


def _propose(
    folder: Path, as_of: date | None, seed: int, units: str | None, quiet: bool, fetch: bool = False
) -> Proposal:
    from olivetime.harvest.order import propose
    from olivetime.records.kept import kept_folder

    return propose(_read(folder, as_of, units, quiet, fetch), seed=seed, kept=kept_folder())


def _echo_json(data: Any) -> None:
    click.echo(json.dumps(data, allow_nan=False, indent=1, ensure_ascii=False))


def _echo_table(table: DisplayTable) -> None:
    from olivetime.report.sheet import text_table

    if text := text_table(table):
        click.echo(text)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """When to pick each block of oil olives: which block next, and why.

    The tool advises; people decide. Working-time law, product labels and licensed advice come first.
    """


@main.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--units", type=click.Choice(["metric", "us"]), default="metric", show_default=True)
@click.option(
    "--from",
    "source",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A laboratory's or station's file: drafts its layout into season.toml and says what is left to decide.",
)
@common("as_json", "quiet")
def start(folder: Path, units: str, source: Path | None, as_json: bool, quiet: bool) -> None:
    """Make an empty season folder: season.toml and a workbook, every column explained."""
    from olivetime.records.draft import draft_layout
    from olivetime.records.export import write_template
    from olivetime.records.files import write_atomic

    if source and source.name in ("season.toml", "records.xlsx"):
        raise click.UsageError(f"{source.name} is a name of the new folder's own files; give your file another name")
    text, undecided = draft_layout(source) if source else ("", [])
    try:
        write_template(folder, units=units)
    except FileExistsError as error:
        raise click.UsageError(str(error)) from None
    written = [folder / "season.toml", folder / "records.xlsx"]
    if source:
        settings = written[0]
        write_atomic(settings, (settings.read_text(encoding="utf-8").rstrip() + "\n\n" + text.rstrip() + "\n").encode())
        written.append(write_atomic(folder / source.name, source.read_bytes()))
        for sentence in undecided:
            click.echo(f"To decide in season.toml: {sentence}", err=True)
    if as_json:
        _echo_json({"written": [str(path) for path in written], "to_decide": undecided})
    if not quiet:
        click.echo(f"Fill in {written[0]} and {written[1]}, then: olivetime check {folder}", err=True)


@main.command()
@SEASON
@common("as_of", "out", "as_json", "quiet")
def check(season: Path, as_of: date | None, out: Path | None, as_json: bool, quiet: bool) -> None:
    """Say what is wrong with the records and what to do; exit 3 when nothing can be decided."""
    from olivetime.records.columns import SeasonError
    from olivetime.records.export import mark_workbook, write_aliases, write_problems
    from olivetime.records.season import check as check_records
    from olivetime.records.season import read_season
    from olivetime.report.tables import records_of

    try:
        findings = check_records(season, as_of)
    except ValueError as error:
        if type(error) is not ValueError:
            raise
        raise click.UsageError(str(error)) from error
    folder = out or season
    folder.mkdir(parents=True, exist_ok=True)
    written = [write_problems(findings, folder), mark_workbook(season, folder, findings=findings)]
    if as_json:
        _echo_json({"findings": records_of(findings)})
    else:
        # whole sentences, gravest first: a table would cut them
        grave = findings.assign(_rank=findings["level"].map({"error": 0, "warning": 1, "note": 2}))
        for row in grave.sort_values("_rank", kind="stable").head(ON_SCREEN).itertuples(index=False):
            click.echo(f"{row.level}: {row.says} {row.do}")
        if len(findings) > ON_SCREEN:
            click.echo(f"and {len(findings) - ON_SCREEN} more in problems.csv")
        if findings.empty:
            click.echo("Nothing to mend.")
    try:
        read = read_season(season, as_of)
        written.append(write_aliases(read, folder))
        stops = None
    except SeasonError as error:
        stops = error
    if not quiet:
        for path in filter(None, written):
            click.echo(f"wrote {path}", err=True)
    if stops:
        click.echo(f"Nothing can be decided before this is mended: {stops}", err=True)
        sys.exit(RECORDS)
    if not quiet:
        click.echo(f"Blocks left out until mended: {', '.join(read.blocked) or 'none'}.", err=True)


@main.command()
@SEASON
@common("as_of", "seed", "units", "as_json", "quiet")
def curves(season: Path, as_of: date | None, seed: int, units: str | None, as_json: bool, quiet: bool) -> None:
    """Fit the curves: each block's stage, days to target with range, doubtful samples and what they do to the order."""
    from olivetime.report.sheet import doubtful_table, doubts_table, foretold_table, next_samples_table, stage_table
    from olivetime.report.tables import records_of, week_tables

    proposal = _propose(season, as_of, seed, units, quiet)
    week = week_tables(proposal, review=True, what_ifs=False)
    if as_json:
        _echo_json(
            {
                "as_of": week.info["as_of"],
                "stage": records_of(week.stage),
                "residuals": records_of(week.residuals),
                "shapes": records_of(week.shapes),
                "parameters": records_of(week.parameters),
                "doubts": records_of(week.doubts),
                "foretold": records_of(week.foretold),
                "pooled": records_of(week.pooled),
                "next_samples": records_of(week.next_samples),
            }
        )
        return
    _echo_table(stage_table(week))
    _echo_table(doubtful_table(week))
    if len(week.doubts):
        _echo_table(doubts_table(week))
    _echo_table(foretold_table(week))
    _echo_table(next_samples_table(week))


@main.command()
@SEASON
@click.option("--block", metavar="B", help="Explain this block alone.")
@click.option("--clock", "by_clock", is_flag=True, help="Show the next 48 hours by the clock: machines, loads, mill.")
@common("fetch", "as_of", "seed", "units", "as_json", "quiet")
def order(
    season: Path,
    block: str | None,
    by_clock: bool,
    fetch_outlook: bool,
    as_of: date | None,
    seed: int,
    units: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Say which block is next, and why; exit 5 when no order is workable."""
    from olivetime.harvest.clock import clock
    from olivetime.harvest.reasons import explain
    from olivetime.report.sheet import changes_table, clock_table, oil_orders_table, order_table
    from olivetime.report.tables import headline, records_of, week_tables

    proposal = _propose(season, as_of, seed, units, quiet, fetch_outlook)
    if block is not None:
        ids = list(proposal.season.blocks["block_id"])
        if block not in ids:
            raise click.UsageError(f"no block {block!r} in this season; it has {', '.join(ids)}")
        told = explain(proposal, block)
        if as_json:
            _echo_json({"block_id": block, "says": told})
        else:
            click.echo("\n".join(told))
        return
    if by_clock and as_json:
        _echo_json({"clock": records_of(clock(proposal))})
        return
    week = week_tables(proposal, what_ifs=False, brief=True)
    if by_clock:
        _echo_table(clock_table(clock(proposal), week))
        return
    if as_json:
        _echo_json({"info": week.info, "order": records_of(week.order), "oil_orders": records_of(week.oil_orders)})
    else:
        click.echo(headline(week))
        _echo_table(order_table(week))
        changes = changes_table(week)
        if changes.rows:
            _echo_table(changes)
        if len(week.oil_orders):
            _echo_table(oil_orders_table(week))
    if proposal.plan.status == "nothing workable":
        click.echo(f"No workable order: {proposal.plan.why}", err=True)
        sys.exit(NO_ORDER)


@main.command()
@click.argument(
    "seasons",
    nargs=-1,
    required=True,
    metavar="SEASON...",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
)
@click.option("--grower", metavar="G", help="Make only this grower's report (its id or name).")
@click.option(
    "--engine",
    type=click.Choice(["olivetime", "kernel"]),
    default="olivetime",
    show_default=True,
    help="How notebooks run: in long-lived workers, or one Jupyter kernel each.",
)
@click.option("--scheduler", metavar="URL", help="Compute and make the pages on a Dask cluster, such as tcp://host:8786.")
@click.option(
    "--fresh/--resume",
    default=False,
    show_default="--resume",
    help="Make everything again, or only what is missing, failed or changed.",
)
@common("fetch", "as_of", "out", "seed", "units", "jobs", "as_json", "quiet")
def weekly(
    seasons: tuple[Path, ...],
    grower: str | None,
    engine: str,
    scheduler: str | None,
    fresh: bool,
    fetch_outlook: bool,
    as_of: date | None,
    out: Path | None,
    seed: int,
    units: str | None,
    jobs: int,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make every notebook, page and PDF of the week in OUT/AS-OF/; run again to go on after a stop.

    Several seasons go to OUT/SEASON/AS-OF/; with --scheduler as many at a time as --jobs says.
    """
    from olivetime.report.tables import records_of
    from olivetime.report.weekly import run_week, run_weeks

    settings: dict[str, Any] = {
        "seed": seed,
        "units": units,
        "jobs": jobs,
        "engine": engine,
        "grower": grower,
        "scheduler": scheduler,
        "resume": not fresh,
        "say": None if quiet else lambda text: click.echo(text, err=True),
        "prepare": (lambda read: _fetched(read, quiet)) if fetch_outlook else None,
    }
    target = out or Path("out")
    if fetch_outlook and len(seasons) > 1 and as_of is None:
        raise click.UsageError("several seasons may lie in several time zones: say which day with --as-of")
    try:
        if len(seasons) > 1:
            told = run_weeks(seasons, target, as_of=as_of, **settings)
            if as_json:
                _echo_json({"seasons": records_of(told)})
            else:
                for row in told.itertuples():
                    click.echo(row.index or f"{row.season}: {row.error}")
            sys.exit(6 if (told["exit_code"] != 0).any() else 0)
        day = _as_of_today(seasons[0], as_of, fetch_outlook)
        with _progress_bar(quiet) as progress:
            result = run_week(seasons[0], target, as_of=day, progress=progress, **settings)
    except ValueError as error:
        if type(error) is not ValueError:
            raise
        raise click.UsageError(str(error)) from error
    if as_json:
        _echo_json({"index": str(result.index), "reports": records_of(result.reports)})
    else:
        click.echo(result.index)
    sys.exit(result.exit_code)


@contextlib.contextmanager
def _progress_bar(quiet: bool) -> Iterator[Callable[[int, int, str], None] | None]:
    """A bar while somebody watches; None where lines are better (a file, another program) or nothing is wanted."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(
        length=0, label="Reports", file=sys.stderr, show_pos=True, item_show_func=lambda key: key or ""
    ) as bar:

        def show(done: int, total: int, key: str) -> None:  # noqa: ARG001 - the bar counts for itself
            bar.length = total
            bar.update(1, key)

        yield show


@main.command()
@SEASON
@click.option(
    "--weeks", type=click.IntRange(min=1), default=4, show_default=True, help="How many past weeks to replay."
)
@common("as_of", "seed", "units", "as_json", "quiet")
def lookback(
    season: Path, weeks: int, as_of: date | None, seed: int, units: str | None, as_json: bool, quiet: bool
) -> None:
    """Replay past weeks knowing only what was known, and score the forecasts and the orders."""
    from olivetime.harvest.hindcast import hindcast
    from olivetime.harvest.lessons import lessons
    from olivetime.report import season_end
    from olivetime.report.lookback_tables import replay_tables
    from olivetime.report.sheet import lookback_tables, outlook_skill_table
    from olivetime.report.tables import records_of
    from olivetime.weather.fetched import season_skill

    read = _read(season, as_of, units, quiet)
    result = hindcast(season, as_of=read.as_of, weeks=weeks, seed=seed)
    outlooks = season_skill(read)
    if as_json:
        scored = {"scores": result.scores, "orders": result.orders, "outlooks": outlooks}
        scored |= {name: getattr(result, name) for name in ("decisions", "yields", "bias", "memory")}
        _echo_json({name: records_of(table) for name, table in scored.items()})
        return
    info = {"locale": "en_US", "currency": read.currency, "units": read.units}
    for table in (*lookback_tables(result), *replay_tables(result, info), outlook_skill_table(outlooks, info)):
        _echo_table(table)
    learned = lessons(read, seed=seed)
    if learned.over:
        click.echo(" ".join(season_end.says(learned, info)))
        names = read.blocks.set_index("block_id")["block_name"].to_dict()
        for table in season_end.tables(learned, info, names):
            _echo_table(table)


@main.command()
@click.option("--season", "which", type=click.Choice(["northern", "southern"]), default="northern", show_default=True)
@common("out", "seed", "jobs", "quiet")
def demo(which: str, out: Path | None, seed: int, jobs: int, quiet: bool) -> None:
    """Write the invented sample season and run `weekly` on it; prints the path of the index page."""
    from olivetime.demo import write_demo
    from olivetime.report.weekly import run_week

    folder = out or Path("demo")
    season = write_demo(folder / which, which=which)
    say = None if quiet else lambda text: click.echo(text, err=True)
    with _progress_bar(quiet) as progress:
        result = run_week(season, folder / "out", seed=seed, jobs=jobs, say=say, progress=progress)
    click.echo(result.index.resolve())
    sys.exit(result.exit_code)


if __name__ == "__main__":
    main(prog_name="olivetime")
