"""Alarms and faults at servers: a point for each change, with the state of that time."""

from __future__ import annotations

import re
from pathlib import Path

from logger.forward.influx import InfluxForwarder
from logger.store.alarms import Alarms
from logger.store.tables import FORWARDED
from logger.store.writer import StoreWriter
from tests.test_fault_notifiers import fault, sign
from tests.test_forwarder import drain, options
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission


def test_changes_are_points_with_their_state_as_a_number(tmp_path: Path) -> None:
    """As of the change, however late it is delivered."""
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        store.write(
            [
                transmission(),
                fault("opened", T0, severity="critical"),
                sign(T0),
                alarm("cleared", T0 + 2 * SECOND),
                fault("quiet", T0 + 10 * SECOND),
                fault("returned", T0 + 20 * SECOND),
                fault("closed", T0 + 30 * SECOND),
            ]
        )
        Alarms(store.database).acknowledge(1, T0 + 40 * SECOND)
        sent: list[str] = []
        forwarder = InfluxForwarder(store.path, options("http://127.0.0.1:9"), "here", {})
        forwarder._send = sent.extend  # type: ignore[assignment] # returns None: taken
        drain(forwarder)
        forwarder.close()

    def points(measurement: str, *names: str) -> list[tuple[str | None, ...]]:
        lines = [text for text in sent if text.startswith(f"{measurement},")]
        fields = [dict(re.findall(r'(\w+)=("[^"]*"|[^,\s]+)', text)) for text in lines]
        return [tuple(field.get(name) for name in names) for field in fields]

    assert points("alarm", "change", "open", "duration_s", "severity_level") == [
        ('"raised"', "1.0", None, "2.0"),
        ('"cleared"', "0.0", "2.0", "2.0"),
        ('"acknowledged"', "0.0", None, "2.0"),
    ]
    times = [(True, False, False), (True, True, False), (True, True, True)]
    assert times == [
        tuple(text is not None for text in row)
        for row in points("alarm", "raised_utc", "cleared_utc", "acknowledged_utc")
    ]
    assert points("fault", "fault", "change", "open", "state", "duration_s", "summary") == [
        ("1", '"opened"', "1.0", '"open"', None, '"the plug is opened"'),
        ("1", '"quiet"', "0.0", '"quiet"', None, '"the plug is quiet"'),
        ("1", '"returned"', "1.0", '"open"', None, '"the plug is returned"'),
        ("1", '"closed"', "0.0", '"closed"', "30.0", '"the plug is closed"'),
    ]
    assert [text.rpartition(" ")[2] for text in sent if text.startswith("fault,")] == [
        str(T0 + step * 10 * SECOND) for step in range(4)
    ]


def test_an_alarm_added_retrospectively_is_closed(tmp_path: Path) -> None:
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        store.write([transmission(), alarm("raised", T0)])
        store.database.execute("UPDATE alarms SET cleared_ns = ?", (T0 + 3 * SECOND,))
        (row,) = store.records(FORWARDED[0], *ALWAYS)
        assert (row.columns["open"], row.columns["duration_s"]) == (0, 3.0)
