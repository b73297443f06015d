"""Reasons: why this block now, what waiting costs, and what a change would do.

Nothing here decides. Waiting costs are read from the prices that the bound gave; what-ifs are planned again in full,
because a slope read off the prices misleads (a second harvester is worth far less than its first hour).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from olivetime.harvest.bound import loss_by_waiting, loss_by_waiting_solved, tightened
from olivetime.harvest.codes import CODES
from olivetime.harvest.order import Proposal, propose
from olivetime.harvest.referee import physics, with_oil_orders
from olivetime.languages import mark, said, say
from olivetime.records.kept import kept
from olivetime.records.season import Season
from olivetime.weather.scenarios import Scenarios
from olivetime.words import chance_text, count_text, day_text, days_text, display_unit, money_text, number_text, tell

WAITING_DAYS = (1, 3, 7)
# Days over which a block's loss by waiting is compared with that of others: the week until the next plan.
WINDOW_D = 7
# A block counts as picked at its best within so many days of its best mean day (own choice).
PEAK_D = 3
# Share of a loss that frost must make up to be named as its cause (own choice).
MOSTLY = 0.5
# A loss below this is none to a reader, who sees whole amounts [currency].
LEAST_SAID = 1.0


def net_values(proposal: Proposal) -> np.ndarray:
    """Worth of each block on each day less the prices of the hours, tonnes and truck hours it takes.

    Returns
    -------
    ndarray (S, B, T)
        [currency]; -inf on days when the block may not or cannot be picked. Hours are those of the harvester that
        is cheapest for the block on the day.
    """
    limits, worth, bounds = proposal.capacity, proposal.value, proposal.plan.bounds
    work = np.asarray(limits.workable_fraction, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        hours = np.where(np.isfinite(limits.block_h), limits.block_h, np.inf)  # (H, B)
        priced = np.where(
            np.isfinite(hours)[None, :, :, None], bounds.price_h[:, :, None, :] * hours[None, :, :, None], np.inf
        )
        machine = priced.min(axis=1) if priced.shape[1] else np.full(worth.value.shape, np.inf)
        net = (
            worth.value
            - np.where(work > 0, machine / np.where(work > 0, work, 1.0), np.inf)
            - worth.crop_t * bounds.price_mill_t[:, None, :]
            - worth.crop_t * limits.truck_h_per_t[None, :, None] * bounds.price_truck_h[:, None, :]
        )
    return np.where((work > 0) & limits.allowed[None, :, :], net, -np.inf)


def _planned_day(proposal: Proposal) -> np.ndarray:
    """Day index on which each block is begun in the plan, -1 when it is not in the plan, (B,)."""
    rows = proposal.plan.rows.set_index("block_id").reindex(list(proposal.capacity.block_ids))
    today = proposal.capacity.days[0]
    day = (rows["start_at"].dt.normalize() - today).dt.days
    inside = rows["rank"].notna() & day.notna()
    return np.where(inside, day.fillna(-1), -1).astype(int).clip(-1, len(proposal.capacity.days) - 1)


def waiting_costs(proposal: Proposal, solved: int = 10) -> pd.DataFrame:
    """What the plan loses, at least, when a block is picked 1, 3 or 7 days later than planned.

    Parameters
    ----------
    proposal : Proposal
    solved : int, optional
        How many of the first rows are also solved again for a wait of 7 days.

    Returns
    -------
    pandas.DataFrame
        block_id; waiting_1d, waiting_3d, waiting_7d: from prices, NaN for blocks that are not in the plan;
        waiting_exact: a wait of 7 days solved again for the first rows of the order, NaN for the others [currency].

    Notes
    -----
    Losses are those of the relaxed plan that bounds the order (`olivetime.harvest.bound`), mean over scenarios, each
    of which may choose its own later day. The price figure is never above the one solved again, by weak duality.
    """
    ph = with_oil_orders(physics(proposal.capacity, proposal.value), proposal.value.oil_orders)
    day = _planned_day(proposal)
    rank = proposal.plan.rows.set_index("block_id")["rank"].reindex(list(proposal.capacity.block_ids))
    first = np.flatnonzero((day >= 0) & (rank.to_numpy(dtype=float) <= solved))

    def make() -> np.ndarray:
        bounds = tightened(ph, proposal.plan.bounds)
        begin = np.maximum(day, 0)
        lost = [loss_by_waiting(ph, bounds, begin, begin + wait) for wait in WAITING_DAYS]
        exact = np.full(len(day), np.nan)
        exact[first] = loss_by_waiting_solved(ph, bounds, first, begin[first] + WAITING_DAYS[-1])
        return np.stack([*np.where(day >= 0, lost, np.nan), exact], axis=1)

    inputs = (ph, proposal.plan.bounds, day, first)
    lost = kept(proposal.kept, "waiting", np.ndarray, inputs, make)
    names = [*(f"waiting_{wait}d" for wait in WAITING_DAYS), "waiting_exact"]
    table = pd.DataFrame(lost, columns=names)
    table.insert(0, "block_id", list(proposal.capacity.block_ids))
    return table


def _readers(season: Season) -> dict[str, str]:
    """What `olivetime.words` needs to know of the season's readers."""
    return {"units": season.units, "currency": season.currency, "locale": season.locale}


