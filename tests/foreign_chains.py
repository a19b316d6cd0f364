"""Stations with a planted fault between radio and antenna, by circuit theory alone.

Each part is a two-port (series, shunt or line); the antenna or a dummy load ends the chain. A fault
changes the two-port of its part, and the outcome of a trial follows from the waves at the coupler,
from a direct-current ladder for the ohmmeter, or by chance for looking and wiggling. A person gives
a wrong answer at `slip_rate`; an intermittent fault is there in a share of the trials only.

    station = random_chain(7)
    station.chain_text          # "radio,lead,coupler,plug,line,plug,antenna"
    station.symptom, station.usual.shown_swr, station.present.shown_swr
    station.answer("load:5", np.random.default_rng(1))    # True: trouble still there, or found
    station.fault_places, station.swr_with(Arrangement(load_at=5))

Trials are named by the keys that the product offers (`load:PLACE`, `ohm-through`, ...). Severities,
chances of seeing and shares of faults are guesses of ours, common practice, no single source.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tests.foreign_antennas import wave_number

Matrix = NDArray[np.complex128]
INFINITE = 1e12
"""Ohm; stands for no connection."""
CONTACTS = ("plug", "joint")
SERIES_MODES = ("inner open", "braid loose", "resistive")
MODES_BY_KIND: dict[str, tuple[tuple[str, float], ...]] = {
    "radio": (("no power", 0.5), ("low power", 0.5)),
    "lead": (("inner open", 1.0), ("braid loose", 1.0), ("short", 0.6), ("resistive", 0.7)),
    "meter": (("resistive", 1.0), ("inner open", 0.5)),
    "coupler": (("reflected diode dead", 1.0), ("forward diode weak", 1.0)),
    "joint": (("resistive", 1.0), ("inner open", 0.7), ("braid loose", 0.6), ("short", 0.3)),
    "arrester": (("short", 1.0), ("resistive", 0.4)),
    "plug": (("inner open", 1.0), ("braid loose", 1.2), ("short", 0.7), ("resistive", 1.2)),
    "line": (("wet", 1.5), ("inner open", 0.5), ("short", 0.5), ("braid loose", 0.4)),
    "antenna": (("detuned", 1.2), ("inner open", 0.8), ("resistive", 0.8), ("short", 0.3)),
    "ground": (("resistive", 1.0), ("inner open", 0.5)),
}
FAULT_WEIGHTS = {
    "radio": 1.0,
    "lead": 4.0,
    "meter": 1.0,
    "coupler": 2.0,
    "joint": 3.0,
    "arrester": 2.0,
    "plug": 6.0,
    "line": 4.0,
    "antenna": 6.0,
    "ground": 3.0,
}
OUTDOOR_FACTOR = 1.8
"""Parts outdoors fail more often."""
SEEN = {
    "inner open": 0.35,
    "braid loose": 0.45,
    "resistive": 0.4,
    "short": 0.25,
    "wet": 0.35,
    "detuned": 0.4,
}
"""Chance that a look at the part shows the fault; a broken antenna shows more often."""
LOOKING_WRONG = 0.04
MOVED = {"inner open": 0.45, "braid loose": 0.75, "resistive": 0.55, "short": 0.25}
"""Chance that moving a contact changes the reading."""
HEALED = 0.12
"""Chance that unscrewing a poor contact and fitting it again cures it for this trial."""


@dataclass(frozen=True)
class PlantedFault:
    """Fault at a part: `ohm` is its series or shunt resistance at RF, `dc_ohm` to an ohmmeter."""

    place: int
    mode: str
    ohm: complex
    dc_ohm: float
    where: float = 0.5
    """Position along a line, 0 to 1 from the shack."""
    share: float = 1.0
    """Share of trials in which it is there; less than 1 if intermittent."""
    look: float = 0.5
    """Fixed draw, 0 to 1: a look finds the fault if its chance is greater."""

    @property
    def is_intermittent(self) -> bool:
        """True if the fault comes and goes."""
        return self.share < 1


@dataclass(frozen=True)
class ChainPart:
    """Part by the product's name; `role` says what it is here (`switch`, `choke`)."""

    kind: str
    role: str
    is_outdoors: bool
    length_m: float = 0.0
    loss_db: float = 0.0
    velocity: float = 0.8
    dc_ohm: float = 0.02


