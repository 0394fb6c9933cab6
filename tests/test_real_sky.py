"""Real frames of a small drifting field, nameless and without folders to go by, from card to picture.

The figures asked for are those stated with the frames: dark noise about 11.4 ADU, about 2,000 hot pixels, rigid
registration residual 0.23 px or less.
"""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from pipeline.files import read_json
from tests.conftest import ROOT, moonless

REAL = ROOT.parent / "shared" / "real-sky"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not REAL.is_dir(), reason="the real frames (../shared/real-sky) are not here"),
]


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    """The one scene's folder."""
    project = tmp_path_factory.mktemp("real")
    (project / "trip.yaml").write_text(f"frames: ['{REAL}']\n")
    moonless("run", project, check=0)
    (folder,) = [p for p in (project / "results").iterdir() if p.is_dir()]
    return folder


def test_lights_and_darks_are_told_by_what_they_show(scene):
    """24 lights make one scene, 10 darks one set, and the set is used."""
    inventory = Table.read(scene.parent / "inventory.ecsv", format="ascii.ecsv")
    kinds = {str(row["file"]).split("/")[-2]: str(row["kind"]) for row in inventory}
    assert kinds == {"field": "light", "caps": "dark"}
    assert len(inventory) == 34
    assert read_json(scene / "scene.json")["darks"]["number"] == 10


def test_every_frame_is_kept_or_has_a_reason(scene):
    """By eye all 24 are sound; a frame set aside would have to say why."""
    rows = Table.read(scene / "frames.ecsv", format="ascii.ecsv")
    assert len(rows) == 24
    assert np.sum(rows["verdict"] == "kept") >= 22
    for row in rows[rows["verdict"] == "set aside"]:
        assert str(row["reasons"])


def test_frames_are_placed_and_stars_stay_small(scene):
    """Without one catalogue star in the field: residual 0.25 px at most, sizes within 3 % of the reference frame's."""
    figures = read_json(scene / "scene.json")
    assert figures["registration_rms_px"] <= 0.25
    assert figures["size_ratio"] == pytest.approx(1, abs=0.03)


def test_noise_is_what_the_frames_and_their_number_predict(scene):
    """Within 10 % of theory."""
    figures = read_json(scene / "scene.json")
    assert figures["noise_ratio"] == pytest.approx(1, abs=0.1)
    assert figures["noise_frame"] / figures["noise_combined"] == pytest.approx(np.sqrt(figures["frames_kept"]), rel=0.1)


def test_hot_pixels_are_gone(scene):
    """Of some 2,000 hot pixels hardly one is left: no pixel stands alone above all its neighbours as no star can."""
    green = fits.getdata(scene / "combined.fits")[1].astype(float)
    sigma = float(np.median(fits.getdata(scene / "combined.fits", "NOISE")[1]))
    inner = green[160:-160, 160:-160]  # where all frames overlap
    rings = [
        np.roll(green, (dy, dx), (0, 1))[160:-160, 160:-160]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
        if (dy, dx) != (0, 0)
    ]
    # a star of FWHM 2.2 px has more than half of its peak in its nearest neighbour
    around = np.max(rings, axis=0) - np.median(green)
    alone = (inner - np.median(green) > 8 * sigma) & (around < 0.25 * (inner - np.median(green)))
    assert alone.sum() <= 2
