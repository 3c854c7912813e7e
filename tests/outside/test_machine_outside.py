"""The machine model, the CRC and the filter against published numbers. The source stands beside each check."""

from __future__ import annotations

import math
import zlib
from fractions import Fraction

import core_table
import numpy as np
import pytest
from make_profile import changed, worked

from mapper.machine import Cylinder, Linkage, Motor
from mapper.machine.oil.valve import flow_m3_s
from mapper.table import compile_table

pytestmark = pytest.mark.outside

INCH, POUND_FORCE = 0.0254, 4.4482216152605
GPM = 231 * INCH**3 / 60
PSI = POUND_FORCE / INCH**2
BAR = 1e5


CRANE = Linkage(base_radius_m=0.360, rod_radius_m=0.340, included_at_zero_rad=math.pi / 2, sense=1)
"""Cylinder base 360 mm straight below the pivot, pin 340 mm along the boom; joint angle: boom above horizontal."""


def test_small_crane_length_and_moment() -> None:
    """Meriam, Engineering Mechanics: Statics, Problem 2/46 (worked on a public answer page): 40 deg, 4.5 kN along the
    cylinder.

    Published: length 634.4 mm, moment about the pivot 0.67 kN m (two digits).
    """
    q = math.radians(40)

    assert float(CRANE.length_m(q)) == pytest.approx(0.6344, rel=5e-4)
    assert 4500 * float(CRANE.lever_m(q)) == pytest.approx(670, rel=1e-2)


@pytest.mark.parametrize(
    ("angle_deg", "length_mm", "lever_mm"),
    [(0, 495.1767, 247.1844), (20, 573.5212, 200.5477), (40, 634.4718, 147.7825), (60, 676.1679, 90.5101)],
)
def test_small_crane_at_other_angles(angle_deg: float, length_mm: float, lever_mm: float) -> None:
    """The same crane; numbers of MuJoCo 4.0.0 (spatial tendon: length and Jacobian), run apart from this project."""
    q = math.radians(angle_deg)

    assert 1000 * float(CRANE.length_m(q)) == pytest.approx(length_mm, rel=1e-6)
    assert 1000 * float(CRANE.lever_m(q)) == pytest.approx(lever_mm, rel=1e-6)


def test_sliding_link_length() -> None:
    """Meriam, Engineering Mechanics: Dynamics, Sample Problem 5/11 (givens): sides 0.300 and 0.200 m, 120 deg:
    0.435890 m.
    """
    linkage = Linkage(base_radius_m=0.300, rod_radius_m=0.200, included_at_zero_rad=math.radians(120), sense=1)

    assert float(linkage.length_m(0.0)) == pytest.approx(0.435890, abs=5e-7)


ESPOSITO_6_1 = Cylinder(bore_m=2 * INCH, rod_m=1 * INCH, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)


@pytest.mark.parametrize(
    ("extending", "pressure_psi", "speed_ft_s", "power_hp"), [(True, 318, 2.05, 3.72), (False, 425, 2.73, 4.96)]
)
def test_cylinder_pressure_speed_and_power(
    extending: bool, pressure_psi: float, speed_ft_s: float, power_hp: float
) -> None:
    """Esposito, Fluid Power with Applications, Example 6-1: bore 2 in, rod 1 in, 20 gpm, 1000 lbf each way (0.5 %)."""
    load_n = 1000 * POUND_FORCE

    speed = ESPOSITO_6_1.speed_m_s(20 * GPM, extending)
    pressure = load_n / ESPOSITO_6_1.inlet_area_m2(extending)

    assert pressure / PSI == pytest.approx(pressure_psi, rel=5e-3)
    assert speed / (12 * INCH) == pytest.approx(speed_ft_s, rel=5e-3)
    assert load_n * speed / 745.7 == pytest.approx(power_hp, rel=5e-3)
    assert ESPOSITO_6_1.force_n(pressure, 0.0, extending) == pytest.approx(load_n)


def test_cylinder_piston_speed() -> None:
    """Sullivan, Fluid Power: Theory and Applications, Example 8.2: 25 gpm into 12.56 in2: 38.316 ft/min."""
    bore = math.sqrt(12.56 * 4 / math.pi) * INCH
    cylinder = Cylinder(bore_m=bore, rod_m=bore / 2, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)

    assert cylinder.speed_m_s(25 * GPM, True) * 60 / (12 * INCH) == pytest.approx(38.316, rel=1e-4)


def test_back_pressure_of_a_metered_outlet() -> None:
    """Esposito, Example 8-6: piston 3.14 in2, rod 0.79 in2, 500 psi on the cap side, 1000 lbf, 10 in/s.

    The chain of the example: back pressure 242.6 psi on the rod side, 6.10 gpm out of it.
    """
    bore, rod = math.sqrt(3.14 * 4 / math.pi) * INCH, math.sqrt(0.79 * 4 / math.pi) * INCH
    cylinder = Cylinder(bore_m=bore, rod_m=rod, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)
    back_pa = (500 * PSI * cylinder.cap_area_m2 - 1000 * POUND_FORCE) / cylinder.rod_area_m2
    inlet = 10 * INCH * cylinder.cap_area_m2

    assert back_pa / PSI == pytest.approx(242.553, rel=1e-4)
    assert cylinder.outlet_flow_m3_s(inlet, True) / GPM == pytest.approx(6.1039, rel=1e-4)
    assert cylinder.force_n(500 * PSI, back_pa, True) == pytest.approx(1000 * POUND_FORCE)