@dataclass(frozen=True)
class Arrangement:
    """How the chain is connected for a trial; places are indices of parts.

    With `load_at`, a dummy load stands in for everything behind that part. With `far_end` `open`
    or `short`, everything behind the plug at the far end of the line is taken off.
    """

    load_at: int | None = None
    replaced: frozenset[int] = frozenset()
    left_out: frozenset[int] = frozenset()
    far_end: str | None = None

    @property
    def touched(self) -> frozenset[int]:
        """Places whose contacts are unscrewed for this."""
        places = set(self.replaced | self.left_out)
        places |= {p + d for p in places for d in (-1, 1)}
        if self.load_at is not None:
            places |= {self.load_at, self.load_at + 1}
        return frozenset(places)


AS_IT_IS = Arrangement()


@dataclass(frozen=True)
class ChainReading:
    """What the instruments show; NaN where the coupler is not in the circuit."""

    shown_swr: float
    true_swr: float
    shown_forward: float
    """Forward power shown, as a share of the sound station's."""
    radio_swr: float
    """SWR at the radio, by its own meter."""


@dataclass(frozen=True)
class ForeignStation:
    """Station with its faults; every figure follows from the fields."""

    seed: int
    frequency_khz: float
    parts: tuple[ChainPart, ...]
    faults: tuple[PlantedFault, ...]
    antenna_ohm: complex
    other_antenna_ohm: complex
    load_ohm: complex
    """Impedance of the dummy load with its lead: near 50 if it is sound."""
    load_is_sound: bool
    antenna_is_closed: bool
    """True if the sound antenna is a short to direct current."""
    direct_current: str
    """The owner's knowledge of it: `open`, `closed` or `unknown`."""
    directivity: complex
    slip_rate: float = 0.05

    @property
    def chain_text(self) -> str:
        """Parts as typed for the product, commas between."""
        return ",".join(part.kind for part in self.parts)

    @property
    def coupler(self) -> int:
        """Place of the coupler."""
        return next(i for i, p in enumerate(self.parts) if p.kind == "coupler")

    @property
    def fault_places(self) -> tuple[int, ...]:
        """Places of the planted faults in the chain."""
        return tuple(fault.place for fault in self.faults)

    @cached_property
    def usual(self) -> ChainReading:
        """Reading of the sound station."""
        return self._read(AS_IT_IS, (), self._reference)

    @cached_property
    def present(self) -> ChainReading:
        """Reading with all faults there, intermittent ones included."""
        return self.swr_with(AS_IT_IS)

    @cached_property
    def symptom(self) -> str:
        """Return `high`, `upstream`, `weak` or `none`, by the readings with all faults there."""
        return self._symptom(self.present)

    @cached_property
    def reads_lower_than_usual(self) -> bool:
        """True if the coupler shows clearly less reflection than it usually does."""
        return _is_lower(self.present, self.usual)

    def explains(self, place: int) -> bool:
        """Return True if repairing this place alone ends the trouble."""
        rest = tuple(fault for fault in self.faults if fault.place != place)
        if len(rest) == len(self.faults):
            return False
        reading = self._read(AS_IT_IS, rest, self._reference)
        return self._symptom(reading) == "none" and not _is_lower(reading, self.usual)

    def swr_with(
        self, arrangement: Arrangement, rng: np.random.Generator | None = None
    ) -> ChainReading:
        """Return the reading in an arrangement.

        With `rng`, intermittent faults may be absent, touched contacts may heal and readings are
        noisy; without it all faults are there and readings are exact.
        """
        faults = self.faults if rng is None else self._active(arrangement, rng)
        reading = self._read(arrangement, faults, self._reference)
        if rng is None:
            return reading
        noise = np.exp(rng.normal(0, 0.02, 2))
        return replace(
            reading,
            shown_swr=_swr(_gamma(reading.shown_swr) * noise[0]),
            shown_forward=reading.shown_forward * noise[1],
        )

    def ohms(
        self, far_end: str, rng: np.random.Generator | None = None, places: range | None = None
    ) -> float:
        """Return the ohmmeter's reading from the coupler's output towards the antenna.

        `far_end` is `antenna`, `open` or `short` (linked); `places` takes some parts alone, as for
        a lead on the bench. Inner and braid count as a loop.
        """
        faults = self.faults if rng is None else self._active(AS_IT_IS, rng)
        end = len(self.parts) - 1 if far_end == "antenna" else self.far_plug
        seen = places if places is not None else range(self.coupler + 1, end + 1)
        ohm = 0.0 if far_end == "short" else INFINITE
        for place in reversed(seen):
            part = self.parts[place]
            at_place = [fault for fault in faults if fault.place == place]
            if part.kind == "antenna":
                ohm = 0.3 if self.antenna_is_closed else INFINITE
            if part.kind == "ground":
                continue
            ohm += part.dc_ohm
            for fault in at_place:
                if fault.mode in ("short", "wet"):
                    ohm = ohm * fault.dc_ohm / (ohm + fault.dc_ohm)
                elif fault.mode in SERIES_MODES:
                    ohm += fault.dc_ohm
        if rng is None:
            return ohm
        if rng.random() < 0.05:
            skin = rng.uniform(1e5, 1e6)
            ohm = ohm * skin / (ohm + skin)
        shown = ohm * (1 + rng.normal(0, 0.01)) + rng.uniform(0.0, 0.4)
        return float(shown) if shown < 20e6 else float("inf")

    @property
    def far_plug(self) -> int:
        """Place of the last contact on the far end of the last line."""
        place = max(i for i, p in enumerate(self.parts) if p.kind == "line")
        return place + 1 if self.parts[place + 1].kind in CONTACTS else place

    def arrangement_for(self, key: str) -> Arrangement:
        """Return how the chain is connected for a trial under a carrier."""
        kind, _, at = key.partition(":")
        place = int(at) if at else -1
        if kind == "load":
            return Arrangement(load_at=place)
        if kind == "other-line":
            return Arrangement(replaced=self._line_with_contacts(place))
        if kind in ("swap", "new-plug"):
            return Arrangement(replaced=frozenset({place}))
        if kind == "bypass":
            return Arrangement(left_out=frozenset({place}))
        if kind == "open-end":
            return Arrangement(far_end="open")
        return AS_IT_IS

    def answer(
        self,
        key: str,
        rng: np.random.Generator,
        *,
        tries: int = 1,
        renewed: frozenset[int] = frozenset(),
    ) -> bool:
        """Return a person's answer: True if the trouble is still there, or if something was found.

        With `tries` above 1 the trial is repeated and any positive counts. Slips come on top.
        Parts at the places `renewed` were made anew before and are sound.
        """
        outcome = any(self.outcome(key, rng, renewed) for _ in range(tries))
        return bool(outcome != (rng.random() < self.slip_rate))

    def outcome(
        self, key: str, rng: np.random.Generator, renewed: frozenset[int] = frozenset()
    ) -> bool:
        """Return the outcome of a trial without the person's slips; see `answer`.

        Raises KeyError for a trial that is not simulated.
        """
        kind, _, at = key.partition(":")
        rest = replace(self, faults=tuple(f for f in self.faults if f.place not in renewed))
        if kind in ("look", "glance"):
            return rest._look(int(at), 1.0 if kind == "look" else 0.45, rng)
        if kind == "wiggle":
            return rest._wiggle(rng)
        if kind.startswith("ohm-"):
            return rest._measure_ohms(kind, int(at) if at else None, rng)
        if kind == "open-end":
            return rest._has_lossy_line(rng)
        if kind in ("as-is", "load", "swap", "bypass", "new-plug", "other-line"):
            arrangement = self.arrangement_for(key)
            return self._has_trouble(arrangement, rest.swr_with(arrangement, rng))
        raise KeyError(key)

    # Radio frequency

    @cached_property
    def _reference(self) -> float:
        return self._read(AS_IT_IS, (), 1.0).shown_forward

    def _read(
        self, arrangement: Arrangement, faults: tuple[PlantedFault, ...], reference: float
    ) -> ChainReading:
        faults = tuple(f for f in faults if f.place not in arrangement.replaced)
        last = len(self.parts) - 1
        if arrangement.load_at is not None:
            last, end = arrangement.load_at, self.load_ohm
        elif arrangement.far_end is not None:
            last, end = self.far_plug, 1e7 + 0j if arrangement.far_end == "open" else 0.01 + 0j
        else:
            end = self._antenna_impedance(arrangement, faults)
        places = [i for i in range(1, last + 1) if i not in arrangement.left_out]
        behind = _chain(self._two_port(i, faults) for i in places if i > self.coupler)
        before = _chain(self._two_port(i, faults) for i in places if i < self.coupler)
        z_coupler = _input(behind, end)
        z_radio = _input(before, z_coupler)
        gamma_radio = abs((z_radio - 50) / (z_radio + 50))
        emf = 2.0 * self._drive(faults) * _foldback(gamma_radio)
        # Voltage and current at the coupler, from a 50 ohm source through what is before it.
        a, b, c, d = before.ravel()
        current = emf / ((a * z_coupler + b) + 50 * (c * z_coupler + d))
        voltage = current * z_coupler
        forward, reflected = (voltage + 50 * current) / 2, (voltage - 50 * current) / 2
        shown_forward = float(abs(forward + 0.3 * self.directivity * reflected))
        shown_reflected = float(abs(reflected + self.directivity * forward))
        if self.coupler not in arrangement.replaced:
            for fault in faults:
                if fault.mode == "forward diode weak":
                    shown_forward *= fault.ohm.real
                elif fault.mode == "reflected diode dead":
                    shown_reflected *= fault.ohm.real
        true = abs(reflected / forward) if forward else 0.0
        shown = float(shown_reflected / max(shown_forward, 1e-9))
        if last < self.coupler or self.coupler in arrangement.left_out:
            shown, shown_forward = float("nan"), float("nan")
        return ChainReading(
            _swr(shown), _swr(true), float(shown_forward**2 / reference), _swr(gamma_radio)
        )

    def _antenna_impedance(
        self, arrangement: Arrangement, faults: tuple[PlantedFault, ...]
    ) -> complex:
        antenna = max(i for i, p in enumerate(self.parts) if p.kind == "antenna")
        if antenna in arrangement.replaced:
            return self.other_antenna_ohm
        z = self.antenna_ohm
        for fault in faults:
            if self.parts[fault.place].kind not in ("antenna", "ground"):
                continue
            if fault.mode in (*SERIES_MODES, "detuned"):
                z += fault.ohm
            elif fault.mode == "short":
                z = z * fault.ohm / (z + fault.ohm)
        return z

    def _two_port(self, place: int, faults: tuple[PlantedFault, ...]) -> Matrix:
        part = self.parts[place]
        at_place = [f for f in faults if f.place == place]
        if part.kind in ("antenna", "ground", "coupler"):
            return np.eye(2, dtype=complex)
        if part.length_m:
            return self._line_with_faults(part, at_place)
        matrix = _series(part.dc_ohm) @ _shunt(1e12 / (2j * np.pi * self.frequency_khz * 1e3 * 1.5))
        for fault in at_place:
            matrix = matrix @ _fault_two_port(fault)
        return np.asarray(matrix)

    def _line_with_faults(self, part: ChainPart, faults: list[PlantedFault]) -> Matrix:
        position, matrix = 0.0, np.eye(2, dtype=complex)
        wet = False
        for fault in sorted(faults, key=lambda f: f.where):
            matrix = matrix @ self._section(part, fault.where - position, wet, faults)
            if fault.mode == "wet":
                wet = True
            else:
                matrix = matrix @ _fault_two_port(fault)
            position = fault.where
        return np.asarray(matrix @ self._section(part, 1 - position, wet, faults))

    def _section(
        self, part: ChainPart, share: float, wet: bool, faults: list[PlantedFault]
    ) -> Matrix:
        z0, loss, velocity = 50.0, part.loss_db, part.velocity
        if wet:
            fault = next(f for f in faults if f.mode == "wet")
            # Water raises the capacitance: impedance and velocity fall alike.
            z0, loss, velocity = (
                fault.ohm.real,
                loss * fault.ohm.imag,
                velocity * fault.ohm.real / 50,
            )
        beta = float(wave_number(self.frequency_khz)) * part.length_m / velocity
        g = share * (loss / 8.6859 + 1j * beta)
        return np.array([[np.cosh(g), z0 * np.sinh(g)], [np.sinh(g) / z0, np.cosh(g)]])

    @staticmethod
    def _drive(faults: tuple[PlantedFault, ...]) -> float:
        return float(
            np.prod([f.ohm.real for f in faults if f.mode in ("no power", "low power")] or [1.0])
        )

    # Judgement

    def _active(
        self, arrangement: Arrangement, rng: np.random.Generator
    ) -> tuple[PlantedFault, ...]:
        active = []
        for fault in self.faults:
            is_there = rng.random() < fault.share
            heals = (
                fault.place in arrangement.touched
                and self.parts[fault.place].kind in CONTACTS
                and fault.mode in SERIES_MODES
                and rng.random() < HEALED
            )
            if is_there and not heals:
                active.append(fault)
        return tuple(active)

    def _symptom(self, reading: ChainReading) -> str:
        usual = self.usual
        if _is_higher(reading.shown_swr, usual.shown_swr):
            return "high"
        if _is_higher(reading.radio_swr, usual.radio_swr):
            return "upstream"
        if reading.shown_forward < 0.7 * usual.shown_forward:
            return "weak"
        return "none"

    def _has_trouble(self, arrangement: Arrangement, reading: ChainReading) -> bool:
        """Judge a reading as a person would: nearer to the trouble than to the sound station."""
        if self.symptom == "weak":
            return not reading.shown_forward > 0.75
        at_radio = self.symptom == "upstream" or np.isnan(reading.shown_swr)
        usual, present, shown = (
            _gamma(r.radio_swr if at_radio else r.shown_swr)
            for r in (self.usual, self.present, reading)
        )
        if arrangement.load_at is not None:
            return shown > 0.2
        if self.reads_lower_than_usual and not at_radio:
            return shown < usual - 0.4 * (usual - present)
        return shown > usual + max(0.07, 0.4 * (present - usual))

    def _has_lossy_line(self, rng: np.random.Generator) -> bool:
        """Judge the return loss with the far end open against the owner's figure for the line."""
        shown = self.swr_with(Arrangement(far_end="open"), rng).shown_swr
        sound = self._read(Arrangement(far_end="open"), (), self._reference).shown_swr
        worse_db = 20 * np.log10(_gamma(sound) / max(_gamma(shown), 1e-6)) + rng.normal(0, 0.3)
        return bool(worse_db > 1.0)

    def _look(self, place: int, factor: float, rng: np.random.Generator) -> bool:
        chances = [0.0]
        for fault in self.faults:
            chance = SEEN.get(fault.mode, 0.02)
            if self.parts[fault.place].kind in ("antenna", "ground") and fault.mode != "short":
                chance += 0.25
            if self.parts[fault.place].kind == "meter":
                chance *= 0.4
            if fault.place != place:
                # Water in a line often shows at its plugs.
                near = abs(fault.place - place) == 1 and fault.mode == "wet"
                chance = 0.25 if near and self.parts[place].kind in CONTACTS else 0.0
            chances.append(1.0 if fault.look < factor * chance else 0.0)
        return bool(max(chances) > 0 or rng.random() < LOOKING_WRONG)

    def _wiggle(self, rng: np.random.Generator) -> bool:
        for fault in self.faults:
            part = self.parts[fault.place]
            if part.is_outdoors or part.kind in ("radio", "coupler", "line"):
                continue
            chance = MOVED.get(fault.mode, 0.0) + (0.2 if fault.is_intermittent else 0.0)
            if rng.random() < chance:
                return True
        return bool(rng.random() < 0.03)

    def _measure_ohms(self, kind: str, place: int | None, rng: np.random.Generator) -> bool:
        """Judge by what a sound run would read.

        `ohm-short`: far end off, is there a short; `ohm-through`: far end linked, is it broken;
        `ohm-closed`, `ohm-open`: with an antenna that is closed or open to direct current;
        `ohm-lead`: a lead on the bench, both through and between.
        """
        if kind == "ohm-lead" and place is not None:
            alone = range(place, place + 1)
            return self.ohms("short", rng, alone) > 1.5 or self.ohms("open", rng, alone) < 1e4
        if kind == "ohm-short":
            return self.ohms("open", rng) < 1e4
        if kind == "ohm-open":
            return self.ohms("antenna", rng) < 1e4
        far_end = "short" if kind == "ohm-through" else "antenna"
        sound = replace(self, faults=()).ohms(far_end)
        return self.ohms(far_end, rng) > sound + 2.5

    def _line_with_contacts(self, place: int) -> frozenset[int]:
        places = {place}
        for step in (-1, 1):
            at = place + step
            while 0 <= at < len(self.parts) and self.parts[at].kind in (*CONTACTS, "line"):
                if self.parts[at].role in ("switch", "choke"):
                    break
                places.add(at)
                at += step
        return frozenset(places)


