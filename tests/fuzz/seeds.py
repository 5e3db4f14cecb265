"""Small true files of every kind, drawn here and real ones, to be damaged."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from astropy.io import fits

from skyplumb.demo import Body, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.demo.files import write_dng, write_fits

REAL = Path(__file__).parents[1] / "data/real"
REAL_SEEDS = ("pole.fits", "rotation.fits")
"""Of 200 x 200 pixels; the other two are large, and their kinds are drawn."""


def seeds(more: Iterable[Path] = ()) -> dict[str, bytes]:
    """Whole files by name; the suffix tells what a mutation may aim at.

    Parameters
    ----------
    more : iterable of Path
        Folders with other small files, which stay where they are.
    """
    found = _drawn()
    found |= {name: (REAL / name).read_bytes() for name in REAL_SEEDS}
    for folder in more:
        for path in sorted(folder.iterdir()):
            if path.is_file() and path.stat().st_size < 3_000_000:
                found[path.name] = path.read_bytes()
    return found


def _drawn() -> dict[str, bytes]:
    """A starry frame of 256 x 192 in each format that is read."""
    body = Body("Mistel 3", "Lerchau", "LM-30177", width_px=256, height_px=192, pixel_um=16.0)
    lens = Lens("Lerchau Weit 24mm F2", 24.0, 2.0, fwhm_px=2.4)
    run = DrawnRun(lens, datetime(2026, 9, 12, 20), 60.0, 1, ra_deg=313.0, dec_deg=40.0)
    sky = Sky(mag_arcsec2=18.5, satellites_per_h=0.0)
    night = Night(DrawnSite(47.2, 11.8), body, Mount(), (run,), sky, faint_to_mag=9.0, seed=3)
    exposure = DrawnExposure(night, 0, 0)
    mosaic = exposure.draw()
    with TemporaryDirectory() as folder:
        as_dng, as_fits = Path(folder) / "drawn.dng", Path(folder) / "drawn.fits"
        write_dng(as_dng, mosaic, exposure)
        write_fits(as_fits, mosaic, exposure)
        packed_dng, plain = as_dng.read_bytes(), as_fits.read_bytes()
    with fits.open(io.BytesIO(plain)) as units:
        header = units[0].header.copy()
    for key in ("BZERO", "BSCALE"):
        header.remove(key, ignore_missing=True)
    whole = mosaic.astype(np.int32)
    return {
        "lossless.dng": packed_dng,
        "plain.dng": _uncompressed(packed_dng, mosaic),
        "plain.fits": plain,
        "float.fits": _file(fits.PrimaryHDU(mosaic.astype(np.float32), header)),
        "long.fits": _file(fits.PrimaryHDU(whole - 300, header)),
        "planes.fits": _file(fits.PrimaryHDU(np.stack([mosaic] * 3), header)),
        "extension.fits": _file(fits.PrimaryHDU(), fits.ImageHDU(mosaic, header)),
        "rice.fits.fz": _compressed(mosaic, header, "RICE_1"),
        "gzip.fits.fz": _compressed(mosaic, header, "GZIP_2"),
        "hcompress.fits.fz": _compressed(whole, header, "HCOMPRESS_1"),
        "float.fits.fz": _compressed(mosaic.astype(np.float32), header, "RICE_1"),
    }


def _file(*units: Any) -> bytes:
    stream = io.BytesIO()
    fits.HDUList(list(units)).writeto(stream)
    return stream.getvalue()


def _compressed(samples: Any, header: fits.Header, method: str) -> bytes:
    return _file(fits.PrimaryHDU(), fits.CompImageHDU(samples, header, compression_type=method))


def _uncompressed(packed: bytes, mosaic: np.ndarray[Any, np.dtype[np.uint16]]) -> bytes:
    """The same DNG with its one strip as plain samples behind all the rest."""
    with tifffile.TiffFile(io.BytesIO(packed), mode="r+b") as file:
        page = next(page for page in file.pages if page.tags[259].value == 7)
        stream = file.filehandle
        assert np.array_equal(imagecodecs.ljpeg_decode(_strip(page, packed)), mosaic)
        page.tags[258].overwrite(16)
        page.tags[259].overwrite(1)
        page.tags[273].overwrite([len(packed)])
        page.tags[279].overwrite([mosaic.nbytes])
        stream.seek(0)
        return bytes(stream.read(len(packed)).ljust(len(packed), b"\0") + mosaic.tobytes())


def _strip(page: Any, packed: bytes) -> bytes:
    start, length = page.dataoffsets[0], page.databytecounts[0]
    return packed[start : start + length]
