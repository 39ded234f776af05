"""Resin cards in files: TOML in, a `Card` out, every mistake named at once.

A card lies in the user's own folder or comes with layday; the name of its file, without
``.toml``, is its key. Every number's unit stands in its key. Temperatures are °C only:
`layday resin new` takes °F and converts.
"""

import tomllib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType

import numpy as np

from collector.errors import ConfigError, InputError
from collector.nearest import did_you_mean
from forecast._card_table import Bound, Table
from forecast.card import Application, Card, Family, GelCell, Hardener, RecoatTable, Stage, StageTable
from forecast.time_surface import Cells

SHIPPED = Path(__file__).parent / "cards"
_SUFFIX = ".toml"
# What can be true of a resin or a day in a shed; beyond it a unit was mixed up.
DENSITY = Bound(0.7, 2.5, "kg/m³ are a thousand times as many")
PERCENT = Bound(0.05, 200.0, "parts of hardener to a hundred of resin")
TEMPERATURE = Bound(-20.0, 60.0, "°C; 64 °F are 17.8 °C")
CURE_TEMPERATURE = Bound(-20.0, 150.0, "°C; 64 °F are 17.8 °C")
BASE = Bound(-30.0, 40.0, "°C from which degree-hours count")
HEAT = Bound(50.0, 1000.0, "kJ/kg are as many J/g")
SHELF_LIFE = Bound(0.1, 240.0, "months in a closed drum")
HUMIDITY = Bound(1.0, 100.0, "relative humidity in %")
MARGIN = Bound(0.0, 20.0, "5 °F above the dew point are 2.78 K")
CUP = Bound(1.0, 20_000.0, "grams in the cup")
MINUTES = Bound(0.1, 6000.0, "a time is above zero, in minutes")
HOURS = Bound(0.01, 10_000.0, "a time is above zero, in hours")
STAGES = tuple(stage for stage in Stage if stage is not Stage.GEL)


def card_keys(folders: Sequence[Path] = ()) -> tuple[str, ...]:
    """Return the keys of all cards in `folders` and of those that come with layday, sorted."""
    return tuple(sorted({path.stem for folder in (*folders, SHIPPED) for path in folder.glob(f"*{_SUFFIX}")}))


def find_card(key_or_file: str, folders: Sequence[Path] = ()) -> Card:
    """Return the card of a key, from the first folder that has it, or of a file.

    Parameters
    ----------
    key_or_file : str
        A key, as in ``generic-vinyl-ester``, or a file's name that ends in ``.toml``.
    folders : sequence of Path
        The user's own folders; those cards go before the ones that come with layday.

    Raises
    ------
    InputError
        If there is none of that key; the text names those there are.
    ConfigError
        With every mistake in the card.

    >>> find_card("generic-vinyl-ester").family.value
    'vinyl ester'
    """
    if key_or_file.endswith(_SUFFIX):
        return load_card(Path(key_or_file).expanduser())
    for folder in (*folders, SHIPPED):
        path = folder / f"{key_or_file}{_SUFFIX}"
        if path.parent == folder and path.is_file():
            return load_card(path)
    there = card_keys(folders)
    near = did_you_mean(key_or_file, there)
    raise InputError(
        f"no resin card is called {key_or_file!r}; there are {', '.join(there)}, or name a .toml file{near}"
    )


