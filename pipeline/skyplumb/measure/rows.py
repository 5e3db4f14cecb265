"""A measure as rows of the store's database, and back, bit for bit.

One row of `shots` holds all numbers and words of a shot, a column each, so that any tool for
tables reads it; its arrays are rows of `arrays`, each a zlib-packed `.npy` file, which numpy
reads. The columns follow the records themselves, so they are named and explained in one place.
"""

from __future__ import annotations

import ast
import dataclasses
import hashlib
import inspect
import io
import json
import re
import textwrap
import zlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, Literal, get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray

from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

ARRAY_BYTES = 100_000_000
"""More than any array of a shot takes, unpacked: star tables and crops have some megabytes."""
PACKING = 1
"""zlib's fastest: on star tables and crops its strongest saves 4 % for three times the work."""

_SURROGATE = re.compile("[\ud800-\udfff]")
_SQL_TYPE = {int: "INTEGER", float: "REAL", str: "TEXT", bool: "INTEGER", datetime: "TEXT"}


class DamagedError(ValueError):
    """An entry that is not what was put there."""


def _kinds(record: type) -> dict[str, Any]:
    """Type of each field; of an optional one the type it has when it is there."""
    hints = get_type_hints(record)
    kinds = {}
    for field in dataclasses.fields(record):
        options = [kind for kind in get_args(hints[field.name]) if kind is not type(None)]
        plain = hints[field.name] in _SQL_TYPE
        kinds[field.name] = hints[field.name] if plain or len(options) != 1 else options[0]
    return kinds


_INFO = _kinds(ShotInfo)
_MEASURE = {name: kind for name, kind in _kinds(Measure).items() if name != "info"}
ARRAYS = tuple(
    field.name
    for field in dataclasses.fields(Measure)
    if field.name != "info" and _MEASURE[field.name] not in _SQL_TYPE
    and field.default_factory is not dataclasses.MISSING
    and isinstance(field.default_factory(), np.ndarray)
)  # fmt: skip
"""Fields of a measure that are arrays."""
COLUMNS: dict[str, str] = {
    name: _SQL_TYPE.get(kind, "TEXT")
    for name, kind in ({n: k for n, k in _MEASURE.items() if n not in ARRAYS} | _INFO).items()
}
"""Column and SQL type of each number and word; what is no plain value is JSON."""
assert not set(_INFO) & set(_MEASURE), "two columns of one name"


def meanings() -> dict[str, str]:
    """What each column and array holds, in the records' own words; empty where the name says it."""
    told: dict[str, str] = {}
    for record in (Measure, ShotInfo):
        body = ast.parse(textwrap.dedent(inspect.getsource(record))).body[0]
        assert isinstance(body, ast.ClassDef)
        for before, node in zip(body.body, [*body.body[1:], ast.Pass()], strict=True):
            if isinstance(before, ast.AnnAssign) and isinstance(before.target, ast.Name):
                words = ""
                if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                    words = " ".join(str(node.value.value).split())
                told[before.target.id] = words
    return {name: told.get(name, "") for name in (*COLUMNS, *ARRAYS)}


def to_row(measure: Measure) -> list[Any]:
    """Values of `COLUMNS`. A number that is not known (NaN) is NULL, as databases have it."""
    values = {**_fields(measure), **_fields(measure.info)}
    kinds = _MEASURE | _INFO
    return [_plain(values[name], kinds[name]) for name in COLUMNS]


def from_row(row: Sequence[Any], arrays: Mapping[str, NDArray[Any]]) -> Measure:
    """The measure back; arrays that are not given are empty.

    Raises
    ------
    DamagedError
        If a value is not what a field of this name holds.
    """
    told = dict(zip(COLUMNS, row, strict=True))
    try:
        info = ShotInfo(**{name: _back(told[name], kind) for name, kind in _INFO.items()})
        plain: dict[str, Any] = {
            n: _back(told[n], kind) for n, kind in _MEASURE.items() if n not in ARRAYS
        }
        return Measure(info=info, **(plain | dict(arrays)))
    except (TypeError, ValueError, AttributeError) as error:
        raise DamagedError(str(error)) from None


def pack(values: NDArray[Any]) -> bytes:
    """An array as a zlib-packed .npy file; float32 at half precision where that loses nothing."""
    return zlib.compress(npy(_halved(values)), PACKING)


def npy(values: NDArray[Any]) -> bytes:
    """An array as a .npy file."""
    out = io.BytesIO()
    np.save(out, values, allow_pickle=False)
    return out.getvalue()


