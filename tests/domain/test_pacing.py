"""The order of polling, played through on a channel that is only a number line."""

from collections import defaultdict
from collections.abc import Callable
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.pacing import Pace, PacedSite, Purpose, Turn

ANSWER_S, TIMEOUT_S = 0.08, 1.0


class Line:
    """Runs turns one after the other; ``is_dead(site, now)`` decides how each ends."""

    def __init__(
        self,
        pace: Pace,
        is_dead: Callable[[int, float], bool] = lambda site, now: False,
        tries: int = 4,
        ceiling_s: float = 300.0,
    ) -> None:
        self.pace, self.is_dead, self.tries = pace, is_dead, tries
        self.ceiling_s = ceiling_s
        self.now = pace.now
        self.turns: list[tuple[float, Turn]] = []
        self.answers: dict[int, list[float]] = defaultdict(list)
        self.missed: dict[int, int] = defaultdict(int)
        self.left: dict[int, int] = {}
        self.pause: dict[int, float | None] = {site.site_id: site.probe_s for site in pace.sites}
        self.missed |= {s.site_id: 3 for s in pace.sites if s.probe_s is not None}

    def run(self, until: float) -> "Line":
        while self.now < until:
            turn = self.pace.take(self.now)
            if turn is None:
                woken = self.pace.wake_at(self.now)
                assert woken > self.now, "nobody may go, yet somebody should be asked at once"
                self.now = min(woken, until)
            else:
                self.turns.append((self.now, turn))
                self.ask(turn)
        return self

    def ask(self, turn: Turn) -> None:
        site, begin = turn.site_id, self.now
        dead = self.is_dead(site, begin)
        self.now += TIMEOUT_S if dead else ANSWER_S
        self.pace.spent(turn, begin, self.now)
        if turn.fresh:
            self.missed[site] += self.left.get(site, 0) > 0  # its visit was given up
            self.left[site] = 1 if self.missed[site] else self.tries
        self.left[site] -= 1
        if not dead:
            self.answers[site].append(self.now)
            self.missed[site], self.pause[site], self.left[site] = 0, None, 0
            self.pace.finish(site, self.now, None)
        elif self.left[site] > 0:
            self.pace.postpone(site, self.now + 1.0)
        else:
            self.missed[site] += 1
            pause = self.pause[site]
            if self.missed[site] >= 3:
                self.pause[site] = 20.0 if pause is None else min(2 * pause, self.ceiling_s)
            self.pace.finish(site, self.now, self.pause[site])

    def times(self, site: int, *purposes: Purpose) -> list[float]:
        wanted = purposes or tuple(Purpose)
        return [at for at, turn in self.turns if turn.site_id == site and turn.purpose in wanted]


def sites(count: int, period_s: float, **more: object) -> list[PacedSite]:
    return [PacedSite(n, period_s, ANSWER_S, **more) for n in range(count)]  # type: ignore[arg-type]


def gaps(times: list[float]) -> list[float]:
    return [b - a for a, b in pairwise(times)]


def test_every_site_is_asked_once_at_the_start() -> None:
    line = Line(Pace(sites(24, 60.0), 100.0)).run(102.0)
    assert sorted(turn.site_id for _, turn in line.turns) == list(range(24))


def test_sites_failing_already_come_after_the_living_at_the_start() -> None:
    failing = [PacedSite(n, 60.0, ANSWER_S, probe_s=300.0) for n in range(3)]
    living = [PacedSite(n, 60.0, ANSWER_S) for n in range(3, 8)]
    line = Line(Pace([*failing, *living], 0.0), lambda site, now: site < 3).run(20.0)
    assert {turn.site_id for _, turn in line.turns[:5]} == {3, 4, 5, 6, 7}
    assert {turn.site_id for _, turn in line.turns[5:]} == {0, 1, 2}
    assert [turn.purpose for _, turn in line.turns[5:]] == [Purpose.PROBE] * 3


