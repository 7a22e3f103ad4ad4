"""Where field, reserve and tank go on each lot: the search for room, with the tank's own place and the run of the pipes in mind."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.model.frame import Geometries
from geoseptic.parcels import tank
from geoseptic.parcels.fit import FieldNeed, Fit, Pipes, Placement, Site, SiteGround, Terrain, fit, room, sites
from geoseptic.processes.lot_ground import fall_along_m, heights_m, highest_m, lowest_m
from geoseptic.processes.lot_sizes import AS_A_BED, LARGEST, PLANNED, SMALLEST
from geoseptic.processes.lots import NO_ROOM, Lots
from geoseptic.systems.gravity import Burial, Ground, Profile, profile
from geoseptic.systems.verdict import Found

OPEN_FROM_M2 = 1.0
"""An envelope that could grow by less has no open question worth a search."""

LOWER_STILL_M = 0.3
"""By how much fitted ground at the edge of what is known may lie below all heights round it."""

FAILED = "the layout of the lot could not be judged"

AT_A_CORNER_M = 1e-6

TO_SPARE_M = 0.1
"""So that a rounding does not take the tank's place again."""

IN_POSSIBLE, ELSEWHERE = "in possible", "on another part"
"""What each open question could add: setbacks that only may be required, other parts of the lot."""

NO_LINES = np.empty(0, object)

Start = tuple[float, float, float]
"""Where an effluent line starts, and its invert there; NaN without a house. [m]"""

Floats = npt.NDArray[np.float64]

NOTHING = Found(
    field=False, reserve=False, planned=False, smaller=False, in_possible=False, on_unknown_ground=False, tank=None, by_gravity=None
)


@lru_cache(maxsize=1000)
def _found(before: Found = NOTHING, /, **told: bool | str | None) -> Found:
    """What was found before with what is told now; most lots share one of a few."""
    return replace(before, **told)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Setting:
    """What all lots share: the ground, for trenches, for beds, and as it were if all of it were good; and how deep pipes lie."""

    terrain: Terrain
    bed_terrain: Terrain
    dry_terrain: Terrain
    burial: Burial

    @property
    def pipes(self) -> Pipes:
        return Pipes(self.burial.effluent_fall_m_per_m, self.burial.field_pipe_depth_m)


@dataclass(frozen=True)
class Searched:
    """What the search of one lot gave: the fit to draw, for which of the sizes, and what it means; no fit where no field is allowed."""

    fit: Fit | None
    drawn_for: str
    found: Found
    need: FieldNeed | None = None

    @property
    def placement(self) -> Placement | None:
        return self.fit.placement if self.fit else None


@dataclass(frozen=True)
class Laid:
    """Layouts of some lots, one entry each: what was found, tanks with their lines, heights along the run to the field, and along a
    straight one to the reserve (None: not known, or no run)."""

    answers: list[Searched]
    tanks: tank.Tanks
    profiles: list[Profile | None]
    to_reserve: list[Profile | None]

    def fall_along_m(self, lot: int, setting: Setting) -> float:
        """The most that the ground falls along a trench of field or reserve, 0 where nothing is drawn. [m]"""
        drawn = self.answers[lot].placement
        return 0.0 if drawn is None else fall_along_m(setting.terrain, (*drawn.trenches, *drawn.reserve_trenches))


def laid_out(lots: Lots, setting: Setting) -> Laid:
    """Field, reserve and tank of every lot, and what the search found.

    The tank has the last word twice: where the field took its only place, and where sewage would have to be lifted to the field, the field
    is looked for once more.
    """
    starts, grounds = starts_of(lots, setting), dict[int, SiteGround]()
    clear = sites(at_homes(lots, lots.field_m), at_homes(lots, lots.reserve_m), starts)
    possible = sites(at_homes(lots, lots.field_possible_m), at_homes(lots, lots.reserve_possible_m), starts)
    answers = [_searched(lots, lot, setting, clear[lot], possible[lot], grounds) for lot in range(len(lots))]
    laid = _with_tanks(lots, setting, answers)
    laid = _moved(lots, setting, laid, _beside_the_tank(lots, setting, laid, starts))
    laid = _moved(lots, setting, laid, _below_the_tank(lots, setting, laid, grounds))
    to_reserve = profiles_to_reserve(setting, laid.tanks, [answer.placement for answer in laid.answers])
    return replace(laid, answers=_told_of_tanks(lots, laid), to_reserve=to_reserve)


