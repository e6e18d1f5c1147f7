"""Tells by its first bytes what kind of picture a file is."""

from typing import Final

LARGEST: Final = 4_000_000  # bytes; ours: a telephone's picture

# ISO/IEC 10918-1 (SOI marker), W3C PNG section 5.2 (signature), RFC 9649 section 2.4 (WebP).
_JPEG, _PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"


def media_of(body: bytes) -> str | None:
    """Return ``image/jpeg``, ``image/png`` or ``image/webp``, None for anything else."""
    if body.startswith(_JPEG):
        return "image/jpeg"
    if body.startswith(_PNG):
        return "image/png"
    if body[:4] == b"RIFF" and body[8:12] == b"WEBP":
        return "image/webp"
    return None
