"""Outlook services: readers on fixtures laid out as documented, and fetching from a server on this machine only.

The fixtures follow the services' documentation (layout of weather-gov/api's OpenAPI file and of the Open-Meteo
pages); their numbers are made up.
"""

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest
from outlook_server import answer, failed, grid, ok, server, text

from olivetime.records.columns import SeasonError
from olivetime.weather.services import (
    OUTLOOK_COLUMNS,
    fetch_nws,
    fetch_open_meteo,
    read_nws_grid,
    read_open_meteo,
)

CALIFORNIA = "America/Los_Angeles"
NOW = datetime(2026, 10, 5, 14, 0, tzinfo=UTC)
AGENT = "olivetime test, nobody@example.org"


ENDLESS = {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-10-06T07:00Z/P9999D", "value": 1}]}


def test_nws_grid_expands_intervals_and_makes_local_days():
    rows = read_nws_grid(text(grid()), station_id="S1", time_zone=CALIFORNIA)
    assert rows.columns.tolist() == OUTLOOK_COLUMNS
    assert rows["day"].dt.strftime("%Y-%m-%d").tolist() == ["2026-10-06", "2026-10-07"]
    assert rows["temp_min_c"].tolist() == [10.0, 20.0]
    assert rows["temp_max_c"].tolist() == [10.0, 20.0]
    assert rows["rain_mm"].to_numpy() == pytest.approx([3.0, 3.0])
    assert set(rows["issued_on"]) == {pd.Timestamp("2026-10-05")}
    assert set(rows["member"]) == {1}


def test_nws_extremes_belong_to_the_morning_and_the_afternoon():
    layers = {
        "minTemperature": {
            "uom": "wmoUnit:degC",
            "values": [{"validTime": "2026-10-07T03:00:00+00:00/PT13H", "value": 7.5}],  # 20:00 to 09:00
        },
        "maxTemperature": {
            "uom": "wmoUnit:degC",
            "values": [{"validTime": "2026-10-06T14:00:00+00:00/PT13H", "value": 24.5}],  # 07:00 to 20:00
        },
    }
    rows = read_nws_grid(text(grid(**layers)), station_id="S1", time_zone=CALIFORNIA)
    assert rows["temp_min_c"].tolist() == [10.0, 7.5]
    assert rows["temp_max_c"].tolist() == [24.5, 20.0]


def test_nws_fahrenheit_is_converted_and_other_units_refused():
    rows = read_nws_grid(text(grid(unit="wmoUnit:degF")), station_id="S1", time_zone=CALIFORNIA)
    assert rows["temp_min_c"].to_numpy() == pytest.approx([(10 - 32) / 1.8, (20 - 32) / 1.8])
    with pytest.raises(SeasonError, match="the unit is K"):
        read_nws_grid(text(grid(unit="wmoUnit:K")), station_id="S1", time_zone=CALIFORNIA)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (text(grid())[:400], "no whole JSON text"),
        (b"\xff\xfe", "no whole JSON text"),
        (text([1, 2]), "expected properties with updateTime"),
        (text({"title": "Forecast Grid Expired", "status": 503}), "Forecast Grid Expired"),
        (text(grid(temperature={"values": []})), "KeyError"),
        (text(grid(updated="yesterday")), "Error"),
        (text(grid(temperature=ENDLESS)), "the duration is 'P9999D'"),
    ],
)
def test_what_is_no_grid_document_is_refused_in_words(body, says):
    with pytest.raises(SeasonError, match=says):
        read_nws_grid(body, station_id="S1", time_zone=CALIFORNIA)


def read(document, stations=("S1",)):
    zones = [CALIFORNIA] * len(stations)
    return read_open_meteo(text(document), station_ids=stations, time_zones=zones, issued_on=date(2026, 10, 5))


def test_open_meteo_members_and_local_days():
    rows = read(answer())
    assert rows.columns.tolist() == OUTLOOK_COLUMNS
    assert rows["member"].tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert rows["day"].dt.strftime("%m-%d").tolist() == ["10-05", "10-06", "10-07"] * 3
    assert rows["temp_min_c"].tolist() == [10.0] * 3 + [11.0] * 3 + [12.0] * 3
    assert rows["temp_max_c"].tolist() == [33.0] * 3 + [34.0] * 3 + [35.0] * 3


def test_open_meteo_rain_is_moved_to_the_hour_in_which_it_fell():
    document = answer(members=("",))
    document["hourly"]["precipitation"] = [0.0] * 72
    document["hourly"]["precipitation"][24] = 5.0  # the sum of the hour that ends at midnight of 6 October
    assert read(document)["rain_mm"].tolist() == [5.0, 0.0, 0.0]


