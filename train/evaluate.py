"""How well weights put the right text first, for speakers and noises that training never saw: python -m train.evaluate PACK START.npz WEIGHTS.npz ...

A quick look on the way, by the network itself; what counts is measured with the program (docs/hearing). Each piece is one of a few
words by somebody who is held out, as the teacher understands it in quiet; it is set against the texts of 19 others. Columns: put
first; put first and above what the best wrong text of 99 in 100 comes to where the right one is not offered (so: taken, at one wrong
in a hundred); free text, token errors in 100.
"""

from __future__ import annotations

import argparse
import pathlib

import numpy
import torch
from torch import Tensor

from train import losses, pack, weights
from train.degrade import loudness, rooms
from train.loop import decoded
from train.network import END, Decoder, Encoder
from train.noise import Shelf, as_one, convolved, coloured, water
from train.speech import Island, in_words

SECONDS, MOST, OFFERED = 2.0, 14, 20
# The program subtracts half of what a text gets without any speech.
PRIOR = 0.5


def pieces(index: list[dict], count: int, seed: int) -> Tensor:
    """Clips (count, samples) of held-out speakers, each about the same number."""
    draw, length, found = numpy.random.default_rng(seed), int(SECONDS * 16_000), []
    for one in index:
        if one["kind"] != "speech" or not one["held_out"]:
            continue
        rows = in_words([Island(0, long, tuple(cuts)) for long, cuts in one["islands"]], 0)
        rows = rows[(rows[:, 1] >= 8_000) & (rows[:, 1] <= 24_000)]
        for begin, long in draw.permutation(rows)[: 60 if "libri" in one["set"] else 8]:
            sound = one["sound"][begin : begin + long] * numpy.minimum(1, numpy.minimum(numpy.arange(long), numpy.arange(long)[::-1]) / 240)
            clip = numpy.zeros(length, numpy.float32)
            clip[(length - long) // 2 :][:long] = sound / max(1e-4, numpy.abs(sound).max()) * 0.5
            found.append(clip)
    chosen = draw.permutation(len(found))[:count]
    clips = numpy.stack([found[i] for i in chosen])
    return torch.tensor(clips + draw.normal(0, 1e-4, clips.shape).astype(numpy.float32))


def conditions(clips: Tensor, index: list[dict], seed: int) -> dict[str, Tensor]:
    """The clips in quiet, in a room, and in noises that are held out, at so many dB."""
    torch.manual_seed(seed)
    device, (rows, length) = clips.device, clips.shape
    made = {"quiet": clips, "room": convolved(clips, rooms(rows, device))}
    for one in index:
        if one["kind"] == "noise" and one["held_out"]:
            noise = Shelf([torch.tensor(one["sound"], device=device)]).stretch(rows, length)
            name, ratio = one["speaker"].rsplit("/", 1)[1].split(".")[0], 0 if "boat" in one["speaker"] else 5
            made[f"{name} {ratio}"] = clips + as_one(noise) * loudness(clips) * 10 ** (-ratio / 20)
    made["drops 5"] = clips + water(rows, length, device) * loudness(clips) * 10 ** (-5 / 20)
    return made


@torch.no_grad()
def all_scores(encoder: Encoder, decoder: Decoder, clips: Tensor, texts: Tensor) -> tuple[Tensor, Tensor]:
    """States of the clips and the scores of the texts (rows, k, length) for each."""
    states, found = [], []
    for some, about in zip(clips.split(32), texts.split(32)):
        states.append(encoder(some))
        found.append(losses.scores(decoder, states[-1], about))
    return torch.cat(states), torch.cat(found)


def errors(found: list[int], right: list[int]) -> int:
    """Least number of tokens put in, left out and exchanged."""
    before = list(range(len(right) + 1))
    for number, one in enumerate(found, 1):
        now = [number]
        for at, other in enumerate(right, 1):
            now.append(min(before[at] + 1, now[-1] + 1, before[at - 1] + (one != other)))
        before = now
    return before[-1]


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("pack", type=pathlib.Path)
    words.add_argument("start", type=pathlib.Path)
    words.add_argument("weights", type=pathlib.Path, nargs="*")
    words.add_argument("--count", type=int, default=400)
    words.add_argument("--seed", type=int, default=5)
    asked = words.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    index, start = pack.loaded(asked.pack), weights.loaded(asked.start)
    encoder, decoder = weights.networks(start, device)
    clips = pieces(index, 3 * asked.count, asked.seed).to(device)
    with torch.no_grad():
        texts = torch.cat([_padded(decoded(decoder, encoder(some), MOST)) for some in clips.split(64)])
    seen, keep = set(), []
    for row, text in enumerate(texts.tolist()):
        words_of = tuple(text[: text.index(END)]) if END in text else ()
        if 3 <= len(words_of) <= 10 and words_of not in seen:
            seen.add(words_of)
            keep.append(row)
    keep = keep[: asked.count]
    clips, texts = clips[keep], texts[keep]
    draw = numpy.random.default_rng(asked.seed)
    choice = numpy.stack([[row, *draw.choice(numpy.delete(numpy.arange(len(keep)), row), OFFERED - 1, replace=False)] for row in range(len(keep))])
    offered = texts[torch.tensor(choice, device=device)]
    sets = conditions(clips, index, asked.seed)
    print(f"{len(keep)} pieces, {len(seen)} texts")
    for file in [None, *asked.weights]:
        if file:
            encoder, decoder = weights.networks(start | weights.loaded(file), device)
        nothing = torch.cat([coloured(1, int(SECONDS * 16_000), device, torch.full((1, 1), -1.0, device=device), 0.001) * 0.02 for _ in range(3)])
        prior = all_scores(encoder, decoder, nothing, texts[None].expand(3, -1, -1))[1].logsumexp(0) - numpy.log(3)
        row = []
        for name, heard in sets.items():
            states, said = all_scores(encoder, decoder, heard, offered)
            said = said - PRIOR * prior[torch.tensor(choice, device=device)]
            wrong = said[:, 1:].amax(1)
            first = said[:, 0] > wrong
            taken = first & (said[:, 0] > torch.quantile(wrong, 0.99))
            with torch.no_grad():
                free = torch.cat([_padded(decoded(decoder, some, MOST)) for some in states.split(64)]).tolist()
            pairs = [(one[1 : one.index(END)] if END in one else one[1:], right[1 : right.index(END)]) for one, right in zip(free, texts.tolist())]
            missed = sum(errors(*pair) for pair in pairs) / sum(len(right) for _, right in pairs)
            row.append(f"{name}: {100 * first.float().mean():.0f} {100 * taken.float().mean():.0f} {100 * missed:.0f}")
        print(f"{file or 'published'} | " + " | ".join(row), flush=True)


def _padded(texts: Tensor) -> Tensor:
    """Texts filled up with END to the same length."""
    full = torch.full((len(texts), MOST + 1), END, dtype=torch.long, device=texts.device)
    full[:, : texts.shape[1]] = texts
    return full


if __name__ == "__main__":
    main()
