"""The page of the tour as blocks: commands and Python that are run, and the text that they print."""

import contextlib
import io
import re
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

FENCE: Final = re.compile(r"^```(\w+)\n(.*?)^```\n", re.MULTILINE | re.DOTALL)
NUMBER: Final = re.compile(r"(?<![\w.-])\d[\d,]*(?:\.\d+)?(?!\w)")
ENDS_WELL: Final = (0, 1)
"""Exit codes: done, and done but some parcels are listed as failed."""


@dataclass(frozen=True)
class Block:
    """What stands between two fences. `kind` is sh, python or text; the place of its content in the page is start to end."""

    kind: str
    content: str
    start: int
    end: int


def blocks(page: str) -> list[Block]:
    return [Block(found[1], found[2], found.start(2), found.end(2)) for found in FENCE.finditer(page)]


def run(page: str, folder: Path) -> str:
    """The page as it has to be: every block run in order in `folder`, and each text block filled with what the block before it prints.

    Commands are run in this process, from `folder`. Raises RuntimeError for a command that fails, and whatever Python raises.
    """
    names: dict[str, Any] = {}
    printed, filled, at = "", [], 0
    with contextlib.chdir(folder):
        for block in blocks(page):
            if block.kind == "text":
                filled += [page[at : block.start], printed]
                at = block.end
            else:
                printed = "".join(commands(block.content)) if block.kind == "sh" else python(block.content, names)
    return "".join([*filled, page[at:]])


def commands(content: str) -> Iterator[str]:
    """Run each command of a block; what they print on standard output."""
    from geoseptic.run.cli import main

    for line in content.replace("\\\n", " ").splitlines():
        program, *words = shlex.split(line)
        if program != "geoseptic":
            raise RuntimeError(f"the tour runs geoseptic alone, not: {line}")
        said = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(said):
            code = main(None, words)
        if code not in ENDS_WELL:
            raise RuntimeError(f"{line}\nends with {code}:\n{said.getvalue()}")
        yield out.getvalue()


def python(content: str, names: dict[str, Any]) -> str:
    """Run Python with the names of the blocks before; what it prints."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        exec(compile(content, "tour", "exec"), names)
    return out.getvalue()


def stray_numbers(page: str) -> list[str]:
    """Numbers in the prose that no block of the same section has, in what it runs or in what it prints."""
    found = []
    for section in re.split(r"^## ", page, flags=re.MULTILINE):
        in_blocks = set(NUMBER.findall(" ".join(block.content for block in blocks(section))))
        prose = re.sub(r"`[^`\n]*`|\]\([^)\n]*\)|!\[[^\]]*\]", " ", FENCE.sub("", section).partition("\n")[2])
        found += [number for number in NUMBER.findall(prose) if number not in in_blocks]
    return found


def tidy(folder: Path) -> None:
    """Take away what an earlier run of the tour left in `folder`."""
    shutil.rmtree(folder / "out" / "tour", ignore_errors=True)
    (folder / "out" / "tour").mkdir(parents=True)
