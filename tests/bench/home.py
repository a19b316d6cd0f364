"""Discovery beside Home Assistant: payloads against its schema, then its server at a real broker.

    python -m tests.bench.home PYTHON

PYTHON is the interpreter of an environment with `homeassistant==2024.3.3`, `josepy<2`,
`paho-mqtt==1.6.1`, `janus`, `pillow`, `home-assistant-frontend`, `psutil-home-assistant`,
`securetar`, `numpy`, `mutagen`, `PyTurboJPEG`, `ha-av`, `hassil`, `home-assistant-intents`,
`sqlalchemy` and `fnv-hash-fast`. The server has to show all
entities of a real daemon, follow the key, an alarm and a transmission, make all unavailable when
the daemon is killed or has ended, show them again, also after its own restart, and lose them when
discovery is switched off.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from logger.notify.discovery import entities
from logger.rows import AlarmKind
from tests.counterparts import Broker, broker
from tests.station import Running, line, pty, write_config

SCHEMA = """\
import json, sys
from homeassistant.components.mqtt import binary_sensor, sensor
schemas = {"sensor": sensor.DISCOVERY_SCHEMA, "binary_sensor": binary_sensor.DISCOVERY_SCHEMA}
for component, name, content in json.load(sys.stdin):
    checked = schemas[component](content)  # raises; unknown keys are left out
    lost = content.keys() - checked.keys() - {"availability_topic", "availability_template"}
    print("valid" if not lost else f"{name}: unknown {sorted(lost)}")
"""
SERVER = """\
import asyncio, json, sys
from homeassistant import bootstrap, runner

async def main():
    asyncio.set_event_loop_policy(runner.HassEventLoopPolicy(False))
    hass = await bootstrap.async_setup_hass(
        runner.RuntimeConfig(config_dir=sys.argv[1], skip_pip=True, safe_mode=False)
    )
    await hass.async_start()
    while True:
        states = {
            state.entity_id: [state.state, dict(state.attributes)]
            for state in hass.states.async_all(("sensor", "binary_sensor"))
        }
        print(json.dumps(states, default=str), flush=True)
        await asyncio.sleep(0.1)

