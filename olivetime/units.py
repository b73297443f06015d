"""Trade units to metric and back, one named constant each.

Everything inside olivetime is metric and degrees Celsius; these constants are used only where data come
in (`olivetime.records`) and where results go out (`olivetime.report`).

References
----------
.. [1] NIST Special Publication 811 (2008), Appendix B: acre, mile, inch, pound, short ton, US gallon
   (from memory; the exact definitions of pound 0.45359237 kg, inch 25.4 mm and gallon 231 cubic inches).
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np

Number = TypeVar("Number", float, np.ndarray)

KG_PER_LB = 0.45359237
T_PER_SHORT_TON = 2000 * KG_PER_LB / 1000  # 0.90718474 t
HA_PER_ACRE = 0.40468564224  # international acre
KM_PER_MILE = 1.609344
MM_PER_INCH = 25.4
M_PER_FOOT = 0.3048
L_PER_GALLON = 3.785411784  # US liquid gallon

# Density of olive oil at 20 C: 916 g a litre (as quoted on a conversions page of the trade).
OIL_KG_PER_L = 0.916
# The trade's round figure in the United States, 0.58 % below the density above; printed beside every gal/ton.
OIL_LB_PER_GALLON_TRADE = 7.6
OIL_KG_PER_GALLON_TRADE = OIL_LB_PER_GALLON_TRADE * KG_PER_LB


def celsius_from_fahrenheit(temp_f: Number) -> Number:
    """Temperature in degrees Celsius.

    Parameters
    ----------
    temp_f : float or array
        Temperature [F].

    Returns
    -------
    float or array
        Temperature [C].

    Examples
    --------
    >>> round(celsius_from_fahrenheit(27.0), 1)
    -2.8
    """
    return (temp_f - 32.0) / 1.8


def fahrenheit_from_celsius(temp_c: Number) -> Number:
    """Temperature in degrees Fahrenheit, the inverse of `celsius_from_fahrenheit` [F]."""
    return temp_c * 1.8 + 32.0


def gallons_per_short_ton(oil_pct: Number, *, oil_lb_per_gallon: float = OIL_LB_PER_GALLON_TRADE) -> Number:
    """Oil yield in US gallons per short ton of fruit from oil per cent of fresh weight.

    Parameters
    ----------
    oil_pct : float or array
        Oil obtained, share of fresh fruit weight [%].
    oil_lb_per_gallon : float, optional
        Pounds of oil in a gallon [lb/gal]; the trade's 7.6 by default.

    Returns
    -------
    float or array
        Yield [gal/short ton] = oil_pct / 100 * 2000 lb / oil_lb_per_gallon.

    Examples
    --------
    >>> round(gallons_per_short_ton(18.0), 1)
    47.4
    """
    return oil_pct * 20.0 / oil_lb_per_gallon


def oil_pct_from_gallons_per_short_ton(
    gal_short_ton: Number, *, oil_lb_per_gallon: float = OIL_LB_PER_GALLON_TRADE
) -> Number:
    """Oil per cent of fresh weight from gallons per short ton, the inverse of `gallons_per_short_ton` [%].

    Examples
    --------
    >>> round(oil_pct_from_gallons_per_short_ton(45.0), 1)
    17.1
    """
    return gal_short_ton * oil_lb_per_gallon / 20.0
