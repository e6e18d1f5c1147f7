"""What a change is said to do: polls, airtime, older readings, outputs, proofs."""

import copy
from collections.abc import Callable
from typing import Any

import pytest

from tallymast.domain import network_file
from tallymast.domain.setup.effects import Effects, effects
from tallymast.domain.setup.proposals import Proposal, Rename
from tallymast.domain.setup.renaming import renamed_network

Written = dict[str, Any]
Edit = Callable[[Written], object]

TEXT = """
time_zone = "UTC"
[[gateway]]
key = "mast"
name = "Mast"
address = "192.0.2.1:502"
[[gateway]]
key = "hill"
name = "Hill"
address = "192.0.2.2:502"
[[profile]]
key = "tank"
  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 0
  raw = [4000, 20000]
  value = [0.0, 3.5]
  unit = "m"
  limits = { high = 3.0 }
  [[profile.point]]
  tag = "AI2"
  kind = "analog-input"
  table = "input"
  register = 1
  raw = [4000, 20000]
  value = [0.0, 3.5]
  unit = "m"
  [[profile.point]]
  tag = "TOT"
  kind = "totalizer"
  table = "input"
  register = 2
  volume_per_pulse = 10
  volume_unit = "l"
[[profile]]
key = "pump"
  [[profile.point]]
  tag = "START"
  kind = "discrete-output"
  table = "coil"
  register = 0
  write = { table = "coil", register = 0 }
  fail_safe = { state = "off", after_s = 120 }
  [[profile.point]]
  tag = "VALVE"
  kind = "discrete-output"
  table = "coil"
  register = 1
  write = { table = "coil", register = 1 }
  fail_safe = { state = "hold", after_s = 120 }
[[site]]
key = "weir"
name = "Upper Weir"
gateway = "mast"
unit = 1
profile = "tank"
poll_every_s = 60
[[site]]
key = "pond"
name = "Osier Pond"
gateway = "mast"
unit = 2
profile = "tank"
poll_every_s = 60
[[site]]
key = "well"
name = "Sorrel Well"
gateway = "hill"
unit = 1
profile = "pump"
poll_every_s = 10
"""
BEFORE: Written = network_file.parse(TEXT, "net")
WEIR, POND, WELL = 0, 1, 2


def told(edit: Edit, *renamed: Rename) -> Effects:
    after = copy.deepcopy(renamed_network(BEFORE, renamed))
    edit(after)
    return effects(BEFORE, Proposal(1, after, network_file.build(after, "net"), "form", renamed))


def site(n: int, **keys: Any) -> Edit:
    return lambda after: after["site"][n].update(keys)


def point(n: int, **keys: Any) -> Edit:
    return lambda after: after["profile"][0]["point"][n].update(keys)


def test_nothing_changed_says_nothing() -> None:
    found = told(lambda after: None)
    assert found == Effects(())
    assert found.is_nothing


# --- channels -----------------------------------------------------------------------------


def test_polls_and_airtime_are_those_worked_by_hand() -> None:
    # Three registers in one read: 8 bytes asked, 5 + 6 answered; MODBUS over Serial Line V1.02
    # 2.5.1: 19 characters of 10 bits at 9600 baud, two silences of 3.5; 20 ms turnaround; 50 ms
    # pause: 19.792 + 7.292 + 20 + 50 = 97.083 ms. Two sites a minute: 194.167 ms in 60 s; then
    # one of them every 10 s: 97.083 / 60 + 97.083 / 10 ms a second.
    (mast,) = told(site(WEIR, poll_every_s=10)).channels
    assert mast.name == "Mast"
    assert mast.polls_h == (120, 420)
    assert mast.airtime[0] == pytest.approx(0.0032361, abs=1e-6)
    assert mast.airtime[1] == pytest.approx(0.0113264, abs=1e-6)
    assert mast.sentence == ""


def test_a_channel_that_cannot_hold_it_says_how_often_it_could() -> None:
    # 97.083 ms every 0.1 s and 97.083 ms every 60 s: 97.25 % of the airtime, more than the 97 %
    # that are filled; alike, both could be polled every 0.194167 / 0.97 = 0.2 s.
    (mast,) = told(site(WEIR, poll_every_s=0.1)).channels
    assert "Mast cannot hold this: it asks for 97 % of the airtime there is." in mast.sentence
    assert "every site could be polled every 0.2 s" in mast.sentence


def test_half_the_watchdog_is_kept_and_said() -> None:
    (hill,) = told(site(WELL, poll_every_s=90)).channels
    assert hill.polls_h == (360, 60)  # every 60 s: half of 120 s
    assert hill.sentence.startswith("Sorrel Well is asked every 60 s, not every 90 s")


def test_a_site_that_moves_is_counted_at_both_gateways() -> None:
    found = {one.name: one.polls_h for one in told(site(POND, gateway="hill", unit=9)).channels}
    assert found == {"Mast": (120, 60), "Hill": (360, 420)}


def test_a_name_or_limit_leaves_the_channels_alone() -> None:
    assert told(site(WEIR, name="Weir")).channels == ()
    assert told(point(0, limits={"high": 2.0})).channels == ()


# --- older readings -------------------------------------------------------------------------


def test_a_rescaled_point_is_told_once_for_many_sites() -> None:
    found = told(point(0, value=[0.0, 4.0]))
    assert found.history == (
        "Upper Weir and Osier Pond, LVL: older readings keep their scale, 0 to 3.5 m; limits"
        " compare with the new one.",
    )
    assert found.proofs == (
        "Upper Weir and Osier Pond, LVL: if proven, then with another scale; prove it again.",
    )


