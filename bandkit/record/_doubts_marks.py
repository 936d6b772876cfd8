"""What a careful person would ask about readings, gaps and events; each doubt as code, key and message."""

from __future__ import annotations

from collections.abc import Iterator

from bandkit.record.model import Record


def about_marks(record: Record) -> Iterator[tuple[str, str, str]]:
    """Whether a person's marks are used and independent, and what is declared to be no year.

    Parameters
    ----------
    record : Record
        The record.

    Yields
    ------
    code, key, message : str
        An empty message stands for the flag's sentence.
    """
    for i, reading in enumerate(record.readings, 1):
        if not reading.marks:
            yield "reading-empty", f"reading[{i}].marks", "a reading without marks is not used"
        elif not reading.blind:
            message = f"{reading.reader} saw earlier marks or years: the reading is no independent check"
            yield "reading-not-blind", f"reading[{i}].blind", message
        if reading.role == "fixed" and any(r.track == reading.track and r.role == "all" for r in record.readings[i:]):
            message = "fixed marks before a reading of all marks of the same track are not used: the later one wins"
            yield "reading-not-used", f"reading[{i}].role", message
    for i, _gap in enumerate(record.gaps, 1):
        yield "gap", f"gap[{i}]", ""
    for i, event in enumerate(record.events, 1):
        yield "event", f"event[{i}].kind", f"no mark will be taken from this {event.kind}: look at it once more"
