"""Arrays as bytes that compress well, without loss: masks, whole numbers, floats.

Numbers are laid out in planes, the lowest byte of all of them first, then the next: the upper
bytes of neighbours are alike, and a general compressor finds that.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]
AnyIntegers = NDArray[np.int32] | Integers
"""Whole numbers, in half the memory where that is known to do."""
Arrays = dict[str, NDArray[np.generic]]
"""Packed arrays by name, none of them of Python objects."""


def pack_mask(mask: NDArray[np.bool_]) -> Bytes:
    """Eight cells to the byte, whatever the shape."""
    return np.packbits(mask)


def unpack_mask(packed: NDArray[np.generic], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """The mask of ``shape`` that ``pack_mask`` packed.

    Raises
    ------
    ValueError
        The bytes hold a mask of another size.
    """
    count = math.prod(shape)
    if packed.dtype != np.uint8 or packed.shape != (-(-count // 8),):
        raise ValueError(f"a mask of {count} cells takes {-(-count // 8)} bytes, found "
                         f"{packed.dtype} {packed.shape}")
    return np.unpackbits(packed.view(np.uint8), count=count).astype(bool).reshape(shape)


def pack_integers(values: AnyIntegers) -> Bytes:
    """Whole numbers of shape (n,) as byte planes of shape (k, n), k as few as hold them all.

    The sign goes into the lowest bit (0, -1, 1, -2 become 0, 1, 2, 3), so that small numbers of
    either sign have empty upper bytes.

    Examples
    --------
    >>> pack_integers(np.array([0, -1, 1, -2])).tolist()
    [[0, 1, 2, 3]]
    """
    sign = values >> (8 * values.itemsize - 1)  # 0 or -1
    folded = ((values << 1) ^ sign).view(f"u{values.itemsize}")
    count = max(-(-int(folded.max(initial=0)).bit_length() // 8), 1)
    planes = np.empty((count, len(folded)), dtype=np.uint8)
    for i in range(count):
        planes[i] = folded >> (8 * i)  # the upper bytes are cut off
    return planes


def unpack_integers(planes: NDArray[np.generic]) -> Integers:
    """The whole numbers that ``pack_integers`` packed, shape (n,).

    Raises
    ------
    ValueError
        No byte planes.
    """
    _check_planes(planes)
    folded = planes[0].astype(np.uint32 if len(planes) <= 4 else np.uint64)
    for i, plane in enumerate(planes[1:], start=1):
        folded |= plane.astype(folded.dtype) << folded.dtype.type(8 * i)
    one = folded.dtype.type(1)
    sign = (folded & one).view(f"i{folded.itemsize}")
    return np.asarray((folded >> one).view(sign.dtype) ^ -sign, dtype=np.int64)


def pack_floats(values: Floats) -> Bytes:
    """Floats of shape (n,) as byte planes of shape (8, n), to the last bit."""
    return _planes(np.asarray(values, dtype="<f8")).copy()


def unpack_floats(planes: NDArray[np.generic]) -> Floats:
    """The floats that ``pack_floats`` packed, shape (n,).

    Raises
    ------
    ValueError
        No eight byte planes.
    """
    _check_planes(planes)
    if len(planes) != 8:
        raise ValueError(f"floats take 8 byte planes, found {len(planes)}")
    return np.ascontiguousarray(planes.T).view("<f8")[:, 0].astype(np.float64)


def _planes(values: NDArray[np.generic]) -> Bytes:
    return np.ascontiguousarray(values).view(np.uint8).reshape(len(values), 8).T


def _check_planes(planes: NDArray[np.generic]) -> None:
    if planes.dtype != np.uint8 or planes.ndim != 2 or not 1 <= len(planes) <= 8:
        raise ValueError(f"expected 1 to 8 byte planes, found {planes.dtype} {planes.shape}")