def test_points_that_change_alike_are_told_together() -> None:
    def both(after: Written) -> None:
        for n in (0, 1):
            after["profile"][0]["point"][n]["unit"] = "ft"

    (said,) = told(both).history
    assert said.startswith(
        "Upper Weir and Osier Pond, LVL and AI2: older readings are in m, new ones in ft"
    )


def test_another_register_a_lost_and_a_new_point_are_told() -> None:
    assert (
        "read from input 9 (30010) instead of input 0 (30001)"
        in told(point(0, register=9)).history[0]
    )
    (gone,) = told(lambda after: after["profile"][0]["point"].pop(1)).history
    assert gone.endswith("AI2: not read any more; history stays under the tag.")
    new = {"tag": "TEMP", "kind": "temperature", "table": "input", "register": 7}
    found = told(lambda after: after["profile"][0]["point"].append(new))
    assert found.history[0].endswith("TEMP: new; recorded from this change on.")
    assert found.proofs[0].endswith("TEMP: new, and not proven yet.")


def test_another_tag_is_another_point() -> None:
    (said,) = told(point(0, tag="LEVEL")).history
    assert "LVL: another tag is another point: LEVEL begins its own history" in said


def test_volumes_of_older_days_come_out_differently() -> None:
    (said,) = told(point(2, volume_per_pulse=100)).history
    assert "100 l a pulse instead of 10 l a pulse" in said
    assert "counts, not volumes" in said


def test_the_contract_hour_has_all_days_computed_anew() -> None:
    (said,) = told(lambda after: after.update(contract_hour=7)).history
    assert said.startswith("Contract days begin at 07:00 UTC instead of 00:00 UTC: all days")


def test_sites_that_move_retire_and_go_keep_their_history() -> None:
    assert (
        "unit 9 at Hill instead of unit 2 at Mast; history stays"
        in told(site(POND, gateway="hill", unit=9)).history[0]
    )
    assert "retired: polling ends" in told(site(POND, retired="2026-03-01")).history[0]
    assert "gone from the network; history stays" in told(lambda a: a["site"].pop(1)).history[0]
    season = {"out_from": "11-01", "back": "04-15"}
    assert (
        "out of season every year from 1 Nov until 15 Apr"
        in told(site(POND, season=season)).history[0]
    )


def test_a_renamed_site_is_one_site() -> None:
    found = told(lambda after: None, Rename("site", "weir", "upper-weir"))
    assert found.differences == (
        "Site weir becomes upper-weir and keeps its history under the new key.",
    )
    assert found.history == ("The site weir keeps its history under the new key upper-weir.",)
    assert (found.channels, found.outputs, found.proofs) == ((), (), ())


def test_a_renamed_gateway_moves_nothing() -> None:
    found = told(lambda after: None, Rename("gateway", "hill", "scarp"))
    assert (found.channels, found.outputs, found.proofs) == ((), (), ())


# --- outputs ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        (site(WELL, in_service=False), "the site is out of service"),
        (site(WELL, retired="2026-03-01"), "the site is retired"),
        (lambda after: after["site"].pop(WELL), "the site is gone from the network"),
        (site(WELL, unit=7), "it moves, and has to answer at the new address in this time"),
        (
            lambda after: after["gateway"][1].update(address="192.0.2.9:502"),
            "Hill is connected anew, and the site has to answer in this time",
        ),
        (
            site(WELL, season={"out_from": "11-01", "back": "04-15"}),
            "out of season nobody polls it",
        ),
    ],
)
def test_an_output_that_would_not_hold_is_named(edit: Edit, why: str) -> None:
    assert told(edit).outputs == (
        f"Sorrel Well, START: off by itself after 120 s without a poll: {why}.",
    )


def test_timing_of_a_gateway_and_names_drop_nothing() -> None:
    assert told(lambda after: after["gateway"][1].update(retries=1, name="H")).outputs == ()
    assert told(site(WELL, poll_every_s=20)).outputs == ()


# --- cautions -----------------------------------------------------------------------------


def test_most_sites_gone_is_cautioned_and_one_of_three_is_not() -> None:
    (said,) = told(lambda after: after.update(site=after["site"][:1])).cautions
    assert said.startswith("2 of 3 sites would be gone.")
    assert told(lambda after: after["site"].pop()).cautions == ()


def test_a_key_that_was_changed_by_file_is_asked_back() -> None:
    (said,) = told(site(WEIR, key="upper-weir")).cautions
    assert said.startswith("Site weir goes and site upper-weir comes at the same address.")


def test_codes_are_told_nowhere() -> None:
    found = told(site(WEIR, lock=[{"where": "gate", "code": "7731"}]))
    assert found.differences == ('Site weir, lock "gate" is new.',)
    assert "7731" not in repr(found)


def test_another_order_is_a_change_too() -> None:
    assert told(lambda after: after["site"].reverse()).differences == (
        "Gateways, profiles, sites or points stand in another order.",
    )


def test_a_first_network_is_all_new() -> None:
    found = effects({}, Proposal(0, BEFORE, network_file.build(BEFORE, "net"), "file"))
    assert "Site weir is new." in found.differences
    assert [one.polls_h for one in found.channels] == [(None, 120), (None, 360)]
    assert (found.outputs, found.proofs, found.cautions) == ((), (), ())
