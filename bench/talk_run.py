"""Lets the program hear what is no answer, for as long as there is time, and keeps what it took for one.

The blocks come in a fixed order and each is the same every time; how many of them there are depends on the machine and the minutes.
"""

from __future__ import annotations

import itertools
import json
import pathlib
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy

from bench import cutting, noise, phrases, room, sound, talk
from bench.engines import Features, PocketSphinx
from bench.results import Results
from bench.voices import TALKERS, Booth
from train import manifest

BLOCK_S = 60.0
TOGETHER = 6
# Of 14 blocks: how many of each kind.
ROUND = ("prose", "chatter", "sayings", "prose", "noise", "prose", "chatter", "people", "sayings", "prose", "prompts", "chatter", "noise", "prose")
ASTERISK = pathlib.Path("/usr/share/asterisk/sounds")
SPHINX = pathlib.Path("/usr/share/pocketsphinx/test/data")
ALSA = pathlib.Path("/usr/share/sounds/alsa")
# Where recorded people are in noise: at least and at most how many dB they are above it.
PEOPLE_DB = (8.0, 25.0)
# A minute of recorded people ends at the quietest tenth of a second of so many seconds.
CUT_S = 5.0
# The folders of asterisk that say single numbers and letters; some numbers are phrases of the list.
SINGLE_WORDS = {"digits", "letters", "phonetic", "silence"}


@dataclass(frozen=True)
class Choice:
    """Which blocks: one of each `of`, that of number `share`; none of the kinds and voices in `without`. With a folder of `train.collect` in
    `people` all are of the people who are held out, in noises that are held out.
    """

    share: int = 0
    of: int = 1
    without: tuple[str, ...] = ()
    people: pathlib.Path | None = None


@dataclass
class Block:
    """About a minute of sound that is no answer. `text` is what is said in it, where that is known."""

    number: int
    kind: str
    source: str
    voice: str
    text: str
    samples: numpy.ndarray


def recordings() -> list[tuple[str, list[pathlib.Path]]]:
    """Recorded people by source: telephone announcements in English, Spanish and Russian, a novel read aloud, and short tests."""
    found = []
    for language in ("es_MX_f_Allison", "ru_RU_f_IvrvoiceRU", "en_US_f_Allison"):
        files = sorted((ASTERISK / language).rglob("*.wav"))
        found.append((language, [file for file in files if not SINGLE_WORDS & set(file.parts) and "beep" not in file.name]))
    found.append(("librivox", sorted((SPHINX / "librivox").glob("*.wav"))))
    found.append(("short tests", [*sorted((SPHINX / "cards").glob("*.wav")), *(SPHINX / f"{n}.raw" for n in ("goforward", "something", "numbers"))]))
    found.append(("loudspeaker test", [file for file in sorted(ALSA.glob("*.wav")) if "Noise" not in file.name]))
    for name, files in found:
        if not files:
            raise RuntimeError(f"no recordings of '{name}' were found; bench/run installs their packages")
    return found


def _people_blocks() -> Iterator[tuple[str, str, numpy.ndarray]]:
    """Recordings in a row with pauses between, each once: (source, files, samples)."""
    sources = [[(name, file) for file in files] for name, files in recordings()]
    # In turns, so that a short run has met every source.
    waiting = [iter(files) for files in sources]
    pause = numpy.zeros(round(0.6 * sound.RATE), dtype=numpy.float32)
    while waiting:
        for files in list(waiting):
            now, names, source = [], [], ""
            for source, file in files:
                heard = sound.read_raw(file) if file.suffix == ".raw" else sound.read(file)
                now += [sound.at_level(sound.trimmed(heard), sound.SPEECH_RMS), pause]
                names.append(file.stem.replace("-", " "))
                if sum(map(len, now)) > BLOCK_S * sound.RATE:
                    break
            if now:
                yield source, " / ".join(names), numpy.concatenate(now)
            else:
                waiting.remove(files)


