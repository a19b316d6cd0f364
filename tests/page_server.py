"""The page as a process, and a browser in front of it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.deadlines import scale
from tests.servers import needed

COMMAND = (sys.executable, "-m", "logger.cli", "page")
TOKEN = "a-token-for-the-tests-only"
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 800}


class Serving:
    """`mismatchd page` on a free port of this machine."""

    def __init__(self, config: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, "-c", str(config), "--port", "0", *arguments],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stderr is not None
        self.warnings: list[str] = []
        while (line := self.process.stderr.readline()).startswith("warning: "):
            self.warnings.append(line)
        self.said = line
        found = re.match(r"page at (https?://\S+:(\d+))/", self.said)
        assert found, self.said + self.process.stderr.read()
        self.url, self.port = found[1], int(found[2])

    def enter_link(self) -> str:
        """The link with the token, where it was made up."""
        assert self.process.stderr is not None
        return self.process.stderr.readline().split()[-1]

    def stop(self) -> tuple[int, str]:
        """SIGTERM; exit code and what was said on stderr besides."""
        self.process.terminate()
        _, said = self.process.communicate(timeout=scale(10))
        return self.process.returncode, said

    def kill(self) -> None:
        """SIGKILL, if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


@contextmanager
def serving(config: Path, *arguments: str) -> Iterator[Serving]:
    """A page that ends as it should."""
    page = Serving(config, *arguments)
    try:
        yield page
        code, said = page.stop()
        assert code == 0, said
        assert "Traceback" not in said, said
    finally:
        page.kill()


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=needed("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield browser
        finally:
            browser.close()
