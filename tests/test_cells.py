from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from olivetime.records.cells import (
    Cells,
    clean_text,
    clean_texts,
    closest,
    date_proof,
    decimal_proof,
    distinct,
    has_short_year,
    is_error_cell,
    is_no_result,
    is_total_row,
    name_key,
    needs_date_order,
    read_date,
    read_number,
    read_truth,
    serial_date,
)


@pytest.mark.parametrize(
    ("text", "decimal", "number"),
    [
        ("18.9", ".", 18.9),
        ("-3", ".", -3.0),
        ("+3", ",", 3.0),
        (".5", ".", 0.5),
        ("5.", ".", 5.0),
        ("57,9", ",", 57.9),
        ("1,250.5", ".", 1250.5),
        ("1.250,5", ",", 1250.5),
        ("1,250", ".", 1250.0),
        ("1,250", ",", 1.25),
        ("1 250", ".", 1250.0),
        ("1'250.5", ".", 1250.5),
        ("1e3", ".", 1000.0),
        ("57,9", ".", None),
        ("18.9", ",", None),
        ("1_000", ".", None),  # float() would take these four
        ("nan", ".", None),
        ("infinity", ".", None),
        ("\u0661\u0669", ".", None),
        ("1e999", ".", None),
        ("0x1F", ".", None),
        ("12 ha", ".", None),
        ("--3", ".", None),
        ("1.2.3", ".", None),
        ("1,25,0", ".", None),
        ("", ".", None),
    ],
)
def test_read_number(text, decimal, number):
    assert read_number(text, decimal) == number


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("57,9", ","),
        ("57.9", "."),
        ("1.250,5", ","),
        ("1,250.5", "."),
        ("1,250,000", "."),
        ("1.250.000", ","),
        ("1.250", ""),
        ("1,250", ""),
        ("0.123", "."),
        ("0,250", ","),
        ("58,5 %", ","),
        ("58", ""),
        ("abc", ""),
    ],
)
def test_decimal_proof(text, mark):
    assert decimal_proof(text) == mark


@pytest.mark.parametrize(
    ("text", "order", "day"),
    [
        ("2026-10-05", None, date(2026, 10, 5)),
        ("2026/1/5", None, date(2026, 1, 5)),
        ("2026-10-05T06:30", None, date(2026, 10, 5)),
        ("2026-10-05 00:00:00", None, date(2026, 10, 5)),
        ("05/10/2026", "dmy", date(2026, 10, 5)),
        ("05/10/2026", "mdy", date(2026, 5, 10)),
        ("05/10/2026", None, None),
        ("5.10.2026", "dmy", date(2026, 10, 5)),
        ("10/13/2026", "dmy", None),
        ("05/05/2026", None, date(2026, 5, 5)),
        ("5 Oct 2026", None, date(2026, 10, 5)),
        ("Oct 5, 2026", None, date(2026, 10, 5)),
        ("5-Sept-2026", None, date(2026, 9, 5)),
        ("October 5th, 2026", None, date(2026, 10, 5)),
        ("31/02/2026", "dmy", None),
        ("2026-02-30", None, None),
        ("05/10/26", "dmy", date(2026, 10, 5)),
        ("26/10/05", "ymd", date(2026, 10, 5)),
        ("05/10/26", None, None),
        ("20261005", None, date(2026, 10, 5)),
        ("20261305", None, None),
        ("5 de octubre de 2026", None, date(2026, 10, 5)),
        ("1 março 2026", None, date(2026, 3, 1)),
        ("28 set. 2026", None, date(2026, 9, 28)),
        ("3 Gennaio 2027", None, date(2027, 1, 3)),
        ("0026-10-05", None, None),
        ("yesterday", None, None),
        ("5 Okt 2026", None, None),
    ],
)
def test_read_date(text, order, day):
    assert read_date(text, order) == day


@pytest.mark.parametrize(
    ("text", "proof"), [("13/10/2026", "dmy"), ("10/13/2026", "mdy"), ("05/10/2026", ""), ("40/40/2026", "")]
)
def test_date_proof(text, proof):
    assert date_proof(text) == proof