def _money(amount: float, season: Season) -> str:
    return money_text(amount, _readers(season))


def _day(day: object, season: Season) -> str:
    return day_text(day, _readers(season), "MMMEd")


def reasons(proposal: Proposal) -> pd.DataFrame:
    """Why every block stands where it does: the term that decides, its target, the runner-up and the margin.

    Parameters
    ----------
    proposal : Proposal

    Returns
    -------
    pandas.DataFrame
        block_id; reason_code: a key of `CODES`; reason; reason_parts: the same as JSON for `olivetime.words.tell`,
        which says it in another language ("" for blocks that are not in the plan); runner_up (block_id or "");
        margin_per_h [currency/h]: how much more this block loses in a week of waiting, per machine hour, than the
        runner-up; negative when a route, a lot or a promise put it first all the same.
    """
    season, limits, worth = proposal.season, proposal.capacity, proposal.value
    days_n = len(limits.days)
    index = {block_id: b for b, block_id in enumerate(limits.block_ids)}
    names = season.blocks.set_index("block_id")["block_name"].to_dict()
    ranch = season.blocks.set_index("block_id")["ranch"].to_dict()
    mean = worth.value.mean(axis=0)
    frost = worth.frost_loss.mean(axis=0)
    work = np.asarray(limits.workable_fraction, dtype=float).mean(axis=0)
    open_day = limits.allowed & (work > 0)
    hours = np.where(np.isfinite(limits.block_h), limits.block_h, np.nan)
    dry_t = worth.crop_t.mean(axis=0) * (1.0 - worth.moisture_pct / 100.0)  # what drops, whatever water it loses
    targets = proposal.targets.set_index("block_id")
    least_h = np.nanmin(np.vstack([hours, np.full(hours.shape[1], 1e9)]), axis=0)
    # best mean worth from a day on, over open days
    offered = np.where(open_day, mean, 0.0)
    later = np.zeros((mean.shape[0], days_n + WINDOW_D + 1))
    later[:, :days_n] = np.maximum.accumulate(offered[:, ::-1], axis=1)[:, ::-1]
    least_h = np.where(least_h > 0, least_h, np.inf)  # nothing is left of a picked block: no hours, no urgency
    loss_h = (mean - later[:, WINDOW_D : days_n + WINDOW_D]) / least_h[:, None]
    day = _planned_day(proposal)

    rows = proposal.plan.rows
    begin = {row.block_id: row.start_at for row in rows.itertuples(index=False) if pd.notna(row.rank)}
    previous: dict[str, tuple[str, str]] = {}
    last_on: dict[str, tuple[str, str]] = {}
    for row in rows[rows["rank"].notna()].sort_values("start_at").itertuples(index=False):
        previous[row.block_id] = last_on.get(row.harvester_id, ("", ""))
        last_on[row.harvester_id] = (row.block_id, row.lot)

    told = []
    for row in rows.itertuples(index=False):
        b = index[row.block_id]
        if pd.isna(row.rank) or day[b] < 0:
            code = {"picked": "PICKED", "cannot be decided": "CANNOT-BE-DECIDED"}.get(row.status, "LEFT")
            told.append((row.block_id, code, str(row.why_not or CODES[code]), "", "", np.nan))
            continue
        t = day[b]
        week_after = min(t + WINDOW_D, days_n - 1)
        falls = float(mean[b, t] - mean[b, week_after])
        frosted = float(frost[b, week_after] - frost[b, t])
        dropped = float(mean[b, t] * (1.0 - dry_t[b, week_after] / dry_t[b, t])) if dry_t[b, t] > 0 else 0.0
        oil_gained = float(worth.oil_dry_pct[b, week_after] - worth.oil_dry_pct[b, t])
        rivals = [
            c
            for c, other in enumerate(limits.block_ids)
            if other != row.block_id and open_day[c, t] and (other not in begin or begin[other] > row.start_at)
        ]
        runner = max(rivals, key=lambda c: loss_h[c, t], default=None)
        margin = float(loss_h[b, t] - loss_h[runner, t]) if runner is not None else np.nan
        before, before_lot = previous[row.block_id]
        code, message, parts = _deciding(
            row,
            season,
            proposal,
            t=t,
            falls=falls,
            frosted=frosted,
            why_less=_why_less(falls, frosted, dropped, oil_gained),
            margin=margin,
            work=work[b],
            beside=bool(before) and ranch[before] == ranch[row.block_id],
            before=names.get(before, ""),
            same_lot=bool(before_lot) and before_lot == row.lot,
        )
        sentences = [(message, parts)]
        if falls > 0 and code in ("FROST", "DRY-WINDOW", "FALLING", "PEAK"):
            sentences += _before_target(targets.loc[row.block_id], days=limits.days, worth=mean[b], t=t)
        if runner is not None and margin >= LEAST_SAID:
            behind = {"block": names[limits.block_ids[runner]], "money": _amount(margin)}
            message = mark("{block} would be next: waiting a week costs it {money} less per machine hour.")
            sentences.append((message, behind))
        rival = limits.block_ids[runner] if runner is not None else ""
        text, kept = tell(sentences, _readers(season)), json.dumps(sentences, ensure_ascii=False)
        told.append((row.block_id, code, text, kept, rival, margin))
    columns = ["block_id", "reason_code", "reason", "reason_parts", "runner_up", "margin_per_h"]
    return pd.DataFrame(told, columns=columns)


