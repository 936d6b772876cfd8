"""The X-ray beam and the detector: from mass per area to grey values.

Notes
-----
One effective energy stands for the tube's spectrum. With mass per area ``m`` (g/cm2), the photons that
arrive in a pixel are::

    N = N0 B(x, y) exp(-mu m / cos(theta))        N0 B <- heel(x or y) * cos(theta)^3

with ``mu`` the mass attenuation coefficient of CaCO3, ``theta`` the angle of the ray from the beam's
centre (``tan theta = r / source distance``): intensity falls with ``cos^3`` on a flat detector and the
ray's path through the slab is longer by ``1 / cos``. The heel effect is a smooth fall of
intensity towards the anode. Counting noise has the variance ``N``; the detector blurs by a Gaussian;
the grey value is linear in ``N`` with an offset, or full scale minus that where dense is bright.

Left out: the spectrum (beam hardening), scatter that follows the object, and magnification
(the scale bar lies at the slab's height).

References
----------
Beer-Lambert law and geometry: physics. Mass attenuation: `bandkit.density.mass_attenuation_cm2_g`.
Heel effect of about +/-12 % on large films: common in radiography manuals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from bandkit.density import mass_attenuation_cm2_g

FloatArray = NDArray[np.floating]

FULL_SCALE = 65535
# Two millimetres of lead stop all but a trace of the beam.
LEAD_TRANSMISSION = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamDesign:
    """Beam, detector and how the greys are stored.

    Parameters
    ----------
    effective_kev : float
        Effective energy of the beam.
    heel_frac : float
        Loss of intensity from the cathode's edge of the image to the anode's.
    heel_axis : {"x", "y"}
        Image axis that the anode-cathode direction follows.
    source_to_detector_mm : float
        Distance of the source.
    photons_per_px : float
        Photons per pixel in the open beam at its brightest; infinite for no noise.
    blur_px : float
        Standard deviation of the detector's blur.
    offset_frac, open_frac : float
        Grey without any beam, and grey of the open beam above it, as fractions of full scale.
    bits : int
        Grey levels of the detector; stored spread over 16 bits.
    dense : {"bright", "dark"}
        Whether dense is stored bright (full scale minus intensity) or dark.
    """

    effective_kev: float = 40.0
    heel_frac: float = 0.12
    heel_axis: Literal["x", "y"] = "y"
    source_to_detector_mm: float = 1200.0
    photons_per_px: float = 20000.0
    blur_px: float = 0.7
    offset_frac: float = 0.02
    open_frac: float = 0.85
    bits: int = 14
    dense: Literal["bright", "dark"] = "bright"

    @property
    def attenuation_cm2_g(self) -> float:
        """Mass attenuation coefficient of CaCO3 at the effective energy, in cm2/g."""
        return float(mass_attenuation_cm2_g("calcium carbonate", self.effective_kev))


def beam_profile(design: BeamDesign, shape: tuple[int, int], mm_per_px: float) -> tuple[FloatArray, FloatArray]:
    """Relative intensity of the open beam, and how much longer the rays' paths are.

    Parameters
    ----------
    design : BeamDesign
        Heel and distance.
    shape : tuple of int
        Rows and columns.
    mm_per_px : float
        Pixel size.

    Returns
    -------
    intensity, path : ndarray, shape (h, w)
        1 at the brightest; ``1 / cos(theta)``.
    """
    height, width = shape
    y = np.arange(height, dtype=np.float32)[:, None]
    x = np.arange(width, dtype=np.float32)[None, :]
    r2 = ((y - height / 2) ** 2 + (x - width / 2) ** 2) * mm_per_px**2
    path = np.sqrt(1 + r2 / np.float32(design.source_to_detector_mm**2))
    towards_anode = y / height if design.heel_axis == "y" else x / width
    # The fall steepens towards the anode.
    heel = 1 - design.heel_frac * (0.4 * towards_anode + 0.6 * towards_anode**2)
    intensity = heel / path**3
    return intensity / intensity.max(), path


def expose(mass_g_cm2: FloatArray, blocked_frac: FloatArray, design: BeamDesign, *, mm_per_px: float,
           rng: np.random.Generator) -> NDArray[np.uint16]:
    """Take the radiograph of a field of mass per area.

    Parameters
    ----------
    mass_g_cm2 : ndarray, shape (h, w)
        Mass per area of everything in the beam, as CaCO3.
    blocked_frac : ndarray, shape (h, w)
        Share of each pixel that lies under lead, which stops the beam.
    design : BeamDesign
        Beam, detector, storage.
    mm_per_px : float
        Pixel size.
    rng : numpy.random.Generator
        Source of the counting noise.

    Returns
    -------
    ndarray of uint16, shape (h, w)
        Grey values.
    """
    intensity, path = beam_profile(design, mass_g_cm2.shape, mm_per_px)
    arrived = intensity * np.exp(-design.attenuation_cm2_g * mass_g_cm2 * path, dtype=np.float32)
    arrived *= 1 - (1 - LEAD_TRANSMISSION) * blocked_frac
    if design.blur_px > 0:
        arrived = ndimage.gaussian_filter(arrived, design.blur_px, truncate=3.0)
    if np.isfinite(design.photons_per_px):
        arrived += np.sqrt(arrived / design.photons_per_px) * rng.standard_normal(arrived.shape, dtype=np.float32)
    step = 2 ** (16 - design.bits)
    level = np.rint((FULL_SCALE / step) * (design.offset_frac + design.open_frac * arrived))
    grey = step * np.minimum(level, 2**design.bits - 1)
    if design.dense == "bright":
        grey = FULL_SCALE - grey
    return np.asarray(np.clip(grey, 0, FULL_SCALE), dtype=np.uint16)
