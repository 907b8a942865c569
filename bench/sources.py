"""Whether the packages that the sounds come from are those that SOURCES.toml names."""

from __future__ import annotations

import hashlib
import pathlib
import subprocess
import sysconfig
import tomllib

FILE = pathlib.Path(__file__).parent / "SOURCES.toml"


def differences() -> tuple[list[str], list[str]]:
    """What is wrong (a file of a wheel is missing or another), and what is only another version (a Debian package)."""
    listed = tomllib.loads(FILE.read_text())
    site = pathlib.Path(sysconfig.get_path("purelib"))
    wrong = []
    for one in listed["pypi"]:
        path = site / one["file"]
        found = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "no such file"
        if found != one["sha256"]:
            wrong.append(f"{one['package']}: {one['file']}: {found}, expected {one['sha256']}; remove target/bench/venv and run again")
    other = []
    for one in listed["debian"]:
        asked = ["dpkg-query", "-W", "-f", "${Version}", one["package"]]
        try:
            found = subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip() or "not installed"
        except FileNotFoundError:
            found = "no dpkg here"
        if found != one["version"]:
            other.append(f"{one['package']}: {found}; the figures in docs/hearing were made with {one['version']}")
    return wrong, other
