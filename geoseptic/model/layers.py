"""What each input layer must bring: its geometry, its columns and what they mean. Plain declarations, quick to import."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from geoseptic.model import finding_words
from geoseptic.model.standing_rules import KINDS

ColumnKind = Literal["id", "text", "label", "number", "flag", "length", "choice"]


@dataclass(frozen=True)
class Column:
    """One column of a layer. A `text` is compared and loses its capitals, a `label` is only shown.

    A `length` is stated in its name (`_m`, `_ft`) or by a column `<name>_unit`. `aliases` are other names under which files bring it, first
    choice first; `guesses` are names by which files usually mean it: one that is taken is told, two at once are refused. A name cut to ten
    characters, as shapefiles cut it, needs no alias: readers know it by itself, save for lengths, where the cut takes the unit away. A
    number that is not `low` to `high` is kept and told: whoever reads the column takes it for unknown.
    """

    name: str
    meaning: str
    kind: ColumnKind
    required: bool = False
    choices: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    guesses: tuple[str, ...] = ()
    low: float = -math.inf
    high: float = math.inf

    @property
    def names(self) -> tuple[str, ...]:
        """The names that it may have: a length's unit is in its name, or in a column beside it."""
        units = ("_m", "_ft", "_unit") if self.kind == "length" else ()
        return (self.name, *(self.name + unit for unit in units))


@dataclass(frozen=True)
class Contract:
    """What a layer must be. `feature` is what its records are to the rules; None where a column says so."""

    name: str
    title: str
    geometry: Literal["polygon", "point", "any", "line"]
    columns: tuple[Column, ...]
    feature: str | None = None

    @property
    def id_column(self) -> str | None:
        return next((column.name for column in self.columns if column.kind == "id"), None)

    @property
    def names(self) -> tuple[str, ...]:
        """Every name that a column may have in a layer, the length columns' with a unit included."""
        return tuple(name for column in self.columns for name in column.names)


PERMIT_KINDS: Final = tuple(kind for kind in KINDS if kind != "sewer")

PARCEL_ID_NAMES: Final = (
    "apn", "pin", "pid", "parid", "parcelid", "parcel_no", "parcelno", "parcel_num", "parcelnum", "parcel_number", "parcelnumb",
    "parcelnumber", "tax_parcel",
)  # fmt: skip
YEAR_BUILT_NAMES: Final = (
    "yr_built", "yrbuilt", "yearbuilt", "year_blt", "yearblt", "yr_blt", "yrblt", "act_yr_blt",
)  # fmt: skip
BEDROOMS_NAMES: Final = (
    "bedrms", "bedrm", "bedroom", "bed_rooms", "bdrms", "bdrm", "num_bedrooms", "num_bedroo", "no_bedrooms", "no_bedroom", "no_bedrms",
)  # fmt: skip
"""Usual names of these columns in the files of assessors; common practice, no source."""

MOST_BEDROOMS: Final = 50
"""No house has more: such a number is one of another column, or stands for none. Common practice, no source."""

PARCELS: Final = Contract(
    "parcels",
    "Parcels",
    "polygon",
    (
        Column("parcel_id", "identifier, one row a parcel", "id", required=True, guesses=PARCEL_ID_NAMES),
        Column("year_built", "year in which the house was built", "number", guesses=YEAR_BUILT_NAMES),
        Column("bedrooms", "number of bedrooms", "number", guesses=BEDROOMS_NAMES, low=0, high=MOST_BEDROOMS),
        Column("permit_on_file", "whether the county has a permit for the system", "flag"),
        Column("permit_system", "kind of system that the permit on file is for", "choice", choices=PERMIT_KINDS),
        Column("permit_year", "year of the permit on file", "number"),
        Column("public_sewer", "whether the parcel is on a public sewer", "flag"),
        Column("public_water", "whether the parcel is on public water", "flag"),
        Column("percolation_min_per_in", "percolation rate found on the parcel, in minutes an inch", "number"),
        Column("soil", "soil of the field, by the name that the rule set's sizing table has for it", "text"),
        Column(
            "location_error",
            "how far the lines of this lot may lie off, as one standard deviation along each axis; for the chances of uncertainty alone",
            "length",
        ),
    ),
    feature="lot_line",
)

READ_WHOLE: Final = ("parcels", "wells")
"""Layers of which no record may go unseen: one without a shape is refused or listed, and a well far off may be roughly placed."""

