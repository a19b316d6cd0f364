"""Typed, strict loading of the configuration; errors are one line with file, line and key."""

import os
from collections.abc import Mapping, Sequence
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import msgspec
from msgspec import Meta

from drivers.channels import PLANS, read_plan
from logger.bands import Band, parse_band
from logger.config.credentials import from_file, secret
from logger.config.notifiers import KINDS, NotifierOptions
from logger.config.report import ConfigErrors, located, one_line
from logger.config.section import EnvName, Positive, Section, Swr, Text, pattern
from logger.config.yaml_lines import Document, YamlError, parse
from logger.errors import ConfigError, UsageError
from logger.wording import suggest

if TYPE_CHECKING:
    from drivers.contract import Driver, DriverClass

ENVIRONMENT = "MISMATCHD_CONFIG"
SYSTEM_PATH = Path("/etc/mismatchd/config.yaml")
EXAMPLE = "'driver: {kind: simulated}'"
HOUR_MS = 3_600_000
MOST_MHZ = 1000.0  # more must be meant as kilohertz
# Neither port is in Debian's /etc/services nor assigned by IANA (from memory); both are below the
# range that Linux uses for outgoing connections.
DEFAULT_PLAN = "cept"  # where channels are used and no plan is configured
PAGE_PORT = 27205
METRICS_PORT = 27206
MOST_BYTES = 1_000_000

HoldMs = Annotated[float, Meta(ge=0, le=HOUR_MS)]
S = TypeVar("S", bound=msgspec.Struct)


class StationOptions(Section, frozen=True, kw_only=True):
    """The station; channel or frequency (MHz) if the bridge does not report it."""

    name: Annotated[
        Text, Meta(description="Name of the station in messages, reports and tags.")
    ] = "station"
    channel: Annotated[
        Annotated[int, Meta(ge=1, le=9999)] | None,
        Meta(description="Channel in use, if the bridge does not report it."),
    ] = None
    frequency_mhz: Annotated[
        Positive | None,
        Meta(description="Frequency in use, if the bridge reports neither frequency nor channel."),
    ] = None
    temperature_range_c: Annotated[
        Annotated[float, Meta(ge=0, le=60)],
        Meta(description="The shack is at most so many degrees from the calibration's bench."),
    ] = 8.0
    channel_plan: Annotated[
        Text | None,
        Meta(
            description="Frequencies of the channels: `cept`, `fcc`, `uk-27-81`, or a CSV file with"
            " the columns `channel` and `frequency_mhz`. Default: `cept`, unless a frequency is"
            " configured."
        ),
    ] = None

    latitude: Annotated[
        Annotated[float, Meta(ge=-90, le=90)] | None,
        Meta(
            description="Latitude, degrees north, for `fleet report` to know the neighbours;"
            " `push` rounds it to 0.1, about 10 km."
        ),
    ] = None
    longitude: Annotated[
        Annotated[float, Meta(ge=-180, le=180)] | None,
        Meta(description="Longitude, degrees east; `push` rounds it to 0.1."),
    ] = None

    def __post_init__(self) -> None:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError("give both `latitude` and `longitude`, or none")

    @property
    def frequency_khz(self) -> float | None:
        """The configured frequency in kHz."""
        return None if self.frequency_mhz is None else self.frequency_mhz * 1e3

    @property
    def channels(self) -> Mapping[int, float]:
        """The frequency of each channel, MHz; none where only a frequency is configured.

        Without a plan, channels are those of `DEFAULT_PLAN`.
        """
        if self.channel_plan is not None:
            return PLANS.get(self.channel_plan) or read_plan(Path(self.channel_plan))
        has_frequency_only = self.frequency_mhz is not None and self.channel is None
        return {} if has_frequency_only else PLANS[DEFAULT_PLAN]


class TransmissionOptions(Section, frozen=True, kw_only=True):
    """Key-down above `min_forward_w` (W); a pause shorter than `hang_ms` (ms) does not end it."""

    min_forward_w: Annotated[
        Positive, Meta(description="The key counts as down from this forward power.")
    ] = 0.2
    hang_ms: Annotated[
        HoldMs, Meta(description="A pause shorter than this does not end a transmission.")
    ] = 1500


