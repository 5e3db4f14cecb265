"""The audit where another system's calls, disks and names are all there is."""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path, PureWindowsPath

import pytest

from skyplumb.errors import UserError
from skyplumb.output.paths import flat_names, listed_path, one_name, writing
from smallcard import FEN, Finished

PACKAGE = Path(__file__).parents[2] / "pipeline"

ELSEWHERE = """
import errno, multiprocessing.popen_spawn_posix, os, random, shutil, signal, socket, subprocess, sys
import tempfile
import platformdirs

MODULES = {"fcntl", "grp", "pty", "pwd", "resource", "syslog", "termios", "tty"}
for name in MODULES:
    sys.modules.pop(name, None)

class NotHere:
    def find_spec(self, name, path=None, target=None):
        if name in MODULES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, NotHere())

# What the documentation of os and signal calls available on Unix only. WNOHANG and SIGKILL stay:
# the standard library stands on them here, as do platform on uname and
# shutil on sendfile.
for name in (
    "chown chroot confstr copy_file_range ctermid eventfd fchdir fchmod fchown fdatasync fork "
    "forkpty fpathconf fstatvfs getegid geteuid getgid getgroups getloadavg getpgid getpgrp "
    "getpriority getresuid getsid getuid getxattr killpg lchown listxattr lockf major memfd_create "
    "minor mkfifo mknod nice openpty pathconf pipe2 posix_fadvise posix_fallocate posix_spawn "
    "posix_spawnp pread preadv pwrite pwritev readv removexattr sched_getaffinity sched_getparam "
    "sched_setaffinity sched_yield setegid seteuid setgid setpgid setpriority setsid "
    "setuid setxattr splice statvfs sync sysconf tcgetpgrp ttyname wait wait3 wait4 waitid "
    "WCOREDUMP WEXITSTATUS WIFEXITED WIFSIGNALED WIFSTOPPED WTERMSIG writev O_CLOEXEC O_DIRECTORY "
    "O_DSYNC O_NOCTTY O_NOFOLLOW O_NONBLOCK O_SYNC"
).split():
    if hasattr(os, name):
        delattr(os, name)
for name in (
    "SIGALRM SIGBUS SIGCHLD SIGCONT SIGHUP SIGPIPE SIGQUIT SIGSTOP SIGTSTP SIGUSR1 SIGUSR2 "
    "SIGWINCH SIGXCPU alarm getitimer pause setitimer siginterrupt sigpending sigtimedwait sigwait"
).split():
    if hasattr(signal, name):
        delattr(signal, name)

def refused(*words, **more):
    raise OSError(errno.EPERM, "A required privilege is not held by the client")

os.symlink = os.link = refused
"""
"""As sitecustomize, which Python runs before anything else, in every worker too."""

# Folders and files that a disk without letter case, and with names for devices, could not hold
# beside each other.
ODD = (f"{FEN}/aux.dng", f"{FEN.swapcase()}/AUX.DNG", f"{FEN}/12:30 Fen?.dng", "Ä" * 100 + ".dng")


