"""What is ready to send: the right words and files, nothing of other growers, nothing that runs as a formula."""

import csv
import email
import email.policy
import io
import json
import zipfile
from dataclasses import replace

import openpyxl
import pytest
from invented_week import invented_week

from olivetime.languages import say
from olivetime.report import numbers, send, tables

REPORT = {".html": b"<p>page</p>", ".pdf": b"%PDF-1.7 paper"}


@pytest.fixture(scope="module")
def week():
    return invented_week(12, hostile=True)


def ready(week, grower):
    own = tables.grower_week(week, grower)
    return own, send.ready_to_send(own, REPORT, numbers.number_files(own))


def words_in(files):
    """Every word of a message and of a folder, as a reader would see it."""
    message = email.message_from_bytes(files[".eml"], policy=email.policy.default)
    texts = [str(message["Subject"]), message.get_body(("plain",)).get_content()]
    with zipfile.ZipFile(io.BytesIO(files[".zip"])) as folder:
        for name in folder.namelist():
            if name.endswith(".csv") or name.endswith(".txt"):
                texts.append(folder.read(name).decode("utf-8-sig"))
            elif name.endswith(".xlsx"):
                book = openpyxl.load_workbook(io.BytesIO(folder.read(name)))
                texts += [str(cell.value) for sheet in book for row in sheet for cell in row if cell.value is not None]
    return "\n".join(texts)


def test_a_message_holds_the_answer_and_the_paper_and_no_address(week):
    own, files = ready(week, str(week.growers["grower_id"].iloc[0]))
    message = email.message_from_bytes(files[".eml"], policy=email.policy.default)
    assert message["X-Unsent"] == "1"
    assert not [name for name in ("To", "Cc", "Bcc", "From", "Date") if message[name]]
    first = own.info["headline"].split(". ")[0]
    assert " ".join(first.split()) in message.get_body(("plain",)).get_content()
    (paper,) = message.iter_attachments()
    assert (paper.get_content_type(), paper.get_content()) == ("application/pdf", REPORT[".pdf"])
    assert paper.get_filename() == f"{own.info['as_of']}-{own.info['grower_id']}.pdf"


def test_without_a_paper_the_page_goes_along(week):
    own = tables.grower_week(week, str(week.growers["grower_id"].iloc[0]))
    files = send.ready_to_send(own, {".html": b"<p>page</p>"}, {})
    (page,) = email.message_from_bytes(files[".eml"], policy=email.policy.default).iter_attachments()
    assert page.get_content_type() == "text/html"


def test_nothing_of_other_growers_goes_out(week):
    for row in week.growers.itertuples():
        own, files = ready(week, row.grower_id)
        others = week.stage[week.stage["grower_id"] != row.grower_id]
        mine = {*own.stage["block_name"], *own.stage["ranch"], *own.stage["block_id"]}
        foreign = {*others["grower"], *others["grower_id"], *others["block_name"], *others["ranch"]} - mine
        said = words_in(files)
        assert not [word for word in foreign if word in said], row.grower_id
        lines = said.splitlines()
        assert not [i for i in set(others["block_id"]) - mine if i in lines]


def test_a_name_cannot_add_a_header_a_line_or_a_path(week):
    own = tables.grower_week(week, str(week.growers["grower_id"].iloc[0]))
    own = replace(own, info={**own.info, "grower": "Ann\r\nBcc: all@example.org\n../../x\u2028y"})
    files = send.ready_to_send(own, REPORT, numbers.number_files(own))
    message = email.message_from_bytes(files[".eml"], policy=email.policy.default)
    assert message["Bcc"] is None
    assert str(message["Subject"]).endswith("Ann Bcc: all@example.org ../../x y")
    with zipfile.ZipFile(io.BytesIO(files[".zip"])) as folder:
        assert not [name for name in folder.namelist() if ".." in name or name.startswith("/")]


def test_the_same_week_gives_the_same_bytes(week):
    grower = str(week.growers["grower_id"].iloc[1])
    assert ready(week, grower)[1] == ready(week, grower)[1]


def test_text_never_becomes_a_formula_and_numbers_stay_numbers(week):
    stage, order = week.stage.copy(), week.order.copy()
    block = str(stage["block_id"].iloc[0])
    for table in (stage, order):
        table.loc[table["block_id"] == block, "block_name"] = "=1+1"
    order.loc[order["block_id"] == block, "waiting_7d"] = -250.0
    grower = str(stage["grower_id"].iloc[0])
    own = tables.grower_week(replace(week, stage=stage, order=order), grower)
    files = numbers.number_files(own)
    sheet = openpyxl.load_workbook(io.BytesIO(files["numbers.xlsx"]))["Order"]
    heads = {cell.value: cell.column for cell in sheet[1]}
    (row,) = [row for row in sheet.iter_rows(min_row=2) if row[heads["Block"] - 1].value == "=1+1"]
    assert row[heads["Block"] - 1].data_type == "s"
    assert row[heads["Waiting 7 days [USD]"] - 1].value == -250
    rows = list(csv.DictReader(io.StringIO(files["numbers/order.csv"].decode("utf-8-sig"))))
    (found,) = [row for row in rows if row["Block"] == "'=1+1"]
    assert float(found["Waiting 7 days [USD]"]) == -250.0


