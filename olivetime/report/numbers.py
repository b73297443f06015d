"""A reader's numbers for a spreadsheet: one workbook, and the same tables as CSV, every column with unit and meaning.

Growers get their own part of the week; the farm manager, the mill and the agronomist the tables of their pages.

Numbers are numbers and days are days; text can never become a formula. Units are those of the pages. The workbook
follows the language of the page; the CSV files keep the decimal point and the comma, whatever the language.
"""

from __future__ import annotations

import datetime
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

from olivetime.languages import mark, said, say
from olivetime.records.files import safe_cell
from olivetime.report.sheet import lot_text
from olivetime.report.tables import Week, told_text
from olivetime.words import display_unit


@dataclass(frozen=True)
class Field:
    """One column: where it comes from, its heading, what kind of thing it is, and what it means.

    Attributes
    ----------
    column : str
        Of the week's table.
    heading, meaning : str
        English; said in the grower's language.
    kind : str
        "text", "lot", "yes", "day", "time", "count", "number" (no unit), "exact" (six decimals), "pct", "chance" (0-1,
        shown in per cent), "h", "d", "kg", "money", or a quantity of `olivetime.words.display_unit`.
    """

    column: str
    heading: str
    kind: str
    meaning: str


_BLOCK = Field("block_name", mark("Block"), "text", mark("name of the block in the records"))
_DAY = Field("day", mark("Day"), "day", mark("day that the row is for"))
_LOW, _LIKELY, _HIGH = (
    mark("nine of ten possible seasons lie above"),
    mark("half of the possible seasons lie above, half below"),
    mark("nine of ten possible seasons lie below"),
)


def _range(stem: str, ending: str, headings: tuple[str, str, str], kind: str) -> list[Field]:
    return [
        Field(f"{stem}_{p}{ending}", heading, kind, meaning)
        for p, heading, meaning in zip(("p10", "p50", "p90"), headings, (_LOW, _LIKELY, _HIGH), strict=True)
    ]


