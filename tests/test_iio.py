"""The driver `iio` over a tree of files and a pipe laid out as the kernel documents them.

The contract suite is passed in `test_driver_contract`; here is what is peculiar to converters.
"""

from __future__ import annotations

import errno
import grp
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import LinkError
from drivers.contract_suite import make_driver
from drivers.iio.device import why_not
from drivers.iio.driver import IioDriver
from drivers.iio.scan import Element, Scan, parse_type
from drivers.timeline import host_ns
from tests.deadlines import Deadline, scale
from tests.iio_bench import Converter
from tests.station import mismatchd, volts, write_config

pytestmark = pytest.mark.realtime

S = 1_000_000_000


@pytest.fixture
def streaming(tmp_path: Path) -> Iterator[Converter]:
    converter = Converter(tmp_path, buffer=True)
    converter.plug()
    yield converter
    if converter.folder.exists():
        converter.unplug()


@pytest.fixture
def plain(tmp_path: Path) -> Iterator[Converter]:
    converter = Converter(tmp_path, buffer=False)
    converter.plug()
    yield converter
    if converter.folder.exists():
        converter.unplug()


def driver_of(converter: Converter, **more: Any) -> IioDriver:
    options = {
        "device": "harbour-adc",
        "forward": "voltage0",
        "reflected": "voltage1",
        "sysfs": str(converter.sysfs),
        "dev": str(converter.dev),
        **more,
    }
    driver = make_driver("iio", options)
    assert isinstance(driver, IioDriver)
    return driver


def refusal(converter: Converter, **more: Any) -> str:
    """What the driver says when it cannot open the converter."""
    driver = driver_of(converter, **more)
    with pytest.raises(LinkError) as caught:
        driver.open()
    driver.close()
    assert "\n" not in str(caught.value)
    return str(caught.value)


# scans


def test_types_are_read_as_documented() -> None:
    assert parse_type("le:s12/16>>4\n") == Element(True, True, 12, 16, 1, 4)
    assert parse_type("be:u24/32X2>>0") == Element(False, False, 24, 32, 2, 0)
    assert parse_type("le:u8/8").size == 1
    assert parse_type("le:s12/16>>4").highest == 2047
    assert parse_type("le:u12/16>>4").highest == 4095
    for wrong in ("", "s12/16>>4", "le:s12/16>>5", "le:u16/24>>0", "le:f32/32", "le:u0/16>>0"):
        with pytest.raises(ValueError, match="scan element"):
            parse_type(wrong)


def test_each_element_is_aligned_to_its_size() -> None:
    code, stamp = parse_type("le:u12/16>>0"), parse_type("le:s64/64>>0")
    scan = Scan({"timestamp": (9, stamp), "voltage1": (4, code), "voltage0": (0, code)})
    data = bytes.fromhex("0102 0304 00000000 0500000000000000".replace(" ", "")) * 2
    assert scan.size == 16
    assert scan.counts(data, "voltage0").tolist() == [0x201] * 2
    assert scan.counts(data, "voltage1").tolist() == [0x403] * 2
    assert scan.counts(data, "timestamp").tolist() == [5] * 2
    assert scan.counts(data[:-1], "timestamp").tolist() == [5]  # a torn scan is none
    assert Scan({"a": (0, stamp), "b": (1, code)}).size == 16  # padded at its end


@st.composite
def elements(draw: st.DrawFn) -> Element:
    storage = draw(st.sampled_from([8, 16, 32, 64]))
    bits = draw(st.integers(1, storage))
    shift = draw(st.integers(0, storage - bits))
    repeat = draw(st.sampled_from([1, 1, 2, 4]))
    signed = draw(st.booleans()) or bits == 64
    return Element(draw(st.booleans()), signed, bits, storage, repeat, shift)


