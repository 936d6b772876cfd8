"""Whether what the record points at lies inside its image."""

from __future__ import annotations

from collections.abc import Iterator

from bandkit.errors import RecordError
from bandkit.record._table import show
from bandkit.record.model import Box, Point, Record

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


def _error(record: Record, key: str, problem: str, size: tuple[int, int], *, swapped: bool) -> RecordError:
    """The error for one key."""
    remedy = "x and y may be swapped: write [x, y]" if swapped else "correct it, or is image.file another image?"
    msg = f"{record.path}: {key}: {problem} the image of {size[0]} x {size[1]} px; {remedy}"
    return RecordError(msg, reason="outside-image")


def _points(record: Record) -> Iterator[tuple[str, Point]]:
    """Every position that must lie inside, with its key."""
    bar = record.scale.bar
    if bar is not None and bar.from_px is not None and bar.to_px is not None:
        yield "scale.bar.from_px", bar.from_px
        yield "scale.bar.to_px", bar.to_px
    for i, track in enumerate(record.tracks, 1):
        for j, point in enumerate(track.points_px, 1):
            yield f"track[{i}].points_px[{j}]", point
    for i, stain in enumerate(record.stains, 1):
        if stain.at_px is not None:
            yield f"stain[{i}].at_px", stain.at_px
    for i, reading in enumerate(record.readings, 1):
        for j, mark in enumerate(reading.marks, 1):
            yield f"reading[{i}].marks[{j}].at_px", mark.at_px
    for i, gap in enumerate(record.gaps, 1):
        yield f"gap[{i}].from_px", gap.from_px
        yield f"gap[{i}].to_px", gap.to_px


def _boxes(record: Record) -> Iterator[tuple[str, Box]]:
    """Every box that must lie inside, with its key."""
    if record.scale.bar is not None and record.scale.bar.within_px is not None:
        yield "scale.bar.within_px", record.scale.bar.within_px
    if record.density is not None:
        for i, standard in enumerate(record.density.standards, 1):
            yield f"density.standards[{i}].box_px", standard.box_px
        for i, box in enumerate(record.density.open_beam_px, 1):
            yield f"density.open_beam_px[{i}]", box


def _inside(point: Point, size: tuple[int, int]) -> bool:
    """Whether a position lies in the image."""
    return all(_EDGE_PX <= at <= side + _EDGE_PX for at, side in zip(point, size, strict=True))


def _meets(corners: tuple[Point, ...], size: tuple[int, int]) -> bool:
    """Whether the rectangle round a polygon shares some area with the image."""
    sides = zip(zip(*corners, strict=True), size, strict=True)
    return all(max(at) > _EDGE_PX and min(at) < side + _EDGE_PX for at, side in sides)
