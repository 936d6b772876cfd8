"""X-radiograph of a simulated slab, with aragonite standards and a lead scale bar."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.simulate.beam import BeamDesign, expose
from bandkit.simulate.colony import SlabDesign, plant
from bandkit.simulate.growth import Growth, GrowthDesign, grow
from bandkit.simulate.record_text import radiograph_record
from bandkit.simulate.scene import Box, Layout, SlabField, bar_cover, look_up, place_bar, slab_field, track_points
from bandkit.simulate.texture import bore, bored_frac, texture
from bandkit.simulate.truth import SimulatedSlab, Truth, track_truth

Float32Array = NDArray[np.float32]
Grade = Literal["easy", "ordinary", "hard"]

ARAGONITE_G_CM3 = 2.93
BAR_MM, BAR_WIDTH_MM = 50.0, 4.0
STANDARD_SIDE_MM, STANDARD_PITCH_MM = 12.0, 15.0
MARGIN_MM, SIDE_MM, TOP_MM = 12.0, 26.0, 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RadiographDesign:
    """Everything that makes one radiograph.

    Parameters
    ----------
    specimen, taxon, site : str
        Who and where.
    growth : GrowthDesign
        How it grew.
    slab : SlabDesign
        How it was sawn, and its structure.
    beam : BeamDesign
        How it was exposed and stored.
    standards_mm : tuple of float
        Thicknesses of the aragonite standards.
    track_offsets_mm : tuple of float
        Where the tracks lie across the core, from its middle.
    """

    specimen: str = "TB-00"
    taxon: str = "Porites lutea"
    site: str = "Tarefa Bank north"
    growth: GrowthDesign = field(default_factory=GrowthDesign)
    slab: SlabDesign = field(default_factory=SlabDesign)
    beam: BeamDesign = field(default_factory=BeamDesign)
    standards_mm: tuple[float, ...] = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
    track_offsets_mm: tuple[float, ...] = (0.0,)


def simulate_radiograph(design: RadiographDesign, seed: int, *, colony_seed: int | None = None) -> SimulatedSlab:
    """Simulate one radiograph with its record and its true answer.

    Parameters
    ----------
    design : RadiographDesign
        What to simulate.
    seed : int
        The same seed gives the same slab.
    colony_seed : int, optional
        Shape of the colony apart from the picture: two pictures with the same seeds and growth show the same colony.

    Returns
    -------
    SimulatedSlab
        16-bit grey image (h, w), record text, truth.
    """
    rng = np.random.default_rng(seed)
    growth = grow(design.growth, rng)
    layout, standard_px = _lay_out(design, growth.length_mm, rng)
    top_mm = (0.5 * (layout.core_mm[0] + layout.core_mm[2]), layout.core_mm[1])
    colony = plant(design.slab, top_mm, rng if colony_seed is None else np.random.default_rng([colony_seed, 7]))
    mass = _mass(design, growth, slab_field(design.slab, layout, colony, rng), layout, rng)
    _add_standards(mass, standard_px, design.standards_mm)
    blocked = bar_cover(layout, design.slab.mm_per_px)
    image = expose(mass, blocked, design.beam, mm_per_px=design.slab.mm_per_px, rng=rng)
    tracks = tuple(
        track_truth(growth, colony, points, name=chr(ord("A") + i), mm_per_px=design.slab.mm_per_px)
        for i, points in enumerate(layout.tracks_px))
    truth = Truth(specimen=design.specimen, kind="radiograph", mm_per_px=design.slab.mm_per_px, bar_px=layout.bar_px,
                  bar_mm=BAR_MM, tissue_mm=design.growth.tissue_mm, tracks=tracks,
                  settings={"seed": seed, **asdict(design)})
    image_file = f"{design.specimen}_xray.tif"
    text = radiograph_record(design, image_file, truth, mark_date=growth.mark_date, standard_px=standard_px)
    return SimulatedSlab(specimen=design.specimen, image_file=image_file, image=image, record_text=text, truth=truth)


def random_design(grade: Grade, seed: int) -> RadiographDesign:
    """Draw a radiograph of a given difficulty.

    Parameters
    ----------
    grade : {"easy", "ordinary", "hard"}
        easy: cycle 20 % and texture 5 % of mean density. ordinary: 15 % and 10 %, faint doublets, borings.
        hard: 9 % and 14 %, strong doublets, stress bands, weak years, borings, an oblique track, extension
        varying by 30 %.
    seed : int
        Draws spacing (3.5 to 18 mm), years (12 to 30), pixel size and everything else.

    Returns
    -------
    RadiographDesign
        What to give to `simulate_radiograph`.

    Notes
    -----
    The cycle is half of peak to trough of the recorded density; texture is the standard deviation on
    columns one pixel wide.
    """
    rng = np.random.default_rng([seed, ("easy", "ordinary", "hard").index(grade)])
    spacing = float(np.exp(rng.uniform(np.log(3.5), np.log(18.0))))
    years = min(float(rng.integers(12, 31)), max(12.0, np.floor(320 / spacing)))
    peak_yr = float(rng.uniform(0, 1))
    # Collected with the newest mark finished and the next not begun.
    collected_yr = 2019 + peak_yr + float(rng.uniform(0.15, 0.65))
    growth = GrowthDesign(
        collected=date(2019, 1, 1) + timedelta(days=int((collected_yr - 2019) * 365.25)), years=years,
        extension_mm_yr=spacing, density_g_cm3=float(rng.uniform(1.1, 1.5)), peak_yr=peak_yr,
        cycle_skew=float(rng.uniform(-0.5, 0.5)), initial_frac=float(rng.uniform(0.4, 0.7)),
        tissue_mm=float(min(rng.uniform(3.5, 7.0), 0.55 * spacing)))
    slab = SlabDesign(
        mm_per_px=float(rng.uniform(0.085, 0.1)), width_mm=float(rng.uniform(50, 75)),
        thickness_mm=float(rng.uniform(5.5, 8.0)), radius_mm=years * spacing + float(rng.uniform(80, 300)),
        bump_mm=float(rng.uniform(0.3, 1.2)), bump_length_mm=float(rng.uniform(18, 40)))
    beam = BeamDesign(heel_frac=float(rng.uniform(0.1, 0.2)), heel_axis=("x", "y")[int(rng.integers(2))],
                      dense=("bright", "dark")[int(rng.integers(2))], offset_frac=float(rng.uniform(0, 0.06)))
    growth, slab = _graded(grade, growth, slab, rng)
    count = int(rng.integers(5, 9))
    return RadiographDesign(specimen=f"TB-{grade[0].upper()}{seed:03d}", growth=growth, slab=slab, beam=beam,
                            standards_mm=tuple(float(t) for t in np.round(np.linspace(1, 8, count), 1)),
                            track_offsets_mm=(float(rng.uniform(-5, 5)),))


def _graded(
    grade: Grade, growth: GrowthDesign, slab: SlabDesign, rng: np.random.Generator,
) -> tuple[GrowthDesign, SlabDesign]:
    """Set what makes a slab easy or hard."""
    tilt = float(rng.uniform(-1, 1))
    if grade == "easy":
        return (replace(growth, cycle_frac=0.20, cycle_cv_frac=0.1, extension_cv_frac=0.12),
                replace(slab, texture_frac=0.05, tilt_deg=2 * tilt))
    if grade == "ordinary":
        return (replace(growth, cycle_frac=0.15, extension_cv_frac=0.2, doublet_frac=0.25),
                replace(slab, texture_frac=0.10, tilt_deg=4 * tilt, borings=int(rng.integers(2, 7))))
    return (replace(growth, cycle_frac=0.09, cycle_cv_frac=0.3, extension_cv_frac=0.30, doublet_frac=0.6,
                    stress_chance=0.08, weak_year_chance=0.1),
            replace(slab, texture_frac=0.14, tilt_deg=8 * tilt,
                    track_tilt_deg=-float(np.sign(tilt) * rng.uniform(3, 8)), borings=int(rng.integers(4, 12))))


def _lay_out(design: RadiographDesign, length_mm: float, rng: np.random.Generator) -> tuple[Layout, tuple[Box, ...]]:
    """Place core, bar and tracks in the image, and the standards' edges in pixels."""
    p = design.slab.mm_per_px
    count = len(design.standards_mm)
    height_mm = max(length_mm + TOP_MM + 14.0, BAR_MM + 26.0 + count * STANDARD_PITCH_MM)
    core = (MARGIN_MM, TOP_MM, MARGIN_MM + design.slab.width_mm, TOP_MM + length_mm)
    shape = (int(np.ceil(height_mm / p)), int(np.ceil((core[2] + SIDE_MM) / p)))
    side_x = core[2] + 0.5 * SIDE_MM + 1.0
    bar_px = place_bar((side_x, 12.0 + 0.5 * BAR_MM), BAR_MM, p, rng)
    boxes = []
    for i in range(count):
        x0 = side_x - 0.5 * STANDARD_SIDE_MM + rng.uniform(-0.8, 0.8)
        y0 = 22.0 + BAR_MM + i * STANDARD_PITCH_MM + rng.uniform(-0.6, 0.6)
        boxes.append((x0 / p, y0 / p, (x0 + STANDARD_SIDE_MM) / p, (y0 + STANDARD_SIDE_MM) / p))
    tracks = tuple(track_points(design.slab, core, offset) for offset in design.track_offsets_mm)
    layout = Layout(shape=shape, core_mm=core, bar_px=bar_px, bar_width_mm=BAR_WIDTH_MM, tracks_px=tracks)
    return layout, tuple(boxes)


