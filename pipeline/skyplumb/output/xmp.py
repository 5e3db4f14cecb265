"""XMP sidecars: the verdict as a rating and the reason as a description (ISO 16684-1)."""

from __future__ import annotations

import re
from pathlib import Path

import exiv2
import pandas as pd

from skyplumb.output.paths import refuse_card, relative, remove, write_atomic, writing
from skyplumb.plain import text_of

RATINGS = {"keep": 3, "doubtful": 1, "reject": -1}
"""xmp:Rating by verdict. -1 is "rejected" in the standard; 3 leaves 4 and 5 to the eye."""

_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_xmp(frames: pd.DataFrame, folder: Path, card: Path) -> int:
    """Write `folder`/<path on the card>.xmp for every judged light and answer how many.

    The packet (ISO 16684-1) holds `xmp:Rating` from `RATINGS` and the reason as
    `dc:description`. Sidecars of an earlier call for frames no longer judged are removed.
    """
    refuse_card(folder, card, "--out")
    written = set()
    lights = frames[(frames["kind"] == "light") & frames["verdict"].isin(list(RATINGS))]
    for file, verdict, reason in zip(
        lights["file"], lights["verdict"], lights["reason"], strict=True
    ):
        target = folder / f"{relative(file)}.xmp"
        refuse_card(target, card, "--out")
        write_atomic(target, xmp_packet(RATINGS[verdict], text_of(reason)).encode("utf-8"))
        written.add(target)
    with writing(folder, "--out"):
        for stale in sorted(set(folder.rglob("*.xmp")) - written):
            remove(stale, folder)
    return len(written)


def xmp_packet(rating: int, description: str) -> str:
    """An XMP packet with a rating (-1..5) and, unless it is empty, a description."""
    data = exiv2.XmpData()
    data["Xmp.xmp.Rating"] = str(rating)
    if description:
        data["Xmp.dc.description"] = "lang=x-default " + _NOT_IN_XML.sub("", description)
    status, packet = exiv2.XmpParser.encode(
        data, exiv2.XmpParser.XmpFormatFlags.useCompactFormat, 1
    )
    if status != 0:
        raise RuntimeError(f"XMP could not be encoded (status {status})")
    return str(packet)
