"""The parts of the report on what density is off by, and on the balance."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from bandkit.output import style
from bandkit.output.figure import DPI
from bandkit.output.words import error_text
from bandkit.results import SlabResult

# Source by source: what it is called, its colour, and hatching for what differs from year to year.
_LOOKS: dict[str, tuple[str, str, str]] = {
    "calibration": ("calibration curve", "#0072B2", ""),
    "beam": ("open beam", "#56B4E9", ""),
    "thickness": ("slab thickness", "#009E73", ""),
    "noise": ("grain of the image", "#E8E8E8", "..."),
    "track": ("place and width of the track", "#F3E3B3", "///"),
    "picking": ("marks", "#E69F00", "xx"),
}
_BARS = (("year_sd_g_cm3", "year_share_frac", "one year"), ("mean_sd_g_cm3", "mean_share_frac", "mean of the years"))
MOST_TRACKS = 4
_BAR_INCH = 0.3
_HEAD_INCH, _FOOT_INCH = 0.62, 0.5
# A share below this has no room for its number.
_LEAST_LABELLED_FRAC = 0.045


def mass_context(result: SlabResult) -> dict[str, Any]:
    """What the template says of density's error and of the balance.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    dict
        ``budget`` (rows as text) and ``bulk`` (facts as pairs of text); empty where there is nothing to tell.
    """
    return {"budget": _budget_rows(result), "bulk": _bulk_facts(result)}


def budget_figure(result: SlabResult) -> Figure:
    """Draw the shares of density's variance: one bar for a year and one for the mean of the years of each track.

    Parameters
    ----------
    result : SlabResult
        The measured slab; the figure stays empty without a budget.

    Returns
    -------
    matplotlib.figure.Figure
        Plain colours for what is common to the slab, hatched ones for what differs from year to year.
    """
    names = list(dict.fromkeys(result.budget.track.tolist()))[:MOST_TRACKS]
    rows = [(name, *bar) for name in names for bar in _BARS]
    height = _HEAD_INCH + _FOOT_INCH + _BAR_INCH * max(len(rows), 1)
    figure = Figure(figsize=(7.4, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    ax = figure.add_axes((0.22, _FOOT_INCH / height, 0.62, (height - _HEAD_INCH - _FOOT_INCH) / height))
    for place, (name, sd_column, share_column, label) in enumerate(rows):
        own = result.budget.track == name
        shares = dict(zip(result.budget.source[own].tolist(), getattr(result.budget, share_column)[own], strict=True))
        sd = float(np.linalg.norm(getattr(result.budget, sd_column)[own]))
        _draw_bar(ax, place, shares)
        text = f"\N{PLUS-MINUS SIGN} {sd:.3f} g/cm\N{SUPERSCRIPT THREE}"
        ax.text(1.01, place, text, va="center", fontsize=8, color=style.INK)
        ax.text(-0.01, place, f"track {name}, {label}", ha="right", va="center", fontsize=8, color=style.INK)
    ax.set(xlim=(0, 1), ylim=(max(len(rows), 1) - 0.5, -0.5), yticks=[])
    ax.set_xticks([0, 0.25, 0.5, 0.75, 1.0], labels=["0", "25", "50", "75", "100 %"], fontsize=8)
    ax.set_xlabel("share of the variance of density", fontsize=8)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    # Legends fill column by column: what is common to the slab comes to stand in the first row.
    ordered = [_LOOKS[source] for pair in zip(list(_LOOKS)[:3], list(_LOOKS)[3:], strict=True) for source in pair]
    handles = [Patch(facecolor=colour, hatch=hatch, edgecolor=style.FAINT, linewidth=0.4, label=words)
               for words, colour, hatch in ordered]
    figure.legend(handles=handles, loc="upper center", ncols=3, fontsize=7.5, frameon=False, handlelength=1.6)
    return figure


def _draw_bar(ax: Any, place: int, shares: dict[str, float]) -> None:
    """One bar of all sources, with the larger shares in figures."""
    start = 0.0
    for source, (_, colour, hatch) in _LOOKS.items():
        share = shares.get(source, 0.0)
        if not np.isfinite(share) or share <= 0:
            continue
        look = {"color": colour, "hatch": hatch, "edgecolor": style.FAINT, "linewidth": 0.4}
        ax.barh(place, share, left=start, height=0.66, gid="share", **look)
        if share >= _LEAST_LABELLED_FRAC:
            box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85}
            words: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": 7, "color": style.INK, "bbox": box}
            ax.text(start + share / 2, place, f"{100 * share:.0f}", **words)
        start += share


def _budget_rows(result: SlabResult) -> list[dict[str, Any]]:
    """One row per track and source, in words."""
    return [{**row, "words": _LOOKS[row["source"]][0]} for row in result.budget.rows()]


def _bulk_facts(result: SlabResult) -> list[tuple[str, str]]:
    """The balance beside the image, as labelled text."""
    bulk = result.bulk
    if bulk is None:
        return []
    unit = "g/cm\N{SUPERSCRIPT THREE}"
    facts = [
        ("Compared", {"slab": "the whole slab", "piece": "the outlined piece"}.get(bulk.piece, bulk.piece)),
        ("On the balance", f"{error_text(bulk.weighed_g_cm3, bulk.weighed_sd_g_cm3)} {unit}"),
        ("By the image", f"{error_text(bulk.image_g_cm3, bulk.image_sd_g_cm3)} {unit}"),
    ]
    if np.isfinite(bulk.z_score):
        away = f"{bulk.image_g_cm3 - bulk.weighed_g_cm3:+.3f} {unit}"
        facts.append(("Image minus balance", f"{away}, {bulk.z_score:+.1f} of their standard deviation together"))
    facts.append(("Mass and volume", f"{bulk.dry_g:.2f} g, {bulk.volume_cm3:.2f} cm\N{SUPERSCRIPT THREE}"))
    if np.isfinite(bulk.water_density_g_cm3):
        facts.append(("Water", f"{bulk.water_density_g_cm3:.4f} {unit}"))
    if np.isfinite(bulk.micro_density_g_cm3):
        micro = error_text(bulk.micro_density_g_cm3, bulk.micro_density_sd_g_cm3)
        facts.append(("Micro-density", f"{micro} {unit}, {bulk.micro_source}"))
        facts.append(("Pores on the balance", _percent(bulk.weighed_porosity_frac, bulk.weighed_porosity_sd_frac)))
        facts.append(("Pores by the image", _percent(bulk.image_porosity_frac, bulk.image_porosity_sd_frac)))
    return facts


def _percent(frac: float, sd_frac: float) -> str:
    """A share with its error in percent."""
    text = error_text(100 * frac, 100 * sd_frac)
    return f"{text} %" if np.isfinite(frac) else text
