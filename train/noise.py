"""Noise made on the accelerator, a row for each example, each with a standard deviation of 1.

Shapes are fixed by the arguments alone and nothing is read back from the device, so that a whole step of training can be recorded
once and replayed (CUDA graphs). Every figure that varies is drawn for each row.
"""

from __future__ import annotations

import math

import torch
from scipy.fft import next_fast_len
from torch import Tensor
from torch.nn import functional as F

SAMPLE_RATE = 16_000


def between(rows: int, low: float, high: float, device) -> Tensor:
    """Uniform, (rows, 1)."""
    return low + (high - low) * torch.rand(rows, 1, device=device)


def between_logs(rows: int, low: float, high: float, device) -> Tensor:
    """Uniform in the logarithm, (rows, 1)."""
    return torch.exp(between(rows, math.log(low), math.log(high), device))


def normal(rows: int, device, columns: int = 1) -> Tensor:
    """Normally distributed, (rows, columns)."""
    return torch.randn(rows, columns, device=device)


def chance(rows: int, odds: float, device) -> Tensor:
    """True in `odds` of the rows, (rows, 1)."""
    return torch.rand(rows, 1, device=device) < odds


def as_one(x: Tensor) -> Tensor:
    """Rows with a standard deviation of 1."""
    return x / (x.std(-1, keepdim=True) + 1e-8)


def fast(length: int) -> int:
    """The next length that is quick to transform."""
    return next_fast_len(length, real=True)


def spectrum(x: Tensor, size: int | None = None) -> Tensor:
    """Real Fourier transform of rows."""
    return torch.fft.rfft(x, n=size)


def sound(x: Tensor, size: int, length: int | None = None) -> Tensor:
    """Back from a spectrum of `size` samples, the first `length` of them."""
    return torch.fft.irfft(x, n=size)[:, : length or size]


def convolved(x: Tensor, kernel: Tensor) -> Tensor:
    """Rows with their kernels, as long as the rows."""
    size = fast(x.shape[1] + kernel.shape[1])
    return sound(spectrum(x, size) * spectrum(kernel, size), size, x.shape[1])


def frequencies(bins: int, device) -> Tensor:
    """Hz of the bins of a spectrum, (1, bins)."""
    return torch.linspace(0, SAMPLE_RATE / 2, bins, device=device)[None]


def equaliser(rows: int, bins: int, device, decibels: float, points: int = 10) -> Tensor:
    """A smooth random gain over the logarithm of frequency, (rows, bins)."""
    gains = normal(rows, device, points) * decibels
    place = ((frequencies(bins, device)[0].clamp(min=40) / 40).log() / math.log(200) * (points - 1)).clamp(max=points - 1 - 1e-4)
    left = place.long()
    share = place - left
    return 10 ** ((gains[:, left] * (1 - share) + gains[:, left + 1] * share) / 20)


def curve(rows: int, length: int, rate: Tensor, device) -> Tensor:
    """Smooth curves, about normally distributed, that change `rate` (rows, 1) times a second."""
    waves, step = 24, 160
    times = torch.arange(0, length + step, step, device=device) / SAMPLE_RATE
    speed = rate * torch.rand(rows, waves, device=device)
    phase = 2 * math.pi * torch.rand(rows, waves, device=device)
    knots = torch.cos(2 * math.pi * speed[:, :, None] * times + phase[:, :, None]).sum(1) * math.sqrt(2 / waves)
    return F.interpolate(knots[:, None], size=length, mode="linear", align_corners=True)[:, 0]


def coloured(rows: int, length: int, device, tilt: Tensor, decibels: float = 8.0) -> Tensor:
    """Noise whose power falls or rises with frequency to the power of `tilt` (rows, 1), under a random equaliser."""
    bins = length // 2 + 1
    made = spectrum(normal(rows, device, length))
    khz = frequencies(bins, device).clamp(min=30) / 1000
    return as_one(sound(made * khz ** (tilt / 2) * equaliser(rows, bins, device, decibels), length))


def wavering(x: Tensor, slow: float, quick: float, most: float) -> Tensor:
    """Rows whose loudness goes up and down."""
    rows, length = x.shape
    depth = between(rows, 0, most, x.device)
    return x * torch.exp(curve(rows, length, between_logs(rows, slow, quick, x.device), x.device) * depth)


