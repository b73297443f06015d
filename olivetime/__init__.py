"""olivetime: when to pick each block of oil olives.

A season folder of records goes in; curves, a harvest order with its reasons, and the week's pages come out.
The names below are all that most users need; each is documented where it lives.

>>> import olivetime as ot
>>> ot.__version__
'0.1.0'
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# Where each public name lives. They load on first use, so that `olivetime --help` does not wait for pandas.
_PLACES = {
    "read_season": "olivetime.records.season",
    "check": "olivetime.records.season",
    "SeasonError": "olivetime.records.columns",
    "station_days": "olivetime.weather.stations",
    "scenarios": "olivetime.weather.scenarios",
    "fit_ripening": "olivetime.ripening.outcomes",
    "outcomes": "olivetime.ripening.outcomes",
    "propose": "olivetime.harvest.order",
    "what_if": "olivetime.harvest.reasons",
    "hindcast": "olivetime.harvest.hindcast",
    "week_tables": "olivetime.report.tables",
    "run_week": "olivetime.report.weekly",
    "write_demo": "olivetime.demo",
}

__all__ = ["__version__", "figures", *_PLACES]


def __getattr__(name: str) -> Any:
    if name == "figures":
        return importlib.import_module("olivetime.report.figures")
    if name in _PLACES:
        return getattr(importlib.import_module(_PLACES[name]), name)
    raise AttributeError(f"module 'olivetime' has no attribute {name!r}; it has {', '.join(sorted(__all__))}")


def __dir__() -> list[str]:
    return sorted(__all__)
