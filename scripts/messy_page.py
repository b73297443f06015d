"""Make docs/pictures/messy-marked.png: the marked copy of sample_data/messy.xlsx as a spreadsheet program shows it.

    python scripts/messy_page.py

LibreOffice draws the sheet and pdftoppm turns its page into a picture; without them the picture stays as it is.
Nothing is drawn by hand: cells, fills and comments are those of the workbook that `check` marked. For the picture a
copy of it gets wider columns, and some comments are opened and moved below the table, as a person would with the mouse.
"""

import io
import re
import shutil
import subprocess
import tempfile
import zipfile
from pathlib import Path

import openpyxl
from PIL import Image, ImageChops

from olivetime.records.export import mark_workbook
from olivetime.records.season import check

ROOT = Path(__file__).parents[1]
PICTURE = ROOT / "docs" / "pictures" / "messy-marked.png"
WIDTHS = dict(zip("ABCDEFG", (14, 13, 15, 15, 15, 15, 46), strict=True))
# Comments opened for the picture: cell, and where its box stands (column, row, columns wide, rows high).
OPENED = {"D4": (0, 12, 2, 7), "B5": (2, 12, 2, 3), "D5": (2, 16, 2, 4), "C9": (4, 12, 2, 5), "E10": (6, 12, 1, 3)}
DPI = 110


def messy_season(folder: Path) -> Path:
    """Put the invented northern season into `folder`, its samples replaced by the messy workbook."""
    sample = ROOT / "sample_data"
    shutil.copytree(sample / "northern", folder, ignore=shutil.ignore_patterns("truth", "samples.csv"))
    shutil.copy(sample / "messy.xlsx", folder / "records.xlsx")
    return folder


def can_draw() -> bool:
    """Whether the programs that draw the picture are here."""
    return all(map(shutil.which, ("soffice", "pdftoppm")))


def opened(marked: Path) -> bytes:
    """The marked workbook's sheet of samples alone, with columns wide enough and some comments open."""
    book = openpyxl.load_workbook(marked)
    for name in book.sheetnames:
        if name != "samples":
            del book[name]
    sheet = book["samples"]
    for letter, width in WIDTHS.items():
        sheet.column_dimensions[letter].width = width
    sheet.print_options.gridLines = sheet.print_options.headings = True
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 8
    sheet.page_setup.cellComments = "asDisplayed"
    raw, out = io.BytesIO(), io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            if name.endswith(".vml"):
                data = re.sub(r"<(\w+:)?shape .*?</\1shape>", _open, data.decode(), flags=re.S).encode()
            target.writestr(name, data)
    return out.getvalue()


def _open(shape: re.Match[str]) -> str:
    """Open a comment's box and set its place, when it is one of `OPENED`."""
    text = shape[0]
    found = re.search(r"<(\w+:)Row>(\d+)</\1Row><\1Column>(\d+)</\1Column>", text)
    assert found is not None  # every comment has its cell
    cell = f"{'ABCDEFG'[int(found[3])]}{int(found[2]) + 1}"
    if cell not in OPENED:
        return text
    column, row, wide, high = OPENED[cell]
    space = found[1]
    place = f"{column}, 10, {row}, 4, {column + wide}, -10, {row + high}, 0"
    text = text.replace("visibility:hidden", "visibility:visible")
    return text.replace(found[0], f"<{space}Anchor>{place}</{space}Anchor>{found[0]}<{space}Visible/>")


def draw(marked: Path, picture: Path) -> None:
    """Let LibreOffice draw the marked copy, and cut the paper's empty edges off."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "shown.xlsx").write_bytes(opened(marked))
        profile = f"-env:UserInstallation=file://{folder / 'profile'}"
        convert = ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", name]
        subprocess.run([*convert, str(folder / "shown.xlsx")], check=True, timeout=300, capture_output=True)
        page = ["pdftoppm", "-r", str(DPI), "-png", "-singlefile", str(folder / "shown.pdf"), str(folder / "page")]
        subprocess.run(page, check=True, timeout=300)
        with Image.open(folder / "page.png") as image:
            paper = image.convert("RGB")
    inked = ImageChops.difference(paper, Image.new("RGB", paper.size, "white")).getbbox()
    assert inked is not None  # something was drawn
    picture.parent.mkdir(parents=True, exist_ok=True)
    paper.crop((inked[0] - 8, inked[1] - 8, inked[2] + 8, inked[3] + 8)).save(picture, optimize=True)


def main() -> None:
    """Check the messy season, mark its workbook and let it be drawn."""
    if not can_draw():
        print(f"LibreOffice or pdftoppm is not here; {PICTURE.relative_to(ROOT)} stays as it is.")
        return
    with tempfile.TemporaryDirectory() as name:
        season = messy_season(Path(name) / "season")
        marked = mark_workbook(season, Path(name), findings=check(season))
        assert marked is not None  # the season has a workbook
        draw(marked, PICTURE)


if __name__ == "__main__":
    main()