def test_polls_come_every_period_and_are_spread_over_it() -> None:
    line = Line(Pace(sites(10, 10.0), 0.0)).run(60.0)
    for site in range(10):
        later = line.times(site)[1:]
        assert gaps(later) == pytest.approx([10.0] * len(gaps(later)), abs=10 * ANSWER_S)
    starts = sorted(at for at, _ in line.turns if 30.0 <= at < 40.0)
    # Ten visits of 80 ms in 10 s: evenly spread they are 1 s apart; multiples of the golden ratio
    # keep the narrowest of ten gaps above a third of that (three-distance theorem).
    assert min(gaps(starts)) > 0.33


def test_a_silent_site_is_tried_again_behind_the_others_and_a_second_later() -> None:
    line = Line(Pace(sites(5, 60.0), 0.0), lambda site, now: site == 0).run(5.0)
    order = [turn.site_id for _, turn in line.turns]
    assert order[:5] == [0, 1, 2, 3, 4]
    first, *retries = line.times(0)
    assert retries
    assert retries[0] >= first + TIMEOUT_S + 1.0
    assert line.turns[5][1] == Turn(0, Purpose.RETRY, fresh=False)


def test_a_ripe_retry_waits_behind_polls_that_fell_due_before_it() -> None:
    pace = Pace([PacedSite(1, 60.0, 0.1), PacedSite(2, 60.0, 0.1)], 0.0)
    assert pace.take(0.0) == Turn(1, Purpose.POLL, fresh=True)
    pace.postpone(1, 3.0)
    assert pace.take(5.0) == Turn(2, Purpose.POLL, fresh=True)
    pace.finish(2, 5.1, None)
    assert pace.take(5.1) == Turn(1, Purpose.RETRY, fresh=False)


def test_a_retry_is_dropped_when_the_next_poll_falls_due() -> None:
    pace = Pace([PacedSite(1, 10.0, 0.1)], 0.0)
    pace.take(0.0)
    pace.finish(1, 0.1, None)
    due = pace.wake_at(0.1)
    assert pace.take(due) == Turn(1, Purpose.POLL, fresh=True)
    pace.postpone(1, due + 30.0)
    assert pace.wake_at(due) == due + 10.0
    assert pace.take(due + 10.0) == Turn(1, Purpose.POLL, fresh=True)


def test_ten_dead_of_sixty_four_cost_the_living_little() -> None:
    # 64 sites, an 80 ms exchange, 1 s timeout, 3 retries. By arithmetic the naive
    # cycle is 54 x 0.08 + 10 x 4 x 1.0 = 44.3 s; with none dead it is 64 x 0.08 = 5.12 s.
    whole = Line(Pace(sites(64, 1.0), 0.0)).run(300.0)
    ill = Line(Pace(sites(64, 1.0), 0.0), lambda site, now: site < 10).run(900.0)

    def cycle_s(line: Line, site: int) -> float:
        times = [at for at in line.answers[site] if at > line.now - 120.0]
        return sum(gaps(times)) / len(gaps(times))

    assert cycle_s(whole, 20) == pytest.approx(5.12, rel=0.01)
    worst = max(cycle_s(ill, site) for site in range(10, 64))
    assert worst <= 1.10 * 5.12
    assert all(line_times for line_times in (ill.times(site, Purpose.PROBE) for site in range(10)))


def test_probes_take_a_tenth_of_the_airtime_at_most_even_when_all_are_dead() -> None:
    failing = [PacedSite(n, 10.0, ANSWER_S, probe_s=20.0) for n in range(40)]
    line = Line(Pace(failing, 0.0), lambda site, now: True).run(2000.0)
    later = [at for at, _ in line.turns if at > 100.0]
    assert len(later) * TIMEOUT_S <= 0.10 * 1900.0 + TIMEOUT_S
    assert len(later) > 0.08 * 1900.0


