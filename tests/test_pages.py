"""Pages: what they refuse, how they read without eyes, on a phone, on paper."""

import hashlib
import html
import importlib.util
import io
import json
import os
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from invented_week import HOSTILE, invented_week

from olivetime.report import canvas, figures, front, page, sheet, tables, weekly

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
AXE_PACKAGE = importlib.util.find_spec("axe_playwright_python")  # carries axe-core (MPL-2.0); only its file is used
AXE = Path(os.environ.get("AXE_MIN_JS") or (Path(AXE_PACKAGE.origin).with_name("axe.min.js") if AXE_PACKAGE else ""))
KINDS = ["index", "pick_order", "what_if", "mill_week", "curve_review", "season_check", "grower_report"]
FIGURE = '<figure><img alt="a map" src="data:image/png;base64,AA"></figure>'


def wrapped(body):
    return page.wrap(
        body, title="T", banner="<header><h1>Q?</h1></header>", locale="en_US", provenance="olivetime 0.1.0 <b>"
    )


# --- without a browser ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("locale", "paper", "language"),
    [("en_US", "letter", "en-US"), ("es_ES", "A4", "es-ES"), ("es_MX.UTF-8", "letter", "es-MX"), ("it", "A4", "it"),
     ("en_AU", "A4", "en-AU"), ("", "A4", "en")],
)  # fmt: skip
def test_paper_and_language_by_locale(locale, paper, language):
    """ISO 216 is the paper of all but a few countries (from memory)."""
    assert (page.paper(locale), page.language(locale)) == (paper, language)


def test_a_page_has_language_viewport_skip_link_landmarks_and_a_strict_policy():
    text = wrapped("<p>body</p>")
    page.check_page(text)
    assert '<html lang="en-US">' in text
    assert 'name="viewport" content="width=device-width, initial-scale=1"' in text
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'" in text
    assert text.index('href="#main"') < text.index("<header>") < text.index('<main id="main">') < text.index("<footer>")
    assert "olivetime 0.1.0 &lt;b&gt;" in text
    assert "size: letter" in text
    assert "/*" not in text  # comments of the style sheet are for its readers, not for every page


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ('<img src="data:image/png;base64,AA">', "a picture without alt text"),
        ('<img alt=" " src="data:image/png;base64,AA">', "a picture without alt text"),
        ("<script>1</script>", "a <script> element"),
        ('<p onmouseover="x">', "the event attribute onmouseover"),
        ('<a href="https://example.org">x</a>', "an address outside the page: https://example.org"),
        ('<a href="javascript:x()">x</a>', "an address outside the page: javascript"),
        ('<img alt="x" src="//example.org/a.png">', "an address outside the page: //example.org"),
        ('<img alt="x" srcset="data:text/html,x" src="data:image/png;base64,AA">', "outside the page: data:text"),
        ("<div>", "an element left open before </main>"),
        ("</table>", "</table> closes nothing"),
    ],
)  # fmt: skip
def test_pages_that_some_could_not_read_are_refused(body, said):
    with pytest.raises(ValueError, match=r"expected text, tables and pictures that say in words") as problem:
        page.check_page(wrapped(body))
    assert said in str(problem.value)


def test_figures_that_follow_each_other_stand_together():
    text = page.group_figures(["<p>a</p>", FIGURE, FIGURE, "<p>b</p>", FIGURE])
    assert text.count('<div class="figures">') == 2
    assert text.index("<p>a</p>") < text.index('<div class="figures">') < text.index("<p>b</p>")


def test_words_of_a_page_for_those_who_see_no_markup():
    words = page.plain_text('<table><tr><th>North 4</th><td>21 Oct</td></tr></table><img src="x" alt="A &amp; B">')
    assert words == "North 4  21 Oct\nA & B"


def test_wide_tables_can_be_reached_by_keyboard_and_have_names_of_their_own():
    week = invented_week(6)
    table = sheet.html_table(sheet.stage_table(week))
    text = page._wide_tables(table + table)
    assert text.count('tabindex="0"') == 2
    labels = [part.split('"')[0] for part in text.split('aria-label="')[1:]]
    assert len(set(labels)) == 2


