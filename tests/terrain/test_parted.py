"""Ground that sheer steps part from all other ground."""

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geoseptic.terrain.parted import FEWEST_CELLS, SHEER_M, has_sheer_steps, parted_ground


def hillside(rows: int = 40, cols: int = 50) -> np.ndarray:
    return (120 + np.add.outer(np.arange(rows) * 0.3, np.arange(cols) * 0.2)).astype(np.float32)


@pytest.mark.parametrize("how", ["two numbers", "noise", "a ramp"])
def test_an_undeclared_number_that_is_not_quite_one_is_told(how):
    """9999 ft with another beside it, with the noise of a lossy file, or rising by a little: one piece of as many cells, with its place."""
    ground = hillside()
    shape = (12, 15)
    patch = np.full(shape, 3047.7, np.float32)
    if how == "two numbers":
        patch[(np.add.outer(np.arange(12), np.arange(15)) % 2).astype(bool)] = 3047.4
    elif how == "noise":
        patch += np.random.default_rng(5).normal(0, 0.015, shape).astype(np.float32)
    else:
        patch += (np.arange(15) * 0.0003).astype(np.float32)
    ground[10:22, 20:35] = patch
    (piece,) = parted_ground(ground, 2.0)
    assert (piece.cells, piece.row, piece.col) == (180, 10, 20)
    assert piece.height_m == pytest.approx(3047.7, abs=1) and piece.beside_m < 150


def test_a_quarter_in_feet_is_told():
    """A part of one raster in another unit stands off along its whole inner border."""
    ground = hillside()
    ground[:20, :25] /= 0.3048
    (piece,) = parted_ground(ground, 2.0)
    assert piece.cells == 500


def test_a_cliff_that_ends_somewhere_and_ground_behind_gaps_are_no_pieces():
    """What can be reached round the end of a cliff is one ground; so is nothing said of an island in ground that nobody knows."""
    ground = hillside()
    ground[:30, 25:] += 80
    ground[30:, 25:] += np.linspace(80, 0, 10)[:, None].astype(np.float32)
    assert has_sheer_steps(ground, 2.0) and parted_ground(ground, 2.0) == []
    ground = hillside()
    ground[5:15, 5:15] += 500
    ground[[4, 15], 4:16] = np.nan
    ground[4:16, [4, 15]] = np.nan
    assert not has_sheer_steps(ground, 2.0) and parted_ground(ground, 2.0) == []


def test_plain_ground_has_no_sheer_steps():
    assert not has_sheer_steps(hillside(), 2.0)


@pytest.mark.parametrize("seed", range(12))
def test_pieces_are_the_components_of_the_graph_of_gentle_steps(seed):
    """Random ground with gaps: as many pieces, of as many cells, as scipy's connected components give."""
    random = np.random.default_rng(seed)
    ground = (random.integers(0, 3, (23, 31)) * 40.0).astype(np.float32)
    ground[random.random(ground.shape) < 0.1] = np.nan
    number = np.arange(ground.size).reshape(ground.shape)
    pairs = [(number[:-1], number[1:], ground[:-1], ground[1:]), (number[:, :-1], number[:, 1:], ground[:, :-1], ground[:, 1:])]
    edges = [(one[near], other[near]) for one, other, low, high in pairs for near in [np.abs(high - low) <= SHEER_M]]
    rows, cols = (np.concatenate([edge[side] for edge in edges]) for side in (0, 1))
    _, labels = connected_components(coo_array((np.ones(len(rows)), (rows, cols)), shape=(ground.size, ground.size)), directed=False)
    labels[np.isnan(ground.ravel())] = -1
    touching = {
        int(label) for one, other, low, high in pairs for far in [np.abs(high - low) > SHEER_M]
        for label in (*labels[one[far]], *labels[other[far]])
    }  # fmt: skip
    sizes = sorted((int((labels == label).sum()) for label in touching), reverse=True)
    expected = [size for size in sizes if size >= FEWEST_CELLS][1:]
    assert [piece.cells for piece in parted_ground(ground, 2.0)] == expected