def joined(parts: Sequence[Laid]) -> Laid:
    """The layouts of several parts of the lots, in their order."""
    columns = {column.name: np.concatenate([getattr(part.tanks, column.name) for part in parts]) for column in fields(tank.Tanks)}
    return Laid(
        [answer for part in parts for answer in part.answers],
        tank.Tanks(**columns),
        [along for part in parts for along in part.profiles],
        [along for part in parts for along in part.to_reserve],
    )


def without(laid: Laid, ignored: npt.NDArray[np.bool_]) -> Laid:
    """The layouts with nothing drawn on the ignored lots."""
    if not ignored.any():
        return laid
    rows = np.flatnonzero(ignored)
    nothing = np.full(len(rows), NO_ROOM, object)
    bare = tank.place(nothing, nothing, nothing, nothing, nothing, nothing)
    blank = [Searched(None, "", replace(NOTHING, unsized=FAILED)) for _ in rows]
    anew = _taken_over(laid, rows.tolist(), Laid(blank, bare, [None] * len(rows), [None] * len(rows)))
    to_reserve = [None if gone else along for gone, along in zip(ignored, laid.to_reserve, strict=True)]
    return replace(anew, to_reserve=to_reserve)


def drawn(answers: Sequence[Searched]) -> tuple[Geometries, Geometries]:
    """The fields and the reserves that were placed, empty where there is none."""
    placed = [answer.placement for answer in answers]
    return _shapes_of([one and one.field for one in placed]), _shapes_of([one and one.reserve for one in placed])


def _tanks(lots: Lots, answers: Sequence[Searched], possible: bool = False) -> tank.Tanks:
    """A tank beside the field of every lot that has one; `possible` in what every open question of its setbacks would leave it, and with
    pipes across anything but buildings."""
    envelopes_m, barriers_m = (lots.tank_possible_m, lots.roofs_m) if possible else (lots.tank_m, lots.barriers_m)
    return tank.place(lots.houses_m, envelopes_m, *drawn(answers), lots.shapes_m, barriers_m)


def _with_tanks(lots: Lots, setting: Setting, answers: list[Searched]) -> Laid:
    """The layouts with their tanks and with lines to the fields' highest corners; the way to the reserves is left open."""
    tanks = _with_headers(setting, _tanks(lots, answers), answers)
    profiles = profiles_of(setting, tanks, [answer.placement for answer in answers])
    return Laid(answers, tanks, profiles, [None] * len(answers))


def _moved(lots: Lots, setting: Setting, laid: Laid, answers: Mapping[int, Searched]) -> Laid:
    """The layouts with other answers for some lots, whose tanks are placed anew."""
    if not answers:
        return laid
    rows = sorted(answers)
    anew = _with_tanks(lots.of(rows), setting, [answers[lot] for lot in rows])
    return _taken_over(laid, rows, anew)


def _taken_over(laid: Laid, rows: Sequence[int], anew: Laid) -> Laid:
    columns = {}
    for column in fields(tank.Tanks):
        columns[column.name] = getattr(laid.tanks, column.name).copy()
        columns[column.name][list(rows)] = getattr(anew.tanks, column.name)
    found, profiles = list(laid.answers), list(laid.profiles)
    for row, answer, along in zip(rows, anew.answers, anew.profiles, strict=True):
        found[row], profiles[row] = answer, along
    return replace(laid, answers=found, tanks=tank.Tanks(**columns), profiles=profiles)


def _beside_the_tank(lots: Lots, setting: Setting, laid: Laid, starts: Sequence[Start]) -> dict[int, Searched]:
    """Where a house has a field and no tank, the field is looked for on what is left when the tank has the nearest lawful place."""
    with_field = np.array([answer.placement is not None for answer in laid.answers], bool)
    crowded = np.flatnonzero(~shapely.is_empty(lots.houses_m) & with_field & ~laid.tanks.placed)
    centres = tank.nearest_places(lots.houses_m[crowded], lots.tank_m[crowded])
    kept_free = shapely.buffer(centres, tank.ROOM_RADIUS_M + tank.CLEAR_OF_FIELD_M + TO_SPARE_M)
    return {
        lot: _again(lots, lot, setting, laid.answers[lot], shape, starts[lot])
        for lot, shape in zip(crowded.tolist(), kept_free, strict=True)
        if not shapely.is_empty(shape)
    }


