"""Slab records for simulated images, commented as a person would."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bandkit.simulate.truth import TrackTruth, Truth

if TYPE_CHECKING:
    from bandkit.simulate.luminescence import LuminescenceDesign
    from bandkit.simulate.photograph import PhotographDesign
    from bandkit.simulate.radiograph import RadiographDesign

Box = tuple[float, float, float, float]

# A person draws the box of a standard well inside its edges.
INSET_MM = 2.0


def radiograph_record(design: RadiographDesign, image_file: str, truth: Truth, *, mark_date: tuple[int, int],
                      standard_px: tuple[Box, ...]) -> str:
    """Write the record of a simulated radiograph.

    Parameters
    ----------
    design : RadiographDesign
        What was simulated.
    image_file : str
        File name of the image.
    truth : Truth
        Bar and tracks.
    mark_date : tuple of int
        Month and day of the annual mark.
    standard_px : tuple of box
        Edges of the standards.

    Returns
    -------
    str
        TOML text.
    """
    inset = INSET_MM / truth.mm_per_px
    lines = []
    for box, thickness in zip(standard_px, design.standards_mm, strict=True):
        x0, y0, x1, y1 = round(box[0] + inset), round(box[1] + inset), round(box[2] - inset), round(box[3] - inset)
        lines.append(f'  {{ box_px = [{x0}, {y0}, {x1}, {y1}], material = "aragonite", '
                     f"thickness_mm = {thickness:.1f}, density_g_cm3 = 2.93 }},")
    standards = "\n".join(lines)
    return f"""{specimen_text(design.specimen, design.taxon, design.site, str(design.growth.collected))}
[image]
file = "{image_file}"
kind = "radiograph"
dense = "{design.beam.dense}"
values = "intensity"

[scale]
{bar_text(truth)}

[density]
slab_thickness_mm = {design.slab.thickness_mm:.2f}           # mean of nine calliper readings
slab_thickness_sd_mm = 0.05
standards = [
{standards}
]
effective_kev = {design.beam.effective_kev:.1f}

[dating]
mark = "density maximum"
mark_date = "{mark_date[0]:02d}-{mark_date[1]:02d}"
{"".join(track_text(track) for track in truth.tracks)}"""


def photograph_record(design: PhotographDesign, image_file: str, truth: Truth) -> str:
    """Write the record of a simulated photograph of a stained slab.

    Parameters
    ----------
    design : PhotographDesign
        What was simulated.
    image_file : str
        File name of the image.
    truth : Truth
        Bar and tracks.

    Returns
    -------
    str
        TOML text.
    """
    stains = "".join(f'\n[[stain]]\ndate = {day}\ndye = "alizarin red S"\n' for day in design.stained)
    return f"""{specimen_text(design.specimen, design.taxon, design.site, str(design.growth.collected))}
[image]
file = "{image_file}"
kind = "photograph"

[scale]
{bar_text(truth)}
{"".join(track_text(track) for track in truth.tracks)}{stains}"""


def luminescence_record(design: LuminescenceDesign, image_file: str, truth: Truth, *,
                        mark_date: tuple[int, int]) -> str:
    """Write the record of a simulated luminescence image.

    Parameters
    ----------
    design : LuminescenceDesign
        What was simulated.
    image_file : str
        File name of the image.
    truth : Truth
        Bar and tracks.
    mark_date : tuple of int
        Month and day of the luminescent line.

    Returns
    -------
    str
        TOML text.
    """
    return f"""{specimen_text(design.specimen, design.taxon, design.site, str(design.growth.collected))}
[image]
file = "{image_file}"
kind = "luminescence"

[scale]
{bar_text(truth)}

[dating]
mark = "luminescent line"
mark_date = "{mark_date[0]:02d}-{mark_date[1]:02d}"
{"".join(track_text(track) for track in truth.tracks)}"""


def specimen_text(specimen: str, taxon: str, site: str, collected: str) -> str:
    """Write the head of a record.

    Parameters
    ----------
    specimen, taxon, site, collected : str
        Who, where, when (ISO date).

    Returns
    -------
    str
        TOML text up to the end of ``[specimen]``.
    """
    return f"""# Simulated practice slab: Tarefa Bank is an invented place.
record = 1

[specimen]
id = "{specimen}"
taxon = "{taxon}"
site = "{site}"
latitude_deg = -9.4
longitude_deg = 46.2
depth_m = 4.0
collected = {collected}
top_alive = true
"""


def bar_text(truth: Truth) -> str:
    """Write the scale bar's line.

    Parameters
    ----------
    truth : Truth
        Where the bar lies.

    Returns
    -------
    str
        One line of TOML.
    """
    x0, y0, x1, y1 = truth.bar_px
    return f"bar = {{ from_px = [{x0:.1f}, {y0:.1f}], to_px = [{x1:.1f}, {y1:.1f}], length_mm = {truth.bar_mm:.1f} }}"


def track_text(track: TrackTruth, width_mm: float = 5.0) -> str:
    """Write one track.

    Parameters
    ----------
    track : TrackTruth
        Name and points.
    width_mm : float, optional
        Width over which density is measured.

    Returns
    -------
    str
        A ``[[track]]`` table.
    """
    points = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in track.points_px)
    return f"""
[[track]]
name = "{track.name}"
points_px = [{points}]
width_mm = {width_mm:.1f}
"""
