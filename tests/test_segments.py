"""Segments give back what went in, notice every damage, and are small."""

from __future__ import annotations

import base64
import itertools
import zlib
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from drivers.contract import SampleBlock, join
from logger.store.archive import same
from logger.store.segments import SegmentError, decode, decode_times, encode, is_readable
from tests.examples import examples

STEP = 3.3 / 4096
BOTH = (STEP, STEP)
T0 = 1_790_000_000_000_000_000
INT64 = st.integers(-(2**63), 2**63 - 1)
ANY_BITS = INT64  # NaNs with payloads, infinities, -0.0 and subnormal values among them
LENGTHS = st.one_of(st.integers(0, 5), st.integers(250, 520), st.just(1500))
Columns = Mapping[str, NDArray[np.float64]]
NO_COLUMNS: Columns = {}


def comes_back(block: SampleBlock) -> bytes:
    given_ = SampleBlock(
        block.time_ns.copy(),
        block.forward_v.copy(),
        block.reflected_v.copy(),
        {name: column.copy() for name, column in block.aux.items()},
        block.step_v,
        block.full_scale_v,
    )
    segment = encode(block)
    assert same(given_, block)  # encoding left its input alone
    decoded = decode(segment)
    assert same(given_, decoded)
    assert (decoded.time_ns.dtype, decoded.forward_v.dtype) == (np.int64, np.float64)
    assert np.array_equal(decode_times(segment), block.time_ns)
    return segment


def every_ms(n: int) -> NDArray[np.int64]:
    return T0 + np.arange(n) * 1_000_000


def block_of(
    forward_v: NDArray[np.float64],
    reflected_v: NDArray[np.float64] | None = None,
    aux: Columns = NO_COLUMNS,
    step_v: tuple[float, float] = (0.0, 0.0),
) -> SampleBlock:
    other = forward_v if reflected_v is None else reflected_v
    return SampleBlock(every_ms(len(forward_v)), forward_v, other, aux, step_v)


def codes_of_carrier(n: int, seed: int = 1) -> NDArray[np.float64]:
    """Both columns in steps of the converter, (2, n): one step rms of noise on each."""
    noise = np.random.default_rng(seed).normal(size=(2, n))
    return np.rint(np.array([[1500.3], [300.2]]) + noise)


def carrier(n: int, step_v: tuple[float, float] = BOTH) -> SampleBlock:
    forward, reflected = codes_of_carrier(n) * STEP
    return block_of(forward, reflected, step_v=step_v)


