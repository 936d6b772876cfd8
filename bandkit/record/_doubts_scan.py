"""What a careful person would ask about a scan, its cut and its standards, and about a scale stated by a file."""

from __future__ import annotations

from collections.abc import Iterator

from bandkit.record.model import Record

Told = tuple[str, str, str]

# A slab as thick as this shows more than one corallite's walls and pores, and fewer bends of its bands than more.
_USUAL_MM = (1.0, 15.0)
_FEWEST_LINEAR, _FEWEST_QUADRATIC = 3, 4
_SMALLEST_RADIUS_PX = 3.0


def about_volume(record: Record) -> Iterator[Told]:
    """What is doubtful about the cut through a scan.

    Parameters
    ----------
    record : Record
        The record.

    Yields
    ------
    tuple of str
        Code, key and message.
    """
    if record.volume is None:
        return
    thickness = record.volume.thickness_mm
    if not _USUAL_MM[0] <= thickness <= _USUAL_MM[1]:
        yield ("cut-thickness-unusual", "volume.thickness_mm",
               f"{thickness:g} mm: thin slabs show pores, thick ones blur bands that bend; 3 to 8 mm are usual")


def about_bodies(record: Record) -> Iterator[Told]:
    """What is doubtful about the standards of a scan.

    Parameters
    ----------
    record : Record
        The record.

    Yields
    ------
    tuple of str
        Code, key and message.
    """
    spec = record.density
    if spec is None or not spec.bodies:
        return
    least = _FEWEST_LINEAR if spec.curve == "linear" else _FEWEST_QUADRATIC
    if len(spec.bodies) < least:
        yield ("few-standards", "density.standards",
               f"{len(spec.bodies)} in all leave nothing to check a {spec.curve} curve with; add one, such as a box "
               'of air beside the slab (material = "air")')
    for i, body in enumerate(spec.bodies, 1):
        if body.radius_px is not None and body.radius_px < _SMALLEST_RADIUS_PX:
            yield ("patch-small", f"density.standards[{i}].radius_px",
                   "fewer than 3 voxels: its mean is mixed with what lies round it; use a thicker standard")


def about_file_scale(record: Record, spacing_at: str | None, magnification: float | None) -> Iterator[Told]:
    """What is doubtful about a scale that the image file states.

    Parameters
    ----------
    record : Record
        A record whose scale comes from the file.
    spacing_at : {"object", "detector", "unclear", "tags"} or None
        Where the stated spacing holds; None where the image is not known.
    magnification : float or None
        Magnification that the file states.

    Yields
    ------
    tuple of str
        Code, key and message; that is empty where the code is a flag.
    """
    if record.volume is not None:
        return
    if spacing_at in (None, "tags"):
        yield "scale-from-file-tags", "scale.source", ""
    elif spacing_at == "unclear":
        yield "spacing-unclear", "scale.source", ""
    elif spacing_at == "detector" and record.scale.source_to_detector_mm is None:
        code = "spacing-at-detector" if magnification is None else "magnification-from-file"
        yield code, "scale.source", ""
