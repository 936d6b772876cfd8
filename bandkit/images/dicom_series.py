"""A folder of DICOM slices: one series, in the order of the slices' places in space."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bandkit.cut import VoxelGrid
from bandkit.errors import ImageReadError, InputError
from bandkit.images.checks import quiet_logs, reading
from bandkit.images.dicom import DicomSource
from bandkit.images.dicom_header import NO_PICTURE, DicomHeader, acquisition_of, read_header, spacing_of, vector_of
from bandkit.images.volume import NO_VOXEL_SIZE, Triple, Volume, spacing_notes

FloatArray = NDArray[np.float64]

_FEWEST = 2
# Directions that agree to this are one: files round them.
_SAME_DIRECTION = 1e-3
_SAME_VOXEL_FRAC = 0.01
# Slices nearer than this share of the usual step are one slice twice.
_SAME_PLACE_FRAC = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _OneSlice:
    """One slice and where it lies; NaN where the file does not say."""

    path: Path
    header: DicomHeader
    place_mm: FloatArray
    directions: FloatArray

    @property
    def series(self) -> tuple[str, int]:
        """What tells one series from another: its name, and its number for people."""
        number = self.header.dataset.get("SeriesNumber")
        return str(self.header.dataset.get("SeriesInstanceUID") or ""), int(number) if number is not None else 0


def open_series(folder: Path, files: Sequence[Path], *, voxel_mm: Triple | None, series: int | None) -> Volume:
    """Open one series of slices.

    Parameters
    ----------
    folder : Path
        Where they are, for messages.
    files : sequence of Path
        DICOM files, in any order.
    voxel_mm : tuple of float or None
        Sides of a voxel, where the files do not say.
    series : int or None
        Number of the series, where there are several.

    Returns
    -------
    Volume
        In the order of the slices' places.

    Raises
    ------
    ImageReadError
        There are not two slices, or two lie in the same place.
    InputError
        A series must be chosen, or the size of a voxel is missing or contradicted.
    """
    slices = _chosen(folder, _read_slices(files), series)
    slices, grid = _ordered(folder, slices, voxel_mm)
    first = slices[0].header
    paths = tuple(one.path for one in slices)
    return Volume(path=folder, grid=grid, files=paths, format="DICOM slices",
                  open_slice=lambda k: DicomSource(slices[k].path, slices[k].header), bits=first.bits_stored,
                  notes=spacing_notes(grid), acquisition=acquisition_of(first))


def _read_slices(files: Sequence[Path]) -> list[_OneSlice]:
    """Headers of all files that hold a slice; overviews, reports and the like are passed over."""
    quiet_logs("pydicom")
    slices = []
    for path in files:
        try:
            with reading(path):
                header = read_header(path)
        except ImageReadError as err:
            if err.reason == NO_PICTURE:
                continue
            raise
        if header.is_localizer:
            continue
        place = vector_of(header.dataset.get("ImagePositionPatient"), 3)
        directions = vector_of(header.dataset.get("ImageOrientationPatient"), 6)
        slices.append(_OneSlice(path=path, header=header, place_mm=np.array(place or [np.nan] * 3),
                                directions=np.array(directions or [np.nan] * 6)))
    return slices


def _chosen(folder: Path, slices: list[_OneSlice], series: int | None) -> list[_OneSlice]:
    """The slices of one series."""
    counts = Counter(one.series for one in slices)
    if series is not None:
        slices = [one for one in slices if one.series[1] == series]
    elif len(counts) > 1:
        listed = ", ".join(f"{number} ({n} slices)" for (_, number), n in sorted(counts.items(), key=lambda c: c[0][1]))
        msg = f"{folder}: holds {len(counts)} series: {listed}; write the number of one as volume.series"
        raise InputError(msg, reason="several-series")
    if len(slices) < _FEWEST:
        which = "" if series is None else f" of series {series}"
        msg = f"{folder}: holds {len(slices)} slices{which}, and a scan has many; name the folder of its slices"
        raise ImageReadError(msg, reason="no-slices")
    return slices


def _ordered(folder: Path, slices: list[_OneSlice], voxel_mm: Triple | None) -> tuple[list[_OneSlice], VoxelGrid]:
    """Slices in the order of their places, and where their voxels lie."""
    directions = slices[0].directions
    odd = next((one for one in slices if not np.allclose(one.directions, directions, atol=_SAME_DIRECTION,
                                                         equal_nan=True)), None)
    if odd is not None:
        msg = f"{odd.path}: lies in another direction than {slices[0].path.name}; keep one scan in the folder"
        raise ImageReadError(msg)
    x_mm_px, y_mm_px = _sides(folder, slices[0], voxel_mm)
    placed = all(np.isfinite(one.place_mm).all() for one in slices) and np.isfinite(directions).all()
    if not placed:
        return _by_number(folder, slices, voxel_mm, (x_mm_px, y_mm_px))
    right, down = directions[:3], directions[3:]
    through = np.cross(right, down)
    order = sorted(slices, key=lambda one: float(one.place_mm @ through))
    places = np.array([one.place_mm for one in order])
    offset = places - places[0]
    depth = offset @ through
    _raise_for_twice(order, depth)
    shift = np.column_stack([offset @ right, offset @ down])
    grid = VoxelGrid(size_px=(slices[0].header.columns, slices[0].header.rows, len(order)), x_mm_px=x_mm_px,
                     y_mm_px=y_mm_px, slice_mm=depth, shift_mm=shift)
    if voxel_mm is not None and abs(voxel_mm[2] / grid.step_mm - 1) > _SAME_VOXEL_FRAC:
        raise _contradiction(folder, voxel_mm, (x_mm_px, y_mm_px, grid.step_mm))
    return order, grid


def _sides(folder: Path, first: _OneSlice, voxel_mm: Triple | None) -> tuple[float, float]:
    """Sides of a voxel within a slice."""
    stated = spacing_of(first.header)
    if stated is None:
        if voxel_mm is None:
            raise _no_voxels(folder)
        return voxel_mm[0], voxel_mm[1]
    sides = stated.x_mm_px, stated.y_mm_px
    if voxel_mm is not None and any(abs(a / b - 1) > _SAME_VOXEL_FRAC for a, b in zip(sides, voxel_mm, strict=False)):
        raise _contradiction(folder, voxel_mm, sides)
    return sides


def _by_number(folder: Path, slices: list[_OneSlice], voxel_mm: Triple | None,
               sides_mm: tuple[float, float]) -> tuple[list[_OneSlice], VoxelGrid]:
    """Slices that do not say where they lie, in the order of their numbers."""
    if voxel_mm is None:
        raise _no_voxels(folder)
    numbers = [one.header.dataset.get("InstanceNumber") for one in slices]
    if None in numbers or len(set(numbers)) < len(slices):
        msg = f"{folder}: the slices say neither where they lie nor in which order; export the scan anew"
        raise ImageReadError(msg)
    order = sorted(slices, key=lambda one: int(one.header.dataset.InstanceNumber))
    steps = np.array([int(one.header.dataset.InstanceNumber) for one in order], dtype=np.float64)
    grid = VoxelGrid(size_px=(slices[0].header.columns, slices[0].header.rows, len(order)), x_mm_px=sides_mm[0],
                     y_mm_px=sides_mm[1], slice_mm=(steps - steps[0]) * voxel_mm[2],
                     shift_mm=np.zeros((len(order), 2)))
    return order, grid


def _raise_for_twice(order: Sequence[_OneSlice], depth_mm: FloatArray) -> None:
    """Refuse two slices in one place."""
    steps = np.diff(depth_mm)
    usual = float(np.median(steps))
    for k in np.flatnonzero(steps <= _SAME_PLACE_FRAC * usual).tolist():
        msg = (f"{order[k + 1].path}: lies in the same place as {order[k].path.name} ({depth_mm[k]:.4g} mm from the "
               "first slice); keep one of them, or one series, in the folder")
        raise ImageReadError(msg, reason="slices-twice")


def _no_voxels(folder: Path) -> InputError:
    """The error for slices that do not say how far apart they are."""
    msg = f"{folder}: the slices do not say how large a voxel is; write volume.voxel_mm = [x, y, from slice to slice]"
    return InputError(msg, reason=NO_VOXEL_SIZE)


def _contradiction(folder: Path, voxel_mm: Triple, stated_mm: Sequence[float]) -> InputError:
    """The error for a voxel that is not the one that the files state."""
    ours, theirs = (", ".join(f"{side:.4g}" for side in sides) for sides in (voxel_mm, stated_mm))
    msg = f"{folder}: volume.voxel_mm = [{ours}] contradicts the slices, which state [{theirs}]; delete it"
    return InputError(msg)
