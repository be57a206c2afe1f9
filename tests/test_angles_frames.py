"""Frames: ISB identities, the mirror of the left arm, the heading, and how ill-conditioned the ISB angles are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.model import unswung
from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    axes_form,
    heading_rotation,
    isb_thoracohumeral_rad,
    left_factor,
    mirror_sagittal,
    quat_from_rotation,
    right_factor,
    rotated,
    rotation_from_quat,
    side_sign,
    unwrapped_deg,
    wrap_deg,
    wrap_rad,
    xy_axes,
)

Array = NDArray[np.float64]
X, Y, Z = np.eye(3)
degrees_around = st.floats(-179.0, 179.0)


def about_x(angle: float) -> Array:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def about_y(angle: float) -> Array:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


@st.composite
def rotations(draw):
    quat = np.array(draw(st.tuples(*[st.floats(-1, 1)] * 4)))
    if np.linalg.norm(quat) < 0.1:
        quat = np.array([1.0, 0.0, 0.0, 0.0])
    return Rotation.from_quat(quat)


# Physical truths.


def test_someone_standing_has_y_up_and_faces_along_earth_x():
    np.testing.assert_allclose(EARTH_FROM_STANDING.apply([Y, X, Z]), [[0, 0, 1], [1, 0, 0], [0, -1, 0]], atol=1e-12)


def test_quaternions_are_scalar_first():
    """A quarter turn about z is (cos 45, 0, 0, sin 45) and takes x to y."""
    half = np.sqrt(0.5)
    quarter = rotation_from_quat(np.array([half, 0.0, 0.0, half]))
    np.testing.assert_allclose(quarter.apply(X), Y, atol=1e-12)
    np.testing.assert_allclose(quat_from_rotation(quarter), [half, 0.0, 0.0, half], atol=1e-12)


@given(st.lists(st.floats(-20, 20), min_size=1, max_size=5))
def test_a_heading_is_a_turn_about_the_vertical(angles):
    angle = np.array(angles)
    turned = heading_rotation(angle).apply(X)
    np.testing.assert_allclose(turned, np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]), atol=1e-9)
    np.testing.assert_allclose(heading_rotation(float(angle[0])).apply(X), turned[0], atol=1e-9)


@given(st.floats(-50, 50))
def test_wrapping_keeps_the_direction_and_lands_within_half_a_turn(angle):
    wrapped = float(wrap_rad(np.array(angle)))
    assert -np.pi <= wrapped < np.pi
    assert np.exp(1j * wrapped) == pytest.approx(np.exp(1j * angle), abs=1e-9)
    assert float(wrap_deg(np.degrees(angle))) == pytest.approx(np.degrees(wrapped), abs=1e-9)


def test_degrees_go_on_over_the_jump_and_over_rows_that_are_not_known():
    found = unwrapped_deg(np.array([np.nan, 170.0, -170.0, np.nan, -100.0, 170.0]))
    np.testing.assert_array_equal(found, [np.nan, 170.0, 190.0, np.nan, 260.0, 170.0])
    assert np.isnan(unwrapped_deg(np.full(3, np.nan))).all()


# ISB: Wu et al. 2005, doi 10.1016/j.jbiomech.2004.05.042.


@given(degrees_around, st.floats(-178.0, -2.0), degrees_around)
def test_isb_angles_of_a_posture_built_by_them(plane, elevation, axial):
    """Y-X'-Y'': the matrix product of three elementary turns, written out, gives its three angles back."""
    humerus = Rotation.from_matrix(about_y(plane) @ about_x(elevation) @ about_y(axial))
    found = np.degrees(isb_thoracohumeral_rad(humerus))
    np.testing.assert_allclose((found - [plane, elevation, axial] + 180) % 360 - 180, 0.0, atol=1e-5)


@given(rotations())
def test_isb_angles_put_the_posture_together_again(humerus):
    """For any posture SciPy's Y-X'-Y'' sequence of the ISB triple is that posture, with elevation in [-180, 0].

    Exactly hanging and exactly overhead the triple is not defined.
    """
    assume(abs(humerus.apply(Y)[1]) < 1 - 1e-9)
    triple = isb_thoracohumeral_rad(humerus)
    assert -np.pi <= triple[1] <= 0
    assert (np.abs(triple) <= np.pi + 1e-9).all()
    assert (Rotation.from_euler("YXY", triple) * humerus.inv()).magnitude() < 1e-6


def test_the_worked_triple():
    """SciPy names the posture of the ISB triple (40, -60, -10) by its twin (-140, 60, 170)."""
    humerus = Rotation.from_euler("YXY", [40, -60, -10], degrees=True)
    np.testing.assert_allclose(humerus.as_euler("YXY", degrees=True), [-140, 60, 170], atol=1e-9)
    np.testing.assert_allclose(np.degrees(isb_thoracohumeral_rad(humerus)), [40, -60, -10], atol=1e-9)


def test_many_postures_at_once_give_what_each_gives():
    many = Rotation.random(50, rng=np.random.default_rng(0))
    np.testing.assert_allclose(isb_thoracohumeral_rad(many), [isb_thoracohumeral_rad(one) for one in many], atol=1e-12)