WELL_KINDS: Final = {
    "private": "private_well",
    "domestic": "private_well",
    "public": "public_well",
    "irrigation": "irrigation_well",
    # An unused well is a hole to the aquifer until it is sealed.
    "unused": "private_well",
    "decommissioned": "decommissioned_well",
}
"""What a well's `kind` is to the rules."""

LOCATION_METHODS: Final = {
    "gps": "gps",
    "surveyed": "gps",
    "digitised": "digitised",
    "digitized": "digitised",
    "air_photo": "digitised",
    "map": "digitised",
    "address": "address",
    "geocoded": "address",
    "parcel_centroid": "parcel_centroid",
    "parcel": "parcel_centroid",
    "quarter_quarter": "quarter_quarter",
    "qtr_qtr": "quarter_quarter",
    "section": "section",
    "unknown": "unknown",
}
"""How a well was placed, in a file's words and in ours."""

WELLS: Final = Contract(
    "wells",
    "Wells",
    "point",
    (
        Column("well_id", "identifier", "id"),
        Column("kind", "kind of well; where empty, both private and public setbacks are kept", "choice", choices=tuple(WELL_KINDS)),
        Column("location_error", "how far the true place may be from the point", "length"),
        Column(
            "location_method",
            "how the point was placed; a section or a part of one is never taken for better than it is",
            "choice",
            choices=tuple(LOCATION_METHODS),
        ),
        Column("deep_casing", "deep watertight casing, or casing sealed into an impervious stratum", "flag"),
        Column("pressure_cemented", "whether the annulus is pressure cemented", "flag"),
        Column("sensitive_well", "whether the casing is shallow or not known to be deep", "flag"),
        Column("shallow_aquifer", "whether water enters the well less than 50 ft below grade", "flag"),
    ),
)

WATER_KINDS: Final = {
    "perennial": "surface_water",
    "intermittent": "intermittent_water",
    "reservoir": "water_supply_reservoir",
    "tributary": "water_supply_tributary",
    "canal": "irrigation_canal",
    "wetland": "wetland",
}
"""What the `kind` of a surface water is to the rules; without one it is surely surface water, and may be any of these."""

SURFACE_WATER: Final = Contract(
    "surface_water",
    "Streams, ponds, lakes and wetlands",
    "any",
    (
        Column(
            "kind", "kind of water; where empty, the longest distance of any kind may be required", "choice", choices=tuple(WATER_KINDS)
        ),
        Column("lined_watertight", "whether the channel is lined or piped watertight", "flag"),
    ),
    feature="surface_water",
)

BUILDINGS: Final = Contract(
    "buildings",
    "Buildings",
    "polygon",
    (
        Column("basement", "whether the building has a basement or cellar", "flag"),
        Column("not_a_dwelling", "whether nobody lives in it", "flag"),
        Column(
            "location_error",
            "how far this building may lie off, as one standard deviation along each axis; for the chances of uncertainty alone",
            "length",
        ),
    ),
    feature="building",
)

DRIVEWAYS: Final = Contract("driveways", "Driveways and paved ground", "any", (), feature="driveway")
POOLS: Final = Contract("pools", "Swimming pools", "any", (), feature="pool")
SPRINGS: Final = Contract("springs", "Springs", "any", (), feature="spring")
CUT_BANKS: Final = Contract("cut_banks", "Cuts and banks, along their top edge", "any", (), feature="cut_bank")
WATER_LINES: Final = Contract("water_lines", "Water supply lines", "any", (), feature="water_line")
DRAINS: Final = Contract("drains", "Drains, interceptors and ditches", "any", (), feature="drain")
PLUMBING: Final = Contract(
    "plumbing",
    "Plumbing stacks, clean-outs and sewer exits of houses",
    "point",
    (Column("kind", "what was seen: stack, clean-out or exit", "label"),),
)
CULVERTS: Final = Contract("culverts", "Culverts, from inlet to outlet", "line", ())
OTHER_FEATURES: Final = Contract(
    "other_features",
    "Any other feature of the rules, named in a column",
    "any",
    (Column("feature", "name of the feature in the rule sets, such as dry_well or vernal_pool", "text", required=True),),
)

DEEPEST_DESCRIBED_CM: Final = 500.0
"""Surveys describe soils to about 2 m, and no map unit to so much: 999 and 9999 in a depth stand for none. Common practice, no source."""


def _depth_cm(name: str, meaning: str) -> Column:
    return Column(name, meaning, "number", low=0.0, high=DEEPEST_DESCRIBED_CM)


