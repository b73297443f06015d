import harvest_season as made
import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.capacity import UNLIMITED, capacity, field_capacity_ha_h

DAY = pd.Timedelta(days=1)
TODAY = pd.Timestamp(made.AS_OF)


def built(change=None, **items):
    season, scenarios, _ = made.make(rain=False, **items)
    if change:
        season = made.changed(season, **change(season))
    return season, capacity(season, scenarios)


def with_row(table, block_id, **values):
    table = table.copy()
    for name, value in values.items():
        table.loc[table["block_id"] == block_id, name] = value
    return table


# By hand from the form speed * row width * efficiency / 10: 1.5 km/h, 4 m, 0.75 -> 0.45 ha/h.
def test_field_capacity_by_hand():
    assert field_capacity_ha_h(1.5, 4.0, 0.75) == pytest.approx(0.45)


def test_block_hours_are_area_over_rate():
    season, limits = built()
    rate = 1.5 * 3.66 * 0.8 / 10
    np.testing.assert_allclose(limits.rate_ha_h, rate)
    np.testing.assert_allclose(limits.block_h[0], season.blocks["area_ha"] / rate)


def test_shift_is_capped_by_the_rule_and_says_so():
    _, limits = built(lambda s: {"harvesters": s.harvesters.assign(hours_per_day=24.0)})
    assert limits.shift_h.max() == 22.0
    assert "shift_max_h" in set(limits.assumptions["name"])


def test_harvester_is_there_between_its_dates_only():
    dates = {"ready_from": TODAY + 2 * DAY, "ready_to": TODAY + 5 * DAY}
    _, limits = built(lambda s: {"harvesters": s.harvesters.assign(**dates)})
    assert np.flatnonzero(limits.shift_h[0] > 0).tolist() == [2, 3, 4, 5]


def test_steep_block_is_closed_to_a_harvester_that_cannot_climb():
    def change(season):
        machines = season.harvesters.copy()
        machines["max_slope_pct"] = [10.0, 30.0]
        return {"blocks": with_row(season.blocks, "B03", slope_pct=20.0), "harvesters": machines}

    _, limits = built(change)
    assert np.isinf(limits.block_h[0, 3])
    assert np.isfinite(limits.block_h[1, 3])


def test_label_interval_closes_the_days_before_and_opens_the_last():
    def change(_):
        sprayed = made.frame(
            "treatments",
            [
                {"treatment_id": "t1", "block_id": "B02", "applied_on": TODAY - 3 * DAY, "product": "bait",
                 "wait_days": 7, "organic_ok": True}
            ],
        )  # fmt: skip
        return {"treatments": sprayed}

    _, limits = built(change)
    # applied three days ago, seven days to wait: days 0 to 3 are closed, day 4 is the first allowed
    assert limits.allowed[2].tolist()[:6] == [False, False, False, False, True, True]
    assert "label asks for 7 days" in limits.why_not("B02", TODAY)
    assert limits.why_not("B02", TODAY + 4 * DAY) == ""


def test_contract_and_closed_days_have_reasons():
    def change(season):
        blocks = with_row(season.blocks, "B01", pick_after=TODAY + 3 * DAY, pick_before=TODAY + 6 * DAY)
        return {"blocks": with_row(blocks, "B04", closed_from=TODAY + DAY, closed_to=TODAY + 2 * DAY)}

    _, limits = built(change)
    assert np.flatnonzero(limits.allowed[1]).tolist() == [3, 4, 5, 6]
    assert np.flatnonzero(~limits.allowed[4]).tolist() == [1, 2]
    assert "closed" in limits.why_not("B04", TODAY + DAY)
    assert "until" in limits.why_not("B01", TODAY + 9 * DAY)


def test_block_that_cannot_be_decided_is_closed_with_the_reason():
    _, limits = built(lambda _: {"blocked": {"B05": "no crop estimate"}})
    assert not limits.allowed[5].any()
    assert limits.why_not("B05", TODAY) == "no crop estimate"


def test_partly_picked_block_has_the_rest_left_and_a_picked_one_none():
    def change(season):
        area = season.blocks["area_ha"]
        picks = [
            {
                "ticket_id": "1",
                "block_id": "B00",
                "picked_on": TODAY - DAY,
                "area_ha": area[0] * 0.4,
                "net_t": 1.0,
            },
            {"ticket_id": "2", "block_id": "B01", "picked_on": TODAY - DAY, "area_ha": area[1], "net_t": 1.0},
        ]
        return {"picks": made.frame("picks", picks)}

    season, limits = built(change)
    assert limits.area_left_ha[0] == pytest.approx(0.6 * season.blocks["area_ha"][0])
    assert limits.area_left_ha[1] == 0
    assert not limits.allowed[1].any()


