"""The next two days by the clock: what every harvester does, which loads leave, when the mill runs what.

`clock` follows the order in the middle scenario, as the referee walks it. The referee knows trucks and mill by the day
only; the hours of loads and mill slots are worked out here by simple rules that are stated in `clock`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from olivetime.harvest.capacity import UNLIMITED, Capacity
from olivetime.harvest.order import Proposal
from olivetime.harvest.referee import TINY, Step, physics, walk_plain

CLOCK_COLUMNS = ("from_at", "to_at", "who", "what", "block_id", "lot", "crop_t", "load_n", "note")
# Loads smaller than this share of a payload ride with the load before.
LEAST_LOAD_FRACTION = 0.05


def clock(proposal: Proposal, hours: float = 48.0) -> pd.DataFrame:
    """What happens hour by hour in the next days, in the middle scenario.

    Parameters
    ----------
    proposal : Proposal
    hours : float, optional
        From the first shift on [h].

    Returns
    -------
    pandas.DataFrame
        from_at, to_at, who (harvester_id, "trucks" or "mill"), what ("move", "wash", "pick", "haul", "mill", "clean"),
        block_id, lot, crop_t [t], load_n (number of the load of the block, Int64), note; in order of time. Empty when
        no picking begins in these hours.

    Notes
    -----
    The middle scenario is the one whose worth under the plan is the lower median. Moves and picking are the referee's
    own. A load leaves when a payload is picked, the last one of a block and day with what there is, and is at the mill
    after loading, road and unloading. The mill works at its rate up to its tonnes of the day; it stays with its lot
    while a load of it is there or comes within the time of a cleaning, and turns to the load that has waited longest
    at a gap and every morning. It may so clean more often than the referee counts.
    """
    plan, limits = proposal.plan, proposal.capacity
    empty = pd.DataFrame(
        {
            name: pd.Series(dtype=kind)
            for name, kind in zip(
                CLOCK_COLUMNS,
                ("datetime64[ns]", "datetime64[ns]", "object", "object", "object", "object", "float64", "Int64",
                 "object"),
                strict=True,
            )
        }
    )  # fmt: skip
    if plan.status == "nothing workable":
        return empty
    values = plan.scenario_values
    middle = int(np.argsort(values, kind="stable")[(len(values) - 1) // 2])
    ph = physics(limits, proposal.value)
    lists = [row[:n].tolist() for row, n in zip(plan.lists.order, plan.lists.length, strict=True)]
    steps: list[Step] = []
    walk_plain(
        ph, middle, lists, plan.lists.release.tolist(), days=min(int(hours // 24) + 2, len(limits.days)), steps=steps
    )
    loads = _loads(steps, limits)
    rows = [*_field(steps, limits), *loads, *_mill(loads, limits)]
    first = limits.days[0] + pd.Timedelta(hours=float(proposal.season.rules["shift_start_h"]))
    told = []
    for row in rows:
        if row["from_h"] >= hours:
            continue
        b = row["block"]
        told.append(
            {
                "from_at": first + pd.Timedelta(minutes=round(60 * row["from_h"])),
                "to_at": first + pd.Timedelta(minutes=round(60 * row["to_h"])),
                "who": row["who"],
                "what": row["what"],
                "block_id": limits.block_ids[b],
                "lot": limits.lots[limits.lot[b]],
                "crop_t": row.get("crop_t", np.nan),
                "load_n": row.get("load_n", pd.NA),
                "note": row.get("note", ""),
            }
        )
    if not told:
        return empty
    table = pd.DataFrame(told, columns=list(CLOCK_COLUMNS)).astype({"load_n": "Int64", "crop_t": float})
    return table.sort_values(["from_at", "to_at", "who", "what"], kind="stable").reset_index(drop=True)


def _field(steps: list[Step], limits: Capacity) -> list[dict]:
    """Moves, washing and picking; hours from the begin of the first shift."""
    rows: list[dict] = []
    road: dict[tuple[int, int], float] = {}
    for i, step in enumerate(steps):
        name = limits.harvester_ids[step.harvester]
        begin, end = 24.0 * step.day + step.from_h, 24.0 * step.day + step.to_h
        row = {"who": name, "block": step.block, "from_h": begin, "to_h": end}
        if step.what == "pick":
            rows.append(row | {"what": "pick", "crop_t": step.crop_t})
            road.pop((step.harvester, step.block), None)
            continue
        # washing is the last part of a move, which may go on over the night
        key = (step.harvester, step.block)
        total = sum(
            other.to_h - other.from_h
            for other in steps[i:]
            if other.what == "move" and (other.harvester, other.block) == key
        )
        drive = max(total - step.wash_h, 0.0) if key not in road else road[key]
        part = min(drive, end - begin)
        road[key] = drive - part
        if part > TINY:
            rows.append(row | {"what": "move", "to_h": begin + part})
        if end - begin - part > TINY:
            rows.append(row | {"what": "wash", "from_h": begin + part, "note": "before organic fruit"})
    return rows


def _loads(steps: list[Step], limits: Capacity) -> list[dict]:
    """Truck loads with the hour they leave the block and the hour they are unloaded."""
    rows: list[dict] = []
    counts: dict[int, int] = {}
    days: dict[tuple[int, int, int], list[Step]] = {}
    for step in steps:
        if step.what == "pick" and step.crop_t > TINY:
            days.setdefault((step.day, step.harvester, step.block), []).append(step)
    payload = limits.payload_t if np.isfinite(limits.payload_t) and limits.payload_t > 0 else np.inf
    for (day, _, block), parts in days.items():
        total = sum(part.crop_t for part in parts)
        full = int(total / payload + 1.0 - LEAST_LOAD_FRACTION) if np.isfinite(payload) else 1
        edges = np.append(np.arange(1, max(full, 1)) * payload, total) if full > 1 else np.array([total])
        tonnes = np.cumsum([0.0, *(part.crop_t for part in parts)])
        # hours at which the tonnes picked reach the edges
        at, hour = [], []
        for part, before, after in zip(parts, tonnes[:-1], tonnes[1:], strict=True):
            at += [before, after]
            hour += [part.from_h, part.to_h]
        for size, leaves in zip(np.diff(np.append(0.0, edges)), np.interp(edges, at, hour), strict=True):
            counts[block] = counts.get(block, 0) + 1
            rows.append(
                {
                    "who": "trucks", "what": "haul", "block": block, "from_h": 24.0 * day + leaves,
                    "to_h": 24.0 * day + leaves + limits.haul_age_h[block], "crop_t": float(size),
                    "load_n": counts[block],
                }
            )  # fmt: skip
    return rows


def _mill(loads: list[dict], limits: Capacity) -> list[dict]:
    """Mill slots and cleanings of the loads."""
    if limits.mill_rate_t_h >= UNLIMITED / 24.0:
        return []
    rows: list[dict] = []
    rate, cleaning_h = limits.mill_rate_t_h, limits.mill_cleaning_h
    waiting = sorted(loads, key=lambda load: (load["to_h"], load["block"], load["load_n"]))
    lot, now, day, room = -1, 0.0, -1, 0.0
    while waiting:
        now = max(now, waiting[0]["to_h"])
        turn = waiting[0]
        today = int(now // 24.0)
        if today >= len(limits.days):
            break
        if today > day:
            day, room = today, limits.mill_t[today]
        else:
            same = [load for load in waiting if limits.lot[load["block"]] == lot]
            if same and same[0]["to_h"] <= now + cleaning_h:
                turn = same[0]
        k = int(limits.lot[turn["block"]])
        cleaned = cleaning_h if lot >= 0 and k != lot else 0.0
        if room - cleaned * rate <= TINY:
            now = 24.0 * (day + 1)
            continue
        if cleaned > 0:
            rows.append(
                {"who": "mill", "what": "clean", "block": turn["block"], "from_h": now, "to_h": now + cleaned,
                 "note": "before another lot"}
            )  # fmt: skip
        room -= cleaned * rate
        lot = k
        begin = max(now + cleaned, turn["to_h"])
        part = min(turn["crop_t"] - turn.get("milled_t", 0.0), room)
        wait = begin - turn["to_h"]
        now = begin + part / rate
        room -= part
        rows.append(
            {"who": "mill", "what": "mill", "block": turn["block"], "from_h": begin, "to_h": now,
             "crop_t": float(part), "load_n": turn["load_n"], "note": f"waits {wait:.1f} h" if wait >= 0.05 else ""}
        )  # fmt: skip
        rest = {**turn, "milled_t": turn.get("milled_t", 0.0) + part}
        place = next(i for i, load in enumerate(waiting) if load is turn)
        waiting[place : place + 1] = [rest] if rest["crop_t"] - rest["milled_t"] > TINY else []
    return rows