def _deciding(
    row: Any, season: Season, proposal: Proposal, *, t: int, falls: float, frosted: float, why_less: str,
    margin: float, work: np.ndarray, beside: bool, before: str, same_lot: bool,
) -> tuple[str, str, dict[str, Any]]:  # fmt: skip
    """The code of a planned block, and its sentence as a message with parts (see `olivetime.words.tell`)."""
    days = proposal.capacity.days
    if row.status == "picking":
        return "LOCKED", mark("It is being picked; finishing it saves a move."), {}
    held_until = days[0] + pd.Timedelta(days=float(season.rules["keep_days"]))
    # one that moved, or may, has another reason
    if row.status == "committed" and row.promised_on <= held_until and abs(row.moved_days) < 1:
        keep = _amount(season.rules["keep_gain_per_block"])
        return "COMMITTED", mark("Promised last week; another day would gain less than {keep}."), {"keep": keep}
    spans = proposal.capacity.no_go
    ended = spans[(spans["block_id"] == row.block_id) & (spans["last_day"] == days[t] - pd.Timedelta(days=1))]
    if len(ended):
        parts = {"day": _date(days[t]), "why": {"said": str(ended["reason"].iloc[0])}}
        return "NO-GO-DATE", mark("Not allowed before {day}: {why}."), parts
    week = {"week": _amount(falls)}
    if falls > 0 and frosted > MOSTLY * falls:
        return "FROST", mark("A week later its fruit is worth {week} less, most of it by frost."), week
    soon = work[t + 1 : t + 4]
    if falls > 0 and soon.size and work[t] - soon.min() > 0.4:
        wet = _date(days[t + 1 + int(soon.argmin())])
        message = mark("Rain may stop work by {day}, and a week later its fruit is worth {week} less.")
        return "DRY-WINDOW", message, {"day": wet, **week}
    if margin == margin and margin < 0:
        if beside:
            message = mark("It lies beside {block}, which the harvester leaves; coming back later costs a move.")
            return "ROUTE", message, {"block": before}
        if same_lot:
            return "LOT", mark("It joins the lot that is being picked, which saves the mill a cleaning."), {}
    best = pd.Timestamp(row.best_on)
    peak = abs((best - days[t]).days) <= PEAK_D
    if falls > 0:
        falling: dict[str, Any] = {**week, "day": _date(best), "why": {"said": why_less}}
        if peak or best > days[t]:
            message = mark("It is at its best about {day}; a week later its fruit is worth {week} less: {why}.")
            return "PEAK", message, falling
        message = mark(
            "It is picked after its best day, {day}; a week later still its fruit is worth {week} less: {why}."
        )
        return "FALLING", message, falling
    if peak:
        return "PEAK", mark("It is at its best about {day}."), {"day": _date(best)}
    if not row.best_on_loss >= LEAST_SAID:
        message = mark("This day is as good for it as its best, {day}, when other blocks need machines and mill more.")
        return "CAPACITY", message, {"day": _date(best)}
    message = mark(
        "Its best day is {day}, but other blocks need machines and mill more then: this day gives up {money} of its "
        "worth and saves more elsewhere."
    )
    return "CAPACITY", message, {"day": _date(best), "money": _amount(row.best_on_loss)}


