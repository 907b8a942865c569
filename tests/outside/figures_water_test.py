"""Tanks, taps, hoses and bleach against pint's units and SciPy's integrators, on random rigs."""

import math

import numpy
import pint
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from figures_batch import answers, close

ureg = pint.UnitRegistry()
Q = ureg.Quantity


@pytest.fixture
def rng():
    return numpy.random.default_rng(231)


def test_every_unit_is_the_size_that_pint_gives_it(rng):
    units = {
        "gal": ("gal", "gallon", "liter", "l"),
        "qt": ("gal", "quart", "liter", "l"),
        "pt": ("gal", "pint", "liter", "l"),
        "cups": ("gal", "cup", "liter", "l"),
        "fl oz": ("gal", "fluid_ounce", "liter", "l"),
        "tbsp": ("gal", "tablespoon", "liter", "l"),
        "tsp": ("gal", "teaspoon", "liter", "l"),
        "imp gal": ("gal", "imperial_gallon", "liter", "l"),
        "cu in": ("gal", "inch ** 3", "liter", "l"),
        "cu ft": ("gal", "foot ** 3", "liter", "l"),
        "L": ("gal", "liter", "liter", "l"),
        "gpm": ("gpm", "gallon / minute", "liter / minute", "l_per_min"),
        "L/s": ("gpm", "liter / second", "liter / minute", "l_per_min"),
        "ft": ("in", "foot", "centimeter", "cm"),
        "yd": ("in", "yard", "centimeter", "cm"),
        "mi": ("in", "mile", "centimeter", "cm"),
        "mm": ("in", "millimeter", "centimeter", "cm"),
        "psi": ("psi", "psi", "kilopascal", "kpa"),
        "bar": ("psi", "bar", "kilopascal", "kpa"),
        "lb": ("lb", "pound", "kilogram", "kg"),
        "oz": ("lb", "ounce", "kilogram", "kg"),
        "short tons": ("lb", "short_ton", "kilogram", "kg"),
        "h": ("s", "hour", "second", "s"),
    }
    numbers = [(name, float(number)) for name in units for number in rng.uniform(0.01, 1000, 100)]
    found = answers([("convert", {"quantity": f"{number!r} {name}"}) for name, number in numbers])
    for (name, number), one in zip(numbers, found):
        _, pint_unit, target, key = units[name]
        assert close(one[key], Q(number, pint_unit).to(target).magnitude), (name, number, one)


def test_temperatures_convert_as_pint_converts_them(rng):
    numbers = [float(n) for n in rng.uniform(-60, 180, 200)]
    found = answers([("convert", {"quantity": f"{n!r} F"}) for n in numbers])
    for number, one in zip(numbers, found):
        assert abs(one["c"] - Q(number, "degF").to("degC").magnitude) < 1e-9


def test_depths_volumes_flows_and_fill_times(rng):
    questions, expected = [], []
    rows = zip(
        rng.uniform(12, 90, 500), rng.uniform(12, 60, 500), rng.uniform(1, 60, 500), rng.uniform(0.5, 12, 500), rng.uniform(5, 100, 500)
    )
    for length, width, gallons, gpm, share in (map(float, row) for row in rows):
        base = Q(length, "inch") * Q(width, "inch")
        water = Q(gallons, "gallon")
        questions.append(("depth", {"water": f"{gallons!r} gal", "length": f"{length!r} in", "width": f"{width!r} in"}))
        expected.append(("depth_cm", (water / base).to("cm").magnitude))
        questions.append(("tank-volume", {"length": f"{length!r} in", "width": f"{width!r} in", "height": "30 cm"}))
        expected.append(("volume_gal", (base * Q(30, "cm")).to("gallon").magnitude))
        flow = Q(gpm, "gallon / minute")
        questions.append(("fill-time", {"tank": f"{gallons!r} gal", "flow": f"{gpm!r} gpm", "share": f"{share!r} %"}))
        expected.append(("time_s", (water * share / 100 / flow).to("s").magnitude))
        time = (Q(5, "gallon") / flow).to("s").magnitude
        questions.append(("bucket-flow", {"bucket": "5 gal", "time": f"{time!r} s"}))
        expected.append(("flow_l_per_min", flow.to("liter / minute").magnitude))
    for question, (key, value), one in zip(questions, expected, answers(questions)):
        assert close(one[key], value), (question, one)


def test_the_rinse_clock_is_the_smaller_bound_and_the_level_stays_under_the_share(rng):
    rigs = [
        (float(t), float(h), float(f), float(s), int(o))
        for t, h, f, s, o in zip(
            rng.uniform(5, 100, 1000), rng.uniform(0, 40, 1000), rng.uniform(0.5, 15, 1000), rng.uniform(20, 100, 1000), rng.integers(5, 1200, 1000)
        )
    ]
    found = answers(
        [
            ("rinse-clock", {"tank": f"{t!r} gal", "held": f"{h!r} gal", "flow": f"{f!r} gpm", "share": f"{s!r} %", "owner": f"{o} s"})
            for t, h, f, s, o in rigs
        ]
    )
    refused = 0
    for (tank, held, flow, share, owner), one in zip(rigs, found):
        room = (tank * share / 100 - held) / flow * 60
        if room < 5 or held > tank:
            refused += 1
            assert "error" in one, (tank, held, flow, share, one)
        elif owner <= room:
            assert (one["runs_s"], one["decided_by"]) == (owner, "owner")
        else:
            assert (one["runs_s"], one["decided_by"]) == (math.floor(min(room, 3600)), "share")
            assert held + one["runs_s"] / 60 * flow <= tank * share / 100 * (1 + 1e-9)
    assert 50 < refused < 900


