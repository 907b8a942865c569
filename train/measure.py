"""Measures the program as it ships, on speakers and noises that training never saw:

    python -m train.measure DATA WORK --heard SPAREHAND MODELS [--heard SPAREHAND MODELS ...]

DATA as `train.collect` makes it; each program has its folder as `sparehand fetch` fills it, the first one with the published weights. Clips of
a few words are cut from the speech of those who are held out; what was said is what the published weights understand in quiet, when
they are sure of it. Each is offered to `sparehand hear` with 19 others, in quiet and in noises that are held out, with and without
`--background`. Pieces whose words are not among the 20 count what is taken that was not said. WORK keeps the sounds.
"""

from __future__ import annotations

import argparse
import json
import os
import pathlib
import re
import subprocess
from dataclasses import dataclass

import numpy
import soundfile
import torch

from train import manifest, tokens, weights
from train.loop import decoded
from train.losses import scores
from train.network import END
from train.speech import in_words, islands

OFFERED = 20
# Seconds before and after the words, as the program's ear leaves them.
AROUND = 0.3
# Held-out noises, and how many dB the voice is above them.
CONDITIONS = {
    "quiet": None,
    "waterfall 10": ("sound-bible/waterfall.mp3", 10),
    "waterfall 5": ("sound-bible/waterfall.mp3", 5),
    "wind 5": ("alarm-clock/wind.mp3", 5),
    "storm rain 5": ("blanket/storm.ogg", 5),
    "kitchen 5": ("intent-noise/kitchen.wav", 5),
}
# Of talk, which is judged in these.
TALK = ("quiet", "waterfall 10", "storm rain 5")
SYNTHETIC = ("flite", "kokoro")
# Mean nats a token that the published weights may give for what they understand.
SURE = -0.25


@dataclass(frozen=True)
class Piece:
    """A few words by somebody."""

    speaker: str
    text: str
    sound: numpy.ndarray


def plain(text: str) -> str:
    """The words alone, small letters."""
    return re.sub(r"\s+", " ", re.sub(r"[^a-z' ]", "", text.lower())).strip()


def pieces(data: pathlib.Path, models: pathlib.Path, count: int, seed: int, held_out: bool = True) -> list[Piece]:
    """Pieces of 0.45 to 1.7 s by all people who are held out (or all who are not), in turn; no text twice."""
    draw = numpy.random.default_rng(seed)
    encoder, decoder = weights.networks(weights.from_published(models / "moonshine-tiny-en"), "cpu")
    of = tokens.pieces(models / "moonshine-tiny-en/tokenizer.bin")
    by_speaker = {}
    for one in manifest.recordings(data):
        if one.kind == "speech" and one.held_out == held_out and one.set not in SYNTHETIC:
            sound = one.samples()
            rows = numpy.concatenate([in_words([island], island.begin) for island in islands(sound)] or [numpy.zeros((0, 2), int)])
            rows = rows[(rows[:, 1] >= 7_200) & (rows[:, 1] <= 27_200)]
            # The readers have long texts, the others one or two minutes each.
            share = 5 if "libri-other" in one.speaker else 1
            by_speaker[one.speaker] = (sound, draw.permutation(rows), share)
    found, seen = [], set()
    turn = [name for name, (_, _, share) in sorted(by_speaker.items()) for _ in range(share)]
    tried = {name: 0 for name in by_speaker}
    while len(found) < count:
        progress = False
        for name in draw.permutation(turn):
            sound, rows, _ = by_speaker[name]
            if tried[name] >= len(rows) or len(found) >= count:
                continue
            progress = True
            begin, long = rows[tried[name]]
            tried[name] += 1
            words = sound[begin : begin + long] * numpy.minimum(1, numpy.minimum(numpy.arange(long), numpy.arange(long)[::-1]) / 240)
            words = words / max(1e-4, numpy.abs(words).max()) * 0.5
            heard = numpy.pad(words, int(AROUND * 16_000)).astype(numpy.float32)
            with torch.no_grad():
                states = encoder(torch.tensor(heard)[None])
                text = decoded(decoder, states, 14)
                sure = scores(decoder, states, text[None]).item() / text.shape[1]
            said = tokens.text(text[0].tolist(), of)
            if text[0, -1] == END and sure > SURE and 1 <= len(plain(said).split()) <= 4 and len(plain(said)) > 2 and plain(said) not in seen and not re.search(r"\d", said):
                seen.add(plain(said))
                found.append(Piece(name, plain(said), words.astype(numpy.float32)))
        if not progress:
            raise SystemExit(f"measure: {len(found)} pieces, expected {count}; more speech of held-out speakers is needed")
    return found


def loudness(sound: numpy.ndarray) -> float:
    """Root mean square of the samples above a twentieth of the peak."""
    loud = numpy.abs(sound) > 0.05 * numpy.abs(sound).max()
    return float(numpy.sqrt((sound[loud] ** 2).mean()))


