"""Whole runs in noise by synthetic people who answer, answer wrongly, or talk to somebody else: how often something was confirmed unsaid."""

from __future__ import annotations

import json
import pathlib
import subprocess
import tempfile

import numpy

from bench import noise, sound
from bench.engines import ProgramFailed
from bench.intervals import wilson
from bench.results import Results

NOISE_S = 90


def run(asked) -> None:
    """Lets runs go on until `--critical` critical steps were answered in all."""
    results = Results(asked.work / "sessions.jsonl")
    done = results.read()
    left = asked.critical - sum(record["critical"] for record in done)
    if left <= 0:
        return
    with tempfile.TemporaryDirectory(prefix="bench-") as folder, tempfile.TemporaryFile("w+") as told:
        files = []
        for kind in noise.NOISES:
            files.append(pathlib.Path(folder) / f"{kind}.wav")
            sound.write(files[-1], sound.at_level(noise.make(kind, f"{asked.seed} session", NOISE_S * sound.RATE), sound.SPEECH_RMS))
        # Others than before, where it is gone on with.
        seed = asked.seed * 1_000 + len(done)
        chatter = pathlib.Path(__file__).parent / "chatter.txt"
        command = [str(asked.sessions), str(asked.models), str(chatter), str(left), str(seed), *map(str, files)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=told, text=True) as program:
            for line in program.stdout:
                record = json.loads(line)
                results.add([record])
                print(f"sessions: {record['routine']}, {record['noise']} {record['snr_db']:.0f} dB, {record['critical']} critical", flush=True)
        if program.returncode:
            told.seek(0)
            raise ProgramFailed(f"{command[0]} ended with {program.returncode}: {told.read().strip()[:500]}")


def write(asked, machine: str) -> None:
    """Writes sessions.md."""
    records = Results(asked.work / "sessions.jsonl").read()
    if not records:
        return
    bands = [(f"{low} to {low + 5} dB", [r for r in records if low <= r["snr_db"] < low + 5]) for low in range(5, 25, 5)]
    noises = [(kind, [r for r in records if r["noise"] == kind]) for kind in sorted({r["noise"] for r in records})]
    head = ("", "runs", "to the end", "critical settled", "of them unsaid", "others settled", "of them unsaid", "answers", "taken at once", "asked about", "say again", "talk", "taken for a phrase")
    lines = [
        f"<!-- Written by bench/run sessions. {machine} Seed {asked.seed}. -->",
        "# Runs in noise",
        "",
        f"| {' | '.join(head)} |",
        f"|{' --- |' * len(head)}",
    ]
    for name, rows in [*bands, *noises, ("all", records)]:
        if rows:
            lines.append(f"| {' | '.join(map(str, (name, *_cells(rows))))} |")
    wrong = [(r, one) for r in records for one in r["critical_wrong"] + r["ordinary_wrong"]]
    critical, unsaid = sum(r["critical"] for r in records), sum(len(r["critical_wrong"]) for r in records)
    ear = numpy.array([ms for r in records for ms in r["ear_ms"]])
    lines += [
        "",
        f"A critical step settled by words that nobody had said: {unsaid} of {critical} (at most {100 * wilson(unsaid, critical, 0.9)[1]:.2f} %, 95 %, Wilson;"
        f" {300 / critical:.2f} % by the rule of three where there is none).",
        "",
        f"From the end of a word to the end of the computing for it: median {numpy.median(ear):.0f} ms, 95 % {numpy.quantile(ear, 0.95):.0f} ms, worst"
        f" {ear.max()} ms, of {len(ear)}; the reply's first sound is 40 to 110 ms after that (`cargo bench --bench say`, the device's buffers).",
        "",
        "Every one that was settled unsaid:",
        "",
        *([f"- {one} ({r['routine']}, {r['voice']}, {r['noise']} {r['snr_db']:.0f} dB)" for r, one in wrong] or ["None."]),
        "",
        "Talk that was taken for a phrase:",
        "",
        *([f"- {one} ({r['routine']}, {r['voice']}, {r['noise']} {r['snr_db']:.0f} dB)" for r in records for one in r["talk_taken"]] or ["None."]),
    ]
    (asked.docs / "sessions.md").write_text("\n".join(lines) + "\n")
    print(f"report: {asked.docs}/sessions.md")


def _cells(rows: list[dict]) -> tuple:
    total = {key: sum(row[key] for row in rows) for key in ("completed", "critical", "ordinary", "answers", "taken_at_once", "asked_about", "unclear", "talk")}
    lists = {key: sum(len(row[key]) for row in rows) for key in ("critical_wrong", "ordinary_wrong", "talk_taken")}
    return (
        *(len(rows), total["completed"], total["critical"], lists["critical_wrong"], total["ordinary"], lists["ordinary_wrong"]),
        *(total["answers"], total["taken_at_once"], total["asked_about"], total["unclear"], total["talk"], lists["talk_taken"]),
    )
