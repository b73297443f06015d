"""Outlooks from a service or a grid file in a season's run, through the command line and from a server here only."""

import json
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest
from click.testing import CliRunner
from outlook_server import answer, failed, grid, ok, server
from small_season import SETTINGS, write
from test_grids import netcdf

from olivetime import __main__ as command
from olivetime.records.columns import SeasonError
from olivetime.records.season import read_season
from olivetime.report.weekly import open_week
from olivetime.weather.fetched import CACHE_FOLDER, with_fetched_outlook, with_outlook_file

NOW = datetime(2026, 10, 6, 9, 30, tzinfo=UTC)  # 11:30 in Madrid
OLD_OUTLOOK = (
    "station_id,issued_on,member,day,temp_min_c,temp_max_c,rain_mm\n"
    + "".join(f"S1,2026-10-05,{m},2026-10-{d:02d},{8 + m},{20 + m},0\n" for m in (1, 2) for d in range(6, 12))
)  # fmt: skip


def settings(base="", **keys):
    lines = [f'{name} = "{value}"' for name, value in {"server": base, **keys}.items() if value]
    return SETTINGS + "\n[outlook]\n" + "\n".join(lines) + "\n"


def document(days=5):
    return answer(hours=24 * days, first="2026-10-05T22:00", members=("", "_member01", "_member02"))


@pytest.fixture
def run(monkeypatch):
    monkeypatch.setattr(command, "_now", lambda: NOW)
    monkeypatch.setattr("time.sleep", lambda _: None)

    def call(*words):
        return CliRunner().invoke(command.main, [str(word) for word in words])

    return call


def season_with(tmp_path, **keys):
    write(tmp_path, settings=settings(**keys), outlook=OLD_OUTLOOK)
    return read_season(tmp_path, NOW.date())


def test_order_fetches_only_when_asked_and_uses_what_came(run, tmp_path):
    with server(ok(document())) as (base, log):
        write(tmp_path, settings=settings(base, service="open-meteo"), outlook=OLD_OUTLOOK)
        plain = run("order", tmp_path)
        assert plain.exit_code == 0, plain.output
        assert log == []
        asked = run("order", tmp_path, "--fetch-outlook")
    assert asked.exit_code == 0, asked.output
    assert len(log) == 1
    assert log[0][0].startswith("/v1/ensemble?latitude=37.5000&longitude=-5.1000&hourly=temperature_2m%2Cprecipitation")
    assert "as of 2026-10-06" in asked.stderr
    assert (
        "Outlook: open-meteo (gfs025), fetched 2026-10-06 09:30 UTC, less than 1 h old. "
        "Outlook: weather data by Open-Meteo.com, CC BY 4.0; made into days of the place." in asked.stderr
    )
    kept = pd.read_csv(tmp_path / CACHE_FOLDER / "open-meteo-gfs025" / "2026-10-06.csv")
    assert kept["member"].nunique() == 3
    assert kept["day"].tolist() == [f"2026-10-{d:02d}" for d in range(6, 11)] * 3
    assert kept["temp_min_c"].tolist() == [10.0] * 5 + [11.0] * 5 + [12.0] * 5


@pytest.mark.notebooks
def test_weekly_puts_source_age_and_attribution_on_its_pages(run, tmp_path, monkeypatch):
    monkeypatch.setattr("olivetime.report.page.no_pdf_reason", lambda: "no PDFs here")
    with server(ok(grid(updated="2026-10-06T07:30:00+00:00"))) as (base, log):
        write(
            tmp_path / "season",
            settings=settings(base, service="nws", contact="me@example.org"),
            outlook=OLD_OUTLOOK,
        )
        done = run(
            "weekly", tmp_path / "season", "--fetch-outlook", "--out", tmp_path / "out", "--grower", "Grower A",
            "--jobs", 1,
        )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert log[0][1]["User-Agent"].startswith("olivetime/")
    assert "(me@example.org)" in log[0][1]["User-Agent"]
    folder = tmp_path / "out" / "2026-10-06"
    week = open_week(folder)
    said = week.assumptions.set_index("name")["value"]["outlook source"]
    assert said == ("nws, fetched 2026-10-06 09:30 UTC, 2 h old. Outlook: US National Weather Service, public domain.")
    assert "outlook-cache/nws/2026-10-06.csv" in set(week.sources["file"])
    assert "outlook-fetched" in set(week.findings["code"])
    page = next((folder / "growers").rglob("*.html")).read_text(encoding="utf-8")
    assert "US National Weather Service, public domain" in page


