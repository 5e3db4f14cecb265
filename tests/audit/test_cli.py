"""The commands: what they print, where, and with which exit code."""

from __future__ import annotations

import ast
import contextlib
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
import typer
import yaml

from skyplumb._data import shipped
from skyplumb.cli import app
from skyplumb.commands.demo import DEMO_LIBRARIES
from skyplumb.demo import Body, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.intake.notes import Notes, read_notes
from smallcard import MOOR, SKYPLUMB, Finished, measures_kept

Command = Callable[..., Finished]

MODULE_OF = {"pillow": "PIL", "pyerfa": "erfa", "pyyaml": "yaml", "tetra3rs": "tetra3rs"}
"""Names under which packages are imported, where they are not the packages' own."""
EXTRA_OF = {"/demo/": "demo", "/measure/cluster.py": "cluster"}
"""What may import the libraries of an extra."""


# Help


def parameters() -> list[tuple[str, object]]:
    """Every parameter of every command, but --help itself."""
    group = typer.main.get_command(app)
    return [
        (f"{name} {parameter.name}", parameter)
        for name, command in group.commands.items()  # type: ignore[attr-defined]
        for parameter in command.params
        if parameter.name != "help"
    ]


@pytest.mark.parametrize(("name", "parameter"), parameters(), ids=[n for n, _ in parameters()])
def test_every_option_says_what_it_is_and_what_holds_without_it(
    name: str, parameter: object
) -> None:
    assert parameter.help.endswith(".")  # type: ignore[attr-defined]
    flag = getattr(parameter, "is_flag", False)
    told = parameter.required or flag or parameter.show_default  # type: ignore[attr-defined]
    assert told, "no default is shown"


def helps() -> dict[str, str]:
    """What --help prints of each command, as wide as need be."""
    group = typer.main.get_command(app)
    return {
        name: command.get_help(command.make_context(name, [], resilient_parsing=True))
        for name, command in group.commands.items()  # type: ignore[attr-defined]
    }


@pytest.mark.parametrize(("name", "text"), helps().items(), ids=helps())
def test_every_command_says_how_it_is_called_and_how_it_may_end(name: str, text: str) -> None:
    examples = re.findall(r"^ +(skyplumb .+)$", text.partition("Examples:")[2], re.M)
    assert examples
    own = re.findall(r"--[a-z-]+", text.partition("Examples:")[0])
    for words in map(str.split, examples):
        assert words[1] == name
        assert {word for word in words if word.startswith("--")} <= set(own)
    codes = text.partition("Exit codes:")[2]
    assert "0   done" in codes and "2   a mistake" in codes
    # What an option takes is a word of the field, not a type.
    assert not re.search(r"^ +--.*<(?:path|str|int|float|list)", text, re.M)


_LOADED = """
import sys
from skyplumb.__main__ import main
try:
    main()
finally:
    print("loaded", *(name for name in {heavy!r} if name in sys.modules))
"""


