"""Proposals for the page, from what finds sets in a recording: the one place where the two meet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from imu_shoulder.analysis import Params
from imu_shoulder.drills import Drill
from imu_shoulder.errors import ShoulderError
from imu_shoulder.mark.keeping import calibration_of
from imu_shoulder.model import MAYBE_SET, Event, Proposal, Recording
from imu_shoulder.plan import Plan
from imu_shoulder.propose import proposals
from imu_shoulder.sources.events import cells_of


def find(recording: Recording, plan: Plan | None, drills: Mapping[str, Drill], params: Params) -> tuple[Proposal, ...]:
    """What may be marked beside what is; marks that cannot be used are left aside. Raises ShoulderError."""
    try:
        return proposals(recording, plan, drills, params)
    except ShoulderError:
        return proposals(replace(recording, events=()), plan, drills, params)


def as_told(proposal: Proposal) -> dict[str, Any]:
    """As the page gets it: the mark's cells by column of events.tsv, and what is known of it."""
    return {
        # Who takes it has looked at it: no note says any more that it was proposed.
        "cells": cells_of(replace(proposal.event, note=None)),
        "probability": proposal.probability,
        "alternatives": proposal.alternatives,
        "said": proposal.doubt,
        "maybe": proposal.kind == MAYBE_SET,
    }


def calibration_beside(marked: Sequence[Event], found: Sequence[Proposal]) -> tuple[Event, ...]:
    """The marked pose and calibration movements, and those proposed ones of which nobody marked any."""
    own = list(calibration_of(marked))
    posed = any(event.trial_type == "neutral_pose" for event in own)
    moved = any(event.trial_type != "neutral_pose" for event in own)
    for proposal in found:
        there = posed if proposal.kind == "neutral_pose" else moved
        if proposal.kind not in ("set", MAYBE_SET) and not there:
            own.append(proposal.event)
    return tuple(sorted(own, key=lambda event: event.onset_s))
