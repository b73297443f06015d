"""Upper bound on the worth of any harvest plan, and the prices of hours, tonnes and truck hours that prove it.

The bound is a linear programme (LP) over shares of blocks picked per day, one for each scenario; see `bound`. It is
solved from its prices: a compiled descent finds good prices, the LP is then solved over the few block days that could
pay at these prices, and prices are checked against all block days. Whatever is stopped early, the bound stays valid:
by weak duality any prices give one.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import highspy
import numpy as np
from scipy import sparse

from olivetime.harvest.capacity import UNLIMITED
from olivetime.harvest.referee import Physics
from olivetime.harvest.tasks import compiled, inner

# Steps of the price descent: in the mean of the scenarios, from there in each of them, and from a like season's.
STEPS_MEAN, STEPS_EACH, STEPS_KNOWN = 600, 400, 120
# How far below the best bound so far the descent first aims, as a share of it: from nothing, and from known prices.
REACH, REACH_KNOWN = 0.15, 0.06
# A block day enters the LP when its net worth is within this share of the block's worth of the block's best day.
NEAR_FRACTION = 0.02
# The LP is solved again, with the block days found lacking, until bound and LP agree to this share.
AGREE_FRACTION = 1e-8
ROUNDS = 12
# So many prices of ordered oil are tried: from nothing, and from a like season's.
OIL_ROUNDS, OIL_ROUNDS_KNOWN = 6, 3


# Prices of hours (G, T), mill tonnes (T,) and truck hours (T,) in one scenario.
Prices = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Bound:
    """Upper bound on the worth of any plan, with the prices that prove it. S scenarios, H harvesters, T days.

    Attributes
    ----------
    value : float
        Mean over scenarios [currency].
    by_scenario : ndarray (S,)
        [currency]
    slack : ndarray (S,)
        By how much the bound of a scenario may exceed the LP's optimum; NaN until `tightened` [currency].
    price_h : ndarray (S, H, T)
        Worth of one more hour of the harvester [currency/h].
    price_mill_t : ndarray (S, T)
        Worth of one more tonne milled [currency/t].
    price_truck_h : ndarray (S, T)
        Worth of one more truck hour [currency/h].
    picked : ndarray (S, B, T)
        Shares of blocks picked in the relaxed plans (mean of the later steps of the descent until `tightened`).
    price_oil_l : ndarray (O,)
        Worth of one more litre to each order for oil, from 0 to the cost of its shortfall [currency/l].
    """

    value: float
    by_scenario: np.ndarray
    slack: np.ndarray
    price_h: np.ndarray
    price_mill_t: np.ndarray
    price_truck_h: np.ndarray
    picked: np.ndarray
    price_oil_l: np.ndarray


@dataclass(frozen=True)
class _Days:
    """What the LP reads of the physics: G groups of like harvesters."""

    members: list[np.ndarray]
    hours: np.ndarray  # (G, B), inf where the group may not go
    least: np.ndarray  # (G, B) least hours of moving
    supply: np.ndarray  # (G, T) hours of the group
    longest: np.ndarray  # (G, T) hours of its longest shift
    cost: np.ndarray  # (G,) currency per hour of moving
    mill: bool
    trucks: bool


def alike(ph: Physics) -> list[np.ndarray]:
    """Harvesters that are alike (same hours per block, same moves), as arrays of indices."""
    keys: dict[bytes, list[int]] = {}
    for h in range(ph.shift_h.shape[0]):
        same = np.concatenate([ph.block_h[h], [ph.move_fixed_h[h], ph.move_h_km[h], ph.move_cost_h[h]]])
        keys.setdefault(same.tobytes(), []).append(h)
    return [np.array(members) for members in keys.values()]


def _least_move_h(ph: Physics, members: np.ndarray) -> np.ndarray:
    """Hours of moving that picking each block needs at the least, for a group of like harvesters, (B,)."""
    h = members[0]
    km = ph.distance_km.copy()
    np.fill_diagonal(km, np.inf)
    nearest = km.min(axis=0)
    if (ph.start_block[members] < 0).any():
        nearest = np.minimum(nearest, 0.0)  # the first move, from an unknown place, costs its fixed time only
    nearest = np.where(np.isfinite(nearest), nearest, 0.0)
    least = ph.move_fixed_h[h] + nearest * ph.move_h_km[h]
    starts = ph.start_block[members]
    least[starts[starts >= 0]] = 0.0
    return least


def _days(ph: Physics) -> _Days:
    members = alike(ph)
    hours = np.stack([ph.block_h[m[0]] for m in members])
    return _Days(
        members=members,
        hours=np.where(hours > 0, hours, np.inf),
        least=np.stack([_least_move_h(ph, m) for m in members]),
        supply=np.stack([ph.shift_h[m].sum(axis=0) for m in members]),
        longest=np.stack([ph.shift_h[m].max(axis=0) for m in members]),
        cost=np.array([ph.move_cost_h[m[0]] for m in members]),
        mill=bool((ph.mill_t < UNLIMITED).any()),
        trucks=bool((ph.truck_h < UNLIMITED).any()),
    )


def _block_days(days: _Days, value: np.ndarray, work: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Worth and hours of each block with each group on each day, (B, G, T): -inf and 0 where it cannot be picked."""
    possible = (work > 0)[:, None] & (days.longest > 0) & np.isfinite(days.hours.T)[:, :, None]
    spent = np.divide(days.hours.T[:, :, None], work[:, None], out=np.zeros(possible.shape), where=possible)
    return np.where(possible, value[:, None], -np.inf), spent


