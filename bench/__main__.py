"""`python -m bench WHAT`: clips, odds, talk, hours, sessions, parts, report, fit, or all of them but hours, sessions, parts and fit. See --help."""

from __future__ import annotations

import argparse
import os
import pathlib
import sys

from bench import corpus, phrases, sources
from bench.clips import hear, weigh
from bench.engines import Features, PocketSphinx, ProgramFailed, Sparehand, Vosk
from bench.results import Results
from bench.voices import Booth

ROOT = pathlib.Path(__file__).parents[1]


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="bench/run", description="Measures hearing; writes tables and pictures.")
    parser.add_argument("what", choices=["clips", "odds", "talk", "hours", "sessions", "parts", "report", "fit", "all"], nargs="?", default="all")
    parser.add_argument("--program", type=pathlib.Path, default=ROOT / "target/release/sparehand")
    parser.add_argument("--features", type=pathlib.Path, default=ROOT / "target/release/examples/hear_features")
    parser.add_argument("--ear", type=pathlib.Path, default=ROOT / "target/release/examples/hear_talk")
    parser.add_argument("--sessions", type=pathlib.Path, default=ROOT / "target/release/examples/hear_sessions")
    parser.add_argument("--parts", type=pathlib.Path, default=ROOT / "target/release/examples/hear_parts")
    data = os.environ.get("XDG_DATA_HOME") or "~/.local/share"
    parser.add_argument("--models", type=pathlib.Path, default=pathlib.Path(data).expanduser() / "sparehand/models")
    parser.add_argument("--seed", type=int, default=4)
    parser.add_argument("--per-phrase", type=int, default=3, help="clips of each phrase in each condition")
    parser.add_argument("--talk-minutes", type=float, default=60, help="how long talk is made and heard, in minutes of this machine")
    parser.add_argument("--hours", type=float, default=10, help="hours: how much is heard by the whole ear")
    parser.add_argument("--jobs", type=int, default=1, help="hours: how many ears listen at once")
    parser.add_argument("--without", action="append", default=[], metavar="NAME", help="hours: a kind of talk, or a voice, that is not heard")
    parser.add_argument("--people", type=pathlib.Path, help="hours: a folder of train.collect, whose people are heard instead of voices")
    parser.add_argument("--critical", type=int, default=1_000, help="sessions: how many critical steps are to be answered")
    parser.add_argument("--work", type=pathlib.Path, default=ROOT / "target/bench/run", help="where results are kept and gone on with")
    parser.add_argument("--docs", type=pathlib.Path, default=ROOT / "docs/hearing")
    parser.add_argument("--vosk-library", type=pathlib.Path, help="libvosk.so; with --vosk-model")
    parser.add_argument("--vosk-model", type=pathlib.Path, help="folder of an English Vosk model")
    parser.add_argument("--write", action="store_true", help="fit: write models/hearing.toml")
    return parser.parse_args()


def parts(asked: argparse.Namespace) -> list[tuple[str, list[phrases.Phrase], list[corpus.Clip]]]:
    """The sweeps over noise, manners and people: name, what may be said, clips."""
    allowed = phrases.read()
    return [
        ("sweep", allowed, list(corpus.sweep(allowed, asked.per_phrase, asked.seed))),
        ("manners", allowed, list(corpus.manners(allowed, max(1, asked.per_phrase - 1), asked.seed))),
        ("people", phrases.NUMBERS, list(corpus.people(asked.seed))),
    ]


def hear_clips(asked: argparse.Namespace) -> None:
    """Every engine over every clip."""
    booth = Booth(asked.work.parent / "voices")
    for part, allowed, clips in parts(asked):
        folder = asked.work / part
        folder.mkdir(parents=True, exist_ok=True)
        others: list = [PocketSphinx(allowed)]
        if asked.vosk_model:
            others.append(Vosk(asked.vosk_library, asked.vosk_model, allowed))
        program = Sparehand(asked.program, allowed, folder)
        hear(clips, booth, program, others, Results(asked.work / f"{part}.jsonl"), part)


def weigh_clips(asked: argparse.Namespace) -> None:
    """The odds of every clip, where the phrases are those of the job."""
    booth = Booth(asked.work.parent / "voices")
    for part, allowed, clips in parts(asked)[:2]:
        features = Features(asked.features, asked.models, allowed, asked.work / part)
        weigh(clips, booth, features, Results(asked.work / f"{part}-odds.jsonl"), f"odds of {part}")


def main() -> int:
    asked = arguments()
    if (asked.vosk_library is None) != (asked.vosk_model is None):
        print("--vosk-library and --vosk-model belong together", file=sys.stderr)
        return 2
    wrong, other = sources.differences()
    for line in (*other, *wrong):
        print(f"bench: {line}", file=sys.stderr)
    if wrong:
        return 1
    try:
        if asked.what in ("clips", "all"):
            hear_clips(asked)
        if asked.what in ("odds", "all"):
            weigh_clips(asked)
        if asked.what in ("talk", "all"):
            from bench import talk_run

            talk_run.run(asked)
        if asked.what == "hours":
            from bench import hours, report

            hours.run(asked)
            hours.write(asked, report.machine())
        if asked.what == "sessions":
            from bench import report, sessions

            sessions.run(asked)
            sessions.write(asked, report.machine())
        if asked.what == "parts":
            from bench import parts as parts_of_hearing, report

            parts_of_hearing.run(asked)
            parts_of_hearing.write(asked, report.machine())
        if asked.what in ("report", "all"):
            from bench import report

            report.write(asked)
        if asked.what == "fit":
            from bench import fit

            fit.run(asked)
    except ProgramFailed as why:
        print(f"bench: {why}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
