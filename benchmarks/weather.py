"""How long the weather of a whole grower's group takes, beside a plain copy of the same arrays.

    python benchmarks/weather.py [--quick]

1,000 blocks, 75 days and 200 scenarios of lows, highs, rain, heat, rain memory and workable hours, from an
invented record of 20 stations and 20 seasons. The goal is 2 s and 1 GiB; exit 1 when it is missed. Seconds are those
of the processor, so that a loaded machine does not count; the first run pays for memory that is touched for the first
time, as a single run of the program does.
"""

import argparse
import resource
import sys
import time
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd

from olivetime.records.columns import RULES
from olivetime.weather.frost import frost_risk
from olivetime.weather.scenarios import scenarios
from olivetime.weather.stations import station_days

GOAL_S, GOAL_MIB = 2.0, 1024
ARRAYS = ("temp_min_c", "temp_max_c", "rain_mm", "heat_d", "rain_memory_mm", "workable_fraction")


def invented_season(blocks_n: int, stations_n: int, seasons_n: int) -> SimpleNamespace:
    rng = np.random.default_rng(7)
    as_of, end = date(2026, 11, 2), date(2027, 1, 15)
    names = [f"S{i}" for i in range(stations_n)]
    days = pd.DatetimeIndex(
        np.concatenate(
            [pd.date_range(f"{y}-08-01", f"{y + 1}-01-31").to_numpy() for y in range(2026 - seasons_n, 2026)]
            + [pd.date_range("2026-08-01", "2026-11-01").to_numpy()]
        )
    )
    warm = 12 + 9.5 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 205) / 365)
    low = warm[:, None] + rng.normal(0, 2.5, (len(days), stations_n))
    rain = rng.gamma(0.6, 8.0, low.shape) * (rng.random(low.shape) < 0.15)
    weather = pd.DataFrame(
        {
            "station_id": np.repeat(names, len(days)),
            "day": np.tile(days, stations_n),
            "temp_min_c": low.T.ravel(),
            "temp_max_c": low.T.ravel() + 13,
            "rain_mm": rain.T.ravel(),
            "wind_m_s": 2.0,
        }
    )
    ahead = pd.MultiIndex.from_product(
        [names, pd.date_range(as_of, periods=10), range(11)], names=["station_id", "day", "member"]
    ).to_frame(index=False)
    noise = rng.normal(0, 2, len(ahead))
    outlook = ahead.assign(
        issued_on=pd.Timestamp(as_of), temp_min_c=6 + noise, temp_max_c=19 + noise, rain_mm=np.abs(noise)
    )
    blocks = pd.DataFrame(
        {
            "block_id": [f"B{i}" for i in range(blocks_n)],
            "station_id": rng.choice(names, blocks_n),
            "colder_c": rng.uniform(0, 3, blocks_n),
            "soil": rng.choice(["light", "medium", "heavy"], blocks_n),
        }
    )
    stations = pd.DataFrame(
        {
            "station_id": names,
            "lat_deg": rng.uniform(36, 40, stations_n),
            "lon_deg": rng.uniform(-122, -119, stations_n),
        }
    )
    return SimpleNamespace(
        as_of=as_of, start=date(2026, 8, 1), end=end, label=2026, stations=stations, blocks=blocks,
        weather_days=weather, outlook=outlook, rules={rule.name: rule.default for rule in RULES},
    )  # fmt: skip


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="100 blocks, 50 scenarios")
    blocks_n, n = (100, 50) if parser.parse_args().quick else (1000, 200)
    season = invented_season(blocks_n, 20, 20)

    began = time.process_time()
    measured = station_days(season)
    station_s = time.process_time() - began
    before_mib = peak_mib()
    took, held = [], 0.0
    for _ in range(3):
        drawn = None  # as a program that draws once: no second set beside the first
        began = time.process_time()
        drawn = scenarios(season, measured, n=n, seed=1)
        took.append(time.process_time() - began)
        held = held or peak_mib()
    began = time.process_time()
    frost_risk(season, drawn)
    frost_s = time.process_time() - began
    copied = []
    for _ in range(3):
        copies = None
        began = time.process_time()
        copies = [getattr(drawn, name).copy() for name in ARRAYS]
        copied.append(time.process_time() - began)

    size_mib = sum(copy.nbytes for copy in copies) / 2**20
    print(f"{blocks_n} blocks x {len(drawn.days)} days x {n} scenarios, {len(ARRAYS)} arrays {size_mib:.0f} MiB")
    print(f"station_days  {station_s:7.3f} s  (20 stations, 21 seasons)")
    print(f"scenarios     {took[0]:7.3f} s  first run, {min(took):.3f} s best of {len(took)}")
    print(f"frost_risk    {frost_s:7.3f} s  (three thresholds)")
    print(f"plain copy    {copied[0]:7.3f} s  first run, {min(copied):.3f} s best of {len(copied)}")
    print(f"ratio         {took[0] / copied[0]:7.1f}    first runs, {min(took) / min(copied):.1f} best ones")
    print(f"peak memory   {held:7.0f} MiB, of which {before_mib:.0f} MiB before the scenarios")
    met = max(took) <= GOAL_S and held <= GOAL_MIB
    print(f"goal {GOAL_S:g} s and {GOAL_MIB} MiB: {'met' if met else 'missed'}")
    sys.exit(not met)


if __name__ == "__main__":
    main()
