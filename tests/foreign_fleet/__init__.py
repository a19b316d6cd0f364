"""A fleet of invented stations in the weather of one region, from physics; nothing of the package.

    fleet = make_fleet(seed=1, stations=200, days=550)
    station = fleet.stations[0]
    station.hour, station.channel, station.swr       # its transmissions, (n,)
    station.faults                                   # the truth: onset, kind, change by channel
    fleet.updates                                    # hours of changes that reach all stations
    station.is_bad_weather(hour)

`weather` has fronts that cross the region, with rain, wind, frost and ice. `physics` computes what
each station reads: an antenna (resistance, Q, resonance), an outdoor plug that takes up water and
dries, a line with loss and phase, a shack plug, a coupler. The SWR of a station therefore rises or
falls with rain, at once or days later, as its impedances happen to add. `stations` draws the
stations, their operators, clocks and faults. Each random part has a generator of its own, from the
seed, so that a longer or larger fleet is not another one.

The model was written, and its figures chosen, before the estimator that is measured with it.
"""

from tests.foreign_fleet.stations import Fault, Fleet, Station, make_fleet

__all__ = ["Fault", "Fleet", "Station", "make_fleet"]