def test_a_tall_picture_carries_a_wide_drawing_of_the_same():
    week = invented_week(12)
    markup = front.picture(invented_week(40), "calendar")
    assert markup.count("<img ") == 1
    assert markup.count('<source media="(min-width: 48rem), print"') == 1
    page.check_page(wrapped(markup))
    assert "<source" not in front.picture(week, "weather_strip")


def test_small_multiples_become_a_picture_for_each_block_that_says_its_own():
    week = invented_week(12)
    markup = front.picture(week, "curves")
    page.check_page(wrapped(markup))
    says = re.findall(r'<img alt="([^"]*)" width="180" height="133"', markup)
    assert len(says) == 12
    for block in canvas.block_pages(week)[0]:
        name = week.stage.set_index("block_id").at[block, "block_name"]
        assert says.pop(0).startswith(f"{name} ")
    assert markup.count('class="key" alt="Key: sample, fitted') == 1
    # The head is text, so that it can be searched and enlarged, and is not drawn once more.
    assert f"<strong>{figures.draw(week, 'curves').axes[0].get_title()}</strong>" in markup


def test_a_picture_that_has_nothing_to_draw_is_a_sentence():
    week = invented_week(6)
    empty = replace(week, order=week.order.iloc[:0])
    assert front.picture(empty, "calendar") == '<p class="finding"><strong>No picking is planned</strong></p>'


def test_a_word_of_eighty_letters_can_break_and_addresses_stay_whole():
    body = f"<p>{'W' * 80} &amp; {'short ' * 9}</p>{FIGURE.replace('AA', 'A' * 90)}"
    broken = page._breakable(body)
    assert broken.replace("<wbr>", "") == body
    assert broken.count("<wbr>") == 4
    assert "A" * 90 in broken


def test_a_section_in_which_nothing_is_shown_is_left_out():
    parts = ["<p>first</p>", "<h2>Empty</h2>\n", "", "<h2>Full</h2>\n", "<p>here</p>", " ", "<h2>Last</h2>\n"]
    assert page._with_content(parts) == ["<p>first</p>", "<h2>Full</h2>\n", "<p>here</p>"]
    assert page._with_content(["<h2>A</h2>\n<p>said</p>"]) == ["<h2>A</h2>\n<p>said</p>"]


def test_limits_by_day_name_what_binds():
    week = invented_week(6)
    table = front.limits_table(week, days=3)
    assert len(table.rows) == week.capacity["day"].drop_duplicates().head(3).size
    first = week.capacity[week.capacity["day"] == week.capacity["day"].min()]
    binding = list(first.loc[first["binding"].astype(bool), "resource"])
    assert table.rows[0][1] == (", ".join(binding) or "nothing")


# --- a published week -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def week():
    return invented_week(10, hostile=True)


@pytest.fixture(scope="module")
def published(week, tmp_path_factory):
    return weekly.publish_week(week, tmp_path_factory.mktemp("out"), jobs=2)


def path_of(published, kind, ending="html"):
    if kind == "index":
        return published.index
    reports = published.reports[published.reports["notebook"] == kind]
    return published.folder / reports.iloc[0][ending]


@pytest.mark.notebooks
def test_everything_is_there_and_the_manifest_knows_it(published, week):
    assert published.exit_code == 0
    assert list(published.reports["key"][:5]) == KINDS[1:-1]
    assert set(published.reports["grower_id"]) - {""} == set(week.growers["grower_id"])
    manifest = json.loads((published.folder / "manifest.json").read_text(encoding="utf-8"))
    for name, digest in manifest["outputs"].items():
        assert hashlib.sha256((published.folder / name).read_bytes()).hexdigest() == digest, name
    listed = set(manifest["outputs"]) | {"manifest.json"}
    there = {path.relative_to(published.folder).as_posix() for path in published.folder.rglob("*") if path.is_file()}
    assert there == listed
    assert {row["file"] for row in manifest["inputs"]} == set(week.sources["file"])
    front_page = published.folder.parent / "index.html"
    assert f'href="{published.folder.name}/index.html"' in front_page.read_text(encoding="utf-8")


