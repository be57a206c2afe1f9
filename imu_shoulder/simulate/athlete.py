"""The simulated person: lengths, habits and how far from still and from neutral they are."""

from __future__ import annotations

from dataclasses import dataclass

from imu_shoulder.errors import ParameterError


@dataclass(frozen=True, slots=True)
class Athlete:
    """A person. Lengths in metres, angles in degrees.

    humerus_m, forearm_m: joint centre to joint centre. shoulder_half_width_m, trunk_m: pelvis to shoulder line.
    carrying_deg: valgus positive, so the ISB X' angle of the right elbow is its negative.
    pose_*: where the arms really are when asked to hang neutrally (pose error, the same on both sides).
    raise_plane_deg: the plane in which "straight forward" is really performed.
    hand_deg: further turn of the hand on top of a thumb-up raise, pronation positive; the upper arm makes up for it.
    sway_deg: RMS of the slow motion (0.1-1 Hz) of trunk and each arm angle, also when asked to be still.
    unevenness_deg: RMS of the 0.8-3 Hz irregularity on top of a smooth movement while moving.
    tremor_deg: RMS of the 8-12 Hz tremor of the leading angle in every hold.
    breathing_deg: amplitude of the trunk's tilt at 0.25 Hz.
    variation: factor on the natural differences between reps (arc SD 2 deg, start SD 1.5 deg, tempo CV 10 %).
    soft_tissue_share: share of the humeral axial rotation the skin of the upper arm does not follow.
    skin_with_elevation_deg: how far raising the arm to 90 deg turns that skin, external positive.
    wrist_share: the same for pronation at the wrist. bulge_deg: tilt of the upper-arm sensor by the muscle at
    90 deg of elevation; published soft-tissue error of elevation is 0-4 deg (PMC3327809).
    blade_share: the shoulder blade's upward rotation as a share of the arm's elevation from 30 to 120 deg: 0.315, the
    median of eleven in-vivo studies (quarter to quarter 0.25 to 0.34), between people +- 0.05 to 0.06 (read from the
    Spartacus collection, article doi 10.1016/j.jbiomech.2025.112642, data doi 10.5281/zenodo.11455521).
    blade_share_low: the same under 30 deg, where the studies differ: 0.08 to 0.5.
    """

    name: str = "M.K."
    humerus_m: float = 0.31
    forearm_m: float = 0.26
    shoulder_half_width_m: float = 0.18
    trunk_m: float = 0.48
    carrying_deg: float = 8.0
    pose_elevation_deg: float = 4.0
    pose_plane_deg: float = 15.0
    pose_rotation_deg: float = 3.0
    pose_elbow_deg: float = 7.0
    pose_forearm_deg: float = 4.0
    raise_plane_deg: float = 86.0
    hand_deg: float = 0.0
    sway_deg: float = 0.3
    unevenness_deg: float = 0.3
    tremor_deg: float = 0.02
    breathing_deg: float = 0.2
    variation: float = 1.0
    soft_tissue_share: float = 0.3
    skin_with_elevation_deg: float = 0.0
    wrist_share: float = 0.05
    bulge_deg: float = 1.0
    blade_share: float = 0.315
    blade_share_low: float = 0.315

    def __post_init__(self) -> None:
        for name in ("humerus_m", "forearm_m", "shoulder_half_width_m", "trunk_m"):
            if not getattr(self, name) > 0:
                raise ParameterError(f"{name} above 0", f"it was {getattr(self, name)}", "give a length in metres")
        for name in ("sway_deg", "unevenness_deg", "tremor_deg", "breathing_deg", "variation"):
            if not getattr(self, name) >= 0:
                raise ParameterError(f"{name} of 0 or more", f"it was {getattr(self, name)}", "give 0 for none")
        for name in ("soft_tissue_share", "wrist_share", "blade_share", "blade_share_low"):
            if not 0 <= getattr(self, name) < 1:
                raise ParameterError(f"{name} in [0, 1)", f"it was {getattr(self, name)}", "give a share")


# Stands like a statue and hangs exactly neutrally, under rigid skin: for physical truths, never for accuracy numbers.
IDEAL_ATHLETE = Athlete(
    carrying_deg=0.0,
    pose_elevation_deg=0.0,
    pose_plane_deg=0.0,
    pose_rotation_deg=0.0,
    pose_elbow_deg=0.0,
    pose_forearm_deg=0.0,
    raise_plane_deg=90.0,
    sway_deg=0.0,
    unevenness_deg=0.0,
    tremor_deg=0.0,
    breathing_deg=0.0,
    variation=0.0,
    soft_tissue_share=0.0,
    wrist_share=0.0,
    bulge_deg=0.0,
)