def _why_less(falls: float, frosted: float, dropped: float, oil_gained: float) -> str:
    """What takes most of a loss: all of it, that by frost, that by fruit drop [currency], and the gain in oil [points].

    Drop is weighed before what the oil gains, so it can be more than the whole loss.
    """
    if frosted > MOSTLY / 2 * falls:
        return mark("some of it by frost, the rest as fruit ripens and drops")
    if dropped > MOSTLY * falls:
        if oil_gained > 0:
            return mark("fruit drop takes more than the oil that it still gains")
        return mark("fruit drops and its oil rises no more")
    if dropped > MOSTLY / 2 * falls:
        return mark("fruit drops and riper fruit pays less")
    return mark("riper fruit pays less")


def _before_target(
    target: pd.Series, *, days: pd.DatetimeIndex, worth: np.ndarray, t: int
) -> list[tuple[str, dict[str, Any]]]:
    """What the day of its target would cost a block that is picked before it; nothing when that day is worth more."""
    if target["target_kind"] == "best_value" or target["verdict"] not in ("not yet", "may never", "never"):
        return []
    if pd.isna(target["on_p50"]):
        return [(mark("It hardly reaches its target this season, so the plan does not wait for it."), {})]
    at = int((target["on_p50"].normalize() - days[0]).days)
    less = float(worth[t] - worth[min(at, len(worth) - 1)])
    if at <= t or less < LEAST_SAID:
        return []
    message = mark("Its target, about {day}, is not waited for: its fruit would be worth {money} less then.")
    return [(message, {"day": _date(target["on_p50"]), "money": _amount(less)})]


def _amount(value: Any) -> dict[str, float]:
    return {"money": float(value)}


def _date(day: object) -> dict[str, str]:
    return {"day": pd.Timestamp(day).date().isoformat()}


