"""The rules file: what ships, what an editor may change, and how a mistake is told."""

import json
import os
from pathlib import Path

import pytest

from skyplumb.intake.rules import Ceiling, Floor, Limits, Rules, changes, describe, load_rules
from skyplumb.intake.yaml_file import SettingsError

NAN = float("nan")


def rules_of(folder: Path, text: str) -> Rules:
    path = folder / "rules.yaml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def mistakes(folder: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        rules_of(folder, text)
    return str(caught.value).replace(f"{folder}/", "").splitlines()


def test_every_shipped_rule_says_what_it_is_for_and_where_its_numbers_are_from() -> None:
    rules = load_rules(None)
    for name in Limits.model_fields:
        rule = getattr(rules, name)
        assert rule.why.strip()
        assert rule.source.strip()
        assert rule.unit.strip()


def test_a_trail_as_long_as_the_shipped_relative_limits_lengthens_a_star_as_their_words_say() -> (
    None
):
    # Closed form: a Gaussian of FWHM F has variance F^2 / (8 ln 2), an even trail L adds L^2 / 12.
    rule = load_rules(None).trail_of_fwhm
    eight_ln2 = 5.545177
    for limit, percent in ((rule.keep_up_to, 21), (rule.reject_over, 48)):
        longer = (1 + eight_ln2 * limit**2 / 12) ** 0.5
        assert round(100 * (longer - 1)) == percent
        assert f"{percent}%" in rule.why


def test_an_empty_file_leaves_the_shipped_rules(tmp_path: Path) -> None:
    assert rules_of(tmp_path, "") == load_rules(None)
    assert rules_of(tmp_path, "# nothing yet\n") == load_rules(None)


def test_a_file_changes_only_what_it_names(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, "trail_px: {keep_up_to: 2, reject_over: 3}\n")
    assert (rules.trail_px.keep_up_to, rules.trail_px.reject_over) == (2, 3)
    assert rules.trail_px.why == load_rules(None).trail_px.why
    assert rules.fwhm_of_best == load_rules(None).fwhm_of_best


def test_a_lens_gets_the_last_limits_that_match_its_name_and_focal_length(tmp_path: Path) -> None:
    rules = rules_of(
        tmp_path,
        """
limits:
  - focal_from_mm: 135
    trail_px: {keep_up_to: 2, reject_over: 3}
  - lens: "harrow 200*"
    focal_to_mm: 200
    trail_px: {keep_up_to: 2.5, reject_over: 3.5}
    stars_of_run: {keep_from: 0.7, reject_below: 0.6}
""",
    )
    assert rules.limits_for("Harrow 35 mm", 35).trail_px == rules.trail_px
    assert rules.limits_for("Other", 135).trail_px.keep_up_to == 2
    chosen = rules.limits_for("Harrow 200 mm f/4", 200)
    assert chosen.trail_px.keep_up_to == 2.5
    assert chosen.trail_px.why == rules.trail_px.why
    assert chosen.stars_of_run.reject_below == 0.6
    assert rules.limits_for("Harrow 200 mm f/4", 201).trail_px.keep_up_to == 2


