"""The fit of the benchmark on data whose truth is known, and what it reads from the program's own files."""

import pathlib
import re
import sys
import tomllib

import numpy
import pytest
from scipy.special import expit

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import fit, limits

ROOT = pathlib.Path(__file__).parents[2]
TRUTH = numpy.linspace(-1, 2, 10)


def drawn(count, seed, truth=TRUTH):
    """Utterances whose chance of being right is known: that of the logistic model with the weights `truth`."""
    rng = numpy.random.default_rng(seed)
    figures = numpy.column_stack([numpy.ones(count), rng.normal(0, 1, (count, 9))])
    said = rng.uniform(size=count) < expit(figures @ truth)
    return fit.Data(figures, said, rng.integers(0, 12, count), numpy.array(["sweep"] * count))


def test_the_weights_that_made_the_data_are_found_again():
    data = drawn(20_000, 1)
    assert fit.fit(data.figures, data.said) == pytest.approx(TRUTH, abs=0.15)


def test_true_chances_are_reliable_and_boasted_ones_are_not():
    """The Brier score of true chances is the mean of p (1 - p) (Brier 1950); twice the odds is overconfident."""
    data = drawn(20_000, 2)
    odds = data.figures @ TRUTH
    true, boasted = fit.quality(odds, data.said), fit.quality(2 * odds, data.said)
    chance = expit(odds)
    assert true["brier"] == pytest.approx((chance * (1 - chance)).mean(), abs=0.004)
    assert true["expected_calibration_error"] < 0.015
    assert boasted["expected_calibration_error"] > 0.03
    assert true["log_loss"] < boasted["log_loss"]


def test_no_voice_is_judged_by_weights_that_were_fitted_to_it():
    """A figure that only tells voices apart, and with them right from wrong, is worth nothing for a voice not met."""
    rng = numpy.random.default_rng(3)
    voice = rng.integers(0, 6, 3_000)
    figures = numpy.zeros((3_000, 10))
    figures[:, 0] = 1
    figures[numpy.arange(3_000), 1 + voice] = 1
    said = voice % 2 == 0
    data = fit.Data(figures, said, voice, numpy.array(["sweep"] * 3_000))
    assert fit.quality(figures @ fit.fit(figures, said), said)["brier"] < 0.02
    assert fit.quality(fit.in_folds(data), said)["brier"] > 0.2


def test_a_file_of_weights_is_read_as_it_is_written(tmp_path):
    file = ROOT / "models/hearing.toml"
    shipped = fit.shipped(file)
    again = tmp_path / "hearing.toml"
    again.write_text(fit.as_toml(shipped, "by a test", fit.after_weights(file.read_text())))
    assert fit.shipped(again) == pytest.approx(shipped)
    assert list(tomllib.loads(again.read_text())["weights"]) == list(fit.FEATURES)
    assert limits.read(again) == limits.read(file)


def test_the_figures_are_named_as_the_program_names_them():
    source = (ROOT / "src/decide/evidence.rs").read_text()
    begin = source.index("pub const FEATURES")
    names = re.findall(r'"(\w+)"', source[begin : source.index("];", begin)])
    assert tuple(names) == fit.FEATURES


def test_the_limits_are_read_from_the_program_and_what_matters_more_wants_more():
    read = limits.read(ROOT / "models/hearing.toml")
    for one_word in (True, False):
        for table in (read.sure, read.thin):
            assert all(a <= b for a, b in zip(table["ordinary", one_word], table["critical", one_word]))
    odds, margin = read.sure["critical", False]
    assert read.verdict("critical", False, odds, margin, 9.0) == "sure"
    assert read.verdict("critical", False, odds - 0.1, margin, 9.0) == "thin"
    assert read.verdict("critical", False, None, 8.0, 9.0) is None
    odds, margin = read.doubtful["critical", False]
    assert odds < read.thin["critical", False][0] and read.verdict("critical", False, odds, margin, 9.0) == "doubtful"
    # One word is never asked about.
    odds, margin = read.thin["ordinary", True]
    assert read.verdict("ordinary", True, odds, margin, 9.0) == "thin" and read.verdict("ordinary", True, odds - 0.1, 8.0, 9.0) is None


def test_words_that_hardly_stand_out_are_not_taken_and_several_are_asked_about():
    read = limits.read(ROOT / "models/hearing.toml")
    least = read.score["ordinary", False]
    assert read.verdict("ordinary", False, 6.0, 8.0, least) == "sure"
    assert read.verdict("ordinary", False, 6.0, 8.0, least - 0.1) == "doubtful"
    assert read.verdict("chat", False, 6.0, 8.0, least - 0.1) is None
    assert read.verdict("critical", False, 6.0, 8.0, least - 0.1) == "sure"
    least = read.score["chat", True]
    assert (read.verdict("chat", True, 6.0, 8.0, least), read.verdict("chat", True, 6.0, 8.0, least - 0.1)) == ("sure", None)
    assert read.verdict("emergency", True, 6.0, 8.0, least - 0.1) == "sure"