@pytest.mark.notebooks
def test_each_reader_finds_the_answer_on_the_index(published, week):
    text = html.unescape(published.index.read_text(encoding="utf-8"))
    assert tables.headline(week).split(". ")[0] in text
    for question in ("Which block next?", "Are the curves right?", "What goes out?"):
        assert question in text
    assert "of 10 blocks" in text
    for name in week.growers["grower"]:
        assert html.escape(name) in published.index.read_text(encoding="utf-8")


@pytest.mark.notebooks
def test_hostile_names_stay_inside_and_are_shown_as_text(published, week):
    for path in published.folder.rglob("*"):
        assert path.resolve().is_relative_to(published.folder.resolve())
        assert len(path.name) <= 80
    grower = week.growers.set_index("grower")["grower_id"]["<b>O'Hara & Sons</b>"]
    text = (published.folder / "growers" / grower / "grower_report.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;O&#x27;Hara &amp; Sons&lt;/b&gt;" in text
    assert "<b>O" not in text
    order = (published.folder / "manager/pick_order.html").read_text(encoding="utf-8")
    assert "<script" not in order
    assert html.escape(HOSTILE[1]) in order


@pytest.mark.notebooks
def test_no_growers_page_holds_another_growers_names(published, week):
    for row in week.growers.itertuples():
        mine = week.stage[week.stage["grower_id"] == row.grower_id]
        others = week.stage[week.stage["grower_id"] != row.grower_id]
        own = {*mine["block_name"], *mine["ranch"], *mine["block_id"]}
        foreign = {*others["grower"], *others["grower_id"], *others["block_name"], *others["ranch"]} - own
        for ending in (".html", ".ipynb"):
            text = (published.folder / "growers" / row.grower_id / f"grower_report{ending}").read_text(encoding="utf-8")
            plain = html.unescape(text.replace("<wbr>", ""))
            assert not [word for word in foreign if word in plain], (row.grower_id, ending)
            ids = [word for word in set(others["block_id"]) - own if f">{word}<" in text or f" {word} " in text]
            assert not ids


@pytest.mark.notebooks
@pytest.mark.parametrize("kind", KINDS[1:])
def test_each_notebook_runs_and_shows(published, kind):
    book = json.loads(path_of(published, kind, "ipynb").read_text(encoding="utf-8"))
    found = [output for cell in book["cells"] if cell["cell_type"] == "code" for output in cell["outputs"]]
    assert {output["output_type"] for output in found} == {"display_data"}
    text = path_of(published, kind).read_text(encoding="utf-8")
    assert text.count("<h1>") == 1
    assert "import olivetime" not in text
    assert "from olivetime" not in text
    pictures = sum("".join(output["data"]["text/html"]).count("<img ") for output in found)
    assert text.count("<img ") == pictures
    assert pictures >= 2
    assert 'alt=""' not in text


@pytest.mark.notebooks
def test_pages_and_data_are_the_same_bytes_again(published, week, tmp_path):
    again = weekly.publish_week(week, tmp_path, jobs=1)
    kinds = {".html", ".csv", ".parquet", ".ipynb", ".pdf"}
    one, other = (
        {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.suffix in kinds}
        for folder in (published.folder, again.folder)
    )
    assert set(one) == set(other)
    assert [name for name in one if one[name] != other[name]] == []
    assert len(one) > 40


@pytest.mark.notebooks
def test_pages_of_ten_blocks_are_small_enough_for_a_truck(published):
    """250 kB for ten blocks is the goal of this project's design."""
    for kind in KINDS:
        assert path_of(published, kind).stat().st_size < 250_000, kind


@pytest.mark.notebooks
@pytest.mark.pdf
@pytest.mark.parametrize("kind", KINDS[1:])
def test_pdf_is_tagged_named_and_says_what_pictures_show(published, kind):
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(path_of(published, kind, "pdf"))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-US"
    assert "pdfuaid:part" in reader.xmp_metadata.stream.get_data().decode()
    assert reader.metadata.title
    assert [round(float(v)) for v in reader.pages[0].mediabox[2:]] == [612, 792]  # US Letter in points
    html_pictures = path_of(published, kind).read_text(encoding="utf-8").count("<img ")
    assert len(alternatives(root["/StructTreeRoot"])) == html_pictures
    last = " ".join(reader.pages[-1].extract_text().split())
    assert "olivetime 0.1.0" in last


# Operators that paint (ISO 32000-1, table 51).
PAINTS = {b"Tj", b"TJ", b"'", b'"', b"Do", b"sh", b"INLINE IMAGE"} | {
    b"f", b"F", b"f*", b"S", b"s", b"B", b"B*", b"b", b"b*",
}  # fmt: skip


def universal_faults(data):
    """What PDF/UA-1 (ISO 14289-1) forbids and pypdf can see: the checkpoints of the Matterhorn protocol named here."""
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(data)
    root, faults, headings = reader.trailer["/Root"], [], []
    if not root["/MarkInfo"]["/Marked"] or root["/MarkInfo"].get("/Suspects"):
        faults.append("not tagged throughout (06, 02)")
    if not root.get("/ViewerPreferences", {}).get("/DisplayDocTitle"):
        faults.append("its title is not shown (07)")
    about = root["/Metadata"].get_object().get_data().decode()
    faults += [f"no {name} (06)" for name in ("pdfuaid:part", "dc:title") if name not in about]
    faults += [] if root.get("/Lang") else ["no language (11)"]

    def look(node, above=""):
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for kid in node:
                look(kid, above)
        elif isinstance(node, dict) and "/S" in node:
            kind = node["/S"]
            if kind == "/Figure" and not str(node.get("/Alt", "")).strip():
                faults.append("a picture without words (13)")
            if kind == "/TH" and "/ID" not in node:
                faults.append("a table heading without a name (15)")
            if kind == "/TD" and not node["/A"].get_object().get("/Headers"):
                faults.append("a table cell without its headings (15)")
            wanted = {"/TR": {"/Table", "/THead", "/TBody"}, "/TD": {"/TR"}, "/TH": {"/TR"}, "/LI": {"/L"}}.get(kind)
            if wanted and above not in wanted:
                faults.append(f"{kind} inside {above} (09)")
            if re.fullmatch(r"/H\d", kind):
                headings.append(int(kind[2:]))
            look(node.get("/K", []), kind)

    look(root["/StructTreeRoot"]["/K"])
    if headings[:1] != [1] or any(b > a + 1 for a, b in pairwise(headings)):
        faults.append(f"headings go {headings} (14)")
    for number, leaf in enumerate(reader.pages, start=1):
        marks = 0
        for _, operator in pypdf.generic.ContentStream(leaf.get_contents(), reader).operations:
            marks += {b"BDC": 1, b"BMC": 1, b"EMC": -1}.get(operator, 0)
            if operator in PAINTS and marks == 0:
                faults.append(f"sheet {number}: something untagged (01)")
        for font in leaf["/Resources"]["/Font"].values():
            font = font.get_object()
            own = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            if "/ToUnicode" not in font or not any("/FontFile" in key for key in own["/FontDescriptor"].get_object()):
                faults.append(f"sheet {number}: a font that is not inside or has no letters (10, 31)")
    return sorted(set(faults))


@pytest.mark.notebooks
@pytest.mark.pdf
@pytest.mark.parametrize("kind", KINDS[1:])
def test_pdf_breaks_no_rule_for_readers_that_speak(published, kind):
    assert universal_faults(path_of(published, kind, "pdf")) == []


@pytest.mark.pdf
def test_a_pdf_that_breaks_these_rules_is_found_out():
    weasyprint = pytest.importorskip("weasyprint")
    made = weasyprint.HTML(string="<h2>a</h2><h4>b</h4><table><tr><td>c</td></tr></table>").write_pdf(
        pdf_variant="pdf/ua-1"
    )
    faults = universal_faults(io.BytesIO(made))
    assert "headings go [2, 4] (14)" in faults
    assert "no language (11)" in faults
    assert "a table cell without its headings (15)" in faults


def alternatives(node, found=None):
    """Alternative texts in a PDF's structure tree."""
    found = [] if found is None else found
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, dict):
        if node.get("/Alt"):
            found.append(str(node["/Alt"]))
        kids = node.get("/K", [])
        for kid in kids if isinstance(kids, list) else [kids]:
            alternatives(kid, found)
    return found


