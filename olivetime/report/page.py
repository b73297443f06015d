"""One executed notebook becomes one web page, and the same page becomes one PDF.

The page holds what the notebook shows and nothing of how it was made: no code, no prompts, no scripts, no
fonts or pictures from elsewhere. It is refused when a picture has no text for those who cannot see it.
"""

from __future__ import annotations

import base64
import html
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from string import Template
from typing import Any

import olivetime
from olivetime.languages import language_of, say

PAGES = Path(__file__).parent / "pages"
PAPERS = {"letter": "letter", "a4": "A4"}
# Territories whose everyday paper is US Letter (from memory; all others use ISO 216 A4).
_LETTER_TERRITORIES = {"US", "CA", "MX", "CL", "CO", "CR", "GT", "PA", "PH", "PR", "DO", "NI", "SV", "VE"}
_VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
# From 9 columns on a table may not fit a small desk screen, from 12 on its cells must wrap (tried at 768 px, on paper).
MANY_COLUMNS, CROWDED_COLUMNS = 9, 12
LONGEST_WORD = 16  # letters of a word that are kept together
# A sheet of paper counts as full from this share of its height on, the last one from less (our choice): nobody calls
# two thirds half empty, and every layout that is tried takes as long as the first.
FULL_SHEET, FULL_LAST_SHEET = 0.66, 0.3
# Of longer reports fewer layouts are tried, of very long ones none but the first: each costs seconds.
LONG_SHEETS, MOST_LAYOUTS, VERY_LONG_SHEETS = 6, 3, 16
_FORBIDDEN = {"script", "iframe", "object", "embed", "form", "base", "link", "audio", "video"}


def paper(locale: str) -> str:
    """Paper size of a locale's offices.

    Parameters
    ----------
    locale : str
        Such as "en_US" or "es-ES".

    Returns
    -------
    str
        "letter" or "A4", as style sheets write it.

    Examples
    --------
    >>> paper("en_US"), paper("es_ES")
    ('letter', 'A4')
    """
    territory = re.split(r"[_\-.@]", f"{locale}__")[1].upper()
    return PAPERS["letter" if territory in _LETTER_TERRITORIES else "a4"]


def language(locale: str) -> str:
    """Language tag for a page's `lang`, such as "en-US"; "en" when the locale says nothing usable.

    Examples
    --------
    >>> language("en_US"), language("")
    ('en-US', 'en')
    """
    parts = [part for part in re.split(r"[_\-]", locale.split(".")[0]) if part.isalnum()]
    # Without a catalogue the words are English, whatever the country.
    return "-".join(parts[:2]) if parts and parts[0].lower() == language_of(locale) else "en"


def wrap(body: str, *, title: str, banner: str, locale: str, provenance: str) -> str:
    """Put a body into the page template.

    Parameters
    ----------
    body, banner : str
        HTML; the banner is the page's <header>.
    title, provenance : str
        Plain text; paper shows the first line of the provenance at the foot of each sheet, and no more of it.
    locale : str
        Decides paper size and language tag.

    Returns
    -------
    str
        A whole page.
    """
    style = re.sub(r"/\*.*?\*/\s*", "", (PAGES / "style.css").read_text(encoding="utf-8"), flags=re.S)
    style = re.sub(r"\s*\n\s*", "\n", style)
    made, _, inputs = (html.escape(line) for line in provenance.partition("\n"))
    template = Template((PAGES / "page.html").read_text(encoding="utf-8"))
    return template.substitute(
        lang=language(locale),
        skip=html.escape(say("To the answer", locale)),
        version=olivetime.__version__,
        title=html.escape(title),
        style=style,
        paper=paper(locale),
        banner=banner,
        body=body,
        provenance=f"<p>{made}</p>" + (f"<p>{inputs}</p>" if inputs else ""),
        foot=_css_text(provenance.partition("\n")[0]),
    )


def _css_text(text: str) -> str:
    """A text as style sheets write it: all but letters, digits and blanks by their numbers (CSS Syntax 3, 4.3.7)."""
    return '"' + "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in text) + '"'


