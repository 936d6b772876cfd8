"""What carries the bands in an image: from grey or colour to the signal that is measured.

In a radiograph it is mass per area (attenuation where there are no standards), so that
exposure and polarity do not matter; in a picture under ultraviolet light the ratio of
green to blue; in a plain photograph the brightness. Pure functions and frozen
objects: pixels come in as arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from bandkit.density import (
    Beam,
    Calibration,
    MeasuredStandards,
    ObliquePath,
    Patch,
    Response,
    Veil,
    known_material,
    material_density_g_cm3,
    measure_patch,
    transmitted_intensity,
)
from bandkit.density.materials import CORAL_STRONTIUM_WT_PCT
from bandkit.errors import CalibrationError
from bandkit.flags import Flag
from bandkit.luminescence import luminescence_index
from bandkit.record import DensitySpec, StandardSpec
from bandkit.record.model import Dense, Values
from bandkit.record.model_density import Box
from bandkit.stain import linear_light

FloatArray = NDArray[np.float64]

AS_IT_IS = Response(form="linear", unit=1.0)
"""A signal that is the exposure."""
SQUARE = ObliquePath()
"""Rays that all run square to the slab."""


class Carrier(Protocol):
    """Turns a straightened strip into the signal that carries the bands.

    Arguments go by position: not every carrier needs to know the place, or the greys beside the signal.
    """

    @property
    def unit(self) -> str:
        """What the signal is, with its unit."""

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Doubts about it."""

    @property
    def methods(self) -> tuple[str, ...]:
        """Sentences for the methods paragraph."""

    def signal(self, values: FloatArray, x_px: FloatArray, y_px: FloatArray, /) -> FloatArray:
        """Signal on a strip, larger where there is more of what the mark is a maximum of."""

    def presence(self, values: FloatArray, signal: FloatArray, /) -> FloatArray:
        """What tells skeleton from background, given the strip and its signal."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Radiography:
    """A radiograph (or a slice of a CT scan): greys to attenuation and mass per area.

    Parameters
    ----------
    dense : {"bright", "dark"}
        Whether denser looks brighter or darker.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in.
    full_scale : float
        Largest grey that the image can hold.
    beam : Beam
        The open beam over the image.
    calibration : Calibration or None
        None where there are no standards: the signal is then attenuation.
    flags : tuple of Flag
        Doubts.
    response : Response
        Curve between intensity and exposure by which beam and veil were found.
    veil : Veil or None
        Scattered rays and spread light; None where none was looked for.
    path : ObliquePath
        How much longer oblique rays run through the slab.
    """

    dense: Dense
    values: Values
    full_scale: float
    beam: Beam
    calibration: Calibration | None
    flags: tuple[Flag, ...]
    response: Response = AS_IT_IS
    veil: Veil | None = None
    path: ObliquePath = SQUARE

    @property
    def unit(self) -> str:
        """What the signal is, with its unit."""
        return "mass per area (g/cm2)" if self.calibration else "attenuation (natural logarithm)"

    @property
    def methods(self) -> tuple[str, ...]:
        """Sentences for the methods paragraph."""
        beam = self.beam.method or "The fall-off of the beam was not corrected."
        if self.calibration is None:
            return (beam, "Marks were looked for in attenuation; no density was derived.")
        summary = self.calibration.summary(self.beam, self.veil)
        return (summary.beam_method or beam, summary.method)

    def intensity(self, grey: FloatArray) -> FloatArray:
        """Intensity that arrived, from greys."""
        return np.asarray(transmitted_intensity(grey, dense=self.dense, values=self.values, full_scale=self.full_scale))

    def signal(self, values: FloatArray, x_px: FloatArray, y_px: FloatArray, /) -> FloatArray:
        """Mass per area in g/cm2, square to the slab, or attenuation."""
        log_beam = self.beam.log_intensity(x_px, y_px)
        intensity = self.intensity(values)
        veil = self.veil.exposure(x_px, y_px) if self.veil is not None else 0.0
        if self.calibration is not None:
            return self.calibration.areal_density_g_cm2(intensity, log_beam, veil) / self.path.longer(x_px, y_px)
        straight = np.exp(self.response.log_exposure(intensity)) - veil
        return np.asarray(log_beam - np.log(np.maximum(straight, 1e-5 * np.exp(log_beam))))

    def beam_log_sd(
        self, x_px: FloatArray, y_px: FloatArray, areal_g_cm2: FloatArray, *, relative_to_px: tuple[float, float]
    ) -> FloatArray:
        """Standard deviation of the logarithm of exposure at some places, for beam and veil, against the standards."""
        beam_sd = self.beam.log_sd(x_px, y_px, relative_to_px=relative_to_px)
        if self.veil is None or self.calibration is None:
            return beam_sd
        log_beam = self.beam.log_intensity(x_px, y_px)
        straight = np.exp(log_beam - self.calibration.curve.coral_attenuation(np.nan_to_num(areal_g_cm2)))
        there = float(self.beam.log_intensity(*relative_to_px))
        veil_sd = self.veil.log_sd(
            x_px, y_px, straight, log_beam, relative_to_px=relative_to_px, log_beam_there=there
        )
        return np.hypot(beam_sd, veil_sd)

    def presence(self, _values: FloatArray, signal: FloatArray, /) -> FloatArray:
        """The signal itself: it is zero in the open beam."""
        return signal


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Luminescence:
    """A picture under ultraviolet light: green over blue, free of illumination.

    Parameters
    ----------
    full_scale : float
        Native value of white.
    flags : tuple of Flag
        Doubts.
    """

    full_scale: float
    flags: tuple[Flag, ...] = ()

    @property
    def unit(self) -> str:
        """What the signal is, with its unit."""
        return "luminescence index (green over blue)"

    @property
    def methods(self) -> tuple[str, ...]:
        """Sentences for the methods paragraph."""
        return (
            "Luminescence was measured as the ratio of linear green to blue (after Grove et al. 2010), which is "
            "free of the illumination.",
        )

    def signal(self, values: FloatArray, _x_px: FloatArray, _y_px: FloatArray, /) -> FloatArray:
        """Luminescence index."""
        return np.asarray(luminescence_index(values, full_scale=self.full_scale))

    def presence(self, values: FloatArray, _signal: FloatArray, /) -> FloatArray:
        """Brightness."""
        return brightness_of(values, self.full_scale)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Brightness:
    """A photograph: brightness, as it is.

    Parameters
    ----------
    full_scale : float
        Native value of white.
    flags : tuple of Flag
        Doubts.
    """

    full_scale: float
    flags: tuple[Flag, ...] = ()

    @property
    def unit(self) -> str:
        """What the signal is, with its unit."""
        return "brightness (linear light)"

    @property
    def methods(self) -> tuple[str, ...]:
        """Sentences for the methods paragraph."""
        return ()

    def signal(self, values: FloatArray, _x_px: FloatArray, _y_px: FloatArray, /) -> FloatArray:
        """Mean of the channels in linear light: half the light is half way up an edge, half the code is not."""
        return brightness_of(values, self.full_scale)

    def presence(self, _values: FloatArray, signal: FloatArray, /) -> FloatArray:
        """Mean of the channels."""
        return signal


def brightness_of(values: FloatArray, full_scale: float) -> FloatArray:
    """Mean of the channels of a colour strip in linear light; greys as they are.

    Parameters
    ----------
    values : ndarray, shape (n_depth, n_across) or (n_depth, n_across, 3)
        Native values.
    full_scale : float
        Native value of white.

    Returns
    -------
    ndarray, shape (n_depth, n_across)
        Light from 0 to 1 for colour, native values for grey.
    """
    if values.ndim == 2:
        return values
    return np.asarray(linear_light(values, full_scale=full_scale).mean(axis=-1))


def guess_dense(overview: FloatArray, step_px: float, tracks_px: Sequence[Sequence[tuple[float, float]]]) -> Dense:
    """Guess the polarity: a track begins in the open beam and goes on in skeleton.

    Parameters
    ----------
    overview : ndarray, shape (h, w)
        Reduced image.
    step_px : float
        Image pixels per value.
    tracks_px : sequence of sequence of (x, y)
        Drawn points, the first outside the surface.

    Returns
    -------
    {"bright", "dark"}
        "dark" where the beginning is brighter than the rest.
    """
    differences = []
    for points in tracks_px:
        along = np.asarray(points, float) / step_px
        t = np.linspace(0.0, len(along) - 1.0, 200)
        x, y = (np.interp(t, np.arange(len(along)), along[:, k]) for k in (0, 1))
        rows = np.clip(np.rint(y).astype(int), 0, overview.shape[0] - 1)
        cols = np.clip(np.rint(x).astype(int), 0, overview.shape[1] - 1)
        grey = overview[rows, cols]
        differences.append(float(grey[0] - np.median(grey)))
    return "dark" if np.median(differences) > 0 else "bright"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxPixels:
    """Pixels of a box on the image.

    Parameters
    ----------
    box_px : tuple of float
        ``x0, y0, x1, y1``.
    grey : ndarray, shape (h, w)
        Its pixels.
    x0_px, y0_px : int
        Position of its first pixel.
    """

    box_px: Box
    grey: NDArray[np.generic]
    x0_px: int
    y0_px: int


def measured_standards(spec: DensitySpec, patches: Sequence[Patch], path: ObliquePath) -> MeasuredStandards:
    """Put together what the record says of the standards and what was measured.

    Parameters
    ----------
    spec : DensitySpec
        Standards as the record states them.
    patches : sequence of Patch
        What was measured in their boxes, in the same order.
    path : ObliquePath
        How much longer oblique rays run through them.

    Returns
    -------
    MeasuredStandards
        With mass per area along the ray.
    """
    centres = [((s.box_px[0] + s.box_px[2]) / 2, (s.box_px[1] + s.box_px[3]) / 2) for s in spec.standards]
    areal = [standard_areal_g_cm2(s) * float(path.longer(*at)) for s, at in zip(spec.standards, centres, strict=True)]
    return MeasuredStandards(
        patches=tuple(patches),
        centres_px=tuple(centres),
        areal_g_cm2=tuple(areal),
        materials=tuple(known_material(s.material, strontium_wt_pct=s.strontium_wt_pct) for s in spec.standards),
        labels=tuple(f"{s.material} {s.thickness_mm:g} mm" for s in spec.standards),
        effective_kev=spec.effective_kev,
        strontium_wt_pct=CORAL_STRONTIUM_WT_PCT if spec.strontium_wt_pct is None else spec.strontium_wt_pct,
    )


def standard_areal_g_cm2(standard: StandardSpec) -> float:
    """Mass per area of a standard, in g/cm2 of its own material.

    Parameters
    ----------
    standard : StandardSpec
        Material, thickness and density.

    Returns
    -------
    float
        Density times thickness.

    Raises
    ------
    CalibrationError
        For a material that is not known, or has no one density and none is given.
    """
    density = standard.density_g_cm3 or material_density_g_cm3(standard.material)
    return density * standard.thickness_mm / 10.0


def patch_of(box: BoxPixels, *, dense: Dense, values: Values, full_scale: float) -> Patch:
    """Mean intensity of a box.

    Parameters
    ----------
    box : BoxPixels
        The box with its pixels.
    dense : {"bright", "dark"}
        Whether denser looks brighter or darker.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in.
    full_scale : float
        Largest grey that the image can hold.

    Returns
    -------
    Patch
        Its mean, and how well that is known.

    Raises
    ------
    CalibrationError
        Where the box holds no numbers.
    """
    intensity = transmitted_intensity(box.grey, dense=dense, values=values, full_scale=full_scale)
    if not np.isfinite(intensity).any():
        msg = f"density.standards: box_px = {list(box.box_px)} holds no numbers; move it, or mend the image there"
        raise CalibrationError(msg)
    return measure_patch(intensity)
