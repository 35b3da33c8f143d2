"""Flow through small holes against a reference library, published choked flow and its own inverse."""

from __future__ import annotations

import math

import numpy as np
import pytest

from obdwatch.physics.leaks import CRITICAL_RATIO, choked_flux, equivalent_hole, flow_share, hole_flow


def test_the_critical_ratio_is_that_of_the_fluids_library() -> None:
    compressible = pytest.importorskip("fluids.compressible")
    assert pytest.approx(compressible.P_critical_flow(1.0, 1.4), rel=1e-12) == CRITICAL_RATIO


@pytest.mark.parametrize("ratio", [0.55, 0.7, 0.85, 0.95, 0.99])
def test_flow_below_choking_is_that_of_the_expansibility_of_a_nozzle(ratio: float) -> None:
    # ISO 5167-3's nozzle expansibility is the exact isentropic one; with a tiny throat there is no approach speed.
    flow_meter = pytest.importorskip("fluids.flow_meter")
    pressure, temperature = 101.325, 20.0
    density = pressure * 1000.0 / (287.05 * (temperature + 273.15))
    expansibility = flow_meter.nozzle_expansibility(
        D=1.0, Do=1e-3, P1=pressure * 1000.0, P2=pressure * ratio * 1000.0, k=1.4
    )
    flux = expansibility * math.sqrt(2.0 * density * pressure * 1000.0 * (1.0 - ratio))
    ours = float(flow_share(np.array([ratio]))[0]) * choked_flux(pressure, temperature)
    assert ours == pytest.approx(flux, rel=2e-4)


def test_choked_flux_of_standard_air() -> None:
    # Published choked mass flux of air at 101.325 kPa and 20 degC: about 239 kg/(s m2); 0.0404 p / sqrt(T) (handbooks).
    assert choked_flux(101.325, 20.0) == pytest.approx(239.0, rel=2e-3)
    assert choked_flux(101.325, 20.0) == pytest.approx(0.0404 * 101325.0 / math.sqrt(293.15), rel=2e-3)


def test_flow_is_constant_when_choked_and_never_rises_with_the_pressure_behind() -> None:
    ratios = np.linspace(0.0, 1.0, 101)
    share = flow_share(ratios)
    assert np.all(share[ratios < 0.528] == 1.0)
    assert np.all(np.diff(share) <= 1e-12)
    assert share[-1] == 0.0
    assert np.isnan(flow_share(np.array([np.nan]))[0])


@pytest.mark.parametrize("after", [25.0, 50.0, 80.0, 99.0])
@pytest.mark.parametrize("diameter", [0.5, 3.0, 12.0])
def test_hole_and_flow_are_inverse(diameter: float, after: float) -> None:
    flow = hole_flow(diameter, 101.325, after, 25.0)
    assert equivalent_hole(flow, 101.325, after, 25.0) == pytest.approx(diameter, rel=1e-9)


def test_no_flow_and_no_pressure_difference_are_no_hole() -> None:
    assert equivalent_hole(0.0, 101.325, 35.0, 20.0) == 0.0
    assert equivalent_hole(-1.0, 101.325, 35.0, 20.0) == 0.0
    assert equivalent_hole(1.0, 100.0, 100.0, 20.0) == 0.0
