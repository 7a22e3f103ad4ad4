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
    for option in range(was_open.size):
        if not was_open[option] or _level_end(fields, option, 0, work.fields, grid, trenches, patch) < 0:
            continue
        if least_kind == 1 or was_open_reserve.size == 0:
            open_fields[option] = True
        deep = _at_least(work.fields[option, 2] + work.gap_m, grid.cell)
        wide = _at_least(work.fields[option, 1] + work.gap_m, grid.cell)
        for spare in range(was_open_reserve.size):
            if not was_open_reserve[spare] or (open_fields[option] and open_reserves[spare]):
                continue
            if _level_end(spares, spare, 0, work.reserves, grid, trenches, patch) < 0:
                continue
            spare_deep = _at_least(work.reserves[spare, 2] + work.gap_m, grid.cell)
            spare_wide = _at_least(work.reserves[spare, 1] + work.gap_m, grid.cell)
            for side in range(4):
                # The reserve above the field, below it, to its right, to its left.
                apart = spare_deep if side == 1 else deep if side == 0 else wide if side == 2 else spare_wide
                upper, lower = (spares, fields) if side % 2 == 0 else (fields, spares)
                up, down = (spare, option) if side % 2 == 0 else (option, spare)
                end = 1 if side < 2 else 3
                if upper.ends[up, end] - lower.ends[down, end - 1] < apart:
                    continue
                up_layouts, down_layouts = (work.reserves, work.fields) if side % 2 == 0 else (work.fields, work.reserves)
                high = _level_end(upper, up, end, up_layouts, grid, trenches, patch)
                if high - lower.ends[down, end - 1] < apart:
                    continue
                if high - _level_end(lower, down, end - 1, down_layouts, grid, trenches, patch) >= apart:
                    open_fields[option] = True
                    open_reserves[spare] = True
                    break
    return open_fields.any()


@njit(cache=True, nogil=True)
def _level_end(room, option, end, layouts, grid, trenches, patch):  # type: ignore[no-untyped-def]
    """One end of the places where the ground lets trenches lie, -1 where there is none."""
    if room.level[option, end] == -2:
        look_for_level(room, option, end, layouts, grid, trenches, patch, ROUGH_STEP_M)
    return room.level[option, end]


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
