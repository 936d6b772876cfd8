"""List the lanes of a picture in which something repeats evenly: where the ticks of a ruler may be.

The picture is looked at through small windows on every halving. In the spectrum of a
window a row of ticks is one sharp peak: its place gives the direction across the
ticks and their spacing. Along a ruler many windows agree, on the spacing, the
direction and the line they lie on; texture agrees by chance only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.images.blocks import block_means
from bandkit.scale.piece import Grey

FloatArray = NDArray[np.float64]

_WINDOW_PX = 64
_STRIDE_PX = 32
_FINEST_PX = 2.8  # ticks closer together than this are not resolved
_WIDEST_PX = 9.0  # spacing in a window on any halving; wider ones are seen on the next
_LEAST_SIDE_PX = 96
_LOWEST = 0.75  # of the lowest frequency sought: slower changes are light and outlines
_LEAST_CONCENTRATION = 0.08  # share of a window's variance in one peak
_MOST_WINDOWS = 600
_SAME_SPACING = 0.12
_SAME_DIRECTION_COS = 0.993  # 7 degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """A line along which something repeats.

    Parameters
    ----------
    x_px, y_px : float
        A place on it.
    ux, uy : float
        Unit vector along it.
    spacing_px : float
        Distance between repeats.
    strength : float
        How much of the picture agrees.
    """

    x_px: float
    y_px: float
    ux: float
    uy: float
    spacing_px: float
    strength: float


def repeating_lanes(grey: Grey, most: int = 20) -> list[Lane]:
    """List lanes in which something repeats, strongest first.

    Parameters
    ----------
    grey : ndarray of shape (rows, columns)
        The picture.
    most : int, optional
        No more lanes than this.

    Returns
    -------
    list of Lane
        In pixels of the picture; each part of it once for every octave of spacing.
    """
    lanes: list[Lane] = []
    step = 1
    while min(grey.shape) // step >= _LEAST_SIDE_PX:
        level = block_means(grey, step) if step > 1 else grey
        found = _lanes_of_level(level, _FINEST_PX if step == 1 else _WIDEST_PX / 2)
        lanes += [Lane(x_px=(lane.x_px + 0.5) * step - 0.5, y_px=(lane.y_px + 0.5) * step - 0.5, ux=lane.ux, uy=lane.uy,
                       spacing_px=lane.spacing_px * step, strength=lane.strength) for lane in found]
        step *= 2
    return sorted(lanes, key=lambda lane: -lane.strength)[:most]


def _lanes_of_level(level: Grey, finest: float) -> Iterator[Lane]:
    """Lanes of one octave of spacings."""
    rows = range(0, level.shape[0] - _WINDOW_PX + 1, _STRIDE_PX)
    peaks = np.concatenate([_peaks(level, row, finest) for row in rows])
    peaks = peaks[peaks[:, 4] > _LEAST_CONCENTRATION]
    peaks = peaks[np.argsort(-peaks[:, 4])][:_MOST_WINDOWS]
    agree = _agreement(peaks)
    while len(peaks):
        votes = agree @ peaks[:, 4]
        best = int(np.argmax(votes))
        members = agree[best]
        fx, fy, weight = peaks[members, 2:].T
        flip = np.sign(fx * peaks[best, 2] + fy * peaks[best, 3])
        fx, fy = float(np.average(fx * flip, weights=weight)), float(np.average(fy * flip, weights=weight))
        frequency = float(np.hypot(fx, fy))
        # begin where the repeat is clearest: the window that most others agree with may lie on a hidden part
        centre = peaks[members][int(np.argmax(weight))]
        yield Lane(x_px=float(centre[0]), y_px=float(centre[1]), ux=fx / frequency, uy=fy / frequency,
                   spacing_px=1 / frequency, strength=float(votes[best]))
        peaks, agree = peaks[~members], agree[np.ix_(~members, ~members)]


def _agreement(peaks: FloatArray) -> NDArray[np.bool_]:
    """Which windows lie on one line across their own ticks, with the same spacing and direction."""
    x, y, fx, fy = peaks[:, :4].T
    frequency = np.hypot(fx, fy)
    dx, dy = fx / frequency, fy / frequency
    same = np.abs(np.log(frequency[:, None] / frequency[None, :])) < _SAME_SPACING
    same &= np.abs(dx[:, None] * dx + dy[:, None] * dy) > _SAME_DIRECTION_COS
    off_x, off_y = x[None, :] - x[:, None], y[None, :] - y[:, None]
    aside = np.abs(off_x * dy[:, None] - off_y * dx[:, None])
    along = np.abs(off_x * dx[:, None] + off_y * dy[:, None])
    return np.asarray(same & (aside < 0.6 * _WINDOW_PX + 0.1 * along))


def _peaks(level: Grey, row: int, finest: float) -> FloatArray:
    """Strongest repeat of every window in one row: middle x, y, frequency along x and y, share of the variance."""
    windows = np.lib.stride_tricks.sliding_window_view(level[row : row + _WINDOW_PX], (_WINDOW_PX, _WINDOW_PX))
    windows = windows[0, ::_STRIDE_PX].astype(np.float32)
    hann = np.hanning(_WINDOW_PX + 2)[1:-1].astype(np.float32)
    tapered = (windows - windows.mean(axis=(1, 2), keepdims=True)) * hann[:, None] * hann
    power = np.abs(np.fft.fft2(tapered)) ** 2
    frequency = np.fft.fftfreq(_WINDOW_PX)
    radius = np.hypot(frequency[:, None], frequency)
    known = np.where(radius > _LOWEST / _WIDEST_PX, power, 0)
    # each wave has two peaks, opposite each other: one half of the plane will do
    half = (frequency[None, :] > 0) | ((frequency[None, :] == 0) & (frequency[:, None] > 0))
    sought = np.where(half & (radius >= 1 / _WIDEST_PX) & (radius <= 1 / finest), power, 0)
    i, j = np.divmod(sought.reshape(len(sought), -1).argmax(axis=1), _WINDOW_PX)
    bins = np.arange(-1, 2)
    around_i, around_j = (i[:, None] + bins) % _WINDOW_PX, (j[:, None] + bins) % _WINDOW_PX
    near = power[np.arange(len(power))[:, None, None], around_i[:, :, None], around_j[:, None, :]].astype(np.float64)
    total = near.sum(axis=(1, 2))
    with np.errstate(invalid="ignore", divide="ignore"):
        at_y = frequency[i] + (near.sum(axis=2) @ bins) / total / _WINDOW_PX
        at_x = frequency[j] + (near.sum(axis=1) @ bins) / total / _WINDOW_PX
        share = 2 * total / known.sum(axis=(1, 2))
    middle = (_WINDOW_PX - 1) / 2
    x = np.arange(len(power)) * _STRIDE_PX + middle
    peaks = np.stack([x, np.full(len(x), row + middle), at_x, at_y, np.nan_to_num(share)], axis=1)
    return np.asarray(peaks[np.isfinite(peaks).all(axis=1)])
