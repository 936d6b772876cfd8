"""What a careful person would ask about a record before measuring it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Protocol

from bandkit.flags import FLAG_MEANINGS, Flag
from bandkit.record._doubts_marks import about_marks
from bandkit.record._doubts_mass import about_bulk, about_thickness, usual_thickness_mm
from bandkit.record._doubts_place import about_places
from bandkit.record._doubts_scan import about_bodies, about_file_scale, about_volume
from bandkit.record.model import Record
from bandkit.record.model_density import Box, DensitySpec
from bandkit.record.model_mass import Point

XRAY_KINDS = frozenset({"radiograph", "ct"})

# What slabs and their pictures usually are; outside these a slip of the pen is likelier than the value.
_MM_PER_PX = (0.001, 2.0)
_SLAB_SIDE_MM = (10.0, 5000.0)
_SPACING_MM = (0.5, 40.0)
_SHORTEST_BAR_PX = 200.0
_SMALLEST_PATCH_PX2 = 100.0
_FEWEST_STANDARDS = 3
_EIGHT_BIT = 8
_SHORT_INTERVAL_DAYS = 60

# Bulk density of most massive corals in g/cm3; the standards should reach past both ends of it.
_SLAB_DENSITY_G_CM3 = (1.0, 1.8)

# Mineral densities in g/cm3, from the unit cells of aragonite and calcite.
_CARBONATES_G_CM3 = {"aragonite": 2.93, "clam": 2.93, "calcite": 2.71, "caco3": 2.93}


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One thing that is missing or doubtful in a record.

    Parameters
    ----------
    code : str
        Reason code.
    key : str
        Key of the record that it is about; entries of lists are counted from 1.
    message : str
        One line: what, and what to do.
    """

    code: str
    key: str
    message: str


class ImageHeader(Protocol):
    """What is known of an image before its pixels are read."""

    @property
    def width_px(self) -> int:
        """Columns."""

    @property
    def height_px(self) -> int:
        """Rows."""

    @property
    def bits(self) -> int:
        """Bits per channel."""

    @property
    def channels(self) -> int:
        """1 for grey, 3 for colour."""

    @property
    def resolution_mm_px(self) -> tuple[float, float] | None:
        """Resolution that the file states, x and y; None where it states none."""

    @property
    def spacing_at(self) -> str:
        """Where that resolution holds: "object", "detector", "unclear" or "tags"."""

    @property
    def magnification(self) -> float | None:
        """Magnification that the file states."""

    @property
    def notes(self) -> Sequence[Flag]:
        """Doubts from reading the header."""


def check_record(record: Record, header: ImageHeader | None = None) -> tuple[Doubt, ...]:
    """List what is missing or doubtful in a record; nothing here stops a measurement.

    Parameters
    ----------
    record : Record
        A record that was read without error.
    header : ImageHeader, optional
        Header of its image; without it only the record is looked at. Whether the
        record points outside the image is asked by `raise_for_image`.

    Returns
    -------
    tuple of Doubt
        In the order of the record; empty where there is nothing to ask.
    """
    doubts = [
        *_about_specimen(record),
        *_about_image(record, header),
        *_about_scale(record, header),
        *(_doubt(*told) for told in (*about_places(record), *about_volume(record))),
        *_about_density(record, header),
        *(_doubt(*told) for told in about_bulk(record)),
        *_about_dating(record),
        *_about_tracks(record),
        *(_doubt(*told) for told in about_marks(record)),
        *_about_stains(record),
    ]
    return tuple(doubts)


def _doubt(code: str, key: str, message: str = "") -> Doubt:
    """A doubt; where its code is a flag of the results too, the flag's sentence is the message."""
    return Doubt(code=code, key=key, message=message or FLAG_MEANINGS[code])


