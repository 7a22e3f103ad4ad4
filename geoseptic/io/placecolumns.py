"""Which columns of a table say where a well is."""

from collections.abc import Mapping, Sequence
from typing import Final

from geoseptic.errors import nearest
from geoseptic.io.sheets import column_name

ALIASES: Final[dict[str, tuple[str, ...]]] = {
    "latitude": ("lat", "lat_dd", "latdd", "latitude_dd", "lat_dec", "dec_lat", "declat", "dec_lat_va", "latitude_decimal", "gps_lat",
        "lat_dms"),
    "longitude": (
        "long", "lon", "lng", "long_dd", "lon_dd", "longdd", "londd", "longitude_dd", "long_dec", "lon_dec", "dec_long", "dec_lon",
        "declon", "dec_long_va", "longitude_decimal", "gps_long", "gps_lon", "long_dms", "lon_dms",
    ),
    "longitude_west": ("long_west", "lon_west", "degrees_west"),
    "easting": ("east", "x", "x_coord", "xcoord", "coord_x", "utm_e", "utme", "utm_x", "utm_easting", "point_x"),
    "northing": ("north", "y", "y_coord", "ycoord", "coord_y", "utm_n", "utmn", "utm_y", "utm_northing", "point_y"),
    "datum": ("horizontal_datum", "horiz_datum", "coord_datum", "datum_cd", "coord_datum_cd", "geodetic_datum"),
    "legal": ("legal_description", "legal_desc", "plss", "trs", "town_range_section", "plss_location", "location_legal"),
    "township": ("twp", "twn", "tshp", "town"),
    "township_direction": ("twp_dir", "twn_dir", "township_dir", "tdir"),
    "range": ("rng", "rge"),
    "range_direction": ("rng_dir", "rge_dir", "range_dir", "rdir"),
    "section": ("sec", "sect", "section_no"),
    "aliquot": ("quarter_quarter", "qtr_qtr", "qtrqtr", "qq", "quarter", "quarters", "qtr", "qtrs", "1/4_1/4", "aliquot_part"),
    "meridian": ("principal_meridian", "prin_mer", "pm", "mer"),
}  # fmt: skip
"""Column of a place -> other names under which tables bring it, first choice first."""

PLACE_COLUMNS: Final = tuple(ALIASES)

PAIRS: Final = (("latitude", "longitude"), ("latitude", "longitude_west"), ("easting", "northing"))


def find_columns(names: Sequence[str], mapped: Mapping[str, str]) -> tuple[dict[str, str], dict[str, Sequence[object]]]:
    """Column of a place -> column of the table, and what is wrong with that. `mapped` goes before what is guessed by name; an
    empty name in it says that there is none.

    Two columns that may both be it are asked about: the second pair of coordinates of a table may be those of its owner's office.
    """
    by_name: dict[str, str] = {}
    for name in reversed(names):
        by_name[column_name(name)] = name
    problems: dict[str, Sequence[object]] = {}
    none = {place for place, name in mapped.items() if not name}
    mapped = {place: name for place, name in mapped.items() if name}
    absent = [f"{place} = {nearest(name, names)}" for place, name in mapped.items() if column_name(name) not in by_name]
    if absent:
        problems[f"columns of the place that are not in the table (it has {', '.join(names)})"] = absent
        return {}, problems
    found = {place: by_name[column_name(name)] for place, name in mapped.items()}
    taken = set(found.values())
    for place, aliases in ALIASES.items():
        if (
            place in none
            or place in found
            or (place.startswith("longitude") and any(other in mapped for other in ("longitude", "longitude_west")))
        ):
            continue
        here = [by_name[alias] for alias in (place, *aliases) if alias in by_name and by_name[alias] not in taken]
        if not here:
            continue
        if len(here) > 1 and place in ("latitude", "longitude", "easting", "northing", "legal"):
            problems[f"several columns may be the {place}; name the one to take with --columns LAYER.{place}=NAME"] = here
            continue
        found[place] = here[0]
        taken.add(here[0])
    for one, other in (("latitude", "longitude"), ("easting", "northing")):
        others = [other, "longitude_west"] if other == "longitude" else [other]
        there = [name for name in others if name in found]
        if (one in found) != bool(there) and not problems:
            lone, lacking = (one, other) if one in found else (there[0], one)
            problems[f"a column of the {lone} ({found[lone]}) and none of the {lacking}; name it with --columns LAYER.{lacking}=NAME"] = (
                list(names)
            )
    if {"longitude", "longitude_west"} <= found.keys():
        problems["longitude is given twice; keep one of"] = [found["longitude"], found["longitude_west"]]
    if not problems and not any(one in found for one in ("latitude", "easting", "legal", "section")):
        problems[
            "no columns that say where the wells are: latitude and longitude, easting and northing, or legal (township, range, section); "
            "name them with --columns LAYER.latitude=NAME and the like. Columns here"
        ] = list(names)
    return found, problems
