"""The judge of runs in noise: what was said to the question, for the step, and nothing else, counts as said."""

import pathlib
import sys

import pytest

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import said, sessions


def words(text, step, question, *, talk=False, clocks=(), about=None, agrees=False, same=True, same_then=None):
    return {
        "text": text, "talk": talk, "step": step, "question": question, "clocks": list(clocks), "about": about, "agrees": agrees,
        "same": same, "same_then": same if same_then is None else same_then,
    }


def confirmed(*spoken, kind="step_answered", step="black", phrase="black closed", asked_back=False, meant=False, heard_in=-1, critical=True):
    heard = spoken[heard_in] if spoken else None
    return {
        "kind": kind, "step": step, "critical": critical, "phrase": phrase, "asked_back": asked_back, "meant": meant,
        "heard_in": heard, "is_last": bool(spoken) and heard is spoken[-1], "said": list(spoken),
    }


RIGHT = words("black closed", "black", 7)
OTHER = words("gray closed", "black", 7, same=False)
TALK = words("Mind the step, it is wet.", "black", 7, talk=True, same=False)
YES = words("yes", "black", 8, about="black closed", agrees=True, same=False)
NO = words("no", "black", 8, about="black closed", same=False)


@pytest.mark.parametrize(
    "one, strict, lenient",
    [
        # Said to the question, for the step.
        (confirmed(RIGHT), None, True),
        # Heard in the words of another answer, though the phrase was said a turn or three before.
        (confirmed(RIGHT, OTHER), "other words", True),
        (confirmed(RIGHT, OTHER, OTHER, OTHER), "other words", True),
        (confirmed(RIGHT, OTHER, OTHER, OTHER, OTHER), "other words", False),
        # Made of talk to somebody else.
        (confirmed(RIGHT, TALK), "said to somebody else", True),
        (confirmed(TALK), "said to somebody else", False),
        # The same words, of another step.
        (confirmed(words("black closed", "black-again", 5)), "said of another step", True),
        # The same words to the question before.
        (confirmed(RIGHT, words("explain", "black", 9, same=False), heard_in=0), "said to an earlier question", True),
        # Nobody spoke.
        (confirmed(), "nobody had spoken", False),
        # The words meant something else in what might be said then.
        (confirmed(words("closed", "black", 7, same=True, same_then=False)), "other words", True),
        # Asked back, and confirmed.
        (confirmed(RIGHT, YES, asked_back=True, heard_in=0), None, True),
        (confirmed(RIGHT, words("black closed", "black", 8, about="black closed"), asked_back=True), None, True),
        # Asked back, and denied or not answered.
        (confirmed(RIGHT, NO, asked_back=True, heard_in=0), "the question whether it was heard right was answered otherwise", True),
        (
            confirmed(RIGHT, words("explain", "black", 9, same=False), asked_back=True, heard_in=0),
            "the question whether it was heard right was not answered", True,
        ),
        (
            confirmed(RIGHT, words("yes", "black", 8, about="gray closed", agrees=True, same=False), asked_back=True, heard_in=0),
            "the question whether it was heard right was not answered", True,
        ),
        # Asked about what had not been said, and the yes is somebody's no.
        (confirmed(OTHER, YES, asked_back=True, heard_in=0), "other words", False),
        # A clock that runs may be ended whatever else is being asked; others may not.
        (
            confirmed(words("rinse off", "gloves", 3, clocks=["rinse"]), kind="clock_ended", step="rinse", phrase="rinse off"),
            None, True,
        ),
        (
            confirmed(words("rinse off", "gloves", 3), kind="clock_ended", step="rinse", phrase="rinse off"),
            "said of another step", True,
        ),
        (
            confirmed(words("rinse on", "gloves", 3, clocks=["rinse"]), kind="clock_started", step="rinse", phrase="rinse on"),
            "said of another step", True,
        ),
    ],
)
def test_only_what_was_said_to_the_question_for_the_step_counts(one, strict, lenient):
    assert said.why_wrong(one) == strict
    assert said.lenient(one) is lenient


def test_both_judges_are_counted_side_by_side():
    run = {
        "completed": True, "answers": 9, "asked_about": 1, "unclear": 2, "by_key": 1, "talk": 3, "talk_taken": ["louder (Sure)"],
        "confirmed": [
            confirmed(RIGHT), confirmed(RIGHT, TALK), confirmed(TALK), confirmed(RIGHT, YES, asked_back=True, heard_in=0),
            confirmed(RIGHT, critical=False), confirmed(RIGHT, OTHER, critical=False),
        ],
    }
    found = sessions.counts([run, run])
    assert (found["critical"], found["critical_unsaid"], found["critical_lenient"]) == (8, 4, 2)
    assert (found["ordinary"], found["ordinary_unsaid"], found["ordinary_lenient"]) == (4, 2, 0)
    # What settles two steps with one answer was said once.
    assert (found["taken_at_once"], found["by_key"], found["talk_taken"], found["completed"]) == (2, 2, 2, 2)


def test_what_nobody_said_is_told_with_the_reason():
    assert said.told(confirmed(RIGHT, TALK)) == (
        "black: heard 'black closed', said to somebody else; last said: 'Mind the step, it is wet.' of black to somebody else"
    )
