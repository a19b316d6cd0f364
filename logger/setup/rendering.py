"""The configuration as commented YAML. Input: answers. Output: the text of the file."""

from __future__ import annotations

import json
from collections.abc import Iterator

from logger.setup.answers import Answers

CALIBRATION = "coupler.yaml"
KEY_SHARE = 0.1  # of the lowest power: above this the key counts as down
ALARM_SHARE = 0.5  # of the highest power: reflected power that raises an alarm
COMMENT = 32  # column of the comments, unless the key is longer
BENCH = f"mismatchd calibrate bench points.csv -o {CALIBRATION}"


def render(answers: Answers) -> str:
    """Return the configuration that these answers describe."""
    lines = [
        "# Written by `mismatchd setup`. `mismatchd handbook reference` lists all keys;",
        "# `mismatchd check` checks the file. Relative paths start at its folder.",
        "",
        *_section("station", _station(answers)),
        *_section("driver", _driver(answers)),
        _line(f"calibration: {CALIBRATION}", f"made by `{BENCH}`"),
        "",
        *_section("transmission", _transmission(answers)),
        *_section("watchdog", _watchdog(answers)),
        "# The store is data/station.sqlite, or in /var/lib/mismatchd if this file is in /etc.",
        "# `mismatchd handbook telling` has examples of notifications.",
    ]
    return "\n".join(lines) + "\n"


def _section(name: str, keys: Iterator[tuple[str, str]]) -> Iterator[str]:
    lines = [_line(f"  {key}", comment) for key, comment in keys]
    yield from (f"{name}:", *lines, "") if lines else ()


def _line(key: str, comment: str) -> str:
    return f"{key.ljust(COMMENT)}  # {comment}" if comment else key


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def _station(answers: Answers) -> Iterator[tuple[str, str]]:
    yield f"name: {_text(answers.name)}", ""
    if answers.channel is not None:
        yield f"channel: {answers.channel}", "not reported with the pairs"
    if answers.frequency_mhz is not None:
        yield f"frequency_mhz: {answers.frequency_mhz:g}", "not reported with the pairs"


def _driver(answers: Answers) -> Iterator[tuple[str, str]]:
    yield f"kind: {answers.kind}", ""
    if answers.device is not None:
        yield f"device: {_text(answers.device)}", ""
        yield f"forward: {answers.forward}", "channel of the forward detector"
        yield f"reflected: {answers.reflected}", ""
        return
    yield f"port: {_text(answers.port)}", ""
    if "://" not in (answers.port or ""):
        yield f"baud: {answers.baud}", ""
    if answers.columns is not None:
        yield (
            f"columns: [{', '.join(answers.columns)}]",
            "in the order of the line; the suffix is the unit",
        )
    if answers.full_scale is not None:
        yield f"counts_full_scale: {answers.full_scale}", "reading at the reference voltage"
    if answers.reference_v is not None:
        yield f"reference_v: {answers.reference_v:g}", "V"


def _transmission(answers: Answers) -> Iterator[tuple[str, str]]:
    if answers.lowest_w is not None:
        watts = f"{KEY_SHARE * answers.lowest_w:.3g}"
        yield f"min_forward_w: {watts}", "key down from here; a tenth of the lowest power"


def _watchdog(answers: Answers) -> Iterator[tuple[str, str]]:
    if answers.highest_w is not None:
        watts = f"{ALARM_SHARE * answers.highest_w:.3g}"
        yield (
            f"high_reflected_power: {{limit_w: {watts}}}",
            "half of the highest power",
        )