def mixed(piece: Piece, noise: numpy.ndarray | None, ratio: float, draw) -> numpy.ndarray:
    """The piece with its surroundings, in noise."""
    sound = numpy.pad(piece.sound, int(AROUND * 16_000)) + draw.normal(0, 1e-4, len(piece.sound) + 2 * int(AROUND * 16_000))
    if noise is not None:
        at = draw.integers(len(noise) - len(sound))
        stretch = noise[at : at + len(sound)]
        sound = sound + stretch / stretch.std() * loudness(piece.sound) * 10 ** (-ratio / 20)
    return (sound / max(1.0, numpy.abs(sound).max() / 0.98)).astype(numpy.float32)


def written(work: pathlib.Path, found: list[Piece], noises: dict[str, numpy.ndarray], seed: int) -> None:
    """All sounds: WORK/CONDITION/NUMBER.wav, and for each noise what it is like without a voice."""
    draw = numpy.random.default_rng(seed)
    level = float(numpy.mean([loudness(piece.sound) for piece in found]))
    for name, noise in CONDITIONS.items():
        folder = work / name.replace(" ", "-")
        folder.mkdir(parents=True, exist_ok=True)
        sound, ratio = (noises[noise[0]], noise[1]) if noise else (None, 0)
        for number, piece in enumerate(found):
            soundfile.write(folder / f"{number:04}.wav", mixed(piece, sound, ratio, draw), 16_000)
        if sound is not None:
            some = sound[: 3 * 16_000]
            soundfile.write(folder / "background.wav", (some / some.std() * level * 10 ** (-ratio / 20)).clip(-1, 1), 16_000)


def heard(sparehand: pathlib.Path, models: pathlib.Path, phrases: pathlib.Path, wavs: list[pathlib.Path], background: pathlib.Path | None) -> list[dict]:
    """What `sparehand hear` makes of some files."""
    command = [sparehand, "hear", "--json", "--phrases", phrases] + (["--background", background] if background else [])
    done = subprocess.run([*command, *wavs], capture_output=True, text=True, env={**os.environ, "SPAREHAND_MODELS": str(models), "OMP_NUM_THREADS": "1"})
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    if len(lines) != len(wavs) or any("error" in line for line in lines):
        raise SystemExit(f"sparehand hear: {done.stderr or done.stdout[:500]}")
    return lines


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("data", type=pathlib.Path)
    words.add_argument("work", type=pathlib.Path)
    words.add_argument("--heard", nargs=2, action="append", type=pathlib.Path, metavar=("SPAREHAND", "MODELS"), required=True)
    words.add_argument("--count", type=int, default=240)
    words.add_argument("--seed", type=int, default=5)
    words.add_argument("--background", choices=["without", "with", "both"], default="both")
    words.add_argument("--only-sounds", action="store_true", help="make the sounds, measure nothing")
    asked = words.parse_args()
    torch.set_num_threads(1)
    texts = asked.work / "texts.json"
    if not texts.exists():
        found = pieces(asked.data, asked.heard[0][1], 2 * asked.count, asked.seed)
        noises = {one.speaker: one.samples() for one in manifest.recordings(asked.data) if one.kind == "noise" and one.held_out}
        asked.work.mkdir(parents=True, exist_ok=True)
        written(asked.work, found, noises, asked.seed)
        texts.write_text(json.dumps([[piece.speaker, piece.text] for piece in found]))
    said = json.loads(texts.read_text())
    print(f"{len(said)} pieces by {len({speaker for speaker, _ in said})} speakers")
    if asked.only_sounds:
        return
    # The first half is offered, the second is talk that is not.
    half = len(said) // 2
    table = []
    for sparehand, models in asked.heard:
        for with_background in {"without": (False,), "with": (True,), "both": (False, True)}[asked.background]:
            row = {"models": str(models), "background": with_background, "conditions": {}}
            for name in CONDITIONS:
                folder = asked.work / name.replace(" ", "-")
                background = folder / "background.wav" if with_background and (folder / "background.wav").exists() else None
                counts = {"taken": 0, "wrong": 0, "first": 0, "of": half, "talk taken": 0, "talk of": 0, "talk": []}
                for begin in range(0, half, OFFERED):
                    group = range(begin, min(begin + OFFERED, half))
                    phrases = asked.work / f"phrases-{begin}.txt"
                    phrases.write_text("".join(said[number][1] + "\n" for number in group))
                    for number, line in zip(group, heard(sparehand, models, phrases, [folder / f"{n:04}.wav" for n in group], background)):
                        counts["first"] += line["best"] == said[number][1]
                        counts["taken"] += line["phrase"] == said[number][1]
                        counts["wrong"] += line["phrase"] not in (None, said[number][1])
                    if name in TALK:
                        talk = range(half + begin, min(half + begin + OFFERED, len(said)))
                        for number, line in zip(talk, heard(sparehand, models, phrases, [folder / f"{n:04}.wav" for n in talk], background)):
                            counts["talk of"] += 1
                            if line["phrase"] is not None:
                                counts["talk taken"] += 1
                                counts["talk"].append([said[number][1], line["phrase"]])
                row["conditions"][name] = counts
            table.append(row)
            shown = " | ".join(f"{c['taken']}/{c['wrong']} ({c['first']})" + (f" t{c['talk taken']}" if c["talk of"] else "") for c in row["conditions"].values())
            print(f"{models.name}{' with background' if with_background else ''}: {shown}", flush=True)
            (asked.work / f"measured-{asked.background}.json").write_text(json.dumps(table, indent=1))


if __name__ == "__main__":
    main()