def loaded(heavy: tuple[str, ...], *words: object) -> set[str]:
    """Which of these libraries a command has loaded by its end."""
    done = subprocess.run(
        [sys.executable, "-c", _LOADED.format(heavy=heavy), *map(str, words)],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    return set(done.stdout.splitlines()[-1].split()[1:])


def test_help_waits_for_nothing_it_does_not_need() -> None:
    assert loaded(("typer", "numpy", "pandas", "yaml"), "audit", "--help") == {"typer"}


@pytest.mark.slow
def test_a_changed_rule_waits_for_no_library_that_measures_or_calibrates(
    small_card: Path, continued: Path, tmp_path: Path
) -> None:
    heavy = ("numpy", "rawpy", "astropy", "scipy", "sep", "tetra3rs", "exiv2", "statsmodels")
    strict = tmp_path / "strict.yaml"
    strict.write_text("trail_px: {keep_up_to: 0.1, reject_over: 0.2}\n", encoding="utf-8")
    assert loaded(heavy, "audit", small_card, "--out", continued, "--rules", strict) == {"numpy"}


def test_help_shows_units_and_defaults(skyplumb: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "300")
    monkeypatch.setenv("TERMINAL_WIDTH", "300")
    done = skyplumb("audit", "--help")
    words = " ".join(done.stdout.split())
    assert done.code == 0
    for option in ("--out", "--rules", "--notes", "--jobs", "--fresh", "--link-into", "--xmp"):
        assert option in words
    assert "--quiet" in words
    assert "0 for one per core" in words
    assert "shipped" in words
    assert "night-notes.yaml on or beside the card" in words


@pytest.mark.parametrize("name", ["audit", "check", "watch", "tally", "plan", "rules", "notes"])
def test_help_tells_arguments_by_their_names_alone(skyplumb: Command, name: str) -> None:
    told = skyplumb(name, "-h").stdout
    arguments = told[told.index("Arguments:") : told.index("Options:")]
    assert arguments.split()[1].isupper()
    assert "<" not in arguments
    assert "ath" not in arguments


def test_readme_names_every_command_and_option_and_no_other() -> None:
    readme = (shipped("config").parent / "README.md").read_text("utf-8")  # type: ignore[attr-defined]
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    told = set(re.findall(r"skyplumb ([a-z]+)", readme))
    assert set(commands) <= told
    offered = {
        name for command in commands.values() for p in command.params for name in p.opts
        if name.startswith("--")
    } | {name for p in typer.main.get_command(app).params for name in p.opts}  # fmt: skip
    # A name may stand in a fence, between backticks, or be one of another tool's.
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", readme)) - {"--help"}
    assert offered - {"--help"} == named


def test_every_usage_line_of_readme_is_that_of_its_command() -> None:
    readme = (shipped("config").parent / "README.md").read_text("utf-8")  # type: ignore[attr-defined]
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    lines = dict(re.findall(r"^\| `skyplumb ([a-z]+)[^`]*` \| [^|]+ \| (.+) \|$", readme, re.M))
    assert set(lines) == set(commands)
    for name, options in lines.items():
        own = {o for p in commands[name].params for o in p.opts if o.startswith("--")}
        assert set(re.findall(r"--[a-z-]+", options)) == own - {"--help"}, name


@pytest.mark.parametrize("library", DEMO_LIBRARIES)
def test_a_demo_without_its_extra_is_one_line_with_the_mend(
    skyplumb: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str
) -> None:
    for name in [n for n in sys.modules if n.startswith("skyplumb.demo")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, library, None)  # as if it were not installed
    done = skyplumb("demo", "--out", tmp_path / "card")
    assert (done.code, done.stdout) == (2, "")
    assert "pip install 'skyplumb[demo]'" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.slow
def test_all_that_is_imported_is_declared_and_the_demo_alone_needs_its_extra() -> None:
    root = shipped("config").parent  # type: ignore[attr-defined]
    told = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]

    def names(entries: list[str]) -> set[str]:
        plain = {re.split(r"[<>=\[]", entry)[0].replace("-", "_") for entry in entries}
        return {MODULE_OF.get(name, name) for name in plain}

    always = names(told["dependencies"])
    extras = {extra: names(entries) for extra, entries in told["optional-dependencies"].items()}
    for path in sorted((root / "pipeline" / "skyplumb").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        nodes = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
        found = {
            name.partition(".")[0]
            for node in nodes
            if not getattr(node, "level", 0)
            for name in (
                [node.module or ""] if isinstance(node, ast.ImportFrom)
                else [alias.name for alias in node.names]
            )
        } - sys.stdlib_module_names - {"skyplumb"}  # fmt: skip
        extra = next((e for part, e in EXTRA_OF.items() if part in path.as_posix()), "")
        assert found <= always | extras.get(extra, set()), path


# Exit codes


@pytest.mark.parametrize(
    "words", [["audit"], ["audit", "card", "--out", "o", "--jobs", "-1"], ["no-such-command"]]
)
def test_bad_usage_is_exit_code_two(skyplumb: Command, words: list[str]) -> None:
    done = skyplumb(*words)
    assert done.code == 2
    assert done.stderr


def test_no_such_card_is_exit_code_two(skyplumb: Command, tmp_path: Path) -> None:
    done = skyplumb("audit", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert done.code == 2
    assert done.stderr == f"{tmp_path / 'nowhere'}: no such folder; check the path of the card\n"
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_a_card_without_pictures_is_exit_code_one(skyplumb: Command, tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "readme.txt").touch()
    done = skyplumb("audit", tmp_path / "card", "--out", tmp_path / "out")
    assert done.code == 1
    assert str(tmp_path / "card") in done.stderr
    assert "holds no RAW, FITS" in done.stderr


def test_a_card_without_one_light_frame_is_exit_code_one_and_has_its_rows(
    skyplumb: Command, small_card: Path, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    shutil.copy2(small_card / "dunkel" / "MIST_0012.dng", card)
    shutil.copy2(small_card / MOOR / "MIST_0001.jpg", card / "lonely.jpg")
    (card / "broken.dng").touch()
    done = skyplumb("audit", card, "--out", tmp_path / "out", "--quiet")
    assert done.code == 1
    assert done.stderr == f"{card}: no light frame could be audited; see the kinds in frames.csv\n"
    assert {file: row["kind"] for file, row in done.rows.items()} == {
        "MIST_0012.dng": "dark",
        "broken.dng": "unreadable",
        "lonely.jpg": "unsupported",
    }
    assert [path for path in done.files if path.endswith("report.html")]


def test_a_typo_in_the_rules_names_file_line_and_key(
    skyplumb: Command, small_card: Path, tmp_path: Path
) -> None:
    rules = tmp_path / "mine.yaml"
    rules.write_text("# mine\ntrail_px:\n  keep_upto: 2.0\n", encoding="utf-8")
    for done in (
        skyplumb("rules", rules),
        skyplumb("audit", small_card, "--out", tmp_path / "out", "--rules", rules),
    ):
        assert done.code == 2
        assert done.stdout == ""
        assert (
            done.stderr == f"{rules}:3: trail_px.keep_upto: no such key; did you mean keep_up_to?\n"
        )
    assert not (tmp_path / "out").exists()


def test_a_typo_in_the_notes_names_file_line_and_key(
    skyplumb: Command, small_card: Path, tmp_path: Path
) -> None:
    notes = tmp_path / "mine.yaml"
    notes.write_text("site:\n  latitude_deg: 47.2\n  longitude: 11.8\n", encoding="utf-8")
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--notes", notes)
    assert done.code == 2
    assert f"{notes}:3: site.longitude: no such key; did you mean longitude_deg?" in done.stderr
    assert not (tmp_path / "out").exists()


def test_unreadable_files_are_rows_and_not_failures(audited: Finished) -> None:
    assert "unreadable" in {row["kind"] for row in audited.rows.values()}
    assert audited.code == 0


@pytest.mark.slow
def test_stopped_by_hand_it_says_how_to_go_on(small_card: Path, tmp_path: Path) -> None:
    running = subprocess.Popen(
        [*SKYPLUMB, "audit", str(small_card), "--out", str(tmp_path), "--jobs", "1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 60
    while not measures_kept(tmp_path) and time.monotonic() < deadline:
        time.sleep(0.005)
    running.send_signal(signal.SIGINT)
    _, stderr = running.communicate(timeout=60)
    assert running.returncode == 130  # 128 + SIGINT, the shells' convention
    assert stderr.splitlines()[-1] == "stopped; call it again to go on where it was"
    assert "Traceback" not in stderr


# Saying and not saying


def test_quiet_prints_nothing(skyplumb: Command, small_card: Path, continued: Path) -> None:
    with contextlib.closing(sqlite3.connect(continued / ".skyplumb" / "measures.sqlite")) as db, db:
        db.execute("DELETE FROM shots WHERE file LIKE '%0001.dng'")  # so that one is measured again
    done = skyplumb("audit", small_card, "--out", continued, "--quiet")
    assert (done.code, done.stdout, done.stderr) == (0, "", "")


def test_off_a_terminal_progress_is_plain_lines_on_stderr(audited: Finished) -> None:
    lines = audited.stderr.splitlines()
    told = r"(measured \d+ of 16 frames|judged \d+ of 1 session) \(\d+%\), .+ left"
    assert all(re.fullmatch(told, line) for line in [*lines[:-2], lines[-1]]), audited.stderr
    assert lines[-3].startswith("measured 16 of 16 frames (100%)")
    assert lines[-2] == "judging 1 session"
    assert lines[-1].startswith("judged 1 of 1 session (100%)")


# The other commands


def test_rules_prints_the_shipped_file_which_is_a_rules_file(
    skyplumb: Command, tmp_path: Path
) -> None:
    done = skyplumb("rules")
    assert done.code == 0
    assert done.stdout == (shipped("config") / "rules.yaml").read_text("utf-8")
    copy = tmp_path / "copy.yaml"
    copy.write_text(done.stdout, encoding="utf-8")
    assert skyplumb("rules", copy).code == 0


def test_rules_with_a_file_shows_what_will_hold(skyplumb: Command, tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text("trail_px: {keep_up_to: 2.25, reject_over: 4}\n", encoding="utf-8")
    done = skyplumb("rules", mine)
    assert done.code == 0
    assert "trail_px: keep up to 2.25 px, reject over 4 px" in done.stdout
    for name in yaml.safe_load((shipped("config") / "rules.yaml").read_text("utf-8")):
        assert name.split("_")[0] in done.stdout


def test_notes_prints_the_example_and_says_what_is_understood_of_a_file(
    skyplumb: Command, tmp_path: Path
) -> None:
    done = skyplumb("notes")
    assert (done.code, done.stderr) == (0, "")
    assert done.stdout == (shipped("config") / "night-notes.example.yaml").read_text("utf-8")
    example = tmp_path / "example.yaml"
    example.write_text(done.stdout, encoding="utf-8")
    told = skyplumb("notes", example)
    assert told.code == 0
    again = tmp_path / "again.yaml"
    again.write_text(told.stdout, encoding="utf-8")
    assert read_notes(again) == read_notes(example) != Notes()
    empty = tmp_path / "empty.yaml"
    empty.touch()
    assert skyplumb("notes", empty).stdout == "says nothing, and that is fine\n"


def test_notes_tells_a_mistake_as_an_audit_would(skyplumb: Command, tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text("site:\n  latitude_deg: 47.2\n  longitude: 11.8\n", encoding="utf-8")
    done = skyplumb("notes", mine)
    assert (done.code, done.stdout) == (2, "")
    assert f"{mine}:3: site.longitude: no such key; did you mean longitude_deg?" in done.stderr
    missing = skyplumb("notes", tmp_path / "none.yaml")
    assert missing.code == 2 and len(missing.stderr.splitlines()) == 1


@pytest.mark.slow
def test_demo_says_what_it_does_while_it_draws(
    skyplumb: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = Body("Mistel 3", "Lerchau", "LM-1", width_px=90, height_px=60)
    run = DrawnRun(Lens("", 24.0, 2.0), datetime(2026, 9, 12, 20), 60.0, 3, ra_deg=313, dec_deg=40)
    night = Night(DrawnSite(47.2, 11.8), body, Mount(), (run,), Sky(satellites_per_h=0.0))
    monkeypatch.setattr("skyplumb.demo.render.demo_nights", lambda: (night,))
    done = skyplumb("demo", "--out", tmp_path / "drawn")
    assert done.code == 0
    assert done.stdout == f"{tmp_path / 'drawn' / 'card'}\n"
    first, *drawn = done.stderr.splitlines()
    assert first == "drawing 3 frames of an invented night and what is true of it"
    assert [line[:13] for line in drawn] == [f"drew {n} of 3 f" for n in (1, 2, 3)]


def test_link_into_lays_out_the_kept_frames_and_takes_back_what_is_no_longer_kept(
    skyplumb: Command, small_card: Path, continued: Path, tmp_path: Path
) -> None:
    links = tmp_path / "links"
    done = skyplumb("audit", small_card, "--out", continued, "--link-into", links)
    kept = {file for file, row in done.rows.items() if row["verdict"] == "keep"}
    laid = set(links.rglob("light-frames/*.dng"))
    assert kept
    assert {path.resolve() for path in laid} == {(small_card / file).resolve() for file in kept}
    assert all(path.is_symlink() for path in laid)
    # The drawn dark is of 60 s: it fits the first run and not the second, of 30 s.
    assert [path.parent.parent.name[:2] for path in links.rglob("dark-frames/*.dng")] == ["01"]
    assert f"{len(laid)} light frames" in done.stdout
    strict = tmp_path / "strict.yaml"
    strict.write_text("min_stars: {at_least: 100000}\n", encoding="utf-8")
    skyplumb(
        "audit", small_card, "--out", continued, "--link-into", links, "--rules", strict, "--xmp"
    )
    assert not list(links.rglob("*.dng"))


@pytest.mark.slow
def test_darks_of_another_folder_serve_where_the_card_has_none(
    skyplumb: Command, small_card: Path, tmp_path: Path
) -> None:
    card, darks = tmp_path / "card", tmp_path / "darks"
    shutil.copytree(small_card / MOOR, card / MOOR)
    shutil.copytree(small_card / "dunkel", darks / "of the moor")
    before = {path: path.read_bytes() for path in darks.rglob("*") if path.is_file()}
    words = ("audit", card, "--out", tmp_path / "out", "--darks", darks)
    refused = skyplumb(*words)
    assert refused.code == 2
    assert "give --link-into" in refused.stderr
    done = skyplumb(*words, "--link-into", tmp_path / "links")
    assert done.code == 0, done.stderr
    (laid,) = (tmp_path / "links").rglob("dark-frames/*")
    assert laid.resolve() in {path.resolve() for path in before}
    assert f"1 dark frame of 2026-09-12, 0 days from the run, from {darks}" in done.stdout
    assert {path: path.read_bytes() for path in before} == before
    on_them = skyplumb(*words, "--link-into", darks / "links")
    assert (on_them.code, (darks / "links").exists()) == (2, False)
    empty = tmp_path / "empty"
    empty.mkdir()
    none = skyplumb("audit", card, "--out", tmp_path / "out", "--darks", empty, "--link-into", "x")
    assert none.code == 2
    assert "--darks" in none.stderr


def test_sidecars_are_written_only_when_asked_for(
    skyplumb: Command, small_card: Path, continued: Path
) -> None:
    for path in list(continued.rglob("*.xmp")):
        path.unlink()
    skyplumb("audit", small_card, "--out", continued)
    assert not list(continued.rglob("*.xmp"))


def test_demo_refuses_a_folder_that_is_not_empty(skyplumb: Command, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").touch()
    done = skyplumb("demo", "--out", tmp_path)
    assert done.code == 2
    assert f"{tmp_path}: is not an empty folder" in done.stderr
