"""Whether what the record points at lies inside its image."""

from __future__ import annotations

from collections.abc import Iterator

from bandkit.errors import RecordError
from bandkit.record._table import show
from bandkit.record.model import Record
from bandkit.record.model_density import Box
from bandkit.record.model_mass import Point
from bandkit.record.model_volume import BodySpec

# Pixel centres are whole numbers, so the image begins half a pixel before 0 and ends half a pixel before its size.
_EDGE_PX = -0.5


def raise_for_image(record: Record, width_px: int, height_px: int) -> None:
    """Raise where a position or a box of the record lies outside its image.

    Parameters
    ----------
    record : Record
        The record.
    width_px, height_px : int
        Size of its image.

    Raises
    ------
    RecordError
        One line with the file, the key, the position, the size of the image, and whether
        x and y seem to be swapped. Masks may overhang the edge but must meet the image.

    Notes
    -----
    The centre of the first pixel is [0, 0], so the image covers -0.5 to size - 0.5.
    """
    size = (width_px, height_px)
    for key, point in _points(record):
        if not _inside(point, size):
            swapped = _inside((point[1], point[0]), size)
            raise _error(record, key, f"{show(point)} lies outside", size, swapped=swapped)
    for key, box in _boxes(record):
        x0, y0, x1, y1 = box
        # The far corner of a box may stand on the image's far edge, counted from pixel corners.
        if not (_inside((x0, y0), size) and _inside((x1 - 0.5, y1 - 0.5), size)):
            swapped = _inside((y0, x0), size) and _inside((y1 - 0.5, x1 - 0.5), size)
            raise _error(record, key, f"{show(box)} lies outside", size, swapped=swapped)
    for number, mask in enumerate(record.masks, 1):
        if not _meets(mask.polygon_px, size):
            raise _error(record, f"mask[{number}].polygon_px", "all of it lies outside", size, swapped=False)


def raise_for_volume(record: Record, size_px: tuple[int, int, int]) -> None:
    """Raise where a place of the record lies outside the volume that its slab is cut from.

    Parameters
    ----------
    record : Record
        A record with a ``[volume]``.
    size_px : tuple of int
        Columns, rows and slices.

    Raises
    ------
    RecordError
        One line with the file, the key, the place and the size of the volume.
    """
    ends: dict[str, list[tuple[float, float, float]]] = {}
    if record.volume is not None:
        ends |= {f"volume.points_px[{i}]": [point] for i, point in enumerate(record.volume.points_px, 1)}
    for i, body in enumerate(record.density.bodies if record.density is not None else (), 1):
        x0, y0, x1, y1 = box_of(body)
        first, last = body.slices or (0, 0)
        ends[f"density.standards[{i}]"] = [(x0, y0, first), (x1 - 0.5, y1 - 0.5, last)]
    for key, places in ends.items():
        for place in places:
            if not all(_EDGE_PX <= at <= side + _EDGE_PX for at, side in zip(place, size_px, strict=True)):
                size = " x ".join(map(str, size_px))
                msg = (f"{record.path}: {key}: [{', '.join(f'{at:g}' for at in place)}] lies outside the volume of "
                       f"{size} voxels (x, y, slices, counted from 0); correct it")
                raise RecordError(msg, reason="outside-image")


def box_of(body: BodySpec) -> Box:
    """Box round a body in the slices.

    Parameters
    ----------
    body : BodySpec
        A box or a cylinder.

    Returns
    -------
    tuple of float
        x0, y0, x1, y1.
    """
    if body.box_px is not None:
        return body.box_px
    (x, y), radius = body.centre_px or (0.0, 0.0), body.radius_px or 0.0
    return x - radius, y - radius, x + radius, y + radius


def _error(record: Record, key: str, problem: str, size: tuple[int, int], *, swapped: bool) -> RecordError:
    """The error for one key."""
    remedy = "x and y may be swapped: write [x, y]" if swapped else "correct it, or is image.file another image?"
    msg = f"{record.path}: {key}: {problem} the image of {size[0]} x {size[1]} px; {remedy}"
    return RecordError(msg, reason="outside-image")


