"""The systemd unit of the daemon, and the commands that install it.

Input: the unit that comes with the program, the port and the program's path. Output: text.
"""

from __future__ import annotations

import grp
import os
import re
from pathlib import Path

NAME = "mismatchd.service"
SHIPPED = Path(__file__).parents[1] / "systemd" / NAME
FOLDER = Path("/etc/mismatchd")
PROGRAM = Path("/opt/mismatchd")
CLOSED = "DevicePolicy=closed"
CHECKOUT = Path(__file__).parents[2]


def group_of(port: str) -> str | None:
    """Return the group that may open this port, None if it is unknown or root's."""
    try:
        number = os.stat(port).st_gid
        return grp.getgrgid(number).gr_name if number else None
    except (OSError, KeyError):
        return None


def unit(shipped: str, group: str | None, *, has_converter: bool = False) -> str:
    """Return the unit for a port of this group, or for a converter, whose buffer it may start."""
    if has_converter:
        changed = shipped.replace("ProtectKernelTunables=yes", "ProtectKernelTunables=no")
        return changed.replace(CLOSED, f"{CLOSED}\nDeviceAllow=char-iio rw")
    if group is None:
        return shipped
    return re.sub(r"^SupplementaryGroups=.*$", f"SupplementaryGroups={group}", shipped, flags=re.M)


def install_commands(config: Path, *files: Path) -> list[str]:
    """Return the commands that install program, configuration, further files and unit."""
    source = CHECKOUT if (CHECKOUT / "pyproject.toml").exists() else "."  # run it in the checkout
    commands = []
    if config.parent != FOLDER:
        listed = " ".join(str(file) for file in (config, *files))
        commands.append(f"sudo install -D -m 644 -t {FOLDER} {listed}")
    return [
        f"sudo python3 -m venv {PROGRAM}"
        f" && sudo {PROGRAM}/bin/pip install '{source}[charts,trend]'",
        *commands,
        f"sudo install -m 644 {config.parent / NAME} /etc/systemd/system/",
        "sudo systemctl daemon-reload && sudo systemctl enable --now mismatchd",
    ]
