"""The model's tokens, and which of them people mix up: on and off, open and closed, the numbers."""

from __future__ import annotations

import pathlib

import numpy

# Words of one kind: put in each other's place they make the wrong text that must not be taken for the right one.
MIXED_UP = (
    "on off of own in out and".split(),
    "open opened closed close".split(),
    "left right light".split(),
    "up down".split(),
    "yes no not now know".split(),
    "full empty".split(),
    "hot cold".split(),
    "black gray grey back".split(),
    "tight loose".split(),
    "start stop".split(),
    "done down dawn".split(),
    "high low".split(),
    "more less".split(),
    "over under".split(),
    "one two three four five six seven eight nine ten zero".split(),
    "eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split(),
    "twenty thirty forty fifty sixty seventy eighty ninety".split(),
    list("0123456789"),
)


def pieces(path: pathlib.Path) -> list[bytes]:
    """The pieces of `tokenizer.bin` in the order of their tokens: byte strings, each after its length."""
    content = path.read_bytes()
    found, at = [], 0
    while at < len(content):
        length, head = (content[at], 1) if content[at] < 128 else (content[at + 1] * 128 + content[at] - 128, 2)
        found.append(content[at + head : at + head + length])
        at += head + length
    return found


def text(tokens, of: list[bytes]) -> str:
    """Tokens as text, control tokens left out."""
    return b"".join(of[token] for token in tokens if token > 2).decode(errors="replace").replace("\u2581", " ").strip()


def mixed_up(of: list[bytes], width: int = 16) -> numpy.ndarray:
    """For each token `width` tokens that it is mixed up with, drawn from evenly; 0 throughout where there are none."""
    places = {}
    for token, piece in enumerate(of):
        if token >= 259 and piece:
            places.setdefault(piece.decode(errors="replace"), token)
    table = numpy.zeros((len(of), width), dtype=numpy.int64)
    for group in MIXED_UP:
        for form in (str.lower, str.capitalize):
            for mark in ("\u2581", ""):
                known = [places[mark + form(word)] for word in group if mark + form(word) in places]
                for one in known:
                    others = [other for other in known if other != one]
                    if others and not table[one].any():
                        table[one] = [others[number % len(others)] for number in range(width)]
    return table
