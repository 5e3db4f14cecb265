"""Which records of some packages are not what the house makes them: frozen, and with slots."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from types import ModuleType


def loose(*packages: ModuleType) -> set[str]:
    """A word for each dataclass that can be changed, and for each that takes names of its own."""
    found = set()
    for package in packages:
        inside = pkgutil.iter_modules(getattr(package, "__path__", ()))
        names = [f"{package.__name__}.{one.name}" for one in inside] or [package.__name__]
        for name in names:
            for one in vars(importlib.import_module(name)).values():
                if not (inspect.isclass(one) and one.__module__ == name):
                    continue
                if dataclasses.is_dataclass(one):
                    if not one.__dataclass_params__.frozen:  # type: ignore[attr-defined]
                        found.add(f"{one.__name__} changes")
                    if "__slots__" not in vars(one):
                        found.add(f"{one.__name__} has no slots")
    return found
