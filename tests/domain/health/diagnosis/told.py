"""Diagnoses made by hand, for tests of what becomes of them."""

from typing import Any

from tallymast.domain.health.diagnosis.model import (
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
    Since,
    TimeOf,
)

T0 = 1_772_928_000_000  # 2026-03-08 00:00 UTC
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def antenna(site_id: int = 12, **change: Any) -> Diagnosis:
    """A signal that fell at a site."""
    fields: dict[str, Any] = {
        "cause": "antenna",
        "title": "Antenna, connector or surge arrester",
        "about": About.CONTACT,
        "gateway_id": 1,
        "site_ids": (site_id,),
        "since_ms": T0,
        "score": 5.25,
        "says": Said("signal fell {} between {} and {}", "19\u00a0dB", At(T0), TimeOf(T0 + MINUTE)),
        "advice": Said("Bring all three and a wattmeter."),
        "decides": Said("Forward and reflected power at the radio."),
        "chart": ChartOf(Shown.SIGNAL, T0 - DAY, None, ("RSSI",), ((T0, "fell 19 dB"),)),
    }
    return Diagnosis(**(fields | change))


def full() -> Diagnosis:
    """One with something in every field."""
    return antenna(
        rests_on=(Said("dark for {}", Since(T0)),),
        desk=("Twenty polls now.",),
        bring=("antenna", "wattmeter"),
        cautions=("Climbing: fall protection.",),
        touched=(13, 14),
        rivals=("Radio",),
        explains=frozenset({About.POINT, About.COUNT}),
        tag="RSSI",
        chart=ChartOf(
            Shown.VOLTS,
            T0,
            T0 + DAY,
            ("VBAT",),
            ((T0, "here"), (T0 + 1, "there")),
            ((11.5, "disconnect"),),
        ),
    )
