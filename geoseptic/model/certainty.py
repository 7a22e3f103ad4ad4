"""From which chance on an answer counts as certain, and as likely."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Certainty:
    """Chances from 0 to 1; `basis` says where they come from. Raises ValueError unless 0.5 < likely < certain <= 1."""

    certain: float
    likely: float
    basis: str

    def __post_init__(self) -> None:
        if not 0.5 < self.likely < self.certain <= 1.0:
            raise ValueError(f"likely {self.likely:g} and certain {self.certain:g} are not 0.5 < likely < certain <= 1")


NOTHING_STATED: Final = Certainty(1.0, 0.99, "nothing is stated")
"""Of a rule set that was read from no file."""
