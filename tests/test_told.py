"""Findings in the language of the page: every sentence of the records room has its parts in the catalogues."""

import re
from pathlib import Path

import pandas as pd
import pytest
import test_messy_files as messy
from small_season import TABLES, spoil, write

from olivetime.records.columns import UNITS
from olivetime.records.findings import FINDING_COLUMNS
from olivetime.records.season import check
from olivetime.records.told import TEMPLATES, fits, told

SAMPLE = Path(__file__).parents[1] / "sample_data"
LANGUAGES = ("es", "pt", "it")
SPRAYS = "treatment_id,block_id,applied_on,product,wait_days\n"
TICKETS = "ticket_id,block_id,picked_on,area_ha,net_t\n"
# English words that stand in nearly every sentence, and in none of the other three languages.
ENGLISH = re.compile(r"\b(the|is|are|was|were|and|or|with|read|rows?|expected|should|has|have|not)\b")


def finding(says, do="Nothing to do.", *, file="samples.csv", sheet="", row=2):
    values = ["x", "error", "samples", file, sheet, row, "", "", says, do]
    return pd.DataFrame([values], columns=FINDING_COLUMNS)


def one(says, language, **more):
    return tuple(told(finding(says, **more), language).iloc[0])


def spoilt(tmp_path):
    """Findings of many spoilt seasons, gathered."""
    more = "block_id,grower,ranch,cultivar,contract_id,area_ha,crop_t_ha,crop_on,haul_km,organic,station_id,closed_from"
    blocks = TABLES["blocks"].replace(TABLES["blocks"].splitlines()[0], more + ",closed_to")
    changes = [
        {"samples": TABLES["samples"] + "1,North 2,2026-09-28,60.0,14.2,35.5\n6,South 1,2026-10-05,61.5,13.4,34.8\n"},
        {"samples": TABLES["samples"].replace("4,North 2", "4,NORTH-02").replace("5,North 3", "5,Noth 3")},
        {"samples": TABLES["samples"].replace("59.0,14.6,35.6", "59.0,,25.0").replace("60.0,13.9,34.8", ",13.9,")},
        {"samples": TABLES["samples"].replace("oil_fresh_pct", "oil_dry_pct")},
        {"samples": TABLES["samples"].replace("moisture_pct", "Moist.").replace("2026-10-05", "2026-12-05", 1)},
        {"samples": TABLES["samples"].replace("60.0,13.9,34.8", "0.6,<5.0,")},
        {"samples": "sample_id,block_id,sampled_on,class0_n,class1_n,maturity_index\n1,North 2,2026-10-05,9,6,3\n"},
        {"blocks": "\n".join(line + ",2026-10-09,2026-10-02" * bool(i) for i, line in enumerate(blocks.splitlines()))},
        {"blocks": TABLES["blocks"].replace("6.5,", "120,").replace(",yes,", ",maybe,").replace("9.2,", "about 9,")},
        {"treatments": SPRAYS + "A,Nort 2,2026-10-01,X,7\nB,South 1,2026-10-01,X,\n"},
        {"picks": TICKETS + "T1,North 2,05/10/2026,2,14\nT2,North 2,04/10/2026,2,13\n"},
        {"picks": TICKETS + "T1,North 3,2026-10-04,9,14\n"},
        {"contracts": TABLES["contracts"].replace("600,18,0.05", "600,,").replace("oil_kg,5.2", "oil_kilo,5.2")},
        {"weather_days": TABLES["weather_days"].replace("12.1", "-9999").replace("11.4,25.0", "26,25")},
        {"cultivars": TABLES["cultivars"].replace("45.7", "").replace("Arbequina,41.8", "Arbequina,0.4")},
        {"stations": TABLES["stations"].replace("220\n", "220,Mars\n").replace("elevation_m", "elevation_m,time_zone")},
        {"weather_days": messy.days_of(30, lambda i: f"10,2{i % 6},{5 * i}")},
        {"aliases": "as_written,block_id\nNORTH 3,North 2\nlower hill,North 3\n"},
        {"samples": TABLES["samples"].replace("4,North 2,2026", "4,North 2,2025") + "mill_id,day,booked_h,,,\n"},
        {"samples": "\n".join(f"{line},{line.split(',')[-1]}" for line in TABLES["samples"].splitlines())},
        {"samples": TABLES["samples"].replace("oil_fresh_pct", "oil_dry_pct").replace("13.2", "13.2;")},
    ]  # fmt: skip
    tables = []
    for i, change in enumerate(changes):
        tables.append(check(write(tmp_path / str(i), **change)))
    # A table that a season can do without is left out when its file can't be read.
    unread = ["%PDF-1.7", "[{}]", "<html>", "", "a\x00", '"a', b"PK\x03\x04", b"PK\x03\x04 xl/"]
    unread += [b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"\xff\xfe\x00\xd8", b"a\x81", "Title\nother things\n"]
    unread += [b"PK\x03\x04" + b" " * 26 + b"mimetypeapplication/vnd.oasis.opendocument.spreadsheet"]
    for i, data in enumerate(unread):
        tables.append(check(write(tmp_path / f"unread{i}", outlook=data)))
    for name, data, _ in (case for case in messy.SOUND_CSV if case[2]):
        tables.append(check(write(tmp_path / name, samples=data)))
    for name, row, _ in messy.LEFT_OUT[2:8:2]:
        tables.append(check(write(tmp_path / name, **spoil("samples", messy.ONE, row))))
    for build, _ in (case for case in messy.SOUND_BOOKS if case[1]):
        tables.append(check(messy.book(tmp_path / build.__name__, build)))
    return pd.concat(tables, ignore_index=True)