@pytest.fixture(scope="module")
def elsewhere(
    audited: Finished, small_card: Path, tmp_path_factory: pytest.TempPathFactory
) -> Finished:
    """Four frames under odd names, audited with the calls of one system taken away."""
    place = tmp_path_factory.mktemp("elsewhere")
    (place / "sitecustomize.py").write_text(ELSEWHERE, encoding="utf-8")
    card = place / "card"
    for frame, name in zip(sorted((small_card / FEN).glob("MIST_00*.dng")), ODD, strict=False):
        (card / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(frame, card / name)
    # Without the locks that lie there: where no system's lock is to be had, a file is one.
    (place / "cache").mkdir()
    for kept in Path(os.environ["SKYPLUMB_CACHE"]).glob("patterns-*"):
        if kept.suffix != ".lock":
            (place / "cache" / kept.name).symlink_to(kept.resolve())
    out = place / "out"
    done = subprocess.run(
        [
            sys.executable, "-m", "skyplumb", "audit", str(card), "--out", str(out),
            "--link-into", str(place / "laid"), "--root", r"D:\Bilder\Moor", "--xmp",
        ],
        env=os.environ
        | {"PYTHONPATH": f"{PACKAGE}{os.pathsep}{place}", "SKYPLUMB_CACHE": str(place / "cache")},
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    return Finished(out, done.returncode, done.stdout, done.stderr)


@pytest.mark.slow
def test_the_calls_were_taken_away(elsewhere: Finished) -> None:
    place = elsewhere.out.parent
    asked = "import os, fcntl"
    done = subprocess.run(
        [sys.executable, "-c", asked],
        env=os.environ | {"PYTHONPATH": str(place)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "No module named 'fcntl'" in done.stderr


@pytest.mark.slow
def test_the_audit_needs_no_call_of_one_system(elsewhere: Finished, audited: Finished) -> None:
    assert elsewhere.code == 0, elsewhere.stderr
    assert "Traceback" not in elsewhere.stderr
    here = [
        audited.rows[file] for file in sorted(audited.rows) if file.startswith(f"{FEN}/MIST_00")
    ]
    for name, row in zip(ODD, here, strict=False):
        for column in ("stars", "verdict"):
            assert elsewhere.rows[name][column] == row[column]


@pytest.mark.slow
def test_what_was_written_fits_a_disk_without_letter_case(elsewhere: Finished) -> None:
    """Sidecars have their frames' names and are left out."""
    place = elsewhere.out.parent
    paths = [
        path.relative_to(place)
        for folder in ("out", "laid")
        for path in (place / folder).rglob("*")
        if "xmp" not in path.parts
    ]
    assert len(paths) > 8
    assert not [path for path in paths for part in path.parts if not _fits(part)]
    assert max(Counter(str(path).casefold() for path in paths).values()) == 1


@pytest.mark.slow
def test_kept_frames_are_copied_where_no_link_can_be(elsewhere: Finished) -> None:
    laid = [p for p in (elsewhere.out.parent / "laid").rglob("light-frames/*") if p.is_file()]
    assert len(laid) == sum(row["verdict"] == "keep" for row in elsewhere.rows.values()) > 1
    assert not any(path.is_symlink() for path in laid)
    assert f"{len(laid)} copied" in elsewhere.stdout


@pytest.mark.slow
def test_lists_for_another_drive_have_its_paths(elsewhere: Finished) -> None:
    (listed,) = elsewhere.out.glob("*/stackable.txt")
    lines = listed.read_text("utf-8").splitlines()
    kept = {file for file, row in elsewhere.rows.items() if row["verdict"] == "keep"}
    root = PureWindowsPath(r"D:\Bilder\Moor")
    assert {PureWindowsPath(line).relative_to(root).as_posix() for line in lines} == kept
    assert all("/" not in line for line in lines)


def _fits(name: str) -> bool:
    """Whether a disk of any system takes a name (Microsoft, "Naming Files, Paths, and Namespaces",
    from memory)."""
    stem = name.split(".")[0].rstrip().upper()
    devices = {"CON", "PRN", "AUX", "NUL"} | {
        f"{d}{n}" for d in ("COM", "LPT") for n in "0123456789"
    }
    clean = not re.search(r'[<>:"/\\|?*\x00-\x1f]', name) and not name.endswith((" ", "."))
    return clean and stem not in devices and len(name.encode()) <= 255


@pytest.mark.parametrize(
    "name",
    [
        "con", "NUL.txt", "aux .fits", "COM¹.dng", "conin$", "LPT0", "a:b", "end.", "end ", "..",
        'q"?*<>|', "back\\slash", "x" * 300 + ".dng", "\x07bell", "",
    ],
)  # fmt: skip
def test_any_word_becomes_a_name_for_any_disk(name: str) -> None:
    assert _fits(one_name(name)) and one_name(name)


def test_names_that_differ_in_letter_case_are_kept_apart() -> None:
    names = flat_names(["a/IMG_1.dng", "b/img_1.DNG", "A-img_1.dng", "b-img_1.dng"])
    assert len({name.casefold() for name in names.values()}) == 4


@pytest.mark.parametrize(
    "root, line",
    [
        (r"D:\Bilder\Moor", r"D:\Bilder\Moor\100MOOR\a b.dng"),
        ("D:/Bilder", r"D:\Bilder\100MOOR\a b.dng"),
        (r"\\nas\fotos", r"\\nas\fotos\100MOOR\a b.dng"),
        ("/Volumes/CARD", "/Volumes/CARD/100MOOR/a b.dng"),
    ],
)
def test_a_line_of_a_list_is_as_the_system_of_its_root_has_it(root: str, line: str) -> None:
    assert listed_path(Path(root), "100MOOR/a b.dng") == line


@pytest.mark.parametrize(
    "error, name, mend",
    [
        (PermissionError(errno.EACCES, "Permission denied"), "frames.csv", "close it in other"),
        (FileNotFoundError(errno.ENOENT, "No such file"), "x" * 250, "shorter path"),
        (OSError(errno.ENOSPC, "No space left"), "frames.csv", "free some space"),
    ],
)
def test_what_cannot_be_written_says_the_mend(error: OSError, name: str, mend: str) -> None:
    with pytest.raises(UserError, match=mend), writing(Path(name), "--out"):
        raise error
