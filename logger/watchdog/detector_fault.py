"""Rule `detector-fault`: the readings cannot be what a sound coupler shows.

- Clipping: a converter has been at its end for the hold time while keyed.
- Reflected above forward, by more than total reflection and both leaks explain: the two ports are
  swapped, the coupler is the wrong way round, or the forward detector has failed.
- A reflected reading that never moves while the forward one does: not by a step, keyed or not. At
  a steady reading well above zero two seconds of transmission prove it; at zero it takes a minute
  at a power where an SWR of 1.1 would show as STEPS_OF_A_MOVE steps, since a good match also reads
  little (but its leak and noise do move).

One alarm at a time: the first cause found stands until it clears.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools
from logger.reflection import rho_of_swr
from logger.rows import Flag
from logger.watchdog.hold import SUMS, Evidence, Hold
from logger.watchdog.view import Finding, View

KIND = "detector-fault"
SEVERITY = "warning"
CLIP_HOLD_NS = 50_000_000
REVERSED_HOLD_NS = 100_000_000
CLEAR_NS = 1_000_000_000
STUCK_HIGH_NS = 2_000_000_000
STUCK_ZERO_NS = 60_000_000_000
STEPS_OF_A_MOVE = 4
LONGEST_STEP_NS = 1_000_000_000

CLIPPED = "converter at its end: the detector voltage is more than it can read; less power or a"
CLIPPED += " divider is needed, and powers and SWR are wrong until then"
REVERSED = "reflected reads above forward: the two ports are swapped, the coupler is the wrong way"
REVERSED += " round, or the forward detector has failed"
STUCK = "the reflected reading never moves while the forward one does: detector, wire or input dead"


class _Held:
    """A plain yes-or-no condition held for a time."""

    def __init__(self, hold_ns: int) -> None:
        self._hold = Hold(hold_ns)

    def find(self, view: View, yes: Bools, no: Bools) -> int | None:
        """Time at which `yes` (n,) had held without a `no` (n,), or None."""
        times = view.block.time_ns
        if self._hold.idle and not yes.any():
            self._hold.skip(int(times[-1]))
            return None
        sums = np.zeros((SUMS, len(times)))
        sums[:2] = 1.0  # count and excess: certain as they are
        found = self._hold.find(Evidence(times, sums, yes, yes, no))
        return None if found is None else int(times[found[0]])


class _Stuck:
    """Looks for a reflected reading that stays within one step."""

    def __init__(self) -> None:
        self._forget()

    def _forget(self) -> None:
        self._lowest = np.inf
        self._highest = -np.inf
        self._keyed_ns = 0
        self._seen_quiet = False
        self._previous_ns: int | None = None

    def find(self, view: View) -> int | None:
        """Time at which it was certain, or None."""
        block, step_v = view.block, max(view.step_v[1], 1e-6)
        low, high = float(block.reflected_v.min()), float(block.reflected_v.max())
        low, high = min(low, self._lowest), max(high, self._highest)
        if high - low > step_v:
            self._forget()
            return None
        self._lowest, self._highest = low, high
        self._seen_quiet |= not view.keyed.all()
        telling = view.keyed & block.settled & (block.forward_w >= self._least_w(view))
        previous_ns = block.time_ns[0] if self._previous_ns is None else self._previous_ns
        steps = np.minimum(np.diff(block.time_ns, prepend=previous_ns), LONGEST_STEP_NS)
        self._previous_ns = int(block.time_ns[-1])
        elapsed = self._keyed_ns + np.cumsum(np.where(telling, steps, 0))
        self._keyed_ns = int(elapsed[-1])
        zero_v = view.coupler.reflected.zero_v
        zero = low - zero_v <= STEPS_OF_A_MOVE * step_v + 3 * view.noise.sd_v[1]
        needed_ns = STUCK_ZERO_NS if zero else STUCK_HIGH_NS
        if not self._seen_quiet or self._keyed_ns < needed_ns:
            return None
        at = int(block.time_ns[np.argmax(elapsed >= needed_ns)])
        self._forget()
        return at

    @staticmethod
    def _least_w(view: View) -> float:
        """Incident power at which an SWR of 1.1 reads STEPS_OF_A_MOVE steps above zero, watts."""
        law = view.coupler.reflected
        least_v = law.zero_v + STEPS_OF_A_MOVE * max(view.step_v[1], 1e-6)
        return float(law.watts(np.array([least_v]))[0] / rho_of_swr(1.1) ** 2)


class DetectorFault:
    """The rule's state machine; `active` if an alarm of it is open from before."""

    def __init__(self, *, active: bool) -> None:
        self._active = active
        self._cause: str | None = None
        self._clipped = _Held(CLIP_HOLD_NS)
        self._reversed = _Held(REVERSED_HOLD_NS)
        self._stuck = _Stuck()
        self._sound = _Held(CLEAR_NS)

    def update(self, view: View) -> list[Finding]:
        """Changes of state in one block."""
        block = view.block
        clipped = (block.flags & np.uint8(Flag.CLIPPED)) != 0
        ratio = view.impossible_ratio
        least_w = max(view.floor_w, 1e-6)
        above = (block.reflected_w > ratio * np.maximum(block.forward_w, 0)) & (
            block.reflected_w >= least_w
        )
        clipped_at = self._clipped.find(view, clipped, view.keyed & ~clipped)
        reversed_at = self._reversed.find(view, above, view.keyed & block.settled & ~above)
        stuck_at = self._stuck.find(view)
        if self._active:
            bad = clipped | above
            if self._cause is STUCK or stuck_at is not None:
                moves = block.reflected_v - block.reflected_v[0] > view.step_v[1]
                sound = view.keyed & block.settled & ~bad & moves.any()
            else:
                sound = view.keyed & block.settled & ~bad
            sound_at = self._sound.find(view, sound, bad)
            if sound_at is None:
                return []
            self._active, self._cause = False, None
            return [Finding(sound_at, "cleared", None, None, "readings are sound again")]
        causes = [
            (at, cause)
            for at, cause in (
                (clipped_at, CLIPPED),
                (reversed_at, REVERSED),
                (stuck_at, STUCK),
            )
            if at is not None
        ]
        if not causes:
            return []
        at, cause = min(causes)
        self._active, self._cause = True, cause
        return [Finding(at, "raised", None, None, cause)]