def _about_specimen(record: Record) -> Iterator[Doubt]:
    """What is not known of the colony."""
    specimen = record.specimen
    if not specimen.taxon:
        yield _doubt("no-taxon", "specimen.taxon", "no taxon is given: growth cannot be compared with its genus")
    if specimen.latitude_deg is None or specimen.longitude_deg is None:
        missing = "latitude_deg" if specimen.latitude_deg is None else "longitude_deg"
        yield _doubt("no-position", f"specimen.{missing}", "no position is given: sites cannot be compared")
    if specimen.latitude_deg == 0 and specimen.longitude_deg == 0:
        yield _doubt("position-zero", "specimen.latitude_deg", "latitude and longitude are both 0; is that the site?")
    if specimen.collected is None:
        yield _doubt("no-collection-date", "specimen.collected")
    if specimen.top_alive is None:
        message = "not said whether the surface was alive at collection; write top_alive = true or false"
        yield _doubt("top-not-stated", "specimen.top_alive", message)
    elif not specimen.top_alive:
        yield _doubt("floating", "specimen.top_alive")


def _about_image(record: Record, header: ImageHeader | None) -> Iterator[Doubt]:
    """What is doubtful about the picture."""
    image = record.image
    is_xray = image.kind in XRAY_KINDS
    if is_xray and image.dense is None and image.values != "hounsfield":
        message = 'not said how dense skeleton is shown; write dense = "bright" or "dark"'
        yield _doubt("dense-not-stated", "image.dense", message)
    if not is_xray and image.dense is not None:
        yield _doubt("dense-not-used", "image.dense", f"has no meaning for a {image.kind}; delete it")
    if image.kind == "ct" and image.values == "intensity":
        message = 'intensity is unusual for ct; write values = "hounsfield" where the greys are Hounsfield units'
        yield _doubt("ct-values", "image.values", message)
    if header is None:
        return
    for note in header.notes:
        yield _doubt(note.code, "image.file", note.sentence)
    noted = {note.code for note in header.notes}
    if record.density is not None and is_xray and header.bits <= _EIGHT_BIT and "eight-bit" not in noted:
        yield _doubt("eight-bit", "image.file")
    if is_xray and header.channels > 1:
        message = f"a {image.kind} in colour; save the greys as they were measured"
        yield _doubt("xray-in-colour", "image.file", message)
    if image.kind == "photograph" and header.channels == 1 and record.stains:
        yield _doubt("stain-in-grey", "image.file", "the photograph has no colour; stain lines are hard to find")


def _about_scale(record: Record, header: ImageHeader | None) -> Iterator[Doubt]:
    """What is doubtful about millimetres per pixel."""
    scale = record.scale
    if scale.from_file:
        stated = (None, None) if header is None else (header.spacing_at, header.magnification)
        yield from (_doubt(*told) for told in about_file_scale(record, *stated))
        if header is not None and header.resolution_mm_px is None:
            message = "the image file states no resolution; give a bar or mm_per_px"
            yield _doubt("no-file-resolution", "scale.source", message)
    if scale.bar is not None and scale.bar.from_px is None:
        yield _doubt("bar-to-find", "scale.bar", "the ends of the bar are not given; the program will look for them")
    length_px = _bar_length_px(record)
    if length_px is not None and length_px < _SHORTEST_BAR_PX:
        message = f"the bar is only {length_px:.0f} px long: an end misplaced by 1 px is {100 / length_px:.1f} percent"
        yield _doubt("bar-short", "scale.bar", message)
    if record.image.kind == "radiograph":
        distances = (scale.source_to_detector_mm, scale.slab_to_detector_mm)
        if distances.count(None) == 1:
            missing = "source_to_detector_mm" if distances[0] is None else "slab_to_detector_mm"
            message = "missing: the other distance cannot be used alone"
            yield _doubt("magnification-incomplete", f"scale.{missing}", message)
        elif distances.count(None) > 1 and not (scale.from_file and header is not None and header.spacing_at != "tags"):
            yield _doubt("scale-no-magnification", "scale.source_to_detector_mm")
    yield from _about_size(record, header)


def _about_size(record: Record, header: ImageHeader | None) -> Iterator[Doubt]:
    """Whether the scale makes a slab of a size that slabs have."""
    mm_px = stated_mm_px(record, header)
    if mm_px is None:
        return
    key = "scale.source" if record.scale.from_file else "scale.bar" if record.scale.bar else "scale.mm_per_px"
    low, high = _MM_PER_PX
    if not all(low <= one <= high for one in mm_px):
        message = f"{mm_px[0]:.4g} x {mm_px[1]:.4g} mm per pixel is unusual; check the length and its unit"
        yield _doubt("scale-unusual", key, message)
    elif header is not None:
        sides = sorted((header.width_px * mm_px[0], header.height_px * mm_px[1]))
        if sides[1] < _SLAB_SIDE_MM[0] or sides[1] > _SLAB_SIDE_MM[1]:
            message = f"the image would be {sides[0]:.3g} x {sides[1]:.3g} mm; check the length and its unit"
            yield _doubt("scale-unusual", key, message)


