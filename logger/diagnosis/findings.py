"""Statements from the evidence, each with a degree and its words.

A finding has a degree of 0 to 1, or None if not known. Degrees rise over a narrow range of a test
statistic, so that a value just beyond a limit does not decide. The words state what was measured,
for people.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.diagnosis.evidence import ChannelEvidence, Evidence, Measure
from logger.physics.reflection import swr
from logger.wording import count

CHANGED_Z = 3.9  # of one channel among several
HELD_Z = 3.0
LEAST_RHO = 0.02
ONE_FACTOR = 0.15  # by which the effect of a detector's loss may vary with power
LEAST_EXCURSIONS = 3
ONE_CHANNEL = 0.65  # degree to which a single channel separates a lost gain from an improved load
GONE = 1.6  # ln of the loss beyond which chance improvement of the load is excluded
NOISY_LN = 0.8
POWER_SD = 0.035  # of half of ln of a change of power, from load and mode
LEAST_LOOKED, LEAST_UNKEYED = 3, 0.9  # pieces of the archive, and the share with the key up
LEAST_FOREIGN = 2  # pieces of the archive with a signal while the key was up
DRIFTS_Z, DRIFTS_SHARE = 3.0, 0.67  # limits above the larger drifts of a windy week
ALIKE = 0.25  # share of a change of SWR by which channels that moved alike may differ
SEASON_SWR_A_DAY = 0.007  # twice the steepest slope of a season of +-0.2 SWR
SUDDEN_SHACK = 12.0  # ln of the likelihood ratio of a sudden change, too much for a shack's
THERMAL_SHARE = 0.25  # degree of a change from which temperature is a rival cause
THERMAL_LN = -1.0  # of the likelihood ratio for a change of temperature against one of the load
A_CHANGE = 0.35  # of rho: must have been detectable before "nothing changed" is stated


class EvidenceFinding(NamedTuple):
    """A statement: `degree` (None: not known), and `words` for the observation."""

    name: str
    degree: float | None
    words: str


def _degree(statistic: float, limit: float, width: float) -> float:
    """Return 0.5 at the limit, 0.95 three widths beyond."""
    return 1 / (1 + math.exp(-max(min((statistic - limit) / width, 30.0), -30.0)))


def findings(evidence: Evidence) -> dict[str, EvidenceFinding]:
    """Return all statements by name."""
    statements: dict[str, Callable[[Evidence], tuple[float | None, str]]] = {
        "excursions": _excursions,
        "full": _full,
        "heats": _heating,
        "lone": _lone,
        "spread": _spread,
        "soaks": _soaking,
        "creeps": _slow_change,
        "seasonal": _seasonal,
        "thermal": _thermal,
        "shrunk": _shrinkage,
        "power": _power,
        "compensated": _compensation,
        "zero": _zero,
        "noisy": _noisy,
        "still": _still,
        "impossible": _impossible,
        "unreleased": _unreleased,
    }
    return {name: EvidenceFinding(name, *find(evidence)) for name, find in statements.items()}


def moved(evidence: Evidence) -> tuple[ChannelEvidence, ...]:
    """Return the channels whose reflection changed significantly."""
    return tuple(channel for channel in evidence.channels if abs(channel.change.z) >= CHANGED_Z)


def sees(evidence: Evidence) -> bool:
    """True if a large change of the reflection would have been detected on some channel."""
    return any(HELD_Z * c.change.sd < A_CHANGE * c.before for c in evidence.channels)


def _share(evidence: Evidence) -> float:
    """Return the degree to which channels moved: one significantly, or all of them together."""
    z = np.array([c.change.z for c in evidence.channels])
    if not len(z):
        return 0.0
    together = _degree(float(np.sqrt(np.mean(z**2))), 3.0, 0.2) if len(z) > 1 else 0.0
    return max(together, _degree(float(np.abs(z).max()), CHANGED_Z, 0.4))


def _swr(rho: float) -> str:
    ratio = float(swr(min(rho, 0.98)))
    return f"{ratio:.2f}" if ratio < 10 else "over 10"


def _title(channel: ChannelEvidence) -> str:
    if channel.name == "all":
        return "all channels"
    return f"channel {channel.name}" if channel.name.isdigit() else channel.name


def _moves(channels: tuple[ChannelEvidence, ...]) -> str:
    return ", ".join(f"{_title(channel)} {_move(channel)}" for channel in channels)


def _move(channel: ChannelEvidence) -> str:
    return f"from {_swr(channel.before)} to {_swr(channel.after)}"


def _excursions(evidence: Evidence) -> tuple[float | None, str]:
    before, after = evidence.excursions
    if evidence.excursion_lift is None:
        return (
            None,
            "too little time on the air to count short excursions of the reflection",
        )
    if not after:
        return 0.0, "no short excursions of the reflection"
    words = f"{count(after, 'short excursion')} of the reflection"
    words += f" in {_hours(evidence.hours[1])} on the air"
    words += f", {before} in the {_hours(evidence.hours[0])} before"
    if evidence.depth is not None:
        peak, beside = evidence.depth
        words += f"; typically from SWR {beside:.1f} to {min(peak, 99):.1f}"
    enough = _degree(after, LEAST_EXCURSIONS, 0.5)
    return min(enough, _degree(evidence.excursion_lift, 6.0, 1.0)), words


def _hours(hours: float) -> str:
    return f"{60 * hours:.0f} min" if hours < 2 else f"{hours:.0f} h"


def _full(evidence: Evidence) -> tuple[float | None, str]:
    if evidence.full is None:
        if evidence.alarm_swr is None or evidence.alarm_swr < 10:
            return None, "no transmission completed since the onset shows the reflection"
        return 0.7, f"the reflection reached SWR {min(evidence.alarm_swr, 99):.0f}"
    share = f"{100 * evidence.full:.0f} % of the transmissions since the onset"
    if evidence.full >= 0.5:
        return _degree(evidence.full, 0.75, 0.06), f"nearly all power comes back in {share}"
    return _degree(evidence.full, 0.75, 0.06), f"nearly all power comes back in at most {share}"


def _heating(evidence: Evidence) -> tuple[float | None, str]:
    drift = evidence.drift
    if drift is None:
        return None, "too few long key-downs to see whether reflection changes as joints warm up"
    sure = _degree(drift.z, DRIFTS_Z, 0.2) * _degree(drift.share, DRIFTS_SHARE, 0.015)
    if sure >= 0.5:
        return sure, (
            "reflection drifts while the key is down and recovers by the next key-down, more than"
            " before"
        )
    return sure, "reflection does not drift while the key is down"


def _lone(evidence: Evidence) -> tuple[float | None, str]:
    """Signal from outside: one channel alone reads more, or a signal is read with the key up."""
    signal, alone = _heard(evidence), _alone(evidence)
    return signal if (signal[0] or 0.0) > (alone[0] or 0.0) else alone


def _heard(evidence: Evidence) -> tuple[float | None, str]:
    before, after = evidence.foreign
    if not after:
        return None, ""
    usual = (before + 0.5) / (evidence.unkeyed[0] + 1) * evidence.unkeyed[1]
    lift = after * math.log(after / usual) - (after - usual) if after > usual else 0.0
    sure = _degree(after, LEAST_FOREIGN - 0.5, 0.15) * _degree(lift, 2.0, 0.3)
    return sure, (
        f"the reflected port reads a signal while the key is up: in {after} of"
        f" {evidence.unkeyed[1]} samples since the onset, in {before} of {evidence.unkeyed[0]}"
        " before"
    )


def _alone(evidence: Evidence) -> tuple[float | None, str]:
    order = sorted(evidence.channels, key=lambda c: -c.change.z)
    order = [c for c in order if c.group == order[0].group]  # other antennas and bands tell nothing
    if len(order) < 2:
        return None, "only one channel is in use, so channels cannot be compared"
    first, others = order[0], order[1:]
    # A signal from outside varies while the key is down.
    wander = 1.0 if first.wander is None else max(first.wander, 0.5)
    rises = _degree(first.change.z + 1.5 * math.log(wander), CHANGED_Z, 0.4)
    ratio = max(abs(c.change.value) for c in others) / max(first.change.value, 1e-9)
    held = 1 - _degree(ratio, 0.33, 0.04)
    held *= 1.0 if len(others) >= 2 else 0.6
    sure = rises * held
    if first.wander is not None:
        sure *= 0.5 + 0.5 * _degree(first.wander, 1.6, 0.15)
    if sure >= 0.5:
        words = f"only {_title(first)} reads more (SWR {_move(first)}), the others as before"
        if first.wander is not None and first.wander > 1.6:
            words += "; it varies within a key-down"
        return sure, words
    return sure, "no single channel stands out"


def _parts(evidence: Evidence) -> tuple[float, float, float]:
    """Return three degrees: moved channels fell; one factor explains all; the change was slow."""
    channels = evidence.channels
    fell = sum(c.change.z for c in channels if c.change.value < 0)
    rose = sum(c.change.z for c in channels if c.change.value > 0)
    falls = _degree(-fell / max(rose - fell, 1e-9), 0.75, 0.06)
    factor = _factor([c for c in channels if c.before > LEAST_RHO])
    slow = 0.0 if evidence.slow is None else _degree(evidence.slow, 1.6, 0.4)
    return falls, factor, slow


def _factor(channels: Sequence[ChannelEvidence]) -> float:
    """Return the degree to which a lost gain of a detector explains the change of channels.

    It takes the same factor of all, a changed load about the same amount: where both fit, as on a
    single channel, the size of a likely loss decides.
    """
    if not channels:
        return 0.0
    ln = np.array([math.log(max(c.after, 0.003) / c.before) for c in channels])
    doubt = np.array([c.change.sd for c in channels])
    level = np.array([max(min(c.before, c.after), 0.01) for c in channels])
    loss = -float(np.mean(ln))
    likely = ONE_CHANNEL * _degree(loss, 0.12, 0.02) * (1 - _degree(loss, 0.7, 0.1))
    likely = max(likely, _degree(loss, GONE, 0.1))
    if len(channels) == 1:
        return likely
    spread = np.hypot(doubt / level, 0.03)
    mean = float(np.average(ln, weights=1 / spread**2))
    alike = 1 - _degree(
        _chi(ln, np.hypot(spread, ONE_FACTOR * abs(mean))) / (len(ln) - 1), 4.0, 0.6
    )
    alike *= _degree(abs(mean), 0.15, 0.03)
    amounts = np.array([c.change.value for c in channels])
    is_factor = _degree(_chi(amounts, spread * level) - _chi(ln, spread), 1.5, 0.3)
    return alike * (is_factor + (1 - is_factor) * likely)


def _chi(changes: Floats, doubt: Floats) -> float:
    """Return chi-square of changes (n,) about their mean; `doubt` (n,) are standard deviations."""
    mean = np.average(changes, weights=1 / doubt**2)
    return float((((changes - mean) / doubt) ** 2).sum())


def _spread(evidence: Evidence) -> tuple[float | None, str]:
    if not evidence.channels:
        return None, "reflection before and after cannot be compared on any channel"
    if evidence.full is not None and evidence.full > 0.9:
        return None, "all channels reflect nearly everything"
    falls, factor, slow = _parts(evidence)
    if _creeping(evidence) >= 0.5:
        return None, "the change was not sudden"
    of_the_meter = factor * max(falls, _compensation(evidence)[0] or 0.0)
    sure = _share(evidence) * (1 - of_the_meter) * (1 - slow * falls)
    channels = moved(evidence)
    if sure >= 0.5:
        words = "the level of one channel changed" if len(channels) == 1 else "the level changed"
        if len(channels) > 1:
            words = f"the levels of the channels changed{_amounts(channels)}"
        return sure, f"{words} (SWR: {_moves(channels or evidence.channels)})" + _tilt(evidence)
    if channels:
        return sure, f"channels did not move apart (SWR: {_moves(channels)})"
    return sure, "no channel is at a new level"


def _amounts(channels: tuple[ChannelEvidence, ...]) -> str:
    """Describe if channels moved alike, by their change of SWR."""
    order = sorted(channels, key=_rise_swr)
    least, most = _rise_swr(order[0]), _rise_swr(order[-1])
    if least < 0 < most:
        return ", some up and some down"
    doubt = math.hypot(*(HELD_Z * _swr_per_rho(c) * c.change.sd for c in (order[0], order[-1])))
    alike = most - least <= max(doubt, ALIKE * max(abs(least), abs(most)))
    return " by about the same amount" if alike else " by different amounts"


def _swr_per_rho(channel: ChannelEvidence) -> float:
    return 2 / (1 - min(max(channel.before, channel.after), 0.98)) ** 2


def _rise_swr(channel: ChannelEvidence) -> float:
    return float(swr(min(channel.after, 0.98))) - float(swr(min(channel.before, 0.98)))


def _tilt(evidence: Evidence) -> str:
    """Describe the length of the antenna indicated by the ends of the band."""
    most = max(evidence.channels, key=lambda c: abs(c.change.z))
    own = [c for c in evidence.channels if c.group == most.group and c.number is not None]
    numbered = sorted(own, key=lambda c: c.number or 0)
    if len(numbered) < 2:
        return ""
    low, high = numbered[0], numbered[-1]
    doubt = math.hypot(low.change.sd, high.change.sd)
    if abs(high.after - low.after) < HELD_Z * doubt:
        return ""
    if high.after > low.after:
        return "; now the low channels are the better ones, as with an element that is too long"
    return "; now the high channels are the better ones, as with an element that is too short"


def _soaking(evidence: Evidence) -> tuple[float | None, str]:
    if not evidence.channels:
        return None, "reflection before and after cannot be compared on any channel"
    if evidence.slow is None and _share(evidence) > 0.2:
        return None, "too few days since the onset to tell a slow change from a sudden one"
    if _creeping(evidence) >= 0.5:
        return None, "not all channels fall"
    falls, _, slow = _parts(evidence)
    sure = _share(evidence) * slow * falls
    if sure >= 0.5:
        return sure, f"reflection falls day by day (SWR: {_moves(moved(evidence))})"
    if _share(evidence) < 0.5:
        return sure, "reflection does not fall from day to day"
    return sure, "reflection did not fall slowly"


def _creeping(evidence: Evidence) -> float:
    """Return the degree to which reflection changes slowly, and not only downwards."""
    if not evidence.channels:
        return 0.0
    falls, _, slow = _parts(evidence)
    return _share(evidence) * slow * (1 - falls)


def _slow_change(evidence: Evidence) -> tuple[float | None, str]:
    sure = _creeping(evidence)
    if sure >= 0.5:
        return sure, (
            f"reflection changes from day to day (SWR: {_moves(moved(evidence))}): water in the"
            " line and an element that slides look alike"
        )
    return (None if evidence.slow is None else sure), "reflection rises slowly on no channel"


def _seasonal(evidence: Evidence) -> tuple[float | None, str]:
    """Small gradual change of reflection, on channels with less than a year of readings."""
    if not evidence.channels:
        return None, "reflection before and after cannot be compared on any channel"
    if any(c.has_year for c in evidence.channels):
        return 0.0, "there is more than a year of readings, and the season is known"
    if evidence.slow is None:
        return None, "too few days since the onset to tell a slow change from a sudden one"
    rate = max(abs(_rise_swr(c)) / max(c.days, 1.0) for c in evidence.channels)
    gradual = 1 - _degree(-evidence.slow, 1.6, 0.4)
    sure = _share(evidence) * gradual * (1 - _degree(rate, SEASON_SWR_A_DAY, 0.001))
    if sure >= 0.5:
        return sure, (
            f"reflection changes slightly and gradually (SWR: {_moves(moved(evidence))}), and less"
            " than a year of readings cannot distinguish that from a season"
        )
    return sure, "reflection does not change as slowly and slightly as with the seasons"


def _thermal(evidence: Evidence) -> tuple[float | None, str]:
    """Change that one change of the shack's temperature explains, by its effect on the diodes."""
    fit = evidence.thermal
    if fit is None:
        return None, "the calibration does not tell how readings depend on the shack's temperature"
    if evidence.slow is None:
        return None, "too few days since the onset to tell a slow change from a sudden one"
    sure = _degree(_share(evidence), THERMAL_SHARE, 0.05) * _degree(fit.lift, THERMAL_LN, 0.4)
    sure *= 1 - _degree(-evidence.slow, SUDDEN_SHACK, 2.0)
    if sure >= 0.5 and fit.balance_db is not None:
        words = f"a coupler whose balance drifted by {fit.balance_db:+.2f} dB would explain it"
        return sure, f"{words}: `mismatchd verify` tells"
    if sure >= 0.5:
        words = f"a shack {abs(fit.warmer_c):.0f} °C {'warmer' if fit.warmer_c > 0 else 'colder'}"
        words += " would explain the changed reading of the detectors"
        if fit.is_uneven:
            words += ": it changes most at low power"
        return sure, words
    return sure, "a change of the shack's temperature does not explain the readings"