# name of the file, title of the sheet, table of the week, columns
Sheet = tuple[str, str, str, tuple[Field, ...]]
SHEETS: tuple[Sheet, ...] = (
    (
        "order",
        mark("Order"),
        "order",
        (
            Field("rank", mark("Rank"), "count", mark("place among your blocks; 1 is picked first")),
            _BLOCK,
            Field("ranch", mark("Ranch"), "text", mark("blocks that lie together")),
            Field("cultivar", mark("Cultivar"), "text", mark("as in the records")),
            Field("status", mark("Status"), "text", mark("whether and how the block is planned")),
            Field("start_at", mark("Start"), "time", mark("when picking is planned to begin")),
            Field("end_at", mark("End"), "time", mark("when picking is planned to end")),
            Field("start_p10", mark("Start, early"), "time", mark("one in ten possible seasons begins before")),
            Field("start_p90", mark("Start, late"), "time", mark("one in ten possible seasons begins after")),
            Field("promised_on", mark("Promised"), "day", mark("day promised in last week's order")),
            Field("good_from", mark("Good from"), "day", mark("first day on which little is lost")),
            Field("good_to", mark("Good to"), "day", mark("last day on which little is lost")),
            Field("area_ha", mark("Area"), "area", mark("left to pick")),
            Field("crop_t", mark("Crop"), "crop", mark("fresh fruit expected from it")),
            Field("crop_p10_t", mark("Crop, low"), "crop", _LOW),
            Field("crop_p90_t", mark("Crop, high"), "crop", _HIGH),
            Field("oil_fresh_pct", mark("Oil, fresh"), "pct", mark("oil in fresh fruit when picked")),
            Field("oil_dry_pct", mark("Oil, dry"), "pct", mark("oil in dry matter when picked")),
            Field("moisture_pct", mark("Moisture"), "pct", mark("water in fresh fruit when picked")),
            Field("maturity_index", mark("Maturity"), "number", mark("index from colour, 0 to 7, when picked")),
            Field(
                "value", mark("Value"), "money", mark("what the fruit is worth less the costs that depend on the day")
            ),
            Field("value_p10", mark("Value, low"), "money", _LOW),
            Field("value_p90", mark("Value, high"), "money", _HIGH),
            Field("waiting_7d", mark("Waiting 7 days"), "money", mark("what is lost by picking a week later")),
            Field("frost_chance", mark("Frost before picking"), "chance", mark("chance of frost before it is picked")),
            Field("reason", mark("Why"), "text", mark("what decided its place")),
        ),
    ),
    (
        "blocks",
        mark("Blocks"),
        "stage",
        (
            _BLOCK,
            Field("ranch", mark("Ranch"), "text", mark("blocks that lie together")),
            Field("cultivar", mark("Cultivar"), "text", mark("as in the records")),
            Field("organic", mark("Organic"), "yes", mark("certified organic")),
            Field("area_ha", mark("Area"), "area", mark("of the whole block")),
            Field("crop_t", mark("Crop"), "crop", mark("fresh fruit on the trees")),
            Field("samples_n", mark("Samples"), "count", mark("samples of this season")),
            Field("sample_age_d", mark("Newest sample"), "d", mark("days since it was taken")),
            *_range(
                "oil_dry_now", "_pct", (mark("Oil, dry, low"), mark("Oil, dry, likely"), mark("Oil, dry, high")), "pct"
            ),
            Field("oil_fresh_now_p50_pct", mark("Oil, fresh, likely"), "pct", mark("oil in fresh fruit on this day")),
            Field("moisture_now_p50_pct", mark("Moisture, likely"), "pct", mark("water in fresh fruit on this day")),
            Field(
                "maturity_now_p50", mark("Maturity, likely"), "number", mark("index from colour, 0 to 7, on this day")
            ),
            Field("target_dry_pct", mark("Target, dry"), "pct", mark("oil in dry matter that is aimed at")),
            Field("reached_chance", mark("Target reached"), "chance", mark("chance that the target is reached by now")),
            Field("never_chance", mark("Never"), "chance", mark("chance that the target is not reached this season")),
            Field("on_p10", mark("Target on, early"), "day", mark("one in ten possible seasons is earlier")),
            Field("on_p50", mark("Target on, likely"), "day", _LIKELY),
            Field("on_p90", mark("Target on, late"), "day", mark("one in ten possible seasons is later")),
        ),
    ),
    (
        "picked",
        mark("Picked"),
        "picked",
        (
            _BLOCK,
            Field("first_on", mark("First day"), "day", mark("first day of the mill's tickets for this block")),
            Field("last_on", mark("Last day"), "day", mark("last day of the mill's tickets for this block")),
            Field("area_ha", mark("Area"), "area", mark("picked, by the tickets")),
            Field("net_t", mark("Crop"), "crop", mark("net weight of fruit, by the tickets")),
            Field("oil_out_kg", mark("Oil obtained"), "kg", mark("by the tickets; empty while one of them lacks it")),
            Field("tickets_n", mark("Tickets"), "count", mark("weighing tickets of this block")),
        ),
    ),
    (
        "samples",
        mark("Samples"),
        "samples",
        (
            Field("sample_id", mark("Sample"), "text", mark("number of the sample in the records")),
            _BLOCK,
            Field("sampled_on", mark("Taken"), "day", mark("day on which the fruit was taken")),
            Field("oil_dry_pct", mark("Oil, dry"), "pct", mark("oil in dry matter")),
            Field("oil_fresh_pct", mark("Oil, fresh"), "pct", mark("oil in fresh fruit")),
            Field("moisture_pct", mark("Moisture"), "pct", mark("water in fresh fruit")),
            Field("maturity_index", mark("Maturity"), "number", mark("index from colour, 0 to 7")),
            Field("lab", mark("Laboratory"), "text", mark("who measured it")),
        ),
    ),
    (
        "curves",
        mark("Curves"),
        "curves",
        (
            _BLOCK,
            _DAY,
            Field("forecast", mark("Forecast"), "yes", mark("the day lies ahead")),
            *_range(
                "oil_dry", "_pct", (mark("Oil, dry, low"), mark("Oil, dry, likely"), mark("Oil, dry, high")), "pct"
            ),
            *_range(
                "oil_fresh",
                "_pct",
                (mark("Oil, fresh, low"), mark("Oil, fresh, likely"), mark("Oil, fresh, high")),
                "pct",
            ),
            Field("moisture_p50_pct", mark("Moisture, likely"), "pct", _LIKELY),
            Field("maturity_p50", mark("Maturity, likely"), "number", _LIKELY),
        ),
    ),
    (
        "value-by-day",
        mark("Value by day"),
        "value_by_day",
        (
            _BLOCK,
            _DAY,
            Field("value_p10", mark("Value, low"), "money", _LOW),
            Field("value_mean", mark("Value, mean"), "money", mark("mean of the draws")),
            Field("value_p90", mark("Value, high"), "money", _HIGH),
        ),
    ),
    (
        "weather",
        mark("Weather"),
        "weather",
        (
            Field("station_id", mark("Station"), "text", mark("weather station of the records")),
            _DAY,
            Field("measured", mark("Measured"), "yes", mark("measured; otherwise expected")),
            *_range("temp_min", "_c", (mark("Lowest, low"), mark("Lowest, likely"), mark("Lowest, high")), "temp"),
            *_range("temp_max", "_c", (mark("Highest, low"), mark("Highest, likely"), mark("Highest, high")), "temp"),
            Field("rain_mean_mm", mark("Rain"), "rain", mark("mean of the possible seasons")),
            Field("rain_chance", mark("Chance of rain"), "chance", mark("chance that it rains on the day")),
            Field(
                "frost_chance", mark("Chance of frost"), "chance", mark("chance of frost in the night before the day")
            ),
        ),
    ),
)
_OWN = {sheet[0]: sheet for sheet in SHEETS}
_PLACE = Field("rank", mark("Rank"), "count", mark("place in the order; 1 is picked first"))
_HARVESTER = Field("harvester_id", mark("Harvester"), "text", mark("as in the records"))
_GROWER = Field("grower", mark("Grower"), "text", mark("as in the records"))
_CULTIVAR = Field("cultivar", mark("Cultivar"), "text", mark("as in the records"))
_LOT = Field("lot", mark("Lot"), "lot", mark("cultivar, certification and contract: milled apart"))
_KIND = Field("kind", mark("Kind"), "text", mark("oil, moisture or maturity"))
_SAMPLE = Field("sample_id", mark("Sample"), "text", mark("number of the sample in the records"))
_CAPACITY: Sheet = (
    "capacity",
    mark("What limits each day"),
    "capacity",
    (
        _DAY,
        Field("resource", mark("Resource"), "text", mark("harvester, mill or trucks")),
        Field("used", mark("Used"), "number", mark("what the order takes, mean of the scenarios")),
        Field("limit", mark("Limit"), "number", mark("what the day allows")),
        Field("unit", mark("Unit"), "text", mark("of both numbers")),
        Field("binding", mark("Binds"), "yes", mark("more of it would let more be picked that day")),
    ),
)
_ORDER: Sheet = ("order", mark("Order"), "order", (_PLACE, _BLOCK, _GROWER, _HARVESTER, *_OWN["order"][3][2:]))
_FROST: Sheet = (
    "frost",
    mark("Frost"),
    "frost",
    (
        _BLOCK,
        Field("day", mark("Night"), "day", mark("morning on which the night ends")),
        Field("chance", mark("Chance of frost"), "chance", mark("chance of a low that damages fruit")),
        Field("at_risk_t", mark("Fruit at risk"), "crop", mark("fruit still on the trees, mean of the scenarios")),
        Field("value_at_risk", mark("Value at risk"), "money", mark("what damage would take off the fruit's worth")),
    ),
)
_OIL_ORDERS: Sheet = (
    "oil-orders",
    mark("Orders for oil"),
    "oil_orders",
    (
        Field("order_id", mark("Order"), "text", mark("as in the records")),
        Field("style", mark("Style"), "text", mark("kind of oil that is wanted; empty for any")),
        Field("cultivar", mark("Cultivar"), "text", mark("as in the records; empty for any")),
        Field("organic", mark("Organic"), "yes", mark("certified organic")),
        Field("due_on", mark("Due"), "day", mark("last day on which the oil counts")),
        Field("oil_l", mark("Wanted"), "oil", mark("oil on order")),
        Field("expected_l", mark("Expected"), "oil", mark("mean of the scenarios")),
        Field("p10_l", mark("Expected, low"), "oil", _LOW),
        Field("p90_l", mark("Expected, high"), "oil", _HIGH),
        Field("shortfall_l", mark("Shortfall"), "oil", mark("mean of the scenarios")),
        Field("met_chance", mark("Chance of being met"), "chance", mark("share of the scenarios in which it is met")),
        Field("shortfall_cost", mark("Cost of shortfall"), "money", mark("mean of the scenarios")),
    ),
)
_MANAGER: tuple[Sheet, ...] = (
    _ORDER,
    _OWN["blocks"],
    _OWN["picked"],
    (
        "what-ifs",
        mark("What if"),
        "what_ifs",
        (
            Field("change", mark("Change"), "text", mark("the one thing that is different")),
            Field("value_change", mark("Worth"), "money", mark("what the order is worth more, or less")),
            Field("first_block", mark("Picked first"), "text", mark("name of the block in the records")),
            Field("moves", mark("Moves"), "text", mark("what is picked on another day")),
        ),
    ),
    (
        "rules",
        mark("Rules of thumb"),
        "rules",
        (
            Field("rule", mark("Rule"), "text", mark("how it puts blocks in order")),
            Field("value", mark("Value"), "money", mark("what its order is worth, mean of the scenarios")),
            Field("share_of_bound", mark("Of the best possible"), "chance", mark("share of what no order can exceed")),
        ),
    ),
    _OIL_ORDERS,
    _CAPACITY,
    _FROST,
    _OWN["value-by-day"],
    _OWN["weather"],
    (
        "growers",
        mark("Growers"),
        "growers",
        (
            _GROWER,
            Field("blocks_n", mark("Blocks"), "count", mark("blocks of this grower")),
            Field("area_ha", mark("Area"), "area", mark("of all these blocks")),
            Field("crop_t", mark("Crop"), "crop", mark("fresh fruit on the trees")),
        ),
    ),
)
_MILL: tuple[Sheet, ...] = (
    (
        "arrivals",
        mark("Arrivals"),
        "order",
        (
            _PLACE,
            _BLOCK,
            _GROWER,
            _LOT,
            _HARVESTER,
            Field("to_mill_at", mark("First fruit at the mill"), "time", mark("when the first load is there")),
            Field("crop_t", mark("Crop"), "crop", mark("fresh fruit expected from it")),
            Field("oil_fresh_pct", mark("Oil, fresh"), "pct", mark("oil in fresh fruit when picked")),
            Field("moisture_pct", mark("Moisture"), "pct", mark("water in fresh fruit when picked")),
            Field("truck_loads", mark("Truck loads"), "count", mark("loads that carry it")),
            Field("wait_h", mark("Waits at the mill"), "h", mark("hours that its fruit waits there")),
            Field("cleaning_h", mark("Cleaning"), "h", mark("hours of cleaning before it is milled")),
        ),
    ),
    (
        "mill-days",
        mark("Fruit to the mill"),
        "mill",
        (
            _DAY,
            _LOT,
            Field("crop_t", mark("Fruit"), "crop", mark("of this lot and day, mean of the scenarios")),
            Field("limit_t", mark("Mill limit of the day"), "crop", mark("what the day allows")),
            Field("crushed_t", mark("Crushed that day"), "crop", mark("of all lots of the day")),
            Field("waiting_t", mark("Waits overnight"), "crop", mark("of all lots of the day")),
        ),
    ),
    _OIL_ORDERS,
    _CAPACITY,
    _OWN["weather"],
)
_AGRONOMIST: tuple[Sheet, ...] = (
    _OWN["blocks"],
    _OWN["samples"],
    _OWN["curves"],
    (
        "misfits",
        mark("Samples against curves"),
        "residuals",
        (
            _SAMPLE,
            _BLOCK,
            _KIND,
            Field("day", mark("Taken"), "day", mark("day on which the fruit was taken")),
            Field("observed", mark("Measured"), "number", mark("what the laboratory found")),
            Field("fitted", mark("Curve"), "number", mark("what the block's curve says of the day")),
            Field("residual_sd", mark("Away"), "number", mark("difference in standard deviations")),
            Field("weight", mark("Weight in the fit"), "chance", mark("less than 100 where the sample is doubted")),
        ),
    ),
    (
        "doubts",
        mark("Doubtful samples"),
        "doubts",
        (
            _SAMPLE,
            _BLOCK,
            Field("sampled_on", mark("Taken"), "day", mark("day on which the fruit was taken")),
            Field("residual_sd", mark("Away"), "number", mark("difference in standard deviations")),
            Field("oil_dry_now_pct", mark("Oil, dry, with it"), "pct", mark("oil in dry matter on this day")),
            Field("oil_dry_now_without_pct", mark("Oil, dry, without it"), "pct", mark("the same, fitted without it")),
            Field("target_on", mark("Target on, with it"), "day", _LIKELY),
            Field("target_on_without", mark("Target on, without it"), "day", mark("the same, fitted without it")),
            Field("moved_n", mark("Blocks that move in two weeks"), "count", mark("planned again without it")),
            Field("gain", mark("Lost if it is wrong"), "money", mark("what the order without it is worth more")),
        ),
    ),
    (
        "foretold",
        mark("Foretold samples"),
        "foretold",
        (
            _SAMPLE,
            _BLOCK,
            Field("day", mark("Taken"), "day", mark("day on which the fruit was taken")),
            Field("observed", mark("Oil, dry"), "pct", mark("what the laboratory found")),
            *_range("told", "", (mark("Foretold, low"), mark("Foretold, likely"), mark("Foretold, high")), "pct"),
            Field("line", mark("Straight line"), "pct", mark("through the block's own earlier samples of the season")),
        ),
    ),
    (
        "pooled",
        mark("Blocks alone and together"),
        "pooled",
        (
            _BLOCK,
            Field("samples_n", mark("Samples"), "count", mark("samples of this season")),
            Field("day", mark("Newest sample"), "day", mark("day on which the fruit was taken")),
            Field("own", mark("Oil, dry, alone"), "pct", mark("by the block's own samples")),
            Field("fitted", mark("Oil, dry, together"), "pct", mark("by its curve, which learns from other blocks")),
            Field("own_rate", mark("A week, alone"), "number", mark("points of dry oil a week by its own samples")),
            Field("fitted_rate", mark("A week, together"), "number", mark("points of dry oil a week by its curve")),
        ),
    ),
    (
        "next-samples",
        mark("Where to sample next"),
        "next_samples",
        (
            Field("rank", mark("Rank"), "count", mark("1 is where a sample is worth most")),
            _BLOCK,
            Field("gain", mark("What the doubt can cost"), "money", mark("what one more sample could save")),
            Field("fruits_n", mark("Fruit to take"), "count", mark("fruits of one sample")),
            Field("why", mark("Why"), "text", mark("what is not known well")),
        ),
    ),
    (
        "parameters",
        mark("Curve parameters"),
        "parameters",
        (
            _KIND,
            _CULTIVAR,
            Field("shape", mark("Shape"), "text", mark("of the oil curve")),
            Field("part", mark("Part"), "text", mark("the curve itself, or how blocks and samples scatter")),
            Field("name", mark("Parameter"), "text", mark("name in the description of the model")),
            Field("value", mark("Value"), "exact", mark("fitted, in the unit of its name")),
            Field("se", mark("Standard error"), "exact", mark("of the fitted value")),
            Field("prior_mean", mark("Prior mean"), "exact", mark("expected before any sample")),
            Field("prior_sd", mark("Prior sd"), "exact", mark("how surely that was expected")),
            Field("source", mark("Source of the prior"), "text", mark("where the expectation comes from")),
        ),
    ),
    (
        "findings",
        mark("Findings in the records"),
        "findings",
        (
            Field("level", mark("Level"), "text", mark("error, warning or note")),
            Field("table", mark("Table"), "text", mark("of the records")),
            Field("row", mark("Row"), "count", mark("of the file")),
            Field("column", mark("Column"), "text", mark("of the table")),
            Field("says", mark("Found"), "text", mark("what is wrong or doubtful")),
            Field("do", mark("Do"), "text", mark("what mends it")),
        ),
    ),
    (
        "assumptions",
        mark("What was assumed"),
        "assumptions",
        (
            Field("name", mark("Assumption"), "text", mark("name of the rule or choice")),
            Field("value", mark("Value"), "text", mark("what was used")),
            Field("unit", mark("Unit"), "text", mark("of the value")),
            Field("says", mark("Says"), "text", mark("what it decides")),
            Field("source", mark("Source"), "text", mark("where it comes from")),
        ),
    ),
    _OWN["weather"],
)
READERS: Mapping[str, tuple[Sheet, ...]] = MappingProxyType(
    {"grower": SHEETS, "manager": _MANAGER, "mill": _MILL, "agronomist": _AGRONOMIST}
)
_DIGITS = {"pct": 1, "chance": 0, "h": 1, "d": 0, "kg": 0, "money": 0, "number": 2, "exact": 6, "count": 0}
LONGEST_CELL = 32_767  # characters, of spreadsheet programs
ROWS_IN_MEMORY = 50_000  # of all sheets of a workbook
_NO_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")  # XML 1.0, production 2: Char
_QUANTITIES = ("area", "crop", "temp", "rain", "oil")
_UNITS = {"pct": "%", "chance": "%", "h": "h", "d": "d", "kg": "kg"}


