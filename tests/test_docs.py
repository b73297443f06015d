"""Documentation that is made from the code is as the code says, and links lead somewhere."""

import re
import runpy
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])


def test_pages_made_from_the_tables_are_up_to_date():
    pages = runpy.run_path(str(ROOT / "scripts" / "records_page.py"))["pages"]()
    old = [path.name for path, text in pages.items() if not path.exists() or path.read_text(encoding="utf-8") != text]
    assert old == [], "run `make docs`"


def test_the_reference_says_what_the_docstrings_say():
    made = runpy.run_path(str(ROOT / "scripts" / "reference_page.py"))
    assert made["PAGE"].read_text(encoding="utf-8") == made["page"](), "run `make docs`"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), f"{page.name} links to {target}, which is not there"


def test_the_ten_lines_of_the_readme_run(monkeypatch, capsys):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", text, re.S).group(1)
    assert len([line for line in code.splitlines() if line.strip()]) <= 10
    monkeypatch.chdir(ROOT)
    exec(compile(code.replace("northern", "southern"), "README.md", "exec"), {})
    assert "plan" in capsys.readouterr().out
