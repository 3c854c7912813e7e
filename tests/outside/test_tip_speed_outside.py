"""The limit of tip speed without a stated one, against published figures for reduced speed."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from make_profile import changed, worked

from mapper.table import compile_table

pytestmark = pytest.mark.outside


def test_without_a_stated_limit_reduced_speed_is_that_of_the_standard() -> None:
    """ISO 10218-1:2011, 5.6.2 and 5.7.3: reduced speed at the tool is at most 250 mm/s. Clause numbers from memory. The
    same figure, 250 mm/s (10 in/s), in the OSHA Technical Manual, section IV, chapter 4, as summarised at second hand.
    """
    arm = worked("kerb-arm")
    unsaid = replace(arm, joints=tuple(changed(joint, "limits.tip_speed_m_s", None) for joint in arm.joints))

    # A point 1 m from its axis at this command: its speed in mm/s.
    mm_s = math.radians(compile_table(unsaid).machine.tip_mdeg_mm_s / 1000 / 1000) * 1000

    assert 249.99 < mm_s <= 250
    assert mm_s <= 10 * Fraction(254, 10)