@pytest.fixture(scope="module")
def findings(tmp_path_factory):
    return spoilt(tmp_path_factory.mktemp("spoilt"))


def test_many_kinds_are_tried(findings):
    assert findings["code"].nunique() >= 40


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sentence_has_its_parts(findings, language):
    said = told(findings, language)
    # What stands in quotation marks is the records' own, or a setting.
    plain = said.apply(lambda column: column.str.replace(r'`[^`]*`|"[^"]*"', "", regex=True))
    left = [text for column in ("where", "found", "do") for text in plain[column] if ENGLISH.search(text)]
    left = [text for text in left if not re.search(r"yes o|yes ou", text)]
    assert sorted(set(left)) == []


def test_english_is_the_sentence_itself(findings):
    said = told(findings, "en_US")
    again = said["where"] + ": " + said["found"]
    assert again.tolist() == findings["says"].tolist()
    assert said["do"].tolist() == findings["do"].tolist()


def test_the_values_stay_as_they_are():
    says = "samples.csv, row 2, block North: 2: oil_fresh_pct is 41.2, expected 1 to 35 % of fresh weight."
    assert one(says, "es") == (
        "samples.csv, fila 2, parcela North: 2",
        "oil_fresh_pct es 41.2; se esperaba 1 a 35 % del peso fresco.",
        "No hay que hacer nada.",
    )


def test_words_of_ours_within_a_cell_are_not_said_in_another_language():
    says = "samples.csv, row 2: no such block as `rows 2, expected a number`."
    assert one(says, "it")[1] == "non c'è nessun block `rows 2, expected a number`."


def test_days_and_rows_are_said_in_the_language():
    says = (
        "samples.csv, row 2: sampled_on 05.10.2026 could be 5 October 2026 or 10 May 2026, and 2 more rows are like it."
    )
    assert one(says, "pt")[1] == (
        "sampled_on 05.10.2026 poderia ser 5 de outubro de 2026 ou 10 de maio de 2026, e mais 2 linhas são como essa."
    )
    says = "samples.csv, row 8: total or average skipped in rows 8, 9, 10, 11, 12 and 3 more."
    assert one(says, "es", row=8)[1] == "total o media saltado en filas 8, 9, 10, 11, 12 y 3 más."


def test_a_stations_own_sentences_are_told_whole():
    says = "weather_days, station S1, season 2026: of 66 days, 10 filled in (4 by a straight line, 6 with usual "
    says += "values)."
    assert one(says, "es", file="", row=pd.NA)[:2] == (
        "weather_days, estación S1, campaña 2026",
        "de 66 días, 10 rellenados (4 en línea recta, 6 de lo usual en la época).",
    )
    says = "weather_days, station S1, day: 40 days without any temperature (2026-08-06, 2026-08-07 and 38 more)."
    assert one(says, "it", file="", row=pd.NA)[1] == (
        "40 giorni senza alcuna temperatura (2026-08-06, 2026-08-07 e 38 altri)."
    )
    says = "weather_days, past seasons: 2 of 9 hold too few measured days from 05 October to 15 January and are not"
    says += " used for the days ahead (2019, 2021)."
    assert one(says, "es", file="", row=pd.NA)[:2] == (
        "weather_days, campañas pasadas",
        "2 de 9 tienen muy pocos días medidos del 5 de octubre al 15 de enero y no se usan para los días por venir "
        "(2019, 2021).",
    )
    says = "outlook issued on 2026-10-05: no member of the outlook is complete, so it is not used: it has no rain_mm."
    assert one(says, "pt", file="", row=pd.NA)[:2] == (
        "previsão emitida a 2026-10-05",
        "nenhum membro da previsão está completo, por isso não é usada: falta-lhe rain_mm.",
    )


def test_a_sentence_that_nobody_knows_stays_english():
    says = "weather_days, S1, day: something quite new was seen."
    where, found, do = one(says, "es", file="", row=pd.NA, do="Ask somebody.")
    assert (where, found, do) == ("weather_days, S1, day", "something quite new was seen.", "Ask somebody.")


@pytest.mark.parametrize(
    "text", ["", ":", ", block ", "samples.csv, row 2, block ", "a" * 5000, "{n} {x}", "%s is {0}"]
)
def test_no_text_stops_it(text):
    for language in ("en", *LANGUAGES):
        assert len(told(finding(text, text), language)) == 1


def test_templates_are_told_apart_and_units_are_known():
    templates = TEMPLATES.read_text(encoding="utf-8").splitlines()
    assert len(set(templates)) == len(templates)
    assert all(template == template.strip() and template for template in templates)
    assert all(fits(UNITS[unit].says) for unit in ("% fresh", "% dry", "C"))