def test_a_failing_service_falls_back_to_the_file_and_says_so(run, tmp_path):
    with server(failed(503, "Forecast Grid Expired")) as (base, _):
        write(tmp_path, settings=settings(base, service="nws", contact="me@example.org"), outlook=OLD_OUTLOOK)
        asked = run("order", tmp_path, "--fetch-outlook", "--json", "--quiet")
        assert asked.exit_code == 0, asked.output
        season = with_fetched_outlook(read_season(tmp_path, NOW.date()), now=NOW, pause=lambda _: None)
    said = (
        "It could not be fetched: outlook service 127.0.0.1:{port}: it answered 503, Forecast Grid Expired in detail, "
        "expected an outlook. Ask again later, or put an outlook file into the season's folder. "
        "So the outlook on file is looked at instead, issued on 2026-10-05."
    )
    said = said.format(port=base.rpartition(":")[2])
    assert f"Outlook: {said}" in asked.stderr
    json.loads(asked.stdout)
    assert season.outlook_said == said
    assert season.outlook["issued_on"].unique().tolist() == [pd.Timestamp("2026-10-05")]
    assert "outlook-not-fetched" in set(season.findings["code"])


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({}, r'service is missing, expected "nws" or "open-meteo"'),
        ({"service": "nws"}, "contact is missing"),
        ({"service": "open-meteo"}, "free service of open-meteo is for non-commercial use only"),
        ({"service": "open-meteo", "base": "meteo.example.org"}, "begins with https://"),
    ],
)
def test_what_is_not_settled_is_asked_for_and_nothing_is_fetched(run, tmp_path, keys, says, monkeypatch):
    monkeypatch.setattr("urllib.request.urlopen", lambda *_, **__: pytest.fail("something was fetched"))
    write(tmp_path, settings=settings(**keys))
    got = run("order", tmp_path, "--fetch-outlook")
    assert got.exit_code == 3
    with pytest.raises(SeasonError, match=says):
        with_fetched_outlook(read_season(tmp_path, NOW.date()), now=NOW)


def test_a_past_day_gets_no_outlook_of_today(run, tmp_path):
    write(tmp_path, settings=settings(service="nws", contact="me@example.org"))
    got = run("order", tmp_path, "--fetch-outlook", "--as-of", "2026-10-05")
    assert got.exit_code == 3
    assert "the as-of day is 2026-10-05 and today is 2026-10-06" in got.output


def test_a_key_is_sent_and_stands_in_no_file(tmp_path, monkeypatch):
    monkeypatch.setenv("OLIVETIME_OUTLOOK_KEY", "s3cret")
    with server(ok(document())) as (base, log):
        with_fetched_outlook(season_with(tmp_path, base=base, service="open-meteo"), now=NOW)
    assert "apikey=s3cret" in log[0][0]
    for path in (tmp_path / CACHE_FOLDER).rglob("*.*"):
        assert b"s3cret" not in path.read_bytes()


def test_earlier_fetches_of_the_same_service_are_its_archive(tmp_path):
    with server(ok(document())) as (base, _):
        season = season_with(tmp_path, base=base, service="open-meteo")
        with_fetched_outlook(season, now=NOW)
        (tmp_path / CACHE_FOLDER / "open-meteo-gfs025" / "2026-10-01.csv").write_text("not,an,outlook\n1,2,3\n")
        tomorrow = NOW + timedelta(days=1)
        got = with_fetched_outlook(read_season(tmp_path, tomorrow.date()), now=tomorrow)
    issues = got.past_outlooks["issued_on"].dt.strftime("%m-%d").unique().tolist()
    assert issues == ["10-06", "10-07"]  # not 10-05 of the table: another source
    assert got.outlook["issued_on"].unique().tolist() == [pd.Timestamp("2026-10-07")]


def test_a_grid_file_named_in_the_settings_is_used_and_named(tmp_path):
    write(tmp_path, settings=settings(file="ens.nc"), stations="station_id,lat_deg,lon_deg\nS1,38.54,-121.95\n")
    (tmp_path / "ens.nc").write_bytes(netcdf())
    early = with_outlook_file(read_season(tmp_path, "2026-10-20"))
    assert early.outlook.empty
    assert "holds no issue up to 2026-10-20" in early.findings.set_index("code").loc["grid-not-used", "says"]
    late = with_outlook_file(read_season(tmp_path, "2026-10-31"))
    assert late.outlook["member"].nunique() == 3
    assert late.outlook_said.startswith("ens.nc, 3 members; nearest grid points: S1 6.2 km")
    assert "ens.nc" in set(late.sources["file"])
    (tmp_path / "ens.nc").unlink()
    with pytest.raises(SeasonError, match=r"there is no file ens\.nc"):
        with_outlook_file(read_season(tmp_path, "2026-10-31"))
