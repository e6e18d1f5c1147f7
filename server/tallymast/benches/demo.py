"""How long from the installed demo command to the first usable page."""

import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta

import httpx

from tallymast.domain.errors import TallymastError

READY = "Tallymast is ready at "
SITES = 24


def run() -> dict[str, object]:
    """Start ``tallymast demo`` in an empty directory and open its first page.

    Returns:
        ``ready_s``: from the command to a page that lists all 24 sites, with their last day on
        disk; ``polled_s``: until every site that answers has answered the live poller;
        ``page_bytes``: the page as it was sent.

    """
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        command = [sys.executable, "-m", "tallymast", "demo", "--data-dir", folder, "--port", "0"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            return _measure(process, began)
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=30)


def _measure(process: subprocess.Popen[str], began: float) -> dict[str, object]:
    base = _ready(process)
    with httpx.Client(base_url=base, timeout=30) as client:
        page = client.get("/")
        ready_s = time.perf_counter() - began
        listed = sum(
            f"/sites/{site['key']}" in page.text for site in client.get("/api/v1/sites").json()
        )
        if page.status_code != 200 or listed != SITES:
            raise TallymastError(f"The first page lists {listed} of {SITES} sites.")
        ready_at = datetime.now(UTC)
        while _unanswered(client, ready_at):
            time.sleep(0.1)
    return {
        "ready_s": round(ready_s, 2),
        "polled_s": round(time.perf_counter() - began, 2),
        "page_bytes": len(page.content),
    }


def _ready(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith(READY):
            return line.removeprefix(READY).strip()
    raise TallymastError("The demo ended before it was ready; what it said stands above.")


def _unanswered(client: httpx.Client, since: datetime) -> list[str]:
    """Return the sites in service, polled within the quarter hour, that have not answered since."""
    return [
        site["key"]
        for site in client.get("/api/v1/sites").json()
        if site["state"] == "in-service"
        and datetime.fromisoformat(site["last_answer_at"]) < since - timedelta(seconds=5)
    ]
