"""The whole job for one slab; reads like the methods section of a paper.

The image is opened, looked at once in reduced form, and its scale established. The
beam is modelled and the standards calibrated. Each track is straightened, its
surface found, its stain lines looked for, its bands followed, its annual marks
found and dated, and its growth per year worked out. What comes out is the
`bandkit.results.SlabResult` that the tables, the figure and the report are made of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bandkit.branches import with_branches
from bandkit.bulk import bulk_flags, check_bulk
from bandkit.carrier import (
    BoxPixels,
    Brightness,
    Carrier,
    Luminescence,
    Radiography,
    guess_dense,
    measured_standards,
    patch_of,
)
from bandkit.checks import check_count, compare_tracks
from bandkit.companion import Companion, open_companion
from bandkit.density import (
    EvenThickness,
    ObliquePath,
    Thickness,
    View,
    bar_samples,
    expose,
    fit_thickness,
    grey_flags,
    map_thickness,
    patch_samples,
    saturated_frac,
    transmitted_intensity,
)
from bandkit.errors import DetectionError, InputError, RecordError
from bandkit.flags import Flag
from bandkit.follow import follow_bands
from bandkit.images import ImageSource, Overview, open_image
from bandkit.images.slab import CutSource, open_slab
from bandkit.provenance import hashes_of
from bandkit.record import Record, raise_for_image, read_record
from bandkit.record.model import Dense
from bandkit.record.model_density import Box, StandardSpec
from bandkit.results import SlabResult
from bandkit.scale import Scale, resolve_scale
from bandkit.stain_lines import dyes_of
from bandkit.staining import MeasuredStains, dated_stains, measure_stains, offer_stains
from bandkit.tell import tell
from bandkit.tomography import Tomography, measure_bodies, scan_carrier
from bandkit.tracks import UNDER_TRACK_MM, MeasuredTrack, SlabImage, TrackStrip, cut_strip, measure_track

FloatArray = NDArray[np.float64]

OVERVIEW_SIDE_PX = 1600
# Bits that detectors have, fewest first.
DETECTOR_BITS = (8, 10, 12, 14, 16)
# A track of fewer samples holds nothing.
LEAST_SAMPLES = 20
# Mass per area (g/cm2) or attenuation below which the beam went past the slab: a tenth of a thin slab.
LEAST_SKELETON = 0.08
# Density (g/cm3), or attenuation over that of air (water has 1), below which a scan shows air or foam.
LEAST_IN_SCAN = 0.2
# A track with more than this at the end of the grey range is not measured for bands.
MOST_SATURATED_FRAC = 0.5
# More of a picture than this with the most exposure that it can hold is no label.
MOST_BURNT_FRAC = 0.1


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
    record = with_branches(record)
    if not record.tracks:
        msg = (
            f"{record.path}: track: none is given, and growth is measured along one; add [[track]] with name and "
            "points_px, drawn from outside the surface inwards"
        )
        raise RecordError(msg, reason="no-track")
    try:
        with open_slab(record) as image:
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
        spacing_at=image.spacing_at,
        file_magnification=image.magnification,
    )
    carrier = _carrier(record, image, overview, scale)
    slab = replace(_slab_image(image, scale, carrier), thickness=_thickness(record, scale, image))
    with open_companion(record, scale) as companion:
        tracks, stains, flags = _measure_tracks(record, slab, image, companion)
    pairs = compare_tracks(tracks)
    bulk = check_bulk(
        record,
        slab,
        _grey(overview.values).astype(np.float64),
        overview.step_px,
        tracks=tracks,
        keep_out_px=_bar_box(scale),
    )
    return tell(
        record=record,
        image=image,
        overview=overview,
        scale=scale,
        carrier=carrier,
        tracks=tracks,
        stains=stains,
        pairs=pairs,
        thickness=slab.thickness,
        bulk=bulk,
        flags=(*image.notes, *scale.flags, *carrier.flags, *flags, *(bulk_flags(bulk) if bulk else ())),
        hashes=hashes_of(record, image),
    )


def _slab_image(image: ImageSource, scale: Scale, carrier: Carrier) -> SlabImage:
    """The image as its tracks see it: a radiograph stored in colour is read as grey."""
    size_px = (image.width_px, image.height_px)
    if isinstance(carrier, Radiography) and image.channels == 3:
        return SlabImage(
            read=lambda *box: _grey(image.read(*box)), size_px=size_px, channels=1, scale=scale, carrier=carrier
        )
    return SlabImage(read=image.read, size_px=size_px, channels=image.channels, scale=scale, carrier=carrier)


def _thickness(record: Record, scale: Scale, image: ImageSource) -> Thickness | None:
    """How thick the slab is, by one value, by points or by a map; None where the record does not say."""
    spec = record.density
    if spec is None or not spec.has_thickness:
        return None
    sd_mm = spec.slab_thickness_sd_mm
    if spec.slab_thickness_mm is not None:
        return EvenThickness(thickness_mm=spec.slab_thickness_mm, thickness_sd_mm=sd_mm or 0.0)
    if spec.thickness_map is None:
        points, measured = zip(*((p.at_px, p.thickness_mm) for p in spec.thickness_points), strict=True)
        return fit_thickness(points, measured, mm_per_px=scale.mm_per_px, point_sd_mm=sd_mm)
    with open_image(spec.thickness_map.path) as drawn:
        return map_thickness(
            lambda *box: _grey(drawn.read(*box)),
            (drawn.width_px, drawn.height_px),
            spec.thickness_map.mm_per_grey,
            image_size_px=(image.width_px, image.height_px),
            map_sd_mm=sd_mm,
        )


def _raise_for_blank(record: Record, overview: Overview) -> None:
    """Refuse an image without any contrast."""
    values = overview.values[np.isfinite(overview.values)]
    if values.size == 0 or float(values.max()) == float(values.min()):
        level = f"{float(values.max()):g} everywhere" if values.size else "no numbers"
        msg = f"{record.image.path}: image.file: the image is blank ({level}); export it again without windowing"
        raise DetectionError(msg, reason="blank-image")


def _measure_tracks(
    record: Record, slab: SlabImage, image: ImageSource, companion: Companion | None
) -> tuple[list[MeasuredTrack], list[MeasuredStains], list[Flag]]:
    """Measure every track; a photograph without an annual mark is measured for its stains only."""
    tracks, stains = [], []
    saturated: dict[str, float] = {}
    dyes = dyes_of(record, slab.read, image.full_scale)
    branches = {branch.name for branch in record.branches}
    for spec in record.tracks:
        strip = cut_strip(slab, spec, record.masks, [gap for gap in record.gaps if gap.track == spec.name])
        _raise_for_nothing(record, spec.name, strip, slab.carrier)
        if isinstance(slab.carrier, Radiography):
            saturated[f"track {spec.name}"] = saturated_frac(strip.values, full_scale=slab.carrier.full_scale)
            if saturated[f"track {spec.name}"] > MOST_SATURATED_FRAC:
                # A plateau carries nothing but the model of the beam: no bands may be read from that.
                strip = replace(strip, signal=np.full_like(strip.signal, np.nan))
        marks_wanted = record.image.kind != "photograph" or record.dating.mark is not None
        wanted = (marks_wanted or _is_read(record, spec.name)) and spec.name not in branches
        field = follow_bands(strip.signal, strip.depth_mm, strip.across_mm) if wanted else None
        elsewhere = companion.lines(record.stains, record, spec, strip) if companion else ()
        found = measure_stains(record, spec, strip, full_scale=image.full_scale, scale_sd_frac=slab.scale.sd_frac,
                               field=field, elsewhere=elsewhere, dyes=dyes)
        if field is not None:
            track = measure_track(slab, record, spec, strip, field, dated_stains(found))
            tracks.append(track)
            found = check_count(record, found, track)
        stains.append(found)
    flags = list(grey_flags(saturated, full_scale=image.full_scale)) if saturated else []
    flags += companion.flags if companion else ()
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
    if not nothing and isinstance(carrier, Tomography) and "ct-air-off" not in {flag.code for flag in carrier.flags}:
        nothing = bool(np.nanmedian(middle) < LEAST_IN_SCAN)
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
    if record.image.values == "hounsfield":
        return _scan(record, image, grey)
    flags: list[Flag] = []
    looks = guess_dense(grey, overview.step_px, [track.points_px for track in record.tracks])
    dense = record.image.dense or looks
    if record.image.dense is None:
        flags.append(Flag(code="dense-guessed", detail=f"dense = {dense}"))
    elif looks != dense and not (record.density and record.density.standards):
        flags.append(Flag(code="dense-contradicted", detail=f"dense = {dense} is stated"))
    return _radiography(record, image, grey, overview.step_px, dense=dense, scale=scale, flags=flags)


def _scan(record: Record, image: ImageSource, grey: FloatArray) -> Tomography:
    """Calibrate a scan by the standards in it, looked up in its own slices."""
    bodies = record.density.bodies if record.density else ()
    if isinstance(image, CutSource):
        measured = measure_bodies(bodies, image.volume.read_slice)
        own_scale = not image.format.startswith("DICOM")
        return scan_carrier(grey, record.density, measured, own_scale=own_scale, cut=image.method)
    measured = measure_bodies(bodies, lambda _: _grey(image.read(0, 0, image.width_px, image.height_px)))
    return scan_carrier(grey, record.density, measured, own_scale=image.format != "DICOM")


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
    size_px = (image.width_px, image.height_px)

    def signal(values_of: NDArray[np.generic]) -> FloatArray:
        return np.asarray(transmitted_intensity(values_of, dense=dense, values=values, full_scale=full_scale))

    standards = [_box(image, s.box_px) for s in spec.standards] if spec else []
    empty = [_box(image, box) for box in spec.open_beam_px] if spec else []
    bars = [_box(image, box) for box in spec.bars_px] if spec else []
    path = _path(record, scale, size_px)
    view = View(
        signal=signal(grey),
        step_px=step_px,
        size_px=size_px,
        full_scale=full_scale,
        values=values,
        is_film=values == "optical-density" and dense == "dark",
        mm_per_px=float(np.sqrt(np.prod(scale.mm_per_px))),
        source_to_detector_mm=record.scale.source_to_detector_mm,
        open_beam=tuple(patch_samples(signal(b.grey), b.x0_px, b.y0_px) for b in empty),
        bars=tuple(bar_samples(signal(b.grey), b.x0_px, b.y0_px, number=i) for i, b in enumerate(bars, 1)),
        exclude_px=(*(b.box_px for b in (*standards, *bars)), *_bar_box(scale)),
    )
    measured = None
    if spec is not None and standards:
        patches = [patch_of(box, dense=dense, values=values, full_scale=full_scale) for box in standards]
        measured = measured_standards(spec, patches, path)
        flags += _standard_flags(spec.standards, standards, image, full_scale)
    else:
        flags.append(Flag(code="no-standards"))
    exposed = expose(view, measured)
    burnt = float(np.mean(view.signal >= full_scale))
    if burnt > MOST_BURNT_FRAC:
        flags.append(Flag(code="saturated", detail=f"open beam, {100 * burnt:.0f} % of the picture"))
    return Radiography(
        dense=dense,
        values=values,
        full_scale=full_scale,
        beam=exposed.beam,
        calibration=exposed.calibration,
        flags=tuple(flags),
        response=exposed.response,
        veil=exposed.veil,
        path=path,
    )


def _standard_flags(
    specs: Sequence[StandardSpec], boxes: Sequence[BoxPixels], image: ImageSource, full_scale: float
) -> tuple[Flag, ...]:
    """Doubts about the greys of the standards."""
    saturated = {
        f"{s.material} {s.thickness_mm:g} mm": saturated_frac(b.grey, full_scale=full_scale)
        for s, b in zip(specs, boxes, strict=True)
    }
    return grey_flags(saturated, full_scale=image.full_scale)


def _path(record: Record, scale: Scale, size_px: tuple[int, int]) -> ObliquePath:
    """How much longer oblique rays run; the foot of the beam is taken to be the middle of the image."""
    distance_mm = record.scale.source_to_detector_mm
    if distance_mm is None:
        return ObliquePath()
    middle_px = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    return ObliquePath(foot_px=middle_px, source_to_detector_px=distance_mm / float(np.sqrt(np.prod(scale.mm_per_px))))


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