@st.composite
def increasing(draw: st.DrawFn, n: int) -> NDArray[np.int64]:
    """Any increasing times, or such as clocks give."""
    if draw(st.booleans()):
        values = draw(st.lists(INT64, min_size=n, max_size=n, unique=True))
        return np.array(sorted(values), dtype=np.int64)
    unit = draw(st.sampled_from([1, 1000]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    apart = draw(st.integers(1, 10**6)) + rng.integers(0, draw(st.integers(1, 10**5)), n)
    if n and draw(st.booleans()):
        apart[rng.integers(0, n)] += 10**10
    return T0 + np.cumsum(apart) * unit


@st.composite
def column_of(draw: st.DrawFn, n: int) -> NDArray[np.float64]:
    """Any bits, few different bits, or a grid of any step, walked on."""
    kind = draw(st.sampled_from(["any", "few", "grid"]))
    if kind == "any":
        return draw(hnp.arrays(np.int64, n, elements=ANY_BITS)).view(np.float64)
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    if kind == "few":
        some = np.array(draw(st.lists(ANY_BITS, min_size=1, max_size=4)), dtype=np.int64)
        often = draw(st.sampled_from([1, 300]))
        return some[rng.integers(0, len(some), n // often + 1)].repeat(often)[:n].view(np.float64)
    steps = draw(st.sampled_from([0, 1, 100, 10**5, 2**29]))
    whole = np.cumsum(rng.integers(-1, 2, n) * steps)
    whole += rng.integers(0, draw(st.integers(1, 100)), n)
    codes = whole.astype(np.float64)
    match draw(st.sampled_from(["multiple", "part", "counts", "offset"])):
        case "multiple":
            return codes * draw(st.floats(1e-300, 1e6))
        case "part":
            return codes / 10.0 ** draw(st.integers(0, 9))
        case "counts":
            return codes * 3.3 / 4095.0
    return codes * STEP + draw(st.floats(-2, 2))


@st.composite
def blocks(draw: st.DrawFn) -> SampleBlock:
    n = draw(LENGTHS)
    names = draw(st.lists(st.text(max_size=8), unique=True, max_size=2))
    step = st.one_of(st.sampled_from([0.0, STEP, 1e-3, 1e-6]), st.floats(5e-324, 1e308))
    return SampleBlock(
        draw(increasing(n)),
        draw(column_of(n)),
        draw(column_of(n)),
        {name: draw(column_of(n)) for name in names},
        (draw(step), draw(step)),
        draw(st.one_of(st.none(), st.floats(0.1, 10))),
    )


@examples(40)
@given(blocks())
def test_all_come_back_bit_for_bit(block: SampleBlock) -> None:
    comes_back(block)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(2, 1200).flatmap(
        lambda n: hnp.arrays(
            np.int64,
            n,
            elements=st.one_of(*(st.integers(-(2**b), 2**b - 1) for b in (3, 7, 15, 31, 63))),
        )
    )
)
def test_rows_of_every_width_come_back(series: NDArray[np.int64]) -> None:
    on_grid = np.clip(series, -(2**29), 2**29).astype(float) * 1e-4
    comes_back(block_of(series.view(np.float64), on_grid, step_v=(0.0, 1e-4)))


@pytest.mark.parametrize("last", [2**15 - 1, 2**15, 2**29, 2**31 - 1, 2**31, 2**62, 2**63 - 1])
@pytest.mark.parametrize("first", [0, -1, -(2**63)])
def test_series_at_the_edges_of_kinds(first: int, last: int) -> None:
    series = np.array([first, last] * 200 + [first + 1], dtype=np.int64)
    comes_back(block_of(series.view(np.float64), series.astype(float), step_v=(0.0, 1.0)))


@pytest.mark.parametrize("edge", [8, 2**7, 2**15, 2**31, 2**47])
@pytest.mark.parametrize(("up", "down"), [(-1, 0), (0, 0), (0, 1), (1, 1)])
def test_rows_at_the_edges_of_classes(edge: int, up: int, down: int) -> None:
    series = np.tile([1, -1], 256)  # about a mean of 0, without runs, and worse as differences
    series[100], series[101] = edge + up, -edge - down
    comes_back(block_of(series.view(np.float64)))


@pytest.mark.parametrize("n", [0, 1, 2, 3, 255, 256, 257, 513, 65536 + 257])
def test_lengths(n: int) -> None:
    comes_back(carrier(n))


def test_zeros_of_both_signs_and_nans_stay_what_they_are() -> None:
    bits = np.array([0, -(2**63), 0x7FF8000000000001, -(2**63) + 0x7FF0DEADBEEF, 2**52 * 2047])
    huge = np.tile([1.7e308, -1.7e308, 0.0, 1.0], 250)
    comes_back(
        block_of(
            np.tile(bits, 200).view(np.float64),
            np.tile([0.0, -0.0, STEP], 334)[:1000],
            {"huge": huge},
            BOTH,
        )
    )


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_damage_is_noticed(data: st.DataObject) -> None:
    segment = encode(carrier(300))
    at = data.draw(st.integers(0, len(segment) - 1))
    damaged = bytearray(segment)
    damaged[at] ^= data.draw(st.integers(1, 255))
    for bad in (bytes(damaged), segment[:at], segment + b"\0"):
        assert not is_readable(bad)
        with pytest.raises(SegmentError):
            decode(bad)


def test_each_damaged_byte_is_noticed() -> None:
    segment = encode(carrier(100, step_v=(0.0, 0.0)))
    assert is_readable(segment)
    for at in range(len(segment)):
        damaged = bytearray(segment)
        damaged[at] ^= 1 << at % 8
        with pytest.raises(SegmentError):
            decode(bytes(damaged))


def test_a_newer_version_is_named() -> None:
    segment = encode(carrier(3))
    newer = segment[:4] + b"\2" + zlib.crc32(segment[9:], 2).to_bytes(4, "little") + segment[9:]
    assert not is_readable(newer)
    with pytest.raises(SegmentError, match="version 2"):
        decode(newer)


def joined(segments: Sequence[bytes]) -> bytes:
    return encode(join([decode(segment) for segment in segments]))


def test_merged_segments_are_as_if_written_at_once() -> None:
    whole = carrier(5000)
    parts = [encode(whole[a:b]) for a, b in itertools.pairwise([0, 1, 1000, 1001, 4000, 5000])]
    assert joined(parts) == encode(whole)
    assert joined([joined(parts[:3]), joined(parts[3:])]) == encode(whole)


def bytes_a_pair(
    codes: NDArray[np.float64], step_v: tuple[float, float], aux: Columns = NO_COLUMNS
) -> float:
    return len(comes_back(block_of(*codes, aux, step_v))) / codes.shape[1]


def test_a_steady_carrier_takes_little_more_than_its_entropy() -> None:
    n = 131_072
    codes = codes_of_carrier(n)
    aux = {"channel": np.full(n, 20.0), "temperature_c": np.full(n, np.nan)}
    assert bytes_a_pair(codes * STEP, BOTH, aux) < 0.54
    assert bytes_a_pair(codes * STEP, (0.0, 0.0)) < 0.55  # without having been told the step
    assert bytes_a_pair(codes * 3.3 / 4095, (3.3 / 4095,) * 2) < 0.55
    assert bytes_a_pair(codes * STEP - 0.1234, BOTH) < 0.55
    millivolts = codes * 0.125 / 1000  # printed with 3 decimals
    assert bytes_a_pair(millivolts, (1e-6, 1e-6)) < 0.55


def test_decimals_are_found() -> None:
    wide = np.random.default_rng(1).integers(0, 3_000_000, (2, 4096)) / 1e6
    assert bytes_a_pair(wide, (1e-6, 1e-6)) < 2 * 22 / 8 + 0.5


def kept() -> SampleBlock:
    """Pairs with every kind of column and rows of every class, made without a random generator."""
    i = np.arange(600)
    noise = i * i % 7 + i % 5
    wide = np.where(i < 540, noise, i * i * 7919 % (1 << 24))
    return SampleBlock(
        T0 + (i * 3333 + i % 3 + i // 400 * 9_000_000) * 1000,
        (1500 + noise) * STEP,
        wide / 1e6,
        {
            "table": (300 + noise) * 3.3 / 4095,
            "runs": np.where(i < 300, np.nan, 20.0),
            "bits": np.where(i % 8 < 7, 0.0, (i + 0.5) / 3),
        },
        (STEP, 1e-6),
        3.3,
    )


def test_what_was_written_once_is_read_for_ever() -> None:
    assert same(kept(), decode(base64.b85decode("".join(KEPT.split()))))


KEPT = """
O-)lr0RmJ(p(wR4{a}0=)CT}m3eNxl0G7=HSkD;OTZAL?007Mc=*|F^Sw71^3TBm-sb+6-
cVTj5Uv|qsN@l2Sb!>ELaBO7&0G6wAWoB$;V{~O?Uv|qru*UbGwe5|haA9(E%Rw%LfB=@IbYWs_Wy=6RN@xt{G}!<N%>gWyq;hp
`bEINvbaTr;@Bo%T1W^D2wDl?f|NsC03=9l_EiEc7EGjK6DJ?B3EPyR-fGsI4DS$8_aD!CoBv69Jy+LzitZfLu0SgXT$Q?%u4zh
5Ng@ea}zkqN2fP)`!@B;xq;NS-
w{9qg)`T$RIWCs#+hyd!q(lS?ALbA<yhT5xoXe$9Y0mJ|RNPzc%_e=MH_kaZu03=Gxgjb3e6y8%<!~g(DfPa9034efpfCUf$Bud
PLSBe)D-cwj?000<(fq()4Yd}Rt6|eye1ORjf0uQ!K41hy}fPgH3fPnXafPjC1fIU=+0o(-u0RaiLrfQjbc$S8EjJB6bXsDH`h-
qwv#b<k}hKW~~iI~S&TX~3#hlGoUh>C}YiHnAVij0SehK7iWjDm@ahKPlXhlz`Uh>C~^0C1&Xz<G#4;vofBqvox&fu}GHUXTdH2
>@gd0RsRDc!&W20ssL41YcufUSVHfVPIciV_{rgVqs!nUS42iUSDEhU`&IUi(Cts159&xTO7MMlg#7Tt6b|?qs-
H|dmNkiGfYDm%UsJCLrgRHn;d(%)6An-
>s+hY<IIydyTT5wilzRQX?)CDCNOyY!NLK4IWlS8kbtfl#H`Xa*0$3w$DOhSm1A$YKn4m+%7=oxGUnL{cOwlon?5DUOU_Z$SlnR
bY3_6QeFKRQmK~%kvO2;_(_7?i_kaqNAE`9IOV(oUdIyvtt~<$B<#Ym(A+SKuVDN!}fq;R4fq()441j>3fPjELfPjG8000*Nfzf
6Ka>@^NFz~(h=W<*w<*2cga48_u0ALgVT`mC%K*+cRs0~8FN;qYGbW=-
T5DOav1zdB0jKR<Y7y`@(0OHFnGyqqV4*dTItAhU|I0Pv{31e;C&9&eX2*lq(?f?IO`v3p`6L9m}f5Q6@@Bcr92f`1wky(@~qFf
CnODMCTYyl;}PX_p;Ku-?vB*9MVoHNch+gvlvGs_$^%rCp#GRrHgoHEKMn_M!<Ba0j|$RCG;e|v`o`_-
#QJIc|nTsNxGjAHbn7Of~nCo0j1LiC|qwK}w+3|*)~6PiWn3BzJcMbuG@2H|&5D#%Dt>o$%v8C_Ras31hHF|dOq%NP=15Q*pdS^
xhHq{cjfAQ%KeU~2UwEOabBIGEzFkklTWztT_20@`wk-EX=n7W|88_Xd>&0CEKq8?YtmTtUh~3CwSXA{MK`r$8l9#*xw;$3>79L
ow%^b5+G6X+>dXHZTanI8KgB?uhRD?N1W<&HdYpbTbJk5K2Tuf<PHc9{>}i0O$)OQ2`V)lK|jwKn%bMUNFB3G`=E`BUtJJ$N&Zm
H2^T0%V;%F1w1MZQ*bnu0b~FJh8h6u(q*t^FsGu73}68
"""


def test_large_codes_come_back() -> None:
    """Steps so fine that codes need more than 30 bits are given up, and nothing is lost."""
    rng = np.random.default_rng(3)
    for step in (1e-8, 2e-9, 1e-12, 1e-30):
        fine = np.rint(rng.uniform(1, 10, 600) / step) * step
        comes_back(block_of(fine, -fine, step_v=(step, step)))
    comes_back(block_of(np.linspace(-1e99, 1e99, 300), np.linspace(0, 1e101, 300)))


@pytest.mark.parametrize("slope_ns", [5_000_000, 3_333_000, 1_234_567, 2**41])
def test_steady_times_take_next_to_nothing(slope_ns: int) -> None:
    """A line is taken off them, whatever its slope; gaps and jitter cost their own bits."""
    n = 4096
    flat = np.full(n, 0.5)
    times = T0 + np.arange(n) * slope_ns
    size = len(encode(SampleBlock(times, flat, flat, {}, (0.0, 0.0))))
    assert size < (200 if slope_ns < 2**40 else 9 * n)
    jitter = np.random.default_rng(1).integers(0, 15, n) * 1000
    rough = SampleBlock(T0 + np.arange(n) * 5_000_000 + jitter, flat, flat, {}, (0.0, 0.0))
    assert len(comes_back(rough)) < 0.55 * n + 200
    gaps = times + np.cumsum(np.random.default_rng(2).random(n) < 0.002) * 10**10
    assert len(comes_back(SampleBlock(gaps, flat, flat, {}, (0.0, 0.0)))) < 9 * n


def test_a_table_of_codes_is_kept_where_steps_are_rough() -> None:
    """Volts that a bridge computed in another way: a few distinct values, off any grid."""
    codes = np.random.default_rng(4).integers(0, 12, 8192)
    volts = (codes * 3.3 / 4095.0).astype(np.float32).astype(np.float64)
    size = len(comes_back(block_of(volts, step_v=(3.3 / 4095, 3.3 / 4095))))
    assert size < 2 * 8192 * 0.5 + 400


def test_the_finer_of_two_steps_serves_where_it_must() -> None:
    """Decimals printed finer than the converter's steps: the steps take fewer bits."""
    codes = np.rint(1500 + np.random.default_rng(5).normal(size=8192) * 3)
    coarse = bytes_a_pair(np.array([codes, codes]) * 0.004, (0.004, 0.004))
    printed = bytes_a_pair(np.array([codes, codes]) * 0.004, (1e-6, 1e-6))
    assert printed < coarse + 0.02