@pytest.mark.parametrize("unix", [False, True])
def test_open_meteo_with_its_constant_offset_gives_the_same_days(unix):
    document = answer(offset_s=0 if unix else -7 * 3600, unix=unix)
    document["utc_offset_seconds"] = -7 * 3600
    pd.testing.assert_frame_equal(read(document), read(answer()))


def test_open_meteo_several_places_models_nulls_and_units():
    several = answer(members=("_icon_eps", "_member01_icon_eps", "_gfs025"))
    rows = read([answer(), several], ("S1", "S2"))
    assert rows.groupby("station_id")["member"].nunique().tolist() == [3, 3]
    holes = answer(members=("",))
    holes["hourly"]["temperature_2m"][30:40] = [None] * 10
    assert read(holes)["day"].dt.day.tolist() == [5, 7]
    warm = answer(members=("",))
    warm["hourly_units"] |= {"temperature_2m": "°F", "precipitation": "inch"}
    warm["hourly"]["precipitation"] = [1.0] * 72
    assert read(warm)["temp_min_c"].iloc[0] == pytest.approx((10 - 32) / 1.8)
    assert read(warm)["rain_mm"].iloc[1] == pytest.approx(24 * 25.4)


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ({"error": True, "reason": "Data corrupted at path ''."}, "the service says: Data corrupted"),
        ([answer(), answer()], "2 places, expected 1, one for each station"),
        ({"hourly": {"time": []}, "hourly_units": {"time": "iso8601"}}, "expected hourly time"),
        ("nonsense", "expected hourly time"),
    ],
)
def test_other_open_meteo_answers_are_refused_in_words(document, says):
    with pytest.raises(SeasonError, match=says):
        read(document)


STATION = pd.Series({"station_id": "S1", "lat_deg": 38.54321, "lon_deg": -121.98761, "time_zone": CALIFORNIA})
STATIONS = pd.DataFrame([STATION])


class Asked:
    """Fetches from one server with one folder, and how long it paused."""

    def __init__(self, base, folder):
        self.base, self.folder, self.pauses = base, folder, []

    def nws(self, now=NOW):
        return fetch_nws(STATION, now=now, folder=self.folder, agent=AGENT, base=self.base, pause=self.pauses.append)

    def open_meteo(self, now=NOW, **options):
        return fetch_open_meteo(
            STATIONS, models="gfs025", now=now, folder=self.folder, agent=AGENT,
            base=f"{self.base}/v1/ensemble", pause=self.pauses.append, **options,
        )  # fmt: skip


def test_nws_is_asked_with_four_decimals_and_a_name(tmp_path):
    with server(ok(grid())) as (base, log):
        got = Asked(base, tmp_path).nws()
    assert [path for path, _ in log] == ["/points/38.5432,-121.9876", "/gridpoints/STO/1,2"]
    assert all(headers["User-Agent"] == AGENT for _, headers in log)
    assert got.age_h == pytest.approx(2.0)
    assert not got.kept
    assert got.says == "NWS grid document updated 2.0 h ago"
    assert "public domain" in got.attribution
    pd.testing.assert_frame_equal(got.rows, read_nws_grid(text(grid()), station_id="S1", time_zone=CALIFORNIA))


def test_a_503_is_cured_by_asking_again_after_a_pause(tmp_path):
    with server(failed(503), failed(500), ok(grid())) as (base, _):
        asked = Asked(base, tmp_path)
        assert len(asked.nws().rows) == 2
    assert asked.pauses == [1.0, 2.0]


def test_after_three_tries_it_gives_up_in_words_and_keeps_nothing_of_it(tmp_path):
    with server(failed(503, "Forecast Grid Expired")) as (base, log):
        asked = Asked(base, tmp_path)
        with pytest.raises(SeasonError, match="it answered 503, Forecast Grid Expired in detail"):
            asked.nws()
        assert len(log) == 4
    assert len(list(tmp_path.iterdir())) == 1  # the point, not the error


@pytest.mark.parametrize("status", [400, 403, 404])
def test_our_own_faults_are_not_asked_again(tmp_path, status):
    with server(failed(status)) as (base, log):
        asked = Asked(base, tmp_path)
        with pytest.raises(SeasonError, match=f"it answered {status}, Unexpected Problem in detail"):
            asked.nws()
        assert len(log) == 2
    assert asked.pauses == []


