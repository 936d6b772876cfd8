"""Rulers read from their ticks: simulated ones by another generator, and pictures without any."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from generators import rulers
from generators.rulers import Shot, photograph, ruler_mm
from scale_scenes import Seen

from bandkit.errors import ScaleError
from bandkit.images import open_image
from bandkit.record import RulerSpec, ScaleSpec
from bandkit.scale import find_rulers, propose_ruler, read_ruler, resolve_scale
from bandkit.scale.row import Pixels, Row
from bandkit.scale.ruler import reduced

SMALL = Shot(size_px=(480, 280), middle_px=(240.0, 60.0), first_mm=-30.3)


def pixels_of(picture):
    return Pixels(lambda x0, y0, x1, y1: picture[y0:y1, x0:x1], (picture.shape[1], picture.shape[0]))


def found(picture):
    pixels = pixels_of(picture)
    return find_rulers(pixels, reduced(pixels, (0, 0, *pixels.size_px), 1), 1)


def true_spacing_mm(shot, ruler):
    """What a spacing measures between the ends that were found."""
    (ax, ay), (bx, by) = ruler.from_px, ruler.to_px
    (ua, ub), (va, vb) = ruler_mm(shot, np.array([ax, bx]), np.array([ay, by]))
    return float(np.hypot(ub - ua, vb - va)) / ruler.n_spacings


def resolve(picture, *specs, kind="photograph"):
    h, w = picture.shape[:2]
    return resolve_scale(ScaleSpec(rulers=specs or (RulerSpec(),)), kind=kind, resolution_mm_px=None, size_px=(w, h),
                         read=lambda x0, y0, x1, y1: picture[y0:y1, x0:x1],
                         overview=lambda: Seen(picture.astype(np.float32), 1))


def codes(scale):
    return {flag.code for flag in scale.flags}


@pytest.mark.parametrize(("design", "tick_mm", "shot"), [
    (rulers.MM, 1.0, SMALL),
    (rulers.MM, 1.0, replace(SMALL, angle_deg=90.0, middle_px=(380.0, 140.0), ground="grain")),
    (rulers.STEEL, 1.0, replace(SMALL, angle_deg=-7.0, glare=0.5, ground="black")),
    (rulers.WHITE_ON_BLACK, 1.0, replace(SMALL, angle_deg=171.0, noise=0.03)),
    (rulers.PLASTIC, 1.0, replace(SMALL, ground="weave", worn_frac=0.1)),
    (rulers.FIVES_LIKE_TENS_ABSENT, 1.0, replace(SMALL, hidden_frac=0.15, angle_deg=5.0)),
    (rulers.HALF_MM, 0.5, replace(SMALL, px_per_mm=10.0, ground="white")),
    (rulers.MM, 1.0, replace(SMALL, px_per_mm=4.0, blur_px=0.7, angle_deg=3.0)),
], ids=["plain", "upright", "steel glare", "white on black", "plastic", "partly hidden", "half mm", "fine"])
def test_rulers_are_found_without_help(design, tick_mm, shot):
    ruler = found(photograph(design, shot))[0]
    assert ruler.unit.tick_mm == tick_mm
    assert tick_mm / true_spacing_mm(shot, ruler) == pytest.approx(1, abs=0.002)
    assert abs(ruler.drift_frac) < 0.01
    assert ruler.confidence > 0.65


def test_the_ends_are_ticks_and_all_ticks_between_are_counted():
    ruler = found(photograph(rulers.MM, SMALL))[0]
    ends_mm, _ = ruler_mm(SMALL, np.array([ruler.from_px[0], ruler.to_px[0]]), np.array([ruler.from_px[1], ruler.to_px[1]]))
    on_ruler = ends_mm - SMALL.first_mm
    assert on_ruler == pytest.approx(np.round(on_ruler), abs=0.02)
    assert ruler.n_spacings == round(np.ptp(on_ruler))
    assert ruler.length_px == pytest.approx(8.0 * ruler.n_spacings, rel=1e-3)


@pytest.mark.parametrize("along", [-0.15, 0.15])
def test_perspective_along_the_ruler_is_noticed(along):
    shot = replace(SMALL, along=along)
    picture = photograph(rulers.MM, shot)
    ruler = found(picture)[0]
    assert 1 / true_spacing_mm(shot, ruler) == pytest.approx(1, abs=0.002)
    # from one side to the other the depth changes by ``along``, and the spacing by twice as much
    assert abs(ruler.drift_frac) == pytest.approx(2 * abs(along), rel=0.15)
    assert "scale-ruler-oblique" in codes(resolve(picture))
    assert "lens-distortion" not in codes(resolve(picture))


def test_a_lens_is_noticed():
    scale = resolve(photograph(rulers.MM, replace(SMALL, lens=0.03, middle_px=(240.0, 140.0))))
    assert "lens-distortion" in codes(scale)
    assert "lens-distortion" not in codes(resolve(photograph(rulers.MM, SMALL)))


@pytest.mark.parametrize(("design", "px_per_mm", "words"), [
    (rulers.SIXTEENTHS, 7.0, "inch"),
    (rulers.TWO_MM, 6.0, "every 5th"),
    (rulers.PLAIN, 8.0, "no regular longer ticks"),
], ids=["sixteenths", "2 mm", "all alike"])
def test_what_cannot_be_told_is_left_to_a_person(design, px_per_mm, words):
    shot = replace(SMALL, px_per_mm=px_per_mm)
    picture = photograph(design, shot)
    with pytest.raises(ScaleError, match=rf"scale\.ruler: .* what they stand for cannot be told \(.*{words}.*\); write tick_mm"):
        resolve(picture)
    told = resolve(picture, RulerSpec(tick_mm=design.tick_mm))
    assert told.x_mm_px * px_per_mm == pytest.approx(1, abs=0.002)


def test_half_centimetres_are_not_taken_for_anything_else():
    picture = photograph(rulers.HALF_CM, replace(SMALL, px_per_mm=6.0))
    with pytest.raises(ScaleError, match=r"scale\.ruler: "):
        resolve(picture)


def test_a_wrong_unit_is_doubted():
    picture = photograph(rulers.MM, SMALL)
    assert "scale-ruler-unit-doubtful" in codes(resolve(picture, RulerSpec(tick_mm=0.5)))
    assert "scale-ruler-unit-doubtful" not in codes(resolve(picture, RulerSpec(tick_mm=1.0)))


def test_two_places_on_the_ticks_and_a_box():
    picture = photograph(rulers.MM, replace(SMALL, angle_deg=4.0))
    ruler = read_ruler(pixels_of(picture), (40.0, 58.0), (440.0, 86.0))
    assert ruler is not None
    assert ruler.spacing_px == pytest.approx(8.0, rel=1e-3)
    given = resolve(picture, RulerSpec(from_px=(40.0, 58.0), to_px=(440.0, 86.0), tick_mm=1.0))
    boxed = resolve(picture, RulerSpec(within_px=(0.0, 30.0, 480.0, 220.0), tick_mm=1.0))
    assert given.x_mm_px == pytest.approx(boxed.x_mm_px, rel=1e-3)
    assert (given.source, boxed.source) == ("ruler", "ruler found")
    assert codes(given) == set()
    assert codes(boxed) == {"scale-ruler-found"}


def test_two_rulers_at_right_angles_give_x_and_y():
    lying = replace(SMALL, ground="black", middle_px=(230.0, 20.0))
    standing = replace(lying, angle_deg=90.0, middle_px=(440.0, 160.0), seed=5)
    picture = photograph(rulers.MM, lying, second=(rulers.MM, standing))
    scale = resolve(picture)
    assert scale.mm_per_px == pytest.approx((1 / 8, 1 / 8), rel=2e-3)
    wide = np.repeat(picture, 2, axis=1)
    scale = resolve(wide)
    assert scale.mm_per_px == pytest.approx((1 / 16, 1 / 8), rel=2e-3)
    assert "scale-rulers-differ" in codes(scale)


def test_parallel_rulers_are_no_pair():
    picture = photograph(rulers.MM, SMALL)
    along = RulerSpec(from_px=(40.0, 72.0), to_px=(440.0, 72.0), tick_mm=1.0)
    with pytest.raises(ScaleError, match=r"scale\.ruler: the two rulers do not lie at right angles"):
        resolve(picture, along, along)


def test_no_ruler_no_scale():
    picture = rulers.develop(rulers.ground("coral", (480, 280), np.random.default_rng(3)), SMALL, np.random.default_rng(3))
    with pytest.raises(ScaleError, match=r"scale\.ruler: no ruler was found in the picture; give two places"):
        resolve(picture)
    with pytest.raises(ScaleError, match=r"scale\.ruler: no ruler was found in the box \[0, 0, 300, 200\]"):
        resolve(picture, RulerSpec(within_px=(0.0, 0.0, 300.0, 200.0)))
    with pytest.raises(ScaleError, match=r"scale\.ruler\.from_px = \[100, 200\]: no even row of ticks"):
        resolve(picture, RulerSpec(from_px=(100.0, 200.0), to_px=(400.0, 210.0), tick_mm=1.0))
    with pytest.raises(ScaleError, match=r"within_px: the box \[900, 0, 950, 300\] is outside"):
        resolve(picture, RulerSpec(within_px=(900.0, 0.0, 950.0, 300.0)))


@pytest.mark.parametrize("kind", ["coral", "weave", "bands", "grain", "black"])
@pytest.mark.parametrize("seed", [1, 2])
def test_pictures_without_a_ruler_propose_none(kind, seed):
    rng = np.random.default_rng(seed)
    picture = rulers.develop(rulers.ground(kind, (400, 300), rng), replace(SMALL, size_px=(400, 300)), rng)
    assert propose_ruler((400, 300), lambda x0, y0, x1, y1: picture[y0:y1, x0:x1],
                         Seen(picture.astype(np.float32), 1)) is None


@pytest.mark.slow
def test_false_finds_are_rare_whatever_a_person_says_of_the_ticks():
    wrong = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        kind = ("coral", "weave", "bands", "grain")[seed % 4]
        picture = rulers.develop(rulers.ground(kind, (640, 480), rng), replace(SMALL, size_px=(640, 480)), rng)
        wrong += bool(found(picture))
    assert wrong <= 1


def test_a_row_counted_from_another_tick_is_the_same_row():
    row = Row(x_px=10.0, y_px=20.0, ux=0.8, uy=0.6, tx=-0.6, ty=0.8, spacing_px=(7.0, 0.01, 1e-5))
    n = np.arange(5.0)
    assert np.allclose(row.renumbered(3).at(n), row.at(n + 3))
    assert np.allclose(row.coarser(2).at(n), row.at(2 * n))
    assert np.allclose(np.array(row.scaled(2).at(n)), 2 * np.array(row.at(n)) + 0.5)


PHOTOGRAPHS = {"dichocoenia_stokesi_a": 10.5, "diploria_labyrinthiformis_a": 11.6, "pseudodiploria_strigosa_a": 4.7,
               "manicina_areolata_b": 22.0}


@pytest.mark.skipif("BANDKIT_REAL_DATA" not in os.environ, reason="needs photographs that are not shipped")
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_real_rulers(name):
    path = Path(os.environ["BANDKIT_REAL_DATA"]) / "coral-skeleton-photos-with-rulers" / f"{name}.png"
    # in the close-up no longer tick is in the picture: there a person must say that these are millimetres
    spec = RulerSpec(tick_mm=1.0) if name == "manicina_areolata_b" else RulerSpec()
    with open_image(path) as image:
        scale = resolve_scale(ScaleSpec(rulers=(spec,)), kind="photograph", resolution_mm_px=None,
                              size_px=(image.width_px, image.height_px), read=image.read, overview=image.overview)
    assert 1 / scale.x_mm_px == pytest.approx(PHOTOGRAPHS[name], rel=0.015)


def test_a_new_record_holds_the_ruler(tmp_path):
    from PIL import Image

    from bandkit.propose import write_record
    from bandkit.record import read_record

    Image.fromarray(photograph(rulers.MM, replace(SMALL, ground="black"))).save(tmp_path / "TB-07.png")
    record = read_record(write_record(tmp_path / "TB-07.png"))
    (ruler,) = record.scale.rulers
    assert ruler.tick_mm == 1.0
    assert "proposed: look at it; found, " in record.text
    assert np.hypot(*np.subtract(ruler.to_px, ruler.from_px)) / 8 == pytest.approx(58, abs=1.01)