def _gamma(swr: float) -> float:
    return (swr - 1) / (swr + 1)


def _swr(gamma: float) -> float:
    if np.isnan(gamma):
        return float("nan")
    limited = min(abs(float(gamma)), 0.98)
    return (1 + limited) / (1 - limited)


def _is_higher(swr: float, usual: float) -> bool:
    return bool(swr > max(1.25 * usual, usual + 0.25))


def _is_lower(reading: ChainReading, usual: ChainReading) -> bool:
    g = _gamma(usual.shown_swr)
    return _gamma(reading.shown_swr) < g - max(0.03, 0.3 * g)


def _foldback(gamma: float) -> float:
    """Return the share of voltage that a transistor radio gives into a mismatch."""
    return float(1.0 if gamma < 1 / 3 else np.sqrt(1 - 0.8 * (gamma - 1 / 3)))


def _series(z: complex) -> Matrix:
    return np.array([[1, z], [0, 1]], complex)


def _shunt(z: complex) -> Matrix:
    return np.array([[1, 0], [1 / z, 1]], complex)


def _fault_two_port(fault: PlantedFault) -> Matrix:
    if fault.mode == "short":
        return _shunt(fault.ohm)
    return _series(fault.ohm) if fault.mode in SERIES_MODES else np.eye(2, dtype=complex)