def page_html(notebook: Any, *, name: str, locale: str, provenance: str) -> str:
    """Page of an executed notebook.

    The first heading (markdown `# ...`) is the page's question and becomes its <h1>; each `## ...` begins a
    section. Of the code cells only what they show is kept, and a section in which nothing is shown is left out.

    Parameters
    ----------
    notebook : nbformat.NotebookNode
        After execution.
    name : str
        Said after the question in the browser's title: place and date.
    locale, provenance : str
        See `wrap`.

    Returns
    -------
    str
        A whole page, checked by `check_page`.

    Raises
    ------
    ValueError
        When a picture has no alternative text or the page holds something that pages must not hold.
    """
    import mistune  # only workers that draw pages need it

    markdown: Any = mistune.create_markdown(escape=True, plugins=["table"])  # without a renderer of its own: text
    parts: list[str] = []
    question = ""
    for cell in notebook.cells:
        if "screen-only" in cell.metadata.get("tags", []):
            continue
        if cell.cell_type == "markdown":
            found = re.match(r"#\s+(.+)", cell.source)
            if found and not question:
                question = say(found[1].strip(), locale)
                rest = cell.source[found.end() :].strip()
                parts += [markdown(_in_language(rest, locale))] if rest else []
            else:
                parts.append(markdown(_in_language(cell.source, locale)))
        elif cell.cell_type == "code":
            parts += [_shown(output) for output in cell.outputs]
    banner = f"<header><h1>{html.escape(question)}</h1></header>"
    page = wrap(
        _breakable(_wide_tables("\n".join(_with_content(parts)))),
        title=f"{question} {name}".strip(),
        banner=banner,
        locale=locale,
        provenance=provenance,
    )
    check_page(page)
    return page


def _with_content(parts: Iterable[str]) -> list[str]:
    """Pieces of a page without the empty ones and without headings that nothing stands under."""
    kept: list[str] = []
    for part in [*(part for part in parts if part.strip()), "<h2>"]:
        if part.startswith("<h2>") and kept and re.fullmatch(r"<h2>[^\n]*</h2>\s*", kept[-1]):
            kept.pop()
        kept.append(part)
    return kept[:-1]


def _in_language(text: str, locale: str) -> str:
    """Headings and paragraphs of a notebook in the language of the page."""
    lines = []
    for line in text.split("\n\n"):
        mark, words = re.findall(r"(?s)\A(#*\s*)(.*)\Z", line.strip())[0]
        lines.append(mark + (say(words, locale) if words else ""))
    return "\n\n".join(lines)


def _wide_tables(body: str) -> str:
    """Mark tables with many columns, and let the keyboard scroll those that may be wider than a small desk screen."""
    labels: dict[str, int] = {}

    def reach(found: re.Match[str]) -> str:
        columns = found[0].count('scope="col"')
        if columns < MANY_COLUMNS:
            return found[0]
        caption = re.search(r"<caption>(.*?)</caption>", found[0], flags=re.S)
        label = caption[1] if caption else "Table"
        labels[label] = labels.get(label, 0) + 1
        if labels[label] > 1:  # places on a page must differ by name for those who jump between them
            label = f"{label}, {labels[label]}"
        css = "table many crowded" if columns >= CROWDED_COLUMNS else "table many"
        opening = f'<div class="{css}" tabindex="0" role="region" aria-label="{label}">'
        return found[0].replace('<div class="table">', opening)

    return re.sub(r'<div class="table">.*?</thead>', reach, body, flags=re.S)


def _breakable(body: str) -> str:
    """Let words longer than any of ours break, so that a name of 80 letters cannot push a table off the page."""

    def split(found: re.Match[str]) -> str:
        return re.sub(rf"[^\s&;]{{{LONGEST_WORD}}}(?=[^\s&;])", r"\g<0><wbr>", found[0])

    return re.sub(rf"(?<=>)[^<>]{{{LONGEST_WORD},}}(?=<)", split, body)


def _shown(output: Any) -> str:
    if output.output_type == "stream":
        return f"<pre>{html.escape(output.text)}</pre>"
    if output.output_type not in ("display_data", "execute_result"):
        return ""
    data = output.data
    if "text/html" in data:
        text = data["text/html"]
        return text if isinstance(text, str) else "".join(text)
    text = data.get("text/plain", "")
    return f"<pre>{html.escape(text if isinstance(text, str) else ''.join(text))}</pre>" if text else ""


