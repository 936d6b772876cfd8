"""What the analyses write: tables, figures and a short report each."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bandkit.analysis.crossdate_tables import (
    GroupResult,
    SuggestionTable,
    agreement_table,
    index_table,
    segment_table,
    suggestion_table,
)
from bandkit.analysis.master import Master, MasterTable
from bandkit.analysis.series import GrowthSeries
from bandkit.analysis.standardise import Trend
from bandkit.output.atomic import write_bytes_whole, write_text_whole
from bandkit.output.folders import folder_name
from bandkit.output.tables import table_csv
from bandkit.output.words import number_text

REPORT_FILE = "report.html"
MASTER_FILE = "master.csv"
MAX_FIGURES = 12
MAX_CROPS = 24

_TRENDS = {
    "smooth": "Each series was divided by a smooth curve of which half of the variation with a period of {period:.0f} "
    "years stays (Whittaker 1923)",
    "line": "Each series was divided by a straight line",
    "mean": "Each series was divided by its mean, so that slow change stays in it",
}


def write_crossdating(
    out: Path, groups: Sequence[GroupResult], series: Sequence[GrowthSeries], *, quantity: str, trend: Trend,
    period_yr: float, folders: Mapping[str, Path] | None = None,
) -> tuple[Path, ...]:
    """Write what cross-dating gave.

    Parameters
    ----------
    out : Path
        Folder for the files.
    groups : sequence of GroupResult
        Groups, compared.
    series : sequence of GrowthSeries
        The tracks that they were made of.
    quantity : str
        What was compared.
    trend, period_yr
        How the trend was taken out.
    folders : mapping of str to Path, optional
        Folders of measured slabs by their names, whose images the places to look at are cut out of.

    Returns
    -------
    tuple of Path
        Tables, figures, and the report last.

    Raises
    ------
    OutputError
        A file cannot be written; each is written whole or not at all.
    """
    # Imported here: matplotlib and jinja2 take long to load.
    from bandkit.output.analysis_figures import crossdating_figure
    from bandkit.output.figure import png_bytes
    from bandkit.output.templating import environment

    suggestions = suggestion_table(groups, series)
    tables = {"suggestions.csv": suggestions, "agreement.csv": agreement_table(groups),
              "segments.csv": segment_table(groups), "indices.csv": index_table(groups)}  # fmt: skip
    written = []
    for name, table in tables.items():
        write_text_whole(out / name, table_csv(table))
        written.append(out / name)
    pictures: dict[int, bytes] = {}
    for number in _most_telling(groups):
        pictures[number] = png_bytes(crossdating_figure(groups[number]))
        path = out / f"figure_{number + 1}.png"
        write_bytes_whole(path, pictures[number])
        written.append(path)
    crops = _crops(suggestions, folders or {})
    told = [
        {"title": group.title, "verdict": group.result.verdict, "row": row, "pair": len(group.result.group.names) == 2,
         "figure": _inline(pictures[i]) if i in pictures else ""}
        for i, (group, row) in enumerate(zip(groups, tables["agreement.csv"].rows(), strict=True))
    ]  # fmt: skip
    page = environment().get_template("crossdate.html.j2").render(
        title="Cross-dating", headline=crossdating_headline(groups), suggestions=_places(suggestions), groups=told,
        crops=[_inline(picture) for picture in crops], methods=_crossdating_methods(quantity, trend, period_yr),
    )  # fmt: skip
    write_text_whole(out / REPORT_FILE, page)
    return (*written, out / REPORT_FILE)


def crossdating_headline(groups: Sequence[GroupResult]) -> str:
    """Say in a sentence what cross-dating came to.

    Parameters
    ----------
    groups : sequence of GroupResult
        Groups, compared.

    Returns
    -------
    str
        Without a full stop.
    """
    if not groups:
        return "There are no two series of one slab, colony or site: nothing to compare"
    signal = sum(group.result.signal.found for group in groups)
    n = sum(len(group.result.suggestions) for group in groups)
    compared = f"{len(groups)} {'group' if len(groups) == 1 else 'groups'} compared"
    if not signal:
        return f"{compared}, no common signal in any: nothing can be cross-dated by these series"
    return f"{compared}, {signal} with a common signal; {n or 'no'} {'place' if n == 1 else 'places'} to look at"


def write_master(
    out: Path, masters: Sequence[Master], *, trend: Trend, period_yr: float, n_bootstrap: int
) -> tuple[Path, ...]:
    """Write master series.

    Parameters
    ----------
    out : Path
        Folder for the files.
    masters : sequence of Master
        One per site, at least one.
    trend, period_yr
        How the trend was taken out of the index.
    n_bootstrap : int
        Draws of colonies.

    Returns
    -------
    tuple of Path
        Table, figure and report.

    Raises
    ------
    OutputError
        A file cannot be written; each is written whole or not at all.
    """
    # Imported here: matplotlib and jinja2 take long to load.
    from bandkit.output.analysis_figures import master_figure, quantity_text
    from bandkit.output.figure import png_bytes
    from bandkit.output.templating import environment

    write_text_whole(out / MASTER_FILE, table_csv(MasterTable.concatenate([master.table for master in masters])))
    picture = png_bytes(master_figure(masters))
    write_bytes_whole(out / "figure.png", picture)
    n = sum(len(master.colonies) for master in masters)
    page = environment().get_template("master.html.j2").render(
        title="Master series", quantity=quantity_text(masters[0].quantity), figure=_inline(picture),
        headline=f"{len(masters)} {'site' if len(masters) == 1 else 'sites'}, {n} {'colony' if n == 1 else 'colonies'}",
        sites=[_site_row(master) for master in masters], notes=_master_notes(masters),
        methods=_master_methods(masters, trend, period_yr, n_bootstrap),
    )  # fmt: skip
    write_text_whole(out / REPORT_FILE, page)
    return out / MASTER_FILE, out / "figure.png", out / REPORT_FILE


def _most_telling(groups: Sequence[GroupResult]) -> list[int]:
    """Groups to draw: those with suggestions first, then those with a common signal."""
    order = sorted(range(len(groups)), key=lambda i: (-len(groups[i].result.suggestions), not groups[i].running))
    return sorted(order[:MAX_FIGURES])


def _places(table: SuggestionTable) -> list[dict[str, Any]]:
    """Suggestions with the tracks that they concern gathered in one row."""
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in table.rows():
        key = tuple(row[name] for name in ("level", "group", "series", "kind", "year"))
        into = rows.setdefault(key, {**row, "where": []})
        if math.isfinite(row["start_mm"]):
            name = f"{row['specimen']} track {row['track']}".removesuffix(" track ")
            into["where"].append(f"{name} at {row['start_mm']:.1f} to {row['end_mm']:.1f} mm")
    return list(rows.values())


def _crops(table: SuggestionTable, folders: Mapping[str, Path]) -> list[bytes]:
    """Pictures of the places to look at, as far as their images are at hand."""
    # Imported here: matplotlib takes long to load.
    from bandkit.output.crops import suggestion_crop
    from bandkit.output.figure import png_bytes

    pictures: list[bytes] = []
    for row in table.rows():
        folder = folders.get(folder_name(row["specimen"]))
        if folder is not None and len(pictures) < MAX_CROPS and (figure := suggestion_crop(folder, row)) is not None:
            pictures.append(png_bytes(figure))
    return pictures


def _crossdating_methods(quantity: str, trend: Trend, period_yr: float) -> str:
    """The methods paragraph."""
    return (
        f"Annual {quantity} of whole years was compared. {_TRENDS[trend].format(period=period_yr)}, and put in "
        "units of its own scatter. A common signal is believed where the mean correlation exceeds that of 99 of 100 "
        "groups of surrogates with the same autocorrelation and nothing in common, or where so few as two to four "
        "series follow one another better than all of 199 groups once years may be missing. Each series was laid "
        "along the mean of the others, which may insert or drop years at the probability of its own marks; where "
        "these have none, a year is taken to be missed or doubled once in a hundred. An error is told where its "
        "probability over all alignments exceeds one half and the other series made its odds at least five times as "
        "high. Expressed signal: Wigley, Briffa and Jones (1984)."
    )


def _site_row(master: Master) -> dict[str, Any]:
    """Key numbers of a site."""
    none = number_text(None)
    ends = f"{number_text(master.common_lo, 3)} to {number_text(master.common_hi, 3)}"
    return {
        "site": master.site or "not named",
        "colonies": len(master.colonies),
        "common_years": " to ".join(str(year) for year in master.common_years) or none,
        "mean": master.common_mean,
        "interval": ends if math.isfinite(master.common_lo) else none,
        "signal": "yes" if master.signal.found else "no",
        "mean_r": master.signal.mean_r,
        "expressed": master.signal.expressed_signal if master.signal.found else math.nan,
    }


def _master_notes(masters: Sequence[Master]) -> list[str]:
    """Doubts about master series."""
    notes = []
    for master in masters:
        name = master.site or "the site"
        if len(master.colonies) < 3:
            notes.append(f"{name}: fewer than three colonies; no interval can be given")
        elif not master.signal.found:
            notes.append(f"{name}: no common signal between colonies; the index is no history of the site")
        if len(master.colonies) > 1 and not master.common_years:
            notes.append(f"{name}: no year that all colonies have; the mean changes with the mix of colonies")
        if master.left_out:
            notes.append(f"{name}: counted, not dated, and left out: {', '.join(master.left_out)}")
    if not any(master.age_error for master in masters):
        notes.append("no series brought chronologies: the intervals hold no age error")
    return notes


def _master_methods(masters: Sequence[Master], trend: Trend, period_yr: float, n_bootstrap: int) -> str:
    """The methods paragraph."""
    age = ""
    if any(master.age_error for master in masters):
        age = (" For the age error each track was in each draw also dated anew by one of its equally defensible "
               "chronologies, and its growth cut anew at these marks.")  # fmt: skip
    return (
        "Whole years only, as they are dated: cross-date first. Tracks were averaged to cores, cores to colonies, "
        "and colonies to the site by a mean that holds each colony to 2.5 robust standard deviations from the median. "
        f"{_TRENDS[trend].format(period=period_yr)} for the index. Intervals are 90 % intervals over {n_bootstrap} "
        f"draws of as many colonies, with repeats.{age}"
    )


def _inline(png: bytes) -> str:
    """A picture as a data address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