@compiled
def _dual(
    worth, crop, spent, least, supply, longest, cost, mill_t, buffer_t, truck_h, truck_h_t, price_h, price_mill,
    price_truck, move, used_h, used_mill, used_truck, net, best, weight, picked,
):  # fmt: skip
    """Worth that the prices prove, what is left of each resource (its slopes), and each block's net worth.

    Fills `move` (G, T): price of an hour of moving a block needs, the least of hour price and cost up to the day;
    `used_*` become limit less use; `net` (B, G, T); `best` (B,) the net worth of the block; `weight` times the
    shares picked are added to `picked` (B, T).
    """
    blocks_n, groups_n, days_n = worth.shape
    total = 0.0
    payer = np.zeros((groups_n, days_n), np.int64)
    for g in range(groups_n):
        low, at = np.inf, 0
        for t in range(days_n):
            if price_h[g, t] + cost[g] < low:
                low, at = price_h[g, t] + cost[g], t
            move[g, t], payer[g, t] = low, at
            used_h[g, t] = supply[g, t]
            total += supply[g, t] * price_h[g, t]
    for t in range(days_n):
        used_mill[t], used_truck[t] = mill_t[t], truck_h[t]
        total += mill_t[t] * price_mill[t] + truck_h[t] * price_truck[t]
        following = price_mill[t + 1] if t + 1 < days_n else 0.0
        if price_mill[t] > following:
            total += buffer_t * (price_mill[t] - following)
            used_mill[t] += buffer_t
            if t + 1 < days_n:
                used_mill[t + 1] -= buffer_t
    for b in range(blocks_n):
        best[b] = 0.0
        for g in range(groups_n):
            moves_h, haul_h = least[g, b], truck_h_t[b]
            for t in range(days_n):  # without a branch or a division, so that several days are worked out at a time
                net[b, g, t] = (
                    worth[b, g, t]
                    - spent[b, g, t] * price_h[g, t]
                    - moves_h * move[g, t]
                    - crop[b, t] * (price_mill[t] + haul_h * price_truck[t])
                )
        # shares go to the best block days first, each up to what a shift can pick
        left = 1.0
        ceiling, last = np.inf, -1
        while left > 1e-12:
            top, where = 0.0, -1
            for g in range(groups_n):
                for t in range(days_n):
                    n = net[b, g, t]
                    if n > top and (n < ceiling or (n == ceiling and g * days_n + t > last)):
                        top, where = n, g * days_n + t
            if where < 0:
                break
            ceiling, last = top, where
            g, t = where // days_n, where % days_n
            need = spent[b, g, t]
            share = min(left, longest[g, t] / need)
            left -= share
            best[b] += share * top
            picked[b, t] += weight * share
            used_h[g, t] -= share * need
            used_h[g, payer[g, t]] -= share * least[g, b]
            used_mill[t] -= share * crop[b, t]
            used_truck[t] -= share * crop[b, t] * truck_h_t[b]
        total += best[b]
    return total


