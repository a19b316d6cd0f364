"""Build the Debian package twice; with --install (as root, on a machine that may be used for it)
install the first, run its demonstration, upgrade under a running station, remove and purge.

    python -m tests.bench.package [--install]
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.deadlines import scale

ROOT = Path(__file__).parents[2]
MOST_MB = 250
VERSIONS = ("0.1", "0.2")
STORE = Path("/var/lib/mismatchd/station.sqlite")
CONFIG = Path("/etc/mismatchd/config.yaml")
EXAMPLE = Path("/usr/share/doc/mismatchd/examples/config.example.yaml")
UNITS = "/lib/systemd/system"
AS_USER = ("runuser", "-u", "mismatchd", "--", "mismatchd")


def say(*words: object) -> str:
    """Run a command; its output, which is shown if it fails."""
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


def build(folder: Path, version: str) -> Path:
    begun_s = time.monotonic()
    environ = {**os.environ, "VERSION": version}
    done = subprocess.run(
        ["bash", ROOT / "package/build", folder],
        env=environ,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    found = re.search(r"environment (\d+) MB", done.stdout)
    assert found is not None
    package = folder / f"mismatchd_{version}_{say('dpkg', '--print-architecture').strip()}.deb"
    size = package.stat().st_size / 1e6
    print(f"{package.name}: {size:.0f} MB, environment {found[1]} MB,"
          f" built in {time.monotonic() - begun_s:.0f} s")  # fmt: skip
    assert int(found[1]) < MOST_MB
    return package


def transmissions() -> int:
    return json.loads(say(*AS_USER, "status", "--json"))["transmissions"]


def install(package: Path) -> None:
    say("dpkg", "-i", package)
    assert say("mismatchd", "--version").split()[-1] in package.name
    say("systemd-analyze", "verify", "--man=no", f"{UNITS}/mismatchd.service",
        f"{UNITS}/mismatchd-page.service", f"{UNITS}/mismatchd-backup.timer",
        f"{UNITS}/mismatchd-push.timer",
        f"{UNITS}/mismatchd@pier.service")  # fmt: skip
    say("man", "-w", "mismatchd-run", "mismatchd.yaml")
    assert STORE.parent.owner() == "mismatchd"


def lifecycle(old: Path, new: Path) -> None:
    """Install, run, upgrade under a running station, remove, purge."""
    assert not STORE.exists(), f"{STORE} exists: this machine has a station"
    install(old)
    slow = EXAMPLE.read_text().replace("speed: 10", "speed: 0.1")
    CONFIG.write_text(slow)
    with subprocess.Popen([*AS_USER, "run"], cwd="/", stderr=subprocess.PIPE, text=True) as daemon:
        time.sleep(scale(15))
        install(new)
        assert daemon.poll() is None, "the running station did not survive the upgrade"
        before = transmissions()
        pid = int(json.loads(say(*AS_USER, "status", "--json"))["pid"])
        os.kill(pid, 15)  # as the service manager does when it restarts the unit
        print("old version ended:", daemon.communicate()[1].splitlines()[-1])
    CONFIG.write_text(EXAMPLE.read_text().replace("pace: realtime", "pace: fast"))
    print("new version:", subprocess.run([*AS_USER, "run"], cwd="/", stderr=subprocess.PIPE,
          text=True, check=True).stderr.splitlines()[-1])  # fmt: skip
    lines = say(*AS_USER, "export", "transmissions").splitlines()
    assert len(lines) - 1 >= max(before, 9)
    say(*AS_USER, "report", "--html", STORE.parent / "report.html")
    say("dpkg", "-r", "mismatchd")
    assert STORE.exists()
    assert CONFIG.exists()
    assert not Path("/usr/lib/mismatchd").exists()
    say("dpkg", "--purge", "mismatchd")
    assert not STORE.parent.exists()
    assert not CONFIG.parent.exists()
    assert subprocess.run(["id", "mismatchd"], capture_output=True, check=False).returncode != 0
    print("installed, upgraded under a running station, removed, purged")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        packages = [build(Path(folder), version) for version in VERSIONS]
        if "--install" in sys.argv:
            lifecycle(*packages)


if __name__ == "__main__":
    main()