def test_at_most_one_probe_a_cycle() -> None:
    mixed = [
        *(PacedSite(n, 10.0, ANSWER_S, probe_s=10.0) for n in range(3)),
        *(PacedSite(n, 25.0, ANSWER_S) for n in range(3, 6)),
    ]
    line = Line(Pace(mixed, 0.0), lambda site, now: site < 3).run(500.0)
    probes = [at for at, turn in line.turns if turn.purpose is Purpose.PROBE and at > 20.0]
    assert len(probes) > 10
    assert min(gaps(probes)) >= 25.0 - 1e-9


def test_one_probe_is_reserved_even_in_overload() -> None:
    # Twice as much is asked as the channel has: 100 living x 0.08 s every 4 s.
    crowd = [*sites(100, 4.0), PacedSite(200, 4.0, ANSWER_S, probe_s=4.0)]
    line = Line(Pace(crowd, 0.0), lambda site, now: site == 200, ceiling_s=20.0).run(400.0)
    # Asked every 20 s after a try of 1 s; it may wait for one cycle of 100 x 0.08 s more.
    assert max(gaps(line.times(200)[2:])) <= 21.0 + 9.0
    assert max(gaps(line.answers[50][2:])) <= 2 * (8.0 + 1.0)


def test_a_site_that_answers_again_has_its_path_asked_at_once_and_itself_every_period() -> None:
    path = frozenset({1, 2, 3})
    group = [PacedSite(n, 10.0, ANSWER_S, path=path, probe_s=40.0) for n in (1, 2, 3)]
    line = Line(Pace([*group, PacedSite(9, 10.0, ANSWER_S)], 0.0), lambda s, at: s < 4 and at < 200)
    line.run(400.0)
    first = min(line.answers[n][0] for n in (1, 2, 3))
    assert first > 200.0
    assert max(line.answers[n][0] for n in (1, 2, 3)) <= first + 3 * ANSWER_S
    for site in (1, 2, 3):
        assert max(gaps(line.answers[site])) <= 15.0 + 1.0


def test_a_demanded_poll_goes_first() -> None:
    pace = Pace(sites(20, 60.0), 0.0)
    assert pace.take(0.0) == Turn(0, Purpose.POLL, fresh=True)
    pace.finish(0, 0.1, None)
    pace.demand(13, 0.1)
    assert pace.take(0.1) == Turn(13, Purpose.DEMAND, fresh=True, demanded=True)
    pace.finish(13, 0.2, None)
    rest = Line(pace).run(3.0)
    assert 13 not in [turn.site_id for _, turn in rest.turns], "it has just been asked"


def test_demanded_polls_take_three_tenths_of_any_ten_seconds_at_most() -> None:
    line = Line(Pace(sites(4, 5.0), 0.0), lambda site, now: site == 0 and now > 2.0, tries=1)
    while line.now < 60.0:
        line.pace.demand(0, line.now)
        line.run(line.now + 0.5)
    demanded = [at for at, turn in line.turns if turn.purpose is Purpose.DEMAND]
    assert len(demanded) > 10
    for begin in range(3, 50):
        spent = sum(TIMEOUT_S for at in demanded if begin <= at < begin + 10)
        assert spent <= 3.0 + TIMEOUT_S  # the turn that crosses the line is still finished
    for site in (1, 2, 3):
        assert max(gaps(line.answers[site])) < 10.0


def test_a_full_channel_stretches_all_periods_alike_and_says_to_what() -> None:
    # 50 sites x 80 ms every 2 s and 50 every 6 s: 2.0 + 0.667 s of airtime a second, so
    # every period must grow 2.67 times: 5.33 s and 16 s.
    crowd = [PacedSite(n, 2.0 if n < 50 else 6.0, ANSWER_S) for n in range(100)]
    line = Line(Pace(crowd, 0.0)).run(300.0)

    def mean_gap(site: int) -> float:
        times = [at for at in line.times(site) if at > 100.0]
        return sum(gaps(times)) / len(gaps(times))

    assert mean_gap(3) == pytest.approx(5.333, rel=0.05)
    assert mean_gap(70) == pytest.approx(16.0, rel=0.05)
    assert line.pace.holds_s == pytest.approx(5.333, rel=0.05)
    assert line.pace.use.used(300.0) == pytest.approx(1.0, abs=0.01)


