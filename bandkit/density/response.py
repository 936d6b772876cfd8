"""From the signal of a picture to the exposure that made it, up to an unknown factor.

Three forms, of which the standards find the numbers:

- "linear": the signal is exposure plus a constant offset;
- "power": the signal is a power of the exposure, as when a detector, a scanner or an exported picture bends its
  greys, or, for greys that are linear in optical density, the exponential of the grey;
- "film": one minus the signal is the light that comes through a developed film, which falls with exposure.

Power and film have a toe and a shoulder: with ``s`` the logarithm of the signal (or minus that of the light), and
``u`` running from 0 at the least to 1 at the largest exposure among standards and open beam,
``d ln(exposure) / ds = 1 / (k (1 - a (1 - u)) (1 - b u))``, which is that of a logistic curve, as films have it,
where ``a`` and ``b`` are above 0, and straight where they are 0. It rises whatever they are, up to 1. ``k`` is the
contrast (the gamma of a film times that of the scanner).

References
----------
Characteristic curve of film, with toe, straight part and shoulder: Hurter, F. and Driffield, V. C. (1890),
J. Soc. Chem. Ind. 9, 455-469 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Form = Literal["linear", "power", "film"]

_NODES = 401
# Beyond the standards and the open beam the curve goes on for this share of their range before it runs straight.
_BEYOND = 0.3
_LEAST = 1e-6
_LEAST_SLOPE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """The curve between signal and exposure.

    Parameters
    ----------
    form : {"linear", "power", "film"}
        See above.
    unit : float
        Signal that counts as 1: full scale for film, about the open beam else.
    offset_frac : float
        Of a linear signal, in that unit.
    contrast : float
        ``k``; 1 for a linear signal.
    toe, shoulder : float
        ``a`` and ``b``; 0 for a straight curve.
    span : tuple of float
        ``s`` at ``u`` of 0 and of 1.
    """

    form: Form
    unit: float
    offset_frac: float = 0.0
    contrast: float = 1.0
    toe: float = 0.0
    shoulder: float = 0.0
    span: tuple[float, float] = (-1.0, 0.0)

    def logarithm(self, signal: ArrayLike) -> FloatArray:
        """``s``: the logarithm that the curve starts from.

        Parameters
        ----------
        signal : array_like
            Signal; NaN stays NaN.

        Returns
        -------
        ndarray
            Rises with the signal; held at what a millionth of the unit gives.
        """
        share = np.asarray(signal, np.float64) / self.unit
        if self.form == "film":
            return -np.log(np.maximum(1.0 - share, _LEAST))
        return np.log(np.maximum(share - self.offset_frac, _LEAST))

    def log_exposure(self, signal: ArrayLike) -> FloatArray:
        """Natural logarithm of the exposure behind a signal.

        Parameters
        ----------
        signal : array_like
            Signal; NaN stays NaN.

        Returns
        -------
        ndarray
            Up to a constant.
        """
        s = self.logarithm(signal)
        if self.is_straight:
            return s / self.contrast
        nodes, values = self._curve()
        rate = self._rate(np.clip(s, nodes[0], nodes[-1]))
        return np.asarray(np.interp(s, nodes, values) + (s - np.clip(s, nodes[0], nodes[-1])) * rate)

    def signal(self, log_exposure: ArrayLike) -> FloatArray:
        """Signal that an exposure makes.

        Parameters
        ----------
        log_exposure : array_like
            Natural logarithm of the exposure, as `log_exposure` gives it.

        Returns
        -------
        ndarray
            The inverse of `log_exposure`.
        """
        wanted = np.asarray(log_exposure, np.float64)
        if self.is_straight:
            s = wanted * self.contrast
        else:
            nodes, values = self._curve()
            within = np.clip(wanted, values[0], values[-1])
            s = np.interp(wanted, values, nodes)
            s = s + (wanted - within) / self._rate(s)
        share = 1.0 - np.exp(-s) if self.form == "film" else np.exp(s) + self.offset_frac
        return np.asarray(share * self.unit)

    @property
    def is_straight(self) -> bool:
        """Whether the curve has neither toe nor shoulder."""
        return self.toe == 0.0 and self.shoulder == 0.0

    def _rate(self, s: FloatArray) -> FloatArray:
        """Slope of the logarithm of exposure over ``s``."""
        low, high = self.span
        u = (s - low) / (high - low)
        toe = np.maximum(1 - self.toe * (1 - u), _LEAST_SLOPE)
        return np.asarray(1.0 / (self.contrast * toe * np.maximum(1 - self.shoulder * u, _LEAST_SLOPE)))

    def _curve(self) -> tuple[FloatArray, FloatArray]:
        """Nodes of the curve: ``s`` and logarithm of exposure, 0 at the high end of the span."""
        low, high = self.span
        reach = _BEYOND * (high - low)
        nodes = np.linspace(low - reach, high + reach, _NODES)
        rate = self._rate(nodes)
        # Simpson's rule between nodes.
        middle = self._rate(0.5 * (nodes[1:] + nodes[:-1]))
        steps = (rate[1:] + 4 * middle + rate[:-1]) / 6 * np.diff(nodes)
        values = np.concatenate([[0.0], np.cumsum(steps)])
        return nodes, values - np.interp(high, nodes, values)
