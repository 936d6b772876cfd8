"""The annual marks of a track: found by the program, or read by a person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands import AnnualMarks, find_marks
from bandkit.dates import mark_day, newest_mark_year, years_between
from bandkit.flags import Flag
from bandkit.follow import AlignedStrip, BandField, two_looks
from bandkit.growth import mark_certainty
from bandkit.plausible import tissue_layer
from bandkit.record import Record, TrackSpec
from bandkit.tracks.cut import MOST_FOLLOWED_MM, TrackStrip
from bandkit.tracks.events import (
    EVENT_HALF_MM,
    Declared,
    declared_events,
    event_half_mm,
    found_events,
    hidden_rows,
    with_declared,
)
from bandkit.tracks.readings import Pick, fixed_depths, marks_of, picks_of, readings_of, with_picks
from bandkit.tracks.sequence import TrackMarks, no_marks

FloatArray = NDArray[np.float64]

# Two looks at the same bands through different corallites must agree this well (as a correlation) for marks to
# be certain: on simulated slabs without bands, followed in the same way, they agreed to 0.3 on average and to 0.45
# at most in nine of ten; bands of ordinary strength reach 0.6 to 0.9, weak ones in strong texture 0.4 to 0.7.
LEAST_AGREEMENT = 0.5
# Half the annual cycle over the noise that the model of the year leaves; below this other spacings do nearly as well.
WEAK_CYCLE_SNR = 1.5
# A rival spacing of this probability is told; the interval of the count holds it already.
LEAST_RIVAL_PROBABILITY = 0.15
# Fewer marks than this do not show that a spacing repeats itself: none of them is certain.
FEW_MARKS = 3
# Marks are looked for from this depth on.
MARK_RIM_MM = 0.4


def choose_marks(
    record: Record, spec: TrackSpec, strip: TrackStrip, field: BandField, aligned: AlignedStrip
) -> tuple[TrackMarks, AnnualMarks | None, list[Flag]]:
    """Take a person's marks where there are any, else those that the program finds.

    Parameters
    ----------
    record : Record
        What a person knows of the slab.
    spec : TrackSpec
        The track.
    strip : TrackStrip
        The straightened slab.
    field : BandField
        How the bands run.
    aligned : AlignedStrip
        The strip with its bands level.

    Returns
    -------
    marks : TrackMarks
        None at all where bands cannot be told from texture.
    found : AnnualMarks or None
        What the mark finder learnt; None where it was not asked.
    flags : list of Flag
        Doubts.
    """
    declared = declared_events(record, spec.name, strip, field)
    whole, fixed = readings_of(record, spec.name)
    if whole is not None:
        marks, event_flags = with_declared(marks_of(whole, strip, field), declared, EVENT_HALF_MM)
        flags = [Flag(code="reading-used", detail=whole.reader), *_tissue_flags(record, marks.depth_mm)]
        return marks, None, [*flags, *event_flags]
    picks = picks_of(fixed, strip, field)
    found = _find(record, strip, field, aligned, picks, declared)
    flags = _finder_flags(record, found)
    if picks:
        names = ", ".join(dict.fromkeys(pick.reader for pick in picks))
        flags.insert(0, Flag(code="fixed-marks-used", detail=f"{len(picks)} of {names}"))
    if any(flag.code == "no-marks" for flag in flags) and not picks:
        return no_marks(), found, flags
    year_mm = found.model.spacing_mm
    marks = with_picks(_computed(found), picks, year_mm)
    marks, event_flags = with_declared(marks, declared, event_half_mm(year_mm))
    return marks, found, [*flags, *_doubtful_flags(marks), *_tissue_flags(record, marks.depth_mm), *event_flags]


def _computed(found: AnnualMarks) -> TrackMarks:
    """The marks that were found, ready for a person's to be put among them."""
    n = len(found.depth_mm)
    marks = TrackMarks(
        depth_mm=found.depth_mm,
        lo_mm=found.lo_mm,
        hi_mm=found.hi_mm,
        probability=found.probability,
        certainty=mark_certainty(found.probability),
        origin=np.full(n, "computed"),
        count_lo=found.count_lo_at,
        count_hi=found.count_hi_at,
        total_lo=min(found.count_lo, n),
        total_hi=max(found.count_hi, n),
        draws_mm=found.draws_mm,
        reach_mm=0.5 * found.model.spacing_mm if n else 0.0,
    )
    return replace(marks, events=found_events(marks, found.doublet_mm, found.stress_mm))


