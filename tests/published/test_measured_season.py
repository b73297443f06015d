"""The whole chain on measured weather that nobody here invented.

Weather: seattle-weather as carried by vega_datasets (NOAA daily records of Seattle, 2012 to 2015, public domain): its
four whole years. The blocks and samples are a test's own: a logistic course of dry oil by calendar day with 4 %
scatter, so that what the chain says can be held against a known course.
"""

import numpy as np
import pandas as pd
import pytest

from olivetime.harvest.order import propose
from olivetime.records.season import read_season

data = pytest.importorskip("vega_datasets").data

AS_OF = pd.Timestamp("2015-10-19")
BLOCKS = {f"N{i}": ("Arbequina" if i % 2 else "Koroneiki", 40.0 + 0.4 * i, 246.0 + 2 * i) for i in range(1, 11)}


def true_dry_pct(block_id, day):
    _, plateau, middle = BLOCKS[block_id]
    return plateau / (1 + np.exp(-(day.day_of_year - middle) / 15))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measured")
    rng = np.random.default_rng(5)
    (folder / "season.toml").write_text(
        "[season]\nname = 'Test season on measured weather'\nplace = 'invented blocks, measured weather'\n"
        "start = 2015-06-01\nend = 2015-12-15\nunits = 'metric'\ncurrency = 'EUR'\ntime_zone = 'America/Los_Angeles'\n"
        "locale = 'en_US'\n[target]\nkind = 'plateau_fraction'\nvalue = 0.9\n",
        encoding="utf-8",
    )
    weather = data.seattle_weather()
    weather = weather[weather["date"] < AS_OF]
    pd.DataFrame(
        {
            "station_id": "SEA",
            "day": weather["date"].dt.strftime("%Y-%m-%d"),
            "temp_min_c": weather["temp_min"],
            "temp_max_c": weather["temp_max"],
            "rain_mm": weather["precipitation"],
            "wind_m_s": weather["wind"],
        }
    ).to_csv(folder / "weather_days.csv", index=False)
    tables = {
        "stations": [{"station_id": "SEA", "lat_deg": 47.6, "lon_deg": -122.3}],
        "blocks": [
            {
                "block_id": name, "block_name": name, "grower": f"Grower {1 + i % 3}", "ranch": f"Ranch {1 + i % 2}",
                "cultivar": cultivar, "contract_id": "OIL", "area_ha": 6 + i, "crop_t_ha": 7.0,
                "crop_on": "2015-09-20",
                "row_spacing_m": 3.7, "haul_km": 15 + i, "organic": "no", "station_id": "SEA",
                "lat_deg": 47.5 + i / 200, "lon_deg": -122.2,
            }
            for i, (name, (cultivar, _, _)) in enumerate(BLOCKS.items())
        ],
        "cultivars": [{"cultivar": "Arbequina"}, {"cultivar": "Koroneiki"}],
        "harvesters": [
            {
                "harvester_id": "H1", "speed_km_h": 1.5, "efficiency_fraction": 0.75, "hours_per_day": 16,
                "removal_pct": 93, "move_fixed_h": 0.5, "move_km_h": 20, "cost_per_h": 250,
            }
        ],
        "trucks": [
            {
                "truck_id": "T1", "trucks_n": 3, "payload_t": 20, "load_h": 1, "unload_h": 0.5, "speed_km_h": 50,
                "cost_per_km": 2, "hours_per_day": 12,
            }
        ],
        "mill": [
            {
                "mill_id": "M1", "rate_t_h": 4, "hours_per_day": 20, "buffer_t": 50, "max_wait_h": 16,
                "cleaning_h": 0.5, "cost_per_t": 60,
            }
        ],
        "contracts": [{"contract_id": "OIL", "kind": "oil_kg", "price_oil_kg": 5, "virgin_factor": 0.6}],
    }  # fmt: skip
    samples = []
    for block_id in BLOCKS:
        for week, day in enumerate(pd.date_range("2015-08-31", AS_OF, freq="7D")):
            dry = true_dry_pct(block_id, day) * np.exp(rng.normal(0, 0.04))
            moisture = 64 - 0.12 * 7 * week + rng.normal(0, 0.6)
            if not 2 < dry < 70:
                continue
            samples.append(
                {
                    "sample_id": f"{block_id}-{week}", "block_id": block_id, "sampled_on": f"{day:%Y-%m-%d}",
                    "moisture_pct": round(moisture, 1), "oil_dry_pct": round(dry, 1),
                    "maturity_index": round(min(6.5, 0.6 + 0.25 * week), 2),
                }
            )  # fmt: skip
    tables["samples"] = samples
    for name, rows in tables.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def proposal(folder):
    return propose(read_season(folder, AS_OF.date()), seed=3, n_scenarios=8, n_draws=64, evaluations=400)


def test_four_measured_years_read_without_errors(folder):
    season = read_season(folder, AS_OF.date())
    assert not (season.findings["level"] == "error").any(), season.findings[["says", "do"]].to_string()
    assert season.weather_days["day"].min() == pd.Timestamp("2012-01-01")
    assert season.weather_days["day"].max() == AS_OF - pd.Timedelta(days=1)


def test_scenarios_come_from_the_measured_past_years(proposal):
    said = " ".join(proposal.scenarios.origin)
    assert any(year in said for year in ("2012", "2013", "2014"))
    assert proposal.scenarios.temp_min_c.min() > -15  # Seattle's autumns: measured, mild
    assert (proposal.scenarios.rain_mm > 0).mean() > 0.3  # and wet: more than three days in ten


def test_forecast_holds_against_the_known_course(proposal):
    fruit = proposal.outcomes
    t = fruit.days.get_loc(AS_OF + pd.Timedelta(days=10))
    truth = np.array([true_dry_pct(block_id, fruit.days[t]) for block_id in fruit.block_ids])
    p10, p50, p90 = np.quantile(fruit.oil_dry_pct[:, :, t], [0.1, 0.5, 0.9], axis=0)
    assert np.abs(p50 - truth).mean() < 2.0
    assert ((truth > p10) & (truth < p90)).mean() >= 0.5


def test_an_order_comes_out_below_its_bound(proposal):
    plan = proposal.plan
    assert plan.status in {"best known", "proved within gap"}
    assert 0 < plan.value <= plan.bound * (1 + 1e-9)
    assert plan.rows["rank"].notna().sum() >= 5
    assert (plan.value >= plan.rules["value"] - 1e-6).all()
