"""Write what was found in an image into a new record beside it."""

from __future__ import annotations

from pathlib import Path

from bandkit.errors import OutputError
from bandkit.images import open_image
from bandkit.propose.picture import Box
from bandkit.propose.proposals import Proposals, propose
from bandkit.record import RecordFile

LOOK = "proposed: look at it"
_FILL_IN = "# fill in: "


def write_record(image_path: str | Path) -> Path:
    """Write a record beside an image, with what can be found in it.

    Parameters
    ----------
    image_path : path
        The image.

    Returns
    -------
    Path
        The record: the image's name with ``.toml``.

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
    record_path = image_path.with_suffix(".toml")
    if record_path.exists():
        msg = f"{record_path}: is there already and was not overwritten; change that record, or move it away"
        raise OutputError(msg)
    with open_image(image_path) as image:
        proposals = propose(image)
    record = new_record(record_path, image_path.name, proposals)
    record.save()
    return record_path


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
