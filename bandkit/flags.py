"""Doubt that reaches the person: flags, and what each code means in words.

A flag is attached to a result wherever a careful person would want to know
before using the number. The code goes into the ``flags`` column of the tables,
the sentence into the report, the depth onto the figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

FLAG_MEANINGS: dict[str, str] = {
    # scale
    "scale-from-file-tags": "the scale comes from the resolution stated in the image file, which is often wrong; check it with a bar or ruler",
    "scale-bar-found": "the scale bar was found by the program; look at its ends on the figure",
    "scale-bar-doubtful": "the scale bar that was found is unclear; give its ends by hand",
    "scale-no-magnification": "the scale was measured away from the slab's height and no X-ray distances are given; lengths may be off by 0.5 to 4 percent",
    "scale-unusual": "by the scale the whole picture is larger or smaller than pictures of slabs are; check the number and its unit",
    "scale-one-direction": "the scale was measured in one direction and used for both",
    # image
    "first-page-used": "the file has several pages; the first full-size page was measured",
    "orientation-applied": "the camera's orientation tag was applied",
    "inverted-greys": "the file stores white as zero; greys were read as displayed",
    "alpha-dropped": "the file's transparency channel was left out",
    "palette-colours": "the file stores its colours as a palette; they were looked up in it",
    "missing-values": "the image holds values that are no numbers; they were left out",
    "saturated": "part of the slab or of the standards is at the end of the grey range; density there is a limit, not a value",
    "eight-bit": "8-bit greys: density steps are coarse",
    # track and surface
    "surface-not-found": "the outer surface was not found on the track; depth starts at the first drawn point",
    "surface-doubtful": "the outer surface on this track is unclear",
    "track-leaves-slab": "the track leaves the slab or the image; that part was left out",
    "masked-part": "part of the track is masked; its length counts, its brightness does not",
    "holes-left-out": "borings or infill were found across the bands and left out of the averages",
    "track-backwards": "the track begins in skeleton and ends outside it; draw it from outside the surface inwards, or the years run the wrong way",
    "steep-bands": "the bands cross the track at more than 25 degrees; a track along the growth axis would be better",
    "narrow-strip": "less than 15 mm of slab width could be followed; marks are less sure",
    # marks and dating
    "no-marks": "no annual marks could be told from chance on this track",
    "bands-not-confirmed": "two looks at the bands through different corallites do not agree; the marks may be texture, and all are doubtful",
    "weak-bands": "the annual cycle is weak against the texture; the count is uncertain",
    "spacing-ambiguous": "two band spacings explain this track nearly as well; the count may be off by a factor",
    "spacing-from-record": "the expected spacing in the record was used",
    "doubtful-mark": "this mark may not be annual",
    "mark-in-tissue": "the outermost mark lies within the tissue layer and may still be forming",
    "top-mismatch": "the growth outside the newest mark does not fit the time between that mark's date and the collection",
    "floating": "the series is not tied to a calendar: years are counted, not dated",
    "no-collection-date": "no collection date is given: years are counted, not dated",
    "top-alive-assumed": "the record does not say whether the top was alive at collection; it was taken to be",
    "dated-by-stain": "the series is dated by a stain, because the collection cannot date it",
    "no-mark-date": "no date is given for the annual mark: the outermost piece cannot be dated and years may be shifted by one",
    "count-against-stain": "the number of years outside the stain does not fit the staining date",
    "reading-used": "a person's reading replaces the computed marks",
    "gap": "years are lost in a gap; the series inside it has a wider date",
    "few-years": "fewer than three whole years: means and spacing are weak",
    # density
    "no-standards": "no standards in the image: extension only, no density",
    "no-thickness": "no slab thickness is given: extension only, no density",
    "beam-not-supported": "too little open beam to model the beam's fall-off; density may drift across the image",
    "beam-not-corrected": "the beam's fall-off was not corrected",
    "outside-standards": "greys of the slab lie outside the range of the standards; density there is extrapolated",
    "calibration-poor": "the standards do not lie on one smooth curve; check their boxes and thicknesses",
    "energy-assumed": "the effective energy was fitted or assumed, not given",
    "density-implausible": "density outside what coral skeletons are known to have (0.6 to 2.4 g/cm3); check polarity, thickness and standards",
    "density-unusual": "density outside what this kind of coral is known to have; check thickness and standards",
    "dense-contradicted": "the image looks as if its polarity were the other way round than the record says; check image.dense",
    "full-scale-inferred": "the greys do not fill the file's range; full scale was taken from the brightest grey",
    "dense-guessed": "the record does not say whether dense is bright or dark; it was inferred from the image",
    # extension
    "extension-outlier": "this year's extension is less than half or more than twice its neighbours'",
    "extension-implausible": "extension outside what this kind of coral is known to grow",
    "partial": "not a whole year; never in a mean",
    # stain
    "stain-not-found": "no stain line was found for this date",
    "stain-not-visible": "a radiograph or a luminescence picture does not show dye; measure a photograph, or pick the stain with at_px",
    "stain-faint": "the stain line is faint",
    "stain-picked": "the stain line was picked by a person",
    "interval-not-whole": "the staining interval is not a whole number of years; season biases the rate",
    "interval-short": "the staining interval is under 60 days; recovery after staining may matter",
    "stain-outside-image": "the stain expected for this date would lie outside the track",
    "stain-date-doubtful": "fewer lines than stainings were found, and which line belongs to which date is not certain",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One doubt about one result.

    Parameters
    ----------
    code : str
        Key of `FLAG_MEANINGS`.
    detail : str, optional
        The values behind it, in words.
    track : str, optional
        Track that it belongs to; empty for the whole slab.
    depth_mm : float, optional
        Depth on the track, in mm, where it belongs to one place.
    """

    code: str
    detail: str = ""
    track: str = ""
    depth_mm: float | None = None

    def __post_init__(self) -> None:
        if self.code not in FLAG_MEANINGS:
            msg = f"code: {self.code!r} is not in FLAG_MEANINGS; add its meaning there"
            raise ValueError(msg)

    @property
    def sentence(self) -> str:
        """The doubt in words, for the report."""
        text = FLAG_MEANINGS[self.code]
        return f"{text} ({self.detail})" if self.detail else text


def join_codes(codes: Iterable[str]) -> str:
    """Write codes into one table cell, each once, in the order given.

    Parameters
    ----------
    codes : iterable of str
        Flag codes.

    Returns
    -------
    str
        Codes parted by one space.
    """
    return " ".join(dict.fromkeys(code for code in codes if code))
