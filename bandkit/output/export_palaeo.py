"""Export as the text template, version 4.0, of the public palaeoclimate archive (WDS-Paleo).

Sections and fields stand in the order of the template. What only the author knows, and terms of the archive's
controlled vocabulary that are not certain, are marked with `MARK`: search for it before submitting.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

import numpy as np

from bandkit._version import __version__
from bandkit.flags import FLAG_MEANINGS
from bandkit.output.export_columns import COLUMN_MEANINGS, slab_facts, unit_of
from bandkit.output.folders import folder_name
from bandkit.output.words import is_floating
from bandkit.results import GrowthTable, SlabResult

MARK = "AUTHOR:"
MISSING = "NA"
LINE = "#" + "-" * 20
_RULE = "#" + "-" * 71
# Ten parts of a variable's line, after its short name and a tab.
COMPONENTS = ("what", "material", "error", "units", "seasonality", "archive", "detail", "method", "data type",
              "additional information")  # fmt: skip
DATA_TYPE = "CORALS AND SCLEROSPONGES"

# Short name, the term of the vocabulary that is likely (it was not seen in the archive's list), and the error's.
_QUANTITIES = (
    ("density", "density"),
    ("calcification", "calcification rate"),
    ("extension", "extension rate"),
    ("year", "age"),
)
_FORMULA_START = ("=", "+", "-", "@")
_PUBLICATION = (
    "Authors", "Published_Date_or_Year", "Published_Title", "Journal_Name", "Volume", "Edition", "Issue", "Pages",
    "Report_Number", "DOI", "Publication_Place", "Publisher", "ISBN", "Online_Resource", "Other_Reference_Details",
    "Full_Citation", "Abstract",
)  # fmt: skip


def palaeo_files(slabs: list[SlabResult], *, written: dt.date | None = None) -> dict[str, bytes]:
    """Write the growth of slabs in the archive's text template, one file per slab.

    Parameters
    ----------
    slabs : list of SlabResult
        Measured slabs.
    written : datetime.date, optional
        Day of writing, for the template's dates; left for the author where absent.

    Returns
    -------
    dict of str to bytes
        Text by file name, for slabs with growth. UTF-8; data parted by tabs, missing values NA; text that
        a spreadsheet would run as a formula has a quote before it.
    """
    measured = [slab for slab in slabs if len(slab.growth)]
    return {f"{folder_name(str(slab.specimen['id']))}-palaeo.txt": palaeo_text(slab, written=written).encode("utf-8")
            for slab in measured}


def palaeo_text(slab: SlabResult, *, written: dt.date | None = None) -> str:
    """Write the growth of one slab in the archive's text template.

    Parameters
    ----------
    slab : SlabResult
        A measured slab.
    written : datetime.date, optional
        Day of writing; left for the author where absent.

    Returns
    -------
    str
        The file's text.
    """
    head = [*_banner(slab), *_sections(slab, written)]
    return "\n".join([*head, *_variables(), *_data(slab)]) + "\n"


def _banner(slab: SlabResult) -> list[str]:
    """The fixed lines at the head."""
    return [
        f"# {_line(slab.specimen['id'])} growth of coral skeleton per year",
        _RULE,
        "#                World Data Service for Paleoclimatology, Boulder",
        "#                                  and",
        "#                     NOAA Paleoclimatology Program",
        "#             National Centers for Environmental Information (NCEI)",
        _RULE,
        "# Template Version 4.0",
        "# Encoding: UTF-8",
        f"# NOTE: {MARK} take this sentence from the archive's current template",
        "#",
        "# Description/Documentation lines begin with #",
        "# Data lines have no #",
        "#",
        f"# NOAA_Landing_Page: {MARK} given by the archive",
        "#   Landing_Page_Description:",
        f"# Study_Level_JSON_Metadata: {MARK} given by the archive",
        "#   Study_Level_JSON_Description:",
        f"# Data_Type: {DATA_TYPE}",
        f"# Dataset_DOI: {MARK} given by the archive",
        f"# Science_Keywords: {MARK} terms of the archive's list",
        LINE,
        "# Resource_Links",
        *(f"# {name}: {MARK} given by the archive\n#   {about}:" for name, about in (
            ("Data_Download_Resource", "Data_Download_Description"),
            ("Supplemental_Download_Resource", "Supplemental_Description"),
            ("Related_Online_Resource", "Related_Online_Description"),
            ("Original_Source_URL", "Original_Source_Description"))),
    ]  # fmt: skip


def _sections(slab: SlabResult, written: dt.date | None) -> list[str]:
    """The described sections, in the template's order."""
    facts = slab_facts(slab)
    day = written.isoformat() if written else f"{MARK} YYYY-MM-DD"
    parts: list[tuple[str, dict[str, object]]] = [
        ("Contribution_Date", {"Date": day}),
        ("File_Last_Modified_Date", {"Date": day}),
        ("Title", {"Study_Name": f"{MARK} name of the study"}),
        ("Investigators", {"Investigators": f"{MARK} Last, F.; Last, F."}),
        ("Description_Notes_and_Keywords", {"Description": _description(slab)}),
        ("Publication", dict.fromkeys(_PUBLICATION, f"{MARK} ")),
        ("Funding_Agency", {"Funding_Agency_Name": f"{MARK} ", "Grant": f"{MARK} "}),
        ("Site_Information", _site(facts)),
        ("Data_Collection", _collection(slab)),
        ("Species", {"Species_Name": facts.get("taxon") or f"{MARK} ", "Common_Name": f"{MARK} ",
                     "Tree_Species_Code": MISSING}),
        ("Chronology_Information", {"Chronology": _chronology(slab)}),
    ]  # fmt: skip
    return [line for name, fields in parts for line in _section(name, fields)]


