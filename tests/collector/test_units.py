"""Units come in at two doors, a sensor's and a person's; nothing is guessed."""

import ast
import typing
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config import parse_config
from collector.config_base import SensorUnit
from collector.domain import QUANTITIES
from collector.errors import ConfigError, InputError
from collector.sensor_units import converter
from collector.units import (
    parse_area_m2,
    parse_areal_g_m2,
    parse_difference_k,
    parse_duration_min,
    parse_mass_g,
    parse_percent,
    parse_temperature_c,
    parse_volume_ml,
)

amounts = st.floats(0, 1e6).map(lambda value: round(value, 6))


@pytest.mark.parametrize(
    ("unit", "quantity", "given_value", "expected"),
    [
        # Fixed points of the scales, by definition.
        ("F", "air_c", 32.0, 0.0),
        ("F", "part_c", 212.0, 100.0),
        ("F", "setpoint_c", -40.0, -40.0),
        ("K", "air_c", 273.15, 0.0),
        ("C", "air_c", 21.5, 21.5),
        ("", "air_c", 21.5, 21.5),
        ("%", "humidity_pct", 55.0, 55.0),
        # One standard atmosphere is 1013.25 hPa by definition, 29.9213 inHg (NIST SP 811).
        ("Pa", "pressure_hpa", 101325.0, 1013.25),
        ("kPa", "pressure_hpa", 101.325, 1013.25),
        ("inHg", "pressure_hpa", 29.9213, 1013.25),
        # NIST SP 811: 1 mi/h = 0.44704 m/s exactly, 1 knot = 0.514444 m/s.
        ("mph", "wind_m_s", 1.0, 0.44704),
        ("kt", "wind_m_s", 1.0, 0.514444),
        ("km/h", "wind_m_s", 36.0, 10.0),
        ("kW", "power_w", 2.5, 2500.0),
    ],
)
def test_sensor_units_turn_into_the_quantitys(
    unit: str, quantity: str, given_value: float, expected: float
) -> None:
    assert converter(unit, QUANTITIES[quantity])(given_value) == pytest.approx(expected, rel=2e-6, abs=1e-9)


def test_every_unit_a_configuration_may_name_fits_some_quantity_and_no_other_is_known() -> None:
    for unit in typing.get_args(SensorUnit):
        fits = []
        for quantity in QUANTITIES.values():
            try:
                converter(unit, quantity)
            except ValueError:
                continue
            fits.append(quantity.unit)
        assert fits, unit
        if unit:
            assert len(set(fits)) == 1, unit
    with pytest.raises(ValueError, match="cannot report in 'furlong'"):
        converter("furlong", QUANTITIES["air_c"])


def test_a_unit_of_something_else_is_refused_with_those_that_fit() -> None:
    with pytest.raises(ValueError, match=r"air_c \[°C\] cannot report in 'hPa'; write one of C, F, K"):
        converter("hPa", QUANTITIES["air_c"])
    with pytest.raises(ValueError, match=r"co2_ppm \[ppm\] cannot report in 'C'; leave it out"):
        converter("C", QUANTITIES["co2_ppm"])


def test_a_configuration_with_a_unit_of_something_else_names_the_sensor() -> None:
    raw = {"sensor": [{"place": "keel", "quantity": "humidity_pct", "topic": "keel", "unit": "F"}]}
    with pytest.raises(ConfigError) as raised:
        parse_config(raw, "layday.toml")
    [mistake] = raised.value.mistakes
    assert mistake.startswith("layday.toml: sensor[0]: a sensor of humidity_pct [%] cannot report in 'F'")