def load_card(path: Path) -> Card:
    """Read a card.

    Raises
    ------
    ConfigError
        With every mistake in it, each as ``file: key: what``.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError([f"{path}: (file): cannot be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: (file): is not UTF-8 text (byte {error.start})"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: (file): is not TOML: {error}"]) from error
    return parse_card(raw, str(path), path.stem)


def parse_card(raw: Mapping[str, object], file: str, key: str) -> Card:
    """Check a card that was read from `file`.

    Raises
    ------
    ConfigError
        With every mistake, each as ``file: key: what``.
    """
    top = Table(raw)
    family = top.choice("family", [family.value for family in Family])
    hardener_table = top.table("hardener")
    limits = _limits(hardener_table)
    card = Card(
        key=key,
        name=top.text("name"),
        family=Family(family) if family else Family.EPOXY,
        generic=top.flag("generic", default=False),
        hardener=_hardener(hardener_table),
        catalyst_min_pct=limits[0],
        catalyst_max_pct=limits[1],
        application=_application(top.table("application")),
        gel=_gel(top.table("gel"), limits),
        stages=_stages(top.table("stage", required=False)),
        recoat=_recoat(top.table("recoat")) if "recoat" in raw else None,
        base_c=top.number("base_c", BASE),
        reference_c=top.number("reference_c", TEMPERATURE),
        heat_of_reaction_j_g=top.number("heat_of_reaction_j_g", HEAT),
        density_g_ml=top.number("density_g_ml", DENSITY),
        shelf_life_months=(
            top.number("shelf_life_months", SHELF_LIFE) if "shelf_life_months" in raw else None
        ),
        sources=_sources(top),
    )
    _reference(top, card)
    top.no_other_keys()
    if top.mistakes:
        raise ConfigError([f"{file}: {mistake}" for mistake in top.mistakes])
    return card


def _reference(top: Table, card: Card) -> None:
    """See that hours can be told at the card's reference temperature: every stage goes on there."""
    tables = [[cell.temp_c for cell in card.gel], *(table.temps_c for table in card.stages)]
    lowest_c = lowest_reference_c(card.application.temp_min_c, tables)
    if card.reference_c < lowest_c:
        top.wrong(
            "reference_c",
            f"{card.reference_c:g} °C is colder than the sheet has times for; give {lowest_c:g} °C or more",
        )


def lowest_reference_c(temp_min_c: float, tables_c: Sequence[Sequence[float]]) -> float:
    """Return the coldest temperature [°C] at which gel and every stage of a card go on.

    A stage stands still below both the coldest row of its table and the coldest that the sheet allows.

    >>> lowest_reference_c(18.0, [[25.0], [15.0, 20.0]])
    18.0
    """
    return max((min(temp_min_c, *temps_c) for temps_c in tables_c if temps_c), default=temp_min_c)


def _hardener(table: Table) -> Hardener:
    hardener = Hardener(
        kind=table.text("kind"),
        density_g_ml=table.number("density_g_ml", DENSITY),
        by=table.choice("by", ["weight", "volume"], default="weight"),
    )
    table.no_other_keys()
    return hardener


def _limits(table: Table) -> tuple[float, float]:
    least, most = table.number("min_pct", PERCENT), table.number("max_pct", PERCENT)
    if least > most:
        table.wrong("max_pct", f"{most:g} % is below min_pct, {least:g} %")
    return least, most


def _application(table: Table) -> Application:
    cold, hot = table.number("temp_min_c", TEMPERATURE), table.number("temp_max_c", TEMPERATURE)
    if cold >= hot:
        table.wrong("temp_max_c", f"{hot:g} °C is not above temp_min_c, {cold:g} °C")
    application = Application(
        temp_min_c=cold,
        temp_max_c=hot,
        humidity_max_pct=table.number("humidity_max_pct", HUMIDITY),
        margin_min_k=table.number("margin_min_k", MARGIN),
    )
    table.no_other_keys()
    return application


