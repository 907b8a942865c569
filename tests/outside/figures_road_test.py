"""Tyres, weights and towing against pint, SciPy and exact fractions."""

from fractions import Fraction

import numpy
import pint
from scipy import constants
from scipy.integrate import quad

from figures_batch import answers, close

ureg = pint.UnitRegistry()
Q = ureg.Quantity


def test_tyres_follow_the_gas_law_in_kelvin_and_pascals():
    rng = numpy.random.default_rng(80)
    rows = [tuple(map(float, row)) for row in zip(rng.uniform(25, 120, 2000), rng.uniform(-20, 110, 2000), rng.uniform(-20, 110, 2000), rng.uniform(10.5, 14.9, 2000), rng.uniform(10.5, 14.9, 2000))]
    found = answers(
        [
            ("tire-change", {"reading": f"{p!r} psi", "from": f"{t!r} F", "to": f"{u!r} F", "from-air": f"{a!r} psia", "to-air": f"{b!r} psia"})
            for p, t, u, a, b in rows
        ]
    )
    psi, before, after, air, air_after = map(numpy.array, zip(*rows))
    inside = (Q(psi, "psi") + Q(air, "psi")).to("Pa") * (Q(after, "degF").to("K") / Q(before, "degF").to("K"))
    for row, expected, one in zip(rows, (inside - Q(air_after, "psi")).to("kPa").magnitude, found):
        assert close(one["shows_kpa"], expected, 1e-9), (row, one)


def test_the_air_at_a_height_is_the_weight_of_the_air_above_it():
    """The pressure falls by g M p / (R T) for each metre, with the lapse of the standard atmosphere: integrated with SciPy."""
    rng = numpy.random.default_rng(81)
    heights = [float(h) for h in rng.uniform(-1000, 14000, 2000)]
    found = answers([("tire-change", {"reading": "80 psi", "from": "70 F", "to": "70 F", "to-height": f"{h!r} ft"}) for h in heights])
    for feet, one in zip(heights, found):
        fall, _ = quad(lambda z: constants.g * 0.0289644 / (constants.R * (288.15 - 0.0065 * z)), 0, feet * 0.3048)
        air = constants.atm * numpy.exp(-fall)
        assert abs(one["change_kpa"] - (constants.atm - air) / 1000) < 0.02, (feet, one)


def test_a_reading_is_never_called_cold_or_right_when_it_may_be_warm():
    """The program's own rule, written a second time: no outside source. Cold is parked for three hours or driven for less than a mile (U.S. Tire
    Manufacturers Association, care and service of tires; from memory); what is far too low, a quarter under, is 49 CFR 571.138 S4.2 (from memory)."""
    rng = numpy.random.default_rng(82)
    rows = []
    for _ in range(2000):
        parked = float(rng.uniform(0, 6)) if rng.random() < 0.6 else None
        driven = float(rng.uniform(0, 3)) if rng.random() < 0.6 else None
        rows.append((float(rng.uniform(30, 110)), parked, driven))
    questions = []
    for psi, parked, driven in rows:
        options = {"reading": f"{psi!r} psi", "placard": "80 psi", "most": "95 psi"}
        options |= {} if parked is None else {"parked": f"{parked!r} h"}
        options |= {} if driven is None else {"driven": f"{driven!r} mi"}
        questions.append(("tire-reading", options))
    for (psi, parked, driven), one in zip(rows, answers(questions)):
        cold = (parked is not None and parked >= 3) or (driven is not None and driven < 1)
        assert (one["warmth"] == "cold") == cold
        if psi <= 60:
            expected = "far-too-low"
        elif psi < 79:
            expected = "low"
        elif not cold:
            expected = "not-cold"
        else:
            expected = "above-most" if psi > 95 else "right" if psi <= 81 else "high"
        assert one["state"] == expected, (psi, parked, driven, one)
        assert (one["verdict"] == "fits") == (expected == "right")


def standing(weight, rating):
    if weight is None or rating is None:
        return "unknown"
    return "within" if weight <= rating else "over"


