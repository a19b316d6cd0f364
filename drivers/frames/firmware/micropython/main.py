"""Bridge firmware for RP2040-class boards, in MicroPython: see PROTOCOL.md and WIRING.md.

It runs at start-up if it is named main.py on the board. The constants defined with `choice` can be
overridden in a file bridge_settings.py on the board.
"""

import array
import select
import struct
import sys
from time import ticks_add, ticks_diff, ticks_us

import machine
import micropython

try:
    import bridge_settings
except ImportError:
    bridge_settings = None


def choice(name, usual):
    return getattr(bridge_settings, name, usual)


NAME = choice("NAME", "micropython bridge 1")
FORWARD_PIN = choice("FORWARD_PIN", 26)
REFLECTED_PIN = choice("REFLECTED_PIN", 27)
INHIBIT_PIN = choice("INHIBIT_PIN", 15)
PTT_PIN = choice("PTT_PIN", 14)  # pressed when low
SERVICE_PIN = choice("SERVICE_PIN", 22)  # low at start-up: no bridge, but the board's prompt
REFERENCE_MV = choice("REFERENCE_MV", 3300)
SAFE_INHIBITS = choice("SAFE_INHIBITS", 0)  # 1: inhibits unless the host permits
INHIBIT_HIGH = choice("INHIBIT_HIGH", 1)  # 0: inhibits when the pin is low
SUPPLY_PIN = choice("SUPPLY_PIN", None)  # converter input that reads the supply through a divider
SUPPLY_RATIO = choice("SUPPLY_RATIO", 3)

VERSION = 1
IDENTITY, BLOCK, READINGS, ANSWER = 1, 2, 3, 4
IDENTIFY, SET, INHIBIT, PATTERN = 8, 9, 10, 11
DONE, CANNOT, UNKNOWN = 0, 1, 2
SUPPLY, TEMPERATURE, PTT = 1, 2, 4

TEMPERATURE_INPUT = 4
CODE_MOST = 4095
OVERSAMPLINGS = (1, 2, 4, 8)
PERIOD_MOST_US = 32000  # the inhibit output is checked once a period
TICK_US = 200  # time that a period needs besides its conversions
SECOND_US = 1_000_000
STALE_US = 200_000  # a message that waited longer on the line would get a wrong time
WATCHDOG_MS = 2000  # a write to USB blocks for half a second if the host does not read
COMMAND_LONGEST = 24
MASK = 0x3FFFFFFF  # the largest number that an interrupt can handle without allocating memory


@micropython.viper
def crc16(data: ptr8, size: int) -> int:
    crc = 0xFFFF
    for i in range(size):
        crc = (crc >> 8) | ((crc << 8) & 0xFFFF)
        crc ^= data[i]
        crc ^= (crc & 0xFF) >> 4
        crc ^= (crc << 12) & 0xFFFF
        crc ^= (crc & 0xFF) << 5
    return crc


@micropython.viper
def stuff(data: ptr8, size: int, out: ptr8) -> int:
    """Encode as COBS with the delimiter; return the size of `out`."""
    code_at = 0
    at = 1
    for i in range(size):
        if at - code_at == 255:  # full: the code marks no zero
            out[code_at] = 255
            code_at = at
            at += 1
        byte = data[i]
        if byte:
            out[at] = byte
        else:
            out[code_at] = at - code_at
            code_at = at
        at += 1
    out[code_at] = at - code_at
    out[at] = 0
    return at + 1


def opened(stuffed):
    """Return the payload of a frame without its delimiter, or None if it is damaged."""
    data = bytearray()
    at = 0
    while at < len(stuffed):
        code = stuffed[at]
        end = at + code
        if end > len(stuffed):
            return None
        data += stuffed[at + 1 : end]
        if code < 255 and end < len(stuffed):
            data.append(0)
        at = end
    if len(data) < 3 or crc16(data, len(data)):
        return None
    return bytes(data[:-2])


@micropython.viper
def pack12(codes: ptr16, pairs: int, out: ptr8):
    for i in range(pairs):
        forward = codes[2 * i]
        reflected = codes[2 * i + 1]
        out[3 * i] = forward & 255
        out[3 * i + 1] = forward >> 8 | (reflected & 15) << 4
        out[3 * i + 2] = reflected >> 4


@micropython.viper
def pack16(codes: ptr16, pairs: int, out: ptr8):
    for i in range(2 * pairs):
        out[2 * i] = codes[i] & 255
        out[2 * i + 1] = codes[i] >> 8


