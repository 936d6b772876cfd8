"""Small radiographs and records to spoil: what a laboratory gets wrong, in little."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from scipy.ndimage import gaussian_filter
from typer.testing import CliRunner, Result

from bandkit.cli import app

MM_PER_PX = 0.1
WIDTH_MM, HEIGHT_MM = 56.0, 108.0
SLAB_X_MM, SURFACE_MM, SLAB_END_MM = (12.0, 44.0), 10.0, 104.0
TRACK_X_MM = 28.0
THICKNESS_MM = 6.5
DENSITY_G_CM3 = 1.3
ARAGONITE_G_CM3 = 2.93
STEPS_MM = (1.0, 2.0, 3.0, 4.0, 5.0)
ATTENUATION_CM2_G = 0.6
FULL_SCALE = 65535

RECORD = """\
record = 1

[specimen]
id = "TB-31"
taxon = "Porites lutea"
site = "Tarefa Bank"
collected = 2019-01-20
top_alive = true

[image]
file = "TB-31.tif"
kind = "radiograph"
dense = "bright"
values = "intensity"

[scale]
bar = { from_px = [40, 199.5], to_px = [40, 699.5], length_mm = 50.0 }

[density]
slab_thickness_mm = 6.5
standards = [
  { box_px = [482, 102, 538, 158], material = "aragonite", thickness_mm = 1.0, density_g_cm3 = 2.93 },
  { box_px = [482, 182, 538, 238], material = "aragonite", thickness_mm = 2.0, density_g_cm3 = 2.93 },
  { box_px = [482, 262, 538, 318], material = "aragonite", thickness_mm = 3.0, density_g_cm3 = 2.93 },
  { box_px = [482, 342, 538, 398], material = "aragonite", thickness_mm = 4.0, density_g_cm3 = 2.93 },
  { box_px = [482, 422, 538, 478], material = "aragonite", thickness_mm = 5.0, density_g_cm3 = 2.93 },
]

[dating]
mark = "density maximum"
mark_date = "09-12"

[[track]]
name = "A"
points_px = [[280, 50], [280, 1010]]
width_mm = 5.0
"""


@dataclass(frozen=True, kw_only=True)
class Bands:
    """What grew: years outside in, and how strongly they show.

    ``spacing_mm`` apart from each other and ``first_mm`` below the surface; ``cycle_frac`` is half of peak
    to trough as a fraction of mean density, ``texture_frac`` the standard deviation of the skeleton's own texture,
    blotches of ``texture_mm``.
    """

    spacing_mm: float = 9.0
    first_mm: float = 3.2
    cycle_frac: float = 0.2
    texture_frac: float = 0.05
    texture_mm: float = 1.0


def radiograph(bands: Bands = Bands(), *, seed: int = 0, end_mm: float = SLAB_END_MM) -> np.ndarray:
    """A standing slab with level bands, five steps of aragonite on the right, a bar of lead on the left; dense is bright."""
    rng = np.random.default_rng(seed)
    shape = round(HEIGHT_MM / MM_PER_PX), round(WIDTH_MM / MM_PER_PX)
    y = (np.arange(shape[0]) * MM_PER_PX)[:, None]
    x = (np.arange(shape[1]) * MM_PER_PX)[None, :]
    depth = y - SURFACE_MM - 0.004 * (x - TRACK_X_MM) ** 2
    relative = 1 + bands.cycle_frac * np.cos(2 * np.pi * (depth - bands.first_mm) / bands.spacing_mm)
    texture = gaussian_filter(rng.standard_normal(shape), bands.texture_mm / MM_PER_PX, mode="wrap")
    density = DENSITY_G_CM3 * relative * (1 + bands.texture_frac * texture / texture.std())
    inside = (depth > 0) & (y < end_mm) & (x > SLAB_X_MM[0]) & (x < SLAB_X_MM[1])
    areal = np.where(inside, density * THICKNESS_MM / 10, 0.0)
    for i, step_mm in enumerate(STEPS_MM):
        areal[100 + 80 * i : 160 + 80 * i, 480:540] = ARAGONITE_G_CM3 * step_mm / 10
    dose = 0.9 * np.exp(-ATTENUATION_CM2_G * gaussian_filter(areal, 1.0))
    dose[200:700, 30:50] = 0.01
    dose += 0.004 * rng.standard_normal(shape) * np.sqrt(dose)
    return (FULL_SCALE * (1 - np.clip(dose, 0.0, 1.0))).astype(np.uint16)


def changed(*replacements: tuple[str, str], text: str = RECORD) -> str:
    """The record with some parts replaced; each part must be there once."""
    for old, new in replacements:
        assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
        text = text.replace(old, new)
    return text


def put(folder: Path, image: np.ndarray | bytes | Path, text: str = RECORD, *, name: str = "TB-31") -> Path:
    """Write a record and its image; gives the record's path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.tif"
    if isinstance(image, bytes):
        path.write_bytes(image)
    elif isinstance(image, Path):
        shutil.copyfile(image, path)
    else:
        tifffile.imwrite(path, image, photometric="minisblack", metadata=None)
    record = folder / f"{name}.toml"
    record.write_text(text.replace("TB-31", name), encoding="utf-8")
    return record


def run(*arguments: object) -> Result:
    """The command line in this process."""
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def tree(folder: Path) -> list[str]:
    """Every file below a folder, hidden ones too."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