def _gel(table: Table, limits: tuple[float, float]) -> tuple[GelCell, ...]:
    cup_g = table.number("cup_g", CUP) if "cup_g" in table.raw else None
    cells = []
    for row in table.tables("cells"):
        temp_c, pct = row.number("temp_c", TEMPERATURE), row.number("catalyst_pct", PERCENT)
        if pct < limits[0] or pct > limits[1]:
            row.wrong("catalyst_pct", f"{pct:g} % is beyond hardener.min_pct to max_pct, {_span(limits)} %")
        if "time_min" in row.raw:
            low = high = row.number("time_min", MINUTES)
        else:
            low, high = row.number("low_min", MINUTES), row.number("high_min", MINUTES)
            if low > high:
                row.wrong("high_min", f"{high:g} is below low_min, {low:g}: the range is upside down")
        row.no_other_keys()
        cells.append(GelCell(temp_c, pct, low, high, cup_g))
    _right_way_up(table, cells)
    table.no_other_keys()
    return tuple(cells)


def _span(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} to {limits[1]:g}"


def _right_way_up(table: Table, cells: Sequence[GelCell]) -> None:
    """Compare the sound cells with each other, whatever is wrong with the rest."""
    sound = [c for c in cells if np.isfinite([c.temp_c, c.catalyst_pct, c.low_min, c.high_min]).all()]
    sound = [c for c in sound if 0 < c.low_min <= c.high_min]
    if not sound:
        return
    columns = np.array([(c.temp_c, c.catalyst_pct, c.low_min, c.high_min) for c in sound]).T
    for mistake in Cells(*columns).mistakes():
        table.wrong("cells", mistake)


def _stages(table: Table) -> tuple[StageTable, ...]:
    found = []
    for stage in STAGES:
        if stage.value in table.raw:
            rows = table.table(stage.value)
            temps_c, times_h = _temperatures(rows), rows.numbers("times_h", HOURS)
            _falling_times(rows, "times_h", temps_c, times_h)
            rows.no_other_keys()
            found.append(StageTable(stage, temps_c, times_h))
    table.no_other_keys(hint=f"the stages are {', '.join(STAGES)}; gel has its own table")
    return tuple(found)


def _recoat(table: Table) -> RecoatTable:
    temps_c = _temperatures(table)
    from_h, to_h = table.numbers("from_h", HOURS), table.numbers("to_h", HOURS)
    _falling_times(table, "from_h", temps_c, from_h)
    _falling_times(table, "to_h", temps_c, to_h)
    for temp_c, opens, closes in zip(temps_c, from_h, to_h, strict=False):
        if opens >= closes:
            table.wrong(
                "to_h", f"at {temp_c:g} °C the window closes ({closes:g} h) before it opens ({opens:g} h)"
            )
    table.no_other_keys()
    return RecoatTable(temps_c, from_h, to_h)


def _temperatures(table: Table) -> tuple[float, ...]:
    temps_c = table.numbers("temps_c", CURE_TEMPERATURE)
    for colder, warmer in pairwise(temps_c):
        if warmer <= colder:
            table.wrong("temps_c", f"{warmer:g} does not rise after {colder:g}: list them from cold to warm")
    return temps_c


def _falling_times(table: Table, key: str, temps_c: Sequence[float], times_h: Sequence[float]) -> None:
    if len(times_h) != len(temps_c):
        table.wrong(key, f"has {len(times_h)} times for {len(temps_c)} temperatures")
        return
    rows = list(zip(temps_c, times_h, strict=True))
    for (colder, before), (warmer, after) in pairwise(rows):
        if warmer > colder and after > before:
            table.wrong(
                key,
                f"{after:g} h at {warmer:g} °C is longer than {before:g} h at {colder:g} °C: "
                "the table is upside down",
            )


def _sources(top: Table) -> Mapping[str, str]:
    """Give every number its own source: named for it, for its table, or for the whole card."""
    whole = top.text("source", required=False)
    named = top.table("sources", required=False)
    found = {}
    for key in top.number_keys():
        section = key.rpartition(".")[0]
        found[key] = named.text(key, required=False) or named.text(section, required=False) or whole
        if not found[key]:
            top.wrong(key, "has no source; name one for the card (source = …) or for it under [sources]")
    for key in named.unused():
        named.wrong(key, "is the source of nothing in this card")
    return MappingProxyType(found)
