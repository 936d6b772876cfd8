"""Sentences that say what was really done."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bandkit.carrier import Carrier
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains
from bandkit.tracks import MeasuredTrack


def methods_of(
    scale: Scale, carrier: Carrier, tracks: Sequence[MeasuredTrack], stains: Sequence[MeasuredStains]
) -> tuple[str, ...]:
    """Sentences that say what was really done."""
    sources = {
        "bar": "a scale bar whose ends were given",
        "bar found": "a scale bar found in the image",
        "mm_per_px": "the stated resolution",
        "file": "the resolution stated in the image file",
    }
    sentences = [
        f"Lengths were taken from {sources.get(scale.source, scale.source)} ({scale.x_mm_px:.5g} mm per pixel, "
        f"standard deviation {100 * scale.sd_frac:.2g} %)."
    ]
    if scale.magnification != 1.0:
        sentences.append(f"They were divided by an X-ray magnification of {scale.magnification:.4f}.")
    sentences += [*_surface_sentences(stains), *carrier.methods]
    for track in tracks:
        sentences += _track_sentences(track)
    sentences += _stain_sentences(stains)
    if tracks:
        sentences.append(tracks[0].dated.rule)
    return tuple(sentences)


def _surface_sentences(stains: Sequence[MeasuredStains]) -> list[str]:
    """Where depth begins."""
    found = [item.strip.surface.sd_mm for item in stains if item.strip.surface.found]
    absent = [item.track for item in stains if not item.strip.surface.found]
    sentences = []
    if found:
        sentences.append(
            f"The outer growth surface was found on {'the other tracks' if absent else 'each track'} at the half-way "
            f"level between background and skeleton (standard error up to {max(found):.2f} mm); depth is along the "
            f"track from there."
        )
    if absent:
        names = ", ".join(absent)
        sentences.insert(0, f"No outer surface was found on track {names}: depth starts at its first drawn point.")
    return sentences


def _stain_sentences(stains: Sequence[MeasuredStains]) -> list[str]:
    """How stain lines were found, as far as any were looked for."""
    rows = [row for item in stains for row in item.rows]
    sentences = []
    if any("stain-picked" not in row.codes and "stain-not-visible" not in row.codes for row in rows):
        sentences.append(
            "The stain line was traced across the slab in a colour index of the dye against the skeleton, and "
            "its distal (outer) edge was fitted with a seepage tail."
        )
    if any("stain-picked" in row.codes for row in rows):
        sentences.append("The stain line was picked by a person.")
    if any(np.isfinite(row.extension_mm_yr) for row in rows):
        sentences.append(
            "Extension since staining is the distance from the line's distal edge to the surface over the time between "
            "staining and collection."
        )
    return sentences


def _track_sentences(track: MeasuredTrack) -> list[str]:
    """How the marks of one track were found."""
    name, width = track.spec.name, float(np.ptp(track.strip.across_mm))
    tilt = float(np.median(np.abs(track.field.tilt_deg)))
    sentences = [
        f"Track {name}: the bands were followed over {width:.0f} mm of slab width and averaged along themselves; "
        f"they cross the track at {tilt:.0f} degrees (median), and extension is measured square to them."
    ]
    if track.found is None:
        sentences.append(f"Track {name}: the annual marks are those of the reader {track.marks.origin}.")
    elif len(track.marks.depth_mm):
        model = track.found.model
        sentences.append(
            f"Track {name}: the annual marks come from a hidden semi-Markov model whose mean year "
            f"({model.spacing_mm:.1f} mm, spread {100 * model.spacing_log_sd:.0f} %), annual shape and noise were "
            f"learnt from the track; each stands on the top of its band, and its 90 % interval comes from how far two "
            f"looks at the bands disagree."
        )
    return sentences
