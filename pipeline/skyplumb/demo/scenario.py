"""The built-in night: an invented ridge, invented gear, and faults put in on purpose.

One evening with one body and one polar axis that was sighted in a hurry. The wide lens is
sharp whatever the tracker does, and a cloud passes; with the short telephoto there are gusts,
a foot against the tripod and, later, a ball head that lets go; with the long one the axis
shows, more so the longer the exposure.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from .scene import Body, Clock, DrawnRun, DrawnSite, Gusts, Knock, Lens, Mount, Night, Sky

_FOLDER = "Grat über Källen"

BODY = Body("N6", "Orvane", "OV-020817")
WIDE = Lens(
    "Orvane Broad 14mm F2.8",
    14.0,
    2.8,
    fwhm_px=2.1,
    beta=3.0,
    radial_px=3.2,
    tangential_px=1.6,
    decentre_px=(90.0, -40.0),
    k1=-0.035,
    k2=0.012,
    vignetting=0.5,
)
SHORT = Lens(
    "Orvane Reach 85mm F2",
    85.0,
    2.8,
    fwhm_px=2.5,
    beta=3.0,
    radial_px=1.8,
    tangential_px=0.9,
    k1=0.004,
    vignetting=0.25,
)
LONG = Lens(
    "Orvane Reach 200mm F4",
    200.0,
    4.0,
    fwhm_px=2.6,
    beta=3.2,
    radial_px=1.2,
    tangential_px=0.6,
    tilt_px=(0.6, 0.3),
    k1=0.002,
    vignetting=0.2,
)

NOTES = """\
# What Ylva wrote down on the ridge.
site:
  latitude_deg: 46.87
  longitude_deg: 10.31
  height_m: 2290
clock:
  utc_offset_h: 2
  ahead_s: 3           # compared with the hut's radio clock
tracker: Kreisel Mini
payload_g: 1680
alignment: pole sighted along the hinge, in a hurry
wind: calm, two squalls shortly after eleven
ground: frozen gravel
leave_out:
  - files: "*/Vordergrund/*"
    reason: foreground, tracker off on purpose
"""


def demo_nights() -> tuple[Night, ...]:
    """The built-in card: one night of 42 frames."""
    evening = datetime(2026, 8, 14, 20, 52)

    def after(minutes: float) -> datetime:
        return evening + timedelta(minutes=minutes)

    wide = DrawnRun(
        WIDE, after(0), 60.0, 8, ra_deg=303.0, dec_deg=36.0, roll_deg=20.0,
        folder=f"{_FOLDER}/1 Milchstraße", companions=(0,),
    )  # fmt: skip
    gusty = DrawnRun(
        SHORT, after(14), 75.0, 11, ra_deg=313.5, dec_deg=43.5, roll_deg=5.0,
        folder=f"{_FOLDER}/2 Nebel", dithers=((5, 14.0, -9.0),),
    )  # fmt: skip
    long_short = DrawnRun(
        LONG, after(33), 120.0, 6, ra_deg=312.3, dec_deg=31.0, roll_deg=-12.0,
        folder=f"{_FOLDER}/3 Schleier",
    )  # fmt: skip
    long_long = DrawnRun(
        LONG, after(47), 420.0, 4, ra_deg=312.3, dec_deg=31.0, roll_deg=-12.0,
        folder=f"{_FOLDER}/3 Schleier",
    )  # fmt: skip
    slipping = DrawnRun(
        SHORT, after(78), 75.0, 8, ra_deg=345.0, dec_deg=59.0, roll_deg=40.0,
        folder=f"{_FOLDER}/4 Kepheus", broken=(7,),
    )  # fmt: skip
    foreground = DrawnRun(
        WIDE, after(92), 60.0, 2, alt_deg=38.0, az_deg=165.0, tracking="off",
        folder=f"{_FOLDER}/Vordergrund",
    )  # fmt: skip
    darks = DrawnRun(LONG, after(99), 120.0, 2, kind="dark", folder=f"{_FOLDER}/5 Dunkel")
    flat = DrawnRun(LONG, after(480), 0.02, 1, kind="flat", iso=100, folder=f"{_FOLDER}/6 Hell")
    runs = (wide, gusty, long_short, long_long, slipping, foreground, darks, flat)

    def moment(run: DrawnRun, frame: int, share: float = 0.0) -> float:
        """Seconds after the start of the night of a point within a frame."""
        start = (run.start_utc - evening).total_seconds()
        return start + run.start_of(frame) + share * run.exposure_s

    mount = Mount(
        name="Kreisel Mini",
        axis_alt_error_arcmin=11.0,
        axis_az_error_arcmin=-17.0,
        rate_error=6e-5,
        periodic_arcsec=2.0,
        periodic_s=480.0,
        periodic_phase_deg=70.0,
        slip_arcsec_per_min=140.0,
        slip_from_s=moment(slipping, 3),
        slip_to_s=moment(slipping, 8),
        gusts=Gusts(
            8.0, 42.0, decay_s=3.0, sway_hz=0.7, axis_deg=25.0, scatter_deg=15.0,
            from_s=moment(gusty, 2), to_s=moment(gusty, 4),
        ),
        knocks=(Knock(moment(gusty, 8, 0.4), 82.0, 51.0),),
    )  # fmt: skip
    sky = Sky(
        cloud=(
            (moment(wide, 4), 0.0),
            (moment(wide, 5), 0.9),
            (moment(wide, 6), 1.6),
            (moment(wide, 7), 0.0),
        ),
    )
    site = DrawnSite(46.87, 10.31, 2290.0, temperature_c=4.0)
    clock = Clock(utc_offset_h=2.0, error_s=3.0)
    return (Night(site, BODY, mount, runs, sky, clock, photographer="Ylva Törn", seed=814),)
