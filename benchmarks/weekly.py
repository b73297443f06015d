"""Where the time of a weekly run goes, and what the notebook engine adds to plain function calls.

Prints the split of a whole run on the invented sample season, then makes the same grower reports twice in this
process, warmed up: once through papermill, page and PDF as a run does, once by calling the same functions without any
notebook. `--quick` takes the smaller southern season without its lookback, and few reports.

    python benchmarks/weekly.py [--quick] [--jobs N] [--growers N]
    python benchmarks/weekly.py --mills N [--jobs N]
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
import time
from pathlib import Path

import psutil

from olivetime.harvest.order import propose
from olivetime.records.season import read_season
from olivetime.report import canvas, front, page, sheet, tables, weekly
from olivetime.report.render import notebooks_folder, render_report

SAMPLE = Path(__file__).parents[1] / "sample_data"


def through_papermill(tasks):
    """CPU seconds for reports made as a run makes them, the first left out (imports); largest memory."""
    render_report(tasks[0])
    begun, split = time.process_time(), {}
    for task in tasks[1:]:
        for phase, seconds in render_report(task)["seconds"].items():
            split[phase] = split.get(phase, 0.0) + seconds
    return time.process_time() - begun, split, psutil.Process().memory_info().rss / 1e6


def plain_functions(tasks):
    """CPU seconds for the same drawing and tables without notebook or papermill, then for page and PDF."""
    os.environ["SOURCE_DATE_EPOCH"] = "1700000000"
    _plain(tasks[0])
    cpu = {"draw": 0.0, "page": 0.0, "pdf": 0.0}
    for task in tasks[1:]:
        for phase, seconds in _plain(task).items():
            cpu[phase] += seconds
    return cpu


def _plain(task):

    begun = time.process_time()
    own = weekly.open_week(task["folder"], grower=task["parameters"]["grower"])
    parts = [front.head(own, "grower_report"), sheet.html_table(sheet.blocks_table(own))]
    parts += [front.picture(own, "curves", block_ids=ids) for ids in canvas.block_pages(own)]
    parts += [front.picture(own, kind) for kind in ("weather_strip", "calendar", "value_by_date", "frost")]
    shown = [sheet.why_table(own), sheet.not_planned(own), sheet.changes_table(own)]
    shown += [sheet.findings_table(own.findings), sheet.next_samples_table(own)]
    parts += [sheet.html_table(table) for table in shown]
    parts += [front.heed(own, "grower_report"), front.assumed(own)]
    drawn = time.process_time()
    text = page.wrap(
        page.group_figures(parts), title="t", banner="<header><h1>Where do my blocks stand?</h1></header>",
        locale=task["locale"], provenance=task["provenance"],
    )  # fmt: skip
    page.check_page(text)
    paged = time.process_time()
    if task["pdf"]:  # of the page that the run made: how many layouts are tried depends on the page
        made = Path(task["folder"]) / f"{task['place']}.html"
        page.pdf_bytes(made.read_text(encoding="utf-8"))
    return {"draw": drawn - begun, "page": paged - drawn, "pdf": time.process_time() - paged}


def one_run(season, folder, jobs, quick):
    """A whole run as `olivetime weekly` makes it (quick: without the lookback); prints where its time goes."""
    begun = time.perf_counter()
    if quick:
        week = tables.week_tables(propose(read_season(season)))
        result = weekly.publish_week(week, folder, jobs=jobs)
    else:
        result = weekly.run_week(season, folder, jobs=jobs)
    wall = time.perf_counter() - begun
    manifest = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    print(f"{season.name}: {len(result.reports)} reports, exit {result.exit_code}, {wall:.1f} s")
    print("  steps [s]: " + ", ".join(f"{name} {value:.1f}" for name, value in manifest["seconds"].items()))
    for row in manifest["reports"]:
        if row["notebook"] != "grower_report":
            print(f"  {row['key']:<14} " + ", ".join(f"{k} {v:.2f}" for k, v in row["seconds"].items())
                  + f"; most memory {row['memory_mb']:.0f} MB")  # fmt: skip
    held = [row["memory_mb"] for row in manifest["reports"] if row["notebook"] == "grower_report"]
    print(f"  grower reports: most memory of their workers {min(held):.0f} to {max(held):.0f} MB")
    if not quick:
        begun = time.perf_counter()
        weekly.run_week(season, folder, jobs=jobs)
        print(f"  again, nothing changed: {time.perf_counter() - begun:.1f} s")
    return result


def many_mills(mills, workers):
    """Seasons of many mills on a cluster of this machine; what 100,000 blocks would then take."""
    from distributed import LocalCluster

    source = SAMPLE / "southern"
    blocks = len(read_season(source).blocks)
    with tempfile.TemporaryDirectory() as place:
        copies = [shutil.copytree(source, Path(place) / f"mill_{n:03}") for n in range(mills)]
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster:
            begun = time.perf_counter()
            told = weekly.run_weeks(copies, Path(place) / "out", jobs=2 * workers, scheduler=cluster.scheduler_address)
            wall = time.perf_counter() - begun
    failed = int((told["exit_code"] != 0).sum())
    core_s = wall * workers / (mills * blocks)
    print(f"{mills} mills x {blocks} blocks on {workers} workers: {wall:.0f} s, {failed} failed")
    print(f"  {core_s:.2f} core-seconds per block, curves to PDF; 100,000 blocks in an hour need "
          f"{100_000 * core_s / 3600:.0f} cores if it goes on like this")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="the small season without its lookback, few reports")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--growers", type=int, default=0, help="reports for the comparison [8, quick: 3]")
    parser.add_argument("--mills", type=int, default=0, help="only this: so many seasons on a cluster of this machine")
    options = parser.parse_args()
    if options.mills:
        many_mills(options.mills, options.jobs)
        return
    with tempfile.TemporaryDirectory() as folder:
        season = SAMPLE / ("southern" if options.quick else "northern")
        result = one_run(season, folder, options.jobs, options.quick)
        week = tables.load_week(result.folder / "data")
        ids = [str(one) for one in week.growers["grower_id"]]
        wanted = options.growers or (3 if options.quick else 8)
        tasks = [
            {
                "notebook": str(notebooks_folder() / "grower_report.ipynb"), "folder": str(result.folder),
                "place": f"bench/{n}", "parameters": {"grower": ids[n % len(ids)]}, "engine": "olivetime",
                "pdf": not page.no_pdf_reason(), "as_of": str(week.info["as_of"]), "name": "- bench",
                "locale": str(week.info["locale"]), "provenance": sheet.provenance(week),
            }
            for n in range(wanted + 1)
        ]  # fmt: skip
        cpu, split, memory = through_papermill(tasks)
        plain = plain_functions(tasks)
    floor = sum(plain.values())
    print(f"{wanted} grower reports in one warm process [CPU s each]")
    print(f"  as a run makes them {cpu / wanted:.2f}  (wall: "
          + ", ".join(f"{k} {v / wanted:.2f}" for k, v in split.items()) + f"; memory {memory:.0f} MB)")  # fmt: skip
    print(f"  plain functions     {floor / wanted:.2f}  ("
          + ", ".join(f"{k} {v / wanted:.2f}" for k, v in plain.items()) + ")")  # fmt: skip
    shown, drawn = split["start"] + split["notebook"] + split["html"], plain["draw"] + plain["page"]
    print(f"  notebook and page {shown / drawn:.2f} of drawing and wrapping the same; PDF adds "
          f"{split['pdf'] / shown:.2f} of that, to send {split['send'] / shown:.2f}")  # fmt: skip
    print(f"  all without what is to send {(cpu - split['send']) / floor:.2f} of the plain functions; engine overhead "
          f"{100 * (1 - floor / (cpu - split['send'])):.0f} % of CPU")  # fmt: skip


if __name__ == "__main__":
    main()
