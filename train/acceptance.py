"""Cases to fit acceptance to, of people who were trained on (who is held out is for measuring): answers that were said, and talk that is
none of them, as `examples/hear_features.rs` weighs them: python -m train.acceptance DATA WORK FEATURES MODELS PUBLISHED

WORK gets what `bench/run fit --work WORK --write` reads. Pieces are offered with 19 others in quiet and in noise that was trained on;
others are talk, set against the phrases of the job.
"""

from __future__ import annotations

import argparse
import json
import pathlib
import subprocess
import tempfile

import numpy
import soundfile
import torch

from train import manifest
from train.measure import OFFERED, Piece, mixed, pieces

ANSWERS = {"quiet": None, "rain 5": ("blanket/rain.ogg", 5), "brook 5": ("sound-bible/water.mp3", 5), "engine 5": ("audio-classifier/car_engine.wav", 5)}
TALK = {"quiet": None, "rain 10": ("blanket/rain.ogg", 10), "brook 5": ("sound-bible/water.mp3", 5)}


def weighed(features: pathlib.Path, models: pathlib.Path, phrases: list[str], sounds: list[numpy.ndarray]) -> list[dict]:
    """What the example finds of each sound."""
    with tempfile.TemporaryDirectory() as folder:
        place = pathlib.Path(folder)
        (place / "phrases.txt").write_text("".join(one + "\n" for one in phrases))
        files = [place / f"{number:04}.wav" for number in range(len(sounds))]
        for file, sound in zip(files, sounds):
            soundfile.write(file, sound, 16_000)
        done = subprocess.run([features, models, place / "phrases.txt"], input="".join(f"{file}\n" for file in files), capture_output=True, text=True)
        found = [json.loads(line) for line in done.stdout.splitlines()]
    if len(found) != len(sounds):
        raise SystemExit(f"{features}: {len(found)} of {len(sounds)} sounds: {done.stderr[-500:]}")
    return found


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("data", "work", "features", "models", "published"):
        words.add_argument(name, type=pathlib.Path)
    words.add_argument("--answers", type=int, default=300)
    words.add_argument("--talk", type=int, default=600)
    words.add_argument("--seed", type=int, default=11)
    asked = words.parse_args()
    torch.set_num_threads(1)
    asked.work.mkdir(parents=True, exist_ok=True)
    draw = numpy.random.default_rng(asked.seed)
    noises = {one.speaker: one.samples() for one in manifest.recordings(asked.data) if one.kind == "noise" and not one.held_out}
    found = pieces(asked.data, asked.published, asked.answers + asked.talk, asked.seed, held_out=False)
    print(f"{len(found)} pieces by {len({one.speaker for one in found})} speakers", flush=True)
    answers, talk = found[: asked.answers], found[asked.answers :]
    job = [line.split("\t")[0] for line in pathlib.Path("bench/phrases.tsv").read_text().splitlines() if line and not line.startswith("#")]

    def heard_as(piece: Piece, noise) -> numpy.ndarray:
        return mixed(piece, noises[noise[0]] if noise else None, noise[1] if noise else 0, draw)

    with (asked.work / "sweep-odds.jsonl").open("w") as out:
        for name, noise in ANSWERS.items():
            for begin in range(0, len(answers), OFFERED):
                group = answers[begin : begin + OFFERED]
                for piece, one in zip(group, weighed(asked.features, asked.models, [p.text for p in group], [heard_as(p, noise) for p in group])):
                    out.write(json.dumps({"part": "sweep", "condition": name, "seed": "", "phrase": piece.text, "voice": piece.speaker, "found": one | {"file": ""}}) + "\n")
            print(name, flush=True)
    with (asked.work / "talk.jsonl").open("w") as out:
        for name, noise in TALK.items():
            said = [piece for piece in talk if piece.text not in job]
            for piece, one in zip(said, weighed(asked.features, asked.models, job, [heard_as(p, noise) for p in said])):
                some = [{"best": one["best"], "features": one["features"]}] if one["features"] else []
                out.write(json.dumps({"kind": "pieces", "text": piece.text, "voice": piece.speaker, "source": name, "weighed": some}) + "\n")
            print("talk", name, flush=True)


if __name__ == "__main__":
    main()
