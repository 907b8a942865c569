"""Makes the data folders from checkouts of the repositories in `sources.toml`: python -m train.collect CHECKOUTS DATA

CHECKOUTS holds a clone of each repository as OWNER+NAME (bare or not). Files are read from the commit that the list names, never
from the working tree. The speech of one speaker goes to one file, its pauses kept, as Opus of about 24 kbit/s.
"""

from __future__ import annotations

import argparse
import fnmatch
import hashlib
import io
import json
import pathlib
import re
import subprocess
import tomllib
from math import gcd

import numpy
import soundfile
from scipy.signal import resample_poly

from train.manifest import SAMPLE_RATE, digest

# Of 6 to 256 kbit/s, as libsndfile reckons: 1 is the least.
SPEECH_LEVEL, NOISE_LEVEL = 0.93, 0.84
# Between two utterances of a speaker, seconds.
PAUSE = 0.4


def braces(pattern: str) -> list[str]:
    """A pattern with {a,b} as the patterns it stands for."""
    if not (found := re.search(r"\{([^}]*)\}", pattern)):
        return [pattern]
    return [pattern[: found.start()] + one + pattern[found.end() :] for one in found[1].split(",")]


def git(repository: pathlib.Path, *words: str) -> bytes:
    """What git prints."""
    return subprocess.run(["git", "-C", repository, *words], check=True, capture_output=True).stdout


def sound_of(held: bytes) -> numpy.ndarray:
    """The sound in the bytes of a file, mono at 16 kHz."""
    sound, rate = soundfile.read(io.BytesIO(held), dtype="float32", always_2d=True)
    sound = sound.mean(axis=1)
    common = gcd(rate, SAMPLE_RATE)
    return resample_poly(sound, SAMPLE_RATE // common, rate // common).astype(numpy.float32) if rate != SAMPLE_RATE else sound


def as_loud(sound: numpy.ndarray) -> numpy.ndarray:
    """The sound with a peak of 0.7."""
    return sound * (0.7 / max(1e-4, float(numpy.abs(sound).max())))


def write(folder: pathlib.Path, name: str, sound: numpy.ndarray, level: float) -> dict:
    """Writes one Opus file and returns what the manifest says of it."""
    path = folder / f"{name}.opus"
    soundfile.write(path, sound, SAMPLE_RATE, format="OGG", subtype="OPUS", compression_level=level)
    return {"file": path.name, "sha256": digest(path)}


def collect(source: dict, checkouts: pathlib.Path, data: pathlib.Path) -> None:
    """Makes the folder of one source."""
    checkout = checkouts / source["repository"].replace("/", "+")
    repository = checkout / "repo" if (checkout / "repo").is_dir() else checkout
    paths = git(repository, "ls-tree", "-r", "--name-only", source["commit"]).decode().splitlines()
    patterns = [one for pattern in source["files"] for one in braces(pattern)]
    groups: dict[str, list[str]] = {}
    for path in sorted(paths):
        if any(fnmatch.fnmatch(path, pattern) for pattern in patterns):
            speaker = re.search(source["speaker"], path)[1] if "speaker" in source else path.rsplit("/", 1)[1]
            groups.setdefault(speaker, []).append(path)
    if not groups:
        raise SystemExit(f"{source['set']}: no file of {repository} at {source['commit']} is wanted by {source['files']}")
    folder = data / source["set"]
    folder.mkdir(parents=True)
    files, seconds = [], 0.0
    for speaker, members in groups.items():
        held_out = bool(re.fullmatch(source.get("held_out", r"(?!)"), speaker))
        most = int(SAMPLE_RATE * source.get("seconds", 1e6))
        sounds, origins, length = [], [], 0
        # Those who are held out are measured on, and kept whole.
        for path in members:
            if length >= most and not held_out:
                break
            held = git(repository, "cat-file", "blob", f"{source['commit']}:{path}")
            sound = as_loud(sound_of(held))
            origins.append({"path": path, "sha256": hashlib.sha256(held).hexdigest(), "samples": len(sound)})
            sounds += [sound, numpy.zeros(int(PAUSE * SAMPLE_RATE), numpy.float32)]
            length += len(sound)
        entry = write(folder, re.sub(r"\W", "-", speaker), numpy.concatenate(sounds[:-1]), SPEECH_LEVEL if source["kind"] == "speech" else NOISE_LEVEL)
        files.append({**entry, "speaker": speaker, "held_out": held_out, "from": origins})
        seconds += length / SAMPLE_RATE
    manifest = {
        "set": source["set"],
        "kind": source["kind"],
        "source": f"{source['repository']} at {source['commit']}",
        "licence": source["licence"],
        "credit": source["credit"],
        "files": files,
    }
    (folder / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")
    held = sum(one["held_out"] for one in files)
    print(f"{source['set']}: {len(files)} {'speakers' if source['kind'] == 'speech' else 'noises'} ({held} held out), {seconds / 60:.1f} min", flush=True)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("checkouts", type=pathlib.Path)
    words.add_argument("data", type=pathlib.Path)
    words.add_argument("--only", help="one set")
    asked = words.parse_args()
    sources = tomllib.loads(pathlib.Path(__file__).with_name("sources.toml").read_text())["source"]
    for source in sources:
        if asked.only in (None, source["set"]) and not (asked.data / source["set"]).exists():
            collect(source, asked.checkouts, asked.data)


if __name__ == "__main__":
    main()