def test_unchanged_documents_come_from_what_was_kept(tmp_path):
    stamp = "Mon, 05 Oct 2026 12:00:00 GMT"
    with server(ok(grid(), Last_Modified=stamp), (304, b"", {})) as (base, log):
        asked = Asked(base, tmp_path)
        first = asked.nws()
        soon = asked.nws(NOW + timedelta(minutes=30))
        assert len(log) == 2  # so young an answer is not asked for again
        later = asked.nws(NOW + timedelta(hours=2))
    assert log[-1][1]["If-Modified-Since"] == stamp
    assert soon.kept
    assert later.kept
    assert later.says == "NWS grid document updated 4.0 h ago, kept from earlier"
    pd.testing.assert_frame_equal(first.rows, later.rows)


@pytest.mark.parametrize(
    ("cut", "says"),
    [({"Content-Length": 100_000}, "it could not be reached or broke off"), ({}, "no whole JSON text")],
)
def test_truncated_answers_are_asked_again_and_never_kept(tmp_path, cut, says):
    with server((200, text(grid())[:500], cut)) as (base, log):
        asked = Asked(base, tmp_path)
        with pytest.raises(SeasonError, match=says):
            asked.nws()
        assert len(log) == 4
    assert len(list(tmp_path.iterdir())) == 1


def test_old_documents_are_told_of_and_very_old_ones_refused(tmp_path):
    with server(ok(grid())) as (base, _):
        asked = Asked(base, tmp_path)
        assert "more than 12 h, later weather may be missing" in asked.nws(NOW + timedelta(hours=12)).says
        with pytest.raises(SeasonError, match="an update 40 h old, expected at most 36 h"):
            asked.nws(NOW + timedelta(hours=38))


def test_when_the_service_fails_the_kept_answer_is_used_until_it_is_too_old(tmp_path):
    with server(ok(answer()), failed(503)) as (base, _):
        asked = Asked(base, tmp_path)
        asked.open_meteo()
        got = asked.open_meteo(NOW + timedelta(hours=20))
        assert got.kept
        assert got.says == "Open-Meteo, gfs025, fetched 20.0 h ago, kept from earlier"
        assert set(got.rows["issued_on"]) == {pd.Timestamp("2026-10-05")}  # the day it was fetched
        with pytest.raises(SeasonError, match="it answered 503"):
            asked.open_meteo(NOW + timedelta(hours=40))


def test_nobody_there(tmp_path):
    with server(ok(grid())) as (base, _):
        pass
    with pytest.raises(SeasonError, match="could not be reached or broke off"):
        Asked(base, tmp_path).nws()
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_kept_answer_is_fetched_anew(tmp_path):
    with server(ok(answer())) as (base, log):
        asked = Asked(base, tmp_path)
        asked.open_meteo()
        (kept,) = tmp_path.iterdir()
        kept.write_text(kept.read_text()[:200])
        assert not asked.open_meteo().kept
        assert len(log) == 2


def test_open_meteo_is_asked_for_gmt_and_the_key_stays_out_of_the_folder(tmp_path):
    with server(ok(answer())) as (base, log):
        got = Asked(base, tmp_path).open_meteo(key="secret-key")
    path = log[0][0]
    for part in ("latitude=38.5432", "timezone=GMT", "models=gfs025", "apikey=secret-key"):
        assert part in path
    assert "CC BY 4.0" in got.attribution
    assert len(got.rows) == 9
    assert all("secret-key" not in f.name + f.read_text() for f in tmp_path.iterdir())


def test_open_meteos_error_answer_is_told(tmp_path):
    with server((400, text({"error": True, "reason": "Cannot initialize models"}), {})) as (base, log):
        with pytest.raises(SeasonError, match="it answered 400, Cannot initialize models"):
            Asked(base, tmp_path).open_meteo()
        assert len(log) == 1


def test_the_free_service_is_not_asked_for_a_farm(tmp_path):
    with pytest.raises(ValueError, match="the free service is for non-commercial use only"):
        fetch_open_meteo(STATIONS, models="gfs025", now=NOW, folder=tmp_path, agent=AGENT)


def test_addresses_that_are_no_web_address_or_lead_elsewhere(tmp_path):
    with pytest.raises(SeasonError, match="expected one that begins with https://"):
        Asked("file:///etc", tmp_path).nws()
    with server(ok(grid())) as (base, _):
        other = base.replace("127.0.0.1", "localhost")
        with pytest.raises(SeasonError, match="a grid address elsewhere"):
            Asked(other, tmp_path).nws()
