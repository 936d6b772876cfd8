"""Commands around the measuring: how old a colony is, a staining to plan, and growth in other formats."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bandkit.errors import DetectionError, InputError

if TYPE_CHECKING:
    from bandkit.analysis.colony import ColonyRate
    from bandkit.output.field_sheets import Sheets
    from bandkit.results import SlabResult

AGE_OUT, PLAN_OUT, EXPORT_OUT = Path("bandkit-age"), Path("bandkit-plan"), Path("bandkit-export")
WAITS_YR = [1.0, 2.0, 3.0, 4.0, 5.0]
PERCENT = 100.0

Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]
Seed = Annotated[int, typer.Option(min=0, help="Of the draws behind the intervals; the same seed gives the same.")]


class Format(StrEnum):
    """What growth can be exported to."""

    CSV = "csv"
    NETCDF = "netcdf"
    PALAEO = "palaeo"


def age(
    growth: Annotated[
        Path | None,
        typer.Argument(metavar="GROWTH", help="A slab of this colony: its folder, result.json or growth table (CSV)."),
    ] = None,
    height_m: Annotated[float | None, typer.Option(help="From where the colony began to its top, m.")] = None,
    height_sd_m: Annotated[float | None, typer.Option(help="What it may be off by (5 % where absent), m.")] = None,
    circumference_m: Annotated[float | None, typer.Option(help="The way around the colony, m.")] = None,
    circumference_sd_m: Annotated[
        float | None, typer.Option(help="What it may be off by (5 % where absent), m.")
    ] = None,
    rate_mm_yr: Annotated[
        float | None, typer.Option(help="Extension, mm/yr, where there is no slab of the colony.")
    ] = None,
    rate_sd_mm_yr: Annotated[
        float | None, typer.Option(help="What this colony's mean over its life may differ from that by, mm/yr.")
    ] = None,
    track: Annotated[
        str | None, typer.Option(help="Track of the slab; the one with most whole years where absent.")
    ] = None,
    slowing: Annotated[
        float | None, typer.Option(help="Percent by which growth fell in a century; below 0 where it rose.")
    ] = None,
    slowing_sd: Annotated[float, typer.Option(help="What that may be off by, percent.")] = 0.0,
    lost_surface: Annotated[
        bool, typer.Option("--lost-surface", help="Part has died back, broken off or worn away: the age is a minimum.")
    ] = False,
    taxon: Annotated[str, typer.Option(help="Genus and species, to check the rate by.")] = "",
    name: Annotated[str, typer.Option(help="Name of the colony.")] = "",
    seed: Seed = 0,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where table, figure and page go.")] = AGE_OUT,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> None:
    """Tell how old a colony is from its size and its growth.

    Give its height, its circumference (the radius is circumference / 2 pi) or both, and either a measured slab of the
    colony or a rate with its error. A colony 7 m tall and 41 m round at 19.4 mm/yr is put at about 360 years.
    """
    # Imported here: these need numpy.
    from bandkit.analysis.age import age_doubts, colony_ages
    from bandkit.analysis.colony import ColonySize, Slowing, rate_doubts
    from bandkit.output.age_report import AgeStory, age_files, headline

    slab = _one_slab(growth)
    rate, source = _rate(slab, track, rate_mm_yr, rate_sd_mm_yr)
    given = {"height_m": height_m, "height_sd_m": height_sd_m, "circumference_m": circumference_m,
             "circumference_sd_m": circumference_sd_m}  # fmt: skip
    size = ColonySize(**{key: value for key, value in given.items() if value is not None})
    fall = None
    if slowing is not None:
        fall = Slowing(frac_per_century=slowing / PERCENT, sd_frac_per_century=slowing_sd / PERCENT)
    taxon = taxon or (str(slab.specimen.get("taxon") or "") if slab else "")
    estimates = colony_ages(size, rate, slowing=fall, seed=seed)
    story = AgeStory(
        name=name or (str(slab.specimen["id"]) if slab else "the colony"), size=size, rate=rate, rate_source=source,
        estimates=estimates,
        constant=colony_ages(size, rate, seed=seed) if fall else (), slowing=fall, lost_surface=lost_surface,
        top_dead=slab is not None and slab.specimen.get("top_alive") is False, assumed_size_sd=size.lacks_sd,
        doubts=rate_doubts(rate, taxon) + age_doubts(size, estimates),
    )  # fmt: skip
    for doubt in story.doubts:
        typer.echo(f"bandkit: {doubt}", err=True)
    typer.echo(f"{story.name}: {headline(story)}")
    _write(out, age_files(story))


def plan(
    extension_mm_yr: Annotated[float, typer.Option(help="Expected extension, mm/yr.")],
    colonies_sd_mm_yr: Annotated[
        float, typer.Option(help="Spread between colonies' long-term means (often 15 to 25 % of extension), mm/yr.")
    ],
    years_sd_mm_yr: Annotated[float, typer.Option(help="Spread between the years of one colony, mm/yr.")],
    shared_years_sd_mm_yr: Annotated[
        float, typer.Option(help="Spread of good and bad years that the whole site shares, mm/yr.")
    ] = 0.0,
    measuring_sd_mm: Annotated[float, typer.Option(help="Error of stain to surface on one colony, mm.")] = 0.3,
    precision_mm_yr: Annotated[
        float | None, typer.Option(help="Half width wanted of the interval of a site's mean, mm/yr.")
    ] = None,
    difference_mm_yr: Annotated[
        float | None, typer.Option(help="Difference between two sites that shall be seen, mm/yr.")
    ] = None,
    power: Annotated[float, typer.Option(help="Chance to see that difference.")] = 0.8,
    confidence: Annotated[float, typer.Option(help="Of the interval; one less it is the level of the test.")] = 0.95,
    wait_yr: Annotated[
        list[float], typer.Option(help="Years between staining and collection; may be given several times.")
    ] = WAITS_YR,
    unstained: Annotated[float, typer.Option(help="Percent of colonies on which no line is found.")] = 0.0,
    lost_per_yr: Annotated[float, typer.Option(help="Percent of colonies lost in a year.")] = 0.0,
    assurance: Annotated[float, typer.Option(help="Chance that enough colonies come back.")] = 0.9,
    site: Annotated[str, typer.Option(help="Name of the site, for the sheets.")] = "",
    prefix: Annotated[str, typer.Option(help="What the ids of the colonies begin with.")] = "C",
    first: Annotated[int, typer.Option(min=0, help="Number of the first colony.")] = 1,
    colonies: Annotated[
        int | None, typer.Option(min=1, help="Colonies that can be stained; the fewest of the plan where absent.")
    ] = None,
    controls: Annotated[int, typer.Option(min=0, help="Further colonies to handle alike without dye.")] = 2,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where tables, figure, page and sheets go.")] = PLAN_OUT,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> int:
    """Plan a staining: how many colonies, how long to wait.

    Say what growth is expected and what it scatters by, and either the precision of a site's mean that is wanted or the
    difference between two sites that shall be seen. Writes the plan, bag and dye as common practice, and sheets to
    print whose ids are those for the slab records.
    """
    # Imported here: these need numpy, and matplotlib for the sheets.
    from bandkit.analysis.plan import plan_staining
    from bandkit.analysis.plan_aim import Aim, Expected, Losses
    from bandkit.output.plan_report import PlanStory, plan_files, plan_lines

    expected = Expected(
        extension_mm_yr=extension_mm_yr, colonies_sd_mm_yr=colonies_sd_mm_yr, years_sd_mm_yr=years_sd_mm_yr,
        shared_years_sd_mm_yr=shared_years_sd_mm_yr, measuring_sd_mm=measuring_sd_mm,
    )  # fmt: skip
    aim = Aim(half_width_mm_yr=precision_mm_yr, difference_mm_yr=difference_mm_yr, confidence=confidence, power=power,
              assurance=assurance)  # fmt: skip
    losses = Losses(unstained_frac=unstained / PERCENT, lost_per_yr_frac=lost_per_yr / PERCENT)
    table = plan_staining(expected, aim, waits_yr=wait_yr, losses=losses)
    number = table.fewest_to_stain if colonies is None else colonies
    sheets = None if number is None else _sheets(prefix, first, number, controls, site)
    for line in plan_lines(table, colonies):
        typer.echo(line)
    _write(out, plan_files(PlanStory(expected=expected, aim=aim, losses=losses, table=table, sheets=sheets)))
    if table.fewest_to_stain is None:
        msg = "no wait in the plan is enough: ask for less, or wait longer with --wait-yr"
        raise DetectionError(msg)
    return 0


def export(
    growth: Annotated[
        list[Path],
        typer.Argument(metavar="RESULT...", help="Slabs' folders, a folder of them, or growth tables (CSV)."),
    ],
    to: Annotated[list[Format], typer.Option(help="Format; may be given several times.")],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the files go.")] = EXPORT_OUT,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> None:
    """Write growth per year in formats that others read.

    csv: one tidy table with place and provenance in every row, and a table that says what its columns are. netcdf: one
    file by the CF conventions. palaeo: a text file per slab after version 4.0 of the public palaeoclimate archive's
    template; what only the author knows is marked AUTHOR: in it.
    """
    # Imported here: reading needs numpy.
    from bandkit.output.growth_input import read_growth

    slabs = read_growth(growth)
    if not any(len(slab.growth) for slab in slabs):
        msg = "no year of growth in what was given; nothing was written"
        raise DetectionError(msg)
    for wanted in dict.fromkeys(to):
        _write(out, _exported(slabs, wanted))


def _exported(slabs: list[SlabResult], wanted: Format) -> dict[str, bytes]:
    """Files of one format."""
    # Imported here: each format needs a library of its own.
    if wanted is Format.CSV:
        from bandkit.output.export_tidy import tidy_files

        return tidy_files(slabs)
    if wanted is Format.NETCDF:
        from bandkit.output.export_netcdf import NETCDF_FILE, netcdf_bytes

        return {NETCDF_FILE: netcdf_bytes(slabs)}
    from bandkit.output.export_palaeo import MARK, open_marks, palaeo_files

    files = palaeo_files(slabs)
    marks = open_marks(content.decode("utf-8") for content in files.values())
    typer.echo(f"bandkit: {marks} places are left to the author; search for {MARK}", err=True)
    return files


def _one_slab(growth: Path | None) -> SlabResult | None:
    """The slab whose growth was given, if one was."""
    if growth is None:
        return None
    from bandkit.output.growth_input import read_growth

    slabs = read_growth([growth])
    if len(slabs) != 1:
        names = ", ".join(str(slab.specimen["id"]) for slab in slabs[:5])
        msg = f"{growth}: holds {len(slabs)} slabs ({names}); an age is that of one colony, so give the folder of one"
        raise InputError(msg)
    return slabs[0]


def _rate(
    slab: SlabResult | None, track: str | None, rate_mm_yr: float | None, rate_sd_mm_yr: float | None
) -> tuple[ColonyRate, str]:
    """Growth by the slab or by the rate, and where it comes from."""
    from bandkit.analysis.colony import ColonyRate
    from bandkit.analysis.colony_rate import longest_track, rate_of_track

    if (slab is None) == (rate_mm_yr is None):
        msg = "growth: give either a measured slab of the colony or --rate-mm-yr, and not both"
        raise InputError(msg)
    if slab is not None:
        track = track or longest_track(slab)
        return rate_of_track(slab, track), f"measured on track {track} of slab {slab.specimen['id']}"
    if rate_mm_yr is None or rate_sd_mm_yr is None:
        msg = ("--rate-sd-mm-yr: not given; say what this colony's mean over its life may differ from the rate by "
               "(colonies of one reef often differ by 20 percent), or 0 for not at all")
        raise InputError(msg)
    return ColonyRate(mean_mm_yr=rate_mm_yr, sd_mm_yr=rate_sd_mm_yr), "given"


def _sheets(prefix: str, first: int, number: int, controls: int, site: str) -> Sheets:
    """Colonies for the sheets to print."""
    from bandkit.output.field_sheets import Sheets, colony_ids

    ids = colony_ids(prefix, number + controls, first=first)
    return Sheets(stained=ids[:number], controls=ids[number:], site=site)


def _write(out: Path, files: dict[str, bytes]) -> None:
    """Write files below a folder and say where they are."""
    from bandkit.output.atomic import write_bytes_whole

    for file, content in files.items():
        write_bytes_whole(out / file, content)
        typer.echo(out / file)
