"""How sure the answer on a lot is, in words: plainly first, the numbers after."""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from geoseptic.chance.answers import CERTAIN, FITS, LIKELY, NO_FIT, of_100, well_called
from geoseptic.io.chances import Chances, LotChance, Place, Visit
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITH_PUMP, FITS_WITHOUT_FULL_RESERVE

OFF_SIGMAS: Final = 1.96
"""Within so many standard deviations a thing that is off along one axis lies in 95 of 100 cases."""

MOST_VISITS: Final = 4

PRESUMED_ON: Final = "presumed well presumed on "
"""How a thing that decides is called where it is a presumed well."""

HEADLINES: Final = {
    (FITS, CERTAIN): "Certain within the stated errors: field and reserve fit",
    (FITS, LIKELY): "Likely, not certain: field and reserve fit",
    (NO_FIT, CERTAIN): "Certain within the stated errors: field and reserve do not fit",
    (NO_FIT, LIKELY): "Likely, not certain: field and reserve do not fit",
}

NO_CLEARANCE: Final = "Cannot say. This is no clearance"

NOT_STATED: Final = "a condition of the code that is not known"

UNTIL_KNOWN: Final = "Until it is known, treat the lot as one without room."


@dataclass(frozen=True)
class Said:
    """How sure it is on one lot.

    answer, sure : in three words each, the more careful of the screening's verdict and the chances; `sure` is one of `chance.answers.SURE`.
    headline : the answer in plain words. why : sentences on what it hangs on. first : what to find first. numbers : the chance, for small
    print.
    """

    answer: str
    sure: str
    headline: str
    why: tuple[str, ...]
    first: tuple[str, ...]
    numbers: str

    @property
    def sentences(self) -> tuple[str, ...]:
        """All but headline and numbers."""
        first = (f"Find first: {'; '.join(self.first)}.",) if self.first else ()
        return (*self.why, *first, *((UNTIL_KNOWN,) if self.in_doubt else ()))

    @property
    def key(self) -> str:
        """The class of the answer: "cannot say", or answer and how sure."""
        return CANNOT_SAY if self.in_doubt else f"{self.answer}, {self.sure}"

    @property
    def in_doubt(self) -> bool:
        return self.sure not in (CERTAIN, LIKELY)


@dataclass(frozen=True)
class Doubts:
    """What of a lot's sheet is uncertain: what is said, where wells may be, and how far lines and buildings lie off (one sigma). [m]"""

    said: Said
    places: tuple[Place, ...]
    line_sigma_m: float
    building_sigma_m: float
    draws: int
    seed: int


def doubts_of(chances: Chances, parcel_id: str, verdict: str, places: Sequence[Place], visits: Sequence[Visit]) -> Doubts:
    """The doubts of one lot with the verdict of its screening, the wells whose ground comes near, and what to survey first for it."""
    lot = chances.lots.get(parcel_id)
    usual_m, own_m = (chances.line_sigma_m, chances.building_sigma_m), (math.nan, math.nan)
    if lot is not None:
        own_m = lot.line_sigma_m, lot.building_sigma_m
    line_m, building_m = (usual if math.isnan(own) else own for usual, own in zip(usual_m, own_m, strict=True))
    return Doubts(said_of(verdict, lot, visits), tuple(places), line_m, building_m, chances.draws, chances.seed)


def visits_by_parcel(chances: Chances) -> dict[str, tuple[Visit, ...]]:
    """What to survey first that settles a parcel among others, or decides it, the weightiest first; for each parcel with such."""
    decided: dict[str, list[str]] = {}
    for parcel_id, lot in chances.lots.items():
        decided.setdefault(lot.decides, []).append(parcel_id)
    found: dict[str, list[Visit]] = {}
    for visit in chances.visits:
        for parcel_id in dict.fromkeys((*visit.parcels, *decided.get(f"{visit.what} {visit.name}", ()))):
            found.setdefault(parcel_id, []).append(visit)
    return {parcel_id: tuple(visits[:MOST_VISITS]) for parcel_id, visits in found.items()}


