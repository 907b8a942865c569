"""Counts what the engines made of the clips and of the talk. Pure: records in, rows out."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass

import numpy

from bench.intervals import poisson_upper, wilson
from bench.limits import Limits
from bench.phrases import Phrase, holds
from bench.voices import VOICES

# What counts as an answer; a doubtful phrase is only asked about.
TAKEN = ("sure", "thin")


@dataclass(frozen=True)
class Share:
    """What became of a number of utterances: heard right, taken for another phrase, or refused."""

    of: int
    right: int
    wrong: int

    @property
    def missed(self) -> int:
        return self.of - self.right

    def row(self) -> dict:
        low, high = wilson(self.missed, self.of)
        return asdict(self) | {"not_right": self.missed / max(1, self.of), "low": low, "high": high}

    def __str__(self) -> str:
        if not self.of:
            return "-"
        return f"{100 * self.right / self.of:.0f} % ({self.wrong} wrong) of {self.of}"


def share(records: Iterable[dict], engine: str) -> Share:
    """What `engine` made of `records`."""
    records = list(records)
    taken = [(record["phrase"], record["engines"][engine]["accepted"]) for record in records]
    return Share(len(records), sum(a == b for a, b in taken), sum(b is not None and a != b for a, b in taken))


def best_right(records: Iterable[dict], engine: str) -> Share:
    """The same if nothing were refused: was the phrase that came nearest the one said?"""
    records = list(records)
    taken = [(record["phrase"], record["engines"][engine]["best"]) for record in records]
    return Share(len(records), sum(a == b for a, b in taken), sum(b is not None and a != b for a, b in taken))


def by(records: list[dict], key: Callable[[dict], object]) -> dict:
    """`records` in groups, in the order in which the groups first come."""
    groups: dict = {}
    for record in records:
        groups.setdefault(key(record), []).append(record)
    return groups


def engines(records: list[dict]) -> list[str]:
    """The engines that heard `records`, the program's first."""
    return list(records[0]["engines"])


def voice_group(record: dict) -> str:
    """Whether the weights that ship were fitted to this voice."""
    return "voices that the weights were fitted to" if VOICES[record["voice"]].fitted else "voices that they never met"


def own_class(odds: list[dict], phrases: list[Phrase], limits: Limits) -> list[dict]:
    """Each weighed clip judged by the class of the phrase that came nearest: sure, thin, doubtful or nothing; right
    or wrong."""
    named = {phrase.text: phrase for phrase in phrases}
    found = []
    for record in odds:
        best = named.get(record["found"]["best"])
        heard = record["found"]
        verdict = best and limits.verdict(best.kind, best.one_word, heard["log_odds"], heard["margin"], heard["score"])
        found.append(record | {"verdict": verdict, "is_right": record["found"]["best"] == record["phrase"], "said": named[record["phrase"]]})
    return found


def why_refused(record: dict, limits: Limits) -> str | None:
    """What kept a clip whose best phrase was the one said from being accepted; None when it was taken (a
    doubtful one is not: it was asked about first). See `own_class`."""
    if record["verdict"] in TAKEN:
        return None
    kind, one_word, found = record["said"].kind, record["said"].one_word, record["found"]
    if found["margin"] < limits.thin[kind, one_word][1]:
        return "margin"
    if found["log_odds"] is None:
        return "the free decode says more, or does not end"
    return "odds" if found["log_odds"] < limits.thin[kind, one_word][0] else "score"


def confusions(records: list[dict], engine: str, field: str) -> Counter:
    """(said, taken for) of all that was taken for something else; `field` is "best" or "accepted"."""
    pairs = ((record["phrase"], record["engines"][engine][field]) for record in records)
    return Counter((said, taken) for said, taken in pairs if taken is not None and said != taken)


@dataclass
class TalkRow:
    """Wrong accepts in talk of one kind, cut in one way. `really_said`: the words stand in the text that was spoken. `doubtful`: not
    taken, but asked about.
    """

    kind: str
    way: str
    hours: float
    pieces: int
    one_word: int = 0
    more_words: int = 0
    one_word_sure: int = 0
    more_words_sure: int = 0
    critical: int = 0
    critical_sure: int = 0
    really_said: int = 0
    doubtful: int = 0

    def bounds(self) -> dict:
        return {
            "one_word_an_hour": self.one_word / self.hours if self.hours else math.nan,
            "one_word_upper_95": poisson_upper(self.one_word, self.hours),
            "more_words_an_hour": self.more_words / self.hours if self.hours else math.nan,
            "more_words_upper_95": poisson_upper(self.more_words, self.hours),
            "any_upper_95": poisson_upper(self.one_word + self.more_words, self.hours),
        }


