"""Topics of the handbook. Input: the name of a topic. Output: its title or text in Markdown."""

from __future__ import annotations

import re
from pathlib import Path

FOLDER = Path(__file__).parent
TOPICS = (
    "build",
    "first-hour",
    "calibrating",
    "year",
    "figures",
    "garden",
    "telling",
    "databases",
    "stations",
    "upkeep",
    "host",
    "safety",
    "troubleshooting",
    "theory",
)
REFERENCE = "reference"  # generated, see `reference.py`
REFERENCE_TITLE = "Reference"
NAMES = (*TOPICS, REFERENCE)
_LINK = re.compile(r"\[([^\]]+)\]\(([\w-]+)\.md\)")
_IMAGE = re.compile(r"!\[([^\]]*)\]\(([\w-]+\.svg)\)")


def read(topic: str) -> str:
    """Return the Markdown of one of TOPICS."""
    return (FOLDER / f"{topic}.md").read_text(encoding="utf-8")


def title(name: str) -> str:
    """Return the title of one of NAMES."""
    if name == REFERENCE:
        return REFERENCE_TITLE
    return read(name).partition("\n")[0].removeprefix("# ")


def name_topics(text: str) -> str:
    """Replace links between topics, which a terminal cannot follow, by the commands."""
    return _LINK.sub(r"\1 (`mismatchd handbook \2`)", text)


def locate_images(text: str) -> str:
    """Replace images, which a terminal cannot show, by caption and path."""
    return _IMAGE.sub(lambda image: f"{image[1]}: `{FOLDER / image[2]}`", text)
