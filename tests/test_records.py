"""Records of the package are what the house makes them: frozen, and with slots."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil

import skyplumb

CHANGE = {"LensSearch", "_Search", "_Aim", "_File"}
"""What is being looked for, aimed or watched."""
NO_SLOTS = {"LensSearch", "Drawn", "Pointings", "Refraction", "DrawnExposure"}
"""Their cached properties need a place."""


def test_records_are_frozen_and_have_slots() -> None:
    change, no_slots = set(), set()
    for found in pkgutil.walk_packages(skyplumb.__path__, "skyplumb."):
        if found.name.endswith("__main__"):
            continue
        for one in vars(importlib.import_module(found.name)).values():
            mine = inspect.isclass(one) and one.__module__ == found.name
            if mine and dataclasses.is_dataclass(one):
                if not one.__dataclass_params__.frozen:
                    change.add(one.__name__)
                if "__slots__" not in vars(one):
                    no_slots.add(one.__name__)
    assert (change, no_slots) == (CHANGE, NO_SLOTS)