def number_files(week: Week, reader: str = "grower") -> dict[str, bytes]:
    """Workbook and CSV files of a reader's tables.

    Parameters
    ----------
    week : Week
        For a grower that grower's part, from `olivetime.report.tables.grower_week`; for the others the whole week.
    reader : str
        "grower", "manager", "mill" or "agronomist".

    Returns
    -------
    dict
        "numbers.xlsx", "numbers/NAME.csv" and "numbers/columns.csv", which says what each column means, -> bytes; the
        same week gives the same bytes.

    Raises
    ------
    ValueError
        No such reader.
    """
    if reader not in READERS:
        known = ", ".join(READERS)
        raise ValueError(f"number_files: found reader {reader!r}, expected one of {known}. Name one of these.")
    sheets = READERS[reader]
    frames = {name: _frame(week, table, fields) for name, _, table, fields in sheets}
    meanings = _meanings(week, sheets)
    files = {"numbers.xlsx": _workbook(week, sheets, frames, meanings)}
    for name, frame in {"columns": meanings, **frames}.items():
        safe = frame.map(lambda value: safe_cell(value) if isinstance(value, str) else value)
        safe.columns = [safe_cell(heading) for heading in safe.columns]
        # The mark at the start tells spreadsheet programs that the file is UTF-8.
        files[f"numbers/{name}.csv"] = safe.to_csv(index=False, lineterminator="\n").encode("utf-8-sig")
    return files


