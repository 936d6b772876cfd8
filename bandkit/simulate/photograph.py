"""Photograph of a sawn slab from a colony that was stained alive.

Notes
-----
Dye is taken up by the skeleton at the surface on the day of staining. On the slab its line is
sharp on the outer (distal) side, fades within about half a millimetre, and has a
faint tail of a few millimetres where dye soaked down the pores. Concentration at a depth ``d`` below
the outer edge, for ``d >= 0``::

    c(d) = s [0.7 exp(-d / 0.6 mm) + 0.3 exp(-d / tail)]

varied from corallite to corallite. Light is absorbed as ``exp(-k c)`` in red, green and blue: alizarin takes
out green and blue and leaves pink to violet. Surface and stain both follow the relief of the
calices (some tenths of a millimetre), so single corallites are off by that, and their mean is not.

The skeleton is white to cream, darker in pores; the youngest skeleton keeps a tan of dried tissue;
boring algae leave a faint green zone below it; the saw leaves arcs.

References
----------
Distal edge and seepage: Manzello D, message to Coral-List, September 2006. Lamberts AE (1978) on alizarin
as a growth marker (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from bandkit.simulate.camera import CameraDesign, take_picture
from bandkit.simulate.colony import SlabDesign, plant
from bandkit.simulate.growth import Growth, GrowthDesign, decimal_year, grow
from bandkit.simulate.record_text import photograph_record
from bandkit.simulate.scene import Layout, SlabField, bar_cover, look_up, place_bar, slab_field, track_points
from bandkit.simulate.texture import smooth_noise, texture
from bandkit.simulate.truth import SimulatedSlab, Truth, track_truth

FloatArray = NDArray[np.floating]
Float32Array = NDArray[np.float32]

MARGIN_MM, TOP_MM, SIDE_MM, BOTTOM_MM = 8.0, 11.0, 20.0, 9.0
BAR_MM, BAR_WIDTH_MM, CARD_BORDER_MM = 50.0, 3.0, 4.0

SKELETON_RGB = (0.86, 0.81, 0.70)
TISSUE_RGB = (0.72, 0.62, 0.42)
ALGAE_RGB = (0.78, 0.86, 0.66)
CLOTH_RGB = (0.016, 0.016, 0.019)
CARD_WHITE, CARD_BLACK = 0.82, 0.035
# Absorbance of full dye in red, green, blue: pink to violet.
DYE_ABSORBANCE_RGB = (0.35, 1.45, 0.75)
# Pores and septa, seen at the cut face only: too fine to matter in a radiograph.
PORE_ALONG_MM, PORE_ACROSS_MM, PORE_FRAC = 0.18, 0.09, 0.05
DYE_SHARP_MM, DYE_SHARP_SHARE = 0.6, 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographDesign:
    """Everything that makes one photograph of a stained slab.

    Parameters
    ----------
    specimen, taxon, site : str
        Who and where.
    growth, slab, camera : GrowthDesign, SlabDesign, CameraDesign
        How it grew, was sawn and photographed.
    stained : tuple of date
        Days of staining; empty for an unstained control.
    dye_strength, dye_tail_mm, dye_patchy_frac : float
        Strength of the line (1 is clear, 0.2 is faint), length of the seepage tail, variation between corallites.
    relief_mm : float
        Standard deviation of the calices' relief at surface and stain.
    saw_frac : float
        Strength of the saw marks.
    track_offsets_mm : tuple of float
        Where the tracks lie across the slab, from its middle.
    """

    specimen: str = "TB-00"
    taxon: str = "Porites lutea"
    site: str = "Tarefa Bank south"
    growth: GrowthDesign = field(default_factory=lambda: GrowthDesign(years=6.0, extension_mm_yr=10.0))
    slab: SlabDesign = field(default_factory=lambda: SlabDesign(
        width_mm=46.0, mm_per_px=0.05, radius_mm=140.0, texture_length_mm=5.0))
    camera: CameraDesign = field(default_factory=CameraDesign)
    stained: tuple[date, ...] = (date(2014, 6, 10), date(2016, 6, 2))
    dye_strength: float = 0.9
    dye_tail_mm: float = 2.0
    dye_patchy_frac: float = 0.3
    relief_mm: float = 0.12
    saw_frac: float = 0.02
    track_offsets_mm: tuple[float, ...] = (0.0,)


def simulate_photograph(design: PhotographDesign, seed: int, *, colony_seed: int | None = None) -> SimulatedSlab:
    """Simulate one photograph of a stained slab with its record and its true answer.

    Parameters
    ----------
    design : PhotographDesign
        What to simulate.
    seed : int
        The same seed gives the same slab.
    colony_seed : int, optional
        Shape of the colony apart from the picture: two pictures with the same seeds and growth show the same colony.

    Returns
    -------
    SimulatedSlab
        8-bit sRGB image (h, w, 3), record text, truth.
    """
    rng = np.random.default_rng(seed)
    growth = grow(design.growth, rng)
    layout = _lay_out(design, growth.length_mm, rng)
    p = design.slab.mm_per_px
    top_mm = (0.5 * (layout.core_mm[0] + layout.core_mm[2]), layout.core_mm[1])
    colony = plant(design.slab, top_mm, rng if colony_seed is None else np.random.default_rng([colony_seed, 7]))
    part = slab_field(design.slab, layout, colony, rng, relief_mm=design.relief_mm)
    stains = stain_depths_mm(growth, design.stained)
    light = _background(layout, p, rng)
    skeleton = _skeleton(design, growth, part, stains, rng)
    cover = part.cover[:, :, None]
    light[part.rows, part.cols] = cover * skeleton + (1 - cover) * light[part.rows, part.cols]
    tracks = tuple(track_truth(growth, colony, points, name=chr(ord("A") + i), mm_per_px=p, stains=stains)
                   for i, points in enumerate(layout.tracks_px))
    truth = Truth(specimen=design.specimen, kind="photograph", mm_per_px=p, bar_px=layout.bar_px, bar_mm=BAR_MM,
                  tissue_mm=design.growth.tissue_mm, tracks=tracks, settings={"seed": seed, **asdict(design)})
    image_file = f"{design.specimen}_photo.png"
    return SimulatedSlab(specimen=design.specimen, image_file=image_file, image=take_picture(light, design.camera, rng),
                         record_text=photograph_record(design, image_file, truth), truth=truth)


def stain_depths_mm(growth: Growth, stained: tuple[date, ...]) -> dict[str, float]:
    """Depth of each stain's outer edge along the growth axis: where the surface was on that day.

    Parameters
    ----------
    growth : Growth
        What grew.
    stained : tuple of date
        Days of staining.

    Returns
    -------
    dict of str to float
        ISO date and depth in mm.
    """
    depths = np.interp([-decimal_year(day) for day in stained], -growth.formed_yr, growth.depth_mm)
    return {day.isoformat(): float(depth) for day, depth in zip(stained, depths, strict=True)}


def dye_concentration(below_mm: FloatArray, tail_mm: float) -> FloatArray:
    """Dye by distance below the outer edge of a stain.

    Parameters
    ----------
    below_mm : ndarray
        Distance from the outer edge towards older skeleton; negative outside it.
    tail_mm : float
        Length of the seepage tail.

    Returns
    -------
    ndarray
        0 outside the edge, 1 at it, fading inwards.
    """
    d = np.clip(below_mm, 0, None)
    faded = DYE_SHARP_SHARE * np.exp(-d / DYE_SHARP_MM) + (1 - DYE_SHARP_SHARE) * np.exp(-d / tail_mm)
    return np.where(below_mm >= 0, faded, 0.0)


def _lay_out(design: PhotographDesign, length_mm: float, rng: np.random.Generator) -> Layout:
    """Place slab, bar and tracks."""
    p = design.slab.mm_per_px
    core = (MARGIN_MM, TOP_MM, MARGIN_MM + design.slab.width_mm, TOP_MM + length_mm)
    height_mm = max(core[3] + BOTTOM_MM, BAR_MM + 24.0)
    shape = (int(np.ceil(height_mm / p)), int(np.ceil((core[2] + SIDE_MM) / p)))
    bar_px = place_bar((core[2] + 0.5 * SIDE_MM + 1.0, 0.5 * height_mm), BAR_MM, p, rng)
    tracks = tuple(track_points(design.slab, core, offset) for offset in design.track_offsets_mm)
    return Layout(shape=shape, core_mm=core, bar_px=bar_px, bar_width_mm=BAR_WIDTH_MM, tracks_px=tracks)


def _background(layout: Layout, mm_per_px: float, rng: np.random.Generator) -> Float32Array:
    """Black cloth with a white card that carries the printed bar."""
    weave = 1 + 0.25 * smooth_noise(layout.shape, 2.0, 2.0, rng)
    light = np.clip(weave, 0.2, None)[:, :, None] * np.array(CLOTH_RGB, dtype=np.float32)
    bar = bar_cover(layout, mm_per_px)[:, :, None]
    card = bar_cover(layout, mm_per_px, border_mm=CARD_BORDER_MM)[:, :, None]
    printed = CARD_WHITE + (CARD_BLACK - CARD_WHITE) * bar
    return np.asarray(light + card * (printed - light), dtype=np.float32)


def _skeleton(design: PhotographDesign, growth: Growth, part: SlabField, stains: Mapping[str, float],
              rng: np.random.Generator) -> Float32Array:
    """Reflectance of the sawn face."""
    slab = design.slab
    structure = texture(slab, part.radial_mm, part.across_mm, rng)
    bands = look_up(part.depth_mm, growth.depth_mm, growth.season_g_cm3) / np.float32(design.growth.density_g_cm3) - 1
    sigma_px = PORE_ALONG_MM / slab.mm_per_px, PORE_ACROSS_MM / slab.mm_per_px
    pores = PORE_FRAC * smooth_noise(structure.shape, *sigma_px, rng)
    brightness = 1 + pores + 0.9 * structure + 0.25 * bands + _saw_marks(design, part, rng)
    colour = brightness[:, :, None] * np.array(SKELETON_RGB, dtype=np.float32)
    tissue = np.clip(1 - part.depth_mm / design.growth.tissue_mm, 0, 1) ** 0.7 * (0.7 + 2.0 * structure)
    algae_at = 1.9 * design.growth.tissue_mm
    algae = 0.5 * np.exp(-0.5 * ((part.depth_mm - algae_at) / 1.6) ** 2) * (1 - 4 * structure)
    for amount, target in ((tissue, TISSUE_RGB), (algae, ALGAE_RGB)):
        tint = np.array(target, dtype=np.float32) / np.array(SKELETON_RGB, dtype=np.float32)
        colour *= 1 + np.clip(amount, 0, 1)[:, :, None] * (tint - 1)
    dye = _dye(design, part, stains, rng)[:, :, None]
    colour *= np.exp(-dye * np.array(DYE_ABSORBANCE_RGB, dtype=np.float32))
    return np.asarray(np.clip(colour, 0, 1), dtype=np.float32)


def _dye(design: PhotographDesign, part: SlabField, stains: Mapping[str, float],
         rng: np.random.Generator) -> Float32Array:
    """Dye concentration over the slab."""
    shape, p = part.cover.shape, design.slab.mm_per_px
    dye = np.zeros(shape, dtype=np.float32)
    for depth_mm in stains.values():
        corallite_px, broad_px = design.slab.corallite_mm / 2.5 / p, 8.0 / p
        along_px = design.slab.texture_length_mm / 2.5 / p
        patchy = 0.8 * smooth_noise(shape, along_px, corallite_px, rng)
        patchy += 0.6 * smooth_noise((1, part.x_mm.size), 0, broad_px, rng)
        strength = design.dye_strength * np.exp(design.dye_patchy_frac * patchy)
        relief = design.relief_mm * smooth_noise((1, part.x_mm.size), 0, 0.5 * corallite_px, rng)
        below = part.depth_mm - depth_mm - relief
        dye += strength * dye_concentration(below, design.dye_tail_mm).astype(np.float32)
    return dye


def _saw_marks(design: PhotographDesign, part: SlabField, rng: np.random.Generator) -> Float32Array:
    """Arcs of a circular blade across the face."""
    blade_mm = rng.uniform(90, 130)
    x0 = float(part.x_mm.mean()) + rng.uniform(-20, 20)
    y0 = float(part.y_mm.min()) - blade_mm * rng.uniform(0.2, 0.6)
    radius = np.hypot(part.x_mm - x0, part.y_mm - y0)
    step_mm = 0.05
    count = int(np.ptp(radius) / step_mm) + 2
    scratches = ndimage.gaussian_filter1d(rng.standard_normal(count), 3.0)
    profile = np.float32(design.saw_frac) * (scratches / scratches.std()).astype(np.float32)
    return np.asarray(profile[((radius - radius.min()) / step_mm).astype(np.int32)])
