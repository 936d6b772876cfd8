"""The command line: parse, call, print; no science.

Tables and paths go to stdout, messages to stderr, one line each. Nothing slow is
imported before a command needs it, so that ``bandkit --help`` answers at once.
"""

from __future__ import annotations

import functools
import shutil
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bandkit._version import __version__
from bandkit.commands.crossdating import crossdate, master
from bandkit.commands.field import age, export, plan
from bandkit.errors import BandkitError, InputError, OutputError

if TYPE_CHECKING:
    from bandkit.batch import BatchSummary

DEFAULT_OUT = "bandkit-out"
DEFAULT_DEMO = Path("bandkit-demo")

EXIT_DEFECT = 1
EXIT_BAD_INPUT = 3
# What a shell expects of a program that was stopped by Ctrl-C.
EXIT_INTERRUPTED = 130

app = typer.Typer(
    name="bandkit",
    help="Growth bands and stain lines in sawn coral slabs: from images to extension, density and calcification per "
    "year.",
    rich_markup_mode=None,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Records = Annotated[
    list[Path], typer.Argument(metavar="RECORD...", help="Slab records, or folders with records (*.toml) in them.")
]
Workers = Annotated[int, typer.Option(min=1, help="Slabs measured at the same time.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]


class Grade(StrEnum):
    """How hard the practice slabs are to read."""

    EASY = "easy"
    ORDINARY = "ordinary"
    HARD = "hard"


def main() -> None:
    """Run the command line."""
    app()


def command(function: Callable[..., int | None]) -> Callable[..., None]:
    """Make a function a command whose errors are one line on stderr and an exit status.

    The function takes ``debug`` among its options and returns its exit status, None for 0.
    """

    @functools.wraps(function)
    def run(*args: Any, debug: bool = False, **kwargs: Any) -> None:
        try:
            status = function(*args, debug=debug, **kwargs)
        except KeyboardInterrupt:
            say("stopped")
            raise typer.Exit(EXIT_INTERRUPTED) from None
        except BandkitError as error:
            _show_traceback(debug)
            say(str(error))
            raise typer.Exit(error.exit_code) from error
        except BrokenPipeError:
            # The reader of our output has gone, as `head` does; that is no error.
            raise
        except Exception as error:
            _show_traceback(debug)
            hint = "" if debug else "; the same command with --debug shows where"
            say(f"a defect in bandkit, please report it: {type(error).__name__}: {error}{hint}")
            raise typer.Exit(EXIT_DEFECT) from error
        raise typer.Exit(status or 0)

    app.command()(run)
    return run


def say(message: str) -> None:
    """Write one line to stderr."""
    typer.echo(f"bandkit: {' '.join(message.split())}", err=True)


def _show_traceback(debug: bool) -> None:
    """Write the traceback of the error in hand to stderr where it was asked for."""
    if debug:
        typer.echo(traceback.format_exc(), err=True)


def _print_version(wanted: bool) -> None:
    """Answer --version."""
    if wanted:
        typer.echo(f"bandkit {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version and leave.")
    ] = False,
) -> None:
    """Declare the options that come before a command."""


@command
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where slabs and results go.")] = DEFAULT_DEMO,
    debug: Debug = False,
) -> int:
    """Measure the demo slabs and say where the report is."""
    records = _copy_demo(folder)
    status = _measure([*records], folder / DEFAULT_OUT, workers=1, debug=debug)
    say(f"open {folder / DEFAULT_OUT / 'index.html'} in a browser; the records are beside the images in {folder}")
    return status


@command
def new(
    images: Annotated[
        list[Path], typer.Argument(metavar="IMAGE...", help="Images of slabs, or folders with the slices of a scan.")
    ],
    debug: Debug = False,
) -> int:
    """Write a record beside each image; never overwrite one.

    What the program finds in the image (scale bar, standards, surface, a track) is proposed, and marked as such. A
    scan also gets its cut and views of it.
    """
    return _each(images, _new_one, debug=debug)


@command
def cut(records: Records, debug: Debug = False) -> int:
    """Show the slabs that records of scans cut out of them.

    Writes the cut as a picture, in which tracks are drawn, and views of the scan with the cut in it.
    """
    # Imported here: reading a scan needs numpy.
    from bandkit.batch import find_records

    return _each(find_records(records), _cut_one, debug=debug)


@command
def check(records: Records, debug: Debug = False) -> int:
    """List what is missing or doubtful in records."""
    # Imported here: reading an image's header needs numpy.
    from bandkit.batch import find_records

    return _each(find_records(records), _check_one, debug=debug)


@command
def measure(
    records: Records,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help=f"Where results go; {DEFAULT_OUT} beside the first record.")
    ] = None,
    workers: Workers = 1,
    debug: Debug = False,
) -> int:
    """Measure slabs, one or many.

    Each slab gets a folder with its tables (growth, marks, stain lines, tracks, profile), a figure and a report; the
    batch gets its tables and a page. A second run measures again only what changed.
    """
    first = records[0]
    beside = first if first.is_dir() else first.parent
    return _measure(records, out or beside / DEFAULT_OUT, workers=workers, debug=debug)


@command
def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where images, records and true answers go.")],
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same slabs.")] = 0,
    n: Annotated[int, typer.Option("--n", min=1, help="Number of slabs.")] = 6,
    grade: Annotated[
        Grade | None, typer.Option(help="Radiographs of one grade only; all kinds of slabs where absent.")
    ] = None,
    debug: Debug = False,  # noqa: ARG001 used by the decorator
) -> None:
    """Write practice slabs with a known answer."""
    # Imported here: the model needs numpy and scipy.
    from bandkit.simulate import write_practice_set

    for record in write_practice_set(folder, seed=seed, n=n, grade=grade.value if grade else None):
        typer.echo(record)


