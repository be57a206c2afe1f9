"""All criteria and faults: one module each criterion, with its faults. A new module is found by being here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib import import_module
from pkgutil import iter_modules
from types import MappingProxyType

from imu_shoulder.assess.fault import Criterion, Fault


def in_order(criteria: Iterable[Criterion]) -> Mapping[str, Criterion]:
    """Criteria by name, in the order of their places. Raises ValueError where two have one name or place."""
    found = sorted(criteria, key=lambda criterion: criterion.place)
    _require_different("name of a criterion", [criterion.name for criterion in found])
    _require_different("place of a criterion", [criterion.place for criterion in found])
    return MappingProxyType({criterion.name: criterion for criterion in found})


def faults_in_order(criteria: Iterable[Criterion]) -> Mapping[str, Fault]:
    """Faults by name, in the order of their places. Raises ValueError where two share a name or a place in an order."""
    found = sorted((fault for criterion in criteria for fault in criterion.faults), key=lambda fault: fault.place)
    _require_different("name of a fault", [fault.name for fault in found])
    _require_different("place of a fault", [fault.place for fault in found])
    _require_different("raised of a fault", [fault.raised for fault in found])
    return MappingProxyType({fault.name: fault for fault in found})


def _require_different(what: str, values: Sequence[object]) -> None:
    for value in values:
        if values.count(value) > 1:
            raise ValueError(f"expected every {what} once; {value!r} came {values.count(value)} times; change one")


CRITERIA = in_order(import_module(f"{__name__}.{module.name}").CRITERION for module in iter_modules(__path__))
# As reps.csv names them in a rep.
FAULTS = faults_in_order(CRITERIA.values())
# As a coach would raise them.
RAISED = tuple(sorted(FAULTS.values(), key=lambda fault: fault.raised))
