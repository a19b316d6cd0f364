"""A stand-in for the hardware of the RP2040 as MicroPython shows it, for the bridge's main.py.

The board's time is its own: it goes on when the firmware idles, converts or asks for it, and is
never ahead of real time, so that a busy machine makes the board slow and nothing is lost. Timer
callbacks run as hard interrupts do, with the heap locked. Lines on the descriptor BOARD_WORDS:
"volts FORWARD_MV REFLECTED_MV", "ptt 0|1", "supply MV" (at the pin), "chip MV" (of the sensor),
"stall" (the timer stops). Lines on BOARD_REPORTS: "<us> inhibit 0|1", "<us> volts F R",
"<us> watchdog 0" when that ends the process. BOARD_RESET is the cause of the reset.
"""

import os
import select
import sys

import micropython

_builtin = sys.path[:]
sys.path.clear()
import time as _real  # the interpreter's own

sys.path.extend(_builtin)

PWRON_RESET, WDT_RESET = 1, 3
CONVERSION_US = 4
START_US = (1 << 30) - 300_000  # so that the counter soon wraps

_words = open(int(os.getenv("BOARD_WORDS")), "rb")
_reports = open(int(os.getenv("BOARD_REPORTS")), "wb")
_poll = select.poll()
_poll.register(_words, select.POLLIN)
_mv = {26: 0, 27: 0, 29: 0, 4: 706}
_levels = {14: 1, 22: int(os.getenv("BOARD_SERVICE", "1"))}
_timers = []
_board = {"us": 0, "masked": 0, "in_interrupt": 0, "locked": False, "fed_us": None, "stalled": 0}
_began_ms = _real.ticks_ms()


def _report(what, value):
    _reports.write("{} {} {}\n".format(_board["us"], what, value).encode())


def now_us(passes_us):
    """The board's counter, after so many µs more."""
    _board["us"] += passes_us
    if not _board["in_interrupt"]:
        _interrupts()
    return (START_US + _board["us"]) & ((1 << 30) - 1)


def _interrupts():
    if _board["masked"]:
        return
    for timer in _timers:
        if timer.next_us is not None and timer.next_us <= _board["us"]:
            timer.next_us += timer.period_us
            _board["in_interrupt"] = 1
            if timer.hard:
                micropython.heap_lock()
            _board["locked"] = timer.hard
            timer.callback(timer)
            _board["locked"] = False
            if timer.hard:
                micropython.heap_unlock()
            _board["in_interrupt"] = 0


def _obey():
    while any(_poll.ipoll(0)):
        words = _words.readline().decode().split()
        if not words:
            sys.exit(0)
        if words[0] == "volts":
            _mv[26], _mv[27] = int(words[1]), int(words[2])
            _report("volts", " ".join(words[1:]))
        elif words[0] == "ptt":
            _levels[14] = 1 - int(words[1])
        elif words[0] == "supply":
            _mv[29] = int(words[1])
        elif words[0] == "chip":
            _mv[4] = int(words[1])
        elif words[0] == "stall":
            _board["stalled"] = 1


def idle():
    """To the next interrupt, or for a millisecond."""
    _obey()
    due = [timer.next_us for timer in _timers if timer.next_us is not None]
    due.append(_board["us"] + 1000)
    wake_us = min(due)
    if _board["stalled"]:
        for timer in _timers:
            timer.next_us = None
    ahead_ms = wake_us // 1000 - _real.ticks_diff(_real.ticks_ms(), _began_ms)
    if ahead_ms > 0:
        _real.sleep_ms(ahead_ms)
    _board["us"] = max(_board["us"], wake_us)
    _interrupts()
    fed_us = _board["fed_us"]
    if fed_us is not None and _board["us"] - fed_us > 1000 * _board["watchdog_ms"]:
        _report("watchdog", 0)
        sys.exit(0)


def disable_irq():
    before = _board["masked"]
    _board["masked"] = 1
    return before


def enable_irq(state):
    _board["masked"] = state
    now_us(0)


def reset_cause():
    return int(os.getenv("BOARD_RESET"))


class Pin:
    IN, OUT, PULL_UP = 0, 1, 1

    def __init__(self, number, mode=IN, pull=None, value=None):
        self.number = number
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is None:
            return _levels[self.number]
        locked = _board["locked"]
        if locked:  # reports need memory, as the pin does not
            micropython.heap_unlock()
        if _levels.get(self.number) != level:
            _levels[self.number] = level
            _report("inhibit", int(level))
        if locked:
            micropython.heap_lock()
        return None


class ADC:
    """Twelve bits of 3.3 V, spread over sixteen as the real one's are."""

    def __init__(self, input_):
        self.input = input_.number if isinstance(input_, Pin) else input_

    def read_u16(self):
        if _timers and not (_board["in_interrupt"] or _board["masked"]):
            raise RuntimeError("an interrupt could change the input while this one is read")
        now_us(CONVERSION_US)
        code = min(4095, _mv[self.input] * 4095 // 3300)
        return code << 4 | code >> 8


class Timer:
    PERIODIC = 1

    def __init__(self):
        self.next_us = None

    def init(self, mode, period, tick_hz, callback, **hard):
        if hard and os.getenv("BOARD_OLD"):
            raise TypeError("extra keyword arguments given")
        self.hard = hard.get("hard", False)
        self.period_us = period * 1_000_000 // tick_hz
        self.callback = callback
        self.next_us = _board["us"] + self.period_us
        if self not in _timers:
            _timers.append(self)

    def deinit(self):
        self.next_us = None


class WDT:
    def __init__(self, timeout):
        _board["watchdog_ms"] = timeout
        self.feed()

    def feed(self):
        _board["fed_us"] = _board["us"]
