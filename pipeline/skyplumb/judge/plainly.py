"""Records as plain numbers, words and arrays, and back: nothing that is read is ever executed.

A text (JSON) names each record's class and holds its fields; arrays stand behind it, each as a
`.npy` file. What stands twice is kept once. A class is taken only where it is a record of the
stages that calibrate and judge, and a record is made by filling in its fields, without a call.
How large all of it may be is told before any of it is unpacked.
"""

from __future__ import annotations

import functools
import importlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime, timedelta
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.measure.rows import DamagedError, array_of, inflated, npy
from skyplumb.records import Measure

MOST_OF_PACKED = 60
"""Times its packed size that a kept result may take; those of drawn nights take 2 to 6."""
_LEAST_MOST_BYTES = 1_000_000
_LENGTH_BYTES = 8
_OURS = (
    *("skyplumb.records", "skyplumb.findings", "skyplumb.intake.notes", "skyplumb.night.shot"),
    *("skyplumb.calibrate.", "skyplumb.judge."),
)
"""Where the records come from."""
_MARKS: dict[type, str] = {tuple: "t", list: "l", set: "s", frozenset: "f"}


def packed(thing: Any) -> bytes:
    """Records, tuples, lists, dicts, sets, numbers, words, times and arrays, packed.

    A `Measure` is named by its file and not kept.

    Raises
    ------
    TypeError
        If there is anything else in it.
    """
    writer = _Writer()
    root = writer.plain(thing)
    told = {"records": writer.records, "sizes": [len(one) for one in writer.arrays], "is": root}
    text = json.dumps(told, separators=(",", ":")).encode("ascii")
    whole = b"".join([len(text).to_bytes(_LENGTH_BYTES, "little"), text, *writer.arrays])
    return zlib.compress(whole, 1)


def unpacked(content: bytes, measures: Mapping[str, Measure]) -> Any:
    """What `packed` was given, with these measures in the places of those of their names.

    Raises
    ------
    DamagedError
        If it holds anything that `packed` does not make.
    """
    whole = inflated(content, max(_LEAST_MOST_BYTES, MOST_OF_PACKED * len(content)))
    try:
        start = _LENGTH_BYTES + int.from_bytes(whole[:_LENGTH_BYTES], "little")
        told = json.loads(whole[_LENGTH_BYTES:start])
        arrays = []
        for size in told["sizes"]:
            if not 0 < size <= len(whole) - start:
                raise DamagedError("cut short")
            arrays.append(array_of(whole[start : start + size]))
            start += size
        return _Reader(arrays, measures).all_of(told["records"], told["is"])
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, ImportError,
            OverflowError, RecursionError) as error:  # fmt: skip
        raise DamagedError(str(error)) from None


class _Writer:
    """Turns things into what JSON knows; whatever is no plain value is a list with a mark."""

    def __init__(self) -> None:
        self.records: list[list[Any]] = []
        self.arrays: list[bytes] = []
        self._known: dict[int, tuple[list[Any], Any]] = {}
        """By its identity: how it is told, and itself, so that no other takes its identity."""

    def plain(self, thing: Any) -> Any:
        kind = type(thing)
        if thing is None or kind in (bool, int, float, str):
            return thing
        known = self._known.get(id(thing))
        if known is not None:
            return known[0]
        if kind is np.float64:
            return ["F", float(thing)]
        if kind in _MARKS:
            parts = sorted(thing, key=repr) if kind in (set, frozenset) else thing
            return [_MARKS[kind], *map(self.plain, parts)]
        if issubclass(kind, Mapping):
            return ["d", *([self.plain(key), self.plain(item)] for key, item in thing.items())]
        if kind is datetime:
            return ["D", thing.isoformat()]
        if kind is date:
            return ["E", thing.isoformat()]
        if kind is timedelta:
            return ["T", thing.days, thing.seconds, thing.microseconds]
        if kind is Measure:
            return ["m", thing.file]
        if isinstance(thing, np.generic):
            return ["n", self._array(np.asarray(thing))]
        if isinstance(thing, np.ndarray):
            told = ["a", self._array(thing)]
        elif not kind.__module__.startswith(_OURS) or issubclass(kind, tuple):
            raise TypeError(f"{kind.__module__}.{kind.__qualname__} is nothing plain")
        elif issubclass(kind, Enum):
            told = ["e", _name(kind), thing.name]
        else:
            names = [one.name for one in fields(thing)] if is_dataclass(thing) else [*vars(thing)]
            values = [self.plain(getattr(thing, name)) for name in names]
            self.records.append([_name(kind), *([] if is_dataclass(kind) else [names]), *values])
            told = ["r", len(self.records) - 1]
        self._known[id(thing)] = told, thing
        return told

    def _array(self, values: NDArray[Any]) -> int:
        self.arrays.append(npy(values))
        return len(self.arrays) - 1


class _Reader:
    """And back."""

    def __init__(self, arrays: list[NDArray[Any]], measures: Mapping[str, Measure]) -> None:
        self._arrays, self._measures = arrays, measures
        self._records: list[Any] = []

    def all_of(self, records: list[list[Any]], root: Any) -> Any:
        """Each record stands behind those that it holds."""
        for name, *values in records:
            kind, names = _record(name)
            names = tuple(map(str, values.pop(0))) if names is None else names
            if issubclass(kind, Enum) or len(names) != len(values):
                raise DamagedError(f"{name} has other fields")
            made: Any = object.__new__(kind)
            for field, value in zip(names, values, strict=True):
                value = self._thing(value) if type(value) is list else value
                object.__setattr__(made, field, value)
            self._records.append(made)
        return self._thing(root)

    def _thing(self, told: Any) -> Any:
        if type(told) is not list:
            if type(told) is dict:
                raise DamagedError("a mapping")
            return told
        mark, *parts = told
        match mark:
            case "r":
                return self._records[_place(*parts)]
            case "a":
                return self._arrays[_place(*parts)]
            case "n":
                return self._arrays[_place(*parts)][()]
            case "m":
                return self._measures[parts[0]]
            case "e":
                kind, _ = _record(parts[0])
                if not issubclass(kind, Enum):
                    raise DamagedError(f"{parts[0]}: no choice")
                return kind[parts[1]]
            case "F":
                return np.float64(parts[0])
            case "t":
                return tuple(map(self._thing, parts))
            case "l":
                return list(map(self._thing, parts))
            case "s":
                return set(map(self._thing, parts))
            case "f":
                return frozenset(map(self._thing, parts))
            case "d":
                return {self._thing(key): self._thing(item) for key, item in parts}
            case "D":
                return datetime.fromisoformat(parts[0])
            case "E":
                return date.fromisoformat(parts[0])
            case "T":
                return timedelta(*map(int, parts))
        raise DamagedError(f"{mark!r}: not known")


def _place(number: Any) -> int:
    if type(number) is not int or number < 0:
        raise DamagedError(f"{number!r}: no place")
    return number


def _name(kind: type) -> str:
    return f"{kind.__module__}:{kind.__qualname__}"


@functools.cache
def _record(name: str) -> tuple[type, tuple[str, ...] | None]:
    """A class of ours by its name, and its fields; None where each of its things has its own."""
    module, _, kind = name.partition(":")
    found = getattr(importlib.import_module(module), kind) if module.startswith(_OURS) else None
    if not (isinstance(found, type) and found.__module__ == module):
        raise DamagedError(f"{name}: no record of ours")
    return found, tuple(one.name for one in fields(found)) if is_dataclass(found) else None
