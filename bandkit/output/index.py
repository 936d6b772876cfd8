"""The page of a batch: every slab with its key numbers and a link to its report."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from bandkit.output.atomic import write_text_whole
from bandkit.output.folders import slab_name
from bandkit.output.tables import Rejection, slab_rows
from bandkit.output.words import count_text, error_text
from bandkit.results import SlabResult

INDEX_FILE = "index.html"


def write_index(
    out: Path, slabs: Iterable[SlabResult | Path], rejected: Iterable[Rejection] = (), *, title: str = "Measured slabs"
) -> Path:
    """Write the page of a batch.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    slabs : iterable of SlabResult or Path
        Slabs just measured, or folders written earlier, whose own tables are read.
    rejected : iterable of Rejection
        Slabs that could not be measured.
    title : str
        Heading of the page.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        When a slab's folder is not complete or was written by another version.
    OutputError
        When the page cannot be written; what was there before is kept.
    """
    # Imported here: jinja2 is not needed to join tables.
    from bandkit.output.templating import environment

    ordered = sorted(slabs, key=slab_name)
    refused = sorted(Rejection(*row) for row in rejected)
    page = (
        environment()
        .get_template("index.html.j2")
        .render(
            title=title,
            headline=_headline(len(ordered), len(refused)),
            tracks=[row for slab in ordered for row in _track_rows(slab)],
            stains=[_stain_row(row) for slab in ordered for row in slab_rows(slab, "stains")],
            rejected=refused,
        )
    )
    path = Path(out) / INDEX_FILE
    write_text_whole(path, page)
    return path


def _headline(n_slabs: int, n_rejected: int) -> str:
    """How many slabs were measured, and how many were not."""
    measured = f"{n_slabs} {'slab' if n_slabs == 1 else 'slabs'} measured"
    return f"{measured}, {n_rejected} rejected" if n_rejected else measured


def _track_rows(slab: SlabResult | Path) -> list[dict[str, Any]]:
    """Key numbers of a slab's tracks as text; a slab without tracks still has its link."""
    name = slab_name(slab)
    link = f"{quote(name)}/report.html"
    cells = slab_rows(slab, "tracks") or [{"specimen": name}]
    return [
        {
            "first": i == 0,
            "link": link,
            "specimen": row["specimen"],
            "track": row.get("track", ""),
            "years": count_text(_number(row, "years"), _number(row, "years_lo"), _number(row, "years_hi")),
            "extension": error_text(_number(row, "mean_extension_mm_yr"), _number(row, "mean_extension_sd_mm_yr")),
            "density": error_text(_number(row, "mean_density_g_cm3"), _number(row, "mean_density_sd_g_cm3")),
            "calcification": error_text(
                _number(row, "mean_calcification_g_cm2_yr"), _number(row, "mean_calcification_sd_g_cm2_yr")
            ),
            "flags": row.get("flags", ""),
        }
        for i, row in enumerate(cells)
    ]


def _stain_row(row: dict[str, str]) -> dict[str, str]:
    """One stain line as text."""
    return {
        **row,
        "depth": error_text(_number(row, "depth_mm"), _number(row, "depth_sd_mm")),
        "extension": error_text(_number(row, "extension_mm_yr"), _number(row, "extension_sd_mm_yr")),
    }


def _number(row: dict[str, str], name: str) -> float:
    """Number in a cell; NaN where it is empty or absent."""
    return float(row.get(name) or math.nan)
