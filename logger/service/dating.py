"""Conversion of pair times to UTC, and correction of a wrong wall clock.

A record of years requires, in this order: that nothing is lost or overwritten, that rows keep their
order, that durations and energies are right, that the date is right, and that a row with an
uncertain date is marked (flag `clock-step`). Hence:

- Pairs are timestamped by the host clock, which never steps (`drivers.timeline`), and dated with
  the offset of the wall clock, which is checked with every block.
- *The wall clock steps forward*: the times follow at once; a running transmission is ended, and
  both parts are flagged.
- *It steps back*: the times do not. They continue ahead of the wall clock and lose their lead
  gradually: at half speed while nobody transmits, when durations do not matter, and by 500 ppm
  during a transmission. A lead of one hour takes two idle hours. Rows are flagged while the times
  are ahead by more than half a second. A step back by more than a week is not followed, since it
  is then unknown which time is wrong.
- *It has never been right since the host was started* (1970, or before the last stored row): rows
  get provisional times that follow all older rows, are flagged and are not forwarded. Once the
  wall clock is right, all rows since the start are moved by its error in one transaction, keep
  the flag, and are forwarded. If the host is restarted before that, their true time cannot be
  recovered: they stay as they are, in the store only.
- *It may be right, but is not synchronised yet* (a Raspberry Pi starts with the time at which it
  was stopped): rows are treated as usual. If the first synchronisation steps the clock, the rows
  since the start of the host are moved in the same way; points forwarded before are not moved.

Rows are moved back only as far as the order allows: not before older rows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drivers.contract import SampleBlock
from drivers.timeline import Clocks, Monotone, Times
from logger.live.status import ClockStatus
from logger.quantiles import median
from logger.rows import Boot, ClockChange, Shift, Trust
from logger.utc import format_ns

SECOND_NS = 1_000_000_000
STEP_NS = 500_000_000  # a smaller difference is no step and is not flagged
KEYED_SLEW = 500e-6
QUIET_SLEW = 0.5
LONGEST_SLEW_NS = 7 * 86400 * SECOND_NS
NOISE_NS = 1_000_000  # two readings of the same clocks differ by less
EARLIEST_NS = 1_735_689_600 * SECOND_NS  # 2025-01-01: an earlier clock must be wrong
JUDGE_NS = SECOND_NS // 2  # time from a step of the clock to its report as synchronised
MARK_NS = 2 * SECOND_NS  # rows are flagged for at least this long after a step forward
LEAST_NS = 1000  # smallest difference of two times
NEVER_NS = -(1 << 62)


class Dating:
    """Dates the blocks of a driver that timestamps pairs with the host clock.

    now       both clocks at the start
    last_ns   the time of the last stored row, None if there is none
    boot      the identifier of this start of the host
    record    its record in the store, None if the daemon has not run since
    """

    def __init__(self, now: Clocks, last_ns: int | None, boot: str, record: Boot | None) -> None:
        self.steps = 0
        self._notices: list[str] = []
        self._host_ns = now.host_ns
        self._stepped_ns: int | None = None  # host time of a step that is still to be judged
        self._marked_ns: int | None = None  # rows are flagged at least until then
        self._last_ns = NEVER_NS if last_ns is None else last_ns
        self._monotone = Monotone(self._last_ns)
        self._wall_ns = now.offset_ns  # the wall clock's offset as followed
        least_ns = self._last_ns + LEAST_NS - now.host_ns
        self._offset_ns = max(now.offset_ns, least_ns)  # as used
        if record is None:
            self.boot = self._first(now, boot)
        elif record.trust is Trust.PROVISIONAL:
            self.boot = record
            self._offset_ns = max(record.offset_ns, least_ns)
        elif record.trust is Trust.UNCONFIRMED and (
            abs(now.offset_ns - record.offset_ns) <= STEP_NS or now.synchronised
        ):
            self.boot = record
            self._wall_ns = record.offset_ns
            self._offset_ns = max(record.offset_ns, least_ns)
        else:  # if the clock was set meanwhile, the affected rows cannot be identified
            self.boot = self._exclude(record, Trust.FOLLOWED)
        if self.ahead_ns > STEP_NS:
            self._notices.append(
                f"the last stored row is {self.ahead_ns / SECOND_NS:.1f} s later than the clock:"
                " row times stay ahead of it and are flagged until it catches up"
            )

    def _first(self, now: Clocks, name: str) -> Boot:
        trust = Trust.FOLLOWED if now.synchronised else Trust.UNCONFIRMED
        early = now.wall_ns <= self._last_ns and not now.synchronised
        if early or now.wall_ns < EARLIEST_NS:
            trust = Trust.PROVISIONAL
            self._notices.append(
                f"the host's clock is not set, it reads {format_ns(now.wall_ns)}: rows get"
                " provisional times, and are dated and forwarded once the clock is set"
            )
        return Boot(name, trust, self._last_ns, self._next_ns(), self._offset_ns)

    def _next_ns(self) -> int:
        """Return the earliest date that the next pair can get."""
        return max(self._last_ns + LEAST_NS, self._host_ns + self._offset_ns) // 1000 * 1000

    def _exclude(self, boot: Boot, trust: Trust) -> Boot:
        """Return the same start of the host with the rows so far excluded from any later move."""
        return boot._replace(
            trust=trust,
            before_ns=self._last_ns,
            since_ns=self._next_ns(),
            offset_ns=self._offset_ns,
        )

    @property
    def provisional(self) -> bool:
        """True if the clock has not been right yet."""
        return self.boot.trust is Trust.PROVISIONAL

    @property
    def ahead_ns(self) -> int:
        """Lead of the times over the wall clock, ns."""
        return 0 if self.provisional else max(0, self._offset_ns - self._wall_ns)

    def notices(self) -> list[str]:
        """Return the changes of state since the last call in words."""
        notices, self._notices = self._notices, []
        return notices

    def status(self) -> ClockStatus:
        """Return the entry for the daemon's status."""
        return ClockStatus(
            times=self.boot.trust.value, steps=self.steps, ahead_s=round(self.ahead_ns / 1e9, 3)
        )

    def utc_ns(self, host_ns: int) -> int:
        """Return the UTC of a moment after the last pair."""
        return host_ns + self._offset_ns

    def date(self, block: SampleBlock, *, keyed: bool) -> SampleBlock:
        """Date a block with times of the host clock; the results are later than all before.

        `keyed` is True during a transmission.
        """
        times = block.time_ns
        ahead_ns = self.ahead_ns
        offset_ns = self._offset_ns + _caught_up(times - self._host_ns, ahead_ns, keyed=keyed)
        self._host_ns = max(self._host_ns, int(times[-1]))
        self._offset_ns = int(offset_ns[-1])
        dated = self._monotone.update(times + offset_ns)
        self._last_ns = int(dated[-1])
        if self._marked_ns is not None and not keyed and self._host_ns > self._marked_ns:
            self._marked_ns = None
        if ahead_ns > STEP_NS >= self.ahead_ns:
            self._notices.append("the clock has caught up with the row times")
        doubtful = self.provisional or ahead_ns > STEP_NS or self._marked_ns is not None
        return replace(block, time_ns=dated, clock_step=block.clock_step or doubtful)

    def check(self, now: Clocks) -> ClockChange | None:
        """Check the clocks; return a change to be stored, if any.

        With a `leap`, a running transmission must be ended first; with a `shift`, all stages must
        restart, since the times that follow belong to the moved rows.
        """
        if self.provisional:
            right = now.wall_ns >= EARLIEST_NS and (
                now.wall_ns > self.boot.before_ns or now.synchronised
            )
            return self._correct(now, now.offset_ns - self._offset_ns) if right else None
        by_ns = now.offset_ns - self._wall_ns
        unconfirmed = self.boot.trust is Trust.UNCONFIRMED
        if unconfirmed and now.synchronised:
            return self._correct(now, by_ns)
        if abs(by_ns) <= STEP_NS:
            self._stepped_ns = None
            if abs(by_ns) > NOISE_NS + now.doubt_ns:
                self._follow(now)
            return None
        if unconfirmed:  # is it the first synchronisation? The kernel learns of it after the step
            if self._stepped_ns is None:
                self._stepped_ns = now.host_ns
            if now.host_ns - self._stepped_ns < JUDGE_NS:
                return None
        self._step(now, by_ns)
        return ClockChange(self.boot, leap=by_ns > 0)

    def _follow(self, now: Clocks) -> None:
        """Follow the wall clock forward at once, never back: a lead is reduced gradually later."""
        self._wall_ns = now.offset_ns
        self._offset_ns = max(self._offset_ns, self._wall_ns)

    def _step(self, now: Clocks, by_ns: int) -> None:
        self.steps += 1
        self._stepped_ns = None
        self._marked_ns = now.host_ns + MARK_NS
        self._follow(now)
        trust = self.boot.trust
        if trust is Trust.UNCONFIRMED and self.ahead_ns:
            trust = Trust.FOLLOWED
        self.boot = self._exclude(self.boot, trust)
        seconds = abs(by_ns) / SECOND_NS
        if by_ns > 0:
            self._notices.append(f"the clock was set forward by {seconds:.1f} s; row times follow")
        elif self.ahead_ns > LONGEST_SLEW_NS:
            self._notices.append(
                f"the clock was set back by {seconds:.0f} s, which is implausible: row times"
                " ignore it and are flagged; if the clock is right, restart the daemon"
            )
        else:
            self._notices.append(
                f"the clock was set back by {seconds:.1f} s: row times stay ahead of it, advance"
                " more slowly while nobody transmits, and are flagged until it catches up"
            )

    def _correct(self, now: Clocks, by_ns: int) -> ClockChange:
        """Handle a clock that is now right and was wrong by `by_ns` until now."""
        boot = self.boot
        by_ns = by_ns // 1000 * 1000  # times are whole microseconds
        self._stepped_ns = None
        trust = Trust.FOLLOWED if now.synchronised else Trust.UNCONFIRMED
        if abs(by_ns) <= STEP_NS and not self.provisional:
            self._follow(now)
            self.boot = boot._replace(trust=trust)
            return ClockChange(self.boot)
        if boot.since_ns + by_ns <= boot.before_ns:  # they would precede older rows
            self.boot = boot._replace(trust=Trust.FOLLOWED)
            self._step(now, by_ns)
            return ClockChange(self.boot)
        self.steps += 1
        shift = Shift(boot.since_ns, max(self._last_ns, boot.since_ns), by_ns)
        self._offset_ns += by_ns
        self._wall_ns = now.offset_ns
        self._last_ns += by_ns
        self._monotone = Monotone(self._last_ns)
        self._marked_ns = now.host_ns + MARK_NS
        self.boot = boot._replace(
            trust=trust, since_ns=boot.since_ns + by_ns, offset_ns=self._offset_ns
        )
        self._notices.append(
            f"the clock was corrected by {by_ns / SECOND_NS:+.1f} s: the rows since boot are"
            f" redated to {format_ns(self.boot.since_ns)} and later"
        )
        return ClockChange(self.boot, shift, leap=True)


