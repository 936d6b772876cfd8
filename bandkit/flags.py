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
    "spacing-at-detector": "the pixel spacing in the file holds at the detector, and the slab lay above it: lengths are too long by the magnification; give source_to_detector_mm and slab_to_detector_mm",
    "spacing-unclear": "the file does not say whether its pixel spacing holds in the slab or at the detector; lengths may be off by the magnification, so check it with a bar or ruler",
    "magnification-from-file": "lengths were divided by the X-ray magnification that the file states, which may hold for another height than the slab's",
    "scale-ruler-found": "the ruler was found by the program; look at its ends on the figure",
    "scale-ruler-unit": "what a tick stands for was told from which ticks are longer; check it against the numerals",
    "scale-ruler-unit-doubtful": "the longer ticks of the ruler do not bear out the stated distance between ticks; check scale.ruler.tick_mm",
    "scale-ruler-doubtful": "the ticks of the ruler are unclear; give two places on them, or a bar",
    "scale-ruler-oblique": "the ticks of the ruler are wider apart at one end: the picture was taken obliquely, or the ruler does not lie in the plane of the slab; the scale is a mean over the ruler",
    "scale-rulers-differ": "two rulers in the picture do not give the same scale",
    "lens-distortion": "a ruler is bowed in the picture, or its ticks are wider or narrower half way than at both ends: the lens bends straight lines, and lengths near the rim of the picture are off",
    "rectified": "lengths hold in the plane of the four corners; the face of the slab must lie in it",
    "rectified-steeply": "the picture was taken at more than 45 degrees to the plane of the four corners; what lies out of that plane is far displaced",
    "landmarks-few": "only three landmarks tie the photograph to this picture: one more would show what they are off by",
    "landmarks-disagree": "one landmark does not fit the others; check where it is in both pictures",
    "photograph-registered": "a photograph of the slab was laid over this picture by landmarks",
    "photograph-mirrored": "the photograph shows the slab from its other side, or mirrored; that was allowed for",
    "photograph-stretched": "photograph and picture differ in scale by direction or from their own scales; check both scales and the landmarks",
    "photograph-stain": "the stain line was found in a photograph of the slab and carried over by landmarks",
    "photograph-far": "the track lies outside the landmarks; a stain line carried there is less sure",
    "scale-one-direction": "the scale was measured in one direction and used for both",
    # image
    "first-page-used": "the file has several pages; the first full-size page was measured",
    "orientation-applied": "the camera's orientation tag was applied",
    "inverted-greys": "the file stores white as zero; greys were read as displayed",
    "alpha-dropped": "the file's transparency channel was left out",
    "palette-colours": "the file stores its colours as a palette; they were looked up in it",
    "burned-in-text": "the file says that text is burnt into the picture: mask it, and see that it names nobody",
    "scan-localizer": "this is the overview that a scan was planned on, a projection: neither its spacing nor its greys are those of a slice",
    "lossy-compression": "the file was compressed with loss; fine texture and the greys of small standards are altered",
    "greys-for-viewing": "the X-ray unit altered these greys for viewing, and they may be neither linear nor even; export the image 'for processing'",
    "greys-logarithmic": "by the file its greys are logarithmic in the dose; write values = \"optical-density\" in the record's image table",
    "missing-values": "the image holds values that are no numbers; they were left out",
    "saturated": "part of the slab or of the standards is at the end of the grey range; density there is a limit, not a value",
    "eight-bit": "8-bit greys: density steps are coarse",
    # scan
    "slices-missing": "slices of the scan are missing; the slab is unknown there",
    "slices-uneven": "the slices of the scan are not evenly apart; their own places were used",
    "ct-air-off": "air in the scan is not near -1000 Hounsfield units: its greys are on a scale of their own, and only standards make them a density",
    "beam-hardening": "a standard in the scan looks less dense in its middle than at its rim: the beam hardened, and density of the slab is too low inside it",
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
    "count-against-stain": "the years counted outside a stain, or between two, do not fit the dates of staining",
    "reading-used": "a person's reading replaces the computed marks",
    "fixed-marks-used": "a person set some of the marks; the others were found given them",
    "event-contradicted": "a person marked this band as a year, and the record declares it to be none; the mark was kept",
    "mark-left-out": "no mark was taken here, because a person declared this band to be no year",
    "tracks-disagree": "two tracks of this slab do not mark the same bands",
    "gap": "years are lost in a gap; the series inside it has a wider date",
    "few-years": "fewer than three whole years: means and spacing are weak",
    # density
    "no-standards": "no standards in the image: extension only, no density",
    "thickness-extrapolated": "part of the track lies outside the points at which thickness was measured; density there leans on the shape of the others",
    "thickness-missing": "the thickness map is empty under part of the track; that part has no density",
    "thickness-or-drift": "one thickness is given and mass per area drifts along the track: density may drift, or the slab be a wedge, which looks the same; measure the thickness at several places",
    "bulk-density-disagrees": "the density of the image and the one on the balance differ by more than two of their standard deviations; check thickness, standards and weights",
    "bulk-not-compared": "the image gives no density of the piece that was weighed",
    "no-thickness": "no slab thickness is given: extension only, no density",
    "beam-not-supported": "too little open beam to model the beam's fall-off; density may drift across the image",
    "beam-not-corrected": "the beam's fall-off was not corrected",
    "outside-standards": "greys of the slab lie outside the range of the standards; density there is extrapolated",
    "calibration-poor": "the standards do not lie on one smooth curve; check their boxes and thicknesses",
    "energy-fitted": "the effective energy was not given; it was fitted to the standards",
    "energy-assumed": "the effective energy is neither given nor told by the standards: the usual one was taken, and the error of density holds what it may be off by; add a step of aragonite to the picture, or give effective_kev",
    "response-curved": "greys are not linear in the intensity that arrived: a curve was fitted to the standards, and is sure only between them",
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
    "tip-flat": "the tip of this branch is flat, as a broken one is; look at it, and write broken = true where it is",
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
