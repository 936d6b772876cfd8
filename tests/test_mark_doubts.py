"""When computed marks are held to be doubtful."""

from dataclasses import replace

import numpy as np
import pytest

from bandkit.bands import find_marks
from bandkit.tracks.marks import FEW_MARKS, LEAST_AGREEMENT, WEAK_CYCLE_SNR, _doubted


@pytest.fixture(scope="module")
def found():
    """Ten plain years of 9 mm, as sure as can be."""
    depth = np.arange(0, 92, 0.1)
    marks = find_marks(np.cos(2 * np.pi * (depth - 4) / 9.0), depth)
    return replace(marks, agreement=0.95, cycle_snr=5.0, probability=np.ones_like(marks.depth_mm))


def test_sure_marks_stay_sure(found):
    assert _doubted(found) is found or _doubted(found).probability.min() == 1.0


@pytest.mark.parametrize("agreement", [-0.4, 0.0, 0.3, LEAST_AGREEMENT - 0.01])
def test_looks_that_do_not_agree_make_every_mark_doubtful(found, agreement):
    probability = _doubted(replace(found, agreement=agreement)).probability
    assert probability.max() < 0.9
    assert probability.max() == pytest.approx(np.clip(0.4 + agreement, 0.1, 0.8))


def test_agreement_that_is_not_known_is_no_doubt(found):
    assert _doubted(replace(found, agreement=float("nan"))).probability.min() == 1.0


def test_weak_cycle_makes_every_mark_doubtful(found):
    assert _doubted(replace(found, cycle_snr=WEAK_CYCLE_SNR - 0.1)).probability.max() < 0.9


def test_two_marks_do_not_repeat_themselves(found):
    few = replace(found, depth_mm=found.depth_mm[: FEW_MARKS - 1], probability=np.ones(FEW_MARKS - 1))
    assert _doubted(few).probability.max() < 0.9
