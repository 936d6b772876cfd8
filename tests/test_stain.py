"""Stain lines in rendered photographs whose truth is known."""

import time
from functools import cache

import numpy as np
import pytest
from generators.stained_photo import World, draw_world, render
from hypothesis import given, settings
from hypothesis import strategies as st

from bandkit.errors import InputError
from bandkit.stain import find_stains
from bandkit.stain.judge import FOUND_FROM

# Worlds drawn for these tests only; smaller than usual to be quick.
SIZE = {"length_mm": 32.0, "width_mm": 8.0}


def skeleton_of(photo):
    # Without the rim of the cloth: the outer surface lies within a third of the growth surfaces' own bend.
    rgb = photo.rgb.astype(float)
    bend = photo.line_mm[0] - photo.lines_mm[0] if len(photo.lines_mm) else np.zeros(len(photo.across_mm))
    rgb[photo.depth_mm[:, None] < np.maximum(0.3 * bend, 0.0)[None, :] + 0.25] = np.nan
    return rgb


def find(photo, count=1, **options):
    return find_stains(skeleton_of(photo), photo.depth_mm, photo.across_mm, full_scale=photo.full_scale, count=count, **options)


@cache
def clear_photo():
    return render(World(seed=3, lines_mm=(12.0,), tail_mm=1.5, slope=0.15, dome_per_mm=0.02, wave_mm=0.1))


@cache
def clear_line():
    return find(clear_photo())[0]


def test_clear_line_within_a_twentieth_of_a_millimetre():
    line = clear_line()
    assert line.found
    assert abs(line.depth_mm - 12.0) < 0.05
    assert line.depth_sd_mm < 0.06
    assert line.confidence > 0.95
    assert line.flags == ()


def test_line_is_followed_across_the_strip():
    photo, line = clear_photo(), clear_line()
    assert line.line_depth_mm.shape == photo.across_mm.shape
    assert np.median(np.abs(line.line_depth_mm - photo.line_mm[0])) < 0.06
    assert np.interp(0.0, line.across_mm, line.line_depth_mm) == pytest.approx(line.depth_mm, abs=0.02)


def test_random_worlds_are_found_where_the_line_is():
    worlds = [draw_world(7100 + k, strength=(0.06, 0.3), **SIZE) for k in range(12)]
    errors = []
    for world in worlds:
        line = find(render(world))[0]
        errors.append(line.depth_mm - world.lines_mm[0] if line.found else np.nan)
    errors = np.array(errors)
    assert np.isfinite(errors).sum() >= 10
    assert np.nanmedian(np.abs(errors)) < 0.04
    assert np.nanmax(np.abs(errors)) < 0.3


def test_unstained_worlds_give_no_line():
    found = [find(render(draw_world(7300 + k, stained=0, **SIZE)))[0].found for k in range(14)]
    assert sum(found) <= 1


def test_two_stainings_outermost_first():
    photo = render(World(seed=8, lines_mm=(7.0, 19.0), strength=0.12, tail_mm=2.0, slope=0.1))
    first, second = find(photo, count=2)
    assert first.depth_mm == pytest.approx(7.0, abs=0.1)
    assert second.depth_mm == pytest.approx(19.0, abs=0.1)


def test_absent_second_staining_is_a_result():
    first, second = find(clear_photo(), count=2)
    assert first.depth_mm == pytest.approx(12.0, abs=0.05)
    assert not second.found
    assert second.flags == ("stain-not-found",)
    assert np.isnan(second.depth_mm)
    assert second.confidence < 0.9


def test_two_lines_near_each_other_are_told_apart():
    photo = render(World(seed=9, lines_mm=(9.0, 14.0), strength=0.15, tail_mm=1.5, green_bands=0))
    found = [line.depth_mm for line in find(photo, count=2) if line.found]
    np.testing.assert_allclose(found, [9.0, 14.0], atol=0.15)


def test_faint_line_beats_bright_specks_and_encrusters():
    photo = render(World(seed=21, lines_mm=(15.0,), strength=0.05, tail_mm=2.0, specks=20, encrusters=2, noise=0.02))
    line = find(photo)[0]
    assert line.found
    assert line.depth_mm == pytest.approx(15.0, abs=0.15)


def test_expected_depth_leaves_other_lines_out():
    photo = render(World(seed=8, lines_mm=(7.0, 19.0), strength=0.12, tail_mm=2.0))
    line = find(photo, expected_depth_mm=[(15.0, 25.0)])[0]
    assert line.depth_mm == pytest.approx(19.0, abs=0.1)


