"""The engines: the program, PocketSphinx with a grammar, and Vosk where a model is given. Each hears files, one utterance each."""

from __future__ import annotations

import ctypes
import json
import os
import pathlib
import re
import subprocess
import tempfile
import time
from dataclasses import dataclass, field

import numpy

from bench import sound
from bench.phrases import Phrase, plain


@dataclass
class Heard:
    """What an engine made of one utterance. `accepted` is None when it took it for nothing that may be said."""

    accepted: str | None
    best: str | None = None
    score: float | None = None
    margin: float | None = None
    free: str = ""
    took_ms: float | None = None


@dataclass
class Run:
    """What an engine made of many, the most memory it took (resident, megabytes), and its processor time (milliseconds)."""

    heard: list[Heard] = field(default_factory=list)
    peak_mb: float = 0.0
    cpu_ms: float = 0.0


class ProgramFailed(RuntimeError):
    """The program under test ended with an error or said something else than expected."""


def _run_program(command: list[str], stdin: str | None, expected: int) -> tuple[list[dict], float, float]:
    """The JSON lines that `command` prints, its peak resident memory in megabytes, its processor time in milliseconds."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err, tempfile.TemporaryFile("w+") as inward:
        if stdin is not None:
            inward.write(stdin)
            inward.seek(0)
        started = subprocess.Popen(command, stdin=inward, stdout=out, stderr=err)
        peak = 0.0
        while True:
            # Not the memory that the system reports at the end: that counts this process's own before exec.
            peak = max(peak, _peak_mb(started.pid))
            ended, status, usage = os.wait4(started.pid, os.WNOHANG)
            if ended:
                break
            time.sleep(0.02)
        started.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        lines = [json.loads(line) for line in out.read().splitlines()]
        if started.returncode or len(lines) != expected or any("error" in line for line in lines):
            first = next((line["error"] for line in lines if "error" in line), "")
            raise ProgramFailed(
                f"{command[0]} ended with {started.returncode}, gave {len(lines)} lines, expected {expected}: {first}{err.read()[:500]}"
            )
        return lines, peak, 1000 * (usage.ru_utime + usage.ru_stime)


class Sparehand:
    """Phrase scoring by `sparehand hear`, every phrase a meaning of its own and of the class `ordinary`."""

    name = "phrases scored"

    def __init__(self, program: pathlib.Path, phrases: list[Phrase], folder: pathlib.Path) -> None:
        if not program.is_file():
            raise ProgramFailed(f"{program} is missing: build it (cargo build --release --locked) or name it with --program")
        self.program, self.phrases = program, phrases
        self.list = folder / "phrases.txt"
        self.list.write_text("".join(f"{phrase.text}\n" for phrase in phrases))

    def hear(self, files: list[pathlib.Path]) -> Run:
        command = [str(self.program), "hear", "--phrases", str(self.list), "--json", *map(str, files)]
        lines, peak, cpu = _run_program(command, None, len(files))
        heard = [
            Heard(line["phrase"], line["best"], line["score"], line["margin"], line["free_text"], line["took_ms"])
            for line in lines
        ]
        return Run(heard, peak, cpu)


class Features:
    """The same by `examples/hear_features.rs`: with the odds and what they come from, and meanings with several phrases."""

    def __init__(self, program: pathlib.Path, models: pathlib.Path, phrases: list[Phrase], folder: pathlib.Path) -> None:
        if not program.is_file():
            raise ProgramFailed(
                f"{program} is missing: cargo build --release --locked --example hear_features, or name it with --features"
            )
        self.program, self.models = program, models
        self.list = folder / "phrases-and-meanings.txt"
        meanings = sorted({phrase.meaning for phrase in phrases})
        self.list.write_text("".join(f"{phrase.text}\t{meanings.index(phrase.meaning)}\n" for phrase in phrases))

    def hear(self, files: list[pathlib.Path]) -> list[dict]:
        """One object a file: best, free, score, margin, log_odds, features, accepted, audio_s."""
        stdin = "".join(f"{file}\n" for file in files)
        return _run_program([str(self.program), str(self.models), str(self.list)], stdin, len(files))[0]


class FreeDecode:
    """What the same acoustic model would freely write, taken only when it is one of the phrases to the letter."""

    name = "free decode, exact match"

    def __init__(self, phrases: list[Phrase]) -> None:
        self.phrases = {plain(phrase.text): phrase.text for phrase in phrases}

    def of(self, heard: Heard) -> Heard:
        found = self.phrases.get(plain(heard.free))
        return Heard(accepted=found, best=found, free=heard.free)


# Words of the phrases that PocketSphinx's dictionary lacks, in its phonemes.
EXTRA_WORDS = {"rinsed": "R IH N S T"}


class PocketSphinx:
    """PocketSphinx with the phrases as a JSGF grammar and its American English model. It has no rejection of its own here."""

    name = "PocketSphinx, grammar"

    def __init__(self, phrases: list[Phrase]) -> None:
        import pocketsphinx

        before = _resident_mb()
        self.texts = {phrase.text for phrase in phrases}
        self.decoder = pocketsphinx.Decoder(samprate=sound.RATE, loglevel="FATAL")
        for word, sounds in EXTRA_WORDS.items():
            if self.decoder.lookup_word(word) is None:
                self.decoder.add_word(word, sounds, True)
        missing = {word for phrase in phrases for word in phrase.text.split() if self.decoder.lookup_word(word) is None}
        if missing:
            raise ProgramFailed(f"not in PocketSphinx's dictionary: {', '.join(sorted(missing))}")
        choices = " | ".join(phrase.text for phrase in phrases)
        self.decoder.add_jsgf_string("phrases", f"#JSGF V1.0; grammar phrases; public <phrase> = {choices};")
        self.decoder.activate_search("phrases")
        self.load_mb = _resident_mb() - before

    def hear(self, files: list[pathlib.Path]) -> Run:
        run = Run(peak_mb=self.load_mb)
        before = time.process_time()
        for file in files:
            samples = sound.read(file)
            pcm = (numpy.clip(samples, -1, 32767 / 32768) * 32768).astype("<i2").tobytes()
            began = time.perf_counter()
            self.decoder.start_utt()
            self.decoder.process_raw(pcm, no_search=False, full_utt=True)
            self.decoder.end_utt()
            found = self.decoder.hyp()
            took = (time.perf_counter() - began) * 1000
            text = found.hypstr if found and found.hypstr else None
            # Where the sound ends inside the grammar it gives the words so far, which are no phrase.
            run.heard.append(Heard(text if text in self.texts else None, text, took_ms=took))
        run.cpu_ms = 1000 * (time.process_time() - before)
        return run


class Vosk:
    """Vosk with the phrases as its grammar, over the C library in `library` and the model folder `model`."""

    name = "Vosk, grammar"

    def __init__(self, library: pathlib.Path, model: pathlib.Path, phrases: list[Phrase]) -> None:
        before = _resident_mb()
        self.lib = ctypes.CDLL(str(library))
        self.lib.vosk_set_log_level(ctypes.c_int(-1))
        for name in ("vosk_model_new", "vosk_recognizer_new_grm"):
            getattr(self.lib, name).restype = ctypes.c_void_p
        self.lib.vosk_recognizer_final_result.restype = ctypes.c_char_p
        self.model = self.lib.vosk_model_new(str(model).encode())
        if not self.model:
            raise ProgramFailed(f"{model} is not a Vosk model folder")
        words = {word for phrase in phrases for word in phrase.text.split()}
        find = self.lib.vosk_model_find_word
        missing = sorted(w for w in words if find(ctypes.c_void_p(self.model), w.encode()) < 0)
        if missing:
            raise ProgramFailed(f"{model}: not in this model's vocabulary: {', '.join(missing)}")
        # Not every model has a word for what is none.
        unknown = ["[unk]"] if find(ctypes.c_void_p(self.model), b"[unk]") >= 0 else []
        self.grammar = json.dumps([*(phrase.text for phrase in phrases), *unknown], ensure_ascii=False).encode()
        self.texts = {phrase.text for phrase in phrases}
        self.load_mb = _resident_mb() - before

    def hear(self, files: list[pathlib.Path]) -> Run:
        run = Run(peak_mb=self.load_mb)
        before = time.process_time()
        for file in files:
            pcm = (numpy.clip(sound.read(file), -1, 32767 / 32768) * 32768).astype("<i2").tobytes()
            began = time.perf_counter()
            ear = ctypes.c_void_p(
                self.lib.vosk_recognizer_new_grm(ctypes.c_void_p(self.model), ctypes.c_float(sound.RATE), self.grammar)
            )
            self.lib.vosk_recognizer_accept_waveform(ear, pcm, ctypes.c_int(len(pcm)))
            text = json.loads(self.lib.vosk_recognizer_final_result(ear).decode())["text"]
            self.lib.vosk_recognizer_free(ear)
            took = (time.perf_counter() - began) * 1000
            run.heard.append(Heard(text if text in self.texts else None, text, took_ms=took))
        run.cpu_ms = 1000 * (time.process_time() - before)
        return run


def _peak_mb(process: int) -> float:
    """The most resident memory that a process has had, in megabytes; 0 when it is gone (Linux)."""
    try:
        status = pathlib.Path(f"/proc/{process}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) / 1024 if found else 0.0


def _resident_mb() -> float:
    """The resident memory of this process now, in megabytes (Linux)."""
    return int(pathlib.Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1024**2
