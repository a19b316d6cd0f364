"""The status as lines of a name and a text, for the command and the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from logger.live.status import ClockStatus, ForwarderStatus, NotifierStatus, Status
from logger.rows import Trust
from logger.utc import format_ns, to_second
from logger.wording import count

CLOCKS = {
    Trust.FOLLOWED.value: "that of this host",
    Trust.UNCONFIRMED.value: "that of this host, not known to be synchronised yet",
    Trust.PROVISIONAL.value: "not set yet; times are provisional and will be corrected",
    "of the driver": "that of the driver",
}


def describe_daemon(live: Status | None) -> list[tuple[str, str]]:
    """Return the lines about the daemon, each a name and a text; None: not running."""
    if live is None:
        return [("daemon", "not running")]
    last = "none yet"
    if live.last_pair_ns is not None:
        last = f"{to_second(format_ns(live.last_pair_ns))}, {live.pairs_per_s:g} pairs/s"
    counters = ", ".join(f"{n} {name}" for name, n in live.counters.items() if n)
    lines = [
        ("daemon", f"running for {live.running_s:.0f} s, pid {live.pid}"),
        ("last pair", last),
        ("key", "down" if live.keyed else "up"),
        ("input", counters or (count(live.pairs, "pair") if live.pairs else "nothing read yet")),
        ("gaps", f"{live.gaps} since the start"),
        ("clock", _clock(live.clock)),
    ]
    if live.rows_dropped:
        lines.append(("dropped", f"{count(live.rows_dropped, 'row')} and raw pairs"))
    if live.store_error:
        lines.append(("store", live.store_error))
    if live.stalled_s:
        text = f"the disk has not responded for {live.stalled_s:.1f} s; alarms are still delivered"
        lines.append(("disk", text))
    elif live.stalls:
        lines.append(("disk", f"{count(live.stalls, 'stall')} of more than 0.25 s since the start"))
    return lines


def _clock(clock: ClockStatus) -> str:
    text = CLOCKS.get(clock.times, clock.times)
    if clock.steps:
        text += f", set {count(clock.steps, 'time')}"
    if clock.ahead_s:
        text += f", row times {clock.ahead_s:g} s ahead of the clock"
    if clock.mended:
        text += f", {count(clock.mended, 'timestamp')} that ran backwards corrected"
    return text


def describe_notifier(notifier: NotifierStatus) -> list[tuple[str, str]]:
    """Return the lines about a notifier."""
    last = notifier.last_delivered_utc
    delivered = f"last delivery {to_second(last)}" if last else "nothing delivered yet"
    waiting = count(notifier.waiting, "message")
    lines = [
        ("notify", f"{notifier.name}: {waiting} waiting; {delivered}"),
        *_progress_lines(notifier),
    ]
    if notifier.given_up:
        lines.append(("", f"{count(notifier.given_up, 'recent message')} refused and dropped"))
    return lines


def describe_forwarder(
    forwarder: ForwarderStatus, warnings: Mapping[str, Sequence[str]] = MappingProxyType({})
) -> list[tuple[str, str]]:
    """Return the lines about a forwarder; `warnings` are those about its server, by its name."""
    last = forwarder.last_success_utc
    accepted = f"rows last accepted {to_second(last)}" if last else "no rows accepted yet"
    backlog = count(forwarder.backlog, "row")
    lines = [
        ("influxdb", f"{forwarder.name}: {backlog} waiting; {accepted}"),
        *_progress_lines(forwarder),
        *(("", f"the server {warning}") for warning in warnings.get(forwarder.name, ())),
    ]
    if forwarder.refused:
        lines.append(("", f"{forwarder.refused} refused and skipped, the latest:"))
        lines += [
            ("", f"{row.table} {row.id} of {to_second(row.time_utc)}: {row.reason}")
            for row in forwarder.refused_rows
        ]
    return lines


def _progress_lines(outlet: ForwarderStatus | NotifierStatus) -> list[tuple[str, str]]:
    lines = []
    if outlet.delivering_since_utc:
        lines.append(("", f"delivering since {to_second(outlet.delivering_since_utc)}"))
    if outlet.last_error:
        state = "failing" if outlet.failing else "resolved"
        last = to_second(outlet.last_error_utc)
        lines.append(("", f"{state}: {outlet.last_error} (last {last})"))
    return lines
