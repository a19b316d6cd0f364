"""Guides the user through the key-downs of a bench session."""

from __future__ import annotations

import math

from drivers.contract import Driver
from logger.calibration.bench_points import WATTS_PER_VOLT2, BenchPoint
from logger.calibration.bench_session import (
    UNKEYED_S,
    BenchSession,
    BenchStep,
    doubt_of_power,
    doubts,
    match_points,
)
from logger.calibration.directivity import PARALLEL_OHM
from logger.calibration.points_file import PointsFile
from logger.calibration.steady import Level, Quiet, SteadyReading, Trouble, Watch, unsteady
from logger.cautions import CALIBRATE, before_keying
from logger.cli.guides.pairs import PairListener
from logger.cli.guides.terminal import Stop, Terminal
from logger.wording import parse_positive

HELP = (
    "Each step asks for Enter, then for the key, then for what the reference instrument showed."
    " Instead of Enter: the power in watts if yours differs from the proposed one, r repeats the"
    " last step, b goes back one, s skips one, q stops and keeps the points taken so far."
)
SETUPS = {
    "matched": "Connect: transmitter on the transmitter port, dummy load on the antenna port.",
    "reversed": "Reverse the coupler: transmitter on the antenna port, dummy load on the"
    " transmitter port.",
    "open": "Connect: transmitter on the transmitter port, nothing on the antenna port. Low power"
    " only, no amplifier.",
    "short": "Connect: transmitter on the transmitter port, a short on the antenna port. Low power"
    " only, no amplifier.",
}
UNITS = {"watts": "W", "vrms": "V rms", "vp": "V peak", "vpp": "V p-p", "none": ""}
REPEAT = "r"
ANSWERS = "Enter, a figure, r, b, s or q"


class PowerScale:
    """Converts between the figure on the reference instrument and power."""

    def __init__(self, reference: str) -> None:
        self.is_known = reference != "none"
        self.unit = UNITS[reference]
        self._watts_per_volt2 = WATTS_PER_VOLT2.get(reference)

    def figure(self, power_w: float) -> float:
        """Return the figure that the reference shows at `power_w` watts."""
        if self._watts_per_volt2 is None:
            return power_w
        return float(f"{math.sqrt(power_w / self._watts_per_volt2):.3g}")

    def power_w(self, figure: float) -> float:
        """Return the power at which the reference shows `figure`."""
        return figure if self._watts_per_volt2 is None else self._watts_per_volt2 * figure**2

    def words(self, figure: float) -> str:
        """Return a figure with its unit."""
        return f"{figure:g} {self.unit}".strip()


