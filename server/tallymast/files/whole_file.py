"""Puts a small file in its place whole or not at all, and never over another.

It is written beside its place under a name nobody else uses; giving it its own name is one step
that fails where that name is taken, also by another process.
"""

import errno
import os
import secrets
from contextlib import suppress
from pathlib import Path
from typing import Final

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.files.writing import UNFINISHED

_REFUSED: Final = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT, errno.ENOTDIR)
_NO_LINKS: Final = (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK)


def check_place(path: Path) -> None:
    """Look whether a new file could be put there, before the work of making it.

    Raises:
        ConfigError: something is there already, or its folder is none or cannot be written.

    """
    if path.exists() or path.is_symlink():
        raise ConfigError(f"{path} is there already and stays as it is; choose another name.")
    folder = path.parent
    if not folder.is_dir():
        raise ConfigError(f"{folder} is no directory; make it first, or choose another place.")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise ConfigError(f"Nothing can be written into {folder}; choose another place.")


def put_whole(path: Path, body: bytes) -> None:
    """Write a new file.

    Args:
        path: where it is to lie.
        body: all of it.

    Raises:
        ConfigError: something is there already, or the place cannot be written.
        StorageError: the disk is full or failing.

    """
    beside = path.with_name(f".{path.name}-{secrets.token_hex(4)}{UNFINISHED}")
    try:
        with beside.open("xb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        _give_name(beside, path)
    except FileExistsError as error:
        raise ConfigError(
            f"{path} is there already and stays as it is; choose another name."
        ) from error
    except OSError as error:
        why = error.strerror or str(error)
        if error.errno in _REFUSED:
            raise ConfigError(f"{path} cannot be written: {why}. Choose another place.") from error
        raise StorageError(f"{path} cannot be written: {why}. Make room and try again.") from error
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _give_name(beside: Path, path: Path) -> None:
    try:
        os.link(beside, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        with path.open("xb"):  # takes the name, where a file system knows no second names
            pass
        beside.replace(path)