def _below_the_tank(lots: Lots, setting: Setting, laid: Laid, grounds: Mapping[int, SiteGround]) -> dict[int, Searched]:
    """Where sewage would have to be lifted and some ground lies low enough, the field is looked for once more from the tank as it stands;
    taken where it then needs no pump. `grounds` : of lots that were searched before."""
    second = {}
    lifted = [lot for lot, run in enumerate(laid.profiles) if run is not None and run.lift_m > 0]
    lowest = lowest_m(setting.terrain, lots.field_m[lifted]) - setting.burial.field_pipe_depth_m
    centres = shapely.get_coordinates(laid.tanks.centres_m[lifted]).tolist()
    for lot, lowest_pipe_m, (x, y) in zip(lifted, lowest.tolist(), centres, strict=True):
        run = laid.profiles[lot]
        # Some ground of the field's envelope may lie low enough for the tank's outlet.
        if run is not None and lowest_pipe_m <= run.tank_outlet_m + LOWER_STILL_M:
            # As much lower as was missing: the search knows nothing of the ground on the way and of the header along the field.
            start = x, y, run.tank_outlet_m - run.lift_m
            answer = _again(lots, lot, setting, laid.answers[lot], NO_ROOM, start, grounds.get(lot))
            if _moved_at_all(answer, laid.answers[lot]):
                second[lot] = answer
    second = _may_drain(lots, setting, second)
    runs = _moved(lots, setting, laid, second).profiles
    return {lot: answer for lot, answer in second.items() if (after := runs[lot]) is not None and after.by_gravity}


def _moved_at_all(answer: Searched, before: Searched) -> bool:
    """Whether field or reserve may lie elsewhere than before: they are other shapes."""
    now, old = answer.placement, before.placement
    return now is None or old is None or now.field is not old.field or now.reserve is not old.reserve


def _may_drain(lots: Lots, setting: Setting, answers: Mapping[int, Searched]) -> dict[int, Searched]:
    """Those of the answers whose field a line that falls all the way from the house may reach, wherever the tank stands.

    The line starts below the highest ground at the house and cannot be shorter than the way from house to field.
    """
    rows = [lot for lot, answer in answers.items() if answer.placement is not None]
    placed = [placement for lot in rows if (placement := answers[lot].placement) is not None]
    burial, houses_m = setting.burial, lots.houses_m[rows]
    way_m = shapely.distance(houses_m, np.array([placement.field for placement in placed], object))
    fall_m = burial.sewer_cover_m + burial.tank_drop_m + way_m * min(burial.sewer_fall_m_per_m, burial.effluent_fall_m_per_m)
    arrives_m = highest_m(setting.terrain, houses_m) - fall_m
    pipe_m = np.array(_highest_m(setting, [placement.trenches for placement in placed])) - burial.field_pipe_depth_m
    return {lot: answers[lot] for lot, may in zip(rows, arrives_m >= pipe_m - AT_A_CORNER_M, strict=True) if may}


def _again(
    lots: Lots, lot: int, setting: Setting, answer: Searched, kept_free: shapely.Geometry, start: Start, ground: SiteGround | None = None
) -> Searched:
    """The same lot searched anew for the size that was drawn, off the ground that is kept free; the answer as it was if that finds less.
    `ground` : of the lot's envelopes whole, where it was looked at before."""
    need, terrain = answer.need, setting.bed_terrain if answer.drawn_for == AS_A_BED else setting.terrain
    assert need is not None  # what was drawn has a size
    if ground is not None and ground.terrain is terrain and shapely.is_empty(kept_free):
        site = Site(ground.site.field, ground.site.reserve, *start)
    else:
        ground, field, reserve = None, at_home(lots, lot, lots.field_m[lot]), at_home(lots, lot, lots.reserve_m[lot])
        if not shapely.is_empty(kept_free):
            field, reserve = shapely.difference(field, kept_free), shapely.difference(reserve, kept_free)
        site = site_of(field, reserve, start)
    found = fit(site, need, terrain, setting.pipes, ground)
    return replace(answer, fit=found) if found.placement is not None and has_both(found, need) >= has_both(answer.fit, need) else answer