def test_motor_speed_and_torque() -> None:
    """Esposito, Example 7-5: 0.082 l a turn, 70 bar, 0.0006 m3/s: 439 rpm, 91.4 N m, 4.20 kW."""
    motor = Motor(displacement_m3_rev=82e-6, gear_ratio=1.0, volumetric_efficiency=1.0, mechanical_efficiency=1.0)
    speed = motor.speed_per_flow_rad_m3() * 0.0006

    assert speed * 60 / (2 * math.pi) == pytest.approx(439, rel=1e-3)
    assert motor.torque_n_m(70 * BAR) == pytest.approx(91.4, rel=1e-3)
    assert motor.torque_n_m(70 * BAR) * speed == pytest.approx(4200, rel=1e-3)


def test_motor_with_leakage() -> None:
    """Public hydraulic motor calculator (mech.toolfusion.net, worked numbers): 100 cm3, 250 bar: 398 N m; 120 l/min
    at 95 %: 1140 rpm.
    """
    motor = Motor(displacement_m3_rev=100e-6, gear_ratio=1.0, volumetric_efficiency=0.95, mechanical_efficiency=1.0)

    assert motor.torque_n_m(250 * BAR) == pytest.approx(398, rel=1e-3)
    assert motor.speed_per_flow_rad_m3() * 0.002 * 60 / (2 * math.pi) == pytest.approx(1140, rel=1e-6)


def test_gear_trades_speed_for_torque() -> None:
    """A gear of ratio n: speed / n, torque x n; power stays (conservation of energy, any textbook of mechanics)."""
    plain = Motor(displacement_m3_rev=80e-6, gear_ratio=1.0, volumetric_efficiency=0.95, mechanical_efficiency=0.9)
    geared = Motor(displacement_m3_rev=80e-6, gear_ratio=6.0, volumetric_efficiency=0.95, mechanical_efficiency=0.9)

    assert geared.torque_n_m(56 * BAR) == pytest.approx(6 * plain.torque_n_m(56 * BAR))
    assert geared.speed_per_flow_rad_m3() == pytest.approx(plain.speed_per_flow_rad_m3() / 6)


def test_four_times_the_drop_is_twice_the_flow() -> None:
    """Fluid Power Journal (International Fluid Power Society), "Test Your Skills: Application of Proportional Valves".

    Rule Q = Qr sqrt(dp / dpr); 10 l/min rated at 10 bar gives 20 l/min at 40 bar.
    """
    litre_per_minute = 1e-3 / 60

    assert flow_m3_s(10 * litre_per_minute, 10 * BAR, 40 * BAR) == pytest.approx(20 * litre_per_minute)
    assert flow_m3_s(10 * litre_per_minute, 10 * BAR, -40 * BAR) == pytest.approx(-20 * litre_per_minute)


def test_crc_has_the_published_check_value() -> None:
    """CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms (and the table of the crccheck package):
    CBF43926.
    """
    assert core_table.core_library().crc32_update(0, b"123456789", 9) == 0xCBF43926


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"", 0x00000000),
        (bytes(32), 0x190A55AD),
        (bytes(range(32)), 0x91267E8A),
        (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
    ],
)
def test_crc_of_known_messages(data: bytes, value: int) -> None:
    """Computed with zlib (RFC 1950, RFC 1952) apart from this project."""
    assert core_table.core_library().crc32_update(0, data, len(data)) == value


def test_crc_is_that_of_zlib_in_one_piece_and_in_many() -> None:
    """Python's zlib; also that each result can be gone on from, and the residue 2144DF1C of a message with its own
    CRC.
    """
    library = core_table.core_library()
    rng = np.random.default_rng(1)
    for length in range(200):
        data = rng.bytes(length)
        cut = int(rng.integers(0, length + 1))
        whole = library.crc32_update(0, data, length)

        assert whole == zlib.crc32(data)
        assert library.crc32_update(library.crc32_update(0, data[:cut], cut), data[cut:], length - cut) == whole
        with_own = data + whole.to_bytes(4, "little")
        assert library.crc32_update(0, with_own, len(with_own)) == 0x2144DF1C


def test_filter_coefficient_is_the_exact_discretisation() -> None:
    """1 - exp(-T / tau), the step-invariant first-order low-pass (dsp.stackexchange.com, question 43063).

    tau 50 ms (corner 3.18310 Hz) at a tick of 10 ms: 0.181269247; after five steps 0.632120559, which is 1 - 1/e.
    """
    profile = changed(worked("test-stand"), "controller.tick_s", Fraction(10, 1000))
    profile = changed(profile, "joints.0.operator.filter_hz", Fraction(3_183_098_862, 10**9))

    coefficient = compile_table(profile).joints[0].filter_q16

    assert coefficient / 65_536 == pytest.approx(0.181269247, abs=0.5 / 65_536 + 1e-9)
    assert 1 - (1 - coefficient / 65_536) ** 5 == pytest.approx(0.632120559, abs=5e-5)
