"""The configuration: TOML in, frozen models out, every mistake named at once."""

import ipaddress
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from collector.domain import QUANTITIES, Sensor
from collector.errors import ConfigError
from collector.units import converter

_NAME_PATTERN = r"^[a-z][a-z0-9_]*$"
_ModelName = Annotated[str, Field(pattern=_NAME_PATTERN)]
_Port = Annotated[int, Field(ge=1, le=65535)]
TimeUnit = Literal["auto", "s", "ms", "us", "ns", "iso"]
SensorUnit = Literal[
    "", "C", "F", "K", "%", "hPa", "Pa", "kPa", "inHg", "m/s", "km/h", "mph", "kt", "W", "kW"
]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")


class ShedConfig(_Model):
    """The shed: its id, the zone whose local time people there read, and the units they think in."""

    name: _ModelName = "shed"
    timezone: str = "UTC"
    units: Literal["metric", "us"] = "metric"

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f"no time zone is called {zone!r}; write one such as 'Europe/Dublin'") from None
        return zone

    @property
    def zone(self) -> ZoneInfo:
        """The shed's time zone."""
        return ZoneInfo(self.timezone)


class StoreConfig(_Model):
    """Where readings are kept (empty: the user's data folder), and for how many days (0: for ever)."""

    path: str = ""
    keep_days: Annotated[float, Field(ge=0)] = 0.0


class ListenerConfig(_Model):
    """The default source: sensors publish straight to layday, whose acknowledgement means *on disk*."""

    enabled: bool = True
    host: str = "127.0.0.1"
    port: _Port = 1883
    password_file: str = ""
    tls_certificate_file: str = ""
    tls_key_file: str = ""
    tls_client_ca_file: str = ""
    max_connections: Annotated[int, Field(ge=1, le=10_000)] = 200
    max_payload_bytes: Annotated[int, Field(ge=128, le=16_777_216)] = 262_144

    @model_validator(mode="after")
    def _safe_to_expose(self) -> "ListenerConfig":
        if bool(self.tls_certificate_file) != bool(self.tls_key_file):
            raise ValueError("tls_certificate_file and tls_key_file go together; give both or neither")
        if self.tls_client_ca_file and not self.tls_certificate_file:
            raise ValueError("tls_client_ca_file needs tls_certificate_file and tls_key_file as well")
        guarded = self.password_file or self.tls_client_ca_file
        if self.enabled and not guarded and not _is_loopback(self.host):
            raise ValueError(
                f"host {self.host!r} can be reached from outside this computer: "
                "set password_file (or tls_client_ca_file), or use 127.0.0.1"
            )
        return self


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class BrokerConfig(_Model):
    """The yard's own MQTT broker, as a second source."""

    host: Annotated[str, Field(min_length=1)]
    port: _Port = 1883
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "layday"
    username: str = ""
    password_file: str = ""
    tls: bool = False
    tls_ca_file: str = ""
    session_days: Annotated[float, Field(gt=0, le=365)] = 30.0
    keep_alive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    max_inflight: Annotated[int, Field(ge=1, le=65535)] = 1000


class LimitsConfig(_Model):
    """What is fit to glass, until a resin card gives its own limits."""

    air_min_c: float = 16.0
    air_max_c: float = 30.0
    part_min_c: float = 16.0
    part_max_c: float = 30.0
    humidity_max_pct: Annotated[float, Field(gt=0, le=100)] = 75.0
    margin_min_k: Annotated[float, Field(ge=0, le=30)] = 3.0
    stale_after_min: Annotated[float, Field(gt=0, le=24 * 60)] = 15.0

    @model_validator(mode="after")
    def _right_way_up(self) -> "LimitsConfig":
        for what, low, high in (
            ("air", self.air_min_c, self.air_max_c),
            ("part", self.part_min_c, self.part_max_c),
        ):
            if low >= high:
                raise ValueError(f"{what}_min_c ({low:g}) must be below {what}_max_c ({high:g})")
        return self

    @property
    def stale_after(self) -> timedelta:
        """The age from which a reading no longer says how things are now."""
        return timedelta(minutes=self.stale_after_min)


class CureConfig(_Model):
    """By which hour of the shed's clock which stage is wanted where nobody says (empty: no hour)."""

    ready_by: Annotated[str, Field(pattern=r"^(([01]\d|2[0-3]):[0-5]\d)?$")] = "07:00"
    ready_stage: Literal["gel", "tack-free", "sandable", "handling", "full"] = "sandable"