def explain(proposal: Proposal, block_id: str) -> list[str]:
    """Everything that decides about one block, as sentences.

    Parameters
    ----------
    proposal : Proposal
    block_id : str

    Returns
    -------
    list of str

    Raises
    ------
    ValueError
        When the season has no such block.
    """
    season, readers = proposal.season, _readers(proposal.season)
    if block_id not in proposal.capacity.block_ids:
        raise ValueError(f"no block {block_id!r} in this season; it has {', '.join(proposal.capacity.block_ids)}")
    block = season.blocks.set_index("block_id").loc[block_id]
    row = proposal.plan.rows.set_index("block_id").loc[block_id]
    why = reasons(proposal).set_index("block_id").loc[block_id]
    target = proposal.targets.set_index("block_id")
    unit = display_unit(readers, "crop")

    def crop(tonnes: float) -> str:
        return number_text(unit.of(tonnes), readers)

    named = block["block_name"] if block["block_name"] == block_id else f"{block['block_name']} ({block_id})"
    told = [f"{named}: {block['cultivar']}, {block['ranch']}, {block['grower']}."]
    if block_id in target.index:
        told.append(_target_sentence(target.loc[block_id], season))
    if pd.notna(row["rank"]):
        told.append(
            say(
                "Number {rank} in the order, with {harvester}: {day} (8 in 10: {first} to {last}), {hours} h, {crop} "
                "{unit} (8 in 10: {low} to {high}).",
                readers,
                rank=int(row["rank"]),
                harvester=row["harvester_id"],
                day=_day(row["start_at"], season),
                first=_day(row["start_p10"], season),
                last=_day(row["start_p90"], season),
                hours=number_text(row["hours_h"], readers),
                crop=crop(row["crop_t"]),
                unit=unit.label,
                low=crop(row["crop_p10_t"]),
                high=crop(row["crop_p90_t"]),
            )
        )
        low, high = (_money(row[f"value_{p}"], season) for p in ("p10", "p90"))
        told.append(
            say(
                "Worth {money} (8 in 10: {low} to {high}).",
                readers,
                money=_money(row["value"], season),
                low=low,
                high=high,
            )
        )
        told.append(say("Why: {reason}", readers, reason=why["reason"]))
        if row["moved_why"]:
            parts = {"day": _day(row["promised_on"], season), "why": said(row["moved_why"], readers)}
            gain = proposal.plan.moved.set_index("block_id")["gain"].get(block_id)
            told.append(
                say("Moved from {day}, because {why}.", readers, **parts)
                if gain is None
                else say(
                    "Moved from {day}, because {why}: putting it back would cost about {money}.",
                    readers,
                    **parts,
                    money=_money(gain, season),
                )
            )
        waits = waiting_costs(proposal, solved=0).set_index("block_id").loc[block_id]
        told.append(
            say(
                "Waiting costs the plan at least {waiting_1d} for 1 day, {waiting_3d} for 3 days, {waiting_7d} for 7 "
                "days.",
                readers,
                **{name: _money(waits[name], season) for name in (f"waiting_{n}d" for n in WAITING_DAYS)},
            )
        )
        if row["frost_value_at_risk"] > 0:
            told.append(
                say("Frost puts {money} of it at risk.", readers, money=_money(row["frost_value_at_risk"], season))
            )
    else:
        told.append(say("Not in the order: {reason}", readers, reason=why["reason"]))
    spans = proposal.capacity.no_go
    for span in spans[spans["block_id"] == block_id].itertuples(index=False):
        told.append(
            say(
                "Not allowed {first} to {last}: {why}.",
                readers,
                first=_day(span.first_day, season),
                last=_day(span.last_day, season),
                why=said(span.reason, readers),
            )
        )
    return told


def _target_sentence(target: pd.Series, season: Season) -> str:
    readers = _readers(season)
    chance = chance_text(target["never_chance"], readers)
    if target["verdict"] == "reached":
        return say(
            "It has reached its target (chance {chance}).",
            readers,
            chance=chance_text(target["reached_chance"], readers),
        )
    if pd.isna(target["on_p50"]):
        return say(
            "Its target is hardly reached by {day}; chance that it never is: {chance}.",
            readers,
            day=_day(season.end, season),
            chance=chance,
        )
    middle, first = _day(target["on_p50"], season), _day(target["on_p10"], season)
    if pd.isna(target["on_p90"]):
        return say(
            "It reaches its target about {day} (8 in 10: {first} or later); chance that it never does: {chance}.",
            readers,
            day=middle,
            first=first,
            chance=chance,
        )
    return say(
        "It reaches its target about {day} (8 in 10: {first} to {last}); chance that it never does: {chance}.",
        readers,
        day=middle,
        first=first,
        last=_day(target["on_p90"], season),
        chance=chance,
    )


@dataclass(frozen=True)
class WhatIf:
    """A changed question and its own answer.

    Attributes
    ----------
    name : str
        The change in words.
    says : str
        One sentence with the difference.
    value_change : float
        Worth of the new plan less that of the old one [currency].
    first_block : str
        Block_id of the first row of the new order; "" when nothing is workable.
    moved : pandas.DataFrame
        Blocks whose start moves a day or more: block_id, from_at, to_at, moved_days (to_at NaT when left).
    proposal : Proposal
        The new answer in full.
    """

    name: str
    says: str
    value_change: float
    first_block: str
    moved: pd.DataFrame
    proposal: Proposal


