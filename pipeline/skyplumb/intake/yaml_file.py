"""YAML that people edit -> a checked pydantic model, or errors that name file, line and key.

Such a file may also lie on the card and be read unasked, so it may be anything: size, depth and
count are bounded before anything is made of it, and what only machines write (tags, aliases,
base-sixty numbers) is not read at all.
"""

from __future__ import annotations

import re
import stat
import unicodedata
from collections.abc import Mapping
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any, TypeVar, get_args

import yaml
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from skyplumb.errors import UserError

M = TypeVar("M", bound=BaseModel)

LARGEST_BYTES = 2_000_000
"""Verdicts by hand for ten thousand frames take a third of it."""
DEEPEST = 20
MOST_EVENTS = 300_000
"""Of the YAML parser: about one a key, value, start and end."""
MOST_MISTAKES = 20
"""Told at once; the rest is counted."""


class SettingsError(UserError):
    """A rules or notes file with a mistake in it; one line for each mistake."""


class Settings(BaseModel):
    """What every model of an edited file has in common: no guesses and no surprises."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("should be one line of plain text")
    return text


Line = Annotated[str, Field(max_length=500), AfterValidator(_one_line)]
"""A text that may stand in a name, a table or a message."""


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):  # type: ignore[misc]
    """PyYAML's safe one, with numbers as everybody writes them: 2:00 is no number."""


_Loader.yaml_implicit_resolvers = {}
for _tag, _pattern, _first in (
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
    ("bool", r"true|True|TRUE|false|False|FALSE", list("tTfF")),
    ("int", r"[-+]?[0-9]{1,18}", list("-+0123456789")),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", list("-+.0123456789")),
    ("float", r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)", list("-+.")),
    (
        "timestamp",
        r"\d{4}-\d\d-\d\d(([Tt]|[ \t]+)\d\d?:\d\d:\d\d(\.\d{1,6})?([ \t]*(Z|[-+]\d\d?(:\d\d)?))?)?",
        list("0123456789"),
    ),
):
    _Loader.add_implicit_resolver(
        f"tag:yaml.org,2002:{_tag}", re.compile(rf"^(?:{_pattern})$", re.ASCII), _first
    )


def _plain_int(loader: Any, node: yaml.ScalarNode) -> int:
    """Base ten whatever the zeros before: 010 is ten."""
    return int(loader.construct_scalar(node))


_Loader.add_constructor("tag:yaml.org,2002:int", _plain_int)