class HighSwrOptions(Section, frozen=True, kw_only=True):
    """Alarm when the SWR is above `limit`.

    The delay is `hold_ms` (ms) if the reflection coefficient is a third above that of the limit,
    and shorter the higher it is.
    """

    limit: Annotated[float, Meta(gt=1, description="SWR above which the alarm is raised.")] = 3.0
    hold_ms: Annotated[
        HoldMs,
        Meta(description="Delay at a reflection coefficient a third above that of the limit."),
    ] = 50


class HighReflectedPowerOptions(Section, frozen=True, kw_only=True):
    """Alarm when the reflected power is above `limit_w` (W).

    The delay is `hold_ms` (ms) at 1.5 times the limit, and shorter the higher the power.
    """

    limit_w: Annotated[
        Positive, Meta(description="Reflected power above which the alarm is raised.")
    ] = 2.0
    hold_ms: Annotated[HoldMs, Meta(description="Delay at 1.5 times the limit.")] = 50


class FalseAlarmOptions(Section, frozen=True, kw_only=True):
    """Target false-alarm rate of a rule that compares, on a sound and steady station."""

    false_alarms_per_year: Annotated[
        Positive | None,
        Meta(
            description="Target false-alarm rate of this rule, all channels together. Default: its"
            " share of the station's."
        ),
    ] = None


class NoDataOptions(Section, frozen=True, kw_only=True):
    """Alarm when no data has arrived from the bridge for `after_s` (s)."""

    after_s: Annotated[
        Positive,
        Meta(description="Time without data from the bridge after which the alarm is raised."),
    ] = 10


class WatchdogOptions(Section, frozen=True, kw_only=True):
    """The rules that raise alarms."""

    false_alarms_per_year: Annotated[
        Positive,
        Meta(
            description="Target false-alarm rate of the whole station while it is sound, in equal"
            " shares for the rules that learn; lower is less sensitive."
        ),
    ] = 4
    high_swr: HighSwrOptions = HighSwrOptions()
    high_reflected_power: HighReflectedPowerOptions = HighReflectedPowerOptions()
    sudden_change: FalseAlarmOptions = FalseAlarmOptions()
    baseline_shift: FalseAlarmOptions = FalseAlarmOptions()
    intermittent_contact: FalseAlarmOptions = FalseAlarmOptions()
    heating_joint: FalseAlarmOptions = FalseAlarmOptions()
    no_data: NoDataOptions = NoDataOptions()

    def false_alarm_rates(self) -> dict[str, float]:
        """Return the target false alarms a year of each rule that learns, by kind of alarm.

        Each rule divides its own over the channels in use.
        """
        rules = {name: getattr(self, name) for name in self.__struct_fields__}
        learning = {
            name.replace("_", "-"): options.false_alarms_per_year
            for name, options in rules.items()
            if isinstance(options, FalseAlarmOptions)
        }
        share = self.false_alarms_per_year / len(learning)
        return {kind: share if rate is None else rate for kind, rate in learning.items()}


class FaultsOptions(Section, frozen=True, kw_only=True):
    """A fault is closed when it has been quiet, or not verified, for this time."""

    close_after_days: Annotated[
        int,
        Meta(
            ge=1,
            le=3650,
            description="A fault that has been quiet, or not verified, for this time is closed.",
        ),
    ] = 90


class FeedlineOptions(Section, frozen=True, kw_only=True):
    """The installed line: cable, length (m) and year.

    The cable is a designation, or NAME=DB from its data sheet (dB per 100 m at the station's
    frequency).
    """

    cable: Annotated[
        Text | None,
        Meta(description="Designation such as RG-58, or NAME=DB with the loss in dB per 100 m."),
    ] = None
    length_m: Annotated[Positive | None, Meta(description="Length of the installed line.")] = None
    laid: Annotated[
        Annotated[int, Meta(ge=1900, le=2200)] | None,
        Meta(description="Year in which the line was laid, for comparison with others of its age."),
    ] = None