class SensorConfig(_Model):
    """One measured quantity: where it is, and where in which message its number stands."""

    place: _ModelName
    quantity: str
    topic: Annotated[str, Field(min_length=1, max_length=1024)]
    pointer: str = ""
    unit: SensorUnit = ""
    time_pointer: str | None = None
    time_unit: TimeUnit = "auto"
    uncertainty: Annotated[float, Field(gt=0)] | None = None

    @field_validator("quantity")
    @classmethod
    def _known_quantity(cls, quantity: str) -> str:
        if quantity not in QUANTITIES:
            raise ValueError(f"no quantity is called {quantity!r}; one of {', '.join(QUANTITIES)}")
        return quantity

    @field_validator("topic")
    @classmethod
    def _plain_topic(cls, topic: str) -> str:
        if "+" in topic or "#" in topic or "\0" in topic:
            raise ValueError(f"{topic!r} has a wildcard; a sensor has one exact topic")
        return topic

    @field_validator("pointer", "time_pointer")
    @classmethod
    def _json_pointer(cls, pointer: str | None) -> str | None:
        if pointer and not pointer.startswith("/"):
            raise ValueError(
                f"{pointer!r} is no JSON Pointer (RFC 6901); it starts with '/', as in '/air/temp'"
            )
        return pointer

    @model_validator(mode="after")
    def _unit_fits(self) -> "SensorConfig":
        converter(self.unit, QUANTITIES[self.quantity])
        return self

    @property
    def sensor(self) -> Sensor:
        """The sensor that this entry configures."""
        return Sensor(self.place, QUANTITIES[self.quantity], self.uncertainty)


class Config(_Model):
    """All of layday's settings; every one has a default but the sensors."""

    shed: ShedConfig = ShedConfig()
    store: StoreConfig = StoreConfig()
    listener: ListenerConfig = ListenerConfig()
    broker: BrokerConfig | None = None
    limits: LimitsConfig = LimitsConfig()
    cure: CureConfig = CureConfig()
    sensor: tuple[SensorConfig, ...] = ()

    @property
    def sensors(self) -> Mapping[str, Sensor]:
        """The configured sensors by name."""
        return {entry.sensor.name: entry.sensor for entry in self.sensor}


def load_config(path: Path) -> Config:
    """Read a configuration file.

    Raises
    ------
    ConfigError
        With every mistake in the file, each as ``file: key: what``.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: is not TOML: {error}"]) from error
    return parse_config(raw, str(path))


def parse_config(raw: Mapping[str, object], file: str) -> Config:
    """Check settings read from `file`; relative paths in it are taken from its folder.

    Raises
    ------
    ConfigError
        With every mistake, each as ``file: key: what``.
    """
    mistakes = [f"{file}: {where}: {what}" for where, what in _clashes(raw)]
    try:
        config = Config.model_validate(_lists_to_tuples(raw))
    except ValidationError as error:
        mistakes = [
            f"{file}: {_key(e['loc'])}: {_what(e['msg'], e['input'])}" for e in error.errors()
        ] + mistakes
        raise ConfigError(mistakes) from error
    if mistakes:
        raise ConfigError(mistakes)
    return _with_absolute_paths(config, Path(file).absolute().parent)


def _lists_to_tuples(raw: object) -> object:
    """Strict pydantic wants a tuple where TOML gives a list."""
    if isinstance(raw, Mapping):
        return {key: _lists_to_tuples(value) for key, value in raw.items()}
    if isinstance(raw, list):
        return tuple(_lists_to_tuples(value) for value in raw)
    return raw


def _key(location: Sequence[str | int]) -> str:
    """Turn ('sensor', 2, 'topic') into ``sensor[2].topic``."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "(top)"


def _what(message: str, given: object) -> str:
    text = message.removeprefix("Value error, ")
    if text == "Extra inputs are not permitted":
        return "no such setting; see 'layday check --settings' for all of them"
    if text == "Field required":
        return "is missing"
    return text if isinstance(given, dict | tuple) or repr(given) in text else f"{text}, not {given!r}"


def _clashes(raw: Mapping[str, object]) -> list[tuple[str, str]]:
    """Name sensors that fight over one name, or over one number of one message."""
    entries = raw.get("sensor")
    if not isinstance(entries, list):
        return []
    tables = [entry if isinstance(entry, Mapping) else {} for entry in entries]
    names = [f"{t.get('place')}.{t.get('quantity')}" for t in tables]
    spots = [(t.get("topic"), t.get("pointer", "")) for t in tables]
    name_counts, spot_counts = Counter(names), Counter(map(repr, spots))
    found = []
    for i, (name, spot) in enumerate(zip(names, spots, strict=True)):
        if name_counts[name] > 1 and names.index(name) != i:
            found.append((f"sensor[{i}].quantity", f"{name} is configured twice; give one another place"))
        if spot[0] is not None and spot_counts[repr(spot)] > 1 and spots.index(spot) != i:
            found.append(
                (
                    f"sensor[{i}].topic",
                    f'two sensors share "{spot[0]}" at the same pointer; give one a JSON Pointer',
                )
            )
    return found


def _with_absolute_paths(config: Config, folder: Path) -> Config:
    """Take relative file names from the configuration's own folder, not from where one stands."""

    def absolute(name: str) -> str:
        return str(folder / Path(name).expanduser()) if name else name

    listener = config.listener.model_copy(
        update={
            key: absolute(getattr(config.listener, key))
            for key in ("password_file", "tls_certificate_file", "tls_key_file", "tls_client_ca_file")
        }
    )
    broker = config.broker and config.broker.model_copy(
        update={key: absolute(getattr(config.broker, key)) for key in ("password_file", "tls_ca_file")}
    )
    store = config.store.model_copy(update={"path": absolute(config.store.path)})
    return config.model_copy(update={"listener": listener, "broker": broker, "store": store})
