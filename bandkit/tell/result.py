"""One result from what was measured on a slab."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit._version import __version__
from bandkit.carrier import Carrier, Radiography
from bandkit.flags import Flag
from bandkit.images import ImageSource, Overview
from bandkit.record import Record, to_plain
from bandkit.results import CalibrationResult, GrowthTable, MarkTable, ProfileTable, SlabResult, StainTable, TrackTable
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains
from bandkit.tell._lines import drawn_lines
from bandkit.tell._methods import methods_of
from bandkit.tell._tables import growth_rows, mark_rows, profiles, stain_rows, track_rows
from bandkit.tracks import DEFAULT_WIDTH_MM, FINEST_STEP_MM, MOST_FOLLOWED_MM, MeasuredTrack

FloatArray = NDArray[np.float64]

DYE_SIGNAL = "dye index (0 is clean skeleton)"


def tell(  # noqa: PLR0913  (all that one slab consists of)
    *,
    record: Record,
    image: ImageSource,
    overview: Overview,
    scale: Scale,
    carrier: Carrier,
    tracks: Sequence[MeasuredTrack],
    stains: Sequence[MeasuredStains],
    flags: Sequence[Flag],
    hashes: Mapping[str, str],
) -> SlabResult:
    """Put the measurements of one slab into its result.

    Parameters
    ----------
    record : Record
        The slab record.
    image : ImageSource
        The image, for its facts.
    overview : Overview
        The reduced image, for the figure.
    scale : Scale
        Millimetres per pixel.
    carrier : Carrier
        What carried the bands.
    tracks : sequence of MeasuredTrack
        Tracks with marks and growth; may be empty for a stained photograph.
    stains : sequence of MeasuredStains
        Stain lines, one per track.
    flags : sequence of Flag
        Doubts about the slab as a whole.
    hashes : mapping
        Hashes of image and record.

    Returns
    -------
    SlabResult
        Ready to be written.
    """
    specimen = record.specimen.id
    all_flags = list(flags)
    for track in tracks:
        all_flags += track.flags
    for stain in stains:
        all_flags += stain.flags
    return SlabResult(
        specimen=to_plain(record.specimen),
        image=_image_facts(record, image, DYE_SIGNAL if stains and not tracks else carrier.unit, carrier),
        scale=_scale_facts(scale),
        growth=GrowthTable.from_rows([row for t in tracks for row in growth_rows(specimen, t)]),
        marks=MarkTable.from_rows([row for t in tracks for row in mark_rows(specimen, t)]),
        stains=StainTable.from_rows([row for s in stains for row in stain_rows(specimen, s)]),
        tracks=TrackTable.from_rows(track_rows(record, scale, tracks, stains, all_flags)),
        profile=ProfileTable.concatenate(profiles(tracks, stains)),
        lines=tuple(line for s in stains for line in drawn_lines(s, tracks)),
        calibration=_calibration(carrier),
        flags=_distinct(all_flags),
        methods=methods_of(scale, carrier, tracks, stains),
        settings=_settings(record),
        provenance={"version": __version__, "record": record.path.name, **hashes, **_libraries()},
        chronologies={t.spec.name: t.marks.draws_mm for t in tracks},
        picture=_picture(overview, image),
        picture_step_px=float(overview.step_px),
    )


def _image_facts(record: Record, image: ImageSource, signal: str, carrier: Carrier) -> dict[str, Any]:
    """What a reader of the result needs to know of the image."""
    return {
        "file": record.image.file,
        "kind": record.image.kind,
        "values": record.image.values,
        "dense": carrier.dense if isinstance(carrier, Radiography) else None,
        "signal": signal,
        "width_px": image.width_px,
        "height_px": image.height_px,
        "channels": image.channels,
        "bits": image.bits,
        "format": image.format,
        "notes": [flag.sentence for flag in image.notes],
    }


def _scale_facts(scale: Scale) -> dict[str, Any]:
    """Millimetres per pixel and where they come from."""
    return {
        "x_mm_px": scale.x_mm_px,
        "y_mm_px": scale.y_mm_px,
        "sd_frac": scale.sd_frac,
        "source": scale.source,
        "magnification": scale.magnification,
        "bar_px": [list(point) for point in scale.bar_px] if scale.bar_px else None,
    }


def _calibration(carrier: Carrier) -> CalibrationResult | None:
    """The density calibration, where there is one."""
    if isinstance(carrier, Radiography) and carrier.calibration is not None:
        return carrier.calibration.summary(carrier.beam)
    return None


def _distinct(flags: Sequence[Flag]) -> tuple[Flag, ...]:
    """Each doubt once."""
    return tuple(dict.fromkeys(flags))


def _settings(record: Record) -> dict[str, Any]:
    """Numbers that steered the measurement."""
    return {
        "most_followed_mm": MOST_FOLLOWED_MM,
        "default_width_mm": DEFAULT_WIDTH_MM,
        "finest_step_mm": FINEST_STEP_MM,
        "mark": record.dating.mark,
        "mark_date": record.dating.mark_date and "-".join(f"{v:02d}" for v in record.dating.mark_date),
        "spacing_mm": record.dating.spacing_mm,
        "slab_thickness_mm": record.density.slab_thickness_mm if record.density else None,
    }


def _libraries() -> dict[str, str]:
    """Versions of what did the arithmetic."""
    return {"python": platform.python_version(), "numpy": np.__version__, "scipy": version("scipy")}


def _picture(overview: Overview, image: ImageSource) -> FloatArray:
    """The reduced image from 0 to 1, as displayed, stretched to its own range where it is grey."""
    values = np.asarray(overview.values, dtype=np.float64)
    if values.ndim == 3:
        return np.asarray(np.clip(values / image.full_scale, 0.0, 1.0))
    low, high = np.nanquantile(values, [0.002, 0.998])
    return np.asarray(np.clip((values - low) / max(float(high - low), 1e-12), 0.0, 1.0))