def test_masked_part_does_not_move_the_line():
    photo = clear_photo()
    rgb = photo.rgb.copy()
    rgb[:, :60] = np.nan
    rgb[300:340, 100:120] = np.nan
    line = find_stains(rgb, photo.depth_mm, photo.across_mm, full_scale=photo.full_scale, count=1)[0]
    assert line.depth_mm == pytest.approx(12.0, abs=0.08)


def test_flat_black_and_missing_pictures_hold_no_line():
    depth, across = np.arange(400) * 0.05, (np.arange(101) - 50) * 0.05
    for value in (128.0, 0.0, 255.0, np.nan):
        line = find_stains(np.full((400, 101, 3), value), depth, across, full_scale=255, count=1)[0]
        assert not line.found


@given(seed=st.integers(0, 400), strength=st.sampled_from([0.02, 0.05, 0.15]))
@settings(max_examples=8, deadline=None)
def test_mirrored_strip_has_mirrored_lines(seed, strength):
    photo = render(draw_world(seed, strength=(strength, strength), **SIZE))
    options = {"full_scale": photo.full_scale, "count": 1}
    line = find_stains(photo.rgb, photo.depth_mm, photo.across_mm, **options)[0]
    mirrored = find_stains(photo.rgb[:, ::-1], photo.depth_mm, -photo.across_mm[::-1], **options)[0]
    # Sums in another order may tip a path by a row where two are as good.
    assert mirrored.confidence == pytest.approx(line.confidence, abs=0.03)
    if abs(line.confidence - FOUND_FROM) > 0.03:
        assert mirrored.found == line.found
    if mirrored.found and line.found:
        np.testing.assert_allclose(mirrored.line_depth_mm[::-1], line.line_depth_mm, atol=0.1)


def test_clear_line_is_followed_round_a_steep_lobe():
    # The growth surface steps by 1.2 mm over 3 mm at the track: no straight or domed form lies near it.
    photo = render(World(seed=5, lines_mm=(), width_mm=24.0, noise=0.005))
    edge = 14.0 + 1.2 / (1.0 + np.exp(-2.0 * (photo.across_mm - 2.0)))
    below = photo.depth_mm[:, None] - edge[None, :]
    dye = np.where(below > 0, np.exp(-np.clip(below, 0, None) / 1.5), 0.0)
    rgb = photo.rgb.copy()
    rgb[..., 1] *= np.exp(-0.2 * dye)
    rgb[..., 2] *= np.exp(-0.1 * dye)
    line = find_stains(rgb, photo.depth_mm, photo.across_mm, full_scale=photo.full_scale, count=1)[0]
    assert line.found
    assert line.confidence > 0.99
    assert np.median(np.abs(line.line_depth_mm - edge)) < 0.08
    assert np.abs(line.line_depth_mm - edge).max() < 0.5


def test_no_stainings_no_answers():
    assert find(clear_photo(), count=0) == ()


def test_same_answer_twice():
    assert find(clear_photo())[0].depth_mm == clear_line().depth_mm


def test_wrong_shapes_are_refused():
    depth, across = np.arange(10) * 0.05, np.arange(4) * 0.05
    with pytest.raises(InputError, match=r"rgb: must have shape \(n_depth, n_across, 3\) = \(10, 4, 3\), got \(10, 4\)"):
        find_stains(np.zeros((10, 4)), depth, across, full_scale=255, count=1)
    with pytest.raises(InputError, match="depth_mm: must hold two or more positions, increasing in equal steps"):
        find_stains(np.zeros((10, 4, 3)), depth[::-1], across, full_scale=255, count=1)
    with pytest.raises(InputError, match="count: must be 0 or more, got -1"):
        find_stains(np.zeros((10, 4, 3)), depth, across, full_scale=255, count=-1)


def test_long_strip_is_quick():
    photo = render(World(seed=3, length_mm=99.0, width_mm=10.0))
    rgb, depth = photo.rgb[:2000], photo.depth_mm[:2000]
    times = []
    for _ in range(3):
        start = time.process_time()
        find_stains(rgb, depth, photo.across_mm, full_scale=photo.full_scale, count=1)
        times.append(time.process_time() - start)
    # Processor time, since other work may share the machine.
    assert min(times) < 0.3
