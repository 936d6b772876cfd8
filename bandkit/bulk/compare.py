"""The balance against the image."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bandkit.budget import BulkCheck
from bandkit.bulk.image import NOTHING, MeanDensity, mean_density_of_piece, mean_density_of_track
from bandkit.bulk.weigh import Weighed, porosity_frac, porosity_sd_frac, weigh
from bandkit.carrier import Radiography
from bandkit.flags import Flag
from bandkit.record import Record
from bandkit.record.model_density import Box
from bandkit.tracks import MeasuredTrack, SlabImage, middle_of_standards

FloatArray = NDArray[np.float64]

# Beyond this many standard deviations of both together they disagree: once in twenty by chance.
DISAGREE_Z = 2.0


def hold_against(weighed: Weighed, image: MeanDensity, piece: str) -> BulkCheck:
    """Put the density of a piece by the balance beside the one by the image.

    Parameters
    ----------
    weighed : Weighed
        By the balance.
    image : MeanDensity
        By the image; NaN where it gives none.
    piece : str
        What was compared.

    Returns
    -------
    BulkCheck
        With ``z = (image - weighed) / sqrt(sd_image^2 + sd_weighed^2)`` and both porosities.
    """
    both_sd = float(np.hypot(image.density_sd_g_cm3, weighed.density_sd_g_cm3))
    micro, micro_sd = weighed.micro_density_g_cm3, weighed.micro_density_sd_g_cm3
    return BulkCheck(
        piece=piece,
        weighed_g_cm3=weighed.density_g_cm3,
        weighed_sd_g_cm3=weighed.density_sd_g_cm3,
        image_g_cm3=image.density_g_cm3,
        image_sd_g_cm3=image.density_sd_g_cm3,
        z_score=(image.density_g_cm3 - weighed.density_g_cm3) / both_sd if both_sd > 0 else float("nan"),
        dry_g=weighed.dry_g,
        volume_cm3=weighed.volume_cm3,
        water_density_g_cm3=weighed.water_density_g_cm3,
        micro_density_g_cm3=micro,
        micro_density_sd_g_cm3=micro_sd,
        micro_source=weighed.micro_source,
        weighed_porosity_frac=porosity_frac(weighed.density_g_cm3, micro),
        weighed_porosity_sd_frac=porosity_sd_frac(weighed.density_g_cm3, weighed.density_sd_g_cm3, micro, micro_sd),
        image_porosity_frac=porosity_frac(image.density_g_cm3, micro),
        image_porosity_sd_frac=porosity_sd_frac(image.density_g_cm3, image.density_sd_g_cm3, micro, micro_sd),
        method=weighed.method,
    )


def check_bulk(record: Record, slab: SlabImage, grey: FloatArray, step_px: float, *, tracks: Sequence[MeasuredTrack],
               keep_out_px: Sequence[Box]) -> BulkCheck | None:
    """Hold what was weighed against the image.

    Parameters
    ----------
    record : Record
        With or without a weighing.
    slab : SlabImage
        The image with its calibration and thickness.
    grey : ndarray, shape (h, w)
        The reduced picture.
    step_px : float
        Image pixels per value of it.
    tracks : sequence of MeasuredTrack
        What was measured.
    keep_out_px : sequence of boxes
        Bars and labels beside the slab; standards are known from the record.

    Returns
    -------
    BulkCheck or None
        None where nothing was weighed.

    Raises
    ------
    CalibrationError
        Weights that cannot be.
    """
    spec, carrier = record.bulk, slab.carrier
    if spec is None:
        return None
    weighed = weigh(spec)
    if spec.track:
        own = [mean_density_of_track(track.growth) for track in tracks if track.spec.name == spec.track]
        return hold_against(weighed, own[0] if own else NOTHING, f"track {spec.track}")
    image = NOTHING
    if isinstance(carrier, Radiography) and slab.thickness is not None and record.density is not None:
        boxes = [*(standard.box_px for standard in record.density.standards), *record.density.bars_px]
        image = mean_density_of_piece(
            carrier, slab.thickness, grey, step_px, tracks_px=[track.points_px for track in record.tracks],
            keep_out_px=[*boxes, *keep_out_px], standards_px=middle_of_standards(record), outline_px=spec.polygon_px)
    return hold_against(weighed, image, "piece" if spec.polygon_px else "slab")


def bulk_flags(check: BulkCheck) -> tuple[Flag, ...]:
    """Doubts about the image or the balance where they disagree.

    Parameters
    ----------
    check : BulkCheck
        The two densities.

    Returns
    -------
    tuple of Flag
        "bulk-density-disagrees" or "bulk-not-compared"; empty where all is well.
    """
    if not np.isfinite(check.image_g_cm3):
        return (Flag(code="bulk-not-compared", detail=check.piece),)
    if not abs(check.z_score) > DISAGREE_Z:
        return ()
    detail = (f"{check.piece}: image {check.image_g_cm3:.3f} +- {check.image_sd_g_cm3:.3f}, balance "
              f"{check.weighed_g_cm3:.3f} +- {check.weighed_sd_g_cm3:.3f} g/cm3, z {check.z_score:+.1f}")
    return (Flag(code="bulk-density-disagrees", detail=detail),)