def filled_shares(data):
    """Share of each sheet's height that words and pictures reach down to, read back from the PDF by pypdf."""
    pypdf = pytest.importorskip("pypdf")
    shares = []
    for leaf in pypdf.PdfReader(data).pages:
        height = float(leaf.mediabox[3])
        top, bottom = 12 * 72 / 25.4, 14 * 72 / 25.4  # the style sheet's margins; the page number stands below
        ends = [height]

        def words(text, cm, tm, _font, _size, ends=ends, bottom=bottom):
            y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
            if text.strip() and y > bottom - 2:
                ends.append(y)

        def pictures(operator, _operands, cm, _tm, ends=ends):
            if operator == b"Do":
                ends.append(min(cm[5], cm[5] + cm[3]))

        leaf.extract_text(visitor_text=words, visitor_operand_before=pictures)
        shares.append((height - top - max(min(ends), bottom)) / (height - top - bottom))
    return shares


@pytest.mark.notebooks
@pytest.mark.pdf
@pytest.mark.parametrize("kind", KINDS[1:])
def test_no_sheet_of_the_pdf_is_left_half_empty(published, kind):
    """Words or pictures reach down two thirds of every sheet but the last, and a quarter of that."""
    shares = filled_shares(path_of(published, kind, "pdf"))
    assert min(shares[:-1], default=1.0) > 0.66, (kind, shares)
    assert shares[-1] > 0.25, (kind, shares)


