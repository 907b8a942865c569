"""What the sound in a data folder is, where it comes from and whether it is what it was: one `manifest.json` in each folder.

    {"set": ..., "kind": "speech" | "noise" | "voice", "source": ..., "licence": ..., "credit": ...,
     "files": [{"file": ..., "sha256": ..., "speaker": ..., "held_out": true | false, "from": [{"path": ..., "sha256": ...}]}]}

`source` names a repository and its commit, or the program and the command that made the sound. Nothing is read that no manifest
names, and nothing whose checksum is another.
"""

from __future__ import annotations

import hashlib
import json
import pathlib
from dataclasses import dataclass
from math import gcd

import numpy
import soundfile
from scipy.signal import resample_poly

SAMPLE_RATE = 16_000
KINDS = ("speech", "noise", "voice")
# Terms that allow what is done here; whatever is not free for every purpose is refused.
FREE = ("CC0", "CC-BY-", "CC-BY ", "CC-BY,", "MIT", "BSD", "Apache", "public domain", "own output")


class ManifestError(Exception):
    """A data folder is not what its manifest says; the text says where, what was found and what was expected."""


@dataclass(frozen=True)
class Recording:
    """One file of sound: 16 kHz once it is read. `speaker` tells voices apart, or noises."""

    path: pathlib.Path
    set: str
    kind: str
    speaker: str
    held_out: bool

    def samples(self) -> numpy.ndarray:
        """The sound, mono float32 at 16 kHz."""
        return read(self.path)


def digest(path: pathlib.Path) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read(path: pathlib.Path) -> numpy.ndarray:
    """A sound file as mono float32 at 16 kHz."""
    sound, rate = soundfile.read(path, dtype="float32", always_2d=True)
    sound = sound.mean(axis=1)
    if rate != SAMPLE_RATE:
        common = gcd(rate, SAMPLE_RATE)
        sound = resample_poly(sound, SAMPLE_RATE // common, rate // common)
    return numpy.ascontiguousarray(sound, dtype=numpy.float32)


def recordings(data: pathlib.Path) -> list[Recording]:
    """All recordings of the folders below `data`, in the order of their names, each checked."""
    found = []
    for file in sorted(data.glob("*/manifest.json")):
        found += folder(file)
    if not found:
        raise ManifestError(f"{data}: no folder with a manifest.json in it; `python -m train.collect` makes them")
    return found


def folder(file: pathlib.Path) -> list[Recording]:
    """The recordings that one manifest names."""
    held = json.loads(file.read_text())
    for name in ("set", "kind", "source", "licence", "credit", "files"):
        if not held.get(name):
            raise ManifestError(f"{file}: no '{name}'")
    if held["kind"] not in KINDS:
        raise ManifestError(f"{file}: kind '{held['kind']}', expected one of {', '.join(KINDS)}")
    licence = held["licence"]
    if "NC" in licence or "SA" in licence or not licence.startswith(FREE):
        raise ManifestError(f"{file}: licence '{licence}', expected one that begins with {', '.join(FREE)}")
    named = [entry["file"] for entry in held["files"]]
    there = {path.name for path in file.parent.iterdir()} - {file.name}
    if len(set(named)) != len(named) or set(named) != there:
        raise ManifestError(f"{file}: files that are named and files that are there differ in {sorted(set(named) ^ there)}")
    found = []
    for entry in held["files"]:
        path = file.parent / entry["file"]
        if digest(path) != entry["sha256"]:
            raise ManifestError(f"{path}: not the file that the manifest means, its SHA-256 is {digest(path)}")
        found.append(Recording(path, held["set"], held["kind"], f"{held['set']}/{entry['speaker']}", bool(entry["held_out"])))
    return found
