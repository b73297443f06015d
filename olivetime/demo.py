"""Invented sample seasons with their known truth.

Every farm, grower, ranch, block, sample, ticket, price and day of weather written here is invented. The
truth is kept beside the records in the folder `truth`, which `read_season` never opens, so that forecasts
and orders can be scored against it.

Notes
-----
The truth process, every line **assumed** unless a source is named. Thermal days: mean temperature of the
day above 7.5 C, in units of 15 C, summed from the season's first day. This is deliberately not the single
sine that olivetime itself uses.

====================  ==========================================================================
what                  how it is made
====================  ==========================================================================
oil, dry basis        Arbequina, Arbosana, Picual: logistic in thermal days; Koroneiki, Sikitita:
                      a straight rise with a rounded corner at the plateau. Plateaus near published
                      ones: Arbequina 41.8, Arbosana 45.4, Koroneiki 45.7 % (Polari, Crawford and
                      Wang 2021, Agronomy 11(2):313, abstract); Sikitita about 49 % (abstract of a
                      hedgerow trial in California 2017-18); Picual assumed
season effects        log plateau sd 0.015, midpoint sd 2.5 d, log scale sd 0.05, shared by all blocks
block effects         lasting: log plateau sd 0.03, midpoint sd 3.5 d, log scale sd 0.05; and as much
                      again, times 0.8, each season
crop load             each t/ha above 8.5: plateau 0.6 % lower, midpoint 0.5 thermal days later
moisture              66 % (plus a cultivar and a block part) a month after the season's start, falling
                      towards 46 % by 0.9 % of the difference a day (about 54 % after 3.5 months); plus
                      0.06 points per mm of rain, fading over 8 days
colour                cumulative logit of classes 0-7 in thermal days, slope 0.16; each sample's own
                      deviation 0.3 (more spread than counting alone), a week's shared deviation 0.1
samples               weekly from the day a block holds 12 % oil, one in twelve missed
laboratory            oil 4.2 (house) or 3.8 % CV, cut at 2 sd; a week's shared error 1.5 %; moisture
                      sd 0.7 points, week 0.4
crop                  5-12 t/ha on the day of the estimate; non-oil dry matter per hectare stays as it
                      is from then on; the estimate errs by 10 %
fruit drop            0.04 % a day from the season's first day, 0.6 % a day past maturity index 4
temperature           a yearly wave plus AR(1) 0.75, sd 2.6 C; dry days have the wider daily range;
                      a cold spell late in the season in 3 of 4 seasons; this season's is set by hand
rain                  wet and dry spells by AR(1) 0.55 of a hidden normal variable; chance by month;
                      a few wet and dry days of this season are set by hand
outlook               11 members for 10 days; skill fades by exp(-lead/10 d) for temperature and
                      exp(-lead/8 d) for rain; spread and error agree (the ensemble is calibrated)
past picks            two harvesters, 8.5 ha a day each, blocks in order of cultivar with a chance part
====================  ==========================================================================

Random numbers are keyed by season, block and purpose, so a block added does not change another one's
truth or samples. Numbers are rounded as a grower would write them, so files are the same on every machine.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
from openpyxl.styles import Font

from olivetime import units
from olivetime.harvest.truth import (
    ASSUMED,
    CONTRACTS,
    CULTIVARS,
    NORTH,
    SOUTH,
    Climate,
    ar1,
    block_truth,
    cold_spell_c,
    fruit_course,
    heat_and_rain,
    keyed_rng,
    reading,
    weather_from,
)
from olivetime.records.columns import TABLE_HELP, TABLES, UNITS, Column
from olivetime.records.files import write_atomic

SEED = 20261102
PAST_WEATHER_N = 16
PAST_SEASONS_N = 2
MEMBERS_N = 11
OUTLOOK_DAYS = 10
PAST_ISSUES_N = 10  # earlier issues of the outlook on file, one a week

OUTSIDE_OIL_CV = 0.038  # error of one reading of the outside laboratory [log]; assumed
_HA_PER_DAY = 8.5  # of one harvester, in past seasons and in last week's order


@dataclass(frozen=True)
class _Ranch:
    """Blocks of one ranch; areas in the farm's own unit, haul in km, bearing from the mill in degrees."""

    code: str
    name: str
    grower: str
    bearing_deg: float
    haul_km: float
    station_id: str
    soil: str
    slope_pct: float
    contract_id: str
    lab: str
    organic: bool
    blocks: tuple[tuple[str, str, float], ...]  # name, cultivar, area


@dataclass(frozen=True)
class _Farm:
    """Everything that is fixed by hand in one invented season."""

    key: str
    name: str
    place: str
    start: date
    end: date
    as_of: date
    units: str
    time_zone: str
    locale: str
    target: tuple[str, float]
    rules: dict[str, float]
    mill_lat_deg: float
    mill_lon_deg: float
    climate: Climate
    cold_spell_on: date  # this season's; past ones are drawn around the same day of the season
    rain_on: tuple[date, ...]  # this season's, set by hand
    dry_spell: tuple[date, date]  # first and last day, set by hand too
    gap_on: tuple[date, ...]  # days which the second station missed
    pick_start_d: int  # day of the season on which picking begins, past seasons
    first_sample_d: int
    crop_on: date
    stations: tuple[dict, ...]
    logger: tuple[str, str, float]  # name, block it stands in, its coldest third of nights colder than the station [C]
    ranches: tuple[_Ranch, ...]
    harvesters: tuple[dict, ...]
    trucks: tuple[dict, ...]
    mill: dict
    mill_days: tuple[dict, ...]
    contracts: tuple[dict, ...]
    # block, days before as-of, product, days to wait, allowed on organic fruit
    treatments: tuple[tuple[str, int, str, int, bool], ...]
    done_block: str
    partly_block: str
    hard: tuple[tuple[str, str, str], ...]  # block, kind, what it is
    set_block: dict[str, dict] = field(default_factory=dict)  # columns of the blocks table set by hand
    oil_orders: tuple[dict, ...] = ()
    shift: dict[str, dict] = field(default_factory=dict)  # additions to a block's truth


_BAIT = "Fruit bait (invented)"
_CLAY = "Clay (invented)"
_SPRAY_A = "Leaf spray A (invented)"
_SPRAY_B = "Leaf spray B (invented)"

# fmt: off

