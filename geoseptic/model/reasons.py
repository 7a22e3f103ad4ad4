"""Why a cell is excluded or unknown: one bit a rule, the same bit in every run."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from geoseptic.model.rules import FEATURES

GROUND_REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "disputed_ground": "Ground that two parcels claim",
        "outside_parcels": "Not on a parcel",
        "slope": "Slope over the code's limit",
        "ponding": "Hollow that holds water",
        "setback_open": "Unknown: a longer setback may apply",
        "well_path_open": "Unknown: water leaves the data",
        "no_ground": "Unknown: no elevation or slope",
    }
)
"""Reasons that are no feature of the code."""

REASONS: Final[Mapping[str, str]] = MappingProxyType(dict(reversed({**FEATURES, **GROUND_REASONS}.items())))
"""Name -> words, in the order of the bits, lowest first. The weightiest reason is the highest bit, whose colour a cell has."""

BIT: Final[Mapping[str, int]] = MappingProxyType({name: bit for bit, name in enumerate(REASONS)})
"""Name -> bit number in reasons.tif."""

UNKNOWN_REASONS: Final = ("setback_open", "well_path_open", "no_ground")
"""Bits that make a cell unknown rather than excluded."""
