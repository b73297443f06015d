"""Outlines of blocks: bad input 25, one small file for each fault, and areas against the ellipsoid's own formulas."""

import json
import math
import pickle

import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_season import TABLES, spoil, write

from olivetime.records.season import check, read_season

LON, LAT = -5.1, 37.5
# Metres for one degree of latitude and longitude there, from the radii of curvature of WGS 84 (derived).
_A, _E2 = 6378137.0, 0.00669437999014
_W = math.sqrt(1 - _E2 * math.sin(math.radians(LAT)) ** 2)
M_PER_LAT = math.radians(1) * _A * (1 - _E2) / _W**3
M_PER_LON = math.radians(1) * _A / _W * math.cos(math.radians(LAT))


def square(hectares, east=0.0):
    """Ring of a square around the station, moved east [m]."""
    side = math.sqrt(hectares * 10_000) / 2
    x, y = LON + east / M_PER_LON, LAT
    return [
        [x + i * side / M_PER_LON, y + j * side / M_PER_LAT] for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    ]


def collection(*features, **extra):
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"name": name},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
            for name, ring in features
        ],
        **extra,
    }


SOUND = (("North 2", square(6.5)), ("North 3", square(4.0, 400)), ("South 1", square(9.2, 900)))


def season_with(folder, *features, extra=None, **changes):
    write(folder, **changes)
    (folder / "boundaries.geojson").write_text(json.dumps(collection(*(features or SOUND), **(extra or {}))))
    return folder


def told(folder, level=None):
    found = check(folder)
    found = found[found["level"] == level] if level else found
    return (found["says"] + " " + found["do"]).tolist()


def test_no_outlines_are_no_fault(tmp_path):
    season = read_season(write(tmp_path))
    assert season.boundaries.empty
    assert list(season.boundaries.columns) == ["block_id", "geometry", "area_ha", "lat_deg", "lon_deg", "mill_km"]


def test_sound_outlines(tmp_path):
    text = TABLES["mill"].replace("cost_per_t\n", "cost_per_t,lat_deg,lon_deg\n").replace("1,60\n", "1,60,37.6,-5.1\n")
    features = (("North 2", square(6.5)), ("NORTH-03", square(4.0, 400)), ("South 1", square(9.2, 900)))
    season = read_season(season_with(tmp_path, *features, mill=text))
    table = season.boundaries
    assert table["block_id"].tolist() == ["North 2", "North 3", "South 1"]
    assert table["area_ha"].tolist() == pytest.approx([6.5, 4.0, 9.2], rel=1e-5)
    assert table["mill_km"].iloc[0] == pytest.approx(0.1 * M_PER_LAT / 1000, rel=1e-3)
    assert table["geometry"].iloc[0].geom_type == "Polygon"
    # Blocks without a place of their own have the outline's.
    assert season.blocks["lat_deg"].tolist() == pytest.approx([LAT] * 3, abs=1e-6)
    assert told(tmp_path) == ["boundaries.geojson: 3 blocks have the place of the outline. Nothing to do."]
    assert pickle.loads(pickle.dumps(season)).boundaries["area_ha"].tolist() == table["area_ha"].tolist()
    assert "boundaries.geojson" in season.sources["file"].tolist()


def test_25_an_outline_that_crosses_itself(tmp_path):
    ring = square(6.5)
    ring[1], ring[2] = ring[2], ring[1]
    season_with(tmp_path, ("North 2", ring), *SOUND[2:])
    (sentence,) = told(tmp_path, "error")
    assert sentence.startswith(
        "boundaries.geojson, block North 2: the outline crosses or touches itself (Self-intersection["
    )
    assert sentence.endswith("). Draw the outline anew, corner after corner.")
    season = read_season(tmp_path)
    assert list(season.blocked) == ["North 2"]
    assert season.boundaries["block_id"].tolist() == ["South 1"]


def test_25_latitude_and_longitude_swapped(tmp_path):
    season_with(tmp_path, ("North 2", [[y, x] for x, y in square(6.5)]))
    assert told(tmp_path, "error") == [
        "boundaries.geojson, block North 2: longitude 37.5 and latitude -5.101 look swapped. "
        "Write the longitude first, then the latitude."
    ]
    # Where a longitude can't be a latitude, the numbers alone show it.
    season_with(tmp_path, ("North 2", [[y, x - 115] for x, y in square(6.5)]))
    assert "longitude 37.5 and latitude -120.1 look swapped" in told(tmp_path, "error")[0]


def test_25_metres_without_a_coordinate_system(tmp_path):
    utm = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32630", always_xy=True)
    rings = [(name, [list(utm.transform(*point)) for point in ring]) for name, ring in SOUND]
    season_with(tmp_path, rings[0])
    x, y = rings[0][1][0]
    assert told(tmp_path, "error") == [
        f"boundaries.geojson, block North 2: coordinates such as {x:.0f}, {y:.0f} are no degrees, and the file names "
        "no coordinate system, expected longitude and latitude. Save it as GeoJSON in WGS 84 (longitude, latitude)."
    ]
    # Named, the same numbers are read; a null system is one nobody knows.
    named = {"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32630"}}}
    season = read_season(season_with(tmp_path, *rings, extra=named))
    areas = dict(zip(season.boundaries["block_id"], season.boundaries["area_ha"], strict=True))
    assert areas["South 1"] == pytest.approx(9.2, rel=1e-4)
    season_with(tmp_path, *rings, extra={"crs": None})
    assert told(tmp_path, "error") == [
        "boundaries.geojson: the file says that its coordinate system is not known. "
        "Save it as GeoJSON in WGS 84 (longitude, latitude)."
    ]


