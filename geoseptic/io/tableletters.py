"""In which encoding the table of a shapefile is, from its .cpg file and from its own bytes, which often contradict it."""

import codecs
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from geoseptic.errors import FileUnreadableError
from geoseptic.io.dbasetables import HEADER_BYTES, beside, header_of

BLOCK_BYTES: Final = 1 << 24
LANGUAGE_BYTE: Final = 29

LANGUAGES: Final = {
    0x01: "cp437", 0x02: "cp850", 0x03: "cp1252", 0x57: "cp1252", 0x64: "cp852", 0x65: "cp866", 0x6C: "cp863", 0xC8: "cp1250",
    0xC9: "cp1251", 0xCB: "cp1253",
}  # fmt: skip
"""Language driver of a dBASE table -> its code page; from memory."""

USUAL: Final = "cp1252"


def encoding_of(shapefile: Path, stated: str | None) -> tuple[str, tuple[str, ...]]:
    """The encoding to read the table with, as Python names it, and what is to be told of that.

    Raises FileUnreadableError for a stated encoding that nobody knows, or in which the table is not.
    """
    table = beside(shapefile, ".dbf")
    declared = _declared(shapefile)
    if stated is not None:
        known = _known(stated)
        if known is None or not _fits(table, known):
            why = f"its table is not in the encoding '{stated}' that was stated" if known else f"no encoding '{stated}' is known"
            raise FileUnreadableError(str(shapefile), why, "Name another, such as cp1252, cp437 or utf-8.")
        return known, ()
    if not _has_more_than_ascii(table):
        return _known(declared or "") or "utf-8", ()
    is_utf8 = _fits(table, "utf-8")
    known = _known(declared or "")
    says = f"its .cpg says '{declared}'" if declared else "it has no .cpg file"
    if known is not None and _fits(table, known) and (known == "utf-8" or not is_utf8):
        return known, ()
    if is_utf8:
        return "utf-8", (_note(table, says, "UTF-8, as the bytes are"),)
    with table.open("rb") as file:
        language = file.read(LANGUAGE_BYTE + 1)[-1]
    guess = LANGUAGES.get(language, USUAL)
    # A code page with a hole where the table has a letter is surely not its own.
    guess = guess if _fits(table, guess) else "latin-1"
    return guess, (_note(table, says, f"{guess}, a guess"),)


def _note(table: Path, says: str, taken: str) -> str:
    return f"{table.name} has letters beyond ASCII and {says}: they are read as {taken} (--encoding LAYER=NAME states another)"


def _declared(shapefile: Path) -> str | None:
    try:
        text = beside(shapefile, ".cpg").read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return None
    return text[:40] or None


def _known(name: str) -> str | None:
    for spelling in (name, f"cp{name}", name.lower().removeprefix("ansi ").strip(), f"cp{name.lower().removeprefix('ansi ').strip()}"):
        try:
            return codecs.lookup(spelling).name
        except (LookupError, ValueError):
            continue
    return None


def _records(table: Path) -> Iterator[bytes]:
    with table.open("rb") as file:
        file.seek(header_of(file.read(HEADER_BYTES)).start)
        while block := file.read(BLOCK_BYTES):
            yield block


def _has_more_than_ascii(table: Path) -> bool:
    return any(not block.isascii() for block in _records(table))


def _fits(table: Path, encoding: str) -> bool:
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        for block in _records(table):
            decoder.decode(block)
        decoder.decode(b"", True)
    except UnicodeError:
        return False
    return True
