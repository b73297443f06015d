"""Ensemble files on a grid: made here with the libraries that write them, read back at the nearest point."""

import io
import math
import sys
from functools import cache

import numpy as np
import pandas as pd
import pytest

from olivetime.records.columns import SeasonError
from olivetime.weather.grids import read_grid
from olivetime.weather.services import OUTLOOK_COLUMNS

CALIFORNIA = "America/Los_Angeles"
# Points every half degree from 40 N 237 E down to 38 N 239 E: S1 lies nearest to 38.5 N 238 E.
LAT, LON = np.arange(40.0, 37.9, -0.5), np.arange(237.0, 239.1, 0.5)
STATIONS = pd.DataFrame({"station_id": ["S1"], "lat_deg": [38.54], "lon_deg": [-121.95]})
ISSUED = pd.Timestamp("2026-10-30T00:00")
# Local days of California: 31 October begins at 07:00 UTC, 1 November (25 hours) too, 2 November at 08:00 UTC.
STEPS_H = np.arange(0, 85, 3)


def member_temp(member, hours):
    """C: a wave about 12 + member, coldest at 13:00 UTC, which is a step's time."""
    return 12.0 + member - 6.0 * np.cos(2 * np.pi * (hours - 13.0 + 1.0) / 24)


def member_rain(member, hours):
    """mm since the issue: 0.25 mm (1 + member) in each hour."""
    return 0.25 * (1 + member) * hours


@cache
def grib(*, grid_rain="tp", bucket_h=None, extremes=False):
    """GRIB2 of members 0 to 2; the value at 38.5 N 238 E is the member's, all others are 50 C and 100 mm higher."""
    codes = pytest.importorskip("eccodes")
    out = io.BytesIO()
    near = np.zeros((len(LAT), len(LON)), bool)
    near[3, 2] = True

    def message(short, member, step, value, template, wrong):
        handle = codes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
        for key, set_to in {
            "Ni": len(LON), "Nj": len(LAT),
            "latitudeOfFirstGridPointInDegrees": LAT[0], "latitudeOfLastGridPointInDegrees": LAT[-1],
            "longitudeOfFirstGridPointInDegrees": LON[0], "longitudeOfLastGridPointInDegrees": LON[-1],
            "iDirectionIncrementInDegrees": 0.5, "jDirectionIncrementInDegrees": 0.5,
            "dataDate": int(ISSUED.strftime("%Y%m%d")), "dataTime": ISSUED.hour * 100,
            "productDefinitionTemplateNumber": template, "shortName": short, "number": member, "stepRange": step,
            "bitsPerValue": 24,
        }.items():  # fmt: skip
            codes.codes_set(handle, key, set_to)
        codes.codes_set_values(handle, np.where(near, value, value + wrong).ravel())
        out.write(codes.codes_get_message(handle))
        codes.codes_release(handle)

    for member in range(3):
        for h in STEPS_H:
            message("2t", member, str(h), 273.15 + member_temp(member, h), 1, 50.0)
            if h == 0:
                continue
            start = 0 if bucket_h is None else (h - 1) // bucket_h * bucket_h
            mm = member_rain(member, h) - member_rain(member, start)
            message(grid_rain, member, f"{start}-{h}", mm / 1000, 11, 0.1)
            if extremes and h % 6 == 0:
                message("mn2t6", member, f"{h - 6}-{h}", 273.15 - 9.0 + member, 11, 50.0)
                message("mx2t6", member, f"{h - 6}-{h}", 273.15 + 35.0 + member, 11, 50.0)
    return out.getvalue()


@cache
def netcdf(*, rain="since start", unit="K", hdf=True, step_dim=False, far=0.0):
    xarray = pytest.importorskip("xarray")
    temp = np.full((3, len(STEPS_H), len(LAT), len(LON)), 350.0)
    fell = np.full_like(temp, 77.0) * STEPS_H[:, None, None]
    for member in range(3):
        temp[member, :, 3, 2] = 273.15 + member_temp(member, STEPS_H)
        fell[member, :, 3, 2] = member_rain(member, STEPS_H)
    attrs = {"units": "kg m-2"}
    if rain == "each step":
        fell = np.diff(fell, axis=1, prepend=0.0)
        attrs["cell_methods"] = "time: sum"
    if rain == "rate":
        fell = np.diff(fell, axis=1, prepend=0.0) / (3 * 3600)
        attrs["units"] = "kg m-2 s-1"
    if unit == "degC":
        temp = temp - 273.15
    time = (
        ("step", pd.to_timedelta(STEPS_H, unit="h")) if step_dim else ("time", ISSUED + pd.to_timedelta(STEPS_H, "h"))
    )
    dims = ("number", time[0], "latitude", "longitude")
    data = xarray.Dataset(
        {"t2m": (dims, temp, {"units": unit}), "tp": (dims, fell, attrs)},
        {"number": [0, 1, 2], time[0]: time[1], "latitude": LAT - far, "longitude": LON},
    )
    if step_dim:
        data = data.assign_coords(time=ISSUED)
    # Variables without a fill value are written as they are.
    plain = {key: {"_FillValue": None} for key in data.variables}
    if hdf:
        pytest.importorskip("h5netcdf")
        out = io.BytesIO()
        data.to_netcdf(out, engine="h5netcdf", encoding=plain)
        return out.getvalue()
    return bytes(data.to_netcdf(engine="scipy", encoding=plain))


