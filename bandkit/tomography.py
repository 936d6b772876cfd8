"""What carries the bands in a scan: Hounsfield units to density, by bodies of known density in the same scan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.density.attenuation import material_density_g_cm3
from bandkit.density.hounsfield import AIR_HU, Body, HounsfieldCurve, fit_hounsfield, measure_body
from bandkit.flags import Flag
from bandkit.record import BodySpec, DensitySpec
from bandkit.record.inside import box_of

FloatArray = NDArray[np.float64]

# Nothing but air is below this, also in scans that are off by much.
_SURELY_AIR_HU = -500.0
# Air may be off by noise and scatter; by more, the scale is another one.
_AIR_OFF_HU = 75.0
_LEAST_AIR_FRAC = 0.01
# Slices of one body that are looked at.
_MOST_SLICES = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tomography:
    """A slice of a scan, or a slab cut out of it.

    Parameters
    ----------
    curve : HounsfieldCurve or None
        Density of a Hounsfield unit; None where there are no standards: the signal is then attenuation.
    air_hu : float
        The scan's number for air.
    cut : str
        How the slab was cut out, one sentence; empty for a single slice.
    flags : tuple of Flag
        Doubts.
    """

    curve: HounsfieldCurve | None
    air_hu: float
    cut: str = ""
    flags: tuple[Flag, ...] = ()

    @property
    def unit(self) -> str:
        """What the signal is, with its unit."""
        return "density (g/cm3)" if self.curve else "attenuation over air (1000 Hounsfield units)"

    @property
    def methods(self) -> tuple[str, ...]:
        """Sentences for the methods paragraph."""
        how = (self.curve.summary().method if self.curve else
               "Marks were looked for in Hounsfield units; no density was derived.")
        return (self.cut, how) if self.cut else (how,)

    def signal(self, values: FloatArray, _x_px: FloatArray, _y_px: FloatArray, /) -> FloatArray:
        """Density in g/cm3, or attenuation over that of air."""
        return self.curve.density_g_cm3(values) if self.curve else (values - self.air_hu) / 1000.0

    def presence(self, _values: FloatArray, signal: FloatArray, /) -> FloatArray:
        """The signal itself: it is zero in air."""
        return signal


def scan_carrier(overview_hu: FloatArray, spec: DensitySpec | None, bodies: Sequence[Body], *,
                 own_scale: bool, cut: str = "") -> Tomography:
    """Calibrate a scan by the bodies in it.

    Parameters
    ----------
    overview_hu : ndarray, shape (h, w)
        Reduced picture.
    spec : DensitySpec or None
        What the record says of density.
    bodies : sequence of Body
        Its standards as measured; empty where there are none.
    own_scale : bool
        Whether the scan's numbers may be on a scale of their own, as in a stack of pictures.
    cut : str, optional
        How the slab was cut out.

    Returns
    -------
    Tomography
        Without a curve where there are no standards.

    Raises
    ------
    CalibrationError
        The standards carry no curve.
    """
    seen, off = _air_hu(overview_hu, own_scale=own_scale)
    flags = []
    if spec is None or not bodies:
        flags.append(Flag(code="no-standards"))
        flags += [Flag(code="ct-air-off", detail=f"{seen:.0f}")] if off else []
        return Tomography(curve=None, air_hu=seen, cut=cut, flags=tuple(flags))
    curve = fit_hounsfield(bodies, degree=2 if spec.curve == "quadratic" else 1)
    if off and not own_scale:
        flags.append(Flag(code="ct-air-off", detail=f"{seen:.0f}"))
    return Tomography(curve=curve, air_hu=float(curve.hounsfield_of(0.0)), cut=cut, flags=tuple(flags))


def _air_hu(values_hu: FloatArray, *, own_scale: bool) -> tuple[float, bool]:
    """The number of air, and whether it is not that of the definition."""
    known = values_hu[np.isfinite(values_hu)]
    air = known[known < _SURELY_AIR_HU]
    if len(air) >= _LEAST_AIR_FRAC * len(known):
        seen = float(np.median(air))
        return (seen, True) if abs(seen - AIR_HU) > _AIR_OFF_HU else (AIR_HU, False)
    # No air in the picture; or its numbers begin elsewhere, where the darkest of a stack are the best guess.
    return (float(np.quantile(known, 0.005)), True) if own_scale and len(known) else (AIR_HU, False)


def measure_bodies(specs: Sequence[BodySpec], read_slice: Callable[[int], NDArray[Any]]) -> list[Body]:
    """Measure the standards of a scan.

    Parameters
    ----------
    specs : sequence of BodySpec
        Where they are, in voxels.
    read_slice : callable
        ``read_slice(k)`` gives slice ``k``.

    Returns
    -------
    list of Body
        In the order of the specs.

    Raises
    ------
    CalibrationError
        One holds hardly a voxel, or its material is not known.
    """
    wanted = [_slices_of(spec) for spec in specs]
    pieces: list[list[tuple[FloatArray, FloatArray]]] = [[] for _ in specs]
    for number in sorted(set().union(*wanted)):
        values = read_slice(number)
        for spec, slices, found in zip(specs, wanted, pieces, strict=True):
            if number in slices:
                found.append(_voxels_of(spec, values))
    measured = []
    for spec, found in zip(specs, pieces, strict=True):
        density = spec.density_g_cm3 or material_density_g_cm3(spec.material)
        values_hu, radius = (np.concatenate(part) for part in zip(*found, strict=True))
        label = f"{spec.material} {density:.3g} g/cm3"
        measured.append(measure_body(values_hu, radius, label=label, density_g_cm3=density))
    return measured


def _slices_of(spec: BodySpec) -> frozenset[int]:
    """The slices of a body that are looked at."""
    first, last = spec.slices or (0, 0)
    count = min(last - first + 1, _MOST_SLICES)
    return frozenset(np.linspace(first, last, count).round().astype(int).tolist())


def _voxels_of(spec: BodySpec, values: NDArray[Any]) -> tuple[FloatArray, FloatArray]:
    """Values of a body in one slice, and how far out each lies: 0 in the middle, 1 on the surface."""
    x0, y0, x1, y1 = box_of(spec)
    height, width = values.shape
    columns = np.arange(max(int(np.ceil(x0)), 0), min(int(np.floor(x1)), width - 1) + 1)
    rows = np.arange(max(int(np.ceil(y0)), 0), min(int(np.floor(y1)), height - 1) + 1)
    x = np.abs(columns - (x0 + x1) / 2) / ((x1 - x0) / 2)
    y = np.abs(rows - (y0 + y1) / 2) / ((y1 - y0) / 2)
    radius = np.maximum(x, y[:, None]) if spec.box_px is not None else np.hypot(x, y[:, None])
    inside = radius <= 1.0
    part = values[rows[0]:rows[-1] + 1, columns[0]:columns[-1] + 1] if rows.size and columns.size else values[:0, :0]
    return part[inside].astype(np.float64), radius[inside]
