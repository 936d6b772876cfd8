"""Practice sets and demo slabs on disk."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from bandkit.errors import InputError, OutputError
from bandkit.simulate import write_demo_images, write_practice_set

DEMO_FOLDER = Path(__file__).parents[1] / "demo_images"
DEMO_LIMIT_BYTES = 8_000_000


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    return write_practice_set(folder, seed=3, n=5)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return write_demo_images(folder)


def test_practice_set_has_every_kind(practice):
    records = [tomllib.loads(path.read_text(encoding="utf-8")) for path in practice]
    kinds = ["radiograph", "radiograph", "photograph", "radiograph", "luminescence"]
    assert [r["image"]["kind"] for r in records] == kinds
    assert len({r["specimen"]["id"] for r in records}) == 5
    for path, record in zip(practice, records, strict=True):
        assert record["record"] == 1
        assert (path.parent / record["image"]["file"]).is_file()
        assert record["scale"]["bar"]["length_mm"] == 50.0
        assert record["track"][0]["width_mm"] == 5.0


def test_truth_lies_beside_the_record(practice):
    for path in practice:
        truth = json.loads((path.parent / f"{path.stem}_truth.json").read_text(encoding="utf-8"))
        assert truth["specimen"] == path.stem
        track = truth["tracks"][0]
        assert len(track["year"]) == len(track["extension_mm_yr"]) == len(track["mark_depth_mm"]) - 1
        assert truth["settings"]["seed"] >= 3


def test_radiograph_is_sixteen_bit_with_its_resolution(practice):
    record = tomllib.loads(practice[0].read_text(encoding="utf-8"))
    truth = json.loads((practice[0].parent / f"{practice[0].stem}_truth.json").read_text(encoding="utf-8"))
    with tifffile.TiffFile(practice[0].parent / record["image"]["file"]) as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16
        numerator, denominator = page.tags["XResolution"].value
    assert 10 * denominator / numerator == pytest.approx(truth["mm_per_px"], rel=1e-4)


def test_stains_of_the_record_are_those_of_the_truth(practice):
    record = tomllib.loads(practice[2].read_text(encoding="utf-8"))
    truth = json.loads((practice[2].parent / f"{practice[2].stem}_truth.json").read_text(encoding="utf-8"))
    assert [s["date"].isoformat() for s in record["stain"]] == truth["tracks"][0]["stain_date"]
    assert all(s["date"] < record["specimen"]["collected"] for s in record["stain"])


def test_records_are_valid(practice, demo):
    record_module = pytest.importorskip("bandkit.record")
    for path in (*practice, *demo):
        record = record_module.read_record(path)
        assert record.specimen.id == path.stem
        assert record.image.path.is_file()
        assert record.tracks


@pytest.mark.parametrize(("arguments", "message"), [
    ({"n": 0}, r"n: must be 1 or more slabs, got 0"), ({"seed": -1}, r"seed: must be 0 or more, got -1")])
def test_wrong_numbers_are_named(tmp_path, arguments, message):
    with pytest.raises(InputError, match=message):
        write_practice_set(tmp_path, **arguments)


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    with pytest.raises(OutputError, match=r"TB-E000 cannot be written \(.+\); choose another folder"):
        write_practice_set(tmp_path / "file" / "set", n=1)


def test_demo_slabs_are_three_and_small(demo):
    assert [path.stem for path in demo] == ["TB-07", "TB-12", "TB-19"]
    folder = demo[0].parent
    assert sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) < DEMO_LIMIT_BYTES
    assert sorted(f.name for f in (folder / "truth").iterdir()) == [f"TB-{n}_truth.json" for n in ("07", "12", "19")]


def test_demo_stained_slab_has_two_stainings(demo):
    record = tomllib.loads(demo[1].read_text(encoding="utf-8"))
    assert len(record["stain"]) == 2
    with Image.open(demo[1].parent / record["image"]["file"]) as picture:
        assert picture.mode == "RGB"


def test_demo_mask_lies_on_the_boring(demo):
    record = tomllib.loads(demo[0].read_text(encoding="utf-8"))
    image = tifffile.imread(demo[0].parent / record["image"]["file"])
    x, y = np.mean(record["mask"][0]["polygon_px"], axis=0).astype(int)
    hole, beside = image[y - 8:y + 9, x - 8:x + 9], image[y - 8:y + 9, x - 140:x - 100]
    assert hole.mean() < beside.mean() - 4 * beside.std()


@pytest.mark.skipif(not DEMO_FOLDER.is_dir(), reason="the demo slabs are not part of an installed package")
def test_stored_demo_slabs_are_the_ones_that_are_made(demo):
    for path in demo:
        assert (DEMO_FOLDER / path.name).read_text(encoding="utf-8") == path.read_text(encoding="utf-8")
        truth = f"{path.stem}_truth.json"
        stored = json.loads((DEMO_FOLDER / "truth" / truth).read_text(encoding="utf-8"))["tracks"]
        made = json.loads((path.parent / "truth" / truth).read_text(encoding="utf-8"))["tracks"]
        for a, b in zip(stored, made, strict=True):
            assert a["mark_year"] == b["mark_year"]
            assert a["mark_depth_mm"] == pytest.approx(b["mark_depth_mm"], abs=1e-3)
