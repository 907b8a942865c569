"""Makes two more data folders of synthetic speech: flite reads phrases, the program itself reads sentences (what is left of its
echo is one of the noises): python -m train.voices DATA SPAREHAND

espeak-ng, festival and Piper are never trained on: the benchmark of hearing measures with them.
"""

from __future__ import annotations

import argparse
import json
import pathlib
import random
import subprocess
import tempfile
import tomllib

import numpy

from train.collect import PAUSE, SPEECH_LEVEL, as_loud, write
from train.manifest import SAMPLE_RATE, read

# Voice and its usual pitch in Hz.
FLITE = {"awb": 130, "kal16": 100, "rms": 105, "slt": 180}


def phrases(rng: random.Random, count: int) -> list[str]:
    """Short things that people say at work: from the templates and words of `phrases.toml`."""
    held = tomllib.loads(pathlib.Path(__file__).with_name("phrases.toml").read_text())
    words, forms, shares = held["words"], list(held["forms"]), list(held["forms"].values())
    made = []
    for form in rng.choices(forms, shares, k=count):
        while "{" in form:
            name = form[form.index("{") + 1 : form.index("}")]
            form = form.replace("{" + name + "}", rng.choice(words[name].split(",")).strip(), 1)
        made.append(form)
    return made


def joined(sounds: list[numpy.ndarray]) -> numpy.ndarray:
    """Utterances one after the other, with pauses."""
    rest = numpy.zeros(int(PAUSE * SAMPLE_RATE), numpy.float32)
    return numpy.concatenate([part for one in sounds for part in (as_loud(one), rest)])


def folder(data: pathlib.Path, name: str, kind: str, source: str, licence: str, credit: str, by_speaker: dict[str, list[numpy.ndarray]]) -> None:
    """Writes a data folder."""
    place = data / name
    place.mkdir(parents=True)
    files = []
    for speaker, sounds in by_speaker.items():
        files.append({**write(place, speaker, joined(sounds), SPEECH_LEVEL), "speaker": speaker, "held_out": False, "from": []})
    manifest = {"set": name, "kind": kind, "source": source, "licence": licence, "credit": credit, "files": files}
    (place / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=pathlib.Path)
    words.add_argument("sparehand", type=pathlib.Path)
    words.add_argument("--seed", type=int, default=9)
    words.add_argument("--count", type=int, default=1200)
    asked = words.parse_args()
    rng = random.Random(asked.seed)
    spoken: dict[str, list[numpy.ndarray]] = {name: [] for name in FLITE}
    own = []
    with tempfile.TemporaryDirectory() as scratch:
        file = pathlib.Path(scratch) / "said.wav"
        for text in phrases(rng, asked.count):
            voice = rng.choice(list(FLITE))
            pitch, pace = FLITE[voice] * rng.uniform(0.8, 1.3), rng.uniform(0.75, 1.25)
            command = ["flite", "-voice", voice, "--setf", f"duration_stretch={pace:.2f}", "--setf", f"int_f0_target_mean={pitch:.0f}", "-t", text, "-o", str(file)]
            subprocess.run(command, check=True, capture_output=True)
            spoken[voice].append(read(file))
        for text in phrases(rng, 40):
            subprocess.run([asked.sparehand, "speak", "--into", file, f"Next: {text}. Say when it is done."], check=True, capture_output=True)
            own.append(read(file))
    source = f"train/voices.py, seed {asked.seed}"
    folder(asked.data, "flite", "speech", source, "own output", "spoken by flite (Carnegie Mellon University, BSD-like)", spoken)
    folder(asked.data, "own-voice", "voice", source, "own output", "spoken by the program: hibari (Apache-2.0)", {"heart": own})


if __name__ == "__main__":
    main()
