"""A radiograph and a photograph of one stained slab, with landmarks that tie them together.

The colony is the same in both: its growth, its shape, the days of staining. The pictures are not: each has its own
scale, and the photograph may show the slab turned, or from its other face.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bandkit.simulate import photograph as photo
from bandkit.simulate import radiograph as xray
from bandkit.simulate.photograph import PhotographDesign, simulate_photograph
from bandkit.simulate.radiograph import RadiographDesign, simulate_radiograph
from bandkit.simulate.record_text import photograph_record
from bandkit.simulate.truth import SimulatedSlab, Truth
from bandkit.simulate.write import write_simulated

FloatArray = NDArray[np.float64]
Point = tuple[float, float]

# Where landmarks lie on the slab, in parts of its width and length: pores and saw marks that a person can find again.
LANDMARKS_FRAC = ((0.12, 0.10), (0.88, 0.16), (0.80, 0.90), (0.15, 0.82), (0.45, 0.55))
PHOTOGRAPH_SUFFIX = "_P"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedPair:
    """Two pictures of one slab.

    Parameters
    ----------
    radiograph : SimulatedSlab
        Its record names the photograph and the landmarks; its tracks are those of the photograph.
    photograph : SimulatedSlab
        Its truth holds the stains, whose depths are those on the radiograph's tracks too.
    """

    radiograph: SimulatedSlab
    photograph: SimulatedSlab

    def write(self, folder: str | Path) -> Path:
        """Write both with their records; return the radiograph's record."""
        write_simulated(self.photograph, folder)
        return write_simulated(self.radiograph, folder)


def simulate_pair(design: RadiographDesign, seed: int, *, stained: PhotographDesign | None = None, turns: int = 0,
                  mirrored: bool = False, landmark_sd_mm: float = 0.2) -> SimulatedPair:
    """Simulate a radiograph and a photograph of the same stained slab.

    Parameters
    ----------
    design : RadiographDesign
        The colony and its radiograph.
    seed : int
        The same seed gives the same pair.
    stained : PhotographDesign, optional
        Dye, camera and pixel size of the photograph; colony, tracks and names are those of ``design``.
    turns : int, optional
        Quarter turns of the photograph, counter-clockwise.
    mirrored : bool, optional
        Whether the photograph shows the slab's other face.
    landmark_sd_mm : float, optional
        How far a person's landmark is off in each picture, along x and along y.

    Returns
    -------
    SimulatedPair
        Not written yet.
    """
    look = stained or PhotographDesign()
    slab = replace(design.slab, mm_per_px=look.slab.mm_per_px)
    look = replace(look, specimen=design.specimen + PHOTOGRAPH_SUFFIX, taxon=design.taxon, site=design.site,
                   growth=design.growth, slab=slab, track_offsets_mm=design.track_offsets_mm)
    below = simulate_radiograph(design, seed, colony_seed=seed)
    above = simulate_photograph(look, seed, colony_seed=seed)
    height, width = above.image.shape[:2]

    def laid(point: Point) -> Point:
        """Where a place of the upright photograph is once it is mirrored and turned."""
        x, y, w, h = point[0], point[1], width, height
        if mirrored:
            x = w - 1 - x
        for _ in range(turns % 4):
            x, y, w, h = y, w - 1 - x, h, w
        return x, y

    image = np.rot90(np.asarray(above.image, dtype=np.uint8)[:, :: -1 if mirrored else 1], turns)
    truth = _laid_truth(above.truth, laid)
    above = replace(above, image=np.ascontiguousarray(image), truth=truth,
                    record_text=photograph_record(look, above.image_file, truth))
    rng = np.random.default_rng([seed, 11])
    marks = _landmarks(design, look, below.truth, laid, landmark_sd_mm, rng)
    text = below.record_text + _stain_text(look) + _photograph_text(above.specimen, marks)
    return SimulatedPair(radiograph=replace(below, record_text=text), photograph=above)


def _laid_truth(truth: Truth, laid: Callable[[Point], Point]) -> Truth:
    """The photograph's truth once it is mirrored and turned."""
    x0, y0, x1, y1 = truth.bar_px
    tracks = []
    for track in truth.tracks:
        marks = np.array([laid(p) for p in zip(track.mark_x_px, track.mark_y_px, strict=True)]).reshape(-1, 2)
        tracks.append(replace(track, points_px=tuple(laid(p) for p in track.points_px), mark_x_px=marks[:, 0],
                              mark_y_px=marks[:, 1], surface_px=laid(track.surface_px)))
    return replace(truth, bar_px=(*laid((x0, y0)), *laid((x1, y1))), tracks=tuple(tracks))


def _landmarks(design: RadiographDesign, look: PhotographDesign, truth: Truth, laid: Callable[[Point], Point],
               sd_mm: float, rng: np.random.Generator) -> list[tuple[Point, Point]]:
    """The same places in both pictures, each off by a person's error."""
    length_mm = float(max(track.profile_depth_mm[-1] for track in truth.tracks))
    marks = []
    for across, along in LANDMARKS_FRAC:
        place = np.array([across * design.slab.width_mm, along * length_mm]) + rng.normal(0, sd_mm, (2, 2))
        here = (place[0] + np.array([xray.MARGIN_MM, xray.TOP_MM])) / design.slab.mm_per_px
        there = (place[1] + np.array([photo.MARGIN_MM, photo.TOP_MM])) / look.slab.mm_per_px
        marks.append(((float(here[0]), float(here[1])), laid((float(there[0]), float(there[1])))))
    return marks


def _stain_text(look: PhotographDesign) -> str:
    """The stainings, for the radiograph's record."""
    return "".join(f'\n[[stain]]\ndate = {day}\ndye = "alizarin red S"\n' for day in look.stained)


def _photograph_text(specimen: str, marks: list[tuple[Point, Point]]) -> str:
    """The [photograph] table."""
    lines = "\n".join(f"  {{ here_px = [{a:.1f}, {b:.1f}], there_px = [{c:.1f}, {d:.1f}] }},"
                      for (a, b), (c, d) in marks)
    return f'\n[photograph]\nrecord = "{specimen}.toml"\nlandmarks = [\n{lines}\n]\n'
