"""Sheets to print and take along: staining, collection, and labels; their ids become specimen ids."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from bandkit.errors import InputError
from bandkit.output import style

FIELD_SHEET, LABEL_SHEET = "field_sheet.pdf", "labels.pdf"
_A4_MM = (210.0, 297.0)
_MM_PER_INCH = 25.4
# Embedded as TrueType, so that text can be searched and copied.
_PDF_LOOK: Any = {"pdf.fonttype": 42, "font.family": "DejaVu Sans"}
# No date of making: the same sheets give the same bytes.
_PDF_FACTS = {"Creator": "bandkit", "Producer": "bandkit", "CreationDate": None}

COLONIES_PER_PAGE = 12
# Three by eight on A4 is a common sheet of labels.
LABELS_ACROSS, LABELS_DOWN = 3, 8
LABELS_PER_COLONY = 2

# A part of what the id of a specimen may be: what every system takes in the name of a file.
_PREFIX = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,39}")
MOST_COLONIES = 999

STAINING_CAUTIONS = (
    "Write down when the bag went on and came off: say whether growth is counted from its end or half way. "
    "Handle some colonies alike without dye: pink on them is not dye.",
    "Dye powder and stock irritate and stain: gloves and goggles, weigh under a hood. Do not let bath water out on a "
    "reef without permission.",
    "Staining and collecting need permits (stony corals: CITES). Dive only within your licence and your institution's "
    "rules, never alone.",
)
COLLECTION_CAUTIONS = (
    "Mark the top with an arrow on the piece itself before it is moved, and say whether the surface was alive.",
    "Only within the permits; export papers before travelling. Hammer, chisel and drill: eye protection, rules of the "
    "place first.",
    "A colony that was not found, or has no line, is a result too: write it down.",
)
_STAINING_COLUMNS = (
    ("specimen", 26), ("taxon", 30), ("length, width,\nheight (cm)", 30), ("depth\n(m)", 14), ("bag\n(litres)", 15),
    ("stock\n(ml)", 14), ("bag on\ndate, time", 28), ("bag off\ndate, time", 28), ("part\nstained", 20),
    ("health", 22), ("photos", 20), ("notes", 30),
)  # fmt: skip
_COLLECTION_COLUMNS = (
    ("specimen", 26), ("tag found\nyes / no", 22), ("collected\ndate, time", 30), ("top alive\nyes / no", 22),
    ("arrow up\nmarked", 20), ("length, width,\nheight (cm)", 32), ("pieces", 18), ("photos", 24), ("notes", 83),
)  # fmt: skip
_STAINING_BLANKS = (
    ("date", 40), ("latitude, longitude, datum", 80), ("tide", 27), ("dye, batch", 62), ("stock (%)", 28),
    ("dose (mg per litre)", 40), ("permit", 77), ("weather, current", 60), ("logger", 40), ("people", 100),
)  # fmt: skip
_COLLECTION_BLANKS = (
    ("date", 30), ("latitude, longitude, datum", 70), ("permit", 60), ("export papers", 52), ("people", 65),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """What the sheets are made for.

    Parameters
    ----------
    stained : tuple of str
        Ids of the colonies to stain.
    controls : tuple of str
        Ids of those that are handled alike without dye.
    site : str
        Name of the site; a blank to fill in where empty.
    """

    stained: tuple[str, ...]
    controls: tuple[str, ...] = ()
    site: str = ""

    @property
    def ids(self) -> tuple[str, ...]:
        """All colonies, the undyed ones last."""
        return self.stained + self.controls


def colony_ids(prefix: str, number: int, *, first: int = 1) -> tuple[str, ...]:
    """Make ids that can stand as ``specimen.id`` in a slab record.

    Parameters
    ----------
    prefix : str
        What they begin with, such as "TB".
    number : int
        How many.
    first : int
        Number of the first.

    Returns
    -------
    tuple of str
        Such as "TB-07", with as many digits as the last needs, two at least.

    Raises
    ------
    InputError
        A prefix that cannot begin an id, or no sensible number.
    """
    if not _PREFIX.fullmatch(prefix):
        msg = (f"prefix: {prefix!r} cannot begin the id of a specimen; use letters, digits, _ . - and begin with a "
               "letter or digit, such as TB")
        raise InputError(msg)
    if number < 0 or first < 0 or number > MOST_COLONIES:
        msg = f"colonies: {number} from {first} on cannot be printed; give 1 to {MOST_COLONIES}"
        raise InputError(msg)
    digits = max(2, len(str(first + number - 1)))
    return tuple(f"{prefix}-{n:0{digits}d}" for n in range(first, first + number))


def field_sheet_pdf(sheets: Sheets) -> bytes:
    """Draw the sheets for staining and for collection, A4 across.

    Parameters
    ----------
    sheets : Sheets
        Colonies and site.

    Returns
    -------
    bytes
        PDF: pages of twelve colonies for the staining, then for the collection. The same sheets give the same bytes.
    """
    parts = [sheets.ids[i : i + COLONIES_PER_PAGE] for i in range(0, len(sheets.ids), COLONIES_PER_PAGE)]
    pages = []
    for title, blanks, columns, cautions in (
        ("Staining", _STAINING_BLANKS, _STAINING_COLUMNS, STAINING_CAUTIONS),
        ("Collection", _COLLECTION_BLANKS, _COLLECTION_COLUMNS, COLLECTION_CAUTIONS),
    ):
        for number, ids in enumerate(parts, 1):
            page = _Page(width_mm=_A4_MM[1], height_mm=_A4_MM[0])
            heading = f"{title}, {sheets.site}" if sheets.site else f"{title}, site: ______________________________"
            page.text(10, 14, heading, size=14, bold=True)
            page.text(287, 14, f"{title.lower()} sheet {number} of {len(parts)}", size=9, right=True)
            bottom_mm = _draw_blanks(page, blanks, top_mm=19)
            _draw_table(page, columns, ids, controls=sheets.controls, top_mm=bottom_mm + 4)
            for i, caution in enumerate(cautions):
                page.text(10, 190 + 5 * i, caution, size=7.5, colour=style.INK)
            pages.append(page)
    return _pdf(pages, title="Field sheets")


def label_sheet_pdf(sheets: Sheets) -> bytes:
    """Draw the labels, two per colony, on sheets of three by eight.

    Parameters
    ----------
    sheets : Sheets
        Colonies and site.

    Returns
    -------
    bytes
        PDF, A4 upright: one label for the colony and one for what is collected of it. The same sheets give the same
        bytes.
    """
    wanted = [(name, kind) for name in sheets.ids for kind in ("colony", "specimen")]
    per_page = LABELS_ACROSS * LABELS_DOWN
    pages = []
    for start in range(0, len(wanted), per_page):
        page = _Page(width_mm=_A4_MM[0], height_mm=_A4_MM[1])
        for place, (name, kind) in enumerate(wanted[start : start + per_page]):
            _draw_label(page, place, name, kind, sheets)
        pages.append(page)
    return _pdf(pages, title="Labels")


class _Page:
    """A page to draw on in millimetres from its upper left corner."""

    def __init__(self, *, width_mm: float, height_mm: float) -> None:
        self.figure = Figure(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH), facecolor="white")
        self.ax: Axes = self.figure.add_axes((0, 0, 1, 1))
        self.ax.set(xlim=(0, width_mm), ylim=(height_mm, 0))
        self.ax.set_axis_off()

    def text(
        self, x_mm: float, y_mm: float, text: str, *, size: float, bold: bool = False, right: bool = False,
        colour: str = style.INK,
    ) -> None:  # fmt: skip
        """Write text whose middle line is at a height."""
        drawn = self.ax.text(x_mm, y_mm, text, fontsize=size, fontweight="bold" if bold else "normal", color=colour,
                             ha="right" if right else "left", va="center", linespacing=1.1)  # fmt: skip
        # Dollar signs in names are no mathematics.
        drawn.set_parse_math(False)

    def line(self, x_mm: Sequence[float], y_mm: Sequence[float], *, width_pt: float = 0.5) -> None:
        """Draw a straight line."""
        self.ax.plot(x_mm, y_mm, color=style.INK, linewidth=width_pt, solid_capstyle="butt")


def _draw_blanks(page: _Page, blanks: tuple[tuple[str, int], ...], *, top_mm: float) -> float:
    """Boxes to fill in, each with its name in the corner; gives where they end."""
    x_mm, height_mm = 10.0, 10.0
    for name, width_mm in blanks:
        if x_mm + width_mm > _A4_MM[1] - 10 + 1:
            x_mm, top_mm = 10.0, top_mm + height_mm
        right_mm, bottom_mm = x_mm + width_mm, top_mm + height_mm
        page.line([x_mm, right_mm, right_mm, x_mm, x_mm], [top_mm, top_mm, bottom_mm, bottom_mm, top_mm])
        page.text(x_mm + 1, top_mm + 2.2, name, size=6.5, colour=style.FAINT)
        x_mm = right_mm
    return top_mm + height_mm


def _draw_table(
    page: _Page, columns: tuple[tuple[str, int], ...], ids: Sequence[str], *, controls: Sequence[str], top_mm: float
) -> None:
    """A row per colony to fill in."""
    left_mm, head_mm = 10.0, 9.0
    row_mm = (184 - top_mm - head_mm) / COLONIES_PER_PAGE
    edges = [left_mm]
    for name, width_mm in columns:
        page.text(edges[-1] + 1, top_mm + head_mm / 2, name, size=7)
        edges.append(edges[-1] + width_mm)
    bottom_mm = top_mm + head_mm + row_mm * len(ids)
    for edge in edges:
        page.line([edge, edge], [top_mm, bottom_mm])
    page.line([left_mm, edges[-1]], [top_mm, top_mm], width_pt=0.9)
    for i in range(len(ids) + 1):
        y_mm = top_mm + head_mm + row_mm * i
        page.line([left_mm, edges[-1]], [y_mm, y_mm], width_pt=0.9 if i == 0 else 0.5)
    for i, name in enumerate(ids):
        y_mm = top_mm + head_mm + row_mm * (i + 0.5)
        undyed = name in controls
        size = 10 if len(name) <= 9 else max(90 / len(name), 4)
        page.text(left_mm + 1, y_mm - (1.5 if undyed else 0), name, size=size, bold=True)
        if undyed:
            page.text(left_mm + 1, y_mm + 2.4, "no dye", size=7)


def _draw_label(page: _Page, place: int, name: str, kind: str, sheets: Sheets) -> None:
    """One label, with faint lines to cut along."""
    width_mm, height_mm = _A4_MM[0] / LABELS_ACROSS, _A4_MM[1] / LABELS_DOWN
    left_mm = width_mm * (place % LABELS_ACROSS)
    top_mm = height_mm * (place // LABELS_ACROSS)
    right_mm, bottom_mm = left_mm + width_mm, top_mm + height_mm
    page.line([left_mm, right_mm, right_mm, left_mm, left_mm], [top_mm, top_mm, bottom_mm, bottom_mm, top_mm],
              width_pt=0.2)  # fmt: skip
    page.text(left_mm + 5, top_mm + 9, name, size=20 if len(name) <= 10 else max(200 / len(name), 5), bold=True)
    page.text(right_mm - 5, top_mm + 17, f"{kind}, no dye" if name in sheets.controls else kind, size=7.5, right=True)
    page.text(left_mm + 5, top_mm + 17, _fitting(sheets.site, 30), size=7.5)
    if kind == "colony":
        page.text(left_mm + 5, top_mm + 24, "bag on  ____________________", size=8)
        page.text(left_mm + 5, top_mm + 31, "bag off  ____________________", size=8)
    else:
        page.text(left_mm + 5, top_mm + 24, "collected  _________________", size=8)
        page.text(left_mm + 5, top_mm + 31, "top alive  yes / no", size=8)
        page.text(right_mm - 5, top_mm + 31, "\N{UPWARDS ARROW} up", size=9, right=True)


def _fitting(text: str, most: int) -> str:
    """Text cut to a length."""
    return text if len(text) <= most else f"{text[: most - 1]}\N{HORIZONTAL ELLIPSIS}"


def _pdf(pages: list[_Page], *, title: str) -> bytes:
    """Pages as one PDF."""
    buffer = io.BytesIO()
    with mpl.rc_context(_PDF_LOOK):
        with PdfPages(buffer, metadata=_PDF_FACTS | {"Title": title}) as pdf:
            for page in pages:
                pdf.savefig(page.figure)
        return buffer.getvalue()
