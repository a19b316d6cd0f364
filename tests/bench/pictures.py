"""Draws the pictures of the README from the demonstration station; prints their size in kB.

python -m tests.bench.pictures [folder]
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image

from tests.page_server import chromium, serving
from tests.station import Running, mismatchd

ROOT = Path(__file__).parents[2]
SIZE = {"width": 900, "height": 780}
COLOURS = 48  # of flat areas and anti-aliased letters; a third of the bytes of all colours
KEYED_ON_A_FAULT = """() => {
    const shown = name => document.querySelector(`[data-show='${name}']`).textContent;
    return shown("state") === "key down" && shown("fault_line") && parseFloat(shown("swr")) > 1.8;
}"""


def main(folder: Path) -> None:
    """Write picture-page.png, taken while the station transmits, and picture-fault.png."""
    with tempfile.TemporaryDirectory() as scratch:
        config = Path(shutil.copy(ROOT / "config.example.yaml", scratch))
        with serving(config) as page, chromium() as browser:
            tab = browser.new_page(viewport=SIZE)
            tab.goto(page.url)
            daemon = Running(config)
            tab.wait_for_function(KEYED_ON_A_FAULT, timeout=60_000)
            tab.screenshot(path=folder / "picture-page.png")
            daemon.process.wait()
        mismatchd("chart", "fault", "1", "-o", folder / "picture-fault.png", "-c", config)
    for name in ("picture-page.png", "picture-fault.png"):
        path = folder / name
        with Image.open(path) as picture:
            smaller = picture.convert("RGB").quantize(COLOURS)
        smaller.save(path, optimize=True)
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if sys.argv[1:] else ROOT / "logger" / "handbook")