def _section(name: str, fields: dict[str, object]) -> list[str]:
    """One section: rule, name, a field a line."""
    return [LINE, f"# {name}", *(f"#    {field}: {_line(value)}" for field, value in fields.items())]


def _description(slab: SlabResult) -> str:
    """What was measured and from which files."""
    sources = {"picture": slab.provenance.get("image_sha256"), "slab record": slab.provenance.get("record_sha256"),
               "table of growth": slab.provenance.get("table_sha256")}
    hashes = "; ".join(f"SHA-256 of the {what} {value}" for what, value in sources.items() if value)
    methods = " ".join(f"{sentence.rstrip('.')}." for sentence in slab.methods)
    version = slab.provenance.get("version")
    measured = f"Measured with bandkit {version}." if version else f"{MARK} how growth was measured."
    codes = dict.fromkeys([flag.code for flag in slab.flags]
                          + [code for cell in slab.growth.flags.tolist() for code in cell.split()])
    doubts = "; ".join(f"{code}: {FLAG_MEANINGS[code]}" for code in codes if code in FLAG_MEANINGS)
    parts = [measured, methods, f"Written by bandkit {__version__}.", f"{hashes}." if hashes else "",
             f"Doubts: {doubts}." if doubts else ""]
    return " ".join(part for part in parts if part)


def _site(facts: dict[str, str | float]) -> dict[str, object]:
    """Where the colony stood."""
    unknown = f"{MARK} decimal degrees"
    latitude, longitude = facts.get("latitude_deg", unknown), facts.get("longitude_deg", unknown)
    depth = facts.get("depth_m")
    return {
        "Site_Name": facts.get("site") or f"{MARK} ",
        "Location": f"{MARK} term of the archive's list",
        "Northernmost_Latitude": latitude,
        "Southernmost_Latitude": latitude,
        "Easternmost_Longitude": longitude,
        "Westernmost_Longitude": longitude,
        # Below the surface of the sea is negative.
        "Elevation_m": -float(depth) if depth is not None else f"{MARK} metres, below the sea negative",
    }


def _collection(slab: SlabResult) -> dict[str, object]:
    """What the series spans."""
    years = slab.growth.year[np.isfinite(slab.growth.year)]
    lengths = slab.tracks.length_mm[np.isfinite(slab.tracks.length_mm)]
    dated = not is_floating(slab)
    collected = slab.specimen.get("collected")
    return {
        "Collection_Name": slab.specimen["id"],
        "Earliest_Year": int(years.min()) if dated and years.size else f"{MARK} not tied to a calendar",
        "Most_Recent_Year": int(years.max()) if dated and years.size else f"{MARK} not tied to a calendar",
        "Time_Unit": "CE" if dated else f"{MARK} years counted from the outer surface inwards",
        "Core_Length_m": round(float(lengths.max()) / 1000, 4) if lengths.size else f"{MARK} metres",
        "Parameter_Keywords": f"{MARK} terms of the archive's list",
        "Notes": f"collected {collected}" if collected else f"{MARK} day of collection",
    }


def _chronology(slab: SlabResult) -> str:
    """How the years were told."""
    if is_floating(slab):
        return "Annual marks, counted from the outer surface inwards; not tied to a calendar."
    return "Annual marks, a year named after its outer mark; year_lo to year_hi: 90 percent interval of the count."


def _variables() -> list[str]:
    """One line of ten components for each column."""
    lines = [f"## {name}\t{','.join(_components(name))}" for name in GrowthTable.column_names()]
    return [LINE, "# Variables", "#", f"# Components: {', '.join(COMPONENTS)}", *lines]


def _components(name: str) -> list[str]:
    """Ten components of a column; a comma would part two of them, so that there is none inside."""
    is_text = name in GrowthTable.text_columns
    likely = next((term for start, term in _QUANTITIES if name.startswith(start)), "")
    is_error = "_sd_" in name
    what = f"{MARK} check term {likely}" if likely else f"{MARK} term"
    parts = [
        what, "coral" if likely and likely != "age" else "", "one standard deviation" if is_error else "",
        unit_of(name), "annual" if likely and likely != "age" else "", "coral", "", "", "C" if is_text else "N",
        COLUMN_MEANINGS[name],
    ]  # fmt: skip
    return [part.replace(",", ";") for part in parts]


def _data(slab: SlabResult) -> list[str]:
    """Header and rows, parted by tabs."""
    names = GrowthTable.column_names()
    rows = ["\t".join(_cell(row[name], name) for name in names) for row in slab.growth.rows()]
    about = [LINE, "# Data:", "# Data lines follow (have no #)",
             "# Data line format - tab-delimited text, variable short name as header", f"# Missing_Values: {MISSING}"]
    return [*about, "\t".join(names), *rows]


def _cell(value: str | float, name: str) -> str:
    """One value of the data; NA where there is none."""
    if isinstance(value, str):
        text = _line(value)
        # A row that begins with # would be taken for a comment.
        quoted = f"'{text}" if text.startswith((*_FORMULA_START, "#")) else text
        return quoted or MISSING
    if not math.isfinite(value):
        return MISSING
    return str(round(value)) if name in GrowthTable.integer_columns else f"{value:.12g}"


def _line(value: object) -> str:
    """Text on one line, without tabs."""
    return " ".join(str(value).split())


def open_marks(texts: Iterable[str]) -> int:
    """Count what is left for the author.

    Parameters
    ----------
    texts : iterable of str
        Files of `palaeo_files`, as text.

    Returns
    -------
    int
        How often the mark stands in them.
    """
    return sum(text.count(MARK) for text in texts)
