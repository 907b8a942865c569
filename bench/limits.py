"""The program's limits of acceptance, read from its source so that the two cannot drift apart."""

from __future__ import annotations

import math
import pathlib
import re
from dataclasses import dataclass

CLASSES = ("chat", "ordinary", "critical", "emergency")


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
        """"sure", "thin", "doubtful" or None, as `src/speech/decide.rs` judges."""
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
    """Reads the three rules of `src/speech/decide.rs`."""
    text = path.read_text()
    return Limits(_table(path, text, "sure_limits"), _table(path, text, "thin_limits"), _asked(path, text), _scores(path, text))


def _asked(path: pathlib.Path, text: str) -> dict[tuple[str, bool], tuple[float, float]]:
    """`ask_limits`: one pair of limits for the classes it names, and phrases of two words or more."""
    begin = text.index("pub fn ask_limits(")
    body = text[begin : text.index("\n}", begin)]
    found = re.search(r"words >= 2 && matches!\(class, ([^)]+)\);.*log_odds: ([\d.]+), margin: ([\d.]+)", body, re.DOTALL)
    if not found:
        raise ValueError(f"{path}: ask_limits is not of the form that is known here: {body}")
    kinds = re.findall(r"PhraseClass::(\w+)", found[1])
    return {(kind.lower(), False): (float(found[2]), float(found[3])) for kind in kinds}


def _scores(path: pathlib.Path, text: str) -> dict[tuple[str, bool], float]:
    """`least_score`: by class and one word or not, where a class has one."""
    begin = text.index("fn least_score(")
    body = text[begin : text.index("\n}", begin)]
    constants = dict(re.findall(r"^const (LEAST_SCORE\w*): f32 = ([\d.]+);", text, re.MULTILINE))
    found = {}
    for kinds, one_word, name in re.findall(r"(PhraseClass[^=]+?)( if words < 2)? => (LEAST_SCORE\w*)", body):
        for kind in re.findall(r"PhraseClass::(\w+)", kinds):
            found[kind.lower(), bool(one_word)] = float(constants[name])
    if len(found) != 4:
        raise ValueError(f"{path}: least_score was read as {found}, expected a score for one word and for more of two classes")
    return found


def _table(path: pathlib.Path, text: str, name: str) -> dict[tuple[str, bool], tuple[float, float]]:
    begin = text.index(f"pub fn {name}(")
    body = text[begin : text.index("\n}", begin)]
    found = {}
    for kinds, one_word, odds, margin in re.findall(r"\((PhraseClass[^,]+), (true|false)\) => \(([\d.]+), ([\d.]+)\)", body):
        for kind in re.findall(r"PhraseClass::(\w+)", kinds):
            found[kind.lower(), one_word == "true"] = float(odds), float(margin)
    if set(found) != {(kind, word) for kind in CLASSES for word in (True, False)}:
        raise ValueError(f"{path}: {name} was read as {found}, expected limits for {CLASSES}, of one word and of more")
    return found
