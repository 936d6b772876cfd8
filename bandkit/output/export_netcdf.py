"""Export as NetCDF-3 by the CF conventions: one time series per track, its years in an indexed ragged array.

References
----------
CF conventions 1.8, chapter 9 (discrete sampling geometries): the indexed ragged array representation.
"""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit._version import __version__
from bandkit.flags import FLAG_MEANINGS
from bandkit.output.export_columns import COLUMN_MEANINGS, slab_facts, udunits_of
from bandkit.output.words import is_floating
from bandkit.results import GrowthTable, SlabResult

FloatArray = NDArray[np.float64]

NETCDF_FILE = "growth.nc"
CONVENTIONS = "CF-1.8"
EPOCH = dt.date(1850, 1, 1)
TO_FILL_IN = "to be filled in by the author"

_STANDARD_NAMES = {"latitude_deg": "latitude", "longitude_deg": "longitude", "depth_m": "depth"}
_CF_UNITS = {"latitude_deg": "degrees_north", "longitude_deg": "degrees_east"}
# Of the series rather than of a year.
_SERIES_TEXT = ("specimen", "track")
_SLAB_TEXT = ("taxon", "site", "collected", "image", "image_sha256", "record_sha256", "bandkit_version")
_SLAB_NUMBERS = ("latitude_deg", "longitude_deg", "depth_m")


def netcdf_bytes(slabs: list[SlabResult]) -> bytes:
    """Write the growth of slabs as a NetCDF-3 file.

    Parameters
    ----------
    slabs : list of SlabResult
        Measured slabs.

    Returns
    -------
    bytes
        Dimensions ``series`` (one per slab and track) and ``obs`` (one per year of a track); every column of growth,
        NaN or empty text where not measured; what is known of the slab per series; the middle and the bounds of each
        year as CF time, missing where the series is not tied to a calendar. The same growth gives the same bytes.
    """
    # Imported here: the writer is of use to this export alone.
    from scipy.io import netcdf_file

    buffer = io.BytesIO()
    # The 64-bit offsets of version 2 hold any number of years.
    file = netcdf_file(buffer, "w", version=2)
    for name, value in _global_attributes(slabs).items():
        setattr(file, name, value.encode("utf-8"))
    _add_series(file, slabs)
    _add_years(file, slabs)
    file.flush()
    # Closing the file closes the buffer too.
    content = buffer.getvalue()
    file.close()
    return content


def _global_attributes(slabs: list[SlabResult]) -> dict[str, str]:
    """What the whole file says of itself."""
    used = {code for slab in slabs for flag in slab.flags for code in (flag.code,)}
    used |= {code for slab in slabs for cell in slab.growth.flags.tolist() for code in cell.split()}
    doubts = [f"{code}: {FLAG_MEANINGS[code]}" for code in sorted(used) if code in FLAG_MEANINGS]
    methods = dict.fromkeys(sentence.rstrip(".") for slab in slabs for sentence in slab.methods)
    return {
        "Conventions": CONVENTIONS,
        "featureType": "timeSeries",
        "title": f"Growth of coral skeleton per year, {len(slabs)} slab{'s' if len(slabs) != 1 else ''}",
        "institution": TO_FILL_IN,
        "references": TO_FILL_IN,
        "license": TO_FILL_IN,
        "source": ". ".join(methods) or "tables of growth per year",
        "history": f"written by bandkit {__version__}",
        "comment": "Not measured is NaN in numbers and empty in text; 0 is a measured zero. Doubts: "
        + ("; ".join(doubts) or "none"),
    }


def _add_series(file: Any, slabs: list[SlabResult]) -> None:
    """Variables with one value per track of a slab."""
    series = [(slab, track) for slab in slabs for track in _tracks(slab)]
    file.createDimension("series", len(series))
    facts = [slab_facts(slab) for slab, _ in series]
    names = [f"{slab.specimen['id']} {track}" for slab, track in series]
    _add_text(file, "series_name", names, "series", long_name="slab and track", cf_role="timeseries_id")
    _add_text(file, "specimen", [str(slab.specimen["id"]) for slab, _ in series], "series")
    _add_text(file, "track", [track for _, track in series], "series")
    for name in _SLAB_TEXT:
        _add_text(file, name, [str(known.get(name, "")) for known in facts], "series")
    for name in _SLAB_NUMBERS:
        values = np.array([float(known.get(name, np.nan)) for known in facts])
        extra = {"positive": "down"} if name == "depth_m" else {}
        _add_numbers(file, name, values, ("series",), standard_name=_STANDARD_NAMES[name], **extra)