class Inhibit:
    """Inhibit output: held by the host for a limited time, otherwise in its safe state."""

    def __init__(self):
        self.held = 0
        self.until = 0
        self.state = SAFE_INHIBITS
        self.pin = machine.Pin(INHIBIT_PIN, machine.Pin.OUT, value=SAFE_INHIBITS == INHIBIT_HIGH)

    def drive(self, state):
        self.state = state
        self.pin.value(state == INHIBIT_HIGH)

    def hold(self, state, limit_ms):
        self.held = 0  # an interrupt between these lines must see no hold to end
        self.until = ticks_add(ticks_us(), 1000 * limit_ms)
        self.drive(state if limit_ms else SAFE_INHIBITS)
        self.held = 1 if limit_ms else 0

    def check(self, now):
        if self.held and ticks_diff(now, self.until) >= 0:
            self.held = 0
            self.drive(SAFE_INHIBITS)

    def bits(self):
        return self.state | SAFE_INHIBITS << 1 | self.held << 2


class Settings:
    def __init__(self, period_us, block, oversampling, pattern):
        self.period_us = period_us
        self.block = block
        self.oversampling = oversampling
        self.pattern = pattern
        self.bits = 12 if oversampling == 1 else 16

    def packed(self, boot, conversion_us):
        return struct.pack(
            "<HIBBBBHHh",
            boot,
            self.period_us,
            self.block,
            self.oversampling,
            self.bits,
            self.pattern,
            CODE_MOST * self.oversampling,
            REFERENCE_MV,
            conversion_us if self.oversampling == 1 else 0,
        )


class Block:
    """Consecutive pairs; `tick` and `taken` belong to the first."""

    def __init__(self):
        self.codes = array.array("H", bytes(4 * 80))
        self.count = self.tick = self.taken = 0
        self.complete = False


