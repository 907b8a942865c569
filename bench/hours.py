"""Ten hours of what is no answer, as one recording after the other, heard by the program's whole ear with the phrases of real steps.

Unlike `talk`, nothing is cut beforehand and no figures are weighed: the program's own speech detector cuts, the
echo of the program's own prompts is cancelled, and what it would have taken for an answer is kept. Blocks are those of `talk`.
"""

from __future__ import annotations

import concurrent.futures
import json
import pathlib
import shlex
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from bench import sound, standing
from bench.engines import ProgramFailed
from bench.intervals import poisson_upper
from bench.phrases import holds
from bench.results import Results
from bench.talk_run import Choice, blocks, speak_prompts
from bench.voices import Booth

ALL = "all together"


def run(asked) -> None:
    """Hears blocks until there are `--hours` of them in all, or no more; `--jobs` ears at once."""
    results = Results(asked.work / "hours.jsonl")
    _gather(asked.work, results)
    kept = results.read()
    begin = 1 + max((record["block"] for record in kept), default=-1)
    wanted = asked.hours * 3600 - sum(record["seconds"] for record in kept)
    if not asked.people and "prompts" not in asked.without:
        speak_prompts(asked.program, asked.work.parent / "prompts")
    with concurrent.futures.ProcessPoolExecutor(asked.jobs) as pool:
        for ended in [pool.submit(_hear, asked, begin, share, wanted / asked.jobs) for share in range(asked.jobs)]:
            ended.result()
    _gather(asked.work, results)


def _gather(work: pathlib.Path, results: Results) -> None:
    """Puts together what the ears have kept, those of a run that was broken off too."""
    for part in sorted(work.glob("hours-*.jsonl")):
        results.add(Results(part).read())
        part.unlink()


def _hear(asked, begin: int, share: int, wanted: float) -> None:
    """Hears one of each `--jobs` blocks from `begin` on, for so many seconds, and keeps them in a file of its own."""
    results = Results(asked.work / f"hours-{share:02}.jsonl")
    seconds = 0.0
    booth = Booth(asked.work.parent / "voices")
    prompts = asked.work.parent / "prompts"
    choice = Choice(share, asked.jobs, tuple(asked.without), asked.people)
    # A seed for each beginning, or a run that is gone on with would hear the same phrases with the same kinds of talk again.
    command = [str(asked.ear), str(asked.models), str(asked.seed + begin + share)]
    with (
        tempfile.TemporaryDirectory(prefix="bench-") as folder,
        tempfile.TemporaryFile("w+") as told,
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=told, text=True) as ear,
    ):
        waiting: list[tuple[dict, pathlib.Path]] = []
        for block in blocks(asked.seed, booth, asked.program, prompts, begin, choice):
            if seconds >= wanted:
                break
            file = pathlib.Path(folder) / f"{block.number}.wav"
            sound.write(file, block.samples)
            ear.stdin.write(f"{file}\town\n" if block.kind == "prompts" else f"{file}\n")
            ear.stdin.flush()
            waiting.append(({"block": block.number, "kind": block.kind, "source": block.source, "voice": block.voice, "text": block.text}, file))
            # The next block is made while this one is heard.
            if len(waiting) > 1:
                seconds += _take(ear, told, *waiting.pop(0), results)
                print(f"hours: {seconds / 3600:.2f} of {wanted / 3600:.2f} h, ear {share}", flush=True)
        for record, file in waiting:
            seconds += _take(ear, told, record, file, results)
        ear.stdin.close()
    if ear.returncode:
        raise ProgramFailed(f"{asked.ear} ended with {ear.returncode} after all files")


def _take(ear: subprocess.Popen, told, record: dict, file: pathlib.Path, results: Results) -> float:
    """Keeps what was heard in a block; gives its length in seconds."""
    line = ear.stdout.readline()
    if not line:
        told.seek(0)
        raise ProgramFailed(f"{ear.args[0]} ended at block {record['block']}: {told.read().strip()[:500]}")
    found = json.loads(line)
    if found.pop("file") != str(file):
        raise ProgramFailed(f"{ear.args[0]} answered for another file than {file}")
    file.unlink()
    results.add([record | found])
    return found["seconds"]


@dataclass
class Row:
    """What was taken for an answer in one kind of sound. `in_text`: its words stand in the text that was said (unknown for people).
    `own_words`: it is among the words that the program itself was saying, and the program drops it (`decide/own_words.rs`).
    `processor`: share of one core that hearing took.
    """

    kind: str
    hours: float
    utterances: int
    processor: float
    one_word: int = 0
    more_words: int = 0
    one_word_in_text: int = 0
    more_words_in_text: int = 0
    critical: int = 0
    critical_sure: int = 0
    asked_about: int = 0
    own_words: int = 0


