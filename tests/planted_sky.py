"""Planted sequences as star lists: real stars, a turning Earth, air, a lens, a tripod or tracker, and what is true.

Written apart from the code it tests: horizontal coordinates, refraction and mounts are stated here once more.
"""

from __future__ import annotations

from dataclasses import dataclass

import erfa
import numpy as np
from astropy.wcs import WCS
from scipy.spatial.transform import Rotation

from example_project.maker.sky import vectors_of
from pipeline.sky import catalogue
from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars

WIDTH, HEIGHT = 6060, 4040  # 36 x 24 mm, 5.94 um
JD = 2461267.4166667  # 2026-08-14 22:00 UTC
TT_MINUS_UTC = 69.184 / 86400
EARTH_RATE = 7.2921159e-5
CORNER = {14: -0.08, 20: -0.04, 24: -0.03, 35: -0.02, 50: -0.015, 85: 0.005, 135: 0.003, 200: 0.002, 300: 0.002}


def lens(mm: float) -> Camera:
    """A lens of a focal length with its usual distortion, its axis off the middle, an element tilted."""
    corner = np.hypot(18, 12) / mm
    share = CORNER[mm]
    return Camera(
        mm / 36 * WIDTH, (WIDTH - 1) / 2 + 7, (HEIGHT - 1) / 2 - 5,
        (1.3 * share / corner**2, -0.3 * share / corner**4, 0.0), (2e-5, -3e-5), WIDTH, HEIGHT,
    )  # fmt: skip


class Fisheye:
    """A fisheye without distortion whose projection is astropy's: "ARC" equidistant, "ZEA" equisolid, "STG"
    stereographic (Calabretta & Greisen 2002, A&A 395, 1077, 5.1). Nothing is seen beyond `edge_deg` off the axis."""

    def __init__(self, kind, mm, width=WIDTH, height=HEIGHT, sensor_mm=36.0, edge_deg=95.0):
        self.focal_px, self.width, self.height, self.edge_deg = mm / sensor_mm * width, width, height, edge_deg
        self.wcs = WCS(naxis=2)
        self.wcs.wcs.ctype = [f"RA---{kind}", f"DEC--{kind}"]
        # the axis is the pole of the WCS; right ascension runs from right (x) to down (y)
        self.wcs.wcs.crval, self.wcs.wcs.lonpole = [0.0, 90.0], 270.0
        self.wcs.wcs.crpix = [width / 2 + 7 + 1, height / 2 - 5 + 1]
        self.wcs.wcs.cdelt = [np.degrees(1 / self.focal_px)] * 2

    def project(self, vectors):
        """x, y of directions (..., 3); NaN beyond the edge."""
        angle = np.degrees(np.arctan2(np.hypot(vectors[..., 0], vectors[..., 1]), vectors[..., 2]))
        x, y = self.wcs.all_world2pix(np.degrees(np.arctan2(vectors[..., 1], vectors[..., 0])), 90 - angle, 0)
        return np.where(angle < self.edge_deg, x, np.nan), np.where(angle < self.edge_deg, y, np.nan)

    def unproject(self, x, y):
        """Directions of pixels; NaN beyond the edge."""
        ra, dec = self.wcs.all_pix2world(x, y, 0)
        return np.where((dec > 90 - self.edge_deg)[..., None], vectors_of(ra, dec), np.nan)


def detections(camera, vectors, magnitudes, rng, count, missing=0.3, false=0.3, noise=0.1):
    """x, y, flux of what is found of stars (camera's frame, brightest first); a share is missing, a share false."""
    x, y = camera.project(vectors)
    inside = (x >= 0) & (x <= camera.width - 1) & (y >= 0) & (y <= camera.height - 1)
    x, y, mag = x[inside][:count], y[inside][:count], magnitudes[inside][:count]
    keep = rng.random(len(x)) >= missing
    wrong = int(false * keep.sum() / (1 - false)) if false else 0
    x = np.r_[x[keep] + rng.normal(0, noise, keep.sum()), rng.uniform(0, camera.width - 1, wrong)]
    y = np.r_[y[keep] + rng.normal(0, noise, keep.sum()), rng.uniform(0, camera.height - 1, wrong)]
    mag = np.r_[mag[keep], rng.choice(mag, wrong)] + rng.normal(0, 0.05, len(x))
    order = np.argsort(mag)
    return x[order], y[order], 10 ** (-0.4 * (mag[order] - 15.0))


def random_field(camera, rng, count=300, lowest=0.05, **kinds):
    """x, y, flux of a field anywhere on the sky, and the rotation (ICRS to camera) that is true.

    `lowest` is the cosine of the widest angle off the axis.
    """
    stars = catalogue.load()
    turn = Rotation.random(random_state=int(rng.integers(1 << 31)))
    vectors = turn.apply(stars.vectors)
    front = vectors[:, 2] > lowest
    return *detections(camera, vectors[front], stars.magnitudes[front], rng, count, **kinds), turn


def _bent(true_deg, strength):
    h = np.maximum(true_deg, -1.0)
    return strength * 1.02 / 60 / np.tan(np.radians(h + 10.3 / (h + 5.11)))  # Saemundsson 1986