def _shrinkage(evidence: Evidence) -> tuple[float | None, str]:
    if not evidence.channels:
        return None, "too few channels to compare"
    falls, factor, slow = _parts(evidence)
    sure = _share(evidence) * falls * factor * (1 - slow)
    if len(evidence.channels) == 1:
        if sure < 0.2:
            return None, "too few channels to compare"
        return sure, "the only channel in use suddenly reads less, at the same power"
    if sure >= 0.5:
        return sure, "all channels suddenly read less by the same factor, which no load can cause"
    return sure, "the channels did not all drop suddenly by the same factor"


def _powered(evidence: Evidence) -> float | None:
    if evidence.power is None or evidence.power_lift is None:
        return None
    return _degree(evidence.power_lift, 6.0, 1.0) * _degree(abs(evidence.power.value), 0.18, 0.03)


def _power(evidence: Evidence) -> tuple[float | None, str]:
    powered = _powered(evidence)
    if powered is None or evidence.power is None:
        return None, "too few transmissions to compare powers"
    quiet = _quiet(evidence)
    sure = powered if quiet is None else powered * quiet
    sure *= 1 - (_compensation(evidence)[0] or 0.0)
    factor = math.exp(evidence.power.value)
    if powered < 0.5:
        return sure, "incident power is as before"
    if sure >= 0.5:
        return sure, f"incident power is {factor:.2g} times what it was, at the same reflection"
    return sure, f"incident power reads {factor:.2g} times what it was, but reflection changed too"


