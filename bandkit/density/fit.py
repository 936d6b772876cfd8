"""Fit the curve from intensity to mass per area to the standards.

Few standards decide little: every number of the curve is held near what is usual by a prior and departs from it as
far as the standards ask for; the standard error says what is left open. What standards can tell of the energy:

- aluminium (or anything that is not coral) beside aragonite: their ratio tells it, whatever the contrast is;
- one material alone in a picture that is linear in exposure: how fast it fades tells it;
- one material alone where the contrast is unknown (film, optical density, exported pictures): only the bend of the
  curve speaks, which toe and shoulder imitate. Then the energy stays at what is usual, 36 keV with a
  standard deviation of a quarter, whose error goes into the budget; aragonite standards hardly need it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bandkit.density.calibration import Calibration
from bandkit.density.curve import Curve
from bandkit.density.grey import Values
from bandkit.density.materials import CORAL_STRONTIUM_SD_WT_PCT, CORAL_STRONTIUM_WT_PCT, coral_skeleton
from bandkit.density.response import Form, Response
from bandkit.density.spectrum import Fading, single_energy_kev
from bandkit.density.standards import USUAL_KEV, StandardSamples, raise_for_standards
from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]

# How well thickness and density of a bought or ground standard are known, one standard deviation.
_STANDARD_SD_FRAC = 0.005
# Smallest error of intensity, as a fraction, that is believed.
_LEAST_SD_FRAC = 5e-4
# What the numbers of the curve usually are, with their standard deviation. Energies of 28 to 46 keV and breadths of 0.7
# to 1.5 cover tubes of 45 to 80 kVp behind 1 to 4 mm of aluminium, 0 is a single energy; the tables of aluminium
# against carbonate are good to somewhat under 1 %. Where the contrast is unknown too, only these priors tell the
# breadth of the spectrum from toe and shoulder.
_USUAL = {"offset_frac": (0.0, 0.10), "toe": (0.15, 0.3), "shoulder": (0.15, 0.3), "log_contrast": (0.0, 1.5),
          "log_kev": (float(np.log(USUAL_KEV)), 0.25), "breadth": (1.0, 0.5), "table": (0.0, 0.007)}
_USUAL_LOGARITHM = {"breadth": (1.0, 0.35)}
# Radiographs on film use its curve from the toe to the shoulder.
_USUAL_FILM = {"breadth": (1.05, 0.2), "toe": (0.6, 0.3), "shoulder": (0.6, 0.3)}
_BOUNDS = {"level": (-3.0, 3.0), "offset_frac": (-0.3, 0.9), "toe": (-2.0, 0.97), "shoulder": (-2.0, 0.97),
           "log_contrast": (-7.0, 5.0), "log_kev": (float(np.log(12.0)), float(np.log(190.0))), "breadth": (0.0, 2.5),
           "strontium_frac": (0.0, 0.05), "table": (-0.1, 0.1)}
# How well a stated effective energy is known, as a fraction.
_STATED_KEV_SD_FRAC = 0.03
# The guessed errors of the standards count as much as this many standards.
_GUESS_WEIGHT = 2.0
# A standard that is off by more than this is not the one that it is said to be.
_MOST_MISFIT_FRAC = 0.5
_LEAST_CONTRAST = 0.005
CONTRADICTED = "standards-contradict"
"""Reason of the refusal where one standard is off from the curve through all."""


class _Task(NamedTuple):
    """What is fitted to what."""

    standards: StandardSamples
    start: Response
    curve: Curve
    names: tuple[str, ...]
    mean: FloatArray
    sd: FloatArray
    effective_kev: float | None


def calibrate(
    standards: StandardSamples,
    *,
    values: Values = "intensity",
    start: Response | None = None,
    effective_kev: float | None = None,
    strontium_wt_pct: float = CORAL_STRONTIUM_WT_PCT,
    is_film: bool = False,
) -> Calibration:
    """Fit the curve from intensity to mass per area.

    Parameters
    ----------
    standards : StandardSamples
        What was measured on the standards, with the open beam as exposure by ``start``.
    values : {"intensity", "optical-density"}
        What a grey is linear in.
    start : Response, optional
        First guess of the curve between signal and exposure, whose form is kept: linear in intensity where absent, a
        power for the other kinds of grey.
    effective_kev : float, optional
        Effective energy of the beam, where it is known.
    strontium_wt_pct : float
        Strontium in the coral, percent by weight.
    is_film : bool
        Whether greys are the density of a developed film: toe and shoulder are then usual.

    Returns
    -------
    Calibration
        The curve with its covariance.

    Raises
    ------
    CalibrationError
        Where the standards cannot carry a curve: impossible numbers, all alike, the wrong polarity, a
        single one without open beam, or one that all the others contradict.

    Notes
    -----
    Weighted least squares of the misfit and of the priors. The error of a standard is its noise, the open beam's
    error there and 0.5 % of its stated mass. That guess counts as much as two standards: all errors are scaled by what
    the misfit then says, and the fit is repeated.
    """
    start = start or Response(form="linear" if values == "intensity" else "power", unit=1.0)
    raise_for_standards(standards, start)
    task = _task(standards, start, effective_kev, strontium_wt_pct, is_film=is_film)
    sd = _errors(task)
    curve, _, excess = _fit(task, sd)
    curve, covariance, _ = _fit(task._replace(curve=curve), sd * np.sqrt(excess))
    log_beam = _log_beam(task, curve)
    stated = curve.coral_g_cm2(_standard_attenuations(task, curve))
    fitted = curve.coral_g_cm2(curve.attenuation(standards.intensity, log_beam, standards.veil * np.exp(log_beam)))
    calibration = Calibration(
        standards=standards, curve=curve, names=task.names, covariance=covariance, prior_mean=task.mean,
        prior_sd=task.sd, values=values, stated_g_cm2=stated, residual_g_cm2=stated - fitted, start=task.start,
        effective_kev=effective_kev)
    _raise_for_misfit(calibration)
    return calibration


def misfit_per_standard(calibration: Calibration) -> float:
    """How badly a curve fits its standards and what is usual, to choose between forms of response.

    Parameters
    ----------
    calibration : Calibration
        A fitted curve.

    Returns
    -------
    float
        Squares of the misfit, and of the departure from what is usual, in units of the expected variance, per standard;
        1 or less where all is well.
    """
    stated = calibration.stated_g_cm2
    sd = np.hypot(_STANDARD_SD_FRAC * stated, 2 * _LEAST_SD_FRAC)
    departure = (calibration.curve.numbers(calibration.names) - calibration.prior_mean) / calibration.prior_sd
    misfit = float(np.sum((calibration.residual_g_cm2 / sd) ** 2) + np.sum(departure**2))
    return misfit / len(stated)


def first_guess(standards: StandardSamples, form: Form, unit: float) -> Response:
    """Guess a response of a form: of the right contrast, without toe and shoulder.

    Parameters
    ----------
    standards : StandardSamples
        Of which only intensity and mass are looked at.
    form : {"linear", "power", "film"}
        The form.
    unit : float
        Signal that counts as 1.

    Returns
    -------
    Response
        With contrast 1 where a single standard says nothing.
    """
    guess = Response(form=form, unit=unit)
    if form == "linear" or len(standards.intensity) < 2:
        return guess
    s = guess.logarithm(standards.intensity)
    expected = Fading(coral_skeleton()).attenuation(standards.rough_g_cm2, float(np.log(USUAL_KEV)), 1.0)
    if not (np.all(np.isfinite(s)) and np.ptp(expected) > 0):
        return guess
    slope = -float(np.polyfit(expected, s, 1)[0])
    # A wrong polarity, or boxes all on one thing, is told later.
    return replace(guess, contrast=slope) if slope > _LEAST_CONTRAST else guess


def _task(standards: StandardSamples, start: Response, effective_kev: float | None, strontium_wt_pct: float, *,
          is_film: bool) -> _Task:
    """The numbers to be fitted, and what they usually are."""
    usual = dict(_USUAL)
    usual["level"] = (0.0, max(standards.beam_level_sd, 1e-5))
    usual["strontium_frac"] = (strontium_wt_pct / 100, CORAL_STRONTIUM_SD_WT_PCT / 100)
    if effective_kev is not None:
        usual["log_kev"] = (float(np.log(effective_kev)), 0.5)
    form = ("offset_frac",) if start.form == "linear" else ("log_contrast", "toe", "shoulder")
    if start.form != "linear":
        usual |= _USUAL_FILM if is_film or start.form == "film" else _USUAL_LOGARITHM
    names = ("level", *form, "log_kev", "breadth", "strontium_frac", "table")
    if start.form != "linear":
        usual["log_contrast"] = (float(np.log(start.contrast)), usual["log_contrast"][1])
        s = start.logarithm(np.append(standards.intensity, start.signal(standards.log_beam)))
        start = replace(start, span=(float(s.min()), float(s.max())))
    mean, sd = np.array([usual[name] for name in names]).T
    response = start
    if start.form == "linear":
        # The offset is told as a share of the open beam.
        unit = float(np.exp(np.median(standards.log_beam))) * start.unit
        response = replace(start, unit=unit, offset_frac=start.offset_frac * start.unit / unit)
    curve = Curve(response=response, log_kev=usual["log_kev"][0], breadth=1.0,
                  strontium_frac=strontium_wt_pct / 100)
    return _Task(standards, start, curve, names, mean, sd, effective_kev)


def _log_beam(task: _Task, curve: Curve) -> FloatArray:
    """Open beam at the standards as exposure by another response than the one that it was found with."""
    return curve.response.log_exposure(task.start.signal(task.standards.log_beam))


def _standard_attenuations(task: _Task, curve: Curve) -> FloatArray:
    """Attenuation that each standard should have."""
    samples = task.standards
    attenuations = np.zeros(len(samples.intensity))
    of = [samples.material(i) for i in range(len(attenuations))]
    for name in dict.fromkeys(material.name for material in of):
        mine = [i for i, material in enumerate(of) if material.name == name]
        areal = samples.areal_density_g_cm2[mine]
        attenuations[mine] = curve.standard_attenuation(of[mine[0]], areal)
    return attenuations


def _signals(task: _Task, curve: Curve) -> FloatArray:
    """Signal that each standard should have, in the space of the fit."""
    log_beam = _log_beam(task, curve)
    veil = task.standards.veil * np.exp(log_beam)
    return _in_space(task, curve.signal(_standard_attenuations(task, curve), log_beam, veil))


def _in_space(task: _Task, signal: FloatArray) -> FloatArray:
    """Signals as they are fitted: as they are where linear, else as logarithms."""
    if task.start.form == "linear":
        return signal / task.curve.response.unit
    return task.start.logarithm(signal)


def _errors(task: _Task) -> FloatArray:
    """Standard deviation of each standard's signal in the space of the fit, all causes."""
    standards = task.standards
    attenuation = standards.log_beam - task.start.log_exposure(standards.intensity)
    frac = np.hypot(np.hypot(standards.log_beam_sd, _LEAST_SD_FRAC), _STANDARD_SD_FRAC * np.abs(attenuation))
    here = _in_space(task, standards.intensity)
    noise = _in_space(task, standards.intensity + standards.sd) - here
    if task.start.form == "linear":
        return np.asarray(np.hypot(noise, frac * np.abs(here)))
    return np.asarray(np.hypot(noise, frac * task.start.contrast))