def stated_mm_px(record: Record, header: ImageHeader | None = None) -> tuple[float, float] | None:
    """Scale that follows from the record alone, before magnification.

    Parameters
    ----------
    record : Record
        The record.
    header : ImageHeader, optional
        For the resolution that the image file states.

    Returns
    -------
    tuple of float or None
        Millimetres per pixel in x and y; None where it must be found in the image.
    """
    if record.scale.mm_per_px is not None:
        return record.scale.mm_per_px
    if record.scale.from_file:
        return None if header is None else header.resolution_mm_px
    length_px = _bar_length_px(record)
    if length_px is None or record.scale.bar is None:
        return None
    mm_px = record.scale.bar.length_mm / length_px
    return mm_px, mm_px


def _bar_length_px(record: Record) -> float | None:
    """Length of the bar between its given ends."""
    bar = record.scale.bar
    return math.dist(bar.from_px, bar.to_px) if bar is not None and bar.from_px and bar.to_px else None


def _about_density(record: Record, header: ImageHeader | None) -> Iterator[Doubt]:
    """What is missing for a density."""
    density = record.density
    if record.image.kind not in XRAY_KINDS:
        if density is not None:
            yield _doubt("density-not-used", "density", f"a {record.image.kind} carries no density; delete it")
        return
    if density is None or not (density.standards or density.bodies):
        yield _doubt("no-standards", "density.standards")
    if density is None:
        return
    yield from (_doubt(*told) for told in about_bodies(record))
    if record.image.values != "hounsfield":
        yield from (_doubt(*told) for told in about_thickness(density))
        yield from _about_span(density)
    if 0 < len(density.standards) < _FEWEST_STANDARDS:
        message = f"{len(density.standards)} in all leave nothing to check the curve with; three or more are better"
        yield _doubt("few-standards", "density.standards", message)
    yield from _about_materials(density)
    yield from _about_patches(record, density)
    if not density.open_beam_px and header is not None and record.image.kind == "radiograph":
        yield _doubt("open-beam-to-find", "density.open_beam_px", "not given; the program will look for open beam")


def _about_span(density: DensitySpec) -> Iterator[Doubt]:
    """Whether carbonate standards reach past what the slab's mass per area is likely to be."""
    masses = [_carbonate_g_cm2(s.material, s.thickness_mm, s.density_g_cm3) for s in density.standards]
    known = [mass for mass in masses if mass is not None]
    if not known or len(known) < len(masses) or (thickness := usual_thickness_mm(density)) is None:
        return
    low, high = (thickness / 10 * one for one in _SLAB_DENSITY_G_CM3)
    if min(known) > low or max(known) < high:
        message = (
            f"the standards reach from {min(known):.2f} to {max(known):.2f} g/cm2, a slab of "
            f"{thickness:g} mm from about {low:.2f} to {high:.2f}; density beyond them is extrapolated"
        )
        yield _doubt("standards-do-not-span", "density.standards", message)


def _carbonate_g_cm2(material: str, thickness_mm: float, density_g_cm3: float | None) -> float | None:
    """Mass per area of a carbonate standard; None for other materials."""
    mineral = _CARBONATES_G_CM3.get(material.strip().lower())
    return None if mineral is None else (density_g_cm3 or mineral) * thickness_mm / 10


def _about_materials(density: DensitySpec) -> Iterator[Doubt]:
    """Standards that are not carbonate need the energy of the beam."""
    others = [s.material for s in density.standards if s.material.strip().lower() not in _CARBONATES_G_CM3]
    if others and density.effective_kev is None:
        message = (
            f"not given, but {others[0]} is not calcium carbonate: its likeness depends on the energy, which is then "
            "fitted where the standards tell it; a step of aragonite in the picture does"
        )
        yield _doubt("no-energy", "density.effective_kev", message)


