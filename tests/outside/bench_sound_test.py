"""The benchmark's own sums: levels, noises, rooms, cuts. A wrong ratio or delay there would make every figure of it wrong."""

import itertools
import pathlib
import sys

import numpy
import pytest
from scipy.signal import periodogram, welch

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import cutting, noise, room, sound


@pytest.mark.parametrize("kind", noise.NOISES)
@pytest.mark.parametrize("snr", [15.0, 0.0, -5.0])
def test_the_noise_is_as_loud_as_it_is_said_to_be(kind, snr):
    """The ratio by its definition, from the powers that a periodogram sums to (Parseval), not from the function's own sum."""
    speech = 0.05 * numpy.sin(2 * numpy.pi * 440 * numpy.arange(16_000) / 16_000).astype(numpy.float32)
    around = noise.make(kind, 7, 32_000)
    mixed = sound.with_noise(speech, around, snr)
    under = mixed[8_000:24_000].astype(float) - speech
    power = [periodogram(part, scaling="spectrum", detrend=False, return_onesided=False)[1].sum() for part in (speech.astype(float), under)]
    assert abs(10 * numpy.log10(power[0] / power[1]) - snr) < 0.1


def test_silent_noise_is_refused_and_so_is_noise_that_is_too_short():
    speech = numpy.ones(1_000, dtype=numpy.float32)
    with pytest.raises(ValueError, match="silent"):
        sound.with_noise(speech, numpy.zeros(20_000, dtype=numpy.float32), 10)
    with pytest.raises(ValueError, match="expected at least"):
        sound.with_noise(speech, numpy.ones(2_000, dtype=numpy.float32), 10)


@pytest.mark.parametrize("kind", noise.NOISES)
def test_a_noise_is_the_same_for_the_same_seed_only(kind):
    assert (noise.make(kind, 1, 8_000) == noise.make(kind, 1, 8_000)).all()
    assert not (noise.make(kind, 1, 8_000) == noise.make(kind, 2, 8_000)).all()


def test_wind_follows_the_law_of_turbulence():
    """Kolmogorov's -5/3 law (1941): the power falls by 10 lg(2^(5/3)) = 5.02 dB an octave."""
    hertz, power = welch(noise.make("wind", 3, 30 * 16_000), fs=16_000, nperseg=8_192)
    inside = (hertz > 40) & (hertz < 2_000)
    slope = numpy.polyfit(numpy.log2(hertz[inside]), 10 * numpy.log10(power[inside]), 1)[0]
    assert abs(slope + 5.02) < 0.3, slope


def test_the_direct_sound_comes_after_distance_over_c():
    """The first arrival after d / c, at the gain 1 / d (the law of distance: half as far, 6 dB louder)."""
    for place in room.PLACES:
        for distance in (0.3, 0.8, 2.0):
            found = room.response(place, distance, noise.generator(place.name, distance))
            expected = distance / room.SOUND_SPEED * 16_000 + room.FILTER_DELAY
            first = int(numpy.argmax(numpy.abs(found) > 0.5 * numpy.abs(found).max()))
            # To one sample: the peak lies between samples.
            assert abs(numpy.argmax(numpy.abs(found[: first + 3])) - expected) < 1, (place.name, distance)
            if distance == 0.3:
                # So near that nothing else has come yet; the taps of the filter add up to the gain.
                assert abs(found[round(expected) - 8 : round(expected) + 9].sum() * distance - 1) < 0.15, place.name


def test_a_hard_wall_sends_the_sound_back_from_its_image():
    """One reflecting wall, all else open: a second arrival from the mirror image, reckoned here by Pythagoras."""
    place = room.Place("one wall", (12.0, 8.0, 8.0), room._sides(1.0, 1.0, 0.05, 1.0, 1.0, 1.0), 1)
    rng = noise.generator("wall")
    found = room.response(place, 1.5, rng)
    # The same draws again, to know where mouth and microphone were put.
    again, size = noise.generator("wall"), numpy.array(place.size)
    mouth = again.uniform(0.25, size - 0.25)
    direction = again.standard_normal(3) * (1, 1, 0.4)
    microphone = mouth + 1.5 * direction / numpy.linalg.norm(direction)
    image = mouth * (1, -1, 1)
    delay = numpy.linalg.norm(image - microphone) / room.SOUND_SPEED * 16_000 + room.FILTER_DELAY
    after = numpy.abs(found)
    after[: round(1.5 / room.SOUND_SPEED * 16_000) + room.FILTER_DELAY + 6] = 0
    assert abs(int(numpy.argmax(after)) - delay) < 1.5


def test_talk_is_cut_at_its_pauses_and_nowhere_else():
    tone = 0.1 * numpy.sin(2 * numpy.pi * 300 * numpy.arange(16_000) / 16_000)
    def quiet(seconds):
        return numpy.random.default_rng(1).standard_normal(round(seconds * 16_000)) * 1e-4

    # 0.2 s is a pause inside an utterance, 0.5 s ends it, 9 s are no answer.
    samples = numpy.concatenate([quiet(1), tone, quiet(0.2), tone, quiet(0.5), tone, quiet(1), numpy.tile(tone, 9), quiet(1)])
    found = [(begin / 16_000, end / 16_000) for begin, end in cutting.at_pauses(samples.astype(numpy.float32))]
    assert numpy.allclose(found, [(0.75, 3.45), (3.45, 4.95)], atol=0.021), found


def test_blind_cuts_leave_nothing_out_and_are_as_long_as_asked():
    found = cutting.blindly(600_000, noise.generator("cuts"))
    assert found[0][0] == 0 and all(a[1] == b[0] for a, b in itertools.pairwise(found))
    assert 600_000 - found[-1][1] < 3 * 16_000
    assert all(0.6 <= (end - begin) / 16_000 <= 3.0 for begin, end in found)
