"""What need not be searched: directions and layouts for which there is no room however finely one looks."""

import math

import numpy as np
from numba import njit

from geoseptic.parcels.fitgrid import grid_over, inside_cells, turned
from geoseptic.parcels.fitground import Trenches, keep_good_middles
from geoseptic.parcels.fitroom import Grid, Tries, blocks, look_for_level

NEAR_ENOUGH = 1.25
"""A trench that falls so many times too much will not do either when it is moved by a cell."""

ROUGH_STEP_M = 3.0
"""Steps along such a trench."""

FAR_OFF = 2**30
"""A row or column that no grid has."""


@njit(cache=True, nogil=True)
def worth_trying(rings, spare_rings, same, tries, cell, most_cells, least_kind, work, patch):  # type: ignore[no-untyped-def]
    """`tries` without all that cannot give an answer of `least_kind` in the finest search. Parameters as of `search`.

    A rectangle inside the envelope touches a block of cells, all of which the envelope touches, and of which all but the rim lie wholly
    inside with their middle on good ground. Where there is no such block there is no room, however finely one looks: this is exact. That
    trenches cannot lie near any such block, even with `NEAR_ENOUGH` times the drop, is not proof but as good.
    """
    keep = np.zeros(tries.turns.size, np.bool_)
    open_fields, open_reserves = np.zeros_like(tries.fields), np.zeros_like(tries.reserves)
    alike = same and np.array_equal(work.fields, work.reserves)
    loose = Trenches(work.trenches.width_m, work.trenches.pitch_m, NEAR_ENOUGH * work.trenches.drop_m)
    for number in range(tries.turns.size):
        cosine, sine = math.cos(tries.turns[number]), math.sin(tries.turns[number])
        outline = turned(rings, cosine, sine)
        spare_outline = outline if same else turned(spare_rings, cosine, sine)
        left, bottom, side, rows, cols = grid_over(outline, spare_outline, cell, most_cells)
        inner, touched = inside_cells(outline, left, bottom, side, rows, cols)
        keep_good_middles(inner, left, bottom, side, cosine, sine, patch)
        fields = blocks(inner, touched, cols, work.fields, tries.fields[number], side)
        if fields.places.max() == 0:
            continue
        if not same:
            inner, touched = inside_cells(spare_outline, left, bottom, side, rows, cols)
            keep_good_middles(inner, left, bottom, side, cosine, sine, patch)
        spares = fields
        if not alike or not np.array_equal(tries.fields[number], tries.reserves[number]):
            spares = blocks(inner, touched, cols, work.reserves, tries.reserves[number], side)
        if _keep_open(fields.ends, spares.ends, least_kind, work, side, open_fields[number], open_reserves[number]):
            grid = Grid(left, bottom, side, cosine, sine)
            keep[number] = _keep_level(fields, spares, least_kind, work, grid, loose, patch, open_fields[number], open_reserves[number])
    return Tries(tries.turns[keep], open_fields[keep], open_reserves[keep])


@njit(cache=True, nogil=True)
def _keep_level(fields, spares, least_kind, work, grid, trenches, patch, open_fields, open_reserves):  # type: ignore[no-untyped-def]
    """As `_keep_open` by the places where the ground lets trenches lie, of what that left open; no end is sought that decides nothing."""
    was_open, was_open_reserve = open_fields.copy(), open_reserves.copy()
    open_fields[:] = False
    open_reserves[:] = False
    apart, spare_apart = _apart(work.fields, work.gap_m, grid.cell), _apart(work.reserves, work.gap_m, grid.cell)
    ends, spare_ends, levels, spare_levels = fields.ends, spares.ends, fields.level, spares.level
    for option in range(was_open.size):
        if not was_open[option]:
            continue
        if levels[option, 0] == -2:
            look_for_level(fields, option, np.int64(0), work.fields, grid, trenches, patch, ROUGH_STEP_M)
        if levels[option, 0] < 0:
            continue
        if least_kind == 1 or was_open_reserve.size == 0:
            open_fields[option] = True
        for spare in range(was_open_reserve.size):
            if not was_open_reserve[spare] or (open_fields[option] and open_reserves[spare]):
                continue
            if spare_levels[spare, 0] == -2:
                look_for_level(spares, spare, np.int64(0), work.reserves, grid, trenches, patch, ROUGH_STEP_M)
            if spare_levels[spare, 0] < 0:
                continue
            for end, axis in ((1, 0), (3, 1)):
                # The reserve above the field or to its right, then below it or to its left.
                least, spare_least = apart[option, axis], spare_apart[spare, axis]
                if (
                    spare_ends[spare, end] - ends[option, end - 1] >= least
                    and _lie_apart(spares, spare, work.reserves, fields, option, work.fields, end, least, grid, trenches, patch)
                ) or (
                    ends[option, end] - spare_ends[spare, end - 1] >= spare_least
                    and _lie_apart(fields, option, work.fields, spares, spare, work.reserves, end, spare_least, grid, trenches, patch)
                ):
                    open_fields[option] = True
                    open_reserves[spare] = True
                    break
    return open_fields.any()