def _told_of_tanks(lots: Lots, laid: Laid) -> list[Searched]:
    """The answers with what was found of the tank; None where the lot has no house to drain."""
    has_house, placed = ~shapely.is_empty(lots.houses_m), laid.tanks.placed
    in_possible = placed.copy()
    without = np.flatnonzero(has_house & ~placed)
    if len(without):
        in_possible[without] = _tanks(lots.of(without), [laid.answers[lot] for lot in without], possible=True).placed
    out = []
    for lot, answer in enumerate(laid.answers):
        there = bool(placed[lot]) if has_house[lot] else None
        found = _found(answer.found, tank=there, tank_in_possible=there is False and bool(in_possible[lot]))
        out.append(Searched(answer.fit, answer.drawn_for, found, answer.need))
    return out


def _searched(lots: Lots, lot: int, setting: Setting, clear: Site, possible: Site, grounds: dict[int, SiteGround]) -> Searched:
    """Room for one lot's field and reserve in what is clear of everything; where there is none, whether what nobody knows could make the
    difference: `possible` is what every open question would leave.

    The ground of a lot on which something is drawn is put into `grounds`.
    """
    chosen = lots.sizes[lot]
    if lots.why_not[lot]:
        return Searched(None, "", _found(unsized=lots.why_not[lot]))
    if chosen.largest is None or chosen.planned is None or chosen.smallest is None:
        return Searched(None, "", _found(soil_forbids=chosen.size.why_not, unsized=chosen.in_doubt))
    terrain, pipes = setting.terrain, setting.pipes
    ground = SiteGround(clear, terrain)
    first = fit(clear, chosen.largest, terrain, pipes, ground)
    if first.placement is not None:
        grounds[lot] = ground
    if has_both(first, chosen.largest):
        return Searched(first, LARGEST, _found(field=True, reserve=True), chosen.largest)
    for bed in chosen.beds:
        laid = fit(clear, bed, setting.bed_terrain, pipes)
        if has_both(laid, bed):
            return Searched(laid, AS_A_BED, _found(field=True, reserve=True), bed)
    drawn, size, drawn_need = (first, LARGEST, chosen.largest) if first.placement else (first, "", None)
    met_unknown, alone = first.met_unknown_ground, False
    fits: dict[str, bool] = {}
    for name, need in ((PLANNED, chosen.planned), (SMALLEST, chosen.smallest)):
        if not any(fits.values()) and need not in (chosen.largest, chosen.planned if name == SMALLEST else None):
            found = fit(clear, need, terrain, pipes, ground)
            fits[name] = has_both(found, need)
            if fits[name]:
                grounds[lot] = ground
            drawn, size, drawn_need = (found, name, need) if fits[name] else (drawn, size, drawn_need)
            met_unknown |= found.met_unknown_ground
            alone |= found.placement is not None
    site, openly = clear, dict.fromkeys((IN_POSSIBLE, ELSEWHERE), False)
    for name in openly:
        wider = possible if name == IN_POSSIBLE else _of_all_parts(lots, lot, possible)
        if wider.areas_m2[0] > site.areas_m2[0] + OPEN_FROM_M2:
            site = wider
            there = room(site, chosen.smallest, terrain, pipes)
            openly[name] = there.both
            met_unknown |= there.met_unknown_ground
            alone |= there.field
    on_unknown = False
    if met_unknown:
        there = room(site, chosen.smallest, replace(terrain, unknown_is_good=True), pipes)
        on_unknown = there.both
        alone |= there.field
    told = _found(
        field=first.placement is not None,
        planned=fits.get(PLANNED, False),
        smaller=any(fits.values()),
        in_possible=openly[IN_POSSIBLE],
        on_another_part=openly[ELSEWHERE] and not openly[IN_POSSIBLE],
        on_unknown_ground=on_unknown,
        alone_at_best=alone,
    )
    return Searched(drawn if drawn is first else replace(drawn, decided_by=first.decided_by), size, told, drawn_need)