def test_an_unknown_focal_length_is_in_no_range_but_a_name_still_matches(tmp_path: Path) -> None:
    rules = rules_of(
        tmp_path,
        """
limits:
  - focal_to_mm: 500
    trail_px: {keep_up_to: 9, reject_over: 9}
  - lens: "*[old]*"
    doubled_px: {keep_up_to: 9, reject_over: 9}
""",
    )
    assert rules.limits_for("", NAN) == Limits.model_validate(
        {name: getattr(rules, name) for name in Limits.model_fields}
    )
    assert rules.limits_for("Wren [OLD] 50", NAN).doubled_px.keep_up_to == 9


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "# mine\ntrail_px:\n  keep_up_to: 3\n",
            "rules.yaml:2: trail_px.reject_over: should be keep_up_to (3) or more (got 2.5)",
        ),
        (
            "stars_of_run:\n  reject_below: 0.6\n",
            "rules.yaml:2: stars_of_run.reject_below: should be keep_from (0.5) or less (got 0.6)",
        ),
        (
            "trail_px:\n  keep_upto: 3\n",
            "rules.yaml:2: trail_px.keep_upto: no such key; did you mean keep_up_to?",
        ),
        (
            "\ntrial_px: {keep_up_to: 3}\n",
            "rules.yaml:2: trial_px: no such key; did you mean trail_px?",
        ),
        (
            "limits:\n  - lens: a\n  - lenz: b\n",
            "rules.yaml:3: limits.2.lenz: no such key; did you mean lens?",
        ),
        (
            "limits:\n  - trail_px:\n      keep_up_to: -1\n      reject_over: 2\n",
            "rules.yaml:3: limits.1.trail_px.keep_up_to: should be 0 or more (got -1)",
        ),
        (
            "trail_px: {keep_up_to: wide}\n",
            "rules.yaml:1: trail_px.keep_up_to: should be a valid number (got 'wide')",
        ),
        (
            "trail_px: {keep_up_to: .nan}\n",
            "rules.yaml:1: trail_px.keep_up_to: should be a finite number (got nan)",
        ),
        (
            "min_stars: {at_least: 2.5}\n",
            "rules.yaml:1: min_stars.at_least: should be a valid integer (got 2.5)",
        ),
        ("trail_px: 3\n", "rules.yaml:1: trail_px: should be a list of 'key: value' lines (got 3)"),
        ("- 3\n", "rules.yaml:1: should be a list of 'key: value' lines"),
        (
            "trail_px: {keep_up_to: 1}\n\ntrail_px: {keep_up_to: 2}\n",
            "rules.yaml:3: trail_px: stands here a second time (first in line 1); remove one",
        ),
    ],
)
def test_a_mistake_is_told_with_line_key_and_mend(tmp_path: Path, text: str, expected: str) -> None:
    assert mistakes(tmp_path, text) == [expected]


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines(tmp_path: Path) -> None:
    told = mistakes(tmp_path, "sky: 1\nextinction_mag: no\ntrail: 2\n")
    assert [line.split(":")[1] for line in told] == ["1", "2", "3"]


@pytest.mark.parametrize(
    ("text", "line"), [("a: 1\nb: [\n", 3), ("a: 1\nb: \x01\n", 2), ("a: b: c\n", 1)]
)
def test_text_that_is_no_yaml_is_told_with_its_line(tmp_path: Path, text: str, line: int) -> None:
    (told,) = mistakes(tmp_path, text)
    assert told.startswith(f"rules.yaml:{line}: not valid YAML: ")


BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{after}: &{after} [{','.join([f'*{before}'] * 9)}]\n"
    for before, after in zip("abcdefgh", "bcdefghi", strict=True)
)
"""Nine references nine deep: 9^9 entries from some 350 bytes."""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (BOMB, "rules.yaml:2: *a: aliases are not read here; write the value out"),
        ("limits: &a [*a]\n", "rules.yaml:1: *a: aliases are not read here; write the value out"),
        ("limits: " + "[" * 900 + "]" * 900, "rules.yaml:1: nested deeper than 20"),
        ("limits: " + "[" * 5000 + "]" * 5000, "rules.yaml:1: "),
        ("limits: " + "{a: " * 900 + "}" * 900, "rules.yaml:1: nested deeper than 20"),
        ("- " * 400 + "x", "rules.yaml:1: nested deeper than 20"),
        ("trail_px: !!bool x\n", "rules.yaml:1: tag:yaml.org,2002:bool: tags are not read here"),
        ("a: !!timestamp x\n", "rules.yaml:1: tag:yaml.org,2002:timestamp: tags are not read"),
        ("a: !!python/object:os.system {}\n", "rules.yaml:1: tag:yaml.org,2002:python/object"),
        ("a: [" + "1," * 400_000 + "]\n", "rules.yaml:1: more entries than anybody writes"),
    ],
    ids=[
        "bomb",
        "itself",
        "lists",
        "deep lists",
        "maps",
        "dashes",
        "bool",
        "timestamp",
        "object",
        "many",
    ],
)
def test_what_only_machines_write_is_refused_with_one_line(
    tmp_path: Path, text: str, told: str
) -> None:
    (line,) = mistakes(tmp_path, text)
    assert line.startswith(told)


def test_a_hundred_megabytes_are_not_even_read(tmp_path: Path) -> None:
    with (tmp_path / "rules.yaml").open("wb") as stream:
        stream.truncate(100_000_000)  # sparse: takes no room
    with pytest.raises(SettingsError, match=r"rules\.yaml: 100 MB and nothing a person wrote"):
        load_rules(tmp_path / "rules.yaml")


