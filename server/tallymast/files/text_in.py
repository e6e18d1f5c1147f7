"""Turns the bytes of a text file somebody sends into text: UTF-8, or UTF-16 with its mark.

Anything else is refused with the row and byte where it stops being that: a wrong letter in a
site's name is worse than a refusal.
"""

import codecs
from typing import Final

from tallymast.domain.errors import ConfigError

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_HOW: Final = 'save it as "CSV UTF-8" or, of a text, with the encoding UTF-8'


def text_of(name: str, content: bytes) -> str:
    """Return a file's text without its byte order mark.

    Raises:
        ConfigError: empty, not text, or in another encoding.

    """
    if content.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise ConfigError(f"{name}: The text is in UTF-32; {_HOW}.")
    mark, encoding = next(
        ((mark, name_) for mark, name_ in _MARKS if content.startswith(mark)), (b"", "utf-8")
    )
    body = content[len(mark) :]
    try:
        text = body.decode(encoding)
    except UnicodeDecodeError as error:
        raise ConfigError(_wrong_byte(name, body, error, encoding)) from error
    if "\0" in text:
        raise ConfigError(_nul(name, text))
    if not text.strip():
        raise ConfigError(f"{name}: The file is empty.")
    return text


def _wrong_byte(name: str, body: bytes, error: UnicodeDecodeError, encoding: str) -> str:
    if encoding != "utf-8":
        return f"{name}: The file says it is UTF-16 and breaks off at byte {error.start}; {_HOW}."
    before = body[: error.start]
    row = before.count(b"\n") + 1
    place = error.start - (before.rfind(b"\n") + 1) + 1
    return (
        f"{name}, row {row}, byte {place} of it (value {body[error.start]}): This is not UTF-8,"
        f" perhaps Windows-1252 or Latin-1; {_HOW}."
    )


def _nul(name: str, text: str) -> str:
    row = text[: text.index("\0")].count("\n") + 1
    return (
        f"{name}, row {row}: A NUL byte stands here, which no text has; perhaps it is UTF-16"
        f" without its byte order mark, or no text at all. If it is one, {_HOW}."
    )
