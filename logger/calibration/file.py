"""The calibration file: one YAML document, versioned, identified by the hash of its content.

mismatchd_calibration: 1
date: 2026-03-14T18:20:00Z
instrument: {coupler: ..., converter: ..., reference: ..., reference_class_percent: 5}
impedance_ohm: 50
temperature_c: 21                                     # may be left out
forward: {coupling_db: 24, n_vt_v: 0.028, r_is_v: 0.004, zero_v: 0.004}   # see `Port` for more
reflected: {...}
directivity: {reflected_db: 30, forward_db: 33}       # forward_db may be left out
assumptions: {load_return_loss_db: 26, stated: [load_return_loss_db]}   # absent in older files
noise: {forward_v: 0.0006, reflected_v: 0.0006}       # of one reading, transmitter unkeyed
converter: {step_v: 0.0008, full_scale_v: 3.3}
valid: {forward_v: [0.02, 2.2], reflected_v: [0.02, 2.2], forward_w: [...], reflected_w: [...]}
covariance: {parameters: [forward.coupling_db, ...], matrix: [[...], ...]}
watts: absolute                                       # or relative: balance only
bench_points: [{condition: matched, power_w: 4, forward_v: 1.2, reflected_v: 0.03}, ...]
"""

import contextlib
import math
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import yaml

from logger.errors import CalibrationError

FORMAT = 1
CONDITIONS = ("matched", "reversed", "open", "short", "mismatched")  # of bench points
SIMULATED = "simulated"  # coupler of such a calibration
Positive = Annotated[float, msgspec.Meta(gt=0)]
NonNegative = Annotated[float, msgspec.Meta(ge=0)]