def rushing(rows: int, length: int, device) -> Tensor:
    """Two coloured noises, each with its own wavering."""
    first, second = (wavering(coloured(rows, length, device, between(rows, -2.2, 0.8, device)), 0.3, 12, 0.9) for _ in range(2))
    return as_one(first + second * between(rows, 0, 1, device))


def impulses(rows: int, length: int, device, rate: Tensor, spread: float) -> Tensor:
    """`rate` (rows, 1) clicks a second, of random height and sign."""
    there = torch.rand(rows, length, device=device) < rate / SAMPLE_RATE
    return there * torch.exp(normal(rows, device, length) * spread) * torch.sign(normal(rows, device, length))


def water(rows: int, length: int, device) -> Tensor:
    """A tap, a stream, rain, splashing: drops that ring (rising, as bubbles do) over broad rushing."""
    times = torch.arange(4096, device=device) / SAMPLE_RATE
    drops = torch.zeros(rows, length, device=device)
    for _ in range(4):
        clicks = impulses(rows, length, device, between_logs(rows, 4, 3000, device), 0.7)
        pitch, lasts = between_logs(rows, 350, 7200, device), between_logs(rows, 0.0008, 0.03, device)
        ring = torch.exp(-times / lasts) * torch.sin(2 * math.pi * pitch * (times + between(rows, -2, 30, device) * times * times / 2))
        drops = drops + as_one(convolved(clicks, ring * (times / 0.0006).clamp(max=1))) * torch.exp(normal(rows, device) * 0.8)
    bed = wavering(coloured(rows, length, device, between(rows, -1.2, 1.2, device), 6), 1, 40, 0.5)
    mixed = spectrum(as_one(drops) * between(rows, 0, 1, device) + bed * between(rows, 0.15, 1.2, device))
    return as_one(sound(mixed * equaliser(rows, mixed.shape[1], device, 5), length))


def wind(rows: int, length: int, device) -> Tensor:
    """Rumble in gusts with some hiss, four in ten driving the microphone into its limits."""
    low = wavering(coloured(rows, length, device, between(rows, -4.5, -2, device), 4), 0.4, 5, 1.3)
    hiss = wavering(coloured(rows, length, device, between(rows, -2, 0, device), 6), 0.5, 8, 1.2)
    made = as_one(low) + as_one(hiss) * between_logs(rows, 0.02, 0.6, device)
    limit = between_logs(rows, 0.8, 6, device)
    return as_one(torch.where(chance(rows, 0.4, device), torch.tanh(made / limit) * limit, made))


def engine(rows: int, length: int, device) -> Tensor:
    """A generator, a compressor, a road: a row of harmonics and a noise that throbs with them."""
    times = SAMPLE_RATE
    pitch = between_logs(rows, 22, 190, device)
    drift = 1 + 0.03 * curve(rows, length, between_logs(rows, 0.2, 4, device), device) * between(rows, 0, 1, device)
    phase = 2 * math.pi * torch.cumsum(pitch * drift, 1) / times
    roll = between(rows, 0.3, 1.6, device)
    tones = torch.zeros(rows, length, device=device)
    for number in range(1, 25):
        height = torch.exp(normal(rows, device) * 0.7) * number**-roll * (number * pitch < 7500)
        tones = tones + torch.sin(number * phase + 2 * math.pi * torch.rand(rows, 1, device=device)) * height
    throb = 1 + between(rows, 0, 0.9, device) * torch.sin(phase * torch.ceil(3 * torch.rand(rows, 1, device=device)))
    return as_one(as_one(tones) * between_logs(rows, 0.1, 2, device) + coloured(rows, length, device, between(rows, -2, 0.3, device), 7) * throb)


def clatter(rows: int, length: int, device) -> Tensor:
    """Dishes, tools, doors: knocks that ring over a faint bed."""
    times = torch.arange(8000, device=device) / SAMPLE_RATE
    rate = between_logs(rows, 1, 14, device)
    knocks = torch.zeros(rows, length, device=device)
    for _ in range(4):
        ring = torch.exp(-times / between_logs(rows, 0.004, 0.2, device)) * torch.sin(2 * math.pi * between_logs(rows, 250, 7000, device) * times)
        clicks = impulses(rows, length, device, rate, 0.6)
        knocks = knocks + as_one(convolved(clicks, ring)) * torch.exp(normal(rows, device) * 0.5)
    return as_one(as_one(knocks) + coloured(rows, length, device, between(rows, -2, 0.5, device)) * between_logs(rows, 0.1, 1.2, device))


