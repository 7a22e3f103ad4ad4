"""What a sheet says beside its plan, as sections that any page can set."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoseptic.io.runfolders import FinishedRun
from geoseptic.io.sites import Site
from geoseptic.model.cautions import BEFORE_ANY_LID, CAUTIONS
from geoseptic.model.rules import FEATURES, PARTS
from geoseptic.sheets.bearings import true_north_degrees, true_north_words
from geoseptic.sheets.distances import MAY_BE, Kept, of_each_kind
from geoseptic.sheets.plan import Plan, drawn_places, hole_name, length_text, named, presumed_wells_of, wells_of
from geoseptic.sheets.sureness import OFF_SIGMAS, place_words
from geoseptic.units import from_metres, metres_per

NEXT_STEPS: Final[Mapping[str, str]] = {
    "fits by gravity": (
        "Take this plan to the lot: find every well, the lot corners and the house's sewer exit, then have the test holes dug and the soil "
        "looked at before anyone designs."
    ),
    "fits with pump": (
        "Take this plan to the lot: find every well, the lot corners and the house's sewer exit, have the ground levelled from house to "
        "field, and have the test holes dug before anyone designs."
    ),
    "fits only without full reserve": (
        "Ask the health authority first whether it grants a system without the full reserve here. Then check wells, corners and soil on "
        "the lot."
    ),
    "does not fit": (
        "Nothing of the usual kind has room by what is on record. Check on the lot whether the wells, lines and buildings that bind lie "
        "where they are drawn, and ask the health authority what else it allows."
    ),
    "cannot say": "What is missing is listed below. Until it is known, treat the lot as one without room.",
}
"""Common practice, no source."""


SURENESS: Final = "How sure it is"
HANGS_ON: Final = "What it hangs on"


@dataclass(frozen=True)
class Table:
    """Rows under a head; `weights` are shares of the width."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    weights: tuple[float, ...]


@dataclass(frozen=True)
class Section:
    """A heading with paragraphs, items of a list and a table."""

    title: str
    texts: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    table: Table | None = None
    strong: bool = False


def sections_of(plan: Plan, run: FinishedRun) -> tuple[Section, ...]:
    """All that is said of a site, the weightiest first."""
    site = plan.site
    told = of_each_kind(plan.distances)
    sources = list(dict.fromkeys(kept.citation for kept in told))
    verdict, steps = verdict_words(site)
    found = (
        *_sureness(plan),
        Section(
            "Verdict" if plan.doubts is None else "If everything lies as it is drawn", (f"{verdict}. {steps}",), strong=plan.doubts is None
        ),
        Section("Reasons", items=_parts(site.row["reasons"])),
        _without(site),
        Section("To be checked on the lot", items=_open_questions(plan)),
        _setbacks(told, site.unit, sources, "Kept" if plan.doubts is None else "Kept as drawn"),
        _sizing(site),
        Section("What this rests on", items=_parts(site.row["assumptions"])),
        Section("Notes", items=_parts(site.row["notes"])),
        _lines(plan),
        _holes(site),
        _wells(site),
        _errors(plan),
        Section("Before anybody digs or opens anything", (BEFORE_ANY_LID,), CAUTIONS, strong=True),
        _sources(told, sources, run),
        _record(plan, run),
    )
    return tuple(section for section in found if section.texts or section.items or (section.table is not None and section.table.rows))


def verdict_words(site: Site) -> tuple[str, str]:
    """The verdict in plain words, and what to do next."""
    verdict = _text(site.row["verdict"])
    return f"{verdict[:1].upper()}{verdict[1:]}, by what is on record", NEXT_STEPS.get(verdict, "")


def _sureness(plan: Plan) -> tuple[Section, ...]:
    """The answer with all errors of places, where a run tells it."""
    if plan.doubts is None:
        return ()
    said = plan.doubts.said
    return (Section(SURENESS, (f"{said.headline}.",), strong=True), Section(HANGS_ON, (*said.sentences, said.numbers)))


def _errors(plan: Plan) -> Section:
    """How far what is drawn may lie off."""
    doubts, unit = plan.doubts, plan.site.unit
    if doubts is None:
        return Section("")
    lines, buildings = (length_text(OFF_SIGMAS * sigma_m, unit) for sigma_m in (doubts.line_sigma_m, doubts.building_sigma_m))
    text = (
        f"Taken for the chances: in 95 of 100 cases lot lines are within {lines} and buildings within {buildings}, along each axis, all "
        f"lines of the lot together and all buildings together. {doubts.draws} draws, begun from {doubts.seed}. Soil, the lie of the "
        "water, the tank and the pipes are not in the chances, nor is what is on no record, presumed wells apart."
    )
    return Section("Errors of places", (text,), tuple(f"{place_words(place)}." for place in drawn_places(plan.site, doubts)))


