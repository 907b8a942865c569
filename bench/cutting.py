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
    """Where utterances begin and end, in samples, with the sound around them; too short and too long ones are left out.

    A frame of 10 ms is speech when it stands `over_floor_db` above the quietest tenth of the frames, and is not 30 dB below the
    loudest.
    """
    levels = sound.frame_levels(samples)
    if not len(levels) or levels.max() <= 0:
        return []
    floor = numpy.quantile(levels, 0.1)
    limit = max(floor * 10 ** (over_floor_db / 20), levels.max() * 10 ** (-30 / 20))
    frames = numpy.flatnonzero(levels > limit)
    if not len(frames):
        return []
    pause = round(PAUSE_S * 100)
    breaks = numpy.flatnonzero(numpy.diff(frames) > pause)
    begins = frames[numpy.concatenate([[0], breaks + 1])]
    ends = frames[numpy.concatenate([breaks, [len(frames) - 1]])] + 1
    around = round(AROUND_S * sound.RATE)
    found = []
    for begin, end in zip(begins, ends):
        if SHORTEST_S * 100 <= end - begin <= LONGEST_S * 100:
            found.append((max(0, int(begin) * sound.FRAME - around), min(len(samples), int(end) * sound.FRAME + around)))
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
