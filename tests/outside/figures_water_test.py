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
    numbers = [float(n) for n in rng.uniform(-60, 180, 2000)]
    found = answers([("convert", {"quantity": f"{n!r} F"}) for n in numbers])
    for number, expected, one in zip(numbers, Q(numpy.array(numbers), "degF").to("degC").magnitude, found):
        assert abs(one["c"] - expected) < 1e-9, (number, one)


def test_depths_volumes_flows_and_fill_times(rng):
    questions, expected = [], []
    most = [(12, 90), (12, 60), (1, 60), (0.5, 12), (5, 100)]
    lengths, widths, gallons, gpms, shares = (rng.uniform(*between, 2000) for between in most)
    base = Q(lengths, "inch") * Q(widths, "inch")
    water, flow = Q(gallons, "gallon"), Q(gpms, "gallon / minute")
    by_pint = [
        (water / base).to("cm").magnitude,
        (base * Q(30, "cm")).to("gallon").magnitude,
        (water * shares / 100 / flow).to("s").magnitude,
        flow.to("liter / minute").magnitude,
        (Q(5, "gallon") / flow).to("s").magnitude,
    ]
    rows = zip(lengths, widths, gallons, gpms, shares, *by_pint)
    for length, width, held, gpm, share, depth, volume, fills, litres, bucket in (map(float, row) for row in rows):
        questions.append(("depth", {"water": f"{held!r} gal", "length": f"{length!r} in", "width": f"{width!r} in"}))
        expected.append(("depth_cm", depth))
        questions.append(("tank-volume", {"length": f"{length!r} in", "width": f"{width!r} in", "height": "30 cm"}))
        expected.append(("volume_gal", volume))
        questions.append(("fill-time", {"tank": f"{held!r} gal", "flow": f"{gpm!r} gpm", "share": f"{share!r} %"}))
        expected.append(("time_s", fills))
        questions.append(("bucket-flow", {"bucket": "5 gal", "time": f"{bucket!r} s"}))
        expected.append(("flow_l_per_min", litres))
    for question, (key, value), one in zip(questions, expected, answers(questions)):
        assert close(one[key], value), (question, one)


def test_the_rinse_clock_is_the_smaller_bound_and_the_level_stays_under_the_share(rng):
    rigs = [
        (float(t), float(h), float(f), float(s), int(o))
        for t, h, f, s, o in zip(
            rng.uniform(5, 100, 2000), rng.uniform(0, 40, 2000), rng.uniform(0.5, 15, 2000), rng.uniform(20, 100, 2000), rng.integers(5, 1200, 2000)
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
    assert 100 < refused < 1800


def test_draining_takes_as_long_as_torricelli_s_law_integrated_step_by_step(rng):
    tanks = [tuple(map(float, row)) for row in zip(
        rng.uniform(12, 48, 2000), rng.uniform(0.5, 3, 2000), rng.uniform(4, 40, 2000), rng.uniform(0.05, 0.95, 2000), rng.uniform(0.3, 1, 2000)
    )]
    found = answers(
        [
            ("drain-time", {"across": f"{d!r} in", "outlet": f"{o!r} in", "from": f"{h!r} in", "to": f"{h * s!r} in", "coefficient": c})
            for d, o, h, s, c in tanks
        ]
    )
    across, outlet, start, share, coefficient = map(numpy.array, zip(*tanks))
    metres, pull = 0.0254 * start, coefficient * (outlet / across) ** 2 * math.sqrt(2 * 9.80665)
    fall = metres * (1 - share)
    # All tanks at once: the time as it grows with the share of its fall that each level has made.
    pace = lambda fallen, _: fall / (pull * numpy.sqrt(metres - fall * fallen))  # noqa: E731
    solved = solve_ivp(pace, (0, 1), numpy.zeros(len(tanks)), rtol=1e-9, atol=1e-9)
    assert solved.success
    for tank, expected, one in zip(tanks, solved.y[:, -1], found):
        assert close(one["time_s"], expected, 1e-6), (tank, expected, one)


def test_hose_losses_agree_with_the_metric_form_of_hazen_williams(rng):
    """h = 10.67 L Q^1.852 / (C^1.852 d^4.8704) in metres, whose exponents are written with more digits than those of NFPA 13."""
    hoses = [tuple(map(float, row)) for row in zip(
        rng.uniform(0.5, 10, 2000), rng.uniform(0.5, 1, 2000), rng.uniform(10, 150, 2000), rng.uniform(100, 150, 2000)
    )]
    options = [
        {"length": f"{length!r} ft", "diameter": f"{d!r} in", "smoothness": c} for _, d, length, c in hoses
    ]
    found = answers([("hose-loss", one | {"flow": f"{q!r} gpm"}) for one, (q, *_) in zip(options, hoses)])
    driven = answers([("hose-loss", one | {"pressure": "10 psi"}) for one in options])
    flows, diameters, lengths, smooth = map(numpy.array, zip(*hoses))
    cubic_metres = Q(flows, "gallon / minute").to("m ** 3 / s").magnitude
    heads = 10.67 * lengths * 0.3048 * cubic_metres**1.852 / (smooth**1.852 * (diameters * 0.0254) ** 4.8704)
    lost = (Q(heads, "m") * Q(1000, "kg / m ** 3") * Q(9.80665, "m / s ** 2")).to("psi").magnitude
    for (q, d, length, c), expected, one, flow in zip(hoses, lost, found, driven):
        assert close(one["lost_psi"], expected, 0.02), (q, d, length, c, one, expected)
        loss = lambda gpm: 4.52 * gpm**1.85 / (c**1.85 * d**4.87) * length - 10  # noqa: E731
        assert close(flow["flow_gpm"], brentq(loss, 1e-6, 1e4, xtol=1e-12, rtol=1e-14), 1e-9)


def test_bleach_doses_balance(rng):
    tanks = [tuple(map(float, row)) for row in zip(rng.uniform(5, 150, 2000), rng.uniform(3, 12, 2000), rng.uniform(5, 150, 2000))]
    found = answers([("bleach", {"water": f"{w!r} gal", "strength": f"{s!r} %", "target": f"{t!r} ppm"}) for w, s, t in tanks])
    all_litres = Q(numpy.array([water for water, *_ in tanks]), "gallon").to("liter").magnitude
    for (water, strength, target), litres, one in zip(tanks, all_litres, found):
        chlorine = one["bleach_l"] * strength / 100
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
