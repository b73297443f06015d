"""Seasons as folders of records: a simulated one that is over, and the part of a sample season that some own."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pandas as pd

from olivetime.harvest.policies import cost_of_delay, mornings, play
from olivetime.harvest.simulator import SimulatedSeason, make_farm, simulate
from olivetime.records.columns import TABLES
from olivetime.records.season import Season

FEW = {"past_weather_n": 3.0, "blocks_per_harvester": 12.0}


@lru_cache(maxsize=4)
def finished(
    blocks_n: int = 12, *, half: str = "southern", seed: int = 5, issues: int = 3
) -> tuple[SimulatedSeason, Season]:
    """A simulated season and its records on the last day: all samples, weather, tickets and some outlooks."""
    simulated = simulate(make_farm(blocks_n, half=half, seed=3, change=FEW), seed)
    told = mornings(simulated, every=14, n_draws=16)
    played = play(simulated, [cost_of_delay(every=14)], told)[0]
    picks = simulated.tickets(played.picked, played.machine)
    last = simulated.on(simulated.days[-1].date(), picks=picks)
    issued = [simulated.on(day.date()).outlook for day in simulated.days[: 10 * issues : 10]]
    return simulated, replace(last, past_outlooks=pd.concat([*issued, last.outlook], ignore_index=True))


def of_growers(season: Season, *growers: str) -> Season:
    """What a season's records say of some growers' blocks: whole in kind, and quick to compute."""
    others = season.blocks.loc[~season.blocks["grower"].isin(growers), "block_id"]
    cut = {
        name: table[~table["block_id"].isin(others)]
        for name, table in vars(season).items()
        if isinstance(table, pd.DataFrame) and "block_id" in table
    }
    machines = season.harvesters
    here = machines["start_block"].where(~machines["start_block"].isin(others), None)
    return replace(season, **cut, harvesters=machines.assign(start_block=here))


def write_folder(season: Season, folder: Path, **settings: str) -> Path:
    """Write a season as the CSV files that a grower would hand over."""
    folder.mkdir(parents=True, exist_ok=True)
    said = {
        "name": season.name, "place": season.place, "start": season.start, "end": season.end, "units": "metric",
        "currency": season.currency, "time_zone": season.time_zone, "locale": "en_US",
    } | settings  # fmt: skip
    lines = [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in said.items()]
    (folder / "season.toml").write_text("\n".join(["[season]", *lines]) + "\n", encoding="utf-8")
    past = {"samples": season.past_samples, "picks": season.past_picks}
    for name, columns in TABLES.items():
        frame = season.past_outlooks if name == "outlook" else getattr(season, name, None)
        if frame is None or not len(frame):
            continue
        if len(past.get(name, ())):
            frame = pd.concat([past[name], frame], ignore_index=True)
        kept = [column.name for column in columns if column.name in frame and frame[column.name].notna().any()]
        frame = frame[kept].copy()
        for column in columns:
            if column.name in kept and column.kind == "bool":
                frame[column.name] = frame[column.name].map({True: "yes", False: "no"})
        frame.to_csv(folder / f"{name}.csv", index=False, float_format="%.4f")
    return folder
