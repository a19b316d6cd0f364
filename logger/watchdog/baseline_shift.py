"""Rule `baseline-shift`: transmissions on a channel sit at another level than they used to.

What is compared is the reflection coefficient of whole transmissions on the same channel (or within
0.2 % of frequency, or of all if neither is known), either way: a line that soaks up water hides
reflection. Directivity and calibration shift all of them alike and do not matter. Passed over are
transmissions whose own noise is above MOST_NOISE or that hardly settled, which tell too little, and
those above the limit of `high-swr`, which tells of them.

The model. A transmission reads baseline + scatter + noise. The noise stands in its interval; the
scatter is what this station does by itself (wind, temperature, powers, modes). It is learned for
each channel as a mean of squares about the baseline, of deviations cut at CAP standard deviations,
so that what is sought does not hide itself, beginning with a guess that counts for PRIOR_DAYS.
Transmissions that follow one another share most of it (one weather), so each counts for the time
since the one before on its channel, up to a day: twenty in an evening are told apart from noise,
but are one look at the weather. How much a day is like the one before is learned, too, as the
coefficient r of a first-order autoregression: of days that are, (1 + r) / (1 - r) tell as much as
one by itself. The first LEARN transmissions only teach.

Two tests, each for either side, on the deviation in standard deviations z:

- A CUSUM over days, S = max(0, S + w (z - K)) with z cut at CAP, so that no single transmission
  decides; w is the share of an independent day. It finds shifts of 2 and more within some days, or
  some weeks where weather or the season moves the readings slowly by as much.
- RUN transmissions in a row that are all beyond GROSS: a plain shift, within minutes.

False alarms. Half of `false_alarms_per_year` is for each test, shared evenly by the channels and
both sides, as if every channel were used on every day. With C channels and f a year, a CUSUM may
fail once in 4 * 365 C / f days; from memory (Siegmund), ARL = (exp(2 K b) - 2 K b - 1) / (2 K^2)
with b = h + 1.166 gives h, about 3.6 for C = 5, f = 1. GROSS is the normal quantile of
f / (4 * 365 C), about 3.6: as if the state of a day were one draw, and the RUN guarded against all
that passes quicker. Assumed is that days are nearly independent and near normal about the
baseline. A daily cycle is no matter: it stays under 1.5 deviations, hardly above K. A fortnight of
rain that is told apart from this station's usual weather is a shift.

The alarm is one for the station: raised by the first channel that shifts. Others may follow without
a word. It clears when every shifted channel is back (RUN transmissions in a row nearer to the old
level than to the new one), or has stood at the new level for ADOPT transmissions over ADOPT_DAYS
days on the air, and so has a new baseline with the old scatter. Repairs, adjustments and another
calibration clear it too, and all baselines begin anew with the first transmission after them.
"""

from __future__ import annotations

import math
from statistics import NormalDist, median

import msgspec

from logger.config import WatchdogOptions
from logger.reflection import COVERAGE, swr
from logger.rows import Transmission
from logger.watchdog.finding import Finding
from logger.watchdog.of_rows import channel_of, is_readable, rho_of

KIND = "baseline-shift"
SEVERITY = "warning"

MOST_NOISE = 0.01  # of rho
LEAST_SETTLED = 20  # pairs
MOST_CHANNELS = 40
DAY_NS = 86_400_000_000_000
DAYS_A_YEAR = 365.25

LEARN = 8
RUN = 4
RECENT = max(LEARN, RUN)
CAP = 3.0
K = 1.0
PRIOR_DAYS = 3.0
PRIOR_SD, PRIOR_SHARE = 0.01, 0.05  # the first guess of the scatter: of rho, and of its level
LEAST_SD = 0.004
PRIOR_ALIKE, PRIOR_ALIKE_DAYS, MOST_ALIKE = 0.5, 10.0, 0.95
LATER = 10  # days
LEAST_DAYS = 0.03  # what a transmission counts for at least when the baseline is learned
MOST_DAYS = 200.0  # beyond that the oldest fades
ADOPT = 50
ADOPT_DAYS = 7.0


