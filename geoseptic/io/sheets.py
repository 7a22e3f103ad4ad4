"""Text tables as spreadsheets save them: what every reader of one begins with."""

import re
from pathlib import Path
from typing import Final

from geoseptic.errors import FileUnreadableError

BYTE_ORDER_MARKS: Final = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
LOOKED_AT_BYTES: Final = 4096


def sheet_text(path: Path, most_bytes: int, name: str, too_long: str) -> str:
    """The text of a sheet in UTF-8 or, by its marks, UTF-16 or 32, without a byte order mark. `name` is what it is called, `too_long` what
    to do with a longer one.

    Raises FileUnreadableError.
    """
    try:
        with path.open("rb") as stream:
            content = stream.read(most_bytes + 1)
    except (OSError, ValueError) as error:
        raise FileUnreadableError(str(path), str(error), f"Check the path of the {name}.") from None
    if len(content) > most_bytes:
        raise FileUnreadableError(str(path), f"it is longer than {most_bytes:,} bytes", too_long)
    encoding = encoding_of(content) or "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        said = encoding.removesuffix("-sig").upper()
        raise FileUnreadableError(str(path), f"it is not {said} (byte {error.start})", "Save it as CSV in UTF-8.") from None
    refuse_zeros(str(path), text)
    return text


def encoding_of(content: bytes) -> str | None:
    """The encoding that the bytes of a text tell by themselves; None where they may be UTF-8 or of one byte a letter."""
    encoding = next((name for mark, name in BYTE_ORDER_MARKS if content.startswith(mark)), None)
    head = content[:LOOKED_AT_BYTES]
    zeros = head[0::2].count(0), head[1::2].count(0)
    # Text of western letters in UTF-16 is half zeros, on one side or the other; a single zero is a slip in a text of one byte a letter.
    if encoding is None and 5 * max(zeros) > len(head):
        encoding = "utf-16-le" if zeros[1] > zeros[0] else "utf-16-be"
    return encoding


def refuse_zeros(path: str, text: str) -> None:
    """Raises FileUnreadableError where a text has a zero in it: other programs end a text there."""
    if "\x00" in text:
        line = text[: text.index("\x00")].count("\n") + 1
        raise FileUnreadableError(path, f"line {line} has a zero byte, where other programs end a text", "Save it as CSV in UTF-8.")


def column_name(cell: str) -> str:
    """The cell of a header as a column's name: case, blanks and hyphens do not matter."""
    return re.sub(r"[\s-]+", "_", cell.strip().lower())
