"""Fetch a weather service's response, politely: who asks, no sooner than allowed, never in a hurry.

Everything fetched lies in a folder, with when it may be asked for again: a restarted program
does not ask twice, and a service that is down is asked ever more seldom.
"""

import gzip
import hashlib
import json
import urllib.error
import urllib.request
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from email.message import Message
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from http.client import HTTPException
from pathlib import Path

from collector.clock import Clock, from_us, to_us
from collector.errors import InputError
from collector.weather_config import WeatherConfig

TIMEOUT_S = 20.0
_LARGEST_BYTES = 8_000_000
# However short a service's Expires, and however long: forecasts are made about hourly.
_SOONEST = timedelta(minutes=10)
_UNLESS_TOLD = timedelta(hours=1)
_LATEST = timedelta(hours=6)
_FIRST_WAIT = timedelta(minutes=5)
_PRODUCT = "layday/0.1"
_HOMES = {
    "met_norway": "https://api.met.no",
    "open_meteo": "https://api.open-meteo.com",
    "weather_gov": "https://api.weather.gov",
}
_OPEN_METEO_ASKS = (
    "temperature_2m,relative_humidity_2m,dew_point_2m,cloud_cover,wind_speed_10m,shortwave_radiation"
)


class FetchError(InputError):
    """Nothing could be fetched, and nothing is kept from before; its text says why."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is kept of one address, and when to ask again (microseconds since 1970 UTC)."""

    address: str
    text: str = ""
    last_modified: str = ""
    ask_after_us: int = 0
    failures: int = 0
    why: str = ""


def address(config: WeatherConfig) -> str:
    """Return what to ask a service for first; coordinates with four decimals, as they demand.

    Raises
    ------
    ValueError
        If the configuration names no service that is asked over the network.
    """
    if config.service not in _HOMES or config.latitude_deg is None or config.longitude_deg is None:
        raise ValueError(f"{config.service} is not asked over the network")
    home = (config.url or _HOMES[config.service]).rstrip("/")
    north, east = f"{config.latitude_deg:.4f}", f"{config.longitude_deg:.4f}"
    if config.service == "weather_gov":
        # It redirects coordinates with needless zeros.
        return f"{home}/points/{_short(north)},{_short(east)}"
    if config.service == "met_norway":
        height = "" if config.altitude_m is None else f"&altitude={config.altitude_m:.0f}"
        return f"{home}/weatherapi/locationforecast/2.0/complete?lat={north}&lon={east}{height}"
    return (
        f"{home}/v1/forecast?latitude={north}&longitude={east}&hourly={_OPEN_METEO_ASKS}"
        "&wind_speed_unit=ms&timeformat=unixtime&timezone=GMT&forecast_days=5"
    )


def _short(number: str) -> str:
    return number.rstrip("0").rstrip(".")


class Fetcher:
    """Asks for addresses and remembers the answers in `folder`."""

    def __init__(self, folder: Path, contact: str, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._agent = f"{_PRODUCT} ({contact})" if contact else _PRODUCT

    def get(self, url: str) -> str:
        """Return the body at `url`: the kept one until it expires or while the service is away.

        Raises
        ------
        FetchError
            If the service does not answer and nothing is kept.
        """
        now = self._clock.now()
        kept = self._read(url)
        if to_us(now) >= kept.ask_after_us:
            kept = self._ask(kept, now)
            self._write(kept)
        if not kept.text:
            raise FetchError(
                f"{url}: {kept.why or 'no answer'}; asked again after {from_us(kept.ask_after_us):%H:%M} UTC"
            )
        return kept.text

    def trouble(self, url: str) -> str:
        """Return why the last asking failed; empty where it did not."""
        return self._read(url).why

    def _ask(self, kept: _Kept, now: datetime) -> _Kept:
        headers = {"User-Agent": self._agent, "Accept": "application/json", "Accept-Encoding": "gzip"}
        if kept.last_modified and kept.text:
            headers["If-Modified-Since"] = kept.last_modified
        request = urllib.request.Request(kept.address, headers=headers)  # noqa: S310  http(s) only: see WeatherConfig.url
        try:
            with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:  # noqa: S310  as above
                text = _body(answer.read(_LARGEST_BYTES + 1), answer.headers)
                return _Kept(
                    kept.address,
                    text,
                    answer.headers.get("Last-Modified", ""),
                    to_us(_ask_after(answer.headers, now)),
                )
        except urllib.error.HTTPError as error:
            with error:
                if error.code == HTTPStatus.NOT_MODIFIED and kept.text:
                    again_us = to_us(_ask_after(error.headers, now))
                    return replace(kept, ask_after_us=again_us, failures=0, why="")
                why = f"the service answers {error.code} {error.reason}"
                return _later(kept, now, why, _retry_after(error.headers, now))
        except (OSError, HTTPException, ValueError, EOFError) as error:
            reason = getattr(error, "reason", error)
            return _later(kept, now, f"no answer ({reason})", timedelta(0))

    def _file(self, url: str) -> Path:
        return self._folder / f"{hashlib.sha256(url.encode()).hexdigest()[:16]}.json"

    def _read(self, url: str) -> _Kept:
        """Return what is kept; a file that is damaged counts as none."""
        try:
            kept = _Kept(**json.loads(self._file(url).read_text(encoding="utf-8")))
            return kept if kept.address == url else _Kept(url)
        except (OSError, ValueError, TypeError):
            return _Kept(url)

    def _write(self, kept: _Kept) -> None:
        """Keep it, whole or not at all; a full disk costs the cache, not the forecast."""
        file = self._file(kept.address)
        part = file.with_suffix(".part")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            part.write_text(json.dumps(asdict(kept)), encoding="utf-8")
            part.replace(file)
        except OSError:
            part.unlink(missing_ok=True)


def _body(raw: bytes, headers: Message) -> str:
    if len(raw) > _LARGEST_BYTES:
        raise ValueError(f"more than {_LARGEST_BYTES // 1_000_000} MB: that is no forecast")
    if headers.get("Content-Encoding", "") == "gzip":
        raw = gzip.decompress(raw)
    text = raw.decode("utf-8")
    json.loads(text)  # what is no JSON must not displace what is kept
    return text


def _ask_after(headers: Message, now: datetime) -> datetime:
    """Return when the answer expires, within reason; by the service's own clock where it shows it."""
    told = _http_time(headers.get("Expires"))
    theirs = _http_time(headers.get("Date")) or now
    span = _UNLESS_TOLD if told is None else told - theirs
    return now + min(max(span, _SOONEST), _LATEST)


def _http_time(text: str | None) -> datetime | None:
    try:
        return parsedate_to_datetime(text) if text else None
    except ValueError:
        return None


def _retry_after(headers: Message, now: datetime) -> timedelta:
    text = headers.get("Retry-After", "")
    if text.isdigit():
        return timedelta(seconds=int(text))
    told = _http_time(text)
    return timedelta(0) if told is None else told - now


def _later(kept: _Kept, now: datetime, why: str, at_least: timedelta) -> _Kept:
    """Ask again after twice the last wait, and not before the service wants to be asked."""
    wait = max(min(_FIRST_WAIT * 2**kept.failures, _LATEST), min(at_least, 4 * _LATEST))
    return replace(kept, ask_after_us=to_us(now + wait), failures=min(kept.failures + 1, 16), why=why)
