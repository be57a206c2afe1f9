"""What is proposed of a recording that nobody marked."""

from __future__ import annotations

from dataclasses import dataclass

from imu_shoulder.model import Event


@dataclass(frozen=True, slots=True)
class Proposal:
    """A stretch that was found, to be looked at and corrected by a person. Times are seconds of the recording's clock.

    kind: one of model.TRIAL_TYPES: "set", "neutral_pose", or a calibration movement ("elbow_bends", ...).
    side: of a set right, left or both; None for a pose. For a drill in which one arm holds, the arm that lifts.
    drill, direction: of a set, None where it is none of the known drills.
    probability: that kind and drill are so, 0 to 1.
    alternatives: other drills that it may be, likeliest first, each with its probability. Those that the sensors cannot
    tell from `drill` are among them.
    reps: how often the movement comes in a set, of the arm that does it most often; 0 for a pose.
    doubt: what is not sure, in words; empty where nothing is said.
    """

    kind: str
    start_s: float
    end_s: float
    side: str | None = None
    drill: str | None = None
    direction: str | None = None
    probability: float = 1.0
    alternatives: tuple[tuple[str, float], ...] = ()
    reps: int = 0
    doubt: str = ""

    @property
    def event(self) -> Event:
        """As a mark: the row of events.tsv that it becomes where nobody says otherwise."""
        note = f"proposed: {self.doubt}" if self.doubt else "proposed"
        own = Event(self.start_s, self.end_s - self.start_s, self.kind, self.drill, self.side, note=note)
        return own if self.direction is None else Event(*_fields(own), direction=self.direction)


def _fields(event: Event) -> tuple[float, float, str, str | None, str | None, None, None, str | None]:
    return (event.onset_s, event.duration_s, event.trial_type, event.drill, event.side, None, None, event.note)