class AntennaOptions(Section, frozen=True, kw_only=True):
    """One of several antennas.

    The antenna in use is the one with the `number` that the bridge reports in its column `antenna`;
    otherwise the only one for the band in use; otherwise the latest in the journal; otherwise the
    only one whose `swr` a transmission reads.
    """

    name: Annotated[
        Annotated[
            str,
            pattern(
                r"^[^\s,/](?:[^\n,/]{0,38}[^\s,/])?$",
                "a name of at most 40 characters, without commas and slashes",
            ),
        ],
        Meta(description="Name of the antenna, without commas and slashes."),
    ]
    bands: Annotated[
        list[Text] | Text,
        Meta(
            description="Bands it is used on: `20m`, `11m`, or a range in MHz such as `26.9-27.5`;"
            " any if omitted."
        ),
    ] = msgspec.field(default_factory=list)
    line: Annotated[
        FeedlineOptions | None,
        Meta(
            description="The line to it, if it is not that of `feedline`: `cable`, `length_m`,"
            " `laid`."
        ),
    ] = None
    number: Annotated[
        Annotated[float, Meta(ge=0)] | None,
        Meta(
            description="What the bridge's column `antenna` holds for it. Default: its place in"
            " the list, from 1."
        ),
    ] = None
    swr: Annotated[
        Swr | dict[str, Swr] | None,
        Meta(
            description="SWR it usually reads, one for all channels or by channel such as"
            " `{1: 1.4, 20: 1.2}`; names the antenna of a transmission where nothing else does."
        ),
    ] = None

    def __post_init__(self) -> None:
        _ = self.ranges, self.levels  # raises ValueError

    @property
    def levels(self) -> dict[int, float]:
        """SWR by channel; empty with one for all."""
        by_channel = self.swr if isinstance(self.swr, dict) else {}
        if not all(channel.isdecimal() for channel in by_channel):
            raise ValueError("swr: give a figure, or figures by channel such as {1: 1.4, 20: 1.2}")
        return {int(channel): by_channel[channel] for channel in by_channel}

    @property
    def ranges(self) -> list[Band]:
        """Its bands."""
        names = [self.bands] if isinstance(self.bands, str) else self.bands
        return [parse_band(name) for name in names]


class WeatherOptions(Section, frozen=True, kw_only=True):
    """Auxiliary columns of the bridge with weather readings; rain is the gauge's running total."""

    temperature_c: Annotated[
        Text | None, Meta(description="Column of the bridge with the outdoor temperature.")
    ] = None
    rain_total_mm: Annotated[
        Text | None,
        Meta(description="Column of the bridge with the running total of the rain gauge."),
    ] = None
    wind_m_s: Annotated[
        Text | None, Meta(description="Column of the bridge with the wind speed.")
    ] = None


class CalibrationOptions(Section, frozen=True, kw_only=True):
    """The coupler's calibration; the name of the file alone may be written in its place."""

    file: Annotated[
        Path | None,
        Meta(
            description="Calibration file of the coupler; needed for every driver but `simulated`."
        ),
    ] = None
    verify_every_days: Annotated[
        int,
        Meta(
            ge=1,
            le=3650,
            description="A reminder of `mismatchd verify` follows so long after the last one.",
        ),
    ] = 31


class RemoteOptions(Section, frozen=True, kw_only=True):
    """An S3-compatible object store for many stations; its URL alone may be written in its place.

    Without a key, the environment variables that S3 clients share are used.
    """

    url: Annotated[
        Annotated[str, pattern(r"^s3://[^\s/]+", "an address such as s3://bucket/prefix")],
        Meta(description="Bucket, and prefix of all objects."),
    ]
    endpoint: Annotated[
        Annotated[str, pattern(r"^https?://[^\s/]+", "an address such as https://hub.example:8333")]
        | None,
        Meta(description="Address of the server."),
    ] = None
    access_key: Annotated[Text | None, Meta(description="Id of the key.")] = None
    secret_key_env: Annotated[
        EnvName | None, Meta(description="Environment variable with the secret key.")
    ] = None
    secret_key_file: Annotated[Path | None, Meta(description="File with the secret key.")] = None

    def __post_init__(self) -> None:
        has_secret = self.secret_key_env is not None or self.secret_key_file is not None
        if has_secret != (self.access_key is not None):
            raise ValueError(
                "give `access_key` and `secret_key_file` (or `secret_key_env`), or none"
            )

    def secret(self, environ: Mapping[str, str]) -> str | None:
        """Read the secret key. Raise ConfigError."""
        return secret("store.remote.secret_key", self.secret_key_env, self.secret_key_file, environ)


