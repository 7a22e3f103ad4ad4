"""Heights that all lots ask at once are those that each would be given by itself."""

import math

import numpy as np
import shapely

from geoseptic.processes.layouts import Setting, _corners_of, _grounds_along, _highest_m
from geoseptic.processes.lot_ground import heights_m
from geoseptic.systems.gravity import Burial
from tests.parcels.lots import FAR_EAST_M, FAR_NORTH_M, SIDE_M, noisy, terrain, valley

MIDDLE_M = np.array([FAR_EAST_M + SIDE_M / 2, FAR_NORTH_M + SIDE_M / 2])


def ground_along(line, ground):
    """Stations and heights of one line, at its corners and between them once a cell."""
    length_m = float(shapely.length(line))
    corners = shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(line)))
    stations_m = np.unique(np.concatenate([corners, np.linspace(0.0, length_m, max(2, math.ceil(length_m / ground.cell_size_m) + 1))]))
    return stations_m, heights_m(ground, shapely.get_coordinates(shapely.line_interpolate_point(line, stations_m)))


def test_heights_along_many_lines_are_those_along_each_to_the_last_bit():
    rng = np.random.default_rng(12)
    ground = terrain(noisy(valley, rng), 2.0)
    ground.elevation_m[50:70, 50:70] = np.nan
    lines = []
    for _ in range(200):
        points = np.cumsum(rng.normal(0, 1, (int(rng.integers(2, 6)), 2)) * rng.choice([0.5, 5.0, 20.0]), axis=0)
        lines.append(shapely.LineString(points + MIDDLE_M))
    unknown = 0
    for line, found in zip(lines, _grounds_along(np.array(lines, object), ground), strict=True):
        stations_m, high_m = ground_along(line, ground)
        np.testing.assert_array_equal(found.stations_m, stations_m)
        np.testing.assert_array_equal(found.heights_m, high_m)
        unknown += np.isnan(high_m).any()
    assert 10 < unknown < 190
    assert _grounds_along(np.empty(0, object), ground) == []


def test_highest_corners_of_many_lots_are_those_of_each_and_unknown_where_any_is():
    rng = np.random.default_rng(13)
    ground = terrain(noisy(valley, rng), 2.0)
    ground.elevation_m[50:70, 50:70] = np.nan
    setting = Setting(ground, ground, ground, Burial())
    groups = []
    for _ in range(60):
        lows = MIDDLE_M + rng.uniform(-60, 60, (int(rng.integers(1, 6)), 2))
        groups.append([shapely.box(*low, *(low + rng.uniform(1, 9, 2))) for low in lows])
    expected = [float(np.max(heights_m(ground, shapely.get_coordinates(np.array(group, object))))) for group in groups]
    np.testing.assert_array_equal(_highest_m(setting, groups), expected)
    assert 5 < np.isnan(expected).sum() < 55
    corners, high_m = _corners_of(setting, [group[0] for group in groups])
    for group, four, high in zip(groups, corners, high_m, strict=True):
        np.testing.assert_array_equal(four, shapely.get_coordinates(group[0])[:4])
        np.testing.assert_array_equal(high, heights_m(ground, four))
    assert _highest_m(setting, []) == [] and _corners_of(setting, [])[1].shape == (0, 4)
