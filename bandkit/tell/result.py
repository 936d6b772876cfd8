"""One result from what was measured on a slab."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit._version import __version__
from bandkit.budget import BudgetTable, BulkCheck
from bandkit.carrier import Carrier, Radiography
from bandkit.checks import TrackPair
from bandkit.density import Thickness
from bandkit.flags import Flag
from bandkit.images import ImageSource, Overview
from bandkit.record import Record, to_plain
from bandkit.record.model import Dense
from bandkit.results import (
    CalibrationResult,
    EventTable,
    GrowthTable,
    MarkTable,
    ProfileTable,
    SlabResult,
    TrackTable,
)
from bandkit.scale import Scale
from bandkit.stain_tables import BranchTable, ColonyTable, StainProfileTable, StainTable
from bandkit.staining import MeasuredStains
from bandkit.tell._budget import budget_rows, mass_sentences
from bandkit.tell._lines import drawn_lines
from bandkit.tell._methods import methods_of
from bandkit.tell._series import event_rows, extension_errors, growth_rows, mark_rows
from bandkit.tell._stains import branch_rows, colony_rows, profile_rows, stain_rows, tip_flags
from bandkit.tell._tables import profiles, track_rows
from bandkit.tomography import Tomography
from bandkit.tracks import DEFAULT_WIDTH_MM, FINEST_STEP_MM, MOST_FOLLOWED_MM, MeasuredTrack

FloatArray = NDArray[np.float64]

DYE_SIGNAL = "dye index (0 is clean skeleton)"


def tell(  # noqa: PLR0913  (all that one slab consists of)
    *,
    record: Record,
    image: ImageSource,
    overview: Overview,
    scale: Scale,
    carrier: Carrier,
    tracks: Sequence[MeasuredTrack],
    stains: Sequence[MeasuredStains],
    pairs: Sequence[TrackPair] = (),
    thickness: Thickness | None = None,
    bulk: BulkCheck | None = None,
    flags: Sequence[Flag],
    hashes: Mapping[str, str],
) -> SlabResult:
    """Put the measurements of one slab into its result.

    Parameters
    ----------
    record : Record
        The slab record.
    image : ImageSource
        The image, for its facts.
    overview : Overview
        The reduced image, for the figure.
    scale : Scale
        Millimetres per pixel.
    carrier : Carrier
        What carried the bands.
    tracks : sequence of MeasuredTrack
        Tracks with marks and growth; may be empty for a stained photograph.
    stains : sequence of MeasuredStains
        Stain lines, one per track.
    pairs : sequence of TrackPair
        Tracks compared with each other.
    thickness : Thickness or None
        How thick the slab is.
    bulk : BulkCheck or None
        Density on the balance beside that of the image.
    flags : sequence of Flag
        Doubts about the slab as a whole.
    hashes : mapping
        Hashes of image and record.

    Returns
    -------
    SlabResult
        Ready to be written.
    """
    specimen = record.specimen.id
    all_flags = list(flags)
    for track in tracks:
        all_flags += track.flags
    for stain in stains:
        all_flags += stain.flags
    for pair in pairs:
        all_flags += pair.flags
    all_flags += [Flag(code="tip-flat", track=name) for name in tip_flags(record, stains)]
    branches = branch_rows(record, stains)
    return SlabResult(
        specimen=to_plain(record.specimen),
        image=_image_facts(record, image, DYE_SIGNAL if stains and not tracks else carrier.unit, carrier),
        scale=_scale_facts(scale),
        growth=GrowthTable.from_rows([row for t in tracks for row in growth_rows(record, t)]),
        marks=MarkTable.from_rows([row for t in tracks for row in mark_rows(record, t, pairs)]),
        events=EventTable.from_rows([row for t in tracks for row in event_rows(specimen, t)]),
        stains=StainTable.from_rows([row for s in stains for row in stain_rows(specimen, s)]),
        stain_profile=StainProfileTable.from_rows([row for s in stains for row in profile_rows(specimen, s)]),
        branches=BranchTable.from_rows(branches),
        colonies=ColonyTable.from_rows(colony_rows(branches)),
        tracks=TrackTable.from_rows(track_rows(record, scale, tracks, stains, pairs=pairs, flags=all_flags)),
        profile=ProfileTable.concatenate(profiles(tracks, stains)),
        lines=tuple(line for s in stains for line in drawn_lines(s, tracks)),
        calibration=_calibration(carrier),
        flags=_distinct(all_flags),
        budget=BudgetTable.from_rows([row for t in tracks for row in budget_rows(t)]),
        bulk=bulk,
        methods=methods_of(scale, carrier, tracks, stains, pairs, mass_sentences(thickness, bulk, tracks)),
        settings=_settings(record),
        provenance={"version": __version__, "record": record.path.name, **hashes, **_libraries()},
        chronologies={t.spec.name: t.chronologies for t in tracks},
        errors={t.spec.name: extension_errors(t, scale) for t in tracks if len(t.marks.depth_mm)},
        picture=_picture(overview, image),
        picture_step_px=float(overview.step_px),
    )


def _image_facts(record: Record, image: ImageSource, signal: str, carrier: Carrier) -> dict[str, Any]:
    """What a reader of the result needs to know of the image."""
    return {
        "file": record.image.file,
        "kind": record.image.kind,
        "values": record.image.values,
        "dense": _dense(carrier),
        "signal": signal,
        "width_px": image.width_px,
        "height_px": image.height_px,
        "channels": image.channels,
        "bits": image.bits,
        "format": image.format,
        "notes": [flag.sentence for flag in image.notes],
        "acquisition": dict(image.acquisition),
    }


def _dense(carrier: Carrier) -> Dense | None:
    """How dense skeleton is shown; None where it is not."""
    if isinstance(carrier, Tomography):
        return "bright"
    return carrier.dense if isinstance(carrier, Radiography) else None


def _scale_facts(scale: Scale) -> dict[str, Any]:
    """Millimetres per pixel and where they come from."""
    return {
        "x_mm_px": scale.x_mm_px,
        "y_mm_px": scale.y_mm_px,
        "sd_frac": scale.sd_frac,
        "source": scale.source,
        "magnification": scale.magnification,
        "bar_px": [list(point) for point in scale.bar_px] if scale.bar_px else None,
    }


def _calibration(carrier: Carrier) -> CalibrationResult | None:
    """The density calibration, where there is one."""
    if isinstance(carrier, Radiography) and carrier.calibration is not None:
        return carrier.calibration.summary(carrier.beam, carrier.veil)
    if isinstance(carrier, Tomography) and carrier.curve is not None:
        return carrier.curve.summary()
    return None


def _distinct(flags: Sequence[Flag]) -> tuple[Flag, ...]:
    """Each doubt once."""
    return tuple(dict.fromkeys(flags))


def _settings(record: Record) -> dict[str, Any]:
    """Numbers that steered the measurement."""
    return {
        "most_followed_mm": MOST_FOLLOWED_MM,
        "default_width_mm": DEFAULT_WIDTH_MM,
        "finest_step_mm": FINEST_STEP_MM,
        "mark": record.dating.mark,
        "mark_date": record.dating.mark_date and "-".join(f"{v:02d}" for v in record.dating.mark_date),
        "spacing_mm": record.dating.spacing_mm,
        "slab_thickness_mm": record.density.slab_thickness_mm if record.density else None,
    }


def _libraries() -> dict[str, str]:
    """Versions of what did the arithmetic."""
    return {"python": platform.python_version(), "numpy": np.__version__, "scipy": version("scipy")}


def _picture(overview: Overview, image: ImageSource) -> FloatArray:
    """The reduced image from 0 to 1, as displayed, stretched to its own range where it is grey."""
    values = np.asarray(overview.values, dtype=np.float64)
    if values.ndim == 3:
        return np.asarray(np.clip(values / image.full_scale, 0.0, 1.0))
    low, high = np.nanquantile(values, [0.002, 0.998])
    return np.asarray(np.clip((values - low) / max(float(high - low), 1e-12), 0.0, 1.0))
