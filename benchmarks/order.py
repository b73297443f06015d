"""Harvest order: certified gap, time against one interior-point solve, and lead over rules of thumb.

Invented farms: ranches in a box of 65 km around a mill, blocks of 1 to 30 ha (log-normal, median 7), 3 to 13 t/ha,
three cultivars with published plateaus (Arbequina 41.8, Arbosana 45.4, Koroneiki 45.7 % dry: Polari, Crawford and
Wang 2021), oil by a logistic curve, 10 % rain days, one harvester for 40 to 50 blocks, the mill a tenth faster than
the harvesters. A move takes 0.3 h within a ranch and 0.75 h and an hour for 45 km between ranches; it costs hours, no
money, unless `dear_moves`: then an hour of moving costs 150 and organic fruit after other is preceded by an hour of
washing. Only ratios within one run mean anything: time is that of bound, starts and search together, by one
interior-point solve of the whole day LP (HiGHS).

    python benchmarks/order.py --quick
    python benchmarks/order.py --weighted-tardiness FOLDER
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from olivetime.harvest.bound import bound, whole_lp
from olivetime.harvest.order import RULE_NAMES, search
from olivetime.harvest.referee import Physics, empty_record, walk
from olivetime.harvest.tasks import Task, sequence

PLATEAU = {"Arbequina": 41.8, "Arbosana": 45.4, "Koroneiki": 45.7}
HARVESTERS = {40: 1, 200: 4, 1000: 20}


def farm(
    blocks_n: int, load: float, seed: int, days_n: int = 60, *, dear_moves: bool = False
) -> tuple[Physics, np.ndarray, np.ndarray]:
    """One farm and season: physics with a single scenario, fresh oil (B, T), cultivar (B,)."""
    rng = np.random.default_rng([seed, blocks_n, int(load * 100)])
    machines_n = HARVESTERS.get(blocks_n, max(1, round(blocks_n / 48)))
    ranches_n = max(3, blocks_n // 12)
    ranch_xy = rng.uniform(-65, 65, (ranches_n, 2))
    ranch = rng.integers(ranches_n, size=blocks_n)
    area = np.clip(np.exp(rng.normal(np.log(7), 0.7, blocks_n)), 1, 30)
    names = np.array(list(PLATEAU))
    kind = rng.integers(3, size=blocks_n)
    cultivar = names[kind]
    plateau = np.array([PLATEAU[name] for name in cultivar]) + rng.normal(0, 1, blocks_n)
    organic = rng.random(blocks_n) < 0.2
    t = np.arange(days_n)
    middle = np.array([-22.0, -14.0, -8.0])[kind] + rng.normal(0, 6, blocks_n)
    dry = plateau[:, None] / (1 + np.exp(-(t - middle[:, None]) / 14))
    moisture = 63 + rng.normal(0, 1.5, blocks_n)[:, None] - 0.13 * t
    fresh = dry * (1 - moisture / 100)
    maturity = np.array([1.3, 0.9, 0.6])[kind][:, None] + rng.normal(0, 0.3, blocks_n)[:, None] + 0.055 * t
    drop = np.cumprod(1 - np.where(maturity > 4, 0.012, 0.0007), axis=1)
    dry_matter = area * rng.uniform(3, 13, blocks_n) * (1 - moisture[:, 0] / 100) * (1 - dry[:, 0] / 100)
    crop = dry_matter[:, None] * drop / ((1 - dry / 100) * (1 - moisture / 100)) * 0.95
    quality = 1 + 0.10 * np.clip((3.5 - maturity) / 1.5, 0, 1) - 0.10 * np.clip(maturity - 4, 0, 1)
    haul_km = np.minimum(np.hypot(*ranch_xy.T) * 1.2, 96)[ranch]
    price = crop * (fresh - 2.5) / 100 * 1000 * 5.0 * quality - crop * (0.12 * 2 * haul_km)[:, None]

    hours = area / (0.5 * rng.uniform(0.94, 1.06, blocks_n))
    # working days from the fleet load: all blocks take this share of the hours that rain leaves
    shift = 20.0
    rain = np.zeros(days_n, dtype=bool)
    while rain.sum() < round(0.10 * days_n):
        rain[rng.integers(days_n)] = True
    soil = rng.integers(3, size=blocks_n)
    work = np.ones((blocks_n, days_n))
    for day in np.flatnonzero(rain):
        for b in range(blocks_n):
            work[b, day : day + 1 + soil[b]] = 0.0
    open_h = machines_n * shift * work.mean(axis=0).sum()
    hours *= load * open_h / (hours + 0.6).sum()
    rate_t_h = 1.10 * (crop.max(axis=1) / hours).mean() * machines_n * shift / 22.0
    round_trip = 1.5 + 2 * haul_km / 60
    per_t = round_trip / 22.0
    distance = np.hypot(*(ranch_xy[:, None] - ranch_xy[None, :]).transpose(2, 0, 1))[ranch][
        :, ranch
    ] + np.where(ranch[:, None] != ranch[None, :], 0.45 * 45, 0.0)
    truck_h = 1.3 * machines_n * shift * (crop.mean(axis=1) / hours * per_t).mean()
    ph = Physics(
        value=np.ascontiguousarray(price[None]), crop=np.ascontiguousarray(crop[None]),
        work=np.ascontiguousarray(np.where(price > 0, work, 0.0)[None]), shift_h=np.full((machines_n, days_n), shift),
        block_h=np.tile(hours, (machines_n, 1)), move_fixed_h=np.full(machines_n, 0.3),
        move_h_km=np.full(machines_n, 1 / 45), washdown_h=np.full(machines_n, 1.0 * dear_moves),
        move_cost_h=np.full(machines_n, 150.0 * dear_moves), start_block=np.full(machines_n, -1), distance_km=distance,
        organic=organic, lot=(kind * 2 + organic).astype(np.int64), lots_n=6, mill_t=np.full(days_n, rate_t_h * 22),
        buffer_t=rate_t_h * 12, cleaning_t=rate_t_h * 0.75, max_wait_h=12.0, truck_h=np.full(days_n, truck_h),
        truck_h_t=per_t, age_cost=np.full(blocks_n, 3.0), haul_age_h=1.0 + haul_km / 60,
    )  # fmt: skip
    return ph, fresh, cultivar


# Evaluations of the search, by blocks: about the time of one interior-point solve together with bound and starts, then
# what a plan is given at leisure.
BUDGETS = {40: (800, 20_000), 200: (7_000, 20_000), 1000: (20_000, 40_000)}


def one(
    blocks_n: int, load: float, seed: int, budgets: tuple[int, ...], *, dear_moves: bool = False
) -> list[dict[str, float]]:
    """Gap and times on one farm, by budget."""
    ph, fresh, cultivar = farm(blocks_n, load, seed, dear_moves=dear_moves)
    begin = time.process_time()
    whole_lp(ph, 0, "ipm")
    lp = time.process_time() - begin
    begin = time.process_time()
    bounds = bound(ph)
    bounded = time.process_time() - begin
    rows = []
    for evaluations in budgets:
        begin = time.process_time()
        found = search(ph, bounds, fresh_pct=fresh, cultivar=cultivar, seed=seed, evaluations=evaluations)
        spent = bounded + time.process_time() - begin
        worth = walk(ph, 0, *found.lists, False, empty_record(ph))
        rules = dict(found.rules)
        lead = {name: 100 * (worth / rules[name] - 1) for name in RULE_NAMES}
        rows.append({"gap": 100 * (1 - worth / bounds.value), "time": spent / lp, "lp_s": lp} | lead)
    return rows


def farms(sizes: list[int], loads: list[float], seeds: int, *, dear_moves: bool = False) -> None:
    if dear_moves:
        print("moves at 150 an hour, washing before organic fruit")
    print(f"{'blocks':>6} {'load':>5} {'evals':>6} {'gap %':>18} {'time / LP':>10}   lead in % over")
    one(40, loads[0], 999, (10,))  # compilation is not timed
    for blocks_n in sizes:
        for load in loads:
            every = [
                one(blocks_n, load, seed, BUDGETS[blocks_n], dear_moves=dear_moves) for seed in range(seeds)
            ]
            for evaluations, rows in zip(BUDGETS[blocks_n], zip(*every, strict=True), strict=True):
                gaps = [row["gap"] for row in rows]
                leads = ", ".join(
                    f"{name} {np.mean([row[name] for row in rows]):.1f} (least {min(row[name] for row in rows):.1f})"
                    for name in RULE_NAMES
                )
                times = np.median([row["time"] for row in rows])
                print(
                    f"{blocks_n:6d} {load:5.2f} {evaluations:6d} "
                    f"{np.mean(gaps):6.2f} ({min(gaps):.2f}-{max(gaps):.2f}) {times:10.2f}   {leads}",
                    flush=True,
                )


def weighted_tardiness(folder: Path, evaluations: int) -> None:
    """The 125 instances of 40 jobs of J.E. Beasley's OR-Library, against the best known values."""
    jobs = np.array((folder / "wt40.txt").read_text().split(), dtype=float).reshape(125, 3, 40)
    best = np.array((folder / "wtopt40.txt").read_text().split(), dtype=float)
    begin = time.perf_counter()
    met, worst = 0, 0.0
    for (hours, weights, due), aim in zip(jobs, best, strict=True):
        hour = np.arange(int(hours.sum()) + 2)
        tasks = [Task(p, -w * np.maximum(0.0, hour - d)) for p, w, d in zip(hours, weights, due, strict=True)]
        late = -sequence(tasks, seed=0, evaluations=evaluations).value
        met += late <= aim + 1e-6
        worst = max(worst, (late - aim) / max(aim, 1.0))
    print(
        f"weighted tardiness, 40 jobs: {met} of 125 at the best known value, worst excess {100 * worst:.2f} %, "
        f"{evaluations} evaluations each, {time.perf_counter() - begin:.0f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="3 farms of 40 and 200 blocks, below 50 s")
    parser.add_argument(
        "--weighted-tardiness", type=Path, metavar="FOLDER", help="folder with wt40.txt, wtopt40.txt"
    )
    parser.add_argument("--evaluations", type=int, default=3_000_000, help="for the weighted-tardiness files")
    arguments = parser.parse_args()
    if arguments.weighted_tardiness:
        weighted_tardiness(arguments.weighted_tardiness, arguments.evaluations)
    elif arguments.quick:
        farms([40, 200], [0.85, 1.0], 3)
    else:
        farms([40, 200], [0.85, 1.0], 10)
        farms([40, 200], [0.85, 1.0], 10, dear_moves=True)
        farms([1000], [0.85, 1.0], 10)


if __name__ == "__main__":
    main()
