"""Gathers the data folders into a few files that travel and load quickly: python -m train.pack DATA PACK

Only what is spoken is kept of speech. PACK gets `index.json` (which set, which speaker, where, where to cut) and Opus files of about
equal length. Every manifest is checked on the way.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import json
import pathlib

import numpy
import soundfile

from train.manifest import SAMPLE_RATE, recordings
from train.speech import islands

PARTS = 16
SPEECH_LEVEL, NOISE_LEVEL = 0.93, 0.84
# Of those who are held out only so much goes along, seconds a speaker: it shows the way, the measuring is done elsewhere.
HELD_OUT_SECONDS = 20


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=pathlib.Path)
    words.add_argument("pack", type=pathlib.Path)
    asked = words.parse_args()
    asked.pack.mkdir(parents=True)
    parts: list[list[numpy.ndarray]] = [[] for _ in range(PARTS)]
    lengths = [0] * PARTS
    index = []
    for one in recordings(asked.data):
        samples = one.samples()
        if one.kind == "speech":
            found = islands(samples)
            if one.held_out:
                total = numpy.cumsum([island.length for island in found])
                found = [island for island, so_far in zip(found, total) if so_far <= HELD_OUT_SECONDS * SAMPLE_RATE]
            if not found:
                continue
            kept = numpy.concatenate([samples[i.begin : i.begin + i.length] for i in found])
            where = [[island.length, list(island.cuts)] for island in found]
        else:
            kept, where = samples, []
        part = int(numpy.argmin(lengths[:-2])) if one.kind == "speech" else PARTS - 1
        index.append({"set": one.set, "kind": one.kind, "speaker": one.speaker, "held_out": one.held_out, "part": part, "at": lengths[part], "samples": len(kept), "islands": where})
        parts[part].append(kept)
        lengths[part] += len(kept)
    for number, part in enumerate(parts):
        if part:
            level = NOISE_LEVEL if number == PARTS - 1 else SPEECH_LEVEL
            soundfile.write(asked.pack / f"{number:02}.opus", numpy.concatenate(part), SAMPLE_RATE, format="OGG", subtype="OPUS", compression_level=level)
    (asked.pack / "index.json").write_text(json.dumps(index))
    for kind in ("speech", "noise", "voice"):
        for held in (False, True):
            here = [one for one in index if one["kind"] == kind and one["held_out"] == held]
            print(f"{kind}{', held out' if held else ''}: {len(here)} in {sum(one['samples'] for one in here) / SAMPLE_RATE / 60:.1f} min")


def loaded(pack: pathlib.Path) -> list[dict]:
    """The entries of the index with their `sound` (float32, 16 kHz)."""
    index = json.loads((pack / "index.json").read_text())
    with concurrent.futures.ThreadPoolExecutor() as threads:
        names = sorted(pack.glob("*.opus"))
        sounds = dict(zip((int(name.stem) for name in names), threads.map(lambda name: soundfile.read(name, dtype="float32")[0], names)))
    for one in index:
        one["sound"] = sounds[one["part"]][one["at"] : one["at"] + one["samples"]]
        if len(one["sound"]) != one["samples"]:
            raise SystemExit(f"{pack}/{one['part']:02}.opus: {len(one['sound'])} samples of {one['speaker']}, expected {one['samples']}")
    return index


if __name__ == "__main__":
    main()