def test_every_column_has_a_meaning_and_units_are_those_of_the_page(week):
    own = tables.grower_week(week, str(week.growers["grower_id"].iloc[0]))
    files = numbers.number_files(own)
    meanings = list(csv.DictReader(io.StringIO(files["numbers/columns.csv"].decode("utf-8-sig"))))
    assert all(row["Meaning"] for row in meanings)
    units = {(row["Table"], row["Column"]): row["Unit"] for row in meanings}
    assert units["Blocks", "Area"] == "ac"
    rows = list(csv.DictReader(io.StringIO(files["numbers/blocks.csv"].decode("utf-8-sig"))))
    # 1 ha = 2.471054 ac (international acre, exact 4046.8564224 m2)
    assert float(rows[0]["Area [ac]"]) == pytest.approx(own.stage["area_ha"].iloc[0] * 1e4 / 4046.8564224, abs=0.051)


def test_quantities_in_what_is_assumed_are_said_in_the_units_of_the_page(week):
    parts = [["Heat counts between {low} and {high}; {sum} degree days are one thermal day.",
              {"low": {"temp": 7.5}, "high": {"temp": 35.0}, "sum": {"degree_days": 15.0}}]]  # fmt: skip
    heat = week.assumptions.head(1).assign(says="in metric", says_parts=json.dumps(parts))
    text = numbers.number_files(replace(week, assumptions=heat), "agronomist")["numbers/assumptions.csv"].decode()
    assert "Heat counts between 45.5 °F and 95 °F; 27 degree days are one thermal day." in text


@pytest.mark.parametrize("reader", ["manager", "mill", "agronomist"])
def test_the_other_readers_have_their_tables_too_with_units_and_meanings(week, reader):
    files = numbers.number_files(week, reader)
    book = openpyxl.load_workbook(io.BytesIO(files["numbers.xlsx"]))
    assert len(book.sheetnames) == len(numbers.READERS[reader]) + 1
    assert len(set(book.sheetnames)) == len(book.sheetnames)
    meanings = list(csv.DictReader(io.StringIO(files["numbers/columns.csv"].decode("utf-8-sig"))))
    assert all(row["Meaning"] for row in meanings)
    for name, _, table, fields in numbers.READERS[reader]:
        rows = list(csv.reader(io.StringIO(files[f"numbers/{name}.csv"].decode("utf-8-sig"))))
        assert len(rows[0]) == len(set(rows[0])) == len(fields), (name, rows[0])
        assert len(rows) - 1 == len(getattr(week, table)), name
    assert numbers.number_files(week, reader) == files


def test_the_days_limits_are_said_in_the_pages_unit(week):
    """1 short ton = 2000 lb of 0.45359237 kg, exactly."""
    text = numbers.number_files(week, "mill")["numbers/capacity.csv"].decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    tonnes = week.capacity[week.capacity["unit"] == "t"]["limit"].to_numpy(float)
    tons = [float(row["Limit"]) for row in rows if row["Unit"] == "short tons"]
    assert len(tons) == len(tonnes) > 0
    assert tons == pytest.approx(tonnes / 0.90718474, abs=0.006)


def test_a_reader_that_is_none_is_refused(week):
    with pytest.raises(ValueError, match="found reader 'owner', expected one of grower, manager, mill, agronomist"):
        numbers.number_files(week, "owner")


def test_a_large_workbook_is_written_row_by_row_with_the_same_cells_and_bytes(week, monkeypatch):
    def cells(files):
        book = openpyxl.load_workbook(io.BytesIO(files["numbers.xlsx"]))
        return {sheet.title: [[cell.value for cell in row] for row in sheet.rows] for sheet in book}

    usual = numbers.number_files(week, "manager")
    monkeypatch.setattr(numbers, "ROWS_IN_MEMORY", 10)
    large = numbers.number_files(week, "manager")
    assert large["numbers.xlsx"] != usual["numbers.xlsx"]
    assert cells(large) == cells(usual)
    assert numbers.number_files(week, "manager") == large


@pytest.mark.parametrize("locale", ["en_US", "es_ES", "pt_PT", "it_IT"])
def test_every_sheet_keeps_its_name_in_each_language(locale):
    week = invented_week(2)
    own = replace(week, info={**week.info, "locale": locale})
    for reader, sheets in numbers.READERS.items():
        book = openpyxl.load_workbook(io.BytesIO(numbers.number_files(own, reader)["numbers.xlsx"]))
        titles = [say(title, locale) for _, title, _, _ in sheets]
        assert book.sheetnames[1:] == titles
        assert all(len(title) <= 31 and not set(title) & set("[]:*?/\\") for title in titles)  # what spreadsheets allow


def test_names_with_signs_that_xml_does_not_know_leave_the_workbook_whole(week):
    stage = week.stage.copy()
    stage.loc[0, "block_name"] = " a\x00b\x0b<c>&\"d\" \U0001f347\n2"
    own = tables.grower_week(replace(week, stage=stage), str(stage["grower_id"].iloc[0]))
    book = openpyxl.load_workbook(io.BytesIO(numbers.number_files(own)["numbers.xlsx"]))
    names = [row[0].value for row in book["Blocks"].iter_rows(min_row=2)]
    assert ' ab<c>&"d" \U0001f347\n2' in names
    days = [cell for row in book["Order"].iter_rows(min_row=2) for cell in row if cell.is_date]
    assert {cell.number_format for cell in days} == {"yyyy-mm-dd", "yyyy-mm-dd hh:mm"}