def what_if(
    proposal: Proposal,
    *,
    shift_hours: float = 0.0,
    more_harvesters: int = 0,
    mill_fraction: float = 1.0,
    mill_down: Iterable[date] = (),
    frost: Mapping[date, float] | None = None,
    leave: Iterable[str] = (),
    not_before: Mapping[str, date] | None = None,
    price_factor: float = 1.0,
    evaluations: int = 2000,
) -> WhatIf:
    """Plan again under a changed question, starting from the present order.

    Parameters
    ----------
    proposal : Proposal
    shift_hours : float, optional
        Hours a day more (or fewer) for every harvester; the rule `shift_max_h` still caps it [h].
    more_harvesters : int, optional
        Harvesters like the first one, added.
    mill_fraction : float, optional
        Share of the mill's rate that is left.
    mill_down : iterable of datetime.date, optional
        Days on which the mill stands.
    frost : mapping of datetime.date to float, optional
        A night's minimum at the stations, known now; every scenario then is at least as cold [C].
    leave : iterable of str, optional
        Block ids that are not picked.
    not_before : mapping of str to datetime.date, optional
        Earliest day for single blocks.
    price_factor : float, optional
        All prices times this.
    evaluations : int, optional
        Candidate orders to try.

    Returns
    -------
    WhatIf

    Raises
    ------
    ValueError
        When a block id is unknown or nothing is changed.
    """
    season, ahead = proposal.season, proposal.scenarios
    blocks = season.blocks.copy()
    named = [*leave, *(not_before or {})]
    unknown = sorted(set(named) - set(blocks["block_id"]))
    if unknown:
        raise ValueError(f"no block {', '.join(unknown)} in this season; it has {', '.join(blocks['block_id'])}")
    told: list[str] = []
    harvesters, mill, mill_days, contracts = season.harvesters, season.mill, season.mill_days, season.contracts
    if shift_hours:
        harvesters = harvesters.assign(hours_per_day=(harvesters["hours_per_day"] + shift_hours).clip(0, 24))
        told.append(f"shifts {abs(shift_hours):g} h {'longer' if shift_hours > 0 else 'shorter'}")
    if more_harvesters:
        extra = [
            harvesters.iloc[[0]].assign(harvester_id=f"extra {n + 1}", start_block=None) for n in range(more_harvesters)
        ]
        harvesters = pd.concat([harvesters, *extra], ignore_index=True).astype(harvesters.dtypes.to_dict())
        told.append(f"{more_harvesters} more harvester{'s' * (more_harvesters > 1)}")
    if mill_fraction != 1.0:
        mill = mill.assign(rate_t_h=mill["rate_t_h"] * mill_fraction)
        told.append(f"the mill at {100 * mill_fraction:.0f} % of its rate")
    down = sorted(mill_down)
    if down:
        closed = pd.DataFrame({"mill_id": mill["mill_id"].iloc[0], "day": pd.to_datetime(down), "closed": True})
        kept = mill_days[~mill_days["day"].isin(closed["day"])]
        closed = closed.reindex(columns=mill_days.columns)
        mill_days = pd.concat([kept, closed], ignore_index=True) if len(kept) else closed
        row = (down[-1] - down[0]).days == len(down) - 1  # without a day between
        days = days_text(down[0], down[-1], _readers(season)) if row else ", ".join(_day(d, season) for d in down)
        told.append(f"the mill down on {days}")
    if frost:
        ahead = _with_frost(season, ahead, frost)
        degrees = display_unit(_readers(season), "temp")
        told += [
            f"frost of {number_text(degrees.of(minimum), _readers(season), 1)} {degrees.label} on {_day(day, season)}"
            for day, minimum in sorted(frost.items())
        ]
    if named:
        blocks["pick_after"] = blocks["pick_after"].where(
            ~blocks["block_id"].isin(set(named)),
            pd.to_datetime(
                [
                    pd.NaT
                    if block_id not in set(named)
                    else pd.Timestamp((not_before or {}).get(block_id, season.end))
                    + (pd.Timedelta(days=0) if block_id in (not_before or {}) else pd.Timedelta(days=1))
                    for block_id in blocks["block_id"]
                ]
            ),
        )
        told += [f"{block_id} left" for block_id in leave]
        told += [f"{block_id} not before {_day(day, season)}" for block_id, day in (not_before or {}).items()]
    if price_factor != 1.0:
        contracts = contracts.assign(
            price_oil_kg=contracts["price_oil_kg"] * price_factor,
            price_fruit_t=contracts["price_fruit_t"] * price_factor,
        )
        told.append(f"prices at {100 * price_factor:.0f} %")
    if not told:
        raise ValueError("nothing is changed; name at least one change, such as shift_hours=2")
    changed = replace(season, blocks=blocks, harvesters=harvesters, mill=mill, mill_days=mill_days, contracts=contracts)
    answer = propose(changed, seed=proposal.seed, evaluations=evaluations, known=replace(proposal, scenarios=ahead))
    name = ", ".join(told)
    return _compared(name[0].upper() + name[1:], proposal, answer)


