"""The words in which an inspector writes down what he found: kinds of points, ways to learn of a pipe, fixtures, and other set words.

A word may be written with spaces, hyphens or capitals and in the spellings of `*_SPELLINGS`; any other is refused with the list.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Final, Literal

Role = Literal["source", "passage", "tank", "end", "apart"]


@dataclass(frozen=True)
class PointKind:
    """A kind of point. `order` is its place down the way of the water, None where it may be anywhere.

    role : source (water comes from it), passage, tank (solids stay in it), end (water goes nowhere else), apart (no part of a way).
    """

    words: str
    role: Role
    order: int | None = None


POINT_KINDS: Final[Mapping[str, PointKind]] = MappingProxyType(
    {
        "building": PointKind("the house, or another building with plumbing", "source", 0),
        "fixture": PointKind("one fixture in it", "source", 0),
        "sewer_exit": PointKind("where the building's sewer leaves the wall", "passage", 1),
        "clean_out": PointKind("opening on the building's sewer, before any tank", "passage", 2),
        "pipe_end": PointKind("an end of pipe that was found or dug up", "passage"),
        "lid": PointKind("a lid or cover; what is under it was not seen", "passage"),
        "obstruction": PointKind("roots, a break or a bend at which camera or snake stopped", "passage"),
        "tank": PointKind("watertight tank in which solids settle, seen inside", "tank", 3),
        "pump_chamber": PointKind("chamber with a pump", "passage", 4),
        "distribution_box": PointKind("box that shares the water out", "passage", 5),
        "pit": PointKind("pit whose wall or bottom lets water out, seen inside", "end", 6),
        "field_line": PointKind("perforated pipe, trench or bed", "end", 6),
        "outfall": PointKind("end of a pipe in the open: at a ditch, creek, slope or storm drain", "end", 7),
        "public_sewer": PointKind("the public sewer, or the connection to it", "end", 7),
        "well": PointKind("drinking water well, or one that may be", "apart"),
        "surfacing": PointKind("sewage at the surface of the ground", "apart"),
    }
)

POINT_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "house": "building", "garage": "building", "building_sewer_exit": "sewer_exit", "exit": "sewer_exit", "cleanout": "clean_out",
        "co": "clean_out", "pipe": "pipe_end", "cover": "lid", "manhole": "lid", "roots": "obstruction", "blockage": "obstruction",
        "break": "obstruction", "septic_tank": "tank", "pump_tank": "pump_chamber", "d_box": "distribution_box", "dbox": "distribution_box",
        "drywell": "pit", "dry_well": "pit", "drain_field": "field_line", "leach_field": "field_line", "trench": "field_line",
        "bed": "field_line", "daylight": "outfall", "ditch": "outfall", "creek": "outfall", "stream": "outfall", "storm_drain": "outfall",
        "sewer": "public_sewer", "breakout": "surfacing", "wet_spot": "surfacing",
    }
)  # fmt: skip
"""`cesspool` and `seepage pit` are not among them: they say what a pit is to the law, which follows from what is before it."""

SEEN: Final = 4
LOCATED: Final = 3
WATER_SEEN: Final = 2
HEARD: Final = 1
TOLD: Final = 0

STRENGTHS: Final[Mapping[int, str]] = MappingProxyType(
    {
        SEEN: "seen through",
        LOCATED: "traced",
        WATER_SEEN: "water seen to come out",
        HEARD: "heard or probed",
        TOLD: "from a record or assumed",
    }
)
"""How well a link is known, in words; the order is our own choice, common practice without a source."""


@dataclass(frozen=True)
class Method:
    """A way to learn what drains where. `strength` is that of the link that it shows, None where it shows none.

    needs_flow : it shows a link only where water was put in and was seen or heard at the other end.
    """

    words: str
    strength: int | None
    needs_flow: bool = False


METHODS: Final[Mapping[str, Method]] = MappingProxyType(
    {
        "camera": Method("camera pushed through the pipe", SEEN),
        "uncovered": Method("pipe laid open, seen from one end to the other", SEEN),
        "locator": Method("sonde or locator followed over the ground", LOCATED),
        "dye": Method("dye put in and seen to come out", WATER_SEEN, True),
        "flow": Method("water run and seen to come out", WATER_SEEN, True),
        "heard": Method("water run and heard", HEARD, True),
        "probe": Method("pipe followed with a probe", HEARD),
        "record": Method("on a drawing or in a record", TOLD),
        "assumed": Method("told by somebody, or guessed", TOLD),
        "tape": Method("distance measured over the ground; says nothing of a pipe", None),
    }
)

METHOD_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "cctv": "camera", "video": "camera", "dug_up": "uncovered", "dug": "uncovered", "sonde": "locator", "dye_test": "dye",
        "water": "flow", "water_run": "flow", "water_seen": "flow", "water_heard": "heard", "listened": "heard", "probed": "probe",
        "permit": "record", "drawing": "record", "owner": "assumed", "guess": "assumed", "measured": "tape", "tape_measure": "tape",
    }
)  # fmt: skip

SEWAGE: Final = "sewage"
GREYWATER: Final = "greywater"
CLEAR_WATER: Final = "clear water"

FIXTURES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "toilet": SEWAGE, "urinal": SEWAGE, "kitchen sink": SEWAGE, "dishwasher": SEWAGE, "garbage disposal": SEWAGE, "bar sink": SEWAGE,
        "floor drain": SEWAGE, "other": SEWAGE,
        "bath": GREYWATER, "shower": GREYWATER, "basin": GREYWATER, "laundry": GREYWATER, "utility sink": GREYWATER,
        "water softener": CLEAR_WATER, "sump pump": CLEAR_WATER, "roof drain": CLEAR_WATER, "foundation drain": CLEAR_WATER,
        "condensate drain": CLEAR_WATER,
    }
)  # fmt: skip
"""Fixtures and the water that comes from them. Codes differ on the kitchen sink: WAC 246-272C-0020 counts it as greywater, others as
sewage; here it is sewage, and so is what nobody knows, such as a floor drain."""

FIXTURE_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "wc": "toilet", "water closet": "toilet", "kitchen": "kitchen sink", "disposal": "garbage disposal", "disposer": "garbage disposal",
        "tub": "bath", "bathtub": "bath", "lavatory": "basin", "bathroom sink": "basin", "washbasin": "basin", "washing machine": "laundry",
        "washer": "laundry", "laundry sink": "utility sink", "laundry tub": "utility sink", "softener": "water softener",
        "sump": "sump pump", "downspout": "roof drain", "gutter": "roof drain",
    }
)  # fmt: skip

OUTLETS: Final = ("open", "plugged", "none")
BAFFLES: Final = ("good", "broken", "missing")
LIQUIDS: Final = ("normal", "low", "high", "dry")
STATES: Final = ("in_use", "abandoned", "filled")
MATERIALS: Final = ("concrete", "block", "brick", "stone", "metal", "plastic", "fibreglass", "wood", "clay", "cast_iron", "fibre", "earth")
DIRECTIONS: Final = ("down", "up")
FLOWS: Final = ("yes", "no")
UNKNOWN: Final = frozenset({"unknown", "not_known", "not_seen", "?", "n_a", "na"})
"""Written where nobody knows: the same as an empty cell."""

OTHER_SPELLINGS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "outlet": {"capped": "plugged", "yes": "open", "no": "none"},
        "outlet_baffle": {"present": "good", "ok": "good", "gone": "missing", "none": "missing", "damaged": "broken"},
        "liquid": {"at_outlet": "normal", "below_outlet": "low", "above_outlet": "high", "full": "high", "empty": "dry"},
        "state": {"active": "in_use", "capped": "abandoned", "unused": "abandoned", "disused": "abandoned"},
        "material": {
            "steel": "metal",
            "fiberglass": "fibreglass",
            "orangeburg": "fibre",
            "fiber": "fibre",
            "pvc": "plastic",
            "abs": "plastic",
        },
        "direction": {"downstream": "down", "with_flow": "down", "upstream": "up", "against_flow": "up"},
        "flow": {"y": "yes", "true": "yes", "1": "yes", "n": "no", "false": "no", "0": "no"},
    }
)

SPELLINGS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {"kind": POINT_SPELLINGS, "method": METHOD_SPELLINGS, **OTHER_SPELLINGS}
)
"""Column -> another spelling -> the word."""

LONGEST_FIXTURE: Final = 60


@lru_cache(maxsize=10_000)
def plain_word(column: str, written: str) -> str:
    """A word of a column as the lists have it, empty where nobody knows; one that is in no list comes back in small letters."""
    word = re.sub(r"[\s_/-]+", "_", written.strip().lower())
    if word in UNKNOWN:
        return ""
    return SPELLINGS.get(column, {}).get(word, word)


@lru_cache(maxsize=10_000)
def fixture_names(written: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The fixtures in 'toilet, kitchen; bath 2', and what is none. A few words may follow: 'basin upstairs' is another basin."""
    known, unknown = [], []
    for words in _parts(written):
        name = _fixture(words) if len(words) <= LONGEST_FIXTURE else None
        if name is None:
            unknown.append(words)
        elif name not in known:
            known.append(name)
    return tuple(known), tuple(unknown)


