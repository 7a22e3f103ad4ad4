"""From the rows of a table to places: by coordinates, by a land description where sections are given, or none, with the reason."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from geoseptic.io.angles import Angle, is_empty, read_angle
from geoseptic.io.datums import ELLIPSOID, NAD83, UNKNOWN, datum_of, degrees, geographic, moved, shifts_of_unknown_datum_m
from geoseptic.io.placefaults import FAR_DEG, NEAR_DEG, Floats, Region, doubtful_decimals, plane_step, slips, steps_of
from geoseptic.io.placesstated import PlacesStated
from geoseptic.io.rawtables import RawTable
from geoseptic.io.sections import SectionPlace
from geoseptic.io.townships import Legal, read_legal, read_number, read_parts, read_section

METRES_PER_DEGREE: Final = 111_700.0
"""The longest degree of latitude there is."""

OUTSIDE_M: Final = 100.0
"""A point so far outside of the section that its own row names contradicts it (own choice: layers of sections are off by that)."""

PLANE_NUMBER: Final = re.compile(r"([+-]?[0-9]+(?:\.[0-9]*)?)\s*(?:M|FT|E|N)?", re.IGNORECASE)


@dataclass
class Places:
    """Where the rows of a table are.

    x, y : in `crs`, NaN where the place cannot be told, shape (rows,).
    digits_m : how far off the digits given leave it; the location error is at least that. [m]
    more_m : what comes on top of the location error: an unknown datum, a change of datum. [m]
    faults : kind of fault -> the rows that have it, in words.
    notes : what is to be told.
    """

    x: Floats
    y: Floats
    crs: CRS
    digits_m: Floats
    more_m: Floats
    faults: dict[str, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def locate(table: RawTable, columns: Mapping[str, str], stated: PlacesStated, crs: str, names: Sequence[str]) -> Places:
    """The places of a table's rows.

    Parameters
    ----------
    columns : column of a place -> column of the table.
    crs : datum or CRS as the user states it; empty where he does not.
    names : what messages call each row.
    """
    work = _Work(table, columns, stated, crs, names)
    return work.places()


class _Work:
    """One table on its way: the rows' coordinates, then what is wrong with them, then the sections, then one datum for all."""

    def __init__(self, table: RawTable, columns: Mapping[str, str], stated: PlacesStated, crs: str, names: Sequence[str]) -> None:
        self.table, self.columns, self.stated, self.names = table, columns, stated, names
        self.sections = stated.sections
        self.count = len(table.rows)
        self.why: dict[int, tuple[str, str]] = {}
        self.notes: list[str] = []
        self.problems: dict[str, list[str]] = {}
        self.lon, self.lat = np.full(self.count, np.nan), np.full(self.count, np.nan)
        self.digits_m, self.more_m = np.zeros(self.count), np.zeros(self.count)
        self.datums: list[CRS] = [CRS(NAD83)] * self.count
        self.crs = crs

    def texts(self, place: str) -> list[str]:
        if place not in self.columns:
            return [""] * self.count
        at = self.table.names.index(self.columns[place])
        return ["" if is_empty(row[at]) else row[at].strip() for row in self.table.rows]

    def fault(self, row: int, kind: str, words: str) -> None:
        self.why.setdefault(row, (kind, f"{self.names[row]}: {words}" if words else self.names[row]))
        self.lon[row] = self.lat[row] = np.nan

    def places(self) -> Places:
        by_degrees = "latitude" in self.columns
        if by_degrees or "easting" in self.columns:
            self._datums(by_degrees)
            if not self.problems:
                self._angles() if by_degrees else self._plane()
                self._slips(by_degrees)
        if not self.problems:
            self._sections()
        if not self.problems:
            self._unsaid()
            self._duplicates()
            if not self.stated.keeps_error:
                self._refuse_rough()
        x, y, crs = self._one_datum()
        faults = {**self.problems}
        for row in sorted(self.why):
            if np.isnan(x[row]):
                kind, words = self.why[row]
                faults.setdefault(kind, []).append(words)
        return Places(x, y, crs, self.digits_m, self.more_m, faults, self.notes)

    # What the coordinates are measured from.

    def _datums(self, by_degrees: bool) -> None:
        flag = f"--places {self.stated.layer}.datum="
        stated = None if self.crs.lower() in ("", UNKNOWN) else datum_of(self.crs)
        if self.crs.lower() not in ("", UNKNOWN) and stated is None:
            self.problems[
                f"'{self.crs}' is no datum and no coordinate system that is known; say {flag}NAD83, NAD27, WGS84 or EPSG:NUMBER"
            ] = []
            return
        words = self.texts("datum")
        if not by_degrees:
            if stated is None or not stated.is_projected:
                self.problems[f"eastings and northings need the system they are in, with its unit: {flag}EPSG:NUMBER"] = []
                return
            self.plane = stated
            self.datums = [geographic(stated)] * self.count
            return
        if stated is not None and not stated.is_geographic:
            self.problems[f"latitudes and longitudes are degrees, and {stated.name} is not in degrees; say {flag}NAD83 or the like"] = []
            return
        if not self.crs and not any(words):
            self.problems[
                f"the datum of the latitudes and longitudes is not stated, and NAD27 lies 20 to 100 m from NAD83: {flag}NAD83, NAD27, "
                f"WGS84, or unknown, which adds that to every location error"
            ] = []
            return
        known: dict[str, CRS | None] = {}
        unknown = np.zeros(self.count, bool)
        for row, word in enumerate(words):
            if word not in known:
                found = datum_of(word) if word else stated
                known[word] = None if found is None else geographic(found)
            crs = known[word]
            unknown[row] = crs is None
            self.datums[row] = crs if crs is not None else CRS(NAD83)
        self.unknown = unknown

    # Coordinates.

    def _angles(self) -> None:
        west = "longitude_west" in self.columns
        latitudes, longitudes = self.texts("latitude"), self.texts("longitude_west" if west else "longitude")
        packed = self.stated.angles == "packed"
        read: dict[int, tuple[Angle, Angle]] = {}
        forms = [""] * self.count
        for row, (lat, lon) in enumerate(zip(latitudes, longitudes, strict=True)):
            if not lat and not lon:
                continue
            if not lat or not lon:
                self.fault(row, "coordinates that are missing", f"no {'longitude' if lat else 'latitude'}")
                continue
            found = read_angle(lat, "latitude", packed), read_angle(lon, "longitude", packed)
            faults = [
                f"{axis} '{text[:40]}' {angle}"
                for axis, text, angle in zip(("latitude", "longitude"), (lat, lon), found, strict=True)
                if isinstance(angle, str)
            ]
            if faults:
                hint = f"; say --places {self.stated.layer}.angles=packed if they are" if any("marks" in words for words in faults) else ""
                if self._exchanged(lat, lon, packed):
                    hint = "; latitude and longitude seem to be exchanged"
                self.fault(row, "coordinates that cannot be read", " and ".join(faults) + hint)
                continue
            one, other = found
            assert isinstance(one, Angle) and isinstance(other, Angle)
            if one.deg == 0 and other.deg == 0:
                self.fault(row, "0, 0 stands for no coordinates", "")
                continue
            read[row] = one, other
            forms[row] = one.form if one.form == other.form else f"{one.form} and {other.form}"
            self.lat[row] = one.deg
            self.lon[row] = -abs(other.deg) if west and not other.sided else other.deg
            step_lat, step_lon = steps_of(one, other)
            self.digits_m[row] = METRES_PER_DEGREE / 2 * float(np.hypot(step_lat, step_lon * np.cos(np.radians(one.deg))))
        if self.stated.angles == "":
            self._doubtful(latitudes, longitudes, forms)
        counts = {form: forms.count(form) for form in dict.fromkeys(forms) if form}
        if len(counts) > 1:
            self.notes.append(
                "places are written in more than one form: " + ", ".join(f"{count} in {form}" for form, count in counts.items())
            )
        commas = sum(one.comma or other.comma for one, other in read.values())
        if commas:
            self.notes.append(f"{commas} places have decimal commas, read as decimal points")
        placed = np.isfinite(self.lat)
        unknown = placed & self.unknown
        if unknown.any():
            self.more_m[unknown] += shifts_of_unknown_datum_m(self.lon[unknown], self.lat[unknown])
            self.notes.append(
                f"the datum of {int(unknown.sum())} places is not known; they are read as NAD83, and up to {self.more_m.max():.0f} m, "
                "by which NAD27 lies off there, are added to their location errors"
            )

    def _exchanged(self, lat: str, lon: str, packed: bool) -> bool:
        return isinstance(read_angle(lat, "longitude", packed), Angle) and isinstance(read_angle(lon, "latitude", packed), Angle)

    def _doubtful(self, latitudes: Sequence[str], longitudes: Sequence[str], forms: Sequence[str]) -> None:
        layer = self.stated.layer
        for row in map(int, np.flatnonzero(doubtful_decimals(latitudes, longitudes, forms))):
            self.fault(
                row,
                "numbers that may be decimal degrees or degrees, minutes and seconds with a point (47.1230 for 47 12 30); say "
                f"--places {layer}.angles=decimal or {layer}.angles=packed",
                f"{latitudes[row]}, {longitudes[row]}",
            )

    def _plane(self) -> None:
        eastings, northings = self.texts("easting"), self.texts("northing")
        x, y = np.full(self.count, np.nan), np.full(self.count, np.nan)
        for row, (east, north) in enumerate(zip(eastings, northings, strict=True)):
            if not east and not north:
                continue
            one, other = PLANE_NUMBER.fullmatch(east), PLANE_NUMBER.fullmatch(north)
            if one is None or other is None:
                comma = " (a comma may be a decimal one or part thousands; write a point, and nothing between thousands)"
                words = f"'{east[:40]}', '{north[:40]}' are no easting and northing"
                self.fault(row, "coordinates that cannot be read", words + (comma if "," in east + north else ""))
            elif not float(one[1]) and not float(other[1]):
                self.fault(row, "0, 0 stands for no coordinates", "")
            else:
                x[row], y[row] = float(one[1]), float(other[1])
                unit_m = float(self.plane.axis_info[0].unit_conversion_factor)
                self.digits_m[row] = plane_step(one[1], other[1]) * unit_m / np.sqrt(2)
        there = np.isfinite(x)
        if there.any() and (np.abs(x[there]) <= 180).mean() > 0.5 and (np.abs(y[there]) <= 180).mean() > 0.5:
            layer = self.stated.layer
            self.problems[
                f"most eastings and northings look like degrees; name them with --columns {layer}.latitude=NAME and {layer}.longitude=NAME"
            ] = []
            return
        self.lon, self.lat = degrees(self.plane, x, y)
        swapped_lon, swapped_lat = degrees(self.plane, y, x)
        region = Region.of(self.stated.around)
        for row in map(int, np.flatnonzero(there)):
            if not (np.isfinite(self.lon[row]) and np.isfinite(self.lat[row])):
                self.fault(row, "coordinates that are not on Earth in the system that is stated", f"{x[row]:g}, {y[row]:g}")
                continue
            if region is None or region.off_deg(self.lon[row : row + 1], self.lat[row : row + 1])[0] <= FAR_DEG:
                continue
            swapped = np.array([swapped_lon[row]]), np.array([swapped_lat[row]])
            if np.isfinite(swapped).all() and region.off_deg(*swapped)[0] <= NEAR_DEG:
                self.fault(row, "easting and northing seem to be exchanged", f"{x[row]:g}, {y[row]:g}")

    def _slips(self, by_degrees: bool) -> None:
        found, notes, far = slips(self.lon, self.lat, Region.of(self.stated.around))
        placed = int(np.isfinite(self.lon).sum())
        self.notes += notes
        kinds = {kind for _, _, kind in found.values()}
        if by_degrees and placed > 1 and len(found) == placed and len(kinds) == 1 and kinds != {""}:
            layer, columns = self.stated.layer, self.columns
            way = (
                f"--columns {layer}.latitude={columns.get('longitude', '')} --columns {layer}.longitude={columns['latitude']}"
                if kinds == {"swapped"}
                else f"--columns {layer}.longitude_west={columns.get('longitude', '')}, if all are degrees west"
            )
            words = next(iter(found.values()))[0]
            self.problems[f"in all rows {words}: say {way}"] = []
        for row, (words, would, _) in found.items():
            self.fault(row, f"{words}, by where the parcels are", f"{self.lat[row]:.5f}, {self.lon[row]:.5f} is not here, {would}")
        if far.any() and not notes:
            names = ", ".join(self.names[row] for row in np.flatnonzero(far)[:20])
            self.notes.append(
                f"{int(far.sum())} wells lie more than {FAR_DEG:g} degrees from here ({names}); if they are of this place, they are wrong"
            )
        for row in map(int, np.flatnonzero(np.isfinite(self.lon))):
            area = self.datums[row].area_of_use
            if area is not None and not (
                area.south - 1 <= self.lat[row] <= area.north + 1 and _within(self.lon[row], area.west, area.east)
            ):
                words = f"{self.lat[row]:.5f}, {self.lon[row]:.5f}"
                self.fault(row, f"places where {self.datums[row].name} is not used; is a sign wrong?", words)

    # Sections.

    def _legal(self, row: int, cells: Mapping[str, Sequence[str]]) -> Legal | str | None:
        """The land description of a row: its text, with what columns of their own add. None where it says nothing."""
        text = cells["legal"][row]
        own = [cells[name][row] for name in ("township", "range", "section", "aliquot")]
        if not text and not any(own):
            return None
        found = read_legal(text) if text else Legal()
        if isinstance(found, str):
            return f"'{text[:60]}' {found}"
        township = found.township or _numbered(own[0], cells["township_direction"][row], "NS")
        range_ = found.range or _numbered(own[1], cells["range_direction"][row], "EW")
        section = found.section or read_section(own[2])
        for name, cell, value in (("township", own[0], township), ("range", own[1], range_), ("section", own[2], section)):
            if cell and not value:
                return f"{name} '{cell[:40]}' cannot be read" + (" (it needs its letter)" if name != "section" else "")
        parts = found.parts
        vague = found.vague
        if own[3] and not parts and not vague:
            whole = read_legal(own[3])
            if isinstance(whole, str) or whole.section or whole.township:
                read = read_parts(own[3])
                return f"'{own[3][:40]}' {read if isinstance(read, str) else 'is no aliquot part'}"
            parts, vague = whole.parts, whole.vague
        return Legal(township, range_, section, parts, found.meridian or cells["meridian"][row], vague)

    def _sections(self) -> None:
        names = ("legal", "township", "township_direction", "range", "range_direction", "section", "aliquot", "meridian")
        if not any(name in self.columns for name in ("legal", "section")):
            return
        cells = {name: self.texts(name) for name in names}
        taken = contradicted = uncut = vague = 0
        for row in range(self.count):
            legal = self._legal(row, cells)
            if legal is None:
                continue
            by_point = bool(np.isfinite(self.lon[row]))
            if self.sections is None:
                if not by_point:
                    self.why.setdefault(row, ("land descriptions, and no layer of sections to place them by (--sections)", self.names[row]))
                continue
            found = legal if isinstance(legal, str) else self.sections.place(legal)
            if isinstance(found, str):
                if not by_point:
                    kind, words = self.why.get(row, ("land descriptions that cannot be placed", self.names[row]))
                    self.why[row] = (kind, f"{words}; {found}" if words != self.names[row] else f"{words}: {found}")
                continue
            if by_point:
                contradicted += self._contradiction(row, found)
                continue
            self.lon[row], self.lat[row], self.digits_m[row] = found.lon_deg, found.lat_deg, found.error_m
            self.datums[row], self.more_m[row] = self.sections.datum, 0.0
            self.why.pop(row, None)
            taken += 1
            uncut += not found.cut
            vague += isinstance(legal, Legal) and legal.vague
        if taken:
            self.notes.append(
                f"{taken} wells are placed by their land description, in the middle of the part of the section that it names; their "
                f"location error reaches its farthest corner (up to {self.digits_m.max():,.0f} m). A map of sections is no survey"
            )
        if uncut:
            self.notes.append(f"{uncut} of these lie in sections too irregular to be cut in quarters: anywhere in the section")
        if vague:
            self.notes.append(f"{vague} of these name a lot, or parts with a comma between them: anywhere in the section")
        if contradicted:
            self.notes.append(
                f"{contradicted} wells have coordinates outside of the section that their own row names; their location error is widened "
                "to the farthest corner of that part"
            )

    def _contradiction(self, row: int, found: SectionPlace) -> bool:
        """Widens the error of a point that its own land description contradicts."""
        assert self.sections is not None
        part = found.part_deg
        nearest = shapely.get_coordinates(shapely.shortest_line(part, shapely.Point(self.lon[row], self.lat[row])))
        off_m = ELLIPSOID.inv(nearest[0][0], nearest[0][1], self.lon[row], self.lat[row])[2]
        # Datums are left out here: they are within what is forgiven.
        if off_m <= OUTSIDE_M + max(self.digits_m[row], self.stated.assumed_error_m):
            return False
        corners = shapely.get_coordinates(part)
        away = ELLIPSOID.inv(corners[:, 0], corners[:, 1], np.full(len(corners), self.lon[row]), np.full(len(corners), self.lat[row]))[2]
        self.digits_m[row] = max(self.digits_m[row], float(np.max(away)) + OUTSIDE_M)
        return True

    # The rest.

    def _unsaid(self) -> None:
        for row in map(int, np.flatnonzero(np.isnan(self.lon))):
            self.why.setdefault(row, ("no place is given", self.names[row]))

    def _refuse_rough(self) -> None:
        for row in np.flatnonzero(np.isfinite(self.lon) & (self.digits_m + self.more_m > 5.0)):
            words = f"off by up to {self.digits_m[row] + self.more_m[row]:.0f} m"
            self.fault(int(row), f"places too rough for {self.stated.layer}, which have no location error (5 m at most)", words)

    def _duplicates(self) -> None:
        seen: dict[tuple[float, float], list[int]] = {}
        for row in map(int, np.flatnonzero(np.isfinite(self.lon) & (self.digits_m < 250))):
            seen.setdefault((self.lon[row], self.lat[row]), []).append(row)
        shared = {place: own for place, own in seen.items() if len(own) > 1}
        if shared:
            first = "; ".join(", ".join(self.names[row] for row in own[:4]) for own in list(shared.values())[:5])
            self.notes.append(
                f"{sum(map(len, shared.values()))} wells stand on {len(shared)} places that others share ({first}): copies of a row, or "
                "places of a lot or an office and not of the well"
            )

    def _one_datum(self) -> tuple[Floats, Floats, CRS]:
        """All places in one datum, of NAD83 and WGS 84 that of most; what the change may put wrong comes on top of the location error."""
        keys = [crs.to_wkt() if np.isfinite(self.lon[row]) else "" for row, crs in enumerate(self.datums)]
        counts = {key: keys.count(key) for key in dict.fromkeys(keys) if key}
        if not counts:
            return self.lon, self.lat, self.datums[0] if self.datums else CRS(NAD83)
        most = max(counts, key=lambda key: counts[key])
        target = self.datums[keys.index(most)]
        if not target.name.startswith(("NAD83", "WGS 84")):
            # The plane in which everything is measured stands on one of these; from an older datum it may have no straight way.
            target = CRS(NAD83)
            most = ""
        for key in counts:
            if key == most:
                continue
            rows = np.array([own == key for own in keys])
            crs = self.datums[keys.index(key)]
            found = moved(crs, target, self.lon[rows], self.lat[rows])
            if found is None:
                for row in map(int, np.flatnonzero(rows)):
                    self.fault(row, f"places in {crs.name}, for which no way to {target.name} is at hand", "")
                continue
            self.lon[rows], self.lat[rows] = found.lon_deg, found.lat_deg
            self.more_m[rows] += found.accuracy_m if np.isfinite(found.accuracy_m) else self.stated.assumed_error_m
            self.notes.append(f"{int(rows.sum())} places are in {crs.name} and were taken to {target.name} {found.way}")
        return self.lon, self.lat, target


