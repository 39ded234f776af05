"""From an outlook to words and JSON. Local time and people's units appear only here."""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Literal

from collector.units import G_PER_KG, mass_oz, shown_difference, shown_temperature, volume_fl_oz
from dashboards.age import age_words as age_words  # noqa: PLC0414  all words are to be had from here
from dashboards.suspect_words import suspect_words, to_do_words
from forecast.shed_now import ShedNow
from forecast.verdict import BayNow, Cause, Reason, Verdict

Units = Literal["metric", "us"]

_HEAVY_G = 10.0 * G_PER_KG
_OZ_PER_LB = 16.0

NAMES = {
    "air_c": "air",
    "part_c": "part",
    "humidity_pct": "humidity",
    "margin_k": "margin",
}
_SENSORS = {"air_c": "air sensor", "part_c": "part probe", "humidity_pct": "humidity sensor"}
_HEADLINES = {
    Verdict.GO: "fit to glass",
    Verdict.TIGHT: "barely fit to glass",
    Verdict.NO_GO: "not fit to glass",
    Verdict.NO_NEWS: "cannot tell",
}
SYMBOLS = {Verdict.GO: "+", Verdict.TIGHT: "~", Verdict.NO_GO: "x", Verdict.NO_NEWS: "?"}
_ADVICE = {
    ("margin_k", Cause.BELOW): "warm the part, or dry the air, before any resin goes on",
    ("margin_k", Cause.NEAR_BELOW): "warm the part a little; wipe it dry and look for a film of dew",
    ("humidity_pct", Cause.ABOVE): "wait for drier air, or heat with the flame vented outdoors",
    ("humidity_pct", Cause.NEAR_ABOVE): "keep wet floors and open doors away; look again before you mix",
    ("air_c", Cause.BELOW): "heat the air and give the part time to follow",
    ("air_c", Cause.ABOVE): "air the shed or wait: work time is short in the heat",
    ("part_c", Cause.BELOW): "bring heat to the part itself; warm air alone is slow",
    ("part_c", Cause.ABOVE): "shade the part or wait: the resin would go off early",
    ("air_c", Cause.NEAR_BELOW): "a little more heat would make it safe",
    ("part_c", Cause.NEAR_BELOW): "a little more heat on the part would make it safe",
    ("air_c", Cause.NEAR_ABOVE): "mix small pots; work time is short",
    ("part_c", Cause.NEAR_ABOVE): "mix small pots; work time is short",
}


