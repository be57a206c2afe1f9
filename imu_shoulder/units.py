"""The units that may enter, and their size in the SI units used inside."""

from __future__ import annotations

import math

# Standard gravity: exact by definition, 3rd General Conference on Weights and Measures (1901), resolution 2.
STANDARD_GRAVITY_M_S2 = 9.80665

ACC_UNIT_M_S2 = {"m/s^2": 1.0, "g": STANDARD_GRAVITY_M_S2}
GYR_UNIT_RAD_S = {"rad/s": 1.0, "deg/s": math.pi / 180.0}