@given(st.lists(elements(), min_size=1, max_size=5), st.data())
def test_what_is_packed_number_by_number_is_unpacked_at_once(
    layout: list[Element], data: st.DataObject
) -> None:
    packed = bytearray()
    expected: list[list[int]] = [[] for _ in layout]
    largest = max(element.size for element in layout)
    for _ in range(3):
        while len(packed) % largest:
            packed.append(0xAA)
        for element, counts in zip(layout, expected, strict=True):
            while len(packed) % element.size:
                packed.append(0xAA)
            low = -(1 << element.bits - 1) if element.signed else 0
            count = data.draw(st.integers(low, element.highest))
            counts.append(count)
            noise = data.draw(st.integers(0, (1 << element.storage_bits) - 1))
            mask = (1 << element.bits) - 1 << element.shift
            word = (count << element.shift) & mask | noise & ~mask
            order = "little" if element.little else "big"
            packed += word.to_bytes(element.storage_bits // 8, order)
            packed += bytes(element.size - element.storage_bits // 8)
    packed += b"\xaa" * (-len(packed) % largest)
    scan = Scan({str(k): (7 * k, element) for k, element in enumerate(layout)})
    for k, counts in enumerate(expected):
        assert scan.counts(bytes(packed), str(k)).tolist() == counts


# by the buffer


def feed(converter: Converter, scans: int) -> None:
    for k in range(scans):
        converter.scan(0.25 + 0.25 * (k % 2), 0.125)
        time.sleep(0.01)


def test_the_buffer_is_set_up_and_left_off(streaming: Converter) -> None:
    streaming.write("buffer0/enable", 1)  # left on by one that was killed
    driver = driver_of(streaming, rate_hz=200)
    driver.open()
    assert streaming.read("buffer0/enable") == "1"
    assert streaming.read("sampling_frequency") == "200"
    assert streaming.read("current_timestamp_clock") == "boottime"
    assert int(streaming.read("buffer0/length")) == 400
    before_ns = host_ns()
    feed(streaming, 6)
    block = driver.read(1.0, 0.1)
    assert block is not None
    assert block.forward_v.tolist() == [0.25, 0.5] * 3
    assert block.reflected_v.tolist() == [0.125] * 6
    assert block.step_v == (0.001, 0.00025)
    assert block.full_scale_v == pytest.approx(min((4095 - 8) * 1e-3, 16383 * 0.25e-3))
    assert before_ns - 1000 <= block.time_ns[0] < block.time_ns[-1] <= host_ns()
    driver.close()
    assert streaming.read("buffer0/enable") == "0"
    assert driver.notices() == []


@pytest.mark.parametrize("stamps", ["none", "wall clock", "wall clock, said to be the host's"])
def test_without_the_clock_of_the_host_pairs_are_timed_by_their_arrival(
    tmp_path: Path, stamps: str
) -> None:
    converter = Converter(tmp_path, buffer=True, clock=None)
    converter.plug()
    if stamps.endswith("host's"):
        converter.write("current_timestamp_clock", "realtime")
    if stamps == "none":
        (converter.folder / "buffer0/in_timestamp_type").unlink()
    driver = driver_of(converter)
    driver.open()
    times: list[int] = []
    begun_ns = host_ns()
    for _ in range(8):
        for _ in range(3):
            if stamps != "none":
                converter.scan(0.25, 0.125)
            else:
                converter.give(bytes(4))
            time.sleep(0.01)
        block = driver.read(0.5, 0.0)
        assert block is not None
        times += block.time_ns.tolist()
    assert len(times) == 24
    assert begun_ns - S // 20 < times[0] < times[-1] <= host_ns() + S // 20
    assert (np.diff(times) > 0).all()
    driver.close()
    converter.unplug()


def test_folders_of_older_kernels_do(streaming: Converter) -> None:
    folder = streaming.folder
    (folder / "scan_elements").mkdir()
    for file in (folder / "buffer0").glob("in_*"):
        file.rename(folder / "scan_elements" / file.name)
    (folder / "buffer0").rename(folder / "buffer")
    driver = driver_of(streaming, read="buffer")
    driver.open()
    assert streaming.read("buffer/enable") == "1"
    assert streaming.read("scan_elements/in_voltage2_en") == "0"
    driver.close()


def test_after_a_full_buffer_there_is_a_gap(streaming: Converter) -> None:
    driver = driver_of(streaming)
    driver.open()
    for _ in range(int(streaming.read("buffer0/length"))):
        streaming.scan(0.25, 0.125)
    full = driver.read(0.1, 0.0)
    streaming.scan(0.25, 0.125)
    after = driver.read(0.1, 0.0)
    streaming.scan(0.25, 0.125)
    later = driver.read(0.1, 0.0)
    assert full is not None
    assert after is not None
    assert later is not None
    assert [full.gap, after.gap, later.gap] == [False, True, False]
    driver.close()


def test_a_buffer_that_does_not_run_is_polled_or_refused(streaming: Converter) -> None:
    streaming.write("trigger/current_trigger", "")
    trigger = streaming.folder / "trigger/current_trigger"
    assert "cannot stream without a trigger: write the name of one" in (
        words := refusal(streaming, read="buffer")
    )
    assert str(trigger) in words
    driver = driver_of(streaming)
    driver.open()
    (told,) = driver.notices()
    assert str(trigger) in told
    assert told.endswith("polling its files instead")
    streaming.set(1.25, 0.5)
    block = driver.read(0.5, 0.0)
    assert block is not None
    assert (block.forward_v[0], block.reflected_v[0]) == (1.25, 0.5)
    driver.close()
    trigger.write_text("sysfstrig0\n")
    streaming.write("buffer0/in_voltage1_type", "be:u14/24>>0")
    assert "in_voltage1_type: 'be:u14/24>>0' is an impossible" in refusal(streaming, read="buffer")


# by the files


def test_failed_readings_are_left_out_counted_and_told_once(plain: Converter) -> None:
    busy = False

    def pread(file: int, size: int, at: int) -> bytes:
        if busy:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        return os.pread(file, size, at)

    options = msgspec.structs.replace(driver_of(plain)._options, rate_hz=500.0)
    driver = IioDriver(options, pread=pread)
    driver.open()
    assert driver.read(0.5, 0.1) is not None
    busy = True
    for _ in range(3):
        assert driver.read(0.05, 0.0) is None
    assert driver.counters["failed_readings"] > 10
    (told,) = driver.notices()
    assert told == f"readings of {plain.folder} fail: Device or resource busy"
    busy = False
    first, second = driver.read(0.5, 0.0), driver.read(0.5, 0.0)
    assert first is not None
    assert second is not None
    assert (first.gap, second.gap) == (True, False)
    assert driver.notices() == ["converter harbour-adc is readable again"]
    assert driver.counters["link_lost"] == 0
    driver.close()


def test_a_converter_that_is_gone_for_the_kernel_is_opened_again(plain: Converter) -> None:
    gone = False

    def pread(file: int, size: int, at: int) -> bytes:
        if gone:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return os.pread(file, size, at)

    driver = IioDriver(driver_of(plain)._options, pread=pread)
    driver.open()
    assert driver.read(0.5, 0.0) is not None
    gone = True
    assert driver.read(0.5, 0.0) is None
    assert driver.away == "converter harbour-adc lost: No such device; waiting for it"
    gone = False
    deadline = Deadline(3)
    while driver.read(0.1, 0.0) is None:
        assert not deadline.has_passed()
    lost, back = driver.notices()
    assert lost.endswith("waiting for it")
    assert back.startswith("converter harbour-adc reconnected after ")
    driver.close()


def test_the_pace_is_kept(plain: Converter) -> None:
    driver = driver_of(plain, rate_hz=200)
    driver.open()
    block = driver.read(0.5, 0.5)
    driver.close()
    assert block is not None
    assert 60 / scale(1) <= len(block) <= 101
    # What was late is not made up for: a step after a late one may be short, and no more follow.
    steps_ns = np.diff(block.time_ns)
    late = np.count_nonzero(steps_ns > 6 * S // 1000)
    assert np.count_nonzero(steps_ns < S // 1000) <= 2 + late


def test_processed_readings_and_pairs_of_pins(plain: Converter) -> None:
    plain.write("in_voltage2-voltage3_raw", -40)
    plain.write("in_voltage-voltage_scale", "0.125")
    plain.write("in_voltage4_input", 1234)
    driver = driver_of(plain, forward="in_voltage4", reflected="voltage2-voltage3")
    driver.open()
    block = driver.read(0.5, 0.0)
    driver.close()
    assert block is not None
    assert block.forward_v[0] == pytest.approx(1.234)
    assert block.reflected_v[0] == pytest.approx(-0.005)
    assert block.step_v == (0.0, 0.000125)


# what cannot be


def test_what_is_wrong_is_said_in_one_line(plain: Converter, tmp_path: Path) -> None:
    there = f"no converter 'no-such' in {plain.sysfs}; available: iio:device0 (harbour-adc)"
    assert refusal(plain, device="no-such") == there
    words = refusal(plain, forward="voltage7")
    assert (
        words == f"{plain.folder} has no voltage channel 'voltage7'; available: voltage0, voltage1"
    )
    (plain.folder / "in_voltage_scale").write_text("0.5 dB\n")
    assert f"{plain.folder}/in_voltage_scale holds '0.5 dB'" in refusal(plain)
    (plain.folder / "in_voltage_scale").unlink()
    assert "in_voltage1_scale is missing or 0" in refusal(plain)
    plain.write("../iio:device9/name", "harbour-adc")
    assert "iio:device0 and iio:device9" in refusal(plain)
    assert "no such folder" in refusal(plain, device=str(tmp_path / "none"))
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "is the converter's kernel module loaded" in refusal(plain, sysfs=str(empty))
    with pytest.raises(msgspec.ValidationError, match="two channels"):
        driver_of(plain, reflected="in_voltage0")


def test_who_may_not_read_is_told_of_the_actual_file_and_group(tmp_path: Path) -> None:
    denied = PermissionError(errno.EACCES, "Permission denied")
    file = tmp_path / "enable"
    file.touch()
    group = grp.getgrgid(file.stat().st_gid).gr_name
    file.chmod(0o644)
    words = why_not(file, denied, writing=True)
    assert words.startswith(f"cannot write to {file}: no permission; not even its group ")
    assert f"its group {group}" in words
    assert "udev rule" in words
    if os.geteuid() == 0:
        other = next(entry for entry in grp.getgrall() if entry.gr_gid)
        os.chown(file, 0, other.gr_gid)
        file.chmod(0o660)
        words = why_not(file, denied, writing=True)
        assert f"it belongs to group {other.gr_name}; run `sudo usermod -aG " in words
    busy = OSError(errno.EBUSY, "Device or resource busy")
    assert "another program uses" in why_not("/dev/iio:device0", busy, writing=False)
    read_only = OSError(errno.EROFS, "Read-only file system")
    assert "ProtectKernelTunables=no" in why_not(file, read_only, writing=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not")
def test_who_really_may_not_gets_that_line() -> None:
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from drivers.iio.driver import IioDriver, IioOptions\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "options = IioOptions(device='harbour-adc', forward='voltage0', reflected='voltage1',"
        " sysfs=Path(sys.argv[1]))\n"
        "try:\n"
        "    IioDriver(options).open()\n"
        "except Exception as error:\n"
        "    print(type(error).__name__, error)\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        converter = Converter(Path(folder), buffer=False)
        converter.plug()
        raw = converter.folder / "in_voltage0_raw"
        raw.chmod(0o600)
        done = subprocess.run(
            [sys.executable, "-c", code, str(converter.sysfs)], capture_output=True, text=True
        )
        converter.unplug()
    assert done.stdout.startswith(f"LinkError cannot read {raw}: no permission; "), done.stderr
    assert "not even its group" in done.stdout


# the daemon


def test_from_the_buffer_to_a_row(streaming: Converter, tmp_path: Path) -> None:
    driver = {
        "kind": "iio",
        "device": "harbour-adc",
        "forward": "voltage0",
        "reflected": "voltage1",
        "sysfs": str(streaming.sysfs),
        "dev": str(streaming.dev),
    }
    config = write_config(
        tmp_path, "none", driver=json.dumps(driver), transmission="{hang_ms: 300}"
    )
    assert "iio" in mismatchd("check", "-c", config).stdout
    daemon = subprocess.Popen(
        [sys.executable, "-m", "logger.cli", "run", "-c", str(config)],
        stderr=subprocess.PIPE,
        text=True,
    )
    ended = threading.Event()

    edges_s: list[float] = []

    def transmit() -> None:
        keyed = volts(4.0), volts(4.0 / 25)  # SWR 1.5
        while streaming.read("buffer0/enable") != "1" and not ended.wait(0.02):
            pass
        for k in range(250):
            if k in (50, 200):
                edges_s.append(time.monotonic())
            streaming.scan(*(keyed if 50 <= k < 200 else (0.0, 0.0)))
            if ended.wait(0.01):
                break

    person = threading.Thread(target=transmit)
    person.start()
    person.join(scale(30))
    time.sleep(scale(0.6))
    ended.set()
    daemon.terminate()
    words = daemon.communicate(timeout=scale(10))[1]
    assert daemon.returncode == 0, words
    table = mismatchd("export", "transmissions", "-c", config, "--format", "jsonl").stdout
    (row,) = map(json.loads, table.splitlines())
    assert row["samples"] == 150
    assert row["swr"] == pytest.approx(1.5, abs=0.02)
    assert row["duration_s"] == pytest.approx(edges_s[1] - edges_s[0], abs=scale(0.1))
    assert streaming.read("buffer0/enable") == "0"
