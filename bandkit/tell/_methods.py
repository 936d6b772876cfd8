"""Sentences that say what was really done."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bandkit.carrier import Carrier
from bandkit.checks import TrackPair
from bandkit.scale import Scale
from bandkit.staining import MeasuredStains
from bandkit.tracks import MeasuredTrack


def methods_of(
    scale: Scale, carrier: Carrier, tracks: Sequence[MeasuredTrack], stains: Sequence[MeasuredStains],
    pairs: Sequence[TrackPair] = (), mass: Sequence[str] = (),
) -> tuple[str, ...]:
    """Sentences that say what was really done; ``mass`` are those on thickness and weights."""
    sources = {
        "bar": "a scale bar whose ends were given",
        "bar found": "a scale bar found in the image",
        "ruler": "the ticks of a ruler whose place was given",
        "ruler found": "the ticks of a ruler found in the image",
        "corners": "four corners of a rectangle of known size, in whose plane they hold",
        "mm_per_px": "the stated resolution",
        "file": "the resolution stated in the image file",
    }
    sentences = [
        f"Lengths were taken from {sources.get(scale.source, scale.source)} ({scale.x_mm_px:.5g} mm per pixel, "
        f"standard deviation {100 * scale.sd_frac:.2g} %)."
    ]
    if scale.magnification != 1.0:
        sentences.append(f"They were divided by an X-ray magnification of {scale.magnification:.4f}.")
    sentences += [*_surface_sentences(stains), *carrier.methods, *mass]
    for track in tracks:
        sentences += _track_sentences(track)
    sentences += [_pair_sentence(pair) for pair in pairs]
    sentences += _stain_sentences(stains)
    if tracks:
        sentences.append(tracks[0].dated.rule)
        sentences += _count_sentences(tracks)
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
    if any(row.excluded_days for row in rows):
        sentences.append("Days of recovery after staining, as the record gives them, were left out of the time.")
    if any(row.around is not None for row in rows):
        sentences.append(
            "Extension in every direction is from the stain line to the outer surface, square to the line, at places "
            "half a millimetre apart."
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
        readers = ", ".join(dict.fromkeys(track.marks.origin.tolist()))
        sentences.append(f"Track {name}: the annual marks are those of the reader {readers}.")
    elif len(track.marks.depth_mm):
        model = track.found.model
        sentences.append(
            f"Track {name}: the annual marks come from a hidden semi-Markov model whose mean year "
            f"({model.spacing_mm:.1f} mm, spread {100 * model.spacing_log_sd:.0f} %), annual shape and noise were "
            f"learnt from the track; each stands on the top of its band, and its 90 % interval comes from how far two "
            f"looks at the bands disagree."
        )
        sentences += _given_sentences(track)
    return sentences


def _given_sentences(track: MeasuredTrack) -> list[str]:
    """What a person gave for the search of one track."""
    readers = [word for word in dict.fromkeys(track.marks.origin.tolist()) if word != "computed"]
    if not readers:
        return []
    n = int((track.marks.origin != "computed").sum())
    return [
        f"Track {track.spec.name}: {n} of its marks were set by {', '.join(readers)}, and the others found given them."
    ]


def _pair_sentence(pair: TrackPair) -> str:
    """How far two tracks agree."""
    who = f"Tracks {pair.first} and {pair.second}"
    if not pair.n_compared:
        return f"{who} could not be compared: no band could be followed from one to the other."
    shared = f"their strips share {100 * pair.shared_frac:.0f} % of the narrower one's width"
    found = f"{pair.n_agreed} of {pair.n_compared} bands are marked on both"
    apart = f", {pair.difference_mm:.1f} mm apart (median)" if pair.n_agreed else ""
    return f"{who} were compared along the bands: {found}{apart}; {shared}."


def _count_sentences(tracks: Sequence[MeasuredTrack]) -> list[str]:
    """What the count may be off by, and what it leaves out."""
    counted = [track for track in tracks if len(track.marks.depth_mm)]
    if not counted:
        return []
    sentences = ["The count is a least age: growth inside the innermost mark is not a whole year and is not counted."]
    n_draws = max(len(track.chronologies) for track in counted)
    if n_draws:
        text = f"Intervals of the count and the years come from {n_draws} equally defensible chronologies of each track"
        if any(((t.marks.origin != "computed") & (t.marks.certainty == "doubtful")).any() for t in counted):
            text += "; a mark that the reader doubts is in half of them"
        if any(event.kind == "gap" for track in counted for event in track.events):
            text += "; a gap has lost between its least and its most years in them"
        sentences.append(f"{text}.")
    return sentences
