"""Sound as arrays of 32-bit floats at 16 kHz, full scale 1: reading, writing, levels, mixing. Pure, but for read and write."""

from __future__ import annotations

import math
import pathlib

import numpy
import soundfile
from scipy.signal import resample_poly

RATE = 16_000
# The level of a talker at the microphone, of full scale; the tests of the program use the same (-26 dB).
SPEECH_RMS = 0.05
# A frame counts as speech when it is louder than this share of the loudest one (-34 dB).
AUDIBLE = 0.02
FRAME = RATE // 100


def read(path: pathlib.Path | str) -> numpy.ndarray:
    """The sound in a file that libsndfile reads, mixed down to one channel and resampled to 16 kHz."""
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    return at_16k(samples.mean(axis=1), rate)


def read_raw(path: pathlib.Path | str) -> numpy.ndarray:
    """Headerless 16-bit little-endian samples at 16 kHz."""
    return numpy.fromfile(path, dtype="<i2").astype(numpy.float32) / 32768


def write(path: pathlib.Path, samples: numpy.ndarray) -> None:
    """Writes 16-bit samples; what is above full scale is clipped, as a sound card does."""
    soundfile.write(path, numpy.clip(samples, -1, 32767 / 32768), RATE, subtype="PCM_16")


def at_16k(samples: numpy.ndarray, rate: int) -> numpy.ndarray:
    """`samples` of any rate, resampled."""
    if rate == RATE:
        return samples.astype(numpy.float32)
    common = math.gcd(rate, RATE)
    return resample_poly(samples, RATE // common, rate // common).astype(numpy.float32)


def rms(samples: numpy.ndarray) -> float:
    """Root mean square; 0 for no samples."""
    return float(numpy.sqrt(numpy.mean(numpy.square(samples, dtype=numpy.float64)))) if len(samples) else 0.0


def frame_levels(samples: numpy.ndarray, frame: int = FRAME) -> numpy.ndarray:
    """The root mean square of each whole frame."""
    whole = samples[: len(samples) // frame * frame].reshape(-1, frame)
    return numpy.sqrt(numpy.mean(numpy.square(whole, dtype=numpy.float64), axis=1))


def trimmed(samples: numpy.ndarray) -> numpy.ndarray:
    """Without the silence at both ends; empty when there is nothing but silence."""
    levels = frame_levels(samples)
    if not len(levels) or levels.max() <= 0:
        return samples[:0]
    audible = numpy.flatnonzero(levels > AUDIBLE * levels.max())
    return samples[audible[0] * FRAME : (audible[-1] + 1) * FRAME]


def at_level(samples: numpy.ndarray, level: float) -> numpy.ndarray:
    """Scaled to a root mean square of `level`; silence stays silence."""
    found = rms(samples)
    return samples if found == 0 else (samples * (level / found)).astype(numpy.float32)


def with_noise(
    speech: numpy.ndarray, noise: numpy.ndarray, snr_db: float, lead_s: float = 0.5, tail_s: float = 0.5
) -> numpy.ndarray:
    """`speech` with noise before, under and after it.

    The ratio is that of the root mean squares over the time of the speech, unweighted, 0 to 8 kHz: what the program's own tests
    call the speech-to-noise ratio. `noise` must be at least as long as all of it.
    """
    lead, tail = round(lead_s * RATE), round(tail_s * RATE)
    whole = lead + len(speech) + tail
    if len(noise) < whole:
        raise ValueError(f"{len(noise)} samples of noise, expected at least {whole}")
    under = rms(noise[lead : lead + len(speech)])
    if under == 0:
        raise ValueError("the noise is silent under the speech, so that no ratio can be set")
    mixed = noise[:whole] * (rms(speech) / under * 10 ** (-snr_db / 20))
    mixed[lead : lead + len(speech)] += speech
    return mixed.astype(numpy.float32)
