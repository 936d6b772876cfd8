"""Standards: patches of known mass per area in the same image as the slab."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.density.attenuation import mass_attenuation_cm2_g
from bandkit.density.beam import Beam
from bandkit.density.grey import Patch
from bandkit.density.materials import Material, coral_skeleton
from bandkit.density.response import Response
from bandkit.density.veil import Veil
from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]

# Mean energy of the beam of usual radiographs of corals, 50 to 70 kVp behind some aluminium, as detectors see it.
USUAL_KEV = 36.0
# Least attenuation per mass (cm2/g) that standards must show: CaCO3 has 0.14 at 150 keV, noise and heel far less.
_LEAST_SLOPE_CM2_G = 0.02
# With the open beam known worse than this (natural log), one standard decides nothing.
_KNOWN_LEVEL_SD = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardSamples:
    """What was measured on the standards of one image.

    Parameters
    ----------
    areal_density_g_cm2 : ndarray, shape (n,)
        Mass per area stated for each, of its own material, along the ray.
    intensity, sd : ndarray, shape (n,)
        Intensity behind each, and the standard deviation of that mean.
    log_beam, log_beam_sd : ndarray, shape (n,)
        Logarithm of the open beam at each, and its standard deviation apart from what they have in common.
    beam_level_sd : float
        What the logarithm of the open beam may be off by at all of them together.
    labels : tuple of str
        One per standard, such as "aragonite 3.0 mm".
    materials : tuple of Material
        What each is made of; all aragonite of coral where empty.
    veil_frac : ndarray or None, shape (n,)
        Veil at each as a share of the open beam there; none where None.
    """

    areal_density_g_cm2: FloatArray
    intensity: FloatArray
    sd: FloatArray
    log_beam: FloatArray
    log_beam_sd: FloatArray
    beam_level_sd: float
    labels: tuple[str, ...]
    materials: tuple[Material, ...] = ()
    veil_frac: FloatArray | None = None

    def material(self, index: int) -> Material:
        """What a standard is made of.

        Parameters
        ----------
        index : int
            Its place among the standards.

        Returns
        -------
        Material
            Aragonite of coral where nothing else is said.
        """
        return self.materials[index] if self.materials else coral_skeleton()

    @property
    def rough_g_cm2(self) -> FloatArray:
        """Mass per area of coral that dims about as much, at the usual energy; to put different materials in order."""
        coral = float(mass_attenuation_cm2_g(coral_skeleton(), USUAL_KEV))
        of = [self.material(i) for i in range(len(self.intensity))]
        ratio = [1.0 if m.is_coral else float(mass_attenuation_cm2_g(m, USUAL_KEV)) / coral for m in of]
        return np.asarray(self.areal_density_g_cm2 * np.array(ratio))

    @property
    def veil(self) -> FloatArray:
        """Veil at each standard as a share of the open beam there."""
        return np.zeros(len(self.intensity)) if self.veil_frac is None else np.asarray(self.veil_frac)


def standard_samples(
    patches: Sequence[Patch],
    centres_px: Sequence[tuple[float, float]],
    areal_density_g_cm2: Sequence[float],
    labels: Sequence[str],
    beam: Beam,
    *,
    materials: Sequence[Material] = (),
    veil: Veil | None = None,
) -> StandardSamples:
    """Put together what is known of each standard.

    Parameters
    ----------
    patches : sequence of Patch
        Intensity measured in the box of each standard.
    centres_px : sequence of (x, y)
        Middle of each box.
    areal_density_g_cm2 : sequence of float
        Mass per area stated for each, of its own material.
    labels : sequence of str
        Names of the standards.
    beam : Beam
        The open beam.
    materials : sequence of Material
        What each is made of; all aragonite of coral where empty.
    veil : Veil, optional
        The veil over the image.

    Returns
    -------
    StandardSamples
        For `calibrate`.

    Raises
    ------
    CalibrationError
        Where there is no standard.
    """
    if not patches:
        msg = "density.standards: there are none; density needs at least one patch of known mass per area"
        raise CalibrationError(msg, reason="no-standards")
    x, y = np.array(centres_px, np.float64).T
    middle = (float(x.mean()), float(y.mean()))
    log_beam = beam.log_intensity(x, y)
    return StandardSamples(
        areal_density_g_cm2=np.array(areal_density_g_cm2, np.float64),
        intensity=np.array([p.intensity for p in patches]),
        sd=np.array([p.sd for p in patches]),
        log_beam=log_beam,
        log_beam_sd=beam.log_sd(x, y, relative_to_px=middle),
        beam_level_sd=float(beam.log_sd(*middle)),
        labels=tuple(labels),
        materials=tuple(materials),
        veil_frac=None if veil is None else veil.exposure(x, y) / np.exp(log_beam),
    )


def raise_for_standards(standards: StandardSamples, response: Response) -> None:
    """Refuse standards that cannot carry a curve.

    Parameters
    ----------
    standards : StandardSamples
        What was measured on the standards.
    response : Response
        First guess of the curve between signal and exposure.

    Raises
    ------
    CalibrationError
        For impossible numbers, standards that look alike, the wrong polarity, or a single standard without open
        beam.
    """
    areal, intensity = standards.areal_density_g_cm2, standards.intensity
    if not (np.all(np.isfinite(areal)) and np.all(areal >= 0) and np.any(areal > 0)):
        msg = f"density.standards: mass per area {areal.tolist()} g/cm2; give thickness_mm and density_g_cm3 above 0"
        raise CalibrationError(msg)
    if not np.all(np.isfinite(intensity) & (intensity > 0)):
        bad = standards.labels[int(np.argmin(np.where(np.isfinite(intensity), intensity, -np.inf)))]
        msg = (f"density.standards: no intensity behind {bad}; move its box_px onto it, or check image.dense "
               "and image.values")
        raise CalibrationError(msg)
    attenuation = standards.log_beam - response.log_exposure(intensity)
    rough = standards.rough_g_cm2
    slope = float(np.polyfit(rough, attenuation, 1)[0]) if len(areal) > 1 and np.ptp(rough) > 0 else None
    if slope is not None and abs(slope) < _LEAST_SLOPE_CM2_G:
        msg = ("density.standards: thick and thin let equally much through; do the boxes lie beside the standards, or "
               "all on one step? move each box_px onto its own")
        raise CalibrationError(msg)
    if slope is not None and slope < 0:
        msg = ("density.standards: thicker standards let more through; image.dense is likely the wrong way round, "
               "or the boxes are interchanged")
        raise CalibrationError(msg)
    if len(areal) == 1 and standards.beam_level_sd > _KNOWN_LEVEL_SD:
        msg = "density.standards: one standard and no open beam; give open_beam_px or a second standard"
        raise CalibrationError(msg)
    if np.all(attenuation <= 0) and standards.beam_level_sd <= _KNOWN_LEVEL_SD:
        msg = ("density.standards: all are brighter than the open beam; image.dense is likely the wrong way round, "
               "or open_beam_px lies on material")
        raise CalibrationError(msg)