def _add_years(file: Any, slabs: list[SlabResult]) -> None:
    """Variables with one value per year of a track."""
    growth = GrowthTable.concatenate([slab.growth for slab in slabs])
    file.createDimension("obs", len(growth))
    file.createDimension("bounds", 2)
    variable = file.createVariable("series_index", "i4", ("obs",))
    variable[:] = _series_of_rows(slabs)
    variable.long_name = b"which series this year belongs to, counted from 0"
    variable.instance_dimension = b"series"
    times = _times(slabs)
    since = f"days since {EPOCH.isoformat()} 00:00:00"
    _add_numbers(file, "time", times.mean(axis=1), ("obs",), long_name="middle of the year of growth", units=since,
                 standard_name="time", calendar="standard", axis="T", bounds="time_bounds")  # fmt: skip
    _add_numbers(file, "time_bounds", times, ("obs", "bounds"), long_name="begin and end of the year of growth",
                 units=since, calendar="standard")  # fmt: skip
    for name in GrowthTable.column_names():
        values = getattr(growth, name)
        if name in _SERIES_TEXT:
            continue
        if name in GrowthTable.text_columns:
            _add_text(file, name, values.tolist(), "obs")
        else:
            _add_numbers(file, name, values, ("obs",), coordinates="time latitude_deg longitude_deg depth_m")


def _tracks(slab: SlabResult) -> list[str]:
    """Tracks of a slab in the order of its growth table."""
    return list(dict.fromkeys(slab.growth.track.tolist()))


def _series_of_rows(slabs: list[SlabResult]) -> NDArray[np.int32]:
    """Number of the series that each row of growth belongs to."""
    keys = [(i, track) for i, slab in enumerate(slabs) for track in slab.growth.track.tolist()]
    number = {key: n for n, key in enumerate(dict.fromkeys(keys))}
    return np.array([number[key] for key in keys], dtype=np.int32)


def _times(slabs: list[SlabResult]) -> FloatArray:
    """Begin and end of each year in days since the epoch, shape (n_rows, 2); NaN where not tied to a calendar."""
    bounds = []
    for slab in slabs:
        for begin, end in zip(slab.growth.year_start.tolist(), slab.growth.year_end.tolist(), strict=True):
            dated = not is_floating(slab)
            bounds.append([_days(begin), _days(end)] if dated else [np.nan, np.nan])
    return np.array(bounds, dtype=np.float64).reshape(-1, 2)


def _days(decimal_year: float) -> float:
    """Days since the epoch of a decimal year; NaN of NaN."""
    if not np.isfinite(decimal_year):
        return float("nan")
    year = int(np.floor(decimal_year))
    first, n_days = dt.date(year, 1, 1), (dt.date(year + 1, 1, 1) - dt.date(year, 1, 1)).days
    return (first - EPOCH).days + (decimal_year - year) * n_days


def _add_numbers(file: Any, name: str, values: FloatArray, dimensions: tuple[str, ...], **attributes: str) -> None:
    """A variable of numbers, with its unit and meaning."""
    variable = file.createVariable(name, "f8", dimensions)
    variable[:] = values
    defaults = {"long_name": COLUMN_MEANINGS.get(name, ""), "units": _CF_UNITS.get(name, udunits_of(name))}
    for key, value in (defaults | attributes).items():
        setattr(variable, key, value.encode("utf-8"))
    if "bounds" not in dimensions:
        # Coordinates with missing values are allowed where they are auxiliary, as here.
        variable._FillValue = np.float64(np.nan)


def _add_text(file: Any, name: str, texts: list[str], dimension: str, **attributes: str) -> None:
    """A variable of text: NetCDF-3 has characters only, so each text is a row of bytes in UTF-8."""
    encoded = [text.encode("utf-8") for text in texts]
    width = max([len(text) for text in encoded] + [1])
    file.createDimension(f"{name}_length", width)
    variable = file.createVariable(name, "c", (dimension, f"{name}_length"))
    for i, text in enumerate(encoded):
        variable[i] = np.frombuffer(text.ljust(width, b"\0"), dtype="S1")
    variable._Encoding = b"utf-8"
    for key, value in ({"long_name": COLUMN_MEANINGS.get(name, "")} | attributes).items():
        setattr(variable, key, value.encode("utf-8"))