def rooms_on_good_ground(lots: Lots, setting: Setting, shapes_m: Geometries) -> list[bool]:
    """The same as `rooms_in` if all ground were good."""
    return rooms_in(lots, replace(setting, terrain=setting.dry_terrain), shapes_m)


def rooms_in(lots: Lots, setting: Setting, shapes_m: Geometries) -> list[bool]:
    """Whether field, reserve and tank of each lot's largest size would fit if field and reserve might lie in the shape given for the lot.

    A lot without a house has no tank to place.
    """
    homes_m, answers = at_homes(lots, shapes_m), []
    for lot, site in enumerate(sites(homes_m, homes_m, starts_of(lots, setting))):
        need = lots.sizes[lot].largest
        assert need is not None  # lots without a size are not asked
        found = None
        if not (lots.why_not[lot] or shapely.is_empty(site.field)):
            asked = site, need, setting.terrain, setting.pipes, SiteGround(site, setting.terrain)
            # Few have room for both, and where they lie matters to the tank alone.
            found = fit(*asked) if room(*asked).both else None
        answers.append(Searched(found, LARGEST, NOTHING, need))
    there = _tanks(lots, answers).placed | shapely.is_empty(lots.houses_m)
    return [answer.placement is not None and bool(good) for answer, good in zip(answers, there, strict=True)]


def at_home(lots: Lots, lot: int, envelope: shapely.Geometry) -> shapely.Geometry:
    """The envelope on the part of the lot that the house stands on; all of it where the lot has one part or no house."""
    house = lots.houses_m[lot]
    if shapely.get_num_geometries(lots.shapes_m[lot]) < 2 or shapely.is_empty(house):
        return envelope
    parts = shapely.get_parts(lots.shapes_m[lot])
    part = parts[np.argmin(shapely.distance(parts, shapely.point_on_surface(house)))]
    return shapely.intersection(envelope, part)


def at_homes(lots: Lots, envelopes: Geometries) -> Geometries:
    """The same of the envelopes of all lots."""
    found = envelopes.copy()
    for lot in np.flatnonzero((shapely.get_num_geometries(lots.shapes_m) > 1) & ~shapely.is_empty(lots.houses_m)).tolist():
        found[lot] = at_home(lots, lot, envelopes[lot])
    return found


def _of_all_parts(lots: Lots, lot: int, at_home: Site) -> Site:
    """The site on all of what every open question would leave of the lot, whichever part the house stands on."""
    field = lots.field_possible_m[lot]
    if field is at_home.field:
        return at_home
    return site_of(field, lots.reserve_possible_m[lot], (at_home.outlet_x_m, at_home.outlet_y_m, at_home.outlet_invert_m))


def has_both(found: Fit | None, need: FieldNeed) -> bool:
    """Whether the field was found, and the reserve too if one is asked for."""
    return found is not None and found.placement is not None and (found.placement.reserve is not None or need.reserve_share == 0)


def site_of(field: shapely.Geometry, reserve: shapely.Geometry, start: Start) -> Site:
    """One of `sites`."""
    shapes_m = np.array([field, reserve], object)
    return sites(shapes_m[:1], shapes_m[1:], [start])[0]


def starts_of(lots: Lots, setting: Setting) -> list[Start]:
    """Where each lot's effluent line would start, roughly, before the tank is placed: at the house, one tank's length out."""
    burial, built = setting.burial, ~shapely.is_empty(lots.houses_m)
    xy_m, inverts_m = np.full((len(lots), 2), np.nan), np.full(len(lots), np.nan)
    xy_m[built] = shapely.get_coordinates(shapely.centroid(lots.houses_m[built]))
    fall_m = burial.sewer_cover_m + burial.sewer_fall_m_per_m * tank.TANK_LENGTH_M + burial.tank_drop_m
    inverts_m[built] = heights_m(setting.terrain, xy_m[built]) - fall_m
    return [(x, y, invert_m) for (x, y), invert_m in zip(xy_m.tolist(), inverts_m.tolist(), strict=True)]


