"""Noise and degradation: what is promised of them can be measured on what they make."""

import pytest
import torch

from train.degrade import Conditions, degraded, loudness, rooms, telephoned, whispered
from train.noise import Noises, Shelf, clatter, engine, rushing, water, wind

CPU = torch.device("cpu")


@pytest.fixture(autouse=True)
def seeded():
    torch.manual_seed(3)


def tone(hertz: float, rows: int = 2, length: int = 16_000) -> torch.Tensor:
    return torch.sin(2 * torch.pi * hertz * torch.arange(length) / 16_000).repeat(rows, 1) * 0.3


def noises() -> Noises:
    shelf = Shelf([torch.randn(40_000), torch.randn(20_000).cumsum(0) / 50])
    return Noises(shelf, shelf, shelf, strips=4)


@pytest.mark.parametrize("kind", [rushing, water, wind, engine, clatter])
def test_each_kind_has_a_standard_deviation_of_one_and_differs_from_row_to_row(kind):
    made = kind(6, 16_000, CPU)
    assert made.shape == (6, 16_000) and torch.isfinite(made).all()
    assert torch.allclose(made.std(1), torch.ones(6), atol=0.05)
    assert torch.corrcoef(made).fill_diagonal_(0).abs().max() < 0.9


def test_wind_is_low_and_water_is_not():
    def share_below(made, hertz):
        power = torch.fft.rfft(made).abs().square()
        return (power[:, : int(hertz * made.shape[1] / 16_000)].sum() / power.sum()).item()

    assert share_below(wind(40, 16_000, CPU), 500) > 0.6
    assert share_below(water(40, 16_000, CPU), 500) < 0.5


def test_recordings_are_taken_from_within_themselves():
    first, second = torch.full((30_000,), 1.0), torch.full((50_000,), 2.0)
    made = Shelf([first, second]).stretch(64, 24_000)
    # Each row is of one recording only, and both come up.
    assert set(made.unique().tolist()) == {1.0, 2.0}
    assert all(len(row.unique()) == 1 for row in made)


def test_the_noise_is_as_far_below_the_voice_as_asked():
    how = Conditions(least_ratio=10, most_ratio=10, untouched=0, no_noise=0, in_room=0, whispered=0, by_telephone=0, clipped=0)
    clean, quiet = tone(1000, 64), torch.zeros(64, 1, dtype=torch.bool)
    made = degraded(clean, quiet, noises(), how)
    # The noise is what the tone leaves, in those rows whose microphone does not favour either much.
    basis = torch.stack([clean[0] / clean[0].norm(), torch.cos(2 * torch.pi * 1000 * torch.arange(16_000) / 16_000)])
    basis[1] /= basis[1].norm()
    voice = made @ basis.T @ basis
    ratio = 20 * torch.log10(voice.norm(dim=1) / (made - voice).norm(dim=1))
    assert 8.5 < ratio.median() < 12


def test_rows_that_are_left_alone_differ_in_level_only():
    how = Conditions(untouched=1.0)
    clean = tone(700)
    made = degraded(clean, torch.zeros(2, 1, dtype=torch.bool), noises(), how)
    assert torch.allclose(made / made.norm(dim=1, keepdim=True), clean / clean.norm(dim=1, keepdim=True), atol=1e-6)


def test_a_row_without_speech_still_gets_noise():
    how = Conditions(untouched=0, no_noise=0)
    made = degraded(torch.zeros(8, 16_000), torch.ones(8, 1, dtype=torch.bool), noises(), how)
    assert (made.std(1) > 1e-4).all()


def test_the_telephone_carries_300_to_3400_hertz():
    # ITU-T G.712 (narrow band of the telephone network): 300 to 3,400 Hz.
    def through(hertz):
        return 20 * torch.log10(telephoned(tone(hertz))[0, 4000:12_000].std() / tone(hertz)[0].std()).item()

    assert abs(through(1000)) < 1
    assert through(60) < -20 and through(5500) < -20


def test_a_whisper_has_the_voice_in_time_and_not_its_tone():
    voice = tone(500) * (torch.arange(16_000) > 8_000)
    made = whispered(voice)
    assert made.shape == voice.shape
    assert made[:, 10_000:].std() > 20 * made[:, :6_000].std()
    peak = lambda x: (torch.fft.rfft(x[0]).abs().square().max() / torch.fft.rfft(x[0]).abs().square().sum()).item()
    assert peak(made) < 0.3 * peak(voice)


def test_the_direct_sound_comes_first_and_the_tail_decays():
    made = rooms(200, CPU)
    # The tail begins within 2 to 12 ms; its duller version rings a little before that.
    assert (made[:, 0] - 1).abs().max() < 0.05
    early, late = made[:, 200:1200].pow(2).mean(), made[:, 6000:9000].pow(2).mean()
    assert late < 0.1 * early


def test_loudness_is_that_of_the_loud_parts():
    sound = tone(500) * (torch.arange(16_000) > 8_000)
    assert torch.allclose(loudness(sound), tone(500)[0].pow(2).mean().sqrt(), rtol=0.05)
