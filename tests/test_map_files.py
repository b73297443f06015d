"""Outlines of blocks from shapefiles, KML and GeoPackages; every file is made here."""

import sys
import zipfile

import numpy as np
import pyogrio.raw
import pyproj
import pytest
import shapely
from small_season import write
from test_boundaries import SOUND, season_with, told

from olivetime.records.season import check, read_season

DRIVERS = {"shp": "ESRI Shapefile", "kml": "KML", "gpkg": "GPKG"}


def layer(path, *, crs="EPSG:4326", features=SOUND, driver=None, **options):
    """Write the outlines, brought to a coordinate system, as a map layer."""
    shapes = [shapely.Polygon(ring) for _, ring in features]
    if crs not in (None, "EPSG:4326"):
        there = pyproj.Transformer.from_crs("OGC:CRS84", crs, always_xy=True)
        shapes = [shapely.transform(s, lambda xy: np.column_stack(there.transform(*xy.T))) for s in shapes]
    pyogrio.raw.write(
        path,
        np.array([shapely.to_wkb(s) for s in shapes], dtype=object),
        [np.array([name for name, _ in features], dtype=object)],
        ["Name"],
        driver=driver or DRIVERS[path.suffix[1:]],
        crs=crs,
        geometry_type="Polygon",
        **options,
    )
    return path


def zipped(folder, path, name, *, inside=""):
    with zipfile.ZipFile(path, "w") as archive:
        for part in sorted(folder.glob(f"{name}.*")):
            archive.write(part, inside + part.name)


# EPSG:25830 is UTM zone 30 north on ETRS89, EPSG:3857 Web Mercator, which shows this place 59 % too large.
@pytest.mark.parametrize(
    ("suffix", "crs"),
    [
        *((suffix, crs) for suffix in ("shp", "gpkg") for crs in ("EPSG:4326", "EPSG:25830", "EPSG:3857")),
        ("kml", "EPSG:4326"),
    ],
)
def test_outlines_are_brought_to_degrees_whatever_their_file(tmp_path, suffix, crs):
    geojson = read_season(season_with(tmp_path / "plain"))
    folder = write(tmp_path / "season")
    layer(folder / f"boundaries.{suffix}", crs=crs)
    season = read_season(folder)
    assert season.boundaries["block_id"].tolist() == ["North 2", "North 3", "South 1"]
    for column in ("area_ha", "lat_deg", "lon_deg"):
        np.testing.assert_allclose(season.boundaries[column], geojson.boundaries[column], rtol=1e-5)
    # The squares were drawn with these areas.
    np.testing.assert_allclose(season.boundaries["area_ha"], [6.5, 4.0, 9.2], rtol=1e-3)
    assert not season.blocked
    assert f"boundaries.{suffix}" in season.sources["file"].tolist()


@pytest.mark.parametrize("inside", ["", "maps of 2026/"])
def test_a_zipped_shapefile(tmp_path, inside):
    (tmp_path / "parts").mkdir()
    layer(tmp_path / "parts" / "blocks.shp", crs="EPSG:25830")
    folder = write(tmp_path / "season")
    zipped(tmp_path / "parts", folder / "boundaries.zip", "blocks", inside=inside)
    np.testing.assert_allclose(read_season(folder).boundaries["area_ha"], [6.5, 4.0, 9.2], rtol=1e-3)


def test_a_shapefile_without_its_coordinate_system(tmp_path):
    folder = write(tmp_path)
    layer(folder / "boundaries.shp", crs="EPSG:25830")
    (folder / "boundaries.prj").unlink()
    assert told(folder, "error") == [
        "boundaries.shp: the file does not name its coordinate system. Export it anew; a shapefile needs its .prj part."
    ]
    assert not read_season(folder).blocked


def test_without_the_extra_the_sentence_says_what_to_do(tmp_path, monkeypatch):
    folder = write(tmp_path)
    layer(folder / "boundaries.gpkg")
    monkeypatch.setitem(sys.modules, "pyogrio.raw", None)
    assert told(folder, "error") == [
        "boundaries.gpkg: .gpkg files are read by pyogrio, which is not installed. "
        'Install it with `pip install "olivetime[geo]"`, or save the outlines as boundaries.geojson in WGS 84.'
    ]


def test_two_layers_two_files_and_damaged_files(tmp_path):
    folder = write(tmp_path / "layers")
    layer(folder / "boundaries.gpkg", layer="blocks")
    layer(folder / "boundaries.gpkg", layer="roads", append=True)
    assert "boundaries.gpkg: the file has 2 layers (blocks, roads), expected one" in told(folder, "error")[0]
    folder = season_with(tmp_path / "files")
    layer(folder / "boundaries.kml")
    assert told(folder, "warning") == [
        "boundaries.geojson: outlines stand in boundaries.geojson and boundaries.kml; boundaries.geojson was read. "
        "Keep one."
    ]
    for name in ("gpkg", "kml", "shp"):
        folder = write(tmp_path / f"damaged {name}")
        (folder / f"boundaries.{name}").write_bytes(b"no map at all, only words" * 20)
        assert "the file can't be read as a map layer. Export it anew." in told(folder, "error")[0]
    for name, data, says in (
        ("zip", b"PK\x03\x04 torn", "the zip archive is damaged"),
        ("gpkg", b"", "the file is empty"),
    ):
        folder = write(tmp_path / f"bad {name}")
        (folder / f"boundaries.{name}").write_bytes(data)
        assert says in told(folder, "error")[0]


def test_archives_and_kml_that_are_traps_are_not_read(tmp_path):
    folder = write(tmp_path / "bomb")
    with zipfile.ZipFile(folder / "boundaries.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in range(3):
            archive.writestr(f"blocks{part}.shp", bytes(70_000_000))
    assert "the archive would unpack to 210 MB, expected at most 200 MB. Nothing was read." in told(folder, "error")[0]
    folder = write(tmp_path / "many")
    with zipfile.ZipFile(folder / "boundaries.zip", "w") as archive:
        archive.writestr("a.shp", b"x")
        archive.writestr("b.shp", b"x")
    assert "the archive holds 2 shapefiles, expected one" in told(folder, "error")[0]
    folder = write(tmp_path / "entities")
    kml = layer(folder / "boundaries.kml")
    text = kml.read_text().replace("?>", '?><!DOCTYPE kml [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>', 1)
    kml.write_text(text)
    says = "boundaries.kml: the file declares entities, expected plain KML. Nothing was read."
    assert told(folder, "error") == [says]


def test_an_unknown_block_and_a_number_as_name(tmp_path):
    rings = dict(SOUND)
    folder = write(tmp_path)
    layer(folder / "boundaries.gpkg", features=(("Noth 2", rings["North 2"]), ("north-03", rings["North 3"])))
    found = check(folder)
    assert "feature 1 is `Noth 2`, and there is no such block" in found["says"].iloc[0]
    assert found["do"].iloc[0] == "Did you mean North 2?"
    assert read_season(folder).boundaries["block_id"].tolist() == ["North 3"]