# By hand: 3 trucks of 20 t, 14 h; 10 km at 60 km/h twice, 1.5 h handling -> 1.8333 h a trip.
def test_truck_hours_a_tonne_by_hand():
    _, limits = built()
    assert limits.round_trip_h[0] == pytest.approx(1.5 + 2 * 10 / 60)
    assert limits.truck_h_per_t[0] == pytest.approx((1.5 + 20 / 60) / 20)
    assert limits.truck_h[0] == 42.0
    assert limits.haul_cost_t[0] == pytest.approx(2.0 * 20 / 20)


def test_two_kinds_of_trucks_carry_what_both_can():
    trucks = made.frame(
        "trucks",
        [
            {"truck_id": "a", "trucks_n": 1, "payload_t": 20.0, "load_h": 1.0, "unload_h": 1.0, "speed_km_h": 60.0,
             "cost_per_km": 2.0, "hours_per_day": 10.0},
            {"truck_id": "b", "trucks_n": 2, "payload_t": 10.0, "load_h": 0.5, "unload_h": 0.5, "speed_km_h": 60.0,
             "cost_per_km": 1.0, "hours_per_day": 12.0},
        ],
    )  # fmt: skip
    _, limits = built(lambda _: {"trucks": trucks})
    road = 20 / 60
    daily = 10 * 20 / (2 + road) + 24 * 10 / (1 + road)  # tonnes that both kinds haul in a day, by hand
    assert limits.truck_h[0] / limits.truck_h_per_t[0] == pytest.approx(daily)


def test_mill_gives_its_hours_less_booked_and_none_when_closed():
    def change(_):
        days = [
            {"mill_id": "M1", "day": TODAY + DAY, "booked_h": 8.0, "closed": False},
            {"mill_id": "M1", "day": TODAY + 2 * DAY, "booked_h": 0.0, "closed": True},
        ]
        return {"mill_days": made.frame("mill_days", days)}

    _, limits = built(change)
    assert limits.mill_t[:4].tolist() == [100.0, 60.0, 0.0, 100.0]


def test_moves_cost_the_fixed_time_within_a_ranch_and_the_road_between():
    _, limits = built()
    move = limits.move_h
    assert move[0, 3] == pytest.approx(0.5)  # same ranch
    # 0.1 degree of latitude and longitude at 37 N: 14.25 km by hand (haversine), 1.3 times by road, 25 km/h
    assert move[0, 1] == pytest.approx(0.5 + 1.3 * 14.25 / 25, abs=0.01)
    assert (np.diag(move) == 0).all()


def test_lots_are_cultivar_certification_and_contract():
    _, limits = built()
    assert limits.lots[limits.lot[0]] == "Arbequina, organic, OIL"
    same = [limits.lots[k] for k in limits.lot]
    assert len(set(same)) == len(limits.lots)


def test_small_workable_share_counts_as_none():
    season, scenarios, _ = made.make()
    limits = capacity(season, scenarios)
    positive = limits.workable_fraction[limits.workable_fraction > 0]
    assert positive.min() >= 0.2
    assert (scenarios.workable_fraction < 0.2).any()


def test_table_names_one_tightest_resource_a_day():
    _, limits = built()
    table = limits.table()
    assert (table.groupby("day")["limits"].sum() == 1).all()
    assert len(table) == 3 * len(limits.days)


def test_table_says_when_the_mill_is_shut():
    days = [{"mill_id": "M1", "day": TODAY, "booked_h": 0.0, "closed": True}]
    _, limits = built(lambda _: {"mill_days": made.frame("mill_days", days)})
    first = limits.table().query("limits").iloc[0]
    assert first["resource"] == "mill"
    assert first["says"] == "no mill this day"


def test_no_trucks_and_no_mill_do_not_limit_and_are_told():
    _, limits = built(lambda s: {"trucks": s.trucks.iloc[:0], "mill": s.mill.iloc[:0]})
    assert limits.truck_h.min() == UNLIMITED
    assert limits.mill_t.min() == UNLIMITED
    assert {"mill", "trucks"} <= set(limits.assumptions["name"])


def test_every_assumption_has_a_source_and_a_sentence():
    _, limits = built()
    assert (limits.assumptions[["source", "says"]].map(len) > 3).all().all()