@pytest.mark.parametrize(("elevation", "printed"), [(5, 11.5), (10, 5.8), (20, 2.9), (30, 2.0), (90, 1.0), (170, 5.8)])
def test_a_small_tilt_is_magnified_by_one_over_sin_elevation(elevation, printed):
    """The singular ends of Y-X'-Y'': a tilt of the humerus shows in the plane, one of the thorax in the axial angle,
    each at worst 1/sin(elevation) times (computed; the printed figures are 1/sin rounded to one decimal)."""
    posture = Rotation.from_euler("YXY", [35, -elevation, -20], degrees=True)
    tilt_rad = 1e-4
    around = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    tilts = Rotation.from_rotvec(tilt_rad * np.column_stack([np.cos(around), 0 * around, np.sin(around)]))
    true = isb_thoracohumeral_rad(posture)
    of_humerus = (isb_thoracohumeral_rad(posture * tilts) - true) / tilt_rad
    of_thorax = (isb_thoracohumeral_rad(tilts * posture) - true) / tilt_rad
    assert np.abs(of_humerus[:, 0]).max() == pytest.approx(printed, abs=0.06)
    assert np.abs(of_thorax[:, 2]).max() == pytest.approx(printed, abs=0.06)
    assert np.abs(of_humerus[:, 0]).max() == pytest.approx(1 / np.sin(np.radians(elevation)), rel=2e-3)
    assert np.abs(of_humerus[:, 1]).max() == pytest.approx(1.0, rel=1e-3)  # the elevation itself is not magnified
    # Near the side only the sum, near straight overhead only the difference of plane and axial angle is defined.
    kept = of_humerus[:, 0] + of_humerus[:, 2] if elevation < 90 else of_humerus[:, 0] - of_humerus[:, 2]
    assert np.abs(kept).max() <= 1.001


# The left arm.


@given(rotations())
def test_the_mirror_is_a_reflection_in_the_sagittal_plane(rotation):
    """Reflecting z before and after a rotation is the mirrored rotation: S R S with S = diag(1, 1, -1)."""
    reflect = np.diag([1.0, 1.0, -1.0])
    mirrored = rotation_from_quat(mirror_sagittal(quat_from_rotation(rotation)))
    np.testing.assert_allclose(mirrored.as_matrix(), reflect @ rotation.as_matrix() @ reflect, atol=1e-9)


@given(rotations(), rotations())
def test_mirroring_twice_changes_nothing_and_products_mirror_as_products(a, b):
    def mirror(rotation: Rotation) -> Rotation:
        return rotation_from_quat(mirror_sagittal(quat_from_rotation(rotation)))

    assert (mirror(mirror(a)) * a.inv()).magnitude() < 1e-6
    assert (mirror(a) * mirror(b) * mirror(a * b).inv()).magnitude() < 1e-6


def test_the_sides_have_opposite_signs_on_anatomical_z():
    assert (side_sign("right"), side_sign("left")) == (1.0, -1.0)


# Quaternions as arrays, held against scipy's Rotation.


def test_axes_of_quaternions_of_any_length_are_those_of_scipy():
    rng = np.random.default_rng(5)
    quat, before, after = rng.normal(size=(50, 4)), rng.normal(size=4), rng.normal(size=4)
    matrices = (rotation_from_quat(before) * rotation_from_quat(quat) * rotation_from_quat(after)).as_matrix()
    x_axis, y_axis = xy_axes(axes_form(left_factor(before) @ right_factor(after)), quat)
    np.testing.assert_allclose(x_axis.T, matrices[:, :, 0], atol=1e-14)
    np.testing.assert_allclose(y_axis.T, matrices[:, :, 1], atol=1e-14)


@given(rotations(), rotations())
def test_products_with_either_factor_are_those_of_scipy(a, b):
    quat_a, quat_b = quat_from_rotation(a), quat_from_rotation(b)
    for product in (left_factor(quat_a) @ quat_b, right_factor(quat_b) @ quat_a):
        np.testing.assert_allclose(rotation_from_quat(product).as_matrix(), (a * b).as_matrix(), atol=1e-14)


@given(rotations(), rotations())
def test_vectors_rotated_by_a_quaternion_are_those_of_scipy(a, b):
    vectors, quats = b.as_matrix(), np.tile(quat_from_rotation(a), (3, 1))
    np.testing.assert_allclose(rotated(quats, vectors), a.apply(vectors), atol=1e-14)


# Swing and twist.


@given(rotations())
def test_undoing_the_swing_leaves_a_pure_twist_about_the_bone(humerus):
    """Swing-twist identity: with the swing undone the bone's axis is Y again and the other axes are turned about it."""
    axes = humerus.apply(np.eye(3))
    assume(axes[1, 1] > -0.999)  # straight overhead every swing is as short as any other
    left = unswung(np.tile(axes[1], (3, 1)).T, axes.T)
    np.testing.assert_allclose(left[:, 1], Y, atol=1e-6)
    twist = Rotation.from_matrix(left)
    np.testing.assert_allclose(np.cross(twist.as_rotvec(), Y), 0.0, atol=1e-5)


@given(rotations(), rotations())
def test_the_swing_is_scipys_shortest_rotation(humerus, other):
    """align_vectors with one pair of vectors gives the rotation of least angle that takes one to the other."""
    axis, vector = humerus.apply(Y), other.apply(X)
    assume(axis[1] > -0.999)
    shortest, _ = Rotation.align_vectors([axis], [Y])
    np.testing.assert_allclose(unswung(axis[:, None], vector[:, None])[:, 0], shortest.inv().apply(vector), atol=1e-6)


def test_the_swing_is_nothing_hanging_and_finite_overhead():
    np.testing.assert_allclose(unswung(Y[:, None], X[:, None]), X[:, None], atol=1e-12)
    assert np.isfinite(unswung(-Y[:, None], X[:, None])).all()
