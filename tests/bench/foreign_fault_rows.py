"""Rows of the package from the histories of `tests/foreign_faults`, with the alarms of its rules.

`play` passes a history to the package's `Watchdog`, key-down by key-down, and returns what the
tracker of faults is then fed with. Rules of rows and quarters get all key-downs. Rules of pairs
(`high-swr`, `high-reflected-power`, and faults that show in pairs) get those in which reflection
comes near a limit or an alarm of theirs is open: pairs are drawn from the quarters, the excursions
and the noise that the history states. Within a quarter the power is constant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drivers.simulated.coupler import Adc, SimulatedCoupler
from logger.blocks import Floats, Noise, PowerBlock, Times
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.config.load import TransmissionOptions, WatchdogOptions
from logger.physics.reflection import COVERAGE, swr
from logger.rows import AlarmChange, AlarmKind, ChangeKind, Excursion, Row, SecondRows, Transmission
from logger.stages.keying import Keying, OwnPower, OwnPowerTracker
from logger.stages.quarters import QUARTER_NS, Quarters, SentPairs
from logger.stages.view import View, impossible_ratio
from logger.utc import DAY_NS
from logger.watchdog import Watchdog
from tests.foreign_faults import Gap, History, MeasuredOver
from tests.foreign_faults import Quarters as MeasuredQuarters
from tests.foreign_faults.bench import MAX_TO_MEAN
from tests.foreign_faults.habits import QUARTER_S, SETTLE_S

COUPLER = Coupler(calibration(SimulatedCoupler(), Adc()))
# Noise of both readings while nobody transmits; the views of key-downs state it, too.
AT_REST = Noise((0.002, 0.002), (0.0, 0.0))
HANG_NS = round(TransmissionOptions().hang_ms * 1e6)
MOST_PAIR_HZ = 500.0
NEAR_RHO, NEAR_W = 0.47, 1.8  # of held reflection; the limits are 0.5 and 2.0 W
GAIN_DB = 0.2  # rms error of a gain, for the bounds of the true SWR
WORK = ("repair", "adjustment")
OF_PAIRS = (AlarmKind.HIGH_SWR, AlarmKind.HIGH_REFLECTED_POWER, AlarmKind.DETECTOR_FAULT)
NO_PAIRS = SentPairs(*(np.empty(0, dtype) for dtype in [np.int64] + 4 * [np.float64]),
                     *(np.empty(0, np.bool_) for _ in range(3)), np.empty(0))  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """Rows that the tracker gets at once, up to the time `now_ns`."""

    rows: list[Row]
    now_ns: int


def play(history: History, sound_days: float = 60.0) -> list[Batch]:
    """Return the rows of a history with the changes of alarms, in order of time.

    The rules begin at most so many days before the first cause.
    """
    return list(Player(history).batches(first_onset_ns(history) - round(sound_days * DAY_NS)))


def first_onset_ns(history: History) -> int:
    """Return the time at which the first cause begins, or the history if it has none."""
    return min(
        (history.time_ns(cause.onset_s) for cause in history.causes), default=history.start_ns
    )


def work_times(history: History) -> list[int]:
    """Return the times of repairs and adjustments in the journal."""
    return [entry.time_ns for entry in history.journal if entry.kind in WORK]


@dataclass
class Player:
    """The rules of a station and the way to them."""

    history: History
    guard: Watchdog = field(default_factory=lambda: Watchdog(WatchdogOptions(), hang_ns=HANG_NS))
    open_kinds: set[AlarmKind] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.guard.know_work(work_times(self.history))
        self.keying = Keying(TransmissionOptions().min_forward_w, impossible_ratio(COUPLER))
        self.own = OwnPowerTracker(OwnPower())

    def batches(self, since_ns: int) -> Iterator[Batch]:
        """Yield key-downs and gaps from a time on, in order of time."""
        events: list[tuple[int, MeasuredOver | Gap]] = [
            (over.start_ns, over) for over in self.history.overs if over.start_ns >= since_ns
        ]
        events += [(self.history.time_ns(gap.begin_s), gap) for gap in self.history.gaps]
        self._see(idle_view(self.history.start_ns))
        for _, event in sorted(events, key=lambda pair: pair[0]):
            yield from self._gap(event) if isinstance(event, Gap) else self._over(event)

    def _gap(self, gap: Gap) -> Iterator[Batch]:
        begin_ns, end_ns = self.history.time_ns(gap.begin_s), self.history.time_ns(gap.end_s)
        self._see(idle_view(begin_ns - 10_000_000))
        yield self._batch([], self.guard.tick(end_ns), end_ns)
        view = idle_view(end_ns)
        yield self._batch([], self._see(view), int(view.block.time_ns[-1]))

    def _over(self, over: MeasuredOver) -> Iterator[Batch]:
        measured = over.measure_quarters()
        rho, forward_w = calm(over, measured)
        changes: list[AlarmChange] = []
        near = over.held_rho > NEAR_RHO or over.reflected_w_max > NEAR_W
        if near or self.open_kinds.intersection(OF_PAIRS):
            changes += self._see(self._pairs(over, rho, forward_w))
        rows: list[Row] = [second_rows(over), *excursion_rows(over)]
        rows.append(transmission_row(self.history, over))

        def start_at(time_ns: int) -> int | None:
            return over.start_ns if over.start_ns <= time_ns <= over.end_ns else None

        quarters = quarters_of(over, rho, forward_w)
        changes += self.guard.rows(rows, quarters, start_at)
        self.own.learn(transmission_row(self.history, over))
        yield self._batch(rows, changes, over.end_ns + HANG_NS)

    def _batch(self, rows: list[Row], changes: list[AlarmChange], now_ns: int) -> Batch:
        for change in sorted(changes, key=lambda change: change.time_ns):
            if change.change == ChangeKind.RAISED:
                self.open_kinds.add(change.kind)
            else:
                self.open_kinds.discard(change.kind)
        return Batch([*rows, *changes], now_ns)

    def _see(self, view: View) -> list[AlarmChange]:
        return self.guard.update(view, lambda _: None)

    def _pairs(self, over: MeasuredOver, rho: Floats, forward_w: Floats) -> View:
        """Draw the pairs of a key-down."""
        rng = np.random.default_rng([over.start_ns // 1_000_000_000, 1])
        hz = min(self.history.station.pair_hz, MOST_PAIR_HZ)
        inside = (np.arange(max(int(over.duration_s * hz), 4)) + 0.5) / hz
        quarter = np.minimum((inside / QUARTER_S).astype(int), len(rho) - 1)
        rho, forward_w = rho[quarter], forward_w[quarter]
        highest_w = over.reflected_w_max / MAX_TO_MEAN[over.mode]
        for excursion in over.excursions:
            begin_s = (excursion.time_ns - over.start_ns) / 1e9
            first = int(np.searchsorted(inside, begin_s))
            out = slice(first, first + max(round(excursion.duration_ms * hz / 1000), 1))
            rho[out] = excursion.rho_peak
            forward_w[out] = np.minimum(
                forward_w[out], highest_w / max(excursion.rho_peak, 0.1) ** 2
            )
        rho = np.abs(rho + over.pair_noise_rho * rng.standard_normal(len(rho)))
        time_ns = over.start_ns + np.round(inside * 1e9).astype(np.int64)
        return self._view(time_ns, forward_w, forward_w * rho**2, inside > SETTLE_S)

    def _view(
        self, time_ns: Times, forward_w: Floats, reflected_w: Floats, settled: Floats
    ) -> View:
        keyed, foreign = self.keying.update(forward_w, reflected_w, self.own.learned)
        block = PowerBlock(
            time_ns,
            COUPLER.forward.volts(forward_w),
            COUPLER.reflected.volts(reflected_w),
            forward_w,
            reflected_w,
            np.zeros(len(time_ns), np.uint8),
            np.asarray(settled, np.bool_),
            {},
        )
        return View(block, keyed, AT_REST, COUPLER, (1e-4, 1e-4), foreign, self.own.learned)


def idle_view(time_ns: int) -> View:
    """Pairs while nobody transmits."""
    times = time_ns + 10_000_000 * np.arange(2)
    zero, no = np.zeros(2), np.zeros(2, np.bool_)
    block = PowerBlock(times, zero, zero, zero, zero, np.zeros(2, np.uint8), ~no, {})
    return View(block, no, AT_REST, COUPLER, (1e-4, 1e-4), no)


def calm(over: MeasuredOver, measured: MeasuredQuarters) -> tuple[Floats, Floats]:
    """Return |Gamma| and watts of each quarter without its excursions."""
    rho = measured.rho.copy()
    for excursion in over.excursions:
        begin_s = (excursion.time_ns - over.start_ns) / 1e9
        end_s = begin_s + excursion.duration_ms / 1000
        rho[int(begin_s / QUARTER_S) : int(end_s / QUARTER_S) + 1] = excursion.rho_before
    return rho, measured.forward_w


def quarters_of(over: MeasuredOver, rho: Floats, forward_w: Floats) -> Quarters:
    """Return the levels of quarters: medians, which excursions of half a quarter move."""
    number = over.start_ns // QUARTER_NS + np.arange(len(rho))
    median = rho.copy()
    for excursion in over.excursions:
        begin_s = (excursion.time_ns - over.start_ns) / 1e9
        edges = QUARTER_S * np.arange(len(rho))
        end_s = begin_s + excursion.duration_ms / 1000
        shared = np.minimum(edges + QUARTER_S, end_s) - np.maximum(edges, begin_s)
        median[shared > QUARTER_S / 2] = excursion.rho_peak
    size = len(rho)
    return Quarters(
        number,
        np.full(size, over.start_ns),
        np.full(size, float(over.channel)),
        median**2,
        np.maximum(2 * median * over.quarter_noise_rho, 1e-9) ** 2,
        np.zeros(size),
        np.full(size, np.nan),
        np.zeros(size),
        forward_w,
        np.zeros(size + 1, np.int64),
        NO_PAIRS,
    )


def second_rows(over: MeasuredOver) -> SecondRows:
    """Return the rows of the seconds of a key-down."""
    seconds = over.seconds()
    noise = COVERAGE * over.quarter_noise_rho / 2
    middle, low, high = (swr(np.maximum(seconds.rho + off, 0.0)) for off in (0.0, -noise, noise))
    none = np.zeros(len(middle))
    count = np.full(len(middle), 100)
    figures = (seconds.forward_w, seconds.reflected_w, none, none, middle, low, high, low, high)
    return SecondRows(over.start_ns, seconds.time_ns, count, 0 * count, np.stack(figures))


def excursion_rows(over: MeasuredOver) -> list[Excursion]:
    """Return the rows of the excursions of a key-down."""
    return [
        Excursion(
            time_ns=excursion.time_ns,
            duration_ms=excursion.duration_ms,
            swr_peak=float(swr(excursion.rho_peak)),
            swr_beside=float(swr(excursion.rho_before)),
        )
        for excursion in over.excursions
    ]


def transmission_row(history: History, over: MeasuredOver) -> Transmission:
    """Return the row of a key-down that has ended."""
    noise = COVERAGE * over.noise_rho
    gain = COVERAGE * GAIN_DB * np.log(10) / 20 * over.rho
    error = float(np.hypot(history.station.directivity, gain))
    offsets = (0.0, -error, error, -noise, noise)
    figures = [float(swr(max(over.rho + offset, 0.0))) for offset in offsets]
    return Transmission(
        start_ns=over.start_ns,
        end_ns=over.end_ns,
        ended=True,
        samples=over.settled_pairs,
        forward_w_mean=over.forward_w_mean,
        forward_w_max=over.forward_w_max,
        reflected_w_mean=over.reflected_w_mean,
        reflected_w_max=over.reflected_w_max,
        swr=figures[0],
        swr_low=figures[1],
        swr_high=figures[2],
        swr_max=float(swr(over.held_rho)),
        energy_j=over.forward_w_mean * over.duration_s,
        channel=over.channel,
        frequency_khz=over.frequency_khz,
        calibration_id="foreign",
        flags=0,
        swr_noise_low=figures[3],
        swr_noise_high=figures[4],
        settled_samples=over.settled_pairs,
    )
