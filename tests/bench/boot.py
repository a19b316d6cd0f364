"""Boots a system with a real service manager and runs the Debian package in it.

    python -m tests.bench.boot [FOLDER]

FOLDER keeps the packages for the next time. As root, with `systemd-container` and what
`package/build` needs. The system shares the programs of this one, but changes nothing of it: its
/usr and /var are overlays, its /etc is a copy.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.bench.package import AS_USER, EXAMPLE, VERSIONS, build, say
from tests.deadlines import scale

TIMERS = ("mismatchd-backup.timer", "mismatchd-push.timer")
UNITS = ("mismatchd", "mismatchd@pier", "mismatchd-page", *TIMERS)
SHARED = ("usr", "var")
FOLDERS = ("dev", "proc", "run", "root", "sys", "tmp")
LINKS = ("bin", "lib", "lib64", "sbin")
INSIDE = ("-m", "-u", "-i", "-p", "-n", "-r", "-w")  # namespaces: nsenter(1)
POWEROFF = "SIGRTMIN+4"  # systemd(1)
WATCHDOG_S = 60


@contextmanager
def root_folder(folder: Path) -> Iterator[Path]:
    """Yield the root of a system like this one. It is in memory."""
    say("mount", "-t", "tmpfs", "tmpfs", folder)
    with ExitStack() as mounts:
        mounts.callback(say, "umount", folder)
        root = folder / "root"
        for name in (*SHARED, *FOLDERS):
            (root / name).mkdir(parents=True)
        for name in LINKS:
            (root / name).symlink_to(f"usr/{name}")
        say("cp", "-a", "/etc", root)
        (root / "etc/machine-id").write_text("")
        for name in SHARED:
            upper, work = folder / f"{name}-upper", folder / f"{name}-work"
            upper.mkdir()
            work.mkdir()
            options = f"lowerdir=/{name},upperdir={upper},workdir={work}"
            say("mount", "-t", "overlay", "overlay", "-o", options, root / name)
            mounts.callback(say, "umount", root / name)
        yield root


class System:
    """A booted system; `say` runs a command in it."""

    def __init__(self, root: Path) -> None:
        self._process = subprocess.Popen(
            ["systemd-nspawn", "--quiet", "--register=no", "--keep-unit", "--private-network",
             "-D", root, "-b", "systemd.unit=basic.target"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        await_true(lambda: children.read_text().split(), 20, "the service manager starts")
        self._leader = children.read_text().split()[0]
        await_true(lambda: self.state() in ("running", "degraded"), 60, "the system is up")

    def say(self, *words: object) -> str:
        return say("nsenter", "-t", self._leader, *INSIDE, *words)

    def state(self) -> str:
        done = subprocess.run(
            ["nsenter", "-t", self._leader, *INSIDE, "systemctl", "is-system-running"],
            capture_output=True,
            text=True,
            check=False,
        )
        return done.stdout.strip()

    def show(self, unit: str, name: str) -> str:
        return self.say("systemctl", "show", unit, "-p", name, "--value").strip()

    def is_active(self, unit: str) -> bool:
        return self.show(unit, "ActiveState") == "active"

    def power_off(self) -> None:
        say("kill", "-s", POWEROFF, self._leader)
        self._process.wait(60)


def await_true(condition: Callable[[], object], limit_s: float, what: str) -> float:
    """Return the seconds until a condition is true."""
    begun_s = time.monotonic()
    while not condition():
        assert time.monotonic() - begun_s < scale(limit_s), f"not seen in time: {what}"
        time.sleep(0.2)
    return time.monotonic() - begun_s


def lifecycle(system: System, root: Path, old: Path, new: Path) -> None:
    """Install and start, kill, freeze, back up, upgrade while it runs, stop, remove, purge."""
    for package in (old, new):
        say("cp", package, root / "root")
    system.say("dpkg", "-i", f"/root/{old.name}")
    example = (root / EXAMPLE.relative_to("/")).read_text()
    slow = example.replace("speed: 10 ", "speed: 1 ").replace("duration_s: 180", "duration_s: 9e5")
    slow = "".join(line for line in slow.splitlines(True) if not line.startswith("  path: "))
    for name in ("config", "pier"):
        (root / f"etc/mismatchd/{name}.yaml").write_text(slow)
    system.say("systemctl", "enable", "--now", *UNITS)
    for unit in UNITS:
        await_true(lambda unit=unit: system.is_active(unit), 20, f"{unit} is active")
    assert (root / "var/lib/mismatchd-pier/station.sqlite").exists()

    system.say("systemctl", "kill", "-s", "KILL", "mismatchd")
    seconds = await_true(lambda: system.show("mismatchd", "NRestarts") == "1", 30, "a restart")
    print(f"restarted {seconds:.0f} s after it was killed")
    await_true(lambda: system.is_active("mismatchd"), 20, "it is active again")
    system.say("systemctl", "kill", "-s", "STOP", "mismatchd@pier")
    restarted = lambda: system.show("mismatchd@pier", "NRestarts") == "1"  # noqa: E731
    seconds = await_true(restarted, WATCHDOG_S + 40, "the watchdog")
    print(f"restarted {seconds:.0f} s after it was frozen (WatchdogSec={WATCHDOG_S})")

    system.say("systemctl", "start", "mismatchd-backup")
    assert (root / "var/lib/mismatchd/backup.sqlite").exists()

    pid = system.show("mismatchd", "MainPID")
    system.say("dpkg", "-i", f"/root/{new.name}")
    assert system.say("mismatchd", "--version").split()[-1] == VERSIONS[1]
    await_true(lambda: system.is_active("mismatchd"), 30, "the new version is active")
    assert system.show("mismatchd", "MainPID") != pid
    status = json.loads(system.say(*AS_USER, "status", "--json"))
    assert status["alive"]
    assert status["transmissions"] >= 1

    begun_s = time.monotonic()
    system.say("systemctl", "stop", "mismatchd")
    assert system.show("mismatchd", "Result") == "success"
    print(f"stopped in {time.monotonic() - begun_s:.1f} s")
    system.say("dpkg", "-r", "mismatchd")
    assert (root / "var/lib/mismatchd/station.sqlite").exists()
    system.say("dpkg", "--purge", "mismatchd")
    assert not (root / "etc/mismatchd").exists()
    places = ("/etc/systemd", "/var/lib", "-not", "-path", "*/dpkg/*")
    left = system.say("find", *places, "-name", "mismatchd*")
    assert not left, left
    assert not system.say("systemctl", "list-units", "--all", "--no-legend", "mismatchd*").strip()
    print("started, killed, frozen, backed up, upgraded while it ran, stopped, removed, purged")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(sys.argv[1] if len(sys.argv) > 1 else folder)
        packages = sorted(kept.glob("*.deb")) or [build(kept, version) for version in VERSIONS]
        inner = Path(folder) / "system"
        inner.mkdir()
        with root_folder(inner) as root:
            system = System(root)
            try:
                lifecycle(system, root, *packages)
            except AssertionError:
                print(system.say("journalctl", "-b", "--no-pager", "-n", 60, "-u", "mismatchd*"))
                raise
            finally:
                system.power_off()


if __name__ == "__main__":
    main()
