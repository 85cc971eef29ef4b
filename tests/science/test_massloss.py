"""A vessel on a scale."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import carbon, massloss, probes

from .tables import numbers, unhurried


def test_the_mass_lost_is_the_published_balance_s():
    """20 litres lose what the computed table says, within 0.15 %, and the way back gives its final gravity."""
    for row in numbers("co2_mass_loss"):
        assert massloss.lost_kg(20.0, row["OG"], row["FG"]) == pytest.approx(row["CO2_mass_lost_kg_20L"], rel=1.5e-3)
        assert massloss.sg_after(20.0, row["OG"], row["CO2_mass_lost_kg_20L"]) == pytest.approx(row["FG"], abs=1.5e-4)


@unhurried
@given(st.floats(1.0, 1.19), st.floats(0.962, 1.19), st.floats(0.1, 1000.0))
def test_gravity_survives_the_scale(og, fg, litres):
    """From gravities to mass lost and back to gravity changes nothing."""
    if fg > og:
        return
    lost = massloss.lost_kg(litres, og, fg)
    assert massloss.sg_after(litres, og, lost) == pytest.approx(fg, abs=1e-7)


@unhurried
@given(st.floats(1.02, 1.15), st.floats(0.0, 0.8), st.floats(1e-3, 0.05))
def test_lighter_is_further(og, share, more):
    """The more has left the lower the gravity."""
    most = massloss.lost_kg(10.0, og, 0.97)
    assert massloss.sg_after(10.0, og, min(most, (share + more) * most)) < massloss.sg_after(10.0, og, share * most)


def test_vapour_is_a_hundredth_at_20_and_more_when_warm():
    """Water vapour is 1 % of the gas's mass at 20 °C and rises with warmth."""
    assert massloss.vapour_share(20.0) == pytest.approx(0.0097, abs=3e-4)
    assert massloss.vapour_share(35.0) > 2.0 * massloss.vapour_share(20.0)


def test_a_wash_keeps_its_first_gram_and_a_half():
    """After much gas has left, what is still held is saturation; at first it is uncertain up to a third of it."""
    full = carbon.dissolved_g_l(1.0, 20.0, abv=5.0)
    assert massloss.held_g_l(50.0, 20.0)[0] == pytest.approx(full, rel=0.02)
    held, error = massloss.held_g_l(0.2, 20.0)
    assert held == 0.2
    assert error > 0.15 * full


def test_an_estimate_says_what_its_error_is_made_of():
    """The error is the root of its parts' squares, the largest first, and the range is 90 % of a normal one."""
    found = probes.mass_loss(20.0, 1.094, 1.85)
    assert found.error == pytest.approx(math.hypot(*(part for _, part in found.parts)))
    assert [part for _, part in found.parts] == sorted((part for _, part in found.parts), reverse=True)
    assert found.high - found.sg == pytest.approx(1.6449 * found.error)
    assert dict(found.parts)["volume"] == pytest.approx((1.094 - found.sg) * 0.02)


@unhurried
@given(st.floats(1.03, 1.11), st.floats(0.1, 1.1), st.floats(5.0, 100.0), st.floats(5.0, 35.0))
def test_the_estimate_holds_the_truth_of_a_simulated_vessel(og, attenuation, litres, t):
    """A vessel that loses gas and vapour and keeps its saturation is read within the stated range."""
    fg = 1.0 + (og - 1.0) * (1.0 - attenuation)
    made = massloss.lost_kg(litres, og, fg)
    kept = min(made, litres * 0.9 * carbon.dissolved_g_l(1.0, t, abv=5.0) / 1000.0)
    lost = (made - kept) * (1.0 + 1.5 * massloss.vapour_share(t))
    found = probes.mass_loss(litres, og, lost, temperature_c=t)
    assert found.low <= fg <= found.high


def test_drying_out_is_taken_off():
    """What an open vessel lost by itself is no gas; its uncertainty widens the range."""
    closed = probes.mass_loss(20.0, 1.060, 0.8)
    open_ = probes.mass_loss(20.0, 1.060, 1.0, evaporated_kg=0.2, evaporated_error_kg=0.1)
    assert open_.sg == pytest.approx(closed.sg)
    assert open_.error > 2.0 * closed.error
    assert probes.mass_loss(20.0, 1.060, -0.01).sg == pytest.approx(1.060)


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: massloss.lost_kg(0.0, 1.05, 1.0), "above 0 litres"),
        (lambda: massloss.sg_after(20.0, 1.05, 5.0), "kg"),
        (lambda: massloss.sg_after(20.0, 1.05, -0.1), "kg"),
        (lambda: massloss.vapour_share(41.0), "0 and 40 °C"),
        (lambda: massloss.held_g_l(-1.0, 20.0), "0 and 500 g/L"),
        (lambda: probes.mass_loss(20.0, 1.05, 4.0), "kg"),
        (lambda: probes.mass_loss(20.0, 1.05, math.nan), "kg"),
        (lambda: probes.mass_loss(20.0, 1.0, 0.1), "1.001 and 1.2"),
    ],
)
def test_scales_that_cannot_be_are_refused(call, allowed):
    """More gas than the sugar gives, and other impossible values, are refused with what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
