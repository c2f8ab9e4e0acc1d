"""Rows of a benchmark as they are found: a line of the printed table, and a JSON object a line where a file is asked for."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path


def tell(line: str, row: Mapping[str, object], path: Path | None) -> None:
    """Prints the line; adds the row to the file of ``--lines``."""
    print(line, flush=True)
    if path is not None:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
