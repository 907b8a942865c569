"""The program's limits of acceptance, read from the file that it reads itself so that the two cannot drift apart."""

from __future__ import annotations

import math
import pathlib
import tomllib
from dataclasses import dataclass

CLASSES = ("chat", "ordinary", "critical", "emergency")
LENGTHS = ("one_word", "several_words")


@dataclass(frozen=True)
class Limits:
    """Least logarithm of the odds and least margin, by (class, one word or not).

    To act on (sure), to take but to read back where it can hurt (thin), to ask about first (doubtful; not every class has it). `score` is the
    least score to act on or to take, of the classes that have one.
    """

    sure: dict[tuple[str, bool], tuple[float, float]]
    thin: dict[tuple[str, bool], tuple[float, float]]
    doubtful: dict[tuple[str, bool], tuple[float, float]]
    score: dict[tuple[str, bool], float]

    def verdict(self, kind: str, one_word: bool, log_odds: float | None, margin: float, score: float) -> str | None:
        """"sure", "thin", "doubtful" or None, as `src/speech/judge.rs` judges."""
        if log_odds is None:
            return None
        for name, table in (("sure", self.sure), ("thin", self.thin), ("doubtful", self.doubtful)):
            if (kind, one_word) in table:
                least_odds, least_margin = table[kind, one_word]
                stands_out = name == "doubtful" or score >= self.score.get((kind, one_word), -math.inf)
                if log_odds >= least_odds and margin >= least_margin and stands_out:
                    return name
        return None


def read(path: pathlib.Path) -> Limits:
    """The limits in a hearing.toml."""
    table = tomllib.loads(path.read_text())["limits"]
    # By how much what is asked for is likelier: it is no limit, and nothing is asked for in the clips that are counted here.
    del table["prior"]
    expected = {(kind, length) for kind in CLASSES for length in LENGTHS}
    found = {(kind, length): row for kind, rows in table.items() for length, row in rows.items()}
    if set(found) != expected:
        raise ValueError(f"{path}: limits of {sorted(found)}, expected {sorted(expected)}")

    def pairs(name: str) -> dict[tuple[str, bool], tuple[float, float]]:
        rows = {place: row[name] for place, row in found.items() if name in row}
        return {(kind, length == "one_word"): (row["log_odds"], row["margin"]) for (kind, length), row in rows.items()}

    scores = {(kind, length == "one_word"): row["thin"]["score"] for (kind, length), row in found.items() if "score" in row["thin"]}
    return Limits(pairs("sure"), pairs("thin"), pairs("ask"), scores)