def _points(record: Record) -> Iterator[tuple[str, Point]]:
    """Every position that must lie inside, with its key."""
    yield from _scale_points(record)
    for i, track in enumerate(record.tracks, 1):
        for j, point in enumerate(track.points_px, 1):
            yield f"track[{i}].points_px[{j}]", point
    for i, stain in enumerate(record.stains, 1):
        if stain.at_px is not None:
            yield f"stain[{i}].at_px", stain.at_px
    for i, branch in enumerate(record.branches, 1):
        for j, point in enumerate(branch.points_px, 1):
            yield f"branch[{i}].points_px[{j}]", point
    for i, reading in enumerate(record.readings, 1):
        for j, mark in enumerate(reading.marks, 1):
            yield f"reading[{i}].marks[{j}].at_px", mark.at_px
    yield from _event_points(record)
    for i, measured in enumerate(record.density.thickness_points if record.density else (), 1):
        yield f"density.thickness_points[{i}].at_px", measured.at_px


def _scale_points(record: Record) -> Iterator[tuple[str, Point]]:
    """Ends of a bar, places on rulers, corners of a rectangle, and landmarks."""
    bar = record.scale.bar
    if bar is not None and bar.from_px is not None and bar.to_px is not None:
        yield "scale.bar.from_px", bar.from_px
        yield "scale.bar.to_px", bar.to_px
    for i, ruler in enumerate(record.scale.rulers, 1):
        key = f"scale.ruler[{i}]" if len(record.scale.rulers) > 1 else "scale.ruler"
        if ruler.from_px is not None and ruler.to_px is not None:
            yield f"{key}.from_px", ruler.from_px
            yield f"{key}.to_px", ruler.to_px
    for i, corner in enumerate(record.scale.rectify.corners_px if record.scale.rectify else (), 1):
        yield f"scale.rectify.corners_px[{i}]", corner
    for i, landmark in enumerate(record.photograph.landmarks if record.photograph else (), 1):
        yield f"photograph.landmarks[{i}].here_px", landmark.here_px


def _event_points(record: Record) -> Iterator[tuple[str, Point]]:
    """Gaps and events."""
    for i, gap in enumerate(record.gaps, 1):
        yield f"gap[{i}].from_px", gap.from_px
        yield f"gap[{i}].to_px", gap.to_px
    for i, event in enumerate(record.events, 1):
        yield f"event[{i}].at_px", event.at_px


def _boxes(record: Record) -> Iterator[tuple[str, Box]]:
    """Every box that must lie inside, with its key."""
    if record.scale.bar is not None and record.scale.bar.within_px is not None:
        yield "scale.bar.within_px", record.scale.bar.within_px
    for i, ruler in enumerate(record.scale.rulers, 1):
        if ruler.within_px is not None:
            key = f"scale.ruler[{i}]" if len(record.scale.rulers) > 1 else "scale.ruler"
            yield f"{key}.within_px", ruler.within_px
    if record.density is not None:
        for i, standard in enumerate(record.density.standards, 1):
            yield f"density.standards[{i}].box_px", standard.box_px
        for i, body in enumerate(record.density.bodies if record.volume is None else (), 1):
            yield f"density.standards[{i}]", box_of(body)
        for i, box in enumerate(record.density.open_beam_px, 1):
            yield f"density.open_beam_px[{i}]", box
        for i, box in enumerate(record.density.bars_px, 1):
            yield f"density.bars_px[{i}]", box


def _inside(point: Point, size: tuple[int, int]) -> bool:
    """Whether a position lies in the image."""
    return all(_EDGE_PX <= at <= side + _EDGE_PX for at, side in zip(point, size, strict=True))


def _meets(corners: tuple[Point, ...], size: tuple[int, int]) -> bool:
    """Whether the rectangle round a polygon shares some area with the image."""
    sides = zip(zip(*corners, strict=True), size, strict=True)
    return all(max(at) > _EDGE_PX and min(at) < side + _EDGE_PX for at, side in sides)