def _chain(two_ports: Iterable[Matrix]) -> Matrix:
    matrix = np.eye(2, dtype=complex)
    for two_port in two_ports:
        matrix = matrix @ two_port
    return matrix


def _input(matrix: Matrix, load: complex) -> complex:
    a, b, c, d = matrix.ravel()
    return complex((a * load + b) / (c * load + d))


def random_chain(
    seed: int,
    *,
    mode: str | None = None,
    two_faults: bool | None = None,
    bad_load: bool | None = None,
    slip_rate: float = 0.05,
) -> ForeignStation:
    """Draw a station whose faults can be noticed; the same arguments give the same station.

    Args:
        mode: mode of the first fault, any if None; see `MODES_BY_KIND`.
        two_faults: force or forbid a second fault; one station in eight has one if None.
        bad_load: force or forbid a bad dummy load or load lead; one in twenty-five if None.
        slip_rate: share of wrong answers by the person.
    """
    rng = np.random.default_rng([seed, 0x0C4A])
    for _ in range(500):
        station = _draw(seed, rng, mode, two_faults, bad_load, slip_rate)
        if station is not None and (station.symptom != "none" or station.reads_lower_than_usual):
            return station
    raise AssertionError(f"no noticeable fault for seed {seed}")


def _draw(
    seed: int,
    rng: np.random.Generator,
    mode: str | None,
    two_faults: bool | None,
    bad_load: bool | None,
    slip_rate: float,
) -> ForeignStation | None:
    parts = _draw_parts(rng)
    number = 2 if (rng.random() < 0.125 if two_faults is None else two_faults) else 1
    faults: list[PlantedFault] = []
    while len(faults) < number:
        at_line = bool(faults) and parts[faults[0].place].kind == "line" and rng.random() < 0.3
        fault = _draw_fault(
            rng, parts, None if faults else mode, faults[0].place if at_line else None
        )
        if fault is None:
            return None
        places, modes = [f.place for f in faults], [f.mode for f in faults]
        is_second_in_line = parts[fault.place].kind == "line" and fault.mode not in modes
        if fault.place not in places or is_second_in_line:
            faults.append(fault)
    is_bad = rng.random() < 0.04 if bad_load is None else bad_load
    bad = [
        rng.uniform(15, 30) + 0j,
        rng.uniform(85, 150) + 0j,
        50 - 1j * rng.uniform(300, 3000),
        50 + rng.uniform(25, 80) + 1j * rng.uniform(-30, 30),
    ]
    load = bad[int(rng.integers(4))] if is_bad else rng.uniform(48, 52) + 1j * rng.uniform(-2, 3)
    is_closed = bool(rng.random() < 0.5)
    knows = rng.random() < 0.75
    return ForeignStation(
        seed=seed,
        frequency_khz=float(rng.choice([27_185.0, 27_205.0, 27_555.0, 14_175.0, 28_400.0])),
        parts=parts,
        faults=tuple(faults),
        antenna_ohm=_draw_mismatch(rng, 1.1, 1.9),
        other_antenna_ohm=_draw_mismatch(rng, 1.05, 1.6),
        load_ohm=complex(load),
        load_is_sound=not is_bad,
        antenna_is_closed=is_closed,
        direct_current=("closed" if is_closed else "open") if knows else "unknown",
        directivity=complex(10 ** (-rng.uniform(24, 38) / 20) * np.exp(2j * np.pi * rng.random())),
        slip_rate=slip_rate,
    )