def inflated(content: bytes, most_bytes: int) -> bytes:
    """What zlib packed, if that is no larger than it may be.

    Raises
    ------
    DamagedError
        If it is larger, or cut, or nothing of the kind. No more than the limit is unpacked.
    """
    unpacker = zlib.decompressobj()
    try:
        whole = unpacker.decompress(content, most_bytes)
        if not unpacker.eof and unpacker.decompress(unpacker.unconsumed_tail, 1):
            raise DamagedError(f"holds more than {most_bytes / 1e6:.0f} MB")
    except zlib.error as error:
        raise DamagedError(str(error)) from None
    if not unpacker.eof:
        raise DamagedError("cut short")
    return whole


def array_of(plain: bytes) -> NDArray[Any]:
    """The array in a .npy file, one that can be written to.

    Raises
    ------
    DamagedError
        If it is cut, or one that `npy` does not make. Nothing is executed, and no more memory
        is taken than there are bytes.
    """
    try:
        # Parsing the header of each takes longer than all else; a card has few different ones.
        start = 10 + int.from_bytes(plain[8:10], "little")
        dtype, shape, order = _header(plain[:start])
        return np.frombuffer(plain, dtype, offset=start).reshape(shape, order=order).copy(order)
    except (ValueError, OSError, EOFError, SyntaxError, KeyError, TypeError, MemoryError,
            RecursionError) as error:  # fmt: skip
        raise DamagedError(str(error)) from None


def unpack(name: str, content: bytes) -> NDArray[Any]:
    """The array back, one that can be written to.

    Raises
    ------
    DamagedError
        If it is cut or of another type.
    """
    values = array_of(inflated(content, ARRAY_BYTES))
    if values.dtype == np.float16:
        values = values.astype(np.float32)
    if name == "stars" and values.dtype != STAR_DTYPE:
        raise DamagedError("stars of another version")
    return np.asarray(values)


@lru_cache(maxsize=1024)
def _header(begin: bytes) -> tuple[np.dtype[Any], tuple[int, ...], Literal["C", "F"]]:
    """Type, shape and order of the values of a .npy file, of its first bytes.

    Raises
    ------
    ValueError
        If it is none, or one that `pack` does not make.
    """
    content = io.BytesIO(begin)
    if np.lib.format.read_magic(content) != (1, 0):
        raise ValueError("another version of the format")
    try:
        shape, by_columns, dtype = np.lib.format.read_array_header_1_0(content)
    except Exception as error:  # of many classes: it is read as if it were Python's own text
        raise ValueError(f"no header ({type(error).__name__})") from None
    if dtype.hasobject:
        raise ValueError("objects are never kept")
    return dtype, shape, "F" if by_columns else "C"


def digest(*parts: Any) -> bytes:
    """Check sum of an entry together with what it is of, so that two cannot change places."""
    total = hashlib.blake2b(digest_size=16)
    for part in parts:
        content = part if isinstance(part, bytes) else repr(part).encode("utf-8", "surrogatepass")
        total.update(len(content).to_bytes(8, "little") + content)
    return total.digest()


def _fields(record: Any) -> dict[str, Any]:
    return {field.name: getattr(record, field.name) for field in dataclasses.fields(record)}


def _plain(value: Any, kind: Any) -> Any:
    """As SQL has it."""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, str) and _SURROGATE.search(value):
        return value.encode("utf-8", "surrogatepass")  # a file name that is no Unicode
    if kind is float and isinstance(value, int | float):
        return float(value) + 0.0  # a database knows no -0.0
    if kind in _SQL_TYPE and isinstance(value, int | float | str):
        return int(value) if isinstance(value, int) else value
    return json.dumps(value)


def _back(value: Any, kind: Any) -> Any:
    """What `_plain` made of it, back."""
    if kind is float:
        return np.nan if value is None else float(value)
    if value is None:
        return None
    if kind is datetime:
        return datetime.fromisoformat(value)
    if kind is bool:
        return bool(value)
    if kind is str and isinstance(value, bytes):
        return value.decode("utf-8", "surrogatepass")
    if kind in _SQL_TYPE:
        if not isinstance(value, kind):
            raise TypeError(f"{value!r} is no {kind.__name__}")
        return value
    told = json.loads(value)
    return tuple(told) if isinstance(told, list) else told


def _halved(values: NDArray[Any]) -> NDArray[Any]:
    """At half precision, where that loses nothing."""
    if values.dtype != np.float32:
        return values
    with np.errstate(over="ignore", invalid="ignore"):
        half = values.astype(np.float16)
    back = half.astype(np.float32)
    same = np.array_equal(back.view(np.uint32), np.ascontiguousarray(values).view(np.uint32))
    return half if same else values
