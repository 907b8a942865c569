"""Word errors of what is written down freely, by people who are held out and whose words are known:

    python -m train.written DATA CHECKOUT WORK FEATURES MODELS [MODELS ...]

DATA as `train.collect` makes it; CHECKOUT is the clone of the repository jimbozhang/speechocean762, whose `test/text` and `train/text` say
what was read. Each utterance is heard in quiet and in noises that are held out, by the program's own scorer (`examples/hear_features.rs`)
with each folder of MODELS. Columns: word errors in 100 words (Levenshtein, as NIST's sclite counts).
"""

from __future__ import annotations

import argparse
import concurrent.futures
import json
import os
import pathlib
import re
import subprocess

import numpy
import soundfile

from train import manifest
from train.acceptance import looked_at
from train.collect import PAUSE
from train.evaluate import errors

SET = "speechocean"
# Noises that are held out, and how many dB the voice is above them.
CONDITIONS = {
    "quiet": None,
    "waterfall 10": ("sound-bible/waterfall.mp3", 10),
    "wind 10": ("alarm-clock/wind.mp3", 10),
    "kitchen 10": ("intent-noise/kitchen.wav", 10),
}
# The program's scorer gives up what it writes freely after 24 tokens, if a phrase that may be said is as long.
LONGEST_S, MOST_WORDS = 7.0, 11
LONG = "the hose is stowed and the lid is closed and the water is off and the cap is on and the black valve is closed"
AROUND_S = 0.3


def transcripts(checkout: pathlib.Path) -> dict[str, str]:
    """The words of each utterance by its name, in capitals."""
    read = [subprocess.run(["git", "-C", checkout, "show", f"HEAD:{part}/text"], capture_output=True, text=True, check=True).stdout for part in ("test", "train")]
    return dict(line.split(None, 1) for text in read for line in text.splitlines())


def utterances(data: pathlib.Path, said: dict[str, str]) -> list[tuple[numpy.ndarray, str]]:
    """What people who are held out read, sound and words, in the order of the manifest. No numbers: they may be written in digits."""
    listed = json.loads((data / SET / "manifest.json").read_text())
    origins = {f"{SET}/{one['file']}": one["from"] for one in listed["files"] if one["held_out"]}
    found = []
    for one in manifest.recordings(data):
        for_speaker = origins.get(f"{one.set}/{one.path.name}") if one.kind == "speech" else None
        if not for_speaker:
            continue
        samples, at = one.samples(), 0
        for origin in for_speaker:
            sound, at = samples[at : at + origin["samples"]], at + origin["samples"] + int(PAUSE * manifest.SAMPLE_RATE)
            # A few have no text in the repository.
            words = said.get(pathlib.Path(origin["path"]).stem, "").lower()
            if 0 < len(words.split()) <= MOST_WORDS and len(sound) <= LONGEST_S * manifest.SAMPLE_RATE and not NUMBERS & set(words.split()):
                found.append((sound / max(1e-4, numpy.abs(sound).max()) * 0.5, words))
    return found


NUMBERS = set("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen twenty thirty forty fifty sixty seventy eighty ninety hundred thousand first second third".split())


def in_noise(sound: numpy.ndarray, noise: numpy.ndarray | None, ratio: float, draw) -> numpy.ndarray:
    """The sound with its surroundings, `ratio` dB above the noise."""
    padded = numpy.pad(sound, int(AROUND_S * manifest.SAMPLE_RATE)) + draw.normal(0, 1e-4, len(sound) + 2 * int(AROUND_S * manifest.SAMPLE_RATE))
    if noise is not None:
        loud = numpy.abs(sound) > 0.05 * numpy.abs(sound).max()
        level = numpy.sqrt((sound[loud] ** 2).mean()) * 10 ** (-ratio / 20)
        at = draw.integers(len(noise) - len(padded))
        stretch = noise[at : at + len(padded)]
        padded = padded + stretch / stretch.std() * level
    return padded.astype(numpy.float32)


def plain(text: str) -> list[str]:
    """The words alone, small letters."""
    return re.sub(r"[^a-z' ]", "", text.lower().replace("-", " ")).split()


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("data", "checkout", "work", "features"):
        words.add_argument(name, type=pathlib.Path)
    words.add_argument("models", type=pathlib.Path, nargs="+")
    words.add_argument("--seed", type=int, default=5)
    words.add_argument("--processes", type=int, default=os.cpu_count())
    asked = words.parse_args()
    said = utterances(asked.data, transcripts(asked.checkout))
    noises = {one.speaker: one.samples() for one in manifest.recordings(asked.data) if one.kind == "noise" and one.held_out}
    asked.work.mkdir(parents=True)
    phrases = asked.work / "phrases.txt"
    phrases.write_text(LONG + "\n")
    parts = []
    for name, noise in CONDITIONS.items():
        draw = numpy.random.default_rng(asked.seed)
        sound, ratio = (noises[noise[0]], noise[1]) if noise else (None, 0)
        files = [asked.work / f"{name.replace(' ', '-')}-{number:04}.wav" for number in range(len(said))]
        for file, (one, _) in zip(files, said):
            soundfile.write(file, in_noise(one, sound, ratio, draw), manifest.SAMPLE_RATE)
        parts += [(name, files[begin : begin + 50], [text for _, text in said[begin : begin + 50]]) for begin in range(0, len(said), 50)]
    print(f"{len(said)} utterances, {sum(len(plain(text)) for _, text in said)} words", flush=True)
    with concurrent.futures.ThreadPoolExecutor(asked.processes) as threads:
        for models in asked.models:
            found = threads.map(lambda part: looked_at(asked.features, models, phrases, part[1]), parts)
            wrong = dict.fromkeys(CONDITIONS, 0)
            for (name, _, texts), some in zip(parts, found):
                wrong[name] += sum(errors(plain(one["free"]), plain(text)) for one, text in zip(some, texts))
            total = sum(len(plain(text)) for _, text in said)
            print(f"{models.name} | " + " | ".join(f"{name}: {100 * count / total:.1f}" for name, count in wrong.items()), flush=True)


if __name__ == "__main__":
    main()
