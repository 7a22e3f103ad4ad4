"""Made-up ground for the tests of the terrain kernels, and plain Python ways to walk over it."""

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from geoseptic.terrain.drainage import STEP_COL, STEP_ROW

Floats = npt.NDArray[np.float32]
Cell = tuple[int, int]

STEPS = [(int(row), int(col)) for row, col in zip(STEP_ROW, STEP_COL, strict=True)]
LENGTHS = [math.hypot(row, col) for row, col in STEPS]


def plane(
    shape: tuple[int, int], cell_size_m: float, slope_percent: float, falls_to_degrees: float, base_m: float = 0.0
) -> npt.NDArray[np.float64]:
    """A plane that falls toward a direction counted from east anticlockwise; rows grow southward. [m]"""
    row, col = np.indices(shape)
    toward = math.radians(falls_to_degrees)
    run_m = (col * math.cos(toward) - row * math.sin(toward)) * cell_size_m
    return base_m - slope_percent / 100 * run_m


def rough(shape: tuple[int, int], seed: int, steps_m: float = 0.0, holes: float = 0.0) -> Floats:
    """A slope with noise of all sizes; heights in whole `steps_m` (which makes level ground and ties), a share of cells unknown. [m]"""
    generator = np.random.default_rng(seed)
    row, col = np.indices(shape)
    height = 0.06 * row + 0.02 * col + generator.normal(0, 0.05, shape)
    for size in (4, 11, 29):
        bumps = generator.normal(0, 0.02 * size, (shape[0] // size + 2, shape[1] // size + 2))
        height += np.kron(bumps, np.ones((size, size)))[: shape[0], : shape[1]]
    if steps_m:
        height = np.round(height / steps_m) * steps_m
    height[generator.random(shape) < holes] = np.nan
    return height.astype(np.float32)


def neighbours(shape: tuple[int, int], cell: Cell) -> Iterator[tuple[int, Cell]]:
    """Number and place of each neighbour inside the raster."""
    for k, (row_step, col_step) in enumerate(STEPS):
        row, col = cell[0] + row_step, cell[1] + col_step
        if 0 <= row < shape[0] and 0 <= col < shape[1]:
            yield k, (row, col)


def receivers_of(receivers: npt.NDArray[np.uint8], cell: Cell) -> list[tuple[int, Cell]]:
    """Where a cell drains; a receiver outside the raster would be missed, so its bit must not be set."""
    found = [(k, place) for k, place in neighbours(receivers.shape, cell) if receivers[cell] >> k & 1]
    assert len(found) == int(receivers[cell]).bit_count(), f"{cell} drains out of the raster"
    return found


def cells(shape: tuple[int, int]) -> Iterator[Cell]:
    return ((row, col) for row in range(shape[0]) for col in range(shape[1]))
