"""Three invented inspections of old houses without a paper: what lids, dye and camera showed."""

from collections.abc import Sequence

import pandas as pd
from shapely.geometry import LineString, Point

from quillback import homes

FOOT_M = 0.3048
POINT_COLUMNS = ("id", "kind", "x_ft", "y_ft", "fixtures", "wells", "outlet", "outlet_baffle", "liquid", "material", "state", "notes")
RUN_COLUMNS = ("from_id", "to_id", "method", "direction", "fixtures", "flow", "length_ft", "notes")

PIT_UNDER_THE_PATIO = (
    """H   | house     |   0 |   0 | toilet, kitchen sink, bath, laundry | 1 |||||| built before the code
       CO1 | clean-out |  14 |   0 |||||||| by the kitchen wall
       OB1 | roots     |  44 |   0 |||||||| a fist of roots, camera could not pass
       P1  | pit       |  58 |   0 ||||| normal | block || under the patio, two slabs lifted
       P2  | dry well  |  -6 | -38 ||||| normal | stone || behind the garage, suds in it
       W1  | well      |  58 |  30 |||||||| hand pump, still used in summer""",
    """CO1 | OB1 | camera ||                      |     | 30 | roots
           | P1  | dye    || toilet, kitchen sink | yes |    | green in ten minutes
       CO1 | P1  | dye    ||                      | yes |    |
           | P1  | flow   || laundry              | no  |    | ran a full machine
           | P2  | flow   || laundry              | yes |    |
       W1  | P1  | tape   ||                      |     | 30 |""",
)
TANK_AND_FIELD = (
    """H  | house            |   0 |   0 | toilet, kitchen sink, shower, basin, laundry | 0 ||||||
       E1 | sewer exit       |   0 | -16 ||||||||
       T1 | tank             |   0 | -32 ||| open | good | normal | concrete || pumped last spring
       B1 | distribution box |   0 | -48 ||||| normal |||
       F1 | field line       | -20 | -60 ||||||||
       F2 | field line       |  20 | -60 ||||||||""",
    """E1 | T1 | camera || toilet, kitchen sink, shower | yes | 16 |
       E1 | T1 | camera || basin, laundry               | yes | 16 |
       T1 | B1 | camera ||                              |     | 16 |
       B1 | F1 | camera ||                              |     | 24 |
       F2 | B1 | camera | up |                          |     | 24 | pushed back from the dug end""",
)
TWO_TESTS_THAT_DISAGREE = (
    """H  | house      |  0 |   0 | toilet, kitchen sink, bath |||||||
       E1 | sewer exit | 12 |   0 ||||||||
       T1 | tank       | 26 |   0 ||| open | missing | normal | concrete || tee lies on the bottom
       P1 | pit        | 50 |  10 ||||| high | block || liquid over the inlet
       D1 | ditch      | 60 | -40 |||||| clay || pipe in the bank of the road ditch""",
    """E1 | T1 | camera || toilet        | yes | 14 |
       T1 | P1 | camera ||               |     | 26 |
          | P1 | dye    || kitchen sink  | yes |    | in April
          | D1 | dye    || kitchen sink  | yes |    | in September""",
)
STORIES = (PIT_UNDER_THE_PATIO, TANK_AND_FIELD, TWO_TESTS_THAT_DISAGREE)


def inspected(settled: Sequence[homes.Home]) -> list[homes.Home]:
    """Old houses without a sewer, one a story and each on another road: the first that gets its water as the story has it."""
    old = [home for home in settled if home.house is not None and (home.year_built or 9999) < 1960 and not home.public_sewer]
    found: list[homes.Home] = []
    for public_water in (False, True, False):
        roads = {home.parcel_id[:6] for home in found}
        choice = [home for home in old if home.public_water == public_water and home.parcel_id[:6] not in roads]
        found.append(min(choice, key=lambda home: home.parcel_id))
    return found


def sheets(settled: Sequence[homes.Home]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Points and runs of all three as an inspector's sheets: feet from the middle of each house."""
    points = pd.concat([_rows(story[0], POINT_COLUMNS, home.parcel_id) for home, story in zip(inspected(settled), STORIES, strict=True)])
    runs = pd.concat([_rows(story[1], RUN_COLUMNS, home.parcel_id) for home, story in zip(inspected(settled), STORIES, strict=True)])
    return points.reset_index(drop=True), runs.reset_index(drop=True)


def layers(settled: Sequence[homes.Home]) -> tuple[tuple[pd.DataFrame, list[Point]], tuple[pd.DataFrame, list[LineString]]]:
    """The same as records and shapes in the county's own coordinates; runs without both ends are left to the sheet."""
    points, runs = sheets(settled)
    middle = {home.parcel_id: home.house.centroid for home in inspected(settled) if home.house is not None}
    places = {}
    for row in points.itertuples():
        at = middle[row.parcel_id]
        places[row.parcel_id, row.id] = Point(at.x + float(row.x_ft) * FOOT_M, at.y + float(row.y_ft) * FOOT_M)
    lines = []
    for row in runs.itertuples():
        ends = [places[row.parcel_id, name] for name in (row.from_id or "H", row.to_id)]
        lines.append(LineString(ends))
    shown = points.drop(columns=["x_ft", "y_ft"]).assign(wells=pd.to_numeric(points["wells"]).astype("Int32"))
    measured = runs.assign(length_ft=pd.to_numeric(runs["length_ft"]))
    return (shown, [places[row.parcel_id, row.id] for row in points.itertuples()]), (measured, lines)


def _rows(story: str, columns: Sequence[str], parcel_id: str) -> pd.DataFrame:
    rows = [[cell.strip() for cell in line.split("|")] for line in story.splitlines()]
    filled = [(row + [""] * len(columns))[: len(columns)] for row in rows]
    return pd.DataFrame([[parcel_id, *row] for row in filled], columns=["parcel_id", *columns])