def profiles_of(setting: Setting, tanks: tank.Tanks, placements: Sequence[Placement | None]) -> list[Profile | None]:
    """Heights along the run from house to field of each lot; None where there is no run, or a height on it is not known."""
    rows = [lot for lot, placement in enumerate(placements) if placement is not None and tanks.placed[lot]]
    trenches = [placement.trenches for lot in rows if (placement := placements[lot]) is not None]
    return _profiles(setting, tanks, rows, tanks.effluents_m[rows], trenches)


def profiles_to_reserve(setting: Setting, tanks: tank.Tanks, placements: Sequence[Placement | None]) -> list[Profile | None]:
    """The same to the reserves, along straight lines to their highest corners: no line is drawn to one yet."""
    drawn = {lot: one for lot, one in enumerate(placements) if one is not None and one.reserve is not None and tanks.placed[lot]}
    corners, high_m = _corners_of(setting, [one.reserve for one in drawn.values()])
    known = ~np.isnan(high_m.sum(axis=1))
    rows = [lot for lot, whole in zip(drawn, known, strict=True) if whole]
    highest = np.take_along_axis(corners[known], np.argmax(high_m[known], axis=1)[:, None, None], axis=1)[:, 0]
    lines = shapely.linestrings(np.stack([shapely.get_coordinates(tanks.centres_m[rows]), highest], axis=1)) if rows else NO_LINES
    return _profiles(setting, tanks, rows, lines, [drawn[lot].reserve_trenches for lot in rows])


def _profiles(
    setting: Setting, tanks: tank.Tanks, rows: list[int], effluents_m: Geometries, trenches: Sequence[Sequence[shapely.Polygon]]
) -> list[Profile | None]:
    """Profiles of some lots to trenches, one entry for each of these; None for the others."""
    found: list[Profile | None] = [None] * len(tanks.placed)
    grounds = [_grounds_along(lines, setting.terrain) for lines in (tanks.sewers_m[rows], effluents_m)]
    for lot, sewer, effluent, top_m in zip(rows, *grounds, _highest_m(setting, trenches), strict=True):
        found[lot] = profile(sewer, effluent, top_m, setting.burial)
    return found


def _highest_m(setting: Setting, trenches: Sequence[Sequence[shapely.Polygon]]) -> list[float]:
    """The highest ground at any corner of any trench of each lot, NaN where one is not known. [m]"""
    if not trenches:
        return []
    corners, number = shapely.get_coordinates(np.array([one for several in trenches for one in several], object), return_index=True)
    first = np.cumsum([0, *(len(several) for several in trenches[:-1])])
    found: list[float] = np.maximum.reduceat(heights_m(setting.terrain, corners), np.searchsorted(number, first)).tolist()
    return found


def _corners_of(setting: Setting, areas: Geometries | Sequence[shapely.Polygon | None]) -> tuple[Floats, Floats]:
    """The corners of rectangles, shape (n, 4, 2), and the height of the ground there, (n, 4), NaN where it is not known. [m]"""
    corners = shapely.get_coordinates(np.asarray(areas, object)).reshape(-1, 5, 2)[:, :4]
    return corners, heights_m(setting.terrain, corners.reshape(-1, 2)).reshape(-1, 4)


def _with_headers(setting: Setting, tanks: tank.Tanks, answers: Sequence[Searched]) -> tank.Tanks:
    """The tanks with their effluent lines led on round the field to its highest corner, from where all trenches can be fed."""
    # A tank is placed where there is a field.
    fields_m = {lot: placement.field for lot in np.flatnonzero(tanks.placed).tolist() if (placement := answers[lot].placement) is not None}
    areas_m = np.array(list(fields_m.values()), object)
    corners, high_m = _corners_of(setting, areas_m)
    known = np.flatnonzero(~np.isnan(high_m).any(axis=1))
    if not len(known):
        return tanks
    lots, areas_m, corners = np.array(list(fields_m))[known], areas_m[known], corners[known]
    # Of corners about as high the one with the shortest way.
    about_m = np.round(high_m[known], 1)
    row, corner = np.nonzero(about_m == about_m.max(axis=1)[:, None])
    lines = tanks.effluents_m[lots]
    ends = shapely.get_coordinates(shapely.get_point(lines, -1))
    ways = _along_rings(areas_m[row], ends[row], corners[row, corner])
    order = np.lexsort((shapely.length(ways), row))
    shortest = ways[order[np.unique(row[order], return_index=True)[1]]]
    (line_m, line), (way_m, way) = (shapely.get_coordinates(shapes, return_index=True) for shapes in (lines, shortest))
    onward = np.append(False, way[1:] == way[:-1])
    line_m, line = np.concatenate([line_m, way_m[onward]]), np.concatenate([line, way[onward]])
    order = np.argsort(line, kind="stable")
    effluents_m = tanks.effluents_m.copy()
    effluents_m[lots] = shapely.linestrings(line_m[order], indices=line[order])
    return replace(tanks, effluents_m=effluents_m)