@njit(cache=True, nogil=True)
def _lie_apart(upper, up, up_layouts, lower, down, down_layouts, end, least, grid, trenches, patch):  # type: ignore[no-untyped-def]
    """Whether the ground lets trenches of layout `up` lie so many cells above (`end` 1) or to the right (3) of those of layout `down`."""
    if upper.level[up, end] == -2:
        look_for_level(upper, up, end, up_layouts, grid, trenches, patch, ROUGH_STEP_M)
    if upper.level[up, end] - lower.ends[down, end - 1] < least:
        return False
    if lower.level[down, end - 1] == -2:
        look_for_level(lower, down, end - 1, down_layouts, grid, trenches, patch, ROUGH_STEP_M)
    return upper.level[up, end] - lower.level[down, end - 1] >= least


@njit(cache=True, nogil=True)
def _keep_open(fields, spares, least_kind, work, cell, open_fields, open_reserves):  # type: ignore[no-untyped-def]
    """Set which layouts can be part of an answer of `least_kind`, by the ends of their blocks; whether any can."""
    apart, spare_apart = _apart(work.fields, work.gap_m, cell), _apart(work.reserves, work.gap_m, cell)
    last, beyond = _outermost(fields, apart)
    spare_last, spare_beyond = _outermost(spares, spare_apart)
    for option in range(fields.shape[0]):
        alone = least_kind == 1 or spares.shape[0] == 0
        open_fields[option] = fields[option, 1] >= 0 and (alone or _beside(fields[option], apart[option], spare_last, spare_beyond))
    for spare in range(spares.shape[0]):
        open_reserves[spare] = spares[spare, 1] >= 0 and _beside(spares[spare], spare_apart[spare], last, beyond)
    return open_fields.any()


@njit(cache=True, nogil=True)
def _outermost(ends, apart):  # type: ignore[no-untyped-def]
    """Over all blocks, for rows and for columns: the last one at which a block begins, and the first one that lies apart from one."""
    last, beyond = np.full(2, -1), np.full(2, FAR_OFF)
    for option in range(ends.shape[0]):
        if ends[option, 1] >= 0:
            for axis in range(2):
                last[axis] = max(last[axis], ends[option, 2 * axis + 1])
                beyond[axis] = min(beyond[axis], ends[option, 2 * axis] + apart[option, axis])
    return last, beyond


@njit(cache=True, nogil=True)
def _beside(ends, apart, last, beyond):  # type: ignore[no-untyped-def]
    """Whether a block with such ends may lie apart from one of the others, by their `_outermost`."""
    for axis in range(2):
        if last[axis] - ends[2 * axis] >= apart[axis] or ends[2 * axis + 1] >= beyond[axis]:
            return True
    return False


@njit(cache=True, nogil=True)
def _apart(layouts, gap_m, cell):  # type: ignore[no-untyped-def]
    """How many rows and columns beyond a rectangle of each layout the next one lies at least, shape (layouts, 2)."""
    found = np.empty((layouts.shape[0], 2), np.int64)
    for option in range(layouts.shape[0]):
        for axis in range(2):
            found[option, axis] = _at_least(layouts[option, 2 - axis] + gap_m, cell)
    return found


@njit(cache=True, nogil=True)
def _at_least(length_m, cell):  # type: ignore[no-untyped-def]
    """Two points this far apart along a row lie at least so many cells apart."""
    return int(math.floor(length_m / cell - 1e-6))