class BenchGuide:
    """Guides through the steps; `average_s` seconds of each key-down are averaged."""

    def __init__(
        self,
        driver: Driver,
        terminal: Terminal,
        file: PointsFile,
        steps: list[BenchStep],
        scale: PowerScale,
        average_s: float,
    ) -> None:
        self._terminal = terminal
        self._file = file
        self._scale = scale
        self._average_s = average_s
        self._session = BenchSession(steps, match_points(steps, file.points))
        self._setup: str | None = None
        self._pairs = PairListener(driver, terminal)

    def progress(self) -> str:
        """Return the progress of the session as text."""
        session = self._session
        return f"{len(session.done)} of {len(session.steps)} steps are in {self._file.path}"

    def run(self) -> None:
        """Carry out the remaining steps. Raises Stop, EndOfInput, MismatchdError."""
        say = self._terminal.say
        for text in (*before_keying(CALIBRATE), "", HELP, ""):
            say(text)
        if self._file.dropped is not None:
            say(f"{self._file.path}: the last line is incomplete and ignored")
        if self._session.done:
            say(f"{self.progress()}; continuing with the others")
        self._pairs.begin()
        while (number := self._session.current) is not None:
            self._take(number)

    # one step

    def _take(self, number: int) -> None:
        session, say = self._session, self._terminal.say
        step = session.steps[number]
        if (setup := _setup(step)) != self._setup:
            say("")
            say(setup)
            self._setup = setup
        title = f"Step {number + 1} of {len(session.steps)}"
        figure = self._scale.figure(step.power_w)
        if step.power_w == 0:
            say(f"{title}: unkeyed, for zero and noise. Leave the key alone.")
        elif self._scale.is_known:
            say(f"{title}: {step.name}, about {self._scale.words(figure)}.")
        else:
            say(f"{title}: {step.name}, the setting called {figure:g}.")
        answer = self._pairs.ask("Enter when ready:")
        if self._obey(answer):
            return
        if answer and step.power_w > 0 and (typed := parse_positive(answer)):
            figure = typed
        elif answer:
            say(f"{answer!r} is not a valid answer; give {ANSWERS}")
            return
        quiet = self._quiet() if step.power_w > 0 else None
        reading = self._measure(step, quiet)
        if reading is None:
            return
        say(_describe(step, reading))
        warnings = doubts(step, reading, quiet)
        for text in warnings:
            say(f"Doubtful: {text}")
        if quiet is not None or warnings:
            confirmed = self._ask_figure(step, reading, quiet, figure)
            if confirmed is None:
                return
            figure = confirmed
        point = step.label(reading.point(step.condition, self._scale.power_w(figure)))
        place = session.done.get(number)
        if place is None:
            place = self._file.add(point)
        else:
            self._file.replace(place, point)
        session.take(place)

    def _ask_figure(
        self, step: BenchStep, reading: SteadyReading, quiet: Quiet | None, proposed: float
    ) -> float | None:
        """Ask for the figure on the reference; return None if the reading is to be discarded."""
        has_figure = quiet is not None and self._scale.is_known
        doubted: float | None = None
        while True:
            answer = self._pairs.ask(
                f"The reference showed [{self._scale.words(proposed)}]:"
                if has_figure
                else "Enter to keep it, r to repeat it:"
            )
            if answer == REPEAT or self._obey(answer):
                return None
            figure = parse_positive(answer.rstrip(" WVwv")) if answer and has_figure else proposed
            if figure is None or (answer and not has_figure):
                self._terminal.say(f"{answer!r} is not a valid answer; give {ANSWERS}")
                continue
            if quiet is None or not has_figure or figure == doubted:
                return figure
            point = reading.point(step.condition, self._scale.power_w(figure))
            doubt = doubt_of_power(point, self._other_points(), quiet)
            if doubt is None:
                return figure
            self._terminal.say(f"Doubtful: {doubt} Enter keeps it.")
            proposed = doubted = figure

    def _other_points(self) -> list[BenchPoint]:
        """Return all points except that of the present step."""
        session = self._session
        present = None if session.current is None else session.done.get(session.current)
        return [point for number, point in enumerate(self._file.points) if number != present]

    def _obey(self, answer: str) -> bool:
        """Carry out a one-letter command; return False if `answer` is none. Raises Stop."""
        session, say = self._session, self._terminal.say
        match answer:
            case "q":
                raise Stop
            case "r":
                if not session.repeat():
                    say("there is no step to repeat yet")
            case "b":
                if not session.back():
                    say("this is the first step")
            case "s":
                if not session.skip():
                    say("the unkeyed step cannot be skipped: all others need it")
            case _:
                return False
        return True

    def _quiet(self) -> Quiet:
        quiet = Quiet.of(self._file.points[self._session.done[0]])
        assert quiet is not None  # otherwise the step would not count as done
        return quiet

    # pairs

    def _measure(self, step: BenchStep, quiet: Quiet | None) -> SteadyReading | None:
        """Wait for the reading of a step; if there is none, state the reason and return None."""
        terminal, say = self._terminal, self._terminal.say
        watch = Watch(quiet, step.average_s(self._average_s) if quiet else UNKEYED_S, step.limit_s)
        if quiet:
            say("Key the transmitter.")
        outcome: SteadyReading | Trouble | None = None
        while outcome is None:
            if terminal.interactive and (line := terminal.line(0.0)) is not None:
                if not self._obey(line):
                    say("No key-down detected; try again.")
                return None
            block, has_notice = self._pairs.listen()
            if has_notice:
                say("Release the key; this step begins again.")
                return None
            if block is not None:
                outcome = watch.update(block)
                terminal.draw(*_forms(step, watch, quiet))
        if quiet:
            terminal.ring()
        if isinstance(outcome, SteadyReading):
            if quiet:
                say("Steady. Release the key.")
                self._pairs.wait_for_release(quiet)
            return outcome
        say(_explain(outcome, step, watch, quiet))
        if quiet:
            self._pairs.wait_for_release(quiet)
        return None


