"""Density along a track, and everything that it may be off by."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.carrier import Radiography
from bandkit.density import Calibration, EvenThickness, Thickness, drift_flags, slab_density_g_cm3
from bandkit.density.hounsfield import HounsfieldCurve
from bandkit.flags import Flag
from bandkit.follow import AlignedStrip, BandField, align_bands
from bandkit.growth import ErrorSources
from bandkit.record import Record
from bandkit.tomography import Tomography
from bandkit.tracks.cut import SlabImage, TrackStrip

FloatArray = NDArray[np.float64]

# Tilt out of the plane of the slab, which a careful saw cut still leaves, and of the followed bands in it.
TILT_SD_DEG = 4.0
# Fewer samples tell nothing of the noise; it hangs together over less than this.
LEAST_NOISE_SAMPLES = 50
MOST_NOISE_MM = 15.0
# Two tracks beside each other tell little of what a third would give.
LEAST_BESIDE = 3
# A track beside this one counts where most of its width shows skeleton.
BESIDE_KNOWN_FRAC = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackDensity:
    """Density along one track.

    Parameters
    ----------
    density_g_cm3 : ndarray or None, shape (n_depth,)
        Averaged along the bands over the track's width; None without standards or thickness.
    beside_g_cm3 : ndarray or None, shape (n_beside, n_depth)
        The same on tracks beside this one, as wide; on its two halves where the slab is too narrow for more.
    beside_variance_frac : float
        Variance by texture of this track over that of one beside it: one half where those are its own halves.
    errors : ErrorSources
        What it, and the scale, may be off by.
    flags : tuple of Flag
        Doubts.
    """

    density_g_cm3: FloatArray | None
    beside_g_cm3: FloatArray | None
    beside_variance_frac: float
    errors: ErrorSources
    flags: tuple[Flag, ...]


def track_density(slab: SlabImage, record: Record, strip: TrackStrip, field: BandField, aligned: AlignedStrip, *,
                  width_mm: float) -> TrackDensity:
    """Density along a track, what it may be off by, and doubts.

    Parameters
    ----------
    slab : SlabImage
        The image with its calibration and thickness.
    record : Record
        What a person knows of the slab.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.
    aligned : AlignedStrip
        Mass per area with the bands level.
    width_mm : float
        Width of the track.

    Returns
    -------
    TrackDensity
        Without a density where there are no standards or no thickness.
    """
    errors = ErrorSources(scale_sd_frac=slab.scale.sd_frac, tilt_sd_deg=TILT_SD_DEG, surface_sd_mm=strip.surface.sd_mm)
    carrier = slab.carrier
    if isinstance(carrier, Tomography) and carrier.curve is not None:
        return _in_scan(carrier.curve, aligned, strip, errors, width_mm=width_mm)
    if not isinstance(carrier, Radiography) or carrier.calibration is None or record.density is None:
        return _no_density(errors)
    if slab.thickness is None:
        return _no_density(errors, Flag(code="no-thickness"))
    centre = int(np.argmin(np.abs(strip.across_mm)))
    x_px, y_px = strip.x_px[:, centre], strip.y_px[:, centre]
    thickness = slab.thickness.at_mm(x_px, y_px)
    if not np.isfinite(thickness).any():
        return _no_density(errors, *slab.thickness.flags(x_px, y_px))
    dense = _over_thickness(aligned, strip, field, slab.thickness)
    density = dense.mean(width_mm, weighted=False)[0]
    usual_mm = float(np.nanmedian(thickness))
    areal = density * np.where(np.isfinite(thickness), thickness, usual_mm) / 10.0
    calibration_sd, beam_sd = _calibration_errors(
        carrier, carrier.calibration, areal, x_px, y_px, middle_of_standards(record)
    )
    noise_sd, noise_length_mm = _noise(dense, strip.depth_mm, width_mm)
    errors = replace(
        errors,
        thickness_sd_frac=np.nan_to_num(slab.thickness.sd_mm(x_px, y_px) / thickness),
        density_calibration_sd_g_cm3=slab_density_g_cm3(calibration_sd, usual_mm),
        density_beam_sd_g_cm3=slab_density_g_cm3(beam_sd, usual_mm),
        density_noise_sd_g_cm3=noise_sd,
        density_noise_length_mm=noise_length_mm,
    )
    flags = _flags(carrier, carrier.calibration, record, slab.thickness, areal=areal, x_px=x_px, y_px=y_px)
    beside, share = _beside(dense, width_mm)
    return TrackDensity(density_g_cm3=density, beside_g_cm3=beside, beside_variance_frac=share, errors=errors,
                        flags=tuple(flags))


def _no_density(errors: ErrorSources, *flags: Flag) -> TrackDensity:
    """Nothing but what the lengths are off by."""
    return TrackDensity(density_g_cm3=None, beside_g_cm3=None, beside_variance_frac=1.0, errors=errors, flags=flags)


def _in_scan(curve: HounsfieldCurve, aligned: AlignedStrip, strip: TrackStrip, errors: ErrorSources, *,
             width_mm: float) -> TrackDensity:
    """Density along a track of a scan, of which every sample is one."""
    density = aligned.mean(width_mm, weighted=False)[0]
    noise_sd, noise_length_mm = _noise(aligned, strip.depth_mm, width_mm)
    errors = replace(errors, density_calibration_sd_g_cm3=curve.density_sd_g_cm3(density),
                     density_noise_sd_g_cm3=noise_sd, density_noise_length_mm=noise_length_mm)
    beside, share = _beside(aligned, width_mm)
    return TrackDensity(density_g_cm3=density, beside_g_cm3=beside, beside_variance_frac=share, errors=errors,
                        flags=curve.flags(density))


def _over_thickness(aligned: AlignedStrip, strip: TrackStrip, field: BandField, thickness: Thickness) -> AlignedStrip:
    """Mass per area over the thickness of the place where it was measured."""
    if isinstance(thickness, EvenThickness):
        return replace(aligned, values=slab_density_g_cm3(aligned.values, thickness.thickness_mm))
    at_mm = align_bands(thickness.at_mm(strip.x_px, strip.y_px), strip.depth_mm, strip.across_mm, field).values
    known = np.isfinite(at_mm)
    values = np.where(known, aligned.values / np.where(known, at_mm / 10.0, 1.0), np.nan)
    return replace(aligned, values=values, weight=np.where(known, aligned.weight, 0.0))


def _calibration_errors(
    carrier: Radiography, calibration: Calibration, areal_g_cm2: FloatArray, x_px: FloatArray, y_px: FloatArray,
    standards_px: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """What mass per area is off by because of the curve, and because of the beam."""
    log_beam = carrier.beam.log_intensity(x_px, y_px)
    beam_log_sd = carrier.beam_log_sd(x_px, y_px, areal_g_cm2, relative_to_px=standards_px)
    curve = calibration.areal_density_sd_g_cm2(areal_g_cm2, log_beam=log_beam)
    both = calibration.areal_density_sd_g_cm2(areal_g_cm2, log_beam=log_beam, beam_log_sd=beam_log_sd)
    return curve, np.sqrt(np.maximum(both**2 - curve**2, 0.0))


def _flags(
    carrier: Radiography, calibration: Calibration, record: Record, thickness: Thickness, *, areal: FloatArray,
    x_px: FloatArray, y_px: FloatArray,
) -> list[Flag]:
    """Doubts about calibration, beam and thickness under the track."""
    every = slice(None, None, max(len(x_px) // 100, 1))
    at = (x_px[every], y_px[every])
    usual_mm = float(np.nanmedian(thickness.at_mm(*at)))
    beam = carrier.beam.flags(
        *at,
        relative_to_px=middle_of_standards(record),
        attenuation_cm2_g=calibration.attenuation_cm2_g,
        thickness_mm=usual_mm,
    )
    drift = drift_flags(areal, usual_mm) if isinstance(thickness, EvenThickness) else ()
    return [*calibration.flags(areal), *beam, *thickness.flags(*at), *drift]


def middle_of_standards(record: Record) -> tuple[float, float]:
    """Mean position of the standards' boxes.

    Parameters
    ----------
    record : Record
        With standards.

    Returns
    -------
    tuple of float
        x and y in pixels; there the beam is known best.
    """
    boxes = np.array([s.box_px for s in record.density.standards]) if record.density else np.zeros((1, 4))
    return float(boxes[:, [0, 2]].mean()), float(boxes[:, [1, 3]].mean())


def _beside(dense: AlignedStrip, width_mm: float) -> tuple[FloatArray, float]:
    """Density on tracks side by side over the slab, each as wide as this one, which is among them.

    On the two halves of this one where the slab is too narrow; then with one half as the second value.
    """
    reach_mm = min(-float(dense.across_mm[0]), float(dense.across_mm[-1]))
    if width_mm > 0 and 2 * reach_mm >= LEAST_BESIDE * width_mm:
        n_side = int((max(-float(dense.across_mm[0]), float(dense.across_mm[-1])) / width_mm - 0.5) + 1e-9)
        middles_mm, width, share = np.arange(-n_side, n_side + 1) * width_mm, width_mm, 1.0
    else:
        middles_mm, width, share = np.array([-0.25, 0.25]) * width_mm, width_mm / 2, 0.5
    profiles = []
    for middle_mm in middles_mm:
        moved = replace(dense, across_mm=dense.across_mm - middle_mm)
        profile, known_frac = moved.mean(width, weighted=False)
        profiles.append(np.where(known_frac >= BESIDE_KNOWN_FRAC, profile, np.nan))
    return np.stack(profiles), share


def _noise(dense: AlignedStrip, depth_mm: FloatArray, width_mm: float) -> tuple[float, float]:
    """Standard deviation of one sample of the averaged profile, and the depth in mm over which it hangs together.

    From every other column of the track's width against the rest: both see the same corallites, not the same grain.
    """
    inside = np.flatnonzero(np.abs(dense.across_mm) <= width_mm / 2 + 1e-9)
    step = float(depth_mm[1] - depth_mm[0])
    if len(inside) < 4:
        return 0.0, step
    sets = [replace(dense, values=dense.values[:, k], weight=dense.weight[:, k], across_mm=dense.across_mm[k])
            for k in (inside[::2], inside[1::2])]
    one, other = (half.mean(width_mm, weighted=False)[0] for half in sets)
    difference = one - other
    known = np.isfinite(difference)
    if known.sum() < LEAST_NOISE_SAMPLES:
        return 0.0, step
    difference = np.where(known, difference - float(np.mean(difference[known])), 0.0)
    power = float((difference**2).sum())
    reach = max(min(round(MOST_NOISE_MM / step), len(difference) // 4), 1)
    correlation = np.array([float((difference[k:] * difference[:-k]).sum()) for k in range(1, reach)])
    correlation /= max(power, 1e-30)
    end = int(np.argmax(correlation < 0.05)) if (correlation < 0.05).any() else len(correlation)
    length = step * (1.0 + 2.0 * float(correlation[:end].sum()))
    return float(np.sqrt(power / max(int(known.sum()), 1))) / 2.0, length
