"""Orders for oil: shortfall priced by the referee, its twin and the bound, and shown."""

from types import SimpleNamespace

import harvest_season as made
import numpy as np
import pandas as pd
import pytest
from test_referee import random_plan

from olivetime.harvest.bound import bound, tightened
from olivetime.harvest.capacity import capacity
from olivetime.harvest.order import plan
from olivetime.harvest.referee import empty_record, filled, physics, walk, walk_plain, with_oil_orders
from olivetime.harvest.value import value
from olivetime.units import OIL_KG_PER_L

DAY = pd.Timedelta(days=1)
TODAY = pd.Timestamp(made.AS_OF)


def orders(*rows):
    base = {"ordered_on": TODAY - 30 * DAY, "style": "", "cultivar": "", "organic": False, "note": ""}
    return made.frame("oil_orders", [base | {"order_id": f"O{i}"} | row for i, row in enumerate(rows)])


def season_with(table, picks=None, **items):
    season, scenarios, outcomes = made.make(**items)
    season = made.changed(season, oil_orders=table)
    if picks is not None:
        season = made.changed(season, picks=made.frame("picks", picks))
    limits = capacity(season, scenarios)
    worth = value(season, outcomes, scenarios, limits)
    return SimpleNamespace(
        season=season, limits=limits, worth=worth, ph=with_oil_orders(physics(limits, worth), worth.oil_orders)
    )


SEVERAL = (
    {"cultivar": "Arbequina", "oil_l": 9_000.0, "due_on": TODAY + 8 * DAY, "shortfall_cost_l": 3.0},
    {"style": "late", "oil_l": 60_000.0, "due_on": TODAY + 30 * DAY, "shortfall_cost_l": 5.0},
    {"organic": True, "oil_l": 4_000.0, "due_on": TODAY + 12 * DAY},
)


@pytest.mark.parametrize("seed", range(6))
def test_twin_and_bound_hold_with_orders_for_oil(seed):
    rng = np.random.default_rng(seed)
    ph = season_with(orders(*SEVERAL), seed=seed, machines_n=1 + seed % 2).ph
    loose = bound(ph)
    close = tightened(ph, loose)
    assert (close.by_scenario <= loose.by_scenario + 1e-9 * abs(loose.by_scenario)).all()
    assert ((loose.price_oil_l >= 0) & (loose.price_oil_l <= ph.oil_cost_l)).all()
    for s in range(ph.value.shape[0]):
        for spread in (1, 10, 30):
            order, length, release = random_plan(ph, rng, spread)
            rec = empty_record(ph)
            worth = walk(ph, s, order, length, release, True, rec)
            plain, _ = walk_plain(
                ph, s, [row[:n].tolist() for row, n in zip(order, length, strict=True)], release.tolist()
            )
            assert worth == pytest.approx(plain, rel=1e-9)
            assert worth <= close.by_scenario[s] + 1e-9 * abs(close.by_scenario[s])
            # by hand: the walk without orders, less what each order is short of
            bare = walk(physics_only(ph), s, order, length, release, True, rec)
            got = filled(rec.picked, ph.oil_l[s], ph.oil_fits, ph.oil_wanted_l)
            short = np.maximum(ph.oil_wanted_l - got, 0.0)
            assert worth == pytest.approx(bare - short @ ph.oil_cost_l, rel=1e-6)


def physics_only(ph):
    return ph._replace(
        oil_l=ph.oil_l[:0], oil_fits=ph.oil_fits[:0], oil_wanted_l=ph.oil_wanted_l[:0], oil_cost_l=ph.oil_cost_l[:0]
    )


def test_a_litre_counts_once_for_the_dearest_shortfall():
    both = season_with(
        orders(
            {"oil_l": 1_000.0, "due_on": TODAY + 20 * DAY, "shortfall_cost_l": 1.0},
            {"oil_l": 700.0, "due_on": TODAY + 20 * DAY, "shortfall_cost_l": 9.0},
        )
    ).ph
    assert both.oil_cost_l.tolist() == [9.0, 1.0]
    picked = np.zeros(both.value.shape[1:])
    picked[0, 0] = 900.0 / both.oil_l[0, 0, 0]
    assert filled(picked, both.oil_l[0], both.oil_fits, both.oil_wanted_l) == pytest.approx([700.0, 200.0])
    picked[0, 21] = 0.5  # after the due day
    assert filled(picked, both.oil_l[0], both.oil_fits, both.oil_wanted_l) == pytest.approx([700.0, 200.0])


def test_dear_order_is_filled_and_its_shortfall_shown():
    wanted = {"cultivar": "Koroneiki", "oil_l": 7_000.0, "due_on": TODAY + 6 * DAY}
    wish = season_with(orders(wanted), rain=False)
    dear = season_with(orders(wanted | {"shortfall_cost_l": 40.0}), rain=False)
    free = plan(wish.season, wish.limits, wish.worth, evaluations=1500)
    bound_by_it = plan(dear.season, dear.limits, dear.worth, evaluations=1500)
    before, after = free.oil_orders.iloc[0], bound_by_it.oil_orders.iloc[0]
    assert before["shortfall_cost"] == 0
    assert before["shortfall_l"] > 100
    assert after["expected_l"] > before["expected_l"] + 100
    assert after["p10_l"] <= after["p90_l"] >= after["expected_l"]  # filled in most scenarios, the mean lies below both
    assert after["shortfall_l"] < 0.5 * before["shortfall_l"]
    assert bound_by_it.value <= bound_by_it.bound
    # the plan that pays for the order is worth less than the one free of it, by less than the order left unfilled
    assert free.value - 40.0 * before["shortfall_l"] < bound_by_it.value <= free.value + 1e-6 * free.value


def test_oil_of_picks_made_counts_and_orders_past_due_are_gone():
    picks = [
        {"ticket_id": "1", "block_id": "B00", "picked_on": TODAY - 2 * DAY, "area_ha": 0.1, "net_t": 2.0,
         "oil_out_kg": 366.4},
        {"ticket_id": "2", "block_id": "B01", "picked_on": TODAY - 2 * DAY, "area_ha": 0.1, "net_t": 2.0,
         "oil_out_kg": 916.0},
    ]  # fmt: skip
    made_with = season_with(
        orders(
            {"cultivar": "Arbequina", "oil_l": 1_000.0, "due_on": TODAY + 9 * DAY, "shortfall_cost_l": 2.0},
            {"oil_l": 1_000.0, "due_on": TODAY - DAY, "shortfall_cost_l": 2.0},
        ),
        picks,
    )
    table = made_with.worth.oil_orders.table
    assert table["order_id"].tolist() == ["O0"]
    assert table["delivered_l"].tolist() == pytest.approx([366.4 / OIL_KG_PER_L])
    assert made_with.worth.oil_orders.wanted_l == pytest.approx([1_000 - 366.4 / OIL_KG_PER_L])


def test_no_orders_give_an_empty_table():
    none = season_with(made.frame("oil_orders", []))
    order = plan(none.season, none.limits, none.worth, evaluations=0)
    assert order.oil_orders.empty
    assert "shortfall_l" in order.oil_orders
