"""Fit the curve from intensity to mass per area to the standards.

Few standards decide little: offset, hardening and level of the beam are held near what is usual by
priors and depart from it as far as the standards ask for; the standard error says what is left open.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bandkit.density.curve import HARDENING, OFFSET_SD, Calibration, intensity_model, least_hardening
from bandkit.density.grey import Values
from bandkit.density.standards import StandardSamples, intensity_errors, raise_for_standards
from bandkit.errors import CalibrationError

FloatArray = NDArray[np.float64]

_LEAST_OFFSET = -0.3
_MOST_HARDENING = 5.0
# The guessed errors of the standards count as much as this many standards.
_GUESS_WEIGHT = 2.0
# A standard that is off by more than this is not the one that it is said to be.
_MOST_MISFIT_FRAC = 0.5
_MAX_STEPS = 200
_MAX_DAMPING = 1e12


def calibrate(standards: StandardSamples, *, values: Values = "intensity") -> Calibration:
    """Fit the curve from intensity to mass per area.

    Parameters
    ----------
    standards : StandardSamples
        What was measured on the standards.
    values : {"intensity", "optical-density", "hounsfield"}
        What a grey is linear in; decides how far offset and hardening may go.

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
    Gauss-Newton on the weighted squares of the misfit and of the priors. The error of a standard is its
    noise, the open beam's error there and 0.5 % of its stated mass. That guess counts as much as two
    standards: all errors are scaled by what the misfit then says, and the fit is repeated.
    """
    raise_for_standards(standards)
    reference = float(np.exp(np.median(standards.log_beam)))
    scaled = _Scaled(y=standards.intensity / reference, log_beam=standards.log_beam - np.log(reference),
                     areal=standards.areal_density_g_cm2, sd=intensity_errors(standards) / reference)
    usual, usual_sd = HARDENING[values]
    prior = _Prior(mean=np.array([0.0, 0.0, 0.0, usual]),
                   weight=np.array([max(standards.beam_level_sd, 1e-6), OFFSET_SD[values], np.inf, usual_sd]) ** -2.0)
    _, _, excess = _fit(scaled, prior)
    theta, covariance, _ = _fit(scaled._replace(sd=scaled.sd * np.sqrt(excess)), prior)
    curve = Calibration(standards=standards, reference=reference, level_log=float(theta[0]),
                        offset_frac=float(theta[1]), attenuation_cm2_g=float(np.exp(theta[2])),
                        hardening=float(theta[3]), covariance=covariance, values=values,
                        residual_g_cm2=np.zeros_like(scaled.areal))
    fitted = curve.areal_density_g_cm2(standards.intensity, standards.log_beam)
    curve = replace(curve, residual_g_cm2=scaled.areal - fitted)
    _raise_for_misfit(curve)
    return curve


def _raise_for_misfit(curve: Calibration) -> None:
    """Refuse a curve that one of its own standards contradicts."""
    worst, share = curve.worst_standard()
    if share > _MOST_MISFIT_FRAC:
        msg = (f"density.standards: {curve.standards.labels[worst]} is off by {100 * share:.0f} % from the curve "
               "through all of them; check every box_px and thickness_mm")
        raise CalibrationError(msg)


class _Scaled(NamedTuple):
    """Standards with intensity in units of the open beam at them."""

    y: FloatArray
    log_beam: FloatArray
    areal: FloatArray
    sd: FloatArray


class _Prior(NamedTuple):
    """What the parameters usually are, and the weight of that."""

    mean: FloatArray
    weight: FloatArray


def _fit(scaled: _Scaled, prior: _Prior) -> tuple[FloatArray, FloatArray, float]:
    """Parameters, covariance, and the misfit's variance over the expected one, held near 1."""
    positive = scaled.areal > 0
    start = np.median((scaled.log_beam - np.log(scaled.y))[positive] / scaled.areal[positive])
    theta = np.array([0.0, 0.0, np.log(max(start, 1e-3)), 0.0])
    damping = 1e-3
    cost = _cost(theta, scaled, prior)
    for _ in range(_MAX_STEPS):
        model, jacobian, _ = intensity_model(theta, scaled.areal, scaled.log_beam)
        weighted = jacobian / scaled.sd[:, None] ** 2
        information = jacobian.T @ weighted + np.diag(prior.weight)
        gradient = weighted.T @ (scaled.y - model) - prior.weight * (theta - prior.mean)
        damped = information + damping * np.diag(np.diag(information))
        trial = _bounded(theta + np.linalg.solve(damped, gradient), scaled)
        trial_cost = _cost(trial, scaled, prior)
        if trial_cost > cost:
            damping *= 5
            # No step of any length makes it better.
            if damping > _MAX_DAMPING:
                break
            continue
        done = cost - trial_cost < 1e-12 * (1 + cost)
        theta, cost, damping = trial, trial_cost, damping / 5
        if done:
            break
    model, jacobian, _ = intensity_model(theta, scaled.areal, scaled.log_beam)
    data = jacobian.T @ (jacobian / scaled.sd[:, None] ** 2)
    covariance: FloatArray = np.asarray(np.linalg.inv(data + np.diag(prior.weight)), np.float64)
    free = len(scaled.y) - float(np.trace(covariance @ data))
    misfit = float(np.sum(((scaled.y - model) / scaled.sd) ** 2))
    return theta, covariance, (_GUESS_WEIGHT + misfit) / (_GUESS_WEIGHT + free)


def _cost(theta: FloatArray, scaled: _Scaled, prior: _Prior) -> float:
    """Weighted squares of the misfit and of the priors."""
    model, _, _ = intensity_model(theta, scaled.areal, scaled.log_beam)
    misfit = np.sum(((scaled.y - model) / scaled.sd) ** 2)
    return float(misfit + np.sum(prior.weight * (theta - prior.mean) ** 2))


def _bounded(theta: FloatArray, scaled: _Scaled) -> FloatArray:
    """Parameters within which intensity falls with mass per area and stays above the offset."""
    level, offset, log_mu, hardening = theta
    offset = np.clip(offset, _LEAST_OFFSET, 0.98 * float(scaled.y.min()))
    least = least_hardening(float(np.exp(log_mu) * scaled.areal.max()))
    return np.array([level, offset, log_mu, np.clip(hardening, least, _MOST_HARDENING)])


