"""What is told of a planned staining: tables, sentences, figure, page, and sheets to print."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from bandkit.analysis.dose import BAG_TIMES, DOSES_MG_L, dose_table
from bandkit.analysis.plan import MOST_DAYS_LOST, PlanTable, half_width_mm_yr, power_to_see
from bandkit.analysis.plan_aim import Aim, Expected, Losses
from bandkit.output import style
from bandkit.output.field_sheets import (
    COLLECTION_CAUTIONS,
    FIELD_SHEET,
    LABEL_SHEET,
    STAINING_CAUTIONS,
    Sheets,
    field_sheet_pdf,
    label_sheet_pdf,
)
from bandkit.output.figure import DPI, png_bytes
from bandkit.output.tables import table_csv
from bandkit.output.templating import environment

PLAN_TABLE, DOSE_TABLE, PLAN_FIGURE, PLAN_REPORT = "plan.csv", "dose.csv", "plan.png", "plan.html"
DIAMETERS_MM = (100.0, 150.0, 200.0, 300.0, 400.0, 500.0)
_MOST_LINES = len(style.TRACK_STYLES)

DOSE_CAUTIONS = (
    "Common practice, no recipe. Try it on one colony first: a slow coral may need a second day in the bag, a fast one "
    "in the sun took it up in 4 to 6 hours (practitioners' list, 2004). 10 to 20 mg per litre is from memory.",
    "10 mg per litre for 24 hours depressed calcification for up to six days (Dodge et al. 1984); a later study found "
    "no effect (Holcomb et al. 2013). Write down dose, hours and batch, so that the days can be left out.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStory:
    """Everything that the report of a planned staining draws on.

    Parameters
    ----------
    expected : Expected
        Growth and its spreads.
    aim : Aim
        What shall be told.
    losses : Losses
        What becomes of stained colonies.
    table : PlanTable
        The plan.
    sheets : Sheets or None
        Colonies for the sheets to print; None where nobody knows how many.
    """

    expected: Expected
    aim: Aim
    losses: Losses
    table: PlanTable
    sheets: Sheets | None = None


def plan_files(story: PlanStory) -> dict[str, bytes]:
    """Write tables, figure, page and sheets of a plan.

    Parameters
    ----------
    story : PlanStory
        The plan.

    Returns
    -------
    dict of str to bytes
        Content by file name.
    """
    doses = dose_table(DIAMETERS_MM)
    png = png_bytes(plan_figure(story))
    page = environment().get_template("plan.html.j2").render(
        title="How many colonies to stain, and how long to wait", sentences=plan_sentences(story),
        rows=story.table.rows(), doses=doses.rows(), dose_cautions=DOSE_CAUTIONS, bag_times=BAG_TIMES,
        cautions=(*STAINING_CAUTIONS, *COLLECTION_CAUTIONS), least=DOSES_MG_L[0], most=DOSES_MG_L[1],
        figure=f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}", sheets=story.sheets,
        lost_days=MOST_DAYS_LOST,
    )  # fmt: skip
    files = {PLAN_TABLE: table_csv(story.table).encode(), DOSE_TABLE: table_csv(doses).encode(), PLAN_FIGURE: png,
             PLAN_REPORT: page.encode()}
    if story.sheets:
        files |= {FIELD_SHEET: field_sheet_pdf(story.sheets), LABEL_SHEET: label_sheet_pdf(story.sheets)}
    return files


def plan_sentences(story: PlanStory) -> tuple[str, ...]:
    """Say what was asked, on what it rests, and what to doubt.

    Parameters
    ----------
    story : PlanStory
        The plan.

    Returns
    -------
    tuple of str
        Sentences.
    """
    expected, losses = story.expected, story.losses
    sentences = [
        f"Asked: {aim_text(story.aim)}.",
        f"Expected: {expected.extension_mm_yr:g} mm/yr; colonies differ by {expected.colonies_sd_mm_yr:g} mm/yr, the "
        f"years of a colony by {expected.years_sd_mm_yr:g} of its own and {expected.shared_years_sd_mm_yr:g} that the "
        f"site shares; growth of a colony is measured to {expected.measuring_sd_mm:g} mm (all standard deviations).",
        f"Of the stained, {100 * losses.unstained_frac:g} % show no line and {100 * losses.lost_per_yr_frac:g} % are "
        f"lost in a year. So many are stained that enough come back with a chance of {100 * story.aim.assurance:g} %.",
    ]
    if not losses.unstained_frac and not losses.lost_per_yr_frac:
        sentences.append("No losses were given. Bags leak, tags overgrow, colonies die: losses are common, and no rate "
                         "of them is published; stain more than are needed.")
    if not expected.shared_years_sd_mm_yr:
        sentences.append("No good or bad years that the whole site shares were given. Where there are some, one "
                         "interval tells of those years, not of the long-term mean, however many colonies are stained.")
    sentences.append("Numbers are per site, and colonies must be picked at random, not by how easily they are reached.")
    return tuple(sentences)


def aim_text(aim: Aim) -> str:
    """Say what is asked.

    Parameters
    ----------
    aim : Aim
        What shall be told.

    Returns
    -------
    str
        Without a stop.
    """
    level = f"{100 * aim.confidence:g} %"
    if aim.half_width_mm_yr is not None:
        return f"the mean of a site to ± {aim.half_width_mm_yr:g} mm/yr ({level} interval, on average)"
    return (f"to see a difference of {aim.difference_mm_yr:g} mm/yr between two sites with a chance of "
            f"{100 * aim.power:g} % (two-sided t test, level {100 * (1 - aim.confidence):g} %)")


def plan_lines(table: PlanTable, colonies: int | None = None) -> list[str]:
    """Say the plan in a line per wait, for a terminal.

    Parameters
    ----------
    table : PlanTable
        The plan.
    colonies : int, optional
        Colonies that can be stained.

    Returns
    -------
    list of str
        One line per row, and one for the wait that the given colonies need.
    """
    lines = [_plan_line(row) for row in table.rows()]
    if colonies is not None:
        wait_yr = table.shortest_wait_yr(colonies)
        enough = f"enough from a wait of {wait_yr:g} yr on" if wait_yr else "not enough for any of these waits"
        lines.append(f"{colonies} stained colonies: {enough}")
    return lines


def plan_figure(story: PlanStory) -> Figure:
    """Draw what more colonies and a longer wait bring.

    Parameters
    ----------
    story : PlanStory
        The plan.

    Returns
    -------
    matplotlib.figure.Figure
        Half width of the interval, or power, against the colonies that come back; a line per wait, of which four at
        most are drawn; what was asked as a level line.
    """
    figure = Figure(figsize=(7.4, 3.6), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    ax = figure.add_axes((0.10, 0.16, 0.68, 0.76))
    needed = story.table.colonies_needed[np.isfinite(story.table.colonies_needed)]
    most = int(max(1.6 * needed.max(), 10)) if needed.size else 60
    numbers = np.unique(np.geomspace(2, most, 40).round().astype(int))
    waits = story.table.wait_yr.tolist()
    if len(waits) > _MOST_LINES:
        waits = [waits[i] for i in np.linspace(0, len(waits) - 1, _MOST_LINES).round().astype(int)]
    for i, wait_yr in enumerate(waits):
        colour, dashes, _ = style.track_style(i)
        values = [_reached(story, wait_yr, int(n)) for n in numbers]
        ax.plot(numbers, values, color=colour, linestyle=dashes, linewidth=1.6, label=f"{wait_yr:g} yr", gid="wait")
    _dress_axes(ax, story, most)
    return figure


def _dress_axes(ax: Axes, story: PlanStory, most: int) -> None:
    """Level line, names, key."""
    aim = story.aim
    wanted = aim.power if aim.half_width_mm_yr is None else aim.half_width_mm_yr
    ax.axhline(wanted, color=style.FAINT, linewidth=1)
    # Power rises with colonies and half widths fall: the label stands where the lines are not.
    place, side = (2, "left") if aim.half_width_mm_yr is None else (most, "right")
    ax.text(place, wanted, " asked ", fontsize=8, color=style.FAINT, ha=side, va="bottom")
    top = 1.02 if aim.half_width_mm_yr is None else 4 * wanted
    ax.set(xlim=(2, most), ylim=(0, top))
    ax.set_xlabel("colonies of a site that come back with a stain line", fontsize=8)
    difference = f"chance to see {aim.difference_mm_yr:g} mm/yr between two sites" if aim.difference_mm_yr else ""
    ax.set_ylabel(difference or f"half width of the {100 * aim.confidence:g} % interval (mm/yr)", fontsize=8)
    ax.spines[["top", "right"]].set_visible(False)
    ax.tick_params(labelsize=8, width=0.8, length=3)
    ax.legend(title="wait", fontsize=8, title_fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.01, 1.0))


def _reached(story: PlanStory, wait_yr: float, colonies: int) -> float:
    """Half width or power that some colonies give."""
    aim = story.aim
    if aim.difference_mm_yr is None:
        return half_width_mm_yr(story.expected, wait_yr, colonies, confidence=aim.confidence)
    return power_to_see(story.expected, wait_yr, colonies, aim.difference_mm_yr, confidence=aim.confidence)


def _plan_line(row: dict[str, float | str]) -> str:
    """One row of the plan in words."""
    needed, stain = float(row["colonies_needed"]), float(row["colonies_to_stain"])
    note = f"  ({row['note']})" if row["note"] else ""
    wait = f"wait {float(row['wait_yr']):g} yr:"
    if not math.isfinite(needed):
        return f"{wait} cannot be told{note}"
    going_in = f"stain {stain:.0f}" if math.isfinite(stain) else "too many to stain,"
    return f"{wait} {going_in}, so that {needed:.0f} come back; {float(row['growth_mm']):g} mm of growth{note}"


