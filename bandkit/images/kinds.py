"""Tell kinds of files by their first bytes, where names do not tell."""

from __future__ import annotations

_TIFF_STARTS = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
# Types of the elements that a DICOM file without the usual beginning may start with.
_FIRST_TYPES = (b"UL", b"CS", b"UI", b"OB", b"SH", b"DA", b"TM", b"LO")


def is_tiff(start: bytes) -> bool:
    """Tell a TIFF file by its first bytes.

    Parameters
    ----------
    start : bytes
        The first bytes of the file; DICOM must be ruled out before.

    Returns
    -------
    bool
        True for TIFF and BigTIFF of either byte order.
    """
    return start.startswith(_TIFF_STARTS)


def is_dicom(start: bytes, size: int) -> bool:
    """Tell a DICOM file by its first bytes, also one without the usual preamble.

    Parameters
    ----------
    start : bytes
        The first 132 bytes of the file, or all there are.
    size : int
        Length of the file.

    Returns
    -------
    bool
        True for the sign of the standard at byte 128, and for a first element of the group of file
        information or of identification whose length lies within the file.
    """
    if start[128:132] == b"DICM":
        return True
    if len(start) < 12:
        return False
    for order in ("little", "big"):
        group, element = (int.from_bytes(start[at:at + 2], order) for at in (0, 2))
        if group not in (2, 8) or element > 0x60:
            continue
        if start[4:6] in _FIRST_TYPES:
            return True
        length = int.from_bytes(start[4:8], order)
        return 0 < length <= min(size, 1024) and length % 2 == 0
    return False
