"""The scripts of the Debian package; `tests.bench.package` builds and installs it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "package"


@pytest.mark.parametrize("name", ["build", "postinst", "prerm", "postrm"])
def test_scripts_are_sound_and_stop_at_a_failure(name: str) -> None:
    path = PACKAGE / name
    shell = "bash" if name == "build" else "sh"
    text = path.read_text()
    assert text.startswith(("#!/usr/bin/env bash\n", "#!/bin/sh\n"))
    assert re.search(r"^set -e", text, re.MULTILINE)
    assert path.stat().st_mode & 0o111
    subprocess.run([shell, "-n", path], check=True)


def test_purging_removes_only_what_is_ours() -> None:
    (line,) = re.findall(r"rm -rf (.*)", (PACKAGE / "postrm").read_text())
    assert all(re.fullmatch(r"/(etc|var/lib)/mismatchd(-\*)?", path) for path in line.split()), line
