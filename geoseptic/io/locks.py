"""A lock on a folder that a run holds as long as it goes on, and that tells others who holds it. It ends with its process, however that
ends."""

import errno
import getpass
import itertools
import json
import os
import re
import shlex
import socket
import stat
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from geoseptic.errors import OutputLockedError, ParameterError

LOCK: Final = ".geoseptic-lock"

MARK: Final = ".in-use-"
"""What marks of those who use a folder together begin with."""

ABANDONED_S: Final = 86_400.0
"""After a day nobody goes on with what was begun and never ended."""

_NUMBER = itertools.count()

LOCKED_BYTE: Final = 1 << 30
"""Where Windows locks the file: far behind the text, which others must be able to read."""

NO_LOCKS: Final = (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)
"""What a file system answers that has no locks."""

SHARED: Final = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "lustre", "glusterfs", "beegfs", "fuse.sshfs", "fuse.rclone")
"""Kinds of file systems that other machines may have too, as Linux calls them."""

TRIES: Final = 100


@contextmanager
def held(folder: Path) -> Iterator[tuple[bool, list[str]]]:
    """Within the block the folder, which is made if it is not there, is this run's alone. Yields whether that is sure, and warnings.

    Raises OutputLockedError where another run holds it, ParameterError where nothing can be written there. Folders that were made go again
    if they are empty at the end.
    """
    made = [new for new in (folder, *folder.absolute().parents) if not new.exists()]
    try:
        try:
            file, sure, warnings = _taken(folder)
        except OutputLockedError:
            raise
        except OSError as error:
            why = error.strerror or error
            raise ParameterError(f"--out {folder}: nothing may be written there ({why}). Choose another folder.") from error
        try:
            yield sure, warnings
        finally:
            _release(folder / LOCK, file)
    finally:
        with suppress(OSError):  # not empty: the outputs are in it
            for new in made:
                new.rmdir()


def refuse_locked(folder: Path) -> None:
    """Raises OutputLockedError where a run holds the folder now; nothing is written."""
    try:
        file = os.open(folder / LOCK, os.O_RDWR)
    except OSError:
        return
    try:
        if _lock(file) is False:
            raise OutputLockedError(str(folder), _told(file))
    finally:
        os.close(file)


@contextmanager
def marked(folder: Path) -> Iterator[Path | None]:
    """Within the block `others` of this folder see that somebody uses it. Yields the mark, None where none can be made."""
    path = folder / f"{MARK}{os.getpid()}-{next(_NUMBER)}"
    try:
        file = _marked(path)
    except OSError:
        yield None
        return
    try:
        yield path
    finally:
        _release(path, file)


def others(folder: Path, mark: Path | None) -> bool:
    """Whether anybody else uses the folder. Marks of processes that have ended are taken away."""
    found = False
    for path in [Path(item.path) for item in os.scandir(folder) if item.name.startswith(MARK)]:
        if path == mark:
            continue
        try:
            file = os.open(path, os.O_RDWR)
        except FileNotFoundError:
            continue
        except OSError:
            found = True
            continue
        got = _lock(file)
        if got:
            if _same(path, file):
                _release(path, file)
            else:
                os.close(file)
            continue
        # Where there are no locks, nobody goes on for so long.
        found |= got is False or time.time() - os.fstat(file).st_mtime < ABANDONED_S
        os.close(file)
    return found


def _marked(path: Path) -> int:
    """The mark, open and locked. Raises OSError."""
    for _ in range(TRIES):
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        if _lock(file) is not False and _same(path, file):
            return file
        os.close(file)  # somebody has just looked whether its process has ended
    raise OSError(errno.EAGAIN, f"{path}: cannot be locked")


