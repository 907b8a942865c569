"""Writes docs/hearing: tables as Markdown, CSV and JSON, and the pictures, from what the runs have kept."""

from __future__ import annotations

import csv
import json
import pathlib
import platform
import subprocess
from dataclasses import asdict

import numpy

from bench import limits as limits_of
from bench import phrases as phrases_of
from bench import pictures, standing, tally
from bench.intervals import wilson
from bench.results import Results

ROOT = pathlib.Path(__file__).parents[1]
FOLDS = "quiet", "10 dB", "5 dB", "0 dB"
WAYS = {"pauses": "at pauses", "blind": "blindly"}


def write(asked) -> None:
    """Everything that there are results for; parts without any are said to be missing."""
    kept = {name: Results(asked.work / f"{name}.jsonl").read() for name in ("sweep", "manners", "people", "sweep-odds", "manners-odds", "talk")}
    allowed, limits = phrases_of.read(), limits_of.read(ROOT / "models/hearing.toml")
    docs: pathlib.Path = asked.docs
    docs.mkdir(parents=True, exist_ok=True)
    numbers: dict = {"seed": asked.seed, "machine": machine(), "clips": {name: len(rows) for name, rows in kept.items()}}
    text = [f"<!-- Written by bench/run report. {numbers['machine']} Seed {asked.seed}. -->", standing.mark(f"bench/run --seed {asked.seed}", "ear"), "# Figures"]
    if sweep := kept["sweep"]:
        text += _noise(sweep, docs, numbers)
        text += _costs(sweep, docs, numbers)
        pairs = tally.confusions(sweep, "phrases scored", "best")
        pictures.confusion(pairs, allowed, len(sweep), docs / "confusion.png")
        text += _confusions(sweep, pairs)
    for name, title in (("manners", "How it is said"), ("people", "Numbers by a recorded person (8 kHz, telephone)")):
        if kept[name]:
            text += _table(title, kept[name], numbers, name)
    if kept["sweep-odds"]:
        text += _own_class(kept["sweep-odds"], allowed, limits, numbers)
    if kept["talk"]:
        text += _talk(kept["talk"], allowed, limits, docs, numbers)
    if kept["talk"] and kept["sweep-odds"]:
        pictures.trade(_curves(kept["sweep-odds"], kept["talk"], allowed, limits), docs / "trade-off.png")
    missing = [name for name, rows in kept.items() if not rows]
    if missing:
        text.append(f"Not run: {', '.join(missing)}.")
    (docs / "figures.md").write_text("\n".join(text) + "\n")
    (docs / "figures.json").write_text(json.dumps(numbers, indent=1, default=float) + "\n")
    print(f"report: {docs}/figures.md")


