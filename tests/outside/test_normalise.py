"""What counts as the same words, and what must stay different."""

import pytest

from normalise import words


@pytest.mark.parametrize(
    "one, other",
    [
        ("Close the valve.", "close the valve"),
        ("45 psi", "forty-five p s i"),
        ("Forty five PSI.", "45psi"),
        ("82%", "Eighty-two percent."),
        ("118 volts", "one hundred and eighteen volts"),
        ("12 V", "twelve volts"),
        ("2 min 30 s", "two minutes thirty seconds"),
        ("7:30", "seven thirty"),
        ("7:05", "seven oh five"),
        ("10:00", "ten o'clock"),
        ("1,200 lb", "one thousand two hundred pounds"),
        ("0.5", "zero point five"),
        ("1/2 turn", "one half turn"),
        ("3/4 full", "three quarters full"),
        ("-5", "minus five"),
        ("the 1st step", "the first step"),
        ("the grey tyre", "the gray tire"),
        ("It's closed, isn't it?", "it is closed is not it"),
        ("a T-handle; turn it", "a t handle turn it"),
        ("O.K.", "okay"),
        ("GFCI", "g f c i"),
    ],
)
def test_written_and_spoken_forms_are_the_same_words(one, other):
    assert words(one) == words(other)


@pytest.mark.parametrize(
    "one, other",
    [
        ("yes or no", "yes or number"),
        ("valve open", "valve closed"),
        ("15 minutes", "50 minutes"),
        ("black and grey", "black grey"),
        ("one hundred and the rest", "one hundred the rest"),
        ("do it", "do not do it"),
        ("a valve", "valve"),
        ("0.5", "5"),
        ("7.3", "7:30"),
        ("i am a spare hand", "a spare hand"),
    ],
)
def test_a_really_different_word_stays_different(one, other):
    assert words(one) != words(other)


def test_the_words_are_plain():
    assert words("Set it to 45 psi — then say “done”.") == "set it to forty five psi then say done".split()


def test_silence_has_no_words():
    assert words("") == [] and words(" ... ") == []
