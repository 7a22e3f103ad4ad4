"""Files put into a folder all together: whatever ends the process or the machine in between, the next run goes on where it stopped.

The new files lie ready in a folder of their own, with a list of what is to be done. One rename gives that folder the name `PUTTING`: before
it, nothing has happened; after it, everything can be done again from the list, by whoever comes next.
"""

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import UnfinishedOutputsError

PUTTING: Final = ".geoseptic-putting"
PARTIAL: Final = ".geoseptic-partial-"
LIST: Final = ".list.json"
BEFORE: Final = ".before"
"""Where the files that are replaced lie until all new ones are in their place."""


def put(out: Path, ready: Path, names: Sequence[str], stale: Sequence[str], then: Callable[[], None] = lambda: None) -> None:
    """Put the files `names` of the folder `ready`, which is in `out`, into `out` and take `stale` away.

    The last of `names` tells that all are there: its old file goes first, and the new one comes last. `then` is called when all are in
    their place and can still be taken back. If anything fails, it included, `out` is as it was; raises OSError, or what `then` raises.
    """
    replaced = [name for name in (*reversed(names), *stale) if (out / name).exists()]
    (ready / LIST).write_text(json.dumps({"names": list(names), "stale": list(stale), "replaced": replaced}), encoding="utf-8")
    (ready / BEFORE).mkdir()
    for name in (*names, LIST):
        _sync(ready / name)
    _sync(ready)
    putting = out / PUTTING
    ready.rename(putting)
    try:
        _sync(out)
        _forward(out, putting, names, replaced)
        then()
    except BaseException as error:
        try:
            _back(out, putting, names, [*replaced[1:], *replaced[:1]])  # the record of the old run last
            putting.rename(ready)
        except OSError as stuck:
            raise UnfinishedOutputsError(str(out), str(putting), stuck) from error
        raise
    _done(out, putting)


def is_unfinished(out: Path) -> bool:
    """Whether a run died while it put its files into `out`."""
    try:
        return (out / PUTTING).is_dir()
    except OSError:  # a name that no folder can have
        return False


def settle(out: Path) -> bool:
    """Finish what a run that died began to put into `out`, or undo it where its files are no longer all there; whether there was anything.

    Only for who holds the folder. Raises UnfinishedOutputsError where neither can be done now.
    """
    putting = out / PUTTING
    if not putting.is_dir():
        return False
    try:
        record = json.loads((putting / LIST).read_text(encoding="utf-8"))
        names, replaced = _plain(record["names"]), _plain(record["replaced"])
        new = [name for name in names if not (putting / name).exists() and not _is_new(out, putting, name, replaced)]
        if not new:
            _forward(out, putting, names, replaced)
        elif all((putting / BEFORE / name).exists() or (out / name).exists() for name in replaced):
            _back(out, putting, names, [*replaced[1:], *replaced[:1]])
        else:
            raise FileNotFoundError(f"{', '.join(new)} is gone from it")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UnfinishedOutputsError(str(out), str(putting), error) from error
    _done(out, putting)
    return True


def _forward(out: Path, putting: Path, names: Sequence[str], replaced: Sequence[str]) -> None:
    before = putting / BEFORE
    for name in replaced:
        # Where the new file is in its place already, the old one has been moved.
        if (out / name).exists() and (name not in names or (putting / name).exists()):
            (out / name).replace(before / name)
    for name in names:
        if (putting / name).exists():
            (putting / name).replace(out / name)
    _sync(out)


def _back(out: Path, putting: Path, names: Sequence[str], replaced: Sequence[str]) -> None:
    for name in names:
        if not (putting / name).exists() and _is_new(out, putting, name, replaced):
            (out / name).replace(putting / name)
    for name in replaced:
        if (putting / BEFORE / name).exists():
            (putting / BEFORE / name).replace(out / name)
    _sync(out)


def _is_new(out: Path, putting: Path, name: str, replaced: Sequence[str]) -> bool:
    return (out / name).exists() and (name not in replaced or (putting / BEFORE / name).exists())


def _plain(names: Any) -> list[str]:
    """Names alone: nothing outside the folder, whatever somebody wrote into the list."""
    found = [str(name) for name in names]
    if any(name != Path(name).name or name in ("", "..") for name in found):
        raise ValueError(f"no list of ours: {found}")
    return found


def _done(out: Path, putting: Path) -> None:
    # By one rename: half deleted, its list would tell what is no longer so. Where that fails, the next run finds nothing to do.
    with suppress(OSError):
        spent = Path(tempfile.mkdtemp(prefix=PARTIAL, dir=out))
        putting.rename(spent / "done")
        shutil.rmtree(spent, ignore_errors=True)


def _sync(path: Path) -> None:
    """See to it that what was written is on the disk, where the file system does that."""
    with suppress(OSError):
        file = os.open(path, os.O_RDONLY)
        try:
            os.fsync(file)
        finally:
            os.close(file)
