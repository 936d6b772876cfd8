"""The slab's report: one page that needs no other file and no network."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np

from bandkit.output.figure import calibration_figure, png_bytes
from bandkit.output.mass import budget_figure, mass_context
from bandkit.output.templating import environment
from bandkit.output.view import track_names
from bandkit.output.words import count_text, error_text, group_flags, is_floating, number_text, value_name
from bandkit.results import SlabResult

YEAR_RULE = (
    "The year labelled Y lies between the mark of Y (outer) and the mark of Y\N{MINUS SIGN}1 (inner); extension is "
    "measured square to the bands; pieces that are not a whole year are marked partial and enter no mean."
)
FLOATING_RULE = (
    "The series is not tied to a calendar: the number in the year column is a count of marks from the outside, "
    "not a date."
)


def report_html(result: SlabResult, figure_png: bytes) -> str:
    """Write the report of a slab.

    Parameters
    ----------
    result : SlabResult
        The measured slab.
    figure_png : bytes
        The slab's figure.

    Returns
    -------
    str
        An HTML page with all pictures inside.
    """
    calibration_png = png_bytes(calibration_figure(result)) if result.calibration is not None else b""
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            title=str(result.specimen["id"]),
            specimen=_facts(result.specimen, _SPECIMEN_LABELS),
            summary=_summary(result),
            headline=_headline(result),
            tracks=_track_rows(result),
            flags=group_flags(result.flags),
            figure=_inline(figure_png),
            figure_text=_figure_text(result),
            growth=[row for row in result.growth.rows() if _has_numbers(row)],
            marks=[_mark_row(row) for row in result.marks.rows()],
            unsure=bool((result.tracks.years_sd > 0).any()),
            events=[_event_row(row) for row in result.events.rows()],
            luminescence=bool(np.isfinite(result.growth.annual_luminescence).any()),
            counted_stains=bool(np.isfinite(result.stains.counted_yr).any()),
            compared=bool((result.tracks.marks_compared > 0).any()),
            stains=[_stain_row(row) for row in result.stains.rows()],
            calibration=result.calibration,
            standards=_standard_rows(result),
            calibration_figure=_inline(calibration_png) if calibration_png else "",
            budget_figure=_inline(png_bytes(budget_figure(result))) if len(result.budget) else "",
            **mass_context(result),
            methods=methods_paragraph(result),
            floating=is_floating(result),
            profile_name=_profile_name(result),
            scale=_flat(result.scale),
            image=_flat(result.image),
            provenance=_flat(result.provenance),
            settings=_flat(result.settings),
        )
    )


def methods_paragraph(result: SlabResult) -> str:
    """Say in sentences what was really done, fit for the methods part of a paper.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        One paragraph.
    """
    sentences = [sentence.strip().rstrip(".") + "." for sentence in result.methods if sentence.strip()]
    if len(result.growth):
        sentences.append(YEAR_RULE)
        if is_floating(result):
            sentences.append(FLOATING_RULE)
    version = result.provenance.get("version")
    if version:
        sentences.append(f"Measured with bandkit {version}.")
    return " ".join(sentences)


_SPECIMEN_LABELS = {
    "site": "Site",
    "colony": "Colony",
    "core": "Core",
    "taxon": "Taxon",
    "latitude_deg": "Latitude (deg)",
    "longitude_deg": "Longitude (deg)",
    "depth_m": "Water depth (m)",
    "collected": "Collected",
}


def _facts(values: Mapping[str, Any], labels: Mapping[str, str]) -> list[tuple[str, str]]:
    """Labelled values that are known."""
    return [(label, str(values[key])) for key, label in labels.items() if values.get(key) not in (None, "")]


def _summary(result: SlabResult) -> str:
    """Taxon and site in one line under the heading."""
    parts = [result.specimen.get("taxon"), result.specimen.get("site")]
    return " \N{MIDDLE DOT} ".join(str(part) for part in parts if part)


def _headline(result: SlabResult) -> str:
    """One sentence that says what came out."""
    tracks = result.tracks
    counted = [float(years) for years in tracks.years if np.isfinite(years) and years > 0]
    found = int(np.sum(result.stains.found == "yes"))
    parts = []
    if counted:
        least, most = min(counted), max(counted)
        years = f"{least:.0f}" if least == most else f"{least:.0f} to {most:.0f}"
        on = f"each of {len(counted)} tracks" if least == most and len(counted) > 1 else _plural(len(counted), "track")
        parts.append(f"{years} whole {'year' if most == 1 else 'years'} on {on}")
    if len(result.stains):
        parts.append(f"{found} of {_plural(len(result.stains), 'stain line')} found")
    return "; ".join(parts) or "Nothing could be measured on this slab"


def _plural(number: int, noun: str) -> str:
    """Write a number with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _track_rows(result: SlabResult) -> list[dict[str, Any]]:
    """Key numbers of all tracks; none where no year was counted on any."""
    counted = np.isfinite(result.tracks.years).any() or np.isfinite(result.tracks.mean_extension_mm_yr).any()
    return [_track_row(result, name) for name in track_names(result)] if counted else []


