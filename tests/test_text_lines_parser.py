"""The text parser: what each line means, however it is cut, alone or in bulk."""

from __future__ import annotations

import json
import math
import re
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.text_lines import bulk, parser
from drivers.text_lines.columns import NO_TIME, Scale, layout
from drivers.text_lines.parser import LineParser
from tests.examples import examples

PAIR = ["forward_v", "reflected_v"]
TIMED = ["time_s", "forward_v", "reflected_v"]
NOTHING = dict.fromkeys((*parser.REASONS, "lines"), 0)


def rows(parsed, shift=0):
    """Return [(end, {name: value})], without what a line does not have."""
    if parsed is None:
        return []
    out = []
    for i, end in enumerate(parsed.end.tolist()):
        row = {name: column[i].item() for name, column in parsed.values.items()}
        lacking = [k for k, v in row.items() if v == NO_TIME or v != v]
        out.append((end + shift, {k: v for k, v in row.items() if k not in lacking}))
    return out


def feed_all(reader, pieces):
    out, at = [], 0
    for piece in pieces:
        parsed = reader.feed(piece)
        if parsed is not None:
            assert len(parsed.end) > 0
            assert parsed.end.dtype == np.int64
            assert parsed.end[0] > 0
            assert parsed.end[-1] <= len(piece)
            assert {len(v) for v in parsed.values.values()} == {len(parsed.end)}
        out += rows(parsed, at)
        at += len(piece)
    return out


def read(text, columns=PAIR, **options):
    """Read one whole text; return the pairs in volts and the counters that are not 0."""
    reader = LineParser(columns, whole_file=True, **options)
    data = text if isinstance(text, bytes) else text.encode()
    got = [(r["forward_v"], r["reflected_v"]) for _, r in rows(reader.feed(data))]
    return got, {k: n for k, n in reader.counters.items() if n}


# --- one rule at a time


@pytest.mark.parametrize(
    "line",
    [
        "1.25,0.5", "1.25;0.5", "1,25;0,5", "1,25 ; 0.5", "1.25\t0.5", "1.25|0.5", "1.25:0.5",
        "1.25/0.5", "1.25 0.5", "  1.25   0.5 ", "1.25 , 0.5", "+1.25,0.50", "125e-2,5E-1",
        "1.25!0.5", "001.25,0.5", "1.25 \t 0.5",
        "forward_v=1.25,reflected_v=0.5", "forward_mv=1250;reflected_mv=500",
        "reflected_v=0.5 forward_v=1.25", "forward_v = 1.25\treflected_v= 0.5",
        "forward_v=1.25  reflected_mv=500  note=hot",
        '{"forward_v": 1.25, "reflected_v": 0.5}', '{"reflected_mv":5e2,"forward_v":1.25,"x":[{}]}',
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_formats(line, end):
    assert read(line + end) == ([(1.25, 0.5)], {"lines": 1})
    assert read((line + end) * 100) == ([(1.25, 0.5)] * 100, {"lines": 100})


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("hello", "malformed"), ("1.25,", "malformed"), (",1.25,0.5", "malformed"),
        ("1.25,,0.5", "malformed"), ("1.25,abc", "malformed"), ("1_0,0.5", "malformed"),
        ("0x10,0.5", "malformed"), (".5,0.5", "malformed"), ("1.,0.5", "malformed"),
        ("1.25,0.5V", "malformed"), ("1.2.3,0.5", "malformed"), ("- 1,0.5", "malformed"),
        ("1.25\t0.5\t", "malformed"), ("1,25;0;", "malformed"), ("1.25;0.5,1,2", "malformed"),
        ("{", "malformed"), ('{"forward_v":1}', "malformed"), ("[1,2]", "malformed"),
        ('{"forward_v":"1","reflected_v":1}', "malformed"),
        ('{"forward_v":true,"reflected_v":1}', "malformed"),
        ('{"forward_v":1,"forward_mv":1,"reflected_v":1}', "malformed"),
        ('{"forward_v":1,"reflected_v":1} x', "malformed"), ("[" * 900, "malformed"),
        ('{"x":' + "[" * 900, "malformed"),
        ("forward_v=1 reflected_v=x", "malformed"), ("forward_v=1 reflected_v=", "malformed"),
        ("forward_v=1 forward_v=2 reflected_v=1", "malformed"), ("a=1", "malformed"),
        ("forward_v=1,reflected_v=0,5", "malformed"), ("forward_v=1==2 reflected_v=1", "malformed"),
        ("forward_v,reflected_v,forward_mv", "malformed"), ("forward_v,watts", "malformed"),
        ("forward_counts,reflected_counts", "malformed"),
        ("1.25", "wrong_count"), ("1,2,3", "wrong_count"), ("12:34:56", "wrong_count"),
        ("nan,0.5", "not_finite"), ("1,-inf", "not_finite"), ("Infinity 1", "not_finite"),
        ("1e999,1", "not_finite"), ("-1e999,1", "not_finite"),
        ("forward_v=nan reflected_v=1", "not_finite"),
        ("-1.01,0", "out_of_range"), ("0,100.1", "out_of_range"),
        ("forward_mv=100001 reflected_v=1", "out_of_range"),
        ("1.2\x005,0.5", "control"), ("1.25,0.5\x07", "control"), ("1.25,0.5\x7f", "control"),
        ("1.25,0.5 °", "control"), ('{"forward_v":1,"reflected_v":1,"µ":1}', "control"),
        ("1" * 1025, "overlong"), ("1,0." + "0" * 1021, "overlong"),
    ],
)  # fmt: skip
def test_bad_lines(line, reason):
    assert read(line + "\n") == ([], {reason: 1})
    assert read("1,2\n" * 500 + line + "\n" + "1,2\n" * 500) == (
        [(1, 2)] * 1000,
        {reason: 1, "lines": 1000},
    )


