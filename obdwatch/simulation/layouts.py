"""Invented engine layouts of the virtual car, as data rows; each knows the honest profile its keeper would write.

None is a real engine: sizes, masses and curves are round numbers in the range common for petrol cars (common
practice), chosen so that every kind of metering, cooling, ignition and cam timing that the detectors tell apart exists.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from obdwatch.errors import InputError
from obdwatch.records import Car

Curve = tuple[tuple[float, float], ...]  # (engine speed [1/min], value), rising


@dataclass(frozen=True, slots=True)
class Layout:
    """A car the simulation can build.

    `filling` is the volumetric efficiency [-] at full throttle over engine speed with cams and flaps where they
    belong; `intake_phase` [degrees of crank, advance from rest] and `exhaust_phase` [retard from rest] are the cam
    positions that reach it, `flap_gain` [-] what the long runner adds below and costs above the switch-over.
    Heat capacities [J/K], masses [kg], `throttle_bore` [m], `engine_inertia` [kg m2], `drag_area` [m2],
    `pump_flow` [L/min] at 3,000 1/min or full command, `radiator` [W/K] in strong wind.
    """

    name: str
    title: str
    displacement_l: float
    cylinders: int
    arrangement: str
    bank_cylinders: tuple[tuple[int, ...], ...]
    firing_order: tuple[int, ...]
    compression_ratio: float
    redline: float
    idle_speed: float
    filling: Curve
    intake_phase: Curve
    exhaust_phase: Curve
    flap_gain: Curve
    air_metering: str
    upstream_sensor: str
    cam_timing: tuple[str, ...]
    intake_flaps: bool
    ignition: str
    plug_type: str
    coolant_pump: str
    thermostat_temperature: float
    thermostat_range: float
    manifold_volume_l: float
    throttle_bore: float
    idle_stop_share: float  # air that a fully closed throttle lets through, as a share of hot idle's need
    engine_inertia: float
    block_heat_capacity: float
    coolant_l: float
    oil_l: float
    pump_flow: float
    radiator: float
    fan_on_temperature: float
    transmission: str
    gears: tuple[float, ...]
    final_drive: float
    wheel_radius: float
    vehicle_mass: float
    drag_area: float
    rolling_resistance: float
    battery_ah: float
    cold_cranking_current: float
    alternator_current: float
    tank_l: float
    sleeps_while_cranking: bool
    reports_oil_temperature: bool
    reports_odometer: bool
    reports_fuel_rate: bool

    @property
    def banks(self) -> int:
        """Number of exhaust banks, each with its own upstream sensor and trims."""
        return len(self.bank_cylinders)

    @property
    def has_air_flow_sensor(self) -> bool:
        """Whether the air mass is measured."""
        return self.air_metering in ("air_flow", "both")

    @property
    def has_pressure_sensor(self) -> bool:
        """Whether the manifold pressure is measured."""
        return self.air_metering in ("pressure", "both")

    @property
    def throttle_area(self) -> float:
        """Free cross-section of the open throttle [m2]; shaft and plate take a sixth of the bore (common practice)."""
        return 0.84 * math.pi / 4.0 * self.throttle_bore**2

    def bank_of(self, cylinder: int) -> int:
        """Return the bank (from 0) of a cylinder (from 1)."""
        return next(bank for bank, members in enumerate(self.bank_cylinders) if cylinder in members)

    def car_record(self, car_id: str | None = None) -> Car:
        """Return the profile that an honest keeper of this car would write."""
        return Car(
            id=car_id or self.name.replace("_", "-"),
            name=self.title,
            fuel="e10",
            displacement_l=self.displacement_l,
            cylinders=self.cylinders,
            layout=self.arrangement,
            bank_cylinders=self.bank_cylinders,
            firing_order=self.firing_order,
            induction="naturally_aspirated",
            air_metering=self.air_metering,
            cam_timing=self.cam_timing,
            intake_flaps=self.intake_flaps,
            coolant_pump=self.coolant_pump,
            thermostat_temperature=self.thermostat_temperature,
            ignition=self.ignition,
            plug_type=self.plug_type,
            transmission=self.transmission,
        )


NO_PHASE: Curve = ((500.0, 0.0), (7000.0, 0.0))

INLINE_FOUR_AIR_FLOW = Layout(
    name="inline_four_air_flow",
    title="Two-litre inline four, air-mass sensor, manual",
    displacement_l=2.0,
    cylinders=4,
    arrangement="inline",
    bank_cylinders=((1, 2, 3, 4),),
    firing_order=(1, 3, 4, 2),
    compression_ratio=10.5,
    redline=6500.0,
    idle_speed=750.0,
    filling=(
        (500, 0.78),
        (1500, 0.86),
        (2500, 0.92),
        (3500, 0.96),
        (4500, 0.99),
        (5500, 0.95),
        (6500, 0.86),
        (7000, 0.80),
    ),
    intake_phase=((500, 20.0), (1500, 28.0), (3000, 32.0), (4500, 30.0), (6000, 24.0), (7000, 20.0)),
    exhaust_phase=NO_PHASE,
    flap_gain=NO_PHASE,
    air_metering="air_flow",
    upstream_sensor="switching",
    cam_timing=("intake",),
    intake_flaps=False,
    ignition="coil_per_cylinder",
    plug_type="iridium",
    coolant_pump="belt",
    thermostat_temperature=88.0,
    thermostat_range=12.0,
    manifold_volume_l=3.6,
    throttle_bore=0.058,
    idle_stop_share=0.45,
    engine_inertia=0.17,
    block_heat_capacity=58_000.0,
    coolant_l=6.2,
    oil_l=4.3,
    pump_flow=105.0,
    radiator=950.0,
    fan_on_temperature=99.0,
    transmission="manual",
    gears=(3.45, 1.95, 1.30, 0.97, 0.78),
    final_drive=4.06,
    wheel_radius=0.308,
    vehicle_mass=1370.0,
    drag_area=0.68,
    rolling_resistance=0.011,
    battery_ah=55.0,
    cold_cranking_current=540.0,
    alternator_current=90.0,
    tank_l=52.0,
    sleeps_while_cranking=False,
    reports_oil_temperature=False,
    reports_odometer=False,
    reports_fuel_rate=False,
)

INLINE_FOUR_PRESSURE = replace(
    INLINE_FOUR_AIR_FLOW,
    name="inline_four_pressure",
    title="Small inline four, pressure metering, shared coils, manual",
    displacement_l=1.6,
    compression_ratio=9.6,
    redline=6300.0,
    idle_speed=800.0,
    filling=(
        (500, 0.76),
        (1500, 0.84),
        (2500, 0.88),
        (3500, 0.92),
        (4500, 0.91),
        (5500, 0.85),
        (6300, 0.76),
        (7000, 0.68),
    ),
    intake_phase=NO_PHASE,
    air_metering="pressure",
    cam_timing=(),
    ignition="shared_coils",
    plug_type="copper",
    thermostat_temperature=86.0,
    manifold_volume_l=2.9,
    throttle_bore=0.052,
    idle_stop_share=0.86,
    engine_inertia=0.14,
    block_heat_capacity=47_000.0,
    coolant_l=5.4,
    oil_l=3.5,
    pump_flow=90.0,
    radiator=800.0,
    fan_on_temperature=97.0,
    gears=(3.58, 1.95, 1.34, 1.00, 0.80),
    final_drive=4.20,
    wheel_radius=0.290,
    vehicle_mass=1130.0,
    drag_area=0.66,
    battery_ah=45.0,
    cold_cranking_current=420.0,
    alternator_current=75.0,
    tank_l=45.0,
    sleeps_while_cranking=True,
)

INLINE_SIX = Layout(
    name="inline_six",
    title="Three-litre inline six, both meterings, electric coolant pump, automatic",
    displacement_l=3.0,
    cylinders=6,
    arrangement="inline",
    bank_cylinders=((1, 2, 3), (4, 5, 6)),
    firing_order=(1, 5, 3, 6, 2, 4),
    compression_ratio=10.7,
    redline=6800.0,
    idle_speed=680.0,
    filling=(
        (500, 0.82),
        (1500, 0.92),
        (2500, 0.98),
        (3500, 1.00),
        (4500, 1.01),
        (5500, 1.00),
        (6500, 0.93),
        (7000, 0.87),
    ),
    intake_phase=((500, 24.0), (1500, 34.0), (3000, 40.0), (4500, 40.0), (6000, 34.0), (7000, 30.0)),
    exhaust_phase=((500, 10.0), (1500, 16.0), (3000, 12.0), (4500, 6.0), (6000, 2.0), (7000, 0.0)),
    flap_gain=(
        (500, 0.02),
        (1500, 0.08),
        (2500, 0.12),
        (3300, 0.08),
        (3900, 0.0),
        (4500, -0.05),
        (5500, -0.09),
        (7000, -0.12),
    ),
    air_metering="both",
    upstream_sensor="wide_range",
    cam_timing=("intake", "exhaust"),
    intake_flaps=True,
    ignition="coil_per_cylinder",
    plug_type="iridium",
    coolant_pump="electric",
    thermostat_temperature=97.0,
    thermostat_range=13.0,
    manifold_volume_l=6.0,
    throttle_bore=0.072,
    idle_stop_share=0.40,
    engine_inertia=0.24,
    block_heat_capacity=92_000.0,
    coolant_l=8.4,
    oil_l=6.5,
    pump_flow=120.0,
    radiator=1500.0,
    fan_on_temperature=107.0,
    transmission="automatic",
    gears=(4.17, 2.34, 1.52, 1.14, 0.87, 0.69),
    final_drive=3.64,
    wheel_radius=0.316,
    vehicle_mass=1640.0,
    drag_area=0.66,
    rolling_resistance=0.011,
    battery_ah=90.0,
    cold_cranking_current=800.0,
    alternator_current=150.0,
    tank_l=63.0,
    sleeps_while_cranking=False,
    reports_oil_temperature=True,
    reports_odometer=True,
    reports_fuel_rate=True,
)

VEE_SIX_AIR_FLOW = replace(
    INLINE_SIX,
    name="vee_six_air_flow",
    title="Three-and-a-half-litre vee six, air-mass sensor, belt-driven coolant pump, automatic",
    displacement_l=3.5,
    arrangement="vee",
    bank_cylinders=((1, 3, 5), (2, 4, 6)),
    firing_order=(1, 2, 3, 4, 5, 6),
    compression_ratio=10.2,
    redline=6400.0,
    idle_speed=650.0,
    filling=(
        (500, 0.80),
        (1500, 0.88),
        (2500, 0.93),
        (3500, 0.96),
        (4500, 0.98),
        (5500, 0.93),
        (6400, 0.84),
        (7000, 0.77),
    ),
    intake_phase=((500, 18.0), (1500, 26.0), (3000, 30.0), (4500, 28.0), (6000, 24.0), (7000, 20.0)),
    exhaust_phase=NO_PHASE,
    flap_gain=NO_PHASE,
    air_metering="air_flow",
    upstream_sensor="switching",
    cam_timing=("intake",),
    intake_flaps=False,
    plug_type="platinum",
    coolant_pump="belt",
    thermostat_temperature=82.0,
    thermostat_range=11.0,
    manifold_volume_l=6.5,
    throttle_bore=0.074,
    engine_inertia=0.26,
    block_heat_capacity=101_000.0,
    coolant_l=9.5,
    oil_l=5.2,
    pump_flow=150.0,
    radiator=1650.0,
    fan_on_temperature=96.0,
    gears=(4.15, 2.37, 1.56, 1.16, 0.86),
    final_drive=3.45,
    wheel_radius=0.330,
    vehicle_mass=1760.0,
    drag_area=0.78,
    battery_ah=70.0,
    cold_cranking_current=680.0,
    alternator_current=130.0,
    tank_l=70.0,
    sleeps_while_cranking=True,
    reports_oil_temperature=False,
    reports_odometer=False,
    reports_fuel_rate=False,
)

VEE_SIX_BOTH = replace(
    INLINE_SIX,
    name="vee_six_both",
    title="Two-and-a-half-litre vee six, both meterings, both cams, flaps, manual",
    displacement_l=2.5,
    arrangement="vee",
    bank_cylinders=((1, 2, 3), (4, 5, 6)),
    firing_order=(1, 4, 2, 5, 3, 6),
    redline=6700.0,
    idle_speed=700.0,
    coolant_pump="belt",
    thermostat_temperature=90.0,
    thermostat_range=12.0,
    manifold_volume_l=5.2,
    throttle_bore=0.066,
    engine_inertia=0.21,
    block_heat_capacity=78_000.0,
    coolant_l=7.6,
    oil_l=5.5,
    pump_flow=125.0,
    radiator=1280.0,
    fan_on_temperature=101.0,
    transmission="manual",
    gears=(3.72, 2.15, 1.46, 1.11, 0.89, 0.74),
    final_drive=3.73,
    vehicle_mass=1490.0,
    battery_ah=70.0,
    cold_cranking_current=640.0,
    alternator_current=120.0,
    tank_l=60.0,
    reports_odometer=False,
)

INLINE_FOUR_LARGE = replace(
    INLINE_FOUR_AIR_FLOW,
    name="inline_four_large",
    title="Two-and-a-half-litre inline four, both meterings, both cams, automatic",
    displacement_l=2.5,
    compression_ratio=10.4,
    redline=6200.0,
    idle_speed=680.0,
    exhaust_phase=((500, 6.0), (1500, 12.0), (3000, 10.0), (4500, 4.0), (6000, 0.0), (7000, 0.0)),
    air_metering="both",
    upstream_sensor="wide_range",
    cam_timing=("intake", "exhaust"),
    thermostat_temperature=82.0,
    manifold_volume_l=4.4,
    throttle_bore=0.064,
    engine_inertia=0.20,
    block_heat_capacity=66_000.0,
    coolant_l=7.0,
    oil_l=4.6,
    pump_flow=120.0,
    radiator=1150.0,
    fan_on_temperature=95.0,
    transmission="automatic",
    gears=(3.94, 2.20, 1.41, 1.00, 0.73),
    final_drive=3.39,
    wheel_radius=0.320,
    vehicle_mass=1530.0,
    battery_ah=60.0,
    cold_cranking_current=580.0,
    alternator_current=110.0,
    tank_l=60.0,
    reports_fuel_rate=True,
)

LAYOUTS: tuple[Layout, ...] = (
    INLINE_FOUR_AIR_FLOW,
    INLINE_FOUR_PRESSURE,
    INLINE_FOUR_LARGE,
    INLINE_SIX,
    VEE_SIX_AIR_FLOW,
    VEE_SIX_BOTH,
)


def layout_named(name: str) -> Layout:
    """Return a layout by its name; raises InputError that lists the names."""
    for layout in LAYOUTS:
        if layout.name == name:
            return layout
    raise InputError(f"no engine layout '{name}'; there are {', '.join(row.name for row in LAYOUTS)}")
