"""Outlines of blocks from a map file: places and areas on the ellipsoid, checked against the blocks table."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely.geometry import shape

from olivetime.records.cells import closest, name_key
from olivetime.records.columns import SeasonError
from olivetime.records.files import UNPACKED_LIMIT_MB, kind_of, read_bytes
from olivetime.records.findings import ERROR, NOTE, WARNING, Finding, shown

# Our choices: how far an outline's area may be from the table's before it is doubted, and before it stops the block.
AREA_WARNING_FRACTION, AREA_ERROR_FRACTION = 0.05, 0.25
OVERLAP_FRACTION = 0.02
FAR_KM = 200.0

_NAMES = ("block_id", "block", "name", "id", "title")
_GEOD = pyproj.Geod(ellps="WGS84")
_DEGREES = pyproj.CRS("OGC:CRS84")
_REDRAW = "Draw the outline anew, corner after corner."


@dataclass
class _Outline:
    block: str
    geometry: Any
    feature: int


def read_boundaries(
    path: Path,
    blocks: pd.DataFrame,
    stations: pd.DataFrame,
    mill: pd.DataFrame,
    aliases: Mapping[str, str] | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read the outlines of blocks and compare them with the tables.

    Parameters
    ----------
    path : Path
        boundaries.geojson, .gpkg, .kml, .shp, or a .zip with one shapefile: polygons whose property block_id, block,
        name or id names the block. GeoJSON (RFC 7946) is longitude and latitude on WGS 84 unless its "crs" member
        says otherwise. The other kinds need the extra `geo`; they name their coordinate system themselves.
    blocks, stations, mill : DataFrame
        Tables of the season; block_id, area_ha, haul_km, station_id and the places are used.
    aliases : mapping of str to str, optional
        Agreed spellings: matching key to block_id.

    Returns
    -------
    boundaries : DataFrame
        block_id, geometry (shapely, longitude and latitude in degrees), area_ha (geodesic), lat_deg, lon_deg (of a
        point inside), mill_km (straight line; NaN without a place of the mill); one row for each sound outline.
    findings : list of Finding

    Notes
    -----
    Areas are those of the ellipsoid [1]_. The same outline in Web Mercator would be larger by 1/cos(latitude)
    squared: 64 % at 38.7 degrees.

    References
    ----------
    .. [1] Karney, C. F. F. (2013). Algorithms for geodesics. J. Geodesy 87, 43-55 (as PROJ implements it).
    """
    found: list[Finding] = []
    try:
        if path.suffix.lower() == ".geojson":
            tree = _tree(path)
            transform = _transform(tree, path.name)
        else:
            tree, system = _layer(path)
            transform = _from_system(system, path.name)
    except SeasonError as error:
        found.append(_finding(ERROR, "boundaries-unreadable", path.name, error.found, error.expected, error.do))
        return _table([], {}, mill), found
    outlines = _outlines(tree, path.name, blocks, aliases or {}, transform, found)
    sound = _sound(outlines, path.name, blocks, stations, mill, found)
    areas = {o.block: _area_ha(o.geometry) for o in sound}
    _compare(sound, areas, path.name, blocks, mill, found)
    _overlaps(sound, areas, path.name, found)
    return _table(sound, areas, mill), found


def _finding(
    level: str, code: str, file: str, says: str, expected: str, do: str, blocks: Sequence[str] = (), value: str = ""
) -> Finding:
    return Finding(code, level, "boundaries", file, "", None, "geometry", value, says, expected, do, tuple(blocks))


