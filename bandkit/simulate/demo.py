"""The three demo slabs of Tarefa Bank (an invented atoll chain), with records as a person would keep them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

from bandkit.simulate.beam import BeamDesign
from bandkit.simulate.camera import CameraDesign
from bandkit.simulate.colony import SlabDesign
from bandkit.simulate.growth import GrowthDesign
from bandkit.simulate.luminescence import LuminescenceDesign, simulate_luminescence
from bandkit.simulate.photograph import PhotographDesign, simulate_photograph
from bandkit.simulate.radiograph import RadiographDesign, simulate_radiograph
from bandkit.simulate.truth import SimulatedSlab
from bandkit.simulate.write import write_simulated

SEEDS = {"TB-07": 7, "TB-12": 12, "TB-19": 19}

# Drawn on the picture that the seed gives.
BORING_MASK = """
[[mask]]
polygon_px = [[705, 178], [758, 203], [680, 374], [620, 346]]
why = "bivalve boring, empty"
"""


def write_demo_images(folder: str | Path) -> list[Path]:
    """Write the demo slabs: images and records in ``folder``, the true answers in ``folder/truth``.

    Parameters
    ----------
    folder : path
        Where they go; made where absent.

    Returns
    -------
    list of Path
        The records.

    Raises
    ------
    OutputError
        When a file cannot be written.
    """
    truth = Path(folder) / "truth"
    return [write_simulated(slab, folder, truth_folder=truth) for slab in (demo_core(), demo_stained(), demo_flooded())]


def demo_core() -> SimulatedSlab:
    """Radiograph of a core: 23 years, doublets, some borings, two tracks.

    Returns
    -------
    SimulatedSlab
        TB-07.
    """
    design = RadiographDesign(
        specimen="TB-07", site="Tarefa Bank north",
        growth=GrowthDesign(collected=date(2019, 6, 15), years=23.0, extension_mm_yr=11.5, extension_cv_frac=0.16,
                            density_g_cm3=1.28, cycle_frac=0.15, doublet_frac=0.25, stress_chance=0.05,
                            stress_frac=0.15, tissue_mm=5.4, initial_frac=0.5, peak_yr=0.86),
        slab=SlabDesign(width_mm=66.0, thickness_mm=6.5, radius_mm=400.0, tilt_deg=3.0, bump_mm=1.0,
                        bump_length_mm=26.0, texture_frac=0.08, borings=5),
        beam=BeamDesign(heel_frac=0.13, photons_per_px=40000.0, bits=12, offset_frac=0.03),
        standards_mm=(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0), track_offsets_mm=(-6.0, 11.0))
    slab = simulate_radiograph(design, SEEDS["TB-07"])
    notes = [
        ("id = ", "", "  # core 7, drilled at the summit of the colony"),
        ("top_alive", "", "             # polyps out when we drilled"),
        ("dense = ", "", "               # lead bar is white: dense is bright"),
        ("[scale]", "# lead bar, laid on the cassette's raised tray at slab height\n", ""),
        ("standards = [", "# giant clam steps, cut and measured by us\n", ""),
        ("mark_date", "", "              # densest skeleton, from the stained colonies next door"),
        ('name = "A"', "# along the corallites; they stay in the face nearly all the way\n", ""),
        ('name = "B"', "# second track on the next bump, for comparison\n", ""),
    ]
    return _annotated(slab, "Core TB-07, Tarefa Bank north, station 3.", notes, end=BORING_MASK)


def demo_stained() -> SimulatedSlab:
    """Photograph of a slab with two stainings.

    Returns
    -------
    SimulatedSlab
        TB-12.
    """
    base = PhotographDesign()
    design = replace(
        base, specimen="TB-12", site="Tarefa Bank south",
        growth=replace(base.growth, collected=date(2019, 6, 20), years=6.1, extension_mm_yr=9.8, extension_cv_frac=0.15,
                       tissue_mm=5.0),
        slab=replace(base.slab, width_mm=44.0, tilt_deg=-2.0, bump_mm=0.8, texture_frac=0.08),
        camera=CameraDesign(light_rgb=(1.0, 0.96, 0.88)),
        stained=(date(2014, 6, 10), date(2016, 6, 2)), dye_strength=0.9, dye_patchy_frac=0.25)
    slab = replace(simulate_photograph(design, SEEDS["TB-12"]), image_file="TB-12_photo.jpg")
    notes = [
        ("[image]", "# camera on a stand, slab on black cloth, lamp from one side\n", ""),
        ("date = 2014-06-10", "", "           # bag on 09:20, off next day 09:50; 12 mg per litre"),
        ("date = 2016-06-02", "", "           # same divers, same dose"),
        ('name = "A"', "# down the middle bump\n", ""),
    ]
    text = slab.record_text.replace("TB-12_photo.png", "TB-12_photo.jpg")
    title = "Colony TB-12, Tarefa Bank south, stained twice, collected whole."
    return _annotated(replace(slab, record_text=text), title, notes)


def demo_flooded() -> SimulatedSlab:
    """Luminescence image of a slab from off a river mouth.

    Returns
    -------
    SimulatedSlab
        TB-19.
    """
    base = LuminescenceDesign()
    design = replace(base, specimen="TB-19", growth=replace(base.growth, collected=date(2019, 9, 3), years=11.4,
                                                           extension_mm_yr=10.4, extension_cv_frac=0.18))
    slab = replace(simulate_luminescence(design, SEEDS["TB-19"]), image_file="TB-19_uv.jpg")
    notes = [
        ("[image]", "# dark room, long-wave UV lamp above, 8 s exposure\n", ""),
        ("[scale]", "# plastic bar, it glows a little\n", ""),
        ("mark_date", "", "              # floods come in February"),
    ]
    text = slab.record_text.replace("TB-19_uv.png", "TB-19_uv.jpg")
    return _annotated(replace(slab, record_text=text), "Slab TB-19, Tarefa Bank lagoon, off the river mouth.", notes)


def _annotated(slab: SimulatedSlab, title: str, notes: list[tuple[str, str, str]], *, end: str = "") -> SimulatedSlab:
    """Add a person's comments, for each (line's start, line before, text behind), and what they drew at the end."""
    lines = [f"# {title}", "# Demo data: Tarefa Bank is an invented place, the slab is simulated.",
             *slab.record_text.splitlines()[1:]]
    for start, before, behind in notes:
        at = next(i for i, line in enumerate(lines) if line.startswith(start))
        lines[at] = f"{before}{lines[at]}{behind}"
    return replace(slab, record_text="\n".join(lines) + "\n" + end)
