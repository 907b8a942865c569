"""Asks the program a list of questions about figures and gives back its answers."""

import json
import pathlib
import subprocess

PROGRAM = pathlib.Path(__file__).parents[2] / "target" / "release" / "sparehand"


def answers(questions):
    """The answer to each (name, options): its values with `verdict`, or {"error": ...}."""
    lines = "".join(json.dumps({name: options}) + "\n" for name, options in questions)
    done = subprocess.run([PROGRAM, "figure", "batch"], input=lines, capture_output=True, text=True, timeout=60)
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(found) == len(questions), done.stderr
    assert done.returncode == (1 if any("error" in one for one in found) else 0), done.stderr
    return [one if "error" in one else one["values"] | {"verdict": one["verdict"]} for one in found]


def close(found, expected, relative=1e-9):
    return abs(found - expected) <= relative * abs(expected) + 1e-12