NORTHERN = _Farm(
    key="northern",
    name="Ambrelow 2026 (invented)",
    place="Tarrel Valley (invented)",
    start=date(2026, 8, 1),
    end=date(2027, 1, 15),
    as_of=date(2026, 11, 2),
    units="us",
    time_zone="America/Los_Angeles",
    locale="en_US",
    target=("plateau_fraction", 0.9),
    rules={"keep_gain_per_block": 400},
    mill_lat_deg=39.2140,
    mill_lon_deg=-122.0480,
    climate=NORTH,
    cold_spell_on=date(2026, 11, 25),
    rain_on=(date(2026, 10, 25), date(2026, 11, 7), date(2026, 11, 8)),
    dry_spell=(date(2026, 10, 27), date(2026, 11, 1)),
    gap_on=(date(2026, 9, 12), date(2026, 9, 13)),
    pick_start_d=79,
    first_sample_d=30,
    crop_on=date(2026, 9, 28),
    stations=(
        {"station_id": "VALLEY", "lat_deg": 39.23, "lon_deg": -122.03, "elevation_m": 32, "warmer_c": 0.0},
        {
            "station_id": "FOOTHILL", "lat_deg": 39.17, "lon_deg": -122.27, "elevation_m": 168,
            "warmer_c": -0.8,
        },
    ),
    logger=("CREEK", "BR-04", 2.6),
    ranches=(
        _Ranch(
            "HR", "Home Ranch", "Ambrelow Mill and Ranches", 20, 2.4, "VALLEY", "medium", 1, "OWN", "house",
            False,
            (
                ("Home 1", "Arbequina", 20), ("Home 2", "Arbequina", 38), ("Home 3", "Arbequina", 34),
                ("Home 4", "Arbosana", 36), ("Road 1", "Arbosana", 27), ("Road 2", "Koroneiki", 30),
                ("Road 3", "Sikitita", 25),
            ),
        ),
        _Ranch(
            "BR", "Bend Ranch", "Ambrelow Mill and Ranches", 95, 9.7, "VALLEY", "heavy", 2, "OWN", "house",
            False,
            (
                ("Bend 1", "Arbequina", 42), ("Bend 2", "Koroneiki", 36), ("Bend 3", "Arbosana", 33),
                ("Creek 1", "Arbequina", 24), ("Creek 2", "Picual", 29),
            ),
        ),
        _Ranch(
            "BC", "Brindlecot", "Brindlecot Farms", 150, 19.3, "VALLEY", "medium", 3, "OIL", "house", False,
            (
                ("North 1", "Arbequina", 48), ("North 2", "Arbosana", 41), ("North 3", "Koroneiki", 27),
                ("North 4", "Picual", 22), ("South 1", "Arbequina", 35), ("South 2", "Sikitita", 16),
            ),
        ),
        _Ranch(
            "CG", "Cawthrush", "Cawthrush Groves", 215, 24.1, "VALLEY", "light", 4, "OIL-ORG", "outside",
            True,
            (
                ("Oak 1", "Arbequina", 31), ("Oak 2", "Arbequina", 26), ("Oak 3", "Arbosana", 29),
                ("Gate 1", "Koroneiki", 24), ("Gate 2", "Arbosana", 18),
            ),
        ),
        _Ranch(
            "DM", "Dellmarrick", "Dellmarrick Orchards", 255, 30.6, "FOOTHILL", "medium", 6, "SCALE", "house",
            False,
            (
                ("Hill 1", "Arbequina", 28), ("Hill 2", "Arbequina", 37), ("Hill 3", "Arbosana", 45),
                ("Hill 4", "Koroneiki", 33), ("Hill 5", "Picual", 26),
            ),
        ),
        _Ranch(
            "EF", "Esterfold", "Esterfold Ranch", 330, 14.5, "VALLEY", "heavy", 1, "SCALE", "house", False,
            (
                ("East 1", "Arbequina", 40), ("East 2", "Arbosana", 32), ("East 3", "Arbequina", 23),
                ("West 1", "Koroneiki", 38), ("West 2", "Sikitita", 30), ("West 3", "Arbosana", 25),
            ),
        ),
        _Ranch(
            "FM", "Foxmellow", "Foxmellow Land", 60, 38.6, "VALLEY", "medium", 2, "FLAT", "house", False,
            (
                ("Pond 1", "Arbequina", 44), ("Pond 2", "Arbequina", 36), ("Pond 3", "Picual", 34),
                ("Mill 1", "Arbosana", 30), ("Mill 2", "Sikitita", 28),
            ),
        ),
        _Ranch(
            "GO", "Gorseling", "Gorseling Olives", 280, 48.3, "FOOTHILL", "light", 8, "OIL", "outside", False,
            (
                ("Ridge 1", "Arbequina", 33), ("Ridge 2", "Picual", 40), ("Ridge 3", "Koroneiki", 29),
                ("Ridge 4", "Arbosana", 24), ("Ridge 5", "Arbequina", 21),
            ),
        ),
        _Ranch(
            "HH", "Hobbinhill", "Hobbinhill Orchards", 185, 35.4, "VALLEY", "medium", 3, "FLAT", "house",
            False, (("Lane 1", "Arbequina", 43), ("Lane 2", "Koroneiki", 31), ("Lane 3", "Sikitita", 27)),
        ),
        _Ranch(
            "FF", "Far Fork", "Hobbinhill Orchards", 200, 80.5, "FOOTHILL", "light", 5, "OIL", "house", False,
            (("Far Fork", "Picual", 37),),
        ),
    ),
    harvesters=(
        {
            "harvester_id": "H1", "speed_km_h": 1.00 * units.KM_PER_MILE, "efficiency_fraction": 0.75,
            "hours_per_day": 21, "removal_pct": 94, "move_fixed_h": 0.5, "move_km_h": 15 * units.KM_PER_MILE,
            "cost_per_h": 290, "max_slope_pct": 20, "washdown_h": 1.5, "start_block": "HR-02",
        },
        {
            "harvester_id": "H2", "speed_km_h": 0.95 * units.KM_PER_MILE, "efficiency_fraction": 0.78,
            "hours_per_day": 20, "removal_pct": 93, "move_fixed_h": 0.5, "move_km_h": 15 * units.KM_PER_MILE,
            "cost_per_h": 320, "max_slope_pct": 15,
            "ready_from": date(2026, 11, 2),
            "ready_to": date(2026, 12, 16),
            "washdown_h": 1.5, "start_block": "EF-01",
        },
    ),
    trucks=(
        {
            "truck_id": "Doubles", "trucks_n": 3, "payload_t": 24 * units.T_PER_SHORT_TON, "load_h": 1.2,
            "unload_h": 0.6, "speed_km_h": 40 * units.KM_PER_MILE, "cost_per_km": 3.5 / units.KM_PER_MILE,
            "hours_per_day": 13,
        },
        {
            "truck_id": "Bins", "trucks_n": 1, "payload_t": 22 * units.T_PER_SHORT_TON, "load_h": 1.0,
            "unload_h": 0.9, "speed_km_h": 35 * units.KM_PER_MILE, "cost_per_km": 3.1 / units.KM_PER_MILE,
            "hours_per_day": 12,
        },
    ),
    mill={
        "mill_id": "Ambrelow Mill", "rate_t_h": 7.2 * units.T_PER_SHORT_TON, "hours_per_day": 22,
        "buffer_t": 100 * units.T_PER_SHORT_TON, "max_wait_h": 16, "cleaning_h": 0.75,
        "cost_per_t": 85 / units.T_PER_SHORT_TON, "corrector_fraction": 0.10,
    },
    mill_days=(
        *({"day": date(2026, 11, d), "booked_h": h} for d, h in ((4, 3), (5, 3), (9, 4), (10, 4), (17, 6))),
        {"day": date(2026, 11, 26), "closed": True},
    ),
    contracts=(
        {
            "contract_id": "OWN", "kind": "own", "price_oil_kg": 23.5 / units.OIL_KG_PER_GALLON_TRADE,
            "virgin_factor": 0.6,
        },
        {
            "contract_id": "OIL", "kind": "oil_kg", "price_oil_kg": 19.5 / units.OIL_KG_PER_GALLON_TRADE,
            "virgin_factor": 0.65,
        },
        {
            "contract_id": "OIL-ORG", "kind": "oil_kg", "price_oil_kg": 25.0 / units.OIL_KG_PER_GALLON_TRADE,
            "virgin_factor": 0.6,
        },
        {
            "contract_id": "SCALE", "kind": "fruit_oil_scale", "price_fruit_t": 690 / units.T_PER_SHORT_TON,
            "base_oil_pct": 16.5, "step_per_point": 0.06, "virgin_factor": 0.7,
        },
        {
            "contract_id": "FLAT", "kind": "fruit_flat", "price_fruit_t": 660 / units.T_PER_SHORT_TON,
            "virgin_factor": 0.75,
        },
    ),
    treatments=(
        ("HR-01", 54, _BAIT, 0, True), ("HR-02", 54, _BAIT, 0, True), ("BR-01", 50, _SPRAY_A, 28, False),
        ("BC-02", 17, _SPRAY_B, 14, False), ("CG-01", 47, _BAIT, 0, True), ("CG-03", 47, _BAIT, 0, True),
        ("DM-02", 9, _SPRAY_A, 28, False), ("EF-05", 13, _SPRAY_B, 14, False), ("GO-01", 40, _BAIT, 0, True),
        ("GO-02", 26, _SPRAY_B, 14, False), ("FM-01", 61, _CLAY, 0, True),
    ),
    done_block="HR-01",
    partly_block="HR-02",
    hard=(
        ("BC-06", "two samples only", "a young block, sampled twice this season and never before"),
        ("EF-03", "past its plateau", "flattened early in October; fruit is dropping, it needs picking now"),
        ("DM-02", "spray interval", "sprayed nine days ago; the label asks for 28 days"),
        ("EF-05", "spray interval", "sprayed 13 days ago; the label asks for 14, so it is free tomorrow"),
        ("CG-01", "organic", "organic lot"), ("CG-02", "organic", "organic lot"),
        ("CG-03", "organic", "organic lot"), ("CG-04", "organic", "organic lot"),
        ("CG-05", "organic", "organic lot"),
        ("BR-04", "frost pocket", "creek bottom, cold nights 2.6 C colder than at the station; 2.0 C are entered"),
        ("FF-01", "far away", "50 miles to the mill"),
        ("HR-02", "partly picked", "about four tenths picked in the last two days"),
        ("FM-02", "doubtful sample", "last week's oil reads about a quarter too low"),
        ("GO-02", "fly", "exit holes rising above a tenth of the fruit"),
        ("GO-04", "closed", "shut for work on the irrigation main until 9 November"),
        *(
            (block_id, "plateau not yet seen", "Koroneiki: still rising, no sample near its plateau")
            for block_id in ("HR-06", "BR-02", "BC-03", "CG-04", "DM-04", "EF-04", "GO-03", "HH-02")
        ),
    ),
    set_block={
        "BR-04": {"colder_c": 2.0}, "BR-05": {"colder_c": 1.2}, "BC-06": {"note": "young, first crop"},
        "GO-04": {"closed_from": date(2026, 11, 1), "closed_to": date(2026, 11, 9)},
        "FM-03": {"pick_before": date(2026, 12, 5)}, "HH-01": {"pick_after": date(2026, 11, 9)},
        "HR-03": {"style": "early"}, "HR-07": {"style": "early"}, "CG-01": {"style": "early"},
        "BR-02": {"style": "late"}, "FM-04": {"style": "late"},
    },
    oil_orders=(
        {
            "order_id": "OO-1", "ordered_on": date(2026, 9, 4), "style": "early", "oil_l": 3500 * units.L_PER_GALLON,
            "due_on": date(2026, 11, 10), "shortfall_cost_l": 9 / units.L_PER_GALLON,
            "note": "bottled as the season's first oil",
        },
        {
            "order_id": "OO-2", "ordered_on": date(2026, 8, 18), "style": "balanced", "cultivar": "Arbequina",
            "oil_l": 20000 * units.L_PER_GALLON, "due_on": date(2026, 11, 24),
            "shortfall_cost_l": 4 / units.L_PER_GALLON,
        },
        {
            "order_id": "OO-3", "ordered_on": date(2026, 10, 12), "organic": True,
            "oil_l": 5000 * units.L_PER_GALLON, "due_on": date(2026, 12, 5), "note": "a wish, no cost if less",
        },
    ),
    shift={
        "EF-03": {"midpoint_d": -13, "colour_midpoint_d": -28, "crop": 0.65}, "BC-06": {"crop": 0.7},
        "HR-01": {"midpoint_d": -7, "colour_midpoint_d": -5},
        "HR-02": {"midpoint_d": -5, "colour_midpoint_d": -4},
    },
)

