"""What each part of hearing is worth: the same clips heard with a part left out, put in, or changed (`examples/hear_parts.rs`)."""

from __future__ import annotations

import json
import pathlib
import statistics
import subprocess
import tempfile
from dataclasses import dataclass

from bench import corpus, phrases, sound, standing
from bench.engines import ProgramFailed
from bench.results import Results
from bench.voices import Booth

CONDITIONS = ("quiet", "water 10 dB", "water 5 dB", "wind 5 dB", "engine 5 dB", "rain 10 dB")


def run(asked) -> None:
    """Hears one clip of each phrase in each of the conditions in every way; what is kept already is not heard again."""
    results = Results(asked.work / "parts.jsonl")
    if results.read():
        return
    allowed = phrases.read()
    booth = Booth(asked.work.parent / "voices")
    clips = [clip for clip in corpus.sweep(allowed, 1, asked.seed) if clip.condition in CONDITIONS]
    meanings = sorted({phrase.meaning for phrase in allowed})
    with tempfile.TemporaryDirectory(prefix="bench-") as folder, tempfile.TemporaryFile("w+") as told:
        listed = pathlib.Path(folder) / "phrases.txt"
        listed.write_text("".join(f"{phrase.text}\t{meanings.index(phrase.meaning)}\n" for phrase in allowed))
        files = {}
        for number, clip in enumerate(clips):
            file = pathlib.Path(folder) / f"{number:04}.wav"
            sound.write(file, corpus.make(clip, booth))
            files[str(file)] = clip
        command = [str(asked.parts), str(asked.models), str(listed)]
        done = subprocess.run(command, input="".join(f"{file}\n" for file in files), stdout=subprocess.PIPE, stderr=told, text=True)
        if done.returncode:
            told.seek(0)
            raise ProgramFailed(f"{command[0]} ended with {done.returncode}: {told.read().strip()[:500]}")
        records = []
        for line in done.stdout.splitlines():
            found = json.loads(line)
            clip = files[found.pop("file")]
            records.append(found | {"condition": clip.condition, "phrase": clip.phrase, "voice": clip.voice})
        results.add(records)


@dataclass
class Row:
    """One way to hear: right best phrases by condition; in all of them how many were taken, asked about, and taken for another phrase."""

    way: str
    clips: int
    best: dict[str, int]
    taken: int
    asked: int
    wrong: int
    milliseconds: float


def rows(records: list[dict]) -> list[Row]:
    """A row for each way, in the order in which they were heard."""
    found = []
    for way in dict.fromkeys(record["way"] for record in records):
        inside = [record for record in records if record["way"] == way]
        right = [record for record in inside if record["best"] == record["phrase"]]
        took = [record for record in inside if record["accepted"] in ("Sure", "Thin")]
        found.append(
            Row(
                way,
                len(inside),
                {name: sum(record["condition"] == name for record in right) for name in CONDITIONS},
                sum(record["accepted"] in ("Sure", "Thin") for record in right),
                sum(record["accepted"] == "Doubtful" for record in right),
                sum(record["best"] != record["phrase"] for record in took),
                statistics.median(record["processor_ms"] for record in inside),
            )
        )
    return found


def write(asked, machine: str) -> None:
    """Writes parts.md."""
    records = Results(asked.work / "parts.jsonl").read()
    if not records:
        return
    table = rows(records)
    head = ("", *CONDITIONS, "best is right", "taken, right", "asked about, right", "taken, wrong", "ms (median)")
    lines = [
        f"<!-- Written by bench/run parts. {machine} Seed {asked.seed}. -->",
        standing.mark(f"bench/run parts --seed {asked.seed}", "ear"),
        "# What each part is worth",
        "",
        f"{table[0].clips} clips of one phrase of {len({r['phrase'] for r in records})}, one of each in each condition. Under the conditions stands how often the best phrase"
        " was the one that was said. Weights and limits are those that ship in every row: what moves the scores as a whole moves what is taken"
        " with them, so compare first how often the best is right. Processor time is that of one clip of about 1.8 s, everything included.",
        "",
        f"| {' | '.join(head)} |",
        f"|{' --- |' * len(head)}",
    ]
    for row in table:
        cells = (row.way, *row.best.values(), f"{sum(row.best.values())} of {row.clips}", row.taken, row.asked, row.wrong, f"{row.milliseconds:.0f}")
        lines.append(f"| {' | '.join(map(str, cells))} |")
    (asked.docs / "parts.md").write_text("\n".join(lines) + "\n")
    print(f"report: {asked.docs}/parts.md")