class _Reader(HTMLParser):
    """Notes what a page must not hold."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag not in _VOID:
            self.open.append(tag)
        if tag == "img" and not (values.get("alt") or "").strip():
            self.faults.append("a picture without alt text")
        if tag in _FORBIDDEN:
            self.faults.append(f"a <{tag}> element")
        self.faults += [f"the event attribute {key}" for key in values if key.startswith("on")]
        for key in ("src", "href", "srcset", "action", "data"):
            address = (values.get(key) or "").strip()
            outside = re.match(r"(?i)[a-z][a-z0-9+.\-]*:|//", address)
            picture = (tag, key) in {("img", "src"), ("source", "srcset")}
            if outside and not (picture and address.startswith("data:image/")):
                self.faults.append(f"an address outside the page: {address[:60]}")

    def handle_endtag(self, tag: str) -> None:
        if tag in _VOID:
            return
        if tag in self.open:
            while self.open and self.open.pop() != tag:
                self.faults.append(f"an element left open before </{tag}>")
        else:
            self.faults.append(f"</{tag}> closes nothing")


def check_page(page: str) -> None:
    """Refuse a page that could not be read offline, by everyone, without scripts.

    Parameters
    ----------
    page : str
        HTML.

    Raises
    ------
    ValueError
        Naming every fault: a picture without alt text, scripts, event attributes, addresses outside the
        page, elements left open.
    """
    reader = _Reader()
    reader.feed(page)
    reader.close()
    faults = reader.faults + [f"<{tag}> is never closed" for tag in reader.open if tag not in ("p", "li")]
    if faults:
        raise ValueError(
            f"page: found {'; '.join(dict.fromkeys(faults))}; expected text, tables and pictures that say in words"
            " what they show. Show results through weekly.show, which writes them so."
        )


def plain_text(markup: str) -> str:
    r"""Words of a piece of HTML, pictures by their alt text: for terminals and plain notebooks viewers.

    Examples
    --------
    >>> plain_text("<p>Pick <b>North 4</b> first.</p><img alt='a map' src='x'>")
    'Pick North 4 first.\na map'
    """
    markup = re.sub(r"<img\b[^>]*?\balt=(\"|')(.*?)\1[^>]*>", r"\2\n", markup, flags=re.S)
    markup = re.sub(r"</(td|th)>\s*", "  ", markup)
    markup = re.sub(r"</(p|tr|li|h\d|caption|figcaption|figure|div|ul|ol|table|summary)>", "\n", markup)
    text = html.unescape(re.sub(r"<[^>]+>", "", markup))
    lines = (line.strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line)


def group_figures(parts: Sequence[str]) -> str:
    """Join pieces of HTML; figures that follow each other may stand two abreast, broad ones stand alone.

    A broad figure between columns is lost in print where the page breaks beside it (seen with WeasyPrint 70).
    """
    joined: list[str] = []
    row: list[str] = []
    for part in [*parts, ""]:
        if part.lstrip().startswith("<figure") and not part.lstrip().startswith('<figure class="broad"'):
            row.append(part)
            continue
        if row:
            joined.append(f'<div class="figures">{"".join(row)}</div>')
            row = []
        if part:
            joined.append(part)
    return "\n".join(joined)


def pdf_bytes(page: str) -> bytes:
    """Print a page as a tagged PDF (PDF/UA-1).

    Where sheets would stay half empty, a few other layouts of the same page are tried and the fullest is taken.
    The date inside the file comes from the environment's SOURCE_DATE_EPOCH, so that the same page gives the
    same bytes.

    Parameters
    ----------
    page : str
        HTML as written by `wrap`.

    Returns
    -------
    bytes

    Raises
    ------
    OSError
        When the system lacks the Pango library.
    """
    import weasyprint  # loads the system's Pango; a run without PDFs must not need it

    # The page holds its pictures; nothing may be fetched (`check_page` refuses such pages before they come here).
    # Paper shows the wide drawing of a tall picture, as the page itself does in a browser's print.
    twin = r'<picture><source[^>]*? srcset="([^"]+)"[^>]*>(<img [^>]*?src=")[^"]+("[^>]*>)</picture>'
    page = re.sub(twin, r"\2\1\3", page)
    page = _without_screen(page)
    page, pictures = _printed_pictures(page)
    inside = weasyprint.urls.URLFetcher(allowed_protocols={"data"}, fail_on_errors=True)
    kind, fonts = "pdf/ua-1", _fonts()
    best: Any = None
    least = math.inf
    for tried, text in enumerate(_layouts(page)):
        sheets_n = len(best.pages) if tried else 0
        if sheets_n > VERY_LONG_SHEETS or (sheets_n > LONG_SHEETS and tried >= MOST_LAYOUTS):
            break
        parsed = weasyprint.HTML(string=text, url_fetcher=inside)
        document = parsed.render(font_config=fonts, cache=pictures, pdf_variant=kind)
        empty = _emptiness([_filled_share(leaf) for leaf in document.pages])
        if empty < least:
            best, least = document, empty
        if not empty:
            break
    return best.write_pdf(pdf_variant=kind)


def _without_screen(page: str) -> str:
    """The page without what is never printed and slow to style; folds may hold folds."""
    kept, depth, at = [], 0, 0
    for found in re.finditer(r'<details class="screen">|<details|</details>', page):
        if depth:
            depth += -1 if found[0] == "</details>" else 1
            at = found.end()
        elif found[0].endswith(">") and found[0] != "</details>":
            kept.append(page[at : found.start()])
            depth = 1
    return "".join([*kept, page[at:]])


@cache
def _fonts() -> Any:
    """The system's fonts, once for all pages (none brings its own): what each asks for anew is never given back.

    Page after page a process grew by 0.35 to 0.6 MB, and grows by 0.1 so (WeasyPrint 70, 80 pages).
    """
    import weasyprint

    return weasyprint.text.fonts.FontConfiguration()


def _printed_pictures(page: str) -> tuple[str, dict[str, Any]]:
    """The page with short addresses instead of its palette pictures, and the pictures by these addresses.

    WeasyPrint would unpack each of them to full colours and pack those again, for every layout that is tried; PDF can
    hold the packed palette picture as it is (ISO 32000-1, 7.4.4.4 predictors and 8.6.6.3 Indexed colour spaces).
    """
    import pydyf
    from weasyprint.images import RasterImage

    class Printed(RasterImage):
        """A picture of palette colours, handed on as it is packed."""

        def __init__(self, address: str, size: tuple[int, int], palette: bytes, packed: bytes) -> None:
            self.id = address
            self.width, self.height = size
            self.ratio = self.width / self.height
            self.palette, self.packed = palette, packed
            self._dpi = None

        def get_x_object(self, interpolate: bool, dpi_ratio: float) -> Any:  # noqa: ARG002
            colours = f"[/Indexed /DeviceRGB {len(self.palette) // 3 - 1} <{self.palette.hex()}>]"
            parts = {"Predictor": 15, "Colors": 1, "BitsPerComponent": 8, "Columns": self.width}
            about = {"Type": "/XObject", "Subtype": "/Image", "Width": self.width, "Height": self.height}
            about |= {"ColorSpace": colours, "BitsPerComponent": 8, "Filter": "/FlateDecode"}
            about["Interpolate"] = "true" if interpolate else "false"
            return pydyf.Stream([self.packed], about | {"DecodeParms": pydyf.Dictionary(parts)})

    pictures: dict[str, Any] = {}

    def shortened(found: re.Match[str]) -> str:
        pieces = _palette_picture(base64.b64decode(found[1]))
        if pieces is None:
            return found[0]
        address = f"picture:{len(pictures)}"
        pictures[address] = Printed(address, *pieces)
        return f'src="{address}"'

    return re.sub(r'src="data:image/png;base64,([^"]+)"', shortened, page), pictures


def _palette_picture(png: bytes) -> tuple[tuple[int, int], bytes, bytes] | None:
    """Size, palette and packed rows of a PNG of 8-bit palette colours; None of any other (PNG, W3C 2003, section 5)."""
    chunks: dict[bytes, bytes] = {}
    at = 8
    while at + 8 <= len(png):
        length, name = int.from_bytes(png[at : at + 4], "big"), png[at + 4 : at + 8]
        chunks[name] = chunks.get(name, b"") + png[at + 8 : at + 8 + length]
        at += length + 12
    head = chunks.get(b"IHDR", b"")
    if head[8:13] != bytes([8, 3, 0, 0, 0]) or b"tRNS" in chunks or b"PLTE" not in chunks:
        return None
    size = int.from_bytes(head[:4], "big"), int.from_bytes(head[4:8], "big")
    return size, chunks[b"PLTE"], chunks[b"IDAT"]


def _layouts(page: str) -> Iterator[str]:
    """The page as it is, then with small changes that may fill its sheets better, the likeliest to help first."""
    # A broad picture that would leave the sheet before it half empty lets the small ones pass.
    pair = r'(<figure class="broad">(?:(?!</figure>).)*</figure>)\s*(<div class="figures">.*?</div>)'
    passed = re.sub(pair, r"\2\1", page, flags=re.S)
    yield page
    yield _styled(page, _TIGHT)
    if passed != page:
        yield passed
        yield _styled(passed, _TIGHT)
    yield _styled(page, _LOOSE)


def _styled(page: str, style: str) -> str:
    return page.replace("</head>", f"<style>@media print {{ {style} }}</style></head>", 1)


_TIGHT = (
    "table { font-size: 7.6pt; line-height: 1.2 } th, td { padding-top: 1pt; padding-bottom: 1pt }"
    " h2 { margin-top: 5pt; margin-bottom: 2pt } p { margin: 2pt 0 } .table { margin: 2pt 0 6pt }"
    " p.small { font-size: 6.2pt; line-height: 1.18; margin: 1pt 0 }"
    " ul.caution { font-size: 8pt; line-height: 1.2; padding-top: 2pt; padding-bottom: 2pt }"
)
_LOOSE = "th, td { padding-top: 4pt; padding-bottom: 4pt } h2 { margin-top: 20pt } figure { margin-bottom: 14pt }"


def _emptiness(shares: Sequence[float]) -> float:
    """How far a layout is from full sheets; 0 when every sheet, and the last one enough, is filled.

    A hole between words disturbs more than one behind them, which counts half.
    """
    *whole, last = shares
    return sum(max(0.0, FULL_SHEET - share) for share in whole) + 0.5 * max(0.0, FULL_LAST_SHEET - last)


def _filled_share(leaf: Any) -> float:
    """Share of a sheet's height down to the lowest word or picture; 1 where this WeasyPrint does not say."""
    box = getattr(leaf, "_page_box", None)
    if box is None:
        return 1.0
    lowest = max((_lowest(child) for child in box.children if not hasattr(child, "at_keyword")), default=0.0)
    return float((lowest - box.margin_top) / box.height)


