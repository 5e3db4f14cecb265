"""Whether results depend on the kernels that numpy and its linear-algebra library pick.

OpenBLAS, of which numpy and scipy bring one each, has its sums and solutions written for each kind
of processor, and numpy some of its own loops; what they give differs in the last bit, and so it
must not be seen in what is written. Here the golden figures are measured, a small drawn card is
audited and all saved nights, skies and seasons are judged anew (`test_saved_*.py`) under every kind
that this processor can execute, each in a process of its own.

    python -m tests.kernels
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from numpy._core import _multiarray_umath

from .bench.tables import Table

TESTS = Path(__file__).parent
KINDS = {
    "Prescott": ("SSE3",),
    "Core2": ("SSSE3",),
    "Nehalem": ("SSE42",),
    "Barcelona": ("SSE3",),
    "Sandybridge": ("AVX",),
    "Bulldozer": ("AVX", "FMA4"),
    "Piledriver": ("AVX", "FMA3", "FMA4"),
    "Excavator": ("AVX2", "FMA3", "FMA4"),
    "Haswell": ("AVX2", "FMA3"),
    "Zen": ("AVX2", "FMA3"),
    "SkylakeX": ("AVX512_SKX",),
    "Cooperlake": ("AVX512_SKX", "AVX512BF16"),
    "SapphireRapids": ("AVX512_SPR",),
}
"""`OPENBLAS_CORETYPE` and what the processor must know for it, in numpy's words (OpenBLAS,
driver/others/dynamic.c and TargetList.txt, from memory)."""


def main() -> None:
    """Run all kinds and print what each gave; ends with 1 where they differ.

    A kind that OpenBLAS was built without is another one's name for it, told in the table.
    """
    features: dict[str, bool] = _multiarray_umath.__cpu_features__
    files: dict[str, str] = {}
    rows: list[tuple[str, ...]] = []
    skipped: list[str] = []
    failed = False
    with tempfile.TemporaryDirectory() as kept:
        draw_card = "import sys; from pathlib import Path; from smallcard import draw_small_card; "
        _python(["-c", draw_card + "draw_small_card(Path(sys.argv[1]))", kept], {})
        for name, changes in _kinds(features):
            lacks = [one for one in KINDS.get(name, ()) if not features.get(one)]
            if lacks:
                skipped.append(f"{name} (needs {', '.join(lacks)})")
                continue
            told = json.loads(_python(["-m", "tests.kernels", kept], changes))
            files = files or told["files"]
            differ = [one for one, digest in files.items() if told["files"].get(one) != digest]
            same = f"{len(files) - len(differ)} of {len(files)}"
            saved = _saved(changes)
            rows.append((name, told["blas"], told["golden"], saved, same, ", ".join(differ)))
            failed |= bool(differ) or told["golden"] != "held" or saved != "held"
    head = (
        *("kind", "numpy's and scipy's kernels", "golden figures", "saved answers", "files alike"),
        "others",
    )
    print(Table("What each kind of kernel gives", head, rows).text())
    print("skipped:", "; ".join(skipped) or "none")
    sys.exit(failed)


def _kinds(features: dict[str, bool]) -> list[tuple[str, dict[str, str]]]:
    """Every choice by name, with the environment that makes it."""
    own = [one for one in _multiarray_umath.__cpu_dispatch__ if features.get(one)]
    bare = [("numpy without " + " ".join(own), {"NPY_DISABLE_CPU_FEATURES": " ".join(own)})]
    return [
        ("as it comes", {}),
        *((name, {"OPENBLAS_CORETYPE": name}) for name in KINDS),
        *(bare if own else ()),
    ]


def _python(words: list[str], changes: dict[str, str]) -> str:
    """What a process of its own says."""
    root = TESTS.parent
    path = os.pathsep.join(map(str, (root / "pipeline", root, TESTS)))
    return subprocess.run(
        [sys.executable, *words],
        env=os.environ | {"PYTHONPATH": path} | changes,
        cwd=root,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    ).stdout


def _saved(changes: dict[str, str]) -> str:
    """How the tests of saved answers end."""
    tests = sorted(map(str, TESTS.glob("*/test_saved_*.py")))
    words = ["-m", "pytest", "-q", "-n", "auto", "--dist", "worksteal", "--no-header", *tests]
    try:
        _python(words, changes)
    except subprocess.CalledProcessError as error:
        return str(error.stdout).strip().rpartition("\n")[2]
    return "held"


def _told(card: Path) -> dict[str, Any]:
    """What this process's kernels give."""
    import pytest
    import scipy.linalg  # noqa: F401  loads scipy's own OpenBLAS
    from threadpoolctl import threadpool_info

    import skyplumb
    from golden import FILES, GOLDEN, figures

    kept: dict[str, Any] = json.loads(GOLDEN.read_text(encoding="utf-8"))["files"]
    off = [one for one in FILES if not _as_kept(figures(one), kept[one], pytest.approx)]
    with tempfile.TemporaryDirectory() as kept_in:
        out = Path(kept_in) / "out"
        skyplumb.audit(card / "card", out, jobs=1)
        files = {
            path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(out.rglob("*"))
            if path.is_file() and ".skyplumb" not in path.parts
        }
    kernels = [
        one.get("architecture", "") for one in threadpool_info() if one["user_api"] == "blas"
    ]
    return {
        "blas": " and ".join(kernels),
        "golden": f"off in {', '.join(off)}" if off else "held",
        "files": files,
    }


def _as_kept(now: dict[str, Any], kept: dict[str, Any], approx: Any) -> bool:
    """Whether figures agree as far as the suite's own test asks."""
    return bool(now.pop("kind") == kept.pop("kind") and now == approx(kept, rel=2e-5, abs=1e-6))


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(json.dumps(_told(Path(sys.argv[1]))))
    else:
        main()
