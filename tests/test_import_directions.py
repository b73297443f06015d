"""The rooms stand in one direction: each module imports only modules named above it."""

import ast
import importlib
from pathlib import Path

import pytest

import olivetime

PACKAGE = Path(olivetime.__file__).parent

ORDER = [
    "units",
    "languages",
    "words",
    "records.columns",
    "records.cells",
    "records.findings",
    "records.told",
    "records.files",
    "records.kept",
    "records.headings",
    "records.samples",
    "records.typed",
    "records.convert",
    "records.draft",
    "records.checks",
    "records.settings",
    "records.sources",
    "records.export",
    "records.boundaries",
    "records.season",
    "weather.degree_days",
    "weather.hours",
    "weather.services",
    "weather.grids",
    "weather.stations",
    "weather.cold_spots",
    "weather.outlook",
    "weather.skill",
    "weather.fetched",
    "weather.scenarios",
    "weather.frost",
    "ripening.curves",
    "ripening.modes",
    "ripening.linearised",
    "ripening.starts",
    "ripening.mixed",
    "ripening.effects",
    "ripening.colour",
    "ripening.moisture",
    "ripening.outcomes",
    "ripening.kept",
    "ripening.review",
    "harvest.grades",
    "harvest.codes",
    "harvest.past",
    "harvest.capacity",
    "harvest.value",
    "harvest.tasks",
    "harvest.referee",
    "harvest.bound",
    "harvest.improve",
    "harvest.compiling",
    "harvest.forecasts",
    "harvest.memory",
    "harvest.order",
    "harvest.clock",
    "harvest.reasons",
    "harvest.doubts",
    "harvest.came",
    "harvest.truth",
    "harvest.simulator",
    "harvest.policies",
    "harvest.decisions",
    "harvest.sampling",
    "harvest.hindcast",
    "harvest.lessons",
    "fanout",
    "report.tables",
    "report.sheet",
    "report.lookback_tables",
    "report.canvas",
    "report.ripening_figures",
    "report.order_figures",
    "report.weather_figures",
    "report.figures",
    "report.lookback_figures",
    "report.page",
    "report.season_end",
    "report.front",
    "report.numbers",
    "report.send",
    "report.engine",
    "report.publish",
    "report.render",
    "report.weekly",
    "demo",
]


def module_path(name):
    return PACKAGE / (name.replace(".", "/") + ".py")


def olivetime_imports(source):
    """Dotted names of the olivetime modules that a source text imports, wherever the import stands."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert not node.level, "write imports in full: from olivetime.room.x import y"
            if node.module == "olivetime":
                found |= {alias.name for alias in node.names}
            elif (node.module or "").startswith("olivetime."):
                place = node.module.removeprefix("olivetime.")
                inner = {f"{place}.{alias.name}" for alias in node.names}
                found |= inner & set(ORDER) or {place}
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names if alias.name.startswith("olivetime.")]
            found |= {name.removeprefix("olivetime.") for name in names}
    return found - {"__version__"}


def test_every_module_has_a_place_in_the_order():
    present = {
        path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", ".")
        for path in PACKAGE.rglob("*.py")
        if path.stem not in {"__init__", "__main__"}
    }
    assert present == set(ORDER)


@pytest.mark.parametrize("module", ORDER)
def test_imports_point_backwards(module):
    allowed = set(ORDER[: ORDER.index(module)])
    imported = olivetime_imports(module_path(module).read_text(encoding="utf-8"))
    assert imported <= allowed, f"{module} reaches forward to {sorted(imported - allowed)}"


@pytest.mark.parametrize("name", sorted(olivetime._PLACES))
def test_public_names_are_where_they_are_said_to_be(name):
    assert getattr(olivetime, name) is getattr(importlib.import_module(olivetime._PLACES[name]), name)


def test_unknown_public_name_is_refused_with_the_list():
    with pytest.raises(AttributeError, match="has no attribute 'reed_season'; it has"):
        olivetime.reed_season  # noqa: B018
