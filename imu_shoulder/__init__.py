"""Shoulder angles, reps, holds and movement quality from wrist and upper-arm IMUs.

For Python: `read` a recording, `analyse` it; see docs/python.md.
"""

# Known to type checkers by its name, at no cost: what is imported here is imported by every start of a command.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from imu_shoulder.face import Analysed, ShoulderError, analyse, read

__version__ = "0.1.0"
__all__ = ["Analysed", "ShoulderError", "__version__", "analyse", "read"]

if not TYPE_CHECKING:  # A type checker would take every name for one of these.

    def __getattr__(name):
        """The libraries behind the names wait until one of them is asked for."""
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from imu_shoulder import face

        return getattr(face, name)

    def __dir__():
        return sorted({*globals(), *__all__})
