"""Responses of weather services become one hourly outdoor series; what cannot be read is said."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.clock import from_us, to_us
from collector.errors import InputError
from forecast.weather import (
    HOUR_US,
    QUANTITIES,
    Outdoor,
    Place,
    dump_outdoor,
    grid_address,
    load_outdoor,
    read_weather,
)

VECTORS = Path(__file__).parent.parent / "vectors" / "weather"
READABLE = sorted(
    path.name for path in VECTORS.glob("*.json") if not path.stem.endswith(("points", "empty_us"))
)


def _text(name: str) -> str:
    return (VECTORS / name).read_text(encoding="utf-8")


def _document(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(_text(name))
    return found


def _at(outdoor: Outdoor, quantity: str, at: datetime) -> float:
    return float(outdoor.at(quantity, np.array([to_us(at)]))[0])


@pytest.mark.parametrize("name", READABLE)
def test_every_service_gives_whole_hours_that_can_be(name: str) -> None:
    outdoor = read_weather(_text(name))
    assert np.all(outdoor.times_us % HOUR_US == 0)
    assert np.all(np.diff(outdoor.times_us) == HOUR_US)
    assert set(outdoor.columns) == set(QUANTITIES)
    assert np.isfinite(outdoor.columns["air_c"]).all()
    dew, air = outdoor.columns["dew_point_c"], outdoor.columns["air_c"]
    both = np.isfinite(dew)
    # a service rounds both to a tenth; the inversion leaves a thousandth
    assert np.all(dew[both] <= air[both] + 0.06)


@pytest.mark.parametrize("name", READABLE)
def test_a_series_comes_back_from_its_text(name: str) -> None:
    outdoor = read_weather(_text(name))
    again = load_outdoor(dump_outdoor(outdoor))
    assert again.service == outdoor.service
    assert again.issued_at == outdoor.issued_at
    assert np.array_equal(again.times_us, outdoor.times_us)
    for quantity, values in outdoor.columns.items():
        assert np.allclose(again.columns[quantity], values, atol=0.0051, equal_nan=True)


def test_met_norway_is_hourly_then_six_hourly_without_a_hole() -> None:
    """Read in the saved answer: 18.8 °C at 11:00; 18:00 and the next midnight are six hours apart."""
    outdoor = read_weather(_text("met_norway_complete.json"))
    assert outdoor.issued_at == datetime(2020, 7, 20, 1, 30, 57, tzinfo=UTC)
    assert _at(outdoor, "air_c", datetime(2020, 7, 20, 11, tzinfo=UTC)) == 18.8
    steps = {step["time"]: step for step in _document("met_norway_complete.json")["properties"]["timeseries"]}
    ends = [
        steps[f"2020-07-2{at}:00:00Z"]["data"]["instant"]["details"]["air_temperature"]
        for at in ("2T18", "3T00")
    ]
    between = _at(outdoor, "air_c", datetime(2020, 7, 22, 21, tzinfo=UTC))
    assert between == pytest.approx(sum(ends) / 2)
    assert np.isfinite(outdoor.columns["sun_w_m2"]).all()


def test_a_run_of_hours_is_every_hour_of_it() -> None:
    """Read in the saved grid: 18.89 °C for ten hours from 01:00 on 4 February 2022."""
    outdoor = read_weather(_text("weather_gov_grid.json"))
    start = datetime(2022, 2, 4, 1, tzinfo=UTC)
    night = [_at(outdoor, "air_c", start + timedelta(hours=hour)) for hour in range(10)]
    assert night == pytest.approx([18.8889] * 10, abs=1e-4)
    assert _at(outdoor, "dew_point_c", datetime(2022, 2, 4, 1, tzinfo=UTC)) == pytest.approx(
        17.7778, abs=1e-4
    )
    # 20.372 km/h
    assert _at(outdoor, "wind_m_s", datetime(2022, 2, 3, 22, tzinfo=UTC)) == pytest.approx(5.659, abs=1e-3)


def test_fahrenheit_and_celsius_answers_agree_to_their_rounding() -> None:
    """78 °F is rounded to whole degrees: up to 0.28 K; the °C answer has halves."""
    us, si = (read_weather(_text(f"weather_gov_hourly_{units}.json")) for units in ("us", "si"))
    assert us.columns["air_c"] == pytest.approx(si.columns["air_c"], abs=0.28 + 0.25)
    assert us.columns["humidity_pct"].tolist() == si.columns["humidity_pct"].tolist()


@pytest.mark.parametrize(
    ("given_wind", "expected_m_s"),
    [("5 to 10 mph", 3.3528), ("10 mph", 4.4704), ("20 km/h", 5.5556), ("", None), (None, None)],
)
def test_wind_in_words_is_the_middle_of_what_it_says(
    given_wind: str | None, expected_m_s: float | None
) -> None:
    """1 mph is 0.44704 m/s, exactly."""
    document = _document("weather_gov_hourly_us.json")
    for period in document["properties"]["periods"]:
        period["windSpeed"] = given_wind
    wind = read_weather(json.dumps(document)).columns["wind_m_s"]
    if expected_m_s is None:
        assert np.isnan(wind).all()
    else:
        assert wind == pytest.approx(expected_m_s, abs=1e-3)


def test_a_fixed_offset_holds_across_a_clock_change() -> None:
    """The answer spans the change of 8 March 2026 in Toronto: no hour is lost or told twice."""
    document = _document("open_meteo_fahrenheit.json")
    outdoor = read_weather(json.dumps(document))
    assert from_us(int(outdoor.times_us[0])) == datetime(2026, 3, 4, 5, tzinfo=UTC)
    assert len(outdoor.times_us) == len(document["hourly"]["time"]) == 192
    expected = (np.array(document["hourly"]["temperature_2m"]) - 32.0) / 1.8
    assert outdoor.columns["air_c"] == pytest.approx(expected)


def test_a_half_hour_zone_is_put_on_whole_hours() -> None:
    """Adelaide is 9 h 30 min ahead: midnight there is 14:30 UTC, and 15:00 midway to the next hour."""
    document = _document("open_meteo_half_hour_zone.json")
    outdoor = read_weather(json.dumps(document))
    assert from_us(int(outdoor.times_us[0])) == datetime(2026, 7, 15, 15, tzinfo=UTC)
    first, second = document["hourly"]["temperature_2m"][:2]
    assert outdoor.columns["air_c"][0] == pytest.approx((first + second) / 2)


def test_radiation_belongs_to_the_middle_of_its_hour_and_beats_the_worked_out_sun() -> None:
    document = _document("open_meteo_half_hour_zone.json")
    count = len(document["hourly"]["time"])
    document["hourly"]["shortwave_radiation"] = [123.0] * count
    document["hourly_units"]["shortwave_radiation"] = "W/m²"
    document["hourly"]["cloud_cover"] = [50] * count
    document["hourly_units"]["cloud_cover"] = "%"
    sun = read_weather(json.dumps(document)).columns["sun_w_m2"]
    assert np.all(sun[:-1] == 123.0)


def test_missing_sun_is_worked_out_from_cloud_and_place() -> None:
    clear, overcast = (_document("met_norway_compact.json") for _ in range(2))
    for document, cloud in ((clear, 0.0), (overcast, 100.0)):
        for step in document["properties"]["timeseries"]:
            step["data"]["instant"]["details"]["cloud_area_fraction"] = cloud
    bright, dull = (read_weather(json.dumps(one)).columns["sun_w_m2"] for one in (clear, overcast))
    # New York in July: Haurwitz at 70 degrees is near 970 W/m²; overcast leaves a quarter of it
    assert 900 < bright.max() < 1000
    assert dull == pytest.approx(bright / 4)
    dark = read_weather(json.dumps(clear), Place(-80.0, 0.0)).columns["sun_w_m2"]
    assert dark.max() == 0.0


def test_null_values_are_unknown_and_not_zero() -> None:
    document = _document("open_meteo_half_hour_zone.json")
    document["hourly"]["relative_humidity_2m"] = [None] * len(document["hourly"]["time"])
    outdoor = read_weather(json.dumps(document))
    assert np.isnan(outdoor.columns["humidity_pct"]).all()
    assert np.isnan(outdoor.columns["dew_point_c"]).all()


def test_over_more_than_six_hours_nothing_is_known() -> None:
    document = _document("met_norway_complete.json")
    kept = [
        step
        for step in document["properties"]["timeseries"]
        if not "2020-07-21" <= step["time"][:10] <= "2020-07-21"
    ]
    document["properties"]["timeseries"] = kept
    outdoor = read_weather(json.dumps(document))
    assert np.isnan(_at(outdoor, "air_c", datetime(2020, 7, 21, 12, tzinfo=UTC)))
    assert np.isfinite(_at(outdoor, "air_c", datetime(2020, 7, 22, 12, tzinfo=UTC)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no JSON"),
        ("<html>", "no JSON"),
        ("[]", "no forecast that layday can read"),
        ("{}", "no forecast that layday can read"),
        ('{"properties": {"timeseries": []}}', "no hour with an air temperature"),
        ('{"properties": {"timeseries": [{"time": 7}]}}', "cannot be read"),
        ('{"hourly": {"time": ["2026-01-01T00:00"], "temperature_2m": [1]}}', "utc_offset_seconds"),
        (
            '{"hourly": {"time": [0], "temperature_2m": [1]}, "hourly_units": {"temperature_2m": "furlong"}}',
            "furlong",
        ),
    ],
)
def test_what_cannot_be_read_is_said(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_weather(text)


def test_an_empty_answer_and_a_signpost_are_explained() -> None:
    with pytest.raises(InputError, match="no hour with an air temperature"):
        read_weather(_text("weather_gov_hourly_empty_us.json"))
    with pytest.raises(InputError, match=r"fetch https://api\.weather\.gov/gridpoints/TAE/58,65"):
        read_weather(_text("weather_gov_points.json"))
    assert grid_address(_text("weather_gov_points.json")) == "https://api.weather.gov/gridpoints/TAE/58,65"


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@given(
    name=st.sampled_from(READABLE),
    where=st.lists(st.integers(0, 50), min_size=1, max_size=6),
    instead=_JSON,
)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_damaged_answer_is_read_or_refused_and_never_crashes(
    name: str, where: list[int], instead: object
) -> None:
    document = _document(name)
    place: Any = document
    for turn in where[:-1]:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        deeper = place[keys[turn % len(keys)]] if keys else None
        if not isinstance(deeper, dict | list) or not deeper:
            break
        place = deeper
    keys = list(place) if isinstance(place, dict) else list(range(len(place)))
    place[keys[where[-1] % len(keys)]] = instead
    try:
        outdoor = read_weather(json.dumps(document))
    except InputError:
        return
    for quantity, low, high in (("air_c", -60, 60), ("humidity_pct", 0, 100), ("wind_m_s", 0, 75)):
        values = outdoor.columns[quantity]
        known = np.isfinite(values)
        assert np.all((values[known] >= low - 1e-9) & (values[known] <= high + 1e-9))
