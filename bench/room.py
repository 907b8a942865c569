"""How a place answers: responses from image sources (Allen and Berkley 1979), by pyroomacoustics. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy
import pyroomacoustics
from scipy.signal import fftconvolve

from bench.sound import RATE

# Metres a second; pyroomacoustics takes the same.
SOUND_SPEED = 343.0
# pyroomacoustics puts each reflection into a filter of 81 taps, whose middle is its moment.
FILTER_DELAY = 40


@dataclass(frozen=True)
class Place:
    """A box, and the share of energy that each side swallows."""

    name: str
    size: tuple[float, float, float]
    absorption: dict[str, float]
    reflections: int


def _sides(west: float, east: float, south: float, north: float, floor: float, ceiling: float) -> dict[str, float]:
    return {"west": west, "east": east, "south": south, "north": north, "floor": floor, "ceiling": ceiling}


PLACES = (
    # A furnished van: soft seats and lining; half of the energy goes at each reflection.
    Place("van", (5.0, 2.1, 2.0), _sides(0.5, 0.5, 0.5, 0.5, 0.4, 0.5), 12),
    # Beside the vehicle: its wall and hard ground answer, the other sides are open.
    Place("beside", (12.0, 8.0, 8.0), _sides(1.0, 1.0, 0.1, 1.0, 0.15, 1.0), 2),
    # A tiled wash house.
    Place("wash house", (4.0, 3.0, 2.5), _sides(0.15, 0.15, 0.15, 0.15, 0.1, 0.25), 20),
)


def response(place: Place, distance: float, rng: numpy.random.Generator) -> numpy.ndarray:
    """The response from a mouth to a microphone `distance` metres apart (0.1 to 2), both at random places inside.

    The direct sound has the gain 1 / distance (of that at 1 m) and comes after distance / c, FILTER_DELAY samples later.
    """
    size = numpy.array(place.size)
    margin = 0.25
    for _ in range(1_000):
        mouth = rng.uniform(margin, size - margin)
        if place.name == "beside":
            # Within arm's length of the wall, where the valves are, and at the height of a person at work.
            mouth = numpy.array([rng.uniform(2, 10), rng.uniform(0.4, 1.5), rng.uniform(0.8, 1.7)])
        direction = rng.standard_normal(3) * (1, 1, 0.4)
        microphone = mouth + distance * direction / numpy.linalg.norm(direction)
        if (microphone > 0.1).all() and (microphone < size - 0.1).all():
            break
    else:
        raise ValueError(f"no two points {distance} m apart were found in the place '{place.name}'")
    box = pyroomacoustics.ShoeBox(
        size,
        fs=RATE,
        materials={side: pyroomacoustics.Material(share) for side, share in place.absorption.items()},
        max_order=place.reflections,
    )
    box.add_source(mouth)
    box.add_microphone(microphone)
    box.compute_rir()
    return numpy.asarray(box.rir[0][0], dtype=numpy.float64)


def heard_at(speech: numpy.ndarray, place: Place, distance: float, rng: numpy.random.Generator) -> numpy.ndarray:
    """`speech` as it sounds `distance` metres away, with the tail of the room."""
    return fftconvolve(speech, response(place, distance, rng))[FILTER_DELAY:].astype(numpy.float32)
