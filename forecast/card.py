"""A resin card: the numbers of one resin and hardener, as its data sheet prints them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType


class Family(StrEnum):
    """What kind of resin it is; cautions and limits differ."""

    VINYL_ESTER = "vinyl ester"
    POLYESTER = "polyester"
    EPOXY = "epoxy"


class Stage(StrEnum):
    """How far a cure is, in the order in which it gets there."""

    GEL = "gel"
    TACK_FREE = "tack-free"
    SANDABLE = "sandable"
    HANDLING = "handling"
    FULL = "full"


@dataclass(frozen=True, slots=True)
class Hardener:
    """What is stirred in: a peroxide (1-3 %) or an amine (a fixed ratio).

    `by` says whether the sheet's percentage is of weight or of volume.
    """

    kind: str
    density_g_ml: float
    by: str = "weight"


@dataclass(frozen=True, slots=True)
class GelCell:
    """One cell of a gel-time table: minutes, or a range of them, at a temperature and a percentage."""

    temp_c: float
    catalyst_pct: float
    low_min: float
    high_min: float
    cup_g: float | None = None


@dataclass(frozen=True, slots=True)
class StageTable:
    """Hours to a stage after mixing, at constant temperatures; equally long, temperatures rising."""

    stage: Stage
    temps_c: tuple[float, ...]
    times_h: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RecoatTable:
    """The recoat window, from and to in hours after mixing, at constant temperatures, rising."""

    temps_c: tuple[float, ...]
    from_h: tuple[float, ...]
    to_h: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Application:
    """Where the sheet lets the resin be used: part and air, humidity, surface above dew point."""

    temp_min_c: float
    temp_max_c: float
    humidity_max_pct: float
    margin_min_k: float


@dataclass(frozen=True, slots=True)
class Card:
    """One resin and its hardener.

    `catalyst_min_pct` and `catalyst_max_pct` bound the percentage of hardener in parts per
    hundred of resin. `base_c` is where degree-hours begin, `reference_c` the temperature of
    equivalent hours. `sources` names where each number is from, by its key in the file.
    """

    key: str
    name: str
    family: Family
    generic: bool
    hardener: Hardener
    catalyst_min_pct: float
    catalyst_max_pct: float
    application: Application
    gel: tuple[GelCell, ...]
    stages: tuple[StageTable, ...]
    recoat: RecoatTable | None
    base_c: float
    reference_c: float
    heat_of_reaction_j_g: float
    density_g_ml: float
    shelf_life_months: float | None = None
    sources: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}), hash=False)
