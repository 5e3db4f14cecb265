"""An invented card of star frames with known truth.

A witness for the judging half, with which it shares no code: its own projection, refraction,
tracker and star shapes. `render_card` draws a whole card, `draw_frame` a single frame with
stars of a chosen shape, `Exposure` any frame of a `Night` of one's own.
"""

from .exposure import Exposure
from .paint import DrawnFrame, draw_frame
from .render import render_card
from .scenario import demo_nights
from .scene import Body, Clock, Gusts, Knock, Lens, Mount, Night, Run, Site, Sky
from .truth import frame_truth, trail_of

__all__ = [
    "Body",
    "Clock",
    "DrawnFrame",
    "Exposure",
    "Gusts",
    "Knock",
    "Lens",
    "Mount",
    "Night",
    "Run",
    "Site",
    "Sky",
    "demo_nights",
    "draw_frame",
    "frame_truth",
    "render_card",
    "trail_of",
]
