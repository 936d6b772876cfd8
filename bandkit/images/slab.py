"""The picture that a record is about: a file, or a slab cut out of the scan that it names."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bandkit.cut import CutFrame, cut_slab, frame_cut
from bandkit.images import open_image
from bandkit.images.checks import reading
from bandkit.images.source import Box, ImageHeader, ImageSource, Pixels
from bandkit.images.volume import Volume, open_volume
from bandkit.record import Record, raise_for_volume

if TYPE_CHECKING:
    from bandkit.record import VolumeSpec


class CutSource(ImageSource):
    """A slab cut out of a scan, which is read through when the first region is asked for.

    Parameters
    ----------
    volume : Volume
        The open scan.
    spec : VolumeSpec
        The cut.

    Raises
    ------
    InputError
        The points span no plane, or the picture would be too large.
    """

    def __init__(self, volume: Volume, spec: VolumeSpec) -> None:
        self.volume = volume
        self.spec = spec
        self.frame: CutFrame = frame_cut(volume.grid, spec.points_px, spec.px_mm)
        header = ImageHeader(
            path=volume.path, format=volume.format, stored_width_px=self.frame.width_px,
            stored_height_px=self.frame.height_px, channels=1, dtype=np.dtype(np.float32), bits=volume.bits,
            stored_resolution_mm_px=(self.frame.px_mm, self.frame.px_mm), spacing_at="object",
            acquisition=volume.acquisition, notes=volume.notes)
        super().__init__(header)
        self._values: Pixels | None = None

    @property
    def method(self) -> str:
        """What was cut, one sentence for the methods paragraph."""
        grid = self.volume.grid
        places = ", ".join(f"[{x:g}, {y:g}, {number:g}]" for x, y, number in self.spec.points_px)
        sides = " x ".join(f"{side:.4g}" for side in (grid.x_mm_px, grid.y_mm_px, grid.step_mm))
        size = " x ".join(map(str, grid.size_px))
        known = self.volume.acquisition
        made = [f"{known[name]:g} {unit}" for name, unit in (("tube_kv", "kV"), ("tube_ma", "mA")) if name in known]
        made += [f"kernel {known['kernel']}"] if "kernel" in known else []
        how = f" ({', '.join(made)})" if made else ""
        return (f"A virtual slab {self.spec.thickness_mm:g} mm thick was cut out of a scan of {size} voxels of {sides} "
                f"mm{how}, along the plane through the voxels {places} (x, y, slice), as the mean over its thickness "
                f"in pixels of {self.frame.px_mm:.4g} mm.")

    def sha256(self) -> str:
        """Return the SHA-256 hash of all slices in their order, in hexadecimal.

        Returns
        -------
        str
            64 digits.
        """
        return self.volume.sha256()

    def close(self) -> None:
        """Let go of the cut."""
        self._values = None

    def _read_stored(self, box: Box) -> Pixels:
        if self._values is None:
            self._values = cut_slab(self.volume.grid, self.frame, self.spec.thickness_mm, self.volume.read_slice)
        x0, y0, x1, y1 = box
        return self._values[y0:y1, x0:x1]

    def _finite_or_nan(self, values: Pixels) -> Pixels:
        """Values as they are: an oblique cut has corners outside the volume."""
        return values


def open_slab(record: Record) -> ImageSource:
    """Open the picture that a record is about.

    Parameters
    ----------
    record : Record
        The slab record.

    Returns
    -------
    ImageSource
        Its image file, or the slab cut out of its scan; use it in a ``with`` block.

    Raises
    ------
    ImageReadError
        The file or a slice cannot be read.
    InputError
        The cut does not fit the scan.
    """
    if record.volume is None:
        return open_image(record.image.path)
    path = record.image.path
    with reading(path):
        volume = open_volume(path, voxel_mm=record.volume.voxel_mm, series=record.volume.series)
        raise_for_volume(record, volume.grid.size_px)
        return CutSource(volume, record.volume)
