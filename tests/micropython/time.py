"""The board's `time`: that of the stand-in for its hardware, with the range of a 32-bit board."""

import machine

HALF = 1 << 29


def ticks_us():
    return machine.now_us(1)


def ticks_add(ticks, step):
    return (ticks + step) & (2 * HALF - 1)


def ticks_diff(after, before):
    return ((after - before + HALF) & (2 * HALF - 1)) - HALF
