"""What a careful person would ask about rulers, corners and landmarks; each doubt as code, key and message."""

from __future__ import annotations

from collections.abc import Iterator
from math import dist

from bandkit.record.model import Record

_SHORTEST_SIDE_PX = 200.0
_ENOUGH_LANDMARKS = 4
_UNUSUAL_TICKS_MM = (0.4, 5.1)
_SHOWS_NO_DYE = frozenset({"radiograph", "ct", "luminescence"})


def about_places(record: Record) -> Iterator[tuple[str, str, str]]:
    """Whether rulers, corners and landmarks can be used.

    Parameters
    ----------
    record : Record
        The record.

    Yields
    ------
    code, key, message : str
        An empty message stands for the flag's sentence.
    """
    several = len(record.scale.rulers) > 1
    for i, ruler in enumerate(record.scale.rulers, 1):
        key = f"scale.ruler[{i}]" if several else "scale.ruler"
        if ruler.from_px is None:
            yield "ruler-to-find", key, "no place on its ticks is given; the program will look for the ruler"
        if ruler.tick_mm is None:
            yield "ruler-unit-to-tell", key, "tick_mm is not given; it will be told from which ticks are longer"
        elif not _UNUSUAL_TICKS_MM[0] <= ruler.tick_mm <= _UNUSUAL_TICKS_MM[1]:
            message = f"{ruler.tick_mm:g} mm between neighbouring ticks is unusual; check it against the ruler"
            yield "ruler-unit-unusual", f"{key}.tick_mm", message
    if (rectify := record.scale.rectify) is not None:
        a, b, c, d = rectify.corners_px
        shortest = min(dist(a, b), dist(b, c), dist(c, d), dist(d, a))
        if shortest < _SHORTEST_SIDE_PX:
            message = f"a side is only {shortest:.0f} px long: a corner off by 1 px is {100 / shortest:.1f} percent"
            yield "rectangle-small", "scale.rectify.corners_px", message
    if (photograph := record.photograph) is not None:
        if len(photograph.landmarks) < _ENOUGH_LANDMARKS:
            yield "landmarks-few", "photograph.landmarks", ""
        if record.image.kind not in _SHOWS_NO_DYE:
            message = f"a {record.image.kind} shows its own stain lines; the other photograph is not looked at"
            yield "photograph-not-used", "photograph.record", message
