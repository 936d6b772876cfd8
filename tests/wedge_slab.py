"""A radiograph of a wedge-shaped slab, by Beer and Lambert at one energy: bands of 10 mm, 1.3 g/cm3 throughout."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile

MM_PER_PX = 0.2
ATTENUATION_CM2_G = 0.66
DENSITY_G_CM3 = 1.3
# The slab, the standards beside it and the open beam round both, in mm: x0, y0, x1, y1.
FIELD_MM = (90.0, 130.0)
SLAB_MM = (15.0, 15.0, 60.0, 120.0)
STEPS_MM = (0.8, 1.6, 2.6, 3.8, 5.2)
TRACK_X_MM = 37.5


@dataclass(frozen=True, eq=False)
class WedgeSlab:
    """The image and what is true of it; depth runs down from the upper rim."""

    image: np.ndarray
    thickness_mm: np.ndarray
    mean_density_g_cm3: float
    mass_g: float
    volume_cm3: float
    folder: Path

    def thickness_at(self, x_mm: float, y_mm: float) -> float:
        return float(self.thickness_mm[round(y_mm / MM_PER_PX), round(x_mm / MM_PER_PX)])

    def points(self) -> str:
        """Nine measured points as they stand in a record."""
        places = [(x, y) for y in (18.0, 65.0, 117.0) for x in (18.0, 37.5, 57.0)]
        return ", ".join(f"{{ at_px = [{x / MM_PER_PX:g}, {y / MM_PER_PX:g}], thickness_mm = {self.thickness_at(x, y):.2f} }}"
                         for x, y in places)

    def record(self, density: str, *, more: str = "") -> Path:
        """Write the record with some lines in its density table, and further tables."""
        px = 1 / MM_PER_PX
        boxes = [[(70 * px) + 8, (15 + 14 * k) * px + 8, 80 * px - 8, (25 + 14 * k) * px - 8] for k in range(len(STEPS_MM))]
        steps = "".join(f'  {{ box_px = {[round(v) for v in box]}, material = "aragonite", thickness_mm = {mm}, '
                        f"density_g_cm3 = 2.93 }},\n" for box, mm in zip(boxes, STEPS_MM, strict=True))
        text = (f'record = 1\n[specimen]\nid = "TB-81"\ntaxon = "Porites lutea"\ncollected = 2019-06-15\ntop_alive = true\n'
                f'[image]\nfile = "TB-81.tif"\nkind = "radiograph"\ndense = "dark"\n[scale]\nmm_per_px = {MM_PER_PX}\n'
                f"[density]\n{density}\nstandards = [\n{steps}]\n{more}\n"
                f'[dating]\nmark = "density maximum"\nmark_date = "02-15"\n'
                f'[[track]]\nname = "A"\npoints_px = [[{TRACK_X_MM * px:g}, {8 * px:g}], [{TRACK_X_MM * px:g}, {119 * px:g}]]\n')
        path = self.folder / "TB-81.toml"
        path.write_text(text, encoding="utf-8")
        return path


def make_wedge_slab(folder: Path, *, hole_mm: float = 0.0, seed: int = 0) -> WedgeSlab:
    """A slab 7.5 mm thick at its upper rim that thins downwards, and a little sidewards; bored beside the track if asked."""
    rng = np.random.default_rng([81, seed])
    shape = tuple(round(v / MM_PER_PX) for v in FIELD_MM[::-1])
    y, x = (np.indices(shape) + 0.0) * MM_PER_PX
    x0, y0, x1, y1 = SLAB_MM
    on = (x >= x0) & (x < x1) & (y >= y0) & (y < y1)
    thickness = 7.5 - 0.012 * (y - y0) + 0.004 * (x - TRACK_X_MM)
    texture = rng.standard_normal((shape[0] // 4 + 1, shape[1] // 4 + 1)).repeat(4, axis=0).repeat(4, axis=1)
    density = DENSITY_G_CM3 * (1 + 0.15 * np.cos(2 * np.pi * (y - y0 - 6.0) / 10.0) + 0.04 * texture[: shape[0], : shape[1]])
    density[np.hypot(x - 24.0, y - 60.0) < hole_mm] = 0.0
    areal = np.where(on, density * thickness / 10, 0.0)
    for k, mm in enumerate(STEPS_MM):
        step = (x >= 70) & (x < 80) & (y >= 15 + 14 * k) & (y < 25 + 14 * k)
        areal[step] = 2.93 * mm / 10
    dose = 50_000 * np.exp(-ATTENUATION_CM2_G * areal)
    image = np.clip(np.rint(dose + np.sqrt(dose) * 2 * rng.standard_normal(shape)), 0, 65535).astype(np.uint16)
    tifffile.imwrite(folder / "TB-81.tif", image)
    area_cm2 = (MM_PER_PX / 10) ** 2
    mass, volume = float(areal[on].sum() * area_cm2), float((thickness[on] / 10).sum() * area_cm2)
    return WedgeSlab(image=image, thickness_mm=thickness, mean_density_g_cm3=mass / volume, mass_g=mass, volume_cm3=volume,
                     folder=folder)
