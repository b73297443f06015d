"""No output of a grower, of whatever kind, holds a name or a number of another grower or of the whole plan."""

import email
import email.policy
import html
import io
import json
import re
import zipfile
from dataclasses import replace

import openpyxl
import pytest
from invented_week import invented_week

from olivetime.fanout import run_many
from olivetime.report import page, sheet, tables
from olivetime.report.render import notebooks_folder, render_report

WHOLE_PLAN = 9_871_234_567.0  # worth of the whole plan: what all growers together get is nobody's own
LONG_NUMBER = re.compile(r"(?<![\d.,])\d[\d.,]{4,}\d")


def marked_week():
    """Three growers whose numbers differ so much that none can be another's by chance."""
    week = invented_week(12, hostile=True)
    place = {grower: k + 1 for k, grower in enumerate(sorted(set(week.stage["grower_id"])))}
    mine = week.stage.set_index("block_id")["grower_id"].map(place)

    def marked(table, columns, base):
        rows = getattr(week, table).copy()
        for step, column in enumerate(columns):
            times = rows["block_id"].map(mine).astype(float)
            rows[column] = rows[column].astype(float) * 0 + base + 1_111_111.0 * times + 11.0 * step
        return rows

    parts = {
        "stage": marked("stage", ["crop_t", "area_ha"], 20_000_000),
        "order": marked("order", ["value", "value_p10", "value_p90", "waiting_7d", "crop_t"], 40_000_000),
        "value_by_day": marked("value_by_day", ["value_p10", "value_mean", "value_p90"], 60_000_000),
        "next_samples": marked("next_samples", ["gain"], 80_000_000),
    }
    info = {**week.info, "value": WHOLE_PLAN, "bound": WHOLE_PLAN, "value_p10": WHOLE_PLAN, "value_p90": WHOLE_PLAN}
    return replace(week, info=info, **parts)


def texts_of_archive(data):
    """Names and texts of all that lies in a ZIP, a workbook's own parts included."""
    found = []
    with zipfile.ZipFile(io.BytesIO(data)) as folder:
        for name in folder.namelist():
            inside = folder.read(name)
            found.append(name)
            if name.endswith(".xlsx"):
                found += texts_of_archive(inside)
                book = openpyxl.load_workbook(io.BytesIO(inside))
                found += [str(c.value) for sheet in book for row in sheet for c in row if c.value is not None]
                found += [sheet.title for sheet in book]
            elif name.endswith(".pdf"):
                found += texts_of_pdf(inside)
            elif name.startswith("xl/worksheets/"):
                continue  # its cells are read above; their places (B10) look like names of blocks
            elif name.endswith((".html", ".txt", ".csv", ".xml", ".rels")):
                found.append(html.unescape(inside.decode("utf-8-sig")))
            else:
                raise AssertionError(f"nobody reads {name}: this test must learn to")
    return found


def texts_of_pdf(data):
    """Words, bookmarks, metadata and the alternative texts of a PDF."""
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(data))
    found = [leaf.extract_text() for leaf in reader.pages] + [str(reader.metadata), str(reader.outline)]
    for number in range(len(reader.xref_objStm) + sum(len(part) for part in reader.xref.values()) + 1):
        try:
            thing = reader.get_object(number)
        except Exception:
            continue
        if isinstance(thing, dict):
            found += [str(thing[key]) for key in ("/Alt", "/ActualText", "/E", "/T") if key in thing]
    if reader.xmp_metadata:
        found.append(reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode("utf-8", "replace"))
    return found


def texts_of_message(data):
    """Headers, body and attachments of a message."""
    message = email.message_from_bytes(data, policy=email.policy.default)
    found = [f"{name}: {value}" for name, value in message.items()]
    for part in message.walk():
        found += [f"{name}: {value}" for name, value in part.items()]
        if part.get_content_type() == "application/pdf":
            found += texts_of_pdf(part.get_content())
        elif part.get_content_maintype() == "text":
            found.append(html.unescape(part.get_content()))
    return found


def texts_of_file(path):
    data = path.read_bytes()
    if path.suffix == ".ipynb":
        return [html.unescape(json.dumps(json.loads(data), ensure_ascii=False)), path.name]
    if path.suffix == ".html":
        return [html.unescape(data.decode()), path.name]
    readers = {".pdf": texts_of_pdf, ".eml": texts_of_message, ".zip": texts_of_archive}
    return [*readers[path.suffix](data), path.name]


def numbers_in(texts):
    """Long numbers, without what separates their groups."""
    return {re.sub(r"[.,]", "", found).rstrip("0") for text in texts for found in LONG_NUMBER.findall(text)}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The marked week, and the files that a run makes for each grower."""
    week, folder = marked_week(), tmp_path_factory.mktemp("week")
    tables.save_week(week, folder / "data")
    tasks = {
        grower: {
            "notebook": str(notebooks_folder() / "grower_report.ipynb"), "folder": str(folder),
            "place": f"growers/{grower}/grower_report", "parameters": {"grower": grower}, "engine": "olivetime",
            "pdf": not page.no_pdf_reason(), "as_of": str(week.info["as_of"]), "name": "- test",
            "locale": str(week.info["locale"]), "provenance": sheet.provenance(week),
        }
        for grower in sorted(set(week.stage["grower_id"]))
    }  # fmt: skip
    outcomes = list(run_many(render_report, tasks, jobs=1, time_limit_s=300))
    assert [outcome.error for outcome in outcomes] == ["", "", ""]
    return week, {outcome.key: [folder / name for name in outcome.value["outputs"]] for outcome in outcomes}


@pytest.mark.notebooks
@pytest.mark.parametrize("kind", ["html", "pdf", "ipynb", "eml", "zip"])
def test_nothing_of_another_grower_is_in_any_kind_of_file(made, kind):
    if kind == "pdf" and page.no_pdf_reason():
        pytest.skip(page.no_pdf_reason())
    week, files = made
    said = {
        grower: [text for path in paths if path.suffix == f".{kind}" for text in texts_of_file(path)]
        for grower, paths in files.items()
    }
    assert all(said.values())
    numbers = {grower: numbers_in(texts) for grower, texts in said.items()}
    if kind == "zip":  # the marks are where they are looked for
        assert all({"41111111", "42222222", "43333333"} & own for own in numbers.values())
    for grower, texts in said.items():
        own = week.stage[week.stage["grower_id"] == grower]
        others = week.stage[week.stage["grower_id"] != grower]
        mine = {*own["block_name"], *own["ranch"], *own["block_id"], *own["grower"]}
        columns = ["grower", "grower_id", "block_name", "ranch", "block_id"]
        foreign = set(others[columns].to_numpy().ravel())
        whole = " ".join(" ".join(texts).split())
        for name in foreign - mine:
            assert not re.search(rf"(?<!\w){re.escape(' '.join(name.split()))}(?!\w)", whole), (grower, kind, name)
        marks = [k for k, other in enumerate(sorted(said), start=1) if other != grower]
        for base in (2, 4, 6, 8):
            for k in marks:
                digits = str(base * 10_000_000 + 1_111_111 * k)[:4]
                assert not [n for n in numbers[grower] if n.startswith(digits) and len(n) in (7, 8)], (kind, digits)
        assert not [n for n in numbers[grower] if n.startswith("987")], kind
