"""Radiographs of invented slabs whose annual marks, growth and density are known.

Three forward models, apart from the package and from each other: `generators.second`
serves for tuning, `generators.third` and `generators.fourth` for judging. They share the grades of
difficulty and the form of the answer, nothing else.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile

ARAGONITE_G_CM3 = 2.93
TRACK_WIDTH_MM = 5.0
# The longest X-ray film and plate in use (14 x 17 inch) is 430 mm; margins and surface take the rest.
LONGEST_TRACK_MM = 380.0


@dataclass(frozen=True, kw_only=True)
class Grade:
    """How hard a slab is.

    ``cycle_frac`` is half of peak to trough of the annual density cycle and ``texture_frac``
    the standard deviation, on a track 5 mm wide, of that part of the skeleton's own texture which
    is about as coarse as the year, both as fractions of mean density (each generator adds finer
    and coarser texture in its own way); ``doublet`` is the height of a second dense band as a
    fraction of the first, in a share of years; ``tilt_deg`` the least and most tilt of the bands
    against the track.
    """

    cycle_frac: float
    texture_frac: float
    extension_cv: float
    amplitude_cv: float
    doublet: float = 0.0
    doublet_share: float = 0.0
    stress_bands: int = 0
    borings: int = 0
    tilt_deg: tuple[float, float] = (0.0, 5.0)


GRADES = {
    "easy": Grade(cycle_frac=0.20, texture_frac=0.05, extension_cv=0.12, amplitude_cv=0.15),
    "ordinary": Grade(cycle_frac=0.15, texture_frac=0.10, extension_cv=0.18, amplitude_cv=0.15, doublet=0.2,
                      doublet_share=0.3, borings=4, tilt_deg=(0.0, 10.0)),
    "hard": Grade(cycle_frac=0.09, texture_frac=0.14, extension_cv=0.30, amplitude_cv=0.25, doublet=0.6,
                  doublet_share=0.4, stress_bands=2, borings=6, tilt_deg=(10.0, 20.0)),
}


def soften(texture: np.ndarray, most_frac: float = 0.4) -> np.ndarray:
    """Bend relative texture so that it stays within 40 %: skeleton without holes is neither hollow nor solid."""
    return np.float32(most_frac) * np.tanh(texture / np.float32(most_frac))


@dataclass(frozen=True, kw_only=True)
class Standard:
    """A step of aragonite beside the slab; the box is x0, y0, x1, y1."""

    box_px: tuple[int, int, int, int]
    thickness_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Slab:
    """A radiograph and everything that is true of it.

    Depths run along the track from the true surface. Years are the whole ones: year ``i`` lies
    between marks ``i`` and ``i + 1``. ``year_density_g_cm3`` is that of the skeleton that lies
    within 2.5 mm of the track along the bands, as if nothing had bored it;
    ``band_density_g_cm3`` is that of the bands alone, without the track's own texture.
    """

    image: np.ndarray
    mm_per_px: float
    points_px: tuple[tuple[float, float], ...]
    dense: str
    bar_px: tuple[tuple[float, float], tuple[float, float]]
    bar_length_mm: float
    standards: tuple[Standard, ...]
    slab_thickness_mm: float
    collected: dt.date
    mark_date: str
    surface_px: tuple[float, float]
    track_length_mm: float
    mark_depth_mm: np.ndarray
    year_extension_mm: np.ndarray
    year_density_g_cm3: np.ndarray
    band_density_g_cm3: np.ndarray

    @property
    def spacing_mm(self) -> float:
        """Median distance of marks along the track."""
        return float(np.median(np.diff(self.mark_depth_mm)))

    def record_text(self, image_file: str, *, specimen_id: str = "TB-61") -> str:
        """Slab record in TOML, with nothing in it that a person would have to count or measure."""
        (x0, y0), (x1, y1) = self.bar_px
        steps = "".join(f'  {{ box_px = {list(s.box_px)}, material = "aragonite", thickness_mm = {s.thickness_mm:g}, '
                        f"density_g_cm3 = {ARAGONITE_G_CM3} }},\n" for s in self.standards)
        points = ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in self.points_px)
        return (f'record = 1\n\n[specimen]\nid = "{specimen_id}"\ntaxon = "Porites lutea"\nsite = "Tarefa Bank"\n'
                f"collected = {self.collected.isoformat()}\ntop_alive = true\n\n"
                f'[image]\nfile = "{image_file}"\nkind = "radiograph"\ndense = "{self.dense}"\nvalues = "intensity"\n\n'
                f"[scale]\nbar = {{ from_px = [{x0:.2f}, {y0:.2f}], to_px = [{x1:.2f}, {y1:.2f}], "
                f"length_mm = {self.bar_length_mm:g} }}\n\n"
                f"[density]\nslab_thickness_mm = {self.slab_thickness_mm:.2f}\nstandards = [\n{steps}]\n\n"
                f'[dating]\nmark = "density maximum"\nmark_date = "{self.mark_date}"\n\n'
                f'[[track]]\nname = "A"\npoints_px = [{points}]\nwidth_mm = {TRACK_WIDTH_MM}\n')

    def write(self, folder: Path, stem: str = "TB-61") -> Path:
        """Write image and record into a folder; gives the record's path."""
        tifffile.imwrite(folder / f"{stem}.tif", self.image)
        record = folder / f"{stem}.toml"
        record.write_text(self.record_text(f"{stem}.tif", specimen_id=stem), encoding="utf-8")
        return record
