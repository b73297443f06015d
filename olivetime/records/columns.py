"""Every table's columns, every rule and every setting of a season, declared once.

The reader, the checks, the template workbook, the documentation pages and the Table Schema files are all
driven by the tables in this module, so a column is added or changed here and nowhere else.

Notes
-----
Hard ranges are errors, usual ranges warnings. They are our own choices, made wide on purpose; no published
source is claimed for them. Sources of rule defaults stand in the `source` field of each `Rule`.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from olivetime import units

Range = tuple[float, float]


class SeasonError(Exception):
    """A season folder on which nothing can be decided.

    Parameters
    ----------
    where : str
        File, row or setting.
    found : str
        What stands there.
    expected : str
        What should stand there; may be empty when `found` says it all.
    do : str
        What the reader of the sentence should do, as a full sentence.
    """

    def __init__(self, where: str, found: str, expected: str, do: str) -> None:
        super().__init__(where, found, expected, do)
        self.where = where
        self.found = found
        self.expected = expected
        self.do = do
        # A table of everything else that was found on the way, for `check`.
        self.findings: pd.DataFrame | None = None

    def __str__(self) -> str:
        return sentence(self.where, self.found, self.expected, self.do)


def sentence(where: str, found: str, expected: str, do: str) -> str:
    """Join the four parts of a message: where, found, expected, do.

    Examples
    --------
    >>> sentence("samples.csv, row 4", "moisture_pct is 157", "20 to 85 %", "Correct the number.")
    'samples.csv, row 4: moisture_pct is 157, expected 20 to 85 %. Correct the number.'
    """
    middle = f"{found}, expected {expected}" if expected else found
    return f"{where}: {middle}. {do}".strip()


@dataclass(frozen=True)
class Alternative:
    """Another unit a heading may carry: metric value = factor * value + offset."""

    suffix: str
    unit: str
    factor: float
    offset: float = 0.0


@dataclass(frozen=True)
class Unit:
    """The metric suffix of a column's name and the alternatives its heading may carry instead."""

    suffix: str
    says: str
    alternatives: tuple[Alternative, ...] = ()


_TON = units.T_PER_SHORT_TON
_OIL_GAL = units.OIL_KG_PER_GALLON_TRADE

