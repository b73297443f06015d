"""What people read, in their own language: messages looked up in the catalogues under `olivetime/locale`.

Code says everything in English, through `say` and `say_count`; a catalogue holds the same sentence in another
language. `said` finds the sentence of a text that another room has finished, such as what a rule is for.
`scripts/messages.py` collects the messages of the code into the catalogues.
"""

from __future__ import annotations

import gettext
import io
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.dates import format_skeleton
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

LANGUAGES = ("en", "es", "pt", "it")
CATALOGUES = Path(__file__).parent / "locale"


def language_of(info: Mapping[str, Any] | str) -> str:
    """Language of a page: that of its locale where there is a catalogue, else English.

    Parameters
    ----------
    info : mapping or str
        Holds "locale", or is a locale such as "es_US".

    Examples
    --------
    >>> language_of({"locale": "es_US"}), language_of("de_DE"), language_of("pt-BR")
    ('es', 'en', 'pt')
    """
    locale = info if isinstance(info, str) else str(info.get("locale", ""))
    found = re.split(r"[_\-.@]", locale)[0].lower()
    return found if found in LANGUAGES else "en"


def locale_for(language: str, locale: str) -> str:
    """Locale of a reader of `language` in the country of `locale`.

    Examples
    --------
    >>> locale_for("es", "en_US"), locale_for("", "en_US"), locale_for("it", "it")
    ('es_US', 'en_US', 'it')
    """
    parts = re.split(r"[_\-]", locale.split(".")[0])
    if not language or language == language_of(locale):
        return locale
    return "_".join([language, *parts[1:2]])


def mark(message: str) -> str:
    """Give the message back: it stands in a table and is said later, by `say`."""
    return message


@lru_cache(maxsize=len(LANGUAGES))
def catalogue(language: str) -> gettext.NullTranslations:
    """Messages of a language, read from its catalogue file (PO, so that there is nothing to compile)."""
    if language == "en":
        return gettext.NullTranslations()
    with (CATALOGUES / f"{language}.po").open("rb") as file:
        messages = read_po(file, locale=language)
    compiled = io.BytesIO()
    write_mo(compiled, messages)
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def say(message: str, info: Mapping[str, Any] | str, /, **parts: Any) -> str:
    """Say a message in the language of the page.

    Parameters
    ----------
    message : str
        English; {names} in braces are filled from `parts`.
    info : mapping or str
        See `language_of`.
    **parts
        Finished texts and numbers.

    Examples
    --------
    >>> say("Pick {block} first.", "en_US", block="North 4")
    'Pick North 4 first.'
    """
    text = catalogue(language_of(info)).gettext(message) if message else ""
    return text.format(**parts) if parts else text


def say_count(one: str, many: str, n: int, info: Mapping[str, Any] | str, /, **parts: Any) -> str:
    """Say a message that depends on a number, {n} in it.

    Examples
    --------
    >>> say_count("{n} block", "{n} blocks", 3, "en_US")
    '3 blocks'
    """
    return catalogue(language_of(info)).ngettext(one, many, n).format(n=n, **parts)


def said(text: str, info: Mapping[str, Any] | str, /) -> str:
    """Find a finished English text in the catalogue: whole, or as one of other_rooms.txt whose {names} were filled.

    Texts that no message fits come back as they are.
    """
    language = language_of(info)
    if language == "en" or not text:
        return _DATE.sub(lambda day: _day(day[0], _locale(info)) or day[0], text)
    found = catalogue(language).gettext(text)
    if found != text:
        return found
    for pattern, message in _patterns():
        match = pattern.fullmatch(text)
        if match:
            return say(message, language, **{name: _filled(part, info) for name, part in match.groupdict().items()})
    return text


# A date as other rooms write it into their sentences.
_DATE = re.compile(r"\b[0-9]{2} [A-Z][a-z]{2} [0-9]{4}\b")


def _filled(part: str, info: Mapping[str, Any] | str) -> str:
    """What stood in a finished sentence: a date or a decimal number by the page's locale, else a text that is known."""
    locale = _locale(info)
    if re.fullmatch(r"\d+\.\d+", part):
        return decimal_text(part, locale)
    return _day(part, locale) or said(part, info)


def _day(part: str, locale: str) -> str:
    """A date as the page's locale writes it, of any year where it names none; "" for what is no date."""
    for form, skeleton in (("%d %b %Y", "yMMMd"), ("%Y-%m-%d", "yMMMd"), ("%d %B %Y", "MMMMd")):
        try:
            day = datetime.strptime(part if skeleton == "yMMMd" else f"{part} 2000", form).date()
        except ValueError:
            continue
        return format_skeleton(skeleton, day, locale=known_locale(locale)).replace(".", "")
    return ""


def _locale(info: Mapping[str, Any] | str) -> str:
    return str(info if isinstance(info, str) else info.get("locale", "")).replace("-", "_")


def decimal_text(part: str, locale: str) -> str:
    """A decimal number that a sentence holds, such as "7.5", by a locale's marks: "7,5" in Spain."""
    return format_decimal(part, format="0." + "0" * len(part.partition(".")[2]), locale=known_locale(locale))


def known_locale(locale: str) -> Locale:
    """The locale, or its language alone where the country's usage is not on record."""
    try:
        return Locale.parse(locale)
    except (ValueError, UnknownLocaleError):  # a language in a country whose usage is not on record
        return Locale(language_of(locale))


@lru_cache(maxsize=1)
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    """Messages of other rooms with {names} as patterns, those with most fixed letters first."""
    messages = (CATALOGUES / "other_rooms.txt").read_text(encoding="utf-8").splitlines()
    messages = sorted((m for m in messages if "{" in m), key=lambda m: -len(re.sub(r"\{\w+\}", "", m)))
    return tuple((pattern_of(message), message) for message in messages)


def pattern_of(message: str, shape: Callable[[str], str] = lambda _: ".+?") -> re.Pattern[str]:
    """Pattern of the finished sentences that a message with {names} makes; `shape` says what may stand for a name."""
    pieces = re.split(r"\{(\w+)\}", message)
    return re.compile(
        "".join(f"(?P<{piece}>{shape(piece)})" if i % 2 else re.escape(piece) for i, piece in enumerate(pieces))
    )