def _draw_mismatch(rng: np.random.Generator, low: float, high: float) -> complex:
    gamma = _gamma(rng.uniform(low, high)) * np.exp(2j * np.pi * rng.random())
    return complex(50 * (1 + gamma) / (1 - gamma))


def _draw_parts(rng: np.random.Generator) -> tuple[ChainPart, ...]:
    def contact(kind: str, role: str, outdoors: bool) -> ChainPart:
        return ChainPart(kind, role, outdoors, dc_ohm=float(rng.uniform(0.005, 0.03)))

    def line() -> ChainPart:
        length = rng.uniform(8, 40)
        velocity = float(rng.choice([0.66, 0.83]))
        loss = length * rng.uniform(0.025, 0.075)
        return ChainPart("line", "line", True, length, loss, velocity, dc_ohm=0.02 * length)

    parts = [
        ChainPart("radio", "radio", False),
        ChainPart("lead", "lead", False, rng.uniform(0.4, 1.5), 0.05, 0.66, 0.05),
    ]
    if rng.random() < 0.2:
        parts.append(contact("meter", "other meter", False))
    parts.append(ChainPart("coupler", "coupler", False))
    if rng.random() < 0.25:
        parts.append(contact("joint", "switch", False))
    if rng.random() < 0.3:
        parts.append(contact("arrester", "arrester", bool(rng.random() < 0.5)))
    parts += [contact("plug", "plug", False), line()]
    if rng.random() < 0.15:
        parts += [contact("joint", "joint", True), line()]
    parts.append(contact("plug", "plug", True))
    if rng.random() < 0.35:
        parts.append(contact("joint", "choke", True))
    parts.append(ChainPart("antenna", "antenna", True, dc_ohm=0.1))
    if rng.random() < 0.2:
        parts.append(ChainPart("ground", "ground", True))
    return tuple(parts)