def test_blank_lines_are_nothing():
    assert read("\n\r\n  \r \t \n1,2\n\n") == ([(1, 2)], {"lines": 1})


def test_limits_are_inclusive():
    assert read("-1,100\n")[0] == [(-1, 100)]
    assert read("-1000,100000\n", ["forward_mv", "reflected_mv"])[0] == [(-1, 100)]
    counts = {"counts_full_scale": 1023, "reference_v": 5.0}
    both = ["forward_counts", "reflected_counts"]
    assert read("0,1023\n", both, **counts)[0] == [(0, 5)]
    assert read("-1,5\n1024,1\n", both, **counts) == ([], {"out_of_range": 2})
    timed = ["time_us", *PAIR]
    assert read("4294967295,1,2\n0,1,2\n", timed)[1] == {"lines": 2}
    assert read("4294967296,1,2\n-1,1,2\n", timed)[1] == {"out_of_range": 2}
    assert read("1.0,1,2\n1e3,1,2\n", timed)[1] == {"malformed": 2}
    assert read("1.0,1,2\n" * 100, timed)[1] == {"malformed": 100}


@pytest.mark.parametrize("line", ["1,2|3", "1 2,3", "1,2 3", "1|2 | 3,", "1 , 2 : 3"])
def test_one_separator_a_line(line):
    assert read(f"{line}\n", [*PAIR, "x"])[1] == {"malformed": 1}
    assert read(f"{line}\n" * 100, [*PAIR, "x"])[1] == {"malformed": 100}


def test_longest_line_is_inclusive():
    line = "1,0." + "0" * 1020
    assert read(line + "\n")[1] == {"lines": 1}
    assert read((line + "\n") * 50)[1] == {"lines": 50}
    assert read("1.25,0.25\n" * 50, max_line=8)[1] == {"overlong": 50}
    assert read("1.25,0.25\n1.2,0.2\n" * 50, max_line=8)[1] == {"overlong": 50, "lines": 50}


def test_units_and_steps():
    reader = LineParser(["forward_counts", "reflected_mv"], 1023, 5.0, whole_file=True)
    assert reader.step_v == (0.0, 0.0)
    (_, row), *_ = rows(reader.feed(b"511,12.5\n"))
    assert row == {"forward_v": 511 * 5.0 / 1023, "reflected_v": 12.5 / 1000}
    assert reader.step_v == (5.0 / 1023, 1e-4)