def raised(vectors, zenith, strength, inverse=False):
    """Directions raised by the air, or (by bisection of nothing but the forward formula) lowered again."""
    sine = np.clip(vectors @ zenith, -1, 1)
    h = np.degrees(np.arcsin(sine))
    if inverse:
        true = h.copy()
        for _ in range(60):
            true = true - 0.5 * (true + _bent(true, strength) - h)
        new = true
    else:
        new = h + _bent(h, strength)
    flat = vectors - sine[..., None] * zenith
    flat /= np.linalg.norm(flat, axis=-1, keepdims=True)
    new = np.radians(new)
    return np.cos(new)[..., None] * flat + np.sin(new)[..., None] * zenith


@dataclass
class Sequence:
    """Star lists of a run of frames, and the truth: attitudes (ICRS to camera), zeniths, camera."""

    camera: Camera
    frames: list
    attitudes: list
    zeniths: list
    jd: np.ndarray
    strength: float
    latitude: float
    longitude: float

    def true_map(self, frame, reference, x, y):
        """Where pixels of the reference really lie in a frame."""
        v = self.camera.unproject(x, y) @ self.attitudes[reference]
        v = raised(v, self.zeniths[reference], self.strength, inverse=True)
        return self.camera.project(raised(v, self.zeniths[frame], self.strength) @ self.attitudes[frame].T)

    def altitude(self, frame, x, y):
        """Altitude (degrees, as seen) of a frame's pixels."""
        return np.degrees(
            np.arcsin(np.clip(self.camera.unproject(x, y) @ self.attitudes[frame] @ self.zeniths[frame], -1, 1))
        )


def _aim(azimuth_deg, altitude_deg):
    a, h = np.radians([azimuth_deg, altitude_deg])
    forward = np.array([np.sin(a) * np.cos(h), np.cos(a) * np.cos(h), np.sin(h)])
    right = np.array([np.cos(a), -np.sin(a), 0.0])
    return np.stack([right, np.cross(forward, right), forward])


def sequence(
    mm, kind, frames=12, span_s=3600.0, altitude=30.0, azimuth=150.0, latitude=45.0, longitude=-30.0, strength=1.0,
    count=400, polar_deg=0.5, dither_px=12.0, creep_arcsec_h=20.0, blends_px=0.25, seed=1, camera=None, **kinds,
):  # fmt: skip
    """A tripod or tracked run, stars seen through air, a third blended with neighbours by some tenths of a pixel.

    `camera` is the lens where it is another than `lens(mm)`.
    """
    front = 0.1 if camera is None else -1.0
    camera, rng = camera or lens(mm), np.random.default_rng(seed)
    stars = catalogue.load()
    velocity = np.asarray(erfa.epv00(JD, TT_MINUS_UTC)[1]["v"]) / 173.1446326846693
    # only the brightest that make up the count within a frame, six times over
    share = np.prod(2 * np.arctan([18 / mm, 12 / mm])) / (4 * np.pi)
    vectors = stars.vectors[: int(6 * count / share) + 1000] + velocity
    vectors += rng.normal(0, blends_px / camera.focal_px, vectors.shape) * (rng.random((len(vectors), 1)) < 0.3)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    of_date = erfa.pnm06a(JD, TT_MINUS_UTC)
    seconds = np.linspace(0, span_s, frames) if frames > 1 else np.zeros(1)
    jd = JD + seconds / 86400
    lists, attitudes, zeniths = [], [], []
    for n in range(frames):
        lst = erfa.gst06a(JD, jd[n] - JD, JD, jd[n] - JD + TT_MINUS_UTC) + np.radians(longitude)
        lat = np.radians(latitude)
        up = np.array([np.cos(lat) * np.cos(lst), np.cos(lat) * np.sin(lst), np.sin(lat)])
        east = np.array([-np.sin(lst), np.cos(lst), 0.0])
        to_ground = np.stack([east, np.cross(up, east), up]) @ of_date
        zenith = to_ground[2]
        if kind == "tripod":
            creep = np.array([1.0, -1.0, 1.0]) * creep_arcsec_h * seconds[n] / 3600 * np.pi / 648000
            attitude = Rotation.from_rotvec(creep).as_matrix() @ _aim(azimuth, altitude) @ to_ground
        else:
            if n == 0:
                first, pole = _aim(azimuth, altitude) @ to_ground, of_date[2]
                across = np.cross(pole, zenith)
                axis = Rotation.from_rotvec(np.radians(polar_deg) * across / np.linalg.norm(across)).apply(pole)
            angle = EARTH_RATE * seconds[n]
            follow = Rotation.from_rotvec(angle * axis) * Rotation.from_rotvec(-angle * pole)
            shift = Rotation.from_rotvec([*(rng.normal(0, dither_px, 2) / camera.focal_px), 0.0])
            attitude = shift.as_matrix() @ first @ follow.as_matrix()
        up_here = (vectors @ zenith > 0.01) & (vectors @ attitude[2] > front)
        seen = raised(vectors[up_here], zenith, strength) @ attitude.T
        x, y, flux = detections(camera, seen, stars.magnitudes[: len(vectors)][up_here], rng, count, **kinds)
        lists.append(
            FrameStars(
                f"frame{n:03d}",
                np.stack([x, y], axis=1),
                flux,
                np.full(len(x), 1.0),
                np.full(len(x), 0.1),
                np.zeros(len(x), bool),
                float(seconds[n]),
            )
        )
        attitudes.append(attitude)
        zeniths.append(zenith)
    return Sequence(camera, lists, attitudes, zeniths, jd, strength, latitude, longitude)