def _lowest(box: Any) -> float:
    """Lower end of the lowest word or picture inside a box, from the sheet's upper edge [px]."""
    children = getattr(box, "children", None)
    if children:
        return max(_lowest(child) for child in children)
    return float(box.position_y + box.height) if isinstance(box.height, int | float) else 0.0


def no_pdf_reason() -> str:
    """Why PDFs cannot be made here, in one line with the remedy; empty when they can."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as problem:
        first = str(problem).strip().splitlines()[0] if str(problem).strip() else type(problem).__name__
        return (
            f"PDFs were left out: the system's Pango library could not be loaded ({first}). On Debian or Ubuntu:"
            " apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0; then run again."
        )
    return ""


def answer(first: str, rest: str = "") -> str:
    """Give the page's answer: the first sentence in bold, the reason after it.

    Examples
    --------
    >>> answer("Pick North 4 first.", "Rain is likely.")
    '<p class="answer"><strong>Pick North 4 first.</strong> Rain is likely.</p>'
    """
    return f'<p class="answer"><strong>{html.escape(first)}</strong> {html.escape(rest)}'.rstrip() + "</p>"


def list_of(items: Iterable[str], *, css: str = "") -> str:
    """Give a bulleted list of plain texts as HTML."""
    attribute = f' class="{html.escape(css)}"' if css else ""
    return f"<ul{attribute}>" + "".join(f"<li>{html.escape(item)}</li>" for item in items) + "</ul>"