def _mass(design: RadiographDesign, growth: Growth, part: SlabField, layout: Layout,
          rng: np.random.Generator) -> Float32Array:
    """Mass per area of the skeleton, g/cm2."""
    slab = design.slab
    x0, y0, x1, y1 = layout.core_mm
    density = look_up(part.depth_mm, growth.depth_mm, growth.density_g_cm3)
    density *= 1 + texture(slab, part.radial_mm, part.across_mm, rng)
    density *= part.cover
    if slab.borings:
        left_mm, top_mm = part.cols.start * slab.mm_per_px, part.rows.start * slab.mm_per_px
        borings = bore(slab.borings, (x0 - left_mm, y0 - top_mm + 5, x1 - left_mm, y1 - top_mm), rng)
        density *= 1 - bored_frac(borings, density.shape, slab)
    thickness_cm = 0.1 * slab.thickness_mm * (1 + slab.wedge_frac * ((part.x_mm - x0) / (x1 - x0) - 0.5))
    mass = np.zeros(layout.shape, dtype=np.float32)
    mass[part.rows, part.cols] = np.maximum(density * thickness_cm, 0)
    return mass


def _add_standards(mass_g_cm2: Float32Array, boxes: tuple[Box, ...], thicknesses_mm: tuple[float, ...]) -> None:
    """Lay the aragonite standards into the field of mass per area."""
    for (x0, y0, x1, y1), thickness_mm in zip(boxes, thicknesses_mm, strict=True):
        rows, cols = slice(round(y0), round(y1) + 1), slice(round(x0), round(x1) + 1)
        mass_g_cm2[rows, cols] = 0.1 * thickness_mm * ARAGONITE_G_CM3
