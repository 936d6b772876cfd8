"""Where a stated spacing holds decides whether it may set the scale without a word."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from record_texts import SMALL

from bandkit.errors import ScaleError
from bandkit.record import ScaleSpec, check_record, parse_record
from bandkit.scale import resolve_scale


def resolve(spacing_at, factor=None, **spec):
    def unread(*_):
        raise AssertionError

    return resolve_scale(ScaleSpec(from_file=True, **spec), kind="radiograph", resolution_mm_px=(0.1, 0.2), size_px=(1000, 1000),
                         read=unread, overview=unread, spacing_at=spacing_at, file_magnification=factor)


def codes(scale):
    return [flag.code for flag in scale.flags]


def test_only_a_spacing_in_the_slab_itself_goes_without_a_word():
    scale = resolve("object")
    assert (codes(scale), scale.mm_per_px, scale.sd_frac) == ([], (0.1, 0.2), 0.005)


@pytest.mark.parametrize(("spacing_at", "factor", "told", "divided_by"), [
    ("detector", None, ["spacing-at-detector"], 1.0),
    ("detector", 1.25, ["magnification-from-file"], 1.25),
    ("unclear", None, ["spacing-unclear"], 1.0),
    ("unclear", 1.25, ["spacing-unclear"], 1.0),
    ("tags", None, ["scale-from-file-tags", "scale-no-magnification"], 1.0),
])
def test_other_spacings_are_told(spacing_at, factor, told, divided_by):
    scale = resolve(spacing_at, factor)
    assert codes(scale) == told
    assert scale.magnification == divided_by
    assert scale.mm_per_px == pytest.approx((0.1 / divided_by, 0.2 / divided_by))
    assert scale.sd_frac == 0.02


@pytest.mark.parametrize("spacing_at", ["detector", "unclear", "tags"])
def test_distances_of_the_record_win(spacing_at):
    scale = resolve(spacing_at, 1.25, source_to_detector_mm=1000.0, slab_to_detector_mm=40.0)
    assert scale.magnification == pytest.approx(1000 / 960)
    assert not {"spacing-at-detector", "magnification-from-file", "scale-no-magnification"} & set(codes(scale))


def test_distances_do_not_correct_what_holds_in_the_slab():
    with pytest.raises(ScaleError, match=r"scale\.source_to_detector_mm: 1000 would correct a spacing that by the file holds in the slab itself"):
        resolve("object", source_to_detector_mm=1000.0, slab_to_detector_mm=40.0)


def test_bar_needs_no_spacing_of_the_file():
    from bandkit.record import BarSpec

    def unread(*_):
        raise AssertionError

    scale = resolve_scale(ScaleSpec(bar=BarSpec(length_mm=50.0, from_px=(0, 0), to_px=(0, 500))), kind="radiograph",
                          resolution_mm_px=(0.1, 0.1), size_px=(1000, 1000), read=unread, overview=unread,
                          spacing_at="detector", file_magnification=1.3)
    assert (codes(scale), scale.magnification) == ([], 1.0)


@pytest.mark.parametrize(("spacing_at", "factor", "told"), [
    ("object", None, set()), ("detector", None, {"spacing-at-detector"}), ("detector", 1.2, {"magnification-from-file"}),
    ("unclear", None, {"spacing-unclear"}), ("tags", None, {"scale-from-file-tags", "scale-no-magnification"})])
def test_check_tells_the_same(spacing_at, factor, told):
    record = parse_record(SMALL.replace("mm_per_px = 0.1", 'source = "file"'), "TB-07.toml")
    header = SimpleNamespace(width_px=1000, height_px=3600, bits=16, channels=1, resolution_mm_px=(0.1, 0.1), notes=(),
                             spacing_at=spacing_at, magnification=factor)
    found = {doubt.code for doubt in check_record(record, header)}
    assert found & {"spacing-at-detector", "magnification-from-file", "spacing-unclear", "scale-from-file-tags",
                    "scale-no-magnification"} == told
