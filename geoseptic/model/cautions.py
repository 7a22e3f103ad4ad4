"""What every output says before anyone acts on it."""

from typing import Final

SCREENING_AID: Final = "A screening aid, not a permit or a design: the health authority and a licensed designer decide."

CAUTIONS: Final = (
    SCREENING_AID,
    "Local codes and the health authority's own reading of them come before anything written here.",
    "A well that is on no record may still be there: look, and ask the neighbours, before relying on a distance.",
    "Have buried utilities marked before any digging.",
    "Never enter or lean into a tank, pit or well: the gases kill within seconds, and old covers and pit walls collapse without warning. "
    "Keep children and animals away from open or soft ground.",
    "Sewage and water from a doubtful well carry disease: wash and disinfect after contact, and have the water tested.",
)  # common practice, no source

BEFORE_ANY_LID: Final = (
    "Old covers and pit walls collapse: probe ahead, keep off lids and off soft or sunken ground. Gases kill within seconds: never enter "
    "or lean into a tank or pit, not even to help somebody. Have utilities marked before you dig. Keep children and animals away and close "
    "every opening. Wash and disinfect after contact. Opening and pumping is for a licensed pumper."
)  # common practice, no source
"""Stands in every row that sends someone to a lid or a pit."""

BEFORE_AN_OLD_WELL: Final = (
    "Ask the owner before you go there. Old wells may be open, or under a rotten cover, boards or soil: probe ahead, keep off covers and "
    "sunken ground, never lean over or climb into one, not even to help somebody: gases kill within seconds. Keep children and animals "
    "away and leave no cover off. Have utilities marked before anyone digs."
)  # common practice, no source
"""Stands in every row that sends someone to look for a well."""

BEFORE_A_LOT: Final = (
    "Ask the owner before you go there. Have utilities marked before anyone digs; keep off soft or sunken ground, old covers and pit walls "
    "collapse. Keep children away from open test holes and close them."
)  # common practice, no source
"""Stands in every row that sends someone to measure or to dig on a lot."""
