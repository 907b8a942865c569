"""Cuts talk into pieces as an ear without knowledge would: at pauses, and blindly. Pure."""

from __future__ import annotations

import numpy

from bench import sound

# What the program's own ear does: 320 ms of quiet end an utterance, 8 s are no answer any more.
PAUSE_S = 0.32
LONGEST_S = 8.0
SHORTEST_S = 0.2
# Sound kept before and after.
AROUND_S = 0.25


def at_pauses(samples: numpy.ndarray, over_floor_db: float = 9.0) -> list[tuple[int, int]]:
    """Where utterances begin and end, in samples, with the sound around them.

    A frame of 10 ms is speech when it stands `over_floor_db` above the quietest tenth of the frames, and is not 25 dB below the
    loudest. What is longer than LONGEST_S is cut at shorter pauses, down to 80 ms, though the program would leave it alone; what
    has no such pause, or is shorter than SHORTEST_S, is left out.
    """
    levels = sound.frame_levels(samples)
    if not len(levels) or levels.max() <= 0:
        return []
    limit = max(numpy.quantile(levels, 0.1) * 10 ** (over_floor_db / 20), levels.max() * 10 ** (-25 / 20))
    around = round(AROUND_S * sound.RATE)
    found = []
    for begin, end in _runs(numpy.flatnonzero(levels > limit), round(PAUSE_S * 100)):
        if end - begin >= SHORTEST_S * 100:
            found.append((max(0, begin * sound.FRAME - around), min(len(samples), end * sound.FRAME + around)))
    return found


def _runs(frames: numpy.ndarray, pause: int) -> list[tuple[int, int]]:
    """Runs of frames without a gap longer than `pause` frames; those too long are cut at gaps half as long."""
    if not len(frames) or pause < 8:
        return []
    found = []
    for run in numpy.split(frames, numpy.flatnonzero(numpy.diff(frames) > pause) + 1):
        begin, end = int(run[0]), int(run[-1]) + 1
        found += [(begin, end)] if end - begin <= LONGEST_S * 100 else _runs(run, pause // 2)
    return found


def blindly(count: int, rng: numpy.random.Generator, shortest_s: float = 0.6, longest_s: float = 3.0) -> list[tuple[int, int]]:
    """`count` samples cut end to end into pieces of random length, through words as it comes; what is left over is dropped."""
    found, at = [], 0
    while True:
        length = round(rng.uniform(shortest_s, longest_s) * sound.RATE)
        if at + length > count:
            return found
        found.append((at, at + length))
        at += length
