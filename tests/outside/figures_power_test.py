"""Services, batteries and cords against brute force, SciPy and pint."""

import itertools

import numpy
import pint
from scipy.optimize import brentq

from figures_batch import answers, close

Q = pint.UnitRegistry().Quantity


def test_a_service_fits_if_it_fits_on_every_leg_that_a_thing_may_be_on():
    """The program's own rule, written a second time, over every way to spread what may be on either leg: no outside source. That a 50 A service
    has two legs of 120 V is NEC 551.44 and 551.71, the 80 % for what runs on NEC 210.20(A) (both from memory)."""
    rng = numpy.random.default_rng(50)
    rigs = []
    for _ in range(2000):
        count = int(rng.integers(1, 7))
        rigs.append([(float(w), str(leg)) for w, leg in zip(rng.uniform(200, 4500, count), rng.choice(["", "@first", "@second", "@both"], count))])
    found = answers(
        [("service-load", {"service": "50 A", "on": [f"thing {i}={w!r} W{leg}" for i, (w, leg) in enumerate(rig)]}) for rig in rigs]
    )
    seen = set()
    for rig, one in zip(rigs, found):
        unsure = [w / 120 for w, leg in rig if not leg]
        base = [sum(w / 120 for w, leg in rig if leg == f"@{side}") + sum(w / 240 for w, leg in rig if leg == "@both") for side in ("first", "second")]
        fullest = []
        for sides in itertools.product((0, 1), repeat=len(unsure)):
            legs = [base[side] + sum(a for a, s in zip(unsure, sides) if s == side) for side in (0, 1)]
            fullest.append(max(legs))
        expected = (
            "over" if min(fullest) > 50 else "unknown" if max(fullest) > 50 else "not-for-long" if max(fullest) > 40 else "fits"
        )
        assert one["state"] == expected, (rig, one)
        assert one["verdict"] == {"fits": "fits", "unknown": "unknown"}.get(expected, "does-not-fit")
        seen.add(expected)
    assert len(seen) == 4


def test_peukert_s_law_holds_through_the_rated_point():
    """Peukert (Elektrotechnische Zeitschrift 20, 1897): I^n t is constant; at the rated current C / R it lasts R hours. Solved for t, not by the
    formula of the program."""
    rng = numpy.random.default_rng(20)
    cells = [tuple(map(float, row)) for row in zip(rng.uniform(50, 600, 2000), rng.choice([5, 10, 20, 100], 2000), rng.uniform(1, 200, 2000), rng.uniform(1, 1.6, 2000))]
    found = answers(
        [("battery-hours", {"capacity": f"{c!r} Ah", "rated": f"{r!r} h", "current": f"{i!r} A", "exponent": n, "usable": "100 %"}) for c, r, i, n in cells]
    )
    for (capacity, rated, current, exponent), one in zip(cells, found):
        same = lambda log_t: exponent * numpy.log(current * rated / capacity) + log_t - numpy.log(rated)  # noqa: E731
        assert close(one["lasts_h"], numpy.exp(brentq(same, -50, 50, xtol=1e-13)), 1e-9), (capacity, rated, current, exponent, one)


def test_the_exponent_is_the_slope_of_two_discharges():
    rng = numpy.random.default_rng(21)
    pairs = []
    for current, by, exponent, hours in zip(rng.uniform(1, 20, 2000), rng.uniform(1.5, 5, 2000), rng.uniform(1.01, 1.5, 2000), rng.uniform(5, 50, 2000)):
        pairs.append((float(current), float(hours), float(current * by), float(hours * by**-exponent)))
    found = answers([("battery-exponent", {"first": f"{a!r} A for {t!r} h", "second": f"{b!r} A for {u!r} h"}) for a, t, b, u in pairs])
    for (a, t, b, u), one in zip(pairs, found):
        slope = numpy.polyfit(numpy.log([a, b]), numpy.log([t, u]), 1)[0]
        assert close(one["exponent"], -slope, 1e-6)


def test_what_goes_on_and_what_stops_when_unplugged():
    """What goes on is the program's own rule, written a second time: no outside source. The current is Ohm's law by pint."""
    rng = numpy.random.default_rng(12)
    rigs = []
    for _ in range(2000):
        count = int(rng.integers(0, 6))
        things = [(float(w), str(f)) for w, f in zip(rng.uniform(5, 900, count), rng.choice(["battery", "inverter", "shore"], count))]
        rigs.append((things, rng.choice(["none", "?", "1000 W"]), float(rng.uniform(11.5, 14)), float(rng.uniform(70, 100))))
    questions = []
    for things, inverter, volts, efficiency in rigs:
        options = {"on": [f"t{i}={w!r} W@{f}" for i, (w, f) in enumerate(things)], "voltage": f"{volts!r} V", "efficiency": f"{efficiency!r} %", "idle": "20 W"}
        questions.append(("unplug", options if inverter == "none" else options | {"inverter": str(inverter)}))
    for (things, inverter, volts, efficiency), one in zip(rigs, answers(questions)):
        load = sum(w for w, f in things if f == "inverter")
        overloaded = inverter == "1000 W" and load > 1000
        inverted = inverter != "none" and not overloaded
        goes_on = {f"t{i}" for i, (_, f) in enumerate(things) if f == "battery" or (f == "inverter" and inverted)}
        assert set(one["goes_on"]) == goes_on and set(one["stops"]) == {f"t{i}" for i in range(len(things))} - goes_on
        watts = sum(w for w, f in things if f == "battery") + (load / efficiency * 100 if inverted else 0) + (20 if inverter != "none" else 0)
        assert close(one["draw_a"], (Q(watts, "W") / Q(volts, "V")).to("A").magnitude)
        if overloaded:
            assert one["verdict"] == "does-not-fit"
        elif one["draw_a"] > 0:
            assert one["verdict"] == "unknown", "no battery was named"


def test_cords_lose_what_copper_of_that_gauge_loses():
    """Gauges by ASTM B258, resistivity of annealed copper (IEC 60028) at 75 C: within 3 % of the rule with 12.9."""
    rng = numpy.random.default_rng(10)
    cords = [(int(g), float(length), float(current)) for g, length, current in zip(rng.choice([6, 8, 10, 12, 14], 2000), rng.uniform(10, 150, 2000), rng.uniform(1, 15, 2000))]
    found = answers([("cord-drop", {"gauge": g, "length": f"{length!r} ft", "current": f"{c!r} A"}) for g, length, c in cords])
    gauges, lengths, currents = map(numpy.array, zip(*cords))
    across = Q(0.005 * 92 ** ((36 - gauges) / 39), "inch")
    resistivity = Q(1.7241e-8 * (1 + 0.00393 * 55), "ohm * m")
    resistance = resistivity * Q(2 * lengths, "foot") / (numpy.pi / 4 * across**2)
    lost = (resistance * Q(currents, "A")).to("V").magnitude
    for (gauge, length, current), expected, one in zip(cords, lost, found):
        assert close(one["lost_v"], expected, 0.03), (gauge, length, current, one)
        share = one["lost_percent"]
        assert one["advice"] == ("fine" if share <= 3 else "noticeable" if share <= 5 else "too-much")