def _collected_blocks(data: pathlib.Path, seed: int) -> Iterator[tuple[str, str, numpy.ndarray]]:
    """What people say in a folder of `train.collect`, a minute at a time, each once: (set, speaker, samples)."""
    speech = [one for one in manifest.recordings(data) if one.kind == "speech" and one.held_out]
    for at in noise.generator(seed, "collected").permutation(len(speech)):
        samples = speech[at].samples()
        while len(samples) > sound.RATE:
            end = len(samples)
            if end > BLOCK_S * sound.RATE:
                late = round((BLOCK_S - CUT_S) * sound.RATE)
                levels = sound.frame_levels(samples[late : round(BLOCK_S * sound.RATE)], sound.RATE // 10)
                end = late + int(levels.argmin()) * (sound.RATE // 10) + sound.RATE // 20
            yield speech[at].set, speech[at].speaker, sound.at_level(sound.trimmed(samples[:end]), sound.SPEECH_RMS)
            samples = samples[end:]


def _collected_noises(data: pathlib.Path) -> dict[str, numpy.ndarray]:
    """The recordings of noise in a folder of `train.collect` that are held out, but for the first second: some begin softly."""
    noises = {one.speaker: one.samples()[sound.RATE :] for one in manifest.recordings(data) if one.kind == "noise" and one.held_out}
    if not noises:
        raise RuntimeError(f"{data}: no recording of noise that is held out; train/sources.toml names them")
    return noises


def speak_prompts(program: pathlib.Path, folder: pathlib.Path) -> None:
    """Makes all that the program says, unless it is there."""
    if not list(folder.glob("*.wav")):
        folder.mkdir(parents=True, exist_ok=True)
        subprocess.run([str(program), "prompts", "--out", str(folder)], check=True, stdout=subprocess.DEVNULL)


def _prompt_blocks(program: pathlib.Path, folder: pathlib.Path) -> Iterator[tuple[str, str, numpy.ndarray]]:
    """All that the program says, in its own voice, in a shuffled order."""
    speak_prompts(program, folder)
    said = dict(line.split("\t", 1) for line in (folder / "prompts.tsv").read_text().splitlines())
    files = sorted(folder.glob("*.wav"))
    order = noise.generator("prompts").permutation(len(files))
    pause = numpy.zeros(round(0.5 * sound.RATE), dtype=numpy.float32)
    now: list[numpy.ndarray] = []
    texts: list[str] = []
    for at in itertools.cycle(order):
        now += [sound.at_level(sound.trimmed(sound.read(files[at])), sound.SPEECH_RMS), pause]
        texts.append(said[files[at].name])
        if sum(map(len, now)) > BLOCK_S * sound.RATE:
            yield "prompts", " | ".join(texts), numpy.concatenate(now)
            now, texts = [], []


def people_blocks(seed: int, begin: int, choice: Choice) -> Iterator[Block]:
    """The blocks of the people in `choice.people` from number `begin` on, in a place, and in a noise that is held out."""
    noises = _collected_noises(choice.people)
    for number, (source, speaker, samples) in enumerate(_collected_blocks(choice.people, seed)):
        if number < begin or number % choice.of != choice.share:
            continue
        rng = noise.generator(seed, "collected", number)
        place = room.PLACES[rng.integers(len(room.PLACES))]
        samples = sound.at_level(room.heard_at(samples, place, rng.uniform(0.5, 2), rng), sound.SPEECH_RMS)
        around = noises[list(noises)[rng.integers(len(noises))]]
        around = numpy.roll(around, -rng.integers(len(around)))
        around = numpy.resize(around, len(samples))
        yield Block(number, "people", source, speaker, "", sound.with_noise(samples, around, rng.uniform(*PEOPLE_DB), 0, 0))


def blocks(
    seed: int, booth: Booth, program: pathlib.Path, prompts: pathlib.Path, begin: int, choice: Choice = Choice()
) -> Iterator[Block]:
    """The blocks from number `begin` on. A block's number settles its kind, voice, text, place and noise."""
    if choice.people:
        yield from people_blocks(seed, begin, choice)
        return
    prose = [(name, passage) for name, passages in talk.prose().items() for passage in passages]
    prose = [prose[at] for at in noise.generator(seed, "prose").permutation(len(prose))]
    sayings = talk.sayings()
    sayings = [sayings[at] for at in noise.generator(seed, "sayings").permutation(len(sayings))]
    chats, people, said = talk.chats(noise.generator(seed, "chats")), _people_blocks(), _prompt_blocks(program, prompts)
    reading, quoting = itertools.cycle(prose), itertools.cycle(sayings)
    talkers = list(TALKERS)
    turns: dict[str, int] = {}
    for number in itertools.count():
        kind = ROUND[number % len(ROUND)]
        turn = turns[kind] = turns.get(kind, -1) + 1
        voice = talkers[(turn * 7 + number // len(ROUND)) % len(talkers)]
        if kind in choice.without:
            continue
        rng = noise.generator(seed, "talk", number)
        if kind == "prose":
            passages = [next(reading) for _ in range(3)]
            source, texts = passages[0][0], [text for _, text in passages]
        elif kind == "sayings":
            source, texts = "sayings", [next(quoting) for _ in range(9)]
        elif kind == "chatter":
            source, texts = "chatter", [next(chats) for _ in range(5)]
        elif kind == "noise":
            source, texts, voice = list(noise.NOISES)[turn % len(noise.NOISES)], [], ""
        elif kind == "people":
            source, text, samples = next(people, ("", "", None))
            if samples is None:
                continue
            texts, voice = [text], source
        else:
            source, text, samples = next(said)
            texts, voice = [text], "hibari heart"
        if number < begin or number % choice.of != choice.share or voice in choice.without:
            continue
        if kind == "noise":
            samples = noise.make(source, f"{seed} alone {number}", round(BLOCK_S * sound.RATE))
            # Bursts, as of a gust or a passing car, so that a cutter finds something to cut.
            steps = numpy.repeat(10 ** (rng.uniform(-18, 0, 60) / 20), round(BLOCK_S * sound.RATE) // 60)
            samples[: len(steps)] *= numpy.convolve(steps, numpy.ones(400) / 400, "same")
            samples = sound.at_level(samples, sound.SPEECH_RMS)
        else:
            if kind in ("prose", "sayings", "chatter"):
                speed = float(rng.choice([0.9, 1.0, 1.1]))
                pause = numpy.zeros(round(rng.uniform(0.4, 0.9) * sound.RATE), dtype=numpy.float32)
                samples = numpy.concatenate(
                    [part for text in texts for part in (booth.speak(voice, text, speed, keep=False), pause)]
                )
            place = room.PLACES[rng.integers(len(room.PLACES))]
            samples = sound.at_level(room.heard_at(samples, place, rng.uniform(0.5, 2), rng), sound.SPEECH_RMS)
            samples = _somewhere(samples, rng, f"{seed} around {number}")
        yield Block(number, kind, source, voice, " | ".join(texts), samples)


def _somewhere(samples: numpy.ndarray, rng: numpy.random.Generator, seed: str) -> numpy.ndarray:
    """Three of four blocks in a quiet place (40 dB), the fourth in one of the noises at 5 to 20 dB."""
    count = len(samples) + 32
    if rng.uniform() < 0.75:
        return sound.with_noise(samples, rng.standard_normal(count).astype(numpy.float32), 40, 0, 0)
    kind = list(noise.NOISES)[rng.integers(len(noise.NOISES))]
    return sound.with_noise(samples, noise.make(kind, seed, count), rng.uniform(5, 20), 0, 0)


def run(asked) -> None:
    """Hears blocks until the minutes are over."""
    allowed = phrases.read()
    folder = asked.work / "talk"
    folder.mkdir(parents=True, exist_ok=True)
    results = Results(asked.work / "talk.jsonl")
    begin = 1 + max((record["block"] for record in results.read()), default=-1)
    features = Features(asked.features, asked.models, allowed, folder)
    sphinx = PocketSphinx(allowed)
    booth = Booth(asked.work.parent / "voices")
    until = time.monotonic() + 60 * asked.talk_minutes
    source = blocks(asked.seed, booth, asked.program, asked.work.parent / "prompts", begin)
    while time.monotonic() < until:
        together = list(itertools.islice(source, TOGETHER))
        results.add(_hear(together, features, sphinx))
        print(f"talk: {together[-1].number + 1} blocks, {(until - time.monotonic()) / 60:.0f} min left", flush=True)


def _hear(together: list[Block], features: Features, sphinx: PocketSphinx) -> list[dict]:
    """One record for each block and way of cutting."""
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        cuts: list[tuple[Block, str, list[tuple[int, int]], list[pathlib.Path]]] = []
        for block in together:
            ways = {"pauses": cutting.at_pauses(block.samples)}
            # Cut blindly as well where it costs little: every fourth block, and all noise, which has no pauses.
            if block.number % 4 == 0 or block.kind == "noise":
                ways["blind"] = cutting.blindly(len(block.samples), noise.generator("cut", block.number))
            for way, pieces in ways.items():
                files = []
                for at, (begin, end) in enumerate(pieces):
                    files.append(pathlib.Path(folder) / f"{block.number}-{way}-{at}.wav")
                    sound.write(files[-1], block.samples[begin:end])
                cuts.append((block, way, pieces, files))
        heard = iter(features.hear([file for *_, files in cuts for file in files]))
        records = []
        for block, way, pieces, files in cuts:
            found = list(itertools.islice(heard, len(files)))
            record = {
                "block": block.number,
                "kind": block.kind,
                "source": block.source,
                "voice": block.voice,
                "way": way,
                "seconds": len(block.samples) / sound.RATE,
                "pieces": len(pieces),
                "piece_seconds": sum(end - begin for begin, end in pieces) / sound.RATE,
                # What the fixed gates let through; the rest cannot be accepted at any limit.
                "weighed": [one for one in map(_weighed, found, pieces) if one],
                "text": block.text,
            }
            if way == "pauses" and block.number % 12 == 1:
                record["sphinx"] = sum(one.accepted is not None for one in sphinx.hear(files).heard)
            records.append(record)
    return records


def _weighed(found: dict, piece: tuple[int, int]) -> dict | None:
    if found["log_odds"] is None:
        return None
    kept = {key: found[key] for key in ("best", "free", "score", "log_odds", "margin", "accepted", "features")}
    return json.loads(json.dumps(kept)) | {"at_s": round(piece[0] / sound.RATE, 2)}
