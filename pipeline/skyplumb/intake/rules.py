"""The rules file -> checked limits, and what each of them is for.

A rule has two limits: frames up to the first are kept, frames past the second are
rejected, frames between are doubtful. A file that someone edits need only hold what
differs from the shipped one.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationInfo, field_validator

from skyplumb._data import shipped
from skyplumb.intake.yaml_file import Settings, like, load_yaml_model, parse_mapping, read_text


class Ceiling(Settings):
    """Two limits for a thing of which less is better."""

    keep_up_to: float = Field(ge=0)
    """At or below this a frame is kept."""
    reject_over: float = Field(ge=0)
    """Above this it is rejected."""

    @field_validator("reject_over")
    @classmethod
    def _in_order(cls, value: float, info: ValidationInfo) -> float:
        keep = info.data.get("keep_up_to", -math.inf)
        if value < keep:
            raise ValueError(f"should be keep_up_to ({keep:g}) or more")
        return value


class Floor(Settings):
    """Two limits for a thing of which more is better."""

    keep_from: float = Field(ge=0)
    """At or above this a frame is kept."""
    reject_below: float = Field(ge=0)
    """Below this it is rejected."""

    @field_validator("reject_below")
    @classmethod
    def _in_order(cls, value: float, info: ValidationInfo) -> float:
        keep = info.data.get("keep_from", math.inf)
        if value > keep:
            raise ValueError(f"should be keep_from ({keep:g}) or less")
        return value


class Worded(Settings):
    """What a rule says of itself."""

    unit: str
    why: str = Field(min_length=10)
    """What the rule is for."""
    source: str = Field(min_length=3)
    """Where its numbers are from."""


class CeilingRule(Ceiling, Worded):
    """A rule with an upper limit."""


class FloorRule(Floor, Worded):
    """A rule with a lower limit."""


class CountRule(Worded):
    """A rule with one whole number."""

    at_least: int = Field(ge=1)


class Limits(Settings):
    """Every rule, as it holds for one lens."""

    min_stars: CountRule
    """Measured stars a frame must have to be judged by their shape."""
    trail_px: CeilingRule
    """Length of the uniform straight trail, px."""
    trail_of_fwhm: CeilingRule
    """The same, as a part of the run's best FWHM."""
    ellipticity: CeilingRule
    """1 - b/a, only where no trail could be told from the lens's own PSF."""
    doubled_px: CeilingRule
    """Separation of doubled stars, px."""
    fwhm_of_best: CeilingRule
    """FWHM over the best that is known of the lens."""
    fwhm_px: CeilingRule
    """FWHM of a run's sharpest frames where nothing is known of the lens, px."""
    stars_of_run: FloorRule
    """Star count over that of the run's fullest frames."""
    extinction_mag: CeilingRule
    """Star zero point below the run's clearest frames or the night's clearest fields, mag."""
    sky_of_darkest: CeilingRule
    """Sky level over the run's darkest."""


class LensLimits(Settings):
    """Other limits for some lenses. All that is given to match by must match."""

    lens: str = ""
    """Name pattern with * and ?, capitals or not."""
    focal_from_mm: float | None = Field(default=None, gt=0)
    focal_to_mm: float | None = Field(default=None, gt=0)
    """True focal length, both ends included."""
    trail_px: Ceiling | None = None
    trail_of_fwhm: Ceiling | None = None
    ellipticity: Ceiling | None = None
    doubled_px: Ceiling | None = None
    fwhm_of_best: Ceiling | None = None
    fwhm_px: Ceiling | None = None
    stars_of_run: Floor | None = None
    extinction_mag: Ceiling | None = None
    sky_of_darkest: Ceiling | None = None

    def fits(self, lens: str, focal_mm: float) -> bool:
        """Whether they hold for a lens; a focal length that is not known (NaN) is in no range."""
        low = self.focal_from_mm if self.focal_from_mm is not None else -math.inf
        high = self.focal_to_mm if self.focal_to_mm is not None else math.inf
        asked = self.focal_from_mm is not None or self.focal_to_mm is not None
        named = not self.lens or like(lens, self.lens)
        return named and (not asked or low <= focal_mm <= high)


