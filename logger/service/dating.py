"""When pairs happened, in UTC. What is done about a wall clock that is wrong, and why.

A record of years needs, in this order: that nothing is lost or overwritten, that rows keep their
order, that durations and energies are right, that the date is right, and that a row whose date is
in doubt says so (flag `clock-step`). So:

- Pairs are timed by the host clock, which never steps (`drivers.timeline`), and dated by the
  offset of the wall clock, which is looked at with every block.
- *The wall clock steps forward*: the times follow at once; a transmission under way is ended, and
  both parts are flagged.
- *It steps back*: the times do not. They run on, ahead of the wall clock, and lose what they are
  ahead: at half speed while nobody transmits, when durations matter to nobody, and by 500 ppm
  while somebody does. An hour is made up for in two idle hours. Rows are flagged while the times
  are ahead by more than half a second. A step back by more than a week is not made up for, since
  nobody can tell then which time is the wrong one.
- *It has never been right since the host was started* (1970, or before the last stored row): rows
  get provisional times that come after all older rows, are flagged and are not forwarded. Once the
  wall clock is right all rows since the start are moved by what it was wrong, at one stroke, keep
  the flag, and are forwarded. If the host is started again before that, nobody will ever know
  their time: they stay as they are, in the store only.
- *It may be right, but nothing keeps it so yet* (a Raspberry Pi starts with the time at which it
  was stopped): rows are as usual. If the first synchronisation steps the clock, the rows since the
  host was started are moved in the same way; what was forwarded before stays where it is.

Rows are moved back only as far as the order allows: not before older rows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drivers.contract import SampleBlock
from drivers.timeline import Clocks, Monotone, Times
from logger.rows import Boot, ClockChange, Shift, Trust
from logger.utc import format_ns

SECOND_NS = 1_000_000_000
STEP_NS = 500_000_000  # less is no step, and is not flagged
KEYED_SLEW = 500e-6
QUIET_SLEW = 0.5
LONGEST_SLEW_NS = 7 * 86400 * SECOND_NS
NOISE_NS = 1_000_000  # two looks at the same clocks differ by less
EARLIEST_NS = 1_735_689_600 * SECOND_NS  # 2025-01-01: no clock that says less can be right
JUDGE_NS = SECOND_NS // 2  # from a step of the clock to its being called synchronised
MARK_NS = 2 * SECOND_NS  # so long after a step forward rows are flagged at least
LEAST_NS = 1000  # from one time to the next
NEVER_NS = -(1 << 62)


class Dating:
    """Dates the blocks of a driver that times pairs by the host clock.

    now       both clocks at the start
    last_ns   the time of the last stored row, None if there is none
    boot      the name of this start of the host
    known     what the store remembers of it, None if the daemon has not run since
    """

    def __init__(self, now: Clocks, last_ns: int | None, boot: str, known: Boot | None) -> None:
        self.steps = 0
        self._notices: list[str] = []
        self._at_ns = now.host_ns
        self._stepped_ns: int | None = None  # host time of a step that is still to be judged
        self._marked_ns: int | None = None  # rows are flagged until then at least
        self._last_ns = NEVER_NS if last_ns is None else last_ns
        self._monotone = Monotone(self._last_ns)
        self._wall_ns = now.offset_ns  # the wall clock's offset as followed
        least_ns = self._last_ns + LEAST_NS - now.host_ns
        self._offset_ns = max(now.offset_ns, least_ns)  # as used
        if known is None:
            self.boot = self._first(now, boot)
        elif known.trust is Trust.PROVISIONAL:
            self.boot = known
            self._offset_ns = max(known.offset_ns, least_ns)
        elif known.trust is Trust.UNCONFIRMED and (
            abs(now.offset_ns - known.offset_ns) <= STEP_NS or now.synchronised
        ):
            self.boot = known
            self._wall_ns = known.offset_ns
            self._offset_ns = max(known.offset_ns, least_ns)
        else:  # if it was set while nobody looked, which rows that concerns cannot be told
            self.boot = self._anew(known, Trust.FOLLOWED)
        if self.ahead_ns > STEP_NS:
            self._notices.append(
                f"the last stored row is {self.ahead_ns / SECOND_NS:.1f} s later than the clock:"
                " times run on ahead of it and are flagged until it has caught up"
            )

    def _first(self, now: Clocks, name: str) -> Boot:
        trust = Trust.FOLLOWED if now.synchronised else Trust.UNCONFIRMED
        early = now.wall_ns <= self._last_ns and not now.synchronised
        if early or now.wall_ns < EARLIEST_NS:
            trust = Trust.PROVISIONAL
            self._notices.append(
                f"the clock of this host is not set, it says {format_ns(now.wall_ns)}: rows get"
                " provisional times and are dated and forwarded once it is right"
            )
        return Boot(name, trust, self._last_ns, self._next_ns(), self._offset_ns)

    def _next_ns(self) -> int:
        """The earliest date that the next pair can get."""
        return max(self._last_ns + LEAST_NS, self._at_ns + self._offset_ns) // 1000 * 1000

    def _anew(self, boot: Boot, trust: Trust) -> Boot:
        """The same start of the host, but rows so far cannot be moved any more."""
        return boot._replace(
            trust=trust,
            before_ns=self._last_ns,
            since_ns=self._next_ns(),
            offset_ns=self._offset_ns,
        )

    @property
    def provisional(self) -> bool:
        """Whether the clock has not been right yet."""
        return self.boot.trust is Trust.PROVISIONAL

    @property
    def ahead_ns(self) -> int:
        """How far times are ahead of the wall clock."""
        return 0 if self.provisional else max(0, self._offset_ns - self._wall_ns)

    def notices(self) -> list[str]:
        """Changes of state in words since the last call."""
        notices, self._notices = self._notices, []
        return notices

    def utc_ns(self, host_ns: int) -> int:
        """The UTC of a moment after the last pair."""
        return host_ns + self._offset_ns

    def date(self, block: SampleBlock, *, keyed: bool) -> SampleBlock:
        """Date a block whose times are of the host clock; later than all dated before. `keyed`
        says whether a transmission is going on."""
        times = block.time_ns
        ahead_ns = self.ahead_ns
        offset_ns = self._offset_ns + _made_up(times - self._at_ns, ahead_ns, keyed=keyed)
        self._at_ns = max(self._at_ns, int(times[-1]))
        self._offset_ns = int(offset_ns[-1])
        dated = self._monotone.update(times + offset_ns)
        self._last_ns = int(dated[-1])
        if self._marked_ns is not None and not keyed and self._at_ns > self._marked_ns:
            self._marked_ns = None
        if ahead_ns > STEP_NS >= self.ahead_ns:
            self._notices.append("the clock has caught up with the row times")
        doubtful = self.provisional or ahead_ns > STEP_NS or self._marked_ns is not None
        return replace(block, time_ns=dated, clock_step=block.clock_step or doubtful)

    def look(self, now: Clocks) -> ClockChange | None:
        """Look at the clocks. If that changes something it is to be stored; with a `leap` a
        transmission under way is to be ended first; with a `shift` all stages start afresh, since
        the times that follow belong to the moved rows."""
        if self.provisional:
            right = now.wall_ns >= EARLIEST_NS and (
                now.wall_ns > self.boot.before_ns or now.synchronised
            )
            return self._settled(now, now.offset_ns - self._offset_ns) if right else None
        by_ns = now.offset_ns - self._wall_ns
        unconfirmed = self.boot.trust is Trust.UNCONFIRMED
        if unconfirmed and now.synchronised:
            return self._settled(now, by_ns)
        if abs(by_ns) <= STEP_NS:
            self._stepped_ns = None
            if abs(by_ns) > NOISE_NS + now.doubt_ns:
                self._follow(now)
            return None
        if unconfirmed:  # is this the first synchronisation? The kernel hears of it after the step
            if self._stepped_ns is None:
                self._stepped_ns = now.host_ns
            if now.host_ns - self._stepped_ns < JUDGE_NS:
                return None
        self._step(now, by_ns)
        return ClockChange(self.boot, leap=by_ns > 0)

    def _follow(self, now: Clocks) -> None:
        """Forward at once, back never: what the times are ahead is made up for later."""
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
        self.boot = self._anew(self.boot, trust)
        seconds = abs(by_ns) / SECOND_NS
        if by_ns > 0:
            self._notices.append(f"the clock was set forward by {seconds:.1f} s; times follow")
        elif self.ahead_ns > LONGEST_SLEW_NS:
            self._notices.append(
                f"the clock was set back by {seconds:.0f} s, which is not believed: times run on"
                " evenly and are flagged; if it is right, start the daemon again"
            )
        else:
            self._notices.append(
                f"the clock was set back by {seconds:.1f} s: times run on ahead of it, more slowly"
                " while nobody transmits, and are flagged until it has caught up"
            )

    def _settled(self, now: Clocks, by_ns: int) -> ClockChange:
        """The clock is right, and was wrong by `by_ns` so far."""
        boot = self.boot
        by_ns = by_ns // 1000 * 1000  # times are whole microseconds
        self._stepped_ns = None
        trust = Trust.FOLLOWED if now.synchronised else Trust.UNCONFIRMED
        if abs(by_ns) <= STEP_NS and not self.provisional:
            self._follow(now)
            self.boot = boot._replace(trust=trust)
            return ClockChange(self.boot)
        if boot.since_ns + by_ns <= boot.before_ns:  # they would come before older rows
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
            f"the clock was set right by {by_ns / SECOND_NS:+.1f} s: the rows since the host was"
            f" started are moved, to {format_ns(self.boot.since_ns)} and after"
        )
        return ClockChange(self.boot, shift, leap=True)


class Order:
    """Keeps the blocks of a driver that gives UTC itself in order, by their times alone.

    Times that go back by a step go on evenly from the last, and lose what they are ahead like
    those of `Dating`; `mended` counts the pairs whose times were changed.
    """

    def __init__(self) -> None:
        self.mended = 0
        self._given_ns: int | None = None  # the last time as the driver gave it,
        self._dated_ns: int | None = None  # and as it went on
        self._ahead_ns = 0
        self._usual_ns = LEAST_NS

    def date(self, block: SampleBlock, *, keyed: bool) -> SampleBlock:
        """The block, or one with times that increase."""
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
            self._usual_ns = int(np.median(forward))
        lost_ns = np.where(steps <= -STEP_NS, self._usual_ns - steps, 0)
        ahead_ns = self._ahead_ns + np.cumsum(lost_ns)
        most_ns = int(ahead_ns[-1])
        run_ns = np.cumsum(np.maximum(steps, 0))
        ahead_ns = np.maximum(ahead_ns + _made_up(run_ns, most_ns, keyed=keyed), 0)
        self._ahead_ns = int(ahead_ns[-1])
        dated = Monotone(self._dated_ns).update(times + ahead_ns)
        self._dated_ns = int(dated[-1])
        self.mended += int((dated != times).sum())
        return replace(block, time_ns=dated, clock_step=block.clock_step or most_ns > STEP_NS)


def _made_up(run_ns: Times, ahead_ns: int, *, keyed: bool) -> Times:
    """What has been made up for (negative, n) of being ahead after running for `run_ns` (n,)."""
    if not 0 < ahead_ns <= LONGEST_SLEW_NS:
        return np.zeros_like(run_ns)
    rate = KEYED_SLEW if keyed else QUIET_SLEW
    most_ns = np.minimum(np.rint(rate * np.maximum(run_ns, 0)).astype(np.int64), ahead_ns)
    return np.asarray(-most_ns)
