"""Imports that a command is spared: parts of libraries which none of its own uses."""

from __future__ import annotations

import sys
from importlib.util import LazyLoader, find_spec, module_from_spec

# numpy's tools for tests and for Fortran. scipy copies every name of numpy, which imports what stands behind it.
SPARED = ("numpy.f2py", "numpy.testing")


def spare_imports() -> None:
    """Have the modules of SPARED be imported by whoever uses them first.

    Before scipy is imported, of whose import they are a quarter. Source: importlib's documentation, on lazy imports.
    """
    for name in SPARED:
        found = None if name in sys.modules else find_spec(name)
        if found is None or found.loader is None:
            continue
        found.loader = LazyLoader(found.loader)
        module = module_from_spec(found)
        sys.modules[name] = module
        found.loader.exec_module(module)
        parent, _, own = name.rpartition(".")
        setattr(sys.modules[parent], own, module)
