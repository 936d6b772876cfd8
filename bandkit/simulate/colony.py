"""A slab sawn from the simulated coral: where each pixel lies in the growth of the colony.

Notes
-----
The colony is a dome that grows outwards from a point, so former surfaces (isochrons) are
concentric circles with growth bumps on them. At a point of the slab, in millimetres::

    r = distance from the centre of growth       v = R * (angle from the growth axis)
    depth u = R - r + sum_k a_k sin(2 pi v / L_k + p_k + 2 pi r / M_k)

with ``R`` the radius of the living surface, bumps of amplitude ``a_k`` and length ``L_k``, which
wander slowly (``M_k``) as the colony grows. ``u`` is the depth below the surface along the growth
axis, so the density of a pixel is the growth axis' density at ``u``, and a mark crosses a
track exactly where ``u`` equals the mark's depth. Corallites follow ``r`` at constant ``v``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]
@dataclass(frozen=True, slots=True, kw_only=True)
class SlabDesign:
    """Shape and structure of the slab.

    Parameters
    ----------
    width_mm : float
        Width of the core or slab.
    thickness_mm, wedge_frac : float
        Mean slab thickness, and how much it changes from the left to the right edge.
    radius_mm : float
        Radius of the living surface.
    tilt_deg : float
        Angle between the core and the growth axis: the bands lie obliquely in the core.
    bump_mm, bump_length_mm : float
        Amplitude and length of growth bumps.
    texture_frac : float
        Standard deviation of the skeleton's texture on columns one pixel wide, as a fraction of density.
    corallite_mm, texture_length_mm : float
        Width of a corallite; length over which texture keeps its sign along growth.
    borings : int
        Number of bored tubes.
    mm_per_px : float
        Pixel size.
    track_tilt_deg : float
        Angle of the drawn track against the core.
    """

    width_mm: float = 65.0
    thickness_mm: float = 6.5
    wedge_frac: float = 0.01
    radius_mm: float = 250.0
    tilt_deg: float = 3.0
    bump_mm: float = 0.8
    bump_length_mm: float = 28.0
    texture_frac: float = 0.10
    corallite_mm: float = 1.3
    texture_length_mm: float = 3.0
    borings: int = 0
    mm_per_px: float = 0.1
    track_tilt_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colony:
    """Geometry of growth in the millimetre frame of an image.

    Parameters
    ----------
    centre_mm : tuple of float
        Centre of growth, x right and y down.
    radius_mm : float
        Radius of the living surface.
    bump_mm, bump_length_mm, bump_phase, bump_drift_mm : ndarray, shape (n_bumps,)
        Growth bumps: amplitude, length, phase in radians, radial distance of one full turn of phase.
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    bump_mm: FloatArray
    bump_length_mm: FloatArray
    bump_phase: FloatArray
    bump_drift_mm: FloatArray

    def polar(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the distance from the centre of growth and the arc across growth.

        Parameters
        ----------
        x_mm, y_mm : ndarray
            Positions; broadcast together.

        Returns
        -------
        radial_mm, across_mm : ndarray
            Distance from the centre; arc from the growth axis, on the living surface.
        """
        dx, dy = x_mm - self.centre_mm[0], self.centre_mm[1] - y_mm
        return np.hypot(dx, dy), self.radius_mm * np.arctan2(dx, dy)

    def depth_mm(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Give the depth below the living surface along the growth axis; negative outside.

        Parameters
        ----------
        x_mm, y_mm : ndarray
            Positions; broadcast together.

        Returns
        -------
        ndarray
            Depth ``u`` of the module's equation.
        """
        return self.depth_at(*self.polar(x_mm, y_mm))

    def depth_at(self, radial_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
        """Give the depth from the two coordinates that `polar` gives.

        Parameters
        ----------
        radial_mm, across_mm : ndarray
            As from `polar`.

        Returns
        -------
        ndarray
            Depth ``u`` of the module's equation.
        """
        depth = self.radius_mm - radial_mm
        # Plain floats keep a single-precision image single.
        bumps = zip(*(b.tolist() for b in (self.bump_mm, self.bump_length_mm, self.bump_phase, self.bump_drift_mm)),
                    strict=True)
        for height, length, phase, drift in bumps:
            angle = across_mm * (2 * np.pi / length) + radial_mm * (2 * np.pi / drift) + phase
            depth = depth + height * np.sin(angle)
        return depth

    def normal(self, x_mm: FloatArray, y_mm: FloatArray, step_mm: float = 0.01) -> tuple[FloatArray, FloatArray]:
        """Give the unit vector square to the bands, pointing to older skeleton.

        Parameters
        ----------
        x_mm, y_mm : ndarray, shape (n,)
            Positions.
        step_mm : float, optional
            Step of the central differences.

        Returns
        -------
        nx, ny : ndarray, shape (n,)
            Components of the unit vector.
        """
        gx = self.depth_mm(x_mm + step_mm, y_mm) - self.depth_mm(x_mm - step_mm, y_mm)
        gy = self.depth_mm(x_mm, y_mm + step_mm) - self.depth_mm(x_mm, y_mm - step_mm)
        size = np.hypot(gx, gy)
        return gx / size, gy / size


def plant(design: SlabDesign, top_mm: tuple[float, float], rng: np.random.Generator) -> Colony:
    """Set a colony so that its living surface passes near a point of the image.

    Parameters
    ----------
    design : SlabDesign
        Radius, tilt and bumps.
    top_mm : tuple of float
        Where the middle of the core meets the surface, but for the bumps.
    rng : numpy.random.Generator
        Source of the bumps' phases.

    Returns
    -------
    Colony
        Geometry of growth.
    """
    tilt = np.deg2rad(design.tilt_deg)
    centre = (top_mm[0] + design.radius_mm * float(np.sin(tilt)), top_mm[1] + design.radius_mm * float(np.cos(tilt)))
    count = 3
    lengths = design.bump_length_mm * np.array([1.9, 1.0, 0.6]) * rng.uniform(0.85, 1.15, count)
    heights = design.bump_mm * np.array([0.7, 0.6, 0.3])
    return Colony(centre_mm=centre, radius_mm=design.radius_mm, bump_mm=heights, bump_length_mm=lengths,
                  bump_phase=rng.uniform(0, 2 * np.pi, count), bump_drift_mm=rng.uniform(200, 400, count))
