"""The search for room for a field and its reserve on one lot, on small grids turned so that trenches run along their rows.

All of it errs to the safe side: a cell is free only if it lies wholly inside the envelope and touches no raster cell of bad or unknown
ground, lengths are rounded up to cells, and along every trench of what is found the fitted ground has been looked at.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from geoseptic.parcels.bitrows import NONE, ONE, is_set, lowest, no_cells, turn_over
from geoseptic.parcels.fitgrid import SLACK_M, cells_for, grid_over, inside_cells, turned
from geoseptic.parcels.fitground import STEP_M, Under, ground_at, keep_good_ground, may_run_level, runs_level, under_trenches, where_of
from geoseptic.parcels.fitroom import Grid, Spot, look_for_level, room_in, spot_at

FALL_TO_SPARE_M = 0.15
"""Sewage reaches a field by itself only with so much fall in hand, where there is a choice: heights of a raster, and the places of tank and
pipes, are no better known. Common practice, no source."""

PUMPED = 1e10
"""By so much less a field scores that sewage may have to be lifted to: more than all else together."""

BEST = 3
"""Above every kind: a search that goes on to the end."""

ROUNDING = 1e-3
"""So much a bound on a score is kept above what rounding could make of it; a score has less than 1e11."""


class House(NamedTuple):
    """Where the tank's outlet is, its invert (NaN if there is no house), fall of the line, depth of the field's pipe. [m, m/m]"""

    x: float
    y: float
    invert_m: float
    fall_m_per_m: float
    pipe_depth_m: float


class Best(NamedTuple):
    """The best that was found.

    kind : 0 nothing, 1 field alone, 2 field and all of the reserve.
    under : the ground along the field's trenches; lift_m : 0 by gravity, NaN where not known; run_m : from the outlet to the field.
    """

    kind: int
    turn: float
    field: Spot
    reserve: Spot
    score: float
    under: Under
    lift_m: float
    run_m: float


@njit(cache=True, nogil=True)
def search(rings, spare_rings, same, tries, cell, most_cells, most_spots, least_kind, enough, work, house, patch):  # type: ignore[no-untyped-def]
    """The best spot for a field, with a reserve if there is one, among all turns on cells of one size.

    Parameters
    ----------
    rings, spare_rings : `Rings` of the envelopes of field and reserve; `same` says that they are one.
    tries : what is tried.
    cell, most_cells : side of a cell [m], and how many of them a grid may have on a side; larger cells are taken beyond.
    most_spots : spots weighed for each layout and turn; the others count only for whether there is room.
    least_kind : kind that is asked for; what is less is not looked for.
    enough : the search ends with the first spot of this kind, whose reserve is then not drawn, if unknown ground can no longer be met;
        `BEST` looks for the best.
    work, house, patch : `Work`, `House`, `Patch`.

    Returns `Best`, and whether unknown ground was met. Room for the reserve comes before everything else.
    """
    # Nothing beats this but the kind that is asked for.
    best = Best(least_kind - 1, 0.0, Spot(-1, 0.0, 0.0), Spot(-1, 0.0, 0.0), np.inf, Under(np.nan, np.nan, np.nan), np.nan, np.nan)
    met_unknown = False
    alike = same and np.array_equal(work.fields, work.reserves)
    ceilings = np.empty((0, 0))
    all_known = patch.unknown[-1, -1] == 0
    for number in range(tries.turns.size):
        if best.kind >= enough and (met_unknown or all_known):
            break
        turn = tries.turns[number]
        cosine, sine = math.cos(turn), math.sin(turn)
        outline = turned(rings, cosine, sine)
        spare_outline = outline if same else turned(spare_rings, cosine, sine)
        left, bottom, side, rows, cols = grid_over(outline, spare_outline, cell, most_cells)
        free, _ = inside_cells(outline, left, bottom, side, rows, cols)
        met_unknown |= keep_good_ground(free, left, bottom, side, cosine, sine, patch)
        fields = room_in(free, cols, work.fields, tries.fields[number], side)
        if fields.places.max() == 0:
            continue
        if not same:
            free, _ = inside_cells(spare_outline, left, bottom, side, rows, cols)
            met_unknown |= keep_good_ground(free, left, bottom, side, cosine, sine, patch)
        spares = fields
        if not alike or not np.array_equal(tries.fields[number], tries.reserves[number]):
            spares = room_in(free, cols, work.reserves, tries.reserves[number], side)
        if ceilings.size == 0:
            ceilings = _ceilings(patch)
        best = _at_turn(
            best, turn, fields, spares, Grid(left, bottom, side, cosine, sine), most_spots, enough, work, house, patch, ceilings
        )
    return best, met_unknown


@njit(cache=True, nogil=True)
def _at_turn(best, turn, fields, spares, grid, most_spots, enough, work, house, patch, ceilings):  # type: ignore[no-untyped-def]
    """`best`, or what is better than it at this turn; `fields` and `spares` have the `Room` for field and reserve."""
    gap = cells_for(work.gap_m, grid.cell)
    needs_reserve = work.reserves.shape[0] > 0
    planes, path_m, where = patch.planes, patch.path_m, where_of(patch)
    highest = ceilings.max()
    improved, at_row, at_col = False, np.int64(-1), np.int64(-1)
    for option in range(fields.places.size):
        if fields.places[option] == 0:
            continue
        count, length_m, depth_m = work.fields[option, 0], work.fields[option, 1], work.fields[option, 2]
        wide, deep = fields.wide[option], fields.deep[option]
        low, high, near, far = fields.ends[option]
        fits = fields.fits[option]
        rows, cols = fits.shape[0] - deep, fields.cols - wide
        stride = max(1, int(math.sqrt(fields.places[option] / most_spots)))
        while True:
            possible = 2 if not needs_reserve or _may_be_room(spares, low, high, near, far, deep, wide, gap) else 1
            # Where it only matters whether there is room, of the same kind none is better than another.
            if possible < best.kind or (enough < BEST and possible == best.kind):
                break
            if possible == best.kind and not highest + _for_place(0.0, 0.0, length_m) > best.score:
                break
            beside = _beside(spares, deep, wide, gap)
            columns = no_cells(np.int64(1), fields.cols)
            for col in _spaced(near, far, cols, stride):
                turn_over(columns, np.int64(0), col)
            for row in _spaced(low, high, rows, stride):
                word, left = near >> 6, fits[row, near >> 6] & columns[0, near >> 6]
                while True:
                    while left == NONE and word < far >> 6:
                        word += 1
                        left = fits[row, word] & columns[0, word]
                    if left == NONE:
                        break
                    col = 64 * word + lowest(left)
                    left &= left - ONE
                    kind = 2 if not needs_reserve or row >= beside[0] or row <= beside[1] or col >= beside[2] or col <= beside[3] else 1
                    if kind < best.kind or (enough < BEST and kind == best.kind):
                        continue
                    spot = spot_at(row, col, option, deep, wide, length_m, depth_m, grid)
                    # Of the same kind only what scores more is taken.
                    to_beat = best.score if kind == best.kind else -np.inf
                    to_row, to_col = _cell_at(where, grid, spot.u + 0.5 * length_m, spot.v + 0.5 * depth_m)
                    least_run, least_to_middle = _least_runs(house, grid, spot, length_m, depth_m)
                    for_place = _for_place(least_run, least_to_middle, length_m)
                    at_most = ceilings[to_row, to_col] + for_place
                    if not at_most > to_beat:
                        continue
                    if not at_most - PUMPED > to_beat:
                        height = _middle(planes, path_m, where, grid, spot, length_m, depth_m)[0]
                        if _in_hand(house, height, least_run) < FALL_TO_SPARE_M:
                            continue
                    if not may_run_level(planes, where, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, work.trenches, STEP_M):
                        continue
                    run, to_middle = _runs(house, grid, spot, length_m, depth_m)
                    height, slope, path = _middle(planes, path_m, where, grid, spot, length_m, depth_m)
                    if not _score(_in_hand(house, height, run), path, slope, run, length_m, to_middle) > to_beat:
                        continue
                    corner = _highest_corner(planes, path_m, where, grid, spot, length_m, depth_m)
                    uphill = PUMPED if _in_hand(house, corner, run) < FALL_TO_SPARE_M else 0.0
                    if not _may_score(ceilings, where, grid, spot, count, length_m, work.trenches, to_beat + uphill - for_place):
                        continue
                    under, in_hand, score = _looked_under(planes, path_m, where, grid, spot, work, house, run, to_middle, corner, to_beat)
                    if not score > to_beat:
                        continue
                    if not runs_level(planes, where, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, work.trenches, STEP_M):
                        continue
                    if needs_reserve and kind == 2:
                        kind = 2 if _is_room(spares, row, col, deep, wide, gap, grid, work, patch) else 1
                        beside = _beside(spares, deep, wide, gap)
                    if kind > best.kind or (kind == best.kind and score > best.score):
                        best = Best(
                            kind, turn, spot, Spot(-1, 0.0, 0.0), score, under, max(0.0, -in_hand) if not np.isnan(in_hand) else np.nan, run
                        )
                        improved, at_row, at_col = True, row, col
                        if kind >= enough:
                            return best
            if stride == 1 or best.kind == possible:
                break
            stride = 1
    if improved and best.kind == 2 and needs_reserve:
        reserve = _reserve(best.field, at_row, at_col, fields, gap, spares, grid, work, house, patch)
        best = Best(best.kind, turn, best.field, reserve, best.score, best.under, best.lift_m, best.run_m)
    return best


@njit(cache=True, nogil=True)
def _spaced(first, last, whole, stride):  # type: ignore[no-untyped-def]
    """Every so many rows or columns, taken alike from both ends of the whole, so that the choice turns with the lot."""
    chosen = np.empty(last - first + 1, np.int64)
    count = 0
    for at in range(first, last + 1):
        if stride == 1 or abs(2 * at - whole) // 2 % stride == 0:
            chosen[count] = at
            count += 1
    return chosen[:count]


@njit(cache=True, nogil=True, error_model="numpy")
def _looked_under(planes, path_m, where, grid, spot, work, house, run, to_middle, corner, to_beat):  # type: ignore[no-untyped-def]
    """The ground under a field's trenches, what is in hand over it and over the field's highest corner, and the score.

    Every further trench can only lower the score: once that is not over `to_beat`, the rest is not looked at.
    """
    count, length_m = work.fields[spot.layout, 0], work.fields[spot.layout, 1]
    top, steepest, path, in_hand, score = -np.inf, 0.0, np.inf, np.nan, np.inf
    for trench in range(int(count)):
        v = spot.v + trench * work.trenches.pitch_m
        one = under_trenches(planes, path_m, where, spot.u, v, grid.cosine, grid.sine, 1, length_m, work.trenches)
        top, steepest = max(top, one.top_m), max(steepest, one.steepest)
        path = np.nan if np.isnan(path) or np.isnan(one.path_m) else min(path, one.path_m)
        in_hand = _in_hand(house, max(top, corner), run)
        score = _score(in_hand, path, steepest, run, length_m, to_middle)
        if not score > to_beat:
            break
    return Under(top, steepest, path), in_hand, score


@njit(cache=True, nogil=True)
def _may_be_room(spares, low, high, near, far, deep, wide, gap):  # type: ignore[no-untyped-def]
    """Whether the reserve may have room beside a field of `deep` x `wide` cells that may stand from `low` to `high` and `near` to `far`,
    by what is known so far of its trenches."""
    for option in range(spares.places.size):
        for end in range(4):
            at = spares.level[option, end] if spares.level[option, end] > -2 else spares.ends[option, end]
            if _beyond(at, end, spares.deep[option], spares.wide[option], low, high, near, far, deep, wide, gap):
                return True
    return False


@njit(cache=True, nogil=True)
def _beside(spares, deep, wide, gap):  # type: ignore[no-untyped-def]
    """Where a field of `deep` x `wide` cells stands for the reserve to have room as in `_may_be_room`: from the first row up, up to the
    second one, from the third, a column, or up to the fourth."""
    unseen = spares.fits.shape[1] + spares.cols + 1
    up_from, down_from, right_from, left_from = unseen, -1, unseen, -1
    for option in range(spares.places.size):
        for end in range(4):
            at = spares.level[option, end] if spares.level[option, end] > -2 else spares.ends[option, end]
            if at < 0:
                continue
            if end == 0:
                up_from = min(up_from, at + spares.deep[option] + gap)
            elif end == 1:
                down_from = max(down_from, at - deep - gap)
            elif end == 2:
                right_from = min(right_from, at + spares.wide[option] + gap)
            else:
                left_from = max(left_from, at - wide - gap)
    return up_from, down_from, right_from, left_from


@njit(cache=True, nogil=True)
def _is_room(spares, row, col, deep, wide, gap, grid, work, patch):  # type: ignore[no-untyped-def]
    """Whether the reserve has room beside the field at (row, col): looks for level ground where that is not yet known."""
    for option in range(spares.places.size):
        for end in range(4):
            if spares.level[option, end] == -2 and _beyond(
                spares.ends[option, end], end, spares.deep[option], spares.wide[option], row, row, col, col, deep, wide, gap
            ):
                look_for_level(spares, option, end, work.reserves, grid, work.trenches, patch, STEP_M)
            if _beyond(spares.level[option, end], end, spares.deep[option], spares.wide[option], row, row, col, col, deep, wide, gap):
                return True
    return False


@njit(cache=True, nogil=True)
def _beyond(at, end, other_deep, other_wide, low, high, near, far, deep, wide, gap):  # type: ignore[no-untyped-def]
    """Whether a reserve whose corner is at this end lies clear, on that side, of a field as in `_may_be_room`."""
    if at < 0:
        return False
    if end == 0:
        return at + other_deep + gap <= high
    if end == 1:
        return at >= low + deep + gap
    if end == 2:
        return at + other_wide + gap <= far
    return at >= near + wide + gap


@njit(cache=True, nogil=True)
def _reserve(field, row, col, fields, gap, spares, grid, work, house, patch):  # type: ignore[no-untyped-def]
    """The reserve with trenches as long as the field's if there is room, else of another layout, that lies nearest to the field, middle to
    middle; of two alike the lower one, then that nearer to the outlet."""
    best = Spot(-1, 0.0, 0.0)
    nearest, lowest, shortest = np.inf, np.inf, np.inf
    wide, deep = fields.wide[field.layout], fields.deep[field.layout]
    field_length_m = work.fields[field.layout, 1]
    planes, path_m, where = patch.planes, patch.path_m, where_of(patch)
    middle_u, middle_v = field.u + 0.5 * field_length_m, field.v + 0.5 * work.fields[field.layout, 2]
    for alike in (True, False):
        for option in range(spares.places.size):
            count, length_m, depth_m = work.reserves[option, 0], work.reserves[option, 1], work.reserves[option, 2]
            if spares.places[option] == 0 or spares.level[option, 0] == -1 or (abs(length_m - field_length_m) < SLACK_M) != alike:
                continue
            low, high, near, far = spares.ends[option]
            spare_deep, spare_wide, fits = spares.deep[option], spares.wide[option], spares.fits[option]
            for r in range(low, high + 1):
                beside = r >= row + deep + gap or r + spare_deep + gap <= row
                for c in range(near, far + 1):
                    if not is_set(fits, r, c):
                        continue
                    if not beside and c < col + wide + gap and c + spare_wide + gap > col:
                        continue
                    spot = spot_at(r, c, option, spare_deep, spare_wide, length_m, depth_m, grid)
                    away = math.hypot(spot.u + 0.5 * length_m - middle_u, spot.v + 0.5 * depth_m - middle_v)
                    if away > nearest + SLACK_M:
                        continue
                    height = _middle(planes, path_m, where, grid, spot, length_m, depth_m)[0]
                    _, run = _runs(house, grid, spot, length_m, depth_m)
                    if away > nearest - SLACK_M and (height > lowest + SLACK_M or (height > lowest - SLACK_M and run >= shortest)):
                        continue
                    if runs_level(planes, where, spot.u, spot.v, grid.cosine, grid.sine, count, length_m, work.trenches, STEP_M):
                        best, nearest, lowest, shortest = spot, away, height, run
        if best.layout >= 0:
            break
    return best


@njit(cache=True, nogil=True)
def _ceilings(patch):  # type: ignore[no-untyped-def]
    """For each cell of the patch the most that its path and slope leave of the score of a field that lies on it, of no length; with a rim
    of one cell for all that is outside."""
    rows, cols = patch.planes.shape[:2]
    most = np.full((rows + 2, cols + 2), _score(np.inf, np.nan, 0.0, 0.0, 0.0, 0.0))
    for row in range(rows):
        for col in range(cols):
            rise_x, rise_y = patch.planes[row, col, 1], patch.planes[row, col, 2]
            slope = math.sqrt(rise_x * rise_x + rise_y * rise_y)
            # Under trenches an unknown slope counts for nothing.
            slope = 0.0 if np.isnan(slope) else slope
            most[row + 1, col + 1] = _score(np.inf, np.float64(patch.path_m[row, col]), slope, 0.0, 0.0, 0.0)
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def _cell_at(where, grid, u, v):  # type: ignore[no-untyped-def]
    """Row and column in `_ceilings` of a point."""
    x, y = u * grid.cosine - v * grid.sine, u * grid.sine + v * grid.cosine
    row, col = int(math.floor((where.top_m - y) / where.cell_m)), int(math.floor((x - where.left_m) / where.cell_m))
    return min(max(row, -1), where.rows) + 1, min(max(col, -1), where.cols) + 1


@njit(cache=True, nogil=True, error_model="numpy")
def _may_score(ceilings, where, grid, spot, count, length_m, trenches, to_beat):  # type: ignore[no-untyped-def]
    """Whether the ground under both ends and the middle of each trench, points of `under_trenches`, leaves a score over `to_beat`."""
    steps = int(math.ceil(length_m / STEP_M))
    for trench in range(int(count)):
        v = spot.v + trench * trenches.pitch_m + 0.5 * trenches.width_m
        for step in (0, steps // 2, steps):
            row, col = _cell_at(where, grid, spot.u + length_m * step / steps, v)
            if not ceilings[row, col] > to_beat:
                return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _middle(planes, path_m, where, grid, spot, length_m, depth_m):  # type: ignore[no-untyped-def]
    u, v = spot.u + 0.5 * length_m, spot.v + 0.5 * depth_m
    return ground_at(planes, path_m, where, u * grid.cosine - v * grid.sine, u * grid.sine + v * grid.cosine)


@njit(cache=True, nogil=True, error_model="numpy")
def _highest_corner(planes, path_m, where, grid, spot, length_m, depth_m):  # type: ignore[no-untyped-def]
    """Height of the ground at the highest corner of which it is known. [m]"""
    top = -np.inf
    for u in (spot.u, spot.u + length_m):
        for v in (spot.v, spot.v + depth_m):
            height = ground_at(planes, path_m, where, u * grid.cosine - v * grid.sine, u * grid.sine + v * grid.cosine)[0]
            if height > top:
                top = height
    return top


@njit(cache=True, nogil=True, error_model="numpy")
def _runs(house, grid, spot, length_m, depth_m):  # type: ignore[no-untyped-def]
    """From the outlet to the rectangle, and to its middle; without a house both from the lot's middle to the rectangle's."""
    if np.isnan(house.x):
        away = math.hypot(spot.u + 0.5 * length_m, spot.v + 0.5 * depth_m)
        return away, away
    u, v = house.x * grid.cosine + house.y * grid.sine, house.y * grid.cosine - house.x * grid.sine
    run = math.hypot(max(0.0, spot.u - u, u - spot.u - length_m), max(0.0, spot.v - v, v - spot.v - depth_m))
    return run, math.hypot(spot.u + 0.5 * length_m - u, spot.v + 0.5 * depth_m - v)


@njit(cache=True, nogil=True, error_model="numpy")
def _least_runs(house, grid, spot, length_m, depth_m):  # type: ignore[no-untyped-def]
    """Bounds just below those of `_runs`, found with less work."""
    along, across = spot.u + 0.5 * length_m, spot.v + 0.5 * depth_m
    if np.isnan(house.x):
        away = (1.0 - 1e-9) * math.sqrt(along * along + across * across)
        return away, away
    u, v = house.x * grid.cosine + house.y * grid.sine, house.y * grid.cosine - house.x * grid.sine
    along, across = along - u, across - v
    beside, above = max(0.0, abs(along) - 0.5 * length_m), max(0.0, abs(across) - 0.5 * depth_m)
    to_middle = (1.0 - 1e-9) * math.sqrt(along * along + across * across)
    return max(0.0, (1.0 - 1e-9) * math.sqrt(beside * beside + above * above) - SLACK_M), to_middle


@njit(cache=True, nogil=True, error_model="numpy")
def _for_place(least_run, least_to_middle, length_m):  # type: ignore[no-untyped-def]
    """What length and runs leave of a score at most, to go with `_ceilings`."""
    return _score(np.inf, np.nan, 0.0, least_run, length_m, least_to_middle) + ROUNDING


@njit(cache=True, nogil=True, error_model="numpy")
def _in_hand(house, top, run):  # type: ignore[no-untyped-def]
    """How much higher the effluent arrives than the pipe of the highest trench lies; NaN without a house. [m]"""
    return house.invert_m - house.fall_m_per_m * run - (top - house.pipe_depth_m)


@njit(cache=True, nogil=True, error_model="numpy")
def _score(in_hand, path, slope, run, length_m, to_middle):  # type: ignore[no-untyped-def]
    """Gravity before a pump, then a longer flow path to a well by steps of 100 ft, then longer trenches by steps of 25 ft (many short ones
    lie across the contour, and cost more to feed), then gentler slope by steps of 2 percent, then a shorter run by steps of 10 ft, then
    longer trenches by any step, then the field whose middle is nearer. Steps are our own choice; common practice, no source.

    An unknown path counts as the shortest, an unknown slope as the steepest; without a house the lift decides nothing. One number, each
    term smaller than a step of the one before.
    """
    score = -PUMPED if in_hand < FALL_TO_SPARE_M else 0.0
    score += 1e8 * (math.floor(min(path, 305.0) / 30.48) if not np.isnan(path) else 0.0)
    score += 1e7 * math.floor(min(length_m, 68.0) / 7.62)
    score -= 1e5 * (min(99.0, math.floor(50.0 * slope)) if not np.isnan(slope) else 99.0)
    score -= 1e2 * min(999.0, math.floor(run / 3.048))
    return score + 0.5 * min(length_m, 99.0) - 1e-3 * min(to_middle, 400.0)