SOILS: Final = Contract(
    "soils",
    "Soil survey map units",
    "polygon",
    (
        Column("musym", "symbol of the map unit", "label"),
        Column("mukey", "key of the map unit", "label"),
        Column("soil", "soil as the sizing tables of the rules name it, such as a texture", "text", aliases=("texture", "texcl")),
        Column("slopegraddcp", "slope of the dominant component [percent]", "number", aliases=("slopegradwta", "slope_r")),
        _depth_cm("brockdepmin", "least depth to bedrock [cm]; empty: none reported in the described depth"),
        _depth_cm("wtdepannmin", "least depth to the water table in a year [cm]; empty: none reported in the described depth"),
        _depth_cm("wtdepaprjunmin", "least depth to the water table from April to June [cm]; empty as above"),
        _depth_cm("resdept_r", "depth to the top of the restrictive layer [cm]; empty: none reported"),
        Column("reskind", "kind of the restrictive layer, such as fragipan", "text"),
        _depth_cm("described_cm", "depth down to which the soil is described [cm]; default: hzdepb_r"),
        _depth_cm("hzdept_r", "upper edge of the horizon that ksat is of [cm]"),
        _depth_cm("hzdepb_r", "lower edge of the horizon that ksat is of [cm]"),
        Column("ksat_r", "saturated hydraulic conductivity [um/s]", "number", aliases=("ksat",)),
        Column("flodfreqdcd", "flooding frequency, dominant condition", "text"),
        Column("pondfreqprs", "share of the map unit that ponds [percent], a number or a class such as 0-14%", "text"),
        Column("frag_over_3in", "fragments over 3 in, share of the weight, 0 to 40 in deep [percent]", "number"),
        Column("totalsub_r", "total subsidence [cm]", "number"),
        Column("hydgrpdcd", "hydrologic group, dominant condition", "text"),
        Column("drclassdcd", "drainage class, dominant condition", "text"),
    ),
)
"""Soil polygons with the names of the federal survey's own tables; all columns may be absent. Names and units: soil-survey-columns in
data/references.toml."""

FLOODPLAIN: Final = Contract(
    "floodplain",
    "Flood zones",
    "polygon",
    (
        Column("kind", "floodway or floodplain", "choice", choices=("floodway", "floodplain")),
        Column("zone", "flood zone as the flood insurance maps name it, such as AE or X", "text", aliases=("fld_zone",)),
        Column("subtype", "subtype of the zone, such as FLOODWAY", "text", aliases=("zone_subty",)),
    ),
)

SECTIONS: Final = Contract(
    "sections",
    "Sections of the public land survey",
    "polygon",
    (
        Column("township", "township, such as 5N", "text", required=True, aliases=("twp", "twn", "tshp", "twnshpno")),
        Column("township_direction", "N or S, where the township is a number alone", "text", aliases=("twnshpdir", "twp_dir")),
        Column("range", "range, such as 3W", "text", required=True, aliases=("rng", "rge", "rangeno")),
        Column("range_direction", "E or W, where the range is a number alone", "text", aliases=("rangedir", "rng_dir")),
        Column("section", "number of the section, 1 to 36", "text", required=True, aliases=("sec", "sect", "frstdivno")),
        Column("meridian", "name of the principal meridian", "text", aliases=("prinmer", "pm")),
    ),
)
"""Sections as the federal survey's own layers name their columns, or in plain words."""

OLD_SYSTEMS: Final = Contract(
    "old_systems",
    "Layer 'parcels' of old_systems.gpkg",
    "polygon",
    (
        Column("parcel_id", "identifier, one row a parcel", "id", required=True),
        Column(
            "cesspool",
            "whether a cesspool is likely",
            "choice",
            required=True,
            choices=("likely", "possible", "may remain", "not expected", "unknown", "no house on record"),
        ),
        Column("basis", "what that rests on", "label"),
        Column("well", "the well of the house, in the words of old_systems", "text"),
        Column(
            "may_fail_in_wet_season",
            "whether it may fail in the wet season",
            "choice",
            choices=("yes", "unknown", "no sign found"),
        ),
        Column("wet_season_reasons", "signs of wet ground", "label"),
        Column("well_downslope", "well that water from round the house comes to", "label"),
    ),
)
"""What old_systems writes of each parcel, as far as the ranking reads it."""

SCREENING: Final = Contract(
    "screening",
    "Layer 'parcels' of screening.gpkg",
    "polygon",
    (
        Column("parcel_id", "identifier, one row a parcel", "id", required=True),
        Column(
            "verdict",
            "whether a system fits",
            "choice",
            required=True,
            choices=("fits by gravity", "fits with pump", "fits only without full reserve", "does not fit", "cannot say"),
        ),
        Column("reasons", "what binds", "label"),
        Column("downslope_well", "well that water from the drawn field comes to", "label"),
    ),
)
"""What screen_county writes of each parcel, as far as the ranking reads it."""

