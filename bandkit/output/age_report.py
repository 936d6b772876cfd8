"""What is told of a colony's age: table, sentences, figure and page."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.age import AgeEstimate
from bandkit.analysis.colony import YARDSTICK, YR_PER_CENTURY, ColonyRate, ColonySize, Slowing
from bandkit.output.tables import table_csv
from bandkit.output.words import error_text
from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

AGE_TABLE, AGE_FIGURE, AGE_REPORT = "age.csv", "age.png", "age.html"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgeTable(Table):
    """One row per measure of size and way of growing."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"colony", "basis", "growth", "minimum"})

    colony: StrArray
    basis: StrArray
    growth: StrArray
    length_m: FloatArray
    length_sd_m: FloatArray
    age_yr: FloatArray
    age_lo_yr: FloatArray
    age_hi_yr: FloatArray
    counted_yr: FloatArray
    mean_rate_mm_yr: FloatArray
    size_share_frac: FloatArray
    rate_share_frac: FloatArray
    slowing_share_frac: FloatArray
    count_share_frac: FloatArray
    minimum: StrArray


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeStory:
    """Everything that the report of one colony's age draws on.

    Parameters
    ----------
    name : str
        The colony.
    size : ColonySize
        What was measured of it.
    rate : ColonyRate
        Its growth.
    rate_source : str
        Where that comes from, in words.
    estimates : tuple of AgeEstimate
        By constant growth, or by the slowing given.
    constant : tuple of AgeEstimate
        By constant growth, where slowing is given; else empty.
    slowing : Slowing or None
        How growth changed with age.
    lost_surface : bool
        Whether part of the colony has died back, broken off or been worn away.
    top_dead : bool
        Whether the growing surface was dead when it was measured or collected.
    assumed_size_sd : bool
        Whether a size was given without its error.
    doubts : tuple of str
        Further doubts, in words.
    """

    name: str
    size: ColonySize
    rate: ColonyRate
    rate_source: str
    estimates: tuple[AgeEstimate, ...]
    constant: tuple[AgeEstimate, ...] = ()
    slowing: Slowing | None = None
    lost_surface: bool = False
    top_dead: bool = False
    assumed_size_sd: bool = False
    doubts: tuple[str, ...] = ()

    @property
    def is_minimum(self) -> bool:
        """Whether the colony may well be older than its size says."""
        return self.lost_surface or self.top_dead


def age_files(story: AgeStory) -> dict[str, bytes]:
    """Write table, figure and page of a colony's age.

    Parameters
    ----------
    story : AgeStory
        What was found.

    Returns
    -------
    dict of str to bytes
        Content by file name.
    """
    # Imported here: matplotlib and jinja2 are slow to load and not needed for the sentences.
    from bandkit.output.age_figure import age_figure
    from bandkit.output.figure import png_bytes
    from bandkit.output.templating import environment

    png = png_bytes(age_figure(story))
    page = environment().get_template("age.html.j2").render(
        title=f"Age of {story.name}", headline=headline(story), sentences=age_sentences(story),
        rows=age_table(story).rows(), figure=f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}",
        number_of_years=years_text,
    )  # fmt: skip
    return {AGE_TABLE: table_csv(age_table(story)).encode(), AGE_FIGURE: png, AGE_REPORT: page.encode()}


def age_table(story: AgeStory) -> AgeTable:
    """Put the estimates into a table.

    Parameters
    ----------
    story : AgeStory
        What was found.

    Returns
    -------
    AgeTable
        One row per estimate.
    """
    kinds = [(story.estimates, "slowing with age" if story.slowing else "constant"), (story.constant, "constant")]
    return AgeTable.from_rows([
        {"colony": story.name, "growth": growth, "minimum": "yes" if story.is_minimum else "no",
         **{name: getattr(estimate, name) for name in AgeEstimate.__dataclass_fields__}}
        for estimates, growth in kinds for estimate in estimates
    ])  # fmt: skip


def headline(story: AgeStory) -> str:
    """Say the age in one line.

    Parameters
    ----------
    story : AgeStory
        What was found.

    Returns
    -------
    str
        Such as "about 360 years by its height (90 %: 276 to 473)"; "at least" where the size is what is left.
    """
    first = story.estimates[0]
    about = "at least about" if story.is_minimum else "about"
    text = (f"{about} {years_text(first.age_yr)} years by its {first.basis} "
            f"(90 %: {years_text(first.age_lo_yr)} to {years_text(first.age_hi_yr)})")
    if story.top_dead:
        text += ", when its surface died"
    if first.counted_yr:
        text += f"; {years_text(first.counted_yr)} of them counted"
    return text


