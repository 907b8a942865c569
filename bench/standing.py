"""The mark above figures: of which program they are. `tests/house/figures.rs` reads it, and fails when what they hang on has changed since."""

from __future__ import annotations

import hashlib
import pathlib
import subprocess
import tomllib

ROOT = pathlib.Path(__file__).parents[1]
COMMENTS = {".rs": "//", ".py": "#", ".toml": "#"}


def mark(again: str, *names: str) -> str:
    """For figures that this program has just given; `again` is the command that makes them anew."""
    commit = subprocess.run(["git", "rev-parse", "--short=7", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()[:7]
    depends = tomllib.loads((ROOT / "docs/hearing/depends.toml").read_text())
    return f"<!-- measured: {commit}; on: {', '.join(f'{name} {digest(ROOT, depends[name])}' for name in names)}; again: {again} -->"


def digest(root: pathlib.Path, paths: list[str]) -> str:
    """The first eight digits of the SHA-256 of what these files and folders hold, by their names."""
    found = hashlib.sha256()
    for file in sorted(file for path in paths for file in _files(root, path)):
        found.update(f"{file}\n".encode())
        content = (root / file).read_bytes()
        comment = COMMENTS.get(pathlib.Path(file).suffix)
        found.update(content if comment is None else _lines(content.decode(), comment).encode())
    return found.hexdigest()[:8]


def _lines(text: str, comment: str) -> str:
    """What of a file runs: its lines without indentation, comments, and the tests at its foot."""
    lines = [line.strip() for line in text.split("\n")]
    tests = [at for at in range(len(lines) - 1) if lines[at : at + 2] == ["#[cfg(test)]", "mod tests {"]]
    runs = lines[: tests[0]] if tests else lines
    return "".join(f"{line}\n" for line in runs if line and not line.startswith(comment))


def _files(root: pathlib.Path, path: str) -> list[str]:
    if (root / path).is_file():
        return [path]
    return [file for one in (root / path).iterdir() if not one.name.startswith((".", "_")) for file in _files(root, f"{path}/{one.name}")]