command(crossdate)
command(master)
command(age)
command(plan)
command(export)


def _each(paths: list[Path], do: Callable[[Path], None], *, debug: bool) -> int:
    """Do something with each path; one that fails does not stop the rest."""
    status = 0
    for path in paths:
        try:
            do(path)
        except BandkitError as error:
            _show_traceback(debug)
            say(str(error))
            status = error.exit_code if len(paths) == 1 else EXIT_BAD_INPUT
    return status


def _new_one(path: Path) -> None:
    """Write the record of one image; of a scan also what it shows."""
    # Imported here: looking at images needs numpy and the image libraries.
    from bandkit.propose import write_record

    record = write_record(path)
    typer.echo(record)
    if path.is_dir():
        try:
            _cut_one(record)
        except InputError as error:
            say(f"{error}; then bandkit cut {record} shows the slab")


def _cut_one(path: Path) -> None:
    """Write the cut of one scan and views of it."""
    from bandkit.output.scan_views import write_cut
    from bandkit.record import read_record

    for written in write_cut(read_record(path)):
        typer.echo(written)


def _check_one(path: Path) -> None:
    """Print the doubts about one record and its image."""
    from bandkit.images.slab import open_slab
    from bandkit.record import check_record, raise_for_image, read_record

    record = read_record(path)
    with open_slab(record) as image:
        raise_for_image(record, image.width_px, image.height_px)
        doubts = check_record(record, image)
    for doubt in doubts:
        typer.echo(f"{path}: {doubt.code}: {doubt.key}: {doubt.message}")
    if not doubts:
        typer.echo(f"{path}: nothing missing, nothing doubtful")


def _measure(records: list[Path], out: Path, *, workers: int, debug: bool) -> int:
    """Measure a batch, say what became of it, and give its exit status."""
    # Imported here: measuring needs numpy and scipy.
    from bandkit.batch import measure_batch

    with _progress_bar() as progress:
        summary = measure_batch(records, out, workers=workers, progress=progress)
    for text in summary.tracebacks if debug else ():
        typer.echo(text, err=True)
    for rejection in summary.rejected:
        say(f"{rejection.reason}: {rejection.detail}")
    for notice in summary.notices:
        say(notice)
    _print_summary(summary)
    if summary.interrupted:
        done = len(summary.measured) + len(summary.skipped)
        whole = "1 slab is" if done == 1 else f"{done} slabs are"
        say(f"stopped; {whole} whole in {out}; the same command goes on from there")
        return EXIT_INTERRUPTED
    return summary.exit_code


def _print_summary(summary: BatchSummary) -> None:
    """Print a line per track and stain, and where the reports are."""
    for folder in sorted([*summary.measured, *summary.skipped]):
        unchanged = "  (unchanged)" if folder in summary.skipped else ""
        typer.echo(f"{folder / 'report.html'}{unchanged}")
        for line in _slab_lines(folder):
            typer.echo(f"  {line}")
    typer.echo(summary.index)


def _slab_lines(folder: Path) -> Iterator[str]:
    """Key numbers of a slab, a line per track and per stain."""
    # Imported here: the tables need numpy.
    from bandkit.output.tables import read_slab_rows
    from bandkit.output.words import count_text, error_text

    def number(row: dict[str, str], name: str) -> float:
        return float(row[name] or "nan")

    def with_sd(row: dict[str, str], start: str, unit: str) -> str:
        return f"{error_text(number(row, f'{start}_{unit}'), number(row, f'{start}_sd_{unit}'))}"

    for row in read_slab_rows(folder, "tracks"):
        count = count_text(number(row, "years"), number(row, "years_lo"), number(row, "years_hi"))
        parts = [f"{count} years", f"{with_sd(row, 'mean_extension', 'mm_yr')} mm/yr"]
        if row["mean_density_g_cm3"]:
            parts += [f"{with_sd(row, 'mean_density', 'g_cm3')} g/cm3",
                      f"{with_sd(row, 'mean_calcification', 'g_cm2_yr')} g/cm2/yr"]
        if row["years"]:
            yield f"track {row['track']}: {', '.join(parts)}"
    for row in read_slab_rows(folder, "stains"):
        found = f"{with_sd(row, 'depth', 'mm')} mm deep, {with_sd(row, 'extension', 'mm_yr')} mm/yr since"
        yield f"track {row['track']}, stain of {row['stain_date']}: {found if row['found'] == 'yes' else 'not found'}"


@contextmanager
def _progress_bar() -> Iterator[Callable[[int, int], None] | None]:
    """Show a progress bar on stderr where that is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    # Imported here: rich takes a while to load and is not needed in a script.
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("slabs"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("slabs", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _copy_demo(folder: Path) -> list[Path]:
    """Copy the demo records and their images; a person's changes to an earlier copy are kept."""
    # Imported here: reading a record takes a while to load.
    from bandkit.record import read_record

    records = sorted(_demo_source().glob("*.toml"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in (*records, *(read_record(record).image.path for record in records)):
            if not (folder / path.name).exists():
                shutil.copyfile(path, folder / path.name)
    except OSError as error:
        msg = f"{folder}: the demo slabs cannot be copied here ({error.strerror or error}); name another folder"
        raise OutputError(msg) from error
    return [folder / record.name for record in records]


def _demo_source() -> Path:
    """Folder of the demo slabs: inside an installed package, beside it in a source tree."""
    package = Path(__file__).parent
    for folder in (package / "demo_images", package.parent / "demo_images"):
        if folder.is_dir():
            return folder
    msg = f"{package}: the demo slabs are missing; install bandkit again"
    raise InputError(msg)
