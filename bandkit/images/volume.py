"""A scan as a volume: a folder of DICOM or TIFF slices, or a TIFF file of many pages, read slice by slice.

The order of DICOM slices is that of their places in space, never that of their names. No more than one slice is
ever in memory.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bandkit.cut import VoxelGrid
from bandkit.errors import ImageReadError, InputError
from bandkit.flags import Flag
from bandkit.images.checks import reading
from bandkit.images.kinds import is_dicom, is_tiff
from bandkit.images.source import ImageSource, Pixels

Triple = tuple[float, float, float]

NO_VOXEL_SIZE = "no-voxel-size"
"""Reason of the error for slices that do not say how large a voxel is."""
_UNEVEN_FRAC = 0.01
_FEWEST = 2
_MOST_SLICES = 20_000
_NUMBERS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Volume:
    """An open scan of which slices can be read.

    Parameters
    ----------
    path : Path
        Its folder or file.
    grid : VoxelGrid
        Where its voxels lie.
    files : tuple of Path
        Its files in the order of the slices; one for a file of many pages.
    format : str
        "DICOM slices", "TIFF slices" or "TIFF pages".
    open_slice : callable
        ``open_slice(k)`` gives an open image of slice ``k``.
    bits : int
        Bits of one value.
    notes : tuple of Flag
        Doubts about its slices.
    acquisition : mapping
        How it was made, as far as its files say.
    """

    path: Path
    grid: VoxelGrid
    files: tuple[Path, ...]
    format: str
    open_slice: Callable[[int], ImageSource]
    bits: int
    notes: tuple[Flag, ...] = ()
    acquisition: Mapping[str, float | str] = field(default_factory=dict)

    def read_slice(self, number: int) -> Pixels:
        """Read one slice.

        Parameters
        ----------
        number : int
            Counted from 0.

        Returns
        -------
        ndarray, shape (rows, columns)
            In the type of its file; NaN where nothing was scanned.

        Raises
        ------
        ImageReadError
            The slice cannot be read, or is not like the first one.
        """
        width, height, _ = self.grid.size_px
        with self.open_slice(number) as image:
            if (image.width_px, image.height_px, image.channels) != (width, height, 1):
                msg = (f"{image.path}: this slice is {image.width_px} x {image.height_px} px with {image.channels} "
                       f"values each, the first one {width} x {height} with 1; keep one scan in the folder")
                raise ImageReadError(msg)
            return image.read(0, 0, width, height)

    def sha256(self) -> str:
        """Hash of all files in the order of the slices.

        Returns
        -------
        str
            64 digits.

        Raises
        ------
        ImageReadError
            A file cannot be read any more.
        """
        whole = hashlib.sha256()
        for path in self.files:
            with reading(path), path.open("rb") as file:
                whole.update(hashlib.file_digest(file, "sha256").digest())
        return whole.hexdigest()


def open_volume(path: str | Path, *, voxel_mm: Triple | None = None, series: int | None = None) -> Volume:
    """Open a scan; only headers are read.

    Parameters
    ----------
    path : path
        A folder of DICOM or TIFF slices, or a TIFF file of many pages.
    voxel_mm : tuple of float, optional
        Sides of a voxel along x, y and from slice to slice; needed where the files do not say.
    series : int, optional
        Number of the series to take where a folder holds several.

    Returns
    -------
    Volume
        With its doubts.

    Raises
    ------
    ImageReadError
        There is no scan, or it cannot be read.
    InputError
        The size of a voxel is missing, or contradicts the files; or a series must be chosen.
    """
    path = Path(path)
    if path.is_file():
        return _from_pages(path, voxel_mm)
    dicom, tiff = _slices_in(path)
    if dicom and tiff:
        msg = f"{path}: holds {len(dicom)} DICOM and {len(tiff)} TIFF files; keep one scan in the folder"
        raise ImageReadError(msg)
    if len(dicom) >= _FEWEST:
        from bandkit.images.dicom_series import open_series  # here: it brings the DICOM library

        return open_series(path, dicom, voxel_mm=voxel_mm, series=series)
    if len(tiff) >= _FEWEST:
        return _from_slices(path, tiff, voxel_mm)
    count = len(dicom) + len(tiff)
    msg = f"{path}: holds {count} DICOM or TIFF files, and a scan has many; name the folder of its slices"
    raise ImageReadError(msg, reason="no-slices")


def _slices_in(folder: Path) -> tuple[list[Path], list[Path]]:
    """DICOM and TIFF files of a folder, told by their first bytes; others are passed over."""
    dicom, tiff = [], []
    try:
        paths = [path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
        if len(paths) > _MOST_SLICES:
            msg = f"{folder}: holds {len(paths)} files, more than any scan; name the folder of one scan"
            raise ImageReadError(msg)
        for path in sorted(paths, key=_in_order):
            with path.open("rb") as file:
                start = file.read(132)
            if is_dicom(start, path.stat().st_size):
                dicom.append(path)
            elif is_tiff(start):
                tiff.append(path)
    except FileNotFoundError as err:
        msg = f"{folder}: no such folder; check the name and the folder it is given from"
        raise ImageReadError(msg, reason="missing-image") from err
    except OSError as err:
        if isinstance(err, ImageReadError):
            raise
        msg = f"{folder}: the folder cannot be read ({err.strerror or err}); check its name and rights"
        raise ImageReadError(msg) from err
    return dicom, tiff


def _in_order(path: Path) -> list[tuple[int, int | str]]:
    """Key that sorts names as a person does: 2 before 10."""
    return [(0, int(part)) if part.isdigit() else (1, part) for part in _NUMBERS.split(path.stem.lower()) if part]


def _from_slices(folder: Path, files: Sequence[Path], voxel_mm: Triple | None) -> Volume:
    """A folder of TIFF slices in the order of their numbers."""
    from bandkit.images.tiff import TiffSource

    with TiffSource(files[0]) as first:
        size, bits = (first.width_px, first.height_px, len(files)), first.bits
    grid, notes = _stack_grid(folder, size, _steps(files), voxel_mm)
    return Volume(path=folder, grid=grid, files=tuple(files), format="TIFF slices",
                  open_slice=lambda k: TiffSource(files[k]), bits=bits, notes=notes)


def _from_pages(path: Path, voxel_mm: Triple | None) -> Volume:
    """A TIFF file of many pages."""
    from bandkit.images.tiff import TiffPages

    pages = TiffPages(path)
    if len(pages) < _FEWEST:
        msg = f"{path}: holds {len(pages)} page, and a scan has many; name a file or a folder of many slices"
        raise ImageReadError(msg, reason="no-slices")
    with pages.open(0) as first:
        size, bits = (first.width_px, first.height_px, len(pages)), first.bits
    grid, notes = _stack_grid(path, size, np.arange(len(pages), dtype=np.float64), voxel_mm)
    return Volume(path=path, grid=grid, files=(path,), format="TIFF pages", open_slice=pages.open, bits=bits,
                  notes=notes)


def _steps(files: Sequence[Path]) -> npt.NDArray[np.float64]:
    """Places of slices in steps, from the one number in their names that counts them; else one after the other."""
    numbers = [[int(part) for part in _NUMBERS.findall(path.stem)] for path in files]
    if len({len(row) for row in numbers}) == 1 and numbers[0]:
        columns = np.array(numbers, dtype=object).T
        counting = [column for column in columns if len(set(column)) == len(files)]
        if len(counting) == 1 and len([column for column in columns if len(set(column)) > 1]) == 1:
            places = [int(number) for number in counting[0]]
            step = math.gcd(*(b - a for a, b in itertools.pairwise(places)))
            return np.array([(place - places[0]) // step for place in places], dtype=np.float64)
    return np.arange(len(files), dtype=np.float64)


def _stack_grid(path: Path, size_px: tuple[int, int, int], steps: npt.NDArray[np.float64],
                voxel_mm: Triple | None) -> tuple[VoxelGrid, tuple[Flag, ...]]:
    """Voxels of a stack that says nothing of its size."""
    if voxel_mm is None:
        msg = f"{path}: TIFF does not say how large a voxel is; write volume.voxel_mm = [x, y, from slice to slice]"
        raise InputError(msg, reason=NO_VOXEL_SIZE)
    grid = VoxelGrid(size_px=size_px, x_mm_px=voxel_mm[0], y_mm_px=voxel_mm[1], slice_mm=steps * voxel_mm[2],
                     shift_mm=np.zeros((size_px[2], 2)))
    return grid, spacing_notes(grid)


def spacing_notes(grid: VoxelGrid) -> tuple[Flag, ...]:
    """Doubts about how far apart the slices are.

    Parameters
    ----------
    grid : VoxelGrid
        The volume.

    Returns
    -------
    tuple of Flag
        ``slices-missing`` and ``slices-uneven``, where they hold.
    """
    steps, usual = np.diff(grid.slice_mm), grid.step_mm
    notes = []
    if len(grid.gaps):
        at = ", ".join(f"{steps[k]:.3g} mm after slice {k}" for k in grid.gaps[:3])
        more = f" and {len(grid.gaps) - 3} more" if len(grid.gaps) > 3 else ""
        notes.append(Flag(code="slices-missing", detail=f"{at}{more}; usual are {usual:.3g} mm"))
    whole = np.delete(steps, grid.gaps)
    if np.ptp(whole) > _UNEVEN_FRAC * usual:
        notes.append(Flag(code="slices-uneven", detail=f"{whole.min():.4g} to {whole.max():.4g} mm"))
    return tuple(notes)