@pytest.mark.parametrize("count", [1, 100])
@pytest.mark.parametrize(
    ("line", "step"),
    [
        ("1,0.25", (1, 0.01)),
        ("0.1234,-1e-5", (1e-4, 1e-5)),
        ("-1e-5,0.1", (1e-5, 0.1)),
        ("7e1,0.5e+1", (10, 1)),
    ],
)
def test_steps(line, step, count):
    reader = LineParser(PAIR, whole_file=True)
    reader.feed(f"{line}\n".encode() * count)
    assert reader.step_v == step
    reader.feed(b"1e-7,1e-7\n")
    assert reader.step_v == (1e-7, 1e-7)
    reader.feed(b"1.12345678,1.12345678\n101,0.1\n")
    assert reader.step_v == (1e-8, 1e-8)


def test_more_columns():
    reader = LineParser(["time_us", *PAIR, "temperature_c"], whole_file=True)
    parsed = reader.feed(
        b"17,1,2,-3.5\nforward_v=1 reflected_v=2 channel=20\n"
        b'{"time_us":18,"forward_v":1,"reflected_v":2,"temperature_c":null,"time_s":1.000000001}\n'
    )
    assert parsed.values["time_us"].tolist() == [17, NO_TIME, 18]
    assert parsed.values["time_us"].dtype == np.int64
    assert parsed.values["time_ns"].tolist() == [NO_TIME, NO_TIME, 1_000_000_001]
    assert parsed.values["time_ns"].dtype == np.int64
    np.testing.assert_array_equal(parsed.values["temperature_c"], [-3.5, np.nan, np.nan])
    np.testing.assert_array_equal(parsed.values["channel"], [np.nan, 20, np.nan])


def test_names_are_bounded():
    reader = LineParser(PAIR, whole_file=True)
    data = b"".join(b"forward_v=1 reflected_v=2 n%d=1\n" % i for i in range(500))
    assert len(reader.feed(data).values) == parser.MOST_COLUMNS - 2  # both times are kept free
    late = " ".join(f"n{i}=1" for i in range(100)) + " forward_v=1 reflected_v=2\n"
    assert read(late, None)[0] == [(1, 2)]


def test_header_sets_the_columns():
    text = "1,2\nforward_v,reflected_v\n1,2\nreflected_mv | forward_mv | t\n1000|2000|3\n"
    assert read(text, None) == ([(1, 2), (2, 1)], {"malformed": 1, "lines": 2})
    data = b"1,2\n" * 300 + b"reflected_v\tforward_v\n" + b"1,2\n" * 300
    assert read(data)[0] == [(1, 2)] * 300 + [(2, 1)] * 300
    data = b"1,2\n" * 300 + b"reflected_v,forward_v,x\n" + b"1,2,3\n" * 300
    assert read(data)[0] == [(1, 2)] * 300 + [(2, 1)] * 300


@pytest.mark.parametrize(
    ("columns", "text"),
    [
        (["forward_v", "forward_mv", "reflected_v"], "given twice: forward_v and forward_mv"),
        (["forward_v", "reflected_v", "a", "a"], "given twice"),
        (["forward_v"], "reflected_v, reflected_mv, reflected_counts"),
        ([], "forward_v"),
        (["forward_w", "reflected_v"], "forward_v"),
        (["forward_counts", "reflected_v"], "counts_full_scale and reference_v"),
        (["forward_v", "reflected_v", "a b"], "'a b'"),
        (["forward_v", "reflected_v", "time_ns"], "time_s or time_us"),
    ],
)
def test_columns_that_cannot_be(columns, text):
    with pytest.raises(ValueError, match=text):
        LineParser(columns)


# --- where a line begins


@pytest.mark.parametrize(
    "first", ["9,9", "garbage", "\x00\xff", '"x":1}', "ard_v=1 reflected_v=2", "nan,1"]
)
def test_first_line_may_be_partial(first):
    reader = LineParser(PAIR)
    assert len(rows(reader.feed(f"{first}\n1,2\n".encode()))) == 1
    assert reader.counters == NOTHING | {"partial": 1, "lines": 1}


