"""A station from the physics, apart from the simulator and from the package, to judge detection.

    traffic    who keys when, on which channel, how strongly; carriers and speech
    line       antenna, line, the plug at its shack end
    detectors  coupler, diodes with their time constants, converter, hum
    faults     what can go wrong, by name and with random figures
    station    all of it together: pairs of volts, and the truth beside them
    calibrated a calibration file for the product, exact or fitted from bench points

Times are seconds from the start of the simulation unless named `_ns`.
"""

from __future__ import annotations

from tests.station_model.calibrated import exact, fitted
from tests.station_model.line import Antenna, Line, parallel, series
from tests.station_model.station import Record, Station, random_station
from tests.station_model.traffic import Open, Over, random_opens, random_traffic

__all__ = [
    "Antenna",
    "Line",
    "Open",
    "Over",
    "Record",
    "Station",
    "exact",
    "fitted",
    "parallel",
    "random_opens",
    "random_station",
    "random_traffic",
    "series",
]