def _quiet(evidence: Evidence) -> float | None:
    """Return the degree to which reflection is as before."""
    if not evidence.channels:
        return None
    worst = max(
        abs(c.change.value) / math.hypot(HELD_Z * c.change.sd, 0.12 * c.before + 0.015)
        for c in evidence.channels
    )
    return 1 - _degree(worst, 1.0, 0.12)


def _rise(evidence: Evidence) -> Measure | None:
    """Return the mean change of ln of the reflection over the channels.

    None if none can be compared.
    """
    channels = [c for c in evidence.channels if c.before > LEAST_RHO]
    if not channels:
        return None
    ln = np.array([math.log(max(c.after, 0.003) / c.before) for c in channels])
    sd = np.hypot([c.change.sd / max(min(c.before, c.after), LEAST_RHO) for c in channels], 0.01)
    weight = 1 / sd**2
    return Measure(float((ln * weight).sum() / weight.sum()), float(weight.sum() ** -0.5))


def _compensation(evidence: Evidence) -> tuple[float | None, str]:
    powered, rise = _powered(evidence), _rise(evidence)
    if powered is None or evidence.power is None or rise is None:
        return None, "too few transmissions to compare incident power with reflection"
    # A changed gain of the forward port raises reflection by half of the decibels of lost power.
    expected, sd = -evidence.power.value / 2, math.hypot(rise.sd, POWER_SD)
    lift = ((rise.value / sd) ** 2 - ((rise.value - expected) / sd) ** 2) / 2
    fits = 1 - _degree(abs(rise.value - expected) / sd, 3.5, 0.4)
    sure = powered * _degree(lift, 1.5, 0.5) * fits
    if sure >= 0.5:
        return sure, "incident watts changed and reflected watts did not, on every channel"
    return sure, "incident and reflected watts changed together or not at all"


