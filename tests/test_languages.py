"""What pages say in other languages: catalogues whole, placeholders and plurals right, dates and numbers by locale."""

import gettext
import importlib.util
import pickle
import re
import string
from dataclasses import replace
from pathlib import Path

import pytest
import small_season
from babel.messages.pofile import read_po
from invented_week import invented_week

from olivetime import languages
from olivetime.languages import CATALOGUES, LANGUAGES, language_of, locale_for, said, say, say_count
from olivetime.records.columns import SeasonError
from olivetime.records.season import read_season
from olivetime.report import figures, front, page, sheet, tables
from olivetime.words import chance_text, day_text, days_text, money_text, number_text, tell

OTHERS = LANGUAGES[1:]


@pytest.fixture(scope="module")
def messages():
    path = Path(__file__).parents[1] / "scripts" / "messages.py"
    spec = importlib.util.spec_from_file_location("messages", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def held(language):
    with (CATALOGUES / f"{language}.po").open("rb") as file:
        return [m for m in read_po(file, locale=language) if m.id]


def names_in(text):
    return sorted({name for _, name, _, _ in string.Formatter().parse(text) if name})


@pytest.mark.parametrize("language", OTHERS)
def test_every_message_of_the_code_is_translated_and_nothing_else_is_kept(language, messages):
    """`python scripts/messages.py` brings the catalogues up to date; the translations are then written by hand."""
    assert messages.missing(language) == []
    assert {m.id for m in held(language)} == set(messages.messages())
    assert not any(m.fuzzy for m in held(language))


@pytest.mark.parametrize("language", OTHERS)
def test_placeholders_agree_and_plurals_have_all_their_forms(language):
    for m in held(language):
        forms = m.string if isinstance(m.string, tuple) else (m.string,)
        wanted = names_in(m.id[1] if isinstance(m.id, tuple) else m.id)
        assert len(forms) == (2 if isinstance(m.id, tuple) else 1), m.id
        for form in forms:
            assert form.strip() == form, m.id
            assert names_in(form) == wanted, (m.id, form)
            assert form[-1:] == "." or (m.id if isinstance(m.id, str) else m.id[0])[-1:] != ".", (m.id, form)


@pytest.mark.parametrize("language", OTHERS)
def test_hardly_a_message_says_the_same_as_in_english(language):
    """Units, names of quantities and a few words that the languages share; nothing of more than three words."""
    same = [m.id for m in held(language) if isinstance(m.id, str) and m.string == m.id]
    assert [text for text in same if len(re.findall(r"[A-Za-z]{2,}", text)) > 3] == []
    assert len(same) < 40


@pytest.mark.parametrize("language", OTHERS)
def test_no_word_of_a_figure_is_missing_from_the_catalogue(language, monkeypatch):
    """Also words that reach `say` by a variable: a catalogue cannot see that they are missing."""
    whole, missing = languages.catalogue(language), []

    class Watched(gettext.NullTranslations):
        def gettext(self, message):
            if whole.gettext(message) == message and message not in same:
                missing.append(message)
            return whole.gettext(message)

        def ngettext(self, one, many, n):
            return whole.ngettext(one, many, n)

    week = invented_week()
    same = {"°F", *week.rules["rule"], *(m.id for m in held(language) if m.string == m.id)}  # rules: invented names
    monkeypatch.setattr(languages, "catalogue", lambda _: Watched())
    week = replace(week, info={**week.info, "locale": f"{language}_{language.upper()}"})
    for kind, picture in figures.PICTURES.items():
        for wide in (False, True):
            figures.draw(week, kind, wide=wide)
        picture.alt(week)
    assert sorted(set(missing)) == []


def test_one_and_many():
    assert say_count("{n} block", "{n} blocks", 1, "es_ES") == "1 parcela"
    assert say_count("{n} block", "{n} blocks", 2, "it_IT") == "2 appezzamenti"
    assert say_count("{n} block", "{n} blocks", 5, "pt_BR") == "5 talhões"
    assert say_count("{n} block", "{n} blocks", 5, "de_DE") == "5 blocks"


def test_numbers_dates_and_money_follow_the_readers_locale():
    """Marks and month names as CLDR has them (babel)."""
    es, pt, it = ({"locale": name, "currency": "EUR", "units": "metric"} for name in ("es_ES", "pt_PT", "it_IT"))
    assert [day_text("2026-10-20", i) for i in (es, it)] == ["20 oct", "20 ott"]
    assert day_text("2026-10-20", pt) in {"20/10", "20 out"}  # babel up to 2.18, and 2.19
    assert days_text("2026-10-19", "2026-10-23", it) == "19–23 ott"
    assert [number_text(12345.6, i, 1) for i in (es, pt, it)] == ["12.345,6", "12\xa0345,6", "12.345,6"]
    assert money_text(4500, it) == "4.500\xa0€"
    assert chance_text(0.01, es) == "menos del 5 %"


def test_a_reader_abroad_keeps_the_country_of_the_season():
    assert locale_for("es", "en_US") == "es_US"
    assert (page.paper("es_US"), page.language("es_US")) == ("letter", "es-US")
    assert number_text(1234.5, {"locale": "es_US"}, 1) == "1,234.5"  # as CLDR has it for Spanish in the United States
    assert number_text(1234.5, {"locale": "it_US"}, 1) == "1.234,5"  # no such usage on record: as in Italy
    assert page.language("de_DE") == "en"  # without a catalogue the words are English
    assert language_of("") == "en"


def test_finished_sentences_are_found_again_whole_or_with_what_was_filled_in():
    assert said("cost of delay", "es") == "coste de la espera"
    assert said("newest sample 14 days old", "it") == "l'ultimo campione ha 14 giorni"
    assert said("plateau of Picual", "pt") == "patamar de Picual"
    assert said("nobody wrote this", "es") == "nobody wrote this"
    assert said("cost of delay", "en_GB") == "cost of delay"


def test_reasons_are_said_from_their_parts():
    sentences = [("A week later its fruit is worth {week} less, most of it by frost.", {"week": {"money": 4500}})]
    info = {"units": "metric", "currency": "EUR", "locale": "es_ES"}
    assert tell(sentences, info) == "Una semana después su fruto vale 4.500\xa0€ menos, sobre todo por helada."


def test_braces_and_percent_signs_in_names_stay_as_they_are():
    assert say("Pick {block} first.", "es", block="{0} %s {n}") == "Coseche primero {0} %s {n}."


@pytest.fixture(scope="module")
def week():
    return invented_week()


@pytest.mark.parametrize("locale", ["es_ES", "pt_PT", "it_IT"])
def test_no_english_sentence_is_left_on_a_page(week, locale, messages):
    """Everything our own rooms say is drawn and written; no English message of the catalogue may be found in it."""
    foreign = replace(week, info={**week.info, "locale": locale})
    foreign = replace(foreign, info={**foreign.info, "headline": tables.headline(foreign)})
    texts = [front.head(foreign, name) for name in ("pick_order", "grower_report", "mill_week", "what_if")]
    texts += [sheet.html_table(make(foreign)) for name, make in sheet.DISPLAY.items() if name != "parameters"]
    texts += [picture.alt(foreign) for picture in figures.PICTURES.values()]
    texts += [front.heed(foreign, "pick_order"), sheet.provenance(foreign)]
    told = page.plain_text("\n".join(texts))
    english = {form for m in messages.messages() for form in ((m,) if isinstance(m, str) else m)}
    strings = [m.string for m in held(language_of(locale))]
    translated = {form for string in strings for form in ((string,) if isinstance(string, str) else string)}
    for form in english - translated:
        longest = max(re.split(r"\{\w+\}", form), key=len).strip()
        if len(longest.split()) >= 3:
            assert longest not in told, (form, told[max(told.find(longest) - 60, 0) :][:200])


def test_a_growers_language_stands_in_the_settings(tmp_path):
    settings = small_season.SETTINGS + '\n[languages]\n"Grower A" = "it"\n"Growr B" = "es"\n'
    season = read_season(small_season.write(tmp_path, settings=settings))
    assert dict(season.languages) == {"Grower A": "it", "Growr B": "es"}
    finding = season.findings[season.findings["code"] == "language"].iloc[0]
    assert finding["level"] == "warning"
    assert "[languages] names Growr B, who has no block" in finding["says"]
    assert finding["do"] == "Did you mean Grower B?"
    assert pickle.loads(pickle.dumps(season)).languages == dict(season.languages)


def test_a_language_without_a_catalogue_is_refused(tmp_path):
    settings = small_season.SETTINGS + '\n[languages]\n"Grower A" = "fr"\n'
    with pytest.raises(SeasonError, match=r'Grower A is "fr"'):
        read_season(small_season.write(tmp_path, settings=settings))


def test_a_growers_week_speaks_the_growers_language_and_the_others_the_seasons(week):
    growers = week.growers.assign(language=["it" if i == 0 else "" for i in range(len(week.growers))])
    spoken = replace(week, growers=growers)
    own = tables.grower_week(spoken, growers["grower_id"].iloc[0])
    assert own.info["locale"] == "it_US"
    assert own.info["headline"].startswith("Raccogliere prima ")
    assert "Perché questo giorno" in sheet.html_table(sheet.why_table(own))
    assert tables.grower_locale(spoken) == week.info["locale"]


def test_dates_in_sentences_of_other_rooms_are_written_as_the_page_writes_them():
    sentence = "contract or grower allows picking from 09 Nov 2026"
    assert said(sentence, "en_US") == "contract or grower allows picking from Nov 9, 2026"
    assert said(sentence, "en_GB") == "contract or grower allows picking from 9 Nov 2026"
    assert said("lot 31 Feb 2026", "en_US") == "lot 31 Feb 2026"  # no day


def test_a_day_without_a_year_inside_a_finished_sentence_is_said_too():
    text = "heat on record by 10 March, a date from memory"
    assert "10 de marzo" in said(text, "es_AR")
    assert "10 marzo" in said(text, "it_IT")
    assert said(text, "en_GB") == text
