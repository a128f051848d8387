"""Bytes of a file, local or behind any address that fsspec knows, from many threads at once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, BinaryIO

from coreg.errors import InputError


def is_remote(source: str) -> bool:
    """Whether a source is an address (``s3://``, ``https://`` …) and no path of this machine."""
    return "://" in source and not source.startswith("file://")


def local_path(source: str) -> Path:
    """The path of a local source; ``file://`` is taken off."""
    return Path(source.removeprefix("file://"))


class Bytes:
    """Random access to one file; `read` may be called from several threads."""

    def __init__(self, source: str) -> None:
        self.source = source
        self._fd: int | None = None
        self._files: Any = None
        if is_remote(source):
            self._files, self._key = filesystem(source)
        else:
            try:
                self._fd = os.open(local_path(source), os.O_RDONLY | getattr(os, "O_BINARY", 0))
            except OSError as error:
                raise InputError(
                    f"{source} cannot be opened ({error.strerror}); check that you may read it."
                ) from None

    def size(self) -> int | None:
        """Bytes of a local file; None for an address."""
        return None if self._fd is None else os.fstat(self._fd).st_size

    def read(self, offset: int, size: int) -> bytes:
        """`size` bytes from `offset`; fewer at the end of the file."""
        if self._fd is not None:
            return os.pread(self._fd, size, offset)
        try:
            return self._files.cat_file(self._key, start=offset, end=offset + size)
        except (OSError, ValueError) as error:
            raise InputError(f"{self.source} stopped answering: {error}; try again.") from None

    def open(self) -> BinaryIO:
        """A seekable file object for a library that parses headers."""
        if self._fd is not None:
            return open(local_path(self.source), "rb")
        try:
            return self._files.open(self._key, "rb", block_size=2**18)
        except (OSError, ValueError) as error:
            raise InputError(
                f"{self.source} cannot be opened ({error}); check the address."
            ) from None

    def close(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None


def filesystem(source: str) -> tuple[Any, str]:
    """fsspec's file system and key for an address."""
    protocol = source.partition("://")[0]
    try:
        import fsspec

        return fsspec.core.url_to_fs(source)
    except ImportError as error:
        raise InputError(
            f"Reading {protocol}:// needs a package that is not installed ({error}); "
            "install coreg[remote]."
        ) from None
    except ValueError:
        raise InputError(
            f"Addresses that begin with {protocol}:// are not known; use https:// or s3://."
        ) from None