def machine() -> str:
    """The processor and how many cores, and the program that was measured."""
    info = pathlib.Path("/proc/cpuinfo").read_text()
    name = next((line.split(":")[1].strip() for line in info.splitlines() if line.startswith("model name")), platform.machine())
    commit = subprocess.run(["git", "describe", "--always"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.strip()
    return f"{name}, {info.count('processor	:')} cores; source {commit}."


def _noise(sweep: list[dict], docs: pathlib.Path, numbers: dict) -> list[str]:
    pictures.errors(sweep, docs / "errors.png")
    engines = tally.engines(sweep)
    lines = ["", "## In noise", "", "Right, and taken for another phrase; the rest was refused.", ""]
    lines += _head("condition", *engines, "phrases scored, nothing refused")
    rows = []
    for condition, records in tally.by(sweep, lambda record: record["condition"]).items():
        shares = [*(tally.share(records, engine) for engine in engines), tally.best_right(records, engines[0])]
        lines.append(f"| {condition} | {' | '.join(map(str, shares))} |")
        for engine, one in zip((*engines, "phrases scored, nothing refused"), shares):
            rows.append({"condition": condition, "engine": engine} | one.row())
    with (docs / "errors.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()} for row in rows)
    numbers["noise"] = rows
    lines += ["", "By phrase and voice, all conditions together:", "", *_head("", *engines, "phrases scored, nothing refused")]
    split = {
        "one word": lambda r: " " not in r["phrase"],
        "two words or more": lambda r: " " in r["phrase"],
        "voices that the weights were fitted to": lambda r: tally.voice_group(r).endswith("fitted to"),
        "voices that they never met": lambda r: tally.voice_group(r).endswith("met"),
    }
    for place in ("van", "beside", "wash house"):
        split[f"place: {place}"] = lambda r, place=place: r["place"] == place
    split |= {"0.3 to 0.8 m": lambda r: r["distance"] < 0.8, "0.8 to 1.4 m": lambda r: 0.8 <= r["distance"] < 1.4, "1.4 to 2 m": lambda r: r["distance"] >= 1.4}
    for name, belongs in split.items():
        inside = [record for record in sweep if belongs(record)]
        shares = [*(tally.share(inside, engine) for engine in engines), tally.best_right(inside, engines[0])]
        lines.append(f"| {name} | {' | '.join(map(str, shares))} |")
    for voice, inside in sorted(tally.by(sweep, lambda record: record["voice"]).items()):
        shares = [*(tally.share(inside, engine) for engine in engines), tally.best_right(inside, engines[0])]
        lines.append(f"| voice: {voice} | {' | '.join(map(str, shares))} |")
    return lines


def _table(title: str, records: list[dict], numbers: dict, name: str) -> list[str]:
    engines = tally.engines(records)
    lines = ["", f"## {title}", "", *_head("", *engines, "phrases scored, nothing refused", "not right, 95 % interval (phrases scored)")]
    for condition, inside in tally.by(records, lambda record: record["condition"]).items():
        shares = [*(tally.share(inside, engine) for engine in engines), tally.best_right(inside, engines[0])]
        row = shares[0].row()
        lines.append(f"| {condition} | {' | '.join(map(str, shares))} | {100 * row['low']:.0f} to {100 * row['high']:.0f} % |")
        numbers.setdefault(name, {})[condition] = {engine: one.row() for engine, one in zip(engines, shares)}
    return lines


def _costs(sweep: list[dict], docs: pathlib.Path, numbers: dict) -> list[str]:
    engines = [e for e in tally.engines(sweep) if sweep[0]["engines"][e]["took_ms"] is not None]
    times = {engine: [record["engines"][engine]["took_ms"] for record in sweep] for engine in engines}
    peaks = {engine: max(record["costs"][engine]["peak_mb"] for record in sweep) for engine in engines}
    # The same for all clips of a batch.
    cpu = {engine: numpy.median([record["costs"][engine]["cpu_ms"] for record in sweep if record["costs"][engine]["cpu_ms"]] or [numpy.nan]) for engine in engines}
    pictures.costs(times, peaks, docs / "costs.png")
    lines = ["", "## Time and memory", "", "Time by the clock, for one utterance, beside other work on the same cores; processor time with loading spread over 60."]
    lines += ["", *_head("", "median, ms", "95 %, ms", "worst, ms", "processor time, ms", "memory, MB")]
    for engine in engines:
        middle, late = numpy.percentile(times[engine], [50, 95])
        lines.append(f"| {engine} | {middle:.0f} | {late:.0f} | {max(times[engine]):.0f} | {cpu[engine]:.0f} | {peaks[engine]:.0f} |")
        numbers.setdefault("costs", {})[engine] = {
            "median_ms": middle, "late_ms": late, "worst_ms": max(times[engine]), "cpu_ms": cpu[engine], "mb": peaks[engine]
        }
    return lines


def _confusions(sweep: list[dict], pairs) -> list[str]:
    lines = ["", "## Taken for another", "", "Accepted though another phrase was said, all engines; with counts of more than one.", ""]
    for engine in tally.engines(sweep):
        found = tally.confusions(sweep, engine, "accepted")
        often = ", ".join(f"{said} -> {taken} ({count})" for (said, taken), count in found.most_common(12) if count > 1)
        lines.append(f"- {engine}: {sum(found.values())} of {len(sweep)}; {often or 'none twice'}.")
    often = ", ".join(f"{said} -> {taken} ({count})" for (said, taken), count in pairs.most_common(20))
    return [*lines, "", f"Nearest by score, accepted or not: {often}."]


def _own_class(odds: list[dict], allowed, limits, numbers: dict) -> list[str]:
    lines = ["", "## By what hangs on it", "", "Each phrase judged by its own class, as in a session: acted on (sure), taken but read back where it can hurt (thin), asked about first (doubtful).", ""]
    lines += _head("class", "condition", "sure: right", "thin: right", "doubtful: right", "sure: wrong", "thin: wrong", "doubtful: wrong", "of", "sure: wrong, upper 95 %")
    judged = tally.own_class(odds, allowed, limits)
    for kind in limits_of.CLASSES:
        for fold in FOLDS:
            inside = [r for r in judged if r["said"].kind == kind and _ratio(r) == fold]
            if not inside:
                continue
            count = {(v, right): sum(r["verdict"] == v and r["is_right"] == right for r in inside) for v in ("sure", "thin", "doubtful") for right in (True, False)}
            upper = wilson(count["sure", False], len(inside))[1]
            cells = [*(count[v, right] for right in (True, False) for v in ("sure", "thin", "doubtful")), len(inside)]
            lines.append(f"| {kind} | {fold} | {' | '.join(map(str, cells))} | {100 * upper:.1f} % |")
            numbers.setdefault("by_class", {})[f"{kind}, {fold}"] = dict(zip(("sure_right", "thin_right", "doubtful_right", "sure_wrong", "thin_wrong", "doubtful_wrong", "of"), cells))
    lines += ["", "Why it was refused where the best phrase was the one said:", ""]
    reasons = ["margin", "the free decode says more, or does not end", "odds", "score"]
    lines += _head("condition", "best phrase right, of", "accepted", *reasons)
    for fold in (*FOLDS, "15 dB"):
        inside = [r for r in judged if _ratio(r) == fold]
        right = [tally.why_refused(r, limits) for r in inside if r["is_right"]]
        cells = [f"{len(right)} of {len(inside)}", right.count(None), *(right.count(reason) for reason in reasons)]
        lines.append(f"| {fold} | {' | '.join(map(str, cells))} |")
        numbers.setdefault("why_refused", {})[fold] = dict(zip(("best_right", "accepted", *reasons), (len(right), right.count(None), *map(right.count, reasons))))
    wrong = [r for r in judged if r["verdict"] and not r["is_right"]]
    kinds = {phrase.text: phrase.kind for phrase in allowed}
    grave = [r for r in wrong if kinds[r["found"]["best"]] == "critical"]
    sure, thin = (sum(r["verdict"] == v for r in grave) for v in tally.TAKEN)
    upper = wilson(sure, len(judged))[1]
    numbers["critical_taken_wrongly"] = {"sure": sure, "thin": thin, "doubtful": len(grave) - sure - thin, "of": len(judged), "sure_upper_95": upper}
    doubtful = len(grave) - sure - thin
    line = f"A critical phrase taken though another was said: {sure} sure, {thin} thin, {doubtful} doubtful, of {len(judged)} clips"
    lines += ["", f"{line} (sure: at most {100 * upper:.2f} %, 95 %)."]
    lines += ["", "Every wrong one: " + ("; ".join(
        f"{r['phrase']} -> {r['found']['best']} ({r['verdict']}, {r['condition']}, {r['voice']})" for r in wrong
    ) or "none") + "."]
    return lines


def _talk(talk: list[dict], allowed, limits, docs: pathlib.Path, numbers: dict) -> list[str]:
    rows = tally.talk_rows(talk, allowed, limits)
    lines = ["", "## Wrong accepts in what is no answer", "", "Each phrase judged by its own class; sure and thin counted together, sure alone in brackets; doubtful ones, which are only asked about, apart.", ""]
    lines += _head("kind", "cut", "hours", "pieces", "one word", "upper 95 % an hour", "two words or more", "upper 95 % an hour", "of them critical", "words really in the text", "doubtful")
    for row in rows:
        bounds = row.bounds()
        lines.append(
            f"| {row.kind} | {WAYS[row.way]} | {row.hours:.2f} | {row.pieces} | {row.one_word} ({row.one_word_sure}) | {bounds['one_word_upper_95']:.2f} "
            f"| {row.more_words} ({row.more_words_sure}) | {bounds['more_words_upper_95']:.2f} | {row.critical} ({row.critical_sure}) | {row.really_said} | {row.doubtful} |"
        )
    numbers["talk"] = [asdict(row) | row.bounds() for row in rows]
    taken = tally.accepts(talk, allowed, limits)
    with (docs / "wrong-accepts.csv").open("w", newline="") as file:
        names = ["block", "kind", "source", "voice", "way", "at_s", "best", "class", "verdict", "log_odds", "margin", "free", "really_said"]
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: round(v, 2) if isinstance(v, float) else v for k, v in one.items()} for one in taken)
    ordinary = [row for row in tally.talk_rows(talk, allowed, limits, "ordinary") if row.kind.startswith("speech")]
    for row in ordinary:
        lines.append("")
        lines.append(f"Were every phrase of the class ordinary, cut {WAYS[row.way]}: {row.one_word} of one word, {row.more_words} of more, in {row.hours:.2f} h.")
    sphinx = [record for record in talk if "sphinx" in record]
    if sphinx:
        hours = sum(record["seconds"] for record in sphinx) / 3600
        taken_by_it = sum(record["sphinx"] for record in sphinx)
        lines += ["", f"PocketSphinx with its grammar, which has nothing to refuse with: {taken_by_it} of {sum(r['pieces'] for r in sphinx)} pieces in {hours:.2f} h taken for a phrase."]
        numbers["talk_sphinx"] = {"accepted": taken_by_it, "hours": hours}
    return lines


def _curves(odds: list[dict], talk: list[dict], allowed, limits) -> dict[str, dict[str, tally.Trade]]:
    return {
        title: {
            fold: tally.trade([r for r in odds if _ratio(r) == fold], talk, allowed, limits, one_word)
            for fold in FOLDS
        }
        for title, one_word in (("one word", True), ("two words or more", False))
    }


def _ratio(record: dict) -> str:
    """The condition without the kind of noise: "water 5 dB" and "rain 5 dB" are both "5 dB"."""
    return record["condition"].split(" ", 1)[-1]


def _head(*cells: str) -> list[str]:
    return [f"| {' | '.join(cells)} |", f"| {' | '.join('---' for _ in cells)} |"]
