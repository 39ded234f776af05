"""What forecasts are scored on: measured sets, the weeks of each, and what may be known ahead."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from forecast.past import Array
from forecast.paths import Unit

DATA = Path(__file__).parent.parent / "data"
# The weeks over which each set is scored: from here to its end.
SETS = {
    "greenhouse_reference": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "greenhouse_cva": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "greenhouse_koala": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "house_valencia": (("dining", "room"), datetime(2012, 3, 30, tzinfo=UTC)),
    "house_belgium": (
        ("kitchen", "living", "laundry", "office", "bath", "ironing", "teen", "parents", "north_wall"),
        datetime(2016, 2, 22, tzinfo=UTC),
    ),
    "office_mons": (("office",), datetime(2015, 2, 15, tzinfo=UTC)),
}
# A week long: four days to learn from, three to be scored on. Too young for the means over all sets.
SHORT = ("office_mons",)
# What constants were chosen on; all others were held back.
TUNED = {
    ("greenhouse_reference", "bay"),
    *(("house_belgium", bay) for bay in ("kitchen", "laundry", "bath", "north_wall")),
}
QUICK = {
    ("greenhouse_reference", "bay"),
    ("greenhouse_cva", "bay"),
    ("house_valencia", "room"),
    ("house_belgium", "living"),
}
PROGRAMME = ("heater.setpoint_c",)


@dataclass(frozen=True)
class Task:
    """One bay and quantity of a set, and what of the hours to come is known."""

    name: str
    unit: Unit
    weather: str = "none"
    programme: tuple[str, ...] = ()

    @property
    def knows(self) -> str:
        """What is known ahead, in words; empty where nothing is."""
        programme = "the thermostat's programme" if self.programme else ""
        weather = {"none": "", "perfect": "the true weather", "column": "a real weather forecast"}
        return " and ".join(filter(None, (programme, weather[self.weather])))

    @property
    def held_back(self) -> bool:
        """Whether nothing was chosen on this series."""
        return (self.name, self.unit[0]) not in TUNED

    @property
    def file(self) -> str:
        """What files of it begin with."""
        return "-".join((self.name, *self.unit, self.weather, *self.programme))

    @property
    def title(self) -> str:
        """What the table is called."""
        known = f", {self.knows} known" if self.knows else ""
        return f"{self.name} {'.'.join(self.unit)}{known}{' (held back)' if self.held_back else ''}"


@dataclass(frozen=True)
class Result:
    """Rows of (horizons,) by name, and (jobs, 3) of hours, odds said and whether it held."""

    task: Task
    rows: Mapping[str, Array]
    jobs: Array


def tasks(sets: Sequence[str] = (), bays: Sequence[str] = (), *, quick: bool = False) -> list[Task]:
    """Return all tasks of these sets and bays (all without), those that know nothing ahead first."""
    units = [
        (name, (bay, quantity))
        for name in sets or SETS
        for bay in SETS[name][0]
        if (not bays or bay in bays) and (not quick or (name, bay) in QUICK)
        for quantity in ("air_c", "humidity_pct")
    ]
    # the longest first, so that no worker sits idle at the end
    units.sort(key=lambda of: of[0] != "house_belgium")
    found = [Task(name, unit) for name, unit in units]
    found += [Task(name, unit, "none", PROGRAMME) for name, unit in units if name.startswith("greenhouse")]
    found += [Task(name, unit, "perfect") for name, unit in units if name not in SHORT]
    found += [Task(name, unit, "column") for name, unit in units if name == "house_valencia"]
    return found