def _unit(own: Week, kind: str) -> str:
    if kind == "money":
        return str(own.info["currency"])
    return display_unit(own.info, kind).label if kind in _QUANTITIES else _UNITS.get(kind, "")


def _heading(own: Week, field: Field) -> str:
    unit = _unit(own, field.kind)
    return say(field.heading, own.info) + (f" [{unit}]" if unit else "")


def _frame(own: Week, table: str, fields: tuple[Field, ...]) -> pd.DataFrame:
    rows = _in_page_units(own, getattr(own, table)) if table == "capacity" else getattr(own, table)
    if table == "assumptions":
        told = [told_text(*both, own.info) for both in zip(rows["says"], rows["says_parts"], strict=True)]
        rows = rows.assign(says=pd.Series(told, rows.index, dtype="str"))
    if "block_name" not in rows and "block_id" in rows:
        names = dict(zip(own.stage["block_id"], own.stage["block_name"], strict=True))
        rows = rows.assign(block_name=rows["block_id"].map(names))
    return pd.DataFrame({_heading(own, field): _cells(own, rows[field.column], field.kind) for field in fields})


def _in_page_units(week: Week, rows: pd.DataFrame) -> pd.DataFrame:
    """Tonnes of the capacity table in the unit that the pages show."""
    crop, tonnes = display_unit(week.info, "crop"), rows["unit"] == "t"
    amounts = rows[["used", "limit"]].astype(float)
    shown = crop.of(amounts).where(tonnes, amounts, axis=0)
    unit = rows["unit"].astype(object).where(~tonnes, crop.label)
    return rows.assign(used=shown["used"], limit=shown["limit"], unit=unit)


