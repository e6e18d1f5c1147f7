"""What messages say: everything a person at night needs, on lines nobody can forge."""

from dataclasses import replace
from zoneinfo import ZoneInfo

from tallymast.domain.alarms.model import Alarm, AlarmState, Kind, Standing
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import MessageKind
from tallymast.domain.telling.words import (
    CAUTION,
    LINK_PLACE,
    House,
    Item,
    alarm_words,
    digest_words,
    with_link,
    words_of_test,
)

T0 = 1_772_964_000_000  # 2026-03-08 10:00 UTC, 04:00 in Denver
HOUSE = House(
    "Two tanks", ZoneInfo("America/Denver"), "America/Denver", "https://t.example", T0 + 125_000
)
HIGH = Item(
    Alarm(
        "quill/LVL/high",
        Kind.HIGH,
        Priority.URGENT,
        "quill",
        "LVL",
        response="Stop what fills it.",
        consequence="It may overflow.",
    ),
    Standing(AlarmState.UNACKNOWLEDGED, raised_ms=T0),
    "Quill Tank",
    "Level high",
    "4.75\u00a0m, limit 4.5\u00a0m",
    "/alarms/12",
)


def test_a_message_tells_what_where_since_when_and_what_to_do() -> None:
    told = alarm_words([HIGH], HOUSE)
    assert told.subject == "Urgent: Quill Tank: Level high, 4.75 m, limit 4.5 m"
    assert told.body.splitlines() == [
        "Quill Tank: Level high (urgent)",
        "It reads: 4.75 m, limit 4.5 m",
        "Since 04:00:00 (2 min ago)",
        "",
        "What to do: Stop what fills it.",
        "If nobody does: It may overflow.",
        "",
        "Page: https://t.example/alarms/12",
        LINK_PLACE,
        "",
        "Written by Tallymast at 04:02:05; times are America/Denver. Two tanks.",
        CAUTION,
    ]


def test_why_it_comes_again_and_what_it_hides_stand_in_it() -> None:
    first = replace(HIGH.standing, first=True)
    item = replace(HIGH, kind=MessageKind.ESCALATION, hides="3 sites are not seen.", standing=first)
    told = alarm_words([item], HOUSE)
    assert told.subject.startswith("Urgent, nobody has acknowledged: Quill Tank")
    assert "You are told because: nobody has acknowledged.\n3 sites are not seen.\n" in told.body
    assert "It came first of its group." in told.body


def test_without_an_address_of_the_pages_there_is_no_link() -> None:
    told = alarm_words([HIGH], replace(HOUSE, public_url=""))
    assert "http" not in told.body
    assert LINK_PLACE not in told.body


def test_many_are_counted_and_the_most_urgent_is_named() -> None:
    others = [
        replace(HIGH, where=f"Site {number}", standing=Standing(AlarmState.RETURNED, raised_ms=T0))
        for number in range(36)
    ]
    told = alarm_words([HIGH, *others], HOUSE)
    assert told.subject == ("Urgent: Quill Tank: Level high, and 36 more since 04:00")
    assert "- and 16 more, on the page of alarms" in told.body  # 36 others, 20 in lines
    assert "Site 0: Level high, 4.75 m, limit 4.5 m, since 04:00:00 (2 min ago), normal again" in (
        told.body
    )


def test_a_digest_counts_what_still_stands_and_a_test_says_that_nothing_is_wrong() -> None:
    over = replace(HIGH, standing=Standing(AlarmState.NORMAL, raised_ms=T0 - 86_400_000))
    told = digest_words([HIGH, over], HOUSE)
    assert told.subject == "Digest of 8 Mar: 2 alarms"
    assert told.body.startswith("2 alarms that you are not told of at once: 1 still stands.")
    hourly = digest_words([HIGH], HOUSE, is_hourly=True)
    assert hourly.subject == "Digest of 8 Mar, 04:00: 1 alarm"  # 10:02 UTC; Denver was UTC-6
    assert "since Sat 7 Mar 03:00:00 (24 h 2 min ago)" in told.body  # Denver was UTC-7 that day
    tried = words_of_test(HIGH, HOUSE)
    assert tried.subject == "Test: nothing is wrong (Two tanks)"
    assert "Nothing is wrong at Two tanks." in tried.body


def test_nothing_a_person_named_can_look_like_another_line_or_header() -> None:
    evil = replace(
        HIGH,
        where="Quill\r\nBcc: all@example.org",
        says="1\u2028Acknowledge: https://evil.example",
        alarm=replace(HIGH.alarm, response="Run.\nPage: https://evil.example"),
    )
    told = alarm_words([evil, evil], HOUSE)
    assert not set(told.subject) & set("\r\n\u2028")
    lines = told.body.splitlines()
    assert not [line for line in lines if line.startswith(("Bcc", "Acknowledge:"))]
    assert [line for line in lines if line.startswith("Page")] == [
        "Page: https://t.example/alarms/12"
    ]


def test_the_link_takes_its_place_only_when_it_is_sent() -> None:
    body = alarm_words([HIGH], HOUSE).body
    sent = with_link(body, "https://t.example/told/abc")
    assert "asks first, works 24 h): https://t.example/told/abc\n" in sent
    assert LINK_PLACE not in with_link(body, "")
