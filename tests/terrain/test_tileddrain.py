"""Fill, edge and receivers by tiles are those of the whole raster, bit for bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geoseptic.io.scratch import new_plane
from geoseptic.model.planes import ArrayPlane
from geoseptic.terrain import drainage
from geoseptic.terrain.tileddrain import drain_by_tiles
from geoseptic.terrain.tiles import Tiles
from geoseptic.terrain.wellpaths import drain
from tests.terrain.grounds import Floats, receivers_of, rough

NAMES = ("fill", "D-infinity", "D8", "edge")
TYPES = (np.float32, np.uint8, np.uint8, np.bool_)
TILE_SHAPES = [(1, 50), (50, 1), (3, 3), (7, 5), (16, 16), (17, 31), (100, 100)]
LEVEL_M = 3.0

grounds = st.tuples(st.integers(1, 9), st.integers(1, 9)).flatmap(
    lambda shape: arrays(np.float32, shape, elements=st.sampled_from([*map(float, range(6)), -0.0, np.nan]))
)


def by_tiles(ground: Floats, tile_shape: tuple[int, int], workers: int, min_share: float = 0.2) -> list[np.ndarray]:
    found = [np.full(ground.shape, 77).astype(kind) for kind in TYPES]
    drain_by_tiles(ArrayPlane(ground), *map(ArrayPlane, found), min_share, tile_shape, workers)
    return found


def whole(ground: Floats, min_share: float = 0.2) -> list[np.ndarray]:
    filled = drainage.fill(ground)
    return [filled, drainage.dinf_receivers(filled, min_share), drainage.d8_receivers(filled), drainage.edge_of_data(ground)]


def assert_same(found: list[np.ndarray], expected: list[np.ndarray]):
    for name, one, other in zip(NAMES, found, expected, strict=True):
        assert one.dtype == other.dtype
        assert one.tobytes() == other.tobytes(), f"{name} differs at {np.argwhere(one != other)[:5].tolist()}"


def smooth(shape: tuple[int, int], seed: int) -> Floats:
    row, col = np.indices(shape)
    turn = np.random.default_rng(seed).uniform(0, 6, 4)
    return (2 * np.sin(row / 7 + turn[0]) + 3 * np.cos(col / 9 + turn[1]) + np.sin((row + col) / 23 + turn[2])).astype(np.float32)


def nested_pits(shape: tuple[int, int], seed: int) -> Floats:
    """A bowl as wide as the raster with smaller ones in it, down to pits of a few cells, and no two heights alike."""
    generator = np.random.default_rng(seed)
    row, col = np.indices(shape)
    height = np.hypot(row - shape[0] / 2, col - shape[1] / 2) + 0.01 * generator.random(shape)
    for radius in (12, 12, 6, 6, 6, 2, 2, 2, 2):
        away = np.hypot(row - generator.integers(shape[0]), col - generator.integers(shape[1]))
        height -= 3 * np.clip(radius - away, 0, None)
    return height.astype(np.float32)


def walls(shape: tuple[int, int], seed: int) -> Floats:
    """Level rooms between walls with a gate here and there, some walls unknown."""
    generator = np.random.default_rng(seed)
    ground = generator.integers(0, 2, shape).astype(np.float32)
    for at in range(4, max(shape), 9):
        height = np.nan if generator.random() < 0.3 else 9.0
        ground[at : at + 1] = height
        ground[:, at : at + 1] = 9.0
    ground[generator.random(shape) < 0.02] = 0.0
    return ground


def with_unknown_border(ground: Floats, seed: int) -> Floats:
    generator = np.random.default_rng(seed)
    row, col = np.indices(ground.shape)
    known = np.hypot(row - ground.shape[0] / 2, col - ground.shape[1] / 2) < 0.45 * max(ground.shape) + generator.normal(0, 1, ground.shape)
    return np.where(known, ground, np.float32(np.nan))


def spiral(side: int) -> tuple[Floats, int]:
    """One level way, a cell wide, that winds to the middle of high ground, open at its outer end; and its number of cells."""
    ground = np.full((side, side), 9, np.float32)
    row, col, down, across, cells = 1, 1, 0, 1, 1
    ground[row, col] = LEVEL_M

    def free(r: int, c: int) -> bool:
        return 1 <= r < side - 1 and 1 <= c < side - 1 and ground[r, c] == 9

    while True:
        for _ in range(2):
            beyond = row + 2 * down, col + 2 * across
            inside = 0 <= beyond[0] < side and 0 <= beyond[1] < side
            if free(row + down, col + across) and (not inside or ground[beyond] == 9):
                break
            down, across = across, -down
        else:
            break
        row, col, cells = row + down, col + across, cells + 1
        ground[row, col] = LEVEL_M
    ground[1, 0] = LEVEL_M - 1
    return ground, cells


def many_grounds() -> list[tuple[str, Floats]]:
    shape = (47, 53)
    made = [
        ("noise", rough(shape, 1)),
        ("steps", rough(shape, 2, steps_m=0.3)),
        ("holes", rough(shape, 3, steps_m=0.1, holes=0.02)),
        ("many holes", rough(shape, 4, holes=0.2)),
        ("smooth", smooth(shape, 5)),
        ("whole metres", np.round(smooth(shape, 6))),
        ("nested pits", nested_pits(shape, 7)),
        ("walls", walls(shape, 8)),
        ("rough with a border", with_unknown_border(rough(shape, 9, steps_m=0.2), 9)),
        ("level with a border", with_unknown_border(np.zeros(shape, np.float32), 10)),
        ("level", np.zeros(shape, np.float32)),
        ("unknown", np.full(shape, np.nan, np.float32)),
        ("spiral", spiral(41)[0]),
        ("row", rough((1, 40), 11, steps_m=0.1)),
        ("column", rough((40, 1), 12, steps_m=0.1)),
    ]
    return [(name, ground.astype(np.float32)) for name, ground in made]


@pytest.mark.parametrize(("name", "ground"), [pytest.param(*pair, id=pair[0]) for pair in many_grounds()])
def test_tiles_of_any_shape_give_what_the_whole_gives(name: str, ground: Floats):
    expected = whole(ground)
    if name in ("nested pits", "walls", "steps"):
        assert (expected[0] > ground).sum() > 30, "this ground has nothing to fill"
    for tile_shape in TILE_SHAPES:
        for workers in (1, 2):
            assert_same(by_tiles(ground, tile_shape, workers), expected)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(grounds, st.tuples(st.integers(1, 5), st.integers(1, 5)), st.sampled_from([0.05, 0.2, 0.5]))
def test_small_grounds_full_of_ties_give_what_the_whole_gives(ground: Floats, tile_shape: tuple[int, int], min_share: float):
    assert_same(by_tiles(ground, tile_shape, 1, min_share), whole(ground, min_share))


def test_zero_keeps_no_sign_that_would_hang_on_the_order_of_work():
    ground = np.full((5, 5), 1, np.float32)
    ground[0, 1], ground[1:4, 1:4] = 0.0, -0.0
    assert not np.signbit(drainage.fill(ground)).any()
    assert_same(by_tiles(ground, (2, 2), 1), whole(ground))


@pytest.mark.parametrize("tile_shape", [(4, 4), (9, 5)])
def test_level_way_through_many_tiles_leads_to_its_only_outlet(tile_shape: tuple[int, int]):
    # A spiral enters the same tile again and again, so that the steps of one visit wait for those of many others.
    ground, cells = spiral(33)
    filled, dinf, d8, _ = by_tiles(ground, tile_shape, 1)
    np.testing.assert_array_equal(filled, ground)
    ends = [
        cell
        for cell in map(tuple, np.argwhere(ground == LEVEL_M))
        if (ground[cell[0] - 1 : cell[0] + 2, cell[1] - 1 : cell[1] + 2] == 3).sum() == 2
    ]
    at, steps = next(cell for cell in ends if cell != (1, 1)), 0
    while ground[at] == LEVEL_M:
        ((_, at),) = receivers_of(d8, at)
        steps += 1
    assert at == (1, 0)
    # Corners are cut, at most two at each turn.
    assert cells * 0.8 < steps <= cells
    np.testing.assert_array_equal(d8[ground == LEVEL_M], dinf[ground == LEVEL_M])


def test_pit_over_many_tiles_fills_to_an_outlet_in_another_tile():
    ground = np.full((40, 40), 8, np.float32)
    ground[1:-1, 1:-1] = 0
    ground[39, 33] = 5
    filled, _, d8, _ = by_tiles(ground, (6, 6), 1)
    assert (filled[1:-1, 1:-1] == 5).all()
    assert (d8[1:-1, 1:-1] != 0).all()


def test_planes_in_files_give_what_the_whole_gives(tmp_path):
    ground = rough((70, 90), 21, steps_m=0.1, holes=0.01)
    elevation = new_plane(tmp_path, ground.shape, np.float32)
    elevation.write(slice(0, 70), slice(0, 90), ground)
    planes = [elevation.new(kind) for kind in TYPES]
    drain_by_tiles(elevation, *planes, 0.2, (32, 17), 2)
    assert_same([plane.array() for plane in planes], whole(ground))


def test_drainage_of_a_run_is_that_of_the_whole_raster():
    ground = rough((600, 530), 22, steps_m=0.05, holes=0.0005)
    found = drain(ground, 0.2, workers=2)
    assert_same([found.filled_m, found.receivers, found.d8, found.edge], whole(ground))


@pytest.mark.parametrize("holes", [0.0, 0.02])
def test_filling_in_place_changes_no_bit_and_holds_no_second_surface(holes: float):
    """Tiles look at the heights round them while others of the same array are being filled."""
    ground = rough((1100, 1040), 23, steps_m=0.05, holes=holes)
    expected = drain(ground, 0.2)
    given = ground.copy()
    found = drain(given, 0.2, workers=3, in_place=True)
    assert found.filled_m is None
    assert (expected.filled_m > ground).any()
    assert_same([given, found.receivers, found.d8, found.edge], [expected.filled_m, expected.receivers, expected.d8, expected.edge])


def test_empty_tiles_are_refused():
    with pytest.raises(ValueError, match="at least one row"):
        Tiles((4, 4), (0, 3))
