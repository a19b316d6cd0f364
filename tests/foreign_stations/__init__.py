"""Records of stations by formulas that are not the product's, for testing the product.

Physics of a small station from first principles: envelope, load, bad contacts, foreign signals,
coupler, diode detectors, converter. What comes out is what a bridge prints, with the truth beside
it. Everything is deterministic by seed. Times inside a record are seconds from its `start_ns`.

    station = draw_station(7, rate_hz=500.0)
    overs = [Over(10.0, 20.0, "ssb", power_w=4.0), Over(60.0, 8.0, "fm", power_w=4.0)]
    record = render(station, overs, [Open(65.0, 0.08)], seed=1)
    coupler_file = fit_calibration(station, folder)       # by the product's own fit
    for block in blocks(station, record): ...             # what a driver would give

Weeks with a fault: `for record in history("loose-plug", seed=5): ...`; the causes are FAULTS and
SOUND. A day can be had by itself, `history(...).day(9)`, and is the same whatever was read before.
The idle rest of a day is thinned to a pair every `idle_s` (1 s); around overs and foreign signals
(3 s before, 5 s after) the stream has the bridge's rate. `render(..., span_s=(0, 60), idle_s=0)`
gives a whole span at that rate.
"""

from tests.foreign_stations.contact import Open, draw_burst
from tests.foreign_stations.converter import Converter
from tests.foreign_stations.coupler import Coupler
from tests.foreign_stations.detector import Detector
from tests.foreign_stations.envelope import Over
from tests.foreign_stations.feed import bench_points, blocks, fit_calibration, write_points
from tests.foreign_stations.history import FAULTS, SOUND, History, history
from tests.foreign_stations.intruder import Intruder
from tests.foreign_stations.load import Load
from tests.foreign_stations.record import EPOCH_NS, Record, Truth
from tests.foreign_stations.render import Condition, render
from tests.foreign_stations.station import Station, draw_converter, draw_station

__all__ = [
    "EPOCH_NS",
    "FAULTS",
    "SOUND",
    "Condition",
    "Converter",
    "Coupler",
    "Detector",
    "History",
    "Intruder",
    "Load",
    "Open",
    "Over",
    "Record",
    "Station",
    "Truth",
    "bench_points",
    "blocks",
    "draw_burst",
    "draw_converter",
    "draw_station",
    "fit_calibration",
    "history",
    "render",
    "write_points",
]
