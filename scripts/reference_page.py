"""Write docs/reference.md: the functions and results that a notebook or another program uses, from their docstrings."""

import dataclasses
import importlib
import inspect
from pathlib import Path

import olivetime

PAGE = Path(__file__).parents[1] / "docs" / "reference.md"

# What `import olivetime` offers comes first; then what is of use on its own, room by room.
ROOMS = {
    "Records": ("records.season", ("read_season", "check", "Season")),
    "Templates and findings": ("records.export", ("write_template", "write_problems")),
    "Weather": ("weather.stations", ("station_days", "StationDays")),
    "Degree days": ("weather.degree_days", ("degree_days",)),
    "Scenarios": ("weather.scenarios", ("scenarios", "Scenarios")),
    "Curves of any grouped data": ("ripening.mixed", ("fit_mixed", "MixedFit")),
    "Colour classes of any grouped counts": ("ripening.colour", ("fit_colour",)),
    "Ripening": ("ripening.outcomes", ("fit_ripening", "RipeningFit", "outcomes", "Outcomes")),
    "Capacity and value": ("harvest.capacity", ("capacity", "Capacity")),
    "Value": ("harvest.value", ("value", "Value")),
    "Sequencing of any tasks": ("harvest.tasks", ("Task", "sequence", "Sequence")),
    "Harvest order": ("harvest.order", ("propose", "Proposal", "plan", "HarvestPlan")),
    "Reasons": ("harvest.reasons", ("what_if", "explain", "waiting_costs")),
    "Lookback": ("harvest.hindcast", ("hindcast",)),
    "The week": ("report.weekly", ("run_week", "open_week")),
}


def _entry(name: str, thing: object) -> str:
    shown = f"class {name}" if dataclasses.is_dataclass(thing) else f"{name}{_signature(thing)}"
    text = [f"### `{name}`", "", "```text", shown, "", inspect.getdoc(thing) or "", "```"]
    if dataclasses.is_dataclass(thing):
        for method, function in vars(thing).items():
            if not method.startswith("_") and inspect.isfunction(function):
                head = f"{name}.{method}{_signature(function)}"
                text += ["", "```text", head, "", inspect.getdoc(function) or "", "```"]
    return "\n".join(text)


def _signature(thing: object) -> str:
    """Names and defaults without annotations: the docstring says the types with their units."""
    signature = inspect.signature(thing)
    bare = [part.replace(annotation=inspect.Parameter.empty) for part in signature.parameters.values()]
    return str(signature.replace(parameters=bare, return_annotation=inspect.Signature.empty))


def page() -> str:
    """Text of the page."""
    parts = [
        "# Reference",
        "",
        "Made from the docstrings by `scripts/reference_page.py`. Everything that `import olivetime as ot` offers is",
        f"listed here first: {', '.join(f'`{name}`' for name in olivetime.__all__)}.",
        "",
        "All results are frozen. Arrays are ordered (scenario S or draw K, block B, day T); units are in the names.",
    ]
    for title, (module, names) in ROOMS.items():
        place = importlib.import_module(f"olivetime.{module}")
        parts += ["", f"## {title}: `olivetime.{module}`"]
        parts += [f"\n{_entry(name, getattr(place, name))}" for name in names]
    return "\n".join(line.rstrip() for line in "\n".join(parts).splitlines()) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
