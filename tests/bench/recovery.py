"""Prints how long after each fault of the serial link the daemon reads lines again.

python -m tests.bench.recovery [repeats]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.serial_faults import FAULTS, Bridge, counters, recovery_s, ser2net
from tests.station import Running, write_config


def on_a_cable(repeats: int) -> None:
    """Every fault of a cable, in one run of the daemon."""
    with tempfile.TemporaryDirectory() as folder:
        bridge = Bridge(Path(folder))
        config = write_config(Path(folder), str(bridge.name))
        daemon = Running(config)
        try:
            daemon.wait_reading(config)
            for fault in FAULTS:
                took = []
                for _ in range(repeats):
                    time.sleep(65 if fault.__name__ == "hung" and took else 6)
                    since, before = fault(bridge, lambda: counters(config)["lines"])
                    took.append(recovery_s(daemon, config, since, before))
                _show((fault.__doc__ or "").strip(), took)
            print({name: n for name, n in counters(config).items() if n})
        finally:
            daemon.kill()
            bridge.close()


def over_the_network(repeats: int) -> None:
    """ser2net killed and started anew."""
    with tempfile.TemporaryDirectory() as folder:
        bridge = Bridge(Path(folder))
        with ser2net(Path(folder), bridge.name) as (url, start, kill):
            config = write_config(Path(folder), f"'{url}'")
            start()
            time.sleep(0.5)
            daemon = Running(config)
            try:
                daemon.wait_reading(config)
                took = []
                for repeat in range(repeats):
                    kill()
                    time.sleep(1 + 0.37 * repeat)
                    before = counters(config)["lines"]
                    start()
                    took.append(recovery_s(daemon, config, time.monotonic(), before))
                _show("ser2net (RFC 2217) killed and started anew.", took)
            finally:
                daemon.kill()
        bridge.close()


def _show(what: str, took: list[float]) -> None:
    print(f"{max(took):5.2f} s at most of {len(took)}: {what}", flush=True)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    on_a_cable(count)
    over_the_network(count)
