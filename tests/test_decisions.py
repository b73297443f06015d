"""Past weeks' orders compared in what came: the same order is worth the same; no claim without tickets."""

from dataclasses import replace

import harvest_season as made
import numpy as np
import pandas as pd
import pytest
from finished_season import finished

from olivetime.harvest.decisions import COLUMNS, PICKED, PROPOSED, decisions
from olivetime.harvest.forecasts import as_known
from olivetime.harvest.order import propose
from olivetime.harvest.policies import dealt
from olivetime.harvest.referee import first_standing, physics, walk_plain
from olivetime.ripening.outcomes import fit_ripening
from olivetime.weather.scenarios import scenarios
from olivetime.weather.stations import station_days


@pytest.fixture(scope="module")
def past():
    simulated, season = finished(6)
    day = simulated.days[0].date()
    then = propose(as_known(season, day), seed=1, n_scenarios=3, n_draws=6, evaluations=60)
    today = simulated.days[9].date()
    now = replace(season, as_of=today)
    known = station_days(now)
    fit = fit_ripening(now, known)
    return simulated, then, now, fit, scenarios(now, known, n=3, seed=0)


def test_tickets_of_the_proposed_order_are_worth_what_it_is_worth(past):
    simulated, then, now, fit, later = past
    truth = physics(*simulated.truth(then.season))
    # the week as it would have been picked by following the proposal: walked by the plain referee in what came
    lists = then.plan.lists
    order = [lists.order[h, : lists.length[h]].tolist() for h in range(len(lists.length))]
    _, shares = walk_plain(truth, 0, order, lists.release.tolist(), days=7, standing=first_standing(truth))
    picked = np.zeros(truth.value.shape[1:])
    for (b, t), share in shares.items():
        picked[b, t] = share
    followed = replace(now, picks=simulated.tickets(picked, np.zeros(len(picked), int)))
    table = decisions(then, followed, fit, later).set_index("order")
    assert table.at[PICKED, "difference"] == 0
    assert np.isnan(table.at[PICKED, "better_chance"])
    # the tickets lose the last hour of a day here and there; a few parts in a thousand of the season are the search's
    assert abs(table.at[PROPOSED, "difference"]) <= 0.01 * table.at[PICKED, "value"]
    assert (table["difference_p10"] <= table["difference_p90"]).all()
    assert list(table.reset_index().columns) == [*COLUMNS[1:2], *[c for c in COLUMNS if c != "order"]]


def test_without_tickets_nothing_is_claimed(past):
    _, then, now, fit, later = past
    assert decisions(then, replace(now, picks=now.picks.iloc[:0]), fit, later).empty


def test_what_the_range_does_not_tell_apart_is_said_so(past):
    _, then, now, fit, later = past
    table = decisions(then, now, fit, later)
    assert len(table) >= 4
    for row in table.itertuples(index=False):
        if row.order == PICKED:
            assert row.says == "as the tickets show"
        elif row.difference_p10 <= 0 <= row.difference_p90:
            assert row.says in ("not told apart from what was picked", "the same as what was picked")
        else:
            assert row.says == f"worth {'more' if row.difference_p10 > 0 else 'less'} than what was picked"
    assert (table["as_of"] == pd.Timestamp(then.season.as_of)).all()


def test_a_picked_block_and_one_no_machine_may_work_are_dealt_without_a_warning(past):
    # a block without hours, as after it is picked, once stopped the whole page with a warning
    _, then, *_ = past
    ph = physics(then.capacity, then.value)
    hours = ph.block_h.copy()
    hours[:, 0], hours[:, 1] = 0.0, np.inf
    lists = dealt(ph._replace(block_h=hours, start_block=np.array([0])), np.zeros(6), np.ones(6, bool), per_hour=True)
    assert set(lists.order[0, : lists.length[0]]) == {2, 3, 4, 5}


def test_oil_that_an_order_lacks_at_the_end_is_paid_for(past):
    _, then, now, fit, later = past
    wanted = 2_000_000.0
    row = {
        "order_id": "O1", "due_on": pd.Timestamp(now.end), "oil_l": wanted, "ordered_on": pd.Timestamp(now.start),
        "price_oil_l": 1.0, "shortfall_cost_l": 1.0,
    }  # fmt: skip
    table = made.frame("oil_orders", [row])
    with_order = replace(then, season=replace(then.season, oil_orders=table))
    plain = decisions(then, now, fit, later).set_index("order")["value"]
    paid = decisions(with_order, now, fit, later).set_index("order")["value"]
    # by hand: all oil of the farm is far less than is wanted; what is short costs 1 a litre
    most = float(then.value.paid_oil_kg.max(axis=2).mean(axis=0).sum()) * 2 / 0.916
    cost = plain - paid
    assert (cost <= wanted).all()
    assert (cost >= wanted - most).all()
