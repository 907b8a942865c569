"""What the benchmark counts, on records whose outcome is plain to see."""

import pathlib
import sys

import pytest

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import hours, limits, parts, phrases, tally

ROOT = pathlib.Path(__file__).parents[2]
LIMITS = limits.read(ROOT / "models/hearing.toml")
ALLOWED = phrases.read()


def piece(best, log_odds, margin=8.0):
    return {"best": best, "log_odds": log_odds, "margin": margin, "score": 9.0, "free": "", "at_s": 0.0, "features": [], "accepted": None}


def block(kind, seconds, *weighed, text="", way="pauses"):
    return {
        "block": 0, "kind": kind, "source": "", "voice": "", "way": way, "seconds": seconds, "pieces": 5,
        "text": text, "weighed": list(weighed),
    }


def test_right_wrong_and_refused_are_told_apart():
    taken = ["yes", "no", None, "yes"]
    records = [{"phrase": "yes", "engines": {"it": {"accepted": one, "best": one}}} for one in taken]
    assert tally.share(records, "it") == tally.Share(of=4, right=2, wrong=1)
    assert tally.share(records, "it").row()["not_right"] == 0.5


def test_wrong_accepts_are_counted_by_kind_cut_and_class():
    talk = [
        # "yes" is ordinary: 1.5 is thin. "black closed" is critical: 4.0 is thin, 9.0 sure; "gray open" at 2.0 is only asked about.
        block("prose", 1_800, piece("yes", 1.6), piece("black closed", 4.0), piece("cap on", -3.0), piece("gray open", 2.0), text="say yes to it"),
        block("chatter", 1_800, piece("black closed", 9.0), text="the black one closed"),
        block("chatter", 1_800, piece("yes", 9.0), way="blind"),
    ]
    rows = {(row.kind, row.way): row for row in tally.talk_rows(talk, ALLOWED, LIMITS)}
    prose, together = rows["prose", "pauses"], rows["speech and noise, all", "pauses"]
    assert (prose.hours, prose.one_word, prose.more_words, prose.critical, prose.critical_sure) == (0.5, 1, 1, 1, 0)
    assert (prose.really_said, prose.doubtful) == (1, 1)
    assert (together.hours, together.one_word, together.more_words, together.critical_sure) == (1.0, 1, 2, 1)
    assert (rows["chatter", "blind"].one_word, rows["chatter", "blind"].more_words) == (1, 0)
    # Two events in an hour: 6.296 (Poisson, one-sided 95 %; tables of the chi-square distribution, half of 12.592 at 6 degrees).
    assert together.bounds()["more_words_upper_95"] == pytest.approx(6.296, abs=0.001)


def test_the_trade_off_falls_from_many_wrong_accepts_to_many_misses():
    answers = [
        {"phrase": "cap on", "found": {"best": "cap on", "log_odds": odds, "margin": 8.0}} for odds in (1.0, 3.0, 5.0, 7.0)
    ] + [{"phrase": "cap on", "found": {"best": "cap missing", "log_odds": 9.0, "margin": 8.0}}]
    talk = [block("prose", 3_600, piece("cap on", 2.0), piece("water off", 4.0), piece("water off", 6.0, margin=1.0), piece("yes", 8.0))]
    curve = tally.trade(answers, talk, ALLOWED, LIMITS, one_word=False)
    at = {limit: int(abs(curve.limit - limit).argmin()) for limit in (0.5, 2.5, 4.5)}
    # The clip that was taken for another phrase is missed at every limit; the piece with too small a margin is never taken.
    assert [round(curve.missed[place] * 5) for place in at.values()] == [1, 2, 3]
    assert [curve.an_hour[place] for place in at.values()] == [2, 1, 0]


def test_the_reason_for_a_refusal_is_the_first_gate_that_held():
    said = next(phrase for phrase in ALLOWED if phrase.text == "black closed")

    def reason(log_odds, margin, verdict=None):
        return tally.why_refused({"verdict": verdict, "said": said, "found": {"log_odds": log_odds, "margin": margin}}, LIMITS)

    assert reason(9.0, 8.0, "sure") is None
    assert reason(None, 1.0) == "margin"
    assert reason(None, 8.0).startswith("the free decode")
    assert reason(1.0, 8.0) == "odds"
    assert reason(9.0, 8.0) == "score"


def test_a_part_s_row_tells_right_from_wrong_and_taken_from_asked_about():
    def heard(way, best, accepted, condition="quiet", ms=50.0):
        return {"way": way, "phrase": "water off", "best": best, "accepted": accepted, "condition": condition, "processor_ms": ms}

    first, second = parts.rows(
        [
            heard("ships", "water off", "Sure"),
            heard("ships", "water off", "Thin", "rain 10 dB", 70.0),
            heard("ships", "water off", "Doubtful"),
            heard("ships", "water off", None),
            heard("ships", "water on", "Sure", ms=90.0),
            heard("ships", "water on", None),
            heard("other", None, None),
        ]
    )
    assert (first.way, first.clips, first.best["quiet"], first.best["rain 10 dB"], first.best["wind 5 dB"]) == ("ships", 6, 3, 1, 0)
    assert (first.taken, first.asked, first.wrong, first.milliseconds) == (2, 1, 1, 50.0)
    assert (second.clips, sum(second.best.values()), second.taken, second.wrong) == (1, 0, 0, 0)


def test_of_what_was_refused_the_nearest_comes_first():
    records = [{"nearly": [{"log_odds": -3.0}, {"log_odds": 0.5}]}, {}, {"nearly": [{"log_odds": -1.0}]}]
    assert [one["log_odds"] for _, one in hours.nearest(records, 2)] == [0.5, -1.0]
