"""Cases of people for acceptance: answers that were said, and talk that is none of what may be said.

    python -m train.acceptance cases PACK START.npz TOKENIZER WORK [--held-out]
    python -m train.acceptance weigh WORK FEATURES MODELS OUT [--processes N]

`cases` cuts pieces of a few words from the speech in PACK of those who were trained on, to fit to, or of those who are held out, to
measure; what was said is what the published weights (START) understand in quiet, when they are sure of it. Answers come in groups, and
each group may be said; the same sounds are talk where another group may be said, and other pieces, longer ones among them, are talk where
the phrases of the job may be said. They are heard in quiet, in rooms and in noise. `weigh` has the program's own scorer
(`examples/hear_features.rs`) look at each, so many processes at a time, and keeps what it finds as `bench/run fit --work OUT` reads it.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import difflib
import json
import os
import pathlib
import re
import subprocess
from dataclasses import dataclass

import numpy
import soundfile
import torch
from torch import Tensor

from train import pack, tokens, weights
from train.degrade import loudness, rooms
from train.losses import scores
from train.loop import decoded, gathered
from train.network import END
from train.noise import Shelf, as_one, between, chance, convolved
from train.speech import Island, in_words

RATE = 16_000
JOB = pathlib.Path(__file__).parents[1] / "bench/phrases.tsv"
# How many answers may be said at once.
GROUP = 40
# Seconds of sound before and after the words, as the program's ear leaves them.
AROUND_S = 0.3
# Mean nats a token that the published weights may give for what they understand.
SURE = -0.25
# How an answer is heard: dB of the voice above the noise, at least and at most; no noise where there are none.
ANSWERED = (None, (5, 15), (5, 15), (0, 10), (0, 10))
TALKED = (None, (5, 20), (0, 10))
# Share of letters in common above which two texts are all but the same.
ALL_BUT_THE_SAME = 0.7
# Sets whose voices are no people.
SYNTHETIC = ("flite", "kokoro")


@dataclass(frozen=True)
class Piece:
    """Some words by somebody."""

    speaker: str
    text: str
    sound: numpy.ndarray


def plain(text: str) -> str:
    """The words alone, small letters."""
    return re.sub(r"\s+", " ", re.sub(r"[^a-z' ]", "", text.lower())).strip()


def cut(index: list[dict], least_s: float, most_s: float, held_out: bool, each: int, draw) -> list[tuple[str, numpy.ndarray]]:
    """Stretches of speech of some length, with whose they are: at most `each` of a speaker, in a random order."""
    found = []
    for one in index:
        if one["kind"] != "speech" or one["held_out"] != held_out or one["set"] in SYNTHETIC:
            continue
        rows = in_words([Island(0, long, tuple(cuts)) for long, cuts in one["islands"]], 0)
        rows = rows[(rows[:, 1] >= least_s * RATE) & (rows[:, 1] <= most_s * RATE)]
        for begin, long in draw.permutation(rows)[:each]:
            sound = one["sound"][begin : begin + long] * numpy.minimum(1, numpy.minimum(numpy.arange(long), numpy.arange(long)[::-1]) / 240)
            found.append((one["speaker"], (sound / max(1e-4, numpy.abs(sound).max()) * 0.5).astype(numpy.float32)))
    return [found[at] for at in draw.permutation(len(found))]


@torch.no_grad()
def understood(stretches: list[tuple[str, numpy.ndarray]], networks, of: list[bytes], count: int, words: tuple[int, int], device) -> list[Piece]:
    """Those of which the published network is sure, no text twice, each with so many words at least and at most."""
    encoder, decoder = networks
    found, seen = [], set()
    for begin in range(0, len(stretches), 256):
        some = stretches[begin : begin + 256]
        length = max(len(sound) for _, sound in some) + 2 * int(AROUND_S * RATE)
        heard = torch.zeros(len(some), length)
        for row, (_, sound) in zip(heard, some):
            row[int(AROUND_S * RATE) :][: len(sound)] = torch.tensor(sound)
        states = encoder(heard.to(device))
        texts = decoded(decoder, states, 8 + 4 * words[1])
        sure = scores(decoder, states, texts[:, None])[:, 0] / (texts != END).sum(1)
        for (speaker, sound), text, mean in zip(some, texts.tolist(), sure.tolist()):
            said = tokens.text(text, of)
            bare = plain(said)
            if END in text and mean > SURE and words[0] <= len(bare.split()) <= words[1] and len(bare) > 2 and bare not in seen and not re.search(r"\d", said):
                seen.add(bare)
                found.append(Piece(speaker, bare, sound))
                if len(found) == count:
                    return found
    return found


def heard_as(pieces: list[Piece], noises, ratios: tuple[float, float] | None, device) -> list[numpy.ndarray]:
    """The pieces with their surroundings, half of them in a room, in noise that `noises` makes of rows and samples."""
    edge = int(AROUND_S * RATE)
    lengths = [len(piece.sound) + 2 * edge for piece in pieces]
    x = torch.zeros(len(pieces), max(lengths))
    for row, piece in zip(x, pieces):
        row[edge:][: len(piece.sound)] = torch.tensor(piece.sound)
    x = x.to(device)
    rows, length = x.shape
    x = torch.where(chance(rows, 0.5, device), convolved(x, rooms(rows, device)), x)
    x = x / (x.abs().amax(1, keepdim=True) + 1e-6) * 0.5
    if ratios:
        x = x + as_one(noises(rows, length)) * loudness(x) * 10 ** (-between(rows, *ratios, device) / 20)
    x = x + torch.randn_like(x) * 1e-4
    x = x / (x.abs().amax(1, keepdim=True) + 1e-6) * torch.exp(between(rows, -2.5, -0.1, device))
    return [row[:long] for row, long in zip(x.cpu().numpy(), lengths)]


def job() -> list[str]:
    """The phrases of the job."""
    return [line.split("\t")[0] for line in JOB.read_text().splitlines() if line and not line.startswith("#")]


def is_in(text: str, phrase: str) -> bool:
    """Whether the phrase stands in the text, or is all but the text: "of our culture" for "our culture" is no talk taken for an answer."""
    alike = difflib.SequenceMatcher(None, text.replace(" ", ""), phrase.replace(" ", "")).ratio()
    return f" {phrase} " in f" {text} " or alike > ALL_BUT_THE_SAME


def kept(sounds: list[numpy.ndarray], folder: pathlib.Path, threads: concurrent.futures.Executor) -> list[str]:
    """Writes sounds; gives their names."""
    first = len(list(folder.glob("*.wav")))
    names = [folder / f"{first + number:05}.wav" for number in range(len(sounds))]
    list(threads.map(lambda name, sound: soundfile.write(name, sound, RATE), names, sounds))
    return [str(name.relative_to(folder.parent)) for name in names]


def make(asked) -> None:
    """Cuts and degrades; WORK/cases.json says which sound is to be heard against which phrases."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(asked.seed)
    draw = numpy.random.default_rng(asked.seed)
    index, of = pack.loaded(asked.pack), tokens.pieces(asked.tokenizer)
    networks = weights.networks(weights.loaded(asked.start), device)
    short = cut(index, 0.4, 1.7, asked.held_out, 2_000 if asked.held_out else 60, draw)
    long = cut(index, 1.7, 4.5, asked.held_out, 300 if asked.held_out else 8, draw)
    pieces = understood(short, networks, of, asked.answers + asked.talk, (1, 4), device)
    several = understood(long, networks, of, asked.talk // 2, (4, 20), device)
    share = asked.answers / (asked.answers + asked.talk)
    answers = pieces[: int(len(pieces) * share) // GROUP * GROUP]
    talk = pieces[len(answers) :] + several
    print(f"{len(answers)} answers, {len(talk)} pieces of talk, by {len({piece.speaker for piece in pieces + several})} speakers", flush=True)
    if asked.held_out:
        shelf = Shelf([torch.tensor(one["sound"], device=device) for one in index if one["kind"] == "noise" and one["held_out"]])
        noises = lambda rows, length: shelf.noise(rows, length, device)  # noqa: E731
    else:
        trained = gathered(index, device, asked.seed)[1]
        noises = lambda rows, length: trained(rows, length, device)  # noqa: E731
    groups, allowed = [], {"job": job()}
    sounds = asked.work / "sounds"
    sounds.mkdir(parents=True)
    with concurrent.futures.ThreadPoolExecutor() as threads:
        heard = []
        for number in range(0, len(answers), GROUP):
            allowed[f"answers {number // GROUP}"] = [piece.text for piece in answers[number : number + GROUP]]
        many = len(answers) // GROUP
        for number in range(many):
            group = answers[number * GROUP :][:GROUP]
            for place, condition in enumerate(ANSWERED):
                for file, piece in zip(kept(heard_as(group, noises, condition, device), sounds, threads), group):
                    heard.append({"file": file, "text": piece.text, "speaker": piece.speaker, "condition": f"{condition}", "allowed": f"answers {number}"})
                    # One of each kind is talk as well.
                    if many > 1 and condition not in ANSWERED[:place]:
                        heard.append({**heard[-1], "allowed": f"answers {(number + 1) % many}"})
        for begin in range(0, len(talk), GROUP):
            group = talk[begin : begin + GROUP]
            for condition in TALKED:
                for file, piece in zip(kept(heard_as(group, noises, condition, device), sounds, threads), group):
                    heard.append({"file": file, "text": piece.text, "speaker": piece.speaker, "condition": f"{condition}", "allowed": "job"})
    groups = {name: [one for one in heard if one["allowed"] == name] for name in allowed}
    (asked.work / "cases.json").write_text(json.dumps({"allowed": allowed, "groups": groups}))
    print(f"{len(heard)} cases", flush=True)


def looked_at(features: pathlib.Path, models: pathlib.Path, phrases: pathlib.Path, sounds: list[pathlib.Path]) -> list[dict]:
    """What the example finds of each sound."""
    done = subprocess.run([features, models, phrases], input="".join(f"{sound}\n" for sound in sounds), capture_output=True, text=True, env={**os.environ, "OMP_NUM_THREADS": "1", "ORT_DISABLE_TELEMETRY": "1"})
    found = [json.loads(line) for line in done.stdout.splitlines()]
    if len(found) != len(sounds):
        raise SystemExit(f"{features}: {len(found)} of {len(sounds)} sounds: {done.stderr[-500:]}")
    return found


def weigh(asked) -> None:
    """Has every case looked at; writes `sweep-odds.jsonl` (answers) and `talk.jsonl`."""
    held = json.loads((asked.work / "cases.json").read_text())
    asked.out.mkdir(parents=True, exist_ok=True)
    parts = []
    for number, (name, cases) in enumerate(held["groups"].items()):
        phrases = asked.out / f"phrases-{number}.txt"
        phrases.write_text("".join(one + "\n" for one in held["allowed"][name]))
        parts += [(phrases, name, cases[begin : begin + 150]) for begin in range(0, len(cases), 150)]

    def look(part) -> list[dict]:
        phrases, name, cases = part
        found = looked_at(asked.features, asked.models, phrases, [asked.work / one["file"] for one in cases])
        return [case | {"found": one | {"file": ""}} for case, one in zip(cases, found)]

    with concurrent.futures.ThreadPoolExecutor(asked.processes) as threads:
        found = [one for part in threads.map(look, parts) for one in part]
    with (asked.out / "sweep-odds.jsonl").open("w") as answers, (asked.out / "talk.jsonl").open("w") as talk:
        for one in found:
            common = {"condition": one["condition"], "voice": one["speaker"], "text": one["text"], "allowed": one["allowed"]}
            if one["text"] in held["allowed"][one["allowed"]]:
                answers.write(json.dumps({"part": "sweep", "seed": "", "phrase": one["text"], "found": one["found"]} | common) + "\n")
            elif not (one["found"]["best"] and is_in(one["text"], one["found"]["best"])):
                some = [{name: one["found"][name] for name in ("best", "score", "margin", "features", "free")}]
                talk.write(json.dumps({"kind": "pieces", "source": one["condition"], "weighed": some} | common) + "\n")
    print(f"{len(found)} cases weighed", flush=True)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ways = words.add_subparsers(dest="way", required=True)
    cases = ways.add_parser("cases")
    for name in ("pack", "start", "tokenizer", "work"):
        cases.add_argument(name, type=pathlib.Path)
    cases.add_argument("--held-out", action="store_true")
    cases.add_argument("--answers", type=int, default=2_000)
    cases.add_argument("--talk", type=int, default=1_600)
    cases.add_argument("--seed", type=int, default=11)
    weighed = ways.add_parser("weigh")
    for name in ("work", "features", "models", "out"):
        weighed.add_argument(name, type=pathlib.Path)
    weighed.add_argument("--processes", type=int, default=os.cpu_count())
    asked = words.parse_args()
    make(asked) if asked.way == "cases" else weigh(asked)


if __name__ == "__main__":
    main()