def said_of(verdict: str, lot: LotChance | None, visits: Iterable[Visit] = ()) -> Said:
    """The answer on a lot, never surer than the screening's verdict and the chances both allow."""
    answer, sure, told = _joined(verdict, lot)
    why = list(told)
    if lot is not None:
        if lot.decides:
            why.append(f"What decides most: {_deciding(lot.decides)}.")
        if lot.never_certain and sure != CERTAIN and not any("Nothing is certain" in text for text in told):
            why.append(f"Nothing is certain here before somebody has found {_called(lot.never_certain)}.")
    first = [visit.words.removesuffix(".").replace("; ", ", ") for visit in visits if visit.words]
    if not first and lot is not None and lot.decides and sure != CERTAIN:
        first = [_deciding(lot.decides)]
    return Said(answer, sure, HEADLINES.get((answer, sure), NO_CLEARANCE), tuple(why), tuple(first), numbers_of(lot))


def _joined(verdict: str, lot: LotChance | None) -> tuple[str, str, list[str]]:
    """Answer, how sure, and what has to be said of it."""
    drawn = verdict in (FITS_BY_GRAVITY, FITS_WITH_PUMP)
    if lot is None:
        return CANNOT_SAY, CANNOT_SAY, ["The run that reckons with errors has nothing on this lot."]
    if (lot.answer, lot.sure) not in HEADLINES:
        return CANNOT_SAY, CANNOT_SAY, [_why_open(lot.in_words)]
    if verdict == CANNOT_SAY:
        return CANNOT_SAY, CANNOT_SAY, ["Something else than a place is not known: see the reasons."]
    if lot.answer == FITS and not drawn:
        return (
            CANNOT_SAY,
            CANNOT_SAY,
            [f"With all errors of places there would be room, but by what is on record it {_verb(verdict)}: see the reasons."],
        )
    if lot.answer == NO_FIT and drawn:
        return NO_FIT, LIKELY, ["It fits only where everything lies exactly as it is drawn."]
    return lot.answer, lot.sure, []


def _why_open(in_words: str) -> str:
    """What the run says of an open answer, without what the headline and the small print say."""
    text = re.sub(r" \(room in [^)]*\)", "", in_words).removeprefix("Nobody can say: ")
    return f"{text[:1].upper()}{text[1:]}" or "The run does not tell why."


def _verb(verdict: str) -> str:
    return {DOES_NOT_FIT: "does not fit", FITS_WITHOUT_FULL_RESERVE: "fits only without the full reserve"}.get(verdict, "cannot be said")


def _called(wells: str) -> str:
    """Wells as they are listed, each as a sentence calls it."""
    return ", ".join(well_called(name) for name in wells.split(", "))


def _deciding(thing: str) -> str:
    """What decides, as something to find out."""
    if thing.startswith(PRESUMED_ON):
        return f"where the well of {thing.removeprefix(PRESUMED_ON)} is, if there is one"
    if thing.startswith("well "):
        return f"the place of {thing}"
    return {"lot line": "where the lot lines are", "buildings": "where the buildings are", "open condition": NOT_STATED}.get(thing, thing)


def numbers_of(lot: LotChance | None) -> str:
    """The chances with the interval of their draws, empty where there is none."""
    if lot is None or math.isnan(lot.both):
        return ""
    text = f"Field and reserve have room in {of_100(lot.both / 100.0)} of 100 cases"
    if not math.isnan(lot.both_low) and lot.both_high > lot.both_low:
        low, high = (of_100(end / 100.0) for end in (lot.both_low, lot.both_high))
        text += f" ({low} to {high} by the draws, 95 percent interval)"
    if not math.isnan(lot.primary):
        text += f"; the field alone in {of_100(lot.primary / 100.0)}"
    if not math.isnan(lot.if_smallest) and lot.if_smallest - lot.both >= 0.5:
        text += f"; the smallest field that soil and house leave open, with its reserve, in {of_100(lot.if_smallest / 100.0)}"
    if not math.isnan(lot.if_not_required) and lot.if_not_required - lot.both >= 0.5:
        text += f"; without the distances that hang on what is not known in {of_100(lot.if_not_required / 100.0)}"
    return f"{text}."


def place_words(place: Place) -> str:
    """Where a well may be, as a sentence without its end."""
    name = f"a well {place.name}" if place.name.startswith("presumed") else f"{place.what} {place.name}"
    where = {
        "gaussian": "is in this circle in 95 of 100 cases",
        "disc": "is anywhere in this circle",
        "square": "is anywhere in this square",
        "in ground": "is anywhere on this lot",
    }.get(place.form, "is somewhere in here")
    return f"{name[:1].upper()}{name[1:]} {where}"
