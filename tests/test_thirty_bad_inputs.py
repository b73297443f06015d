"""Which test stands for which of the thirty bad inputs that the records room promises a sentence for.

Each test writes the input as a small file of its own into an empty folder and states the sentence.
"""

import importlib
import re

import numpy as np
import pandas as pd
import pytest
from small_season import write

from olivetime.records.season import read_season
from olivetime.weather.stations import station_days

BAD, HOURS, MAPS = "test_bad_input", "test_hours_and_aliases", "test_boundaries"
HERE, SERVICES = "test_thirty_bad_inputs", "test_services"
THIRTY = {
    1: (BAD, "a decimal comma among points"),
    2: (BAD, "a whole file of decimal commas"),
    3: (BAD, "a fraction among per cents"),
    4: (BAD, "cells in per cent format"),
    5: (BAD, "a date that could be two"),
    6: (BAD, "both orders of day and month in one column"),
    7: (BAD, "a sample dated after the as-of day"),
    8: (BAD, "a sample twice"),
    9: (BAD, "a block's name misspelt"),
    10: (BAD, "two blocks with one name"),
    11: (BAD, "a block named NA, 1E5 or 007"),
    12: (BAD, "dry, fresh and moisture that disagree"),
    13: (BAD, "moisture of 157"),
    14: (BAD, "n.d. and <LOD"),
    15: (BAD, "#DIV/0! and formulas never calculated"),
    16: (BAD, "total rows, blank rows, hidden rows"),
    17: (BAD, "a heading twice or missing"),
    18: (BAD, "old, locked, empty and disguised files"),
    19: (BAD, "a zip bomb, XML entities"),
    20: (BAD, "other code pages"),
    21: (BAD, "Fahrenheit under a Celsius heading"),
    22: (BAD, "codes for no reading, lows above highs"),
    23: (HERE, "a stuck sensor, a gap, most of a season missing"),
    24: (HOURS, "hours twice, never, and 24:00"),
    25: (MAPS, "outlines crossed, swapped, without a system, too large"),
    26: (BAD, "a treatment without its interval"),
    27: (BAD, "a mill that never runs, payload in kilograms"),
    28: (BAD, "one sample or none"),
    29: (BAD, "an outlook that can't be read"),
    30: (BAD, "hostile names"),
}
# The service's half of number 29 is tested where services are asked.
SERVICE_TESTS = (
    "test_a_503_is_cured_by_asking_again_after_a_pause",
    "test_after_three_tries_it_gives_up_in_words_and_keeps_nothing_of_it",
    "test_truncated_answers_are_asked_again_and_never_kept",
    "test_old_documents_are_told_of_and_very_old_ones_refused",
    "test_open_meteo_several_places_models_nulls_and_units",
)


def test_each_of_the_thirty_has_its_tests():
    assert sorted(THIRTY) == list(range(1, 31))
    for number, (module, _) in THIRTY.items():
        names = vars(importlib.import_module(module))
        assert any(re.match(rf"test_{number:02d}_", name) for name in names), f"number {number} has no test in {module}"
    services = importlib.import_module(SERVICES)
    assert all(hasattr(services, name) for name in SERVICE_TESTS)


def weather(days, low, high):
    rows = [f"S1,{day:%Y-%m-%d},{a:.1f},{b:.1f},0" for day, a, b in zip(days, low, high, strict=True)]
    return "station_id,day,temp_min_c,temp_max_c,rain_mm\n" + "\n".join(rows) + "\n"


@pytest.fixture
def autumn():
    days = pd.date_range("2026-08-01", "2026-10-05")
    wave = 2 * np.sin(np.arange(len(days)))
    return days, 12 + wave, 27 - wave


def found(folder):
    findings = station_days(read_season(folder)).findings
    told = zip(findings["level"], findings["says"], findings["do"], strict=True)
    return [f"{level}: {says} {do}" for level, says, do in told]


def test_23_a_stuck_sensor_and_a_gap_of_four_days(tmp_path, autumn):
    days, low, high = autumn
    low[20:26], high[20:26] = 13.3, 25.5
    keep = np.r_[0:40, 44 : len(days)]
    said = found(write(tmp_path, weather_days=weather(days[keep], low[keep], high[keep])))
    assert (
        "warning: weather_days, station S1, day: 4 days without any temperature (2026-09-10, 2026-09-11, 2026-09-12 "
        "and 1 more). Fetch it from the logger if it still holds it."
    ) in said
    assert (
        "warning: weather_days, station S1, temp_min_c: 6 days of a stuck sensor (the same for 10 days, or lowest and "
        "highest both for 5), not used (2026-08-21, 2026-08-22, 2026-08-23 and 3 more). "
        "Check the sensor and its shield."
    ) in said
    assert any("of 66 days, 10 filled in (4 by a straight line, 6 with usual values)" in text for text in said)


def test_23_most_of_a_season_missing(tmp_path, autumn):
    days, low, high = autumn
    keep = np.r_[0:4, 60 : len(days)]
    said = found(write(tmp_path, weather_days=weather(days[keep], low[keep], high[keep])))
    assert (
        "error: weather_days, station S1, season 2026: of 66 days, 56 filled in (56 with usual values). "
        "Read sums of warmth of this season with care."
    ) in said
