"""Guides through a verification of the coupler: load, meter, open end."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from logger.calibration.bench_session import LOW_W
from logger.cautions import VERIFY_OPEN, before_keying
from logger.cli.guides.carriers import NOTHING, Carriers, Instead
from logger.cli.guides.terminal import Terminal
from logger.config.load import StationOptions
from logger.errors import MismatchdError
from logger.live.measuring import keyed_reading
from logger.verification.session import (
    LOAD_S,
    OPEN_S,
    RESTART,
    KeyedReading,
    VerificationSession,
    is_plausible,
)
from logger.wording import parse_positive

LEAVE_OUT: Mapping[str, str] = {"s": "leave the open end out"}


class VerificationGuide:
    """Dialogue about a verification; `save` is called when there is something to store."""

    def __init__(
        self,
        terminal: Terminal,
        carriers: Carriers,
        session: VerificationSession,
        save: Callable[[], None],
        station: StationOptions,
    ) -> None:
        self._terminal, self._carriers, self._save = terminal, carriers, save
        self._station = station
        self._state = session.state

    def run(self) -> None:
        """Read what is not read yet. Raises Stop, MismatchdError, LinkError, EndOfInput."""
        state, say = self._state, self._terminal.say
        if state.load is None:
            say("Use the channel and the power setting that you use every time.")
            state.load = self._read(math.inf, LOAD_S)
            self._save()
        if state.has_meter is None:
            state.reference_w = self._ask_meter(state.load)
            state.has_meter = state.reference_w is not None
            self._save()
        if state.has_open is None:
            state.has_open = self._ask_open()
            self._save()
        if state.has_open and state.open_end is None:
            for text in (
                *before_keying(VERIFY_OPEN),
                "Unkeyed, take the dummy load off and leave the coupler's antenna port open.",
            ):
                say(text)
            try:
                state.open_end = self._read(2 * LOW_W, OPEN_S, LEAVE_OUT)
            except Instead:
                state.has_open = False
            self._save()

    def _read(
        self, most_w: float, enough_s: float, instead: Mapping[str, str] = NOTHING
    ) -> KeyedReading:
        """Return a key-down that is long enough. Raises Instead."""
        while True:
            carrier = self._carriers.wait(most_w, instead, enough_s)
            if carrier.calibration_id != self._carriers.coupler.id:
                raise MismatchdError(RESTART)
            reading = keyed_reading(carrier, self._station)
            if reading is not None:
                keying = reading.keying
                self._terminal.say(
                    f"Read {carrier.duration_s:.0f} s: forward {keying.forward_w:.3g} W, reflected"
                    f" {keying.reflected_w:.3g} W."
                )
                return reading
            self._terminal.say(f"{carrier.duration_s:.1f} s is too short; key once more.")

    def _ask_meter(self, load: KeyedReading) -> float | None:
        prompt = "What did a reference meter show meanwhile, in W? (Enter: there is none)"
        while True:
            answer = self._terminal.answer(prompt)
            if not answer:
                return None
            shown_w = parse_positive(answer.rstrip(" Ww"))
            if shown_w is None:
                self._terminal.say(f"{answer!r} is not a valid answer; give watts such as 3.9")
            elif not is_plausible(shown_w, load):
                self._terminal.say(
                    f"The coupler read {load.keying.forward_w:.3g} W: check the figure."
                )
            else:
                return shown_w

    def _ask_open(self) -> bool:
        self._terminal.say(
            "The load alone does not show a small drift of the reflected port; an open end at low"
            f" power does. It needs a transmitter that can be set to {LOW_W:g} W or less and whose"
            " manual does not forbid it. Full reflection can destroy others."
        )
        answer = self._terminal.answer("Can yours be keyed into an open end? (yes or no)").lower()
        while answer not in ("yes", "y", "no", "n"):
            answer = self._terminal.answer("yes or no:").lower()
        return answer in ("yes", "y")
