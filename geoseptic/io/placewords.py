"""The words by which a user states how the places of a table are read; quick to import."""

from typing import Final

ANGLES: Final = ("packed", "decimal")
UNPLACED: Final = ("refuse", "leave-out")
PLACE_SETTINGS: Final = ("datum", "angles", "unplaced")
