"""Pieces of speech: where it is spoken in a recording, where a word or a few can be cut out, and clean examples made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy
import torch
from scipy.ndimage import label, maximum_filter1d, minimum_filter1d, uniform_filter1d
from torch import Tensor

from train.noise import between, between_logs, chance

SAMPLE_RATE = 16_000
HOP = 160
# Samples of the shortest and the longest piece.
SHORTEST, LONGEST = 3_200, 88_000
# Sound behind the last piece, so that a stretch may be read beyond its end.
BEHIND = 200_000


@dataclass(frozen=True)
class Island:
    """Speech without a pause in it: first sample, samples, and the samples (from its begin) at which it may be cut."""

    begin: int
    length: int
    cuts: tuple[int, ...]

    def pieces(self, most_words: int = 13) -> list[tuple[int, int]]:
        """All stretches between two places to cut, as first sample and samples, from the island's begin."""
        ends = (0, *self.cuts, self.length)
        return [
            (a, b - a)
            for number, a in enumerate(ends)
            for b in ends[number + 1 : number + 1 + most_words]
            if SHORTEST <= b - a <= LONGEST
        ]


def islands(samples: numpy.ndarray) -> list[Island]:
    """The speech in a recording. Nothing where voice and pauses are less than 12 dB apart: its noise would be learned as speech."""
    frames = len(samples) // HOP
    if frames < 40:
        return []
    power = (samples[: frames * HOP].reshape(frames, HOP) ** 2).mean(1)
    level = uniform_filter1d(10 * numpy.log10(power + 1e-10), 3)
    low, high = numpy.percentile(level, 8), numpy.percentile(level, 95)
    if high - low < 12:
        return []
    spoken = level > max(low + 0.3 * (high - low), high - 40)
    # A pause is 120 ms.
    gaps, count = label(~spoken)
    lengths = numpy.bincount(gaps.ravel(), minlength=count + 1)
    spoken |= (lengths[gaps] < 12) & (gaps > 0)
    edges = numpy.flatnonzero(numpy.diff(numpy.pad(spoken.astype(numpy.int8), 1)))
    smooth = uniform_filter1d(level, 3)
    # A dip: lowest within 100 ms, 9 dB below what is loudest within 250 ms on both sides.
    before = maximum_filter1d(smooth, 25, origin=12)
    after = maximum_filter1d(smooth, 25, origin=-12)
    dips = numpy.flatnonzero((smooth <= minimum_filter1d(smooth, 21)) & (numpy.minimum(before, after) - smooth > 9))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist()):
        if last - first < 8:
            continue
        first, last = max(0, first - 6), min(frames, last + 6)
        cuts, latest = [], first
        for dip in dips[(dips > first + 18) & (dips < last - 18)]:
            if dip - latest > 12:
                cuts.append((int(dip) - first) * HOP)
                latest = int(dip)
        found.append(Island(first * HOP, (last - first) * HOP, tuple(cuts)))
    return found


@dataclass
class Speech:
    """All speech end to end on the device, and the pieces of each set: rows of first sample and samples."""

    samples: Tensor
    pieces: dict[str, numpy.ndarray]
    shares: dict[str, float]

    def fitting(self, seconds: float) -> tuple[list[Tensor], Tensor]:
        """For each set its pieces that go well into a clip of `seconds`, and how often each set is taken."""
        chosen, weights = [], []
        for name, pieces in self.pieces.items():
            long = pieces[:, 1] / SAMPLE_RATE
            fit = pieces[(long <= seconds - 0.06) & (long >= min(seconds * 0.35, seconds - 1.1))]
            if len(fit):
                chosen.append(torch.tensor(fit, device=self.samples.device))
                weights.append(self.shares[name])
        return chosen, torch.tensor(weights) / sum(weights)

    def clean(self, seconds: float, rows: int, quiet_odds: float = 0.06) -> tuple[Tensor, Tensor]:
        """Clips (rows, samples) of clean speech at random speed and place, over all but silence; True where there is none."""
        device, length = self.samples.device, int(seconds * SAMPLE_RATE)
        chosen, weights = self.fitting(seconds)
        counts = torch.multinomial(weights, rows, replacement=True).bincount(minlength=len(chosen)).tolist()
        picked = torch.cat([one[torch.randint(len(one), (count,), device=device)] for one, count in zip(chosen, counts)])
        picked = picked[torch.randperm(rows, device=device)]
        begin, long = picked[:, :1], picked[:, 1:].float()
        rate = torch.where(chance(rows, 0.6, device), between(rows, 0.85, 1.18, device), torch.ones(rows, 1, device=device))
        rate = torch.maximum(rate, long / (length - 640))
        onset = (length - long / rate).clamp(min=0) * torch.rand(rows, 1, device=device)
        place = (torch.arange(length, device=device)[None] - onset) * rate
        spoken = (place >= 0) & (place < long - 1)
        place = torch.minimum(place.clamp(min=0), long - 1)
        whole = place.long()
        share = place - whole
        at = whole + begin
        clip = self.samples[at] * (1 - share) + self.samples[at + 1] * share
        fade = (torch.minimum(place, long - place) / 240).clamp(0, 1)
        quiet = chance(rows, quiet_odds, device)
        clip = clip * spoken * fade * ~quiet
        clip = clip / (clip.abs().amax(1, keepdim=True) + 1e-5) * between_logs(rows, 0.15, 0.8, device)
        return clip + torch.randn_like(clip) * 1e-4, quiet


def in_words(islands_of: list[Island], at: int) -> numpy.ndarray:
    """The pieces of some islands that lie end to end from sample `at` on, rows of first sample and samples."""
    rows = []
    for island in islands_of:
        rows += [(at + first, length) for first, length in island.pieces()]
        at += island.length
    return numpy.array(rows, dtype=numpy.int64).reshape(-1, 2)


def more_short(pieces: numpy.ndarray, seed: int, most: int = 400_000) -> numpy.ndarray:
    """At most so many pieces, drawn so that short ones, of which there are fewest, are all kept."""
    if len(pieces) <= most:
        return pieces
    keep = numpy.minimum(1, (0.9 * SAMPLE_RATE / pieces[:, 1]) ** 1.5)
    keep *= most / keep.sum()
    return pieces[numpy.random.default_rng(seed).random(len(pieces)) < keep]


def share_of_steps(seconds: float) -> float:
    """How often clips of this length are trained on: answers last about a second and a half."""
    return math.exp(-((math.log(seconds / 1.5) / 0.55) ** 2) / 2)
