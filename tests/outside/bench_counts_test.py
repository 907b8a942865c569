"""How sure the benchmark's counts are, against SciPy and published values; and how it compares words."""

import pathlib
import sys

import pytest
from scipy.stats import binomtest, poisson

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import intervals, phrases


@pytest.mark.parametrize("hits, of", [(0, 100), (1, 100), (5, 100), (10, 200), (95, 100), (180, 180), (90, 180)])
def test_wilson_s_interval_is_scipy_s(hits, of):
    expected = binomtest(hits, of).proportion_ci(0.95, method="wilson")
    assert intervals.wilson(hits, of) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_nothing_tried_says_nothing():
    assert intervals.wilson(0, 0) == (0.0, 1.0)


def test_a_share_lies_within_its_interval_also_where_all_or_none_hit():
    for of in range(1, 200):
        for hits in (0, of // 2, of):
            low, high = intervals.wilson(hits, of)
            assert 0 <= low <= hits / of <= high <= 1, (hits, of)


@pytest.mark.parametrize("of", [1, 100, 3000])
def test_the_most_of_none_is_clopper_and_pearson_s_one_sided_bound(of):
    expected = binomtest(0, of, alternative="less").proportion_ci(0.95, method="exact").high
    assert intervals.most_of_none(of) == pytest.approx(expected, abs=1e-12)


def test_none_of_a_hundred_is_at_most_2_951_per_cent():
    """J. A. Hanley and A. Lippman-Hand, JAMA 249, 1983, round it to 3 (from memory); exact by 1 - 0.05^(1/100)."""
    assert intervals.most_of_none(100) == pytest.approx(0.02951, abs=5e-6)


@pytest.mark.parametrize("events, hours", [(0, 5.99), (2, 1.0), (7, 3.5), (40, 10.0)])
def test_poisson_bounds_are_where_the_tails_hold_what_they_should(events, hours):
    """By SciPy's distribution function: at the upper bound so few events have the chance that is left over, and the like below."""
    low, high = intervals.poisson(events, hours)
    assert poisson.cdf(events, high * hours) == pytest.approx(0.025)
    if events:
        assert poisson.sf(events - 1, low * hours) == pytest.approx(0.025)
    assert poisson.cdf(events, intervals.poisson_upper(events, hours) * hours) == pytest.approx(0.05)


def test_published_poisson_values():
    """Garwood's table (1936): 2 events, 0.242 to 7.225; no event, one-sided: 2.996, the rule of three (Hanley 1983)."""
    assert intervals.poisson(2, 1) == pytest.approx((0.242, 7.225), abs=5e-4)
    assert intervals.poisson_upper(0, 1) == pytest.approx(2.996, abs=5e-4)
    # Less than half an hour's wrong answer with 95 % takes 5.99 hours with none.
    assert intervals.poisson_upper(0, 5.992) < 0.5 < intervals.poisson_upper(0, 5.98)


@pytest.mark.parametrize(
    "text, expected",
    [("82.", "eighty two"), ("Eighty-two!", "eighty two"), ("Valve closed.", "valve closed"), ("What's left?", "whats left"), ("", "")],
)
def test_words_are_compared_without_marks(text, expected):
    assert phrases.plain(text) == expected


def test_a_phrase_is_in_a_text_only_as_whole_words_in_a_row():
    assert phrases.holds("Is the water off yet?", "water off")
    assert not phrases.holds("the water is off", "water off")
    assert not phrases.holds("we noticed", "no")


def test_every_phrase_stands_once_and_meanings_are_not_shared():
    allowed = phrases.read()
    assert len({phrase.text for phrase in allowed}) == len({phrase.meaning for phrase in allowed}) == len(allowed) == 60


def test_numbers_are_read_as_num2words_writes_them():
    from num2words import num2words

    assert all(phrases.number_words(value) == num2words(value).replace("-", " ") for value in range(100))