@pytest.mark.parametrize(
    "first", ['{"forward_v":1,"reflected_v":2}', "forward_v=1 reflected_v=2", "\n1,2", "\r\n1,2"]
)
def test_first_line_that_is_whole(first):
    reader = LineParser(PAIR)
    assert len(rows(reader.feed(f"{first}\n1,2\n".encode()))) == 2
    assert reader.counters == NOTHING | {"lines": 2}


def test_first_line_that_is_a_header():
    reader = LineParser(None)
    assert len(rows(reader.feed(b"reflected_v,forward_v\r\n1,2\r\n"))) == 1
    assert reader.counters == NOTHING | {"lines": 1}


def test_a_byte_order_mark_before_a_file():
    reader = LineParser(None, whole_file=True)
    assert len(feed_all(reader, [b"\xef", b"\xbb\xbfforward_v,reflected_v\n1,2\n"])) == 1


def test_reset_drops_the_line_begun():
    reader = LineParser(PAIR)
    assert len(feed_all(reader, [b"\n1,2\n3,4"])) == 1
    reader.reset()
    assert feed_all(reader, [b",5\n6,7\n"]) == [(7, {"forward_v": 6, "reflected_v": 7})]
    assert reader.counters == NOTHING | {"partial": 2, "lines": 2}


def test_endless_line_is_bounded():
    reader = LineParser(PAIR, max_line=1024)
    for _ in range(3):
        for _ in range(200):
            assert reader.feed(b"1,2" * 100) is None
            assert len(reader._tail) <= 1024
        assert len(feed_all(reader, [b"\n1,2\n"])) == 1
    assert reader.counters == NOTHING | {"overlong": 3, "lines": 3}


# --- numbers


@settings(deadline=None)
@given(st.data())
def test_seconds_are_exact(data):
    texts = data.draw(
        st.lists(
            st.from_regex(r"\A-?[0-9]{1,10}(\.[0-9]{1,12})?\Z").filter(
                lambda t: abs(Decimal(t)) < 2**63 // 10**9
            ),
            min_size=1,
        )
    )
    parsed = LineParser(TIMED, whole_file=True).feed(
        "".join(f"{t},1,2\n" for t in texts * 60).encode()
    )
    assert parsed.values["time_ns"].tolist() == [int(Decimal(t) * 10**9) for t in texts] * 60


def test_seconds_at_the_limits():
    text = "9223372036.854775807,1,2\n-9223372036.854775807,1,2\n1764069123.5e0,1,2\n"
    reader = LineParser(TIMED, whole_file=True)
    limit = 2**63 - 1
    want = [limit, -limit, 1764069123_500000000]
    assert reader.feed(text.encode()).values["time_ns"].tolist() == want
    assert reader.feed(text.encode() * 60).values["time_ns"].tolist() == want * 60
    for line in (b"9223372036.854775808,1,2\n", b"1e300,1,2\n", b"99999999999,1,2\n"):
        assert reader.feed(line * 60) is None
    assert reader.counters == NOTHING | {"lines": 183, "out_of_range": 180}


PLAIN = st.from_regex(r"\A[+-]?[0-9]{1,19}(\.[0-9]{1,19})?\Z").map(lambda t: t[:20].rstrip("."))


def is_bulk(data, columns=PAIR):
    return bulk.scan(data, layout(tuple(columns), Scale()), 1024) is not None


@examples(15)
@given(st.lists(st.tuples(PLAIN, PLAIN), min_size=1, max_size=20), st.sampled_from(",;\t| "))
def test_floats_are_exact(pairs, separator):
    columns = ["a", "b", *PAIR]
    text = "".join(separator.join((*pair, "1", "2")) + "\n" for pair in pairs) * 50
    parsed = LineParser(columns, whole_file=True).feed(text.encode())
    for i, name in enumerate("ab"):
        want = np.array([float(pair[i]) for pair in pairs] * 50)
        assert parsed.values[name].tobytes() == want.tobytes()