def _by_port(measures: tuple[Measure | None, Measure | None]) -> list[tuple[str, Measure]]:
    ports = zip(("forward", "reflected"), measures, strict=True)
    return [(port, measure) for port, measure in ports if measure is not None]


def _zero(evidence: Evidence) -> tuple[float | None, str]:
    shifts = _by_port(evidence.zero)
    if not shifts:
        return None, "no unkeyed readings are stored from both before and after"
    side, shift = max(shifts, key=lambda pair: abs(pair[1].z))
    sure = _degree(abs(shift.z), 5.0, 0.6)
    if sure >= 0.5:
        moved_mv = f"{1e3 * shift.value:+.0f} mV"
        return sure, f"with the key up, the {side} reading has shifted by {moved_mv}"
    return sure, "with the key up, both ports read as before"


def _noisy(evidence: Evidence) -> tuple[float | None, str]:
    rises = _by_port(evidence.noise)
    if not rises:
        return None, "no unkeyed readings are stored from both before and after"
    side, rise = max(rises, key=lambda pair: pair[1].value)
    sure = _degree(rise.value, NOISY_LN, 0.1) * _degree(rise.z, 4.0, 0.4)
    if sure >= 0.5:
        factor = math.exp(rise.value)
        return sure, f"with the key up, the {side} port is {factor:.0f} times as noisy"
    return sure, "with the key up, both ports are as quiet as before"


def _still(evidence: Evidence) -> tuple[float | None, str]:
    if evidence.still:
        return 1.0, f"the {' and '.join(evidence.still)} reading has not moved since the onset"
    if not evidence.transmissions[1]:
        return None, "nobody has transmitted since the onset"
    return 0.0, "both readings move"


def _impossible(evidence: Evidence) -> tuple[float | None, str]:
    if evidence.impossible is None:
        return None, "nobody has transmitted since the onset"
    sure = _degree(evidence.impossible, 0.2, 0.03)
    if sure >= 0.5:
        return sure, "more power seems to come back than is sent, which no load can cause"
    return sure, "no transmission shows more power coming back than is sent"


def _unreleased(evidence: Evidence) -> tuple[float | None, str]:
    before, after = evidence.unkeyed
    looked_before, looked_after = evidence.looked
    # The archive must usually have shown the key up, and must contain pieces since.
    if before < LEAST_UNKEYED * looked_before or min(before, looked_after) < LEAST_LOOKED:
        return None, "too few unkeyed readings are stored"
    if after == 0:
        return 0.97, "the forward reading no longer returns to zero when the key is up"
    return 0.0, "the forward reading returns to zero when the key is up"
