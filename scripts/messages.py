"""Collect what the pages say into the catalogues: `python scripts/messages.py`; `--check` only tells what is missing.

Messages are the first argument of `say`, the first two of `say_count`, the noun of `count_text`, what `mark` holds,
the headings of the notebooks, the sentences of other rooms in `olivetime/locale/other_rooms.txt`, and the parts of
findings in `olivetime/locale/findings.txt`.
"""

from __future__ import annotations

import ast
import functools
import io
import json
import sys
from pathlib import Path

from babel.messages import Catalog
from babel.messages.pofile import read_po, write_po

from olivetime.languages import CATALOGUES, LANGUAGES

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "olivetime"
PAGES = (
    "pick_order", "grower_report", "mill_week", "what_if", "curve_review", "season_check", "lookback", "season_end",
)  # fmt: skip
_UNSAID = tuple(f'"{field}' for field in ("POT-", "PO-", "Report-", "Last-", "Language-Team", "Generated-By"))


def _text(node: ast.AST | None) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def code_messages(source: str) -> list[str | tuple[str, str]]:
    """Messages of one module, in its order."""
    found: list[tuple[int, str | tuple[str, str]]] = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name | ast.Attribute):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
        first, second = (_text(node.args[i]) if len(node.args) > i else None for i in (0, 1))
        if name in ("say", "mark") and first:
            found.append((node.lineno, first))
        elif name == "say_count" and first and second:
            found.append((node.lineno, (first, second)))
        elif name == "count_text" and second:
            third = _text(node.args[2]) if len(node.args) > 2 else None
            found.append((node.lineno, (f"{{n}} {second}", f"{{n}} {third or second + 's'}")))
    return [message for _, message in sorted(found, key=lambda f: f[0])]


def notebook_messages(path: Path) -> list[str]:
    """Headings and paragraphs of a notebook, and the lines that open its folds."""
    found = []
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        text = "".join(cell["source"])
        if "screen-only" in cell["metadata"].get("tags", []):
            continue
        if cell["cell_type"] == "markdown":
            found += [part.lstrip("#").strip() for part in text.split("\n\n") if part.strip()]
            continue
        calls = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
        folds = [c for c in calls if isinstance(c.func, ast.Attribute) and c.func.attr == "fold"]
        found += [words for c in folds if (words := _text(c.args[1]))]
    return found


@functools.cache  # the code is read once for all languages
def messages() -> dict[str | tuple[str, str], list[str]]:
    """Every message, and the places where it stands."""
    found: dict[str | tuple[str, str], list[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(ROOT).as_posix()
        for message in code_messages(path.read_text(encoding="utf-8")):
            found.setdefault(message, []).append(place)
    for name in PAGES:
        for message in notebook_messages(ROOT / "notebooks" / f"{name}.ipynb"):
            found.setdefault(message, []).append(f"notebooks/{name}.ipynb")
    for name in ("other_rooms.txt", "findings.txt"):
        for message in (CATALOGUES / name).read_text(encoding="utf-8").splitlines():
            found.setdefault(message, []).append(f"olivetime/locale/{name}")
    return {message: sorted(set(places)) for message, places in found.items() if message}


def renewed(language: str) -> bytes:
    """The catalogue of a language with today's messages; translations that are there are kept."""
    path = CATALOGUES / f"{language}.po"
    old = Catalog(locale=language)
    if path.exists():
        with path.open("rb") as file:
            old = read_po(file, locale=language)
    new = Catalog(locale=language, project="olivetime", version="1", copyright_holder="", msgid_bugs_address="")
    new.fuzzy = False
    # One and more, in all three languages, whatever forms for millions the library's tables know of.
    new.mime_headers = [("Plural-Forms", "nplurals=2; plural=(n != 1);")]
    new.header_comment = f"# What the pages say, in {new.locale.get_display_name('en')}. Kept by scripts/messages.py."
    singles = {}
    for m in old:
        if m.id:
            singles[m.id] = m.string
    for message, places in messages().items():
        empty: str | tuple[str, ...] = ("",) * new.num_plurals if isinstance(message, tuple) else ""
        new.add(message, singles.get(message) or empty, locations=[(place, None) for place in places])
    buffer = io.BytesIO()
    write_po(buffer, new, width=120, omit_header=False, sort_output=False)
    lines = [x for x in buffer.getvalue().decode().splitlines() if not x.startswith(_UNSAID)]
    return ("\n".join(lines) + "\n").encode()


def missing(language: str) -> list[str]:
    """Messages without a translation in a language."""
    with (CATALOGUES / f"{language}.po").open("rb") as file:
        held = {m.id: m.string for m in read_po(file, locale=language) if m.id}
    wanting = []
    for message in messages():
        string = held.get(message) or ""
        if not string or not all([string] if isinstance(string, str) else string):
            wanting.append(message if isinstance(message, str) else message[0])
    return wanting


def main() -> int:
    """Renew the catalogues, and say what is missing."""
    wanting = 0
    for language in LANGUAGES[1:]:
        if "--check" not in sys.argv:
            (CATALOGUES / f"{language}.po").write_bytes(renewed(language))
        lost = missing(language)
        wanting += len(lost)
        print(f"{language}: {len(lost)} of {len(messages())} messages without a translation")
        for message in lost[:20]:
            print(f"  {message[:110]}")
    return 1 if wanting else 0


if __name__ == "__main__":
    raise SystemExit(main())
