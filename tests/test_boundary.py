"""Damage boundary: which shock failed a device, and what that bounds, against closed forms."""

import math

import numpy as np
import pytest

from durability.devices.boundary import CORNER_PEAK, CORNER_VELOCITY, damage_boundary, outcome
from durability.record.records import ShockHistory, ShockLook
from durability.report.answers import boundary as words

ALL = frozenset({"display", "radio"})
G = 9.80665


def look(after, *failed, tested=ALL):
    return ShockLook(after, frozenset(tested), frozenset(failed))


def device(*shocks, looks=(), broken_after=(), name="D", model="phone"):
    peak, velocity = np.array(shocks, dtype=float).reshape(-1, 2).T
    return ShockHistory(name, model, peak, velocity, tuple(looks), tuple(broken_after))


def checked_after_each(*shocks, failed_last=False, name="D"):
    looks = [look(at) for at in range(len(shocks) + 1)]
    if failed_last:
        looks[-1] = look(len(shocks), "display")
    return device(*shocks, looks=looks, name=name)


# ------------------------------------------------------------------------- which shock failed it


@pytest.mark.parametrize(
    ("looks", "broken_after", "expected"),
    [
        ([look(0), look(1), look(2), look(3, "display")], (), (2, (3, 3), False)),
        ([look(0), look(3, "display")], (), (0, (1, 3), False)),
        ([look(0), look(1), look(4, "display")], (), (1, (2, 4), False)),
        ([look(0), look(4)], (), (4, None, False)),
        ([look(0), look(2)], (), (2, None, False)),
        ([], (), (0, None, False)),
        # Found good after its last shock, failed weeks later: no shock did it.
        ([look(0), look(4), look(4, "radio")], (), (4, None, True)),
        # Failed from the start: that function tells nothing.
        ([look(0, "radio"), look(4, "radio")], (), (4, None, False)),
        # What failed was not tested at the look before, so that look passed nothing for it.
        ([look(0), look(1), look(2, tested={"radio"}), look(3, "display")], (), (1, (2, 3), False)),
        # A look at which nothing was tested is none.
        ([look(0), look(4, tested=())], (), (0, None, False)),
        # Damage of severity 4 after shock 2, checks only after shock 4.
        ([look(0), look(1), look(4)], (2,), (1, (2, 2), False)),
        ([look(0), look(4, "display")], (4,), (0, (1, 4), False)),
        ([look(0), look(2, "display")], (4,), (0, (1, 2), False)),
    ],
)
def test_the_shock_that_failed_lies_between_two_looks(looks, broken_after, expected):
    history = device(*[(100.0, 4.0)] * 4, looks=looks, broken_after=broken_after)
    assert tuple(outcome(history)) == expected


# ------------------------------------------------------------------------- what that bounds


def test_the_two_methods_of_the_standard_worked_by_hand():
    """ASTM D3332-99: method A steps the velocity change of short pulses up until damage, method B
    the peak at 1.57 times the critical velocity change or more; each critical value lies between
    the last shock that passed and the first that failed. Numbers made up here.
    """
    method_a = checked_after_each((300, 3.0), (300, 3.5), (300, 4.0), (300, 4.5), failed_last=True)
    method_b = checked_after_each((40, 8.0), (50, 8.0), (60, 8.0), failed_last=True, name="E")
    (found,) = damage_boundary([method_a, method_b])
    assert found.is_told
    velocity, peak = found.critical_velocity_change_m_s, found.critical_peak_g
    assert (velocity.largest_passed, velocity.smallest_failed) == (4.0, 4.5)
    assert (peak.largest_passed, peak.smallest_failed) == (50.0, 60.0)
    assert (found.harder_passed, found.not_looked_at, len(found.passed_peak_g)) == (0, 0, 5)
    assert words.sentence(found) == (
        "phone: critical peak above 50.0 g (passed), at most 60.0 g (failed); critical velocity"
        " change above 4.00 m/s (passed), at most 4.50 m/s (failed); 5 shocks passed, 2 devices"
        " failed by a shock."
    )


def breaks(peak_g, velocity_m_s, *, holds_g, natural_hz):
    """Whether a rectangular pulse takes an undamped oscillator beyond what it holds: the response
    is 2 sin(π f D) times the peak for a pulse of D up to half a period, then twice the peak (for
    instance Harris and Piersol, Shock and Vibration Handbook; from memory).
    """
    duration_s = velocity_m_s / (peak_g * G)
    angle = min(math.pi * natural_hz * duration_s, math.pi / 2)
    return 2.0 * math.sin(angle) * peak_g > holds_g


@pytest.mark.parametrize("seed", range(5))
def test_bounds_hold_the_critical_values_of_an_oscillator(seed):
    """Ac is half of what it holds, Vc = holds × g / (2 π f): of both limits of the response."""
    rng = np.random.default_rng(seed)
    holds_g, natural_hz = 120.0, 60.0
    critical_peak, critical_velocity = holds_g / 2, holds_g * G / (2 * math.pi * natural_hz)
    peaks = np.exp(rng.uniform(np.log(10), np.log(600), 400))
    velocities = np.exp(rng.uniform(np.log(0.5), np.log(12), 400))
    histories = [
        checked_after_each(
            (peak, velocity),
            failed_last=breaks(peak, velocity, holds_g=holds_g, natural_hz=natural_hz),
            name=str(at),
        )
        for at, (peak, velocity) in enumerate(zip(peaks, velocities))
    ]
    (found,) = damage_boundary(histories)
    peak, velocity = found.critical_peak_g, found.critical_velocity_change_m_s
    assert peak.largest_passed <= critical_peak < peak.smallest_failed
    # At twice the critical peak the boundary lies at π/3 of the critical velocity change.
    assert velocity.largest_passed <= math.pi / 3 * critical_velocity
    assert critical_velocity < velocity.smallest_failed
    assert found.harder_passed == 0
    # Close enough to mean something, with 400 shocks over more than a decade of each.
    assert peak.smallest_failed < 1.5 * peak.largest_passed
    assert velocity.smallest_failed < 1.6 * velocity.largest_passed