class Order:
    """Keeps the blocks of a driver that returns UTC in order, by their times alone.

    Times that step back continue evenly from the last one and lose their lead like those of
    `Dating`; `mended` counts the pairs whose times were changed.
    """

    def __init__(self) -> None:
        self.mended = 0
        self._given_ns: int | None = None  # the last time as returned by the driver,
        self._dated_ns: int | None = None  # and as corrected
        self._ahead_ns = 0
        self._usual_ns = LEAST_NS

    def notices(self) -> list[str]:
        """Return nothing: `mended` counts the corrections."""
        return []

    def status(self) -> ClockStatus:
        """Return the entry for the daemon's status."""
        return ClockStatus(times="of the driver", mended=self.mended)

    def date(self, block: SampleBlock, *, keyed: bool) -> SampleBlock:
        """Return the block, or one with strictly increasing times."""
        times = block.time_ns
        if self._given_ns is None or self._dated_ns is None:
            self._given_ns = int(times[0]) - LEAST_NS
            self._dated_ns = self._given_ns
        steps = np.diff(times, prepend=self._given_ns)
        self._given_ns = int(times[-1])
        if self._ahead_ns == 0 and times[0] > self._dated_ns and (steps > 0).all():
            self._dated_ns = self._given_ns
            return block
        forward = steps[steps > 0]
        if len(forward):
            self._usual_ns = int(median(forward))
        lost_ns = np.where(steps <= -STEP_NS, self._usual_ns - steps, 0)
        ahead_ns = self._ahead_ns + np.cumsum(lost_ns)
        most_ns = int(ahead_ns[-1])
        run_ns = np.cumsum(np.maximum(steps, 0))
        ahead_ns = np.maximum(ahead_ns + _caught_up(run_ns, most_ns, keyed=keyed), 0)
        self._ahead_ns = int(ahead_ns[-1])
        dated = Monotone(self._dated_ns).update(times + ahead_ns)
        self._dated_ns = int(dated[-1])
        self.mended += int((dated != times).sum())
        return replace(block, time_ns=dated, clock_step=block.clock_step or most_ns > STEP_NS)


def _caught_up(run_ns: Times, ahead_ns: int, *, keyed: bool) -> Times:
    """Return the reduction of a lead (negative, n) after running for `run_ns` (n,)."""
    if not 0 < ahead_ns <= LONGEST_SLEW_NS:
        return np.zeros_like(run_ns)
    rate = KEYED_SLEW if keyed else QUIET_SLEW
    most_ns = np.minimum(np.rint(rate * np.maximum(run_ns, 0)).astype(np.int64), ahead_ns)
    return np.asarray(-most_ns)
