"""The annual marks of a track: found by the program, or read by a person."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands import AnnualMarks, find_marks
from bandkit.dates import mark_day, newest_mark_year, years_between
from bandkit.flags import Flag
from bandkit.follow import AlignedStrip, BandField, two_looks
from bandkit.growth import mark_certainty
from bandkit.plausible import tissue_layer
from bandkit.record import ReadingSpec, Record, TrackSpec
from bandkit.stats import Z_90
from bandkit.tracks.cut import MOST_FOLLOWED_MM, TrackStrip

FloatArray = NDArray[np.float64]

# A person's pick on a radiograph, when nothing better is known (common practice: 0.2 to 0.5 mm).
PICKING_SD_MM = 0.3
# Two looks at the same bands through different corallites must agree this well (as a correlation) for marks to
# be certain: texture alone, followed in the same way, stayed below 0.35 on simulated slabs without bands; bands
# of ordinary strength reach 0.6, but bands narrower than 4 mm in strong texture may not.
LEAST_AGREEMENT = 0.45
# Half the annual cycle over the noise that the model of the year leaves; below this other spacings do nearly as well.
WEAK_CYCLE_SNR = 1.5
# A rival spacing of this probability is told, and widens the interval of the count.
LEAST_RIVAL_PROBABILITY = 0.05
# Fewer marks than this do not show that a spacing repeats itself: none of them is certain.
FEW_MARKS = 3
# Marks are looked for from this depth on.
MARK_RIM_MM = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackMarks:
    """The annual marks that are used on a track: computed, or a person's.

    Parameters
    ----------
    depth_mm, lo_mm, hi_mm, probability : ndarray, shape (n_marks,)
        Depth from the surface, its 90 % interval, and the probability that it is annual.
    certainty : ndarray of str, shape (n_marks,)
        "certain", "doubtful" or "inserted".
    origin : str
        "computed" or the reader's name.
    count_lo, count_hi : ndarray, shape (n_marks,)
        90 % interval of the number of marks down to each.
    total_lo, total_hi : int
        90 % interval of the number of all marks.
    draws_mm : list of ndarray
        Equally defensible sequences.
    """

    depth_mm: FloatArray
    lo_mm: FloatArray
    hi_mm: FloatArray
    probability: FloatArray
    certainty: NDArray[np.str_]
    origin: str
    count_lo: FloatArray
    count_hi: FloatArray
    total_lo: int
    total_hi: int
    draws_mm: list[FloatArray]


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
    readings = [reading for reading in record.readings if reading.track == spec.name]
    if readings:
        # The last reading in the record is the one that a person settled on.
        marks = _read_marks(readings[-1], strip, field)
        return marks, None, [Flag(code="reading-used", detail=readings[-1].reader)]
    value, known_frac = aligned.mean(MOST_FOLLOWED_MM)
    looks = two_looks(strip.signal, strip.depth_mm, strip.across_mm, field, width_mm=MOST_FOLLOWED_MM)
    # The rim of the slab is half background: its bump is no band, and a mark in it cannot be told.
    inner = slice(int(np.searchsorted(strip.depth_mm, MARK_RIM_MM)), None)
    found = find_marks(
        value[inner],
        strip.depth_mm[inner],
        dense_side=-1 if record.dating.mark == "density minimum" else 1,
        known_frac=known_frac[inner],
        looks=None if looks is None else looks[:, inner],
        spacing_mm=record.dating.spacing_mm,
        outer_part_yr=_outer_part_yr(record),
    )
    found = _doubted(found)
    flags = _finder_flags(record, found)
    if any(flag.code == "no-marks" for flag in flags):
        return _no_marks(), found, flags
    rivals = _rival_counts(found, float(strip.depth_mm[-1]))
    marks = TrackMarks(
        depth_mm=found.depth_mm,
        lo_mm=found.lo_mm,
        hi_mm=found.hi_mm,
        probability=found.probability,
        certainty=mark_certainty(found.probability),
        origin="computed",
        count_lo=found.count_lo_at,
        count_hi=found.count_hi_at,
        total_lo=min(found.count_lo, *rivals),
        total_hi=max(found.count_hi, *rivals),
        draws_mm=found.draws_mm,
    )
    return marks, found, flags


def _rival_counts(found: AnnualMarks, length_mm: float) -> tuple[int, int]:
    """Counts that the interval must hold: the one found, and that of a rival spacing that cannot be ruled out."""
    count = len(found.depth_mm)
    if found.rival_probability <= LEAST_RIVAL_PROBABILITY:
        return count, count
    return count, round(length_mm / found.rival_spacing_mm)


def _doubted(found: AnnualMarks) -> AnnualMarks:
    """The marks with their probabilities held down where neither two looks at the bands nor repetition confirm them."""
    most = 1.0
    if len(found.depth_mm) < FEW_MARKS or found.cycle_snr < WEAK_CYCLE_SNR:
        most = 0.8
    if found.agreement < LEAST_AGREEMENT:
        most = float(np.clip(0.4 + found.agreement, 0.1, 0.8))
    return replace(found, probability=np.minimum(found.probability, most))


def _no_marks() -> TrackMarks:
    """No marks at all."""
    none = np.empty(0)
    return TrackMarks(
        depth_mm=none,
        lo_mm=none,
        hi_mm=none,
        probability=none,
        certainty=np.empty(0, dtype=np.str_),
        origin="computed",
        count_lo=none,
        count_hi=none,
        total_lo=0,
        total_hi=0,
        draws_mm=[],
    )


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
    flags += [
        Flag(code="doubtful-mark", detail=f"probability {p:.2f}", depth_mm=float(d))
        for d, p in zip(found.depth_mm, found.probability, strict=True)
        if mark_certainty(p) == "doubtful"
    ]
    tissue = tissue_layer(record.specimen.taxon)
    if tissue is not None and record.specimen.top_alive is not False and found.depth_mm[0] < tissue.mean_mm:
        flags.append(
            Flag(code="mark-in-tissue", detail=f"{found.depth_mm[0]:.1f} mm", depth_mm=float(found.depth_mm[0]))
        )
    return flags


def _outer_part_yr(record: Record) -> float | None:
    """Part of a year that grew outside the newest mark, from the dates alone."""
    specimen, dating = record.specimen, record.dating
    if specimen.collected is None or dating.mark_date is None or specimen.top_alive is False:
        return None
    newest = mark_day(newest_mark_year(specimen.collected, dating.mark_date), dating.mark_date)
    return years_between(newest, specimen.collected)


def _read_marks(reading: ReadingSpec, strip: TrackStrip, field: BandField) -> TrackMarks:
    """A person's marks, carried along the band onto the track."""
    places = []
    for mark in reading.marks:
        depth, across = strip.axis.project(*mark.at_px)
        depth -= strip.surface.depth_mm
        shift = field.shift_at(np.array([depth]), np.array([across]))[0, 0]
        places.append((depth - float(shift), mark.certainty))
    places.sort(key=lambda place: place[0])
    end = float(strip.depth_mm[-1])
    depth_mm = np.clip(np.array([place[0] for place in places]), 0.0, end)
    certainty = np.array([place[1] for place in places], dtype=np.str_)
    probability = np.where(certainty == "doubtful", 0.5, 1.0)
    half = Z_90 * PICKING_SD_MM
    # A doubtful mark is half a year, plus or minus a half.
    doubtful = np.cumsum(certainty == "doubtful")
    count = np.arange(1, len(places) + 1)
    return TrackMarks(
        depth_mm=depth_mm,
        lo_mm=depth_mm - half,
        hi_mm=depth_mm + half,
        probability=probability,
        certainty=certainty,
        origin=reading.reader,
        count_lo=(count - doubtful).astype(float),
        count_hi=count.astype(float),
        total_lo=int(len(places) - (doubtful[-1] if places else 0)),
        total_hi=len(places),
        draws_mm=[],
    )
