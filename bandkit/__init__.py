"""Growth bands and stain lines in sawn coral slabs: from images to growth per year.

The whole job is two calls, and every stage of it is a function of its own::

    import bandkit

    record = bandkit.read_record("TB-07.toml")
    result = bandkit.measure(record)
    result.write("out")

Names are loaded on first use, so that ``import bandkit`` is instant.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from bandkit._version import __version__

if TYPE_CHECKING:
    from bandkit.axis import make_axis
    from bandkit.bands import find_marks
    from bandkit.batch import measure_batch
    from bandkit.dating import date_marks
    from bandkit.density import calibrate, slab_density_g_cm3
    from bandkit.errors import BandkitError
    from bandkit.follow import average_along_bands, follow_bands
    from bandkit.growth import growth_per_year, track_means
    from bandkit.images import open_image
    from bandkit.output import read_result
    from bandkit.pipeline import measure
    from bandkit.record import Record, RecordFile, check_record, parse_record, read_record
    from bandkit.results import SlabResult
    from bandkit.scale import find_bar, resolve_scale
    from bandkit.simulate import simulate_luminescence, simulate_photograph, simulate_radiograph
    from bandkit.stain import find_stains
    from bandkit.strip import straighten
    from bandkit.surface import find_surface

# Public name -> the module that it lives in; the order is that of the work.
_HOMES = {
    "BandkitError": "errors",
    "Record": "record",
    "RecordFile": "record",
    "SlabResult": "results",
    "read_record": "record",
    "parse_record": "record",
    "check_record": "record",
    "measure": "pipeline",
    "measure_batch": "batch",
    "read_result": "output",
    "open_image": "images",
    "find_bar": "scale",
    "resolve_scale": "scale",
    "make_axis": "axis",
    "straighten": "strip",
    "find_surface": "surface",
    "follow_bands": "follow",
    "average_along_bands": "follow",
    "find_marks": "bands",
    "find_stains": "stain",
    "calibrate": "density",
    "slab_density_g_cm3": "density",
    "date_marks": "dating",
    "growth_per_year": "growth",
    "track_means": "growth",
    "simulate_radiograph": "simulate",
    "simulate_photograph": "simulate",
    "simulate_luminescence": "simulate",
}

__all__ = [
    "BandkitError",
    "Record",
    "RecordFile",
    "SlabResult",
    "__version__",
    "average_along_bands",
    "calibrate",
    "check_record",
    "date_marks",
    "find_bar",
    "find_marks",
    "find_stains",
    "find_surface",
    "follow_bands",
    "growth_per_year",
    "make_axis",
    "measure",
    "measure_batch",
    "open_image",
    "parse_record",
    "read_record",
    "read_result",
    "resolve_scale",
    "simulate_luminescence",
    "simulate_photograph",
    "simulate_radiograph",
    "slab_density_g_cm3",
    "straighten",
    "track_means",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module on first use (PEP 562)."""
    if name not in _HOMES:
        msg = f"module 'bandkit' has no attribute {name!r}"
        raise AttributeError(msg)
    value = getattr(import_module(f"bandkit.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names, for completion in a notebook."""
    return sorted(__all__)
