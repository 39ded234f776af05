"""The configuration: TOML in, frozen models out, every mistake named at once."""

import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, ValidationError, field_validator, model_validator

from collector.central_config import CentralConfig, ForwardConfig
from collector.config_base import Model, ModelName
from collector.correction import Correction, Corrections
from collector.cure_config import CureConfig
from collector.domain import Sensor
from collector.errors import ConfigError
from collector.feed_config import FeedConfig
from collector.feeds.patterns import TopicPattern, without_covered
from collector.heater_config import HeaterConfig
from collector.intake_config import IntakeConfig
from collector.notify_config import CHANNEL_FILES, ChannelConfig, NotifyConfig, channel_mistakes
from collector.phone_config import PhoneConfig
from collector.secret_files import PREFIX
from collector.sensor_config import CalibrationConfig, SensorConfig
from collector.source_config import BrokerConfig, ListenerConfig
from collector.weather_config import WeatherConfig
from collector.window_config import JobConfig, PlanConfig, WindowsConfig


class ShedConfig(Model):
    """The shed: its id, the zone whose local time people there read, and the units they think in."""

    name: ModelName = "shed"
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


class StoreConfig(Model):
    """Where readings are kept (empty: the user's data folder), and for how many days (0: for ever)."""

    path: str = ""
    keep_days: Annotated[float, Field(ge=0)] = 0.0


class LimitsConfig(Model):
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


class Config(Model):
    """All of layday's settings; every one has a default but the sensors."""

    shed: ShedConfig = ShedConfig()
    store: StoreConfig = StoreConfig()
    listener: ListenerConfig = ListenerConfig()
    broker: BrokerConfig | None = None
    intake: IntakeConfig = IntakeConfig()
    forward: ForwardConfig = ForwardConfig()
    central: CentralConfig = CentralConfig()
    limits: LimitsConfig = LimitsConfig()
    cure: CureConfig = CureConfig()
    weather: WeatherConfig = WeatherConfig()
    windows: WindowsConfig = WindowsConfig()
    phone: PhoneConfig | None = None
    job: tuple[JobConfig, ...] = ()
    heater: HeaterConfig = HeaterConfig()
    notify: NotifyConfig = NotifyConfig()
    channel: tuple[ChannelConfig, ...] = ()
    sensor: tuple[SensorConfig, ...] = ()
    feed: tuple[FeedConfig, ...] = ()
    calibration: tuple[CalibrationConfig, ...] = ()

    @model_validator(mode="after")
    def _broker_for_topic(self) -> "Config":
        if self.weather.service == "mqtt" and self.broker is None:
            raise ValueError("[weather] service 'mqtt' needs a [broker] that keeps its topic")
        return self

    @model_validator(mode="after")
    def _channels_are_there(self) -> "Config":
        if mistakes := channel_mistakes(self.notify, self.channel):
            raise ValueError("; ".join(mistakes))
        return self

    @property
    def sensors(self) -> Mapping[str, Sensor]:
        """The configured sensors by name, each as sure as its newest calibration; feeds may bring others."""
        found = {name: sensor for feed in self.feed for name, sensor in feed.sensors.items()}
        found |= {entry.sensor.name: entry.sensor for entry in self.sensor}
        for entry in sorted(self.calibration, key=_began):
            if entry.uncertainty is not None and entry.sensor in found:
                found[entry.sensor] = replace(found[entry.sensor], uncertainty=entry.uncertainty)
        return found

    @property
    def topic_filters(self) -> list[str]:
        """The MQTT topic filters that take in all sensors and feeds."""
        feeds = {TopicPattern.read(entry.topic).filter for entry in self.feed}
        return without_covered({entry.topic for entry in self.sensor} | feeds)

    @property
    def corrections(self) -> Corrections:
        """The corrections of calibrated sensors by name, for `collector.calibration.corrected`."""
        found: dict[str, list[Correction]] = {}
        for entry in self.calibration:
            found.setdefault(entry.sensor, []).append(Correction(entry.offset, entry.gain, entry.since))
        return found