@inner
def _copy_prices(price_h, price_mill, price_truck, to_h, to_mill, to_truck):
    """Copy prices; written as loops because slices take long to compile."""
    for t in range(price_mill.shape[0]):
        to_mill[t], to_truck[t] = price_mill[t], price_truck[t]
        for g in range(price_h.shape[0]):
            to_h[g, t] = price_h[g, t]


@compiled
def _descend(
    worth, crop, spent, least, supply, longest, cost, mill_t, buffer_t, truck_h, truck_h_t, mill, trucks, price_h,
    price_mill, price_truck, steps, reach, picked,
):  # fmt: skip
    """Lower the bound by moving prices against what is left of each resource; prices are changed in place.

    Each resource is scaled by its greatest daily limit. The step is Polyak's, towards a level below the best bound
    that is moved nearer whenever the bound stops falling.
    """
    blocks_n, groups_n, days_n = worth.shape
    move, used_h = np.zeros((groups_n, days_n)), np.zeros((groups_n, days_n))
    used_mill, used_truck = np.zeros(days_n), np.zeros(days_n)
    net, share = np.zeros((blocks_n, groups_n, days_n)), np.zeros(blocks_n)
    size_h, size_mill, size_truck = 1e-9, 1e-9, 1e-9
    for t in range(days_n):
        size_mill, size_truck = max(size_mill, mill_t[t]), max(size_truck, truck_h[t])
        for g in range(groups_n):
            size_h = max(size_h, supply[g, t])
    best_h, best_mill, best_truck = np.zeros((groups_n, days_n)), np.zeros(days_n), np.zeros(days_n)
    way_h, way_mill, way_truck = np.zeros((groups_n, days_n)), np.zeros(days_n), np.zeros(days_n)
    best = np.inf
    stale = 0
    later_n = steps - steps // 2
    for step_n in range(steps):
        total = _dual(
            worth, crop, spent, least, supply, longest, cost, mill_t, buffer_t, truck_h, truck_h_t, price_h,
            price_mill, price_truck, move, used_h, used_mill, used_truck, net, share,
            1.0 / later_n if step_n >= steps // 2 else 0.0, picked,
        )  # fmt: skip
        if total < best:
            if total > best * (1.0 - 0.02 * reach):
                stale += 1
            else:
                stale = 0
            best = total
            _copy_prices(price_h, price_mill, price_truck, best_h, best_mill, best_truck)
        else:
            stale += 1
        if stale >= 12:
            reach *= 0.7
            stale = 0
        size = 0.0
        for t in range(days_n):
            for g in range(groups_n):
                way_h[g, t] = used_h[g, t] / size_h
                size += way_h[g, t] ** 2 if price_h[g, t] > 0.0 or way_h[g, t] < 0.0 else 0.0
            way_mill[t] = used_mill[t] / size_mill if mill else 0.0
            size += way_mill[t] ** 2 if price_mill[t] > 0.0 or way_mill[t] < 0.0 else 0.0
            way_truck[t] = used_truck[t] / size_truck if trucks else 0.0
            size += way_truck[t] ** 2 if price_truck[t] > 0.0 or way_truck[t] < 0.0 else 0.0
        if size <= 1e-18:
            break
        step = (total - best * (1.0 - reach)) / size
        for t in range(days_n):
            for g in range(groups_n):
                price_h[g, t] = max(price_h[g, t] - step * way_h[g, t] / size_h, 0.0)
            price_mill[t] = max(price_mill[t] - step * way_mill[t] / size_mill, 0.0)
            price_truck[t] = max(price_truck[t] - step * way_truck[t] / size_truck, 0.0)
    _copy_prices(best_h, best_mill, best_truck, price_h, price_mill, price_truck)
    return best


class _QuietHighs(highspy.Highs):
    """HiGHS without callbacks: switching them on prints a banner before output can be switched off."""

    def enableCallbacks(self) -> None:  # noqa: N802 (the base class's name)
        """Leave callbacks off."""