class Level(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """What is known of a channel; reflection coefficients.

    mean, days, squares  the baseline, the weight behind it, the weighted sum of squares about it
    count, recent         transmissions so far, and the latest of them
    last_ns               start of the latest
    high, low             both CUSUMs
    day, day_share        the weighted sum of z since the last day that was full, and its weight
    latest                mean z of the latest full days, from which likeness is not learned yet
    full, alike, all_days  of those before: how many, products of two in a row, squares
    beyond                how many in a row are beyond GROSS, negative below the baseline
    away                  the level it has shifted to
    back, stood, stood_days  since then: how many in a row are back, how many and how long in all
    """

    mean: float = 0.0
    days: float = 0.0
    squares: float = 0.0
    count: int = 0
    recent: list[float] = []
    last_ns: int = 0
    high: float = 0.0
    low: float = 0.0
    day: float = 0.0
    day_share: float = 0.0
    latest: list[float] = []
    full: float = 0.0
    alike: float = 0.0
    all_days: float = 0.0
    beyond: int = 0
    away: float | None = None
    back: int = 0
    stood: int = 0
    stood_days: float = 0.0


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Levels by channel, since the last work and by one calibration."""

    levels: dict[str, Level] = {}
    work_ns: int = 0
    calibration_id: str = ""


def rule(options: WatchdogOptions, memory: Memory, *, active: bool) -> BaselineShift:
    """The rule's state machine; `active` if an alarm of it is open from before."""
    return BaselineShift(
        options.baseline_shift.false_alarms_per_year,
        options.high_swr.limit,
        memory,
        active=active,
    )


class BaselineShift:
    """Feeds on transmissions that have ended; those above `highest_swr` are not its matter."""

    takes = (Transmission,)

    def __init__(
        self, false_alarms_per_year: float, highest_swr: float, memory: Memory, *, active: bool
    ) -> None:
        self._rate = false_alarms_per_year
        self._highest_swr = highest_swr
        self._active = active
        self.memory = memory

    def row(self, row: Transmission, work_ns: int) -> list[Finding]:
        """Changes of state by one transmission."""
        why = self._begin_anew(row, work_ns)
        reading = _reading(row, self._highest_swr)
        raised = None if reading is None else self._judge(row, *reading)
        shifted = any(level.away is not None for level in self.memory.levels.values())
        if self._active and not shifted:
            self._active = False
            detail = why or "transmissions sit at their usual level again"
            return [Finding(row.end_ns, "cleared", None, None, detail)]
        if raised is None or self._active:
            return []
        self._active = True
        return [raised]

    def _begin_anew(self, row: Transmission, work_ns: int) -> str | None:
        """Forget all levels if they are no measure any more; why."""
        memory = self.memory
        worked = work_ns > memory.work_ns
        calibrated = memory.calibration_id not in ("", row.calibration_id)
        if worked or calibrated:
            self.memory = Memory()
        self.memory.work_ns = max(work_ns, memory.work_ns)
        self.memory.calibration_id = row.calibration_id
        if worked:
            return "the station was worked on: a new baseline begins"
        return "another calibration: a new baseline begins" if calibrated else None

    def _judge(self, row: Transmission, name: str, rho: float, noise: float) -> Finding | None:
        levels = self.memory.levels
        level = levels.pop(name, None) or Level()
        levels[name] = level  # the latest last
        if len(levels) > MOST_CHANNELS:
            del levels[next(iter(levels))]
        days = min(max((row.start_ns - level.last_ns) / DAY_NS, 0.0), 1.0)
        level.last_ns = row.start_ns
        level.count += 1
        level.recent = [*level.recent, rho][-RECENT:]
        if level.count <= LEARN:
            level.days += max(days, LEAST_DAYS)
            if level.count == LEARN:
                _start(level)
            return None
        sd = math.hypot(_scatter(level) * math.sqrt(1 + 1 / max(level.days, 1.0)), noise)
        if level.away is not None:
            self._shifted(name, level, rho, days)
            return None
        z = (rho - level.mean) / sd
        gross, height = _thresholds(self._rate, len(levels))
        cut = min(max(z, -CAP), CAP)
        look = days * _independent(level)
        level.high = max(0.0, level.high + look * (cut - K))
        level.low = max(0.0, level.low + look * (-cut - K))
        if abs(z) <= gross:
            level.beyond = 0
        else:
            side = 1 if z > 0 else -1
            level.beyond = side + (level.beyond if level.beyond * side > 0 else 0)
        if abs(level.beyond) >= RUN or max(level.high, level.low) > height:
            return _found(row, name, level)
        _learn(level, cut * sd, max(days, LEAST_DAYS))
        _liken(level, cut, days)
        return None

    def _shifted(self, name: str, level: Level, rho: float, days: float) -> None:
        """One more transmission on a channel that has shifted."""
        away = level.away
        assert away is not None
        level.back = level.back + 1 if abs(rho - level.mean) < abs(rho - away) else 0
        level.stood += 1
        level.away = away + (rho - away) / (RUN + level.stood)
        level.stood_days += days
        if level.back >= RUN:
            level.away = None
        elif level.stood >= ADOPT and level.stood_days >= ADOPT_DAYS:
            _adopt(level)


def _reading(row: Transmission, highest_swr: float) -> tuple[str, float, float] | None:
    """Channel, reflection coefficient and its standard deviation by noise; None if it tells too
    little."""
    low, high = row.swr_noise_low, row.swr_noise_high
    if row.swr is None or low is None or high is None or row.swr > highest_swr:
        return None
    if not is_readable(row) or row.settled_samples < LEAST_SETTLED:
        return None
    rho, rho_low, rho_high = map(rho_of, (row.swr, low, high))
    noise = max(rho_high - rho, rho - rho_low) / COVERAGE
    return None if noise > MOST_NOISE else (channel_of(row), rho, noise)


def _start(level: Level) -> None:
    """The first baseline, from the median and what lies about it."""
    level.mean = median(level.recent)
    spread = 1.4826 * median(abs(rho - level.mean) for rho in level.recent)
    level.squares = level.days * spread**2


def _scatter(level: Level) -> float:
    """The standard deviation of one transmission about the baseline but for its noise."""
    guess = PRIOR_SD + PRIOR_SHARE * level.mean
    squares = PRIOR_DAYS * guess**2 + level.squares
    return max(LEAST_SD, math.sqrt(squares / (PRIOR_DAYS + level.days)))


def _learn(level: Level, deviation: float, days: float) -> None:
    """Let the baseline follow a transmission, which counts for some days."""
    fade = min(1.0, MOST_DAYS / (level.days + days))
    level.days = (level.days + days) * fade
    step = days / level.days * deviation
    level.mean += step
    level.squares = (level.squares + days * deviation * (deviation - step)) * fade


def _liken(level: Level, z: float, days: float) -> None:
    """Learn how much one day is like the one before, LATER than the days, lest a shift looks like
    weather that lasts."""
    level.day += days * z
    level.day_share += days
    if level.day_share < 1:
        return
    level.latest = [*level.latest, level.day / level.day_share]
    level.day = level.day_share = 0.0
    if len(level.latest) <= LATER:
        return
    one, after, *_ = level.latest
    del level.latest[0]
    fade = 1 - 1 / MOST_DAYS
    level.full = level.full * fade + 1
    level.alike = level.alike * fade + one * after
    level.all_days = level.all_days * fade + one**2


def _independent(level: Level) -> float:
    """For how many independent days a day counts, if they follow a first-order autoregression."""
    seen = level.alike / level.all_days if level.all_days else 0.0
    alike = PRIOR_ALIKE * PRIOR_ALIKE_DAYS + seen * level.full
    alike = min(max(alike / (PRIOR_ALIKE_DAYS + level.full), 0.0), MOST_ALIKE)
    return (1 - alike) / (1 + alike)


def _adopt(level: Level) -> None:
    """The level it has shifted to is the usual one now; its scatter is what it was."""
    assert level.away is not None
    fade = min(1.0, ADOPT_DAYS / level.days)
    level.mean, level.away = level.away, None
    level.days *= fade
    level.squares *= fade


def _thresholds(rate: float, channels: int) -> tuple[float, float]:
    """GROSS and the height of the CUSUMs."""
    looks = 4 * DAYS_A_YEAR * channels / rate
    gross = -NormalDist().inv_cdf(min(1 / looks, 0.02))
    exponent = 1.0
    for _ in range(20):  # 2 K b, by iteration
        exponent = math.log(2 * K**2 * max(looks, 50.0) + 1 + exponent)
    return gross, exponent / (2 * K) - 1.166


def _found(row: Transmission, name: str, level: Level) -> Finding:
    """The channel has shifted: remember where to, and say it."""
    scatter = _scatter(level)
    level.away = median(level.recent[-RUN:])
    level.high = level.low = level.day = level.day_share = 0.0
    level.latest = []
    level.beyond = level.back = level.stood = 0
    level.stood_days = 0.0
    before = _interval(level.mean, scatter / math.sqrt(max(level.days, 1.0)))
    now = _interval(level.away, scatter / math.sqrt(RUN))
    detail = f"SWR {before} before, now {now} in the last {RUN} transmissions on {name}"
    return Finding(row.end_ns, "raised", float(swr(level.away)), None, detail)


def _interval(rho: float, sd: float) -> str:
    value, low, high = (
        float(swr(each)) for each in (rho, rho - COVERAGE * sd, rho + COVERAGE * sd)
    )
    return f"{value:.2f} ({low:.2f} to {high:.2f})"