class Port(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """One port's coupling (dB) and detector law (volts), with corrections.

    coupling_by_khz  [frequency, dB to add to the coupling], interpolated in between
    r_is_per_c       relative change of R Is per degree from `temperature_c` of the file; n Vt
                     is then proportional to the absolute temperature
    correction       [reading - zero in volts, dB to add to the power], interpolated over the
                     logarithm of the volts, where the law does not fit
    doubt            [reading - zero in volts, standard uncertainty of the power in dB from the
                     choice of the law], interpolated likewise
    """

    coupling_db: float
    n_vt_v: Positive
    r_is_v: Positive
    zero_v: float = 0.0
    coupling_by_khz: list[tuple[Positive, float]] = []
    r_is_per_c: float = 0.0
    correction: list[tuple[Positive, float]] = []
    doubt: list[tuple[Positive, NonNegative]] = []


class Directivity(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """Directivity of both ports in dB; `forward_db` is None if it was not determined.

    `bound` states that the leak was too small to measure, so that `reflected_db` is a lower bound;
    `forward_bound` is the same for the forward port. The standard uncertainties are of the values
    in dB. With the load taken into account, `reflected_rms_db` and `forward_rms_db` are the root
    mean square of each leak, and `reflected_known` is the share of the former whose size is known
    (see `directivity.Separation`).
    """

    reflected_db: Positive
    forward_db: Positive | None = None
    bound: bool = False
    reflected_u_db: NonNegative = 0.0
    forward_u_db: NonNegative = 0.0
    forward_bound: bool = False
    reflected_rms_db: float | None = None
    forward_rms_db: float | None = None
    reflected_known: Annotated[float, msgspec.Meta(ge=0, le=1)] = 1.0


class Assumptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits of the bench and the transmitter that the uncertainty takes into account.

    load_return_loss_db   of the dummy load
    test_port_match_db    return loss of the coupler's antenna port
    harmonics_dbc         strongest harmonic of the transmitter, dB below the carrier
    coupling_slope_db     rise of the coupling, dB an octave
    r_is_per_c            relative change of the detectors' R Is per degree, where it was not fitted
    detector              type of the diodes
    stated                those of the names above that the user stated; the others are typical
    """

    load_return_loss_db: Positive = 26.0
    test_port_match_db: Positive = 20.5
    harmonics_dbc: Positive = 38.0
    coupling_slope_db: NonNegative = 4.0
    r_is_per_c: NonNegative = 0.067
    detector: str = "unknown"
    stated: list[str] = []


class PortVolts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A pair of standard deviations in volts."""

    forward_v: NonNegative = 0.0
    reflected_v: NonNegative = 0.0


class Converter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Resolution and full scale of the converter, volts."""

    step_v: NonNegative = 0.0
    full_scale_v: Positive | None = None


class Valid(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Range of the bench points, [lowest, highest], volts and watts."""

    forward_v: tuple[float, float]
    reflected_v: tuple[float, float]
    forward_w: tuple[float, float]
    reflected_w: tuple[float, float]


class Covariance(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Covariance of fitted parameters, named `forward.coupling_db` etc., in their units."""

    parameters: list[str]
    matrix: list[list[float]]


class CalibrationFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Content of a calibration file."""

    mismatchd_calibration: Literal[1]
    date: str
    instrument: dict[str, str | float] = {}
    impedance_ohm: Positive = 50.0
    temperature_c: float | None = None
    forward: Port
    reflected: Port
    directivity: Directivity | None = None
    assumptions: Assumptions | msgspec.UnsetType = msgspec.UNSET  # unset keeps old identities
    noise: PortVolts = PortVolts()
    converter: Converter = Converter()
    valid: Valid
    covariance: Covariance | None = None
    watts: Literal["absolute", "relative"] = "absolute"
    bench_points: list[dict[str, str | float]] = []


SIDES = ("forward", "reflected")
LAW = ("coupling_db", "n_vt_v", "r_is_v", "zero_v")
PARAMETERS = {f"{side}.{field}" for side in SIDES for field in LAW}


# The loader of PyYAML that is there, reading timestamps as text, quoted or not.
_LOADER = type(
    "_Loader",
    (getattr(yaml, "CSafeLoader", yaml.SafeLoader),),
    {
        "yaml_implicit_resolvers": {
            first: [(tag, pattern) for tag, pattern in resolvers if not tag.endswith(":timestamp")]
            for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
        }
    },
)


def identify(content: CalibrationFile) -> str:
    """Return twelve hexadecimal digits of the SHA-256 of the content, independent of the layout."""
    data = msgspec.json.encode(content, order="sorted")
    for module in ("_sha2", "_sha256"):  # of the interpreter; `hashlib` takes 3.5 MiB
        with contextlib.suppress(ImportError):
            return str(import_module(module).sha256(data).hexdigest()[:12])
    import hashlib

    return hashlib.sha256(data).hexdigest()[:12]


def dump(content: CalibrationFile) -> str:
    """Return the YAML text of a calibration."""
    plain = msgspec.to_builtins(content)
    return str(yaml.safe_dump(plain, sort_keys=False, default_flow_style=None, width=100))


def parse(text: str, where: str) -> CalibrationFile:
    """Parse the YAML text of a calibration; `where` names it in errors. Raise CalibrationError."""
    try:
        plain: Any = yaml.load(text, Loader=_LOADER)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f":{mark.line + 1}" if mark else ""
        raise CalibrationError(f"{where}{line}: not valid YAML: {_one_line(error)}") from error
    if not isinstance(plain, dict) or "mismatchd_calibration" not in plain:
        raise CalibrationError(
            f"{where}: not a calibration file (it has no `mismatchd_calibration: {FORMAT}` line)"
        )
    if plain["mismatchd_calibration"] != FORMAT:
        raise CalibrationError(
            f"{where}: mismatchd_calibration: format {plain['mismatchd_calibration']!r} is not"
            f" supported; this version reads format {FORMAT}"
        )
    try:
        content = msgspec.convert(plain, CalibrationFile, strict=False)
    except msgspec.ValidationError as error:
        reason, _, path = str(error).partition(" - at `$.")
        key = path.rstrip("`") or "the file"
        raise CalibrationError(f"{where}: {key}: {reason}") from error
    for key, number in _numbers(msgspec.to_builtins(content), ""):
        if not math.isfinite(number):
            raise CalibrationError(f"{where}: {key}: {number} is not finite; give a finite number")
    for key in Valid.__struct_fields__:
        lowest, highest = getattr(content.valid, key)
        if lowest > highest:
            raise CalibrationError(
                f"{where}: valid.{key}: a range must be [lowest, highest], not"
                f" [{lowest}, {highest}]"
            )
    for number, point in enumerate(content.bench_points, start=1):
        for key in ("power_w", "forward_v", "reflected_v"):
            if not isinstance(point.get(key), float):
                raise CalibrationError(
                    f"{where}: bench_points: point {number}: `{key}` is not a number"
                )
        if point.get("condition") not in CONDITIONS:
            raise CalibrationError(
                f"{where}: bench_points: point {number}: condition must be one of"
                f" {', '.join(CONDITIONS)}"
            )
    cov = content.covariance
    unknown = sorted(set(cov.parameters) - PARAMETERS) if cov is not None else []
    if unknown:
        raise CalibrationError(
            f"{where}: covariance.parameters: `{unknown[0]}` is not one of"
            f" {', '.join(sorted(PARAMETERS))}"
        )
    if cov is not None and (
        len(cov.matrix) != len(cov.parameters)
        or any(len(row) != len(cov.parameters) for row in cov.matrix)
    ):
        raise CalibrationError(
            f"{where}: covariance.matrix: needs {len(cov.parameters)} rows and columns,"
            " one for each of covariance.parameters"
        )
    return content


def load(path: Path) -> CalibrationFile:
    """Read a calibration file. Raise CalibrationError with one clear line."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise CalibrationError(
            f"{path}: no such calibration file; name one under `calibration:`. Not made yet? Run"
            " `mismatchd calibrate bench points.csv -o coupler.yaml`"
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{path}: cannot be read: {_one_line(error)}") from error
    return parse(text, str(path))


def _numbers(value: Any, key: str) -> Iterator[tuple[str, float]]:
    """Yield all floats of nested builtins with their dotted keys."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _numbers(item, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _numbers(item, key)
    elif isinstance(value, float):
        yield key, value


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