def _cells(own: Week, values: pd.Series, kind: str) -> pd.Series:
    """Values in display units: text, whole or decimal numbers, or ISO days and times; None where missing."""
    if kind == "text":
        return (
            values.astype(object).where(values.notna(), "").map(lambda text: said(str(text), own.info)).astype(object)
        )
    if kind == "lot":
        return values.map(lambda lot: "" if pd.isna(lot) else lot_text(str(lot), own.info)).astype(object)
    if kind == "yes":
        words = {True: say("yes", own.info), False: say("no", own.info)}
        return values.map(lambda value: "" if pd.isna(value) else words[bool(value)]).astype(object)
    if kind in ("day", "time"):
        moments = pd.to_datetime(values)  # a table without rows has no kind of column yet
        return (
            moments.dt.strftime("%Y-%m-%d" if kind == "day" else "%Y-%m-%d %H:%M").astype(object).where(values.notna())
        )
    numbers = pd.to_numeric(values, errors="coerce").astype(float)
    digits = _DIGITS.get(kind, 0)
    if kind == "chance":
        numbers = numbers * 100.0
    elif kind in _QUANTITIES:
        unit = display_unit(own.info, kind)
        numbers, digits = unit.of(numbers), unit.digits + (1 if kind in ("area", "crop", "temp") else 2)
    numbers = numbers.round(digits) + 0.0  # no "-0"
    return numbers.astype("Int64") if digits == 0 and np.isfinite(numbers.dropna()).all() else numbers


