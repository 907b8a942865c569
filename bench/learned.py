"""What `sparehand learn-voice` is worth: made-up people read its lines, and other clips of theirs are judged without and with them.

    cargo build --release --locked --example hear_learned
    target/bench/venv/bin/python -m bench.learned [--people N] [--work DIR]

Prints the tables of docs/hearing/learned.md. What was broken off is gone on with. Everything is drawn by a fixed seed.
"""

from __future__ import annotations

import argparse
import json
import os
import pathlib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy

from bench import cutting, noise, phrases, room, sound, talk
from bench.corpus import MANNER_SNR_DB, MANNERS, QUIET_DB, tilted
from bench.engines import _run_program
from bench.intervals import wilson
from bench.voices import TALKERS, Booth

ROOT = pathlib.Path(__file__).parents[1]
SEED = 77
# Voice, pitch and pace of each. The constants of src/speech/own_examples.rs were chosen on the first five, and on nobody else.
SEEN = [("espeak en-us", Fraction(1)), ("espeak en-gb", Fraction(1)), ("flite kal16", Fraction(1)), ("flite rms", Fraction(1)), ("flite slt", Fraction(1))]
OTHERS = [
    *[("piper joe", Fraction(1)), ("espeak scots", Fraction(1)), ("flite awb", Fraction(1)), ("kokoro alpha", Fraction(1))],
    *[("espeak caribbean", Fraction(1)), ("festival kal", Fraction(1)), ("piper joe", Fraction(9, 8)), ("espeak Annie", Fraction(1))],
]
ACCENTED = {"espeak en-gb", "espeak scots", "espeak caribbean", "flite awb", "kokoro alpha"}
# Nobody says a word twice alike: a synthesiser does unless it is asked not to.
PACES = (0.93, 0.97, 1.0, 1.03, 1.07)
PITCHES = (Fraction(31, 32), Fraction(1), Fraction(33, 32))


@dataclass(frozen=True)
class Clip:
    """An utterance: `own` is an example, `left out` is heard where nothing of its meaning may be said."""

    person: int
    part: str
    phrase: str
    noise: str | None
    snr_db: float
    tilt_db: float
    speed: float
    pitch: Fraction
    place: str
    distance: float
    number: int


def lines() -> list[str]:
    """The lines of a lesson."""
    read = tomllib.loads((ROOT / "prompts/phrases/learn.toml").read_text())["lines"]
    return [line for kind in read.values() for line in kind]


def clips(person: int, pitch: Fraction, allowed: list[phrases.Phrase]) -> Iterator[Clip]:
    """All clips of a person, the examples first. What is heard later is of the lines that were read."""
    rng = numpy.random.default_rng([SEED, person])
    read, number = lines(), 0

    def clip(part: str, text: str, kind: str | None, snr: float, how: dict, farthest: float) -> Clip:
        nonlocal number
        number += 1
        return Clip(
            person=person,
            part=part,
            phrase=text,
            noise=kind,
            snr_db=snr + how.get("level", 0.0),
            tilt_db=how.get("tilt", 0.0),
            speed=how.get("speed", 1.0) * PACES[rng.integers(len(PACES))],
            pitch=pitch * how.get("pitch", Fraction(1)) * PITCHES[rng.integers(len(PITCHES))],
            place=("van", "beside")[rng.integers(2)],
            distance=round(float(rng.uniform(0.3, farthest)), 2),
            number=number,
        )

    for text in read:
        yield clip("own", text, None, QUIET_DB, {}, 0.8)
    two_words = [text for text in read if " " in text]
    for part, kind, snr in (("quiet", None, QUIET_DB), ("water 10 dB", "water", 10.0), ("wind 5 dB", "wind", 5.0)):
        for text in rng.permutation(two_words)[:12]:
            yield clip(part, str(text), kind, snr, {}, 1.5)
    for manner in ("soft", "loud", "high", "fast"):
        for turn, text in enumerate(rng.permutation(two_words)[:8]):
            yield clip(manner, str(text), ("water", "engine")[turn % 2], MANNER_SNR_DB, MANNERS[manner], 0.6)
    everything = [phrase.text for phrase in allowed]
    for turn, text in enumerate(rng.permutation(everything)[:24]):
        kind, snr = ((None, QUIET_DB), ("wind", 5.0))[turn % 2]
        yield clip("left out", str(text), kind, snr, {}, 1.5)


def make(clip: Clip, voice: str, booth: Booth) -> numpy.ndarray:
    """The sound of `clip`, half a second of its background on both sides."""
    rng = numpy.random.default_rng([SEED, clip.person, clip.number])
    spoken = booth.speak(voice, clip.phrase, round(clip.speed, 3), clip.pitch)
    if clip.tilt_db:
        spoken = tilted(spoken, clip.tilt_db)
    place = next(place for place in room.PLACES if place.name == clip.place)
    spoken = sound.at_level(sound.trimmed(room.heard_at(spoken, place, clip.distance, rng)), sound.SPEECH_RMS)
    count = len(spoken) + sound.RATE + 16
    seed = f"learned {clip.person} {clip.number}"
    around = noise.make(clip.noise, seed, count) if clip.noise else rng.standard_normal(count).astype(numpy.float32)
    return sound.with_noise(spoken, around, clip.snr_db)


