"""What each block is worth on each day in each weather scenario.

The plan maximises the worth of the fruit at the mill gate, under each block's own contract, less the cost of
getting it there. Four kinds of contract are known:

- ``oil_kg`` and ``own``: the oil that the mill gets out is paid (or sold) per kg, so milling is a cost;
- ``fruit_oil_scale``: a tonne of fruit is paid by its fresh oil per cent;
- ``fruit_flat``: a tonne of fruit is paid the same whatever its oil. The contract then rewards tonnes, also
  those that rain adds, and the plan follows the contract. A grower-miller who keeps the oil of such fruit and
  wants it timed by its oil enters the contract as ``own``; milling is the buyer's cost otherwise.

Grower and mill are seen as one business: what one pays the other under a contract is the fruit's worth at the
gate, and nothing is counted twice. Every default used is a row of `Value.assumptions`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from olivetime.harvest.capacity import ASSUMPTION_COLUMNS, Capacity
from olivetime.units import OIL_KG_PER_L
from olivetime.weather.frost import frost_thresholds

if TYPE_CHECKING:
    from olivetime.records.season import Season
    from olivetime.ripening.outcomes import Outcomes
    from olivetime.weather.scenarios import Scenarios

OIL_KINDS = ("oil_kg", "own")
FRUIT_KINDS = ("fruit_oil_scale", "fruit_flat")
# Exit holes at which the fly risk is fully reached: free acids were alike at 0 and 10 % of holes, rose sharply
# from 10 to 30 %, and were alike beyond (abstract of a Frantoio study in an ASHS journal).
FLY_FULL_HOLES_PCT = 30.0

_RULES_USED = (
    ("frost_threshold_c", "C", "night minimum at the block below which fruit is damaged"),
    ("frost_damage_per_c", "fraction/C", "value lost per degree below it, by lost grade, splitting and drop"),
    ("frost_loss_day0_fraction", "fraction", "share of that loss in fruit picked on the day of the frost"),
    ("frost_loss_day1_fraction", "fraction", "the same one day later; all of it from the second day"),
    ("fly_risk_from_holes_pct", "%", "fly exit holes up to which no grade is lost"),
    ("fly_risk_at_30pct", "fraction", "chance of leaving extra virgin at 30 % of holes and beyond"),
    ("over_ripe_maturity", "index", "maturity from which grade is at risk, where fruit turns black"),
    ("over_ripe_risk_per_unit", "fraction", "chance of leaving extra virgin per unit of maturity beyond"),
    (
        "age_risk_per_h",
        "fraction/h",
        "chance of leaving extra virgin per hour of waiting beyond the mill's limit",
    ),
    ("early_premium_fraction", "fraction", "style early: price premium at early_full_maturity and below"),
    ("early_full_maturity", "index", "style early: full premium up to this maturity"),
    ("early_none_maturity", "index", "style early: no premium from this maturity"),
    ("late_premium_fraction", "fraction", "style late: price premium at late_full_maturity and above"),
    ("late_none_maturity", "index", "style late: no premium up to this maturity"),
    ("late_full_maturity", "index", "style late: full premium from this maturity"),
)


@dataclass(frozen=True)
class OilOrders:
    """Oil that buyers have ordered, dearest shortfall first. O orders, S scenarios, K draws, B blocks, T days.

    Attributes
    ----------
    table : pandas.DataFrame
        Rows of the season's oil_orders that are not yet due, with `delivered_l`: oil of picks already made that counts
        for the order [l].
    fits : ndarray (O, B, T) of bool
        Fruit of the block picked on that day counts for the order: cultivar, certification, style and due day.
    wanted_l : ndarray (O,)
        Still wanted [l].
    cost_l : ndarray (O,)
        Cost of a litre that is missing, 0 for a wish [currency/l].
    oil_l : ndarray (S, B, T)
        Oil of the whole remaining block [l].
    oil_draws_l : ndarray (K, B, T)
        The same for each draw [l].
    """

    table: pd.DataFrame
    fits: np.ndarray
    wanted_l: np.ndarray
    cost_l: np.ndarray
    oil_l: np.ndarray
    oil_draws_l: np.ndarray


@dataclass(frozen=True)
class Value:
    """Worth of each block by day. S scenarios, K draws, B blocks, T days.

    Attributes
    ----------
    days : pandas.DatetimeIndex
    block_ids : tuple of str
    value : ndarray (S, B, T)
        Worth of picking the whole remaining block on that day, mean of the scenario's draws [currency].
    value_draws : ndarray (K, B, T)
        The same for each draw [currency].
    crop_t : ndarray (S, B, T)
        Fresh fruit the harvester takes [t].
    crop_draws_t : ndarray (K, B, T)
        The same for each draw [t].
    paid_oil_kg : ndarray (S, B, T)
        Industrial oil of that fruit [kg].
    oil_fresh_pct, oil_dry_pct, moisture_pct, maturity_index : ndarray (B, T)
        Means of the draws.
    frost_loss : ndarray (S, B, T)
        Currency lost to frost so far, contained in `value`.
    frost_damage_fraction : ndarray (S, B, T)
        Share of the fruit's value lost to frost.
    age_cost_t_h : ndarray (B,)
        Cost of an hour of waiting beyond the mill's limit [currency/(t h)].
    oil_orders : OilOrders
        Not contained in `value`: what an order is short of depends on all blocks together.
    components : pandas.DataFrame
        One row per block, on its best mean day: block_id, best_on, crop_t, gross, style, frost, grade, picking,
        hauling, milling, value (losses and costs negative) [currency].
    assumptions : pandas.DataFrame
        name, value, unit, source, says.
    """

    days: pd.DatetimeIndex
    block_ids: tuple[str, ...]
    value: np.ndarray
    value_draws: np.ndarray
    crop_t: np.ndarray
    crop_draws_t: np.ndarray
    paid_oil_kg: np.ndarray
    oil_fresh_pct: np.ndarray
    oil_dry_pct: np.ndarray
    moisture_pct: np.ndarray
    maturity_index: np.ndarray
    frost_loss: np.ndarray
    frost_damage_fraction: np.ndarray
    age_cost_t_h: np.ndarray
    oil_orders: OilOrders
    components: pd.DataFrame
    assumptions: pd.DataFrame


def industrial_oil_pct(
    oil_fresh_pct: np.ndarray, moisture_pct: np.ndarray, corrector_fraction: float
) -> np.ndarray:
    """Oil that the mill gets out of the fruit.

    Parameters
    ----------
    oil_fresh_pct, moisture_pct : array
        Laboratory fat and moisture [% fresh].
    corrector_fraction : float
        E, fat left in the pomace per fat-free dry matter [fraction].

    Returns
    -------
    ndarray
        fat - (100 - fat - moisture) * E, never below 0 [% fresh].

    Notes
    -----
    "Estimación del rendimiento industrial de las aceitunas a partir de los resultados analíticos", note of
    15 December 2009, revision 3, sections 1 and 2.1; its typical E is 10 %.

    Examples
    --------
    >>> float(industrial_oil_pct(25.0, 50.0, 0.10))
    22.5
    """
    fat, water = np.asarray(oil_fresh_pct, dtype=float), np.asarray(moisture_pct, dtype=float)
    return np.maximum(fat - (100.0 - fat - water) * corrector_fraction, 0.0)


def frost_damage(
    temp_min_c: np.ndarray,
    *,
    threshold_c: float | np.ndarray,
    damage_per_c: float,
    day0_fraction: float,
    day1_fraction: float,
    past_min_c: np.ndarray | None = None,
) -> np.ndarray:
    """Share of the fruit's value lost to the frosts up to each day.

    Parameters
    ----------
    temp_min_c : ndarray (..., T)
        Night minimum at the block on each day of the plan [C].
    threshold_c : float or ndarray
        Damage begins below this, broadcast against `temp_min_c` [C].
    damage_per_c : float
        Loss for each degree below the threshold, when it has shown in full [fraction/C].
    day0_fraction, day1_fraction : float
        Share of the damage in fruit picked on the day of the frost and on the next [fraction].
    past_min_c : ndarray (..., P), optional
        Minima of the P days before the first day of the plan, broadcast against `temp_min_c` [C].

    Returns
    -------
    ndarray (..., T)
        1 - product over nights of (1 - damage shown by then) [fraction].

    Notes
    -----
    Loss per degree and the delay are assumed: no published table of fruit damage by temperature and hours was
    found. Fruit milled at once loses less, which the two fractions express.
    """
    nights = np.asarray(temp_min_c, dtype=float)
    past_n = 0
    if past_min_c is not None and np.shape(past_min_c)[-1]:
        past = np.broadcast_to(past_min_c, (*nights.shape[:-1], np.shape(past_min_c)[-1]))
        nights = np.concatenate([past, nights], axis=-1)
        past_n = past.shape[-1]
    damage = np.clip(damage_per_c * (threshold_c - nights), 0.0, 0.999)
    damage = np.nan_to_num(damage)
    kept = np.cumsum(np.log1p(-damage), axis=-1)
    kept[..., 2:] = kept[..., :-2].copy()
    kept[..., :2] = 0.0
    kept += np.log1p(-day0_fraction * damage)
    kept[..., 1:] += np.log1p(-day1_fraction * damage[..., :-1])
    return 1.0 - np.exp(kept[..., past_n:])


def _ramp(x: np.ndarray, zero_at: float, one_at: float) -> np.ndarray:
    """Straight from 0 at `zero_at` to 1 at `one_at` (either way round), flat outside; 0 where x is unknown."""
    return np.nan_to_num(np.clip((x - zero_at) / (one_at - zero_at), 0.0, 1.0))


def _scenario_mean(draws: np.ndarray, scenarios_n: int) -> np.ndarray:
    """Mean of the draws k with k % S = s, (S, B, T)."""
    return np.stack([draws[s::scenarios_n].mean(axis=0) for s in range(scenarios_n)])


def fly_holes_pct(season: Season) -> np.ndarray:
    """Latest count of fly exit holes of each block, 0 where none was made [%], shape (B,)."""
    counted = season.samples.loc[season.samples["fly_holes_pct"].notna(), ["block_id", "sampled_on", "fly_holes_pct"]]
    if counted.empty:
        return np.zeros(len(season.blocks))
    counted = counted.sort_values("sampled_on", kind="stable")
    latest = counted.groupby("block_id")["fly_holes_pct"].last()
    return latest.reindex(season.blocks["block_id"]).fillna(0.0).to_numpy(dtype=float)


def _of_style(season: Season, maturity: np.ndarray) -> dict[str, np.ndarray]:
    """Whether fruit of each block and day gives oil of each style, (B, T); by the block's style without maturity."""
    rules = season.rules
    own = season.blocks["style"].to_numpy(dtype=object).astype(str)[:, None]
    known = np.isfinite(maturity)
    early_to, late_from = float(rules["early_none_maturity"]), float(rules["late_none_maturity"])
    full_early, full_late = float(rules["early_full_maturity"]), float(rules["late_full_maturity"])
    with np.errstate(invalid="ignore"):
        return {
            "early": np.where(known, maturity < early_to, own == "early"),
            "balanced": np.where(known, (maturity >= full_early) & (maturity <= full_late), own == "balanced"),
            "late": np.where(known, maturity > late_from, own == "late"),
        }


