"""Whole runs in noise by synthetic people who answer, answer wrongly, or talk to somebody else: how often something was confirmed unsaid."""

from __future__ import annotations

import json
import pathlib
import subprocess
import tempfile

import numpy

from bench import noise, said, sound, standing
from bench.engines import ProgramFailed
from bench.intervals import most_of_none, wilson
from bench.results import Results

NOISE_S = 90


def run(asked) -> None:
    """Lets runs go on until `--critical` critical steps were answered in all."""
    results = Results(asked.work / "sessions.jsonl")
    done = results.read()
    left = asked.critical - sum(len(_confirmed(record, critical=True)) for record in done)
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
                print(f"sessions: {record['routine']}, {record['noise']} {record['snr_db']:.0f} dB, {len(_confirmed(record, critical=True))} critical", flush=True)
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
    head = (
        *("", "runs", "to the end", "critical settled", "of them unsaid", "by the lenient judge", "others settled", "of them unsaid", "by the lenient judge"),
        *("answers", "taken at once", "asked about", "say again", "by key in the end", "talk", "taken for a phrase"),
    )
    lines = [
        f"<!-- Written by bench/run sessions. {machine} Seed {asked.seed}. -->",
        standing.mark(f"bench/run sessions --seed {asked.seed}", "ear", "runs"),
        "# Runs in noise",
        "",
        f"| {' | '.join(head)} |",
        f"|{' --- |' * len(head)}",
    ]
    for name, rows in [*bands, *noises, ("all", records)]:
        if rows:
            lines.append(f"| {' | '.join(map(str, (name, *_cells(rows))))} |")
    wrong = [(r, one) for r in records for one in _unsaid(r["confirmed"])]
    settled = [one for r in records for one in _confirmed(r, critical=True)]
    critical, unsaid = len(settled), len(_unsaid(settled))
    ear = numpy.array([ms for r in records for ms in r["ear_ms"]])
    lines += [
        "",
        "Unsaid is what was not said to the question that was open, for the step that was settled; the lenient judge lets any of the last four things"
        " that were said pass.",
        "",
        f"A critical step settled by words that nobody had said: {unsaid} of {critical} (at most {100 * wilson(unsaid, critical, 0.9)[1]:.2f} %, 95 %, Wilson;"
        f" {100 * most_of_none(critical):.2f} % where there is none, exactly).",
        "",
        f"From the end of a word to the end of the computing for it: median {numpy.median(ear):.0f} ms, 95 % {numpy.quantile(ear, 0.95):.0f} ms, worst"
        f" {ear.max()} ms, of {len(ear)}; the reply's first sound is 40 to 110 ms after that (`cargo bench --bench say`, the device's buffers).",
        "",
        "Every one that was settled unsaid:",
        "",
        *([f"- {said.told(one)} ({r['routine']}, {r['voice']}, {r['noise']} {r['snr_db']:.0f} dB)" for r, one in wrong] or ["None."]),
        "",
        "Talk that was taken for a phrase:",
        "",
        *([f"- {one} ({r['routine']}, {r['voice']}, {r['noise']} {r['snr_db']:.0f} dB)" for r in records for one in r["talk_taken"]] or ["None."]),
    ]
    (asked.docs / "sessions.md").write_text("\n".join(lines) + "\n")
    print(f"report: {asked.docs}/sessions.md")


def _confirmed(record: dict, critical: bool) -> list[dict]:
    return [one for one in record["confirmed"] if one["critical"] == critical]


def _unsaid(confirmed: list[dict]) -> list[dict]:
    return [one for one in confirmed if said.why_wrong(one)]


def counts(rows: list[dict]) -> dict[str, int]:
    """What runs come to: settled steps, and of them those that nobody had said by either judge."""
    found = {key: sum(row[key] for row in rows) for key in ("completed", "answers", "asked_about", "unclear", "by_key", "talk")}
    for name, critical in (("critical", True), ("ordinary", False)):
        confirmed = [one for row in rows for one in _confirmed(row, critical)]
        found[name] = len(confirmed)
        found[f"{name}_unsaid"] = len(_unsaid(confirmed))
        found[f"{name}_lenient"] = sum(not said.lenient(one) for one in confirmed)
    found["taken_at_once"] = sum(len(_answers_taken_at_once(row)) for row in rows)
    found["talk_taken"] = sum(len(row["talk_taken"]) for row in rows)
    return found


def _answers_taken_at_once(row: dict) -> set[tuple]:
    """What was said and settled something without being asked about: one answer to several steps is one."""
    taken = [one for one in row["confirmed"] if not one["asked_back"] and not said.why_wrong(one)]
    return {(one["heard_in"]["question"], one["heard_in"]["text"]) for one in taken}


def _cells(rows: list[dict]) -> tuple:
    columns = ("critical", "critical_unsaid", "critical_lenient", "ordinary", "ordinary_unsaid", "ordinary_lenient")
    more = ("answers", "taken_at_once", "asked_about", "unclear", "by_key", "talk", "talk_taken")
    found = counts(rows)
    return (len(rows), *(found[key] for key in ("completed", *columns, *more)))