def _tree(path: Path) -> Mapping[str, Any]:
    data = read_bytes(path)
    if kind_of(data) == "empty":
        raise SeasonError(path.name, "the file is empty", "", "Save it again, or delete it.")
    try:
        tree = json.loads(data.decode("utf-8-sig"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise SeasonError(path.name, "the file is no GeoJSON", "", "Save it as GeoJSON in WGS 84.") from None
    if not isinstance(tree, dict) or not isinstance(tree.get("features"), list):
        raise SeasonError(path.name, "the file has no list of features", "a FeatureCollection", "Save it as GeoJSON.")
    return tree


def _layer(path: Path) -> tuple[Mapping[str, Any], str]:
    """Read features as in GeoJSON, and the name of their coordinate system, from a shapefile, KML or GeoPackage."""
    try:
        import pyogrio.raw
    except ImportError:
        says = f"{path.suffix} files are read by pyogrio, which is not installed"
        do = 'Install it with `pip install "olivetime[geo]"`, or save the outlines as boundaries.geojson in WGS 84.'
        raise SeasonError(path.name, says, "", do) from None
    data = read_bytes(path)
    if kind_of(data) == "empty":
        raise SeasonError(path.name, "the file is empty", "", "Save it again, or delete it.")
    source = str(path.resolve())
    if path.suffix.lower() == ".zip":
        source = f"/vsizip/{source}/{_shapefile_in(path)}"
    elif path.suffix.lower() == ".kml" and (b"<!DOCTYPE" in data.upper() or b"<!ENTITY" in data.upper()):
        raise SeasonError(path.name, "the file declares entities", "plain KML", "Nothing was read.")
    try:
        layers = pyogrio.list_layers(source)
        meta, _, shapes, fields = pyogrio.raw.read(source, layer=layers[0, 0])
    # GDAL has an error of its own for each way in which a file can be damaged.
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, IndexError, OSError):
        raise SeasonError(path.name, "the file can't be read as a map layer", "", "Export it anew.") from None
    if len(layers) > 1:
        says = f"the file has {len(layers)} layers ({', '.join(map(shown, layers[:3, 0]))})"
        raise SeasonError(path.name, says, "one, with the outlines of the blocks", "Export that layer alone.")
    if not meta["crs"]:
        says = "the file does not name its coordinate system"
        do = "Export it anew; a shapefile needs its .prj part."
        raise SeasonError(path.name, says, "", do)
    geometries = shapely.from_wkb(shapes, on_invalid="ignore")
    columns = [str(name) for name in meta["fields"]]
    features = [
        {"properties": {c: _plain(f[i]) for c, f in zip(columns, fields, strict=True)}, "geometry": geometry}
        for i, geometry in enumerate(geometries)
    ]
    return {"features": features}, str(meta["crs"])


def _plain(value: Any) -> Any:
    """Give a map layer's value as GeoJSON would have it: a block named 7 may be kept as 7.0."""
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _shapefile_in(path: Path) -> str:
    """Name of the one shapefile in a zip."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, NotImplementedError):
        raise SeasonError(path.name, "the zip archive is damaged", "", "Pack the shapefile anew.") from None
    unpacked = sum(info.file_size for info in infos) / 1_000_000
    if unpacked > UNPACKED_LIMIT_MB:
        says = f"the archive would unpack to {unpacked:.0f} MB"
        raise SeasonError(path.name, says, f"at most {UNPACKED_LIMIT_MB} MB", "Nothing was read.")
    names = [i.filename for i in infos if i.filename.lower().endswith(".shp") and "__MACOSX" not in i.filename]
    if len(names) != 1:
        says = f"the archive holds {len(names)} shapefiles"
        raise SeasonError(path.name, says, "one", "Pack the parts of one shapefile (.shp, .shx, .dbf, .prj).")
    return names[0]


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def _transform(tree: Mapping[str, Any], file: str) -> pyproj.Transformer | None:
    """How to bring the file's coordinates to longitude and latitude; None when they are so already."""
    if "crs" not in tree:
        return None
    crs = tree["crs"]
    own = crs.get("properties") if isinstance(crs, dict) else None
    name = own.get("name") if isinstance(own, dict) else None
    if not isinstance(name, str):
        says = "the file says that its coordinate system is not known"
        raise SeasonError(file, says, "", "Save it as GeoJSON in WGS 84 (longitude, latitude).")
    return _from_system(name, file)


def _from_system(name: str, file: str) -> pyproj.Transformer | None:
    try:
        system = pyproj.CRS.from_user_input(name)
        if system.is_geographic and system.to_epsg() == 4326:
            return None
        return pyproj.Transformer.from_crs(system, _DEGREES, always_xy=True)
    except pyproj.exceptions.ProjError:
        says = f"the coordinate system {shown(name)} is not known"
        raise SeasonError(file, says, "", "Save it as GeoJSON in WGS 84 (longitude, latitude).") from None


def _outlines(
    tree: Mapping[str, Any],
    file: str,
    blocks: pd.DataFrame,
    aliases: Mapping[str, str],
    transform: pyproj.Transformer | None,
    found: list[Finding],
) -> list[_Outline]:
    names = [name for name in blocks["block_id"] if name]
    by_key = {name_key(name): name for name in names} | {key: b for key, b in aliases.items() if b in set(names)}
    out: list[_Outline] = []
    for i, feature in enumerate(tree["features"], start=1):
        own = feature.get("properties") if isinstance(feature, dict) else None
        given = {str(k).casefold(): v for k, v in own.items()} if isinstance(own, dict) else {}
        written = [str(given[name]) for name in _NAMES if given.get(name) not in (None, "")]
        if isinstance(feature, dict) and feature.get("id") not in (None, ""):
            written.append(str(feature["id"]))
        block = next((by_key[name_key(text)] for text in written if name_key(text) in by_key), "")
        if not block:
            text = written[0] if written else ""
            near = closest(text, names) if text else None
            says = f"feature {i} is `{shown(text)}`, and there is no such block" if text else f"feature {i} has no name"
            do = f"Did you mean {shown(near)}?" if near else "Give it a property block_id, or delete it."
            found.append(_finding(WARNING, "unknown-name", file, says, "", do, value=text))
            continue
        geometry = _geometry(feature, transform)
        if geometry is None:
            says = f"feature {i} is no polygon"
            found.append(_finding(ERROR, "no-polygon", file, says, "Polygon or MultiPolygon", _REDRAW, [block]))
            continue
        out.append(_Outline(block, geometry, i))
    once: list[_Outline] = []
    for block in dict.fromkeys(o.block for o in out):
        own_outlines = [o for o in out if o.block == block]
        if len(own_outlines) > 1:
            says = f"the block has {len(own_outlines)} outlines (features {_listed(own_outlines)})"
            do = "Keep one, or join them into a MultiPolygon."
            found.append(_finding(ERROR, "boundary-twice", file, says, "at most one", do, [block]))
        else:
            once += own_outlines
    return once


def _listed(outlines: Sequence[_Outline]) -> str:
    return ", ".join(str(o.feature) for o in outlines)


def _geometry(feature: Mapping[str, Any], transform: pyproj.Transformer | None) -> Any:
    """The feature's polygon in degrees, or None."""
    try:
        geometry = shapely.force_2d(shape(feature["geometry"]))
        if geometry.geom_type not in ("Polygon", "MultiPolygon") or geometry.is_empty:
            return None
        if transform is not None:
            geometry = shapely.transform(geometry, lambda xy: np.column_stack(transform.transform(xy[:, 0], xy[:, 1])))
        return geometry if np.isfinite(shapely.get_coordinates(geometry)).all() else None
    # shapely raises whatever a malformed geometry makes it stumble on; all of it means the same here.
    except (shapely.errors.ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError):
        return None


def _sound(
    outlines: Sequence[_Outline],
    file: str,
    blocks: pd.DataFrame,
    stations: pd.DataFrame,
    mill: pd.DataFrame,
    found: list[Finding],
) -> list[_Outline]:
    """Outlines that are valid, in degrees, and where they should be."""
    places = _places(blocks, stations, mill)
    out = []
    for o in outlines:
        xy = shapely.get_coordinates(o.geometry)
        lon, lat = float(xy[0, 0]), float(xy[0, 1])
        if (np.abs(xy[:, 0]) > 180).any() or (np.abs(xy[:, 1]) > 180).any():
            says = f"coordinates such as {lon:.0f}, {lat:.0f} are no degrees, and the file names no coordinate system"
            do = "Save it as GeoJSON in WGS 84 (longitude, latitude)."
            found.append(_finding(ERROR, "no-crs", file, says, "longitude and latitude", do, [o.block]))
            continue
        near = places.get(o.block)
        if (np.abs(xy[:, 1]) > 90).any() or (near is not None and _swapped(lon, lat, near)):
            says = f"longitude {lon:.4g} and latitude {lat:.4g} look swapped"
            do = "Write the longitude first, then the latitude."
            found.append(_finding(ERROR, "axes-swapped", file, says, "", do, [o.block]))
            continue
        if near is not None and _km(lon, lat, *near) > FAR_KM:
            says = f"the outline is {_km(lon, lat, *near):.0f} km from the place the tables give"
            do = "Check the outline's name and coordinates."
            found.append(_finding(ERROR, "boundary-far", file, says, f"at most {FAR_KM:.0f} km", do, [o.block]))
            continue
        if not o.geometry.is_valid:
            says = f"the outline crosses or touches itself ({shapely.is_valid_reason(o.geometry)})"
            found.append(_finding(ERROR, "not-valid", file, says, "", _REDRAW, [o.block]))
            continue
        out.append(o)
    return out


def _places(blocks: pd.DataFrame, stations: pd.DataFrame, mill: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Longitude and latitude near which a block must lie: its own, its station's, or the mill's."""
    station = {
        s: (x, y) for s, x, y in zip(stations["station_id"], stations["lon_deg"], stations["lat_deg"], strict=True)
    }
    mills = list(zip(mill["lon_deg"], mill["lat_deg"], strict=True))
    out = {}
    for row in blocks[["block_id", "station_id", "lon_deg", "lat_deg"]].to_dict("records"):
        wanted = [(row["lon_deg"], row["lat_deg"]), station.get(row["station_id"], (np.nan, np.nan)), *mills]
        place = next((p for p in wanted if np.isfinite(p).all()), None)
        if place is not None:
            out[row["block_id"]] = place
    return out


def _swapped(lon: float, lat: float, near: tuple[float, float]) -> bool:
    return abs(lon) <= 90 and _km(lon, lat, *near) > FAR_KM >= _km(lat, lon, *near)


def _km(lon: float, lat: float, other_lon: float, other_lat: float) -> float:
    return float(_GEOD.inv(lon, lat, other_lon, other_lat)[2]) / 1000


def _area_ha(geometry: Any) -> float:
    # Rings that run clockwise have a negative area; holes count against the outside only when they run against it.
    parts = shapely.get_parts(geometry)
    oriented = (shapely.geometry.polygon.orient(part, 1.0) for part in parts)
    return sum(abs(_GEOD.geometry_area_perimeter(part)[0]) for part in oriented) / 10_000


def _compare(
    outlines: Sequence[_Outline],
    areas: Mapping[str, float],
    file: str,
    blocks: pd.DataFrame,
    mill: pd.DataFrame,
    found: list[Finding],
) -> None:
    """Compare area and distance to the mill with the blocks table."""
    rows = blocks.drop_duplicates("block_id")
    area_of = dict(zip(rows["block_id"], rows["area_ha"].astype(float), strict=True))
    haul_of = dict(zip(rows["block_id"], rows["haul_km"].astype(float), strict=True))
    for o in outlines:
        given, drawn = area_of[o.block], areas[o.block]
        gap = abs(drawn - given) / given if given > 0 else np.nan
        if gap > AREA_WARNING_FRACTION:
            level = ERROR if gap > AREA_ERROR_FRACTION else WARNING
            says = (
                f"the outline has {drawn:.2f} ha, but area_ha is {given:.2f} ({100 * (given - drawn) / drawn:+.0f} %)"
            )
            do = "Check both; a map in Web Mercator shows areas too large."
            found.append(_finding(level, "area-differs", file, says, "", do, [o.block], f"{drawn:.2f}"))
        straight = _mill_km(o.geometry, mill)
        haul = haul_of[o.block]
        if straight > FAR_KM:
            says = f"the mill is {straight:.0f} km away in a straight line"
            found.append(
                _finding(WARNING, "mill-far", file, says, f"at most {FAR_KM:.0f}", "Check both places.", [o.block])
            )
        elif straight > haul + 0.5:
            says = f"haul_km is {haul:.4g}, but the mill is {straight:.1f} km away in a straight line"
            found.append(_finding(WARNING, "haul-short", file, says, "", "Check haul_km.", [o.block], f"{haul:.4g}"))


def _mill_km(geometry: Any, mill: pd.DataFrame) -> float:
    """Straight distance to the nearest mill whose place is known [km]; NaN when none is."""
    point = geometry.representative_point()
    places = mill[["lon_deg", "lat_deg"]].dropna().to_numpy()
    return min((_km(point.x, point.y, *place) for place in places), default=np.nan)


def _overlaps(outlines: Sequence[_Outline], areas: Mapping[str, float], file: str, found: list[Finding]) -> None:
    if len(outlines) < 2:
        return
    shapes = [o.geometry for o in outlines]
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="intersects")
    for i, j in sorted((int(i), int(j)) for i, j in zip(first, second, strict=True) if i < j):
        common = shapes[i].intersection(shapes[j])
        hectares = sum(_area_ha(p) for p in shapely.get_parts(common) if p.geom_type == "Polygon")
        a, b = outlines[i].block, outlines[j].block
        share = hectares / min(areas[a], areas[b])
        if share > OVERLAP_FRACTION:
            says = f"blocks {shown(a)} and {shown(b)} overlap by {hectares:.2f} ha, {100 * share:.0f} % of the smaller"
            do = "Draw the line between them anew."
            found.append(_finding(WARNING, "overlap", file, says, "", do, [a, b], f"{hectares:.2f}"))


def _table(outlines: Sequence[_Outline], areas: Mapping[str, float], mill: pd.DataFrame) -> pd.DataFrame:
    ordered = sorted(outlines, key=lambda o: o.block)
    points = [o.geometry.representative_point() for o in ordered]
    geometries = np.empty(len(ordered), dtype=object)
    for i, o in enumerate(ordered):
        geometries[i] = o.geometry
    return pd.DataFrame(
        {
            "block_id": pd.Series([o.block for o in ordered], dtype="str"),
            "geometry": pd.Series(geometries, dtype=object),
            "area_ha": pd.Series([areas[o.block] for o in ordered], dtype="float64"),
            "lat_deg": pd.Series([p.y for p in points], dtype="float64"),
            "lon_deg": pd.Series([p.x for p in points], dtype="float64"),
            "mill_km": pd.Series([_mill_km(o.geometry, mill) for o in ordered], dtype="float64"),
        }
    )


def fill_places(blocks: pd.DataFrame, boundaries: pd.DataFrame, file: str) -> list[Finding]:
    """Give blocks without a place that of their outline, and say so; `blocks` is written to."""
    own = boundaries.set_index("block_id")
    empty = blocks["lat_deg"].isna() | blocks["lon_deg"].isna()
    rows = blocks.index[empty & blocks["block_id"].isin(own.index)]
    if not len(rows):
        return []
    for column in ("lat_deg", "lon_deg"):
        blocks.loc[rows, column] = own.loc[blocks.loc[rows, "block_id"], column].to_numpy()
    says = f"{len(rows)} block{'s have' if len(rows) > 1 else ' has'} the place of the outline"
    return [_finding(NOTE, "place-from-boundary", file, says, "", "Nothing to do.")]
