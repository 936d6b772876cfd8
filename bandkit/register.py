"""Two pictures of one slab brought together by landmarks seen in both.

Places are compared in millimetres, each picture by its own scale, so that what is left is how the
slab was laid: turned, moved, perhaps on its other face. What the scales differ by shows as a stretch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.errors import InputError
from bandkit.flags import Flag

FloatArray = NDArray[np.float64]
Fit = Literal["similarity", "affine"]

LANDMARK_SD_MM = 0.3
"""What a landmark is off by before anything is known of the others: a person's click on a pore or a saw mark."""
PRIOR_WEIGHT = 2.0
"""As many degrees of freedom this counts for."""
MOST_STRETCH_FRAC = 0.02
"""Two good scales of one slab differ by less."""

_FEWEST = 3
_LEAST_SPREAD = 0.08  # of the landmarks' width against their length: below, they are one line
_UNCLEAR_MIRROR = 2.0  # as many times worse the other hand must fit
_OUTLIER_SDS = 5.0
_LEAST_OUTLIER_MM = 1.0
_FEW = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """How places in one picture lie in the other.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        Turn and stretch.
    offset_mm : ndarray, shape (2,)
        Move; a place p there lies at ``matrix @ p + offset_mm`` here.
    centre_mm : ndarray, shape (2,)
        Middle of the landmarks there.
    spread_mm2 : ndarray, shape (2, 2)
        Sums of squares and products of the landmarks there about their middle.
    residual_mm : ndarray, shape (n_landmarks,)
        How far each landmark lies from where the others and itself put it, here.
    sd_mm : float
        What one landmark is off by along one direction.
    fit : {"similarity", "affine"}
        What was fitted.
    flags : tuple of Flag
        Doubts.
    """

    matrix: FloatArray
    offset_mm: FloatArray
    centre_mm: FloatArray
    spread_mm2: FloatArray
    residual_mm: FloatArray
    sd_mm: float
    fit: Fit
    flags: tuple[Flag, ...] = ()

    @property
    def mirrored(self) -> bool:
        """Whether one picture shows the slab from its other side."""
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def rms_mm(self) -> float:
        """Root mean square of the landmarks' residuals."""
        return float(np.sqrt(np.mean(self.residual_mm**2)))

    @property
    def n_landmarks(self) -> int:
        """How many there are."""
        return len(self.residual_mm)

    def here(self, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Places there as they lie here.

        Parameters
        ----------
        x_mm, y_mm : array_like
            Places there, any one shape.

        Returns
        -------
        x_mm, y_mm : ndarray
            Places here.
        """
        x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
        (a, b), (c, d) = self.matrix
        return a * x + b * y + self.offset_mm[0], c * x + d * y + self.offset_mm[1]

    def there(self, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Places here as they lie there.

        Parameters
        ----------
        x_mm, y_mm : array_like
            Places here, any one shape.

        Returns
        -------
        x_mm, y_mm : ndarray
            Places there.
        """
        x = np.asarray(x_mm, dtype=np.float64) - self.offset_mm[0]
        y = np.asarray(y_mm, dtype=np.float64) - self.offset_mm[1]
        (a, b), (c, d) = np.linalg.inv(self.matrix)
        return a * x + b * y, c * x + d * y

    def sd_mm_at(self, x_mm: float, y_mm: float) -> float:
        r"""What a place there is off by here, along one direction.

        Parameters
        ----------
        x_mm, y_mm : float
            The place there.

        Returns
        -------
        float
            One standard deviation, larger the further the place lies from the landmarks.

        Notes
        -----
        Least squares: :math:`s^2 (1/n + d^T S^{-1} d)` with the distance d from the landmarks' middle and their
        spread S; for a similarity :math:`S = \mathrm{tr}(S) I`, since all landmarks tell of one turn and one stretch.
        """
        off = np.array([x_mm, y_mm]) - self.centre_mm
        if self.fit == "similarity":
            lever = float(off @ off) / float(np.trace(self.spread_mm2))
        else:
            lever = float(off @ np.linalg.solve(self.spread_mm2, off))
        return self.sd_mm * float(np.sqrt(1 / self.n_landmarks + lever))

    def outside_frac(self, x_mm: float, y_mm: float) -> float:
        """How far a place there lies from the landmarks' middle, in their root mean square distance from it.

        Parameters
        ----------
        x_mm, y_mm : float
            The place there.

        Returns
        -------
        float
            0 in the middle; about 1 among the landmarks.
        """
        off = np.array([x_mm, y_mm]) - self.centre_mm
        return float(np.sqrt(off @ off * self.n_landmarks / np.trace(self.spread_mm2)))


def register(here_mm: ArrayLike, there_mm: ArrayLike, fit: Fit = "similarity") -> Registration:
    r"""Bring two pictures of one slab together.

    Parameters
    ----------
    here_mm, there_mm : array_like, shape (n_landmarks, 2)
        The same places in both pictures, at least three, in millimetres by each picture's scale.
    fit : {"similarity", "affine"}, optional
        Turned, moved and scaled only; or stretched and slanted too.

    Returns
    -------
    Registration
        Either hand is allowed: a slab laid on its other face is mirrored.

    Raises
    ------
    InputError
        Too few landmarks, landmarks on one line or at one place, or landmarks that fit a slab and its mirror image
        nearly alike.

    Notes
    -----
    Least squares over all landmarks. With complex numbers a similarity is :math:`w = a z + b`, mirrored
    :math:`w = a \bar z + b`. The error of a landmark is pooled from the residuals and `LANDMARK_SD_MM`, which counts
    for `PRIOR_WEIGHT` degrees of freedom: three landmarks leave nearly none of their own.
    """
    here, there = np.asarray(here_mm, dtype=np.float64), np.asarray(there_mm, dtype=np.float64)
    _raise_for_layout(here, there)
    matrix, offset = _fitted(here, there, fit)
    residual = np.hypot(*(there @ matrix.T + offset - here).T)
    free = 2 * len(here) - (4 if fit == "similarity" else 6)
    squares = float(residual @ residual) + PRIOR_WEIGHT * LANDMARK_SD_MM**2
    sd_mm = float(np.sqrt(squares / (free + PRIOR_WEIGHT)))
    centre = there.mean(axis=0)
    spread = (there - centre).T @ (there - centre)
    found = Registration(matrix=matrix, offset_mm=offset, centre_mm=centre, spread_mm2=spread, residual_mm=residual,
                         sd_mm=sd_mm, fit=fit)
    return replace(found, flags=_flags(found, here, there))


def _raise_for_layout(here: FloatArray, there: FloatArray) -> None:
    """Refuse landmarks that cannot tell how a slab lies."""
    if len(here) < _FEWEST or here.shape != there.shape:
        msg = f"photograph.landmarks: at least {_FEWEST} are needed, got {len(here)}"
        raise InputError(msg, reason="landmarks")
    for places, key in ((here, "here_px"), (there, "there_px")):
        spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
        if not np.isfinite(spread).all() or spread[1] <= _LEAST_SPREAD * spread[0]:
            msg = (f"photograph.landmarks: by their {key} all lie nearly on one line, and a slab could be mirrored "
                   "about it; add one well to the side")
            raise InputError(msg, reason="landmarks")


def _fitted(here: FloatArray, there: FloatArray, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Turn, stretch and move by least squares."""
    if fit == "affine":
        terms = np.column_stack([there, np.ones(len(there))])
        solution = np.linalg.lstsq(terms, here, rcond=None)[0]
        return np.asarray(solution[:2].T), np.asarray(solution[2])
    z, w = there[:, 0] + 1j * there[:, 1], here[:, 0] + 1j * here[:, 1]
    tries = []
    for hand, zz in ((1, z), (-1, np.conj(z))):
        dz, dw = zz - zz.mean(), w - w.mean()
        a = complex(np.vdot(dz, dw) / np.vdot(dz, dz))
        tries.append((float(np.sum(np.abs(dw - a * dz) ** 2)), hand, a, complex(w.mean() - a * zz.mean())))
    (least, hand, a, b), (other, *_) = sorted(tries)
    noise = 2 * len(here) * LANDMARK_SD_MM**2
    if other <= _UNCLEAR_MIRROR**2 * max(least, noise):
        msg = ("photograph.landmarks: they fit the slab and its mirror image nearly alike; add landmarks far from the "
               "line through the others, and check that each is the same place in both pictures")
        raise InputError(msg, reason="landmarks")
    return np.array([[a.real, -hand * a.imag], [a.imag, hand * a.real]]), np.array([b.real, b.imag])


def _flags(found: Registration, here: FloatArray, there: FloatArray) -> tuple[Flag, ...]:
    """Doubts about a registration."""
    flags = []
    if found.n_landmarks <= _FEW:
        flags.append(Flag(code="landmarks-few"))
    if found.mirrored:
        flags.append(Flag(code="photograph-mirrored"))
    large, small = np.linalg.svd(found.matrix, compute_uv=False)
    lever_mm = float(np.sqrt(np.trace(found.spread_mm2)))
    allowed = MOST_STRETCH_FRAC + 2 * found.sd_mm / lever_mm
    if max(abs(large - 1), abs(small - 1)) > allowed:
        detail = f"lengths there are {100 / large:.1f} to {100 / small:.1f} % of those here"
        flags.append(Flag(code="photograph-stretched", detail=detail))
    if (number := _outlier(found, here, there)) is not None:
        detail = f"landmark {number} is off by {_without(found.fit, here, there, number - 1):.1f} mm"
        flags.append(Flag(code="landmarks-disagree", detail=detail))
    return tuple(flags)


def _outlier(found: Registration, here: FloatArray, there: FloatArray) -> int | None:
    """Number, from 1, of a landmark that the others do not bear out; None where all agree."""
    if found.n_landmarks <= _FEWEST + 1:
        return None
    off = [_without(found.fit, here, there, i) for i in range(found.n_landmarks)]
    worst = int(np.argmax(off))
    rest = np.delete(np.arange(found.n_landmarks), worst)
    matrix, offset = _fitted(here[rest], there[rest], found.fit)
    usual = float(np.sqrt(np.mean(np.sum((there[rest] @ matrix.T + offset - here[rest]) ** 2, axis=1))))
    return worst + 1 if off[worst] > max(_OUTLIER_SDS * max(usual, LANDMARK_SD_MM), _LEAST_OUTLIER_MM) else None


def _without(fit: Fit, here: FloatArray, there: FloatArray, i: int) -> float:
    """How far a landmark lies from where the others put it; 0 where the others cannot say."""
    rest = np.delete(np.arange(len(here)), i)
    spread = np.linalg.svd(there[rest] - there[rest].mean(axis=0), compute_uv=False)
    if spread[1] <= _LEAST_SPREAD * spread[0]:
        return 0.0
    try:
        matrix, offset = _fitted(here[rest], there[rest], fit)
    except InputError:
        return 0.0
    return float(np.hypot(*(there[i] @ matrix.T + offset - here[i])))
