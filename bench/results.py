"""What a run keeps, so that one that was broken off goes on."""

from __future__ import annotations

import json
import pathlib
from collections.abc import Iterable


class Results:
    """A file of JSON lines that is only ever added to; a line that was cut off is dropped when it is opened again."""

    def __init__(self, path: pathlib.Path) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            text = path.read_text()
            path.write_text(text[: text.rfind("\n") + 1])

    def read(self) -> list[dict]:
        return [json.loads(line) for line in self.path.read_text().splitlines()] if self.path.exists() else []

    def add(self, records: Iterable[dict]) -> None:
        with self.path.open("a") as file:
            file.writelines(json.dumps(record) + "\n" for record in records)
