"""Draws docs/figures/frames.svg: python docs/figures/make_frames.py"""

from pathlib import Path

from imu_shoulder.report.figure import Posture, figure_svg

PANELS = [
    ("neutral pose: all angles 0", {"right": Posture(), "left": Posture()}),
    ("full can: elevation 90, plane 40, thumb up", {"right": Posture(90, 40, 50)}),
    ("elbow 90 at the side, rotation +40", {"right": Posture(0, 90, 40, 90)}),
    ("row and rotate: elevation 90, plane 0, rotation +90", {"right": Posture(90, 0, 90, 90)}),
]

if __name__ == "__main__":
    Path(__file__).with_name("frames.svg").write_text(figure_svg(PANELS), encoding="utf-8")