def _without(site: Site) -> Section:
    kinds = _text(site.row["fits_without"])
    words = f"Field and reserve would fit if the authority relaxed the setbacks from any one of these: {kinds}." if kinds else ""
    return Section("If a setback were relaxed", (words,) if words else ())


def _open_questions(plan: Plan) -> tuple[str, ...]:
    site = plan.site
    questions = [part for item in site.layers["field_envelope"] for part in _parts(item.row["open_questions"])]
    near = {kept.feature_id for kept in plan.distances}
    for item in presumed_wells_of(site):
        if str(item.row["feature_id"]) not in near:
            continue
        questions.append(f"{_text(item.row['feature_id'])}: a built lot whose well is on no record. Find it, or learn that there is none")
    for well in wells_of(site):
        error = float(well.row[f"location_error_{site.unit}"])
        if error > 0 and str(well.row["feature_id"]) in near:
            questions.append(f"Well {_text(well.row['feature_id'])}: its place is known to {error:g} {site.unit}. Measure it")
    if any(kept.status == MAY_BE for kept in plan.distances):
        questions.append("Some distances hang on a fact that nobody has stated: they stand as 'may be required' in the table")
    if site.layers["fields"]:
        questions.append("Lot corners: have them found or set before measuring from a line; the lines here are those of the parcel map")
        questions.append("Depth to rock and to seasonal high water: in the soil pits")
    return tuple(dict.fromkeys(questions))


def _setbacks(told: Iterable[Kept], unit: str, sources: list[str], kept_words: str) -> Section:
    rows = []
    for kept in told:
        which = FEATURES[kept.feature] if kept.feature == "lot_line" else f"{FEATURES[kept.feature]} {named(kept.feature_id)}"
        required = f"{from_metres(kept.required_m, unit):g}"
        status = kept.status if kept.status == MAY_BE else ""
        if kept.provided_m is None:
            provided, holds = "-", "not drawn"
        else:
            provided = f"{from_metres(kept.provided_m, unit):.1f}"
            holds = "yes" if kept.is_kept else "NO"
        doubt = f"{from_metres(kept.error_m, unit):g}" if kept.error_m else ""
        rows.append((PARTS[kept.part], which, required, doubt, provided, holds, status, f"[{sources.index(kept.citation) + 1}]"))
    head = ("From", "To", f"Required, {unit}", f"Error of place, {unit}", f"Provided, {unit}", kept_words, "", "Source")
    text = (
        "Horizontal distances from the nearest edge of what is drawn. Provided is what was measured less the error of the feature's place. "
        "Of each kind of feature the one with least to spare; wells one by one."
    )
    return Section("Setbacks", (text,) if rows else (), table=Table(head, tuple(rows), (1.3, 2.6, 0.9, 0.9, 0.9, 0.7, 1.1, 0.7)))


SIZING: Final = (
    ("bedrooms", "Bedrooms planned with"),
    ("trench_{u}", "Trench, planned with"),
    ("trench_low_{u}", "Trench, least that the assumptions leave open"),
    ("trench_high_{u}", "Trench, most that the code could ask"),
    ("drawn_for", "Drawn for"),
    ("tank_{v}", "Septic tank"),
    ("field_{u}2", "Primary field as drawn"),
    ("slope_percent", "Slope of the ground under it"),
    ("fall_along_{u}", "Most that the ground falls along one trench"),
    ("run_{u}", "Pipe from house to field"),
    ("lift_{u}", "Lift of a pump"),
    ("fall_to_spare_{u}", "Fall to spare"),
    ("reserve_lift_{u}", "Lift of a pump to the reserve"),
    ("soil", "Mapped soil under the field"),
    ("soil_rating", "Federal rating of it"),
    ("separation", "Separation from rock and high water"),
    ("flood_zone", "Flood zone"),
    ("nearest_well", "Nearest well"),
    ("well_{u}", "Distance to it, less its error"),
    ("downslope_well", "First well down the fall of the ground"),
    ("path_{u}", "Length of that way"),
    ("lot_{u}2", "Area of the lot"),
    ("envelope_{u}2", "Area clear of every setback of a field"),
    ("public_sewer", "On a public sewer, by the parcel layer"),
)


def _sizing(site: Site) -> Section:
    rows = []
    for form, words in SIZING:
        name = next((name for name in (form.format(u=site.unit, v=volume) for volume in ("gal", "L")) if name in site.row), None)
        value = None if name is None else site.row[name]
        if name is None or _is_empty(value):
            continue
        ending = next((unit for unit in (f"{site.unit}2", site.unit, "gal", "L", "percent") if name.endswith(f"_{unit}")), "")
        number = f"{float(value):,.10g}" if isinstance(value, int | float | np.number) else _text(value)
        rows.append((words, f"{number} {ending.replace('percent', '%').replace('2', chr(178))}".strip()))
    return Section("Sizes", table=Table(("", ""), tuple(rows), (1.0, 1.4)))


