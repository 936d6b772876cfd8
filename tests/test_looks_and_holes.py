"""Two looks at the bands, and what is left out of the averages as boring or infill."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from bandkit.follow import AlignedStrip, align_bands, follow_bands, two_looks, without_holes
from bandkit.follow.field import BIN_WIDTH_MM, BINS_PER_LOOK, look_of

DEPTH = np.arange(0, 120, 0.1)
ACROSS = np.arange(-25, 25.01, 0.2)


def texture(seed: int, sd: float) -> np.ndarray:
    """Corallites: a millimetre wide, three long."""
    noise = gaussian_filter(np.random.default_rng(seed).standard_normal((len(DEPTH), len(ACROSS))), (15, 2.5))
    return sd * noise / noise.std()


def slab(cycle: float, *, seed: int = 0, texture_sd: float = 0.1) -> np.ndarray:
    return 1.0 + cycle * np.cos(2 * np.pi * DEPTH / 9.0)[:, None] + texture(seed, texture_sd)


def agreement(values: np.ndarray) -> float:
    field = follow_bands(values, DEPTH, ACROSS)
    looks = two_looks(values, DEPTH, ACROSS, field, width_mm=50.0)
    return float(np.corrcoef(*(look - look.mean() for look in looks[:, 100:-100]))[0, 1])


def test_looks_take_turns_in_blocks_of_columns():
    bins = np.arange(8) * BIN_WIDTH_MM
    assert look_of(bins, bins).tolist() == [k // BINS_PER_LOOK % 2 for k in range(8)]
    assert set(look_of(ACROSS, np.arange(-16, 17) * BIN_WIDTH_MM)) == {0, 1}


def test_looks_agree_on_bands_and_not_on_texture():
    assert agreement(slab(0.15)) > 0.9
    assert max(agreement(slab(0.0, seed=seed)) for seed in range(3)) < 0.45


def test_narrow_strip_has_no_two_looks():
    near = np.abs(ACROSS) <= 6
    values = slab(0.15)[:, near]
    field = follow_bands(values, DEPTH, ACROSS[near])
    assert field.halves == ()
    assert two_looks(values, DEPTH, ACROSS[near], field, width_mm=50.0) is None


def level(values: np.ndarray) -> AlignedStrip:
    return AlignedStrip(values=values, weight=np.isfinite(values).astype(float), across_mm=ACROSS)


@pytest.mark.parametrize("left_frac", [0.1, 2.0], ids=["boring", "infill"])
def test_holes_are_left_out_and_the_mean_is_that_of_the_skeleton(left_frac):
    values = slab(0.0, texture_sd=0.05)
    bored = values.copy()
    hole = (slice(300, 400), slice(100, 150))  # 10 x 10 mm on the track
    bored[hole] *= left_frac
    kept, left_out_frac = without_holes(level(bored), DEPTH)
    assert not kept.weight[hole].any()
    assert np.isnan(kept.values[hole]).all()
    assert left_out_frac == pytest.approx(100 * 50 / values.size, rel=0.5)
    mean, _ = kept.mean(50.0, weighted=False)
    np.testing.assert_allclose(mean[300:400], level(values).mean(50.0, weighted=False)[0][300:400], atol=0.02)


@pytest.mark.parametrize("texture_sd", [0.05, 0.15, 0.25])
def test_texture_is_not_full_of_holes(texture_sd):
    _, left_out_frac = without_holes(level(slab(0.15, texture_sd=texture_sd)), DEPTH)
    assert left_out_frac < 0.01


def test_few_columns_tell_nothing_of_holes():
    values = np.ones((100, 5))
    values[40:60] = 0.1
    strip = AlignedStrip(values=values, weight=np.ones_like(values), across_mm=np.arange(-2, 3) * 0.2)
    kept, left_out_frac = without_holes(strip, DEPTH[:100])
    assert kept is strip
    assert left_out_frac == 0.0


def test_aligned_strip_keeps_its_shape():
    values = slab(0.15)
    field = follow_bands(values, DEPTH, ACROSS)
    assert align_bands(values, DEPTH, ACROSS, field).values.shape == values.shape
