"""The page about the messy workbook says what `check` says, and its remedy works."""

import io
import re
import runpy
import zipfile
from pathlib import Path

import openpyxl
import pytest
from PIL import Image

from olivetime.records.export import mark_workbook
from olivetime.records.season import check

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "messy-workbook.md").read_text(encoding="utf-8")
SCRIPT = runpy.run_path(str(ROOT / "scripts" / "messy_page.py"))


def of_samples(folder):
    found = check(folder)
    return found[found["sheet"] == "samples"]


def test_every_cell_of_the_table_is_marked_with_its_sentence(tmp_path):
    season = SCRIPT["messy_season"](tmp_path / "season")
    sheet = openpyxl.load_workbook(mark_workbook(season, tmp_path, findings=check(season)))["samples"]
    rows = re.findall(r"^\| ([A-G][0-9]+) \| (.*?) \|", PAGE, re.M)
    assert len(rows) == 8
    for place, says in rows:
        assert says in sheet[place].comment.text, place
        assert sheet[place].fill.fill_type == "solid"


def test_the_layout_on_the_page_leaves_what_the_page_says(tmp_path):
    season = SCRIPT["messy_season"](tmp_path / "season")
    before = of_samples(season)
    lines = re.search(r"(    \[layout\.samples\]\n(?:    .*\n)+)", PAGE).group(1)
    settings = (season / "season.toml").read_text(encoding="utf-8")
    (season / "season.toml").write_text(settings + "\n" + re.sub("(?m)^    ", "", lines), encoding="utf-8")
    after = of_samples(season)
    errors = [set(found.loc[found["level"] == "error", "row"]) for found in (before, after)]
    assert errors == [{4, 9, 10}, {6, 10}]
    assert (
        after.loc[after["row"] == 6, "says"]
        .str.contains(r"`57\.9` has a decimal point but this file uses a comma")
        .any()
    )


def test_the_picture_opens_the_comments_of_the_marked_copy_and_changes_no_cell(tmp_path):
    season = SCRIPT["messy_season"](tmp_path / "season")
    marked = mark_workbook(season, tmp_path, findings=check(season))
    data = SCRIPT["opened"](marked)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        boxes = archive.read(next(name for name in archive.namelist() if name.endswith(".vml"))).decode()
    assert boxes.count("visibility:visible") == boxes.count("Visible/>") == len(SCRIPT["OPENED"])
    one, other = (openpyxl.load_workbook(x)["samples"] for x in (marked, io.BytesIO(data)))
    for row in one.iter_rows():
        for cell in row:
            same = other[cell.coordinate]
            assert (same.value, same.fill.fgColor.rgb) == (cell.value, cell.fill.fgColor.rgb)
            assert (same.comment and same.comment.text) == (cell.comment and cell.comment.text)


@pytest.mark.skipif(not SCRIPT["can_draw"](), reason="LibreOffice or pdftoppm is not here")
def test_the_picture_can_be_drawn(tmp_path):
    season = SCRIPT["messy_season"](tmp_path / "season")
    SCRIPT["draw"](mark_workbook(season, tmp_path, findings=check(season)), tmp_path / "picture.png")
    with Image.open(tmp_path / "picture.png") as image:
        colours = {colour for _, colour in image.convert("RGB").getcolors(1 << 20)}
    assert {(0xF4, 0xB6, 0xA8), (0xDC, 0xE6, 0xF1), (0xFF, 0xFF, 0xE1)} <= colours