@pytest.mark.parametrize(
    ("parse", "text", "expected", "tolerance"),
    [
        (parse_temperature_c, "64F", 17.78, 0.005),
        (parse_temperature_c, "18C", 18.0, 0),
        (parse_temperature_c, "18 °C", 18.0, 0),
        (parse_temperature_c, " -40 °f ", -40.0, 1e-9),
        (parse_temperature_c, "291.15K", 18.0, 1e-9),
        (parse_difference_k, "5F", 2.78, 0.005),  # the coating rule's 5 °F
        (parse_difference_k, "3 C", 3.0, 0),
        (parse_difference_k, "-1.5K", -1.5, 0),
        (parse_mass_g, "500g", 500.0, 0),
        (parse_mass_g, "1.2 kg", 1200.0, 1e-9),
        (parse_mass_g, "2 lbs", 907.18474, 1e-9),  # the pound is 453.59237 g by definition
        (parse_mass_g, "1 oz wt", 28.349523125, 1e-9),
        (parse_volume_ml, "10 mL", 10.0, 0),
        (parse_volume_ml, ".5 l", 500.0, 0),
        (parse_volume_ml, "8.5cc", 8.5, 0),
        (parse_volume_ml, "1 fl oz", 29.5735295625, 1e-9),  # US, by definition
        (parse_volume_ml, "1 US gal", 3785.411784, 1e-9),
        (parse_areal_g_m2, "12oz/yd2", 407, 0.5),  # these four are printed to 1 g/m²
        (parse_areal_g_m2, "6 oz / sq yd", 203, 0.5),
        (parse_areal_g_m2, "0.75oz/ft²", 229, 0.5),
        (parse_areal_g_m2, "1.5 oz/sq. ft.", 458, 0.5),
        (parse_areal_g_m2, "300g/m2", 300.0, 0),
        (parse_areal_g_m2, "300 gsm", 300.0, 0),
        (parse_area_m2, "2.5 m²", 2.5, 0),
        (parse_area_m2, "10 sq ft", 0.9290304, 1e-12),
        (parse_area_m2, "1 yd^2", 0.83612736, 1e-12),
        (parse_duration_min, "45min", 45.0, 0),
        (parse_duration_min, "45 m", 45.0, 0),
        (parse_duration_min, "1h30", 90.0, 0),
        (parse_duration_min, "1H05 min", 65.0, 0),
        (parse_duration_min, "1:30", 90.0, 0),
        (parse_duration_min, "1.5h", 90.0, 0),
        (parse_duration_min, "90 s", 1.5, 0),
        (parse_duration_min, "2d", 2880.0, 0),
        (parse_percent, "1.5%", 1.5, 0),
        (parse_percent, "1.5", 1.5, 0),
        (parse_percent, "0.75 pct", 0.75, 0),
    ],
)
def test_what_people_write_is_read(
    parse: Callable[[str], float], text: str, expected: float, tolerance: float
) -> None:
    assert parse(text) == pytest.approx(expected, abs=tolerance, rel=0)


@pytest.mark.parametrize(
    ("parse", "text", "hint"),
    [
        (parse_mass_g, "12oz", "which ounce? If it was weighed, write '12 oz wt' (340.2 g)"),
        (parse_volume_ml, "2 OZ.", "which ounce? If it was poured, write '2 fl oz' (59.1 mL)"),
        (parse_areal_g_m2, "6 oz", "'6 oz/yd2' is 203 g/m2. Mat by the square foot: '6 oz/ft2' is 1831 g/m2"),
        (parse_area_m2, "6 oz", "write one of m2, cm2, ft2, yd2"),
        (parse_mass_g, "12 fl oz", "'fl oz' is no unit of mass; write one of g, kg, lb, oz wt"),
        (parse_volume_ml, "1 gal", "'gal' is no unit of volume; write one of ml, l, fl oz, us qt, us gal"),
        (parse_temperature_c, "64", "has no unit; write it with one of C, F, K"),
        (parse_temperature_c, "-300C", "below absolute zero"),
        (parse_temperature_c, "warm", "is no temperature; write a number and one of C, F, K"),
        (parse_temperature_c, "", "is no temperature"),
        (parse_temperature_c, "nanC", "is no temperature"),
        (parse_temperature_c, "9" * 400 + "C", "is no temperature"),
        (parse_mass_g, "1,5 kg", "has a comma; write decimals with a point"),
        (parse_mass_g, "-5g", "is below zero; a mass is not"),
        (parse_duration_min, "45", "has no unit; write it with one of min, h, s, d"),
        (parse_duration_min, "1h75", "is no unit of duration"),
        (parse_percent, "101%", "is more than 100 %"),
        (parse_percent, "1.5 g", "'g' is no unit of percentage"),
    ],
)
def test_what_could_mean_two_things_is_refused_with_a_hint(
    parse: Callable[[str], float], text: str, hint: str
) -> None:
    with pytest.raises(InputError) as raised:
        parse(text)
    assert hint in str(raised.value)
    assert text[:20] in str(raised.value)