def _numbered(text: str, letter: str, letters: str) -> str:
    whole = text.removesuffix(".0")
    return read_number(whole, letters) or (read_number(whole + letter[:1].upper(), letters) if letter else "")


def _within(lon: float, west: float, east: float) -> bool:
    """Whether a longitude lies in an area that may go over the date line, with a degree to spare."""
    return west - 1 <= lon <= east + 1 if west <= east else lon >= west - 1 or lon <= east + 1


def row_names(table: RawTable, id_column: str | None) -> list[str]:
    """What messages call each row: its identifier and its line."""
    at = table.names.index(id_column) if id_column else None
    found = []
    for row, line in zip(table.rows, table.lines, strict=True):
        own = row[at][:40] if at is not None and row[at] else ""
        found.append(f"{own} (line {line})" if own else f"line {line}")
    return found


def widened_m(stated_m: npt.NDArray[np.float64], places: Places, assumed_m: float) -> Floats:
    """The location errors, shape (rows,): at least what the digits leave, and what an unknown datum adds; NaN where nothing is to be added
    to the error that a run assumes. [m]"""
    known = np.where(np.isnan(stated_m), assumed_m, stated_m)
    widened = np.maximum(known, places.digits_m) + places.more_m
    return np.where(np.isnan(stated_m) & (widened <= assumed_m), np.nan, widened)
