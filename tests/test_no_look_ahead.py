"""No look-ahead: whatever is on record after the as-of day changes nothing in that week's proposal.

Hypothesis changes, removes and adds rows of every table that carries a date, in a folder whose season is over.
"""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from finished_season import finished, write_folder
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from olivetime.harvest.forecasts import as_known
from olivetime.harvest.memory import past_misses
from olivetime.harvest.order import propose
from olivetime.records.season import read_season

# table: the columns that tell when a row became known (the first filled one counts), what may be changed in it
DATED = {
    "samples": (("received_on", "sampled_on"), ("oil_dry_pct", "oil_fresh_pct", "moisture_pct", "maturity_index")),
    "weather_days": (("day",), ("temp_min_c", "temp_max_c", "rain_mm")),
    "outlook": (("issued_on",), ("temp_min_c", "temp_max_c", "rain_mm")),
    "picks": (("picked_on",), ("area_ha", "net_t", "oil_out_kg")),
}


@pytest.fixture(scope="module")
def over(tmp_path_factory):
    """Folder of a season that is over, a day on which a part is picked, and what the week of that day proposed."""
    _, season = finished(6)
    folder = write_folder(season, tmp_path_factory.mktemp("over") / "season")
    day = season.picks["picked_on"].sort_values().iloc[2].date()
    read = read_season(folder, day)
    return folder, day, read, _proposed(read)


def _proposed(season):
    return propose(season, seed=2, n_scenarios=3, n_draws=6, evaluations=40)


def _same(one, other):
    for name, frame in vars(one).items():
        if isinstance(frame, pd.DataFrame) and name not in ("sources", "findings"):
            pd.testing.assert_frame_equal(frame, getattr(other, name), obj=name)


change = st.fixed_dictionaries({
    "table": st.sampled_from(sorted(DATED)), "what": st.sampled_from(["change", "remove", "repeat"]),
    "by": st.floats(0.3, 1.6), "column": st.integers(0, 3), "part": st.floats(0.0, 1.0),
})  # fmt: skip


def _changed(folder, day, changes, into):
    """A copy of the folder with rows that became known after the day changed, removed, or repeated later."""
    into.mkdir(exist_ok=True)
    for path in folder.iterdir():
        (into / path.name).write_bytes(path.read_bytes())
    n = 0
    for one in changes:
        path, (dates, columns) = into / f"{one['table']}.csv", DATED[one["table"]]
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        known_on = table[dates[0]]
        for name in dates[1:]:
            known_on = known_on.where(known_on != "", table[name])
        later = np.flatnonzero(known_on.str[:10] > day.isoformat())
        later = later[: int(np.ceil(one["part"] * len(later)))]
        if not len(later):
            continue
        n += len(later)
        name = columns[one["column"] % len(columns)]
        if one["what"] == "remove":
            table = table.drop(index=later)
        elif one["what"] == "repeat":
            more = table.iloc[later[:1]].copy()
            for key in table.columns:
                if key in ("sample_id", "ticket_id"):
                    more[key] = "later-" + more[key]
            table = pd.concat([table, more]) if one["table"] in ("samples", "picks") else table
        elif name in table:
            told = pd.to_numeric(table[name].iloc[later], errors="coerce")
            new = (told * one["by"]).round(2)
            at = table.columns.get_loc(name)
            table.iloc[later, at] = np.where(new.notna(), new.astype(str), table[name].iloc[later])
        table.to_csv(path, index=False)
    return n


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(changes=st.lists(change, min_size=1, max_size=4))
def test_records_dated_after_the_day_change_nothing_that_the_week_reads(over, tmp_path_factory, changes):
    folder, day, season, _ = over
    other = tmp_path_factory.mktemp("changed")
    _changed(folder, day, changes, other)
    _same(read_season(other, day), season)


@settings(max_examples=2, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(changes=st.lists(change, min_size=2, max_size=4))
def test_records_dated_after_the_day_change_nothing_in_the_proposal(over, tmp_path_factory, changes):
    folder, day, _, before = over
    other = tmp_path_factory.mktemp("changed")
    assert _changed(folder, day, changes + ALL_OF_THEM, other) > 0
    after = _proposed(read_season(other, day))
    pd.testing.assert_frame_equal(after.plan.rows, before.plan.rows)
    assert after.plan.value == before.plan.value
    assert np.array_equal(after.outcomes.oil_dry_pct, before.outcomes.oil_dry_pct)


ALL_OF_THEM = [
    {"table": table, "what": "change", "by": 1.3, "column": 0, "part": 1.0} for table in sorted(DATED)
]  # fmt: skip


def test_a_record_of_the_day_itself_does_change_the_proposal(over, tmp_path):
    # the test above can fail: the same change a day before the as-of day is felt
    folder, day, season, before = over
    newest = pd.to_datetime(season.samples["received_on"]).max().date()
    assert newest <= day
    assert _changed(folder, newest - timedelta(days=1), ALL_OF_THEM, tmp_path / "felt") > 0
    assert _proposed(read_season(tmp_path / "felt", day)).plan.value != before.plan.value


def test_past_weeks_in_memory_are_those_that_the_reader_gives(over):
    folder, day, season, _ = over
    past = day - timedelta(days=9)
    ours, read = as_known(season, past), read_season(folder, past)
    for name in ("samples", "weather_days", "weather_hours", "picks", "past_outlooks", "outlook", "past_samples"):
        pd.testing.assert_frame_equal(getattr(ours, name), getattr(read, name), obj=name)
    assert past_misses(season, 0).empty