SOUTHERN = _Farm(
    key="southern",
    name="Albrisca 2026 (inventada)",
    place="Valle del Retamalo (inventado)",
    start=date(2026, 2, 1),
    end=date(2026, 8, 15),
    as_of=date(2026, 4, 27),
    units="metric",
    time_zone="America/Argentina/San_Juan",
    locale="es_AR",
    target=("oil_fresh_pct", 17.0),
    rules={},
    mill_lat_deg=-31.7420,
    mill_lon_deg=-68.4310,
    climate=SOUTH,
    cold_spell_on=date(2026, 6, 3),
    rain_on=(date(2026, 4, 19), date(2026, 5, 3)),
    dry_spell=(date(2026, 4, 21), date(2026, 4, 26)),
    gap_on=(date(2026, 3, 7), date(2026, 3, 8)),
    pick_start_d=72,
    first_sample_d=26,
    crop_on=date(2026, 3, 30),
    stations=(
        {"station_id": "BAJO", "lat_deg": -31.75, "lon_deg": -68.42, "elevation_m": 620, "warmer_c": 0.0},
        {"station_id": "LOMA", "lat_deg": -31.81, "lon_deg": -68.66, "elevation_m": 790, "warmer_c": -1.0},
    ),
    logger=("RINCON", "BO-04", 2.4),
    ranches=(
        _Ranch(
            "AL", "Albrisca", "Molino Albrisca", 30, 3.0, "BAJO", "light", 1, "OWN", "house", False,
            (
                ("Molino 1", "Arbequina", 16), ("Molino 2", "Arbequina", 30), ("Molino 3", "Arbosana", 28),
                ("Molino 4", "Koroneiki", 24), ("Norte 1", "Sikitita", 22),
            ),
        ),
        _Ranch(
            "BO", "Borrasquil", "Olivares Borrasquíl", 110, 12.0, "BAJO", "medium", 2, "OIL", "house", False,
            (
                ("Cuadro 1", "Arbequina", 34), ("Cuadro 2", "Arbequina", 27), ("Cuadro 3", "Arbosana", 31),
                ("Cuadro 4", "Picual", 25),
            ),
        ),
        _Ranch(
            "CA", "Cardenela", "Finca Cardenela", 235, 21.0, "LOMA", "light", 4, "OIL-ORG", "outside", True,
            (("Alto 1", "Arbequina", 23), ("Alto 2", "Koroneiki", 29), ("Alto 3", "Arbosana", 20)),
        ),
        _Ranch(
            "DU", "Dulcirena", "Chacra Dulcirena", 160, 28.0, "BAJO", "heavy", 1, "SCALE", "house", False,
            (
                ("Bajo 1", "Arbequina", 33), ("Bajo 2", "Picual", 30), ("Bajo 3", "Sikitita", 26),
                ("Bajo 4", "Arbequina", 24),
            ),
        ),
        _Ranch(
            "ES", "Esparvil", "Finca Esparvil", 290, 41.0, "LOMA", "medium", 6, "FLAT", "house", False,
            (("Ripio 1", "Arbequina", 35), ("Ripio 2", "Koroneiki", 32), ("Ripio 3", "Sikitita", 18)),
        ),
        _Ranch(
            "EL", "Lejano", "Finca Esparvil", 310, 79.0, "LOMA", "light", 5, "FLAT", "house", False,
            (("Lejano", "Picual", 28),),
        ),
    ),
    harvesters=(
        {
            "harvester_id": "C1", "speed_km_h": 1.6, "efficiency_fraction": 0.75, "hours_per_day": 20,
            "removal_pct": 94, "move_fixed_h": 0.5, "move_km_h": 22, "cost_per_h": 210, "max_slope_pct": 20,
            "ready_to": date(2026, 6, 6),
            "washdown_h": 1.5, "start_block": "AL-02",
        },
        {
            "harvester_id": "C2", "speed_km_h": 1.5, "efficiency_fraction": 0.78, "hours_per_day": 20,
            "removal_pct": 92, "move_fixed_h": 0.5, "move_km_h": 22, "cost_per_h": 240, "max_slope_pct": 15,
            "ready_from": date(2026, 4, 28),
            "ready_to": date(2026, 5, 30),
            "washdown_h": 1.5, "start_block": "BO-01",
        },
    ),
    trucks=(
        {
            "truck_id": "Semis", "trucks_n": 3, "payload_t": 22, "load_h": 1.2, "unload_h": 0.6,
            "speed_km_h": 60, "cost_per_km": 1.8, "hours_per_day": 13,
        },
        {
            "truck_id": "Chasis", "trucks_n": 1, "payload_t": 20, "load_h": 1.0, "unload_h": 0.9,
            "speed_km_h": 55, "cost_per_km": 1.5, "hours_per_day": 12,
        },
    ),
    mill={
        "mill_id": "Molino Albrisca", "rate_t_h": 7.0, "hours_per_day": 22, "buffer_t": 90, "max_wait_h": 16,
        "cleaning_h": 0.75, "cost_per_t": 80, "corrector_fraction": 0.10,
    },
    mill_days=(
        *({"day": date(2026, 5, d), "booked_h": h} for d, h in ((4, 4), (5, 4), (12, 6))),
        {"day": date(2026, 5, 1), "closed": True},
    ),
    contracts=CONTRACTS,
    treatments=(
        ("AL-01", 40, _BAIT, 0, True), ("BO-03", 24, _SPRAY_B, 14, False), ("CA-01", 38, _BAIT, 0, True),
        ("DU-01", 8, _SPRAY_A, 28, False), ("ES-01", 44, _CLAY, 0, True),
    ),
    done_block="AL-01",
    partly_block="AL-02",
    hard=(
        ("ES-03", "two samples only", "a young block, sampled twice this season and never before"),
        ("DU-04", "past its plateau", "flattened weeks ago; fruit is dropping, it needs picking now"),
        ("DU-01", "spray interval", "sprayed eight days ago; the label asks for 28 days"),
        ("CA-01", "organic", "organic lot"), ("CA-02", "organic", "organic lot"),
        ("CA-03", "organic", "organic lot"),
        ("BO-04", "frost pocket", "low corner, cold nights 2.4 C colder than at the station; 2.0 C are entered"),
        ("EL-01", "far away", "79 km to the mill"),
        ("AL-02", "partly picked", "about four tenths picked in the last two days"),
        ("BO-02", "doubtful sample", "last week's oil reads about a quarter too low"),
        *(
            (block_id, "plateau not yet seen", "Koroneiki: still rising, no sample near its plateau")
            for block_id in ("AL-04", "CA-02", "ES-02")
        ),
    ),
    set_block={
        "BO-04": {"colder_c": 2.0}, "ES-03": {"note": "young, first crop"}, "AL-05": {"style": "early"},
        "AL-04": {"style": "late"}, "DU-02": {"pick_before": date(2026, 6, 10)},
    },
    shift={
        "DU-04": {"midpoint_d": -13, "colour_midpoint_d": -28, "crop": 0.65}, "ES-03": {"crop": 0.7},
        "AL-01": {"midpoint_d": -7, "colour_midpoint_d": -5},
        "AL-02": {"midpoint_d": -5, "colour_midpoint_d": -4},
    },
)