@dataclass(frozen=True, slots=True)
class Reader:
    """Whom the words are for: the zone they live in, the units they think in, the signs they can be shown."""

    zone: tzinfo = UTC
    units: Units = "metric"
    only_ascii: bool = False

    def temperature(self, temp_c: float, digits: int = 1) -> str:
        """Return a temperature in words, as in ``18.3 °C``."""
        return f"{shown_temperature(temp_c, fahrenheit=self.units == 'us'):.{digits}f} {self.degree}"

    def difference(self, difference_k: float, digits: int = 1) -> str:
        """Return a difference of temperatures in words, as in ``3.0 °C``."""
        return f"{shown_difference(difference_k, fahrenheit=self.units == 'us'):.{digits}f} {self.degree}"

    def mass(self, mass_g: float, digits: int = 0) -> str:
        """Return a mass as a shop scale shows it, as in ``800 g`` or ``28.2 oz``; from 10 kg on in kg or lb.

        >>> Reader().mass(12.34, 1), Reader(units="us").mass(12.34, 1), Reader(units="us").mass(12_000.0)
        ('12.3 g', '0.44 oz', '26.46 lb')
        """
        if self.units == "us":
            ounces = mass_oz(mass_g)
            if mass_g >= _HEAVY_G:
                return f"{ounces / _OZ_PER_LB:.2f} lb"
            return f"{ounces:.{digits + 1}f} oz"
        return f"{mass_g:.{digits}f} g" if mass_g < _HEAVY_G else f"{mass_g / G_PER_KG:.2f} kg"

    def volume(self, volume_ml: float) -> str:
        """Return a volume as in ``12.1 mL`` or ``0.41 fl oz``.

        >>> Reader().volume(12.13), Reader(units="us").volume(12.13)
        ('12.1 mL', '0.41 fl oz')
        """
        if self.units == "us":
            return f"{volume_fl_oz(volume_ml):.2f} fl oz"
        return f"{volume_ml:.1f} mL"

    @property
    def degree(self) -> str:
        """The unit of temperatures, without its sign where the terminal has none."""
        return f"{'' if self.only_ascii else '°'}{'F' if self.units == 'us' else 'C'}"

    @property
    def plus_minus(self) -> str:
        """The sign of what a number may be off by, or what stands in for it."""
        return "+/-" if self.only_ascii else "±"

    def clock(self, at: datetime, today: datetime) -> str:
        """Return a local time, with its weekday (or date) where that is not today's.

        >>> from datetime import UTC, datetime
        >>> Reader().clock(datetime(2026, 4, 3, 5, 20, tzinfo=UTC), datetime(2026, 4, 2, tzinfo=UTC))
        'Fri 05:20'
        """
        local, local_today = at.astimezone(self.zone), today.astimezone(self.zone)
        days = abs((local.date() - local_today.date()).days)
        if days == 0:
            return self.hour(at)
        return f"{local:%a} {self.hour(at)}" if days < 7 else f"{local:%Y-%m-%d} {self.hour(at)}"  # noqa: PLR2004  a week

    def hour(self, at: datetime) -> str:
        """Return a local hour and minute; one that comes twice as clocks are put back says which it is.

        >>> from zoneinfo import ZoneInfo
        >>> Reader(ZoneInfo("Europe/Berlin")).hour(datetime(2026, 10, 25, 1, 30, tzinfo=UTC))
        '02:30 (2nd)'
        """
        local = at.astimezone(self.zone)
        if local.replace(fold=1 - local.fold).utcoffset() == local.utcoffset():
            return f"{local:%H:%M}"
        return f"{local:%H:%M} ({'2nd' if local.fold else '1st'})"

    def stamp(self, at: datetime) -> str:
        """Return a local day and time as a screen's first line has it, as in ``Thu 02 Apr 19:04``."""
        return f"{at.astimezone(self.zone):%a %d %b} {self.hour(at)}"

    def quantity(self, name: str, value: float, more_digits: int = 0) -> str:
        """Return a measured value with its unit in words, with more digits than usual where asked."""
        if name == "humidity_pct":
            return f"{value:.{more_digits}f} %"
        words = self.difference if name.endswith("_k") else self.temperature
        return words(value, 1 + more_digits)

    def apart(self, name: str, value: float, limit: float) -> tuple[str, str]:
        """Return a value and its limit with as many digits as tell them apart.

        >>> Reader().apart("humidity_pct", 75.3, 75.0)
        ('75.3 %', '75.0 %')
        """
        for more_digits in range(4):
            texts = self.quantity(name, value, more_digits), self.quantity(name, limit, more_digits)
            if texts[0] != texts[1]:
                break
        return texts