@pytest.mark.parametrize(
    "line",
    [b"1.2345,0.1234\n", b"-0.0,+12\r\n", b"1,5;0\n", b"9007199254740991,0.12345678901234567\n"],
)
def test_plain_lines_are_read_in_bulk(line):
    columns = ["a", "b", *PAIR]
    line = line.rstrip()
    separator = b";" if b";" in line else b","
    data = separator.join((line, b"1", b"2")) + b"\n"
    assert is_bulk(data * 100, columns)
    one = LineParser(columns, whole_file=True).feed(data)
    many = LineParser(columns, whole_file=True).feed(data * 100)
    for name in columns:
        assert np.repeat(one.values[name], 100).tobytes() == many.values[name].tobytes()


def test_few_odd_lines_do_not_stop_the_bulk():
    assert is_bulk(b"1.5,2\n" * 99 + b"chatter\n" + b"11,2\n" * 99)
    assert not is_bulk(b"1.5,2\n" * 9 + b"chatter\n")


# --- the rules once more, as short as can be


def number(text):
    return re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]{1,3})?", text) is not None


def pair_of(named):
    scales = {"v": Decimal(1), "mv": Decimal(1000)}
    out = {}
    for side in ("forward", "reflected"):
        found = [u for u in scales if f"{side}_{u}" in named]
        if len(found) != 1 or not number(text := named[f"{side}_{found[0]}"]):
            return None
        value = Decimal(text) / scales[found[0]]
        if not -1 <= value <= 100:
            return None
        out[f"{side}_v"] = float(text) / float(scales[found[0]])
    return out


def reference(line, columns):
    """Return the pair of one whole line, the columns after it, and whether it shows it is whole."""
    if len(line) > 1024 or re.search(rb"[^\t -~]", line):
        return None, columns, False
    text = line.decode().strip(" ")
    if text.startswith("{"):
        try:
            named = json.loads(text, parse_float=str, parse_int=str)
        except ValueError:
            return None, columns, False
        plain = '"' not in re.sub(r'"\w+" *:', "", text)  # no value that is a string
        pair = pair_of({k: v if plain and isinstance(v, str) else "" for k, v in named.items()})
        return pair, columns, pair is not None
    if "=" in text:
        pairs = re.split(r" *[,;\t] *| +", re.sub(" *= *", "=", text))
        named = dict(p.split("=") for p in pairs if re.fullmatch(r"[A-Za-z_]\w*=[^=]+", p))
        pair = pair_of(named) if len(named) == len(pairs) else None
        return pair, columns, pair is not None
    if ";" in text:
        fields = [f.strip(" ").replace(",", ".") for f in text.split(";")]
    else:
        gap = re.match(r"[+-]?[\w.]+(?:e[+-]?[0-9]+)?( *[^\w.+ -] *| +)", text, re.I)
        fields = re.split(" +", text)
        if gap and gap[1].strip(" "):
            fields = [f.strip(" ") for f in text.split(gap[1].strip(" "))]
    if len(set(fields)) == len(fields) and all(re.fullmatch(r"[A-Za-z_]\w*", f) for f in fields):
        sides = ("forward_v", "forward_mv"), ("reflected_v", "reflected_mv")
        if all(sum(f in side for f in fields) == 1 for side in sides):
            return None, fields, True
    if columns is None or len(fields) != len(columns) or not all(map(number, fields)):
        return None, columns, False
    if any(math.isinf(float(f)) for f in fields):
        return None, columns, False
    return pair_of(dict(zip(columns, fields, strict=True))), columns, False


def reference_pairs(data, columns):
    out, at, first = [], 0, True
    for match in re.finditer(rb"([^\r\n]*)[\r\n]", data):
        line, at = match[1], match.end()
        pair, after, shows = reference(line, columns) if line.strip() else (None, columns, False)
        if shows or not first:
            columns = after
            if pair:
                out.append((at, pair))
        first = False
    return out


PIECES = [
    b"1.25,0.5", b"1,2", b"0.1234,-0.0012", b"12.5;0,25", b"3,3;1", b"1 2", b"1\t2", b"7", b",",
    b";", b" ", b"\n", b"\n", b"\r\n", b"\r", b".", b"-", b"e5", b"nan", b"\x00", b"\xff",
    b"forward_v=1 reflected_v=2", b"=", b'{"forward_mv":1.5,"reflected_v":2}', b"{", b"}",
    b"forward_v,reflected_v", b"reflected_mv,forward_mv", b"forward_v", b"x" * 600,
]  # fmt: skip
MUTATIONS = [*PIECES, b"5", b"-", b"."]
STREAM = st.one_of(
    st.lists(st.sampled_from(PIECES), max_size=60).map(b"".join),
    st.binary(max_size=200),
    st.text("0123456789.,;-+e \t\r\n", max_size=200).map(str.encode),
)