def age_sentences(story: AgeStory) -> tuple[str, ...]:
    """Say how the age was told and what to doubt.

    Parameters
    ----------
    story : AgeStory
        What was found.

    Returns
    -------
    tuple of str
        Sentences, in the order of the work.
    """
    parts = [*_size_sentences(story), _rate_sentence(story), *_growing_sentences(story), _share_sentence(story)]
    if not all(math.isfinite(estimate.age_hi_yr) for estimate in story.estimates):
        parts.append("Where the upper end is open, growth so far back may have been too slow ever to reach it.")
    parts += _minimum_sentences(story)
    parts += [f"{doubt[:1].upper()}{doubt[1:]}." for doubt in story.doubts]
    parts.append(
        f"To hold it against ({YARDSTICK.source}): a colony {YARDSTICK.height_m:g} m tall and "
        f"{YARDSTICK.circumference_m:g} m round is put at about {YARDSTICK.age_yr:g} years, "
        f"{YARDSTICK.rate_mm_yr:.1f} mm a year over its height, which is fast growth."
    )
    return tuple(part for part in parts if part)


def years_text(years: float) -> str:
    """Write an age: whole years from ten on.

    Parameters
    ----------
    years : float
        Years.

    Returns
    -------
    str
        Such as "361", "8.4", "open" for what has no end.
    """
    if not math.isfinite(years):
        return "open"
    return f"{years:.0f}" if years >= 9.95 else f"{years:.1f}"


def _size_sentences(story: AgeStory) -> list[str]:
    """What was measured, and how height and radius compare."""
    size = story.size
    sentences = []
    if math.isfinite(size.circumference_m):
        sentences.append(
            f"A circumference of {size.circumference_m:g} m is a radius of {size.radius_m:.2f} m in a round colony."
        )
    if size.shape:
        sentences.append(
            f"Height over radius is {size.height_to_radius:.2f}: {size.shape}. The rate is that of upward growth, so "
            "the age by height is the one to use; that by radius holds if the colony grew sideways as fast as up."
        )
    elif math.isfinite(size.circumference_m):
        sentences.append("Without a height the colony is taken as a hemisphere that grew sideways as fast as up.")
    if math.isfinite(size.height_m):
        sentences.append("Height counts from where this colony began: rock or a dead pedestal under it adds years that "
                         "it did not live, and a foot buried in sediment hides some.")
    if story.assumed_size_sd:
        sentences.append("A size came without its error: 5 % was taken (common practice, no source).")
    return sentences


def _rate_sentence(story: AgeStory) -> str:
    """What growth the age rests on."""
    rate = story.rate
    text = f"Growth of {error_text(rate.mean_mm_yr, rate.sd_mm_yr)} mm/yr, {story.rate_source}"
    if not rate.n_years:
        return f"{text}, is taken as the mean of the whole life: its error must hold how much colonies differ."
    return (f"{text}: {rate.n_years} whole years that scatter by {rate.years_sd_mm_yr:.1f} mm/yr, "
            f"{years_text(rate.counted_yr)} years counted down to {rate.counted_mm:.0f} mm. The years below are taken "
            "to have grown like these, within that scatter.")


def _growing_sentences(story: AgeStory) -> list[str]:
    """What is assumed of growth over the life."""
    if story.slowing is None:
        return ["Growth is taken as the same at all ages. Had the colony grown faster in its youth than at the rate "
                "given, it would be younger."]
    slowing, first = story.slowing, story.constant[0] if story.constant else None
    percent = 100 * slowing.frac_per_century
    text = (f"Growth is taken to have {'fallen' if percent >= 0 else 'risen'} by {abs(percent):g} ± "
            f"{100 * slowing.sd_frac_per_century:g} % in {YR_PER_CENTURY:g} years, evenly all its life, so that it was "
            f"{'faster' if percent >= 0 else 'slower'} in its youth; below the years counted nobody has seen that")
    return [f"{text}. With constant growth it would be {years_text(first.age_yr)} years." if first else f"{text}."]


def _share_sentence(story: AgeStory) -> str:
    """What the interval comes from."""
    first = story.estimates[0]
    names = {"the rate": first.rate_share_frac, "the size": first.size_share_frac,
             "the slowing": first.slowing_share_frac, "the count": first.count_share_frac}
    told = [f"{100 * share:.0f} % {name}" for name, share in sorted(names.items(), key=lambda item: -item[1])
            if share >= 0.005]
    return f"Of the variance of the age by {first.basis}: {', '.join(told)}." if told else ""


def _minimum_sentences(story: AgeStory) -> list[str]:
    """What makes the age a least one."""
    sentences = []
    if story.lost_surface:
        sentences.append("Part of the surface is lost, so that the size is what is left: the age is a minimum.")
    if story.top_dead:
        sentences.append("The surface was dead: this is the age at which growth stopped; years since then come on top.")
    if story.rate.counted_yr:
        off = story.rate.counted_sd_yr
        doubt = f"within its own error of {off:.1f}" if off >= 0.05 else "without a doubtful mark"
        sentences.append(f"What is sure is the count: at least {math.floor(story.rate.counted_yr)} years, {doubt}. "
                         "Bands of a slab are no age of the colony.")
    sentences.append("Size is a poor stand-in for age where colonies split, shrink or fuse.")
    return sentences