def _delivered_l(season: Season, orders: pd.DataFrame, corrector: float) -> np.ndarray:
    """Oil of this season's picks that counts for each order, in the order of the table, (O,) [l].

    A pick's oil is that on its ticket, else worked out from its fat and moisture. Its style is the block's.
    """
    got = np.zeros(len(orders))
    blocks = season.blocks.set_index("block_id")
    wanted = orders["oil_l"].to_numpy(dtype=float)
    for pick in season.picks.sort_values(["picked_on", "ticket_id"], kind="stable").itertuples(index=False):
        if pick.block_id not in blocks.index:
            continue
        block = blocks.loc[pick.block_id]
        oil_kg = float(pick.oil_out_kg)
        if not np.isfinite(oil_kg):
            oil_kg = float(np.nan_to_num(
                pick.net_t * 10.0 * industrial_oil_pct(pick.oil_fresh_pct, pick.moisture_pct, corrector)
            ))  # fmt: skip
        litres = oil_kg / OIL_KG_PER_L
        for o, order in enumerate(orders.itertuples(index=False)):
            if pick.picked_on > order.due_on or (order.organic and not block["organic"]):
                continue
            if (order.cultivar and order.cultivar != block["cultivar"]) or (
                order.style and order.style != (block["style"] or "balanced")
            ):
                continue
            part = min(litres, wanted[o] - got[o])
            got[o] += part
            litres -= part
    return got