def read(body, name="ens.nc"):
    return read_grid(body, name=name, stations=STATIONS, time_zones=[CALIFORNIA])


def expected():
    """Worked out from the wave: its highest and lowest are at steps, so straight lines do not cut them."""
    days = ["2026-10-30", "2026-10-31", "2026-11-01", "2026-11-02"]
    return [
        {
            "member": m,
            "day": day,
            "low": 6.0 + m,
            "high": 18.0 + m,
            "rain": 0.25 * (1 + m) * (25 if day == days[2] else 24),
        }
        for m in range(3)
        for day in days[:3]
    ]


def check(got):
    rows = got.rows
    assert rows.columns.tolist() == OUTLOOK_COLUMNS
    assert set(rows["issued_on"]) == {pd.Timestamp("2026-10-29")}  # midnight in Greenwich is the evening before
    want = expected()
    assert rows["member"].tolist() == [row["member"] for row in want]
    assert rows["day"].dt.strftime("%Y-%m-%d").tolist() == [row["day"] for row in want]
    assert rows["temp_min_c"].to_numpy() == pytest.approx([row["low"] for row in want], abs=1e-4)
    assert rows["temp_max_c"].to_numpy() == pytest.approx([row["high"] for row in want], abs=1e-4)
    assert rows["rain_mm"].to_numpy() == pytest.approx([row["rain"] for row in want], abs=1e-3)


@pytest.mark.parametrize("options", [{}, {"unit": "degC"}, {"rain": "each step"}, {"rain": "rate"}, {"hdf": False}])
def test_netcdf_members_days_of_the_place_and_units(options):
    got = read(netcdf(**options))
    check(got)
    place = got.places.iloc[0]
    assert (place["lat_deg"], place["lon_deg"]) == (38.5, -122.0)
    # Great circle by the spherical law of cosines, 6,371 km radius.
    a, b = math.radians(38.54), math.radians(38.5)
    km = 6371 * math.acos(math.sin(a) * math.sin(b) + math.cos(a) * math.cos(b) * math.cos(math.radians(0.05)))
    assert place["distance_km"] == pytest.approx(km, rel=1e-4)
    assert "3 members" in got.says
    assert "S1 6.2 km" in got.says
    assert "every 3 h only" in got.says


def test_netcdf_with_steps_since_the_issue():
    check(read(netcdf(step_dim=True)))


@pytest.mark.parametrize("bucket_h", [None, 6])
def test_grib2_accumulated_since_the_start_or_in_buckets(bucket_h):
    check(read(grib(bucket_h=bucket_h), "ens.grib2"))


def test_grib2_extremes_of_a_step_belong_to_morning_and_afternoon():
    rows = read(grib(extremes=True), "ens.grib2").rows
    assert rows["temp_min_c"].tolist() == pytest.approx([-9.0] * 3 + [-8.0] * 3 + [-7.0] * 3, abs=1e-3)
    assert rows["temp_max_c"].tolist() == pytest.approx([35.0] * 3 + [36.0] * 3 + [37.0] * 3, abs=1e-3)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (lambda: b"<html>", "neither NetCDF nor GRIB"),
        (lambda: grib()[:-40], "breaks off"),
        (lambda: b"GRIB", "breaks off"),
        (lambda: netcdf()[:3000], "cannot be opened"),
        (lambda: netcdf(far=15.0), "nearest to station S1 is 1506 km away"),
        (lambda: netcdf(unit="furlong"), "the unit of temperature is 'furlong', expected K or C"),
        (lambda: grib(grid_rain="sf"), "it holds temperature, expected rain"),
    ],
)
def test_other_files_are_refused_in_words(body, says):
    with pytest.raises(SeasonError, match=says):
        read(body())


@pytest.mark.parametrize(("module", "body"), [("xarray", netcdf), ("eccodes", grib)])
def test_without_the_extra_one_sentence_says_what_to_install(module, body, monkeypatch):
    made = body()
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(
        SeasonError, match=rf"{module}, which opens it, is not installed .* pip install 'olivetime\[grids\]'"
    ):
        read(made)
