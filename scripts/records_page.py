"""Write docs/records.md and docs/tables/*.json (Table Schema) from the one declaration of the tables."""

import json
from pathlib import Path

from olivetime.records.columns import TABLES, columns_page, rules_page, table_schema

DOCS = Path(__file__).parents[1] / "docs"


def pages() -> dict[Path, str]:
    """Path and text of every page made from `olivetime.records.columns`."""
    made = {DOCS / "records.md": f"{columns_page().rstrip()}\n\n{rules_page().rstrip()}\n"}
    for table in TABLES:
        made[DOCS / "tables" / f"{table}.json"] = json.dumps(table_schema(table), indent=1, ensure_ascii=False) + "\n"
    return made


if __name__ == "__main__":
    for path, text in pages().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
