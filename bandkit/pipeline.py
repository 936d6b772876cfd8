"""The whole job for one slab; reads like the methods section of a paper.

The image is opened, looked at once in reduced form, and its scale established. The
beam is modelled and the standards calibrated. Each track is straightened, its
surface found, its stain lines looked for, its bands followed, its annual marks
found and dated, and its growth per year worked out. What comes out is the
`bandkit.results.SlabResult` that the tables, the figure and the report are made of.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bandkit.carrier import (
    BoxPixels,
    Brightness,
    Carrier,
    Luminescence,
    Radiography,
    calibrate_standards,
    guess_dense,
    model_beam,
    patch_of,
)
from bandkit.density import grey_flags, saturated_frac
from bandkit.errors import DetectionError, InputError, RecordError
from bandkit.flags import Flag
from bandkit.images import ImageSource, Overview, open_image
from bandkit.record import Record, raise_for_image, read_record
from bandkit.record.model import Box, Dense
from bandkit.results import SlabResult
from bandkit.scale import Scale, resolve_scale
from bandkit.staining import MeasuredStains, measure_stains, offer_stains
from bandkit.tell import tell
from bandkit.tracks import UNDER_TRACK_MM, MeasuredTrack, SlabImage, TrackStrip, cut_strip, measure_track

FloatArray = NDArray[np.float64]

OVERVIEW_SIDE_PX = 1600
# Bits that detectors have, fewest first.
DETECTOR_BITS = (8, 10, 12, 14, 16)
# A track of fewer samples holds nothing.
LEAST_SAMPLES = 20
# Mass per area (g/cm2) or attenuation below which the beam went past the slab: a tenth of a thin slab.
LEAST_SKELETON = 0.08
# A track with more than this at the end of the grey range is not measured for bands.
MOST_SATURATED_FRAC = 0.5


def measure(record: Record | str | Path) -> SlabResult:
    """Measure one slab: everything between its image and its growth per year.

    Parameters
    ----------
    record : Record or path
        The slab record; a path is read first.

    Returns
    -------
    SlabResult
        Tables, lines to draw, calibration, flags and methods; nothing is written.

    Raises
    ------
    RecordError, ImageReadError, ScaleError, CalibrationError
        Something given is wrong; the message says what and where.
    DetectionError
        Nothing on the slab could be measured.
    """
    if not isinstance(record, Record):
        record = read_record(record)
    if not record.tracks:
        msg = (
            f"{record.path}: track: none is given, and growth is measured along one; add [[track]] with name and "
            "points_px, drawn from outside the surface inwards"
        )
        raise RecordError(msg, reason="no-track")
    try:
        with open_image(record.image.path) as image:
            return _measure_open(record, image)
    except InputError as error:
        if isinstance(error, RecordError):
            raise
        msg = f"{record.path}: {error}"
        raise type(error)(msg, reason=error.reason) from error


def _measure_open(record: Record, image: ImageSource) -> SlabResult:
    """Measure a slab whose image is open."""
    raise_for_image(record, image.width_px, image.height_px)
    overview = image.overview(OVERVIEW_SIDE_PX)
    _raise_for_blank(record, overview)
    scale = resolve_scale(
        record.scale,
        kind=record.image.kind,
        resolution_mm_px=image.resolution_mm_px,
        read=image.read,
        overview=lambda: overview,
        size_px=(image.width_px, image.height_px),
    )
    carrier = _carrier(record, image, overview, scale)
    slab = _slab_image(image, scale, carrier)
    tracks, stains, flags = _measure_tracks(record, slab, image)
    return tell(
        record=record,
        image=image,
        overview=overview,
        scale=scale,
        carrier=carrier,
        tracks=tracks,
        stains=stains,
        flags=(*image.notes, *scale.flags, *carrier.flags, *flags),
        hashes=_hashes(record, image),
    )


def _slab_image(image: ImageSource, scale: Scale, carrier: Carrier) -> SlabImage:
    """The image as its tracks see it: a radiograph stored in colour is read as grey."""
    size_px = (image.width_px, image.height_px)
    if isinstance(carrier, Radiography) and image.channels == 3:
        return SlabImage(
            read=lambda *box: _grey(image.read(*box)), size_px=size_px, channels=1, scale=scale, carrier=carrier
        )
    return SlabImage(read=image.read, size_px=size_px, channels=image.channels, scale=scale, carrier=carrier)


def _raise_for_blank(record: Record, overview: Overview) -> None:
    """Refuse an image without any contrast."""
    values = overview.values[np.isfinite(overview.values)]
    if values.size == 0 or float(values.max()) == float(values.min()):
        level = f"{float(values.max()):g} everywhere" if values.size else "no numbers"
        msg = f"{record.image.path}: image.file: the image is blank ({level}); export it again without windowing"
        raise DetectionError(msg, reason="blank-image")


def _measure_tracks(
    record: Record, slab: SlabImage, image: ImageSource
) -> tuple[list[MeasuredTrack], list[MeasuredStains], list[Flag]]:
    """Measure every track; a photograph without an annual mark is measured for its stains only."""
    tracks, stains = [], []
    saturated: dict[str, float] = {}
    for spec in record.tracks:
        strip = cut_strip(slab, spec, record.masks, [gap for gap in record.gaps if gap.track == spec.name])
        _raise_for_nothing(record, spec.name, strip, slab.carrier)
        if isinstance(slab.carrier, Radiography):
            saturated[f"track {spec.name}"] = saturated_frac(strip.values, full_scale=slab.carrier.full_scale)
            if saturated[f"track {spec.name}"] > MOST_SATURATED_FRAC:
                # A plateau carries nothing but the model of the beam: no bands may be read from that.
                strip = replace(strip, signal=np.full_like(strip.signal, np.nan))
        marks_wanted = record.image.kind != "photograph" or record.dating.mark is not None
        track = measure_track(slab, record, spec, strip) if marks_wanted or _is_read(record, spec.name) else None
        if track is not None:
            tracks.append(track)
        stains.append(
            measure_stains(
                record, spec, strip, full_scale=image.full_scale, scale_sd_frac=slab.scale.sd_frac, track=track
            )
        )
    flags = list(grey_flags(saturated, full_scale=image.full_scale)) if saturated else []
    return tracks, offer_stains(stains), flags


def _is_read(record: Record, track: str) -> bool:
    """Whether a person has read this track."""
    return any(reading.track == track for reading in record.readings)


def _raise_for_nothing(record: Record, track: str, strip: TrackStrip, carrier: Carrier) -> None:
    """Refuse a track that shows no skeleton."""
    near = np.abs(strip.across_mm) <= UNDER_TRACK_MM
    middle = strip.signal[:, near]
    nothing = len(strip.depth_mm) < LEAST_SAMPLES or not np.isfinite(middle).any()
    if not nothing and isinstance(carrier, Radiography) and carrier.values == "intensity":
        nothing = bool(np.nanmedian(middle) < LEAST_SKELETON)
    if nothing:
        msg = (
            f"{record.path}: track.{track}.points_px: no skeleton lies under this track; draw it from just outside "
            "the outer surface inwards, and check image.dense and the scale"
        )
        raise DetectionError(msg, reason="no-skeleton")


def _carrier(record: Record, image: ImageSource, overview: Overview, scale: Scale) -> Carrier:
    """What carries the bands in this kind of image."""
    if record.image.kind == "luminescence":
        return Luminescence(full_scale=image.full_scale)
    if record.image.kind == "photograph":
        return Brightness(full_scale=image.full_scale)
    grey = _grey(overview.values).astype(np.float64)
    flags: list[Flag] = []
    looks = guess_dense(grey, overview.step_px, [track.points_px for track in record.tracks])
    dense = record.image.dense or looks
    if record.image.dense is None:
        flags.append(Flag(code="dense-guessed", detail=f"dense = {dense}"))
    elif looks != dense and not (record.density and record.density.standards):
        flags.append(Flag(code="dense-contradicted", detail=f"dense = {dense} is stated"))
    return _radiography(record, image, grey, overview.step_px, dense=dense, scale=scale, flags=flags)


def _full_scale(image: ImageSource, grey: FloatArray, dense: Dense, flags: list[Flag]) -> float:
    """Largest grey of the detector: of inverted greys of fewer bits in a wider file, that of the detector counts."""
    if dense == "dark" or image.dtype.kind not in "iu":
        return image.full_scale
    brightest = float(np.nanmax(grey))
    for bits in DETECTOR_BITS:
        if brightest <= 2.0**bits - 1.0 < image.full_scale:
            flags.append(Flag(code="full-scale-inferred", detail=f"{bits} bits"))
            return 2.0**bits - 1.0
    return image.full_scale


def _radiography(
    record: Record,
    image: ImageSource,
    grey: FloatArray,
    step_px: float,
    *,
    dense: Dense,
    scale: Scale,
    flags: list[Flag],
) -> Radiography:
    """Model the beam and calibrate the standards of a radiograph."""
    spec, values = record.density, record.image.values
    full_scale = _full_scale(image, grey, dense, flags)
    bare = Radiography(
        dense=dense,
        values=values,
        full_scale=full_scale,
        calibration=None,
        flags=(),
        beam=model_beam(np.ones((1, 1)), 1.0, (), size_px=(1, 1), exclude_px=(), values="hounsfield"),
    )
    standards = [_box(image, s.box_px) for s in spec.standards] if spec else []
    patches = [_box(image, box) for box in spec.open_beam_px] if spec else []
    beam = model_beam(
        bare.intensity(grey),
        step_px,
        [(p, bare.intensity(_grey(p.grey).astype(np.float64))) for p in patches],
        size_px=(image.width_px, image.height_px),
        exclude_px=[*(b.box_px for b in standards), *_bar_box(scale)],
        values=values,
    )
    calibration = None
    if spec is not None and standards:
        measured = [patch_of(box, dense=dense, values=values, full_scale=full_scale) for box in standards]
        calibration = calibrate_standards(spec, measured, beam, values)
        flags += grey_flags(
            {
                f"{s.material} {s.thickness_mm:g} mm": saturated_frac(b.grey, full_scale=full_scale)
                for s, b in zip(spec.standards, standards, strict=True)
            },
            full_scale=image.full_scale,
        )
    else:
        flags.append(Flag(code="no-standards"))
    return Radiography(
        dense=dense, values=values, full_scale=full_scale, beam=beam, calibration=calibration, flags=tuple(flags)
    )


def _box(image: ImageSource, box_px: Box) -> BoxPixels:
    """Read the pixels of a box, as greys."""
    x0, y0 = (max(round(v), 0) for v in box_px[:2])
    x1, y1 = min(round(box_px[2]), image.width_px), min(round(box_px[3]), image.height_px)
    return BoxPixels(
        box_px=box_px, grey=_grey(image.read(x0, y0, max(x1, x0 + 1), max(y1, y0 + 1))), x0_px=x0, y0_px=y0
    )


def _bar_box(scale: Scale) -> list[Box]:
    """A box round the scale bar, so that lead is not taken for beam."""
    if scale.bar_px is None:
        return []
    (xa, ya), (xb, yb) = scale.bar_px
    margin = 0.1 * float(np.hypot(xb - xa, yb - ya))
    return [(min(xa, xb) - margin, min(ya, yb) - margin, max(xa, xb) + margin, max(ya, yb) + margin)]


def _grey(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """Mean of the channels of a radiograph stored in colour."""
    return values if values.ndim == 2 else values.astype(np.float64).mean(axis=-1)


def _hashes(record: Record, image: ImageSource) -> dict[str, str]:
    """What the result was made from."""
    return {"image_sha256": image.sha256(), "record_sha256": hashlib.sha256(record.text.encode()).hexdigest()}
