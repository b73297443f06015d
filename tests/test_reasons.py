"""Reasons, waiting costs and what-ifs, on a small built season and on the southern sample season."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from harvest_season import make

from olivetime.harvest import reasons as reasons_module
from olivetime.harvest.capacity import capacity
from olivetime.harvest.order import plan
from olivetime.harvest.reasons import (
    CODES,
    explain,
    net_values,
    reasons,
    standard_what_ifs,
    waiting_costs,
    what_if,
)
from olivetime.harvest.value import value
from olivetime.words import day_text, days_text, money_text


@pytest.fixture(scope="module")
def built():
    season, scenarios, outcomes = make(blocks_n=12, days_n=40, seed=3)
    limits = capacity(season, scenarios)
    worth = value(season, outcomes, scenarios, limits)
    order = plan(season, limits, worth, seed=1, evaluations=400)
    return SimpleNamespace(
        season=season, scenarios=scenarios, outcomes=outcomes, capacity=limits, value=worth, plan=order, seed=1,
        targets=targets(limits.block_ids), kept=None,
    )  # fmt: skip


def targets(block_ids, on=None, verdict="reached"):
    """A target of every block, reached unless a day is given."""
    return pd.DataFrame({
        "block_id": list(block_ids), "target_kind": "oil_dry_pct", "on_p50": pd.Timestamp(on or "2026-10-01"),
        "verdict": verdict,
    })  # fmt: skip


def test_waiting_longer_never_costs_less(built):
    costs = waiting_costs(built)
    planned = costs.dropna(subset=["waiting_1d"])
    assert len(planned) >= 10
    assert (planned["waiting_1d"] >= 0).all()
    assert (planned["waiting_3d"] >= planned["waiting_1d"] - 1e-9).all()
    assert (planned["waiting_7d"] >= planned["waiting_3d"] - 1e-9).all()


def test_price_figure_never_exceeds_the_wait_solved_again(built):
    costs = waiting_costs(built, solved=12)
    both = costs.dropna()
    assert len(both) >= 10
    assert (both["waiting_7d"] <= both["waiting_exact"] + 1e-6).all()
    assert both["waiting_exact"].max() > 0


def test_waiting_costs_only_for_blocks_in_the_plan(built):
    costs = waiting_costs(built).set_index("block_id")["waiting_1d"]
    ranked = built.plan.rows.set_index("block_id")["rank"].notna()
    assert (costs.notna() == ranked.reindex(costs.index)).all()


def test_net_worth_is_worth_less_prices_by_hand(built):
    net = net_values(built)
    s, b = 1, 4
    t = int(np.flatnonzero(np.isfinite(net[s, b]))[3])
    limits, bounds = built.capacity, built.plan.bounds
    machine = min(
        bounds.price_h[s, h, t] * limits.block_h[h, b] / limits.workable_fraction[s, b, t]
        for h in range(len(limits.harvester_ids))
    )
    tonnes = built.value.crop_t[s, b, t]
    road = limits.truck_h_per_t[b] * bounds.price_truck_h[s, t]
    expected = built.value.value[s, b, t] - machine - tonnes * bounds.price_mill_t[s, t] - tonnes * road
    assert net[s, b, t] == pytest.approx(expected)


def test_no_day_offers_more_than_the_bound_allows(built):
    # complementary slackness: what is left of a block after prices sums to no more than the bound itself
    net = np.maximum(net_values(built), 0.0)
    assert net.max(axis=2).sum(axis=1).mean() <= built.plan.bound * (1 + 1e-6)


def test_every_block_has_a_reason_with_a_known_code(built):
    told = reasons(built)
    assert list(told["block_id"]) == list(built.plan.rows["block_id"])
    assert set(told["reason_code"]) <= set(CODES)
    assert (told["reason"].str.len() > 10).all()
    ranked = built.plan.rows["rank"].notna().to_numpy()
    assert (told.loc[~ranked, "runner_up"] == "").all()


def test_runner_up_stands_later_in_the_order(built):
    told = reasons(built).set_index("block_id")
    start = built.plan.rows.set_index("block_id")["start_at"]
    for block_id, row in told[told["runner_up"] != ""].iterrows():
        later = start[row["runner_up"]]
        assert pd.isna(later) or later > start[block_id]


@pytest.mark.parametrize(
    ("ahead", "moved_days", "promised"),
    [(0, 0.0, True), (7, 0.0, True), (8, 0.0, False), (3, -3.0, False), (0, 2.0, False)],
)
def test_only_a_promise_that_was_held_and_kept_is_the_reason(built, ahead, moved_days, promised):
    rows = built.plan.rows.copy()
    first = rows.index[rows["rank"] == 1][0]
    rows.loc[first, "promised_on"] = built.capacity.days[0] + pd.Timedelta(days=ahead)
    rows.loc[first, ["status", "moved_days"]] = "committed", moved_days
    made = SimpleNamespace(**{**vars(built), "plan": replace(built.plan, rows=rows)})
    told = reasons(made).loc[first]
    assert (told["reason_code"] == "COMMITTED") == promised
    assert ("another day would gain less" in told["reason"]) == promised


def test_a_block_whose_label_interval_ends_says_so():
    season, scenarios, outcomes = make(blocks_n=3, machines_n=1, days_n=30, seed=5, rain=False)
    first = pd.Timestamp(season.as_of) + pd.Timedelta(days=4)
    season.blocks.loc[:, "pick_after"] = first
    limits = capacity(season, scenarios)
    worth = value(season, outcomes, scenarios, limits)
    order = plan(season, limits, worth, seed=1, evaluations=100)
    known = targets(limits.block_ids)
    made = SimpleNamespace(season=season, capacity=limits, value=worth, plan=order, targets=known)
    told = reasons(made).set_index("block_id")
    earliest = order.rows[order.rows["rank"] == 1].iloc[0]
    assert earliest["start_at"].normalize() == first
    assert told.loc[earliest["block_id"], "reason_code"] == "NO-GO-DATE"
    assert "picking from" in told.loc[earliest["block_id"], "reason"]


@pytest.mark.parametrize(
    ("best", "code", "says"),
    [(2, "FALLING", "picked after its best day, {day}"), (8, "PEAK", "at its best about {day}"),
     (13, "PEAK", "at its best about {day}")],
)  # fmt: skip
def test_only_a_block_whose_best_day_is_over_is_called_past_it(built, best, code, says):
    days = built.capacity.days
    row = SimpleNamespace(status="proposed", block_id="none", best_on=days[best], best_on_loss=0.0)
    got, message, parts = reasons_module._deciding(
        row, built.season, built, t=9, falls=500.0, frosted=0.0, why_less="riper fruit pays less", margin=1.0,
        work=np.ones(len(days)), beside=False, before="", same_lot=False,
    )  # fmt: skip
    assert got == code
    assert says in message
    assert parts["day"] == {"day": days[best].date().isoformat()}


@pytest.mark.parametrize(
    ("frosted", "dropped", "oil_gained", "says"),
    [(0.0, 900.0, 1.2, "fruit drop takes more than the oil that it still gains"),
     (0.0, 900.0, -0.1, "fruit drops and its oil rises no more"),
     (0.0, 200.0, 1.2, "fruit drops and riper fruit pays less"),
     (0.0, 50.0, 1.2, "riper fruit pays less"),
     (200.0, 250.0, 1.2, "some of it by frost, the rest as fruit ripens and drops")],
)  # fmt: skip
def test_a_loss_is_put_down_to_what_takes_most_of_it(frosted, dropped, oil_gained, says):
    assert reasons_module._why_less(500.0, frosted, dropped, oil_gained) == says


def test_fruit_that_drops_while_its_oil_still_rises_is_called_so():
    """By hand: 3 % of the fruit a day, and oil that rises by less; the target lies two weeks on."""
    season, scenarios, outcomes = make(blocks_n=2, machines_n=1, days_n=30, seed=5, rain=False, frost=False)
    day = np.arange(30)
    outcomes.oil_dry_pct = np.broadcast_to(36.0 + 0.1 * day, outcomes.oil_dry_pct.shape)
    outcomes.moisture_pct = np.full(outcomes.oil_dry_pct.shape, 55.0)
    outcomes.oil_fresh_pct = outcomes.oil_dry_pct * 0.45
    outcomes.maturity_index = np.full(outcomes.oil_dry_pct.shape, 2.0)
    outcomes.crop_t = outcomes.crop_t[:, :, :1] * np.exp(-0.03 * day)
    limits = capacity(season, scenarios)
    worth = value(season, outcomes, scenarios, limits)
    order = plan(season, limits, worth, seed=1, evaluations=100)
    on = limits.days[14]
    made = SimpleNamespace(
        season=season, capacity=limits, value=worth, plan=order, targets=targets(limits.block_ids, on, "not yet")
    )
    told = reasons(made).set_index("block_id")["reason"]
    first = order.rows[order.rows["rank"] == 1].iloc[0]
    b, t = limits.block_ids.index(first["block_id"]), int((first["start_at"].normalize() - limits.days[0]).days)
    mean = worth.value.mean(axis=0)[b]
    readers = {"units": "metric", "currency": season.currency, "locale": season.locale}
    assert "fruit drop takes more than the oil that it still gains" in told[first["block_id"]]
    less = money_text(mean[t] - mean[14], readers)
    assert f"Its target, about {day_text(on, readers, 'MMMEd')}, is not waited for" in told[first["block_id"]]
    assert f"its fruit would be worth {less} less then." in told[first["block_id"]]


@pytest.mark.parametrize(
    ("verdict", "kind", "on", "worth", "says"),
    [("reached", "oil_dry_pct", 0, [9.0, 5.0, 1.0], ""),
     ("not yet", "best_value", 2, [9.0, 5.0, 1.0], ""),
     ("not yet", "oil_dry_pct", 2, [9.0, 5.0, 12.0], ""),
     ("not yet", "oil_dry_pct", 2, [9.0, 5.0, 1.0], "would be worth {money} less then"),
     ("never", "oil_dry_pct", None, [9.0, 5.0, 1.0], "hardly reaches its target")],
)  # fmt: skip
def test_a_target_that_is_not_waited_for_is_said_only_where_waiting_would_lose(verdict, kind, on, worth, says):
    days = pd.date_range("2026-11-02", periods=3)
    target = pd.Series({"target_kind": kind, "verdict": verdict, "on_p50": pd.NaT if on is None else days[on]})
    told = reasons_module._before_target(target, days=days, worth=np.array(worth), t=0)
    assert len(told) == (1 if says else 0)
    assert not told or says in told[0][0]


@pytest.mark.parametrize(
    ("loss", "says"),
    [(0.3, "This day is as good for it as its best, {day}"), (4260.0, "this day gives up {money} of its worth")],
)
def test_a_block_off_its_best_day_gives_up_an_amount_or_nothing_and_never_an_amount_of_nothing(built, loss, says):
    days = built.capacity.days
    row = SimpleNamespace(status="proposed", block_id="none", best_on=days[12], best_on_loss=loss)
    code, message, parts = reasons_module._deciding(
        row, built.season, built, t=1, falls=0.0, frosted=0.0, why_less="", margin=1.0,
        work=np.ones(len(days)), beside=False, before="", same_lot=False,
    )  # fmt: skip
    assert code == "CAPACITY"
    assert says in message
    assert ("money" in parts) == (loss > 1)


def test_explain_unknown_block(built):
    with pytest.raises(ValueError, match="no block 'B99' in this season; it has B00, B01"):
        explain(built, "B99")


# --- the southern sample season ------------------------------------------------------------------------------------


def test_explain_tells_date_range_and_waiting(southern_proposal):
    rows = southern_proposal.plan.rows
    first = rows[rows["rank"] == 1].iloc[0]["block_id"]
    text = " ".join(explain(southern_proposal, first))  # in the season's language
    assert "Número 1 del orden" in text
    assert "8 de cada 10" in text
    assert "Esperar le cuesta al plan al menos" in text
    english = replace(southern_proposal, season=replace(southern_proposal.season, locale="en_AU"))
    text = " ".join(explain(english, first))
    assert "Number 1 in the order" in text
    assert "8 in 10" in text
    assert "Waiting costs the plan at least" in text


def test_a_block_that_moved_says_from_which_day_and_why(southern_proposal):
    season, plan_ = replace(southern_proposal.season, locale="en_AU"), southern_proposal.plan
    first = plan_.rows.index[plan_.rows["rank"] == 1][0]
    name, day = plan_.rows.loc[first, "block_id"], southern_proposal.capacity.days[5]

    def told(why, paid):
        rows = plan_.rows.copy()
        rows.loc[first, "promised_on"] = day
        rows.loc[first, ["moved_days", "moved_why"]] = -5.0, why
        moved = pd.DataFrame({"block_id": [name] * paid, "gain": [750.0] * paid, "why": [why] * paid})
        return explain(replace(southern_proposal, season=season, plan=replace(plan_, rows=rows, moved=moved)), name)

    since = f"Moved from {day_text(day, {'locale': 'en_AU'}, 'MMMEd')}, because "
    why = "its day was too far ahead to be held"
    assert f"{since}{why}." in told(why, 0)
    why = "its own fruit earns more earlier"
    said = [sentence for sentence in told(why, 1) if sentence.startswith(f"{since}{why}: putting it back would cost")]
    assert len(said) == 1
    assert "750" in said[0]


def test_longer_shift_never_lowers_the_plan(southern_proposal):
    answer = what_if(southern_proposal, more_harvesters=1, evaluations=200)
    assert answer.value_change >= 0  # the present order is still workable, and the search starts from it
    assert answer.proposal.capacity.shift_h.shape[0] == southern_proposal.capacity.shift_h.shape[0] + 1


def test_lower_prices_lower_the_value_in_proportion_to_sales(southern_proposal):
    answer = what_if(southern_proposal, price_factor=0.9, evaluations=200)
    assert answer.value_change < 0
    assert "Prices at 90 %" in answer.name


def test_frost_known_now_costs_value(southern_proposal):
    day = southern_proposal.season.as_of + timedelta(days=5)
    answer = what_if(southern_proposal, frost={day: -6.0}, evaluations=200)
    assert answer.value_change < 0
    t = (pd.Timestamp(day) - southern_proposal.capacity.days[0]).days
    assert (answer.proposal.scenarios.temp_min_c[:, :, t] <= -6.0 + 1e-6).all()


def test_a_left_block_is_not_picked(southern_proposal):
    rows = southern_proposal.plan.rows
    last = rows[rows["rank"].notna()].sort_values("rank").iloc[-1]["block_id"]
    answer = what_if(southern_proposal, leave=[last], evaluations=200)
    new = answer.proposal.plan.rows.set_index("block_id")
    assert pd.isna(new.loc[last, "rank"])
    assert last in set(answer.moved["block_id"])


def test_a_block_held_back_is_not_picked_before(southern_proposal):
    rows = southern_proposal.plan.rows
    second = rows[rows["rank"] == 3].iloc[0]["block_id"]
    day = southern_proposal.season.as_of + timedelta(days=9)
    answer = what_if(southern_proposal, not_before={second: day}, evaluations=200)
    new = answer.proposal.plan.rows.set_index("block_id")
    assert pd.isna(new.loc[second, "rank"]) or new.loc[second, "start_at"].date() >= day


def test_what_if_refuses_nothing_and_nonsense(southern_proposal):
    with pytest.raises(ValueError, match="nothing is changed; name at least one change"):
        what_if(southern_proposal)
    with pytest.raises(ValueError, match="no block ghost in this season; it has"):
        what_if(southern_proposal, leave=["ghost"])
    with pytest.raises(ValueError, match="1999-01-01 is outside the plan, which runs from"):
        what_if(southern_proposal, frost={date(1999, 1, 1): -3.0})


def test_standard_questions_have_an_answer_each(southern_proposal):
    table = standard_what_ifs(southern_proposal)
    assert list(table.columns) == ["change", "value_change", "first_block", "moves"]
    assert len(table) >= 5
    assert np.isfinite(table["value_change"].astype(float)).all()
    down = table[table["change"].str.startswith("The mill at 80")]
    assert (down["value_change"] <= 1e-6).all()


def test_days_in_a_row_are_said_as_one_span(southern_proposal):
    days = [ts.date() for ts in southern_proposal.capacity.days[1:4]]
    known = {"units": "metric", "currency": "USD", "locale": southern_proposal.season.locale}
    row = what_if(southern_proposal, mill_down=days[:2], evaluations=50)
    assert row.name == f"The mill down on {days_text(days[0], days[1], known)}"
    apart = what_if(southern_proposal, mill_down=[days[0], days[2]], evaluations=50)
    assert apart.name.count(",") == 3  # two days, each with its weekday
