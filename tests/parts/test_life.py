"""Lives of parts, held against NIST's worked example, two survival libraries, closed forms and plain counting."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from obdwatch.parts.life import density, fitted, survival, wear
from obdwatch.parts.part import Life

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: 10 of 20 units failed, the rest ran on at 500 hours.
NIST_FAILED = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
NIST_RUNNING = (500,) * 10
NIST_SCALE, NIST_SHAPE = 606.528, 1.7208
MILES = tuple(miles * 1.609344 for miles in (1_000, 5_000, 10_000))


def life(shape: float, scale_km: float) -> Life:
    return Life(shape, scale_km, "assumption: a test")


LIVES = st.builds(life, st.floats(0.6, 6.0), st.floats(20_000.0, 400_000.0))
DISTANCES = st.floats(0.0, 500_000.0)


def test_fit_gives_the_published_example() -> None:
    found = fitted(NIST_FAILED, NIST_RUNNING)
    assert found.scale_km == pytest.approx(NIST_SCALE, abs=0.001)
    assert found.shape == pytest.approx(NIST_SHAPE, abs=0.0001)


def test_fit_agrees_with_two_survival_libraries() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import WeibullFitter
        from reliability.Fitters import Fit_Weibull_2P

        dice = np.random.default_rng(5)
        ended = 90_000.0 * dice.weibull(2.3, 40)
        running = np.full(12, 95_000.0)
        ended = np.append(ended[ended < 95_000.0], 94_000.0)
        by_lifelines = WeibullFitter().fit(
            np.append(ended, running), np.append(np.ones(len(ended)), np.zeros(len(running)))
        )
        by_reliability = Fit_Weibull_2P(
            failures=list(ended), right_censored=list(running), show_probability_plot=False, print_results=False
        )
    found = fitted(list(ended), list(running))
    assert found.shape == pytest.approx(by_lifelines.rho_, rel=1e-3)
    assert found.scale_km == pytest.approx(by_lifelines.lambda_, rel=1e-3)
    assert found.shape == pytest.approx(by_reliability.beta, rel=1e-3)
    assert found.scale_km == pytest.approx(by_reliability.alpha, rel=1e-3)


@pytest.mark.parametrize("ended", [[], [5.0], [5.0, 5.0], [5.0, 0.0], [5.0, float("nan")]])
def test_too_few_lives_are_no_distribution(ended: list[float]) -> None:
    with pytest.raises(ValueError, match="different distances"):
        fitted(ended)


@pytest.mark.parametrize(("now", "further"), [(0.0, 300.0), (200.0, 100.0), (500.0, 250.0), (1200.0, 50.0)])
def test_a_part_that_fails_at_its_first_signs_has_a_plain_conditional_life(now: float, further: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from reliability.Distributions import Weibull_Distribution

        whole = Weibull_Distribution(alpha=NIST_SCALE, beta=NIST_SHAPE)
        expected = 1.0 - float(whole.SF(now + further)) / float(whole.SF(now)) if now else float(whole.CDF(further))
    sudden = wear(life(NIST_SHAPE, NIST_SCALE), life(2.0, 1e-6), now, (further,))
    assert sudden.fails_if_sound[0] == pytest.approx(expected, rel=1e-6)
    assert sudden.degraded == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("distance", [100.0, 5_000.0, 60_000.0, 250_000.0])
def test_two_exponential_stretches_have_a_closed_form(distance: float) -> None:
    # Hypoexponential distribution (a textbook formula): S(x) = (b exp(-a x) - a exp(-b x)) / (b - a).
    first, second = 1.0 / 80_000.0, 1.0 / 15_000.0
    alive = (second * np.exp(-first * distance) - first * np.exp(-second * distance)) / (second - first)
    found = wear(life(1.0, 1.0 / first), life(1.0, 1.0 / second), distance, MILES)
    assert found.degraded == pytest.approx(1.0 - np.exp(-first * distance) / alive, rel=1e-10)
    # Without a memory, a degraded part fails at a rate that does not depend on the distance.
    assert found.fails_if_degraded == pytest.approx([1.0 - np.exp(-second * each) for each in MILES], rel=1e-10)


CASES = [
    (life(3.5, 150_000.0), life(1.2, 20_000.0), 160_000.0),
    (life(0.7, 300_000.0), life(0.7, 20_000.0), 160_000.0),
    (life(6.0, 150_000.0), life(3.0, 60_000.0), 180_000.0),
    (life(1.1, 100_000.0), life(2.0, 8_000.0), 30_000.0),
]


@pytest.mark.parametrize(("onset", "to_failure", "now"), CASES)
def test_the_convolution_is_exact(onset: Life, to_failure: Life, now: float) -> None:
    def begins(at: float) -> float:
        return float(density(onset, np.array(at)))

    def lasts(rest: float) -> float:
        return float(survival(to_failure, rest))

    further = MILES[1]
    settings_of_quad = {"epsabs": 0.0, "epsrel": 1e-11, "limit": 2000}
    degraded = quad(lambda at: begins(at) * lasts(now - at), 0.0, now, **settings_of_quad)[0]
    sound = float(survival(onset, now))
    fails = quad(lambda at: begins(at) * (lasts(now - at) - lasts(now + further - at)), 0.0, now, **settings_of_quad)[0]
    later = quad(lambda at: begins(at) * (1.0 - lasts(now + further - at)), now, now + further, **settings_of_quad)[0]
    found = wear(onset, to_failure, now, (further,))
    assert found.degraded == pytest.approx(degraded / (degraded + sound), rel=1e-8)
    assert found.fails_if_degraded[0] == pytest.approx(fails / degraded, rel=1e-7)
    assert found.fails_if_sound[0] == pytest.approx(later / sound, rel=1e-7)


@pytest.mark.parametrize(("onset", "to_failure", "now"), CASES)
def test_counting_drawn_lives_gives_the_same(onset: Life, to_failure: Life, now: float) -> None:
    dice = np.random.default_rng(11)
    begins = onset.scale_km * dice.weibull(onset.shape, 400_000)
    fails = begins + to_failure.scale_km * dice.weibull(to_failure.shape, 400_000)
    alive = fails > now
    degraded, within = begins <= now, fails <= now + MILES[2]
    found = wear(onset, to_failure, now, MILES)
    assert found.degraded == pytest.approx(np.mean(degraded[alive]), abs=0.006)
    assert found.fails(found.degraded)[2] == pytest.approx(np.mean(within[alive]), abs=0.006)
    assert found.fails(1.0)[2] == pytest.approx(np.mean(within[alive & degraded]), abs=0.012)
    assert found.fails(0.0)[2] == pytest.approx(np.mean(within[alive & ~degraded]), abs=0.012)


@given(onset=LIVES, to_failure=LIVES, now=DISTANCES)
@settings(max_examples=60, deadline=None)
def test_probabilities_stay_probabilities_and_grow_with_distance(onset: Life, to_failure: Life, now: float) -> None:
    found = wear(onset, to_failure, now, MILES)
    for row in (found.fails_if_degraded, found.fails_if_sound, found.fails(found.degraded)):
        assert 0.0 <= row[0] <= row[1] <= row[2] <= 1.0
    assert 0.0 <= found.degraded <= 1.0
    # A part that has begun to wear fails sooner than one that has yet to begin, unless wear heals with distance.
    if to_failure.shape >= 1.0:
        assert all(
            worn >= sound - 1e-9 for worn, sound in zip(found.fails_if_degraded, found.fails_if_sound, strict=True)
        )


def test_a_new_part_is_sound_and_one_far_beyond_any_life_degraded() -> None:
    onset, to_failure = life(4.0, 50_000.0), life(1.5, 10_000.0)
    assert wear(onset, to_failure, 0.0, MILES).degraded == 0.0
    assert wear(onset, to_failure, 5_000_000.0, MILES).degraded == pytest.approx(1.0)


def test_a_distance_below_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="below zero"):
        wear(life(1.0, 1.0), life(1.0, 1.0), -1.0)
