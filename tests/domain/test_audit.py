"""Every act has a sentence of its own, made of what it was told."""

import re
from string import Formatter

import pytest

from tallymast.domain.audit import SENTENCES, Act

WORDS = {
    "role": "operator",
    "why": "wrong password",
    "days": 30,
    "right": "see",
    "reason": "Pump works.",
    "text": "Fence is cut.",
    "minutes": 10,
    "n": 2,
    "source": "basin.toml",
    "words": "for 90 days",
    "period": "8 Mar 2026",
    "how": "by hour",
    "format": "csv",
    "file": "reliability-2026-10-2.html",
    "title": "Antenna, connector or surge arrester",
    "unit": 19,
    "said": "confirmed (connector).",
    "what": "yagi 6 dBi",
    "origin": "the store",
    "when": "due 8 Mar 2026, every year",
    "hand": "12.96",
    "shown": "12.84",
    "wrong": 1,
}


@pytest.mark.parametrize("action", SENTENCES)
def test_it_reads_as_a_sentence(action: str) -> None:
    before = {"role": "viewer"} if "before_role" in SENTENCES[action] else {}
    told = Act(action, "site", "quill-tank", before, WORDS, "Quill Tank").sentence("r.hale")
    assert told[0].isupper() or told.startswith("r.hale")
    assert told.endswith(".")
    assert "{" not in told
    assert re.fullmatch(r"[a-z]+\.[a-z-]+", action)


@pytest.mark.parametrize("action", SENTENCES)
def test_it_names_nothing_secret(action: str) -> None:
    # ASVS 5.0.0 16.2.5: no passwords, keys or digests in what is written down.
    named = {name for _, name, _, _ in Formatter().parse(SENTENCES[action]) if name}
    assert named <= {"actor", "subject", "before_role", *WORDS}


def test_an_unknown_act_is_a_bug() -> None:
    with pytest.raises(KeyError):
        Act("site.vanish", "site", "quill-tank").sentence("r.hale")


def test_somebody_unknown_is_somebody() -> None:
    told = Act("request.refuse", "request", "GET /audit", after={"right": "read"}).sentence("")
    assert told.startswith("Somebody was refused GET /audit")
