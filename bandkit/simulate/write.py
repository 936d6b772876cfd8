"""Simulated slabs on disk: image, record and truth side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from bandkit.errors import InputError, OutputError
from bandkit.simulate.camera import CameraDesign
from bandkit.simulate.luminescence import LuminescenceDesign, simulate_luminescence
from bandkit.simulate.photograph import PhotographDesign, simulate_photograph
from bandkit.simulate.radiograph import Grade, random_design, simulate_radiograph
from bandkit.simulate.truth import SimulatedSlab

JPEG_QUALITY = 92
STAIN_APART_YR = 0.6


def write_simulated(slab: SimulatedSlab, folder: str | Path, *, truth_folder: str | Path | None = None) -> Path:
    """Write one simulated slab: its image, its record and its truth.

    Parameters
    ----------
    slab : SimulatedSlab
        What to write.
    folder : path
        Folder for image and record; made where absent.
    truth_folder : path, optional
        Folder for ``ID_truth.json``; ``folder`` where absent.

    Returns
    -------
    Path
        The record.

    Raises
    ------
    OutputError
        When a file cannot be written.
    """
    folder = Path(folder)
    truth_folder = folder if truth_folder is None else Path(truth_folder)
    record = folder / f"{slab.specimen}.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        truth_folder.mkdir(parents=True, exist_ok=True)
        _write_image(slab, folder / slab.image_file)
        (truth_folder / f"{slab.specimen}_truth.json").write_text(slab.truth.to_json(), encoding="utf-8")
        record.write_text(slab.record_text, encoding="utf-8")
    except OSError as error:
        cause = error.strerror or error
        msg = f"{folder}: the simulated slab {slab.specimen} cannot be written ({cause}); choose another folder"
        raise OutputError(msg) from error
    return record


def write_practice_set(folder: str | Path, *, seed: int = 0, n: int = 6, grade: Grade | None = None) -> list[Path]:
    """Write practice slabs with a known answer.

    Radiographs in three grades, stained photographs and luminescence images take turns.

    Parameters
    ----------
    folder : path
        Where they go; made where absent.
    seed : int, optional
        The same seed gives the same set; 0 or more.
    n : int, optional
        Number of slabs.
    grade : {"easy", "ordinary", "hard"}, optional
        Radiographs of this grade only; all kinds where absent.

    Returns
    -------
    list of Path
        The records.

    Raises
    ------
    InputError
        Where ``n`` is below 1 or ``seed`` below 0.
    OutputError
        When a file cannot be written.
    """
    if n < 1:
        msg = f"n: must be 1 or more slabs, got {n}"
        raise InputError(msg)
    if seed < 0:
        msg = f"seed: must be 0 or more, got {seed}"
        raise InputError(msg)
    makers: tuple[Callable[[int], SimulatedSlab], ...] = (
        lambda s: _radiograph("easy", s), lambda s: _radiograph("ordinary", s), _photograph,
        lambda s: _radiograph("hard", s), _luminescence)
    if grade is not None:
        makers = (partial(_radiograph, grade),)
    records = []
    for i in range(n):
        slab = makers[i % len(makers)](seed + i)
        records.append(write_simulated(slab, folder))
    return records


def _radiograph(grade: Grade, seed: int) -> SimulatedSlab:
    """Make a radiograph of the practice set."""
    return simulate_radiograph(random_design(grade, seed), seed)


def _photograph(seed: int) -> SimulatedSlab:
    """Make a stained photograph of the practice set: one to three stainings, clear to faint."""
    rng = np.random.default_rng([seed, 3])
    design = PhotographDesign()
    collected = date(2019, 1, 1) + timedelta(days=int(rng.integers(0, 365)))
    extension = float(rng.uniform(6.0, 13.0))
    years = float(rng.uniform(4.0, 6.0))
    ago_yr = np.sort(rng.uniform(0.8, years - 0.7, int(rng.integers(1, 4))))[::-1]
    ago_yr = ago_yr[np.concatenate([[True], -np.diff(ago_yr) > STAIN_APART_YR])]
    return simulate_photograph(replace(
        design, specimen=f"TB-P{seed:03d}",
        growth=replace(design.growth, collected=collected, extension_mm_yr=extension, years=years,
                       tissue_mm=float(min(5.0, 0.55 * extension))),
        slab=replace(design.slab, tilt_deg=float(rng.uniform(-6, 6))),
        camera=CameraDesign(light_rgb=(1.0, float(rng.uniform(0.9, 1.0)), float(rng.uniform(0.75, 1.0)))),
        stained=tuple(collected - timedelta(days=round(365.25 * a)) for a in ago_yr),
        dye_strength=float(rng.uniform(0.25, 1.0)), dye_tail_mm=float(rng.uniform(1.0, 3.0))), seed)


def _luminescence(seed: int) -> SimulatedSlab:
    """Make a luminescence image of the practice set."""
    rng = np.random.default_rng([seed, 4])
    design = LuminescenceDesign()
    growth = replace(design.growth, collected=date(2019, 1, 1) + timedelta(days=int(rng.integers(120, 365))),
                     extension_mm_yr=float(rng.uniform(6.0, 14.0)), years=float(rng.integers(8, 14)))
    return simulate_luminescence(replace(design, specimen=f"TB-L{seed:03d}", growth=growth), seed)


def _write_image(slab: SimulatedSlab, path: Path) -> None:
    """Write 16-bit greys as TIFF, colour as PNG or JPEG by the file's ending, with the true resolution."""
    # Imported here: the image libraries are slow to load and only needed to write.
    if path.suffix == ".tif":
        import tifffile

        pixels_per_cm = 10 / slab.truth.mm_per_px
        tifffile.imwrite(path, slab.image, compression="zlib", compressionargs={"level": 9}, predictor=True,
                         rowsperstrip=128, resolution=(pixels_per_cm, pixels_per_cm), resolutionunit="CENTIMETER",
                         metadata=None)
        return
    from PIL import Image

    dpi = 25.4 / slab.truth.mm_per_px
    options = {"quality": JPEG_QUALITY, "subsampling": 0} if path.suffix == ".jpg" else {"optimize": True}
    Image.fromarray(slab.image).save(path, dpi=(dpi, dpi), **options)
