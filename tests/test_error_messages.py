"""Every error message in olivetime shows its values, not its placeholders."""

import ast
import re
from pathlib import Path

import pytest

import olivetime

SOURCES = sorted(Path(olivetime.__file__).parent.rglob("*.py"))
PLACEHOLDER = re.compile(r"%[sdrif]|\{[^{}\s][^{}]*\}|\{\}")


def unfilled_messages(source):
    """Line numbers of raise statements whose message would be shown with an empty placeholder."""
    lines = []
    for node in ast.walk(ast.parse(source)):
        if not (isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call)):
            continue
        filled = set()
        for part in ast.walk(node.exc):
            if isinstance(part, ast.BinOp) and isinstance(part.op, ast.Mod):
                filled.add(id(part.left))
            if isinstance(part, ast.FormattedValue) and part.format_spec is not None:
                filled |= {id(spec) for spec in ast.walk(part.format_spec)}  # {day:%Y-%m-%d} is no placeholder
            call = part.func if isinstance(part, ast.Call) else None
            if isinstance(call, ast.Attribute) and call.attr == "format":
                filled.add(id(call.value))
        for part in ast.walk(node.exc):
            text = part.value if isinstance(part, ast.Constant) and id(part) not in filled else None
            if isinstance(text, str) and PLACEHOLDER.search(text):
                lines.append(node.lineno)
    return sorted(set(lines))


def test_the_check_itself_finds_an_unfilled_message():
    assert unfilled_messages('raise ValueError("{} is wrong")') == [1]
    assert unfilled_messages('raise ValueError("{} is wrong".format(3))') == []
    assert unfilled_messages('raise ValueError(f"{day:%d} is wrong")') == []
    assert unfilled_messages('raise SeasonError(where="a", found="%s")') == [1]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_messages_are_filled(path):
    assert unfilled_messages(path.read_text(encoding="utf-8")) == []