def talk_pieces(person: int, voice: str, pitch: Fraction, booth: Booth) -> Iterator[tuple[str, numpy.ndarray]]:
    """What the person and two others say around the job, cut at pauses: text and sound."""
    rng = numpy.random.default_rng([SEED, person, 1])
    chats = talk.chats(rng)
    others = list(TALKERS)
    for who, at in ((voice, pitch), (others[(3 * person) % len(others)], Fraction(1)), (others[(3 * person + 1) % len(others)], Fraction(1))):
        text = f"{next(chats)} {next(chats)}"
        spoken = booth.speak(who, text, 1.0, at)
        for begin, end in cutting.at_pauses(spoken):
            piece = spoken[begin:end]
            around = rng.standard_normal(len(piece) + sound.RATE // 2 + 16).astype(numpy.float32)
            yield text, sound.with_noise(piece, around, QUIET_DB, 0.25, 0.25)


def hear(person: int, voice: str, pitch: Fraction, asked: argparse.Namespace, booth: Booth) -> list[dict]:
    """What the program made of everything of a person, kept in a file."""
    kept = asked.work / f"{person:02}.jsonl"
    if kept.is_file():
        return [json.loads(line) for line in kept.read_text().splitlines()]
    folder = asked.work / f"{person:02}"
    folder.mkdir(parents=True, exist_ok=True)
    orders, what = [], []
    for clip in sorted(clips(person, pitch, phrases.read()), key=lambda clip: (clip.part != "own", clip.part == "left out", clip.phrase if clip.part == "left out" else "")):
        file = folder / f"{clip.number:03}.wav"
        sound.write(file, make(clip, voice, booth))
        if clip.part == "own":
            orders.append(f"own\t{person}\t{clip.phrase}\t{file}")
            continue
        orders.append(f"left-out\t{person}\t{clip.phrase}\t{file}" if clip.part == "left out" else f"hear\t{person}\t{file}")
        what.append({"part": clip.part, "phrase": clip.phrase, "text": ""})
    for number, (text, samples) in enumerate(talk_pieces(person, voice, pitch, booth)):
        file = folder / f"talk-{number:03}.wav"
        sound.write(file, samples)
        orders.append(f"hear\t{person}\t{file}")
        what.append({"part": "talk", "phrase": "", "text": text, "s": len(samples) / sound.RATE})
    command = [str(asked.program), str(asked.models), str(ROOT / "bench/phrases.tsv")]
    heard = _run_program(command, "".join(f"{order}\n" for order in orders), len(what))[0]
    records = [{**one, **found} for one, found in zip(what, heard)]
    kept.write_text("".join(json.dumps(record) + "\n" for record in records))
    print(f"person {person}: {len(records)} heard", flush=True)
    return records


def table(title: str, records: list[dict]) -> None:
    """Right answers that count (sure or thin) without and with what was learned, and what was taken wrongly."""
    meaning = {phrase.text: phrase.meaning for phrase in phrases.read()}
    print(f"\n{title}\n\n| part | clips | counted before | counted now | asked about, before and now | wrong counted, before and now |\n| --- | --- | --- | --- | --- | --- |")
    for part in dict.fromkeys(record["part"] for record in records):
        rows = [record for record in records if record["part"] == part]
        if part == "talk":
            rows = [row for row in rows if not (row["best"] and phrases.holds(row["text"], row["best"]))]

        def count(when: str, right: bool, certainties: tuple[str, ...]) -> int:
            fits = lambda row: (row["phrase"] != "" and part != "left out" and meaning.get(row["best"]) == meaning[row["phrase"]]) == right
            return sum(row[when]["certainty"] in certainties and fits(row) for row in rows)

        def share(hits: int) -> str:
            low, high = wilson(hits, len(rows))
            return f"{100 * hits / len(rows):.0f} % ({100 * low:.0f} to {100 * high:.0f})" if part not in ("left out", "talk") else ""

        acts = ("Sure", "Thin")
        right = [share(count(when, True, acts)) for when in ("before", "with_own")]
        doubtful = [count(when, part not in ("left out", "talk"), ("Doubtful",)) for when in ("before", "with_own")]
        wrong = [count(when, False, acts) for when in ("before", "with_own")]
        print(f"| {part} | {len(rows)} | {right[0]} | {right[1]} | {doubtful[0]}, {doubtful[1]} | {wrong[0]}, {wrong[1]} |")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m bench.learned", description="Measures what learning a voice is worth.")
    parser.add_argument("--people", type=int, default=len(SEEN) + len(OTHERS))
    parser.add_argument("--work", type=pathlib.Path, default=ROOT / "target/bench/learned")
    parser.add_argument("--program", type=pathlib.Path, default=ROOT / "target/release/examples/hear_learned")
    data = os.environ.get("XDG_DATA_HOME") or "~/.local/share"
    parser.add_argument("--models", type=pathlib.Path, default=pathlib.Path(data).expanduser() / "sparehand/models")
    asked = parser.parse_args()
    booth = Booth(asked.work / "voices")
    order = list(enumerate([*SEEN, *OTHERS]))
    # Those that nothing was chosen on come first: where time is short they are what matters.
    order = (order[len(SEEN) :] + order[: len(SEEN)])[: asked.people]
    all_records = {person: hear(person, voice, pitch, asked, booth) for person, (voice, pitch) in order}
    groups = {
        "People that nothing was chosen on": [person for person, _ in order if person >= len(SEEN)],
        "Of them with an accent": [person for person, (voice, _) in order if person >= len(SEEN) and voice in ACCENTED],
        "People that the constants were chosen on": [person for person, _ in order if person < len(SEEN)],
    }
    for title, people in groups.items():
        if people:
            table(f"{title} ({len(people)})", [record for person in people for record in all_records[person]])


if __name__ == "__main__":
    main()
