"""How numbers, money, dates and units are said to people: the one place where metric becomes display.

Every function takes `info`, a mapping with what the season says about its readers: "units" (us or metric),
"currency" (ISO 4217) and "locale" (such as en_US).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import babel
import babel.dates
import babel.numbers
import numpy as np
import pandas as pd

from olivetime.languages import language_of, mark, said, say, say_count
from olivetime.units import (
    HA_PER_ACRE,
    KM_PER_MILE,
    L_PER_GALLON,
    MM_PER_INCH,
    OIL_KG_PER_GALLON_TRADE,
    T_PER_SHORT_TON,
)


@dataclass(frozen=True)
class Unit:
    """How a metric quantity is shown: shown = metric * factor + offset, with `digits` decimals and a label."""

    label: str
    factor: float = 1.0
    offset: float = 0.0
    digits: int = 0

    def of(self, metric: Any) -> Any:
        """Metric value or array in display units."""
        return metric * self.factor + self.offset


UNITS: Mapping[str, Mapping[str, Unit]] = MappingProxyType(
    {
        "metric": MappingProxyType(
            {
                "area": Unit(mark("ha"), digits=1),
                "crop": Unit(mark("t")),
                "oil": Unit(mark("l")),
                "temp": Unit("°C"),
                "rain": Unit(mark("mm")),
                "distance": Unit(mark("km"), digits=1),
                "yield": Unit(mark("kg/t")),
            }
        ),
        "us": MappingProxyType(
            {
                "area": Unit(mark("ac"), 1 / HA_PER_ACRE),
                "crop": Unit(mark("short tons"), 1 / T_PER_SHORT_TON),
                "oil": Unit(mark("gal"), 1 / L_PER_GALLON),
                "temp": Unit("°F", 1.8, 32.0),
                "rain": Unit(mark("in"), 1 / MM_PER_INCH, digits=2),
                "distance": Unit(mark("mi"), 1 / KM_PER_MILE, digits=1),
                # kg of oil per t of fruit -> gallons per short ton, at the trade's 7.6 lb a gallon
                "yield": Unit(mark("gal/ton"), T_PER_SHORT_TON / OIL_KG_PER_GALLON_TRADE, digits=1),
            }
        ),
    }
)


def display_unit(info: Mapping[str, Any], quantity: str) -> Unit:
    """The unit in which a page shows a quantity: area, crop, temp, rain, distance or yield.

    Raises
    ------
    ValueError
        Unknown unit system or quantity.
    """
    try:
        unit = UNITS[str(info["units"])][quantity]
    except KeyError:
        raise ValueError(
            f"display unit: found {info.get('units')!r} and {quantity!r}, expected units us or metric and one of "
            f"{', '.join(UNITS['metric'])}. Mend [season] units in season.toml."
        ) from None
    return unit if language_of(info) == "en" else replace(unit, label=say(unit.label, info))


@lru_cache(maxsize=16)
def _locales(name: str) -> tuple[babel.Locale, babel.Locale]:
    """Locale for numbers, and for dates: pages without a catalogue are in English, so their dates are too."""
    try:
        locale = babel.Locale.parse(name.replace("-", "_"))
    except (ValueError, babel.UnknownLocaleError):
        # A language in a country whose usage is not on record, such as Italian in the United States.
        locale = babel.Locale("en", "GB") if language_of(name) == "en" else babel.Locale(language_of(name))
    return locale, locale if locale.language == language_of(name) else babel.Locale("en", "GB")


@lru_cache(maxsize=4096)
def _day(ordinal: int, skeleton: str, locale_name: str) -> str:
    locale, day = _locales(locale_name)[1], date.fromordinal(ordinal)
    if set(skeleton) == {"E"}:
        return babel.dates.format_date(day, skeleton, locale=locale)
    return babel.dates.format_skeleton(skeleton, day, locale=locale)


def day_text(day: Any, info: Mapping[str, Any], skeleton: str = "MMMd") -> str:
    """A date in the page's order, such as "Oct 20" or "20 Oct"; skeletons MMMd, MMMEd, yMMMd, EEEE; "" when missing."""
    if day is None or day is pd.NaT or day != day:
        return ""
    stamp = pd.Timestamp(day)
    text = _day(stamp.toordinal(), skeleton, str(info["locale"])).replace("\N{NARROW NO-BREAK SPACE}", " ")
    if language_of(info) != "pt":
        return text
    # Portuguese shortens months with a full stop, which would end sentences in the middle; "28 abr" is as good as
    # "28 de abr" and fits a picture.
    text = text.replace(".", "")
    return text if skeleton.startswith("y") else text.replace(" de ", " ")


