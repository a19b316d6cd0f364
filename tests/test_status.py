"""The daemon's status: names, order and values of the JSON on the socket are an interface."""

from __future__ import annotations

import msgspec

from logger.live.status import (
    ClockStatus,
    ForwarderStatus,
    NotifierStatus,
    RefusedRowStatus,
    Status,
)
from logger.live.status_lines import describe_daemon

STATUS = Status(
    pid=4711,
    station="harbour-workshop",
    running_s=4000.0,
    pairs=800000,
    pairs_per_s=200.0,
    last_pair_ns=1772391600123456000,
    keyed=False,
    gaps=0,
    clock=ClockStatus(times="kept", steps=0, ahead_s=0.0),
    counters={"lines": 800001, "malformed": 1},
    queue=0,
    rows_dropped=0,
    store_error=None,
    commits=900,
    commit_s=1.25,
    commits_failed=0,
    clock_synchronised=True,
    forwarders=[],
    notifiers=[],
)


def test_the_socket_carries_the_same_json_as_ever() -> None:
    status = msgspec.structs.replace(
        STATUS,
        last_pair_ns=None,
        clock=ClockStatus(times="of the driver", mended=0),
        clock_synchronised=None,
        forwarders=[
            ForwarderStatus(
                name="server",
                url="http://127.0.0.1:9",
                sent=7,
                backlog=3,
                last_success_utc=None,
                refused=1,
                refused_rows=[
                    RefusedRowStatus(
                        "alarms",
                        5,
                        "2026-03-01T19:00:00.000000Z",
                        "2026-03-01T19:00:01.000000Z",
                        "out of range",
                    )
                ],
                failing=True,
                last_error="refused",
                last_error_utc="2026-03-01T19:00:02.000000Z",
            )
        ],
        notifiers=[
            NotifierStatus(
                name="mail",
                kind="mail",
                to="127.0.0.1:25",
                delivered=2,
                waiting=1,
                given_up=0,
                last_delivered_utc=None,
                failing=False,
                last_error=None,
                last_error_utc=None,
            )
        ],
    )
    text = msgspec.json.encode(status)
    assert text == (
        b'{"pid":4711,"station":"harbour-workshop","running_s":4000.0,"pairs":800000,'
        b'"pairs_per_s":200.0,"last_pair_ns":null,"keyed":false,"gaps":0,'
        b'"clock":{"times":"of the driver","mended":0},'
        b'"counters":{"lines":800001,"malformed":1},"queue":0,"rows_dropped":0,'
        b'"store_error":null,"commits":900,"commit_s":1.25,"commits_failed":0,'
        b'"clock_synchronised":null,"forwarders":[{"name":"server","url":"http://127.0.0.1:9",'
        b'"sent":7,"backlog":3,"last_success_utc":null,"refused":1,"refused_rows":[{'
        b'"table":"alarms","id":5,"time_utc":"2026-03-01T19:00:00.000000Z",'
        b'"refused_utc":"2026-03-01T19:00:01.000000Z","reason":"out of range"}],'
        b'"failing":true,"last_error":"refused",'
        b'"last_error_utc":"2026-03-01T19:00:02.000000Z"}],"notifiers":[{"name":"mail",'
        b'"kind":"mail","to":"127.0.0.1:25","delivered":2,"waiting":1,"given_up":0,'
        b'"last_delivered_utc":null,"failing":false,"last_error":null,"last_error_utc":null}],'
        b'"stalls":0,"stalled_s":0.0}'
    )
    assert msgspec.json.decode(text, type=Status) == status
    assert b'"clock":{"times":"kept","steps":0,"ahead_s":0.0}' in msgspec.json.encode(STATUS)


def test_a_driver_without_counters_has_read_pairs() -> None:
    def line(status: Status, name: str) -> str:
        return dict(describe_daemon(status))[name]

    assert line(STATUS, "input") == "800001 lines, 1 malformed"
    assert line(msgspec.structs.replace(STATUS, counters={}), "input") == "800000 pairs"
    nothing = msgspec.structs.replace(STATUS, counters={}, pairs=0, last_pair_ns=None)
    assert line(nothing, "input") == "nothing read yet"
    unsure = ClockStatus(times="unconfirmed", steps=2, ahead_s=0.0)
    assert line(msgspec.structs.replace(STATUS, clock=unsure), "clock") == (
        "that of this host, not known to be synchronised yet, set 2 times"
    )
    assert line(STATUS, "last pair") == "2026-03-01T19:00:00Z, 200 pairs/s"