def test_the_corner_is_that_of_the_boundary():
    """Through peak 1/sin θ and velocity change θ/sin θ: at 90° and at twice the peak (30°)."""
    assert pytest.approx(1.57, abs=0.005) == CORNER_VELOCITY  # the standard's own figure
    assert 1 / math.sin(math.pi / 6) == pytest.approx(CORNER_PEAK, abs=1e-12)


def test_a_shock_near_the_corner_bounds_nothing_from_below():
    histories = [
        checked_after_each((100, 5.0), failed_last=True),
        checked_after_each((90, 5.1), (190, 4.9), name="E"),
    ]
    (found,) = damage_boundary(histories)
    assert found.critical_peak_g.largest_passed is None
    assert found.critical_velocity_change_m_s.largest_passed is None
    assert "at most 100 g (failed)" in words.sentence(found)


def test_of_several_shocks_since_the_last_look_only_the_largest_bounds():
    shocks = [(80.0, 5.5), (120.0, 5.0), (100.0, 5.2)]
    (found,) = damage_boundary([device(*shocks, looks=[look(0), look(3, "radio")])])
    assert found.critical_peak_g.smallest_failed == 120.0
    assert found.critical_velocity_change_m_s.smallest_failed == 5.5
    assert not found.is_told  # one failed shock and none that passed
    assert "too few" in words.sentence(found)


def test_a_shock_without_a_reading_in_the_group_takes_the_bound_away():
    shocks = [(80.0, 5.5), (math.nan, 5.0)]
    (found,) = damage_boundary(
        [device(*shocks, looks=[look(0), look(2, "radio")]), checked_after_each((9, 1), name="E")]
    )
    assert found.critical_peak_g.smallest_failed is None
    assert (found.is_told, found.without_reading) == (False, 1)


def test_what_speaks_against_one_boundary_is_told():
    histories = [
        checked_after_each((100, 5.0), failed_last=True),
        checked_after_each((150, 6.0), name="E"),
        device((150.0, 6.0), looks=[look(0)], name="F"),
        device((150.0, 6.0), looks=[look(1), look(1, "radio")], name="H"),
    ]
    (found,) = damage_boundary(histories)
    assert (found.harder_passed, found.not_looked_at, found.latent_failures) == (2, 1, 1)
    (told,) = words.exceptions(found)
    assert "2 shocks passed that went beyond a failed one in both" in told


def test_models_stand_apart_and_devices_without_shocks_are_left_out():
    histories = [
        checked_after_each((100, 5.0), name="A"),
        ShockHistory("B", None, np.array([50.0]), np.array([3.0]), ()),
        ShockHistory("C", "never dropped", np.empty(0), np.empty(0), ()),
    ]
    assert [each.device_model for each in damage_boundary(histories)] == [
        "devices of no model",
        "phone",
    ]
    assert damage_boundary([]) == []


# ------------------------------------------------------------------------- from the record


def test_the_record_gives_shocks_and_looks_in_order(store, sheet, tmp_path):
    """Checks at times of one day; a voided drop; damage of severity 4 on a device."""
    from durability.workflow.devices import DeviceStudy
    from durability.workflow.session import Session

    rows = ["series,drop_number,peak_g,velocity_change_m_s,device,device_kind,dropped_at,status,"]
    rows[0] += "void_reason,device_model"
    for at, (peak, velocity, void) in enumerate(
        [(300, 3.0, 0), (300, 3.5, 0), (900, 9, 1), (310, 4.5, 0)], start=1
    ):
        status = "void,cable" if void else "valid,"
        rows.append(f"A,{at},{peak},{velocity},R1,device,2026-03-02T1{at}:00,{status},phone")
    rows.append("B,1,200,6,R2,device,2026-03-02T10:00,valid,,phone")
    rows.append("C,1,90,8,D1,dummy,2026-03-02T10:00,valid,,block")
    store("import", "drops", sheet("drops.csv", *rows))
    looks = ["device,inspected_at,function,outcome"]
    for minute, outcome_ in (("09:00", "pass"), ("13:30", "pass"), ("14:30", "fail")):
        looks.append(f"R1,2026-03-02T{minute},display,{outcome_}")
    store("import", "inspections", sheet("looks.csv", *looks))
    store("damage", "add", "R2", "--severity", "4", "--series", "B", "--drop", "1")
    (found,) = DeviceStudy(Session(tmp_path / "store.duckdb", "tester")).boundaries()
    assert (found.device_model, found.devices) == ("phone", 2)
    assert found.passed_peak_g.tolist() == [300.0, 300.0]
    assert [each.peak_g.tolist() for each in found.failed] == [[310.0], [200.0]]
    assert found.without_reading == 1
    assert found.critical_peak_g.smallest_failed == 200.0
    assert found.critical_velocity_change_m_s.smallest_failed == 4.5
    told = store("plot", "boundary", "-o", "boundary.svg")
    assert told.out.startswith("phone: critical peak at most 200 g (failed)")