def test_a_bare_number_takes_the_unit_its_caller_states() -> None:
    assert parse_temperature_c("64", default="F") == pytest.approx(17.78, abs=0.005)
    assert parse_duration_min("45", default="min") == 45.0
    assert parse_mass_g("1.5kg", default="g") == 1500.0
    with pytest.raises(InputError, match="which ounce"):
        parse_mass_g("12", default="oz")


@given(amounts)
def test_writing_in_another_unit_and_reading_gives_the_same(amount: float) -> None:
    """Factors from NIST SP 811, appendix B, typed here anew."""
    temp_c = amount / 1e3 - 200.0
    assert parse_temperature_c(f"{temp_c * 9 / 5 + 32:.9f}F") == pytest.approx(temp_c, abs=1e-6)
    assert parse_temperature_c(f"{temp_c:.9f}C") == pytest.approx(temp_c, abs=1e-6)
    assert parse_mass_g(f"{amount / 453.59237:.12f} lb") == pytest.approx(amount, abs=1e-6)
    assert parse_mass_g(f"{amount / 1000:.12f}kg") == pytest.approx(amount, abs=1e-6)
    assert parse_volume_ml(f"{amount / 29.5735295625:.12f} fl oz") == pytest.approx(amount, abs=1e-6)
    assert parse_areal_g_m2(f"{amount / 33.90575:.12f} oz/yd2") == pytest.approx(amount, rel=1e-6, abs=1e-6)
    assert parse_areal_g_m2(f"{amount / 305.1517:.12f}oz/ft2") == pytest.approx(amount, rel=1e-6, abs=1e-6)


@given(st.integers(0, 99), st.integers(0, 59))
def test_hours_and_minutes_are_read_however_they_are_joined(hours: int, minutes: int) -> None:
    for text in (f"{hours}h{minutes:02}", f"{hours} h {minutes} min", f"{hours}:{minutes:02}"):
        assert parse_duration_min(text) == hours * 60 + minutes


@given(st.text(max_size=12))
def test_no_text_whatever_gives_anything_but_a_number_or_an_input_error(text: str) -> None:
    for parse in (parse_temperature_c, parse_mass_g, parse_areal_g_m2, parse_duration_min, parse_percent):
        try:
            parse(text)
        except InputError:
            continue


# What belongs into collector/units.py only: the zero of Celsius and its neighbour the triple
# point, g per oz and lb, mL per fl oz and gallon, m per ft, yd and mi/h, hPa per inHg.
_CONSTANTS = (273.15, 28.349523, 453.59237, 29.573530, 3785.4118, 0.3048, 0.9144, 0.44704, 33.86389)


def _stray(tree: ast.AST) -> Iterator[tuple[int, float]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, float):
            if any(abs(node.value / constant - 1) < 1e-3 for constant in _CONSTANTS):
                yield node.lineno, node.value
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.Div):
            left, right = (getattr(side, "value", None) for side in (node.left, node.right))
            ninths = isinstance(node.op, ast.Div) and right == 9 and left in (None, 5)
            if 1.8 in (left, right) or ninths or (left, right) == (9, 5):
                yield node.lineno, 1.8


def test_conversion_constants_stand_in_units_only() -> None:
    root = Path(__file__).parents[2]
    found = [
        f"{path.relative_to(root)}:{line}: {value}"
        for package in ("collector", "forecast", "dashboards")
        for path in sorted((root / package).rglob("*.py"))
        if path != root / "collector" / "units.py"
        for line, value in _stray(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert found == []


def test_the_search_for_stray_constants_finds_them() -> None:
    code = "a = t + 273.15\nb = t * 1.8 + 32\nc = (t - 32) * 5 / 9\nd = 28.35 * m\ne = 5 / 9\nok = 1.8"
    assert sorted(line for line, _ in _stray(ast.parse(code))) == [1, 2, 3, 4, 5]