def bearing_words(grid: str) -> str:
    """What the bearings on a plan are, in a coordinate reference system of that name."""
    return f"Bearings go clockwise round the lot, from the north of the grid of {grid}, not from true or magnetic north"


def _lines(plan: Plan) -> Section:
    """Each side of the lot with its bearing, where they were asked for."""
    site, unit = plan.site, plan.site.unit
    if not plan.bearings:
        return Section("Lot lines")
    rows, name = [], str(site.frame.crs.name)
    for side in plan.sides:
        x, y = (value / site.frame.metres_per_unit for value in side.ends_m[0])
        rows.append((f"{x:,.1f} E {y:,.1f} N", side.bearing_words, length_text(side.length_m, unit)))
    middle = site.lot_m.centroid
    north = true_north_words(true_north_degrees(site.frame, (float(middle.x), float(middle.y))))
    off = f"0.015 {unit} off in 100 {unit}"
    grid = name if name == site.frame.name else f"{name} ({site.frame.name})"
    text = (
        f"{bearing_words(grid)}. {north}. They are rounded to a minute, at most {off}, and are only as good as the parcel map they were "
        f"calculated from: a corner drawn 1 {unit} off turns a line of 100 {unit} by more than half a degree. No survey was made."
    )
    if any(side.is_bent for side in plan.sides):
        text += " A line that bends has the bearing of its chord, straight from end to end, and its length along itself."
    table = Table(("From the corner at", "Bearing", "Length"), tuple(rows), (2, 2, 1))
    return Section("Lot lines", (text,), table=table)


def _holes(site: Site) -> Section:
    rows = []
    for item in site.layers["test_holes"]:
        x, y = (value / site.frame.metres_per_unit for value in (item.shape_m.x, item.shape_m.y))
        rows.append(
            (
                hole_name(site, item),
                _text(item.row["kind"]),
                _text(item.row["area"]),
                f"{float(item.row['latitude']):.6f}, {float(item.row['longitude']):.6f}",
                f"{x:,.1f} E {y:,.1f} N",
            )
        )
    text = f"Latitude and longitude in WGS 84; east and north in {site.frame.name}."
    return Section(
        "Test holes",
        (text,) if rows else (),
        table=Table(("Label", "Kind", "Area", "Latitude, longitude", "East, north"), tuple(rows), (0.8, 1.3, 0.9, 2, 2)),
    )


def _wells(site: Site) -> Section:
    unit = site.unit
    rows = [
        (
            _text(item.row["feature_id"]),
            FEATURES[str(item.row["feature"])],
            f"{float(item.row[f'location_error_{unit}']):g}",
            f"{item.shape_m.distance(site.lot_m) / metres_per(unit):.0f}",
        )
        for item in wells_of(site)
    ]
    head = ("Well", "Kind", f"Error of place, {unit}", f"From the lot, {unit}")
    return Section("Wells on record nearby", table=Table(head, tuple(rows), (1.5, 1.5, 1, 1)))


def _sources(told: Iterable[Kept], sources: list[str], run: FinishedRun) -> Section:
    checked = {kept.citation: kept.checked for kept in told}
    items = tuple(
        f"[{number}] {_text(source)}{'' if checked[source] else ' (NOT checked against the text of the code)'}"
        for number, source in enumerate(sources, 1)
    )
    edition = (run.record.get("rules") or {}).get("edition")
    rules = f"Rule set: {run.title} ({run.rules}){f', edition {edition}' if edition else ''}."
    return Section("Sources", (rules,), items)


def _record(plan: Plan, run: FinishedRun) -> Section:
    started = _text(run.record.get("started", ""))
    made = f"Screened on {started[:10]} with geoseptic {_text(run.record.get('geoseptic', ''))}. {plan.contours.note}"
    inputs = "; ".join(f"{name} {digest[:12]}" for name, digest in run.inputs.items())
    return Section("How this came about", (made, f"Inputs by their SHA-256 (first digits): {inputs}." if inputs else ""))


def _parts(value: Any) -> tuple[str, ...]:
    """A column whose parts are joined by semicolons."""
    return tuple(part.strip() for part in _text(value).split("; ") if part.strip())


def _text(value: Any) -> str:
    return "" if _is_empty(value) else str(value)


def _is_empty(value: Any) -> bool:
    return value is None or value == "" or (isinstance(value, float) and not np.isfinite(value))
