"""Single frames of a DICOM file, by their offsets, decoded with imagecodecs."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.slides.storage import Bytes

_ITEM = b"\xfe\xff\x00\xe0"
_UNDEFINED = 0xFFFFFFFF
_JPEG = {f"1.2.840.10008.1.2.4.{k}" for k in (50, 51, 57, 70)}
_JPEG_LS = {f"1.2.840.10008.1.2.4.{k}" for k in (80, 81)}
_JPEG_2000 = {f"1.2.840.10008.1.2.4.{k}" for k in (90, 91)}
_HT_JPEG_2000 = {f"1.2.840.10008.1.2.4.{k}" for k in (201, 202, 203)}
_NATIVE = {"1.2.840.10008.1.2", "1.2.840.10008.1.2.1"}
_IMPLICIT = "1.2.840.10008.1.2"


class Frames:
    """The frames of one file; `decode` may be called from several threads.

    Parameters
    ----------
    header : pydicom dataset read up to the pixel data
    start : where the pixel data element begins in the file
    """

    def __init__(self, path: Path, header: Any, start: int) -> None:
        self.path = path
        self._syntax = str(header.file_meta.TransferSyntaxUID)
        self._meaning = str(header.PhotometricInterpretation)
        self._shape = (int(header.Rows), int(header.Columns), int(header.SamplesPerPixel))
        self._type = np.dtype(np.uint8 if int(header.BitsAllocated) <= 8 else np.uint16)
        self._planar = int(header.get("PlanarConfiguration", 0)) == 1
        known = _NATIVE | _JPEG | _JPEG_LS | _JPEG_2000 | _HT_JPEG_2000
        if self._syntax not in known:
            name = header.file_meta.TransferSyntaxUID.name
            raise InputError(
                f"{path} is packed as {name}, which cannot be read; export it as JPEG or JPEG 2000."
            )
        self._bytes = Bytes(str(path))
        try:
            self._spans = self._find(header, start)
        except (InputError, struct.error, ValueError):
            self._bytes.close()
            raise

    def close(self) -> None:
        self._bytes.close()

    def _find(self, header: Any, start: int) -> list[tuple[int, int]]:
        """(offset, length) of each frame."""
        count = int(header.get("NumberOfFrames", 1))
        head = 8 if self._syntax == _IMPLICIT else 12
        first = start + head
        if self._syntax in _NATIVE:
            size = int(np.prod(self._shape)) * self._type.itemsize
            return [(first + k * size, size) for k in range(count)]
        table = self._bytes.read(first, 8)
        if table[:4] != _ITEM:
            raise ValueError("no offset table")
        table_size = struct.unpack("<I", table[4:])[0]
        data = first + 8 + table_size
        if "ExtendedOffsetTable" in header:
            offsets = np.frombuffer(header.ExtendedOffsetTable, "<u8")[:count]
            sizes = np.frombuffer(header.ExtendedOffsetTableLengths, "<u8")[:count]
            return [(data + int(o) + 8, int(n)) for o, n in zip(offsets, sizes, strict=True)]
        return self._walk(data, count)

    def _walk(self, at: int, count: int) -> list[tuple[int, int]]:
        """Step from fragment to fragment; each frame is one, as slides are written."""
        spans: list[tuple[int, int]] = []
        while len(spans) < count:
            head = self._bytes.read(at, 8)
            if len(head) < 8 or head[:4] != _ITEM:
                raise ValueError(f"{len(spans)} frames found, {count} expected")
            size = struct.unpack("<I", head[4:])[0]
            if size == _UNDEFINED:
                raise ValueError("a frame of undefined length")
            spans.append((at + 8, size))
            at += 8 + size
        if self._bytes.read(at, 4) == _ITEM:
            raise InputError(f"Frames of {self.path} are split in fragments; export it again.")
        return spans

    def decode(self, number: int) -> np.ndarray:
        """One frame, (rows, columns, samples), YBR already turned to RGB."""
        offset, size = self._spans[number]
        data = self._bytes.read(offset, size)
        if len(data) < size:
            raise InputError(f"{self.path} is cut short at frame {number + 1}; copy it again.")
        try:
            samples = self._unpack(data)
        except (RuntimeError, ValueError) as error:
            raise InputError(
                f"Frame {number + 1} of {self.path} is damaged ({error}); copy it again."
            ) from None
        return samples

    def _unpack(self, data: bytes) -> np.ndarray:
        import imagecodecs

        rows, columns, samples = self._shape
        if self._syntax in _NATIVE:
            flat = np.frombuffer(data, self._type.newbyteorder("<")).astype(self._type)
            if self._planar:
                return np.moveaxis(flat.reshape(samples, rows, columns), 0, -1)
            return self._to_rgb(flat.reshape(rows, columns, samples))
        if self._syntax in _JPEG:
            space = "YCBCR" if self._meaning.startswith("YBR") else None
            if samples == 3:
                decoded = imagecodecs.jpeg_decode(
                    data, colorspace=space or "RGB", outcolorspace="RGB"
                )
            else:
                decoded = imagecodecs.jpeg_decode(data)
        elif self._syntax in _JPEG_LS:
            decoded = imagecodecs.jpegls_decode(data)
        else:
            decoded = imagecodecs.jpeg2k_decode(data)
        decoded = decoded.reshape(rows, columns, samples)
        return decoded if self._syntax in _JPEG else self._to_rgb(decoded)

    def _to_rgb(self, samples: np.ndarray) -> np.ndarray:
        """Full-range YBR that no codec has turned; YBR_RCT and YBR_ICT are the codec's own."""
        if self._meaning not in ("YBR_FULL", "YBR_FULL_422"):
            return samples
        from coreg.sources.slides.colour import rgb_from_ycbcr

        return rgb_from_ycbcr(samples)
