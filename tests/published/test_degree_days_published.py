"""Degree days against the two published tables that carry every method.

Zalom, Goodell, Wilson, Barnett and Bentley (1983), University of California leaflet 21373, table 7: degrees
Fahrenheit, lower threshold 55, upper 90, horizontal cut-off. Read as carried in the tests of the R package
degday. McMaster and Wilhelm (1997), table 1: degrees Celsius, base 0, methods 1 and 2.
"""

import numpy as np
import pytest
from scipy import integrate
from vega_datasets import data

from olivetime.weather.degree_days import degree_days

# Minimum, maximum, next day's minimum; then single triangle, double triangle, single sine, double sine.
ZALOM_TABLE_7 = [
    (96, 110, 91, 35, 35, 35, 35),
    (91, 105, 96, 35, 35, 35, 35),
    (45, 54, 38, 0, 0, 0, 0),
    (38, 50, 45, 0, 0, 0, 0),
    (60, 80, 75, 15, 18.75, 15, 18.75),
    (75, 88, 60, 26.5, 22.75, 26.5, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31),
    (45, 70, 50, 4.5, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, 24.88, 22.82, 26.26),
    (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69),
    (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]
METHOD_OF_COLUMN = {3: "single_triangle", 4: "double_triangle", 5: "single_sine", 6: "double_sine"}
MISPRINT = (8, 4)  # ninth row, double triangle: printed 24.88, see test_the_misprinted_entry

ZALOM_ENTRIES = [(r, c) for r in range(len(ZALOM_TABLE_7)) for c in METHOD_OF_COLUMN if (r, c) != MISPRINT]


@pytest.mark.parametrize(("row", "column"), ZALOM_ENTRIES)
def test_zalom_1983_table_7(row, column):
    low, high, low_next = ZALOM_TABLE_7[row][:3]
    got = degree_days(low, high, lower_c=55, upper_c=90, method=METHOD_OF_COLUMN[column], temp_min_next_c=low_next)
    # Two decimals are printed: half a unit of the second, and a hair for results that end in exactly 5.
    assert abs(got - ZALOM_TABLE_7[row][column]) <= 0.00501


def test_47_of_48_numbers_are_checked():
    assert len(ZALOM_ENTRIES) == 47


def test_the_misprinted_entry_is_27_125_by_integration():
    # Straight lines from 60 up to 100 and down to 75, counted between 55 and 90 F.
    def course(hour):
        return np.interp(hour, [0, 12, 24], [60, 100, 75])

    def counted(hour):
        return np.clip(course(hour), 55, 90) - 55

    crossings = [12 * (90 - 60) / 40, 12 + 12 * (100 - 90) / 25]
    integral, _ = integrate.quad(counted, 0, 24, points=[*crossings, 12])
    assert integral / 24 == pytest.approx(27.125, abs=1e-9)
    got = degree_days(60, 100, lower_c=55, upper_c=90, method="double_triangle", temp_min_next_c=75)
    assert got == pytest.approx(27.125, abs=1e-12)
    assert abs(ZALOM_TABLE_7[8][4] - 27.125) > 2  # what the table prints


# Maximum, minimum; then method 1 and method 2.
MCMASTER_TABLE_1 = [
    (20, 10, 15, 15),
    (10, 1, 5.5, 5.5),
    (8, -2, 3, 4),
    (6, 0, 3, 3),
    (10, 5, 7.5, 7.5),
    (5, -5, 0, 2.5),
    (-2, -7, 0, 0),
    (-5, -10, 0, 0),
    (10, -2, 4, 5),
    (15, 2, 8.5, 8.5),
]


@pytest.mark.parametrize(("high", "low", "method_1", "method_2"), MCMASTER_TABLE_1)
def test_mcmaster_and_wilhelm_1997_table_1(high, low, method_1, method_2):
    assert degree_days(low, high, lower_c=0, method="average") == pytest.approx(method_1, abs=1e-12)
    assert degree_days(low, high, lower_c=0, method="clipped_average") == pytest.approx(method_2, abs=1e-12)


@pytest.mark.filterwarnings("ignore")  # that library's own warnings, of names pandas will drop
def test_mean_method_equals_xclims_growing_degree_days():
    # An independent library; months of four measured years (Seattle, as carried by vega_datasets), base 7.5 C.
    xclim = pytest.importorskip("xclim")
    xarray = pytest.importorskip("xarray")
    rows = data.seattle_weather()
    mean = (rows["temp_min"] + rows["temp_max"]).to_numpy() / 2
    days = xarray.DataArray(mean, coords={"time": rows["date"].to_numpy()}, dims="time", attrs={"units": "degC"})
    theirs = xclim.indices.growing_degree_days(days, thresh="7.5 degC", freq="MS")
    ours = degree_days(rows["temp_min"], rows["temp_max"], lower_c=7.5, method="average")
    monthly = rows.assign(dd=ours).set_index("date")["dd"].resample("MS").sum()
    assert len(monthly) == 48
    np.testing.assert_allclose(monthly, theirs.to_numpy(), atol=1e-9)