def _meanings(own: Week, sheets: tuple[Sheet, ...]) -> pd.DataFrame:
    """What each column of each table is."""
    info = own.info
    rows = [
        [say(title, info), say(field.heading, info), _unit(own, field.kind), say(field.meaning, info)]
        for _, title, _, fields in sheets
        for field in fields
    ]
    return pd.DataFrame(
        rows, columns=[say(w, info) for w in (mark("Table"), mark("Column"), mark("Unit"), mark("Meaning"))]
    )


def _workbook(
    own: Week, sheets: tuple[Sheet, ...], tables: Mapping[str, pd.DataFrame], meanings: pd.DataFrame
) -> bytes:
    out = io.BytesIO()
    # Row by row through a file where all cells at once would take a gigabyte (a mill of 1,800 blocks).
    large = sum(map(len, tables.values())) > ROWS_IN_MEMORY
    book = xlsxwriter.Workbook(
        out, {"in_memory": not large, "constant_memory": large, "nan_inf_to_errors": True}
    )
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})  # the same week gives the same bytes
    styles = {
        "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top"}),
        "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm"}),
    }
    _sheet(book, styles, say("Columns", own.info), meanings, ["text"] * 4)
    for name, title, _, fields in sheets:
        _sheet(book, styles, say(title, own.info), tables[name], [field.kind for field in fields])
    book.close()
    return out.getvalue()


def _sheet(
    book: xlsxwriter.Workbook, styles: Mapping[str, Any], title: str, frame: pd.DataFrame, kinds: list[str]
) -> None:
    sheet = book.add_worksheet(title[:31])
    sheet.freeze_panes(1, 0)

    def text(row: int, place: int, value: str, *style: Any) -> None:
        # text stays text, also when it begins with =; a spreadsheet program's cell ends at some length
        sheet.write_string(row, place, _NO_XML.sub("", value)[:LONGEST_CELL], *style)

    for place, heading in enumerate(frame.columns):
        longest = max((len(str(value)) for value in frame.iloc[:200, place]), default=0)
        sheet.set_column(place, place, min(max(len(heading), longest, 6) + 2, 60))
        text(0, place, heading, styles["head"])
    for row, values in enumerate(frame.itertuples(index=False, name=None), start=1):
        for place, (value, kind) in enumerate(zip(values, kinds, strict=True)):
            if kind in ("text", "lot", "yes"):
                if value:
                    text(row, place, value)
            elif not pd.isna(value):
                if kind in ("day", "time"):
                    sheet.write_datetime(row, place, datetime.datetime.fromisoformat(value), styles[kind])
                else:
                    sheet.write_number(row, place, value)