def accepts(records: list[dict], phrases: list[Phrase], limits: Limits, as_class: str | None = None) -> list[dict]:
    """Everything in talk that was taken for a phrase or asked about, judged by the phrase's own class, or all by `as_class`."""
    named = {phrase.text: phrase for phrase in phrases}
    found = []
    for record in records:
        for piece in record["weighed"]:
            phrase = named[piece["best"]]
            verdict = limits.verdict(as_class or phrase.kind, phrase.one_word, piece["log_odds"], piece["margin"], piece["score"])
            if verdict:
                said = record["kind"] != "people" and holds(record["text"], phrase.text)
                found.append(
                    {key: record[key] for key in ("block", "kind", "source", "voice", "way")}
                    | {key: piece[key] for key in ("best", "free", "log_odds", "margin", "at_s")}
                    | {"class": phrase.kind, "one_word": phrase.one_word, "verdict": verdict, "really_said": said}
                )
    return found


def talk_rows(records: list[dict], phrases: list[Phrase], limits: Limits, as_class: str | None = None) -> list[TalkRow]:
    """A row for each kind of talk and way of cutting, and their sums."""
    taken = accepts(records, phrases, limits, as_class)
    rows = []
    ways = sorted({record["way"] for record in records}, reverse=True)
    kinds = sorted({record["kind"] for record in records})
    for way, kind in itertools.product(ways, (*kinds, "speech and noise, all")):
        inside = [r for r in records if r["way"] == way and kind in (r["kind"], "speech and noise, all")]
        row = TalkRow(kind, way, sum(r["seconds"] for r in inside) / 3600, sum(r["pieces"] for r in inside))
        for one in taken:
            if one["way"] != way or kind not in (one["kind"], "speech and noise, all"):
                continue
            row.doubtful += one["verdict"] == "doubtful"
            if one["verdict"] in TAKEN:
                row.one_word += one["one_word"]
                row.more_words += not one["one_word"]
                row.one_word_sure += one["one_word"] and one["verdict"] == "sure"
                row.more_words_sure += not one["one_word"] and one["verdict"] == "sure"
                row.critical += one["class"] == "critical"
                row.critical_sure += one["class"] == "critical" and one["verdict"] == "sure"
                row.really_said += one["really_said"]
        if inside:
            rows.append(row)
    return rows


@dataclass
class Trade:
    """Misses against wrong accepts an hour, as the limit on the odds moves; margins as the program wants them for `thin`."""

    limit: numpy.ndarray
    missed: numpy.ndarray
    an_hour: numpy.ndarray
    answers: int
    hours: float


def trade(
    answers: list[dict], talk: list[dict], phrases: list[Phrase], limits: Limits, one_word: bool, least_odds: float = -6.0
) -> Trade:
    """The trade-off for phrases of one word or of more, from `least_odds` on. Talk is that cut at pauses."""
    named = {phrase.text: phrase for phrase in phrases}

    def passes(best: str, odds: float | None, margin: float) -> bool:
        phrase = named.get(best)
        return phrase is not None and odds is not None and margin >= limits.thin[phrase.kind, phrase.one_word][1]

    wanted = [r for r in answers if named[r["phrase"]].one_word == one_word]
    right = [
        r["found"]["log_odds"]
        for r in wanted
        if r["found"]["best"] == r["phrase"] and passes(r["found"]["best"], r["found"]["log_odds"], r["found"]["margin"])
    ]
    pauses = [r for r in talk if r["way"] == "pauses"]
    wrong = [
        piece["log_odds"]
        for r in pauses
        for piece in r["weighed"]
        if named[piece["best"]].one_word == one_word and passes(piece["best"], piece["log_odds"], piece["margin"])
    ]
    hours = sum(r["seconds"] for r in pauses) / 3600
    steps = numpy.linspace(least_odds, 9, 261)
    right, wrong = numpy.array(right), numpy.array(wrong)
    return Trade(
        steps,
        numpy.array([1 - (right >= step).sum() / max(1, len(wanted)) for step in steps]),
        numpy.array([(wrong >= step).sum() / max(hours, 1e-9) for step in steps]),
        len(wanted),
        hours,
    )
