"""Turns a written or recognised sentence into comparable plain words.

Both the text that was to be said and the text that was heard pass through `words`, so that "45 psi", "forty-five p s i" and
"Forty five PSI." are the same words, and only what a listener would call a wrong word counts as an error.
"""

import re

from num2words import num2words
from whisper_normalizer.english import EnglishSpellingNormalizer


def words(text: str) -> list[str]:
    """Returns the words of `text`: lower case, no punctuation, numbers spelled out, units in one form, American spelling."""
    text = text.lower().replace("’", "'").replace("o'clock", "oclock")
    text = re.sub(r"(\d),(\d{3})\b", r"\1\2", text)
    text = re.sub(r"(\d{1,2}):(\d{2})\b", _clock_time, text)
    text = re.sub(r"(\d+)/(\d+)", _fraction, text)
    text = re.sub(r"\d+(?:st|nd|rd|th)\b", lambda m: f" {num2words(int(m[0][:-2]), to='ordinal')} ", text)
    text = re.sub(r"(?<![\w.])[-−](?=\d)", " minus ", text)
    text = re.sub(r"\d+(?:\.\d+)?", lambda m: f" {_number(m[0])} ", text)
    for sign, name in SIGNS.items():
        text = text.replace(sign, f" {name} ")
    text = re.sub(r"[^\w']|_", " ", text)
    spelled = _join_spelled_letters(_SPELLING(text).split())
    return _drop_number_and([UNITS.get(w, w) for w in _split(spelled)])


def _number(digits: str) -> str:
    whole, _, tenths = digits.partition(".")
    said = num2words(int(whole)).replace(" and ", " ")
    if tenths:
        # Digit by digit, as decimals are read aloud.
        said += " point " + " ".join(num2words(int(d)) for d in tenths)
    return said.replace("-", " ").replace(",", " ")


def _clock_time(match: re.Match) -> str:
    hour, minute = int(match[1]), int(match[2])
    if minute == 0:
        return f" {_number(match[1])} oclock "
    oh = "oh " if minute < 10 else ""
    return f" {num2words(hour)} {oh}{_number(str(minute))} "


def _fraction(match: re.Match) -> str:
    top, bottom = int(match[1]), int(match[2])
    if bottom not in FRACTIONS:
        return f" {match[1]} {match[2]} "
    return f" {num2words(top)} {FRACTIONS[bottom]}{'s' if top > 1 else ''} ".replace("halfs", "halves")


def _join_spelled_letters(tokens: list[str]) -> list[str]:
    """Joins letters said one by one, for the names in SPELLED_OUT only: "p", "s", "i" becomes "psi"."""
    joined, at = [], 0
    while at < len(tokens):
        for name in SPELLED_OUT:
            if tokens[at : at + len(name)] == list(name):
                joined.append(name)
                at += len(name)
                break
        else:
            joined.append(tokens[at])
            at += 1
    return joined


def _split(tokens: list[str]) -> list[str]:
    """Takes the possessive and the quote marks off, and opens the contractions that are heard either way."""
    opened = []
    for token in tokens:
        opened.extend(CONTRACTIONS.get(token, token.replace("'s", "").replace("'", "")).split())
    return opened


def _drop_number_and(tokens: list[str]) -> list[str]:
    """"one hundred and eighteen" and "one hundred eighteen" are the same number."""
    return [
        w
        for i, w in enumerate(tokens)
        if not (w == "and" and 0 < i < len(tokens) - 1 and tokens[i - 1] in ("hundred", "thousand") and tokens[i + 1] in NUMBER_WORDS)
    ]


_SPELLING = EnglishSpellingNormalizer()

SIGNS = {"%": "percent", "°": "degrees", "&": "and", "+": "plus", "=": "equals"}

# Longest first, so that "gfci" is not cut short. Letters that the trade says one by one.
SPELLED_OUT = ("gfci", "psi", "lp", "rv", "ac", "dc", "ok", "pm", "am")

# Written and spoken forms of the same unit or word.
UNITS = {
    "v": "volts", "volt": "volts", "amp": "amps", "w": "watts", "watt": "watts",
    "gal": "gallons", "gallon": "gallons", "lb": "pounds", "lbs": "pounds", "pound": "pounds",
    "min": "minutes", "sec": "seconds", "s": "seconds", "hz": "hertz", "okay": "ok",
}

CONTRACTIONS = {
    "it's": "it is", "that's": "that is", "what's": "what is", "there's": "there is", "i'm": "i am", "i'll": "i will",
    "we'll": "we will", "you're": "you are", "don't": "do not", "doesn't": "does not", "didn't": "did not",
    "isn't": "is not", "aren't": "are not", "won't": "will not", "can't": "can not", "cannot": "can not",
    "couldn't": "could not", "i've": "i have", "let's": "let us",
}

FRACTIONS = {2: "half", 3: "third", 4: "quarter", 8: "eighth", 10: "tenth"}

NUMBER_WORDS = frozenset(w for n in range(1, 100) for w in num2words(n).split("-"))
