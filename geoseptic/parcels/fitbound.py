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
        outline, spare_outline = turned(rings, cosine, sine), turned(spare_rings, cosine, sine)
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
            _look_for_all_level(fields, work.fields, open_fields[number], grid, loose, patch)
            _look_for_all_level(spares, work.reserves, open_reserves[number], grid, loose, patch)
            ends, spare_ends = fields.level, spares.level
            keep[number] = _keep_open(ends, spare_ends, least_kind, work, side, open_fields[number], open_reserves[number])
    return Tries(tries.turns[keep], open_fields[keep], open_reserves[keep])


@njit(cache=True, nogil=True)
def _look_for_all_level(room, layouts, tried, grid, trenches, patch):  # type: ignore[no-untyped-def]
    for option in range(room.places.size):
        for end in range(4):
            if tried[option] and room.level[option, end] == -2:
                look_for_level(room, option, end, layouts, grid, trenches, patch, ROUGH_STEP_M)


@njit(cache=True, nogil=True)
def _keep_open(fields, spares, least_kind, work, cell, open_fields, open_reserves):  # type: ignore[no-untyped-def]
    """Set which layouts can be part of an answer of `least_kind`, by the ends of their blocks; whether any can."""
    open_fields[:] = False
    open_reserves[:] = False
    for option in range(fields.shape[0]):
        low, high, near, far = fields[option]
        if high < 0:
            continue
        if least_kind == 1 or spares.shape[0] == 0:
            open_fields[option] = True
        deep, wide = work.fields[option, 2] + work.gap_m, work.fields[option, 1] + work.gap_m
        for spare in range(spares.shape[0]):
            spare_low, spare_high, spare_near, spare_far = spares[spare]
            spare_deep, spare_wide = work.reserves[spare, 2] + work.gap_m, work.reserves[spare, 1] + work.gap_m
            if spare_high >= 0 and (
                spare_high - low >= _at_least(deep, cell)
                or high - spare_low >= _at_least(spare_deep, cell)
                or spare_far - near >= _at_least(wide, cell)
                or far - spare_near >= _at_least(spare_wide, cell)
            ):
                open_fields[option] = True
                open_reserves[spare] = True
    return open_fields.any()


@njit(cache=True, nogil=True)
def _at_least(length_m, cell):  # type: ignore[no-untyped-def]
    """Two points this far apart along a row lie at least so many cells apart."""
    return int(math.floor(length_m / cell - 1e-6))