asyncio.run(main())
"""
PAIRS_PER_S = 100


class HomeServer:
    """The real home server; `states` is what it shows now."""

    def __init__(self, python: str, folder: Path, to: Broker) -> None:
        storage = folder / ".storage"
        storage.mkdir(parents=True, exist_ok=True)
        (folder / "configuration.yaml").write_text("logger: {default: warning}\n")
        entry = {
            "entry_id": "broker",
            "version": 1,
            "minor_version": 1,
            "domain": "mqtt",
            "title": "broker",
            "data": {"broker": "127.0.0.1", "port": to.port},
            "options": {},
            "pref_disable_new_entities": False,
            "pref_disable_polling": False,
            "source": "user",
            "unique_id": None,
            "disabled_by": None,
        }
        content = {
            "version": 1,
            "minor_version": 1,
            "key": "core.config_entries",
            "data": {"entries": [entry]},
        }
        (storage / "core.config_entries").write_text(json.dumps(content))
        self.states: dict[str, Any] = {}
        self._log = (folder / "log").open("a")
        self._process = subprocess.Popen(
            [python, "-c", SERVER, str(folder)],
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
        )
        threading.Thread(target=self._follow, daemon=True).start()

    def _follow(self) -> None:
        assert self._process.stdout
        for text in self._process.stdout:
            with contextlib.suppress(json.JSONDecodeError):
                self.states = json.loads(text)

    def of(self, name: str) -> Any:
        """State of the entity of this name; None if there is none."""
        return self.found(name)[0]

    def found(self, name: str) -> Any:
        """State and attributes."""
        ids = [entity for entity in self.states if entity.endswith(f".test_station{name}")]
        return self.states[ids[0]] if ids else (None, {})

    def all_states(self) -> set[str]:
        return {state for state, _ in self.states.values()}

    def __enter__(self) -> HomeServer:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        self._log.close()


@contextlib.contextmanager
def bridge(master: int) -> Iterator[dict[str, float]]:
    """A bridge that prints pairs of the powers in what it returns."""
    powers = {"forward": 0.0, "reflected": 0.0}
    ended = threading.Event()

    def write() -> None:
        while not ended.wait(1 / PAIRS_PER_S):
            os.write(master, line(powers["forward"], powers["reflected"]))

    thread = threading.Thread(target=write)
    thread.start()
    try:
        yield powers
    finally:
        ended.set()
        thread.join()


def step(text: str, holds: Callable[[], bool], limit_s: float = 60) -> None:
    """Print how long it takes until it holds."""
    begun_s = time.monotonic()
    while not holds():
        if time.monotonic() - begun_s > limit_s:
            sys.exit(f"not within {limit_s:g} s: {text}")
        time.sleep(0.05)
    print(f"{text}: {time.monotonic() - begun_s:.1f} s", flush=True)


def main() -> None:
    python = sys.argv[1]
    listed = list(entities("shed/feedline", "harbour", list(AlarmKind)))
    checked = subprocess.run(
        [python, "-c", SCHEMA],
        input=json.dumps(listed),
        capture_output=True,
        text=True,
        check=False,
    )
    print("schema:", checked.stdout.count("valid\n"), "of", len(listed), checked.stderr[-500:])
    if checked.stdout != "valid\n" * len(listed):
        sys.exit(checked.stdout)
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as to, pty() as (master, port):
        folder = Path(name)

        @contextlib.contextmanager
        def daemon(discovery: str) -> Iterator[subprocess.Popen[bytes]]:
            notify = f"[{{kind: mqtt, host: 127.0.0.1, port: {to.port}, discovery: {discovery}}}]"
            process = Running(write_config(folder, port, notify=notify)).process
            try:
                yield process
            finally:
                process.terminate()
                process.wait()

        with bridge(master) as powers:
            with HomeServer(python, folder / "home", to) as home, daemon("true") as running:
                follow_values(home, powers, len(listed))
                running.kill()
                step("unavailable when killed", lambda: home.all_states() == {"unavailable"})
            with daemon("true"), HomeServer(python, folder / "home", to) as home:
                step("back after its restart", lambda: len(home.states) >= len(listed), 120)
                gone = {"unavailable", "unknown"}
                step("with values", lambda: home.all_states().isdisjoint(gone))
            with HomeServer(python, folder / "home", to) as home:
                step("unavailable when ended", lambda: home.all_states() == {"unavailable"}, 120)
                with daemon("true"):
                    step("available again", lambda: "unavailable" not in home.all_states())
                with daemon("false"):
                    step("removed when switched off", lambda: not home.states)


def follow_values(home: HomeServer, powers: dict[str, float], count: int) -> None:
    """Transmissions at a good SWR and at a bad one, as the home server shows them."""
    step("entities appear", lambda: len(home.states) >= count, 120)
    print("entities:", *sorted(home.states), sep="\n    ")
    step("bridge connected", lambda: home.of("_bridge") == "on")
    powers.update(forward=4.0, reflected=0.05)
    step("key down", lambda: home.of("_key_down") == "on")
    step("forward power", lambda: home.of("_forward_power").startswith(("3.9", "4.0")))
    powers.update(forward=0.0, reflected=0.0)
    step("key up", lambda: home.of("_key_down") == "off")
    step("SWR", lambda: home.of("_swr") not in ("unknown", None))
    attributes = home.found("_swr")[1]
    print("SWR", home.of("_swr"), {name: attributes[name] for name in ("low", "high", "channel")})
    print("last", home.of("_last_transmission"), home.of("_last_transmission_duration"))
    print("energy", home.of("_last_transmission_energy"))
    powers.update(forward=4.0, reflected=2.0)
    step("alarm on", lambda: home.of("_alarm_high_swr") == "on")
    step("fault on", lambda: home.of("_fault") == "on")
    powers.update(forward=4.0, reflected=0.05)
    step("alarm off", lambda: home.of("_alarm_high_swr") == "off")
    powers.update(forward=0.0, reflected=0.0)


if __name__ == "__main__":
    main()
