"""Takes the pictures in this folder from the running demo.

    .venv/bin/python docs/take_screenshots.py http://127.0.0.1:8080 s.adeyemi PASSWORD

Wait until the demo's older days are written (the pages say so); name and password are the
supervisor's that the demo prints. The environment needs the test extra (Playwright, Pillow) and
a Chromium on PATH or in TALLYMAST_CHROMIUM.
"""

import os
import shutil
import sys
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, BrowserContext, sync_playwright

HERE = Path(__file__).parent
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
PICTURES = [
    # name, path, width, height, colour scheme
    ("morning-round", "/", 1280, 1010, "light"),
    ("morning-round-dark", "/", 1280, 1010, "dark"),
    ("morning-round-phone", "/", 390, 844, "light"),
    ("drive-phone", "/sites/tern-flat/drive", 390, 844, "light"),
    ("reliability", "/reliability", 1280, 1010, "light"),
    ("reliability-site", "/reliability/gannet-turnout", 1280, 1380, "light"),
    ("site", "/sites/rook-valve", 1280, 1330, "light"),
    ("site-phone-dark", "/sites/merlin-pad", 390, 844, "dark"),
    ("gateway", "/gateways/long-scarp", 1280, 1010, "light"),
    ("volumes", "/volumes", 1280, 1010, "light"),
    ("finding", "/findings/antenna-12", 1280, 1250, "light"),  # Rook Valve is the twelfth site
]
SIGNED_IN = [
    ("audit", "/audit", 1280, 800, "light"),
    ("storage", "/storage", 1280, 1180, "light"),
    ("setup-point", "/setup/sites/upper-weir/points/LVL", 1280, 1100, "light"),
    ("commissioning-phone", "/sites/osier-pond/commissioning", 390, 844, "light"),
    ("record", "/proofs/3", 1280, 1240, "light"),  # Upper Weir, a span that was trimmed
]
ORDERED = ("order-phone", "/sites/sedge-well/outputs/START", 390, 1460, "light")
COLOURS = 96  # flat pages need no more; a picture then weighs a third


def main(base: str, name: str, password: str) -> None:
    """Take every picture from the server at ``base``, the last ones signed in."""
    chromium = os.environ.get("TALLYMAST_CHROMIUM") or shutil.which("chromium")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=FLAGS)
        for picture, path, width, height, scheme in PICTURES:
            take(browser, base + path, HERE / f"{picture}.png", width, height, scheme)
        known = browser.new_context()
        page = known.new_page()
        page.goto(f"{base}/sign-in")
        page.get_by_label("Name").fill(name)
        page.get_by_label("Password").fill(password)
        page.locator("main").get_by_role("button", name="Sign in").click()
        for picture, path, width, height, scheme in SIGNED_IN:
            take(known, base + path, HERE / f"{picture}.png", width, height, scheme)
        picture, path, width, height, scheme = ORDERED
        page.goto(base + path)
        page.get_by_role("button", name="Off…").click()  # what follows is only looked at
        page.wait_for_timeout(4000)
        take(known, page.url, HERE / f"{picture}.png", width, height, scheme)
        browser.close()


def take(
    browser: Browser | BrowserContext, url: str, file: Path, width: int, height: int, scheme: str
) -> None:
    """Open a page as wide as asked, wait until it is drawn, and store what is seen."""
    page = browser.new_page()
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.goto(url, wait_until="load")
    page.wait_for_timeout(2500)
    seen = Image.open(BytesIO(page.screenshot())).convert("RGB")
    # Keeps rare colours, and moves each to the mean of what it stands for.
    picture = seen.quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE, kmeans=2)
    picture.save(file, optimize=True)
    page.close()
    print(file.name)


if __name__ == "__main__":
    main(*sys.argv[1:4])