def _taken(folder: Path) -> tuple[int, bool, list[str]]:
    """The open file with the lock, whether it is sure that nobody else has it, and warnings."""
    path = folder / LOCK
    for _ in range(TRIES):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except FileNotFoundError:  # another run that ends has just taken the folder away
            continue
        except FileExistsError as error:
            if not _folder_or_gone(error.filename):
                raise
            continue  # it was there when it was to be made, and taken away before the look at what it is
        except PermissionError:
            _drop_stranger(folder, path)
            continue
        got = _lock(file)
        if got is False:
            told = _told(file)
            ended = not _same(path, file)
            os.close(file)
            if ended:
                continue
            raise OutputLockedError(str(folder), told)
        if not _same(path, file):  # its holder ended, and took the file away, while we opened it
            os.close(file)
            continue
        kind = _shared_kind(folder)
        before = _read(file)
        if (got is None or kind) and before.get("host", socket.gethostname()) != socket.gethostname():
            os.close(file)
            raise OutputLockedError(str(folder), _sentence(before), kind or "no locks")
        try:
            os.ftruncate(file, 0)
            os.lseek(file, 0, os.SEEK_SET)
            os.write(file, json.dumps(_own()).encode())
        except OSError:  # a full disk
            _release(path, file)
            raise
        warnings = []
        if got is None:
            warnings.append(
                f"{folder} is on a file system without locks: nothing keeps another run from writing there at the same time. See to it "
                "that none does"
            )
        elif kind:
            warnings.append(
                f"{folder} is on a network folder ({kind}): a run on another machine is kept out only if its server passes locks on. See "
                "to it that none writes there at the same time"
            )
        return file, got is True, warnings
    raise OSError(errno.EAGAIN, f"{folder}: other runs begin and end there all the time")


def _folder_or_gone(path: str) -> bool:
    try:
        return stat.S_ISDIR(os.lstat(path).st_mode)
    except FileNotFoundError:
        return True


def _drop_stranger(folder: Path, path: Path) -> None:
    """Take away a lock file of another user whose run is dead; raises OutputLockedError where it is not, OSError where it cannot be."""
    if not path.exists():
        raise PermissionError(errno.EACCES, "nothing may be written there", str(folder))
    file = os.open(path, os.O_RDONLY)
    try:
        if _lock(file) is not True:
            raise OutputLockedError(str(folder), _told(file))
        if _same(path, file):
            path.unlink()
    finally:
        os.close(file)


def _release(path: Path, file: int) -> None:
    # Under the lock: who has opened it meanwhile sees that it is no longer the file of that name.
    with suppress(OSError):
        path.unlink()
    os.close(file)
    if sys.platform == "win32":  # where an open file cannot be taken away
        with suppress(OSError):
            path.unlink()


if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> bool | None:
        """True where it was got, False where another has it, None where there are no locks."""
        os.lseek(file, LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            return None if error.errno in NO_LOCKS else False
        return True

else:
    import fcntl

    def _lock(file: int) -> bool | None:
        """True where it was got, False where another has it, None where there are no locks."""
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno in NO_LOCKS:
                return None
            raise
        return True


def _same(path: Path, file: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(file))
    except OSError:
        return False


def _own() -> dict[str, Any]:
    try:
        user = getpass.getuser()
    except (KeyError, OSError, ImportError):  # a number without a name
        user = str(os.getuid()) if hasattr(os, "getuid") else "?"
    return {
        "host": socket.gethostname(),
        "process": os.getpid(),
        "user": user,
        "since": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "command": _without_secrets(shlex.join(sys.argv)),
    }


def _without_secrets(command: str) -> str:
    without = re.sub(r"://[^/@\s]*@", "://", command)
    return re.sub(r"(?i)\b(password|passwd|pwd|token|key)=\S+", r"\1=...", without)


def _told(file: int) -> str:
    """Who holds the file; its holder writes that just after it got the lock."""
    for _ in range(20):
        if found := _read(file):
            return _sentence(found)
        time.sleep(0.02)
    return "another run"


def _read(file: int) -> dict[str, Any]:
    os.lseek(file, 0, os.SEEK_SET)
    try:
        found = json.loads(os.read(file, 1 << 16))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _sentence(found: dict[str, Any]) -> str:
    process, user, host, since, command = (str(found.get(name, "?")) for name in ("process", "user", "host", "since", "command"))
    return f"process {process} of user {user} on {host}, since {since} ({command})"


def _shared_kind(folder: Path) -> str | None:
    """The kind of a network file system that the folder is on; None for any other, and where nobody tells."""
    try:
        lines = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace").splitlines()
        place = str(folder.resolve())
    except OSError:
        return None
    best, found = "", ""
    for line in lines:
        words, _, rest = line.partition(" - ")
        point = words.split(" ")[4].encode().decode("unicode_escape")
        if (place == point or place.startswith(point.rstrip("/") + "/")) and len(point) >= len(best):
            best, found = point, rest.split(" ")[0]
    return found if found in SHARED else None