def _profile_name(result: SlabResult) -> str:
    """What the profiles on the figure show."""
    return "density" if np.isfinite(result.profile.density_g_cm3).any() else value_name(result)


def _track_row(result: SlabResult, name: str) -> dict[str, Any]:
    """Key numbers of one track as text."""
    own = np.flatnonzero(result.tracks.track == name)
    if not own.size:
        return {
            "track": name,
            "years": "\N{EN DASH}",
            "expected": "\N{EN DASH}",
            "agreed": "\N{EN DASH}",
            "whole": 0,
            "length": "\N{EN DASH}",
            "extension": "\N{EN DASH}",
            "density": "\N{EN DASH}",
            "calcification": "\N{EN DASH}",
        }
    row = {n: getattr(result.tracks, n)[own[0]] for n in result.tracks.column_names()}
    agreed = "\N{EN DASH}"
    if np.isfinite(row["marks_compared"]):
        agreed = f"{row['marks_confirmed']:.0f} of {row['marks_compared']:.0f}"
    whole = int(np.sum((result.growth.track == name) & (result.growth.complete == "yes")))
    return {
        "track": name,
        "years": count_text(row["years"], row["years_lo"], row["years_hi"]),
        "expected": error_text(row["years_expected"], row["years_sd"]),
        "agreed": agreed,
        "whole": whole,
        "length": number_text(row["length_mm"], 1),
        "extension": error_text(row["mean_extension_mm_yr"], row["mean_extension_sd_mm_yr"]),
        "density": error_text(row["mean_density_g_cm3"], row["mean_density_sd_g_cm3"]),
        "calcification": error_text(row["mean_calcification_g_cm2_yr"], row["mean_calcification_sd_g_cm2_yr"]),
    }


def _stain_row(row: dict[str, Any]) -> dict[str, Any]:
    """One stain line as text."""
    return {
        **row,
        "depth": error_text(row["depth_mm"], row["depth_sd_mm"]),
        "extension": error_text(row["extension_mm_yr"], row["extension_sd_mm_yr"]),
    }


def _mark_row(row: dict[str, Any]) -> dict[str, Any]:
    """One mark; its year with what it may be, where that is more than one."""
    sure = row["year_lo"] == row["year_hi"] or not np.isfinite(row["year_lo"])
    year = number_text(row["year"], 0) if sure else count_text(row["year"], row["year_lo"], row["year_hi"])
    return {**row, "year": year}


def _event_row(row: dict[str, Any]) -> dict[str, Any]:
    """One event as text: its years, and what is lost."""
    lost = ""
    if np.isfinite(row["years_least"]):
        lost = count_text(row["years_least"], float("nan"), float("nan"))
        if row["years_most"] > row["years_least"]:
            lost += f" to {row['years_most']:.0f}"
    return {**row, "year": count_text(row["year"], row["year_lo"], row["year_hi"]), "lost": lost}


def _has_numbers(row: dict[str, Any]) -> bool:
    """Whether a year has a place or a rate at all."""
    return any(np.isfinite(row[name]) for name in ("start_mm", "end_mm", "extension_mm_yr"))


def _standard_rows(result: SlabResult) -> list[dict[str, Any]]:
    """Standards with what was measured, stated and fitted."""
    calibration = result.calibration
    if calibration is None:
        return []
    columns = {
        "attenuation": calibration.attenuation,
        "stated": calibration.areal_density_g_cm2,
        "fitted": calibration.fitted_g_cm2,
        "residual": calibration.residual_g_cm2,
    }
    return [
        {"label": label, **{name: float(values[i]) for name, values in columns.items()}}
        for i, label in enumerate(calibration.labels)
    ]


def _figure_text(result: SlabResult) -> str:
    """What the figure shows, for a reader who cannot see it."""
    years = result.growth.year[np.isfinite(result.growth.year)]
    parts = [f"Slab {result.specimen['id']} with {_plural(len(track_names(result)), 'track')}"]
    if len(result.marks):
        parts.append(_plural(len(result.marks), "annual mark"))
    if len(result.stains):
        parts.append(_plural(len(result.stains), "staining"))
    if years.size:
        parts.append(f"growth per year from {years.min():.0f} to {years.max():.0f}")
    return ", ".join(parts)


def _flat(values: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Nested values as dotted names and text, sorted by name."""
    rows: list[tuple[str, str]] = []
    for key in sorted(values):
        value = values[key]
        if isinstance(value, Mapping):
            rows += _flat(value, f"{prefix}{key}.")
        elif value is not None and not (isinstance(value, str | list | tuple) and not value):
            rows.append((f"{prefix}{key}", _value_text(value)))
    return rows


def _value_text(value: Any) -> str:
    """A setting as text; long fractions shortened."""
    if isinstance(value, float | np.floating):
        return f"{float(value):.6g}"
    if isinstance(value, list | tuple | np.ndarray):
        return ", ".join(_value_text(item) for item in value)
    return str(value)


def _inline(png: bytes) -> str:
    """A picture as a data address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
