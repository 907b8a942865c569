"""Runs every engine over the clips, a batch at a time, and keeps a line for each in a file. A run that was broken off goes on."""

from __future__ import annotations

import dataclasses
import pathlib
import tempfile
from collections.abc import Callable, Iterator

from bench import corpus, sound
from bench.engines import Features, FreeDecode, PocketSphinx, Sparehand, Vosk
from bench.results import Results
from bench.voices import Booth

BATCH = 60


def hear(
    clips: list[corpus.Clip], booth: Booth, program: Sparehand, others: list[PocketSphinx | Vosk], results: Results, say: str
) -> None:
    """Hears each of `clips` that `results` has not got yet with every engine."""
    free = FreeDecode(program.phrases)

    def records(batch: list[corpus.Clip], files: list[pathlib.Path]) -> Iterator[dict]:
        runs = {engine.name: engine.hear(files) for engine in (program, *others)}
        for number, clip in enumerate(batch):
            heard = {name: dataclasses.asdict(one.heard[number]) for name, one in runs.items()}
            heard[free.name] = dataclasses.asdict(free.of(runs[program.name].heard[number]))
            costs = {name: {"peak_mb": one.peak_mb, "cpu_ms": one.cpu_ms / len(batch)} for name, one in runs.items()}
            yield dataclasses.asdict(clip) | {"pitch": str(clip.pitch), "engines": heard, "costs": costs}

    _in_batches(clips, booth, results, say, records)


def weigh(clips: list[corpus.Clip], booth: Booth, features: Features, results: Results, say: str) -> None:
    """The odds of each of `clips` that `results` has not got yet, and what they come from."""

    def records(batch: list[corpus.Clip], files: list[pathlib.Path]) -> Iterator[dict]:
        for clip, found in zip(batch, features.hear(files)):
            yield dataclasses.asdict(clip) | {"pitch": str(clip.pitch), "found": {**found, "file": ""}}

    _in_batches(clips, booth, results, say, records)


def _in_batches(
    clips: list[corpus.Clip],
    booth: Booth,
    results: Results,
    say: str,
    records: Callable[[list[corpus.Clip], list[pathlib.Path]], Iterator[dict]],
) -> None:
    """Makes the clips that are not in `results` yet, a batch at a time, and adds what `records` gives for each."""
    done = {record["part"] + record["condition"] + record["seed"] for record in results.read()}
    waiting = [clip for clip in clips if clip.part + clip.condition + clip.seed not in done]
    for begin in range(0, len(waiting), BATCH):
        batch = waiting[begin : begin + BATCH]
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            files = [pathlib.Path(folder) / f"{number:04}.wav" for number in range(len(batch))]
            for clip, file in zip(batch, files):
                sound.write(file, corpus.make(clip, booth))
            results.add(list(records(batch, files)))
        print(f"{say}: {begin + len(batch)} of {len(waiting)}", flush=True)
