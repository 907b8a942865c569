"""Which clips there are: every phrase by several voices in every condition, drawn by a seed; and how each is made."""

from __future__ import annotations

import pathlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy

from bench import noise, room, sound
from bench.phrases import NUMBERS, Phrase
from bench.voices import PEOPLE, VOICES, WHISPERERS, Booth

SNRS = (15, 10, 5, 0)
# The noise of the microphone itself where the place is quiet: 45 dB under the talker.
QUIET_DB = 45.0
# Debian's asterisk-core-sounds-en-wav: numbers by one woman, at 8 kHz. The folder that the package installs: the link "en" to it is not everywhere.
DIGITS = pathlib.Path("/usr/share/asterisk/sounds/en_US_f_Allison/digits")


@dataclass(frozen=True)
class Clip:
    """One utterance: who says what, how, where, and in which noise. Everything it takes to make it again."""

    part: str
    condition: str
    noise: str | None
    snr_db: float
    phrase: str
    voice: str
    speed: float
    pitch: Fraction
    tilt_db: float
    place: str | None
    distance: float
    seed: str


def sweep(phrases: list[Phrase], per_phrase: int, seed: int) -> Iterator[Clip]:
    """Each noise at each ratio, and quiet; every phrase `per_phrase` times in each, by voices that change from one to the next."""
    conditions = [("quiet", None, QUIET_DB)]
    conditions += [(f"{kind} {snr} dB", kind, float(snr)) for kind in noise.NOISES for snr in SNRS]
    for number, (condition, kind, snr) in enumerate(conditions):
        for place, phrase in enumerate(phrases):
            for turn in range(per_phrase):
                own = f"{seed} sweep {condition} {phrase.text} {turn}"
                rng = noise.generator(own)
                voice = PEOPLE[(place + 5 * turn + 7 * number) % len(PEOPLE)]
                speed, pitch = float(rng.choice([0.85, 1.0, 1.15])), Fraction(*[(8, 9), (1, 1), (9, 8)][rng.integers(3)])
                if VOICES[voice].slow:
                    speed, pitch = 1.0, Fraction(1)
                yield Clip(
                    part="sweep",
                    condition=condition,
                    noise=kind,
                    snr_db=snr,
                    phrase=phrase.text,
                    voice=voice,
                    speed=speed,
                    pitch=pitch,
                    tilt_db=0.0,
                    place=room.PLACES[rng.integers(len(room.PLACES))].name,
                    distance=round(float(rng.uniform(0.3, 2.0)), 2),
                    seed=own,
                )


# Levels are those of ISO 9921:2003 for vocal effort at 1 m (relaxed 54, normal 60, loud 72 dBA, from memory), against a noise that
# a normal voice stands 15 dB above. Tilt, pitch and pace are common practice, no source.
MANNERS: dict[str, dict] = {
    "normal": {},
    "soft": {"level": -6.0, "tilt": -3.0},
    "loud": {"level": 12.0, "tilt": 3.0, "pitch": Fraction(9, 8)},
    "high": {"pitch": Fraction(5, 4)},
    "accented": {"voices": [name for name, voice in VOICES.items() if voice.accent != "US" and not voice.own]},
    "fast": {"speed": 1.5},
    "slow": {"speed": 0.7},
    "whispered": {"voices": list(WHISPERERS)},
}
MANNER_SNR_DB = 15.0
US_VOICES = [name for name in PEOPLE if VOICES[name].accent == "US" and not VOICES[name].slow]


def manners(phrases: list[Phrase], per_phrase: int, seed: int) -> Iterator[Clip]:
    """The same phrases said softly, loudly, high, with an accent, fast, slowly, whispered; beside a tap or an engine, 0.5 m away."""
    for manner, how in MANNERS.items():
        voices = how.get("voices", US_VOICES)
        for place, phrase in enumerate(phrases):
            for turn in range(per_phrase):
                yield Clip(
                    part="manners",
                    condition=manner,
                    noise=("water", "engine")[(place + turn) % 2],
                    snr_db=MANNER_SNR_DB + how.get("level", 0.0),
                    phrase=phrase.text,
                    voice=voices[(place + 3 * turn) % len(voices)],
                    speed=how.get("speed", 1.0),
                    pitch=how.get("pitch", Fraction(1)),
                    tilt_db=how.get("tilt", 0.0),
                    place=room.PLACES[1].name,
                    distance=0.5,
                    # The same places and noises for every manner.
                    seed=f"{seed} manners {phrase.text} {turn}",
                )


def people(seed: int) -> Iterator[Clip]:
    """Numbers that a person recorded, as they are and in noise."""
    for condition, kind, snr in [("quiet", None, QUIET_DB), *((f"{k} {s} dB", k, float(s)) for k in ("water", "engine") for s in (10, 5))]:
        for phrase in NUMBERS:
            own = f"{seed} people {condition} {phrase.text}"
            file = str(DIGITS / f"{phrase.meaning}.wav")
            yield Clip("people", condition, kind, snr, phrase.text, file, 1.0, Fraction(1), 0.0, None, 0.0, own)


def tilted(samples: numpy.ndarray, db_per_octave: float) -> numpy.ndarray:
    """Louder or softer by `db_per_octave` for each octave above 1 kHz: a soft voice has less up there, a loud one more."""
    spectrum = numpy.fft.rfft(samples)
    hertz = numpy.fft.rfftfreq(len(samples), 1 / sound.RATE)
    octaves = numpy.log2(numpy.maximum(hertz, 1_000) / 1_000)
    return numpy.fft.irfft(spectrum * 10 ** (db_per_octave * octaves / 20), len(samples)).astype(numpy.float32)


def make(clip: Clip, booth: Booth) -> numpy.ndarray:
    """The sound of `clip`, half a second of its background before and after the words."""
    rng = noise.generator("make", clip.seed)
    if clip.voice.startswith("/"):
        spoken = sound.trimmed(sound.read(clip.voice))
    else:
        spoken = booth.speak(clip.voice, clip.phrase, clip.speed, clip.pitch)
    if clip.tilt_db:
        spoken = tilted(spoken, clip.tilt_db)
    if clip.place:
        place = next(place for place in room.PLACES if place.name == clip.place)
        spoken = sound.trimmed(room.heard_at(spoken, place, clip.distance, rng))
    spoken = sound.at_level(spoken, sound.SPEECH_RMS)
    count = len(spoken) + sound.RATE + 16
    if clip.noise:
        around = noise.make(clip.noise, clip.seed, count)
    else:
        around = rng.standard_normal(count).astype(numpy.float32)
    return sound.with_noise(spoken, around, clip.snr_db)
