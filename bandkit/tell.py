"""Put what was measured into tables, lines to draw and sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit._version import __version__
from bandkit.carrier import Carrier, Radiography
from bandkit.flags import Flag, join_codes
from bandkit.follow import BandField
from bandkit.growth import track_means
from bandkit.images import ImageSource, Overview
from bandkit.record import Record, to_plain
from bandkit.results import (
    CalibrationResult,
    GrowthTable,
    MarkTable,
    Polyline,
    ProfileTable,
    SlabResult,
    StainTable,
    TrackTable,
)
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains, StainRow
from bandkit.tracks import DEFAULT_WIDTH_MM, FINEST_STEP_MM, MOST_FOLLOWED_MM, MeasuredTrack, TrackStrip

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
        growth=GrowthTable.from_rows([row for t in tracks for row in _growth_rows(specimen, t)]),
        marks=MarkTable.from_rows([row for t in tracks for row in _mark_rows(specimen, t)]),
        stains=StainTable.from_rows([row for s in stains for row in _stain_rows(specimen, s)]),
        tracks=TrackTable.from_rows(_track_rows(record, scale, tracks, stains, all_flags)),
        profile=ProfileTable.concatenate(_profiles(tracks, stains)),
        lines=tuple(line for s in stains for line in _lines(s, tracks)),
        calibration=_calibration(carrier),
        flags=_distinct(all_flags),
        methods=_methods(scale, carrier, tracks, stains),
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


def _growth_rows(specimen: str, track: MeasuredTrack) -> list[dict[str, Any]]:
    """Rows of the growth table, newest first."""
    growth = track.growth
    if len(track.marks.depth_mm) == 0:
        return []
    columns = (
        "year",
        "year_start",
        "year_end",
        "start_mm",
        "end_mm",
        "extension_mm_yr",
        "extension_sd_mm_yr",
        "density_g_cm3",
        "density_sd_g_cm3",
        "calcification_g_cm2_yr",
        "calcification_sd_g_cm2_yr",
        "tilt_deg",
        "extension_picking_sd_mm_yr",
        "extension_systematic_sd_mm_yr",
        "density_systematic_sd_g_cm3",
    )
    rows = []
    for i in range(len(growth.year)):
        row: dict[str, Any] = {name: float(getattr(growth, name)[i]) for name in columns}
        row |= {
            "specimen": specimen,
            "track": track.spec.name,
            "certainty": str(growth.certainty[i]),
            "complete": "yes" if growth.complete[i] else "partial",
            "flags": str(growth.flags[i]),
        }
        rows.append(row)
    return rows


def _mark_rows(specimen: str, track: MeasuredTrack) -> list[dict[str, Any]]:
    """Rows of the mark table, outermost first."""
    marks, dated = track.marks, track.dated
    x_px, y_px = track.strip.place(marks.depth_mm)
    rows = []
    for i in range(len(marks.depth_mm)):
        codes = [
            flag.code
            for flag in track.flags
            if flag.depth_mm is not None and abs(flag.depth_mm - marks.depth_mm[i]) < 1e-6
        ]
        rows.append(
            {
                "specimen": specimen,
                "track": track.spec.name,
                "mark": i + 1,
                "year": dated.year[i],
                "depth_mm": marks.depth_mm[i],
                "depth_lo_mm": marks.lo_mm[i],
                "depth_hi_mm": marks.hi_mm[i],
                "probability": marks.probability[i],
                "x_px": x_px[i],
                "y_px": y_px[i],
                "certainty": str(marks.certainty[i]),
                "origin": marks.origin,
                "year_lo": dated.year_lo[i],
                "year_hi": dated.year_hi[i],
                "flags": join_codes(codes),
            }
        )
    return rows


def _stain_rows(specimen: str, stains: MeasuredStains) -> list[dict[str, Any]]:
    """Rows of the stain table, in the order of the record."""
    rows = []
    for row in stains.rows:
        x_px, y_px = stains.strip.place(row.depth_mm) if row.found else (np.nan, np.nan)
        rows.append(
            {
                "specimen": specimen,
                "track": stains.track,
                "stain_date": row.date.isoformat(),
                "dye": row.dye,
                "found": "yes" if row.found else "no",
                "depth_mm": row.depth_mm,
                "depth_sd_mm": row.depth_sd_mm,
                "x_px": float(x_px),
                "y_px": float(y_px),
                "interval_yr": row.interval_yr,
                "extension_mm_yr": row.extension_mm_yr,
                "extension_sd_mm_yr": row.extension_sd_mm_yr,
                "confidence": row.confidence,
                "flags": join_codes(row.codes),
                **_increment(row),
            }
        )
    return rows


def _increment(row: StainRow) -> dict[str, float]:
    """Growth between a stain line and the next newer one, where it is known."""
    if row.increment is None:
        return {}
    increment = row.increment
    return {
        "increment_mm": increment.inner_mm - increment.outer_mm,
        "increment_yr": increment.interval_yr,
        "increment_mm_yr": increment.extension_mm_yr,
        "increment_sd_mm_yr": increment.extension_sd_mm_yr,
    }


def _track_rows(
    record: Record,
    scale: Scale,
    tracks: Sequence[MeasuredTrack],
    stains: Sequence[MeasuredStains],
    flags: Sequence[Flag],
) -> list[dict[str, Any]]:
    """One row per track: its means, its count and the interval of the count."""
    measured = {track.spec.name: track for track in tracks}
    rows = []
    for spec, stain in zip(record.tracks, stains, strict=True):
        strip = stain.strip
        x_px, y_px = strip.place(0.0)
        row: dict[str, Any] = {
            "specimen": record.specimen.id,
            "track": spec.name,
            "length_mm": float(strip.depth_mm[-1]),
            "mm_per_px": scale.mean_mm_px,
            "surface_x_px": float(x_px),
            "surface_y_px": float(y_px),
            "scale_sd_frac": scale.sd_frac,
            "surface_sd_mm": strip.surface.sd_mm,
            "width_mm": spec.width_mm or DEFAULT_WIDTH_MM,
            "follow_mm": float(np.ptp(strip.across_mm)),
            "flags": join_codes(flag.code for flag in flags if flag.track == spec.name),
        }
        if spec.name in measured:
            row |= _means(measured[spec.name])
        rows.append(row)
    return rows


def _means(track: MeasuredTrack) -> dict[str, float]:
    """Counts and means of one track."""
    means = track_means(track.growth)
    marks = track.marks
    whole = max(len(marks.depth_mm) - 1, 0)
    return {
        "years": whole,
        "years_lo": max(marks.total_lo - 1, 0),
        "years_hi": max(marks.total_hi - 1, 0),
        "mean_extension_mm_yr": means.extension_mm_yr,
        "mean_density_g_cm3": means.density_g_cm3,
        "mean_calcification_g_cm2_yr": means.calcification_g_cm2_yr,
        "mean_extension_sd_mm_yr": means.extension_sd_mm_yr,
        "mean_density_sd_g_cm3": means.density_sd_g_cm3,
        "mean_calcification_sd_g_cm2_yr": means.calcification_sd_g_cm2_yr,
    }


def _profiles(tracks: Sequence[MeasuredTrack], stains: Sequence[MeasuredStains]) -> list[ProfileTable]:
    """Samples along each track: what its marks were looked for in, or the dye where there are only stains."""
    measured = {track.spec.name: track for track in tracks}
    profiles = []
    for stain in stains:
        track = measured.get(stain.track)
        if track is not None:
            profiles.append(_profile(stain.strip, stain.track, track.value, track.density_g_cm3))
        elif stain.dye_index is not None:
            profiles.append(_profile(stain.strip, stain.track, stain.dye_index, None))
    return profiles


def _profile(strip: TrackStrip, track: str, value: FloatArray, density_g_cm3: FloatArray | None) -> ProfileTable:
    """Samples along one track."""
    x_px, y_px = strip.place(strip.depth_mm)
    density = np.full(len(strip.depth_mm), np.nan) if density_g_cm3 is None else density_g_cm3
    return ProfileTable(
        track=np.full(len(strip.depth_mm), track),
        depth_mm=strip.depth_mm,
        x_px=x_px,
        y_px=y_px,
        value=value,
        density_g_cm3=density,
    )


def _lines(stains: MeasuredStains, tracks: Sequence[MeasuredTrack]) -> list[Polyline]:
    """What is drawn on the image for one track."""
    strip, name = stains.strip, stains.track
    lines = [_line(strip, name, "track", name, strip.depth_mm, 0.0)]
    surface = strip.surface
    x_px, y_px = strip.axis.at(surface.line_mm, surface.across_mm)
    if surface.found:
        lines.append(Polyline(track=name, role="surface", label="surface", x_px=x_px, y_px=y_px))
    for row in stains.rows:
        if row.found:
            lines.append(_line(strip, name, "stain", row.date.isoformat(), row.line_mm, row.across_mm))
    for track in tracks:
        if track.spec.name == name:
            lines += [_outline(track), *_mark_lines(track)]
    return lines


def _line(
    strip: TrackStrip, track: str, role: Any, label: str, depth_mm: FloatArray, across_mm: FloatArray | float
) -> Polyline:
    """A line given by depth from the surface and distance across."""
    x_px, y_px = strip.place(depth_mm, across_mm)
    known = np.isfinite(x_px) & np.isfinite(y_px)
    return Polyline(track=track, role=role, label=label, x_px=x_px[known], y_px=y_px[known])


def _outline(track: MeasuredTrack) -> Polyline:
    """Outline of the slab width over which the bands were followed."""
    strip = track.strip
    depth = np.concatenate([strip.depth_mm, strip.depth_mm[::-1], strip.depth_mm[:1]])
    sides = np.repeat([strip.across_mm[0], strip.across_mm[-1]], len(strip.depth_mm))
    return _line(strip, track.spec.name, "strip", "", depth, np.append(sides, strip.across_mm[0]))


def _mark_lines(track: MeasuredTrack) -> list[Polyline]:
    """Each annual mark drawn along its band."""
    strip, field = track.strip, track.field
    across = _drawn_across(strip, field)
    lines = []
    for i, depth in enumerate(track.marks.depth_mm):
        shift = field.shift_at(np.array([depth]), across)[0]
        x_px, y_px = strip.place(depth + shift, across)
        lines.append(
            Polyline(
                track=track.spec.name,
                role="mark",
                label=f"{track.dated.year[i]:.0f}",
                x_px=x_px,
                y_px=y_px,
                certainty=str(track.marks.certainty[i]),
            )
        )
    return lines


def _drawn_across(strip: TrackStrip, field: BandField) -> FloatArray:
    """Distances across at which band lines are drawn: where bands were followed."""
    low = max(float(strip.across_mm[0]), float(field.across_mm[0]))
    high = min(float(strip.across_mm[-1]), float(field.across_mm[-1]))
    return np.linspace(low, max(high, low + 1e-3), max(int((high - low) / 1.0), 2) + 1)


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
    import platform
    from importlib.metadata import version

    return {"python": platform.python_version(), "numpy": np.__version__, "scipy": version("scipy")}


def _picture(overview: Overview, image: ImageSource) -> FloatArray:
    """The reduced image from 0 to 1, as displayed, stretched to its own range where it is grey."""
    values = np.asarray(overview.values, dtype=np.float64)
    if values.ndim == 3:
        return np.asarray(np.clip(values / image.full_scale, 0.0, 1.0))
    low, high = np.nanquantile(values, [0.002, 0.998])
    return np.asarray(np.clip((values - low) / max(float(high - low), 1e-12), 0.0, 1.0))


def _methods(
    scale: Scale, carrier: Carrier, tracks: Sequence[MeasuredTrack], stains: Sequence[MeasuredStains]
) -> tuple[str, ...]:
    """Sentences that say what was really done."""
    sources = {
        "bar": "a scale bar whose ends were given",
        "bar found": "a scale bar found in the image",
        "mm_per_px": "the stated resolution",
        "file": "the resolution stated in the image file",
    }
    sentences = [
        f"Lengths were taken from {sources.get(scale.source, scale.source)} ({scale.x_mm_px:.5g} mm per pixel, "
        f"standard deviation {100 * scale.sd_frac:.2g} %)."
    ]
    if scale.magnification != 1.0:
        sentences.append(f"They were divided by an X-ray magnification of {scale.magnification:.4f}.")
    sentences += [*_surface_sentences(stains), *carrier.methods]
    for track in tracks:
        sentences += _track_sentences(track)
    sentences += _stain_sentences(stains)
    if tracks:
        sentences.append(tracks[0].dated.rule)
    return tuple(sentences)


def _surface_sentences(stains: Sequence[MeasuredStains]) -> list[str]:
    """Where depth begins."""
    found = [item.strip.surface.sd_mm for item in stains if item.strip.surface.found]
    absent = [item.track for item in stains if not item.strip.surface.found]
    sentences = []
    if found:
        sentences.append(
            f"The outer growth surface was found on {'the other tracks' if absent else 'each track'} at the half-way "
            f"level between background and skeleton (standard error up to {max(found):.2f} mm); depth is along the "
            f"track from there."
        )
    if absent:
        names = ", ".join(absent)
        sentences.insert(0, f"No outer surface was found on track {names}: depth starts at its first drawn point.")
    return sentences


def _stain_sentences(stains: Sequence[MeasuredStains]) -> list[str]:
    """How stain lines were found, as far as any were looked for."""
    rows = [row for item in stains for row in item.rows]
    sentences = []
    if any("stain-picked" not in row.codes and "stain-not-visible" not in row.codes for row in rows):
        sentences.append(
            "The stain line was traced across the slab in a colour index of the dye against the skeleton, and "
            "its distal (outer) edge was fitted with a seepage tail."
        )
    if any("stain-picked" in row.codes for row in rows):
        sentences.append("The stain line was picked by a person.")
    if any(np.isfinite(row.extension_mm_yr) for row in rows):
        sentences.append(
            "Extension since staining is the distance from the line's distal edge to the surface over the time between "
            "staining and collection."
        )
    return sentences


def _track_sentences(track: MeasuredTrack) -> list[str]:
    """How the marks of one track were found."""
    name, width = track.spec.name, float(np.ptp(track.strip.across_mm))
    tilt = float(np.median(np.abs(track.field.tilt_deg)))
    sentences = [
        f"Track {name}: the bands were followed over {width:.0f} mm of slab width and averaged along themselves; "
        f"they cross the track at {tilt:.0f} degrees (median), and extension is measured square to them."
    ]
    if track.found is None:
        sentences.append(f"Track {name}: the annual marks are those of the reader {track.marks.origin}.")
    elif len(track.marks.depth_mm):
        model = track.found.model
        sentences.append(
            f"Track {name}: the annual marks come from a hidden semi-Markov model whose mean year "
            f"({model.spacing_mm:.1f} mm, spread {100 * model.spacing_log_sd:.0f} %), annual shape and noise were "
            f"learnt from the track; each stands on the top of its band, and its 90 % interval comes from how far two "
            f"looks at the bands disagree."
        )
    return sentences
