"""The guess of a bridge's format: what it names can be read by the driver, with the true volts."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.text_lines.parser import LineParser
from logger.setup.guess import Guess, Unreadable, guess

LINES, SECONDS = 120, 0.6
RNG = np.random.default_rng(11)
NOISE = RNG.normal(0.0, 1.0, (LINES, 2))
REFERENCE_V = 3.3


def printed_counts(volts: tuple[float, float], bits: int) -> np.ndarray:
    """What a converter with a step of noise delivers."""
    full = 2**bits - 1
    return np.clip(np.rint(np.array(volts) / REFERENCE_V * full + NOISE), 0, full).astype(int)


def read_volts(found: Guess, lines: list[bytes], bits: int | None = None) -> np.ndarray:
    """Mean volts of both ports, as the driver reads them with that configuration."""
    full = None if found.unit != "counts" else 2 ** (bits or found.bits or 0) - 1
    columns = None if found.is_named else found.columns
    parser = LineParser(columns, full, REFERENCE_V if full else None, whole_file=True)
    parsed = parser.feed(b"".join(line + b"\n" for line in lines))
    assert parsed is not None
    assert parser.counters["lines"] >= 0.98 * len(lines)
    return np.array([parsed.values[f"{side}_v"].mean() for side in ("forward", "reflected")])


def found(lines: list[bytes]) -> Guess:
    result = guess(lines, SECONDS)
    assert isinstance(result, Guess), result
    return result


VOLTS = st.tuples(st.floats(0.9, 3.2), st.floats(0.0, 3.2))


@given(
    VOLTS,
    st.sampled_from([",", ";", "\t", " ", ", ", " ; ", "/", "|"]),
    st.sampled_from([10, 12, 14, 16]),
    st.sampled_from([None, "channel", "time_us"]),
    st.booleans(),
)
def test_counts_with_any_separator(
    volts: tuple[float, float], separator: str, bits: int, further: str | None, is_first: bool
) -> None:
    pairs = printed_counts(volts, bits)
    extra = {"channel": [20] * LINES, "time_us": [7_000 + 5_000 * i for i in range(LINES)]}
    lines = []
    for number, pair in enumerate(pairs.tolist()):
        more = [] if further is None else [extra[further][number]]
        fields = [*more, *pair] if is_first else [*pair, *more]
        lines.append(separator.join(map(str, fields)).encode())
    result = found(lines)
    assert result.unit == "counts"
    assert result.bits is not None
    assert result.bits <= bits
    if pairs.max() >= 2 ** (bits - 1) and bits in (10, 12):
        assert result.bits == bits
    expected = {"channel", "time_us"} & {further}
    assert set(result.columns) == {"forward_counts", "reflected_counts"} | expected
    tolerance = 3 * REFERENCE_V / (2**bits - 1) + 0.001
    np.testing.assert_allclose(read_volts(result, lines, bits), volts, atol=tolerance)


@given(
    VOLTS,
    st.sampled_from(["v", "mv"]),
    st.sampled_from(["json", "named", "numbers", "comma"]),
    st.integers(2, 4),
)
def test_volts_and_millivolts(
    volts: tuple[float, float], unit: str, form: str, decimals: int
) -> None:
    factor = 1000 if unit == "mv" else 1
    pairs = factor * (np.array(volts) + 0.002 * NOISE)
    lines = []
    for pair in pairs.tolist():
        f, r = (f"{abs(value):.{decimals}f}" for value in pair)
        named = {f"forward_{unit}": float(f), f"reflected_{unit}": float(r)}
        text = {
            "json": json.dumps(named),
            "named": f"forward_{unit}={f} reflected_{unit}={r}",
            "numbers": f"{f} {r}",
            "comma": f"{f};{r}".replace(".", ","),
        }[form]
        lines.append(text.encode())
    result = found(lines)
    assert result.unit == unit
    assert result.is_named == (form in ("json", "named"))
    np.testing.assert_allclose(read_volts(result, lines), volts, atol=0.01)


@given(st.lists(st.binary(min_size=1, max_size=80), max_size=60), st.floats(0, 10))
def test_garbage_is_never_an_exception(lines: list[bytes], seconds: float) -> None:
    result = guess(lines, seconds)
    if isinstance(result, Unreadable):
        assert result.reason
        assert result.remedy
    else:
        assert len(result.columns) >= 2


def test_a_header_names_the_columns() -> None:
    body = [b"21.5,1234,56"] * 20
    result = found([b"ready", b"box_c,forward_mv,reflected_mv", *body])
    assert result.columns == ("box_c", "forward_mv", "reflected_mv")
    assert not result.is_named  # the daemon may open the port after the header


@pytest.mark.parametrize(
    ("line", "columns"),
    [
        ("1387,101,20", "forward_counts reflected_counts channel"),
        ("20,{f},{r}", "channel forward_counts reflected_counts"),
        ("{f},{r},27205", "forward_counts reflected_counts frequency_khz"),
        ("{f},{r},23.4", "forward_counts reflected_counts temperature_c"),
        ("{i},{f},{r}", "number forward_counts reflected_counts"),
        ("{ms},{f},{r}", "clock_ms forward_counts reflected_counts"),
        ("{us},{f},{r},{f}", "clock_us forward_counts reflected_counts extra_4"),
        ("0,0", "forward_counts reflected_counts"),
        ("-3,{f}", "forward_mv reflected_mv"),
        ("4.8,1.6", "forward_mv reflected_mv"),
        ("0.005,0.002", "forward_v reflected_v"),
    ],
)
def test_the_columns_of(line: str, columns: str) -> None:
    pairs = printed_counts((1.1, 0.2), 12).tolist()
    lines = [
        line.format(f=f, r=r, i=i, ms=900 + 5 * i, us=2**33 + 5000 * i).encode()
        for i, (f, r) in enumerate(pairs)
    ]
    assert " ".join(found(lines).columns) == columns


def test_the_words_name_unit_and_columns() -> None:
    lines = [b"1387,101,20"] * 40
    result = found(lines)
    assert result.words() == "counts of a 12-bit converter with channel"
    assert result.example == "1387,101,20"
    assert result.with_unit("mv").columns == ("forward_mv", "reflected_mv", "channel")
    assert found([b"12,3"] * 40).words() == "counts of a converter of 10 bits or more"
    assert round(result.per_s) == round(40 / SECONDS)


@pytest.mark.parametrize(
    ("line", "reason", "remedy"),
    [
        (b"fwd=801 ref=3", "named `fwd` and `ref`", "forward_v and reflected_v"),
        (b'{"fwd": 801, "ref": 3}', "named `fwd` and `ref`", "forward_v and reflected_v"),
        (b"F 1.2 V R 0.3 V", "text beside the numbers", "1.234,0.056"),
        (b"1,234 0,056", "decimal commas", "';'"),
        (b"1387", "one number", "one line"),
        (b"\x8f\xfe\x03\xe0", "no text", "baud rate"),
        (b"forward_v,reflected_v", "only header lines", "pairs"),
    ],
)
def test_what_cannot_be_read_has_a_reason_and_a_remedy(
    line: bytes, reason: str, remedy: str
) -> None:
    result = guess([line] * 30, SECONDS)
    assert isinstance(result, Unreadable)
    assert reason in result.reason
    assert remedy in result.remedy
    assert result.example == repr(line)[2:-1]


def test_lines_of_other_kinds_between_are_counted() -> None:
    lines = [b"1.234,0.056"] * 90 + [b"battery low"] * 10
    assert found(lines).share == pytest.approx(0.9)
    mixed = guess([b"a b c", b"1,2", b"x=1", b"1,2,3", b"2"], SECONDS)
    assert isinstance(mixed, Unreadable)
    assert isinstance(guess([], 0.0), Unreadable)
