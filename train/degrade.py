"""From a clean recording to what the program's microphone would make of it: room, distance, noise, microphone, line, level."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from train.noise import (
    SAMPLE_RATE,
    Noises,
    between,
    between_logs,
    chance,
    convolved,
    equaliser,
    fast,
    frequencies,
    normal,
    sound,
    spectrum,
)


@dataclass(frozen=True)
class Conditions:
    """How often what is done. Ratios in dB of the voice over the noise."""

    least_ratio: float = -4.0
    most_ratio: float = 25.0
    # Nothing but the level is changed.
    untouched: float = 0.2
    # Everything but noise.
    no_noise: float = 0.06
    in_room: float = 0.55
    whispered: float = 0.04
    by_telephone: float = 0.1
    clipped: float = 0.06


def rooms(rows: int, device, length: int = 9600) -> Tensor:
    """Responses of rooms, (rows, length): the direct sound, a few early reflections, a tail that decays and gets duller."""
    times = torch.arange(length, device=device) / SAMPLE_RATE
    # Reverberation times from a cabin to a bare hall; the further away, the less of the sound is direct.
    decay = 10 ** (-3 * times / between_logs(rows, 0.08, 0.75, device))
    tail = normal(rows, device, length) * decay * (times > between(rows, 0.002, 0.012, device))
    made = spectrum(tail)
    tail = sound(made * (1 + frequencies(made.shape[1], device) / 1000).pow(-between(rows, 0, 1.2, device)), length)
    direct_over_tail = between(rows, -5, 16, device)
    tail = tail / (tail.pow(2).sum(1, keepdim=True).sqrt() + 1e-8) * 10 ** (-direct_over_tail / 20)
    direct = torch.zeros_like(tail)
    direct[:, 0] = 1
    for _ in range(4):
        place = (16 + 464 * torch.rand(rows, 1, device=device)).long()
        direct = direct.scatter_add(1, place, normal(rows, device) * 0.35)
    return direct + tail


def loudness(x: Tensor) -> Tensor:
    """Root mean square of the samples above a twentieth of the peak, (rows, 1)."""
    loud = (x.abs() > 0.05 * x.abs().amax(1, keepdim=True)).float()
    return ((x * x * loud).sum(1, keepdim=True) / (loud.sum(1, keepdim=True) + 1)).sqrt()


def whispered(x: Tensor) -> Tensor:
    """The voice without its tone: the smoothed short-time spectrum with random phases."""
    size, hop = 512, 128
    window = torch.hann_window(size, device=x.device)
    length = x.shape[1]
    padded = F.pad(x, (size, size))
    frames = padded.unfold(1, size, hop) * window
    made = torch.fft.rfft(frames)
    smooth = F.avg_pool1d(made.abs().flatten(0, 1)[:, None], 9, 1, 4, count_include_pad=False)[:, 0].view(made.shape)
    hertz = frequencies(made.shape[2], x.device)
    phase = 2 * torch.pi * torch.rand(made.shape, device=x.device)
    # A whisper has little below 500 Hz.
    back = torch.fft.irfft(torch.polar(smooth * (hertz / 500).clamp(max=1), phase), n=size) * window
    joined = F.fold(back.transpose(1, 2), (1, size + hop * (back.shape[1] - 1)), (1, size), stride=(1, hop))[:, 0, 0]
    joined = joined[:, size : size + length] / 1.5
    return F.pad(joined, (0, length - joined.shape[1]))


def telephoned(x: Tensor) -> Tensor:
    """300 to 3,400 Hz in steps of the telephone's companding (ITU-T G.711, mu-law): also what a headset's voice line does."""
    size = fast(x.shape[1] + 2048)
    made = spectrum(x, size)
    hertz = frequencies(made.shape[1], x.device)
    band = 1 / (1 + (250 / (hertz + 1)).pow(8)).sqrt() / (1 + (hertz / 3500).pow(24)).sqrt()
    x = sound(made * band, size, x.shape[1])
    peak = x.abs().amax(1, keepdim=True) + 1e-6
    companded = torch.sign(x) * torch.log1p(255 * x.abs() / peak) / 5.545
    steps = (companded * 127).round() / 127
    return torch.sign(steps) * (torch.exp(steps.abs() * 5.545) - 1) / 255 * peak


def degraded(clean: Tensor, quiet: Tensor, noises: Noises, how: Conditions = Conditions()) -> Tensor:
    """(rows, samples) of clean speech, those of `quiet` (rows, 1) holding none, as a microphone would give them."""
    rows, length = clean.shape
    device = clean.device
    x = clean
    if few := int(how.whispered * rows):
        x = torch.cat([whispered(x[:few]), x[few:]])
    x = torch.where(chance(rows, how.in_room, device), convolved(x, rooms(rows, device)), x)
    ratio = between(rows, how.least_ratio, how.most_ratio, device)
    gain = loudness(x) * 10 ** (-ratio / 20) * ~chance(rows, how.no_noise, device)
    gain = torch.where(quiet, between_logs(rows, 0.002, 0.15, device), gain)
    # The voice has a way of its own before the noise joins it; the microphone comes after for both.
    size = fast(length)
    made = spectrum(x, size)
    bins = made.shape[1]
    own = torch.where(chance(rows, 0.5, device), equaliser(rows, bins, device, 3), torch.ones(1, device=device))
    y = sound(made * own, size, length) + noises(rows, length, device) * gain
    made, hertz, one = spectrum(y, size), frequencies(bins, device), torch.ones(1, device=device)
    low = 1 / (1 + (between_logs(rows, 50, 350, device) / (hertz + 1)).pow(4)).sqrt()
    high = 1 / (1 + (hertz / between_logs(rows, 3200, 8000, device)).pow(12)).sqrt()
    microphone = torch.where(chance(rows, 0.35, device), low, one) * torch.where(chance(rows, 0.25, device), high, one)
    microphone = microphone * torch.where(chance(rows, 0.4, device), equaliser(rows, bins, device, 3), one)
    y = sound(made * microphone, size, length)
    if few := int(how.by_telephone * rows):
        # From the other end, so that a whisper over the telephone is rare.
        y = torch.cat([y[:-few], telephoned(y[-few:])])
    peak = y.abs().amax(1, keepdim=True) + 1e-6
    y = torch.where(chance(rows, 0.75, device), y / peak * between_logs(rows, 0.02, 0.95, device), y)
    peak = y.abs().amax(1, keepdim=True)
    limit = torch.where(chance(rows, how.clipped, device), peak * between(rows, 0.3, 0.8, device), peak + 1)
    y = torch.maximum(torch.minimum(y, limit), -limit)
    order = torch.rand(rows, 1, device=device)
    same = clean * torch.exp(between(rows, -2.5, 0.2, device))
    return torch.where(order < how.untouched, same, y)
