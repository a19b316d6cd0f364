"""The home page in the browser: its parts, its weight, values on touch, numbers of the viewer."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.daily import Days
from logger.page.multiples import DAYS, MOST, draw_days
from logger.utc import DAY_NS, format_ns
from tests import drift_store
from tests.deadlines import scale
from tests.page_server import PHONE, chromium, serving
from tests.station import write_config

MOST_BYTES = 60_000


def channel(number: int, days: np.ndarray, swr: float) -> Days:
    """A channel that was used on these days."""
    n = len(days)
    return Days(
        channel=number,
        frequency_khz=None,
        day=days,
        swr=np.full(n, swr),
        spread=np.full(n, 0.1),
        transmissions=np.full(n, number),
        power_w=np.full(n, 4.0),
        calibration=np.zeros(n, dtype=np.int64),
    )


def test_small_drawings_share_a_scale_and_leave_rare_channels_out() -> None:
    last = 20_000
    used = [channel(number, np.array([last - 29, last - 1, last]), 1.5) for number in range(1, 12)]
    drawn = draw_days(used, last, 3.0)
    assert [each.name for each in drawn.drawings] == [f"channel {n}" for n in range(4, 12)]
    assert (len(drawn.drawings), drawn.hidden) == (MOST, 3)
    first = drawn.drawings[0]
    frame, *days = [line.split(" ", 2) for line in first.values.split("\n")]
    assert frame == ["0", "0", "300 80"]
    assert [day[0] for day in days] == ["5", "285", "295"]
    assert first.line.count("M") == 2  # a gap is not bridged
    assert first.line.count("L") == 1
    x, top, bottom = re.findall(r"[\d.]+", first.bars)[-3:]
    assert x == "295"
    assert drawn.limit_y < float(top) < float(days[-1][1]) < float(bottom)
    assert days[-1][2] == first.text
    assert first.text == "2024-10-04: SWR 1.50, 4 transmissions"
    assert draw_days([], last, 3.0).drawings == []
    high = draw_days([channel(1, np.array([last]), 9.0)], last, 3.0)
    assert 0 <= float(high.drawings[0].values.split("\n")[1].split()[1]) < high.limit_y


@pytest.mark.realtime
def test_the_home_page_is_light_and_tells_its_values(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    today = time.time_ns() // DAY_NS
    days = np.arange(today - DAYS + 1, today)
    used = [channel(number, days, 1.2 + 0.1 * number) for number in range(1, MOST + 1)]
    (tmp_path / "data").mkdir()
    drift_store.write(tmp_path / "data/station.sqlite", used, a_day=1)
    sizes: dict[str, int] = {}
    with serving(config) as page, chromium() as browser:
        context = browser.new_context(viewport=PHONE, has_touch=True, locale="de-DE")
        context.set_default_timeout(scale(30_000))
        tab = context.new_page()

        def weigh(answer: Any) -> None:
            if not answer.url.endswith("/events"):
                sizes[answer.url] = int(answer.header_value("content-length") or 0)

        tab.on("response", weigh)
        tab.goto(page.url)
        tab.locator(".multiples figure").nth(MOST - 1).wait_for()
        tab.locator("#recent li").nth(4).wait_for()
        assert len(sizes) > 8
        assert all(size > 0 for size in sizes.values()), sizes
        print(f"home page: {sum(sizes.values())} bytes")
        assert sum(sizes.values()) < MOST_BYTES, sizes
        assert {url.startswith(page.url) for url in sizes} == {True}

        assert "1,5" in tab.locator("svg.gauge text").all_text_contents()
        drawing = tab.locator("[data-values]").first
        drawing.tap(position={"x": 1, "y": 30})
        shown = tab.locator(".multiples output").first
        begin = format_ns(int(days[0]) * DAY_NS)[:10]
        assert re.match(rf"{begin}: SWR 1,\d\d, 1 transmission$", shown.text_content())
        drawing.focus()
        tab.keyboard.press("ArrowRight")
        assert shown.text_content().startswith(format_ns(int(days[1]) * DAY_NS)[:10])
        manifest = tab.request.get(page.url + "/manifest.webmanifest").json()
        for icon in manifest["icons"]:
            assert tab.request.get(page.url + icon["src"]).ok