def _parts(written: str) -> list[str]:
    parts = (part.replace("_", " ").replace("-", " ").split() for part in re.split(r"[,;+]|\band\b|&", written.lower()))
    return [" ".join(words) for words in parts if words]


def repeated_fixtures(written: str) -> tuple[str, ...]:
    """Fixtures that 'toilet, wc, kitchen' lists more than once, in one spelling or two: there may be two of them."""
    names = [name for part in _parts(written) if (name := _fixture(part)) is not None]
    return tuple(dict.fromkeys(name for name in names if names.count(name) > 1))


def water_of(fixture: str) -> str:
    """SEWAGE, GREYWATER or CLEAR_WATER; `fixture` is a name that `fixture_names` gave. The worst of all that its words name counts: a
    'laundry room toilet' is a toilet, and a 'sump pump for the laundry' pumps what a laundry gives."""
    begins = next(name for name in _BY_LENGTH if _begins(fixture, name))
    waters = {FIXTURES[begins], *(water for name, water in _ANYWHERE.items() if f" {name} " in f" {fixture} ")}
    return next(water for water in WORST_FIRST if water in waters)


WORST_FIRST: Final = (SEWAGE, GREYWATER, CLEAR_WATER)
_BY_LENGTH: Final = tuple(sorted(FIXTURES, key=len, reverse=True))
_ANYWHERE: Final = {
    written: FIXTURES[FIXTURE_SPELLINGS.get(written, written)]
    for written in (*FIXTURES, *FIXTURE_SPELLINGS)
    if written not in ("other", "kitchen")
}
"""Words of a fixture -> its water, but for words that may mean something else: 'the other basin', 'basin by the kitchen'."""


def _fixture(words: str) -> str | None:
    for written in sorted({*FIXTURES, *FIXTURE_SPELLINGS}, key=len, reverse=True):
        if _begins(words, written):
            return FIXTURE_SPELLINGS.get(written, written) + words[len(written) :]
    return None


def _begins(words: str, name: str) -> bool:
    return words == name or words.startswith(name + " ")
