"""Shoulder angles, reps, holds and movement quality from wrist and upper-arm IMUs."""

__version__ = "0.1.0"
