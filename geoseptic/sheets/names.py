"""Names of the files that belong to a parcel."""

import hashlib
import re
from typing import Final

PLAIN: Final = re.compile(r"[A-Z0-9][A-Z0-9.-]{0,59}")
"""Identifiers that are file names as they are, on every file system: of one case, without marks that any of them minds."""

READABLE: Final = 40


def file_name(parcel_id: str, ending: str) -> str:
    """The name of the sheet of a parcel with that ending, such as `pdf`. No two parcels have the same, whatever the file system does with
    capitals; what cannot stand in a file name is left out, and the name then ends in a hash of the whole identifier."""
    if PLAIN.fullmatch(parcel_id) and not parcel_id.endswith("."):
        return f"site_{parcel_id}.{ending}"
    readable = re.sub(r"[^A-Za-z0-9-]+", "-", parcel_id).strip("-")[:READABLE]
    return f"site_{readable}_{hashlib.sha256(parcel_id.encode('utf-8', 'surrogatepass')).hexdigest()[:16]}.{ending}"