def _began(entry: CalibrationConfig) -> datetime:
    return entry.since or datetime.min.replace(tzinfo=UTC)


def load_config(path: Path) -> Config:
    """Read a configuration file.

    Raises
    ------
    ConfigError
        With every mistake in the file, each as ``file: key: what``.
    """
    return parse_config(_read_toml(path), str(path))


def load_plan(path: Path) -> PlanConfig:
    """Read a file of jobs to be done one after the other.

    Raises
    ------
    ConfigError
        With every mistake in the file, each as ``file: key: what``.
    """
    try:
        return PlanConfig.model_validate(_lists_to_tuples(_read_toml(path)))
    except ValidationError as error:
        raise ConfigError(_mistakes(error, str(path))) from error


def _mistakes(error: ValidationError, file: str) -> list[str]:
    return [f"{file}: {_key(e['loc'])}: {_what(e['msg'], e['input'])}" for e in error.errors()]


def _read_toml(path: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: is not TOML: {error}"]) from error


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
        raise ConfigError(_mistakes(error, file) + mistakes) from error
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
    text = text.replace("Input should be a valid tuple", "needs a list in [ ]")
    told = isinstance(given, dict | tuple) or repr(given) in text or "//…@" in text  # a secret was cut out
    return text if told else f"{text}, not {given!r}"


def _clashes(raw: Mapping[str, object]) -> list[tuple[str, str]]:
    """Name what fights over one name, one number of one message, or one family of topics."""
    topics = [table.get("topic") for table in _tables(raw, "feed")]
    twice = [
        (f"feed[{i}].topic", f'two feeds have the topic "{topic}"; make them one')
        for i, topic in enumerate(topics)
        if topic in topics[:i]
    ]
    return twice + _sensor_clashes(raw)


def _sensor_clashes(raw: Mapping[str, object]) -> list[tuple[str, str]]:
    tables = _tables(raw, "sensor")
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
    return found + _stray_calibrations(raw, names)


def _tables(raw: Mapping[str, object], key: str) -> list[Mapping[str, object]]:
    entries = raw.get(key)
    return [e if isinstance(e, Mapping) else {} for e in entries] if isinstance(entries, list) else []


def _stray_calibrations(raw: Mapping[str, object], names: Sequence[str]) -> list[tuple[str, str]]:
    """Name calibrations of sensors that are not there, and two that begin at one time."""
    found, seen, open_ended = [], set(), bool(_tables(raw, "feed"))  # a feed brings sensors unnamed here
    for i, table in enumerate(_tables(raw, "calibration")):
        sensor, since = table.get("sensor"), table.get("since")
        if isinstance(sensor, str) and sensor not in names and not open_ended:
            there = ", ".join(sorted(set(names))) or "none"
            found.append((f"calibration[{i}].sensor", f"no sensor is called {sensor!r}; there are: {there}"))
        if (spot := (repr(sensor), repr(since))) in seen:
            found.append((f"calibration[{i}].since", f"{sensor} has another calibration from the same time"))
        seen.add(spot)
    return found


def _with_absolute_paths(config: Config, folder: Path) -> Config:
    """Take relative file names from the configuration's own folder, not from where one stands."""

    def absolute(name: str) -> str:
        is_file = name and not name.startswith(PREFIX)
        return str(folder / Path(name).expanduser()) if is_file else name

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
    weather = config.weather.model_copy(update={"file": absolute(config.weather.file)})
    far = {
        table: model.model_copy(
            update={key: absolute(getattr(model, key)) for key in ("token_file", "tls_ca_file")}
        )
        for table, model in (("forward", config.forward), ("central", config.central))
    }
    channel = tuple(
        one.model_copy(update={key: absolute(getattr(one, key)) for key in CHANNEL_FILES})
        for one in config.channel
    )
    phone = config.phone and config.phone.model_copy(update={"token_file": absolute(config.phone.token_file)})
    near = {"listener": listener, "broker": broker, "store": store, "weather": weather, "phone": phone}
    return config.model_copy(update={**near, "channel": channel, **far})
