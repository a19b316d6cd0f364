"""Commands at a terminal that are tested in detail elsewhere without one, and what Ctrl-C does."""

from __future__ import annotations

import re
import urllib.request
from pathlib import Path

import pytest

from logger.store.writer import StoreWriter
from tests.deadlines import scale
from tests.station import pty, write_config
from tests.terminal_view import View

pytestmark = pytest.mark.realtime


def test_cables_side_by_side() -> None:
    arguments = ("--frequency", "27.2", "--cable", "RG-58", "--length", "20", "--swr", "2")
    view = View("feedline", *arguments)
    try:
        assert view.ended() == 0
        screen = view.look()
        assert re.search(r"RG-58 +20 +1\.5\d +1\.8\d", screen)
    finally:
        view.close()


def test_measuring_the_line_is_given_up(tmp_path: Path) -> None:
    with pty() as (_, name):
        config = write_config(tmp_path, name)
        view = View("feedline", "measure", "-c", str(config), rows=40)
        try:
            view.until(lambda text: "(yes or no)" in text)
            view.press(b"\x03")
            assert view.ended() == 130
            assert "nothing was saved" in view.look()
        finally:
            view.close()


def test_the_page_until_somebody_ends_it(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    view = View("page", "-c", str(config), "--port", "0")
    try:
        screen = view.until(lambda text: "with rights to make changes" in text)
        found = re.search(r"page at (http://127\.0\.0\.1:\d+/)", screen)
        assert found is not None
        with urllib.request.urlopen(found[1], timeout=scale(10)) as answer:
            assert answer.status == 200
        view.press(b"\x03")
        assert view.ended(10.0) == 0
        assert b"Traceback" not in view.raw
    finally:
        view.close()