def _fit(task: _Task, sd: FloatArray) -> tuple[Curve, FloatArray, float]:
    """Curve, covariance, and the misfit's variance over the expected one, held near 1."""
    from scipy.optimize import least_squares  # slow to load, and only needed with standards

    wanted = _in_space(task, task.standards.intensity)
    middle = float(np.median(task.standards.rough_g_cm2[task.standards.rough_g_cm2 > 0]))

    def misfits(theta: FloatArray) -> FloatArray:
        curve = task.curve.with_numbers(task.names, task.mean + task.sd * theta)
        parts = [(_signals(task, curve) - wanted) / sd, theta]
        if task.effective_kev is not None:
            kev = single_energy_kev(coral_skeleton(100 * curve.strontium_frac), middle, curve.log_kev, curve.breadth)
            parts.append(np.array([np.log(kev / task.effective_kev) / _STATED_KEV_SD_FRAC]))
        return np.concatenate(parts)

    low, high = np.array([_BOUNDS[name] for name in task.names]).T
    most_offset = 0.98 * float(task.standards.intensity.min()) / task.curve.response.unit
    high = np.array([min(h, most_offset) if n == "offset_frac" else h for n, h in zip(task.names, high, strict=True)])
    low = np.minimum((low - task.mean) / task.sd, -1e-3)
    high = np.maximum((high - task.mean) / task.sd, 1e-3)
    first = np.clip((task.curve.numbers(task.names) - task.mean) / task.sd, low + 1e-6, high - 1e-6)
    found = least_squares(misfits, first, bounds=(low, high), max_nfev=200)
    n = len(wanted)
    covariance = np.linalg.inv(found.jac.T @ found.jac)
    data = found.jac[:n].T @ found.jac[:n]
    free = n - float(np.trace(covariance @ data))
    excess = (_GUESS_WEIGHT + float(np.sum(found.fun[:n] ** 2))) / (_GUESS_WEIGHT + free)
    curve = task.curve.with_numbers(task.names, task.mean + task.sd * found.x)
    return curve, np.asarray(covariance * np.outer(task.sd, task.sd)), excess


def _raise_for_misfit(calibration: Calibration) -> None:
    """Refuse a curve that one of its own standards contradicts."""
    worst, share = calibration.worst_standard()
    if share > _MOST_MISFIT_FRAC:
        msg = (f"density.standards: {calibration.standards.labels[worst]} is off by {100 * share:.0f} % from the curve "
               "through all of them; check every box_px and thickness_mm")
        raise CalibrationError(msg, reason=CONTRADICTED)