def days_text(first: Any, last: Any, info: Mapping[str, Any]) -> str:
    """A range of dates as short as it can be said: "Oct 19–23", "19–23 Oct", "28 Oct–3 Nov"."""
    a, b = day_text(first, info), day_text(last, info)
    if not a or not b or a == b:
        return a or b
    start, end = pd.Timestamp(first), pd.Timestamp(last)
    if (start.year, start.month) == (end.year, end.month):
        day_first = a[0].isdigit()
        return f"{start.day}–{b}" if day_first else f"{a}–{end.day}"
    return f"{a}–{b}"


def number_text(value: Any, info: Mapping[str, Any], digits: int = 0) -> str:
    """A number with the locale's marks and a true minus sign; "" when missing."""
    if value is None or value is pd.NA or value is pd.NaT or not np.isfinite(float(value)):
        return ""
    value = round(float(value), digits) + 0.0  # no "-0"
    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    text = babel.numbers.format_decimal(value, format=pattern, locale=_locales(str(info["locale"]))[0])
    return text.replace("-", "\N{MINUS SIGN}")


def money_text(value: Any, info: Mapping[str, Any]) -> str:
    """Money without cents, with the currency's sign in the locale's place; "" when missing."""
    if value is None or value is pd.NA or not np.isfinite(float(value)):
        return ""
    value = float(f"{float(value):.3g}") + 0.0  # three figures: the range behind it is wider than that
    locale = _locales(str(info["locale"]))[0]
    text = babel.numbers.format_currency(
        value,
        str(info["currency"]),
        locale=locale,
        currency_digits=False,
        format=re.sub(r"\.0+", "", locale.currency_formats["standard"].pattern),
    )
    return text.replace("-", "\N{MINUS SIGN}")


def chance_text(fraction: Any, info: Mapping[str, Any] | str = "en") -> str:
    """A chance (0-1) as a per cent to the nearest 5, with "under" and "over" at the ends; "" when missing.

    Examples
    --------
    >>> chance_text(0.61), chance_text(0.01), chance_text(1.0)
    ('60 %', 'under 5 %', 'over 95 %')
    """
    if fraction is None or fraction is pd.NA or fraction != fraction:
        return ""
    pct = 100 * float(fraction)
    if pct < 5 or pct > 95:
        return say("under 5 %", info) if pct < 5 else say("over 95 %", info)
    return f"{5 * round(pct / 5):.0f} %"


def count_text(n: int, one: str, many: str | None = None, info: Mapping[str, Any] | str = "en") -> str:
    """A counted noun, in the language of `info`.

    Examples
    --------
    >>> count_text(1, "block"), count_text(3, "block")
    ('1 block', '3 blocks')
    """
    return say_count(f"{{n}} {one}", f"{{n}} {many or one + 's'}", n, info)


def tell(sentences: Sequence[tuple[str, Mapping[str, Any]]], info: Mapping[str, Any]) -> str:
    """Sentences whose parts are still numbers and dates, said in the language, money and date order of `info`.

    Parameters
    ----------
    sentences : sequence of (message, parts)
        A part is a text, or one of {"money": amount}, {"day": ISO date}, {"said": English text that may be
        translated}, {"temp": [C]}, {"rain": [mm]}, {"degree_days": [C d]}.
    info : mapping
        units, currency and locale of the readers.

    Examples
    --------
    >>> info = {"units": "us", "currency": "USD", "locale": "en_US"}
    >>> tell([("It loses {week}.", {"week": {"money": 450}})], info)
    'It loses $450.'
    >>> tell([("Below {low} it stands still.", {"low": {"temp": 7.5}})], info)
    'Below 45.5 °F it stands still.'
    """
    return " ".join(say(message, info, **{k: _part(v, info) for k, v in parts.items()}) for message, parts in sentences)


def _part(value: Any, info: Mapping[str, Any]) -> str:
    if not isinstance(value, Mapping):
        return str(value)
    ((kind, held),) = value.items()
    if kind == "money":
        return money_text(held, info)
    if kind in ("temp", "rain"):
        unit = display_unit(info, kind)
        return f"{_fewest(unit.of(held), info, max(unit.digits, 1))} {unit.label}"
    if kind == "degree_days":  # a sum of differences: it has a size and no zero
        return _fewest(held * display_unit(info, "temp").factor, info, 1)
    return day_text(held, info, "MMMEd") if kind == "day" else said(str(held), info)


def _fewest(value: float, info: Mapping[str, Any], digits: int) -> str:
    """A number with at most so many decimals, none where they would be noughts."""
    return number_text(value, info, 0 if round(value, digits) == round(value) else digits)
