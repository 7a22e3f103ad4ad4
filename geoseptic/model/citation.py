"""Where a value was read."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Citation:
    """Where a value was read. `checked` is False while it rests on memory or a secondary page."""

    key: str
    title: str
    section: str
    edition: str
    address: str
    read_on: str
    checked: bool
    note: str = ""

    def __str__(self) -> str:
        mark = "" if self.checked else " (not checked against the code text)"
        return f"{self.title}, {self.section}, {self.edition}{mark}"
