"""Star shapes and pointings to motion, mount, cause and verdict; opens no picture."""
