"""Simulated athletes wearing simulated sensors, with the truth known."""

from imu_shoulder.simulate.athlete import IDEAL_ATHLETE, Athlete
from imu_shoulder.simulate.damage import Damage
from imu_shoulder.simulate.deviations import Deviation
from imu_shoulder.simulate.script import (
    BendsAtShoulderHeight,
    Chore,
    ElbowBends,
    ForwardRaises,
    Pause,
    Pose,
    Scenario,
    SetScript,
)
from imu_shoulder.simulate.sensor import PERFECT_SENSOR, SensorModel, Slip
from imu_shoulder.simulate.simulator import Simulated, TrueRep, Truth, simulate

__all__ = [
    "IDEAL_ATHLETE",
    "PERFECT_SENSOR",
    "Athlete",
    "BendsAtShoulderHeight",
    "Chore",
    "Damage",
    "Deviation",
    "ElbowBends",
    "ForwardRaises",
    "Pause",
    "Pose",
    "Scenario",
    "SensorModel",
    "SetScript",
    "Simulated",
    "Slip",
    "TrueRep",
    "Truth",
    "simulate",
]
