"""The entry point, which is ready for Ctrl-C before anything large is imported."""

import os
import sys

INTERRUPTED = 130
"""128 and the number of the signal, as shells have it."""


def main() -> None:
    """Run the command line; stopped while it loads, it ends at once and in silence."""
    try:
        for number in (0, 1, 2):
            try:
                os.fstat(number)
            except OSError:  # closed; the next file that is opened would take its place
                os.open(os.devnull, os.O_RDWR)
        from skyplumb.cli import main as run

        run()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


if __name__ == "__main__":
    main()