def _along_rings(rectangles: Geometries, starts: Floats, ends: Floats) -> Geometries:
    """The shorter way along the outline of each of n rectangles from one point on it to another, both of shape (n, 2). [m]"""
    rings = shapely.get_coordinates(rectangles).reshape(-1, 5, 2)
    outlines, whole_m = shapely.linestrings(rings), shapely.length(rectangles)[:, None]
    start_m, end_m = (shapely.line_locate_point(outlines, shapely.points(points))[:, None] for points in (starts, ends))
    side_m = np.hypot(*np.moveaxis(np.diff(rings, axis=1), -1, 0))
    corner_m = np.cumsum(np.column_stack([np.zeros(len(rings)), side_m[:, :-1]]), axis=1)
    ahead_m = (end_m - start_m) % whole_m
    away_m = np.where(ahead_m <= whole_m / 2, (corner_m - start_m) % whole_m, (start_m - corner_m) % whole_m)
    between = (away_m > AT_A_CORNER_M) & (away_m < np.minimum(ahead_m, whole_m - ahead_m) - AT_A_CORNER_M)
    order = np.argsort(np.where(between, away_m, np.inf), axis=1, kind="stable")
    corners = np.take_along_axis(rings[:, :-1], order[:, :, None], axis=1)
    points = np.concatenate([starts[:, None], corners, ends[:, None]], axis=1)
    ends_too = np.ones((len(rings), 1), bool)
    on_way = np.concatenate([ends_too, np.take_along_axis(between, order, axis=1), ends_too], axis=1)
    ways: Geometries = shapely.linestrings(points[on_way], indices=np.nonzero(on_way)[0])
    return ways


def _grounds_along(lines: Geometries, terrain: Terrain) -> list[Ground]:
    """Ground under each line, at its corners and between them about once a cell."""
    length_m = shapely.length(lines)
    corners, owner = shapely.get_coordinates(lines, return_index=True)
    corners_m = shapely.line_locate_point(lines[owner], shapely.points(corners))
    counts = np.maximum(2, np.ceil(length_m / terrain.cell_size_m).astype(np.int64) + 1)
    last = np.cumsum(counts) - 1
    line = np.repeat(np.arange(len(lines)), counts)
    even_m = (np.arange(len(line)) - (last - counts + 1)[line]) * (length_m / (counts - 1))[line]
    even_m[last] = length_m
    whose, stations_m = np.concatenate([owner, line]), np.concatenate([corners_m, even_m])
    order = np.lexsort((stations_m, whose))
    whose, stations_m = whose[order], stations_m[order]
    new = np.ones(len(whose), bool)
    new[1:] = (whose[1:] != whose[:-1]) | (stations_m[1:] != stations_m[:-1])
    whose, stations_m = whose[new], stations_m[new]
    high_m = heights_m(terrain, shapely.get_coordinates(shapely.line_interpolate_point(lines[whose], stations_m)))
    ends = np.searchsorted(whose, np.arange(len(lines) + 1))
    return [Ground(stations_m[start:end], high_m[start:end]) for start, end in pairwise(ends.tolist())]


def _shapes_of(shapes: Sequence[shapely.Geometry | None]) -> Geometries:
    """As an array, empty where there is none."""
    array = np.empty(len(shapes), object)
    array[:] = [NO_ROOM if shape is None else shape for shape in shapes]
    return array