@pytest.mark.notebooks
@pytest.mark.pdf
@pytest.mark.parametrize("kind", ["mill_week", "grower_report"])
def test_no_sheet_of_iso_paper_is_left_half_empty(published, kind, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    text = path_of(published, kind).read_text(encoding="utf-8").replace("size: letter", "size: A4")
    shares = filled_shares(io.BytesIO(page.pdf_bytes(text)))
    assert min(shares[:-1], default=1.0) > 0.66, (kind, shares)


@pytest.mark.notebooks
@pytest.mark.pdf
def test_a_report_of_ten_blocks_has_at_most_four_sheets_and_prints_the_same_bytes_twice(published, monkeypatch):
    """Four sheets: the goal of this project's design."""
    pypdf = pytest.importorskip("pypdf")
    assert len(pypdf.PdfReader(path_of(published, "grower_report", "pdf")).pages) <= 4
    made = path_of(published, "what_if", "pdf").read_bytes()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(datetime(2026, 10, 19, tzinfo=UTC).timestamp())))
    assert page.pdf_bytes(path_of(published, "what_if").read_text(encoding="utf-8")) == made


@pytest.mark.pdf
def test_a_picture_that_would_leave_a_sheet_half_empty_lets_smaller_ones_pass():
    """A table of 55 % of a sheet, a broad picture of half a sheet, two small ones: on two sheets, or with a hole."""
    lines = "".join("<p>line</p>" for _ in range(24))
    small = '<figure><svg role="img" aria-label="a" width="300" height="240"></svg></figure>'
    big = '<figure class="broad"><svg role="img" aria-label="a" width="600" height="520"></svg></figure>'
    text = wrapped(f'{lines}{big}<div class="figures">{small}{small}</div>')
    layouts = list(page._layouts(text))
    assert layouts[0] == text
    assert any(one.index('class="figures"') < one.index('class="broad"') for one in layouts)
    assert all(one.count("<figure") == 3 for one in layouts)
    assert page._emptiness([1.0, 0.9, 0.5]) == 0
    assert page._emptiness([0.5, 0.9]) > page._emptiness([0.9, 0.1]) > 0


