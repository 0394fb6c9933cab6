"""Which pixels are ground: the labelling that agrees best with stars, levels and edges, found as a least cut."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# Capacities are whole numbers.
UNIT = 64
HARD = 1_000_000
# Pixels within a gap from which it can be told whether they are of one level.
INNER_LEAST = 3


def least_cut(odds: Floats, across: Floats, down: Floats, open_: Bools, ground: Bools) -> Bools:
    """Label cells ground or sky so that the sum of what labels and borders cost is least.

    With `odds` the log of how much likelier a cell is ground than sky, the sum is over cells of ``odds`` where they are
    called sky and of ``-odds`` where they are called ground (whichever is positive), and over neighbours (4 to a cell)
    with different labels of what the border between them costs.

    Parameters
    ----------
    odds : (rows, columns) float32 array
    across : (rows, columns - 1) float32 array, cost of a border between a cell and the next in its row
    down : (rows - 1, columns) float32 array, between a cell and the next in its column
    open_ : (rows, columns) bool array, the cells to be labelled; what is not keeps its label
    ground : (rows, columns) bool array, labels of those that are not to be labelled

    Returns
    -------
    (rows, columns) bool array, True where ground

    References
    ----------
    Boykov, Y. & Jolly, M.-P. 2001, Proc. ICCV 1, 105; Greig, D., Porteous, B. & Seheult, A. 1989, JRSS B 51, 271.
    """
    count = int(open_.sum())
    if not count:
        return ground.copy()
    node = np.full(open_.shape, -1, np.int32)
    node[open_] = np.arange(count, dtype=np.int32)
    pull = np.rint(odds[open_] * UNIT).astype(np.int64)
    starts, ends, sizes = [], [], []
    for axis, borders in ((1, across), (0, down)):
        near = tuple(slice(None, -1) if a == axis else slice(None) for a in (0, 1))
        next_ = tuple(slice(1, None) if a == axis else slice(None) for a in (0, 1))
        matters = open_[near] | open_[next_]
        weights = np.rint(UNIT * borders[matters]).astype(np.int64)
        one, other = node[near][matters], node[next_][matters]
        inner = (one >= 0) & (other >= 0)
        starts.append(one[inner])
        ends.append(other[inner])
        sizes.append(weights[inner])
        # a neighbour whose label is known pulls with the border's cost
        for mine, theirs, place in ((one, other, ground[next_][matters]), (other, one, ground[near][matters])):
            known = (mine >= 0) & (theirs < 0)
            np.add.at(pull, mine[known], np.where(place[known], weights[known], -weights[known]))
    first, second, weight = np.concatenate(starts), np.concatenate(ends), np.concatenate(sizes)
    source, sink = count, count + 1
    numbers = np.arange(count)
    pull = np.clip(pull, -HARD, HARD)
    likely, unlikely = numbers[pull > 0], numbers[pull < 0]
    rows = np.concatenate([first, second, np.full(len(likely), source), unlikely])
    columns = np.concatenate([second, first, likely, np.full(len(unlikely), sink)])
    capacity = np.concatenate([weight, weight, pull[likely], -pull[unlikely]]).astype(np.int32)
    network = sparse.csr_matrix((capacity, (rows, columns)), shape=(count + 2, count + 2))
    left = network - maximum_flow(network, source, sink).flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = breadth_first_order(left, source, return_predecessors=False)
    label = np.zeros(count + 2, bool)
    label[reached] = True
    result = ground & ~open_
    result[open_] = label[:count]
    return result


def rooted(ground: Bools, roots: Bools) -> Bools:
    """The regions of ground (8 neighbours a pixel) that hold a root."""
    labels, count = ndimage.label(ground, structure=np.ones((3, 3)))
    holds = np.zeros(count + 1, bool)
    holds[labels[roots & ground]] = True
    return np.asarray(holds[labels])


def filled(ground: Bools, odds: Floats, stars: Bools, most: int, bright: Bools, alike: Bools) -> Bools:
    """Ground without holes: a region of sky is one where stars were seen, or a gap that looks like sky.

    Where the ground is brighter than the sky its dark places look like gaps: rock in snow, shadow under a lamp. But
    they pass through the sky's level, where a gap is as even as the sky: half of what lies within it, not at its rim,
    is as near to that level as half of the sky is.

    Parameters
    ----------
    ground, odds : as of `least_cut`
    stars : (rows, columns) bool array, where stars were seen
    most : pixels of the largest gap that is believed to be sky because it looks it (its mean odds below -1/2)
    bright : (rows, columns) bool array, where the ground about is brighter than the sky
    alike : (rows, columns) bool array, pixels as near to the sky's level as half of the sky's own are
    """
    labels, count = ndimage.label(~ground)
    if count < 2:
        return ground
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    level = np.bincount(labels.ravel(), weights=odds.ravel(), minlength=count + 1)
    starry = np.zeros(count + 1, bool)
    starry[labels[stars]] = True
    before_bright = np.bincount(labels.ravel(), weights=bright.ravel(), minlength=count + 1)
    gaps = (before_bright < 0.5 * sizes) | _even(labels, count, alike)
    gaps &= (sizes <= most) & (level < -0.5 * sizes)
    keep = gaps | starry | (sizes >= sizes[1:].max())
    keep[0] = True
    return np.asarray(ground | ~keep[labels])


def even_gaps(ground: Bools, alike: Bools) -> Bools:
    """What lies within the gaps of the ground, sky but for its largest part, that are as even as the sky, and is of its
    level; arguments as of `filled`."""
    labels, count = ndimage.label(~ground)
    even = _even(labels, count, alike)
    even[[0, int(np.bincount(labels[~ground], minlength=1).argmax())]] = False
    return np.asarray(even[labels] & alike & ndimage.binary_erosion(~ground))


def _even(labels: NDArray[np.int32], count: int, alike: Bools) -> Bools:
    """Which of the labelled parts are of one level but for their rim; what is all rim is not known to be."""
    within = ndimage.binary_erosion(labels > 0)
    inner, even = (np.bincount(labels[part], minlength=count + 1) for part in (within, within & alike))
    return np.asarray((inner >= INNER_LEAST) & (even >= inner / 2))
