"""Find the stain lines of a straightened strip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import InputError
from bandkit.stain.colour import ALIZARIN, Dye, Encoding, dye_index, linear_light, usable
from bandkit.stain.evidence import candidates
from bandkit.stain.judge import FOUND_FROM, line_probability
from bandkit.stain.line import StainLine, no_line
from bandkit.stain.trace import Scene, Trace, edge_across, trace_line

FloatArray = NDArray[np.float64]

# Outermost part of the strip that is not looked at: dead tissue, algae, the rim of the picture.
SURFACE_MARGIN_MM = 0.5
# Less confident or less contrasty lines are flagged as faint.
FAINT_CONFIDENCE = 0.99
FAINT_CONTRAST = 0.5
# Places looked at closely beyond the number of lines.
MORE_LOOKED_AT = 3
# Texture gives this much evidence in every slab.
LEAST_SCORE = 3.0
# What cannot be placed better than this has no edge: it is a broad change of colour, not a line.
MOST_PLACED_SD_MM = 0.5
# Lines nearer to each other than this are one.
APART_MM = 1.0


def find_stains(rgb: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, *, full_scale: float, count: int,
                dye: Dye = ALIZARIN, encoding: Encoding = "srgb",
                expected_depth_mm: Sequence[tuple[float, float]] | None = None) -> tuple[StainLine, ...]:
    """Find stain lines in a colour strip, or say that they are not there.

    Parameters
    ----------
    rgb : ndarray, shape (n_depth, n_across, 3)
        Colours in native units, straightened along the growth axis; NaN outside the image or masked.
    depth_mm : ndarray, shape (n_depth,)
        Depth, equally spaced, 0 at the outer surface and growing inwards.
    across_mm : ndarray, shape (n_across,)
        Distance to the side, equally spaced, 0 on the track.
    full_scale : float
        Native value of white, such as 255.
    count : int
        How many stain lines there should be.
    dye : Dye
        Dye to look for.
    encoding : {"srgb", "linear"}
        How native values code light.
    expected_depth_mm : sequence of (lo, hi), optional
        Only lines that cross the track within one of these depths are accepted.

    Returns
    -------
    tuple of StainLine
        ``count`` answers: lines that were found, outermost (newest) first, then those that were not.

    Raises
    ------
    InputError
        When shapes do not fit, depths are not increasing, or ``count`` is negative.

    Notes
    -----
    The depth reported is that of the distal (outer) edge at the track centre: there the
    growth stood when the dye was in the water. What lies inwards of it is dye that
    seeped down the pores. Paths that stand out from the slab's own texture are looked for
    (`candidates`), the edge along each is fitted, and a line counts as found when its probability
    (`line_probability`) is at least 0.9; of unstained slabs one or two in a hundred then show one.

    References
    ----------
    Manzello, D. (2006) in Coral-List, September 2006, on measuring from the distal edge.
    """
    _check(rgb, depth_mm, across_mm, count)
    scene = _prepare(rgb, depth_mm, across_mm, full_scale=full_scale, encoding=encoding, dye=dye)
    allowed = _allowed_rows(scene.index.depth_mm, expected_depth_mm)
    traces, probabilities, left = _search(scene, allowed, count, dye)
    traces = _retrace(scene, traces)
    lines = sorted((_as_line(t, p, scene) for t, p in zip(traces, probabilities, strict=True)),
                   key=lambda x: x.depth_mm)
    missing = [no_line(across_mm, left)] * (count - len(lines))
    return (*lines, *missing)


def _check(rgb: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, count: int) -> None:
    """Refuse a strip whose parts do not fit together."""
    if np.shape(rgb) != (len(depth_mm), len(across_mm), 3):
        wanted = (len(depth_mm), len(across_mm), 3)
        msg = f"rgb: must have shape (n_depth, n_across, 3) = {wanted}, got {np.shape(rgb)}"
        raise InputError(msg)
    if count < 0:
        msg = f"count: must be 0 or more, got {count}"
        raise InputError(msg)
    for name, values in (("depth_mm", depth_mm), ("across_mm", across_mm)):
        steps = np.diff(values)
        if len(values) < 2 or not np.all(steps > 0) or float(np.ptp(steps)) > 1e-3 * float(steps.mean()):
            msg = f"{name}: must hold two or more positions, increasing in equal steps"
            raise InputError(msg)


def _prepare(rgb: FloatArray, depth_mm: FloatArray, across_mm: FloatArray, *, full_scale: float, encoding: Encoding,
             dye: Dye) -> Scene:
    """Linear light and dye index of a strip."""
    light = linear_light(rgb, full_scale=full_scale, encoding=encoding)
    known = usable(light)
    index = dye_index(light, depth_mm, across_mm, dye, known=known)
    return Scene(light=np.where(known[..., None], light, 0.0), known=known, depth_mm=depth_mm, across_mm=across_mm,
                 index=index)


def _allowed_rows(depth_mm: FloatArray, expected: Sequence[tuple[float, float]] | None) -> NDArray[np.bool_]:
    """Rows of the working grid where a line may cross the track."""
    below = depth_mm >= SURFACE_MARGIN_MM
    if expected is None:
        return below
    inside = np.zeros(len(depth_mm), dtype=bool)
    for low, high in expected:
        inside |= (depth_mm >= low) & (depth_mm <= high)
    return below & inside


def _search(scene: Scene, allowed: NDArray[np.bool_], count: int, dye: Dye
            ) -> tuple[list[Trace], list[float], float]:
    """Lines from the most to the least probable, their probabilities, and that of the likeliest left."""
    step_mm = float(scene.depth_mm[1] - scene.depth_mm[0])
    judged: list[tuple[float, Trace]] = []
    paths = candidates(scene.index, dye, allowed) if count else ()
    for k, candidate in enumerate(paths[:count + MORE_LOOKED_AT]):
        if candidate.score < LEAST_SCORE:
            break
        trace = trace_line(scene, candidate.path_mm, weights=candidate.weights)
        if trace is not None and trace.placed_sd_mm <= MOST_PLACED_SD_MM:
            others = [path.score for j, path in enumerate(paths) if j != k]
            rival = others[count - 1] if len(others) >= count else 0.0
            judged.append((line_probability(candidate.score, rival, trace, dye, step_mm), trace))
    traces: list[Trace] = []
    probabilities: list[float] = []
    left = 0.0
    for probability, trace in sorted(judged, key=lambda pair: pair[0], reverse=True):
        if not _is_apart(trace, traces):
            continue
        if probability >= FOUND_FROM and len(traces) < count:
            traces.append(trace)
            probabilities.append(probability)
        else:
            left = max(left, probability)
    return traces, probabilities, left


def _is_apart(trace: Trace, others: list[Trace]) -> bool:
    """Whether a line is not one that was found before."""
    return all(abs(trace.centre_mm - other.centre_mm) > APART_MM for other in others)


def _retrace(scene: Scene, traces: list[Trace]) -> list[Trace]:
    """Trace each of several lines again with all the others taken off."""
    if len(traces) < 2:
        return traces
    out = list(traces)
    for k, trace in enumerate(traces):
        others = tuple(t for j, t in enumerate(out) if j != k)
        again = trace_line(scene, trace.edge_mm, others, weights=trace.weights)
        if again is not None and abs(again.centre_mm - trace.centre_mm) < APART_MM:
            out[k] = again
    return out


def _as_line(trace: Trace, confidence: float, scene: Scene) -> StainLine:
    """The answer for a line that was found."""
    contrast = trace.fit.amplitude / scene.index.pixel_sd if scene.index.pixel_sd > 0 else float("inf")
    faint = confidence < FAINT_CONFIDENCE or contrast < FAINT_CONTRAST
    return StainLine(found=True, depth_mm=trace.centre_mm, depth_sd_mm=trace.centre_sd_mm, confidence=confidence,
                     contrast_to_noise=float(contrast), across_mm=scene.across_mm,
                     line_depth_mm=edge_across(trace, scene), tail_mm=trace.fit.tail_mm,
                     flags=("stain-faint",) if faint else ())
