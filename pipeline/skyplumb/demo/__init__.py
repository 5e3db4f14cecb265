"""An invented card of star frames with known truth.

A witness for the judging half, with which it shares no code: its own projection, refraction,
tracker and star shapes. `render_card` draws a whole card, `draw_frame` a single frame with
stars of a chosen shape, `DrawnExposure` any frame of a `Night` of one's own.
"""

from .exposure import DrawnExposure
from .paint import DrawnFrame, Sway, draw_frame
from .render import render_card
from .scenario import demo_nights
from .scene import Body, Clock, DrawnRun, DrawnSite, Gusts, Knock, Lens, Mount, Night, Sky
from .truth import frame_truth, trail_of

__all__ = [
    "Body",
    "Clock",
    "DrawnFrame",
    "DrawnExposure",
    "Gusts",
    "Knock",
    "Lens",
    "Mount",
    "Night",
    "DrawnRun",
    "DrawnSite",
    "Sky",
    "demo_nights",
    "Sway",
    "draw_frame",
    "frame_truth",
    "render_card",
    "trail_of",
]