class Shelf:
    """Recordings end to end in one tensor, from which stretches are taken, a little slower or faster than they are."""

    # Seconds that every recording lasts at least, by being repeated.
    LEAST = 8

    def __init__(self, recordings: list[Tensor]) -> None:
        long = [one.repeat(-(-self.LEAST * SAMPLE_RATE // len(one))) for one in recordings]
        self.all = torch.cat(long)
        self.lengths = torch.tensor([len(one) for one in long], device=self.all.device)
        self.begins = torch.cumsum(self.lengths, 0) - self.lengths

    def stretch(self, rows: int, length: int) -> Tensor:
        """Random stretches, each recording as likely as any other."""
        device = self.all.device
        which = (torch.rand(rows, device=device) * len(self.lengths)).long()
        rate = between(rows, 0.8, 1.3, device)
        room = (self.lengths[which] - 1.31 * length - 2).clamp(min=0)
        begin = self.begins[which] + (torch.rand(rows, device=device) * room).long()
        place = torch.arange(length, device=device)[None] * rate
        whole = place.long()
        share = place - whole
        at = whole + begin[:, None]
        return self.all[at] * (1 - share) + self.all[at + 1] * share

    def noise(self, rows: int, length: int, device) -> Tensor:
        """Stretches under a slight random equaliser."""
        made = spectrum(self.stretch(rows, length))
        return as_one(sound(made * equaliser(rows, made.shape[1], device, 4), length))

    def crowd(self, rows: int, length: int, device) -> Tensor:
        """Two to six voices at once over a faint bed."""
        voices = sum(self.stretch(rows, length) * torch.exp(normal(rows, device) * 0.5) * chance(rows, 0.7, device) for _ in range(6))
        made = spectrum(voices)
        far = as_one(sound(made * equaliser(rows, made.shape[1], device, 4), length))
        return as_one(far + coloured(rows, length, device, between(rows, -2, 0.3, device)) * between_logs(rows, 0.03, 0.8, device))

    def residue(self, rows: int, length: int, device) -> Tensor:
        """What an echo canceller leaves of a voice: dull, torn, with its own noise."""
        made = spectrum(self.stretch(rows, length))
        dull = (1 + frequencies(made.shape[1], device) / between_logs(rows, 400, 4000, device)).pow(-between(rows, 0, 2, device))
        voice = sound(made * dull * equaliser(rows, made.shape[1], device, 6), length)
        gate = torch.sigmoid(4 * curve(rows, length, between_logs(rows, 2, 25, device), device) + between(rows, -1, 4, device))
        return as_one(as_one(voice * gate) + coloured(rows, length, device, between(rows, -1.5, 0.5, device)) * between_logs(rows, 0.03, 0.5, device))


class Noises:
    """All kinds of noise, in fixed shares of the rows, in random order; three rows in ten get a second one.

    The kinds that are reckoned are reckoned once, `strips` rows of STRIP seconds each, and taken from there under an equaliser: a
    step of training would take longer over them than over the network.
    """

    STRIP = 12

    def __init__(self, recorded: Shelf, speech: Shelf, voice: Shelf, strips: int = 640) -> None:
        device = recorded.all.device
        self.kinds = [
            (Shelf(self.strips(kind, strips, device)).noise, share)
            for kind, share in ((rushing, 0.15), (water, 0.26), (wind, 0.12), (engine, 0.10), (clatter, 0.09))
        ]
        self.kinds += [(speech.crowd, 0.05), (voice.residue, 0.05), (recorded.noise, 0.18)]

    def strips(self, kind, count: int, device) -> list[Tensor]:
        """Rows of a kind."""
        each = min(count, 40)
        return [row for _ in range(-(-count // each)) for row in kind(each, self.STRIP * SAMPLE_RATE, device)]

    def one(self, rows: int, length: int, device) -> Tensor:
        """One kind for each row."""
        counts = [int(share * rows) for _, share in self.kinds]
        counts[0] += rows - sum(counts)
        made = torch.cat([kind(count, length, device) for (kind, _), count in zip(self.kinds, counts) if count])
        return made[torch.rand(rows, device=device).argsort()]

    def __call__(self, rows: int, length: int, device) -> Tensor:
        made = self.one(rows, length, device)
        more = int(0.3 * rows)
        if more:
            second = self.one(more, length, device) * between_logs(more, 0.2, 1.2, device)
            made = torch.cat([as_one(made[:more] + second), made[more:]])
        return made
