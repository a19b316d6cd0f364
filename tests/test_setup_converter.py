"""`mismatchd setup` with a converter of the host, over files as the kernel lays them out."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from drivers.iio.device import find_device, list_converters
from logger.cli.guides import setup, setup_converter
from logger.cli.guides.setup import SetupGuide
from logger.cli.guides.setup_converter import ConverterGuide
from logger.config.load import load
from logger.setup import unit
from logger.setup.answers import Answers
from logger.setup.rendering import render
from tests.iio_bench import Converter
from tests.test_setup import Script

pytestmark = pytest.mark.realtime


@pytest.fixture(autouse=True)
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_converter, "LISTEN_S", 0.5)


@pytest.fixture
def converter(tmp_path: Path) -> Converter:
    made = Converter(tmp_path, buffer=False)
    made.plug()
    made.set(0.1, 0.02)
    return made


def guide(script: Script, answers: Answers, converter: Converter) -> ConverterGuide:
    return ConverterGuide(script, answers, converter.sysfs, converter.dev)


def test_converters_are_those_with_two_voltages(converter: Converter) -> None:
    (sensor := converter.sysfs / "iio:device7").mkdir()
    (sensor / "in_temp_raw").write_text("21\n")
    (found,) = list_converters(converter.sysfs)
    assert (found.name, found.channels) == ("harbour-adc", ["voltage0", "voltage1"])
    (twin := converter.sysfs / "iio:device8").mkdir()
    for name, text in (("name", "harbour-adc"), ("in_voltage2_raw", "5"), ("in_voltage3_raw", "5")):
        (twin / name).write_text(f"{text}\n")
    for each in list_converters(converter.sysfs):
        assert find_device(each.name, converter.sysfs).samefile(each.folder)
    assert list_converters(converter.sysfs / "none") == []


def test_a_converter_is_proposed_with_its_channels_and_scales(converter: Converter) -> None:
    script, answers = (
        Script("7", "1", "voltage0", "voltage1 voltage9", "voltage1, voltage0"),
        Answers(),
    )
    assert guide(script, answers, converter).run()
    said = "\n".join(script.said)
    assert "1  iio:device0, harbour-adc: voltage0, voltage1" in said
    assert "- voltage0: now 0.100 V (108, 1 mV a count)" in said
    assert "- voltage1: now 0.020 V (80, 0.25 mV a count)" in said
    assert "'voltage1 voltage9': name two of voltage0, voltage1." in said
    assert "pairs a second" in said
    assert (answers.kind, answers.device) == ("iio", "harbour-adc")
    assert (answers.forward, answers.reflected) == ("voltage1", "voltage0")


def test_a_bridge_is_the_default_and_nothing_is_asked_without_a_converter(
    converter: Converter, tmp_path: Path
) -> None:
    assert not guide(Script(""), Answers(), converter).run()
    assert not ConverterGuide(Script(), Answers(), tmp_path / "none").run()


def test_one_that_cannot_be_read_says_why(converter: Converter) -> None:
    (converter.folder / "in_voltage0_scale").write_text("0\n")
    script, answers = Script("1", "", "", "1", "", "k"), Answers()
    assert guide(script, answers, converter).run()
    assert any("scale is missing or 0" in text for text in script.said)
    assert answers.device == "harbour-adc"


def test_the_configuration_is_written_and_the_ports_can_be_exchanged(
    converter: Converter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of_test = partial(ConverterGuide, sysfs=converter.sysfs, dev=converter.dev)
    monkeypatch.setattr(setup, "ConverterGuide", of_test)
    answers = Answers()
    script = Script("1", "", "attic", "20", "4", "", "s")
    config = SetupGuide(script, tmp_path / "config.yaml", answers).run()
    assert (config.kind, config.station.channel) == ("iio", 20)
    assert config.driver == {
        "kind": "iio",
        "device": "harbour-adc",
        "forward": "voltage0",
        "reflected": "voltage1",
    }
    assert answers.exchange()
    (path := tmp_path / "exchanged.yaml").write_text(render(answers))
    assert load(path).driver["forward"] == "voltage1"


def test_the_unit_admits_the_converter() -> None:
    shipped = unit.SHIPPED.read_text()
    lines = unit.unit(shipped, None, has_converter=True).splitlines()
    assert {"DeviceAllow=char-iio rw", "ProtectKernelTunables=no"} <= {*lines}
    assert "ProtectKernelTunables=yes" not in lines