# fmt: on

FARMS: dict[str, _Farm] = {farm.key: farm for farm in (NORTHERN, SOUTHERN)}


def write_demo(folder: str | Path, *, which: str = "northern", seed: int = SEED) -> Path:
    """Write one invented season and its truth into `folder`.

    Parameters
    ----------
    folder : str or Path
        Made when absent; files of the same names are replaced.
    which : str, optional
        "northern": US units, CSV files, a season that crosses New Year. "southern": metric, one workbook.
    seed : int, optional
        The same seed gives the same files; another seed another season on the same farm.

    Returns
    -------
    Path
        The season folder, ready for `read_season`.

    Raises
    ------
    ValueError
        When `which` is neither.
    """
    if which not in FARMS:
        raise ValueError(f"which is {which!r}, expected one of {', '.join(FARMS)}. Choose one of them.")
    farm = FARMS[which]
    folder = Path(folder)
    tables, hidden = _season(farm, seed)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    write_atomic(folder / "season.toml", _season_toml(farm).encode())
    if farm.units == "us":
        for table, frame in tables.items():
            write_atomic(folder / f"{table}.csv", _csv(_as_written(table, frame, us=True)))
    else:
        sheets = {table: _as_written(table, frame, us=False) for table, frame in tables.items()}
        write_atomic(folder / "records.xlsx", _workbook(sheets))
    for name, frame in hidden.items():
        write_atomic(folder / "truth" / f"{name}.csv", _csv(frame))
    return folder


def write_sample_data(folder: str | Path, *, seed: int = SEED) -> Path:
    """Write both invented seasons, the messy workbook and the page that explains them into `folder`."""
    folder = Path(folder)
    for which in FARMS:
        write_demo(folder / which, which=which, seed=seed)
    write_messy(folder / "messy.xlsx")
    write_atomic(folder / "README.md", sample_data_page().encode())
    return folder


