"""Normal equations of a bundle adjustment: parameters that all frames share, three of each frame, two of each star.

The stars are eliminated by their Schur complement: what is left is as large as the shared and the frames' parameters.

References
----------
Triggs, B. et al. 2000, "Bundle adjustment: a modern synthesis", LNCS 1883, 298-372, chapter 6.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


class Groups:
    """The orders in which observations are summed: by frame, as they lie, and by star.

    Parameters
    ----------
    frame, star : (n,) int, of each observation; sorted by frame
    frames, stars : how many there are
    """

    def __init__(self, frame: Ints, star: Ints, frames: int, stars: int) -> None:
        if np.any(np.diff(frame) < 0):
            raise ValueError("observations must be sorted by frame")
        self.frame, self.star, self.frames, self.stars = frame, star, frames, stars
        self.bounds = np.searchsorted(frame, np.arange(frames + 1))
        self._order = np.argsort(star, kind="stable")
        self._present, self._starts = np.unique(star[self._order], return_index=True)

    def by_star(self, values: Floats) -> Floats:
        """Sums (stars, ...) of values (n, ...) over the observations of each star."""
        result = np.zeros((self.stars, *values.shape[1:]))
        result[self._present] = np.add.reduceat(values[self._order], self._starts, axis=0)
        return result


@dataclass(frozen=True)
class Linearised:
    """The observations about a model, each multiplied by the root of its weight.

    Parameters
    ----------
    slopes : (n, 2, shared + 3) derivatives of x and y by the shared parameters and those of the frame
    star_slopes : (n, 2, 2) derivatives by those of the star
    residual : (n, 2) what was seen less the model
    shared : how many parameters all frames share
    """

    slopes: Floats
    star_slopes: Floats
    residual: Floats
    shared: int


def frame_equations(seen: Linearised, groups: Groups) -> tuple[Floats, Floats]:
    """Matrix and right side for shared and frames' parameters, stars held."""
    shared, slopes, residual = seen.shared, seen.slopes, seen.residual
    size = shared + 3 * groups.frames
    normal, right = np.zeros((size, size)), np.zeros(size)
    for n, (a, b) in enumerate(zip(groups.bounds[:-1], groups.bounds[1:], strict=True)):
        at = slice(shared + 3 * n, shared + 3 * n + 3)
        if a == b:
            normal[at, at] += np.eye(3)
            continue
        j = slopes[a:b].reshape(-1, shared + 3)
        block, force = j.T @ j, j.T @ residual[a:b].ravel()
        normal[:shared, :shared] += block[:shared, :shared]
        normal[:shared, at] = block[:shared, shared:]
        normal[at, :shared] = block[shared:, :shared]
        normal[at, at] = block[shared:, shared:]
        right[:shared] += force[:shared]
        right[at] = force[shared:]
    return normal, right


def star_equations(seen: Linearised, groups: Groups) -> tuple[Floats, Floats, Floats]:
    """Matrices (stars, 2, 2) and right sides (stars, 2) of the stars' own parameters, all else held, and (stars, 2,
    size) what ties them to shared and frames' parameters."""
    shared, slopes, star_slopes = seen.shared, seen.slopes, seen.star_slopes
    normal = groups.by_star(np.einsum("nij,nik->njk", star_slopes, star_slopes))
    right = groups.by_star(np.einsum("nij,ni->nj", star_slopes, seen.residual))
    cross = np.zeros((groups.stars, 2, shared + 3 * groups.frames))
    cross[:, :, :shared] = groups.by_star(np.einsum("nij,nik->njk", star_slopes, slopes[:, :, :shared]))
    columns = shared + 3 * groups.frame[:, None] + np.arange(3)
    cross[groups.star[:, None], :, columns] = np.einsum("nij,nik->nkj", star_slopes, slopes[:, :, shared:])
    return normal, right, cross


class Elimination:
    """The stars taken out of the equations, by Cholesky factors of their 2 x 2 matrices, written out.

    Parameters
    ----------
    normal, right, cross : as `star_equations` gives them
    """

    def __init__(self, normal: Floats, right: Floats, cross: Floats) -> None:
        self._l00 = np.sqrt(normal[:, 0, 0])
        self._l10 = normal[:, 1, 0] / self._l00
        self._l11 = np.sqrt(normal[:, 1, 1] - self._l10 * self._l10)
        self._cross = np.empty_like(cross)
        self._cross[:, 0] = cross[:, 0] / self._l00[:, None]
        self._cross[:, 1] = (cross[:, 1] - self._l10[:, None] * self._cross[:, 0]) / self._l11[:, None]
        self._right = np.empty_like(right)
        self._right[:, 0] = right[:, 0] / self._l00
        self._right[:, 1] = (right[:, 1] - self._l10 * self._right[:, 0]) / self._l11

    def reduce(self, normal: Floats, right: Floats) -> None:
        """Take from the frames' equations, in place, what the stars will take up."""
        flat = self._cross.reshape(-1, len(right))
        normal -= flat.T @ flat
        right -= flat.T @ self._right.ravel()

    def star_steps(self, step: Floats) -> Floats:
        """(stars, 2) steps of the stars that go with a step of all else."""
        rest = self._right - self._cross @ step
        result = np.empty_like(rest)
        result[:, 1] = rest[:, 1] / self._l11
        result[:, 0] = (rest[:, 0] - self._l10 * result[:, 1]) / self._l00
        return result


def solve_balanced(normal: Floats, right: Floats, asked: Ints) -> tuple[Floats, Floats]:
    """The solution, and the variances of those of its values that are asked for, others free.

    Rows and columns are brought to like size first: pixels, radians and strengths lie orders of magnitude apart.
    """
    size = len(right)
    balance = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    sides = np.concatenate([(right * balance)[:, None], np.eye(size)[:, asked]], axis=1)
    solved = balance[:, None] * np.linalg.solve(normal * np.outer(balance, balance) + 1e-12 * np.eye(size), sides)
    return solved[:, 0], balance[asked] * solved[asked, 1 + np.arange(len(asked))]
