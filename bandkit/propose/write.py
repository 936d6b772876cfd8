"""Write what was found in an image into a new record beside it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bandkit.errors import InputError, OutputError
from bandkit.images import ImageSource, open_image
from bandkit.images.volume import NO_VOXEL_SIZE, open_volume
from bandkit.propose.picture import Box
from bandkit.propose.proposals import Proposals, Proposed, propose
from bandkit.propose.scan import propose_cut
from bandkit.record import RecordFile
from bandkit.record.model import Kind

LOOK = "proposed: look at it"
SCAN_THICKNESS_MM = 5.0
"""Thin enough for bands that bend, thick enough to average over pores."""
_XRAY_MODALITIES = ("CR", "DX", "RG", "MG", "IO", "PX")
_SPACINGS = {
    "object": "holds in the slab itself",
    "detector": "holds at the detector: add source_to_detector_mm and slab_to_detector_mm, or give a bar instead",
    "unclear": "may hold in the slab or at the detector: a bar would be surer",
}
_FILL_IN = "# fill in: "


def write_record(image_path: str | Path) -> Path:
    """Write a record beside an image, with what can be found in it.

    Parameters
    ----------
    image_path : path
        The image, or the folder of a scan.

    Returns
    -------
    Path
        The record: the image's or folder's name with ``.toml``.

    Raises
    ------
    OutputError
        A record of that name is there already, or cannot be written.
    ImageReadError
        The image cannot be read.

    Notes
    -----
    What only a person knows (taxon, dates, thickness, the bar's length) stays a comment
    to fill in; every proposal carries a comment that says so.
    """
    image_path = Path(image_path)
    is_folder = image_path.is_dir()
    record_path = image_path.with_suffix(".toml")
    if is_folder:
        # The name of a folder may hold dots, and "." is a folder too.
        record_path = image_path.resolve().with_name(f"{image_path.resolve().name}.toml")
    if record_path.exists():
        msg = f"{record_path}: is there already and was not overwritten; change that record, or move it away"
        raise OutputError(msg)
    if is_folder:
        record = new_scan_record(record_path, image_path)
    else:
        with open_image(image_path) as image:
            record = new_record(record_path, image_path.name, _as_the_file_says(propose(image), image))
            _set_stated(record, image)
    record.save()
    return record_path


def _as_the_file_says(proposals: Proposals, image: ImageSource) -> Proposals:
    """What was found in a picture, less what its file knows better."""
    modality = image.header.modality
    if modality == "CT":
        kind: Proposed[Kind] = Proposed(value="ct", why="the file says so")
        return replace(proposals, kind=kind, dense=None, standards=None, open_beam=None)
    if modality in _XRAY_MODALITIES:
        return replace(proposals, kind=Proposed(value="radiograph", why="the file says so"))
    return proposals


def _set_stated(record: RecordFile, image: ImageSource) -> None:
    """Put into a record what only DICOM states: that greys are Hounsfield units, and a spacing."""
    if record.get(("image", "kind")) == "ct" and image.header.modality == "CT":
        record.set(("image", "values"), "hounsfield")
    if image.resolution_mm_px is not None and image.spacing_at in _SPACINGS:
        record.set(("scale", "source"), "file", comment=f"{LOOK}; the file's spacing {_SPACINGS[image.spacing_at]}")


def new_scan_record(record_path: Path, folder: Path) -> RecordFile:
    """Put what can be found in a scan into a new record; nothing is written.

    Parameters
    ----------
    record_path : Path
        The record to be.
    folder : Path
        The folder of its slices.

    Returns
    -------
    RecordFile
        Ready to be saved; it lacks the size of a voxel where the slices do not say.
    """
    try:
        volume, sides_known = open_volume(folder), True
    except InputError as error:
        if error.reason != NO_VOXEL_SIZE:
            raise
        # Positions are in voxels: what is found does not depend much on their shape.
        volume, sides_known = open_volume(folder, voxel_mm=(1.0, 1.0, 1.0)), False
    found = propose_cut(volume)
    name = folder.resolve().name
    head = (f"Record of the scan in {name}. What the program proposed is marked '{LOOK}': check it on the views.",)
    record = RecordFile.create(record_path, record_path.stem, name, "ct", head, in_volume=True)
    record.set(("volume", "points_px"), [list(point) for point in found.points_px], comment=f"{LOOK}; {found.why}")
    record.set(("volume", "thickness_mm"), SCAN_THICKNESS_MM, comment=LOOK)
    if not sides_known:
        # Where a track lies on the cut depends on the shape of the voxels.
        return record
    points = [list(point) for point in found.track_px]
    record.append("track", {"name": "A", "points_px": points}, comment=f"{LOOK}; in pixels of the cut")
    lines = [line for line in record.text.splitlines() if not line.startswith(f"{_FILL_IN}voxel_mm")]
    return RecordFile(record_path, "\n".join(lines) + "\n", None)


def new_record(record_path: Path, image_file: str, proposals: Proposals) -> RecordFile:
    """Put proposals into a new record; nothing is written.

    Parameters
    ----------
    record_path : Path
        The record to be.
    image_file : str
        The image's name.
    proposals : Proposals
        What was found.

    Returns
    -------
    RecordFile
        Ready to be saved.
    """
    head = (f"Record of {image_file}. What the program proposed is marked '{LOOK}': check it on the image.",)
    record = RecordFile.create(record_path, record_path.stem, image_file, proposals.kind.value, head)
    record.set(("image", "kind"), proposals.kind.value, comment=f"{LOOK}; {proposals.kind.why}")
    if proposals.dense is not None:
        record.set(("image", "dense"), proposals.dense.value, comment=f"{LOOK}; {proposals.dense.why}")
    if proposals.ruler is not None:
        ruler = proposals.ruler.value
        ends = {key: [round(v, 1) for v in at] for key, at in (("from_px", ruler.from_px), ("to_px", ruler.to_px))}
        record.set(("scale", "ruler"), {**ends, "tick_mm": ruler.unit.tick_mm},
                   comment=f"{LOOK}; {proposals.ruler.why}")
    if proposals.track is not None:
        points = [list(point) for point in proposals.track.value]
        record.append("track", {"name": "A", "points_px": points}, comment=f"{LOOK}; {proposals.track.why}")
    return RecordFile(record_path, _with_finds_to_complete(record.text, proposals), None)


def _with_finds_to_complete(text: str, proposals: Proposals) -> str:
    """Put finds that lack what only a person knows into the lines that ask for it, with 0.0 for the unknown."""
    lines = []
    for line in text.splitlines():
        if line.startswith(f"{_FILL_IN}bar = "):
            lines += _bar_lines(line, proposals)
        elif line.startswith(f"{_FILL_IN}standards = "):
            lines += _density_lines(line, proposals)
        else:
            lines.append(line)
    return "\n".join(lines) + "\n"


def _bar_lines(line: str, proposals: Proposals) -> list[str]:
    """The line that asks for the scale bar."""
    if proposals.ruler is not None:
        return []
    if proposals.bar is None:
        return [f"# {proposals.no_bar}", line]
    bar = proposals.bar.value
    ends = ", ".join(f"{key} = [{x:.1f}, {y:.1f}]" for key, (x, y) in (("from_px", bar.from_px), ("to_px", bar.to_px)))
    return [f"{_FILL_IN}bar = {{ {ends}, length_mm = 0.0 }}    # {LOOK}; {proposals.bar.why}"]


def _density_lines(line: str, proposals: Proposals) -> list[str]:
    """The lines that ask for standards and open beam."""
    lines = [line]
    if proposals.standards is not None:
        patches = ", ".join(f'{{ box_px = {_box(box)}, material = "aragonite", thickness_mm = 0.0 }}'
                            for box in proposals.standards.value)
        lines = [f"{_FILL_IN}standards = [{patches}]    # {LOOK}; {proposals.standards.why}"]
    if proposals.open_beam is not None:
        boxes = ", ".join(_box(box) for box in proposals.open_beam.value)
        lines.append(f"{_FILL_IN}open_beam_px = [{boxes}]    # {LOOK}; {proposals.open_beam.why}")
    return lines


def _box(box: Box) -> str:
    """A box as the record writes it."""
    return f"[{', '.join(f'{value:.0f}' for value in box)}]"
