"""The lively radio: what distance, hours, weather and a sleeping receiver do to answers."""

from dataclasses import replace

import numpy as np
import pytest
from tests.simulator.conftest import METER, TANK, site

from tallymast.domain.model import Network, SiteClass
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.radio_path import LIVELY, STEADY, RadioPath, weak_share
from tallymast.simulator.site_model import SiteModel

T0_S = 1_772_953_200.0
EVERY_MINUTE = T0_S + 60.0 * np.arange(20_000)
CALM = np.zeros(len(EVERY_MINUTE))


def lost(dbm: float, disturbed: float = 0.0) -> float:
    path = RadioPath(LIVELY, site("tank", 3, TANK), 0, 7)
    signal = np.full(len(EVERY_MINUTE), dbm)
    return float(path.loses(EVERY_MINUTE, signal, CALM + disturbed).mean())


def test_a_steady_radio_adds_and_loses_nothing() -> None:
    path = RadioPath(STEADY, site("tank", 3, TANK), 2, 7)
    weak = np.full(len(EVERY_MINUTE), -110.0)
    assert not path.loses(EVERY_MINUTE, weak, CALM + 1.0).any()
    assert not path.delay_s(EVERY_MINUTE, weak).any()


def test_a_weaker_signal_loses_more() -> None:
    shares = [lost(dbm) for dbm in (-70.0, -94.0, -98.0, -102.0)]
    assert shares == sorted(shares)
    assert shares[0] < 0.015
    # The scenario: three quarters of first tries get through at −98 dBm.
    assert shares[2] == pytest.approx(0.22, abs=0.05)
    assert weak_share(np.array([-98.0]))[0] == 0.5


def test_the_answer_time_falls_ill_before_the_first_tries() -> None:
    path = RadioPath(LIVELY, site("tank", 3, TANK), 0, 7)
    good, ill = (path.delay_s(EVERY_MINUTE, CALM + dbm) for dbm in (-75.0, -92.0))
    assert np.percentile(ill, 95) > 1.3 * np.percentile(good, 95)
    assert lost(-92.0) - lost(-75.0) < 0.03  # and hardly anything is lost yet


def test_each_repeater_and_a_sleeping_receiver_take_their_time() -> None:
    near = RadioPath(LIVELY, site("tank", 3, TANK), 0, 7)
    far = RadioPath(LIVELY, site("tank", 3, TANK), 1, 7)
    sleeper = replace(site("tank", 3, TANK), site_class=SiteClass.DUTY_CYCLED)
    good = CALM - 70.0
    hop = far.delay_s(EVERY_MINUTE, good) - near.delay_s(EVERY_MINUTE, good)
    assert hop == pytest.approx(np.full(len(hop), LIVELY.hop_s))
    waits = RadioPath(LIVELY, sleeper, 0, 7).delay_s(EVERY_MINUTE, good)
    # It wakes every 3 s: half of that on average.
    assert waits.mean() - near.delay_s(EVERY_MINUTE, good).mean() == pytest.approx(1.5, abs=0.05)


def test_another_transmitter_spoils_its_share_of_stretches() -> None:
    assert lost(-70.0, disturbed=0.36) - lost(-70.0) == pytest.approx(0.18, abs=0.02)


def test_a_retry_mostly_gets_through_a_weak_signal() -> None:
    path = RadioPath(LIVELY, site("tank", 3, TANK), 0, 7)
    signal = CALM - 98.0
    first = path.loses(EVERY_MINUTE, signal, CALM)
    second = path.loses(EVERY_MINUTE + 3.0, signal, CALM)
    assert (first & second).mean() < 0.4 * first.mean()


def test_the_signal_fades_with_distance_dawn_and_trouble(network: Network) -> None:
    near = SiteModel(network, network.sites[0], 1)
    days = T0_S + 86_400.0 * np.arange(60)  # midnight local standard time
    dawn, noon = near.signal_dbm(days + 6 * 3600), near.signal_dbm(days + 13 * 3600)
    assert dawn.mean() <= noon.mean()
    fault = Fault(FaultKind.SIGNAL, network.sites[0].key, None, db=-19.0)
    ill = SiteModel(network, network.sites[0], 1, Faults([fault]))
    assert ill.signal_dbm(days) == pytest.approx(near.signal_dbm(days) - 19.0)


def test_the_meter_is_not_needed_for_the_signal(network: Network) -> None:
    meter = SiteModel(network, site("meter", 9, METER), 1)
    assert np.isfinite(meter.signal_dbm(EVERY_MINUTE[:10])).all()
