"""The commands that compare series and join them: `crossdate` and `master`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

Sources = Annotated[
    list[Path],
    typer.Argument(
        metavar="RESULTS...",
        help="Folders that measure wrote, slabs' folders, result.json files, or CSV tables with the columns specimen, "
        "year and a quantity such as extension_mm_yr.",
    ),
]
Groups = Annotated[
    Path | None,
    typer.Option(metavar="CSV", help="Where slabs belong: columns specimen, colony, core, site."),
]
Period = Annotated[float, typer.Option(min=5.0, help="Of a smooth trend: period of which half stays in it, in years.")]
Seed = Annotated[int, typer.Option(min=0, help="Of the random numbers; the same seed gives the same result.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]


class QuantityName(StrEnum):
    """What is compared or averaged."""

    EXTENSION = "extension"
    DENSITY = "density"
    CALCIFICATION = "calcification"
    LUMINESCENCE = "luminescence"


class TrendName(StrEnum):
    """How the slow change of a series is taken out."""

    SMOOTH = "smooth"
    LINE = "line"
    MEAN = "mean"


def crossdate(
    results: Sources,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where tables, figures and the report go.")] = Path(
        "bandkit-crossdate"
    ),
    groups: Groups = None,
    quantity: Annotated[QuantityName, typer.Option(help="What is compared.")] = QuantityName.EXTENSION,
    trend: Annotated[TrendName, typer.Option(help="How slow change is taken out.")] = TrendName.SMOOTH,
    period_yr: Period = 30.0,
    window_yr: Annotated[int, typer.Option(min=10, help="Length of the segments of the running correlation.")] = 20,
    seed: Seed = 0,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> None:
    """Compare tracks, cores and colonies, and tell where a year may be missing or counted twice.

    Tracks are compared within a slab, cores within a colony, colonies within a site. Nothing is moved: what is told
    are places to look at. Where series have nothing in common, the answer is that they cannot be cross-dated.
    """
    # Imported here: comparing needs numpy and scipy.
    from bandkit.analysis.crossdate_tables import crossdate_levels
    from bandkit.output.analysis import crossdating_headline, write_crossdating
    from bandkit.output.series_files import read_series, slab_folders

    series = read_series(results, groups)
    made = crossdate_levels(
        series, quantity.value, trend=trend.value, period_yr=period_yr, window_yr=window_yr, seed=seed
    )
    written = write_crossdating(
        out, made, series, quantity=quantity.value, trend=trend.value, period_yr=period_yr,
        folders=slab_folders(results),
    )
    for group in made:
        typer.echo(f"{group.title}: {group.result.verdict}")
        for suggestion in group.result.suggestions:
            typer.echo(f"  {suggestion.sentence}")
    if not made:
        typer.echo(crossdating_headline(made))
    typer.echo(written[-1])


def master(
    results: Sources,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where table, figure and report go.")] = Path(
        "bandkit-master"
    ),
    groups: Groups = None,
    quantity: Annotated[QuantityName, typer.Option(help="What is averaged.")] = QuantityName.EXTENSION,
    trend: Annotated[TrendName, typer.Option(help="How slow change is taken out of the index.")] = TrendName.SMOOTH,
    period_yr: Period = 30.0,
    draws: Annotated[int, typer.Option(min=100, help="Draws of colonies for the intervals.")] = 500,
    seed: Seed = 0,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> None:
    """Average series to one per site: tracks to cores, cores to colonies, colonies to the site.

    Whole years only, with the number of colonies behind each year and intervals over colonies and age error.
    """
    # Imported here: averaging needs numpy and scipy.
    from bandkit.analysis.master import master_series
    from bandkit.errors import DetectionError
    from bandkit.output.analysis import write_master
    from bandkit.output.series_files import read_series
    from bandkit.output.words import number_text

    series = read_series(results, groups)
    made = master_series(
        series, quantity.value, trend=trend.value, period_yr=period_yr, n_bootstrap=draws, seed=seed
    )
    if not made:
        msg = f"{results[0]}: no dated series with whole years of {quantity.value}: there is nothing to average"
        raise DetectionError(msg)
    for one in made:
        years = f"{one.common_years[0]} to {one.common_years[1]}" if one.common_years else "no common years"
        n = len(one.colonies)
        mean = f"mean {one.quantity} {number_text(one.common_mean, 3)}"
        typer.echo(f"{one.site or 'site not named'}: {n} {'colony' if n == 1 else 'colonies'}, {years}, {mean}")
    typer.echo(write_master(out, made, trend=trend.value, period_yr=period_yr, n_bootstrap=draws)[-1])
