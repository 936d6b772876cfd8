"""A stain found in a photograph dates the bands of a radiograph of the same slab."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace

import numpy as np
import pytest

import bandkit
from bandkit.errors import RecordError
from bandkit.provenance import other_hashes
from bandkit.simulate import PhotographDesign, random_design, simulate_pair

DAYS_BEFORE = 800


def pair(seed=4, **how):
    design = random_design("easy", seed)
    growth = replace(design.growth, years=4.5)
    stained = PhotographDesign(stained=(growth.collected - dt.timedelta(days=DAYS_BEFORE),), dye_strength=1.0)
    return simulate_pair(replace(design, growth=growth), seed, stained=stained, **how)


def copied(record, folder):
    """The same slabs in another folder, for a test to change."""
    for file in record.parent.iterdir():
        shutil.copy(file, folder)
    return folder / record.name


@pytest.fixture(scope="module")
def turned(tmp_path_factory):
    slabs = pair(turns=1)
    return slabs, slabs.write(tmp_path_factory.mktemp("pair"))


def test_the_stain_of_the_photograph_lies_on_the_track_of_the_radiograph(turned):
    slabs, record = turned
    result = bandkit.measure(record)
    codes = {flag.code for flag in result.flags}
    assert {"photograph-registered", "photograph-stain"} <= codes
    assert not {"stain-not-visible", "photograph-mirrored", "landmarks-disagree", "photograph-stretched", "count-against-stain"} & codes
    assert list(result.stains.found) == ["yes"]
    truth = slabs.photograph.truth.tracks[0]
    # off by the landmarks (0.3 mm each), the edge in the photograph and the surface in the radiograph
    assert result.stains.depth_mm == pytest.approx(truth.stain_depth_mm, abs=0.6)
    assert 0.05 < result.stains.depth_sd_mm[0] < 0.4
    # in the radiograph's own pixels, on its own track
    step_mm = slabs.radiograph.truth.mm_per_px
    top = np.array(slabs.radiograph.truth.tracks[0].surface_px)
    place = np.array([result.stains.x_px[0], result.stains.y_px[0]])
    assert np.hypot(*(place - top)) * step_mm == pytest.approx(truth.stain_depth_mm[0], abs=0.6)
    registered = next(flag for flag in result.flags if flag.code == "photograph-registered")
    assert "5 landmarks, off by 0." in registered.detail


@pytest.mark.slow
def test_a_pick_in_the_photograph_of_the_other_face(tmp_path):
    slabs = pair(turns=3, mirrored=True)
    record = slabs.write(tmp_path)
    truth = slabs.photograph.truth.tracks[0]
    (x0, y0), (x1, y1) = truth.surface_px, truth.points_px[-1]
    share = truth.stain_depth_mm[0] / slabs.photograph.truth.mm_per_px / np.hypot(x1 - x0, y1 - y0)
    photograph = tmp_path / f"{slabs.photograph.specimen}.toml"
    picked = f"[[stain]]\nat_px = [{x0 + share * (x1 - x0):.1f}, {y0 + share * (y1 - y0):.1f}]"
    photograph.write_text(photograph.read_text().replace("[[stain]]", picked))
    result = bandkit.measure(record)
    assert {"photograph-mirrored", "stain-picked", "photograph-stain"} <= {flag.code for flag in result.flags}
    assert result.stains.depth_mm == pytest.approx(truth.stain_depth_mm, abs=0.6)


@pytest.mark.slow
def test_the_count_must_agree_with_the_date(turned, tmp_path):
    slabs, written = turned
    record = copied(written, tmp_path)
    text = record.read_text()
    stained = slabs.radiograph.record_text.split("[[stain]]\ndate = ")[1][:10]
    later = dt.date.fromisoformat(stained) + dt.timedelta(days=730)
    record.write_text(text.replace(stained, later.isoformat()))
    codes = {flag.code for flag in bandkit.measure(record).flags}
    assert "count-against-stain" in codes


def test_a_result_is_made_from_both_pictures(turned):
    _, record = turned
    names = other_hashes(bandkit.read_record(record))
    assert set(names) == {"photograph_record_sha256", "photograph_sha256"}
    assert all(len(made()) == 64 for made in names.values())


@pytest.mark.parametrize(("old", "new", "message"), [
    ("there_px = [", "there_px = [9", r"photograph\.landmarks\[1\]\.there_px: \[.*\] lies outside the photograph of"),
    ('record = "TB-E004_P.toml"', 'record = "TB-E004_Q.toml"', r"TB-E004_Q\.toml"),
], ids=["outside", "missing"])
def test_what_is_wrong_with_the_photograph(turned, tmp_path, old, new, message):
    _, written = turned
    record = copied(written, tmp_path)
    record.write_text(record.read_text().replace(old, new, 1))
    with pytest.raises(bandkit.errors.BandkitError, match=message):
        bandkit.measure(record)


def test_a_radiograph_is_no_photograph(turned, tmp_path):
    _, written = turned
    record = copied(written, tmp_path)
    other = tmp_path / "TB-E004_P.toml"
    other.write_text(other.read_text().replace('kind = "photograph"', 'kind = "luminescence"'))
    with pytest.raises(RecordError, match=r"photograph\.record = \"TB-E004_P\.toml\": that record is of a luminescence"):
        bandkit.measure(record)


def test_pictures_of_one_colony_show_one_colony():
    slabs = pair(turns=0)
    below, above = slabs.radiograph.truth.tracks[0], slabs.photograph.truth.tracks[0]
    assert below.mark_depth_mm == pytest.approx(above.mark_depth_mm, abs=0.05)
