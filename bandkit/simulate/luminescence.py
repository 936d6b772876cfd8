"""Luminescence image: a slab from near a river, photographed under long-wave ultraviolet light.

Notes
-----
Bare skeleton glows blue. Humic matter that river floods bring makes it glow greener, so each flood
leaves a line that is bright in green over blue. With ``t`` the time since a flood began, the humic
signal rises fast and fades over some weeks::

    h(t) = H (t / a) exp(1 - t / a)        t > 0,   a = 0.05 yr

with a height ``H`` that differs between years, on a weak season. Emission is
``G = g0 D (1 + 0.55 h)`` and ``B = b0 D (1 + 0.12 h)``, ``D`` being how much skeleton glows (density and
texture): the ratio G / B is free of ``D`` and of the unevenness of the lamp, the single channels are not.
The mark of a year is the maximum of its flood's line.

References
----------
Isdale P (1984) Fluorescent bands in massive corals record centuries of coastal rainfall. Nature 310:578
(from memory). Grove CA et al. (2010) Coral Reefs (green over blue under ultraviolet light). Barnes DJ, Taylor RB,
Lough JM (2003): emission at 490 nm over reflectance, excited at 390 nm.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from bandkit.simulate.camera import CameraDesign, take_picture
from bandkit.simulate.colony import SlabDesign, plant
from bandkit.simulate.growth import Growth, GrowthDesign, grow
from bandkit.simulate.record_text import luminescence_record
from bandkit.simulate.scene import Layout, bar_cover, look_up, place_bar, slab_field, track_points
from bandkit.simulate.texture import smooth_noise, texture
from bandkit.simulate.truth import SimulatedSlab, Truth, track_truth

FloatArray = NDArray[np.floating]
Float32Array = NDArray[np.float32]

MARGIN_MM, TOP_MM, SIDE_MM, BOTTOM_MM = 10.0, 12.0, 22.0, 10.0
BAR_MM, BAR_WIDTH_MM = 50.0, 3.0
EMISSION_RGB = (0.10, 0.30, 0.62)
HUMIC_GAIN_RGB = (0.30, 0.55, 0.12)
FLOOD_SCALE_YR = 0.05
# A plastic scale bar glows a little, evenly.
BAR_RGB = (0.30, 0.38, 0.62)


@dataclass(frozen=True, slots=True, kw_only=True)
class LuminescenceDesign:
    """Everything that makes one luminescence image.

    Parameters
    ----------
    specimen, taxon, site : str
        Who and where.
    growth, slab, camera : GrowthDesign, SlabDesign, CameraDesign
        How it grew, was sawn and photographed.
    flood_yr, flood_spread_yr : float
        Fraction of the year at which the flood season begins, and its spread between years.
    flood_cv_frac : float
        Variation of the floods' height between years.
    track_offsets_mm : tuple of float
        Where the tracks lie across the slab, from its middle.
    """

    specimen: str = "TB-00"
    taxon: str = "Porites lutea"
    site: str = "Tarefa Bank lagoon, off the river mouth"
    growth: GrowthDesign = field(default_factory=lambda: GrowthDesign(years=11.0, extension_mm_yr=11.0))
    slab: SlabDesign = field(default_factory=lambda: SlabDesign(width_mm=52.0, texture_frac=0.09, radius_mm=220.0))
    camera: CameraDesign = field(default_factory=lambda: CameraDesign(
        light_rgb=(1.0, 1.0, 1.0), uneven_frac=0.45, blur_px=0.8, noise_frac=0.02))
    flood_yr: float = 0.10
    flood_spread_yr: float = 0.05
    flood_cv_frac: float = 0.45
    track_offsets_mm: tuple[float, ...] = (0.0,)


def simulate_luminescence(design: LuminescenceDesign, seed: int) -> SimulatedSlab:
    """Simulate one luminescence image with its record and its true answer.

    Parameters
    ----------
    design : LuminescenceDesign
        What to simulate.
    seed : int
        The same seed gives the same slab.

    Returns
    -------
    SimulatedSlab
        8-bit sRGB image (h, w, 3), record text, truth; its marks are luminescent lines.
    """
    rng = np.random.default_rng(seed)
    growth, humic = flooded(grow(design.growth, rng), design, rng)
    layout = _lay_out(design, growth.length_mm, rng)
    p = design.slab.mm_per_px
    colony = plant(design.slab, (0.5 * (layout.core_mm[0] + layout.core_mm[2]), layout.core_mm[1]), rng)
    part = slab_field(design.slab, layout, colony, rng)
    glow = part.cover * look_up(part.depth_mm, growth.depth_mm, growth.density_g_cm3 / design.growth.density_g_cm3)
    glow *= 1 + texture(design.slab, part.radial_mm, part.across_mm, rng)
    greener = look_up(part.depth_mm, growth.depth_mm, humic)
    greener *= 1 + 0.15 * smooth_noise(greener.shape, 2.0 / p, 0.5 / p, rng)
    light = np.full((*layout.shape, 3), 0.004, dtype=np.float32)
    light += bar_cover(layout, p)[:, :, None] * np.array(BAR_RGB, dtype=np.float32)
    gain = np.array(HUMIC_GAIN_RGB, dtype=np.float32)
    emission = np.array(EMISSION_RGB, dtype=np.float32) * (1 + greener[:, :, None] * gain)
    light[part.rows, part.cols] += glow[:, :, None] * emission
    tracks = tuple(track_truth(growth, colony, points, name=chr(ord("A") + i), mm_per_px=p)
                   for i, points in enumerate(layout.tracks_px))
    truth = Truth(specimen=design.specimen, kind="luminescence", mm_per_px=p, bar_px=layout.bar_px, bar_mm=BAR_MM,
                  tissue_mm=design.growth.tissue_mm, tracks=tracks, settings={"seed": seed, **asdict(design)})
    image_file = f"{design.specimen}_uv.png"
    text = luminescence_record(design, image_file, truth, mark_date=growth.mark_date)
    return SimulatedSlab(specimen=design.specimen, image_file=image_file, image=take_picture(light, design.camera, rng),
                         record_text=text, truth=truth)


def flooded(growth: Growth, design: LuminescenceDesign, rng: np.random.Generator) -> tuple[Growth, FloatArray]:
    """Let the river flood once a year.

    Parameters
    ----------
    growth : Growth
        What grew.
    design : LuminescenceDesign
        When and how strongly it floods.
    rng : numpy.random.Generator
        Source of the years' differences.

    Returns
    -------
    growth : Growth
        The same growth with luminescent lines as its marks.
    humic : ndarray, shape (n,)
        Humic signal at ``growth.depth_mm``; about 1 on the line of a common flood.
    """
    years = np.arange(np.floor(growth.formed_yr[-1]), np.ceil(growth.formed_yr[0]))
    starts = years + design.flood_yr + design.flood_spread_yr * rng.standard_normal(years.size).clip(-2, 2)
    sd = float(np.sqrt(np.log1p(design.flood_cv_frac**2)))
    heights = np.exp(sd * rng.standard_normal(years.size) - 0.5 * sd**2)
    humic = 0.15 * (1 + np.cos(2 * np.pi * (growth.formed_yr - design.flood_yr - FLOOD_SCALE_YR)))
    for start, height in zip(starts, heights, strict=True):
        since = np.clip((growth.formed_yr - start) / FLOOD_SCALE_YR, 0, None)
        humic += height * since * np.exp(1 - since)
    peaks = starts + FLOOD_SCALE_YR
    depths = np.interp(-peaks, -growth.formed_yr, growth.depth_mm)
    inside = (peaks < growth.formed_yr[0]) & (depths < growth.length_mm) & (depths > 0)
    newest_first = np.argsort(depths[inside])
    day = date(2001, 1, 1) + timedelta(days=int(365 * (design.flood_yr + FLOOD_SCALE_YR)))
    return replace(growth, mark_depth_mm=depths[inside][newest_first], mark_formed_yr=peaks[inside][newest_first],
                   mark_year=years[inside][newest_first].astype(np.int_), mark_date=(day.month, day.day)), humic


def _lay_out(design: LuminescenceDesign, length_mm: float, rng: np.random.Generator) -> Layout:
    """Place slab, bar and tracks."""
    p = design.slab.mm_per_px
    core = (MARGIN_MM, TOP_MM, MARGIN_MM + design.slab.width_mm, TOP_MM + length_mm)
    height_mm = max(core[3] + BOTTOM_MM, BAR_MM + 24.0)
    shape = (int(np.ceil(height_mm / p)), int(np.ceil((core[2] + SIDE_MM) / p)))
    bar_px = place_bar((core[2] + 0.5 * SIDE_MM, 14.0 + 0.5 * BAR_MM), BAR_MM, p, rng)
    tracks = tuple(track_points(design.slab, core, offset) for offset in design.track_offsets_mm)
    return Layout(shape=shape, core_mm=core, bar_px=bar_px, bar_width_mm=BAR_WIDTH_MM, tracks_px=tracks)
