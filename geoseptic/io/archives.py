"""Zip archives of vector data: what is in them is unpacked into a working folder, within limits and nowhere else."""

import shutil
import stat
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from geoseptic.errors import FileUnreadableError, listed
from geoseptic.io.formats import SHAPEFILE
from geoseptic.io.workingcopies import folder_of, room_bytes

MOST_BYTES: Final = 20_000_000_000
MOST_MEMBERS: Final = 10_000
MOST_RATIO: Final = 200
"""Of the bytes unpacked to those in the archive; a table of blanks packs about 100 to 1, the densest stream 1032 to 1."""
RATIO_FROM_BYTES: Final = 50_000_000
"""Less than this is unpacked whatever the ratio."""

SINGLE_FILES: Final = frozenset({".gpkg", ".geojson", ".json", ".geojsonl", ".geojsons", ".ndjson", ".fgb", ".kml", ".gml"})
ARCHIVES: Final = frozenset({".zip", ".kmz", ".7z", ".rar", ".tar", ".gz", ".tgz", ".bz2", ".xz"})
UNPACK: Final = "Unpack it yourself, look at what is in it, and name the file that holds the layer."


@dataclass(frozen=True)
class Dataset:
    """One data set in an archive: its name there, and where it was unpacked to."""

    name: str
    path: Path


def is_archive(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")


def unpacked(path: Path) -> tuple[Dataset, ...]:
    """The vector data sets in a zip archive, in order of their names.

    Raises FileUnreadableError for an archive that is damaged, encrypted, too large, packed too densely, or has names or links that lead
    out of it, other archives, or nothing to read; DiskFullError.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = _members(path, archive)
            groups = _groups(path, members)
            wanted = [member for group in groups.values() for member in group]
            _refuse_bomb(path, wanted)
            folder = folder_of(path, "unpacked", lambda folder: _unpack(archive, groups, folder))
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeError) as error:
        raise FileUnreadableError(str(path), f"the archive is damaged or packed in an unknown way ({error})", "Copy it again.") from error
    return tuple(Dataset(name, folder / str(number) / _file_name(name)) for number, name in enumerate(groups))


def _members(path: Path, archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """The files of the archive, none of which leads out of it."""
    found = archive.infolist()
    if len(found) > MOST_MEMBERS:
        raise FileUnreadableError(str(path), f"the archive has {len(found)} entries, more than {MOST_MEMBERS}", UNPACK)
    leading_out = [info.filename for info in found if _leads_out(info)]
    if leading_out:
        raise FileUnreadableError(
            str(path), f"the archive has names or links that lead out of it: {listed(leading_out)}", "Do not trust it; ask its owner."
        )
    if any(info.flag_bits & 1 for info in found):
        raise FileUnreadableError(str(path), "the archive is encrypted", "Unpack it with its password.")
    return [info for info in found if not info.is_dir() and not _is_litter(info.filename)]


def _leads_out(info: zipfile.ZipInfo) -> bool:
    name = info.orig_filename.replace("\\", "/")
    parts = name.split("/")
    return name.startswith("/") or ".." in parts or ":" in parts[0] or "\0" in name or stat.S_ISLNK(info.external_attr >> 16)


def _is_litter(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return "__MACOSX" in parts or parts[-1].startswith("._")


def _groups(path: Path, members: Iterable[zipfile.ZipInfo]) -> dict[str, list[zipfile.ZipInfo]]:
    """Name of a data set -> the members that make it up."""
    groups: dict[str, list[zipfile.ZipInfo]] = {}
    by_name = {info.filename: info for info in members}
    inner = []
    for name in sorted(by_name):
        place = PurePosixPath(name)
        ending = place.suffix.lower()
        if ending in (".gdbtable", ".gdbtablx") or place.parent.suffix.lower() == ".gdb":
            folder = str(place.parent) if len(place.parts) > 1 else f"{path.name.partition('.')[0]}.gdb"
            groups.setdefault(folder, [])
        elif ending == ".shp":
            groups[name] = [
                by_name[other]
                for other in by_name
                if PurePosixPath(other).with_suffix("") == place.with_suffix("") and PurePosixPath(other).suffix.lower() in SHAPEFILE
            ]
        elif ending in SINGLE_FILES:
            groups[name] = [by_name[other] for other in (name, f"{name}-wal") if other in by_name]
        elif ending in ARCHIVES:
            inner.append(name)
    for folder, files in groups.items():
        if not files:
            # The files of a geodatabase may lie in the archive without their folder.
            files += [info for name, info in by_name.items() if str(PurePosixPath(name).parent) in (folder, ".")]
    if not groups and inner:
        raise FileUnreadableError(str(path), f"the archive holds other archives ({listed(inner)}), which are not looked into", UNPACK)
    if not groups:
        known = ", ".join((".shp", ".gdb", *sorted(SINGLE_FILES)))
        raise FileUnreadableError(str(path), f"the archive holds no vector layer ({known})", "Check that it is the right file.")
    return groups


def _refuse_bomb(path: Path, members: list[zipfile.ZipInfo]) -> None:
    size = sum(info.file_size for info in members)
    if size > MOST_BYTES:
        why = f"unpacked, the archive would have {size / 1e9:.1f} GB, more than {MOST_BYTES / 1e9:.0f} GB"
        raise FileUnreadableError(str(path), why, UNPACK)
    packed = min(sum(info.compress_size for info in members), path.stat().st_size)
    if size > RATIO_FROM_BYTES and size > MOST_RATIO * packed:
        why = f"unpacked, the archive would have {size / max(packed, 1):.0f} times its size, more than {MOST_RATIO} times"
        raise FileUnreadableError(str(path), f"{why}: it may be made to fill the disk", UNPACK)
    if size > room_bytes():
        todo = "Make room there, name another folder with TMPDIR, or unpack it elsewhere."
        raise FileUnreadableError(str(path), f"unpacked, it needs {size / 1e9:.1f} GB, more than the temporary folder has", todo)


def _unpack(archive: zipfile.ZipFile, groups: dict[str, list[zipfile.ZipInfo]], folder: Path) -> None:
    """Each data set in a numbered folder of its own, under names that are made here; no more than the archive states is ever written."""
    for number, (name, members) in enumerate(groups.items()):
        place = folder / str(number)
        place.mkdir()
        if name.lower().endswith(".gdb") or not PurePosixPath(name).suffix:
            place = place / _file_name(name)
            place.mkdir()
        for info in members:
            with archive.open(info) as packed, (place / PurePosixPath(info.filename).name).open("xb") as file:
                shutil.copyfileobj(packed, file, 1 << 20)


def _file_name(name: str) -> str:
    last = PurePosixPath(name).name
    return last if PurePosixPath(last).suffix else f"{last}.gdb"
