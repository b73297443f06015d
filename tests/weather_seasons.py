"""Small hand-made seasons for the weather tests: only the tables the weather room reads."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd

# Numbers of these tests, not the package's defaults: what is worked out by hand below must not move with them.
TEST_RULES = {
    "heat_lower_c": 7.5,
    "heat_upper_c": 35.0,
    "frost_threshold_c": -2.0,
    "rain_stop_mm": 2.0,
    "dry_days_light": 0.5,
    "dry_days_medium": 1.0,
    "dry_days_heavy": 2.0,
    "dry_days_cap": 5.0,
    "leaf_wet_h": 4.0,
    "shift_max_h": 22.0,
    "outlook_max_age_d": 2.0,
    "outlook_trust_d": 7.0,
}


def weather_rows(station_id, first, values):
    """Rows of weather_days from a list of (low, high, rain) on consecutive days."""
    low, high, rain = np.array(values, float).T
    return pd.DataFrame(
        {
            "station_id": station_id,
            "day": pd.date_range(first, periods=len(low), freq="D"),
            "temp_min_c": low,
            "temp_max_c": high,
            "rain_mm": rain,
            "wind_m_s": np.nan,
        }
    )


def outlook_rows(station_id, issued_on, first, members):
    """Rows of outlook from one list of (low, high, rain) for each member."""
    frames = []
    for member, values in enumerate(members):
        rows = weather_rows(station_id, first, values).drop(columns="wind_m_s")
        rows.insert(1, "issued_on", pd.Timestamp(issued_on))
        rows.insert(2, "member", member)
        frames.append(rows)
    return pd.concat(frames, ignore_index=True)


def no_outlook():
    return outlook_rows("S1", "2026-01-01", "2026-01-01", [[(0, 0, 0)]]).iloc[:0]


def blocks(*rows):
    """Table of blocks from (block_id, station_id, colder_c, soil)."""
    return pd.DataFrame(rows, columns=["block_id", "station_id", "colder_c", "soil"])


def stations(*rows):
    """Table of stations from (station_id, lat_deg, lon_deg)."""
    return pd.DataFrame(rows, columns=["station_id", "lat_deg", "lon_deg"]).assign(elevation_m=np.nan)


def season(weather, *, as_of, start=date(2026, 8, 1), end=date(2027, 1, 15), outlook=None, **changes):
    """Build a season of the weather room's inputs; station S1 and block N1 unless said otherwise."""
    year = as_of.year - ((as_of.month, as_of.day) < (start.month, start.day))
    parts = {
        "as_of": as_of,
        "start": start,
        "end": end,
        "label": year,
        "stations": stations(("S1", 38.5, -121.9)),
        "blocks": blocks(("N1", "S1", 0.0, "medium")),
        "weather_days": weather,
        "outlook": no_outlook() if outlook is None else outlook,
        "rules": TEST_RULES,
    }
    parts.update(changes)
    return SimpleNamespace(**parts)
