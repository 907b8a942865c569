"""Daylight against astral, which follows NOAA's simpler sheet: within two minutes, and by the height of the sun itself."""

import datetime

import numpy
import pytest
from astral import Observer
from astral.sun import dawn, dusk, elevation, sunrise, sunset

from figures_batch import answers


def asked(count, latitudes, seed):
    """Random places and dates, each with the hour zone that the sun keeps there."""
    rng = numpy.random.default_rng(seed)
    rows = []
    for latitude, longitude, day in zip(rng.uniform(*latitudes, count), rng.uniform(-179, 179, count), rng.integers(0, 40_000, count)):
        date = datetime.date(1955, 1, 1) + datetime.timedelta(days=int(day))
        rows.append((float(latitude), float(longitude), date, round(float(longitude) / 15)))
    questions = [
        ("daylight", {"place": f"{la!r}, {lo!r}", "date": str(date), "zone": f"<{h:+03d}>{-h}" if h else "UTC0"})
        for la, lo, date, h in rows
    ]
    return list(zip(rows, answers(questions)))


def moment(text):
    return datetime.datetime.fromisoformat(text)


@pytest.mark.parametrize("key, reference", [("civil_dawn", dawn), ("sunrise", sunrise), ("sunset", sunset), ("civil_dusk", dusk)])
def test_the_moments_are_those_of_noaa_s_sheet_within_two_minutes(key, reference):
    not_given = 0
    for (latitude, longitude, date, hours), one in asked(2000, (-54, 54), 90):
        zone = datetime.timezone(datetime.timedelta(hours=hours))
        try:
            expected = reference(Observer(latitude, longitude), date, tzinfo=zone)
        except ValueError:
            # astral finds none on some dates on which it falls near midnight in Greenwich.
            not_given += 1
            continue
        off = (moment(one[key]) - expected).total_seconds()
        assert abs(off) < 120, (latitude, longitude, date, key, one[key], off)
    assert not_given <= 20


def test_the_sun_stands_where_each_moment_says_it_does_also_in_the_far_north():
    compared = 0
    for (latitude, longitude, date, _), one in asked(2000, (-72, 72), 91):
        observer = Observer(latitude, longitude)
        for key, height in (("civil_dawn", -6), ("sunrise", -0.8333), ("sunset", -0.8333), ("civil_dusk", -6)):
            if one[key].startswith("stays-"):
                continue
            compared += 1
            found = elevation(observer, moment(one[key]), with_refraction=False)
            assert abs(found - height) < 0.05, (latitude, longitude, date, key, one[key], found)
    assert compared > 7000


def test_where_there_is_no_sunset_or_no_sunrise_the_sun_really_stays():
    stayed = 0
    for (latitude, longitude, date, _), one in asked(2000, (55, 72), 92):
        observer = Observer(latitude, longitude)
        noon = moment(one["noon"])
        for key, height, half in (("civil_dawn", -6, -1), ("sunrise", -0.8333, -1), ("sunset", -0.8333, 1), ("civil_dusk", -6, 1)):
            if not one[key].startswith("stays-"):
                continue
            stayed += 1
            heights = [elevation(observer, noon + half * minute * datetime.timedelta(minutes=1), with_refraction=False) for minute in range(0, 721, 20)]
            if one[key] == "stays-above":
                assert min(heights) > height - 0.05, (latitude, longitude, date, key)
            else:
                assert max(heights) < height + 0.05, (latitude, longitude, date, key)
    assert stayed > 500


def test_morning_and_evening_belong_to_the_local_date():
    """Libraries that work by days of Greenwich give the evening before, west of it."""
    for (latitude, longitude, date, hours), one in asked(2000, (-54, 54), 93):
        zone = datetime.timezone(datetime.timedelta(hours=hours))
        for key in ("noon", "sunrise", "sunset"):
            assert moment(one[key]).astimezone(zone).date() == date, (latitude, longitude, date, key, one)
