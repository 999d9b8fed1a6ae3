"""What a file is by its first bytes: to tell a picture from a text that was meant."""

from __future__ import annotations

_SIGNATURES: dict[str, tuple[bytes, ...]] = {
    "PNG": (b"\x89PNG\r\n\x1a\n",),
    "JPEG": (b"\xff\xd8\xff",),
    "TIFF": (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
    "BMP": (b"BM",),
    "WebP": (b"RIFF",),
    "PGM": (b"P2", b"P3", b"P5", b"P6"),
    "JPEG 2000": (b"\0\0\0\x0cjP  ", b"\xff\x4f\xff\x51"),
}


def picture_format(data: bytes) -> str | None:
    """Name of the picture format that ``data`` starts as; None for anything else.

    Examples
    --------
    >>> picture_format(b"P5 640 480 255 ")
    'PGM'
    """
    return next(
        (name for name, starts in _SIGNATURES.items() if data.startswith(starts)), None
    )