def _draw_fault(
    rng: np.random.Generator, parts: tuple[ChainPart, ...], mode: str | None, at: int | None
) -> PlantedFault | None:
    choices = [
        (place, name, FAULT_WEIGHTS[part.kind] * (OUTDOOR_FACTOR if part.is_outdoors else 1) * w)
        for place, part in enumerate(parts)
        for name, w in _normalised(MODES_BY_KIND[part.kind])
        if mode in (None, name) and at in (None, place)
    ]
    if not choices:
        return None
    weights = np.array([weight for *_, weight in choices])
    place, name, _ = choices[int(rng.choice(len(choices), p=weights / weights.sum()))]
    ohm, dc_ohm = _SEVERITIES[name](rng)
    intermittent = {"braid loose": 0.6, "inner open": 0.2, "resistive": 0.2, "short": 0.1}
    is_intermittent = rng.random() < intermittent.get(name, 0.0)
    return PlantedFault(
        place,
        name,
        complex(ohm),
        float(dc_ohm),
        where=float(rng.uniform(0.05, 0.95)),
        share=float(rng.uniform(0.3, 0.9)) if is_intermittent else 1.0,
        look=float(rng.random()),
    )


def _normalised(modes: tuple[tuple[str, float], ...]) -> list[tuple[str, float]]:
    total = sum(weight for _, weight in modes)
    return [(name, weight / total) for name, weight in modes]