class StoreOptions(Section, frozen=True, kw_only=True):
    """The database, and the retention of raw volts in days."""

    path: Annotated[
        Path,
        Meta(
            description="The database. Default of a configuration below /etc:"
            " /var/lib/mismatchd/station.sqlite; of /etc/mismatchd/NAME.yaml:"
            " /var/lib/mismatchd-NAME/station.sqlite."
        ),
    ] = Path("data/station.sqlite")
    keep_samples_days: Annotated[
        int, Meta(ge=1, le=36500, description="Retention of raw pairs; derived rows are kept.")
    ] = 400
    keep_samples_mb: Annotated[
        Annotated[int, Meta(ge=1)] | None,
        Meta(description="Limit of the size of the raw pairs; no limit if omitted."),
    ] = None
    sync_s: Annotated[
        float, Meta(ge=1, le=3600, description="A power cut loses at most so many seconds of rows.")
    ] = 60.0
    remote: Annotated[
        RemoteOptions | None,
        Meta(
            description="Object store to which `push` copies raw pairs and rows; pairs that it has"
            " not acknowledged are not deleted."
        ),
    ] = None


class InfluxOptions(Section, frozen=True, kw_only=True):
    """Destination of forwarded rows; the token is stored in a file or the environment, not here.

    Deliveries are recorded under `title`. Without a `name` that is the server and the bucket, so
    that another server or bucket starts from the first row.
    """

    name: Annotated[
        Text | None,
        Meta(description="Name of the stored progress; default: URL, organisation, bucket."),
    ] = None
    url: Annotated[
        Annotated[str, pattern(r"^https?://[^\s/]+", "an address such as http://127.0.0.1:8086")],
        Meta(description="Address of the server."),
    ]
    org: Annotated[Text, Meta(description="Organisation.")]
    bucket: Annotated[Text, Meta(description="Bucket.")]
    token_env: Annotated[
        EnvName,
        Meta(description="Environment variable with the token, if there is no `token_file`."),
    ] = "INFLUX_TOKEN"
    token_file: Annotated[Path | None, Meta(description="File with the token.")] = None

    @property
    def shown_url(self) -> str:
        """The URL without parts that may be secret."""
        scheme, _, rest = self.url.partition("?")[0].rstrip("/").partition("://")
        host, slash, path = rest.partition("/")
        return f"{scheme}://{host.rpartition('@')[2]}{slash}{path}"

    @property
    def title(self) -> str:
        """Name of this forwarder."""
        return self.name or f"{self.shown_url} {self.org}/{self.bucket}"

    @property
    def token_name(self) -> str:
        """Location where the user has to put the token, for messages."""
        return f"${self.token_env} and restart" if self.token_file is None else str(self.token_file)

    def token(self, environ: Mapping[str, str]) -> str:
        """Read the token: from `token_file` if one is named, else from the environment.

        A file of that name that the service manager has put into $CREDENTIALS_DIRECTORY takes
        precedence. Raise ConfigError.
        """
        if self.token_file is None:
            return environ.get(self.token_env, "")
        return from_file("influxdb.token_file", self.token_file, environ)


class MetricsOptions(Section, frozen=True, kw_only=True):
    """An OpenMetrics endpoint at `listen`, address:port; remote clients only if allowed."""

    listen: Annotated[Text, Meta(description="Address and port of the OpenMetrics endpoint.")] = (
        f"127.0.0.1:{METRICS_PORT}"
    )
    allow_remote: Annotated[
        bool, Meta(description="Permits an address that other machines can reach.")
    ] = False

    def __post_init__(self) -> None:
        host, port = self.address
        if not self.allow_remote and not host.is_loopback:
            raise ValueError(
                f"{self.listen} can be reached from other machines; write 127.0.0.1:{port}, or"
                " allow_remote: true if that is intended"
            )

    @property
    def address(self) -> tuple[IPv4Address | IPv6Address, int]:
        """Checked address and port to listen at."""
        host, colon, port = self.listen.rpartition(":")
        try:
            if not colon or not port.isdecimal() or not 0 < int(port) < 65536:
                raise ValueError
            return ip_address(host.removeprefix("[").removesuffix("]")), int(port)
        except ValueError:
            raise ValueError(
                f"expected address:port, got {self.listen!r}; write 127.0.0.1:{METRICS_PORT} or"
                f" [::1]:{METRICS_PORT}"
            ) from None


