"""Differences: applied to the old file they give the new one."""

import numpy
import pytest

from train.differences import applied, differences


def test_what_was_taken_apart_is_put_together_again_also_across_the_ends_of_a_byte():
    draw = numpy.random.default_rng(1)
    old = draw.integers(0, 256, 50_000, dtype=numpy.uint8)
    new = old.copy()
    new[100:2_000] += 3
    new[2_500] -= 200
    held = differences(old.tobytes(), new.tobytes())
    assert applied(old.tobytes(), held) == new.tobytes()
    assert len(held) < 500


def test_files_of_two_sizes_have_no_differences():
    with pytest.raises(ValueError, match="3 bytes, expected 4"):
        differences(b"four", b"two")