def _about_patches(record: Record, density: DensitySpec) -> Iterator[Doubt]:
    """Patches that overlap, are tiny, or lie on a track."""
    patches = [(f"density.standards[{i}].box_px", s.box_px) for i, s in enumerate(density.standards, 1)]
    patches += [(f"density.open_beam_px[{i}]", box) for i, box in enumerate(density.open_beam_px, 1)]
    patches += [(f"density.bars_px[{i}]", box) for i, box in enumerate(density.bars_px, 1)]
    for (key, box), (other_key, other) in combinations(patches, 2):
        if _overlap(box, other):
            yield _doubt("patches-overlap", other_key, f"overlaps {key}; each patch must show one thing only")
    for key, box in patches:
        if (box[2] - box[0]) * (box[3] - box[1]) < _SMALLEST_PATCH_PX2:
            yield _doubt("patch-small", key, "smaller than 100 pixels: its mean is noisy; draw it larger")
        for i, track in enumerate(record.tracks, 1):
            if any(_crosses(box, a, b) for a, b in pairwise(track.points_px)):
                yield _doubt("patch-on-track", key, f"track[{i}] runs through it; a patch must lie beside the slab")


def _overlap(a: Box, b: Box) -> bool:
    """Whether two boxes share some area."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _crosses(box: Box, start: Point, end: Point) -> bool:
    """Whether a straight line runs through the inside of a box."""
    first, last = 0.0, 1.0
    for side in (0, 1):
        low, high, at, step = box[side], box[side + 2], start[side], end[side] - start[side]
        if step == 0:
            if not low < at < high:
                return False
            continue
        near, far = sorted(((low - at) / step, (high - at) / step))
        first, last = max(first, near), min(last, far)
    return first < last


def _about_dating(record: Record) -> Iterator[Doubt]:
    """What is missing for calendar years."""
    dating, kind = record.dating, record.image.kind
    if kind != "photograph":
        if dating.mark is None:
            yield _doubt("no-mark", "dating.mark", "not said what is counted as the annual mark; write mark")
        elif (dating.mark == "luminescent line") != (kind == "luminescence"):
            yield _doubt("mark-unusual", "dating.mark", f'"{dating.mark}" is unusual in a {kind} image')
        if dating.mark_date is None:
            yield _doubt("no-mark-date", "dating.mark_date")
    if dating.spacing_mm is not None:
        low, high = _SPACING_MM
        yield _doubt("spacing-from-record", "dating.spacing_mm", "given: it steers which marks are taken as annual")
        if not low <= dating.spacing_mm <= high:
            message = f"{dating.spacing_mm:g} mm a year is unusual; check the unit"
            yield _doubt("spacing-unusual", "dating.spacing_mm", message)


def _about_tracks(record: Record) -> Iterator[Doubt]:
    """What is doubtful about tracks."""
    if not record.tracks and not record.branches:
        yield _doubt("no-track", "track", "no track is drawn: nothing can be measured; add [[track]]")
    elif len(record.tracks) == 1 and not record.branches:
        yield _doubt("single-track", "track", "one track only: a second one on the same slab would check the count")
    for i, track in enumerate(record.tracks, 1):
        if track.width_mm is not None and track.follow_mm is not None and track.follow_mm < track.width_mm:
            message = "narrower than width_mm: bands are followed over less than density is measured over"
            yield _doubt("follow-narrow", f"track[{i}].follow_mm", message)


def _about_stains(record: Record) -> Iterator[Doubt]:
    """What is doubtful about stainings."""
    if record.image.kind == "photograph" and not record.stains:
        message = "no staining is given: a photograph shows growth by its stain lines; add [[stain]]"
        yield _doubt("no-stain", "stain", message)
    for i, stain in enumerate(record.stains, 1):
        if not stain.dye:
            yield _doubt("no-dye", f"stain[{i}].dye", "not given: the colour to look for is not known")
        if record.specimen.collected is None:
            message = "without specimen.collected the time since this staining is not known"
            yield _doubt("stain-without-collection", f"stain[{i}].date", message)
    days = sorted(stain.date for stain in record.stains)
    if record.specimen.collected is not None and days:
        days.append(record.specimen.collected)
    if any((b - a).days < _SHORT_INTERVAL_DAYS for a, b in pairwise(days) if a != b):
        yield _doubt("interval-short", "stain")