class Sampler:
    """Takes the pairs in an interrupt that must not allocate memory; two blocks alternate."""

    def __init__(self, inhibit):
        self.inhibit = inhibit
        self.read_forward = machine.ADC(machine.Pin(FORWARD_PIN)).read_u16
        self.read_reflected = machine.ADC(machine.Pin(REFLECTED_PIN)).read_u16
        self.filling, self.other = Block(), Block()
        self.timer = machine.Timer()
        self.callback = self.on_tick
        self.holding = True
        self.ticked = False
        self.tick = MASK  # the first is 0
        self.forward = self.reflected = 0
        self.oversampling = 16
        started = ticks_us()
        self.convert()
        self.conversion_us = (ticks_diff(ticks_us(), started) + 16) // 32

    def start(self, settings):
        self.timer.deinit()
        self.period_us = settings.period_us
        self.size = settings.block
        self.oversampling = settings.oversampling
        self.pattern = settings.pattern
        self.mask = (1 << settings.bits) - 1
        self.holding = False
        self.due = ticks_us()
        options = {
            "mode": machine.Timer.PERIODIC,
            "period": settings.period_us,
            "tick_hz": 1_000_000,
            "callback": self.callback,
        }
        try:
            self.timer.init(hard=True, **options)
        except TypeError:  # an older MicroPython, which calls between two of its own steps
            self.timer.init(**options)

    def hold(self):
        """Stop taking pairs; those taken can still be fetched."""
        state = machine.disable_irq()
        self.holding = True
        self.close_block()
        machine.enable_irq(state)

    def fetch(self):
        """Return the oldest complete block or None; release it by resetting count and complete."""
        if self.other.complete:
            return self.other
        return self.filling if self.filling.complete else None

    @micropython.native
    def convert(self):
        """Convert in the order F R R F F R R F: if oversampled, both have the same mean time."""
        forward = reflected = 0
        for i in range(self.oversampling):
            if i & 1:
                reflected += self.read_reflected() >> 4
                forward += self.read_forward() >> 4
            else:
                forward += self.read_forward() >> 4
                reflected += self.read_reflected() >> 4
        self.forward = forward
        self.reflected = reflected

    @micropython.native
    def close_block(self):
        if self.filling.count:
            self.filling.complete = True
        if not self.other.complete:
            self.filling, self.other = self.other, self.filling
            self.filling.count = 0

    @micropython.native
    def on_tick(self, timer):
        now = ticks_us()
        self.ticked = True
        self.inhibit.check(now)
        period_us = self.period_us
        steps = (ticks_diff(now, self.due) + period_us // 2) // period_us
        if steps <= 0:
            return  # called late and then at once: that period already has its pair
        self.due = ticks_add(self.due, steps * period_us)
        tick = (self.tick + steps) & MASK
        self.tick = tick
        if self.holding:
            return  # no pair; the pair numbers show it
        block = self.filling
        if block.count and not block.complete and tick != (block.tick + block.count) & MASK:
            self.close_block()  # pairs within a block are consecutive
        if self.filling.complete:
            self.close_block()
        block = self.filling
        if block.complete:
            return  # the line is too slow for this pair
        self.convert()
        if self.pattern:
            self.forward = tick & self.mask
            self.reflected = ~tick & self.mask
        if not block.count:
            block.tick = tick
            block.taken = now
        at = 2 * block.count
        block.codes[at] = self.forward
        block.codes[at + 1] = self.reflected
        block.count += 1
        if block.count == self.size:
            self.close_block()


class Line:
    """Serial line, which may block or stay silent for any length of time."""

    def __init__(self):
        micropython.kbd_intr(-1)  # a byte of 3 is data, not a keyboard interrupt
        self.input = select.poll()
        self.input.register(sys.stdin, select.POLLIN)
        self.output = select.poll()
        self.output.register(sys.stdout, select.POLLOUT)
        self.payload = bytearray(254)
        self.out = memoryview(bytearray(258))
        self.received = bytearray()
        self.bad = False
        self.torn = True

    def ready(self):
        return any(self.output.ipoll(0))

    def send(self, size):
        """Send the first `size` bytes of `payload`."""
        crc = crc16(self.payload, size)
        self.payload[size] = crc >> 8
        self.payload[size + 1] = crc & 255
        if self.torn:
            sys.stdout.buffer.write(b"\0")
        size = stuff(self.payload, size + 2, self.out)
        self.torn = sys.stdout.buffer.write(self.out[:size]) != size

    def message(self, type_, body):
        self.payload[0] = VERSION << 4 | type_
        self.payload[1 : 1 + len(body)] = body
        self.send(1 + len(body))

    def receive(self):
        """Return the payload of the next complete frame received, or None."""
        while any(self.input.ipoll(0)):
            byte = sys.stdin.buffer.read(1)
            if not byte:
                return None
            if byte != b"\0":
                self.bad = self.bad or len(self.received) == COMMAND_LONGEST
                if not self.bad:
                    self.received += byte
                continue
            payload = None if self.bad else opened(self.received)
            self.bad, self.received = False, bytearray()
            if payload:
                return payload
        return None


class Counters:
    """The clock and the pair number, which interrupts count in 30 bits, in the line's 32."""

    def __init__(self, now):
        self.ticks = now
        self.clock_us = self.tick = self.number = 0

    def advance(self, now, tick):
        self.clock_us, self.ticks = self.clock_at(now), now
        self.number, self.tick = self.number_at(tick), tick

    def clock_at(self, ticks):
        return (self.clock_us + ticks_diff(ticks, self.ticks)) & 0xFFFFFFFF

    def number_at(self, tick):
        ahead = ((tick - self.tick + (MASK >> 1)) & MASK) - (MASK >> 1)
        return (self.number + ahead) & 0xFFFFFFFF


class Bridge:
    """Executes commands and sends pending messages."""

    def __init__(self, line, inhibit, sampler):
        self.line, self.inhibit, self.sampler = line, inhibit, sampler
        self.settings = self.wanted = Settings(1000, 16, 4, 0)
        self.boot = count_start()
        self.reset = {machine.PWRON_RESET: 1, machine.WDT_RESET: 4}.get(machine.reset_cause(), 0)
        self.ptt_pin = machine.Pin(PTT_PIN, machine.Pin.IN, machine.Pin.PULL_UP)
        self.temperature = machine.ADC(TEMPERATURE_INPUT)
        self.supply = None if SUPPLY_PIN is None else machine.ADC(machine.Pin(SUPPLY_PIN))
        self.ptt = 0
        self.answer = None
        self.want_identity = self.want_readings = True
        self.second = ticks_us()
        self.counters = Counters(self.second)
        self.start()

    def start(self):
        self.settings = self.wanted
        self.packed = self.settings.packed(self.boot, self.sampler.conversion_us)
        self.tag = crc16(self.packed, len(self.packed))
        self.sampler.start(self.settings)

    def check_inputs(self):
        now, tick = ticks_us(), self.sampler.tick
        self.counters.advance(now, tick)
        pressed = 1 - self.ptt_pin.value()
        if pressed != self.ptt:
            self.ptt = pressed
            self.want_readings = True
        if ticks_diff(now, self.second) >= SECOND_US:
            self.second = ticks_add(self.second, SECOND_US)
            self.want_identity = self.want_readings = True

    def set(self, period_us, block, oversampling):
        if oversampling not in OVERSAMPLINGS or period_us > PERIOD_MOST_US:
            return CANNOT
        if not 1 <= block <= (80 if oversampling == 1 else 60):
            return CANNOT
        if period_us < 2 * oversampling * self.sampler.conversion_us + TICK_US:
            return CANNOT
        self.wanted = Settings(period_us, block, oversampling, self.settings.pattern)
        return DONE

    def obey(self, payload):
        type_, body = payload[0] & 15, payload[1:]
        if type_ == SET and len(body) == 6:
            return self.set(*struct.unpack("<IBB", body))
        if type_ == INHIBIT and len(body) == 3 and body[0] <= 1:
            self.inhibit.hold(*struct.unpack("<BH", body))
            return DONE
        if type_ == PATTERN and len(body) == 1 and body[0] <= 1:
            now = self.settings
            self.wanted = Settings(now.period_us, now.block, now.oversampling, body[0])
            return DONE
        return CANNOT if type_ in (SET, INHIBIT, PATTERN) else UNKNOWN

    def listen(self):
        if self.answer or self.wanted is not self.settings:
            return  # one at a time
        payload = self.line.receive()
        if payload is None:
            return
        # A host that speaks another version will see ours in the reply.
        if payload[0] >> 4 != VERSION or payload[0] & 15 == IDENTIFY:
            self.want_identity = True
        else:
            self.answer = bytes([payload[0] & 15, self.obey(payload)])
        if self.wanted is not self.settings:
            self.sampler.hold()

    def send(self):
        """Send one pending message; return True if there was one and the line had room."""
        if not self.line.ready():
            return False
        block = self.sampler.fetch()
        changed = self.wanted is not self.settings
        if self.want_identity and not changed:
            self.want_identity = False
            self.send_identity()
        elif self.answer:
            self.line.message(ANSWER, self.answer)
            self.answer = None
        elif block:
            took_us = block.count * self.settings.period_us
            if ticks_diff(self.counters.ticks, block.taken) < took_us + STALE_US:
                self.send_block(block)
            block.count = 0
            block.complete = False
        elif changed:  # all blocks made with the old settings have been sent
            self.start()
            self.send_identity()
        elif self.want_readings:
            self.want_readings = False
            self.send_readings()
        else:
            return False
        return True

    def send_identity(self):
        state = bytes([self.reset, self.inhibit.bits()])
        self.line.message(IDENTITY, self.packed + state + NAME.encode())

    def send_block(self, block):
        payload, count = self.line.payload, block.count
        number = self.counters.number_at(block.tick)
        clock_us = self.counters.clock_at(block.taken)
        head = VERSION << 4 | BLOCK, self.tag, number, clock_us, count
        struct.pack_into("<BHIIB", payload, 0, *head)
        pairs = memoryview(payload)[12:]
        if self.settings.bits == 12:
            pack12(block.codes, count, pairs)
            self.line.send(12 + 3 * count)
        else:
            pack16(block.codes, count, pairs)
            self.line.send(12 + 4 * count)

    def quiet_mv(self, converter):
        """Return millivolts at another input; interrupts are off, so no pair reads that input."""
        state = machine.disable_irq()
        code = converter.read_u16() >> 4
        machine.enable_irq(state)
        return code * REFERENCE_MV / CODE_MOST

    def send_readings(self):
        # The chip's sensor gives 0.706 V at 27 °C and 1.721 mV less for each kelvin.
        celsius = 27 - (self.quiet_mv(self.temperature) - 706) / 1.721
        readings = struct.pack("<BiBi", TEMPERATURE, round(100 * celsius), PTT, self.ptt)
        if self.supply:
            supply_mv = round(SUPPLY_RATIO * self.quiet_mv(self.supply))
            readings += struct.pack("<Bi", SUPPLY, supply_mv)
        self.line.message(READINGS, struct.pack("<I", self.counters.clock_us) + readings)

    def run(self):
        watchdog = machine.WDT(timeout=WATCHDOG_MS)
        while True:
            if self.sampler.ticked:
                self.sampler.ticked = False
                watchdog.feed()  # this loop and the timer that ends an inhibit are running
            self.listen()
            self.check_inputs()
            while self.send():
                pass
            machine.idle()  # until the next interrupt


def count_start():
    """Return the number of starts of the board, stored in its file system."""
    try:
        with open("starts") as file:
            starts = (int(file.read()) + 1) & 0xFFFF
    except (OSError, ValueError):
        starts = 0
    try:
        with open("starts", "w") as file:
            file.write(str(starts))
    except OSError:
        pass  # the pair numbers, which restart, also show it
    return starts


inhibit = Inhibit()  # first of all
if machine.Pin(SERVICE_PIN, machine.Pin.IN, machine.Pin.PULL_UP).value():
    Bridge(Line(), inhibit, Sampler(inhibit)).run()