def test_every_limit_by_whole_pounds_with_numbers_missing_at_random():
    """The program's own comparison, written a second time: no outside source. What the ratings mean is 49 CFR 571.3; a label is a limit, not a goal."""
    rng = numpy.random.default_rng(83)

    def maybe(value):
        return None if rng.random() < 0.05 else value

    def near(rating):
        return int(rating * rng.choice([0.8, 0.95, 1.0])) + int(rng.integers(-1, 2))

    def text(value):
        return "?" if value is None else f"{value} lb"

    rigs, questions = [], []
    for _ in range(2000):
        ratings = {"front": 9000, "rear": 17500, "one": 2600, "two": 2600}
        axle = {name: (maybe(near(rating)), maybe(rating)) for name, rating in ratings.items()}
        gvwr, towed, gcwr, tow, hitch = (maybe(r) for r in (26000, 5000, int(rng.choice([27000, 29000, 31000])), 5000, 6000))
        rigs.append((axle, gvwr, towed, gcwr, tow, hitch))
        entry = {name: f"{name}={text(w)} of {text(r)}" for name, (w, r) in axle.items()}
        options = {
            "vehicle": f"? of {text(gvwr)}",
            "axle": [entry["front"], entry["rear"]],
            "towed": f"? of {text(towed)}",
            "towed-axle": [entry["one"], entry["two"]],
            "combined": f"? of {text(gcwr)}",
        }
        options |= {} if tow is None else {"tow-rating": text(tow)}
        options |= {} if hitch is None else {"hitch-rating": text(hitch)}
        questions.append(("weights", options))
    seen = set()
    for (axle, gvwr, towed, gcwr, tow, hitch), one in zip(rigs, answers(questions)):
        both = lambda a, b: None if axle[a][0] is None or axle[b][0] is None else axle[a][0] + axle[b][0]  # noqa: E731
        coach, car = both("front", "rear"), both("one", "two")
        combined = None if coach is None or car is None else coach + car
        expected = {
            "vehicle (GVWR)": standing(coach, gvwr),
            "vehicle, front axle (GAWR)": standing(*axle["front"]),
            "vehicle, rear axle (GAWR)": standing(*axle["rear"]),
            "towed (GVWR)": standing(car, towed),
            "towed, one axle (GAWR)": standing(*axle["one"]),
            "towed, two axle (GAWR)": standing(*axle["two"]),
            "combined (GCWR)": standing(combined, gcwr),
            "towed weight (tow rating)": standing(car, tow),
            "towed weight (hitch)": standing(car, hitch),
        }
        assert {limit["limit"]: limit["standing"] for limit in one["limits"]} == expected
        states = set(expected.values())
        verdict = "does-not-fit" if "over" in states else "unknown" if "unknown" in states else "fits"
        assert one["verdict"] == verdict
        seen.add(verdict)
    assert len(seen) == 3


def test_the_edges_of_tongue_and_brakes_by_exact_fractions():
    """Tongues of 10 to 15 % are common practice, no source; which trailers need no brakes is 49 CFR 393.42(b)(3) and (4)."""
    rng = numpy.random.default_rng(84)
    tongues, brakes = [], []
    for _ in range(2000):
        trailer = int(rng.integers(10, 400)) * 20
        edge = trailer // 10 if rng.random() < 0.5 else trailer * 3 // 20
        tongues.append((edge + int(rng.integers(-1, 2)), trailer))
        towing = int(rng.integers(400, 1600)) * 5
        axles = max(1, min(towing * 2 // 5 + int(rng.integers(-1, 2)), 3002))
        brakes.append((max(axles, int(rng.choice([2999, 3000, 3001]))), axles, towing))
    found = answers([("tongue", {"tongue": f"{t} lb", "trailer": f"{w} lb"}) for t, w in tongues])
    for (tongue, trailer), one in zip(tongues, found):
        share = Fraction(tongue, trailer)
        expected = "too-light" if share < Fraction(1, 10) else "too-heavy" if share > Fraction(3, 20) else "fits"
        assert one["state"] == expected, (tongue, trailer, one)
    found = answers(
        [("trailer-brakes", {"trailer": f"{w} lb", "trailer-axles": f"{a} lb", "towing-axles": f"{t} lb"}) for w, a, t in brakes]
    )
    for (whole, axles, towing), one in zip(brakes, found):
        free = whole <= 3000 and Fraction(axles, towing) <= Fraction(2, 5)
        assert one["brakes"] == ("not-required" if free else "required"), (whole, axles, towing, one)