def rows(records: Iterable[dict]) -> list[Row]:
    """A row for each kind, and all together."""
    records = list(records)
    found = []
    for kind in [*sorted({record["kind"] for record in records}), ALL]:
        inside = [record for record in records if kind in (record["kind"], ALL)]
        seconds = sum(record["seconds"] for record in inside)
        utterances = sum(len(record["heard"]) + record["unclear"] + record["talked_on"] for record in inside)
        row = Row(kind, seconds / 3600, utterances, sum(record["processor_s"] for record in inside) / seconds)
        for record in inside:
            for one in record["heard"]:
                in_text = record["kind"] != "people" and holds(record["text"], one["text"])
                if record["kind"] == "prompts" and in_text:
                    row.own_words += 1
                elif one["certainty"] == "Doubtful":
                    row.asked_about += 1
                else:
                    single = " " not in one["text"]
                    row.one_word += single
                    row.more_words += not single
                    row.one_word_in_text += single and in_text
                    row.more_words_in_text += not single and in_text
                    row.critical += one["class"] == "Critical"
                    row.critical_sure += one["class"] == "Critical" and one["certainty"] == "Sure"
        found.append(row)
    return found


def nearest(records: Iterable[dict], most: int = 10) -> list[tuple[dict, dict]]:
    """What was refused and came nearest to a phrase, with the record it stands in: the greatest logarithms of the odds first."""
    found = [(record, one) for record in records for one in record.get("nearly", [])]
    return sorted(found, key=lambda pair: -pair[1]["log_odds"])[:most]


def again(asked) -> str:
    """The command that hears the same."""
    words = ["bench/run", "hours", "--seed", str(asked.seed), "--hours", f"{asked.hours:g}", "--jobs", str(asked.jobs)]
    words += [word for name in asked.without for word in ("--without", name)]
    return shlex.join([*words, *(["--people", str(asked.people)] if asked.people else [])])


def write(asked, machine: str) -> None:
    """Writes hours.md and hours.json."""
    records = Results(asked.work / "hours.jsonl").read()
    if not records:
        return
    table = rows(records)
    whole = table[-1]
    head = (
        *("kind", "hours", "utterances", "one word", "two words or more", "of these really in the text", "critical (sure)"),
        *("any, an hour, upper 95 %", "not in the text, an hour, upper 95 %", "asked about first", "own words, dropped", "share of a core"),
    )
    lines = [
        f"<!-- Written by bench/run hours. {machine} Seed {asked.seed}. -->",
        standing.mark(again(asked), "ear"),
        "# Hours of what is no answer",
        "",
        f"{whole.hours:.2f} h through the program's whole ear, with the phrases that the steps of nine runs allow, one step a minute. Bounds by Poisson.",
        "",
        f"| {' | '.join(head)} |",
        f"|{' --- |' * len(head)}",
    ]
    for row in table:
        taken, in_text = row.one_word + row.more_words, row.one_word_in_text + row.more_words_in_text
        cells = (
            *(row.kind, f"{row.hours:.2f}", row.utterances, row.one_word, row.more_words),
            *(f"{row.one_word_in_text} and {row.more_words_in_text}", f"{row.critical} ({row.critical_sure})"),
            *(f"{poisson_upper(taken, row.hours):.2f}", f"{poisson_upper(taken - in_text, row.hours):.2f}", row.asked_about, row.own_words),
            f"{100 * row.processor:.1f} %",
        )
        lines.append(f"| {' | '.join(map(str, cells))} |")
    lines += ["", "Every one, with what was being said:", ""]
    for record in records:
        for one in record["heard"]:
            said = holds(record["text"], one["text"]) and record["kind"] != "people"
            mark = "in the text" if said else "not in the text"
            lines.append(
                f"- \"{one['text']}\" ({one['class'].lower()}, {one['certainty'].lower()}, score {one['score']:.1f}, margin {one['margin']:.1f}; {mark}):"
                f" {record['kind']}, {record['voice']}, block {record['block']} at {one['at_s']:.1f} s"
            )
    if lines[-1] == "":
        lines.append("None.")
    lines += ["", "What was refused and came nearest (logarithm of the odds; the limits stand in models/hearing.toml):", ""]
    for record, one in nearest(records):
        lines.append(f"- {one['log_odds']:.1f} \"{one['text']}\" ({one['class'].lower()}, margin {one['margin']:.1f}), written down as \"{one['free']}\": {record['kind']}")
    memory = max(record["memory_mb"] for record in records)
    lines += ["", f"Most memory of the hearing process: {memory:.0f} MB."]
    (asked.docs / "hours.md").write_text("\n".join(lines) + "\n")
    (asked.docs / "hours.json").write_text(json.dumps({"machine": machine, "rows": [asdict(row) for row in table]}, indent=1) + "\n")
    print(f"report: {asked.docs}/hours.md")