def _find(
    record: Record, strip: TrackStrip, field: BandField, aligned: AlignedStrip, picks: Sequence[Pick],
    declared: Sequence[Declared],
) -> AnnualMarks:
    """Look for the marks, given what a person is certain of.

    A band that a person declared to be no year is hidden from the search. How wide it is
    depends on the length of a year, so that the search is made twice where there is one.
    """
    profile, known_frac = aligned.mean(MOST_FOLLOWED_MM)
    looks = two_looks(strip.signal, strip.depth_mm, strip.across_mm, field, width_mm=MOST_FOLLOWED_MM)
    # The rim of the slab is half background: its bump is no band, and a mark in it cannot be told.
    inner = slice(int(np.searchsorted(strip.depth_mm, MARK_RIM_MM)), None)
    depth = strip.depth_mm[inner]
    fixed = fixed_depths(picks)

    def search(hidden: NDArray[np.bool_]) -> AnnualMarks:
        return find_marks(
            np.where(hidden, np.nan, profile[inner]),
            depth,
            dense_side=-1 if record.dating.mark == "density minimum" else 1,
            known_frac=known_frac[inner],
            looks=None if looks is None else np.where(hidden, np.nan, looks[:, inner]),
            spacing_mm=record.dating.spacing_mm,
            outer_part_yr=_outer_part_yr(record),
            fixed_mm=fixed if fixed.size else None,
        )

    found = search(np.zeros(len(depth), dtype=np.bool_))
    if declared:
        found = search(hidden_rows(depth, declared, event_half_mm(found.model.spacing_mm)))
    return _doubted(found)


def _doubted(found: AnnualMarks) -> AnnualMarks:
    """The marks with their probabilities held down where neither two looks at the bands nor repetition confirm them."""
    most = 1.0
    if len(found.depth_mm) < FEW_MARKS or found.cycle_snr < WEAK_CYCLE_SNR:
        most = 0.8
    if found.agreement < LEAST_AGREEMENT:
        most = float(np.clip(0.4 + found.agreement, 0.1, 0.8))
    return replace(found, probability=np.minimum(found.probability, most))


def _finder_flags(record: Record, found: AnnualMarks) -> list[Flag]:
    """Doubts about the computed marks."""
    flags = []
    if record.dating.spacing_mm is not None:
        flags.append(Flag(code="spacing-from-record", detail=f"{record.dating.spacing_mm:g} mm"))
    if len(found.depth_mm) == 0:
        return [*flags, Flag(code="no-marks")]
    if found.agreement < LEAST_AGREEMENT:
        flags.append(Flag(code="bands-not-confirmed", detail=f"r = {found.agreement:.2f}"))
    if found.cycle_snr < WEAK_CYCLE_SNR:
        flags.append(Flag(code="weak-bands", detail=f"cycle {found.cycle_snr:.1f} times the noise"))
    if found.rival_probability > LEAST_RIVAL_PROBABILITY:
        flags.append(
            Flag(
                code="spacing-ambiguous",
                detail=f"{found.rival_spacing_mm:.1f} mm with probability {found.rival_probability:.2f}",
            )
        )
    return flags


def _doubtful_flags(marks: TrackMarks) -> list[Flag]:
    """Computed marks that may be no years."""
    return [
        Flag(code="doubtful-mark", detail=f"probability {p:.2f}", depth_mm=float(d))
        for d, p, certainty, origin in zip(
            marks.depth_mm, marks.probability, marks.certainty, marks.origin, strict=True
        )
        if certainty == "doubtful" and origin == "computed"
    ]


def _tissue_flags(record: Record, depth_mm: FloatArray) -> list[Flag]:
    """Doubt a newest mark within the tissue layer, where the skeleton is still thickened."""
    tissue = tissue_layer(record.specimen.taxon)
    if tissue is None or record.specimen.top_alive is False or not len(depth_mm) or depth_mm[0] >= tissue.mean_mm:
        return []
    return [Flag(code="mark-in-tissue", detail=f"{depth_mm[0]:.1f} mm", depth_mm=float(depth_mm[0]))]


def _outer_part_yr(record: Record) -> float | None:
    """Part of a year that grew outside the newest mark, from the dates alone."""
    specimen, dating = record.specimen, record.dating
    if specimen.collected is None or dating.mark_date is None or specimen.top_alive is False:
        return None
    newest = mark_day(newest_mark_year(specimen.collected, dating.mark_date), dating.mark_date)
    return years_between(newest, specimen.collected)