@pytest.mark.broad
def test_twenty_thousand_unknown_keys_are_told_by_the_first_and_their_number(
    tmp_path: Path,
) -> None:
    told = mistakes(tmp_path, "".join(f"key{n}: 1\n" for n in range(20_000)))
    assert len(told) == 21
    assert told[0] == (
        f"rules.yaml:1: key0: no such key; there are {', '.join(Rules.model_fields)}"
    )
    assert told[-1] == "rules.yaml: and 19980 mistakes more"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("190:20:30", "should be a valid number (got '190:20:30')"),
        ("9" * 400, "should be a finite number (got inf)"),
        ("1e400", "should be a finite number (got inf)"),
        ("3,0", "should be a valid number; write 3.0, with a point (got '3,0')"),
        ("0x10", "should be a valid number (got '0x10')"),
        ('"a\\nb"', "should be a valid number (got 'a\\nb')"),
    ],
)
def test_a_number_that_is_none_is_told_as_it_stands(tmp_path: Path, value: str, words: str) -> None:
    assert mistakes(tmp_path, f"trail_px:\n  keep_up_to: {value}\n") == [
        f"rules.yaml:2: trail_px.keep_up_to: {words}"
    ]


def test_numbers_are_in_base_ten_as_everybody_writes_them(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, "trail_px: {keep_up_to: 1e0, reject_over: 010}\n")
    assert (rules.trail_px.keep_up_to, rules.trail_px.reject_over) == (1, 10)


def test_a_comma_in_braces_and_a_tab_are_told_with_their_mend(tmp_path: Path) -> None:
    assert mistakes(tmp_path, "trail_px: {keep_up_to: 1,5}\n") == [
        "rules.yaml:1: trail_px.5: no such key; a number has a point and no comma, such as 3.0"
    ]
    (told,) = mistakes(tmp_path, "trail_px:\n\tkeep_up_to: 1\n")
    assert told.startswith("rules.yaml:2: not valid YAML: ")
    assert told.endswith("; indent with spaces, not with tabs")


def test_what_is_no_file_to_read_is_told_by_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r": is a folder; name the file in it"):
        load_rules(tmp_path)
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(SettingsError, match=r"pipe\.yaml: not an ordinary file"):
        load_rules(tmp_path / "pipe.yaml")


def test_a_file_that_is_not_there_or_not_text_is_told_by_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"gone\.yaml: No such file"):
        load_rules(tmp_path / "gone.yaml")
    (tmp_path / "raw.yaml").write_bytes(b"\xff\xfe\x00a")
    with pytest.raises(SettingsError, match=r"raw\.yaml: not UTF-8"):
        load_rules(tmp_path / "raw.yaml")


def test_the_description_names_every_rule_and_the_limits_of_lenses(tmp_path: Path) -> None:
    rules = rules_of(
        tmp_path,
        "limits:\n  - lens: Harrow*\n    focal_from_mm: 50\n"
        "    trail_px: {keep_up_to: 2, reject_over: 3}\n"
        "    stars_of_run: {keep_from: 0.7, reject_below: 0.6}\n",
    )
    text = describe(rules)
    for name in Limits.model_fields:
        assert f"{name}: " in text
    assert "lens Harrow*, from 50 mm:" in text
    assert "trail_px: keep up to 2, reject over 3" in text
    assert "stars_of_run: keep from 0.7, reject below 0.6" in text


def test_every_rule_but_the_star_count_can_be_set_by_lens() -> None:
    from skyplumb.intake.rules import LensLimits

    by_lens = {
        name
        for name, about in LensLimits.model_fields.items()
        if about.annotation in (Ceiling | None, Floor | None)
    }
    assert by_lens == set(Limits.model_fields) - {"min_stars"}


def test_what_differs_from_the_shipped_rules_is_a_file_that_says_the_same(tmp_path: Path) -> None:
    assert changes(load_rules(None)) == {}
    path = tmp_path / "rules.yaml"
    path.write_text(
        "min_stars: {at_least: 7}\n"
        "trail_px: {keep_up_to: 1.5, reject_over: 4, why: since the seeing was bad}\n"
        "limits:\n  - lens: Old*\n    fwhm_of_best: {keep_up_to: 1.4, reject_over: 1.7}\n",
        encoding="utf-8",
    )
    rules = load_rules(path)
    found = changes(rules)
    assert found["trail_px"] == {"reject_over": 4.0, "why": "since the seeing was bad"}
    path.write_text(json.dumps(found), encoding="utf-8")  # JSON is YAML as well
    assert load_rules(path) == rules
