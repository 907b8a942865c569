"""The counting, against figures worked by hand and against SCTK's own sclite."""

import pathlib
import random
import re
import shutil
import subprocess
import tomllib

import pytest

from word_errors import STATES, Count, count, states_lost


def counted(said, heard):
    c = count(said.split(), heard.split())
    return c.substituted, c.deleted, c.inserted, round(c.rate, 4)


def test_insertions_and_deletions_beat_substitutions_where_they_keep_more_words():
    # Worked by hand: 3 deletions and 3 insertions cost 18, five substitutions cost 20.
    assert counted("a b c d e", "d e x y z") == (0, 3, 3, 1.2)


def test_a_lost_and_an_added_word_are_two_errors_in_five():
    assert counted("close the black valve now", "close black valve right now") == (0, 1, 1, 0.4)


def test_the_same_words_have_no_error():
    assert counted("valve closed", "valve closed") == (0, 0, 0, 0.0)


def test_silence_loses_every_word():
    assert counted("say valve closed", "") == (0, 3, 0, 1.0)


def test_words_heard_in_silence_are_an_infinite_rate():
    assert count([], ["yes"]).rate == float("inf")


def test_the_error_is_laid_at_the_word_it_touches():
    assert count("say yes or no".split(), "say yes or number".split()).at == {3}


def test_a_state_that_is_heard_as_another_word_is_found_and_one_beside_an_added_word_is_not():
    said = "say valve closed or valve open".split()
    assert states_lost(said, count(said, "say valve close or valve open".split())) == ["closed"]
    assert states_lost(said, count(said, "say valve closed or valve".split())) == ["open"]
    assert states_lost(said, count(said, "say valve closed now or valve open".split())) == []
    assert states_lost(said, count(said, "say wall closed or valve open".split())) == []


def test_what_every_answer_turns_on_where_harm_can_come_of_it_is_a_word_that_names_a_state():
    seen = 0
    for path in sorted((pathlib.Path(__file__).parents[2] / "prompts/routines").glob("*.toml")):
        sections = tomllib.loads(path.read_text(encoding="utf-8"))["section"]
        steps = [step for section in sections for step in section.get("step", []) if "harm" in step]
        for step in steps:
            if step["answer"]["kind"] == "state":
                seen += 1
                said = " ".join([step["answer"]["want"][0], step["answer"]["other"][0]]).split()
                assert STATES & set(said), f"{path.name}, {step['id']}: {said}"
    assert seen > 200


def test_counts_add_up():
    total = Count()
    total.add(count(["a", "b"], ["a"]))
    total.add(count(["c"], ["d"]))
    assert (total.words, total.errors) == (3, 2)


SCLITE = shutil.which("sclite") or shutil.which("sclite", path="/usr/lib/sctk/bin")


@pytest.mark.skipif(SCLITE is None, reason="sclite (Debian package sctk) is not installed")
def test_the_counts_are_those_of_sclite(tmp_path):
    seed = 20240611
    chance = random.Random(seed)
    pairs = [
        ([chance.choice("abcd") for _ in range(chance.randint(1, 9))], [chance.choice("abcd") for _ in range(chance.randint(1, 9))])
        for _ in range(200)
    ]
    for name, side in (("said.trn", 0), ("heard.trn", 1)):
        (tmp_path / name).write_text("".join(f"{' '.join(p[side])} (u-{i:03d})\n" for i, p in enumerate(pairs)))
    report = subprocess.run(
        [SCLITE, "-r", tmp_path / "said.trn", "-h", tmp_path / "heard.trn", "-i", "spu_id", "-o", "pralign", "stdout"],
        capture_output=True, text=True, check=True,
    ).stdout
    scores = re.findall(r"id: \(u-(\d+)\)\s+Scores: \(#C #S #D #I\) (\d+) (\d+) (\d+) (\d+)", report)
    assert len(scores) == len(pairs)
    for number, correct, substituted, deleted, inserted in scores:
        said, heard = pairs[int(number)]
        ours, theirs = count(said, heard), (int(substituted), int(deleted), int(inserted))
        # Where two alignments cost the same the choice is free: compare the cost, which the standard fixes.
        cost = 4 * ours.substituted + 3 * (ours.deleted + ours.inserted)
        assert cost == 4 * theirs[0] + 3 * (theirs[1] + theirs[2]), f"seed {seed}, {said} / {heard}"
        assert len(said) == int(correct) + theirs[0] + theirs[1]