class Sections(Section, frozen=True, kw_only=True):
    """The file as written."""

    station: StationOptions = StationOptions()
    driver: Annotated[
        dict[str, Any],
        Meta(description="Bridge or converter: `kind` names the driver, the rest are its keys."),
    ]
    calibration: CalibrationOptions = CalibrationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    feedline: FeedlineOptions = FeedlineOptions()
    antennas: list[AntennaOptions] = msgspec.field(default_factory=list)
    weather: WeatherOptions = WeatherOptions()
    store: StoreOptions = StoreOptions()
    influxdb: InfluxOptions | list[InfluxOptions] | None = None
    metrics: MetricsOptions | None = None
    priors: Annotated[
        Path | None,
        Meta(
            description="File of `fleet learn`, with what is usual for stations of the same cable"
            " and age. `report` and `chart drift` then weigh slopes with it and say so."
        ),
    ] = None
    time_zone: Annotated[
        Text | None,
        Meta(
            description="IANA name of the time zone in which commands and charts show times to a"
            " person; default: UTC. Exports, JSON and logs are in UTC."
        ),
    ] = None
    notify: Annotated[
        list[dict[str, Any]],
        Meta(description="Notifiers: `kind` names what is notified, the rest are its keys."),
    ] = msgspec.field(default_factory=list)

    def antenna(self, name: str) -> AntennaOptions:
        """Return the antenna of a name. Raise UsageError."""
        names = [antenna.name for antenna in self.antennas]
        if not names:
            raise UsageError("no antennas are configured; list them under `antennas`")
        if name not in names:
            advice = suggest(name, names, "give one of")
            raise UsageError(f"{name!r} is not a configured antenna; {advice}")
        return self.antennas[names.index(name)]

    def line_of(self, antenna: str | None) -> FeedlineOptions:
        """Return the line to an antenna. Raise UsageError if there is no such antenna."""
        own = None if antenna is None else self.antenna(antenna).line
        return self.feedline if own is None else own

    @property
    def lines(self) -> dict[str | None, FeedlineOptions]:
        """The line to each antenna; that of None is `feedline`."""
        return {None: self.feedline} | {a.name: a.line or self.feedline for a in self.antennas}

    @property
    def forwarders(self) -> list[InfluxOptions]:
        """Servers to which rows are forwarded."""
        if isinstance(self.influxdb, InfluxOptions):
            return [self.influxdb]
        return self.influxdb or []


class Config(Sections, frozen=True, kw_only=True):
    """A checked configuration. All paths in it are absolute.

    `driver` is the driver's section as written; `driver_options` is the same as the driver's
    Options. `notifiers` are those of `notify`, each as the Options of its kind. `warnings` name
    deprecated keys, one line per key.
    """

    path: Path
    kind: str
    driver_class: "DriverClass"
    driver_options: msgspec.Struct
    notifiers: list[NotifierOptions]
    warnings: list[str]

    def make_driver(self) -> "Driver":
        """Return the driver, not opened."""
        return self.driver_class(self.driver_options)


def default_path(environ: Mapping[str, str], cwd: Path) -> Path:
    """Return the configuration file to use if none is named. Raise ConfigError if none exists."""
    chosen = environ.get(ENVIRONMENT)
    if chosen:
        return cwd / chosen
    for path in (cwd / "config.yaml", SYSTEM_PATH):
        if os.path.exists(path):  # Path.exists raises if a folder is not accessible
            return path
    raise ConfigError(
        f"no configuration file: ${ENVIRONMENT} is not set, {cwd / 'config.yaml'} and "
        f"{SYSTEM_PATH} do not exist; run `mismatchd setup`, or name one with -c FILE"
    )