def test_a_channel_with_room_keeps_the_asked_periods() -> None:
    line = Line(Pace(sites(64, 10.0), 0.0)).run(100.0)
    assert line.pace.holds_s is None
    assert line.pace.load == pytest.approx(0.512, rel=0.01)  # 64 x 0.08 / 10


def test_half_a_stations_watchdog_bounds_its_period_even_in_overload() -> None:
    held = PacedSite(0, 60.0, ANSWER_S, hard_s=15.0)
    crowd = [PacedSite(n, 4.0, ANSWER_S) for n in range(1, 150)]
    line = Line(Pace([held, *crowd], 0.0)).run(400.0)
    assert max(gaps(line.times(0)[3:])) <= 15.5


def test_after_a_long_pause_nobody_is_asked_twice_to_catch_up() -> None:
    pace = Pace(sites(3, 10.0), 0.0)
    line = Line(pace).run(30.0)
    line.now = 1000.0
    line.run(1010.0)
    # One poll that is overdue and one at its own time in the next ten seconds.
    assert sorted(turn.site_id for at, turn in line.turns if at >= 1000.0) == [0, 0, 1, 1, 2, 2]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(1.0, 60.0), st.booleans()), min_size=1, max_size=12),
    st.integers(0, 2**32),
)
def test_nobody_living_starves_and_the_queue_never_sticks(
    made: list[tuple[float, bool]], seed: int
) -> None:
    dead = {n for n, (_, is_dead) in enumerate(made) if is_dead}
    paced = [PacedSite(n, period, ANSWER_S) for n, (period, _) in enumerate(made)]
    line = Line(Pace(paced, float(seed % 1000)), lambda site, now: site in dead)
    line.run(line.now + 600.0)
    for n, (period, _) in enumerate(made):
        if n not in dead:
            # The dead sites' tries (4 x 1 s each) and a stagger of half a period come between.
            later = line.answers[n][2:]
            assert max(gaps(later), default=0.0) <= 2 * period + len(dead) * 4.0 + 2.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(2.0, 90.0), min_size=1, max_size=20))
def test_deadlines_hold_whenever_the_channel_can_hold_them(periods: list[float]) -> None:
    paced = [PacedSite(n, period, ANSWER_S) for n, period in enumerate(periods)]
    load = sum(ANSWER_S / period for period in periods)
    pace = Pace(paced, 0.0)
    line = Line(pace)
    line.run(900.0)
    if load > 0.9:
        return
    for n, period in enumerate(periods):
        later = line.answers[n][1:]  # behind the first one phases are found
        # A poll falls due once a period and is begun before the next one falls due.
        assert max(gaps(later), default=0.0) <= 2 * period + ANSWER_S
        assert len(later) >= (900.0 - 2 * period) / period - 1


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32), st.lists(st.floats(5.0, 60.0), min_size=2, max_size=8))
def test_a_plan_revised_at_any_time_starves_nobody(seed: int, periods: list[float]) -> None:
    chance = Random(seed)
    line = Line(Pace([PacedSite(n, p, ANSWER_S) for n, p in enumerate(periods)], 0.0))
    for _ in range(6):
        line.run(line.now + chance.uniform(1.0, 120.0))
        kept = [n for n in range(len(periods)) if n == 0 or chance.random() < 0.8]
        line.pace.revise([PacedSite(n, periods[n], ANSWER_S) for n in kept], line.now)
    line.pace.revise([PacedSite(n, p, ANSWER_S) for n, p in enumerate(periods)], line.now)
    begin = line.now
    line.run(begin + 300.0)
    for n, period in enumerate(periods):
        mine = [at for at in line.answers[n] if at >= begin]
        assert mine[0] <= begin + period + 2.0
        assert max(gaps(mine), default=0.0) <= 2 * period + 1.0
    # The site that never went away was asked all the time.
    assert max(gaps(line.answers[0])) <= 2 * periods[0] + 2.0
