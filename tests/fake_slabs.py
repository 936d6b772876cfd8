"""Slabs without anything on them, and what stands in for measuring them: quick, and told what to do by the id."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
from factories import make_result
from PIL import Image

from bandkit._version import __version__
from bandkit.errors import DetectionError
from bandkit.images import open_image
from bandkit.record import Record
from bandkit.results import SlabResult

RECORD = """\
record = 1
[specimen]
id = "{id}"
[image]
file = "{image}"
kind = "radiograph"
[scale]
mm_per_px = 0.1
[[track]]
name = "A"
points_px = [[5, 1], [5, 30]]
"""


def write_slab(folder: Path, specimen: str, *, file: str | None = None) -> Path:
    """A record and an image of one grey, made from the id so that no two are alike."""
    image = folder / f"{specimen}.png"
    level = hashlib.sha256(specimen.encode()).digest()[0]
    Image.fromarray(np.full((40, 10), level, dtype=np.uint8)).save(image)
    path = folder / (file or f"{specimen}.toml")
    path.write_text(RECORD.format(id=specimen, image=image.name))
    return path


class FakeMeasure:
    """Stands in for the measurement; a person's id tells it what to do."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.refuse: set[str] = set()

    def __call__(self, record: Record) -> SlabResult:
        specimen = record.specimen.id
        self.calls.append(specimen)
        if specimen.startswith("EMPTY") or specimen in self.refuse:
            msg = f"{record.path}: nothing on it"
            raise DetectionError(msg)
        if specimen.startswith("BUG"):
            msg = "index 7\nout of bounds"
            raise IndexError(msg)
        if specimen.startswith("HUGE"):
            raise MemoryError
        if specimen.startswith("STOP"):
            raise KeyboardInterrupt
        with open_image(record.image.path) as image:
            hashes = {"image_sha256": image.sha256(),
                      "record_sha256": hashlib.sha256(record.text.encode()).hexdigest()}
        return make_result(specimen_id=specimen,
                           provenance={"version": __version__, "record": record.path.name, **hashes})