class Source:
    """An edited file as it stands: its data, and the line of each thing in it."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        node, self.data = _parse(path, text)
        self._lines: dict[tuple[int | str, ...], int] = {(): 1}
        if node is not None:
            self._note_lines(node, ())

    def line(self, loc: tuple[int | str, ...]) -> int:
        """Line of the key at `loc`, or of the nearest thing around it that the file has."""
        return next(self._lines[loc[:n]] for n in range(len(loc), -1, -1) if loc[:n] in self._lines)

    def _note_lines(self, node: yaml.Node, loc: tuple[int | str, ...]) -> None:
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                here = (*loc, key.value if isinstance(key.value, str) else "")
                self._lines.setdefault(here, key.start_mark.line + 1)
                self._note_lines(value, here)
        elif isinstance(node, yaml.SequenceNode):
            for number, item in enumerate(node.value):
                self._lines[(*loc, number)] = item.start_mark.line + 1
                self._note_lines(item, (*loc, number))


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
    return load_source(Source(path, text), model, base)


def load_source(source: Source, model: type[M], base: Mapping[str, Any] | None = None) -> M:
    """The same from a file that was parsed already, for who needs its lines as well."""
    if not isinstance(source.data, dict):
        raise SettingsError(f"{source.path}:1: should be a list of 'key: value' lines")
    merged = _merge(base or {}, source.data)
    try:
        return model.model_validate(merged)
    except ValidationError as error:
        found = [
            (source.line(one["loc"]), number, one) for number, one in enumerate(error.errors())
        ]
        found.sort(key=lambda one: one[:2])
        lines = list(
            dict.fromkeys(
                f"{source.path}:{line}: {_in_words(model, one)}"
                for line, _, one in found[: 2 * MOST_MISTAKES]
            )
        )
        if len(found) > MOST_MISTAKES:
            lines = lines[:MOST_MISTAKES]
            lines.append(f"{source.path}: and {len(found) - MOST_MISTAKES} mistakes more")
        raise SettingsError("\n".join(lines)) from None


def read_text(path: Path) -> str:
    """The content of a file someone edited, or the one line that says why not."""
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise SettingsError(f"{path}: is a folder; name the file in it")
        if not stat.S_ISREG(about.st_mode):
            raise SettingsError(f"{path}: not an ordinary file; name another")
        if about.st_size > LARGEST_BYTES:
            raise SettingsError(
                f"{path}: {about.st_size / 1e6:.0f} MB and nothing a person wrote "
                f"(at most {LARGEST_BYTES / 1e6:.0f} MB are read); check the path"
            )
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise SettingsError(f"{path}: {reason}; check the path") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path}: not UTF-8 text; save it as UTF-8") from None


def like(text: str, pattern: str) -> bool:
    """Whether a text fits a pattern with * and ?, capitals or not, accents composed with their
    letters or apart; [ is an ordinary letter."""
    text, pattern = composed(text).casefold(), composed(pattern).casefold()
    return fnmatchcase(text, pattern.replace("[", "[[]"))


def composed(name: str) -> str:
    """A name with each accent and its letter as one character: some disks write them apart."""
    return unicodedata.normalize("NFC", name)


def parse_mapping(path: Path, text: str) -> dict[str, Any]:
    """The plain data of a YAML text that is a mapping."""
    data = Source(path, text).data
    if not isinstance(data, dict):
        raise SettingsError(f"{path}:1: should be a list of 'key: value' lines")
    return data


def _parse(path: Path, text: str) -> tuple[yaml.Node | None, Any]:
    """Node tree and data; syntax errors and doubled keys named by their line."""
    loader = None
    try:
        _refuse_excess(path, text)
        loader = _Loader(text)
        node = loader.get_single_node()
        if node is None:
            return None, {}
        _refuse_doubles(path, node)
        return node, loader.construct_document(node)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise SettingsError(
            f"{path}:{line}: not valid YAML: {error.problem}{_mend(text, line)}"
        ) from None
    except yaml.reader.ReaderError as error:  # a stray control character
        line = text.count("\n", 0, error.position) + 1
        raise SettingsError(f"{path}:{line}: not valid YAML: {error.reason}") from None
    except (ValueError, OverflowError) as error:  # a date such as 2026-02-31
        raise SettingsError(f"{path}: not valid YAML: {error}") from None
    finally:
        if loader is not None:
            loader.dispose()


def _mend(text: str, line: int) -> str:
    """What to do about a syntax error whose cause can be seen in its line."""
    around = text.split("\n", line)[line - 1 : line]
    indent = around[0][: len(around[0]) - len(around[0].lstrip())] if around else ""
    return "; indent with spaces, not with tabs" if "\t" in indent else ""


def _refuse_excess(path: Path, text: str) -> None:
    """Stop at what is too deep or too much, and at what multiplies, before a tree is made of it."""
    depth = 0
    for number, event in enumerate(yaml.parse(text, Loader=_Loader)):
        mistake = ""
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1
        if depth > DEEPEST:
            mistake = f"nested deeper than {DEEPEST}; nothing here needs that"
        elif number > MOST_EVENTS:
            mistake = "more entries than anybody writes; check the path"
        elif isinstance(event, yaml.AliasEvent):
            mistake = f"*{event.anchor}: aliases are not read here; write the value out"
        elif tag := getattr(event, "tag", None):
            mistake = f"{_plain(tag)}: tags are not read here; put a text into quotes"
        if mistake:
            line = event.start_mark.line + 1 if event.start_mark else 1
            raise SettingsError(f"{path}:{line}: {mistake}")


def _refuse_doubles(path: Path, node: yaml.Node) -> None:
    """PyYAML keeps the last of two equal keys without a word; here it is an error."""
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
            _refuse_doubles(path, value)
    elif isinstance(node, yaml.SequenceNode):
        for item in node.value:
            _refuse_doubles(path, item)


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
    *above, last = error["loc"] or ("",)
    # People count entries from one; a number that is no key is no entry's.
    last = str(last) if error["type"] == "invalid_key" else last
    parts = (str(part + 1) if isinstance(part, int) else part for part in (*above, last))
    where = _plain(".".join(parts))
    got = f" (got {_short(error['input'])})"
    message = error["msg"].removeprefix("Input ").removeprefix("Value error, ")
    match error["type"]:
        case "extra_forbidden" | "invalid_key":
            known = _keys_beside(model, error["loc"])
            key = str(error["loc"][-1])
            near = get_close_matches(key[:60], known, n=1, cutoff=0.5)
            if error["type"] == "invalid_key" and key.isdecimal():  # {a: 3,0} is a: 3 and a key 0
                message = "no such key; a number has a point and no comma, such as 3.0"
            else:
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
        case "float_type" | "int_type" if isinstance(error["input"], str):
            message += _number_mend(error["input"])
        case "datetime_parsing" | "datetime_from_date_parsing" | "datetime_type":
            message = f"should be a date with a time, such as {_date_mend(error['input'])}"
        case "too_short" if isinstance(error["input"], str):
            message = f"should have {error['ctx']['min_length']} letters or more"
        case "model_type" | "dict_type":
            message = "should be a list of 'key: value' lines"
        case "tuple_type":
            message = "should be a list of entries that start with '-'"
        case "value_error" if isinstance(error["input"], dict | BaseModel):
            got = ""
    return f"{where + ': ' if where else ''}{message}{got}"


def _number_mend(text: str) -> str:
    """How to write a number that was written in another way."""
    if re.fullmatch(r"\s*[-+]?\d{0,9},\d{1,9}\s*", text):
        return f"; write {text.strip().replace(',', '.')}, with a point"
    if found := re.fullmatch(r"\s*([-+]?)(\d{1,3}):(\d\d)\s*", text):
        hours = int(found[2]) + int(found[3]) / 60
        return f"; write {found[1].replace('+', '')}{hours:g}"
    return ""


def _date_mend(text: object) -> str:
    """A date that was written in another way, as it is to be written; an example else."""
    found = re.match(r"\s*(\d{1,2})[./](\d{1,2})[./](\d{4})(.*)", str(text), re.DOTALL)
    if found and int(found[2]) <= 12:
        clock = re.search(r"\b(\d{1,2}):(\d\d)\b", found[4])
        time = f"{int(clock[1]):02d}:{clock[2]}" if clock else "23:40"
        return f"{found[3]}-{int(found[2]):02d}-{int(found[1]):02d} {time}"
    return "2026-08-14 23:40"


def _short(value: object) -> str:
    """A value as an error shows it."""
    if isinstance(value, dict | list):
        return f"{len(value)} entries"
    text = value if isinstance(value, str) else str(value)
    text = text if len(text) <= 60 else text[:57] + "..."
    return repr(text) if not isinstance(value, int | float | type(None)) else text


def _plain(text: str) -> str:
    """A text fit for a message: one line and no more of it than one reads."""
    shown = "".join(letter if letter.isprintable() else "?" for letter in text[:100])
    return shown if len(text) <= 100 else shown + "..."


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