def test_dates_that_need_an_order():
    assert needs_date_order("05/10/2026")
    assert not needs_date_order("05/5/2026")
    assert not needs_date_order("2026-10-05")
    assert has_short_year("05/10/26")
    assert not has_short_year("05/10/2026")


@pytest.mark.parametrize(
    # Spreadsheets count days from 1899-12-30 (common practice, no source); 46301 by hand.
    ("text", "day"),
    [("46301", date(2026, 10, 6)), ("46301.25", date(2026, 10, 6)), ("1", None), ("99999", None), ("x", None)],
)
def test_serial_date(text, day):
    assert serial_date(text) == day


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("N1", "n-1", True),
        ("N1 ", "N 01", True),
        ("N1", "N\u20111", True),  # a dash that doesn't break
        ("N1", "N\u00ad1", True),  # a soft hyphen
        ("N_1", "N.1", True),
        ("Río", "RIO", True),
        ("Nord Straße", "nord strasse", True),
        ("\uff2e\uff11", "N1", True),  # wide letters and digits
        ("Block 10", "Block 1", False),
        ("A 1 2", "A 12", False),
        ("N1", "N1a", False),
        ("North 2", "N2", False),
        ("007", "7", True),
    ],
)
def test_name_key(one, other, same):
    assert (name_key(one) == name_key(other)) is same


def test_closest_name():
    assert closest("Noth 2", ["North 2", "South 2"]) == "North 2"
    assert closest("Quarry", ["North 2", "South 2"]) is None
    assert closest("x" * 10_000, ["North 2"]) is None


@pytest.mark.parametrize("text", ["", "n.d.", "ND", "<LOD", "-", "N/A"])
def test_no_result(text):
    assert is_no_result(text)


def test_error_cells_and_total_rows():
    assert is_error_cell("#DIV/0!")
    assert not is_error_cell("#7")
    assert is_total_row("Total:")
    assert is_total_row("MEDIA")
    assert not is_total_row("North 2")


def test_truths():
    assert [read_truth(t) for t in ("Yes", "no", "1", "0", "X", "maybe")] == [True, False, True, False, True, None]


def test_clean_text():
    assert clean_text("\ufeff 57,9\u00a0") == "57,9"
    assert clean_text("\u22123") == "-3"
    assert clean_texts([" a ", "é "]) == ["a", "é"]


def test_distinct_tells_marks_apart():
    found = distinct(Cells(["0.19", "0.19", "19"], ["%", "n", "n"]))
    assert (found.texts, found.marks) == (["0.19", "0.19", "19"], ["%", "n", "n"])
    assert found.code.tolist() == [0, 1, 2]
    assert found.rows_of([0, 2]).tolist() == [0, 2]


@given(st.text())
def test_no_text_stops_the_cell_functions(text):
    cleaned = clean_text(text)
    for decimal in ".,":
        number = read_number(cleaned, decimal)
        assert number is None or abs(number) < float("inf")
    for order in ("dmy", "mdy", "ymd", None):
        day = read_date(cleaned, order)
        assert day is None or 1900 <= day.year < 2200
    decimal_proof(cleaned)
    date_proof(cleaned)
    serial_date(cleaned)
    read_truth(cleaned)
    assert name_key(name_key(text)) == name_key(text)


@given(st.decimals(min_value=-(10**6), max_value=10**6, places=2))
def test_numbers_survive_both_decimal_marks(number):
    text = f"{number:.2f}"
    assert read_number(text, ".") == float(number)
    assert read_number(text.replace(".", ","), ",") == float(number)


@given(st.dates(min_value=date(1900, 1, 1), max_value=date(2199, 12, 31)))
def test_dates_survive_every_order(day):
    assert read_date(day.isoformat(), None) == day
    assert read_date(f"{day.day:02d}/{day.month:02d}/{day.year}", "dmy") == day
    assert read_date(f"{day.month}/{day.day}/{day.year}", "mdy") == day
    assert read_date(f"{day.day} {day:%B} {day.year}", None) == day