def test_25_an_area_measured_in_web_mercator(tmp_path):
    mercator = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    area = shapely.Polygon([mercator.transform(*point) for point in square(6.5)]).area / 10_000
    # From memory: Mercator scales lengths by 1/cos(latitude) on the sphere, and areas by its square.
    assert area / 6.5 == pytest.approx(1 / math.cos(math.radians(LAT)) ** 2, rel=0.01)
    season_with(tmp_path, *SOUND, **spoil("blocks", "C1,6.5,", f"C1,{area:.2f},"))
    assert told(tmp_path, "error") == [
        f"boundaries.geojson, block North 2: the outline has 6.50 ha, but area_ha is {area:.2f} "
        f"({100 * (area - 6.5) / 6.5:+.0f} %). Check both; a map in Web Mercator shows areas too large."
    ]
    season_with(tmp_path, *SOUND, **spoil("blocks", "C1,6.5,", "C1,7.0,"))
    assert told(tmp_path, "error") == []
    assert "area_ha is 7.00 (+8 %)" in told(tmp_path, "warning")[0]


def test_a_hole_does_not_count_whichever_way_it_runs(tmp_path):
    tree = collection(("North 2", square(8.5)))
    for hole in (square(2.0), square(2.0)[::-1]):
        tree["features"][0]["geometry"]["coordinates"] = [square(8.5), hole]
        write(tmp_path)
        (tmp_path / "boundaries.geojson").write_text(json.dumps(tree))
        assert read_season(tmp_path).boundaries["area_ha"].tolist() == pytest.approx([6.5], rel=1e-4)


def test_two_outlines_overlaps_and_unknown_names(tmp_path):
    season_with(tmp_path, ("North 2", square(6.5)), ("North 3", square(4.0, 200)), ("South1", square(9.2, 900)))
    (overlap,) = told(tmp_path, "warning")
    assert overlap.startswith("boundaries.geojson: blocks North 2 and North 3 overlap by ")
    season_with(tmp_path, *SOUND[:1], ("north 02", square(6.5, 500)), ("Noth 3", square(4.0)), ("", square(1)))
    assert told(tmp_path, "error") == [
        "boundaries.geojson, block North 2: the block has 2 outlines (features 1, 2), expected at most one. "
        "Keep one, or join them into a MultiPolygon."
    ]
    assert told(tmp_path, "warning") == [
        "boundaries.geojson: feature 4 has no name. Give it a property block_id, or delete it.",
        "boundaries.geojson: feature 3 is `Noth 3`, and there is no such block. Did you mean North 3?",
    ]


def test_a_haul_shorter_than_the_crow_flies_and_a_mill_too_far(tmp_path):
    head = TABLES["mill"].replace("cost_per_t\n", "cost_per_t,lat_deg,lon_deg\n")
    season_with(tmp_path, *SOUND, mill=head.replace("1,60\n", "1,60,37.7,-5.1\n"))
    assert next(s for s in told(tmp_path, "warning") if "haul" in s) == (
        "boundaries.geojson, block North 2: haul_km is 14, but the mill is 22.2 km away in a straight line. "
        "Check haul_km."
    )
    season_with(tmp_path, *SOUND, mill=head.replace("1,60\n", "1,60,40.7,-5.1\n"))
    assert any("the mill is 355 km away in a straight line, expected at most 200." in s for s in told(tmp_path))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the file is empty"),
        ("nothing", "the file is no GeoJSON"),
        ('{"features": [1, NaN]}', "the file is no GeoJSON"),
        ("[" * 5000, "the file is no GeoJSON"),
        ('{"type": "Feature"}', "the file has no list of features, expected a FeatureCollection"),
        ('{"features": [], "crs": {"properties": {"name": "EPSG:1"}}}', "the coordinate system EPSG:1 is not known"),
    ],
)
def test_files_that_are_no_outlines(tmp_path, text, says):
    write(tmp_path)
    (tmp_path / "boundaries.geojson").write_text(text)
    assert any(f"boundaries.geojson: {says}" in sentence for sentence in told(tmp_path, "error"))
    assert read_season(tmp_path).blocked == {}


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.floats(allow_nan=False)
    | st.text(max_size=5)
    | st.sampled_from(["Polygon", "North 2"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["type", "coordinates", "geometry", "properties", "name", "geometries"]), inner
        )
    ),
    max_leaves=12,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(geometry=JSON, properties=JSON, crs=JSON)
def test_whatever_stands_in_the_file(tmp_path, geometry, properties, crs):
    write(tmp_path)
    features = [{"id": "North 2", "geometry": geometry, "properties": properties}, geometry]
    tree = {"features": features} | ({"crs": crs} if crs else {})
    (tmp_path / "boundaries.geojson").write_text(json.dumps(tree))
    check(tmp_path)