def load_sections(path: Path) -> Sections:
    """Read a configuration file without what needs the driver: `driver` and `notify` as written.

    It is quick: no driver is imported. Raise ConfigError.
    """
    _, sections = _sections(path)
    return _resolve(sections, path.absolute().parent)


def load(path: Path) -> Config:
    """Read and check a configuration file. Raise ConfigError; devices are not accessed."""
    report, sections = _sections(path)
    kind = sections.driver.get("kind")
    driver_class = _driver_class(report, sections.driver)
    written = {key: value for key, value in sections.driver.items() if key != "kind"}
    options = report.convert(written, driver_class.Options, ("driver",), ("kind",))
    notifiers = _notifiers(report, sections.notify, str(kind), driver_class)
    folder = path.absolute().parent
    return Config(
        **msgspec.structs.asdict(_resolve(sections, folder)),
        path=path.absolute(),
        kind=str(kind),
        driver_class=driver_class,
        driver_options=_resolve(options, folder),
        notifiers=[_resolve(notifier, folder) for notifier in notifiers],
        warnings=report.warnings,
    )


def _sections(path: Path) -> tuple[ConfigErrors, Sections]:
    document = _read(path)
    report = ConfigErrors(path, document)
    if document.data is None:
        raise report.error((), f"the file is empty; it needs at least {EXAMPLE}")
    if not isinstance(document.data, dict):
        raise report.error((), f"the file is not a mapping; write keys and values, as in {EXAMPLE}")
    data = document.data
    if "calibration" in data and not isinstance(data["calibration"], dict):
        data = {**data, "calibration": {"file": data["calibration"]}}
    store = data.get("store")
    if isinstance(store, dict) and isinstance(store.get("remote"), str):
        data = {**data, "store": {**store, "remote": {"url": store["remote"]}}}
    sections = report.convert(data, Sections, (), ())
    if "path" not in (data.get("store") or {}) and path.absolute().is_relative_to("/etc"):
        moved = msgspec.structs.replace(sections.store, path=system_store(path))
        sections = msgspec.structs.replace(sections, store=moved)
    mhz = sections.station.frequency_mhz
    if mhz is not None and mhz >= MOST_MHZ:
        raise report.error(
            ("station", "frequency_mhz"),
            f"{mhz:g} MHz looks like a value in kHz; did you mean {mhz / 1000:g}?",
        )
    _check_plan(report, sections.station, path.absolute().parent)
    _check_antennas(report, sections.antennas)
    if sections.time_zone is not None:
        _check_zone(report, sections.time_zone)
    titles = [options.title for options in sections.forwarders]
    for index, title in enumerate(titles):
        if title in titles[:index]:
            raise report.error(
                ("influxdb", index), f"{title!r} occurs twice; give one another name"
            )
    return report, sections


def system_store(path: Path) -> Path:
    """Return the store of a configuration in /etc, to which programs do not write.

    It is in the state directory of the unit that reads this file.
    """
    unit = "mismatchd" if path.name == SYSTEM_PATH.name else f"mismatchd-{path.stem}"
    return Path("/var/lib") / unit / "station.sqlite"


def _check_plan(report: ConfigErrors, station: StationOptions, folder: Path) -> None:
    plan = station.channel_plan
    if plan is None or plan in PLANS:
        return
    where = ("station", "channel_plan")
    try:
        channels = read_plan(folder / plan)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        advice = suggest(plan, PLANS, "give one of") if isinstance(error, OSError) else "correct it"
        raise report.error(where, f"{plan}: {reason}; {advice}") from None
    if station.channel is not None and station.channel not in channels:
        raise report.error(where, f"{plan} has no channel {station.channel}; add it")


def _check_antennas(report: ConfigErrors, antennas: list[AntennaOptions]) -> None:
    names = [antenna.name for antenna in antennas]
    numbers = antenna_numbers(antennas)
    for index in range(len(antennas)):
        if names[index] in names[:index]:
            raise report.error(("antennas", index, "name"), "occurs twice; give another name")
        if numbers[index] in numbers[:index]:
            raise report.error(
                ("antennas", index), f"number {numbers[index]:g} occurs twice; give it another"
            )


