"""From a scan's numbers to its carrier: standards in voxels, and what air is."""

from __future__ import annotations

import numpy as np
import pytest

from bandkit.errors import CalibrationError
from bandkit.record import BodySpec, DensitySpec
from bandkit.tomography import measure_bodies, scan_carrier

SPEC = DensitySpec()
# On one line with air and 1.4 g/cm3 at 955.
DENSE_G_CM3 = 1.4 * (1555 + 1000) / (955 + 1000)


def volume(number):
    """A rod of radius 5 at (10, 12) and a block at x 20 to 30, y 5 to 15, in slices 3 to 8, each brighter downwards."""
    y, x = np.mgrid[:24, :36]
    values = np.full(y.shape, -1000.0)
    if 3 <= number <= 8:
        values[np.hypot(x - 10, y - 12) <= 5] = 900 + 10 * number
        values[(x >= 20) & (x <= 30) & (y >= 5) & (y <= 15)] = 1500 + 10 * number
    return values


def rod(**changes):
    return BodySpec(**{"material": "aragonite", "density_g_cm3": 1.4, "centre_px": (10, 12), "radius_px": 4.0, "slices": (3, 8), **changes})


def block(**changes):
    return BodySpec(**{"material": "aragonite", "density_g_cm3": DENSE_G_CM3, "box_px": (21, 6, 29, 14), "slices": (3, 8), **changes})


def air(**changes):
    return BodySpec(**{"material": "air", "box_px": (32, 1, 35, 20), "slices": (0, 9), **changes})


def test_bodies_are_measured_where_they_are_and_nowhere_else():
    read = []

    def read_slice(number):
        read.append(number)
        return volume(number)

    measured = measure_bodies([rod(), block(), air(slices=(4, 5))], read_slice)
    assert read == [3, 4, 5, 6, 7, 8], "each slice once"
    assert [body.mean_hu for body in measured] == pytest.approx([955.0, 1555.0, -1000.0])
    assert [body.density_g_cm3 for body in measured] == [1.4, DENSE_G_CM3, 0.001204]
    assert measured[0].label == "aragonite 1.4 g/cm3"


def test_cylinder_is_round():
    y, x = np.mgrid[:24, :36]
    values = np.where(np.hypot(x - 10, y - 12) <= 4, 100.0, 140.0)
    assert measure_bodies([rod(slices=(0, 0))], lambda _: values)[0].mean_hu == 100.0
    assert measure_bodies([rod(centre_px=None, radius_px=None, box_px=(6, 8, 14, 16), slices=(0, 0))], lambda _: values)[0].mean_hu > 110


def test_long_body_is_looked_at_in_some_slices():
    read = []

    def read_slice(number):
        read.append(number)
        return np.full((24, 36), 100.0)

    measure_bodies([block(slices=(0, 799))], read_slice)
    assert len(read) == 64
    assert (read[0], read[-1]) == (0, 799)


def test_body_of_unknown_material():
    with pytest.raises(CalibrationError, match="material: 'chalkboard' is not known"):
        measure_bodies([block(material="chalkboard", density_g_cm3=None)], volume)


def test_body_too_small_to_hold_voxels():
    with pytest.raises(CalibrationError, match=r"aragonite 1\.4 g/cm3 holds 6 voxels; draw it larger"):
        measure_bodies([rod(radius_px=0.4)], volume)
    with pytest.raises(CalibrationError, match="holds 0 voxels"):
        measure_bodies([rod(centre_px=(10.5, 12.5), radius_px=0.3)], volume)


def test_signal_is_density_by_the_standards():
    bodies = measure_bodies([rod(), block(), air()], volume)
    carrier = scan_carrier(volume(0), SPEC, bodies, own_scale=False)
    assert carrier.unit == "density (g/cm3)"
    assert carrier.signal(np.array([[955.0, 1555.0]]), np.zeros(1), np.zeros(1)) == pytest.approx(np.array([[1.4, DENSE_G_CM3]]), abs=0.005)
    assert carrier.air_hu == pytest.approx(-1000, abs=30)
    assert [flag.code for flag in carrier.flags] == []


def picture(air_hu, dense_hu=800.0):
    values = np.full((40, 40), float(air_hu))
    values[10:, :] = dense_hu
    return values


@pytest.mark.parametrize(("air_hu", "own_scale", "seen", "told"), [
    (-1000, False, -1000, []), (-960, False, -1000, []), (-800, False, -800, ["ct-air-off"]), (-800, True, -800, ["ct-air-off"]),
    (700, False, -1000, []), (120, True, 120, ["ct-air-off"])])
def test_air_without_standards(air_hu, own_scale, seen, told):
    carrier = scan_carrier(picture(air_hu), None, [], own_scale=own_scale)
    assert carrier.air_hu == pytest.approx(seen)
    assert [flag.code for flag in carrier.flags] == ["no-standards", *told]
    assert carrier.unit == "attenuation over air (1000 Hounsfield units)"
    assert carrier.signal(np.array([[seen + 500.0]]), np.zeros(1), np.zeros(1)) == pytest.approx(0.5)
    assert carrier.methods[-1] == "Marks were looked for in Hounsfield units; no density was derived."


def test_stack_on_a_scale_of_its_own_is_calibrated_by_its_standards():
    def shifted(number):
        return 20000 + 10 * volume(number)

    bodies = measure_bodies([rod(), block(), air()], shifted)
    carrier = scan_carrier(picture(10000, 20000 + 9500), SPEC, bodies, own_scale=True)
    assert carrier.flags == ()
    assert carrier.signal(np.array([[20000 + 9550.0]]), np.zeros(1), np.zeros(1)) == pytest.approx(1.4, abs=0.005)
    assert carrier.air_hu == pytest.approx(10000, abs=30)
