"""A small invented season in CSV files, sound in every cell; tests spoil it one place at a time."""

from pathlib import Path

SETTINGS = """\
[season]
name = "Invented season"
place = "Nowhere"
start = 2026-08-01
end = 2027-01-15
units = "metric"
currency = "EUR"
time_zone = "Europe/Madrid"

[target]
kind = "plateau_fraction"
value = 0.9
"""

TABLES = {
    "cultivars": "cultivar,plateau_dry_pct,plateau_source\nArbequina,41.8,published\nKoroneiki,45.7,published\n",
    "stations": "station_id,lat_deg,lon_deg,elevation_m\nS1,37.5,-5.1,220\n",
    "contracts": (
        "contract_id,kind,price_oil_kg,price_fruit_t,base_oil_pct,step_per_point,virgin_factor\n"
        "C1,oil_kg,5.2,,,,0.7\n"
        "C2,fruit_oil_scale,,600,18,0.05,0.8\n"
    ),
    "mill": ("mill_id,rate_t_h,hours_per_day,buffer_t,max_wait_h,cleaning_h,cost_per_t\nM1,4,20,40,12,1,60\n"),
    "trucks": (
        "truck_id,trucks_n,payload_t,load_h,unload_h,speed_km_h,cost_per_km,hours_per_day\nT1,2,12,0.8,0.5,50,1.6,14\n"
    ),
    "harvesters": (
        "harvester_id,speed_km_h,efficiency_fraction,hours_per_day,removal_pct,move_fixed_h,move_km_h,cost_per_h\n"
        "H1,1.6,0.8,16,93,0.5,20,180\n"
    ),
    "blocks": (
        "block_id,grower,ranch,cultivar,contract_id,area_ha,crop_t_ha,crop_on,haul_km,organic,station_id\n"
        "North 2,Grower A,Hill,Arbequina,C1,6.5,8,2026-09-10,14,no,S1\n"
        "North 3,Grower A,Hill,Arbequina,C1,4.0,7,2026-09-10,14,no,S1\n"
        "South 1,Grower B,River,Koroneiki,C2,9.2,9.5,2026-09-12,22,yes,S1\n"
    ),
    "samples": (
        "sample_id,block_id,sampled_on,moisture_pct,oil_fresh_pct,oil_dry_pct\n"
        "1,North 2,2026-09-28,60.0,13.2,33.0\n"
        "2,North 3,2026-09-28,61.0,12.5,32.1\n"
        "3,South 1,2026-09-28,62.0,12.2,32.1\n"
        "4,North 2,2026-10-05,59.0,14.6,35.6\n"
        "5,North 3,2026-10-05,60.0,13.9,34.8\n"
        "6,South 1,2026-10-05,61.5,13.4,34.8\n"
    ),
    "weather_days": (
        "station_id,day,temp_min_c,temp_max_c,rain_mm\n"
        "S1,2026-10-02,12.1,26.3,0\n"
        "S1,2026-10-03,11.4,25.0,0\n"
        "S1,2026-10-04,10.8,24.2,3.5\n"
        "S1,2026-10-05,9.9,23.8,0\n"
    ),
}


def write(folder, *, settings=SETTINGS, **changes):
    """Write the season into `folder`; `changes` give other texts for tables, None leaves a table out."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "season.toml").write_text(settings, encoding="utf-8")
    for table, text in (TABLES | changes).items():
        if text is not None:
            (folder / f"{table}.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def spoil(table, old, new, count=1):
    """The table's text with one place changed; the place must be there."""
    assert TABLES[table].count(old) >= 1, f"{old!r} is not in {table}"
    return {table: TABLES[table].replace(old, new, count)}