def antenna_numbers(antennas: Sequence[AntennaOptions]) -> list[float]:
    """Return the number of each antenna in the bridge's column `antenna`."""
    return [
        float(place) if antenna.number is None else antenna.number
        for place, antenna in enumerate(antennas, 1)
    ]


def _check_zone(report: ConfigErrors, name: str) -> None:
    from zoneinfo import ZoneInfo, available_timezones

    try:
        ZoneInfo(name)
        return
    except (OSError, ValueError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        pass
    near = suggest(name, sorted(available_timezones()), "")
    advice = near if near.endswith("?") else "write a name such as Europe/Berlin"
    raise report.error(("time_zone",), f"this host knows no time zone {name!r}; {advice}")


def _driver_class(report: ConfigErrors, section: dict[str, Any]) -> "DriverClass":
    from drivers.found import UnknownDriverError, find, installed_kinds

    where, kind = ("driver", "kind"), section.get("kind")
    if not isinstance(kind, str):
        wrong = "expected text" if "kind" in section else "is missing"
        listed = ", ".join(installed_kinds()) or "none"
        raise report.error(where, f"{wrong}; give one of the installed kinds: {listed}")
    try:
        return find(kind)
    except UnknownDriverError as error:
        raise report.error(where, str(error)) from None


def _notifiers(
    report: ConfigErrors,
    sections: list[dict[str, Any]],
    driver_kind: str,
    driver_class: "DriverClass",
) -> list[NotifierOptions]:
    from drivers.contract import Sends

    notifiers: list[NotifierOptions] = []
    for index, section in enumerate(sections):
        where = ("notify", index)
        kind = section.get("kind")
        options_class = KINDS.get(kind) if isinstance(kind, str) else None
        if options_class is None:
            wrong = f"there is no kind {kind!r}" if "kind" in section else "is missing"
            advice = suggest(str(kind), KINDS, "give one of")
            raise report.error((*where, "kind"), f"{wrong}; {advice}")
        rest = {key: value for key, value in section.items() if key != "kind"}
        report.rename(rest, where, "heartbeat", "daily")
        options = report.convert(rest, options_class, where, ("kind",))
        if any(options.title == earlier.title for earlier in notifiers):
            raise report.error(where, f"{options.title!r} occurs twice; give one a `name`")
        if options.needs_link and not isinstance(driver_class, Sends):
            raise report.error(
                (*where, "kind"), f"driver {driver_kind!r} accepts no messages; remove the notifier"
            )
        notifiers.append(options)
    return notifiers


def _read(path: Path) -> Document:
    try:
        with path.open("rb") as file:  # which may be a device
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise ConfigError(
            one_line(f"{path}: no such configuration file; create it or name another with -c FILE")
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ConfigError(
            one_line(f"{path}: cannot be read ({reason}); check the name and its permissions")
        ) from None
    if len(raw) > MOST_BYTES:
        raise ConfigError(one_line(f"{path}: longer than 1 MB; name a configuration file with -c"))
    try:
        return parse(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            one_line(f"{path}:{line}: the file is not UTF-8; save it again as UTF-8")
        ) from None
    except YamlError as error:
        raise ConfigError(located(path, error.line, error.where, error.reason)) from None


def _resolve(section: S, folder: Path) -> S:
    """Return the section with all relative paths, including defaults, resolved in `folder`."""
    changes: dict[str, Any] = {}
    if isinstance(section, StationOptions) and section.channel_plan not in (None, *PLANS):
        changes["channel_plan"] = str(folder / str(section.channel_plan))
    for name in section.__struct_fields__:
        value = getattr(section, name)
        if isinstance(value, Path):
            changes[name] = folder / value
        elif isinstance(value, msgspec.Struct):
            changes[name] = _resolve(value, folder)
        elif isinstance(value, list):
            structs = [isinstance(item, msgspec.Struct) for item in value]
            changes[name] = [_resolve(item, folder) for item in value] if all(structs) else value
    return msgspec.structs.replace(section, **changes)