def _with_frost(season: Season, ahead: Scenarios, frost: Mapping[date, float]) -> Scenarios:
    """Scenarios that are at least as cold as stated on the given nights; cold spots keep their offset."""
    temp_min = ahead.temp_min_c.copy()
    colder = season.blocks["colder_c"].fillna(0.0).to_numpy(dtype=temp_min.dtype)
    for day, minimum in frost.items():
        at = ahead.days.get_indexer([pd.Timestamp(day)])[0]
        if at < 0:
            raise ValueError(
                f"{day} is outside the plan, which runs from {ahead.days[0]:%Y-%m-%d} to {ahead.days[-1]:%Y-%m-%d}"
            )
        temp_min[:, :, at] = np.minimum(temp_min[:, :, at], minimum - colder[None, :])
    return replace(ahead, temp_min_c=temp_min)


def _compared(name: str, before: Proposal, after: Proposal) -> WhatIf:
    old = before.plan.rows.set_index("block_id")
    new = after.plan.rows.set_index("block_id")
    gain = float(after.plan.value - before.plan.value)
    first = new[new["rank"].notna()].sort_values("rank")
    first_block = str(first.index[0]) if len(first) else ""
    both = (
        old[["start_at"]]
        .rename(columns={"start_at": "from_at"})
        .join(new[["start_at"]].rename(columns={"start_at": "to_at"}), how="left")
    )
    both["moved_days"] = (both["to_at"].dt.normalize() - both["from_at"].dt.normalize()).dt.days
    moved = both[(both["moved_days"].abs() >= 1) | (both["from_at"].notna() != both["to_at"].notna())].reset_index()
    names = before.season.blocks.set_index("block_id")["block_name"]
    told = f"{_money(abs(gain), before.season)} {'more' if gain >= 0 else 'less'} than the present plan"
    head = f"{name}: {told}"
    tail = f"; {names[first_block]} is first" if first_block else f"; nothing is workable: {after.plan.why}"
    return WhatIf(
        name=name,
        says=f"{head}{tail}; {count_text(len(moved), 'block moves', 'blocks move')} by a day or more.",
        value_change=gain,
        first_block=first_block,
        moved=moved,
        proposal=after,
    )


def standard_what_ifs(proposal: Proposal) -> pd.DataFrame:
    """The questions that every week asks, each planned again.

    Parameters
    ----------
    proposal : Proposal

    Returns
    -------
    pandas.DataFrame
        change (words), value_change [currency], first_block (its name), moves (words).
    """
    days = proposal.capacity.days
    columns = ["change", "value_change", "first_block", "moves"]
    if proposal.plan.status == "nothing workable" or len(days) < 4:
        return pd.DataFrame(columns=columns)
    frost_day = days[min(10, len(days) - 1)].date()
    asked: list[dict[str, Any]] = [
        {"shift_hours": -2.0},
        {"more_harvesters": 1},
        {"mill_fraction": 0.8},
        {"mill_down": [days[1].date(), days[2].date()]},
        {"frost": {frost_day: float(proposal.season.rules["frost_threshold_c"]) - 1.5}},
        {"price_factor": 0.9},
    ]
    names = proposal.season.blocks.set_index("block_id")["block_name"]
    rows = []
    for change in asked:
        answer = what_if(proposal, evaluations=800, **change)
        rows.append(
            (
                answer.name,
                answer.value_change,
                names.get(answer.first_block, "none"),
                f"{count_text(len(answer.moved), 'block')} by a day or more" if len(answer.moved) else "no block",
            )
        )
    return pd.DataFrame(rows, columns=columns)
