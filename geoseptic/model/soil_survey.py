"""Interpretive classes of the federal soil survey for septic tank absorption fields. A "severe" is a flag, never a ban."""

from typing import Final

SLOPE_CLASSES_PERCENT: Final = (8.0, 15.0)
"""Slope: slight under the first, moderate up to the second, severe over it (soil-survey-ratings in data/references.toml)."""

SLIGHT: Final = 1
MODERATE: Final = 2
SEVERE: Final = 3
OVER_CODE_LIMIT: Final = 4
UNKNOWN_SLOPE: Final = 5
"""Values of slope_class.tif."""
