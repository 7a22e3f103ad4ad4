"""Dirty tables of wells: places as people type them."""

from collections.abc import Callable, Sequence
from pathlib import Path

import geopandas
from shapely import box

from tests.dirty.cases import Options, dirty
from tests.dirty.county import CRS, at, county, write_county

IN_WGS84 = "wells.datum=WGS84"


def degrees() -> list[tuple[float, float]]:
    """Longitude and latitude of the clean wells."""
    return [(place.x, place.y) for place in county().wells.to_crs("EPSG:4326").geometry]


def dms(value: float, letters: str) -> str:
    """Such as 46 57 12.3456 N."""
    whole = abs(value)
    minutes = (whole % 1) * 60
    return f"{int(whole)}\N{DEGREE SIGN}{int(minutes)}'{(minutes % 1) * 60:.4f}\"{letters[0] if value >= 0 else letters[1]}"


def table(
    folder: Path,
    cells: Callable[[int, float, float], tuple[str, str]],
    *,
    mark: str = ",",
    encoding: str = "utf-8",
    places: Sequence[str] = (IN_WGS84,),
) -> Options:
    """The county with the wells as wells.csv; `cells` words the latitude and longitude of well number 0 to 3."""
    rows = [mark.join(("well_id", "kind", "latitude", "longitude", "location_error_m"))]
    for number, (lon, lat) in enumerate(degrees()):
        well = county().wells.iloc[number]
        rows.append(mark.join((well.well_id, well.kind, *cells(number, lat, lon), f"{well.location_error_m:g}")))
    path = folder / "wells.csv"
    path.write_bytes("\r\n".join([*rows, ""]).encode(encoding))
    return {**write_county(folder), "wells": str(path), "places": tuple(places)}


def decimal(number: int, lat: float, lon: float) -> tuple[str, str]:
    return f"{lat:.7f}", f"{lon:.7f}"


@dirty("wells in a CSV, decimal degrees; the accuracy of the reprojection is added", "safe", "wells reprojected from EPSG:4326")
def table_of_wells(folder: Path) -> Options:
    return table(folder, decimal)


@dirty("a CSV that does not say its datum", "refused", "datum")
def table_without_a_datum(folder: Path) -> Options:
    return table(folder, decimal, places=())


@dirty("degrees, minutes and seconds", "safe", "wells reprojected")
def table_in_degrees_minutes_seconds(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (dms(lat, "NS"), dms(lon, "EW")))


@dirty("a CSV with semicolons in UTF-16, as some spreadsheets save it", "safe", "wells reprojected")
def table_in_utf16(folder: Path) -> Options:
    return table(folder, decimal, mark=";", encoding="utf-16")


@dirty("latitude and longitude in each other's column", "refused", "w1", "w4")
def table_with_swapped_columns(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (f"{lon:.7f}", f"{lat:.7f}"))


@dirty("one longitude without its minus", "refused", "w2")
def table_with_a_lost_minus(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (f"{lat:.7f}", f"{-lon if number == 1 else lon:.7f}"))


@dirty("one well at 0, 0", "refused", "w3")
def table_with_a_null_place(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: ("0", "0") if number == 2 else decimal(number, lat, lon))


@dirty("one well without coordinates", "refused", "w3")
def table_with_an_empty_place(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: ("", "") if number == 2 else decimal(number, lat, lon))


@dirty("one latitude beyond the pole", "refused", "w1")
def table_beyond_the_pole(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: ("146.95", f"{lon:.7f}") if number == 0 else decimal(number, lat, lon))


@dirty("one well off by a whole degree", "refused", "w4")
def table_off_by_a_degree(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (f"{lat + (number == 3):.7f}", f"{lon:.7f}"))


@dirty("decimal commas between semicolons", "safe")
def table_with_decimal_commas(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (f"{lat:.5f}".replace(".", ","), f"{lon:.5f}".replace(".", ",")), mark=";")


@dirty("places of two digits: each may be a kilometre off, which counts as the error of its place", "safe")
def table_of_two_digits(folder: Path) -> Options:
    return table(folder, lambda number, lat, lon: (f"{lat:.2f}", f"{lon:.2f}"))


@dirty("a quotation mark that swallows the lines behind it", "refused", "wells.csv")
def table_with_an_open_quote(folder: Path) -> Options:
    options = table(folder, decimal)
    path = folder / "wells.csv"
    path.write_bytes(path.read_bytes().replace(b"w2,", b'"w2,'))
    return options


def sections(folder: Path) -> Path:
    """A section of a mile about the county."""
    left, top = at(-700, -700)
    square = box(left, top - 1609.344, left + 1609.344, top)
    frame = {"township": ["18N"], "range": ["1W"], "section": [12], "meridian": ["Willamette"]}
    path = folder / "sections.gpkg"
    geopandas.GeoDataFrame(frame, geometry=[square], crs=CRS).to_file(path, layer="sections")
    return path


def located(folder: Path, text: str) -> Options:
    rows = ["well_id,kind,legal,location_error_m", f"w1,private,{text},", *(f"w{number},private,Sec 12 T18N R1W," for number in (2, 3, 4))]
    (folder / "wells.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return {**write_county(folder), "wells": str(folder / "wells.csv"), "sections": f"{sections(folder)}|sections"}


@dirty("wells by township, range and section: each may be anywhere in it", "safe")
def table_of_sections(folder: Path) -> Options:
    return located(folder, "NW1/4 NW1/4 Sec 12 T18N R1W")


@dirty("a section that the section layer does not have", "refused", "w1")
def table_of_another_section(folder: Path) -> Options:
    return located(folder, "NW1/4 NW1/4 Sec 35 T18N R1W")


@dirty("a description of land that nobody can read", "refused", "w1")
def table_of_unreadable_land(folder: Path) -> Options:
    return located(folder, "behind the old mill")
