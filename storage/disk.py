"""The few calls that reach the disk, in one place so that a test can let each of them fail."""

import contextlib
import errno
import os
import stat
import sys
from pathlib import Path

from storage.damage import SessionError

_BINARY: int = getattr(os, "O_BINARY", 0)
_HOLE_OCTETS = 4096
READ_LIMIT = 1 << 30
"""Octets of a file that is read at once."""


def need_plain(path: Path) -> int:
    """The size of a plain file. OSError if something else stands there, or nothing.

    A session from others may hold links to what is the reader's own, and pipes or devices that
    never end.
    """
    found = path.lstat()
    if stat.S_ISLNK(found.st_mode):
        raise OSError(errno.ELOOP, "it is a link; put the file itself there", str(path))
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "it is no plain file", str(path))
    return found.st_size


def is_plain(path: Path) -> bool:
    """Whether a plain file stands there."""
    try:
        need_plain(path)
    except OSError:
        return False
    return True


def read_plain(path: Path, limit: int = READ_LIMIT) -> bytes:
    """All octets of a plain file. OSError: it is none, can't be read, or is longer than `limit`."""
    if need_plain(path) > limit:
        raise OSError(errno.EFBIG, f"it is longer than {limit >> 20} MiB", str(path))
    return path.read_bytes()


class Disk:
    """Unbuffered files by number. Every method raises OSError when the disk refuses."""

    def create(self, path: Path) -> int:
        """Open a new file for reading and writing; FileExistsError if there is one."""
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)

    def open(self, path: Path) -> int:
        """Open an existing file for reading and writing."""
        return os.open(path, os.O_RDWR | _BINARY)

    def open_to_read(self, path: Path) -> int:
        """Open an existing plain file for reading only."""
        need_plain(path)
        return os.open(path, os.O_RDONLY | _BINARY)

    def write(self, fd: int, data: bytes, offset: int) -> None:
        """Write all of `data` at `offset`, however often the system takes only a part."""
        os.lseek(fd, offset, os.SEEK_SET)
        view = memoryview(data)
        while view:
            written = self.write_some(fd, view)
            if not written:
                raise OSError(errno.EIO, "the system takes no octet and names no reason")
            view = view[written:]

    def write_some(self, fd: int, data: memoryview) -> int:
        """One write call; how many octets it took."""
        return os.write(fd, data)

    def truncate(self, fd: int, size: int) -> None:
        """Cut the file to `size` octets."""
        os.ftruncate(fd, size)

    def sync(self, fd: int) -> None:
        """Return when everything written is on the medium, as far as the system can tell."""
        if sys.platform == "darwin":
            # There fsync leaves the data in the drive's own memory.
            import fcntl

            with contextlib.suppress(OSError):  # not every file system has it
                fcntl.fcntl(fd, fcntl.F_FULLFSYNC)
                return
        os.fsync(fd)

    def sync_folder(self, folder: Path) -> None:
        """Make new and renamed files of a folder last; nothing to do where folders can't be opened."""
        if os.name == "nt":
            return
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        except OSError as error:
            # Some file systems (shared folders of virtual machines) know it for files only.
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise
        finally:
            os.close(fd)

    def read(self, fd: int, offset: int, size: int) -> bytes:
        """Up to `size` octets at `offset`; fewer only at the end of the file."""
        os.lseek(fd, offset, os.SEEK_SET)
        parts = []
        while size > 0 and (part := os.read(fd, min(size, 1 << 20))):
            parts.append(part)
            size -= len(part)
        return b"".join(parts)


def read_around_holes(disk: Disk, fd: int, offset: int, size: int) -> bytes:
    """As `Disk.read`; what the medium doesn't give back (a bad block) comes as zeros."""
    try:
        return disk.read(fd, offset, size)
    except OSError:
        parts = []
        for at in range(offset, offset + size, _HOLE_OCTETS):
            wanted = min(_HOLE_OCTETS, offset + size - at)
            try:
                part = disk.read(fd, at, wanted)
            except OSError:
                part = bytes(wanted)
            parts.append(part)
        return b"".join(parts)


def create_temporary(path: Path, mode: int = 0o666) -> tuple[Path, int]:
    """A new file beside `path` that gets its name later: its path, and open for reading and writing.

    What stands there already is never opened: another user whose it is would read along. What a
    killed process left is removed. OSError if it is no plain file, or the disk refuses.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    if is_plain(temporary):
        temporary.unlink(missing_ok=True)
    return temporary, os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, mode)


def publish(temporary: Path, path: Path) -> None:
    """Give a finished file its final name; an existing file there is left alone.

    Raises:
        SessionError: something already has that name.
        OSError: the disk refuses.
    """
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise SessionError(path, "is there already", "It is never overwritten; choose another name") from None
    except OSError:
        # A file system without hard links: the look before the rename is the best there is.
        if path.exists():
            raise SessionError(
                path, "is there already", "It is never overwritten; choose another name"
            ) from None
        temporary.rename(path)
    else:
        temporary.unlink()
    Disk().sync_folder(path.parent)


def write_whole(path: Path, data: bytes, *, replace: bool = False, mode: int = 0o666) -> None:
    """Write a small file so that it is there as a whole or not at all.

    Raises:
        SessionError: the file is there already and `replace` is not set.
        OSError: the disk refuses; nothing is left behind under `path`.
    """
    disk = Disk()
    temporary, fd = create_temporary(path, mode)
    try:
        try:
            disk.write(fd, data, 0)
            disk.sync(fd)
        finally:
            os.close(fd)
        if replace:
            temporary.replace(path)
            disk.sync_folder(path.parent)
        else:
            publish(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
