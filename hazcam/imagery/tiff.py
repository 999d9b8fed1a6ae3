"""The orientation of a TIFF, taken out before decoding: the calibration is of the pixels as sent.

OpenCV turns the pixels of a TIFF as its orientation says and cannot be told not to, unlike those of
a JPEG or PNG.

References
----------
TIFF Revision 6.0 (1992), section 2, for the directory of tags; BigTIFF has wider fields.
"""

from __future__ import annotations

import struct

_ORIENTATION = 274
_SHORT = 3


def without_orientation(data: bytes) -> bytes:
    """The same TIFF with its first orientation set to 1, as sent; anything else as it is.

    Parameters
    ----------
    data : bytes
        A TIFF or BigTIFF.
    """
    order = "<" if data[:2] == b"II" else ">"
    try:
        big = struct.unpack_from(f"{order}H", data, 2)[0] == 43
        start = struct.unpack_from(f"{order}{'Q' if big else 'I'}", data, 8 if big else 4)[0]
        count = struct.unpack_from(f"{order}{'Q' if big else 'H'}", data, start)[0]
        first, size, value = (start + 8, 20, 12) if big else (start + 2, 12, 8)
        for place in range(first, first + min(count, 4096) * size, size):
            tag, kind = struct.unpack_from(f"{order}HH", data, place)
            if (tag, kind) == (_ORIENTATION, _SHORT):
                sent = struct.pack(f"{order}H", 1)
                return data[: place + value] + sent + data[place + value + 2:]
    except struct.error:  # cut short: the decoder will say so
        pass
    return data