@dataclass(frozen=True)
class _Programme:
    """The LP of one scenario over chosen block days, in the solver."""

    solver: highspy.Highs
    block: np.ndarray  # (X,) block of each share
    place: np.ndarray  # (X,) group * T + day
    top: np.ndarray  # (X,) most that may be picked
    shape: tuple[int, int, int]  # G, B, T

    def solve(self) -> tuple[float, np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Worth (-inf when the solver failed), shares (B, T), prices of hours (G, T), mill (T,), trucks (T,)."""
        groups_n, blocks_n, days_n = self.shape
        self.solver.run()
        solution = self.solver.getSolution()
        picked = np.zeros((blocks_n, days_n))
        if not solution.value_valid or not solution.dual_valid:
            return -np.inf, picked, (np.zeros((groups_n, days_n)), np.zeros(days_n), np.zeros(days_n))
        shares = np.clip(np.asarray(solution.col_value)[: len(self.block)], 0.0, 1.0)
        np.add.at(picked, (self.block, self.place % days_n), shares)
        dual = np.maximum(-np.asarray(solution.row_dual), 0.0)
        hours, mill = groups_n * days_n, 2 * groups_n * days_n + blocks_n
        prices = dual[:hours].reshape(groups_n, days_n), dual[mill : mill + days_n], dual[mill + days_n :]
        return -self.solver.getInfo().objective_function_value, picked, prices


def _programme(ph: Physics, days: _Days, s: int, chosen: np.ndarray) -> _Programme:
    """The LP of one scenario over the chosen block days (B, G, T); see `bound`."""
    groups_n, days_n = days.supply.shape
    blocks_n = ph.value.shape[1]
    moves_row, block_row = groups_n * days_n, 2 * groups_n * days_n
    mill_row = block_row + blocks_n
    truck_row = mill_row + days_n
    rows_n = truck_row + days_n
    b, g, t = np.nonzero(chosen)
    c = g * days_n + t
    x_n = len(b)
    hours = days.hours[g, b] / ph.work[s, b, t]
    crop = ph.crop[s, b, t]
    col = np.arange(x_n)
    at_r = [c, moves_row + c, block_row + b]
    at_c = [col, col, col]
    at_v = [hours, days.least[g, b], np.ones(x_n)]
    cost = [ph.value[s, b, t]]
    upper = [np.minimum(1.0, days.longest[g, t] / hours)]

    def put(row: np.ndarray, column: np.ndarray, what: np.ndarray) -> None:
        at_r.append(row)
        at_c.append(column)
        at_v.append(what)

    if days.mill:
        put(mill_row + t, col, crop)
    if days.trucks:
        put(truck_row + t, col, crop * ph.truck_h_t[b])
    every = np.arange(days_n)
    ones = np.ones(days_n)
    column = x_n
    for k in range(groups_n):
        # u: hours of moving on a day; z: moves made and not yet needed
        u, z = column + every, column + days_n + every
        column += 2 * days_n
        row = moves_row + k * days_n + every
        put(k * days_n + every, u, ones)
        put(row, u, -ones)
        put(row, z, ones)
        put(row[1:], z[:-1], -ones[1:])
        cost += [np.full(days_n, -days.cost[k]), np.zeros(days_n)]
        # no limits of their own: hours and moves bound both, and a price on such a limit would be lost
        upper += [np.full(days_n, highspy.kHighsInf)] * 2
    if days.mill:
        # q: fruit waiting at the end of the day
        q = column + every
        column += days_n
        put(mill_row + every, q, -ones)
        put(mill_row + every[1:], q[:-1], ones[1:])
        cost.append(np.zeros(days_n))
        upper.append(np.full(days_n, ph.buffer_t))
    limit = np.concatenate(
        [days.supply.ravel(), np.zeros(groups_n * days_n), np.ones(blocks_n), ph.mill_t, ph.truck_h]
    )
    matrix = sparse.csc_matrix(
        (np.concatenate(at_v), (np.concatenate(at_r), np.concatenate(at_c))), shape=(rows_n, column)
    )
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = column, rows_n
    lp.col_cost_ = -np.concatenate(cost)
    lp.col_lower_, lp.col_upper_ = np.zeros(column), np.concatenate(upper)
    lp.row_lower_, lp.row_upper_ = np.full(rows_n, -highspy.kHighsInf), limit
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_, lp.a_matrix_.index_ = matrix.indptr, matrix.indices
    lp.a_matrix_.value_ = matrix.data
    solver = _QuietHighs()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("solver", "simplex")
    solver.setOptionValue("threads", 1)
    solver.passModel(lp)
    return _Programme(solver, b, c, upper[0], (groups_n, blocks_n, days_n))


class _Pricer:
    """Works out what prices prove in one scenario; keeps the working arrays."""

    def __init__(self, ph: Physics, days: _Days, s: int, work: np.ndarray | None = None) -> None:
        groups_n, days_n = days.supply.shape
        blocks_n = ph.value.shape[1]
        worth, spent = _block_days(days, ph.value[s], ph.work[s] if work is None else work)
        self.data = (
            worth, ph.crop[s], spent, days.least, days.supply, days.longest, days.cost, ph.mill_t, ph.buffer_t,
            ph.truck_h, ph.truck_h_t,
        )  # fmt: skip
        self.room = (
            np.zeros((groups_n, days_n)), np.zeros((groups_n, days_n)), np.zeros(days_n), np.zeros(days_n),
        )  # fmt: skip
        self.net = np.zeros((blocks_n, groups_n, days_n))
        self.best = np.zeros(blocks_n)
        self.picked = np.zeros((blocks_n, days_n))

    def __call__(self, prices: Prices) -> float:
        """Worth that the prices prove; `net` and `best` hold what they leave to block days and blocks."""
        return float(_dual(*self.data, *prices, *self.room, self.net, self.best, 0.0, self.picked))


def _settled(
    ph: Physics, days: _Days, s: int, prices: Prices, always: np.ndarray | None = None, work: np.ndarray | None = None
) -> tuple[float, float, np.ndarray, Prices, _Programme]:
    """Bound, slack, shares and prices of the LP of one scenario, from prices near the best; and the LP itself.

    `always` (B,): blocks of which every day is in the LP; `work` (B, T) in place of the scenario's.
    """
    ph = ph if work is None else ph._replace(work=np.where(np.arange(len(ph.work))[:, None, None] == s, work, ph.work))
    pricer = _Pricer(ph, days, s)
    most = pricer(prices)
    possible = np.isfinite(pricer.net)
    near = pricer.net.max(axis=(1, 2), initial=0.0, where=possible) - NEAR_FRACTION * ph.value[s].max(axis=1)
    chosen = possible & (pricer.net >= near[:, None, None])
    if always is not None:
        chosen |= possible & always[:, None, None]
    for _ in range(ROUNDS):
        programme = _programme(ph, days, s, chosen)
        worth, picked, found = programme.solve()
        if worth == -np.inf:
            return most, np.inf, picked, prices, programme
        least = pricer(found)
        if least < most:
            most, prices = least, found
        if most - worth <= AGREE_FRACTION * abs(most):
            break
        # days that pay more than the least that the block is paid on the days it is given
        lacking = possible & ~chosen & (pricer.net > 0.0)
        if not lacking.any():
            break
        chosen |= lacking
    return most, max(most - worth, 0.0), picked, prices, programme


def whole_lp(ph: Physics, s: int, solver: str) -> float:
    """Optimum of the LP of one scenario over all block days by one solve ("ipm" or "simplex"): what benchmarks time."""
    days = _days(ph)
    open_day = (ph.work[s][:, None, :] > 0) & (days.longest[None] > 0) & np.isfinite(days.hours.T[:, :, None])
    programme = _programme(ph, days, s, open_day)
    programme.solver.setOptionValue("solver", solver)
    programme.solver.setOptionValue("run_crossover", "off")
    return programme.solve()[0]


def _by_harvester(days: _Days, price: np.ndarray, machines_n: int) -> np.ndarray:
    out = np.empty((machines_n, price.shape[1]))
    for g, members in enumerate(days.members):
        out[members] = price[g]
    return out


def _of_scenario(days: _Days, bounds: Bound, s: int) -> Prices:
    hours = np.stack([bounds.price_h[s, members[0]] for members in days.members])
    return hours, bounds.price_mill_t[s].copy(), bounds.price_truck_h[s].copy()


def _idle(ph: Physics) -> bool:
    return ph.shift_h.shape[0] == 0 or not (ph.work > 0).any()


def priced_oil(ph: Physics, price_oil_l: np.ndarray) -> Physics:
    """Physics without orders for oil, whose blocks are worth more by their oil at the best price that it can have."""
    orders_n = len(ph.oil_wanted_l)
    value = ph.value
    if orders_n and (price_oil_l > 0).any():
        value = value + ph.oil_l * (ph.oil_fits * price_oil_l[:, None, None]).max(axis=0)
    return ph._replace(
        value=value, oil_l=ph.oil_l[:0], oil_fits=ph.oil_fits[:0], oil_wanted_l=ph.oil_wanted_l[:0],
        oil_cost_l=ph.oil_cost_l[:0],
    )  # fmt: skip


def bound(ph: Physics, known: Bound | None = None) -> Bound:
    """Upper bound on what the referee can give any plan, and the prices of hours, tonnes, truck hours and oil.

    Parameters
    ----------
    ph : Physics
    known : Bound, optional
        Bound of a like season (same days and scenarios; harvesters may differ), whose prices are good to begin with.

    Returns
    -------
    Bound
        See `_bound` for hours, tonnes and truck hours.

    Notes
    -----
    An order for oil that wants W litres and costs c a litre short has a price p from 0 to c: a plan pays
    c * max(0, W - litres) >= p * (W - litres), so that the plan is worth at most what it would be with its litres paid
    p, less p * W. Every price proves a bound. The first is nothing, which most orders need to be filled; then they
    rise until the order is filled and are halved towards the one at which it just is; the least bound is kept. A litre
    counts once, so a block day is paid the best of the prices that fit it.
    """
    cost, wanted = np.where(ph.oil_wanted_l > 0, ph.oil_cost_l, 0.0), ph.oil_wanted_l
    low, high, rounds = np.zeros(len(cost)), cost, OIL_ROUNDS
    priced, enough = low, np.zeros(len(cost), dtype=bool)
    if known is not None and len(known.price_oil_l) == len(cost) and known.price_oil_l.any():
        priced, rounds = np.minimum(known.price_oil_l, cost), OIL_ROUNDS_KNOWN
    best = None
    for _ in range(rounds if (cost > 0).any() else 1):
        found = _bound(priced_oil(ph, priced), known)
        constant = float(priced @ wanted)
        found = replace(
            found, value=found.value - constant, by_scenario=found.by_scenario - constant, price_oil_l=priced.copy()
        )
        if best is None or found.value < best.value:
            best = found
        if not len(cost):
            break
        known = found
        got = np.mean([filled_at(ph, s, found.picked[s], priced) for s in range(len(ph.value))], axis=0)
        short = got < wanted
        enough |= ~short | (priced >= cost)
        low, high = np.where(short, priced, low), np.where(short, high, priced)
        now = np.where(enough, (low + high) / 2, np.minimum(np.maximum(4 * priced, cost / 16), cost))
        if np.allclose(now, priced, rtol=0.01):
            break
        priced = now
    assert best is not None
    return best


def filled_at(ph: Physics, s: int, picked: np.ndarray, price_oil_l: np.ndarray) -> np.ndarray:
    """Litres to each order when every litre goes where its price is best, without end, (O,)."""
    pays = ph.oil_fits * (price_oil_l + 1e-12)[:, None, None]
    litres = picked * ph.oil_l[s]
    to = pays.argmax(axis=0)
    return np.array([litres[(to == o) & ph.oil_fits[o]].sum() for o in range(len(pays))])


def _bound(ph: Physics, known: Bound | None) -> Bound:
    """Upper bound on what the referee can give any plan, and the prices of hours, tonnes and truck hours.

    Parameters
    ----------
    ph : Physics
    known : Bound, optional
        Bound of a like season (same days and scenarios; harvesters may differ), whose prices are good to begin with.

    Returns
    -------
    Bound
        Prices by descent, within a few hundredths of a per cent of the LP's optimum; `tightened` closes the rest.

    Notes
    -----
    For each scenario a linear programme decides shares x of blocks picked per day and group of like harvesters:
    maximise the worth less move hours at cost, subject to harvester hours, moves, one crop a block, mill tonnes with a
    waiting queue, truck hours. It bounds every walk of the referee, because the shares of any walk satisfy it:

    - hours: picking share x takes x * block hours / workable share; u is the hours really spent moving that day, and
      both fit in the shift; no block is worked by two harvesters at once, so x <= longest shift / its hours;
    - moves: by the end of any day a harvester has made at least the least possible move into every block it began,
      hence u summed up to a day covers the least moves of the shares picked up to it (z is what is left over);
    - mill: the queue of the walk satisfies queue + received - queue before <= tonnes of the day (cleaning only lowers
      them) and queue <= what may wait;
    - trucks: the daily total is the walk's own;
    - worth: the walk also pays for aged fruit, which is left out here.

    By weak duality any prices of hours, tonnes and truck hours give a bound: the limits at these prices, plus for each
    block the most that it can earn net of them. An hour of moving that a block needs is charged the cheapest hour up
    to its day (price plus cost of moving), which is the dearest price that hours made beforehand allow. The mean over
    scenarios bounds the mean of any plan, also of one that knew the weather: part of the gap is what nobody can know.
    """
    scenarios_n, blocks_n, days_n = ph.value.shape
    machines_n = ph.shift_h.shape[0]
    price_h = np.zeros((scenarios_n, machines_n, days_n))
    price_mill, price_truck = np.zeros((scenarios_n, days_n)), np.zeros((scenarios_n, days_n))
    picked = np.zeros((scenarios_n, blocks_n, days_n))
    worth = np.zeros(scenarios_n)
    if not _idle(ph):
        days = _days(ph)
        groups_n = len(days.members)
        limits = (days.least, days.supply, days.longest, days.cost, ph.mill_t, ph.buffer_t, ph.truck_h, ph.truck_h_t,
                  days.mill, days.trucks)  # fmt: skip
        middle = np.zeros((groups_n, days_n)), np.zeros(days_n), np.zeros(days_n)
        # a single scenario is its own mean
        steps = STEPS_EACH if scenarios_n > 1 else STEPS_MEAN
        if known is not None and known.price_mill_t.shape == price_mill.shape and known.price_h.shape[1]:
            steps = STEPS_KNOWN
        else:
            known = None
            if scenarios_n > 1:
                worth_mean, spent = _block_days(days, ph.value.mean(axis=0), ph.work.mean(axis=0))
                mean = worth_mean, ph.crop.mean(axis=0), spent
                _descend(*mean, *limits, *middle, STEPS_MEAN, REACH, np.zeros((blocks_n, days_n)))
        for s in range(scenarios_n):
            if known is None:
                prices = tuple(part.copy() for part in middle)
            else:
                # a harvester that the like season lacks begins with the prices of its last one
                last = known.price_h.shape[1] - 1
                of = np.array([known.price_h[s, min(int(members[0]), last)] for members in days.members])
                prices = of, known.price_mill_t[s].copy(), known.price_truck_h[s].copy()
            worth_day, spent = _block_days(days, ph.value[s], ph.work[s])
            worth[s] = _descend(
                worth_day, ph.crop[s], spent, *limits, *prices, steps,
                REACH_KNOWN if scenarios_n > 1 or known is not None else REACH, picked[s],
            )
            price_h[s] = _by_harvester(days, prices[0], machines_n)
            price_mill[s], price_truck[s] = prices[1:]
    return Bound(
        float(worth.mean()), worth, np.full(scenarios_n, np.nan), price_h, price_mill, price_truck, picked, np.zeros(0)
    )


def tightened(ph: Physics, bounds: Bound) -> Bound:
    """The bound of the LP itself, to the solver's accuracy, from that of `bound`.

    The LP is solved by HiGHS over the block days that could pay at the known prices; block days that the new prices
    leave worth are added until bound and LP agree. The bound is worked out from the prices over all block days, so
    that it holds whatever the solver's tolerances.
    """
    if _idle(ph):
        return replace(bounds, slack=np.zeros(len(bounds.by_scenario)))
    constant = float(bounds.price_oil_l @ ph.oil_wanted_l)
    ph = priced_oil(ph, bounds.price_oil_l)
    days = _days(ph)

    def settled(s: int) -> tuple[float, float, np.ndarray, Prices, _Programme]:
        return _settled(ph, days, s, _of_scenario(days, bounds, s))

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # the solver lets other threads run
        solved = list(pool.map(settled, range(len(bounds.by_scenario))))
    worth, slack, picked, prices, _ = zip(*solved, strict=True)
    hours, mill, truck = zip(*prices, strict=True)
    return Bound(
        value=float(np.mean(worth)) - constant,
        by_scenario=np.array(worth) - constant,
        slack=np.array(slack),
        price_h=np.stack([_by_harvester(days, part, ph.shift_h.shape[0]) for part in hours]),
        price_mill_t=np.stack(mill),
        price_truck_h=np.stack(truck),
        picked=np.stack(picked),
        price_oil_l=bounds.price_oil_l,
    )


def _from_day(ph: Physics, s: int, b: int, day: int) -> np.ndarray:
    """Workable shares (B, T) when block `b` may be picked from `day` on only."""
    work = ph.work[s].copy()
    work[b, :day] = 0.0
    return work


def loss_by_waiting(ph: Physics, bounds: Bound, days_from: np.ndarray, days_to: np.ndarray) -> np.ndarray:
    """What the bound loses, at least, when each block may be picked from a later day on only.

    Parameters
    ----------
    ph : Physics
    bounds : Bound
        From `tightened`.
    days_from, days_to : ndarray (B,) of int
        Day on which the block is planned, and the first day left to it.

    Returns
    -------
    ndarray (B,)
        Mean over scenarios [currency].

    Notes
    -----
    With the block held back, the same prices still prove a bound: it is lower by what the block earned at most, less
    what it earns at most from the later day on, net of the prices. What it earns from its planned day on is no more
    than that. The loss of the LP's optimum is therefore no smaller; `slack` allows for the solver's accuracy.
    """
    scenarios_n, blocks_n, days_n = ph.value.shape
    if _idle(ph):
        return np.zeros(blocks_n)
    ph = priced_oil(ph, bounds.price_oil_l)
    days = _days(ph)
    every = np.arange(days_n)[None, :]
    loss = np.zeros(blocks_n)
    for s in range(scenarios_n):
        prices = _of_scenario(days, bounds, s)
        earned = []
        for first in (days_from, days_to):
            pricer = _Pricer(ph, days, s, np.where(every >= first[:, None], ph.work[s], 0.0))
            pricer(prices)
            earned.append(pricer.best)
        loss += np.maximum(earned[0] - earned[1] - bounds.slack[s], 0.0)
    return loss / scenarios_n


def loss_by_waiting_solved(ph: Physics, bounds: Bound, blocks: np.ndarray, days_to: np.ndarray) -> np.ndarray:
    """What the bound loses when single blocks may be picked from a later day on only, each solved again.

    Parameters
    ----------
    ph : Physics
    bounds : Bound
        From `tightened`.
    blocks : ndarray (N,) of int
    days_to : ndarray (N,) of int
        First day left to the block.

    Returns
    -------
    ndarray (N,)
        Mean over scenarios [currency].
    """
    if _idle(ph) or not len(blocks):
        return np.zeros(len(blocks))
    relaxed = bounds.by_scenario + float(bounds.price_oil_l @ ph.oil_wanted_l)
    ph = priced_oil(ph, bounds.price_oil_l)
    days = _days(ph)
    days_n = ph.value.shape[2]
    always = np.isin(np.arange(ph.value.shape[1]), blocks)
    scenarios_n = len(bounds.by_scenario)

    def lost(s: int) -> np.ndarray:
        prices = _of_scenario(days, bounds, s)
        programme = _settled(ph, days, s, prices, always)[-1]
        basis = programme.solver.getBasis()
        loss = np.zeros(len(blocks))
        for i, (b, day) in enumerate(zip(blocks, days_to, strict=True)):
            shut = np.flatnonzero((programme.block == b) & (programme.place % days_n < day)).astype(np.int32)
            nothing = np.zeros(len(shut))
            programme.solver.changeColsBounds(len(shut), shut, nothing, nothing)
            worth, _, found = programme.solve()
            work = _from_day(ph, s, int(b), int(day))
            if worth == -np.inf or _Pricer(ph, days, s, work)(found) - worth > 1e-6 * abs(relaxed[s]):
                worth = _settled(ph, days, s, prices, None, work)[0]  # a block day was lacking
            loss[i] = max(relaxed[s] - worth, 0.0)
            programme.solver.changeColsBounds(len(shut), shut, nothing, programme.top[shut])
            programme.solver.setBasis(basis)
        return loss

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return np.sum(list(pool.map(lost, range(scenarios_n))), axis=0) / scenarios_n
