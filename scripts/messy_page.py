"""Draw docs/pictures/messy-marked.png: the marked copy of sample_data/messy.xlsx, cell by cell with its comments.

    python scripts/messy_page.py

Nothing is made up for the picture: texts, fills and comments are read from the workbook that `check` wrote.
"""

import shutil
import tempfile
import textwrap
from pathlib import Path

import matplotlib

matplotlib.use("Agg")

import openpyxl
from matplotlib import pyplot as plt
from matplotlib.patches import Rectangle

from olivetime.records.season import check, mark_workbook

ROOT = Path(__file__).parents[1]
PICTURE = ROOT / "docs" / "pictures" / "messy-marked.png"
INK, GRID, PAPER = "#2b2b26", "#c9c9c0", "#ffffff"


def messy_season(folder: Path) -> Path:
    """Put the invented northern season into `folder`, its samples replaced by the messy workbook."""
    sample = ROOT / "sample_data"
    shutil.copytree(sample / "northern", folder, ignore=shutil.ignore_patterns("truth", "samples.csv"))
    shutil.copy(sample / "messy.xlsx", folder / "records.xlsx")
    return folder


def draw(book: Path, picture: Path) -> None:
    """Draw the sheet of samples, then its comments under numbers."""
    sheet = openpyxl.load_workbook(book)["samples"]
    widths = [0.55, 1.05, 1.05, 1.75, 1.45, 1.45, 1.45, 2.75]
    edges = [sum(widths[:i]) for i in range(len(widths) + 1)]
    rows = list(range(1, sheet.max_row + 1))
    said: list[str] = []
    figure, ax = plt.subplots(figsize=(11.5, 8.6), layout="constrained")
    for line, row in enumerate(rows, start=1):
        texts = [str(row)]
        for column in range(1, 8):
            cell = sheet.cell(row, column)
            value = cell.value
            text = "" if value is None else value.date().isoformat() if hasattr(value, "date") else str(value)
            if cell.value is not None and "%" in (cell.number_format or ""):
                text = f"{100 * cell.value:.1f}%"
            if cell.comment is not None:
                said.append(f"{cell.coordinate}   {cell.comment.text}")
            fill = f"#{cell.fill.fgColor.rgb[-6:]}" if cell.fill.fill_type == "solid" else PAPER
            ax.add_patch(Rectangle((edges[column], -line), widths[column], 1, facecolor=fill, edgecolor=GRID, lw=0.8))
            if cell.comment is not None:
                corner = edges[column + 1] if column < 7 else edges[-1]
                ax.fill([corner - 0.14, corner, corner], [1 - line, 1 - line, 0.7 - line], color=INK)
            texts.append(text)
        ax.add_patch(Rectangle((0, -line), widths[0], 1, facecolor="#efefe9", edgecolor=GRID, lw=0.8))
        for column, text in enumerate(texts):
            room = 40 if row <= 2 else 34
            ax.text(
                edges[column] + 0.07,
                0.5 - line,
                text[: room if column == 7 else 60],
                va="center",
                fontsize=9,
                color=INK,
            )
    for column, letter in enumerate("ABCDEFG", start=1):
        ax.add_patch(Rectangle((edges[column], 0), widths[column], 0.8, facecolor="#efefe9", edgecolor=GRID, lw=0.8))
        ax.text(edges[column] + widths[column] / 2, 0.4, letter, ha="center", va="center", fontsize=9, color=INK)
    height = -len(rows) - 0.7
    for text in said:
        lines = textwrap.wrap(text.replace("records.xlsx, sheet samples, ", ""), 160)
        for i, part in enumerate(lines):
            ax.text(0.1 if i == 0 else 0.75, height, part, va="center", fontsize=9, color=INK)
            height -= 0.62
        height -= 0.15
    ax.set(xlim=(-0.05, edges[-1] + 0.05), ylim=(height, 1))
    ax.axis("off")
    picture.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(picture, dpi=110, metadata={"Software": None})
    plt.close(figure)


def main() -> None:
    """Check the messy season, mark its workbook and draw it."""
    with tempfile.TemporaryDirectory() as name:
        season = messy_season(Path(name) / "season")
        marked = mark_workbook(season, Path(name), findings=check(season))
        assert marked is not None  # the season has a workbook
        draw(marked, PICTURE)


if __name__ == "__main__":
    main()
