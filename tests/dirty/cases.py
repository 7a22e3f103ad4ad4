"""What a dirty input is to the corpus: how it is made, what happens with it, and what it must say."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from shapely.geometry.base import BaseGeometry

Happens = Literal["refused", "same", "safe", "told"]

MEANS: Mapping[Happens, str] = {
    "refused": "refused; nothing is written",
    "same": "done, with the clean county's answer",
    "safe": "done; no ground is open that the clean county keeps closed",
    "told": "done; what is stated or left out opens ground, and that is told",
}
"""The oracle of each outcome, and how the table words it."""

Options = dict[str, str | tuple[str, ...] | None]


@dataclass(frozen=True)
class Dirty:
    """One dirty input. `build` writes the county into a folder and returns the options of the run; `says` are words that the run must say,
    as a refusal or as a warning; `lots` are those that the outputs must have, default the clean county's; `slack_m2` is the ground that a
    lot may have more than the clean one by mere rounding, such as that of a reprojection; `shut` is ground that must be closed besides;
    `unmeasured` is ground whose slope must be unknown. Of a screening, `unfit` are lots that may not be said to fit, and `unsaid` is what
    no lot's separation may say."""

    name: str
    what: str
    happens: Happens
    says: tuple[str, ...]
    build: Callable[[Path], Options]
    process: str = "setback_envelopes"
    lots: tuple[str, ...] | None = None
    slack_m2: float = 0.01
    shut: BaseGeometry | None = None
    unmeasured: BaseGeometry | None = None
    unfit: tuple[str, ...] = ()
    unsaid: str = ""


CASES: list[Dirty] = []


def dirty(
    what: str,
    happens: Happens,
    *says: str,
    process: str = "setback_envelopes",
    lots: tuple[str, ...] | None = None,
    slack_m2: float = 0.01,
    shut: BaseGeometry | None = None,
    unmeasured: BaseGeometry | None = None,
    unfit: tuple[str, ...] = (),
    unsaid: str = "",
) -> Callable[[Callable[[Path], Options]], Callable[[Path], Options]]:
    """Adds the decorated builder to the corpus; its name is that of the case."""

    def add(build: Callable[[Path], Options]) -> Callable[[Path], Options]:
        name = build.__name__.replace("_", " ")
        assert name not in {case.name for case in CASES}, name
        assert says or happens != "told", name
        CASES.append(Dirty(name, what, happens, says, build, process, lots, slack_m2, shut, unmeasured, unfit, unsaid))
        return build

    return add


def table(cases: list[Dirty]) -> str:
    """The corpus as the README beside this file."""
    lines = [
        "# Dirty inputs, and what happens with each",
        "",
        f"{len(cases)} inputs, each a spoiled copy of an invented county (`county.py`), run from files to files by `test_dirty_inputs.py`.",
        "None may end in a traceback, leave anything half-written, change an input, or open ground that the clean county keeps",
        "closed without telling it. Words in quotation marks are said: by the refusal, or in `run.json`. Written by",
        "`python -m tests.dirty`.",
        "",
        "| input | what is dirty | what happens | and says |",
        "|---|---|---|---|",
    ]
    for case in cases:
        says = ", ".join(f'"{words}"' for words in case.says)
        cells = (case.name, case.what, MEANS[case.happens], says)
        lines.append("| " + " | ".join(text.replace("|", "\\|").replace("<", "&lt;") for text in cells) + " |")
    return "\n".join(lines) + "\n"