@pytest.mark.pdf
@pytest.mark.parametrize("locale", ["en_US", "es_AR", "pt_PT", "it_IT"])
def test_no_column_of_a_table_runs_off_the_paper(locale, monkeypatch):
    """Every piece of text lies inside the margins: WeasyPrint lets a table that is too wide run over the edge."""
    pypdf = pytest.importorskip("pypdf")
    week = invented_week()
    week = replace(week, info={**week.info, "locale": locale})
    shown = "".join(f'<div class="table">{sheet.html_table(show(week))}</div>' for show in sheet.DISPLAY.values())
    text = page.wrap(page._wide_tables(shown), title="Tables", banner="", locale=locale, provenance="")
    monkeypatch.setattr(page, "_layouts", lambda text: iter([text]))  # no other has wider words or columns
    begins = []

    def note(piece, scale, at, _font, size):
        if piece.strip():
            begins.append((scale[4] + scale[0] * (at[4] + 0.4 * size * len(piece.strip())), piece))

    for leaf in pypdf.PdfReader(io.BytesIO(page.pdf_bytes(text))).pages:
        begins.clear()
        leaf.extract_text(visitor_text=note)
        assert max(begins)[0] < float(leaf.mediabox.width) - 30, max(begins)


# --- in a browser ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        reason = "Chromium is not installed: pages were not tried in a browser"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield found
        found.close()


def opened(browser, path, width, **options):
    context = browser.new_context(
        viewport={"width": width, "height": 844 if width < 600 else 900}, is_mobile=width < 600, offline=True, **options
    )
    sheet = context.new_page()
    noise, asked = [], []
    sheet.on("console", lambda message: noise.append(message.text))
    sheet.on("pageerror", lambda problem: noise.append(str(problem)))
    sheet.on("request", lambda request: asked.append(request.url))
    sheet.goto(path.resolve().as_uri())
    return sheet, noise, [url for url in asked if not url.startswith(("file:", "data:"))]


@pytest.mark.notebooks
@pytest.mark.browser
@pytest.mark.parametrize("widths", [(320, 390), (1280,)], ids=["phones", "desk"])
@pytest.mark.parametrize("kind", KINDS)
def test_no_sideways_scroll_no_request_no_error_and_axe_finds_nothing(published, browser, kind, widths):
    if not AXE.is_file():
        reason = "axe-core is not installed: pages were not checked for accessibility; it comes with the extra dev"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    sheet, noise, asked = opened(browser, path_of(published, kind), widths[0])
    for width in widths:
        sheet.set_viewport_size({"width": width, "height": sheet.viewport_size["height"]})
        assert sheet.evaluate("document.documentElement.scrollWidth") <= width
        small = sheet.evaluate(
            "[...document.querySelectorAll('body *')].filter(e => [...e.childNodes].some(n => n.nodeType === 3 &&"
            " n.textContent.trim()) && parseFloat(getComputedStyle(e).fontSize) < 12)"
            ".map(e => e.outerHTML.slice(0, 80))"
        )
        assert small == []
    assert noise == []
    assert asked == []
    sheet.evaluate(AXE.read_text(encoding="utf-8"))
    for width in reversed(widths):
        sheet.set_viewport_size({"width": width, "height": sheet.viewport_size["height"]})
        found = sheet.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
        )
        said = [(row["id"], row["nodes"][0]["html"][:120]) for row in found["violations"] + found["incomplete"]]
        assert said == [], width
    sheet.context.close()


@pytest.mark.notebooks
@pytest.mark.browser
def test_answer_and_first_three_blocks_on_the_first_phone_screen(published, browser):
    week = tables.load_week(published.folder / "data")
    for kind in ("index", "pick_order"):
        sheet, _, _ = opened(browser, path_of(published, kind), 390)
        boxes = [sheet.locator(".answer").first.bounding_box()]
        rows = sheet.locator(".soon li" if kind == "index" else "table.order tbody tr")
        boxes += [rows.nth(i).bounding_box() for i in range(min(3, len(tables.planned(week))))]
        for box in boxes:
            assert box["y"] + box["height"] <= 844, kind
        sheet.context.close()


@pytest.mark.notebooks
@pytest.mark.browser
def test_links_of_the_index_lead_to_files(published, browser):
    sheet, _, _ = opened(browser, published.index, 1280)
    links = sheet.eval_on_selector_all("a[href]", "links => links.map(a => a.getAttribute('href'))")
    inside = [link for link in links if not link.startswith("#")]
    assert len(inside) >= 10
    assert all((published.folder / link).is_file() for link in inside)
    sheet.context.close()
