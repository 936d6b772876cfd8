"""A whole radiograph: response, open beam, veil and standards, which need each other.

The open beam and the veil are seen in exposure, exposure follows from the response, and the response is fitted to
the standards under the open beam. They are found in turns, three of which are enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.density.beam import Beam, BeamSamples, even_beam, join_samples
from bandkit.density.beam_fit import fit_beam_and_veil
from bandkit.density.calibration import Calibration
from bandkit.density.fit import CONTRADICTED, calibrate, first_guess, misfit_per_standard
from bandkit.density.grey import Patch, Values
from bandkit.density.materials import CORAL_STRONTIUM_WT_PCT, Material
from bandkit.density.open_beam import find_open_beam
from bandkit.density.response import Form, Response
from bandkit.density.standards import StandardSamples, standard_samples
from bandkit.density.veil import Veil, spread_out, usual_veil
from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

_TURNS = 3
# A linear response whose misfit is worse than this per standard is held against curved ones, and given up for one that
# fits so much better.
_POOR_MISFIT = 2.5
_BETTER = 0.4
# Open beam to lead or bone-dense skeleton, in a picture without standards: natural logarithm of exposure.
_USUAL_RANGE = 1.2
_FEWEST_FOR_A_CURVE = 4
_CURVED: tuple[Form, ...] = ("film", "power")
# Background that was found counts beside marked patches where it agrees with them: within a veil's difference, and two
# standard deviations of their surface; where most of it does not, it is something else.
_AGREE_LOG, _AGREE_SD, _MOST_AGREE_FRAC = 0.02, 2.0, 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """What is looked at of a radiograph.

    Parameters
    ----------
    signal : ndarray, shape (h, w)
        Signal over the reduced image, larger where more arrived.
    step_px : float
        Pixels of the image per value.
    size_px : tuple of int
        Width and height of the image.
    full_scale : float
        Largest signal.
    values : {"intensity", "optical-density"}
        What a grey is linear in.
    is_film : bool
        Whether greys are the density of a developed film, which rises with exposure.
    mm_per_px : float or None
        Scale of the image; without it no veil is looked for.
    source_to_detector_mm : float or None
        Where it is known.
    open_beam : tuple of BeamSamples
        Signal in patches with nothing in the beam; the background that is found must agree with them.
    bars : tuple of BeamSamples
        Signal along uniform bars, each numbered from 1.
    exclude_px : tuple of boxes
        Standards, bars and labels: never open beam.
    """

    signal: FloatArray
    step_px: float
    size_px: tuple[int, int]
    full_scale: float
    values: Values
    is_film: bool = False
    mm_per_px: float | None = None
    source_to_detector_mm: float | None = None
    open_beam: tuple[BeamSamples, ...] = ()
    bars: tuple[BeamSamples, ...] = ()
    exclude_px: tuple[Box, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredStandards:
    """Standards as measured and as stated.

    Parameters
    ----------
    patches : tuple of Patch
        Signal in each.
    centres_px : tuple of (x, y)
        Middle of each.
    areal_g_cm2 : tuple of float
        Mass per area of each, along the ray.
    materials : tuple of Material
        What each is made of.
    labels : tuple of str
        Names.
    effective_kev : float or None
        Effective energy of the beam, where it is known.
    strontium_wt_pct : float
        Strontium in the coral.
    """

    patches: tuple[Patch, ...]
    centres_px: tuple[tuple[float, float], ...]
    areal_g_cm2: tuple[float, ...]
    materials: tuple[Material, ...]
    labels: tuple[str, ...]
    effective_kev: float | None = None
    strontium_wt_pct: float = CORAL_STRONTIUM_WT_PCT


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposed:
    """How a radiograph was exposed.

    Parameters
    ----------
    response : Response
        Between signal and exposure, as open beam and veil are given.
    beam : Beam
        The open beam.
    veil : Veil or None
        The veil.
    calibration : Calibration or None
        None without standards.
    """

    response: Response
    beam: Beam
    veil: Veil | None
    calibration: Calibration | None = None


def expose(view: View, standards: MeasuredStandards | None) -> Exposed:
    """Find out how a radiograph was exposed.

    Parameters
    ----------
    view : View
        The radiograph.
    standards : MeasuredStandards or None
        None where there are none.

    Returns
    -------
    Exposed
        With greys taken as linear in intensity unless the standards contradict that and fit another form.

    Raises
    ------
    CalibrationError
        Where the standards cannot carry a curve.
    """
    if standards is None:
        response = _guess_without_standards(view)
        beam, veil = _beam_and_veil(view, response)
        return Exposed(response=response, beam=beam, veil=veil)
    if view.values != "intensity":
        return _in_turns(view, standards, "power")
    refusal: CalibrationError | None = None
    found: Exposed | None = None
    try:
        found = _in_turns(view, standards, "linear")
    except CalibrationError as error:
        if error.reason != CONTRADICTED:
            raise
        refusal = error
    best = _misfit(found)
    if best > _POOR_MISFIT and len(standards.patches) >= _FEWEST_FOR_A_CURVE:
        for form in _CURVED:
            other = _tried(view, standards, form)
            if _misfit(other) < min(_BETTER * best, _POOR_MISFIT):
                found, best = other, _misfit(other)
    if found is None:
        raise refusal or CalibrationError("density.standards: no curve goes through them", reason=CONTRADICTED)
    return found


def _tried(view: View, standards: MeasuredStandards, form: Form) -> Exposed | None:
    """The radiograph by another form of response; None where the standards do not allow it."""
    try:
        return _in_turns(view, standards, form)
    except CalibrationError:
        return None


def _misfit(exposed: Exposed | None) -> float:
    """Misfit of the standards; infinite where there is no curve."""
    if exposed is None or exposed.calibration is None:
        return float("inf")
    return misfit_per_standard(exposed.calibration)


def _in_turns(view: View, standards: MeasuredStandards, form: Form) -> Exposed:
    """Open beam and veil by the response, the response by the standards, and again."""
    response = first_guess(_bare_samples(view, standards), form, _unit(view, form))
    for _ in range(_TURNS):
        beam, veil = _beam_and_veil(view, response)
        samples = standard_samples(standards.patches, standards.centres_px, standards.areal_g_cm2, standards.labels,
                                   beam, materials=standards.materials, veil=veil)
        calibration = calibrate(samples, values=view.values, start=response, effective_kev=standards.effective_kev,
                                strontium_wt_pct=standards.strontium_wt_pct, is_film=view.is_film)
        found = Exposed(response=response, beam=beam, veil=veil, calibration=calibration)
        response = calibration.curve.response
    return found


def _bare_samples(view: View, standards: MeasuredStandards) -> StandardSamples:
    """Standards before the open beam is known."""
    beam = even_beam(float(np.nanquantile(view.signal, 0.99)), shape=(view.size_px[1], view.size_px[0]))
    return standard_samples(standards.patches, standards.centres_px, standards.areal_g_cm2, standards.labels, beam,
                            materials=standards.materials)


def _unit(view: View, form: Form) -> float:
    """Signal that counts as 1."""
    if form == "film":
        # So that nothing that the picture holds is darker than no light at all.
        return view.full_scale
    return 1.0 if view.values != "intensity" else max(float(np.nanquantile(view.signal, 0.99)), 1e-9)


def _guess_without_standards(view: View) -> Response:
    """Linear, or for logarithmic greys of such a contrast that the picture spans what radiographs do."""
    if view.values != "optical-density":
        return Response(form="linear", unit=_unit(view, "linear"))
    guess = Response(form="power", unit=1.0)
    low, high = np.nanquantile(guess.logarithm(view.signal), [0.05, 0.99])
    return Response(form="power", unit=1.0, contrast=max(float(high - low) / _USUAL_RANGE, 1e-6))


def _beam_and_veil(view: View, response: Response) -> tuple[Beam, Veil | None]:
    """The open beam and the veil, in exposure by a response."""
    shape = (view.size_px[1], view.size_px[0])
    exposure = np.exp(response.log_exposure(view.signal))
    spread = None if view.mm_per_px is None else spread_out(exposure, view.step_px, view.mm_per_px)
    samples = _samples(view, response, exposure)
    if len(samples) == 0:
        return (even_beam(float(np.nanquantile(exposure, 0.999)), shape=shape),
                None if spread is None else usual_veil(spread))
    return fit_beam_and_veil(samples, shape=shape, spread=spread, mm_per_px=view.mm_per_px,
                             source_to_detector_mm=view.source_to_detector_mm)


def _samples(view: View, response: Response, exposure: FloatArray) -> BeamSamples:
    """Exposure on bars, in patches that a person marked, and in the background as far as it agrees with those."""
    # A plateau at the end of the grey range says nothing of the beam.
    seen = np.where(view.signal >= view.full_scale, np.nan, exposure)
    found = find_open_beam(seen, view.step_px, exclude_boxes_px=view.exclude_px, mm_per_px=view.mm_per_px)
    marked = [_exposed(samples, response) for samples in view.open_beam]
    if marked and len(found):
        found = _agreeing(found, join_samples(marked), (view.size_px[1], view.size_px[0]))
    return join_samples([*marked, *(_exposed(samples, response) for samples in view.bars), found])


def _agreeing(found: BeamSamples, marked: BeamSamples, shape: tuple[int, int]) -> BeamSamples:
    """The background where a surface through the marked patches allows it to be open beam; most of it, or nothing."""
    beam, _ = fit_beam_and_veil(marked, shape=shape)
    off = np.abs(np.log(found.intensity) - beam.log_intensity(found.x_px, found.y_px))
    kept = off <= _AGREE_LOG + _AGREE_SD * beam.log_sd(found.x_px, found.y_px)
    if kept.mean() < _MOST_AGREE_FRAC:
        kept[:] = False
    return BeamSamples(x_px=found.x_px[kept], y_px=found.y_px[kept], intensity=found.intensity[kept])


def _exposed(samples: BeamSamples, response: Response) -> BeamSamples:
    """Samples of signal as exposure."""
    return BeamSamples(x_px=samples.x_px, y_px=samples.y_px, bar=samples.bar, source=samples.source,
                       intensity=np.exp(response.log_exposure(samples.intensity)))

