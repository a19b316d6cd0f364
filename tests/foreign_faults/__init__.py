"""Histories of a small fixed station with faults, transmission by transmission.

Weeks or a year of transmissions of an invented station: habits of people, weather, antenna, line,
coupler, detectors, and causes of trouble, all by formulas that the package does not use. Nothing is
simulated pair by pair: each transmission states what an instrument measures in it, with the truth
beside it. Everything is deterministic by seed.

    one_cause(seed)     one of CAUSES, by turns, after some sound weeks
    two_causes(seed)    two of different kinds, together or days apart; see `History.relation`
    sound(seed)         a year without a fault
    repaired(seed)      a cause, work noted in the journal, and 100 to 400 transmissions after it

    history = repaired(3)
    for over in history.overs:            # MeasuredOver, in time order
        over.start_ns, over.rho, over.excursions, over.seconds(), over.visible
    [(entry.time_ns, entry.outcome) for entry in history.journal]

An adaptor that makes rows of the product is to be a function such as

    def adapt(history: History) -> Iterator[Transmission | Second | Excursion | AlarmChange]

and takes measured facts from these fields (SWR is (1 + rho) / (1 - rho), 999 for rho >= 1):

    over.start_ns, end_ns, channel, frequency_khz    of the transmission
    over.rho, noise_rho            SWR of the settled part; noise: rho -+ 1.96 noise_rho
    history.station.directivity    |D|, for the bounds of the true SWR; gains err by 0.2 dB rms
    over.settled_pairs             pairs that `rho` is of; `history.station.pair_hz` a second
    over.forward_w_mean, ..._max, reflected_w_mean, ..._max    watts over the settled part
    over.held_rho, held_at_s       highest mean over a window of 50 ms; seconds since key-down of
                                   the window's end: SWR maximum, and when a limit was exceeded
    over.seconds()                 means by whole UTC second, the first and last shorter
    over.measure_quarters()        |Gamma| and incident watts by quarter-second since key-down
    over.excursions                departures from one pair to a second: time_ns, duration_ms,
                                   rho_peak, rho_before, rho_after; longer ones are in the quarters
    over.is_cut                    the bridge went away during it
    history.gaps                   when no pairs arrived: `AlarmChange` of no data, and its clearing
    history.carriers               another transmitter's signal while the key is up
    history.weather, journal       hourly weather; what people noted, `outcome` is truth

Truth: `over.active`, `visible` and `plain` are indices into `history.causes`. A sign is visible
where a cause by itself changes a reading by more than 5 standard deviations of noise and wind and
by more than 0.015 of |Gamma| (level), 0.01 (during a key-down), 0.05 (departure), or 0.7 dB of
incident power; it is plain at 2.5 times these. Causes without a plain sign in 6 transmissions are
redrawn, and so is work that failed without a plain sign in 3 transmissions after it: nobody could
know of them.
"""

from tests.foreign_faults.causes import CAUSES, Cause
from tests.foreign_faults.habits import Gap, Weather
from tests.foreign_faults.records import (
    Carrier,
    Excursion,
    History,
    JournalEntry,
    MeasuredOver,
    Quarters,
    Seconds,
)
from tests.foreign_faults.sets import one_cause, repaired, sound, two_causes
from tests.foreign_faults.station import Station

__all__ = [
    "CAUSES",
    "Carrier",
    "Cause",
    "Excursion",
    "Gap",
    "History",
    "JournalEntry",
    "MeasuredOver",
    "Quarters",
    "Seconds",
    "Station",
    "Weather",
    "one_cause",
    "repaired",
    "sound",
    "two_causes",
]
