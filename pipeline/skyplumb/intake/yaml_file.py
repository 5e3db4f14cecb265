"""YAML that people edit -> a checked pydantic model, or errors that name file, line and key."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, TypeVar, get_args

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from skyplumb.records import UserError

M = TypeVar("M", bound=BaseModel)


class SettingsError(UserError):
    """A rules or notes file with a mistake in it; one line for each mistake."""


class Settings(BaseModel):
    """What every model of an edited file has in common: no guesses and no surprises."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def load_yaml_model(
    path: Path, text: str, model: type[M], base: Mapping[str, Any] | None = None
) -> M:
    """Read a YAML text into a model.

    Parameters
    ----------
    path : Path
        Named in errors only.
    text : str
        The file's content. Empty means an empty mapping.
    model : type of BaseModel
    base : mapping, optional
        What holds where the text is silent; nested mappings are merged, all else is replaced.

    Raises
    ------
    SettingsError
        One line for each mistake: ``rules.yaml:7: trail_px.reject_over: should be ... (got ...)``.
    """
    node, data = _parse(path, text)
    if not isinstance(data, dict):
        raise SettingsError(f"{path}:1: should be a list of 'key: value' lines")
    merged = _merge(base or {}, data)
    try:
        return model.model_validate(merged)
    except ValidationError as error:
        mistakes = {
            (_line_number(node, one["loc"]), _in_words(model, one)) for one in error.errors()
        }
        lines = [f"{path}:{line}: {words}" for line, words in sorted(mistakes)]
        raise SettingsError("\n".join(lines)) from None


def read_text(path: Path) -> str:
    """The content of a file someone edited, or the one line that says why not."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise SettingsError(f"{path}: {reason}; check the path") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: not UTF-8 text; save it as UTF-8") from None


def like(text: str, pattern: str) -> bool:
    """Whether a text fits a pattern with * and ?, capitals or not; [ is an ordinary letter."""
    return fnmatchcase(text.casefold(), pattern.casefold().replace("[", "[[]"))


def line_at(path: Path, text: str, loc: tuple[int | str, ...]) -> int:
    """Line of the key at `loc` in a YAML text, or of the nearest thing around it."""
    return _line_number(_parse(path, text)[0], loc)


def parse_mapping(path: Path, text: str) -> dict[str, Any]:
    """The plain data of a YAML text that is a mapping."""
    data = _parse(path, text)[1]
    if not isinstance(data, dict):
        raise SettingsError(f"{path}:1: should be a list of 'key: value' lines")
    return data


def _parse(path: Path, text: str) -> tuple[yaml.Node | None, Any]:
    """Node tree and data; syntax errors and doubled keys named by their line."""
    loader = None
    try:
        loader = yaml.SafeLoader(text)
        node = loader.get_single_node()
        if node is None:
            return None, {}
        _refuse_doubles(path, node, set())
        return node, loader.construct_document(node)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise SettingsError(f"{path}:{line}: not valid YAML: {error.problem}") from None
    except yaml.reader.ReaderError as error:  # a stray control character
        line = text.count("\n", 0, error.position) + 1
        raise SettingsError(f"{path}:{line}: not valid YAML: {error.reason}") from None
    except ValueError as error:  # a date such as 2026-02-31
        raise SettingsError(f"{path}: not valid YAML: {error}") from None
    finally:
        if loader is not None:
            loader.dispose()


def _refuse_doubles(path: Path, node: yaml.Node, seen: set[int]) -> None:
    """PyYAML keeps the last of two equal keys without a word; here it is an error."""
    if id(node) in seen:  # an anchor met again, perhaps inside itself
        return
    seen.add(id(node))
    if isinstance(node, yaml.MappingNode):
        first: dict[str, int] = {}
        for key, value in node.value:
            line = key.start_mark.line + 1
            if isinstance(key, yaml.ScalarNode):
                if key.value in first:
                    raise SettingsError(
                        f"{path}:{line}: {key.value}: stands here a second time "
                        f"(first in line {first[key.value]}); remove one"
                    )
                first[key.value] = line
            _refuse_doubles(path, value, seen)
    elif isinstance(node, yaml.SequenceNode):
        for item in node.value:
            _refuse_doubles(path, item, seen)


def _merge(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """`base` with everything that `over` says instead."""
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        if isinstance(below, Mapping) and isinstance(value, Mapping):
            merged[key] = _merge(below, value)
        else:
            merged[key] = value
    return merged


def _in_words(model: type[BaseModel], error: ErrorDetails) -> str:
    """One validation error as key, what it should be and what it is."""
    where = ".".join(str(part) for part in error["loc"])
    got = f" (got {_short(error['input'])})"
    message = error["msg"].removeprefix("Input ").removeprefix("Value error, ")
    match error["type"]:
        case "extra_forbidden":
            known = _keys_beside(model, error["loc"])
            near = get_close_matches(str(error["loc"][-1]), known, n=1, cutoff=0.5)
            message = "no such key; " + (
                f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}"
            )
            got = ""
        case "missing":
            message, got = "is missing; add it", ""
        case "greater_than_equal" | "less_than_equal":
            ((side, limit),) = error["ctx"].items()
            message = f"should be {limit:g} or {'more' if side == 'ge' else 'less'}"
        case "greater_than" | "less_than":
            ((side, limit),) = error["ctx"].items()
            message = f"should be {'more' if side == 'gt' else 'less'} than {limit:g}"
        case "model_type" | "dict_type":
            message = "should be a list of 'key: value' lines"
        case "tuple_type":
            message = "should be a list of entries that start with '-'"
        case "value_error" if isinstance(error["input"], dict | BaseModel):
            got = ""
    return f"{where + ': ' if where else ''}{message}{got}"


def _short(value: object) -> str:
    """A value as an error shows it."""
    text = (
        repr(str(value)) if not isinstance(value, str | int | float | type(None)) else repr(value)
    )
    return text if len(text) <= 60 else text[:57] + "..."


def _line_number(node: yaml.Node | None, loc: tuple[int | str, ...]) -> int:
    """Line of the key at `loc`, or of the nearest thing around it that the file has."""
    line = 1
    for part in loc:
        if isinstance(node, yaml.MappingNode):
            pairs = {key.value: (key, value) for key, value in node.value}
            if part not in pairs:
                return line
            key, node = pairs[part]
            line = key.start_mark.line + 1
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int):
            node = node.value[part]
            line = node.start_mark.line + 1
        else:
            return line
    return line


def _keys_beside(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys a model knows where an unknown one was met."""
    for part in loc[:-1]:
        if isinstance(part, str) and part in model.model_fields:
            model = next(iter(_models_in(model.model_fields[part].annotation)), model)
    return list(model.model_fields)


def _models_in(annotation: object) -> list[type[BaseModel]]:
    """The models named in a type such as ``tuple[Model, ...]`` or ``Model | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models_in(part)]
