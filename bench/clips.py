"""Runs every engine over the clips, a batch at a time, and keeps a line for each in a file. A run that was broken off goes on."""

from __future__ import annotations

import dataclasses
import json
import pathlib
import tempfile
from collections.abc import Iterable

from bench import corpus, sound
from bench.engines import Features, FreeDecode, PocketSphinx, Sparehand, Vosk
from bench.voices import Booth

BATCH = 60


class Results:
    """A file of JSON lines that is only ever added to; a line that was cut off is dropped when it is opened again."""

    def __init__(self, path: pathlib.Path) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            text = path.read_text()
            path.write_text(text[: text.rfind("\n") + 1])

    def read(self) -> list[dict]:
        return [json.loads(line) for line in self.path.read_text().splitlines()] if self.path.exists() else []

    def add(self, records: Iterable[dict]) -> None:
        with self.path.open("a") as file:
            file.writelines(json.dumps(record) + "\n" for record in records)


def run(
    clips: list[corpus.Clip],
    booth: Booth,
    program: Sparehand,
    features: Features | None,
    free: FreeDecode,
    others: list[PocketSphinx | Vosk],
    results: Results,
    say: str,
) -> None:
    """Hears each of `clips` that `results` has not got yet with every engine."""
    done = {record["seed"] + record["condition"] for record in results.read()}
    waiting = [clip for clip in clips if clip.seed + clip.condition not in done]
    for begin in range(0, len(waiting), BATCH):
        batch = waiting[begin : begin + BATCH]
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            files = [pathlib.Path(folder) / f"{number:04}.wav" for number in range(len(batch))]
            for clip, file in zip(batch, files):
                sound.write(file, corpus.make(clip, booth))
            by_program = program.hear(files)
            runs = {program.name: by_program}
            runs |= {other.name: other.hear(files) for other in others}
            figures = features.hear(files) if features else [None] * len(files)
        records = []
        for number, clip in enumerate(batch):
            heard = {name: dataclasses.asdict(one.heard[number]) for name, one in runs.items()}
            heard[free.name] = dataclasses.asdict(free.of(by_program.heard[number]))
            record = dataclasses.asdict(clip) | {"pitch": str(clip.pitch), "engines": heard, "features": figures[number]}
            record["peak_mb"] = {name: one.peak_mb for name, one in runs.items()}
            records.append(record)
        results.add(records)
        print(f"{say}: {len(done) + begin + len(batch)} of {len(clips)}", flush=True)