def truth(folder: str | Path) -> pd.DataFrame:
    """Work out the true course of every block of an invented season, from its `truth` folder.

    Parameters
    ----------
    folder : str or Path
        A season folder written by `write_demo`.

    Returns
    -------
    DataFrame
        One row for each block and day of the season: block_id, day, heat_d [thermal days of the truth],
        oil_dry_pct [% dry], moisture_pct [% fresh], oil_fresh_pct [% fresh], maturity_index [0-7],
        fallen_pct [%], crop_t_ha [t/ha fresh on the tree, as if unpicked].
    """
    folder = Path(folder) / "truth"
    blocks = pd.read_csv(folder / "blocks.csv")
    weather = pd.read_csv(folder / "weather_days.csv", parse_dates=["day"])
    stations = {station_id: heat_and_rain(days) for station_id, days in weather.groupby("station_id", sort=False)}
    frames = []
    for row in blocks.to_dict("records"):
        climate = stations[row["station_id"]]
        state = fruit_course(row, climate)
        frames.append(
            pd.DataFrame(
                {
                    "block_id": row["block_id"],
                    "day": climate["day"],
                    "heat_d": climate["heat_d"],
                    "oil_dry_pct": state["oil_dry_pct"],
                    "moisture_pct": state["moisture_pct"],
                    "oil_fresh_pct": state["oil_fresh_pct"],
                    "maturity_index": state["maturity_index"],
                    "fallen_pct": state["fallen_pct"],
                    "crop_t_ha": state["crop_t_ha"],
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


# --- the truth ---------------------------------------------------------------------------------------------


def _season_days(farm: _Farm, label: int) -> pd.DatetimeIndex:
    shift = label - farm.start.year
    return pd.date_range(
        farm.start.replace(year=farm.start.year + shift), farm.end.replace(year=farm.end.year + shift)
    )


def _hidden_weather(farm: _Farm, seed: int, label: int) -> dict[str, Any]:
    """Draw a season's hidden variables: `warm`, `wet` (stations, days), `cold_c` (days), `warm_season_c`."""
    days = _season_days(farm, label)
    n = len(days)
    rng = keyed_rng(seed, farm.key, "weather", label)
    warm_all, wet_all = ar1(rng, n, 0.75), ar1(rng, n, 0.55)
    warm_season_c = rng.normal(0, 0.7)
    comes, late_d, depth_c, length_d = rng.random(), rng.normal(0, 14), rng.uniform(4, 8), rng.uniform(3, 5)
    usual_d = float((farm.cold_spell_on - farm.start).days)
    middle_d = usual_d + late_d if comes < 0.75 else -100.0
    this_season = label == farm.start.year
    if this_season:
        middle_d, depth_c, length_d = usual_d, 6.0, 4.0
    cold_c = cold_spell_c(n, middle_d, depth_c, length_d)
    warm, wet = [], []
    for station in farm.stations:
        own = keyed_rng(seed, farm.key, "weather", label, station["station_id"])
        warm.append(0.95 * warm_all + np.sqrt(1 - 0.95**2) * ar1(own, n, 0.6))
        wet.append(0.92 * wet_all + np.sqrt(1 - 0.92**2) * ar1(own, n, 0.3))
    wet = np.array(wet) - 0.8 * (cold_c > 1)  # cold nights are clear ones
    if this_season:
        for day in farm.rain_on:
            wet[:, (day - farm.start).days] = np.maximum(wet[:, (day - farm.start).days], [1.7, 1.9])
        dry = slice(*((day - farm.start).days + i for i, day in enumerate(farm.dry_spell)))
        wet[:, dry] = np.minimum(wet[:, dry], -0.5)
    return {"warm": np.array(warm), "wet": wet, "cold_c": cold_c, "warm_season_c": warm_season_c}


def _true_weather(farm: _Farm, seed: int, label: int) -> pd.DataFrame:
    days = _season_days(farm, label)
    hidden = _hidden_weather(farm, seed, label)
    frames = []
    for i, station in enumerate(farm.stations):
        made = weather_from(
            farm.climate, days, farm.stations[i]["warmer_c"],
            hidden["warm"][i], hidden["wet"][i], hidden["cold_c"], hidden["warm_season_c"]
        )
        frames.append(pd.DataFrame({"station_id": station["station_id"], "day": days} | made))
    return pd.concat(frames, ignore_index=True)


def _past_outlooks(farm: _Farm, seed: int) -> pd.DataFrame:
    """Issues of the weeks before, kept so that they can be held against what came."""
    weeks = [farm.as_of - timedelta(days=7 * back) for back in range(PAST_ISSUES_N, 0, -1)]
    return pd.concat([_outlook(farm, seed, issued) for issued in weeks], ignore_index=True)


def _outlook(farm: _Farm, seed: int, issued: date | None = None) -> pd.DataFrame:
    """Members that know the true weather less and less: spread and error grow alike with the lead."""
    label = farm.start.year
    hidden = _hidden_weather(farm, seed, label)
    of_issue = ("members",) if issued is None else ("members", issued.isoformat())
    issued = issued or farm.as_of
    first = (issued - farm.start).days
    ahead = slice(first, first + OUTLOOK_DAYS)
    days = _season_days(farm, label)[ahead]
    lead = np.arange(OUTLOOK_DAYS) + 0.5
    skill = {"warm": np.exp(-lead / 10), "wet": np.exp(-lead / 8)}
    rng = keyed_rng(seed, farm.key, *of_issue)
    signal = {
        name: rho**2 * hidden[name][:, ahead] + rho * np.sqrt(1 - rho**2) * ar1(rng, OUTLOOK_DAYS, 0.75)
        for name, rho in skill.items()
    }
    frames = []
    for member in range(1, MEMBERS_N + 1):
        own = keyed_rng(seed, farm.key, *of_issue, member)
        drawn = {
            name: signal[name] + np.sqrt(1 - rho**2) * ar1(own, OUTLOOK_DAYS, 0.7)
            for name, rho in skill.items()
        }
        for i, station in enumerate(farm.stations):
            made = weather_from(
                farm.climate,
                days,
                farm.stations[i]["warmer_c"],
                drawn["warm"][i],
                drawn["wet"][i],
                skill["warm"] * hidden["cold_c"][ahead],
                hidden["warm_season_c"],
            )
            frames.append(
                pd.DataFrame(
                    {
                        "station_id": station["station_id"],
                        "issued_on": pd.Timestamp(issued),
                        "member": member,
                        "day": days,
                    }
                    | made
                )
            )
    return pd.concat(frames, ignore_index=True)


def _block_truth(
    farm: _Farm, seed: int, block: pd.Series, label: int, climate: dict[str, np.ndarray]
) -> dict[str, float | str]:
    crop_on = farm.crop_on.replace(year=farm.crop_on.year + label - farm.start.year)
    return block_truth(seed, farm.key, label, block, climate, crop_on, shift=farm.shift.get(block["block_id"]))


# --- the records -------------------------------------------------------------------------------------------


def _season(farm: _Farm, seed: int) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """All tables in metric units, and the truth's tables."""
    label = farm.start.year
    labels = range(label - PAST_SEASONS_N, label + 1)
    blocks = _blocks(farm)
    weather = {year: _true_weather(farm, seed, year) for year in range(label - PAST_WEATHER_N, label + 1)}
    climates = {
        year: {station: heat_and_rain(days) for station, days in weather[year].groupby("station_id", sort=False)}
        for year in labels
    }
    parameters = {
        year: {
            block["block_id"]: _block_truth(farm, seed, block, year, climates[year][block["station_id"]])
            for _, block in blocks.iterrows()
        }
        for year in labels
    }
    states = {
        year: {
            block_id: fruit_course(row, climates[year][row["station_id"]])
            for block_id, row in parameters[year].items()
        }
        for year in labels
    }
    young = [block_id for block_id, kind, _ in farm.hard if kind == "two samples only"]
    old_blocks = blocks[~blocks["block_id"].isin(young)]
    picks = pd.concat(
        [_past_picks(farm, seed, old_blocks, weather[year], states[year], year) for year in labels[:-1]]
        + [_picks_now(farm, seed, blocks, states[label])],
        ignore_index=True,
    )
    samples = pd.concat(
        [
            _samples(farm, seed, blocks if year == label else old_blocks, states[year], picks, year)
            for year in labels
        ],
        ignore_index=True,
    )
    crop = pd.Series({block_id: row["crop_t_ha"] for block_id, row in parameters[label].items()})
    error = np.array([keyed_rng(seed, farm.key, "crop", b).normal(0, 0.10) for b in blocks["block_id"]])
    blocks["crop_t_ha"] = crop[blocks["block_id"]].to_numpy(float) * np.exp(error)
    measured = pd.concat(weather.values(), ignore_index=True)
    measured = measured[measured["day"] < pd.Timestamp(farm.as_of)]
    missed = (measured["station_id"] == farm.stations[1]["station_id"]) & measured["day"].isin(
        pd.to_datetime(list(farm.gap_on))
    )
    treatments = pd.DataFrame(
        [
            {
                "treatment_id": f"T{i:02d}",
                "block_id": block_id,
                "applied_on": farm.as_of - timedelta(days=days_ago),
                "recorded_on": farm.as_of - timedelta(days=days_ago - 1),
                "product": product,
                "wait_days": wait,
                "organic_ok": organic_ok,
            }
            for i, (block_id, days_ago, product, wait, organic_ok) in enumerate(farm.treatments, start=1)
        ]
    )
    tables = {
        "blocks": blocks,
        "cultivars": _cultivars(),
        "samples": samples,
        "stations": _stations(farm, blocks),
        "weather_days": pd.concat([measured[~missed], _logged(farm, seed, blocks, measured)]).sort_values(
            ["station_id", "day"]
        ),
        "outlook": pd.concat([_past_outlooks(farm, seed), _outlook(farm, seed)]).sort_values(
            ["issued_on", "station_id", "member", "day"]
        ),
        "harvesters": pd.DataFrame(farm.harvesters),
        "trucks": pd.DataFrame(farm.trucks),
        "mill": pd.DataFrame([farm.mill | {"lat_deg": farm.mill_lat_deg, "lon_deg": farm.mill_lon_deg}]),
        "mill_days": pd.DataFrame(
            [
                {"mill_id": farm.mill["mill_id"], "booked_h": 0, "closed": False} | row
                for row in farm.mill_days
            ]
        ).sort_values("day"),
        "treatments": treatments,
        "contracts": pd.DataFrame(farm.contracts).assign(currency="USD"),
        "picks": picks,
        "committed": _committed(farm, blocks, samples, treatments),
    }
    if farm.oil_orders:
        tables["oil_orders"] = pd.DataFrame([{"organic": False} | order for order in farm.oil_orders])
    true_blocks = pd.DataFrame(parameters[label].values())
    true_blocks.insert(1, "area_ha", blocks["area_ha"].round(3).to_numpy())
    hidden = {
        "blocks": true_blocks,
        "weather_days": weather[label],
        "hard_blocks": pd.DataFrame(farm.hard, columns=["block_id", "kind", "says"]),
    }
    return tables, hidden


def _stations(farm: _Farm, blocks: pd.DataFrame) -> pd.DataFrame:
    name, block_id, _ = farm.logger
    block = blocks.set_index("block_id").loc[block_id]
    place = {"lat_deg": round(block["lat_deg"], 3), "lon_deg": round(block["lon_deg"], 3), "block_id": block_id}
    return pd.DataFrame([*farm.stations, {"station_id": name} | place]).assign(time_zone=farm.time_zone)


def _logged(farm: _Farm, seed: int, blocks: pd.DataFrame, measured: pd.DataFrame) -> pd.DataFrame:
    """Days of the logger in the cold block, a month after the season's start on: cold nights are the coldest there."""
    name, block_id, colder_c = farm.logger
    station = blocks.set_index("block_id").loc[block_id, "station_id"]
    begins = pd.Timestamp(farm.start) + pd.Timedelta(days=31)
    days = measured[(measured["station_id"] == station) & (measured["day"] >= begins)].reset_index(drop=True)
    rng = keyed_rng(seed, farm.key, "logger")
    low = days["temp_min_c"].to_numpy()
    cold = low <= np.quantile(low, 1 / 3)
    off = np.where(cold, colder_c, 0.55 * colder_c) + rng.normal(0, 0.4, len(low))
    off[cold] += colder_c - off[cold].mean()  # so the demo's figure is the same for every seed
    high = days["temp_max_c"] + rng.normal(0.3, 0.4, len(low))
    return days.assign(station_id=name, temp_min_c=low - off, temp_max_c=high, rain_mm=np.nan)


def _blocks(farm: _Farm) -> pd.DataFrame:
    rows = []
    for ranch in farm.ranches:
        for i, ((name, cultivar, area), (east_m, north_m)) in enumerate(
            zip(ranch.blocks, _ranch_grid(farm, ranch), strict=True), start=1
        ):
            block_id = f"{ranch.code}-{i:02d}"
            far_m = ranch.haul_km * 1000 / 1.25  # the road is a quarter longer than the straight line
            bearing = np.deg2rad(ranch.bearing_deg)
            north_m += far_m * np.cos(bearing)
            east_m += far_m * np.sin(bearing)
            lat_deg = farm.mill_lat_deg + north_m / 111_200
            row = {
                "block_id": block_id,
                "block_name": name,
                "grower": ranch.grower,
                "ranch": ranch.name,
                "cultivar": cultivar,
                "contract_id": ranch.contract_id,
                "area_ha": _area_ha(farm, area),
                "crop_on": farm.crop_on,
                "crop_sd_pct": 10,
                "row_spacing_m": 12 * units.M_PER_FOOT,
                "tree_spacing_m": 5 * units.M_PER_FOOT,
                "slope_pct": ranch.slope_pct + i % 3,
                "soil": ranch.soil,
                "lat_deg": lat_deg,
                "lon_deg": farm.mill_lon_deg + east_m / (111_200 * np.cos(np.deg2rad(lat_deg))),
                "haul_km": ranch.haul_km + 0.16 * (i - 1),
                "organic": ranch.organic,
                "colder_c": 0.0,
                "station_id": ranch.station_id,
                "style": "balanced",
            }
            rows.append(row | farm.set_block.get(block_id, {}))
    return pd.DataFrame(rows)


def _area_ha(farm: _Farm, area: float) -> float:
    return area * units.HA_PER_ACRE if farm.units == "us" else float(area)


def _ranch_grid(farm: _Farm, ranch: _Ranch) -> list[tuple[float, float]]:
    """Centres of a ranch's blocks [m east, m north]: squares of their area in rows, lanes between."""
    lane_m = 25.0
    side_m = [np.sqrt(_area_ha(farm, area) * 10_000) for _, _, area in ranch.blocks]
    across = int(np.ceil(np.sqrt(len(side_m))))
    centres, top = [], 0.0
    for start in range(0, len(side_m), across):
        row = side_m[start : start + across]
        left = 0.0
        for side in row:
            centres.append((left + side / 2, top - side / 2))
            left += side + lane_m
        top -= max(row) + lane_m
    middle_east, middle_north = np.mean(centres, axis=0)
    return [(east - middle_east, north - middle_north) for east, north in centres]


def _cultivars() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "cultivar": list(CULTIVARS),
            "plateau_dry_pct": [c.published_plateau_pct for c in CULTIVARS.values()],
            "plateau_source": [c.plateau_source for c in CULTIVARS.values()],
            "maturity_aim": [c.maturity_aim for c in CULTIVARS.values()],
            "turns_black": True,
        }
    )


def _past_picks(
    farm: _Farm, seed: int, blocks: pd.DataFrame, weather: pd.DataFrame, states: dict, label: int
) -> pd.DataFrame:
    """Tickets of a past season: two harvesters work through the blocks on days fit for it."""
    first_station = weather[weather["station_id"] == farm.stations[0]["station_id"]]
    rain_mm = first_station["rain_mm"].to_numpy()
    rain_before = np.concatenate([[0.0], rain_mm[:-1]])
    days = pd.DatetimeIndex(first_station["day"])
    workable = [d for d in range(farm.pick_start_d, len(days)) if rain_mm[d] < 2 and rain_before[d] < 8]
    late = {
        b: CULTIVARS[c].late_d + keyed_rng(seed, farm.key, "turn", b, label).normal(0, 5)
        for b, c in zip(blocks["block_id"], blocks["cultivar"], strict=True)
    }
    queue = blocks.assign(turn=blocks["block_id"].map(late)).sort_values(["turn", "block_id"])
    slots = [(d, harvester["harvester_id"]) for d in workable for harvester in farm.harvesters]
    left_ha = [_HA_PER_DAY] * len(slots)
    rows = []
    at = {harvester["harvester_id"]: i for i, harvester in enumerate(farm.harvesters)}
    step = len(farm.harvesters)
    for _, block in queue.iterrows():
        harvester_id = min(at, key=lambda h: (at[h] // step, -left_ha[min(at[h], len(slots) - 1)], h))
        to_do = block["area_ha"]
        while to_do > 1e-9 and at[harvester_id] < len(slots):
            slot = at[harvester_id]
            # Half a hectare more than planned rather than a remnant for another day.
            area = to_do if to_do < left_ha[slot] + 0.5 else left_ha[slot]
            rows.append(_ticket(farm, seed, block, states, days, slots[slot][0], area, harvester_id, label))
            to_do -= area
            left_ha[slot] -= area
            if left_ha[slot] < 0.5:
                at[harvester_id] += step
    return pd.DataFrame(rows)


def _picks_now(farm: _Farm, seed: int, blocks: pd.DataFrame, states: dict) -> pd.DataFrame:
    """Tickets of this season: one block done three days ago, one begun since."""
    days = _season_days(farm, farm.start.year)
    today = (farm.as_of - farm.start).days
    done, partly = (
        blocks[blocks["block_id"] == block_id].iloc[0] for block_id in (farm.done_block, farm.partly_block)
    )
    harvester_id = farm.harvesters[0]["harvester_id"]
    work = [(done, today - 4, done["area_ha"] / 2), (done, today - 3, done["area_ha"] / 2)]
    begun_ha = round(0.2 * float(partly["area_ha"]), 1)  # a day
    work += [(partly, today - 2, begun_ha), (partly, today - 1, begun_ha)]
    return pd.DataFrame(
        [
            _ticket(farm, seed, block, states, days, d, area, harvester_id, farm.start.year)
            for block, d, area in work
        ]
    )


def _ticket(
    farm: _Farm,
    seed: int,
    block: pd.Series,
    states: dict,
    days: pd.DatetimeIndex,
    d: int,
    area_ha: float,
    harvester_id: str,
    label: int,
) -> dict:
    block_id = block["block_id"]
    rng = keyed_rng(seed, farm.key, "ticket", block_id, label, d)
    state = {name: values[d] for name, values in states[block_id].items()}
    removal = next(h["removal_pct"] for h in farm.harvesters if h["harvester_id"] == harvester_id) / 100
    net_t = area_ha * state["crop_t_ha"] * removal * (1 + rng.normal(0, 0.03))
    oil = state["oil_fresh_pct"] * (1 + rng.normal(0, 0.025))
    moisture = state["moisture_pct"] + rng.normal(0, 0.6)
    # Industrial yield: fat less a tenth of the fat-free dry matter (note of 15/12/2009 rev 3, section 2.1).
    paid_pct = oil - (100 - oil - moisture) * farm.mill["corrector_fraction"]
    return {
        "ticket_id": f"{label % 100}-{block_id}-{days[d]:%m%d}",
        "block_id": block_id,
        "picked_on": days[d],
        "harvester_id": harvester_id,
        "area_ha": area_ha,
        "net_t": net_t,
        "oil_fresh_pct": oil,
        "moisture_pct": moisture,
        "oil_out_kg": net_t * 10 * paid_pct * (1 + rng.normal(0, 0.01)),
        "free_acid_pct": 0.15 + 0.06 * max(state["maturity_index"] - 1.5, 0) + rng.gamma(2, 0.02),
        "peroxide_meq_kg": 4.5 + rng.gamma(3, 1.0),
    }


def _samples(
    farm: _Farm, seed: int, blocks: pd.DataFrame, states: dict, picks: pd.DataFrame, label: int
) -> pd.DataFrame:
    """Weekly samples: the house laboratory's on Mondays; the outside one's from the Friday before."""
    days = _season_days(farm, label)
    if label == farm.start.year:
        last = (farm.as_of - farm.start).days
    else:
        last = farm.pick_start_d + 56
    monday = farm.first_sample_d + (7 - days[farm.first_sample_d].day_of_week) % 7
    mondays = range(monday, last + 1, 7)
    shared = [[ASSUMED[name]] for name in ("oil_week_cv", "moisture_week_sd_pct", "colour_week_sd")]
    week = keyed_rng(seed, farm.key, "week", label).normal(0, shared, (3, 40)).T
    labs = {ranch.name: ranch.lab for ranch in farm.ranches}
    first_pick = picks.groupby("block_id")["picked_on"].agg(list)
    kinds = {kind: block_id for block_id, kind, _ in farm.hard if kind != "organic"}
    rows = []
    for _, block in blocks.iterrows():
        block_id = block["block_id"]
        house = labs[block["ranch"]] == "house"
        own_picks = [d for d in first_pick.get(block_id, []) if days[0] <= d <= days[-1]]
        state = states[block_id]
        rng = keyed_rng(seed, farm.key, "sample", block_id, label)
        noise = np.clip(rng.standard_normal((40, 5)), -2, 2)  # a laboratory repeats what lies further off
        seen = rng.random(40) > 0.08
        holes = keyed_rng(seed, farm.key, "fly", block_id).gamma(1.2, 0.5)
        for number, received in enumerate(mondays):
            d = received if house else received - 3
            if block_id == farm.partly_block and label == farm.start.year:
                done = False  # the rest of the block is still sampled
            else:
                done = bool(own_picks) and days[d] >= min(own_picks)
            if not seen[number] or done or state["oil_dry_pct"][d] < 12:
                continue
            if label == farm.start.year and block_id == kinds["two samples only"] and received < last - 7:
                continue
            oil_cv = ASSUMED["oil_cv"] if house else OUTSIDE_OIL_CV
            oil, moisture, chances = reading(state, d, noise[number, :3], week[number], oil_cv=oil_cv)
            if label == farm.start.year and block_id == kinds["doubtful sample"] and received == last - 7:
                oil *= 0.74
            fruits = 100 if label == farm.start.year else 50
            counts = keyed_rng(seed, farm.key, "colour", block_id, label, number).multinomial(fruits, chances)
            mass = (
                CULTIVARS[block["cultivar"]].fruit_g * (0.6 + 0.4 * d / 92) * np.exp(0.05 * noise[number, 3])
            )
            row = {
                "sample_id": f"{label % 100}-{block_id}-{number + 1:02d}",
                "block_id": block_id,
                "sampled_on": days[d],
                "received_on": days[received],
                "trees_n": 20,
                "fruits_n": fruits,
                "fruit_mass_g": mass,
                "moisture_pct": moisture,
                "method": "nmr" if house else "soxhlet",
                "lab": "House laboratory" if house else "Outside laboratory (invented)",
            }
            if house:
                row["oil_fresh_pct"] = oil * (1 - moisture / 100)
                row |= {f"class{k}_n": int(n) for k, n in enumerate(counts)}
            else:
                row["oil_dry_pct"] = oil
                row["maturity_index"] = counts @ np.arange(8) / fruits
            if label == farm.start.year and received > last - 35:
                row["fallen_pct"] = max(state["fallen_pct"][d] * np.exp(0.25 * noise[number, 4]), 0)
                if block_id == kinds.get("fly"):
                    holes = 13 - (last - received) / 7 * 2.2
                row["fly_holes_pct"] = np.floor(holes)
            rows.append(row)
    return pd.DataFrame(rows)


def _committed(
    farm: _Farm, blocks: pd.DataFrame, samples: pd.DataFrame, treatments: pd.DataFrame
) -> pd.DataFrame:
    """Last week's order by a plain rule: highest fresh oil first, each harvester in turn, 8.5 ha a day."""
    committed_on = farm.as_of - timedelta(days=7)
    known = samples[
        (samples["sampled_on"] >= pd.Timestamp(farm.start))
        & (samples["received_on"] <= pd.Timestamp(committed_on))
    ]
    fresh = known["oil_fresh_pct"].fillna(known["oil_dry_pct"] * (1 - known["moisture_pct"] / 100))
    last_fresh = fresh.groupby(known["block_id"]).last()
    free_on = pd.to_datetime(treatments["applied_on"]) + pd.to_timedelta(treatments["wait_days"], unit="D")
    sprayed = treatments.loc[free_on > pd.Timestamp(farm.as_of), "block_id"]
    shut = {b for b, cells in farm.set_block.items() if "closed_to" in cells or "pick_after" in cells}
    barred = {*sprayed, *shut, farm.done_block, farm.partly_block}
    order = [b for b in last_fresh.sort_values(ascending=False, kind="stable").index if b not in barred]
    area = blocks.set_index("block_id")["area_ha"]
    first, second = (h["harvester_id"] for h in farm.harvesters)
    promised = [(farm.done_block, first, -4.0), (farm.partly_block, first, -2.0)]
    free = {first: 1.5, second: 1.0}  # days from as-of on which each may begin its next block
    for block_id in order:
        harvester_id = min(free, key=lambda h: free[h])
        if free[harvester_id] > 11:
            break
        promised.append((block_id, harvester_id, free[harvester_id]))
        free[harvester_id] += area[block_id] / _HA_PER_DAY + 0.1
    return pd.DataFrame(
        [
            {
                "block_id": block_id,
                "harvester_id": harvester_id,
                "rank": rank,
                "pick_on": farm.as_of + timedelta(days=int(np.floor(day))),
                "committed_on": committed_on,
            }
            for rank, (block_id, harvester_id, day) in enumerate(promised, start=1)
        ]
    )


# --- writing -----------------------------------------------------------------------------------------------

# What a grower in the United States writes instead of each metric unit.
_US_SUFFIX = {
    "ha": "_ac",
    "t/ha": "_short_ton_ac",
    "t": "_short_ton",
    "t/h": "_short_ton_h",
    "kg oil": "_gal",
    "km": "_mi",
    "km/h": "_mi_h",
    "m": "_ft",
    "mm": "_in",
    "C": "_f",
    "C difference": "_f",
    "l oil": "_gal",
    "money/kg oil": "_gal",
    "money/l oil": "_gal",
    "money/t": "_short_ton",
    "money/km": "_mi",
}
_DECIMALS = {
    "lat_deg": 5,
    "lon_deg": 5,
    "elevation_m": 0,
    "rain_in": 2,
    "fruit_mass_g": 2,
    "crop_sd_pct": 0,
    "slope_pct": 0,
    "max_slope_pct": 0,
    "removal_pct": 0,
    "buffer_t": 0,
    "buffer_short_ton": 0,
    "max_wait_h": 0,
    "cost_per_t": 0,
    "cost_per_short_ton": 0,
    "oil_out_kg": 0,
    "oil_out_gal": 0,
    "oil_gal": 0,
    "shortfall_cost_gal": 2,
    "free_acid_pct": 2,
    "maturity_index": 2,
    "row_spacing_m": 2,
    "tree_spacing_m": 2,
    "speed_km_h": 2,
    "speed_mi_h": 2,
    "crop_t_ha": 2,
    "crop_short_ton_ac": 2,
    "area_ha": 2,
    "area_ac": 1,
    "load_h": 2,
    "unload_h": 2,
    "cleaning_h": 2,
    "efficiency_fraction": 2,
    "corrector_fraction": 2,
    "virgin_factor": 2,
    "step_per_point": 2,
    "price_oil_kg": 2,
    "price_oil_gal": 2,
    "cost_per_km": 2,
    "cost_per_mi": 2,
    "fly_holes_pct": 0,
    "hours_per_day": 0,
    "price_fruit_t": 0,
    "price_fruit_short_ton": 0,
    "cost_per_h": 0,
}


def _as_written(table: str, frame: pd.DataFrame, *, us: bool) -> pd.DataFrame:
    """Give a table the headings, units and digits of the file; leave out columns without any value."""
    written = {}
    for column in TABLES[table]:
        if column.name not in frame or frame[column.name].isna().all():
            continue
        values = frame[column.name]
        name = column.name
        if us and column.unit in _US_SUFFIX:
            name, values = _in_us_unit(column, values)
        if column.kind == "number":
            digits = _DECIMALS.get(name, 1)
            values = values.astype(float).round(digits) + 0.0  # no minus zero
            if digits == 0:
                values = values.astype("Int64")
        elif column.kind == "integer":
            values = values.astype("Int64")
        elif column.kind == "date":
            values = pd.to_datetime(values).dt.date
        elif column.kind == "bool":
            values = values.map({True: "yes", False: "no"})
        written[name] = values.astype(object).where(values.notna(), None)
    return pd.DataFrame(written).reset_index(drop=True)


def _in_us_unit(column: Column, values: pd.Series) -> tuple[str, pd.Series]:
    unit = UNITS[column.unit]
    wanted = next(a for a in unit.alternatives if a.suffix == _US_SUFFIX[column.unit])
    name = column.name.removesuffix(unit.suffix) + wanted.suffix
    return name, (values.astype(float) - wanted.offset) / wanted.factor


def _csv(frame: pd.DataFrame) -> bytes:
    return frame.to_csv(index=False, lineterminator="\n").encode()


def _workbook(sheets: dict[str, pd.DataFrame]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, frame in sheets.items():
        sheet = book.create_sheet(table)
        sheet.append(list(frame.columns))
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        sheet.freeze_panes = "A2"
        for row in frame.itertuples(index=False):
            sheet.append(list(row))
    return _steady_xlsx(book)


def _steady_xlsx(book: openpyxl.Workbook) -> bytes:
    """Bytes of a workbook without the time of writing, so that the same cells give the same file."""
    book.properties.creator = "olivetime demo (invented data)"
    book.properties.created = datetime(2026, 1, 1)
    saved = io.BytesIO()
    book.save(saved)
    stamp = book.properties.modified.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    steady = io.BytesIO()
    with (
        zipfile.ZipFile(saved) as source,
        zipfile.ZipFile(steady, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            part = source.read(name)
            if name == "docProps/core.xml":
                part = part.replace(stamp, b"2026-01-01T00:00:00Z")
            target.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), part, zipfile.ZIP_DEFLATED)
    return steady.getvalue()


def _season_toml(farm: _Farm) -> str:
    kind, value = farm.target
    lines = [
        "# Invented: no such farm, grower, sample or weather exists.",
        "[season]",
        f'name = "{farm.name}"',
        f'place = "{farm.place}"',
        f"start = {farm.start}",
        f"end = {farm.end}",
        f'units = "{farm.units}"',
        'currency = "USD"',
        f'time_zone = "{farm.time_zone}"',
        f'locale = "{farm.locale}"',
        "",
        "[layout]",
        'decimal = "."',
        'date_order = "ymd"',
        "",
        "[target]",
        f'kind = "{kind}"',
        f"value = {value}",
    ]
    if farm.rules:
        lines += ["", "[rules]", *(f"{name} = {value}" for name, value in farm.rules.items())]
    return "\n".join(lines) + "\n"


def write_messy(path: str | Path) -> Path:
    """Write a short invented laboratory workbook with everything that makes such books hard to read.

    Two merged title lines, a hidden row, a blank row, decimal commas, cells formatted as per cent, dates
    as text, a result below the laboratory's limit, a formula that was never calculated and a total row.

    Parameters
    ----------
    path : str or Path
        The .xlsx file to write; replaced when present.

    Returns
    -------
    Path
        The file.
    """
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "samples"
    sheet["A1"] = "Outside laboratory (invented): olive fruit, week 44"
    sheet.merge_cells("A1:G1")
    sheet["A2"] = "All results invented"
    sheet.merge_cells("A2:G2")
    headings = [
        "sample_id",
        "block_id",
        "sampled_on",
        "moisture_pct",
        "oil_fresh_pct",
        "fruit_mass_g",
        "note",
    ]
    rows: list[list[Any]] = [
        ["L-101", "HR-03", date(2026, 10, 26), "58,4", "16,9", "1,52", None],
        ["L-102", "hr 04", "26 Oct 2026", 0.591, 0.162, 1.61, "cells formatted as per cent"],
        ["L-103", "BR-01", "2026-10-26", "57.9", "<LOD", 1.48, "below the laboratory's limit"],
        ["L-104", "BR-02", date(2026, 10, 26), 56.8, 15.1, 0.88, "hidden row"],
        [None] * 7,
        ["L-105", "EF-01", "26.10.2026", "58,8 %", "17,0 %", "1,47", None],
        ["L-106", "EF-02", date(2026, 10, 26), 59.3, "=E4*1.02", 1.66, "formula never calculated"],
        ["Total", None, None, None, None, None, "6 samples"],
    ]
    for column, heading in enumerate(headings, start=1):
        sheet.cell(3, column, heading).font = Font(bold=True)
    for at, row in enumerate(rows, start=4):
        for column, value in enumerate(row, start=1):
            sheet.cell(at, column, value)
    for cell in (sheet["D5"], sheet["E5"]):
        cell.number_format = "0.0%"
    sheet.row_dimensions[7].hidden = True
    path = Path(path)
    write_atomic(path, _steady_xlsx(book))
    return path


def sample_data_page() -> str:
    """Text of sample_data/README.md: what the seasons hold, the hard blocks, every table and column."""
    text = [
        "# Sample data: all of it invented",
        "",
        "No farm, mill, grower, ranch, sample, ticket, price or day of weather here is real.",
        "`olivetime/demo.py` makes everything from a seed; its first page lists what is assumed. To write it",
        "again:",
        "",
        "    python -c \"from olivetime.demo import write_sample_data as w; w('sample_data')\"",
        "",
        "| folder | what |",
        "|---|---|",
    ]
    for farm in FARMS.values():
        blocks_n = sum(len(ranch.blocks) for ranch in farm.ranches)
        growers_n = len({ranch.grower for ranch in farm.ranches})
        form = "CSV files in US units" if farm.units == "us" else "one workbook, `records.xlsx`, metric"
        text.append(
            f"| `{farm.key}/` | {farm.name}: {growers_n} growers, {blocks_n} blocks, {len(CULTIVARS)} "
            f"cultivars; season {farm.start} to {farm.end}, records up to Monday {farm.as_of}; {form} |"
        )
    text += [
        "| `messy.xlsx` | a short laboratory workbook with merged titles, a hidden row, decimal commas, "
        "per cent formats, `<LOD`, dates as text, a formula never calculated and a total row |",
        "",
        f"Each season has {PAST_SEASONS_N} past seasons of samples and picks, {PAST_WEATHER_N} past ones of",
        f"daily weather at two stations, and an outlook of {MEMBERS_N} members for {OUTLOOK_DAYS} days with the",
        f"issues of the {PAST_ISSUES_N} weeks before.",
        "The second station missed two days this season. A logger without a rain gauge stands in the frost",
        "pocket since the second month; it shows a colder block than was entered.",
        "",
        "## The truth beside it",
        "`truth/` in each season folder is there to score olivetime; `read_season` never opens it.",
        "`blocks.csv` holds each block's true curve and crop, `weather_days.csv` the weather of the whole",
        "season, also after the as-of day, `hard_blocks.csv` the table below.",
        "`olivetime.demo.truth(folder)` gives each block's true course by day.",
        "",
        "## Blocks that make life hard",
        "| season | block | kind | what |",
        "|---|---|---|---|",
    ]
    for farm in FARMS.values():
        text += [f"| {farm.key} | {block_id} | {kind} | {says} |" for block_id, kind, says in farm.hard]
    text += [
        "",
        "## Tables and columns",
        "Names as in the metric season. A heading may carry another unit instead; the northern season writes",
        "the ones in the last column, and olivetime converts them.",
    ]
    for table, columns in TABLES.items():
        text += ["", f"### {table}", TABLE_HELP[table], "", "| column | kind | unit | meaning | US heading |"]
        text.append("|---|---|---|---|---|")
        for column in columns:
            us = ""
            if column.unit in _US_SUFFIX:
                us = column.name.removesuffix(UNITS[column.unit].suffix) + _US_SUFFIX[column.unit]
            says = column.help + ("" if column.required else " Optional.")
            unit = UNITS[column.unit].says
            text.append(f"| {column.name} | {column.kind} | {unit} | {says} | {us} |")
    return "\n".join(text) + "\n"
