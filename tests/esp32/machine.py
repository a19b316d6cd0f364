"""A stand-in for the hardware of an ESP32 as MicroPython shows it: ADC readings by pin."""

VOLTS_UV = {34: 1_250_000, 35: 375_000}


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin, atten):
        assert atten == ADC.ATTN_11DB
        self._pin = pin.number

    def read_uv(self):
        return VOLTS_UV[self._pin]


class WDT:
    def __init__(self, timeout):
        assert timeout > 0

    def feed(self):
        pass
