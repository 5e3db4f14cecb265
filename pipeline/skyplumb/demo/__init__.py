"""An invented card of star frames with known truth."""