class Rules(Limits):
    """The whole rules file."""

    limits: Annotated[tuple[LensLimits, ...], Field(strict=False)] = ()

    def limits_for(self, lens: str, focal_mm: float) -> Limits:
        """The rules for a lens: the general ones, then each matching entry, the last one winning.

        Parameters
        ----------
        lens : str
            Its name; empty where unknown.
        focal_mm : float
            NaN where unknown.
        """
        held: dict[str, Worded] = {name: getattr(self, name) for name in Limits.model_fields}
        for entry in self.limits:
            if not entry.fits(lens, focal_mm):
                continue
            for name, rule in held.items():
                other = getattr(entry, name, None)
                if isinstance(other, Ceiling | Floor):
                    held[name] = rule.model_copy(update=other.model_dump())
        return Limits.model_validate(held)


def load_rules(path: Path | None) -> Rules:
    """The rules of a file laid over the shipped ones; the shipped ones alone for None.

    Raises
    ------
    SettingsError
        One line for each mistake, with file, line and key.
    """
    text = shipped_text()
    shipped_path = Path("rules.yaml")
    if path is None:
        return load_yaml_model(shipped_path, text, Rules)
    return load_yaml_model(path, read_text(path), Rules, parse_mapping(shipped_path, text))


def changes(rules: Rules) -> dict[str, Any]:
    """What a rules file must hold to say the same: all that differs from the shipped one."""
    told, ours = rules.model_dump(exclude_none=True), load_rules(None).model_dump()
    found: dict[str, Any] = {}
    for name in Limits.model_fields:
        other = {key: value for key, value in told[name].items() if value != ours[name][key]}
        if other:
            found[name] = other
    if told["limits"]:
        found["limits"] = list(told["limits"])
    return found


def shipped_text() -> str:
    """The shipped rules as they stand in their file, comments included."""
    return (shipped("config") / "rules.yaml").read_text(encoding="utf-8")


def describe(rules: Rules) -> str:
    """Every rule in words, for people."""
    lines = []
    for name in Limits.model_fields:
        rule = getattr(rules, name)
        lines += [
            f"{name}: {_limits_in_words(rule)}",
            f"    {' '.join(rule.why.split())}",
            f"    Source: {' '.join(rule.source.split())}",
            "",
        ]
    lines.append("limits by lens: " + ("" if rules.limits else "none"))
    for entry in rules.limits:
        lines.append(f"    {_match_in_words(entry)}:")
        lines += [
            f"        {name}: {_limits_in_words(other)}"
            for name in Limits.model_fields
            if isinstance(other := getattr(entry, name, None), Ceiling | Floor)
        ]
    return "\n".join(lines) + "\n"


def _limits_in_words(rule: Settings) -> str:
    """The numbers of a rule as a phrase."""
    unit = f" {rule.unit}" if isinstance(rule, Worded) and rule.unit else ""
    match rule:
        case Ceiling(keep_up_to=keep, reject_over=reject):
            return f"keep up to {keep:g}{unit}, reject over {reject:g}{unit}"
        case Floor(keep_from=keep, reject_below=reject):
            return f"keep from {keep:g}{unit}, reject below {reject:g}{unit}"
        case CountRule(at_least=count):
            return f"at least {count}{unit}"
    raise TypeError(type(rule).__name__)


def _match_in_words(entry: LensLimits) -> str:
    """Which lenses an entry is for."""
    parts = [f"lens {entry.lens}"] if entry.lens else []
    if entry.focal_from_mm is not None:
        parts.append(f"from {entry.focal_from_mm:g} mm")
    if entry.focal_to_mm is not None:
        parts.append(f"to {entry.focal_to_mm:g} mm")
    return ", ".join(parts) or "every lens"
