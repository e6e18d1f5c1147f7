"""The page of one finding in a real browser: drawn, narrow, dark, on paper, without scripts."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import pages_of, violations
from tests.routes.conftest import NOW_MS
from tests.routes.evidence_world import (
    GOOD,
    HOUR,
    LATER,
    Evidence,
    evidence_world,
    shown,
    station,
)

from tallymast.domain.health.diagnosis.model import Shown

pytestmark = pytest.mark.browser

OpenPage = Callable[..., Page]


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evidence]:
    """Three findings: at one site, at three, and of the hours of the day."""
    with evidence_world(tmp_path_factory.mktemp("evidence")) as made:
        for number in (1, 2, 3):
            polls = [
                (NOW_MS - n * HOUR, GOOD if n > 4 else LATER, station(dbm=-80 - number))
                for n in range(8, 0, -1)
            ]
            made.polls(number, polls)
        more = {"desk": ("Twenty polls now.",), "bring": ("antenna",), "cautions": ("Climbing.",)}
        marks = ((NOW_MS - 4 * HOUR, "fell 18 dB, and words that go on"),)
        made.name(shown(Shown.SIGNAL, marks=marks), **more)
        made.name(shown(Shown.SIGNAL, marks=marks), (2, 1, 3), rivals=("Fading",), **more)
        hours = ((14, "from"), (18, "to"))
        made.name(shown(Shown.DAY, levels=hours), (3, 1), cause="interference", **more)
        yield made


@pytest.fixture(scope="module")
def finding_base(evidence: Evidence) -> Iterator[str]:
    with served(evidence.client.app) as address:  # type: ignore[arg-type]
        yield address


@pytest.fixture
def open_finding(browser: Browser, finding_base: str) -> Iterator[OpenPage]:
    yield from opening(browser, finding_base)


@pytest.mark.parametrize(
    ("place", "width", "dark"),
    [(0, 1280, False), (1, 320, False), (1, 1280, True), (2, 320, True)],
    ids=["one site", "three sites, phone", "three sites, dark", "hours, phone, dark"],
)
def test_it_is_drawn_fits_the_screen_and_axe_finds_nothing(
    evidence: Evidence, open_finding: OpenPage, place: int, width: int, dark: bool
) -> None:
    page = open_finding(f"/findings/{evidence.named[place].key}", width=width, dark=dark)
    expect(page.locator(".chart .main-svg").first).to_be_visible(timeout=15_000)
    expect(page.locator(".still")).to_be_hidden()
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")
    assert violations(page) == []


def test_on_paper_and_without_scripts_it_is_drawn_by_the_server(
    evidence: Evidence, open_finding: OpenPage
) -> None:
    address = f"/findings/{evidence.named[0].key}"
    still = open_finding(address, scripts=False)
    expect(still.locator(".still svg").first).to_be_visible()
    expect(still.locator(".told")).to_contain_text("81")
    page = open_finding(address)
    expect(page.locator(".chart .main-svg").first).to_be_visible(timeout=15_000)
    page.emulate_media(media="print")
    expect(page.locator(".chart")).to_be_hidden()
    expect(page.locator(".still svg").first).to_be_visible()
    expect(page.get_by_role("button")).to_have_count(0)
    assert pages_of(page.pdf(prefer_css_page_size=True)) <= 2