def strip_extra(got):
    return [(end, {k: row[k] for k in ("forward_v", "reflected_v")}) for end, row in got]


@examples(12)
@given(STREAM, st.sampled_from([PAIR, None]))
@example(b"\n1,2\r\n", PAIR)
@example(b"\n1;2,3;4\n", PAIR)
def test_no_invented_pair(data, columns):
    for stream in (data, b"\n" + data * 6):
        reader = LineParser(columns)
        assert strip_extra(feed_all(reader, [stream])) == reference_pairs(stream, columns)


@settings(deadline=None)
@given(STREAM, st.lists(st.integers(0, 4000)), st.sampled_from([PAIR, None, TIMED]))
def test_cuts_change_nothing(data, cuts, columns):
    data = data * 10
    whole, cut = LineParser(columns), LineParser(columns)
    edges = [0, *sorted(c for c in cuts if c < len(data)), len(data)]
    pieces = [data[a:b] for a, b in pairwise(edges)]
    assert feed_all(whole, [data]) == feed_all(cut, pieces)
    assert whole.counters == cut.counters
    assert whole.step_v == cut.step_v


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_every_cut(size):
    data = b"".join(PIECES) * 3 + b"\n"
    whole, cut = LineParser(PAIR), LineParser(PAIR)
    got = feed_all(cut, [data[i : i + size] for i in range(0, len(data), size)])
    assert got == feed_all(whole, [data])
    assert whole.counters == cut.counters


# --- bulk beside one by one


@settings(deadline=None)
@given(
    seed=st.integers(0, 2**32),
    decimals=st.lists(st.integers(0, 9), min_size=1, max_size=2),
    largest=st.sampled_from([1.0, 12.0, 120.0]),
    separator=st.sampled_from([",", ";", "\t", " ", "|", ", "]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    columns=st.sampled_from([PAIR, TIMED, [*PAIR, "time_us"], ["t", *PAIR, "channel"]]),
    mutations=st.integers(0, 20),
)
def test_bulk_is_the_same_as_one_by_one(
    seed, decimals, largest, separator, end, columns, mutations
):
    rng = np.random.default_rng(seed)
    lines = []
    for i in range(300):
        numbers = {
            "time_s": f"{1764069123 + i}.{rng.integers(10**6):06}",
            "time_us": str(int(rng.integers(2**32 + 2**28))),
            "channel": str(int(rng.integers(1, 41))),
        }
        low = -1.1 if largest == 1.0 else 0.0
        volts = (
            numbers.get(c) or f"{rng.uniform(low, largest):.{rng.choice(decimals)}f}"
            for c in columns
        )
        lines.append(separator.join(volts) + end)
    data = bytearray("".join(lines).encode())
    for _ in range(mutations):
        at = int(rng.integers(len(data)))
        data[at : at + int(rng.integers(3))] = MUTATIONS[int(rng.integers(len(MUTATIONS)))]
    data = bytes(data)
    fast, slow = LineParser(columns, whole_file=True), LineParser(columns, whole_file=True)
    want = feed_all(slow, re.findall(rb"[^\n]*\n|[^\n]+", data))
    assert feed_all(fast, [data]) == want
    assert fast.counters == slow.counters
    assert fast.step_v == slow.step_v


def test_more_than_a_chunk():
    data = b"".join(b"%d.%03d,0.%04d\r\n" % (i % 99, i % 1000, i % 10000) for i in range(60000))
    reader = LineParser(PAIR, whole_file=True)
    parsed = reader.feed(data)
    assert parsed.end.tolist() == [m.end() for m in re.finditer(b"\r", data)]
    want = [float(line.split(b",")[0]) for line in data.split()]
    assert parsed.values["forward_v"].tolist() == want
    assert reader.counters == NOTHING | {"lines": 60000}