def _setup(step: BenchStep) -> str:
    """Return the connections of a step as text."""
    load = step.load
    if load.ohm == PARALLEL_OHM:
        what = "two dummy loads in parallel (a T piece)"
    elif load.ohm is not None:
        what = f"a {load.ohm:g} ohm resistor without inductance"
    elif load.line_deg:
        what = f"the dummy load behind a line of {load.line_deg:g} degrees"
    elif load.name:
        what = "the second dummy load"
    else:
        return SETUPS[step.condition]
    low = " Low power only, no amplifier." if load.ohm is not None else ""
    return f"Connect: transmitter on the transmitter port, {what} on the antenna port.{low}"


def _ports(step: BenchStep, reading: SteadyReading) -> list[tuple[str, Level]]:
    """Return name and level of both ports, the one that receives the full wave first."""
    ports = [("forward", reading.forward), ("reflected", reading.reflected)]
    return ports[::-1] if step.condition == "reversed" else ports


def _describe(step: BenchStep, reading: SteadyReading) -> str:
    ports = "; ".join(
        f"{name} {level.mean_v:.4f} V, noise {1e3 * level.sd_v:.2f} mV,"
        f" drift {1e3 * level.drift_v:+.2f} mV"
        for name, level in _ports(step, reading)
    )
    return f"{ports}; {reading.readings} readings in {reading.seconds:.1f} s"


def _forms(step: BenchStep, watch: Watch, quiet: Quiet | None) -> list[str]:
    """Return the progress line in several lengths, longest first."""
    if watch.keyed_s is None or (reading := watch.reading()) is None:
        forward, reflected = watch.latest_v or (0.0, 0.0)
        return [
            f"waiting  forward {forward:.4f} V  reflected {reflected:.4f} V",
            f"waiting {forward:.3f} V, {reflected:.3f} V",
        ]
    (name, level), (other_name, other) = _ports(step, reading)
    noise, drift = f"noise {1e3 * level.sd_v:.1f}", f"drift {1e3 * level.drift_v:+.1f} mV"
    middle = f"{watch.keyed_s:.1f} s  {name} {level.mean_v:.4f} V  {noise} mV  {drift}"
    return [
        f"{middle}  {other_name} {other.mean_v:.4f} V",
        middle,
        f"{watch.keyed_s:.1f} s {level.mean_v:.3f} V {noise} {drift}",
    ]


def _explain(trouble: Trouble, step: BenchStep, watch: Watch, quiet: Quiet | None) -> str:
    """Return the problem and its remedy as text."""
    match trouble:
        case Trouble.CLIPPED:
            return "Release the key: the converter is at the end of its range. Reduce the power."
        case Trouble.RELEASED:
            return "Released too soon; key again until you are asked to release the key."
        case Trouble.GAP:
            return "Release the key: pairs stopped arriving. Try again."
    reading = watch.reading()
    reason = (reading and unsteady(reading, quiet)) or "too few steady pairs"
    if quiet is None:
        return f"Not steady although nothing should be keyed: {reason}. Try again."
    return f"Release the key: {step.limit_s:g} s is long enough. Not steady: {reason}"