def reason_words(reason: Reason, reader: Reader) -> str:
    """Return one reason as a sentence without its full stop."""
    name = NAMES.get(reason.quantity, reason.quantity)
    sensor = _SENSORS.get(reason.quantity, reason.quantity)
    age_s = reason.age_s or 0.0
    if reason.cause is Cause.MISSING:
        return f"no reading from the {sensor} yet"
    if reason.cause is Cause.STALE:
        return f"{sensor} silent for {age_words(age_s)}"
    if reason.cause is Cause.FUTURE:
        return f"{sensor}'s clock runs {age_words(-age_s)} ahead"
    value = reader.quantity(reason.quantity, reason.value or 0.0)
    if reason.cause is Cause.SUSPECT:
        since = age_words(reason.suspect_s) if reason.suspect_s else ""
        return suspect_words(sensor, value, reason.flags, since)
    if reason.cause is Cause.WITHIN:
        return f"{name} {value}"
    value, limit = reader.apart(reason.quantity, reason.value or 0.0, reason.limit or 0.0)
    unsure = _plus_minus(reason, reader)
    return {
        Cause.BELOW: f"{name} {value} is below {limit}",
        Cause.ABOVE: f"{name} {value} is above {limit}",
        Cause.NEAR_BELOW: f"{name} {value} {unsure} is hardly above {limit}",
        Cause.NEAR_ABOVE: f"{name} {value} {unsure} is hardly below {limit}",
    }[reason.cause]


def _plus_minus(reason: Reason, reader: Reader) -> str:
    unsure = reason.uncertainty or 0.0
    if reason.quantity == "humidity_pct":
        return f"{reader.plus_minus}{unsure:.0f} %"
    return f"{reader.plus_minus}{reader.difference(unsure)}"


def advice_words(bay: BayNow) -> str:
    """Return what to do about a bay's worst reason; empty where nothing needs doing."""
    if bay.verdict is Verdict.NO_NEWS:
        for reason in bay.reasons:
            if to_do := to_do_words(reason.flags):
                return to_do
        return "check the sensor, its power and its cable; 'layday check' says more"
    for reason in bay.reasons:
        if (reason.quantity, reason.cause) in _ADVICE:
            return _ADVICE[reason.quantity, reason.cause]
    return ""


def headline(verdict: Verdict) -> str:
    """Return what a verdict means."""
    return _HEADLINES[verdict]


def bay_sentence(bay: BayNow, reader: Reader) -> str:
    """Return one bay as one plain sentence, for screen readers, logs and `--plain`."""
    why = ", ".join(reason_words(reason, reader) for reason in bay.reasons)
    return f"{bay.bay}: {bay.verdict.value}, {headline(bay.verdict)}: {why}."


def bay_numbers(bay: BayNow, reader: Reader) -> list[tuple[str, str]]:
    """Return a bay's numbers as (name, words); ``-`` where one is missing."""

    def words(name: str, value: float | None) -> str:
        return "-" if value is None else reader.quantity(name, value)

    margin = words("margin_k", bay.margin_k)
    if bay.margin_uncertainty_k is not None:
        margin += f" {reader.plus_minus}{reader.difference(bay.margin_uncertainty_k).split()[0]}"
    numbers = [
        ("air", words("air_c", bay.air_c)),
        ("part", words("part_c", bay.part_c)),
        ("dew point", words("dew_point_c", bay.dew_point_c)),
        ("margin", margin),
        ("humidity", words("humidity_pct", bay.humidity_pct)),
        ("age", "-" if bay.age_s is None else age_words(bay.age_s)),
    ]
    if bay.frost_point_c is not None:
        numbers.insert(3, ("frost point", words("frost_point_c", bay.frost_point_c)))
    return numbers


def now_json(now: ShedNow, reader: Reader) -> dict[str, object]:
    """Return the shed as ``layday/now/1``; numbers stay in °C, %, K and s whatever the reader's units."""
    return {
        "schema": "layday/now/1",
        "at": now.at.isoformat().replace("+00:00", "Z"),
        "shed": now.shed,
        "bays": [
            {
                "bay": bay.bay,
                "verdict": bay.verdict.value,
                "reasons": [reason_words(reason, reader) for reason in bay.reasons],
                "air_c": bay.air_c,
                "humidity_pct": bay.humidity_pct,
                "part_c": bay.part_c,
                "dew_point_c": bay.dew_point_c,
                "frost_point_c": bay.frost_point_c,
                "margin_k": bay.margin_k,
                "margin_uncertainty_k": bay.margin_uncertainty_k,
                "age_s": bay.age_s,
            }
            for bay in now.bays
        ],
    }