Severity = Callable[[np.random.Generator], tuple[complex, float]]
_SEVERITIES: dict[str, Severity] = {
    # A gap passes a little current by its capacitance; now and then the ohmmeter bridges it.
    "inner open": lambda r: (
        5.0 - 1j * r.uniform(600, 15_000),
        INFINITE if r.random() < 0.85 else r.uniform(1, 200),
    ),
    # The return current goes round by the outside of the braid and by mast and mains.
    "braid loose": lambda r: (
        r.uniform(20, 300) + 1j * r.uniform(-200, 300),
        r.choice([INFINITE, r.uniform(20, 3000), r.uniform(0.5, 15)], p=[0.4, 0.35, 0.25]),
    ),
    "resistive": lambda r: (lambda ohm: (ohm + 0j, ohm * r.uniform(0.1, 1.2)))(r.uniform(8, 90)),
    "short": lambda r: (lambda ohm: (ohm + 1j, ohm))(r.uniform(0.05, 4)),
    # Impedance of the wet part and factor of its loss, packed as real and imaginary part.
    "wet": lambda r: (r.uniform(32, 46) + 1j * r.uniform(3, 14), 10 ** r.uniform(3.3, 6)),
    "detuned": lambda r: (r.uniform(-12, 15) + 1j * r.choice([-1, 1]) * r.uniform(25, 120), 0.0),
    "reflected diode dead": lambda r: (r.uniform(0.0, 0.15) + 0j, 0.0),
    "forward diode weak": lambda r: (r.uniform(0.35, 0.75) + 0j, 0.0),
    "no power": lambda r: (r.uniform(0.0, 0.05) + 0j, 0.0),
    "low power": lambda r: (r.uniform(0.4, 0.75) + 0j, 0.0),
}
