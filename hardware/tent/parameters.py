"""What the simulated shed is made of: every size and conductance, with its unit in its name.

The defaults are invented: a shaded double-skin poly tunnel of about 9 m x 4.5 m x 2.8 m on a concrete floor,
with a 7.5 m day-boat hull upside down on its mould. `keel` is the upper half of the air and the bottom of the
hull, `sheer` the lower half and the topsides.
"""

from dataclasses import dataclass, fields

HEATING_VALUE_J_KG = 46.35e6
"""Lower heating value of propane (from memory)."""

FLAME_WATER_KG_KG = 1.634
"""Water made by each kg of propane burned: C3H8 + 5 O2 -> 3 CO2 + 4 H2O, 72.06 / 44.10."""

AIR_J_M3_K = 1206.0
"""Heat capacity of air by volume at 1.2 kg/m³, held constant."""

_DAY_HOURS, _MINUTE_S = 24, 60
_NIGHT_C, _WORK_C = 14.5, 17.5


@dataclass(frozen=True, slots=True)
class Bay:
    """One bay: an air node, a part node (laminate and mould skin) and a slow mass.

    `air_j_k` includes staging, cloth and all else thin that follows the air. The three `sun_…_m2` say how
    much of the sunshine outside, per W/m² on a level surface, ends in each node. `leak_share` is this bay's
    share of the air that leaks, comes through the door and leaves by the vent. `wet_m2` is the area of wet
    floor.
    """

    volume_m3: float
    air_j_k: float
    part_j_k: float
    mass_j_k: float
    part_air_w_k: float
    part_film_w_k: float
    part_mass_w_k: float
    mass_air_w_k: float
    mass_ground_w_k: float
    film_m2: float
    part_m2: float
    wet_m2: float
    sun_air_m2: float
    sun_part_m2: float
    sun_mass_m2: float
    leak_share: float


