"""Reading samples: 100,000 rows with 1,000 planted faults, against pandas reading the same CSV as text.

    python benchmarks/records.py [--quick]

Prints how long each takes, in the same run, and whether every planted fault was found and nothing else; then what the
first answer of the command line costs: `olivetime --help` against importing pandas, each in fresh processes. All times
are processor time, so that other work on the machine does not count.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from olivetime.records.columns import TABLES
from olivetime.records.season import read_season

SETTINGS = 'season = { name = "Invented", start = 2026-08-01, end = 2027-01-15 }\n'
PLAIN = {
    "cultivars": "cultivar,plateau_dry_pct\nArbequina,41.8\n",
    "stations": "station_id,lat_deg,lon_deg\nS1,37.5,-5.1\n",
    "contracts": "contract_id,kind,price_oil_kg,virgin_factor\nC1,oil_kg,5.2,0.7\n",
    "mill": "mill_id,rate_t_h,hours_per_day,buffer_t,max_wait_h,cleaning_h,cost_per_t\nM1,4,20,40,12,1,60\n",
    "harvesters": (
        "harvester_id,speed_km_h,efficiency_fraction,hours_per_day,removal_pct,move_fixed_h,move_km_h,cost_per_h\n"
        "H1,1.6,0.8,16,93,0.5,20,180\n"
    ),
    "weather_days": "station_id,day,temp_min_c,temp_max_c,rain_mm\nS1,2026-11-30,9.9,23.8,0\n",
}
BLOCKS = 1000
FAULTS = ("157", "18.9x", "", "North 1000x", "2026-31-12")


def write_season(folder: Path, n: int, faults: int, seed: int = 1) -> set[int]:
    """Write a season of `n` samples, `faults` of them spoilt; return the rows that are, as spreadsheets count."""
    rng = np.random.default_rng(seed)
    (folder / "season.toml").write_text(SETTINGS)
    for table, text in PLAIN.items():
        (folder / f"{table}.csv").write_text(text)
    names = [f"North {i}" for i in range(BLOCKS)]
    blocks = ["block_id,grower,ranch,cultivar,contract_id,area_ha,crop_t_ha,crop_on,haul_km,station_id"]
    blocks += [f"{name},A,Hill,Arbequina,C1,6.5,8,2026-09-10,14,S1" for name in names]
    (folder / "blocks.csv").write_text("\n".join(blocks) + "\n")
    day = np.datetime64("2026-08-20") + rng.integers(0, 100, n)
    moisture = np.round(rng.uniform(52, 66, n), 1)
    dry = np.round(rng.uniform(30, 34, n), 1)
    fresh = np.round(dry * (100 - moisture) / 100, 1)
    frame = pd.DataFrame(
        {
            "sample_id": [f"L{i}" for i in range(n)],
            "block_id": [names[i % BLOCKS] for i in range(n)],
            "sampled_on": day.astype(str),
            "moisture_pct": moisture.astype(str),
            "oil_fresh_pct": fresh.astype(str),
            "oil_dry_pct": dry.astype(str),
            "lab": "Invented laboratory",
        }
    )
    spoilt = rng.choice(n, faults, replace=False)
    kinds = ("moisture_pct", "oil_fresh_pct", "sampled_on", "block_id", "sampled_on")
    for j, row in enumerate(spoilt):
        column, value = kinds[j % 5], FAULTS[j % 5]
        frame.loc[row, column] = f"{value}{j}" if column == "block_id" else value
    frame.to_csv(folder / "samples.csv", index=False)
    return {int(row) + 2 for row in spoilt}


def fastest(works: Sequence[Callable[[], object]], times: int) -> list[float]:
    """Shortest processor time of each of some pieces of work [s], run in turn."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(times):
        for work, times_of in zip(works, taken, strict=True):
            start = time.process_time()
            work()
            times_of.append(time.process_time() - start)
    return [min(times_of) for times_of in taken]


def first_answers(commands: Sequence[Sequence[str]], times: int) -> list[float]:
    """Median processor time of fresh Python processes [s], run in turn."""
    taken: list[list[float]] = [[] for _ in commands]
    for _ in range(times):
        for command, times_of in zip(commands, taken, strict=True):
            before = os.times()
            subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL)
            after = os.times()
            times_of.append(after.children_user + after.children_system - before[2] - before[3])
    return [statistics.median(times_of) for times_of in taken]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="three runs of each instead of ten")
    times = 3 if parser.parse_args().quick else 10
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        planted = write_season(folder, 100_000, 1_000)
        csv = folder / "samples.csv"
        as_text, whole = fastest(
            [
                lambda: pd.read_csv(csv, dtype=str, keep_default_na=False, na_filter=False),
                lambda: read_season(folder),
            ],
            times,
        )
        season = read_season(folder)
        errors = season.findings[season.findings["level"] == "error"]
        found = set(errors["row"].dropna().astype(int))
        print(f"tables known: {len(TABLES)}; rows: 100,000; planted faults: {len(planted)}")
        print(f"rows named in errors: {len(found)}, of them not planted: {len(found - planted)}")
        print(f"errors: {len(errors)}")
        print(f"pandas, the same file as text:  {as_text:.3f} s")
        print(f"whole season read and checked:  {whole:.3f} s, {whole / as_text:.2f} times as long")
    bare, pandas, answer = first_answers(
        [["-c", "pass"], ["-c", "import pandas"], ["-m", "olivetime", "--help"]], max(times, 5)
    )
    share = (answer - bare) / (pandas - bare)
    print(f"import pandas over a bare Python: {pandas - bare:.3f} s; olivetime --help over it: {answer - bare:.3f} s")
    print(f"olivetime --help takes {share:.2f} of the time of importing pandas")


if __name__ == "__main__":
    main()
