"""What all frames of a lens together say: pointing, camera, hot pixels, shape."""