KEEL = Bay(
    volume_m3=42.0, air_j_k=380e3, part_j_k=260e3, mass_j_k=800e3,
    part_air_w_k=75.0, part_film_w_k=22.0, part_mass_w_k=8.0, mass_air_w_k=90.0, mass_ground_w_k=0.0,
    film_m2=50.0, part_m2=9.0, wet_m2=0.0,
    sun_air_m2=0.5, sun_part_m2=0.5, sun_mass_m2=0.7, leak_share=0.45,
)  # fmt: skip
SHEER = Bay(
    volume_m3=45.0, air_j_k=420e3, part_j_k=380e3, mass_j_k=6.5e6,
    part_air_w_k=95.0, part_film_w_k=12.0, part_mass_w_k=30.0, mass_air_w_k=150.0, mass_ground_w_k=45.0,
    film_m2=34.0, part_m2=13.0, wet_m2=4.0,
    sun_air_m2=0.7, sun_part_m2=0.6, sun_mass_m2=2.0, leak_share=0.55,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Heater:
    """A direct-fired propane heater high up near the keel: all its heat and all its water stay in the tent.

    The thermostat's element lags the keel's air by `sensor_lag_s`, calls for heat at `hysteresis_k` / 2 below
    the set-point and stops calling as far above; the burner lights `ignition_s` after a call, and the hot
    casing goes on giving heat with `casing_lag_s`: together they overshoot. `setpoint_c` is the programme,
    one per local hour.
    """

    power_w: float = 9_000.0
    keel_share: float = 0.88
    hysteresis_k: float = 1.0
    sensor_lag_s: float = 140.0
    ignition_s: float = 40.0
    casing_lag_s: float = 100.0
    bottle_kg: float = 47.0
    setpoint_c: tuple[float, ...] = (_NIGHT_C,) * 8 + (_WORK_C,) * 8 + (_NIGHT_C,) * 8


@dataclass(frozen=True, slots=True)
class Climate:
    """Where the yard is and what weather it has; the year's mean with its swing, and its spread."""

    latitude_deg: float = 53.0
    longitude_deg: float = -8.0
    mean_c: float = 9.8
    season_k: float = 5.6
    synoptic_k: float = 2.6
    day_swing_k: float = 4.6
    dew_depression_k: float = 3.7
    wind_m_s: float = 3.2


@dataclass(frozen=True, slots=True)
class Habits:
    """What people do: work hours (local, Sundays off), doors, vents, bottles.

    The door is opened `doors_per_day` times on a working day for `door_open_s` on average. The vents go up
    when the keel's air passes `vent_above_c` in work hours and down `vent_band_k` below it. A bottle with
    less than `bottle_reserve_kg` left is changed when work begins.
    """

    work_start_h: int = 7
    work_end_h: int = 18
    doors_per_day: float = 12.0
    door_open_s: float = 150.0
    vent_above_c: float = 26.0
    vent_band_k: float = 3.0
    bottle_reserve_kg: float = 8.0


@dataclass(frozen=True, slots=True)
class Tent:
    """The whole shed. `step_s` is the internal step; `utc_offset_h` turns UTC into the yard's clock.

    Raises
    ------
    ValueError
        If a size is not positive where it must be, the programme has not 24 hours, or the step is too coarse
        for the lightest node to follow.

    >>> Tent().heat_loss_w_k(wind_m_s=3.0) > 200
    True
    """

    keel: Bay = KEEL
    sheer: Bay = SHEER
    heater: Heater = Heater()
    climate: Climate = Climate()
    habits: Habits = Habits()
    step_s: int = 20
    utc_offset_h: float = 0.0
    film_inside_w_m2_k: float = 7.0
    film_outside_w_m2_k: float = 4.0
    film_wind_w_s_m3_k: float = 0.5
    sky_drop_k: float = 3.0
    film_sun_k_m2_w: float = 0.006
    leak_calm_m3_s: float = 0.005
    leak_wind_m2: float = 0.0018
    door_m3_s: float = 0.45
    vent_m3_s: float = 0.7
    mix_stable_m3_s: float = 0.045
    mix_unstable_m3_s: float = 0.6
    mix_heater_m3_s: float = 0.03

    def __post_init__(self) -> None:
        if len(self.heater.setpoint_c) != _DAY_HOURS:
            raise ValueError(f"heater.setpoint_c needs 24 hours, not {len(self.heater.setpoint_c)}")
        if not 0 < self.step_s <= _MINUTE_S or _MINUTE_S % self.step_s:
            raise ValueError(f"step_s must divide 60, not be {self.step_s}")
        for name in ("keel", "sheer"):
            bay: Bay = getattr(self, name)
            for field in fields(bay):
                if not getattr(bay, field.name) >= 0.0:
                    raise ValueError(f"{name}.{field.name} must be 0 or more")
            if not self._fastest_s(bay) > 1.5 * self.step_s:
                raise ValueError(
                    f"{name}: its air follows within {self._fastest_s(bay):.0f} s; shorten step_s"
                )

    def _fastest_s(self, bay: Bay) -> float:
        """Return the air's time constant with everything open: an explicit step must stay well below it."""
        film_w_k = self.film_inside_w_m2_k * bay.film_m2
        open_m3_s = bay.leak_share * (self.door_m3_s + self.vent_m3_s + self.leak_m3_s(15.0))
        moved_w_k = AIR_J_M3_K * (open_m3_s + self.mix_unstable_m3_s)
        return bay.air_j_k / (film_w_k + moved_w_k + bay.part_air_w_k + bay.mass_air_w_k)

    def leak_m3_s(self, wind_m_s: float) -> float:
        """Return the air that leaks through seams and skirts with all shut [m³/s].

        >>> Tent(leak_calm_m3_s=0.01, leak_wind_m2=0.01).leak_m3_s(2.0)
        0.03
        """
        return self.leak_calm_m3_s + self.leak_wind_m2 * wind_m_s

    def film_loss_w_k(self, bay: Bay, wind_m_s: float) -> float:
        """Return the conductance from a bay's air through dry film to the outside [W/K]."""
        inside = self.film_inside_w_m2_k
        outside = self.film_outside_w_m2_k + self.film_wind_w_s_m3_k * wind_m_s
        return bay.film_m2 * inside * outside / (inside + outside)

    def heat_loss_w_k(self, wind_m_s: float) -> float:
        """Return the conductance of the whole tent by dry film and leaks, doors shut [W/K]."""
        film_w_k = self.film_loss_w_k(self.keel, wind_m_s) + self.film_loss_w_k(self.sheer, wind_m_s)
        return film_w_k + AIR_J_M3_K * self.leak_m3_s(wind_m_s) * (
            self.keel.leak_share + self.sheer.leak_share
        )
