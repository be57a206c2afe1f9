"""The errors a user can cause. Each says what was expected, what came and what to do."""

from __future__ import annotations


class ShoulderError(Exception):
    """Base of every error this package raises on purpose.

    The command line prints it as one sentence and exits with code 2.
    """

    def __init__(self, expected: str, came: str, do: str) -> None:
        self.expected = expected
        self.came = came
        self.do = do
        super().__init__(f"expected {expected}, but {came}; {do}")

    def __reduce__(self) -> tuple[type[ShoulderError], tuple[str, str, str]]:
        """So that it comes whole out of another process."""
        return type(self), (self.expected, self.came, self.do)


class RecordingError(ShoulderError):
    """A recording folder or one of its files cannot be used."""


class ColumnMapError(ShoulderError):
    """A TOML column map for a foreign CSV is unusable."""


class DrillError(ShoulderError):
    """A drill file or drill name is unusable."""


class CalibrationError(ShoulderError):
    """A calibration movement is missing or unusable."""


class OutputError(ShoulderError):
    """A result cannot be written."""


class ParameterError(ShoulderError):
    """A parameter is outside its range."""
