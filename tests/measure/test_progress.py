"""Progress: plain lines for files, a bar for terminals, nothing when quiet."""

from __future__ import annotations

import io

import pytest

from skyplumb.measure.progress import Progress


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Terminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def run(total: int, seconds_each: float, stream: io.StringIO, quiet: bool = False) -> list[str]:
    clock = Clock()
    with Progress(total, quiet=quiet, stream=stream, clock=clock) as progress:
        for _ in range(total):
            clock.now += seconds_each
            progress.step()
    return stream.getvalue().splitlines()


def test_quick_work_is_told_every_twentieth_part() -> None:
    lines = run(200, 0.5, io.StringIO())
    assert len(lines) == 20
    assert lines[0] == "measured 10 of 200 frames (5%), 2.0 frames/s, 2 min left"
    assert lines[-1] == "measured 200 of 200 frames (100%), 2.0 frames/s, 0 s left"


def test_slow_work_is_told_every_half_minute() -> None:
    lines = run(1000, 12.0, io.StringIO())
    # Three frames of 12 s are the first to reach 30 s; 1000 frames are 333 threes and the rest.
    assert len(lines) == 334
    assert lines[0] == "measured 3 of 1000 frames (0%), 12 s a frame, 3 h 19 min left"


def test_quiet_says_nothing() -> None:
    assert run(50, 1.0, io.StringIO(), quiet=True) == []
    assert run(50, 1.0, Terminal(), quiet=True) == []


def test_what_is_long_in_coming_is_told_as_it_begins() -> None:
    stream = io.StringIO()
    with Progress(1, stream=stream, verb="judged", what="sessions", begun="judging") as progress:
        assert stream.getvalue() == "judging\n"
        progress.step()
    assert stream.getvalue().splitlines()[1].startswith("judged 1 of 1 session (100%)")
    quiet = io.StringIO()
    with Progress(1, quiet=True, stream=quiet, begun="judging"):
        pass
    assert quiet.getvalue() == ""


def test_nothing_to_do_says_nothing() -> None:
    assert run(0, 1.0, io.StringIO()) == []


def test_a_terminal_gets_a_bar_with_count_rate_and_time_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("TERM", "xterm")
    shown = "\n".join(run(40, 2.0, Terminal()))
    assert "40/40" in shown
    assert "0.5 frames/s" in shown
    assert "\x1b[?25h" in shown  # the cursor is given back


def test_an_error_inside_passes_and_the_terminal_is_given_back() -> None:
    terminal = Terminal()
    with pytest.raises(KeyboardInterrupt), Progress(3, stream=terminal) as progress:
        progress.step()
        raise KeyboardInterrupt
    assert terminal.getvalue().endswith(("\n", "\x1b[?25h"))


class Written(io.StringIO):
    """A text stream that keeps what each write was given."""

    def __init__(self) -> None:
        super().__init__()
        self.writes: list[str] = []

    def write(self, text: str, /) -> int:
        self.writes.append(text)
        return super().write(text)


def test_a_line_and_its_end_are_one_write_so_that_no_signal_comes_between() -> None:
    stream = Written()
    run(40, 1.0, stream)
    assert len(stream.writes) == 20
    assert all(text.endswith("left\n") for text in stream.writes)
