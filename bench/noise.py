"""Noises of the place, made by stated models: the same seed gives the same samples. Pure; levels are arbitrary.

They are models, not recordings. What each leaves out stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy
from scipy.signal import butter, lfilter, sosfilt

from bench.sound import RATE


def _coloured(rng: numpy.random.Generator, count: int, shape: Callable[[numpy.ndarray], numpy.ndarray]) -> numpy.ndarray:
    """Gaussian noise whose amplitude spectrum is `shape` of the frequency in hertz."""
    spectrum = numpy.fft.rfft(rng.standard_normal(count))
    hertz = numpy.fft.rfftfreq(count, 1 / RATE)
    return numpy.fft.irfft(spectrum * shape(hertz), count)


def _swell(rng: numpy.random.Generator, count: int, seconds: float, depth_db: float) -> numpy.ndarray:
    """A slow random gain around 1: correlated over `seconds`, `depth_db` decibels of standard deviation."""
    step = RATE // 20
    points = count // step + 3
    keep = numpy.exp(-step / RATE / seconds)
    steps = lfilter([numpy.sqrt(1 - keep * keep)], [1, -keep], rng.standard_normal(points + 200))[200:]
    return 10 ** (depth_db / 20 * numpy.interp(numpy.arange(count) / step, numpy.arange(points), steps))


def _drops(
    rng: numpy.random.Generator,
    count: int,
    per_second: float,
    hertz: tuple[float, float],
    decay: Callable[[numpy.ndarray], numpy.ndarray],
) -> numpy.ndarray:
    """Damped tones that begin at random moments (a Poisson process), their pitch even over the octaves of `hertz`.

    `decay` gives the damping in 1/s for each pitch.
    """
    out = numpy.zeros(count)
    drops = rng.poisson(per_second * count / RATE)
    at = rng.integers(0, count, drops)
    pitch = numpy.exp(rng.uniform(numpy.log(hertz[0]), numpy.log(hertz[1]), drops))
    # Few large, many small: a lognormal spread of 6 dB.
    gain = numpy.exp(rng.normal(0, 0.7, drops))
    damping = decay(pitch)
    for start, f, a, d in zip(at, pitch, gain, damping):
        length = min(count - start, int(4 / d * RATE) + 1)
        t = numpy.arange(length) / RATE
        out[start : start + length] += a * numpy.exp(-d * t) * numpy.sin(2 * numpy.pi * f * t)
    return out


def water(rng: numpy.random.Generator, count: int) -> numpy.ndarray:
    """A running tap: bubbles, and the hiss of the jet.

    A bubble of radius r rings at f = 3/r (Minnaert 1933) and dies away with 0.13/r + 0.0072 r^-1.5 1/s (van den Doel, Physically
    based models for liquid sounds, 2005; both from memory). 900 bubbles a second of 400 to 5,000 Hz; the hiss, as strong, is flat from
    500 Hz to 5 kHz and falls by 6 dB an octave outside. Left out: the ring of the sink or tank.
    """

    def decay(f: numpy.ndarray) -> numpy.ndarray:
        radius = 3 / f
        return 0.13 / radius + 0.0072 * radius**-1.5

    bubbles = _drops(rng, count, 900, (400, 5_000), decay)
    hiss = _coloured(rng, count, lambda f: numpy.minimum(f / 500, 1) / numpy.maximum(f / 5_000, 1))
    return bubbles / bubbles.std() + hiss / hiss.std() * _swell(rng, count, 0.3, 1)


def wind(rng: numpy.random.Generator, count: int) -> numpy.ndarray:
    """Wind at an open microphone: the -5/3 power law of turbulence above 20 Hz, in gusts of about 2 s, 5 dB deep.

    Left out: the flutter of a wind shield, rustling things.
    """
    spectrum = _coloured(rng, count, lambda f: numpy.where(f < 20, 0, numpy.maximum(f, 20) ** (-5 / 6)))
    return spectrum * _swell(rng, count, 2, 5)


def engine(rng: numpy.random.Generator, count: int) -> numpy.ndarray:
    """A small four-stroke generator: one cylinder at 2,400 to 3,600 turns a minute.

    One firing every two turns; 40 harmonics that fall by 6 dB an octave, each off by up to 6 dB, the pace wavering by 0.3 %; and
    exhaust noise in step with the firing. Left out: rattling sheet metal, the load that changes.
    """
    firing = rng.uniform(2_400, 3_600) / 60 / 2
    wander = numpy.log(_swell(rng, count, 0.5, 8.7)) * 0.003
    phase = 2 * numpy.pi * numpy.cumsum(firing * (1 + wander)) / RATE
    tones = sum(
        10 ** (rng.uniform(-6, 6) / 20) / order * numpy.sin(order * phase + rng.uniform(0, 2 * numpy.pi))
        for order in range(1, 41)
    )
    exhaust = _coloured(rng, count, lambda f: 1 / numpy.sqrt(1 + (f / 800) ** 2))
    exhaust *= 1 + 0.8 * numpy.sin(phase)
    return tones / tones.std() + 0.7 * exhaust / exhaust.std()


def rain(rng: numpy.random.Generator, count: int) -> numpy.ndarray:
    """Rain on a thin roof: 250 drops a second that ring the sheet at 200 to 3,000 Hz, and the hiss of the rain around.

    Left out: gusts, the drip from the gutter.
    """
    drops = _drops(rng, count, 250, (200, 3_000), lambda f: 60 + 0.15 * f)
    hiss = sosfilt(butter(2, [1_000, 6_500], "bandpass", fs=RATE, output="sos"), rng.standard_normal(count))
    return drops / drops.std() + 0.8 * hiss / hiss.std() * _swell(rng, count, 1.5, 2)


NOISES: dict[str, Callable[[numpy.random.Generator, int], numpy.ndarray]] = {
    "water": water,
    "wind": wind,
    "engine": engine,
    "rain": rain,
}


def make(kind: str, seed: object, count: int) -> numpy.ndarray:
    """`count` samples of the noise `kind` (a key of NOISES), the same for the same seed (anything that prints the same)."""
    return NOISES[kind](generator(kind, seed), count).astype(numpy.float32)


def generator(*seed: object) -> numpy.random.Generator:
    """A random generator for any seed that prints the same on every machine."""
    return numpy.random.default_rng(list(" ".join(map(str, seed)).encode()))