def _oil_orders(
    season: Season, days: pd.DatetimeIndex, maturity: np.ndarray, oil_kg: np.ndarray, scenarios_n: int, corrector: float
) -> OilOrders:
    """Orders for oil not yet due, dearest shortfall first, and the oil that blocks can give, from draws (K, B, T)."""
    table = season.oil_orders
    table = table[table["due_on"] >= days[0]]
    if table.empty:
        none, no_oil = np.zeros(0), np.zeros((0, *maturity.shape))
        return OilOrders(
            table=table.reset_index(drop=True).assign(delivered_l=none), fits=np.zeros((0, *maturity.shape), bool),
            wanted_l=none, cost_l=none, oil_l=no_oil, oil_draws_l=no_oil,
        )  # fmt: skip
    cost = table["shortfall_cost_l"].fillna(0.0).to_numpy(dtype=float)
    turn = np.lexsort((table["order_id"].to_numpy(dtype=str), table["due_on"].to_numpy(), -cost))
    table = table.iloc[turn].reset_index(drop=True)
    table[["style", "cultivar"]] = table[["style", "cultivar"]].fillna("")
    blocks = season.blocks
    of_style = _of_style(season, maturity)
    fits = np.zeros((len(table), *maturity.shape), dtype=bool)
    for o, order in enumerate(table.itertuples(index=False)):
        fits[o] = (days <= order.due_on)[None, :]
        if order.style:
            fits[o] &= of_style[order.style]
        if order.cultivar:
            fits[o] &= (blocks["cultivar"] == order.cultivar).to_numpy(dtype=bool)[:, None]
        if order.organic:
            fits[o] &= blocks["organic"].to_numpy(dtype=bool)[:, None]
    delivered = _delivered_l(season, table, corrector)
    litres = oil_kg / OIL_KG_PER_L if len(table) else np.zeros((0, *maturity.shape))
    return OilOrders(
        table=table.assign(delivered_l=delivered),
        fits=fits,
        wanted_l=np.maximum(table["oil_l"].to_numpy(dtype=float) - delivered, 0.0),
        cost_l=cost[turn],
        oil_l=_scenario_mean(litres, scenarios_n) if len(table) else litres,
        oil_draws_l=litres,
    )


