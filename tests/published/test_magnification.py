"""X-ray magnification against computed examples."""

import pytest

from bandkit.scale import magnification


@pytest.mark.parametrize(
    ("source_to_detector_mm", "slab_to_detector_mm", "expected"),
    [(1000.0, 5.0, 1.00503), (1000.0, 50.0, 1.05263), (1000.0, 40.0, 1.04167), (1000.0, 0.0, 1.0)],
)
def test_magnification_is_source_to_detector_over_source_to_object(source_to_detector_mm, slab_to_detector_mm, expected):
    """Projection radiography, M = SID / SOD with SOD = SID - h, computed to 1e-5."""
    assert magnification(source_to_detector_mm, slab_to_detector_mm) == pytest.approx(expected, abs=1e-5)


def test_length_of_a_slab_on_a_tray():
    """Computed: a 100 mm slab, 40 mm above a detector that is 1 m from the source, casts a shadow of 104.17 mm."""
    assert 104.1667 / magnification(1000.0, 40.0) == pytest.approx(100.0, abs=1e-3)
