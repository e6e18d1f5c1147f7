"""A piece of hardware in trade words, as it stands in lists and on the sheet before a drive."""

from collections.abc import Iterable, Mapping
from typing import Any

from tallymast.domain.life.parts import KINDS, Field, Fitted


def part_words(part: Fitted) -> str:
    """Return a part in trade words, as ``yagi 6 dBi, 6 m up, bearing 318° true``."""
    detail = part.detail
    by_kind = {
        "antenna": _antenna,
        "fuse": _fuse,
        "battery": _battery,
        "feedline": _feedline,
    }.get(part.kind)
    if by_kind is not None:
        told = by_kind(detail)
        own = part.name if part.name.lower() not in ("", told.lower()) else ""
        return ", ".join(one for one in (own, told) if one) or KINDS[part.kind].word
    told = ", ".join(_field_words(KINDS[part.kind].fields, detail)) if part.kind in KINDS else ""
    return ", ".join(one for one in (part.name or KINDS[part.kind].word, told) if one)


def _field_words(fields: Iterable[Field], detail: Mapping[str, Any]) -> list[str]:
    found = []
    for field in fields:
        value = detail.get(field.key)
        if value is None:
            continue
        text = f"{value:g}" if isinstance(value, int | float) else str(value)
        named = f"{field.label.lower()} {text}" if field.form == "day" else text
        found.append(f"{named}\u00a0{field.unit}" if field.unit else named)
    return found


def _joined(*parts: str) -> str:
    return ", ".join(one for one in parts if one)


def _measured(detail: Mapping[str, Any], key: str, unit: str, before: str = "") -> str:
    value = detail.get(key)
    return "" if value is None else f"{before}{value:g}\u00a0{unit}".replace("\u00a0°", "°")


def _antenna(detail: Mapping[str, Any]) -> str:
    gain = _measured(detail, "gain_dbi", "dBi")
    height = _measured(detail, "height_m", "m")
    return _joined(
        f"{detail.get('type', '')} {gain}".strip(),
        f"{height} up" if height else "",
        f"{_measured(detail, 'bearing', '°', 'bearing ')} true" if "bearing" in detail else "",
    )


def _fuse(detail: Mapping[str, Any]) -> str:
    return f"{_measured(detail, 'rating_a', 'A')} {detail.get('type', '')}".strip()


def _battery(detail: Mapping[str, Any]) -> str:
    made = f"made {detail['made']}" if detail.get("made") else ""
    since = f"fitted {detail['fitted']}" if detail.get("fitted") else ""
    size = f"{_measured(detail, 'capacity_ah', 'Ah')} {detail.get('type', '')}".strip()
    return _joined(size, made, since)


def _feedline(detail: Mapping[str, Any]) -> str:
    length = _measured(detail, "length_m", "m")
    return _joined(str(detail.get("type", "")), length, str(detail.get("connectors", "")))
