"""Speech that is no answer, as text: prose that packages ship, and chatter around the job written for this. Deterministic by seed."""

from __future__ import annotations

import gzip
import pathlib
import re
import subprocess
from collections.abc import Iterator

import numpy

FOLDER = pathlib.Path(__file__).parent
# Debian: bible-kjv (public domain), miscfiles (US documents, public domain), base-files (licence texts), fortunes (sayings).
BOOKS = ("Ge1:1-50:26", "Ex1:1-40:38", "Jos1:1-24:33", "Ru1:1-4:22", "Pr1:1-31:31", "Mt1:1-28:20", "Lk1:1-24:53", "Acts1:1-28:31")
STATE = pathlib.Path("/usr/share/state")
LICENCES = pathlib.Path("/usr/share/common-licenses")
FORTUNES = pathlib.Path("/usr/share/games/fortunes")
SAYINGS = ("literature", "wisdom", "science", "people", "food", "work", "cookie")
PIECE_WORDS = 55


def prose() -> dict[str, list[str]]:
    """Passages of about PIECE_WORDS words from each source, in its order."""
    found = {"scripture": [passage for book in BOOKS for passage in _passages(_bible(book))]}
    state = " ".join(gzip.decompress(file.read_bytes()).decode(errors="replace") for file in sorted(STATE.glob("us-*.gz")))
    found["statutes"] = _passages(state)
    licences = " ".join(file.read_text(errors="replace") for file in sorted(LICENCES.iterdir()) if not file.is_symlink())
    found["licences"] = _passages(licences)
    return found


def sayings() -> list[str]:
    """Short sayings and scraps of dialogue, up to 60 words each."""
    found = []
    for name in SAYINGS:
        for saying in (FORTUNES / name).read_text(errors="replace").split("\n%\n"):
            # What follows two dashes is who said it.
            words = _speakable(saying.split("\t\t--")[0]).split()
            if 2 <= len(words) <= 60:
                found.append(" ".join(words))
    return found


def chatter() -> list[str]:
    """Things said around the job, some of them full of the phrases' own words."""
    lines = (FOLDER / "chatter.txt").read_text().splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def chats(rng: numpy.random.Generator) -> Iterator[str]:
    """Chatter without end: a few lines at a time, never twice in the same order."""
    lines = chatter()
    while True:
        order = rng.permutation(len(lines))
        for begin in range(0, len(lines) - 4, 4):
            yield " ".join(lines[at] for at in order[begin : begin + 4])


def _bible(book: str) -> str:
    """A book, without the numbers of chapter and verse."""
    done = subprocess.run(["bible", "-f", book], check=True, capture_output=True, text=True, timeout=60)
    if done.stdout.count("\n") < 20:
        raise RuntimeError(f"the command bible gave {done.stdout[:80]!r} for {book}; is bible-kjv installed?")
    return " ".join(re.sub(r"^\S+\d+:\d+\s+", "", line) for line in done.stdout.splitlines())


def _passages(text: str) -> list[str]:
    sentences = re.split(r"(?<=[.;:?!])\s+", _speakable(text))
    found, now = [], []
    for sentence in sentences:
        now += sentence.split()[:120]
        if len(now) >= PIECE_WORDS:
            found.append(" ".join(now))
            now = []
    return found


def _speakable(text: str) -> str:
    """Letters, numbers and the marks that make pauses; no rules, tables or addresses."""
    text = re.sub(r"\S*(://|www\.|@)\S*", " ", text)
    text = re.sub(r"[^A-Za-z0-9 .,;:?!'\n-]", " ", text)
    return re.sub(r"\s+", " ", re.sub(r"-{2,}|\.{2,}", ". ", text)).strip()
