"""The errors a user can cause. Each says what was expected, what came and what to do."""

from __future__ import annotations

from collections.abc import Mapping

# Of each part of a message; the names of all columns of reps.csv are fewer.
MOST_LETTERS = 600


def _short(part: str) -> str:
    line = " ".join(part.split("\n"))
    return line if len(line) <= MOST_LETTERS else f"{line[:400]} ... {line[-150:]}"


class ShoulderError(Exception):
    """Base of every error this package raises on purpose.

    The command line prints it as one sentence and exits with code 2.
    """

    def __init__(self, expected: str, came: str, do: str) -> None:
        """Each part is one line of at most MOST_LETTERS: what stands in a file may be as long as it likes."""
        self.expected, self.came, self.do = (_short(part) for part in (expected, came, do))
        super().__init__(f"expected {self.expected}, but {self.came}; {self.do}")

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


def require_over_zero(values: Mapping[str, float]) -> None:
    """Raises ParameterError for the first parameter, by name, that is not over 0."""
    for name, value in values.items():
        if not value > 0:
            raise ParameterError(f"{name} over 0", f"it is {value:g}", "choose another value")
