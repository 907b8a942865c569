"""Whether what a run took for an answer had been said: a strict judge, and a lenient one for comparison.

A confirmation is one object of `examples/hear_sessions.rs`: the step, its phrase, whether it was asked back, `heard_in` (the words during
which the phrase was recognised last), `is_last` (whether they are the latest), and `said` (the latest words, oldest first). Words carry the step
and the question that were open when they began, the clocks that ran, `about` (the phrase that they were asked about, whether it was heard
right) and whether they mean the same as the confirmed phrase: `same_then` in what might be said when they began, `same` in any later set.
"""

from __future__ import annotations

# How many of the latest words the lenient judge looks through.
REMEMBERED = 4


def lenient(one: dict) -> bool:
    """Whether the phrase is among the last few that were said, whatever had been asked."""
    words = [words for words in one["said"] if not words["talk"]]
    return bool(one["asked_back"] and one["meant"]) or any(words["same"] for words in words[-REMEMBERED:])


def why_wrong(one: dict) -> str | None:
    """Why nobody said it to this question for this step, or `None` where somebody did."""
    words, last = one["heard_in"], one["said"][-1] if one["said"] else None
    if words is None or last is None:
        return "nobody had spoken"
    if words["talk"] or last["talk"]:
        return "said to somebody else"
    if not words["same_then"]:
        return "other words"
    if words["step"] != one["step"] and not (one["kind"] == "clock_ended" and one["step"] in words["clocks"]):
        return "said of another step"
    if one["asked_back"]:
        if last["about"] != one["phrase"] or last["step"] != words["step"]:
            return "the question whether it was heard right was not answered"
        # Who says the phrase itself once more agrees as well.
        return None if last["agrees"] or last["same_then"] else "the question whether it was heard right was answered otherwise"
    if not one["is_last"] or words["question"] != last["question"]:
        return "said to an earlier question"
    return None


def told(one: dict) -> str:
    """A line about a confirmation that nobody had said."""
    last = one["said"][-1] if one["said"] else None
    to = f"'{last['text']}' of {last['step']}{' to somebody else' if last['talk'] else ''}" if last else "nothing"
    return f"{one['step']}: heard '{one['phrase']}', {why_wrong(one)}; last said: {to}"
