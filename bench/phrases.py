"""The phrases that the benchmark allows, and how words are compared. Pure, but for reading the file."""

from __future__ import annotations

import pathlib
import re
from dataclasses import dataclass

FOLDER = pathlib.Path(__file__).parent


@dataclass(frozen=True)
class Phrase:
    """A phrase, what hangs on it (critical, ordinary, chat, emergency), and what it means."""

    text: str
    kind: str
    meaning: str

    @property
    def one_word(self) -> bool:
        return " " not in self.text


def read(path: pathlib.Path = FOLDER / "phrases.tsv") -> list[Phrase]:
    """The phrases of a file with three columns; lines that begin with # are left out."""
    lines = [line for line in path.read_text().splitlines() if line.strip() and not line.startswith("#")]
    phrases = []
    for number, line in enumerate(lines, 1):
        cells = line.split("\t")
        if len(cells) != 3 or cells[1] not in ("critical", "ordinary", "chat", "emergency"):
            raise ValueError(f"{path}: entry {number} is '{line}', expected phrase, class, meaning with tabs between")
        phrases.append(Phrase(*cells))
    return phrases


# Digits as spoken, for people's recordings of numbers.
ONES = [
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen"),
    *("fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
]
TENS = {20: "twenty", 30: "thirty", 40: "forty", 50: "fifty", 60: "sixty", 70: "seventy", 80: "eighty", 90: "ninety"}


def number_words(value: int) -> str:
    """0 to 99 in words, as a recogniser's word list wants them: "eighty two"."""
    if value < 20:
        return ONES[value]
    return TENS[value // 10 * 10] + (f" {ONES[value % 10]}" if value % 10 else "")


NUMBERS = [Phrase(number_words(value), "ordinary", str(value)) for value in (*range(21), *range(30, 100, 10))]


def plain(text: str) -> str:
    """Words only: lower case, no marks, numbers to 99 written out, so that "82." and "Eighty-two" are the same."""
    text = re.sub(r"[^a-z0-9 ']", " ", text.lower().replace("-", " ")).replace("'", "")
    return " ".join(number_words(int(word)) if word.isdigit() and int(word) < 100 else word for word in text.split())


def holds(text: str, phrase: str) -> bool:
    """Whether the words of `phrase` stand in `text` in a row."""
    return f" {plain(phrase)} " in f" {plain(text)} "
