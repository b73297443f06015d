"""A small invented season with scenarios and outcomes, built directly: what the harvest room's tests plan on."""

from datetime import date
from types import MappingProxyType, SimpleNamespace

import numpy as np
import pandas as pd

from olivetime.records.columns import RULES, TABLES

START = date(2026, 8, 1)
AS_OF = date(2026, 10, 19)


def default_rules():
    return {rule.name: rule.default for rule in RULES}


def frame(table, rows):
    """A cleaned table with every column, those not given filled as a reader leaves them."""
    given = pd.DataFrame(rows)
    out = {}
    for column in TABLES[table]:
        if column.name in given:
            out[column.name] = given[column.name]
        elif column.kind == "date":
            out[column.name] = pd.Series(pd.NaT, index=given.index, dtype="datetime64[ns]")
        elif column.default is not None:
            out[column.name] = pd.Series(column.default, index=given.index)
        elif column.kind in ("number", "integer"):
            out[column.name] = pd.Series(np.nan, index=given.index)
        else:
            out[column.name] = pd.Series(None, index=given.index, dtype=object)
        if column.kind == "date":
            out[column.name] = pd.to_datetime(out[column.name])
    return pd.DataFrame(out)


def make(
    blocks_n=12,
    machines_n=2,
    scenarios_n=4,
    draws_n=16,
    days_n=40,
    seed=0,
    rain=True,
    frost=False,
    rules=None,
):
    """Season, scenarios and outcomes as namespaces with the attributes that the harvest room reads."""
    rng = np.random.default_rng(seed)
    days = pd.date_range(AS_OF, periods=days_n, freq="D")
    cultivar = np.array(["Arbequina", "Arbosana", "Koroneiki"])[np.arange(blocks_n) % 3]
    area = np.round(np.exp(rng.normal(np.log(6), 0.5, blocks_n)), 1)
    crop_t_ha = np.round(rng.uniform(4, 12, blocks_n), 1)
    blocks = frame(
        "blocks",
        [
            {
                "block_id": f"B{i:02d}", "block_name": f"Block {i}", "grower": f"Grower {i % 4}",
                "ranch": f"Ranch {i % 3}", "cultivar": cultivar[i],
                "contract_id": ("OIL", "FRUIT", "OWN", "SCALE")[i % 4], "area_ha": area[i],
                "crop_t_ha": crop_t_ha[i], "crop_on": pd.Timestamp(2026, 9, 20), "row_spacing_m": 3.66,
                "slope_pct": 5.0, "lat_deg": 37.0 + 0.1 * (i % 3), "lon_deg": -120.0 - 0.1 * (i % 3),
                "haul_km": 10.0 + 5 * (i % 3), "organic": i % 5 == 0, "station_id": "S1",
                "style": ("balanced", "early", "late")[i % 3],
            }
            for i in range(blocks_n)
        ],
    )  # fmt: skip
    season = SimpleNamespace(
        as_of=AS_OF,
        start=START,
        end=days[-1].date(),
        units="metric",
        locale="en_GB",
        currency="USD",
        rules=MappingProxyType(default_rules() | (rules or {})),
        blocked={},
        blocks=blocks,
        cultivars=frame("cultivars", [{"cultivar": name} for name in ("Arbequina", "Arbosana", "Koroneiki")]),
        samples=frame(
            "samples",
            [
                {"sample_id": f"s{i}", "block_id": f"B{i:02d}", "sampled_on": pd.Timestamp(2026, 10, 12)}
                for i in range(blocks_n)
            ],
        ),
        weather_days=frame(
            "weather_days",
            [
                {"station_id": "S1", "day": day, "temp_min_c": 8.0, "temp_max_c": 24.0, "rain_mm": 0.0}
                for day in pd.date_range("2026-09-01", "2026-10-18")
            ],
        ),
        harvesters=frame(
            "harvesters",
            [
                {
                    "harvester_id": f"H{h + 1}", "speed_km_h": 1.5, "efficiency_fraction": 0.8,
                    "hours_per_day": 16.0, "removal_pct": 92.0, "move_fixed_h": 0.5, "move_km_h": 25.0,
                    "cost_per_h": 200.0, "washdown_h": 1.5,
                }
                for h in range(machines_n)
            ],
        ),
        trucks=frame(
            "trucks",
            [
                {
                    "truck_id": "T1", "trucks_n": 3, "payload_t": 20.0, "load_h": 1.0, "unload_h": 0.5,
                    "speed_km_h": 60.0, "cost_per_km": 2.0, "hours_per_day": 14.0,
                }
            ],
        ),
        mill=frame(
            "mill",
            [
                {
                    "mill_id": "M1", "rate_t_h": 5.0, "hours_per_day": 20.0, "buffer_t": 40.0, "max_wait_h": 12.0,
                    "cleaning_h": 0.75, "cost_per_t": 60.0, "corrector_fraction": 0.10,
                }
            ],
        ),
        mill_days=frame("mill_days", [{"mill_id": "M1", "day": days[2], "booked_h": 5.0, "closed": False}]),
        treatments=frame("treatments", []),
        contracts=frame(
            "contracts",
            [
                {"contract_id": "OIL", "kind": "oil_kg", "price_oil_kg": 5.0, "virgin_factor": 0.6},
                {"contract_id": "OWN", "kind": "own", "price_oil_kg": 6.0, "virgin_factor": 0.6},
                {"contract_id": "FRUIT", "kind": "fruit_flat", "price_fruit_t": 700.0, "virgin_factor": 0.7},
                {
                    "contract_id": "SCALE", "kind": "fruit_oil_scale", "price_fruit_t": 750.0,
                    "base_oil_pct": 16.0, "step_per_point": 0.06, "virgin_factor": 0.7,
                },
            ],
        ),
        picks=frame("picks", []),
        committed=frame("committed", []),
        oil_orders=frame("oil_orders", []),
    )  # fmt: skip

    t = np.arange(days_n)
    wet = rng.random((scenarios_n, 1, days_n)) < (0.15 if rain else 0.0)
    workable = np.where(wet, 0.0, 1.0) * np.ones((1, blocks_n, 1))
    after = np.concatenate([np.zeros((scenarios_n, 1, 1), bool), wet[:, :, :-1]], axis=2)
    workable *= np.where(after, np.where(np.arange(blocks_n) % 2 == 0, 0.5, 0.1)[None, :, None], 1.0)
    cold = 8.0 - 0.1 * t + rng.normal(0, 2.0, (scenarios_n, 1, days_n)) - (3.0 if frost else 0.0)
    scenarios = SimpleNamespace(
        days=days,
        block_ids=tuple(blocks["block_id"]),
        workable_fraction=workable.astype(np.float32),
        temp_min_c=(cold * np.ones((1, blocks_n, 1))).astype(np.float32),
        past_temp_min_c=np.full((blocks_n, 30), 8.0, dtype=np.float32),
    )
    plateau = rng.normal(44, 1.5, (draws_n, blocks_n, 1))
    middle = rng.normal(-14, 6, (draws_n, blocks_n, 1))
    dry = plateau / (1 + np.exp(-(t - middle) / 14))
    moisture = 62 - 0.12 * t + rng.normal(0, 1.0, (draws_n, blocks_n, 1))
    maturity = np.clip(1.2 + 0.05 * t + rng.normal(0, 0.3, (draws_n, blocks_n, 1)), 0, 7)
    fall = np.exp(-np.cumsum(np.where(maturity > 4, 0.01, 0.001) * np.ones_like(maturity), axis=2))
    crop = (area * crop_t_ha)[None, :, None] * (1 + rng.normal(0, 0.08, (draws_n, blocks_n, 1))) * fall
    outcomes = SimpleNamespace(
        days=days,
        block_ids=tuple(blocks["block_id"]),
        oil_dry_pct=dry,
        moisture_pct=moisture,
        oil_fresh_pct=dry * (1 - moisture / 100),
        maturity_index=maturity,
        crop_t=crop,
    )
    return season, scenarios, outcomes


def changed(namespace, **items):
    """A copy of a namespace with some attributes replaced."""
    return SimpleNamespace(**(vars(namespace) | items))