def value(season: Season, outcomes: Outcomes, scenarios: Scenarios, capacity: Capacity) -> Value:
    """Worth of every block on every day in every scenario.

    Parameters
    ----------
    season : Season
        Tables blocks, cultivars, contracts, samples, weather_days and the rules.
    outcomes : Outcomes
        Joint draws of oil, moisture, maturity and fresh crop left; draw k belongs to scenario k % S.
    scenarios : Scenarios
        Night minima at each block.
    capacity : Capacity
        Costs, removal fraction and the mill's corrector.

    Returns
    -------
    Value

    Raises
    ------
    ValueError
        Fewer draws than scenarios.

    Notes
    -----
    value = tonnes taken * pay per tonne * (1 - frost loss) * (1 - p * (1 - virgin_factor)) - picking - hauling -
    milling, with p = 1 - (1 - fly risk) * (1 - over-ripe risk): losses of grade are independent chances. Removal
    fraction and picking cost are means over the harvesters that may work the block. Maturity puts grade at risk
    only in cultivars that turn black. Fly holes are taken as last counted; their growth is not forecast.
    """
    rules = season.rules
    blocks = season.blocks
    scenarios_n = scenarios.workable_fraction.shape[0]
    draws_n = outcomes.oil_fresh_pct.shape[0]
    if draws_n < scenarios_n:
        raise ValueError(
            f"value: found {draws_n} draws for {scenarios_n} scenarios, expected at least one draw a scenario. "
            "Raise n_draws or lower n_scenarios."
        )
    notes: list[tuple[str, object, str, str, str]] = [
        ("worth", "mill gate", "", "our choice",
         "the plan maximises the worth of all fruit at the mill gate under each block's contract, grower and mill "
         "seen as one business; flat pay per tonne rewards tonnes, not oil")
    ]  # fmt: skip
    notes += [(name, rules[name], unit, "rule", says) for name, unit, says in _RULES_USED]

    contracts = season.contracts.set_index("contract_id").reindex(blocks["contract_id"])
    kind = contracts["kind"].to_numpy(dtype=object)
    by_oil = np.isin(kind.astype(str), OIL_KINDS)
    price_oil, price_fruit, base_pct, step, kept = (
        contracts[name].to_numpy(dtype=float)
        for name in ("price_oil_kg", "price_fruit_t", "base_oil_pct", "step_per_point", "virgin_factor")
    )
    price = np.where(by_oil, price_oil, price_fruit)
    for contract in dict.fromkeys(blocks["contract_id"][np.isnan(price)]):
        notes.append(
            ("price", 0.0, "currency", "records", f"contract {contract} has no price: its fruit is worth 0")
        )
    price = np.nan_to_num(price)
    scaled = kind.astype(str) == "fruit_oil_scale"
    step = np.where(scaled, np.nan_to_num(step), 0.0)
    base_pct = np.where(scaled, np.nan_to_num(base_pct), 0.0)
    kept = np.where(np.isnan(kept), 1.0, kept)

    fits = np.isfinite(capacity.block_h)
    fits_n = np.maximum(fits.sum(axis=0), 1)
    removal = np.where(fits, capacity.removal_fraction[:, None], 0.0).sum(axis=0) / fits_n
    picking = (
        np.where(fits, capacity.block_h, 0.0) * capacity.harvester_cost_h[:, None] * fits
    ).sum(axis=0) / fits_n  # fmt: skip
    notes.append(
        ("removal_fraction", float(np.round(removal.mean(), 4)), "fraction", "records, harvesters",
         "share of the fruit taken, mean of the harvesters that may work a block")
    )  # fmt: skip
    notes.append(
        ("corrector_fraction", capacity.mill_corrector_fraction, "fraction", "records, mill (0.10: note of 2009)",
         "industrial oil % = fat - (100 - fat - moisture) * E")
    )  # fmt: skip

    # a block about whose oil nothing is known has no numbers: it is worth nothing here and cannot be decided on
    tonnes = np.nan_to_num(outcomes.crop_t) * removal[:, None]
    fresh, water = np.nan_to_num(outcomes.oil_fresh_pct), np.nan_to_num(outcomes.moisture_pct)
    maturity = outcomes.maturity_index
    paid_kg = tonnes * 10.0 * industrial_oil_pct(fresh, water, capacity.mill_corrector_fraction)
    fruit_pay = np.maximum(1.0 + step[:, None] * (fresh - base_pct[:, None]), 0.0) * tonnes
    gross = price[:, None] * np.where(by_oil[:, None], paid_kg, fruit_pay)

    style = blocks["style"].to_numpy(dtype=object).astype(str)
    # unknown maturity (cultivars that do not turn black) earns no premium and risks nothing
    early = float(rules["early_premium_fraction"]) * _ramp(
        maturity, float(rules["early_none_maturity"]), float(rules["early_full_maturity"])
    )
    late = float(rules["late_premium_fraction"]) * _ramp(
        maturity, float(rules["late_none_maturity"]), float(rules["late_full_maturity"])
    )
    premium = np.where((style == "early")[:, None], early, np.where((style == "late")[:, None], late, 0.0))
    premium = np.where(by_oil[:, None], premium, 0.0) * gross

    black = (
        season.cultivars.set_index("cultivar")["turns_black"]
        .reindex(blocks["cultivar"])
        .fillna(True)
        .to_numpy(bool)
    )
    ripe_risk = (
        np.clip(
            float(rules["over_ripe_risk_per_unit"])
            * np.maximum(np.nan_to_num(maturity) - float(rules["over_ripe_maturity"]), 0.0),
            0,
            1,
        )
        * black[:, None]
    )
    fly_risk = float(rules["fly_risk_at_30pct"]) * _ramp(
        fly_holes_pct(season), float(rules["fly_risk_from_holes_pct"]), FLY_FULL_HOLES_PCT
    )
    leaves = 1.0 - (1.0 - fly_risk[:, None]) * (1.0 - ripe_risk)
    frost = frost_damage(
        scenarios.temp_min_c,
        threshold_c=frost_thresholds(season)[:, None],
        damage_per_c=float(rules["frost_damage_per_c"]),
        day0_fraction=float(rules["frost_loss_day0_fraction"]),
        day1_fraction=float(rules["frost_loss_day1_fraction"]),
        past_min_c=scenarios.past_temp_min_c,
    )
    frost_draws = frost[np.arange(draws_n) % scenarios_n]
    pay = gross + premium
    frost_lost = pay * frost_draws
    grade_lost = (pay - frost_lost) * leaves * (1.0 - kept)[:, None]
    hauling = tonnes * capacity.haul_cost_t[:, None]
    milling = tonnes * np.where(by_oil, capacity.mill_cost_t, 0.0)[:, None]
    left = (capacity.area_left_ha > 0)[:, None]
    worth = np.where(left, pay - frost_lost - grade_lost - hauling - milling - picking[:, None], 0.0)

    mean_maturity = maturity.mean(axis=0)
    mean = worth.mean(axis=0)
    open_mean = np.where(capacity.allowed, mean, -np.inf)
    best = np.where(capacity.allowed.any(axis=1), open_mean.argmax(axis=1), mean.argmax(axis=1))
    row = np.arange(len(blocks))
    components = pd.DataFrame(
        {
            "block_id": blocks["block_id"].to_numpy(),
            "best_on": scenarios.days.to_numpy()[best],
            "crop_t": tonnes.mean(axis=0)[row, best],
            "gross": gross.mean(axis=0)[row, best],
            "style": premium.mean(axis=0)[row, best],
            "frost": -frost_lost.mean(axis=0)[row, best],
            "grade": -grade_lost.mean(axis=0)[row, best],
            "picking": -picking,
            "hauling": -hauling.mean(axis=0)[row, best],
            "milling": -milling.mean(axis=0)[row, best],
            "value": mean[row, best],
        }
    )
    if len(season.oil_orders):
        notes.append(
            ("oil_orders", "by maturity", "", "our choice",
             "fruit counts for an order of early oil below early_none_maturity, of late oil above late_none_maturity, "
             "of balanced oil between early_full_maturity and late_full_maturity; without maturity by the block's "
             "style. Fruit must be picked by the due day. A litre counts once, for the dearest shortfall first")
        )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        pay_t = np.nan_to_num(pay.sum(axis=(0, 2)) / tonnes.sum(axis=(0, 2)))
    return Value(
        days=scenarios.days,
        block_ids=tuple(blocks["block_id"]),
        value=_scenario_mean(worth, scenarios_n),
        value_draws=worth,
        crop_t=_scenario_mean(np.where(left, tonnes, 0.0), scenarios_n),
        crop_draws_t=np.where(left, tonnes, 0.0),
        paid_oil_kg=_scenario_mean(np.where(left, paid_kg, 0.0), scenarios_n),
        oil_fresh_pct=outcomes.oil_fresh_pct.mean(axis=0),
        oil_dry_pct=outcomes.oil_dry_pct.mean(axis=0),
        moisture_pct=outcomes.moisture_pct.mean(axis=0),
        maturity_index=mean_maturity,
        frost_loss=_scenario_mean(np.where(left, frost_lost, 0.0), scenarios_n),
        frost_damage_fraction=frost,
        age_cost_t_h=float(rules["age_risk_per_h"]) * (1.0 - kept) * pay_t,
        oil_orders=_oil_orders(
            season, scenarios.days, mean_maturity, np.where(left, paid_kg, 0.0), scenarios_n,
            capacity.mill_corrector_fraction,
        ),
        components=components,
        assumptions=pd.DataFrame(notes, columns=list(ASSUMPTION_COLUMNS)),
    )
