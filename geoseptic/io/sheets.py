"""Text tables as spreadsheets save them: what every reader of one begins with."""

import re
from pathlib import Path

from geoseptic.errors import FileUnreadableError


def sheet_text(path: Path, most_bytes: int, name: str, too_long: str) -> str:
    """The text of a sheet in UTF-8, without a byte order mark. `name` is what it is called, `too_long` what to do with a longer one.

    Raises FileUnreadableError.
    """
    try:
        with path.open("rb") as stream:
            content = stream.read(most_bytes + 1)
    except (OSError, ValueError) as error:
        raise FileUnreadableError(str(path), str(error), f"Check the path of the {name}.") from None
    if len(content) > most_bytes:
        raise FileUnreadableError(str(path), f"it is longer than {most_bytes:,} bytes", too_long)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileUnreadableError(str(path), f"it is not UTF-8 (byte {error.start})", "Save it as CSV in UTF-8.") from None


def column_name(cell: str) -> str:
    """The cell of a header as a column's name: case, blanks and hyphens do not matter."""
    return re.sub(r"[\s-]+", "_", cell.strip().lower())