UNITS: dict[str, Unit] = {
    "": Unit("", ""),
    "ha": Unit("_ha", "ha", (Alternative("_ac", "acre", units.HA_PER_ACRE),)),
    "t/ha": Unit(
        "_t_ha",
        "t/ha",
        (
            Alternative("_short_ton_ac", "short ton/acre", _TON / units.HA_PER_ACRE),
            Alternative("_kg_ha", "kg/ha", 0.001),
            Alternative("_lb_ac", "lb/acre", units.KG_PER_LB / 1000 / units.HA_PER_ACRE),
        ),
    ),
    "t": Unit(
        "_t",
        "t",
        (
            Alternative("_short_ton", "short ton", _TON),
            Alternative("_kg", "kg", 0.001),
            Alternative("_lb", "lb", units.KG_PER_LB / 1000),
        ),
    ),
    "t/h": Unit(
        "_t_h",
        "t/h",
        (Alternative("_short_ton_h", "short ton/h", _TON), Alternative("_kg_h", "kg/h", 0.001)),
    ),
    "kg oil": Unit(
        "_kg",
        "kg",
        (
            Alternative("_lb", "lb", units.KG_PER_LB),
            Alternative("_gal", "US gallon of oil at the trade's 7.6 lb", _OIL_GAL),
        ),
    ),
    "l oil": Unit(
        "_l",
        "l",
        (
            Alternative("_gal", "US gallon", units.L_PER_GALLON),
            Alternative("_kg", "kg of oil at 0.916 kg/l", 1 / units.OIL_KG_PER_L),
        ),
    ),
    "km": Unit("_km", "km", (Alternative("_mi", "mile", units.KM_PER_MILE),)),
    "km/h": Unit("_km_h", "km/h", (Alternative("_mi_h", "mile/h", units.KM_PER_MILE),)),
    "m": Unit("_m", "m", (Alternative("_ft", "foot", units.M_PER_FOOT),)),
    "mm": Unit("_mm", "mm", (Alternative("_in", "inch", units.MM_PER_INCH),)),
    "C": Unit("_c", "degrees C", (Alternative("_f", "degrees F", 1 / 1.8, -32 / 1.8),)),
    # A difference of temperatures has no 32-degree offset.
    "C difference": Unit("_c", "degrees C (a difference)", (Alternative("_f", "degrees F", 1 / 1.8),)),
    "m/s": Unit(
        "_m_s",
        "m/s",
        (
            Alternative("_mi_h", "mile/h", units.KM_PER_MILE / 3.6),
            Alternative("_km_h", "km/h", 1 / 3.6),
        ),
    ),
    "g": Unit("_g", "g"),
    "h": Unit("_h", "h", (Alternative("_min", "minute", 1 / 60),)),
    "h per day": Unit("", "h a day"),
    "days": Unit("", "days"),
    "deg": Unit("_deg", "degrees"),
    "% fresh": Unit("_pct", "% of fresh weight"),
    "% dry": Unit("_pct", "% of dry matter"),
    "%": Unit("_pct", "%"),
    "fraction": Unit("_fraction", "fraction, 0 to 1"),
    "meq/kg": Unit("_meq_kg", "meq of active oxygen per kg of oil"),
    "fruit": Unit("_n", "fruit"),
    "count": Unit("_n", ""),
    "1/point": Unit("", "relative change of price per point of fresh oil"),
    "index": Unit("", "index, 0 to 7"),
    "money/kg oil": Unit(
        "_kg",
        "currency per kg of oil",
        (
            Alternative("_lb", "currency per lb of oil", 1 / units.KG_PER_LB),
            Alternative("_gal", "currency per US gallon of oil at the trade's 7.6 lb", 1 / _OIL_GAL),
        ),
    ),
    "money/l oil": Unit(
        "_l",
        "currency per l of oil",
        (Alternative("_gal", "currency per US gallon of oil", 1 / units.L_PER_GALLON),),
    ),
    "money/t": Unit("_t", "currency per t", (Alternative("_short_ton", "currency per short ton", 1 / _TON),)),
    "money/km": Unit("_km", "currency per km", (Alternative("_mi", "currency per mile", 1 / units.KM_PER_MILE),)),
    "money/h": Unit("_h", "currency per h"),
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Name in the cleaned table, its unit as suffix.
    kind : str
        "text", "number", "integer", "date", "instant" (an hour, in UTC), "bool" or "choice".
    unit : str, optional
        Key of `UNITS`.
    hard, usual : tuple of float, optional
        Range outside which a value is an error, and a warning.
    required : bool
        The heading must stand in the file.
    unique : bool
        Part of the table's key.
    refers_to : str
        "table.column" in which the value must occur.
    help : str
        Meaning, shown in the template and the documentation.
    choices : tuple of str
        Allowed words of a "choice".
    default : optional
        Value of an empty cell.
    gaps : bool
        A required column whose cells may be empty all the same.
    """

    name: str
    kind: str
    unit: str = ""
    hard: Range | None = None
    usual: Range | None = None
    required: bool = False
    unique: bool = False
    refers_to: str = ""
    help: str = ""
    choices: tuple[str, ...] = ()
    default: float | str | bool | None = None
    gaps: bool = False


def _key(name: str, help: str, refers_to: str = "") -> Column:
    return Column(name, "text", required=True, unique=True, refers_to=refers_to, help=help)


def _link(name: str, refers_to: str, help: str, *, required: bool = True) -> Column:
    return Column(name, "text", required=required, refers_to=refers_to, help=help)


def _note() -> Column:
    return Column("note", "text", help="Anything worth remembering.")


_BLOCKS = (
    _key("block_id", "The block's short name, as samples and picks use it."),
    Column("block_name", "text", help="Longer name for reports; the block_id when empty."),
    Column("grower", "text", required=True, help="Who owns the crop."),
    Column("ranch", "text", required=True, help="The ranch or farm the block belongs to."),
    _link("cultivar", "cultivars.cultivar", "Cultivar, as in the cultivars table."),
    _link("contract_id", "contracts.contract_id", "Contract the fruit is sold under."),
    Column("area_ha", "number", "ha", (0.05, 2000), (0.5, 80), required=True, help="Planted area."),
    Column(
        "crop_t_ha",
        "number",
        "t/ha",
        (0, 40),
        (1, 20),
        required=True,
        help="Estimated crop, fresh weight, on the date crop_on.",
    ),
    Column("crop_on", "date", required=True, help="Day of the crop estimate."),
    Column(
        "crop_sd_pct",
        "number",
        "%",
        (0, 100),
        (3, 40),
        default=10.0,
        help="How far off the estimate may be: one standard deviation, in per cent of it.",
    ),
    Column("row_spacing_m", "number", "m", (1, 15), (3, 8), help="Distance between rows."),
    Column("tree_spacing_m", "number", "m", (0.5, 15), (1.2, 8), help="Distance between trees in the row."),
    Column("slope_pct", "number", "%", (0, 60), (0, 20), help="Steepest slope a machine meets."),
    Column(
        "soil",
        "choice",
        choices=("light", "medium", "heavy"),
        default="medium",
        help="How fast the ground dries after rain.",
    ),
    Column("lat_deg", "number", "deg", (-90, 90), help="Latitude, north positive."),
    Column("lon_deg", "number", "deg", (-180, 180), help="Longitude, east positive."),
    Column("haul_km", "number", "km", (0, 300), (0, 100), required=True, help="Road distance to the mill."),
    Column("organic", "bool", default=False, help="Certified organic fruit."),
    Column(
        "colder_c",
        "number",
        "C difference",
        (-5, 5),
        (-1, 3),
        default=0.0,
        help="How much colder the block's nights are than the station's.",
    ),
    Column(
        "frost_threshold_c",
        "number",
        "C",
        (-10, 2),
        (-5, 0),
        help="Night minimum below which fruit in this block is hurt, from memory or your own experience; "
        "that of its cultivar when empty.",
    ),
    _link("station_id", "stations.station_id", "Weather station that stands for the block."),
    Column(
        "style",
        "choice",
        choices=("early", "balanced", "late"),
        default="balanced",
        help="Oil wanted: early (high phenols), balanced, or late (yield).",
    ),
    Column(
        "crop_load",
        "choice",
        choices=("light", "normal", "heavy"),
        help="How much the trees bear this season for their size; empty when nobody judged it.",
    ),
    Column("closed_from", "date", help="First day on which nobody may pick here."),
    Column("closed_to", "date", help="Last day on which nobody may pick here."),
    Column("pick_after", "date", help="Earliest day the buyer or grower allows."),
    Column("pick_before", "date", help="Latest day the buyer or grower allows."),
    _note(),
)

_ALIASES = (
    _key("as_written", "Name as a laboratory, driver or mill writes it."),
    _link("block_id", "blocks.block_id", "The block that is meant."),
    Column("seen_in", "text", help="Where the name was seen."),
    Column("agreed_on", "date", help="Day on which somebody said so."),
    _note(),
)

_CULTIVARS = (
    _key("cultivar", "Name of the cultivar."),
    Column(
        "plateau_dry_pct",
        "number",
        "% dry",
        (20, 70),
        (35, 58),
        help="Oil at which the curve usually flattens.",
    ),
    Column("plateau_source", "text", help="Where that number comes from."),
    Column(
        "maturity_aim",
        "number",
        "index",
        (0, 7),
        (1, 5),
        help="Maturity index usually aimed at; differs by cultivar and site.",
    ),
    Column(
        "turns_black",
        "bool",
        default=True,
        help="Whether the fruit turns black when ripe; if not, maturity by colour does not apply.",
    ),
    Column(
        "frost_threshold_c",
        "number",
        "C",
        (-10, 2),
        (-5, 0),
        help="Night minimum below which its fruit is hurt, from memory or your own experience; "
        "the rule of the same name when empty.",
    ),
    _note(),
)

_SAMPLES = (
    _key("sample_id", "The laboratory's number, or one of your own."),
    _link("block_id", "blocks.block_id", "Block the fruit was taken from."),
    Column("sampled_on", "date", required=True, help="Day the fruit was taken."),
    Column("received_on", "date", help="Day the result came back; the result counts from this day on."),
    Column("trees_n", "integer", "count", (1, 2000), (5, 200), help="Trees the fruit was taken from."),
    Column("fruits_n", "integer", "fruit", (1, 5000), (50, 1000), help="Fruit weighed."),
    Column("fruit_mass_g", "number", "g", (0.2, 15), (0.6, 8), help="Mean mass of one fruit."),
    Column("moisture_pct", "number", "% fresh", (20, 85), (40, 75), help="Water, share of fresh weight."),
    Column(
        "oil_fresh_pct",
        "number",
        "% fresh",
        (1, 35),
        (3, 26),
        help="Oil, share of fresh weight. If the lab reports dry basis, put it in oil_dry_pct.",
    ),
    Column(
        "oil_dry_pct",
        "number",
        "% dry",
        (2, 70),
        (10, 58),
        help="Oil, share of dry matter. If the lab reports fresh basis, put it in oil_fresh_pct.",
    ),
    Column(
        "oil_dry_below_pct",
        "number",
        "% dry",
        (0.5, 70),
        (1, 30),
        help="When the laboratory says only that the oil is below a limit: that limit, share of dry matter. "
        "A result such as <5.0 in oil_dry_pct or oil_fresh_pct fills it.",
    ),
    *(
        Column(f"class{i}_n", "integer", "fruit", (0, 5000), (0, 300), help=f"Fruit in colour class {i}: {says}.")
        for i, says in enumerate(
            (
                "skin deep green",
                "skin yellowish green",
                "skin reddish on less than half",
                "skin reddish or purple on more than half",
                "skin black, flesh white",
                "skin black, flesh purple not reaching half-way",
                "skin black, flesh purple not reaching the stone",
                "skin black, flesh purple to the stone",
            )
        )
    ),
    Column(
        "maturity_index",
        "number",
        "index",
        (0, 7),
        (0, 6),
        help="Maturity index, when only the index is known; worked out from the counts otherwise.",
    ),
    Column("fallen_pct", "number", "%", (0, 100), (0, 30), help="Share of the crop already on the ground."),
    Column("fly_holes_pct", "number", "%", (0, 100), (0, 30), help="Fruit with exit holes of the olive fly."),
    Column(
        "method",
        "choice",
        choices=("soxhlet", "nmr", "nir", "other"),
        default="other",
        help="How the oil was measured.",
    ),
    Column("lab", "text", help="Who measured it."),
    _note(),
)

_STATIONS = (
    _key("station_id", "Short name of the weather station."),
    Column("lat_deg", "number", "deg", (-90, 90), required=True, help="Latitude, north positive."),
    Column("lon_deg", "number", "deg", (-180, 180), required=True, help="Longitude, east positive."),
    Column("elevation_m", "number", "m", (-430, 4000), (-50, 2000), help="Height above the sea."),
    Column("time_zone", "text", help="Time zone by its IANA name; the season's when empty."),
    _link(
        "block_id",
        "blocks.block_id",
        "Block in which it stands, when it is a logger among the trees.",
        required=False,
    ),
)

_MINIMUM = Column(
    "temp_min_c",
    "number",
    "C",
    (-30, 45),
    (-12, 32),
    required=True,
    gaps=True,
    help="Lowest temperature of the day.",
)
_MAXIMUM = Column(
    "temp_max_c",
    "number",
    "C",
    (-25, 55),
    (-3, 47),
    required=True,
    gaps=True,
    help="Highest temperature of the day.",
)
_RAIN = Column("rain_mm", "number", "mm", (0, 600), (0, 150), required=True, gaps=True, help="Rain of the day.")

_WEATHER_DAYS = (
    _key("station_id", "Station, as in the stations table.", "stations.station_id"),
    Column("day", "date", required=True, unique=True, help="Local calendar day."),
    _MINIMUM,
    _MAXIMUM,
    _RAIN,
    Column("wind_m_s", "number", "m/s", (0, 75), (0, 25), help="Mean wind of the day."),
)

_WEATHER_HOURS = (
    _key("station_id", "Station, as in the stations table.", "stations.station_id"),
    Column(
        "hour_utc",
        "instant",
        required=True,
        unique=True,
        help="Start of the hour in UTC, as 2026-10-05 13:00; one with its own offset (13:00+02:00) is converted.",
    ),
    Column(
        "air_temp_c",
        "number",
        "C",
        (-35, 55),
        (-15, 47),
        required=True,
        gaps=True,
        help="Air temperature of the hour.",
    ),
    Column("rain_mm", "number", "mm", (0, 200), (0, 60), help="Rain that fell in the hour."),
    Column("wind_m_s", "number", "m/s", (0, 75), (0, 30), help="Mean wind of the hour."),
)

_OUTLOOK = (
    _key("station_id", "Station, as in the stations table.", "stations.station_id"),
    Column("issued_on", "date", required=True, unique=True, help="Day the outlook was issued."),
    Column(
        "member",
        "integer",
        "",
        (0, 1000),
        required=True,
        unique=True,
        help="Number of the member; 0 when there is only one.",
    ),
    Column("day", "date", required=True, unique=True, help="Local calendar day the numbers are for."),
    _MINIMUM,
    _MAXIMUM,
    _RAIN,
)

_HARVESTERS = (
    _key("harvester_id", "Short name of the harvester."),
    Column("speed_km_h", "number", "km/h", (0.1, 10), (0.3, 4), required=True, help="Speed while picking."),
    Column(
        "efficiency_fraction",
        "number",
        "fraction",
        (0.2, 1),
        (0.5, 0.95),
        required=True,
        help="Share of picking time spent moving along a row.",
    ),
    Column("hours_per_day", "number", "h per day", (0.5, 24), (6, 22), required=True, help="Longest shift."),
    Column(
        "removal_pct",
        "number",
        "%",
        (30, 100),
        (70, 99),
        required=True,
        help="Share of the fruit on the tree that the machine takes.",
    ),
    Column("move_fixed_h", "number", "h", (0, 24), (0, 4), required=True, help="Fixed time of a move."),
    Column("move_km_h", "number", "km/h", (1, 100), (3, 60), required=True, help="Speed of a move on the road."),
    Column(
        "cost_per_h",
        "number",
        "money/h",
        (0, 5000),
        (20, 800),
        required=True,
        help="Cost of an hour with its crew.",
    ),
    Column("max_slope_pct", "number", "%", (0, 100), (5, 40), help="Steepest slope it may work."),
    Column("ready_from", "date", help="First day it is there."),
    Column("ready_to", "date", help="Last day it is there."),
    Column("washdown_h", "number", "h", (0, 24), (0, 6), default=0.0, help="Washing before organic fruit."),
    Column("start_block", "text", refers_to="blocks.block_id", help="Block it stands in now."),
)

_TRUCKS = (
    _key("truck_id", "Name of the truck, or of a group of like trucks."),
    Column("trucks_n", "integer", "count", (0, 500), (1, 40), required=True, help="How many of them."),
    Column("payload_t", "number", "t", (0.5, 60), (3, 30), required=True, help="Fruit a truck carries."),
    Column("load_h", "number", "h", (0, 12), (0.1, 3), required=True, help="Time to fill it at the block."),
    Column("unload_h", "number", "h", (0, 12), (0.1, 3), required=True, help="Time to empty it at the mill."),
    Column("speed_km_h", "number", "km/h", (5, 120), (20, 90), required=True, help="Mean speed on the road."),
    Column("cost_per_km", "number", "money/km", (0, 100), (0.3, 10), required=True, help="Cost of a kilometre."),
    Column("hours_per_day", "number", "h per day", (0.5, 24), (6, 24), required=True, help="Longest working day."),
)

_MILL = (
    _key("mill_id", "Name of the mill."),
    Column("rate_t_h", "number", "t/h", (0, 200), (0.3, 60), required=True, help="Fruit milled in an hour."),
    Column(
        "hours_per_day",
        "number",
        "h per day",
        (0, 24),
        (6, 24),
        required=True,
        help="Hours it mills in a day.",
    ),
    Column(
        "buffer_t",
        "number",
        "t",
        (0, 5000),
        (1, 1000),
        required=True,
        help="Fruit that may wait in its bins.",
    ),
    Column(
        "max_wait_h",
        "number",
        "h",
        (0.5, 96),
        (4, 48),
        required=True,
        help="Longest wait from picking to milling.",
    ),
    Column(
        "cleaning_h",
        "number",
        "h",
        (0, 24),
        (0, 6),
        required=True,
        help="Cleaning between lots that must not mix.",
    ),
    Column("lat_deg", "number", "deg", (-90, 90), help="Latitude, north positive."),
    Column("lon_deg", "number", "deg", (-180, 180), help="Longitude, east positive."),
    Column("cost_per_t", "number", "money/t", (0, 2000), (10, 400), required=True, help="Charge for milling."),
    Column(
        "corrector_fraction",
        "number",
        "fraction",
        (0, 0.5),
        (0.03, 0.2),
        default=0.10,
        help="Fat the mill leaves in the pomace, per fat-free dry matter (the E of the industrial yield).",
    ),
)

_MILL_DAYS = (
    _key("mill_id", "Mill, as in the mill table.", "mill.mill_id"),
    Column("day", "date", required=True, unique=True, help="Local calendar day."),
    Column("booked_h", "number", "h", (0, 24), default=0.0, help="Hours already promised to others."),
    Column("closed", "bool", default=False, help="The mill does not run that day."),
)

_TREATMENTS = (
    _key("treatment_id", "Number of the treatment."),
    _link("block_id", "blocks.block_id", "Block that was treated."),
    Column("applied_on", "date", required=True, help="Day of the treatment."),
    Column("recorded_on", "date", help="Day it was written down; applied_on when empty."),
    Column("product", "text", required=True, help="Product used."),
    Column(
        "wait_days",
        "integer",
        "days",
        (0, 365),
        (0, 90),
        required=True,
        help="Days the label asks for between treatment and picking; 0 is a number, empty is not.",
    ),
    Column("organic_ok", "bool", default=False, help="Allowed on organic fruit."),
)

_CONTRACTS = (
    _key("contract_id", "Short name of the contract."),
    Column(
        "kind",
        "choice",
        required=True,
        choices=("oil_kg", "fruit_oil_scale", "fruit_flat", "own"),
        help="Paid per kg of industrial oil, per tonne on an oil scale, per tonne flat, or own oil.",
    ),
    Column("price_oil_kg", "number", "money/kg oil", (0, 100), (1, 30), help="Price of oil (oil_kg and own)."),
    Column(
        "price_fruit_t",
        "number",
        "money/t",
        (0, 10000),
        (100, 3000),
        help="Price of fruit (fruit_oil_scale and fruit_flat).",
    ),
    Column(
        "base_oil_pct",
        "number",
        "% fresh",
        (1, 35),
        (8, 24),
        help="Oil of the fresh fruit at which price_fruit_t is paid (fruit_oil_scale).",
    ),
    Column(
        "step_per_point",
        "number",
        "1/point",
        (0, 0.5),
        (0.01, 0.15),
        help="Relative change of the price for each point of fresh oil (fruit_oil_scale).",
    ),
    Column(
        "virgin_factor",
        "number",
        "",
        (0, 1),
        (0.4, 1),
        required=True,
        help="Share of the price kept when the oil is not extra virgin.",
    ),
    Column("currency", "text", help="Three-letter code; the season's when empty."),
)

_PICKS = (
    _key("ticket_id", "Number of the weighing ticket."),
    _link("block_id", "blocks.block_id", "Block the fruit came from."),
    Column("picked_on", "date", required=True, help="Day it was picked."),
    _link("harvester_id", "harvesters.harvester_id", "Harvester that picked it.", required=False),
    Column("area_ha", "number", "ha", (0, 2000), (0.05, 80), required=True, help="Area picked."),
    Column("net_t", "number", "t", (0, 5000), (0.5, 400), required=True, help="Net weight of fruit."),
    Column("oil_fresh_pct", "number", "% fresh", (1, 35), (3, 26), help="Oil by the mill's laboratory."),
    Column("moisture_pct", "number", "% fresh", (20, 85), (40, 75), help="Water by the mill's laboratory."),
    Column("oil_out_kg", "number", "kg oil", (0, 2_000_000), help="Oil obtained."),
    Column("free_acid_pct", "number", "%", (0, 30), (0.05, 2), help="Free acidity of the oil, as oleic acid."),
    Column("peroxide_meq_kg", "number", "meq/kg", (0, 100), (1, 20), help="Peroxide value of the oil."),
)

_OIL_ORDERS = (
    _key("order_id", "Number of the order for oil."),
    Column("ordered_on", "date", help="Day the order was taken; it counts from this day on, always when empty."),
    Column(
        "style",
        "choice",
        choices=("early", "balanced", "late"),
        help="Oil wanted: early, balanced or late; any when empty.",
    ),
    _link("cultivar", "cultivars.cultivar", "Cultivar wanted; any when empty.", required=False),
    Column("organic", "bool", default=False, help="Only organic fruit will do."),
    Column("oil_l", "number", "l oil", (1, 5_000_000), (100, 500_000), required=True, help="Oil wanted."),
    Column("due_on", "date", required=True, help="Day by which the fruit must be milled."),
    Column(
        "shortfall_cost_l",
        "number",
        "money/l oil",
        (0, 200),
        (0.1, 50),
        help="What each litre that is missing costs; when empty the order is only a wish.",
    ),
    _note(),
)

_COMMITTED = (
    _key("block_id", "Block promised in last week's order.", "blocks.block_id"),
    _link("harvester_id", "harvesters.harvester_id", "Harvester promised."),
    Column("rank", "integer", "", (1, 10000), required=True, help="Place in the order."),
    Column("pick_on", "date", required=True, help="Day promised."),
    Column("committed_on", "date", required=True, help="Day the promise was made."),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "blocks": _BLOCKS,
    "aliases": _ALIASES,
    "cultivars": _CULTIVARS,
    "samples": _SAMPLES,
    "stations": _STATIONS,
    "weather_days": _WEATHER_DAYS,
    "weather_hours": _WEATHER_HOURS,
    "outlook": _OUTLOOK,
    "harvesters": _HARVESTERS,
    "trucks": _TRUCKS,
    "mill": _MILL,
    "mill_days": _MILL_DAYS,
    "treatments": _TREATMENTS,
    "contracts": _CONTRACTS,
    "picks": _PICKS,
    "oil_orders": _OIL_ORDERS,
    "committed": _COMMITTED,
}

TABLE_HELP: dict[str, str] = {
    "blocks": "One row for each block of trees that is picked as one.",
    "aliases": "Other spellings of blocks that were agreed on; every table may use them.",
    "cultivars": "One row for each cultivar grown.",
    "samples": "One row for each fruit sample, of this season and earlier ones.",
    "stations": "One row for each weather station.",
    "weather_days": "Measured weather, one row for each station and day, of this season and earlier ones.",
    "weather_hours": "Measured weather by the hour; may stand instead of weather_days.",
    "outlook": "The weather outlook, one row for each station, member and day.",
    "harvesters": "One row for each harvester.",
    "trucks": "One row for each truck or group of like trucks.",
    "mill": "The mill.",
    "mill_days": "Days on which the mill is closed or partly booked.",
    "treatments": "Sprays, with the days the label asks to wait before picking.",
    "contracts": "How the fruit or oil of each contract is paid.",
    "picks": "What has been picked, one row for each weighing ticket, of this season and earlier ones.",
    "oil_orders": "Oil that buyers have ordered, with the day by which its fruit must be milled.",
    "committed": "Last week's order, as promised to growers and the mill.",
}

# Without these nothing can be decided; every other table may be absent and is then empty.
NEEDED_TABLES = (
    "blocks",
    "cultivars",
    "samples",
    "stations",
    "weather_days",
    "harvesters",
    "mill",
    "contracts",
)

KEYS: dict[str, tuple[str, ...]] = {
    table: tuple(column.name for column in columns if column.unique) for table, columns in TABLES.items()
}

# Columns worked out by the reader and added after the ones above, with their type.
DERIVED: dict[str, dict[str, str]] = {
    "samples": {"season": "int64"},
    "weather_hours": {"day": "datetime64[us]"},
    "picks": {"season": "int64"},
}


@dataclass(frozen=True)
class Rule:
    """One tunable number of weather, ripening or harvest; `[rules]` in season.toml overrides it."""

    name: str
    default: float | str
    unit: str
    low: float | None
    high: float | None
    help: str
    source: str
    choices: tuple[str, ...] = ()


_ASSUMED = "assumed, from memory; no published figure found"
_CHOICE = "our choice"

RULES: tuple[Rule, ...] = (
    # weather
    Rule(
        *("heat_lower_c", 7.5, "C", 0, 20, "Temperature below which ripening does not advance."),
        "assumed: published thresholds (5 to 9.7 C) are for flowering, none for oil was found",
    ),
    Rule("heat_upper_c", 35.0, "C", 20, 50, "Temperature above which more warmth adds nothing.", _ASSUMED),
    Rule(
        *("frost_threshold_c", -2.0, "C", -10, 2, "Night minimum at the block below which fruit is hurt."),
        "growers' alarm, from memory; no published table of fruit kill by temperature and hours was found",
    ),
    Rule("rain_stop_mm", 2.0, "mm", 0, 50, "Rain of a day from which picking stops that day.", _ASSUMED),
    Rule("leaf_wet_h", 4.0, "h", 0, 24, "Hours for which leaves stay wet after rain.", _ASSUMED),
    Rule(
        "dry_days_light",
        0.5,
        "days",
        0,
        15,
        "Days light soil needs to carry a machine after 10 mm.",
        _ASSUMED,
    ),
    Rule("dry_days_medium", 1.0, "days", 0, 15, "Days medium soil needs to carry one after 10 mm.", _ASSUMED),
    Rule("dry_days_heavy", 2.0, "days", 0, 15, "Days heavy soil needs to carry one after 10 mm.", _ASSUMED),
    Rule("dry_days_cap", 5.0, "days", 0, 30, "Most days that any soil is waited for.", _ASSUMED),
    Rule(
        *("cold_spot_from", "logger", "", None, None),
        "Whose word counts on how much colder a block's nights are: its own logger's, or colder_c as entered.",
        _CHOICE,
        choices=("logger", "entered"),
    ),
    Rule("outlook_max_age_d", 2.0, "days", 0, 15, "Age from which an outlook is too old to use.", _CHOICE),
    Rule(
        *(
            "outlook_trust_d",
            7.0,
            "days",
            0.5,
            1000,
            "Lead at which past seasons weigh as much as the outlook.",
        ),
        _CHOICE,
    ),
    # crop and quality
    Rule("drop_pct_per_day_before", 0.05, "%/day", 0, 5, "Crop that falls in a day up to maturity 4.", _ASSUMED),
    Rule("drop_pct_per_day_after", 0.5, "%/day", 0, 10, "Crop that falls in a day past maturity 4.", _ASSUMED),
    Rule(
        *("frost_damage_per_c", 0.17, "fraction/C", 0, 1),
        *("Share of the fruit's value lost for each degree below the frost threshold.", _ASSUMED),
    ),
    Rule(
        *(
            "frost_loss_day0_fraction",
            0.1,
            "fraction",
            0,
            1,
            "Share of the frost's loss when picked that day.",
        ),
        "assumed: frosted fruit is milled within a day where it can be (from memory)",
    ),
    Rule(
        *(
            "frost_loss_day1_fraction",
            0.5,
            "fraction",
            0,
            1,
            "The same one day later; all of it from day two.",
        ),
        "assumed: frosted fruit is milled within a day where it can be (from memory)",
    ),
    Rule(
        *("over_ripe_maturity", 4.5, "index", 2, 7),
        *("Maturity from which the oil may leave the extra-virgin grade.", _ASSUMED),
    ),
    Rule(
        *("over_ripe_risk_per_unit", 0.25, "fraction", 0, 1),
        *("Chance of leaving the grade for each unit of maturity past that.", _ASSUMED),
    ),
    Rule(
        *("age_risk_per_h", 0.01, "fraction/h", 0, 1),
        *("Chance of leaving the grade for each hour of waiting past the mill's longest wait.", _ASSUMED),
    ),
    Rule(
        *("fly_risk_from_holes_pct", 10.0, "%", 0, 100, "Exit holes up to which oil is not harmed."),
        "free acidity was the same at 0 and 10 % exit holes, then rose to 30 % (Frantoio; abstract read)",
    ),
    Rule(
        "fly_risk_at_30pct",
        0.5,
        "fraction",
        0,
        1,
        "Chance of leaving the grade at 30 % exit holes.",
        _ASSUMED,
    ),
    Rule(
        "early_premium_fraction",
        0.10,
        "fraction",
        0,
        2,
        "Style early: premium on the price of oil.",
        _ASSUMED,
    ),
    Rule("early_full_maturity", 2.0, "index", 0, 7, "Style early: whole premium up to this maturity.", _ASSUMED),
    Rule("early_none_maturity", 3.5, "index", 0, 7, "Style early: no premium from this maturity.", _ASSUMED),
    Rule("late_premium_fraction", 0.05, "fraction", 0, 2, "Style late: premium on the price of oil.", _ASSUMED),
    Rule("late_none_maturity", 2.5, "index", 0, 7, "Style late: no premium up to this maturity.", _ASSUMED),
    Rule("late_full_maturity", 4.0, "index", 0, 7, "Style late: whole premium from this maturity.", _ASSUMED),
    # picking and planning
    Rule("shift_max_h", 22.0, "h", 1, 24, "Most hours a harvester works in a day, crews changing.", _CHOICE),
    Rule("shift_start_h", 6.0, "h", 0, 24, "Clock hour at which shifts begin.", _CHOICE),
    Rule(
        "work_min_fraction",
        0.15,
        "fraction",
        0,
        1,
        "Share of a shift below which nobody is sent out.",
        _CHOICE,
    ),
    Rule(
        *("hours_held_back_fraction", 0.0, "fraction", 0, 0.5),
        *("Share of every workable hour that the plan does not count on, against a wet season's end.", _CHOICE),
    ),
    Rule("road_factor", 1.3, "", 1, 5, "Kilometres of road for each straight one between ranches.", _ASSUMED),
    Rule("move_km_unknown", 10.0, "km", 0, 300, "Move between ranches whose places are not known.", _ASSUMED),
    Rule(
        *("keep_gain_per_block", 300.0, "currency", 0, 1_000_000),
        *("Gain a change must bring before a promised block is moved.", _CHOICE),
    ),
    Rule("keep_days", 7.0, "days", 0, 30, "Days from today in which a promised block is kept so.", _CHOICE),
    Rule(
        *("caution_fraction", 0.0, "fraction", 0, 1),
        *("Weight of the worst quarter of the scenarios against the mean.", _CHOICE),
    ),
    Rule(
        *("wait_gain_fraction", 0.001, "fraction", 0, 0.1),
        *("What a harvester's waiting through a workable day must add to the plan's worth; else it works on.", _CHOICE),
    ),
    Rule(
        "range_memory_weeks",
        0,
        "weeks",
        0,
        26,
        "Past weeks whose misses widen or narrow the ranges of the days ahead, a fit of the curves each; 0 is off.",
        _CHOICE,
    ),
    Rule("plan_scenarios", 16, "", 1, 1000, "Weather scenarios the order is planned on.", _CHOICE),
)


@dataclass(frozen=True)
class Setting:
    """One key of season.toml outside `[rules]`."""

    section: str
    name: str
    kind: str  # "text", "date", "number"
    default: float | str | None
    help: str
    choices: tuple[str, ...] = ()
    required: bool = False


SETTINGS: tuple[Setting, ...] = (
    Setting("season", "name", "text", None, "Name of the season, on every page.", required=True),
    Setting("season", "place", "text", "", "Where it is, on every page."),
    Setting(
        "season",
        "start",
        "date",
        None,
        "First day of the season; its year is the season's label.",
        required=True,
    ),
    Setting("season", "end", "date", None, "Last day that may be planned.", required=True),
    Setting("season", "units", "text", "metric", "Units of pages and figures.", choices=("metric", "us")),
    Setting("season", "currency", "text", "USD", "Three-letter code of all prices and costs."),
    Setting("season", "time_zone", "text", "UTC", "Time zone by its IANA name."),
    Setting("season", "locale", "text", "en_US", "How numbers and dates are written on pages."),
    Setting("layout", "decimal", "text", None, "Decimal mark of text numbers.", choices=(".", ",")),
    Setting("layout", "date_order", "text", None, "Order of day, month and year.", choices=("dmy", "mdy", "ymd")),
    Setting("layout", "clock", "text", None, "Time zone of hours written without an offset, by its IANA name."),
    Setting("layout", "ton", "text", None, "What a heading's ton means.", choices=("short", "metric")),
    Setting(
        "target",
        "kind",
        "text",
        "plateau_fraction",
        "What a block is waiting for.",
        choices=("plateau_fraction", "oil_dry_pct", "oil_fresh_pct", "maturity", "best_value"),
    ),
    Setting("target", "value", "number", 0.9, "The number of that target."),
    Setting(
        *("outlook", "service", "text", None),
        "Service that --fetch-outlook asks; nothing is fetched without that option.",
        choices=("nws", "open-meteo"),
    ),
    Setting("outlook", "contact", "text", "", "Your mail address, sent to the service; nws demands one."),
    Setting("outlook", "models", "text", "gfs025", "Ensemble models of open-meteo, by its own names."),
    Setting("outlook", "days", "number", 15.0, "Days ahead asked of open-meteo, 1 to 35."),
    Setting("outlook", "server", "text", "", "Address of your own server of the service; empty takes the public one."),
    Setting(
        *("outlook", "key_variable", "text", "OLIVETIME_OUTLOOK_KEY"),
        "Environment variable that holds the key of a paid plan; the key itself stands in no file.",
    ),
    Setting(
        *("outlook", "use", "text", "commercial"),
        "Your use; the free service of open-meteo is for non-commercial use only.",
        choices=("commercial", "non-commercial"),
    ),
    Setting(
        *("outlook", "file", "text", ""),
        "NetCDF or GRIB2 file of an ensemble in this folder, used in place of an older outlook (extra grids).",
    ),
)


def column_of(table: str, name: str) -> Column:
    """Return the `Column` called `name` in `table`; KeyError when there is none."""
    for column in TABLES[table]:
        if column.name == name:
            return column
    raise KeyError(f"table {table} has no column {name}")


def dtype_of(column: Column) -> str:
    """Pandas type of a cleaned column.

    Text is "str" with "" for missing; dates and instants (UTC) are "datetime64[us]" with NaT; bool has no missing
    values; numbers are "float64" with NaN, but integers that can't be missing are "int64".
    """
    if column.kind in ("text", "choice"):
        return "str"
    if column.kind in ("date", "instant"):
        return "datetime64[us]"
    if column.kind == "bool":
        return "bool"
    if column.kind == "integer" and column.required and not column.gaps:
        return "int64"
    return "float64"


def empty_table(table: str) -> pd.DataFrame:
    """Build a table without rows, with all its columns of the right type, the derived ones included."""
    series = {column.name: pd.Series([], dtype=dtype_of(column)) for column in TABLES[table]}
    series |= {name: pd.Series([], dtype=dtype) for name, dtype in DERIVED.get(table, {}).items()}
    return pd.DataFrame(series)


def columns_page() -> str:
    """Write the documentation page of all tables and columns, in Markdown."""
    lines = [
        "# Tables and columns",
        "",
        "A heading carries its unit; any unit named under *also as* is converted. A value outside the hard",
        "range is an error, one outside the usual range a warning. **Bold** columns together name a row;",
        "columns marked with * must be there.",
        "",
    ]
    for table, columns in TABLES.items():
        needed = "" if table in NEEDED_TABLES else " This table may be absent."
        lines += [f"## {table}", "", f"{TABLE_HELP[table]}{needed}", ""]
        lines += [
            "| column | kind | unit | also as | hard | usual | meaning |",
            "|---|---|---|---|---|---|---|",
        ]
        for column in columns:
            unit = UNITS[column.unit]
            stem = column.name.removesuffix(unit.suffix) if unit.suffix else column.name
            name = f"**{column.name}**" if column.unique else column.name
            also = ", ".join(f"{stem}{alt.suffix} ({alt.unit})" for alt in unit.alternatives)
            says = column.help
            if column.choices:
                says += f" One of {', '.join(column.choices)}."
            if column.default is not None:
                says += f" When empty: {_plain(column.default)}."
            if column.refers_to:
                says += f" Must be a {column.refers_to}."
            mark = "*" if column.required else ""
            cells = (name + mark, column.kind, unit.says, also, _span(column.hard), _span(column.usual), says)
            lines.append("| " + " | ".join(cells) + " |")
        if table in DERIVED:
            lines += ["", f"Worked out on reading: {', '.join(DERIVED[table])}."]
        lines.append("")
    return "\n".join(lines)


def rules_page() -> str:
    """Write the documentation page of all rules, in Markdown."""
    lines = [
        "# Rules",
        "",
        "Numbers of weather, ripening and harvest that `[rules]` in season.toml may change.",
        "",
        "| rule | default | unit | range | meaning | source |",
        "|---|---|---|---|---|---|",
    ]
    for rule in RULES:
        limits = _span((rule.low, rule.high)) if rule.low is not None and rule.high is not None else ""
        limits = limits or ", ".join(rule.choices)
        lines.append(f"| {rule.name} | {_plain(rule.default)} | {rule.unit} | {limits} | {rule.help} | {rule.source} |")
    return "\n".join([*lines, ""])


def _span(limits: Range | None) -> str:
    return "" if limits is None else f"{limits[0]:g} to {limits[1]:g}"


def _plain(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, int | float) else value


_SCHEMA_TYPES = {
    "text": "string",
    "choice": "string",
    "number": "number",
    "integer": "integer",
    "date": "date",
    "instant": "datetime",
    "bool": "boolean",
}


def table_schema(table: str) -> dict[str, object]:
    """Describe a cleaned table as Table Schema, an open standard, for checking without this package.

    Parameters
    ----------
    table : str
        Key of `TABLES`.

    Returns
    -------
    dict
        Ready for `json.dumps`.

    References
    ----------
    .. [1] Table Schema, Frictionless Data specifications, version 1 (property names from memory).
    """
    fields: list[dict[str, object]] = []
    foreign: list[dict[str, object]] = []
    for column in TABLES[table]:
        limits: dict[str, object] = {}
        if column.required and not column.gaps:
            limits["required"] = True
        if column.unique and len(KEYS[table]) == 1:
            limits["unique"] = True
        if column.hard is not None:
            limits["minimum"], limits["maximum"] = column.hard
        if column.choices:
            limits["enum"] = list(column.choices)
        one: dict[str, object] = {
            "name": column.name,
            "type": _SCHEMA_TYPES[column.kind],
            "description": f"{column.help} [{UNITS[column.unit].says}]" if UNITS[column.unit].says else column.help,
        }
        if limits:
            one["constraints"] = limits
        fields.append(one)
        if column.refers_to:
            other, _, key = column.refers_to.partition(".")
            foreign.append({"fields": column.name, "reference": {"resource": other, "fields": key}})
    keys = list(KEYS[table])
    schema: dict[str, object] = {"fields": fields, "primaryKey": keys if len(keys) > 1 else keys[0]}
    schema["missingValues"] = [""]
    if foreign:
        schema["foreignKeys"] = foreign
    return schema
