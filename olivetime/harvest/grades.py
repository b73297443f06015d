"""Limits of the extra-virgin and virgin grades, by named standard.

Standards differ (a median of defects of 3.0 is virgin in one and not in another), so a grade is never given
without the standard's name. `STANDARDS` is the table; `grade` applies it. Values are compared as given,
without rounding: a laboratory rounds to the digits printed in the standard before it reports.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

EXTRA, VIRGIN, LAMPANTE = "extra virgin", "virgin", "lampante"
# Values typed in as decimals must not fail a limit they equal because of binary rounding.
_EQUAL = 1e-9

_EU_2019 = "Regulation (EEC) 2568/91, Annex I, text as of 20 October 2019 (legislation.gov.uk)"
_EU_2008 = "Regulation (EEC) 2568/91, Annex I, text at 1 January 2008 (legislation.gov.uk)"
_USDA = (
    "United States Standards for Grades of Olive Oil, 25 October 2010 (Federal Register 75:22363), as quoted"
)
_USDA_MEMORY = "United States Standards for Grades of Olive Oil 2010, number from memory"
_CODEX = "Codex Stan 33-1981, texts of 2003 and 2015"
_SEAL = "Seal of the Californian council of growers, as quoted on a laboratory's page; limits are strict"
_CALIFORNIA = "Californian grade standards in force 26 September 2014, numbers from memory"
_AUSTRALIA = "Australian standard for olive oils, as quoted"


@dataclass(frozen=True)
class Limit:
    """One limit of one grade: `quantity operator limit` must hold; `source` says where the number was read."""

    standard: str
    grade: str
    quantity: str
    operator: str
    limit: float
    unit: str
    source: str


UNITS = {
    "free_acid_pct": "% oleic acid",
    "peroxide_meq_kg": "meq O2/kg",
    "k232": "-",
    "k270": "-",
    "delta_k": "- (absolute)",
    "defects_median": "panel score",
    "fruity_median": "panel score",
}


def _limits(standard: str, grade: str, source: str, operator: str, **values: float) -> tuple[Limit, ...]:
    return tuple(
        Limit(standard, grade, name, operator, value, UNITS[name], source) for name, value in values.items()
    )


STANDARDS: tuple[Limit, ...] = (
    *_limits(
        "EU 2019",
        EXTRA,
        _EU_2019,
        "<=",
        free_acid_pct=0.80,
        peroxide_meq_kg=20.0,
        k232=2.50,
        k270=0.22,
        delta_k=0.01,
        defects_median=0.0,
    ),
    *_limits("EU 2019", EXTRA, _EU_2019, ">", fruity_median=0.0),
    *_limits(
        "EU 2019",
        VIRGIN,
        _EU_2019,
        "<=",
        free_acid_pct=2.0,
        peroxide_meq_kg=20.0,
        k232=2.60,
        k270=0.25,
        delta_k=0.01,
        defects_median=3.5,
    ),
    *_limits("EU 2019", VIRGIN, _EU_2019, ">", fruity_median=0.0),
    *_limits(
        "EU 2008",
        EXTRA,
        _EU_2008,
        "<=",
        free_acid_pct=0.8,
        peroxide_meq_kg=20.0,
        k232=2.50,
        k270=0.22,
        delta_k=0.01,
        defects_median=0.0,
    ),
    *_limits("EU 2008", VIRGIN, _EU_2008, "<=", defects_median=2.5),
    *_limits("USDA 2010", EXTRA, _USDA, "<=", free_acid_pct=0.8, defects_median=0.0),
    *_limits("USDA 2010", EXTRA, _USDA, ">", fruity_median=0.0),
    *_limits(
        "USDA 2010", EXTRA, _USDA_MEMORY, "<=", peroxide_meq_kg=20.0, k232=2.50, k270=0.22, delta_k=0.01
    ),
    *_limits("USDA 2010", VIRGIN, _USDA, "<=", free_acid_pct=2.0, defects_median=2.5),
    *_limits("Codex 2015", EXTRA, _CODEX, "<=", free_acid_pct=0.8),
    *_limits("Codex 2015", VIRGIN, _CODEX, "<=", free_acid_pct=2.0),
    *_limits(
        "California seal",
        EXTRA,
        _SEAL,
        "<",
        free_acid_pct=0.5,
        peroxide_meq_kg=15.0,
        k232=2.40,
        k270=0.22,
        delta_k=0.01,
    ),
    *_limits(
        "California 2014",
        EXTRA,
        _CALIFORNIA,
        "<=",
        free_acid_pct=0.5,
        peroxide_meq_kg=15.0,
        k232=2.40,
        k270=0.22,
        delta_k=0.01,
    ),
    *_limits(
        "Australia",
        EXTRA,
        _AUSTRALIA,
        "<=",
        free_acid_pct=0.8,
        peroxide_meq_kg=20.0,
        k232=2.50,
        k270=0.22,
        delta_k=0.01,
    ),
)
STANDARD_NAMES: tuple[str, ...] = tuple(dict.fromkeys(limit.standard for limit in STANDARDS))


@dataclass(frozen=True)
class Grade:
    """The grade of one oil under one standard.

    Attributes
    ----------
    standard : str
        Name of the standard.
    grade : str
        "extra virgin", "virgin", "lampante", or "below extra virgin" where the standard names no lower grade.
    failed : tuple of str
        One sentence for each extra-virgin limit that the oil misses.
    not_tested : tuple of str
        Quantities with an extra-virgin limit that were not given; the grade assumes they would pass.
    """

    standard: str
    grade: str
    failed: tuple[str, ...]
    not_tested: tuple[str, ...]


def standards_table() -> pd.DataFrame:
    """All limits as a table: standard, grade, quantity, operator, limit, unit, source."""
    return pd.DataFrame([vars(limit) for limit in STANDARDS])


def _fails(limit: Limit, value: float) -> bool:
    if limit.quantity == "delta_k":
        value = abs(value)
    if limit.operator == "<=":
        return value > limit.limit + _EQUAL
    if limit.operator == "<":
        return value >= limit.limit - _EQUAL
    return value <= limit.limit + _EQUAL


def grade(
    standard: str,
    *,
    free_acid_pct: float | None = None,
    peroxide_meq_kg: float | None = None,
    k232: float | None = None,
    k270: float | None = None,
    delta_k: float | None = None,
    defects_median: float | None = None,
    fruity_median: float | None = None,
) -> Grade:
    """Grade of an oil under a named standard, with the limits it misses.

    Parameters
    ----------
    standard : str
        One of `STANDARD_NAMES`.
    free_acid_pct : float, optional
        Free fatty acids as oleic acid [%].
    peroxide_meq_kg : float, optional
        Peroxide value [meq O2/kg].
    k232, k270, delta_k : float, optional
        Ultraviolet extinctions [-]; the sign of delta_k is ignored.
    defects_median, fruity_median : float, optional
        Panel medians of the strongest defect and of fruitiness [score].

    Returns
    -------
    Grade
        The best grade none of whose limits the given values miss.

    Raises
    ------
    ValueError
        Unknown standard, or no value given.

    Notes
    -----
    Values left out do not lower the grade; they are listed in `not_tested`.

    Examples
    --------
    >>> grade("EU 2019", free_acid_pct=0.4, defects_median=3.0, fruity_median=2.0).grade
    'virgin'
    """
    if standard not in STANDARD_NAMES:
        names = ", ".join(STANDARD_NAMES)
        raise ValueError(
            f"grade: found standard {standard!r}, expected one of {names}. Name the standard in full."
        )
    given: Mapping[str, float] = {
        name: float(value)
        for name, value in (
            ("free_acid_pct", free_acid_pct),
            ("peroxide_meq_kg", peroxide_meq_kg),
            ("k232", k232),
            ("k270", k270),
            ("delta_k", delta_k),
            ("defects_median", defects_median),
            ("fruity_median", fruity_median),
        )
        if value is not None and value == value  # a missing number is not a failed test
    }
    if not given:
        raise ValueError(
            "grade: found no measured value, expected at least one. Give free_acid_pct or another."
        )
    extra = [limit for limit in STANDARDS if limit.standard == standard and limit.grade == EXTRA]
    lower = [limit for limit in STANDARDS if limit.standard == standard and limit.grade == VIRGIN]
    failed = tuple(
        f"{limit.quantity} is {given[limit.quantity]:g}, the limit is {limit.operator} {limit.limit:g}"
        for limit in extra
        if limit.quantity in given and _fails(limit, given[limit.quantity])
    )
    not_tested = tuple(limit.quantity for limit in extra if limit.quantity not in given)
    if not failed:
        name = EXTRA
    elif not lower:
        name = "below extra virgin"
    elif any(limit.quantity in given and _fails(limit, given[limit.quantity]) for limit in lower):
        name = LAMPANTE
    else:
        name = VIRGIN
    return Grade(standard, name, failed, not_tested)