SEARCH_AREAS: Final = Contract(
    "search_areas",
    "Layer 'search_areas' of old_systems.gpkg",
    "polygon",
    (Column("parcel_id", "parcel that the area is of", "label", required=True),),
)

RANKED: Final = Contract(
    "ranked",
    "Layer 'parcels' of priority.gpkg",
    "polygon",
    (
        Column("parcel_id", "identifier, one row a parcel", "id", required=True),
        Column("rank", "its place in the order, 1 first", "number", required=True),
        Column(
            "priority",
            "class of the place",
            "choice",
            required=True,
            choices=("first", "first tenth", "first half", "second half", "no house on record"),
        ),
        Column("cesspool", "whether a cesspool is likely", "label"),
        Column("cesspool_basis", "what that rests on", "label"),
        Column("wells_exposed", "how many wells are exposed", "number"),
        Column("which_wells", "their names", "label"),
        Column("may_fail_in_wet_season", "whether it may fail in the wet season", "label"),
        Column("wet_season_reasons", "signs of wet ground", "label"),
        Column("cautions", "before anyone goes to a lid", "label"),
    ),
)
"""What rank_parcels writes of each parcel, as far as the county map reads it."""

NEIGHBOURHOODS: Final = Contract(
    "neighbourhoods",
    "Neighbourhoods, or any other areas to sum up by",
    "polygon",
    (Column("name", "name of the area", "label", required=True),),
)

FINDING_POINTS: Final = Contract(
    "points",
    "Points of an inspection: lids, pipe ends, tanks, pits, wells and the house with its fixtures",
    "point",
    (
        Column("id", "name of the point, unique on its property", "label", required=True),
        Column("kind", "what it is", "choice", required=True, choices=tuple(finding_words.POINT_KINDS)),
        Column("parcel_id", "property that it belongs to; empty: the parcel it lies on, or the only property there is", "label"),
        Column("depth", "depth below the ground of the pipe, else of the cover", "length"),
        Column("material", "what it is made of", "choice", choices=finding_words.MATERIALS),
        Column("outlet", "outlet of a tank or pit, looked for with the lid off", "choice", choices=finding_words.OUTLETS),
        Column("outlet_baffle", "baffle or tee at a tank's outlet", "choice", choices=finding_words.BAFFLES),
        Column("liquid", "liquid level: against the outlet of a tank, against the inlet of a pit", "choice", choices=finding_words.LIQUIDS),
        Column("state", "whether it is in use", "choice", choices=finding_words.STATES),
        Column("fixtures", "of a building: every fixture in it; of a fixture: which one it is", "label"),
        Column("wells", "of a building: number of wells on the property and next to it, 0 where there surely is none", "number"),
        Column("x_ft", "place in a sketch, feet to the right of any mark", "number"),
        Column("y_ft", "place in a sketch, feet up from that mark", "number"),
        Column("x_m", "as x_ft, in metres", "number"),
        Column("y_m", "as y_ft, in metres", "number"),
        Column("notes", "anything else", "label"),
        Column("date", "day of the finding", "label"),
        Column("observer", "initials of the observer; may be left out", "label"),
    ),
)
"""The words of the columns with choices are in model/finding_words.py."""

FINDING_RUNS: Final = Contract(
    "runs",
    "Runs of an inspection: what was followed or seen from one point to another",
    "line",
    (
        Column("from_id", "point where camera, dye or water went in; empty: fixtures of the house", "label"),
        Column("to_id", "point that was reached; empty or an obstruction: not reached", "label"),
        Column("method", "how it was learnt", "choice", required=True, choices=tuple(finding_words.METHODS)),
        Column("id", "name of the run", "label"),
        Column("parcel_id", "property; empty: that of its points", "label"),
        Column("direction", "down (with the water, also where empty) or up (against it)", "choice", choices=finding_words.DIRECTIONS),
        Column("fixtures", "fixtures in which water was run", "label"),
        Column("flow", "whether that water came out at the lower end", "choice", choices=finding_words.FLOWS),
        Column("length", "length of pipe, or how far it went", "length"),
        Column("depth", "depth of the pipe below the ground at from_id", "length"),
        Column("end_depth", "depth of the pipe below the ground at to_id", "length"),
        Column("notes", "anything else, such as why it stopped", "label"),
        Column("date", "day of the run", "label"),
        Column("observer", "initials of the observer; may be left out", "label"),
    ),
)
