"""What all tests share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from fake_slabs import FakeMeasure
from hypothesis import settings

# A slow or shared machine is no reason for a failure, and the same commit always tries the same examples.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def demo_images() -> Path:
    """Folder of the demo slabs."""
    return ROOT / "demo_images"


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of real images and tables, which are not part of the project; named by an environment variable."""
    folder = os.environ.get("BANDKIT_REAL_DATA")
    if not folder:
        pytest.skip("BANDKIT_REAL_DATA is not set: real images are not part of the project")
    return Path(folder)


@pytest.fixture
def fake_measure(monkeypatch: pytest.MonkeyPatch) -> FakeMeasure:
    """Measure nothing, quickly; see `fake_slabs`."""
    measure = FakeMeasure()
    monkeypatch.setattr("bandkit.pipeline.measure", measure)
    # Drawing takes most of the time of writing a slab and is tested elsewhere.
    monkeypatch.setattr("bandkit.output.figure.slab_figure", lambda _result: None)
    monkeypatch.setattr("bandkit.output.figure.png_bytes", lambda _figure: b"png")
    return measure