def test_draining_takes_as_long_as_torricelli_s_law_integrated_step_by_step(rng):
    tanks = [tuple(map(float, row)) for row in zip(
        rng.uniform(12, 48, 300), rng.uniform(0.5, 3, 300), rng.uniform(4, 40, 300), rng.uniform(0.05, 0.95, 300), rng.uniform(0.3, 1, 300)
    )]
    found = answers(
        [
            ("drain-time", {"across": f"{d!r} in", "outlet": f"{o!r} in", "from": f"{h!r} in", "to": f"{h * s!r} in", "coefficient": c})
            for d, o, h, s, c in tanks
        ]
    )
    for (across, outlet, start, share, coefficient), one in zip(tanks, found):
        metres = 0.0254 * start
        pull = coefficient * (outlet / across) ** 2 * math.sqrt(2 * 9.80665)
        reached = lambda _, level: level[0] - metres * share  # noqa: E731
        reached.terminal = True
        solved = solve_ivp(lambda _, level: -pull * numpy.sqrt(level), (0, 1e7), [metres], events=reached, rtol=1e-9, atol=1e-12)
        assert close(one["time_s"], solved.t_events[0][0], 1e-5), (across, outlet, start, share, one)


def test_hose_losses_agree_with_the_metric_form_of_hazen_williams(rng):
    """h = 10.67 L Q^1.852 / (C^1.852 d^4.8704) in metres, whose exponents are written with more digits than those of NFPA 13."""
    hoses = [tuple(map(float, row)) for row in zip(
        rng.uniform(0.5, 10, 500), rng.uniform(0.5, 1, 500), rng.uniform(10, 150, 500), rng.uniform(100, 150, 500)
    )]
    options = [
        {"length": f"{length!r} ft", "diameter": f"{d!r} in", "smoothness": c} for _, d, length, c in hoses
    ]
    found = answers([("hose-loss", one | {"flow": f"{q!r} gpm"}) for one, (q, *_) in zip(options, hoses)])
    driven = answers([("hose-loss", one | {"pressure": "10 psi"}) for one in options])
    for (q, d, length, c), one, flow in zip(hoses, found, driven):
        cubic_metres = Q(q, "gallon / minute").to("m ** 3 / s").magnitude
        head = 10.67 * length * 0.3048 * cubic_metres**1.852 / (c**1.852 * (d * 0.0254) ** 4.8704)
        expected = (Q(head, "m") * Q(1000, "kg / m ** 3") * Q(9.80665, "m / s ** 2")).to("psi").magnitude
        assert close(one["lost_psi"], expected, 0.02), (q, d, length, c, one, expected)
        loss = lambda gpm: 4.52 * gpm**1.85 / (c**1.85 * d**4.87) * length - 10  # noqa: E731
        assert close(flow["flow_gpm"], brentq(loss, 1e-6, 1e4, xtol=1e-12, rtol=1e-14), 1e-9)


def test_bleach_doses_balance(rng):
    tanks = [tuple(map(float, row)) for row in zip(rng.uniform(5, 150, 500), rng.uniform(3, 12, 500), rng.uniform(5, 150, 500))]
    found = answers([("bleach", {"water": f"{w!r} gal", "strength": f"{s!r} %", "target": f"{t!r} ppm"}) for w, s, t in tanks])
    for (water, strength, target), one in zip(tanks, found):
        chlorine = one["bleach_l"] * strength / 100
        litres = Q(water, "gallon").to("liter").magnitude
        assert close(chlorine / litres, target * 1e-6), (water, strength, target, one)


@pytest.mark.parametrize(
    "question",
    [
        ("fill-time", {"tank": "40", "flow": "5 gpm"}),
        ("fill-time", {"tank": "-40 gal", "flow": "5 gpm"}),
        ("fill-time", {"tank": "40 psi", "flow": "5 gpm"}),
        ("fill-time", {"tank": "40000 gal", "flow": "5 gpm"}),
        ("fill-time", {"tank": "40 gal", "flow": "0 gpm"}),
        ("fill-time", {"tank": "40 gal", "flow": "5 gpm", "misspelt": "1 gal"}),
        ("fill-time", {"flow": "5 gpm"}),
        ("fill-time", {"tank": 40, "flow": "5 gpm"}),
        ("no-such-figure", {}),
    ],
)
def test_bad_input_is_an_error_and_says_which_line(question):
    fine = ("fill-time", {"tank": "40 gal", "flow": "5 gpm"})
    before, bad, after = answers([fine, question, fine])
    assert close(before["time_s"], 480) and close(after["time_s"], 480)
    assert bad["error"].startswith("line 2: ")
